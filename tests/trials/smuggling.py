"""Requests whose length is in doubt, and methods and characters that no client sends."""

import socket

from ground import Postgres, Service, Trial, folder, make_database
from odd_requests import send_all

trial = Trial("smuggling and headers")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    send_all(trial, lambda: socket.create_connection(("127.0.0.1", service.port), timeout=15), keys["seller"])
    persons = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("persons stored", persons, persons == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
