//! The errors of each operation, derived from its form, and the parts that many operations share, written once in
//! `components`.

use crate::ground::problem::KINDS;
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;

/// Prefix of references in the document.
const COMPONENTS: &str = "#/components/";

/// Parameters of at least this many operations are moved to `components`.
const OFTEN: usize = 2;

/// Adds the errors that follow from the form of an operation; its attribute names those that the handler adds (409,
/// 410).
pub fn say_once(document: &mut Value) {
    document["components"]["responses"] = refusals();
    document["components"]["headers"] = headers();
    let types: Vec<String> = KINDS
        .iter()
        .map(|kind| format!("/problems/{}", kind.name))
        .collect();
    document["components"]["schemas"]["Problem"]["properties"]["type"]["enum"] = json!(types);
    each_operation(document, |path, method, operation| {
        let refused = refused(path, method, operation);
        let mut parameters = operation["parameters"].as_array().into_iter().flatten();
        let takes_key = parameters.any(|parameter| parameter["name"] == "Idempotency-Key");
        let answers = object(&mut operation["responses"]);
        answers.retain(|status, _| !is_refusal(status));
        for (status, answer) in answers.iter_mut() {
            let mut headers = headers_of(status, method, answer);
            if status == "201" && takes_key {
                let replayed = reference("headers", "IdempotencyReplayed");
                headers.insert("Idempotency-Replayed".to_owned(), replayed);
            }
            if !headers.is_empty() {
                answer["headers"] = Value::Object(headers);
            }
        }
        let named = refused.into_iter().map(|status| {
            let name = status.to_string();
            let shared = reference("responses", &name);
            (name, shared)
        });
        answers.extend(named);
    });
    each_operation(document, |_, _, operation| name_orders(operation));
    pages_name_their_items(document);
    share_parameters(document);
}

/// The part of the document that needs no key, for those who build a shop site.
pub fn public_part(document: &Value) -> Value {
    let mut public = document.clone();
    object(&mut public["paths"]).retain(|path, _| path.starts_with("/v1/public/"));
    public["info"]["title"] = json!("Outshop: the public part");
    if let Some(tags) = public["tags"].as_array_mut() {
        tags.retain(|tag| tag["name"] == "public");
    }
    let members = object(&mut public);
    members.remove("security");
    members.remove("webhooks");
    object(&mut members["components"]).remove("securitySchemes");
    drop_what_nobody_names(&mut public);
    public
}

fn object(value: &mut Value) -> &mut Map<String, Value> {
    value.as_object_mut().expect("an object of the document")
}

fn each_operation(document: &mut Value, mut act: impl FnMut(&str, &str, &mut Value)) {
    for (path, item) in object(&mut document["paths"]) {
        for (method, operation) in object(item) {
            act(path, method, operation);
        }
    }
}

fn reference(kind: &str, name: &str) -> Value {
    json!({"$ref": format!("{COMPONENTS}{kind}/{name}")})
}

/// Names for the values of `sort`, for generators that make constants of them: `-price` cannot be one.
fn name_orders(operation: &mut Value) {
    let parameters = operation
        .get_mut("parameters")
        .and_then(Value::as_array_mut);
    for parameter in parameters.into_iter().flatten() {
        if parameter["name"] != "sort" {
            continue;
        }
        let values = parameter["schema"]["enum"].as_array().into_iter().flatten();
        let names = values.filter_map(Value::as_str).map(|value| {
            let name = value.trim_start_matches('-').to_uppercase();
            match value.strip_prefix('-') {
                Some(_) => format!("{name}_DESCENDING"),
                None => name,
            }
        });
        let names: Vec<String> = names.collect();
        parameter["schema"]["x-enum-varnames"] = json!(names);
    }
}

fn is_refusal(status: &str) -> bool {
    status.starts_with(['4', '5'])
}

fn refusals() -> Value {
    let statuses: BTreeSet<u16> = KINDS.iter().map(|kind| kind.status).collect();
    // 405 only occurs where an address has no operation of that method.
    let statuses = statuses.into_iter().filter(|status| *status != 405);
    let answers = statuses.map(|status| {
        let kinds = KINDS.iter().filter(|kind| kind.status == status);
        let words: Vec<String> = kinds
            .map(|kind| format!("`{}`: {}", kind.name, kind.meaning))
            .collect();
        let mut answer = json!({"description": words.join("\n\n"),
            "content": {"application/problem+json": {"schema": reference("schemas", "Problem")}}});
        if matches!(status, 409 | 429 | 503) {
            answer["headers"] = json!({"Retry-After": reference("headers", "RetryAfter")});
        }
        if status == 429 {
            answer["headers"]["RateLimit"] = reference("headers", "RateLimit");
            answer["headers"]["RateLimit-Policy"] = reference("headers", "RateLimitPolicy");
        }
        (status.to_string(), answer)
    });
    Value::Object(answers.collect())
}

fn headers() -> Value {
    json!({
        "RetryAfter": {"description": "Seconds to wait before sending the request again; absent: waiting does not help.",
            "schema": {"type": "integer", "minimum": 0}},
        "ETag": {"description": "Tag of this representation (RFC 9110, 8.8.3), for If-None-Match and If-Match.", "schema": {"type": "string"}},
        "RateLimit": {"description": "Requests left and seconds until there are more, such as `\"key\";r=0;t=12`; on every response (IETF draft RateLimit header fields for HTTP).",
            "schema": {"type": "string"}},
        "RateLimitPolicy": {"description": "Requests allowed in a window of seconds, such as `\"key\";q=600;w=60`.", "schema": {"type": "string"}},
        "IdempotencyReplayed": {"description": "`true`: the stored answer to an earlier request with the same Idempotency-Key; nothing was done now.",
            "schema": {"type": "string", "const": "true"}},
        "Location": {"description": "Address of what was created.", "schema": {"type": "string", "format": "uri-reference"}},
        "Link": {"description": "Address of the next page, with rel=\"next\" (RFC 8288); left out on the last one.", "schema": {"type": "string"}}
    })
}

fn headers_of(status: &str, method: &str, answer: &Value) -> Map<String, Value> {
    let mut names = match (status, method) {
        ("201", _) => vec!["Location", "ETag"],
        ("200", "get" | "patch" | "put") => vec!["ETag"],
        _ => Vec::new(),
    };
    let form = &answer["content"]["application/json"]["schema"]["$ref"];
    if form.as_str().is_some_and(|form| form.contains("/Page_")) {
        names.push("Link");
    }
    let headers = names.into_iter();
    headers
        .map(|name| (name.to_owned(), reference("headers", name)))
        .collect()
}

fn refused(path: &str, method: &str, operation: &Value) -> BTreeSet<u16> {
    let named = operation["responses"].as_object().into_iter().flatten();
    let named = named.filter_map(|(status, _)| is_refusal(status).then(|| status.parse().ok())?);
    let mut refused: BTreeSet<u16> = named.collect();
    refused.extend([429, 500, 503]);
    let roles = operation["security"][0]["key"].as_array();
    if let Some(roles) = roles {
        refused.insert(401);
        if roles.len() < outshop_core::trade::Role::ALL.len() {
            refused.insert(403);
        }
    }
    if path.contains('{') {
        refused.insert(404);
    }
    // Any request that records something may conflict with existing records.
    if method != "get" && !path.starts_with("/v1/calculations/") {
        refused.insert(409);
    }
    if operation.get("requestBody").is_some() {
        refused.extend([400, 408, 413, 415, 422]);
    }
    for parameter in operation["parameters"].as_array().into_iter().flatten() {
        match (parameter["in"].as_str(), parameter["name"].as_str()) {
            (Some("query"), _) => refused.extend([400]),
            (_, Some("If-Match")) => refused.extend([412, 428]),
            _ => {}
        }
    }
    refused
}

/// Names the schema of the items of each page.
fn pages_name_their_items(document: &mut Value) {
    let schemas = object(&mut document["components"]["schemas"]);
    let pages = schemas.keys().filter(|name| name.starts_with("Page_"));
    let pages: Vec<String> = pages.cloned().collect();
    for page in pages {
        let item = page["Page_".len()..].to_owned();
        let inline = schemas[&page]["properties"]["items"]["items"].clone();
        if inline.get("$ref").is_some() {
            continue;
        }
        schemas.entry(item.clone()).or_insert(inline);
        schemas[&page]["properties"]["items"]["items"] = reference("schemas", &item);
    }
}

fn share_parameters(document: &mut Value) {
    let mut found: Vec<(Value, usize)> = Vec::new();
    each_operation(document, |_, _, operation| {
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            match found.iter_mut().find(|(known, _)| known == parameter) {
                Some((_, times)) => *times += 1,
                None => found.push((parameter.clone(), 1)),
            }
        }
    });
    let mut shared = Map::new();
    let often = found.into_iter().filter(|(_, times)| *times >= OFTEN);
    let named: Vec<(Value, Value)> = often
        .map(|(parameter, _)| {
            let plain = parameter["name"].as_str().expect("a name").to_owned();
            let required = parameter["required"] == json!(true) && parameter["in"] == "header";
            let mut name = plain.replace('-', "");
            if required {
                name.push_str("Required");
            }
            // By number: generators drop the underscores at the end of a name.
            let (first, mut number) = (name.clone(), 1);
            while shared.contains_key(&name) {
                number += 1;
                name = format!("{first}{number}");
            }
            shared.insert(name.clone(), parameter.clone());
            (parameter, reference("parameters", &name))
        })
        .collect();
    document["components"]["parameters"] = Value::Object(shared);
    each_operation(document, |_, _, operation| {
        let parameters = operation
            .get_mut("parameters")
            .and_then(Value::as_array_mut);
        for parameter in parameters.into_iter().flatten() {
            if let Some((_, reference)) = named.iter().find(|(known, _)| known == parameter) {
                *parameter = reference.clone();
            }
        }
    });
}

/// Drops schemas that only occur flattened into others, and errors that no operation returns.
pub fn drop_what_nobody_names(document: &mut Value) {
    loop {
        let text = document.to_string();
        let mut dropped = false;
        let kinds = object(&mut document["components"]).iter_mut();
        for (kind, parts) in kinds.filter(|(kind, _)| *kind != "securitySchemes") {
            let all = object(parts);
            let before = all.len();
            all.retain(|name, _| text.contains(&format!("\"{COMPONENTS}{kind}/{name}\"")));
            dropped |= all.len() < before;
        }
        if !dropped {
            return;
        }
    }
}
