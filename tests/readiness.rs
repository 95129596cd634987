//! The gates, asked about what is recorded.

use crate::{make, shop::Shop};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

async fn ask(shop: &Shop, engine: i64, query: &str) -> Value {
    shop.get(&format!("/v1/engines/{engine}/readiness{query}"))
        .await
        .ok()
        .body
}

/// Outcome and reason of a check; null where it is absent.
fn check(answer: &Value, name: &str) -> Value {
    let checks = answer["checks"].as_array().expect("checks");
    let found = checks.iter().find(|check| check["check"] == name);
    found.map_or(Value::Null, |check| {
        json!([check["outcome"], check["reason"]])
    })
}

/// An engine with a boiler whose papers run out on 2026-06-01 (steam, 14 months: British code, published).
async fn in_ticket(shop: &Shop) -> (i64, String) {
    let (engine, boiler) = shop.has_engine_with(make::boiler()).await;
    for test in [make::hydraulic("2023-05-14"), make::steam("2025-04-01")] {
        let on = &test["on"];
        let test = shop.post(&format!("{boiler}/tests"), &test).await.created();
        let paper = json!({"test_id": test.id(), "number": "Q 1", "issuer": "Quillow Lane club", "issued_on": on,
            "boiler_number": "QLW 1187"});
        shop.post(&format!("{boiler}/certificates"), &paper)
            .await
            .created();
    }
    (engine, boiler)
}

#[actix_web::test]
async fn the_papers_hold_on_their_last_day_and_not_after() {
    let shop = Shop::open().await;
    let (engine, boiler) = in_ticket(&shop).await;
    for (on, outcome, reason) in [
        (
            "2026-05-01",
            "met",
            "the steam paper holds until 2026-06-01",
        ),
        (
            "2026-06-01",
            "watch",
            "the steam paper runs out on 2026-06-01",
        ),
        (
            "2026-06-02",
            "unmet",
            "the steam paper ran out on 2026-06-01",
        ),
    ] {
        for gate in ["list", "deliver"] {
            let answer = ask(&shop, engine, &format!("?on={on}&gate={gate}")).await;
            assert_eq!((&answer["on"], &answer["gate"]), (&json!(on), &json!(gate)));
            assert_eq!(check(&answer, "steam_paper"), json!([outcome, reason]));
            assert!(
                answer["cautions"]
                    .as_array()
                    .is_some_and(|all| all.len() > 1)
            );
        }
    }
    let today = ask(&shop, engine, "").await;
    assert_eq!(
        (&today["on"], &today["gate"], &today["open"]),
        (&json!("2026-05-14"), &json!("deliver"), &json!(false))
    );
    let steam = today["checks"]
        .as_array()
        .expect("checks")
        .iter()
        .find(|it| it["check"] == "steam_paper");
    assert_eq!(
        steam.map(|it| &it["evidence"]),
        Some(&json!([format!("{boiler}/papers")]))
    );
    shop.get(&boiler).await.ok();
}

#[actix_web::test]
async fn what_is_not_on_record_is_never_met() {
    let shop = Shop::open().await;
    let (engine, _) = shop.has_engine_with(make::boiler()).await;
    let list = ask(&shop, engine, "?gate=list").await;
    let deliver = ask(&shop, engine, "?gate=deliver").await;
    for (answer, name, reason) in [
        (&list, "hydraulic_paper", "there is no hydraulic paper"),
        (&list, "findings", "no survey is on record"),
        (&list, "grades", "no condition grades are on record"),
        (&list, "asking_price", "no asking price is set"),
        (&deliver, "sale", "no sale is on record"),
        (&deliver, "money_settled", "the money is not settled"),
    ] {
        assert_eq!(check(answer, name), json!(["unmet", reason]));
    }
    assert_eq!(
        (&list["open"], &list["open_days"]),
        (&json!(false), &json!([]))
    );
    assert_eq!(
        check(&list, "photographs"),
        Value::Null,
        "not kept yet, so nobody could clear it"
    );
    assert_eq!(check(&list, "asbestos")[0], "met");
}

/// Plain reading, no source.
#[actix_web::test]
async fn an_engine_without_a_boiler_has_no_boiler_checks_and_one_unrecorded_has() {
    let shop = Shop::open().await;
    let without = make::with(make::engine(), &json!({"has_boiler": false}));
    let without = shop.has(without).await;
    let answer = ask(&shop, without, "?gate=list").await;
    assert_eq!(check(&answer, "boiler_code"), Value::Null);
    assert_eq!(check(&answer, "steam_paper"), Value::Null);
    let unrecorded = shop.has(make::engine()).await;
    let answer = ask(&shop, unrecorded, "?gate=list").await;
    assert_eq!(
        check(&answer, "boiler_code"),
        json!(["unmet", "no boiler is recorded as fitted to the engine"])
    );
    let unmeasured = make::with(make::boiler(), &json!({"volume": null}));
    let (engine, _) = shop.has_engine_with(unmeasured).await;
    assert_eq!(
        check(&ask(&shop, engine, "").await, "boiler_code")[0],
        "unmet"
    );
}

/// Papers belong to the boiler, not to the engine: those of the boiler that was in it on the day count.
#[actix_web::test]
async fn another_boiler_brings_its_own_papers() {
    let shop = Shop::open().await;
    let (engine, boiler) = in_ticket(&shop).await;
    shop.post(&format!("{boiler}/removals"), &json!({"on": "2026-05-10"}))
        .await
        .created();
    let other = make::with(make::boiler(), &json!({"number": "OTHER 2"}));
    let other = shop.has_boiler(other).await;
    let fitting = json!({"stock_no": engine, "fitted_on": "2026-05-12"});
    shop.post(&format!("{other}/fittings"), &fitting)
        .await
        .created();
    for (on, name, outcome) in [
        ("2026-05-09", "steam_paper", "watch"),
        ("2026-05-11", "boiler_code", "unmet"),
        ("2026-05-12", "steam_paper", "unmet"),
    ] {
        let answer = ask(&shop, engine, &format!("?on={on}")).await;
        assert_eq!(check(&answer, name)[0], outcome, "{on}");
    }
}

/// Everything that the gates ask for. What has an interface elsewhere is entered in the tables: this test is about what the
/// gates make of it.
async fn everything_on_record(shop: &Shop, engine: i64) {
    survey(shop, engine, &json!([])).await;
    shop.sql(&format!(
        "INSERT INTO persons (name) VALUES ('Odo Fenwright');
         INSERT INTO asking_prices (stock_no, on_day, price) VALUES ({engine}, '2026-02-02', 7680);
         INSERT INTO listings (stock_no, title, words, page_name) VALUES ({engine}, 'Marrowby', 'A saddle tank', 'marrowby-1');
         INSERT INTO sales (stock_no, on_day, price, person_id, invoice_no) VALUES ({engine}, '2026-05-01', 7680, 1, 1);
         INSERT INTO payments (sale_id, on_day, amount, method) VALUES (1, '2026-05-02', 7000, 'transfer'), (1, '2026-05-10', 680, 'cash');
         INSERT INTO preparation_ticks VALUES ({engine}, 'spares_packed', '2026-05-11', 'x'), ({engine}, 'papers_packed', '2026-05-12', 'x')"
    ))
    .await;
}

/// On 2026-02-01, with a grade: gives the ids of its findings.
async fn survey(shop: &Shop, engine: i64, findings: &Value) -> Vec<i64> {
    let survey = json!({"on": "2026-02-01", "surveyor": "Edda Morlock", "grades": {"boiler": "good"}, "findings": findings});
    let made = shop
        .post(&format!("/v1/engines/{engine}/surveys"), &survey)
        .await
        .created();
    let found = made.body["findings"].as_array().expect("findings");
    found
        .iter()
        .filter_map(|finding| finding["id"].as_i64())
        .collect()
}

/// The unmet checks, by name.
fn shut(answer: &Value) -> Vec<String> {
    let checks = answer["checks"].as_array().expect("checks");
    let unmet = checks.iter().filter(|check| check["outcome"] == "unmet");
    unmet
        .map(|check| crate::shop::text(&check["check"]))
        .collect()
}

#[actix_web::test]
async fn the_gates_open_when_everything_is_on_record() {
    let shop = Shop::open().await;
    let (engine, _) = in_ticket(&shop).await;
    everything_on_record(&shop, engine).await;
    let listed = ask(&shop, engine, "?gate=list&on=2026-05-14").await;
    assert_eq!((shut(&listed), &listed["open"]), (vec![], &json!(true)));
    assert_eq!(
        listed["open_days"],
        json!([{"from": "2026-05-14", "until": "2026-06-01"}])
    );
    for (on, expected) in [
        (
            "2026-04-30",
            vec!["sale", "money_settled", "spares_packed", "papers_packed"],
        ),
        (
            "2026-05-09",
            vec!["money_settled", "spares_packed", "papers_packed"],
        ),
        ("2026-05-10", vec!["spares_packed", "papers_packed"]),
        ("2026-05-12", vec![]),
        ("2026-06-01", vec![]),
        ("2026-06-02", vec!["steam_paper"]),
    ] {
        let answer = ask(&shop, engine, &format!("?on={on}")).await;
        assert_eq!(shut(&answer), expected, "{on}");
        assert_eq!(answer["open"], expected.is_empty());
    }
}

#[actix_web::test]
async fn findings_jobs_and_heavy_work_shut_a_gate_until_they_are_cleared() {
    let shop = Shop::open().await;
    let (engine, _) = in_ticket(&shop).await;
    everything_on_record(&shop, engine).await;
    let fault =
        json!([{"area": "motion", "severity": "stops_steaming", "words": "loose crank pin"}]);
    let findings = survey(&shop, engine, &fault).await;
    let job = shop.has_job_in_hand(engine, &["motion"], &findings).await;
    let answer = ask(&shop, engine, "").await;
    assert_eq!(shut(&answer), ["findings", "jobs_in_hand"]);
    shop.finishes(&job, "2026-05-13").await;
    assert_eq!(shut(&ask(&shop, engine, "").await), [""; 0]);
    let listed = ask(&shop, engine, "?gate=list").await;
    assert_eq!(
        check(&listed, "grades"),
        json!([
            "unmet",
            "the condition grades of 2026-02-01 are older than the heavy job finished on 2026-05-13"
        ])
    );
    assert_eq!(
        shut(&ask(&shop, engine, "?gate=list&on=2026-05-12").await),
        ["findings"]
    );
}

/// Asbestos suspected: not saleable (REACH, Annex XVII entry 6).
#[actix_web::test]
async fn suspected_asbestos_and_a_missing_acknowledgement_shut_the_gate() {
    let shop = Shop::open().await;
    let (engine, _) = shop.has_engine_with(make::boiler()).await;
    everything_on_record(&shop, engine).await;
    let address = format!("/v1/engines/{engine}");
    shop.patch(
        &address,
        &json!({"offered_as": "for_restoration", "asbestos_suspected": true}),
    )
    .await
    .ok();
    assert_eq!(
        shut(&ask(&shop, engine, "").await),
        ["papers_disclosed", "asbestos"]
    );
    shop.patch(&address, &json!({"asbestos_suspected": false}))
        .await
        .ok();
    shop.sql("UPDATE sales SET papers_acknowledged_on = '2026-05-14'")
        .await;
    assert_eq!(shut(&ask(&shop, engine, "").await), [""; 0]);
    assert_eq!(
        shut(&ask(&shop, engine, "?on=2026-05-13").await),
        ["papers_disclosed"]
    );
}

#[actix_web::test]
async fn the_firm_may_let_a_watch_shut_a_gate() {
    let shop = Shop::open().await;
    let (engine, _) = in_ticket(&shop).await;
    everything_on_record(&shop, engine).await;
    assert_eq!(ask(&shop, engine, "").await["open"], true);
    let bars = shop.get("/v1/readiness-bars").await.ok().body;
    assert_eq!(
        bars,
        json!({"watch_bars": [], "watch_days": 30, "frost_months": [11, 12, 1, 2, 3]})
    );
    shop.patch(
        "/v1/readiness-bars",
        &json!({"watch_bars": ["steam_paper"]}),
    )
    .await
    .ok();
    let answer = ask(&shop, engine, "").await;
    assert_eq!(
        (check(&answer, "steam_paper")[0].clone(), &answer["open"]),
        (json!("watch"), &json!(false))
    );
    shop.patch("/v1/readiness-bars", &json!({"watch_days": 17}))
        .await
        .ok();
    assert_eq!(ask(&shop, engine, "").await["open"], true);
    // Drained in frost: common practice, no source.
    assert_eq!(check(&ask(&shop, engine, "").await, "drained"), Value::Null);
    shop.patch("/v1/readiness-bars", &json!({"frost_months": [5]}))
        .await
        .ok();
    assert_eq!(check(&ask(&shop, engine, "").await, "drained")[0], "unmet");
    for (change, pointer) in [
        (json!({"watch_bars": ["luck"]}), "/watch_bars/0"),
        (json!({"watch_days": -1}), "/watch_days"),
        (json!({"watch_days": 367}), "/watch_days"),
        (json!({"frost_months": [13]}), "/frost_months/0"),
        (json!({"frost_months": [1, 1]}), "/frost_months"),
    ] {
        shop.patch("/v1/readiness-bars", &change)
            .await
            .invalid_at(pointer);
    }
}

#[actix_web::test]
async fn the_staff_asks_the_gates_and_strange_questions_are_refused() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    for (role, status) in [
        (Role::Proprietor, 200),
        (Role::Fitter, 200),
        (Role::Seller, 200),
        (Role::Bookkeeper, 200),
        (Role::Website, 403),
    ] {
        for address in [
            format!("/v1/engines/{engine}/readiness"),
            "/v1/readiness-bars".to_owned(),
        ] {
            shop.request(Method::GET, &address)
                .by(&shop, role)
                .send()
                .await
                .is(status);
        }
    }
    shop.request(Method::PATCH, "/v1/readiness-bars")
        .by(&shop, Role::Seller)
        .merge_patch(&json!({}))
        .send()
        .await
        .refused("forbidden")
        .is(403);
    shop.get("/v1/engines/99/readiness")
        .await
        .refused("not_found")
        .is(404);
    for query in ["gate=back", "on=soon", "day=2026-05-14"] {
        shop.get(&format!("/v1/engines/{engine}/readiness?{query}"))
            .await
            .refused("invalid_query")
            .is(400);
    }
}
