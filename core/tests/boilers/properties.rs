//! Properties of every history.

use crate::{
    OURS,
    random::{self, Random, psi},
};
use outshop_core::{
    boilers::{
        boiler::Material,
        codes::{self, Mark, Rule, RuleUnit},
        events::{Event, Lacks, Reason, TestKind},
        papers::{self, Answer, Due, Question},
    },
    days::{Day, DaySpan},
};
use proptest::prelude::*;
use rust_decimal::Decimal;

fn day_of(event: &Event) -> Day {
    let (Event::Test { on, .. }
    | Event::JobFinished { on, .. }
    | Event::WorkingPressureChanged { on, .. }
    | Event::BoilerExchanged { on, .. }) = event;
    *on
}

fn ask(question: &Question) -> Answer {
    papers::answer(question, &codes::seed())
}

fn asked_for(question: &Question, days: Vec<Day>) -> Question {
    Question {
        days,
        ..question.clone()
    }
}

fn passed(test: TestKind, on: Day) -> Event {
    Event::Test {
        jurisdiction: None,
        lacks: Lacks::default(),
        test,
        on,
        at: None,
        pressure: Some(psi(5000)),
        hold_minutes: Some(30),
        highest_pressure: None,
        passed: Some(true),
        boiler_number: Some(OURS.parse().expect("a number")),
        stated_until: None,
        inspector_interest: Some(false),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn the_order_of_events_and_rows_does_not_matter(seed: u64) {
        let mut random = Random(seed);
        let mut question = random::question(&mut random);
        question.days = vec![random::first_day().plus_days(2000), random::first_day().plus_days(3500)];
        let told = ask(&question);
        let mut rules = codes::seed();
        random.shuffle(&mut rules);
        random.shuffle(&mut question.events);
        prop_assert_eq!(told, papers::answer(&question, &rules));
    }

    #[test]
    fn a_later_passed_test_shortens_no_certificate(seed: u64, after in 1..1000_i32) {
        let mut random = Random(seed);
        let mut question = random::question(&mut random);
        let before = ask(&question).papers;
        let last = question.events.iter().map(day_of).max().unwrap_or(random::first_day());
        question.events.push(passed(random.pick(TestKind::ALL), last.plus_days(after)));
        let mut now = ask(&question).papers;
        for paper in before {
            let at = now.iter().position(|other| *other == paper);
            prop_assert!(at.is_some(), "{paper:?} is not among {now:?}");
            at.map(|at| now.remove(at));
        }
        prop_assert!(now.len() <= 1);
    }

    /// An exchange is kept, as it decides which boiler the earlier tests were of.
    #[test]
    fn a_day_depends_on_nothing_later(seed: u64, after in 0..4400_i32) {
        let mut random = Random(seed);
        let question = random::question(&mut random);
        let day = random::first_day().plus_days(after);
        let known = |event: &&Event| day_of(event) <= day || matches!(event, Event::BoilerExchanged { .. });
        let events = question.events.iter().filter(known).cloned().collect();
        let known = Question { events, ..question.clone() };
        prop_assert_eq!(ask(&asked_for(&question, vec![day])).days, ask(&asked_for(&known, vec![day])).days);
    }

    #[test]
    fn days_and_open_days_agree(seed: u64, from in 0..4400_i32, length in 0..2000_i32) {
        let mut random = Random(seed);
        let mut question = random::question(&mut random);
        let from = random::first_day().plus_days(from);
        let until = from.plus_days(length);
        question.period = Some(DaySpan { from, until });
        question.days = (0..20).map(|_| from.plus_days(i32::try_from(random.below(2000)).expect("small"))).collect();
        let told = ask(&question);
        for span in &told.open_days {
            prop_assert!(from <= span.from && span.from <= span.until && span.until <= until);
            question.days.extend([span.from, span.until, span.from.plus_days(-1), span.until.plus_days(1)]);
        }
        for day in ask(&question).days {
            let within = from <= day.on && day.on <= until;
            let open = told.open_days.iter().any(|span| span.from <= day.on && day.on <= span.until);
            prop_assert!(!within || open == day.papers_valid, "{day:?} {:?}", told.open_days);
        }
        prop_assert!(told.open_days.windows(2).all(|two| two[0].until.plus_days(1) < two[1].from));
    }

    /// "Until D" includes D and not D + 1 (plain reading of every code).
    #[test]
    fn the_last_day_is_the_last(year in 1900..2100_i32, day_of_year in 0..366_i32, gap in 0..400_i32) {
        let hydraulic = "1900-01-01".parse::<Day>().expect("a day").plus_months((year - 1900) * 12).plus_days(day_of_year);
        let steam = hydraulic.plus_days(gap);
        let mut question = random::question(&mut Random(1));
        question.jurisdiction = "GB".parse().expect("a jurisdiction");
        question.boiler.material = Material::Copper;
        question.boiler.volume = "8 L".parse().expect("a volume");
        question.events = vec![passed(TestKind::Steam, steam), passed(TestKind::HydraulicRepeat, hydraulic)];
        let last = steam.plus_months(14);
        question.days = vec![steam.plus_days(-1), steam, last, last.plus_days(1)];
        let holds: Vec<bool> = ask(&question).days.iter().map(|day| day.papers_valid).collect();
        prop_assert_eq!(holds, [false, true, true, false]);
    }

    /// Rows come from a database that a firm edits: whatever they contain, there is an answer.
    #[test]
    fn strange_rows_and_days_do_not_stop_the_clock(seed: u64, shift in -3000..2300_i32) {
        let mut random = Random(seed);
        let mut question = random::question(&mut random);
        for event in &mut question.events {
            let (Event::Test { on, .. }
            | Event::JobFinished { on, .. }
            | Event::WorkingPressureChanged { on, .. }
            | Event::BoilerExchanged { on, .. }) = event;
            *on = on.plus_months(shift);
        }
        question.boiler.working_pressure = random.pick(&["999999999.999999 bar", "0.000001 psi", "1/128 bar"]).parse().expect("a pressure");
        question.boiler.volume = random.pick(&["999999999.999999 gal_imp", "0.000001 in3"]).parse().expect("a volume");
        question.days = vec![Day::FIRST, Day::LAST];
        question.period = Some(DaySpan { from: Day::FIRST, until: Day::LAST });
        let mut rules = codes::seed();
        for _ in 0..20 {
            let at = random.below(rules.len());
            let rule: &mut Rule = &mut rules[at];
            rule.value = random.pick(&[None, Some(Decimal::MAX), Some(Decimal::MIN), Some(Decimal::ZERO), Some(Decimal::new(15, 1))]);
            rule.unit = random.pick(RuleUnit::ALL);
            rule.mark = random.pick(Mark::ALL);
            rule.valid_from = random.pick(&[None, Some(Day::FIRST), Some(Day::LAST)]);
            rule.valid_until = random.pick(&[None, Some(Day::FIRST), Some(Day::LAST)]);
        }
        let told = papers::answer(&question, &rules);
        prop_assert_eq!(told.days.len(), 2);
        prop_assert_eq!(told.papers.len() + told.tests_not_counted.len(), question.events.iter().filter(|event| matches!(event, Event::Test { .. })).count());
    }
}

/// The test of a [`Due`], done exactly as required.
fn as_named(due: &Due) -> Event {
    let pressure = due.pressure.as_ref().map(|asked| {
        let written = format!("{} {}", asked.value, asked.unit);
        written.parse().expect("a pressure")
    });
    let steam = due.test == TestKind::Steam;
    Event::Test {
        test: due.test,
        jurisdiction: None,
        on: due.from,
        at: None,
        pressure: pressure.clone().filter(|_| !steam),
        hold_minutes: Some(10),
        highest_pressure: pressure.filter(|_| steam),
        passed: Some(true),
        boiler_number: Some(OURS.parse().expect("a number")),
        stated_until: None,
        inspector_interest: Some(false),
        lacks: Lacks::default(),
    }
}

/// A test that is done as required, on the day and at the pressure given, counts, and it clears the requirement: 2000
/// histories, or as many as the variable says (`OUTSHOP_HISTORIES=100000`), each asked on the day of its last event, on
/// the day after, and on a random day.
#[test]
fn a_test_that_is_due_counts_if_it_is_done_as_required() {
    let asked = option_env!("OUTSHOP_HISTORIES");
    let n: u64 = asked.map_or(2000, |n| n.parse().expect("a number of histories"));
    let rules = codes::seed();
    let (mut named, mut at_first_strength) = (0_u64, 0_u64);
    for seed in 0..n {
        let mut random = Random(seed.wrapping_mul(0x9e6c_63d0_876a_68f5) ^ 7);
        let mut question = random::question(&mut random);
        let last = question
            .events
            .iter()
            .map(day_of)
            .max()
            .unwrap_or(random::first_day());
        let any = random::first_day().plus_days(i32::try_from(random.below(4400)).expect("small"));
        let by_all: fn(&Question, &[Rule]) -> Answer = papers::answer;
        let ways = [by_all, papers::answer_by_complete_tests];
        for (day, ask) in [last, last.plus_days(1), any]
            .into_iter()
            .flat_map(|day| ways.map(|way| (day, way)))
        {
            let of_all = std::ptr::fn_addr_eq(ask, by_all);
            let ask = |question: &Question| ask(question, &rules);
            let told = ask(&asked_for(&question, vec![day]));
            let mut done = question.clone();
            let before = done.events.len();
            done.events.extend(told.next_due.iter().map(as_named));
            let then: Vec<Day> = told.next_due.iter().map(|due| due.from).collect();
            let after = ask(&asked_for(&done, then.clone()));
            for (i, due) in told.next_due.iter().enumerate() {
                let judged = papers::judge(&done, &rules, before + i).expect("a test");
                let void_later = judged.reasons == [papers::NotValid::Void];
                assert!(
                    judged.counts || void_later || of_all,
                    "seed {seed}, {day}: {due:?} {:?} of {}",
                    judged.reasons,
                    serde_json::to_string(&question).expect("JSON")
                );
                let holds = after.papers.iter().any(|paper| {
                    paper.paper == due.test.issues()
                        && paper.from <= due.from
                        && paper.until.is_none_or(|until| due.from <= until)
                        && paper.voided_on.is_none_or(|on| due.from < on)
                });
                assert!(holds, "seed {seed}, {day}: {due:?} does not clear");
                named += 1;
                at_first_strength += u64::from(due.test == TestKind::HydraulicFirst);
            }
            let outside = after.days.iter().all(|day| {
                let silent =
                    |reason: &Reason| matches!(reason, Reason::NoCode | Reason::OutsideCode);
                day.papers_valid || day.reasons.iter().all(silent)
            });
            assert!(
                outside || then.is_empty(),
                "seed {seed}, {day}: {:?}",
                after.days
            );
        }
        question.days.clear();
    }
    assert!(
        named > 3 * n && at_first_strength > n / 10,
        "{named} {at_first_strength}: too few to tell anything"
    );
}
