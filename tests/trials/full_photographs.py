"""The disk of the photographs is full, and then read only: a photograph more is refused with what is the matter, nothing of it is
stored, those that are there are shown, and it works again by itself. Needs the right to mount a tmpfs."""

import subprocess

from ground import Postgres, Service, Trial, acquisition, ask, folder, make_database, png

trial = Trial("full photographs")
with folder() as path:
    disk = path / "photographs"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", disk], check=True)
    try:
        postgres = Postgres(path / "postgresql").start()
        keys = make_database(postgres)
        service = Service(postgres.url(), path).start()
        stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[2]["stock_no"]

        def add(width):
            # Each width makes other files.
            return ask(service.port, "POST", f"/v1/engines/{stock_no}/photographs", png(width, 400), keys["seller"], headers={"Content-Type": "image/png"})

        def there():
            rows = postgres.sql("SELECT (SELECT count(*) FROM photographs), (SELECT count(*) FROM idempotency_keys), (SELECT count(*) FROM journal)")
            return rows, sorted(it.name for it in disk.rglob("*") if it.is_file() and it.name != "ballast")

        def file_of(photograph):
            return ask(service.port, "GET", photograph["sizes"][0]["url"], key=keys["seller"])[0]

        def fill():
            with open(disk / "ballast", "wb", buffering=0) as file:
                try:
                    while True:
                        file.write(bytes(512))
                except OSError:
                    pass

        status, _, first = add(600)
        trial.figure("with room, added and its file", f"{status}, {file_of(first)}", (status, file_of(first)) == (201, 200), "201, 200")
        for n, (what, begin, end, wanted) in enumerate((
            ("full", fill, (disk / "ballast").unlink, "/problems/storage_full"),
            ("read only", lambda: subprocess.run(["mount", "-o", "remount,ro", disk], check=True),
             lambda: subprocess.run(["mount", "-o", "remount,rw", disk], check=True), "/problems/service_unavailable"),
        )):
            begin()
            before = there()
            status, headers, problem = add(700 + n)
            told = f"{status}, {problem.get('type')}, Retry-After {headers['retry-after']}: {problem.get('detail')}"
            trial.figure(f"{what}: a photograph more", told, status == 503 and problem["type"] == wanted and headers["retry-after"], f"503 {wanted} with Retry-After")
            after = there()
            trial.figure("   rows, keys, entries; files", f"{after[0]}; {len(after[1])}", before == after, f"as before: {before}")
            trial.figure("   the file of the first", file_of(first), file_of(first) == 200, "200")
            ready = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0]
            trial.figure("   another write", ready, ready == 201, "201")
            end()
            status, _, made = add(700 + n)
            trial.figure("   the same one with room again, and its file", f"{status}, {status == 201 and file_of(made)}", status == 201 and file_of(made) == 200, "201, 200")
        trial.figure("panics", service.panics(), service.panics() == 0, "0")
        service.stop()
        postgres.stop()
    finally:
        subprocess.run(["umount", "-l", disk])
trial.end()
