"""Metrics, traces and the audit of reads of personal data: each says what happened."""

import http.server
import json
import threading

from ground import Postgres, Service, Trial, ask, folder, make_database

trial = Trial("watching")
spans = []


class Collector(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        spans.append((self.path, self.rfile.read(int(self.headers["content-length"]))))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_):
        pass


collector = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Collector)
threading.Thread(target=collector.serve_forever, daemon=True).start()
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path, OTEL_EXPORTER_OTLP_ENDPOINT=f"http://127.0.0.1:{collector.server_port}", OUTSHOP_LOG="warn,audit=info").start()
    trace = "4bf92f3577b34da6a3ce929d0e0e4736"
    person = ask(service.port, "POST", "/v1/persons", {"name": "Odo Fenwright"}, keys["seller"], headers={"traceparent": f"00-{trace}-00f067aa0ba902b7-01"})[2]
    ask(service.port, "GET", f"/v1/persons/{person['id']}", key=keys["bookkeeper"])
    ask(service.port, "GET", "/v1/public/listings")
    figures = ask(service.metrics, "GET", "/metrics")[2]
    value = lambda name: next((line.split()[-1] for line in figures.splitlines() if line.startswith(name)), None)
    for name, wanted in (
        ('outshop_requests_total{method="POST",route="/v1/persons",status="201"}', "1"), ("outshop_database_up", "1"),
        ('outshop_database_connections{state="waiting"}', "0"), ("outshop_days_behind", "0"), ("outshop_webhooks_off", "0"),
    ):
        trial.figure(name, value(name), value(name) == wanted, wanted)
    for name in ("outshop_journal_last_entry", "outshop_journal_unnumbered", "outshop_window_age_seconds", "process_resident_memory_bytes", "process_open_fds"):
        trial.figure(name, value(name), value(name) is not None, "a figure")
    postgres.kill()
    figures = ask(service.metrics, "GET", "/metrics")[2]
    trial.figure("outshop_database_up while it is away", value("outshop_database_up"), value("outshop_database_up") == "0", "0")
    postgres.start()
    service.stop()
    sent = b"".join(body for _, body in spans)
    trial.figure("spans are sent to", {address for address, _ in spans}, {address for address, _ in spans} == {"/v1/traces"}, "/v1/traces")
    trial.figure("below the caller's trace", bytes.fromhex(trace) in sent, bytes.fromhex(trace) in sent, "True")
    for name in ("POST /v1/persons", "transaction", "GET /v1/public/listings"):
        trial.figure(f"a span {name}", name.encode() in sent, name.encode() in sent, "True")
    audit = [line for line in map(json.loads, filter(lambda it: it.startswith("{"), (path / "outshop.log").read_text().splitlines())) if line["target"] == "audit"]
    read = [line["fields"] for line in audit if line["fields"]["method"] == "GET"]
    fine = len(read) == 1 and read[0]["path"] == f"/v1/persons/{person['id']}" and read[0]["person"] == "the bookkeeper"
    trial.figure("reads of personal data in the log", read, fine, "the one of the bookkeeper")
    trial.figure("names of persons read in the log", "Fenwright" in json.dumps(audit), "Fenwright" not in json.dumps(audit), "False")
    postgres.stop()
trial.end()
