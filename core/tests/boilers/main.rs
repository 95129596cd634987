//! The validity of certificates compared with histories worked by hand, with properties and with a second clock that
//! walks day by day; the gates.

#![expect(clippy::expect_used, reason = "a test that cannot be set up must fail")]

mod by_hand;
mod figures;
mod properties;
mod random;
mod readiness;
mod rows;
mod slow_clock;
mod wire;

use outshop_core::boilers::{
    codes,
    papers::{self, Answer, Question},
};
use serde_json::{Value, json};

/// The number of the boiler that all histories are about.
const OURS: &str = "QLW 1187";

fn ask(question: &Value) -> Answer {
    let question: Question = serde_json::from_value(question.clone()).expect("a question");
    assert_eq!(papers::faults(&question), [], "{question:?}");
    papers::answer(&question, &codes::seed())
}

/// A question from short text: `GB copper 90 psi 8.0 L 2010-04-01` (first service, or `-`) and events such as
/// `hydraulic_repeat 2022-05-14 pressure=134`, `steam 2025-04-01 at=09:00 -passed`, `job 2025-09-01 pressure_parts`,
/// `change 2024-01-01 80`, `exchange 2024-01-01 in out`. Unless stated otherwise, a test records everything, with
/// sufficient values.
fn question(boiler: &str, events: &[&str]) -> Value {
    let parts: Vec<&str> = boiler.split(' ').collect();
    let [
        jurisdiction,
        material,
        pressure,
        unit,
        volume,
        volume_unit,
        first_service,
    ] = parts[..]
    else {
        panic!("seven parts: {boiler}");
    };
    let events: Vec<Value> = events
        .iter()
        .map(|text| event(text, pressure, unit))
        .collect();
    let mut facts = json!({
        "number": OURS, "material": material,
        "working_pressure": {"value": pressure, "unit": unit},
        "volume": {"value": volume, "unit": volume_unit},
    });
    if first_service != "-" {
        facts["first_service_on"] = json!(first_service);
    }
    json!({"jurisdiction": jurisdiction, "boiler": facts, "events": events})
}

fn event(text: &str, working_pressure: &str, unit: &str) -> Value {
    let parts: Vec<&str> = text.split(' ').collect();
    let (what, on, rest) = (parts[0], parts[1], &parts[2..]);
    let times = |factor: f64| {
        let pressure: f64 = working_pressure.parse().expect("a pressure");
        json!({"value": format!("{}", pressure * factor), "unit": unit})
    };
    let mut event = match what {
        "job" => json!({"event": "job_finished", "on": on, "touches": []}),
        "change" => json!({"event": "working_pressure_changed", "on": on,
            "working_pressure": {"value": rest[0], "unit": unit}}),
        "exchange" => {
            json!({"event": "boiler_exchanged", "on": on, "in": rest[0].replace('_', " "),
            "out": rest[1].replace('_', " ")})
        }
        test => {
            json!({"event": "test", "test": test, "on": on, "passed": true, "boiler_number": OURS})
        }
    };
    match what {
        "hydraulic_first" => event["pressure"] = times(2.0),
        "hydraulic_repeat" => event["pressure"] = times(1.5),
        "gas_tank" => event["pressure"] = json!({"value": "20", "unit": "bar"}),
        "steam" => event["highest_pressure"] = times(1.0),
        _ => {}
    }
    if what.starts_with("hydraulic") {
        event["hold_minutes"] = json!(10);
    }
    for part in rest {
        match part.split_once('=') {
            Some((name @ ("pressure" | "highest_pressure"), value)) => {
                let unit = if what == "gas_tank" { "bar" } else { unit };
                event[name] = json!({"value": value, "unit": unit});
            }
            Some(("hold_minutes", minutes)) => {
                event["hold_minutes"] = json!(minutes.parse::<u16>().expect("minutes"));
            }
            Some((name @ ("passed" | "inspector_interest" | "gauge_glass_only"), yes)) => {
                event[name] = json!(yes == "true");
            }
            Some((name, value)) => event[name] = json!(value.replace('_', " ")),
            None if part.starts_with('-') => {
                event.as_object_mut().expect("an object").remove(&part[1..]);
            }
            None if what == "job" => event["touches"] = json!(part.split(',').collect::<Vec<_>>()),
            None => {}
        }
    }
    event
}
