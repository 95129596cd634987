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
import struct
import subprocess
import sys
import tempfile
import threading
import time
import uuid
import zlib

ROOT = pathlib.Path(__file__).resolve().parents[2]
BINARY = os.environ.get("OUTSHOP") or next(
    (str(path) for path in (ROOT / "target/release/outshop", ROOT / "target/debug/outshop") if path.exists()), "outshop"
)
PROGRAMS = pathlib.Path(os.environ.get("OUTSHOP_PG_BIN") or max(pathlib.Path("/usr/lib/postgresql").glob("*/bin"), key=lambda it: int(it.parent.name)))
OUT_OF_REACH = (OSError, http.client.HTTPException)
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
    """Below the ports that connections leave from: who asks at a port of those while nobody listens may be connected to itself, and
    holds the port against who wants to listen again."""
    for port in random.sample(range(10_000, 32_000), 100):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise RuntimeError("no free port")


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
        self.process.send_signal(signal.SIGSTOP)
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
            with contextlib.suppress(*OUT_OF_REACH):
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

    def figure(self, name):
        """One of its metrics."""
        return next(int(float(line.split()[-1])) for line in ask(self.metrics, "GET", "/metrics")[2].splitlines() if line.startswith(name))

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
    if body is not None and not isinstance(body, bytes):
        body = json.dumps(body)
        sent.setdefault("Content-Type", "application/json")
    connection.request(method, path, body, sent)
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
    return {"engine": engine(n), "method": "bought", "on": "2026-01-05", "price": "4200.00", "tax_position": "margin_scheme"}


def png(width, height, more=(), interlaced=False):
    """Grey where nothing is said. `more`: chunks before the picture. PNG (W3C, third edition), 5 and 11."""
    def chunk(name, content):
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    # Across, down: where a pass begins and how far apart its pixels are (8.2, Adam7).
    passes = [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)] if interlaced else [(0, 0, 1, 1)]
    rows, packer = [], zlib.compressobj(9)
    for across, down, apart, below in passes:
        row = bytes(1 + 3 * len(range(across, width, apart)))
        rows += [packer.compress(row) for _ in range(down, height, below)]
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, interlaced)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + b"".join(chunk(*it) for it in more) + chunk(b"IDAT", b"".join(rows) + packer.flush()) + chunk(b"IEND", b"")


def percentile(values, percent):
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * percent / 100))] if ordered else float("nan")


def rows(postgres, columns=None):
    """Of each table its columns, and how many rows and the sum of their hashes; of later columns nothing."""
    columns = columns or dict(line.split("|") for line in postgres.sql(
        """SELECT table_name, string_agg(quote_ident(column_name), ',' ORDER BY ordinal_position) FROM information_schema.columns
            JOIN information_schema.tables USING (table_schema, table_name)
            WHERE table_schema = 'public' AND table_type = 'BASE TABLE' AND table_name NOT LIKE '\\_\\_%' GROUP BY 1""").splitlines())
    return columns, {table: postgres.sql(f"SELECT count(*), sum(('x' || left(md5(row::text), 15))::bit(60)::bigint) FROM (SELECT {those} FROM {table}) row")
                     for table, those in columns.items()}


class Demonstration:
    """The invented firm, served as `outshop demo` serves it."""

    def __init__(self, path):
        self.port, self.log = free_port(), path / "demo.log"
        with open(self.log, "w") as log:
            self.process = subprocess.Popen([BINARY, "demo", "--data", path / "demo", "--port", str(self.port)], stdout=log, stderr=log)
        atexit.register(self.stop)
        ready = None
        while ready != 200:
            if self.process.poll() is not None:
                raise RuntimeError(self.log.read_text()[-2000:])
            with contextlib.suppress(*OUT_OF_REACH):
                ready = ask(self.port, "GET", "/health/ready", timeout=120)[0]
            time.sleep(0.2)
        self.keys = json.loads((path / "demo/keys.json").read_text())

    def stop(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait()


class Stocked:
    """The invented firm of the demonstration, with more engines on show, on a PostgreSQL of the trial."""

    def __init__(self, path, engines, settings=()):
        demonstration = Demonstration(path)
        demonstration.stop()
        self.path, self.engines, self.keys = path, 0, demonstration.keys
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
            except OUT_OF_REACH:
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
