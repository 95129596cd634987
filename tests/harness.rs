//! The harness: a shop is the service on a fresh database, with a key for every role and the day set.

use outshop_api::{
    Shared, app,
    engines::photographs::Store,
    firm::keys::{self, NewKey},
    ground::{clock::Clock, connection, db::Db},
    notifying::webhooks::{cipher::Cipher, guard::AllowedTargets},
    service::{
        cluster::{Cluster, Durability},
        limits::Limits,
        migrations,
    },
    shop::public::ShopWindow,
};
use outshop_core::trade::Role;
use reqwest::{Method, header::HeaderMap};
use serde_json::{Value, json};
use std::{
    collections::HashMap,
    net::TcpListener,
    path::PathBuf,
    sync::{
        LazyLock,
        atomic::{AtomicUsize, Ordering},
    },
};

/// The day of every shop unless a test says another: a Thursday.
pub const TODAY: &str = "2026-05-14";

/// One cluster for the whole test binary, with a migrated template database. It outlives the process (a static is not
/// dropped) and is taken over by the next run, which is also why names of databases hold the process id.
static SERVER: LazyLock<Server> = LazyLock::new(Server::start);

struct Server {
    cluster: Cluster,
    template: String,
}

impl Server {
    fn start() -> Server {
        let folder = std::env::var_os("OUTSHOP_TEST_DATA").map_or_else(
            || PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("postgresql-for-tests"),
            PathBuf::from,
        );
        let cluster = Cluster::start(&reachable(folder), None, Durability::None)
            .expect("PostgreSQL for the tests");
        let template = format!("template_{}", std::process::id());
        // The migration harness blocks in place, so it needs a runtime with several threads.
        std::thread::scope(|scope| {
            let migrate = || {
                let runtime = tokio::runtime::Builder::new_multi_thread()
                    .enable_all()
                    .build()
                    .expect("a runtime");
                runtime.block_on(async {
                    statement(&cluster, "postgres", &format!("CREATE DATABASE {template}")).await;
                    migrations::run(&cluster.url_of(&template))
                        .await
                        .expect("migrations");
                });
            };
            scope.spawn(migrate).join().expect("the template database");
        });
        let (postgres, template_now) = (cluster.url_of("postgres"), template.clone());
        std::thread::spawn(move || drop_left_over(&postgres, &template_now));
        Server { cluster, template }
    }
}

pub fn cluster() -> &'static Cluster {
    &SERVER.cluster
}

/// PostgreSQL as another user must be able to reach its data folder.
fn reachable(folder: PathBuf) -> PathBuf {
    if folder.starts_with("/root") {
        std::env::temp_dir().join("outshop-tests")
    } else {
        folder
    }
}

/// Drops the databases of earlier runs while the tests go on: to drop one takes as long as to make one. What is left when
/// the last test ends is for the next run.
fn drop_left_over(postgres: &str, template_now: &str) {
    use diesel_async::{AsyncConnection, AsyncPgConnection, SimpleAsyncConnection};
    let now = std::process::id();
    let names = format!(
        "SELECT datname::text FROM pg_database
         WHERE datname ~ '^(shop|template)_' AND datname !~ '^shop_{now}_' AND datname <> '{template_now}'"
    );
    let dropping = async {
        let old = statement_in(postgres, &names).await;
        let mut conn = AsyncPgConnection::establish(postgres)
            .await
            .expect("a connection");
        for old in old {
            let drop = format!("DROP DATABASE {old} WITH (FORCE)");
            conn.batch_execute(&drop).await.expect(&drop);
        }
    };
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime")
        .block_on(dropping);
}

pub async fn statement(cluster: &Cluster, database: &str, sql: &str) {
    use diesel_async::{AsyncConnection, AsyncPgConnection, SimpleAsyncConnection};
    let mut conn = AsyncPgConnection::establish(&cluster.url_of(database))
        .await
        .expect("a connection");
    conn.batch_execute(sql).await.expect(sql);
}

/// The texts in the first column of what a statement gives.
pub async fn statement_in(database_url: &str, sql: &str) -> Vec<String> {
    use diesel::{dsl::sql as raw, sql_types::Text};
    use diesel_async::{AsyncConnection, AsyncPgConnection, RunQueryDsl};
    let mut conn = AsyncPgConnection::establish(database_url)
        .await
        .expect("a connection");
    raw::<Text>(sql).load(&mut conn).await.expect(sql)
}

/// For what is only seen by asking: asks until the answer fits, at most 5000 times, and gives the last one.
pub async fn asked_until<T>(ask: impl AsyncFn() -> T, fits: impl Fn(&T) -> bool) -> T {
    for _ in 1..5000 {
        let answer = ask().await;
        if fits(&answer) {
            return answer;
        }
        tokio::task::yield_now().await;
    }
    ask().await
}

pub struct Shop {
    pub url: String,
    pub clock: Clock,
    pub db: Db,
    pub database_url: String,
    /// Folder of the files of photographs.
    pub photographs: tempfile::TempDir,
    pub store: Store,
    window: ShopWindow,
    keys: HashMap<Role, String>,
    client: reqwest::Client,
}

impl Shop {
    pub async fn open() -> Shop {
        let photographs = tempfile::tempdir().expect("a folder");
        let place = photographs.path().to_str().expect("a path");
        let store = Store::at(place).expect("a store");
        Shop::with(photographs, store).await
    }

    /// With its photographs elsewhere than in a folder.
    pub async fn open_over(store: Store) -> Shop {
        Shop::with(tempfile::tempdir().expect("a folder"), store).await
    }

    async fn with(photographs: tempfile::TempDir, store: Store) -> Shop {
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        let server = &*SERVER;
        let database = format!(
            "shop_{}_{}",
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        );
        let create = format!(
            "CREATE DATABASE {database} TEMPLATE {} STRATEGY file_copy",
            server.template
        );
        statement(&server.cluster, "postgres", &create).await;
        Shop::on(server.cluster.url_of(&database), photographs, store).await
    }

    /// Another process of the same shop, with the same clock.
    pub fn beside(&self, window: ShopWindow) -> Shop {
        self.again(&self.database_url, window, Limits::default())
            .keeping_its_window()
    }

    /// Another process of the same shop, which reaches the database by another address and shows what this one shows.
    pub fn through(&self, database_url: &str) -> Shop {
        self.again(database_url, self.window(), Limits::default())
    }

    /// A process on another database with the same keys.
    pub fn on_another(&self, database_url: &str) -> Shop {
        self.again(database_url, ShopWindow::default(), Limits::default())
            .keeping_its_window()
    }

    /// Another process of the same shop, which limits its clients.
    pub fn limited(&self, limits: Limits) -> Shop {
        self.again(&self.database_url, ShopWindow::default(), limits)
            .keeping_its_window()
    }

    fn again(&self, database_url: &str, window: ShopWindow, limits: Limits) -> Shop {
        Shop::answering(
            database_url.to_owned(),
            tempfile::tempdir().expect("a folder"),
            self.store.clone(),
            self.clock.clone(),
            self.keys.clone(),
            window,
            limits,
        )
    }

    async fn on(database_url: String, photographs: tempfile::TempDir, store: Store) -> Shop {
        let db = Db::new(&database_url, 8).expect("a pool");
        let clock = Clock::default();
        let mut keys = HashMap::new();
        for role in Role::ALL {
            let new = NewKey {
                name: format!("{role} key").parse().expect("a line"),
                role: *role,
                person: format!("the {role}").parse().expect("a line"),
                expires_on: None,
            };
            let key = keys::add(&db, &new, TODAY.parse().expect("a day"))
                .await
                .expect("a key");
            keys.insert(*role, key);
        }
        drop(db);
        let shop = Shop::answering(
            database_url,
            photographs,
            store,
            clock,
            keys,
            ShopWindow::default(),
            Limits::default(),
        )
        .keeping_its_window();
        shop.set_day(TODAY);
        // The server is made while this thread waits; a connection that it had begun would be late.
        let live = shop.client.get(format!("{}/health/live", shop.url));
        live.send().await.expect("a server");
        shop
    }

    fn keeping_its_window(self) -> Shop {
        let (db, clock, window) = (self.db.clone(), self.clock.clone(), self.window());
        actix_web::rt::spawn(async move { window.keep(&db, None, &clock).await });
        self
    }

    /// Answers requests, and leaves the window to another.
    fn answering(
        database_url: String,
        photographs: tempfile::TempDir,
        store: Store,
        clock: Clock,
        keys: HashMap<Role, String>,
        window: ShopWindow,
        limits: Limits,
    ) -> Shop {
        let db = Db::new(&database_url, 8).expect("a pool");
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let url = format!("http://{}", listener.local_addr().expect("an address"));
        let shared = Shared {
            db: db.clone(),
            clock: clock.clone(),
            store: store.clone(),
            window: window.clone(),
            reach: AllowedTargets::Loopback,
            limits,
            cipher: Cipher::default(),
        };
        let server = actix_web::HttpServer::new(move || app(shared.clone()))
            .workers(1)
            .listen(listener)
            .expect("a server")
            .disable_signals()
            .run();
        actix_web::rt::spawn(server);
        connection::install_cryptography();
        let client = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            // It speaks to this machine in the clear: to read the system's root certificates takes longer than many a test.
            .tls_certs_only([])
            .build()
            .expect("a client");
        Shop {
            url,
            clock,
            db,
            database_url,
            photographs,
            store,
            window,
            keys,
            client,
        }
    }

    pub fn window(&self) -> ShopWindow {
        self.window.clone()
    }

    /// Noon of that day in the firm's zone.
    pub fn set_day(&self, day: &str) {
        self.clock
            .set(format!("{day}T11:00:00Z").parse().expect("an instant"));
    }

    pub fn key(&self, role: Role) -> &str {
        &self.keys[&role]
    }

    pub fn request(&self, method: Method, path: &str) -> Asked {
        Asked(self.client.request(method, format!("{}{path}", self.url)))
    }

    /// As the proprietor, who may do everything.
    pub async fn get(&self, path: &str) -> Answer {
        self.request(Method::GET, path)
            .by(self, Role::Proprietor)
            .send()
            .await
    }

    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.request(Method::POST, path)
            .by(self, Role::Proprietor)
            .once()
            .json(body)
            .send()
            .await
    }

    /// Reads, then changes what was read.
    pub async fn patch(&self, path: &str, change: &Value) -> Answer {
        let etag = self.get(path).await.ok().etag();
        self.request(Method::PATCH, path)
            .by(self, Role::Proprietor)
            .if_match(&etag)
            .merge_patch(change)
            .send()
            .await
    }

    /// Enters a record whose own interface is not what the test is about.
    pub async fn sql(&self, statement: &str) {
        use diesel_async::SimpleAsyncConnection;
        let mut conn = self.db.read().await.expect("a connection");
        conn.batch_execute(statement).await.expect(statement);
        self.window.make_anew();
    }

    /// Types of the journal's entries after the making of the five keys.
    pub async fn journal(&self) -> Vec<String> {
        let page = self.get("/v1/journal?after=5&limit=500").await.ok();
        page.body["items"]
            .as_array()
            .expect("items")
            .iter()
            .map(|entry| text(&entry["type"]))
            .collect()
    }
}

pub fn text(value: &Value) -> String {
    value
        .as_str()
        .unwrap_or_else(|| panic!("not a text: {value}"))
        .to_owned()
}

/// A request being put together.
pub struct Asked(reqwest::RequestBuilder);

impl Asked {
    pub fn by(self, shop: &Shop, role: Role) -> Asked {
        self.header("authorization", &format!("Bearer {}", shop.key(role)))
    }

    pub fn header(self, name: &str, value: &str) -> Asked {
        Asked(self.0.header(name, value))
    }

    /// With an Idempotency-Key that no other request has.
    pub fn once(self) -> Asked {
        static COUNT: AtomicUsize = AtomicUsize::new(0);
        self.header(
            "idempotency-key",
            &format!("test-{}", COUNT.fetch_add(1, Ordering::Relaxed)),
        )
    }

    pub fn if_match(self, etag: &str) -> Asked {
        self.header("if-match", etag)
    }

    pub fn json(self, body: &Value) -> Asked {
        Asked(
            self.0
                .header("content-type", "application/json")
                .body(body.to_string()),
        )
    }

    pub fn merge_patch(self, change: &Value) -> Asked {
        Asked(
            self.0
                .header("content-type", "application/merge-patch+json")
                .body(change.to_string()),
        )
    }

    pub fn body(self, media_type: &str, body: impl Into<reqwest::Body>) -> Asked {
        Asked(self.0.header("content-type", media_type).body(body))
    }

    pub async fn send(self) -> Answer {
        let (client, request) = self.0.build_split();
        let request = request.expect("a request");
        let (method, path) = (request.method().clone(), request.url().path().to_owned());
        let response = client.execute(request).await.expect("an answer");
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        must_be_documented(&method, &path, status);
        let text = response.text().await.expect("a body");
        let body = serde_json::from_str(&text).unwrap_or_else(|_| json!(text));
        Answer {
            status,
            headers,
            body,
            text,
        }
    }
}

/// An operation of openapi.json: its method, the segments of its address, and the statuses that it may answer.
type Documented = (Method, Vec<String>, Vec<u16>);

static DOCUMENTED: LazyLock<Vec<Documented>> = LazyLock::new(|| {
    let document = outshop_api::document();
    let paths = document["paths"].as_object().expect("paths").iter();
    let operations = paths.flat_map(|(path, item)| {
        let item = item.as_object().expect("operations").iter();
        item.map(move |(method, operation)| (path, method, operation))
    });
    let refusals = operations.map(|(path, method, operation)| {
        let answers = operation["responses"].as_object().expect("answers").keys();
        (
            method.to_uppercase().parse().expect("a method"),
            path.split('/').map(str::to_owned).collect(),
            answers.filter_map(|status| status.parse().ok()).collect(),
        )
    });
    refusals.collect()
});

/// No operation refuses in a way that the document does not tell. 404 and 405 of what is no operation are left out.
#[track_caller]
fn must_be_documented(method: &Method, path: &str, status: u16) {
    if status < 400 {
        return;
    }
    let segments: Vec<&str> = path.split('/').collect();
    let fits = |template: &[String]| {
        let mut both = template.iter().zip(&segments);
        template.len() == segments.len()
            && both.all(|(template, segment)| template.starts_with('{') || template == segment)
    };
    let mut operations = DOCUMENTED.iter();
    // An address without a placeholder stands before one with.
    let plain = operations.clone().find(|(of, template, _)| {
        of == method && fits(template) && !template.iter().any(|it| it.starts_with('{'))
    });
    let found =
        plain.or_else(|| operations.find(|(of, template, _)| of == method && fits(template)));
    if let Some((_, template, statuses)) = found {
        let told = statuses.contains(&status);
        assert!(
            told,
            "{method} {}: {status} is not in openapi.json",
            template.join("/")
        );
    }
}

#[derive(Debug, Clone)]
pub struct Answer {
    pub status: u16,
    pub headers: HeaderMap,
    pub body: Value,
    pub text: String,
}

impl Answer {
    #[track_caller]
    pub fn is(self, status: u16) -> Answer {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }

    #[track_caller]
    pub fn ok(self) -> Answer {
        self.is(200)
    }

    #[track_caller]
    pub fn created(self) -> Answer {
        let answer = self.is(201);
        assert!(
            answer.headers.contains_key("location") && answer.headers.contains_key("etag"),
            "{:?}",
            answer.headers
        );
        answer
    }

    /// A problem document of that type.
    #[track_caller]
    pub fn refused(self, kind: &str) -> Answer {
        assert_eq!(
            self.body["type"],
            format!("/problems/{kind}"),
            "{} {}",
            self.status,
            self.text
        );
        assert_eq!(self.headers["content-type"], "application/problem+json");
        assert_eq!(self.body["status"], self.status);
        self
    }

    /// `invalid`, naming this member.
    #[track_caller]
    pub fn invalid_at(self, pointer: &str) -> Answer {
        let answer = self.refused("invalid").is(422);
        let pointers: Vec<_> = answer.body["errors"]
            .as_array()
            .expect("errors")
            .iter()
            .map(|e| text(&e["pointer"]))
            .collect();
        assert!(
            pointers.iter().any(|p| p == pointer),
            "{pointers:?} has no {pointer}: {}",
            answer.text
        );
        answer
    }

    pub fn etag(&self) -> String {
        self.headers["etag"].to_str().expect("a tag").to_owned()
    }

    pub fn location(&self) -> String {
        self.headers["location"]
            .to_str()
            .expect("an address")
            .to_owned()
    }

    pub fn id(&self) -> i64 {
        self.body["id"].as_i64().expect("an id")
    }
}
