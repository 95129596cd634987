"""The machine's clock goes years ahead under a running service, then a few days, then back: no midnight is spent, nothing lapses, the
figure says it, and what was begun too early is taken back. The clock is changed for the service alone, by libfaketime."""

import os
import pathlib
import re
import subprocess
import time
import urllib.request

from ground import BINARY, Postgres, Service, Trial, acquisition, ask, folder, make_database

LOOKS = 24  # seconds in which the service looks at the clock once at least
library = next(pathlib.Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))
trial = Trial("clock")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    dial = path / "dial"

    def clock(offset):
        (path / "new").write_text(offset + "\n")
        (path / "new").rename(dial)

    def behind():
        text = urllib.request.urlopen(f"http://127.0.0.1:{service.metrics}/metrics", timeout=10).read().decode()
        return int(re.search(r"^outshop_days_behind (-?\d+)", text, re.M)[1])

    def days(*act):
        done = subprocess.run([BINARY, "days", *act], env={**os.environ, "DATABASE_URL": postgres.url()}, capture_output=True, text=True)
        return (done.stdout + done.stderr).strip().splitlines()[-1]

    def begun():
        return int(postgres.sql("SELECT count(*) FROM midnights"))

    clock("+0d")
    service = Service(postgres.url(), path, LD_PRELOAD=library, FAKETIME_TIMESTAMP_FILE=dial, FAKETIME_NO_CACHE=1, FAKETIME_DONT_FAKE_MONOTONIC=1).start()
    stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[2]["stock_no"]
    person = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[2]["id"]
    # Held for a week.
    postgres.sql(f"""INSERT INTO reservations (stock_no, person_id, key_id, asked_at, hours, held_from, until_at)
        VALUES ({stock_no}, {person}, 1, now(), 168, now(), now() + interval '7 days')""")
    time.sleep(LOOKS)
    first = begun()
    trial.figure("days begun", first, first == 1, "1")

    clock("+1095d")
    time.sleep(LOOKS)
    trial.figure("three years ahead: days begun", begun(), begun() == first, first)
    trial.figure("three years ahead: days behind", behind(), behind() == 1095, "1095")
    open_still = postgres.sql("SELECT count(*) FROM reservations WHERE ended IS NULL")
    trial.figure("three years ahead: reservations held still", open_still, open_still == "1", "1")
    status = ask(service.port, "GET", f"/v1/engines/{stock_no}", key=keys["fitter"])[0]
    trial.figure("three years ahead: a read", status, status == 200, "200")

    clock("+3d")
    time.sleep(LOOKS)
    trial.figure("three days ahead: days begun", begun(), begun() == first + 3, first + 3)
    clock("+0d")
    time.sleep(LOOKS)
    trial.figure("back: days behind", behind(), behind() == -3, "-3")
    said = days()
    trial.figure("outshop days says", said, "the last day processed is" in said, "which day was processed")
    trial.figure("outshop days take-back says", days("take-back"), begun() == first, "3 taken back")
    trial.figure("days behind then", behind(), behind() == 0, "0")
    clock("+1d")
    time.sleep(LOOKS)
    trial.figure("the next midnight comes: days begun", begun(), begun() == first + 1, first + 1)
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
