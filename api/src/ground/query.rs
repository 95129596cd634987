//! Query parameters, read strictly.

use crate::ground::{
    problem::{self, Problem},
    strict_json::plainly,
};
use actix_web::{FromRequest, HttpRequest, dev::Payload, web};
use outshop_core::days::{Day, DaySpan};
use serde::{Deserialize, de::DeserializeOwned};
use serde_path_to_error::Segment;

use std::{
    collections::{BTreeMap, btree_map::Entry},
    future::{Ready, ready},
    ops::Deref,
};
use utoipa::IntoParams;

/// Query parameters, each known and given once.
pub struct Query<T>(pub T);

impl<T> Deref for Query<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: DeserializeOwned> FromRequest for Query<T> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(parameters(req).and_then(|given| filters(&given)).map(Query))
    }
}

/// The parameters that take several values.
const LISTS: [&str; 11] = [
    "availability",
    "fuel",
    "gauge_mm",
    "include",
    "jobs",
    "kind",
    "listing",
    "scale",
    "source",
    "status",
    "whyte",
];

pub(super) fn parameters(req: &HttpRequest) -> Result<BTreeMap<String, String>, Problem> {
    let pairs =
        web::Query::<Vec<(String, String)>>::from_query(req.query_string()).map_err(|e| {
            Problem::new(
                problem::INVALID_QUERY,
                format!("the query cannot be read: {e}"),
            )
        })?;
    let mut given = BTreeMap::new();
    for (name, value) in pairs.into_inner() {
        if value.contains('\0') || value.len() > 2000 {
            return Err(Problem::new(
                problem::INVALID_QUERY,
                format!(
                    "`{}` must be shorter than 2000 bytes and without NUL",
                    short(&name)
                ),
            ));
        }
        match given.entry(name) {
            Entry::Vacant(free) => {
                free.insert(value);
            }
            // Clients send several values joined with commas or one by one.
            Entry::Occupied(mut taken) if LISTS.contains(&taken.key().as_str()) => {
                let joined = taken.get_mut();
                joined.push(',');
                joined.push_str(&value);
            }
            Entry::Occupied(taken) => {
                let detail = format!("`{}` is given twice; give it once", short(taken.key()));
                return Err(Problem::new(problem::INVALID_QUERY, detail));
            }
        }
    }
    Ok(given)
}

pub(super) fn filters<T: DeserializeOwned>(given: &BTreeMap<String, String>) -> Result<T, Problem> {
    let is_a_number_given = |name: &str| name == "stock_no" || name.ends_with("_id");
    let below_1 = |value: &str| value.parse::<i64>().is_ok_and(|number| number < 1);
    let mut numbers = given.iter().filter(|(name, _)| is_a_number_given(name));
    if let Some((name, _)) = numbers.find(|(_, value)| below_1(value)) {
        let detail = format!("`{}` must be 1 or more", short(name));
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let encoded: Vec<String> = given
        .iter()
        .map(|(name, value)| format!("{}={}", encode(name), encode(value)))
        .collect();
    let encoded = encoded.join("&");
    let pairs = serde_urlencoded::Deserializer::new(form_urlencoded::parse(encoded.as_bytes()));
    serde_path_to_error::deserialize(pairs).map_err(|e| {
        let detail = match e.path().iter().next() {
            Some(Segment::Map { key }) => {
                format!("`{}`: {}", short(key), plainly(&e.inner().to_string()))
            }
            Some(Segment::Seq { .. } | Segment::Enum { .. } | Segment::Unknown) | None => {
                let text = e.inner().to_string();
                match text
                    .strip_prefix("missing field ")
                    .or(text.strip_prefix("unknown field "))
                {
                    Some(rest) => {
                        let name = rest.split(',').next().unwrap_or_default();
                        format!("{name} {}", plainly(&text))
                    }
                    None => plainly(&text),
                }
            }
        };
        Problem::new(problem::INVALID_QUERY, short(&detail))
    })
}

pub(super) fn encode(text: &str) -> String {
    text.bytes()
        .map(|b| {
            if b.is_ascii_alphanumeric() || b"-._~".contains(&b) {
                (b as char).to_string()
            } else {
                format!("%{b:02X}")
            }
        })
        .collect()
}

pub(super) fn short(text: &str) -> String {
    text.chars().take(300).collect()
}

/// A range of days, both included.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct SpanQuery {
    /// First day.
    #[param(example = "2026-01-01")]
    from: Day,
    /// Last day, included; less than 100 years after the first.
    #[param(example = "2026-03-31")]
    to: Day,
}

impl SpanQuery {
    pub fn days(self) -> Result<DaySpan, Problem> {
        let refused = |detail| Err(Problem::new(problem::INVALID_QUERY, detail));
        if self.to < self.from {
            return refused("`to` is before `from`; swap them");
        }
        if self.to.whole_months_since(self.from) >= 1200 {
            return refused(
                "`from` and `to` must be less than 100 years apart; ask for a shorter span",
            );
        }
        Ok(DaySpan {
            from: self.from,
            until: self.to,
        })
    }
}

/// The most values of a filter; the document says so too.
const MOST_OF_ANY: usize = 20;

/// The values of a filter, joined with commas: an item matches if it has any of them.
pub fn any_of<'de, T, D>(from: D) -> Result<Vec<T>, D::Error>
where
    T: std::str::FromStr<Err: std::fmt::Display>,
    D: serde::Deserializer<'de>,
{
    let text = std::borrow::Cow::<str>::deserialize(from)?;
    if text.split(',').count() > MOST_OF_ANY {
        let detail = format!("must be at most {MOST_OF_ANY} values; give fewer");
        return Err(serde::de::Error::custom(detail));
    }
    text.split(',')
        .map(|word| word.parse().map_err(serde::de::Error::custom))
        .collect()
}
