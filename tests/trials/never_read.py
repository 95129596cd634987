"""Clients that ask for the largest answers, again and again on one connection, and never read: what they take in memory has a bound,
they are closed in time, and others are answered."""

import socket
import threading
import time

from ground import Stocked, Trial, ask, folder, percentile

CLIENTS, ASKED, WITHIN = 30, 8, 90
# Connections of the database, which come and go.
SPARE = 16
trial = Trial("never read")
with folder() as path:
    stock = Stocked(path, 300)
    service, keys = stock.service().start(), stock.keys
    for address, kind in (("/v1/public/listings", "text/csv"), ("/v1/engines", "text/csv"), ("/openapi.json", "application/json")):
        size = len(repr(ask(service.port, "GET", address, key=keys["proprietor"], headers={"Accept": kind})[2]))
        reads, ending, began, sockets = [], threading.Event(), time.monotonic(), []

        def read():
            while not ending.is_set():
                for other, key in (("/v1/public/counts", None), ("/v1/persons?limit=1", keys["seller"])):
                    asked = time.monotonic()
                    status = ask(service.port, "GET", other, key=key)[0]
                    reads.append((status, time.monotonic() - asked))
                time.sleep(0.05)

        before, own = service.memory("VmHWM"), service.figure("process_open_fds") + SPARE
        request = f"GET {address} HTTP/1.1\r\nhost: x\r\naccept: {kind}\r\nauthorization: Bearer {keys['proprietor']}\r\n\r\n".encode() * ASKED
        for _ in range(CLIENTS):
            it = socket.socket()
            it.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            it.connect(("127.0.0.1", service.port))
            it.sendall(request)
            sockets.append(it)
        time.sleep(20)
        reader = threading.Thread(target=read)
        reader.start()
        # Who reads nothing hears of no end either: only the service knows.
        while (still := service.figure("process_open_fds") - own) > 0 and time.monotonic() < began + WITHIN:
            time.sleep(1)
        took = time.monotonic() - began
        ending.set()
        reader.join()
        more = service.memory("VmHWM") - before
        statuses = {status for status, _ in reads}
        p99 = percentile([took for _, took in reads], 99)
        trial.figure(f"{address} ({size >> 10} KiB), {ASKED} times from {CLIENTS}: peak above what it was", f"{more:.0f} MiB", more <= 64, "64 MiB")
        trial.figure(f"   still held after {took:.0f} s, of {CLIENTS}", max(0, still), still <= 0, f"0 within {WITHIN} s")
        trial.figure("   others after 20 s", f"p99 {p99 * 1000:.0f} ms of {len(reads)}, {statuses}", p99 <= 0.1 and statuses == {200}, "100 ms, all 200")
        for it in sockets:
            it.close()
        time.sleep(2)
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    stock.postgres.stop()
trial.end()
