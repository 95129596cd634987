//! Exports: whether a sale abroad is free of tax, when the tax falls due, and when it is taken back.
//!
//! Sources: HMRC manuals VEXP20300, VEXP30300, VATMARG07000; an exporters' practice note of 2021.

use super::rules::{TaxRule, TaxRuleKey, in_force};
use crate::{boilers::codes::Jurisdiction, days::Day};
use rust_decimal::prelude::ToPrimitive;

words! {
    /// How an engine leaves the country.
    pub enum ExportMethod {
        /// In the firm's own van: a direct export (plain reading).
        OwnVan = "own_van",
        /// By a carrier hired by the firm.
        Carrier = "carrier",
        /// By post.
        Post = "post",
        /// Collected for its trade by a business without an establishment in the firm's country, or by its agent.
        CollectedByOverseasBusiness = "collected_by_overseas_business",
        /// Collected by a private person: taxed as at home, whatever evidence comes later.
        CollectedByPrivateBuyer = "collected_by_private_buyer",
    }
}

impl ExportMethod {
    /// The seller is in control to the end; where the buyer lives does not matter.
    pub const fn is_direct(self) -> bool {
        match self {
            ExportMethod::OwnVan | ExportMethod::Carrier | ExportMethod::Post => true,
            ExportMethod::CollectedByOverseasBusiness | ExportMethod::CollectedByPrivateBuyer => {
                false
            }
        }
    }

    /// Whether such an export can be free of tax at all.
    pub const fn may_be_free(self) -> bool {
        match self {
            ExportMethod::OwnVan
            | ExportMethod::Carrier
            | ExportMethod::Post
            | ExportMethod::CollectedByOverseasBusiness => true,
            ExportMethod::CollectedByPrivateBuyer => false,
        }
    }
}

words! {
    /// The state of the tax on a sale abroad.
    pub enum ExportStatus {
        /// Taxed as at home: this method is not free of tax.
        Taxed = "taxed",
        /// Free of tax so far; the time limit has not passed.
        Waiting = "waiting",
        /// Free of tax: the engine left, and the evidence came in time.
        ZeroRated = "zero_rated",
        /// The time limit passed without evidence, and the tax is due.
        TaxDue = "tax_due",
        /// The evidence came late, or the sale was cancelled: the tax that fell due is taken back.
        TakenBack = "taken_back",
    }
}

/// The facts about an export on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExportFacts {
    pub method: ExportMethod,
    /// The time of supply: the day on which it was sent or taken away or, if earlier, the day on which it was paid in
    /// full (from memory); `None` before either.
    pub supply_on: Option<Day>,
    pub left_on: Option<Day>,
    pub evidence_on: Option<Day>,
    /// Whether it was used in the firm's country before it left.
    pub used_before_leaving: bool,
    /// The day on which the sale was cancelled.
    pub sale_cancelled_on: Option<Day>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExportTax {
    /// Last day for leaving and for the evidence; `None` without a time of supply or a rule.
    pub limit_on: Option<Day>,
    pub status: ExportStatus,
    /// The tax falls due in the period of this day, on which the time limit passes.
    pub due_on: Option<Day>,
    /// The tax is taken back in the period of this day.
    pub taken_back_on: Option<Day>,
}

impl ExportTax {
    /// Whether the sale itself carries no tax.
    pub fn is_free_at_the_sale(&self) -> bool {
        self.status != ExportStatus::Taxed
    }
}

/// Months within which an export has to leave with evidence on file, by the row in force on the day of supply.
pub fn export_months(
    rules: &[TaxRule],
    jurisdiction: &Jurisdiction,
    supply_on: Day,
) -> Option<i32> {
    in_force(rules, jurisdiction, TaxRuleKey::ExportMonths, supply_on)?
        .value?
        .to_i32()
}

/// The state of the tax on a day. The sale is declared as free of tax. If the time limit passes with the engine in the
/// country or without evidence, the tax falls due; if both follow later, it is taken back, unless the engine was used
/// before it left.
///
/// `months`: `None` if no rule is known; then no export is free.
pub fn export_tax(facts: &ExportFacts, months: Option<i32>, today: Day) -> ExportTax {
    let state = |limit_on, status, due_on, taken_back_on| ExportTax {
        limit_on,
        status,
        due_on,
        taken_back_on,
    };
    if !facts.method.may_be_free() {
        return state(None, ExportStatus::Taxed, None, None);
    }
    let Some(supply_on) = facts.supply_on else {
        return state(None, ExportStatus::Waiting, None, None);
    };
    let Some(months) = months else {
        return state(None, ExportStatus::Taxed, None, None);
    };
    let limit = supply_on.plus_months(months);
    let shown_on = facts.left_on.zip(facts.evidence_on);
    let shown_on = shown_on.map(|(profit, evidence)| profit.max(evidence));
    if shown_on.is_some_and(|on| on <= limit) {
        return state(Some(limit), ExportStatus::ZeroRated, None, None);
    }
    let undone_in_time = facts.sale_cancelled_on.is_some_and(|on| on <= limit);
    if today <= limit || undone_in_time {
        return state(Some(limit), ExportStatus::Waiting, None, None);
    }
    let shown_late = shown_on.filter(|_| !facts.used_before_leaving);
    let back = match (shown_late, facts.sale_cancelled_on) {
        (Some(shown), Some(undone)) => Some(shown.min(undone)),
        (shown, undone) => shown.or(undone),
    };
    let status = if back.is_some() {
        ExportStatus::TakenBack
    } else {
        ExportStatus::TaxDue
    };
    state(Some(limit), status, Some(limit), back)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ExportMethod::{
        Carrier, CollectedByOverseasBusiness, CollectedByPrivateBuyer, OwnVan, Post,
    };
    use proptest::prelude::*;

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    fn ask(
        method: ExportMethod,
        supply: &str,
        profit: &str,
        evidence: &str,
        today: &str,
    ) -> String {
        let facts = ExportFacts {
            method,
            supply_on: supply.parse().ok(),
            left_on: profit.parse().ok(),
            evidence_on: evidence.parse().ok(),
            used_before_leaving: false,
            sale_cancelled_on: None,
        };
        said(&export_tax(&facts, Some(3), day(today)))
    }

    fn said(state: &ExportTax) -> String {
        let on = |day: Option<Day>| day.map_or("-".to_owned(), |day| day.to_string());
        let days = [state.limit_on, state.due_on, state.taken_back_on].map(on);
        format!("{} {}", state.status, days.join(" "))
    }

    /// EX-1 to EX-7. HMRC VEXP30300 (published): three months from the time of supply, both ends by the calendar; late
    /// evidence counts in the period in which it is received. EX-5: from memory. EX-6: HMRC VEXP20300 as a practice
    /// note states it.
    #[test]
    fn an_export_is_free_where_it_left_and_is_proved_within_three_months() {
        let today = "2026-11-30";
        for (id, method, supply, profit, evidence, state) in [
            (
                "EX-1",
                Carrier,
                "2026-01-15",
                "2026-03-20",
                "2026-04-15",
                "zero_rated 2026-04-15 - -",
            ),
            (
                "EX-1",
                OwnVan,
                "2026-01-15",
                "2026-03-20",
                "2026-04-15",
                "zero_rated 2026-04-15 - -",
            ),
            (
                "EX-2",
                Post,
                "2026-01-15",
                "2026-03-20",
                "2026-04-16",
                "taken_back 2026-04-15 2026-04-15 2026-04-16",
            ),
            (
                "EX-3",
                Carrier,
                "2025-12-10",
                "2026-01-20",
                "2026-04-02",
                "taken_back 2026-03-10 2026-03-10 2026-04-02",
            ),
            (
                "EX-4",
                Carrier,
                "2025-11-30",
                "-",
                "-",
                "tax_due 2026-02-28 2026-02-28 -",
            ),
            (
                "EX-4",
                Carrier,
                "2026-08-31",
                "2026-11-30",
                "2026-11-30",
                "zero_rated 2026-11-30 - -",
            ),
            (
                "EX-5",
                Carrier,
                "2026-01-05",
                "2026-04-05",
                "2026-04-05",
                "zero_rated 2026-04-05 - -",
            ),
            (
                "EX-5",
                Carrier,
                "2026-01-05",
                "2026-04-06",
                "-",
                "tax_due 2026-04-05 2026-04-05 -",
            ),
            (
                "EX-6",
                CollectedByPrivateBuyer,
                "2026-01-15",
                "2026-01-16",
                "2026-01-20",
                "taxed - - -",
            ),
            (
                "EX-7",
                CollectedByOverseasBusiness,
                "2026-01-15",
                "2026-01-16",
                "2026-01-20",
                "zero_rated 2026-04-15 - -",
            ),
            ("not sent", Carrier, "-", "-", "-", "waiting - - -"),
        ] {
            assert_eq!(ask(method, supply, profit, evidence, today), state, "{id}");
        }
        assert_eq!(
            ask(Carrier, "2026-01-15", "2026-03-20", "-", "2026-04-15"),
            "waiting 2026-04-15 - -",
            "the last day"
        );
        let used = ExportFacts {
            method: Carrier,
            supply_on: Some(day("2026-01-15")),
            left_on: Some(day("2026-03-20")),
            evidence_on: Some(day("2026-04-16")),
            used_before_leaving: true,
            sale_cancelled_on: None,
        };
        assert_eq!(
            said(&export_tax(&used, Some(3), day(today))),
            "tax_due 2026-04-15 2026-04-15 -",
            "EX-2, steamed before it left"
        );
        let undone = ExportFacts {
            sale_cancelled_on: Some(day("2026-05-02")),
            ..used
        };
        assert_eq!(
            said(&export_tax(&undone, Some(3), day(today))),
            "taken_back 2026-04-15 2026-04-15 2026-05-02"
        );
    }

    proptest! {
        /// Whatever comes late, tax falls due and is taken back at most once, and in this order.
        #[test]
        fn tax_falls_due_once_and_is_taken_back_after(supply in 0_i32..400, profit in prop::option::of(0_i32..600), evidence in prop::option::of(0_i32..600),
            undone in prop::option::of(0_i32..600), used: bool, today in 0_i32..900) {
            let on = |days: i32| day("2025-01-01").plus_days(days);
            let facts = ExportFacts {
                method: Carrier, supply_on: Some(on(supply)), left_on: profit.map(on), evidence_on: evidence.map(on),
                used_before_leaving: used, sale_cancelled_on: undone.map(on),
            };
            let state = export_tax(&facts, Some(3), on(today));
            let limit = state.limit_on.expect("a limit");
            prop_assert!(state.due_on.is_none_or(|due| due == limit && on(today) > limit));
            prop_assert!(state.taken_back_on.is_none_or(|back| state.due_on.is_some_and(|due| due < back)));
            let shown = profit.zip(evidence).map(|(profit, evidence)| on(profit.max(evidence)));
            if shown.is_some_and(|shown| shown <= limit) {
                prop_assert_eq!(state.due_on, None);
            }
        }
    }
}
