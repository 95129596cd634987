//! Exchange rates: the value in the firm's currency of a currency that a rule uses.

use crate::{
    firm::firm,
    ground::{
        actor::{MoneyDesk, SellingRead},
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::Text,
    },
    schema::exchange_rates,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::tax::{ExchangeRow, TaxUnit},
    days::Day,
    pricing::price_scale::Ratio,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_exchange_rates)
        .service(create_exchange_rate)
        .service(get_exchange_rate);
}

// Types

/// The value of one unit of a currency from a day on, until a later rate replaces it.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = exchange_rates)]
#[schema(example = json!({"id": 1, "currency": "EUR", "from": "2026-05-01", "worth": "0.85", "source": "the bank's letter of 1 May"}))]
pub struct ExchangeRate {
    pub id: i64,
    /// `EUR` or `GBP` (ISO 4217).
    pub currency: TaxUnit,
    #[diesel(column_name = from_day)]
    /// The first day on which it applies.
    pub from: Day,
    /// The value of one unit in the firm's currency.
    pub worth: Ratio,
    /// Where it is published.
    pub source: Text<300>,
}

/// An exchange rate from a day on.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = exchange_rates)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"currency": "EUR", "from": "2026-05-01", "worth": "0.85", "source": "the bank's letter of 1 May"}))]
pub struct NewExchangeRate {
    /// `EUR` or `GBP`, but not the firm's own currency.
    pub currency: TaxUnit,
    #[diesel(column_name = from_day)]
    /// The first day on which it applies.
    pub from: Day,
    /// The value of one unit in the firm's currency.
    pub worth: Ratio,
    /// Where it is published.
    pub source: Text<300>,
}

// Routes

/// List the exchange rates
#[get("/exchange-rates", 200 = Page<ExchangeRate>)]
async fn list_exchange_rates(_by: SellingRead, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = exchange_rates::table.select(ExchangeRate::as_select());
        of_page!(page, all, exchange_rates::id)
    };
    list.rows(rows, |it: &ExchangeRate| it.id).await
}

/// Set an exchange rate
///
/// The cash rule uses it if the legal limit is in another currency than the firm's.
#[post("/exchange-rates", 201 = ExchangeRate)]
async fn create_exchange_rate(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewExchangeRate>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let own = firm::find(tx.conn()).await?.currency;
        let is_foreign = match new.currency {
            TaxUnit::Eur | TaxUnit::Gbp => new.currency.as_str() != &*own,
            TaxUnit::Percent | TaxUnit::Years | TaxUnit::Months | TaxUnit::Days | TaxUnit::Yes => {
                false
            }
        };
        if !is_foreign {
            let detail = format!("must be EUR or GBP, and not the firm's own currency, {own}");
            return Err(Problem::invalid("/currency", detail));
        }
        let rate: ExchangeRate = diesel::insert_into(exchange_rates::table)
            .values(&*new)
            .returning(ExchangeRate::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry =
            json!({"exchange_rate_id": rate.id, "currency": rate.currency, "from": rate.from});
        tx.record("exchange_rate.created", None, entry).await?;
        Ok((format!("/v1/exchange-rates/{}", rate.id), rate))
    })
    .await
}

/// Get an exchange rate
#[get("/exchange-rates/{id:\\d+}", 200 = ExchangeRate)]
async fn get_exchange_rate(_by: SellingRead, found: Found<ExchangeRate>) -> Reply {
    found.respond()
}

// SQL

by_id!(
    ExchangeRate,
    exchange_rates,
    "there is no exchange rate {id}"
);

/// All rows, for core.
pub(crate) async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<ExchangeRow>, Problem> {
    let rates: Vec<ExchangeRate> = exchange_rates::table
        .select(ExchangeRate::as_select())
        .order((exchange_rates::from_day.desc(), exchange_rates::id))
        .limit(10_000)
        .load(conn)
        .await?;
    let rows = rates.into_iter().map(|rate| ExchangeRow {
        currency: rate.currency,
        worth: rate.worth,
        from: rate.from,
        until: None,
    });
    Ok(rows.collect())
}
