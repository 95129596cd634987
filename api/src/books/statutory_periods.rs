//! Statutory periods: dated rows that are added and ended, never edited.

use crate::{
    firm::dated_rows::{ByJurisdiction, Dated, NewEnd, RuleFilters, by_jurisdiction, dated},
    ground::{
        actor::{AnyKey, MoneyDesk},
        answers::{Found, Reply},
        body::Body,
        db::{ById, Db, RunQueryDsl, by_id},
        list::{ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::statutory_periods,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::codes::{Jurisdiction, Mark},
    books::terms::{Term, TermKey, TermUnit},
    days::Day,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_statutory_periods)
        .service(create_statutory_period)
        .service(get_statutory_period)
        .service(end_statutory_period);
}

// Types

/// A statutory period for consumer sales in one jurisdiction.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = statutory_periods)]
#[schema(as = StatutoryPeriod, example = json!({"id": 1, "jurisdiction": "GB", "rule": "short_term_reject_days", "value": 30, "unit": "days",
    "from": null, "until": null, "source": "Consumer Rights Act 2015 s.22(3)", "confidence": "published"}))]
pub struct Row {
    pub id: i64,
    /// The jurisdiction that it applies in.
    pub jurisdiction: Jurisdiction,
    pub rule: TermKey,
    /// In `unit`.
    #[schema(minimum = 0, maximum = 10000)]
    pub value: i32,
    pub unit: TermUnit,
    /// The rule applies to deliveries from this day; null: from the beginning.
    #[diesel(column_name = valid_from)]
    pub from: Option<Day>,
    /// Last day, inclusive; null: no end.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    /// How certain it is.
    #[diesel(column_name = mark)]
    pub confidence: Mark,
}

/// A statutory period to add.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = statutory_periods)]
#[serde(deny_unknown_fields)]
#[schema(as = NewStatutoryPeriod, example = json!({"jurisdiction": "GB", "rule": "cancel_days", "value": 21, "unit": "days",
    "from": "2027-01-01", "source": "the firm's own terms", "confidence": "published"}))]
pub struct NewRow {
    /// The jurisdiction that it applies in.
    pub jurisdiction: Jurisdiction,
    pub rule: TermKey,
    /// In `unit`.
    #[schema(minimum = 0, maximum = 10000)]
    pub value: i32,
    pub unit: TermUnit,
    /// The rule applies to deliveries from this day.
    #[diesel(column_name = valid_from)]
    pub from: Day,
    /// Last day, inclusive; null: no end.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    /// How certain it is.
    #[diesel(column_name = mark)]
    pub confidence: Mark,
}

impl NewRow {
    fn check(&self) -> Result<(), Problem> {
        all_hold([
            (
                (0..=10_000).contains(&self.value),
                "/value",
                "must be a whole number from 0 to 10000",
            ),
            (
                self.until.is_none_or(|until| until >= self.from),
                "/until",
                "must not be before the first day",
            ),
        ])
    }
}

// Routes

/// List the statutory time limits (returns, repairs, cancellation)
///
/// Rules that have ended are listed too.
#[get("/statutory-periods", 200 = Page<Row>)]
async fn list_statutory_periods(_by: AnyKey, list: ListQuery<RuleFilters>) -> Reply {
    Row::list(list).await
}

/// Add a statutory time limit
///
/// If several rules apply on a date, the one with the later start date is used.
#[post("/statutory-periods", 201 = Row)]
async fn create_statutory_period(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewRow>,
) -> Reply {
    new.check()?;
    db.create(&actor, &new, async |tx| {
        let row = Row::added(tx.conn(), &new).await?;
        let entry = json!({"term_id": row.id, "rule": row.rule, "from": row.from});
        tx.record("statutory_period.created", None, entry).await?;
        Ok((format!("/v1/statutory-periods/{}", row.id), row))
    })
    .await
}

/// Get a statutory time limit
#[get("/statutory-periods/{id:\\d+}", 200 = Row)]
async fn get_statutory_period(_by: AnyKey, found: Found<Row>) -> Reply {
    found.respond()
}

/// End a statutory time limit
///
/// The rule is kept for past deliveries. Add its replacement as a new rule.
#[post("/statutory-periods/{id:\\d+}/end", 201 = Row)]
async fn end_statutory_period(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewEnd>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let current = Row::lock(tx.conn(), id).await?;
        current.may_end(&new)?;
        let ended = Row::ended(tx.conn(), id, &new).await?;
        let entry = json!({"term_id": id, "until": new.until});
        tx.record("statutory_period.ended", None, entry).await?;
        Ok((format!("/v1/statutory-periods/{id}"), ended))
    })
    .await
}

// SQL

by_id!(Row, statutory_periods, "there is no statutory period {id}");
by_jurisdiction!(Row, statutory_periods);
dated!(Row, statutory_periods, NewRow);

/// All rows of a jurisdiction, for core.
pub(crate) async fn of(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
) -> Result<Vec<Term>, Problem> {
    let terms = Row::of(conn, jurisdiction).await?.into_iter().map(|row| {
        Ok(Term {
            jurisdiction: row.jurisdiction,
            rule: row.rule,
            value: row.value.try_into().map_err(Problem::internal)?,
            unit: row.unit,
            valid_from: row.from,
            valid_until: row.until,
            source: row.source.to_string(),
            mark: row.confidence,
        })
    });
    terms.collect()
}
