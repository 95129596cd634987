"""A row that every sale needs is locked for 10 s while 200 clients come to write, within 4 s and then all at once, and others read
what is public."""

import subprocess
import threading
import time

from ground import AS_POSTGRES, PROGRAMS, Postgres, Service, Trial, acquisition, ask, folder, make_database, percentile

CLIENTS, HELD = 200, 10
trial = Trial("exhausted pool")
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path, OUTSHOP_WORKERS=2).start()
    stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[2]["stock_no"]
    priced = f"/v1/engines/{stock_no}/asking-prices"

    def read(reads, ending):
        while not ending.is_set():
            began = time.monotonic()
            status = ask(service.port, "GET", "/v1/public/listings")[0]
            reads.append((status, time.monotonic() - began))
            time.sleep(0.01)

    def write(writes, after):
        time.sleep(after)
        began = time.monotonic()
        status, headers, _ = ask(service.port, "POST", priced, {"price": "7000.00"}, keys["proprietor"])
        writes.append((status, headers["retry-after"] is not None, time.monotonic() - began))

    for how, within in (("over 4 s", 4), ("all at once", 0)):
        holder = subprocess.Popen(
            [PROGRAMS / "psql", "-h", postgres.socket, "-p", str(postgres.port), "-U", "outshop", "-d", "outshop", "-AtXq", "-v", "ON_ERROR_STOP=1", "-c",
             f"BEGIN; SELECT 1 FROM engines WHERE stock_no = {stock_no} FOR UPDATE; LOCK journal IN EXCLUSIVE MODE; SELECT pg_sleep({HELD}); COMMIT"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd="/", **AS_POSTGRES)
        time.sleep(0.5)
        writes, reads, ending = [], [], threading.Event()
        reader = threading.Thread(target=read, args=(reads, ending))
        threads = [threading.Thread(target=write, args=(writes, within * n / CLIENTS)) for n in range(CLIENTS)]
        for it in [reader, *threads]:
            it.start()
        time.sleep(within + 0.3)
        held = postgres.sql("SELECT count(*) FROM pg_locks WHERE relation = 'journal'::regclass AND mode = 'ExclusiveLock' AND granted")
        waiting = int(postgres.sql("SELECT count(*) FROM pg_locks WHERE NOT granted"))
        trial.figure(f"{how}: the lock is held, and waited for by", f"{held}, {waiting}", held == "1" and waiting > 0, "1, some")
        for it in threads:
            it.join()
        still = holder.poll() is None
        ending.set()
        reader.join()
        trial.figure("   held until all were answered, and then let go", f"{still}, {holder.wait()} {holder.stderr.read().strip()}",
                     still and holder.returncode == 0, "True, 0")
        told = {status: sum(it[0] == status for it in writes) for status in {it[0] for it in writes}}
        trial.figure("   answers to writes", told, told == {503: CLIENTS}, "503 alone")
        trial.figure("   503 with Retry-After", sum(it[1] for it in writes), all(it[1] for it in writes), "all")
        # A locked row is two locks to PostgreSQL: a place in the queue, then the holder's end. Who is next when the first in the queue
        # gives up begins to wait anew; every 2 s there is one.
        late = sum(it[2] > 2.5 for it in writes)
        trial.figure("   503 within 2.5 s", CLIENTS - late, late <= 5, "all but who came to the head of the queue")
        slow = [it[2] for it in writes]
        trial.figure("   503 after, median, p99, at most", f"{percentile(slow, 50):.2f} s, {percentile(slow, 99):.2f} s, {max(slow):.2f} s", max(slow) <= 5, "5 s")
        p99 = percentile([took for _, took in reads], 99)
        trial.figure("   public reads, p99", f"{p99 * 1000:.0f} ms of {len(reads)}", p99 <= 0.25 and {it[0] for it in reads} == {200}, "250 ms, all 200")
        status = ask(service.port, "POST", priced, {"price": "7000.00"}, keys["proprietor"])[0]
        trial.figure("   a write afterwards", status, status == 201, "201")
    service.stop()
    postgres.stop()
trial.end()
