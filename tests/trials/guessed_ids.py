"""Every operation of openapi.json with something guessed in its address, asked by each role, by another site's key, by a key that is none
and without one. Who may not is told so in the same words whether there is something or not; who may is told what the proprietor is
told; a site reads what it sent itself; and what anybody may read names no way to reach a person."""

import collections
import http.client
import json

from ground import ROOT, Demonstration, Trial, ask, ask_on, folder

# Nothing is at the first; then what may be there; then what can be no address.
NUMBERS = ("999999", "1", "2", "10", "12", "25", str(2**31), str(2**63), "0", "-1", "x", "1%00", "1%2F2")
WORDS = ("nothing", "drained", "stock", "steam", "2026-12-01", "A" * 43, "..%2Fkeys", "%00")
ROLES = ("proprietor", "fitter", "seller", "bookkeeper")
# What a site sees is its own.
OWN = {"/v1/enquiries/{id}", "/v1/reservations/{id}"}
trial = Trial("guessed ids")
document = json.loads((ROOT / "openapi/outshop.json").read_text())


def named(parameter):
    """What many operations take stands once in the document."""
    return document["components"]["parameters"][parameter["$ref"].rsplit("/", 1)[1]] if "$ref" in parameter else parameter


operations = [(method, path, operation, [it for it in map(named, operation.get("parameters", [])) if it["in"] == "path"])
              for path, item in document["paths"].items() if "{" in path for method, operation in item.items()]
with folder() as path:
    shop = Demonstration(path)
    other_site = ask(shop.port, "POST", "/v1/keys", {"name": "another site", "role": "website", "person": "Somebody"}, shop.keys["proprietor"])[2]["secret"]
    askers = {**{role: shop.keys[role] for role in ROLES}, "website": shop.keys["website"], "another site": other_site, "no such key": "x" * 43, "nobody": None}
    connection = http.client.HTTPConnection("127.0.0.1", shop.port, timeout=60)
    # Ways to reach persons.
    persons = ask(shop.port, "GET", "/v1/persons?limit=100", key=shop.keys["proprietor"])[2]["items"]
    private = {person[way] for person in persons for way in ("email", "telephone") if person[way]}
    asked, wrong, told, given_away = collections.Counter(), [], collections.Counter(), []
    for method, template, operation, parameters in operations:
        roles = operation["security"][0].get("key", [])
        for n in range(len(NUMBERS)):
            address, sound = template, True
            for parameter in parameters:
                number = parameter["schema"].get("type") == "integer"
                guess = (NUMBERS if number else WORDS)[n % len(NUMBERS if number else WORDS)]
                address = address.replace("{%s}" % parameter["name"], guess)
                top = 2**31 if parameter["schema"].get("format") == "int32" else 2**63
                sound = sound and (guess.isdigit() and 0 < int(guess) < top if number else "%" not in guess)
            statuses = {}
            for who, key in askers.items():
                may = not roles or (who if who != "another site" else "website") in roles
                if method != "get" and may and n:
                    # It might be done.
                    continue
                body, headers = (None, {}) if method in ("get", "delete") else ({}, {})
                if method in ("patch", "put", "delete"):
                    headers = {"If-Match": '"guessed"', **({"Content-Type": "application/merge-patch+json"} if method == "patch" else {})}
                status, _, answer = ask_on(connection, method.upper(), address, body, key, headers=headers)
                asked[method] += 1
                told[who, status] += 1
                statuses[who] = status
                if not may:
                    wanted = {401} if who in ("nobody", "no such key") else {403}
                elif method != "get":
                    wanted = {400, 404, 409, 412, 415, 422}
                elif "site" in who and template in OWN:
                    wanted = {404, statuses["proprietor"]} if who == "website" else {404}
                else:
                    wanted = {statuses.get("proprietor", status)} - {500, 503}
                if not sound:
                    wanted |= {400, 404, 405, 422}
                if status not in wanted:
                    wrong.append(f"{who}: {method.upper()} {address} {status}, not {wanted}")
                if who in ("nobody", "no such key", "another site") and status == 200:
                    given_away += [f"{who}: {address} {word}" for word in private if word in json.dumps(answer)]
    trial.figure("operations with something to guess", len(operations), len(operations) > 150, "more than 150")
    trial.figure("requests", dict(asked))
    for who in askers:
        trial.figure(f"   {who} was told", {status: n for (whom, status), n in sorted(told.items()) if whom == who})
    trial.figure("told otherwise than by the table of rights", len(wrong), not wrong, f"0: {wrong[:8]}")
    trial.figure("ways to reach a person given to strangers", len(given_away), private and not given_away, f"0: {given_away[:5]}")
    # The site's own, which another site does not see.
    mine = ask(shop.port, "POST", "/v1/enquiries", {"stock_no": 12, "person": {"name": "Ada Fell", "email": "ada@example.org"}, "message": "Which club?"}, shop.keys["website"])[1]["location"]
    seen = {who: ask(shop.port, "GET", mine, key=key)[0] for who, key in askers.items()}
    may = document["paths"]["/v1/enquiries/{id}"]["get"]["security"][0]["key"]
    wanted = {**{role: 200 if role in may else 403 for role in (*ROLES, "website")}, "another site": 404, "no such key": 401, "nobody": 401}
    trial.figure("an enquiry that a site made", seen, seen == wanted, f"{wanted}")
    shop.stop()
    panics = shop.log.read_text().count("panicked")
    trial.figure("panics", panics, panics == 0, "0")
trial.end()
