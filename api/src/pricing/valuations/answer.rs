//! The answer to what an engine would fetch: from past sales and the price scale, or from the price scale only.

use crate::{
    engines::surveys::Grades,
    ground::{
        problem::Problem,
        text::{Text, at_most},
    },
    pricing::{
        price_models::{self, Learned},
        price_scale::in_force,
    },
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::events::TestKind,
    days::Day,
    engines::{
        engine::{IncludedItem, WorkingOrder},
        surveys::BuildQuality,
    },
    money::Money,
    pricing::{
        price_scale::{self, NoPrice, PriceScale, PriceScalePrice},
        pricing_facts::{Feature, Included},
        valuation::{
            Asked, Change, Comparable, Difference, Explanation, Part, Prediction, Warning,
            amount_of,
            engine_features::{self, EngineOnSale},
            estimate_of, money_steps,
        },
    },
    trade::ValuationBasis,
};
use serde::{Deserialize, Serialize};
use std::{num::NonZero, sync::Arc, thread::available_parallelism};
use utoipa::ToSchema;

/// Comparables listed.
const MOST_COMPARABLES: usize = 8;
/// Facts listed that would narrow the range.
const MOST_NARROWING: usize = 5;
/// Above 5 % a warning says that the date moves the price.
const DAY_MATTERS: f64 = 0.05;

// Types

/// A price with its range, its basis and its explanation.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = PriceAnswer)]
pub struct Answer {
    /// What the price rests on.
    pub basis: ValuationBasis,
    /// The version of the price scale used.
    #[schema(minimum = 1)]
    pub price_scale_version: i32,
    /// The price model used; null if only the price scale was used.
    pub price_model_id: Option<i64>,
    /// Low end of the range, including tax.
    pub low: Money,
    /// The likely price, including tax.
    pub likely: Money,
    /// High end of the range, including tax.
    pub high: Money,
    #[serde(flatten)]
    pub reason: Why,
}

/// The explanation of a valuation, as it is stored.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(as = ValuationReasons)]
pub struct Why {
    /// How many of 100 such prices are expected between low and high.
    #[schema(minimum = 1, maximum = 99)]
    pub level_percent: u8,
    /// The price scale's base price for its kind and size.
    pub start: Money,
    /// `start` and all effects add up to `likely` to the penny. The price scale's factors come first, then the effects
    /// of past sales.
    #[schema(max_items = 100)]
    pub steps: Vec<ValuationStep>,
    /// Features of the price scale that are not on record: no factor was applied for them.
    #[schema(max_items = 100)]
    pub not_known: Vec<Feature>,
    /// The sales with the most weight, heaviest first, each adjusted to this engine.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub comparables: Vec<WeighingSale>,
    /// Unknown facts that would narrow the range most, the most useful first.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub would_narrow: Vec<NarrowingFact>,
    /// The price under each supposition, in the order sent.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub supposing: Vec<Supposed>,
    /// Reasons to trust the price less.
    #[schema(max_items = 100)]
    pub warnings: Vec<Text<1000>>,
}

/// A step from the base price to the likely price.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(example = json!({"feature": "build_quality", "level": "fine", "from": "price_scale", "factor": "1.05", "effect": "303.71"}))]
pub struct ValuationStep {
    /// A feature of the price scale or of the price model. Two are not features: `market` is the level of sales above
    /// or below the price scale, `alike` the effect of similar engines.
    #[schema(max_length = 60)]
    pub feature: String,
    /// The level of the price scale's feature; null for an effect of past sales.
    #[schema(max_length = 60)]
    pub level: Option<String>,
    /// Whether the effect comes from the price scale or from past sales.
    pub from: ValuationBasis,
    /// The price is multiplied by this; 1 if the price scale has factors for the feature but none for this level.
    #[schema(max_length = 40)]
    pub factor: String,
    /// Change in the price.
    pub effect: Money,
}

/// A past sale that influences the price.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct WeighingSale {
    /// The comparable; null if the firm sold the engine.
    pub comparable_id: Option<i64>,
    /// The firm's own sale; null if it is a comparable.
    pub sale_id: Option<i64>,
    pub on: Day,
    /// The price paid.
    pub price: Money,
    /// Its share in the result; below 0 if it corrects another sale.
    #[schema(max_length = 40)]
    pub weight: String,
    /// Its price adjusted to this engine; null if it is beyond the range of amounts.
    pub adjusted_price: Option<Money>,
    /// The steps of the adjustment, in order.
    #[schema(max_items = 100)]
    pub steps: Vec<AdjustingStep>,
}

/// A step in adjusting a comparable's price.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct AdjustingStep {
    /// `price_scale` if the price scale prices the two engines differently, else a feature of the price model, or
    /// `alike`.
    #[schema(max_length = 60)]
    pub difference: String,
    /// The price is multiplied by this.
    #[schema(max_length = 40)]
    pub factor: String,
    /// The price after this step; null if it is beyond the range of amounts.
    pub price: Option<Money>,
}

/// An unknown fact that would narrow the range.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct NarrowingFact {
    /// The feature that is not known.
    #[schema(max_length = 60)]
    pub feature: String,
    /// Share of the range that it explains, on a logarithmic scale, from 0 to 1.
    #[schema(max_length = 40)]
    pub share: String,
}

/// Facts to assume. What is left out stays as recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({"grades": {"platework_and_paint": "good"}, "papers_months_left": 14}))]
pub struct Supposition {
    /// Condition grades to assume.
    pub grades: Grades,
    pub build_quality: Option<BuildQuality>,
    pub working_order: Option<WorkingOrder>,
    /// Months for which certificates would be valid; 0: none valid.
    #[schema(minimum = 0, maximum = 60)]
    pub papers_months_left: Option<u32>,
    /// Extra items to include in this what-if.
    #[serde(deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    /// Open jobs of an engine in stock, valued as if they were finished on the day, with the grades expected of them
    /// and the certificates that they void.
    #[serde(deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub finished_jobs: Vec<i64>,
    /// Tests of its boiler, valued as if they were passed on the day, after those jobs; the certificates follow from
    /// them.
    #[serde(deserialize_with = "at_most::<7, _, _>")]
    #[schema(max_items = 7)]
    pub tests_passed: Vec<TestKind>,
}

/// The price under a supposition.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Supposed {
    /// The supposition as it was sent.
    pub supposing: Supposition,
    pub low: Money,
    pub likely: Money,
    pub high: Money,
    /// Difference of the likely price from that of the engine as recorded.
    pub difference: Money,
}

impl Supposition {
    /// The engine with these facts; the records supply the results of jobs and tests.
    pub(crate) fn of(&self, engine: &EngineOnSale) -> EngineOnSale {
        let mut changed = engine.clone();
        changed.grades.extend(self.grades.given());
        changed.build_quality = self.build_quality.or(changed.build_quality);
        changed.working_order = self.working_order.or(changed.working_order);
        changed.papers_months_left = self.papers_months_left.or(changed.papers_months_left);
        let added = self.included_items.iter();
        let added = added.map(|item| (*item, Included::Included));
        changed.included_items.extend(added);
        changed
    }
}

/// An engine to value, on the day in its facts.
#[derive(Debug, Clone)]
pub(crate) struct Question {
    pub engine: EngineOnSale,
    pub level_percent: u8,
    pub supposing: Vec<Case>,
}

/// A supposition, and the engine as it would be.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    pub told: Supposition,
    pub engine: EngineOnSale,
}

/// What prices on a day rest on.
#[derive(Clone)]
pub(crate) enum PricingBasis {
    Sales(Arc<Learned>),
    PriceScale(Arc<PriceScale>),
}

impl PricingBasis {
    /// The price model in use on the day, else the price scale.
    pub(crate) async fn on(conn: &mut AsyncPgConnection, on: Day) -> Result<PricingBasis, Problem> {
        if let Some(learned) = price_models::counting_on(conn, on).await? {
            return Ok(PricingBasis::Sales(learned));
        }
        let price_scale = in_force(conn, on).await?.ok_or_else(|| {
            Problem::conflict(format!(
                "no price scale is in force on {on}; the proprietor adds one at /v1/price-scale/versions", on = on.in_words()))
        })?;
        Ok(PricingBasis::PriceScale(Arc::new(price_scale.rules()?)))
    }

    fn price_scale(&self) -> &PriceScale {
        match self {
            PricingBasis::Sales(learned) => &learned.price_scale,
            PricingBasis::PriceScale(price_scale) => price_scale,
        }
    }

    /// Share of the predicted prices that lie above `price`, which is above 0.
    pub(crate) fn chance_above(&self, engine: &EngineOnSale, price: Money) -> Result<f64, Problem> {
        let price_scale_price = price_scale_price(self.price_scale(), engine)?;
        match self {
            PricingBasis::PriceScale(_) => Ok(price_scale_price.chance_above(price)),
            PricingBasis::Sales(learned) => {
                let row = engine_features::row(engine);
                let predicted = learned.fit.predict(&row, price_scale_price.ln(), 0.8);
                let predicted = predicted.map_err(Problem::internal)?;
                Ok(learned.fit.chance_above(&predicted, estimate_of(price)))
            }
        }
    }

    /// Low, likely and high at a level.
    pub(crate) fn range(
        &self,
        engine: &EngineOnSale,
        level_percent: u8,
    ) -> Result<(Money, Money, Money), Problem> {
        let price_scale_price = price_scale_price(self.price_scale(), engine)?;
        let price = Price::of(self, &price_scale_price, engine, level_percent)?;
        Ok((price.low, price.likely, price.high))
    }

    /// Only the likely price.
    pub(crate) fn likely(&self, engine: &EngineOnSale) -> Result<Money, Problem> {
        let price_scale_price = price_scale_price(self.price_scale(), engine)?;
        match self {
            PricingBasis::PriceScale(_) => Ok(price_scale_price.likely),
            PricingBasis::Sales(learned) => {
                let asked = learned.fit.ask(&engine_features::row(engine));
                let likely = asked
                    .map_err(Problem::internal)?
                    .likely(price_scale_price.ln());
                amount_of(likely).map_err(|_| out_of_range())
            }
        }
    }

    /// What a change to an engine does to its price.
    pub(crate) fn change(
        &self,
        before: &EngineOnSale,
        after: &EngineOnSale,
        level_percent: u8,
    ) -> Result<Change, Problem> {
        let price_scale_before = price_scale_price(self.price_scale(), before)?;
        let price_scale_after = price_scale_price(self.price_scale(), after)?;
        match self {
            PricingBasis::PriceScale(_) => {
                Ok(price_scale_before.change_to(&price_scale_after, level_percent))
            }
            PricingBasis::Sales(learned) => {
                let asked = learned.fit.ask(&engine_features::row(before));
                let asked = asked.map_err(Problem::internal)?;
                let (row, level) = (
                    engine_features::row(after),
                    f64::from(level_percent) / 100.0,
                );
                let change =
                    asked.change(&row, price_scale_before.ln(), price_scale_after.ln(), level);
                change.map_err(Problem::internal)
            }
        }
    }

    pub(crate) fn basis(&self) -> ValuationBasis {
        match self {
            PricingBasis::Sales(_) => ValuationBasis::Sales,
            PricingBasis::PriceScale(_) => ValuationBasis::PriceScale,
        }
    }

    pub(crate) fn price_model_id(&self) -> Option<i64> {
        match self {
            PricingBasis::Sales(learned) => learned.price_model_id,
            PricingBasis::PriceScale(_) => None,
        }
    }
}

/// Values one engine with what is in force on the day, off the request threads.
pub(crate) async fn to(
    conn: &mut AsyncPgConnection,
    question: Question,
    on: Day,
) -> Result<Answer, Problem> {
    let mut answers = each(conn, vec![question], on).await?;
    answers.pop().expect("one answer per question")
}

/// Values all engines on one basis, in order, on as many threads as there are processors.
pub(crate) async fn each(
    conn: &mut AsyncPgConnection,
    questions: Vec<Question>,
    on: Day,
) -> Result<Vec<Result<Answer, Problem>>, Problem> {
    let ground = PricingBasis::on(conn, on).await?;
    let threads = available_parallelism().map_or(1, NonZero::get);
    let share = questions.len().div_ceil(threads).max(1);
    let mut shares = questions.into_iter().peekable();
    let mut at_work = Vec::new();
    while shares.peek().is_some() {
        let questions: Vec<Question> = shares.by_ref().take(share).collect();
        let ground = ground.clone();
        at_work.push(tokio::task::spawn_blocking(move || {
            let answers = questions.iter().map(|question| answer(&ground, question));
            answers.collect::<Vec<_>>()
        }));
    }
    let mut answers = Vec::new();
    for work in at_work {
        answers.extend(work.await.map_err(Problem::internal)?);
    }
    Ok(answers)
}

fn answer(ground: &PricingBasis, question: &Question) -> Result<Answer, Problem> {
    let price_scale_price = price_scale_price(ground.price_scale(), &question.engine)?;
    let price = Price::of(
        ground,
        &price_scale_price,
        &question.engine,
        question.level_percent,
    )?;
    let mut steps = price_scale_steps(&price_scale_price);
    let (mut comparables, mut would_narrow) = (Vec::new(), Vec::new());
    let mut warnings = Vec::new();
    match &price.from_sales {
        None => {
            warnings.extend(price_scale_price.warnings.iter().map(ToString::to_string));
        }
        Some(FromSales {
            learned,
            asked,
            predicted,
        }) => {
            let price_scale_ln = price_scale_price.ln();
            let explained = asked.explain(price_scale_ln);
            steps = all_steps(steps, &price_scale_price, &explained, price.likely)?;
            comparables = asked
                .comparables(price_scale_ln, MOST_COMPARABLES)
                .iter()
                .filter_map(|sale| weighing_sale(learned, sale))
                .collect();
            would_narrow = asked
                .what_would_narrow()
                .into_iter()
                .take(MOST_NARROWING)
                .map(|fact| NarrowingFact {
                    feature: fact.feature,
                    share: format!("{:.4}", fact.share),
                })
                .collect();
            warnings.extend(asked.warnings(predicted).iter().map(sentence));
            warnings.extend(against_the_price_scale(&price, &price_scale_price));
            warnings.extend(by_the_day(&explained));
            let unknown = price_scale_price.missing.iter();
            warnings.extend(
                unknown.map(|feature| {
                    price_scale::Warning::NotKnown { feature: *feature }.to_string()
                }),
            );
        }
    }
    let supposing = question.supposing.iter();
    let supposing = supposing.map(|case| supposed(ground, case, question.level_percent, &price));
    let sentences = warnings.iter().map(|sentence| sentence.parse());
    Ok(Answer {
        basis: ground.basis(),
        price_scale_version: price_scale_price.price_scale_version,
        price_model_id: ground.price_model_id(),
        low: price.low,
        likely: price.likely,
        high: price.high,
        reason: Why {
            level_percent: question.level_percent,
            start: price_scale_price.start,
            steps,
            not_known: price_scale_price.missing.clone(),
            comparables,
            would_narrow,
            supposing: supposing.collect::<Result<_, _>>()?,
            warnings: sentences
                .collect::<Result<_, _>>()
                .map_err(Problem::internal)?,
        },
    })
}

struct Price<'g> {
    low: Money,
    likely: Money,
    high: Money,
    /// `None` if only the price scale was used.
    from_sales: Option<FromSales<'g>>,
}

struct FromSales<'g> {
    learned: &'g Learned,
    asked: Asked<'g>,
    predicted: Prediction,
}

impl Price<'_> {
    fn of<'g>(
        ground: &'g PricingBasis,
        price_scale_price: &PriceScalePrice,
        engine: &EngineOnSale,
        level_percent: u8,
    ) -> Result<Price<'g>, Problem> {
        match ground {
            PricingBasis::PriceScale(_) => {
                let range = price_scale_price.range_at(level_percent);
                let (low, high) = range.map_err(|_| out_of_range())?;
                Ok(Price {
                    low,
                    likely: price_scale_price.likely,
                    high,
                    from_sales: None,
                })
            }
            PricingBasis::Sales(learned) => {
                let asked = learned.fit.ask(&engine_features::row(engine));
                let asked = asked.map_err(Problem::internal)?;
                let level = f64::from(level_percent) / 100.0;
                let predicted = asked.predict(price_scale_price.ln(), level);
                let money = |estimate| amount_of(estimate).map_err(|_| out_of_range());
                Ok(Price {
                    low: money(predicted.low)?,
                    likely: money(predicted.likely)?,
                    high: money(predicted.high)?,
                    from_sales: Some(FromSales {
                        learned,
                        asked,
                        predicted,
                    }),
                })
            }
        }
    }
}

fn supposed(
    ground: &PricingBasis,
    case: &Case,
    level_percent: u8,
    as_it_is: &Price<'_>,
) -> Result<Supposed, Problem> {
    let price_scale_price = price_scale_price(ground.price_scale(), &case.engine)?;
    let price = Price::of(ground, &price_scale_price, &case.engine, level_percent)?;
    let difference = price.likely.checked_sub(as_it_is.likely);
    Ok(Supposed {
        supposing: case.told.clone(),
        low: price.low,
        likely: price.likely,
        high: price.high,
        difference: difference.map_err(|_| out_of_range())?,
    })
}

fn price_scale_steps(price: &PriceScalePrice) -> Vec<ValuationStep> {
    let steps = price.steps.iter().map(|step| ValuationStep {
        feature: step.feature.as_str().to_owned(),
        level: Some(step.level.to_owned()),
        from: ValuationBasis::PriceScale,
        factor: step.factor.to_string(),
        effect: step.effect,
    });
    steps.collect()
}

/// The steps of the price scale and of past sales, from the base price to the likely price. Effects of past sales below
/// a penny are left out.
fn all_steps(
    mut steps: Vec<ValuationStep>,
    price_scale_price: &PriceScalePrice,
    explained: &Explanation,
    likely: Money,
) -> Result<Vec<ValuationStep>, Problem> {
    let mut logs = price_scale_price.ln_factors();
    logs.extend(explained.effects.iter().map(|effect| effect.ln));
    let mut effects = money_steps(price_scale_price.start, likely, &logs)
        .map_err(|_| out_of_range())?
        .into_iter();
    for step in &mut steps {
        step.effect = effects.next().unwrap_or(Money::ZERO);
    }
    let of_sales = explained.effects.iter().zip(effects);
    steps.extend(
        of_sales
            .filter(|(_, effect)| *effect != Money::ZERO)
            .map(|(part, effect)| ValuationStep {
                feature: name(&part.part).to_owned(),
                level: None,
                from: ValuationBasis::Sales,
                factor: factor(part.ln.clamp(-50.0, 50.0).exp()),
                effect,
            }),
    );
    Ok(steps)
}

fn weighing_sale(learned: &Learned, weighing: &Comparable) -> Option<WeighingSale> {
    let sale = learned.sales.get(weighing.sale)?;
    let steps = weighing.steps.iter().map(|step| AdjustingStep {
        difference: match &step.difference {
            Difference::PriceScale => "price_scale".to_owned(),
            Difference::Of(part) => name(part).to_owned(),
        },
        factor: factor(step.factor.min(1e20)),
        price: amount_of(step.price).ok(),
    });
    Some(WeighingSale {
        comparable_id: sale.comparable_id,
        sale_id: sale.sale_id,
        on: sale.on,
        price: sale.price,
        weight: format!("{:.4}", weighing.weight),
        adjusted_price: amount_of(weighing.adjusted).ok(),
        steps: steps.collect(),
    })
}

fn name(part: &Part) -> &str {
    match part {
        Part::Level => "market",
        Part::Feature(name) => name,
        Part::Similarity => "alike",
    }
}

fn factor(factor: f64) -> String {
    format!("{factor:.6}")
}

fn sentence(warning: &Warning) -> String {
    match warning {
        Warning::FewSales { sales } => {
            format!("With only {sales} sales the range is a rough estimate, on the wide side.")
        }
        Warning::BeyondSales { feature } => {
            format!("{feature}: outside the range of past sales, so this is an extrapolation.")
        }
        Warning::FewOfThatName { feature, sales: 0 } => {
            format!("{feature}: no past sales of this kind.")
        }
        Warning::FewOfThatName { feature, sales } => {
            format!("{feature}: only {sales} past sale(s) of this kind.")
        }
        Warning::FarFromAnySale { feature } => format!(
            "{feature}: more than a year from any sale; how prices have moved since is not known."
        ),
    }
}

fn against_the_price_scale(
    price: &Price<'_>,
    price_scale_price: &PriceScalePrice,
) -> Option<String> {
    let alone = price_scale_price.likely;
    let within = (price.low..=price.high).contains(&alone);
    (!within).then(|| {
        format!(
            "The price scale alone gives {alone}, outside this range: recent sales disagree with it."
        )
    })
}

fn by_the_day(explained: &Explanation) -> Option<String> {
    let is_day = |part: &Part| matches!(part, Part::Feature(name) if name == "day");
    let day = explained.effects.iter().find(|effect| is_day(&effect.part));
    let moved = day.map_or(0.0, |effect| effect.ln.clamp(-50.0, 50.0).exp_m1());
    (moved.abs() > DAY_MATTERS).then(|| {
        let (percent, way) = ((100.0 * moved.abs()).round(), if moved > 0.0 { "above" } else { "below" });
        format!("Prices have moved: on this date they are taken as {percent}% {way} the average of past sales.")
    })
}

fn price_scale_price(
    price_scale: &PriceScale,
    engine: &EngineOnSale,
) -> Result<PriceScalePrice, Problem> {
    price_scale::value(price_scale, &engine.pricing_facts()).map_err(|no_price| {
        let way_out = match no_price {
            NoPrice::NoStartForKind { .. }
            | NoPrice::NoStartForSize { .. }
            | NoPrice::OutOfRange => "add a version of the price scale that covers it",
            NoPrice::GaugeNotKnown { .. } | NoPrice::ScaleNotKnown { .. } => {
                "record it on the engine"
            }
        };
        let version = price_scale.terms().version;
        Problem::conflict(format!(
            "version {version} of the price scale gives no price: {no_price}; {way_out}"
        ))
    })
}

fn out_of_range() -> Problem {
    Problem::conflict(
        "the price is beyond the range of amounts; check the sales and the price scale",
    )
}

/// The chance that a change raises the price by more than an amount, as text.
pub(crate) fn chance_of_more(change: &Change, amount: Money) -> String {
    format!("{:.4}", change.chance_above(estimate_of(amount)))
}
