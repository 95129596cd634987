//! Which published engines match a visitor's query, and in which order: all from memory.

use super::on_show::{OnShow, OnShowIndex};
use crate::ground::{
    problem::{self, Problem},
    query::any_of,
    text::{Line, Text},
};
use outshop_core::{
    days::Day,
    engines::engine::{Fuel, Kind, Scale, Whyte, is_sought_gauge},
    money::Money,
    trade::Availability,
};
use rust_decimal::Decimal;
use serde::Deserialize;
use std::{
    borrow::Cow,
    cmp::Reverse,
    collections::{HashMap, HashSet},
    hash::Hash,
};
use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};
use utoipa::{IntoParams, ToSchema};

/// The most words in a search; each is looked for in the texts of every engine.
const MOST_WORDS: usize = 10;
/// The most words that a misspelt word may stand for.
const MOST_SPELLINGS: usize = 20;
const MOST_SIMILAR: usize = 6;

// Types

/// Filters are combined with AND; values of one filter with OR.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PublicFilters {
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Kind>>, style = Form, explode = false, max_items = 20, example = json!(["locomotive","road_engine"]))]
    kind: Vec<Kind>,
    /// Each within 0.2 mm, so that 184.15 finds 184.
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Text<20>>>, inline, style = Form, explode = false, max_items = 20, example = json!(["127","184.15"]))]
    gauge_mm: Vec<Decimal>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Scale>>, style = Form, explode = false, max_items = 20, example = json!(["1:8"]))]
    scale: Vec<Scale>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Fuel>>, style = Form, explode = false, max_items = 20, example = json!(["coal"]))]
    fuel: Vec<Fuel>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Whyte>>, style = Form, explode = false, max_items = 20, example = json!(["0-6-0"]))]
    whyte: Vec<Whyte>,
    #[serde(default, deserialize_with = "any_of")]
    #[param(value_type = Option<Vec<Availability>>, style = Form, explode = false, max_items = 20, example = json!(["for_sale"]))]
    availability: Vec<Availability>,
    /// Lowest price, inclusive. Excludes engines with price on request.
    asking_price_from: Option<Money>,
    /// Highest price, inclusive. Excludes engines with price on request.
    asking_price_to: Option<Money>,
    /// Only engines published in the last so many days, today included.
    #[param(minimum = 1, maximum = 3660, example = 30)]
    new_in_days: Option<u16>,
    /// Up to ten words, each of which must occur in the title, description, name, prototype, design, designer or
    /// builder. Case and accents do not matter. An unknown word matches words one letter away (two, from eight
    /// letters on).
    #[param(max_length = 200, example = "saddle tank")]
    q: Option<Line>,
    #[serde(default)]
    #[param(value_type = Option<PublicSort>, inline, example = "-asking_price")]
    pub(super) sort: PublicSort,
}

/// The order of the engines; `-` in front means descending. Engines without the value come last.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[schema(default = "stock_no")]
pub(super) enum PublicSort {
    #[default]
    #[serde(rename = "stock_no")]
    StockNo,
    #[serde(rename = "asking_price")]
    Price,
    #[serde(rename = "-asking_price")]
    PriceDown,
    #[serde(rename = "on_show_since")]
    OnShow,
    #[serde(rename = "-on_show_since")]
    OnShowDown,
    #[serde(rename = "-sold_on")]
    SoldDown,
}

/// The position of an engine in an order: whether it lacks the value, the value, the stock number.
pub(super) type Place = (bool, i64, i32);

impl PublicSort {
    pub const ALL: [PublicSort; 6] = [
        PublicSort::StockNo,
        PublicSort::Price,
        PublicSort::PriceDown,
        PublicSort::OnShow,
        PublicSort::OnShowDown,
        PublicSort::SoldDown,
    ];

    pub fn place(self, facts: &Facts) -> Place {
        let days = |day: Day| i64::from(day.days_since(Day::FIRST));
        let pennies = |price: Money| i64::try_from(price.pennies()).unwrap_or(i64::MAX);
        let value = match self {
            PublicSort::StockNo => Some(0),
            PublicSort::Price => facts.price.map(pennies),
            PublicSort::PriceDown => facts.price.map(|price| -pennies(price)),
            PublicSort::OnShow => Some(days(facts.on_show_since)),
            PublicSort::OnShowDown => Some(-days(facts.on_show_since)),
            PublicSort::SoldDown => facts.sold_on.map(|day| -days(day)),
        };
        (value.is_none(), value.unwrap_or(0), facts.stock_no)
    }
}

/// What decides whether an engine matches, and its position.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub stock_no: i32,
    pub kind: Kind,
    pub gauge_mm: Option<Decimal>,
    pub scale: Option<Scale>,
    pub fuel: Option<Fuel>,
    pub whyte: Option<Whyte>,
    pub availability: Availability,
    pub price: Option<Money>,
    pub on_show_since: Day,
    pub sold_on: Option<Day>,
}

/// The same with texts as numbers, next to each other in memory, as a list reads thousands of them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Facts {
    pub stock_no: i32,
    pub kind: Kind,
    pub gauge_mm: Option<Decimal>,
    pub scale: Option<u32>,
    pub fuel: Option<Fuel>,
    pub whyte: Option<u32>,
    pub availability: Availability,
    pub price: Option<Money>,
    pub on_show_since: Day,
    pub sold_on: Option<Day>,
}

/// Assigns numbers to texts.
pub(super) struct Numbers<T>(HashMap<T, u32>);

impl<T: Clone + Eq + Hash> Numbers<T> {
    pub fn none() -> Numbers<T> {
        Numbers(HashMap::new())
    }

    pub fn number(&mut self, of: &T) -> u32 {
        if let Some(number) = self.0.get(of) {
            return *number;
        }
        let number = u32::try_from(self.0.len()).unwrap_or(u32::MAX);
        self.0.insert(of.clone(), number);
        number
    }

    /// The numbers of those texts that any engine has.
    fn known(&self, of: &[T]) -> Vec<u32> {
        of.iter().filter_map(|it| self.0.get(it).copied()).collect()
    }
}

/// A compiled query.
pub(super) struct ListingQuery<'q> {
    filters: &'q PublicFilters,
    scales: Vec<u32>,
    whytes: Vec<u32>,
    since: Option<Day>,
    /// Accepted spellings of each search word; the text must contain one.
    words: Vec<Vec<memchr::memmem::Finder<'static>>>,
}

impl<'q> ListingQuery<'q> {
    pub fn new(
        filters: &'q PublicFilters,
        stock: &OnShowIndex,
        today: Day,
    ) -> Result<ListingQuery<'q>, Problem> {
        let refused = |detail| Err(Problem::new(problem::INVALID_QUERY, detail));
        let since = match filters.new_in_days {
            None => None,
            Some(days @ 1..=3660) => Some(today.plus_days(1 - i32::from(days))),
            Some(_) => return refused("`new_in_days` must be 1 to 3660"),
        };
        let folded = filters.q.as_ref().map(|q| fold(q));
        let words: HashSet<&str> = folded.iter().flat_map(|q| q.split_whitespace()).collect();
        if words.len() > MOST_WORDS {
            return refused("`q` must have at most ten words");
        }
        let finders = words.into_iter().map(|word| {
            let spellings = spellings(word, &stock.vocabulary);
            let finders = spellings.iter();
            finders
                .map(|it| memchr::memmem::Finder::new(it.as_bytes()).into_owned())
                .collect()
        });
        Ok(ListingQuery {
            scales: stock.scales.known(&filters.scale),
            whytes: stock.whytes.known(&filters.whyte),
            since,
            words: finders.collect(),
            filters,
        })
    }

    /// Checks the text last, as it is slowest to reach.
    pub fn picks(&self, facts: &Facts, engine: &OnShow) -> bool {
        let filters = self.filters;
        any(&filters.kind, Some(&facts.kind))
            && any(&filters.availability, Some(&facts.availability))
            && any(&filters.fuel, facts.fuel.as_ref())
            && (filters.gauge_mm.is_empty()
                || facts.gauge_mm.is_some_and(|gauge| {
                    let mut sought = filters.gauge_mm.iter();
                    sought.any(|sought| is_sought_gauge(*sought, gauge))
                }))
            && (filters.whyte.is_empty() || facts.whyte.is_some_and(|it| self.whytes.contains(&it)))
            && (filters.scale.is_empty() || facts.scale.is_some_and(|it| self.scales.contains(&it)))
            && filters
                .asking_price_from
                .is_none_or(|from| facts.price.is_some_and(|price| price >= from))
            && filters
                .asking_price_to
                .is_none_or(|to| facts.price.is_some_and(|price| price <= to))
            && self.since.is_none_or(|since| facts.on_show_since >= since)
            && self.words.iter().all(|spellings| {
                let text = engine.text.as_bytes();
                spellings.iter().any(|it| it.find(text).is_some())
            })
    }
}

fn any<T: PartialEq>(wanted: &[T], present: Option<&T>) -> bool {
    wanted.is_empty() || present.is_some_and(|it| wanted.contains(it))
}

/// Positions of the engines most similar to one.
pub(super) fn similar(stock: &OnShowIndex, to: usize) -> Vec<usize> {
    let Some(own) = stock.facts.get(to) else {
        return Vec::new();
    };
    let pennies = |facts: &Facts| facts.price.map(Money::pennies);
    let unlike = |facts: &Facts| {
        let apart = match (pennies(own), pennies(facts)) {
            (Some(own), Some(other)) => own.abs_diff(other),
            (None, _) | (_, None) => u128::MAX,
        };
        (
            match (facts.gauge_mm, own.gauge_mm) {
                (Some(one), Some(other)) => !is_sought_gauge(one, other),
                (one, other) => one != other,
            },
            facts.whyte != own.whyte,
            facts.fuel != own.fuel,
            apart,
            facts.stock_no,
        )
    };
    let mut best = std::collections::BinaryHeap::new();
    for (at, facts) in stock.facts.iter().enumerate() {
        if at != to && facts.kind == own.kind && facts.availability != Availability::Sold {
            best.push((unlike(facts), at));
            if best.len() > MOST_SIMILAR {
                best.pop();
            }
        }
    }
    let sorted = best.into_sorted_vec();
    sorted.into_iter().map(|(_, at)| at).collect()
}

// Words

/// How often each word occurs in the texts of the published engines.
pub(super) type Vocabulary = HashMap<Box<str>, u32>;

/// The text without case and accents.
pub(super) fn fold(text: &str) -> String {
    let plain = text.nfkd().filter(|c| !is_combining_mark(*c));
    plain.flat_map(char::to_lowercase).collect()
}

/// The words of a folded text that are long enough to be misspelt.
pub(super) fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric())
        .filter(|word| (4..=40).contains(&word.len()))
}

/// The word itself or, if no engine has it, the words probably meant: those at an edit distance (insert, delete,
/// change, swap two neighbours) of 1, or 2 from eight letters on; nearest and most common first.
fn spellings<'w>(word: &'w str, vocabulary: &'w Vocabulary) -> Vec<Cow<'w, str>> {
    let length = word.chars().count();
    let allowed = match length {
        0..=3 => 0,
        4..=7 => 1,
        _ => 2,
    };
    let is_plain = word.chars().all(char::is_alphanumeric);
    if allowed == 0 || !is_plain || vocabulary.keys().any(|known| known.contains(word)) {
        return vec![Cow::Borrowed(word)];
    }
    let mut meant: Vec<(usize, Reverse<u32>, &str)> = vocabulary
        .iter()
        .filter(|(known, _)| known.chars().count().abs_diff(length) <= allowed)
        .map(|(known, n)| (strsim::osa_distance(word, known), Reverse(*n), &**known))
        .filter(|(distance, ..)| *distance <= allowed)
        .collect();
    meant.sort_unstable();
    meant.truncate(MOST_SPELLINGS);
    if meant.is_empty() {
        return vec![Cow::Borrowed(word)];
    }
    meant
        .into_iter()
        .map(|(.., known)| Cow::Borrowed(known))
        .collect()
}
