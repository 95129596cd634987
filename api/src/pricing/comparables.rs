//! Comparables: achieved sales, the firm's own and those observed elsewhere. None is ever deleted.

mod import;

pub use import::import_file;

use crate::{
    engines::surveys::Grades,
    ground::{
        actor::{Selling, Staff},
        answers::{Found, Reply},
        body::Body,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem, broken},
        query::any_of,
        text::{Text, at_most},
    },
    schema::comparables,
};
use actix_web::web;
use diesel::{
    dsl::sql,
    prelude::*,
    sql_types::{Array, Bool, Numeric},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::Material,
    days::Day,
    engines::{
        engine::{
            BuilderStanding, Fuel, IncludedItem, Kind, SOUGHT_WITHIN_MM, Whyte, WorkingOrder,
        },
        surveys::BuildQuality,
    },
    money::Money,
    trade::SaleSource,
    units::{Length, Mass},
};
use outshop_operation::{get, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_comparables)
        .service(create_comparable)
        .service(get_comparable)
        .service(withdraw_comparable)
        .service(import::import_comparables);
}

// Types

/// An achieved sale, used to value engines; null means not known.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = comparables)]
#[schema(example = json!({"id": 903, "on": "2025-11-08", "price": "6200.00", "source": "observed_auction", "kind": "locomotive",
    "gauge": {"value": "5", "unit": "in", "mm": "127"}, "description": "0-6-0 to the Marrow drawings, repainted", "whyte": "0-6-0",
    "fuel": "coal", "weight": {"value": "150", "unit": "lb", "kg": "68.0389"}, "build_quality": "sound",
    "builder_standing": "amateur", "working_order": "in_running_order",
    "grades": {"boiler": "good", "fittings_and_feeds": null, "cylinders_and_valves": null, "motion": "fair",
        "wheels_and_axleboxes": null, "frames": null, "platework_and_paint": "good", "completeness": null},
    "papers_months_left": 9, "boiler_material": "copper", "included_items": ["box"], "stock_no": null,
    "withdrawn_on": null, "withdrawal_reason": null}))]
pub struct Comparable {
    pub id: i64,
    /// The day of the sale.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// The price paid. Asking prices are not sales.
    pub price: Money,
    /// Who sold it, or where the sale was observed.
    pub source: SaleSource,
    pub kind: Kind,
    pub gauge: Option<Length>,
    pub description: Text<1000>,
    /// Wheel arrangement; locomotives only.
    pub whyte: Option<Whyte>,
    pub fuel: Option<Fuel>,
    pub weight: Option<Mass>,
    pub build_quality: Option<BuildQuality>,
    /// Whether the builder was an amateur or a professional.
    pub builder_standing: Option<BuilderStanding>,
    pub working_order: Option<WorkingOrder>,
    /// Condition grades by area.
    #[diesel(embed)]
    pub grades: Grades,
    /// Whole months for which its certificates were still valid on the day of the sale; 0: none was valid.
    #[schema(minimum = 0, maximum = 60)]
    pub papers_months_left: Option<i32>,
    /// Null: not known.
    pub boiler_material: Option<Material>,
    /// Items sold with the engine; empty: none, or not known.
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    /// The engine's stock number, if the firm sold it.
    pub stock_no: Option<i32>,
    /// The day from which it no longer counts; null while it counts.
    pub withdrawn_on: Option<Day>,
    /// Null: not withdrawn.
    pub withdrawal_reason: Option<Text<1000>>,
}

/// A comparable to add.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = comparables)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2025-11-08", "price": "6200.00", "source": "observed_auction", "kind": "locomotive",
    "gauge": {"value": "5", "unit": "in"}, "description": "0-6-0 to the Marrow drawings, repainted", "whyte": "0-6-0",
    "build_quality": "sound", "grades": {"boiler": "good", "motion": "fair"}, "papers_months_left": 9, "included_items": ["box"]}))]
pub struct NewComparable {
    /// The day of the sale; not after today.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// The price paid, above 0. Asking prices are not sales.
    pub price: Money,
    /// Who sold it, or where the sale was observed.
    pub source: SaleSource,
    pub kind: Kind,
    pub gauge: Option<Length>,
    pub description: Text<1000>,
    /// Wheel arrangement; locomotives only.
    pub whyte: Option<Whyte>,
    pub fuel: Option<Fuel>,
    pub weight: Option<Mass>,
    pub build_quality: Option<BuildQuality>,
    /// Whether the builder was an amateur or a professional.
    pub builder_standing: Option<BuilderStanding>,
    pub working_order: Option<WorkingOrder>,
    /// Condition grades by area.
    #[serde(default)]
    #[diesel(embed)]
    pub grades: Grades,
    /// Whole months for which its certificates were still valid on the day of the sale; 0: none was valid.
    #[schema(minimum = 0, maximum = 60)]
    pub papers_months_left: Option<i32>,
    /// Null: not known.
    pub boiler_material: Option<Material>,
    /// Items sold with the engine; empty: none, or not known.
    #[serde(default, deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
}

impl NewComparable {
    fn broken_rules(&self, today: Day) -> Vec<FieldError> {
        broken([
            (self.price > Money::ZERO, "/price", "must be above 0"),
            (self.on <= today, "/on", "must not be after today"),
            (
                self.whyte.is_none() || self.kind == Kind::Locomotive,
                "/whyte",
                "leave it out: only a locomotive has a wheel arrangement",
            ),
            (
                self.papers_months_left
                    .is_none_or(|months| (0..=60).contains(&months)),
                "/papers_months_left",
                "must be 0 to 60 months",
            ),
        ])
    }
}

/// The withdrawal of a comparable.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "reason": "the engine came back within the month"}))]
pub struct NewComparableWithdrawal {
    /// From the day of the sale to today.
    pub on: Day,
    pub reason: Text<1000>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ComparableFilters {
    /// Any of these kinds.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Kind>>, style = Form, explode = false, max_items = 20, example = json!(["locomotive","road_engine"]))]
    kind: Vec<Kind>,
    /// Any of these gauges in mm; each matches within 0.2 mm, so 184.15 finds 184.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Text<20>>>, inline, style = Form, explode = false, max_items = 20, example = json!(["127","184.15"]))]
    gauge_mm: Vec<Decimal>,
    /// Any of these sources.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<SaleSource>>, style = Form, explode = false, max_items = 20, example = json!(["own","observed_auction"]))]
    source: Vec<SaleSource>,
    /// Sales on or after this day.
    #[param(example = "2024-01-01")]
    on_from: Option<Day>,
    /// Sales on or before this day.
    #[param(example = "2026-05-14")]
    on_to: Option<Day>,
}

// Routes

/// List comparables
///
/// Withdrawn ones are listed too. As CSV, the columns are those that the import takes.
#[get("/comparables", 200 = Page<Comparable>)]
async fn list_comparables(_by: Staff, list: ListQuery<ComparableFilters>) -> Reply {
    let filters = list.filters.clone();
    let rows = move |page: &Keyset| {
        let mut rows = comparables::table
            .select(Comparable::as_select())
            .into_boxed();
        if !filters.kind.is_empty() {
            rows = rows.filter(comparables::kind.eq_any(filters.kind.clone()));
        }
        if !filters.gauge_mm.is_empty() {
            rows = rows.filter(
                sql::<Bool>("EXISTS (SELECT FROM unnest(")
                    .bind::<Array<Numeric>, _>(filters.gauge_mm.clone())
                    .sql(") AS sought (mm) WHERE abs(comparables.gauge_mm - sought.mm) <= ")
                    .bind::<Numeric, _>(SOUGHT_WITHIN_MM)
                    .sql(")"),
            );
        }
        if !filters.source.is_empty() {
            rows = rows.filter(comparables::source.eq_any(filters.source.clone()));
        }
        if let Some(from) = filters.on_from {
            rows = rows.filter(comparables::on_day.ge(from));
        }
        if let Some(to) = filters.on_to {
            rows = rows.filter(comparables::on_day.le(to));
        }
        of_page!(page, rows, comparables::id)
    };
    list.rows(rows, |it: &Comparable| it.id).await
}

/// Add a comparable
///
/// The next price model includes it.
#[post("/comparables", 201 = Comparable)]
async fn create_comparable(
    Selling(actor): Selling,
    db: web::Data<Db>,
    new: Body<NewComparable>,
) -> Reply {
    let broken = new.broken_rules(actor.today);
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    db.create(&actor, &new, async |tx| {
        let comparable = insert(tx, &new).await?;
        Ok((format!("/v1/comparables/{}", comparable.id), comparable))
    })
    .await
}

/// Get a comparable
#[get("/comparables/{id:\\d+}", 200 = Comparable)]
async fn get_comparable(_by: Staff, found: Found<Comparable>) -> Reply {
    found.respond()
}

/// Withdraw a comparable
///
/// It stays on record and no longer counts: for a sale that was cancelled, or a price that proved wrong. 409 if it is
/// already withdrawn.
#[post("/comparables/{id:\\d+}/withdrawals", 201 = Comparable)]
async fn withdraw_comparable(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewComparableWithdrawal>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let withdrawn = withdraw(tx, *id, &new).await?;
        Ok((format!("/v1/comparables/{id}"), withdrawn))
    })
    .await
}

// SQL

by_id!(Comparable, comparables, "there is no comparable {id}");

/// Comparables that count on a day. One that names an engine of the firm's is left out: the recorded sale says more.
pub(crate) async fn that_count(
    conn: &mut AsyncPgConnection,
    today: Day,
) -> Result<Vec<Comparable>, Problem> {
    Ok(comparables::table
        .filter(comparables::on_day.le(today))
        .filter(comparables::stock_no.is_null())
        .filter(
            comparables::withdrawn_on
                .is_null()
                .or(comparables::withdrawn_on.assume_not_null().gt(today)),
        )
        .order(comparables::id)
        .select(Comparable::as_select())
        .load(conn)
        .await?)
}

async fn insert(tx: &mut Tx<'_>, new: &NewComparable) -> Result<Comparable, Problem> {
    let gauge_mm = new.gauge.as_ref().map(Length::base);
    let comparable: Comparable = diesel::insert_into(comparables::table)
        .values((new, comparables::gauge_mm.eq(gauge_mm)))
        .returning(Comparable::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"comparable_id": comparable.id});
    tx.record("comparable.created", None, data).await?;
    Ok(comparable)
}

async fn withdraw(
    tx: &mut Tx<'_>,
    id: i64,
    new: &NewComparableWithdrawal,
) -> Result<Comparable, Problem> {
    let comparable = Comparable::lock(tx.conn(), id).await?;
    if new.on < comparable.on || new.on > tx.actor.today {
        let detail = format!(
            "must be from the day of the sale ({}) to today",
            comparable.on.in_words()
        );
        return Err(Problem::invalid("/on", detail));
    }
    if let Some(on) = comparable.withdrawn_on {
        return Err(Problem::conflict(format!(
            "it was already withdrawn on {on}; nothing to do",
            on = on.in_words()
        )));
    }
    let withdrawn: Comparable = diesel::update(comparables::table.find(id))
        .set((
            comparables::withdrawn_on.eq(new.on),
            comparables::withdrawal_reason.eq(&new.reason),
        ))
        .returning(Comparable::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"comparable_id": id});
    tx.record("comparable.withdrawn", comparable.stock_no, data)
        .await?;
    Ok(withdrawn)
}
