//! The firm: name, currency, time zone, jurisdiction.

use crate::{
    firm::languages::{self, Language, Translation, Translations},
    ground::{
        actor::{AnyKey, Owner},
        answers::{Reply, respond},
        body::Patch,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        text::{Code, Line, Text, at_most},
    },
    schema::{firm, listings},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use jiff::tz::TimeZone;
use outshop_core::{
    boilers::codes::Jurisdiction,
    trade::{MOST_RESERVATION_HOURS, PaperSize},
};
use outshop_operation::{get, patch};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("firm").service(get_firm).service(change_firm);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = firm)]
#[schema(example = json!({"name": "Quillow Lane Works", "currency": "GBP", "time_zone": "Europe/London",
    "jurisdiction": "GB", "page_url": "https://shop.example/engines/{page_name}", "reservation_hours": 72, "paper_size": "a4",
    "languages": ["en", "de"], "benches": 3, "steaming_bays": 1, "address": "Quillow Lane, Harrowmere", "vat_number": "GB 123 4567 89"}))]
pub struct Firm {
    pub name: Line,
    /// ISO 4217 code of every amount.
    pub currency: Code,
    /// IANA name; all dates are dates in this zone.
    pub time_zone: Code,
    /// The jurisdiction of the boiler codes and tax rules that apply, such as `GB`.
    pub jurisdiction: Jurisdiction,
    /// Address of an engine's page on the shop site: an RFC 6570 template with `{page_name}`; null: there is no such
    /// page.
    pub page_url: Option<Line>,
    /// Hours that a reservation lasts if the request does not say.
    #[schema(minimum = 1, maximum = 2160)]
    pub reservation_hours: i32,
    /// Paper size of printed sheets.
    pub paper_size: PaperSize,
    /// The first is the language of titles and descriptions; listings may have translations into the others.
    #[schema(min_items = 1, max_items = 10)]
    pub languages: Vec<Language>,
    /// How many engines can be worked on at once.
    #[schema(minimum = 0, maximum = 100)]
    pub benches: i32,
    /// How many engines can be in steam at once.
    #[schema(minimum = 0, maximum = 100)]
    pub steaming_bays: i32,
    /// As printed on invoices.
    pub address: Option<Text<500>>,
    /// As printed on invoices; null: the firm is not registered for VAT.
    pub vat_number: Option<Code>,
}

/// Changes to the firm. The currency is not among them: it is fixed once amounts are recorded in it.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = firm, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Quillow Lane Works"}))]
pub struct FirmPatch {
    pub name: Line,
    /// IANA name; all dates are dates in this zone.
    pub time_zone: Code,
    pub jurisdiction: Jurisdiction,
    /// Address of an engine's page on the shop site: an RFC 6570 template with `{page_name}`; null: there is no such
    /// page.
    pub page_url: Option<Line>,
    /// Hours, 1 to 2160 (90 days).
    #[schema(minimum = 1, maximum = 2160)]
    pub reservation_hours: i32,
    pub paper_size: PaperSize,
    /// 0 to 100.
    #[schema(minimum = 0, maximum = 100)]
    pub benches: i32,
    /// 0 to 100.
    #[schema(minimum = 0, maximum = 100)]
    pub steaming_bays: i32,
    /// Refused if it leaves out a language that a listing is translated into.
    #[serde(deserialize_with = "at_most::<{ languages::MOST }, _, _>")]
    #[schema(min_items = 1, max_items = 10)]
    pub languages: Vec<Language>,
    pub address: Option<Text<500>>,
    /// As printed on invoices; null: the firm is not registered for VAT.
    pub vat_number: Option<Code>,
}

impl FirmPatch {
    fn check(&self) -> Result<(), Problem> {
        if TimeZone::get(&self.time_zone).is_err() {
            return Err(Problem::invalid(
                "/time_zone",
                "must be a time zone of the IANA database, such as Europe/London",
            ));
        }
        if let Some(template) = &self.page_url
            && !(template.starts_with("https://") && template.contains("{page_name}"))
        {
            return Err(Problem::invalid(
                "/page_url",
                "must be an https address with {page_name} in it",
            ));
        }
        for (places, pointer) in [
            (self.benches, "/benches"),
            (self.steaming_bays, "/steaming_bays"),
        ] {
            if !(0..=100).contains(&places) {
                return Err(Problem::invalid(pointer, "must be 0 to 100"));
            }
        }
        if self.languages.is_empty() {
            let detail = "must not be empty; the first is the language in which you write";
            return Err(Problem::invalid("/languages", detail));
        }
        if !(1..=MOST_RESERVATION_HOURS).contains(&self.reservation_hours) {
            return Err(Problem::invalid(
                "/reservation_hours",
                "must be 1 to 2160 hours",
            ));
        }
        Ok(())
    }
}

// Routes

/// Get the firm's details
#[get("/firm", 200 = Firm)]
async fn get_firm(_by: AnyKey, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let firm = find(&mut *db.read().await?).await?;
    respond(&req, &firm)
}

/// Change the firm's details
///
/// Public listings show the change. Refused (409) if a listing has a translation into a language that is left out.
#[patch("/firm", 200 = Firm)]
async fn change_firm(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    patch: Patch<FirmPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current: Firm = firm::table
            .select(Firm::as_select())
            .for_update()
            .first(tx.conn())
            .await?;
        let change = patch.merged(&current)?;
        change.check()?;
        if patch.names("languages") {
            no_listing_is_without(tx.conn(), &change.languages).await?;
        }
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: Firm = diesel::update(firm::table)
            .set(&change)
            .returning(Firm::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record(
            "firm.changed",
            None,
            serde_json::json!({"members": patch.members()}),
        )
        .await?;
        Ok(changed)
    })
    .await
}

// SQL

pub async fn find(conn: &mut AsyncPgConnection) -> Result<Firm, Problem> {
    Ok(firm::table.select(Firm::as_select()).first(conn).await?)
}

/// Refuses languages that leave a listing with a translation into none of them, or into the first.
async fn no_listing_is_without(
    conn: &mut AsyncPgConnection,
    languages: &[Language],
) -> Result<(), Problem> {
    let translated: Vec<(i32, Translations)> = listings::table
        .filter(listings::translations.ne(Translations::default()))
        .order(listings::stock_no)
        .select((listings::stock_no, listings::translations))
        .load(conn)
        .await?;
    let others = languages.get(1..).unwrap_or_default();
    for (stock_no, translations) in translated {
        let without = translations
            .0
            .iter()
            .find(|it| !others.contains(&it.language));
        if let Some(Translation { language, .. }) = without {
            return Err(Problem::conflict(format!(
                "the listing of engine {stock_no} has a translation into {language}; keep that language after the first, or \
                 remove the translation"
            )));
        }
    }
    Ok(())
}
