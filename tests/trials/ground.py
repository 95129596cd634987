"""What the trials stand on: a PostgreSQL and services of their own, clients that keep a ledger outside of both, figures and verdicts.

PostgreSQL is a direct child and waited for; fsync stays on; all is on the loopback address.
"""

import atexit
import contextlib
import http.client
import json
import os
import pathlib
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid

ROOT = pathlib.Path(__file__).resolve().parents[2]
BINARY = os.environ.get("OUTSHOP") or next(
    (str(path) for path in (ROOT / "target/release/outshop", ROOT / "target/debug/outshop") if path.exists()), "outshop"
)
PROGRAMS = pathlib.Path(os.environ.get("OUTSHOP_PG_BIN") or max(pathlib.Path("/usr/lib/postgresql").glob("*/bin"), key=lambda it: int(it.parent.name)))
AS_POSTGRES = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.getuid() == 0 else {}


class Trial:
    """Seed, figures and verdict of one trial; a figure is reached or not."""

    def __init__(self, name, seed=None):
        self.name, self.missed = name, []
        self.seed = int(os.environ.get("SEED") or (random.randrange(2**32) if seed is None else seed))
        self.random = random.Random(self.seed)
        print(f"== {name}: seed {self.seed}, {BINARY}", flush=True)

    def figure(self, what, value, holds=True, wanted=""):
        print(f"   {what}: {value}{'' if holds else f'   MISSED, wanted {wanted}'}", flush=True)
        if not holds:
            self.missed.append(what)

    def end(self):
        print(f"== {self.name}: {'reached' if not self.missed else 'MISSED: ' + ', '.join(self.missed)}", flush=True)
        sys.exit(1 if self.missed else 0)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def folder():
    """A folder that PostgreSQL's user can reach."""
    path = pathlib.Path(tempfile.mkdtemp(prefix="outshop-trial-"))
    path.chmod(0o755)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)


class Postgres:
    """A cluster below a folder, reached over its socket and, for replicas, a port."""

    def __init__(self, path, settings=(), make=True):
        self.path, self.data, self.socket = path, path / "data", path
        self.port, self.settings, self.process = free_port(), list(settings), None
        if make:
            path.mkdir(exist_ok=True)
            self.own(path)
            self.run("initdb", "-D", self.data, "--auth=trust", "--no-locale", "--encoding=UTF8", "--username=outshop", "--data-checksums")

    @staticmethod
    def own(path):
        if AS_POSTGRES:
            shutil.chown(path, "postgres", "postgres")

    def run(self, program, *arguments, **more):
        done = subprocess.run([PROGRAMS / program, *map(str, arguments)], capture_output=True, text=True, cwd="/", **AS_POSTGRES, **more)
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stderr}")
        return done.stdout

    def start(self, wait=True):
        settings = [part for it in (f"port={self.port}", "listen_addresses=127.0.0.1", f"unix_socket_directories={self.socket}",
                                    "max_connections=200", *self.settings) for part in ("-c", it)]
        with open(self.path / "log", "a") as log:
            self.process = subprocess.Popen([PROGRAMS / "postgres", "-D", self.data, *settings], stdout=log, stderr=log, cwd="/", **AS_POSTGRES)
        atexit.register(self.stop, signal.SIGQUIT)
        while wait and not self.answers():
            if self.process.poll() is not None:
                raise RuntimeError((self.path / "log").read_text()[-2000:])
            time.sleep(0.02)
        return self

    def answers(self):
        return subprocess.run([PROGRAMS / "pg_isready", "-q", "-h", self.socket, "-p", str(self.port)]).returncode == 0

    def kill(self):
        """-9 to the postmaster and its children, and waits until all are gone."""
        children = subprocess.run(["pgrep", "-P", str(self.process.pid)], capture_output=True, text=True).stdout.split()
        for pid in [self.process.pid, *map(int, children)]:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait()
        while any(pathlib.Path(f"/proc/{pid}").exists() for pid in children):
            time.sleep(0.005)

    def stop(self, how=signal.SIGINT):
        if self.process and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait()

    def sql(self, statement, database="outshop"):
        return self.run("psql", "-h", self.socket, "-p", self.port, "-U", "outshop", "-d", database, "-AtXq", "-v", "ON_ERROR_STOP=1", "-c", statement).strip()

    def url(self, database="outshop"):
        return f"postgresql://outshop@127.0.0.1:{self.port}/{database}"


class Service:
    """A process of `outshop serve` on a database."""

    def __init__(self, url, path, name="outshop", **settings):
        self.url, self.path, self.name, self.settings = url, path, name, settings
        self.port, self.metrics, self.process = free_port(), free_port(), None

    def start(self, wait=True):
        environment = {
            **os.environ, "DATABASE_URL": self.url, "OUTSHOP_PORT": str(self.port), "OUTSHOP_METRICS_PORT": str(self.metrics),
            "OUTSHOP_PHOTOGRAPHS": str(self.path / "photographs"), "OUTSHOP_LOG": "warn", "OUTSHOP_VISITOR_LIMIT": "0",
            "OUTSHOP_KEY_LIMIT": "0", **{key: str(value) for key, value in self.settings.items()},
        }
        log = open(self.path / f"{self.name}.log", "a")
        self.process = subprocess.Popen([BINARY, "serve"], env=environment, stdout=log, stderr=log)
        atexit.register(self.kill)
        if wait:
            self.until_ready()
        return self

    def until_ready(self, within=60):
        """Seconds until it answers that it is ready."""
        began = time.monotonic()
        while time.monotonic() < began + within:
            if self.process.poll() is not None:
                raise RuntimeError((self.path / f"{self.name}.log").read_text()[-2000:])
            with contextlib.suppress(OSError, http.client.HTTPException):
                if ask(self.port, "GET", "/health/ready", timeout=2)[0] == 200:
                    return time.monotonic() - began
            time.sleep(0.01)
        raise RuntimeError(f"{self.name} is not ready after {within} s")

    def kill(self):
        self.process.kill()
        self.process.wait()

    def stop(self):
        """Seconds until it has ended after SIGTERM."""
        began = time.monotonic()
        if self.process and self.process.poll() is None:
            self.process.terminate()
            self.process.wait()
        return time.monotonic() - began

    def memory(self, of="VmRSS"):
        """MiB."""
        for line in pathlib.Path(f"/proc/{self.process.pid}/status").read_text().splitlines():
            if line.startswith(of):
                return int(line.split()[1]) / 1024

    def panics(self):
        return (self.path / f"{self.name}.log").read_text().count("panicked")


def ask(port, method, path, body=None, key=None, idempotency_key=None, timeout=30, headers=()):
    """Status, headers and parsed body of one request on a connection of its own."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
    try:
        return ask_on(connection, method, path, body, key, idempotency_key, headers)
    finally:
        connection.close()


def ask_on(connection, method, path, body=None, key=None, idempotency_key=None, headers=()):
    sent = dict(headers)
    if key:
        sent["Authorization"] = f"Bearer {key}"
    if method == "POST":
        sent["Idempotency-Key"] = idempotency_key or str(uuid.uuid4())
    data = None
    if body is not None:
        data, sent["Content-Type"] = json.dumps(body), "application/json"
    connection.request(method, path, data, sent)
    answer = connection.getresponse()
    text = answer.read()
    try:
        parsed = json.loads(text)
    except ValueError:
        parsed = text.decode(errors="replace")
    return answer.status, answer.headers, parsed


def keys(url, roles=("proprietor", "fitter", "seller", "bookkeeper", "website")):
    """A key for each role, made at the machine."""
    made = {}
    for role in roles:
        command = [BINARY, "keys", "add", "--role", role, "--name", f"{role} {uuid.uuid4()}", "--person", f"the {role}"]
        made[role] = subprocess.run(command, env={**os.environ, "DATABASE_URL": url}, capture_output=True, text=True, check=True).stdout.strip()
    return made


def make_database(postgres):
    postgres.sql("CREATE DATABASE outshop", "postgres")
    return keys(postgres.url())


def engine(n):
    return {
        "kind": "locomotive", "name": f"Number {n}", "design": "Marrow", "builder": "J. Thackwell", "builder_standing": "amateur",
        "built_year": 1998, "gauge": {"value": "5", "unit": "in"}, "whyte": "0-6-0", "cylinders": 2, "bore": {"value": "1 1/2", "unit": "in"},
        "stroke": {"value": "2", "unit": "in"}, "driving_wheel_diameter": {"value": "4 1/2", "unit": "in"},
        "weight": {"value": "150", "unit": "lb"}, "fuel": "coal", "feeds": ["injector"], "working_order": "in_running_order",
        "asbestos_suspected": False,
    }


def acquisition(n):
    return {"engine": engine(n), "manner": "bought", "on": "2026-01-05", "price": "4200.00", "tax_position": "margin_scheme"}


class Trader(threading.Thread):
    """Buys in, prices and sells until told to end, and keeps what it sent, what was acknowledged and what was not answered. A
    request without an answer is sent again with its key until there is one."""

    def __init__(self, port, keys, seed, patience=60):
        super().__init__(daemon=True)
        self.port, self.keys, self.random, self.patience = port, keys, random.Random(seed), patience
        self.ending = threading.Event()
        self.sent = self.repeated = 0
        self.refused, self.acknowledged, self.took = [], [], []

    def act(self, path, body, role="proprietor"):
        """What was made, or None when the trader is to give up."""
        key, began, first = str(uuid.UUID(int=self.random.getrandbits(128))), time.monotonic(), True
        self.sent += 1
        while time.monotonic() < began + self.patience:
            self.repeated += not first
            try:
                status, headers, made = ask(self.port, "POST", path, body, self.keys[role], key, timeout=12)
            except (OSError, http.client.HTTPException):
                status = None
            if status == 201:
                self.acknowledged.append((path, key, headers["location"]))
                self.took.append(time.monotonic() - began)
                return made
            if status is not None and not (status == 503 and headers["retry-after"]) and not (status == 409 and not first):
                self.refused.append((status, path, made))
                return None
            first = False
            time.sleep(0.03)
        self.refused.append(("no answer", path, None))
        return None

    def run(self):
        n = 0
        while not self.ending.is_set():
            n += 1
            bought = self.act("/v1/acquisitions", acquisition(n))
            if not bought:
                continue
            stock_no = bought["stock_no"]
            self.act(f"/v1/engines/{stock_no}/asking-prices", {"price": "7680.00"})
            person = self.act("/v1/persons", {"name": "Odo Fenwright"})
            if person and self.random.random() < 0.7:
                today = time.strftime("%Y-%m-%d")
                self.act(f"/v1/engines/{stock_no}/sales", {"on": today, "price": "7600.00", "person_id": person["id"]})


def traders(service, keys, seed, n=8):
    made = [Trader(service.port, keys, seed + i) for i in range(n)]
    for trader in made:
        trader.start()
    return made


def ended(traders):
    for trader in traders:
        trader.ending.set()
    for trader in traders:
        trader.join()


def judge(trial, postgres, traders):
    """Holds the traders' ledger against the tables and the journal."""
    acknowledged = [it for trader in traders for it in trader.acknowledged]
    tables = {
        "acquisitions": ("acquisitions", lambda path: path == "/v1/acquisitions"),
        "asking prices": ("asking_prices", lambda path: path.endswith("/asking-prices")),
        "persons": ("persons", lambda path: path == "/v1/persons"),
        "sales": ("sales", lambda path: path.endswith("/sales")),
    }
    refused = [it for trader in traders for it in trader.refused]
    trial.figure("requests sent", sum(trader.sent for trader in traders))
    trial.figure("repeats of requests without an answer", sum(trader.repeated for trader in traders))
    trial.figure("refused or given up", len(refused), not refused, f"0: {refused[:3]}")
    for name, (table, mine) in tables.items():
        told, kept = sum(mine(path) for path, *_ in acknowledged), int(postgres.sql(f"SELECT count(*) FROM {table}"))
        trial.figure(f"{name}: acknowledged {told}, stored", kept, told == kept, "the same: none lost, none done twice")
    whole = postgres.sql("""SELECT (SELECT count(*) FROM acquisitions) = (SELECT count(*) FROM journal WHERE type = 'engine.acquired')
        AND (SELECT count(*) FROM sales) = (SELECT count(*) FROM journal WHERE type = 'engine.sold')
        AND (SELECT count(*) FROM asking_prices) = (SELECT count(*) FROM journal WHERE type = 'engine.priced')""")
    trial.figure("journal agrees with the tables", whole, whole == "t", "t")


def percentile(values, percent):
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * percent / 100))] if ordered else float("nan")


class Stocked:
    """The invented firm of the demonstration, with more engines on show, on a PostgreSQL of the trial."""

    def __init__(self, path, engines, settings=()):
        demo = subprocess.Popen([BINARY, "demo", "--data", path / "demo", "--port", str(port := free_port())],
                                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while demo.poll() is None:
            with contextlib.suppress(OSError, http.client.HTTPException):
                if ask(port, "GET", "/health/ready", timeout=120)[0] == 200:
                    break
            time.sleep(0.2)
        demo.send_signal(signal.SIGINT)
        demo.wait()
        self.path, self.engines = path, 0
        self.keys = json.loads((path / "demo/keys.json").read_text())
        self.postgres = Postgres(path, settings, make=False)
        self.postgres.data = path / "demo/postgresql"
        self.postgres.socket = "/tmp"
        self.postgres.start()
        self.grow(engines)

    def grow(self, engines):
        """Up to so many more engines than the demonstration has. No service may be running."""
        if engines > self.engines:
            statement = ["-h", self.postgres.socket, "-p", self.postgres.port, "-U", "outshop", "-d", "outshop", "-qX", "-v", "ON_ERROR_STOP=1",
                         "-v", f"first={self.engines + 1}", "-v", f"last={engines}"]
            subprocess.run([PROGRAMS / "psql", *map(str, statement), "-f", ROOT / "tests/peers/fill.sql"], check=True, stdout=subprocess.DEVNULL,
                           env={**os.environ, "PGOPTIONS": "-c client_min_messages=warning"})
            self.engines = engines

    def service(self, **settings):
        return Service(self.postgres.url(), self.path, **{"OUTSHOP_PHOTOGRAPHS": self.path / "demo/photographs", **settings})


class Paced:
    """Sends requests at a steady rate from several threads and keeps how long each took, from the moment it was due."""

    def __init__(self, port, per_second, threads, make):
        """`make(n)` gives method, path, body, key of the n-th request."""
        self.port, self.gap, self.make = port, 1 / per_second, make
        self.took, self.statuses, self.ending = [], {}, threading.Event()
        self.next, self.began, self.lock = 0, time.monotonic(), threading.Lock()
        self.threads = [threading.Thread(target=self.run, daemon=True) for _ in range(threads)]
        for it in self.threads:
            it.start()

    def run(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        while not self.ending.is_set():
            with self.lock:
                nth, self.next = self.next, self.next + 1
            due = self.began + nth * self.gap
            time.sleep(max(0, due - time.monotonic()))
            method, path, body, key = self.make(nth)
            try:
                status = ask_on(connection, method, path, body, key)[0]
            except (OSError, http.client.HTTPException):
                status = "none"
                connection.close()
            self.took.append(time.monotonic() - due)
            self.statuses[status] = self.statuses.get(status, 0) + 1

    def end(self):
        self.ending.set()
        for it in self.threads:
            it.join()
        return self

    def told(self):
        return (f"{len(self.took) / (time.monotonic() - self.began):.0f}/s, p50 {percentile(self.took, 50) * 1000:.1f} ms, "
                f"p99 {percentile(self.took, 99) * 1000:.1f} ms, {self.statuses}")
