//! How much one may ask. The header fields are those of the IETF draft "RateLimit header fields for HTTP".

use crate::harness::{Answer, Shop};
use outshop_api::service::limits::Limits;
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::json;
use std::time::Duration;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::{Instant, timeout},
};

fn header(answer: &Answer, name: &str) -> String {
    answer.headers[name].to_str().expect("text").to_owned()
}

#[actix_web::test]
async fn a_visitor_who_asks_too_much_waits_and_a_key_does_not() {
    let shop = Shop::open()
        .await
        .limited(Limits::per_minute(20, 40, Vec::new()));
    let visit = || shop.request(Method::GET, "/v1/public/counts").send();
    let first = visit().await.ok();
    assert_eq!(header(&first, "ratelimit-policy"), "\"public\";q=20;w=60");
    assert_eq!(header(&first, "ratelimit"), "\"public\";r=19;t=3");
    let mut taken = 1;
    let refused = loop {
        let answer = visit().await;
        if answer.status != 200 {
            break answer;
        }
        taken += 1;
    };
    // One comes back each 3 s.
    assert!((20..=25).contains(&taken), "{taken}");
    let refused = refused.refused("too_many_requests").is(429);
    let wait: u64 = header(&refused, "retry-after").parse().expect("seconds");
    assert!((1..=4).contains(&wait), "{wait}");
    assert!(header(&refused, "ratelimit").contains(";r=0;"));
    // A key that is not taken counts for who sends it.
    let made_up = format!("Bearer outshop_1_{}", "x".repeat(43));
    let wrong = shop
        .request(Method::GET, "/v1/firm")
        .header("authorization", &made_up);
    wrong.send().await.refused("too_many_requests");
    let own = shop
        .request(Method::GET, "/v1/firm")
        .by(&shop, Role::Seller)
        .send()
        .await
        .ok();
    assert_eq!(header(&own, "ratelimit"), "\"key\";r=39;t=2");
    shop.request(Method::GET, "/health/live").send().await.ok();
}

#[actix_web::test]
async fn whom_a_proxy_of_ours_names_is_counted_and_nobody_elses_word_is_taken() {
    let shop = Shop::open().await;
    let visit = |through: &Shop, named: &str| {
        through
            .request(Method::GET, "/v1/public/counts")
            .header("x-forwarded-for", named)
            .send()
    };
    let behind = shop.limited(Limits::per_minute(
        10,
        0,
        vec!["127.0.0.1".parse().expect("an address")],
    ));
    // What stands before the last is the visitor's own word.
    for (named, left) in [
        ("203.0.113.7", 9),
        ("203.0.113.8", 9),
        ("198.51.100.1, 203.0.113.7", 8),
        ("203.0.113.7, 127.0.0.1", 7),
        ("nonsense", 9),
    ] {
        let answer = visit(&behind, named).await.ok();
        assert!(
            header(&answer, "ratelimit").contains(&format!("r={left};")),
            "{named}: {:?}",
            answer.headers
        );
    }
    let open = shop.limited(Limits::per_minute(10, 0, Vec::new()));
    for (named, left) in [("203.0.113.7", 9), ("203.0.113.8", 8)] {
        let answer = visit(&open, named).await.ok();
        assert!(
            header(&answer, "ratelimit").contains(&format!("r={left};")),
            "{named}"
        );
    }
}

/// A byte every tenth of a second: the body is cut off when the time for one is over, and what came is not taken.
#[actix_web::test]
async fn a_body_that_comes_too_slowly_is_cut_off() {
    let shop = Shop::open().await;
    let shop = shop.limited(Limits::default().giving_a_body(Duration::from_secs(1)));
    let address = shop.url.trim_start_matches("http://").to_owned();
    let mut socket = TcpStream::connect(&address).await.expect("a connection");
    let head = format!(
        "POST /v1/persons HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {}\r\ncontent-type: application/json\r\ncontent-length: 900\r\n\r\n",
        shop.key(Role::Seller)
    );
    socket.write_all(head.as_bytes()).await.expect("a head");
    let (mut from, mut to) = socket.into_split();
    let slowly = actix_web::rt::spawn(async move {
        while to.write_all(b" ").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    });
    let mut answer = vec![0; 4096];
    let n = timeout(Duration::from_secs(40), from.read(&mut answer)).await;
    let n = n.expect("an answer in time").expect("an answer");
    slowly.abort();
    let answer = String::from_utf8_lossy(&answer[..n]).into_owned();
    assert!(answer.starts_with("HTTP/1.1 408"), "{answer}");
    assert_eq!(shop.get("/v1/persons").await.ok().body["items"], json!([]));
}

/// OWASP API4:2023. A body without a length, as large as the sender likes; a million members; a body in gzip.
#[actix_web::test]
async fn no_body_is_read_beyond_its_limit() {
    let shop = Shop::open().await;
    let address = shop.url.trim_start_matches("http://").to_owned();
    let mut socket = TcpStream::connect(&address).await.expect("a connection");
    let head = format!(
        "POST /v1/persons HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {}\r\ncontent-type: application/json\r\ntransfer-encoding: chunked\r\n\r\n",
        shop.key(Role::Seller)
    );
    socket.write_all(head.as_bytes()).await.expect("a head");
    let (mut from, mut to) = socket.into_split();
    let chunk = [b"10000\r\n".as_slice(), &[b' '; 65_536], b"\r\n"].concat();
    let began = Instant::now();
    // 6 MB a second, for as long as it is taken.
    let pushing = actix_web::rt::spawn(async move {
        while to.write_all(&chunk).await.is_ok() && began.elapsed().as_secs() < 30 {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        began.elapsed()
    });
    let mut answer = Vec::new();
    let read = async {
        let mut some = [0; 4096];
        while !answer.windows(4).any(|it| it == b"\r\n\r\n") {
            match from.read(&mut some).await {
                Ok(n) if n > 0 => answer.extend_from_slice(&some[..n]),
                Ok(_) | Err(_) => break,
            }
        }
    };
    timeout(Duration::from_secs(20), read)
        .await
        .expect("an answer in time");
    let answer = String::from_utf8_lossy(&answer).into_owned();
    assert!(answer.starts_with("HTTP/1.1 413"), "{answer}");
    let taken_for = pushing.await.expect("an end");
    assert!(
        taken_for.as_secs() < 10,
        "the body was taken for {taken_for:?}"
    );

    let members: String = (0..1_000_000).map(|n| format!("\"m{n}\":1,")).collect();
    let post = || {
        shop.request(Method::POST, "/v1/persons")
            .by(&shop, Role::Seller)
    };
    let many = format!("{{{members}\"name\":\"A\"}}");
    post()
        .body("application/json", many)
        .send()
        .await
        .refused("content_too_large")
        .is(413);
    let few: String = (0..20_000).map(|n| format!("\"m{n}\":1,")).collect();
    let few = format!("{{{few}\"name\":\"A\"}}");
    post()
        .body("application/json", few)
        .send()
        .await
        .refused("invalid")
        .is(422);
    post()
        .header("content-encoding", "gzip")
        .body("application/json", vec![0_u8; 1000])
        .send()
        .await
        .refused("unsupported_media_type")
        .is(415);
}

/// Clients that ask for a whole list and do not read it keep a connection each until PostgreSQL ends it: they get a quarter of the eight
/// at most, and all else goes on.
#[actix_web::test]
async fn clients_that_do_not_read_whole_lists_leave_connections_for_others() {
    let shop = Shop::open().await;
    // More than the buffers between service and client take.
    shop.sql(
        "INSERT INTO comparables (on_day, price, source, kind, description)
         SELECT '2025-11-08', 6200, 'own', 'locomotive', repeat('x', 2000) FROM generate_series(1, 20000)",
    )
    .await;
    let address = shop.url.trim_start_matches("http://");
    let ask = format!(
        "GET /v1/comparables HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {}\r\nAccept: text/csv\r\n\r\n",
        shop.key(Role::Seller)
    );
    let mut unread = Vec::new();
    for _ in 0..2 {
        let mut socket = TcpStream::connect(address).await.expect("a connection");
        socket.write_all(ask.as_bytes()).await.expect("sent");
        let mut first = [0; 15];
        socket.read_exact(&mut first).await.expect("a status");
        assert_eq!(&first, b"HTTP/1.1 200 OK");
        unread.push(socket);
    }
    let another = shop
        .request(Method::GET, "/v1/comparables")
        .by(&shop, Role::Seller)
        .header("accept", "text/csv");
    let refused = another.send().await.refused("service_unavailable").is(503);
    assert_eq!(header(&refused, "retry-after"), "10");
    shop.get("/v1/comparables?limit=5").await.ok();
    shop.post("/v1/persons", &json!({"name": "Ada Fell"}))
        .await
        .created();
}
