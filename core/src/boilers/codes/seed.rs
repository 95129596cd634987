//! The boiler-code rules that a new firm starts with: what was found in print, each with its confidence.
//!
//! A migration enters them in the database, and they are changed there. The running service does not use this list.

use super::{Band, Effect, Jurisdiction, Mark, Rule, RuleKey, RuleUnit};
use crate::{boilers::boiler::Material, days::Day};
use rust_decimal::Decimal;

/// Every rule for which a source was found, by jurisdiction.
pub fn seed() -> Vec<Rule> {
    [gb(), ch(), us_oh(), us_ne(), us_mi(), us_mn(), ca_on()].concat()
}

const GB: Code = Code {
    jurisdiction: "GB",
    name: "miniature boiler test code",
    source: "The Examination & Testing of Miniature Steam Boilers, rev. 2012; The Boiler Test Code 2018",
};
/// Volume 2 of the 2018 code, for boilers under 3 bar-litres, took effect on this day.
const SMALL_FROM: Day = Day::constant(2018, 5, 1);

fn gb() -> Vec<Rule> {
    use Material::{Brass, Copper, Steel};
    use RuleKey as Key;
    let small = "The Boiler Test Code 2018, volume 2 (under 3 bar-litres)";
    let statute = "Pressure Systems Safety Regulations 2000 (SI 2000/128)";
    vec![
        GB.row(Key::HydraulicFirstFactor, times("2")),
        GB.row(Key::HydraulicRepeatFactor, times("1.5")),
        GB.row(Key::HydraulicHold, minutes(10)),
        GB.row(Key::HydraulicInterval, months(48))
            .of(Copper)
            .sized(Band::Main),
        GB.row(Key::HydraulicFirstInterval, months(48))
            .of(Steel)
            .sized(Band::Main)
            .first_in_service_from(Day::constant(2006, 1, 1)),
        GB.row(Key::HydraulicInterval, months(24))
            .of(Steel)
            .sized(Band::Main),
        GB.row(Key::HydraulicFirstInterval, months(36))
            .of(Brass)
            .sized(Band::Small)
            .from(SMALL_FROM)
            .printed_in("The Boiler Test Code 2018, volume 2, as reported by a society that wrote it"),
        GB.row(Key::HydraulicInterval, months(36))
            .of(Brass)
            .sized(Band::Small)
            .from(SMALL_FROM)
            .printed_in("The Boiler Test Code 2018, volume 2, as reported by a society that wrote it"),
        GB.row(Key::HydraulicInterval, months(24))
            .printed_in("not found: the shorter interval of the code")
            .marked(Mark::NotFound),
        GB.row(Key::ExternalExaminationInterval, months(84))
            .of(Steel)
            .from(SMALL_FROM)
            .only_watched()
            .printed_in("The Boiler Test Code 2018, as one tester states it: cladding off every 7 years")
            .marked(Mark::LowConfidence),
        GB.row(Key::SteamInterval, months(14)),
        GB.row(Key::SteamInterval, months(12))
            .sized(Band::Small)
            .from(SMALL_FROM)
            .printed_in(small),
        GB.row(Key::SteamLimitFactor, times("1.1")),
        GB.row(Key::HydraulicAfterRepairMayAsk, times("2"))
            .only_watched()
            .printed_in("plain reading: a repaired boiler may need the initial test again")
            .marked(Mark::PlainReading),
        GB.row(Key::InspectorIndependent, yes())
            .only_watched()
            .printed_in("published practice of model-engineering clubs")
            .notes("The inspector must be independent, with no commercial interest in the sale."),
        GB.row(Key::SmallBelow, bar_litres(3))
            .from(SMALL_FROM)
            .printed_in(small),
        GB.row(Key::HydraulicFirstInterval, for_life())
            .sized(Band::Small)
            .from(SMALL_FROM)
            .printed_in(small),
        GB.row(Key::HydraulicAfterRepairFactor, times("2"))
            .sized(Band::Small)
            .from(SMALL_FROM)
            .printed_in(small),
        GB.row(Key::GasTankOnceBelow, litres("0.25"))
            .from(SMALL_FROM)
            .printed_in("The Boiler Test Code 2018, volume 3 (LPG tanks under 250 ml)"),
        GB.row(Key::OutsideAbove, bar_litres(1100))
            .printed_in("from memory: scope of the code; above it a competent person under SI 2000/128")
            .marked(Mark::FromMemory),
        GB.row(Key::EvidenceOfPastUse, yes())
            .first_in_service_from(Day::constant(2002, 5, 31))
            .printed_in("Directive 2014/68/EU and the Pressure Equipment (Safety) Regulations 2016, as a federation officer reads them"),
        GB.row(Key::Caution, yes()).printed_in(statute).notes(
            "The Pressure Systems Safety Regulations 2000 apply to systems used at work: a dealer who steams engines in the course of business is at work.",
        ),
        GB.row(Key::Caution, yes())
            .printed_in("published practice of model-engineering clubs")
            .notes("Boiler certificates are not normally accepted abroad: the engine will need certificates from the country it goes to."),
    ]
}

fn ch() -> Vec<Rule> {
    use RuleKey as Key;
    let ch = Code {
        jurisdiction: "CH",
        name: "gauge-1 society rule",
        source: "boiler rule of a Swiss gauge-1 society",
    };
    vec![
        ch.row(Key::HydraulicFirstFactor, times("2")),
        ch.row(Key::HydraulicRepeatFactor, times("1.5")),
        ch.row(Key::HydraulicAfterRepairFactor, times("2")),
        ch.row(Key::HydraulicInterval, months(48)),
        ch.row(Key::FittingsVoidHydraulic, yes()).notes(
            "After any repair or change to the boiler the initial test must be repeated, except after replacing a gauge glass.",
        ),
        ch.row(Key::GaugeGlassExcepted, yes()),
        ch.row(Key::GasTankPressure, bar(20)),
        ch.row(Key::GasTankInterval, months(120)),
    ]
}

fn us_oh() -> Vec<Rule> {
    let oh = Code {
        jurisdiction: "US-OH",
        name: "historical boilers",
        source: "Ohio rules for historical boilers",
    };
    vec![
        oh.row(RuleKey::HydraulicRepeatFactor, times("1.25")),
        oh.row(RuleKey::HydraulicInterval, months(36)),
        oh.row(RuleKey::ReportWithin, days(15))
            .only_watched()
            .printed_in("Ohio rules for historical boilers, from memory: the report of a test within 15 days")
            .marked(Mark::FromMemory),
    ]
}

fn us_ne() -> Vec<Rule> {
    let ne = Code {
        jurisdiction: "US-NE",
        name: "boiler rules, miniature and hobby boilers",
        source: "229 NAC 23-003",
    };
    vec![
        ne.row(RuleKey::SteamLimitFactor, times("1.06"))
            .printed_in("229 NAC 5-002"),
        ne.row(RuleKey::ExternalExaminationInterval, months(24)),
        ne.row(RuleKey::InternalExaminationInterval, months(48)),
        ne.hobby_exemption(),
    ]
}

fn us_mi() -> Vec<Rule> {
    let mi = Code {
        jurisdiction: "US-MI",
        name: "boiler code rules, hobby locomotive boilers",
        source: "R 339.5248",
    };
    vec![
        mi.row(RuleKey::HydraulicInterval, months(36)),
        mi.row(RuleKey::HydraulicMostFactor, times("1.5")),
        mi.row(RuleKey::HydraulicRepeatFactor, times("1"))
            .printed_in("plain reading: R 339.5248 gives only a highest pressure; a test below the working pressure proves nothing")
            .marked(Mark::PlainReading),
        mi.row(RuleKey::SafetyValveSetMost, times("1.1"))
            .notes("Two safety valves are required, set at most 10% above the working pressure."),
        mi.hobby_exemption(),
    ]
}

fn us_mn() -> Vec<Rule> {
    let mn = Code {
        jurisdiction: "US-MN",
        name: "historical and hobby boilers",
        source: "Minnesota Statutes 326B.956",
    };
    vec![
        mn.row(RuleKey::HydraulicInterval, months(24)),
        mn.row(RuleKey::UltrasonicInterval, months(24)),
        mn.row(RuleKey::HydraulicAndUltrasonicInTurn, yes()),
        mn.row(RuleKey::HydraulicRepeatFactor, times("1"))
            .printed_in("plain reading: no pressure was found; a test below the working pressure proves nothing")
            .marked(Mark::PlainReading),
        mn.hobby_exemption(),
    ]
}

fn ca_on() -> Vec<Rule> {
    let on = Code {
        jurisdiction: "CA-ON",
        name: "hobby boilers",
        source: "Ontario rules for hobby boilers",
    };
    vec![on.hobby_exemption()]
}

/// What the rules of one code have in common.
struct Code {
    jurisdiction: &'static str,
    name: &'static str,
    source: &'static str,
}

impl Code {
    fn row(&self, rule: RuleKey, (value, unit): (Option<Decimal>, RuleUnit)) -> Rule {
        Rule {
            jurisdiction: Jurisdiction(self.jurisdiction.to_owned()),
            code: self.name.to_owned(),
            rule,
            material: None,
            band: None,
            first_service_from: None,
            value,
            unit,
            effect: Effect::Blocks,
            valid_from: None,
            valid_until: None,
            accepts: None,
            source: self.source.to_owned(),
            mark: Mark::Published,
            notes: None,
        }
    }

    fn hobby_exemption(&self) -> Rule {
        self.row(RuleKey::HobbyExemptionExcludesCommercialUse, yes())
            .only_watched()
    }
}

impl Rule {
    fn of(self, material: Material) -> Rule {
        let material = Some(material);
        Rule { material, ..self }
    }

    fn sized(self, band: Band) -> Rule {
        let band = Some(band);
        Rule { band, ..self }
    }

    fn first_in_service_from(self, day: Day) -> Rule {
        let first_service_from = Some(day);
        Rule {
            first_service_from,
            ..self
        }
    }

    fn from(self, day: Day) -> Rule {
        let valid_from = Some(day);
        Rule { valid_from, ..self }
    }

    fn only_watched(self) -> Rule {
        let effect = Effect::Warning;
        Rule { effect, ..self }
    }

    fn printed_in(self, source: &str) -> Rule {
        let source = source.to_owned();
        Rule { source, ..self }
    }

    fn marked(self, mark: Mark) -> Rule {
        Rule { mark, ..self }
    }

    fn notes(self, notes: &str) -> Rule {
        let notes = Some(notes.to_owned());
        Rule { notes, ..self }
    }
}

type Value = (Option<Decimal>, RuleUnit);

fn times(factor: &str) -> Value {
    (
        Decimal::from_str_exact(factor).ok(),
        RuleUnit::TimesWorkingPressure,
    )
}

fn litres(volume: &str) -> Value {
    (Decimal::from_str_exact(volume).ok(), RuleUnit::Litres)
}

fn minutes(n: u32) -> Value {
    (Some(n.into()), RuleUnit::Minutes)
}

fn days(n: u32) -> Value {
    (Some(n.into()), RuleUnit::Days)
}

fn months(n: u32) -> Value {
    (Some(n.into()), RuleUnit::Months)
}

fn bar(n: u32) -> Value {
    (Some(n.into()), RuleUnit::Bar)
}

fn bar_litres(n: u32) -> Value {
    (Some(n.into()), RuleUnit::BarLitres)
}

fn for_life() -> Value {
    (None, RuleUnit::ForLife)
}

fn yes() -> Value {
    (None, RuleUnit::Yes)
}
