//! Prices as they stand: what an engine would fetch unfinished, for the stock valuation.

use crate::{
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::all_hold,
        text::Text,
    },
    schema::as_it_stands_prices,
    stock,
};
use actix_web::web;
use diesel::prelude::*;
use outshop_core::{days::Day, money::Money};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_as_it_stands_prices)
        .service(create_as_it_stands_price)
        .service(get_as_it_stands_price);
}

// Types

/// What an engine would fetch unfinished. On a given day the latest one up to that day is used.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = as_it_stands_prices)]
#[schema(example = json!({"id": 4, "stock_no": 10, "on": "2026-03-31", "price": "4100.00", "reason": "a dealer's offer for it in pieces"}))]
pub struct AsItStandsPrice {
    pub id: i64,
    pub stock_no: i32,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Including tax.
    pub price: Money,
    /// How the price was arrived at.
    pub reason: Text<1000>,
}

/// A price of an engine as it stands.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-03-31", "price": "4100.00", "reason": "a dealer's offer for it in pieces"}))]
pub struct NewAsItStandsPrice {
    /// From the day the engine arrived to today.
    pub on: Day,
    /// Including tax; 0 or more.
    pub price: Money,
    /// How the price was arrived at.
    pub reason: Text<1000>,
}

// Routes

/// List an engine's prices as it stands
#[get("/engines/{stock_no:\\d+}/as-it-stands-prices", 200 = Page<AsItStandsPrice>)]
async fn list_as_it_stands_prices(
    _by: MoneyDesk,
    stock_no: web::Path<i32>,
    list: ListQuery,
) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let rows = as_it_stands_prices::table
            .filter(as_it_stands_prices::stock_no.eq(stock_no))
            .select(AsItStandsPrice::as_select());
        of_page!(page, rows, as_it_stands_prices::id)
    };
    list.rows(rows, |price: &AsItStandsPrice| price.id).await
}

/// Record the price of an engine as it stands
///
/// The stock valuation uses it if selling the engine unfinished brings in more than finishing it first.
#[post("/engines/{stock_no:\\d+}/as-it-stands-prices", 201 = AsItStandsPrice)]
async fn create_as_it_stands_price(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewAsItStandsPrice>,
) -> Reply {
    let stock_no = *stock_no;
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), stock_no).await?;
        let came_on = stock::came_on(tx.conn(), stock_no).await?;
        let early = format!(
            "must not be before the engine arrived on {came_on}",
            came_on = came_on.in_words()
        );
        all_hold([
            (new.on <= actor.today, "/on", "must not be in the future"),
            (new.on >= came_on, "/on", early.as_str()),
            (!new.price.is_negative(), "/price", "must be 0 or more"),
        ])?;
        let price: AsItStandsPrice = diesel::insert_into(as_it_stands_prices::table)
            .values((
                as_it_stands_prices::stock_no.eq(stock_no),
                as_it_stands_prices::on_day.eq(new.on),
                as_it_stands_prices::price.eq(new.price),
                as_it_stands_prices::reason.eq(&new.reason),
            ))
            .returning(AsItStandsPrice::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"as_it_stands_price_id": price.id, "on": price.on});
        tx.record("engine.priced_as_it_stands", Some(stock_no), entry)
            .await?;
        let location = format!("/v1/as-it-stands-prices/{}", price.id);
        Ok((location, price))
    })
    .await
}

/// Get a price of an engine as it stands
#[get("/as-it-stands-prices/{id:\\d+}", 200 = AsItStandsPrice)]
async fn get_as_it_stands_price(_by: MoneyDesk, found: Found<AsItStandsPrice>) -> Reply {
    found.respond()
}

// SQL

by_id!(
    AsItStandsPrice,
    as_it_stands_prices,
    "there is no price {id} for an engine as it stands"
);
