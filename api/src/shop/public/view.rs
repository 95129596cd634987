//! A view of the published engines, valid from one moment to another, and the response bodies made from it.

use super::{
    Count, CountOfValue, PublicCount, PublicCounts, PublicFilters,
    feeds::{FeedEntry, schema_org},
    list::{ListingQuery, Place, PublicSort, Vocabulary, similar},
    load::{self, Loaded, Moment},
    on_show::{self, OnShow, OnShowIndex, RenderedBody},
};
use crate::{
    firm::firm,
    ground::{
        answers::{Reply, etag_of},
        clock::{Instant, day_in, seconds_left_of_day},
        db::RunQueryDsl,
        entries::is_of_all_engines,
        list::{self, Form, ListQuery},
        problem::{self, Problem},
    },
    schema::{firm as firm_row, journal},
};
use actix_web::{HttpRequest, http::header::HeaderValue};
use diesel::{
    dsl::sql,
    prelude::*,
    sql_types::{Bool, Text},
};
use diesel_async::AsyncPgConnection;
use jiff::{SignedDuration, Timestamp};
use outshop_core::{days::Day, trade::Availability, units::four_places};
use std::{
    collections::{BTreeMap, BTreeSet, HashMap},
    sync::{Arc, Mutex, OnceLock},
};
use uuid::Uuid;

/// The most bytes of finished lists that are kept until the next change.
const MOST_READY: usize = 16 * 1024 * 1024;

pub(super) enum Changed {
    All,
    /// By stock number.
    Some(Vec<i32>),
}

/// All published engines, valid from one moment to another.
pub(super) struct Snapshot {
    moment: Moment,
    /// The firm's midnight, or an earlier end of a reservation.
    until: Timestamp,
    pub(super) midnight: Timestamp,
    stock: OnShowIndex,
    withdrawn: Arc<BTreeSet<i32>>,
    counts: OnceLock<RenderedBody>,
    ready: Mutex<Ready>,
}

#[derive(Default)]
struct Ready {
    bytes: usize,
    made: HashMap<String, Arc<RenderedBody>>,
}

impl Snapshot {
    pub(super) async fn of_all(
        conn: &mut AsyncPgConnection,
        now: Timestamp,
    ) -> Result<Snapshot, Problem> {
        let moment = moment(conn, now).await?;
        let (mut vocabulary, mut engines) = (Vocabulary::new(), Vec::new());
        let take = |stretch: Vec<Loaded>| {
            for loaded in stretch {
                let engine = OnShow::new(&loaded)?;
                on_show::count_words(&mut vocabulary, &engine.text);
                engines.push(Arc::new(engine));
            }
            Ok(())
        };
        load::all(conn, &moment, take).await?;
        let withdrawn = load::withdrawn(conn).await?.into_iter().collect();
        let stock = OnShowIndex::new(engines, Arc::new(vocabulary));
        Ok(Snapshot::new(moment, stock, Arc::new(withdrawn)))
    }

    fn new(moment: Moment, stock: OnShowIndex, withdrawn: Arc<BTreeSet<i32>>) -> Snapshot {
        let left = seconds_left_of_day(&moment.firm.time_zone, moment.now.0);
        let midnight = moment.now.0 + SignedDuration::from_secs(i64::from(left));
        let ends = stock.engines.iter().filter_map(|it| it.reserved_until);
        let until = ends.map(|end| end.0).chain([midnight]).min();
        Snapshot {
            moment,
            until: until.unwrap_or(midnight),
            midnight,
            stock,
            withdrawn,
            counts: OnceLock::new(),
            ready: Mutex::default(),
        }
    }

    /// Digest of each public listing without its date, by stock number.
    pub fn digests(&self) -> impl Iterator<Item = (i32, [u8; 32])> {
        let engines = self.stock.engines.iter();
        engines.map(|engine| (engine.picked.stock_no, engine.digest))
    }

    pub(super) fn holds_at(&self, now: Timestamp) -> bool {
        (self.moment.now.0..self.until).contains(&now)
    }

    /// Engines with journal entries that were not committed at `seen`, and those with reservations that have ended.
    ///
    /// An entry gets its number before its transaction ends, so a later number may appear first; snapshots do not
    /// miss the earlier one.
    pub(super) async fn changed_since(
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
            // Entries of these types are the result of what is read here.
            .filter(journal::type_.not_like("public.%"))
            .select((journal::stock_no, journal::type_))
            .distinct()
            .load(conn)
            .await?;
        if entries.iter().any(|(_, what)| is_of_all_engines(what)) {
            return Ok(Changed::All);
        }
        let named = entries.into_iter().filter_map(|(stock_no, _)| stock_no);
        let ended = self.stock.engines.iter().filter(|engine| {
            let until = engine.reserved_until;
            until.is_some_and(|until| until.0 <= now)
        });
        let engines: BTreeSet<i32> = named
            .chain(ended.map(|engine| engine.picked.stock_no))
            .collect();
        Ok(Changed::Some(engines.into_iter().collect()))
    }

    /// The same view with some engines read again.
    pub(super) async fn with(
        &self,
        conn: &mut AsyncPgConnection,
        changed: &[i32],
        now: Timestamp,
    ) -> Result<Snapshot, Problem> {
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
            // Most changes do not change the texts.
            match gone.get(&stock_no) {
                Some(before) if before.text == engine.text => {
                    gone.remove(&stock_no);
                }
                _ => on_show::count_words(Arc::make_mut(&mut vocabulary), &engine.text),
            }
            engines.insert(stock_no, Arc::new(engine));
        }
        for engine in gone.values() {
            on_show::forget_words(Arc::make_mut(&mut vocabulary), &engine.text);
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
        let stock = OnShowIndex::new(engines.into_values().collect(), vocabulary);
        Ok(Snapshot::new(moment, stock, withdrawn))
    }

    /// The position of a published engine, or why there is none.
    fn position(&self, stock_no: i32) -> Result<usize, Problem> {
        let found = self
            .stock
            .facts
            .binary_search_by_key(&stock_no, |facts| facts.stock_no);
        found.map_err(|_| {
            if self.withdrawn.contains(&stock_no) {
                let detail = format!("engine {stock_no} is no longer published");
                Problem::new(problem::GONE, detail)
            } else {
                // Say nothing about a draft, not even that it exists.
                Problem::not_found(format!("no engine {stock_no} is published"))
            }
        })
    }

    pub fn listing(&self, stock_no: i32) -> Result<&RenderedBody, Problem> {
        let at = self.position(stock_no)?;
        Ok(&self.stock.engines[at].made)
    }

    /// The engine as schema.org data.
    pub fn schema_org(&self, stock_no: i32) -> Result<Arc<RenderedBody>, Problem> {
        let engine = &self.stock.engines[self.position(stock_no)?];
        self.made_once(&format!("schema.org of {stock_no}"), || {
            let listing = engine.listing()?;
            let product = schema_org(&listing, self.firm(), engine.picked.availability);
            let json = serde_json::to_vec(&product).map_err(Problem::internal)?;
            Ok(RenderedBody::of_bytes(json, "application/ld+json"))
        })
    }

    /// The engines published last, the latest first.
    pub fn latest(&self, most: usize) -> Result<Vec<FeedEntry>, Problem> {
        let order = self.stock.order(PublicSort::OnShowDown).iter().take(most);
        let latest = order.map(|at| {
            let engine = &self.stock.engines[*at as usize];
            let listing = engine.listing()?;
            let text = |member: &str| listing[member].as_str().map(str::to_owned);
            Ok(FeedEntry {
                stock_no: engine.picked.stock_no,
                title: text("title").unwrap_or_default(),
                description: text("description").unwrap_or_default(),
                page_url: text("page_url"),
                on_show_since: engine.picked.on_show_since,
                sold_on: engine.picked.sold_on,
            })
        });
        latest.collect()
    }

    pub fn today(&self) -> Day {
        self.moment.today
    }

    pub fn firm(&self) -> &str {
        &self.moment.firm.name
    }

    /// The language of titles and descriptions.
    pub fn language(&self) -> &str {
        self.moment.firm.languages[0].as_str()
    }

    pub fn feed_id(&self) -> Uuid {
        self.moment.feed_id
    }

    pub fn similar(&self, stock_no: i32) -> Result<Arc<RenderedBody>, Problem> {
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
    ) -> Result<RenderedBody, Problem> {
        let sort = list.filters.sort;
        let picker = ListingQuery::new(&list.filters, &self.stock, self.moment.today)?;
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
        let next_json = serde_json::to_string(&next).map_err(Problem::internal)?;
        let mut made = self.cards(picked.into_iter(), &format!(",\"next\":{next_json}}}"));
        if let Some(next) = next {
            let link = HeaderValue::from_str(&format!("<{next}>; rel=\"next\""));
            made.link = Some(link.map_err(Problem::internal)?);
        }
        Ok(made)
    }

    /// An object with the cards of some engines as `items`, and `end` after them.
    fn cards(&self, picked: impl Iterator<Item = usize>, end: &str) -> RenderedBody {
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
        // A card is part of its listing: if no listing changed, no card did.
        tags.push_str(end);
        RenderedBody::with(json, etag_of(tags.as_bytes()))
    }

    /// The whole list, without pages.
    pub fn whole(self: &Arc<Self>, filters: &PublicFilters, form: Form) -> Reply {
        let picker = ListingQuery::new(filters, &self.stock, self.moment.today)?;
        let picked: Vec<usize> = self.stock.picked(&picker, filters.sort, None).collect();
        let view = Arc::clone(self);
        let cards = picked.into_iter().map(move |at| {
            let mut card = view.stock.engines[at].card().to_vec();
            card.push(b'}');
            card
        });
        Ok(list::whole::<super::PublicCard>(cards, form))
    }

    pub fn counts(&self) -> Result<&RenderedBody, Problem> {
        if let Some(made) = self.counts.get() {
            return Ok(made);
        }
        let made = RenderedBody::of(&self.count())?;
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

    /// A response body that is made for the first request and kept until the next change, if there is room.
    pub fn made_once(
        &self,
        question: &str,
        make: impl FnOnce() -> Result<RenderedBody, Problem>,
    ) -> Result<Arc<RenderedBody>, Problem> {
        let ready = || self.ready.lock().expect("no holder of this lock can panic");
        if let Some(made) = ready().made.get(question) {
            return Ok(Arc::clone(made));
        }
        let made = Arc::new(make()?);
        let mut ready = ready();
        // Count what gzip will add, too.
        let bytes = made.body.len() + made.body.len() / 4 + question.len();
        if ready.bytes + bytes <= MOST_READY {
            ready.bytes += bytes;
            ready.made.insert(question.to_owned(), Arc::clone(&made));
        }
        Ok(made)
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
    let unfit = || {
        Problem::new(
            problem::INVALID_CURSOR,
            "the cursor is not of this order; start again without `cursor`",
        )
    };
    Ok(Some(read().ok_or_else(unfit)?))
}
