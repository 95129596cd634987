//! Other programs at fixed hyperparameters, and published figures that show whether data are read correctly.

#[path = "../../examples/predict/data.rs"]
#[expect(
    clippy::disallowed_methods,
    reason = "a test reads files; core itself does not"
)]
mod data;

use data::{Dataset, Described, json, read};
use faer::{Mat, linalg::solvers::SolveLstsq};
use outshop_core::pricing::valuation::{
    Feature, FeatureKind, Fit, Row, Sale, Sales, Schema, Value,
};
use std::{collections::BTreeMap, path::Path};

#[track_caller]
fn close(found: f64, right: f64, tolerance: f64) {
    assert!((found - right).abs() <= tolerance, "{found} for {right}");
}

/// scikit-learn 1.9.1, GaussianProcessRegressor without optimiser; scikit_learn.py made the figures.
#[test]
fn scikit_learn_gives_the_same_at_fixed_hyperparameters() {
    let json: serde_json::Value =
        serde_json::from_str(include_str!("scikit_learn.json")).expect("figures");
    let list = |value: &serde_json::Value| -> Vec<f64> {
        let list = value.as_array().expect("a list");
        list.iter().map(|n| n.as_f64().expect("a number")).collect()
    };
    let feature = |name: &str, kind| Feature {
        name: name.to_owned(),
        kind,
    };
    let schema = Schema::new(vec![
        feature("a", FeatureKind::Numeric),
        feature("b", FeatureKind::Numeric),
        feature("day", FeatureKind::Date),
    ])
    .expect("a schema");
    let years = list(&json["years"]);
    let numbers = json["numbers"].as_array().expect("rows");
    let rows: Vec<Row> = numbers
        .iter()
        .zip(&years)
        .map(|(pair, years)| {
            let pair = list(pair);
            vec![
                Value::Number(pair[0]),
                Value::Number(pair[1]),
                Value::Years(*years),
            ]
        })
        .collect();
    let prices = list(&json["prices"]);
    let (train, asked) = rows.split_at(prices.len());
    let given: Vec<Sale> = train
        .iter()
        .zip(&prices)
        .map(|(row, price)| Sale {
            row: row.clone(),
            price: *price,
            price_scale_ln: 0.0,
            extra_variance: 0.0,
        })
        .collect();
    let theta = list(&json["hyperparameters"]);
    let weights = vec![1.0; given.len()];
    let sales = Sales::new(&schema, &given).expect("sales");
    let likelihood = sales.log_marginal_likelihood(&theta, &weights);
    let right = json["log_marginal_likelihood"].as_f64().expect("a number");
    close(likelihood.expect("factorised"), right, 1e-7);

    let fit = Fit::from_stored(sales.stored_at(&theta, &weights).expect("a fit"), &given);
    let fit = fit.expect("a fit");
    let (means, sds) = (list(&json["mean_ln_price"]), list(&json["sd_ln_price"]));
    for ((row, mean), sd) in asked.iter().zip(means).zip(sds) {
        let found = fit.predict(row, 0.0, 0.8).expect("a price");
        close(found.ln_mean, mean, 1e-8);
        close(found.ln_sd, sd, 1e-8);
    }
}

fn open_data(name: &str) -> Dataset {
    let bar = Path::new(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../tests/valuation-bar"
    ));
    let schemas: BTreeMap<String, Described> = json(&bar.join("schemas.json")).expect("schemas");
    let data = read(name, &schemas, &bar.join("data")).expect("data");
    assert_eq!(data.name, name);
    data
}

/// The values of a column, as the reader gives them.
fn column(data: &Dataset, name: &str) -> Vec<f64> {
    let at = data.schema.features().iter().position(|f| f.name == name);
    let at = at.expect("a column");
    data.rows
        .iter()
        .map(|row| match row[at] {
            Value::Number(number) | Value::Years(number) => number,
            Value::Missing | Value::Level(_) | Value::Name(_) => panic!("{name} is not a number"),
        })
        .collect()
}

struct LeastSquares {
    coefficients: Vec<f64>,
    r_squared: f64,
    s: f64,
}

/// With a constant before the columns.
fn least_squares(columns: &[Vec<f64>], y: &[f64]) -> LeastSquares {
    let n = y.len();
    let x = Mat::from_fn(n, columns.len() + 1, |i, c| {
        c.checked_sub(1).map_or(1.0, |c| columns[c][i])
    });
    let solution = x.qr().solve_lstsq(Mat::from_fn(n, 1, |i, _| y[i]));
    let fitted = &x * &solution;
    let mean = y.iter().sum::<f64>() / n as f64;
    let rest: f64 = (0..n).map(|i| (y[i] - fitted[(i, 0)]).powi(2)).sum();
    let all: f64 = y.iter().map(|y| (y - mean).powi(2)).sum();
    LeastSquares {
        coefficients: (0..x.ncols()).map(|c| solution[(c, 0)]).collect(),
        r_squared: 1.0 - rest / all,
        s: (rest / (n - x.ncols()) as f64).sqrt(),
    }
}

/// Wooldridge, Introductory Econometrics, equation 8.18: printed values, from memory.
#[test]
fn house_prices_are_read_as_in_the_textbook() {
    let data = open_data("hprice1");
    assert_eq!(data.rows.len(), 88);
    let y: Vec<f64> = data
        .prices
        .iter()
        .map(|p| p.expect("a price").ln())
        .collect();
    let columns = ["lotsize", "sqrft", "bdrms"].map(|name| column(&data, name));
    let found = least_squares(&columns, &y);
    for (found, right) in found
        .coefficients
        .iter()
        .zip([-1.297_04, 0.167_97, 0.700_23, 0.036_96])
    {
        close(*found, right, 6e-6);
    }
    close(found.r_squared, 0.643, 5e-4);
    close(found.s, 0.1846, 5e-5);
}

/// Wooldridge, Introductory Econometrics, example 13.3 and table 13.2, on the nominal prices converted to those of
/// 1978.
#[test]
fn incinerator_prices_are_read_as_in_the_textbook() {
    let data = open_data("kielmc");
    assert_eq!(data.rows.len(), 321);
    // Prices of 1981 over those of 1978: the column rprice of the file, which the schema leaves out.
    let text = include_str!("../../../tests/valuation-bar/data/kielmc.csv");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let at = reader
        .headers()
        .expect("names")
        .iter()
        .position(|name| name == "rprice");
    let real: Vec<f64> = reader
        .records()
        .map(|r| {
            r.expect("a row")[at.expect("a column")]
                .parse()
                .expect("a number")
        })
        .collect();
    let later: Vec<f64> = column(&data, "year")
        .iter()
        .map(|year| f64::from(*year > 1979.5))
        .collect();
    let near = column(&data, "nearinc");
    let both: Vec<f64> = later.iter().zip(&near).map(|(a, b)| a * b).collect();
    let found = least_squares(&[later.clone(), near.clone(), both.clone()], &real);
    close(found.coefficients[3], -11_863.90, 5e-3);
    close(found.r_squared, 0.1739, 5e-5);

    let age = column(&data, "age");
    let squared: Vec<f64> = age.iter().map(|age| age * age).collect();
    let found = least_squares(&[later, near, both, age, squared], &real);
    close(found.coefficients[3], -21_920.27, 5e-3);
    close(found.r_squared, 0.4144, 5e-5);
}

/// Kuiper, Journal of Statistics Education 16(3), 2008.
#[test]
fn car_prices_are_read_as_in_the_article() {
    let data = open_data("car_prices");
    assert_eq!(data.rows.len(), 804);
    let y: Vec<f64> = data.prices.iter().map(|p| p.expect("a price")).collect();
    let found = least_squares(&[column(&data, "Mileage")], &y);
    close(found.coefficients[0], 24_764.559, 5e-4);
    close(found.coefficients[1], -0.172_52, 5e-6);
    close(found.r_squared, 0.0205, 5e-5);
}
