//! The cash rule: whether the linked cash of a trade reaches the limit, asked before it is taken or paid.

use crate::{
    body::Body,
    db::{Db, RunQueryDsl, Tx},
    exchange_rates, firm,
    keys::SellingRead,
    operations::Operations,
    page::shown,
    problem::{FieldError, Problem, Problems},
    sales,
    schema::{payments, payouts},
    tax_rules,
    text::Text,
};
use actix_web::{HttpRequest, HttpResponse, post, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    codes::Mark,
    days::Day,
    money::Money,
    tax::{CashAnswer, CashPayment, CashVerdict, cash_reached},
    trade::{PaymentMethod, Role},
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.service(calculate_cash_rule);
}

// Types

/// A payment that is thought of, received or paid.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"amount": "4500.00", "cash_so_far": "6000.00", "on": "2026-07-01"}))]
pub struct CashQuestion {
    /// Not 0; the sign plays no part.
    pub amount: Money,
    /// `cash` unless told otherwise.
    pub method: Option<PaymentMethod>,
    /// Notes that are paid into the firm's bank account.
    #[serde(default)]
    pub notes_into_bank: bool,
    /// The day of the payment; today unless told otherwise.
    pub on: Option<Day>,
    /// The sale that it is for: what was received and paid out for it is linked.
    #[schema(minimum = 1)]
    pub sale_id: Option<i64>,
    /// Other cash of the same trade, 0 or more.
    pub cash_so_far: Option<Money>,
}

#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"verdict": "reaches", "cash": "10500.00", "limit": "10000", "limit_currency": "GBP",
    "source": "amending regulations of 2026, as reported", "confidence": "low_confidence",
    "cautions": ["The rule is not certain: see its source and confidence."]}))]
pub struct CashRule {
    #[serde(flatten)]
    pub answer: CashAnswer,
    #[schema(max_items = 5)]
    pub cautions: Vec<Text<400>>,
}

// Routes

/// Say whether a payment brings the linked cash of a trade to the limit
///
/// Cash received and cash paid both count, as do notes into the firm's bank account. Ask before the payment; nothing is
/// stored.
#[utoipa::path(tag = "money", operation_id = "calculate_cash_rule", request_body = CashQuestion,
    responses((status = 200, body = CashRule), Problems), extensions(("x-roles" = json!(["proprietor", "seller", "bookkeeper"]))))]
#[post("/calculations/cash-rule")]
async fn calculate_cash_rule(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    question: Body<CashQuestion>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    let mut linked = Vec::new();
    let mut broken = Vec::new();
    if question.amount == Money::ZERO {
        broken.push(("/amount", "0 is no payment".to_owned()));
    }
    if question.cash_so_far.is_some_and(Money::is_negative) {
        broken.push(("/cash_so_far", "not 0 or more".to_owned()));
    }
    if let Some(sale) = question.sale_id {
        if sales::exists(&mut conn, sale).await? {
            linked = of_sale(&mut conn, sale).await?;
        } else {
            broken.push(("/sale_id", format!("there is no sale {sale}")));
        }
    }
    if !broken.is_empty() {
        let told = broken.into_iter().map(|(pointer, detail)| FieldError {
            pointer: pointer.to_owned(),
            detail,
        });
        return Err(Problem::invalid_all(told.collect()));
    }
    let coming = CashPayment {
        on: question.on.unwrap_or(actor.today),
        amount: question.amount,
        method: question.method.unwrap_or(PaymentMethod::Cash),
        notes_into_bank: question.notes_into_bank,
    };
    linked.extend(question.cash_so_far.map(|amount| CashPayment {
        amount,
        method: PaymentMethod::Cash,
        ..coming
    }));
    let answer = answer(&mut conn, &linked, &coming).await?;
    let cautions = cautions(&answer)
        .into_iter()
        .map(|caution| caution.parse().map_err(Problem::internal));
    let rule = CashRule {
        cautions: cautions.collect::<Result<_, _>>()?,
        answer,
    };
    shown(&req, &rule)
}

fn cautions(answer: &CashAnswer) -> Vec<&'static str> {
    let mut cautions = match answer.verdict {
        CashVerdict::Below | CashVerdict::NoRule => Vec::new(),
        CashVerdict::Reaches => {
            vec!["Whoever takes or pays so much in cash has to be registered first; ask before."]
        }
        CashVerdict::ExchangeRowMissing => {
            vec!["The limit is in another currency: add its rate at /v1/exchange-rates."]
        }
    };
    match answer.confidence {
        Some(Mark::Published) | None => {}
        Some(
            Mark::LowConfidence
            | Mark::PlainReading
            | Mark::CommonPractice
            | Mark::FromMemory
            | Mark::NotFound,
        ) => cautions.push("The rule is not certain: see its source and confidence."),
    }
    cautions.push("That payments in both directions count together is from memory.");
    cautions
}

/// Refuses cash that brings a trade to the limit, unless the proprietor says that this is known. What is no cash passes.
pub(crate) async fn must_be_below(
    tx: &mut Tx<'_>,
    linked: &[CashPayment],
    coming: &CashPayment,
    acknowledged: bool,
) -> Result<(), Problem> {
    if acknowledged && tx.actor.role != Role::Proprietor {
        let detail = "the proprietor alone acknowledges that the limit is reached";
        return Err(Problem::invalid("/cash_limit_acknowledged", detail));
    }
    if acknowledged || !coming.in_cash() {
        return Ok(());
    }
    let answer = answer(tx.conn(), linked, coming).await?;
    let limit = answer.limit.as_deref().unwrap_or_default();
    let currency = answer.limit_currency.map_or("", |unit| unit.as_str());
    let rule = format!(
        "the cash rule ({}; {})",
        answer.source.as_deref().unwrap_or_default(),
        answer.confidence.map_or("", |mark| mark.as_str())
    );
    let refusal = match answer.verdict {
        CashVerdict::Below | CashVerdict::NoRule => return Ok(()),
        CashVerdict::Reaches => format!(
            "with this payment the cash of the trade reaches the limit of {limit} {currency} of {rule}: registration is needed \
             first; take it another way, or the proprietor says cash_limit_acknowledged"
        ),
        CashVerdict::ExchangeRowMissing => format!(
            "the limit of {limit} {currency} of {rule} is in another currency, and no rate of the day is on record: add it at \
             /v1/exchange-rates, or the proprietor says cash_limit_acknowledged"
        ),
    };
    Err(Problem::conflict(refusal))
}

// SQL

async fn answer(
    conn: &mut AsyncPgConnection,
    linked: &[CashPayment],
    coming: &CashPayment,
) -> Result<CashAnswer, Problem> {
    let firm = firm::find(conn).await?;
    let rules = tax_rules::of(conn, &firm.jurisdiction).await?;
    let exchange = exchange_rates::all(conn).await?;
    let (place, currency) = (&firm.jurisdiction, &firm.currency);
    Ok(cash_reached(
        &rules, &exchange, place, currency, linked, coming,
    ))
}

/// All that was received for a sale and paid to the owner of its engine: one trade, taken cautiously (plain reading, no
/// source).
pub(crate) async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale: i64,
) -> Result<Vec<CashPayment>, Problem> {
    let received: Vec<(Day, Money, PaymentMethod, bool)> = payments::table
        .filter(payments::sale_id.eq(sale))
        .select((
            payments::on_day,
            payments::amount,
            payments::method,
            payments::notes_into_bank,
        ))
        .load(conn)
        .await?;
    let paid: Vec<(Day, Money, PaymentMethod)> = payouts::table
        .filter(payouts::sale_id.eq(sale))
        .select((payouts::on_day, payouts::amount, payouts::method))
        .load(conn)
        .await?;
    let paid = paid
        .into_iter()
        .map(|(on, amount, method)| (on, amount, method, false));
    let all = received.into_iter().chain(paid);
    let all = all.map(|(on, amount, method, notes_into_bank)| CashPayment {
        on,
        amount,
        method,
        notes_into_bank,
    });
    Ok(all.collect())
}
