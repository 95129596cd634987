"""The important operations with 100, 1000, 5000 and 20,000 engines, and with ten years of journal (1,000,000 entries): p50 and p99 of
each, one after another. Nothing may grow faster than logarithmically but what lists everything."""

import http.client
import time

from ground import Stocked, Trial, acquisition, ask_on, folder, percentile

SIZES, ENTRIES, TIMES = (100, 1000, 5000, 20_000), 1_000_000, 150
trial = Trial("growth")
# What reads every engine by its nature: rules of boiler codes are data, so each clock is reckoned.
ALL = {"papers due", "value of the whole stock", "all at a gate, first page"}


def operations(keys, engines, last):
    """Name, and what the n-th request is."""
    nth = lambda n: 1001 + (n * 7919) % engines
    today = time.strftime("%Y-%m-%d")
    return {
        "public list page": lambda n: ("GET", f"/v1/public/listings?sort=-asking_price&limit=24&availability=for_sale&gauge_mm={['127', '88.9'][n % 2]}", None, None),
        "public search": lambda n: ("GET", f"/v1/public/listings?q=alderford+{n}", None, None),
        "public listing": lambda n: ("GET", f"/v1/public/listings/{nth(n)}", None, None),
        "engines, a page": lambda n: ("GET", f"/v1/engines?limit=50", None, keys["seller"]),
        "engine": lambda n: ("GET", f"/v1/engines/{nth(n)}", None, keys["fitter"]),
        "readiness to leave": lambda n: ("GET", f"/v1/engines/{nth(n)}/readiness?gate=deliver", None, keys["fitter"]),
        "papers due": lambda n: ("GET", "/v1/papers/due?limit=50", None, keys["fitter"]),
        "money of an engine": lambda n: ("GET", f"/v1/engines/{nth(n)}/margins", None, keys["bookkeeper"]),
        "stock book, a page": lambda n: ("GET", f"/v1/stock-book?from={today[:4]}-01-01&to={today}&limit=50", None, keys["bookkeeper"]),
        "accounts entries, a page": lambda n: ("GET", f"/v1/accounts-entries?from={today[:4]}-01-01&to={today}&limit=50", None, keys["bookkeeper"]),
        "journal, the last 100": lambda n: ("GET", f"/v1/journal?after={max(0, last - 100)}", None, keys["seller"]),
        "public changes, none": lambda n: ("GET", f"/v1/public/changes?after={last}", None, None),
        "buy in": lambda n: ("POST", "/v1/acquisitions", acquisition(n), keys["proprietor"]),
        "price": lambda n: ("POST", f"/v1/engines/{nth(n)}/asking-prices", {"price": f"{4000 + n}.00"}, keys["seller"]),
        "enquiry": lambda n: ("POST", "/v1/enquiries", {"stock_no": nth(n), "person": {"name": "Ada Fell", "email": "ada@example.org"}, "message": "Which club?"}, keys["website"]),
        "reserve": lambda n: ("POST", "/v1/reservations", {"stock_no": nth(n), "person": {"name": "Ada Fell", "email": "ada@example.org"}}, keys["website"]),
        "valuation": lambda n: ("POST", f"/v1/engines/{nth(n)}/valuations", {}, keys["seller"]),
        "all at a gate, first page": lambda n: ("GET", "/v1/readiness?gate=deliver&limit=50", None, keys["fitter"]),
        "value of the whole stock": lambda n: ("GET", f"/v1/stock-valuation/totals?on={today}", None, keys["bookkeeper"]),
    }


with folder() as path:
    stock, table, statuses = Stocked(path, SIZES[0]), {}, {}
    for column, (engines, entries) in enumerate([(size, 0) for size in SIZES] + [(SIZES[-1], ENTRIES)]):
        stock.grow(engines)
        last = int(stock.postgres.sql("SELECT coalesce(max(entry_no), 0) FROM journal"))
        if entries:
            stock.postgres.sql(f"""INSERT INTO journal (type, at, on_day, key_id, stock_no, data, entry_no, transaction_no)
                SELECT 'engine.changed', now() - interval '1 s' * (n - {entries}), current_date, 1, 1001 + n % {engines}, '{{"members": ["notes"]}}', {last} + n, 0
                FROM generate_series(1, {entries}) n""")
            last += entries
        stock.postgres.sql("VACUUM ANALYZE")
        service = stock.service().start()
        connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=120)
        ask_on(connection, "GET", "/v1/public/listings?limit=1")
        for name, make in operations(stock.keys, engines, last).items():
            took = []
            for n in range(20 if name in ALL else TIMES):
                began = time.monotonic()
                # Each column has engines of its own, so that a write is not refused for one before.
                status = ask_on(connection, *make(n + column * TIMES))[0]
                took.append(time.monotonic() - began)
                statuses.setdefault(name, {}).setdefault(status, 0)
                statuses[name][status] += 1
            table.setdefault(name, []).append((percentile(took, 50) * 1000, percentile(took, 99) * 1000))
        connection.close()
        print(f"   {engines} engines, {last} entries: memory {service.memory():.0f} MiB", flush=True)
        service.stop()
    print(f"\n   {'p50 / p99 in ms':28}" + "".join(f"{size:>17,}" for size in SIZES) + "  + 1,000,000 entries")
    for name, figures in table.items():
        print(f"   {name:28}" + "".join(f"{p50:>8.1f} /{p99:>7.1f}" for p50, p99 in figures) + f"  {statuses[name]}", flush=True)
    print()
    for name, figures in table.items():
        # From 1000 to 20,000 engines the logarithm grows by less than a half: three times and 2 ms are far above it and far below
        # the 20 of a linear growth.
        small, large = figures[1][0], max(figures[-2][0], figures[-1][0])
        if name not in ALL:
            trial.figure(f"{name}, from {small:.1f} ms to", f"{large:.1f} ms", large <= 3 * small + 2, "no more than 3 times and 2 ms")
    refused = {name: counts for name, counts in statuses.items() if counts.keys() - {200, 201}}
    trial.figure("refused", refused, not refused, "none")
    stock.postgres.stop()
trial.end()
