//! Complaints: repairs that buyers ask for after delivery, and the statutory deadlines of the sale that follow.

use crate::{
    books::statutory_periods,
    engines::surveys,
    firm::firm,
    ground::{
        actor::{Selling, SellingRead, Staff},
        answers::{Found, Reply, respond},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Prose,
    },
    schema::{complaints, findings},
    selling::{
        deliveries, returns,
        sales::{self, Sale},
    },
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::terms::{
        Repair, StatutoryDeadlines, StatutoryDeadlinesQuestion, called_off, statutory_deadlines,
    },
    days::Day,
    trade::ReturnReason,
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_complaints)
        .service(record_complaint)
        .service(get_complaint)
        .service(change_complaint)
        .service(get_statutory_deadlines);
}

/// The calculation takes no more.
const MOST_COMPLAINTS: i64 = 100;

// Types

/// A repair or replacement that the buyer asked for. While the engine is away, the period for the short-term right to
/// reject does not run.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = complaints)]
#[schema(example = json!({"id": 5, "sale_id": 31, "asked_on": "2026-05-20", "description": "the left injector blows back",
    "given_back_on": null}))]
pub struct Complaint {
    pub id: i64,
    pub sale_id: i64,
    pub asked_on: Day,
    /// What the buyer complains of.
    pub description: Prose,
    /// The day on which the buyer got the engine back; null: still away.
    pub given_back_on: Option<Day>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = complaints)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"asked_on": "2026-05-20", "description": "the left injector blows back"}))]
pub struct NewComplaint {
    /// From the day of the delivery to today, and not after the engine came back for good.
    pub asked_on: Day,
    /// What the buyer complains of.
    pub description: Prose,
    /// From `asked_on` to today; leave it out while the engine is away.
    pub given_back_on: Option<Day>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"given_back_on": "2026-05-31"}))]
pub struct ComplaintPatch {
    /// From `asked_on` to today; null removes a wrong day.
    pub given_back_on: Option<Day>,
}

/// The buyer's statutory deadlines for a sale, by the rules in force on the day of delivery.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26", "short_term_reject_until": "2025-07-10",
    "short_term_clock_stopped": false, "cancel_until": "2025-06-24", "cancelled_in_time": true, "send_back_by": "2025-07-08",
    "refund_by": "2025-07-10", "rules": [
        {"rule": "cancel_days", "value": 14, "unit": "days", "source": "Consumer Contracts Regulations 2013 reg. 30",
            "confidence": "published"}]}))]
pub struct SaleStatutoryDeadlines {
    pub sale_id: i64,
    /// Null: the engine has not left, and no deadline runs from a delivery yet.
    pub delivered_on: Option<Day>,
    /// The day of the return on record; null: none.
    pub sent_back_on: Option<Day>,
    #[serde(flatten)]
    pub days: StatutoryDeadlines,
}

// Routes

/// List the complaints of a sale
#[get("/sales/{id:\\d+}/complaints", 200 = Page<Complaint>)]
async fn list_complaints(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    sales::find(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = complaints::table
            .filter(complaints::sale_id.eq(id))
            .select(Complaint::as_select());
        of_page!(page, rows, complaints::id)
    };
    list.rows(rows, |it: &Complaint| it.id).await
}

/// Record a repair that the buyer asked for
///
/// At most 100 for a sale (then 409). If the engine has come back for good, an open complaint is also recorded as a
/// finding of the engine.
#[post("/sales/{id:\\d+}/complaints", 201 = Complaint)]
async fn record_complaint(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewComplaint>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = sales::locked(tx, *id).await?;
        let span = complaint_span(tx, &sale).await?;
        check(new.asked_on, new.given_back_on, span, actor.today)?;
        let count: i64 = complaints::table
            .filter(complaints::sale_id.eq(*id))
            .count()
            .get_result(tx.conn())
            .await?;
        if count >= MOST_COMPLAINTS {
            let detail =
                format!("{MOST_COMPLAINTS} complaints are on record, which is the limit; describe further faults in a support note");
            return Err(Problem::conflict(detail));
        }
        let made: Complaint = diesel::insert_into(complaints::table)
            .values((complaints::sale_id.eq(*id), &*new))
            .returning(Complaint::as_returning())
            .get_result(tx.conn())
            .await?;
        let mut entry = json!({"complaint_id": made.id, "sale_id": *id});
        if sale.terms.sale_cancelled_on.is_some() {
            entry["findings"] = json!(become_findings(tx, &sale).await?);
        }
        tx.record("complaint.created", Some(sale.terms.stock_no), entry)
            .await?;
        Ok((format!("/v1/complaints/{}", made.id), made))
    })
    .await
}

/// Read a complaint
#[get("/complaints/{id:\\d+}", 200 = Complaint)]
async fn get_complaint(_by: Staff, found: Found<Complaint>) -> Reply {
    found.respond()
}

/// Record when the buyer got the engine back
#[patch("/complaints/{id:\\d+}", 200 = Complaint)]
async fn change_complaint(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<ComplaintPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let sale_id = Complaint::find(tx.conn(), *id).await?.sale_id;
        let sale = sales::locked(tx, sale_id).await?;
        let current = Complaint::find(tx.conn(), *id).await?;
        let ComplaintPatch { given_back_on } = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let span = complaint_span(tx, &sale).await?;
        check(current.asked_on, given_back_on, span, actor.today)?;
        let changed: Complaint = diesel::update(complaints::table.find(*id))
            .set(complaints::given_back_on.eq(given_back_on))
            .returning(Complaint::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"complaint_id": *id, "sale_id": sale_id, "members": patch.members()});
        tx.record("complaint.changed", Some(sale.terms.stock_no), entry)
            .await?;
        Ok(changed)
    })
    .await
}

/// Read the buyer's statutory deadlines for a sale
///
/// Calculated from the delivery, the repairs and the return on record, by the rules of the firm's jurisdiction in
/// force on the day of delivery. They apply to sales to consumers; a dispute is for a lawyer. Nothing is stored.
#[get("/sales/{id:\\d+}/statutory-deadlines", 200 = SaleStatutoryDeadlines)]
async fn get_statutory_deadlines(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let sale = sales::find(&mut conn, *id).await?;
    respond(&req, &of_sale(&mut conn, &sale).await?)
}

/// `span`: the days from and until which the buyer had the engine; the second is `None` unless the sale is cancelled.
fn check(
    asked_on: Day,
    given_back_on: Option<Day>,
    span: (Day, Option<Day>),
    today: Day,
) -> Result<(), Problem> {
    let (delivered_on, returned_on) = span;
    let early = format!(
        "must not be before the delivery on {delivered_on}",
        delivered_on = delivered_on.in_words()
    );
    let late = returned_on.map_or(String::new(), |on| {
        format!(
            "must not be after the engine came back on {on}",
            on = on.in_words()
        )
    });
    let turned = format!(
        "must not be before the repair was asked for on {asked_on}",
        asked_on = asked_on.in_words()
    );
    let in_span = |on: Day| returned_on.is_none_or(|returned| on <= returned);
    all_hold([
        (asked_on <= today, "/asked_on", "must not be in the future"),
        (asked_on >= delivered_on, "/asked_on", early.as_str()),
        (in_span(asked_on), "/asked_on", late.as_str()),
        (
            given_back_on.is_none_or(|on| on <= today),
            "/given_back_on",
            "must not be in the future",
        ),
        (
            given_back_on.is_none_or(|on| on >= asked_on),
            "/given_back_on",
            turned.as_str(),
        ),
        (
            given_back_on.is_none_or(in_span),
            "/given_back_on",
            late.as_str(),
        ),
    ])
}

// SQL

by_id!(Complaint, complaints, "there is no complaint {id}");

/// Records the open complaints of an engine that came back as findings, each once, and returns the ids of the
/// findings.
pub(crate) async fn become_findings(tx: &mut Tx<'_>, sale: &Sale) -> Result<Vec<i64>, Problem> {
    let open: Vec<(i64, Day, Prose)> = complaints::table
        .left_join(findings::table)
        .filter(complaints::sale_id.eq(sale.terms.id))
        .filter(complaints::given_back_on.is_null())
        .filter(findings::id.is_null())
        .order(complaints::id)
        .limit(MOST_COMPLAINTS)
        .select((
            complaints::id,
            complaints::asked_on,
            complaints::description,
        ))
        .load(tx.conn())
        .await?;
    let mut found = Vec::with_capacity(open.len());
    for (id, asked_on, words) in open {
        let stock_no = sale.terms.stock_no;
        found.push(surveys::find_by_complaint(tx, stock_no, id, &words, asked_on).await?);
    }
    Ok(found)
}

/// The days from and until which the buyer had the engine.
async fn complaint_span(tx: &mut Tx<'_>, sale: &Sale) -> Result<(Day, Option<Day>), Problem> {
    match deliveries::delivery_of_sale(tx.conn(), sale.terms.id).await? {
        Some((_, delivered_on)) => Ok((delivered_on, sale.terms.sale_cancelled_on)),
        None => Err(Problem::conflict(
            "the engine has not been delivered; record the delivery first",
        )),
    }
}

async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale: &Sale,
) -> Result<SaleStatutoryDeadlines, Problem> {
    let terms = &sale.terms;
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rows = statutory_periods::of(conn, &jurisdiction).await?;
    let Some((_, delivered_on)) = deliveries::delivery_of_sale(conn, terms.id).await? else {
        let protected = terms.at_distance && terms.buyer_is_consumer;
        return Ok(SaleStatutoryDeadlines {
            sale_id: terms.id,
            delivered_on: None,
            sent_back_on: None,
            days: match terms
                .cancelled_on
                .or(terms.sale_cancelled_on)
                .filter(|_| protected)
            {
                Some(notified_on) => called_off(&jurisdiction, notified_on, &rows),
                None => StatutoryDeadlines::none(),
            },
        });
    };
    let returned = returns::of_sale(conn, terms.id).await?;
    let sent_back_on = returned.as_ref().map(|made| made.on);
    let rejected_on = returned
        .filter(|made| made.reason == ReturnReason::Rejected)
        .map(|made| made.on);
    let protected = terms.at_distance && terms.buyer_is_consumer;
    let repairs: Vec<(Day, Option<Day>)> = complaints::table
        .filter(complaints::sale_id.eq(terms.id))
        .order(complaints::id)
        .limit(MOST_COMPLAINTS)
        .select((complaints::asked_on, complaints::given_back_on))
        .load(conn)
        .await?;
    let repairs = repairs.into_iter().map(|(asked_on, returned_on)| Repair {
        asked_on,
        returned_on,
    });
    let question = StatutoryDeadlinesQuestion {
        jurisdiction,
        sold_at_distance: terms.at_distance,
        delivered_on: Some(delivered_on),
        lots: None,
        repairs: repairs.collect(),
        cancelled_on: terms.cancelled_on.filter(|_| protected),
        collection_offered: protected && terms.collection_offered,
        // After a rejection the refund period runs from the agreement, not from the return.
        sent_back_on: sent_back_on.filter(|_| rejected_on.is_none()),
        proof_of_sending_on: terms.proof_of_sending_on.filter(|_| protected),
        // Taking a rejected engine back is agreeing to the refund recorded with it.
        refund_agreed_on: terms.refund_agreed_on.or(rejected_on),
        buyer_is_consumer: terms.buyer_is_consumer,
        informed_of_cancellation_on: Some(terms.informed_of_cancellation_on),
    };
    Ok(SaleStatutoryDeadlines {
        sale_id: terms.id,
        delivered_on: Some(delivered_on),
        sent_back_on,
        // The days were checked when they were recorded.
        days: statutory_deadlines(&question, &rows)
            .map_err(|faults| Problem::internal(format!("{faults:?}")))?,
    })
}
