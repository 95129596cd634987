//! Outgoing payments to the sellers of engines and to suppliers, for a purchase, a cost or the parts of a job.

use crate::{
    books::{
        cash_rule::{self, Trade},
        tax_periods,
    },
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::KeyedBody,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::outgoing_payments,
    stock,
};
use actix_web::web;
use diesel::{
    dsl::sum,
    prelude::*,
    sql_types::{BigInt, Date, Integer, Nullable, Numeric, Text as SqlText},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{costs::CostKind, tax::CashPayment},
    days::Day,
    money::Money,
    trade::PaymentMethod,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_outgoing_payments)
        .service(record_outgoing_payment)
        .service(get_outgoing_payment);
}

// Types

/// Money paid for one purchase, cost or line of parts.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = outgoing_payments)]
#[schema(example = json!({"id": 14, "on": "2026-04-10", "amount": "102.00", "method": "transfer", "acquisition_id": null,
    "cost_id": 9, "parts_id": null, "notes": null}))]
pub struct OutgoingPayment {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// The amount paid; below 0 if it was paid back.
    pub amount: Money,
    /// How it was paid.
    pub method: PaymentMethod,
    /// The purchase that it pays for.
    pub acquisition_id: Option<i64>,
    /// The cost that it pays for.
    pub cost_id: Option<i64>,
    /// The parts of a job that it pays for.
    pub parts_id: Option<i64>,
    pub notes: Option<Text<1000>>,
}

/// A payment that was just recorded.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"id": 14, "on": "2026-04-10", "amount": "102.00", "method": "transfer", "acquisition_id": null,
    "cost_id": 9, "parts_id": null, "notes": null, "still_owed": "0.00", "warnings": []}))]
pub struct OutgoingPaymentMade {
    #[serde(flatten)]
    pub payment: OutgoingPayment,
    /// Still owed for that purchase, cost or line of parts; below 0 if money is to be paid back.
    pub still_owed: Money,
    /// Points to check.
    #[schema(max_items = 5)]
    pub warnings: Vec<Text<400>>,
}

/// For exactly one of `acquisition_id`, `cost_id` and `parts_id`.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-10", "amount": "102.00", "method": "transfer", "cost_id": 9}))]
pub struct NewOutgoingPayment {
    /// From the day of the purchase, cost or parts to today, in an open tax period.
    pub on: Day,
    /// The amount paid, not more than is owed; below 0 if it was paid back; never 0.
    pub amount: Money,
    /// Not `part_exchange`: the sale sets off an allowance.
    pub method: PaymentMethod,
    /// The purchase to pay for.
    pub acquisition_id: Option<i64>,
    /// The cost to pay for; not a reversal.
    pub cost_id: Option<i64>,
    /// The parts used on a job to pay for; not a reversal.
    pub parts_id: Option<i64>,
    /// Only for the proprietor: acknowledges that cash at the limit needs registration first.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct OutgoingPaymentFilters {
    /// Only payments for this purchase.
    #[param(minimum = 1)]
    acquisition_id: Option<i64>,
    /// Only payments for this cost.
    #[param(minimum = 1)]
    cost_id: Option<i64>,
    /// Only payments for these parts.
    #[param(minimum = 1)]
    parts_id: Option<i64>,
}

/// What a payment is for.
#[derive(Debug, Clone, Copy)]
enum Bought {
    Acquisition(i64),
    Cost(i64),
    Parts(i64),
}

impl Bought {
    const fn pointer(self) -> &'static str {
        match self {
            Bought::Acquisition(_) => "/acquisition_id",
            Bought::Cost(_) => "/cost_id",
            Bought::Parts(_) => "/parts_id",
        }
    }

    const fn ids(self) -> [Option<i64>; 3] {
        match self {
            Bought::Acquisition(id) => [Some(id), None, None],
            Bought::Cost(id) => [None, Some(id), None],
            Bought::Parts(id) => [None, None, Some(id)],
        }
    }
}

impl NewOutgoingPayment {
    fn bought(&self) -> Result<Bought, Problem> {
        match (self.acquisition_id, self.cost_id, self.parts_id) {
            (Some(id), None, None) => Ok(Bought::Acquisition(id)),
            (None, Some(id), None) => Ok(Bought::Cost(id)),
            (None, None, Some(id)) => Ok(Bought::Parts(id)),
            (None, None, None) => Err(Problem::invalid(
                "/acquisition_id",
                "give what the payment is for: acquisition_id, cost_id or parts_id",
            )),
            (_, Some(_), _) => Err(Problem::invalid("/cost_id", ONE_ALONE)),
            (Some(_), None, Some(_)) => Err(Problem::invalid("/parts_id", ONE_ALONE)),
        }
    }

    fn check(&self, owed: &Owed, today: Day) -> Result<(), Problem> {
        let early = format!(
            "must not be before the day of what it pays for, {}",
            owed.on_day.in_words()
        );
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.on >= owed.on_day, "/on", early.as_str()),
            (self.amount != Money::ZERO, "/amount", "must not be 0"),
            (
                self.method != PaymentMethod::PartExchange,
                "/method",
                "must not be part_exchange: the sale sets off the allowance, and nothing is paid for it",
            ),
        ])
    }
}

const ONE_ALONE: &str =
    "a payment is for one purchase, one cost or one line of parts: record a payment for each";

// Routes

/// List the payments to sellers and suppliers
#[get("/outgoing-payments", 200 = Page<OutgoingPayment>)]
async fn list_outgoing_payments(_by: MoneyDesk, list: ListQuery<OutgoingPaymentFilters>) -> Reply {
    let filters = list.filters.clone();
    let rows = move |page: &Keyset| {
        let mut rows = outgoing_payments::table
            .select(OutgoingPayment::as_select())
            .into_boxed();
        if let Some(id) = filters.acquisition_id {
            rows = rows.filter(outgoing_payments::acquisition_id.eq(id));
        }
        if let Some(id) = filters.cost_id {
            rows = rows.filter(outgoing_payments::cost_id.eq(id));
        }
        if let Some(id) = filters.parts_id {
            rows = rows.filter(outgoing_payments::parts_id.eq(id));
        }
        of_page!(page, rows, outgoing_payments::id)
    };
    list.rows(rows, |payment: &OutgoingPayment| payment.id)
        .await
}

/// Record a payment to a seller or a supplier
///
/// For one purchase, one cost or one line of parts; refused (409) if it is more than is owed. Pay the owner of an
/// engine on commission at `/v1/sales/{id}/payouts`, and a buyer at `/v1/sales/{id}/payments`. To correct a wrong
/// payment, record one below 0.
#[post("/outgoing-payments", 201 = OutgoingPaymentMade)]
async fn record_outgoing_payment(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: KeyedBody<NewOutgoingPayment>,
) -> Reply {
    let bought = new.bought()?;
    db.create(&actor, &new, async |tx| {
        let stock_no = owed_for(tx.conn(), bought).await?.stock_no;
        stock::lock(tx.conn(), stock_no).await?;
        let owed = owed_for(tx.conn(), bought).await?;
        new.check(&owed, actor.today)?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let still_owed = owed.after(paid_for(tx.conn(), bought).await?, new.amount)?;
        let trade = owed.trade(bought);
        let going = CashPayment {
            on: new.on,
            amount: new.amount,
            // The cash rule covers goods, not services.
            method: if owed.is_service() {
                PaymentMethod::Transfer
            } else {
                new.method
            },
            notes_into_bank: false,
        };
        let warnings =
            cash_rule::must_be_below(tx, &trade, &going, new.cash_limit_acknowledged).await?;
        let paid = Paid {
            on: new.on,
            amount: new.amount,
            method: new.method,
            notes: new.notes.clone(),
        };
        let payment = insert(tx, stock_no, bought, &paid, new.cash_limit_acknowledged).await?;
        let made = OutgoingPaymentMade {
            payment,
            still_owed,
            warnings,
        };
        let location = format!("/v1/outgoing-payments/{}", made.payment.id);
        Ok((location, made))
    })
    .await
}

/// Get a payment to a seller or supplier
#[get("/outgoing-payments/{id:\\d+}", 200 = OutgoingPayment)]
async fn get_outgoing_payment(_by: MoneyDesk, found: Found<OutgoingPayment>) -> Reply {
    found.respond()
}

// SQL

by_id!(
    OutgoingPayment,
    outgoing_payments,
    "there is no outgoing payment {id}"
);

/// A payment to record.
pub(crate) struct Paid {
    pub on: Day,
    pub amount: Money,
    pub method: PaymentMethod,
    pub notes: Option<Text<1000>>,
}

/// The amount due for one purchase, cost or line of parts.
#[derive(QueryableByName)]
struct Owed {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Date)]
    on_day: Day,
    /// NULL for an engine on commission, and for a reversal.
    #[diesel(sql_type = Nullable<Numeric>)]
    amount: Option<Money>,
    #[diesel(sql_type = Nullable<BigInt>)]
    person_id: Option<i64>,
    #[diesel(sql_type = Nullable<BigInt>)]
    sale_id: Option<i64>,
    #[diesel(sql_type = SqlText)]
    kind: CostKind,
}

impl Owed {
    /// The amount still owed after another payment. Refused if it pays more than is owed, or pays back more than was
    /// paid.
    fn after(&self, paid: Money, amount: Money) -> Result<Money, Problem> {
        let owed = self.amount.unwrap_or_default();
        let beyond = |_| Problem::invalid("/amount", "is too large");
        let sum = paid.checked_add(amount).map_err(beyond)?;
        let still = owed.checked_sub(paid).map_err(beyond)?;
        if amount > Money::ZERO && sum > owed {
            let still = still.max(Money::ZERO);
            return Err(Problem::conflict(format!(
                "only {still} is still owed; pay at most that"
            )));
        }
        if amount.is_negative() && sum.is_negative() {
            return Err(Problem::conflict(format!(
                "only {paid} was paid; record at most that as paid back"
            )));
        }
        owed.checked_sub(sum).map_err(beyond)
    }

    fn trade(&self, bought: Bought) -> Trade {
        let [acquisition, cost, _] = bought.ids();
        Trade {
            person: self.person_id,
            sale: self.sale_id,
            acquisition,
            cost,
            ..Trade::default()
        }
    }

    const fn is_service(&self) -> bool {
        match self.kind {
            CostKind::CarriageIn | CostKind::OutsideWork | CostKind::Tests => true,
            CostKind::Purchase | CostKind::Work | CostKind::Parts | CostKind::Other => false,
        }
    }
}

/// Nothing is owed for an engine that went back to its seller, nor for a line that was reversed.
async fn owed_for(conn: &mut AsyncPgConnection, bought: Bought) -> Result<Owed, Problem> {
    let [acquisition, cost, parts] = bought.ids();
    let owed: Option<Owed> = diesel::sql_query(include_str!("outgoing_payments/owed.sql"))
        .bind::<Nullable<BigInt>, _>(acquisition)
        .bind::<Nullable<BigInt>, _>(cost)
        .bind::<Nullable<BigInt>, _>(parts)
        .get_result(conn)
        .await
        .optional()?;
    let owed = owed.ok_or_else(|| Problem::invalid(bought.pointer(), "there is no such record"))?;
    if owed.amount.is_none() {
        let detail = match bought {
            Bought::Acquisition(_) => {
                "the engine is on commission: its owner is paid at /v1/sales/{id}/payouts"
            }
            Bought::Cost(_) | Bought::Parts(_) => {
                "a reversal is not paid for: give the line that it reverses"
            }
        };
        return Err(Problem::invalid(bought.pointer(), detail));
    }
    Ok(owed)
}

async fn paid_for(conn: &mut AsyncPgConnection, bought: Bought) -> Result<Money, Problem> {
    let query = outgoing_payments::table
        .select(sum(outgoing_payments::amount))
        .into_boxed();
    let query = match bought {
        Bought::Acquisition(id) => query.filter(outgoing_payments::acquisition_id.eq(id)),
        Bought::Cost(id) => query.filter(outgoing_payments::cost_id.eq(id)),
        Bought::Parts(id) => query.filter(outgoing_payments::parts_id.eq(id)),
    };
    let paid: Option<Money> = query.get_result(conn).await?;
    Ok(paid.unwrap_or_default())
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    bought: Bought,
    paid: &Paid,
    acknowledged: bool,
) -> Result<OutgoingPayment, Problem> {
    let [acquisition, cost, parts] = bought.ids();
    let payment: OutgoingPayment = diesel::insert_into(outgoing_payments::table)
        .values((
            outgoing_payments::acquisition_id.eq(acquisition),
            outgoing_payments::cost_id.eq(cost),
            outgoing_payments::parts_id.eq(parts),
            outgoing_payments::on_day.eq(paid.on),
            outgoing_payments::amount.eq(paid.amount),
            outgoing_payments::method.eq(paid.method),
            outgoing_payments::notes.eq(&paid.notes),
        ))
        .returning(OutgoingPayment::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"outgoing_payment_id": payment.id, "acquisition_id": acquisition, "cost_id": cost, "parts_id": parts,
        "cash_limit_acknowledged": acknowledged});
    tx.record("supplier.paid", Some(stock_no), entry).await?;
    Ok(payment)
}

/// An engine that is paid for on arrival.
pub(crate) async fn paid_at_the_door(
    tx: &mut Tx<'_>,
    stock_no: i32,
    acquisition: i64,
    paid: &Paid,
    acknowledged: bool,
) -> Result<(), Problem> {
    if paid.amount == Money::ZERO {
        return Ok(());
    }
    let bought = Bought::Acquisition(acquisition);
    insert(tx, stock_no, bought, paid, acknowledged).await?;
    Ok(())
}
