"""The service is killed by -9 while 8 clients play the lives of engines."""

import time

from ground import Postgres, Service, Trial, folder, make_database
from traders import ended, judge, traders

KILLS = 20
trial = Trial("kill -9 of the service")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    clients, back = traders(service, keys, trial.seed), []
    for _ in range(KILLS):
        time.sleep(trial.random.uniform(0.3, 1.5))
        service.kill()
        service.start(wait=False)
        back.append(service.until_ready())
    time.sleep(1)
    ended(clients)
    trial.figure("kills", KILLS)
    trial.figure("up again after at most", f"{max(back):.2f} s", max(back) <= 1, "1 s")
    judge(trial, postgres, clients)
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
