//! Deposits: money received for a reservation, set off at the sale or returned, and its receipt.

use crate::{
    books::{
        cash_rule::{self, Trade},
        tax_periods,
    },
    enquiring::reservations,
    firm::{
        firm,
        sheets::{self, Sheet},
    },
    ground::{
        actor::{Selling, SellingRead},
        answers::{Reply, respond},
        body::KeyedBody,
        clock::Instant,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Code, Html, Text},
    },
    schema::{
        deposit_receipts, deposit_returns, deposits, payments, reservations as reservations_table,
        sales,
    },
    selling::invoices::{self, Party},
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::{dsl::not, prelude::*};
use diesel_async::AsyncPgConnection;
use outshop_core::{books::tax::CashPayment, days::Day, money::Money, trade::PaymentMethod};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(record_deposit)
        .service(list_deposits)
        .service(get_deposit)
        .service(record_deposit_return)
        .service(get_receipt);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = deposits)]
pub struct Received {
    pub id: i64,
    /// Number of the firm's receipt; numbered in sequence without gaps.
    #[schema(minimum = 1)]
    pub receipt_no: i32,
    pub reservation_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub amount: Money,
    pub method: PaymentMethod,
    /// The payer paid banknotes into the firm's bank account.
    pub notes_into_bank: bool,
    pub notes: Option<Text<1000>>,
}

/// The firm owes it to the payer until it is set off at the sale or returned.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 5, "receipt_no": 5, "reservation_id": 9, "on": "2026-05-14", "amount": "500.00", "method": "transfer",
    "notes_into_bank": false, "notes": null, "stock_no": 10, "person_id": 12, "held": true, "payment_id": null, "returned": null}))]
pub struct Deposit {
    #[serde(flatten)]
    pub received: Received,
    pub stock_no: i32,
    /// The person who has the reservation.
    pub person_id: i64,
    /// Neither set off nor returned.
    pub held: bool,
    /// The payment of the sale as which it was set off; null: not set off.
    pub payment_id: Option<i64>,
    /// Null: not returned.
    pub returned: Option<DepositReturn>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = deposit_returns)]
#[schema(example = json!({"id": 2, "on": "2026-05-20", "method": "transfer", "reason": "the sale did not come about"}))]
pub struct DepositReturn {
    pub id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub method: PaymentMethod,
    pub reason: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "amount": "500.00", "method": "transfer"}))]
pub struct NewDeposit {
    /// From the day on which the firm acquired the engine to today, in an open tax period.
    pub on: Day,
    /// Above 0; together with deposits already held, not above the asking price.
    pub amount: Money,
    /// Not `part_exchange`.
    pub method: PaymentMethod,
    /// The payer paid banknotes into the firm's bank account; only for a transfer. Default: false.
    #[serde(default)]
    pub notes_into_bank: bool,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-20", "method": "transfer", "reason": "the sale did not come about"}))]
pub struct NewDepositReturn {
    /// From the day of the deposit to today, in an open tax period.
    pub on: Day,
    /// Not `part_exchange`.
    pub method: PaymentMethod,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    pub reason: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DepositFilters {
    /// The reservation that the deposits are for.
    #[param(minimum = 1, example = 9)]
    reservation_id: Option<i64>,
    /// true: only deposits that are neither set off nor returned; false: only the others.
    held: Option<bool>,
}

impl NewDeposit {
    fn check(&self, today: Day) -> Result<(), Problem> {
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.amount > Money::ZERO, "/amount", "must be above 0"),
            (
                self.method != PaymentMethod::PartExchange,
                "/method",
                "a deposit is money; use any other method",
            ),
            (
                !self.notes_into_bank || self.method == PaymentMethod::Transfer,
                "/notes_into_bank",
                "banknotes paid into the bank are a transfer; use method transfer or leave it out",
            ),
        ])
    }
}

impl Received {
    /// The cash rule counts cash paid back like cash received.
    fn paid_back(&self, on: Day, method: PaymentMethod) -> CashPayment {
        CashPayment {
            on,
            amount: self.amount,
            method,
            notes_into_bank: false,
        }
    }
}

impl NewDepositReturn {
    fn check(&self, today: Day, received_on: Day) -> Result<(), Problem> {
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (
                self.on >= received_on,
                "/on",
                "must not be before the deposit was received",
            ),
            (
                self.method != PaymentMethod::PartExchange,
                "/method",
                "a deposit is returned in money; use any other method",
            ),
        ])
    }
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"receipt_no": 5, "on": "2026-05-14", "deposit_id": 5, "firm": {"name": "Quillow Lane Works", "address": "Quillow Lane, Harrowmere"},
    "vat_number": "GB 123 4567 89", "person": {"name": "Odo Fenwright", "address": null}, "stock_no": 10,
    "description": "Marrowby, locomotive, 5 in gauge, 0-6-0, built by J. Thackwell", "amount": "500.00", "currency": "GBP",
    "method": "transfer", "reserved_until": "2026-05-17T11:00:00Z", "invoice_no": null, "returned_on": null}))]
pub struct Receipt {
    #[schema(minimum = 1)]
    pub receipt_no: i32,
    pub on: Day,
    pub deposit_id: i64,
    pub firm: Party,
    /// The firm's VAT number; null: not recorded.
    pub vat_number: Option<Code>,
    pub person: Party,
    pub stock_no: i32,
    pub description: Text<400>,
    pub amount: Money,
    /// ISO 4217.
    pub currency: Code,
    pub method: PaymentMethod,
    /// When the reservation lapses; null: the engine is not reserved for this person.
    pub reserved_until: Option<Instant>,
    /// The invoice that the deposit was set off against; null: not set off.
    #[schema(minimum = 1)]
    pub invoice_no: Option<i32>,
    /// Null: not returned.
    pub returned_on: Option<Day>,
}

// Routes

/// Record a deposit
///
/// For a live reservation only (409). The deposit gets the firm's next receipt number.
#[post("/reservations/{id:\\d+}/deposits", 201 = Deposit)]
async fn record_deposit(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewDeposit>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let reservation = reservations::locked(tx, *id).await?;
        new.check(actor.today)?;
        let stock_no = reservation.stock_no;
        let came_on = stock::came_on(tx.conn(), stock_no).await?;
        if new.on < came_on {
            let detail = format!(
                "must not be before the firm acquired the engine on {came_on}",
                came_on = came_on.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        let before = reservations::held_by(tx.conn(), &[*id]).await?.remove(&*id);
        let all = before.unwrap_or_default().checked_add(new.amount);
        let all =
            all.map_err(|_| Problem::invalid("/amount", "too large; send a smaller amount"))?;
        reservations::must_fit_price(tx, stock_no, Some(all), "/amount").await?;
        reservations::must_be_live(&reservation, Instant::of_second(actor.now))?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let trade = Trade {
            person: Some(reservation.person_id),
            reservation: Some(*id),
            ..Trade::default()
        };
        let coming = CashPayment {
            on: new.on,
            amount: new.amount,
            method: new.method,
            notes_into_bank: new.notes_into_bank,
        };
        cash_rule::must_be_below(tx, &trade, &coming, new.cash_limit_acknowledged).await?;
        let deposit = insert(tx, *id, &new).await?;
        let entry = json!({"deposit_id": deposit, "reservation_id": *id,
            "cash_limit_acknowledged": new.cash_limit_acknowledged});
        tx.record("deposit.received", Some(stock_no), entry).await?;
        Ok((address(deposit), find(tx.conn(), deposit).await?))
    })
    .await
}

/// List deposits
#[get("/deposits", 200 = Page<Deposit>)]
async fn list_deposits(_by: SellingRead, list: ListQuery<DepositFilters>) -> Reply {
    let filters = list.filters.clone();
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = deposits::table
            .inner_join(reservations_table::table)
            .left_join(deposit_returns::table)
            .left_join(payments::table.on(payments::deposit_id.eq(deposits::id.nullable())))
            .select(Row::as_select())
            .into_boxed();
        if let Some(id) = filters.reservation_id {
            query = query.filter(deposits::reservation_id.eq(id));
        }
        let held = deposit_returns::id.is_null().and(payments::id.is_null());
        match filters.held {
            Some(true) => query = query.filter(held),
            Some(false) => query = query.filter(not(held)),
            None => {}
        }
        let rows: Vec<Row> = of_page!(page, query, deposits::id).load(conn).await?;
        Ok(rows.into_iter().map(Row::shown).collect())
    };
    list.answer(fetch, |it: &Deposit| it.received.id).await
}

/// Read a deposit
#[get("/deposits/{id:\\d+}", 200 = Deposit)]
async fn get_deposit(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let deposit = find(&mut *db.read().await?, *id).await?;
    respond(&req, &deposit)
}

/// Return a deposit
///
/// In full and once. Refused (409) if it was set off at the sale or returned already.
#[post("/deposits/{id:\\d+}/returns", 201 = Deposit)]
async fn record_deposit_return(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewDepositReturn>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let deposit = find(tx.conn(), *id).await?;
        // Locks the engine, as its sale would set the deposit off.
        reservations::locked(tx, deposit.received.reservation_id).await?;
        let deposit = find(tx.conn(), *id).await?;
        new.check(actor.today, deposit.received.on)?;
        if !deposit.held {
            let detail = "the deposit has been set off or returned already; nothing to do";
            return Err(Problem::conflict(detail));
        }
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let trade = Trade {
            person: Some(deposit.person_id),
            reservation: Some(deposit.received.reservation_id),
            ..Trade::default()
        };
        let going = deposit.received.paid_back(new.on, new.method);
        cash_rule::must_be_below(tx, &trade, &going, new.cash_limit_acknowledged).await?;
        let returned: i64 = diesel::insert_into(deposit_returns::table)
            .values((
                deposit_returns::deposit_id.eq(*id),
                deposit_returns::on_day.eq(new.on),
                deposit_returns::method.eq(new.method),
                deposit_returns::reason.eq(&new.reason),
            ))
            .returning(deposit_returns::id)
            .get_result(tx.conn())
            .await?;
        let entry = json!({"deposit_return_id": returned, "deposit_id": *id,
            "cash_limit_acknowledged": new.cash_limit_acknowledged});
        tx.record("deposit.returned", Some(deposit.stock_no), entry)
            .await?;
        Ok((address(*id), find(tx.conn(), *id).await?))
    })
    .await
}

fn address(id: i64) -> String {
    format!("/v1/deposits/{id}")
}

/// Read the receipt for a deposit
///
/// With `Accept: text/html` this is a sheet to print.
#[get("/deposits/{id:\\d+}/receipt", 200(content((Receipt = "application/json"), (Html = "text/html"))))]
async fn get_receipt(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let now = Instant(actor.now);
    let receipt = receipt_of(&mut conn, *id, now).await?;
    sheets::respond(&req, &mut conn, Sheet::Receipt, &receipt, now).await
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = deposits)]
struct Row {
    #[diesel(embed)]
    received: Received,
    #[diesel(select_expression = reservations_table::stock_no)]
    stock_no: i32,
    #[diesel(select_expression = reservations_table::person_id)]
    person_id: i64,
    #[diesel(select_expression = payments::id.nullable())]
    payment_id: Option<i64>,
    #[diesel(embed)]
    returned: Option<DepositReturn>,
}

impl Row {
    fn shown(self) -> Deposit {
        Deposit {
            held: self.payment_id.is_none() && self.returned.is_none(),
            received: self.received,
            stock_no: self.stock_no,
            person_id: self.person_id,
            payment_id: self.payment_id,
            returned: self.returned,
        }
    }
}

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Deposit, Problem> {
    let row: Option<Row> = deposits::table
        .inner_join(reservations_table::table)
        .left_join(deposit_returns::table)
        .left_join(payments::table.on(payments::deposit_id.eq(deposits::id.nullable())))
        .filter(deposits::id.eq(id))
        .select(Row::as_select())
        .first(conn)
        .await
        .optional()?;
    let missing = || Problem::not_found(format!("there is no deposit {id}"));
    Ok(row.ok_or_else(missing)?.shown())
}

async fn insert(tx: &mut Tx<'_>, reservation: i64, new: &NewDeposit) -> Result<i64, Problem> {
    let receipt_no: i32 = diesel::update(deposit_receipts::table)
        .set(deposit_receipts::last_no.eq(deposit_receipts::last_no + 1))
        .returning(deposit_receipts::last_no)
        .get_result(tx.conn())
        .await?;
    Ok(diesel::insert_into(deposits::table)
        .values((
            deposits::reservation_id.eq(reservation),
            deposits::receipt_no.eq(receipt_no),
            deposits::on_day.eq(new.on),
            deposits::amount.eq(new.amount),
            deposits::method.eq(new.method),
            deposits::notes_into_bank.eq(new.notes_into_bank),
            deposits::notes.eq(&new.notes),
        ))
        .returning(deposits::id)
        .get_result(tx.conn())
        .await?)
}

/// The person's deposits held for an engine, from any reservation.
pub(crate) async fn held_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    person: i64,
) -> Result<Vec<Received>, Problem> {
    let theirs = reservations_table::table
        .filter(reservations_table::stock_no.eq(stock_no))
        .filter(reservations_table::person_id.eq(person))
        .select(reservations_table::id);
    Ok(reservations::held()
        .filter(deposits::reservation_id.eq_any(theirs))
        .order(deposits::id)
        .select(Received::as_select())
        .load(conn)
        .await?)
}

pub(crate) async fn receipt_of(
    conn: &mut AsyncPgConnection,
    id: i64,
    now: Instant,
) -> Result<Receipt, Problem> {
    let deposit = find(conn, id).await?;
    let received = deposit.received;
    let firm = firm::find(conn).await?;
    let reserved_until: Option<Option<Instant>> = reservations_table::table
        .find(received.reservation_id)
        .filter(reservations_table::ended.is_null())
        .filter(reservations_table::until_at.gt(now))
        .select(reservations_table::until_at)
        .first(conn)
        .await
        .optional()?;
    let invoice_no = payments::table
        .inner_join(sales::table)
        .filter(payments::deposit_id.eq(id))
        .select(sales::invoice_no)
        .first(conn)
        .await
        .optional()?;
    Ok(Receipt {
        receipt_no: received.receipt_no,
        on: received.on,
        deposit_id: id,
        firm: Party {
            name: firm.name,
            address: firm.address,
        },
        vat_number: firm.vat_number,
        person: invoices::party(conn, deposit.person_id).await?,
        stock_no: deposit.stock_no,
        description: invoices::description(conn, deposit.stock_no).await?,
        amount: received.amount,
        currency: firm.currency,
        method: received.method,
        reserved_until: reserved_until.flatten(),
        invoice_no,
        returned_on: deposit.returned.map(|returned| returned.on),
    })
}
