"""SIGTERM under load: no request is cut, and the process ends within 10 s.

A client cannot see whether a request was taken that it sent as the service closed a connection that had been kept, or before a new one
was taken out of the kernel's queue: its key says whether it was done."""

import http.client
import threading
import time
import uuid

from ground import OUT_OF_REACH, Postgres, Service, Trial, ask_on, folder, make_database

STOPS, CLIENTS = 5, 16
trial = Trial("SIGTERM under load")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    statuses, fresh, kept, took = {}, [], [], []

    def client(port, stopped):
        """Keeps its connection for as long as the service does, but no longer than ten requests."""
        while not stopped.is_set():
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=12)
            try:
                connection.connect()
            except OSError:
                return
            for nth in range(10):
                key = str(uuid.uuid4())
                try:
                    status, headers, _ = ask_on(connection, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"], key)
                except OUT_OF_REACH as error:
                    (kept if nth else fresh).append((key, repr(error)))
                    break
                statuses[status] = statuses.get(status, 0) + 1
                if headers["connection"] == "close":
                    break
            connection.close()

    for _ in range(STOPS):
        service, stopped = Service(postgres.url(), path).start(), threading.Event()
        threads = [threading.Thread(target=client, args=(service.port, stopped)) for _ in range(CLIENTS)]
        for it in threads:
            it.start()
        time.sleep(trial.random.uniform(1, 2))
        took.append(service.stop())
        stopped.set()
        for it in threads:
            it.join()
    done = set(postgres.sql("SELECT idempotency_key FROM idempotency_keys").split())
    cut = [it for it in fresh + kept if it[0] in done]
    stored = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("answers", statuses, set(statuses) == {201}, "201 alone")
    trial.figure("sent on a new connection and not answered, to be sent again", len(fresh))
    trial.figure("sent on a kept connection and not answered, to be sent again", len(kept))
    trial.figure("done and not answered", len(cut), not cut, f"0: {cut[:3]}")
    trial.figure("stored without an answer", stored - statuses.get(201, 0), stored == statuses.get(201, 0), "0")
    trial.figure("ended after at most", f"{max(took):.1f} s", max(took) <= 10, "10 s")
    postgres.stop()
trial.end()
