//! The habits of the interface, on resources that need little else.

use crate::harness::{Shop, TODAY, text};
use outshop_api::service::wire;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

#[actix_web::test]
async fn a_person_is_added_read_changed_and_journalled() {
    let shop = Shop::open().await;
    let added = shop
        .post("/v1/persons", &json!({"name": "Odo Fenwright"}))
        .await
        .created();
    let address = added.location();
    let read = shop.get(&address).await.ok();
    assert_eq!(read.body, added.body);
    assert_eq!(read.etag(), added.etag());
    let unchanged = shop
        .request(Method::GET, &address)
        .by(&shop, Role::Seller)
        .header("if-none-match", &read.etag())
        .send()
        .await;
    assert_eq!((unchanged.status, unchanged.text.as_str()), (304, ""));
    let changed = shop
        .patch(&address, &json!({"telephone": "01632 960123"}))
        .await
        .ok();
    assert_eq!(changed.body["telephone"], "01632 960123");
    let cleared = shop.patch(&address, &json!({"telephone": null})).await.ok();
    assert_eq!(cleared.body["telephone"], json!(null));
    shop.patch(&address, &json!({"name": null}))
        .await
        .invalid_at("/name");
    let old = shop
        .request(Method::PATCH, &address)
        .by(&shop, Role::Proprietor)
        .if_match(&changed.etag());
    let refused = old
        .merge_patch(&json!({"name": "Other"}))
        .send()
        .await
        .refused("precondition_failed")
        .is(412);
    assert_eq!(refused.etag(), cleared.etag());
    assert_eq!(
        shop.journal().await,
        ["person.created", "person.changed", "person.changed"]
    );
}

#[actix_web::test]
async fn refusals_come_in_their_order() {
    let shop = Shop::open().await;
    let ask = |method: Method, path: &str| shop.request(method, path);

    // Address and method come first, before anybody is asked for a key.
    ask(Method::GET, "/v1/nothing")
        .send()
        .await
        .refused("not_found")
        .is(404);
    ask(Method::GET, "/v1/persons/abc")
        .send()
        .await
        .refused("not_found")
        .is(404);
    let not_allowed = ask(Method::DELETE, "/v1/persons")
        .send()
        .await
        .refused("method_not_allowed")
        .is(405);
    assert_eq!(not_allowed.headers["allow"], "GET, HEAD, POST");

    // Then the key and its role, before the body is looked at.
    let no_key = ask(Method::POST, "/v1/persons")
        .body("text/plain", "x")
        .send()
        .await
        .refused("unauthorized")
        .is(401);
    assert!(
        no_key.headers["www-authenticate"]
            .to_str()
            .expect("text")
            .starts_with("Bearer")
    );
    ask(Method::GET, "/v1/persons")
        .header("authorization", "Bearer outshop_1_x")
        .send()
        .await
        .refused("unauthorized");
    ask(Method::POST, "/v1/persons")
        .by(&shop, Role::Fitter)
        .body("text/plain", "x")
        .send()
        .await
        .refused("forbidden")
        .is(403);

    // Then the form of the body: media type, encoding, size and syntax.
    let post = || ask(Method::POST, "/v1/persons").by(&shop, Role::Seller);
    post()
        .body("text/plain", "x")
        .send()
        .await
        .refused("unsupported_media_type")
        .is(415);
    post()
        .header("content-encoding", "gzip")
        .body("application/json", "{}")
        .send()
        .await
        .refused("unsupported_media_type");
    post()
        .body("application/json", "x".repeat(300_000))
        .send()
        .await
        .refused("content_too_large")
        .is(413);
    post()
        .body("application/json", "{\"name\": ")
        .send()
        .await
        .refused("malformed")
        .is(400);
    post()
        .body("application/json", "[".repeat(100_000))
        .send()
        .await
        .refused("malformed")
        .is(400);

    // Then its content, member by member.
    post()
        .json(&json!({"name": 5}))
        .send()
        .await
        .invalid_at("/name");
    post()
        .json(&json!({"name": "A", "id": 5}))
        .send()
        .await
        .refused("invalid")
        .is(422);

    // A change without If-Match is refused whatever its content is.
    ask(Method::PATCH, "/v1/firm")
        .by(&shop, Role::Proprietor)
        .merge_patch(&json!({"nonsense": 1}))
        .send()
        .await
        .refused("precondition_required")
        .is(428);

    // No refusal leaves an entry in the journal.
    assert_eq!(shop.journal().await, [""; 0]);
}

#[actix_web::test]
async fn a_repeat_with_the_same_key_is_done_once() {
    let shop = Shop::open().await;
    let post = |name: &str| {
        let body = json!({"name": name});
        shop.request(Method::POST, "/v1/persons")
            .by(&shop, Role::Seller)
            .header("idempotency-key", "\"abc\"")
            .json(&body)
            .send()
    };
    let first = post("Odo Fenwright").await.created();
    let again = post("Odo Fenwright").await.created();
    assert_eq!(
        (first.text.clone(), first.etag(), first.location()),
        (again.text.clone(), again.etag(), again.location())
    );
    assert!(!first.headers.contains_key("idempotency-replayed"));
    assert_eq!(again.headers["idempotency-replayed"], "true");
    post("Another")
        .await
        .refused("idempotency_key_reused")
        .is(422);
    assert_eq!(shop.journal().await, ["person.created"]);
}

#[actix_web::test]
async fn a_list_comes_in_pages_and_whole() {
    let shop = Shop::open().await;
    for n in 1..=5 {
        shop.post("/v1/persons", &json!({"name": format!("=Person {n}")}))
            .await
            .created();
    }
    let mut seen = Vec::new();
    let mut next = Some("/v1/persons?limit=2".to_owned());
    while let Some(address) = next {
        let page = shop.get(&address).await.ok();
        seen.extend(
            page.body["items"]
                .as_array()
                .expect("items")
                .iter()
                .map(|item| item["id"].as_i64()),
        );
        next = page.body["next"].as_str().map(str::to_owned);
        assert_eq!(next.is_some(), page.headers.contains_key("link"));
    }
    assert_eq!(seen, (1..=5).map(Some).collect::<Vec<_>>());
    for (query, kind) in [
        ("limit=0", "invalid_query"),
        ("limit=201", "invalid_query"),
        ("limit=x", "invalid_query"),
        ("colour=red", "invalid_query"),
        ("limit=1&limit=2", "invalid_query"),
        ("cursor=abc", "invalid_cursor"),
    ] {
        shop.get(&format!("/v1/persons?{query}"))
            .await
            .refused(kind)
            .is(400);
    }
    let csv = shop
        .request(Method::GET, "/v1/persons")
        .by(&shop, Role::Bookkeeper)
        .header("accept", "text/csv")
        .send()
        .await
        .ok();
    let lines: Vec<_> = csv.text.split("\r\n").collect();
    assert_eq!(lines[0], "id,name,email,telephone,address,erased_on");
    assert_eq!(lines[1], "1,'=Person 1,,,,");
    assert_eq!(lines.len(), 7);
    let ndjson = shop
        .request(Method::GET, "/v1/persons")
        .by(&shop, Role::Seller)
        .header("accept", "application/x-ndjson")
        .send()
        .await
        .ok();
    assert_eq!(ndjson.text.lines().count(), 5);
}

#[actix_web::test]
async fn a_secret_is_shown_once_and_a_revoked_key_is_refused() {
    let shop = Shop::open().await;
    let body = json!({"name": "bench tablet", "role": "fitter", "person": "Edda Morlock"});
    let post = || {
        shop.request(Method::POST, "/v1/keys")
            .by(&shop, Role::Proprietor)
            .header("idempotency-key", "k")
            .json(&body)
            .send()
    };
    let made = post().await.created();
    let key = format!("Bearer {}", made.body["secret"].as_str().expect("a secret"));
    post().await.refused("conflict").is(409);
    let firm = || {
        shop.request(Method::GET, "/v1/firm")
            .header("authorization", &key)
            .send()
    };
    firm().await.ok();
    shop.request(Method::DELETE, &made.location())
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .is(204);
    firm().await.refused("unauthorized");
    shop.request(Method::DELETE, "/v1/keys/1")
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .refused("conflict");
}

#[actix_web::test]
async fn a_proprietor_whose_key_has_expired_is_not_the_one_who_can_let_the_last_one_in_again() {
    let shop = Shop::open().await;
    let spare = json!({"name": "spare", "role": "proprietor", "person": "Edda Morlock", "expires_on": TODAY});
    let spare = shop.post("/v1/keys", &spare).await.created();
    let past = json!({"name": "spare", "role": "fitter", "person": "Edda Morlock", "expires_on": "2026-05-13"});
    shop.post("/v1/keys", &past).await.invalid_at("/expires_on");
    let revoke = async |path: &str| {
        let asked = shop.request(Method::DELETE, path);
        asked.by(&shop, Role::Proprietor).send().await
    };
    shop.set_day("2026-05-15");
    revoke("/v1/keys/1").await.refused("conflict");
    shop.get("/v1/firm").await.ok();
    shop.set_day(TODAY);
    revoke("/v1/keys/1").await.is(204);
    shop.request(Method::GET, "/v1/firm")
        .header(
            "authorization",
            &format!("bEaReR  {}", text(&spare.body["secret"])),
        )
        .send()
        .await
        .ok();
}

/// RFC 8259, section 4, leaves open what a member that stands twice means; RFC 9110, 13.1.1: If-Match compares strongly.
#[actix_web::test]
async fn what_can_be_read_in_two_ways_is_refused() {
    let shop = Shop::open().await;
    let ask = |body: &'static str| {
        let asked = shop.request(Method::POST, "/v1/persons");
        asked.by(&shop, Role::Seller).body("application/json", body)
    };
    for twice in [
        r#"{"name": "Odo Fenwright", "name": "Ada Fell"}"#,
        r#"{"name": "Odo Fenwright", "n\u0061me": "Ada Fell"}"#,
        r#"{"name": "Odo Fenwright", "address": {"a": [{"b": 1, "b": 2}]}}"#,
    ] {
        ask(twice).send().await.refused("malformed").is(400);
    }
    let once = ask(r#"{"name": "Odo Fenwright"}"#);
    let two_keys = once
        .header("idempotency-key", "a")
        .header("idempotency-key", "b");
    two_keys.send().await.refused("idempotency_key_missing");
    assert_eq!(shop.journal().await, [""; 0]);

    let firm = shop.get("/v1/firm").await.ok();
    let change = async |tag: &str| {
        let asked = shop.request(Method::PATCH, "/v1/firm");
        let asked = asked.by(&shop, Role::Proprietor).if_match(tag);
        asked
            .merge_patch(&json!({"name": "Quillow Lane Works"}))
            .send()
            .await
    };
    change(&format!("W/{}", firm.etag()))
        .await
        .refused("precondition_failed");
    change(&format!("\"x\", {}", firm.etag())).await.ok();
}

#[actix_web::test]
async fn a_key_that_another_took_the_place_of_is_taken_for_another_day() {
    let shop = Shop::open().await;
    let body = json!({"name": "bench tablet", "role": "fitter", "person": "Edda Morlock"});
    let old = shop.post("/v1/keys", &body).await.created();
    let new = shop
        .post(&format!("{}/rotations", old.location()), &json!({}))
        .await
        .created();
    assert_eq!(new.body["name"], "bench tablet");
    assert_eq!(new.body["role"], "fitter");
    let (old_key, new_key) = (&old.body["secret"], &new.body["secret"]);
    let firm = |key: &Value| {
        let key = format!("Bearer {}", key.as_str().expect("a secret"));
        shop.request(Method::GET, "/v1/firm")
            .header("authorization", &key)
            .send()
    };
    for (now, old_is_taken) in [
        ("2026-05-14T11:00:00Z", true),
        ("2026-05-15T10:59:59Z", true),
        ("2026-05-15T11:00:00Z", false),
    ] {
        shop.clock.set(now.parse().expect("an instant"));
        firm(new_key).await.ok();
        let status = if old_is_taken { 200 } else { 401 };
        firm(old_key).await.is(status);
    }
    // Once only, and the last lasting key of a proprietor stays.
    shop.post(&format!("{}/rotations", old.location()), &json!({}))
        .await
        .refused("not_found");
    shop.set_day("2026-05-14");
    let owner = shop
        .post("/v1/keys/1/rotations", &json!({}))
        .await
        .created();
    shop.request(Method::DELETE, "/v1/keys/1")
        .by(&shop, Role::Proprietor)
        .send()
        .await
        .is(204);
    shop.request(Method::DELETE, &owner.location())
        .header(
            "authorization",
            &format!("Bearer {}", text(&owner.body["secret"])),
        )
        .send()
        .await
        .refused("conflict");
    shop.post("/v1/keys", &body).await.refused("unauthorized");
}

#[actix_web::test]
async fn a_panic_ends_its_request_with_a_problem_document_and_no_other() {
    async fn panics() -> actix_web::HttpResponse {
        panic!("a fault of ours, made by the test")
    }
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let url = format!("http://{}", listener.local_addr().expect("an address"));
    let server = actix_web::HttpServer::new(|| {
        actix_web::App::new()
            .route("/panics", actix_web::web::get().to(panics))
            .wrap(actix_web::middleware::from_fn(wire::no_panic_escapes))
            .wrap(actix_web::middleware::from_fn(wire::common))
    });
    let server = server.workers(1).listen(listener).expect("a server");
    actix_web::rt::spawn(server.disable_signals().run());
    for _ in 0..2 {
        let answer = reqwest::get(format!("{url}/panics"))
            .await
            .expect("an answer");
        assert_eq!(answer.status(), 500);
        assert_eq!(answer.headers()["content-type"], "application/problem+json");
        let text = answer.text().await.expect("a body");
        assert!(
            text.contains("/problems/internal") && !text.contains("fault of ours"),
            "{text}"
        );
    }
}
