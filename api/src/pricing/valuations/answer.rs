//! The answer to what an engine would fetch: from the sales over the price scale, or from the price scale alone.

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

/// Comparables told.
const MOST_COMPARABLES: usize = 8;
/// Facts told that would narrow the range.
const MOST_NARROWING: usize = 5;
/// Beyond 5 % the reader is told that the day moves the price.
const DAY_MATTERS: f64 = 0.05;

// Types

/// A price with its range, what it rests on, and why it is what it is.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = PriceAnswer)]
pub struct Answer {
    /// What it rests on.
    pub basis: ValuationBasis,
    #[schema(minimum = 1)]
    pub price_scale_version: i32,
    /// What was learned from sales; null where the price scale alone rules.
    pub price_model_id: Option<i64>,
    pub low: Money,
    pub likely: Money,
    pub high: Money,
    #[serde(flatten)]
    pub reason: Why,
}

/// The reasons of a valuation, in the form in which they are kept.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(as = ValuationReasons)]
pub struct Why {
    /// How many of 100 such prices the range from low to high is meant to hold.
    #[schema(minimum = 1, maximum = 99)]
    pub level_percent: u8,
    /// The price scale's starting price for its kind and size.
    pub start: Money,
    /// `start` and all effects add up to `likely` to the penny. First the price scale's factors, then what the sales add.
    #[schema(max_items = 100)]
    pub steps: Vec<ValuationStep>,
    /// What the price scale asks about and no record tells: no factor was applied.
    #[schema(max_items = 100)]
    pub not_known: Vec<Feature>,
    /// The sales that weigh most, the heaviest first, each brought to this engine.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub comparables: Vec<WeighingSale>,
    /// Facts not known that would narrow the range most, the most useful first.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub would_narrow: Vec<NarrowingFact>,
    #[serde(default)]
    #[schema(max_items = 20)]
    pub supposing: Vec<Supposed>,
    #[schema(max_items = 100)]
    pub warnings: Vec<Text<1000>>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[schema(example = json!({"feature": "build_quality", "level": "fine", "from": "price_scale", "factor": "1.05", "effect": "303.71"}))]
pub struct ValuationStep {
    /// A feature of the price scale or of the sales. Two are none: `market`, what sales fetch over the price scale on the whole, and
    /// `alike`, what engines like this one fetched.
    #[schema(max_length = 60)]
    pub feature: String,
    /// The word of the price scale's feature; null for what the sales add.
    #[schema(max_length = 60)]
    pub level: Option<String>,
    pub from: ValuationBasis,
    /// The price is multiplied by it; 1 where the price scale has factors for the feature, but none for this level.
    #[schema(max_length = 40)]
    pub factor: String,
    pub effect: Money,
}

/// A sale that weighs in the price.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct WeighingSale {
    /// Where it was seen elsewhere.
    pub comparable_id: Option<i64>,
    /// Where it was the firm's own.
    pub sale_id: Option<i64>,
    pub on: Day,
    pub price: Money,
    /// Its share in the answer; below 0 where it corrects another.
    #[schema(max_length = 40)]
    pub weight: String,
    /// What it would have fetched as this engine; null beyond the range of amounts.
    pub adjusted_price: Option<Money>,
    #[schema(max_items = 100)]
    pub steps: Vec<AdjustingStep>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct AdjustingStep {
    /// `price_scale` where the price scale prices the two differently, else a feature of the sales, or `alike`.
    #[schema(max_length = 60)]
    pub difference: String,
    #[schema(max_length = 40)]
    pub factor: String,
    /// After this step; null beyond the range of amounts.
    pub price: Option<Money>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct NarrowingFact {
    #[schema(max_length = 60)]
    pub feature: String,
    /// Of the range on the scale of logarithms, from 0 to 1.
    #[schema(max_length = 40)]
    pub share: String,
}

/// Facts as they might be. What is left out stays as it is.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({"grades": {"platework_and_paint": "good"}, "papers_months_left": 14}))]
pub struct Supposition {
    pub grades: Grades,
    pub build_quality: Option<BuildQuality>,
    pub working_order: Option<WorkingOrder>,
    /// 0: none hold.
    #[schema(minimum = 0, maximum = 60)]
    pub papers_months_left: Option<u32>,
    /// Extra items to include in this what-if.
    #[serde(deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub included_items: Vec<IncludedItem>,
    /// Open jobs of an engine in stock, as if they were finished on the day: with the grades that they are to bring about,
    /// and the papers that they void.
    #[serde(deserialize_with = "at_most::<20, _, _>")]
    #[schema(max_items = 20)]
    pub finished_jobs: Vec<i64>,
    /// Tests of its boiler, as if they were passed on the day after those jobs: its papers follow from them.
    #[serde(deserialize_with = "at_most::<7, _, _>")]
    #[schema(max_items = 7)]
    pub tests_passed: Vec<TestKind>,
}

#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Supposed {
    pub supposing: Supposition,
    pub low: Money,
    pub likely: Money,
    pub high: Money,
    /// Of the likely price, to that of the engine as it is.
    pub difference: Money,
}

impl Supposition {
    /// The engine with these facts; jobs and tests are told by the records.
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

/// An engine whose price is asked, on the day that its facts name.
#[derive(Debug, Clone)]
pub(crate) struct Question {
    pub engine: EngineOnSale,
    pub level_percent: u8,
    pub supposing: Vec<Case>,
}

/// A supposition with the engine as it would be.
#[derive(Debug, Clone)]
pub(crate) struct Case {
    pub told: Supposition,
    pub engine: EngineOnSale,
}

/// What prices of a day rest on.
#[derive(Clone)]
pub(crate) enum Ground {
    Sales(Arc<Learned>),
    PriceScale(Arc<PriceScale>),
}

impl Ground {
    /// The fit that counts on the day, else the price scale.
    pub(crate) async fn on(conn: &mut AsyncPgConnection, on: Day) -> Result<Ground, Problem> {
        if let Some(learned) = price_models::counting_on(conn, on).await? {
            return Ok(Ground::Sales(learned));
        }
        let price_scale = in_force(conn, on).await?.ok_or_else(|| {
            Problem::conflict(format!(
                "no price scale is in force on {on}; the proprietor writes one at /v1/price-scale/versions",
                on = on.in_words()
            ))
        })?;
        Ok(Ground::PriceScale(Arc::new(price_scale.rules()?)))
    }

    fn price_scale(&self) -> &PriceScale {
        match self {
            Ground::Sales(learned) => &learned.price_scale,
            Ground::PriceScale(price_scale) => price_scale,
        }
    }

    /// The share of the predicted prices above `price`, above 0.
    pub(crate) fn chance_above(&self, engine: &EngineOnSale, price: Money) -> Result<f64, Problem> {
        let price_scale_price = price_scale_price(self.price_scale(), engine)?;
        match self {
            Ground::PriceScale(_) => Ok(price_scale_price.chance_above(price)),
            Ground::Sales(learned) => {
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

    /// The likely price alone.
    pub(crate) fn likely(&self, engine: &EngineOnSale) -> Result<Money, Problem> {
        let price_scale_price = price_scale_price(self.price_scale(), engine)?;
        match self {
            Ground::PriceScale(_) => Ok(price_scale_price.likely),
            Ground::Sales(learned) => {
                let asked = learned.fit.ask(&engine_features::row(engine));
                let likely = asked
                    .map_err(Problem::internal)?
                    .likely(price_scale_price.ln());
                amount_of(likely).map_err(|_| out_of_range())
            }
        }
    }

    /// What a change of an engine does to its price.
    pub(crate) fn change(
        &self,
        before: &EngineOnSale,
        after: &EngineOnSale,
        level_percent: u8,
    ) -> Result<Change, Problem> {
        let price_scale_before = price_scale_price(self.price_scale(), before)?;
        let price_scale_after = price_scale_price(self.price_scale(), after)?;
        match self {
            Ground::PriceScale(_) => {
                Ok(price_scale_before.change_to(&price_scale_after, level_percent))
            }
            Ground::Sales(learned) => {
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
            Ground::Sales(_) => ValuationBasis::Sales,
            Ground::PriceScale(_) => ValuationBasis::PriceScale,
        }
    }

    pub(crate) fn price_model_id(&self) -> Option<i64> {
        match self {
            Ground::Sales(learned) => learned.price_model_id,
            Ground::PriceScale(_) => None,
        }
    }
}

/// Answers from what counts on the day, off the thread that serves others.
pub(crate) async fn to(
    conn: &mut AsyncPgConnection,
    question: Question,
    on: Day,
) -> Result<Answer, Problem> {
    let mut answers = each(conn, vec![question], on).await?;
    answers.pop().expect("one for each that was asked")
}

/// Answers all from one ground, in their order, on as many threads as there are processors.
pub(crate) async fn each(
    conn: &mut AsyncPgConnection,
    questions: Vec<Question>,
    on: Day,
) -> Result<Vec<Result<Answer, Problem>>, Problem> {
    let ground = Ground::on(conn, on).await?;
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

fn answer(ground: &Ground, question: &Question) -> Result<Answer, Problem> {
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
    /// `None` from the price scale alone.
    from_sales: Option<FromSales<'g>>,
}

struct FromSales<'g> {
    learned: &'g Learned,
    asked: Asked<'g>,
    predicted: Prediction,
}

impl Price<'_> {
    fn of<'g>(
        ground: &'g Ground,
        price_scale_price: &PriceScalePrice,
        engine: &EngineOnSale,
        level_percent: u8,
    ) -> Result<Price<'g>, Problem> {
        match ground {
            Ground::PriceScale(_) => {
                let range = price_scale_price.range_at(level_percent);
                let (low, high) = range.map_err(|_| out_of_range())?;
                Ok(Price {
                    low,
                    likely: price_scale_price.likely,
                    high,
                    from_sales: None,
                })
            }
            Ground::Sales(learned) => {
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
    ground: &Ground,
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

/// The price scale's steps and those of the sales, from the price scale's start to the likely price. What moves the price by no penny
/// is left out of the latter.
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
        Warning::FewSales { sales } => format!(
            "{sales} sales are too few for a range that holds what it says: it is a guess on the wide side."
        ),
        Warning::BeyondSales { feature } => {
            format!("{feature}: outside the range of past sales, so this is an extrapolation.")
        }
        Warning::FewOfThatName { feature, sales: 0 } => {
            format!("{feature}: no sale was of such an engine.")
        }
        Warning::FewOfThatName { feature, sales } => {
            format!("{feature}: no more than {sales} of the sales were of such an engine.")
        }
        Warning::FarFromAnySale { feature } => format!(
            "{feature}: more than a year from any sale; where prices have moved since, no sale tells."
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
        format!("Prices have moved: those of this day are taken as {percent} % {way} the middle of the sales.")
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
            | NoPrice::OutOfRange => "write a version of the price scale that covers it",
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
        "the price is beyond the range of amounts; look at the sales and at the price scale",
    )
}

/// The chance that a price rises by more than an amount, as it is shown.
pub(crate) fn chance_of_more(change: &Change, amount: Money) -> String {
    format!("{:.4}", change.chance_above(estimate_of(amount)))
}
