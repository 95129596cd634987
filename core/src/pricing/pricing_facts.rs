//! The facts about an engine that its price depends on: the features of the price scale and their levels.

use crate::{
    engines::{
        engine::{BuilderStanding, Fuel, IncludedItem, Kind, Scale, WorkingOrder},
        surveys::{Area, BuildQuality, Grade},
    },
    units::Length,
};
use std::collections::BTreeMap;

/// Everything that the price scale uses.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PricingFacts {
    pub kind: Kind,
    pub gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub build_quality: Option<BuildQuality>,
    /// One condition grade per area surveyed.
    pub grades: BTreeMap<Area, Grade>,
    pub builder: Option<BuilderStanding>,
    pub fuel: Option<Fuel>,
    /// Whether all certificates that its boiler code requires are valid on the day of the price.
    pub papers: Option<Papers>,
    /// Items that are not listed are not known to be included.
    pub included_items: BTreeMap<IncludedItem, Included>,
    pub working_order: Option<WorkingOrder>,
}

words! {
    pub enum Papers { InDate = "in_date", NotInDate = "not_in_date" }
}
words! {
    pub enum Included { Included = "included", NotIncluded = "not_included" }
}
words! {
    /// A fact for which the price scale may have factors; kind and size choose the base price instead.
    pub enum Feature {
        BuildQuality = "build_quality",
        Boiler = "boiler",
        FittingsAndFeeds = "fittings_and_feeds",
        CylindersAndValves = "cylinders_and_valves",
        Motion = "motion",
        WheelsAndAxleboxes = "wheels_and_axleboxes",
        Frames = "frames",
        PlateworkAndPaint = "platework_and_paint",
        Completeness = "completeness",
        Builder = "builder",
        Fuel = "fuel",
        Papers = "papers",
        Tender = "tender",
        Spares = "spares",
        Drawings = "drawings",
        Box = "box",
        Trolley = "trolley",
        WorkingOrder = "working_order",
    }
}

impl Feature {
    /// The possible levels of the feature.
    pub fn levels(self) -> Vec<&'static str> {
        match self {
            Feature::BuildQuality => BuildQuality::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::Boiler
            | Feature::FittingsAndFeeds
            | Feature::CylindersAndValves
            | Feature::Motion
            | Feature::WheelsAndAxleboxes
            | Feature::Frames
            | Feature::PlateworkAndPaint
            | Feature::Completeness => Grade::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::Builder => BuilderStanding::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::Fuel => Fuel::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::Papers => Papers::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::Tender
            | Feature::Spares
            | Feature::Drawings
            | Feature::Box
            | Feature::Trolley => Included::ALL.iter().map(|w| w.as_str()).collect(),
            Feature::WorkingOrder => WorkingOrder::ALL.iter().map(|w| w.as_str()).collect(),
        }
    }
}

impl PricingFacts {
    /// An engine of which only the kind is known.
    pub const fn of(kind: Kind) -> PricingFacts {
        PricingFacts {
            kind,
            gauge: None,
            scale: None,
            build_quality: None,
            grades: BTreeMap::new(),
            builder: None,
            fuel: None,
            papers: None,
            included_items: BTreeMap::new(),
            working_order: None,
        }
    }

    /// The engine's level of a feature; `None` if it is not known.
    pub fn level(&self, feature: Feature) -> Option<&'static str> {
        let grade = |area| self.grades.get(&area).map(|grade| grade.as_str());
        let item = |item| {
            self.included_items
                .get(&item)
                .map(|included| included.as_str())
        };
        match feature {
            Feature::BuildQuality => self.build_quality.map(BuildQuality::as_str),
            Feature::Boiler => grade(Area::Boiler),
            Feature::FittingsAndFeeds => grade(Area::FittingsAndFeeds),
            Feature::CylindersAndValves => grade(Area::CylindersAndValves),
            Feature::Motion => grade(Area::Motion),
            Feature::WheelsAndAxleboxes => grade(Area::WheelsAndAxleboxes),
            Feature::Frames => grade(Area::Frames),
            Feature::PlateworkAndPaint => grade(Area::PlateworkAndPaint),
            Feature::Completeness => grade(Area::Completeness),
            Feature::Builder => self.builder.map(BuilderStanding::as_str),
            Feature::Fuel => self.fuel.map(Fuel::as_str),
            Feature::Papers => self.papers.map(Papers::as_str),
            Feature::Tender => item(IncludedItem::Tender),
            Feature::Spares => item(IncludedItem::Spares),
            Feature::Drawings => item(IncludedItem::Drawings),
            Feature::Box => item(IncludedItem::Box),
            Feature::Trolley => item(IncludedItem::Trolley),
            Feature::WorkingOrder => self.working_order.map(WorkingOrder::as_str),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_feature_can_be_recorded_and_is_unknown_until_it_is() {
        let known = PricingFacts {
            build_quality: Some(BuildQuality::Sound),
            grades: Area::ALL.iter().map(|area| (*area, Grade::Fair)).collect(),
            builder: Some(BuilderStanding::Trade),
            fuel: Some(Fuel::Coal),
            papers: Some(Papers::NotInDate),
            included_items: IncludedItem::ALL
                .iter()
                .map(|item| (*item, Included::NotIncluded))
                .collect(),
            working_order: Some(WorkingOrder::Dismantled),
            ..PricingFacts::of(Kind::Locomotive)
        };
        for feature in Feature::ALL {
            let level = known.level(*feature).expect("every feature is recorded");
            assert!(feature.levels().contains(&level), "{feature}: {level}");
            assert_eq!(PricingFacts::of(Kind::Locomotive).level(*feature), None);
        }
    }

    /// A grade of one area or item says nothing about another.
    #[test]
    fn areas_and_items_are_kept_apart() {
        let names = Area::ALL.iter().map(|area| area.as_str());
        for name in names.chain(IncludedItem::ALL.iter().map(|item| item.as_str())) {
            let mut facts = PricingFacts::of(Kind::Locomotive);
            match (name.parse(), name.parse()) {
                (Ok(area), _) => drop(facts.grades.insert(area, Grade::Worn)),
                (_, Ok(item)) => drop(facts.included_items.insert(item, Included::Included)),
                (Err(_), Err(_)) => panic!("{name} is neither area nor item"),
            }
            let recorded: Vec<_> = Feature::ALL
                .iter()
                .filter(|feature| facts.level(**feature).is_some())
                .map(|feature| feature.as_str())
                .collect();
            assert_eq!(recorded, [name]);
        }
    }
}
