//! The questions as JSON.

use outshop_core::books::{
    costs::{CarryingAmountQuestion, LowestPriceQuestion, MostToPayQuestion, most_to_pay},
    tax::{MarginTaxQuestion, Percent},
    terms::StatutoryDeadlinesQuestion,
};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

fn refused<T: DeserializeOwned>(question: &Value, member: &str, value: &Value) -> String {
    let mut question = question.clone();
    question[member] = value.clone();
    match serde_json::from_value::<T>(question) {
        Ok(_) => panic!("{member}: {value} was taken"),
        Err(refusal) => refusal.to_string(),
    }
}

#[test]
fn values_that_the_types_refuse() {
    let margin = json!({"purchase": "1500.00", "sale": "2000.00", "rate_percent": "20"});
    let lowest =
        json!({"purchase": "6000", "other_costs": "500", "rate_percent": 20, "scheme": "margin"});
    let most = json!({"price": "7680", "cost_to_come": "500", "wanted_profit": "900", "rate_percent": "17.5", "scheme": "none"});
    let carried = json!({"cost": "1", "purchase": "1", "price": "1", "cost_to_come": "0", "selling_cost": "0", "scheme": "none"});
    let last =
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-03-03"});
    serde_json::from_value::<MarginTaxQuestion>(margin.clone()).expect("a question");
    serde_json::from_value::<LowestPriceQuestion>(lowest.clone()).expect("a question");
    serde_json::from_value::<MostToPayQuestion>(most.clone()).expect("a question");
    serde_json::from_value::<CarryingAmountQuestion>(carried.clone()).expect("a question");
    serde_json::from_value::<StatutoryDeadlinesQuestion>(last.clone()).expect("a question");

    for value in [
        json!("1.005"),
        json!(1500),
        json!(15.5),
        json!("10000000000"),
        json!("1e3"),
        json!(null),
    ] {
        refused::<MarginTaxQuestion>(&margin, "purchase", &value);
    }
    assert!(
        refused::<MarginTaxQuestion>(&margin, "sale", &json!("1.005"))
            .contains("two decimal places")
    );
    for value in [
        json!("1000"),
        json!(1000),
        json!(-1),
        json!("-1"),
        json!("20.001"),
        json!(17.5),
        json!("1e1"),
        json!(""),
        json!("."),
        json!("20."),
        json!(".5"),
        json!(" 20"),
        json!("+20"),
        json!(null),
        json!(u64::MAX),
        json!("٢"),
    ] {
        let answer = refused::<MarginTaxQuestion>(&margin, "rate_percent", &value);
        assert!(answer.contains("percent"), "{answer}");
    }
    refused::<LowestPriceQuestion>(&lowest, "surprise", &json!(1));
    refused::<LowestPriceQuestion>(&lowest, "scheme", &json!("luxury"));
    refused::<MostToPayQuestion>(&most, "surprise", &json!(1));
    refused::<CarryingAmountQuestion>(&carried, "surprise", &json!(1));
    refused::<MarginTaxQuestion>(&margin, "surprise", &json!(1));
    refused::<StatutoryDeadlinesQuestion>(&last, "surprise", &json!(1));
    refused::<StatutoryDeadlinesQuestion>(&last, "lots", &json!(vec!["2025-03-03"; 101]));
    refused::<StatutoryDeadlinesQuestion>(
        &last,
        "repairs",
        &json!([{"asked_on": "2025-03-03", "returned": "2025-03-03"}]),
    );
    refused::<StatutoryDeadlinesQuestion>(
        &last,
        "repairs",
        &json!(vec![json!({"asked_on": "2025-03-03"}); 101]),
    );
}

#[test]
fn rates_keep_their_places() {
    for (given, answer) in [
        ("20", "20"),
        ("17.5", "17.5"),
        ("17.50", "17.5"),
        ("5.05", "5.05"),
        ("0", "0"),
        ("999.99", "999.99"),
        ("007", "7"),
    ] {
        let rate: Percent = given.parse().expect("a rate");
        assert_eq!(rate.to_string(), answer);
        assert_eq!(serde_json::to_value(rate).expect("JSON"), json!(answer));
    }
    let whole: Percent = serde_json::from_value(json!(999)).expect("a rate");
    assert_eq!(whole.hundredths(), 99_900);
}

#[test]
fn an_answer_has_every_member() {
    let question = json!({"price": "1", "cost_to_come": "5", "wanted_profit": "0", "rate_percent": 20, "scheme": "margin"});
    let question: MostToPayQuestion = serde_json::from_value(question).expect("a question");
    let answer = serde_json::to_value(most_to_pay(&question).expect("an answer")).expect("JSON");
    assert_eq!(answer, json!({"most_to_pay": null, "tax": null}));
}

/// Every string of the interface has a length or a list of values, every array a count.
#[cfg(feature = "wire")]
#[test]
fn every_string_and_array_of_the_schema_is_bounded() {
    use outshop_core::books::{costs, tax, terms};
    use utoipa::{
        ToSchema,
        openapi::{RefOr, Schema},
    };

    fn bounded(schema: &Value, path: &str, unbounded: &mut Vec<String>, n: &mut usize) {
        let has = |member: &str| schema.get(member).is_some();
        let is = |kind: &str| match &schema["type"] {
            Value::String(one) => one == kind,
            Value::Array(several) => several.iter().any(|one| one == kind),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_) => false,
        };
        *n += usize::from(is("string") || is("array"));
        if is("string") && !has("maxLength") && !has("enum") || is("array") && !has("maxItems") {
            unbounded.push(path.to_owned());
        }
        match schema {
            Value::Object(members) => {
                for (name, member) in members
                    .iter()
                    .filter(|(name, _)| !name.starts_with("example"))
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

    fn add<T: ToSchema>(all: &mut Vec<(String, RefOr<Schema>)>) {
        all.push((T::name().into_owned(), T::schema()));
        T::schemas(all);
    }

    let mut schemas = Vec::new();
    add::<MarginTaxQuestion>(&mut schemas);
    add::<tax::MarginTax>(&mut schemas);
    add::<tax::CashAnswer>(&mut schemas);
    add::<LowestPriceQuestion>(&mut schemas);
    add::<costs::LowestPrice>(&mut schemas);
    add::<MostToPayQuestion>(&mut schemas);
    add::<costs::MostToPay>(&mut schemas);
    add::<CarryingAmountQuestion>(&mut schemas);
    add::<costs::CarryingAmount>(&mut schemas);
    add::<costs::Ledger>(&mut schemas);
    add::<costs::CostToCome>(&mut schemas);
    add::<costs::ProfitAtPrice>(&mut schemas);
    add::<costs::Entry>(&mut schemas);
    add::<costs::Trial>(&mut schemas);
    add::<costs::BookLine>(&mut schemas);
    add::<costs::BookTotals>(&mut schemas);
    add::<costs::StockValuationLine>(&mut schemas);
    add::<StatutoryDeadlinesQuestion>(&mut schemas);
    add::<terms::StatutoryDeadlines>(&mut schemas);
    let (mut unbounded, mut n) = (Vec::new(), 0);
    for (name, schema) in schemas {
        let schema = serde_json::to_value(schema).expect("JSON");
        bounded(&schema, &name, &mut unbounded, &mut n);
    }
    assert_eq!(unbounded, [""; 0]);
    assert!(n > 30, "{n}");
}
