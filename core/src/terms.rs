//! Last days by the law of sale to consumers: rejecting, cancelling at a distance, refunding.
//!
//! Sources: Consumer Rights Act 2015 s.22; Consumer Contracts (Information, Cancellation and Additional Charges)
//! Regulations 2013.

use crate::{
    codes::{Jurisdiction, Mark},
    days::Day,
};
use serde::{Deserialize, Deserializer, Serialize};

words! {
    /// What a row settles.
    pub enum TermKey {
        /// Short-term right to reject, counted from the day after delivery and any setting up.
        ShortTermRejectDays = "short_term_reject_days",
        /// Days that remain at least after the return from a repair or replacement.
        ShortTermLeastDaysAfterRepair = "short_term_least_days_after_repair",
        /// Cancelling a sale at a distance, counted from the day after the last lot arrived.
        CancelDays = "cancel_days",
        /// Longer when the buyer was not told of the right to cancel.
        CancelMonthsMoreUninformed = "cancel_months_more_uninformed",
        /// Refund after goods bought at a distance were sent back.
        RefundDaysAtDistance = "refund_days_at_distance",
        /// Refund after goods bought on the premises were sent back.
        RefundDaysOnPremises = "refund_days_on_premises",
    }
}

words! {
    pub enum TermUnit { Days = "days", Months = "months" }
}

/// A dated rule of the law of sale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term {
    pub jurisdiction: Jurisdiction,
    pub rule: TermKey,
    /// In `unit`, 0 to 10000.
    pub value: u16,
    pub unit: TermUnit,
    /// First day of delivery that it is for; none where it holds for all before.
    pub valid_from: Option<Day>,
    /// Last day, inclusive; none while the row is in force.
    pub valid_until: Option<Day>,
    /// Where it is printed, 1 to 300 characters.
    pub source: String,
    pub mark: Mark,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = RepairUnderComplaint))]
#[serde(deny_unknown_fields)]
pub struct Repair {
    /// The day on which the buyer asked for a repair or replacement.
    pub asked_on: Day,
    /// The day on which the buyer had the engine back; absent while it is away.
    pub returned_on: Option<Day>,
}

/// Either `delivered_on` or `lots`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LastDaysQuestion {
    pub jurisdiction: Jurisdiction,
    pub sold_at_distance: bool,
    /// The day by which the buyer owned it, had it, and any setting up was done.
    pub delivered_on: Option<Day>,
    /// The days on which the lots of one order arrived, in any order.
    #[serde(default, deserialize_with = "lots")]
    #[cfg_attr(feature = "wire", schema(min_items = 1, max_items = 100))]
    pub lots: Option<Vec<Day>>,
    #[serde(default, deserialize_with = "repairs")]
    #[cfg_attr(feature = "wire", schema(max_items = 100))]
    pub repairs: Vec<Repair>,
    /// The day of return, or of proof that it was sent.
    pub sent_back_on: Option<Day>,
    /// The law binds sales to consumers alone.
    #[serde(default = "yes")]
    #[cfg_attr(feature = "wire", schema(default = true))]
    pub buyer_is_consumer: bool,
    /// Whether the buyer was told of the right to cancel.
    #[serde(default = "yes")]
    #[cfg_attr(feature = "wire", schema(default = true))]
    pub informed_of_cancellation: bool,
}

const fn yes() -> bool {
    true
}

const MOST_ITEMS: usize = 100;

fn lots<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<Day>>, D::Error> {
    few(Option::deserialize(from)?)
}

fn repairs<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<Repair>, D::Error> {
    few(Some(Vec::deserialize(from)?)).map(Option::unwrap_or_default)
}

fn few<T, E: serde::de::Error>(items: Option<Vec<T>>) -> Result<Option<Vec<T>>, E> {
    match items {
        Some(items) if items.len() > MOST_ITEMS => {
            Err(E::custom(format!("more than {MOST_ITEMS} items")))
        }
        Some(_) | None => Ok(items),
    }
}

/// Null: there is no such right, or no rule of the jurisdiction is known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct LastDays {
    /// Last day of the short-term right to reject; null also while its clock stands still.
    pub short_term_reject_until: Option<Day>,
    /// A repair is not back yet, and the days do not run.
    pub short_term_clock_stopped: bool,
    pub cancel_until: Option<Day>,
    /// Last day for the refund; null until it is sent back, or the sale called off before it was delivered.
    pub refund_by: Option<Day>,
    /// The rules that the days follow from.
    #[cfg_attr(feature = "wire", schema(max_items = 6))]
    pub rules: Vec<TermUsed>,
}

impl LastDays {
    /// Before any day runs.
    pub const fn none() -> LastDays {
        LastDays {
            short_term_reject_until: None,
            short_term_clock_stopped: false,
            cancel_until: None,
            refund_by: None,
            rules: Vec::new(),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TermUsed {
    pub rule: TermKey,
    #[cfg_attr(feature = "wire", schema(maximum = 10000))]
    pub value: u16,
    pub unit: TermUnit,
    #[cfg_attr(feature = "wire", schema(max_length = 300))]
    pub source: String,
    pub confidence: Mark,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, thiserror::Error)]
pub enum TermFault {
    #[error("either `delivered_on` or `lots` says when it was delivered, not both")]
    DeliveredTwice,
    #[error("missing; the day of delivery, or the days of the lots")]
    NotDelivered,
    #[error("before the delivery; a day from {delivered_on}")]
    SentBackBeforeDelivery { delivered_on: Day },
    #[error("before the delivery; a day from {delivered_on}")]
    RepairBeforeDelivery { repair: usize, delivered_on: Day },
    #[error("before it was asked for; a day from {asked_on}")]
    RepairTurnedRound { repair: usize, asked_on: Day },
}

impl TermFault {
    /// JSON pointer (RFC 6901) to the member of the question that has to change.
    pub fn pointer(self) -> String {
        match self {
            TermFault::DeliveredTwice => "/lots".to_owned(),
            TermFault::NotDelivered => "/delivered_on".to_owned(),
            TermFault::SentBackBeforeDelivery { .. } => "/sent_back_on".to_owned(),
            TermFault::RepairBeforeDelivery { repair, .. } => format!("/repairs/{repair}/asked_on"),
            TermFault::RepairTurnedRound { repair, .. } => format!("/repairs/{repair}/returned_on"),
        }
    }
}

/// The last days of the law after a sale, by the rows in force on the day of delivery. Of several lots the last counts.
pub fn last_days(question: &LastDaysQuestion, terms: &[Term]) -> Result<LastDays, Vec<TermFault>> {
    let delivered_on = delivered_on(question)?;
    let faults = faults(question, delivered_on);
    if !faults.is_empty() {
        return Err(faults);
    }
    let mut used = Vec::new();
    let mut term = |rule| {
        let row = in_force(terms, &question.jurisdiction, rule, delivered_on)?;
        used.push(row.used());
        Some(row)
    };

    let mut answer = LastDays::none();
    if question.buyer_is_consumer {
        if let Some(row) = term(TermKey::ShortTermRejectDays) {
            let least = (!question.repairs.is_empty())
                .then(|| term(TermKey::ShortTermLeastDaysAfterRepair))
                .flatten();
            let until = row.after(delivered_on);
            answer.short_term_reject_until =
                with_stopped_clock(delivered_on, until, &question.repairs, least);
            answer.short_term_clock_stopped = answer.short_term_reject_until.is_none();
        }
        if question.sold_at_distance
            && let Some(row) = term(TermKey::CancelDays)
        {
            let more = (!question.informed_of_cancellation)
                .then(|| term(TermKey::CancelMonthsMoreUninformed))
                .flatten();
            let until = row.after(delivered_on);
            answer.cancel_until = Some(more.map_or(until, |more| more.after(until)));
        }
        let refund = if question.sold_at_distance {
            TermKey::RefundDaysAtDistance
        } else {
            TermKey::RefundDaysOnPremises
        };
        if let Some(sent_back_on) = question.sent_back_on
            && let Some(row) = term(refund)
        {
            answer.refund_by = Some(row.after(sent_back_on));
        }
    }
    answer.rules = used;
    Ok(answer)
}

/// The last day for the refund of a sale at a distance to a consumer that was called off before anything was delivered: its days
/// run from the day on which the seller was told.
///
/// Source: Consumer Contracts Regulations 2013 reg. 34(6), from memory.
pub fn called_off(jurisdiction: &Jurisdiction, told_on: Day, terms: &[Term]) -> LastDays {
    let mut answer = LastDays::none();
    if let Some(row) = in_force(terms, jurisdiction, TermKey::RefundDaysAtDistance, told_on) {
        answer.refund_by = Some(row.after(told_on));
        answer.rules.push(row.used());
    }
    answer
}

fn delivered_on(question: &LastDaysQuestion) -> Result<Day, Vec<TermFault>> {
    let last_lot = question.lots.as_ref().map(|lots| lots.iter().max());
    match (question.delivered_on, last_lot) {
        (Some(day), None) => Ok(day),
        (None, Some(Some(last))) => Ok(*last),
        (Some(_), Some(_)) => Err(vec![TermFault::DeliveredTwice]),
        (None, None | Some(None)) => Err(vec![TermFault::NotDelivered]),
    }
}

fn faults(question: &LastDaysQuestion, delivered_on: Day) -> Vec<TermFault> {
    let sent_back = question
        .sent_back_on
        .filter(|on| *on < delivered_on)
        .map(|_| TermFault::SentBackBeforeDelivery { delivered_on });
    let repairs = question
        .repairs
        .iter()
        .enumerate()
        .flat_map(|(repair, it)| {
            let early = (it.asked_on < delivered_on).then_some(TermFault::RepairBeforeDelivery {
                repair,
                delivered_on,
            });
            let turned = it.returned_on.is_some_and(|on| on < it.asked_on).then_some(
                TermFault::RepairTurnedRound {
                    repair,
                    asked_on: it.asked_on,
                },
            );
            [early, turned].into_iter().flatten()
        });
    sent_back.into_iter().chain(repairs).collect()
}

/// The last day after the clock stood still from the day of each asking to that of the return, both counted; `None` while
/// it stands still.
///
/// A repair asked for after the last day stops nothing. Days that two repairs share are counted once.
///
/// Source: Consumer Rights Act 2015 s.22(6)-(8).
fn with_stopped_clock(
    delivered_on: Day,
    until: Day,
    repairs: &[Repair],
    least: Option<&Term>,
) -> Option<Day> {
    let mut repairs = repairs.to_vec();
    repairs.sort_by_key(|repair| repair.asked_on);
    // Days up to this one are used up or stopped already.
    let mut counted_to = delivered_on;
    let mut until = until;
    for repair in repairs {
        // A repair asked for while another one is away is asked for in time if that was, and `until` lies after it.
        if repair.asked_on > until {
            break;
        }
        let returned_on = repair.returned_on?;
        let first = repair.asked_on.max(counted_to.plus_days(1));
        if first <= returned_on {
            until = until.plus_days(returned_on.days_since(first) + 1);
            counted_to = returned_on;
        }
        until = least.map_or(until, |least| until.max(least.after(returned_on)));
    }
    Some(until)
}

impl Term {
    /// The last day of a period that begins on the day after `day`.
    fn after(&self, day: Day) -> Day {
        match self.unit {
            TermUnit::Days => day.plus_days(i32::from(self.value)),
            TermUnit::Months => day.plus_months(i32::from(self.value)),
        }
    }

    fn used(&self) -> TermUsed {
        TermUsed {
            rule: self.rule,
            value: self.value,
            unit: self.unit,
            source: self.source.clone(),
            confidence: self.mark,
        }
    }

    pub fn in_force_on(&self, day: Day) -> bool {
        self.valid_from.is_none_or(|from| from <= day)
            && self.valid_until.is_none_or(|until| day <= until)
    }
}

/// The row in force on a day; of several the one that began last, whatever order they come in.
pub fn in_force<'t>(
    terms: &'t [Term],
    jurisdiction: &Jurisdiction,
    rule: TermKey,
    on: Day,
) -> Option<&'t Term> {
    terms
        .iter()
        .filter(|row| row.rule == rule && &row.jurisdiction == jurisdiction && row.in_force_on(on))
        .max_by_key(|row| (row.valid_from, row.value, row.unit, &row.source))
}

/// The rows that a new shop starts with. They are entered in the database and changed there.
pub fn seed() -> Vec<Term> {
    let row = |rule, value, unit, source: &str, mark| Term {
        jurisdiction: "GB".parse().expect("two capitals are a jurisdiction"),
        rule,
        value,
        unit,
        valid_from: None,
        valid_until: None,
        source: source.to_owned(),
        mark,
    };
    vec![
        row(
            TermKey::ShortTermRejectDays,
            30,
            TermUnit::Days,
            "Consumer Rights Act 2015 s.22(3)",
            Mark::Published,
        ),
        row(
            TermKey::ShortTermLeastDaysAfterRepair,
            7,
            TermUnit::Days,
            "Consumer Rights Act 2015 s.22(6)-(8)",
            Mark::Published,
        ),
        row(
            TermKey::CancelDays,
            14,
            TermUnit::Days,
            "Consumer Contracts Regulations 2013 reg. 30",
            Mark::Published,
        ),
        row(
            TermKey::CancelMonthsMoreUninformed,
            12,
            TermUnit::Months,
            "Consumer Contracts Regulations 2013 reg. 31, from memory",
            Mark::FromMemory,
        ),
        row(
            TermKey::RefundDaysAtDistance,
            14,
            TermUnit::Days,
            "Consumer Contracts Regulations 2013 reg. 34",
            Mark::Published,
        ),
        row(
            TermKey::RefundDaysOnPremises,
            14,
            TermUnit::Days,
            "Consumer Rights Act 2015 s.20(15), from memory: counted from the day of sending back",
            Mark::FromMemory,
        ),
    ]
}
