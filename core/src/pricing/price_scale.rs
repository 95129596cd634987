//! The price scale: a base price by kind and size, and a factor for each fact.
//!
//! A price from the price scale is the firm's opinion in numbers: its range is the uncertainty stated in the price
//! scale.

use crate::{
    days::Day,
    engines::engine::{Kind, Scale},
    money::{Money, NotMoney},
    pricing::{
        pricing_facts::{Feature, PricingFacts},
        valuation::{Change, amount_of, estimate_of, normal_quantile, normal_share, whole_pennies},
    },
    units::Length,
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{borrow::Cow, fmt, str::FromStr};

// The price scale

/// A plain number from 0.000001 to 1000 with at most six places; in JSON a decimal string, `"1.05"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct Ratio(Decimal);

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be a number above 0 and up to 1000 written like \"1.05\", with at most six places")]
pub struct NotARatio;

impl Ratio {
    pub const fn decimal(self) -> Decimal {
        self.0
    }

    /// Natural logarithm. The price scale's own price is never calculated from it.
    fn ln(self) -> f64 {
        self.0
            .to_f64()
            .expect("a number up to 1000 with six places is a float")
            .ln()
    }
}

/// A price scale as the proprietor enters it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct PriceScaleTerms {
    /// Every version has its own number; it replaces earlier versions from its first day.
    #[cfg_attr(feature = "wire", schema(minimum = 1))]
    pub version: i32,
    pub from: Day,
    /// u: 8 of 10 sales are expected between likely / (1 + u) and likely x (1 + u): `"0.25"`.
    pub uncertainty: Ratio,
    /// Base prices by kind and size.
    #[cfg_attr(feature = "wire", schema(min_items = 1, max_items = 200))]
    pub starts: Vec<Start>,
    /// Factors by feature and level.
    #[cfg_attr(feature = "wire", schema(max_items = 200))]
    pub factors: Vec<Factor>,
}

/// The base price of an engine of that kind and size, before any factor. Without gauge and scale it applies to every
/// size.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Start {
    pub kind: Kind,
    /// The gauges that it applies to.
    #[serde(default)]
    pub gauge: Option<GaugeRange>,
    /// The scales that it applies to.
    #[serde(default)]
    pub scale: Option<ScaleRange>,
    /// The base price, above 0.
    pub price: Money,
}

/// From the smaller to the larger gauge, both included.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct GaugeRange {
    pub from: Length,
    pub to: Length,
}

/// From the smaller to the larger model (`2 in to the foot` to `3 in to the foot`), both included.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ScaleRange {
    pub from: Scale,
    pub to: Scale,
}

/// The effect of a level of a feature on the price.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Factor {
    /// The feature that the factor applies to.
    pub feature: Feature,
    /// A level of the feature: a grade for an area, `included` or `not_included` for an item sold with the engine.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "good"))]
    pub level: String,
    /// The price is multiplied by this; above 1 raises it.
    pub factor: Ratio,
}

/// A price scale without contradictions: at most one base price for any engine and one factor for any level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PriceScale {
    terms: PriceScaleTerms,
}

/// An error in a price scale. Starts and factors are counted from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PriceScaleFault {
    #[error("must be 1 or more")]
    Version,
    #[error("a price scale must have 1 to {most} base prices", most = PriceScale::MOST)]
    StartCount,
    #[error("a price scale must have at most {most} factors", most = PriceScale::MOST)]
    FactorCount,
    #[error("must be above 0")]
    PriceNotAboveNought { start: usize },
    #[error("give gauge or scale, not both")]
    BothMeasures { start: usize },
    #[error("a range must go from the smaller to the larger")]
    RangeTurnedRound { start: usize },
    #[error(
        "start {earlier} of the same kind uses the other measure or applies to every size, so an engine would have two prices"
    )]
    AnotherMeasure { start: usize, earlier: usize },
    #[error(
        "start {earlier} of the same kind covers some of the same sizes; change one of the two ranges"
    )]
    Overlap { start: usize, earlier: usize },
    #[error("{feature} must have one of the levels {allowed}")]
    UnknownLevel {
        factor: usize,
        feature: Feature,
        allowed: String,
    },
    #[error("factor {earlier} is for the same level of the same feature; remove one of the two")]
    Twice { factor: usize, earlier: usize },
}

impl PriceScaleFault {
    /// JSON pointer into the terms.
    pub fn pointer(&self) -> String {
        match self {
            PriceScaleFault::Version => "/version".to_owned(),
            PriceScaleFault::StartCount => "/starts".to_owned(),
            PriceScaleFault::FactorCount => "/factors".to_owned(),
            PriceScaleFault::PriceNotAboveNought { start } => format!("/starts/{start}/price"),
            PriceScaleFault::BothMeasures { start }
            | PriceScaleFault::RangeTurnedRound { start }
            | PriceScaleFault::AnotherMeasure { start, .. }
            | PriceScaleFault::Overlap { start, .. } => format!("/starts/{start}"),
            PriceScaleFault::UnknownLevel { factor, .. } => format!("/factors/{factor}/level"),
            PriceScaleFault::Twice { factor, .. } => format!("/factors/{factor}"),
        }
    }
}

/// The sizes of a base price; larger models have larger numbers.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Sizes {
    Any,
    GaugeMm(Decimal, Decimal),
    InchesToTheFoot(Decimal, Decimal),
}

impl Start {
    /// A base price with both measures is an error in the price scale; here its gauge is used.
    fn sizes(&self) -> Sizes {
        match (&self.gauge, &self.scale) {
            (Some(range), _) => Sizes::GaugeMm(range.from.base(), range.to.base()),
            (None, Some(range)) => Sizes::InchesToTheFoot(
                range.from.inches_to_the_foot(),
                range.to.inches_to_the_foot(),
            ),
            (None, None) => Sizes::Any,
        }
    }
}

impl PriceScale {
    pub const MOST: usize = 200;

    /// Reports all errors at once.
    pub fn new(terms: PriceScaleTerms) -> Result<PriceScale, Vec<PriceScaleFault>> {
        let mut faults = Vec::new();
        if terms.version < 1 {
            faults.push(PriceScaleFault::Version);
        }
        let (too_many_starts, too_many_factors) = (
            terms.starts.len() > PriceScale::MOST,
            terms.factors.len() > PriceScale::MOST,
        );
        if terms.starts.is_empty() || too_many_starts {
            faults.push(PriceScaleFault::StartCount);
        }
        if too_many_factors {
            faults.push(PriceScaleFault::FactorCount);
        }
        // Each is compared with all before it, which is done only if their number is in order.
        if !too_many_starts {
            faults.extend(start_faults(&terms.starts));
        }
        if !too_many_factors {
            faults.extend(factor_faults(&terms.factors));
        }
        if faults.is_empty() {
            Ok(PriceScale { terms })
        } else {
            Err(faults)
        }
    }

    pub const fn terms(&self) -> &PriceScaleTerms {
        &self.terms
    }
}

fn start_faults(starts: &[Start]) -> Vec<PriceScaleFault> {
    let mut faults = Vec::new();
    for (n, start) in starts.iter().enumerate() {
        if start.price <= Money::ZERO {
            faults.push(PriceScaleFault::PriceNotAboveNought { start: n });
        }
        if start.gauge.is_some() && start.scale.is_some() {
            faults.push(PriceScaleFault::BothMeasures { start: n });
            continue;
        }
        match start.sizes() {
            Sizes::GaugeMm(from, to) | Sizes::InchesToTheFoot(from, to) if from > to => {
                faults.push(PriceScaleFault::RangeTurnedRound { start: n });
            }
            Sizes::Any | Sizes::GaugeMm(..) | Sizes::InchesToTheFoot(..) => {}
        }
        faults.extend(starts[..n].iter().enumerate().find_map(|(earlier, other)| {
            (other.kind == start.kind)
                .then(|| clash(n, start.sizes(), earlier, other.sizes()))
                .flatten()
        }));
    }
    faults
}

fn clash(start: usize, sizes: Sizes, earlier: usize, others: Sizes) -> Option<PriceScaleFault> {
    match (sizes, others) {
        (Sizes::GaugeMm(from, to), Sizes::GaugeMm(other_from, other_to))
        | (Sizes::InchesToTheFoot(from, to), Sizes::InchesToTheFoot(other_from, other_to)) => {
            (from <= other_to && other_from <= to)
                .then_some(PriceScaleFault::Overlap { start, earlier })
        }
        (Sizes::Any | Sizes::GaugeMm(..) | Sizes::InchesToTheFoot(..), _) => {
            Some(PriceScaleFault::AnotherMeasure { start, earlier })
        }
    }
}

fn factor_faults(factors: &[Factor]) -> Vec<PriceScaleFault> {
    let mut faults = Vec::new();
    for (n, factor) in factors.iter().enumerate() {
        let levels = factor.feature.levels();
        if !levels.contains(&factor.level.as_str()) {
            faults.push(PriceScaleFault::UnknownLevel {
                factor: n,
                feature: factor.feature,
                allowed: levels.join(", "),
            });
        }
        let twice = factors[..n]
            .iter()
            .position(|other| other.feature == factor.feature && other.level == factor.level);
        faults.extend(twice.map(|earlier| PriceScaleFault::Twice { factor: n, earlier }));
    }
    faults
}

// The price

/// The price of an engine by the price scale, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct PriceScalePrice {
    pub price_scale_version: i32,
    pub low: Money,
    pub likely: Money,
    pub high: Money,
    /// u of the range likely / (1 + u) to likely x (1 + u).
    pub uncertainty: Ratio,
    /// How many of 100 sales are expected between low and high.
    pub range_percent: u8,
    pub start: Money,
    /// `start` and the effects add up to `likely` to the penny.
    #[cfg_attr(feature = "wire", schema(max_items = 18))]
    pub steps: Vec<Step>,
    /// Features that have factors in the price scale but are not known of the engine: no factor was applied.
    #[cfg_attr(feature = "wire", schema(max_items = 18))]
    pub missing: Vec<Feature>,
    #[cfg_attr(feature = "wire", schema(max_items = 20))]
    pub warnings: Vec<Warning>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Step {
    pub feature: Feature,
    #[cfg_attr(feature = "wire", schema(max_length = 40))]
    pub level: &'static str,
    /// 1 if the price scale has factors for the feature but none for this level.
    pub factor: Ratio,
    pub effect: Money,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Warning {
    PriceScaleOnly { uncertainty: Ratio },
    NotKnown { feature: Feature },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Warning::PriceScaleOnly { uncertainty } => write!(
                f,
                "From the firm's price scale only: the range is its stated uncertainty of {uncertainty}, and no past sales \
                 support it."
            ),
            Warning::NotKnown { feature } => write!(f, "{feature}: not known, no factor applied."),
        }
    }
}

impl Serialize for Warning {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

/// Why the price scale gives no price.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoPrice {
    #[error("the price scale has no base price for the kind {kind}")]
    NoStartForKind { kind: Kind },
    #[error("the price scale has no base price for a {kind} of that size")]
    NoStartForSize { kind: Kind },
    #[error(
        "the price scale uses the gauge for the kind {kind}, and the engine's gauge is not known"
    )]
    GaugeNotKnown { kind: Kind },
    #[error(
        "the price scale uses the scale for the kind {kind}, and the engine's scale is not known"
    )]
    ScaleNotKnown { kind: Kind },
    #[error("the price is beyond the range of amounts")]
    OutOfRange,
}

impl From<NotMoney> for NoPrice {
    fn from(_: NotMoney) -> NoPrice {
        NoPrice::OutOfRange
    }
}

/// The price by the price scale: likely = base price x factors, exact until it is rounded to the penny; low and high =
/// likely divided and multiplied by 1 + u. The order of the price scale's rows and of the facts does not matter.
pub fn value(price_scale: &PriceScale, engine: &PricingFacts) -> Result<PriceScalePrice, NoPrice> {
    let terms = &price_scale.terms;
    let start = starting_price(&terms.starts, engine)?;
    let applied = applied_factors(&terms.factors, engine);

    let exact = applied
        .iter()
        .try_fold(start.decimal(), |price, applied| {
            price.checked_mul(applied.factor.0)
        })
        .ok_or(NoPrice::OutOfRange)?;
    let spread = Decimal::ONE + terms.uncertainty.0;
    let likely = Money::rounded(exact)?;
    let low = Money::rounded(exact.checked_div(spread).ok_or(NoPrice::OutOfRange)?)?;
    let high = Money::rounded(exact.checked_mul(spread).ok_or(NoPrice::OutOfRange)?)?;

    let missing: Vec<Feature> = features_of(&terms.factors)
        .filter(|feature| engine.level(*feature).is_none())
        .collect();
    let warnings = std::iter::once(Warning::PriceScaleOnly {
        uncertainty: terms.uncertainty,
    })
    .chain(
        missing
            .iter()
            .map(|feature| Warning::NotKnown { feature: *feature }),
    )
    .collect();
    Ok(PriceScalePrice {
        price_scale_version: terms.version,
        low,
        likely,
        high,
        uncertainty: terms.uncertainty,
        range_percent: 80,
        start,
        steps: steps(start, likely, &applied)?,
        missing,
        warnings,
    })
}

impl PriceScalePrice {
    /// Natural logarithm of the price before rounding to the penny.
    pub fn ln(&self) -> f64 {
        estimate_of(self.start).ln() + self.ln_factors().iter().sum::<f64>()
    }

    /// Natural logarithms of the factors, in the order of the steps.
    pub fn ln_factors(&self) -> Vec<f64> {
        self.steps.iter().map(|step| step.factor.ln()).collect()
    }

    /// Low and high for a share of sales other than 80%, 1 to 99: the log price is taken as normal around the likely
    /// one, with a spread that puts 80% within the stated uncertainty.
    pub fn range_at(&self, percent: u8) -> Result<(Money, Money), NoPrice> {
        if percent == self.range_percent {
            return Ok((self.low, self.high));
        }
        let level = f64::from(percent.clamp(1, 99)) / 100.0;
        let reach = normal_quantile(f64::midpoint(1.0, level)) * self.ln_sd();
        Ok((
            amount_of(exp(self.ln() - reach))?,
            amount_of(exp(self.ln() + reach))?,
        ))
    }

    /// The share of prices above `price` (above 0) in that distribution.
    pub fn chance_above(&self, price: Money) -> f64 {
        let price = estimate_of(price).max(f64::MIN_POSITIVE);
        normal_share((self.ln() - price.ln()) / self.ln_sd())
    }

    /// The effect of a change on an engine's price if only the price scale is used: its factors are taken as certain,
    /// and the uncertainty is that of the price before.
    pub fn change_to(&self, after: &PriceScalePrice, percent: u8) -> Change {
        let level = f64::from(percent.clamp(1, 99)) / 100.0;
        Change {
            before_ln: self.ln(),
            after_ln: after.ln(),
            before_sd: self.ln_sd(),
            change_sd: 0.0,
            covariance: 0.0,
            factor: normal_quantile(f64::midpoint(1.0, level)),
        }
    }

    fn ln_sd(&self) -> f64 {
        let u = self.uncertainty.0.to_f64();
        let u = u.expect("a number up to 1000 with six places is a float");
        u.ln_1p() / normal_quantile(0.9)
    }
}

/// Amounts never reach either end.
fn exp(ln: f64) -> f64 {
    ln.clamp(-700.0, 700.0).exp()
}

fn starting_price(starts: &[Start], engine: &PricingFacts) -> Result<Money, NoPrice> {
    let kind = engine.kind;
    let gauge_mm = engine.gauge.as_ref().map(Length::base);
    let inches_to_the_foot = engine.scale.as_ref().map(Scale::inches_to_the_foot);
    let mut refusal = NoPrice::NoStartForKind { kind };
    for start in starts.iter().filter(|start| start.kind == kind) {
        let (size, from, to, not_known) = match start.sizes() {
            Sizes::Any => return Ok(start.price),
            Sizes::GaugeMm(from, to) => (gauge_mm, from, to, NoPrice::GaugeNotKnown { kind }),
            Sizes::InchesToTheFoot(from, to) => (
                inches_to_the_foot,
                from,
                to,
                NoPrice::ScaleNotKnown { kind },
            ),
        };
        match size {
            Some(size) if (from..=to).contains(&size) => return Ok(start.price),
            Some(_) => refusal = NoPrice::NoStartForSize { kind },
            None => refusal = not_known,
        }
    }
    Err(refusal)
}

/// The features that the price scale has factors for, each once, in the order of the list of features.
fn features_of(factors: &[Factor]) -> impl Iterator<Item = Feature> {
    Feature::ALL
        .iter()
        .copied()
        .filter(|feature| factors.iter().any(|factor| factor.feature == *feature))
}

struct Applied {
    feature: Feature,
    level: &'static str,
    factor: Ratio,
}

fn applied_factors(factors: &[Factor], engine: &PricingFacts) -> Vec<Applied> {
    features_of(factors)
        .filter_map(|feature| {
            let level = engine.level(feature)?;
            let factor = factors
                .iter()
                .find(|factor| factor.feature == feature && factor.level == level)
                .map_or(Ratio(Decimal::ONE), |factor| factor.factor);
            Some(Applied {
                feature,
                level,
                factor,
            })
        })
        .collect()
}

/// Each factor's share of the way from `start` to `likely`: L ln(factor), where L = (likely - start) / ln(likely /
/// start) is the logarithmic mean of both, in whole pennies that add up.
///
/// Source: B. W. Ang, "The LMDI approach to decomposition analysis: a practical guide", Energy Policy 33 (2005) 867-871.
fn steps(start: Money, likely: Money, applied: &[Applied]) -> Result<Vec<Step>, NoPrice> {
    let logs: Vec<f64> = applied.iter().map(|applied| applied.factor.ln()).collect();
    let total: f64 = logs.iter().sum();
    // (e^x - 1)/x tends to 1: factors that cancel out leave the price unchanged, and each keeps its effect.
    let growth = if total.abs() < 1e-12 {
        1.0
    } else {
        total.exp_m1() / total
    };
    let mean = start.pennies() as f64 * growth;
    let effects: Vec<f64> = logs.iter().map(|log| mean * log).collect();
    let pennies = whole_pennies(&effects, likely.pennies() - start.pennies());
    applied
        .iter()
        .zip(pennies)
        .map(|(applied, pennies)| {
            Ok(Step {
                feature: applied.feature,
                level: applied.level,
                factor: applied.factor,
                effect: Money::from_pennies(pennies)?,
            })
        })
        .collect()
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0.normalize(), f)
    }
}

impl FromStr for Ratio {
    type Err = NotARatio;

    fn from_str(text: &str) -> Result<Ratio, NotARatio> {
        let (whole, places) = text.split_once('.').unwrap_or((text, "0"));
        let plain = |digits: &str, most| {
            (1..=most).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit())
        };
        if !plain(whole, 4) || !plain(places, 6) {
            return Err(NotARatio);
        }
        let number = Decimal::from_str_exact(text).map_err(|_| NotARatio)?;
        if number > Decimal::ZERO && number <= Decimal::ONE_THOUSAND {
            Ok(Ratio(number))
        } else {
            Err(NotARatio)
        }
    }
}

impl Serialize for Ratio {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Ratio {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Ratio, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::{Ratio, Warning};
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
    };

    wire_text!(
        Ratio,
        ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some(r"^[0-9]{1,4}(\.[0-9]{1,6})?$"))
            .max_length(Some(11))
            .description(Some("Above 0 and up to 1000, at most six places"))
            .examples(["1.05"])
            .build()
    );

    impl PartialSchema for Warning {
        fn schema() -> RefOr<Schema> {
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .max_length(Some(200))
                    .examples(["boiler: not known, no factor applied."])
                    .build(),
            ))
        }
    }

    impl ToSchema for Warning {}
}
