"""Three processes on one database, one after another killed under load: what one process does for all is done once, and all show the
same."""

import time

from ground import Postgres, Service, Trial, ask, folder, make_database
from traders import Trader, ended, judge, traders

# What there is to learn from beside the price scale.
SALE = {"source": "observed_auction", "kind": "locomotive", "gauge": {"value": "5", "unit": "in"}, "description": "0-6-0"}


def fits(postgres):
    return int(postgres.sql("SELECT count(*) FROM price_models"))


trial = Trial("several processes")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    services = [Service(postgres.url(), path, f"service-{n}").start() for n in range(3)]
    clients = [trader for n, service in enumerate(services) for trader in traders(service, keys, trial.seed + 100 * n, 3)]
    clerk = Trader(services[0].port, keys, trial.seed + 1000)
    for n in range(12):
        clerk.act("/v1/comparables", {**SALE, "on": f"2025-{n + 1:02}-08", "price": f"{5600 + 37 * n}.00"})
    for _ in range(9):
        time.sleep(trial.random.uniform(0.5, 1.5))
        service = trial.random.choice(services)
        service.kill()
        service.start()
    time.sleep(1)
    ended(clients)
    judge(trial, postgres, [*clients, clerk])

    seen, after, journal_id = [], 0, None
    while True:
        page = ask(trial.random.choice(services).port, "GET", f"/v1/journal?after={after}&limit=500", key=keys["proprietor"])[2]
        journal_id = journal_id or page["journal_id"]
        seen += [entry["entry_no"] for entry in page["items"]]
        if not page["items"]:
            break
        after = seen[-1]
    written = int(postgres.sql("SELECT count(*) FROM journal"))
    trial.figure("journal entries read through all three, dense", f"{len(seen)} of {written}", seen == list(range(1, written + 1)), "each number once")
    days = postgres.sql("SELECT count(*), count(DISTINCT on_day) FROM midnights")
    trial.figure("days begun, and different ones", days, len(set(days.split("|"))) == 1, "the same")
    time.sleep(3)
    lists = {str(ask(service.port, "GET", "/v1/public/listings")[2]) for service in services}
    trial.figure("different public lists", len(lists), len(lists) == 1, "1")
    # Each start looks at once whether there is something to learn: three at once, after a sale that nobody has learned from.
    for n in range(5):
        learned = fits(postgres)
        for service in services[1:]:
            service.stop()
        clerk.act("/v1/comparables", {**SALE, "on": f"2025-{n + 1:02}-15", "price": f"{6400 + 41 * n}.00"})
        services[0].stop()
        for service in services:
            service.start(wait=False)
        for service in services:
            service.until_ready()
        give_up = time.monotonic() + 30
        while fits(postgres) == learned and time.monotonic() < give_up:
            time.sleep(0.1)
    time.sleep(2)
    # What came and was withdrawn again leads back to sales that were learned from before, so only neighbours have to differ.
    again = postgres.sql("SELECT count(*) FROM (SELECT inputs_sha256 = lag(inputs_sha256) OVER (ORDER BY id) AS same FROM price_models) neighbours WHERE same")
    trial.figure("fits made, and from the same sales as the one before", f"{fits(postgres)}, {again}", fits(postgres) >= 5 and again == "0", "5 or more, 0")
    trial.figure("panics", sum(it.panics() for it in services), not any(it.panics() for it in services), "0")
    for service in services:
        service.stop()
    postgres.stop()
trial.end()
