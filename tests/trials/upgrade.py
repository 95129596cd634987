"""A binary of before goes on reading and writing while the new one migrates the database under it. OUTSHOP_BEFORE names it; without it
there is nothing to try."""

import os
import subprocess
import time

import ground
from ground import BINARY, Postgres, Service, Trial, ask, folder, make_database
from traders import ended, judge, traders

before = os.environ.get("OUTSHOP_BEFORE")
trial = Trial("upgrade with the old binary running")
if not before:
    trial.figure("OUTSHOP_BEFORE", "not set, nothing tried")
    trial.end()
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    ground.BINARY = before
    keys = make_database(postgres)
    old = Service(postgres.url(), path, "old").start()
    ground.BINARY = BINARY
    clients = traders(old, keys, trial.seed, 4)
    time.sleep(2)
    was = postgres.sql("SELECT count(*) FROM __diesel_schema_migrations")
    new = Service(postgres.url(), path, "new").start()
    now = postgres.sql("SELECT count(*) FROM __diesel_schema_migrations")
    trial.figure("migrations before and after", f"{was}, {now}")
    more = traders(new, keys, trial.seed + 50, 4)
    time.sleep(5)
    ended(clients + more)
    judge(trial, postgres, clients + more)
    for name, service in (("old", old), ("new", new)):
        statuses = {path: ask(service.port, "GET", path, key=keys["proprietor"])[0] for path in ("/v1/engines", "/v1/journal", "/v1/public/listings", "/v1/keys", "/v1/stock-book?from=2026-01-01&to=2026-12-31")}
        trial.figure(f"reads of the {name} binary", statuses, set(statuses.values()) == {200}, "200")
    refused = subprocess.run([before, "migrate"], env={**os.environ, "DATABASE_URL": postgres.url()}, capture_output=True, text=True)
    trial.figure("started anew, the old binary says", refused.stderr.strip()[:120] or "nothing", (refused.returncode != 0) == (was != now), "that the database is newer")
    trial.figure("panics", old.panics() + new.panics(), old.panics() + new.panics() == 0, "0")
    new.stop()
    old.stop()
    postgres.stop()
trial.end()
