//! Builders: requests with believable defaults, so that a test names only what it is about.

use crate::harness::{Answer, Shop};
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
    json!({"engine": engine, "method": "bought", "on": "2026-01-05", "price": "4200.00", "tax_position": "margin_scheme"})
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
        let fitting = json!({"stock_no": stock_no, "installed_on": "1998-05-02"});
        self.post(&format!("{boiler}/installations"), &fitting)
            .await
            .created();
        (stock_no, boiler)
    }

    /// A job on the engine, in hand since 2026-03-02: its address.
    pub async fn has_job_started(
        &self,
        stock_no: i64,
        touches: &[&str],
        findings: &[i64],
    ) -> String {
        let job = json!({"title": "Work", "touches": touches, "proposed_on": "2026-03-02", "findings": findings});
        let made = self
            .post(&format!("/v1/engines/{stock_no}/jobs"), &job)
            .await
            .created();
        for to in ["agreed", "started"] {
            let moved = json!({"to": to, "on": "2026-03-02"});
            self.post(&format!("{}/transitions", made.location()), &moved)
                .await
                .created();
        }
        made.location()
    }

    pub async fn finishes(&self, job: &str, on: &str) {
        let moved = json!({"to": "finished", "on": on});
        self.post(&format!("{job}/transitions"), &moved)
            .await
            .created();
    }
}

/// A buyer to be.
pub fn person() -> Value {
    json!({"name": "Odo Fenwright"})
}

/// The bytes of a small PNG.
pub fn picture() -> Vec<u8> {
    let mut png = std::io::Cursor::new(Vec::new());
    image::RgbImage::from_pixel(16, 16, image::Rgb([90, 120, 90]))
        .write_to(&mut png, image::ImageFormat::Png)
        .expect("a picture");
    png.into_inner()
}

/// Words for a visitor.
pub fn listing() -> Value {
    json!({"title": "Marrowby, a 5 in gauge 0-6-0", "description": "Built over nine winters and run twice a year since."})
}

impl Shop {
    /// An engine that passes the `list` gate on 2026-05-14: surveyed, priced at 7680.00, its steam paper good to that very
    /// day (14 months from the test) and its hydraulic paper longer.
    pub async fn has_ready_to_list(&self, engine: Value) -> i64 {
        let stock_no = self.has_all_but_photographs(engine).await;
        self.has_photographed(stock_no).await;
        stock_no
    }

    /// One photograph that visitors may see, described.
    pub async fn has_photographed(&self, stock_no: i64) {
        let part = |name: &str| {
            format!("--limit\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n")
        };
        let mut body = part("photograph").into_bytes();
        body.extend(picture());
        let words = format!(
            "\r\n{}From the left\r\n{}true\r\n--limit--\r\n",
            part("alt"),
            part("public")
        );
        body.extend(words.into_bytes());
        self.request(
            reqwest::Method::POST,
            &format!("/v1/engines/{stock_no}/photographs"),
        )
        .by(self, outshop_core::trade::Role::Proprietor)
        .body("multipart/form-data; boundary=limit", body)
        .send()
        .await
        .created();
    }

    pub async fn has_all_but_photographs(&self, engine: Value) -> i64 {
        let stock_no = self.has(engine).await;
        self.has_boiler_with_papers(stock_no).await;
        self.has_surveyed(stock_no, &json!([])).await;
        self.has_priced(stock_no, "7680.00").await;
        stock_no
    }

    pub async fn has_boiler_with_papers(&self, stock_no: i64) -> i64 {
        let number = format!("QLW {stock_no}");
        let boiler = json!({"number": number, "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
            "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-06-01", "first_marketed_on": "1998-06-01", "has_gas_tank": false});
        let id = self.post("/v1/boilers", &boiler).await.created().id();
        let fitting = json!({"stock_no": stock_no, "installed_on": "2026-01-05"});
        self.post(&format!("/v1/boilers/{id}/installations"), &fitting)
            .await
            .created();
        let tests = [
            json!({"test": "hydraulic_repeat", "on": "2025-03-13", "pressure": {"value": "135", "unit": "psi"}, "hold_minutes": 30}),
            json!({"test": "steam", "on": "2025-03-14", "highest_pressure": {"value": "92", "unit": "psi"}}),
        ];
        let of_all = json!({"passed": true, "boiler_number": number, "inspector": "B. Arkwell", "inspector_interest": false});
        for test in tests {
            self.post(&format!("/v1/boilers/{id}/tests"), &with(test, &of_all))
                .await
                .created();
        }
        id
    }

    /// Gives the ids of the findings.
    pub async fn has_surveyed(&self, stock_no: i64, findings: &Value) -> Vec<i64> {
        let survey = json!({"on": "2026-01-10", "surveyor": "Edda Morlock", "build_quality": "fine",
            "grades": {"boiler": "good", "motion": "fair", "completeness": "good"}, "findings": findings});
        let made = self
            .post(&format!("/v1/engines/{stock_no}/surveys"), &survey)
            .await
            .created();
        let findings = made.body["findings"].as_array().expect("findings");
        findings
            .iter()
            .map(|finding| finding["id"].as_i64().expect("an id"))
            .collect()
    }

    pub async fn has_priced(&self, stock_no: i64, price: &str) {
        let path = format!("/v1/engines/{stock_no}/asking-prices");
        self.post(&path, &json!({"price": price})).await.created();
    }

    pub async fn has_drafted(&self, stock_no: i64, listing: &Value) {
        self.post(&format!("/v1/engines/{stock_no}/listing"), listing)
            .await
            .created();
    }

    pub async fn has_published(&self, stock_no: i64) {
        let path = format!("/v1/engines/{stock_no}/listing/publications");
        self.post(&path, &json!({})).await.created();
    }

    /// An engine with its listing on show.
    pub async fn has_on_show(&self, engine: Value, listing: &Value) -> i64 {
        let stock_no = self.has_ready_to_list(engine).await;
        self.has_drafted(stock_no, listing).await;
        self.has_published(stock_no).await;
        stock_no
    }

    /// Sells it on 2026-05-14 for 7600.00 and gives the id of the sale.
    pub async fn has_sold(&self, stock_no: i64) -> i64 {
        let buyer = self.post("/v1/persons", &person()).await.created().id();
        let sale = json!({"on": "2026-05-14", "price": "7600.00", "person_id": buyer});
        self.post(&format!("/v1/engines/{stock_no}/sales"), &sale)
            .await
            .created()
            .id()
    }

    pub async fn has_been_paid(&self, sale: i64, amount: &str) {
        let payment = json!({"on": "2026-05-14", "amount": amount, "method": "transfer"});
        self.post(&format!("/v1/sales/{sale}/payments"), &payment)
            .await
            .created();
    }

    pub async fn has_packed(&self, stock_no: i64) {
        for item in ["spares_packed", "papers_packed"] {
            let tick = json!({"item": item, "on": "2026-05-14"});
            self.post(&format!("/v1/engines/{stock_no}/checklist-ticks"), &tick)
                .await
                .created();
        }
    }

    /// What the journal says of one engine.
    pub async fn journal_of(&self, stock_no: i64) -> Vec<String> {
        let page = self.get("/v1/journal?limit=500").await.ok();
        let items = page.body["items"].as_array().expect("items");
        items
            .iter()
            .filter(|entry| entry["stock_no"] == stock_no)
            .map(|entry| crate::harness::text(&entry["type"]))
            .collect()
    }

    /// Ends the last installation of a boiler.
    pub async fn takes_out(&self, boiler: &str, change: &Value) -> Answer {
        let list = self.get(&format!("{boiler}/installations?limit=200")).await;
        let list = list.ok().body["items"].clone();
        let last = list.as_array().and_then(|all| all.last());
        let id = &last.expect("an installation")["id"];
        self.patch(&format!("/v1/installations/{id}"), change).await
    }
}
