//! Statutory deadlines of consumer sales: rejecting, cancelling a distance sale, refunding.
//!
//! Sources: Consumer Rights Act 2015 s.20, s.22; Consumer Contracts (Information, Cancellation and Additional Charges)
//! Regulations 2013.

use crate::{
    boilers::codes::{Jurisdiction, Mark},
    books::tax::{MoneyFault, amount, negatives},
    days::Day,
    money::Money,
};
use serde::{Deserialize, Deserializer, Serialize};

words! {
    /// What a row settles.
    pub enum TermKey {
        /// Days of the short-term right to reject, counted from the day after delivery and any setting up.
        ShortTermRejectDays = "short_term_reject_days",
        /// The least days that remain after the return from a repair or replacement.
        ShortTermLeastDaysAfterRepair = "short_term_least_days_after_repair",
        /// Days to cancel a distance sale, counted from the day after the last lot arrived.
        CancelDays = "cancel_days",
        /// Months added to `cancel_days` if the buyer was not informed of the right to cancel.
        CancelMonthsMoreUninformed = "cancel_months_more_uninformed",
        /// Days to cancel from the day on which the buyer was informed late.
        CancelDaysAfterToldLate = "cancel_days_after_told_late",
        /// Days within which the buyer must send the goods back, counted from the day after cancelling.
        SendBackDays = "send_back_days",
        /// Days to refund a distance sale after the goods came back, or from the day on which the seller was notified.
        RefundDaysAtDistance = "refund_days_at_distance",
        /// Days to refund after a rejection, beginning with the day on which the seller agrees to it.
        RefundDaysOnRejection = "refund_days_on_rejection",
    }
}

words! {
    pub enum TermUnit { Days = "days", Months = "months" }
}

/// A dated statutory rule of consumer sales.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term {
    pub jurisdiction: Jurisdiction,
    pub rule: TermKey,
    /// In `unit`, 0 to 10000.
    pub value: u16,
    pub unit: TermUnit,
    /// The rule applies to deliveries from this day; `None`: from the beginning.
    pub valid_from: Option<Day>,
    /// Last day, inclusive; `None`: no end.
    pub valid_until: Option<Day>,
    /// Where it is published, 1 to 300 characters.
    pub source: String,
    pub mark: Mark,
}

/// A repair or replacement after a complaint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = RepairUnderComplaint))]
#[serde(deny_unknown_fields)]
pub struct Repair {
    /// The day on which the buyer asked for a repair or replacement.
    pub asked_on: Day,
    /// The day on which the buyer got the engine back; null while it is away.
    pub returned_on: Option<Day>,
}

/// Give either `delivered_on` or `lots`; neither if the buyer cancelled before anything was delivered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct StatutoryDeadlinesQuestion {
    pub jurisdiction: Jurisdiction,
    /// Whether it is a distance sale.
    pub sold_at_distance: bool,
    /// The day by which the buyer owned it and had it, and any setting up was done.
    pub delivered_on: Option<Day>,
    /// The days on which the parts of one order arrived, in any order.
    #[serde(default, deserialize_with = "lots")]
    #[cfg_attr(feature = "wire", schema(min_items = 1, max_items = 100))]
    pub lots: Option<Vec<Day>>,
    /// Repairs and replacements that the buyer asked for.
    #[serde(default, deserialize_with = "repairs")]
    #[cfg_attr(feature = "wire", schema(max_items = 100))]
    pub repairs: Vec<Repair>,
    /// The day on which the buyer sent the notice of cancelling a distance sale.
    pub cancelled_on: Option<Day>,
    /// Whether the seller offered to collect the goods.
    #[serde(default)]
    pub collection_offered: bool,
    /// The day on which the goods came back.
    pub sent_back_on: Option<Day>,
    /// The day on which the buyer proved that the goods were sent.
    pub proof_of_sending_on: Option<Day>,
    /// The day on which the seller agreed to refund a buyer who rejects the goods.
    pub refund_agreed_on: Option<Day>,
    /// Whether the buyer is a consumer: the deadlines apply only to consumers.
    #[serde(default = "yes")]
    #[cfg_attr(feature = "wire", schema(default = true))]
    pub buyer_is_consumer: bool,
    /// The day on which the buyer was informed of the right to cancel; null: never. Left out: in time.
    #[serde(
        default,
        deserialize_with = "given",
        skip_serializing_if = "Option::is_none"
    )]
    #[cfg_attr(feature = "wire", schema(value_type = Option<Day>))]
    pub informed_of_cancellation_on: Option<Option<Day>>,
}

const fn yes() -> bool {
    true
}

/// A member that is given, even if it is null.
fn given<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Option<Day>>, D::Error> {
    Option::deserialize(from).map(Some)
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
            Err(E::custom(format!("must have at most {MOST_ITEMS} items")))
        }
        Some(_) | None => Ok(items),
    }
}

/// Deadlines; null: there is no such right, or no rule of the jurisdiction is known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct StatutoryDeadlines {
    /// Last day of the short-term right to reject; null also while its clock is stopped.
    pub short_term_reject_until: Option<Day>,
    /// Whether a repair is not back yet, so that the days do not run.
    pub short_term_clock_stopped: bool,
    /// Last day to cancel a distance sale.
    pub cancel_until: Option<Day>,
    /// Whether the notice of cancelling was sent in time; null without a notice, and before the delivery, when it
    /// always is.
    pub cancelled_in_time: Option<bool>,
    /// Last day for a buyer who cancelled to send the goods back; null if the seller offered to collect them, or
    /// nothing was delivered.
    pub send_back_by: Option<Day>,
    /// Last day for the refund; null until the goods are back, sending is proved, a refund is agreed, or the sale was
    /// cancelled before delivery.
    pub refund_by: Option<Day>,
    /// The rules that the deadlines follow from.
    #[cfg_attr(feature = "wire", schema(max_items = 8))]
    pub rules: Vec<TermUsed>,
}

impl StatutoryDeadlines {
    /// No deadline has started.
    pub const fn none() -> StatutoryDeadlines {
        StatutoryDeadlines {
            short_term_reject_until: None,
            short_term_clock_stopped: false,
            cancel_until: None,
            cancelled_in_time: None,
            send_back_by: None,
            refund_by: None,
            rules: Vec::new(),
        }
    }
}

/// A statutory period that the answer uses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TermUsed {
    pub rule: TermKey,
    #[cfg_attr(feature = "wire", schema(maximum = 10000))]
    pub value: u16,
    pub unit: TermUnit,
    /// The published source of the rule.
    #[cfg_attr(feature = "wire", schema(max_length = 300))]
    pub source: String,
    pub confidence: Mark,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, thiserror::Error)]
pub enum TermFault {
    #[error("give `delivered_on` or `lots`, not both")]
    DeliveredTwice,
    #[error("give the day of delivery, or the days of the lots")]
    NotDelivered,
    #[error("must not be before the delivery on {delivered_on}")]
    BeforeDelivery {
        member: &'static str,
        delivered_on: Day,
    },
    #[error(
        "applies only to a distance sale to a consumer; leave it out, or set `sold_at_distance`"
    )]
    NotAtDistance { member: &'static str },
    #[error("must not be before the delivery on {delivered_on}")]
    RepairBeforeDelivery { repair: usize, delivered_on: Day },
    #[error("must not be before the repair was asked for on {asked_on}")]
    RepairTurnedRound { repair: usize, asked_on: Day },
}

impl TermFault {
    /// JSON pointer (RFC 6901) to the member that has to change.
    pub fn pointer(self) -> String {
        match self {
            TermFault::DeliveredTwice => "/lots".to_owned(),
            TermFault::NotDelivered => "/delivered_on".to_owned(),
            TermFault::BeforeDelivery { member, .. } | TermFault::NotAtDistance { member } => {
                format!("/{member}")
            }
            TermFault::RepairBeforeDelivery { repair, .. } => format!("/repairs/{repair}/asked_on"),
            TermFault::RepairTurnedRound { repair, .. } => format!("/repairs/{repair}/returned_on"),
        }
    }
}

/// The statutory deadlines after a sale, by the rows in force on the day of delivery. Of several lots the last counts.
///
/// If the sale was cancelled before delivery, they follow from the day on which the seller was notified.
pub fn statutory_deadlines(
    question: &StatutoryDeadlinesQuestion,
    terms: &[Term],
) -> Result<StatutoryDeadlines, Vec<TermFault>> {
    let delivered_on = match delivered_on(question) {
        Ok(day) => day,
        Err(faults) => {
            return match question.cancelled_on {
                Some(notified_on)
                    if faults == [TermFault::NotDelivered] && question.protected() =>
                {
                    Ok(called_off(&question.jurisdiction, notified_on, terms))
                }
                Some(_) | None => Err(faults),
            };
        }
    };
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

    let mut answer = StatutoryDeadlines::none();
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
        if question.sold_at_distance {
            if let Some(row) = term(TermKey::CancelDays) {
                let notified_on = question.informed_of_cancellation_on;
                answer.cancel_until = Some(cancel_until(row, delivered_on, notified_on, &mut term));
            }
            at_distance(question, &mut answer, &mut term);
        }
        if let Some(agreed_on) = question.refund_agreed_on
            && let Some(row) = term(TermKey::RefundDaysOnRejection)
        {
            let by = row.beginning_with(agreed_on);
            answer.refund_by = Some(answer.refund_by.map_or(by, |other| other.min(by)));
        }
    }
    answer.rules = used;
    Ok(answer)
}

/// If the buyer was informed by the day of delivery, the right ends after its usual days. If they were informed later,
/// within the months that begin with the first of these days, it ends its days after the day they were informed; if
/// later still or never, those months after the usual last day.
///
/// Source: Consumer Contracts Regulations 2013 reg. 30, 31.
fn cancel_until<'t>(
    usual: &Term,
    delivered_on: Day,
    notified_on: Option<Option<Day>>,
    term: &mut impl FnMut(TermKey) -> Option<&'t Term>,
) -> Day {
    let until = usual.after(delivered_on);
    let in_time =
        notified_on.is_none_or(|notified_on| notified_on.is_some_and(|on| on <= delivered_on));
    if in_time {
        return until;
    }
    let Some(more) = term(TermKey::CancelMonthsMoreUninformed) else {
        return until;
    };
    // The months begin on the day after the delivery.
    let late = notified_on
        .flatten()
        .filter(|on| *on <= more.after(delivered_on));
    late.and_then(|on| Some(term(TermKey::CancelDaysAfterToldLate)?.after(on)))
        .unwrap_or_else(|| more.after(until))
}

/// Sending back and refund of a distance sale. Goods that came back without a recorded notice count as cancelled in
/// time.
///
/// Source: Consumer Contracts Regulations 2013 reg. 34(5), (6), 35(5).
fn at_distance<'t>(
    question: &StatutoryDeadlinesQuestion,
    answer: &mut StatutoryDeadlines,
    term: &mut impl FnMut(TermKey) -> Option<&'t Term>,
) {
    answer.cancelled_in_time = question
        .cancelled_on
        .zip(answer.cancel_until)
        .map(|(on, until)| on <= until);
    if answer.cancelled_in_time == Some(false) {
        return;
    }
    if let Some(cancelled_on) = question.cancelled_on
        && !question.collection_offered
    {
        answer.send_back_by = term(TermKey::SendBackDays).map(|row| row.after(cancelled_on));
    }
    let from = if question.collection_offered {
        question.cancelled_on
    } else {
        [question.sent_back_on, question.proof_of_sending_on]
            .into_iter()
            .flatten()
            .min()
    };
    if let Some(from) = from {
        answer.refund_by = term(TermKey::RefundDaysAtDistance).map(|row| row.after(from));
    }
}

/// The last day for the refund of a distance sale to a consumer that was cancelled before delivery: the days run from
/// the day on which the seller was notified.
///
/// Source: Consumer Contracts Regulations 2013 reg. 34(6), from memory.
pub fn called_off(
    jurisdiction: &Jurisdiction,
    notified_on: Day,
    terms: &[Term],
) -> StatutoryDeadlines {
    let mut answer = StatutoryDeadlines::none();
    if let Some(row) = in_force(
        terms,
        jurisdiction,
        TermKey::RefundDaysAtDistance,
        notified_on,
    ) {
        answer.refund_by = Some(row.after(notified_on));
        answer.rules.push(row.used());
    }
    answer
}

impl StatutoryDeadlinesQuestion {
    /// Whether the buyer has the right to cancel.
    const fn protected(&self) -> bool {
        self.sold_at_distance && self.buyer_is_consumer
    }
}

/// The refund to a buyer who cancels a distance sale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RefundQuestion {
    /// Price of the goods.
    pub price: Money,
    /// Paid for the delivery that the buyer chose.
    #[serde(default)]
    pub delivery_paid: Money,
    /// Price of the cheapest ordinary delivery on offer; null: as paid.
    pub delivery_cheapest: Option<Money>,
    /// Value lost by handling beyond what is allowed in a shop, as judged by a person.
    #[serde(default)]
    pub value_lost: Money,
    /// The day on which the buyer was informed of the right to cancel; null: never. Left out: in time.
    #[serde(
        default,
        deserialize_with = "given",
        skip_serializing_if = "Option::is_none"
    )]
    #[cfg_attr(feature = "wire", schema(value_type = Option<Day>))]
    pub informed_of_cancellation_on: Option<Option<Day>>,
}

/// The refund of a cancelled distance sale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct CancelledRefund {
    /// The amount to pay back.
    pub refund: Money,
    /// The delivery refunded; delivery dearer than the cheapest is not refunded in full.
    pub delivery: Money,
    /// Kept for value lost: not more than the price, and nothing if the buyer was not informed of the right.
    pub kept: Money,
}

/// Price and the cheapest ordinary delivery, less value lost.
///
/// Source: Consumer Contracts Regulations 2013 reg. 34(1)-(3), (9)-(12); that nothing may be kept if the buyer was not
/// informed: from memory.
pub fn cancelled_refund(question: &RefundQuestion) -> Result<CancelledRefund, Vec<MoneyFault>> {
    let faults = negatives(&[
        ("price", Some(question.price)),
        ("delivery_paid", Some(question.delivery_paid)),
        ("delivery_cheapest", question.delivery_cheapest),
        ("value_lost", Some(question.value_lost)),
    ]);
    if !faults.is_empty() {
        return Err(faults);
    }
    let cheapest = question.delivery_cheapest.unwrap_or(question.delivery_paid);
    let delivery = question.delivery_paid.min(cheapest);
    let informed = question.informed_of_cancellation_on != Some(None);
    let kept = if informed {
        question.value_lost.min(question.price)
    } else {
        Money::ZERO
    };
    let refund = question.price.pennies() + delivery.pennies() - kept.pennies();
    Ok(CancelledRefund {
        refund: amount(refund, "price").map_err(|fault| vec![fault])?,
        delivery,
        kept,
    })
}

fn delivered_on(question: &StatutoryDeadlinesQuestion) -> Result<Day, Vec<TermFault>> {
    let last_lot = question.lots.as_ref().map(|lots| lots.iter().max());
    match (question.delivered_on, last_lot) {
        (Some(day), None) => Ok(day),
        (None, Some(Some(last))) => Ok(*last),
        (Some(_), Some(_)) => Err(vec![TermFault::DeliveredTwice]),
        (None, None | Some(None)) => Err(vec![TermFault::NotDelivered]),
    }
}

fn faults(question: &StatutoryDeadlinesQuestion, delivered_on: Day) -> Vec<TermFault> {
    let sent_back = [
        ("sent_back_on", question.sent_back_on),
        ("proof_of_sending_on", question.proof_of_sending_on),
        ("refund_agreed_on", question.refund_agreed_on),
    ]
    .into_iter()
    .filter(|(_, on)| on.is_some_and(|on| on < delivered_on))
    .map(|(member, _)| TermFault::BeforeDelivery {
        member,
        delivered_on,
    });
    let not_at_distance = [
        ("cancelled_on", question.cancelled_on.is_some()),
        ("collection_offered", question.collection_offered),
        (
            "proof_of_sending_on",
            question.proof_of_sending_on.is_some(),
        ),
    ]
    .into_iter()
    .filter(|(_, given)| *given && !question.protected())
    .map(|(member, _)| TermFault::NotAtDistance { member });
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
    sent_back.chain(not_at_distance).chain(repairs).collect()
}

/// The last day, after the clock was stopped from the day each repair was asked for to the day of its return, both
/// counted; `None` while it is stopped.
///
/// A repair asked for after the last day does not stop the clock. Days that two repairs share are counted once.
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
    // Days up to this one are already used up or stopped.
    let mut counted_to = delivered_on;
    let mut until = until;
    for repair in repairs {
        // A repair asked for while another is away is in time if that one was, and `until` is after it.
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

    /// The last day of a period whose first day is `day`.
    fn beginning_with(&self, day: Day) -> Day {
        self.after(day.plus_days(-1))
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

/// The row in force on a day; of several the one that began last, whatever their order.
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

/// The rows that a new installation starts with. They are copied into the database and changed there.
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
            TermKey::RefundDaysOnRejection,
            14,
            TermUnit::Days,
            "Consumer Rights Act 2015 s.20(15), from memory: beginning with the day on which the seller agrees",
            Mark::FromMemory,
        ),
        row(
            TermKey::CancelDaysAfterToldLate,
            14,
            TermUnit::Days,
            "Consumer Contracts Regulations 2013 reg. 31(2), from a guide",
            Mark::LowConfidence,
        ),
        row(
            TermKey::SendBackDays,
            14,
            TermUnit::Days,
            "Consumer Contracts Regulations 2013 reg. 35(5), as sellers' terms restate it",
            Mark::LowConfidence,
        ),
    ]
}
