//! Builders: requests with believable defaults, so that a test names only what it is about.

use crate::shop::Shop;
use serde_json::{Value, json};

/// A 5 in gauge 0-6-0 of which the usual things are known.
pub fn engine() -> Value {
    json!({
        "kind": "locomotive", "name": "Marrowby", "design": "Marrow", "builder": "J. Thackwell", "builder_standing": "amateur",
        "built_year": 1998, "gauge": {"value": "5", "unit": "in"}, "whyte": "0-6-0", "cylinders": 2,
        "bore": {"value": "1 1/2", "unit": "in"}, "stroke": {"value": "2", "unit": "in"},
        "driving_wheel_diameter": {"value": "4 1/2", "unit": "in"}, "weight": {"value": "150", "unit": "lb"},
        "adhesive_weight": {"value": "100", "unit": "lb"}, "fuel": "coal", "feeds": ["injector", "axle_pump"],
        "working_order": "in_running_order", "asbestos_suspected": false
    })
}

/// Bought in on 2026-01-05 under the margin scheme.
pub fn acquisition(engine: &Value) -> Value {
    json!({"engine": engine, "manner": "bought", "on": "2026-01-05", "price": "4200.00", "tax_position": "margin_scheme"})
}

/// `base` with the members of `change` put in its place.
pub fn with(mut base: Value, change: &Value) -> Value {
    for (name, value) in change.as_object().expect("an object") {
        base[name] = value.clone();
    }
    base
}

impl Shop {
    /// Takes an engine in and gives its stock number.
    pub async fn has(&self, engine: Value) -> i64 {
        let acquired = self
            .post("/v1/acquisitions", &acquisition(&engine))
            .await
            .created();
        acquired.body["stock_no"].as_i64().expect("a stock number")
    }
}
