"""A streaming replica from which the shop window is read: paused, gone and back, under writes; then the primary gone. A writer always
reads what they wrote, and answers that could not be checked against the journal say how old they are."""

import time

from ground import Postgres, Service, Trial, ask, folder, make_database

trial = Trial("streaming replica")
with folder() as path:
    primary = Postgres(path / "primary", ["wal_level=replica", "max_wal_senders=4"]).start()
    keys = make_database(primary)
    replica = Postgres(path / "replica", make=False)
    replica.path.mkdir()
    replica.own(replica.path)
    primary.run("pg_basebackup", "-h", primary.socket, "-p", primary.port, "-U", "outshop", "-D", replica.data, "-R", "-X", "stream", "-c", "fast")
    replica.start()
    service = Service(primary.url(), path, OUTSHOP_REPLICA_URL=replica.url()).start()
    stale, count, slowest = [], 0, 0

    def writes_and_reads(seconds):
        """The firm's name stands in the Atom feed: changed, it must be there at once."""
        global count, slowest
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            count += 1
            tag = ask(service.port, "GET", "/v1/firm", key=keys["proprietor"])[1]["etag"]
            began = time.monotonic()
            import http.client
            connection = http.client.HTTPConnection("127.0.0.1", service.port)
            connection.request("PATCH", "/v1/firm", f'{{"name": "Works {count}"}}', {
                "Authorization": f"Bearer {keys['proprietor']}", "Content-Type": "application/merge-patch+json", "If-Match": tag})
            status = connection.getresponse().status
            slowest = max(slowest, time.monotonic() - began)
            feed = ask(service.port, "GET", "/v1/public/listings.atom")[2]
            if status != 200 or f"Works {count}<" not in feed:
                stale.append((status, count))

    def read_from_replica():
        return int(replica.sql("SELECT count(*) FROM pg_stat_activity WHERE backend_type = 'client backend' AND pid <> pg_backend_pid() AND datname = 'outshop'"))

    writes_and_reads(3)
    trial.figure("connections of the service to the replica", read_from_replica(), read_from_replica() > 0, "some")
    replica.sql("SELECT pg_wal_replay_pause()")
    writes_and_reads(5)
    replica.sql("SELECT pg_wal_replay_resume()")
    writes_and_reads(3)
    replica.kill()
    writes_and_reads(5)
    replica.start()
    writes_and_reads(5)
    trial.figure("writes read back at once, replica in time, paused, back, killed, back", f"{count - len(stale)} of {count}", not stale, f"all: {stale[:3]}")
    trial.figure("the slowest write", f"{slowest:.2f} s", slowest <= 2, "2 s")
    began = time.monotonic()
    while not read_from_replica() and time.monotonic() < began + 30:
        writes_and_reads(1)
    trial.figure("read from the replica again", read_from_replica(), read_from_replica() > 0, "some connections within 30 s")
    primary.kill()
    time.sleep(4)
    status, headers, _ = ask(service.port, "GET", "/v1/public/listings")
    trial.figure("without the primary, a public answer and its age", f"{status}, Age {headers['age']}", status == 200 and int(headers["age"] or 0) >= 2, "200 with its age")
    status, headers, _ = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])
    trial.figure("without the primary, a write", status, status == 503 and headers["retry-after"], "503 with Retry-After")
    primary.start()
    time.sleep(2)
    status, headers, _ = ask(service.port, "GET", "/v1/public/listings")
    trial.figure("with the primary back, a public answer and its age", f"{status}, Age {headers['age']}", status == 200 and not headers["age"], "200 without")
    service.stop()
    replica.stop()
    primary.stop()
trial.end()
