//! Returns: cancelled sales, because the engine came back or because the buyer withdrew before it left.

use crate::{
    books::tax_periods,
    enquiring::listings,
    ground::{
        actor::{Selling, SellingRead},
        answers::{Found, Reply},
        body::KeyedBody,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Prose,
    },
    schema::{credit_notes, returns},
    selling::{
        complaints, deliveries,
        sales::{self, Sale},
    },
    stock,
    workshop::despatch_checklist,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{days::Day, money::Money, trade::ReturnReason};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(record_return)
        .service(call_off)
        .service(list_returns)
        .service(get_return);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = returns)]
#[schema(example = json!({"id": 3, "sale_id": 31, "delivery_id": 31, "on": "2026-06-02", "reason": "rejected", "paid": "7600.00",
    "refund": "7600.00", "credit_note_no": 3, "notes": "the injectors would not hold"}))]
pub struct Return {
    pub id: i64,
    pub sale_id: i64,
    /// The delivery of the engine that came back; null: it had not left.
    pub delivery_id: Option<i64>,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub reason: ReturnReason,
    /// What the buyer had paid by then.
    pub paid: Money,
    /// Refund agreed.
    pub refund: Money,
    /// Number of the firm's own credit note; numbered in sequence without gaps.
    #[schema(minimum = 1)]
    pub credit_note_no: i32,
    pub notes: Option<Prose>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "reason": "cancelled", "notes": "the buyer moves abroad"}))]
pub struct NewReturn {
    /// The day on which the engine came back or the sale was cancelled: today or earlier, in an open tax period.
    pub on: Day,
    /// Not `rejected` before the engine has left.
    pub reason: ReturnReason,
    /// Refund agreed, at most what was paid. Default: all that was paid.
    pub refund: Option<Money>,
    pub notes: Option<Prose>,
}

impl NewReturn {
    /// `earliest`: the day of the delivery or, before it, of the sale.
    fn check(&self, sale: &Sale, earliest: (Day, &str), today: Day) -> Result<(), Problem> {
        let (earliest, what) = earliest;
        let before = format!("must not be before the {what} on {earliest}");
        let too_much = format!("must not be more than the {} that was paid", sale.paid);
        let refund = self.refund.unwrap_or(sale.paid);
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.on >= earliest, "/on", before.as_str()),
            (!refund.is_negative(), "/refund", "must be 0 or more"),
            (refund <= sale.paid, "/refund", too_much.as_str()),
        ])
    }
}

// Routes

/// Record the return of a delivered engine
///
/// The engine is in stock again under its number and may be sold again; its sale stays on record. A published listing
/// is withdrawn, and can be published again after a survey on that day or later. Open complaints become findings.
/// Record what is refunded as negative payments for the sale. An engine that the firm took in part exchange stays
/// with the firm: its allowance counts as paid.
#[post("/sales/{id:\\d+}/returns", 201 = Return)]
async fn record_return(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewReturn>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = standing_sale(tx, *id).await?;
        let Some((delivery_id, left_on)) = deliveries::delivery_of_sale(tx.conn(), *id).await?
        else {
            let detail = format!(
                "the engine was never delivered; cancel the sale at /v1/sales/{id}/cancellation"
            );
            return Err(Problem::conflict(detail));
        };
        new.check(&sale, (left_on, "delivery"), actor.today)?;
        let made = undo(tx, &sale, Some(delivery_id), &new).await?;
        let mut entry = json!({"return_id": made.id, "sale_id": *id, "delivery_id": delivery_id});
        let findings = complaints::become_findings(tx, &sale).await?;
        if !findings.is_empty() {
            entry["findings"] = json!(findings);
        }
        tx.record("engine.returned", Some(sale.terms.stock_no), entry)
            .await?;
        listings::take_off_show(tx, sale.terms.stock_no, Some("its sale was cancelled")).await?;
        Ok((format!("/v1/returns/{}", made.id), made))
    })
    .await
}

/// Cancel a sale before the engine has left
///
/// The engine may be sold again; its sale stays on record. A published listing is withdrawn. Refused (409) if the
/// engine has left: record its return. Record what is refunded as negative payments for the sale.
#[post("/sales/{id:\\d+}/cancellation", 201 = Return, id = "cancel_sale")]
async fn call_off(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewReturn>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = standing_sale(tx, *id).await?;
        if deliveries::delivery_of_sale(tx.conn(), *id)
            .await?
            .is_some()
        {
            let detail =
                format!("the engine has left; record its return at /v1/sales/{id}/returns");
            return Err(Problem::conflict(detail));
        }
        if new.reason == ReturnReason::Rejected {
            let detail = "an engine that has not left cannot be rejected; use cancelled or agreed";
            return Err(Problem::invalid("/reason", detail));
        }
        new.check(&sale, (sale.terms.on, "sale"), actor.today)?;
        let made = undo(tx, &sale, None, &new).await?;
        let entry = json!({"return_id": made.id, "sale_id": *id});
        tx.record("sale.cancelled", Some(sale.terms.stock_no), entry)
            .await?;
        listings::take_off_show(tx, sale.terms.stock_no, Some("its sale was cancelled")).await?;
        Ok((format!("/v1/returns/{}", made.id), made))
    })
    .await
}

/// List cancelled sales
///
/// Both the returns of engines and the sales that were cancelled before the engine left.
#[get("/returns", 200 = Page<Return>)]
async fn list_returns(_by: SellingRead, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = returns::table.select(Return::as_select());
        of_page!(page, all, returns::id)
    };
    list.rows(rows, |it: &Return| it.id).await
}

/// Read how a sale was cancelled or returned
#[get("/returns/{id:\\d+}", 200 = Return)]
async fn get_return(_by: SellingRead, found: Found<Return>) -> Reply {
    found.respond()
}

// SQL

by_id!(Return, returns, "there is no return {id}");

/// Locks the sale and its engine, so that nobody delivers, pays or sells meanwhile. Refuses a cancelled sale.
async fn standing_sale(tx: &mut Tx<'_>, id: i64) -> Result<Sale, Problem> {
    let stock_no = sales::find(tx.conn(), id).await?.terms.stock_no;
    stock::lock(tx.conn(), stock_no).await?;
    let sale = sales::locked(tx, id).await?;
    match sale.terms.sale_cancelled_on {
        None => Ok(sale),
        Some(on) => Err(Problem::conflict(format!(
            "the sale was cancelled on {on}; nothing to do",
            on = on.in_words()
        ))),
    }
}

async fn undo(
    tx: &mut Tx<'_>,
    sale: &Sale,
    delivery_id: Option<i64>,
    new: &NewReturn,
) -> Result<Return, Problem> {
    tax_periods::period_must_be_open(tx.conn(), new.on).await?;
    let credit_note_no: i32 = diesel::update(credit_notes::table)
        .set(credit_notes::last_no.eq(credit_notes::last_no + 1))
        .returning(credit_notes::last_no)
        .get_result(tx.conn())
        .await?;
    sales::undo(tx, sale.terms.id, new.on).await?;
    despatch_checklist::start_anew(tx, sale.terms.stock_no).await?;
    Ok(diesel::insert_into(returns::table)
        .values((
            returns::sale_id.eq(sale.terms.id),
            returns::delivery_id.eq(delivery_id),
            returns::on_day.eq(new.on),
            returns::reason.eq(new.reason),
            returns::paid.eq(sale.paid),
            returns::refund.eq(new.refund.unwrap_or(sale.paid)),
            returns::credit_note_no.eq(credit_note_no),
            returns::notes.eq(&new.notes),
        ))
        .returning(Return::as_returning())
        .get_result(tx.conn())
        .await?)
}

/// The return of a sale; `None`: not cancelled.
pub(crate) async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale_id: i64,
) -> Result<Option<Return>, Problem> {
    Ok(returns::table
        .filter(returns::sale_id.eq(sale_id))
        .select(Return::as_select())
        .first(conn)
        .await
        .optional()?)
}
