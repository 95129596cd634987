"""5000 engines, PostgreSQL and the clients on the same machine: unchanged answers, list pages, writes, and a valuation among them. Each is
held against what the machine gives in the same minute: an answer that is always the same, and a transaction of pgbench on the same
cluster. SECONDS (30) and PER_SECOND (300) set how long and how fast."""

import os
import subprocess
import time

from ground import AS_POSTGRES, PROGRAMS, Paced, Stocked, Trial, ask, folder, percentile

SECONDS, PER_SECOND = int(os.environ.get("SECONDS", "30")), int(os.environ.get("PER_SECOND", "300"))
trial = Trial("load")


class Beside:
    """The same answer over and over, and pgbench's simple update, 20 a second of each while something else goes on."""

    def __init__(self, stock, port, path):
        stock.postgres.own(path)
        self.log = path / "pgbench"
        self.same = Paced(port, 20, 2, lambda _: ("GET", "/health/live", None, None))
        self.bench = subprocess.Popen([PROGRAMS / "pgbench", "-h", stock.postgres.socket, "-p", str(stock.postgres.port), "-U", "outshop", "-N", "-n", "-c", "2",
                                       "-R", "20", "-T", str(SECONDS), "-l", "--log-prefix", self.log, "bench"], stdout=subprocess.DEVNULL,
                                      stderr=subprocess.DEVNULL, cwd="/", **AS_POSTGRES)

    def end(self):
        """How long the same answer took, and how long a transaction."""
        self.same.end()
        self.bench.wait()
        logs = [it for it in self.log.parent.iterdir() if it.name.startswith("pgbench")]
        took = [int(line.split()[2]) / 1e6 for it in logs for line in it.read_text().splitlines()]
        for it in logs:
            it.unlink()
        return self.same.took, took


def beside_of(what, took, other, **most):
    """What was asked in times of what the machine gives, by percentile."""
    for name, times in most.items():
        mine, its = percentile(took, int(name[1:])), percentile(other, int(name[1:]))
        trial.figure(f"   {name} beside {what}", f"{mine * 1000:.1f} ms, {its * 1000:.1f} ms, {mine / its:.1f}", mine <= times * its, f"{times}")


def rate(port, address, *more):
    """Answers a second, by wrk."""
    said = subprocess.run(["wrk", "-t2", "-c16", "-d5s", *more, f"http://127.0.0.1:{port}{address}"], capture_output=True, text=True, check=True).stdout
    return float(next(line.split()[1] for line in said.splitlines() if "Requests/sec" in line))


with folder() as path:
    stock = Stocked(path, 5000)
    stock.postgres.sql("CREATE DATABASE bench", "postgres")
    stock.postgres.run("pgbench", "-h", stock.postgres.socket, "-p", stock.postgres.port, "-U", "outshop", "-i", "-q", "bench")
    service, keys = stock.service().start(), stock.keys
    port = service.port
    (path / "beside").mkdir()

    tag = ask(port, "GET", "/v1/public/listings/1001")[1]["etag"]
    same, unchanged = (sum(it) / 2 for it in zip(*((rate(port, "/health/live"), rate(port, "/v1/public/listings/1001", "-H", f"If-None-Match: {tag}")) for _ in range(2))))
    trial.figure("304 a second, beside the same answer", f"{unchanged:.0f}, {same:.0f}, {unchanged / same:.2f}", unchanged >= 0.2 * same, "0.2")

    gauges = ["88.9", "127", "184.15"]
    beside = Beside(stock, port, path / "beside")
    pages = Paced(port, PER_SECOND, 8, lambda n: ("GET", f"/v1/public/listings?gauge_mm={gauges[n % 3]}&sort=-asking_price&limit={20 + n % 50}", None, None))
    time.sleep(SECONDS)
    told = pages.end().told()
    same, _ = beside.end()
    trial.figure(f"list pages at {PER_SECOND}/s", told, set(pages.statuses) == {200}, "all 200")
    beside_of("the same answer", pages.took, same, p50=4, p99=4)

    def write(n):
        stock_no = 1001 + n % 5000
        return [("POST", f"/v1/engines/{stock_no}/asking-prices", {"price": f"{5000 + n % 900}.00"}, keys["seller"]),
                ("POST", "/v1/persons", {"name": f"Person {n}"}, keys["seller"]),
                ("POST", f"/v1/engines/{stock_no}/costs", {"kind": "carriage_in", "cost": "12.00", "on": time.strftime("%Y-%m-%d")}, keys["bookkeeper"])][n % 3]

    beside = Beside(stock, port, path / "beside")
    writes = Paced(port, PER_SECOND, 16, write)
    valuations = []
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        began = time.monotonic()
        status = ask(port, "POST", f"/v1/engines/{1001 + len(valuations)}/valuations", {}, keys["seller"])[0]
        valuations.append((status, time.monotonic() - began))
        time.sleep(0.5)
    told = writes.end().told()
    _, transactions = beside.end()
    trial.figure(f"writes at {PER_SECOND}/s from 16 clients", told, set(writes.statuses) == {201}, "all 201")
    beside_of("a transaction", writes.took, transactions, p99=20)
    statuses = {status for status, _ in valuations}
    trial.figure("valuations among them", f"{len(valuations)}, {statuses}", statuses == {201}, "all 201")
    beside_of("a transaction", [took for _, took in valuations], transactions, p99=60)
    trial.figure("memory", f"{service.memory():.0f} MiB, at most {service.memory('VmHWM'):.0f} MiB")
    service.stop()
    stock.postgres.stop()
trial.end()
