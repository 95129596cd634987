"""Mixed load for MINUTES (20): memory at the end within 5 % of that after 2 minutes, no connection stuck."""

import os
import time

from ground import Paced, Stocked, Trial, ask, folder

MINUTES = float(os.environ.get("MINUTES", "20"))
trial = Trial("soak")
with folder() as path:
    stock = Stocked(path, 2000)
    service, keys = stock.service().start(), stock.keys
    port = service.port
    reads = Paced(port, 150, 4, lambda n: ("GET", [f"/v1/public/listings?limit=24&sort=-asking_price&built_year={1930 + n % 90}",
        f"/v1/public/listings/{1001 + n % 2000}", "/v1/public/counts"][n % 3] if n % 3 else f"/v1/public/listings?limit=24&q=alder", None, None))
    writes = Paced(port, 30, 4, lambda n: [("POST", f"/v1/engines/{1001 + n % 2000}/asking-prices", {"price": f"{5000 + n % 900}.00"}, keys["seller"]),
        ("POST", "/v1/persons", {"name": f"Person {n}"}, keys["seller"]), ("GET", f"/v1/engines/{1001 + n % 2000}/readiness?gate=deliver", None, keys["fitter"]),
        ("POST", f"/v1/engines/{1001 + n % 2000}/valuations", {}, keys["seller"]) if n % 40 == 3 else ("GET", "/v1/journal?after=10&limit=100", None, keys["seller"])][n % 4])
    memory, began = [], time.monotonic()
    while time.monotonic() < began + MINUTES * 60:
        time.sleep(15)
        memory.append((time.monotonic() - began, service.memory()))
    reads.end()
    writes.end()
    early = [it for at, it in memory if 105 <= at <= 240] or [memory[0][1]]
    late = [it for at, it in memory if at >= MINUTES * 60 - 120]
    early, late = sum(early) / len(early), sum(late) / len(late)
    trial.figure("reads", reads.told(), "none" not in reads.statuses and 500 not in reads.statuses, "no failure")
    trial.figure("writes and private reads", writes.told(), "none" not in writes.statuses and 500 not in writes.statuses, "no failure")
    trial.figure("memory from minute 2 to the end", f"{early:.0f} to {late:.0f} MiB ({(late / early - 1) * 100:+.1f} %)", late <= early * 1.05, "5 % more")
    time.sleep(3)
    stuck = stock.postgres.sql("SELECT count(*) FROM pg_stat_activity WHERE datname = 'outshop' AND pid <> pg_backend_pid() AND (state LIKE 'idle in transaction%' OR (state = 'active' AND now() - query_start > interval '5 s'))")
    trial.figure("connections of the database stuck", stuck, stuck == "0", "0")
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    trial.figure("it still answers", ask(port, "GET", "/health/ready")[0])
    service.stop()
    stock.postgres.stop()
trial.end()
