"""The binary of the commit in upgrade.commit loads the demonstration and goes on serving it while the new one migrates the database under
it: both read and write, and the rows are what they were. It is built below target/upgrade, once; OUTSHOP_BEFORE names one that is ready."""

import os
import pathlib
import subprocess
import time

import ground
from ground import BINARY, ROOT, Service, Stocked, Trial, ask, folder, rows
from traders import ended, judge, stored, traders

COMMIT = (pathlib.Path(__file__).parent / "upgrade.commit").read_text().strip()
READS = ("/v1/engines", "/v1/journal", "/v1/public/listings", "/v1/keys", "/v1/persons", "/v1/jobs", "/v1/sales", "/v1/stock-book?from=2026-01-01&to=2026-12-31")


def built():
    """The binary of that commit."""
    place = ROOT / "target/upgrade"
    source, binary = place / f"source-{COMMIT}", place / "build/debug/outshop"
    if not source.exists():
        subprocess.run(["git", "clone", "--quiet", "--no-checkout", ROOT, source], check=True)
        subprocess.run(["git", "-C", source, "checkout", "--quiet", COMMIT], check=True)
    subprocess.run(["cargo", "build", "--quiet", "--locked", "-p", "outshop-api", "--target-dir", place / "build"], cwd=source, check=True,
                   env={**os.environ, "CARGO_PROFILE_DEV_DEBUG": "0"})
    return binary


trial = Trial("upgrade with the old binary running")
before = os.environ.get("OUTSHOP_BEFORE") or built()
with folder() as path:
    ground.BINARY = before
    stock = Stocked(path, 0)
    columns, was = rows(stock.postgres)
    versions = lambda: int(stock.postgres.sql("SELECT count(*) FROM __diesel_schema_migrations"))
    migrations = versions()
    # By itself, so that nothing else changes a row; then again with all at work.
    subprocess.run([BINARY, "migrate"], env={**os.environ, "DATABASE_URL": stock.postgres.url()}, check=True, stdout=subprocess.DEVNULL)
    now = rows(stock.postgres, columns)[1]
    changed = {table: (was[table], now[table]) for table in was if was[table] != now[table]}
    newer = versions() - migrations
    trial.figure("migrations before, and newer ones", f"{migrations}, {newer}", newer >= 0, "0 or more")
    trial.figure(f"rows of {len(was)} tables that changed", len(changed), not changed, f"0: {changed}")
    stock.postgres.stop()
with folder() as path:
    ground.BINARY = before
    stock = Stocked(path, 0)
    kept, keys = stored(stock.postgres), stock.keys
    old = stock.service().start()
    clients = traders(old, keys, trial.seed, 4)
    time.sleep(3)
    ground.BINARY = BINARY
    new = Service(old.url, path, "new", **old.settings).start()
    more = traders(new, keys, trial.seed + 50, 4)
    time.sleep(5)
    ended(clients + more)
    judge(trial, stock.postgres, clients + more, kept)
    for name, service in (("old", old), ("new", new)):
        statuses = {address: ask(service.port, "GET", address, key=keys["proprietor"])[0] for address in READS}
        trial.figure(f"reads of the {name} binary", statuses, set(statuses.values()) == {200}, "200")
    refused = subprocess.run([before, "migrate"], env={**os.environ, "DATABASE_URL": old.url}, capture_output=True, text=True)
    trial.figure("started anew, the old binary says", refused.stderr.strip()[:120] or "nothing", (refused.returncode != 0) == (newer > 0), "that the database is newer, where it is")
    trial.figure("panics", old.panics() + new.panics(), old.panics() + new.panics() == 0, "0")
    new.stop()
    old.stop()
    stock.postgres.stop()
trial.end()
