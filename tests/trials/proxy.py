"""The service behind nginx with the configuration of api/nginx.conf: what has to pass passes, what has to be dropped is dropped, and
lengths in doubt are refused before they reach the service."""

import atexit
import collections
import concurrent.futures
import http.client
import os
import re
import secrets
import shutil
import socket
import ssl
import struct
import subprocess
import time
import uuid
import zlib

from ground import ROOT, Postgres, Service, Trial, acquisition, ask, ask_on, folder, free_port, make_database
from odd_requests import send_all

NGINX = shutil.which("nginx") or "/usr/sbin/nginx"
NAME = "shop.example.org"
trial = Trial("proxy")


def put(text, old, new):
    """Every change to the file of the repository has to find its place, or the trial would run something else."""
    assert old in text, f"api/nginx.conf has no `{old}`"
    return text.replace(old, new)


class Nginx:
    """nginx with api/nginx.conf on ports of its own and a certificate of its own."""

    def __init__(self, path, service):
        self.port, self.plain = free_port(), free_port()
        path.mkdir()
        certificate, key = path / "certificate.pem", path / "key.pem"
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2", "-subj", f"/CN={NAME}",
                        "-addext", f"subjectAltName=DNS:{NAME}", "-keyout", key, "-out", certificate], check=True, capture_output=True)
        site = (ROOT / "api/nginx.conf").read_text()
        site = put(site, "listen 443 ", f"listen 127.0.0.1:{self.port} ")
        site = put(site, "listen 80;", f"listen 127.0.0.1:{self.plain};")
        site = put(site, "127.0.0.1:8417", f"127.0.0.1:{service.port}")
        site = put(site, "/etc/ssl/outshop/fullchain.pem", str(certificate))
        site = put(site, "/etc/ssl/outshop/privkey.pem", str(key))
        (path / "site.conf").write_text(site)
        folders = "".join(f"{it}_temp_path {path}/{it};\n" for it in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))
        (path / "nginx.conf").write_text(
            f"daemon off;\npid {path}/pid;\nerror_log {path}/error.log;\nevents {{}}\nhttp {{\naccess_log off;\n{folders}include {path}/site.conf;\n}}\n")
        self.context = ssl.create_default_context(cafile=certificate)
        self.process = subprocess.Popen([NGINX, "-p", path, "-c", path / "nginx.conf", "-e", path / "error.log"])
        atexit.register(self.stop)
        while True:
            try:
                self.connect().close()
                break
            except OSError:
                if self.process.poll() is not None:
                    raise RuntimeError((path / "error.log").read_text()) from None
                time.sleep(0.02)

    def connect(self, timeout=15, of="127.0.0.1"):
        """A connection as from the address `of`, the certificate looked at."""
        plain = socket.create_connection(("127.0.0.1", self.port), timeout, source_address=(of, 0))
        return self.context.wrap_socket(plain, server_hostname=NAME)

    def ask(self, method, path, body=None, key=None, idempotency_key=None, timeout=60, headers=(), of="127.0.0.1"):
        connection = http.client.HTTPConnection(NAME, timeout=timeout)
        connection.sock = self.connect(timeout, of)
        try:
            return ask_on(connection, method, path, body, key, idempotency_key, headers)
        finally:
            connection.close()

    def stop(self):
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait()


def noise(width, height):
    """A PNG as large as its pixels are many: what is drawn by chance cannot be packed."""
    def chunk(name, content):
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    rows = b"".join(b"\0" + os.urandom(3 * width) for _ in range(height))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows, 0)) + chunk(b"IEND", b"")


def told(answer):
    status, headers, body = answer
    return f"{status} {headers.get('content-type', '')} {body.get('type', '') if isinstance(body, dict) else ''}".strip()


with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path, OUTSHOP_PROXIES="127.0.0.1", OUTSHOP_VISITOR_LIMIT=30).start()
    nginx = Nginx(path / "nginx", service)

    # Lengths in doubt, odd methods and characters.
    send_all(trial, nginx.connect, keys["seller"])
    persons = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("persons stored", persons, persons == 0, "0")

    # What has to pass.
    plain = http.client.HTTPConnection("127.0.0.1", nginx.plain, timeout=15)
    plain.request("GET", "/?engine=10", headers={"Host": NAME})
    answer = plain.getresponse()
    where = f"{answer.status} {answer.headers['location']}"
    trial.figure("without TLS", where, where == f"308 https://{NAME}/?engine=10", f"308 to https://{NAME}")
    once = str(uuid.uuid4())
    made = [nginx.ask("POST", "/v1/persons", {"name": "Odo Fenwright"}, keys["seller"], once) for _ in range(2)]
    same = [it[0] for it in made] == [201, 201] and made[0][2] == made[1][2] and postgres.sql("SELECT count(*) FROM persons") == "1"
    trial.figure("Authorization and Idempotency-Key: the same POST twice", [it[0] for it in made], same, "201 twice, one person")
    person = f"/v1/persons/{made[0][2]['id']}"
    for coding in ("identity", "gzip"):
        sent = {"Accept-Encoding": coding}
        _, headers, _ = nginx.ask("GET", "/openapi.json", headers=sent)
        again = nginx.ask("GET", "/openapi.json", headers={**sent, "If-None-Match": headers["etag"]})
        fine = again[0] == 304 and not headers["etag"].startswith("W/") and headers.get("content-encoding", "identity") == coding
        trial.figure(f"If-None-Match, {coding}", f"{again[0]} {headers['etag']}", fine, "304, a strong ETag")
    patched = {"Content-Type": "application/merge-patch+json"}
    stale = nginx.ask("PATCH", person, {"name": "Odo Fenwrights"}, keys["seller"], headers={**patched, "If-Match": '"stale"'})
    trial.figure("If-Match, stale", told(stale), stale[0] == 412, "412")
    bare = nginx.ask("PATCH", person, {"name": "Odo Fenwrights"}, keys["seller"], headers=patched)
    trial.figure("without If-Match", told(bare), bare[0] == 428, "428")
    etag = nginx.ask("GET", person, key=keys["seller"])[1]["etag"]
    right = nginx.ask("PATCH", person, {"name": "Odo Fenwrights"}, keys["seller"], headers={**patched, "If-Match": etag})
    trial.figure("If-Match, right", told(right), right[0] == 200, "200")
    last = nginx.ask("GET", "/v1/journal?limit=500", key=keys["proprietor"])[2]["items"][-1]["entry_no"]
    began = time.monotonic()
    polled = nginx.ask("GET", f"/v1/journal?after={last}&wait=25", key=keys["proprietor"])
    took = time.monotonic() - began
    trial.figure("a long poll", f"{told(polled)} after {took:.1f} s", polled[0] == 200 and 24 < took < 30, "200 after 25 s")

    # Bodies.
    stock_no = nginx.ask("POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[2]["stock_no"]
    photographs, as_png = f"/v1/engines/{stock_no}/photographs", {"Content-Type": "image/png"}
    picture = noise(2900, 2950)
    added = nginx.ask("POST", photographs, picture, keys["seller"], headers=as_png)
    trial.figure(f"a photograph of {len(picture) / 2**20:.1f} MiB", told(added), added[0] == 201, "201")
    larger = nginx.ask("POST", photographs, bytes(26 * 2**20), keys["seller"], headers=as_png)
    trial.figure("one of 26 MiB", told(larger), told(larger).endswith("/problems/content_too_large"), "413, a problem document")
    larger = nginx.ask("POST", photographs, bytes(32 * 2**20 + 1), keys["seller"], headers=as_png)
    trial.figure("a body above 32 MiB", told(larger), larger[0] == 413, "413")

    # Whose address counts, and what nobody may reach.
    def left(of, forged):
        status, headers, _ = nginx.ask("GET", "/v1/public/listings", headers={"X-Forwarded-For": forged} if forged else (), of=of)
        return status, int(re.search(r"r=(\d+)", headers["ratelimit"])[1])

    counted = [left("127.0.0.2", f"203.0.113.{n}, 127.0.0.1" if n else "") for n in range(40)]
    refused = sum(status == 429 for status, _ in counted)
    trial.figure("one visitor under 40 forged addresses, limit 30: refused", refused, 5 <= refused <= 10, "5 to 10")
    other = left("127.0.0.3", "127.0.0.2")
    trial.figure("another visitor who claims to be the first", other, other[0] == 200 and other[1] >= 28, "200, nothing used but its own")
    figures = [nginx.ask("GET", path_of)[0] for path_of in ("/metrics", "//127.0.0.1:9417/metrics", f"http://127.0.0.1:{service.metrics}/metrics")]
    trial.figure("the metrics through the proxy", figures, all(it >= 400 for it in figures), "none")

    # One address that holds many connections, while another asks.
    with concurrent.futures.ThreadPoolExecutor(70) as many:
        polls = [many.submit(nginx.ask, "GET", f"/v1/journal?after={10**9}&wait=15", key=keys["proprietor"], of="127.0.0.4") for _ in range(70)]
        time.sleep(5)
        beside = nginx.ask("GET", "/v1/firm", key=keys["proprietor"], of="127.0.0.5")[0]
        statuses = collections.Counter(it.result()[0] for it in polls)
    fine = statuses == {200: 60, 429: 10} and beside == 200
    trial.figure("70 long polls of one address, and a request of another", f"{dict(statuses)}, {beside}", fine, "60 wait, 10 get 429; 200")

    # A connection that the service has closed is not used for a POST.
    idle = []
    for wait in (3.5, 4.5, 5, 5.5):
        time.sleep(wait)
        idle.append(nginx.ask("POST", "/v1/persons", {"name": secrets.token_hex(4)}, keys["seller"])[0])
    trial.figure("POSTs after the connection to the service was idle", idle, set(idle) == {201}, "201 each")

    # The service away and back.
    service.stop()
    away = nginx.ask("GET", "/health/ready")[0]
    service.start()
    back = nginx.ask("GET", "/health/ready")[0]
    trial.figure("the service away, and back", f"{away}, {back}", away in (502, 504) and back == 200, "502, 200")
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    nginx.stop()
    service.stop()
    postgres.stop()
trial.end()
