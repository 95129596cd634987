//! Working figures, compared with textbooks and with their own formulas reversed.

use outshop_core::{
    engines::{
        engine::{EngineFacts, Kind},
        working_figures::{Fact, Figure, Limit, TractiveEffort, radius_of_curve, working_figures},
    },
    units::{Force, Length, Mass, Pressure, Volume, four_places, nought_or_more},
};
use proptest::prelude::{Strategy, prop_assert, proptest};
use rust_decimal::Decimal;
use serde_json::{Value, json};

fn read<T: std::str::FromStr<Err: std::fmt::Debug>>(text: &str) -> T {
    text.parse().expect(text)
}

fn decimal(text: &str) -> Decimal {
    Decimal::from_str_exact(text).expect(text)
}

fn cylinders(count: u8, bore: &str, stroke: &str, wheel: &str) -> EngineFacts {
    EngineFacts {
        cylinders: Some(count),
        bore: Some(read(&format!("{bore} in"))),
        stroke: Some(read(&format!("{stroke} in"))),
        driving_wheel_diameter: Some(read(&format!("{wheel} in"))),
        ..EngineFacts::of(Kind::Locomotive)
    }
}

fn effort(engine: &EngineFacts, psi: &str) -> TractiveEffort {
    working_figures(engine, Some(&read(&format!("{psi} psi"))), None)
        .tractive_effort
        .expect("a locomotive has one")
}

/// A small 0-6-0 for 5 in gauge.
fn small_engine() -> EngineFacts {
    EngineFacts {
        gauge: Some(read("5 in")),
        adhesive_weight: Some(read("100 lb")),
        weight: Some(read("150 lb")),
        rigid_wheelbase: Some(read("12 in")),
        side_play: Some(read("0.060 in")),
        ..cylinders(2, "1.5", "2.0", "4.5")
    }
}

/// Wheelbase^2 / (8 x 0) is not a number: arithmetic.
#[test]
fn without_side_play_there_is_no_curve_and_the_answer_says_so() {
    let rigid = EngineFacts {
        side_play: nought_or_more(json!({"value": "0", "unit": "in"})).expect("nought"),
        ..small_engine()
    };
    let curve = working_figures(&rigid, None, None).smallest_curve;
    let curve = curve.expect("a locomotive");
    assert_eq!((curve.radius_in, curve.radius_m), (None, None));
    assert_eq!(curve.basis.missing, []);
    assert!(curve.basis.estimate.contains("cannot go round any curve"));
    let usual = working_figures(&small_engine(), None, None).smallest_curve;
    let usual = usual.expect("a locomotive");
    assert!(usual.radius_in.is_some() && !usual.basis.estimate.contains("any curve"));
}

/// At most 0.25 x 100 lb = 25 lb of pull; 1700 lb need 25.5 lb on the level (0.015) and 900 lb need 31.5 lb at 1 in 50
/// (0.035), 22.5 lb at 1 in 100 (0.025): arithmetic.
#[test]
fn an_engine_that_cannot_move_itself_says_so() {
    let of_weight = |weight: &str| {
        let engine = EngineFacts {
            weight: Some(read(weight)),
            ..small_engine()
        };
        let load = working_figures(&engine, Some(&read("80 psi")), None).load;
        load.expect("a locomotive")
    };
    let heavy = of_weight("1700 lb");
    assert!(
        heavy
            .caution
            .is_some_and(|it| it.contains("even on the level"))
    );
    assert_eq!(
        heavy.on_the_level_lb.map(Figure::exact),
        Some(Decimal::ZERO)
    );
    let hill = of_weight("900 lb");
    assert!(hill.caution.is_some_and(|it| it.contains("1 in 50")));
    assert_eq!(of_weight("150 lb").caution, None);
    let unknown = working_figures(&EngineFacts::of(Kind::Locomotive), None, None).load;
    assert_eq!(unknown.expect("a locomotive").caution, None);
}

/// Nominal tractive efforts as published for the classes, within 0.05%.
#[test]
fn the_formula_gives_the_published_tractive_efforts() {
    for (class, count, bore, stroke, psi, wheel, published_lbf) in [
        ("LMS class 5 4-6-0", 2, "18.5", "28", "225", "72", 25_455),
        ("WD 2-8-0", 2, "19", "28", "225", "56.5", 34_215),
        ("LNER A4 4-6-2", 3, "18.5", "26", "250", "80", 35_455),
        ("LNER P2 2-8-2", 3, "21", "26", "220", "74", 43_462),
        ("SR LN 4-6-0", 4, "16.5", "26", "220", "79", 33_510),
        ("UP 4-8-8-4", 4, "23.75", "32", "300", "68", 135_375),
    ] {
        let engine = cylinders(count, bore, stroke, wheel);
        let lbf = effort(&engine, psi).lbf.expect(class).exact();
        let published = Decimal::from(published_lbf);
        let off = ((lbf - published) / published).abs();
        assert!(
            off <= decimal("0.0005"),
            "{class}: {lbf} against {published}"
        );
    }
}

/// N&W class J of 1941: 80000 lbf as printed, 84981 by the formula; reported and not refused.
#[test]
fn a_stated_tractive_effort_that_does_not_fit_is_reported() {
    let engine = EngineFacts {
        stated_tractive_effort: Some(read("80000 lbf")),
        ..cylinders(2, "27", "32", "70")
    };
    let effort = effort(&engine, "300");
    assert_eq!(
        effort.lbf.expect("a figure").exact().round(),
        Decimal::from(84_981)
    );
    let differs = effort.stated_differs_percent.expect("a difference").exact();
    assert_eq!(
        differs.round_dp(2),
        decimal("-5.86"),
        "(80000 - 84981) / 84981"
    );
    assert!(
        effort
            .basis
            .inputs
            .iter()
            .any(|input| input.value == "80000 lbf")
    );
}

/// 25455 lbf is 113.23 kN as published for the LMS class 5; 4.4482216152605 N to the pound-force, NIST SP 811.
#[test]
fn the_effort_is_given_in_newtons_too() {
    let newtons = effort(&cylinders(2, "18.5", "28", "72"), "225")
        .n
        .expect("a figure");
    assert_eq!(
        (newtons.exact() / Decimal::ONE_THOUSAND).round_dp(2),
        decimal("113.23")
    );
}

/// Arithmetic of the stated formula with mu 0.25 and r 0.015 (common practice, no source).
#[test]
fn loads_of_a_small_engine() {
    let figures = working_figures(&small_engine(), Some(&read("90 psi")), None);
    let load = figures.load.expect("a locomotive has one");
    let pounds = |figure: Option<Figure>| figure.expect("a figure").exact().round();
    let effort = figures.tractive_effort.expect("one").lbf.expect("a figure");
    assert_eq!(serde_json::to_value(effort).expect("text"), "76.5");
    assert_eq!(pounds(load.on_the_level_lb), Decimal::from(1517));
    assert_eq!(pounds(load.at_1_in_100_lb), Decimal::from(850));
    assert_eq!(pounds(load.at_1_in_50_lb), Decimal::from(564));
    assert_eq!(
        load.at_1_in_100_kg.map(|kg| four_places(kg.exact())),
        Some("385.5535".to_owned())
    );
    assert_eq!(load.limited_by, Some(Limit::Adhesion));
    let factor = figures
        .factor_of_adhesion
        .expect("one")
        .factor
        .expect("a figure");
    assert_eq!(four_places(factor.exact()), "1.3072", "100 / 76.5");
}

/// Arithmetic: with little steam the cylinders are the limit, and an engine that cannot move itself hauls nothing.
#[test]
fn a_weak_engine_is_limited_by_its_cylinders_and_never_hauls_less_than_nothing() {
    let load = |psi: &str| {
        working_figures(&small_engine(), Some(&read(psi)), None)
            .load
            .expect("a locomotive has one")
    };
    let weak = load("10 psi");
    assert_eq!(weak.limited_by, Some(Limit::TractiveEffort));
    // 8.5 lbf: (8.5 - 150 x .015) / .015
    assert_eq!(
        weak.on_the_level_lb.map(|lb| four_places(lb.exact())),
        Some("416.6667".to_owned())
    );
    assert_eq!(
        load("1 psi").at_1_in_50_lb.map(Figure::exact),
        Some(Decimal::ZERO)
    );
}

/// A builder's published curve: 7000 mm radius shows "a little under 40" mm, 35.088 by the formula, on a 1400 mm chord.
#[test]
fn a_curve_is_measured_by_chord_and_versine() {
    let radius = radius_of_curve(decimal("1400"), decimal("35.088")).expect("a radius");
    assert!(
        (radius - decimal("7000")).abs() <= decimal("0.1"),
        "{radius}"
    );
    assert_eq!(radius_of_curve(Decimal::ONE, Decimal::ZERO), None);
}

/// Arithmetic of L^2 / (8 s) + s / 2.
#[test]
fn smallest_curves() {
    for (wheelbase, side_play, inches) in [
        ("12 in", "0.060 in", "300.03"),
        ("12 in", "0.125 in", "144.06"),
        ("15 in", "3/32 in", "300.05"),
    ] {
        let engine = EngineFacts {
            rigid_wheelbase: Some(read(wheelbase)),
            side_play: Some(read(side_play)),
            ..EngineFacts::of(Kind::Locomotive)
        };
        let curve = working_figures(&engine, None, None)
            .smallest_curve
            .expect("one");
        let exact = |figure: Option<Figure>| figure.expect("a figure").exact();
        assert_eq!(
            exact(curve.radius_in).round_dp(2),
            decimal(inches),
            "{wheelbase}"
        );
        assert_eq!(
            exact(curve.radius_mm).round_dp(6),
            (exact(curve.radius_in) * decimal("25.4")).round_dp(6)
        );
        assert_eq!(
            exact(curve.radius_m) * Decimal::ONE_THOUSAND,
            exact(curve.radius_mm)
        );
    }
}

/// Arithmetic with exact factors; 1 imperial pint at 80 psi is over 3 bar-litres by a club boiler officer's published
/// rule of thumb.
#[test]
fn bar_litres_of_known_boilers() {
    for (volume, pressure, bar_litres) in [
        ("1 pt_imp", "80 psi", "3.1344"),
        ("1 pt_imp", "76 psi", "2.9777"),
        ("8.0 L", "90 psi", "49.6423"),
        ("30 L", "100 psi", "206.8427"),
        ("150 L", "120 psi", "1241.0563"),
    ] {
        let engine = EngineFacts::of(Kind::Stationary);
        let size = working_figures(&engine, Some(&read(pressure)), Some(&read(volume))).boiler_size;
        assert_eq!(
            size.bar_litres.map(|size| four_places(size.exact())),
            Some(bar_litres.to_owned())
        );
    }
}

/// NIST SP 811 and the figures printed beside it.
#[test]
fn units_are_exact() {
    assert_eq!(
        read::<Pressure>("120 psi").base().round_dp(6),
        decimal("8.273709")
    );
    assert_eq!(read::<Length>("1 in").base(), decimal("25.4"));
    assert_eq!(read::<Volume>("1 in3").base(), decimal("0.016387064"));
    assert_eq!(read::<Volume>("1 gal_imp").base(), decimal("4.54609"));
    assert_eq!(read::<Volume>("1 gal_us").base(), decimal("3.785411784"));
    assert_eq!(read::<Mass>("1 lb").base(), decimal("0.45359237"));
    assert_eq!(read::<Force>("1 lbf").base(), decimal("4.4482216152605"));
    assert_eq!(
        read::<Pressure>("1 psi").base(),
        decimal("0.06894757293168361")
    );
}

/// HSE leaflet INDG143, from memory: 25 kg is the highest guideline figure.
#[test]
fn the_caution_about_lifting_changes_above_the_guideline_figure() {
    let lifting = |weight: Option<Mass>| {
        let engine = EngineFacts {
            weight,
            ..EngineFacts::of(Kind::Locomotive)
        };
        working_figures(&engine, None, None).lifting
    };
    let caution = |weight: &str| lifting(Some(read(weight))).caution;
    assert_eq!(caution("25 kg"), caution("3 kg"));
    assert_eq!(caution("25.001 kg"), caution("150 lb"));
    assert_ne!(caution("25 kg"), caution("25.001 kg"));
    assert_ne!(lifting(None).caution, caution("25 kg"));
}

#[test]
fn missing_facts_are_listed_and_never_guessed() {
    let engine = EngineFacts {
        bore: None,
        adhesive_weight: None,
        ..small_engine()
    };
    let figures = working_figures(&engine, None, None);
    let effort = figures.tractive_effort.expect("one");
    assert_eq!((effort.lbf, effort.n), (None, None));
    assert_eq!(effort.basis.missing, [Fact::Bore, Fact::WorkingPressure]);
    let load = figures.load.expect("one");
    assert_eq!((load.on_the_level_lb, load.limited_by), (None, None));
    assert_eq!(
        load.basis.missing,
        [Fact::Bore, Fact::WorkingPressure, Fact::AdhesiveWeight]
    );
    assert_eq!(
        figures.boiler_size.basis.missing,
        [Fact::WorkingPressure, Fact::BoilerVolume]
    );
}

#[test]
fn a_road_engine_has_no_figures_for_rails() {
    let engine = EngineFacts {
        kind: Kind::RoadEngine,
        scale: Some(read("3 in to the foot")),
        ..small_engine()
    };
    let figures = working_figures(&engine, Some(&read("90 psi")), None);
    assert_eq!((figures.tractive_effort, figures.load), (None, None));
    assert_eq!(
        (figures.factor_of_adhesion, figures.smallest_curve),
        (None, None)
    );
    assert_eq!(figures.scale.scales[0].one_to.exact(), Decimal::from(4));
}

#[test]
fn figures_are_sent_as_strings_with_their_inputs() {
    let figures = working_figures(&small_engine(), Some(&read("90 psi")), Some(&read("2 L")));
    let wire = serde_json::to_value(&figures).expect("json");
    assert_eq!(wire["tractive_effort"]["n"], "340.289");
    assert_eq!(
        wire["tractive_effort"]["basis"]["inputs"],
        json!([
            {"fact": "cylinders", "value": "2"},
            {"fact": "bore", "value": "1.5 in"},
            {"fact": "stroke", "value": "2.0 in"},
            {"fact": "driving_wheel_diameter", "value": "4.5 in"},
            {"fact": "working_pressure", "value": "90 psi"},
        ])
    );
    let scales = wire["scale"]["scales"].as_array().expect("scales");
    let told: Vec<_> = scales
        .iter()
        .map(|scale| (&scale["one_to"], &scale["from"]))
        .collect();
    assert_eq!(
        told,
        [
            (&json!("11.2941"), &json!("british_practice")),
            (&json!("11"), &json!("nem_010")),
        ]
    );
    assert!(texts(&wire).iter().all(|text| text.chars().count() <= 400));
}

fn texts(value: &Value) -> Vec<&str> {
    match value {
        Value::String(text) => vec![text],
        Value::Array(items) => items.iter().flat_map(texts).collect(),
        Value::Object(members) => members.values().flat_map(texts).collect(),
        Value::Null | Value::Bool(_) | Value::Number(_) => Vec::new(),
    }
}

fn any_number() -> impl Strategy<Value = String> {
    r"[1-9][0-9]{0,8}|0\.0{0,5}[1-9]|[0-9]{1,9}\.[0-9]{0,5}[1-9]|[0-9]{1,9} [1-9]/128"
}

proptest! {
    /// The widest numbers that can be written, in the widest units.
    #[test]
    fn no_facts_make_the_figures_panic(
        numbers in proptest::collection::vec(any_number(), 10), cylinders: u8, feet: bool,
    ) {
        let unit = if feet { "ft" } else { "mm" };
        let length = |n: usize| Some(read(&format!("{} {unit}", numbers[n])));
        let engine = EngineFacts {
            gauge: length(0),
            prototype_gauge: length(1),
            cylinders: Some(cylinders),
            bore: length(2),
            stroke: length(3),
            driving_wheel_diameter: length(4),
            rigid_wheelbase: length(5),
            side_play: length(6),
            weight: Some(read(&format!("{} cwt_uk", numbers[7]))),
            adhesive_weight: Some(read(&format!("{} kg", numbers[8]))),
            stated_tractive_effort: Some(read(&format!("{} N", numbers[9]))),
            ..EngineFacts::of(Kind::Locomotive)
        };
        let pressure = read(&format!("{} bar", numbers[0]));
        let volume = read(&format!("{} gal_imp", numbers[1]));
        let figures = working_figures(&engine, Some(&pressure), Some(&volume));
        let load = figures.load.expect("a locomotive has one");
        prop_assert!(load.on_the_level_lb >= load.at_1_in_50_lb, "a gradient never helps");
    }
}
