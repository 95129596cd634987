//! Makes the document smaller without losing anything: what derives cannot write in short form is rewritten here.

use serde_json::{Map, Value, json};
use std::collections::HashMap;

const SCHEMAS: &str = "#/components/schemas/";
const NEXT: &str = "NextPage";

/// Rewrites schemas in place; `$ref`s to what has gone are replaced by what it said.
pub fn rewrite(document: &mut Value) {
    one_schema_for_empty_bodies(document);
    inline_pages(document);
    let schemas = document["components"]["schemas"].clone();
    each_value(document, &mut |value| flatten(value, &schemas));
    let used = uses(document);
    let schemas = document["components"]["schemas"].clone();
    each_value(document, &mut |value| inline_short(value, &schemas, &used));
}

fn each_value(value: &mut Value, act: &mut impl FnMut(&mut Value)) {
    match value {
        Value::Object(members) => members.values_mut().for_each(|it| each_value(it, act)),
        Value::Array(items) => items.iter_mut().for_each(|it| each_value(it, act)),
        _ => {}
    }
    act(value);
}

/// The schema that a `$ref` names.
fn named(value: &Value) -> Option<&str> {
    value.get("$ref")?.as_str()?.strip_prefix(SCHEMAS)
}

fn uses(document: &mut Value) -> HashMap<String, usize> {
    let mut uses = HashMap::new();
    each_value(document, &mut |value| {
        if let Some(name) = named(value) {
            *uses.entry(name.to_owned()).or_insert(0) += 1;
        }
    });
    uses
}

/// A body without members has one schema, whatever the act.
fn one_schema_for_empty_bodies(document: &mut Value) {
    let schemas = document["components"]["schemas"].as_object_mut();
    let schemas = schemas.expect("schemas");
    let is_empty = |schema: &Value| {
        schema["type"] == "object"
            && schema.get("properties").is_none_or(|all| all == &json!({}))
            && schema["additionalProperties"] == false
    };
    let empty = schemas.iter().filter(|(_, schema)| is_empty(schema));
    let empty: Vec<String> = empty.map(|(name, _)| name.clone()).collect();
    schemas.insert(
        "NoMembers".to_owned(),
        json!({"type": "object", "additionalProperties": false, "maxProperties": 0, "description": "An object without members: `{}`.", "example": {}}),
    );
    each_value(document, &mut |value| {
        if named(value).is_some_and(|name| empty.iter().any(|it| it == name)) {
            value["$ref"] = json!(format!("{SCHEMAS}NoMembers"));
        }
    });
}

/// Pages differ in their items only, so that a list says what its items are where it is documented.
fn inline_pages(document: &mut Value) {
    let schemas = document["components"]["schemas"].as_object_mut();
    let schemas = schemas.expect("schemas");
    let mut pages = Map::new();
    for (name, page) in schemas
        .iter_mut()
        .filter(|(name, _)| name.starts_with("Page_"))
    {
        let next = std::mem::replace(
            &mut page["properties"]["next"],
            json!({"$ref": format!("{SCHEMAS}{NEXT}")}),
        );
        if let Some(page) = page.as_object_mut() {
            page.remove("description");
        }
        pages.insert(NEXT.to_owned(), next);
        pages.insert(name.clone(), page.clone());
    }
    if let Some(next) = pages.remove(NEXT) {
        schemas.insert(NEXT.to_owned(), next);
    }
    each_value(&mut document["paths"], &mut |value| {
        if let Some(page) = named(value).and_then(|name| pages.get(name)) {
            *value = page.clone();
        }
    });
}

/// `allOf` of objects as one object: clients see one type, and its halves need no names.
fn flatten(value: &mut Value, schemas: &Value) {
    let Some(parts) = value.get("allOf").and_then(Value::as_array) else {
        return;
    };
    let mut whole = json!({"type": "object", "required": [], "properties": {}});
    let mut example = Map::new();
    for part in parts {
        let mut part = match named(part) {
            Some(name) => schemas[name].clone(),
            None => part.clone(),
        };
        flatten(&mut part, schemas);
        let Some(properties) = part["properties"].as_object() else {
            return;
        };
        let own = whole["properties"].as_object_mut().expect("an object");
        own.extend(properties.clone());
        let required = whole["required"].as_array_mut().expect("a list");
        required.extend(part["required"].as_array().cloned().unwrap_or_default());
        example.extend(part["example"].as_object().cloned().unwrap_or_default());
    }
    let required = whole["required"].as_array().into_iter().flatten();
    let mut names = required.filter_map(Value::as_str);
    // Examples of the parts make one of the whole if together they leave nothing out.
    if !example.is_empty() && names.all(|name| example.contains_key(name)) {
        whole["example"] = Value::Object(example);
    }
    let Some(members) = value.as_object_mut() else {
        return;
    };
    members.remove("allOf");
    for (name, member) in whole.as_object_mut().into_iter().flatten() {
        members.entry(name.clone()).or_insert_with(|| member.take());
    }
}

/// A bounded text and a list of values with one user are said where they are used.
fn inline_short(value: &mut Value, schemas: &Value, used: &HashMap<String, usize>) {
    let Some(name) = named(value).map(str::to_owned) else {
        return;
    };
    let schema = &schemas[&name];
    let is_text = name.starts_with("Text");
    let is_used_once = schema.get("enum").is_some() && used.get(&name) == Some(&1);
    if !is_text && !is_used_once {
        return;
    }
    let own = value["description"].take();
    let mut schema = schema.clone();
    if is_used_once {
        // Labels are listed by this name.
        schema["title"] = json!(name);
    }
    *value = schema;
    if own.is_string() {
        value["description"] = own;
    }
}
