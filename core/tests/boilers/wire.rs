//! The question and the answer as JSON.

use crate::{ask, question};
use outshop_core::boilers::papers::{self, Question};
use serde_json::{Value, json};

fn read(question: Value) -> Result<Question, String> {
    serde_json::from_value(question).map_err(|e| e.to_string())
}

fn good() -> Value {
    question(
        "GB copper 90 psi 8.0 L 2010-04-01",
        &["hydraulic_repeat 2022-05-14", "job 2025-09-01 motion"],
    )
}

#[test]
fn an_answer_has_every_member() {
    let mut question = good();
    question["days"] = json!(["2022-05-14"]);
    question["period"] = json!({"from": "2022-01-01", "until": "2022-12-31"});
    let answer = serde_json::to_value(ask(&question)).expect("JSON");
    assert_eq!(
        answer
            .as_object()
            .expect("an object")
            .keys()
            .map(String::as_str)
            .collect::<Vec<_>>(),
        [
            "bar_litres",
            "band",
            "required",
            "papers",
            "tests_not_counted",
            "days",
            "open_days",
            "next_due",
            "flags",
            "cautions"
        ]
    );
    assert_eq!(
        answer["papers"],
        json!([{"paper": "hydraulic", "test_on": "2022-05-14", "from": "2022-05-14", "until": "2026-05-14",
            "unlimited": false, "voided_on": null, "voided_by": null, "incomplete": false}])
    );
    assert_eq!(
        answer["required"]["hydraulic_repeat"],
        json!({"value": "135", "unit": "psi", "bar": "9.3079"})
    );
    assert_eq!(
        answer["days"],
        json!([{"on": "2022-05-14", "papers_valid": false, "reasons": ["steam_missing"]}])
    );
    assert_eq!(
        answer["next_due"],
        json!([{"test": "steam", "from": "2022-05-14", "by": "2022-05-14", "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}},
            {"test": "hydraulic_repeat", "from": "2022-05-14", "by": "2026-05-14", "pressure": {"value": "135", "unit": "psi", "bar": "9.3079"}}])
    );
    assert_eq!(answer["open_days"], json!([]));
}

#[test]
fn unknown_members_and_values_are_refused() {
    assert!(read(good()).is_ok());
    for (pointer, value) in [
        ("/surprise", json!(1)),
        ("/boiler/colour", json!("green")),
        ("/boiler/material", json!("tin")),
        ("/boiler/number", json!("9".repeat(61))),
        (
            "/boiler/working_pressure",
            json!({"value": 90, "unit": "psi"}),
        ),
        (
            "/boiler/working_pressure",
            json!({"value": "0", "unit": "psi"}),
        ),
        ("/jurisdiction", json!("Great Britain")),
        ("/events/0/surprise", json!(1)),
        ("/events/0/event", json!("party")),
        ("/events/0/test", json!("pneumatic")),
        ("/events/0/at", json!("25:00")),
        ("/events/0/hold_minutes", json!(-1)),
        ("/events/1/touches", json!(["paint"])),
        (
            "/events/1/touches",
            json!(["motion", "motion", "motion", "motion", "motion", "motion"]),
        ),
        ("/days", json!(["2026-02-30"])),
        ("/days", json!(vec!["2026-02-28"; 1001])),
        ("/period", json!({"from": "2026-02-28"})),
    ] {
        let mut question = good();
        let (parent, member) = pointer.rsplit_once('/').expect("a pointer");
        question.pointer_mut(parent).expect("a parent")[member] = value.clone();
        assert!(read(question).is_err(), "{pointer} {value}");
    }
}

#[test]
fn all_errors_are_reported_at_once() {
    let mut question = good();
    question["events"] = json!([
        {"event": "job_finished", "on": "2025-01-01", "touches": []},
        {"event": "boiler_exchanged", "on": "2025-01-01", "in": "A", "out": "A"},
        {"event": "test", "test": "steam", "on": "2025-01-01", "hold_minutes": 1441},
        {"event": "test", "test": "steam", "on": "2025-01-01", "hold_minutes": 1440},
    ]);
    question["period"] = json!({"from": "2025-01-02", "until": "2025-01-01"});
    let question = read(question).expect("a question");
    let pointers: Vec<String> = papers::faults(&question)
        .into_iter()
        .map(|fault| fault.pointer)
        .collect();
    assert_eq!(
        pointers,
        [
            "/period/until",
            "/events/0/touches",
            "/events/1/out",
            "/events/2/hold_minutes"
        ]
    );
    papers::answer(&question, &[]);
}

/// Every string of the interface has a length or a list of values, every array a count.
#[cfg(feature = "wire")]
#[test]
fn every_string_and_array_of_the_schema_is_bounded() {
    use outshop_core::boilers::{papers::Answer, readiness::Readiness};
    use utoipa::{PartialSchema, ToSchema};

    fn bounded(schema: &Value, path: &str, unbounded: &mut Vec<String>, n: &mut usize) {
        let has = |member: &str| schema.get(member).is_some();
        let is = |kind: &str| match &schema["type"] {
            Value::String(one) => one == kind,
            Value::Array(several) => several.iter().any(|one| one == kind),
            _ => false,
        };
        *n += usize::from(is("string") || is("array"));
        if is("string") && !has("maxLength") && !has("enum") || is("array") && !has("maxItems") {
            unbounded.push(path.to_owned());
        }
        if path.ends_with("Event")
            && schema["oneOf"]
                .as_array()
                .is_none_or(|kinds| kinds.len() != 4)
        {
            unbounded.push("an event is one of four".to_owned());
        }
        match schema {
            Value::Object(members) => {
                for (name, member) in members
                    .iter()
                    .filter(|(name, _)| *name != "examples" && *name != "example")
                {
                    bounded(member, &format!("{path}/{name}"), unbounded, n);
                }
            }
            Value::Array(items) => {
                for (i, item) in items.iter().enumerate() {
                    bounded(item, &format!("{path}/{i}"), unbounded, n);
                }
            }
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }

    let mut schemas = vec![
        ("Question".into(), Question::schema()),
        ("Answer".into(), Answer::schema()),
        ("Readiness".into(), Readiness::schema()),
    ];
    Question::schemas(&mut schemas);
    Answer::schemas(&mut schemas);
    Readiness::schemas(&mut schemas);
    let (mut unbounded, mut n) = (Vec::new(), 0);
    for (name, schema) in schemas {
        let schema = serde_json::to_value(schema).expect("JSON");
        bounded(&schema, &name, &mut unbounded, &mut n);
    }
    assert_eq!(unbounded, [""; 0]);
    assert!(n > 40, "{n}");
}
