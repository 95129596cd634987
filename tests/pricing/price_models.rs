//! Price models: fitted to sales, stored and restored.

use crate::{
    harness::{Shop, asked_until, statement_in},
    make,
    pricing::price_scale::{factor, price_scale},
};
use outshop_api::pricing::{
    achieved_sales::{self, AchievedSale, Record},
    price_models::{Refreshed, keep_up, refresh},
};
use outshop_core::{
    engines::{
        engine::{Fuel, IncludedItem},
        surveys::{Area, BuildQuality, Grade},
    },
    pricing::{pricing_facts::Included, valuation::engine_features::extra_variance},
    trade::{Role, SaleSource},
};
use reqwest::Method;
use serde_json::{Value, json};

impl Shop {
    pub async fn learns(&self) -> Refreshed {
        let today = outshop_api::ground::clock::day_in("Europe/London", self.clock.now());
        refresh(&self.db, today)
            .await
            .expect("a check of the sales")
    }

    pub async fn achieved(&self) -> Vec<AchievedSale> {
        let today = outshop_api::ground::clock::day_in("Europe/London", self.clock.now());
        let mut conn = self.db.read().await.expect("a connection");
        achieved_sales::load(&mut conn, today).await.expect("sales")
    }

    pub async fn has_written(&self, factors: &[Value]) {
        self.post(
            "/v1/price-scale/versions",
            &price_scale("2025-01-01", "6200.00", factors),
        )
        .await
        .created();
    }

    /// Comparables, one a month since January 2025: a better grade of motion is dearer.
    pub async fn has_seen(&self, n: usize) {
        for i in 0..n {
            self.has_seen_one(i, &json!({})).await;
        }
    }

    pub async fn has_seen_one(&self, i: usize, change: &Value) -> i64 {
        let grade = ["worn", "fair", "good", "as_new"][i % 4];
        let price = 5600 + 400 * (i % 4) + 37 * ((i * 7) % 5);
        let sale = json!({"on": format!("2025-{:02}-08", 1 + i % 12), "price": format!("{price}.00"), "source": "observed_auction",
            "kind": "locomotive", "gauge": {"value": "5", "unit": "in"}, "description": "0-6-0", "grades": {"motion": grade}});
        let sale = make::with(sale, change);
        self.post("/v1/comparables", &sale).await.created().id()
    }
}

/// Records from after the day of the sale say nothing about its price.
#[actix_web::test]
async fn a_sold_engine_counts_as_it_was_on_the_day_of_the_sale() {
    let shop = Shop::open().await;
    let engine = make::with(make::engine(), &json!({"included_items": ["box"]}));
    let engine = shop.has_ready_to_list(engine).await;
    shop.has_sold(engine).await;
    shop.set_day("2026-05-20");
    let later = json!({"on": "2026-05-20", "surveyor": "Edda Morlock", "build_quality": "rough", "grades": {"boiler": "worn", "frames": "worn"}});
    shop.post(&format!("/v1/engines/{engine}/surveys"), &later)
        .await
        .created();

    let found = shop.achieved().await;
    let [sale] = found.as_slice() else {
        panic!("one sale: {found:?}");
    };
    assert_eq!(
        sale.record,
        Record::Own {
            sale_id: 1,
            stock_no: i32::try_from(engine).expect("a stock number")
        }
    );
    assert_eq!(sale.price.to_string(), "7600.00");
    let known = &sale.engine;
    assert_eq!(known.source, SaleSource::Own);
    assert!(extra_variance(known.source).abs() < f64::EPSILON);
    assert_eq!(known.on.to_string(), "2026-05-14");
    assert_eq!(known.build_quality, Some(BuildQuality::Fine));
    let grades: Vec<_> = known.grades.iter().map(|(a, g)| (*a, *g)).collect();
    assert_eq!(
        grades,
        [
            (Area::Boiler, Grade::Good),
            (Area::Motion, Grade::Fair),
            (Area::Completeness, Grade::Good)
        ]
    );
    assert_eq!(known.papers_months_left, Some(1), "its last day");
    assert_eq!((known.fuel, known.built_in), (Some(Fuel::Coal), Some(1998)));
    assert_eq!(known.included_items[&IncludedItem::Box], Included::Included);
    assert_eq!(known.months_since_work, None);
}

#[actix_web::test]
async fn a_comparable_counts_until_it_is_withdrawn_and_is_less_certain() {
    let shop = Shop::open().await;
    let id = shop
        .has_seen_one(0, &json!({"papers_months_left": 9}))
        .await;
    let found = shop.achieved().await;
    assert_eq!(found[0].record, Record::Comparable(id));
    assert_eq!(found[0].engine.grades[&Area::Motion], Grade::Worn);
    assert_eq!(found[0].engine.papers_months_left, Some(9));
    assert!(extra_variance(found[0].engine.source) > 0.0);
    let withdrawal = json!({"on": "2026-05-14", "reason": "the engine came back"});
    shop.post(&format!("/v1/comparables/{id}/withdrawals"), &withdrawal)
        .await
        .created();
    assert_eq!(shop.achieved().await, []);
}

#[actix_web::test]
async fn a_model_is_fitted_only_when_sales_or_price_scale_changed() {
    let shop = Shop::open().await;
    shop.has_seen(7).await;
    assert_eq!(shop.learns().await, Refreshed::NoPriceScale);
    shop.has_written(&[]).await;
    assert_eq!(shop.learns().await, Refreshed::TooFewSales, "7 of 8");
    assert_eq!(
        shop.get("/v1/price-models").await.ok().body["items"],
        json!([])
    );
    let eighth = shop.has_seen_one(7, &json!({})).await;
    assert_eq!(shop.learns().await, Refreshed::Fitted { price_model_id: 1 });
    assert_eq!(shop.learns().await, Refreshed::Unchanged);

    // The price scale has no price for it, so it is left out and counted.
    shop.has_seen_one(8, &json!({"gauge": {"value": "7 1/4", "unit": "in"}}))
        .await;
    assert_eq!(shop.learns().await, Refreshed::Unchanged);
    shop.has_written(&[factor("motion", "good", "1.1")]).await;
    assert_eq!(shop.learns().await, Refreshed::Fitted { price_model_id: 2 });

    let withdrawal = json!({"on": "2026-05-14", "reason": "wrong"});
    shop.post(
        &format!("/v1/comparables/{eighth}/withdrawals"),
        &withdrawal,
    )
    .await
    .created();
    assert_eq!(shop.learns().await, Refreshed::TooFewSales);
    assert_eq!(shop.learns().await, Refreshed::TooFewSales);

    let list = shop.get("/v1/price-models").await.ok().body;
    let seen: Vec<_> = list["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|fit| {
            let is = |name: &str| fit[name].as_i64().expect("a number");
            (
                is("id"),
                is("n_sales"),
                is("n_not_priced"),
                is("price_scale_version"),
            )
        })
        .collect();
    assert_eq!(seen, [(3, 7, 1, 2), (2, 8, 1, 2), (1, 8, 0, 1)]);
    let entries = shop.journal().await;
    let made = entries
        .iter()
        .filter(|entry| *entry == "price_model.created")
        .count();
    assert_eq!(made, 3, "{entries:?}");
    let none = shop.get("/v1/price-models/3").await.ok().body;
    assert_eq!(
        (&none["log_posterior"], &none["hyperparameters"]),
        (&json!(null), &json!([]))
    );
}

#[actix_web::test]
async fn two_processes_fit_once_and_an_idle_shop_is_not_checked_again() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    shop.has_seen(12).await;
    let (one, other) = tokio::join!(shop.learns(), shop.learns());
    let fitted = Refreshed::Fitted { price_model_id: 1 };
    assert!(one == fitted || other == fitted, "{one:?} {other:?}");
    assert_ne!(one, other);
    let mut seen = None;
    let now = shop.clock.now();
    keep_up(&shop.db, now, &mut seen).await.expect("a check");
    let before = seen;
    assert!(before.is_some());
    keep_up(&shop.db, now, &mut seen).await.expect("a check");
    assert_eq!(seen, before);
    shop.has_seen_one(12, &json!({})).await;
    keep_up(&shop.db, now, &mut seen).await.expect("a check");
    assert_ne!(seen, before);
    assert_eq!(
        shop.get("/v1/price-models").await.ok().body["items"][0]["n_sales"],
        13
    );
}

/// A price typed with two zeros too many is reported and not deleted.
#[actix_web::test]
async fn a_mistyped_price_is_listed_as_an_outlier() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    shop.has_seen(20).await;
    let wild = shop.has_seen_one(20, &json!({"price": "620000.00"})).await;
    assert_eq!(shop.learns().await, Refreshed::Fitted { price_model_id: 1 });
    let report = shop.get("/v1/price-models/1").await.ok().body;
    assert_eq!(report["n_sales"], 21);
    let outliers = report["outliers"].as_array().expect("outliers");
    assert_eq!(outliers.len(), 1, "{report}");
    assert_eq!(
        (&outliers[0]["comparable_id"], &outliers[0]["price"]),
        (&json!(wild), &json!("620000.00"))
    );
    assert!(
        report["hyperparameters"]
            .as_array()
            .is_some_and(|all| all.len() > 5)
    );
    assert!(!report.to_string().contains("NaN"));
    shop.get("/v1/price-models/2")
        .await
        .refused("not_found")
        .is(404);
    for path in ["/v1/price-models", "/v1/price-models/1"] {
        let by = |role| shop.request(Method::GET, path).by(&shop, role).send();
        by(Role::Fitter).await.ok();
        by(Role::Website).await.refused("forbidden");
    }
}

#[actix_web::test]
async fn a_model_can_be_fitted_to_eight_equal_sales() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    for _ in 0..8 {
        shop.has_seen_one(0, &json!({})).await;
    }
    assert_eq!(shop.learns().await, Refreshed::Fitted { price_model_id: 1 });
    let report = shop.get("/v1/price-models/1").await.ok().body;
    assert!(!report.to_string().contains("NaN"));
}

/// Nothing half-finished is left, and the next check finishes the work.
#[actix_web::test]
async fn an_interrupted_fit_starts_again() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    shop.has_seen(60).await;
    for patience_ms in [1, 5, 20, 60] {
        let patience = std::time::Duration::from_millis(patience_ms);
        if tokio::time::timeout(patience, shop.learns()).await.is_ok() {
            break;
        }
        let kept = shop.get("/v1/price-models").await.ok().body;
        let kept = kept["items"].as_array().map(Vec::len);
        let made = shop.journal().await;
        let told = made
            .iter()
            .filter(|entry| *entry == "price_model.created")
            .count();
        assert_eq!(kept, Some(told), "stopped after {patience_ms} ms");
    }
    // The server ends a dropped connection, and its lock with it, a moment later.
    let last = asked_until(|| shop.learns(), |it| *it != Refreshed::Busy).await;
    assert!(
        matches!(last, Refreshed::Fitted { .. } | Refreshed::Unchanged),
        "{last:?}"
    );
    let kept = shop.get("/v1/price-models").await.ok().body;
    assert_eq!(kept["items"].as_array().map(Vec::len), Some(1));
    let made = shop.journal().await;
    assert_eq!(
        made.iter()
            .filter(|entry| *entry == "price_model.created")
            .count(),
        1
    );
}

/// Models of other shops push it out of the cache meanwhile; it is then restored from the database.
#[actix_web::test]
async fn a_restored_model_gives_the_same_prices_to_the_penny() {
    let shop = Shop::open().await;
    let engine = shop.has_ready_to_list(make::engine()).await;
    shop.has_written(&[]).await;
    shop.has_seen(30).await;
    shop.learns().await;
    let path = format!("/v1/engines/{engine}/valuations");
    let first = shop.post(&path, &json!({})).await.created().body;
    for n in [9, 10, 11] {
        let other = Shop::open().await;
        let theirs = other.has(make::engine()).await;
        other.has_written(&[]).await;
        other.has_seen(n).await;
        other.learns().await;
        let path = format!("/v1/engines/{theirs}/valuations");
        let valued = other.post(&path, &json!({})).await.created().body;
        assert_eq!(valued["basis"], "sales");
    }
    let again = shop.post(&path, &json!({})).await.created().body;
    let same = |body: &Value| make::with(body.clone(), &json!({"id": 0}));
    assert_eq!(same(&again), same(&first));
}

/// An unchanged sale is stored once, however many models used it.
#[actix_web::test]
async fn models_share_the_sales_that_they_used() {
    let shop = Shop::open().await;
    shop.has_written(&[]).await;
    shop.has_seen(9).await;
    shop.learns().await;
    shop.has_seen_one(9, &json!({})).await;
    assert_eq!(shop.learns().await, Refreshed::Fitted { price_model_id: 2 });
    let url = &shop.database_url;
    let kept = statement_in(url, "SELECT count(*)::text FROM sales_learned").await;
    assert_eq!(kept, ["10"]);
    let of_fits = statement_in(
        url,
        "SELECT cardinality(sale_ids)::text FROM price_models ORDER BY id",
    )
    .await;
    assert_eq!(of_fits, ["9", "10"]);
}

/// The value of the last two years' work: 4 hours at 24.00, parts 18.40, a boilersmith's 120.00; older work does not
/// count (arithmetic).
#[actix_web::test]
async fn an_own_sale_includes_work_and_medals() {
    let shop = Shop::open().await;
    let won = make::with(make::engine(), &json!({"medals": 1, "full_record": true}));
    let engine = shop.has_ready_to_list(won).await;
    let rate = json!({"fitter": "Edda Morlock", "from": "2026-01-01", "cost_rate": "20.00", "recovery_rate": "24.00"});
    shop.post("/v1/hour-rates", &rate).await.created();
    let job = shop.has_job_started(engine, &["other"], &[]).await;
    let hours = json!({"on": "2026-03-02", "fitter": "Edda Morlock", "hours": "4"});
    shop.post(&format!("{job}/hours"), &hours).await.created();
    let parts = json!({"on": "2026-03-02", "description": "cones", "cost": "18.40"});
    shop.post(&format!("{job}/parts"), &parts).await.created();
    let outside = json!({"kind": "outside_work", "on": "2026-03-02", "cost": "120.00", "supplier_vat": "24.00"});
    shop.post(&format!("/v1/engines/{engine}/costs"), &outside)
        .await
        .created();
    let carriage = json!({"kind": "carriage_in", "on": "2026-03-02", "cost": "80.00", "supplier_vat": "16.00"});
    shop.post(&format!("/v1/engines/{engine}/costs"), &carriage)
        .await
        .created();
    shop.finishes(&job, "2026-03-03").await;
    shop.has_sold(engine).await;
    let known = shop.achieved().await.remove(0).engine;
    assert_eq!(
        known.recent_work.map(|worth| worth.to_string()).as_deref(),
        Some("234.40")
    );
    assert_eq!((known.medals, known.full_record), (Some(1), Some(true)));
    assert_eq!(known.months_since_work, Some(2));
}
