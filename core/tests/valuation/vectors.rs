//! Figures in vectors.json come from a plain numpy program of the same model, with simple loops over pairs of sales; a
//! second, vectorised numpy program agreed with it to 1e-14.

use outshop_core::pricing::valuation::{
    Effort, Feature, FeatureKind, Fit, FitOptions, LeaveOneOut, Row, Sale, Sales, Schema, Value,
    conformal_quantile, factor, fit,
};
use serde_json::Value as Json;

fn vectors() -> Json {
    serde_json::from_str(include_str!("vectors.json")).expect("vectors")
}

fn numbers(json: &Json) -> Vec<f64> {
    let list = json.as_array().expect("a list");
    list.iter().map(|n| n.as_f64().expect("a number")).collect()
}

struct Case {
    json: Json,
    schema: Schema,
    sales: Vec<Sale>,
    asked: Vec<Row>,
    theta: Vec<f64>,
    weights: Vec<f64>,
}

fn value(kind: &str, json: &Json) -> Value {
    match (kind, json) {
        (_, Json::Null) => Value::Missing,
        ("num", n) => Value::Number(n.as_f64().expect("a number")),
        ("ord", n) => Value::Level(n.as_f64().expect("a level") as u16),
        ("date", n) => Value::Years(n.as_f64().expect("a date")),
        (_, name) => Value::Name(name.as_str().expect("a name").to_owned()),
    }
}

fn cases() -> Vec<Case> {
    let vectors = vectors();
    let cases = vectors["cases"].as_array().expect("cases").clone();
    cases.into_iter().map(case).collect()
}

fn case(json: Json) -> Case {
    let features = json["features"].as_array().expect("features");
    let kinds: Vec<&str> = features
        .iter()
        .map(|feature| feature["kind"].as_str().expect("a kind"))
        .collect();
    let schema = features
        .iter()
        .enumerate()
        .map(|(n, feature)| Feature {
            name: format!("f{n}"),
            kind: match kinds[n] {
                "num" => FeatureKind::Numeric,
                "ord" => FeatureKind::Ordinal {
                    levels: feature["levels"].as_u64().expect("levels") as u16,
                },
                "cat" => FeatureKind::Category,
                "date" => FeatureKind::Date,
                other => panic!("{other}"),
            },
        })
        .collect();
    let rows = |which: &str, count: usize| -> Vec<Row> {
        (0..count)
            .map(|i| {
                let values = features.iter().zip(&kinds);
                values
                    .map(|(feature, kind)| value(kind, &feature[which][i]))
                    .collect()
            })
            .collect()
    };
    let prices = numbers(&json["price"]);
    let extra = numbers(&json["extra_variance"]);
    let sales = rows("train", prices.len())
        .into_iter()
        .zip(prices.iter().zip(extra))
        .map(|(row, (price, extra_variance))| Sale {
            row,
            price: *price,
            price_scale_ln: 0.0,
            extra_variance,
        })
        .collect();
    Case {
        schema: Schema::new(schema).expect("a schema"),
        sales,
        asked: rows("test", 3),
        theta: numbers(&json["theta"]),
        weights: numbers(&json["noise_weights"]),
        json,
    }
}

impl Case {
    fn sales(&self) -> Sales {
        Sales::new(&self.schema, &self.sales).expect("sales")
    }
}

#[track_caller]
fn close(found: f64, right: f64, tolerance: f64, what: &str) {
    assert!(
        (found - right).abs() <= tolerance * right.abs().max(1e-3),
        "{what}: {found:.15} for {right:.15}"
    );
}

#[track_caller]
fn all_close(found: &[f64], right: &[f64], tolerance: f64, what: &str) {
    assert_eq!(found.len(), right.len(), "{what}");
    for (n, (found, right)) in found.iter().zip(right).enumerate() {
        close(*found, *right, tolerance, &format!("{what} {n}"));
    }
}

#[test]
fn priors_have_the_order_of_the_vectors() {
    for case in cases() {
        let priors = case.sales().priors();
        let medians: Vec<f64> = priors.iter().map(|prior| prior.median).collect();
        let sds: Vec<f64> = priors.iter().map(|prior| prior.sd_of_log).collect();
        all_close(
            &medians,
            &numbers(&case.json["prior_median"]),
            1e-12,
            "median",
        );
        all_close(&sds, &numbers(&case.json["prior_sd_of_log"]), 1e-12, "sd");
        let names: Vec<&str> = priors.iter().map(|prior| prior.name.as_str()).collect();
        assert_eq!(names[0], "sd of f0");
        assert_eq!(
            names[6..9],
            ["sd of trend", "sd of similarity", "sd of noise"]
        );
    }
}

#[test]
fn every_covariance_agrees_with_the_other_program() {
    for case in cases() {
        let kernel = case.sales().kernel(&case.theta);
        let right = case.json["kernel_without_noise"].as_array().expect("rows");
        for (i, row) in right.iter().enumerate() {
            all_close(&kernel[i], &numbers(row), 1e-9, &format!("row {i}"));
        }
    }
}

#[test]
fn likelihood_and_gradient_agree_with_the_other_program() {
    for case in cases() {
        let sales = case.sales();
        let likelihood = sales.log_marginal_likelihood(&case.theta, &case.weights);
        let right = case.json["log_marginal_likelihood"].as_f64().expect("it");
        close(likelihood.expect("factorised"), right, 1e-9, "likelihood");
        let gradient = sales
            .gradient(&case.theta, &case.weights)
            .expect("factorised");
        all_close(
            &gradient,
            &numbers(&case.json["gradient"]),
            1e-9,
            "gradient",
        );
    }
}

#[test]
fn gradient_agrees_with_central_differences() {
    for case in cases() {
        let sales = case.sales();
        let gradient = sales
            .gradient(&case.theta, &case.weights)
            .expect("factorised");
        for (n, slope) in gradient.iter().enumerate() {
            let at = |step: f64| {
                let mut theta = case.theta.clone();
                theta[n] *= step.exp();
                sales
                    .log_marginal_likelihood(&theta, &case.weights)
                    .expect("factorised")
            };
            let difference = (at(1e-5) - at(-1e-5)) / 2e-5;
            assert!(
                (slope - difference).abs() < 1e-6,
                "{n}: {slope} for {difference}"
            );
        }
    }
}

#[test]
fn leaving_one_out_needs_no_new_fit() {
    for case in cases() {
        let LeaveOneOut { residuals, sds } = case
            .sales()
            .leave_one_out(&case.theta, &case.weights)
            .expect("factorised");
        all_close(
            &residuals,
            &numbers(&case.json["loo_residual"]),
            1e-9,
            "residual",
        );
        all_close(&sds, &numbers(&case.json["loo_sd"]), 1e-9, "sd");
        let next: Vec<f64> = residuals
            .iter()
            .zip(&sds)
            .map(|(residual, sd)| (8.0 + (residual / sd).powi(2)) / 9.0)
            .collect();
        all_close(
            &next,
            &numbers(&case.json["next_noise_weights"]),
            1e-9,
            "weight",
        );
        let scores: Vec<f64> = residuals
            .iter()
            .zip(&sds)
            .map(|(r, sd)| r.abs() / sd)
            .collect();
        let right = case.json["loo_conformal_factor_80"].as_f64().expect("it");
        close(factor(&scores, 0.8).factor, right, 1e-9, "factor");
    }
}

#[test]
fn predictions_agree_with_the_other_program() {
    for case in cases() {
        let stored = case
            .sales()
            .stored_at(&case.theta, &case.weights)
            .expect("factorised");
        let fit = Fit::from_stored(stored, &case.sales).expect("a fit");
        let right = |name: &str| numbers(&case.json["test"][name]);
        for (i, row) in case.asked.iter().enumerate() {
            let found = fit.predict(row, 0.0, 0.8).expect("a price");
            close(
                found.ln_mean,
                right("mean_ln_price_monotone")[i],
                1e-9,
                "mean",
            );
            close(found.ln_sd, right("sd_ln_price")[i], 1e-9, "sd");
            close(found.low, right("low_80")[i], 1e-9, "low");
            close(found.likely, right("likely")[i], 1e-9, "likely");
            close(found.high, right("high_80")[i], 1e-9, "high");

            let explained = fit.ask(row).expect("reasons").explain(0.0);
            let by_rule: f64 = explained.effects.iter().map(|effect| effect.by_rule).sum();
            close(
                explained.ln_mean,
                found.ln_mean,
                1e-12,
                "sum of the effects",
            );
            close(
                found.ln_mean - by_rule,
                right("mean_ln_price")[i],
                1e-9,
                "without the rule",
            );
        }
    }
}

#[test]
fn the_optimum_agrees_with_the_other_program() {
    for case in cases() {
        let options = FitOptions {
            effort: Effort {
                most_iterations: 500,
                tolerance: 1e-15,
            },
            ..FitOptions::default()
        };
        let fit = fit(&case.schema, &case.sales, &options).expect("a fit");
        let map = &case.json["map"];
        let right = numbers(&map["theta"]);
        all_close(&fit.stored().hyperparameters, &right, 1e-4, "theta");
        close(
            fit.stored().log_posterior,
            map["log_posterior"].as_f64().expect("it"),
            1e-6,
            "posterior",
        );
        for (i, row) in case.asked.iter().enumerate() {
            let found = fit.predict(row, 0.0, 0.8).expect("a price");
            close(
                found.ln_mean,
                numbers(&map["test_mean_ln_price"])[i],
                1e-5,
                "mean",
            );
            close(
                found.ln_sd,
                numbers(&map["test_sd_ln_price"])[i],
                1e-5,
                "sd",
            );
        }
    }
}

#[test]
fn the_range_factor_agrees_with_the_other_program() {
    for case in vectors()["conformal"].as_array().expect("cases") {
        let scores = numbers(&case["scores"]);
        let a = case["alpha"].as_f64().expect("a share");
        assert_eq!(conformal_quantile(&scores, a), case["plain"].as_f64());
        let right = case["factor"].as_f64().expect("a factor");
        close(factor(&scores, 1.0 - a).factor, right, 1e-9, "factor");
    }
}
