//! Owner notices: changes of the asking price of an engine on commission, and whether its owner was told.

use crate::{
    ground::{
        actor::{Selling, SellingRead},
        answers::shown,
        body::Body,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
        text::Line,
    },
    schema::{asking_prices, owner_tellings},
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Bool, Date, Integer, Nullable, Numeric, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{days::Day, money::Money};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_owner_notices)
        .service(get_owner_notice)
        .service(tell_owner);
}

// Types

/// A change of what is asked for somebody else's engine.
#[derive(Debug, Clone, Serialize, QueryableByName, ToSchema)]
#[schema(example = json!({"id": 58, "stock_no": 10, "owner_id": 12, "old_price": "5900.00", "new_price": "5600.00",
    "since": "2026-05-14", "told_on": null, "how": null, "told_by": null}))]
pub struct OwnerNotice {
    /// Id of the new asking price.
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    #[diesel(sql_type = Integer)]
    pub stock_no: i32,
    #[diesel(sql_type = Nullable<BigInt>)]
    pub owner_id: Option<i64>,
    #[diesel(sql_type = Numeric)]
    pub old_price: Money,
    #[diesel(sql_type = Numeric)]
    pub new_price: Money,
    /// The day from which the new price is asked.
    #[diesel(sql_type = Date)]
    pub since: Day,
    /// null: the owner has not been told.
    #[diesel(sql_type = Nullable<Date>)]
    pub told_on: Option<Day>,
    #[diesel(sql_type = Nullable<Text>)]
    pub how: Option<Line>,
    #[diesel(sql_type = Nullable<Text>)]
    pub told_by: Option<Line>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "how": "by telephone"}))]
pub struct NewTelling {
    /// From the day of the change to today.
    pub on: Day,
    pub how: Option<Line>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct NoticeFilters {
    /// false, which is the default: changes that the owner has still to be told of; true: the others.
    #[serde(default)]
    told: bool,
}

// Routes

/// List the changes of asking prices that owners have still to be told of
///
/// Of engines on commission. The first price of an engine is no change.
#[get("/owner-notices", 200 = Page<OwnerNotice>)]
async fn list_owner_notices(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<NoticeFilters>,
) -> Result<HttpResponse, Problem> {
    let told = list.filters.told;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let after = page.after_id().unwrap_or(0);
        changes(conn, Some(told), after, page.limit, None).await
    };
    list.answer(&req, &db, fetch, |notice: &OwnerNotice| {
        (Value::Null, notice.id)
    })
    .await
}

/// Read a change of an asking price with whether its owner was told
#[get("/owner-notices/{id:\\d+}", 200 = OwnerNotice)]
async fn get_owner_notice(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let notice = find(&mut *db.read().await?, *id).await?;
    shown(&req, &notice)
}

/// Record that an owner was told of a change of the asking price
#[post("/owner-notices/{id:\\d+}/tellings", 201 = OwnerNotice)]
async fn tell_owner(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTelling>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        // Held, so that of two who tell at once one is refused.
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
            return Err(Problem::invalid("/on", "in the future"));
        }
        if new.on < notice.since {
            let detail = format!("before the day of the change, {}", notice.since);
            return Err(Problem::invalid("/on", detail));
        }
        if let Some(told_on) = notice.told_on {
            let detail = format!("the owner was told on {told_on}");
            return Err(Problem::conflict(detail));
        }
        diesel::insert_into(owner_tellings::table)
            .values((
                owner_tellings::asking_price_id.eq(id),
                owner_tellings::told_on.eq(new.on),
                owner_tellings::how.eq(&new.how),
                owner_tellings::told_by.eq(&actor.person),
            ))
            .execute(tx.conn())
            .await?;
        let entry = json!({"asking_price_id": id, "on": new.on});
        tx.record("owner.told", Some(notice.stock_no), entry)
            .await?;
        let told = find(tx.conn(), id).await?;
        Ok((format!("/v1/owner-notices/{id}"), told))
    })
    .await
}

// SQL

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<OwnerNotice, Problem> {
    let found = changes(conn, None, 0, 1, Some(id)).await?.pop();
    found.ok_or_else(|| missing(id))
}

fn missing(id: i64) -> Problem {
    let detail =
        format!("asking price {id} is no change of what is asked for an engine on commission");
    Problem::not_found(detail)
}

async fn changes(
    conn: &mut AsyncPgConnection,
    told: Option<bool>,
    after: i64,
    limit: i64,
    id: Option<i64>,
) -> Result<Vec<OwnerNotice>, Problem> {
    Ok(diesel::sql_query(include_str!("owner_notices/changes.sql"))
        .bind::<Nullable<Bool>, _>(told)
        .bind::<BigInt, _>(after)
        .bind::<BigInt, _>(limit)
        .bind::<Nullable<BigInt>, _>(id)
        .load(conn)
        .await?)
}
