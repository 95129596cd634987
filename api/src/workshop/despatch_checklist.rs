//! Ticks of the despatch checklist: what was made ready before an engine leaves, when, and who ticked it.

use crate::{
    ground::{
        actor::{FloorStaff, Staff},
        answers::{Reply, respond},
        body::{Body, IfUnchanged},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
        text::{Code, Line},
    },
    schema::preparation_ticks,
    stock::{self, EngineState},
    workshop::checklist_items,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{days::Day, trade::StockStatus};
use outshop_operation::{delete, get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_checklist_ticks)
        .service(record_checklist_tick)
        .service(get_checklist_tick)
        .service(delete_checklist_tick);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = preparation_ticks)]
#[schema(example = json!({"item": "drained", "on": "2026-05-14", "done_by": "Edda Morlock"}))]
pub struct Prepared {
    /// The item of the checklist.
    pub item: Code,
    #[diesel(column_name = done_on)]
    pub on: Day,
    /// The person recorded for the key that ticked it.
    pub done_by: Line,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"item": "drained", "on": "2026-05-14"}))]
pub struct NewPrepared {
    /// One of the firm's checklist items.
    pub item: Code,
    /// Not in the future, not before the engine arrived.
    pub on: Day,
}

// Routes

/// List the ticked items of an engine's despatch checklist
#[get("/engines/{stock_no:\\d+}/checklist-ticks", 200 = Page<Prepared>)]
async fn list_checklist_ticks(_by: Staff, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let ticks = preparation_ticks::table
            .filter(preparation_ticks::stock_no.eq(stock_no))
            .select(Prepared::as_select());
        ticks
            .filter(preparation_ticks::item.gt(page.after_word().to_owned()))
            .order(preparation_ticks::item)
            .limit(page.limit)
    };
    list.rows(rows, |prepared: &Prepared| (json!(prepared.item), 0))
        .await
}

/// Tick an item of the despatch checklist
///
/// Ticking again replaces the tick. Refused (409) once the engine has left.
#[post("/engines/{stock_no:\\d+}/checklist-ticks", 201 = Prepared)]
async fn record_checklist_tick(
    FloorStaff(actor): FloorStaff,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewPrepared>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let engine = EngineState::lock(tx.conn(), *stock_no).await?;
        if new.on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        engine.must_be_after_it_came(new.on)?;
        must_be_here(tx.conn(), *stock_no).await?;
        checklist_items::must_exist(tx.conn(), &new.item).await?;
        let done = (
            preparation_ticks::done_on.eq(new.on),
            preparation_ticks::done_by.eq(&actor.person),
        );
        let prepared: Prepared = diesel::insert_into(preparation_ticks::table)
            .values((
                preparation_ticks::stock_no.eq(*stock_no),
                preparation_ticks::item.eq(&new.item),
                done,
            ))
            .on_conflict((preparation_ticks::stock_no, preparation_ticks::item))
            .do_update()
            .set(done)
            .returning(Prepared::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"item": new.item});
        tx.record("engine.checklist_ticked", Some(*stock_no), entry)
            .await?;
        let location = format!("/v1/engines/{stock_no}/checklist-ticks/{}", new.item);
        Ok((location, prepared))
    })
    .await
}

/// Get a tick of the despatch checklist
#[get("/engines/{stock_no:\\d+}/checklist-ticks/{item}", 200 = Prepared, params(("item" = Code, Path, example = "drained")))]
async fn get_checklist_tick(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    path: web::Path<(i32, Code)>,
) -> Reply {
    let (stock_no, item) = path.into_inner();
    let prepared = find(&mut *db.read().await?, stock_no, &item).await?;
    respond(&req, &prepared)
}

/// Remove a tick from the despatch checklist
///
/// For an item ticked by mistake or undone since.
#[delete("/engines/{stock_no:\\d+}/checklist-ticks/{item}", 204, params(("item" = Code, Path, example = "drained")))]
async fn delete_checklist_tick(
    FloorStaff(actor): FloorStaff,
    db: web::Data<Db>,
    path: web::Path<(i32, Code)>,
    known: IfUnchanged,
) -> Reply {
    let (stock_no, item) = path.into_inner();
    db.write(&actor, async |tx| {
        stock::lock(tx.conn(), stock_no).await?;
        let current = find(tx.conn(), stock_no, &item).await?;
        known.against(&current)?;
        must_be_here(tx.conn(), stock_no).await?;
        diesel::delete(preparation_ticks::table.find((stock_no, &item)))
            .execute(tx.conn())
            .await?;
        let entry = json!({"item": item});
        tx.record("engine.checklist_unticked", Some(stock_no), entry)
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

// SQL

async fn find(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    item: &Code,
) -> Result<Prepared, Problem> {
    let prepared: Option<Prepared> = preparation_ticks::table
        .find((stock_no, item))
        .select(Prepared::as_select())
        .first(conn)
        .await
        .optional()?;
    prepared
        .ok_or_else(|| Problem::not_found(format!("{item} is not ticked for engine {stock_no}")))
}

/// Deletes all ticks: an engine whose sale is cancelled must be prepared again for the next one.
pub(crate) async fn start_anew(tx: &mut Tx<'_>, stock_no: i32) -> Result<(), Problem> {
    diesel::delete(preparation_ticks::table.filter(preparation_ticks::stock_no.eq(stock_no)))
        .execute(tx.conn())
        .await?;
    Ok(())
}

async fn must_be_here(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    match stock::status_of(conn, stock_no).await? {
        StockStatus::InStock | StockStatus::Reserved | StockStatus::Sold => Ok(()),
        StockStatus::Delivered | StockStatus::Gone => {
            Err(Problem::conflict("the engine has left; nothing to tick"))
        }
    }
}
