//! The document of the interface and the pages that are made of it.

use crate::harness::{Answer, Shop};
use reqwest::Method;
use roxmltree::Document;
use serde_json::Value;
use std::collections::BTreeSet;

async fn read(shop: &Shop, address: &str) -> Answer {
    shop.request(Method::GET, address).send().await.ok()
}

/// Of a page: its `h1`, and the addresses that it links to. It is well-formed, which HTML (living standard, 13.1) allows.
fn heading_and_links(page: &str) -> (String, BTreeSet<String>) {
    let page = page.replacen("<!doctype html>", "", 1);
    let xml = ["meta", "link", "input"]
        .iter()
        .fold(page, |page, void| close(&page, void))
        .replace(" hidden>", " hidden=\"\">")
        .replace(" defer>", " defer=\"\">");
    let read = Document::parse(&xml).unwrap_or_else(|e| panic!("{e}: {xml}"));
    let nodes = read.descendants();
    let links = nodes.filter_map(|node| node.attribute("href"));
    let links = links.map(str::to_owned).collect();
    let h1 = read.descendants().find(|node| node.has_tag_name("h1"));
    let h1 = h1.and_then(|h1| h1.text()).unwrap_or_default();
    (h1.to_owned(), links)
}

/// Void elements have no end in HTML and need one in XML.
fn close(page: &str, void: &str) -> String {
    let begin = format!("<{void} ");
    let mut parts = page.split(&begin);
    let mut closed = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let (inside, after) = part.split_once('>').expect("an end of the tag");
        closed.push_str(&format!("<{void} {inside}/>{after}"));
    }
    closed
}

#[actix_web::test]
async fn every_operation_and_schema_has_a_page_and_every_link_leads_somewhere() {
    let shop = Shop::open().await;
    let document = read(&shop, "/openapi.json").await.body;
    let (title, mut wanted) = heading_and_links(&read(&shop, "/reference/").await.text);
    assert!(title.starts_with("Outshop"), "{title}");
    let mut operations = BTreeSet::new();
    for item in document["paths"].as_object().expect("paths").values() {
        for operation in item.as_object().expect("operations").values() {
            let id = operation["operationId"].as_str().expect("an id");
            let address = format!("/reference/operations/{id}");
            assert!(
                wanted.contains(&address),
                "{address} is not on the first page"
            );
            let page = read(&shop, &address).await;
            let (heading, links) = heading_and_links(&page.text);
            assert_eq!(operation["summary"], heading);
            operations.insert(address);
            wanted.extend(links);
        }
    }
    for name in document["components"]["schemas"]
        .as_object()
        .expect("schemas")
        .keys()
    {
        let page = read(&shop, &format!("/reference/schemas/{name}")).await;
        let (heading, links) = heading_and_links(&page.text);
        assert_eq!(*name, heading);
        wanted.extend(links);
    }
    for address in wanted.difference(&operations) {
        read(&shop, address).await;
    }
}

#[actix_web::test]
async fn a_page_names_roles_members_answers_and_a_command() {
    let shop = Shop::open().await;
    let page = read(&shop, "/reference/operations/record_sale").await;
    let policy = page.headers["content-security-policy"].to_str();
    assert!(policy.expect("text").starts_with("default-src 'self'"));
    for part in [
        "<span class=\"method POST\">POST</span>",
        "<code>&#x2f;v1&#x2f;engines&#x2f;{stock_no}&#x2f;sales</code>",
        "<div class=\"limits\">at least 1</div>",
        "<code>stock_no</code> <span class=\"required\">required</span>",
        "<a href=\"/reference/schemas/NewSale\">NewSale</a>",
        "<code>promised_on</code></td><td><a href=\"/reference/schemas/Day\">Day</a> or null</td>",
        "<code>already_sold</code>",
        "-H &quot;Idempotency-Key: $(uuidgen)&quot;",
        "proprietor",
    ] {
        assert!(page.text.contains(part), "{part} is missing: {}", page.text);
    }
    let known = shop
        .request(Method::GET, "/reference/operations/record_sale")
        .header("if-none-match", &page.etag());
    assert_eq!(known.send().await.status, 304);
    for nothing in [
        "/reference/operations/nothing",
        "/reference/schemas/Nothing",
        "/reference/x",
    ] {
        shop.request(Method::GET, nothing)
            .send()
            .await
            .refused("not_found");
    }
    let posted = shop.request(Method::POST, "/reference/").send().await;
    posted.refused("method_not_allowed");
}

/// OpenAPI 3.1, 4.8.7: what a `$ref` names is in the document.
#[actix_web::test]
async fn the_public_part_stands_by_itself() {
    let shop = Shop::open().await;
    let whole = read(&shop, "/openapi.json").await.body;
    let public = read(&shop, "/openapi/public.json").await.body;
    let paths = |of: &Value| of["paths"].as_object().expect("paths").clone();
    let mut expected = paths(&whole);
    expected.retain(|path, _| path.starts_with("/v1/public/"));
    assert!(!expected.is_empty());
    assert_eq!(paths(&public), expected);
    assert_eq!(public["security"], Value::Null);
    let mut waiting = vec![&public];
    let mut named = BTreeSet::new();
    while let Some(next) = waiting.pop() {
        match next {
            Value::Object(members) => {
                named.extend(members.get("$ref").and_then(Value::as_str));
                waiting.extend(members.values());
            }
            Value::Array(items) => waiting.extend(items),
            _ => {}
        }
    }
    for reference in &named {
        let pointer = reference.strip_prefix('#').expect("a reference within");
        assert!(public.pointer(pointer).is_some(), "{reference}");
    }
    let kept = public["components"].as_object().expect("components");
    let kept: usize = kept
        .values()
        .filter_map(Value::as_object)
        .map(|parts| parts.len())
        .sum();
    assert_eq!(kept, named.len(), "parts that nothing names");
}
