//! Test terms: what each kind of test takes of a fitter, and what others are paid for it.

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, shown},
        body::Patch,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
    },
    schema::test_terms,
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
        .service(list_test_terms)
        .service(get_test_terms)
        .service(change_test_terms);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = test_terms)]
#[schema(example = json!({"test": "steam", "hours": "3", "fee": "0.00"}))]
pub struct TestTerms {
    pub test: TestKind,
    /// Of a fitter, the making ready included.
    pub hours: Hours,
    /// Net of tax.
    pub fee: Money,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = test_terms)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"fee": "35.00"}))]
pub struct TestTermsPatch {
    /// 0 to 24.
    pub hours: Hours,
    /// 0 or more.
    pub fee: Money,
}

// Routes

/// List what tests take
#[get("/test-terms", 200 = Page<TestTerms>)]
async fn list_test_terms(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let terms = test_terms::table.select(TestTerms::as_select());
        terms
            .filter(test_terms::test.gt(page.after_word().to_owned()))
            .order(test_terms::test)
            .limit(page.limit)
    };
    list.rows(rows, |it: &TestTerms| (json!(it.test), 0)).await
}

/// Read what a test takes
#[get("/test-terms/{test}", 200 = TestTerms, params(("test" = TestKind, Path, example = "steam")))]
async fn get_test_terms(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    test: web::Path<TestKind>,
) -> Reply {
    let terms: TestTerms = test_terms::table
        .find(*test)
        .select(TestTerms::as_select())
        .first(&mut *db.read().await?)
        .await?;
    shown(&req, &terms)
}

/// Change what a test takes
#[patch("/test-terms/{test}", 200 = TestTerms, params(("test" = TestKind, Path, example = "steam")))]
async fn change_test_terms(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    test: web::Path<TestKind>,
    patch: Patch<TestTermsPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current: TestTerms = test_terms::table
            .find(*test)
            .select(TestTerms::as_select())
            .for_update()
            .first(tx.conn())
            .await?;
        let change = patch.merged(&current)?;
        let day: Hours = "24".parse().expect("hours of a day");
        let in_a_day = |hours: Hours| (Hours::ZERO..=day).contains(&hours);
        all_hold([
            (in_a_day(change.hours), "/hours", "not 0 to 24 hours"),
            (!change.fee.is_negative(), "/fee", "not 0 or more"),
        ])?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: TestTerms = diesel::update(test_terms::table.find(*test))
            .set(&change)
            .returning(TestTerms::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"test": *test, "members": patch.members()});
        tx.record("test_terms.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

// SQL

pub(crate) async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<TestTerms>, Problem> {
    Ok(test_terms::table
        .select(TestTerms::as_select())
        .load(conn)
        .await?)
}
