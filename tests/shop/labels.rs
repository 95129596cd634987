//! Labels of enum values.

use crate::harness::{Answer, Shop};
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

async fn labels(shop: &Shop, query: &str) -> Answer {
    let address = format!("/v1/public/labels{query}");
    shop.request(Method::GET, &address).send().await
}

/// The values of each enum of the document, by schema.
fn enums(document: &Value) -> BTreeMap<String, BTreeSet<String>> {
    let schemas = document["components"]["schemas"].as_object();
    let named = schemas.expect("schemas").iter();
    let mut waiting: Vec<(Option<&str>, &Value)> = named
        .map(|(name, schema)| (Some(name.as_str()), schema))
        .collect();
    let mut found = BTreeMap::new();
    while let Some((name, next)) = waiting.pop() {
        let name = name.or_else(|| next.get("title").and_then(Value::as_str));
        if let (Some(name), Some(values)) = (name, next.get("enum").and_then(Value::as_array)) {
            let values = values.iter().filter_map(Value::as_str).map(str::to_owned);
            found.insert(name.to_owned(), values.collect());
        }
        match next {
            Value::Object(members) => waiting.extend(members.values().map(|it| (None, it))),
            Value::Array(items) => waiting.extend(items.iter().map(|it| (None, it))),
            _ => {}
        }
    }
    found
}

#[actix_web::test]
async fn each_value_of_each_enum_has_a_label_and_nothing_else_has() {
    let shop = Shop::open().await;
    let english = labels(&shop, "").await.ok();
    assert_eq!(english.body["language"], "en");
    let listed: BTreeMap<String, BTreeMap<String, String>> =
        serde_json::from_value(english.body["labels"].clone()).expect("labels by schema and value");
    let values = listed.iter().map(|(name, labels)| {
        (
            name.clone(),
            labels.keys().cloned().collect::<BTreeSet<_>>(),
        )
    });
    assert_eq!(
        values.collect::<BTreeMap<_, _>>(),
        enums(&outshop_api::document())
    );
    for (name, labels) in &listed {
        let distinct: BTreeSet<&String> = labels.values().collect();
        assert_eq!(
            distinct.len(),
            labels.len(),
            "two values of {name} have one label"
        );
        for label in labels.values() {
            let plain = !label.is_empty() && !label.contains('_') && label.trim() == label;
            assert!(plain, "{name}: {label:?}");
        }
    }
    for language in english.body["languages"].as_array().expect("languages") {
        let language = language.as_str().expect("a tag");
        let answer = labels(&shop, &format!("?language={language}")).await.ok();
        assert_eq!(answer.body["language"], language);
        for (name, of_english) in &listed {
            let there = answer.body["labels"][name].as_object().expect(name);
            assert!(there.keys().eq(of_english.keys()), "{language}: {name}");
        }
    }
}

/// BCP 47 (RFC 4647, 3.4): a range falls back to its primary language.
#[actix_web::test]
async fn a_regional_language_gets_its_language_and_an_unknown_one_english() {
    let shop = Shop::open().await;
    for (query, language, coal) in [
        ("?language=de", "de", "Kohle"),
        ("?language=de-CH", "de", "Kohle"),
        ("?language=FR", "fr", "Charbon"),
        ("?language=nl", "en", "Coal"),
    ] {
        let answer = labels(&shop, query).await.ok();
        let told = [
            &answer.body["language"],
            &answer.body["labels"]["Fuel"]["coal"],
        ];
        assert_eq!(told, [&json!(language), &json!(coal)], "{query}");
    }
    labels(&shop, "?language=1").await.refused("invalid_query");
}
