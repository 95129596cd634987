//! Wheel arrangements, scales and gauges, compared with published figures.

use outshop_core::{
    engines::engine::{
        EngineFacts, Kind, NotAScale, NotWhyte, Scale, ScaleBasis, ScaleEstimate, Whyte,
        is_same_gauge, is_sought_gauge, scale_estimates,
    },
    units::{Length, four_places},
};
use rust_decimal::Decimal;

/// Glossaries of railway terms: Whyte counts wheels, in even numbers, in at least three groups.
#[test]
fn whyte_counts_wheels_in_three_groups_or_more() {
    for (text, leading, coupled, trailing) in [
        ("4-6-0", 4, 6, 0),
        ("0-6-0PT", 0, 6, 0),
        ("4-8-8-4", 4, 16, 4),
        ("2-6-0+0-6-2", 2, 12, 2),
        ("4-6-2+2-6-4T", 4, 12, 4),
        ("0-4-0F", 0, 4, 0),
        ("2-8-8-8-4", 2, 24, 4),
        ("4-14-4", 4, 14, 4),
    ] {
        let whyte: Whyte = text.parse().expect(text);
        assert_eq!(
            (whyte.leading(), whyte.coupled(), whyte.trailing()),
            (leading, coupled, trailing),
            "{text}"
        );
        assert_eq!(whyte.to_string(), text);
        let wire = serde_json::to_string(&whyte).expect("text");
        assert_eq!(serde_json::from_str::<Whyte>(&wire).expect("read"), whyte);
    }
}

#[test]
fn a_text_that_is_no_wheel_arrangement_is_refused() {
    for bad in [
        "4-5-0",
        "0-0-0",
        "4-6",
        "6",
        "",
        "-",
        "--",
        "4-6-0X",
        "4-6-0TT",
        "4-6-0 ",
        "04-6-0",
        "4-06-0",
        "4-6-0+",
        "+4-6-0",
        "2-6-0+6-2",
        "2-6-0+0-6-2+0-6-2",
        "4-0-4",
        "20-6-0",
        "4-6-0-",
        "-4-6-0",
        "2-8-8-8-8-2",
        "4–6–0",
        "PT",
        "4-6-256",
    ] {
        assert_eq!(bad.parse::<Whyte>(), Err(NotWhyte), "{bad}");
    }
}

fn of_gauge(gauge: &str) -> EngineFacts {
    EngineFacts {
        gauge: Some(gauge.parse().expect(gauge)),
        ..EngineFacts::of(Kind::Locomotive)
    }
}

fn estimate(gauge: &str, basis: ScaleBasis) -> ScaleEstimate {
    *scale_estimates(&of_gauge(gauge))
        .iter()
        .find(|estimate| estimate.basis == basis)
        .expect(gauge)
}

/// NEM 010 (MOROP, 2011): scale and model gauge for standard gauge prototypes.
#[test]
fn nem_010_gives_the_scale_for_its_gauges() {
    for (gauge, one_to) in [
        ("45 mm", "32"),
        ("64 mm", "22.5"),
        ("89 mm", "16"),
        ("127 mm", "11"),
        ("184 mm", "8"),
        ("260 mm", "5.5"),
    ] {
        let found = estimate(gauge, ScaleBasis::Nem010);
        assert_eq!(found.one_to.to_string(), one_to, "{gauge}");
    }
}

/// Usual British and North American practice: common practice, no published source.
#[test]
fn practice_gives_inches_to_the_foot() {
    use ScaleBasis::{BritishPractice, NorthAmericanPractice};
    for (gauge, mm, inches, one_to, basis) in [
        ("2 1/2 in", "63.5", "0.5313", "22.6", BritishPractice),
        ("3 1/2 in", "88.9", "0.75", "16.0", BritishPractice),
        ("5 in", "127", "1.0625", "11.3", BritishPractice),
        ("7 1/4 in", "184.15", "1.5", "8.0", BritishPractice),
        ("4 3/4 in", "120.65", "1", "12.0", NorthAmericanPractice),
        ("7 1/2 in", "190.5", "1.5", "8.0", NorthAmericanPractice),
    ] {
        let found = estimate(gauge, basis);
        assert_eq!(four_places(found.inches_to_the_foot()), inches, "{gauge}");
        assert_eq!(
            format!("{:.1}", found.one_to.round_dp(1)),
            one_to,
            "{gauge}"
        );
        assert_eq!(
            four_places(gauge.parse::<Length>().expect(gauge).base()),
            mm
        );
    }
}

/// 12 x model gauge / prototype gauge: 2 ft on 7 1/4 in is 3.625 in to the foot (arithmetic).
#[test]
fn the_scale_of_a_narrow_gauge_engine_follows_from_both_gauges() {
    let engine = EngineFacts {
        prototype_gauge: Some("2 ft".parse().expect("a length")),
        ..of_gauge("7 1/4 in")
    };
    let [found] = scale_estimates(&engine)[..] else {
        panic!("one estimate");
    };
    assert_eq!(found.basis, ScaleBasis::PrototypeGauge);
    assert_eq!(four_places(found.inches_to_the_foot()), "3.625");
}

/// Road engines are described by inches to the foot, 1:12/scale: 3 in is 1:4 (common practice, no source).
#[test]
fn a_road_engine_has_only_the_scale_that_is_stated() {
    let stated = EngineFacts {
        scale: Some("3 in to the foot".parse().expect("a scale")),
        ..EngineFacts::of(Kind::RoadEngine)
    };
    let [found] = scale_estimates(&stated)[..] else {
        panic!("one estimate");
    };
    assert_eq!(
        (found.one_to, found.basis),
        (Decimal::from(4), ScaleBasis::Stated)
    );

    let gauge_only = EngineFacts {
        kind: Kind::RoadEngine,
        ..of_gauge("7 1/4 in")
    };
    assert_eq!(scale_estimates(&gauge_only), []);
}

/// Published, the page not recorded: a 7 1/4 in engine does not run on 7 1/2 in track.
#[test]
fn a_quarter_of_an_inch_is_another_gauge() {
    let gauge = |text: &str| text.parse::<Length>().expect(text);
    assert!(!is_same_gauge(&gauge("7 1/4 in"), &gauge("7 1/2 in")));
    assert!(!is_same_gauge(&gauge("4 3/4 in"), &gauge("5 in")));
    assert!(is_same_gauge(&gauge("7 1/4 in"), &gauge("184 mm")));
    assert!(is_same_gauge(&gauge("2 1/2 in"), &gauge("64 mm")));
}

/// The rows of NEM 010 and the inches of British practice for one track.
#[test]
fn a_gauge_is_found_however_it_is_written() {
    let mm = |text: &str| text.parse::<Decimal>().expect(text);
    for (sought, gauge, is_meant) in [
        ("184.15", "184", true),
        ("184", "184.15", true),
        ("88.9", "89", true),
        ("184", "184.2", true),
        ("184", "184.2001", false),
        ("63.5", "64", false),
        ("184.15", "190.5", false),
        ("-79228162514264337593543950335", "184", false),
    ] {
        assert_eq!(
            is_sought_gauge(mm(sought), mm(gauge)),
            is_meant,
            "{sought} {gauge}"
        );
    }
}

#[test]
fn an_unusual_gauge_gives_no_scale() {
    assert_eq!(scale_estimates(&of_gauge("100 mm")), []);
    assert_eq!(scale_estimates(&EngineFacts::of(Kind::Locomotive)), []);
}

#[test]
fn a_scale_is_kept_as_it_was_written() {
    for (text, one_to) in [
        ("1:8", "8"),
        ("1:11.3", "11.3"),
        ("1 1/2 in to the foot", "8"),
        ("3/4 in to the foot", "16"),
        ("12 in to the foot", "1"),
        ("1:1", "1"),
        ("1:1000", "1000"),
    ] {
        let scale: Scale = text.parse().expect(text);
        assert_eq!(scale.to_string(), text);
        assert_eq!(scale.one_to().normalize().to_string(), one_to, "{text}");
    }
    for bad in [
        "",
        "8",
        "1:",
        "1:0",
        "1:0.5",
        "1:1001",
        "2:8",
        "1: 8",
        "1:8 ",
        "0 in to the foot",
        " in to the foot",
        "13 in to the foot",
        "0.001 in to the foot",
        "3 in",
        "1:-8",
        "1:1e3",
    ] {
        assert_eq!(bad.parse::<Scale>(), Err(NotAScale), "{bad}");
    }
}

proptest::proptest! {
    #[test]
    fn no_text_makes_whyte_or_scale_panic(text in r"[0-9:+\-. /TSPWCFinto hef]{0,24}") {
        if let Ok(whyte) = text.parse::<Whyte>() {
            proptest::prop_assert_eq!(whyte.to_string(), text.clone());
        }
        if let Ok(scale) = text.parse::<Scale>() {
            proptest::prop_assert!(scale.inches_to_the_foot() <= Decimal::from(12));
        }
    }
}
