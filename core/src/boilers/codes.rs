//! Boiler codes: the test rules of a jurisdiction, as dated rows of data.

use crate::{boilers::boiler::Material, days::Day};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::{borrow::Cow, fmt, str::FromStr};

mod seed;
pub use seed::seed;

words! {
    /// What a row settles.
    pub enum RuleKey {
        /// Least pressure of the first hydraulic test.
        HydraulicFirstFactor = "hydraulic_first_factor",
        /// Least pressure of any other hydraulic test.
        HydraulicRepeatFactor = "hydraulic_repeat_factor",
        /// Least pressure of a hydraulic test that follows a repair or a change.
        HydraulicAfterRepairFactor = "hydraulic_after_repair_factor",
        /// What an inspector may ask for after a repair; less still counts.
        HydraulicAfterRepairMayAsk = "hydraulic_after_repair_may_ask",
        /// Greatest pressure of a hydraulic test.
        HydraulicMostFactor = "hydraulic_most_factor",
        HydraulicHold = "hydraulic_hold",
        /// How long the paper of the first hydraulic test of a boiler runs.
        HydraulicFirstInterval = "hydraulic_first_interval",
        /// How long the paper of any other hydraulic test runs.
        HydraulicInterval = "hydraulic_interval",
        SteamInterval = "steam_interval",
        /// Greatest pressure seen in steam at full fire.
        SteamLimitFactor = "steam_limit_factor",
        ExternalExaminationInterval = "external_examination_interval",
        InternalExaminationInterval = "internal_examination_interval",
        UltrasonicInterval = "ultrasonic_interval",
        /// Hydraulic and ultrasonic tests take turns: one of the two papers has to hold.
        HydraulicAndUltrasonicInTurn = "hydraulic_and_ultrasonic_in_turn",
        /// Greatest pressure at which a safety valve is set.
        SafetyValveSetMost = "safety_valve_set_most",
        GasTankPressure = "gas_tank_pressure",
        GasTankInterval = "gas_tank_interval",
        /// Gas tanks below this volume are tested once, and again after work on the tank.
        GasTankOnceBelow = "gas_tank_once_below",
        /// Boilers below this size are of the band `small`.
        SmallBelow = "small_below",
        /// Boilers above this size are outside the code.
        OutsideAbove = "outside_above",
        /// Work on fittings counts as a change of the boiler and voids its hydraulic paper too.
        FittingsVoidHydraulic = "fittings_void_hydraulic",
        /// A changed gauge glass alone voids nothing.
        GaugeGlassExcepted = "gauge_glass_excepted",
        InspectorIndependent = "inspector_independent",
        /// The report of a test goes to the authority within so many days of it.
        ReportWithin = "report_within",
        /// The hobby's exemption is not for commercial use.
        HobbyExemptionExcludesCommercialUse = "hobby_exemption_excludes_commercial_use",
        /// A boiler first in service on or after `first_service_from` needs evidence of past use or of conformity.
        EvidenceOfPastUse = "evidence_of_past_use",
        /// Tests made under the code of another place (`accepts`) count under this one.
        AcceptsTestsOf = "accepts_tests_of",
        /// A sentence that goes with every answer of the jurisdiction.
        Caution = "caution",
    }
}

words! {
    /// A size class of the code, by bar-litres.
    pub enum Band { Small = "small", Main = "main", OutsideCode = "outside_code" }
}

words! {
    pub enum RuleUnit {
        TimesWorkingPressure = "times_working_pressure",
        Minutes = "minutes",
        Days = "days",
        Months = "months",
        /// The paper has no last day; the row has no value.
        ForLife = "for_life",
        Bar = "bar",
        BarLitres = "bar_litres",
        Litres = "litres",
        /// The row holds or does not; it has no value.
        Yes = "yes",
    }
}

words! {
    /// What follows when a row is not kept.
    pub enum Effect {
        /// The paper does not hold.
        Blocks = "blocks",
        /// It is told, and bars nothing.
        Warning = "warning",
    }
}

words! {
    /// How sure a row is.
    pub enum Mark {
        Published = "published",
        LowConfidence = "low_confidence",
        PlainReading = "plain_reading",
        CommonPractice = "common_practice",
        FromMemory = "from_memory",
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
#[error("not an ISO 3166 code written like GB or US-OH")]
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

/// One row of a boiler code. A row that names a material, a band or a first service is for these only.
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
    /// In `unit`; none where the unit says so.
    pub value: Option<Decimal>,
    pub unit: RuleUnit,
    pub effect: Effect,
    /// First day; none where the source prints none, and then the row also holds for older tests.
    pub valid_from: Option<Day>,
    /// Last day, inclusive; none while the row is in force.
    pub valid_until: Option<Day>,
    /// Whose tests count too, in a row `accepts_tests_of`.
    pub accepts: Option<Jurisdiction>,
    /// Where it is printed, 1 to 300 characters.
    pub source: String,
    pub mark: Mark,
    /// The sentence of a caution, 1 to 400 characters.
    pub notes: Option<String>,
}

/// The boiler that a row is looked up for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Subject {
    pub material: Material,
    pub band: Band,
    /// None: rows that ask for a first service do not apply.
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

/// The row in force on `day` for the boiler: of those that apply the one that began last. Among rows of one first day one that
/// names a material beats one that does not, then a band, then a first service; whatever order the rows come in.
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

/// The band of a size (bar-litres) by the rows in force on `day`; `main` where the code has no bands.
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
