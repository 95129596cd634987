//! The firm: name, currency, zone, jurisdiction.

use crate::{
    firm::languages::{self, Language, Translation, Translations},
    ground::{
        actor::{AnyKey, Owner},
        answers::{Reply, shown},
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
    /// ISO 4217; every amount is in it.
    pub currency: Code,
    /// IANA name; every civil day is a day of this zone.
    pub time_zone: Code,
    /// Whose boiler codes and tax rules hold, such as `GB`.
    pub jurisdiction: Jurisdiction,
    /// Address of an engine's page on the shop site: an RFC 6570 template with `{page_name}`.
    pub page_url: Option<Line>,
    /// How long a reservation holds when nobody says how long.
    #[schema(minimum = 1, maximum = 2160)]
    pub reservation_hours: i32,
    /// On which sheets are printed.
    pub paper_size: PaperSize,
    /// The first is that in which titles and words are written; the others may be added to a listing.
    #[schema(min_items = 1, max_items = 10)]
    pub languages: Vec<Language>,
    /// How many engines can be worked at at once.
    #[schema(minimum = 0, maximum = 100)]
    pub benches: i32,
    /// How many engines can be in steam at once.
    #[schema(minimum = 0, maximum = 100)]
    pub steaming_bays: i32,
    /// As invoices show it.
    pub address: Option<Text<500>>,
    /// As invoices show it; null where the firm is not registered.
    pub vat_number: Option<Code>,
}

/// The currency is fixed once amounts are recorded in it.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = firm, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Quillow Lane Works"}))]
pub struct FirmPatch {
    pub name: Line,
    pub time_zone: Code,
    pub jurisdiction: Jurisdiction,
    pub page_url: Option<Line>,
    /// 1 to 2160, which is 90 days.
    #[schema(minimum = 1, maximum = 2160)]
    pub reservation_hours: i32,
    pub paper_size: PaperSize,
    /// 0 to 100.
    #[schema(minimum = 0, maximum = 100)]
    pub benches: i32,
    /// 0 to 100.
    #[schema(minimum = 0, maximum = 100)]
    pub steaming_bays: i32,
    /// None that a listing has a translation in is left out.
    #[serde(deserialize_with = "at_most::<{ languages::MOST }, _, _>")]
    #[schema(min_items = 1, max_items = 10)]
    pub languages: Vec<Language>,
    pub address: Option<Text<500>>,
    pub vat_number: Option<Code>,
}

impl FirmPatch {
    fn check(&self) -> Result<(), Problem> {
        if TimeZone::get(&self.time_zone).is_err() {
            return Err(Problem::invalid(
                "/time_zone",
                "not a time zone of the IANA database, such as Europe/London",
            ));
        }
        if let Some(template) = &self.page_url
            && !(template.starts_with("https://") && template.contains("{page_name}"))
        {
            return Err(Problem::invalid(
                "/page_url",
                "not an https address with {page_name} in it",
            ));
        }
        for (places, pointer) in [
            (self.benches, "/benches"),
            (self.steaming_bays, "/steaming_bays"),
        ] {
            if !(0..=100).contains(&places) {
                return Err(Problem::invalid(pointer, "not 0 to 100"));
            }
        }
        if self.languages.is_empty() {
            let detail = "empty; the first is the language in which you write";
            return Err(Problem::invalid("/languages", detail));
        }
        if !(1..=MOST_RESERVATION_HOURS).contains(&self.reservation_hours) {
            return Err(Problem::invalid(
                "/reservation_hours",
                "not 1 to 2160 hours",
            ));
        }
        Ok(())
    }
}

// Routes

/// Read the firm
#[get("/firm", 200 = Firm)]
async fn get_firm(_by: AnyKey, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let firm = find(&mut *db.read().await?).await?;
    shown(&req, &firm)
}

/// Change the firm
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

/// Refuses languages of a firm under which a listing would have a translation in none of them, or in the first.
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
                "the listing of engine {stock_no} has a translation into {language}, which has to stay among the languages after the first"
            )));
        }
    }
    Ok(())
}
