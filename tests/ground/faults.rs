//! Trial 3: the n-th call of the database fails, for n = 1, 2, .. until none fails, in every kind of write that the demonstration makes.
//! After SQLite's loops over failing allocations and writes: each time all of it is done or nothing, and there is no panic.

use crate::{
    harness::{Shop, asked_until},
    make,
};
use actix_web::{App, HttpRequest, HttpResponse, HttpServer, web};
use diesel::{
    dsl::sql,
    sql_types::{Array, Text},
};
use diesel_async::{AsyncConnection, AsyncPgConnection, SimpleAsyncConnection};
use outshop_api::{
    demo::{self, Keys},
    ground::db::Db,
};
use outshop_core::{days::Day, trade::Role};
use std::{
    collections::{BTreeMap, BTreeSet},
    net::TcpListener as StdListener,
    sync::{
        Arc, Mutex,
        atomic::{AtomicI64, Ordering},
    },
};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpListener, TcpStream, UnixStream},
    sync::oneshot,
};

/// Stands between the service and PostgreSQL and cuts the connection that makes a call which is not to succeed.
#[derive(Clone, Default)]
struct Cutter {
    /// Calls until the cut; below 0 none is cut.
    left: Arc<AtomicI64>,
    /// What was cut last.
    cut: Arc<Mutex<String>>,
}

impl Cutter {
    fn cuts(&self, nth: i64) {
        self.left.store(nth, Ordering::SeqCst);
    }

    /// Calls since it was told to cut after so many, and did not.
    fn calls(&self, of: i64) -> i64 {
        of - self.left.swap(-1, Ordering::SeqCst)
    }

    /// Whether it has cut since it was told to.
    fn has_cut(&self) -> bool {
        self.left.swap(-1, Ordering::SeqCst) == 0
    }

    /// Listens, and gives the address of the database through it.
    async fn listen(&self, database_url: &str) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let (folder, database) = database_url
            .strip_prefix("postgresql://outshop@")
            .and_then(|rest| rest.split_once('/'))
            .expect("a socket and a name");
        let hex = |pair: &str| u8::from_str_radix(pair, 16).expect("hex");
        let folder: Vec<u8> = folder.split('%').skip(1).map(hex).collect();
        let socket = format!(
            "{}/.s.PGSQL.5432",
            String::from_utf8(folder).expect("a path")
        );
        let cutter = self.clone();
        actix_web::rt::spawn(async move {
            while let Ok((client, _)) = listener.accept().await {
                client.set_nodelay(true).expect("a socket");
                let server = UnixStream::connect(&socket).await.expect("PostgreSQL");
                actix_web::rt::spawn(cutter.clone().pass_on(client, server));
            }
        });
        // What is cut is counted in messages in the clear.
        format!("postgresql://outshop@127.0.0.1:{port}/{database}?sslmode=disable")
    }

    async fn pass_on(self, client: TcpStream, server: UnixStream) {
        let (mut from_client, mut to_client) = client.into_split();
        let (mut from_server, mut to_server) = server.into_split();
        let answers = actix_web::rt::spawn(async move {
            let _ = tokio::io::copy(&mut from_server, &mut to_client).await;
        });
        let mut message = Vec::new();
        // The first message has no type: it begins with its length.
        let (mut started, mut has_begun) = (false, false);
        let (mut some, mut call) = (vec![0; 1 << 16], String::new());
        'open: while let Ok(n) = from_client.read(&mut some).await {
            if n == 0 {
                break;
            }
            message.extend_from_slice(&some[..n]);
            loop {
                let head = usize::from(started);
                let Some(length) = message.get(head..head + 4) else {
                    break;
                };
                let length = u32::from_be_bytes(length.try_into().expect("four bytes"));
                let whole = head + usize::try_from(length).expect("a length");
                if message.len() < whole {
                    break;
                }
                // Frontend messages (PostgreSQL 15, 55.7): a call ends with Sync, after Parse or Bind, or is a Query. A Sync after
                // Close alone tidies up.
                if started && matches!(message[0], b'P' | b'Q') {
                    call = String::from_utf8_lossy(&message[5..whole]).into_owned();
                }
                let ends_a_call =
                    started && (message[0] == b'Q' || message[0] == b'S' && has_begun);
                has_begun = started
                    && (has_begun || matches!(message[0], b'P' | b'B'))
                    && message[0] != b'S';
                if ends_a_call
                    && self.left.load(Ordering::SeqCst) > 0
                    && self.left.fetch_sub(1, Ordering::SeqCst) == 1
                {
                    *self.cut.lock().expect("what was cut") = call;
                    break 'open;
                }
                started = true;
                let rest = message.split_off(whole);
                if to_server.write_all(&message).await.is_err() {
                    break 'open;
                }
                message = rest;
            }
        }
        answers.abort();
    }
}

/// A function whose text names every table, so that PostgreSQL plans it once.
const STORED: &str = "DO $$ BEGIN EXECUTE (
    SELECT format('CREATE FUNCTION stored() RETURNS text[] LANGUAGE plpgsql AS %L', 'BEGIN RETURN ARRAY[' || string_agg(
        format('(SELECT %L || count(*) || '' '' || coalesce(max(xmin::text::bigint), 0) FROM %I)', relname || ' ', relname), ', ' ORDER BY relname) || ']; END')
    FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace
); END $$";

/// Counted from our own sale, to notice when it grows; it says nothing of how few would do. Most ask what the engine has cost and will cost.
const MOST_CALLS_OF_A_SALE: i64 = 33;

/// What is tried, of each kind of write once.
struct GoBetween {
    client: reqwest::Client,
    /// Address of the service whose database fails.
    failing: String,
    plain: String,
    cutter: Cutter,
    /// To the database past the cutter; one for all, for its cached plans.
    conn: tokio::sync::Mutex<AsyncPgConnection>,
    third: usize,
    /// All kinds of write that came.
    met: Mutex<BTreeSet<String>>,
    /// Those of the third, and at how many calls each was cut.
    tried: Mutex<BTreeMap<String, i64>>,
}

impl GoBetween {
    async fn ask(
        &self,
        url: &str,
        req: &HttpRequest,
        body: &web::Bytes,
    ) -> (u16, Vec<(String, String)>, web::Bytes) {
        let mut ask = self.client.request(
            req.method().as_str().parse().expect("a method"),
            format!("{url}{}", req.uri()),
        );
        for (name, value) in req.headers() {
            if name != "host" && name != "content-length" {
                ask = ask.header(name.as_str(), value.as_bytes());
            }
        }
        let answer = ask.body(body.clone()).send().await.expect("an answer");
        let status = answer.status().as_u16();
        let header = |name: &str| {
            let value = answer.headers().get(name)?.to_str().ok()?.to_owned();
            Some((name.to_owned(), value))
        };
        let headers = ["etag", "location", "content-type", "retry-after"];
        let headers = headers.into_iter().filter_map(header).collect();
        (status, headers, answer.bytes().await.expect("a body"))
    }

    /// Rows of each table and the last transaction that wrote one.
    async fn stored(&self) -> Vec<String> {
        use diesel_async::RunQueryDsl;
        let mut conn = self.conn.lock().await;
        let stored = sql::<Array<Text>>("SELECT stored()");
        stored.get_result(&mut *conn).await.expect("what is stored")
    }

    async fn try_all_cuts(
        &self,
        kind: &str,
        req: &HttpRequest,
        body: &web::Bytes,
    ) -> (u16, Vec<(String, String)>, web::Bytes) {
        let before = self.stored().await;
        for nth in 1..200 {
            let ask = async || {
                self.cutter.cuts(nth);
                self.ask(&self.failing, req, body).await
            };
            // PostgreSQL may not have noticed yet that the connection cut before is gone.
            let has_noticed = |answer: &(u16, Vec<(String, String)>, web::Bytes)| {
                answer.0 != 409 || !answer.2.windows(11).any(|it| it == b"in_progress")
            };
            let answer = asked_until(ask, has_noticed).await;
            assert_ne!(answer.0, 409, "{kind}, call {nth}: {:?}", answer.2);
            let was_cut = self.cutter.has_cut();
            let cut = self.cutter.cut.lock().expect("what was cut").clone();
            // Files are brought into line with the rows after the commit, and what fails there is left to the sweep.
            let is_done = answer.0 == 201 && cut.contains("pg_advisory_lock(");
            if !was_cut || is_done {
                self.tried
                    .lock()
                    .expect("a ledger")
                    .insert(kind.to_owned(), nth - 1);
                return answer;
            }
            let (status, headers, text) = answer;
            let text = String::from_utf8_lossy(&text);
            assert_eq!(status, 503, "{kind}, call {nth} ({cut:?}): {text}");
            assert!(
                headers.iter().any(|(name, _)| name == "retry-after"),
                "{kind}, call {nth}: {headers:?}"
            );
            let after = self.stored().await;
            assert_eq!(after, before, "{kind}, call {nth}: something was stored");
        }
        panic!("{kind} makes more than 200 calls")
    }
}

/// One of three, and always the same for a kind.
fn third_of(kind: &str) -> usize {
    kind.bytes().map(usize::from).sum::<usize>() % 3
}

async fn pass_on(
    req: HttpRequest,
    body: web::Bytes,
    between: web::Data<GoBetween>,
) -> HttpResponse {
    let kind = format!(
        "{} {}",
        req.method(),
        req.path()
            .split('/')
            .map(|part| if part.starts_with(|c: char| c.is_ascii_digit()) {
                "{}"
            } else {
                part
            })
            .collect::<Vec<_>>()
            .join("/")
    );
    let is_new =
        req.method() != "GET" && between.met.lock().expect("a ledger").insert(kind.clone());
    let (status, headers, text) = if is_new && third_of(&kind) == between.third {
        between.try_all_cuts(&kind, &req, &body).await
    } else {
        between.ask(&between.plain, &req, &body).await
    };
    let mut answer = HttpResponse::build(status.try_into().expect("a status"));
    for header in headers {
        answer.insert_header(header);
    }
    answer.body(text)
}

/// Loads the demonstration while, in one third of the kinds of write, whichever call of the database fails: each time all is
/// done or nothing. To load it takes long, so whoever wants it loaded on a day has a third tried on it.
pub async fn load_with_failing_calls(shop: &Shop, keys: &Keys, today: Day, third: usize) {
    let cutter = Cutter::default();
    cutter.cuts(-1);
    let failing = shop.through(&cutter.listen(&shop.database_url).await);
    let mut conn = AsyncPgConnection::establish(&shop.database_url)
        .await
        .expect("a connection");
    conn.batch_execute(STORED).await.expect("a function");
    let between = web::Data::new(GoBetween {
        client: reqwest::Client::new(),
        failing: failing.url.clone(),
        plain: shop.url.clone(),
        cutter,
        conn: tokio::sync::Mutex::new(conn),
        third,
        met: Mutex::default(),
        tried: Mutex::default(),
    });
    let listener = StdListener::bind("127.0.0.1:0").expect("a port");
    let url = format!("http://{}", listener.local_addr().expect("an address"));
    let shared = between.clone();
    let server = HttpServer::new(move || {
        App::new()
            .app_data(shared.clone())
            .app_data(web::PayloadConfig::new(32 * 1024 * 1024))
            .default_service(web::to(pass_on))
    });
    let server = server.workers(1).listen(listener).expect("a server");
    actix_web::rt::spawn(server.disable_signals().run());
    // Each key's first use of the day is stored by itself.
    for role in Role::ALL {
        shop.request(reqwest::Method::GET, "/v1/firm")
            .by(shop, *role)
            .send()
            .await
            .ok();
    }
    demo::load(&url, keys, today, |_, _| {})
        .await
        .expect("every step is taken");
    let met = between.met.lock().expect("a ledger");
    assert!(met.len() >= 55, "only {} kinds of write", met.len());
    let tried = between.tried.lock().expect("a ledger");
    let third = met.iter().filter(|kind| third_of(kind) == third);
    assert!(third.eq(tried.keys()), "{met:?} but {tried:?}");
    assert!(tried.values().all(|cuts| *cuts >= 3), "{tried:?}");
}

/// Workers end one after another at SIGTERM, each with its runtime, while others still answer.
#[actix_web::test]
async fn a_connection_outlives_the_worker_that_made_it() {
    let shop = Shop::open().await;
    let db = Db::new(&shop.database_url, 1).expect("a pool");
    let (shared, (made, is_made), (end, ended)) =
        (db.clone(), oneshot::channel(), oneshot::channel());
    let worker = move || {
        actix_web::rt::System::new().block_on(async move {
            drop(shared.read().await.expect("a connection"));
            made.send(()).expect("a test that waits");
            ended.await.expect("a word to end");
        });
    };
    let worker = tokio::task::spawn_blocking(worker);
    is_made.await.expect("a connection was made");
    let mut conn = db.read().await.expect("the same connection");
    end.send(()).expect("a worker");
    worker.await.expect("no panic");
    conn.batch_execute("SELECT 1").await.expect("an answer");
}

/// A primary that has become a standby takes no writes: PostgreSQL 15, 20.11.1 (default_transaction_read_only gives the same error).
#[actix_web::test]
async fn a_database_that_only_reads_refuses_writes_and_is_left_for_one_that_writes() {
    let shop = Shop::open().await;
    let database = shop.database_url.rsplit('/').next().expect("a name");
    shop.sql(&format!(
        "ALTER DATABASE {database} SET default_transaction_read_only = on"
    ))
    .await;
    let other = shop.through(&shop.database_url);
    let person = serde_json::json!({"name": "Ada Fell"});
    let refused = other.post("/v1/persons", &person).await;
    let refused = refused.refused("service_unavailable").is(503);
    assert!(refused.headers.contains_key("retry-after"));
    other.get("/v1/persons").await.ok();
    shop.sql(&format!(
        "ALTER DATABASE {database} RESET default_transaction_read_only"
    ))
    .await;
    // Connections made before are left one by one, as writes meet them.
    for _ in 0..8 {
        other.post("/v1/persons", &person).await;
    }
    other.post("/v1/persons", &person).await.created();
}

/// Who is asked first about an engine waits for its lock: each call more is time in which the next buyer waits.
#[actix_web::test]
async fn a_sale_makes_no_more_calls_of_the_database_than_it_did() {
    const MANY: i64 = 1_000_000;
    let shop = Shop::open().await;
    let cutter = Cutter::default();
    cutter.cuts(-1);
    let counted = shop.through(&cutter.listen(&shop.database_url).await);
    let person = serde_json::json!({"name": "Ada Fell"});
    let person = shop.post("/v1/persons", &person).await.created().id();
    let sale = serde_json::json!({"on": "2026-05-14", "price": "7600.00", "person_id": person});
    let mut calls = Vec::new();
    for _ in 0..3 {
        let engine = shop.has_on_show(make::engine(), &make::listing()).await;
        cutter.cuts(MANY);
        let path = format!("/v1/engines/{engine}/sales");
        counted.post(&path, &sale).await.created();
        calls.push(cutter.calls(MANY));
    }
    // The first of them also prepares its statements and opens its connections.
    assert!(calls[2] <= MOST_CALLS_OF_A_SALE, "{calls:?}");
}
