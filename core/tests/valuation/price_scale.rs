//! The firm's price scale, compared with prices worked by hand, and properties of every price scale.

use outshop_core::{
    engines::{
        engine::{BuilderStanding, Fuel, IncludedItem, Kind, WorkingOrder},
        surveys::{Area, BuildQuality, Grade},
    },
    money::Money,
    pricing::{
        price_scale::{
            Factor, GaugeRange, NoPrice, NotARatio, PriceScale, PriceScaleFault, PriceScalePrice,
            PriceScaleTerms, Ratio, ScaleRange, Start, Warning, value,
        },
        pricing_facts::{Feature, Included, Papers, PricingFacts},
    },
};
use proptest::prelude::{Just, Strategy, prop_assert, prop_assert_eq, proptest};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use std::{fmt, str::FromStr};

fn read<T: FromStr<Err: fmt::Debug>>(text: &str) -> T {
    text.parse().expect(text)
}

fn start(kind: Kind, gauge: &str, price: &str) -> Start {
    Start {
        kind,
        gauge: Some(GaugeRange {
            from: read(gauge),
            to: read(gauge),
        }),
        scale: None,
        price: read(price),
    }
}

fn by_scale(from: &str, to: &str, price: &str) -> Start {
    Start {
        kind: Kind::RoadEngine,
        gauge: None,
        scale: Some(ScaleRange {
            from: read(from),
            to: read(to),
        }),
        price: read(price),
    }
}

fn factor(feature: Feature, level: &str, factor: &str) -> Factor {
    Factor {
        feature,
        level: level.to_owned(),
        factor: read(factor),
    }
}

fn terms(starts: Vec<Start>, factors: Vec<Factor>) -> PriceScaleTerms {
    PriceScaleTerms {
        version: 3,
        from: read("2026-01-01"),
        uncertainty: read("0.25"),
        starts,
        factors,
    }
}

fn price_scale(price: &str, factors: Vec<Factor>) -> PriceScale {
    PriceScale::new(terms(vec![start(Kind::Locomotive, "5 in", price)], factors))
        .expect("a price scale")
}

fn engine() -> PricingFacts {
    PricingFacts {
        gauge: Some(read("127 mm")),
        build_quality: Some(BuildQuality::Fine),
        grades: [(Area::Boiler, Grade::Good), (Area::Motion, Grade::Worn)].into(),
        builder: Some(BuilderStanding::Amateur),
        papers: Some(Papers::InDate),
        included_items: [(IncludedItem::Trolley, Included::Included)].into(),
        ..PricingFacts::of(Kind::Locomotive)
    }
}

fn fully_known() -> PricingFacts {
    PricingFacts {
        grades: Area::ALL.iter().map(|area| (*area, Grade::Fair)).collect(),
        fuel: Some(Fuel::Coal),
        included_items: IncludedItem::ALL
            .iter()
            .map(|item| (*item, Included::Included))
            .collect(),
        working_order: Some(WorkingOrder::InRunningOrder),
        ..engine()
    }
}

fn effects(price: &PriceScalePrice) -> Vec<String> {
    price
        .steps
        .iter()
        .map(|step| step.effect.to_string())
        .collect()
}

/// 1.6448536 and 1.2815516 are the 0.95 and 0.9 quantiles of the standard normal distribution (published tables): 1.25
/// to the power 1.6448536/1.2815516 is 1.331627, so 90% are between 6200 / 1.331627 and 6200 x 1.331627.
#[test]
fn a_wider_share_has_a_wider_range() {
    let found = value(&price_scale("6200.00", vec![]), &engine()).expect("a price");
    assert_eq!(found.range_at(80), Ok((found.low, found.high)));
    let (low, high) = found.range_at(90).expect("a range");
    let close = |found: Money, right: f64| {
        let found = found.decimal().to_f64().expect("a float");
        assert!((found - right).abs() < 0.02, "{found} for {right}");
    };
    close(low, 4655.96);
    close(high, 8256.09);
    let chance = |price: &str| found.chance_above(read(price));
    assert!((chance("6200.00") - 0.5).abs() < 1e-9);
    assert!((chance("7750.00") - 0.1).abs() < 1e-6, "the end of the 80%");
    assert!((found.ln() - 6200_f64.ln()).abs() < 1e-12);
}

/// Sales comparison by multiplying factors (market approach of the International Valuation Standards; constructed
/// arithmetic): 6200 x 1.05 x 0.96, 5400 x 1.10 x 1.02, 7000 x 0.92.
#[test]
fn the_likely_price_is_the_base_price_times_the_factors() {
    let (better, worse) = (Feature::BuildQuality, Feature::Motion);
    for (price, factors, likely) in [
        (
            "6200.00",
            vec![(better, "fine", "1.05"), (worse, "worn", "0.96")],
            "6249.60",
        ),
        (
            "5400.00",
            vec![(better, "fine", "1.10"), (Feature::Boiler, "good", "1.02")],
            "6058.80",
        ),
        ("7000.00", vec![(worse, "worn", "0.92")], "6440.00"),
    ] {
        let factors = factors
            .into_iter()
            .map(|(f, level, by)| factor(f, level, by))
            .collect();
        let price = value(&price_scale(price, factors), &engine()).expect("a price");
        assert_eq!(price.likely.to_string(), likely);
    }
}

/// Arithmetic of likely / (1 + u) and likely x (1 + u): u = 0.25 on 6249.60.
#[test]
fn the_range_is_the_stated_uncertainty_of_the_price_scale() {
    let price_scale = price_scale("6249.60", vec![]);
    let price = value(&price_scale, &engine()).expect("a price");
    assert_eq!((price.low, price.high), (read("4999.68"), read("7812.00")));
    assert_eq!((price.range_percent, price.price_scale_version), (80, 3));
    assert_eq!((effects(&price), price.start), (vec![], price.likely));
    assert_eq!(
        price.warnings,
        [Warning::PriceScaleOnly {
            uncertainty: read("0.25")
        }]
    );
}

/// By hand from effect = L(P, P0) ln factor (Ang 2005): equal factors have equal effects, 4 has twice the logarithm of
/// 2, and of 2 and 1/2 each is worth P ln 2.
#[test]
fn effects_follow_the_logarithmic_mean() {
    for (price, build, motion, expected) in [
        ("100.00", "2", "2", ["150.00", "150.00"]),
        ("100.00", "4", "2", ["466.67", "233.33"]),
        ("100.00", "2", "0.5", ["69.31", "-69.31"]),
        ("1000.00", "1", "1.1", ["0.00", "100.00"]),
    ] {
        let factors = vec![
            factor(Feature::BuildQuality, "fine", build),
            factor(Feature::Motion, "worn", motion),
        ];
        let price = value(&price_scale(price, factors), &engine()).expect("a price");
        assert_eq!(effects(&price), expected, "{build} and {motion}");
    }
}

/// Three equal parts of 331.00: the odd penny goes to the first.
#[test]
fn odd_pennies_go_to_the_largest_remainders() {
    let factors = vec![
        factor(Feature::Papers, "in_date", "1.1"),
        factor(Feature::BuildQuality, "fine", "1.1"),
        factor(Feature::Motion, "worn", "1.1"),
    ];
    let price = value(&price_scale("1000.00", factors), &engine()).expect("a price");
    assert_eq!(price.likely.to_string(), "1331.00");
    assert_eq!(effects(&price), ["110.34", "110.33", "110.33"]);
}

#[test]
fn an_unknown_fact_is_listed_and_never_guessed() {
    let factors = vec![
        factor(Feature::Frames, "defective", "0.8"),
        factor(Feature::Trolley, "included", "1.02"),
        factor(Feature::Fuel, "coal", "1.10"),
        factor(Feature::Box, "included", "1.01"),
    ];
    let price = value(&price_scale("1000.00", factors), &engine()).expect("a price");
    assert_eq!(price.likely.to_string(), "1020.00");
    assert_eq!(
        price.missing,
        [Feature::Frames, Feature::Fuel, Feature::Box]
    );
    let warnings: Vec<_> = price.warnings.iter().map(ToString::to_string).collect();
    assert_eq!(warnings[1], "frames: not known, no factor applied.");
    assert_eq!(warnings.len(), 4);
    assert!(warnings.iter().all(|warning| warning.len() <= 200));
}

#[test]
fn a_level_without_a_factor_is_a_step_that_changes_nothing() {
    let factors = vec![factor(Feature::BuildQuality, "rough", "0.6")];
    let price = value(&price_scale("1000.00", factors), &engine()).expect("a price");
    let step = &price.steps[0];
    assert_eq!(
        (step.level, step.factor, step.effect),
        ("fine", read("1"), Money::ZERO)
    );
    assert_eq!((price.likely, price.missing), (price.start, vec![]));
}

#[test]
fn outside_the_price_scale_there_is_no_price() {
    let price_scale = PriceScale::new(terms(
        vec![
            start(Kind::Locomotive, "5 in", "6000.00"),
            by_scale("2 in to the foot", "3 in to the foot", "8000.00"),
            Start {
                kind: Kind::Stationary,
                gauge: None,
                scale: None,
                price: read("400.00"),
            },
        ],
        vec![],
    ))
    .expect("a price scale");
    let ask = |kind, gauge: Option<&str>, scale: Option<&str>| {
        let engine = PricingFacts {
            gauge: gauge.map(read),
            scale: scale.map(read),
            ..PricingFacts::of(kind)
        };
        value(&price_scale, &engine).map(|price| price.likely.to_string())
    };
    let (loco, road) = (Kind::Locomotive, Kind::RoadEngine);
    assert_eq!(ask(loco, Some("5 in"), None), Ok("6000.00".to_owned()));
    assert_eq!(
        ask(loco, Some("5.001 in"), None),
        Err(NoPrice::NoStartForSize { kind: loco })
    );
    assert_eq!(
        ask(loco, None, Some("1:8")),
        Err(NoPrice::GaugeNotKnown { kind: loco })
    );
    assert_eq!(
        ask(road, None, Some("1:6")),
        Ok("8000.00".to_owned()),
        "2 in to the foot"
    );
    assert_eq!(
        ask(road, None, Some("1:4")),
        Ok("8000.00".to_owned()),
        "3 in to the foot"
    );
    assert_eq!(
        ask(road, None, Some("1:3.9")),
        Err(NoPrice::NoStartForSize { kind: road })
    );
    assert_eq!(
        ask(road, Some("5 in"), None),
        Err(NoPrice::ScaleNotKnown { kind: road })
    );
    assert_eq!(
        ask(Kind::Stationary, None, None),
        Ok("400.00".to_owned()),
        "any size"
    );
    assert_eq!(
        ask(Kind::Other, None, None),
        Err(NoPrice::NoStartForKind { kind: Kind::Other })
    );
}

#[test]
fn an_amount_out_of_range_is_refused() {
    let factors = Area::ALL
        .iter()
        .map(|area| factor(read(area.as_str()), "fair", "1000"))
        .collect();
    let price_scale = price_scale("9999999999.99", factors);
    assert_eq!(
        value(&price_scale, &fully_known()),
        Err(NoPrice::OutOfRange)
    );
}

#[test]
fn a_contradictory_price_scale_is_refused_with_all_its_errors() {
    // Each base price and each factor has an error of its own.
    let both = Start {
        gauge: Some(GaugeRange {
            from: read("5 in"),
            to: read("5 in"),
        }),
        ..by_scale("1 in to the foot", "2 in to the foot", "1.00")
    };
    let faults = PriceScale::new(PriceScaleTerms {
        version: 0,
        ..terms(
            vec![
                start(Kind::Locomotive, "5 in", "6000.00"),
                start(Kind::Locomotive, "127 mm", "0.00"),
                by_scale("3 in to the foot", "2 in to the foot", "8000.00"),
                both,
                Start {
                    kind: Kind::RoadEngine,
                    gauge: None,
                    scale: None,
                    price: read("1.00"),
                },
            ],
            vec![
                factor(Feature::Boiler, "fine", "1.1"),
                factor(Feature::Boiler, "good", "1.1"),
                factor(Feature::Boiler, "good", "1.2"),
            ],
        )
    })
    .expect_err("faults");

    // All errors are reported at once, each with its place.
    let given: Vec<_> = faults
        .iter()
        .map(|fault| (fault.pointer(), fault.clone()))
        .collect();
    assert_eq!(
        given,
        [
            ("/version".to_owned(), PriceScaleFault::Version),
            (
                "/starts/1/price".to_owned(),
                PriceScaleFault::PriceNotAboveNought { start: 1 }
            ),
            (
                "/starts/1".to_owned(),
                PriceScaleFault::Overlap {
                    start: 1,
                    earlier: 0
                }
            ),
            (
                "/starts/2".to_owned(),
                PriceScaleFault::RangeTurnedRound { start: 2 }
            ),
            (
                "/starts/3".to_owned(),
                PriceScaleFault::BothMeasures { start: 3 }
            ),
            (
                "/starts/4".to_owned(),
                PriceScaleFault::AnotherMeasure {
                    start: 4,
                    earlier: 2
                }
            ),
            (
                "/factors/0/level".to_owned(),
                PriceScaleFault::UnknownLevel {
                    factor: 0,
                    feature: Feature::Boiler,
                    allowed: "as_new, good, fair, worn, defective".to_owned(),
                }
            ),
            (
                "/factors/2".to_owned(),
                PriceScaleFault::Twice {
                    factor: 2,
                    earlier: 1
                }
            ),
        ]
    );

    // A price scale without a base price, and one with too many factors.
    let empty = PriceScale::new(terms(vec![], vec![])).expect_err("no base price");
    assert_eq!(empty, [PriceScaleFault::StartCount]);
    let many = vec![factor(Feature::Fuel, "coal", "1"); PriceScale::MOST + 1];
    let starts = vec![start(Kind::Locomotive, "5 in", "1.00")];
    assert_eq!(
        PriceScale::new(terms(starts, many)),
        Err(vec![PriceScaleFault::FactorCount])
    );
}

#[test]
fn only_plain_numbers_above_0_are_factors() {
    for (text, shown) in [
        ("1.05", "1.05"),
        ("1.050", "1.05"),
        ("0.000001", "0.000001"),
        ("1000", "1000"),
    ] {
        assert_eq!(read::<Ratio>(text).to_string(), shown);
    }
    for bad in [
        "0",
        "0.0",
        "-1",
        "1000.1",
        "1e1",
        "1.",
        ".5",
        "",
        "1.0000001",
        "+1",
        "NaN",
        "1.2.3",
        "01000.5",
    ] {
        assert_eq!(bad.parse::<Ratio>(), Err(NotARatio), "{bad}");
    }
}

#[test]
fn a_price_scale_is_read_back_as_it_was_written() {
    let terms = terms(
        vec![by_scale("2 in to the foot", "1:4", "8000.00")],
        vec![factor(Feature::Papers, "not_in_date", "0.85")],
    );
    let wire = serde_json::to_string(&terms).expect("json");
    assert_eq!(
        serde_json::from_str::<PriceScaleTerms>(&wire).expect("read"),
        terms
    );
}

/// Factors from 0.2 to 5 for any of the features, in any order.
fn any_factors() -> impl Strategy<Value = Vec<Factor>> {
    proptest::collection::vec(
        proptest::option::of(200_000_i64..5_000_000),
        Feature::ALL.len(),
    )
    .prop_map(|millionths| {
        Feature::ALL
            .iter()
            .zip(millionths)
            .filter_map(|(feature, millionths)| {
                Some(Factor {
                    feature: *feature,
                    level: fully_known().level(*feature)?.to_owned(),
                    factor: read(&Decimal::new(millionths?, 6).to_string()),
                })
            })
            .collect()
    })
}

proptest! {
    #[test]
    fn steps_add_up_to_the_penny(pennies in 1_i128..1_000_000_000, factors in any_factors()) {
        let start = Money::from_pennies(pennies).expect("in range").to_string();
        if let Ok(price) = value(&price_scale(&start, factors.clone()), &fully_known()) {
            let effects = price.steps.iter().map(|step| step.effect);
            prop_assert_eq!(Money::sum(effects.chain([price.start])), Ok(price.likely));
            prop_assert!(price.low <= price.likely && price.likely <= price.high);
            prop_assert_eq!(price.steps.len(), factors.len());
            for step in price.steps {
                let raises = step.factor.decimal() > Decimal::ONE;
                let effect = step.effect.pennies();
                prop_assert!(if raises { effect >= 0 } else { effect <= 0 }, "{step:?}");
            }
        }
    }

    #[test]
    fn the_order_of_the_price_scale_does_not_matter(
        (rows, shuffled) in any_factors()
            .prop_flat_map(|rows| (Just(rows.clone()), Just(rows).prop_shuffle()))
    ) {
        let price = |rows| value(&price_scale("6200.00", rows), &fully_known());
        prop_assert_eq!(price(rows), price(shuffled));
    }
}
