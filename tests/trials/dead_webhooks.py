"""50 webhooks, as many as there may be, whose receivers take the call and never answer, under writes: these take hardly longer than the
same ones before, and none is refused. SECONDS sets how long each of the three stretches lasts."""

import os
import socket
import threading
import time

from ground import Demonstration, Paced, Trial, ask, folder, percentile

SECONDS, WEBHOOKS, RATE = int(os.environ.get("SECONDS", "20")), 50, 25
trial = Trial("dead webhooks")
with folder() as path:
    # Other services may call no address of this machine.
    shop = Demonstration(path)
    taken, calls = [], []

    def receiver():
        """Takes calls, reads them and says nothing."""
        listening = socket.create_server(("127.0.0.1", 0), backlog=500)

        def take():
            while True:
                taken.append(listening.accept()[0])
                calls.append(time.monotonic())

        threading.Thread(target=take, daemon=True).start()
        return listening.getsockname()[1]

    def stretch():
        """The second half of it counts: until then what begins has begun."""
        paced = Paced(shop.port, RATE, 8, lambda n: [
            ("POST", "/v1/persons", {"name": f"Person {n}"}, shop.keys["seller"]),
            ("POST", f"/v1/engines/{10 + n % 5}/asking-prices", {"price": f"{5000 + n % 900}.00"}, shop.keys["seller"])][n % 2])
        time.sleep(SECONDS)
        told = paced.end().told()
        return paced, told, percentile(paced.took[len(paced.took) // 2:], 50), percentile(paced.took[len(paced.took) // 2:], 99)

    without, told_without, p50_without, p99_without = stretch()
    for n in range(WEBHOOKS):
        status = ask(shop.port, "POST", "/v1/webhooks", {"url": f"http://127.0.0.1:{receiver()}/hooks"}, shop.keys["proprietor"])[0]
        if status != 201:
            trial.figure(f"webhook {n}", status, False, "201")
    began = time.monotonic()
    dead, told_dead, p50_dead, p99_dead = stretch()
    made = sum(at > began for at in calls)
    trial.figure("writes without webhooks", told_without, set(without.statuses) == {201}, "201 alone")
    trial.figure(f"writes with {WEBHOOKS} of them dead", told_dead, set(dead.statuses) == {201}, "201 alone")
    trial.figure("calls that were taken and not answered", made, made >= WEBHOOKS, f"{WEBHOOKS} at least")
    trial.figure("p50 beside that without", f"{p50_dead / p50_without:.2f}")
    trial.figure("p99 beside that without", f"{p99_dead / p99_without:.2f}, {p99_without * 1000:.0f} and {p99_dead * 1000:.0f} ms", p99_dead <= 1.5 * p99_without, "1.5")
    for it in taken:
        it.close()
    shop.stop()
    panics = shop.log.read_text().count("panicked")
    trial.figure("panics", panics, panics == 0, "0")
trial.end()
