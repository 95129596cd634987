//! Receipts: what the firm gives to somebody who paid a deposit.

use crate::{
    firm::{
        firm,
        sheets::{self, Sheet},
    },
    ground::{
        actor::SellingRead,
        db::{Db, RunQueryDsl},
        instants::Instant,
        operations::Operations,
        problem::Problem,
        text::{Code, Html, Text},
    },
    schema::{payments, reservations, sales},
    selling::{
        deposits,
        invoices::{self, Party},
    },
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{days::Day, money::Money, trade::PaymentMethod};
use outshop_operation::get;
use serde::Serialize;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling").service(get_receipt);
}

// Types

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
    /// Of the firm; null where it has told none.
    pub vat_number: Option<Code>,
    pub person: Party,
    pub stock_no: i32,
    pub description: Text<400>,
    pub amount: Money,
    /// ISO 4217.
    pub currency: Code,
    pub method: PaymentMethod,
    /// While the engine is reserved for this person.
    pub reserved_until: Option<Instant>,
    /// The invoice that it was set off against.
    #[schema(minimum = 1)]
    pub invoice_no: Option<i32>,
    pub returned_on: Option<Day>,
}

// Routes

/// Read the receipt for a deposit
///
/// As a sheet to print with `Accept: text/html`.
#[get("/deposits/{id:\\d+}/receipt", 200(content((Receipt = "application/json"), (Html = "text/html"))))]
async fn get_receipt(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    let now = Instant(actor.now);
    let receipt = of_deposit(&mut conn, *id, now).await?;
    sheets::shown(&req, &mut conn, Sheet::Receipt, &receipt, now).await
}

// SQL

pub(crate) async fn of_deposit(
    conn: &mut AsyncPgConnection,
    id: i64,
    now: Instant,
) -> Result<Receipt, Problem> {
    let deposit = deposits::find(conn, id).await?;
    let received = deposit.received;
    let firm = firm::find(conn).await?;
    let reserved_until: Option<Option<Instant>> = reservations::table
        .find(received.reservation_id)
        .filter(reservations::ended.is_null())
        .filter(reservations::until_at.gt(now))
        .select(reservations::until_at)
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
