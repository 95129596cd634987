// The trade of trade.ts with the TypeScript client that @hey-api/openapi-ts generates: a function for each operation.
// OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of a demonstration) say where.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { createClient } from "./made/hey/client/index.js";
import * as outshop from "./made/hey/index.js";

const keys: Record<string, string> = JSON.parse(readFileSync(process.env.OUTSHOP_KEYS ?? "outshop-data/keys.json", "utf8"));
const as = (role: string) => ({ client: createClient({ baseUrl: process.env.OUTSHOP_URL ?? "http://127.0.0.1:8417", auth: keys[role] }) });
const [visitor, website, bookkeeper, fitter, seller] = [as("none"), as("website"), as("bookkeeper"), as("fitter"), as("seller")];

/** Its own value for every act that moves money or an engine. */
const once = () => ({ headers: { "Idempotency-Key": crypto.randomUUID() } });

/** The answer, or the problem as an error. */
async function got<T>(asked: Promise<{ data: T | undefined; error: unknown; response?: Response }>): Promise<NonNullable<T>> {
  const { data, error, response } = await asked;
  if (data === undefined || data === null) throw new Error(`${response?.status} ${response?.url} ${JSON.stringify(error)}`);
  return data;
}
const day = (before = 0) => new Date(Date.now() - before * 86_400_000).toISOString().slice(0, 10);
const [today, yesterday] = [day(), day(1)];

// Bought in, with its boiler.
const owner = await got(outshop.createPerson({ ...seller, body: { name: "Ebba Quarrimond", email: "ebba@example.org" } }));
const { stock_no } = await got(outshop.createAcquisition({ ...bookkeeper, ...once(), body: {
  method: "bought", on: yesterday, price: "2200.00", person_id: owner.id, tax_position: "margin_scheme",
  engine: {
    kind: "locomotive", name: "Thornlow", builder_standing: "amateur", gauge: { value: "3.5", unit: "in" }, whyte: "0-4-0",
    cylinders: 2, weight: { value: "28", unit: "lb" }, fuel: "coal", working_order: "in_running_order", asbestos_suspected: false,
  },
} }));
assert.ok(stock_no);
const path = { stock_no };
const boiler = await got(outshop.createBoiler({ ...fitter, body: {
  number: `TH ${stock_no}`, material: "copper", working_pressure: { value: "80", unit: "psi" }, volume: { value: "2.5", unit: "L" },
  first_service_on: "1998-05-01", first_marketed_on: "1998-05-01", has_gas_tank: false,
} }));
const of_boiler = { path: { id: boiler.id } };
await got(outshop.createInstallation({ ...fitter, ...of_boiler, body: { stock_no, installed_on: yesterday } }));

// Mended, proved, surveyed.
const job = await got(outshop.createJob({ ...fitter, path, body: { title: "Lubricator ratchet", touches: ["motion"], hours_agreed: "2", proposed_on: yesterday } }));
const of_job = { path: { id: job.id } };
for (const to of ["agreed", "started"] as const) await got(outshop.createJobTransition({ ...fitter, ...of_job, body: { to, on: yesterday } }));
await got(outshop.recordHours({ ...fitter, ...of_job, body: { on: yesterday, fitter: "Edda Morlock", hours: "1.75" } }));
const finished = await got(outshop.createJobTransition({ ...fitter, ...of_job, body: { to: "finished", on: yesterday } }));
assert.equal(finished.hours_booked, "1.75");
const by = { on: today, passed: true, boiler_number: `TH ${stock_no}`, inspector: "Ivo Pellasick", inspector_interest: false };
await got(outshop.createTest({ ...fitter, ...of_boiler, body: { test: "hydraulic_repeat", at: "09:30", pressure: { value: "120", unit: "psi" }, hold_minutes: 30, ...by } }));
await got(outshop.createTest({ ...fitter, ...of_boiler, body: { test: "steam", at: "14:00", highest_pressure: { value: "84", unit: "psi" }, ...by } }));
await got(outshop.createSurvey({ ...fitter, path, body: {
  on: today, surveyor: "Edda Morlock", build_quality: "sound", grades: { boiler: "good", motion: "fair", completeness: "good" },
} }));

// Valued, priced, photographed, shown. The photograph is sent as a plain file and described afterwards.
const valuation = await got(outshop.createValuation({ ...seller, path, body: {} }));
assert.ok(Number(valuation.low) < Number(valuation.likely) && Number(valuation.likely) < Number(valuation.high));
await got(outshop.createAskingPrice({ ...seller, path, body: { price: "3300.00", valuation_id: valuation.id } }));
const picture = new Blob([readFileSync(process.env.PICTURE ?? "demo-data/pictures/06.png")]);
const added = await outshop.addPhotograph({ ...seller, path, body: picture, bodySerializer: null, headers: { "Content-Type": "image/png" } });
assert.ok(added.data, JSON.stringify(added.error));
await got(outshop.changePhotograph({ ...seller, path: { id: added.data.id }, headers: { "If-Match": added.response.headers.get("ETag") ?? "" }, body: {
  alt: "Thornlow from the left, a drawing", public: true,
} }));
await got(outshop.createListing({ ...seller, path, body: { title: "Thornlow, a 3 1/2 in gauge 0-4-0", description: "A small engine that runs well." } }));
await got(outshop.publishListing({ ...seller, path, body: {} }));

// Found by a visitor, within the second that the journal takes; asked about and held, as a shop site does for its visitor.
const found = async () => (await got(outshop.listPublicListings({ ...visitor, query: { q: "thornlow", sort: "-asking_price" } }))).items.find((it) => it.stock_no === stock_no);
let card = await found();
for (let tries = 0; !card && tries < 20; tries++) {
  await new Promise((resolve) => setTimeout(resolve, 100));
  card = await found();
}
assert.equal(card?.price, "3300.00");
const person = { name: "Lorcan Abershaw", email: "lorcan@example.org" };
await got(outshop.createEnquiry({ ...website, body: { stock_no, person, message: "Which club tested her?" } }));
const reservation = await got(outshop.createReservation({ ...website, ...once(), body: { stock_no, person } }));

// Refusals are typed too.
const invalid = await outshop.createAskingPrice({ ...seller, path, body: { price: "-1.00" } });
assert.equal(invalid.response?.status, 422);
assert.equal(invalid.error?.errors?.[0]?.pointer, "/price");

// Sold, paid, made ready, away.
const buyer = await got(outshop.getReservation({ ...seller, path: { id: reservation.id } }));
const sale = await got(outshop.recordSale({ ...seller, ...once(), path, body: { on: today, price: "3250.00", person_id: buyer.person_id } }));
await got(outshop.recordPayment({ ...seller, ...once(), path: { id: sale.id }, body: { on: today, amount: "3250.00", method: "transfer" } }));
for (const item of ["drained", "spares_packed", "papers_packed"] as const) {
  await got(outshop.recordChecklistTick({ ...fitter, path, body: { item, on: today } }));
}
const gate = await got(outshop.getReadiness({ ...seller, path, query: { gate: "deliver", on: today } }));
assert.deepEqual(gate.checks.filter((check) => check.outcome === "unmet").map((check) => check.reason), []);
await got(outshop.recordDelivery({ ...seller, ...once(), path, body: { on: today, method: "collection", handed_to: person.name } }));

// In the books.
const money = await got(outshop.getMargins({ ...bookkeeper, path }));
console.log(`TypeScript, a function for each operation: engine ${stock_no} bought for ${money.purchase}, sold for ${sale.price}`);
