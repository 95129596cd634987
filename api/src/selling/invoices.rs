//! Invoices: the content of the firm's invoice for a sale, and of the credit note that cancels it, as data.

use crate::{
    books::{
        stock_book::too_large,
        tax_rules::{self, Rates},
    },
    firm::{
        firm,
        sheets::{self, Sheet},
    },
    ground::{
        actor::SellingRead,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        text::{Code, Html, Line, Text},
    },
    schema::{engines, persons},
    selling::{
        exports::{self, Export},
        returns, sales,
    },
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::codes::Jurisdiction,
    books::{
        costs::tax_of_sale,
        tax::{ExportStatus, Percent, Scheme, TaxRuleKey, in_force},
    },
    days::Day,
    money::Money,
    trade::TaxPosition,
};
use outshop_operation::get;
use serde::Serialize;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(get_invoice)
        .service(get_credit_note);
}

// Types

/// The firm, an owner or a buyer, as an invoice names them.
#[derive(Debug, Clone, Serialize, Queryable, ToSchema)]
#[schema(as = InvoiceParty, example = json!({"name": "Odo Fenwright", "address": "3 Kiln Row, Thornwix"}))]
pub struct Party {
    pub name: Line,
    pub address: Option<Text<500>>,
}

/// Source of the members of the credit note: VAT Regulations 1995 reg. 15, from memory.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"credit_note_no": 3, "on": "2026-06-02", "credited": "7600.00", "tax_credited": null, "refund": "7600.00"}))]
pub struct CreditNote {
    #[schema(minimum = 1)]
    pub credit_note_no: i32,
    pub on: Day,
    /// The price less what the firm keeps.
    pub credited: Money,
    /// All the tax that the invoice shows; null: it shows none.
    pub tax_credited: Option<Money>,
    /// Refund agreed.
    pub refund: Money,
}

/// An invoice names the destination and says that it is a zero-rated export: from memory.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"destination": "CH", "zero_rated": true, "wording": "zero-rated export"}))]
pub struct InvoiceExport {
    /// The country to which it goes.
    pub destination: Jurisdiction,
    /// Free of tax as the sale was declared; false if a private buyer collects.
    pub zero_rated: bool,
    /// Added to the wording of the scheme; null: taxed.
    pub wording: Option<Text<100>>,
}

/// Source of the members: VAT Regulations 1995 reg. 14, from memory.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"invoice_no": 30, "on": "2026-05-14", "sale_id": 31, "firm": {"name": "Quillow Lane Works", "address": "Quillow Lane, Harrowmere"},
    "vat_number": "GB 123 4567 89", "on_behalf_of": null, "buyer": {"name": "Odo Fenwright", "address": null}, "stock_no": 10,
    "description": "Marrowby, locomotive, 5 in gauge, 0-6-0, built by J. Thackwell", "currency": "GBP", "price": "7600.00",
    "scheme": "margin", "wording": "Margin scheme - Second-hand goods", "rate_percent": null, "net": null, "tax": null,
    "buyer_abroad": false, "export": null, "paid": "600.00", "balance": "7000.00", "credit_note": null, "warnings": []}))]
pub struct Invoice {
    #[schema(minimum = 1)]
    pub invoice_no: i32,
    pub on: Day,
    pub sale_id: i64,
    pub firm: Party,
    /// The firm's VAT number; null: not recorded, or the firm is not registered.
    pub vat_number: Option<Code>,
    /// The owner, if the firm sells in the owner's name; else null.
    pub on_behalf_of: Option<Party>,
    pub buyer: Party,
    pub stock_no: i32,
    pub description: Text<400>,
    /// ISO 4217.
    pub currency: Code,
    /// Including VAT.
    pub price: Money,
    pub scheme: Scheme,
    /// The wording that an invoice under the margin scheme must have, from the tax rule `invoice_wording` in force on
    /// its day. Null under other schemes.
    pub wording: Option<Text<400>>,
    /// Only under the ordinary scheme; an invoice under the margin scheme shows no tax.
    pub rate_percent: Option<Percent>,
    /// The price without its tax; null: no tax is shown.
    pub net: Option<Money>,
    /// Null: no tax is shown.
    pub tax: Option<Money>,
    /// The buyer takes the engine to another country.
    pub buyer_abroad: bool,
    /// Null: not recorded as an export.
    pub export: Option<InvoiceExport>,
    /// Paid so far, deposits included.
    pub paid: Money,
    /// What is still to be paid; below 0: what is still to be refunded.
    pub balance: Money,
    /// Null: the sale is not cancelled.
    pub credit_note: Option<CreditNote>,
    /// Points to check before the invoice is sent.
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

// Routes

/// Read the invoice for a sale
///
/// Under the margin scheme it shows no tax, and what the firm paid for the engine cannot be worked out from it.
/// Nothing is stored. With `Accept: text/html` this is a sheet to print.
#[get("/sales/{id:\\d+}/invoice", 409, 200(content((Invoice = "application/json"), (Html = "text/html"))))]
async fn get_invoice(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let invoice = invoice_of_sale(&mut conn, *id, actor.today).await?;
    sheets::respond(
        &req,
        &mut conn,
        Sheet::Invoice,
        &invoice,
        Instant(actor.now),
    )
    .await
}

/// Read the credit note for a cancelled sale
///
/// The invoice that it credits, with the credit note as a member. With `Accept: text/html` this is a sheet to print.
#[get("/sales/{id:\\d+}/credit-note", 409, 200(content((Invoice = "application/json"), (Html = "text/html"))))]
async fn get_credit_note(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let credited = credited(&mut conn, *id, actor.today).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::CreditNote, &credited, now).await
}

// SQL

/// The invoice of a cancelled sale.
pub(crate) async fn credited(
    conn: &mut AsyncPgConnection,
    id: i64,
    today: Day,
) -> Result<Invoice, Problem> {
    let invoice = invoice_of_sale(conn, id, today).await?;
    if invoice.credit_note.is_none() {
        let detail = format!("sale {id} is not cancelled, so it has no credit note");
        return Err(Problem::not_found(detail));
    }
    Ok(invoice)
}

pub(crate) async fn invoice_of_sale(
    conn: &mut AsyncPgConnection,
    id: i64,
    today: Day,
) -> Result<Invoice, Problem> {
    let export = exports::of_sale(conn, id, today).await?;
    let free = export
        .as_ref()
        .is_some_and(|export| export.status != ExportStatus::Taxed);
    let sale = sales::find(conn, id).await?;
    let terms = sale.terms;
    let firm = firm::find(conn).await?;
    let engine = stock::EngineState::read(conn, terms.stock_no).await?;
    let position = engine.tax_position;
    let scheme = position.scheme();
    let (rate_percent, wording) = match scheme {
        Scheme::Ordinary if free => (Some(Percent::ZERO), None),
        Scheme::Ordinary => (Some(Rates::load(conn).await?.standard(terms.on)?), None),
        Scheme::Margin => (
            None,
            Some(wording(conn, &firm.jurisdiction, terms.on).await?),
        ),
        Scheme::None => (None, None),
    };
    let tax = rate_percent.map(|rate| tax_of_sale(scheme, Money::ZERO, terms.price, rate));
    let tax = tax.transpose().map_err(too_large)?;
    let net = tax.map(|tax| terms.price.checked_sub(tax)).transpose();
    let on_behalf_of = match position {
        TaxPosition::CommissionInOwnersName => {
            let agreed = engine.agreed();
            match agreed.and_then(|agreed| agreed.owner) {
                Some(owner) => Some(party(conn, owner).await?),
                None => None,
            }
        }
        TaxPosition::MarginScheme
        | TaxPosition::OrdinaryVat
        | TaxPosition::CommissionInOwnName
        | TaxPosition::NotRegistered => None,
    };
    let credited = sale.kept.map(|kept| terms.price.checked_sub(kept));
    let credited = credited.transpose().map_err(Problem::internal)?;
    let returned = returns::of_sale(conn, id).await?;
    let credit_note = returned
        .zip(credited)
        .map(|(returned, credited)| CreditNote {
            credit_note_no: returned.credit_note_no,
            on: returned.on,
            credited,
            tax_credited: tax,
            refund: returned.refund,
        });
    let registered = position != TaxPosition::NotRegistered;
    let kept = sale.kept.is_some_and(|kept| kept > Money::ZERO);
    let warnings = [
        (
            firm.address.is_none(),
            "The firm's address is not recorded: set it at /v1/firm.",
        ),
        (
            registered && firm.vat_number.is_none(),
            "The firm's VAT number is not recorded: set it at /v1/firm.",
        ),
        (
            terms.buyer_abroad && export.is_none() && scheme != Scheme::None,
            "The engine goes abroad: record the export at /v1/sales/{id}/exports, or tax is due as at home.",
        ),
        (
            export.is_some() && !free,
            "A private buyer collects the engine: tax is due as at home.",
        ),
        (
            kept && scheme != Scheme::None,
            "The firm keeps part of what was paid: ask the accountant how that is taxed.",
        ),
    ];
    Ok(Invoice {
        invoice_no: terms.invoice_no,
        on: terms.on,
        sale_id: id,
        firm: Party {
            name: firm.name,
            address: firm.address,
        },
        vat_number: firm.vat_number.filter(|_| registered),
        on_behalf_of,
        buyer: party(conn, terms.person_id).await?,
        stock_no: terms.stock_no,
        description: description(conn, terms.stock_no).await?,
        currency: firm.currency,
        price: terms.price,
        scheme,
        wording,
        rate_percent,
        net: net.map_err(Problem::internal)?,
        tax,
        buyer_abroad: terms.buyer_abroad,
        export: export
            .map(|export| shown_export(&export, free))
            .transpose()?,
        paid: sale.paid,
        balance: sale.balance,
        credit_note,
        warnings: warnings
            .into_iter()
            .filter(|(holds, _)| *holds)
            .map(|(_, words)| words.parse())
            .collect::<Result<_, _>>()
            .map_err(Problem::internal)?,
    })
}

fn shown_export(export: &Export, zero_rated: bool) -> Result<InvoiceExport, Problem> {
    let wording = zero_rated.then(|| "zero-rated export".parse());
    Ok(InvoiceExport {
        destination: export.destination.clone(),
        zero_rated,
        wording: wording.transpose().map_err(Problem::internal)?,
    })
}

async fn wording(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
    on: Day,
) -> Result<Text<400>, Problem> {
    let rules = tax_rules::of(conn, jurisdiction).await?;
    let rule = in_force(&rules, jurisdiction, TaxRuleKey::InvoiceWording, on);
    let words = rule.and_then(|rule| rule.notes.as_ref()).ok_or_else(|| {
        Problem::conflict(format!(
            "no tax rule gives the invoice wording of {jurisdiction} on {on}; add it at /v1/tax-rules, with the wording in its notes"
        ))
    })?;
    words.parse().map_err(Problem::internal)
}

pub(crate) async fn party(conn: &mut AsyncPgConnection, person: i64) -> Result<Party, Problem> {
    Ok(persons::table
        .find(person)
        .select((persons::name, persons::address))
        .first(conn)
        .await?)
}

pub(crate) async fn description(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Text<400>, Problem> {
    type Facts = (Line, String, Option<String>, Option<Code>, Option<Line>);
    let (name, kind, gauge, whyte, builder): Facts = engines::table
        .find(stock_no)
        .select((
            engines::name,
            engines::kind,
            engines::gauge,
            engines::whyte,
            engines::builder,
        ))
        .first(conn)
        .await?;
    let parts = [
        Some(name.to_string()),
        Some(kind.replace('_', " ")),
        gauge.map(|gauge| format!("{gauge} gauge")),
        whyte.map(|whyte| whyte.to_string()),
        builder.map(|builder| format!("built by {builder}")),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let description: String = parts.join(", ").chars().take(400).collect();
    description.parse().map_err(Problem::internal)
}
