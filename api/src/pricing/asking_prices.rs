//! Asking prices: what the firm decides to ask for an engine; the last decision holds.

use crate::{
    ground::{
        actor::{Selling, Staff},
        answers::shown,
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, NoFilters, Page},
        operations::Operations,
        problem::{self, FieldError, Problem},
        text::Text,
    },
    pricing::valuations::last_high,
    schema::{asking_prices, sales, valuations},
    stock,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    money::Money,
    sense::{self, Member},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_asking_prices)
        .service(create_asking_price)
        .service(get_asking_price);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = asking_prices)]
#[schema(example = json!({"id": 58, "stock_no": 10, "on": "2026-05-14", "price": "7680.00", "reason": "repainted since the valuation",
    "valuation_id": 77, "confirmed": []}))]
pub struct AskingPrice {
    pub id: i64,
    pub stock_no: i32,
    /// The day from which it is asked.
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub price: Money,
    pub reason: Option<Text<1000>>,
    /// The valuation that was looked at.
    pub valuation_id: Option<i64>,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"price": "7680.00", "reason": "repainted since the valuation"}))]
pub struct NewAskingPrice {
    /// Above 0; at most 10 x the high figure of the last valuation unless confirmed.
    pub price: Money,
    #[serde(default)]
    pub price_confirmed: bool,
    pub reason: Option<Text<1000>>,
    /// A valuation of this engine that was looked at.
    #[schema(minimum = 1, example = 77)]
    pub valuation_id: Option<i64>,
    /// Today unless told otherwise; not after today, and not before the price that holds.
    pub on: Option<Day>,
}

// Routes

/// List the asking prices of an engine
///
/// The latest first: the first one holds.
#[get("/engines/{stock_no:\\d+}/asking-prices", 200 = Page<AskingPrice>)]
async fn list_asking_prices(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let stock_no = *stock_no;
    stock::must_exist(&mut *db.read().await?, stock_no).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = asking_prices::table
            .filter(asking_prices::stock_no.eq(stock_no))
            .select(AskingPrice::as_select())
            .order(asking_prices::id.desc())
            .limit(page.limit)
            .into_boxed();
        if let Some(after) = page.after_id() {
            query = query.filter(asking_prices::id.lt(after));
        }
        Ok(query.load(conn).await?)
    };
    let key = |price: &AskingPrice| (Value::Null, price.id);
    list.answer(&req, &db, fetch, key).await
}

/// Decide what to ask for an engine
///
/// A decision of the firm's, with its own history; a valuation only advises.
#[post("/engines/{stock_no:\\d+}/asking-prices", 201 = AskingPrice)]
async fn create_asking_price(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewAskingPrice>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), *stock_no).await?;
        let confirmed = check(tx, *stock_no, &new).await?;
        let price = insert(tx, *stock_no, &new, confirmed).await?;
        let location = format!("/v1/engines/{stock_no}/asking-prices/{}", price.id);
        Ok((location, price))
    })
    .await
}

/// Read an asking price
#[get("/engines/{stock_no:\\d+}/asking-prices/{id:\\d+}", 200 = AskingPrice,
    params(("id" = i64, Path, example = 10, minimum = 1)))]
async fn get_asking_price(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    path: web::Path<(i32, i64)>,
) -> Result<HttpResponse, Problem> {
    let (stock_no, id) = *path;
    let price: Option<AskingPrice> = asking_prices::table
        .find(id)
        .filter(asking_prices::stock_no.eq(stock_no))
        .select(AskingPrice::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let price = price.ok_or_else(|| {
        Problem::not_found(format!(
            "there is no asking price {id} of engine {stock_no}"
        ))
    })?;
    shown(&req, &price)
}

// SQL

/// Gives what was confirmed.
async fn check(
    tx: &mut Tx<'_>,
    stock_no: i32,
    new: &NewAskingPrice,
) -> Result<Vec<Member>, Problem> {
    let today = tx.actor.today;
    let on = new.on.unwrap_or(today);
    let holds_since: Option<Day> = asking_prices::table
        .filter(asking_prices::stock_no.eq(stock_no))
        .order(asking_prices::id.desc())
        .select(asking_prices::on_day)
        .first(tx.conn())
        .await
        .optional()?;
    let mut broken = Vec::new();
    let mut tell = |pointer: &str, detail: String| {
        broken.push(FieldError {
            pointer: pointer.to_owned(),
            detail,
        });
    };
    if new.price <= Money::ZERO {
        tell("/price", "not above 0".to_owned());
    }
    if on > today {
        tell("/on", "after today".to_owned());
    }
    if let Some(since) = holds_since.filter(|since| on < *since) {
        tell("/on", format!("before the price that holds, of {since}"));
    }
    if let Some(id) = new.valuation_id {
        let of_this_engine = valuations::table
            .find(id)
            .filter(valuations::stock_no.eq(stock_no));
        let found: bool = diesel::select(diesel::dsl::exists(of_this_engine))
            .get_result(tx.conn())
            .await?;
        if !found {
            let detail = format!("there is no valuation {id} of engine {stock_no}");
            tell("/valuation_id", detail);
        }
    }
    let mut ask = Confirmations::default();
    let high = last_high(tx.conn(), stock_no).await?;
    let doubt = high.and_then(|high| sense::price(new.price, high));
    ask.ask("/price", doubt, new.price_confirmed);
    let (doubted, confirmed) = ask.apart();
    broken.extend(doubted);
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    let sold: bool = diesel::select(diesel::dsl::exists(
        sales::table.filter(sales::stock_no.eq(stock_no).and(sales::undone_on.is_null())),
    ))
    .get_result(tx.conn())
    .await?;
    if sold {
        let detail = "the engine is sold, and its price is the sale's";
        return Err(Problem::new(problem::ALREADY_SOLD, detail));
    }
    Ok(confirmed)
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    new: &NewAskingPrice,
    confirmed: Vec<Member>,
) -> Result<AskingPrice, Problem> {
    let price: AskingPrice = diesel::insert_into(asking_prices::table)
        .values((
            asking_prices::stock_no.eq(stock_no),
            asking_prices::on_day.eq(new.on.unwrap_or(tx.actor.today)),
            asking_prices::price.eq(new.price),
            asking_prices::reason.eq(&new.reason),
            asking_prices::valuation_id.eq(new.valuation_id),
            asking_prices::confirmed.eq(&confirmed),
        ))
        .returning(AskingPrice::as_returning())
        .get_result(tx.conn())
        .await?;
    let data = json!({"asking_price_id": price.id, "price": price.price, "valuation_id": price.valuation_id});
    let data = confirmations::noted(data, &confirmed);
    tx.record("engine.priced", Some(stock_no), data).await?;
    Ok(price)
}
