//! Turns an engine's facts into features: the only place where the statistics know about steam engines.
//!
//! An unknown fact stays missing: it widens the range and is never guessed. Yes is 1 and no is 0. Statements about
//! prices are common practice of the trade, without a source.

use super::{Feature, FeatureKind, Row, Schema, Value};
use crate::{
    boilers::boiler::Material,
    days::Day,
    engines::{
        engine::{BuilderStanding, Fuel, IncludedItem, Kind, Scale, WorkingOrder},
        surveys::{Area, BuildQuality, Grade},
    },
    money::Money,
    pricing::pricing_facts::{Included, Papers, PricingFacts},
    trade::SaleSource,
    units::{Length, Mass},
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use std::collections::BTreeMap;

/// The known facts about an engine on the day of its sale or valuation.
#[derive(Debug, Clone, PartialEq)]
pub struct EngineOnSale {
    pub kind: Kind,
    pub gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub weight: Option<Mass>,
    pub build_quality: Option<BuildQuality>,
    pub grades: BTreeMap<Area, Grade>,
    pub working_order: Option<WorkingOrder>,
    /// Months until the first of its required certificates expires, at least 1 while all are valid; 0 if one has
    /// expired.
    pub papers_months_left: Option<u32>,
    /// Whether drawings, bills and tests are on record from the beginning.
    pub full_record: Option<bool>,
    pub builder: Option<BuilderStanding>,
    /// Name of the published design.
    pub design: Option<String>,
    pub boiler_material: Option<Material>,
    pub fuel: Option<Fuel>,
    pub built_in: Option<i16>,
    /// Value of the work of recent years, and months since the last. No work: an amount of 0 and no months.
    pub recent_work: Option<Money>,
    pub months_since_work: Option<u32>,
    pub medals: Option<u32>,
    /// Items that are not listed are not known to be included.
    pub included_items: BTreeMap<IncludedItem, Included>,
    /// The source of the price; `own` for a valuation.
    pub source: SaleSource,
    pub on: Day,
}

impl EngineOnSale {
    /// An engine of which only the kind is known, sold by the firm itself.
    pub const fn of(kind: Kind, on: Day) -> EngineOnSale {
        EngineOnSale {
            kind,
            gauge: None,
            scale: None,
            weight: None,
            build_quality: None,
            grades: BTreeMap::new(),
            working_order: None,
            papers_months_left: None,
            full_record: None,
            builder: None,
            design: None,
            boiler_material: None,
            fuel: None,
            built_in: None,
            recent_work: None,
            months_since_work: None,
            medals: None,
            included_items: BTreeMap::new(),
            source: SaleSource::Own,
            on,
        }
    }
}

impl EngineOnSale {
    /// The facts that the price scale uses.
    pub fn pricing_facts(&self) -> PricingFacts {
        PricingFacts {
            kind: self.kind,
            gauge: self.gauge.clone(),
            scale: self.scale.clone(),
            build_quality: self.build_quality,
            grades: self.grades.clone(),
            builder: self.builder,
            fuel: self.fuel,
            papers: self.papers_months_left.map(|months| match months {
                0 => Papers::NotInDate,
                _ => Papers::InDate,
            }),
            included_items: self.included_items.clone(),
            working_order: self.working_order,
        }
    }
}

/// The features, in the order of `row`.
pub fn schema() -> Schema {
    let nothing = EngineOnSale::of(Kind::Other, Day::FIRST);
    let features = features(&nothing)
        .into_iter()
        .map(|(name, kind, _)| Feature {
            name: name.to_owned(),
            kind,
        })
        .collect();
    Schema::new(features).expect("unique names, one date, few levels: see the test")
}

/// An engine's facts as a row of features.
pub fn row(engine: &EngineOnSale) -> Row {
    let features = features(engine).into_iter();
    features.map(|(_, _, value)| value).collect()
}

/// Variance of the log price for hearsay: a price reported or observed is known to about 10% at an auction (premiums),
/// 15% at a dealer's and 20% in a private sale. The firm's own prices are exact.
pub const fn extra_variance(source: SaleSource) -> f64 {
    match source {
        SaleSource::Own => 0.0,
        SaleSource::ObservedAuction => 0.01,
        SaleSource::ObservedDealer => 0.0225,
        SaleSource::ObservedPrivate => 0.04,
    }
}

fn features(engine: &EngineOnSale) -> Vec<(&'static str, FeatureKind, Value)> {
    let mut features = vec![
        (
            "kind",
            FeatureKind::Category,
            name(Some(engine.kind.as_str())),
        ),
        ("size", FeatureKind::Numeric, number(size_ln_mm(engine))),
        (
            "weight",
            FeatureKind::Numeric,
            number(engine.weight.as_ref().and_then(|weight| ln(weight.base()))),
        ),
        (
            "build_quality",
            FeatureKind::Ordinal { levels: 5 },
            level(engine.build_quality.map(BuildQuality::level)),
        ),
    ];
    features.extend(Area::ALL.iter().map(|area| {
        let grade = engine.grades.get(area);
        (
            area.as_str(),
            FeatureKind::Ordinal { levels: 5 },
            level(grade.map(|grade| grade.level())),
        )
    }));
    features.extend([
        (
            "working_order",
            FeatureKind::Ordinal { levels: 4 },
            level(engine.working_order.map(nearness_to_steam)),
        ),
        (
            "papers_months_left",
            FeatureKind::Numeric,
            number(engine.papers_months_left.map(f64::from)),
        ),
        (
            "full_record",
            FeatureKind::Numeric,
            number(engine.full_record.map(f64::from)),
        ),
        (
            "builder",
            FeatureKind::Category,
            name(engine.builder.map(BuilderStanding::as_str)),
        ),
        (
            "design",
            FeatureKind::Category,
            name(engine.design.as_deref()),
        ),
        (
            "boiler_material",
            FeatureKind::Category,
            name(engine.boiler_material.map(Material::as_str)),
        ),
        (
            "fuel",
            FeatureKind::Category,
            name(engine.fuel.map(Fuel::as_str)),
        ),
        ("age", FeatureKind::Numeric, number(age_years(engine))),
        (
            "recent_work",
            FeatureKind::Numeric,
            number(engine.recent_work.and_then(worth_ln)),
        ),
        (
            "months_since_work",
            FeatureKind::Numeric,
            number(engine.months_since_work.map(f64::from)),
        ),
        // A second medal adds less than the first.
        (
            "medals",
            FeatureKind::Numeric,
            number(engine.medals.map(|medals| f64::from(medals).ln_1p())),
        ),
    ]);
    features.extend(IncludedItem::ALL.iter().map(|item| {
        let included = engine.included_items.get(item);
        (
            item.as_str(),
            FeatureKind::Numeric,
            number(included.map(|included| match included {
                Included::Included => 1.0,
                Included::NotIncluded => 0.0,
            })),
        )
    }));
    features.extend([
        (
            "source",
            FeatureKind::Category,
            name(Some(engine.source.as_str())),
        ),
        ("day", FeatureKind::Date, Value::Years(years(engine.on))),
    ]);
    features
}

/// Prices grow by a certain percentage with size, so its logarithm is used. Road and stationary engines have a scale
/// but no gauge; they count as large as a locomotive with a prototype on standard gauge (4 ft 8 1/2 in, 1435.1 mm).
fn size_ln_mm(engine: &EngineOnSale) -> Option<f64> {
    let standard_gauge = Decimal::new(14351, 1);
    let by_scale = || standard_gauge.checked_div(engine.scale.as_ref()?.one_to());
    let gauge = engine.gauge.as_ref().map(Length::base);
    gauge.or_else(by_scale).and_then(ln)
}

/// 0 (part built) to 3 (in running order).
const fn nearness_to_steam(order: WorkingOrder) -> u8 {
    match order {
        WorkingOrder::InRunningOrder => 3,
        WorkingOrder::RestoredUnproved => 2,
        WorkingOrder::Dismantled => 1,
        WorkingOrder::PartBuilt => 0,
    }
}

/// Whole years on the day; the age is unknown if the engine was built after that day.
fn age_years(engine: &EngineOnSale) -> Option<f64> {
    let age = engine.on.date().year().checked_sub(engine.built_in?)?;
    (age >= 0).then(|| f64::from(age))
}

/// ln(1 + worth/100): a few hundred matter, differences among many thousands do not.
fn worth_ln(worth: Money) -> Option<f64> {
    let hundreds = worth.decimal().to_f64()? / 100.0;
    (hundreds >= 0.0).then(|| hundreds.ln_1p())
}

/// A day in years since the first possible day.
fn years(day: Day) -> f64 {
    f64::from(day.days_since(Day::FIRST)) / 365.25
}

fn ln(quantity: Decimal) -> Option<f64> {
    let ln = quantity.to_f64()?.ln();
    ln.is_finite().then_some(ln)
}

fn number(number: Option<f64>) -> Value {
    number.map_or(Value::Missing, Value::Number)
}

fn level(level: Option<u8>) -> Value {
    level.map_or(Value::Missing, |level| Value::Level(u16::from(level)))
}

fn name(name: Option<&str>) -> Value {
    let name = name.map(str::trim).filter(|name| !name.is_empty());
    name.map_or(Value::Missing, |name| Value::Name(name.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> EngineOnSale {
        EngineOnSale {
            gauge: Some("5 in".parse().expect("a gauge")),
            scale: Some("1:11.3".parse().expect("a scale")),
            weight: Some("150 lb".parse().expect("a weight")),
            build_quality: Some(BuildQuality::Fine),
            grades: Area::ALL.iter().map(|area| (*area, Grade::Good)).collect(),
            working_order: Some(WorkingOrder::InRunningOrder),
            papers_months_left: Some(11),
            full_record: Some(true),
            builder: Some(BuilderStanding::Amateur),
            design: Some("Marrowby".to_owned()),
            boiler_material: Some(Material::Copper),
            fuel: Some(Fuel::Coal),
            built_in: Some(1987),
            recent_work: Some("650.00".parse().expect("an amount")),
            months_since_work: Some(4),
            medals: Some(1),
            included_items: IncludedItem::ALL
                .iter()
                .map(|item| (*item, Included::Included))
                .collect(),
            ..EngineOnSale::of(Kind::Locomotive, Day::constant(2026, 5, 14))
        }
    }

    fn value(engine: &EngineOnSale, name: &str) -> Value {
        let schema = schema();
        let at = schema.features().iter().position(|f| f.name == name);
        row(engine)[at.expect(name)].clone()
    }

    #[test]
    fn every_fact_has_its_place_and_is_missing_until_it_is_recorded() {
        let schema = schema();
        let known = row(&known());
        assert_eq!(schema.check(&known), Ok(()));
        assert!(!known.contains(&Value::Missing), "{known:?}");

        let nothing = row(&EngineOnSale::of(Kind::Other, Day::LAST));
        assert_eq!(schema.check(&nothing), Ok(()));
        let names: Vec<&str> = schema
            .features()
            .iter()
            .zip(&nothing)
            .filter(|(_, value)| **value != Value::Missing)
            .map(|(feature, _)| feature.name.as_str())
            .collect();
        assert_eq!(names, ["kind", "source", "day"]);
    }

    /// The best value of each list has the highest level.
    #[test]
    fn better_is_higher() {
        let mut engine = known();
        let mut before = None;
        for order in [
            WorkingOrder::PartBuilt,
            WorkingOrder::Dismantled,
            WorkingOrder::RestoredUnproved,
            WorkingOrder::InRunningOrder,
        ] {
            engine.working_order = Some(order);
            let Value::Level(level) = value(&engine, "working_order") else {
                panic!("{order} is a level");
            };
            assert!(Some(level) > before, "{order}");
            before = Some(level);
        }
        for (quality, level) in [(BuildQuality::Exhibition, 4), (BuildQuality::Rough, 0)] {
            engine.build_quality = Some(quality);
            assert_eq!(value(&engine, "build_quality"), Value::Level(level));
        }
        for (grade, level) in [(Grade::AsNew, 4), (Grade::Defective, 0)] {
            engine.grades.insert(Area::Frames, grade);
            assert_eq!(value(&engine, "frames"), Value::Level(level));
        }
    }

    /// 1:4 of standard gauge is 358.775 mm (arithmetic).
    #[test]
    fn size_is_the_gauge_or_else_the_scale() {
        let mut engine = known();
        assert_eq!(value(&engine, "size"), Value::Number(127_f64.ln()));
        engine.gauge = None;
        engine.scale = Some("3 in to the foot".parse().expect("a scale"));
        assert_eq!(value(&engine, "size"), Value::Number(358.775_f64.ln()));
        engine.scale = None;
        assert_eq!(value(&engine, "size"), Value::Missing);
    }

    #[test]
    fn what_cannot_be_is_not_known() {
        let mut engine = known();
        engine.built_in = Some(2027);
        assert_eq!(value(&engine, "age"), Value::Missing);
        engine.built_in = Some(i16::MIN);
        assert_eq!(value(&engine, "age"), Value::Missing);
        engine.recent_work = Some("-1.00".parse().expect("an amount"));
        assert_eq!(value(&engine, "recent_work"), Value::Missing);
        engine.design = Some("  ".to_owned());
        assert_eq!(value(&engine, "design"), Value::Missing);
    }

    #[test]
    fn the_price_scale_gets_the_same_facts() {
        let facts = known().pricing_facts();
        for feature in crate::pricing::pricing_facts::Feature::ALL {
            assert!(facts.level(*feature).is_some(), "{feature}");
        }
        for (months, papers) in [
            (None, None),
            (Some(0), Some("not_in_date")),
            (Some(1), Some("in_date")),
        ] {
            let engine = EngineOnSale {
                papers_months_left: months,
                ..known()
            };
            let level = engine
                .pricing_facts()
                .level(crate::pricing::pricing_facts::Feature::Papers);
            assert_eq!(level, papers);
        }
    }

    #[test]
    fn only_an_own_price_is_sure() {
        for source in SaleSource::ALL {
            let own = matches!(source, SaleSource::Own);
            assert_eq!(extra_variance(*source) > 0.0, !own, "{source}");
        }
    }
}
