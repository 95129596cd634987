//! Back-tests: how accurate valuations would have been if each own sale had been valued from the sales before it.

use crate::{
    ground::{
        actor::{Selling, SellingRead},
        answers::{Reply, respond},
        body::Body,
        db::{self, ById, Db, RunQueryDsl, SystemEntry, by_id},
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::Problem,
    },
    pricing::{
        achieved_sales::{self, AchievedSale, Record},
        price_models::{self, Learned},
        price_scale,
        track_record::{SaleAgainstValuation, Scores, scores},
        valuations::answer::PricingBasis,
    },
    schema::back_tests,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};
use outshop_core::{
    days::Day,
    pricing::{price_scale::PriceScale, valuation::FitError},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::{collections::BTreeMap, sync::Arc};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_back_tests)
        .service(create_back_test)
        .service(get_back_test);
}

/// Sales valued in one back-test, the latest of its period: nearly every one needs a model of its own.
const MOST_SALES: usize = 200;
/// How many of 100 prices are expected in each range.
const LEVEL_PERCENT: u8 = 80;

// Types

/// The firm's own sales in a period, each valued from the sales before its day, with the price scale of that day.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 2, "from": "2025-01-01", "to": "2026-05-14", "asked_on": "2026-05-14", "scores": null}))]
pub struct BackTest {
    pub id: i64,
    pub from: Day,
    pub to: Day,
    /// The day on which it was requested.
    pub asked_on: Day,
    /// null until it is calculated, which takes about a second per sale.
    pub scores: Option<Scores>,
}

/// The period of a back-test.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"from": "2025-01-01"}))]
pub struct NewBackTest {
    /// The first day of sales; null: the first on record.
    pub from: Option<Day>,
    /// The last day of sales, not after today; null: today.
    pub to: Option<Day>,
}

// Routes

/// List the back-tests
///
/// Newest first.
#[get("/back-tests", 200 = Page<BackTest>)]
async fn list_back_tests(_by: SellingRead, list: ListQuery) -> Reply {
    let fetch = async |conn: &mut AsyncPgConnection, page: Keyset| {
        let all = back_tests::table.select(Row::as_select());
        let rows = newest_of_page!(page, all, back_tests::id);
        let rows: Vec<Row> = rows.load(conn).await?;
        rows.into_iter().map(Row::back_test).collect()
    };
    list.answer(fetch, |it: &BackTest| it.id).await
}

/// Start a back-test
///
/// Takes the firm's own sales in the period, at most the latest 200. Each is valued from the sales before its day, with
/// the price scale of that day, and compared with the price it fetched. Calculated in the background; get it again for
/// the result.
#[post("/back-tests", 201 = BackTest)]
async fn create_back_test(
    Selling(actor): Selling,
    db: web::Data<Db>,
    new: Body<NewBackTest>,
) -> Reply {
    let (from, to) = (
        new.from.unwrap_or(Day::FIRST),
        new.to.unwrap_or(actor.today),
    );
    if to > actor.today {
        return Err(Problem::invalid("/to", "must not be in the future"));
    }
    if from > to {
        return Err(Problem::invalid("/from", "must not be after the last day"));
    }
    db.create(&actor, &new, async |tx| {
        let row: Row = diesel::insert_into(back_tests::table)
            .values((
                back_tests::from_day.eq(from),
                back_tests::to_day.eq(to),
                back_tests::asked_on.eq(actor.today),
            ))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"back_test_id": row.id});
        tx.record("back_test.created", None, entry).await?;
        Ok((format!("/v1/back-tests/{}", row.id), row.back_test()?))
    })
    .await
}

/// Get a back-test
#[get("/back-tests/{id:\\d+}", 200 = BackTest)]
async fn get_back_test(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let row = Row::find(&mut *db.read().await?, *id).await?;
    respond(&req, &row.back_test()?)
}

// Working out

/// Calculates the waiting back-tests, oldest first. One that is interrupted starts again.
pub async fn work_off(db: &Db) -> Result<(), Problem> {
    let waiting = back_tests::table.filter(back_tests::sales.is_null());
    let some: Option<i64> = waiting
        .select(back_tests::id)
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    if some.is_none() {
        return Ok(());
    }
    price_models::alone(db, async |conn| {
        loop {
            let next: Option<Row> = back_tests::table
                .filter(back_tests::sales.is_null())
                .order(back_tests::id)
                .select(Row::as_select())
                .first(conn)
                .await
                .optional()?;
            let Some(next) = next else {
                return Ok(());
            };
            let sales = valued(conn, next.from_day, next.to_day).await?;
            store(conn, &next, &sales).await?;
        }
    })
    .await?;
    Ok(())
}

/// Newest sale first.
async fn valued(
    conn: &mut AsyncPgConnection,
    from: Day,
    to: Day,
) -> Result<Vec<SaleAgainstValuation>, Problem> {
    let achieved = Arc::new(achieved_sales::load(conn, to).await?);
    let mut own: Vec<usize> = (0..achieved.len())
        .filter(|i| matches!(achieved[*i].record, Record::Own { .. }))
        .filter(|i| achieved[*i].engine.on >= from)
        .collect();
    own.reverse();
    own.truncate(MOST_SALES);
    let mut by_day: BTreeMap<Day, Vec<usize>> = BTreeMap::new();
    for i in own {
        by_day.entry(achieved[i].engine.on).or_default().push(i);
    }
    let mut all = Vec::new();
    for (day, sales) in by_day.into_iter().rev() {
        let price_scale = match price_scale::in_force(conn, day).await? {
            Some(version) => Some(version.rules()?),
            None => None,
        };
        let achieved = Arc::clone(&achieved);
        let work =
            tokio::task::spawn_blocking(move || of_a_day(&achieved, day, &sales, price_scale));
        all.extend(work.await.map_err(Problem::internal)??);
    }
    Ok(all)
}

fn of_a_day(
    achieved: &[AchievedSale],
    day: Day,
    sales: &[usize],
    price_scale: Option<PriceScale>,
) -> Result<Vec<SaleAgainstValuation>, Problem> {
    let ground = price_scale.map(|price_scale| {
        let before = achieved.iter().filter(|sale| sale.engine.on < day);
        match Learned::from(before, &price_scale) {
            Ok(learned) => Ok(PricingBasis::Sales(Arc::new(learned))),
            Err(FitError::TooFewSales { .. }) => {
                Ok(PricingBasis::PriceScale(Arc::new(price_scale)))
            }
            Err(error) => Err(Problem::internal(error)),
        }
    });
    let ground = ground.transpose()?;
    let against = sales.iter().filter_map(|i| {
        let sale = &achieved[*i];
        let Record::Own { sale_id, stock_no } = sale.record else {
            return None;
        };
        // An engine without a price in the price scale is not valued.
        let range = ground
            .as_ref()
            .map(|ground| ground.range(&sale.engine, LEVEL_PERCENT));
        let range = range.and_then(Result::ok);
        Some(SaleAgainstValuation {
            sale_id,
            stock_no,
            on: day,
            price: sale.price,
            valuation_id: None,
            low: range.map(|(low, ..)| low),
            likely: range.map(|(_, likely, _)| likely),
            high: range.map(|(.., high)| high),
            level_percent: range.map(|_| LEVEL_PERCENT.into()),
            within: range.map(|(low, _, high)| (low..=high).contains(&sale.price)),
        })
    });
    Ok(against.collect())
}

// SQL

by_id!(Row, back_tests, "there is no back-test {id}");

#[derive(Queryable, Selectable)]
#[diesel(table_name = back_tests)]
struct Row {
    id: i64,
    from_day: Day,
    to_day: Day,
    asked_on: Day,
    sales: Option<Value>,
}

impl Row {
    fn back_test(self) -> Result<BackTest, Problem> {
        let sales: Option<Vec<SaleAgainstValuation>> = self
            .sales
            .map(serde_json::from_value)
            .transpose()
            .map_err(Problem::internal)?;
        Ok(BackTest {
            id: self.id,
            from: self.from_day,
            to: self.to_day,
            asked_on: self.asked_on,
            scores: sales.map(scores),
        })
    }
}

async fn store(
    conn: &mut AsyncPgConnection,
    asked: &Row,
    sales: &[SaleAgainstValuation],
) -> Result<(), Problem> {
    AnsiTransactionManager::begin_transaction(conn).await?;
    let stored = async {
        diesel::update(back_tests::table.find(asked.id))
            .set(back_tests::sales.eq(json!(sales)))
            .execute(conn)
            .await?;
        let entry = SystemEntry {
            what: "back_test.done",
            stock_no: None,
            data: json!({"back_test_id": asked.id, "n_sales": sales.len()}),
        };
        db::record_for_system(conn, asked.asked_on, vec![entry]).await
    }
    .await;
    match stored {
        Ok(()) => AnsiTransactionManager::commit_transaction(conn).await?,
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            return Err(error.into());
        }
    }
    Ok(())
}
