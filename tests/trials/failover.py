"""The primary dies under load and its standby is promoted; then a primary becomes a standby under a running service. The service is
given both addresses and finds the one that writes by itself; nothing acknowledged is lost."""

import time

from ground import Postgres, Service, Trial, ask, folder, make_database
from traders import ended, traders

trial = Trial("failover")
with folder() as path:
    primary = Postgres(path / "primary", ["wal_level=replica", "max_wal_senders=4"]).start()
    keys = make_database(primary)
    standby = Postgres(path / "standby", make=False)
    standby.path.mkdir()
    standby.own(standby.path)
    primary.run("pg_basebackup", "-h", primary.socket, "-p", primary.port, "-U", "outshop", "-D", standby.data, "-R", "-X", "stream", "-c", "fast")
    standby.start()
    primary.sql("ALTER SYSTEM SET synchronous_standby_names = '*'")
    primary.sql("SELECT pg_reload_conf()")
    both = f"postgresql://outshop@127.0.0.1:{primary.port},127.0.0.1:{standby.port}/outshop?target_session_attrs=read-write&connect_timeout=2"
    service = Service(both, path).start()
    clients = traders(service, keys, trial.seed, 4)
    time.sleep(4)
    primary.kill()
    standby.sql("SELECT pg_promote()")
    began = time.monotonic()
    while ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0] != 201 and time.monotonic() < began + 60:
        time.sleep(0.05)
    took = time.monotonic() - began
    trial.figure("writes again after the promotion", f"{took:.2f} s", took <= 5, "5 s")
    time.sleep(3)

    # As after a failover by hand, when connections are left to a server that reads only.
    standby.sql("ALTER SYSTEM SET default_transaction_read_only = on")
    standby.sql("SELECT pg_reload_conf()")
    time.sleep(0.5)
    status, headers, _ = ask(service.port, "POST", "/v1/persons", {"name": "Bo Tarn"}, keys["seller"])
    trial.figure("a server that only reads: a write", status, status == 503 and headers["retry-after"], "503 with Retry-After")
    status = ask(service.port, "GET", "/v1/persons", key=keys["seller"])[0]
    trial.figure("a server that only reads: a read", status, status in (200, 503), "200, or 503 where no server writes")
    standby.run("psql", "-h", standby.socket, "-p", standby.port, "-U", "outshop", "-d", "outshop", "-c", "SET default_transaction_read_only = off",
                "-c", "ALTER SYSTEM RESET default_transaction_read_only", "-c", "SELECT pg_reload_conf()")
    began = time.monotonic()
    while ask(service.port, "POST", "/v1/persons", {"name": "Cy Moor"}, keys["seller"])[0] != 201 and time.monotonic() < began + 60:
        time.sleep(0.05)
    took = time.monotonic() - began
    trial.figure("writes again when the server does", f"{took:.2f} s", took <= 5, "5 s")
    ended(clients)
    acknowledged = [it for client in clients for it in client.acknowledged]
    lost = [location for _, _, location in acknowledged if ask(service.port, "GET", location, key=keys["proprietor"])[0] != 200]
    trial.figure("acknowledged and lost", f"{len(lost)} of {len(acknowledged)}", not lost and acknowledged, f"0: {lost[:3]}")
    refused = [it for client in clients for it in client.refused if it[0] != 503]
    trial.figure("answers that were neither made nor 503", len(refused), not refused, f"0: {refused[:3]}")
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    standby.stop()
trial.end()
