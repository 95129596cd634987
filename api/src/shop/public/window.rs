//! The shop window: all that visitors may read, held in memory and kept true from the journal. Nothing here asks the database
//! while a visitor waits.

use super::{
    Count, CountOfValue, PublicCount, PublicCounts, PublicFilters,
    feeds::{Told, schema_org},
    list::{Facts, Numbers, Picked, Picker, Place, Sort, Vocabulary, fold, similar, words},
    load::{self, Loaded, Moment},
};
use crate::{
    firm::firm,
    ground::{
        answers::{self, etag_of, public_until_midnight},
        clock::{Clock, day_in, seconds_left_of_day},
        db::{Db, RunQueryDsl},
        entries::is_of_all_engines,
        instants::Instant,
        list::{self, Form, ListQuery},
        problem::{self, Problem},
    },
    schema::{firm as firm_row, journal},
};
use actix_web::{
    HttpRequest, HttpResponse,
    body::BoxBody,
    http::{
        StatusCode,
        header::{self, HeaderValue},
    },
    web::Bytes,
};
use diesel::{
    dsl::sql,
    prelude::*,
    sql_types::{Bool, Text},
};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
};
use flate2::{Compression, write::GzEncoder};
use futures_util::StreamExt;
use jiff::{SignedDuration, Timestamp};
use outshop_core::{
    days::Day,
    engines::engine::{Scale, Whyte},
    trade::Availability,
    units::four_places,
};
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::{
    collections::{BTreeMap, BTreeSet, HashMap},
    convert::Infallible,
    io::Write,
    ops::Deref,
    pin::pin,
    sync::{Arc, Mutex, OnceLock},
    time::Duration,
};
use tokio::{
    sync::{Notify, watch},
    time::{Instant as Moments, sleep, timeout},
};
use uuid::Uuid;

/// How often the journal is looked at when nothing wakes the window.
const LOOK_AGAIN: Duration = Duration::from_millis(500);
/// How long a visitor waits for a window that is being made.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long is waited for a replica that is behind, and how long it is left alone then.
const REPLICA_GIVEN: Duration = Duration::from_millis(100);
const REPLICA_RESTS: Duration = Duration::from_secs(1);
/// From this age on an answer says how old it is.
const SAYS_ITS_AGE: Duration = Duration::from_secs(2);
/// Older than this nothing is shown: it may not be true any more.
const TOO_OLD: Duration = Duration::from_secs(60);
/// Bytes of lists kept ready, until the next change.
const MOST_READY: usize = 16 * 1024 * 1024;

/// Of one process; clones show the same.
#[derive(Clone)]
pub struct ShopWindow(Arc<Shared>);

struct Shared {
    shown: watch::Sender<Option<Shown>>,
    wake: Notify,
    too_old: Duration,
}

impl Default for ShopWindow {
    fn default() -> ShopWindow {
        ShopWindow::trusted_for(TOO_OLD)
    }
}

#[derive(Clone)]
pub(super) struct Shown {
    view: Arc<View>,
    /// When it was last held against the journal.
    checked: Moments,
}

/// What a visitor sees at a moment, with its age.
pub(super) struct Look {
    view: Arc<View>,
    now: Timestamp,
    age: Duration,
}

impl Look {
    /// Whether it is what another one saw, and not only equal to it.
    pub fn is_what(&self, other: &Look) -> bool {
        Arc::ptr_eq(&self.view, &other.view)
    }
}

impl Deref for Look {
    type Target = View;

    fn deref(&self) -> &View {
        &self.view
    }
}

impl ShopWindow {
    /// Shows nothing that was last held against the journal longer than `too_old` ago.
    pub fn trusted_for(too_old: Duration) -> ShopWindow {
        ShopWindow(Arc::new(Shared {
            shown: watch::Sender::default(),
            wake: Notify::new(),
            too_old,
        }))
    }

    /// What is true now. Waits for a window that is being made; 503 when none can be made, or when the journal has been out
    /// of reach for too long.
    pub(super) async fn view(&self, clock: &Clock) -> Result<Look, Problem> {
        let true_now = async {
            if let Some(look) = Look::at(self.0.shown.borrow(), clock) {
                return Ok(look);
            }
            let mut shown = self.0.shown.subscribe();
            loop {
                if let Some(look) = Look::at(shown.borrow_and_update(), clock) {
                    return Ok::<Look, Problem>(look);
                }
                self.0.wake.notify_one();
                shown.changed().await.map_err(Problem::internal)?;
            }
        };
        let unavailable = |detail: &str| {
            Problem::new(problem::SERVICE_UNAVAILABLE, detail).with_header("retry-after", "5")
        };
        let Ok(found) = timeout(PATIENCE, true_now).await else {
            return Err(unavailable("what is on show cannot be read just now"));
        };
        let look = found?;
        if look.age > self.0.too_old {
            return Err(unavailable(
                "what is on show could not be checked for some time, and may not be true any more",
            ));
        }
        Ok(look)
    }

    /// Changes whenever what is on show was held against the journal.
    pub(super) fn watched(&self) -> watch::Receiver<Option<Shown>> {
        self.0.shown.subscribe()
    }

    /// Since it was last held against the journal.
    pub fn age(&self) -> Option<Duration> {
        let shown = self.0.shown.borrow();
        shown.as_ref().map(|shown| shown.checked.elapsed())
    }

    /// Makes it anew, with all that the journal does not tell of. For tests that write past the service.
    pub fn make_anew(&self) {
        self.0.shown.send_replace(None);
        self.0.wake.notify_one();
    }

    /// Keeps it true, until the process ends. What is on show is read from `replica` while that is in time, else from `db`.
    pub async fn keep(&self, db: &Db, replica: Option<&Db>, clock: &Clock) -> Infallible {
        tokio::select! {
            never = self.follow(db, replica, clock) => never,
            never = self.listen(db) => never,
        }
    }

    /// Wakes the follower at each commit of any process that wrote into the journal.
    async fn listen(&self, db: &Db) -> Infallible {
        loop {
            if let Err(problem) = self.listen_once(db).await {
                tracing::warn!(%problem, "the journal is not heard; it is looked at instead");
            }
            sleep(LOOK_AGAIN).await;
        }
    }

    async fn listen_once(&self, db: &Db) -> Result<(), Problem> {
        let mut conn = db.detached().await?;
        conn.batch_execute("LISTEN journal").await?;
        self.0.wake.notify_one();
        let mut heard = pin!(conn.notifications_stream());
        while let Some(told) = heard.next().await {
            told?;
            self.0.wake.notify_one();
        }
        Ok(())
    }

    async fn follow(&self, db: &Db, replica: Option<&Db>, clock: &Clock) -> Infallible {
        let mut follower = None;
        let mut commits = db.commits().made();
        loop {
            let made = *commits.borrow_and_update();
            match self.catch_up(db, replica, clock, &mut follower).await {
                Ok(()) => db.commits().followed_to(Some(made)),
                Err(problem) => {
                    tracing::warn!(%problem, "what is on show could not be checked");
                    follower = None;
                    db.commits().followed_to(None);
                    sleep(LOOK_AGAIN).await;
                }
            }
            let asked = timeout(LOOK_AGAIN, async {
                tokio::select! {
                    () = self.0.wake.notified() => {}
                    _ = commits.changed() => {}
                }
            });
            // Nobody asked: it is looked at all the same.
            let _ = asked.await;
        }
    }

    async fn catch_up(
        &self,
        db: &Db,
        replica: Option<&Db>,
        clock: &Clock,
        follower: &mut Option<Follower>,
    ) -> Result<(), Problem> {
        let mut fresh = match follower.take() {
            Some(known) => known,
            // What was shown before is not known to be followed without a gap.
            None => Follower {
                conn: db.detached().await?,
                replica: None,
                replica_rests_until: Moments::now(),
                seen: None,
            },
        };
        // On a replica a snapshot does not name what is under way; so it is taken here, and the replica has to come up to it.
        let seen_now: String = diesel::select(sql::<Text>("pg_current_snapshot()::text"))
            .get_result(&mut fresh.conn)
            .await?;
        if let Some(replica) = replica {
            fresh.look_at_replica(replica).await?;
        }
        let conn = fresh.replica.as_mut().unwrap_or(&mut fresh.conn);
        let shown = self.0.shown.borrow().clone();
        let now = clock.now();
        let view = read(conn, shown, fresh.seen.as_deref(), now).await;
        match (view, fresh.replica.is_some()) {
            (Ok(view), _) => {
                fresh.seen = Some(seen_now);
                self.0.shown.send_replace(Some(Shown {
                    view,
                    checked: Moments::now(),
                }));
            }
            // What went wrong there need not go wrong here: what was seen is as it was.
            (Err(problem), true) => {
                tracing::warn!(%problem, "the replica could not be read");
                fresh.rest();
                self.0.wake.notify_one();
            }
            (Err(problem), false) => return Err(problem),
        }
        *follower = Some(fresh);
        Ok(())
    }
}

/// What is on show, as one view of the records has it.
async fn read(
    conn: &mut AsyncPgConnection,
    shown: Option<Shown>,
    seen: Option<&str>,
    now: Timestamp,
) -> Result<Arc<View>, Problem> {
    AnsiTransactionManager::begin_transaction(conn).await?;
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        .await?;
    let changed = match (&shown, seen) {
        (Some(shown), Some(seen)) => shown.view.changed_since(conn, seen, now).await?,
        (None, _) | (_, None) => Changed::All,
    };
    let view = match (changed, shown) {
        (Changed::Some(engines), Some(shown)) if engines.is_empty() => shown.view,
        (Changed::Some(engines), Some(shown)) => {
            Arc::new(shown.view.with(conn, &engines, now).await?)
        }
        (Changed::All | Changed::Some(_), _) => Arc::new(View::of_all(conn, now).await?),
    };
    AnsiTransactionManager::commit_transaction(conn).await?;
    Ok(view)
}

/// Where in the journal the window stands.
struct Follower {
    conn: AsyncPgConnection,
    /// While it is in time.
    replica: Option<AsyncPgConnection>,
    replica_rests_until: Moments,
    /// What had been committed when it was last made true, as PostgreSQL writes snapshots.
    seen: Option<String>,
}

impl Follower {
    /// Leaves the replica alone for a while.
    fn rest(&mut self) {
        self.replica = None;
        self.replica_rests_until = Moments::now() + REPLICA_RESTS;
    }

    /// Keeps the replica if it has replayed all that the primary has written by now.
    async fn look_at_replica(&mut self, replica: &Db) -> Result<(), Problem> {
        if Moments::now() < self.replica_rests_until {
            return Ok(());
        }
        let written: String = diesel::select(sql::<Text>("pg_current_wal_lsn()::text"))
            .get_result(&mut self.conn)
            .await?;
        let in_time = timeout(REPLICA_GIVEN, self.replayed(replica, &written));
        match in_time.await {
            Ok(Ok(())) => {}
            Ok(Err(problem)) => {
                tracing::warn!(%problem, "the replica cannot be reached");
                self.rest();
            }
            Err(_) => self.rest(),
        }
        Ok(())
    }

    async fn replayed(&mut self, replica: &Db, written: &str) -> Result<(), Problem> {
        let conn = match self.replica.take() {
            Some(conn) => conn,
            None => replica.detached().await?,
        };
        let conn = self.replica.insert(conn);
        loop {
            let replayed = sql::<Bool>("coalesce(pg_last_wal_replay_lsn() >= ")
                .bind::<Text, _>(written)
                .sql("::pg_lsn, NOT pg_is_in_recovery())");
            if diesel::select(replayed).get_result::<bool>(conn).await? {
                return Ok(());
            }
            sleep(Duration::from_millis(5)).await;
        }
    }
}

enum Changed {
    All,
    /// By stock number.
    Some(Vec<i32>),
}

/// All that is on show, true from a moment to another.
pub(super) struct View {
    moment: Moment,
    /// The firm's midnight, or the end of a reservation before it.
    until: Timestamp,
    midnight: Timestamp,
    stock: Stock,
    withdrawn: Arc<BTreeSet<i32>>,
    counts: OnceLock<Made>,
    ready: Mutex<Ready>,
}

/// Engines on show, all by stock number.
pub(super) struct Stock {
    pub engines: Vec<Arc<OnShow>>,
    pub facts: Vec<Facts>,
    /// Of each order the positions in it.
    orders: [Vec<u32>; Sort::ALL.len()],
    pub scales: Numbers<Scale>,
    pub whytes: Numbers<Whyte>,
    pub vocabulary: Arc<Vocabulary>,
}

/// An engine on show.
pub(super) struct OnShow {
    picked: Picked,
    /// What a search looks at, folded.
    pub text: Box<str>,
    reserved_until: Option<Instant>,
    made: Made,
    /// Of the answer without the day that it was given on.
    digest: [u8; 32],
    /// Its card is so many bytes of its listing, and a brace.
    card: usize,
}

/// An answer that is ready.
pub(super) struct Made {
    body: Bytes,
    media_type: HeaderValue,
    etag: String,
    /// The ETag as it is sent, of the body and of its gzip.
    tags: [HeaderValue; 2],
    link: Option<HeaderValue>,
    gzip: OnceLock<Bytes>,
}

#[derive(Default)]
struct Ready {
    bytes: usize,
    made: HashMap<String, Arc<Made>>,
}

impl Made {
    fn of(value: &impl Serialize) -> Result<Made, Problem> {
        let json = serde_json::to_vec(value).map_err(Problem::internal)?;
        let etag = etag_of(&json);
        Ok(Made::with(json, etag))
    }

    fn with(json: Vec<u8>, etag: String) -> Made {
        let of_gzip = format!("{}-gzip\"", etag.trim_end_matches('"'));
        let tags = [&etag, &of_gzip]
            .map(|tag| HeaderValue::from_str(tag).expect("a tag is letters, digits and dashes"));
        Made {
            // Kept long: without the room that it grew into.
            body: json.into_boxed_slice().into(),
            media_type: HeaderValue::from_static("application/json"),
            etag,
            tags,
            link: None,
            gzip: OnceLock::new(),
        }
    }

    pub fn of_bytes(body: Vec<u8>, media_type: &'static str) -> Made {
        let etag = etag_of(&body);
        Made {
            media_type: HeaderValue::from_static(media_type),
            ..Made::with(body, etag)
        }
    }

    /// Once for all who ask until the next change.
    fn gzip(&self) -> Bytes {
        let made = self.gzip.get_or_init(|| {
            let mut gzip = GzEncoder::new(Vec::new(), Compression::default());
            let written = gzip.write_all(&self.body);
            let bytes = written.and_then(|()| gzip.finish());
            bytes.expect("a vector takes all that is written").into()
        });
        made.clone()
    }
}

/// The words about papers begin with the day they hold on; without it they change only with the papers.
fn digest_without_day(body: &[u8], on: Day) -> [u8; 32] {
    let mut hash = Sha256::new();
    let (member, words) = (format!("\"on\":\"{on}\""), format!("\"On {on} "));
    let days = [member, words];
    let mut rest = body;
    while let Some((at, day)) = days
        .iter()
        .filter_map(|day| Some((memchr::memmem::find(rest, day.as_bytes())?, day)))
        .min_by_key(|(at, _)| *at)
    {
        hash.update(&rest[..at]);
        rest = &rest[at + day.len()..];
    }
    hash.update(rest);
    hash.finalize().into()
}

impl OnShow {
    fn new(loaded: &Loaded) -> Result<OnShow, Problem> {
        let listing = &loaded.listing;
        let (card, engine) = (&listing.card, &listing.card.engine);
        let mut text = String::new();
        let optional = [
            &engine.prototype,
            &engine.design,
            &engine.designer,
            &engine.builder,
        ];
        let translated = listing.translations.0.iter();
        let translated = translated.flat_map(|it| [&*it.title, &*it.words]);
        let shown: [&str; 3] = [&card.words.title, &engine.name, &listing.words];
        let shown = shown
            .into_iter()
            .chain(optional.into_iter().flatten().map(|it| &**it))
            .chain(translated);
        for part in shown {
            text.push_str(&fold(part));
            text.push('\n');
        }
        let card_bytes = serde_json::to_vec(card).map_err(Problem::internal)?;
        let made = Made::of(listing)?;
        let card_length = card_bytes.len() - 1;
        if made.body.get(..card_length) != card_bytes.get(..card_length) {
            return Err(Problem::internal("a listing does not begin with its card"));
        }
        Ok(OnShow {
            picked: Picked {
                stock_no: card.words.stock_no,
                kind: engine.kind,
                gauge_mm: loaded.gauge_mm,
                scale: engine.scale.clone(),
                fuel: engine.fuel,
                whyte: engine.whyte.clone(),
                availability: card.availability,
                price: card.price,
                on_show_since: card.words.on_show_since,
                sold_on: card.sold_on,
            },
            text: text.into_boxed_str(),
            reserved_until: loaded.reserved_until,
            digest: digest_without_day(&made.body, card.papers.on),
            made,
            card: card_length,
        })
    }

    fn listing(&self) -> Result<Value, Problem> {
        serde_json::from_slice(&self.made.body).map_err(Problem::internal)
    }

    fn card(&self) -> &[u8] {
        &self.made.body[..self.card]
    }
}

impl Stock {
    fn new(engines: Vec<Arc<OnShow>>, vocabulary: Arc<Vocabulary>) -> Stock {
        let (mut scales, mut whytes) = (Numbers::none(), Numbers::none());
        let facts: Vec<Facts> = engines
            .iter()
            .map(|engine| {
                let picked = &engine.picked;
                Facts {
                    stock_no: picked.stock_no,
                    kind: picked.kind,
                    gauge_mm: picked.gauge_mm,
                    scale: picked.scale.as_ref().map(|it| scales.number(it)),
                    fuel: picked.fuel,
                    whyte: picked.whyte.as_ref().map(|it| whytes.number(it)),
                    availability: picked.availability,
                    price: picked.price,
                    on_show_since: picked.on_show_since,
                    sold_on: picked.sold_on,
                }
            })
            .collect();
        let orders = Sort::ALL.map(|sort| {
            let mut places: Vec<(Place, u32)> = facts
                .iter()
                .zip(0..)
                .map(|(facts, at)| (sort.place(facts), at))
                .collect();
            places.sort_unstable();
            places.into_iter().map(|(_, at)| at).collect()
        });
        Stock {
            engines,
            facts,
            orders,
            scales,
            whytes,
            vocabulary,
        }
    }

    fn order(&self, sort: Sort) -> &[u32] {
        let at = Sort::ALL.iter().position(|it| *it == sort);
        at.map_or(&[], |at| &self.orders[at])
    }

    /// Positions of the engines picked, in their order, after a place.
    fn picked<'s>(
        &'s self,
        picker: &'s Picker<'_>,
        sort: Sort,
        after: Option<Place>,
    ) -> impl Iterator<Item = usize> + 's {
        let order = self.order(sort);
        let begin = after.map_or(0, |after| {
            order.partition_point(|at| sort.place(&self.facts[*at as usize]) <= after)
        });
        let rest = order[begin..].iter().map(|at| *at as usize);
        rest.filter(|at| picker.picks(&self.facts[*at], &self.engines[*at]))
    }
}

impl View {
    async fn of_all(conn: &mut AsyncPgConnection, now: Timestamp) -> Result<View, Problem> {
        let moment = moment(conn, now).await?;
        let (mut vocabulary, mut engines) = (Vocabulary::new(), Vec::new());
        let take = |stretch: Vec<Loaded>| {
            for loaded in stretch {
                let engine = OnShow::new(&loaded)?;
                count_words(&mut vocabulary, &engine.text);
                engines.push(Arc::new(engine));
            }
            Ok(())
        };
        load::all(conn, &moment, take).await?;
        let withdrawn = load::withdrawn(conn).await?.into_iter().collect();
        let stock = Stock::new(engines, Arc::new(vocabulary));
        Ok(View::new(moment, stock, Arc::new(withdrawn)))
    }

    fn new(moment: Moment, stock: Stock, withdrawn: Arc<BTreeSet<i32>>) -> View {
        let left = seconds_left_of_day(&moment.firm.time_zone, moment.now.0);
        let midnight = moment.now.0 + SignedDuration::from_secs(i64::from(left));
        let ends = stock.engines.iter().filter_map(|it| it.reserved_until);
        let until = ends.map(|end| end.0).chain([midnight]).min();
        View {
            moment,
            until: until.unwrap_or(midnight),
            midnight,
            stock,
            withdrawn,
            counts: OnceLock::new(),
            ready: Mutex::default(),
        }
    }

    /// Of what is said of each engine, without the day that it is said on, by stock number.
    pub fn digests(&self) -> impl Iterator<Item = (i32, [u8; 32])> {
        let engines = self.stock.engines.iter();
        engines.map(|engine| (engine.picked.stock_no, engine.digest))
    }

    fn holds_at(&self, now: Timestamp) -> bool {
        (self.moment.now.0..self.until).contains(&now)
    }

    /// Engines of which the journal tells something that was not committed at `seen`, and those whose reservation has ended.
    ///
    /// An entry's number is given before its transaction ends, so that a later number may be seen first; snapshots do not
    /// miss the earlier one.
    async fn changed_since(
        &self,
        conn: &mut AsyncPgConnection,
        seen: &str,
        now: Timestamp,
    ) -> Result<Changed, Problem> {
        if !(self.moment.now.0..self.midnight).contains(&now) {
            return Ok(Changed::All);
        }
        let since = sql::<Bool>("transaction_no >= pg_snapshot_xmin(")
            .bind::<Text, _>(seen)
            .sql("::pg_snapshot)::text::bigint AND NOT pg_visible_in_snapshot(transaction_no::text::xid8, ")
            .bind::<Text, _>(seen)
            .sql("::pg_snapshot)");
        let entries: Vec<(Option<i32>, String)> = journal::table
            .filter(since)
            // Told of what was read here.
            .filter(journal::type_.not_like("public.%"))
            .select((journal::stock_no, journal::type_))
            .distinct()
            .load(conn)
            .await?;
        if entries.iter().any(|(_, what)| is_of_all_engines(what)) {
            return Ok(Changed::All);
        }
        let told = entries.into_iter().filter_map(|(stock_no, _)| stock_no);
        let ended = self.stock.engines.iter().filter(|engine| {
            let until = engine.reserved_until;
            until.is_some_and(|until| until.0 <= now)
        });
        let engines: BTreeSet<i32> = told
            .chain(ended.map(|engine| engine.picked.stock_no))
            .collect();
        Ok(Changed::Some(engines.into_iter().collect()))
    }

    /// The same with some engines read anew.
    async fn with(
        &self,
        conn: &mut AsyncPgConnection,
        changed: &[i32],
        now: Timestamp,
    ) -> Result<View, Problem> {
        let moment = moment(conn, now).await?;
        let loaded = load::some(conn, changed, &moment).await?;
        let mut vocabulary = Arc::clone(&self.stock.vocabulary);
        let mut engines: BTreeMap<i32, Arc<OnShow>> = self
            .stock
            .engines
            .iter()
            .map(|engine| (engine.picked.stock_no, Arc::clone(engine)))
            .collect();
        let mut withdrawn = Arc::clone(&self.withdrawn);
        let mut gone: BTreeMap<i32, Arc<OnShow>> = changed
            .iter()
            .filter_map(|stock_no| engines.remove_entry(stock_no))
            .collect();
        for loaded in loaded {
            let engine = OnShow::new(&loaded)?;
            let stock_no = engine.picked.stock_no;
            // Most changes leave the words as they are.
            match gone.get(&stock_no) {
                Some(before) if before.text == engine.text => {
                    gone.remove(&stock_no);
                }
                _ => count_words(Arc::make_mut(&mut vocabulary), &engine.text),
            }
            engines.insert(stock_no, Arc::new(engine));
        }
        for engine in gone.values() {
            forget_words(Arc::make_mut(&mut vocabulary), &engine.text);
        }
        let taken_off: BTreeSet<i32> = load::withdrawn_of(conn, changed)
            .await?
            .into_iter()
            .collect();
        let known = Arc::make_mut(&mut withdrawn);
        for stock_no in changed {
            if taken_off.contains(stock_no) {
                known.insert(*stock_no);
            } else {
                known.remove(stock_no);
            }
        }
        let stock = Stock::new(engines.into_values().collect(), vocabulary);
        Ok(View::new(moment, stock, withdrawn))
    }

    /// The position of an engine on show, or why there is none.
    fn position(&self, stock_no: i32) -> Result<usize, Problem> {
        let found = self
            .stock
            .facts
            .binary_search_by_key(&stock_no, |facts| facts.stock_no);
        found.map_err(|_| {
            if self.withdrawn.contains(&stock_no) {
                let detail = format!("engine {stock_no} is no longer on show");
                Problem::new(problem::GONE, detail)
            } else {
                // Of a draft nothing is said, not even that it is there.
                Problem::not_found(format!("no engine {stock_no} is on show"))
            }
        })
    }

    pub fn listing(&self, stock_no: i32) -> Result<&Made, Problem> {
        let at = self.position(stock_no)?;
        Ok(&self.stock.engines[at].made)
    }

    /// The engine as schema.org has it.
    pub fn schema_org(&self, stock_no: i32) -> Result<Arc<Made>, Problem> {
        let engine = &self.stock.engines[self.position(stock_no)?];
        self.made_once(&format!("schema.org of {stock_no}"), || {
            let listing = engine.listing()?;
            let told = schema_org(&listing, self.firm(), engine.picked.availability);
            let json = serde_json::to_vec(&told).map_err(Problem::internal)?;
            Ok(Made::of_bytes(json, "application/ld+json"))
        })
    }

    /// The engines that came on show last, the latest first.
    pub fn told_latest(&self, most: usize) -> Result<Vec<Told>, Problem> {
        let order = self.stock.order(Sort::OnShowDown).iter().take(most);
        let told = order.map(|at| {
            let engine = &self.stock.engines[*at as usize];
            let listing = engine.listing()?;
            let text = |member: &str| listing[member].as_str().map(str::to_owned);
            Ok(Told {
                stock_no: engine.picked.stock_no,
                title: text("title").unwrap_or_default(),
                words: text("words").unwrap_or_default(),
                page_url: text("page_url"),
                on_show_since: engine.picked.on_show_since,
                sold_on: engine.picked.sold_on,
            })
        });
        told.collect()
    }

    pub fn today(&self) -> Day {
        self.moment.today
    }

    pub fn firm(&self) -> &str {
        &self.moment.firm.name
    }

    /// In which titles and words are written.
    pub fn language(&self) -> &str {
        self.moment.firm.languages[0].as_str()
    }

    pub fn feed_id(&self) -> Uuid {
        self.moment.feed_id
    }

    pub fn similar(&self, stock_no: i32) -> Result<Arc<Made>, Problem> {
        let at = self.position(stock_no)?;
        self.made_once(&format!("similar to {stock_no}"), || {
            let alike = similar(&self.stock, at);
            Ok(self.cards(alike.into_iter(), "}"))
        })
    }

    /// One page of a list.
    pub fn page(
        &self,
        req: &HttpRequest,
        list: &ListQuery<PublicFilters>,
        sort: Sort,
    ) -> Result<Made, Problem> {
        let picker = Picker::new(&list.filters, &self.stock, self.moment.today)?;
        let limit = usize::try_from(list.limit()).unwrap_or(1);
        let mut picked: Vec<usize> = self
            .stock
            .picked(&picker, sort, after(list)?)
            .take(limit + 1)
            .collect();
        let more = picked.len() > limit;
        picked.truncate(limit);
        let last = picked.last().filter(|_| more);
        let next = last.map(|at| {
            let (lacks, value, stock_no) = sort.place(&self.stock.facts[*at]);
            list.next(req, serde_json::json!([lacks, value]), stock_no.into())
        });
        let told = serde_json::to_string(&next).map_err(Problem::internal)?;
        let mut made = self.cards(picked.into_iter(), &format!(",\"next\":{told}}}"));
        if let Some(next) = next {
            let link = HeaderValue::from_str(&format!("<{next}>; rel=\"next\""));
            made.link = Some(link.map_err(Problem::internal)?);
        }
        Ok(made)
    }

    /// The cards of some engines as the items of an object, and its end.
    fn cards(&self, picked: impl Iterator<Item = usize>, end: &str) -> Made {
        let mut json = br#"{"items":["#.to_vec();
        let mut tags = String::new();
        for at in picked {
            let engine = &self.stock.engines[at];
            if !tags.is_empty() {
                json.push(b',');
            }
            json.extend_from_slice(engine.card());
            json.push(b'}');
            tags.push_str(&engine.made.etag);
        }
        json.push(b']');
        json.extend_from_slice(end.as_bytes());
        // A card is a part of its listing: where no listing changed, no card did.
        tags.push_str(end);
        Made::with(json, etag_of(tags.as_bytes()))
    }

    /// The whole list, without pages.
    pub fn whole(
        self: &Arc<Self>,
        filters: &PublicFilters,
        sort: Sort,
        form: Form,
    ) -> Result<HttpResponse, Problem> {
        let picker = Picker::new(filters, &self.stock, self.moment.today)?;
        let picked: Vec<usize> = self.stock.picked(&picker, sort, None).collect();
        let view = Arc::clone(self);
        let cards = picked.into_iter().map(move |at| {
            let mut card = view.stock.engines[at].card().to_vec();
            card.push(b'}');
            card
        });
        Ok(list::whole::<super::PublicCard>(cards, form))
    }

    pub fn counts(&self) -> Result<&Made, Problem> {
        if let Some(made) = self.counts.get() {
            return Ok(made);
        }
        let made = Made::of(&self.count())?;
        Ok(self.counts.get_or_init(|| made))
    }

    fn count(&self) -> PublicCounts {
        let mut items = BTreeMap::<_, Count>::new();
        let (mut fuels, mut whytes, mut scales) = (
            BTreeMap::<String, Count>::new(),
            BTreeMap::<String, Count>::new(),
            BTreeMap::<String, Count>::new(),
        );
        for engine in &self.stock.engines {
            let picked = &engine.picked;
            let availability = picked.availability;
            items
                .entry((
                    picked.kind.as_str(),
                    picked.kind,
                    picked.gauge_mm.is_none(),
                    picked.gauge_mm,
                ))
                .or_default()
                .add(availability);
            let valued = [
                (&mut fuels, picked.fuel.map(|it| it.to_string())),
                (&mut whytes, picked.whyte.as_ref().map(ToString::to_string)),
                (&mut scales, picked.scale.as_ref().map(ToString::to_string)),
            ];
            for (counts, value) in valued {
                if let Some(value) = value {
                    counts.entry(value).or_default().add(availability);
                }
            }
        }
        let by_value = |counts: BTreeMap<String, Count>| {
            let counts = counts.into_iter().take(1000);
            counts
                .map(|(value, count)| CountOfValue { value, count })
                .collect()
        };
        PublicCounts {
            items: items
                .into_iter()
                .take(1000)
                .map(|((_, kind, _, gauge_mm), count)| PublicCount {
                    kind,
                    gauge_mm: gauge_mm.map(four_places),
                    count,
                })
                .collect(),
            fuel: by_value(fuels),
            whyte: by_value(whytes),
            scale: by_value(scales),
        }
    }

    /// An answer that is made for the first who asks and kept until the next change, as far as there is room.
    pub fn made_once(
        &self,
        question: &str,
        make: impl FnOnce() -> Result<Made, Problem>,
    ) -> Result<Arc<Made>, Problem> {
        let ready = || self.ready.lock().expect("no holder of this lock can panic");
        if let Some(made) = ready().made.get(question) {
            return Ok(Arc::clone(made));
        }
        let made = Arc::new(make()?);
        let mut ready = ready();
        // What gzip will add is counted too.
        let bytes = made.body.len() + made.body.len() / 4 + question.len();
        if ready.bytes + bytes <= MOST_READY {
            ready.bytes += bytes;
            ready.made.insert(question.to_owned(), Arc::clone(&made));
        }
        Ok(made)
    }
}

impl Look {
    /// None when nothing is shown, or nothing that is true now.
    fn at(shown: watch::Ref<'_, Option<Shown>>, clock: &Clock) -> Option<Look> {
        let Shown { view, checked } = shown.clone()?;
        drop(shown);
        // Read after the window, which may just have been made.
        let now = clock.now();
        view.holds_at(now).then(|| Look {
            now,
            age: checked.elapsed(),
            view,
        })
    }

    pub fn whole(
        &self,
        filters: &PublicFilters,
        sort: Sort,
        form: Form,
    ) -> Result<HttpResponse, Problem> {
        let answer = self.view.whole(filters, sort, form)?;
        Ok(self.told(answer))
    }

    /// 200, or 304 to who has it.
    pub fn answer(&self, req: &HttpRequest, made: &Made) -> HttpResponse {
        let gzip = answers::takes_gzip(req);
        let unchanged = answers::is_known(req, &made.etag);
        let status = if unchanged {
            StatusCode::NOT_MODIFIED
        } else {
            StatusCode::OK
        };
        let mut answer = HttpResponse::new(status);
        let [plain, of_gzip] = &made.tags;
        let headers = answer.headers_mut();
        headers.insert(header::ETAG, if gzip { of_gzip } else { plain }.clone());
        headers.insert(
            header::VARY,
            HeaderValue::from_static("Accept, Accept-Encoding"),
        );
        if let Some(link) = &made.link {
            headers.insert(header::LINK, link.clone());
        }
        if unchanged {
            return self.told(answer);
        }
        headers.insert(header::CONTENT_TYPE, made.media_type.clone());
        let body = if gzip {
            headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
            made.gzip()
        } else {
            made.body.clone()
        };
        self.told(answer.set_body(BoxBody::new(body)))
    }

    /// Lets caches keep the answer, but not past the midnight that ends the day it was made for, and says how old it is.
    fn told(&self, mut answer: HttpResponse) -> HttpResponse {
        let left = self.view.midnight.duration_since(self.now).as_secs();
        let left = u32::try_from(left).unwrap_or(0);
        let headers = answer.headers_mut();
        if let Ok(value) = HeaderValue::from_maybe_shared(public_until_midnight(left)) {
            headers.insert(header::CACHE_CONTROL, value);
        }
        if self.age >= SAYS_ITS_AGE {
            headers.insert(header::AGE, HeaderValue::from(self.age.as_secs()));
        }
        answer
    }
}

impl Count {
    fn add(&mut self, availability: Availability) {
        match availability {
            Availability::ForSale => self.for_sale += 1,
            Availability::Reserved => self.reserved += 1,
            Availability::Sold => self.sold += 1,
        }
    }
}

async fn moment(conn: &mut AsyncPgConnection, now: Timestamp) -> Result<Moment, Problem> {
    let firm = firm::find(conn).await?;
    Ok(Moment {
        feed_id: firm_row::table
            .select(firm_row::feed_id)
            .first(conn)
            .await?,
        today: day_in(&firm.time_zone, now),
        now: Instant(now),
        firm,
    })
}

fn after(list: &ListQuery<PublicFilters>) -> Result<Option<Place>, Problem> {
    let Some((key, id)) = list.after() else {
        return Ok(None);
    };
    let read = || {
        let (lacks, value) = serde_json::from_value(key.clone()).ok()?;
        Some((lacks, value, i32::try_from(id).ok()?))
    };
    let unfit = || Problem::new(problem::INVALID_CURSOR, "the cursor is not of this order");
    Ok(Some(read().ok_or_else(unfit)?))
}

fn count_words(vocabulary: &mut Vocabulary, text: &str) {
    for word in words(text) {
        match vocabulary.get_mut(word) {
            Some(n) => *n += 1,
            None => {
                vocabulary.insert(word.into(), 1);
            }
        }
    }
}

fn forget_words(vocabulary: &mut Vocabulary, text: &str) {
    for word in words(text) {
        if let Some(n) = vocabulary.get_mut(word) {
            *n -= 1;
            if *n == 0 {
                vocabulary.remove(word);
            }
        }
    }
}
