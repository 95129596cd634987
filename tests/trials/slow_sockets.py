"""500 sockets send a byte a second, first of a head and then of a body, while another client reads."""

import socket
import threading
import time

from ground import Postgres, Service, Trial, ask, folder, make_database, percentile

SOCKETS = 500
trial = Trial("slow sockets")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    reads, ending = [], threading.Event()

    def read():
        while not ending.is_set():
            began = time.monotonic()
            status = ask(service.port, "GET", "/v1/public/listings")[0]
            reads.append(time.monotonic() - began if status == 200 else 99)
            time.sleep(0.01)

    reader = threading.Thread(target=read)
    reader.start()
    head = f"POST /v1/persons HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {keys['seller']}\r\ncontent-type: application/json\r\n"
    for what, first, limit in (("head", b"G", 10), ("body", f"{head}content-length: 500\r\n\r\n".encode(), 30)):
        sockets = [socket.create_connection(("127.0.0.1", service.port)) for _ in range(SOCKETS)]
        began, closed = time.monotonic(), []
        for it in sockets:
            it.settimeout(0)
            it.sendall(first)
        while sockets and time.monotonic() < began + limit + 15:
            time.sleep(1)
            for it in list(sockets):
                try:
                    it.send(b" " if what == "body" else b"E")
                    if it.recv(4096) is not None:
                        raise ConnectionError
                except BlockingIOError:
                    continue
                except OSError:
                    closed.append(time.monotonic() - began)
                    sockets.remove(it)
                    it.close()
        trial.figure(f"sockets with a slow {what} that were closed", f"{len(closed)} of {SOCKETS}", len(closed) == SOCKETS, "all")
        trial.figure(f"the last after", f"{max(closed, default=0):.1f} s", max(closed, default=99) <= limit + 3, f"{limit} s, seen each second")
    ending.set()
    reader.join()
    trial.figure("other reads, p99", f"{percentile(reads, 99) * 1000:.1f} ms of {len(reads)}", percentile(reads, 99) <= 0.1, "100 ms")
    service.stop()
    postgres.stop()
trial.end()
