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

/// A copper boiler of 49.6 bar-litres that has been in service since 1998.
pub fn boiler() -> Value {
    json!({
        "number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
        "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-04-01", "first_marketed_on": "1998-01-01",
        "has_gas_tank": false
    })
}

/// A repeat hydraulic test in order, at 1.5 x 90 psi.
pub fn hydraulic(on: &str) -> Value {
    json!({
        "test": "hydraulic_repeat", "on": on, "pressure": {"value": "135", "unit": "psi"}, "hold_minutes": 10, "passed": true,
        "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false
    })
}

/// A steam test in order, with a highest pressure of 90 psi.
pub fn steam(on: &str) -> Value {
    json!({
        "test": "steam", "on": on, "highest_pressure": {"value": "90", "unit": "psi"}, "passed": true,
        "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false
    })
}

impl Shop {
    /// Adds a boiler and gives its address.
    pub async fn has_boiler(&self, boiler: Value) -> String {
        self.post("/v1/boilers", &boiler).await.created().location()
    }

    /// An engine with a boiler in it since 1998: its stock number and the boiler's address.
    pub async fn has_engine_with(&self, boiler: Value) -> (i64, String) {
        let stock_no = self.has(engine()).await;
        let boiler = self.has_boiler(boiler).await;
        let fitting = json!({"stock_no": stock_no, "fitted_on": "1998-05-02"});
        self.post(&format!("{boiler}/fittings"), &fitting)
            .await
            .created();
        (stock_no, boiler)
    }
}
