//! Reservations: one live one for an engine, the queue behind, deposits, and what the sale makes of them.

use crate::{
    harness::{Answer, Shop, text},
    make,
};
use outshop_api::enquiring::reservations::queue::lapse_due;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    /// An engine published at 7680.00.
    async fn has_one_to_reserve(&self) -> i64 {
        self.has_on_show(make::engine(), &make::listing()).await
    }

    async fn knows(&self, name: &str) -> i64 {
        let person = json!({"name": name, "email": format!("{}@example.org", name.to_lowercase())});
        self.post("/v1/persons", &person).await.created().id()
    }

    async fn reserve(&self, engine: i64, person: i64, more: &Value) -> Answer {
        let body = make::with(json!({"stock_no": engine, "person_id": person}), more);
        self.post("/v1/reservations", &body).await
    }

    /// The journal entries of an engine since it was published.
    async fn journal_since_show(&self, engine: i64) -> Vec<String> {
        let all = self.journal_of(engine).await;
        let shown = all.iter().rposition(|what| what == "listing.published");
        all[shown.expect("it is published") + 1..].to_vec()
    }

    fn set_moment(&self, moment: &str) {
        self.clock.set(moment.parse().expect("an instant"));
    }

    /// What a running process does now and then; gives the number of reservations ended.
    async fn lapses(&self) -> usize {
        lapse_due(&self.db, self.clock.now())
            .await
            .expect("a look at the clock")
    }

    async fn status_of(&self, engine: i64) -> Value {
        let engine = self.get(&format!("/v1/engines/{engine}")).await.ok();
        engine.body["status"].clone()
    }

    async fn receives(&self, reservation: &str, amount: &str) -> Answer {
        let deposit = json!({"on": "2026-05-14", "amount": amount, "method": "transfer"});
        self.post(&format!("{reservation}/deposits"), &deposit)
            .await
    }

    /// Debits less credits of the account for deposits until the day of the shop.
    async fn owed_in_deposits(&self) -> Value {
        let path = "/v1/accounts-entries/trial?from=2026-01-01&to=2026-12-31";
        let trial = self.get(path).await.ok();
        assert_eq!(trial.body["debit"], trial.body["credit"], "{}", trial.text);
        let accounts = trial.body["accounts"].as_array().expect("accounts");
        let deposits = accounts.iter().find(|line| line["account"] == "deposits");
        deposits.map_or(Value::Null, |line| json!([line["debit"], line["credit"]]))
    }
}

/// Clock times of a day in summer, for a firm in London: 11:00 UTC is what the shop's clock shows.
#[actix_web::test]
async fn a_reservation_lasts_to_the_minute() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;

    // A reservation says to the minute when it ends.
    let made = shop
        .reserve(
            engine,
            odo,
            &json!({"deposit_due": "500.00", "notes": "by telephone"}),
        )
        .await
        .created();
    assert_eq!(
        made.body,
        json!({"id": made.id(), "stock_no": engine, "person_id": odo, "status": "live", "asked_at": "2026-05-14T11:00:00Z",
            "hours": 72, "until_at": "2026-05-17T11:00:00Z", "place_in_queue": null, "deposit_due": "500.00", "deposits_held": "0.00",
            "ended_at": null, "reason": null, "sale_id": null, "needs_notifying": false, "notified_at": null, "notes": "by telephone"})
    );
    assert_eq!(shop.get(&made.location()).await.ok().body, made.body);

    // While it lasts, staff and visitors find the engine as reserved and not as for sale.
    let public = async || {
        let listing = shop
            .request(Method::GET, &format!("/v1/public/listings/{engine}"))
            .send()
            .await
            .ok();
        listing.body["availability"].clone()
    };
    let found = async |query: &str| {
        let list = shop.get(query).await.ok();
        list.body["items"].as_array().map(Vec::len)
    };
    assert_eq!(
        (shop.status_of(engine).await, public().await),
        (json!("reserved"), json!("reserved"))
    );
    assert_eq!(found("/v1/engines?status=reserved").await, Some(1));
    assert_eq!(found("/v1/engines?status=in_stock").await, Some(0));
    assert_eq!(found("/v1/engines?status=in_stock,reserved").await, Some(1));
    assert_eq!(
        found("/v1/public/listings?availability=reserved").await,
        Some(1)
    );
    assert_eq!(
        found("/v1/public/listings?availability=for_sale").await,
        Some(0)
    );

    // The counts by kind and gauge agree.
    let counts = shop.get("/v1/public/counts").await.ok();
    assert_eq!(
        counts.body["items"],
        json!([{"kind": "locomotive", "gauge_mm": "127", "for_sale": 0, "reserved": 1, "sold": 0}])
    );

    // It counts to its last second; then the engine is for sale, even before the end is written down.
    shop.set_moment("2026-05-17T10:59:59Z");
    assert_eq!(shop.lapses().await, 0);
    assert_eq!(shop.status_of(engine).await, "reserved");
    shop.set_moment("2026-05-17T11:00:00Z");
    assert_eq!(
        (shop.status_of(engine).await, public().await),
        (json!("in_stock"), json!("for_sale"))
    );
    assert_eq!(found("/v1/engines?status=in_stock").await, Some(1));
    assert_eq!(
        found("/v1/public/listings?availability=reserved").await,
        Some(0)
    );
    let unwritten = shop.get(&made.location()).await.ok();
    assert_eq!(
        unwritten.body["status"], "lapsed",
        "before anybody wrote it down"
    );

    // The end is written down once, with the minute that was agreed.
    assert_eq!(shop.lapses().await, 1);
    assert_eq!(shop.lapses().await, 0, "a second run finds nothing to do");
    let lapsed = shop.get(&made.location()).await.ok();
    assert_eq!(lapsed.body["ended_at"], "2026-05-17T11:00:00Z");
    assert_eq!(
        shop.journal_since_show(engine).await,
        ["reservation.created", "reservation.lapsed"]
    );
}

#[actix_web::test]
async fn only_one_of_twenty_simultaneous_requests_reserves_the_engine() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let ask = |n: usize, queue: bool| {
        let body = json!({"stock_no": engine, "join_queue": queue,
            "person": {"name": format!("Caller {n}"), "email": format!("caller{n}@example.org")}});
        let asked = shop.request(Method::POST, "/v1/reservations");
        actix_web::rt::spawn(asked.by(&shop, Role::Website).once().json(&body).send())
    };
    let all: Vec<_> = (0..20).map(|n| ask(n, false)).collect();
    let mut n_live = 0;
    for answer in all {
        let answer = answer.await.expect("an answer");
        if answer.status == 201 {
            assert_eq!(answer.body["status"], "live");
            n_live += 1;
        } else {
            answer.refused("already_reserved").is(409);
        }
    }
    assert_eq!(n_live, 1);
    let persons = shop.get("/v1/persons").await.ok();
    assert_eq!(
        persons.body["items"].as_array().map(Vec::len),
        Some(1),
        "who was refused is not kept"
    );
    let all: Vec<_> = (20..30).map(|n| ask(n, true)).collect();
    let mut places = Vec::new();
    for answer in all {
        let answer = answer.await.expect("an answer").created();
        assert_eq!(answer.body["status"], "queued");
        places.push(answer.body["place_in_queue"].as_u64().expect("a place"));
    }
    places.sort_unstable();
    assert_eq!(places, (1..=10).collect::<Vec<_>>());
}

#[actix_web::test]
async fn a_person_who_asks_twice_has_one_reservation() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let ask = |email: &str| {
        let body = json!({"stock_no": engine, "hours": 24, "person": {"name": "Odo Fenwright", "email": email}});
        let asked = shop.request(Method::POST, "/v1/reservations");
        actix_web::rt::spawn(asked.by(&shop, Role::Website).once().json(&body).send())
    };
    let all: Vec<_> = (0..8).map(|_| ask("odo@example.org")).collect();
    let mut ids = Vec::new();
    for answer in all {
        ids.push(answer.await.expect("an answer").created().id());
    }
    ids.dedup();
    assert_eq!(ids.len(), 1, "{ids:?}");
    let again = ask("ODO@example.org").await.expect("an answer").created();
    assert_eq!(again.id(), ids[0]);
    let list = shop.get("/v1/reservations").await.ok();
    assert_eq!(list.body["items"].as_array().map(Vec::len), Some(1));
    assert_eq!(
        shop.journal_since_show(engine).await,
        ["reservation.created"]
    );
}

#[actix_web::test]
async fn the_next_in_line_gets_the_reservation_and_is_listed_for_notification() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let (odo, edda, una) = (
        shop.knows("Odo").await,
        shop.knows("Edda").await,
        shop.knows("Una").await,
    );

    // Three people want the engine: one reserves it and two wait in line.
    let queue = json!({"join_queue": true, "hours": 5});
    let first = shop.reserve(engine, odo, &json!({})).await.created();
    let second = shop.reserve(engine, edda, &queue).await.created();
    let third = shop.reserve(engine, una, &queue).await.created();
    assert_eq!(second.body["until_at"], Value::Null);
    assert_eq!(
        (
            &second.body["place_in_queue"],
            &third.body["place_in_queue"]
        ),
        (&json!(1), &json!(2))
    );

    // Nobody has to be notified while the first reservation lasts.
    let to_tell = async || {
        let list = shop.get("/v1/reservations?needs_notifying=true").await.ok();
        let items = list.body["items"].as_array().expect("items").clone();
        items
            .iter()
            .map(|it| it["id"].as_i64().expect("an id"))
            .collect::<Vec<_>>()
    };
    let tell = async |of: &Answer| {
        shop.post(&format!("{}/notifications", of.location()), &json!({}))
            .await
    };
    assert_eq!(to_tell().await, [0; 0]);
    tell(&second).await.refused("conflict");

    // The next in line gets the engine as soon as the first is released, and is notified once.
    let reason = json!({"reason": "has bought another one"});
    let release = async |of: &Answer| {
        shop.post(&format!("{}/releases", of.location()), &reason)
            .await
    };
    let released = release(&first).await.created();
    assert_eq!(
        (&released.body["status"], &released.body["reason"]),
        (&json!("released"), &reason["reason"])
    );
    release(&first).await.refused("conflict");
    let now_live = shop.get(&second.location()).await.ok();
    assert_eq!(
        (
            &now_live.body["status"],
            &now_live.body["until_at"],
            &now_live.body["needs_notifying"]
        ),
        (&json!("live"), &json!("2026-05-14T16:00:00Z"), &json!(true))
    );
    assert_eq!(to_tell().await, [second.id()]);
    let told = tell(&second).await.created();
    assert_eq!(told.body["notified_at"], "2026-05-14T11:00:00Z");
    tell(&second).await.refused("conflict");
    assert_eq!(to_tell().await, [0; 0]);

    // The second lapses as someone new asks, before the timer has run: then the third has the engine.
    shop.set_moment("2026-05-14T16:00:00Z");
    let ida = shop.knows("Ida").await;
    shop.reserve(engine, ida, &json!({}))
        .await
        .refused("already_reserved");
    let queued = shop
        .reserve(engine, ida, &json!({"join_queue": true}))
        .await
        .created();
    assert_eq!(queued.body["place_in_queue"], 1);
    assert_eq!(to_tell().await, [third.id()]);

    // The journal has every step, and names nobody.
    assert_eq!(
        shop.journal_since_show(engine).await,
        [
            "reservation.created",
            "reservation.queued",
            "reservation.queued",
            "reservation.released",
            "reservation.next_in_line",
            "reservation.notified",
            "reservation.lapsed",
            "reservation.next_in_line",
            "reservation.queued"
        ]
    );
    let page = shop.get("/v1/journal?limit=500").await.ok();
    for name in ["Odo", "Edda", "Una", "Ida", "another one"] {
        assert!(!page.text.contains(name), "the journal names {name}");
    }
}

#[actix_web::test]
async fn several_processes_end_a_reservation_once() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let (odo, edda) = (shop.knows("Odo").await, shop.knows("Edda").await);
    shop.reserve(engine, odo, &json!({})).await.created();
    shop.reserve(engine, edda, &json!({"join_queue": true}))
        .await
        .created();
    shop.set_moment("2026-05-18T09:00:00Z");
    let now = shop.clock.now();
    let (one, other, third) = tokio::join!(
        lapse_due(&shop.db, now),
        lapse_due(&shop.db, now),
        lapse_due(&shop.db, now)
    );
    let ended = [one, other, third].map(|n| n.expect("a look"));
    assert_eq!(ended.iter().sum::<usize>(), 1, "{ended:?}");
    assert_eq!(
        shop.journal_since_show(engine).await[2..],
        ["reservation.lapsed", "reservation.next_in_line"]
    );
}

#[actix_web::test]
async fn a_reservation_keeps_its_rules() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;

    // Each wrong member is refused where it is.
    for (more, pointer) in [
        (json!({"stock_no": 999}), "/stock_no"),
        (json!({"person_id": 999}), "/person_id"),
        (json!({"person_id": null}), "/person_id"),
        (
            json!({"person": {"name": "Una", "email": "u@example.org"}}),
            "/person_id",
        ),
        (
            json!({"person_id": null, "person": {"name": "Una"}}),
            "/person",
        ),
        (
            json!({"person_id": null, "person": {"name": ""}}),
            "/person/name",
        ),
        (json!({"hours": 0}), "/hours"),
        (json!({"hours": 2161}), "/hours"),
        (
            json!({"hours": 5, "until_at": "2026-05-15T11:00:00Z"}),
            "/hours",
        ),
        (json!({"until_at": "2026-05-14T11:00:00Z"}), "/until_at"),
        (json!({"until_at": "2026-08-12T11:00:01Z"}), "/until_at"),
        (json!({"until_at": "2026-05-15"}), "/until_at"),
        (json!({"deposit_due": "0.00"}), "/deposit_due"),
        (json!({"deposit_due": "7680.01"}), "/deposit_due"),
        (json!({"status": "live"}), "/status"),
    ] {
        shop.reserve(engine, odo, &more).await.invalid_at(pointer);
    }

    // A reservation needs an Idempotency-Key, and a website may ask for less than staff.
    let keyless = shop.request(Method::POST, "/v1/reservations");
    keyless
        .by(&shop, Role::Seller)
        .json(&json!({"stock_no": engine, "person_id": odo}))
        .send()
        .await
        .refused("idempotency_key_missing");
    let from_site = async |more: &Value| {
        let base =
            json!({"stock_no": engine, "person": {"name": "Una", "email": "una@example.org"}});
        let asked = shop
            .request(Method::POST, "/v1/reservations")
            .by(&shop, Role::Website);
        asked.once().json(&make::with(base, more)).send().await
    };
    from_site(&json!({"person": null, "person_id": odo}))
        .await
        .invalid_at("/person_id");
    from_site(&json!({"hours": 73})).await.invalid_at("/hours");
    assert_eq!(
        shop.journal_since_show(engine).await,
        [""; 0],
        "nothing was stored"
    );

    // An engine that is not listed cannot be reserved.
    let not_on_show = shop.has(make::engine()).await;
    shop.has_priced(not_on_show, "100.00").await;
    shop.reserve(not_on_show, odo, &json!({}))
        .await
        .refused("conflict")
        .is(409);

    // 90 days from the moment, to the second.
    let longest = json!({"until_at": "2026-08-12T11:00:00Z", "deposit_due": "7680.00"});
    let made = shop.reserve(engine, odo, &longest).await.created();
    assert_eq!(made.body["hours"], 2160);
    let seen = shop.request(Method::GET, &made.location());
    seen.by(&shop, Role::Website)
        .send()
        .await
        .refused("not_found");

    // An engine that is sold cannot be reserved either.
    let sold = shop
        .has_on_show(
            make::with(make::engine(), &json!({"name": "Old Nell"})),
            &make::with(make::listing(), &json!({"title": "Old Nell"})),
        )
        .await;
    shop.has_sold(sold).await;
    shop.reserve(sold, odo, &json!({}))
        .await
        .refused("already_sold");
    shop.get("/v1/reservations/999").await.refused("not_found");
}

#[actix_web::test]
async fn the_usual_length_is_a_setting_of_the_firm() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;
    for bad in [0, 2161] {
        shop.patch("/v1/firm", &json!({"reservation_hours": bad}))
            .await
            .invalid_at("/reservation_hours");
    }
    shop.patch("/v1/firm", &json!({"reservation_hours": 24}))
        .await
        .ok();
    let made = shop.reserve(engine, odo, &json!({})).await.created();
    assert_eq!(made.body["until_at"], "2026-05-15T11:00:00Z");
}

#[actix_web::test]
async fn a_live_reservation_is_extended_and_one_that_is_over_is_not() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let (odo, edda) = (shop.knows("Odo").await, shop.knows("Edda").await);
    let made = shop
        .reserve(engine, odo, &json!({"hours": 24}))
        .await
        .created();
    let queued = shop
        .reserve(engine, edda, &json!({"join_queue": true}))
        .await
        .created();
    let extend = async |of: &Answer, body: Value| {
        shop.post(&format!("{}/extensions", of.location()), &body)
            .await
    };
    let longer = extend(&made, json!({"hours": 24})).await.created();
    assert_eq!(longer.body["until_at"], "2026-05-16T11:00:00Z");
    extend(&made, json!({"until_at": "2026-05-16T11:00:00Z"}))
        .await
        .invalid_at("/until_at");
    extend(&made, json!({"until_at": "2026-08-12T11:00:01Z"}))
        .await
        .invalid_at("/until_at");
    extend(&made, json!({"hours": 2160}))
        .await
        .invalid_at("/hours");
    extend(&made, json!({"hours": 0}))
        .await
        .invalid_at("/hours");
    extend(&made, json!({})).await.invalid_at("/hours");
    extend(&queued, json!({"hours": 1}))
        .await
        .refused("conflict");
    let to = json!({"until_at": "2026-05-18T09:30:00Z"});
    assert_eq!(
        extend(&made, to).await.created().body["until_at"],
        "2026-05-18T09:30:00Z"
    );
    shop.set_moment("2026-05-18T09:30:00Z");
    extend(&made, json!({"hours": 24}))
        .await
        .refused("conflict");
}

/// A deposit is owed to the payer until the sale (common practice, no source).
#[actix_web::test]
async fn a_deposit_has_its_receipt_and_is_set_off_at_the_sale() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;
    let made = shop.reserve(engine, odo, &json!({})).await.created();
    let at = made.location();

    // A deposit gets the next receipt number, and the accounts owe it to the buyer.
    assert_eq!(shop.owed_in_deposits().await, Value::Null);
    let deposit = shop.receives(&at, "500.00").await.created();
    assert_eq!(
        deposit.body,
        json!({"id": deposit.id(), "receipt_no": 1, "reservation_id": made.id(), "on": "2026-05-14", "amount": "500.00",
            "method": "transfer", "notes_into_bank": false, "notes": null, "stock_no": engine, "person_id": odo, "held": true,
            "payment_id": null, "returned": null})
    );
    assert_eq!(shop.owed_in_deposits().await, json!(["0.00", "500.00"]));

    // With the 500.00, a penny more than the asking price of 7680.00; then a day ahead, a day before the engine came.
    shop.receives(&at, "7180.01").await.invalid_at("/amount");
    shop.receives(&at, "0.00").await.invalid_at("/amount");
    for (change, pointer) in [
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"on": "2026-01-04"}), "/on"),
        (json!({"method": "part_exchange"}), "/method"),
        (
            json!({"method": "cash", "notes_into_bank": true}),
            "/notes_into_bank",
        ),
    ] {
        let base = json!({"on": "2026-05-14", "amount": "1.00", "method": "cash"});
        let body = make::with(base, &change);
        shop.post(&format!("{at}/deposits"), &body)
            .await
            .invalid_at(pointer);
    }

    // A deposit that was refused used up no number.
    assert_eq!(
        shop.receives(&at, "100.00").await.created().body["receipt_no"],
        2,
        "no number is left out"
    );
    assert_eq!(shop.get(&at).await.ok().body["deposits_held"], "600.00");

    // The engine is sold to nobody else, and for no less than the deposits paid.
    let other = shop.knows("Edda").await;
    let sell = async |person: i64, price: &str| {
        let sale = json!({"on": "2026-05-14", "price": price, "person_id": person, "below_break_even_confirmed": true});
        shop.post(&format!("/v1/engines/{engine}/sales"), &sale)
            .await
    };
    sell(other, "7600.00")
        .await
        .refused("already_reserved")
        .is(409);
    sell(odo, "599.99").await.invalid_at("/price");

    // The sale turns the deposits into payments, and the accounts owe nothing in deposits.
    let sale = sell(odo, "7600.00").await.created();
    assert_eq!(
        (&sale.body["paid"], &sale.body["balance"]),
        (&json!("600.00"), &json!("7000.00"))
    );
    let payments = shop
        .get(&format!("{}/payments", sale.location()))
        .await
        .ok();
    assert_eq!(payments.body["items"][0]["deposit_id"], deposit.id());
    let fulfilled = shop.get(&at).await.ok();
    assert_eq!(
        (
            &fulfilled.body["status"],
            &fulfilled.body["sale_id"],
            &fulfilled.body["deposits_held"]
        ),
        (&json!("fulfilled"), &json!(sale.id()), &json!("0.00"))
    );
    let set_off = shop.get(&deposit.location()).await.ok();
    assert_eq!(
        (&set_off.body["held"], &set_off.body["payment_id"]),
        (&json!(false), &payments.body["items"][0]["id"])
    );
    assert_eq!(shop.owed_in_deposits().await, json!(["600.00", "600.00"]));

    // A deposit that was set off cannot be paid back.
    let back = json!({"on": "2026-05-14", "method": "transfer"});
    shop.post(&format!("{}/returns", deposit.location()), &back)
        .await
        .refused("conflict");
    assert_eq!(
        shop.journal_since_show(engine).await,
        [
            "reservation.created",
            "deposit.received",
            "deposit.received",
            "engine.sold",
            "payment.created",
            "payment.created",
            "reservation.fulfilled"
        ]
    );
    let list = shop.get("/v1/deposits?held=true").await.ok();
    assert_eq!(list.body["items"], json!([]));
}

#[actix_web::test]
async fn the_deposit_of_a_lapsed_reservation_stays_listed_until_it_is_returned() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;
    let at = shop
        .reserve(engine, odo, &json!({}))
        .await
        .created()
        .location();
    let deposit = shop.receives(&at, "500.00").await.created();
    shop.set_moment("2026-05-20T11:00:00Z");
    shop.lapses().await;
    shop.receives(&at, "1.00").await.refused("conflict");
    let held = shop.get("/v1/deposits?held=true").await.ok();
    assert_eq!(held.body["items"], json!([deposit.body]));
    let give_back = async |change: Value| {
        let back = make::with(
            json!({"on": "2026-05-20", "method": "transfer", "reason": "changed their mind"}),
            &change,
        );
        shop.post(&format!("{}/returns", deposit.location()), &back)
            .await
    };
    give_back(json!({"on": "2026-05-13"}))
        .await
        .invalid_at("/on");
    give_back(json!({"on": "2026-05-21"}))
        .await
        .invalid_at("/on");
    give_back(json!({"method": "part_exchange"}))
        .await
        .invalid_at("/method");
    let returned = give_back(json!({})).await.created();
    assert_eq!(
        (&returned.body["held"], &returned.body["returned"]["on"]),
        (&json!(false), &json!("2026-05-20"))
    );
    give_back(json!({})).await.refused("conflict");
    assert_eq!(shop.owed_in_deposits().await, json!(["500.00", "500.00"]));
    assert_eq!(
        shop.journal_since_show(engine).await,
        [
            "reservation.created",
            "deposit.received",
            "reservation.lapsed",
            "deposit.returned"
        ],
        "read here so that the entries have their numbers"
    );
    let lines = shop
        .get("/v1/accounts-entries?from=2026-05-14&to=2026-05-20")
        .await
        .ok();
    let sources: Vec<String> = lines.body["items"]
        .as_array()
        .expect("lines")
        .iter()
        .map(|line| text(&line["source"]))
        .collect();
    assert_eq!(
        sources,
        ["deposit", "deposit", "deposit_return", "deposit_return"]
    );
    assert!(
        lines.body["items"][2]["entry_no"].is_i64(),
        "{}",
        lines.text
    );
}

/// A closed period takes no more lines (common practice, no source).
#[actix_web::test]
async fn a_closed_tax_period_accepts_no_deposits() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;
    let at = shop
        .reserve(engine, odo, &json!({}))
        .await
        .created()
        .location();
    shop.post(
        "/v1/tax-periods",
        &json!({"from": "2026-01-01", "until": "2026-05-13"}),
    )
    .await
    .created();
    let early = json!({"on": "2026-05-13", "amount": "1.00", "method": "transfer"});
    shop.post(&format!("{at}/deposits"), &early)
        .await
        .refused("conflict");
    shop.receives(&at, "1.00").await.created();
}

#[actix_web::test]
async fn a_sale_races_with_a_reservation_and_one_of_them_wins() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let (odo, edda) = (shop.knows("Odo").await, shop.knows("Edda").await);
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": odo});
    let sell = shop
        .request(Method::POST, &format!("/v1/engines/{engine}/sales"))
        .by(&shop, Role::Seller)
        .once()
        .json(&sale)
        .send();
    let (sold, reserved) =
        tokio::join!(sell, async { shop.reserve(engine, edda, &json!({})).await });
    match (sold.status, reserved.status) {
        (201, 409) => drop(reserved.refused("already_sold")),
        (409, 201) => drop(sold.refused("already_reserved")),
        other => panic!("{other:?}"),
    }
}

#[actix_web::test]
async fn the_queue_is_notified_when_the_engine_leaves() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let (odo, edda) = (shop.knows("Odo").await, shop.knows("Edda").await);
    shop.reserve(engine, odo, &json!({})).await.created();
    let queued = shop
        .reserve(engine, edda, &json!({"join_queue": true}))
        .await
        .created();
    let gone = json!({"on": "2026-05-14", "method": "broken_for_parts"});
    shop.post(&format!("/v1/engines/{engine}/disposals"), &gone)
        .await
        .refused("already_reserved");
    let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": odo});
    shop.post(&format!("/v1/engines/{engine}/sales"), &sale)
        .await
        .created();
    let over = shop.get(&queued.location()).await.ok();
    assert_eq!(
        (
            &over.body["status"],
            &over.body["needs_notifying"],
            &over.body["place_in_queue"]
        ),
        (&json!("engine_sold"), &json!(true), &Value::Null)
    );
}

/// Cash paid counts as cash received does, single or linked: HMRC, registration as a high value dealer. 6000.00 in and 6000.00
/// back are 12000.00 of linked cash; the limit is 10000 GBP from 2026-06-30.
#[actix_web::test]
async fn a_deposit_paid_back_in_cash_counts_for_the_cash_rule() {
    let shop = Shop::open().await;
    let engine = shop.has_one_to_reserve().await;
    let odo = shop.knows("Odo").await;
    shop.set_day("2026-07-01");
    let at = shop
        .reserve(engine, odo, &json!({}))
        .await
        .created()
        .location();
    let cash = json!({"on": "2026-07-01", "amount": "6000.00", "method": "cash"});
    let deposit = shop.post(&format!("{at}/deposits"), &cash).await.created();
    let back = format!("{}/returns", deposit.location());
    let in_cash = json!({"on": "2026-07-01", "method": "cash"});
    shop.post(&back, &in_cash).await.refused("conflict");
    let read = shop.get(&deposit.location()).await.ok();
    assert_eq!(read.body["held"], true);
    let known = make::with(in_cash, &json!({"cash_limit_acknowledged": true}));
    let seller = shop.request(Method::POST, &back).by(&shop, Role::Seller);
    let refused = seller.once().json(&known).send().await;
    refused.invalid_at("/cash_limit_acknowledged");
    let by_bank = json!({"on": "2026-07-01", "method": "transfer"});
    shop.post(&back, &by_bank).await.created();
}
