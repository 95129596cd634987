//! How long a fit and a valuation take, on one thread: sales are made up, with 28 hyperparameters as in a plain guide and 49
//! as an engine's features give.
//!
//! `cargo bench -p outshop-core --bench valuation`; beside it `tests/valuation-bar/peers.py` times other programs.

#![expect(
    clippy::expect_used,
    reason = "a bench that cannot be set up has to fail"
)]

use divan::Bencher;
use outshop_core::pricing::valuation::{
    Feature, FeatureKind, Fit, FitOptions, Row, Sale, Schema, Value, fit,
};
use std::hint::black_box;

fn main() {
    divan::main();
}

/// Numeric features and categories bring two hyperparameters each, ordinals one, and six come always.
#[derive(Debug, Clone, Copy)]
enum Shape {
    Plain28,
    Engine49,
}

impl Shape {
    const fn counts(self) -> (usize, usize, usize) {
        match self {
            Shape::Plain28 => (7, 2, 3),
            Shape::Engine49 => (9, 9, 8),
        }
    }

    fn schema(self) -> Schema {
        let (numerics, ordinals, categories) = self.counts();
        let feature = |name: String, kind| Feature { name, kind };
        let mut features = Vec::new();
        features.extend((0..numerics).map(|n| feature(format!("n{n}"), FeatureKind::Numeric)));
        let levels = FeatureKind::Ordinal { levels: 5 };
        features.extend((0..ordinals).map(|n| feature(format!("o{n}"), levels.clone())));
        features.extend((0..categories).map(|n| feature(format!("c{n}"), FeatureKind::Category)));
        features.push(feature("day".to_owned(), FeatureKind::Date));
        Schema::new(features).expect("a schema")
    }
}

/// Evenly spread numbers in 0 .. 1, the same on every machine (SplitMix64).
struct Spread(u64);

impl Spread {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Close to normal, standard deviation 1.
    fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

fn sales(shape: Shape, n: usize) -> Vec<Sale> {
    let (numerics, ordinals, categories) = shape.counts();
    let mut spread = Spread(7);
    (0..n)
        .map(|_| {
            let mut ln = 8.0;
            let mut row = Row::new();
            for k in 0..numerics {
                let x = spread.bell();
                ln += 0.3 / (k as f64 + 1.0) * (x + 0.2 * x * x);
                row.push(Value::Number(x));
            }
            for k in 0..ordinals {
                let level = (spread.next() * 5.0) as u16;
                ln += 0.1 / (k as f64 + 1.0) * f64::from(level);
                row.push(Value::Level(level));
            }
            for k in 0..categories {
                // Few common names and many rare ones.
                let name = (spread.next().powi(3) * 30.0) as u16;
                ln += 0.2 / (k as f64 + 1.0) * (f64::from(name) * 1.7).sin();
                row.push(Value::Name(format!("name {name}")));
            }
            let years = spread.next() * 8.0;
            ln += 0.03 * years;
            row.push(Value::Years(years));
            let wild = if spread.next() < 0.03 { 4.0 } else { 1.0 };
            ln += 0.15 * wild * spread.bell();
            Sale {
                row,
                price: ln.exp(),
                price_scale_ln: 0.0,
                extra_variance: 0.0,
            }
        })
        .collect()
}

fn made(shape: Shape, n: usize) -> (Fit, Row) {
    let mut sales = sales(shape, n + 1);
    let asked = sales.pop().expect("one more").row;
    let fit = fit(&shape.schema(), &sales, &FitOptions::default()).expect("a fit");
    (fit, asked)
}

fn learning(bencher: Bencher<'_, '_>, shape: Shape, n: usize) {
    let (schema, sales) = (shape.schema(), sales(shape, n));
    bencher.bench_local(|| fit(&schema, black_box(&sales), &FitOptions::default()));
}

/// Is a fit ready before the kettle boils? Both passes, the range included.
#[divan::bench(args = [500, 1500], sample_count = 3, sample_size = 1)]
fn fit_with_28_hyperparameters(bencher: Bencher<'_, '_>, n: usize) {
    learning(bencher, Shape::Plain28, n);
}

#[divan::bench(args = [500, 1500], sample_count = 3, sample_size = 1)]
fn fit_with_49_hyperparameters(bencher: Bencher<'_, '_>, n: usize) {
    learning(bencher, Shape::Engine49, n);
}

/// The most sales at which the range comes from five folds, the fit of all included.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn fit_and_five_folds_at_250(bencher: Bencher<'_, '_>) {
    learning(bencher, Shape::Plain28, 250);
}

/// Is a valuation from a stored fit there at once?
#[divan::bench(args = [100, 500, 1500])]
fn one_valuation(bencher: Bencher<'_, '_>, n: usize) {
    let (fit, asked) = made(Shape::Plain28, n);
    bencher.bench_local(|| fit.predict(black_box(&asked), 0.0, 0.8));
}

/// The same with all that is said about it, of an engine of which half is not known.
#[divan::bench(args = [100, 500, 1500])]
fn one_valuation_with_its_reasons(bencher: Bencher<'_, '_>, n: usize) {
    let (fit, mut row) = made(Shape::Engine49, n);
    for value in row.iter_mut().step_by(2) {
        *value = Value::Missing;
    }
    bencher.bench_local(|| {
        let asked = fit.ask(black_box(&row)).expect("a row of the schema");
        let likely = asked.predict(0.0, 0.8).likely;
        (likely, asked.comparables(0.0, 8), asked.what_would_narrow())
    });
}

/// What a process pays once for a stored fit before its first valuation.
#[divan::bench(args = [500, 1500], sample_count = 5, sample_size = 1)]
fn fit_again_from_what_was_stored(bencher: Bencher<'_, '_>, n: usize) {
    let sales = sales(Shape::Plain28, n);
    let schema = Shape::Plain28.schema();
    let stored = fit(&schema, &sales, &FitOptions::default())
        .expect("a fit")
        .stored()
        .clone();
    bencher.bench_local(|| Fit::from_stored(stored.clone(), black_box(&sales)));
}
