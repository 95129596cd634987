// A receiver of webhooks in TypeScript: tells what it gets with the published library of Standard Webhooks, and refuses what is not signed.
// OUTSHOP_URL and OUTSHOP_KEYS (the keys.json of a demonstration) say where.

import { readFileSync } from "node:fs";
import { createServer } from "node:http";
import type { AddressInfo } from "node:net";
import createClient from "openapi-fetch";
import { Webhook } from "standardwebhooks";
import type { paths } from "./made/outshop.js";

const { OUTSHOP_URL, OUTSHOP_KEYS } = process.env;
if (!OUTSHOP_URL || !OUTSHOP_KEYS) throw new Error("OUTSHOP_URL and OUTSHOP_KEYS are not set");
const keys = JSON.parse(readFileSync(OUTSHOP_KEYS, "utf8")) as Record<string, string>;
const shop = createClient<paths>({ baseUrl: OUTSHOP_URL, headers: { Authorization: `Bearer ${keys.proprietor}` } });

type Told = { type: string; data: { entry_no: number | null; url: string } };
let secret = "";
const told: Told[] = [];
let tellMore = () => {};
const server = createServer(async (request, answer) => {
    let body = "";
    for await (const chunk of request) body += chunk;
    try {
        told.push(new Webhook(secret).verify(body, request.headers as Record<string, string>) as Told);
        answer.writeHead(204).end();
        tellMore();
    } catch {
        answer.writeHead(401).end();
    }
});
await new Promise<void>((listening) => server.listen(0, "127.0.0.1", listening));
const url = `http://127.0.0.1:${(server.address() as AddressInfo).port}/hooks`;

const made = await shop.POST("/v1/webhooks", { body: { url, types: ["person"] } });
if (!made.data) throw new Error(JSON.stringify(made.error));
secret = made.data.secret;
await shop.POST("/v1/webhooks/{id}/test-calls", { params: { path: { id: made.data.id } }, body: {} });
await shop.POST("/v1/persons", { body: { name: "Odo Fenwright" } });
const late = setTimeout(() => {
    throw new Error(`only ${told.length} calls came`);
}, 20_000);
while (told.length < 2) await new Promise<void>((more) => (tellMore = more));
clearTimeout(late);
if (told.map((it) => it.type).sort().join() !== "person.created,webhook.test") throw new Error(JSON.stringify(told));
const forged = await fetch(url, {
    method: "POST",
    headers: { "webhook-id": "x-1", "webhook-timestamp": String(Math.floor(Date.now() / 1000)), "webhook-signature": "v1,AAAA" },
    body: "{}",
});
if (forged.status !== 401) throw new Error("a signature that is none was taken");
server.close();
server.closeAllConnections();
console.log("webhooks.ts: two calls received and verified");
