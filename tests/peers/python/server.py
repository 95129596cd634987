"""The public list and one listing as a hand-written service would answer them: FastAPI and asyncpg on uvloop, pooled, prepared.

Run by `uvicorn server:app --workers 2 --loop uvloop --http httptools`, with PGHOST, PGUSER, PGDATABASE of PostgreSQL.
"""

import json
from contextlib import asynccontextmanager
from decimal import Decimal

import asyncpg
import orjson
from fastapi import FastAPI, HTTPException, Query, Request, Response

CARD = """stock_no, title, page_name, on_show_since, price_on_request, kind, name, prototype, design, designer, builder,
    builder_standing, built_year, gauge, gauge_mm, scale, whyte, fuel, included_items, working_order, price, photographs->0 AS photograph"""
SORTS = {
    "stock_no": "stock_no",
    "asking_price": "price, stock_no",
    "-asking_price": "price DESC NULLS LAST, stock_no",
    "-on_show_since": "on_show_since DESC, stock_no",
}
FILTERS = ("gauge_mm = ${}::numeric", "whyte = ${}", "price >= ${}::numeric", "price <= ${}::numeric")


async def with_json(connection):
    await connection.set_type_codec("jsonb", schema="pg_catalog", encoder=json.dumps, decoder=orjson.loads)


@asynccontextmanager
async def pooled(app):
    # asyncpg prepares each text once per connection and keeps it.
    async with asyncpg.create_pool(min_size=8, max_size=8, init=with_json) as app.state.pool:
        yield


app = FastAPI(lifespan=pooled)


def answer(body):
    return Response(orjson.dumps(body, default=str), media_type="application/json")


@app.get("/listings")
async def listings(
    request: Request,
    sort: str = "stock_no",
    limit: int = Query(24, ge=1, le=100),
    gauge_mm: Decimal | None = None,
    whyte: str | None = None,
    asking_price_from: Decimal | None = None,
    asking_price_to: Decimal | None = None,
):
    if sort not in SORTS:
        raise HTTPException(400, "no such sort")
    wanted, values = [], []
    for condition, value in zip(FILTERS, (gauge_mm, whyte, asking_price_from, asking_price_to)):
        if value is not None:
            values.append(value)
            wanted.append(condition.format(len(values)))
    where = "WHERE " + " AND ".join(wanted) if wanted else ""
    text = f"SELECT {CARD} FROM peer_listings {where} ORDER BY {SORTS[sort]} LIMIT {limit}"
    rows = await request.app.state.pool.fetch(text, *values)
    return answer({"items": [dict(row) for row in rows]})


@app.get("/listings/{stock_no}")
async def listing(request: Request, stock_no: int):
    text = f"SELECT {CARD}, words, grades, photographs FROM peer_listings WHERE stock_no = $1"
    row = await request.app.state.pool.fetchrow(text, stock_no)
    if row is None:
        raise HTTPException(404, "not on show")
    return answer(dict(row))
