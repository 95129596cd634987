//! Published engines, each with its response body ready to send.

use super::{
    list::{Candidate, Facts, ListingQuery, Numbers, Place, PublicSort, Vocabulary, fold, words},
    load::Loaded,
};
use crate::ground::{answers::etag_of, clock::Instant, problem::Problem};
use actix_web::{http::header::HeaderValue, web::Bytes};
use flate2::{Compression, write::GzEncoder};
use outshop_core::{
    boilers::paper_words::openings,
    days::Day,
    engines::engine::{Scale, Whyte},
};
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::{
    io::Write,
    sync::{Arc, OnceLock},
};

/// The published engines in order of stock number.
pub(super) struct OnShowIndex {
    pub engines: Vec<Arc<OnShow>>,
    pub facts: Vec<Facts>,
    /// For each order, the positions in it.
    orders: [Vec<u32>; PublicSort::ALL.len()],
    pub scales: Numbers<Scale>,
    pub whytes: Numbers<Whyte>,
    pub vocabulary: Arc<Vocabulary>,
}

/// A published engine.
pub(super) struct OnShow {
    pub(super) picked: Candidate,
    /// The text that a search reads, folded.
    pub text: Box<str>,
    pub(super) reserved_until: Option<Instant>,
    pub(super) made: RenderedBody,
    /// Digest of the public listing without its date.
    pub(super) digest: [u8; 32],
    /// Its card is the first so many bytes of its listing, plus a brace.
    card: usize,
}

/// A response body that is ready to send.
pub(super) struct RenderedBody {
    pub(super) body: Bytes,
    pub(super) media_type: HeaderValue,
    pub(super) etag: String,
    /// The ETag header values, for the body and for its gzip.
    pub(super) tags: [HeaderValue; 2],
    pub(super) link: Option<HeaderValue>,
    gzip: OnceLock<Bytes>,
}

impl RenderedBody {
    pub(super) fn of(value: &impl Serialize) -> Result<RenderedBody, Problem> {
        let json = serde_json::to_vec(value).map_err(Problem::internal)?;
        let etag = etag_of(&json);
        Ok(RenderedBody::with(json, etag))
    }

    pub(super) fn with(json: Vec<u8>, etag: String) -> RenderedBody {
        let of_gzip = format!("{}-gzip\"", etag.trim_end_matches('"'));
        let tags = [&etag, &of_gzip]
            .map(|tag| HeaderValue::from_str(tag).expect("a tag is letters, digits and dashes"));
        RenderedBody {
            // Kept for long, so drop the spare capacity.
            body: json.into_boxed_slice().into(),
            media_type: HeaderValue::from_static("application/json"),
            etag,
            tags,
            link: None,
            gzip: OnceLock::new(),
        }
    }

    pub fn of_bytes(body: Vec<u8>, media_type: &'static str) -> RenderedBody {
        let etag = etag_of(&body);
        RenderedBody {
            media_type: HeaderValue::from_static(media_type),
            ..RenderedBody::with(body, etag)
        }
    }

    /// Compressed once for all clients until the next change.
    pub(super) fn gzip(&self) -> Bytes {
        let made = self.gzip.get_or_init(|| {
            let mut gzip = GzEncoder::new(Vec::new(), Compression::default());
            let written = gzip.write_all(&self.body);
            let bytes = written.and_then(|()| gzip.finish());
            bytes.expect("writing to a vector cannot fail").into()
        });
        made.clone()
    }
}

/// The sentences about certificates name the day; without it they change only with the certificates.
fn digest_without_day(body: &[u8], on: Day) -> [u8; 32] {
    let mut hash = Sha256::new();
    let [certificates, none] = openings(on).map(|opening| format!("\"{opening}"));
    let days = [format!("\"on\":\"{on}\""), certificates, none];
    let mut rest = body;
    while let Some((at, day)) = days
        .iter()
        .filter_map(|day| Some((memchr::memmem::find(rest, day.as_bytes())?, day)))
        .min_by_key(|(at, _)| *at)
    {
        hash.update(&rest[..at]);
        rest = &rest[at + day.len()..];
    }
    hash.update(rest);
    hash.finalize().into()
}

impl OnShow {
    pub(super) fn new(loaded: &Loaded) -> Result<OnShow, Problem> {
        let listing = &loaded.listing;
        let (card, engine) = (&listing.card, &listing.card.engine);
        let mut text = String::new();
        let optional = [
            &engine.prototype,
            &engine.design,
            &engine.designer,
            &engine.builder,
        ];
        let translated = listing.translations.0.iter();
        let translated = translated.flat_map(|it| [&*it.title, &*it.description]);
        let shown: [&str; 3] = [&card.facts.title, &engine.name, &listing.description];
        let shown = shown
            .into_iter()
            .chain(optional.into_iter().flatten().map(|it| &**it))
            .chain(translated);
        for part in shown {
            text.push_str(&fold(part));
            text.push('\n');
        }
        let card_bytes = serde_json::to_vec(card).map_err(Problem::internal)?;
        let made = RenderedBody::of(listing)?;
        let card_length = card_bytes.len() - 1;
        if made.body.get(..card_length) != card_bytes.get(..card_length) {
            return Err(Problem::internal("a listing does not begin with its card"));
        }
        Ok(OnShow {
            picked: Candidate {
                stock_no: card.facts.stock_no,
                kind: engine.kind,
                gauge_mm: loaded.gauge_mm,
                scale: engine.scale.clone(),
                fuel: engine.fuel,
                whyte: engine.whyte.clone(),
                availability: card.availability,
                price: card.price,
                on_show_since: card.facts.on_show_since,
                sold_on: card.sold_on,
            },
            text: text.into_boxed_str(),
            reserved_until: loaded.reserved_until,
            digest: digest_without_day(&made.body, card.papers.on),
            made,
            card: card_length,
        })
    }

    pub(super) fn listing(&self) -> Result<Value, Problem> {
        serde_json::from_slice(&self.made.body).map_err(Problem::internal)
    }

    pub(super) fn card(&self) -> &[u8] {
        &self.made.body[..self.card]
    }
}

impl OnShowIndex {
    pub(super) fn new(engines: Vec<Arc<OnShow>>, vocabulary: Arc<Vocabulary>) -> OnShowIndex {
        let (mut scales, mut whytes) = (Numbers::none(), Numbers::none());
        let facts: Vec<Facts> = engines
            .iter()
            .map(|engine| {
                let picked = &engine.picked;
                Facts {
                    stock_no: picked.stock_no,
                    kind: picked.kind,
                    gauge_mm: picked.gauge_mm,
                    scale: picked.scale.as_ref().map(|it| scales.number(it)),
                    fuel: picked.fuel,
                    whyte: picked.whyte.as_ref().map(|it| whytes.number(it)),
                    availability: picked.availability,
                    price: picked.price,
                    on_show_since: picked.on_show_since,
                    sold_on: picked.sold_on,
                }
            })
            .collect();
        let orders = PublicSort::ALL.map(|sort| {
            let mut places: Vec<(Place, u32)> = facts
                .iter()
                .zip(0..)
                .map(|(facts, at)| (sort.place(facts), at))
                .collect();
            places.sort_unstable();
            places.into_iter().map(|(_, at)| at).collect()
        });
        OnShowIndex {
            engines,
            facts,
            orders,
            scales,
            whytes,
            vocabulary,
        }
    }

    pub(super) fn order(&self, sort: PublicSort) -> &[u32] {
        let at = PublicSort::ALL.iter().position(|it| *it == sort);
        at.map_or(&[], |at| &self.orders[at])
    }

    /// Positions of the matching engines, in the order of `sort`, after a place.
    pub(super) fn picked<'s>(
        &'s self,
        picker: &'s ListingQuery<'_>,
        sort: PublicSort,
        after: Option<Place>,
    ) -> impl Iterator<Item = usize> + 's {
        let order = self.order(sort);
        let begin = after.map_or(0, |after| {
            order.partition_point(|at| sort.place(&self.facts[*at as usize]) <= after)
        });
        let rest = order[begin..].iter().map(|at| *at as usize);
        rest.filter(|at| picker.picks(&self.facts[*at], &self.engines[*at]))
    }
}

pub(super) fn count_words(vocabulary: &mut Vocabulary, text: &str) {
    for word in words(text) {
        match vocabulary.get_mut(word) {
            Some(n) => *n += 1,
            None => {
                vocabulary.insert(word.into(), 1);
            }
        }
    }
}

pub(super) fn forget_words(vocabulary: &mut Vocabulary, text: &str) {
    for word in words(text) {
        if let Some(n) = vocabulary.get_mut(word) {
            *n -= 1;
            if *n == 0 {
                vocabulary.remove(word);
            }
        }
    }
}
