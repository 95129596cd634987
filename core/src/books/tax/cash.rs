//! The cash rule: checks before a payment whether linked cash reaches the limit of the day.

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
/// transaction (Money Laundering Regulations 2017 reg. 14, from memory). The sign of `amount` does not matter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CashPayment {
    pub on: Day,
    pub amount: Money,
    pub method: PaymentMethod,
    /// Whether notes were paid into the firm's bank account.
    pub notes_into_bank: bool,
}

/// The value of one unit of a foreign currency in the firm's, on the days from `from` to `until`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExchangeRow {
    pub currency: TaxUnit,
    pub worth: Ratio,
    pub from: Day,
    /// Last day, inclusive; `None`: no end.
    pub until: Option<Day>,
}

words! {
    pub enum CashResult {
        /// The linked cash stays below the limit.
        Below = "below",
        /// The limit is reached: registration is needed before the payment.
        Reaches = "reaches",
        /// The limit is in another currency, and no exchange rate is in force on the day.
        ExchangeRowMissing = "exchange_row_missing",
        /// No cash rule of the jurisdiction is in force.
        NoRule = "no_rule",
    }
}

/// The result of the cash rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct CashAnswer {
    pub result: CashResult,
    /// The linked cash including this payment, in the firm's currency; null if it is beyond the range of amounts.
    pub cash: Option<Money>,
    /// The limit in force on the day of this payment; null without a rule.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "10000"))]
    pub limit: Option<String>,
    /// ISO 4217.
    pub limit_currency: Option<TaxUnit>,
    /// Where the rule is published.
    #[cfg_attr(feature = "wire", schema(max_length = 300))]
    pub source: Option<String>,
    /// How certain the rule is.
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

    /// Whether it counts together with another payment of the same person: within the days of the rule, in either
    /// direction.
    pub fn is_linked_to(&self, other: &CashPayment, days: i32) -> bool {
        self.on.days_since(other.on).abs() <= days
    }

    /// In pennies, if it is cash; otherwise 0.
    fn cash(&self) -> i128 {
        if self.in_cash() {
            self.amount.pennies().abs()
        } else {
            0
        }
    }
}

/// Cash payments of one person within this many days of each other are added up, by the row in force on the day; 0
/// without a row: those of one day.
pub fn cash_linked_days(rules: &[TaxRule], jurisdiction: &Jurisdiction, on: Day) -> i32 {
    let row = in_force(rules, jurisdiction, TaxRuleKey::CashLinkedDays, on);
    row.and_then(|row| row.value)
        .and_then(|days| days.to_i32())
        .unwrap_or(0)
}

/// Whether the cash of one trade reaches the limit with this payment, by the row in force on its day.
///
/// `currency`: the firm's, ISO 4217. A limit in another currency needs the exchange rate of the day.
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
        // Cash beyond the range of amounts is above any limit.
        (Some(_), Ok(_) | Err(_)) => CashResult::Reaches,
    }
}
