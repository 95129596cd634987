"""Requests whose length is in doubt, and methods and characters that no client sends. By RFC 9112, 6.3 and 11.2."""

import contextlib
import ssl

# The other end closed, while something was still sent or after its answer.
CLOSED = (ConnectionError, ssl.SSLEOFError)
PERSON = '{"name": "Odo Fenwright"}'
SMUGGLED = "GET /v1/persons HTTP/1.1\r\nhost: x\r\n\r\n"


def cases(key):
    """Of each its bytes and the statuses that are right."""
    head = f"POST /v1/persons HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {key}\r\ncontent-type: application/json\r\n"
    return {
        "two lengths": (f"{head}content-length: {len(PERSON)}\r\ncontent-length: 5\r\n\r\n{PERSON}{SMUGGLED}", (400,)),
        "a list of lengths": (f"{head}content-length: {len(PERSON)}, 5\r\n\r\n{PERSON}", (400,)),
        "length and chunked": (f"{head}content-length: 5\r\ntransfer-encoding: chunked\r\n\r\n0\r\n\r\n{SMUGGLED}", (400,)),
        "chunked, not last": (f"{head}transfer-encoding: chunked, identity\r\n\r\n0\r\n\r\n", (400, 501)),
        "an unknown coding": (f"{head}transfer-encoding: gzip\r\n\r\nxx", (400, 501)),
        "a length with a sign": (f"{head}content-length: +{len(PERSON)}\r\n\r\n{PERSON}", (400,)),
        "a length that is none": (f"{head}content-length: x\r\n\r\n{PERSON}", (400,)),
        "a blank before the colon": (f"{head}content-length : {len(PERSON)}\r\n\r\n{PERSON}", (400,)),
        "a folded header": (f"{head}x-folded: a\r\n b\r\ncontent-length: 2\r\n\r\n{{}}", (400, 422)),
        "a bare CR in a value": ("GET /health/live HTTP/1.1\r\nhost: x\r\nx-y: a\rb\r\n\r\n", (400,)),
        "a NUL in a value": ("GET /health/live HTTP/1.1\r\nhost: x\r\nx-y: a\0b\r\n\r\n", (400,)),
        "TRACE": ("TRACE /v1/persons HTTP/1.1\r\nhost: x\r\nx-secret: y\r\n\r\n", (404, 405)),
        "CONNECT": ("CONNECT x:80 HTTP/1.1\r\nhost: x\r\n\r\n", (400, 404, 405)),
        "a method of our own": ("POLISH /v1/persons HTTP/1.1\r\nhost: x\r\n\r\n", (404, 405)),
        "a head without end": ("GET /" + "x" * 200_000 + " HTTP/1.1\r\nhost: x\r\n\r\n", (400, 414, 431)),
        "an escaped line end in the path": ("GET /problems/x%0d%0aset-cookie:%20a HTTP/1.1\r\nhost: x\r\n\r\n", (404,)),
    }


def raw(connect, request):
    """Status line, whether the connection was closed after the answer, and the answer."""
    answer = b""
    with connect() as it:
        # A head that is too long is refused, and the connection closed, before all of it was sent.
        with contextlib.suppress(*CLOSED):
            it.sendall(request)
        try:
            while b"\r\n\r\n" not in answer:
                some = it.recv(4096)
                if not some:
                    break
                answer += some
            it.settimeout(3)
            # What is left of the answer, then the end.
            while more := it.recv(4096):
                answer += more
            closed = True
        except TimeoutError:
            closed = False
        except CLOSED:
            closed = True
    return answer.split(b"\r\n")[0].decode(errors="replace"), closed, answer


def send_all(trial, connect, key):
    """A figure for each case; `connect` opens a connection to whatever is tried."""
    for name, (request, wanted) in cases(key).items():
        line, closed, answer = raw(connect, request.encode())
        status = int(line.split()[1]) if line.startswith("HTTP/1.1 ") else None
        # A connection that is closed without a word has taken nothing either.
        fine = status in wanted or (status is None and closed)
        fine = fine and b"set-cookie" not in answer.split(b"\r\n\r\n")[0].lower() and b"x-secret" not in answer
        doubtful = "length" in name or "cod" in name or "chunked" in name
        trial.figure(name, f"{line or 'closed'}{', closed' if closed else ''}", fine and (closed or not doubtful), f"{wanted}{', closed' if doubtful else ''}")
