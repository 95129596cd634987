//! Test costs: the fitter's hours and the outside fee for each kind of test.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, respond},
        body::Patch,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
    },
    schema::test_costs,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{boilers::events::TestKind, money::Money, workshop::jobs::Hours};
use outshop_operation::{get, patch};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs")
        .service(list_test_costs)
        .service(get_test_costs)
        .service(change_test_costs);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = test_costs)]
#[schema(example = json!({"test": "steam", "hours": "3", "fee": "0.00"}))]
pub struct TestCosts {
    pub test: TestKind,
    /// A fitter's hours, including preparation.
    pub hours: Hours,
    /// Paid to others, net of tax.
    pub fee: Money,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = test_costs)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"fee": "35.00"}))]
pub struct TestCostsPatch {
    /// 0 to 24.
    pub hours: Hours,
    /// 0 or more.
    pub fee: Money,
}

// Routes

/// List the fee and hours for each kind of test
#[get("/test-costs", 200 = Page<TestCosts>)]
async fn list_test_costs(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let terms = test_costs::table.select(TestCosts::as_select());
        terms
            .filter(test_costs::test.gt(page.after_word().to_owned()))
            .order(test_costs::test)
            .limit(page.limit)
    };
    list.rows(rows, |it: &TestCosts| (json!(it.test), 0)).await
}

/// Get the fee and hours for a kind of test
#[get("/test-costs/{test}", 200 = TestCosts, params(("test" = TestKind, Path, example = "steam")))]
async fn get_test_costs(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    test: web::Path<TestKind>,
) -> Reply {
    let terms: TestCosts = test_costs::table
        .find(*test)
        .select(TestCosts::as_select())
        .first(&mut *db.read().await?)
        .await?;
    respond(&req, &terms)
}

/// Change the fee and hours for a kind of test
#[patch("/test-costs/{test}", 200 = TestCosts, params(("test" = TestKind, Path, example = "steam")))]
async fn change_test_costs(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    test: web::Path<TestKind>,
    patch: Patch<TestCostsPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current: TestCosts = test_costs::table
            .find(*test)
            .select(TestCosts::as_select())
            .for_update()
            .first(tx.conn())
            .await?;
        let change = patch.merged(&current)?;
        let day: Hours = "24".parse().expect("hours of a day");
        let in_a_day = |hours: Hours| (Hours::ZERO..=day).contains(&hours);
        all_hold([
            (in_a_day(change.hours), "/hours", "must be 0 to 24 hours"),
            (!change.fee.is_negative(), "/fee", "must be 0 or more"),
        ])?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: TestCosts = diesel::update(test_costs::table.find(*test))
            .set(&change)
            .returning(TestCosts::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"test": *test, "members": patch.members()});
        tx.record("test_costs.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

// SQL

pub(crate) async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<TestCosts>, Problem> {
    Ok(test_costs::table
        .select(TestCosts::as_select())
        .load(conn)
        .await?)
}
