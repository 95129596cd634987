//! Buying valuations: the price that an engine the firm does not own would fetch, from its description. All are kept.

mod most_to_pay;
mod taking_in;

use crate::{
    engines::surveys::Grades,
    ground::{
        actor::{Selling, Staff},
        answers::{Reply, accepts, respond},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::{FieldError, Problem, broken},
        text::{Line, Text, at_most},
    },
    pricing::valuations::{
        answer::{self, Answer, Case, Question, Supposition},
        level_and_suppositions,
        picture::{self, ChartMarks},
    },
    schema::{acquisitions, buying_valuations as buying_valuations_table},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use most_to_pay::{BuyingValuationMoney, ForeseenWork};
use outshop_core::{
    boilers::boiler::Material,
    books::tax::Scheme,
    days::Day,
    engines::{
        engine::{BuilderStanding, Fuel, IncludedItem, Kind, Scale, WorkingOrder},
        surveys::BuildQuality,
    },
    money::Money,
    pricing::{pricing_facts::Included, valuation::engine_features::EngineOnSale},
    trade::{Role, ValuationBasis},
    units::{Length, Mass},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_buying_valuations)
        .service(create_buying_valuation)
        .service(get_buying_valuation)
        .tagged("engines")
        .service(taking_in::create_acquisition_of_buying_valuation);
}

// Types

/// An engine as described; leave out what is not known.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"kind": "locomotive", "gauge": {"value": "5", "unit": "in"}, "build_quality": "fine",
    "grades": {"motion": "worn"}, "papers_months_left": 9, "builder_standing": "amateur", "included_items": ["box"]}))]
pub struct EngineDescribed {
    pub kind: Kind,
    pub gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub weight: Option<Mass>,
    pub build_quality: Option<BuildQuality>,
    /// Condition by area.
    #[serde(default)]
    pub grades: Grades,
    pub working_order: Option<WorkingOrder>,
    /// Whole months for which its papers are still valid; 0: none are valid.
    #[schema(minimum = 0, maximum = 60)]
    pub papers_months_left: Option<u32>,
    /// Whether drawings, bills and tests are on record from the beginning.
    pub full_record: Option<bool>,
    pub builder_standing: Option<BuilderStanding>,
    /// The published design that it was built to.
    pub design: Option<Line>,
    /// Null: not known.
    pub boiler_material: Option<Material>,
    pub fuel: Option<Fuel>,
    /// Year in which it was finished; null: not known.
    #[schema(minimum = 1800, maximum = 2199)]
    pub built_year: Option<i16>,
    /// Won at exhibitions.
    #[schema(minimum = 0, maximum = 100)]
    pub medals: Option<u32>,
    /// What is sold with it.
    #[serde(default, deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
}

impl EngineDescribed {
    fn on(&self, on: Day) -> EngineOnSale {
        let included_items = self.included_items.iter();
        EngineOnSale {
            gauge: self.gauge.clone(),
            scale: self.scale.clone(),
            weight: self.weight.clone(),
            build_quality: self.build_quality,
            grades: self.grades.given().into_iter().collect(),
            working_order: self.working_order,
            papers_months_left: self.papers_months_left,
            full_record: self.full_record,
            builder: self.builder_standing,
            design: self.design.as_ref().map(ToString::to_string),
            boiler_material: self.boiler_material,
            fuel: self.fuel,
            built_in: self.built_year,
            medals: self.medals,
            included_items: included_items
                .map(|item| (*item, Included::Included))
                .collect(),
            ..EngineOnSale::of(self.kind, on)
        }
    }

    fn broken_rules(&self) -> Vec<FieldError> {
        let year = self
            .built_year
            .is_none_or(|year| (1800..=2199).contains(&year));
        broken([
            (
                self.papers_months_left.is_none_or(|n| n <= 60),
                "/engine/papers_months_left",
                "must be 0 to 60 months",
            ),
            (
                self.medals.is_none_or(|n| n <= 100),
                "/engine/medals",
                "must be 0 to 100",
            ),
            (year, "/engine/built_year", "must be 1800 to 2199"),
        ])
    }
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"engine": {"kind": "locomotive", "gauge": {"value": "5", "unit": "in"}, "build_quality": "fine"},
    "level_percent": 80, "supposing": [{"grades": {"platework_and_paint": "good"}}], "wanted_profit": "900.00", "hour_recovery_rate": "32.00",
    "work_foreseen": [{"description": "new tubes and a hydraulic test", "hours": "12", "parts": "140.00", "tests": "60.00"}]}))]
pub struct NewBuyingValuation {
    /// The engine offered to the firm.
    pub engine: EngineDescribed,
    /// How many of 100 such prices should fall within the range. Default: 80.
    #[schema(minimum = 50, maximum = 95)]
    pub level_percent: Option<u8>,
    /// Changes to the facts, each valued separately.
    #[serde(default, deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub supposing: Vec<Supposition>,
    /// The profit that its sale should leave; below 0: a loss that the firm accepts. Default: 0.00. With this or any
    /// of the members below, the answer includes the most to pay.
    pub wanted_profit: Option<Money>,
    /// Work needed before it can be sold.
    #[serde(default, deserialize_with = "at_most::<50, _, _>")]
    #[schema(max_items = 50)]
    pub work_foreseen: Vec<ForeseenWork>,
    /// What an hour of that work must earn, 0 or more. Default: the mean recovery rate of the firm's fitters.
    pub hour_recovery_rate: Option<Money>,
    /// How the sale would be taxed. Default: `margin`.
    pub scheme: Option<Scheme>,
}

/// The price that an engine would fetch on a day by its description, as first calculated.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 5, "on": "2026-05-14", "engine": {"kind": "stationary"}, "basis": "price_scale", "price_scale_version": 3,
    "price_model_id": null, "low": "320.00", "likely": "400.00", "high": "500.00", "level_percent": 80, "start": "400.00", "steps": [],
    "not_known": [], "comparables": [], "would_narrow": [], "supposing": [], "warnings": [], "stock_no": null, "money": {"wanted_profit": "50.00",
    "scheme": "margin", "rate_percent": "20", "hour_recovery_rate": "32.00", "work_foreseen": [{"description": "paint", "hours": "2",
    "parts": "11.00", "outside_work": "0.00", "tests": "0.00", "cost": "75.00"}], "hours": "2", "cost_to_come": "75.00",
    "at_likely": {"price": "400.00", "most_to_pay": "250.00", "tax": "25.00"},
    "at_low": {"price": "320.00", "most_to_pay": "170.00", "tax": "25.00"}}}))]
pub struct BuyingValuation {
    pub id: i64,
    pub on: Day,
    /// The description as the request gave it.
    #[schema(value_type = EngineDescribed)]
    pub engine: Value,
    #[serde(flatten)]
    pub answer: Answer,
    /// The engine that it became; null: not acquired.
    pub stock_no: Option<i32>,
    /// The most to pay for it; null: not requested, or the reader is a fitter.
    #[schema(value_type = Option<BuyingValuationMoney>)]
    pub money: Option<Value>,
}

// Routes

/// List buying valuations
///
/// The latest first.
#[get("/buying-valuations", 200 = Page<BuyingValuation>)]
async fn list_buying_valuations(Staff(actor): Staff, list: ListQuery) -> Reply {
    let role = actor.role;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let rows = buying_valuations_table::table
            .left_join(acquisitions::table)
            .select((Row::as_select(), acquisitions::stock_no.nullable()));
        let rows: Vec<(Row, Option<i32>)> =
            newest_of_page!(page, rows, buying_valuations_table::id)
                .load(conn)
                .await?;
        let buying_valuations = rows
            .into_iter()
            .map(|(row, stock_no)| row.buying_valuation(stock_no, role));
        buying_valuations.collect()
    };
    list.answer(fetch, |it: &BuyingValuation| it.id).await
}

/// Value an engine offered to the firm
///
/// Works from the description, as `POST /v1/engines/{stock_no}/valuations` does from the records.
#[post("/buying-valuations", 201 = BuyingValuation)]
async fn create_buying_valuation(
    Selling(actor): Selling,
    db: web::Data<Db>,
    new: Body<NewBuyingValuation>,
) -> Reply {
    let mut broken = new.engine.broken_rules();
    broken.extend(level_and_suppositions(new.level_percent, &new.supposing));
    broken.extend(of_the_workshop(&new.supposing));
    broken.extend(new.broken_money_rules());
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    let on = actor.today;
    db.create(&actor, &new, async |tx| {
        let engine = new.engine.on(on);
        let cases = new.supposing.iter().map(|change| Case {
            told: change.clone(),
            engine: change.of(&engine),
        });
        let question = Question {
            level_percent: new.level_percent.unwrap_or(80),
            supposing: cases.collect(),
            engine,
        };
        let answer = answer::to(tx.conn(), question, on).await?;
        let prices = (answer.low, answer.likely);
        let money = most_to_pay::of(tx.conn(), &new, prices, on).await?;
        let buying_valuation = insert(tx, &new.engine, on, answer, money).await?;
        Ok((
            format!("/v1/buying-valuations/{}", buying_valuation.id),
            buying_valuation,
        ))
    })
    .await
}

/// Refuses jobs and tests, as an engine that is not in stock has neither on record.
fn of_the_workshop(supposing: &[Supposition]) -> impl Iterator<Item = FieldError> {
    let members = supposing.iter().enumerate().flat_map(|(i, change)| {
        [
            (i, "finished_jobs", change.finished_jobs.is_empty()),
            (i, "tests_passed", change.tests_passed.is_empty()),
        ]
    });
    members
        .filter(|(.., empty)| !empty)
        .map(|(i, member, _)| FieldError {
            pointer: format!("/supposing/{i}/{member}"),
            detail: "only for an engine in stock; send grades and papers_months_left instead"
                .to_owned(),
        })
}

/// Read a buying valuation
///
/// With `Accept: image/svg+xml` this is a picture: the range, and the comparables before and after adjustment to the
/// engine described.
#[get("/buying-valuations/{id:\\d+}", 200(content((BuyingValuation = "application/json"), (Text<1_000_000> = "image/svg+xml"))))]
async fn get_buying_valuation(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let (row, stock_no) = find(&mut conn, *id).await?;
    let buying_valuation = row.buying_valuation(stock_no, actor.role)?;
    if !accepts(&req, picture::MEDIA_TYPE) {
        return respond(&req, &buying_valuation);
    }
    let heading = format!(
        "What the engine of buying valuation {id} would fetch on {}",
        buying_valuation.on.in_words()
    );
    picture::respond(
        &req,
        &mut conn,
        &heading,
        &buying_valuation.answer,
        &ChartMarks::default(),
    )
    .await
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = buying_valuations_table)]
struct Row {
    id: i64,
    on_day: Day,
    engine: Value,
    basis: ValuationBasis,
    price_scale_version: i32,
    price_model_id: Option<i64>,
    low: Money,
    likely: Money,
    high: Money,
    answer: Value,
    money: Option<Value>,
}

impl Row {
    /// As a reader with that role sees it.
    fn buying_valuation(
        self,
        stock_no: Option<i32>,
        role: Role,
    ) -> Result<BuyingValuation, Problem> {
        let sees_money = match role {
            Role::Proprietor | Role::Seller | Role::Bookkeeper => true,
            Role::Fitter | Role::Website => false,
        };
        Ok(BuyingValuation {
            stock_no,
            money: self.money.filter(|_| sees_money),
            id: self.id,
            on: self.on_day,
            engine: self.engine,
            answer: Answer {
                basis: self.basis,
                price_scale_version: self.price_scale_version,
                price_model_id: self.price_model_id,
                low: self.low,
                likely: self.likely,
                high: self.high,
                reason: serde_json::from_value(self.answer).map_err(Problem::internal)?,
            },
        })
    }
}

async fn insert(
    tx: &mut Tx<'_>,
    engine: &EngineDescribed,
    on: Day,
    answer: Answer,
    money: Option<BuyingValuationMoney>,
) -> Result<BuyingValuation, Problem> {
    // Return the stored row: the database orders the members of the description in its own way.
    let row: Row = diesel::insert_into(buying_valuations_table::table)
        .values((
            buying_valuations_table::on_day.eq(on),
            buying_valuations_table::engine.eq(json!(engine)),
            buying_valuations_table::basis.eq(answer.basis),
            buying_valuations_table::price_scale_version.eq(answer.price_scale_version),
            buying_valuations_table::price_model_id.eq(answer.price_model_id),
            buying_valuations_table::low.eq(answer.low),
            buying_valuations_table::likely.eq(answer.likely),
            buying_valuations_table::high.eq(answer.high),
            buying_valuations_table::answer.eq(json!(answer.reason)),
            buying_valuations_table::money.eq(money.map(|money| json!(money))),
        ))
        .returning(Row::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"buying_valuation_id": row.id, "price_model_id": row.price_model_id, "likely": row.likely});
    tx.record("buying_valuation.created", None, data).await?;
    row.buying_valuation(None, tx.actor.role)
}

/// With the engine that it became.
async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<(Row, Option<i32>), Problem> {
    let row: Option<(Row, Option<i32>)> = buying_valuations_table::table
        .left_join(acquisitions::table)
        .filter(buying_valuations_table::id.eq(id))
        .select((Row::as_select(), acquisitions::stock_no.nullable()))
        .first(conn)
        .await
        .optional()?;
    row.ok_or_else(|| Problem::not_found(format!("there is no buying valuation {id}")))
}
