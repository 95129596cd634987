"""The disk of PostgreSQL fills up under 4 clients: reads go on, writes are refused with storage_full, and resume by themselves when
there is space. Needs the right to mount a tmpfs."""

import subprocess
import time

from ground import Postgres, Service, Trial, ask, folder, make_database
from traders import ended, traders

trial = Trial("disk full")
with folder() as path:
    disk = path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256m", "tmpfs", disk], check=True)
    try:
        # Small segments of the log, so that what fills the disk is data and not the log alone.
        postgres = Postgres(disk / "postgresql", ["max_wal_size=64MB", "min_wal_size=32MB"]).start()
        keys = make_database(postgres)
        service = Service(postgres.url(), path).start()
        clients = traders(service, keys, trial.seed, 4)
        time.sleep(3)
        ballast = disk / "ballast"
        with open(ballast, "wb") as file:
            try:
                while True:
                    file.write(bytes(1 << 16))
                    file.flush()
            except OSError:
                pass
        statuses, kinds, reads = {}, {}, {}
        until = time.monotonic() + 10
        while time.monotonic() < until:
            status, _, body = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell" + "l" * 150}, keys["seller"])
            statuses[status] = statuses.get(status, 0) + 1
            if status != 201:
                kinds[body["type"]] = kinds.get(body["type"], 0) + 1
            for address, key in (("/v1/persons?limit=1", keys["seller"]), ("/v1/public/listings", None)):
                read = ask(service.port, "GET", address, key=key)[0]
                reads[read] = reads.get(read, 0) + 1
        answers = postgres.process.poll() is None and postgres.answers()
        trial.figure("PostgreSQL lives", answers)
        trial.figure("writes while full", statuses)
        trial.figure("problems", kinds, set(kinds) <= {"/problems/storage_full", "/problems/service_unavailable"}, "storage_full and 503 alone")
        trial.figure("storage_full was told", kinds.get("/problems/storage_full", 0), "/problems/storage_full" in kinds or not answers, "at least once while it lives")
        trial.figure("reads while full", reads, set(reads) <= ({200} if answers else {200, 503}), "200 alone while it lives")
        ballast.unlink()
        if postgres.process.poll() is not None:
            # It ended of the full disk: whoever keeps it starts it again.
            postgres.start()
        began = time.monotonic()
        while ask(service.port, "POST", "/v1/persons", {"name": "Bo Tarn"}, keys["seller"])[0] != 201:
            time.sleep(0.1)
            assert time.monotonic() < began + 60, "no write within 60 s"
        trial.figure("writes again after the disk has room", f"{time.monotonic() - began:.1f} s")
        ended(clients)
        told = [location for client in clients for _, _, location in client.acknowledged]
        lost = [location for location in told if ask(service.port, "GET", location, key=keys["proprietor"])[0] != 200]
        trial.figure(f"acknowledged {len(told)}, and lost", len(lost), not lost, f"0: {lost[:3]}")
        trial.figure("panics", service.panics(), service.panics() == 0, "0")
        service.stop()
        postgres.stop()
    finally:
        subprocess.run(["umount", "-l", disk])
trial.end()
