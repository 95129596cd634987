//! Payments: money received for a sale, and refunds.

use crate::{
    books::{
        cash_rule::{self, Trade},
        tax_periods,
    },
    ground::{
        actor::{Selling, SellingRead},
        answers::{Found, Reply},
        body::KeyedBody,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::payments,
    selling::{
        deposits,
        sales::{self, Sale, Terms},
    },
};
use actix_web::web;
use diesel::prelude::*;
use outshop_core::{books::tax::CashPayment, days::Day, money::Money, trade::PaymentMethod};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_payments)
        .service(record_payment)
        .service(get_payment);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = payments)]
#[schema(example = json!({"id": 77, "sale_id": 31, "on": "2026-05-14", "amount": "600.00", "method": "transfer",
    "notes_into_bank": false, "acquisition_id": null, "deposit_id": null, "notes": null}))]
pub struct Payment {
    pub id: i64,
    pub sale_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Received; below 0: paid back.
    pub amount: Money,
    pub method: PaymentMethod,
    /// The payer paid banknotes into the firm's bank account.
    pub notes_into_bank: bool,
    /// The acquisition of the engine taken in part exchange, if this is its allowance; null: paid in money.
    pub acquisition_id: Option<i64>,
    /// The deposit that was set off; null: none.
    pub deposit_id: Option<i64>,
    pub notes: Option<Text<1000>>,
}

/// A payment with the warnings that recording it gave.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"id": 77, "sale_id": 31, "on": "2026-05-14", "amount": "600.00", "method": "transfer",
    "notes_into_bank": false, "acquisition_id": null, "deposit_id": null, "notes": null, "warnings": []}))]
pub struct PaymentMade {
    #[serde(flatten)]
    pub payment: Payment,
    /// Points for someone to check, such as cash from the same person at other times.
    #[schema(max_items = 5)]
    pub warnings: Vec<Text<400>>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "amount": "600.00", "method": "transfer"}))]
pub struct NewPayment {
    /// Today or earlier.
    pub on: Day,
    /// Received; below 0: paid back. Never 0.
    pub amount: Money,
    /// Not `part_exchange`: record the acquisition of the engine that comes in, and that payment is recorded with it.
    pub method: PaymentMethod,
    /// The payer paid banknotes into the firm's bank account; only for a transfer. Default: false.
    #[serde(default)]
    pub notes_into_bank: bool,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    pub notes: Option<Text<1000>>,
}

impl NewPayment {
    fn check(&self, today: Day) -> Result<(), Problem> {
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.amount != Money::ZERO, "/amount", "must not be 0"),
            (
                self.method != PaymentMethod::PartExchange,
                "/method",
                "for a part exchange, record the acquisition of the engine that comes in, naming this sale",
            ),
            (
                !self.notes_into_bank || self.method == PaymentMethod::Transfer,
                "/notes_into_bank",
                "banknotes paid into the bank are a transfer; use method transfer or leave it out",
            ),
        ])
    }
}

// Routes

/// List the payments for a sale
#[get("/sales/{id:\\d+}/payments", 200 = Page<Payment>)]
async fn list_payments(_by: SellingRead, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    sales::find(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = payments::table
            .filter(payments::sale_id.eq(id))
            .select(Payment::as_select());
        of_page!(page, rows, payments::id)
    };
    list.rows(rows, |it: &Payment| it.id).await
}

/// Record a payment for a sale
///
/// Refused (409) if the sum of the payments would fall below 0 or exceed the price. For a cancelled sale only refunds
/// are accepted, down to the amount that the firm keeps.
#[post("/sales/{id:\\d+}/payments", 201 = PaymentMade)]
async fn record_payment(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewPayment>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = sales::locked(tx, *id).await?;
        new.check(actor.today)?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        sale.must_allow_payment(new.amount)?;
        let trade = Trade {
            person: Some(sale.terms.person_id),
            sale: Some(*id),
            ..Trade::default()
        };
        let coming = CashPayment {
            on: new.on,
            amount: new.amount,
            method: new.method,
            notes_into_bank: new.notes_into_bank,
        };
        let warnings =
            cash_rule::must_be_below(tx, &trade, &coming, new.cash_limit_acknowledged).await?;
        let payment: Payment = diesel::insert_into(payments::table)
            .values((
                payments::sale_id.eq(*id),
                payments::on_day.eq(new.on),
                payments::amount.eq(new.amount),
                payments::method.eq(new.method),
                payments::notes_into_bank.eq(new.notes_into_bank),
                payments::notes.eq(&new.notes),
            ))
            .returning(Payment::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"sale_id": *id, "payment_id": payment.id,
            "cash_limit_acknowledged": new.cash_limit_acknowledged});
        tx.record("payment.created", Some(sale.terms.stock_no), entry)
            .await?;
        let location = format!("/v1/payments/{}", payment.id);
        Ok((location, PaymentMade { payment, warnings }))
    })
    .await
}

/// Read a payment
#[get("/payments/{id:\\d+}", 200 = Payment)]
async fn get_payment(_by: SellingRead, found: Found<Payment>) -> Reply {
    found.respond()
}

// SQL

by_id!(Payment, payments, "there is no payment {id}");

/// Sets the part-exchange allowance off against the price. The caller holds the sale's row lock.
pub(crate) async fn set_off(
    tx: &mut Tx<'_>,
    sale: &Sale,
    acquisition_id: i64,
    on: Day,
    allowed: Money,
) -> Result<(), Problem> {
    if sale.kept.is_some() {
        return Err(Problem::conflict(
            "the sale is cancelled; name another sale, or record the engine as bought",
        ));
    }
    if allowed > sale.balance {
        let detail = format!(
            "only {} is still to be paid; allow that or less",
            sale.balance
        );
        return Err(Problem::conflict(detail));
    }
    let payment: i64 = diesel::insert_into(payments::table)
        .values((
            payments::sale_id.eq(sale.terms.id),
            payments::on_day.eq(on),
            payments::amount.eq(allowed),
            payments::method.eq(PaymentMethod::PartExchange),
            payments::acquisition_id.eq(acquisition_id),
        ))
        .returning(payments::id)
        .get_result(tx.conn())
        .await?;
    let entry =
        json!({"sale_id": sale.terms.id, "payment_id": payment, "acquisition_id": acquisition_id});
    tx.record("payment.created", Some(sale.terms.stock_no), entry)
        .await
}

/// Turns the buyer's deposits for the engine into payments of the sale, and returns their sum. A deposit received
/// after the day of the sale keeps its own day.
pub(super) async fn set_off_deposits(tx: &mut Tx<'_>, sale: &Terms) -> Result<Money, Problem> {
    let held = deposits::held_of(tx.conn(), sale.stock_no, sale.person_id).await?;
    let mut rest = sale.price;
    for deposit in held {
        rest = rest
            .checked_sub(deposit.amount)
            .map_err(Problem::internal)?;
        if rest.is_negative() {
            let detail = "below the sum of the buyer's deposits; return one first";
            return Err(Problem::invalid("/price", detail));
        }
        let payment: i64 = diesel::insert_into(payments::table)
            .values((
                payments::sale_id.eq(sale.id),
                payments::on_day.eq(deposit.on.max(sale.on)),
                payments::amount.eq(deposit.amount),
                payments::method.eq(deposit.method),
                payments::notes_into_bank.eq(deposit.notes_into_bank),
                payments::deposit_id.eq(deposit.id),
            ))
            .returning(payments::id)
            .get_result(tx.conn())
            .await?;
        let entry = json!({"sale_id": sale.id, "payment_id": payment, "deposit_id": deposit.id});
        tx.record("payment.created", Some(sale.stock_no), entry)
            .await?;
    }
    sale.price.checked_sub(rest).map_err(Problem::internal)
}
