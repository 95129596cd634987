//! Invented sales, for properties that do not depend on the sales.

use outshop_core::pricing::valuation::{Feature, FeatureKind, Row, Sale, Schema, Value};

pub fn schema() -> Schema {
    let feature = |name: &str, kind| Feature {
        name: name.to_owned(),
        kind,
    };
    let levels = FeatureKind::Ordinal { levels: 5 };
    Schema::new(vec![
        feature("size", FeatureKind::Numeric),
        feature("tender", FeatureKind::Numeric),
        feature("paint", levels.clone()),
        feature("motion", levels),
        feature("kind", FeatureKind::Category),
        feature("day", FeatureKind::Date),
    ])
    .expect("a schema")
}

/// Evenly spread in 0 .. 1: a linear congruential generator is even enough here (Knuth's MMIX constants).
pub struct Spread(pub u64);

impl Spread {
    pub fn next(&mut self) -> f64 {
        let next = self.0.wrapping_mul(6_364_136_223_846_793_005);
        self.0 = next.wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

pub fn row(spread: &mut Spread) -> Row {
    let maybe = |value: Value, spread: &mut Spread| {
        if spread.next() < 0.05 {
            Value::Missing
        } else {
            value
        }
    };
    let size = Value::Number(spread.next() * 3.0);
    let tender = Value::Number(f64::from(spread.next() < 0.5));
    let paint = Value::Level((spread.next() * 5.0) as u16);
    let motion = Value::Level((spread.next() * 5.0) as u16);
    let kind = ["locomotive", "road engine", "stationary", "other"][(spread.next() * 4.0) as usize];
    let day = Value::Years(2018.0 + spread.next() * 8.0);
    let kind = Value::Name(kind.to_owned());
    [size, tender, paint, motion, kind, day]
        .into_iter()
        .map(|value| maybe(value, spread))
        .collect()
}

/// Prices that rise with size and paint, with some noise.
pub fn sales(n: usize, seed: u64) -> Vec<Sale> {
    let mut spread = Spread(seed);
    (0..n)
        .map(|_| {
            let row = row(&mut spread);
            let effect: f64 = row
                .iter()
                .map(|value| match value {
                    Value::Number(number) => 0.4 * number,
                    Value::Level(level) => 0.08 * f64::from(*level),
                    Value::Name(name) => 0.02 * name.len() as f64,
                    Value::Years(years) => 0.03 * (years - 2018.0),
                    Value::Missing => 0.3,
                })
                .sum();
            let noise = 0.3 * (spread.next() + spread.next() + spread.next() - 1.5);
            Sale {
                row,
                price: ((7.0 + effect + noise).exp() * 100.0).round() / 100.0,
                price_scale_ln: 0.0,
                extra_variance: 0.0,
            }
        })
        .collect()
}
