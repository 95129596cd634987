//! Chances: what speaks for a buyer at an asking price.

use crate::{
    ground::{
        actor::SellingRead,
        answers::shown,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::{self, Problem},
        query::Query,
    },
    pricing::valuations::{answer::Ground, facts_of},
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::{
    QueryableByName,
    sql_types::{Date, Numeric},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{days::Day, money::Money, trade::ValuationBasis, units::four_places};
use outshop_operation::get;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices").service(get_chance);
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// The asking price thought of, above 0.
    #[param(example = "7680.00")]
    price: Money,
}

#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "on": "2026-05-14", "price": "7680.00", "basis": "sales", "fit_id": 12,
    "share_above": "0.3127", "n_sold_before": 24, "median_discount_percent": "4.1667"}))]
pub struct Chance {
    pub stock_no: i32,
    pub on: Day,
    pub price: Money,
    pub basis: ValuationBasis,
    pub fit_id: Option<i64>,
    /// The share of the prices that it might fetch, as predicted, which lie above the price asked.
    #[schema(max_length = 40)]
    pub share_above: String,
    /// Engines that the firm asked a price for and sold.
    #[schema(minimum = 0)]
    pub n_sold_before: usize,
    /// Their median discount: what was paid below the first price asked, in per cent of that; below 0 where it was more.
    #[schema(max_length = 40)]
    pub median_discount_percent: Option<String>,
}

// Routes

/// Estimate the chance of an asking price
///
/// The share of the predicted prices above it, and the discount that the firm's own asking prices took until they sold.
#[get("/engines/{stock_no:\\d+}/chance", 200 = Chance)]
async fn get_chance(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    asked: Query<Asked>,
) -> Result<HttpResponse, Problem> {
    let (price, on) = (asked.price, actor.today);
    if price <= Money::ZERO {
        let detail = "`price` is not above 0";
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let mut conn = db.read().await?;
    let engine = facts_of(&mut conn, *stock_no, on).await?;
    let ground = Ground::on(&mut conn, on).await?;
    let discounts = discounts(&mut conn, on).await?;
    let chance = Chance {
        stock_no: *stock_no,
        on,
        price,
        basis: ground.basis(),
        fit_id: ground.fit_id(),
        share_above: format!("{:.4}", ground.chance_above(&engine, price)?),
        n_sold_before: discounts.len(),
        median_discount_percent: median(discounts).map(four_places),
    };
    shown(&req, &chance)
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

#[derive(QueryableByName)]
struct AskedAndPaid {
    #[diesel(sql_type = Numeric)]
    asked: Money,
    #[diesel(sql_type = Numeric)]
    paid: Money,
}

/// In per cent of the first price asked.
async fn discounts(conn: &mut AsyncPgConnection, on: Day) -> Result<Vec<Decimal>, Problem> {
    let rows: Vec<AskedAndPaid> = diesel::sql_query(include_str!("chances/asked_and_paid.sql"))
        .bind::<Date, _>(on)
        .load(conn)
        .await?;
    let percents = rows.iter().filter_map(|row| {
        let (asked, paid) = (row.asked.decimal(), row.paid.decimal());
        (Decimal::ONE_HUNDRED * (asked - paid)).checked_div(asked)
    });
    Ok(percents.collect())
}
