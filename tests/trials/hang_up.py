"""Clients that hang up at a random moment: amid the head, amid the body, or before the answer. What was sent whole is done whole or
not at all, what was not is not done, and no connection is kept for who has gone."""

import json
import socket
import struct
import threading
import time
import uuid

from ground import Postgres, Service, Trial, acquisition, ask, folder, make_database, percentile, png

CLIENTS, TIMES = 16, 80
trial = Trial("hang up")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(0), keys["proprietor"])[2]["stock_no"]
    files = service.figure("process_open_fds")
    # By what was sent of it: keys of requests that must not be done, and of those that may.
    sent, reads, ending = {"head": [], "body": [], "whole": []}, [], threading.Event()

    def hang_up(n):
        method, address, body = trial.random.choice([
            ("POST", "/v1/acquisitions", json.dumps(acquisition(n)).encode()),
            ("POST", "/v1/persons", json.dumps({"name": "Odo Fenwright", "address": "Quillow Lane " * 20}).encode()),
            ("POST", f"/v1/engines/{stock_no}/asking-prices", b'{"price": "7680.00"}'),
            ("POST", f"/v1/engines/{stock_no}/photographs", png(300, 200)),
            ("GET", "/v1/journal?limit=500", b""), ("GET", "/v1/public/listings", b"")])
        # Blanks at its end: a body may be whole JSON and yet not all that was announced.
        body = body if body.startswith(b"\x89PNG") or not body else body + b" " * 300
        key, kind = str(uuid.uuid4()), "image/png" if body.startswith(b"\x89PNG") else "application/json"
        head = (f"{method} {address} HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {keys['proprietor']}\r\nidempotency-key: {key}\r\n"
                f"content-type: {kind}\r\ncontent-length: {len(body)}\r\n\r\n").encode()
        request = head + body
        upto = trial.random.choice([trial.random.randrange(1, len(head)), trial.random.randrange(len(head), len(request) + 1), len(request)])
        with socket.create_connection(("127.0.0.1", service.port)) as it:
            if trial.random.random() < 0.5:
                # A reset in place of an orderly end.
                it.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            it.sendall(request[:upto])
            time.sleep(trial.random.choice([0, 0, trial.random.uniform(0, 0.08)]))
        if method == "POST":
            sent["head" if upto < len(head) else "body" if upto < len(request) else "whole"].append(key)

    def read():
        while not ending.is_set():
            began = time.monotonic()
            status = ask(service.port, "GET", "/v1/public/listings")[0]
            reads.append((status, time.monotonic() - began))
            time.sleep(0.02)

    reader = threading.Thread(target=read)
    threads = [threading.Thread(target=lambda first=first: [hang_up(first + n) for n in range(TIMES)]) for first in range(0, CLIENTS * TIMES, TIMES)]
    for it in [reader, *threads]:
        it.start()
    for it in threads:
        it.join()
    ending.set()
    reader.join()
    time.sleep(3)
    done = set(postgres.sql("SELECT idempotency_key FROM idempotency_keys").split())
    for what in ("head", "body"):
        these = done & set(sent[what])
        trial.figure(f"hung up amid the {what} {len(sent[what])} times, done", len(these), sent[what] and not these, "0")
    whole = done & set(sent["whole"])
    trial.figure(f"hung up before the answer {len(sent['whole'])} times, done", len(whole), 0 < len(whole), "some")
    # One is the engine's own.
    rows, entries = (sum(map(int, postgres.sql(statement).split("|"))) - 1 for statement in (
        """SELECT (SELECT count(*) FROM acquisitions), (SELECT count(*) FROM persons), (SELECT count(*) FROM asking_prices), (SELECT count(*) FROM photographs)""",
        """SELECT count(*), 0 FROM journal WHERE type IN ('engine.acquired', 'person.created', 'engine.priced', 'photograph.created')"""))
    trial.figure("keys kept, rows, entries of the journal", f"{len(whole)}, {rows}, {entries}", len(whole) == rows == entries, "the same")
    engines = postgres.sql("SELECT (SELECT count(*) FROM engines) = (SELECT count(*) FROM acquisitions)")
    trial.figure("each engine has its acquisition", engines, engines == "t", "t")
    stuck = postgres.sql("SELECT count(*) FROM pg_stat_activity WHERE datname = 'outshop' AND pid <> pg_backend_pid() AND state <> 'idle'")
    trial.figure("connections of the database that are busy", stuck, stuck == "0", "0")
    used = {state: service.figure(f'outshop_database_connections{{state="{state}"}}') for state in ("used", "waiting")}
    trial.figure("connections of the pool", used, used["waiting"] == 0 and used["used"] <= 1, "none waited for, none kept")
    more = service.figure("process_open_fds") - files
    trial.figure("files and sockets more than before", more, more <= 20, "20, which are connections of the database")
    p99 = percentile([took for _, took in reads], 99)
    trial.figure("other reads, p99", f"{p99 * 1000:.0f} ms of {len(reads)}", {status for status, _ in reads} == {200} and p99 <= 0.5, "500 ms, all 200")
    made = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0]
    trial.figure("a write afterwards", made, made == 201, "201")
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
