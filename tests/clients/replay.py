"""Asks every operation of openapi.json as its examples print it, against a fresh demonstration: reads first, then acts, then again
the reads of what was not there before, then removals.

OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of the demonstration) say where. An act may be refused because of what is on record on that
day: it is over already, or the day printed lies before the records that are younger every day. It may not be refused for its form.
"""

import json
import os
import pathlib
import sys
import time
import urllib.parse
import uuid

import httpx

HERE = pathlib.Path(__file__).parent
DOCUMENT = json.loads((HERE / "../../openapi/outshop.json").read_text())
KEYS = json.loads(pathlib.Path(os.environ["OUTSHOP_KEYS"]).read_text())
# What nothing of the demonstration makes, nor an act as printed; and job 1 is over.
NOT_THERE = {"get_owner_notice", "get_payout", "get_checklist_tick", "get_tax_position", "open_print", "get_value_added"}
OF_THE_RECORDS = (404, 409, 410, 412, 422)
METHODS = ("get", "post", "put", "patch", "delete")
http = httpx.Client(base_url=os.environ["OUTSHOP_URL"], timeout=30)


def example(schema):
    """The example of a schema, by its reference if need be."""
    if "$ref" in schema:
        schema = DOCUMENT["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    return schema.get("example", next(iter(schema.get("examples", [])), None))


def parameters_of(operation):
    """What many operations take stands once in the document."""
    named = DOCUMENT["components"].get("parameters", {})
    return [named[it["$ref"].rsplit("/", 1)[1]] if "$ref" in it else it for it in operation.get("parameters", [])]


def headers_of(operation):
    roles = operation["security"][0].get("key")
    return {"Authorization": f"Bearer {KEYS[roles[0]]}"} if roles else {}


def request(path, method, operation):
    """Address, headers and body as the document prints them."""
    headers, query = headers_of(operation), []
    for parameter in parameters_of(operation):
        value = parameter.get("example", example(parameter["schema"]))
        if parameter["in"] == "path":
            path = path.replace("{%s}" % parameter["name"], urllib.parse.quote(str(value)))
        elif parameter["in"] == "query" and parameter.get("required"):
            query.append((parameter["name"], value))
    if method != "get" and any(parameter["name"] == "If-Match" for parameter in parameters_of(operation)):
        headers["If-Match"] = http.get(path, headers=headers).headers.get("ETag", '"none"')
    if method == "post":
        headers["Idempotency-Key"] = str(uuid.uuid4())
    body = {}
    contents = operation.get("requestBody", {}).get("content", {})
    for media_type, content in sorted(contents.items(), key=lambda it: it[0] != "multipart/form-data")[:1]:
        if media_type == "multipart/form-data":
            picture = next((HERE / "../../demo-data/pictures").glob("*.png"))
            body = {"files": {"photograph": ("side.png", picture.read_bytes(), "image/png")}}
        else:
            headers["Content-Type"] = media_type
            value = content.get("example", example(content["schema"]))
            body = {"content": value if isinstance(value, str) else json.dumps(value)}
    return path, {"headers": headers, "params": query, **body}


operations = [(method, path, item[method]) for path, item in DOCUMENT["paths"].items() for method in METHODS if method in item]
# The key that is revoked is one that asks the others.
operations.sort(key=lambda it: (it[0] != "get", it[0] == "delete", it[1] == "/v1/keys/{id}"))
refused, wrong = {}, []


def ask(method, template, operation):
    path, asked = request(template, method, operation)
    answer = http.request(method, path, **asked)
    name = operation["operationId"]
    refused.pop(name, None)
    if answer.is_success or answer.is_redirect:
        return
    kind = answer.json().get("type", "") if "problem" in answer.headers.get("content-type", "") else ""
    refused[name] = kind.rsplit("/", 1)[-1]
    if answer.status_code not in OF_THE_RECORDS:
        wrong.append(f"{name}: {method.upper()} {path} {asked.get('content', '')[:300]}\n    {answer.status_code} {answer.text[:400]}")


for operation in operations:
    if operation[0] != "delete":
        ask(*operation)
# The service learns from sales by itself, within half a minute.
give_up = time.monotonic() + 60
while not http.get("/v1/price-models", headers=headers_of({"security": [{"key": ["proprietor"]}]})).json()["items"] and time.monotonic() < give_up:
    time.sleep(1)
# What was not there before the acts.
for method, template, operation in operations:
    if method == "get" and operation["operationId"] in refused:
        ask(method, template, operation)
for operation in operations:
    if operation[0] == "delete":
        ask(*operation)

wrong += [f"{it['operationId']}: nothing there as printed" for method, _, it in operations
          if method == "get" and it["operationId"] in refused.keys() - NOT_THERE]
print(f"{len(operations)} operations asked as printed: {len(operations) - len(refused)} answered")
print(f"refused as the records have it: {', '.join(f'{name} ({kind})' for name, kind in sorted(refused.items()))}")
if wrong:
    sys.exit("\n".join(wrong))
