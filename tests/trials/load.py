"""5000 engines, PostgreSQL and the clients on the same machine: unchanged answers, list pages, writes, and a valuation among them."""

import subprocess
import time

from ground import Paced, Stocked, Trial, ask, folder, percentile

SECONDS = 30
trial = Trial("load")
with folder() as path:
    stock = Stocked(path, 5000)
    service, keys = stock.service().start(), stock.keys
    port = service.port

    # The baseline of this run: what the smallest answer takes.
    wrk = ["wrk", "-t2", "-c16", "-d5s", "--latency"]
    baseline = subprocess.run([*wrk, f"http://127.0.0.1:{port}/health/live"], capture_output=True, text=True, check=True).stdout
    trial.figure("baseline, /health/live", next(line.strip() for line in baseline.splitlines() if "Requests/sec" in line))
    tag = ask(port, "GET", "/v1/public/listings/1001")[1]["etag"]
    unchanged = subprocess.run([*wrk, "-H", f"If-None-Match: {tag}", f"http://127.0.0.1:{port}/v1/public/listings/1001"], capture_output=True, text=True, check=True).stdout
    rate = float(next(line.split()[1] for line in unchanged.splitlines() if "Requests/sec" in line))
    trial.figure("304 a second", f"{rate:.0f}", rate >= 3000, "3000")

    gauges = ["88.9", "127", "184.15"]
    pages = Paced(port, 300, 8, lambda n: ("GET", f"/v1/public/listings?gauge_mm={gauges[n % 3]}&sort=-asking_price&limit={20 + n % 50}", None, None))
    time.sleep(SECONDS)
    pages.end()
    p99 = percentile(pages.took, 99)
    trial.figure("list pages at 300/s", pages.told(), p99 <= 0.05 and set(pages.statuses) == {200}, "p99 50 ms")

    def write(n):
        stock_no = 1001 + n % 5000
        return [("POST", f"/v1/engines/{stock_no}/asking-prices", {"price": f"{5000 + n % 900}.00"}, keys["seller"]),
                ("POST", "/v1/persons", {"name": f"Person {n}"}, keys["seller"]),
                ("POST", f"/v1/engines/{stock_no}/costs", {"kind": "carriage_in", "cost": "12.00", "on": time.strftime("%Y-%m-%d")}, keys["bookkeeper"])][n % 3]

    writes = Paced(port, 300, 16, write)
    valuations = []
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        began = time.monotonic()
        status = ask(port, "POST", f"/v1/engines/{1001 + len(valuations)}/valuations", {}, keys["seller"])[0]
        valuations.append((status, time.monotonic() - began))
        time.sleep(0.5)
    writes.end()
    p99 = percentile(writes.took, 99)
    trial.figure("writes at 300/s from 16 clients", writes.told(), p99 <= 0.15 and set(writes.statuses) == {201}, "p99 150 ms, all 201")
    p99 = percentile([took for _, took in valuations], 99)
    trial.figure("valuations among them", f"{len(valuations)}, p99 {p99 * 1000:.0f} ms, {({status for status, _ in valuations})}", p99 <= 1, "p99 1 s")
    trial.figure("memory", f"{service.memory():.0f} MiB, at most {service.memory('VmHWM'):.0f} MiB")
    service.stop()
    stock.postgres.stop()
trial.end()
