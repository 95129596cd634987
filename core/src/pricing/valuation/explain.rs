//! Explains a price: the log price is a sum, so each part has an effect of its own.

use super::{
    Asked, Prediction, Row, Sales, Value,
    features::{Code, Design},
    whole_pennies,
};
use crate::money::{Money, NotMoney};

/// The effect of one part on the log price.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    pub part: Part,
    pub ln: f64,
    /// The part of the effect that comes from the rule that a better grade is never cheaper.
    pub by_rule: f64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// How far sales in general are above or below the price scale.
    Level,
    /// A feature by its name; for the date, the state of the market on that day.
    Feature(String),
    /// Engines that are similar in all features.
    Similarity,
}

/// The log price as the sum of the price scale's log price and all effects.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    pub price_scale_ln: f64,
    pub effects: Vec<Effect>,
    pub ln_mean: f64,
}

/// An unknown fact, and how much narrower the range would be on average if it were known.
#[derive(Debug, Clone, PartialEq)]
pub struct Narrowing {
    pub feature: String,
    /// Share of ln(high/low), from 0 to 1.
    pub share: f64,
}

/// A reason to trust a price less.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Warning {
    /// Too few sales for the level asked for.
    FewSales { sales: usize },
    /// A number or level outside the range of past sales.
    BeyondSales { feature: String },
    /// No sales, or only a few, had that name.
    FewOfThatName { feature: String, sales: u32 },
    /// More than a year after the last sale, or before the first.
    FarFromAnySale { feature: String },
}

/// With fewer sales of a name a warning is given.
const FEW_OF_A_NAME: u32 = 3;
/// Number of values tried for an unknown fact.
const TRIED: usize = 5;

/// Per feature: values that sales had, each with its share.
pub(super) fn tried(sales: &Sales) -> Vec<Vec<(Value, f64)>> {
    let features = 0..sales.schema().features().len();
    features
        .map(|f| {
            let seen = sales.seen(f, TRIED);
            let share = |alike: &[Value]| alike.len() as f64 / seen.len() as f64;
            let distinct = seen.chunk_by(|a, b| a == b);
            distinct
                .map(|alike| (alike[0].clone(), share(alike)))
                .collect()
        })
        .collect()
}

impl Asked<'_> {
    /// The effect of each part. A number at the mean of the sales has none.
    pub fn explain(&self, price_scale_ln: f64) -> Explanation {
        self.explanation(&self.design, price_scale_ln)
    }

    /// For the single row of `design`, from the same sales.
    pub(super) fn explanation(&self, design: &Design, price_scale_ln: f64) -> Explanation {
        let predicted = self.predicted(design);
        let stored = &self.fit.stored;
        let (mean, sd) = (stored.mean, stored.sd);
        let effect = |part, z: f64, lift: f64| Effect {
            part,
            ln: sd * z,
            by_rule: sd * lift,
        };
        let mut effects = vec![Effect {
            part: Part::Level,
            ln: mean + sd * predicted.constant,
            by_rule: 0.0,
        }];
        let features = stored.schema.features().iter();
        let parts = predicted.parts.iter().zip(&predicted.lifts);
        effects.extend(features.zip(parts).map(|(feature, (part, lift))| {
            effect(Part::Feature(feature.name.clone()), *part, *lift)
        }));
        effects.push(effect(Part::Similarity, predicted.similarity, 0.0));
        Explanation {
            price_scale_ln,
            ln_mean: price_scale_ln + effects.iter().map(|effect| effect.ln).sum::<f64>(),
            effects,
        }
    }

    /// The unknown facts that would narrow the range, the most useful first: each is tried at values that sales had,
    /// and the widths are averaged. Facts that would not narrow it are left out.
    pub fn what_would_narrow(&self) -> Vec<Narrowing> {
        let stored = &self.fit.stored;
        let unknown = self.row.iter().enumerate();
        let unknown = unknown.filter(|(_, value)| **value == Value::Missing);
        let tried: Vec<(usize, &(Value, f64))> = unknown
            .flat_map(|(f, _)| self.fit.tried[f].iter().map(move |tried| (f, tried)))
            .collect();
        let rows: Vec<Row> = std::iter::once(self.row.clone())
            .chain(tried.iter().map(|(f, (value, _))| {
                let mut known = self.row.clone();
                known[*f] = value.clone();
                known
            }))
            .collect();
        let ln_sds = self.ln_sds(&Design::new(&stored.codes, &rows));
        let Some((now, known)) = ln_sds.split_first() else {
            return Vec::new();
        };
        let widths: Vec<(usize, f64)> = tried
            .iter()
            .zip(known)
            .map(|((f, (_, share)), ln_sd)| (*f, share * ln_sd))
            .collect();
        let mut found: Vec<Narrowing> = widths
            .chunk_by(|a, b| a.0 == b.0)
            .map(|widths| Narrowing {
                feature: stored.schema.features()[widths[0].0].name.clone(),
                share: 1.0 - widths.iter().map(|(_, width)| width).sum::<f64>() / now,
            })
            .filter(|narrowing| narrowing.share > 0.0)
            .collect();
        found.sort_by(|a, b| b.share.total_cmp(&a.share));
        found
    }

    /// The reasons to trust the price of the row less.
    pub fn warnings(&self, prediction: &Prediction) -> Vec<Warning> {
        let stored = &self.fit.stored;
        let mut warnings = Vec::new();
        if prediction.few_sales {
            warnings.push(Warning::FewSales {
                sales: stored.sales,
            });
        }
        let features = stored.schema.features().iter();
        for ((feature, code), value) in features.zip(&stored.codes).zip(&self.row) {
            warnings.extend(code.beyond(&feature.name, value));
        }
        warnings
    }
}

impl Code {
    fn beyond(&self, feature: &str, value: &Value) -> Option<Warning> {
        let feature = feature.to_owned();
        match (self, value) {
            (
                Code::Numeric {
                    lowest, highest, ..
                },
                Value::Number(number),
            ) => {
                let within = (*lowest..=*highest).contains(number);
                (!within).then_some(Warning::BeyondSales { feature })
            }
            (Code::Date { first, last, .. }, Value::Years(years)) => {
                let within = (first - 1.0..=last + 1.0).contains(years);
                (!within).then_some(Warning::FarFromAnySale { feature })
            }
            (Code::Ordinal { seen, .. }, Value::Level(level)) => {
                let (below, above) = seen.split_at(usize::from(*level).min(seen.len()));
                let any = |counts: &[u32]| counts.iter().any(|count| *count > 0);
                let at = above.first().is_some_and(|count| *count > 0);
                let between = any(below) && any(above);
                (!at && !between).then_some(Warning::BeyondSales { feature })
            }
            (Code::Category { names, .. }, Value::Name(name)) => {
                let seen = names.iter().find(|(other, _)| other == name);
                let sales = seen.map_or(0, |(_, sales)| *sales);
                (sales < FEW_OF_A_NAME).then_some(Warning::FewOfThatName { feature, sales })
            }
            (
                Code::Dropped
                | Code::Numeric { .. }
                | Code::Date { .. }
                | Code::Ordinal { .. }
                | Code::Category { .. },
                _,
            ) => None,
        }
    }
}

/// The effect of each factor on the way from `start` to `end`, in pennies that add up: L ln(factor), where L is the
/// logarithmic mean of both prices, their difference over that of their logarithms. `ln_factors` add up to
/// ln(end/start) except for rounding; prices are above 0.
///
/// Source: B. W. Ang, "The LMDI approach to decomposition analysis: a practical guide", Energy Policy 33 (2005) 867-871.
pub fn money_steps(start: Money, end: Money, ln_factors: &[f64]) -> Result<Vec<Money>, NotMoney> {
    let total: f64 = ln_factors.iter().sum();
    if !total.is_finite() || ln_factors.iter().any(|ln| ln.abs() > 700.0) {
        return Err(NotMoney::OutOfRange);
    }
    // (e^x - 1)/x tends to 1: factors that cancel out leave the price unchanged, and each keeps its effect.
    let growth = if total.abs() < 1e-12 {
        1.0
    } else {
        total.exp_m1() / total
    };
    let mean = start.pennies() as f64 * growth;
    let effects: Vec<f64> = ln_factors.iter().map(|ln| mean * ln).collect();
    whole_pennies(&effects, end.pennies() - start.pennies())
        .into_iter()
        .map(Money::from_pennies)
        .collect()
}
