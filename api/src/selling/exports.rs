//! Exports: engines sold to go to another country, with what shows that they left and what becomes of the tax.

use crate::{
    books::{export_taxes::row_of, stock_book::too_large, tax_periods, tax_rules::Rates},
    firm::firm,
    ground::{
        actor::MoneyDesk,
        answers::{Reply, shown},
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

/// An engine that was sold to go to another country.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 2, "sale_id": 31, "stock_no": 10, "destination": "CH", "method": "own_van", "direct": true,
    "supply_on": "2026-01-15", "limit_on": "2026-04-15", "left_on": "2026-03-20", "evidence": "customs declaration",
    "evidence_on": "2026-04-15", "used_before_leaving": false, "status": "zero_rated", "tax_at_home": "291.67",
    "tax_due_on": null, "tax_taken_back_on": null, "deposit": null, "warnings": []}))]
pub struct Export {
    pub id: i64,
    pub sale_id: i64,
    pub stock_no: i32,
    pub destination: Jurisdiction,
    pub method: ExportMethod,
    /// The firm has control to the end.
    pub direct: bool,
    /// The time of supply: the day on which it was sent or, if earlier, paid in full; null while neither happened.
    pub supply_on: Option<Day>,
    /// Last day for leaving and for the evidence; null without a time of supply, and where no export of this kind is free of tax.
    pub limit_on: Option<Day>,
    /// The day on which it left the country of the firm.
    pub left_on: Option<Day>,
    /// What shows that it left.
    pub evidence: Option<Text<500>>,
    /// The day on which the firm got it.
    pub evidence_on: Option<Day>,
    /// In the country of the firm, before it left.
    pub used_before_leaving: bool,
    /// As of today.
    pub status: ExportStatus,
    /// The tax on the sale if it were no export.
    pub tax_at_home: Money,
    /// The tax falls due in the period of this day.
    pub tax_due_on: Option<Day>,
    /// It is taken back in the period of this day.
    pub tax_taken_back_on: Option<Day>,
    /// What a buyer who collects may be asked to leave until the evidence is there; null for a direct export and one that is taxed.
    pub deposit: Option<Money>,
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

/// The tax of a closed period is never changed.
#[derive(Debug, Deserialize, Insertable, AsChangeset, ToSchema)]
#[diesel(table_name = exports, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"destination": "CH", "method": "own_van"}))]
pub struct NewExport {
    /// Another country than the firm's.
    pub destination: Jurisdiction,
    pub method: ExportMethod,
    /// The day on which it left the country of the firm: from the day of the sale to today.
    pub left_on: Option<Day>,
    /// What shows that it left, such as a customs declaration or a waybill; beside `evidence_on`.
    pub evidence: Option<Text<500>>,
    /// The day on which the firm got it, today or earlier, in an open tax period; beside `evidence`.
    pub evidence_on: Option<Day>,
    /// false unless told otherwise.
    #[serde(default)]
    pub used_before_leaving: bool,
}

// Routes

/// List the exports
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
/// A direct export of an engine is free of tax if it leaves and the evidence is held within the months of the tax rule of the time of
/// supply; one that a business from abroad collects likewise. A private buyer who collects pays the tax. The sale has to say that the
/// buyer takes the engine abroad, and its day has to be in an open tax period.
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
            let detail = "the sale is an export already; change that one";
            return Err(Problem::conflict(detail));
        }
        if !sale.terms.buyer_abroad {
            let detail = "the sale does not say that the buyer takes the engine abroad; change it first, as other boiler rules hold there";
            return Err(Problem::conflict(detail));
        }
        new.check(tx, &sale).await?;
        tax_periods::must_be_open(tx.conn(), sale.terms.on).await?;
        if let Some(on) = new.evidence_on {
            tax_periods::must_be_open(tx.conn(), on).await?;
        }
        diesel::insert_into(exports::table)
            .values((exports::sale_id.eq(id), &*new))
            .execute(tx.conn())
            .await?;
        let export = of_sale(tx.conn(), id, actor.today).await?;
        let export = export.expect("it was stored just now");
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
    shown(&req, &find(&mut conn, *id, actor.today).await?)
}

/// Change an export
///
/// When it left, and the evidence as it comes. Refused where it would change the tax of a closed period.
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
                    tax_periods::must_be_open(tx.conn(), on).await?;
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
        // The Isle of Man is within the tax of the United Kingdom (plain reading).
        let within = country(&self.destination) == country(&home)
            || (country(&home) == "GB" && country(&self.destination) == "IM");
        let early = format!("before the day of the sale, {}", sale.terms.on.in_words());
        all_hold([
            (
                !within,
                "/destination",
                "within the country of the firm's tax: such a sale is no export",
            ),
            (
                self.left_on.is_none_or(|on| on <= today),
                "/left_on",
                "in the future",
            ),
            (
                self.left_on.is_none_or(|on| on >= sale.terms.on),
                "/left_on",
                early.as_str(),
            ),
            (
                self.evidence_on.is_none_or(|on| on <= today),
                "/evidence_on",
                "in the future",
            ),
            (
                self.evidence.is_some() || self.evidence_on.is_none(),
                "/evidence",
                "missing; what shows that it left",
            ),
            (
                self.evidence.is_none() || self.evidence_on.is_some(),
                "/evidence_on",
                "missing; the day on which the firm got the evidence",
            ),
        ])
    }
}

impl Export {
    /// The day of the tax on the sale itself, where this export is not free of it.
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

/// The export that a sale is.
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
            "A private buyer who collects pays the tax, whatever is shown later (since 2021).",
        ),
        (
            row.method == ExportMethod::OwnVan,
            "That the firm's own van counts as a direct export is a plain reading: ask the accountant where the buyer would have collected.",
        ),
        (
            tax.status == ExportStatus::TaxDue && row.used_before_leaving,
            "It was used before it left: late evidence takes no tax back.",
        ),
        (
            tax.status == ExportStatus::TakenBack,
            "The limit passed before it had left and was proved: the tax fell due, and was taken back later.",
        ),
        (
            free && row.supply_on.is_none(),
            "It is neither sent nor paid in full, so that the time of supply and the limit are not known yet.",
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

/// At the rate of the day of the sale; what an owner is paid stands for the purchase price where the firm sells in its own name.
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
