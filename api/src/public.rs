//! All that a visitor may read. The types here name every fact that is public; what they do not name cannot leak.

use crate::{
    clock::{Clock, day_in, seconds_left_of_day},
    codes,
    db::{Db, RunQueryDsl},
    engines::{containing, in_view, standing_at},
    firm::{self, Firm},
    instants::Instant,
    keys::Anyone,
    page::{Keyset, ListQuery, Page, PageParams, any_of, public_until_midnight, shown},
    papers as boiler_papers,
    photographs::{self, PublicPhotograph},
    problem::{self, Problem, Problems},
    schema::{engines, findings, listings, stock, survey_grades, surveys},
    surveys::Grades,
    text::{Code, Line, Prose, Text},
};
use actix_web::{
    HttpRequest, HttpResponse, get,
    http::header::{CACHE_CONTROL, HeaderValue},
    web,
};
use diesel::{dsl::count, prelude::*};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    codes::Jurisdiction,
    days::Day,
    engine::{BuilderStanding, Fuel, GoesWith, Kind, OfferedAs, Scale, Whyte, WorkingOrder},
    money::Money,
    paper_words::{self, Papers},
    papers::{self, Question, Sentence},
    surveys::{Area, BuildQuality, Grade, Severity},
    trade::{Availability, ListingStanding, Standing},
    units::{Length, Mass, four_places},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

pub fn routes(cfg: &mut ServiceConfig<'_>) {
    cfg.service(list_public_listings)
        .service(get_public_listing)
        .service(get_public_counts);
}

/// Findings shown of one engine.
const MOST_FINDINGS: usize = 100;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 417, "title": "Marrowby, a 5 in gauge 0-6-0",
    "words": "Built over nine winters and run twice a year since.", "page_name": "marrowby-a-5-in-gauge-0-6-0-417",
    "on_show_since": "2026-05-02", "page_url": "https://shop.example/engines/marrowby-a-5-in-gauge-0-6-0-417",
    "kind": "locomotive", "name": "Marrowby", "prototype": null, "design": "Marrow", "designer": null,
    "builder": "J. Thackwell", "builder_standing": "amateur", "built_year": 1998,
    "gauge": {"value": "5", "unit": "in", "mm": "127"}, "scale": null, "whyte": "0-6-0", "fuel": "coal",
    "weight": {"value": "150", "unit": "lb", "kg": "68.0389"}, "length": null, "width": null, "height": null,
    "goes_with": ["box"], "offered_as": "steamable", "working_order": "in_running_order", "medals": 1, "full_record": null, "build_quality": "fine",
    "grades": {"boiler": "good", "fittings_and_feeds": null, "cylinders_and_valves": "good", "motion": "fair",
        "wheels_and_axleboxes": null, "frames": "good", "platework_and_paint": "fair", "completeness": "good"}, "graded_on": "2026-04-20", "findings": [], "photographs": [{"alt": "Marrowby from the left, on a bench",
        "sizes": [{"width": 320, "height": 240,
            "url": "/v1/public/photographs/0c8e51b5a6d1a1f8f9a1c9c41e7d5f9f6bb0b1d2ed3b8b0e4f0a4c6d1f7e2a39.jpg"}]}], "price": "7680.00",
    "price_on_request": false, "currency": "GBP", "availability": "for_sale", "papers": {"on": "2026-05-14",
        "words": ["On 2026-05-14 there hold, by the records, a hydraulic paper until 2029-04-02 and a steam paper until 2027-04-02.",
            "These are the papers that the boiler code on file asks for."], "cautions": []}}))]
pub struct PublicListing {
    #[serde(flatten)]
    pub listing: PublicWords,
    /// The engine's page on the shop site; null where the firm has none.
    #[schema(max_length = 400)]
    pub page_url: Option<String>,
    #[serde(flatten)]
    pub engine: PublicEngine,
    /// How well it was made, as last judged.
    pub build_quality: Option<BuildQuality>,
    /// Condition by area at the last survey that graded any.
    pub grades: Grades,
    /// Day of that survey.
    pub graded_on: Option<Day>,
    /// Faults seen that the firm has released, also those put right since.
    #[schema(max_items = 100)]
    pub findings: Vec<PublicFinding>,
    /// The first is the main one.
    #[schema(max_items = 40)]
    pub photographs: Vec<PublicPhotograph>,
    /// What is asked; null while it is told on request.
    pub price: Option<Money>,
    pub price_on_request: bool,
    /// ISO 4217
    pub currency: Code,
    pub availability: Availability,
    pub papers: PublicPapers,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = listings)]
pub struct PublicWords {
    #[schema(minimum = 1)]
    pub stock_no: i32,
    pub title: Line,
    pub words: Prose,
    pub page_name: Line,
    /// The database holds a day for every listing on show.
    #[diesel(select_expression = listings::on_show_since.assume_not_null())]
    #[diesel(select_expression_type = diesel::dsl::AssumeNotNull<listings::on_show_since>)]
    pub on_show_since: Day,
}

/// Null means not known.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = engines)]
pub struct PublicEngine {
    pub kind: Kind,
    pub name: Line,
    pub prototype: Option<Line>,
    pub design: Option<Line>,
    pub designer: Option<Line>,
    pub builder: Option<Line>,
    pub builder_standing: Option<BuilderStanding>,
    #[schema(minimum = 1800, maximum = 2199)]
    pub built_year: Option<i32>,
    pub gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub whyte: Option<Whyte>,
    pub fuel: Option<Fuel>,
    pub weight: Option<Mass>,
    pub length: Option<Length>,
    pub width: Option<Length>,
    pub height: Option<Length>,
    #[schema(max_items = 10)]
    pub goes_with: Vec<GoesWith>,
    pub offered_as: OfferedAs,
    pub working_order: Option<WorkingOrder>,
    /// Won at exhibitions.
    #[schema(minimum = 0, maximum = 100)]
    pub medals: Option<i32>,
    /// Whether drawings, bills and tests are on record from the beginning.
    pub full_record: Option<bool>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = findings)]
pub struct PublicFinding {
    pub area: Area,
    pub severity: Severity,
    pub words: Text<1000>,
    pub found_on: Day,
    /// Null while it is open.
    pub cleared_on: Option<Day>,
}

/// What the records say of the boiler's papers, worked out for the day it is read.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PublicPapers {
    /// The day that the words are true on.
    pub on: Day,
    #[schema(max_items = 2)]
    pub words: Vec<Sentence>,
    #[schema(max_items = 101)]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"items": [{"kind": "locomotive", "gauge_mm": "127", "for_sale": 7, "reserved": 1, "sold": 2}]}))]
pub struct PublicCounts {
    #[schema(max_items = 1000)]
    pub items: Vec<PublicCount>,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct PublicCount {
    pub kind: Kind,
    /// Null for engines without a gauge.
    #[schema(max_length = 20)]
    pub gauge_mm: Option<String>,
    #[schema(minimum = 0)]
    pub for_sale: i64,
    /// Held for somebody just now.
    #[schema(minimum = 0)]
    pub reserved: i64,
    /// Sold and still on show.
    #[schema(minimum = 0)]
    pub sold: i64,
}

/// AND between names, any of the values joined with commas.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PublicFilters {
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "locomotive,road_engine")]
    kind: Vec<Kind>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "127,184.15")]
    gauge_mm: Vec<Decimal>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "coal")]
    fuel: Vec<Fuel>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "0-6-0")]
    whyte: Vec<Whyte>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<String>, max_length = 200, example = "for_sale")]
    availability: Vec<Availability>,
    /// Prices from this, inclusive. Engines whose price is told on request are left out.
    asking_price_from: Option<Money>,
    /// Prices to this, inclusive. Engines whose price is told on request are left out.
    asking_price_to: Option<Money>,
    /// Words that all stand somewhere in title, words, name, prototype, design or builder.
    #[param(max_length = 200, example = "saddle tank")]
    q: Option<Line>,
}

/// Order of the list.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "describes the parameter; ListQuery reads it")]
pub struct PublicSort {
    /// `stock_no`, `asking_price` or `on_show_since`; with `-` downwards. Engines without a price come last.
    #[param(max_length = 20, default = "stock_no", example = "-asking_price")]
    sort: Option<String>,
}

#[derive(Debug, Clone, Copy)]
enum Sort {
    StockNo,
    Price,
    PriceDown,
    OnShow,
    OnShowDown,
}

impl Sort {
    fn read(sent: Option<&str>) -> Result<Sort, Problem> {
        match sent {
            None | Some("stock_no") => Ok(Sort::StockNo),
            Some("asking_price") => Ok(Sort::Price),
            Some("-asking_price") => Ok(Sort::PriceDown),
            Some("on_show_since") => Ok(Sort::OnShow),
            Some("-on_show_since") => Ok(Sort::OnShowDown),
            Some(_) => Err(Problem::new(
                problem::INVALID_QUERY,
                "`sort` is stock_no, asking_price or on_show_since; the last two with - downwards",
            )),
        }
    }

    fn key(self, listing: &PublicListing) -> Value {
        match self {
            Sort::StockNo => Value::Null,
            Sort::Price | Sort::PriceDown => {
                listing.price.map_or(Value::Null, |price| json!(price))
            }
            Sort::OnShow | Sort::OnShowDown => json!(listing.listing.on_show_since),
        }
    }
}

/// The firm and its day, as one request sees them.
#[derive(Clone)]
struct Visit {
    firm: Firm,
    today: Day,
    now: Instant,
}

impl Visit {
    async fn begin(db: &Db, clock: &Clock) -> Result<Visit, Problem> {
        let firm = firm::find(&mut *db.read().await?).await?;
        let now = clock.now();
        Ok(Visit {
            today: day_in(&firm.time_zone, now),
            now: Instant(now),
            firm,
        })
    }

    /// Lets caches keep the answer, but not past the midnight that ends the day it was made for.
    fn end(&self, clock: &Clock, mut answer: HttpResponse) -> Result<HttpResponse, Problem> {
        let now = clock.now();
        let left = if day_in(&self.firm.time_zone, now) == self.today {
            seconds_left_of_day(&self.firm.time_zone, now)
        } else {
            0
        };
        let value =
            HeaderValue::from_str(&public_until_midnight(left)).map_err(Problem::internal)?;
        answer.headers_mut().insert(CACHE_CONTROL, value);
        Ok(answer)
    }
}

// Routes

/// List the engines on show
///
/// Engines that are sold stay on show, marked sold, until the firm takes them off.
#[utoipa::path(tag = "public", operation_id = "list_public_listings", security(()),
    params(PublicFilters, PublicSort, PageParams),
    responses((status = 200, body = Page<PublicListing>), Problems), extensions(("x-roles" = json!([]))))]
#[get("/public/listings")]
async fn list_public_listings(
    _by: Anyone,
    req: HttpRequest,
    db: web::Data<Db>,
    clock: web::Data<Clock>,
    list: ListQuery<PublicFilters>,
) -> Result<HttpResponse, Problem> {
    let sort = Sort::read(list.sort.as_deref())?;
    let visit = Visit::begin(&db, &clock).await?;
    let (filters, seen) = (list.filters.clone(), visit.clone());
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let rows = on_show(conn, &filters, sort, &page, seen.now).await?;
        with_the_rest(conn, rows, &seen).await
    };
    let key = move |listing: &PublicListing| (sort.key(listing), listing.listing.stock_no.into());
    let answer = list.answer(&req, &db, fetch, key).await?;
    visit.end(&clock, answer)
}

/// Read an engine on show
///
/// 410 once the firm has taken it off show.
#[utoipa::path(tag = "public", operation_id = "get_public_listing", security(()),
    params(("stock_no" = i32, Path, example = 417, minimum = 1)),
    responses((status = 200, body = PublicListing), Problems), extensions(("x-roles" = json!([]))))]
#[get("/public/listings/{stock_no:\\d+}")]
async fn get_public_listing(
    _by: Anyone,
    req: HttpRequest,
    db: web::Data<Db>,
    clock: web::Data<Clock>,
    stock_no: web::Path<i32>,
) -> Result<HttpResponse, Problem> {
    let visit = Visit::begin(&db, &clock).await?;
    let mut conn = db.read().await?;
    let row = one_on_show(&mut conn, *stock_no).await?;
    let listing = with_the_rest(&mut conn, vec![row], &visit).await?.pop();
    let listing = listing.expect("one for each row that was given");
    visit.end(&clock, shown(&req, &listing)?)
}

/// Count the engines on show
///
/// By kind and gauge.
#[utoipa::path(tag = "public", operation_id = "get_public_counts", security(()),
    responses((status = 200, body = PublicCounts), Problems), extensions(("x-roles" = json!([]))))]
#[get("/public/counts")]
async fn get_public_counts(
    _by: Anyone,
    req: HttpRequest,
    db: web::Data<Db>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, Problem> {
    let visit = Visit::begin(&db, &clock).await?;
    let counts = counts(&mut *db.read().await?, visit.now).await?;
    visit.end(&clock, shown(&req, &counts)?)
}

/// The RFC 6570 template of the firm with the page's name in it; a page name needs no encoding.
fn page_url(firm: &Firm, page_name: &str) -> Option<String> {
    let template = firm.page_url.as_ref()?;
    Some(template.replace("{page_name}", page_name))
}

/// An engine that goes without a sale is taken off show, and so is never asked about.
fn availability(standing: Standing) -> Availability {
    match standing {
        Standing::InStock => Availability::ForSale,
        Standing::Reserved => Availability::Reserved,
        Standing::Sold | Standing::Delivered | Standing::Gone => Availability::Sold,
    }
}

// SQL

/// What one join gives of an engine on show.
#[derive(Queryable, Selectable)]
#[diesel(table_name = engines)]
struct Row {
    #[diesel(embed)]
    listing: PublicWords,
    #[diesel(embed)]
    engine: PublicEngine,
    #[diesel(embed)]
    trade: RowOfStock,
    has_boiler: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = stock)]
struct RowOfStock {
    standing: Standing,
    public_price: Option<Money>,
    boiler_id: Option<i64>,
    reserved_until: Option<Instant>,
}

async fn on_show(
    conn: &mut AsyncPgConnection,
    filters: &PublicFilters,
    sort: Sort,
    page: &Keyset,
    now: Instant,
) -> Result<Vec<Row>, Problem> {
    let mut query = engines::table
        .inner_join(listings::table)
        .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
        .filter(listings::standing.eq(ListingStanding::OnShow))
        .select(Row::as_select())
        .limit(page.limit)
        .into_boxed();
    if !filters.kind.is_empty() {
        query = query.filter(engines::kind.eq_any(filters.kind.clone()));
    }
    if !filters.gauge_mm.is_empty() {
        query = query.filter(engines::gauge_mm.eq_any(filters.gauge_mm.clone()));
    }
    if !filters.fuel.is_empty() {
        query = query.filter(engines::fuel.eq_any(filters.fuel.clone()));
    }
    if !filters.whyte.is_empty() {
        query = query.filter(engines::whyte.eq_any(filters.whyte.clone()));
    }
    if !filters.availability.is_empty() {
        let standings = Standing::ALL.iter().copied();
        let wanted = standings.filter(|one| filters.availability.contains(&availability(*one)));
        let (of_view, reserved) = in_view(&wanted.collect::<Vec<_>>());
        query = query.filter(stock::standing.eq_any(of_view));
        query = match reserved {
            None => query,
            Some(true) => query.filter(
                stock::standing
                    .ne(Standing::InStock)
                    .or(stock::reserved_until.assume_not_null().gt(now)),
            ),
            Some(false) => query.filter(
                stock::standing
                    .ne(Standing::InStock)
                    .or(stock::reserved_until.is_null())
                    .or(stock::reserved_until.assume_not_null().le(now)),
            ),
        };
    }
    if let Some(from) = filters.asking_price_from {
        query = query.filter(stock::public_price.ge(from));
    }
    if let Some(to) = filters.asking_price_to {
        query = query.filter(stock::public_price.le(to));
    }
    for word in filters.q.iter().flat_map(|words| words.split_whitespace()) {
        let word = containing(word);
        query = query.filter(
            listings::title
                .ilike(word.clone())
                .or(listings::words.ilike(word.clone()))
                .or(engines::name.ilike(word.clone()))
                .or(engines::prototype.ilike(word.clone()))
                .or(engines::design.ilike(word.clone()))
                .or(engines::builder.ilike(word)),
        );
    }
    let after = after(sort, page)?;
    query = match sort {
        Sort::StockNo => query.order(engines::stock_no.asc()),
        Sort::Price => query.order((
            stock::public_price.asc().nulls_last(),
            engines::stock_no.asc(),
        )),
        Sort::PriceDown => query.order((
            stock::public_price.desc().nulls_last(),
            engines::stock_no.asc(),
        )),
        Sort::OnShow => query.order((listings::on_show_since.asc(), engines::stock_no.asc())),
        Sort::OnShowDown => query.order((listings::on_show_since.desc(), engines::stock_no.asc())),
    };
    query = match after {
        None => query,
        Some((After::StockNo, id)) => query.filter(engines::stock_no.gt(id)),
        Some((After::Unpriced, id)) => {
            query.filter(stock::public_price.is_null().and(engines::stock_no.gt(id)))
        }
        Some((After::Price(price), id)) => {
            let level = stock::public_price.eq(price).and(engines::stock_no.gt(id));
            let unpriced = stock::public_price.is_null();
            match sort {
                Sort::PriceDown => {
                    query.filter(unpriced.or(stock::public_price.lt(price)).or(level))
                }
                Sort::Price | Sort::StockNo | Sort::OnShow | Sort::OnShowDown => {
                    query.filter(unpriced.or(stock::public_price.gt(price)).or(level))
                }
            }
        }
        Some((After::OnShow(day), id)) => {
            let level = listings::on_show_since
                .eq(day)
                .and(engines::stock_no.gt(id));
            match sort {
                Sort::OnShowDown => query.filter(listings::on_show_since.lt(day).or(level)),
                Sort::OnShow | Sort::StockNo | Sort::Price | Sort::PriceDown => {
                    query.filter(listings::on_show_since.gt(day).or(level))
                }
            }
        }
    };
    Ok(query.load(conn).await?)
}

/// The sort key of the last item of the page before.
enum After {
    StockNo,
    Unpriced,
    Price(Money),
    OnShow(Day),
}

fn after(sort: Sort, page: &Keyset) -> Result<Option<(After, i32)>, Problem> {
    let Some((key, id)) = &page.after else {
        return Ok(None);
    };
    let unfit = || Problem::new(problem::INVALID_CURSOR, "the cursor is not of this order");
    let key = match (sort, key) {
        (Sort::StockNo, _) => After::StockNo,
        (Sort::Price | Sort::PriceDown, Value::Null) => After::Unpriced,
        (Sort::Price | Sort::PriceDown, key) => {
            let price = key.as_str().and_then(|text| text.parse().ok());
            After::Price(price.ok_or_else(unfit)?)
        }
        (Sort::OnShow | Sort::OnShowDown, key) => {
            let day = key.as_str().and_then(|text| text.parse().ok());
            After::OnShow(day.ok_or_else(unfit)?)
        }
    };
    Ok(Some((key, i32::try_from(*id).map_err(|_| unfit())?)))
}

/// Of a draft nothing is said, not even that it is there.
async fn one_on_show(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Row, Problem> {
    let row: Option<Row> = engines::table
        .inner_join(listings::table)
        .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
        .filter(engines::stock_no.eq(stock_no))
        .filter(listings::standing.eq(ListingStanding::OnShow))
        .select(Row::as_select())
        .first(conn)
        .await
        .optional()?;
    if let Some(row) = row {
        return Ok(row);
    }
    let withdrawn = listings::table
        .find(stock_no)
        .filter(listings::standing.eq(ListingStanding::Withdrawn));
    let was_on_show: bool = diesel::select(diesel::dsl::exists(withdrawn))
        .get_result(conn)
        .await?;
    Err(if was_on_show {
        let detail = format!("engine {stock_no} is no longer on show");
        Problem::new(problem::GONE, detail)
    } else {
        Problem::not_found(format!("no engine {stock_no} is on show"))
    })
}

/// The listings of some rows, in their order.
async fn with_the_rest(
    conn: &mut AsyncPgConnection,
    rows: Vec<Row>,
    visit: &Visit,
) -> Result<Vec<PublicListing>, Problem> {
    let stock_nos: Vec<i32> = rows.iter().map(|row| row.listing.stock_no).collect();
    let mut conditions = conditions(conn, &stock_nos).await?;
    let mut released = released_findings(conn, &stock_nos).await?;
    let mut photographs = photographs::shown_to_visitors(conn, &stock_nos).await?;
    let boiler_ids: Vec<i64> = rows.iter().filter_map(|row| row.trade.boiler_id).collect();
    let mut papers =
        papers_by_boiler(conn, &boiler_ids, &visit.firm.jurisdiction, visit.today).await?;
    let mut listings = Vec::with_capacity(rows.len());
    for row in rows {
        let stock_no = row.listing.stock_no;
        let papers = match (row.has_boiler, row.trade.boiler_id) {
            (false, _) => public_papers(Papers::NoBoiler, visit.today),
            (true, None) => public_papers(Papers::NotKnown, visit.today),
            (true, Some(boiler)) => papers
                .remove(&boiler)
                .unwrap_or_else(|| public_papers(Papers::NotKnown, visit.today)),
        };
        let Condition {
            build_quality,
            grades,
            graded_on,
        } = conditions.remove(&stock_no).unwrap_or_default();
        listings.push(PublicListing {
            page_url: page_url(&visit.firm, &row.listing.page_name),
            build_quality,
            grades,
            graded_on,
            findings: released.remove(&stock_no).unwrap_or_default(),
            photographs: photographs.remove(&stock_no).unwrap_or_default(),
            price: row.trade.public_price,
            price_on_request: row.trade.public_price.is_none(),
            currency: visit.firm.currency.clone(),
            availability: availability(standing_at(
                row.trade.standing,
                row.trade.reserved_until,
                visit.now,
            )),
            papers,
            listing: row.listing,
            engine: row.engine,
        });
    }
    Ok(listings)
}

/// What the surveys say of an engine.
#[derive(Default)]
pub(crate) struct Condition {
    pub build_quality: Option<BuildQuality>,
    pub grades: Grades,
    pub graded_on: Option<Day>,
}

pub(crate) async fn condition_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Condition, Problem> {
    let mut found = conditions(conn, &[stock_no]).await?;
    Ok(found.remove(&stock_no).unwrap_or_default())
}

async fn conditions(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Condition>, Problem> {
    let qualities: Vec<(i32, Option<BuildQuality>)> = surveys::table
        .filter(surveys::stock_no.eq_any(stock_nos))
        .filter(surveys::build_quality.is_not_null())
        .distinct_on(surveys::stock_no)
        .order((
            surveys::stock_no,
            surveys::on_day.desc(),
            surveys::id.desc(),
        ))
        .select((surveys::stock_no, surveys::build_quality))
        .load(conn)
        .await?;
    let graded = survey_grades::table.filter(survey_grades::survey_id.eq(surveys::id));
    let last_graded: Vec<(i64, i32, Day)> = surveys::table
        .filter(surveys::stock_no.eq_any(stock_nos))
        .filter(diesel::dsl::exists(graded))
        .distinct_on(surveys::stock_no)
        .order((
            surveys::stock_no,
            surveys::on_day.desc(),
            surveys::id.desc(),
        ))
        .select((surveys::id, surveys::stock_no, surveys::on_day))
        .load(conn)
        .await?;
    let ids: Vec<i64> = last_graded.iter().map(|(id, ..)| *id).collect();
    let grades: Vec<(i64, Area, Grade)> = survey_grades::table
        .filter(survey_grades::survey_id.eq_any(ids))
        .select((
            survey_grades::survey_id,
            survey_grades::area,
            survey_grades::grade,
        ))
        .load(conn)
        .await?;
    let mut conditions = HashMap::<i32, Condition>::new();
    for (stock_no, build_quality) in qualities {
        conditions.entry(stock_no).or_default().build_quality = build_quality;
    }
    for (survey, stock_no, on) in last_graded {
        let condition = conditions.entry(stock_no).or_default();
        condition.graded_on = Some(on);
        let of_survey = grades.iter().filter(|(of, ..)| *of == survey);
        for (_, area, grade) in of_survey {
            *condition.grades.of(*area) = Some(*grade);
        }
    }
    Ok(conditions)
}

async fn released_findings(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Vec<PublicFinding>>, Problem> {
    let rows: Vec<(i32, PublicFinding)> = findings::table
        .filter(findings::stock_no.eq_any(stock_nos))
        .filter(findings::released)
        .order(findings::id.desc())
        .limit(20_000)
        .select((findings::stock_no, PublicFinding::as_select()))
        .load(conn)
        .await?;
    let mut by_engine = HashMap::<i32, Vec<PublicFinding>>::new();
    for (stock_no, finding) in rows {
        let of_engine = by_engine.entry(stock_no).or_default();
        if of_engine.len() < MOST_FINDINGS {
            of_engine.push(finding);
        }
    }
    Ok(by_engine)
}

/// What is on record of the papers of an engine on a day.
pub(crate) async fn papers_of(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
    has_boiler: bool,
    boiler_id: Option<i64>,
    on: Day,
) -> Result<PublicPapers, Problem> {
    if !has_boiler {
        return Ok(public_papers(Papers::NoBoiler, on));
    }
    let ids: Vec<i64> = boiler_id.into_iter().collect();
    let found = papers_by_boiler(conn, &ids, jurisdiction, on).await?;
    let of_boiler = found.into_values().next();
    Ok(of_boiler.unwrap_or_else(|| public_papers(Papers::NotKnown, on)))
}

/// What is on record of the papers of each boiler on a day.
async fn papers_by_boiler(
    conn: &mut AsyncPgConnection,
    boiler_ids: &[i64],
    jurisdiction: &Jurisdiction,
    on: Day,
) -> Result<HashMap<i64, PublicPapers>, Problem> {
    if boiler_ids.is_empty() {
        return Ok(HashMap::new());
    }
    let rules = codes::rules_of(conn, jurisdiction).await?;
    let histories = boiler_papers::histories(conn, boiler_ids).await?;
    let by_boiler = histories.into_iter().map(|history| {
        let answer = history.boiler().map(|boiler| {
            let question = Question {
                jurisdiction: jurisdiction.clone(),
                boiler,
                events: history.events,
                days: vec![on],
                period: None,
            };
            papers::answer(&question, &rules)
        });
        let clock = answer.as_ref().map_or(Papers::NotKnown, Papers::Clock);
        (history.particulars.id, public_papers(clock, on))
    });
    Ok(by_boiler.collect())
}

fn public_papers(papers: Papers<'_>, today: Day) -> PublicPapers {
    let cautions = match papers {
        Papers::NoBoiler => Vec::new(),
        Papers::NotKnown => vec![Sentence::new(paper_words::CAUTION)],
        Papers::Clock(answer) => [Sentence::new(paper_words::CAUTION)]
            .into_iter()
            .chain(answer.cautions.iter().take(100).cloned())
            .collect(),
    };
    PublicPapers {
        on: today,
        words: paper_words::sentences(papers, today),
        cautions,
    }
}

async fn counts(conn: &mut AsyncPgConnection, now: Instant) -> Result<PublicCounts, Problem> {
    let in_stock = stock::standing.eq(Standing::InStock);
    let reserved = in_stock
        .and(stock::reserved_until.is_not_null())
        .and(stock::reserved_until.assume_not_null().gt(now));
    let rows: Vec<(Kind, Option<Decimal>, i64, i64, i64)> = engines::table
        .inner_join(listings::table)
        .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
        .filter(listings::standing.eq(ListingStanding::OnShow))
        .group_by((engines::kind, engines::gauge_mm))
        .select((
            engines::kind,
            engines::gauge_mm,
            count(engines::stock_no).aggregate_filter(in_stock),
            count(engines::stock_no).aggregate_filter(reserved),
            count(engines::stock_no).aggregate_filter(stock::standing.ne(Standing::InStock)),
        ))
        .order((engines::kind, engines::gauge_mm))
        .limit(1000)
        .load(conn)
        .await?;
    let items = rows
        .into_iter()
        .map(|(kind, gauge_mm, in_stock, reserved, sold)| PublicCount {
            kind,
            gauge_mm: gauge_mm.map(four_places),
            for_sale: in_stock - reserved,
            reserved,
            sold,
        })
        .collect();
    Ok(PublicCounts { items })
}
