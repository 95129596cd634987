"""Requests whose length is in doubt, and methods and characters that no client sends. By RFC 9112, 6.3 and 11.2."""

import socket

from ground import Postgres, Service, Trial, folder, make_database

trial = Trial("smuggling and headers")


def raw(port, request):
    """Status line and whether the connection was closed after the answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=15) as it:
        it.sendall(request)
        answer = b""
        try:
            while b"\r\n\r\n" not in answer:
                some = it.recv(4096)
                if not some:
                    break
                answer += some
            it.settimeout(3)
            closed = it.recv(4096) == b""
        except TimeoutError:
            closed = False
        except ConnectionError:
            closed = True
    return answer.split(b"\r\n")[0].decode(errors="replace"), closed, answer


with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    service = Service(postgres.url(), path).start()
    head = f"POST /v1/persons HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {keys['seller']}\r\ncontent-type: application/json\r\n"
    person = '{"name": "Odo Fenwright"}'
    smuggled = "GET /v1/persons HTTP/1.1\r\nhost: x\r\n\r\n"
    cases = {
        "two lengths": (f"{head}content-length: {len(person)}\r\ncontent-length: 5\r\n\r\n{person}{smuggled}", (400,)),
        "a list of lengths": (f"{head}content-length: {len(person)}, 5\r\n\r\n{person}", (400,)),
        "length and chunked": (f"{head}content-length: 5\r\ntransfer-encoding: chunked\r\n\r\n0\r\n\r\n{smuggled}", (400,)),
        "chunked, not last": (f"{head}transfer-encoding: chunked, identity\r\n\r\n0\r\n\r\n", (400, 501)),
        "an unknown coding": (f"{head}transfer-encoding: gzip\r\n\r\nxx", (400, 501)),
        "a length with a sign": (f"{head}content-length: +{len(person)}\r\n\r\n{person}", (400,)),
        "a length that is none": (f"{head}content-length: x\r\n\r\n{person}", (400,)),
        "a blank before the colon": (f"{head}content-length : {len(person)}\r\n\r\n{person}", (400,)),
        "a folded header": (f"{head}x-folded: a\r\n b\r\ncontent-length: 2\r\n\r\n{{}}", (400, 422)),
        "a bare CR in a value": ("GET /health/live HTTP/1.1\r\nhost: x\r\nx-y: a\rb\r\n\r\n", (400,)),
        "a NUL in a value": ("GET /health/live HTTP/1.1\r\nhost: x\r\nx-y: a\0b\r\n\r\n", (400,)),
        "TRACE": ("TRACE /v1/persons HTTP/1.1\r\nhost: x\r\nx-secret: y\r\n\r\n", (404, 405)),
        "CONNECT": ("CONNECT x:80 HTTP/1.1\r\nhost: x\r\n\r\n", (400, 404, 405)),
        "a method of our own": ("POLISH /v1/persons HTTP/1.1\r\nhost: x\r\n\r\n", (404, 405)),
        "a head without end": ("GET /" + "x" * 200_000 + " HTTP/1.1\r\nhost: x\r\n\r\n", (400, 414, 431)),
        "an escaped line end in the path": ("GET /problems/x%0d%0aset-cookie:%20a HTTP/1.1\r\nhost: x\r\n\r\n", (404,)),
    }
    for name, (request, wanted) in cases.items():
        line, closed, answer = raw(service.port, request.encode())
        status = int(line.split()[1]) if line.startswith("HTTP/1.1 ") else None
        # A connection that is closed without a word has taken nothing either.
        fine = status in wanted or (status is None and closed)
        fine = fine and b"set-cookie" not in answer.split(b"\r\n\r\n")[0].lower() and b"x-secret" not in answer
        doubtful = "length" in name or "cod" in name or "chunked" in name
        trial.figure(name, f"{line or 'closed'}{', closed' if closed else ''}", fine and (closed or not doubtful), f"{wanted}{', closed' if doubtful else ''}")
    persons = int(postgres.sql("SELECT count(*) FROM persons"))
    trial.figure("persons stored", persons, persons == 0, "0")
    service.stop()
    postgres.stop()
trial.end()
