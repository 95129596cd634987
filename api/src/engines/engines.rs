//! Engines: one physical machine each, under a stock number that never repeats.

pub(crate) mod rules;

use crate::{
    boilers::boilers::{self, Boiler},
    engines::photographs::{self, Photograph},
    ground::{
        actor::{FloorStaff, Staff},
        answers::{Reply, respond},
        body::Patch,
        clock::Instant,
        confirmations::{self},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{self, Problem},
        query::{Query, any_of},
        text::{Line, Prose, Text, at_most, containing},
    },
    schema::{engines, stock},
};
use actix_web::{HttpRequest, web};
use diesel::{
    dsl::sql,
    prelude::*,
    sql_types::{Array, Bool, Numeric},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    engines::engine::{
        BuilderStanding, Feed, Fuel, IncludedItem, Kind, OfferedAs, SOUGHT_WITHIN_MM, Scale, Whyte,
        WorkingOrder,
    },
    money::Money,
    sense::Member,
    trade::{ListingStatus, StockStatus},
    units::{Force, Length, Mass, nought_or_more},
};
use outshop_operation::{get, patch};
use rules::{Checked, broken_rules};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("engines")
        .service(list_engines)
        .service(get_engine)
        .service(change_engine);
}

// Types

/// Everything known about the engine itself; null means not known.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = engines)]
pub struct Particulars {
    /// Never reused.
    pub stock_no: i32,
    pub kind: Kind,
    /// The firm's name for it.
    pub name: Line,
    /// The full-size engine that it models.
    pub prototype: Option<Line>,
    /// The published design that it was built to.
    pub design: Option<Line>,
    pub designer: Option<Line>,
    pub builder: Option<Line>,
    /// Whether the builder was an amateur or a professional.
    pub builder_standing: Option<BuilderStanding>,
    /// Year in which it was finished; null: not known.
    #[schema(minimum = 1800, maximum = 2199)]
    pub built_year: Option<i32>,
    pub gauge: Option<Length>,
    /// Gauge of the full-size track; a narrow-gauge scale is derived from it.
    pub prototype_gauge: Option<Length>,
    /// As stated, such as 1:8 or 3 in to the foot.
    pub scale: Option<Scale>,
    /// Wheel arrangement; only for a locomotive.
    pub whyte: Option<Whyte>,
    /// Number of cylinders; null: not known.
    #[schema(minimum = 1, maximum = 12)]
    pub cylinders: Option<i32>,
    pub bore: Option<Length>,
    pub stroke: Option<Length>,
    /// Tread diameter.
    pub driving_wheel_diameter: Option<Length>,
    /// Weight as lifted.
    pub weight: Option<Mass>,
    /// Weight on the coupled wheels, in working order.
    pub adhesive_weight: Option<Mass>,
    pub length: Option<Length>,
    pub width: Option<Length>,
    pub height: Option<Length>,
    /// Between the outermost axles without side play; null: not known.
    pub rigid_wheelbase: Option<Length>,
    /// Total side play of the rigid wheelbase.
    pub side_play: Option<Length>,
    /// As stated by the maker or a document; shown beside the calculated figure, never instead of it.
    pub stated_tractive_effort: Option<Force>,
    pub fuel: Option<Fuel>,
    #[schema(max_items = 10)]
    pub feeds: Vec<Feed>,
    /// What is sold with it.
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    /// Physical condition, not the status in the trade.
    pub working_order: Option<WorkingOrder>,
    pub offered_as: OfferedAs,
    /// false for an engine built without a boiler.
    pub has_boiler: bool,
    /// null: nobody has checked.
    pub asbestos_suspected: Option<bool>,
    /// Number won at exhibitions.
    #[schema(minimum = 0, maximum = 100)]
    pub medals: Option<i32>,
    /// Whether drawings, bills and tests are on record from the start.
    pub full_record: Option<bool>,
    /// Where in the works it is kept.
    pub place: Option<Line>,
    pub notes: Option<Prose>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// The status of an engine, derived from the records.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = stock)]
pub struct InStock {
    pub status: StockStatus,
    /// null: no price is set.
    pub asking_price: Option<Money>,
    /// The boiler now in the engine; null: none.
    pub boiler_id: Option<i64>,
    /// null: it has no listing.
    pub listing: Option<ListingStatus>,
    /// When the reservation lapses; null: not reserved.
    pub reserved_until: Option<Instant>,
}

impl InStock {
    /// Applies the clock to a row of the stock view: a reservation counts only until `reserved_until`.
    fn at(&mut self, now: Instant) {
        self.status = crate::stock::status_at(self.status, self.reserved_until, now);
        match self.status {
            StockStatus::Reserved => {}
            StockStatus::InStock
            | StockStatus::Sold
            | StockStatus::Delivered
            | StockStatus::Gone => {
                self.reserved_until = None;
            }
        }
    }
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[schema(example = json!({"stock_no": 10, "kind": "locomotive", "name": "Marrowby", "prototype": null, "design": "Marrow",
    "designer": null, "builder": "J. Thackwell", "builder_standing": "amateur", "built_year": 1998,
    "gauge": {"value": "5", "unit": "in", "mm": "127"}, "prototype_gauge": null, "scale": null, "whyte": "0-6-0",
    "cylinders": 2, "bore": {"value": "1 1/2", "unit": "in", "mm": "38.1"}, "stroke": {"value": "2", "unit": "in", "mm": "50.8"},
    "driving_wheel_diameter": {"value": "4 1/2", "unit": "in", "mm": "114.3"}, "weight": {"value": "150", "unit": "lb", "kg": "68.0389"},
    "adhesive_weight": null, "length": null, "width": null, "height": null, "rigid_wheelbase": null, "side_play": null,
    "stated_tractive_effort": null, "fuel": "coal", "feeds": ["injector", "axle_pump"], "included_items": ["box"],
    "working_order": "in_running_order", "offered_as": "steamable", "has_boiler": true, "asbestos_suspected": false,
    "medals": 1, "full_record": null, "place": "bay 3", "notes": null, "confirmed": [], "status": "in_stock", "asking_price": "7680.00", "boiler_id": 88, "listing": "published", "reserved_until": null}))]
pub struct Engine {
    #[serde(flatten)]
    #[diesel(embed)]
    pub particulars: Particulars,
    #[serde(flatten)]
    #[diesel(embed)]
    pub in_stock: InStock,
}

#[derive(Debug, Deserialize, Insertable, AsChangeset, ToSchema)]
#[diesel(table_name = engines, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"kind": "locomotive", "name": "Marrowby", "place": "bay 3", "weight": {"value": "150", "unit": "lb"}}))]
pub struct NewEngine {
    pub kind: Kind,
    pub name: Line,
    /// The full-size engine that it models.
    pub prototype: Option<Line>,
    /// The published design that it was built to.
    pub design: Option<Line>,
    pub designer: Option<Line>,
    pub builder: Option<Line>,
    /// Whether the builder was an amateur or a professional.
    pub builder_standing: Option<BuilderStanding>,
    /// Year in which it was finished; null: not known.
    #[schema(minimum = 1800, maximum = 2199)]
    pub built_year: Option<i32>,
    pub gauge: Option<Length>,
    /// Gauge of the full-size track; a narrow-gauge scale is derived from it.
    pub prototype_gauge: Option<Length>,
    /// As stated, such as 1:8 or 3 in to the foot.
    pub scale: Option<Scale>,
    /// Wheel arrangement; only for a locomotive.
    pub whyte: Option<Whyte>,
    /// Number of cylinders; null: not known.
    #[schema(minimum = 1, maximum = 12)]
    pub cylinders: Option<i32>,
    pub bore: Option<Length>,
    pub stroke: Option<Length>,
    /// Tread diameter.
    pub driving_wheel_diameter: Option<Length>,
    /// Weight as lifted. Needs confirming if it is unusual for the gauge of a locomotive, or for the length, width and
    /// height.
    pub weight: Option<Mass>,
    /// true: accept a weight outside the usual limits.
    #[serde(default)]
    #[diesel(skip_insertion, skip_update)]
    pub weight_confirmed: bool,
    /// Weight on the coupled wheels, in working order.
    pub adhesive_weight: Option<Mass>,
    pub length: Option<Length>,
    pub width: Option<Length>,
    pub height: Option<Length>,
    /// Between the outermost axles without side play; null: not known.
    pub rigid_wheelbase: Option<Length>,
    /// Total side play of the rigid wheelbase; 0: none.
    #[serde(default, deserialize_with = "nought_or_more")]
    pub side_play: Option<Length>,
    /// As stated by the maker or a document; shown beside the calculated figure, never instead of it.
    pub stated_tractive_effort: Option<Force>,
    pub fuel: Option<Fuel>,
    #[serde(default, deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub feeds: Vec<Feed>,
    /// What is sold with it.
    #[serde(default, deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    /// Physical condition, not the status in the trade.
    pub working_order: Option<WorkingOrder>,
    /// Default: `steamable`.
    #[serde(default = "steamable")]
    pub offered_as: OfferedAs,
    /// Default: true. false for an engine built without a boiler.
    #[serde(default = "yes")]
    pub has_boiler: bool,
    /// null: nobody has checked.
    pub asbestos_suspected: Option<bool>,
    /// Number won at exhibitions.
    #[schema(minimum = 0, maximum = 100)]
    pub medals: Option<i32>,
    /// Whether drawings, bills and tests are on record from the start.
    pub full_record: Option<bool>,
    /// Where in the works it is kept.
    pub place: Option<Line>,
    pub notes: Option<Prose>,
}

fn steamable() -> OfferedAs {
    OfferedAs::Steamable
}

fn yes() -> bool {
    true
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct EngineFilters {
    /// Any of these kinds.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Kind>>, style = Form, explode = false, max_items = 20, example = json!(["locomotive","road_engine"]))]
    kind: Option<Vec<Kind>>,
    /// Any of these gauges in mm; each matches within 0.2 mm, so 184.15 finds 184.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Text<20>>>, inline, style = Form, explode = false, max_items = 20, example = json!(["127","184.15"]))]
    gauge_mm: Option<Vec<Decimal>>,
    /// Any of these statuses.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<StockStatus>>, style = Form, explode = false, max_items = 20, example = json!(["in_stock"]))]
    status: Option<Vec<StockStatus>>,
    /// Any of these listing statuses.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<ListingStatus>>, style = Form, explode = false, max_items = 20, example = json!(["published"]))]
    listing: Option<Vec<ListingStatus>>,
    /// Any of these fuels.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Fuel>>, style = Form, explode = false, max_items = 20, example = json!(["coal"]))]
    fuel: Option<Vec<Fuel>>,
    /// Any of these wheel arrangements.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Whyte>>, style = Form, explode = false, max_items = 20, example = json!(["0-6-0"]))]
    whyte: Option<Vec<Whyte>>,
    /// Lowest asking price, inclusive.
    asking_price_from: Option<Money>,
    /// Highest asking price, inclusive.
    asking_price_to: Option<Money>,
    /// Text to find in the name, prototype, design or builder.
    #[param(max_length = 200, example = "marrow")]
    q: Option<Line>,
    /// Related records to include. `limit` is then at most 50.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Include>>, inline, style = Form, explode = false, max_items = 20, example = json!(["boiler","photographs"]))]
    include: Option<Vec<Include>>,
    #[serde(default)]
    #[param(value_type = Option<EngineSort>, inline, example = "-asking_price")]
    sort: EngineSort,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct EngineInclude {
    /// Related records to include. Before a change, read the engine without it.
    #[serde(default, deserialize_with = "any_of_some")]
    #[param(value_type = Option<Vec<Include>>, inline, style = Form, explode = false, max_items = 20, example = json!(["boiler"]))]
    include: Option<Vec<Include>>,
}

/// Records that can be included with an engine, one level deep.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ToSchema)]
#[schema(rename_all = "snake_case")]
enum Include {
    Boiler,
    Photographs,
}

impl std::str::FromStr for Include {
    type Err = &'static str;

    fn from_str(word: &str) -> Result<Include, &'static str> {
        match word {
            "boiler" => Ok(Include::Boiler),
            "photographs" => Ok(Include::Photographs),
            _ => Err("`include` may name boiler and photographs"),
        }
    }
}

/// An engine with the records asked for by `include`.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct EngineShown {
    #[serde(flatten)]
    pub engine: Engine,
    /// Present only with `include=boiler`; null: no boiler in the engine.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Boiler>)]
    pub boiler: Option<Option<Boiler>>,
    /// Present only with `include=photographs`; in display order.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 40, nullable = false)]
    pub photographs: Option<Vec<Photograph>>,
}

fn any_of_some<'de, T, D>(from: D) -> Result<Option<Vec<T>>, D::Error>
where
    T: std::str::FromStr<Err: std::fmt::Display>,
    D: serde::Deserializer<'de>,
{
    any_of(from).map(Some)
}

/// The order of the engines; `-` in front means descending. Engines without a price come last.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
#[schema(default = "stock_no")]
pub enum EngineSort {
    #[default]
    #[serde(rename = "stock_no")]
    StockNo,
    #[serde(rename = "-stock_no")]
    StockNoDown,
    #[serde(rename = "asking_price")]
    Price,
    #[serde(rename = "-asking_price")]
    PriceDown,
}

/// The weight and the members that it is checked against.
const SIZES: [&str; 6] = ["kind", "gauge", "weight", "length", "width", "height"];

// Routes

/// List engines
#[get("/engines", 200 = Page<EngineShown>)]
async fn list_engines(Staff(actor): Staff, list: ListQuery<EngineFilters>) -> Reply {
    const LIMIT_WITH_INCLUDE: i64 = 50;
    let (filters, now) = (list.filters.clone(), Instant(actor.now));
    if filters.include.is_some() && list.limit() > LIMIT_WITH_INCLUDE {
        let detail = "with `include`, `limit` must be at most 50";
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let found = load(conn, &filters, &page, now).await?;
        including(conn, found, filters.include.as_deref()).await
    };
    list.answer(fetch, |shown: &EngineShown| {
        let price = shown.engine.in_stock.asking_price;
        let price = price.map_or(Value::Null, |price| json!(price));
        (price, shown.engine.particulars.stock_no.into())
    })
    .await
}

/// Get an engine
#[get("/engines/{stock_no:\\d+}", 200 = EngineShown)]
async fn get_engine(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<EngineInclude>,
) -> Reply {
    let mut conn = db.read().await?;
    let engine = find_at(&mut conn, *stock_no, Instant(actor.now)).await?;
    let with = including(&mut conn, vec![engine], query.include.as_deref()).await?;
    respond(&req, &with[0])
}

/// Change the details of an engine
///
/// A change of `kind`, `gauge`, `weight`, `length`, `width` or `height` checks the weight against the usual limits again.
#[patch("/engines/{stock_no:\\d+}", 200 = Engine)]
async fn change_engine(
    FloorStaff(actor): FloorStaff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    patch: Patch<NewEngine>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        crate::stock::lock(tx.conn(), *stock_no).await?;
        let current = find_at(tx.conn(), *stock_no, Instant(actor.now)).await?;
        let change = patch.merged(&current)?;
        let names_size = SIZES.iter().any(|size| patch.names(size));
        let checked = Checked {
            weight_confirmed: change.weight_confirmed || !names_size,
            ..change.checked()
        };
        let broken = broken_rules("", &checked, actor.today);
        if !broken.is_empty() {
            return Err(Problem::invalid_all(broken));
        }
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let gauge_mm = change.gauge.as_ref().map(Length::base);
        let confirmed = if names_size {
            checked.confirmed()
        } else {
            current.particulars.confirmed.clone()
        };
        diesel::update(engines::table.find(*stock_no))
            .set((
                &change,
                engines::gauge_mm.eq(gauge_mm),
                engines::confirmed.eq(&confirmed),
            ))
            .execute(tx.conn())
            .await?;
        let entry = json!({"members": patch.members()});
        let entry = if names_size {
            confirmations::noted(entry, &confirmed)
        } else {
            entry
        };
        tx.record("engine.changed", Some(*stock_no), entry).await?;
        find_at(tx.conn(), *stock_no, Instant(actor.now)).await
    })
    .await
}

// SQL

pub(crate) async fn insert(tx: &mut Tx<'_>, new: &NewEngine) -> Result<i32, Problem> {
    let gauge_mm = new.gauge.as_ref().map(Length::base);
    Ok(diesel::insert_into(engines::table)
        .values((
            new,
            engines::gauge_mm.eq(gauge_mm),
            engines::confirmed.eq(new.checked().confirmed()),
        ))
        .returning(engines::stock_no)
        .get_result(tx.conn())
        .await?)
}

/// Ignores the clock: a reserved engine counts as in stock.
pub(crate) async fn find(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Engine, Problem> {
    let engine: Option<Engine> = engines::table
        .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
        .filter(engines::stock_no.eq(stock_no))
        .select(Engine::as_select())
        .first(conn)
        .await
        .optional()?;
    engine.ok_or_else(|| crate::stock::missing(stock_no))
}

/// The engine with its status at that time.
async fn find_at(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    now: Instant,
) -> Result<Engine, Problem> {
    let mut engine = find(conn, stock_no).await?;
    engine.in_stock.at(now);
    Ok(engine)
}

/// Adds the records asked for by `include`.
async fn including(
    conn: &mut AsyncPgConnection,
    engines: Vec<Engine>,
    include: Option<&[Include]>,
) -> Result<Vec<EngineShown>, Problem> {
    let with_boiler = include.is_some_and(|named| named.contains(&Include::Boiler));
    let ids: Vec<i64> = engines
        .iter()
        .filter_map(|engine| engine.in_stock.boiler_id)
        .collect();
    let boilers = if with_boiler {
        boilers::find_shown(conn, &ids).await?
    } else {
        Vec::new()
    };
    let with_photographs = include.is_some_and(|named| named.contains(&Include::Photographs));
    let mut photographs = if with_photographs {
        let stock_nos: Vec<i32> = engines
            .iter()
            .map(|engine| engine.particulars.stock_no)
            .collect();
        photographs::of_engines(conn, &stock_nos).await?
    } else {
        HashMap::new()
    };
    let shown = engines.into_iter().map(|engine| {
        let taken = photographs.remove(&engine.particulars.stock_no);
        let fitted = boilers
            .iter()
            .find(|it| Some(it.particulars.id) == engine.in_stock.boiler_id);
        EngineShown {
            boiler: with_boiler.then(|| fitted.cloned()),
            photographs: with_photographs.then(|| taken.unwrap_or_default()),
            engine,
        }
    });
    Ok(shown.collect())
}

async fn load(
    conn: &mut AsyncPgConnection,
    filters: &EngineFilters,
    page: &Keyset,
    now: Instant,
) -> Result<Vec<Engine>, Problem> {
    let mut query = engines::table
        .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
        .select(Engine::as_select())
        .limit(page.limit)
        .into_boxed();
    if let Some(kinds) = &filters.kind {
        query = query.filter(engines::kind.eq_any(kinds.clone()));
    }
    if let Some(gauges) = &filters.gauge_mm {
        query = query.filter(
            sql::<Bool>("EXISTS (SELECT FROM unnest(")
                .bind::<Array<Numeric>, _>(gauges.clone())
                .sql(") AS sought (mm) WHERE abs(engines.gauge_mm - sought.mm) <= ")
                .bind::<Numeric, _>(SOUGHT_WITHIN_MM)
                .sql(")"),
        );
    }
    if let Some(statuses) = &filters.status {
        let (of_view, reserved) = crate::stock::in_view(statuses);
        query = query.filter(stock::status.eq_any(of_view));
        query = match reserved {
            None => query,
            Some(true) => query.filter(
                stock::status
                    .ne(StockStatus::InStock)
                    .or(stock::reserved_until.assume_not_null().gt(now)),
            ),
            Some(false) => query.filter(
                stock::status
                    .ne(StockStatus::InStock)
                    .or(stock::reserved_until.is_null())
                    .or(stock::reserved_until.assume_not_null().le(now)),
            ),
        };
    }
    if let Some(listings) = &filters.listing {
        query = query.filter(stock::listing.eq_any(listings.clone()));
    }
    if let Some(fuels) = &filters.fuel {
        query = query.filter(engines::fuel.eq_any(fuels.clone()));
    }
    if let Some(arrangements) = &filters.whyte {
        query = query.filter(engines::whyte.eq_any(arrangements.clone()));
    }
    if let Some(from) = filters.asking_price_from {
        query = query.filter(stock::asking_price.ge(from));
    }
    if let Some(to) = filters.asking_price_to {
        query = query.filter(stock::asking_price.le(to));
    }
    if let Some(words) = &filters.q {
        let words = containing(words);
        query = query.filter(
            engines::name
                .ilike(words.clone())
                .or(engines::prototype
                    .ilike(words.clone())
                    .is_not_distinct_from(true))
                .or(engines::design
                    .ilike(words.clone())
                    .is_not_distinct_from(true))
                .or(engines::builder.ilike(words).is_not_distinct_from(true)),
        );
    }
    let after = page
        .after
        .as_ref()
        .map(|(_, id)| i32::try_from(*id).unwrap_or(i32::MAX));
    let price = match &page.after {
        Some((Value::String(price), _)) => price.parse::<Money>().ok(),
        Some(_) | None => None,
    };
    let sort = filters.sort;
    query = match sort {
        EngineSort::StockNo => query.order(engines::stock_no.asc()),
        EngineSort::StockNoDown => query.order(engines::stock_no.desc()),
        EngineSort::Price => query.order((
            stock::asking_price.asc().nulls_last(),
            engines::stock_no.asc(),
        )),
        EngineSort::PriceDown => query.order((
            stock::asking_price.desc().nulls_last(),
            engines::stock_no.asc(),
        )),
    };
    if let Some(after) = after {
        let unpriced = stock::asking_price.is_null();
        query = match (sort, price) {
            (EngineSort::StockNo, _) => query.filter(engines::stock_no.gt(after)),
            (EngineSort::StockNoDown, _) => query.filter(engines::stock_no.lt(after)),
            (EngineSort::Price | EngineSort::PriceDown, None) => {
                query.filter(unpriced.and(engines::stock_no.gt(after)))
            }
            (EngineSort::Price, Some(price)) => query.filter(
                unpriced
                    .or(stock::asking_price.gt(price).assume_not_null())
                    .or(stock::asking_price
                        .eq(price)
                        .and(engines::stock_no.gt(after))
                        .assume_not_null()),
            ),
            (EngineSort::PriceDown, Some(price)) => query.filter(
                unpriced
                    .or(stock::asking_price.lt(price).assume_not_null())
                    .or(stock::asking_price
                        .eq(price)
                        .and(engines::stock_no.gt(after))
                        .assume_not_null()),
            ),
        };
    }
    let mut found: Vec<Engine> = query.load(conn).await?;
    for engine in &mut found {
        engine.in_stock.at(now);
    }
    Ok(found)
}
