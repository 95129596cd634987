//! How long the papers' clock takes for one boiler with 50 events, and a gate with and without its open days.
//!
//! `cargo bench -p outshop-core --bench papers`

#![expect(
    clippy::expect_used,
    reason = "a bench that cannot be set up has to fail"
)]

use divan::Bencher;
use outshop_core::{
    boilers::{
        codes::{self, Rule},
        papers::{self, Question},
        readiness::{self, BoilerFacts, Facts, Gate, Link, Settings},
    },
    engines::engine::OfferedAs,
};
use std::{hint::black_box, sync::Arc};

fn main() {
    divan::main();
}

/// Fifty events from 1999 on: a steam test every year, a hydraulic one every fourth, work on fittings every third.
fn question(period: bool) -> Question {
    let mut events = Vec::new();
    let mut year = 1999;
    while events.len() < 50 {
        if year % 4 == 0 {
            events.push(serde_json::json!({"event": "test", "test": "hydraulic_repeat", "on": format!("{year}-03-01"),
                "pressure": {"value": "135", "unit": "psi"}, "hold_minutes": 10, "passed": true, "boiler_number": "QLW 1187"}));
        }
        if year % 3 == 0 {
            events.push(
                serde_json::json!({"event": "job_finished", "on": format!("{year}-03-20"),
                "touches": ["safety_valves_and_fittings"]}),
            );
        }
        events.push(serde_json::json!({"event": "test", "test": "steam", "on": format!("{year}-04-01"),
            "highest_pressure": {"value": "90", "unit": "psi"}, "passed": true, "boiler_number": "QLW 1187"}));
        year += 1;
    }
    events.truncate(50);
    let mut question = serde_json::json!({
        "jurisdiction": "GB",
        "boiler": {"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
            "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-04-01"},
        "events": events, "days": ["2026-05-14"],
    });
    if period {
        question["period"] = serde_json::json!({"from": "2026-05-14", "until": "2028-05-14"});
    }
    serde_json::from_value(question).expect("a question")
}

fn facts(rules: Vec<Rule>) -> Facts {
    let Question {
        jurisdiction,
        boiler,
        events,
        ..
    } = question(false);
    Facts {
        engine: Link::new("/v1/engines/417"),
        boiler_in_it: Some(Link::new("/v1/boilers/88")),
        code_rules: None,
        not_described: None,
        offer: OfferedAs::Steamable,
        boiler: Some(BoilerFacts {
            jurisdiction,
            boiler,
            rules: Arc::from(rules),
            events,
            papers: Link::new("/v1/boilers/88/papers"),
            has_gas_tank: Some(false),
            first_marketed_on: None,
            evidence: Vec::new(),
        }),
        boiler_not_known: None,
        open_findings: Some(Vec::new()),
        jobs_started: Vec::new(),
        graded_on: None,
        heavy_job_on: None,
        asbestos: None,
        listing_says_so: None,
        buyer_acknowledged: None,
        photographs: None,
        description: None,
        asking_price: None,
        sale: None,
        money_settled: None,
        buyer_abroad: None,
        drained: None,
        lifting_weight: None,
        spares_packed: None,
        papers_packed: None,
        not_prepared: None,
        came_back: None,
    }
}

fn settings() -> Settings {
    Settings {
        blocking_warnings: Vec::new(),
        warning_days: 30,
        frost_months: vec![11, 12, 1, 2, 3],
    }
}

/// Whether the certificates are valid on one day.
#[divan::bench]
fn one_day_with_50_events(bencher: Bencher) {
    let (question, rules) = (question(false), codes::seed());
    bencher.bench(|| papers::answer(black_box(&question), black_box(&rules)));
}

/// The same with the open days of 24 months.
#[divan::bench]
fn open_days_of_24_months_with_50_events(bencher: Bencher) {
    let (question, rules) = (question(true), codes::seed());
    bencher.bench(|| papers::answer(black_box(&question), black_box(&rules)));
}

#[divan::bench]
fn gate_on_one_day(bencher: Bencher) {
    let (facts, settings) = (facts(codes::seed()), settings());
    let on = "2026-05-14".parse().expect("a day");
    bencher.bench(|| readiness::on_day(black_box(&facts), &settings, Gate::Deliver, on));
}

#[divan::bench]
fn gate_with_open_days(bencher: Bencher) {
    let (facts, settings) = (facts(codes::seed()), settings());
    let on = "2026-05-14".parse().expect("a day");
    bencher.bench(|| readiness::gate(black_box(&facts), &settings, Gate::Deliver, on));
}
