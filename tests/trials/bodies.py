"""Bodies that are larger than they look, eight at once: a GiB in pieces without a length, 100,000 levels, a million members, a small one
that is large when unpacked. Each is refused for what it is, and none takes memory for what it would be."""

import gzip
import http.client
import threading
import uuid

from ground import OUT_OF_REACH, Postgres, Service, Trial, ask, folder, make_database

AT_ONCE, MIB = 8, 1 << 20
trial = Trial("bodies")


def endless():
    """A person's name of a GiB."""
    yield b'{"name": "'
    for _ in range(1024):
        yield b"a" * MIB
    yield b'"}'


bodies = {
    "a GiB in pieces": (endless, {}, {413}),
    "a GiB by its length": (endless, {"Content-Length": str((1 << 30) + 12)}, {413}),
    "100,000 levels": (lambda: [b"[" * 100_000 + b"]" * 100_000], {}, {400}),
    "a million members": (lambda: [b"{" + b",".join(b'"%d":0' % n for n in range(1_000_000)) + b"}"], {}, {413}),
    "members that fit": (lambda: [b"{" + b",".join(b'"%d":0' % n for n in range(25_000)) + b"}"], {}, {422}),
    "a bomb of gzip": (lambda: [gzip.compress(bytes(256 * MIB), 1)], {"Content-Encoding": "gzip"}, {413, 415}),
}
with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    for name, (body, more, wanted) in bodies.items():
        before, answers = service.memory("VmHWM"), []

        def send():
            connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=60)
            connection.putrequest("POST", "/v1/persons")
            length = {} if "Content-Length" in more else {"Transfer-Encoding": "chunked"}
            for header, value in {"Authorization": f"Bearer {keys['seller']}", "Content-Type": "application/json",
                                  "Idempotency-Key": str(uuid.uuid4()), **length, **more}.items():
                connection.putheader(header, value)
            try:
                connection.endheaders(body(), encode_chunked=bool(length))
            except OSError:
                # Refused before it was all sent; the answer may be there.
                pass
            try:
                answers.append(connection.sock.recv(4096).split(b" ")[1].decode())
            except (IndexError, *OUT_OF_REACH):
                answers.append("closed")

        threads = [threading.Thread(target=send) for _ in range(AT_ONCE)]
        for it in threads:
            it.start()
        for it in threads:
            it.join()
        peak = service.memory("VmHWM") - before
        fine = {*answers} <= {*map(str, wanted), "closed"} and {*answers} != {"closed"}
        trial.figure(f"{name}, {AT_ONCE} at once", sorted(answers), fine, f"{wanted}, or closed where that was said before all was sent")
        trial.figure("   peak above what it was", f"{peak:.0f} MiB", peak <= 64, "64 MiB")
    stored = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("persons stored", stored, stored == 0, "0")
    made = ask(service.port, "POST", "/v1/persons", {"name": "Ada Fell"}, keys["seller"])[0]
    trial.figure("a write afterwards", made, made == 201, "201")
    trial.figure("panics", service.panics(), service.panics() == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
