//! A boiler: the pressure vessel that certificates belong to.

use crate::{
    days::Day,
    units::{Pressure, Volume},
};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::{borrow::Cow, fmt, str::FromStr};

words! {
    /// What the shell is made of.
    pub enum Material {
        Copper = "copper",
        Steel = "steel",
        Brass = "brass",
        Stainless = "stainless",
        Other = "other",
    }
}

words! {
    /// The parts that a job works on; they decide which certificates it voids.
    pub enum Touches {
        PressureParts = "pressure_parts",
        SafetyValvesAndFittings = "safety_valves_and_fittings",
        GasTank = "gas_tank",
        Motion = "motion",
        Other = "other",
    }
}

/// The number stamped on a boiler, as written, without blanks at its ends; 1 to 60 characters. Two numbers are the same
/// only if every character is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct BoilerNumber(String);

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be 1 to 60 printable characters")]
pub struct NotABoilerNumber;

impl BoilerNumber {
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The number without case, spaces and punctuation: for search and for warnings, never to match boilers.
    pub fn folded(&self) -> String {
        let kept = self.0.chars().filter(|c| c.is_alphanumeric());
        kept.flat_map(char::to_lowercase).collect()
    }

    /// Whether the other number differs only in case, spaces or punctuation.
    pub fn reads_like(&self, other: &BoilerNumber) -> bool {
        self != other && self.folded() == other.folded()
    }
}

impl FromStr for BoilerNumber {
    type Err = NotABoilerNumber;

    fn from_str(text: &str) -> Result<BoilerNumber, NotABoilerNumber> {
        let text = text.trim();
        let fits = !text.is_empty() && text.chars().count() <= 60;
        if fits && !text.chars().any(char::is_control) {
            Ok(BoilerNumber(text.to_owned()))
        } else {
            Err(NotABoilerNumber)
        }
    }
}

impl fmt::Display for BoilerNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for BoilerNumber {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for BoilerNumber {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<BoilerNumber, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(feature = "wire")]
crate::words::wire_text!(
    BoilerNumber,
    utoipa::openapi::ObjectBuilder::new()
        .schema_type(utoipa::openapi::schema::Type::String)
        .min_length(Some(1))
        .max_length(Some(60))
        .examples(["QLW 1187"])
        .build()
);

/// A boiler, apart from its events.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = BoilerInQuestion))]
#[serde(deny_unknown_fields)]
pub struct Boiler {
    pub number: BoilerNumber,
    pub material: Material,
    /// Gauge pressure before the first recorded change of working pressure.
    pub working_pressure: Pressure,
    /// Total internal volume, water and steam space.
    pub volume: Volume,
    /// Null: not recorded; the shorter interval is used.
    pub first_service_on: Option<Day>,
    /// Volume of its gas tank, if it has one: small tanks are tested only once.
    pub gas_tank_volume: Option<Volume>,
}

/// Working pressure (bar, gauge) x whole internal volume (litres), with the exact factors of NIST SP 811.
pub fn bar_litres(working_pressure: &Pressure, volume: &Volume) -> Decimal {
    working_pressure.base().saturating_mul(volume.base())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A club boiler officer's published rule of thumb: a pint at 80 psi is over 3 bar-litres (published); the figures
    /// are arithmetic on the factors of NIST SP 811.
    #[test]
    fn bar_litres_come_from_exact_factors() {
        for (volume, pressure, figure) in [
            ("1 pt_imp", "80 psi", "3.1344"),
            ("1 pt_imp", "76 psi", "2.9777"),
            ("8.0 L", "90 psi", "49.6423"),
            ("30 L", "100 psi", "206.8427"),
            ("150 L", "120 psi", "1241.0563"),
        ] {
            let exact = bar_litres(
                &pressure.parse().expect("a pressure"),
                &volume.parse().expect("a volume"),
            );
            assert_eq!(
                crate::units::four_places(exact),
                figure,
                "{volume} at {pressure}"
            );
        }
    }

    #[test]
    fn a_boiler_number_is_bounded_and_compared_character_by_character() {
        assert_eq!(
            " QLW 1187 ".parse::<BoilerNumber>(),
            "QLW 1187".parse::<BoilerNumber>()
        );
        assert_ne!(
            "QLW 1187".parse::<BoilerNumber>(),
            "QLW1187".parse::<BoilerNumber>()
        );
        for bad in ["", "  ", "a\nb", &"9".repeat(61)] {
            assert_eq!(
                bad.parse::<BoilerNumber>(),
                Err(NotABoilerNumber),
                "{bad:?}"
            );
        }
    }
}
