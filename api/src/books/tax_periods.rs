//! Tax periods: a closed one is never changed, and corrections are dated in the open one.

use crate::{
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
    },
    schema::tax_periods,
};
use actix_web::web;
use diesel::{dsl::max, prelude::*};
use diesel_async::{AsyncPgConnection, SimpleAsyncConnection};
use outshop_core::days::{Day, DaySpan};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_tax_periods)
        .service(close_tax_period)
        .service(get_tax_period);
}

// Types

/// A closed tax period, both ends included.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = tax_periods)]
#[schema(example = json!({"id": 3, "from": "2026-01-01", "until": "2026-03-31", "closed_on": "2026-04-20"}))]
pub struct TaxPeriod {
    pub id: i64,
    #[diesel(column_name = from_day)]
    pub from: Day,
    #[diesel(column_name = until_day)]
    pub until: Day,
    /// The day on which it was closed.
    pub closed_on: Day,
}

/// A tax period to close.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2026-01-01", "until": "2026-03-31"}))]
pub struct NewTaxPeriod {
    /// The day after the last closed period; any day for the first one.
    pub from: Day,
    /// The last day of the period, before today.
    pub until: Day,
}

// Routes

/// List the closed tax periods
#[get("/tax-periods", 200 = Page<TaxPeriod>)]
async fn list_tax_periods(_by: MoneyDesk, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = tax_periods::table.select(TaxPeriod::as_select());
        of_page!(page, all, tax_periods::id)
    };
    list.rows(rows, |it: &TaxPeriod| it.id).await
}

/// Close a tax period
///
/// Nothing can then be dated in it or before it. It cannot be reopened.
#[post("/tax-periods", 201 = TaxPeriod)]
async fn close_tax_period(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewTaxPeriod>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        // Later writers will see the period.
        hold(tx.conn()).await?;
        if new.until < new.from {
            return Err(Problem::invalid(
                "/until",
                "must not be before the first day",
            ));
        }
        if new.until >= actor.today {
            return Err(Problem::invalid("/until", "must be before today"));
        }
        if let Some(next) = first_open(tx.conn())
            .await?
            .filter(|next| *next != new.from)
        {
            let detail = format!("must be {next}, the day after the last closed period");
            return Err(Problem::invalid("/from", detail));
        }
        let period: TaxPeriod = diesel::insert_into(tax_periods::table)
            .values((
                tax_periods::from_day.eq(new.from),
                tax_periods::until_day.eq(new.until),
                tax_periods::closed_on.eq(actor.today),
            ))
            .returning(TaxPeriod::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"period_id": period.id, "from": period.from, "until": period.until});
        tx.record("tax_period.closed", None, entry).await?;
        Ok((format!("/v1/tax-periods/{}", period.id), period))
    })
    .await
}

/// Get a closed tax period
#[get("/tax-periods/{id:\\d+}", 200 = TaxPeriod)]
async fn get_tax_period(_by: MoneyDesk, found: Found<TaxPeriod>) -> Reply {
    found.respond()
}

// SQL

by_id!(TaxPeriod, tax_periods, "there is no closed tax period {id}");

/// Waits for transactions that are writing a dated line; nobody else writes one until this transaction ends.
pub(crate) async fn hold(conn: &mut AsyncPgConnection) -> Result<(), Problem> {
    Ok(conn
        .batch_execute("LOCK TABLE tax_periods IN EXCLUSIVE MODE")
        .await?)
}

/// The closed periods that have a day in the span, earliest first.
pub(crate) async fn touching(
    conn: &mut AsyncPgConnection,
    span: DaySpan,
) -> Result<Vec<TaxPeriod>, Problem> {
    Ok(tax_periods::table
        .filter(tax_periods::from_day.le(span.until))
        .filter(tax_periods::until_day.ge(span.from))
        .order(tax_periods::from_day)
        .select(TaxPeriod::as_select())
        .load(conn)
        .await?)
}

/// Refuses a day on or before the last closed one. No period can be closed until the transaction ends.
pub(crate) async fn period_must_be_open(
    conn: &mut AsyncPgConnection,
    on: Day,
) -> Result<(), Problem> {
    let open = in_open(conn, on).await?;
    if open == on {
        return Ok(());
    }
    Err(Problem::conflict(format!(
        "{on} is in a closed tax period; use {open}, the first open day, or a later one",
        on = on.in_words(),
        open = open.in_words()
    )))
}

/// The day itself if it is open, else the first open day. No period can be closed until the transaction ends.
pub(crate) async fn in_open(conn: &mut AsyncPgConnection, on: Day) -> Result<Day, Problem> {
    conn.batch_execute("LOCK TABLE tax_periods IN ROW SHARE MODE")
        .await?;
    Ok(first_open(conn).await?.map_or(on, |first| on.max(first)))
}

/// The day after the last closed period; `None` if none was closed.
async fn first_open(conn: &mut AsyncPgConnection) -> Result<Option<Day>, Problem> {
    let last: Option<Day> = tax_periods::table
        .select(max(tax_periods::until_day))
        .get_result(conn)
        .await?;
    Ok(last.map(|last| last.plus_days(1)))
}
