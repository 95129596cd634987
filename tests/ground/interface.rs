//! The OpenAPI document against the service: roles, limits, examples, refusals.

use crate::{harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};
use std::collections::BTreeSet;

fn document() -> Value {
    outshop_api::document()
}

struct Operation<'a> {
    method: Method,
    path: &'a str,
    what: &'a Value,
}

fn operations(document: &Value) -> Vec<Operation<'_>> {
    let paths = document["paths"].as_object().expect("paths");
    let all = paths.iter().flat_map(|(path, item)| {
        item.as_object()
            .expect("operations")
            .iter()
            .map(move |found| (path, found))
    });
    all.map(|(path, (method, what))| Operation {
        method: method.to_uppercase().parse().expect("a method"),
        path,
        what,
    })
    .collect()
}

/// The roles that may call an operation: none where no key is needed, `None` where the document does not say.
fn roles_of(what: &Value) -> Option<Vec<Role>> {
    let [only] = what["security"].as_array()?.as_slice() else {
        return None;
    };
    let Some(named) = only.get("key") else {
        return (only == &json!({})).then(Vec::new);
    };
    let named: Option<Vec<Role>> = (named.as_array()?.iter())
        .map(|role| role.as_str()?.parse().ok())
        .collect();
    named.filter(|named| !named.is_empty())
}

fn first_role_of(what: &Value) -> Role {
    let roles = roles_of(what).unwrap_or_default();
    roles.first().copied().unwrap_or(Role::Proprietor)
}

#[actix_web::test]
async fn each_role_may_do_what_the_document_says_and_nothing_else() {
    let shop = Shop::open().await;
    let document = document();
    for Operation { method, path, what } in operations(&document) {
        let roles =
            roles_of(what).unwrap_or_else(|| panic!("{method} {path} does not name its roles"));
        let address = path
            .replace("{id}", "1")
            .replace("{stock_no}", "1")
            .replace("{rule_id}", "1")
            .replace("{call_id}", "1")
            .replace("{version}", "1")
            .replace("{account}", "stock");
        let is_public = roles.is_empty();
        assert_eq!(
            path.starts_with("/v1/public/"),
            is_public,
            "{method} {path}: security"
        );
        let without = shop.request(method.clone(), &address).send().await;
        assert_eq!(
            without.status == 401,
            !is_public,
            "{method} {path} without a key: {}",
            without.text
        );
        for role in Role::ALL {
            let answer = shop
                .request(method.clone(), &address)
                .by(&shop, *role)
                .send()
                .await;
            let let_in = is_public || roles.contains(role);
            assert_eq!(
                answer.status == 403,
                !let_in,
                "{method} {path} as {role}: {}",
                answer.text
            );
            assert!(
                answer.status != 401 && answer.status < 500,
                "{method} {path} as {role}: {}",
                answer.text
            );
        }
    }
}

/// OWASP API3:2023, ASVS 5.0, 15.3.3: a body is taken whole or not at all.
#[actix_web::test]
async fn no_write_takes_a_member_that_it_does_not_know() {
    let shop = Shop::open().await;
    let document = document();
    let mut tried = 0;
    for Operation { method, path, what } in operations(&document) {
        let media_types = &what["requestBody"]["content"];
        let (media_type, schema) = match (
            media_types.get("application/json"),
            media_types.get("application/merge-patch+json"),
        ) {
            (Some(json), _) => ("application/json", &json["schema"]),
            (None, Some(patch)) => ("application/merge-patch+json", &patch["schema"]),
            (None, None) => continue,
        };
        let schema = resolved(&document, schema);
        let none = serde_json::Map::new();
        let example = schema["example"].as_object().unwrap_or(&none);
        let address = path
            .split('/')
            .map(|part| if part.starts_with('{') { "1" } else { part })
            .collect::<Vec<_>>()
            .join("/");
        let role = first_role_of(what);
        // Members that answers have and requests have not, and one that nobody has.
        for member in ["id", "stands_for_nothing", "revoked", "journal_id"] {
            let mut body = example.clone();
            if body.contains_key(member) {
                continue;
            }
            body.insert(member.to_owned(), serde_json::json!(1));
            let answer = shop
                .request(method.clone(), &address)
                .by(&shop, role)
                .once()
                .if_match("\"x\"")
                .body(media_type, Value::Object(body).to_string())
                .send()
                .await;
            // A change is read when what it changes is there.
            let patched = media_type != "application/json" || method == Method::PUT;
            let refused = answer.status == 422 || patched && matches!(answer.status, 404 | 412);
            assert!(
                refused,
                "{method} {path} with {member}: {} {}",
                answer.status, answer.text
            );
            tried += 1;
        }
    }
    assert!(tried > 250, "only {tried} were tried");
    assert_eq!(shop.journal().await, [""; 0]);
}

/// Words of the reader of JSON and names of its types, which say nothing to who sent the body.
const INSIDE: [&str; 21] = [
    "expected ",
    "struct ",
    "invalid type",
    "invalid value",
    "invalid length",
    "missing field",
    "unknown field",
    "unknown variant",
    "sequence",
    "untagged",
    "borrowed",
    "enum ",
    "Decimal",
    " u8",
    " u16",
    " u32",
    " u64",
    " i16",
    " i32",
    " i64",
    " f64",
];

/// What an answer says that it should not.
fn not_said_plainly(at: &str, answer: &crate::harness::Answer) -> Vec<String> {
    if answer.status >= 500 {
        return vec![format!("{at}: {} {}", answer.status, answer.text)];
    }
    if ![400, 422].contains(&answer.status) {
        return Vec::new();
    }
    let errors = answer.body["errors"].as_array().into_iter().flatten();
    let details = errors.map(|error| &error["detail"]);
    let details = details.chain([&answer.body["detail"]]);
    let details = details.filter_map(Value::as_str);
    let inside = details.filter(|detail| INSIDE.iter().any(|word| detail.contains(word)));
    inside.map(|detail| format!("{at}: {detail}")).collect()
}

/// The example of a body with each of its members, or each member of what is in it, in turn of every wrong type; and
/// without any.
fn wrong_bodies(example: &Value, members: &[String]) -> Vec<Value> {
    let wrong = [
        json!(5),
        json!(-1),
        json!(1e30),
        json!("x"),
        json!("99999999.99"),
        json!("79228162514264337593543950335"),
        json!(true),
        json!([1]),
        json!({"x": 1}),
        json!({"value": "999999999", "unit": "in"}),
        json!({"value": 5, "unit": "furlong"}),
        Value::Null,
    ];
    let mut bodies = vec![json!({})];
    for value in wrong {
        let all = members.iter().map(|name| (name.clone(), value.clone()));
        bodies.push(Value::Object(all.collect()));
        let mut one_deeper = example.clone();
        for (_, member) in one_deeper.as_object_mut().into_iter().flatten() {
            match member {
                Value::Object(inner) => inner.values_mut().for_each(|it| *it = value.clone()),
                Value::Array(items) => {
                    for item in items {
                        match item {
                            Value::Object(inner) => {
                                inner.values_mut().for_each(|it| *it = value.clone());
                            }
                            item => *item = value.clone(),
                        }
                    }
                }
                // A figure as large as its form allows: not every one has a column that holds it.
                Value::String(text) if text.parse::<f64>().is_ok() => {
                    *member = json!("99999999.99");
                }
                Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
            }
        }
        bodies.push(one_deeper);
    }
    bodies
}

fn members_of(document: &Value, schema: &Value) -> Vec<String> {
    let schema = resolved(document, schema);
    let own = schema["properties"].as_object().into_iter().flatten();
    let parts = schema["allOf"].as_array().into_iter().flatten();
    own.map(|(name, _)| name.clone())
        .chain(parts.flat_map(|part| members_of(document, part)))
        .collect()
}

/// RFC 9457: a problem is for who sent the request. Every body of the document with members of wrong types.
#[actix_web::test]
async fn what_is_wrong_with_a_body_is_said_in_plain_words() {
    let shop = Shop::open().await;
    let (engine, _) = shop.has_engine_with(make::boiler()).await;
    shop.has_job_started(engine, &["motion"], &[]).await;
    shop.post("/v1/persons", &make::person()).await.created();
    let document = document();
    let (mut tried, mut wrong) = (0, Vec::new());
    for Operation { method, path, what } in operations(&document) {
        let address = path
            .split('/')
            .map(|part| if part.starts_with('{') { "1" } else { part })
            .collect::<Vec<_>>()
            .join("/");
        let role = first_role_of(what);
        for parameter in what["parameters"].as_array().into_iter().flatten() {
            let parameter = resolved(&document, parameter);
            if parameter["in"] == "query" {
                let name = parameter["name"].as_str().expect("a name");
                for value in ["x", "-1", "99999999999999999999999999999999", "1,,2"] {
                    let at = format!("{address}?{name}={value}");
                    let asked = shop.request(method.clone(), &at).by(&shop, role);
                    wrong.extend(not_said_plainly(&at, &asked.send().await));
                }
            }
        }
        let media_types = &what["requestBody"]["content"];
        let patched = media_types.get("application/merge-patch+json");
        let (media_type, schema) = match (media_types.get("application/json"), patched) {
            (Some(json), _) => ("application/json", &json["schema"]),
            (None, Some(patch)) => ("application/merge-patch+json", &patch["schema"]),
            (None, None) => continue,
        };
        // A change is read once it is known of what.
        let tag = if method == Method::POST {
            String::new()
        } else {
            let known = shop
                .request(Method::GET, &address)
                .by(&shop, role)
                .send()
                .await;
            if known.status != 200 {
                continue;
            }
            known.etag()
        };
        let members = members_of(&document, schema);
        let example = &resolved(&document, schema)["example"];
        for body in wrong_bodies(example, &members) {
            let answer = shop
                .request(method.clone(), &address)
                .by(&shop, role)
                .once()
                .if_match(&tag)
                .body(media_type, body.to_string())
                .send()
                .await;
            wrong.extend(not_said_plainly(
                &format!("{method} {path} {body}"),
                &answer,
            ));
            tried += 1;
        }
    }
    assert_eq!(wrong, [""; 0]);
    assert!(tried > 1500, "only {tried} were tried");
}

/// All that is wrong with a body is told at once, so that it is mended in one go.
#[actix_web::test]
async fn all_faults_of_a_body_are_told_at_once() {
    let shop = Shop::open().await;
    let body = json!({
        "name": 5, "email": "nowhere", "telephone": "none", "address": ["High Street"], "colour": "green"
    });
    let refused = shop.post("/v1/persons", &body).await;
    for pointer in ["/name", "/email", "/telephone", "/address", "/colour"] {
        let told = refused.body["errors"].as_array().expect("errors");
        assert!(
            told.iter().any(|it| it["pointer"] == pointer),
            "{pointer}: {}",
            refused.text
        );
    }
    assert_eq!(refused.body["errors"].as_array().map(Vec::len), Some(5));

    let engine = json!({
        "kind": "ship", "gauge": {"value": "-5", "unit": "furlong"}, "cylinders": "two", "bore": 38, "name": "Pip"
    });
    let acquired = json!({"engine": engine, "price": 5, "surprise": true});
    let refused = shop.post("/v1/acquisitions", &acquired).await;
    for pointer in [
        "/engine/kind",
        "/engine/gauge/value",
        "/engine/gauge/unit",
        "/engine/cylinders",
        "/engine/bore",
        "/price",
        "/surprise",
        "/method",
        "/on",
    ] {
        let told = refused.body["errors"].as_array().expect("errors");
        assert!(
            told.iter().any(|it| it["pointer"] == pointer),
            "{pointer}: {}",
            refused.text
        );
    }
    let of = |pointer: &str| {
        let told = refused.body["errors"].as_array().expect("errors").iter();
        let mut told = told.filter(|it| it["pointer"] == pointer);
        told.next().map(|it| it["detail"].clone())
    };
    assert_eq!(of("/method"), Some(json!("is missing")));
    let cylinders = of("/engine/cylinders").unwrap_or_default();
    let cylinders = cylinders.as_str().unwrap_or_default();
    assert!(
        cylinders.starts_with("must be a whole number from")
            && cylinders.ends_with("not the text \"two\""),
        "{cylinders}"
    );
    assert_eq!(
        of("/engine/bore"),
        Some(json!("must be an object, not the number 38"))
    );
    assert_eq!(shop.journal().await, [""; 0]);
}

#[test]
fn every_operation_has_a_summary_a_name_of_its_own_an_example_and_its_refusals() {
    let document = document();
    let mut names = BTreeSet::new();
    for Operation { method, path, what } in operations(&document) {
        let at = format!("{method} {path}");
        assert!(
            what["summary"]
                .as_str()
                .is_some_and(|summary| !summary.is_empty()),
            "{at} has no summary"
        );
        assert!(
            names.insert(what["operationId"].as_str().expect("a name")),
            "{at} has the name of another operation"
        );
        let responses = what["responses"].as_object().expect("responses");
        let mut needed = vec!["429", "500", "503"];
        if roles_of(what).is_some_and(|roles| !roles.is_empty()) {
            needed.push("401");
        }
        if path.contains('{') {
            needed.push("404");
        }
        if what.get("requestBody").is_some() {
            needed.extend(["400", "408", "413", "415", "422"]);
        }
        for refusal in needed {
            assert!(
                responses.contains_key(refusal),
                "{at} does not list {refusal}"
            );
        }
        // What only reads a record by its number can refuse neither its body nor its form.
        if method == Method::GET
            && what
                .get("parameters")
                .is_none_or(|it| it.as_array().is_some_and(Vec::is_empty))
        {
            for never in ["408", "412", "413", "415", "422", "428"] {
                assert!(!responses.contains_key(never), "{at} lists {never}");
            }
        }
        let bodies = [&what["requestBody"]].into_iter().chain(
            responses
                .iter()
                .filter(|(status, _)| status.starts_with('2'))
                .map(|(_, r)| r),
        );
        let mut contents = bodies
            .filter_map(|body| body["content"].as_object())
            .flat_map(|content| content.values())
            .peekable();
        let is_empty = contents.peek().is_none();
        let has_example = contents.any(|content| {
            content.get("example").is_some() || example_in(&document, &content["schema"], 4)
        });
        assert!(
            is_empty && method == Method::DELETE || has_example,
            "{at} has no example"
        );
    }
}

fn example_in(document: &Value, schema: &Value, depth: u8) -> bool {
    let schema = resolved(document, schema);
    if schema.get("example").is_some() || schema.get("examples").is_some() {
        return true;
    }
    depth > 0
        && (schema["allOf"].as_array().is_some_and(|parts| {
            parts
                .iter()
                .any(|part| example_in(document, part, depth - 1))
        }) || schema["properties"]["items"]
            .get("items")
            .is_some_and(|item| example_in(document, item, depth - 1))
            || schema
                .get("items")
                .is_some_and(|item| example_in(document, item, depth - 1)))
}

fn resolved<'a>(document: &'a Value, schema: &'a Value) -> &'a Value {
    match schema["$ref"].as_str() {
        Some(reference) => document
            .pointer(&reference[1..])
            .unwrap_or_else(|| panic!("{reference} leads nowhere")),
        None => schema,
    }
}

#[test]
fn every_text_list_and_whole_number_has_its_limits() {
    let document = document();
    let mut unlimited = Vec::new();
    walk("", &document["components"]["schemas"], &mut unlimited);
    walk("", &document["paths"], &mut unlimited);
    assert_eq!(unlimited, [""; 0]);
}

fn walk(at: &str, value: &Value, unlimited: &mut Vec<String>) {
    if let Some(kind) = value.get("type") {
        let is = |name: &str| {
            kind == name
                || kind
                    .as_array()
                    .is_some_and(|kinds| kinds.iter().any(|kind| kind == name))
        };
        let has = |member: &str| value.get(member).is_some();
        let open = is("string") && !has("maxLength") && !has("enum") && !has("format")
            || is("array") && !has("maxItems");
        if open {
            unlimited.push(at.to_owned());
        }
    }
    match value {
        Value::Object(members) => {
            members
                .iter()
                .filter(|(name, _)| !["example", "examples", "default"].contains(&name.as_str()))
                .for_each(|(name, inner)| walk(&format!("{at}/{name}"), inner, unlimited));
        }
        Value::Array(items) => items
            .iter()
            .enumerate()
            .for_each(|(i, inner)| walk(&format!("{at}/{i}"), inner, unlimited)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// RFC 9110: HEAD is GET without the body; 405 lists what an address takes.
#[actix_web::test]
async fn head_is_get_without_the_body() {
    let shop = Shop::open().await;
    let got = shop.get("/v1/units").await.ok();
    let head = shop
        .request(Method::HEAD, "/v1/units")
        .by(&shop, Role::Fitter)
        .send()
        .await
        .ok();
    assert_eq!((head.text.as_str(), head.etag()), ("", got.etag()));
    shop.request(Method::TRACE, "/v1/units")
        .by(&shop, Role::Fitter)
        .send()
        .await
        .refused("method_not_allowed")
        .is(405);
    shop.request(Method::POST, "/health/live")
        .send()
        .await
        .refused("method_not_allowed");
}

/// RFC 9110, 8.8.3.3: a compressed answer has a strong tag of its own, and either tag leads to 304.
#[actix_web::test]
async fn a_compressed_answer_has_its_own_tag() {
    let shop = Shop::open().await;
    let plain = shop.get("/v1/units").await.ok().etag();
    let ask = |tag: &str| {
        shop.request(Method::GET, "/v1/units")
            .by(&shop, Role::Fitter)
            .header("accept-encoding", "gzip")
            .header("if-none-match", tag)
            .send()
    };
    let gzip = ask("\"none\"").await.is(200).etag();
    assert_ne!(plain, gzip);
    ask(&gzip).await.is(304);
    ask(&plain).await.is(304);
}

#[actix_web::test]
async fn every_kind_of_problem_has_a_page_that_says_the_way_out() {
    let shop = Shop::open().await;
    for kind in outshop_api::ground::problem::KINDS {
        let page = shop
            .request(Method::GET, &format!("/problems/{}", kind.name))
            .send()
            .await
            .ok();
        assert!(page.text.contains(kind.title), "{}", page.text);
    }
    shop.request(Method::GET, "/problems/none")
        .send()
        .await
        .refused("not_found");
}

/// Names and types of the forms that a source file describes to the document.
fn forms_in(source: &str) -> Vec<String> {
    let mut forms = Vec::new();
    let (mut attributes, mut in_words) = (String::new(), false);
    for line in source.lines() {
        let line = line.trim_start();
        in_words = (in_words || line.starts_with("words! {")) && line != "}"
            || line.starts_with("words! {");
        let named = ["pub struct ", "pub enum "]
            .iter()
            .find_map(|start| line.strip_prefix(start));
        if let Some(rest) = named {
            let name = rest.split(|c: char| !c.is_alphanumeric()).next();
            let other = attributes.split("schema(as = ").nth(1);
            let other = other.and_then(|rest| rest.split([')', ',']).next());
            if attributes.contains("ToSchema") || in_words {
                forms.push(other.or(name).unwrap_or_default().to_owned());
            }
            attributes.clear();
        } else if line.is_empty() {
            attributes.clear();
        } else {
            attributes += line;
        }
    }
    forms
}

/// Two types of one name would silently become one form of the document.
#[test]
fn no_two_types_share_a_name_in_the_document() {
    let mut forms = Vec::new();
    for folder in ["../api/src", "../core/src"] {
        let mut waiting = vec![std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)];
        while let Some(path) = waiting.pop() {
            if path.is_dir() {
                let entries = std::fs::read_dir(&path).expect("a folder");
                waiting.extend(entries.map(|entry| entry.expect("an entry").path()));
            } else if path.extension().is_some_and(|end| end == "rs") {
                forms.extend(forms_in(&std::fs::read_to_string(&path).expect("a file")));
            }
        }
    }
    assert!(forms.len() > 150, "only {} forms were found", forms.len());
    forms.sort();
    let twice: Vec<_> = forms.windows(2).filter(|two| two[0] == two[1]).collect();
    assert!(twice.is_empty(), "{twice:?}");
}

/// RFC 7396: a change names what it changes, and no more.
#[test]
fn a_change_may_leave_out_any_member_and_takes_no_other() {
    let document = document();
    let mut changes = 0;
    for Operation { method, path, what } in operations(&document) {
        let patch = &what["requestBody"]["content"]["application/merge-patch+json"];
        assert_eq!(patch.is_null(), method != Method::PATCH, "{method} {path}");
        if patch.is_null() {
            continue;
        }
        let form = resolved(&document, &patch["schema"]);
        assert_eq!(form["required"], Value::Null, "{path}");
        assert_eq!(form["additionalProperties"], json!(false), "{path}");
        assert!(form["properties"].is_object(), "{path}");
        assert!(form["example"].is_object(), "{path}");
        changes += 1;
    }
    assert!(changes >= 20, "only {changes} changes were found");
}

/// What is recorded passes the check that a change makes of the whole, and all that may be changed is shown.
#[actix_web::test]
async fn a_change_that_names_nothing_is_taken_and_changes_nothing() {
    let shop = Shop::open().await;
    let (engine, _) = shop.has_engine_with(make::boiler()).await;
    shop.has_job_started(engine, &["motion"], &[]).await;
    shop.post("/v1/persons", &make::person()).await.created();
    let mut taken = 0;
    for Operation { method, path, .. } in operations(&document()) {
        let address = path
            .replace("{id}", "1")
            .replace("{stock_no}", &engine.to_string())
            .replace("{item}", "drained")
            .replace("{test}", "steam")
            .replace("{account}", "stock");
        if method != Method::PATCH {
            continue;
        }
        let before = shop.request(Method::GET, &address);
        let before = before.by(&shop, Role::Proprietor).send().await;
        if before.status != 200 {
            continue;
        }
        let after = shop.patch(&address, &json!({})).await.ok();
        assert_eq!(after.body, before.body, "{address}");
        taken += 1;
    }
    assert!(taken >= 9, "only {taken} were tried");
}

/// What is not known is null in an answer, and never left out.
#[actix_web::test]
async fn every_member_that_the_document_requires_of_an_answer_is_there() {
    fn required<'a>(document: &'a Value, schema: &'a Value) -> Vec<&'a Value> {
        let schema = resolved(document, schema);
        let own = schema["required"].as_array().into_iter().flatten();
        let parts = schema["allOf"].as_array().into_iter().flatten();
        own.chain(parts.flat_map(|part| required(document, part)))
            .collect()
    }
    let shop = Shop::open().await;
    let (engine, boiler) = shop.has_engine_with(make::boiler()).await;
    let job = shop.has_job_started(engine, &["motion"], &[]).await;
    let document = document();
    for (address, form, least) in [
        (format!("/v1/engines/{engine}"), "EngineShown", 30),
        (boiler.clone(), "Boiler", 10),
        (format!("{boiler}/papers"), "PapersAnswer", 8),
        (job, "Job", 15),
        (format!("/v1/engines/{engine}/readiness"), "Readiness", 6),
        ("/v1/firm".to_owned(), "Firm", 4),
    ] {
        let answer = shop.get(&address).await.ok().body;
        let form = json!({"$ref": format!("#/components/schemas/{form}")});
        let members = required(&document, &form);
        assert!(members.len() >= least, "{form} requires {members:?}");
        for member in members {
            let name = member.as_str().expect("a name");
            assert!(
                answer.get(name).is_some(),
                "{address} lacks {name}: {answer}"
            );
        }
    }
}

#[actix_web::test]
async fn a_wrong_query_parameter_is_named() {
    let shop = Shop::open().await;
    for (path, words) in [
        (
            "/v1/stock-book?from=2026-02-30&to=2026-05-14",
            "`from`: must be a day such as 2026-05-14",
        ),
        ("/v1/stock-book?from=2026-01-01", "`to`"),
        ("/v1/comparables?kind=ship", "`kind`: `ship` is not one of"),
        ("/v1/comparables?colour=green", "`colour`"),
        (
            "/v1/comparables?on_from=2026-01-01&on_from=2026-01-02",
            "`on_from` is given twice",
        ),
        (
            "/v1/engines?sort=colour",
            "`sort`: `colour` is not one of `stock_no`, `-stock_no`, `asking_price`, `-asking_price`",
        ),
    ] {
        let refused = shop.get(path).await.refused("invalid_query");
        let detail = refused.body["detail"]
            .as_str()
            .expect("description")
            .to_owned();
        assert!(detail.contains(words), "{path}: {detail}");
    }
}

/// Names that say what they are in any record.
const PLAIN: &str = "address amount answer at bore builder credit debit description design designer email event from fuel gauge height high hours id items \
    kind language length likely lines low maker material message method name notes number on outcome parts price prototype reason role sheet status stroke \
    tax telephone tests title to total unit until url value version weight width words";
/// Ends of names that say it: a reference, a number of the books, a day, a time, a unit.
const PLAIN_ENDS: [&str; 10] = [
    "_id", "_no", "_on", "_at", "_mm", "_m", "_in", "_lb", "_kg", "_lbf",
];

/// A description of the member or of the one schema that it refers to; or its name is plain; or it is the name of its schema, whose
/// description stands there.
fn is_described(document: &Value, name: &str, schema: &Value) -> bool {
    if schema.get("description").is_some()
        || PLAIN.split_whitespace().any(|plain| plain == name)
        || PLAIN_ENDS.iter().any(|end| name.ends_with(end))
    {
        return true;
    }
    let parts = ["oneOf", "anyOf"]
        .iter()
        .filter_map(|kind| schema[kind].as_array());
    let parts: Vec<&Value> = parts
        .flatten()
        .filter(|part| part["type"] != "null")
        .collect();
    if !parts.is_empty() {
        return parts.iter().any(|part| is_described(document, name, part));
    }
    if let Some(item) = schema.get("items") {
        return is_described(document, name, item);
    }
    match schema["$ref"].as_str() {
        Some(reference) => {
            let named = reference.rsplit('/').next().expect("a name").to_lowercase();
            let own = name.replace('_', "");
            named == own
                || format!("{named}s") == own
                || format!("{}ies", named.trim_end_matches('y')) == own
                || resolved(document, schema).get("description").is_some()
        }
        None => false,
    }
}

fn undescribed(document: &Value, at: &str, schema: &Value, into: &mut Vec<String>) {
    for (name, member) in schema["properties"].as_object().into_iter().flatten() {
        let place = format!("{at}.{name}");
        if !is_described(document, name, member) {
            into.push(place.clone());
        }
        undescribed(document, &place, member, into);
    }
    for kind in ["allOf", "oneOf", "anyOf"] {
        for part in schema[kind].as_array().into_iter().flatten() {
            undescribed(document, at, part, into);
        }
    }
    if let Some(item) = schema.get("items") {
        undescribed(document, at, item, into);
    }
}

#[test]
fn every_member_is_described_or_its_name_says_what_it_is() {
    let document = document();
    let mut found = Vec::new();
    let schemas = document["components"]["schemas"]
        .as_object()
        .expect("schemas");
    for (name, schema) in schemas {
        undescribed(&document, name, schema, &mut found);
    }
    assert_eq!(found, [""; 0]);
}

/// Parameters with a list of values take each of them, several joined with commas or one by one (OpenAPI 3.1, style `form`
/// with and without `explode`), and refuse others.
#[actix_web::test]
async fn every_documented_value_of_a_filter_or_an_order_is_taken_and_no_other() {
    let shop = Shop::open().await;
    let engine = shop.has(make::engine()).await;
    let webhook = json!({"url": "https://shop.example/hooks"});
    let webhook = shop.post("/v1/webhooks", &webhook).await.created().id();
    let document = document();
    let mut lists = 0;
    for Operation { path, what, .. } in operations(&document) {
        let path = path
            .replace("{stock_no}", &engine.to_string())
            .replace("webhooks/{id}", &format!("webhooks/{webhook}"));
        for parameter in what["parameters"].as_array().into_iter().flatten() {
            let parameter = resolved(&document, parameter);
            if parameter["in"] != "query" {
                continue;
            }
            let (schema, name) = (&parameter["schema"], parameter["name"].as_str());
            let item = schema.get("items").unwrap_or(schema);
            let item = resolved(&document, item);
            let (Some(values), Some(name)) = (item["enum"].as_array(), name) else {
                continue;
            };
            let values: Vec<&str> = values.iter().filter_map(Value::as_str).collect();
            for value in &values {
                shop.get(&format!("{path}?{name}={value}")).await.ok();
            }
            let unknown = shop.get(&format!("{path}?{name}=none_such")).await;
            unknown.refused("invalid_query");
            if schema["type"] == "array" {
                lists += 1;
                let first = values[..values.len().min(20)].to_vec();
                shop.get(&format!("{path}?{name}={}", first.join(",")))
                    .await
                    .ok();
                let apart = first.join(&format!("&{name}="));
                shop.get(&format!("{path}?{name}={apart}")).await.ok();
            }
        }
    }
    assert!(lists >= 12, "{lists} lists");
}

/// JSON Schema of the parameters (minimum, maxLength) is kept to.
#[actix_web::test]
async fn a_filter_outside_of_its_limits_is_refused() {
    let shop = Shop::open().await;
    let many = ["127"; 21].join(",");
    for query in [
        "/v1/sales?stock_no=0".to_owned(),
        "/v1/deposits?reservation_id=-1".to_owned(),
        format!("/v1/comparables?gauge_mm={many}"),
    ] {
        shop.get(&query).await.refused("invalid_query").is(400);
    }
    let most = ["127"; 20].join(",");
    shop.get(&format!("/v1/comparables?gauge_mm={most}"))
        .await
        .ok();
    shop.get("/v1/sales?stock_no=1").await.ok();
}
