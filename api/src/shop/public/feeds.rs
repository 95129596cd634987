//! The public facts in open formats: schema.org data, Atom, and a sitemap of the firm's pages.

use super::{on_show::RenderedBody, window::SnapshotGuard};
use crate::ground::problem::Problem;
use outshop_core::{days::Day, trade::Availability};
use quick_xml::{
    Writer,
    events::{BytesDecl, BytesText, Event},
};
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::io;
use uuid::{Builder, Uuid};

/// The most entries in the Atom feed.
const MOST_ENTRIES: usize = 100;
/// The most addresses in one sitemap, by sitemaps.org.
const MOST_PAGES: usize = 50_000;

/// A published engine as other sites see it.
pub(super) struct FeedEntry {
    pub stock_no: i32,
    pub title: String,
    pub description: String,
    pub page_url: Option<String>,
    pub on_show_since: Day,
    pub sold_on: Option<Day>,
}

impl FeedEntry {
    /// The day on which it was published or sold: no other change is news.
    fn updated(&self) -> Day {
        self.sold_on.unwrap_or(self.on_show_since)
    }
}

/// A `Product` with its `Offer`. Addresses of pictures are relative to the address of this document.
///
/// Source of the members: schema.org, types Product, Offer, QuantitativeValue.
pub(super) fn schema_org(listing: &Value, firm: &str, availability: Availability) -> Value {
    let of = |member: &str| listing.get(member).cloned().unwrap_or(Value::Null);
    let availability = match availability {
        Availability::ForSale => "https://schema.org/InStock",
        Availability::Reserved => "https://schema.org/Reserved",
        Availability::Sold => "https://schema.org/SoldOut",
    };
    let sized = |member: &str, in_unit: &str, code: &str| match &listing[member][in_unit] {
        Value::Null => Value::Null,
        // UN/CEFACT Recommendation 20.
        value => json!({"@type": "QuantitativeValue", "value": value, "unitCode": code}),
    };
    let pictures: Vec<&Value> = listing["photographs"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|photograph| photograph["sizes"].as_array()?.last()?.get("url"))
        .collect();
    let offer = known(json!({
        "@type": "Offer", "price": of("price"), "priceCurrency": of("currency"), "availability": availability,
        "itemCondition": "https://schema.org/UsedCondition", "url": of("page_url"),
        "seller": {"@type": "Organization", "name": firm}
    }));
    known(json!({
        "@context": "https://schema.org", "@type": "Product", "sku": of("stock_no").to_string(), "name": of("title"),
        "description": of("description"), "url": of("page_url"), "image": pictures,
        "productionDate": listing["built_year"].as_i64().map(|year| year.to_string()),
        "weight": sized("weight", "kg", "KGM"), "depth": sized("length", "mm", "MMT"), "width": sized("width", "mm", "MMT"),
        "height": sized("height", "mm", "MMT"), "offers": offer
    }))
}

/// Drops unknown members, as an empty value would be read as a value.
fn known(value: Value) -> Value {
    let Value::Object(members) = value else {
        return value;
    };
    let known = members.into_iter().filter(|(_, value)| !value.is_null());
    Value::Object(known.collect::<Map<_, _>>())
}

/// The engines published last. Entry ids are derived from the feed's id and the stock number, so that they never
/// change.
///
/// Source: RFC 4287.
pub(super) fn atom(look: &SnapshotGuard, path: &str) -> Result<RenderedBody, Problem> {
    let (feed_id, firm) = (look.feed_id(), look.firm());
    let latest = look.latest(MOST_ENTRIES)?;
    let updated = latest.iter().map(FeedEntry::updated).max();
    let updated = at_midnight(updated.unwrap_or(look.today()));
    write_xml("application/atom+xml; charset=utf-8", |xml| {
        let feed = xml
            .create_element("feed")
            .with_attribute(("xmlns", "http://www.w3.org/2005/Atom"))
            .with_attribute(("xml:lang", look.language()));
        feed.write_inner_content(|xml| {
            text(xml, "id", &feed_id.urn().to_string())?;
            text(xml, "title", firm)?;
            text(xml, "updated", &updated)?;
            let own = xml.create_element("link").with_attribute(("rel", "self"));
            own.with_attribute(("href", path)).write_empty()?;
            xml.create_element("author")
                .write_inner_content(|xml| text(xml, "name", firm))?;
            for engine in &latest {
                xml.create_element("entry")
                    .write_inner_content(|xml| entry(xml, engine, feed_id))?;
            }
            Ok(())
        })?;
        Ok(())
    })
}

fn entry(xml: &mut Writer<Vec<u8>>, engine: &FeedEntry, feed_id: Uuid) -> io::Result<()> {
    let digest = Sha256::digest(format!("{feed_id} engine {}", engine.stock_no));
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    // RFC 9562, section 5.8: a UUID of our own making.
    let id = Builder::from_custom_bytes(bytes).into_uuid();
    text(xml, "id", &id.urn().to_string())?;
    text(xml, "title", &engine.title)?;
    text(xml, "published", &at_midnight(engine.on_show_since))?;
    text(xml, "updated", &at_midnight(engine.updated()))?;
    let data = format!("/v1/public/listings/{}", engine.stock_no);
    let page = engine.page_url.as_deref().unwrap_or(&data);
    let link = xml
        .create_element("link")
        .with_attribute(("rel", "alternate"));
    link.with_attribute(("href", page)).write_empty()?;
    text(xml, "summary", &engine.description)
}

/// The pages of the published engines; empty if the firm has none.
///
/// Source: sitemaps.org, protocol 0.9.
pub(super) fn sitemap(look: &SnapshotGuard) -> Result<RenderedBody, Problem> {
    let latest = look.latest(MOST_PAGES)?;
    write_xml("application/xml; charset=utf-8", |xml| {
        let pages = xml
            .create_element("urlset")
            .with_attribute(("xmlns", "http://www.sitemaps.org/schemas/sitemap/0.9"));
        pages.write_inner_content(|xml| {
            for engine in &latest {
                let Some(page) = &engine.page_url else {
                    continue;
                };
                xml.create_element("url").write_inner_content(|xml| {
                    text(xml, "loc", page)?;
                    text(xml, "lastmod", &engine.updated().to_string())
                })?;
            }
            Ok(())
        })?;
        Ok(())
    })
}

fn write_xml(
    media_type: &'static str,
    write: impl FnOnce(&mut Writer<Vec<u8>>) -> io::Result<()>,
) -> Result<RenderedBody, Problem> {
    let mut xml = Writer::new(Vec::new());
    let declared = xml.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)));
    declared
        .and_then(|()| write(&mut xml))
        .map_err(Problem::internal)?;
    Ok(RenderedBody::of_bytes(xml.into_inner(), media_type))
}

fn text(xml: &mut Writer<Vec<u8>>, name: &str, text: &str) -> io::Result<()> {
    xml.create_element(name)
        .write_text_content(BytesText::new(&printable(text)))?;
    Ok(())
}

/// XML does not allow most control characters, nor U+FFFE and U+FFFF, not even escaped.
///
/// Source: XML 1.0, fifth edition, 2.2 (Char). Also drops U+007F to U+009F, which it discourages.
fn printable(text: &str) -> String {
    text.chars()
        .filter(|c| {
            let is_allowed = matches!(c, '\t' | '\n' | '\u{20}'..='\u{fffd}' | '\u{10000}'..);
            is_allowed && (!c.is_control() || matches!(c, '\n' | '\t'))
        })
        .collect()
}

fn at_midnight(day: Day) -> String {
    format!("{day}T00:00:00Z")
}
