// Draws the two pictures of README.md anew (demo-data/shown) from a demonstration that was loaded today:
//   OUTSHOP_URL=http://127.0.0.1:8417 OUTSHOP_KEYS=outshop-data/keys.json node tests/shop-page/shown.js
// after `npm ci` in this folder. CHROMIUM says which browser, else `chromium` of the PATH.

import { execFileSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";
import { chromium } from "playwright-core";

const { OUTSHOP_URL, OUTSHOP_KEYS, CHROMIUM } = process.env;
const shown = new URL("../../demo-data/shown/", import.meta.url);
const headers = { Authorization: `Bearer ${JSON.parse(readFileSync(OUTSHOP_KEYS, "utf8")).proprietor}` };

const made = await fetch(`${OUTSHOP_URL}/v1/engines/10/valuations`, {
  method: "POST", headers: { ...headers, "Content-Type": "application/json" }, body: "{}",
});
const picture = await fetch(OUTSHOP_URL + made.headers.get("location"), { headers: { ...headers, Accept: "image/svg+xml" } });
writeFileSync(new URL("valuation.svg", shown), await picture.text());

const executablePath = CHROMIUM ?? execFileSync("which", ["chromium"], { encoding: "utf8" }).trim();
// Root may not have a sandbox, and CI is root.
const browser = await chromium.launch({ executablePath, args: process.getuid() === 0 ? ["--no-sandbox"] : [] });
const page = await browser.newPage({ viewport: { width: 820, height: 760 } });
await page.goto(OUTSHOP_URL);
await page.locator(".tally:not(:empty)").waitFor();
// Those further down are loaded when they come into view.
await page.waitForFunction(() => [...document.querySelectorAll(".entries img")].slice(0, 2).every((it) => it.complete && it.naturalWidth));
writeFileSync(new URL("shop-page.jpg", shown), await page.screenshot({ type: "jpeg", quality: 80 }));
await browser.close();
