//! All that a visitor may read. The types here name every public fact; anything that they do not name cannot leak.

pub mod changes;
mod feeds;
mod list;
mod load;
mod on_show;
mod view;
mod window;

use crate::{
    engines::{photographs::PublicPhotograph, surveys::Grades},
    firm::{
        firm::Firm,
        languages::{Language, Translation, Translations},
    },
    ground::{
        actor::Anyone,
        answers::{self, Reply},
        clock::Clock,
        list::{ListQuery, Page, PageParams, form_of},
        operations::Operations,
        text::{Code, Line, Prose, Text},
    },
    schema::{engines, findings, listings},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use list::PublicFilters;
pub(crate) use load::{condition_of, papers_of};
use outshop_core::{
    boilers::papers::Sentence,
    days::Day,
    engines::{
        engine::{
            BuilderStanding, Fuel, IncludedItem, Kind, OfferedAs, Scale, Whyte, WorkingOrder,
        },
        surveys::{Area, BuildQuality, Severity},
    },
    money::Money,
    trade::{Availability, StockStatus},
    units::{Length, Mass},
};
use outshop_operation::get;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;
pub use window::ShopWindow;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("public")
        .service(list_public_listings)
        .service(get_public_listing)
        .service(list_similar_listings)
        .service(get_public_feed)
        .service(get_public_sitemap)
        .service(get_public_counts)
        .service(changes::list_public_changes);
}

// Types

/// An XML document.
#[derive(ToSchema)]
#[schema(value_type = String, format = Binary, example = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>")]
#[expect(dead_code, reason = "describes an answer")]
pub struct Xml(String);

/// An engine as a `Product` with its `Offer`, by schema.org.
#[derive(ToSchema)]
#[schema(value_type = Object, example = json!({"@context": "https://schema.org", "@type": "Product", "sku": "10",
    "name": "Marrowby, a 5 in gauge 0-6-0", "offers": {"@type": "Offer", "price": "7680.00", "priceCurrency": "GBP",
    "availability": "https://schema.org/InStock", "itemCondition": "https://schema.org/UsedCondition"}}))]
#[expect(dead_code, reason = "describes an answer")]
pub struct SchemaOrg(Value);

/// An engine in the list of published engines.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!(example_of_card()))]
pub struct PublicCard {
    #[serde(flatten)]
    pub facts: CardWords,
    /// The language of `title` and `description`.
    pub language: Language,
    /// The title in the firm's other languages.
    #[schema(max_items = 9)]
    pub titles: Vec<TranslatedTitle>,
    /// The engine's page on the shop site; null: the firm has no such pages.
    #[schema(max_length = 400)]
    pub page_url: Option<String>,
    #[serde(flatten)]
    pub engine: PublicEngine,
    /// How well it was made, as last assessed; null: not assessed.
    pub build_quality: Option<BuildQuality>,
    /// The asking price; null: price on request.
    pub price: Option<Money>,
    /// Whether visitors must ask for the price.
    pub price_on_request: bool,
    /// ISO 4217.
    pub currency: Code,
    pub availability: Availability,
    /// Null: not sold.
    pub sold_on: Option<Day>,
    /// Its main photograph; null: none.
    pub photograph: Option<PublicPhotograph>,
    pub papers: PublicPapers,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!(example()))]
pub struct PublicListing {
    #[serde(flatten)]
    pub card: PublicCard,
    /// In the firm's main language.
    pub description: Prose,
    /// Title and description in the firm's other languages.
    #[schema(value_type = Vec<Translation>, max_items = 9)]
    pub translations: Translations,
    /// Condition by area at the last survey that graded any.
    pub grades: Grades,
    /// The day of that survey.
    pub graded_on: Option<Day>,
    /// Faults that the firm has released, including those rectified since.
    #[schema(max_items = 100)]
    pub findings: Vec<PublicFinding>,
    /// The main one first.
    #[schema(max_items = 40)]
    pub photographs: Vec<PublicPhotograph>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = listings)]
pub struct CardWords {
    pub stock_no: i32,
    pub title: Line,
    /// Last part of the address of the engine's page on a shop site.
    pub page_name: Line,
    /// The day on which it was last published.
    #[diesel(select_expression = listings::on_show_since.assume_not_null())]
    #[diesel(select_expression_type = diesel::dsl::AssumeNotNull<listings::on_show_since>)]
    pub on_show_since: Day,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TranslatedTitle {
    pub language: Language,
    pub title: Line,
}

/// An example of a list entry for the OpenAPI document.
fn example_of_card() -> Value {
    let mut card = json!({"stock_no": 10, "title": "Marrowby, a 5 in gauge 0-6-0", "page_name": "marrowby-a-5-in-gauge-0-6-0-10",
        "on_show_since": "2026-05-02", "language": "en", "titles": [{"language": "de", "title": "Marrowby, eine 0-6-0 in 5 Zoll"}], "page_url": "https://shop.example/engines/marrowby-a-5-in-gauge-0-6-0-10",
        "kind": "locomotive", "name": "Marrowby", "prototype": null, "design": "Marrow", "designer": null, "builder": "J. Thackwell",
        "builder_standing": "amateur", "built_year": 1998, "gauge": {"value": "5", "unit": "in", "mm": "127"}, "scale": null,
        "whyte": "0-6-0", "fuel": "coal", "weight": {"value": "150", "unit": "lb", "kg": "68.0389"}, "length": null,
        "width": null, "height": null, "included_items": ["box"], "offered_as": "steamable", "working_order": "in_running_order",
        "medals": 1, "full_record": null});
    let rest = json!({"build_quality": "fine", "price": "7680.00", "price_on_request": false, "currency": "GBP",
        "availability": "for_sale", "sold_on": null, "photograph": example_of_photograph(), "papers": {"on": "2026-05-14",
        "sentences": ["Our records show, on 14 May 2026: hydraulic test certificate valid to 2 April 2029; steam test certificate valid to 2 April 2027.",
            "These are all the certificates that the boiler code we hold requires."], "cautions": []}});
    add(&mut card, rest);
    card
}

/// An example of a listing for the OpenAPI document.
fn example() -> Value {
    let mut listing = example_of_card();
    let rest = json!({"description": "Built over nine winters and run twice a year since.",
        "translations": [{"language": "de", "title": "Marrowby, eine 0-6-0 in 5 Zoll", "description": "In neun Wintern gebaut."}],
        "grades": {"boiler": "good", "fittings_and_feeds": null, "cylinders_and_valves": "good", "motion": "fair",
            "wheels_and_axleboxes": null, "frames": "good", "platework_and_paint": "fair", "completeness": "good"},
        "graded_on": "2026-04-20", "findings": [], "photographs": [example_of_photograph()]});
    add(&mut listing, rest);
    listing
}

fn example_of_photograph() -> Value {
    json!({"alt": "Marrowby from the left, on a bench", "sizes": [{"width": 320, "height": 240,
        "url": "/v1/public/photographs/b74e4ac7794deaaf6abfa9215b4885415700e7a37eb3779f4100253c0143cba5.jpg"}]})
}

fn add(to: &mut Value, rest: Value) {
    if let (Value::Object(to), Value::Object(rest)) = (to, rest) {
        to.extend(rest);
    }
}

/// The facts of an engine; null: not known.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = engines)]
pub struct PublicEngine {
    pub kind: Kind,
    pub name: Line,
    pub prototype: Option<Line>,
    pub design: Option<Line>,
    pub designer: Option<Line>,
    pub builder: Option<Line>,
    pub builder_standing: Option<BuilderStanding>,
    /// Year in which it was finished.
    #[schema(minimum = 1800, maximum = 2199)]
    pub built_year: Option<i32>,
    pub gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub whyte: Option<Whyte>,
    pub fuel: Option<Fuel>,
    pub weight: Option<Mass>,
    pub length: Option<Length>,
    pub width: Option<Length>,
    pub height: Option<Length>,
    /// What is sold with it.
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    pub offered_as: OfferedAs,
    pub working_order: Option<WorkingOrder>,
    /// Won at exhibitions.
    #[schema(minimum = 0, maximum = 100)]
    pub medals: Option<i32>,
    /// Whether drawings, bills and tests are on record from the beginning.
    pub full_record: Option<bool>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = findings)]
pub struct PublicFinding {
    // A finding without an area comes from a complaint, and is never released.
    #[diesel(select_expression = findings::area.assume_not_null())]
    pub area: Area,
    pub severity: Severity,
    pub description: Text<1000>,
    pub found_on: Day,
    /// Null: still open.
    pub cleared_on: Option<Day>,
}

/// What the records say about the boiler's papers on the day on which they are read.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PublicPapers {
    /// The day on which the sentences are true.
    pub on: Day,
    /// What the records show.
    #[schema(max_items = 2)]
    pub sentences: Vec<Sentence>,
    /// To be shown with the sentences.
    #[schema(max_items = 101)]
    pub cautions: Vec<Sentence>,
}

/// Other engines that a visitor may like.
#[derive(Debug, Serialize, ToSchema)]
pub struct SimilarListings {
    /// The most similar first.
    #[schema(max_items = 6)]
    pub items: Vec<PublicCard>,
}

/// How many engines are published.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"items": [{"kind": "locomotive", "gauge_mm": "127", "for_sale": 7, "reserved": 1, "sold": 2}],
    "fuel": [{"value": "coal", "for_sale": 7, "reserved": 1, "sold": 2}],
    "whyte": [{"value": "0-6-0", "for_sale": 7, "reserved": 1, "sold": 2}], "scale": []}))]
pub struct PublicCounts {
    /// By kind and gauge.
    #[schema(max_items = 1000)]
    pub items: Vec<PublicCount>,
    /// By fuel; engines with no fuel on record are left out.
    #[schema(max_items = 1000)]
    pub fuel: Vec<CountOfValue>,
    /// By wheel arrangement; engines with none on record are left out.
    #[schema(max_items = 1000)]
    pub whyte: Vec<CountOfValue>,
    /// By scale; engines with none on record are left out.
    #[schema(max_items = 1000)]
    pub scale: Vec<CountOfValue>,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct PublicCount {
    pub kind: Kind,
    /// Null: engines without a gauge.
    #[schema(max_length = 20)]
    pub gauge_mm: Option<String>,
    #[serde(flatten)]
    pub count: Count,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct CountOfValue {
    /// A value that the filter of that name accepts.
    #[schema(max_length = 60)]
    pub value: String,
    #[serde(flatten)]
    pub count: Count,
}

#[derive(Debug, Clone, Copy, Default, Serialize, ToSchema)]
pub struct Count {
    /// Neither reserved nor sold.
    #[schema(minimum = 0)]
    pub for_sale: u32,
    /// Reserved at present.
    #[schema(minimum = 0)]
    pub reserved: u32,
    /// Sold and still published.
    #[schema(minimum = 0)]
    pub sold: u32,
}

// Routes

/// List the published engines
///
/// Sold engines stay published, marked as sold, until the firm withdraws them: `availability=sold&sort=-sold_on`
/// lists the latest sales. Default order: stock number.
#[get("/public/listings", 200 = Page<PublicCard>, params(PublicFilters, PageParams))]
async fn list_public_listings(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
) -> Reply {
    let view = window.view(&clock).await?;
    if let Some(form) = form_of(&req) {
        let list = ListQuery::<PublicFilters>::read(&req)?;
        return view.whole(&list.filters, form);
    }
    let made = view.made_once(req.query_string(), || {
        let list = ListQuery::<PublicFilters>::read(&req)?;
        view.page(&req, &list)
    })?;
    Ok(view.answer(&req, &made))
}

/// Read a published engine
///
/// Returns 410 once the firm has withdrawn it. With `Accept: application/ld+json` this is a schema.org Product; the
/// addresses of its pictures are relative to this one.
#[get("/public/listings/{stock_no:\\d+}", 410, 200(content((PublicListing = "application/json"), (SchemaOrg = "application/ld+json"))))]
async fn get_public_listing(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
    stock_no: web::Path<i32>,
) -> Reply {
    let view = window.view(&clock).await?;
    if answers::accepts(&req, "application/ld+json") {
        let made = view.schema_org(*stock_no)?;
        return Ok(view.answer(&req, &made));
    }
    let made = view.listing(*stock_no)?;
    Ok(view.answer(&req, made))
}

/// Read the latest listings as an Atom feed
///
/// The hundred latest. An entry is updated when its engine is sold.
#[get("/public/listings.atom", 200(body = Xml, content_type = "application/atom+xml"))]
async fn get_public_feed(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
) -> Reply {
    let view = window.view(&clock).await?;
    let made = view.made_once("the feed", || feeds::atom(&view, req.path()))?;
    Ok(view.answer(&req, &made))
}

/// Read the addresses of the firm's engine pages, for search engines
///
/// A sitemap by sitemaps.org. Empty until the firm has a `page_url`.
#[get("/public/sitemap.xml", 200(body = Xml, content_type = "application/xml"))]
async fn get_public_sitemap(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
) -> Reply {
    let view = window.view(&clock).await?;
    let made = view.made_once("the map", || feeds::sitemap(&view))?;
    Ok(view.answer(&req, &made))
}

/// List similar engines
///
/// Engines of the same kind that are not sold, by gauge, fuel, wheel arrangement and price; at most six.
#[get("/public/listings/{stock_no:\\d+}/similar", 200 = SimilarListings)]
async fn list_similar_listings(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
    stock_no: web::Path<i32>,
) -> Reply {
    let view = window.view(&clock).await?;
    let made = view.similar(*stock_no)?;
    Ok(view.answer(&req, &made))
}

/// Count the published engines
///
/// By kind and gauge, and by each value of the other filters.
#[get("/public/counts", 200 = PublicCounts)]
async fn get_public_counts(
    _by: Anyone,
    req: HttpRequest,
    window: web::Data<ShopWindow>,
    clock: web::Data<Clock>,
) -> Reply {
    let view = window.view(&clock).await?;
    Ok(view.answer(&req, view.counts()?))
}

/// The firm's RFC 6570 template with the page name filled in; a page name needs no encoding.
fn page_url(firm: &Firm, page_name: &str) -> Option<String> {
    let template = firm.page_url.as_ref()?;
    Some(template.replace("{page_name}", page_name))
}

/// Never called for an engine that left without a sale, as its listing is withdrawn.
fn availability(status: StockStatus) -> Availability {
    match status {
        StockStatus::InStock => Availability::ForSale,
        StockStatus::Reserved => Availability::Reserved,
        StockStatus::Sold | StockStatus::Delivered | StockStatus::Gone => Availability::Sold,
    }
}
