"""A receiver of webhooks in Python: tells what it gets with the published library of Standard Webhooks, and refuses what is not signed.

OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of a demonstration) say where.
"""

import http.server
import json
import os
import pathlib
import queue
import threading
import uuid

import httpx
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

KEYS = json.loads(pathlib.Path(os.environ["OUTSHOP_KEYS"]).read_text())
shop = httpx.Client(base_url=os.environ["OUTSHOP_URL"], headers={"Authorization": f"Bearer {KEYS['proprietor']}"})
secrets, got = [], queue.Queue()


class Receiver(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"])).decode()
        try:
            got.put((self.headers["webhook-id"], Webhook(secrets[0]).verify(body, dict(self.headers))))
            self.send_response(204)
        except WebhookVerificationError:
            self.send_response(401)
        self.end_headers()

    def log_message(self, *_):
        pass


def post(path, body):
    answer = shop.post(path, json=body, headers={"Idempotency-Key": str(uuid.uuid4())})
    assert answer.status_code == 201, answer.text
    return answer.json()


server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
threading.Thread(target=server.serve_forever, daemon=True).start()
webhook = post("/v1/webhooks", {"url": f"http://127.0.0.1:{server.server_port}/hooks", "types": ["person"]})
secrets.append(webhook["secret"])
post(f"/v1/webhooks/{webhook['id']}/test-calls", {})
person = post("/v1/persons", {"name": "Ebba Quarrimond"})
told = {body["type"]: (id, body["data"]) for id, body in (got.get(timeout=20) for _ in range(2))}
id, data = told["person.created"]
entry = shop.get(data["url"]).json()
assert id == f"{entry['journal_id']}-{data['entry_no']}", (id, entry)
assert entry["items"][0]["data"] == {"person_id": person["id"]}, entry
assert "webhook.test" in told, told
try:
    Webhook(secrets[0]).verify("{}", {"webhook-id": id, "webhook-timestamp": "1", "webhook-signature": "v1,x"})
except WebhookVerificationError:
    print("webhooks.py: two calls received and verified")
else:
    raise SystemExit("a signature that is none was taken")
