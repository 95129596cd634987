//! The law of sale by its published examples, and against a count of day after day.

use crate::{day, random::Random};
use outshop_core::{
    codes::Mark,
    days::Day,
    terms::{self, LastDays, LastDaysQuestion, Repair, TermFault, TermKey, last_days},
};
use serde_json::{Value, json};

fn read(question: Value) -> LastDaysQuestion {
    serde_json::from_value(question).expect("a question")
}

fn ask(question: Value) -> LastDays {
    last_days(&read(question), &terms::seed()).expect("an answer")
}

/// Consumer Rights Act 2015 s.22 (published): 30 days from the day after delivery; the days of a repair do not count, and
/// at least 7 remain.
#[test]
fn the_short_term_right_to_reject_stops_while_a_repair_is_away() {
    let until = |repairs: Value| {
        ask(json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-03-03", "repairs": repairs}))
            .short_term_reject_until
    };
    let repair = |asked: &str, returned: &str| json!({"asked_on": asked, "returned_on": returned});
    assert_eq!(until(json!([])), Some(day("2025-04-02")));
    assert_eq!(
        until(json!([repair("2025-03-20", "2025-03-31")])),
        Some(day("2025-04-14"))
    );
    assert_eq!(
        until(json!([repair("2025-03-31", "2025-04-01")])),
        Some(day("2025-04-08")),
        "7 days remain"
    );
    // Plain reading from here on.
    assert_eq!(
        until(json!([repair("2025-04-02", "2025-04-02")])),
        Some(day("2025-04-09")),
        "asked on the last day"
    );
    assert_eq!(
        until(json!([repair("2025-04-03", "2025-04-20")])),
        Some(day("2025-04-02")),
        "asked too late"
    );
    assert_eq!(
        until(json!([repair("2025-03-03", "2025-03-04")])),
        Some(day("2025-04-03")),
        "the day of delivery is none of the 30"
    );
    let twice = json!([
        repair("2025-03-25", "2025-03-31"),
        repair("2025-03-20", "2025-03-28")
    ]);
    assert_eq!(
        until(twice),
        Some(day("2025-04-14")),
        "days that two repairs share count once"
    );
}

#[test]
fn while_a_repair_is_away_there_is_no_last_day() {
    let told = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-03-03",
        "repairs": [{"asked_on": "2025-03-20"}]}),
    );
    assert_eq!(
        (told.short_term_reject_until, told.short_term_clock_stopped),
        (None, true)
    );
}

/// Consumer Contracts Regulations 2013 (published): 14 days after the day of receipt, of several lots the last; refund
/// within 14 days of the return or the proof of sending. 12 months more for one not told: from memory.
#[test]
fn a_sale_at_a_distance_may_be_cancelled() {
    let told = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"}),
    );
    assert_eq!(
        (told.cancel_until, told.refund_by),
        (Some(day("2025-06-24")), Some(day("2025-07-10")))
    );
    let rules: Vec<TermKey> = told.rules.iter().map(|used| used.rule).collect();
    assert_eq!(
        rules,
        [
            TermKey::ShortTermRejectDays,
            TermKey::CancelDays,
            TermKey::RefundDaysAtDistance
        ]
    );
    assert!(
        told.rules
            .iter()
            .all(|used| used.confidence == Mark::Published && !used.source.is_empty())
    );

    let lots = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "lots": ["2025-06-02", "2025-06-10", "2025-05-30"]}),
    );
    assert_eq!(
        (lots.cancel_until, lots.refund_by),
        (Some(day("2025-06-24")), None)
    );

    let untold = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10",
        "informed_of_cancellation": false}),
    );
    assert_eq!(untold.cancel_until, Some(day("2026-06-24")));
    let here =
        ask(json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-06-10"}));
    assert_eq!(here.cancel_until, None);
}

#[test]
fn the_law_binds_sales_to_consumers_where_its_rows_are_known() {
    let trade = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10",
        "sent_back_on": "2025-06-26", "buyer_is_consumer": false}),
    );
    let abroad = ask(
        json!({"jurisdiction": "CH", "sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"}),
    );
    for told in [trade, abroad] {
        assert_eq!(
            (
                told.short_term_reject_until,
                told.cancel_until,
                told.refund_by
            ),
            (None, None, None)
        );
        assert!(told.rules.is_empty() && !told.short_term_clock_stopped);
    }
    let mut rows = terms::seed();
    for row in &mut rows {
        row.valid_from = Some(day("2025-06-11"));
    }
    let question =
        read(json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10"}));
    let told = last_days(&question, &rows).expect("an answer");
    assert_eq!(
        (told.cancel_until, told.rules.len()),
        (None, 0),
        "rows that began later do not hold"
    );
}

#[test]
fn faults_are_told_all_at_once() {
    let pointers = |question: Value| -> Vec<String> {
        let faults = last_days(&read(question), &terms::seed()).expect_err("faults");
        faults.into_iter().map(TermFault::pointer).collect()
    };
    assert_eq!(
        pointers(
            json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-09",
            "repairs": [{"asked_on": "2025-06-09"}, {"asked_on": "2025-06-12", "returned_on": "2025-06-11"}]})
        ),
        [
            "/sent_back_on",
            "/repairs/0/asked_on",
            "/repairs/1/returned_on"
        ]
    );
    assert_eq!(
        pointers(json!({"jurisdiction": "GB", "sold_at_distance": true})),
        ["/delivered_on"]
    );
    assert_eq!(
        pointers(json!({"jurisdiction": "GB", "sold_at_distance": true, "lots": []})),
        ["/delivered_on"]
    );
    let both = json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10", "lots": ["2025-06-10"]});
    assert_eq!(pointers(both), ["/lots"]);
}

/// Day after day: 30 days run, stand still while anything asked for in time is away, and on a day of return no fewer than
/// 7 are left.
fn reject_by_counting(delivered_on: Day, repairs: &[Repair]) -> Day {
    let (mut on, mut left) = (delivered_on, 30);
    let mut away: Vec<Day> = Vec::new();
    let mut stopped_today;
    loop {
        if on > delivered_on {
            // The right still lives on this day, so that asking on it is in time.
            stopped_today = !away.is_empty();
        } else {
            stopped_today = true;
        }
        for repair in repairs.iter().filter(|repair| repair.asked_on == on) {
            away.push(repair.returned_on.expect("returned"));
            stopped_today = true;
        }
        if !stopped_today {
            left -= 1;
        }
        if away.contains(&on) {
            left = left.max(7);
            away.retain(|returned_on| *returned_on > on);
        }
        if left == 0 {
            return on;
        }
        on = on.plus_days(1);
    }
}

#[test]
fn the_stopped_clock_agrees_with_counting_days() {
    let mut random = Random(9);
    let mut longer = 0;
    for _ in 0..20_000 {
        let days = |n: u64| i32::try_from(n).expect("days");
        let delivered_on = day("2023-12-15").plus_days(days(random.below(500)));
        let repairs: Vec<Repair> = (0..random.below(5))
            .map(|_| {
                let asked_on = delivered_on.plus_days(days(random.below(60)));
                let long = random.pick(&[1, 3, 20]);
                Repair {
                    asked_on,
                    returned_on: Some(asked_on.plus_days(days(random.below(long)))),
                }
            })
            .collect();
        let mut question = read(
            json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": delivered_on.to_string()}),
        );
        question.repairs = repairs;
        let told = last_days(&question, &terms::seed()).expect("an answer");
        let counted = reject_by_counting(delivered_on, &question.repairs);
        assert_eq!(told.short_term_reject_until, Some(counted), "{question:?}");
        longer += usize::from(counted > delivered_on.plus_days(30));
    }
    assert!(longer > 5000, "only {longer} were longer for a repair");
}

#[test]
fn the_ends_of_the_range_of_days_hold() {
    let told = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2199-12-31", "sent_back_on": "2199-12-31",
        "informed_of_cancellation": false, "repairs": [{"asked_on": "2199-12-31", "returned_on": "2199-12-31"}]}),
    );
    assert_eq!(told.cancel_until, Some(Day::LAST));
}
