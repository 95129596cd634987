//! Values outside the usual limits: refused unless confirmed, then stored and flagged. The limits and their sources stand in the
//! table of core; here each route that takes such a member is asked.

use crate::{
    harness::{Answer, Shop},
    make,
};
use serde_json::{Value, json};

fn psi(value: &str) -> Value {
    json!({"value": value, "unit": "psi"})
}

/// Refused at the pointer, with the limit and the confirming member named.
#[track_caller]
fn questioned(answer: Answer, pointer: &str, limit: &str, confirming: &str) {
    let refused = answer.invalid_at(pointer);
    for part in [limit, confirming] {
        assert!(refused.text.contains(part), "{part}: {}", refused.text);
    }
}

/// What the last entry of the journal says was confirmed.
async fn last_confirmed(shop: &Shop) -> Value {
    let page = shop.get("/v1/journal?limit=500").await.ok();
    let items = page.body["items"].as_array().expect("items");
    items.last().expect("an entry")["data"]["confirmed"].clone()
}

#[actix_web::test]
async fn a_test_pressure_with_a_digit_too_many_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let (_, boiler) = shop.has_engine_with(make::boiler()).await;
    let tests = format!("{boiler}/tests");
    let at = |pressure: &str| {
        make::with(
            make::hydraulic("2026-05-01"),
            &json!({"pressure": psi(pressure)}),
        )
    };
    for pressure in ["180.91", "1350"] {
        let answer = shop.post(&tests, &at(pressure)).await;
        questioned(
            answer,
            "/pressure",
            "2 x the working pressure",
            "pressure_confirmed",
        );
    }
    assert_eq!(shop.get(&tests).await.ok().body["items"], json!([]));
    let taken = shop.post(&tests, &at("180.9")).await.created();
    assert_eq!(taken.body["confirmed"], json!([]));
    assert_eq!(last_confirmed(&shop).await, Value::Null);
    let confirmed = make::with(at("180.91"), &json!({"pressure_confirmed": true}));
    let taken = shop.post(&tests, &confirmed).await.created();
    assert_eq!(taken.body["confirmed"], json!(["pressure"]));
    assert_eq!(last_confirmed(&shop).await, json!(["pressure"]));
    // Compared with the pressure on the day of the test: 2 x 60 psi since 5 May 2026.
    let change =
        json!({"on": "2026-05-05", "working_pressure": psi("60"), "reason": "Valve reset"});
    shop.post(&format!("{boiler}/pressure-changes"), &change)
        .await
        .created();
    let later = make::with(at("130"), &json!({"on": "2026-05-06"}));
    questioned(
        shop.post(&tests, &later).await,
        "/pressure",
        "2 x the working pressure",
        "pressure_confirmed",
    );
    shop.post(&tests, &at("130")).await.created();
}

#[actix_web::test]
async fn a_boiler_beyond_what_model_boilers_are_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let members = [
        ("working_pressure", psi("900"), "250 psi"),
        ("working_pressure", psi("9"), "10 psi"),
        ("volume", json!({"value": "251", "unit": "L"}), "250 litres"),
        (
            "volume",
            json!({"value": "0.04", "unit": "L"}),
            ".05 litres",
        ),
        ("made_on", json!("1899-12-31"), "1900"),
    ];
    for (i, (member, value, limit)) in members.into_iter().enumerate() {
        let mut boiler = make::with(make::boiler(), &json!({"number": format!("B {i}")}));
        boiler[member] = value;
        let confirming = format!("{member}_confirmed");
        let answer = shop.post("/v1/boilers", &boiler).await;
        questioned(answer, &format!("/{member}"), limit, &confirming);
        boiler[&confirming] = json!(true);
        let made = shop.post("/v1/boilers", &boiler).await.created();
        assert_eq!(made.body["confirmed"], json!([member]));
        assert_eq!(last_confirmed(&shop).await, json!([member]));
    }
    let boiler = shop.has_boiler(make::boiler()).await;
    let change =
        json!({"on": "2026-05-02", "working_pressure": psi("900"), "reason": "Valve reset"});
    let changes = format!("{boiler}/pressure-changes");
    questioned(
        shop.post(&changes, &change).await,
        "/working_pressure",
        "250 psi",
        "working_pressure_confirmed",
    );
    let change = make::with(change, &json!({"working_pressure_confirmed": true}));
    let made = shop.post(&changes, &change).await.created();
    assert_eq!(made.body["confirmed"], json!(["working_pressure"]));
}

#[actix_web::test]
async fn a_correction_of_a_boiler_is_asked_the_same_and_takes_the_flag_off_again() {
    let shop = Shop::open().await;
    let boiler = shop.has_boiler(make::boiler()).await;
    let wide = json!({"volume": {"value": "800", "unit": "L"}});
    questioned(
        shop.patch(&boiler, &wide).await,
        "/volume",
        "250 litres",
        "volume_confirmed",
    );
    let confirmed = make::with(wide, &json!({"volume_confirmed": true}));
    let changed = shop.patch(&boiler, &confirmed).await.ok();
    assert_eq!(changed.body["confirmed"], json!(["volume"]));
    let changed = shop
        .patch(&boiler, &json!({"maker": "Tolgarth"}))
        .await
        .ok();
    assert_eq!(
        changed.body["confirmed"],
        json!(["volume"]),
        "not asked about"
    );
    let right = json!({"volume": {"value": "8.0", "unit": "L"}});
    let changed = shop.patch(&boiler, &right).await.ok();
    assert_eq!(changed.body["confirmed"], json!([]));
}

#[actix_web::test]
async fn a_test_before_the_boiler_was_made_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let boiler = make::with(
        make::boiler(),
        &json!({"made_on": "1998-03-20", "first_marketed_on": null}),
    );
    let boiler = shop.has_boiler(boiler).await;
    let tests = format!("{boiler}/tests");
    let early = make::hydraulic("1998-03-19");
    questioned(
        shop.post(&tests, &early).await,
        "/on",
        "before the boiler was made",
        "on_confirmed",
    );
    shop.post(&tests, &make::hydraulic("1998-03-20"))
        .await
        .created();
    let later = json!({"made_on": "1998-03-21"});
    questioned(
        shop.patch(&boiler, &later).await,
        "/made_on",
        "later than a recorded test",
        "made_on_confirmed",
    );
    let confirmed = make::with(early, &json!({"on_confirmed": true}));
    let taken = shop.post(&tests, &confirmed).await.created();
    assert_eq!(taken.body["confirmed"], json!(["on"]));
}

#[actix_web::test]
async fn a_fitter_has_24_hours_a_day_over_all_jobs() {
    let shop = Shop::open().await;
    let first = shop.has(make::engine()).await;
    let second = shop.has(make::engine()).await;
    let one = shop.has_job_started(first, &["other"], &[]).await;
    let other = shop.has_job_started(second, &["other"], &[]).await;
    let hours =
        |on: &str, fitter: &str, hours: &str| json!({"on": on, "fitter": fitter, "hours": hours});
    let day = "2026-05-04";
    let booked = shop
        .post(&format!("{one}/hours"), &hours(day, "Edda Morlock", "20"))
        .await
        .created();
    let line = booked.body["hours"][0]["id"].clone();
    let more = hours(day, "edda morlock ", "4.01");
    for answer in [
        shop.post(&format!("{other}/hours"), &more).await,
        shop.post(
            "/v1/hours",
            &make::with(more.clone(), &json!({"stock_no": second})),
        )
        .await,
    ] {
        questioned(answer, "/hours", "24 hours", "hours_confirmed");
    }
    // Another fitter, another day, and up to the hour itself.
    for fits in [
        hours(day, "Odo Fenwright", "10"),
        hours("2026-05-05", "Edda Morlock", "10"),
        hours(day, "Edda Morlock", "4"),
    ] {
        shop.post(&format!("{other}/hours"), &fits).await.created();
    }
    let confirmed = make::with(
        hours(day, "Edda Morlock", "1"),
        &json!({"hours_confirmed": true}),
    );
    let booked = shop
        .post(&format!("{other}/hours"), &confirmed)
        .await
        .created();
    assert_eq!(booked.body["hours"][3]["confirmed"], json!(["hours"]));
    assert_eq!(last_confirmed(&shop).await, json!(["hours"]));
    // What is reversed no longer counts.
    shop.post(&format!("{one}/reversals"), &json!({"hours_id": line}))
        .await
        .created();
    shop.post(&format!("{one}/hours"), &hours(day, "Edda Morlock", "19"))
        .await
        .created();
}

/// Numbers are never matched by likeness (the clubs' rule that a certificate is for one boiler, plain reading); the question is
/// common practice.
#[actix_web::test]
async fn a_number_that_reads_like_a_known_one_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let numbered = |number: &str| make::with(make::boiler(), &json!({"number": number}));
    let boiler = shop.has_boiler(numbered("HB22")).await;
    let b9 = shop.has_boiler(numbered("b9")).await;
    for (number, known) in [("HB 22", "HB22"), ("hb-22", "HB22"), ("B9", "b9")] {
        let answer = shop.post("/v1/boilers", &numbered(number)).await;
        questioned(answer, "/number", known, "number_confirmed");
        let answer = shop.patch(&b9, &json!({"number": "h.b.22"})).await;
        questioned(answer, "/number", "HB22", "number_confirmed");
        let test = make::with(
            make::hydraulic("2026-05-01"),
            &json!({"boiler_number": number}),
        );
        let answer = shop.post(&format!("{boiler}/tests"), &test).await;
        questioned(answer, "/boiler_number", known, "number_confirmed");
    }
    shop.patch(&b9, &json!({"number": "B9"})).await.ok();
    shop.post("/v1/boilers", &numbered("HB 23")).await.created();
    shop.post("/v1/boilers", &numbered("HB22")).await.created();

    let test = make::with(
        make::hydraulic("2026-05-01"),
        &json!({"boiler_number": "HB22"}),
    );
    let test = shop.post(&format!("{boiler}/tests"), &test).await.created();
    let certificate = json!({"test_id": test.id(), "number": "26/118", "issuer": "Quillow Lane club", "issued_on": "2026-05-02",
        "boiler_number": "HB-22"});
    let certificates = format!("{boiler}/certificates");
    let answer = shop.post(&certificates, &certificate).await;
    questioned(answer, "/boiler_number", "HB22", "number_confirmed");
    let certificate = make::with(certificate, &json!({"number_confirmed": true}));
    let kept = shop.post(&certificates, &certificate).await.created();
    assert_eq!(kept.body["confirmed"], json!(["number"]));
    let papers = shop.get(&format!("{boiler}/papers")).await.ok().body;
    assert_eq!(papers["papers"], json!([]), "never matched by likeness");

    let confirmed = make::with(numbered("HB 22"), &json!({"number_confirmed": true}));
    let made = shop.post("/v1/boilers", &confirmed).await.created();
    assert_eq!(
        (&made.body["number"], &made.body["confirmed"]),
        (&json!("HB 22"), &json!(["number"]))
    );
    for asked in ["hb22", "HB%2022", "h.b.-22"] {
        let found = shop.get(&format!("/v1/boilers?number={asked}")).await.ok();
        let found = found.body["items"].as_array().map(Vec::len);
        assert_eq!(found, Some(3), "{asked}");
    }
}

/// Two who write like numbers at once: one is asked.
#[actix_web::test]
async fn of_two_like_numbers_at_once_one_is_questioned() {
    let shop = Shop::open().await;
    let spaced = make::with(make::boiler(), &json!({"number": "HB 22"}));
    let joined = make::with(make::boiler(), &json!({"number": "HB22"}));
    let (one, other) = tokio::join!(
        shop.post("/v1/boilers", &spaced),
        shop.post("/v1/boilers", &joined)
    );
    let mut statuses = [one.status, other.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 422], "{} {}", one.text, other.text);
}

/// Compared with the high figure of the last valuation, which is entered here and not calculated.
#[actix_web::test]
async fn a_price_of_more_than_ten_times_the_valuation_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let price_scale = crate::pricing::price_scale::price_scale("2026-01-01", "6200.00", &[]);
    shop.post("/v1/price-scale/versions", &price_scale)
        .await
        .created();
    shop.post(&format!("/v1/engines/{engine}/valuations"), &json!({}))
        .await
        .created();
    shop.sql("UPDATE valuations SET high = 8500").await;
    let buyer = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let person = json!({"person_id": buyer, "on": "2026-05-14"});
    let routes = [
        ("asking-prices", "price", json!({})),
        ("offers", "amount", person.clone()),
        ("sales", "price", person),
    ];
    for (route, member, body) in routes {
        let path = format!("/v1/engines/{engine}/{route}");
        let confirming = format!("{member}_confirmed");
        let mut body = make::with(body, &json!({ member: "85000.01" }));
        let answer = shop.post(&path, &body).await;
        questioned(
            answer,
            &format!("/{member}"),
            "10 x the high figure",
            &confirming,
        );
        if route != "sales" {
            let within = make::with(body.clone(), &json!({ member: "85000.00" }));
            let taken = shop.post(&path, &within).await.created();
            assert_eq!(taken.body["confirmed"], json!([]));
        }
        if route == "offers" {
            let within = make::with(body.clone(), &json!({ member: "7000.00" }));
            let offer = shop.post(&path, &within).await.created().location();
            let counter = json!({"answer": "countered", "on": "2026-05-14", "amount": "85000.01"});
            let answer = shop.post(&format!("{offer}/answers"), &counter).await;
            questioned(
                answer,
                "/amount",
                "10 x the high figure",
                "amount_confirmed",
            );
            let counter = make::with(counter, &json!({"amount_confirmed": true}));
            shop.post(&format!("{offer}/answers"), &counter)
                .await
                .created();
            assert_eq!(last_confirmed(&shop).await, json!(["amount"]));
        }
        body[&confirming] = json!(true);
        let taken = shop.post(&path, &body).await.created();
        assert_eq!(taken.body["confirmed"], json!([member]));
        let page = shop.get("/v1/journal?limit=500").await.ok();
        assert!(page.text.contains(&format!("\"confirmed\":[\"{member}\"]")));
    }
}

/// By hand: 127 mm cubed x .0003 kg are 614.5 kg; 1500 lb are 680.4 kg, a slip for 150 lb.
#[actix_web::test]
async fn a_weight_that_does_not_fit_the_size_is_refused_unless_confirmed() {
    let shop = Shop::open().await;
    let heavy = json!({"weight": {"value": "1500", "unit": "lb"}});
    let new = make::acquisition(&make::with(make::engine(), &heavy));
    let answer = shop.post("/v1/acquisitions", &new).await;
    questioned(answer, "/engine/weight", ".0003 kg", "weight_confirmed");
    let confirmed = make::with(heavy.clone(), &json!({"weight_confirmed": true}));
    let engine = shop.has(make::with(make::engine(), &confirmed)).await;
    let address = format!("/v1/engines/{engine}");
    let flagged = async || shop.get(&address).await.ok().body["confirmed"].clone();
    assert_eq!(flagged().await, json!(["weight"]));
    shop.patch(&address, &json!({"place": "bay 2"})).await.ok();
    assert_eq!(flagged().await, json!(["weight"]), "not asked about");
    shop.patch(&address, &json!({"weight": {"value": "150", "unit": "lb"}}))
        .await
        .ok();
    assert_eq!(flagged().await, json!([]));
    questioned(
        shop.patch(&address, &heavy).await,
        "/weight",
        ".0003 kg",
        "weight_confirmed",
    );
    // A wrong gauge is seen by the weight too: 32 mm bear 9.8 kg.
    let narrow = json!({"gauge": {"value": "32", "unit": "mm"}});
    questioned(
        shop.patch(&address, &narrow).await,
        "/weight",
        ".0003 kg",
        "weight_confirmed",
    );
    // Solid copper of 300 x 100 x 100 mm weighs 26.9 kg.
    let short = json!({"length": {"value": "300", "unit": "mm"}, "width": {"value": "100", "unit": "mm"},
        "height": {"value": "100", "unit": "mm"}});
    questioned(
        shop.patch(&address, &short).await,
        "/weight",
        "8.96 kg",
        "weight_confirmed",
    );
    shop.patch(&address, &confirmed).await.ok();
    assert_eq!(flagged().await, json!(["weight"]));
    assert_eq!(last_confirmed(&shop).await, json!(["weight"]));
}
