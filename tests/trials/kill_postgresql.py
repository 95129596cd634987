"""PostgreSQL is killed by -9, or restarted in order, under 8 clients. The service stays up, answers 503 with Retry-After, and writes
again by itself."""

import time

from ground import Postgres, Service, Trial, ask, folder, make_database
from traders import Trader, ended, judge, traders

KILLS, RESTARTS = 10, 10
trial = Trial("kill -9 of PostgreSQL")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    clients, back, other = traders(service, keys, trial.seed), [], []
    witness = Trader(service.port, keys, trial.seed + 100)
    for n in range(KILLS + RESTARTS):
        time.sleep(trial.random.uniform(0.5, 2))
        if n < KILLS:
            postgres.kill()
        else:
            postgres.stop()
        status, headers, _ = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])
        if not (status == 503 and headers["retry-after"]):
            other.append(status)
        postgres.start()
        began = time.monotonic()
        witness.act("/v1/persons", {"name": "Bo Tarn"})
        back.append(time.monotonic() - began)
    time.sleep(1)
    ended(clients)
    trial.figure("kills and restarts in order", f"{KILLS} + {RESTARTS}")
    trial.figure("answers while it was away that were no 503 with Retry-After", other, not other, "none")
    trial.figure("writes again (201) after PostgreSQL answers, at most", f"{max(back):.2f} s", max(back) <= 5, "5 s")
    trial.figure("the service never ended", service.process.poll() is None, service.process.poll() is None, "True")
    judge(trial, postgres, [*clients, witness])
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
