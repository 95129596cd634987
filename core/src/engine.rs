//! What an engine is: the words for its facts, its wheel arrangement and its scale.

use crate::units::{Length, Mass, Written};
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{borrow::Cow, fmt, str::FromStr};

words! {
    pub enum Kind { Locomotive = "locomotive", RoadEngine = "road_engine", Stationary = "stationary", Other = "other" }
}
words! {
    pub enum BuilderStanding { Amateur = "amateur", Trade = "trade" }
}
words! {
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
    /// How water gets into the boiler.
    pub enum Feed {
        AxlePump = "axle_pump",
        /// Driven by the engine otherwise than from an axle: by crosshead or eccentric.
        EnginePump = "engine_pump",
        SteamPump = "steam_pump",
        HandPump = "hand_pump",
        Injector = "injector",
    }
}
words! {
    pub enum GoesWith {
        Tender = "tender",
        Spares = "spares",
        Drawings = "drawings",
        Box = "box",
        Trolley = "trolley",
    }
}
words! {
    pub enum WorkingOrder {
        InRunningOrder = "in_running_order",
        RestoredUnproved = "restored_unproved",
        Dismantled = "dismantled",
        PartBuilt = "part_built",
    }
}
words! {
    pub enum OfferedAs {
        Steamable = "steamable",
        WithoutPapers = "without_papers",
        ForRestoration = "for_restoration",
    }
}

/// The facts from which sizes and working figures are derived; each may be unknown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EngineFacts {
    pub kind: Kind,
    pub gauge: Option<Length>,
    /// Gauge of the prototype's track; known to differ from standard gauge, or not asked.
    pub prototype_gauge: Option<Length>,
    pub scale: Option<Scale>,
    pub cylinders: Option<u8>,
    pub bore: Option<Length>,
    pub stroke: Option<Length>,
    pub driving_wheel_diameter: Option<Length>,
    /// Of the engine as it is lifted, without a separate tender.
    pub weight: Option<Mass>,
    /// On the coupled wheels, in working order.
    pub adhesive_weight: Option<Mass>,
    pub rigid_wheelbase: Option<Length>,
    /// Total side play of the rigid wheels, both rails together.
    pub side_play: Option<Length>,
}

/// A wheel arrangement by Whyte's count of wheels: `4-6-0`, `0-6-0PT`, `4-8-8-4`, `2-6-0+0-6-2`.
///
/// Even counts in at least three groups, of which all but the first and last are coupled and not 0; `+` joins two units; at
/// the end one of T, ST, PT, WT, CT (tanks) and F (fireless).
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
    "not a wheel arrangement written like 4-6-0, 0-6-0PT, 4-8-8-4 or 2-6-0+0-6-2 (even counts of wheels)"
)]
pub struct NotWhyte;

/// A scale as it was written: `1:8`, `1:11.3`, `1 1/2 in to the foot`; from 1:1 to 1:1000.
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
#[error("not a scale written like 1:8 or 1 1/2 in to the foot, from 1:1 to 1:1000")]
pub struct NotAScale;

impl Whyte {
    /// Wheels of the first group.
    pub const fn leading(&self) -> u8 {
        self.leading
    }

    /// Driven wheels, of both units together.
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

/// An even count below 20: seven driven axles is the most ever built, and three such groups stay within a byte.
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
    /// The full size over the model's.
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
        if one_to < Decimal::ONE || one_to > Decimal::ONE_THOUSAND {
            return Err(NotAScale);
        }
        Ok(Scale {
            text: text.to_owned(),
            one_to,
        })
    }
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

    /// Carrying wheels, one to three groups of coupled wheels, carrying wheels; perhaps a second unit; perhaps a suffix.
    const WHYTE: &str = concat!(
        r"^1?[02468](-([2468]|1[02468])){1,3}-1?[02468]",
        r"(\+1?[02468](-([2468]|1[02468])){1,3}-1?[02468])?",
        r"(T|ST|PT|WT|CT|F)?$"
    );

    wire_text!(
        Scale,
        ObjectBuilder::new()
            .schema_type(Type::String)
            .max_length(Some(40))
            .description(Some(
                "`1:` and a number, or inches followed by `in to the foot`; from 1:1 to 1:1000"
            ))
            .examples(["1 1/2 in to the foot"])
            .build()
    );
}
