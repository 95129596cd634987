//! Disposals: how an engine leaves without a sale.

use crate::{
    books::tax_periods,
    enquiring::{listings, reservations::queue},
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::KeyedBody,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::Text,
    },
    schema::disposals,
    stock::{self, EngineState},
};
use actix_web::web;
use diesel::prelude::*;
use outshop_core::{
    days::Day,
    trade::{AcquisitionMethod, DisposalMethod, ReservationStatus},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(record_disposal)
        .service(list_disposals)
        .service(get_disposal);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = disposals)]
#[schema(as = EngineDisposal, example = json!({"id": 4, "stock_no": 10, "on": "2026-05-14", "method": "broken_for_parts",
    "notes": "frames cracked through; wheels and boiler kept"}))]
pub struct Disposal {
    pub id: i64,
    pub stock_no: i32,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub method: DisposalMethod,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewEngineDisposal, example = json!({"on": "2026-05-14", "method": "broken_for_parts"}))]
pub struct NewDisposal {
    /// From the day on which the firm acquired the engine to today, in an open tax period.
    pub on: Day,
    /// `taken_back_by_owner` for an engine on commission, and only for such an engine.
    pub method: DisposalMethod,
    pub notes: Option<Text<1000>>,
}

// Routes

/// Record how an engine left without a sale
///
/// Refused (409) if it is sold, reserved or disposed of already. A published listing is withdrawn.
#[post("/engines/{stock_no:\\d+}/disposals", 201 = Disposal)]
async fn record_disposal(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: KeyedBody<NewDisposal>,
) -> Reply {
    let stock_no = *stock_no;
    db.create(&actor, &new, async |tx| {
        let engine = EngineState::lock(tx.conn(), stock_no).await?;
        if new.on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        engine.must_be_after_it_came(new.on)?;
        let by_owner = new.method == DisposalMethod::TakenBackByOwner;
        if by_owner != (engine.method == AcquisitionMethod::Commission) {
            let detail = "an engine on commission can only be `taken_back_by_owner`, and no other engine can";
            return Err(Problem::invalid("/method", detail));
        }
        engine.must_be_unsold()?;
        engine.must_be_after_it_came_back(new.on)?;
        engine.must_be_here()?;
        queue::must_be_free_for(tx, stock_no, None).await?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let disposal: Disposal = diesel::insert_into(disposals::table)
            .values((
                disposals::stock_no.eq(stock_no),
                disposals::on_day.eq(new.on),
                disposals::method.eq(new.method),
                disposals::notes.eq(&new.notes),
            ))
            .returning(Disposal::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"disposal_id": disposal.id, "method": disposal.method});
        tx.record("engine.disposed_of", Some(stock_no), entry)
            .await?;
        queue::end_queue(tx, stock_no, ReservationStatus::EngineGone).await?;
        listings::take_off_show(tx, stock_no, Some("the engine was disposed of")).await?;
        Ok((format!("/v1/disposals/{}", disposal.id), disposal))
    })
    .await
}

/// List how an engine left without a sale
#[get("/engines/{stock_no:\\d+}/disposals", 200 = Page<Disposal>)]
async fn list_disposals(_by: MoneyDesk, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let rows = disposals::table
            .filter(disposals::stock_no.eq(stock_no))
            .select(Disposal::as_select());
        of_page!(page, rows, disposals::id)
    };
    list.rows(rows, |it: &Disposal| it.id).await
}

/// Read how an engine left without a sale
#[get("/disposals/{id:\\d+}", 200 = Disposal)]
async fn get_disposal(_by: MoneyDesk, found: Found<Disposal>) -> Reply {
    found.respond()
}

// SQL

by_id!(Disposal, disposals, "there is no disposal {id}");
