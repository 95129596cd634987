// One whole trade with the TypeScript client that is generated from openapi.json: every path, parameter and body is checked by the
// compiler. OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of a demonstration) say where.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import createClient from "openapi-fetch";
import type { paths } from "./made/outshop.js";

const baseUrl = process.env.OUTSHOP_URL ?? "http://127.0.0.1:8417";
const keys: Record<string, string> = JSON.parse(readFileSync(process.env.OUTSHOP_KEYS ?? "outshop-data/keys.json", "utf8"));

function as(role?: string) {
  const headers: Record<string, string> = role ? { Authorization: `Bearer ${keys[role]}` } : {};
  const client = createClient<paths>({ baseUrl, headers });
  // A value of its own for every act: sent again after a broken line, it is answered and not done twice.
  client.use({
    onRequest({ request }) {
      if (request.method === "POST") request.headers.set("Idempotency-Key", crypto.randomUUID());
      return request;
    },
  });
  return client;
}
const [visitor, website, proprietor, bookkeeper, fitter, seller] = [as(), as("website"), as("proprietor"), as("bookkeeper"), as("fitter"), as("seller")];

/** What moves money or an engine cannot be asked for without one; the compiler knows. */
const once = () => ({ header: { "Idempotency-Key": crypto.randomUUID() } });

/** The answer, or the problem as an error. */
async function got<T>(asked: Promise<{ data?: T; error?: unknown; response: Response }>): Promise<T> {
  const { data, error, response } = await asked;
  if (data === undefined) throw new Error(`${response.status} ${response.url} ${JSON.stringify(error)}`);
  return data;
}
const day = (before = 0) => new Date(Date.now() - before * 86_400_000).toISOString().slice(0, 10);
const [today, yesterday] = [day(), day(1)];

// Bought in, with its boiler.
const owner = await got(seller.POST("/v1/persons", { body: { name: "Ebba Quarrimond", email: "ebba@example.org" } }));
const { stock_no } = await got(bookkeeper.POST("/v1/acquisitions", {
  params: once(),
  body: {
    method: "bought", on: yesterday, price: "3100.00", person_id: owner.id, tax_position: "margin_scheme",
    engine: {
      kind: "locomotive", name: "Fernhollow", builder_standing: "amateur", gauge: { value: "5", unit: "in" }, whyte: "0-4-0",
      cylinders: 2, weight: { value: "86", unit: "lb" }, fuel: "coal", working_order: "in_running_order", asbestos_suspected: false,
    },
  },
}));
assert.ok(stock_no);
const engine = { path: { stock_no } };
const boiler = await got(fitter.POST("/v1/boilers", {
  body: {
    number: `FH ${stock_no}`, material: "copper", working_pressure: { value: "80", unit: "psi" }, volume: { value: "4.5", unit: "L" },
    first_service_on: "1998-05-01", first_marketed_on: "1998-05-01", has_gas_tank: false,
  },
}));
const of_boiler = { path: { id: boiler.id } };
await got(fitter.POST("/v1/boilers/{id}/installations", { params: of_boiler, body: { stock_no, installed_on: yesterday } }));

// Mended, proved, surveyed.
const job = await got(fitter.POST("/v1/engines/{stock_no}/jobs", {
  params: engine, body: { title: "Lubricator ratchet", touches: ["motion"], hours_agreed: "2", proposed_on: yesterday },
}));
const of_job = { path: { id: job.id } };
for (const to of ["agreed", "started"] as const) await got(fitter.POST("/v1/jobs/{id}/transitions", { params: of_job, body: { to, on: yesterday } }));
await got(fitter.POST("/v1/jobs/{id}/hours", { params: of_job, body: { on: yesterday, fitter: "Edda Morlock", hours: "1.75" } }));
const finished = await got(fitter.POST("/v1/jobs/{id}/transitions", { params: of_job, body: { to: "finished", on: yesterday } }));
assert.equal(finished.hours_booked, "1.75");
const by = { passed: true, boiler_number: `FH ${stock_no}`, inspector: "Ivo Pellasick", inspector_interest: false };
await got(fitter.POST("/v1/boilers/{id}/tests", {
  params: of_boiler, body: { test: "hydraulic_repeat", on: today, at: "09:30", pressure: { value: "120", unit: "psi" }, hold_minutes: 30, ...by },
}));
await got(fitter.POST("/v1/boilers/{id}/tests", {
  params: of_boiler, body: { test: "steam", on: today, at: "14:00", highest_pressure: { value: "84", unit: "psi" }, ...by },
}));
const survey = await got(fitter.POST("/v1/engines/{stock_no}/surveys", {
  params: engine, body: { on: today, surveyor: "Edda Morlock", build_quality: "sound", grades: { boiler: "good", motion: "fair", completeness: "good" } },
}));
assert.equal(survey.findings.length, 0);

// Valued, priced, photographed, shown.
const valuation = await got(seller.POST("/v1/engines/{stock_no}/valuations", { params: engine, body: {} }));
assert.ok(Number(valuation.low) < Number(valuation.likely) && Number(valuation.likely) < Number(valuation.high));
await got(seller.POST("/v1/engines/{stock_no}/asking-prices", { params: engine, body: { price: "4400.00", valuation_id: valuation.id } }));
const picture = new FormData();
picture.append("photograph", new Blob([readFileSync(process.env.PICTURE ?? "demo-data/pictures/06.png")], { type: "image/png" }), "side.png");
picture.append("alt", "Fernhollow from the left, a drawing");
picture.append("public", "true");
await got(seller.POST("/v1/engines/{stock_no}/photographs", {
  params: engine, body: { photograph: "" }, bodySerializer: () => picture,
}));
await got(seller.POST("/v1/engines/{stock_no}/listing", {
  params: engine, body: { title: "Fernhollow, a 5 in gauge 0-4-0", description: "A yard engine of modest needs, with a water gauge that can be read." },
}));
await got(seller.POST("/v1/engines/{stock_no}/listing/publications", { params: engine, body: {} }));

// Found by a visitor, within the second that the journal takes.
async function found() {
  const list = await got(visitor.GET("/v1/public/listings", { params: { query: { q: "fernhollow", gauge_mm: ["127"], sort: "-asking_price" } } }));
  return list.items.find((card) => card.stock_no === stock_no);
}
let card = await found();
for (let tries = 0; !card && tries < 20; tries++) {
  await new Promise((resolve) => setTimeout(resolve, 100));
  card = await found();
}
assert.equal(card?.price, "4400.00");
assert.ok(card?.photograph?.sizes.length === 4 && card.papers.sentences.length > 0);

// Asked about and held, as a shop site does for its visitor.
const person = { name: "Lorcan Abershaw", email: "lorcan@example.org" };
await got(website.POST("/v1/enquiries", { body: { stock_no, person, message: "Which club tested her?" } }));
const reservation = await got(website.POST("/v1/reservations", { params: once(), body: { stock_no, person } }));
const seen = await got(visitor.GET("/v1/public/listings/{stock_no}", { params: engine }));
assert.ok("availability" in seen && ["for_sale", "reserved"].includes(seen.availability));

// Refusals are typed too.
const nonsense = await seller.PATCH("/v1/engines/{stock_no}/listing", {
  params: { ...engine, header: { "If-Match": '"another"' } }, body: { price_on_request: true },
  headers: { "Content-Type": "application/merge-patch+json" },
});
assert.equal(nonsense.response.status, 412);
assert.equal(nonsense.error?.type, "/problems/precondition_failed");
const invalid = await seller.POST("/v1/engines/{stock_no}/asking-prices", { params: engine, body: { price: "-1.00" } });
assert.equal(invalid.response.status, 422);
assert.equal(invalid.error?.errors?.[0]?.pointer, "/price");
const hidden = await website.GET("/v1/engines/{stock_no}/margins", { params: engine });
assert.equal(hidden.response.status, 403);

// Sold, paid, made ready, away.
const buyer = await got(seller.GET("/v1/reservations/{id}", { params: { path: { id: reservation.id } } }));
const sale = await got(seller.POST("/v1/engines/{stock_no}/sales", { params: { ...engine, ...once() }, body: { on: today, price: "4350.00", person_id: buyer.person_id } }));
await got(seller.POST("/v1/sales/{id}/payments", { params: { path: { id: sale.id }, ...once() }, body: { on: today, amount: "4350.00", method: "transfer" } }));
const gate = async () => got(seller.GET("/v1/engines/{stock_no}/readiness", { params: { ...engine, query: { gate: "deliver", on: today } } }));
for (const item of ["drained", "spares_packed", "papers_packed"] as const) {
  await got(fitter.POST("/v1/engines/{stock_no}/checklist-ticks", { params: engine, body: { item, on: today } }));
}
const asked = await got(seller.GET("/v1/sales/{id}/despatch-checklist", { params: { path: { id: sale.id } } }));
for (const item of asked.items.filter((it) => it.done === null && it.shuts_gate)) console.log(`  still to be made ready: ${JSON.stringify(item)}`);
const unmet = (await gate()).checks.filter((check) => check.outcome === "unmet");
assert.deepEqual(unmet.map((check) => check.reason), []);
await got(seller.POST("/v1/engines/{stock_no}/deliveries", { params: { ...engine, ...once() }, body: { on: today, method: "collection", handed_to: person.name } }));

// In the books.
const money = await got(bookkeeper.GET("/v1/engines/{stock_no}/margins", { params: engine }));
const book = await got(bookkeeper.GET("/v1/stock-book", { params: { query: { from: today, to: today } } }));
const journal = await got(proprietor.GET("/v1/journal", { params: { query: { limit: 200 } } }));
console.log(`TypeScript: engine ${stock_no} bought for ${money.purchase}, sold for ${sale.price}; ${book.items.length} lines in the stock book today, ${journal.items.length} entries of the journal read`);
