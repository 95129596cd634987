//! Exports: engines sold to another country, the evidence that they left, and the tax.

use crate::{
    books::{export_taxes::row_of, stock_book::too_large, tax_periods, tax_rules::Rates},
    firm::firm,
    ground::{
        actor::MoneyDesk,
        answers::{Reply, respond},
        body::{KeyedBody, Patch},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::exports,
    selling::{
        commissions,
        sales::{self, Sale},
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
        tax::{ExportMethod, ExportStatus},
    },
    days::Day,
    money::Money,
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_exports)
        .service(create_export)
        .service(get_export)
        .service(change_export);
}

// Types

/// A sale of an engine that goes to another country.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 2, "sale_id": 31, "stock_no": 10, "destination": "CH", "method": "own_van", "direct": true,
    "supply_on": "2026-01-15", "limit_on": "2026-04-15", "left_on": "2026-03-20", "evidence": "customs declaration",
    "evidence_on": "2026-04-15", "used_before_leaving": false, "status": "zero_rated", "tax_at_home": "291.67",
    "tax_due_on": null, "tax_taken_back_on": null, "deposit": null, "warnings": []}))]
pub struct Export {
    pub id: i64,
    pub sale_id: i64,
    pub stock_no: i32,
    /// The country to which it goes.
    pub destination: Jurisdiction,
    pub method: ExportMethod,
    /// The firm has control to the end.
    pub direct: bool,
    /// The time of supply: the day on which it was sent or, if earlier, paid in full; null: neither yet.
    pub supply_on: Option<Day>,
    /// Last day for it to leave and for the evidence; null: no time of supply yet, or this kind of export is always
    /// taxed.
    pub limit_on: Option<Day>,
    /// The day on which it left the firm's country; null: it has not left.
    pub left_on: Option<Day>,
    /// Evidence that it left; null: none received.
    pub evidence: Option<Text<500>>,
    /// The day on which the firm received the evidence.
    pub evidence_on: Option<Day>,
    /// It was used in the firm's country before it left.
    pub used_before_leaving: bool,
    /// As of today.
    pub status: ExportStatus,
    /// The tax on the sale if it were not an export.
    pub tax_at_home: Money,
    /// The tax falls due in the period of this day; null: it does not.
    pub tax_due_on: Option<Day>,
    /// The tax is taken back in the period of this day; null: it is not.
    pub tax_taken_back_on: Option<Day>,
    /// The deposit that a buyer who collects may be asked for until the evidence is received; null for a direct
    /// export and a taxed one.
    pub deposit: Option<Money>,
    /// Points for someone to check.
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

/// The tax of a closed period never changes.
#[derive(Debug, Deserialize, Insertable, AsChangeset, ToSchema)]
#[diesel(table_name = exports, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"destination": "CH", "method": "own_van"}))]
pub struct NewExport {
    /// Another country than the firm's.
    pub destination: Jurisdiction,
    pub method: ExportMethod,
    /// The day on which it left the firm's country: from the day of the sale to today.
    pub left_on: Option<Day>,
    /// Evidence that it left, such as a customs declaration or a waybill; with `evidence_on`.
    pub evidence: Option<Text<500>>,
    /// The day on which the firm received the evidence, today or earlier, in an open tax period; with `evidence`.
    pub evidence_on: Option<Day>,
    /// It was used in the firm's country before it left. Default: false.
    #[serde(default)]
    pub used_before_leaving: bool,
}

// Routes

/// List exports
#[get("/exports", 200 = Page<Export>)]
async fn list_exports(MoneyDesk(actor): MoneyDesk, list: ListQuery) -> Reply {
    let today = actor.today;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let sales = of_page!(page, exports::table.select(exports::sale_id), exports::id);
        let sales: Vec<i64> = sales.load(conn).await?;
        let mut listed = Vec::with_capacity(sales.len());
        for sale in sales {
            listed.extend(of_sale(conn, sale, today).await?);
        }
        Ok(listed)
    };
    list.answer(fetch, |it: &Export| it.id).await
}

/// Record that a sale is an export
///
/// A direct export, or one that a business from abroad collects, is free of tax if the engine leaves and the evidence
/// is received within the months that the tax rule at the time of supply allows. A private buyer who collects pays
/// the tax. Refused (409) if the sale does not say that the buyer takes the engine abroad, or if its day is in a
/// closed tax period.
#[post("/sales/{id:\\d+}/exports", 201 = Export)]
async fn create_export(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewExport>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let sale = sales::locked(tx, id).await?;
        if row_of(tx.conn(), Some(id)).await?.pop().is_some() {
            let detail = "the sale is recorded as an export already; change that record";
            return Err(Problem::conflict(detail));
        }
        if !sale.terms.buyer_abroad {
            let detail = "the sale does not say that the buyer takes the engine abroad, where other boiler rules apply; set buyer_abroad on the sale first";
            return Err(Problem::conflict(detail));
        }
        new.check(tx, &sale).await?;
        tax_periods::period_must_be_open(tx.conn(), sale.terms.on).await?;
        if let Some(on) = new.evidence_on {
            tax_periods::period_must_be_open(tx.conn(), on).await?;
        }
        diesel::insert_into(exports::table)
            .values((exports::sale_id.eq(id), &*new))
            .execute(tx.conn())
            .await?;
        let export = of_sale(tx.conn(), id, actor.today).await?;
        let export = export.expect("the export was stored just now");
        let entry = json!({"export_id": export.id, "sale_id": id});
        tx.record("export.created", Some(sale.terms.stock_no), entry)
            .await?;
        Ok((format!("/v1/exports/{}", export.id), export))
    })
    .await
}

/// Read an export
#[get("/exports/{id:\\d+}", 200 = Export)]
async fn get_export(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    respond(&req, &find(&mut conn, *id, actor.today).await?)
}

/// Change an export
///
/// Record when it left, and the evidence when it comes. Refused (409) if that would change the tax of a closed
/// period.
#[patch("/exports/{id:\\d+}", 200 = Export)]
async fn change_export(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<NewExport>,
) -> Reply {
    let id = *id;
    db.change(&actor, &req, async |tx| {
        let sale_id = find(tx.conn(), id, actor.today).await?.sale_id;
        let sale = sales::locked(tx, sale_id).await?;
        let current = find(tx.conn(), id, actor.today).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        change.check(tx, &sale).await?;
        diesel::update(exports::table.find(id))
            .set(&change)
            .execute(tx.conn())
            .await?;
        let after = find(tx.conn(), id, actor.today).await?;
        for (before, now) in [
            (current.taxed_on(&sale), after.taxed_on(&sale)),
            (current.tax_due_on, after.tax_due_on),
            (current.tax_taken_back_on, after.tax_taken_back_on),
        ] {
            if before != now {
                for on in [before, now].into_iter().flatten() {
                    tax_periods::period_must_be_open(tx.conn(), on).await?;
                }
            }
        }
        let entry = json!({"export_id": id, "sale_id": sale_id, "members": patch.members()});
        tx.record("export.changed", Some(sale.terms.stock_no), entry)
            .await?;
        Ok(after)
    })
    .await
}

impl NewExport {
    async fn check(&self, tx: &mut Tx<'_>, sale: &Sale) -> Result<(), Problem> {
        let today = tx.actor.today;
        let home = firm::find(tx.conn()).await?.jurisdiction;
        let country = |place: &Jurisdiction| place.as_str()[..2].to_owned();
        // The Isle of Man is within the UK's VAT area (plain reading).
        let within = country(&self.destination) == country(&home)
            || (country(&home) == "GB" && country(&self.destination) == "IM");
        let early = format!(
            "must not be before the day of the sale, {}",
            sale.terms.on.in_words()
        );
        all_hold([
            (
                !within,
                "/destination",
                "within the firm's own tax country, so the sale is not an export; leave it unrecorded",
            ),
            (
                self.left_on.is_none_or(|on| on <= today),
                "/left_on",
                "must not be in the future",
            ),
            (
                self.left_on.is_none_or(|on| on >= sale.terms.on),
                "/left_on",
                early.as_str(),
            ),
            (
                self.evidence_on.is_none_or(|on| on <= today),
                "/evidence_on",
                "must not be in the future",
            ),
            (
                self.evidence.is_some() || self.evidence_on.is_none(),
                "/evidence",
                "missing; say what shows that the engine left",
            ),
            (
                self.evidence.is_none() || self.evidence_on.is_some(),
                "/evidence_on",
                "missing; give the day on which the firm received the evidence",
            ),
        ])
    }
}

impl Export {
    /// The day on which the sale itself is taxed; `None`: this export is free of tax.
    fn taxed_on(&self, sale: &Sale) -> Option<Day> {
        (self.status == ExportStatus::Taxed).then_some(sale.terms.on)
    }
}

// SQL

async fn find(conn: &mut AsyncPgConnection, id: i64, today: Day) -> Result<Export, Problem> {
    let missing = || Problem::not_found(format!("there is no export {id}"));
    let sale: Option<i64> = exports::table
        .find(id)
        .select(exports::sale_id)
        .first(conn)
        .await
        .optional()?;
    let found = of_sale(conn, sale.ok_or_else(missing)?, today).await?;
    found.ok_or_else(missing)
}

/// The export record of a sale; `None`: not an export.
pub(crate) async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale_id: i64,
    today: Day,
) -> Result<Option<Export>, Problem> {
    let Some(row) = row_of(conn, Some(sale_id)).await?.pop() else {
        return Ok(None);
    };
    let rates = Rates::load(conn).await?;
    let tax = row.tax(&rates, today);
    let sale = sales::find(conn, sale_id).await?;
    let tax_at_home = tax_at_home(conn, &rates, &sale).await?;
    let free = tax.is_free_at_the_sale();
    let warnings = [
        (
            !free,
            "A private buyer who collects pays the tax, whatever evidence comes later (since 2021).",
        ),
        (
            row.method == ExportMethod::OwnVan,
            "Treating delivery in the firm's own van as a direct export is a plain reading of the rules: ask the accountant if the buyer would have collected.",
        ),
        (
            tax.status == ExportStatus::TaxDue && row.used_before_leaving,
            "The engine was used before it left: late evidence does not recover the tax.",
        ),
        (
            tax.status == ExportStatus::TakenBack,
            "The time limit passed before the engine had left with evidence: the tax fell due, and was taken back later.",
        ),
        (
            free && row.supply_on.is_none(),
            "The engine is neither sent nor paid for in full, so the time of supply and the time limit are not known yet.",
        ),
    ];
    Ok(Some(Export {
        id: row.id,
        sale_id,
        stock_no: row.stock_no,
        destination: row.destination,
        method: row.method,
        direct: row.method.is_direct(),
        supply_on: row.supply_on,
        limit_on: tax.limit_on,
        left_on: row.left_on,
        evidence: row.evidence,
        evidence_on: row.evidence_on,
        used_before_leaving: row.used_before_leaving,
        status: tax.status,
        tax_at_home,
        tax_due_on: tax.due_on,
        tax_taken_back_on: tax.taken_back_on,
        deposit: (free && !row.method.is_direct()).then_some(tax_at_home),
        warnings: warnings
            .into_iter()
            .filter(|(holds, _)| *holds)
            .map(|(_, words)| words.parse())
            .collect::<Result<_, _>>()
            .map_err(Problem::internal)?,
    }))
}

/// At the rate on the day of the sale. Where the firm sells in its own name, the payment to the owner counts as the
/// purchase price.
async fn tax_at_home(
    conn: &mut AsyncPgConnection,
    rates: &Rates,
    sale: &Sale,
) -> Result<Money, Problem> {
    let terms = &sale.terms;
    let engine = stock::EngineState::read(conn, terms.stock_no).await?;
    let (position, purchase) = (engine.tax_position, engine.purchase()?);
    let scheme = position.scheme();
    let purchase = match purchase {
        Some(price) => price,
        None => commissions::of_sale(conn, sale)
            .await?
            .payout_due
            .max(Money::ZERO),
    };
    let rate = rates.on(scheme, terms.on)?;
    tax_of_sale(scheme, purchase, terms.price, rate).map_err(too_large)
}
