//! Valuations from the price scale, through the interface.

use crate::{
    harness::{Shop, text},
    make,
    pricing::price_scale::{factor, price_scale},
};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

async fn writes(shop: &Shop, price_scale: &Value) {
    shop.post("/v1/price-scale/versions", price_scale)
        .await
        .created();
}

fn effects(valuation: &Value) -> Vec<(&str, &str)> {
    let steps = valuation["steps"].as_array().expect("steps");
    steps
        .iter()
        .map(|step| {
            let text = |name: &str| step[name].as_str().expect("a text");
            (text("factor"), text("effect"))
        })
        .collect()
}

fn pennies(amount: &Value) -> i64 {
    let text = amount.as_str().expect("an amount").replace('.', "");
    text.parse().expect("pennies")
}

/// Sales comparison by multiplying factors (market approach of the International Valuation Standards; constructed
/// arithmetic): 6200 x 1.05 x 0.96 = 6249.60; 5400 x 1.10 x 1.02 = 6058.80; 7000 x 0.92 = 6440.00. The range is likely
/// / 1.25 to likely x 1.25. Effects by hand from L ln factor, L = (6249.60 - 6200) / ln(6249.60 / 6200) = 6224.77 (Ang,
/// Energy Policy 33, 2005).
#[actix_web::test]
async fn the_likely_price_is_the_base_price_times_the_factors() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    for (start, factors, low, likely, high) in [
        (
            "6200.00",
            vec![
                factor("builder", "amateur", "1.05"),
                factor("fuel", "coal", "0.96"),
            ],
            "4999.68",
            "6249.60",
            "7812.00",
        ),
        (
            "5400.00",
            vec![
                factor("working_order", "in_running_order", "1.10"),
                factor("builder", "amateur", "1.02"),
            ],
            "4847.04",
            "6058.80",
            "7573.50",
        ),
        (
            "7000.00",
            vec![factor("fuel", "coal", "0.92")],
            "5152.00",
            "6440.00",
            "8050.00",
        ),
    ] {
        writes(&shop, &price_scale("2026-01-01", start, &factors)).await;
        let valued = shop
            .post(&format!("/v1/engines/{engine}/valuations"), &json!({}))
            .await
            .created();
        let body = &valued.body;
        assert_eq!(
            (&body["low"], &body["likely"], &body["high"]),
            (&json!(low), &json!(likely), &json!(high))
        );
        let steps = body["steps"].as_array().expect("steps");
        let sum: i64 = steps.iter().map(|step| pennies(&step["effect"])).sum();
        assert_eq!(pennies(&body["start"]) + sum, pennies(&body["likely"]));
        assert_eq!(
            (&body["on"], &body["level_percent"], &body["basis"]),
            (&json!("2026-05-14"), &json!(80), &json!("price_scale"))
        );
        if start == "6200.00" {
            assert_eq!(effects(body), [("1.05", "303.71"), ("0.96", "-254.11")]);
        }
        let read = shop.get(&valued.location()).await.ok();
        assert_eq!((&read.body, read.etag()), (body, valued.etag()));
    }
}

#[actix_web::test]
async fn a_valuation_says_that_no_sales_support_it_and_what_is_not_known() {
    let shop = Shop::open().await;
    let engine = shop
        .has(make::with(
            make::engine(),
            &json!({"included_items": ["box"]}),
        ))
        .await;
    let factors = [
        factor("box", "included", "1.02"),
        factor("papers", "in_date", "1.10"),
        factor("boiler", "good", "1.05"),
        factor("trolley", "included", "1.01"),
    ];
    writes(&shop, &price_scale("2026-01-01", "1000.00", &factors)).await;
    let valued = shop
        .post(&format!("/v1/engines/{engine}/valuations"), &json!({}))
        .await
        .created()
        .body;
    assert_eq!(valued["likely"], "1020.00");
    assert_eq!(effects(&valued), [("1.02", "20.00")]);
    assert_eq!(valued["not_known"], json!(["boiler", "papers", "trolley"]));
    let warnings = valued["warnings"].as_array().expect("warnings");
    let first = warnings[0].as_str().expect("a sentence");
    assert!(
        first.contains("price scale only") && first.contains("no past sales support it"),
        "{first}"
    );
    assert_eq!(warnings.len(), 4);
    assert_eq!(
        shop.journal().await,
        ["engine.acquired", "price_scale.created", "engine.valued"]
    );
}

#[actix_web::test]
async fn a_valuation_uses_the_price_scale_of_its_day_and_never_changes() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let path = format!("/v1/engines/{engine}/valuations");
    shop.post(&path, &json!({}))
        .await
        .refused("conflict")
        .is(409);
    writes(&shop, &price_scale("2026-02-01", "6000.00", &[])).await;
    writes(&shop, &price_scale("2026-05-01", "6200.00", &[])).await;
    let on = async |day: &str| shop.post(&path, &json!({"on": day})).await;
    on("2026-01-31").await.refused("conflict").is(409);
    let old = on("2026-04-30").await.created();
    assert_eq!(old.body["likely"], "6000.00");
    assert_eq!(on("2026-05-01").await.created().body["likely"], "6200.00");
    on("2026-05-15").await.invalid_at("/on");

    writes(&shop, &price_scale("2026-04-01", "9000.00", &[])).await;
    assert_eq!(shop.get(&old.location()).await.ok().body, old.body);
    let list = shop.get(&format!("/v1/valuations?stock_no={engine}")).await;
    let list = list.ok().body;
    let days: Vec<_> = list["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|valuation| valuation["on"].clone())
        .collect();
    assert_eq!(days, ["2026-05-01", "2026-04-30"], "the latest first");
}

#[actix_web::test]
async fn without_a_base_price_there_is_no_valuation() {
    let shop = Shop::open().await;
    writes(&shop, &price_scale("2026-01-01", "6200.00", &[])).await;
    for (change, reason) in [
        (
            json!({"gauge": {"value": "7 1/4", "unit": "in"}}),
            "no base price for a locomotive of that size",
        ),
        (json!({"gauge": null}), "the engine's gauge is not known"),
        (
            json!({"kind": "stationary", "whyte": null}),
            "no base price for the kind stationary",
        ),
    ] {
        let engine = shop.has(make::with(make::engine(), &change)).await;
        let refused = shop
            .post(&format!("/v1/engines/{engine}/valuations"), &json!({}))
            .await
            .refused("conflict")
            .is(409);
        let detail = refused.body["detail"].as_str().expect("a sentence");
        assert!(detail.contains(reason), "{detail}");
        let list = shop.get(&format!("/v1/valuations?stock_no={engine}")).await;
        assert_eq!(list.ok().body["items"], json!([]));
    }
    let missing = shop.get("/v1/valuations/99").await;
    missing.refused("not_found").is(404);
    shop.post("/v1/engines/99/valuations", &json!({}))
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn sellers_value_engines_and_staff_read_it() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    writes(&shop, &price_scale("2026-01-01", "6200.00", &[])).await;
    let path = format!("/v1/engines/{engine}/valuations");
    let value = |role| {
        let value = shop.request(Method::POST, &path).by(&shop, role);
        value.json(&json!({})).send()
    };
    for role in [Role::Fitter, Role::Bookkeeper, Role::Website] {
        value(role).await.refused("forbidden");
    }
    value(Role::Seller).await.created();
    for path in ["/v1/valuations", "/v1/valuations/1"] {
        let by = |role| shop.request(Method::GET, path).by(&shop, role).send();
        by(Role::Fitter).await.ok();
        by(Role::Website).await.refused("forbidden");
    }
}

/// A fact counts from the day on which it is recorded; the later survey of an area replaces the earlier, and other
/// areas stay (plain reading, no source). Copper boiler, hydraulic 14 May 2022, steam 1 April 2025: certificates valid
/// to 14 May 2026 (British code, published).
#[actix_web::test]
async fn surveys_and_papers_of_the_day_count() {
    let shop = Shop::open().await;
    let (engine, boiler) = shop.has_engine_with(make::boiler()).await;
    let path = format!("/v1/engines/{engine}/valuations");
    let factors = [
        factor("build_quality", "fine", "2"),
        factor("boiler", "good", "3"),
        factor("boiler", "worn", "5"),
        factor("motion", "fair", "7"),
        factor("papers", "in_date", "11"),
        factor("papers", "not_in_date", "13"),
    ];
    writes(&shop, &price_scale("2026-01-01", "1.00", &factors)).await;
    let likely = async |day: &str| {
        let valued = shop.post(&path, &json!({"on": day})).await.created();
        valued.body["likely"].clone()
    };
    for survey in [
        json!({"on": "2026-04-08", "surveyor": "Edda Morlock", "build_quality": "fine", "grades": {"boiler": "good", "motion": "fair"}}),
        json!({"on": "2026-05-02", "surveyor": "Edda Morlock", "grades": {"boiler": "worn"}}),
    ] {
        shop.post(&format!("/v1/engines/{engine}/surveys"), &survey)
            .await
            .created();
    }
    assert_eq!(
        likely("2026-04-07").await,
        "13.00",
        "a boiler without certificates"
    );
    for test in [make::hydraulic("2022-05-14"), make::steam("2025-04-01")] {
        shop.post(&format!("{boiler}/tests"), &test).await.created();
    }
    shop.set_day("2026-05-15");
    for (day, price) in [
        ("2026-04-07", "11.00"),
        ("2026-04-08", "462.00"),
        ("2026-05-01", "462.00"),
        ("2026-05-02", "770.00"),
        ("2026-05-14", "770.00"),
        ("2026-05-15", "910.00"),
    ] {
        assert_eq!(likely(day).await, price, "{day}");
    }
}

/// Parts add up to the penny, and the same facts and model give the same answer (invariants; no figure of ours is
/// expected).
#[actix_web::test]
async fn with_eight_sales_a_model_is_used_and_every_penny_is_explained() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    let path = format!("/v1/engines/{engine}/valuations");
    shop.has_written(&[factor("build_quality", "fine", "1.05")])
        .await;

    // With seven sales only the price scale is used.
    shop.has_seen(7).await;
    shop.learns().await;
    let alone = shop.post(&path, &json!({})).await.created().body;
    assert_eq!(
        (&alone["basis"], &alone["price_model_id"]),
        (&json!("price_scale"), &json!(null))
    );

    // With more sales a model is fitted, and its steps add up to the likely price.
    for i in 7..24 {
        shop.has_seen_one(i, &json!({})).await;
    }
    shop.learns().await;
    let asked = json!({"level_percent": 90, "supposing": [{"grades": {"motion": "as_new"}}, {"papers_months_left": 14}]});
    let answer = shop.post(&path, &asked).await.created();
    let valued = &answer.body;
    assert_eq!(
        (&valued["basis"], &valued["price_model_id"]),
        (&json!("sales"), &json!(1))
    );
    assert_eq!(
        (&valued["level_percent"], &valued["start"]),
        (&json!(90), &json!("6200.00"))
    );
    let steps = valued["steps"].as_array().expect("steps");
    let sum: i64 = steps.iter().map(|step| pennies(&step["effect"])).sum();
    assert_eq!(pennies(&valued["start"]) + sum, pennies(&valued["likely"]));
    assert_eq!(
        (&steps[0]["from"], &steps[0]["level"]),
        (&json!("price_scale"), &json!("fine"))
    );
    assert!(pennies(&valued["low"]) < pennies(&valued["likely"]));
    assert!(pennies(&valued["likely"]) < pennies(&valued["high"]));

    // Each comparable is on record, and its steps end at the adjusted price.
    let comparables = valued["comparables"].as_array().expect("comparables");
    assert!(!comparables.is_empty());
    for sale in comparables {
        let id = sale["comparable_id"].as_i64().expect("an id");
        let seen = shop.get(&format!("/v1/comparables/{id}")).await.ok().body;
        assert_eq!((&seen["price"], &seen["on"]), (&sale["price"], &sale["on"]));
        if let Some(last) = sale["steps"].as_array().and_then(|steps| steps.last()) {
            assert_eq!(last["price"], sale["adjusted_price"]);
        }
    }

    // The difference of each what-if is exact, and a better grade is never cheaper.
    for supposed in valued["supposing"].as_array().expect("supposing") {
        let difference = pennies(&supposed["likely"]) - pennies(&valued["likely"]);
        assert_eq!(difference, pennies(&supposed["difference"]));
    }
    assert!(
        pennies(&valued["supposing"][0]["difference"]) >= 0,
        "a better grade is never cheaper"
    );
    assert!(!valued.to_string().contains("NaN"));

    // The same question gets the same answer; a higher level widens the range around the same price.
    let again = shop.post(&path, &asked).await.created().body;
    let reasons = |body: &Value| make::with(body.clone(), &json!({"id": 0}));
    assert_eq!(reasons(&again), reasons(valued));
    assert_eq!(&shop.get(&answer.location()).await.ok().body, valued);
    let wider = shop
        .post(&path, &json!({"level_percent": 95}))
        .await
        .created()
        .body;
    let narrower = shop
        .post(&path, &json!({"level_percent": 50}))
        .await
        .created()
        .body;
    assert!(pennies(&wider["high"]) > pennies(&narrower["high"]));
    assert_eq!(wider["likely"], narrower["likely"]);

    // A day before the first model does not use it.
    let earlier = shop
        .post(&path, &json!({"on": "2026-05-13"}))
        .await
        .created()
        .body;
    assert_eq!(earlier["basis"], "price_scale");
}

#[actix_web::test]
async fn a_valuation_request_has_its_limits() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    shop.has_written(&[]).await;
    let path = format!("/v1/engines/{engine}/valuations");
    for (body, pointer) in [
        (json!({"level_percent": 49}), "/level_percent"),
        (json!({"level_percent": 96}), "/level_percent"),
        (json!({"supposing": [{}]}), "/supposing/0"),
        (
            json!({"supposing": [{"papers_months_left": 61}]}),
            "/supposing/0/papers_months_left",
        ),
        (
            json!({"supposing": [{"grades": {"motion": "splendid"}}]}),
            "/supposing/0/grades/motion",
        ),
    ] {
        shop.post(&path, &body).await.invalid_at(pointer);
    }
    for level in [50, 95] {
        shop.post(&path, &json!({"level_percent": level}))
            .await
            .created();
    }
}

/// An engine with worn motion and certificates valid to 14 May 2026, priced by the price scale: 1000 as it is, times 2
/// in good motion, times 3 while its certificates are valid (invented factors, so that each price shows which of them
/// were applied).
async fn shop_with_a_tired_engine() -> (Shop, i64, String) {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    shop.has_boiler_with_papers(engine).await;
    let factors = [
        factor("motion", "good", "2"),
        factor("papers", "in_date", "3"),
        factor("working_order", "dismantled", "7"),
    ];
    writes(&shop, &price_scale("2026-01-01", "1000.00", &factors)).await;
    let path = format!("/v1/engines/{engine}/valuations");
    (shop, engine, path)
}

/// Work on pressure parts voids the hydraulic and steam certificates, and both tests restore them (British code,
/// published).
#[actix_web::test]
async fn a_finished_job_and_its_tests_can_be_assumed() {
    let (shop, engine, path) = shop_with_a_tired_engine().await;
    let job = json!({"title": "Motion and two stays", "touches": ["pressure_parts"], "grades_after": {"motion": "good"}});
    let job = shop
        .post(&format!("/v1/engines/{engine}/jobs"), &job)
        .await
        .created()
        .id();
    let strip =
        json!({"title": "Strip", "touches": ["other"], "working_order_after": "dismantled"});
    let strip = shop
        .post(&format!("/v1/engines/{engine}/jobs"), &strip)
        .await
        .created()
        .id();
    let asked = json!({"supposing": [
        {"finished_jobs": [job]},
        {"finished_jobs": [job], "tests_passed": ["hydraulic_repeat"]},
        {"finished_jobs": [job], "tests_passed": ["hydraulic_repeat", "steam"]},
        {"finished_jobs": [strip]},
        {"finished_jobs": [job, strip], "papers_months_left": 5},
    ]});
    let valued = shop.post(&path, &asked).await.created().body;
    assert_eq!(valued["likely"], "3000.00", "certificates are valid today");
    let likely = |i: usize| text(&valued["supposing"][i]["likely"]);
    let all: Vec<String> = (0..5).map(likely).collect();
    assert_eq!(
        all,
        ["2000.00", "2000.00", "6000.00", "21000.00", "42000.00"]
    );
    shop.set_day("2026-05-15");
    let fresh = json!({"supposing": [{"tests_passed": ["steam"]}]});
    let valued = shop.post(&path, &fresh).await.created().body;
    assert_eq!(
        (&valued["likely"], &valued["supposing"][0]["difference"]),
        (&json!("1000.00"), &json!("2000.00")),
        "a new steam test makes the certificates valid again"
    );
    assert_eq!(
        shop.get(&format!("/v1/jobs/{job}")).await.ok().body["status"],
        "proposed"
    );
}

#[actix_web::test]
async fn only_open_jobs_of_the_engine_and_tests_of_its_boiler_can_be_assumed() {
    let (shop, engine, path) = shop_with_a_tired_engine().await;
    let done = shop.has_job_started(engine, &["other"], &[]).await;
    shop.finishes(&done, "2026-03-03").await;
    let other = shop.has(make::engine()).await;
    let of_other = json!({"title": "Work", "touches": ["other"]});
    let of_other = shop
        .post(&format!("/v1/engines/{other}/jobs"), &of_other)
        .await
        .created()
        .id();
    for id in [1, of_other, 99] {
        let asked = json!({"supposing": [{"papers_months_left": 3}, {"finished_jobs": [id]}]});
        shop.post(&path, &asked)
            .await
            .invalid_at("/supposing/1/finished_jobs/0");
    }
    let without_boiler = json!({"supposing": [{"tests_passed": ["steam"]}]});
    shop.post(&format!("/v1/engines/{other}/valuations"), &without_boiler)
        .await
        .invalid_at("/supposing/0/tests_passed");
    let described = json!({"engine": {"kind": "locomotive", "gauge": {"value": "5", "unit": "in"}},
        "supposing": [{"finished_jobs": [1]}]});
    shop.post("/v1/buying-valuations", &described)
        .await
        .invalid_at("/supposing/0/finished_jobs");
}

#[actix_web::test]
async fn engines_are_valued_together_as_one_by_one() {
    let (shop, engine, path) = shop_with_a_tired_engine().await;
    let other = shop.has(make::engine()).await;
    let unsized_one = shop
        .has(make::with(make::engine(), &json!({"gauge": null})))
        .await;
    shop.has_sold(other).await;
    let alone = shop.post(&path, &json!({})).await.created().body;
    let before = shop.journal().await.len();
    let made = shop.post("/v1/valuations", &json!({})).await.created();
    let items = made.body["items"].as_array().expect("items");
    let stock_nos: Vec<_> = items.iter().map(|item| item["stock_no"].as_i64()).collect();
    assert_eq!(
        stock_nos,
        [Some(engine), Some(unsized_one)],
        "the engines in stock"
    );
    assert_eq!(
        (
            &items[0]["low"],
            &items[0]["likely"],
            &items[0]["likely_before"]
        ),
        (&alone["low"], &alone["likely"], &json!("3000.00"))
    );
    assert_eq!(items[1]["valuation_id"], json!(null));
    assert!(text(&items[1]["not_valued"]).contains("gauge is not known"));
    assert_eq!(shop.journal().await.len(), before + 1, "one was valued");
    let kept = shop.get(&made.location()).await.ok().body;
    let id = &items[0]["valuation_id"];
    assert_eq!(&kept["items"][0]["id"], id);
    let same = |body: &Value| make::with(body.clone(), &json!({"id": 0}));
    assert_eq!(same(&kept["items"][0]), same(&alone));
    let of_one = shop
        .get(&format!("/v1/valuations?stock_no={other}"))
        .await
        .ok();
    assert_eq!(of_one.body["items"], json!([]));

    let named = json!({"stock_nos": [other, engine], "on": "2026-05-13", "level_percent": 90});
    let named = shop.post("/v1/valuations", &named).await.created().body;
    let stock_nos: Vec<_> = named["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| item["stock_no"].as_i64())
        .collect();
    assert_eq!(stock_nos, [Some(engine), Some(other)]);
    for (body, pointer) in [
        (json!({"stock_nos": [engine, 99]}), "/stock_nos/1"),
        (json!({"stock_nos": [engine, engine]}), "/stock_nos"),
        (json!({"on": "2026-05-15"}), "/on"),
        (json!({"level_percent": 96}), "/level_percent"),
        (
            json!({"stock_nos": (1..=1001).collect::<Vec<_>>()}),
            "/stock_nos",
        ),
    ] {
        shop.post("/v1/valuations", &body).await.invalid_at(pointer);
    }
}

#[actix_web::test]
async fn a_picture_of_a_valuation_has_all_its_figures_as_text() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_written(&[]).await;
    shop.has_seen(24).await;
    shop.learns().await;
    let path = format!("/v1/engines/{engine}/valuations");
    let valued = shop.post(&path, &json!({})).await.created();
    let drawn = |role| {
        let asked = shop
            .request(Method::GET, &valued.location())
            .by(&shop, role);
        asked.header("accept", "image/svg+xml").send()
    };
    let picture = drawn(Role::Proprietor).await.ok();
    assert_eq!(picture.headers["content-type"], "image/svg+xml");
    assert_ne!(
        picture.etag(),
        shop.get(&valued.location()).await.ok().etag()
    );
    let svg = roxmltree::Document::parse(&picture.text).expect("well-formed XML");
    let root = svg.root_element();
    assert_eq!(
        root.tag_name().namespace(),
        Some("http://www.w3.org/2000/svg")
    );
    assert_eq!(root.attribute("role"), Some("img"));
    let in_element = |name: &str| {
        let found = root
            .children()
            .find(|child| child.has_tag_name(("http://www.w3.org/2000/svg", name)));
        found
            .and_then(|found| found.text())
            .expect("description")
            .to_owned()
    };
    assert_eq!(
        in_element("title"),
        format!("What engine {engine} would fetch on 14 May 2026")
    );
    let words = in_element("desc");
    for name in ["low", "likely", "high"] {
        assert!(words.contains(&text(&valued.body[name])), "{words}");
    }
    assert!(words.contains("Asking price 7680.00."), "{words}");
    // 4200.00 was paid and nothing spent: no margin, no tax, no loss.
    assert!(words.contains("Break-even price 4200.00."), "{words}");
    for sale in valued.body["comparables"].as_array().expect("comparables") {
        assert!(words.contains(&text(&sale["price"])), "{words}");
    }
    let fitters = drawn(Role::Fitter).await.ok().text;
    assert!(!fitters.contains("reak-even 4200.00") && !fitters.contains("4200.00"));
}
