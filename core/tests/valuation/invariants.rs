//! Properties of valuations, whatever the sales are.

use crate::made_up::{Spread, row, sales, schema};
use outshop_core::{
    money::Money,
    pricing::valuation::{
        Fit, FitError, FitOptions, Sale, SaleFault, StoredFit, Value, Warning, conformal_quantile,
        factor, fit, money_steps,
    },
};
use proptest::prelude::*;

fn fitted(sales: &[Sale]) -> Fit {
    fit(&schema(), sales, &FitOptions::default()).expect("a fit")
}

#[track_caller]
fn same(found: f64, right: f64) {
    assert!((found / right - 1.0).abs() < 1e-9, "{found} for {right}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// For every ordinal feature and every engine, whatever the sales say.
    #[test]
    fn a_better_grade_never_lowers_the_price(seed in any::<u64>(), n in 8_usize..40, noise in 0.0..2.0_f64) {
        let mut given = sales(n, seed);
        let mut spread = Spread(seed ^ 1);
        for sale in &mut given {
            sale.price *= f64::exp(noise * (spread.next() - 0.5));
        }
        let fit = fitted(&given);
        for _ in 0..5 {
            let asked = row(&mut spread);
            for ordinal in [2, 3] {
                let mut before = 0.0;
                for level in 0..5 {
                    let mut graded = asked.clone();
                    graded[ordinal] = Value::Level(level);
                    let likely = fit.predict(&graded, 0.0, 0.8).expect("a price").likely;
                    prop_assert!(likely >= before * (1.0 - 1e-12), "{likely} after {before}");
                    before = likely;
                }
            }
        }
    }

    #[test]
    fn the_order_of_sales_does_not_matter(seed in any::<u64>(), n in 8_usize..40) {
        let given = sales(n, seed);
        let mut turned = given.clone();
        turned.reverse();
        turned.rotate_left(n / 3);
        let (one, other) = (fitted(&given), fitted(&turned));
        prop_assert_eq!(one.stored(), other.stored());
        let asked = row(&mut Spread(seed));
        prop_assert_eq!(one.predict(&asked, 0.0, 0.8), other.predict(&asked, 0.0, 0.8));
    }

    /// Effects, and the pennies calculated from them, add up to the penny.
    #[test]
    fn steps_add_up_to_the_penny(seed in any::<u64>(), start in 1_i128..100_000_000) {
        let fit = fitted(&sales(20, seed));
        let explained = fit.ask(&row(&mut Spread(seed))).expect("reasons").explain(0.0);
        let lns: Vec<f64> = explained.effects.iter().map(|effect| effect.ln / 10.0).collect();
        let start = Money::from_pennies(start).expect("an amount");
        let end = start.pennies() as f64 * lns.iter().sum::<f64>().exp();
        let end = Money::from_pennies(end.round() as i128).expect("an amount");
        let steps = money_steps(start, end, &lns).expect("steps");
        let sum = Money::sum(std::iter::once(start).chain(steps)).expect("a sum");
        prop_assert_eq!(sum, end);
    }
}

/// Plain reading, no source: a price in pence is a hundred times that in pounds.
#[test]
fn another_unit_of_currency_scales_the_answer() {
    let given = sales(30, 5);
    let mut in_pence = given.clone();
    for sale in &mut in_pence {
        sale.price *= 100.0;
    }
    let asked = row(&mut Spread(9));
    let pounds = fitted(&given).predict(&asked, 0.0, 0.8).expect("a price");
    let pence = fitted(&in_pence)
        .predict(&asked, 0.0, 0.8)
        .expect("a price");
    // The search stops within its tolerance of the optimum, not at the same digit.
    for (pounds, pence) in [
        (pounds.low, pence.low),
        (pounds.likely, pence.likely),
        (pounds.high, pence.high),
    ] {
        assert!(
            (pence / pounds / 100.0 - 1.0).abs() < 1e-6,
            "{pence} {pounds}"
        );
    }
}

#[test]
fn a_correct_price_scale_is_left_unchanged() {
    let mut given = sales(30, 6);
    for sale in &mut given {
        sale.price_scale_ln = sale.price.ln();
    }
    let fit = fitted(&given);
    let found = fit
        .predict(&row(&mut Spread(3)), 5000_f64.ln(), 0.8)
        .expect("a price");
    same(found.likely, 5000.0);
}

#[test]
fn a_stored_fit_answers_as_before() {
    let given = sales(60, 7);
    let fit = fitted(&given);
    let text = serde_json::to_string(fit.stored()).expect("JSON");
    let stored: StoredFit = serde_json::from_str(&text).expect("a stored fit");
    let mut turned = given.clone();
    turned.reverse();
    let again = Fit::from_stored(stored.clone(), &turned).expect("a fit");
    let mut spread = Spread(8);
    for _ in 0..10 {
        let asked = row(&mut spread);
        let (one, other) = (
            fit.predict(&asked, 0.0, 0.8),
            again.predict(&asked, 0.0, 0.8),
        );
        same(one.expect("a price").low, other.expect("a price").low);
    }

    turned[0].price += 1.0;
    assert_eq!(
        Fit::from_stored(stored.clone(), &turned).err(),
        Some(FitError::OtherSales)
    );
    assert_eq!(
        Fit::from_stored(stored.clone(), &given[1..]).err(),
        Some(FitError::OtherSales)
    );
    let mut spoilt = stored;
    spoilt.hyperparameters[0] = f64::NAN;
    assert_eq!(
        Fit::from_stored(spoilt, &given).err(),
        Some(FitError::Unreadable)
    );
}

/// Arithmetic of Barber, Candes, Ramdas, Tibshirani, Annals of Statistics 49(1) (2021) 486-507.
#[test]
fn a_range_needs_enough_sales() {
    let scores = [30.0, 40.0, 75.0, 95.0, 120.0, 150.0, 205.0, 260.0, 310.0];
    assert_eq!(conformal_quantile(&scores, 0.1), Some(310.0));
    assert_eq!(conformal_quantile(&scores, 0.2), Some(260.0));
    assert_eq!(conformal_quantile(&scores, 0.5), Some(120.0));
    assert_eq!(conformal_quantile(&scores[..8], 0.1), None);
    assert!(factor(&scores[..8], 0.9).few_sales);
    assert!(!factor(&scores, 0.9).few_sales);
}

#[test]
fn a_missing_fact_widens_the_range_and_is_named() {
    let fit = fitted(&sales(60, 11));
    let mut spread = Spread(12);
    let known = loop {
        let row = row(&mut spread);
        if !row.contains(&Value::Missing) {
            break row;
        }
    };
    let sd = |row: &_| fit.predict(row, 0.0, 0.8).expect("a price").ln_sd;
    for (f, feature) in schema().features().iter().enumerate() {
        let mut asked = known.clone();
        asked[f] = Value::Missing;
        assert!(sd(&asked) > sd(&known), "{}", feature.name);
        let narrowing = fit.ask(&asked).expect("an answer").what_would_narrow();
        assert!(narrowing.len() <= 1);
        if let [only] = &narrowing[..] {
            assert_eq!(only.feature, feature.name);
            assert!(only.share > 0.0 && only.share < 1.0);
        }
    }
    assert_eq!(fit.ask(&known).expect("an answer").what_would_narrow(), []);
}

#[test]
fn comparables_end_at_their_adjusted_price() {
    let given = sales(40, 13);
    let fit = fitted(&given);
    let asked = given[4].row.clone();
    let found = fit.ask(&asked).expect("comparables").comparables(0.0, 5);
    assert_eq!(found.len(), 5);
    assert_eq!(found[0].sale, 4, "the same engine has the most weight");
    for comparable in &found {
        assert_eq!(
            comparable.price.to_bits(),
            given[comparable.sale].price.to_bits()
        );
        let factors: f64 = comparable.steps.iter().map(|step| step.factor).product();
        same(comparable.adjusted, comparable.price * factors);
        let ln_mean = |row| fit.ask(row).expect("reasons").explain(0.0).ln_mean;
        let had = ln_mean(&given[comparable.sale].row);
        let wanted = ln_mean(&asked);
        assert!((comparable.adjusted.ln() - comparable.price.ln() - (wanted - had)).abs() < 1e-6);
    }
    assert_eq!(found[0].steps, [], "nothing to adjust");
}

#[test]
fn a_warning_is_given_if_the_sales_do_not_cover_the_engine() {
    let fit = fitted(&sales(60, 14));
    let asked = vec![
        Value::Number(50.0),
        Value::Number(1.0),
        Value::Level(2),
        Value::Level(2),
        Value::Name("ship".to_owned()),
        Value::Years(2040.0),
    ];
    let found = fit.predict(&asked, 0.0, 0.8).expect("a price");
    let feature = |name: &str| name.to_owned();
    assert_eq!(
        fit.ask(&asked).expect("an answer").warnings(&found),
        [
            Warning::BeyondSales {
                feature: feature("size")
            },
            Warning::FewOfThatName {
                feature: feature("kind"),
                sales: 0
            },
            Warning::FarFromAnySale {
                feature: feature("day")
            },
        ]
    );
    let eight = fitted(&sales(8, 15));
    let found = eight.predict(&asked, 0.0, 0.95).expect("a price");
    assert!(
        eight
            .ask(&asked)
            .expect("an answer")
            .warnings(&found)
            .contains(&Warning::FewSales { sales: 8 })
    );
}

/// If there are enough of them, only the nearest sales matter: using all of 60 sales or the 60 nearest is the same.
#[test]
fn very_many_sales_are_valued_from_the_nearest() {
    let given = sales(80, 16);
    let options = FitOptions {
        most_learned: 60,
        nearest: 80,
        ..FitOptions::default()
    };
    let fit = fit(&schema(), &given, &options).expect("a fit");
    assert_eq!(fit.stored().noise_weights.len(), 60);
    let asked = given[3].row.clone();
    let found = fit.predict(&asked, 0.0, 0.8).expect("a price");
    assert!(found.low < found.likely && found.likely < found.high);
    let comparables = fit.ask(&asked).expect("comparables").comparables(0.0, 80);
    assert_eq!(
        comparables.len(),
        80,
        "all sales count, not only the sample"
    );

    let few = FitOptions {
        nearest: 20,
        ..options
    };
    let few = outshop_core::pricing::valuation::fit(&schema(), &given, &few).expect("a fit");
    assert_eq!(
        few.ask(&asked)
            .expect("comparables")
            .comparables(0.0, 80)
            .len(),
        20
    );
    let near = few.predict(&asked, 0.0, 0.8).expect("a price");
    assert!(
        (near.likely / found.likely).ln().abs() < found.ln_sd,
        "{near:?} {found:?}"
    );
}

fn refusal(given: &[Sale]) -> FitError {
    fit(&schema(), given, &FitOptions::default()).expect_err("a refusal")
}

#[test]
fn a_bad_sale_is_refused_with_its_number() {
    let good = sales(10, 17);
    let nought = FitError::Sale(SaleFault::PriceNotAboveNought { sale: 3 });
    for price in [0.0, -5.0, f64::NAN, f64::INFINITY] {
        let mut given = good.clone();
        given[3].price = price;
        assert_eq!(refusal(&given), nought);
    }
    assert_eq!(refusal(&good[..7]), FitError::TooFewSales { given: 7 });
    assert_eq!(refusal(&[]), FitError::TooFewSales { given: 0 });
    for value in [
        Value::Number(f64::NAN),
        Value::Number(1e300),
        Value::Level(1),
    ] {
        let mut given = good.clone();
        given[3].row[0] = value;
        let found = refusal(&given);
        assert!(
            matches!(found, FitError::Sale(SaleFault::Row { sale: 3, .. })),
            "{found}"
        );
    }
    let mut given = good.clone();
    given[3].row[2] = Value::Level(5);
    assert!(matches!(
        refusal(&given),
        FitError::Sale(SaleFault::Row { sale: 3, .. })
    ));
    let mut given = good.clone();
    given[3].row.pop();
    assert!(matches!(
        refusal(&given),
        FitError::Sale(SaleFault::Row { sale: 3, .. })
    ));
}

#[track_caller]
fn sound(fit: &Fit, asked: &[Value]) {
    let found = fit.predict(&asked.to_vec(), 0.0, 0.8).expect("a price");
    for number in [found.low, found.likely, found.high, found.ln_sd] {
        assert!(number.is_finite() && number > 0.0, "{found:?}");
    }
    assert!(found.low <= found.likely && found.likely <= found.high);
}

#[test]
fn odd_sales_give_sound_numbers() {
    let nothing = vec![Value::Missing; 6];
    let eight_alike = vec![sales(1, 18)[0].clone(); 8];
    sound(&fitted(&eight_alike), &nothing);
    sound(&fitted(&eight_alike), &eight_alike[0].row);

    let mut one_valued = sales(30, 19);
    for sale in &mut one_valued {
        sale.row[0] = Value::Number(0.1);
        sale.row[4] = Value::Name("locomotive".to_owned());
    }
    sound(&fitted(&one_valued), &nothing);

    let mut unknown = sales(12, 20);
    for sale in &mut unknown {
        sale.row = nothing.clone();
    }
    sound(&fitted(&unknown), &nothing);
    sound(&fitted(&unknown), &sales(1, 21)[0].row);

    let mut far_apart = sales(30, 22);
    far_apart[0].price = 1e-300;
    far_apart[1].price = 1e300;
    far_apart[2].row[0] = Value::Number(1e100);
    let fit = fitted(&far_apart);
    sound(&fit, &nothing);
    let extreme = vec![
        Value::Number(-1e100),
        Value::Number(1e100),
        Value::Level(4),
        Value::Level(0),
        Value::Name(String::new()),
        Value::Years(-1e100),
    ];
    let found = fit.predict(&extreme, 0.0, 0.8).expect("a price");
    assert!(!found.likely.is_nan() && !found.low.is_nan() && !found.high.is_nan());
}

#[test]
fn a_price_with_two_noughts_too_many_is_reported_and_kept() {
    for n in [8, 12, 40, 300] {
        let mut given = sales(n, 23);
        assert_eq!(fitted(&given).outliers(), [], "{n} good sales");
        let before = fitted(&given)
            .predict(&given[0].row, 0.0, 0.8)
            .expect("a price")
            .likely;
        given[2].price *= 100.0;
        let fit = fitted(&given);
        let found = fit.outliers();
        assert_eq!(
            found.first().map(|outlier| outlier.sale),
            Some(2),
            "{n}: {found:?}"
        );
        assert_eq!(found.len(), 1, "{n}: {found:?}");
        assert_eq!(fit.stored().sales, n, "it stays in the model");
        if n >= 40 {
            let after = fit
                .predict(&given[0].row, 0.0, 0.8)
                .expect("a price")
                .likely;
            assert!(
                (after / before).ln().abs() < 0.3,
                "{n}: {after} after {before}"
            );
        }
    }
}
