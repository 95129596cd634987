"""SIGTERM under load: no request is cut, and the process ends within 10 s."""

import http.client
import threading
import time

from ground import Postgres, Service, Trial, ask_on, folder, make_database

trial = Trial("SIGTERM under load")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    cut, served, took = [], [0], []
    for _ in range(5):
        service = Service(postgres.url(), path).start()
        stopped = threading.Event()

        def client(n):
            connection = None
            while not stopped.is_set():
                try:
                    connection = connection or http.client.HTTPConnection("127.0.0.1", service.port, timeout=12)
                    connection.connect() if connection.sock is None else None
                except OSError:
                    return
                try:
                    status, headers, _ = ask_on(connection, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])
                    served[0] += 1
                    if status != 201:
                        cut.append(status)
                    if headers["connection"] == "close":
                        connection.close()
                        connection = None
                except http.client.RemoteDisconnected:
                    # Closed between two requests: nothing was taken of this one, and a client sends it again.
                    connection = None
                except (http.client.IncompleteRead, http.client.BadStatusLine) as error:
                    cut.append(repr(error))
                    return
                except OSError:
                    connection = None

        threads = [threading.Thread(target=client, args=(n,)) for n in range(16)]
        for it in threads:
            it.start()
        time.sleep(trial.random.uniform(1, 2))
        before = served[0]
        took.append(service.stop())
        stopped.set()
        for it in threads:
            it.join()
    stored = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("requests answered", served[0])
    trial.figure("answers cut or refused", len(cut), not cut, f"0: {cut[:3]}")
    trial.figure("stored without an answer", stored - served[0], stored == served[0], "0")
    trial.figure("ended after at most", f"{max(took):.1f} s", max(took) <= 10, "10 s")
    postgres.stop()
trial.end()
