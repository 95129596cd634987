//! What an engine is: its facts, its wheel arrangement and its scale.

use crate::units::{Force, Length, Mass, Written};
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{borrow::Cow, fmt, str::FromStr};

words! {
    /// What sort of engine it is.
    pub enum Kind { Locomotive = "locomotive", RoadEngine = "road_engine", Stationary = "stationary", Other = "other" }
}

words! {
    /// Whether the builder was an amateur or in the trade.
    pub enum BuilderStanding { Amateur = "amateur", Trade = "trade" }
}

words! {
    /// What the boiler is fired with.
    pub enum Fuel {
        Coal = "coal",
        Wood = "wood",
        Oil = "oil",
        /// Liquefied petroleum gas.
        Gas = "gas",
        Spirit = "spirit",
        Electric = "electric",
    }
}

words! {
    /// A way of feeding water to the boiler.
    pub enum Feed {
        AxlePump = "axle_pump",
        /// Driven by the engine, but not from an axle: by crosshead or eccentric.
        EnginePump = "engine_pump",
        SteamPump = "steam_pump",
        HandPump = "hand_pump",
        Injector = "injector",
    }
}

words! {
    /// Something that is sold with the engine.
    pub enum IncludedItem {
        Tender = "tender",
        Spares = "spares",
        Drawings = "drawings",
        Box = "box",
        Trolley = "trolley",
    }
}

words! {
    /// Whether the engine runs.
    pub enum WorkingOrder {
        InRunningOrder = "in_running_order",
        /// Restored, but not run since.
        RestoredUnproved = "restored_unproved",
        Dismantled = "dismantled",
        PartBuilt = "part_built",
    }
}

words! {
    /// How the engine is offered; it decides which checks of the boiler apply.
    pub enum OfferedAs {
        /// As a working engine, with valid boiler certificates.
        Steamable = "steamable",
        /// Without boiler certificates; the listing says so and the buyer acknowledges it.
        WithoutPapers = "without_papers",
        /// For restoration, without boiler certificates; likewise.
        ForRestoration = "for_restoration",
    }
}

impl Kind {
    /// What to read off an engine of this kind in a survey; common practice, no source.
    pub const fn to_read_off(self) -> &'static [&'static str] {
        match self {
            Kind::Locomotive => &[
                "Gauge",
                "Wheel arrangement",
                "Bore and stroke",
                "Driving wheels",
                "Weight",
                "Length, width, height",
                "Fuel",
                "Design, builder, year",
                "Boiler number as stamped",
                "Working pressure as stamped",
                "Last hydraulic test",
                "Last steam test",
            ],
            Kind::RoadEngine | Kind::Stationary | Kind::Other => &[
                "Scale",
                "Cylinders",
                "Bore and stroke",
                "Wheel or flywheel",
                "Weight",
                "Length, width, height",
                "Fuel",
                "Design, builder, year",
                "Boiler number as stamped",
                "Working pressure as stamped",
                "Last hydraulic test",
                "Last steam test",
            ],
        }
    }
}

/// The facts that sizes and working figures are calculated from; each may be unknown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EngineFacts {
    pub kind: Kind,
    pub gauge: Option<Length>,
    /// Track gauge of the prototype.
    pub prototype_gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub cylinders: Option<u8>,
    pub bore: Option<Length>,
    pub stroke: Option<Length>,
    pub driving_wheel_diameter: Option<Length>,
    /// Lifting weight, without a separate tender.
    pub weight: Option<Mass>,
    /// On the coupled wheels, in working order.
    pub adhesive_weight: Option<Mass>,
    pub rigid_wheelbase: Option<Length>,
    /// Total side play of the rigid wheels, both rails together.
    pub side_play: Option<Length>,
    /// As stated by the maker or a listing; compared with the formula, never used instead.
    pub stated_tractive_effort: Option<Force>,
}

impl EngineFacts {
    /// An engine of which only the kind is known.
    pub const fn of(kind: Kind) -> EngineFacts {
        EngineFacts {
            kind,
            gauge: None,
            prototype_gauge: None,
            scale: None,
            cylinders: None,
            bore: None,
            stroke: None,
            driving_wheel_diameter: None,
            weight: None,
            adhesive_weight: None,
            rigid_wheelbase: None,
            side_play: None,
            stated_tractive_effort: None,
        }
    }
}

/// A wheel arrangement by Whyte's count of wheels: `4-6-0`, `0-6-0PT`, `4-8-8-4`, `2-6-0+0-6-2`.
///
/// Even counts in at least three groups; all but the first and last are coupled wheels and not 0. `+` joins two units.
/// The suffix may be T, ST, PT, WT, CT (tanks) or F (fireless).
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct Whyte {
    text: String,
    leading: u8,
    coupled: u8,
    trailing: u8,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "must be a wheel arrangement such as 4-6-0, 0-6-0PT, 4-8-8-4 or 2-6-0+0-6-2 (even counts of wheels)"
)]
pub struct NotWhyte;

/// A scale as entered: `1:8`, `1:11.3`, `1 1/2 in to the foot`; from 1:1 to 1:1000.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct Scale {
    text: String,
    one_to: Decimal,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be a scale such as 1:8 or 1 1/2 in to the foot, from 1:1 to 1:1000")]
pub struct NotAScale;

impl Whyte {
    /// Wheels of the first group.
    pub const fn leading(&self) -> u8 {
        self.leading
    }

    /// Driven wheels of all units.
    pub const fn coupled(&self) -> u8 {
        self.coupled
    }

    /// Wheels of the last group.
    pub const fn trailing(&self) -> u8 {
        self.trailing
    }
}

impl FromStr for Whyte {
    type Err = NotWhyte;

    fn from_str(text: &str) -> Result<Whyte, NotWhyte> {
        const SUFFIXES: [&str; 6] = ["ST", "PT", "WT", "CT", "T", "F"];
        let bare = SUFFIXES
            .iter()
            .find_map(|suffix| text.strip_suffix(suffix))
            .unwrap_or(text);
        let (first, second) = match bare.split_once('+') {
            Some((first, second)) => (unit(first)?, Some(unit(second)?)),
            None => (unit(bare)?, None),
        };
        let last = second.unwrap_or(first);
        Ok(Whyte {
            text: text.to_owned(),
            leading: first.leading,
            coupled: first.coupled + second.map_or(0, |unit| unit.coupled),
            trailing: last.trailing,
        })
    }
}

/// Wheels of one frame.
#[derive(Clone, Copy)]
struct WheelUnit {
    leading: u8,
    coupled: u8,
    trailing: u8,
}

fn unit(text: &str) -> Result<WheelUnit, NotWhyte> {
    let groups = text
        .split('-')
        .map(wheels)
        .collect::<Result<Vec<u8>, NotWhyte>>()?;
    match groups.as_slice() {
        [leading, coupled @ .., trailing]
            if (1..=3).contains(&coupled.len()) && !coupled.contains(&0) =>
        {
            Ok(WheelUnit {
                leading: *leading,
                coupled: coupled.iter().sum(),
                trailing: *trailing,
            })
        }
        [] | [_] | [_, .., _] => Err(NotWhyte),
    }
}

/// An even count below 20: no more than seven driven axles were ever built, and three such groups fit in a byte.
fn wheels(text: &str) -> Result<u8, NotWhyte> {
    let plain = text.len() <= 2 && text.bytes().all(|b| b.is_ascii_digit());
    if !plain || (text.len() == 2 && !text.starts_with('1')) {
        return Err(NotWhyte);
    }
    match text.parse::<u8>() {
        Ok(count) if count % 2 == 0 => Ok(count),
        Ok(_) | Err(_) => Err(NotWhyte),
    }
}

impl Scale {
    /// Full size / model size.
    pub const fn one_to(&self) -> Decimal {
        self.one_to
    }

    pub fn inches_to_the_foot(&self) -> Decimal {
        Decimal::from(12) / self.one_to
    }
}

impl FromStr for Scale {
    type Err = NotAScale;

    fn from_str(text: &str) -> Result<Scale, NotAScale> {
        let number = |text: &str| match text.parse::<Written>() {
            Ok(written) if text.trim() == text => Ok(written.value()),
            Ok(_) | Err(_) => Err(NotAScale),
        };
        let one_to = match text.strip_prefix("1:") {
            Some(full_size) => number(full_size)?,
            None => {
                let inches = text.strip_suffix(" in to the foot").ok_or(NotAScale)?;
                Decimal::from(12) / number(inches)?
            }
        };
        if is_a_scale(one_to) {
            Ok(Scale {
                text: text.to_owned(),
                one_to,
            })
        } else {
            Err(NotAScale)
        }
    }
}

words! {
    /// Where a scale comes from.
    pub enum ScaleBasis {
        /// Measured, or given on the drawings.
        Stated = "stated",
        /// From the gauges of model and prototype.
        PrototypeGauge = "prototype_gauge",
        /// Usual for the gauge in British practice.
        BritishPractice = "british_practice",
        /// Usual for the gauge in North American practice.
        NorthAmericanPractice = "north_american_practice",
        /// The scale that NEM 010 gives for the gauge.
        Nem010 = "nem_010",
    }
}

/// The scale of an engine, or a likely one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScaleEstimate {
    pub one_to: Decimal,
    pub basis: ScaleBasis,
}

impl ScaleEstimate {
    pub fn inches_to_the_foot(self) -> Decimal {
        Decimal::from(12) / self.one_to
    }
}

/// Gauges, with the usual scale of standard gauge engines built for them.
///
/// Sources: NEM 010 (MOROP, 2011) for its rows; the British and North American rows are common practice without a
/// published source, and the scale for 7 1/2 in is from memory.
pub const USUAL_SCALES: [(&str, &str, ScaleBasis); 12] = [
    (
        "2 1/2 in",
        "17/32 in to the foot",
        ScaleBasis::BritishPractice,
    ),
    (
        "3 1/2 in",
        "3/4 in to the foot",
        ScaleBasis::BritishPractice,
    ),
    ("5 in", "1 1/16 in to the foot", ScaleBasis::BritishPractice),
    (
        "7 1/4 in",
        "1 1/2 in to the foot",
        ScaleBasis::BritishPractice,
    ),
    (
        "4 3/4 in",
        "1 in to the foot",
        ScaleBasis::NorthAmericanPractice,
    ),
    (
        "7 1/2 in",
        "1 1/2 in to the foot",
        ScaleBasis::NorthAmericanPractice,
    ),
    ("45 mm", "1:32", ScaleBasis::Nem010),
    ("64 mm", "1:22.5", ScaleBasis::Nem010),
    ("89 mm", "1:16", ScaleBasis::Nem010),
    ("127 mm", "1:11", ScaleBasis::Nem010),
    ("184 mm", "1:8", ScaleBasis::Nem010),
    ("260 mm", "1:5.5", ScaleBasis::Nem010),
];

/// Whether an engine of one gauge runs on track of the other. Half a millimetre makes no difference (63.5 and 64 mm are
/// the same gauge); a quarter of an inch does: a 7 1/4 in engine does not run on 7 1/2 in track.
pub fn is_same_gauge(one: &Length, other: &Length) -> bool {
    (one.base() - other.base()).abs() <= Decimal::new(5, 1)
}

/// How far apart, in mm, two figures may be that mean the same gauge to a buyer: 184 for 184.15, as in NEM 010, or 88.9
/// for 89.
///
/// Source: common practice, no source.
pub const SOUGHT_WITHIN_MM: Decimal = Decimal::from_parts(2, 0, 0, false, 1);

/// Whether somebody who looks for one gauge means the other, both in mm.
pub fn is_sought_gauge(sought: Decimal, gauge: Decimal) -> bool {
    let apart = sought.checked_sub(gauge);
    apart.is_some_and(|apart| apart.abs() <= SOUGHT_WITHIN_MM)
}

/// The stated scale; else the one from the gauges of model and prototype; else every usual scale for the gauge,
/// assuming a standard gauge prototype. Empty if nothing is known. Only a locomotive's gauge says anything about its
/// scale.
///
/// It is not a size: engines of one gauge differ widely in bulk, those of narrow-gauge prototypes most.
pub fn scale_estimates(engine: &EngineFacts) -> Vec<ScaleEstimate> {
    if let Some(scale) = &engine.scale {
        return vec![ScaleEstimate {
            one_to: scale.one_to,
            basis: ScaleBasis::Stated,
        }];
    }
    let gauge = match (engine.kind, &engine.gauge) {
        (Kind::Locomotive, Some(gauge)) => gauge,
        (Kind::Locomotive, None) | (Kind::RoadEngine | Kind::Stationary | Kind::Other, _) => {
            return Vec::new();
        }
    };
    if let Some(prototype_gauge) = &engine.prototype_gauge {
        let one_to = prototype_gauge.base() / gauge.base();
        return if is_a_scale(one_to) {
            vec![ScaleEstimate {
                one_to,
                basis: ScaleBasis::PrototypeGauge,
            }]
        } else {
            Vec::new()
        };
    }
    USUAL_SCALES
        .iter()
        .filter_map(|(usual_gauge, scale, basis)| {
            let usual_gauge = usual_gauge.parse().ok()?;
            let scale: Scale = scale.parse().ok()?;
            is_same_gauge(gauge, &usual_gauge).then_some(ScaleEstimate {
                one_to: scale.one_to,
                basis: *basis,
            })
        })
        .collect()
}

fn is_a_scale(one_to: Decimal) -> bool {
    (Decimal::ONE..=Decimal::ONE_THOUSAND).contains(&one_to)
}

impl fmt::Display for Whyte {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl fmt::Display for Scale {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl Serialize for Whyte {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.text)
    }
}

impl Serialize for Scale {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.text)
    }
}

impl<'de> Deserialize<'de> for Whyte {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Whyte, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

impl<'de> Deserialize<'de> for Scale {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Scale, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::{Scale, Whyte};
    use utoipa::openapi::{ObjectBuilder, schema::Type};

    wire_text!(
        Whyte,
        ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some(WHYTE))
            .max_length(Some(32))
            .examples(["0-6-0PT"])
            .build()
    );

    /// Carrying wheels, one to three groups of coupled wheels, carrying wheels; perhaps a second unit; perhaps a
    /// suffix.
    const WHYTE: &str = concat!(
        r"^1?[02468](-([2468]|1[02468])){1,3}-1?[02468]",
        r"(\+1?[02468](-([2468]|1[02468])){1,3}-1?[02468])?",
        r"(T|ST|PT|WT|CT|F)?$"
    );

    #[cfg(test)]
    proptest::proptest! {
        /// Every text that matches the pattern in openapi.json is accepted.
        #[test]
        fn every_text_of_the_pattern_is_a_wheel_arrangement(
            text in WHYTE.trim_matches(['^', '$'])
        ) {
            proptest::prop_assert!(text.parse::<Whyte>().is_ok() && text.len() <= 32, "{text}");
        }
    }

    wire_text!(
        Scale,
        ObjectBuilder::new()
            .schema_type(Type::String)
            .max_length(Some(48))
            .description(Some(
                "`1:` and a number, or inches followed by `in to the foot`; from 1:1 to 1:1000"
            ))
            .examples(["1 1/2 in to the foot"])
            .build()
    );
}
