// The shop page of a running demonstration in a headless Chromium. OUTSHOP_URL says where it is, CHROMIUM which browser (else
// `chromium` of the PATH). The tests follow one another as a visitor would: what one reserves, the next sees reserved.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { after, before, test } from "node:test";
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

const URL_OF_SHOP = process.env.OUTSHOP_URL?.replace(/\/$/, "");
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
assert.ok(URL_OF_SHOP, "OUTSHOP_URL names a running demonstration");

let browser;
before(async () => {
  const executablePath = process.env.CHROMIUM ?? execFileSync("which", ["chromium"], { encoding: "utf8" }).trim();
  // Root may not have a sandbox, and CI is root.
  browser = await chromium.launch({ executablePath, args: process.getuid() === 0 ? ["--no-sandbox"] : [] });
});
after(() => browser?.close());

/** What the service itself says. */
async function api(path) {
  const answer = await fetch(URL_OF_SHOP + path);
  assert.equal(answer.status, 200, `${path}: ${answer.status}`);
  return answer.json();
}
const listings = async (query = "") => (await api(`/v1/public/listings?limit=200${query}`)).items;
const forSale = async () => (await listings("&availability=for_sale")).map((card) => card.stock_no);

/** A visitor with a window of their own. Fails on anything that the page throws or the content policy stops. */
function visit(name, options, play) {
  if (!play) [options, play] = [{}, options];
  test(name, { timeout: 60_000 }, async () => {
    const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, baseURL: URL_OF_SHOP, ...options });
    const page = await context.newPage();
    page.setDefaultTimeout(10_000);
    const faults = [];
    page.on("pageerror", (fault) => faults.push(fault.message));
    page.on("console", (line) => {
      // A refusal that the page tells in words is also a line of the browser's.
      if (line.type() === "error" && !line.text().startsWith("Failed to load resource")) faults.push(line.text());
    });
    try {
      await play(page);
      assert.deepEqual(faults, []);
    } finally {
      await context.close();
    }
  });
}

/** Text as read, without the joiners that keep sizes on one line. */
const read = async (locator) => (await locator.innerText()).replaceAll("\u2060", "").replaceAll("\u00a0", " ");

async function register(page, address = "/") {
  await page.goto(address);
  await page.locator(".tally:not(:empty)").waitFor();
}
async function engine(page, number) {
  await page.goto(`/?engine=${number}`);
  await page.locator("article.engine").waitFor();
}

/** Waits for the list that follows an act and asks for `q`, shows all its pages, and gives the stock numbers. */
async function numbersAfter(page, act, q) {
  const answered = page.waitForResponse((answer) => {
    const { pathname, searchParams } = new URL(answer.url());
    // While somebody types, the list may be asked for before the word is whole.
    return pathname === "/v1/public/listings" && (q === undefined || (searchParams.get("q") ?? "") === q);
  });
  await act();
  await answered;
  const settled = () => page.locator(".entries:not([aria-busy])").waitFor();
  await settled();
  const more = page.getByRole("button", { name: "Show more engines" });
  for (let pages = 0; pages < 20; pages++) {
    if (!(await more.isVisible())) break;
    const next = page.waitForResponse((answer) => answer.url().includes("cursor="));
    await more.click();
    await next;
    await settled();
  }
  return numbers(page);
}
const numbers = (page) => page.locator(".entries .row a").evaluateAll((links) => links.map((link) => Number(new URL(link.href).searchParams.get("engine"))));

const focused = (page) => page.evaluate(() => document.activeElement.name || document.activeElement.id || document.activeElement.textContent.trim() || document.activeElement.tagName);

/** Tab until `wanted` says yes; what cannot be reached so is out of a keyboard's reach. */
async function tabTo(page, wanted, what) {
  for (let presses = 0; presses < 150; presses++) {
    await page.keyboard.press("Tab");
    if (await page.evaluate(wanted)) return;
  }
  assert.fail(`Tab does not come to ${what}; it stands at ${await focused(page)}`);
}

async function assertNoViolations(page, what) {
  await page.evaluate(axe);
  const { violations, passes } = await page.evaluate(() => axe.run(document));
  assert.ok(passes.length > 20, `${what}: axe looked at the page`);
  const told = violations.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.html.slice(0, 120)).join(" | ")}`);
  assert.deepEqual(told, [], what);
}

visit("the register shows every engine on show, and says how many", async (page) => {
  const expected = (await listings()).map((card) => card.stock_no);
  const shown = await numbersAfter(page, () => register(page));
  assert.deepEqual(shown, expected);
  assert.equal(await read(page.locator(".tally")), `${expected.length} engines of ${expected.length} on show.`);
  const first = await read(page.locator(".row").first());
  const [card] = await listings();
  for (const words of [card.title, card.builder, card.papers.sentences[0]]) assert.ok(first.includes(words), words);
  const [caution] = (await listings()).flatMap((it) => it.papers.cautions);
  assert.equal(await read(page.locator(".entries .cautions")), caution, "once for the list");
  assert.ok(!first.includes(caution), "and not in each row");
});

visit("each filter shows as many engines as it says beforehand", async (page) => {
  await register(page);
  const ticks = page.locator("[data-filter] .tick");
  const n = await ticks.count();
  assert.ok(n >= 15, `${n} choices`);
  for (let i = 0; i < n; i++) {
    const box = ticks.nth(i).getByRole("checkbox");
    const said = Number((await ticks.nth(i).locator(".count").innerText()).match(/\d+$/)[0]);
    const shown = await numbersAfter(page, () => box.check());
    assert.equal(shown.length, said, await read(ticks.nth(i)));
    await numbersAfter(page, () => box.uncheck());
  }
});

visit("filters join: values of one by or, different ones by and; the address keeps them", async (page) => {
  await register(page);
  await numbersAfter(page, () => page.getByRole("checkbox", { name: "Road engine" }).check());
  const both = await numbersAfter(page, () => page.getByRole("checkbox", { name: "Stationary" }).check());
  assert.deepEqual(both, (await listings("&kind=road_engine,stationary")).map((card) => card.stock_no));
  const cheap = await numbersAfter(page, () => page.getByLabel("to", { exact: true }).fill("1000"));
  assert.deepEqual(cheap, (await listings("&kind=road_engine,stationary&asking_price_to=1000")).map((card) => card.stock_no));
  assert.ok(cheap.length > 0 && cheap.length < both.length);
  await register(page, page.url());
  assert.deepEqual(await numbers(page), cheap);
  assert.ok(await page.getByRole("checkbox", { name: "Stationary" }).isChecked());
});

visit("a word with a slip of the pen is found, and an order is kept", async (page) => {
  await register(page);
  const found = await numbersAfter(page, () => page.getByLabel("Find").fill("maroonn"));
  assert.deepEqual(found, (await listings("&q=maroon")).map((card) => card.stock_no));
  assert.equal(found.length, 1);
  await numbersAfter(page, () => page.getByLabel("Find").fill(""));
  const dearest = await numbersAfter(page, () => page.getByLabel("Order").selectOption("-asking_price"));
  assert.deepEqual(dearest, (await listings("&sort=-asking_price")).map((card) => card.stock_no));
});

visit("what a filter cannot take is said in the service's words", async (page) => {
  await register(page);
  await numbersAfter(page, () => page.getByLabel("from", { exact: true }).fill("a lot"));
  const refused = await (await fetch(`${URL_OF_SHOP}/v1/public/listings?asking_price_from=a+lot`)).json();
  assert.equal((await read(page.locator(".tally"))).toLowerCase(), refused.detail.toLowerCase());
});

visit("an engine shows its picture, price, condition, findings, certificates and cautions", async (page) => {
  const open = (await Promise.all((await listings()).map((card) => api(`/v1/public/listings/${card.stock_no}`)))).find((it) => it.findings.length && it.price);
  await engine(page, open.stock_no);
  const text = (await read(page.locator("article"))).toLowerCase();
  const sentences = [open.title, open.description, ...open.papers.sentences, ...open.papers.cautions, ...open.findings.map((it) => it.description)];
  for (const words of sentences) assert.ok(text.includes(words.toLowerCase()), words);
  for (const [area, grade] of Object.entries(open.grades)) {
    assert.equal(await page.getByRole("row", { name: area.replaceAll("_", " ") }).getByRole("cell").innerText(), grade?.replaceAll("_", " ") ?? "not assessed");
  }
  const price = new Intl.NumberFormat("en-GB", { style: "currency", currency: open.currency, maximumFractionDigits: 0 }).format(open.price);
  assert.equal(await page.locator("header .deal b").innerText(), price);

  const picture = page.locator(".pictures img").first();
  assert.match(await picture.getAttribute("alt"), /not a photograph/);
  const widths = (await picture.getAttribute("srcset")).match(/\d+(?=w)/g).map(Number);
  assert.deepEqual(widths, open.photograph.sizes.map((size) => size.width));
  await page.waitForFunction(() => document.querySelector(".pictures img").naturalWidth > 0);

  const data = JSON.parse(await page.locator('script[type="application/ld+json"]').textContent());
  assert.equal(data.sku, String(open.stock_no));
  assert.equal(data["@type"], "Product");
  assert.ok((await page.locator(".similar .row").count()) > 0, "others of its kind");
});

visit("a price on request is said so", async (page) => {
  const secret = (await listings()).find((card) => card.price_on_request);
  await engine(page, secret.stock_no);
  assert.equal(await page.locator("header .deal b").innerText(), "Price on request");
});

visit("an engine that is gone leads back to the others", async (page) => {
  await page.goto("/?engine=999999");
  await page.getByRole("alert").getByRole("link", { name: "All engines on show" }).click();
  await page.locator(".row").first().waitFor();
});

visit("opening and going back keeps filters and the place", async (page) => {
  await register(page, "/?kind=road_engine");
  const last = page.locator(".row a").last();
  const number = (await numbers(page)).at(-1);
  await last.click();
  await page.locator("article.engine").waitFor();
  assert.equal(await page.evaluate(() => document.activeElement.tagName), "H1");
  assert.match(await page.title(), /, Quillow Lane Works$/);
  await page.goBack();
  await page.locator(".register").waitFor();
  await page.waitForFunction((id) => document.activeElement.id === id, `no-${number}`);
  assert.ok(await page.getByRole("checkbox", { name: "Road engine" }).isChecked());
});

visit("a question is sent", async (page) => {
  await engine(page, (await forSale())[0]);
  const form = page.getByRole("form", { name: "Ask about it" });
  await form.getByLabel("Your name").fill("Perpetua Inchmarlow");
  await form.getByLabel("E-mail").fill("perpetua@example.org");
  await form.getByLabel("Your question").fill("May I see her in steam?");
  const answered = page.waitForResponse("**/relay/enquiries");
  await form.getByRole("button").click();
  const answer = await answered;
  assert.equal(answer.status(), 201);
  assert.ok((await answer.request().headerValue("idempotency-key")).length > 20);
  assert.equal((await answer.json()).message, "May I see her in steam?");
  await form.getByText("Thank you.").waitFor();
  assert.equal(await form.getByLabel("Your question").inputValue(), "");
});

visit("a refused form says why at the field", async (page) => {
  await engine(page, (await forSale())[0]);
  const form = page.getByRole("form", { name: "Reserve this engine" });
  const send = async () => {
    const answered = page.waitForResponse("**/relay/reservations");
    await form.getByRole("button").click();
    const answer = await answered;
    await form.locator(".refusal").first().waitFor();
    return [answer.status(), (await answer.json()).errors];
  };
  const toldAt = (field) => field.evaluate((it) => it.getAttribute("aria-invalid") === "true" && document.getElementById(it.getAttribute("aria-describedby")).textContent.toLowerCase());

  const [status, errors] = await send();
  assert.equal(status, 422);
  const name = form.getByLabel("Your name");
  assert.equal(await toldAt(name), errors.find((it) => it.pointer === "/person/name").detail.toLowerCase());
  assert.ok(await name.evaluate((it) => it === document.activeElement), "the first field that is wrong has the focus");

  await name.fill("Perpetua Inchmarlow");
  const [, unreachable] = await send();
  assert.equal(await toldAt(form.getByRole("group")), unreachable.find((it) => it.pointer === "/person").detail.toLowerCase());
  assert.equal(await name.getAttribute("aria-invalid"), null, "a corrected field has no error");

  await form.getByLabel("E-mail").fill("perpetua@example.org");
  await form.getByLabel("For how many hours").fill("2000");
  const [, tooLong] = await send();
  assert.equal(await toldAt(form.getByLabel("For how many hours")), tooLong.find((it) => it.pointer === "/hours").detail.toLowerCase());
  assert.ok((await forSale()).includes(Number(new URL(page.url()).searchParams.get("engine"))), "nothing was reserved");
});

visit("an answer that was lost is asked for again with the same key, another request with another", async (page) => {
  await engine(page, (await forSale())[0]);
  const form = page.getByRole("form", { name: "Ask about it" });
  await form.getByLabel("Your name").fill("Lorcan Abershaw");
  await form.getByLabel("Telephone").fill("01632 960177");
  await form.getByLabel("Your question").fill("Is the tender sprung?");
  const keys = [];
  page.on("request", (request) => request.url().endsWith("/relay/enquiries") && keys.push(request.headers()["idempotency-key"]));
  await page.route("**/relay/enquiries", (route) => route.abort(), { times: 2 });
  for (let tries = 0; tries < 2; tries++) {
    await form.getByRole("button").click();
    await form.locator(".outcome .refusal").waitFor();
  }
  await form.getByLabel("Your question").fill("Is the tender sprung, and braked?");
  await form.getByRole("button").click();
  await form.getByText("Thank you.").waitFor();
  assert.equal(keys.length, 3);
  assert.equal(keys[0], keys[1]);
  assert.notEqual(keys[1], keys[2]);
});

visit("who reserves sees it reserved, there and in the register; the next one may queue", async (page) => {
  const number = (await forSale()).at(-1);
  await engine(page, number);
  assert.equal(await page.locator("header .stamp").innerText(), "For sale");
  const reserve = async (name, email, { queue }) => {
    const form = page.getByRole("form", { name: "Reserve this engine" });
    await form.getByLabel("Your name").fill(name);
    await form.getByLabel("E-mail").fill(email);
    await form.getByLabel("For how many hours").fill("24");
    await form.getByRole("checkbox").setChecked(queue);
    const answered = page.waitForResponse("**/relay/reservations");
    await form.getByRole("button").click();
    return [(await answered).status(), form.locator(".outcome")];
  };
  const [held, outcome] = await reserve("Perpetua Inchmarlow", "perpetua@example.org", { queue: false });
  assert.equal(held, 201);
  await outcome.getByText("It is reserved for you until").waitFor();
  assert.equal(await page.locator("header .stamp").innerText(), "Reserved");

  await page.getByRole("link", { name: "All engines on show" }).click();
  await page.locator(".register").waitFor();
  const shown = await numbersAfter(page, () => page.getByRole("checkbox", { name: "Reserved" }).check());
  assert.ok(shown.includes(number));
  const row = page.locator(".row", { has: page.locator(`#no-${number}`) });
  assert.equal(await row.locator(".stamp").innerText(), "Reserved");
  await row.getByRole("link").click();
  await page.locator("article.engine").waitFor();
  assert.equal(await page.locator("header .stamp").innerText(), "Reserved");

  const [refused, words] = await reserve("Lorcan Abershaw", "lorcan@example.org", { queue: false });
  assert.equal(refused, 409);
  await words.getByText(/reserved until/).waitFor();
  const [queued, place] = await reserve("Lorcan Abershaw", "lorcan@example.org", { queue: true });
  assert.equal(queued, 201);
  await place.getByText("You are number 1 in the queue").waitFor();
});

visit("changes are announced, and nothing that is being filled in is replaced", async (page) => {
  const [number, other] = (await forSale()).slice(-2);
  // Once the page waits, it has skipped all earlier changes.
  const waits = page.waitForRequest((asked) => asked.url().includes("wait=25"));
  await engine(page, number);
  const form = page.getByRole("form", { name: "Ask about it" });
  await form.getByLabel("Your name").fill("Perpetua Inchmarlow");
  const reserve = (stock_no) => fetch(`${URL_OF_SHOP}/relay/reservations`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "Idempotency-Key": crypto.randomUUID(), Origin: URL_OF_SHOP },
    body: JSON.stringify({ stock_no, person: { name: "Lorcan Abershaw", email: "lorcan@example.org" }, hours: 1 }),
  });
  await waits;
  assert.equal((await reserve(other)).status, 201);
  assert.equal((await reserve(number)).status, 201);
  const news = page.getByRole("status").getByText("This has changed since you opened it.");
  await news.waitFor();
  assert.equal(await page.locator("header .stamp").innerText(), "For sale");
  assert.equal(await form.getByLabel("Your name").inputValue(), "Perpetua Inchmarlow");
  await page.getByRole("button", { name: "Show the current version" }).click();
  await page.locator("header .stamp", { hasText: "Reserved" }).waitFor();
  assert.equal(await news.count(), 0);
});

visit("a sold engine has no form to reserve it", async (page) => {
  const sold = (await listings("&availability=sold"))[0];
  await engine(page, sold.stock_no);
  assert.equal(await page.locator("header .stamp").innerText(), "Sold");
  assert.equal(await page.getByRole("form", { name: "Reserve this engine" }).count(), 0);
  assert.equal(await page.getByRole("form", { name: "Ask about it" }).count(), 1);
});

visit("a keyboard does for all of it", async (page) => {
  await register(page);
  await page.keyboard.press("Tab");
  assert.equal(await focused(page), "Skip to the engines");
  await page.keyboard.press("Enter");
  await tabTo(page, () => document.activeElement.name === "q", "the search");
  const found = await numbersAfter(page, () => page.keyboard.type("quarry"), "quarry");
  assert.equal(found.length, 1);
  await page.keyboard.press("Control+A");
  await numbersAfter(page, () => page.keyboard.press("Delete"), "");
  await tabTo(page, () => document.activeElement.value === "for_sale", "the filter for engines that are for sale");
  await numbersAfter(page, () => page.keyboard.press("Space"));
  await tabTo(page, () => document.activeElement.matches(".row a"), "an engine");
  await page.keyboard.press("Enter");
  await page.locator("article.engine").waitFor();
  await page.waitForFunction(() => document.activeElement.tagName === "H1");
  await tabTo(page, () => document.activeElement.matches("[data-relay$=enquiries] [name='/person/name']"), "the name");
  await page.keyboard.type("Lorcan Abershaw");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  assert.equal(await focused(page), "/person/telephone");
  await page.keyboard.type("01632 960177");
  await page.keyboard.press("Tab");
  await page.keyboard.type("Which club tests her?");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Enter");
  await page.getByText("Thank you.").waitFor();
  await page.waitForFunction(() => document.activeElement.matches(".outcome"));
});

visit("more engines are fetched with the focus on the first of them", async (page) => {
  await register(page);
  const before = (await numbers(page)).length;
  await page.getByRole("button", { name: "Show more engines" }).press("Enter");
  await page.waitForFunction((n) => document.activeElement === document.querySelectorAll(".entries .row a")[n], before);
});

for (const width of [320, 360, 768, 1280]) {
  visit(`nothing is wider than a screen of ${width} pixels`, { viewport: { width, height: 700 } }, async (page) => {
    const assertFits = async (what) => assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= width, what);
    await register(page);
    await assertFits("register");
    if (await page.locator("details:not([open]) summary").isVisible()) await page.locator("summary").click();
    await page.locator(".filters").waitFor();
    await assertFits("filters");
    for (const card of await listings()) {
      await engine(page, card.stock_no);
      await assertFits(card.title);
    }
  });
}

for (const colorScheme of ["light", "dark"]) {
  visit(`axe finds nothing: ${colorScheme}`, { colorScheme }, async (page) => {
    await register(page);
    await assertNoViolations(page, "register");
    for (const card of await listings()) {
      await engine(page, card.stock_no);
      await assertNoViolations(page, card.title);
    }
    await engine(page, (await forSale())[0]);
    for (const form of await page.getByRole("form").all()) {
      await form.getByRole("button").click();
      await form.locator(".refusal").first().waitFor();
    }
    await assertNoViolations(page, "refused forms");
    await page.goto("/?engine=999999");
    await page.getByRole("alert").waitFor();
    await assertNoViolations(page, "no such engine");
  });
  visit(`axe finds nothing on a telephone: ${colorScheme}`, { colorScheme, viewport: { width: 360, height: 740 } }, async (page) => {
    await register(page);
    await page.locator("summary").click();
    await assertNoViolations(page, "register with its filters");
    await engine(page, (await forSale())[0]);
    await assertNoViolations(page, "engine");
  });
}

visit("light and dark are two sheets", async (page) => {
  await register(page);
  const ground = () => page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  await page.emulateMedia({ colorScheme: "light" });
  const light = await ground();
  await page.emulateMedia({ colorScheme: "dark" });
  assert.notEqual(await ground(), light);
});

visit("who wants no motion gets none", { reducedMotion: "reduce" }, async (page) => {
  await register(page);
  const moving = () => page.evaluate(() => [...document.querySelectorAll("*")].filter((it) => getComputedStyle(it).transitionDuration !== "0s").length);
  assert.equal(await moving(), 0);
  await page.emulateMedia({ reducedMotion: "no-preference" });
  assert.ok((await moving()) > 0, "the test sees motion where there is some");
});

visit("without JavaScript the firm still says who it is", { javaScriptEnabled: false }, async (page) => {
  await page.goto("/");
  assert.match(await page.locator("noscript p").innerText(), /Quillow Lane Works.*needs JavaScript/);
});
