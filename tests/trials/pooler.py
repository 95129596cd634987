"""PgBouncer between the service and PostgreSQL: where it gives each transaction another session, nothing begins and the sentence says
why; where it keeps sessions, the service works."""

import os
import shutil
import subprocess
import time

from ground import AS_POSTGRES, BINARY, Postgres, Service, Trial, acquisition, ask, folder, free_port, make_database

trial = Trial("pooler")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    bouncer = shutil.which("pgbouncer") or "/usr/sbin/pgbouncer"
    for mode in ("transaction", "statement", "session"):
        port = free_port()
        (path / "users").write_text('"outshop" ""\n')
        (path / f"{mode}.ini").write_text(
            f"[databases]\noutshop = host=127.0.0.1 port={postgres.port} dbname=outshop\n"
            f"[pgbouncer]\nlisten_addr = 127.0.0.1\nlisten_port = {port}\nunix_socket_dir =\nauth_type = trust\n"
            f"auth_file = {path}/users\npool_mode = {mode}\ndefault_pool_size = 40\nmax_client_conn = 100\n")
        pooler = subprocess.Popen([bouncer, "-q", path / f"{mode}.ini"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **AS_POSTGRES)
        time.sleep(1)
        url = f"postgresql://outshop@127.0.0.1:{port}/outshop"
        if mode == "session":
            service = Service(url, path).start()
            status = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[0]
            trial.figure("session: a write", status, status == 201, "201")
            service.stop()
        else:
            for command in (["serve", "--port", "0", "--metrics-port", "0"], ["migrate"]):
                try:
                    done = subprocess.run([BINARY, *command], env={**os.environ, "DATABASE_URL": url, "OUTSHOP_PHOTOGRAPHS": str(path / "photographs")},
                                          capture_output=True, text=True, timeout=20)
                    said = (done.returncode, (done.stdout + done.stderr).strip().splitlines()[-1])
                except subprocess.TimeoutExpired:
                    said = (0, "it began")
                trial.figure(f"{mode}: {command[0]} says", said[1], said[0] == 1 and "gives each transaction another session" in said[1], "that it needs its session")
        pooler.terminate()
        pooler.wait()
    postgres.stop()
trial.end()
