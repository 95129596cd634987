//! Boiler codes: the test rules of a jurisdiction, as dated data.

use crate::{boilers::boiler::Material, days::Day};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::{borrow::Cow, fmt, str::FromStr};

mod seed;
pub use seed::seed;

words! {
    /// What a rule of a boiler code sets.
    pub enum RuleKey {
        /// Lowest pressure of the initial hydraulic test.
        HydraulicFirstFactor = "hydraulic_first_factor",
        /// Lowest pressure of any other hydraulic test.
        HydraulicRepeatFactor = "hydraulic_repeat_factor",
        /// Lowest pressure of a hydraulic test after a repair or change.
        HydraulicAfterRepairFactor = "hydraulic_after_repair_factor",
        /// Pressure that an inspector may require after a repair; a lower one still counts.
        HydraulicAfterRepairMayAsk = "hydraulic_after_repair_may_ask",
        /// Highest pressure of a hydraulic test.
        HydraulicMostFactor = "hydraulic_most_factor",
        /// How long the pressure of a hydraulic test must be held.
        HydraulicHold = "hydraulic_hold",
        /// Validity of the certificate of the initial hydraulic test.
        HydraulicFirstInterval = "hydraulic_first_interval",
        /// Validity of the certificate of any other hydraulic test.
        HydraulicInterval = "hydraulic_interval",
        /// Validity of a steam test certificate.
        SteamInterval = "steam_interval",
        /// Highest pressure allowed in a steam test at full fire.
        SteamLimitFactor = "steam_limit_factor",
        /// Validity of an external examination.
        ExternalExaminationInterval = "external_examination_interval",
        /// Validity of an internal examination.
        InternalExaminationInterval = "internal_examination_interval",
        /// Validity of an ultrasonic test.
        UltrasonicInterval = "ultrasonic_interval",
        /// Hydraulic and ultrasonic tests alternate: one of the two certificates must be valid.
        HydraulicAndUltrasonicInTurn = "hydraulic_and_ultrasonic_in_turn",
        /// Highest pressure at which a safety valve may be set.
        SafetyValveSetMost = "safety_valve_set_most",
        /// Lowest pressure of a gas tank test.
        GasTankPressure = "gas_tank_pressure",
        /// Validity of a gas tank test certificate.
        GasTankInterval = "gas_tank_interval",
        /// Gas tanks below this volume are tested once, and again after work on the tank.
        GasTankOnceBelow = "gas_tank_once_below",
        /// Boilers below this size are in band `small`.
        SmallBelow = "small_below",
        /// Boilers above this size are outside the code.
        OutsideAbove = "outside_above",
        /// Work on fittings counts as a change to the boiler and also voids its hydraulic certificate.
        FittingsVoidHydraulic = "fittings_void_hydraulic",
        /// Changing only a gauge glass voids nothing.
        GaugeGlassExcepted = "gauge_glass_excepted",
        /// The inspector must be independent.
        InspectorIndependent = "inspector_independent",
        /// Days within which a test must be reported to the authority.
        ReportWithin = "report_within",
        /// The exemption for hobby boilers excludes commercial use.
        HobbyExemptionExcludesCommercialUse = "hobby_exemption_excludes_commercial_use",
        /// A boiler first in service on or after `first_service_from` needs evidence of past use or of conformity.
        EvidenceOfPastUse = "evidence_of_past_use",
        /// Tests made under the code of another jurisdiction (`accepts`) count under this one.
        AcceptsTestsOf = "accepts_tests_of",
        /// A caution that goes with every answer under this code.
        Caution = "caution",
    }
}

words! {
    /// A size class of the code, by bar-litres.
    pub enum Band { Small = "small", Main = "main", OutsideCode = "outside_code" }
}

words! {
    /// Unit of a rule's value.
    pub enum RuleUnit {
        TimesWorkingPressure = "times_working_pressure",
        Minutes = "minutes",
        Days = "days",
        Months = "months",
        /// The certificate does not expire; the rule has no value.
        ForLife = "for_life",
        Bar = "bar",
        BarLitres = "bar_litres",
        Litres = "litres",
        /// The rule applies or does not; it has no value.
        Yes = "yes",
    }
}

words! {
    /// What follows if the rule is not met.
    pub enum Effect {
        /// The certificate is not valid.
        Blocks = "blocks",
        /// A warning; it blocks nothing.
        Warning = "warning",
    }
}

words! {
    /// How well a rule is sourced.
    pub enum Mark {
        /// Read in the printed source.
        Published = "published",
        /// Reported by one source that may be wrong.
        LowConfidence = "low_confidence",
        /// Follows from the source without being printed there.
        PlainReading = "plain_reading",
        /// What the trade does; no printed source.
        CommonPractice = "common_practice",
        /// Remembered; not checked in print.
        FromMemory = "from_memory",
        /// Not found in print; an assumption.
        NotFound = "not_found",
    }
}

/// A country or a part of one: `GB`, `CH`, `US-OH` (ISO 3166).
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct Jurisdiction(String);

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be an ISO 3166 code such as GB or US-OH")]
pub struct NotAJurisdiction;

impl Jurisdiction {
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for Jurisdiction {
    type Err = NotAJurisdiction;

    fn from_str(text: &str) -> Result<Jurisdiction, NotAJurisdiction> {
        let (country, part) = match text.split_once('-') {
            Some((country, part)) => (country, Some(part)),
            None => (text, None),
        };
        let country_fits = country.len() == 2 && country.bytes().all(|b| b.is_ascii_uppercase());
        let part_fits = part.is_none_or(|part| {
            (1..=3).contains(&part.len())
                && part
                    .bytes()
                    .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
        });
        if country_fits && part_fits {
            Ok(Jurisdiction(text.to_owned()))
        } else {
            Err(NotAJurisdiction)
        }
    }
}

impl fmt::Display for Jurisdiction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for Jurisdiction {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Jurisdiction {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Jurisdiction, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(serde::de::Error::custom)
    }
}

#[cfg(feature = "wire")]
crate::words::wire_text!(
    Jurisdiction,
    utoipa::openapi::ObjectBuilder::new()
        .schema_type(utoipa::openapi::schema::Type::String)
        .pattern(Some("^[A-Z]{2}(-[A-Z0-9]{1,3})?$"))
        .min_length(Some(2))
        .max_length(Some(6))
        .examples(["GB"])
        .build()
);

/// One rule of a boiler code. A rule with a material, a band or a first service applies only to those.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rule {
    pub jurisdiction: Jurisdiction,
    /// Name of the code, 1 to 120 characters.
    pub code: String,
    pub rule: RuleKey,
    pub material: Option<Material>,
    pub band: Option<Band>,
    /// For boilers first in service on or after this day.
    pub first_service_from: Option<Day>,
    /// In `unit`. `None` for units that have no value.
    pub value: Option<Decimal>,
    pub unit: RuleUnit,
    pub effect: Effect,
    /// First day in force. `None`: from the beginning.
    pub valid_from: Option<Day>,
    /// Last day, inclusive. `None`: still in force.
    pub valid_until: Option<Day>,
    /// For `accepts_tests_of`: the jurisdiction whose tests also count.
    pub accepts: Option<Jurisdiction>,
    /// Source of the rule, 1 to 300 characters.
    pub source: String,
    pub mark: Mark,
    /// Text of a caution, 1 to 400 characters.
    pub notes: Option<String>,
}

/// The boiler that a rule is looked up for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Subject {
    pub material: Material,
    pub band: Band,
    /// `None`: rules that depend on the first service do not apply.
    pub first_service_on: Option<Day>,
}

impl Rule {
    pub fn in_force_on(&self, day: Day) -> bool {
        self.valid_from.is_none_or(|from| from <= day)
            && self.valid_until.is_none_or(|until| day <= until)
    }

    pub fn applies_to(&self, subject: Subject) -> bool {
        self.material.is_none_or(|it| it == subject.material)
            && self.band.is_none_or(|it| it == subject.band)
            && self
                .first_service_from
                .is_none_or(|from| subject.first_service_on.is_some_and(|on| from <= on))
    }
}

/// The rule in force on `day` for the boiler: if several apply, the one that started last. Among rules of the same
/// first day one with a material wins, then one with a band, then one with a first service. The order of `rules` does
/// not matter.
pub fn in_force<'r>(
    rules: &[&'r Rule],
    key: RuleKey,
    subject: Subject,
    day: Day,
) -> Option<&'r Rule> {
    rules
        .iter()
        .copied()
        .filter(|row| row.rule == key && row.in_force_on(day) && row.applies_to(subject))
        .max_by_key(|row| {
            (
                row.valid_from,
                row.material.is_some(),
                row.band.is_some(),
                row.first_service_from,
                row.value,
                (&row.code, row.unit, row.effect, &row.source),
            )
        })
}

/// The band of a boiler size (bar-litres) by the rules in force on `day`; `main` if the code has no bands.
pub fn band(rules: &[&Rule], bar_litres: Decimal, material: Material, day: Day) -> Band {
    let limit = |key| {
        let subject = Subject {
            material,
            band: Band::Main,
            first_service_on: None,
        };
        in_force(rules, key, subject, day).and_then(|row| row.value)
    };
    if limit(RuleKey::OutsideAbove).is_some_and(|most| bar_litres > most) {
        Band::OutsideCode
    } else if limit(RuleKey::SmallBelow).is_some_and(|least| bar_litres < least) {
        Band::Small
    } else {
        Band::Main
    }
}
