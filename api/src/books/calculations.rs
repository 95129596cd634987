//! Money calculations that store nothing: margins, the most to pay, carrying amounts, statutory deadlines.

use crate::{
    books::statutory_periods,
    ground::{
        actor::{AnyKey, SellingRead},
        answers::{Reply, respond},
        body::Body,
        db::Db,
        operations::Operations,
        problem::{FieldError, Problem},
    },
};
use actix_web::{HttpRequest, web};
use outshop_core::books::{
    costs::{
        CarryingAmount, CarryingAmountQuestion, LowestPrice, LowestPriceQuestion, MostToPay,
        MostToPayQuestion, carrying_amount, lowest_price, most_to_pay,
    },
    tax::{MarginTax, MarginTaxQuestion, MoneyFault, margin_tax},
    terms::{
        CancelledRefund, RefundQuestion, StatutoryDeadlines, StatutoryDeadlinesQuestion,
        cancelled_refund, statutory_deadlines,
    },
};
use outshop_operation::post;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(calculate_margin_tax)
        .service(calculate_lowest_price)
        .service(calculate_most_to_pay)
        .service(calculate_carrying_amount)
        .service(calculate_statutory_deadlines)
        .service(calculate_refund);
}

impl From<Vec<MoneyFault>> for Problem {
    fn from(faults: Vec<MoneyFault>) -> Problem {
        let errors = faults.into_iter().map(|fault| FieldError {
            pointer: fault.pointer(),
            detail: fault.to_string(),
        });
        Problem::invalid_all(errors.collect())
    }
}

// Routes

/// Calculate the tax under the margin scheme
///
/// Repairs and parts are never part of the purchase price. Nothing is stored.
#[post("/calculations/margin-tax",
    200(body = MarginTax, example = json!({"margin": "500.00", "tax": "83.33", "net_of_tax": "1916.67"})),
    request_body(example = json!({"purchase": "1500.00", "sale": "2000.00", "rate_percent": "20"})))]
async fn calculate_margin_tax(
    _by: SellingRead,
    req: HttpRequest,
    question: Body<MarginTaxQuestion>,
) -> Reply {
    respond(&req, &margin_tax(&question)?)
}

/// Calculate the lowest price for a wanted profit
///
/// Exact to the penny: a penny less misses the wanted profit. Nothing is stored.
#[post("/calculations/lowest-price",
    200(body = LowestPrice, example = json!({"lowest_price": "7680.00", "tax": "280.00",
        "selling_cost": "0.00", "profit": "900.00"})),
    request_body(example = json!({"purchase": "6000.00", "other_costs": "500.00",
        "rate_percent": "20", "scheme": "margin", "wanted_profit": "900.00"})))]
async fn calculate_lowest_price(
    _by: SellingRead,
    req: HttpRequest,
    question: Body<LowestPriceQuestion>,
) -> Reply {
    respond(&req, &lowest_price(&question)?)
}

/// Calculate the most that can be paid for an engine
///
/// Exact to the penny: a penny more misses the wanted profit. Nothing is stored.
#[post("/calculations/most-to-pay", 200(body = MostToPay, example = json!({"most_to_pay": "6000.00", "tax": "280.00"})),
    request_body(example = json!({"price": "7680.00", "cost_to_come": "500.00",
        "wanted_profit": "900.00", "rate_percent": "20", "scheme": "margin"})))]
async fn calculate_most_to_pay(
    _by: SellingRead,
    req: HttpRequest,
    question: Body<MostToPayQuestion>,
) -> Reply {
    respond(&req, &most_to_pay(&question)?)
}

/// Calculate an engine's carrying amount (lower of cost and net realisable value)
///
/// A reversal goes no higher than cost. Nothing is stored.
#[post("/calculations/carrying-amount",
    200(body = CarryingAmount, example = json!({"net_realisable_value": "4440.00", "tax": "0.00",
        "write_down": "410.00", "reversal": "0.00", "carrying_amount": "4440.00"})),
    request_body(example = json!({"cost": "4850.00", "purchase": "4200.00",
        "price": "5400.00", "cost_to_come": "450.00", "selling_cost": "510.00", "scheme": "none"})))]
async fn calculate_carrying_amount(
    _by: SellingRead,
    req: HttpRequest,
    question: Body<CarryingAmountQuestion>,
) -> Reply {
    respond(&req, &carrying_amount(&question)?)
}

/// Calculate the buyer's statutory deadlines (reject, cancel, refund)
///
/// Uses the rules in force on the day of delivery. They apply to sales to consumers; a dispute is a matter for a
/// lawyer. Nothing is stored.
#[post("/calculations/statutory-deadlines",
    200(body = StatutoryDeadlines, example = json!({"short_term_reject_until": "2025-07-10",
        "short_term_clock_stopped": false, "cancel_until": "2025-06-24", "cancelled_in_time": null, "send_back_by": null,
        "refund_by": "2025-07-10", "rules": [
            {"rule": "cancel_days", "value": 14, "unit": "days", "source": "Consumer Contracts Regulations 2013 reg. 30",
                "confidence": "published"}]})),
    request_body(example = json!({"jurisdiction": "GB", "sold_at_distance": true,
        "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"})))]
async fn calculate_statutory_deadlines(
    _by: AnyKey,
    req: HttpRequest,
    db: web::Data<Db>,
    question: Body<StatutoryDeadlinesQuestion>,
) -> Reply {
    let terms = statutory_periods::of(&mut *db.read().await?, &question.jurisdiction).await?;
    let answer = statutory_deadlines(&question, &terms).map_err(|faults| {
        let errors = faults.into_iter().map(|fault| FieldError {
            pointer: fault.pointer(),
            detail: fault.to_string(),
        });
        Problem::invalid_all(errors.collect())
    })?;
    respond(&req, &answer)
}

/// Calculate the refund when a buyer cancels a distance sale
///
/// The price and the cheapest ordinary delivery, less any value lost by handling beyond what is allowed in a shop. How
/// much was lost must be judged by a person. Nothing is stored.
#[post("/calculations/refund",
    200(body = CancelledRefund, example = json!({"refund": "4720.00", "delivery": "120.00", "kept": "350.00"})),
    request_body(example = json!({"price": "4950.00", "delivery_paid": "260.00", "delivery_cheapest": "120.00",
        "value_lost": "350.00"})))]
async fn calculate_refund(
    _by: SellingRead,
    req: HttpRequest,
    question: Body<RefundQuestion>,
) -> Reply {
    respond(&req, &cancelled_refund(&question)?)
}
