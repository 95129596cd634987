//! Listings: what the public sees of an engine, from draft to withdrawal.

use crate::{
    engines::engines,
    enquiring::enquiries,
    firm::languages::{Language, Translation, Translations},
    ground::{
        actor::{Selling, Staff},
        answers::{Reply, respond},
        body::{Body, IfUnchanged, Patch},
        db::{Db, RunQueryDsl, Tx},
        operations::Operations,
        problem::{self, FieldError, Problem},
        text::{Line, Prose, Text},
    },
    schema::{firm, listings},
    stock,
    workshop::readiness,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::readiness::Gate,
    days::Day,
    trade::{ListingStatus, StockStatus, is_page_name, page_name},
};
use outshop_operation::{delete, get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(create_listing)
        .service(get_listing)
        .service(change_listing)
        .service(discard_listing)
        .service(publish_listing)
        .service(withdraw_listing);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = listings)]
#[schema(example = json!({"stock_no": 10, "status": "published", "title": "Marrowby, a 5 in gauge 0-6-0",
    "description": "Built over nine winters and run twice a year since.", "page_name": "marrowby-a-5-in-gauge-0-6-0-10",
    "price_on_request": false, "translations": [], "on_show_since": "2026-05-14", "withdrawn_on": null, "withdrawal_reason": null}))]
pub struct Listing {
    pub stock_no: i32,
    pub status: ListingStatus,
    pub title: Line,
    pub description: Prose,
    /// Last part of the address of the engine's page on a shop site.
    pub page_name: Line,
    /// The public sees no price.
    pub price_on_request: bool,
    /// Title and description in the firm's other languages.
    #[schema(value_type = Vec<Translation>, max_items = 9)]
    pub translations: Translations,
    /// The day on which it was last published; null: not published now.
    pub on_show_since: Option<Day>,
    /// The day on which it was last withdrawn; null: not withdrawn now.
    pub withdrawn_on: Option<Day>,
    /// Why it was withdrawn, for the firm only; null: not recorded.
    pub withdrawal_reason: Option<Text<1000>>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"title": "Marrowby, a 5 in gauge 0-6-0", "description": "Built over nine winters and run twice a year since."}))]
pub struct NewListing {
    pub title: Line,
    pub description: Prose,
    /// Lower-case letters and digits, in words joined by single hyphens; unique among listings. Default: made from
    /// the title and the stock number.
    #[schema(value_type = Option<String>, min_length = 1, max_length = 100, pattern = "^[a-z0-9]+(-[a-z0-9]+)*$")]
    pub page_name: Option<Line>,
    /// The public sees no price. Default: false.
    #[serde(default)]
    pub price_on_request: bool,
    /// Title and description in the firm's other languages, one for each language.
    #[serde(default)]
    #[schema(value_type = Vec<Translation>, max_items = 9)]
    pub translations: Translations,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = listings)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"price_on_request": true}))]
pub struct ListingPatch {
    pub title: Line,
    pub description: Prose,
    /// The public sees no price.
    pub price_on_request: bool,
    /// Replaces all translations.
    #[schema(value_type = Vec<Translation>, max_items = 9)]
    pub translations: Translations,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct NewPublication {}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"reason": "sold and delivered"}))]
pub struct NewListingWithdrawal {
    /// Why it is withdrawn, for the firm only.
    pub reason: Option<Text<1000>>,
}

// Routes

/// Draft a listing
///
/// An engine has one listing. The public does not see a draft.
#[post("/engines/{stock_no:\\d+}/listing", 201 = Listing)]
async fn create_listing(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewListing>,
) -> Reply {
    if let Some(name) = &new.page_name
        && !is_page_name(name)
    {
        let detail = "must be lower-case letters and digits, in words joined by single hyphens, at most 100 characters";
        return Err(Problem::invalid("/page_name", detail));
    }
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), *stock_no).await?;
        must_be_of_the_firm(tx.conn(), &new.translations).await?;
        let listing = insert(tx, *stock_no, &new).await?;
        tx.record("listing.created", Some(*stock_no), json!({}))
            .await?;
        Ok((address(*stock_no), listing))
    })
    .await
}

/// Read a listing
#[get("/engines/{stock_no:\\d+}/listing", 200 = Listing)]
async fn get_listing(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
) -> Reply {
    let listing = find(&mut *db.read().await?, *stock_no).await?;
    respond(&req, &listing)
}

/// Change a listing
///
/// Changes to a published listing are public at once.
#[patch("/engines/{stock_no:\\d+}/listing", 200 = Listing)]
async fn change_listing(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    patch: Patch<ListingPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = locked(tx, *stock_no).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        if patch.names("translations") {
            must_be_of_the_firm(tx.conn(), &change.translations).await?;
        }
        let changed: Listing = diesel::update(listings::table.find(*stock_no))
            .set(&change)
            .returning(Listing::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"members": patch.members()});
        tx.record("listing.changed", Some(*stock_no), entry).await?;
        Ok(changed)
    })
    .await
}

/// Discard a draft
///
/// Refused (409) for a listing that was published: withdraw it instead.
#[delete("/engines/{stock_no:\\d+}/listing", 204)]
async fn discard_listing(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        let current = locked(tx, *stock_no).await?;
        known.against(&current)?;
        match current.status {
            ListingStatus::Draft => {}
            ListingStatus::Published | ListingStatus::Withdrawn => {
                let detail = "the public has seen this listing; withdraw it instead";
                return Err(Problem::conflict(detail));
            }
        }
        diesel::delete(listings::table.find(*stock_no))
            .execute(tx.conn())
            .await?;
        tx.record("listing.discarded", Some(*stock_no), json!({}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Publish a listing
///
/// Refused (409) while the `list` gate is shut today, and for an engine that is sold or disposed of.
#[post("/engines/{stock_no:\\d+}/listing/publications", 201 = Listing)]
async fn publish_listing(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewPublication>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let current = locked(tx, *stock_no).await?;
        let engine = engines::find(tx.conn(), *stock_no).await?;
        match engine.in_stock.status {
            StockStatus::InStock | StockStatus::Reserved => {}
            StockStatus::Sold | StockStatus::Delivered => {
                return Err(Problem::new(
                    problem::ALREADY_SOLD,
                    "the engine is sold, so its listing cannot be published; cancel the sale first if it fell through",
                ));
            }
            StockStatus::Gone => {
                let detail = "the engine has been disposed of, so its listing cannot be published";
                return Err(Problem::conflict(detail));
            }
        }
        if current.status == ListingStatus::Published {
            return Err(Problem::conflict("the listing is published already; nothing to do"));
        }
        readiness::gate_must_be_open(tx.conn(), *stock_no, Gate::List, actor.today).await?;
        let no_day: Option<Day> = None;
        let no_words: Option<Text<1000>> = None;
        let listing: Listing = diesel::update(listings::table.find(*stock_no))
            .set((
                listings::status.eq(ListingStatus::Published),
                listings::on_show_since.eq(actor.today),
                listings::withdrawn_on.eq(no_day),
                listings::withdrawal_reason.eq(no_words),
            ))
            .returning(Listing::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("listing.published", Some(*stock_no), json!({}))
            .await?;
        enquiries::record_wants_met(tx, *stock_no).await?;
        Ok((address(*stock_no), listing))
    })
    .await
}

/// Withdraw a listing
///
/// From then on its public address returns 410. Refused (409) for a draft, and for a listing withdrawn already.
#[post("/engines/{stock_no:\\d+}/listing/withdrawals", 201 = Listing)]
async fn withdraw_listing(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewListingWithdrawal>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let current = locked(tx, *stock_no).await?;
        match current.status {
            ListingStatus::Published => {}
            ListingStatus::Draft => {
                return Err(Problem::conflict(
                    "the listing is a draft; discard it instead",
                ));
            }
            ListingStatus::Withdrawn => {
                return Err(Problem::conflict(
                    "the listing is withdrawn already; nothing to do",
                ));
            }
        }
        let withdrawn = take_off_show(tx, *stock_no, new.reason.as_deref()).await?;
        Ok((
            address(*stock_no),
            withdrawn.expect("the listing is locked and published"),
        ))
    })
    .await
}

fn address(stock_no: i32) -> String {
    format!("/v1/engines/{stock_no}/listing")
}

// SQL

/// Refuses translations into a language that the firm does not use, into its main language, or twice into the same
/// one.
async fn must_be_of_the_firm(
    conn: &mut AsyncPgConnection,
    translations: &Translations,
) -> Result<(), Problem> {
    // Lock the firm's row to the end, so that it does not drop a language meanwhile.
    let languages: Vec<Language> = firm::table
        .select(firm::languages)
        .for_share()
        .first(conn)
        .await?;
    let others = languages.get(1..).unwrap_or_default();
    let translations = &translations.0;
    let broken = translations.iter().enumerate().filter_map(|(i, it)| {
        let detail = if translations[..i]
            .iter()
            .any(|before| before.language == it.language)
        {
            format!(
                "there is already a translation into {}; remove one",
                it.language
            )
        } else if others.contains(&it.language) {
            return None;
        } else if languages.contains(&it.language) {
            format!(
                "{} is the language of `title` and `description` themselves; leave it out",
                it.language
            )
        } else {
            format!(
                "{} is not a language of the firm; add it at /v1/firm",
                it.language
            )
        };
        let pointer = format!("/translations/{i}/language");
        Some(FieldError { pointer, detail })
    });
    let broken: Vec<FieldError> = broken.collect();
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

async fn insert(tx: &mut Tx<'_>, stock_no: i32, new: &NewListing) -> Result<Listing, Problem> {
    let name = match &new.page_name {
        Some(name) => name.to_string(),
        None => page_name(&new.title, stock_no),
    };
    Ok(diesel::insert_into(listings::table)
        .values((
            listings::stock_no.eq(stock_no),
            listings::title.eq(&new.title),
            listings::description.eq(&new.description),
            listings::page_name.eq(name),
            listings::price_on_request.eq(new.price_on_request),
            listings::translations.eq(&new.translations),
        ))
        .returning(Listing::as_returning())
        .get_result(tx.conn())
        .await?)
}

/// Withdraws the listing of an engine if it is published. The reason is for the firm only.
pub(crate) async fn take_off_show(
    tx: &mut Tx<'_>,
    stock_no: i32,
    reason: Option<&str>,
) -> Result<Option<Listing>, Problem> {
    let no_day: Option<Day> = None;
    let on_show = listings::table
        .find(stock_no)
        .filter(listings::status.eq(ListingStatus::Published));
    let withdrawn: Option<Listing> = diesel::update(on_show)
        .set((
            listings::status.eq(ListingStatus::Withdrawn),
            listings::on_show_since.eq(no_day),
            listings::withdrawn_on.eq(tx.actor.today),
            listings::withdrawal_reason.eq(reason),
        ))
        .returning(Listing::as_returning())
        .get_result(tx.conn())
        .await
        .optional()?;
    if withdrawn.is_some() {
        tx.record("listing.withdrawn", Some(stock_no), json!({}))
            .await?;
    }
    Ok(withdrawn)
}

/// The listing. Locks the engine, so that nobody sells or lists it meanwhile.
async fn locked(tx: &mut Tx<'_>, stock_no: i32) -> Result<Listing, Problem> {
    stock::lock(tx.conn(), stock_no).await?;
    find(tx.conn(), stock_no).await
}

async fn find(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Listing, Problem> {
    let listing: Option<Listing> = listings::table
        .find(stock_no)
        .select(Listing::as_select())
        .first(conn)
        .await
        .optional()?;
    listing.ok_or_else(|| Problem::not_found(format!("there is no listing of engine {stock_no}")))
}
