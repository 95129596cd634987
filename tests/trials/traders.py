"""Traders who play whole lives of engines and keep a ledger of what they sent and what was acknowledged, and the judge who holds it
against what can be read, what is stored and what the journal says."""

import collections
import random
import re
import threading
import time
import uuid

from ground import OUT_OF_REACH, acquisition, ask, engine, png

# What a trader posts: the types of its entry in the journal and what names the thing there, and the rows that it leaves.
KINDS = {
    "/v1/persons": ("person.created", "person_id", "id FROM persons"),
    "/v1/acquisitions": ("engine.acquired", "acquisition_id", "id FROM acquisitions"),
    "/v1/buying-valuations": ("buying_valuation.created", "buying_valuation_id", "id FROM buying_valuations"),
    "/v1/boilers": ("boiler.created", "boiler_id", "id FROM boilers"),
    "/v1/boilers/{}/installations": ("boiler.installed", "installation_id", "id FROM boiler_installations"),
    "/v1/boilers/{}/tests": ("boiler.tested", "test_id", "id FROM tests"),
    "/v1/boilers/{}/certificates": ("boiler.certified", "certificate_id", "id FROM certificates"),
    "/v1/comparables": ("comparable.created", "comparable_id", "id FROM comparables"),
    "/v1/comparables/{}/withdrawals": ("comparable.withdrawn", "comparable_id", "id FROM comparables WHERE withdrawn_on IS NOT NULL"),
    "/v1/costs/{}/reversals": ("cost.reversed", "cost_id", "id FROM costs WHERE reverses_id IS NOT NULL"),
    "/v1/deposits/{}/returns": ("deposit.returned", "deposit_id", "deposit_id FROM deposit_returns"),
    "/v1/engines/{}/as-it-stands-prices": ("engine.priced_as_it_stands", "as_it_stands_price_id", "id FROM as_it_stands_prices"),
    "/v1/engines/{}/asking-prices": ("engine.priced", "asking_price_id", "id FROM asking_prices"),
    "/v1/engines/{}/costs": ("cost.created", "cost_id", "id FROM costs WHERE reverses_id IS NULL"),
    "/v1/engines/{}/deliveries": ("engine.delivered", "delivery_id", "id FROM deliveries"),
    "/v1/engines/{}/disposals": ("engine.disposed_of", "disposal_id", "id FROM disposals"),
    "/v1/engines/{}/jobs": ("job.proposed", "job_id", "id FROM jobs"),
    "/v1/engines/{}/listing": ("listing.created", "stock_no", "stock_no FROM listings"),
    "/v1/engines/{}/listing/publications": ("listing.published", "stock_no", "stock_no FROM listings WHERE on_show_since IS NOT NULL"),
    "/v1/engines/{}/offers": ("offer.created", "offer_id", "id FROM offers"),
    "/v1/engines/{}/photographs": ("photograph.created", "id", "id FROM photographs"),
    "/v1/engines/{}/checklist-ticks": ("engine.checklist_ticked", "stock_no", "stock_no FROM preparation_ticks"),
    "/v1/engines/{}/sales": ("engine.sold", "sale_id", "id FROM sales"),
    "/v1/engines/{}/surveys": ("engine.surveyed", "survey_id", "id FROM surveys"),
    "/v1/engines/{}/valuations": ("engine.valued", "valuation_id", "id FROM valuations"),
    "/v1/enquiries": ("enquiry.created", "enquiry_id", "id FROM enquiries"),
    "/v1/enquiries/{}/closings": ("enquiry.closed", "enquiry_id", "id FROM enquiries WHERE closed_on IS NOT NULL"),
    "/v1/hour-rates": ("hour_rate.created", "rate_id", "id FROM hour_rates"),
    "/v1/jobs/{}/hours": ("job.hours_booked", "job_id", "job_id FROM job_hours WHERE reverses_id IS NULL"),
    "/v1/jobs/{}/transitions": ("job.agreed job.started job.finished", "job_id",
                          "id FROM jobs, unnest(ARRAY[agreed_on, started_on, finished_on]) moved WHERE moved IS NOT NULL"),
    "/v1/jobs/{}/parts": ("job.parts_used", "job_id", "job_id FROM job_parts WHERE reverses_id IS NULL"),
    "/v1/jobs/{}/reversals": ("job.line_reversed", "job_id", "job_id FROM job_hours WHERE reverses_id IS NOT NULL"),
    "/v1/offers/{}/answers": ("offer.answered", "offer_id", "offer_id FROM offer_answers"),
    "/v1/outgoing-payments": ("supplier.paid", "outgoing_payment_id", "id FROM outgoing_payments"),
    "/v1/owner-notices/{}/notifications": ("owner.notified", "asking_price_id", "asking_price_id FROM owner_notifications"),
    "/v1/promises": ("promise.created", "promise_id", "id FROM promises"),
    "/v1/promises/{}/end": ("promise.ended", "promise_id", "id FROM promises WHERE ended IS NOT NULL"),
    "/v1/reservations": ("reservation.created", "reservation_id", "id FROM reservations"),
    "/v1/reservations/{}/deposits": ("deposit.received", "deposit_id", "id FROM deposits"),
    "/v1/reservations/{}/releases": ("reservation.released", "reservation_id", "id FROM reservations WHERE ended = 'released'"),
    "/v1/sales/{}/complaints": ("complaint.created", "complaint_id", "id FROM complaints"),
    "/v1/sales/{}/exports": ("export.created", "export_id", "id FROM exports"),
    "/v1/sales/{}/payments": ("payment.created", "payment_id", "id FROM payments WHERE deposit_id IS NULL"),
    "/v1/sales/{}/payouts": ("owner.paid", "payout_id", "id FROM payouts"),
    "/v1/sales/{}/support-notes": ("support_note.created", "support_note_id", "id FROM support_notes"),
    "/v1/sales/{}/cancellation": ("sale.cancelled", "return_id", "id FROM returns WHERE delivery_id IS NULL"),
}
GUIDE = {
    "from": "2025-01-01", "uncertainty": "0.25", "factors": [],
    "starts": [{"kind": "locomotive", "gauge": {"from": {"value": "5", "unit": "in"}, "to": {"value": "5", "unit": "in"}}, "price": "6200.00"}],
}


def day(n):
    """So many days from now."""
    return time.strftime("%Y-%m-%d", time.gmtime(time.time() + n * 86400))


def kind_of(path):
    return re.sub(r"/\d+", "/{}", path)


def number_in(location):
    return int(re.findall(r"/(\d+)", location)[-1])


class GivenUp(Exception):
    """Of a life that cannot go on."""


class Trader(threading.Thread):
    """Lives of engines, one after another; told to end, it ends the one that it is at. What is not answered is sent again with its key until it is."""

    def __init__(self, port, keys, seed, patience=60):
        super().__init__(daemon=True)
        self.port, self.key, self.seed, self.patience = port, keys["proprietor"], seed, patience
        self.random = random.Random(seed)
        self.ending = threading.Event()
        self.sent = self.repeated = 0
        self.refused, self.acknowledged, self.took = [], [], []

    def act(self, path, body, kind="application/json"):
        """What was made, with its number."""
        key, began, repeated, status, made = str(uuid.UUID(int=self.random.getrandbits(128))), time.monotonic(), False, None, None
        self.sent += 1
        while time.monotonic() < began + self.patience:
            self.repeated += repeated
            try:
                status, headers, made = ask(self.port, "POST", path, body, self.key, key, timeout=12, headers={"Content-Type": kind})
            except OUT_OF_REACH:
                status = None
            if status == 201:
                location = headers["location"]
                self.acknowledged.append((path, body, location))
                self.took.append(time.monotonic() - began)
                return {"id": number_in(location), **made}
            if status is not None and not (status == 503 and headers["retry-after"]) and not (status == 409 and repeated):
                break
            repeated = True
            time.sleep(0.03)
        self.refused.append((status, path, made))
        raise GivenUp

    def run(self):
        n = 0
        while not self.ending.is_set():
            n += 1
            try:
                self.life(f"{self.seed}-{n}")
            except GivenUp:
                pass

    def life(self, name):
        """An engine bought, seen to, shown, promised, sold and delivered; one broken up, and one on commission."""
        act, today = self.act, day(0)
        person_id = act("/v1/persons", {"name": "Odo Fenwright", "email": f"odo.{name}@example.org"})["id"]
        act("/v1/buying-valuations", {"engine": {"kind": "locomotive", "gauge": {"value": "5", "unit": "in"}, "build_quality": "fine", "fuel": "coal"}})
        bought = act("/v1/acquisitions", {**acquisition(name), "on": day(-30), "person_id": person_id})
        asked = act("/v1/enquiries", {"stock_no": bought["stock_no"], "person_id": person_id, "message": "Which club was it tested at?"})["id"]
        engine_of, fitter = f"/v1/engines/{bought['stock_no']}", f"Edda {name}"

        cost = {"on": day(-29), "cost": "85.00", "kind": "carriage_in"}
        act("/v1/outgoing-payments", {"on": day(-28), "amount": "85.00", "method": "transfer", "cost_id": act(f"{engine_of}/costs", cost)["id"]})
        act(f"/v1/costs/{act(f'{engine_of}/costs', cost)['id']}/reversals", {"on": day(-28), "notes": "entered twice"})
        boiler = act("/v1/boilers", {"number": f"QL {name}", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
                                     "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-06-01"})["id"]
        act(f"/v1/boilers/{boiler}/installations", {"stock_no": bought["stock_no"], "installed_on": "1998-06-01"})
        survey = {"surveyor": "Edda Morlock", "build_quality": "sound", "grades": dict.fromkeys(
            ["boiler", "fittings_and_feeds", "cylinders_and_valves", "motion", "wheels_and_axleboxes", "frames", "platework_and_paint", "completeness"], "good")}
        worn = {"area": "motion", "severity": "note", "description": "play in the left big end"}
        finding = act(f"{engine_of}/surveys", {**survey, "on": day(-26), "findings": [worn]})["findings"][0]["id"]
        act("/v1/hour-rates", {"fitter": fitter, "from": day(-40), "cost_rate": "18.50", "recovery_rate": "32.00"})
        job = f"/v1/jobs/{act(f'{engine_of}/jobs', {'title': 'Big end', 'touches': ['motion'], 'findings': [finding], 'proposed_on': day(-25)})['id']}"
        act(f"{job}/transitions", {"to": "agreed", "on": day(-24)})
        act(f"{job}/transitions", {"to": "started", "on": day(-23)})
        act(f"{job}/hours", {"on": day(-23), "fitter": fitter, "hours": "3.5"})
        line = act(f"{job}/hours", {"on": day(-23), "fitter": fitter, "hours": "3.5"})["hours"][-1]["id"]
        act(f"{job}/reversals", {"hours_id": line})
        act(f"{job}/parts", {"on": day(-23), "description": "bronze bush", "cost": "18.40"})
        act(f"{job}/transitions", {"to": "finished", "on": day(-22)})
        act(f"{engine_of}/surveys", {**survey, "on": day(-21)})
        for test, more in (("hydraulic_repeat", {"pressure": {"value": "135", "unit": "psi"}, "hold_minutes": 15}),
                           ("steam", {"highest_pressure": {"value": "94", "unit": "psi"}})):
            passed = act(f"/v1/boilers/{boiler}/tests", {"test": test, "on": day(-20), "passed": True, "boiler_number": f"QL {name}",
                                                         "inspector": "Ivo Pellasick", "inspector_interest": False, **more})["id"]
            act(f"/v1/boilers/{boiler}/certificates", {"test_id": passed, "number": f"TV {passed}", "issuer": "Thrum Vale Society of Model Engineers",
                                                       "issued_on": day(-20), "boiler_number": f"QL {name}"})

        valued = act(f"{engine_of}/valuations", {})["id"]
        act(f"{engine_of}/asking-prices", {"price": "7680.00", "valuation_id": valued})
        act(f"{engine_of}/as-it-stands-prices", {"on": day(-1), "price": "2100.00", "reason": "what its castings would fetch"})
        form = "".join(f'--side\r\nContent-Disposition: form-data; name="{part}"\r\n\r\n{value}\r\n' for part, value in (("public", "true"), ("alt", "From the left")))
        form += '--side\r\nContent-Disposition: form-data; name="photograph"; filename="side.png"\r\nContent-Type: image/png\r\n\r\n'
        act(f"{engine_of}/photographs", form.encode() + png(64, 48) + b"\r\n--side--\r\n", "multipart/form-data; boundary=side")
        act(f"{engine_of}/listing", {"title": f"Number {name}", "description": "Built over nine winters and run twice a year since."})
        act(f"{engine_of}/listing/publications", {})
        act(f"/v1/enquiries/{asked}/closings", {"reason": "answered"})
        offer = act(f"{engine_of}/offers", {"person_id": person_id, "on": today, "amount": "7200.00"})["id"]
        act(f"/v1/offers/{offer}/answers", {"answer": "countered", "on": today, "amount": "7600.00"})
        reservation = f"/v1/reservations/{act('/v1/reservations', {'stock_no': bought['stock_no'], 'person_id': person_id, 'hours': 72, 'deposit_due': '500.00'})['id']}"
        deposit = act(f"{reservation}/deposits", {"on": today, "amount": "500.00", "method": "transfer"})["id"]
        act(f"{reservation}/releases", {"reason": "the bank was slow"})
        act(f"/v1/deposits/{deposit}/returns", {"on": today, "method": "transfer", "reason": "they buy at once"})

        sale = f"/v1/sales/{act(f'{engine_of}/sales', {'on': today, 'price': '7600.00', 'person_id': person_id, 'at_distance': True, 'buyer_abroad': True})['id']}"
        promise = act("/v1/promises", {"stock_no": bought["stock_no"], "person_id": person_id, "kind": "ready_for_collection", "on": day(6)})["id"]
        act(f"{sale}/payments", {"on": today, "amount": "7600.00", "method": "transfer"})
        for item in ("drained", "lifting_plan", "spares_packed", "papers_packed"):
            act(f"{engine_of}/checklist-ticks", {"item": item, "on": today})
        act(f"{engine_of}/deliveries", {"on": today, "method": "collection", "handed_to": "Odo Fenwright"})
        act(f"/v1/promises/{promise}/end", {"status": "kept", "on": today})
        act(f"{sale}/exports", {"destination": "CH", "method": "own_van"})
        act(f"{sale}/support-notes", {"on": today, "message": "how to blow down before laying up?"})
        act(f"{sale}/complaints", {"asked_on": today, "description": "the left injector blows back"})

        wreck = act("/v1/acquisitions", {**acquisition(name), "on": day(-2)})["stock_no"]
        act(f"/v1/engines/{wreck}/disposals", {"on": today, "method": "broken_for_parts"})
        taken = act("/v1/acquisitions", {"engine": engine(name), "method": "commission", "on": day(-9), "person_id": person_id,
                                         "tax_position": "commission_in_owners_name", "reserve": "4000.00", "commission_percent": "10"})
        engine_of = f"/v1/engines/{taken['stock_no']}"
        act(f"{engine_of}/asking-prices", {"price": "5000.00"})
        lower = act(f"{engine_of}/asking-prices", {"price": "4900.00"})["id"]
        act(f"/v1/owner-notices/{lower}/notifications", {"on": today, "method": "by telephone"})
        sale = f"/v1/sales/{act(f'{engine_of}/sales', {'on': today, 'price': '4800.00', 'person_id': person_id})['id']}"
        act(f"{sale}/payments", {"on": today, "amount": "4800.00", "method": "transfer"})
        act(f"{sale}/payouts", {"on": today, "amount": "100.00", "method": "transfer"})
        act(f"{sale}/cancellation", {"on": today, "reason": "cancelled"})
        sold = act("/v1/comparables", {"on": "2025-11-08", "price": "6200.00", "source": "observed_auction", "kind": "locomotive",
                                       "gauge": {"value": "5", "unit": "in"}, "description": "0-6-0, repainted"})["id"]
        act(f"/v1/comparables/{sold}/withdrawals", {"on": today, "reason": "it came back within the month"})


def traders(service, keys, seed, n=8):
    """They value by a guide, of which there is one."""
    if not ask(service.port, "GET", "/v1/price-scale/versions", key=keys["proprietor"])[2]["items"]:
        ask(service.port, "POST", "/v1/price-scale/versions", GUIDE, keys["proprietor"])
    made = [Trader(service.port, keys, seed + i) for i in range(n)]
    for trader in made:
        trader.start()
    return made


def ended(traders):
    for trader in traders:
        trader.ending.set()
    for trader in traders:
        trader.join()


def stored(postgres):
    """Of each kind the things that its rows name, and those that the journal names."""
    def numbers(statement):
        return collections.Counter(map(int, postgres.sql(statement).split()))

    return {kind: (numbers(f"SELECT {rows}"),
                   numbers(f"SELECT (to_jsonb(journal) || data) ->> '{member}' FROM journal WHERE type = ANY(string_to_array('{types}', ' '))"))
            for kind, (types, member, rows) in KINDS.items()}


def says(answer, sent):
    """Whether all that was sent, and that such an answer shows, stands in it."""
    if isinstance(sent, dict) and isinstance(answer, dict):
        return all(says(answer[name], value) for name, value in sent.items() if name in answer)
    if isinstance(sent, list) and isinstance(answer, list):
        return len(answer) == len(sent) and all(map(says, answer, sent))
    return answer == sent


def judge(trial, postgres, traders, before=None):
    """Reads all that was acknowledged, and holds it against rows and journal; `before`: what was stored already."""
    acknowledged = [it for trader in traders for it in trader.acknowledged]
    refused = [it for trader in traders for it in trader.refused]
    trial.figure("requests sent", sum(trader.sent for trader in traders))
    trial.figure("repeats of requests without an answer", sum(trader.repeated for trader in traders))
    trial.figure("refused or given up", len(refused), not refused, f"0: {refused[:3]}")
    lost, told = [], collections.defaultdict(collections.Counter)
    for path, sent, location in acknowledged:
        told[kind_of(path)][number_in(location)] += 1
        status, _, answer = ask(traders[0].port, "GET", location, key=traders[0].key)
        # Where the location is of what was there before, only that it is there.
        own = path.rsplit("/", 1)[1] in location.split("/")
        if status != 200 or own and isinstance(sent, dict) and not says(answer, sent):
            lost.append((path, sent, location, status, answer))
    trial.figure("acknowledged, and not read as they were sent", len(lost), not lost, f"0: {lost[:2]}")
    now = stored(postgres)
    for kind in KINDS:
        rows, entries = (these - before[kind][n] if before else these for n, these in enumerate(now[kind]))
        same = told[kind] == rows == entries
        trial.figure(f"{kind}: acknowledged {told[kind].total()}, stored", rows.total(), same and told[kind],
                     f"the same ones, and in the journal: lost {sorted((told[kind] - rows).elements())[:5]}, twice or unasked "
                     f"{sorted((rows - told[kind]).elements())[:5]}, in the journal {entries.total()}")
