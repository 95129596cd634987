//! Asking prices (the latest one is in force), the chance of selling at a price, and price changes to report to owners.

use crate::{
    ground::{
        actor::{Selling, SellingRead, Staff},
        answers::{Reply, respond},
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::{self, FieldError, Problem},
        query::Query,
        text::{Line, Text},
    },
    pricing::valuations::{answer::PricingBasis, facts_of, last_high},
    schema::{asking_prices, owner_notifications, sales, valuations},
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::{
    QueryableByName,
    prelude::*,
    sql_types::{BigInt, Bool, Date, Integer, Nullable, Numeric, Text as SqlText},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    money::Money,
    sense::{self, Member},
    trade::ValuationBasis,
    units::four_places,
};
use outshop_operation::{get, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_asking_prices)
        .service(create_asking_price)
        .service(get_asking_price)
        .service(list_owner_notices)
        .service(get_owner_notice)
        .service(record_owner_notification)
        .service(get_chance);
}

// Types

/// An asking price of an engine.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = asking_prices)]
#[schema(example = json!({"id": 58, "stock_no": 10, "on": "2026-05-14", "price": "7680.00", "reason": "repainted since the valuation",
    "valuation_id": 77, "confirmed": []}))]
pub struct AskingPrice {
    pub id: i64,
    pub stock_no: i32,
    /// The first day of this price.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Including tax.
    pub price: Money,
    /// Why this price was set.
    pub reason: Option<Text<1000>>,
    /// The valuation on which it was decided; null if none was given.
    pub valuation_id: Option<i64>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// A new asking price.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"price": "7680.00", "reason": "repainted since the valuation"}))]
pub struct NewAskingPrice {
    /// Including tax, above 0. More than 10 x the high figure of the last valuation must be confirmed.
    pub price: Money,
    /// Confirms a price outside that limit.
    #[serde(default)]
    pub price_confirmed: bool,
    /// Why this price is set.
    pub reason: Option<Text<1000>>,
    /// A valuation of this engine on which it was decided.
    #[schema(minimum = 1, example = 77)]
    pub valuation_id: Option<i64>,
    /// null: today. Not after today, and not before the first day of the current price.
    pub on: Option<Day>,
}

/// A change in the asking price of an engine on commission.
#[derive(Debug, Clone, Serialize, QueryableByName, ToSchema)]
#[schema(example = json!({"id": 58, "stock_no": 10, "owner_id": 12, "old_price": "5900.00", "new_price": "5600.00",
    "since": "2026-05-14", "notified_on": null, "method": null, "notified_by": null}))]
pub struct OwnerNotice {
    /// Id of the new asking price.
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    #[diesel(sql_type = Integer)]
    pub stock_no: i32,
    /// The owner of the engine.
    #[diesel(sql_type = Nullable<BigInt>)]
    pub owner_id: Option<i64>,
    /// The asking price before.
    #[diesel(sql_type = Numeric)]
    pub old_price: Money,
    /// The asking price from then on.
    #[diesel(sql_type = Numeric)]
    pub new_price: Money,
    /// The first day of the new price.
    #[diesel(sql_type = Date)]
    pub since: Day,
    /// The day on which the owner was notified; null: not yet.
    #[diesel(sql_type = Nullable<Date>)]
    pub notified_on: Option<Day>,
    /// How the owner was notified, such as by telephone.
    #[diesel(sql_type = Nullable<SqlText>)]
    pub method: Option<Line>,
    /// Who recorded it.
    #[diesel(sql_type = Nullable<SqlText>)]
    pub notified_by: Option<Line>,
}

/// A notification of an owner.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "method": "by telephone"}))]
pub struct NewOwnerNotification {
    /// From the day of the change to today.
    pub on: Day,
    /// How the owner was notified, such as by telephone.
    pub method: Option<Line>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct NoticeFilters {
    /// false, the default: changes not yet reported to the owner; true: those already reported.
    #[serde(default)]
    notified: bool,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// The asking price to consider, above 0.
    #[param(example = "7680.00")]
    price: Money,
}

/// The chance of selling an engine at a price.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "on": "2026-05-14", "price": "7680.00", "basis": "sales", "price_model_id": 12,
    "share_above": "0.3127", "n_sold_before": 24, "median_discount_percent": "4.1667"}))]
pub struct Chance {
    pub stock_no: i32,
    pub on: Day,
    pub price: Money,
    /// What the prediction rests on.
    pub basis: ValuationBasis,
    /// The price model used; null if only the price scale was used.
    pub price_model_id: Option<i64>,
    /// Share (0 to 1) of the predicted prices that lie above this price.
    #[schema(max_length = 40)]
    pub share_above: String,
    /// Engines that the firm set an asking price for and has sold.
    #[schema(minimum = 0)]
    pub n_sold_before: usize,
    /// Their median discount below the first asking price, in per cent of it; below 0 if they fetched more.
    #[schema(max_length = 40)]
    pub median_discount_percent: Option<String>,
}

// Routes

/// List the asking prices of an engine
///
/// Newest first: the first one is in force.
#[get("/engines/{stock_no:\\d+}/asking-prices", 200 = Page<AskingPrice>)]
async fn list_asking_prices(_by: Staff, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let query = asking_prices::table
            .filter(asking_prices::stock_no.eq(stock_no))
            .select(AskingPrice::as_select());
        newest_of_page!(page, query, asking_prices::id)
    };
    list.rows(rows, |it: &AskingPrice| it.id).await
}

/// Set an engine's asking price
///
/// The firm decides; a valuation only advises. Refused (409) if the engine is sold. A change on a commission engine is
/// added to the notices to owners.
#[post("/engines/{stock_no:\\d+}/asking-prices", 201 = AskingPrice)]
async fn create_asking_price(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewAskingPrice>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), *stock_no).await?;
        let confirmed = check(tx, *stock_no, &new).await?;
        let price = insert(tx, *stock_no, &new, confirmed).await?;
        let location = format!("/v1/engines/{stock_no}/asking-prices/{}", price.id);
        Ok((location, price))
    })
    .await
}

/// Get an asking price
#[get("/engines/{stock_no:\\d+}/asking-prices/{id:\\d+}", 200 = AskingPrice,
    params(("id" = i64, Path, example = 10, minimum = 1)))]
async fn get_asking_price(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    path: web::Path<(i32, i64)>,
) -> Reply {
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
    respond(&req, &price)
}

/// List price changes to report to the owners of commission engines
///
/// Only engines on commission. An engine's first price is not a change.
#[get("/owner-notices", 200 = Page<OwnerNotice>)]
async fn list_owner_notices(_by: SellingRead, list: ListQuery<NoticeFilters>) -> Reply {
    let notified = list.filters.notified;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let after = page.after_id().unwrap_or(0);
        changes(conn, Some(notified), after, page.limit, None).await
    };
    list.answer(fetch, |it: &OwnerNotice| it.id).await
}

/// Get a price change and whether its owner was notified
#[get("/owner-notices/{id:\\d+}", 200 = OwnerNotice)]
async fn get_owner_notice(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let notice = find(&mut *db.read().await?, *id).await?;
    respond(&req, &notice)
}

/// Record that an owner was notified of a price change
///
/// 409 if the owner was already notified.
#[post("/owner-notices/{id:\\d+}/notifications", 201 = OwnerNotice)]
async fn record_owner_notification(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewOwnerNotification>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        // Locked, so that of two people who record it at once one is refused.
        let held: Option<i64> = asking_prices::table
            .find(id)
            .select(asking_prices::id)
            .for_update()
            .first(tx.conn())
            .await
            .optional()?;
        held.ok_or_else(|| missing(id))?;
        let notice = find(tx.conn(), id).await?;
        if new.on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        if new.on < notice.since {
            let detail = format!(
                "must not be before the day of the change, {}",
                notice.since.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        if let Some(notified_on) = notice.notified_on {
            let detail = format!(
                "the owner was already notified on {notified_on}; nothing to do",
                notified_on = notified_on.in_words()
            );
            return Err(Problem::conflict(detail));
        }
        diesel::insert_into(owner_notifications::table)
            .values((
                owner_notifications::asking_price_id.eq(id),
                owner_notifications::notified_on.eq(new.on),
                owner_notifications::method.eq(&new.method),
                owner_notifications::notified_by.eq(&actor.person),
            ))
            .execute(tx.conn())
            .await?;
        let entry = json!({"asking_price_id": id, "on": new.on});
        tx.record("owner.notified", Some(notice.stock_no), entry)
            .await?;
        let notified = find(tx.conn(), id).await?;
        Ok((format!("/v1/owner-notices/{id}"), notified))
    })
    .await
}

/// Estimate the chance of selling at a price
///
/// The share of predicted prices above it, and the discount at which the firm's own engines sold. 409 if the engine
/// cannot be valued.
#[get("/engines/{stock_no:\\d+}/chance", 409, 200 = Chance)]
async fn get_chance(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    asked: Query<Asked>,
) -> Reply {
    let (price, on) = (asked.price, actor.today);
    if price <= Money::ZERO {
        let detail = "`price` must be above 0";
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let mut conn = db.read().await?;
    let engine = facts_of(&mut conn, *stock_no, on).await?;
    let ground = PricingBasis::on(&mut conn, on).await?;
    let discounts = discounts(&mut conn, on).await?;
    let chance = Chance {
        stock_no: *stock_no,
        on,
        price,
        basis: ground.basis(),
        price_model_id: ground.price_model_id(),
        share_above: format!("{:.4}", ground.chance_above(&engine, price)?),
        n_sold_before: discounts.len(),
        median_discount_percent: median(discounts).map(four_places),
    };
    respond(&req, &chance)
}

fn median(mut values: Vec<Decimal>) -> Option<Decimal> {
    values.sort_unstable();
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *values.get(middle.checked_sub(1)?)?;
    Some((lower + upper) / Decimal::TWO)
}

// SQL

/// Checks a new asking price and returns the members that were confirmed.
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
    let mut refuse = |pointer: &str, detail: String| {
        broken.push(FieldError {
            pointer: pointer.to_owned(),
            detail,
        });
    };
    if new.price <= Money::ZERO {
        refuse("/price", "must be above 0".to_owned());
    }
    if on > today {
        refuse("/on", "must not be after today".to_owned());
    }
    if let Some(since) = holds_since.filter(|since| on < *since) {
        refuse(
            "/on",
            format!(
                "must not be before {since}, the first day of the current price",
                since = since.in_words()
            ),
        );
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
            refuse("/valuation_id", detail);
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
        sales::table.filter(
            sales::stock_no
                .eq(stock_no)
                .and(sales::sale_cancelled_on.is_null()),
        ),
    ))
    .get_result(tx.conn())
    .await?;
    if sold {
        let detail = "the engine is sold, and its price is that of the sale; nothing to do";
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

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<OwnerNotice, Problem> {
    let found = changes(conn, None, 0, 1, Some(id)).await?.pop();
    found.ok_or_else(|| missing(id))
}

fn missing(id: i64) -> Problem {
    let detail = format!("asking price {id} is not a change of price of an engine on commission");
    Problem::not_found(detail)
}

async fn changes(
    conn: &mut AsyncPgConnection,
    notified: Option<bool>,
    after: i64,
    limit: i64,
    id: Option<i64>,
) -> Result<Vec<OwnerNotice>, Problem> {
    Ok(
        diesel::sql_query(include_str!("asking_prices/owner_notices.sql"))
            .bind::<Nullable<Bool>, _>(notified)
            .bind::<BigInt, _>(after)
            .bind::<BigInt, _>(limit)
            .bind::<Nullable<BigInt>, _>(id)
            .load(conn)
            .await?,
    )
}

#[derive(QueryableByName)]
struct AskedAndPaid {
    #[diesel(sql_type = Numeric)]
    asked: Money,
    #[diesel(sql_type = Numeric)]
    paid: Money,
}

/// In per cent of the first asking price.
async fn discounts(conn: &mut AsyncPgConnection, on: Day) -> Result<Vec<Decimal>, Problem> {
    let rows: Vec<AskedAndPaid> =
        diesel::sql_query(include_str!("asking_prices/asked_and_paid.sql"))
            .bind::<Date, _>(on)
            .load(conn)
            .await?;
    let percents = rows.iter().filter_map(|row| {
        let (asked, paid) = (row.asked.decimal(), row.paid.decimal());
        (Decimal::ONE_HUNDRED * (asked - paid)).checked_div(asked)
    });
    Ok(percents.collect())
}
