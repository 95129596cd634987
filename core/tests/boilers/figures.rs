//! Bar-litres, bands and test pressures.

use crate::{ask, question};
use outshop_core::boilers::codes::Band;

/// Arithmetic on the factors of NIST SP 811; the bands are those of the British code (under 3 bar-litres published, a
/// club boiler officer's rule of thumb; above 1100 from memory).
#[test]
fn size_and_band() {
    for (boiler, bar_litres, band) in [
        ("GB copper 80 psi 1 pt_imp -", "3.1344", Band::Main),
        ("GB copper 76 psi 1 pt_imp -", "2.9777", Band::Small),
        ("GB copper 90 psi 8.0 L -", "49.6423", Band::Main),
        ("GB copper 100 psi 30 L -", "206.8427", Band::Main),
        ("GB copper 120 psi 150 L -", "1241.0563", Band::OutsideCode),
        ("GB copper 3 bar 1 L -", "3", Band::Main),
        ("GB copper 2.999999 bar 1 L -", "3", Band::Small),
        ("GB copper 11 bar 100 L -", "1100", Band::Main),
        (
            "GB copper 11.000001 bar 100 L -",
            "1100.0001",
            Band::OutsideCode,
        ),
        ("CH copper 1 bar 1 L -", "1", Band::Main),
    ] {
        let answer = ask(&question(boiler, &[]));
        assert_eq!(
            (answer.bar_litres.as_str(), answer.band),
            (bar_litres, band),
            "{boiler}"
        );
    }
}

/// First 2 x, repeat 1.5 x, rise of at most 10% (British code, published); the figures are arithmetic. Ohio 1.25 x.
#[test]
fn test_pressures() {
    for (boiler, first, repeat, limit) in [
        (
            "GB copper 80 psi 8 L -",
            "160 psi 11.0316",
            "120 psi 8.2737",
            "88 psi 6.0674",
        ),
        (
            "GB copper 90 psi 8 L -",
            "180 psi 12.4106",
            "135 psi 9.3079",
            "99 psi 6.8258",
        ),
        (
            "US-OH steel 100 psi 8 L -",
            "125 psi 8.6184",
            "125 psi 8.6184",
            "none",
        ),
        (
            "US-NE steel 100 psi 8 L -",
            "none",
            "none",
            "106 psi 7.3084",
        ),
    ] {
        let required = ask(&question(boiler, &[])).required;
        let shown = [
            required.hydraulic_first,
            required.hydraulic_repeat,
            required.steam_limit,
        ]
        .map(|pressure| {
            pressure.map_or("none".to_owned(), |p| {
                format!("{} {} {}", p.value, p.unit, p.bar)
            })
        });
        assert_eq!(shown, [first, repeat, limit], "{boiler}");
    }
}

/// Figures follow the last change of working pressure, tests the pressure on their own day (plain reading).
#[test]
fn figures_follow_the_last_change() {
    let answer = ask(&question(
        "GB copper 90 psi 8.0 L -",
        &["change 2024-01-01 80", "change 2023-01-01 100"],
    ));
    assert_eq!(
        answer.required.hydraulic_first.map(|p| p.value),
        Some("160".to_owned())
    );
    assert_eq!(answer.bar_litres, "44.1264");
}
