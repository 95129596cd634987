//! Whole trades through the interface, each act by the person whose it is.

use crate::harness::{Answer, Shop, text};
use outshop_core::trade::Role::{self, Bookkeeper, Fitter, Proprietor, Seller};
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    async fn act(&self, role: Role, path: &str, body: Value) -> Answer {
        self.request(Method::POST, path)
            .by(self, role)
            .once()
            .json(&body)
            .send()
            .await
    }

    async fn visitor_sees(&self, path: &str) -> Answer {
        self.request(Method::GET, path).send().await
    }

    /// Checks of the gate that are not met, today.
    async fn unmet(&self, gate: &str) -> Vec<String> {
        let path = format!("/v1/engines/1/readiness?gate={gate}");
        let readiness = self.get(&path).await.ok().body;
        let checks = readiness["checks"].as_array().expect("checks").iter();
        let unmet: Vec<String> = checks
            .filter(|check| check["outcome"] == "unmet")
            .map(|check| {
                assert!(!text(&check["reason"]).is_empty() && !text(&check["remedy"]).is_empty());
                text(&check["check"])
            })
            .collect();
        assert_eq!(readiness["open"], unmet.is_empty(), "{readiness}");
        unmet
    }
}

/// Which checks refused an act.
#[track_caller]
fn refused_by(answer: Answer) -> Vec<String> {
    let reasons = answer.refused("not_ready").is(409).body["reasons"].clone();
    let reasons = reasons.as_array().expect("reasons").iter();
    reasons.map(|reason| text(&reason["check"])).collect()
}

/// Bought in with a fault, mended, proved, priced, shown, sold, and away on the last day of its steam paper.
///
/// Steam paper of 14 months and hydraulic test at 1.5 x working pressure for 10 minutes: The Examination & Testing of
/// Miniature Steam Boilers (2012). 6200 x 1.05 x 0.96 = 6249.60: arithmetic. The rest is plain reading, no source.
#[actix_web::test]
async fn an_engine_is_bought_mended_proved_priced_sold_and_leaves_in_date() {
    let shop = Shop::open().await;

    // Bought in.
    shop.set_day("2026-01-05");
    let seller = json!({"name": "Odo Fenwright", "email": "odo@example.org"});
    let seller = shop.act(Seller, "/v1/persons", seller).await.created().id();
    let engine = json!({
        "kind": "locomotive", "name": "Marrowby", "builder_standing": "amateur", "gauge": {"value": "5", "unit": "in"},
        "whyte": "0-6-0", "cylinders": 2, "weight": {"value": "128", "unit": "lb"}, "fuel": "coal", "included_items": ["box"],
        "working_order": "in_running_order", "asbestos_suspected": false
    });
    let bought = json!({"engine": engine, "method": "bought", "on": "2026-01-05", "price": "4200.00", "person_id": seller,
        "tax_position": "margin_scheme"});
    let bought = shop.act(Bookkeeper, "/v1/acquisitions", bought).await;
    assert_eq!(bought.created().body["stock_no"], 1);
    let boiler = json!({"number": "JT 1", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
        "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-06-01"});
    let boiler = shop.act(Fitter, "/v1/boilers", boiler).await.created().id();
    let fitted = json!({"stock_no": 1, "installed_on": "1998-06-01"});
    shop.act(
        Fitter,
        &format!("/v1/boilers/{boiler}/installations"),
        fitted,
    )
    .await
    .created();

    // Surveyed: a fault is found.
    shop.set_day("2026-01-08");
    let survey = json!({"on": "2026-01-08", "surveyor": "Edda Morlock", "build_quality": "fine",
        "grades": {"boiler": "good", "motion": "worn", "frames": "good"},
        "findings": [{"area": "cylinders_and_valves", "severity": "stops_steaming", "description": "the lubricator's ratchet slips"}]});
    let survey = shop.act(Fitter, "/v1/engines/1/surveys", survey).await;
    let finding = survey.created().body["findings"][0]["id"].clone();
    assert_eq!(
        shop.unmet("list").await,
        [
            "hydraulic_paper",
            "steam_paper",
            "findings",
            "photographs",
            "description",
            "asking_price"
        ]
    );

    // Mended.
    let job = json!({"title": "Lubricator ratchet", "touches": ["motion"], "hours_agreed": "4", "findings": [finding]});
    let job = shop
        .act(Fitter, "/v1/engines/1/jobs", job)
        .await
        .created()
        .id();
    let job = format!("/v1/jobs/{job}");
    let moves = format!("{job}/transitions");
    shop.act(
        Fitter,
        &moves,
        json!({"to": "finished", "on": "2026-01-08"}),
    )
    .await
    .refused("conflict");
    shop.act(Fitter, &moves, json!({"to": "agreed", "on": "2026-01-08"}))
        .await
        .created();

    // Work is under way: hours and parts are booked, and the fault is cleared when it is finished.
    shop.set_day("2026-01-18");
    shop.act(Fitter, &moves, json!({"to": "started", "on": "2026-01-18"}))
        .await
        .created();
    let hours = json!({"on": "2026-01-18", "fitter": "Edda Morlock", "hours": "3.5"});
    shop.act(Fitter, &format!("{job}/hours"), hours)
        .await
        .created();
    let parts =
        json!({"on": "2026-01-18", "description": "ratchet wheel and pawl", "cost": "18.40"});
    shop.act(Fitter, &format!("{job}/parts"), parts)
        .await
        .created();
    shop.set_day("2026-01-20");
    shop.act(
        Fitter,
        &moves,
        json!({"to": "finished", "on": "2026-01-20"}),
    )
    .await
    .created();
    let done = shop.get(&job).await.ok().body;
    assert_eq!(
        (&done["hours_booked"], &done["parts_cost"]),
        (&json!("3.5"), &json!("18.40"))
    );
    let surveys = shop.get("/v1/engines/1/surveys").await.ok().body;
    assert_eq!(
        surveys["items"][0]["findings"][0]["cleared_on"],
        "2026-01-20"
    );

    // The grades are older than the work.
    assert_eq!(
        shop.unmet("list").await,
        [
            "hydraulic_paper",
            "steam_paper",
            "grades",
            "photographs",
            "description",
            "asking_price"
        ]
    );

    // Proved, and looked at again.
    shop.set_day("2026-01-23");
    let tests = format!("/v1/boilers/{boiler}/tests");
    let hydraulic = json!({"test": "hydraulic_repeat", "on": "2026-01-22", "pressure": {"value": "135", "unit": "psi"},
        "hold_minutes": 10, "passed": true, "boiler_number": "JT 1", "inspector": "Ivo Pellasick", "inspector_interest": false});
    let steam = json!({"test": "steam", "on": "2026-01-23", "highest_pressure": {"value": "95", "unit": "psi"},
        "passed": true, "boiler_number": "JT 1", "inspector": "Ivo Pellasick", "inspector_interest": false});
    for (test, number, day) in [
        (hydraulic, "TV 1", "2026-01-22"),
        (steam, "TV 2", "2026-01-23"),
    ] {
        let test = shop.act(Fitter, &tests, test).await.created().id();
        let paper = json!({"test_id": test, "number": number, "issuer": "Thrum Vale Society of Model Engineers",
            "issued_on": day, "boiler_number": "JT 1"});
        shop.act(Fitter, &format!("/v1/boilers/{boiler}/certificates"), paper)
            .await
            .created();
    }
    let again = json!({"on": "2026-01-23", "surveyor": "Edda Morlock", "build_quality": "fine",
        "grades": {"boiler": "good", "cylinders_and_valves": "good", "motion": "worn", "frames": "good"}});
    shop.act(Fitter, "/v1/engines/1/surveys", again)
        .await
        .created();

    // Priced.
    shop.set_day("2026-02-02");
    let gauge = json!({"value": "5", "unit": "in"});
    let price_scale = json!({"from": "2026-01-01", "uncertainty": "0.25",
        "starts": [{"kind": "locomotive", "gauge": {"from": gauge, "to": gauge}, "price": "6200.00"}],
        "factors": [{"feature": "build_quality", "level": "fine", "factor": "1.05"},
            {"feature": "motion", "level": "worn", "factor": "0.96"}]});
    shop.act(Proprietor, "/v1/price-scale/versions", price_scale)
        .await
        .created();
    let valuation = shop
        .act(Seller, "/v1/engines/1/valuations", json!({}))
        .await
        .created();
    assert_eq!(valuation.body["likely"], "6249.60");
    let asked = json!({"price": "6450.00", "valuation_id": valuation.id()});
    shop.act(Seller, "/v1/engines/1/asking-prices", asked)
        .await
        .created();

    // Shown.
    let publish = async || {
        let path = "/v1/engines/1/listing/publications";
        shop.act(Seller, path, json!({})).await
    };
    publish().await.refused("not_found");
    let listing = json!({"title": "Marrowby, a 5 in gauge 0-6-0", "description": "Built over nine winters and run twice a year since."});
    shop.act(Seller, "/v1/engines/1/listing", listing)
        .await
        .created();
    shop.visitor_sees("/v1/public/listings/1")
        .await
        .refused("not_found");
    assert_eq!(shop.unmet("list").await, ["photographs"]);
    shop.has_photographed(1).await;
    assert_eq!(shop.unmet("list").await, [""; 0]);
    publish().await.created();
    let shown = shop.visitor_sees("/v1/public/listings/1").await.ok().body;
    assert_eq!(
        (&shown["availability"], &shown["price"]),
        (&json!("for_sale"), &json!("6450.00"))
    );
    let papers = shown["papers"]["sentences"].to_string();
    assert!(
        papers.contains("22 January 2030") && papers.contains("23 March 2027"),
        "{papers}"
    );

    // Sold and paid.
    shop.set_day("2027-03-15");
    let buyer = json!({"name": "Maud Tollervane", "address": "3 Sluice Row"});
    let buyer = shop.act(Seller, "/v1/persons", buyer).await.created().id();
    let sale = json!({"on": "2027-03-15", "price": "6400.00", "person_id": buyer});
    let sold = shop
        .act(Seller, "/v1/engines/1/sales", sale.clone())
        .await
        .created();
    shop.act(Seller, "/v1/engines/1/sales", sale)
        .await
        .refused("already_sold");
    let payments = format!("/v1/sales/{}/payments", sold.id());
    for (amount, day) in [("640.00", "2027-03-15"), ("5760.00", "2027-03-20")] {
        shop.set_day(day);
        let unmet = shop.unmet("deliver").await;
        assert!(unmet.contains(&"money_settled".to_owned()), "{unmet:?}");
        let payment = json!({"on": day, "amount": amount, "method": "transfer"});
        shop.act(Seller, &payments, payment).await.created();
    }
    assert_eq!(
        shop.unmet("deliver").await,
        ["drained", "spares_packed", "papers_packed"]
    );
    shop.set_day("2027-03-22");
    for (role, item) in [
        (Fitter, "drained"),
        (Seller, "spares_packed"),
        (Seller, "papers_packed"),
    ] {
        let done = json!({"item": item, "on": "2027-03-22"});
        shop.act(role, "/v1/engines/1/checklist-ticks", done)
            .await
            .created();
    }

    // Away: not on the day after the steam paper ran out, but on its last.
    shop.set_day("2027-03-24");
    let leaves = async |day: &str| {
        let delivery = json!({"on": day, "method": "collection", "handed_to": "Maud Tollervane"});
        shop.act(Seller, "/v1/engines/1/deliveries", delivery).await
    };
    assert_eq!(refused_by(leaves("2027-03-24").await), ["steam_paper"]);
    leaves("2027-03-23").await.created();
    leaves("2027-03-23").await.refused("conflict");
    let shown = shop.visitor_sees("/v1/public/listings/1").await.ok().body;
    assert_eq!(shown["availability"], "sold");
    assert!(!shown.to_string().contains("Tollervane"), "{shown}");
    assert_eq!(
        shop.get("/v1/engines/1").await.ok().body["status"],
        "delivered"
    );

    // The journal has each act in its order.
    assert_eq!(
        shop.journal().await,
        [
            "person.created",
            "engine.acquired",
            "boiler.created",
            "boiler.installed",
            "engine.surveyed",
            "job.proposed",
            "job.agreed",
            "job.started",
            "job.hours_booked",
            "job.parts_used",
            "job.finished",
            "boiler.tested",
            "boiler.certified",
            "boiler.tested",
            "boiler.certified",
            "engine.surveyed",
            "price_scale.created",
            "engine.valued",
            "engine.priced",
            "listing.created",
            "photograph.created",
            "listing.published",
            "person.created",
            "engine.sold",
            "payment.created",
            "payment.created",
            "engine.checklist_ticked",
            "engine.checklist_ticked",
            "engine.checklist_ticked",
            "engine.delivered",
        ]
    );
}
