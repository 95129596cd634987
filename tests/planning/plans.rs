//! The workshop's calendar, plans, the week's sheet and hours from the bench.

use crate::{harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    async fn has_fitter(&self, name: &str, skills: &[&str]) -> i64 {
        let week = json!(["7", "7", "7", "7", "5", "0", "0"]);
        let fitter = json!({"name": name, "skills": skills, "weekly_hours": week});
        self.post("/v1/fitters", &fitter).await.created().id()
    }

    async fn has_agreed_job(&self, stock_no: i64, job: Value) -> i64 {
        let mut job = make::with(json!({"title": "Work", "touches": ["motion"]}), &job);
        job["proposed_on"] = json!("2026-05-14");
        let path = format!("/v1/engines/{stock_no}/jobs");
        let made = self.post(&path, &job).await.created();
        let agreed = json!({"to": "agreed", "on": "2026-05-14"});
        self.post(&format!("{}/transitions", made.location()), &agreed)
            .await
            .created();
        made.id()
    }

    async fn promises_for(&self, stock_no: i64, on: &str) {
        let person = self
            .post("/v1/persons", &make::person())
            .await
            .created()
            .id();
        let given = json!({"stock_no": stock_no, "person_id": person, "kind": "ready_for_collection", "on": on});
        self.post("/v1/promises", &given).await.created();
    }

    async fn plans(&self) -> Value {
        self.post("/v1/plans", &json!({})).await.created().body
    }
}

fn step<'a>(plan: &'a Value, key: &str, value: &Value) -> &'a Value {
    let mut steps = plan["steps"].as_array().expect("steps").iter();
    steps.find(|step| step[key] == *value).expect("the step")
}

#[actix_web::test]
async fn who_is_there_when_is_kept_and_checked() {
    let shop = Shop::open().await;

    // A fitter has skills and hours for each day of the week, and a name that nobody else has.
    let edda = shop
        .has_fitter("Edda Morlock", &["fitting", "steaming"])
        .await;
    let one = format!("/v1/fitters/{edda}");
    let changed = json!({"skills": ["fitting"], "until": "2027-01-31"});
    let changed = shop.patch(&one, &changed).await.ok().body;
    assert_eq!(
        (&changed["skills"], &changed["until"]),
        (&json!(["fitting"]), &json!("2027-01-31"))
    );
    for (wrong, pointer) in [
        (
            json!({"name": "X", "skills": [], "weekly_hours": ["7"]}),
            "/weekly_hours",
        ),
        (
            json!({"name": "X", "skills": [], "weekly_hours": ["7", "25", "7", "7", "7", "0", "0"]}),
            "/weekly_hours/1",
        ),
        (
            json!({"name": "X", "skills": [], "weekly_hours": ["7", "-1", "7", "7", "7", "0", "0"]}),
            "/weekly_hours/1",
        ),
    ] {
        shop.post("/v1/fitters", &wrong).await.invalid_at(pointer);
    }
    let again = json!({"name": "Edda Morlock", "skills": [], "weekly_hours": ["0", "0", "0", "0", "0", "0", "0"]});
    shop.post("/v1/fitters", &again).await.refused("conflict");

    // Days off belong to a fitter on record and end no earlier than they begin.
    let off =
        json!({"fitter_id": edda, "from": "2026-05-18", "until": "2026-05-22", "notes": "away"});
    let off = shop.post("/v1/days-off", &off).await.created();
    let backwards = json!({"from": "2026-05-18", "until": "2026-05-17"});
    shop.post("/v1/days-off", &backwards)
        .await
        .invalid_at("/until");
    let nobody = json!({"fitter_id": 99, "from": "2026-05-18", "until": "2026-05-18"});
    shop.post("/v1/days-off", &nobody)
        .await
        .invalid_at("/fitter_id");
    shop.request(Method::DELETE, &off.location())
        .by(&shop, Role::Proprietor)
        .if_match(&off.etag())
        .send()
        .await
        .is(204);
    shop.get(&off.location()).await.refused("not_found");
}

#[actix_web::test]
async fn the_inspectors_visits_and_what_tests_take_are_kept_and_checked() {
    let shop = Shop::open().await;

    // The inspector comes once on a day, to see at least one test.
    let visit = json!({"on": "2026-05-23", "tests": 3});
    let made = shop.post("/v1/inspector-visits", &visit).await.created();
    shop.post("/v1/inspector-visits", &visit)
        .await
        .refused("conflict");
    let none = json!({"on": "2026-05-24", "tests": 0});
    shop.post("/v1/inspector-visits", &none)
        .await
        .invalid_at("/tests");
    assert_eq!(shop.get(&made.location()).await.ok().body["tests"], 3);

    // Fee and hours are those of a test that exists.
    let terms = shop
        .patch("/v1/test-costs/steam", &json!({"fee": "35.00"}))
        .await
        .ok();
    assert_eq!(
        terms.body,
        json!({"test": "steam", "hours": "3", "fee": "35.00"})
    );
    shop.patch("/v1/test-costs/steam", &json!({"hours": "25"}))
        .await
        .invalid_at("/hours");
    shop.get("/v1/test-costs/boiling").await.is(404);
}

/// 2026-05-14 is a Thursday (ISO 8601): 7 hours on it and 5 on Friday do for 10, and the week begins on the 18th.
#[actix_web::test]
async fn work_is_planned_around_hours_needs_and_the_inspector() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_fitter("Edda Morlock", &["fitting"]).await;
    let boiler = json!({"title": "Boiler", "touches": ["pressure_parts"], "hours_agreed": "10", "skill": "fitting", "work_place": "bench"});
    let boiler = shop.has_agreed_job(engine, boiler).await;
    let paint =
        json!({"title": "Paint", "touches": ["other"], "hours_agreed": "3", "needs": [boiler]});
    let paint = shop.has_agreed_job(engine, paint).await;
    shop.promises_for(engine, "2026-05-22").await;

    // Without a visit the jobs have their days, and the tests none.
    let plan = shop.plans().await;
    assert_eq!(step(&plan, "job_id", &json!(boiler))["first"], "2026-05-14");
    let unplaced = plan["unplaced"].as_array().expect("a list");
    let (hydraulic, steam) = (&unplaced[0], &unplaced[1]);
    assert_eq!(
        (unplaced.len(), &hydraulic["test"], &steam["test"]),
        (2, &json!("hydraulic_repeat"), &json!("steam"))
    );

    // Ready on the 15th for her; the inspector has to come.
    assert!(
        hydraulic["reason"]
            .as_str()
            .is_some_and(|words| words.contains("does not come on 15 May 2026 or later")),
        "{hydraulic}"
    );
    assert_eq!(hydraulic["act"], "POST /v1/inspector-visits");
    assert!(
        steam["reason"]
            .as_str()
            .is_some_and(|words| words.contains("waits for hydraulic repeat")),
        "{steam}"
    );
    let promise = &plan["promises"][0];
    assert_eq!(
        (
            &promise["outcome"],
            &promise["finished"],
            &promise["no_earlier_than"]
        ),
        (&json!("cannot_be_kept"), &json!(null), &json!(null))
    );
    assert_eq!(plan["score"]["unplaced"], 2);
    let sheet = shop.get("/v1/week-sheet").await.ok().body;
    assert_eq!(sheet["unplaced"].as_array().map(Vec::len), Some(2));

    // Once visits are on record, every step has its day.
    for day in ["2026-05-16", "2026-05-20", "2026-05-21"] {
        shop.post("/v1/inspector-visits", &json!({"on": day, "tests": 1}))
            .await
            .created();
    }
    let plan = shop.plans().await;
    let (first, then) = (
        step(&plan, "job_id", &json!(boiler)),
        step(&plan, "job_id", &json!(paint)),
    );
    assert_eq!(
        (&first["first"], &first["last"]),
        (&json!("2026-05-14"), &json!("2026-05-15"))
    );
    assert_eq!(
        first["hours"],
        json!([{"on": "2026-05-14", "hours": "7"}, {"on": "2026-05-15", "hours": "3"}])
    );
    assert!(then["first"].as_str() >= Some("2026-05-15"), "{then}");

    // Saturday has no hours of hers: the inspector sees the two tests on the next two visits, hydraulic before steam.
    assert_eq!(
        step(&plan, "test", &json!("hydraulic_repeat"))["first"],
        "2026-05-20"
    );
    assert_eq!(step(&plan, "test", &json!("steam"))["first"], "2026-05-21");
    let promise = &plan["promises"][0];
    assert_eq!(
        (
            &promise["outcome"],
            &promise["days_in_hand"],
            &promise["no_earlier_than"]
        ),
        (&json!("kept"), &json!(1), &json!("2026-05-21"))
    );
    assert!(plan["score"]["broken"] == 0 && plan["changed_since"] == false);

    // The sheet of a week shows its tests, its promises and the hours of each fitter.
    let sheet = shop.get("/v1/week-sheet?on=2026-05-20").await.ok().body;
    assert_eq!(
        (&sheet["from"], &sheet["until"]),
        (&json!("2026-05-18"), &json!("2026-05-24"))
    );
    assert_eq!(sheet["tests"].as_array().map(Vec::len), Some(2));
    assert_eq!(sheet["promises"][0]["description"], "1 day in hand");
    let printed = shop
        .request(Method::GET, "/v1/week-sheet")
        .by(&shop, Role::Fitter);
    let printed = printed.header("accept", "text/html").send().await.ok();
    assert!(
        printed.text.contains("Edda Morlock, 12 hours"),
        "{}",
        printed.text
    );

    // Begun, and longer than agreed: the plan is held against it, and says that it is stale.
    let moved = format!("/v1/jobs/{boiler}/transitions");
    shop.post(&moved, &json!({"to": "started", "on": "2026-05-14"}))
        .await
        .created();
    let booked = json!({"stock_no": engine, "hours": "8", "fitter": "Edda Morlock"});
    shop.post("/v1/hours", &booked).await.created();
    let stale = shop
        .get(&format!("/v1/plans/{}", plan["id"]))
        .await
        .ok()
        .body;
    assert_eq!(stale["changed_since"], true);
    let outcome = shop
        .get(&format!("/v1/plans/{}/outcome", plan["id"]))
        .await
        .ok()
        .body;
    assert_eq!(
        outcome["fitters"],
        json!([{"fitter": "Edda Morlock", "hours_planned": "7", "hours_booked": "8"}])
    );

    // A new plan goes on from the hours already booked.
    let next = shop.plans().await;
    let started = step(&next, "job_id", &json!(boiler));
    assert_eq!(
        (&started["started"], &started["hours"]),
        (&json!(true), &json!([{"on": "2026-05-14", "hours": "2"}]))
    );
}

/// By hand: 30 h at 7.5 h a day from Thursday 3 December are done on Tuesday the 8th; on the 9th the inspector sees up to
/// five tests, and those of 2 h and 4 h fit one day. Promised for the 11th.
#[actix_web::test]
async fn both_tests_of_a_boiler_are_seen_on_one_visit() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.set_day("2026-12-03");
    let week = json!(["7.5", "7.5", "7.5", "7.5", "7.5", "0", "0"]);
    let fitter = json!({"name": "Edda Morlock", "skills": ["boilersmithing", "steaming"], "weekly_hours": week});
    shop.post("/v1/fitters", &fitter).await.created();
    for (test, hours) in [("hydraulic_repeat", "2"), ("steam", "4")] {
        let terms = format!("/v1/test-costs/{test}");
        shop.patch(&terms, &json!({"hours": hours})).await.ok();
    }
    let visit = json!({"on": "2026-12-09", "tests": 5});
    shop.post("/v1/inspector-visits", &visit).await.created();
    let re_tube = json!({"title": "Re-tube", "touches": ["pressure_parts"], "hours_agreed": "30"});
    let re_tube = shop.has_agreed_job(engine, re_tube).await;
    shop.promises_for(engine, "2026-12-11").await;

    let plan = shop.plans().await;
    assert_eq!(step(&plan, "job_id", &json!(re_tube))["last"], "2026-12-08");
    for test in ["hydraulic_repeat", "steam"] {
        let seen = step(&plan, "test", &json!(test));
        assert_eq!(seen["first"], "2026-12-09", "{plan}");
    }
    let promise = &plan["promises"][0];
    assert_eq!(
        (
            &promise["outcome"],
            &promise["days_in_hand"],
            &promise["no_earlier_than"]
        ),
        (&json!("kept"), &json!(2), &json!("2026-12-09"))
    );
    assert_eq!(
        (&plan["score"]["broken"], &plan["lower_bound"]["broken"]),
        (&json!(0), &json!(0))
    );
    assert_eq!(plan["unplaced"], json!([]));
}

/// A boiler is not steamed with its motion on the bench, nor shown to the inspector while somebody is at the engine or a part
/// of it is away; paint that nobody has begun may come after (plain reading, no source).
#[actix_web::test]
async fn an_engine_in_pieces_is_not_put_before_the_inspector() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_fitter("Edda Morlock", &[]).await;
    for day in 15..=29 {
        let visit = json!({"on": format!("2026-05-{day}"), "tests": 2});
        shop.post("/v1/inspector-visits", &visit).await.created();
    }
    let valve =
        json!({"title": "Valve", "touches": ["safety_valves_and_fittings"], "hours_agreed": "2"});
    let valve = shop.has_agreed_job(engine, valve).await;
    let motion = json!({"title": "Motion", "touches": ["motion"], "hours_agreed": "5", "expected_on": "2026-05-19"});
    let motion = shop.has_agreed_job(engine, motion).await;
    let away = json!({"title": "Nameplates cast", "touches": ["other"], "days_away": 9});
    let away = shop.has_agreed_job(engine, away).await;
    let paint = json!({"title": "Paint", "touches": ["other"], "hours_agreed": "60"});
    let paint = shop.has_agreed_job(engine, paint).await;

    let plan = shop.plans().await;
    let last = |job: i64| step(&plan, "job_id", &json!(job))["last"].clone();
    let steam = step(&plan, "test", &json!("steam"));
    for job in [valve, motion, away] {
        assert!(steam["first"].as_str() >= last(job).as_str(), "{plan}");
    }
    assert!(steam["first"].as_str() < last(paint).as_str(), "{plan}");
    // Somebody is at the paint: it comes first now.
    let moved = json!({"to": "started", "on": "2026-05-14"});
    shop.post(&format!("/v1/jobs/{paint}/transitions"), &moved)
        .await
        .created();
    let plan = shop.plans().await;
    let paint = step(&plan, "job_id", &json!(paint));
    let steam = step(&plan, "test", &json!("steam"));
    assert!(steam["first"].as_str() >= paint["last"].as_str(), "{plan}");
}

#[actix_web::test]
async fn a_promise_that_no_plan_keeps_is_told_with_the_reason() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_fitter("Edda Morlock", &[]).await;
    shop.has_agreed_job(engine, json!({"title": "Long work", "hours_agreed": "60"}))
        .await;
    let other = shop.has(make::engine()).await;
    let late = json!({"title": "Cylinders", "hours_agreed": "6", "expected_on": "2026-05-19", "chased_by": "Maud"});
    let late = shop.has_agreed_job(other, late).await;
    // What is promised to `other` is work of another kind, without papers.
    let person = shop
        .post("/v1/persons", &make::person())
        .await
        .created()
        .id();
    let given = json!({"stock_no": other, "person_id": person, "kind": "other", "description": "to be seen running on air", "on": "2026-05-18"});
    shop.post("/v1/promises", &given).await.created();
    let plan = shop.plans().await;
    let promise = &plan["promises"][0];
    assert_eq!(
        (&promise["outcome"], &promise["days_in_hand"]),
        (&json!("cannot_be_kept"), &json!(-1))
    );
    assert_eq!(promise["no_earlier_than"], "2026-05-19");
    assert!(
        promise["reason"]
            .as_str()
            .is_some_and(|words| words.contains("Cylinders"))
    );
    assert_eq!(plan["lower_bound"]["broken"], 1);
    let saved = &plan["savings"][0];
    assert_eq!(
        (&saved["job_id"], &saved["broken"]),
        (&json!(late), &json!(0))
    );
    let sheet = shop.get("/v1/week-sheet").await.ok().body;
    assert_eq!(sheet["waiting"][0]["chased_by"], "Maud");
}

#[actix_web::test]
async fn what_cannot_be_planned_is_refused() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let first = shop
        .has_agreed_job(engine, json!({"hours_agreed": "2", "skill": "painting"}))
        .await;
    shop.post("/v1/plans", &json!({}))
        .await
        .refused("invalid")
        .is(422);
    shop.has_fitter("Edda Morlock", &["fitting"]).await;
    let plan = shop.plans().await;
    assert_eq!(plan["steps"], json!([]));
    let unplaced = &plan["unplaced"][0];
    assert_eq!(
        (&unplaced["job_id"], &unplaced["act"]),
        (&json!(first), &json!("POST /v1/fitters"))
    );
    assert!(
        unplaced["reason"]
            .as_str()
            .is_some_and(|words| words.contains("painting")),
        "{unplaced}"
    );
    shop.post("/v1/plans", &json!({"from": "2026-05-13"}))
        .await
        .invalid_at("/from");
    shop.post("/v1/plans", &json!({"proposed_jobs": [first]}))
        .await
        .invalid_at("/proposed_jobs/0");

    // Needs close no circle, and lead to no other engine.
    let second = shop.has_agreed_job(engine, json!({"needs": [first]})).await;
    let other = shop.has(make::engine()).await;
    let elsewhere = shop.has_agreed_job(other, json!({})).await;
    for (job, needs) in [(first, second), (first, first), (first, elsewhere)] {
        let change = json!({"needs": [needs]});
        shop.patch(&format!("/v1/jobs/{job}"), &change)
            .await
            .invalid_at("/needs/0");
    }
    let path = format!("/v1/jobs/{first}");
    for (change, pointer) in [
        (json!({"hours_agreed": "-1"}), "/hours_agreed"),
        (json!({"parts_expected": "-1.00"}), "/parts_expected"),
        (json!({"days_away": 0, "hours_agreed": null}), "/days_away"),
        (json!({"days_away": 3}), "/days_away"),
        (json!({"fitter_id": 99}), "/fitter_id"),
    ] {
        shop.patch(&path, &change).await.invalid_at(pointer);
    }
}

#[actix_web::test]
async fn hours_are_booked_from_the_bench_with_three_facts() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let hours = json!({"stock_no": engine, "hours": "2.5"});
    shop.post("/v1/hours", &hours).await.invalid_at("/job_id");
    let edda = shop.has_fitter("Edda Morlock", &[]).await;
    let job = shop.has_job_started(engine, &["motion"], &[]).await;
    shop.post("/v1/hours", &hours).await.invalid_at("/fitter");
    shop.patch(&job, &json!({"fitter_id": edda})).await.ok();
    let booked = shop.post("/v1/hours", &hours).await.created();
    assert_eq!(booked.location(), job);
    assert_eq!(booked.body["hours"][0]["fitter"], "Edda Morlock");
    assert_eq!(booked.body["hours"][0]["on"], "2026-05-14");
    let wrong = json!({"stock_no": engine, "hours": "0"});
    shop.post("/v1/hours", &wrong).await.invalid_at("/hours");
    let second = shop.has_job_started(engine, &["motion"], &[]).await;
    shop.post("/v1/hours", &hours).await.invalid_at("/job_id");
    let other = shop.has(make::engine()).await;
    let id: i64 = second
        .rsplit('/')
        .next()
        .and_then(|id| id.parse().ok())
        .expect("an id");
    let elsewhere =
        json!({"stock_no": other, "job_id": id, "hours": "1", "fitter": "Edda Morlock"});
    shop.post("/v1/hours", &elsewhere)
        .await
        .invalid_at("/job_id");
    shop.post("/v1/hours", &json!({"stock_no": 999, "hours": "1"}))
        .await
        .invalid_at("/stock_no");
}

/// (3 + 20)/(2 + 20) = 1.0455: arithmetic.
#[actix_web::test]
async fn the_next_plan_learns_from_what_jobs_took() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    shop.has_fitter("Edda Morlock", &[]).await;
    let job = shop
        .has_agreed_job(engine, json!({"hours_agreed": "2"}))
        .await;
    let moves = format!("/v1/jobs/{job}/transitions");
    shop.post(&moves, &json!({"to": "started", "on": "2026-05-14"}))
        .await
        .created();
    let hours = json!({"stock_no": engine, "hours": "3", "fitter": "Edda Morlock"});
    shop.post("/v1/hours", &hours).await.created();
    shop.post(&moves, &json!({"to": "finished", "on": "2026-05-14"}))
        .await
        .created();
    let items = shop.get("/v1/hours-accuracy").await.ok().body["items"].clone();
    assert_eq!(
        items,
        json!([{"touches": "motion", "fitter": null, "hours_agreed": "2", "hours_booked": "3", "factor": "1.0455"},
            {"touches": null, "fitter": "Edda Morlock", "hours_agreed": "2", "hours_booked": "3", "factor": "1.0455"}])
    );
    let next = shop
        .has_agreed_job(engine, json!({"hours_agreed": "4"}))
        .await;
    let plan = shop.plans().await;
    assert_eq!(
        step(&plan, "job_id", &json!(next))["hours"],
        json!([{"on": "2026-05-14", "hours": "4.25"}])
    );
}
