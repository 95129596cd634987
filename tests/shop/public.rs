//! What a visitor may read, and what never leaves the house.

use crate::{
    harness::{Answer, Shop, cluster, statement, statement_in},
    make,
};
use outshop_api::{
    ground::{answers::public_until_midnight, clock::seconds_left_of_day},
    shop::public::ShopWindow,
};
use reqwest::Method;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

impl Shop {
    /// Without a key.
    pub async fn visit(&self, path: &str) -> Answer {
        self.request(Method::GET, path).send().await
    }

    async fn visit_listing(&self, stock_no: i64) -> Answer {
        self.visit(&format!("/v1/public/listings/{stock_no}")).await
    }

    /// Stock numbers of all pages of a list.
    async fn seen(&self, query: &str) -> Vec<i64> {
        let mut seen = Vec::new();
        let mut next = Some(format!("/v1/public/listings?{query}"));
        while let Some(address) = next {
            let page = self.visit(&address).await.ok();
            let items = page.body["items"].as_array().expect("items");
            seen.extend(items.iter().filter_map(|item| item["stock_no"].as_i64()));
            next = page.body["next"].as_str().map(str::to_owned);
        }
        seen
    }

    /// A published engine without a boiler.
    async fn shows(&self, engine: Value, price: &str) -> i64 {
        let plain = make::with(make::engine(), &json!({"has_boiler": false}));
        let stock_no = self.has(make::with(plain, &engine)).await;
        self.has_surveyed(stock_no, &json!([])).await;
        self.has_priced(stock_no, price).await;
        self.has_photographed(stock_no).await;
        self.has_drafted(stock_no, &make::listing()).await;
        self.has_published(stock_no).await;
        stock_no
    }
}

fn names(object: &Value) -> Vec<&str> {
    let members = object.as_object().expect("an object");
    members.keys().map(String::as_str).collect()
}

#[actix_web::test]
async fn a_visitor_reads_these_facts_and_no_others() {
    let shop = Shop::open().await;
    let template = json!({"page_url": "https://shop.example/engines/{page_name}", "name": "Quillow Lane Works"});
    shop.patch("/v1/firm", &template).await.ok();
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;

    // A new member reaches visitors only if someone adds it here.
    let listing = shop.visit_listing(engine).await.ok();
    assert_eq!(
        names(&listing.body),
        [
            "stock_no",
            "title",
            "page_name",
            "on_show_since",
            "language",
            "titles",
            "page_url",
            "kind",
            "name",
            "prototype",
            "design",
            "designer",
            "builder",
            "builder_standing",
            "built_year",
            "gauge",
            "scale",
            "whyte",
            "fuel",
            "weight",
            "length",
            "width",
            "height",
            "included_items",
            "offered_as",
            "working_order",
            "medals",
            "full_record",
            "build_quality",
            "price",
            "price_on_request",
            "currency",
            "availability",
            "sold_on",
            "photograph",
            "papers",
            // A card in the list has none of the following.
            "description",
            "translations",
            "grades",
            "graded_on",
            "findings",
            "photographs"
        ]
    );

    // The values are those on record.
    let at = |pointer: &str| listing.body.pointer(pointer).expect(pointer).clone();
    for (pointer, value) in [
        ("/stock_no", json!(engine)),
        (
            "/page_url",
            json!(format!(
                "https://shop.example/engines/marrowby-a-5-in-gauge-0-6-0-{engine}"
            )),
        ),
        ("/gauge/mm", json!("127")),
        ("/build_quality", json!("fine")),
        ("/grades/motion", json!("fair")),
        ("/grades/frames", Value::Null),
        ("/graded_on", json!("2026-01-10")),
        ("/price", json!("7680.00")),
        ("/price_on_request", json!(false)),
        ("/currency", json!("GBP")),
        ("/availability", json!("for_sale")),
        ("/on_show_since", json!("2026-05-14")),
        ("/papers/on", json!("2026-05-14")),
    ] {
        assert_eq!(at(pointer), value, "{pointer}");
    }

    // A card in the list is the listing without its longer parts, and other sites may read it.
    let list = shop.visit("/v1/public/listings").await.ok();
    let mut card = listing.body.clone();
    let members = card.as_object_mut().expect("an object");
    for more in [
        "description",
        "translations",
        "grades",
        "graded_on",
        "findings",
        "photographs",
    ] {
        assert!(members.remove(more).is_some(), "{more}");
    }
    assert_eq!(list.body["items"], json!([card]));
    assert_eq!(list.headers["access-control-allow-origin"], "*");
    let csv = shop
        .request(Method::GET, "/v1/public/listings")
        .header("accept", "text/csv")
        .send()
        .await
        .ok();
    assert_eq!(csv.text.lines().count(), 2);
}

/// 14 months from the steam test of 2025-03-14 and 48 from the hydraulic test of 2025-03-13 (The Boiler Test Code 2018, a
/// copper boiler), to the corresponding dates (Dodds v Walker [1981]).
#[actix_web::test]
async fn sentences_about_papers_are_those_of_the_day_they_are_read() {
    let shop = Shop::open().await;
    let engine = shop.has_on_show(make::engine(), &make::listing()).await;
    let today = shop.visit_listing(engine).await.ok();
    assert_eq!(
        today.body["papers"]["sentences"],
        json!([
            "Our records show, on 14 May 2026: hydraulic test certificate valid to 13 March 2029; \
             steam test certificate valid to 14 May 2026.",
            "These are all the certificates that the boiler code we hold requires."
        ])
    );
    let cautions = today.body["papers"]["cautions"].to_string();
    assert!(cautions.contains("independent inspector"), "{cautions}");
    let path = format!("/v1/public/listings/{engine}");
    let asked_again = || {
        shop.request(Method::GET, &path)
            .header("if-none-match", &today.etag())
            .send()
    };
    asked_again().await.is(304);

    shop.set_day("2026-05-15");
    let tomorrow = asked_again().await.ok();
    assert_ne!(tomorrow.etag(), today.etag());
    assert_eq!(
        tomorrow.body["papers"]["sentences"],
        json!([
            "Our records show, on 15 May 2026: hydraulic test certificate valid to 13 March 2029.",
            "The boiler code we hold also requires: steam test certificate (expired)."
        ])
    );
    for answer in [&today, &tomorrow] {
        assert!(
            !answer.body["papers"]["sentences"]
                .to_string()
                .to_lowercase()
                .contains("safe"),
            "{}",
            answer.text
        );
    }
}

#[actix_web::test]
async fn the_sentences_say_so_if_there_is_no_boiler_or_no_record_of_it() {
    let shop = Shop::open().await;
    let without = shop.shows(json!({}), "900.00").await;
    assert_eq!(
        shop.visit_listing(without).await.ok().body["papers"],
        json!({"on": "2026-05-14", "sentences": ["It has no boiler, so no boiler certificates apply."], "cautions": []})
    );
    let unknown = shop.has_on_show(make::engine(), &make::listing()).await;
    let fittings = shop.get(&format!("/v1/engines/{unknown}")).await.ok();
    let boiler = fittings.body["boiler_id"].as_i64().expect("a boiler");
    shop.takes_out(
        &format!("/v1/boilers/{boiler}"),
        &json!({"removed_on": "2026-05-14"}),
    )
    .await
    .ok();
    let papers = shop.visit_listing(unknown).await.ok().body["papers"].clone();
    assert_eq!(
        papers["sentences"],
        json!(["On 14 May 2026 we have no test certificate for this boiler on record."])
    );
}

/// Midnight of Europe/London in May is 23:00 UTC (IANA time zone database); windows by RFC 9111 and RFC 5861.
#[actix_web::test]
async fn no_cache_may_keep_an_answer_past_the_firms_midnight() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "900.00").await;
    for (now, control) in [
        (
            "2026-05-14T11:00:00Z",
            "public, max-age=60, stale-while-revalidate=300, stale-if-error=3600",
        ),
        (
            "2026-05-14T22:50:00Z",
            "public, max-age=60, stale-while-revalidate=300, stale-if-error=240",
        ),
        (
            "2026-05-14T22:59:30Z",
            "public, max-age=30, stale-while-revalidate=0, stale-if-error=0",
        ),
        (
            "2026-05-14T23:00:00Z",
            "public, max-age=60, stale-while-revalidate=300, stale-if-error=3600",
        ),
    ] {
        shop.clock.set(now.parse().expect("an instant"));
        for path in [
            "/v1/public/listings".to_owned(),
            format!("/v1/public/listings/{engine}"),
            "/v1/public/counts".to_owned(),
        ] {
            let answer = shop.visit(&path).await.ok();
            assert_eq!(answer.headers["cache-control"], control, "{path} at {now}");
            let unchanged = shop
                .request(Method::GET, &path)
                .header("if-none-match", &answer.etag())
                .send()
                .await
                .is(304);
            assert_eq!(unchanged.headers["cache-control"], control);
        }
    }
}

#[actix_web::test]
async fn a_sold_engine_stays_published_as_sold_until_it_is_withdrawn() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "7680.00").await;
    let other = shop.shows(json!({}), "900.00").await;
    shop.has_sold(engine).await;
    let sold = shop.visit_listing(engine).await.ok();
    assert_eq!(sold.body["availability"], "sold");
    assert_eq!(sold.body["sold_on"], "2026-05-14");
    assert_eq!(shop.seen("sort=-sold_on").await, [engine, other]);
    assert_eq!(
        sold.body["price"], "7680.00",
        "what was asked, not what was paid"
    );
    assert_eq!(shop.seen("").await, [engine, other]);
    assert_eq!(shop.seen("availability=for_sale").await, [other]);
    assert_eq!(shop.seen("availability=sold").await, [engine]);
    assert_eq!(
        shop.visit("/v1/public/counts").await.ok().body,
        json!({"items": [{"kind": "locomotive", "gauge_mm": "127", "for_sale": 1, "reserved": 0, "sold": 1}],
            "fuel": [{"value": "coal", "for_sale": 1, "reserved": 0, "sold": 1}],
            "whyte": [{"value": "0-6-0", "for_sale": 1, "reserved": 0, "sold": 1}], "scale": []})
    );
    let path = format!("/v1/engines/{engine}/listing/withdrawals");
    shop.post(&path, &json!({})).await.created();
    let gone = shop.visit_listing(engine).await.refused("gone").is(410);
    assert_eq!(gone.headers["cache-control"], "no-store");
    assert_eq!(shop.seen("").await, [other]);
    for missing in [999, 2_147_483_647, 99_999_999_999] {
        shop.visit_listing(missing)
            .await
            .refused("not_found")
            .is(404);
    }
    shop.visit("/problems/gone").await.ok();
}

#[actix_web::test]
async fn a_price_on_request_reveals_neither_itself_nor_its_rank() {
    let shop = Shop::open().await;
    let dear = shop.shows(json!({}), "9000.00").await;
    let hidden = shop.shows(json!({}), "5000.00").await;
    let cheap = shop.shows(json!({}), "1000.00").await;
    let on_request = json!({"price_on_request": true});
    shop.patch(&format!("/v1/engines/{hidden}/listing"), &on_request)
        .await
        .ok();
    let listing = shop.visit_listing(hidden).await.ok();
    assert_eq!(listing.body["price"], Value::Null);
    assert_eq!(listing.body["price_on_request"], true);
    assert!(!listing.text.contains("5000"));
    assert_eq!(shop.seen("sort=asking_price").await, [cheap, dear, hidden]);
    assert_eq!(
        shop.seen("sort=-asking_price&limit=1").await,
        [dear, cheap, hidden]
    );
    assert_eq!(
        shop.seen("asking_price_from=4999.99&asking_price_to=5000.01")
            .await,
        Vec::<i64>::new()
    );
}

#[actix_web::test]
async fn a_visitor_filters_and_orders_and_pages() {
    let shop = Shop::open().await;

    // Four engines differ in kind, gauge, fuel, price and day of publication.
    let tank = shop
        .shows(
            json!({"name": "Tansy", "prototype": "50% saddle_tank", "fuel": "coal"}),
            "3000.00",
        )
        .await;
    let roller = json!({"kind": "road_engine", "name": "Bracken", "gauge": null, "whyte": null, "fuel": "wood"});
    let roller = shop.shows(roller, "3000.00").await;
    shop.set_day("2026-05-16");
    let narrow = json!({"name": "Coltsfoot", "gauge": {"value": "7 1/4", "unit": "in"}, "whyte": "0-4-0", "built_year": 2001});
    let narrow = shop.shows(narrow, "8000.00").await;
    shop.set_day("2026-05-15");
    let late = shop.shows(json!({"name": "Burdock"}), "1000.00").await;
    for (query, found) in [
        ("", vec![tank, roller, narrow, late]),
        // By facts, with both sides of each limit.
        ("kind=road_engine", vec![roller]),
        ("kind=road_engine,locomotive&fuel=wood", vec![roller]),
        ("gauge_mm=127,184.15", vec![tank, narrow, late]),
        ("gauge_mm=184.15", vec![narrow]),
        ("gauge_mm=184", vec![narrow]),
        ("gauge_mm=183.9", vec![]),
        ("whyte=0-4-0", vec![narrow]),
        ("asking_price_from=3000.00", vec![tank, roller, narrow]),
        ("asking_price_from=3000.01", vec![narrow]),
        ("asking_price_to=3000.00", vec![tank, roller, late]),
        ("asking_price_to=2999.99", vec![late]),
        // By words in any order and case; signs that mean something to a database are plain text.
        ("q=SADDLE", vec![tank]),
        ("q=tank%20saddle", vec![tank]),
        ("q=tank%20bracken", vec![]),
        ("q=50%25", vec![tank]),
        ("q=%25", vec![tank]),
        ("q=_", vec![tank]),
        ("q=%5C", vec![]),
        ("q=winters", vec![tank, roller, narrow, late]),
        // Wrong by a letter, two neighbours swapped, without its accent; too far off; too short to guess at.
        ("q=coltsfoof", vec![narrow]),
        ("q=tnasy", vec![tank]),
        ("q=br%C3%A1cken", vec![roller]),
        ("q=coltsfffff", vec![]),
        ("q=tnk", vec![]),
        // By day of publication, and in each order.
        ("new_in_days=1", vec![narrow, late]),
        ("new_in_days=2", vec![tank, roller, narrow, late]),
        ("sort=asking_price", vec![late, tank, roller, narrow]),
        ("sort=-asking_price", vec![narrow, tank, roller, late]),
        ("sort=on_show_since", vec![tank, roller, late, narrow]),
        ("sort=-on_show_since", vec![narrow, late, tank, roller]),
    ] {
        // Small pages and large ones show the same engines in the same order.
        for limit in [1, 2, 50] {
            let query = format!("{query}&limit={limit}");
            assert_eq!(
                shop.seen(query.trim_start_matches('&')).await,
                found,
                "{query}"
            );
        }
    }

    // The same gauge goes before the same fuel; another kind is not alike.
    let alike = shop
        .visit(&format!("/v1/public/listings/{late}/similar"))
        .await
        .ok();
    let alike: Vec<&Value> = alike.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|it| &it["stock_no"])
        .collect();
    assert_eq!(alike, [&json!(tank), &json!(narrow)]);

    // The counts by kind and gauge cover the same four engines.
    let counts = shop.visit("/v1/public/counts").await.ok();
    assert_eq!(
        counts.body["items"],
        json!([
            {"kind": "locomotive", "gauge_mm": "127", "for_sale": 2, "reserved": 0, "sold": 0},
            {"kind": "locomotive", "gauge_mm": "184.15", "for_sale": 1, "reserved": 0, "sold": 0},
            {"kind": "road_engine", "gauge_mm": null, "for_sale": 1, "reserved": 0, "sold": 0}
        ])
    );

    // A filter that does not exist is refused, so that a slip does not look like an empty shop.
    for query in [
        "sort=price",
        "kind=tram",
        "kind=",
        "seller=1",
        "cost=1",
        "asking_price_from=cheap",
        "availability=lent",
        "new_in_days=0",
        "new_in_days=3661",
        "q=a%20b%20c%20d%20e%20f%20g%20h%20i%20j%20k",
    ] {
        shop.visit(&format!("/v1/public/listings?{query}"))
            .await
            .refused("invalid_query")
            .is(400);
    }

    // A cursor is good for its own order only.
    let page = shop
        .visit("/v1/public/listings?sort=asking_price&limit=1")
        .await
        .ok();
    let other_order = page.body["next"]
        .as_str()
        .expect("another page")
        .replace("sort=asking_price", "sort=-asking_price");
    shop.visit(&other_order)
        .await
        .refused("invalid_cursor")
        .is(400);
}

#[actix_web::test]
async fn a_finding_is_public_once_it_is_released() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let findings = json!([
        {"area": "motion", "severity": "note", "description": "left little end is slack"},
        {"area": "frames", "severity": "note", "description": "buffer beam was bent and set"}
    ]);
    let ids = shop.has_surveyed(engine, &findings).await;
    shop.has_drafted(engine, &make::listing()).await;
    shop.has_published(engine).await;
    assert_eq!(
        shop.visit_listing(engine).await.ok().body["findings"],
        json!([])
    );
    shop.patch(
        &format!("/v1/findings/{}", ids[1]),
        &json!({"released": true}),
    )
    .await
    .ok();
    assert_eq!(
        shop.visit_listing(engine).await.ok().body["findings"],
        json!([{"area": "frames", "severity": "note", "description": "buffer beam was bent and set",
            "found_on": "2026-01-10", "cleared_on": null}])
    );
}

/// Text columns that a visitor may read, or that have a fixed form that the service reads back (values of a list,
/// quantities, codes). Every other text column of the database, also one that is added later, must not reach the public.
const PUBLIC_OR_OF_FIXED_FORM: &[&str] = &[
    "acquisitions.method",
    "acquisitions.tax_position",
    "boiler_code_rules.*",
    "boiler_codes.*",
    "boiler_pressure_changes.at",
    "boiler_pressure_changes.working_pressure",
    "boilers.material",
    "boilers.volume",
    "boilers.working_pressure",
    "deliveries.method",
    "engines.adhesive_weight",
    "engines.bore",
    "engines.builder",
    "engines.builder_standing",
    "engines.design",
    "engines.designer",
    "engines.driving_wheel_diameter",
    "engines.fuel",
    "engines.gauge",
    "engines.height",
    "engines.kind",
    "engines.length",
    "engines.name",
    "engines.offered_as",
    "engines.prototype",
    "engines.prototype_gauge",
    "engines.rigid_wheelbase",
    "engines.scale",
    "engines.side_play",
    "engines.stated_tractive_effort",
    "engines.stroke",
    "engines.weight",
    "engines.whyte",
    "engines.width",
    "engines.working_order",
    "findings.area",
    "findings.severity",
    "firm.currency",
    "firm.jurisdiction",
    "firm.page_url",
    "firm.paper_size",
    "firm.time_zone",
    "price_scales.uncertainty",
    "job_grades.area",
    "job_grades.grade",
    "boiler_installations.installed_at",
    "boiler_installations.removed_at",
    "jobs.finished_at",
    "jobs.skill",
    "jobs.status",
    "jobs.work_place",
    "jobs.working_order_after",
    "journal.*",
    "keys.role",
    "listings.page_name",
    "listings.status",
    "listings.title",
    "listings.description",
    "payments.method",
    "photograph_sizes.file",
    "photographs.alt",
    "checklist_items.item",
    "checklist_items.kind",
    "preparation_ticks.item",
    "survey_grades.*",
    "surveys.asbestos",
    "surveys.build_quality",
    "test_costs.test",
    "tests.at",
    "tests.highest_pressure",
    "tests.pressure",
    "tests.test",
    "webhook_calls.outcome",
    "webhooks.switched_off_reason",
    "webhooks.status",
];

#[actix_web::test]
async fn nothing_private_reaches_a_visitor() {
    let shop = Shop::open().await;

    // A whole trade puts text into as many tables as possible.
    let engine = shop.has_ready_to_list(make::engine()).await;
    let findings =
        json!([{"area": "motion", "severity": "note", "description": "left little end is slack"}]);
    shop.has_surveyed(engine, &findings).await;
    let job = json!({"title": "Set the valves", "touches": ["motion"]});
    shop.post(&format!("/v1/engines/{engine}/jobs"), &job)
        .await
        .created();
    shop.has_drafted(engine, &make::listing()).await;
    shop.has_published(engine).await;
    let sale = shop.has_sold(engine).await;
    shop.has_been_paid(sale, "7600.00").await;
    shop.has_packed(engine).await;
    let delivery =
        json!({"on": "2026-05-14", "method": "collection", "handed_to": "Odo Fenwright"});
    shop.post(&format!("/v1/engines/{engine}/deliveries"), &delivery)
        .await
        .created();

    // Every text column counts as private unless it is listed as public; the known private ones are among them.
    let marked = statement_in(
        &shop.database_url,
        &format!(
            "SELECT table_name || '.' || column_name FROM information_schema.columns c
             JOIN information_schema.tables t USING (table_schema, table_name)
             WHERE table_schema = 'public' AND table_type = 'BASE TABLE' AND data_type = 'text'
                AND table_name NOT LIKE '\\_\\_%'
                AND NOT table_name || '.' || column_name = ANY ('{{{listed}}}')
                AND NOT table_name || '.*' = ANY ('{{{listed}}}')
             ORDER BY 1",
            listed = PUBLIC_OR_OF_FIXED_FORM.join(",")
        ),
    )
    .await;
    for needed in [
        "acquisitions.notes",
        "engines.notes",
        "engines.place",
        "persons.name",
        "findings.description",
        "sales.notes",
        "deliveries.handed_to",
        "asking_prices.reason",
        "tests.inspector",
        "boilers.number",
        "listings.withdrawal_reason",
    ] {
        assert!(
            marked.iter().any(|column| column == needed),
            "{needed} in {marked:?}"
        );
    }

    // A mark goes into each of them.
    for column in marked
        .iter()
        .filter(|column| *column != "listings.withdrawal_reason")
    {
        let (table, column) = column.split_once('.').expect("table and column");
        statement_in(
            &shop.database_url,
            &format!("UPDATE {table} SET {column} = left('zqcanary' || coalesce({column}, ''), 58) RETURNING ''::text"),
        )
        .await;
    }

    // All that a visitor can ask for, in every form, is free of the mark.
    let mut answers = Vec::new();
    for path in [
        "/v1/public/listings".to_owned(),
        "/v1/public/listings?q=canary".to_owned(),
        "/v1/public/counts".to_owned(),
        format!("/v1/public/listings/{engine}"),
    ] {
        for form in ["application/json", "text/csv", "application/x-ndjson"] {
            let asked = shop.request(Method::GET, &path).header("accept", form);
            answers.push(asked.send().await.ok());
        }
    }
    answers.push(shop.visit("/v1/public/listings/999").await);

    // What was paid at the door and by the buyer: 4200.00 and 7600.00.
    for answer in &answers {
        for private in ["canary", "4200", "7600", "Fenwright", "little end"] {
            assert!(!answer.text.contains(private), "{private}: {}", answer.text);
        }
    }
    assert!(answers[0].text.contains("Marrowby"));

    // The reason for a withdrawal is private, too.
    let withdrawal = json!({"reason": "zqcanary"});
    shop.post(
        &format!("/v1/engines/{engine}/listing/withdrawals"),
        &withdrawal,
    )
    .await
    .created();
    let gone = shop.visit_listing(engine).await.refused("gone");
    assert!(!gone.text.contains("canary"), "{}", gone.text);
}

/// Clocks of Europe/London: IANA time zone database, summer time from 2026-03-29 to 2026-10-25.
#[test]
fn a_day_ends_at_the_firms_own_midnight() {
    let left = |zone, now: &str| seconds_left_of_day(zone, now.parse().expect("an instant"));
    for (now, seconds) in [
        ("2026-05-14T22:59:59Z", 1),
        ("2026-05-14T22:59:59.5Z", 0),
        ("2026-05-14T23:00:00Z", 24 * 3600),
        ("2026-01-14T23:59:59Z", 1),
        ("2026-01-15T00:00:00Z", 24 * 3600),
        ("2026-03-29T00:00:00Z", 23 * 3600),
        ("2026-10-24T23:00:00Z", 25 * 3600),
    ] {
        assert_eq!(left("Europe/London", now), seconds, "{now}");
    }
    assert_eq!(left("Pacific/Auckland", "2026-05-14T11:59:00Z"), 60);
}

/// The windows of the interface's own rule, cut at midnight by plain reading of it.
#[test]
fn no_window_of_a_public_answer_reaches_past_midnight() {
    for (left, fresh, stale, stale_on_error) in [
        (86_400, 60, 300, 3600),
        (3960, 60, 300, 3600),
        (3959, 60, 300, 3599),
        (360, 60, 300, 0),
        (359, 60, 299, 0),
        (60, 60, 0, 0),
        (59, 59, 0, 0),
        (0, 0, 0, 0),
    ] {
        assert_eq!(
            public_until_midnight(left),
            format!(
                "public, max-age={fresh}, stale-while-revalidate={stale}, stale-if-error={stale_on_error}"
            ),
            "{left} seconds left"
        );
    }
}

/// Two processes on one database: what one takes off show is gone from the other within a second.
#[actix_web::test]
async fn what_one_process_withdraws_the_other_stops_showing() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "7680.00").await;
    let other = shop.beside(ShopWindow::default());
    other.visit_listing(engine).await.ok();
    let path = format!("/v1/engines/{engine}/listing/withdrawals");
    shop.post(&path, &json!({})).await.created();
    // Who wrote it reads it.
    shop.visit_listing(engine).await.refused("gone");
    let mut tries = 0;
    while other.visit_listing(engine).await.status != 410 {
        tries += 1;
        assert!(tries < 100, "it is still shown after a second");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    assert_eq!(other.seen("").await, Vec::<i64>::new());
}

/// What cannot be checked is shown with its age, and after a bound not at all.
#[actix_web::test]
async fn a_process_that_cannot_reach_the_journal_says_so() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "7680.00").await;
    let other = shop.beside(ShopWindow::trusted_for(Duration::from_secs(4)));
    let fresh = other.visit_listing(engine).await;
    assert!(!fresh.ok().headers.contains_key("age"));

    let (_, database) = shop.database_url.rsplit_once('/').expect("a name");
    let reach = async |is_let_in: bool| {
        let sql = format!(
            "ALTER DATABASE {database} ALLOW_CONNECTIONS {is_let_in};
             SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{database}' AND NOT {is_let_in}"
        );
        statement(cluster(), "postgres", &sql).await;
    };
    reach(false).await;
    let began = Instant::now();
    let mut ages = Vec::new();
    let refused = loop {
        let answer = other.visit_listing(engine).await;
        if answer.status != 200 {
            break answer;
        }
        let age = answer
            .headers
            .get("age")
            .map(|age| age.to_str().expect("text").to_owned());
        ages.push(age);
        assert!(
            began.elapsed() < Duration::from_secs(10),
            "it is shown for ever"
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    };
    refused.refused("service_unavailable");
    assert!(ages.contains(&Some("2".to_owned())), "{ages:?}");
    reach(true).await;
    let mut back = other.visit_listing(engine).await;
    while back.status != 200 {
        assert!(
            began.elapsed() < Duration::from_secs(20),
            "it does not come back"
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
        back = other.visit_listing(engine).await;
    }
    assert!(!back.headers.contains_key("age"));
}

/// Nothing is written when a reservation ends: only the clock says so, to the second.
#[actix_web::test]
async fn a_reservation_that_ends_is_not_shown_any_more() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "7680.00").await;
    let buyer = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let held = json!({"stock_no": engine, "person_id": buyer, "until_at": "2026-05-14T12:00:00Z"});
    shop.post("/v1/reservations", &held).await.created();
    for (at, availability) in [
        ("2026-05-14T11:59:59Z", "reserved"),
        ("2026-05-14T12:00:00Z", "for_sale"),
    ] {
        shop.clock.set(at.parse().expect("an instant"));
        let listing = shop.visit_listing(engine).await.ok();
        assert_eq!(listing.body["availability"], availability, "{at}");
        assert_eq!(
            shop.seen(&format!("availability={availability}")).await,
            [engine]
        );
    }
}

/// RFC 9110, section 8.8.3.3: each coding is a representation of its own, with its own tag.
#[actix_web::test]
async fn an_answer_in_gzip_is_the_same_answer() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({}), "7680.00").await;
    for path in [
        format!("/v1/public/listings/{engine}"),
        "/v1/public/listings".to_owned(),
        "/v1/public/counts".to_owned(),
    ] {
        let plain = shop.visit(&path).await.ok();
        let asked = shop.request(Method::GET, &path);
        let packed = asked.header("accept-encoding", "gzip").send().await;
        assert_eq!(packed.headers["content-encoding"], "gzip", "{path}");
        let tag = packed.etag();
        assert_eq!(
            tag,
            format!("{}-gzip\"", plain.etag().trim_end_matches('"'))
        );
        for (coding, known) in [("gzip", &tag), ("identity", &plain.etag())] {
            let asked = shop.request(Method::GET, &path);
            let asked = asked.header("accept-encoding", coding);
            let again = asked.header("if-none-match", known).send().await;
            assert_eq!(again.status, 304, "{path} {coding}");
            assert_eq!(&again.etag(), known, "{path} {coding}");
        }
    }
}

/// XML 1.0, fifth edition, 2.2: a document must not contain anything that is no Char, escaped or not. `roxmltree` refuses such a document.
#[actix_web::test]
async fn no_character_that_someone_types_breaks_the_feed() {
    let shop = Shop::open().await;
    let engine = shop.shows(json!({"name": "Tansy"}), "7680.00").await;
    let listing = format!("/v1/engines/{engine}/listing");
    let of_each_plane = (1..=16_u32).flat_map(|plane| {
        let ends = [0..16, 0xfff0..0x1_0000];
        ends.into_iter().flatten().map(move |at| plane << 16 | at)
    });
    // What no text takes is left out; the others go through words of the greatest length.
    let typed: Vec<char> = (0..0x1_0000)
        .chain(of_each_plane)
        .filter_map(char::from_u32)
        .filter(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t'))
        .collect();
    for part in typed.chunks(9_000) {
        let words = format!("a{}z", part.iter().collect::<String>());
        shop.patch(&listing, &json!({"description": words}))
            .await
            .ok();
        let feed = shop.visit("/v1/public/listings.atom").await.ok().text;
        let read = roxmltree::Document::parse(&feed);
        let read = read.unwrap_or_else(|e| panic!("from {:?}: {e}", part[0]));
        let summary = read.descendants().find(|it| it.has_tag_name("summary"));
        let told = summary.and_then(|it| it.text()).unwrap_or_default();
        assert!(told.starts_with('a') && told.ends_with('z'), "{told}");
        let kept = part
            .iter()
            .filter(|c| !matches!(**c, '\r' | '\u{fffe}' | '\u{ffff}'));
        assert!(kept.clone().count() + 2 <= told.chars().count());
    }
}

/// schema.org (Product, Offer), RFC 4287 (feed and entry need id, title, updated), sitemaps.org 0.9 (urlset, url, loc).
#[actix_web::test]
async fn other_sites_read_the_same_facts_in_open_forms() {
    let shop = Shop::open().await;
    let page =
        json!({"page_url": "https://shop.example/engines/{page_name}", "name": "Quillow & Lane"});
    shop.patch("/v1/firm", &page).await.ok();
    let engine = shop.shows(json!({"name": "Tansy"}), "7680.00").await;
    let sold = shop.shows(json!({"name": "Burdock"}), "900.00").await;

    // Search engines read the listing as a product with an offer.
    let product = async |engine: i64| {
        let asked = shop.request(Method::GET, &format!("/v1/public/listings/{engine}"));
        let asked = asked.header("accept", "application/ld+json");
        let answer = asked.send().await.ok();
        assert_eq!(answer.headers["content-type"], "application/ld+json");
        answer.body
    };
    let told = product(engine).await;
    for (pointer, value) in [
        ("/@type", "Product"),
        ("/offers/@type", "Offer"),
        ("/offers/price", "7680.00"),
        ("/offers/priceCurrency", "GBP"),
        ("/offers/availability", "https://schema.org/InStock"),
        ("/offers/itemCondition", "https://schema.org/UsedCondition"),
        ("/offers/seller/name", "Quillow & Lane"),
    ] {
        assert_eq!(told.pointer(pointer), Some(&json!(value)), "{pointer}");
    }

    // A reservation and a sale change the availability.
    let before = shop.visit("/v1/public/listings.atom").await.ok().text;
    shop.set_day("2026-05-20");
    let buyer = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let held = json!({"stock_no": engine, "person_id": buyer, "until_at": "2026-05-21T12:00:00Z"});
    shop.post("/v1/reservations", &held).await.created();
    let sale = json!({"on": "2026-05-20", "price": "900.00", "person_id": buyer, "below_break_even_confirmed": true});
    shop.post(&format!("/v1/engines/{sold}/sales"), &sale)
        .await
        .created();
    assert_eq!(
        product(engine).await["offers"]["availability"],
        "https://schema.org/Reserved"
    );
    assert_eq!(
        product(sold).await["offers"]["availability"],
        "https://schema.org/SoldOut"
    );

    // In the feed an engine keeps its identifier, so that readers see a change and not another engine.
    let after = shop.visit("/v1/public/listings.atom").await.ok();
    assert_eq!(
        after.headers["content-type"],
        "application/atom+xml; charset=utf-8"
    );
    let texts = |xml: &str, name: &str| {
        let read = roxmltree::Document::parse(xml).expect("XML");
        let named = read
            .descendants()
            .filter(|it| it.has_tag_name(("http://www.w3.org/2005/Atom", name)));
        named
            .map(|it| it.text().unwrap_or_default().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(texts(&after.text, "title")[0], "Quillow & Lane");
    assert_eq!(texts(&after.text, "id").len(), 3);
    assert_eq!(
        texts(&after.text, "id"),
        texts(&before, "id"),
        "ids never change"
    );
    assert_eq!(
        texts(&after.text, "updated"),
        [
            "2026-05-20T00:00:00Z",
            "2026-05-14T00:00:00Z",
            "2026-05-20T00:00:00Z"
        ]
    );

    // The site map has the page of each engine.
    let map = shop.visit("/v1/public/sitemap.xml").await.ok().text;
    let map = roxmltree::Document::parse(&map).expect("XML");
    let loc = ("http://www.sitemaps.org/schemas/sitemap/0.9", "loc");
    let pages: Vec<_> = map
        .descendants()
        .filter(|it| it.has_tag_name(loc))
        .filter_map(|it| it.text())
        .collect();
    assert_eq!(pages.len(), 2);
    assert!(
        pages.contains(
            &shop.visit_listing(engine).await.body["page_url"]
                .as_str()
                .expect("text")
        ),
        "{pages:?}"
    );
}
