//! The rows of the codes.

use crate::{OURS, question, random};
use outshop_core::{
    boilers::{
        boiler::Material,
        codes::{self, Band, Effect, Mark, Rule, RuleKey, RuleUnit, Subject},
        papers::{self, Question},
    },
    days::Day,
};
use rust_decimal::Decimal;

fn day(text: &str) -> Day {
    text.parse().expect("a day")
}

#[test]
fn every_seeded_row_has_a_source_and_a_value_that_fits_its_unit() {
    let rules = codes::seed();
    for row in &rules {
        assert!((1..=120).contains(&row.code.chars().count()), "{row:?}");
        assert!((1..=300).contains(&row.source.chars().count()), "{row:?}");
        assert!(
            row.notes
                .as_ref()
                .is_none_or(|notes| (1..=400).contains(&notes.chars().count())),
            "{row:?}"
        );
        match row.unit {
            RuleUnit::ForLife | RuleUnit::Yes => assert_eq!(row.value, None, "{row:?}"),
            RuleUnit::Months | RuleUnit::Minutes | RuleUnit::Days => assert!(
                row.value
                    .is_some_and(|n| n > Decimal::ZERO && n.is_integer()),
                "{row:?}"
            ),
            RuleUnit::TimesWorkingPressure
            | RuleUnit::Bar
            | RuleUnit::BarLitres
            | RuleUnit::Litres => {
                assert!(row.value.is_some_and(|n| n > Decimal::ZERO), "{row:?}");
            }
        }
        assert!(
            row.rule != RuleKey::Caution || row.notes.is_some(),
            "{row:?}"
        );
    }
    for (i, row) in rules.iter().enumerate() {
        assert!(!rules[..i].contains(row), "twice: {row:?}");
    }
    for place in ["GB", "CH", "US-OH", "US-NE", "US-MI", "US-MN", "CA-ON"] {
        assert!(
            rules.iter().any(|row| row.jurisdiction.as_str() == place),
            "{place}"
        );
    }
}

/// Values that were not read in print are marked: the limit of 1100 bar-litres is from memory, the seven years one
/// tester's statement, the interval of other materials not found.
#[test]
fn rows_that_were_not_read_in_print_are_marked() {
    let marked: Vec<(RuleKey, Mark)> = codes::seed()
        .into_iter()
        .filter(|row| row.mark != Mark::Published && row.jurisdiction.as_str() == "GB")
        .map(|row| (row.rule, row.mark))
        .collect();
    assert_eq!(
        marked,
        [
            (RuleKey::HydraulicInterval, Mark::NotFound),
            (RuleKey::ExternalExaminationInterval, Mark::LowConfidence),
            (RuleKey::HydraulicAfterRepairMayAsk, Mark::PlainReading),
            (RuleKey::OutsideAbove, Mark::FromMemory),
        ]
    );
}

/// A row that names a material, then a band, takes priority; a row is in force on its first and its last day.
#[test]
fn of_rows_of_one_first_day_the_most_specific_one_is_used() {
    let seed = codes::seed();
    let like = |months: u32, material, band, from: Option<&str>, until: Option<&str>| Rule {
        value: Some(months.into()),
        material,
        band,
        valid_from: from.map(day),
        valid_until: until.map(day),
        ..seed
            .iter()
            .find(|row| row.rule == RuleKey::SteamInterval)
            .expect("a steam row")
            .clone()
    };
    let rows = [
        like(12, None, Some(Band::Small), None, None),
        like(6, Some(Material::Brass), None, None, None),
        like(14, None, None, None, Some("2020-12-31")),
        like(13, None, None, Some("2021-01-01"), None),
    ];
    let found = |material, band, on| {
        let subject = Subject {
            material,
            band,
            first_service_on: None,
        };
        let rows: Vec<&Rule> = rows.iter().rev().collect();
        codes::in_force(&rows, RuleKey::SteamInterval, subject, day(on)).and_then(|row| row.value)
    };
    assert_eq!(
        found(Material::Copper, Band::Main, "2020-12-31"),
        Some(14.into())
    );
    assert_eq!(
        found(Material::Copper, Band::Main, "2021-01-01"),
        Some(13.into())
    );
    assert_eq!(
        found(Material::Copper, Band::Small, "2020-12-31"),
        Some(12.into())
    );
    assert_eq!(
        found(Material::Brass, Band::Small, "2020-12-31"),
        Some(6.into())
    );
    // A row that began later replaces all of them.
    assert_eq!(
        found(Material::Brass, Band::Small, "2021-01-01"),
        Some(13.into())
    );
}

/// A club that shortens its steam certificate from a day on does not change certificates issued before: the rules on
/// the day of the test apply (plain reading). The clock knows nothing of the 14 months.
#[test]
fn a_changed_row_applies_only_to_later_tests() {
    let mut rules = codes::seed();
    let steam = rules
        .iter()
        .position(|row| row.rule == RuleKey::SteamInterval && row.band.is_none())
        .expect("a steam row");
    let shorter = Rule {
        value: Some(12.into()),
        valid_from: Some(day("2024-01-01")),
        ..rules[steam].clone()
    };
    rules[steam].valid_until = Some(day("2023-12-31"));
    rules.push(shorter);
    let asked = question(
        "GB copper 90 psi 8.0 L 2010-04-01",
        &[
            "hydraulic_repeat 2022-05-14",
            "steam 2023-12-31",
            "steam 2024-01-01",
        ],
    );
    assert_eq!(asked["boiler"]["number"], OURS);
    let asked: Question = serde_json::from_value(asked).expect("a question");
    let ends: Vec<Option<Day>> = papers::answer(&asked, &rules)
        .papers
        .iter()
        .map(|paper| paper.until)
        .collect();
    assert_eq!(
        ends,
        ["2026-05-14", "2025-02-28", "2025-01-01"].map(|end| Some(day(end)))
    );
}

/// A code that requires the external examination, as a club may, blocks where the seeded row only warns.
#[test]
fn an_effect_is_data_too() {
    let mut rules = codes::seed();
    for row in rules
        .iter_mut()
        .filter(|row| row.rule == RuleKey::ExternalExaminationInterval)
    {
        row.effect = Effect::Blocks;
    }
    let mut asked = question(
        "GB steel 90 psi 8.0 L 2010-04-01",
        &["hydraulic_repeat 2024-05-14", "steam 2024-05-15"],
    );
    asked["days"] = serde_json::json!(["2024-05-15"]);
    let asked: Question = serde_json::from_value(asked).expect("a question");
    let told = |rules: &[Rule]| {
        papers::answer(&asked, rules).days[0]
            .reasons
            .iter()
            .map(|it| it.as_str())
            .collect::<Vec<_>>()
    };
    assert_eq!(told(&codes::seed()), [""; 0]);
    assert_eq!(told(&rules), ["external_examination_missing"]);
}

/// A row that changes no answer is never read: each changes one of many random histories, or the gate's answer about
/// evidence.
#[test]
fn every_seeded_row_changes_some_answer() {
    let rules = codes::seed();
    for (i, row) in rules.iter().enumerate() {
        if row.rule == RuleKey::EvidenceOfPastUse {
            // The gates' row: `readiness` has its test.
            continue;
        }
        let mut without = rules.clone();
        without.remove(i);
        let changes = (0..40_000_u64).any(|seed| {
            let mut random = random::Random(seed.wrapping_mul(0x2545_f491_4f6c_dd1d));
            let mut question = random::question(&mut random);
            question.jurisdiction = row.jurisdiction.clone();
            question.boiler.material = row.material.unwrap_or(question.boiler.material);
            question.days = vec![random::first_day().plus_days(3000)];
            papers::answer(&question, &rules) != papers::answer(&question, &without)
        });
        assert!(changes, "no history tells {row:?}");
    }
}

/// Of rows that apply on a day the one that began last is used: a stricter general row of 2024 replaces an earlier
/// copper row. Of rows with the same first day the more specific one is used. Plain reading: a later rule replaces an
/// earlier one.
#[test]
fn the_row_that_began_last_is_used() {
    let subject = Subject {
        material: Material::Copper,
        band: Band::Main,
        first_service_on: None,
    };
    let row = |from: Option<&str>, material: Option<Material>, months: i64| Rule {
        valid_from: from.map(day),
        material,
        value: Some(Decimal::from(months)),
        ..codes::seed()
            .into_iter()
            .find(|row| row.rule == RuleKey::HydraulicInterval && row.band == Some(Band::Main))
            .expect("a row")
    };
    let copper_2020 = row(Some("2020-01-01"), Some(Material::Copper), 48);
    let general_2024 = row(Some("2024-01-01"), None, 24);
    let copper_2024 = row(Some("2024-01-01"), Some(Material::Copper), 36);
    let ever = row(None, Some(Material::Copper), 60);
    let used = |rows: &[&Rule], on: &str| {
        let row = codes::in_force(rows, RuleKey::HydraulicInterval, subject, day(on));
        row.and_then(|row| row.value).map(|value| value.to_string())
    };
    let three = [&copper_2020, &general_2024, &ever];
    assert_eq!(used(&three, "2019-12-31").as_deref(), Some("60"));
    assert_eq!(used(&three, "2023-12-31").as_deref(), Some("48"));
    assert_eq!(used(&three, "2024-01-01").as_deref(), Some("24"));
    let four = [&copper_2024, &copper_2020, &general_2024, &ever];
    assert_eq!(used(&four, "2024-01-01").as_deref(), Some("36"));
}
