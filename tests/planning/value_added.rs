//! What work is worth, by the price scale alone: its factors are arithmetic.

use crate::{harness::Shop, make};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

fn amount(value: &Value) -> f64 {
    value
        .as_str()
        .and_then(|text| text.parse().ok())
        .expect("an amount")
}

impl Shop {
    /// A guide of 6200.00 with a factor for motion and for papers, an engine with worn motion bought on margin, and a fitter's rate.
    async fn has_worn_engine(&self) -> i64 {
        let gauge = json!({"value": "5", "unit": "in"});
        let price_scale = json!({"from": "2026-01-01", "uncertainty": "0.25",
            "starts": [{"kind": "locomotive", "gauge": {"from": gauge, "to": gauge}, "price": "6200.00"}],
            "factors": [{"feature": "motion", "level": "worn", "factor": "0.80"}, {"feature": "motion", "level": "good", "factor": "1.00"},
                {"feature": "platework_and_paint", "level": "good", "factor": "1.01"},
                {"feature": "papers", "level": "not_in_date", "factor": "0.85"}]});
        self.post("/v1/price-scale/versions", &price_scale)
            .await
            .created();
        let rate = json!({"fitter": "Edda Morlock", "from": "2026-01-01", "cost_rate": "18.00", "recovery_rate": "30.00"});
        self.post("/v1/hour-rates", &rate).await.created();
        let stock_no = self.has(make::engine()).await;
        self.has_boiler_with_papers(stock_no).await;
        let survey =
            json!({"on": "2026-01-10", "surveyor": "Edda Morlock", "grades": {"motion": "worn"}});
        self.post(&format!("/v1/engines/{stock_no}/surveys"), &survey)
            .await
            .created();
        stock_no
    }

    async fn wants_done(&self, stock_no: i64, job: &Value) -> i64 {
        let path = format!("/v1/engines/{stock_no}/jobs");
        self.post(&path, job).await.created().id()
    }
}

/// 6200 x 0.8 = 4960 now, 6200 after: 1240 more. Margin scheme at 20 %: a sixth of the margin is tax (VAT Notice 718/1), of 4960 - 4200
/// it is 126.67 and of 6200 - 4200 it is 333.33, so 206.66 more. 10 h at 30.00 and parts of 100.00 leave 1240 - 206.66 - 400 = 633.34,
/// and (633.34 + 300)/10 = 93.33 an hour.
#[actix_web::test]
async fn a_job_is_worth_what_it_adds_less_all_that_it_costs() {
    let shop = Shop::open().await;
    let engine = shop.has_worn_engine().await;
    let job = json!({"title": "Motion", "touches": ["motion"], "hours_agreed": "10", "parts_expected": "100.00", "grades_after": {"motion": "good"}});
    let job = shop.wants_done(engine, &job).await;
    let path = format!("/v1/jobs/{job}/value-added");
    let worth = shop.get(&path).await.ok().body;
    assert_eq!(worth["difference"]["likely"], "1240.00");
    assert_eq!(
        worth["outlay"],
        json!({"hours": "10", "work": "300.00", "parts": "100.00", "outside_work": "0.00", "test_fees": "0.00", "total": "400.00",
            "hours_priced": [{"job_id": job, "test": null, "hours": "10", "rate": "30.00", "priced_by": "all_fitters", "fitter": null}]})
    );
    assert_eq!(
        (&worth["tax"], &worth["profit"], &worth["per_hour"]),
        (&json!("206.66"), &json!("633.34"), &json!("93.33"))
    );
    // The range of the difference is that of a share of the price, not the difference of the two ranges.
    let (low, high) = (
        amount(&worth["difference"]["low"]),
        amount(&worth["difference"]["high"]),
    );
    assert!(
        (low - 1240.0 / 1.25).abs() < 10.0 && (high - 1240.0 * 1.25).abs() < 15.0,
        "{low} {high}"
    );
    let of_ranges = amount(&worth["price_after"]["high"]) - amount(&worth["price_now"]["low"]);
    assert!(high - low < of_ranges / 3.0);
    // It pays while 5/6 of the difference is above 400, that is above 480: not in doubt.
    assert!(amount(&worth["chance_it_pays"]) > 0.99, "{worth}");

    for role in [Role::Fitter, Role::Website] {
        shop.request(Method::GET, &path)
            .by(&shop, role)
            .send()
            .await
            .is(403);
    }
    shop.get("/v1/jobs/999/value-added")
        .await
        .refused("not_found");
    let off = json!({"to": "called_off", "on": "2026-05-14"});
    shop.post(&format!("/v1/jobs/{job}/transitions"), &off)
        .await
        .created();
    shop.get(&path).await.refused("conflict");
}

/// New paint adds 1 % of the price and costs more; work on the boiler alone costs two tests and brings no more than the papers have;
/// the motion pays. The best of all sets is the motion alone.
#[actix_web::test]
async fn of_all_sets_the_best_is_told_beside_the_other_roads() {
    let shop = Shop::open().await;
    let engine = shop.has_worn_engine().await;
    let motion = json!({"title": "Motion", "touches": ["motion"], "hours_agreed": "10", "grades_after": {"motion": "good"}});
    let motion = shop.wants_done(engine, &motion).await;
    let paint = json!({"title": "Paint", "touches": ["other"], "hours_agreed": "30", "grades_after": {"platework_and_paint": "good"}});
    shop.wants_done(engine, &paint).await;
    let boiler = json!({"title": "Bush", "touches": ["pressure_parts"], "hours_agreed": "4"});
    shop.wants_done(engine, &boiler).await;
    let path = format!("/v1/engines/{engine}/work-options");
    let told = shop
        .get(&format!("{path}?parts_bring=1500.00"))
        .await
        .ok()
        .body;
    assert_eq!(told["best"]["jobs"], json!([motion]));
    assert_eq!(
        (&told["best"]["tests"], &told["best"]["profit"]),
        (&json!([]), &json!("733.34"))
    );
    assert_eq!(told["sets_compared"], 8);
    let options: Vec<&Value> = told["options"]
        .as_array()
        .expect("options")
        .iter()
        .map(|it| &it["kind"])
        .collect();
    assert_eq!(options, ["repair", "sell_as_it_stands", "break_for_parts"]);

    // On the day after its steam paper ran out, sets with the tests that bring it again are compared too.
    shop.set_day("2026-05-15");
    let told = shop.get(&path).await.ok().body;
    assert!(told["sets_compared"].as_u64() > Some(8), "{told}");
    assert_eq!(told["best"]["tests"], json!(["hydraulic_repeat", "steam"]));
    shop.get(&format!("{path}?jobs=999"))
        .await
        .refused("invalid_query");
    shop.get(&format!("{path}?parts_bring=-1.00"))
        .await
        .refused("invalid_query");
    shop.get("/v1/engines/999/work-options")
        .await
        .refused("not_found");
}
