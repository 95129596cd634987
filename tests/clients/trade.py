"""One whole trade with the Python client that is generated from openapi.json.

OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of a demonstration) say where.
"""

import io
import json
import os
import pathlib
import time
import uuid
from datetime import date, timedelta

from outshop_client import AuthenticatedClient, Client
from outshop_client.api.boilers import create_boiler, create_installation, create_test
from outshop_client.api.engines import create_acquisition
from outshop_client.api.jobs import create_job, create_job_transition, record_hours
from outshop_client.api.money import get_margins, list_accounts_entries
from outshop_client.api.persons import create_person
from outshop_client.api.prices import create_asking_price, create_valuation
from outshop_client.api.public import get_public_listing, list_public_listings
from outshop_client.api.selling import (
    add_photograph, change_listing, create_enquiry, create_listing, create_reservation, get_readiness, get_reservation, publish_listing,
    record_checklist_tick, record_delivery, record_payment, record_sale,
)
from outshop_client.api.surveys import create_survey
from outshop_client.models import (
    ListingPatch, ListPublicListingsSort, NewAcquisition, NewAskingPrice, NewBoiler, NewDelivery, NewEnquiry, NewInstallation, NewHours, NewJob, NewListing,
    NewTransition, NewPayment, NewPerson, NewPrepared, NewReservation, NewSale, NewSurvey, NewBoilerTest, NewValuation,
    NoMembers, Problem, UploadForm,
)
from outshop_client.models.gate import Gate
from outshop_client.types import File

URL = os.environ.get("OUTSHOP_URL", "http://127.0.0.1:8417")
PICTURE = next((pathlib.Path(__file__).parent / "../../demo-data/pictures").glob("*.png"))
with open(os.environ.get("OUTSHOP_KEYS", "outshop-data/keys.json")) as file:
    KEYS = json.load(file)

visitor = Client(base_url=URL)
website, bookkeeper, fitter, seller = (
    AuthenticatedClient(base_url=URL, token=KEYS[role]) for role in ("website", "bookkeeper", "fitter", "seller")
)
today = date.today()
yesterday = today - timedelta(days=1)


def answer(operation, client, *path, **members):
    """What an operation answers, or its problem."""
    return operation.sync_detailed(*path, client=client, **members)


def act(operation, client, model, body, *path):
    """What is recorded by a POST; a problem ends the trade."""
    done = answer(operation, client, *path, body=model.from_dict(body), idempotency_key=str(uuid.uuid4()))
    assert done.status_code == 201, done.content
    return done.parsed


# Bought in, with its boiler.
owner = act(create_person, seller, NewPerson, {"name": "Ebba Quarrimond", "telephone": "01632 960144"})
engine = {
    "kind": "stationary", "name": "Saltmarsh", "builder_standing": "amateur", "fuel": "coal", "cylinders": 1,
    "working_order": "in_running_order", "asbestos_suspected": False, "weight": {"value": "31", "unit": "kg"},
    "scale": "1:10",
}
bought = act(create_acquisition, bookkeeper, NewAcquisition, {
    "engine": engine, "method": "bought", "on": str(yesterday), "price": "640.00", "person_id": owner.id,
    "tax_position": "margin_scheme",
})
number = bought.stock_no
boiler = act(create_boiler, fitter, NewBoiler, {
    "number": f"SM {number}", "material": "copper", "working_pressure": {"value": "60", "unit": "psi"},
    "volume": {"value": "2.4", "unit": "L"}, "first_service_on": "1998-05-01", "first_marketed_on": "1998-05-01",
    "has_gas_tank": False,
})
act(create_installation, fitter, NewInstallation, {"stock_no": number, "installed_on": str(yesterday)}, boiler.id)

# Mended, proved, surveyed.
job = act(create_job, fitter, NewJob, {"title": "Lubricator ratchet", "touches": ["motion"], "hours_agreed": "3", "proposed_on": str(yesterday)}, number)
for to in ("agreed", "started"):
    act(create_job_transition, fitter, NewTransition, {"to": to, "on": str(yesterday)}, job.id)
act(record_hours, fitter, NewHours, {"on": str(yesterday), "fitter": "Edda Morlock", "hours": "2.5"}, job.id)
assert act(create_job_transition, fitter, NewTransition, {"to": "finished", "on": str(yesterday)}, job.id).hours_booked == "2.5"
by = {"passed": True, "boiler_number": f"SM {number}", "inspector": "Ivo Pellasick", "inspector_interest": False, "on": str(today)}
act(create_test, fitter, NewBoilerTest, {"test": "hydraulic_repeat", "at": "09:30", "pressure": {"value": "90", "unit": "psi"}, "hold_minutes": 30, **by}, boiler.id)
act(create_test, fitter, NewBoilerTest, {"test": "steam", "at": "14:00", "highest_pressure": {"value": "63", "unit": "psi"}, **by}, boiler.id)
grades = {"boiler": "good", "motion": "good", "completeness": "good"}
act(create_survey, fitter, NewSurvey, {"on": str(today), "surveyor": "Edda Morlock", "build_quality": "sound", "grades": grades}, number)

# Valued, priced, photographed, shown.
valuation = act(create_valuation, seller, NewValuation, {}, number)
assert float(valuation.low) < float(valuation.likely) < float(valuation.high)
act(create_asking_price, seller, NewAskingPrice, {"price": "980.00", "valuation_id": valuation.id}, number)
picture = File(payload=io.BytesIO(PICTURE.read_bytes()), file_name="side.png", mime_type="image/png")
shown = answer(
    add_photograph, seller, number, idempotency_key=str(uuid.uuid4()),
    body=UploadForm(photograph=picture, alt="Saltmarsh from the front, a drawing", public=True),
)
assert shown.status_code == 201 and len(shown.parsed.sizes) == 4, shown
words = {"title": "Saltmarsh, a stationary engine", "description": "A horizontal engine that drove a dynamo at shows."}
act(create_listing, seller, NewListing, words, number)
act(publish_listing, seller, NoMembers, {}, number)

# Found by a visitor within a second, asked about and held by the shop site.
for _ in range(20):
    found = answer(list_public_listings, visitor, q="saltmarsh", sort=ListPublicListingsSort.ASKING_PRICE_DESCENDING).parsed
    card = next((card for card in found.items if card.stock_no == number), None)
    if card:
        break
    time.sleep(0.1)
assert card.price == "980.00" and card.papers.sentences, card
person = {"name": "Lorcan Abershaw", "email": "lorcan@example.org"}
act(create_enquiry, website, NewEnquiry, {"stock_no": number, "person": person, "message": "Does it come with a dynamo?"})
held = act(create_reservation, website, NewReservation, {"stock_no": number, "person": person})
assert answer(get_public_listing, visitor, number).parsed.title == words["title"]

# Refusals are typed too.
stale = answer(change_listing, seller, number, body=ListingPatch.from_dict({"price_on_request": True}), if_match='"another"')
assert stale.status_code == 412 and isinstance(stale.parsed, Problem), stale
wrong = answer(create_asking_price, seller, number, body=NewAskingPrice.from_dict({"price": "-1.00"}))
assert wrong.status_code == 422 and wrong.parsed.errors[0].pointer == "/price", wrong

# Sold, paid, made ready, away.
buyer = answer(get_reservation, seller, held.id).parsed.person_id
sale = act(record_sale, seller, NewSale, {"on": str(today), "price": "960.00", "person_id": buyer}, number)
act(record_payment, seller, NewPayment, {"on": str(today), "amount": "960.00", "method": "transfer"}, sale.id)
for item in ("drained", "spares_packed", "papers_packed"):
    act(record_checklist_tick, fitter, NewPrepared, {"item": item, "on": str(today)}, number)
gate = answer(get_readiness, seller, number, gate=Gate.DELIVER, on=today).parsed
assert gate.open_, [check.reason for check in gate.checks if check.outcome == "unmet"]
act(record_delivery, seller, NewDelivery, {"on": str(today), "method": "collection", "handed_to": person["name"]}, number)

# In the books.
money = answer(get_margins, bookkeeper, number).parsed
entries = answer(list_accounts_entries, bookkeeper, from_=today, to=today).parsed
print(f"Python: engine {number} bought for {money.purchase}, sold for {sale.price}; {len(entries.items)} lines in the accounts today")
