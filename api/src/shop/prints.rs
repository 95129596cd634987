//! Prints: a sheet at an address that a browser can open once without a key.

use crate::{
    boilers::{boiler_records, inspector_days},
    engines::survey_sheets,
    firm::{
        firm,
        sheets::{self, Sheet, render},
    },
    ground::{
        actor::{Actor, Anyone, Staff},
        answers,
        answers::Reply,
        body::Body,
        clock::{Clock, Instant},
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        text::Html,
    },
    schema::prints,
    selling::{commissions, deposits, invoices},
    service::wire::Head,
    shop::{descriptions, owner_notes},
    workshop::work_records,
};
use actix_web::{HttpMessage, HttpRequest, web};
use base64::{Engine as _, engine::general_purpose::URL_SAFE_NO_PAD};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use jiff::{SignedDuration, Timestamp};
use outshop_core::{days::Day, engines::engine::Kind, trade::Role};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("firm").service(create_print).service(open_print);
}

const MINUTES: i64 = 5;

// Types

/// The sheet to print, and its subject.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(tag = "sheet", rename_all = "snake_case", deny_unknown_fields)]
#[schema(example = json!({"sheet": "invoice", "sale_id": 31}))]
pub enum NewPrint {
    /// The description of an engine for a buyer.
    Description {
        stock_no: i32,
        /// Default: today.
        on: Option<Day>,
    },
    /// The record of the work on an engine.
    WorkRecord { stock_no: i32 },
    /// The test record of a boiler.
    BoilerRecord {
        boiler_id: i64,
        /// Default: today.
        on: Option<Day>,
    },
    /// The notes for new owners of an engine.
    OwnerNotes { stock_no: i32 },
    /// The invoice for a sale. Only for keys that may read sales.
    Invoice { sale_id: i64 },
    /// The credit note for a cancelled sale. Only for keys that may read sales.
    CreditNote { sale_id: i64 },
    /// The receipt for a deposit. Only for keys that may read sales.
    Receipt { deposit_id: i64 },
    /// The statement for the owner of a commission engine. Only for proprietor and bookkeeper.
    Commission { sale_id: i64 },
    /// The boilers to show to the inspector on a day.
    InspectorDay {
        /// Default: today.
        on: Option<Day>,
        /// Tests due within this many days after `on`.
        #[serde(default = "a_month")]
        #[schema(minimum = 0, maximum = 366, default = 30)]
        within_days: u16,
    },
    /// A survey form for a kind of engine, to fill in by hand.
    Survey { kind: Kind },
}

fn a_month() -> u16 {
    30
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"address": "/v1/public/prints/rGqXr1yUeR6vC0m4bVb1Zk2gq0o9nq5Q8bYtq2n3w8E", "until": "2026-05-14T11:05:00Z"}))]
pub struct Print {
    /// Serves the sheet once. Anyone who has it can read the sheet.
    #[schema(max_length = 100)]
    pub address: String,
    /// When the address stops working.
    pub until: Instant,
}

// Routes

/// Prepare a sheet for opening in a browser
///
/// Returns an address that needs no key, serves the sheet once, and expires after five minutes. The sheet shows what
/// is on record now.
#[post("/prints", 404, 201 = Print)]
async fn create_print(Staff(actor): Staff, db: web::Data<Db>, new: Body<NewPrint>) -> Reply {
    let mut secret = [0_u8; 32];
    getrandom::fill(&mut secret).map_err(Problem::internal)?;
    let secret = URL_SAFE_NO_PAD.encode(secret);
    let until = actor.now.checked_add(SignedDuration::from_mins(MINUTES));
    let until = Instant(until.map_err(Problem::internal)?);
    db.create_secret(&actor, &new, async |tx| {
        // The records do not change.
        tx.unchanged();
        let html = html_of(tx.conn(), &actor, &new).await?;
        diesel::insert_into(prints::table)
            .values((
                prints::secret_sha256.eq(Sha256::digest(&secret).as_slice()),
                prints::html.eq(html),
                prints::until_at.eq(until),
            ))
            .execute(tx.conn())
            .await?;
        let address = format!("/v1/public/prints/{secret}");
        Ok((address.clone(), Print { address, until }))
    })
    .await
}

/// Open a sheet
///
/// Once, within five minutes of its preparation (then 404). HEAD does not count as opening it.
#[get("/public/prints/{secret}",
    200(body = Html, content_type = "text/html", example = "<!DOCTYPE html><html lang=\"en\"><title>Invoice</title></html>"),
    params(("secret" = String, Path, min_length = 43, max_length = 43, example = "rGqXr1yUeR6vC0m4bVb1Zk2gq0o9nq5Q8bYtq2n3w8E")))]
async fn open_print(
    _by: Anyone,
    req: HttpRequest,
    db: web::Data<Db>,
    clock: web::Data<Clock>,
    secret: web::Path<String>,
) -> Reply {
    let waiting = prints::table
        .find(Sha256::digest(secret.as_str()).to_vec())
        .filter(prints::until_at.gt(Instant(clock.now())));
    let mut conn = db.read().await?;
    // Programs that check a link before a person opens it send HEAD.
    let html: Option<String> = if req.extensions().contains::<Head>() {
        waiting.select(prints::html).first(&mut conn).await
    } else {
        diesel::delete(waiting)
            .returning(prints::html)
            .get_result(&mut conn)
            .await
    }
    .optional()?;
    let html = html.ok_or_else(|| {
        Problem::not_found(
            "no sheet here: it was opened before, or its five minutes are over; prepare it again",
        )
    })?;
    Ok(sheets::guarded(answers::respond_as(
        &req,
        html.into_bytes(),
        "text/html; charset=utf-8",
        "no-store",
    )))
}

// SQL

/// Deletes expired sheets, as they name persons.
pub async fn forget_unopened(db: &Db, now: Timestamp) -> Result<usize, Problem> {
    let over = prints::table.filter(prints::until_at.le(Instant(now)));
    Ok(diesel::delete(over).execute(&mut *db.read().await?).await?)
}

/// The sheet, if the key may read its content.
async fn html_of(
    conn: &mut AsyncPgConnection,
    actor: &Actor,
    wanted: &NewPrint,
) -> Result<String, Problem> {
    let firm = firm::find(conn).await?;
    let now = Instant(actor.now);
    match *wanted {
        NewPrint::Description { stock_no, on } => {
            let on = on.unwrap_or(actor.today);
            let data = descriptions::of_engine(conn, stock_no, on).await?;
            render(Sheet::Description, &data, &firm, now)
        }
        NewPrint::WorkRecord { stock_no } => {
            let data = work_records::of_engine(conn, stock_no).await?;
            render(Sheet::WorkRecord, &data, &firm, now)
        }
        NewPrint::BoilerRecord { boiler_id, on } => {
            let on = on.unwrap_or(actor.today);
            let data = boiler_records::of_boiler(conn, boiler_id, on).await?;
            render(Sheet::BoilerRecord, &data, &firm, now)
        }
        NewPrint::OwnerNotes { stock_no } => {
            let data = owner_notes::of_engine(conn, stock_no).await?;
            render(Sheet::EngineNotes, &data, &firm, now)
        }
        NewPrint::Invoice { sale_id } => {
            actor.must_be(&[Role::Proprietor, Role::Seller, Role::Bookkeeper])?;
            let data = invoices::invoice_of_sale(conn, sale_id, actor.today).await?;
            render(Sheet::Invoice, &data, &firm, now)
        }
        NewPrint::CreditNote { sale_id } => {
            actor.must_be(&[Role::Proprietor, Role::Seller, Role::Bookkeeper])?;
            let data = invoices::credited(conn, sale_id, actor.today).await?;
            render(Sheet::CreditNote, &data, &firm, now)
        }
        NewPrint::Receipt { deposit_id } => {
            actor.must_be(&[Role::Proprietor, Role::Seller, Role::Bookkeeper])?;
            let data = deposits::receipt_of(conn, deposit_id, now).await?;
            render(Sheet::Receipt, &data, &firm, now)
        }
        NewPrint::Commission { sale_id } => {
            actor.must_be(&[Role::Proprietor, Role::Bookkeeper])?;
            let data = commissions::statement_of(conn, sale_id).await?;
            render(Sheet::Commission, &data, &firm, now)
        }
        NewPrint::InspectorDay { on, within_days } => {
            let on = on.unwrap_or(actor.today);
            let data = inspector_days::on_day(conn, on, within_days, now).await?;
            render(Sheet::InspectorDay, &data, &firm, now)
        }
        NewPrint::Survey { kind } => {
            render(Sheet::Survey, &survey_sheets::for_kind(kind), &firm, now)
        }
    }
}
