//! The cash rule: checks before a payment whether linked cash reaches the legal limit.

use crate::{
    books::{exchange_rates, tax_rules},
    firm::{firm, persons},
    ground::{
        actor::SellingRead,
        answers::{Reply, respond},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        operations::Operations,
        problem::{FieldError, Problem},
        text::Text,
    },
    schema::sales,
};
use actix_web::{HttpRequest, web};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Bool, Date, Nullable, Numeric, Text as SqlText},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::codes::Mark,
    books::tax::{CashAnswer, CashPayment, CashResult, cash_linked_days, cash_reached},
    days::Day,
    money::Money,
    trade::{PaymentMethod, Role},
};
use outshop_operation::post;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money").service(calculate_cash_rule);
}

// Types

/// A payment to check, received or paid.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"amount": "4500.00", "cash_so_far": "6000.00", "on": "2026-07-01"}))]
pub struct CashQuestion {
    /// Not 0; the sign does not matter.
    pub amount: Money,
    /// null: `cash`.
    pub method: Option<PaymentMethod>,
    /// Whether notes are paid into the firm's bank account.
    #[serde(default)]
    pub notes_into_bank: bool,
    /// The day of the payment; null: today.
    pub on: Option<Day>,
    /// The part for services only, such as a repair, from 0 to the amount: the rule covers goods.
    #[serde(default)]
    pub for_services: Money,
    /// The sale that it is for: cash received and paid out for it is linked.
    pub sale_id: Option<i64>,
    /// The payer or payee; null: the buyer of the sale. Cash of the same person within the days of the rule is linked;
    /// their other cash is reported.
    pub person_id: Option<i64>,
    /// Further cash of the same trade, 0 or more.
    pub cash_so_far: Option<Money>,
}

/// The result of the cash rule, with what it counted and what still needs checking.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"result": "reaches", "cash": "10500.00", "limit": "10000", "limit_currency": "GBP",
    "source": "amending regulations of 2026, as reported", "confidence": "low_confidence", "linked_days": 30, "other_cash": "0.00",
    "cautions": ["The rule is not certain: see its source and confidence."]}))]
pub struct CashRule {
    #[serde(flatten)]
    pub answer: CashAnswer,
    /// Cash of one person is added up within this many days.
    #[schema(minimum = 0, maximum = 3660)]
    pub linked_days: i32,
    /// Cash of the same person at other times; null if it is beyond the range of amounts.
    pub other_cash: Option<Money>,
    /// Points to check.
    #[schema(max_items = 6)]
    pub cautions: Vec<Text<400>>,
}

// Routes

/// Check whether a payment takes linked cash payments to the legal cash limit
///
/// Counts cash received and paid, and notes into the firm's bank account. Ask before the payment; nothing is stored.
#[post("/calculations/cash-rule", 200 = CashRule)]
async fn calculate_cash_rule(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    question: Body<CashQuestion>,
) -> Reply {
    let mut conn = db.read().await?;
    let mut broken = Vec::new();
    if question.amount == Money::ZERO {
        broken.push(("/amount", "must not be 0".to_owned()));
    }
    if question.cash_so_far.is_some_and(Money::is_negative) {
        broken.push(("/cash_so_far", "must be 0 or more".to_owned()));
    }
    let goods = question.amount.pennies().abs() - question.for_services.pennies();
    if question.for_services.is_negative() || goods < 0 {
        let detail = "must be from 0 to the amount".to_owned();
        broken.push(("/for_services", detail));
    }
    let mut trade = Trade {
        person: question.person_id,
        sale: question.sale_id,
        ..Trade::default()
    };
    if let Some(sale) = question.sale_id {
        match buyer_of(&mut conn, sale).await? {
            Some(buyer) => trade.person = trade.person.or(Some(buyer)),
            None => broken.push(("/sale_id", format!("there is no sale {sale}"))),
        }
    }
    if !broken.is_empty() {
        let errors = broken.into_iter().map(|(pointer, detail)| FieldError {
            pointer: pointer.to_owned(),
            detail,
        });
        return Err(Problem::invalid_all(errors.collect()));
    }
    if let Some(person) = question.person_id {
        persons::must_exist(&mut conn, person, "/person_id").await?;
    }
    let coming = CashPayment {
        on: question.on.unwrap_or(actor.today),
        amount: Money::from_pennies(goods).map_err(Problem::internal)?,
        method: question.method.unwrap_or(PaymentMethod::Cash),
        notes_into_bank: question.notes_into_bank,
    };
    let so_far = question.cash_so_far.map(|amount| CashPayment {
        amount,
        method: PaymentMethod::Cash,
        ..coming
    });
    let judged = judged(&mut conn, &trade, &coming, so_far).await?;
    let cautions = cautions(&judged)
        .into_iter()
        .map(|caution| caution.parse().map_err(Problem::internal));
    let rule = CashRule {
        cautions: cautions.collect::<Result<_, _>>()?,
        linked_days: judged.linked_days,
        other_cash: judged.other_cash,
        answer: judged.answer,
    };
    respond(&req, &rule)
}

fn cautions(judged: &Judged) -> Vec<String> {
    let answer = &judged.answer;
    let mut cautions: Vec<String> = cautions_of(answer).into_iter().map(str::to_owned).collect();
    cautions.extend(judged.warning());
    cautions
}

fn cautions_of(answer: &CashAnswer) -> Vec<&'static str> {
    let mut cautions = match answer.result {
        CashResult::Below | CashResult::NoRule => Vec::new(),
        CashResult::Reaches => {
            vec![
                "Anyone who takes or pays this much in cash must be registered first; ask before the payment.",
            ]
        }
        CashResult::ExchangeRowMissing => {
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
    cautions.push("Counting payments in both directions together is a plain reading of the rule.");
    cautions
}

/// What a payment belongs to, as far as it is known.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Trade {
    /// The payer or payee.
    pub person: Option<i64>,
    pub sale: Option<i64>,
    pub acquisition: Option<i64>,
    pub reservation: Option<i64>,
    pub cost: Option<i64>,
}

/// The result of the rule for a payment.
struct Judged {
    answer: CashAnswer,
    linked_days: i32,
    /// Cash of the same person at other times; `None` if it is beyond the range of amounts.
    other_cash: Option<Money>,
    /// Whether the limit is reached if cash at other times is added.
    reached_with_others: bool,
}

impl Judged {
    /// Whether two payments of one person at other times belong to one trade is for a person to decide.
    fn warning(&self) -> Option<String> {
        let other = self
            .other_cash
            .map_or_else(|| "much".to_owned(), |cash| cash.to_string());
        self.reached_with_others.then(|| {
            format!(
                "Cash of {other} passed between the firm and this person more than {} days before or after: with it the limit \
                 is reached. Decide whether it is one trade paid in parts.",
                self.linked_days
            )
        })
    }
}

/// Refuses cash that takes a trade to the limit, unless the proprietor acknowledges it. Other payments pass. Returns
/// what needs checking.
pub(crate) async fn must_be_below(
    tx: &mut Tx<'_>,
    trade: &Trade,
    coming: &CashPayment,
    acknowledged: bool,
) -> Result<Vec<Text<400>>, Problem> {
    if acknowledged && tx.actor.role != Role::Proprietor {
        let detail = "only the proprietor may acknowledge that the limit is reached";
        return Err(Problem::invalid("/cash_limit_acknowledged", detail));
    }
    if acknowledged || !coming.in_cash() {
        return Ok(Vec::new());
    }
    let judged = judged(tx.conn(), trade, coming, None).await?;
    let warning = judged.warning();
    let answer = judged.answer;
    let limit = answer.limit.as_deref().unwrap_or_default();
    let currency = answer.limit_currency.map_or("", |unit| unit.as_str());
    let rule = format!(
        "the cash rule ({}; {})",
        answer.source.as_deref().unwrap_or_default(),
        answer.confidence.map_or("", |mark| mark.as_str())
    );
    let refusal = match answer.result {
        CashResult::Below | CashResult::NoRule => {
            let warning = warning.map(|words| words.parse().map_err(Problem::internal));
            return warning.into_iter().collect();
        }
        CashResult::Reaches => format!(
            "with this payment the cash of the trade reaches the limit of {limit} {currency} of {rule}: the firm must be \
             registered first; use another method, or let the proprietor send cash_limit_acknowledged"
        ),
        CashResult::ExchangeRowMissing => format!(
            "the limit of {limit} {currency} of {rule} is in another currency, and no exchange rate for the day is on record: add it at \
             /v1/exchange-rates, or let the proprietor send cash_limit_acknowledged"
        ),
    };
    Err(Problem::conflict(refusal))
}

// SQL

/// A recorded payment in cash.
#[derive(QueryableByName)]
struct Move {
    #[diesel(sql_type = Date)]
    on_day: Day,
    #[diesel(sql_type = Numeric)]
    amount: Money,
    #[diesel(sql_type = SqlText)]
    method: PaymentMethod,
    #[diesel(sql_type = Bool)]
    notes_into_bank: bool,
    /// Belongs to the same sale, purchase, reservation or cost, so it is linked whenever it was paid.
    #[diesel(sql_type = Bool)]
    of_trade: bool,
}

/// Cash of one trade is linked whenever it was paid, in both directions, including payments to the owner of its engine
/// (plain reading, no source); other cash of the same person is linked within the days of the rule.
async fn judged(
    conn: &mut AsyncPgConnection,
    trade: &Trade,
    coming: &CashPayment,
    so_far: Option<CashPayment>,
) -> Result<Judged, Problem> {
    let firm = firm::find(conn).await?;
    let rules = tax_rules::of(conn, &firm.jurisdiction).await?;
    let exchange = exchange_rates::all(conn).await?;
    let linked_days = cash_linked_days(&rules, &firm.jurisdiction, coming.on);
    let moves: Vec<Move> = diesel::sql_query(include_str!("cash_rule/of_person.sql"))
        .bind::<Nullable<BigInt>, _>(trade.person)
        .bind::<Nullable<BigInt>, _>(trade.sale)
        .bind::<Nullable<BigInt>, _>(trade.acquisition)
        .bind::<Nullable<BigInt>, _>(trade.reservation)
        .bind::<Nullable<BigInt>, _>(trade.cost)
        .load(conn)
        .await?;
    let mut linked: Vec<CashPayment> = so_far.into_iter().collect();
    let mut others = Vec::new();
    for moved in moves {
        let payment = CashPayment {
            on: moved.on_day,
            amount: moved.amount,
            method: moved.method,
            notes_into_bank: moved.notes_into_bank,
        };
        if moved.of_trade || payment.is_linked_to(coming, linked_days) {
            linked.push(payment);
        } else {
            others.push(payment);
        }
    }
    let (place, currency) = (&firm.jurisdiction, &firm.currency);
    let reached =
        |linked: &[CashPayment]| cash_reached(&rules, &exchange, place, currency, linked, coming);
    let answer = reached(&linked);
    let other_cash = others.iter().map(|it| it.amount.pennies().abs()).sum();
    let with_others = [linked, others].concat();
    Ok(Judged {
        reached_with_others: answer.result == CashResult::Below
            && reached(&with_others).result == CashResult::Reaches,
        answer,
        linked_days,
        other_cash: Money::from_pennies(other_cash).ok(),
    })
}

async fn buyer_of(conn: &mut AsyncPgConnection, sale: i64) -> Result<Option<i64>, Problem> {
    Ok(sales::table
        .find(sale)
        .select(sales::person_id)
        .first(conn)
        .await
        .optional()?)
}
