// A shop page that uses only the public interface: `GET /v1/public/..` needs no key. Requests that need one go through the
// site's own server, which keeps the key (`POST /relay/enquiries`, `POST /relay/reservations`).
//
// The address selects the view: `/?kind=locomotive&q=saddle` is the list, with the parameters of `/v1/public/listings`;
// `/?engine=12` is one engine.

const sheet = document.querySelector("#sheet");
const FIRM = document.title;
const ROWS = 12;

// The interface

class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? "We cannot be reached just now. Please try again.");
    this.problem = problem;
  }
}

/** Returns the response as JSON; throws the problem document (RFC 9457) of a response that is not a success. */
async function ask(path, options = {}) {
  // Revalidate each time: the page stays current, and an unchanged response costs only a 304.
  const answer = await fetch(path, { cache: "no-cache", ...options }).catch((lost) => {
    throw lost.name === "AbortError" ? lost : new Refused({});
  });
  const body = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(body);
  return body;
}

// Words. The interface may add enum values, so a value that this page does not know is still readable.

const plain = (word) => word.replaceAll("_", " ");
const capital = (text) => text[0].toUpperCase() + text.slice(1);
const quantity = (it) => it && `${it.value} ${it.unit}`;
const day = (iso) => new Intl.DateTimeFormat("en-GB", { dateStyle: "long", timeZone: "UTC" }).format(new Date(iso));
const moment = (iso) => new Intl.DateTimeFormat("en-GB", { dateStyle: "long", timeStyle: "short" }).format(new Date(iso));
/** Keeps wheel arrangements and sizes on one line. */
const unbroken = (text) => text.replace(/(?<=\d)-(?=\d)/g, "-\u2060").replace(/(?<=\d) (?=\d|in\b)/g, "\u00a0");
const engines = (n) => (n === 1 ? "1 engine" : `${n} engines`);

function price({ price, price_on_request, currency }) {
  if (price === null) return price_on_request ? "Price on request" : "No price yet";
  return new Intl.NumberFormat("en-GB", { style: "currency", currency, trailingZeroDisplay: "stripIfInteger" }).format(price);
}

/** The counts give gauges in millimetres; the trade uses inches and sixteenths. */
function inches(mm) {
  const sixteenths = Math.round((mm / 25.4) * 16);
  if (Math.abs((sixteenths / 16) * 25.4 - mm) > 0.01) return `${mm} mm`;
  let [top, below] = [sixteenths % 16, 16];
  while (top && top % 2 === 0) [top, below] = [top / 2, below / 2];
  return [Math.floor(sixteenths / 16) || "", top ? `${top}/${below}` : ""].filter(Boolean).join(" ") + " in";
}

const SEVERITY = { note: "for information", stops_steaming: "not to be steamed until rectified", stops_sale: "not to be sold until rectified" };

// Elements

/** Inserts text as text, never as markup: no text of a listing or a problem is trusted as HTML. */
function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === true) element.setAttribute(name, "");
    else if (value !== false && value != null) element.setAttribute(name, value);
  }
  element.append(...children.flat().filter((child) => child != null));
  return element;
}

const fromTemplate = (id) => document.querySelector(`#${id}`).content.firstElementChild.cloneNode(true);

/** The service lists the widths; the browser chooses one. */
function picture(photograph, sizes, attributes = {}) {
  if (!photograph) return make("span", { class: "plate none" }, "No picture yet");
  const { width, height, url } = photograph.sizes.at(-1);
  const srcset = photograph.sizes.map((size) => `${size.url} ${size.width}w`).join(", ");
  return make("img", { class: "plate", alt: photograph.alt, sizes, srcset, src: url, width, height, ...attributes });
}

const stamp = ({ availability }) => make("span", { class: "stamp", "data-status": availability }, capital(plain(availability)));

function row(card) {
  const link = make("a", { href: `?engine=${card.stock_no}`, id: `no-${card.stock_no}` }, unbroken(card.title));
  return make("li", { class: "row" },
    make("span", { class: "number" }, make("abbr", { title: "stock number" }, "No."), ` ${card.stock_no}`),
    // The title beside the picture names the engine, so the picture needs no alternative text.
    picture(card.photograph, "(max-width: 44rem) 92vw, 20rem", { loading: "lazy", alt: "" }),
    make("div", { class: "about" },
      make("h2", {}, link),
      make("p", { class: "maker" }, [card.builder && `Built by ${card.builder}`, card.built_year, card.build_quality && `${plain(card.build_quality)} work`].filter(Boolean).join(", ")),
      card.papers && make("p", { class: "papers" }, card.papers.sentences[0])),
    make("div", { class: "deal" }, make("b", {}, price(card)), stamp(card)));
}

// The list

let leaving = new AbortController(); // aborts requests of the view that is being left
let lastRegister = "/";

/** For each filter its values, their labels and how many engines have them. */
function choices(counts) {
  const of = (values, words = plain) => values.map((it) => [it.value, words(it.value), it.for_sale + it.reserved + it.sold]);
  const summed = (name, words) => {
    const sums = new Map();
    for (const it of counts.items.filter((it) => it[name] !== null)) sums.set(it[name], (sums.get(it[name]) ?? 0) + it.for_sale + it.reserved + it.sold);
    return [...sums].map(([value, n]) => [value, words(value), n]);
  };
  const standing = ["for_sale", "reserved", "sold"].map((value) => [value, plain(value), counts.items.reduce((sum, it) => sum + it[value], 0)]);
  return { availability: standing, kind: summed("kind", plain), gauge_mm: summed("gauge_mm", inches), scale: of(counts.scale), whyte: of(counts.whyte), fuel: of(counts.fuel) };
}

function fillFilters(form, counts, query) {
  for (const [name, values] of Object.entries(choices(counts))) {
    const chosen = (query.get(name) ?? "").split(",");
    const group = form.querySelector(`[data-filter="${name}"]`);
    group.hidden = values.length === 0;
    for (const [value, words, n] of values) {
      const box = make("input", { type: "checkbox", name, value, checked: chosen.includes(value) });
      group.append(make("label", { class: "tick" }, box, make("span", {}, capital(words)), make("span", { class: "count" }, make("span", { class: "unseen" }, "on show: "), `${n}`)));
    }
  }
  for (const field of form.querySelectorAll("input:not([type=checkbox]), select")) field.value = query.get(field.name) ?? "";
}

/** One parameter per filter; several values are separated by commas. */
function queryOf(form) {
  const query = new URLSearchParams();
  for (const name of new Set([...form.elements].map((field) => field.name).filter(Boolean))) {
    const value = new FormData(form).getAll(name).join(",").trim();
    if (value) query.set(name, value);
  }
  return query;
}

async function showRegister(query) {
  const signal = leaving.signal;
  lastRegister = location.search || "/";
  const counts = await ask("/v1/public/counts", { signal });
  const view = fromTemplate("register-view");
  const [form, entries, tally, rows, more, cautions] = ["form", ".entries", ".tally", ".rows", ".more button", ".cautions"].map((part) => view.querySelector(part));
  const onShow = choices(counts).availability.reduce((sum, [, , n]) => sum + n, 0);
  const narrow = matchMedia("(max-width: 64rem)");
  form.querySelector("details").open = !narrow.matches;
  fillFilters(form, counts, query);

  let asked = new AbortController();
  async function load(path, { first }) {
    asked.abort();
    asked = new AbortController();
    const { signal: newer } = asked;
    entries.setAttribute("aria-busy", "true");
    more.disabled = first; // "more" would continue the list that is being replaced
    try {
      const page = await ask(path, { signal: AbortSignal.any([signal, newer]) });
      const fresh = page.items.map(row);
      if (first) rows.replaceChildren(...fresh);
      else rows.append(...fresh);
      more.hidden = !page.next;
      // Once for the whole list; the page of each engine has all of its cautions.
      const caution = page.items.flatMap((card) => card.papers?.cautions ?? [])[0];
      if (caution) cautions.textContent = caution;
      cautions.hidden = !cautions.textContent;
      more.onclick = () => load(page.next, { first: false });
      const shown = rows.children.length;
      tally.textContent = page.next ? `The first ${shown} engines; ${onShow} are on show.` : `${capital(engines(shown))} of ${onShow} on show.`;
      if (!first) fresh[0]?.querySelector("a").focus();
    } catch (refused) {
      if (refused.name === "AbortError") return;
      tally.textContent = capital(refused.message);
      rows.replaceChildren();
      more.hidden = true;
    } finally {
      if (!newer.aborted) {
        entries.removeAttribute("aria-busy");
        more.disabled = false;
      }
    }
  }
  const loadFirst = (wanted) => load(`/v1/public/listings?${new URLSearchParams([...wanted, ["limit", ROWS]])}`, { first: true });

  let typing;
  form.addEventListener("input", () => {
    clearTimeout(typing);
    typing = setTimeout(() => {
      const wanted = queryOf(form);
      lastRegister = wanted.size ? `?${wanted}` : "/";
      history.replaceState(null, "", lastRegister);
      shownSearch = location.search;
      loadFirst(wanted);
    }, 200);
  });
  form.addEventListener("submit", (event) => event.preventDefault());

  await loadFirst(query);
  if (!signal.aborted) {
    document.title = `Engines on show, ${FIRM}`;
    sheet.replaceChildren(view);
  }
}

// One engine

function facts(engine) {
  const yes = (is, words) => (is ? words : null);
  const builder = engine.builder && [engine.builder, engine.builder_standing && `(${plain(engine.builder_standing)})`].filter(Boolean).join(" ");
  const size = [["long", engine.length], ["wide", engine.width], ["high", engine.height]].filter(([, it]) => it).map(([along, it]) => `${quantity(it)} ${along}`).join(", ");
  const known = {
    Kind: plain(engine.kind), Gauge: engine.gauge && `${quantity(engine.gauge)} (${engine.gauge.mm} mm)`, Scale: engine.scale, "Wheel arrangement": engine.whyte,
    Design: engine.design, Designer: engine.designer, Prototype: engine.prototype, Builder: builder, Built: engine.built_year,
    "Build quality": engine.build_quality && plain(engine.build_quality), "Working order": engine.working_order && plain(engine.working_order), Fuel: engine.fuel && plain(engine.fuel),
    Weight: engine.weight && `${quantity(engine.weight)} (${Math.round(engine.weight.kg)} kg)`, Size: size, Included: engine.included_items.map(plain).join(", "),
    Medals: engine.medals, Record: yes(engine.full_record, "drawings, bills and tests since it was built"), "On show since": day(engine.on_show_since),
  };
  const lines = Object.entries(known).filter(([, value]) => value);
  return make("dl", { class: "facts" }, lines.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, capital(`${value}`)))));
}

function condition(engine) {
  const lines = Object.entries(engine.grades ?? {}).map(([area, grade]) => make("tr", {},
    make("th", { scope: "row" }, capital(plain(area))),
    make("td", { "data-grade": grade ?? "unknown" }, grade ? plain(grade) : "not assessed")));
  const findings = engine.findings.map((it) => make("li", { class: it.cleared_on ? "cleared" : "open" },
    make("b", {}, capital(it.description)),
    ` ${capital(plain(it.area))}; ${SEVERITY[it.severity] ?? plain(it.severity)}. Found on ${day(it.found_on)}, ${it.cleared_on ? `rectified on ${day(it.cleared_on)}` : "outstanding"}.`));
  return make("section", { class: "condition", "aria-labelledby": "condition-title" },
    make("h2", { id: "condition-title" }, "Condition"),
    lines.length ? make("table", {}, make("caption", {}, engine.graded_on ? `As graded in our survey on ${day(engine.graded_on)}` : "As graded in our survey"), make("tbody", {}, lines)) : make("p", {}, "It has not been graded yet."),
    make("h3", {}, "Findings"),
    findings.length ? make("ul", { class: "findings" }, findings) : make("p", {}, "None are published. Ask us for the survey."));
}

function papers({ papers }) {
  if (!papers) return null;
  return make("section", { class: "boiler", "aria-labelledby": "papers-title" },
    make("h2", { id: "papers-title" }, "Boiler test record"),
    papers.sentences.map((sentence) => make("p", { class: "description" }, sentence)),
    papers.cautions.length ? make("h3", {}, "Cautions") : null,
    make("ul", { class: "cautions" }, papers.cautions.map((sentence) => make("li", {}, sentence))));
}

const OFFERED = { without_papers: "Offered without boiler certificates.", for_restoration: "Offered for restoration, without boiler certificates." };

async function showEngine(number) {
  const signal = leaving.signal;
  const path = `/v1/public/listings/${encodeURIComponent(number)}`;
  const [engine, similar, product] = await Promise.all([
    ask(path, { signal }),
    ask(`${path}/similar`, { signal }),
    ask(path, { signal, headers: { Accept: "application/ld+json" } }),
  ]);
  const title = make("h1", { tabindex: "-1" }, unbroken(engine.title));
  const [main, ...others] = engine.photographs;
  const deal = make("p", { class: "deal" }, make("b", {}, price(engine)), stamp(engine));
  const view = make("article", { class: "engine" },
    make("p", { class: "back" }, make("a", { href: lastRegister }, "All engines on show")),
    make("header", {}, make("p", { class: "number" }, make("abbr", { title: "stock number" }, "No."), ` ${engine.stock_no}`), title, deal),
    make("figure", { class: "pictures" }, picture(main, "(max-width: 76rem) 94vw, 72rem"), others.map((it) => picture(it, "(max-width: 44rem) 94vw, 24rem", { loading: "lazy" }))),
    make("div", { class: "lead" }, OFFERED[engine.offered_as] && make("p", { class: "notice" }, OFFERED[engine.offered_as]), make("p", {}, engine.description),
      engine.translations.map((it) => make("p", { lang: it.language }, it.description))),
    facts(engine), condition(engine), papers(engine),
    make("section", { class: "forms" }, forms(engine, deal)),
    similar.items.length ? make("section", { class: "similar", "aria-labelledby": "similar-title" }, make("h2", { id: "similar-title" }, "Similar engines"), make("ol", { class: "rows" }, similar.items.slice(0, 3).map(row))) : null);
  for (const heading of view.querySelectorAll(".similar .row h2")) heading.replaceWith(make("h3", {}, ...heading.childNodes));
  // schema.org data for machines, as the service gives it. The content policy allows inline data.
  const data = make("script", { type: "application/ld+json" }, JSON.stringify(product));
  document.title = `${engine.title}, ${FIRM}`;
  sheet.replaceChildren(view, data);
  return title;
}

// Forms. A field's name is the JSON pointer of its member, so the page needs no mapping between them.

function forms(engine, deal) {
  if (engine.availability === "sold") return [make("p", {}, `Sold${engine.sold_on ? ` on ${day(engine.sold_on)}` : ""}. It stays here for a while so that you can see its price and similar engines.`), form("enquiry-form", engine, () => "Thank you. We will answer as soon as we can.")];
  const enquiry = form("enquiry-form", engine, () => "Thank you. We have your question and will answer it.");
  const reservation = form("reservation-form", engine, async (held) => {
    if (held.status === "queued") return `You are number ${held.place_in_queue} in the queue. We will let you know when it is your turn.`;
    deal.querySelector(".stamp").replaceWith(stamp({ availability: "reserved" }));
    return `It is reserved for you until ${moment(held.until_at)}.`;
  });
  reservation.elements["/join_queue"].checked = engine.availability === "reserved";
  return [enquiry, reservation];
}

function form(template, engine, thanks) {
  const form = fromTemplate(template);
  const outcome = form.querySelector(".outcome");
  let sent = {}; // the body and its key: a retry after a lost response is the same request, not a second one
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    for (const refusal of form.querySelectorAll(".refusal")) refusal.remove();
    for (const field of form.querySelectorAll("[aria-invalid]")) ["aria-invalid", "aria-describedby"].forEach((name) => field.removeAttribute(name));
    const body = JSON.stringify(bodyOf(form, engine.stock_no));
    if (sent.body !== body) sent = { body, key: [...crypto.getRandomValues(new Uint32Array(4))].map((n) => n.toString(16)).join("-") };
    const button = form.querySelector("button");
    button.disabled = true;
    outcome.textContent = "Sending";
    Object.assign(own, { number: engine.stock_no, until: Date.now() + 10_000 });
    try {
      const answer = await ask(form.dataset.relay, { method: "POST", body, headers: { "Content-Type": "application/json", "Idempotency-Key": sent.key } });
      outcome.textContent = await thanks(answer);
      form.reset();
      sent = {};
      outcome.focus();
    } catch (refused) {
      outcome.textContent = "";
      showRefusal(form, outcome, refused);
    } finally {
      button.disabled = false;
    }
  });
  return form;
}

/** Omits empty optional fields. An empty required field is sent empty, and the service says what is wrong. */
function bodyOf(form, stock_no) {
  const body = { stock_no };
  for (const field of form.querySelectorAll("input, textarea")) {
    const value = field.type === "checkbox" ? field.checked : field.type === "number" && field.value ? field.valueAsNumber : field.value.trim();
    if (value === "" && !field.required) continue;
    const path = field.name.slice(1).split("/");
    const last = path.pop();
    path.reduce((object, member) => (object[member] ??= {}), body)[last] = value;
  }
  return body;
}

/** Shows each error beside its field and the others at the outcome, then moves the focus to the first one. */
function showRefusal(form, outcome, { message, problem }) {
  const errors = problem.errors ?? [];
  const named = errors.map(({ pointer, detail }) => ({ field: form.elements[pointer], detail }));
  for (const [i, { field, detail }] of named.entries()) {
    if (!field) continue;
    const id = `refusal-${form.dataset.relay.split("/").pop()}-${i}`;
    const refusal = make("span", { class: "refusal", id }, capital(detail));
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", id);
    if (field.matches("fieldset")) field.append(refusal);
    else field.after(refusal);
  }
  const unplaced = errors.length ? named.filter(({ field }) => !field).map(({ detail }) => detail) : [message];
  outcome.append(...unplaced.map((detail) => make("span", { class: "refusal" }, capital(detail))));
  const first = named.find(({ field }) => field)?.field ?? outcome;
  (first.matches("fieldset") ? first.querySelector("input") : first).focus();
}

// From address to view

let shownSearch;

async function show({ moveFocus }) {
  shownSearch = location.search;
  leaving.abort();
  leaving = new AbortController();
  document.querySelector("#news").replaceChildren();
  const { signal } = leaving;
  const query = new URLSearchParams(location.search);
  const cameFrom = sheet.querySelector(".engine .number")?.textContent.match(/\d+/)?.[0];
  sheet.setAttribute("aria-busy", "true");
  try {
    let target = sheet;
    if (query.has("engine")) target = await showEngine(query.get("engine"));
    else {
      await showRegister(query);
      target = document.querySelector(`#no-${cameFrom}`) ?? sheet;
    }
    if (moveFocus && !signal.aborted) {
      if (query.has("engine")) scrollTo(0, 0);
      target.focus({ preventScroll: query.has("engine") });
    }
  } catch (refused) {
    if (refused.name === "AbortError") return;
    sheet.replaceChildren(make("div", { class: "refused", role: "alert" }, make("h1", {}, problemTitle(refused)), make("p", {}, capital(refused.message)), make("p", {}, make("a", { href: "/" }, "All engines on show"))));
  } finally {
    if (!signal.aborted) sheet.removeAttribute("aria-busy");
  }
}

// Changes while a visitor reads

/** The visitor's own request: the engine's number, and until when a change of it is not announced. */
const own = { number: null, until: 0 };

/** Watches for changes since the page was opened and announces them; it never replaces what is being read or filled in. */
async function watch() {
  let next = "/v1/public/changes?limit=500";
  let opened = false; // until then, earlier changes are skipped
  for (;;) {
    try {
      if (document.hidden) await new Promise((seen) => addEventListener("visibilitychange", seen, { once: true }));
      const changes = await ask(opened ? `${next}&wait=25` : next);
      if (opened && changes.items.some(isNews)) showNews();
      opened ||= changes.items.length < 500;
      next = changes.next;
    } catch (refused) {
      // The journal was restarted: read it from the start.
      if (refused.problem?.type === "/problems/feed_restarted") [next, opened] = ["/v1/public/changes?limit=500", false];
      await new Promise((later) => setTimeout(later, 15_000));
    }
  }
}

function isNews({ stock_no }) {
  if (stock_no === own.number && Date.now() < own.until) return false;
  const number = new URLSearchParams(location.search).get("engine");
  return number === null || Number(number) === stock_no;
}

function showNews() {
  const news = document.querySelector("#news");
  const again = make("button", { type: "button" }, "Show the current version");
  again.addEventListener("click", () => show({ moveFocus: true }));
  news.replaceChildren(make("span", {}, "This has changed since you opened it. "), again);
}

const problemTitle = ({ problem }) => problem?.title ?? "That did not work";

document.addEventListener("click", (event) => {
  const link = event.target.closest("a");
  const elsewhere = !link || link.origin !== location.origin || link.pathname !== "/" || link.hash || event.ctrlKey || event.metaKey || event.shiftKey;
  if (elsewhere) return;
  event.preventDefault();
  history.pushState(null, "", link.href);
  show({ moveFocus: true });
});
addEventListener("popstate", () => {
  // A step within the page, such as the skip link, changes no view.
  if (location.search !== shownSearch) show({ moveFocus: true });
});
show({ moveFocus: false });
watch();
