//! The cash rule: whether linked cash reaches the limit of the day, told before it is taken or paid.

use super::rules::{TaxRule, TaxRuleKey, TaxUnit, in_force};
use crate::{
    boilers::codes::{Jurisdiction, Mark},
    days::Day,
    money::Money,
    pricing::price_scale::Ratio,
    trade::PaymentMethod,
};
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;

/// A payment of one trade, received or paid: both count, as the law speaks of payments made or received in respect of a
/// transaction (Money Laundering Regulations 2017 reg. 14, from memory). `amount` is counted without its sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CashPayment {
    pub on: Day,
    pub amount: Money,
    pub method: PaymentMethod,
    /// Notes that were paid into the firm's bank account.
    pub notes_into_bank: bool,
}

/// What one unit of a foreign currency was worth in the firm's, on the days from `from` to `until`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExchangeRow {
    pub currency: TaxUnit,
    pub worth: Ratio,
    pub from: Day,
    /// Last day, inclusive; none while the row is in force.
    pub until: Option<Day>,
}

words! {
    pub enum CashResult {
        Below = "below",
        /// Registration is needed before the payment.
        Reaches = "reaches",
        /// The limit of the day is in another currency, and no exchange row is in force.
        ExchangeRowMissing = "exchange_row_missing",
        /// No row of the jurisdiction is in force.
        NoRule = "no_rule",
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct CashAnswer {
    pub result: CashResult,
    /// The linked cash, the coming payment included, in the firm's currency; null when it is beyond all amounts.
    pub cash: Option<Money>,
    /// Of the row in force on the day of the coming payment.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "10000"))]
    pub limit: Option<String>,
    /// ISO 4217.
    pub limit_currency: Option<TaxUnit>,
    #[cfg_attr(feature = "wire", schema(max_length = 300))]
    pub source: Option<String>,
    /// How sure that row is.
    pub confidence: Option<Mark>,
}

impl CashPayment {
    /// Notes and coins, over the counter or into the firm's bank account.
    pub fn in_cash(&self) -> bool {
        match self.method {
            PaymentMethod::Cash => true,
            PaymentMethod::Transfer
            | PaymentMethod::Card
            | PaymentMethod::Cheque
            | PaymentMethod::PartExchange => self.notes_into_bank,
        }
    }

    /// Whether it is one sum with another of the same person: within the days of the row, in either direction.
    pub fn is_linked_to(&self, other: &CashPayment, days: i32) -> bool {
        self.on.days_since(other.on).abs() <= days
    }

    /// In pennies, as far as it is cash.
    fn cash(&self) -> i128 {
        if self.in_cash() {
            self.amount.pennies().abs()
        } else {
            0
        }
    }
}

/// Within how many days of each other cash payments of one person are one sum, by the row in force on the day; 0 without a row: those
/// of one day.
pub fn cash_linked_days(rules: &[TaxRule], jurisdiction: &Jurisdiction, on: Day) -> i32 {
    let row = in_force(rules, jurisdiction, TaxRuleKey::CashLinkedDays, on);
    row.and_then(|row| row.value)
        .and_then(|days| days.to_i32())
        .unwrap_or(0)
}

/// Whether the cash of one trade reaches the limit with the coming payment, by the row in force on its day.
///
/// `currency`: the firm's, ISO 4217. A limit in another currency needs the exchange row of the day.
pub fn cash_reached(
    rules: &[TaxRule],
    exchange: &[ExchangeRow],
    jurisdiction: &Jurisdiction,
    currency: &str,
    linked: &[CashPayment],
    coming: &CashPayment,
) -> CashAnswer {
    let cash = linked.iter().map(CashPayment::cash).sum::<i128>() + coming.cash();
    let row = in_force(rules, jurisdiction, TaxRuleKey::CashLimit, coming.on);
    let result = row.map_or(CashResult::NoRule, |row| {
        result(row, exchange, currency, cash, coming.on)
    });
    CashAnswer {
        result,
        cash: Money::from_pennies(cash).ok(),
        limit: row
            .and_then(|row| row.value)
            .map(|limit| limit.normalize().to_string()),
        limit_currency: row.map(|row| row.unit),
        source: row.map(|row| row.source.clone()),
        confidence: row.map(|row| row.mark),
    }
}

fn result(
    row: &TaxRule,
    exchange: &[ExchangeRow],
    currency: &str,
    cash: i128,
    on: Day,
) -> CashResult {
    let Some(limit) = row.value else {
        return CashResult::NoRule;
    };
    let limit = if row.unit.as_str() == currency {
        Some(limit)
    } else {
        exchange
            .iter()
            .filter(|held| {
                held.currency == row.unit
                    && held.from <= on
                    && held.until.is_none_or(|until| on <= until)
            })
            .max_by_key(|held| held.from)
            .and_then(|held| limit.checked_mul(held.worth.decimal()))
    };
    match (limit, Money::from_pennies(cash)) {
        (None, _) => CashResult::ExchangeRowMissing,
        (Some(limit), Ok(cash)) if cash.decimal() < limit => CashResult::Below,
        // More cash than an amount can hold is above any limit.
        (Some(_), Ok(_) | Err(_)) => CashResult::Reaches,
    }
}
