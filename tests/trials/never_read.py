"""Clients that ask for the largest answers, again and again on one connection, and never read: what they take in memory has a bound,
they are closed in time, and others are answered."""

import socket
import threading
import time

from ground import Stocked, Trial, ask, folder, percentile

CLIENTS, ASKED, WITHIN = 40, 8, 90
OPEN = 1  # TCP_ESTABLISHED
trial = Trial("never read")
with folder() as path:
    stock = Stocked(path, 300)
    service, keys = stock.service().start(), stock.keys
    for address, kind in (("/v1/public/listings", "text/csv"), ("/v1/engines", "text/csv"), ("/openapi.json", "application/json")):
        size = len(repr(ask(service.port, "GET", address, key=keys["proprietor"], headers={"Accept": kind})[2]))
        reads, ending, began, closed, sockets = [], threading.Event(), time.monotonic(), [], []

        def read():
            while not ending.is_set():
                for other, key in (("/v1/public/counts", None), ("/v1/persons?limit=1", keys["seller"])):
                    asked = time.monotonic()
                    status = ask(service.port, "GET", other, key=key)[0]
                    reads.append((status, time.monotonic() - asked))
                time.sleep(0.05)

        before = service.memory("VmHWM")
        request = f"GET {address} HTTP/1.1\r\nhost: x\r\naccept: {kind}\r\nauthorization: Bearer {keys['proprietor']}\r\n\r\n".encode() * ASKED
        for _ in range(CLIENTS):
            it = socket.socket()
            it.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            it.connect(("127.0.0.1", service.port))
            it.sendall(request)
            sockets.append(it)
        time.sleep(10)
        reader = threading.Thread(target=read)
        reader.start()
        while sockets and time.monotonic() < began + WITHIN:
            time.sleep(1)
            for it in [it for it in sockets if it.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 1)[0] != OPEN]:
                closed.append(time.monotonic() - began)
                sockets.remove(it)
                it.close()
        ending.set()
        reader.join()
        more = service.memory("VmHWM") - before
        statuses = {status for status, _ in reads}
        p99 = percentile([took for _, took in reads], 99)
        trial.figure(f"{address} ({size >> 10} KiB), {ASKED} times from {CLIENTS}: peak above what it was", f"{more:.0f} MiB", more <= 64, "64 MiB")
        trial.figure("   closed, the last after", f"{len(closed)} of {CLIENTS}, {max(closed, default=0):.0f} s", not sockets, f"all within {WITHIN} s")
        trial.figure("   others after 10 s", f"p99 {p99 * 1000:.0f} ms of {len(reads)}, {statuses}", p99 <= 0.1 and statuses == {200}, "100 ms, all 200")
        for it in sockets:
            it.close()
        time.sleep(2)
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    stock.postgres.stop()
trial.end()
