"""A row that every sale needs is locked for 10 s while 200 clients come within 4 s to write, and others read what is public."""

import threading
import time

from ground import Postgres, Service, Trial, acquisition, ask, folder, make_database, percentile

CLIENTS = 200
trial = Trial("exhausted pool")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path, OUTSHOP_WORKERS=2).start()
    stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"], "a")[2]["stock_no"]
    holding = threading.Thread(target=postgres.sql, args=(
        f"BEGIN; SELECT 1 FROM engines WHERE stock_no = {stock_no} FOR UPDATE; LOCK journal IN EXCLUSIVE MODE; SELECT pg_sleep(10); COMMIT",))
    holding.start()
    time.sleep(0.5)
    writes, reads, ending = [], [], threading.Event()

    def write(n):
        time.sleep(4 * n / CLIENTS)
        began = time.monotonic()
        status, headers, _ = ask(service.port, "POST", f"/v1/engines/{stock_no}/asking-prices", {"price": "7000.00"}, keys["proprietor"], f"p{n}")
        writes.append((status, headers["retry-after"] is not None, time.monotonic() - began))

    def read():
        while not ending.is_set():
            began = time.monotonic()
            status = ask(service.port, "GET", "/v1/public/listings")[0]
            reads.append((status, time.monotonic() - began))
            time.sleep(0.01)

    reader = threading.Thread(target=read)
    reader.start()
    threads = [threading.Thread(target=write, args=(n,)) for n in range(CLIENTS)]
    for it in threads:
        it.start()
    for it in threads:
        it.join()
    ending.set()
    reader.join()
    holding.join()
    told = {status: sum(it[0] == status for it in writes) for status in {it[0] for it in writes}}
    slow = max(it[2] for it in writes)
    trial.figure("answers to writes", told, set(told) <= {201, 503}, "503 alone")
    trial.figure("503 with Retry-After", sum(it[1] for it in writes if it[0] == 503), all(it[1] for it in writes if it[0] == 503), "all")
    # A locked row is two locks to PostgreSQL: a place in the queue, then the holder's end. Who is next when the first in the queue gives
    # up begins to wait anew; every 2 s there is one.
    late = sum(it[2] > 2.5 for it in writes)
    trial.figure("503 within 2.5 s", CLIENTS - late, late <= 5, "all but who came to the head of the queue")
    trial.figure("the slowest 503", f"{slow:.2f} s", slow <= 5, "5 s")
    p99 = percentile([took for _, took in reads], 99)
    trial.figure("public reads, p99", f"{p99 * 1000:.0f} ms of {len(reads)}", p99 <= 0.25 and {it[0] for it in reads} == {200}, "250 ms, all 200")
    status = ask(service.port, "POST", f"/v1/engines/{stock_no}/asking-prices", {"price": "7000.00"}, keys["proprietor"], "after")[0]
    trial.figure("a write afterwards", status, status == 201, "201")
    service.stop()
    postgres.stop()
trial.end()
