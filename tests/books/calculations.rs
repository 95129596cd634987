//! Calculations that store nothing, over HTTP.
//!
//! VM: gov.uk, "VAT margin schemes"; HMRC VATREC12030 (half up to the penny), VATMARG02300 (repairs stay out). The
//! first two are worked examples of an accountancy practice, the others follow by exact fractions. NRV: IAS 2.6, 2.9,
//! 2.33.

use crate::harness::{Answer, Shop};
use outshop_core::trade::Role;
use reqwest::Method;
use serde_json::{Value, json};

async fn ask(shop: &Shop, role: Role, what: &str, question: &Value) -> Answer {
    shop.request(Method::POST, &format!("/v1/calculations/{what}"))
        .by(shop, role)
        .json(question)
        .send()
        .await
}

#[actix_web::test]
async fn tax_under_the_margin_scheme_is_exact_to_the_penny() {
    let shop = Shop::open().await;
    for (purchase, sale, rate, tax, net) in [
        ("1500.00", "2000.00", "20", "83.33", "1916.67"),
        ("10000.00", "12000.00", "20", "333.33", "11666.67"),
        ("3200.00", "4950.00", "20", "291.67", "4658.33"),
        ("5000.00", "4600.00", "20", "0.00", "4600.00"),
        ("3000.00", "5000.00", "19", "319.33", "4680.67"),
        ("3000.00", "5000.00", "23", "373.98", "4626.02"),
        ("4000.00", "5000.00", "0", "0.00", "5000.00"),
        ("4000.00", "5000.00", "100", "500.00", "4500.00"),
    ] {
        let question = json!({"purchase": purchase, "sale": sale, "rate_percent": rate});
        let answer = ask(&shop, Role::Seller, "margin-tax", &question).await.ok();
        assert_eq!(answer.body["tax"], tax, "{question}");
        assert_eq!(answer.body["net_of_tax"], net, "{question}");
    }
    let loss = json!({"purchase": "5000.00", "sale": "4600.00", "rate_percent": 20});
    let answer = ask(&shop, Role::Bookkeeper, "margin-tax", &loss).await.ok();
    assert_eq!(answer.body["margin"], "-400.00");
    assert_eq!(shop.journal().await, [""; 0], "nothing is stored");
}

#[actix_web::test]
async fn the_lowest_price_and_the_most_to_pay_are_inverse() {
    let shop = Shop::open().await;
    let wanted = json!({"purchase": "6000.00", "other_costs": "500.00", "rate_percent": "20", "scheme": "margin", "wanted_profit": "900.00"});
    let lowest = ask(&shop, Role::Proprietor, "lowest-price", &wanted).await;
    let expected = json!({"lowest_price": "7680.00", "tax": "280.00", "selling_cost": "0.00", "profit": "900.00"});
    assert_eq!(lowest.ok().body, expected);
    let price = json!({"price": "7680.00", "cost_to_come": "500.00", "wanted_profit": "900.00", "rate_percent": "20", "scheme": "margin"});
    let most = ask(&shop, Role::Proprietor, "most-to-pay", &price)
        .await
        .ok();
    assert_eq!(
        most.body,
        json!({"most_to_pay": "6000.00", "tax": "280.00"})
    );
    let too_dear = json!({"price": "1000.00", "cost_to_come": "900.00", "wanted_profit": "900.00", "rate_percent": "20", "scheme": "margin"});
    let none = ask(&shop, Role::Proprietor, "most-to-pay", &too_dear)
        .await
        .ok();
    assert_eq!(none.body, json!({"most_to_pay": null, "tax": null}));
}

/// The profit is not monotone in the price: of 7021.28, .29 and .30 only the middle one makes no loss (by exact
/// fractions).
#[actix_web::test]
async fn the_lowest_price_is_found_where_rounding_makes_the_profit_jump() {
    let shop = Shop::open().await;
    let question = json!({"purchase": "6000.01", "other_costs": "500.01", "selling_share_percent": "5", "rate_percent": "20", "scheme": "margin"});
    let answer = ask(&shop, Role::Seller, "lowest-price", &question)
        .await
        .ok();
    assert_eq!(answer.body["lowest_price"], "7021.29");
    assert_eq!(answer.body["profit"], "0.00");
}

#[actix_web::test]
async fn stock_is_carried_at_the_lower_of_cost_and_net_realisable_value() {
    let shop = Shop::open().await;
    let first = json!({"cost": "4850.00", "purchase": "4200.00", "price": "5400.00", "cost_to_come": "450.00",
        "selling_cost": "510.00", "scheme": "none"});
    let change = |change: Value| crate::make::with(first.clone(), &change);
    for (question, value, down, reversal, carried) in [
        (first.clone(), "4440.00", "410.00", "0.00", "4440.00"),
        (
            change(json!({"scheme": "margin", "rate_percent": "20"})),
            "4240.00",
            "610.00",
            "0.00",
            "4240.00",
        ),
        (
            change(
                json!({"price": "6000.00", "selling_cost": "540.00", "carrying_amount_before": "4440.00"}),
            ),
            "5010.00",
            "0.00",
            "410.00",
            "4850.00",
        ),
        (
            change(
                json!({"cost": "3000.00", "purchase": "3000.00", "price": "3900.00", "cost_to_come": "0.00", "selling_cost": "0.00"}),
            ),
            "3900.00",
            "0.00",
            "0.00",
            "3000.00",
        ),
    ] {
        let answer = ask(&shop, Role::Bookkeeper, "carrying-amount", &question)
            .await
            .ok();
        let value_of = |member: &str| answer.body[member].clone();
        assert_eq!(value_of("net_realisable_value"), value, "{question}");
        assert_eq!(value_of("write_down"), down, "{question}");
        assert_eq!(value_of("reversal"), reversal, "{question}");
        assert_eq!(value_of("carrying_amount"), carried, "{question}");
    }
}

/// Consumer Rights Act 2015 s.22; Consumer Contracts Regulations 2013.
#[actix_web::test]
async fn the_statutory_deadlines_follow_from_the_rules() {
    let shop = Shop::open().await;
    let delivered =
        json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-03-03"});
    let with = |change: Value| crate::make::with(delivered.clone(), &change);
    for (question, member, day) in [
        (
            delivered.clone(),
            "short_term_reject_until",
            json!("2025-04-02"),
        ),
        (
            with(json!({"repairs": [{"asked_on": "2025-03-20", "returned_on": "2025-03-31"}]})),
            "short_term_reject_until",
            json!("2025-04-14"),
        ),
        (
            with(json!({"repairs": [{"asked_on": "2025-03-31", "returned_on": "2025-04-01"}]})),
            "short_term_reject_until",
            json!("2025-04-08"),
        ),
        (
            with(json!({"sold_at_distance": true, "delivered_on": "2025-06-10"})),
            "cancel_until",
            json!("2025-06-24"),
        ),
        (
            with(
                json!({"sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"}),
            ),
            "refund_by",
            json!("2025-07-10"),
        ),
        (
            with(json!({"buyer_is_consumer": false})),
            "short_term_reject_until",
            json!(null),
        ),
    ] {
        let answer = ask(&shop, Role::Website, "statutory-deadlines", &question)
            .await
            .ok();
        assert_eq!(answer.body[member], day, "{question}");
    }
    let early = with(json!({"sent_back_on": "2025-03-01"}));
    ask(&shop, Role::Fitter, "statutory-deadlines", &early)
        .await
        .invalid_at("/sent_back_on");
}

#[actix_web::test]
async fn a_bad_amount_is_refused_with_its_member() {
    let shop = Shop::open().await;
    let margin = json!({"purchase": "1500.00", "sale": "2000.00", "rate_percent": "20"});
    for (change, pointer) in [
        (json!({"purchase": "1500.001"}), "/purchase"),
        (json!({"purchase": 1500}), "/purchase"),
        (json!({"sale": "-1.00"}), "/sale"),
        (json!({"rate_percent": "20.001"}), "/rate_percent"),
        (json!({"rate_percent": "1000"}), "/rate_percent"),
        (json!({"rate_percent": -1}), "/rate_percent"),
        (json!({"sale": "99999999999.00"}), "/sale"),
    ] {
        let question = crate::make::with(margin.clone(), &change);
        ask(&shop, Role::Seller, "margin-tax", &question)
            .await
            .invalid_at(pointer);
    }
    let both = json!({"purchase": "-1.00", "sale": "-1.00", "rate_percent": "20"});
    let refused = ask(&shop, Role::Seller, "margin-tax", &both).await;
    refused.invalid_at("/purchase").invalid_at("/sale");
    let beyond = json!({"purchase": "9999999999.99", "other_costs": "9999999999.99", "rate_percent": "20", "scheme": "margin"});
    ask(&shop, Role::Seller, "lowest-price", &beyond)
        .await
        .refused("invalid");
    let no_rate = json!({"cost": "1.00", "purchase": "1.00", "price": "1.00", "cost_to_come": "0.00", "selling_cost": "0.00", "scheme": "margin"});
    ask(&shop, Role::Seller, "carrying-amount", &no_rate)
        .await
        .invalid_at("/rate_percent");
    for role in [Role::Fitter, Role::Website] {
        ask(&shop, role, "margin-tax", &margin)
            .await
            .refused("forbidden");
    }
    assert_eq!(shop.journal().await, [""; 0]);
}
