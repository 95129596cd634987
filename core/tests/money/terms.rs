//! Statutory deadlines by their published examples, and compared with a count of day after day.

use crate::{day, random::Random};
use outshop_core::{
    boilers::codes::Mark,
    books::terms::{
        self, Repair, StatutoryDeadlines, StatutoryDeadlinesQuestion, TermFault, TermKey,
        statutory_deadlines,
    },
    days::Day,
};
use serde_json::{Value, json};

fn read(question: Value) -> StatutoryDeadlinesQuestion {
    serde_json::from_value(question).expect("a question")
}

fn ask(question: Value) -> StatutoryDeadlines {
    statutory_deadlines(&read(question), &terms::seed()).expect("an answer")
}

/// Consumer Rights Act 2015 s.22 (published): 30 days from the day after delivery; the days of a repair do not count,
/// and at least 7 remain.
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
        "asked for on the last day"
    );
    assert_eq!(
        until(json!([repair("2025-04-03", "2025-04-20")])),
        Some(day("2025-04-02")),
        "asked for too late"
    );
    assert_eq!(
        until(json!([repair("2025-03-03", "2025-03-04")])),
        Some(day("2025-04-03")),
        "the day of delivery is not one of the 30"
    );
    let twice = json!([
        repair("2025-03-25", "2025-03-31"),
        repair("2025-03-20", "2025-03-28")
    ]);
    assert_eq!(
        until(twice),
        Some(day("2025-04-14")),
        "days that two repairs share are counted once"
    );
}

#[test]
fn while_a_repair_is_away_there_is_no_last_day() {
    let answer = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-03-03",
        "repairs": [{"asked_on": "2025-03-20"}]}),
    );
    assert_eq!(
        (
            answer.short_term_reject_until,
            answer.short_term_clock_stopped
        ),
        (None, true)
    );
}

/// Consumer Contracts Regulations 2013 (published): 14 days after the day of receipt, of several lots the last; refund
/// within 14 days of the return or the proof of sending. 12 months more for a buyer who was not informed: from memory.
#[test]
fn a_sale_at_a_distance_may_be_cancelled() {
    let answer = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"}),
    );
    assert_eq!(
        (answer.cancel_until, answer.refund_by),
        (Some(day("2025-06-24")), Some(day("2025-07-10")))
    );
    let rules: Vec<TermKey> = answer.rules.iter().map(|used| used.rule).collect();
    assert_eq!(
        rules,
        [
            TermKey::ShortTermRejectDays,
            TermKey::CancelDays,
            TermKey::RefundDaysAtDistance
        ]
    );
    assert!(
        answer
            .rules
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
        "informed_of_cancellation_on": null}),
    );
    assert_eq!(untold.cancel_until, Some(day("2026-06-24")));
    let here =
        ask(json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-06-10"}));
    assert_eq!(here.cancel_until, None);
}

/// Consumer Contracts Regulations 2013 reg. 30, 31, as a trading standards page and a law guide state them; the days by
/// the calendar. Informed in time; late, within the 12 months beginning with the first of the 14 days; later; never.
#[test]
fn the_right_to_cancel_ends_fourteen_days_after_late_information() {
    let until = |delivered: &str, answer: Value| {
        ask(json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": delivered, "informed_of_cancellation_on": answer}))
            .cancel_until
            .expect("a day")
            .to_string()
    };
    for (id, delivered, answer, last) in [
        ("CC-1", "2026-03-02", json!("2026-02-20"), "2026-03-16"),
        ("CC-3", "2026-12-18", json!("2026-12-18"), "2027-01-01"),
        ("CC-4", "2026-03-02", json!("2026-03-01"), "2026-03-16"),
        ("CC-4", "2026-03-02", json!("2026-03-02"), "2026-03-16"),
        ("CC-4", "2026-03-02", json!("2026-03-05"), "2026-03-19"),
        ("CC-4", "2026-03-02", json!("2026-06-01"), "2026-06-15"),
        ("CC-4", "2026-03-02", json!("2027-02-01"), "2027-02-15"),
        ("CC-5", "2026-03-02", json!("2027-03-02"), "2027-03-16"),
        ("CC-5", "2026-03-02", json!("2027-03-03"), "2027-03-16"),
        ("CC-5", "2026-03-02", json!(null), "2027-03-16"),
        ("CC-6", "2024-02-15", json!(null), "2025-02-28"),
    ] {
        assert_eq!(until(delivered, answer), last, "{id}");
    }
    let lots = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "lots": ["2026-05-12", "2026-05-20"],
        "informed_of_cancellation_on": "2026-05-01"}),
    );
    assert_eq!(lots.cancel_until, Some(day("2026-06-03")), "CC-2");
    for (cancelled, in_time) in [("2026-03-16", true), ("2026-03-17", false)] {
        let answer = ask(
            json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2026-03-02", "cancelled_on": cancelled}),
        );
        assert_eq!(answer.cancelled_in_time, Some(in_time), "{cancelled}");
        assert_eq!(answer.send_back_by.is_some(), in_time, "{cancelled}");
    }
}

/// Consumer Contracts Regulations 2013 reg. 34, 35 as a public review and sellers' terms quote them; the days by the
/// calendar.
#[test]
fn a_buyer_who_cancels_sends_back_and_is_refunded_within_fourteen_days() {
    let of = |change: Value| {
        let mut question = json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2026-03-02",
            "cancelled_on": "2026-03-12"});
        for (name, value) in change.as_object().expect("members") {
            question[name] = value.clone();
        }
        let answer = ask(question);
        [answer.send_back_by, answer.refund_by]
            .map(|on| on.map(|on| on.to_string()).unwrap_or_default())
    };
    let back = json!({"sent_back_on": "2026-03-23"});
    let shown = json!({"sent_back_on": "2026-03-23", "proof_of_sending_on": "2026-03-19"});
    let collected = json!({"collection_offered": true, "sent_back_on": "2026-04-20"});
    let nothing_came = json!({"delivered_on": null});
    assert_eq!(of(json!({})), ["2026-03-26", ""], "RF-1");
    assert_eq!(of(shown), ["2026-03-26", "2026-04-02"], "RF-2, proof");
    assert_eq!(
        of(back),
        ["2026-03-26", "2026-04-06"],
        "RF-2, Easter Monday"
    );
    assert_eq!(of(collected), ["", "2026-03-26"], "RF-3");
    assert_eq!(
        of(nothing_came),
        ["", "2026-03-26"],
        "RF-3, nothing delivered"
    );
    for (answer, lost, refund) in [
        (json!("2026-02-20"), "350.00", "4720.00"),
        (json!(null), "350.00", "5070.00"),
        (json!("2026-02-20"), "6000.00", "120.00"),
    ] {
        let question = json!({"price": "4950.00", "delivery_paid": "260.00", "delivery_cheapest": "120.00",
            "value_lost": lost, "informed_of_cancellation_on": answer});
        let question = serde_json::from_value(question).expect("a question");
        let answer = terms::cancelled_refund(&question).expect("an answer");
        assert_eq!(answer.refund.to_string(), refund, "RF-4");
    }
}

/// Consumer Rights Act 2015 s.20(15): within 14 days beginning with the day of the agreement (from memory). s.22: SR-2
/// to SR-4.
#[test]
fn a_rejected_engine_is_refunded_within_fourteen_days_beginning_with_the_agreement() {
    let agreed = |at_distance: bool| {
        ask(json!({"jurisdiction": "GB", "sold_at_distance": at_distance, "delivered_on": "2026-03-20", "refund_agreed_on": "2026-04-04"}))
            .refund_by
    };
    assert_eq!(
        [agreed(true), agreed(false)],
        [Some(day("2026-04-17")); 2],
        "SR-1"
    );
    let cancelled = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2026-03-25", "cancelled_on": "2026-04-04",
        "collection_offered": true}),
    );
    assert_eq!(
        cancelled.refund_by,
        Some(day("2026-04-18")),
        "SR-1, reg. 34"
    );
    let until = |asked: &str, back: &str| {
        let answer = ask(
            json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2026-06-01",
            "repairs": [{"asked_on": asked, "returned_on": back}]}),
        );
        answer.short_term_reject_until.expect("a day").to_string()
    };
    for (id, asked, back, last) in [
        ("SR-2", "2026-06-24", "2026-06-30", "2026-07-08"),
        ("SR-2", "2026-06-25", "2026-06-30", "2026-07-07"),
        ("SR-3", "2026-07-01", "2026-07-08", "2026-07-15"),
        ("SR-3", "2026-07-02", "2026-07-08", "2026-07-01"),
        ("SR-4", "2026-06-01", "2026-06-10", "2026-07-10"),
    ] {
        assert_eq!(until(asked, back), last, "{id}");
    }
}

/// Day after day: the right exists on a day while it is among the first 14 after the delivery; while it is within 14
/// days of being informed, if that was before the 12 months were over; else for the 12 months after.
#[test]
fn the_right_to_cancel_agrees_with_counting_days() {
    let mut random = Random(31);
    let mut kinds = [0; 4];
    for _ in 0..20_000 {
        let days = |n: u64| i32::try_from(n).expect("days");
        let delivered_on = day("2023-12-15").plus_days(days(random.below(800)));
        let notified_on =
            (random.below(5) > 0).then(|| delivered_on.plus_days(days(random.below(450)) - 20));
        let question = json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": delivered_on.to_string(),
            "informed_of_cancellation_on": notified_on.map(|on| on.to_string())});
        let mut anniversary = delivered_on;
        while anniversary.days_since(delivered_on) < 364
            || anniversary.plus_days(1).to_string()[5..] <= delivered_on.to_string()[5..]
                && anniversary.plus_days(1).days_since(delivered_on) < 367
        {
            anniversary = anniversary.plus_days(1);
        }
        let (kind, last) = match notified_on {
            Some(on) if on <= delivered_on => (0, delivered_on.plus_days(14)),
            Some(on) if on <= anniversary => (1, on.plus_days(14)),
            Some(_) => (2, delivered_on.plus_days(14).plus_months(12)),
            None => (3, delivered_on.plus_days(14).plus_months(12)),
        };
        kinds[kind] += 1;
        assert_eq!(ask(question.clone()).cancel_until, Some(last), "{question}");
    }
    assert!(kinds.iter().all(|n| *n > 500), "{kinds:?}");
}

#[test]
fn deadlines_apply_to_consumers_if_the_rules_are_known() {
    let trade = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10",
        "sent_back_on": "2025-06-26", "buyer_is_consumer": false}),
    );
    let abroad = ask(
        json!({"jurisdiction": "CH", "sold_at_distance": true, "delivered_on": "2025-06-10", "sent_back_on": "2025-06-26"}),
    );
    for answer in [trade, abroad] {
        assert_eq!(
            (
                answer.short_term_reject_until,
                answer.cancel_until,
                answer.refund_by
            ),
            (None, None, None)
        );
        assert!(answer.rules.is_empty() && !answer.short_term_clock_stopped);
    }
    let mut rows = terms::seed();
    for row in &mut rows {
        row.valid_from = Some(day("2025-06-11"));
    }
    let question =
        read(json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10"}));
    let answer = statutory_deadlines(&question, &rows).expect("an answer");
    assert_eq!(
        (answer.cancel_until, answer.rules.len()),
        (None, 0),
        "rules that began later do not apply"
    );
}

#[test]
fn all_errors_are_reported_at_once() {
    let pointers = |question: Value| -> Vec<String> {
        let faults = statutory_deadlines(&read(question), &terms::seed()).expect_err("faults");
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
    assert_eq!(
        pointers(
            json!({"jurisdiction": "GB", "sold_at_distance": false, "delivered_on": "2025-06-10", "cancelled_on": "2025-06-12",
            "proof_of_sending_on": "2025-06-09", "refund_agreed_on": "2025-06-09"})
        ),
        [
            "/proof_of_sending_on",
            "/refund_agreed_on",
            "/cancelled_on",
            "/proof_of_sending_on"
        ]
    );
    let both = json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2025-06-10", "lots": ["2025-06-10"]});
    assert_eq!(pointers(both), ["/lots"]);
}

/// Day after day: 30 days run, stop while any repair asked for in time is away, and on a day of return at least 7 are
/// left.
fn reject_by_counting(delivered_on: Day, repairs: &[Repair]) -> Day {
    let (mut on, mut profit) = (delivered_on, 30);
    let mut away: Vec<Day> = Vec::new();
    let mut stopped_today;
    loop {
        if on > delivered_on {
            // The right still exists on this day, so asking on it is in time.
            stopped_today = !away.is_empty();
        } else {
            stopped_today = true;
        }
        for repair in repairs.iter().filter(|repair| repair.asked_on == on) {
            away.push(repair.returned_on.expect("returned"));
            stopped_today = true;
        }
        if !stopped_today {
            profit -= 1;
        }
        if away.contains(&on) {
            profit = profit.max(7);
            away.retain(|returned_on| *returned_on > on);
        }
        if profit == 0 {
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
        let answer = statutory_deadlines(&question, &terms::seed()).expect("an answer");
        let counted = reject_by_counting(delivered_on, &question.repairs);
        assert_eq!(
            answer.short_term_reject_until,
            Some(counted),
            "{question:?}"
        );
        longer += usize::from(counted > delivered_on.plus_days(30));
    }
    assert!(longer > 5000, "only {longer} were longer for a repair");
}

#[test]
fn deadlines_stay_within_the_range_of_days() {
    let answer = ask(
        json!({"jurisdiction": "GB", "sold_at_distance": true, "delivered_on": "2199-12-31", "sent_back_on": "2199-12-31",
        "informed_of_cancellation_on": null, "repairs": [{"asked_on": "2199-12-31", "returned_on": "2199-12-31"}]}),
    );
    assert_eq!(answer.cancel_until, Some(Day::LAST));
}
