"""Pictures that are small on the wire and large in memory, many at once: the budget for decoding holds, and others are answered."""

import http.client
import struct
import threading
import uuid
import zlib

from ground import Paced, Postgres, Service, Trial, acquisition, ask, folder, make_database, percentile, png

BUDGET = 256
trial = Trial("pictures")


def deflated(mib):
    packer = zlib.compressobj(9)
    return b"".join(packer.compress(bytes(1 << 20)) for _ in range(mib)) + packer.flush()


def vp8l(width, height):
    """One colour, no bits a pixel: each of the five codes has one symbol. RFC 9649, 3.4 to 3.7."""
    bits = [(0x2F, 8), (width - 1, 14), (height - 1, 14), (0, 1), (0, 3)]
    bits += [(0, 1), (0, 1), (0, 1)]  # No transform, no colour cache, no meta codes.
    bits += [(1, 1), (0, 1), (0, 1), (0, 1)] * 5  # Simple code, one symbol, of one bit, which is 0.
    number = place = 0
    for value, count in bits:
        number, place = number | value << place, place + count
    return number.to_bytes(-(-place // 8) + 8, "little")


def webp(*chunks):
    body = b"WEBP" + b"".join(name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) & 1) for name, content in chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def three(number):
    return number.to_bytes(3, "little")


def animated(width, height, frames):
    still = vp8l(width, height)
    still += b"\0" * (len(still) & 1)
    frame = three(0) * 2 + three(width - 1) + three(height - 1) + three(40) + b"\0" + b"VP8L" + struct.pack("<I", len(still)) + still
    return webp((b"VP8X", b"\x02\0\0\0" + three(width - 1) + three(height - 1)), (b"ANIM", bytes(6)), *[(b"ANMF", frame)] * frames)


def vp8_within(width, height, claimed):
    """A lossy frame that is larger than the canvas says. RFC 6386, 9.1."""
    frame = b"\x10\x00\x00\x9d\x01\x2a" + struct.pack("<HH", width, height) + bytes(64)
    return webp((b"VP8X", bytes(4) + three(claimed - 1) + three(claimed - 1)), (b"VP8 ", frame))


bomb = deflated(256)
profile, words = (b"iCCP", b"x\0\0" + bomb), (b"zTXt", b"Comment\0\0" + bomb)
sent = {
    "profile of 256 MiB": (8, png(64, 64, [profile]), {201}),
    "words of 256 MiB": (8, png(64, 64, [words, (b"iTXt", b"Comment\0\1\0\0\0" + bomb)]), {201}),
    "40 megapixels": (12, png(8000, 5000), {201, 503}),
    "40 megapixels in 7 passes": (4, png(8000, 5000, interlaced=True), {201, 503}),
    "50,000 x 50,000": (8, png(50_000, 1, [])[:16] + struct.pack(">II", 50_000, 50_000) + png(50_000, 1)[24:], {422}),
    "animation of 16 megapixels": (8, animated(4000, 4000, 200), {201, 503}),
    "animation of 40 megapixels": (8, animated(8000, 5000, 20), {422}),
    "frame larger than its canvas": (8, vp8_within(16383, 16383, 16), {422}),
}


def send(port, key, stock_no, picture, answers):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    kind = "image/webp" if picture.startswith(b"RIFF") else "image/png"
    connection.request("POST", f"/v1/engines/{stock_no}/photographs", picture, {"Authorization": f"Bearer {key}", "Content-Type": kind, "Idempotency-Key": str(uuid.uuid4())})
    answer = connection.getresponse()
    answers.append((answer.status, answer.read()[:300]))


with folder() as path:
    postgres = Postgres(path / "postgresql").start()
    keys = make_database(postgres)
    for name, (times, picture, wanted) in sent.items():
        # A process of its own for each: what one peak leaves behind hides the next.
        service = Service(postgres.url(), path, name.replace(" ", "-").replace(",", ""), OUTSHOP_PICTURE_MEMORY=BUDGET).start()
        stock_no = ask(service.port, "POST", "/v1/acquisitions", acquisition(1), keys["proprietor"])[2]["stock_no"]
        before, answers = service.memory("VmHWM"), []
        paced = Paced(service.port, 50, 4, lambda _: ("GET", "/v1/public/listings", None, None))
        senders = [threading.Thread(target=send, args=(service.port, keys["fitter"], stock_no, picture, answers)) for _ in range(times)]
        for it in senders:
            it.start()
        for it in senders:
            it.join()
        paced.end()
        statuses = sorted(status for status, _ in answers)
        trial.figure(f"{name} ({len(picture) // 1024} KiB) {times} times", statuses, len(answers) == times and {*statuses} <= wanted, f"{wanted}: {answers[0][1]}")
        more = service.memory("VmHWM") - before
        trial.figure("   peak above what it was", f"{more:.0f} MiB", more <= BUDGET + 64, f"{BUDGET} MiB and what comes and goes")
        trial.figure("   others meanwhile", f"p99 {percentile(paced.took, 99) * 1000:.0f} ms, {paced.statuses}", {*paced.statuses} == {200}, "200")
        trial.figure("   panics", service.panics(), service.panics() == 0, "0")
        service.stop()
    postgres.stop()
trial.end()
