"""A backup under load, restored into a fresh cluster: every table is as in the snapshot, keys and photographs work, and readers of
the journal are told to begin anew. Then PostgreSQL's own: a base backup under load and the log that was archived since, brought up to
the last write. ENGINES sets the stock (5000)."""

import os
import pathlib
import subprocess
import time
import uuid

from ground import BINARY, ROOT, Postgres, Service, Trial, acquisition, ask, folder, make_database, rows
from traders import ended, traders

ENGINES = int(os.environ.get("ENGINES", "5000"))
trial = Trial("backup and restore")
picture = next((ROOT / "demo-data/pictures").glob("*.png")).read_bytes()
with folder() as path:
    archive = path / "archive"
    archive.mkdir()
    Postgres.own(archive)
    archiving = ["wal_level=replica", "max_wal_senders=4", "archive_mode=on", f"archive_command=cp %p {archive}/%f"]
    postgres = Postgres(path / "postgresql", archiving).start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"], "a")[2]["stock_no"]
    postgres.sql(f"""INSERT INTO engines SELECT (jsonb_populate_record(e, jsonb_build_object('stock_no', n))).* FROM engines e, generate_series(100000, {100000 + ENGINES}) n""")
    postgres.sql("""INSERT INTO journal (type, on_day, key_id, stock_no, data) SELECT 'engine.changed', '2026-01-05', 1, stock_no, '{}' FROM engines, generate_series(1, 20)""")
    import http.client
    connection = http.client.HTTPConnection("127.0.0.1", service.port)
    connection.request("POST", f"/v1/engines/{stock_no}/photographs", picture, {"Authorization": f"Bearer {keys['seller']}", "Content-Type": "image/png", "Idempotency-Key": str(uuid.uuid4())})
    answer = connection.getresponse()
    photograph = answer.headers["location"]
    answer.read()
    old_id = ask(service.port, "GET", "/v1/journal?limit=1", key=keys["proprietor"])[2]["journal_id"]
    clients = traders(service, keys, trial.seed, 4)
    time.sleep(2)
    environment = {**os.environ, "DATABASE_URL": postgres.url(), "OUTSHOP_PHOTOGRAPHS": str(path / "photographs")}
    began = time.monotonic()
    subprocess.run([BINARY, "backup", path / "kept"], env=environment, check=True, stdout=subprocess.DEVNULL)
    trial.figure("backup under load took", f"{time.monotonic() - began:.1f} s")
    base = path / "base"
    base.mkdir()
    Postgres.own(base)
    postgres.run("pg_basebackup", "-h", postgres.socket, "-p", postgres.port, "-U", "outshop", "-D", base / "data", "-X", "none", "-c", "fast")
    ended(clients)
    refused = [it for client in clients for it in client.refused]
    trial.figure("writes refused meanwhile", len(refused), not refused, f"0: {refused[:2]}")
    size = sum(it.stat().st_size for it in pathlib.Path(path / "kept").rglob("*") if it.is_file())
    trial.figure("size", f"{size / 1e6:.1f} MB")
    service.stop()
    columns, last = rows(postgres)
    postgres.sql("SELECT pg_switch_wal()")
    postgres.stop()

    fresh = Postgres(path / "fresh").start()
    fresh.sql("CREATE DATABASE outshop", "postgres")
    environment = {**os.environ, "DATABASE_URL": fresh.url(), "OUTSHOP_PHOTOGRAPHS": str(path / "restored")}
    began = time.monotonic()
    done = subprocess.run([BINARY, "restore", path / "kept"], env=environment, capture_output=True, text=True)
    took = time.monotonic() - began
    trial.figure("restore says", (done.stdout or done.stderr).strip().splitlines()[-1], done.returncode == 0, "that every table is as it was")
    trial.figure(f"restored with {ENGINES} engines in", f"{took:.1f} s", took <= 120, "120 s")
    again = subprocess.run([BINARY, "restore", path / "kept"], env=environment, capture_output=True, text=True)
    trial.figure("a second restore over it is refused", again.stderr.strip(), again.returncode != 0, "refused")
    service = Service(fresh.url(), path, "restored", OUTSHOP_PHOTOGRAPHS=path / "restored").start()
    status, _, problem = ask(service.port, "GET", f"/v1/journal?after=1&journal_id={old_id}", key=keys["proprietor"])
    trial.figure("a reader with the old journal_id", problem.get("type"), status == 409, "feed_restarted")
    # Ids of transactions are counted anew in another cluster: an entry with one of before would be held for one that is still to come.
    later = fresh.sql("SELECT count(*) FROM journal WHERE transaction_no >= pg_current_xact_id()::text::bigint")
    trial.figure("entries of transactions that are still to come", later, later == "0", "0")
    made = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0]
    trial.figure("a key from before writes", made, made == 201, "201")
    count, after, numbers = int(fresh.sql("SELECT count(*) FROM journal")), 0, 0
    while page := ask(service.port, "GET", f"/v1/journal?after={after}&limit=500", key=keys["proprietor"])[2]["items"]:
        numbers, after = numbers + len(page), page[-1]["entry_no"]
    trial.figure("journal entries read from the start", f"{numbers} of {count}", numbers == after == count, "all, dense")
    shown = ask(service.port, "GET", photograph, key=keys["seller"])[2]
    address = next(it for it in str(shown).split("'") if it.startswith("/v1/") and "/files/" in it or it.endswith(".jpg"))
    status = ask(service.port, "GET", address, key=keys["seller"])[0]
    trial.figure("the photograph's file", status, status == 200, "200")
    service.stop()
    fresh.stop()

    recovered = Postgres(base, [f"restore_command=cp {archive}/%f %p"], make=False)
    (recovered.data / "recovery.signal").touch()
    began = time.monotonic()
    recovered.start()
    while recovered.sql("SELECT pg_is_in_recovery()") != "f":
        time.sleep(0.1)
    trial.figure("base backup and archived log brought up in", f"{time.monotonic() - began:.1f} s")
    different = {table: (last[table], those) for table, those in rows(recovered, columns)[1].items() if those != last[table]}
    trial.figure(f"tables of {len(last)} that are not as at the last write", len(different), not different, f"0: {different}")
    service = Service(recovered.url(), path, "recovered").start()
    made = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0]
    trial.figure("a key from before writes", made, made == 201, "201")
    service.stop()
    recovered.stop()
trial.end()
