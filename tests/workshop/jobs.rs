//! Jobs: their moves, what they clear, hours and parts, and what they do to the papers.

use crate::{
    harness::{Answer, Shop, text},
    make,
};
use diesel_async::SimpleAsyncConnection;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

const JOBS: &str = "/v1/engines/1/jobs";

/// A shop with engine 1, which came on 2026-01-05.
async fn shop_with_an_engine() -> Shop {
    let shop = Shop::open().await;
    assert_eq!(shop.has(make::engine()).await, 1);
    shop
}

/// Proposed on 2026-03-02.
fn job() -> Value {
    json!({"title": "Lubricator ratchet", "touches": ["safety_valves_and_fittings"], "proposed_on": "2026-03-02"})
}

impl Shop {
    async fn proposes(&self, job: &Value) -> i64 {
        self.post(JOBS, job).await.created().id()
    }

    async fn moves(&self, job: i64, to: &str, on: &str) -> Answer {
        self.post(
            &format!("/v1/jobs/{job}/transitions"),
            &json!({"to": to, "on": on}),
        )
        .await
    }

    /// Proposes a job, agrees on it and starts it, all on 2 March 2026.
    async fn has_started(&self, job: &Value) -> i64 {
        let id = self.proposes(job).await;
        for to in ["agreed", "started"] {
            self.moves(id, to, "2026-03-02").await.created();
        }
        id
    }

    /// Writes to the database itself what has no part in a test but to be there.
    async fn given(&self, sql: &str) {
        let mut conn = self.db.read().await.expect("a connection");
        conn.batch_execute(sql).await.expect(sql);
    }

    async fn last_entry(&self) -> Value {
        let page = self.get("/v1/journal?limit=500").await.ok();
        page.body["items"]
            .as_array()
            .expect("items")
            .last()
            .expect("an entry")
            .clone()
    }
}

#[actix_web::test]
async fn a_job_is_proposed_agreed_taken_in_hand_and_finished() {
    let shop = shop_with_an_engine().await;
    let made = shop
        .request(Method::POST, JOBS)
        .by(&shop, Role::Fitter)
        .json(&json!({"title": "Lubricator ratchet", "touches": ["safety_valves_and_fittings"], "hours_agreed": "4.50",
            "outside_work": "120", "notes": "pawl worn"}))
        .send()
        .await
        .created();
    assert_eq!(
        made.body,
        json!({"id": 1, "stock_no": 1, "title": "Lubricator ratchet", "status": "proposed",
            "touches": ["safety_valves_and_fittings"], "gauge_glass_only": false, "hours_agreed": "4.5",
            "outside_work": "120.00", "expected_on": null, "chased_by": null, "parts_expected": null, "skill": null,
            "fitter_id": null, "work_place": null, "days_away": null, "needs": [], "proposed_on": "2026-05-14", "agreed_on": null, "started_on": null,
            "finished_on": null, "finished_at": null, "called_off_on": null, "working_order_after": null, "boiler_id": null,
            "notes": "pawl worn", "grades_after": {"boiler": null, "fittings_and_feeds": null, "cylinders_and_valves": null, "motion": null,
                "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": null, "completeness": null},
            "findings": [], "hours_booked": "0", "hours": [], "parts_cost": "0.00", "parts": []}),
        "proposed today"
    );
    let job = shop.proposes(&job()).await;
    for (to, on, member) in [
        ("agreed", "2026-03-02", "agreed_on"),
        ("started", "2026-03-05", "started_on"),
        ("finished", "2026-05-14", "finished_on"),
    ] {
        let moved = shop.moves(job, to, on).await.created();
        assert_eq!(
            (&moved.body["status"], &moved.body[member]),
            (&json!(to), &json!(on))
        );
        let read = shop.get(&moved.location()).await.ok();
        assert_eq!(
            (read.body.clone(), read.etag()),
            (moved.body.clone(), moved.etag())
        );
    }
    assert_eq!(
        shop.journal().await[1..],
        [
            "job.proposed",
            "job.proposed",
            "job.agreed",
            "job.started",
            "job.finished"
        ]
    );
}

#[actix_web::test]
async fn a_job_is_moved_in_its_order_only() {
    let shop = shop_with_an_engine().await;
    let job = shop.proposes(&job()).await;
    let day = "2026-03-02";
    for to in ["proposed", "started", "finished"] {
        shop.moves(job, to, day).await.refused("conflict").is(409);
    }
    shop.moves(job, "agreed", day).await.created();
    shop.moves(job, "agreed", day).await.refused("conflict");
    shop.moves(job, "called_off", day).await.created();
    for to in ["proposed", "agreed", "started", "finished", "called_off"] {
        shop.moves(job, to, day).await.refused("conflict");
    }
    shop.moves(job, "mislaid", day).await.invalid_at("/to");
    shop.moves(99, "agreed", day).await.refused("not_found");
}

#[actix_web::test]
async fn a_job_is_finished_neither_before_it_began_nor_in_the_future() {
    let shop = shop_with_an_engine().await;
    let job = shop.proposes(&job()).await;
    shop.moves(job, "agreed", "2026-03-01")
        .await
        .invalid_at("/on");
    shop.moves(job, "agreed", "2026-03-03").await.created();
    shop.moves(job, "started", "2026-03-02")
        .await
        .invalid_at("/on");
    shop.moves(job, "started", "2026-03-10").await.created();
    for outside in ["2026-03-09", "2026-05-15"] {
        shop.moves(job, "finished", outside).await.invalid_at("/on");
    }
    shop.moves(job, "finished", "2026-03-10").await.created();
}

#[actix_web::test]
async fn a_time_of_day_is_kept_of_the_finish_only() {
    let shop = shop_with_an_engine().await;
    let job = shop.proposes(&job()).await;
    let moves = format!("/v1/jobs/{job}/transitions");
    let timed = |to: &str, at: &str| json!({"to": to, "on": "2026-03-02", "at": at});
    shop.post(&moves, &timed("agreed", "11:30"))
        .await
        .invalid_at("/at");
    for to in ["agreed", "started"] {
        shop.moves(job, to, "2026-03-02").await.created();
    }
    shop.post(&moves, &timed("finished", "24:00"))
        .await
        .invalid_at("/at");
    let finished = shop
        .post(&moves, &timed("finished", "11:30"))
        .await
        .created();
    assert_eq!(finished.body["finished_at"], "11:30");
}

#[actix_web::test]
async fn what_is_wrong_with_a_job_is_named() {
    let shop = shop_with_an_engine().await;
    for (change, pointer) in [
        (json!({"touches": []}), "/touches"),
        (json!({"touches": ["motion", "motion"]}), "/touches"),
        (json!({"touches": ["paint"]}), "/touches/0"),
        (json!({"title": ""}), "/title"),
        (
            json!({"gauge_glass_only": true, "touches": ["pressure_parts"]}),
            "/gauge_glass_only",
        ),
        (
            json!({"gauge_glass_only": true, "touches": ["safety_valves_and_fittings", "motion"]}),
            "/gauge_glass_only",
        ),
        (json!({"hours_agreed": 4}), "/hours_agreed"),
        (json!({"hours_agreed": "-1"}), "/hours_agreed"),
        (json!({"hours_agreed": "1.255"}), "/hours_agreed"),
        (json!({"outside_work": "-0.01"}), "/outside_work"),
        (json!({"proposed_on": "2026-01-04"}), "/proposed_on"),
        (json!({"proposed_on": "2026-05-15"}), "/proposed_on"),
        (json!({"findings": [7]}), "/findings/0"),
        (json!({"status": "finished"}), "/status"),
    ] {
        shop.post(JOBS, &make::with(job(), &change))
            .await
            .invalid_at(pointer);
    }
    shop.post(JOBS, &json!({"title": "All"}))
        .await
        .refused("invalid");
    shop.post("/v1/engines/2/jobs", &job())
        .await
        .refused("not_found");
    let none = shop.get("/v1/jobs?stock_no=2").await.ok();
    assert_eq!(none.body["items"], json!([]));
    shop.get("/v1/jobs/1").await.refused("not_found").is(404);
    assert_eq!(shop.journal().await, ["engine.acquired"]);
    for inside in ["2026-01-05", "2026-05-14"] {
        shop.proposes(&make::with(job(), &json!({"proposed_on": inside})))
            .await;
    }
}

#[actix_web::test]
async fn jobs_are_the_workshops_to_write_and_the_staffs_to_read() {
    let shop = shop_with_an_engine().await;
    let id = shop.proposes(&job()).await;
    let etag = shop.get("/v1/jobs/1").await.ok().etag();
    for role in [Role::Seller, Role::Bookkeeper, Role::Website] {
        for (address, body) in [
            (JOBS, job()),
            (
                "/v1/jobs/1/transitions",
                json!({"to": "agreed", "on": "2026-03-02"}),
            ),
            (
                "/v1/jobs/1/hours",
                json!({"on": "2026-03-02", "fitter": "A", "hours": "1"}),
            ),
            (
                "/v1/jobs/1/parts",
                json!({"on": "2026-03-02", "description": "a", "cost": "1"}),
            ),
            ("/v1/jobs/1/reversals", json!({"hours_id": 1})),
        ] {
            shop.request(Method::POST, address)
                .by(&shop, role)
                .json(&body)
                .send()
                .await
                .refused("forbidden");
        }
        shop.request(Method::PATCH, "/v1/jobs/1")
            .by(&shop, role)
            .if_match(&etag)
            .merge_patch(&json!({"title": "x"}))
            .send()
            .await
            .refused("forbidden");
    }
    for address in ["/v1/jobs", "/v1/jobs/1", "/v1/jobs/1/consequences"] {
        let read = |role| shop.request(Method::GET, address).by(&shop, role).send();
        for role in [Role::Fitter, Role::Seller, Role::Bookkeeper] {
            read(role).await.ok();
        }
        read(Role::Website).await.refused("forbidden");
    }
    assert_eq!(id, 1);
}

#[actix_web::test]
async fn a_finished_job_clears_its_findings_from_that_day() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-02-01", &["stay nut weeps", "gauge cock stiff"], &[])
        .await
        .created();
    let id = shop
        .has_started(&make::with(job(), &json!({"findings": [1]})))
        .await;
    assert_eq!(
        shop.findings("open=true").await,
        ["stay nut weeps", "gauge cock stiff"]
    );
    shop.moves(id, "finished", "2026-03-04").await.created();
    assert_eq!(shop.findings("open=true").await, ["gauge cock stiff"]);
    let cleared = shop.get("/v1/findings/1").await.ok().body;
    assert_eq!(
        (
            &cleared["cleared_on"],
            &cleared["cleared_by_job_id"],
            &cleared["cleared_by_survey_id"]
        ),
        (&json!("2026-03-04"), &json!(id), &Value::Null)
    );
    let entry = shop.last_entry().await;
    assert_eq!(
        (text(&entry["type"]).as_str(), &entry["stock_no"]),
        ("job.finished", &json!(1))
    );
    assert_eq!(
        entry["data"],
        json!({"job_id": id, "on": "2026-03-04", "touches": ["safety_valves_and_fittings"], "boiler_id": null,
            "findings": [1]})
    );
    shop.post(JOBS, &make::with(job(), &json!({"findings": [2, 1]})))
        .await
        .invalid_at("/findings/1");
}

#[actix_web::test]
async fn a_job_that_is_called_off_clears_nothing() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-02-01", &["stay nut weeps"], &[])
        .await
        .created();
    let id = shop
        .has_started(&make::with(job(), &json!({"findings": [1]})))
        .await;
    let called_off = shop.moves(id, "called_off", "2026-03-04").await.created();
    assert_eq!(called_off.body["called_off_on"], "2026-03-04");
    assert_eq!(shop.findings("open=true").await, ["stay nut weeps"]);
}

#[actix_web::test]
async fn a_job_may_be_finished_on_the_day_of_its_finding_and_not_before() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-03-10", &["stay nut weeps"], &[])
        .await
        .created();
    let id = shop
        .has_started(&make::with(job(), &json!({"findings": [1]})))
        .await;
    shop.moves(id, "finished", "2026-03-09")
        .await
        .invalid_at("/on");
    assert_eq!(shop.get("/v1/jobs/1").await.ok().body["status"], "started");
    shop.moves(id, "finished", "2026-03-10").await.created();
    assert_eq!(shop.findings("open=true").await, [""; 0]);
}

#[actix_web::test]
async fn the_first_clearing_of_a_finding_counts() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-02-01", &["stay nut weeps", "gauge cock stiff"], &[])
        .await
        .created();
    let id = shop
        .has_started(&make::with(job(), &json!({"findings": [1, 2]})))
        .await;
    shop.surveyed("2026-03-04", &[], &[1]).await.created();
    shop.surveyed("2026-03-06", &[], &[2]).await.created();
    shop.moves(id, "finished", "2026-03-05").await.created();
    let mut cleared = Vec::new();
    for finding in 1..=2 {
        let finding = shop.get(&format!("/v1/findings/{finding}")).await.ok().body;
        cleared.push((
            text(&finding["cleared_on"]),
            finding["cleared_by_job_id"].clone(),
        ));
    }
    assert_eq!(
        cleared,
        [
            ("2026-03-04".to_owned(), Value::Null),
            ("2026-03-05".to_owned(), json!(id))
        ]
    );
}

#[actix_web::test]
async fn a_finished_job_names_the_boiler_that_was_in_the_engine_on_that_day() {
    let shop = shop_with_an_engine().await;
    shop.given(
        "INSERT INTO boilers (number, material, working_pressure) VALUES ('QLW 1', 'copper', '90 psi'), ('QLW 2', 'copper', '90 psi');
         INSERT INTO boiler_installations (boiler_id, stock_no, installed_on, removed_on) VALUES (1, 1, '2026-03-03', '2026-03-05'), (2, 1, '2026-03-05', NULL)",
    )
    .await;
    for (on, boiler) in [
        ("2026-03-02", Value::Null),
        ("2026-03-03", json!(1)),
        ("2026-03-04", json!(1)),
        ("2026-05-14", json!(2)),
    ] {
        let id = shop.has_started(&job()).await;
        let finished = shop.moves(id, "finished", on).await.created();
        assert_eq!(finished.body["boiler_id"], boiler, "{on}");
        assert_eq!(shop.last_entry().await["data"]["boiler_id"], boiler);
    }
}

#[actix_web::test]
async fn what_a_job_touches_and_clears_is_fixed_when_it_is_over() {
    let shop = shop_with_an_engine().await;
    shop.surveyed("2026-02-01", &["stay nut weeps", "gauge cock stiff"], &[])
        .await
        .created();
    let id = shop.has_started(&job()).await;
    let address = format!("/v1/jobs/{id}");

    // While the job is open, what it touches and clears may change, to what is on record only.
    let changed = shop
        .patch(
            &address,
            &json!({"touches": ["pressure_parts"], "findings": [1, 2]}),
        )
        .await
        .ok();
    assert_eq!(
        (&changed.body["touches"], &changed.body["findings"]),
        (&json!(["pressure_parts"]), &json!([1, 2]))
    );
    shop.patch(&address, &json!({"touches": []}))
        .await
        .invalid_at("/touches");
    shop.patch(&address, &json!({"gauge_glass_only": true}))
        .await
        .invalid_at("/gauge_glass_only");
    shop.patch(&address, &json!({"findings": [1, 9]}))
        .await
        .invalid_at("/findings/1");

    // A finding that a survey has cleared since may stay or be dropped, but not be added.
    shop.surveyed("2026-02-02", &[], &[2]).await.created();
    shop.patch(&address, &json!({"findings": [2]})).await.ok();
    shop.patch(&address, &json!({"findings": [1]})).await.ok();
    shop.patch(&address, &json!({"findings": [1, 2]}))
        .await
        .invalid_at("/findings/1");

    // Once the job is finished these are fixed.
    shop.moves(id, "finished", "2026-03-04").await.created();
    for change in [
        json!({"touches": ["other"]}),
        json!({"findings": []}),
        json!({"gauge_glass_only": false}),
    ] {
        shop.patch(&address, &change)
            .await
            .refused("conflict")
            .is(409);
    }

    // Title, hours, outside work and notes may still be put right.
    let title = json!({"title": "Foundation ring", "hours_agreed": "9", "outside_work": "80.00", "notes": "silver solder"});
    shop.patch(&address, &title).await.ok();
    let cleared = shop
        .patch(
            &address,
            &json!({"hours_agreed": null, "outside_work": null, "notes": null}),
        )
        .await
        .ok()
        .body;
    assert_eq!(
        [
            &cleared["title"],
            &cleared["hours_agreed"],
            &cleared["outside_work"],
            &cleared["notes"],
            &cleared["touches"]
        ],
        [
            &json!("Foundation ring"),
            &Value::Null,
            &Value::Null,
            &Value::Null,
            &json!(["pressure_parts"])
        ]
    );
    shop.patch(&address, &json!({"status": "proposed"}))
        .await
        .invalid_at("/status");
}

#[actix_web::test]
async fn hours_are_booked_and_a_wrong_line_is_reversed() {
    let shop = shop_with_an_engine().await;
    let id = shop.has_started(&job()).await;
    let (hours, reversals) = (
        format!("/v1/jobs/{id}/hours"),
        format!("/v1/jobs/{id}/reversals"),
    );
    let line = |on: &str, hours: &str| json!({"on": on, "fitter": "Edda Morlock", "hours": hours});
    shop.post(&hours, &line("2026-03-03", "2.5"))
        .await
        .created();
    let wrong = shop.post(&hours, &line("2026-03-04", "23")).await.created();
    assert_eq!(wrong.body["hours_booked"], "25.5");
    for bad in ["0", "-1", "0.001", "two", "1e1"] {
        shop.post(&hours, &line("2026-03-04", bad))
            .await
            .invalid_at("/hours");
    }
    for outside in ["2026-01-04", "2026-05-15"] {
        shop.post(&hours, &line(outside, "1"))
            .await
            .invalid_at("/on");
    }
    let right = shop
        .post(&reversals, &json!({"hours_id": 2}))
        .await
        .created();
    assert_eq!(right.body["hours_booked"], "2.5");
    assert_eq!(
        right.body["hours"][2],
        json!({"id": 3, "on": "2026-03-04", "fitter": "Edda Morlock", "hours": "-23", "reverses_id": 2, "confirmed": []})
    );
    shop.post(&reversals, &json!({"hours_id": 2}))
        .await
        .refused("conflict")
        .is(409);
    for bad in [3, 4] {
        shop.post(&reversals, &json!({"hours_id": bad}))
            .await
            .invalid_at("/hours_id");
    }
    let other = shop.proposes(&job()).await;
    shop.post(
        &format!("/v1/jobs/{other}/reversals"),
        &json!({"hours_id": 1}),
    )
    .await
    .invalid_at("/hours_id");
    for unclear in [json!({}), json!({"hours_id": 1, "parts_id": 1})] {
        shop.post(&reversals, &unclear).await.invalid_at("");
    }
    let journal = shop.journal().await;
    assert_eq!(
        journal[4..],
        [
            "job.hours_booked",
            "job.hours_booked",
            "job.line_reversed",
            "job.proposed"
        ]
    );
}

#[actix_web::test]
async fn parts_are_recorded_to_the_penny_and_a_wrong_line_is_reversed() {
    let shop = shop_with_an_engine().await;
    let id = shop.has_started(&job()).await;
    let (parts, reversals) = (
        format!("/v1/jobs/{id}/parts"),
        format!("/v1/jobs/{id}/reversals"),
    );
    let line = |cost: &str| json!({"on": "2026-03-03", "description": "ratchet wheel and pawl", "cost": cost});
    for (cost, total) in [("18.40", "18.40"), ("0.01", "18.41"), ("0", "18.41")] {
        let used = shop.post(&parts, &line(cost)).await.created();
        assert_eq!(used.body["parts_cost"], total);
    }
    shop.post(&parts, &line("-0.01")).await.invalid_at("/cost");
    shop.post(&parts, &line("1.005")).await.invalid_at("/cost");
    shop.post(
        &parts,
        &make::with(line("1.00"), &json!({"on": "2026-05-15"})),
    )
    .await
    .invalid_at("/on");
    let right = shop
        .post(&reversals, &json!({"parts_id": 1}))
        .await
        .created();
    assert_eq!(right.body["parts_cost"], "0.01");
    assert_eq!(right.body["parts"][3]["cost"], "-18.40");
    shop.post(&reversals, &json!({"parts_id": 1}))
        .await
        .refused("conflict");
    shop.post(&reversals, &json!({"parts_id": 3}))
        .await
        .created();
    let most = line("9999999999.99");
    shop.post(&parts, &most).await.refused("conflict").is(409);
    assert_eq!(
        shop.get(&format!("/v1/jobs/{id}")).await.ok().body["parts_cost"],
        "0.01"
    );
}

#[actix_web::test]
async fn jobs_are_listed_by_standing_and_engine() {
    let shop = shop_with_an_engine().await;
    shop.has(make::engine()).await;
    let proposed = shop.proposes(&job()).await;
    let started = shop.has_started(&job()).await;
    let of_other = shop.post("/v1/engines/2/jobs", &job()).await.created().id();
    shop.post(
        &format!("/v1/jobs/{started}/hours"),
        &json!({"on": "2026-03-03", "fitter": "Edda Morlock", "hours": "2"}),
    )
    .await
    .created();
    for (address, expected) in [
        ("/v1/jobs?stock_no=1", vec![proposed, started]),
        ("/v1/jobs?stock_no=1&status=started", vec![started]),
        ("/v1/jobs?stock_no=2&status=started", vec![]),
        ("/v1/jobs", vec![proposed, started, of_other]),
        ("/v1/jobs?status=started,agreed", vec![started]),
        ("/v1/jobs?status=proposed", vec![proposed, of_other]),
        ("/v1/jobs?status=proposed&stock_no=2", vec![of_other]),
        ("/v1/jobs?stock_no=3", vec![]),
    ] {
        let page = shop.get(address).await.ok();
        let items = page.body["items"].as_array().expect("items");
        let ids: Vec<_> = items.iter().map(|job| job["id"].as_i64()).collect();
        assert_eq!(
            ids,
            expected.into_iter().map(Some).collect::<Vec<_>>(),
            "{address}"
        );
    }
    let all = shop.get("/v1/jobs").await.ok();
    assert_eq!(all.body["items"][1]["hours_booked"], "2");
    for bad in ["status=lost", "status=", "stock_no=x", "colour=red"] {
        shop.get(&format!("/v1/jobs?{bad}"))
            .await
            .refused("invalid_query");
    }
    let csv = shop
        .request(Method::GET, "/v1/jobs")
        .by(&shop, Role::Bookkeeper)
        .header("accept", "text/csv")
        .send()
        .await
        .ok();
    assert!(csv.text.starts_with("id,stock_no,title,"), "{}", csv.text);
    assert_eq!(csv.text.lines().count(), 4);
}

/// UK model-engineering federations' boiler code: a structural repair voids every current certificate. That work on
/// fittings voids the steam paper: common practice, no source. A gauge glass: rule of a Swiss gauge-1 society.
#[actix_web::test]
async fn a_job_says_which_papers_it_voids_and_which_tests_it_calls_for() {
    let shop = shop_with_an_engine().await;
    shop.given(
        "INSERT INTO boilers (number, material, working_pressure) VALUES ('QLW 1', 'copper', '90 psi');
         INSERT INTO boiler_installations (boiler_id, stock_no, installed_on) VALUES (1, 1, '2026-01-05')",
    )
    .await;
    let says = async |job: i64| {
        shop.get(&format!("/v1/jobs/{job}/consequences"))
            .await
            .ok()
            .body
    };
    let touching = |touches: Value| make::with(job(), &json!({"touches": touches}));
    let boiler = shop.has_started(&touching(json!(["pressure_parts"]))).await;
    let motion = shop
        .has_started(&touching(json!(["motion", "other"])))
        .await;
    let valve = shop.has_started(&job()).await;
    let glass = shop
        .has_started(&make::with(job(), &json!({"gauge_glass_only": true})))
        .await;
    let answer = says(boiler).await;
    assert_eq!(
        [
            &answer["from"],
            &answer["boiler_id"],
            &answer["voids"],
            &answer["calls_for"]
        ],
        [
            &json!("2026-05-14"),
            &json!(1),
            &json!(["hydraulic", "steam"]),
            &json!(["hydraulic_repeat", "steam"])
        ],
        "as if it were finished today"
    );
    assert_eq!(answer["cautions"].as_array().expect("cautions").len(), 1);
    assert_eq!(says(motion).await["voids"], json!([]));
    assert_eq!(says(valve).await["voids"], json!(["steam"]));
    assert_eq!(says(glass).await["voids"], json!(["steam"]));
    shop.patch("/v1/firm", &json!({"jurisdiction": "CH"}))
        .await
        .ok();
    assert_eq!(says(glass).await["voids"], json!([]));
    assert_eq!(says(glass).await["calls_for"], json!([]));
    assert_eq!(says(valve).await["voids"], json!(["hydraulic", "steam"]));
    assert_eq!(says(boiler).await["voids"], json!(["hydraulic", "steam"]));
    shop.moves(boiler, "finished", "2026-03-05").await.created();
    assert_eq!(says(boiler).await["from"], "2026-03-05");
    let dropped = shop.has_started(&touching(json!(["pressure_parts"]))).await;
    shop.moves(dropped, "called_off", "2026-03-05")
        .await
        .created();
    let answer = says(dropped).await;
    assert_eq!(answer["voids"], json!([]));
    assert!(
        answer["cautions"].to_string().contains("a separate job"),
        "{answer}"
    );
    shop.get("/v1/jobs/99/consequences")
        .await
        .refused("not_found");
}

#[actix_web::test]
async fn a_job_says_which_promise_it_endangers() {
    let shop = Shop::open().await;
    let (engine, _) = shop.has_engine_with(make::boiler()).await;
    let job = shop.has_job_started(engine, &["pressure_parts"], &[]).await;
    let harmless = shop.has_job_started(engine, &["motion"], &[]).await;
    let endangers = async |job: &str| {
        let told = shop.get(&format!("{job}/consequences")).await.ok();
        told.body["endangers"].clone()
    };
    assert_eq!(endangers(&job).await, Value::Null, "nothing is promised");
    let sale = shop.has_sold(engine).await;
    assert_eq!(endangers(&job).await, Value::Null, "no day is promised");
    let sale_at = format!("/v1/sales/{sale}");
    shop.patch(&sale_at, &json!({"promised_on": "2026-05-13"}))
        .await
        .invalid_at("/promised_on");
    shop.patch(&sale_at, &json!({"promised_on": "2026-05-30"}))
        .await
        .ok();
    assert_eq!(
        endangers(&job).await,
        json!({"sale_id": sale, "promised_on": "2026-05-30", "days_left": 16})
    );
    assert_eq!(endangers(&harmless).await, Value::Null, "it voids nothing");
}

/// Work counts for the boiler that was in the engine when it ended, whenever the fitting is written down. UK
/// model-engineering federations' boiler code: a structural repair voids every current certificate.
#[actix_web::test]
async fn a_fitting_recorded_after_the_work_does_not_hide_the_work_from_the_papers() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let boiler = shop.has_boiler(make::boiler()).await;
    for test in [make::hydraulic("2025-05-14"), make::steam("2026-01-10")] {
        shop.post(&format!("{boiler}/tests"), &test).await.created();
    }
    let job = shop.has_job_started(engine, &["pressure_parts"], &[]).await;
    shop.finishes(&job, "2026-03-05").await;
    let holds = async || {
        let papers = shop
            .get(&format!("{boiler}/papers?on=2026-05-14"))
            .await
            .ok();
        papers.body["days"][0]["papers_valid"].clone()
    };
    assert_eq!(holds().await, json!(true), "the boiler is in no engine");
    let fitting = json!({"stock_no": engine, "installed_on": "2026-02-01"});
    shop.post(&format!("{boiler}/installations"), &fitting)
        .await
        .created();
    assert_eq!(
        holds().await,
        json!(false),
        "it was in the engine when the job ended"
    );
    let id = boiler.rsplit('/').next().expect("an id");
    assert_eq!(shop.get(&job).await.ok().body["boiler_id"].to_string(), id);
}

#[actix_web::test]
async fn an_engine_without_a_recorded_boiler_is_told_so() {
    let shop = shop_with_an_engine().await;
    let job = shop.has_started(&job()).await;
    let answer = shop
        .get(&format!("/v1/jobs/{job}/consequences"))
        .await
        .ok()
        .body;
    assert_eq!(answer["boiler_id"], Value::Null);
    assert!(
        answer["cautions"]
            .to_string()
            .contains("No boiler is recorded"),
        "{answer}"
    );
}

#[actix_web::test]
async fn two_who_finish_a_job_at_once_finish_it_once() {
    let shop = shop_with_an_engine().await;
    let id = shop.has_started(&job()).await;
    let (one, other) = tokio::join!(
        shop.moves(id, "finished", "2026-03-05"),
        shop.moves(id, "finished", "2026-03-06")
    );
    let mut statuses = [one.status, other.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409], "{} {}", one.text, other.text);
    let finished = shop.journal().await;
    assert_eq!(
        finished
            .iter()
            .filter(|entry| *entry == "job.finished")
            .count(),
        1
    );
}

#[actix_web::test]
async fn a_job_says_what_it_is_to_bring_about_until_it_is_over() {
    let shop = shop_with_an_engine().await;
    let repaint = make::with(
        job(),
        &json!({"touches": ["other"], "grades_after": {"platework_and_paint": "as_new", "frames": "good"},
            "working_order_after": "in_running_order"}),
    );
    let made = shop.post(JOBS, &repaint).await.created();
    let after = &made.body["grades_after"];
    assert_eq!(
        (
            &after["platework_and_paint"],
            &after["frames"],
            &after["motion"]
        ),
        (&json!("as_new"), &json!("good"), &json!(null))
    );
    let change = json!({"grades_after": {"motion": "good", "platework_and_paint": null}, "working_order_after": null});
    let changed = shop.patch(&made.location(), &change).await.ok().body;
    let after = &changed["grades_after"];
    assert_eq!(
        (
            &after["platework_and_paint"],
            &after["frames"],
            &after["motion"]
        ),
        (&json!(null), &json!("good"), &json!("good"))
    );
    assert_eq!(changed["working_order_after"], json!(null));
    shop.patch(
        &made.location(),
        &json!({"grades_after": {"motion": "splendid"}}),
    )
    .await
    .invalid_at("/grades_after/motion");
    shop.patch(&made.location(), &json!({"grades_after": null}))
        .await
        .refused("invalid");
    shop.moves(made.id(), "called_off", "2026-03-03")
        .await
        .created();
    shop.patch(
        &made.location(),
        &json!({"grades_after": {"motion": "fair"}}),
    )
    .await
    .refused("conflict");
}

/// Papers of a boiler on a day.
async fn papers_valid(shop: &Shop, boiler: &str, on: &str) -> Value {
    let papers = shop.get(&format!("{boiler}/papers?on={on}")).await.ok();
    papers.body["days"][0]["papers_valid"].clone()
}

/// A structural repair voids every current certificate (UK model-engineering federations' boiler code); which boiler was repaired
/// is a fact of the finished job (plain reading).
#[actix_web::test]
async fn a_repaired_boiler_stays_the_repaired_one_when_it_is_taken_out_on_the_day_of_the_finish() {
    let shop = Shop::open().await;
    let (engine, repaired) = shop.has_engine_with(make::boiler()).await;
    let other = make::with(make::boiler(), &json!({"number": "OTHER 2"}));
    let other = shop.has_boiler(other).await;
    for (boiler, number) in [(&repaired, "QLW 1187"), (&other, "OTHER 2")] {
        for test in [make::hydraulic("2025-05-14"), make::steam("2026-01-10")] {
            let test = make::with(test, &json!({"boiler_number": number}));
            shop.post(&format!("{boiler}/tests"), &test).await.created();
        }
    }
    let job = shop.has_job_started(engine, &["pressure_parts"], &[]).await;
    shop.finishes(&job, "2026-05-10").await;
    let named = shop.get(&job).await.ok().body["boiler_id"].clone();
    shop.takes_out(&repaired, &json!({"removed_on": "2026-05-10"}))
        .await
        .ok();
    let fitting = json!({"stock_no": engine, "installed_on": "2026-05-10"});
    shop.post(&format!("{other}/installations"), &fitting)
        .await
        .created();
    for (boiler, hold) in [(&repaired, false), (&other, true)] {
        assert_eq!(
            papers_valid(&shop, boiler, "2026-05-14").await,
            hold,
            "{boiler}"
        );
    }
    assert_eq!(shop.get(&job).await.ok().body["boiler_id"], named);
    let consequences = shop.get(&format!("{job}/consequences")).await.ok();
    assert_eq!(consequences.body["boiler_id"], named);
}

/// Plain reading, no source.
#[actix_web::test]
async fn of_two_boilers_in_an_engine_on_one_day_the_times_or_a_name_tell_which_the_job_was_on() {
    let shop = Shop::open().await;
    let (engine, first) = shop.has_engine_with(make::boiler()).await;
    let second = make::with(make::boiler(), &json!({"number": "OTHER 2"}));
    let second = shop.has_boiler(second).await;
    let removal = json!({"removed_on": "2026-05-10", "removed_at": "12:00"});
    let out = shop.takes_out(&first, &removal).await;
    assert_eq!(out.ok().body["removed_at"], "12:00");
    let fitting =
        json!({"stock_no": engine, "installed_on": "2026-05-10", "installed_at": "11:59"});
    shop.post(&format!("{second}/installations"), &fitting)
        .await
        .invalid_at("/installed_at");
    let fitting = make::with(fitting, &json!({"installed_at": "13:00"}));
    let fitted = shop
        .post(&format!("{second}/installations"), &fitting)
        .await;
    assert_eq!(fitted.created().body["installed_at"], "13:00");
    let id = |address: &str| -> i64 {
        let id = address.rsplit('/').next().expect("an id");
        id.parse().expect("a number")
    };
    for (finish, boiler) in [
        (json!({"at": "11:30"}), Some(id(&first))),
        (json!({"at": "13:00"}), Some(id(&second))),
        (json!({"boiler_id": id(&first)}), Some(id(&first))),
        (json!({}), None),
        // Between the two no boiler was in; it may have been worked on beside the engine.
        (json!({"at": "12:30"}), None),
        (json!({"boiler_id": 99}), None),
    ] {
        let job = shop.has_job_started(engine, &["pressure_parts"], &[]).await;
        let finish = make::with(finish, &json!({"to": "finished", "on": "2026-05-10"}));
        let finished = shop.post(&format!("{job}/transitions"), &finish).await;
        match boiler {
            Some(boiler) => assert_eq!(finished.created().body["boiler_id"], boiler, "{finish}"),
            None => {
                finished.invalid_at("/boiler_id");
            }
        }
    }
    let job = shop.has_job_started(engine, &["other"], &[]).await;
    let named_early = json!({"to": "called_off", "on": "2026-05-10", "boiler_id": id(&first)});
    shop.post(&format!("{job}/transitions"), &named_early)
        .await
        .invalid_at("/boiler_id");
    shop.takes_out(
        &second,
        &json!({"removed_on": "2026-05-10", "removed_at": "12:59"}),
    )
    .await
    .invalid_at("/removed_at");
}
