//! Compares lower bounds with the best of all plans, found by two programs that share no code with the planner.

use super::{
    by_hour::{ALL, Cost, cost_of, least},
    by_place::best_of,
    on,
    shops::{broken_rules, shop},
};
use outshop_core::workshop::plan::{Effort, Promise, Step, Task, Visit, plan};

/// 200 shops, or as many as the variable says: `OUTSHOP_SHOPS=10000 cargo test -p outshop-core --test plan`.
fn shops() -> std::ops::Range<u64> {
    let asked = option_env!("OUTSHOP_SHOPS");
    let n = asked.map_or(200, |n| n.parse().expect("a number of shops"));
    0..n
}

const BROKEN: [bool; 4] = [true, false, false, false];
const LATE_DAYS: [bool; 4] = [false, true, false, false];
const UNPLACED: [bool; 4] = [false, false, true, false];
const PENNY_DAYS: [bool; 4] = [false, false, false, true];

/// The task with only one promise.
fn with_one(task: &Task, promise: Promise) -> Task {
    Task {
        promises: vec![promise],
        ..task.clone()
    }
}

/// Bound, optimum and plan are in this order for each part of the score; `optimal` only if the plan is the best there
/// is.
#[track_caller]
fn hold_against_all_plans(seed: u64, task: &Task, by_place_too: bool) -> (Cost, Cost, bool) {
    let of_shop = || format!("seed {seed}: {task:#?}");
    let found = plan(task, &Effort::default()).expect("a plan");
    assert_eq!(broken_rules(task, &found), [""; 0], "{}", of_shop());
    let best = least(task, ALL);
    let score = cost_of(&found.score);
    assert!(best <= score, "{best:?} {score:?} {}", of_shop());
    if found.optimal {
        assert_eq!(
            best,
            score,
            "called optimal, but not the best: {}",
            of_shop()
        );
    }
    if by_place_too {
        let just_above = [score[0], score[1], score[2], score[3] + 1];
        assert_eq!(best_of(task, just_above), best, "{}", of_shop());
    }
    let bound = cost_of(&found.bounds.score);
    for (part, asked) in [BROKEN, LATE_DAYS, UNPLACED, PENNY_DAYS]
        .into_iter()
        .enumerate()
    {
        let best = least(task, asked)[part];
        assert!(
            bound[part] <= best,
            "part {part}: {bound:?}, {best}: {}",
            of_shop()
        );
    }
    for (at, (promise, kept)) in task.promises.iter().zip(&found.promises).enumerate() {
        let alone = with_one(task, promise.clone());
        let is_broken = least(&alone, BROKEN)[0] == 1;
        if found.bounds.never_kept.contains(&at) {
            assert!(is_broken, "promise {at} can be kept: {}", of_shop());
        }
        let days = task.workshop.fitters[0].hours.len() as i32;
        let at_last = |due| Promise {
            due,
            ..promise.clone()
        };
        let placed = least(&with_one(task, at_last(on(days))), BROKEN)[0] == 0;
        match kept.reason.finished {
            None => assert!(!placed, "promise {at} has a place: {}", of_shop()),
            Some(day) if placed => {
                let first = least(&with_one(task, at_last(on(0))), LATE_DAYS)[1];
                assert!(
                    day <= on(first as i32),
                    "promise {at}: {day}: {}",
                    of_shop()
                );
            }
            Some(_) => {}
        }
    }
    let searched = Effort {
        plans: 100,
        all_up_to: 0,
        seed,
    };
    let searched = plan(task, &searched).expect("a plan");
    assert_eq!(broken_rules(task, &searched), [""; 0], "{}", of_shop());
    assert!(best <= cost_of(&searched.score), "{}", of_shop());
    if searched.optimal {
        assert_eq!(best, cost_of(&searched.score), "{}", of_shop());
    }
    (bound, best, found.optimal)
}

#[test]
fn bounds_hold_and_proofs_prove_in_small_shops() {
    let (mut met, mut broken, mut unplaced) = (0, 0, 0);
    let seeds = shops();
    let n = seeds.end;
    for seed in seeds {
        let task = shop(seed, 4);
        let (bound, best, optimal) = hold_against_all_plans(seed, &task, true);
        assert!(optimal, "few enough to go through all: seed {seed}");
        met += u64::from(bound == best);
        broken += u64::from(best[0] > 0);
        unplaced += u64::from(best[2] > 0);
    }
    assert!(
        met > n / 4 && broken > n / 4 && unplaced > n / 10,
        "of {n} shops bounds met in {met}, promises broken in {broken}, steps without a place in {unplaced}: too tame to tell anything"
    );
}

/// A tenth as many, with up to seven steps.
#[test]
fn bounds_hold_and_proofs_prove_with_more_steps() {
    for seed in 0..shops().end.div_ceil(10) {
        let seed = 1_000_000 + seed;
        hold_against_all_plans(seed, &shop(seed, 7), false);
    }
}

/// More capacity or more time never makes the plan worse, and never raises a bound.
#[test]
fn more_visits_hours_and_days_never_make_it_worse() {
    for seed in shops() {
        let seed = 2_000_000 + seed;
        let task = shop(seed, 4);
        let (before, bound) = (least(&task, ALL), plan(&task, &Effort::default()));
        let bound = bound.expect("a plan").bounds.score;
        let mut one_more_visit = task.clone();
        let days = task.workshop.fitters[0].hours.len() as u64;
        let on_that_day = on((seed % days) as i32);
        let visits = &mut one_more_visit.workshop.visits;
        visits.retain(|it| it.on != on_that_day);
        visits.push(Visit {
            on: on_that_day,
            tests: 4,
        });
        visits.sort_by_key(|it| it.on);
        let mut larger_visits = task.clone();
        for visit in &mut larger_visits.workshop.visits {
            visit.tests += 1;
        }
        let mut later_due = task.clone();
        for promise in &mut later_due.promises {
            promise.due = promise.due.plus_days(1);
        }
        for (what, changed) in [
            ("one more visit", one_more_visit),
            ("larger visits", larger_visits),
            ("later due days", later_due),
        ] {
            let after = least(&changed, ALL);
            assert!(
                after <= before,
                "seed {seed}: {what}: {before:?} {after:?}: {task:#?}"
            );
            let bound_after = plan(&changed, &Effort::default())
                .expect("a plan")
                .bounds
                .score;
            assert!(
                bound_after.broken <= bound.broken && bound_after.late_days <= bound.late_days,
                "seed {seed}: {what}: {bound:?} {bound_after:?}: {task:#?}"
            );
        }
    }
}

/// A step at another place in the list is the same step.
fn renamed(task: &Task) -> Task {
    let n = task.steps.len();
    let to = |step: usize| n - 1 - step;
    let steps = task.steps.iter().rev().map(|step| Step {
        needs: step.needs.iter().map(|need| to(*need)).collect(),
        ..step.clone()
    });
    let promises = task.promises.iter().rev().map(|promise| Promise {
        steps: promise.steps.iter().map(|step| to(*step)).collect(),
        due: promise.due,
    });
    Task {
        steps: steps.collect(),
        promises: promises.collect(),
        ..task.clone()
    }
}

#[test]
fn renaming_the_steps_changes_nothing() {
    for seed in shops() {
        let task = shop(3_000_000 + seed, 4);
        let effort = Effort::default();
        let one = plan(&task, &effort).expect("a plan");
        let other = plan(&renamed(&task), &effort).expect("a plan");
        assert_eq!(
            (one.score, one.bounds.score, one.optimal),
            (other.score, other.bounds.score, other.optimal),
            "seed {seed}: {task:#?}"
        );
    }
}

#[test]
fn a_bound_never_falls_when_a_promise_gets_a_step() {
    for seed in shops() {
        let seed = 4_000_000 + seed;
        let task = shop(seed, 7);
        let none = Effort {
            plans: 0,
            all_up_to: 0,
            seed: 1,
        };
        let before = plan(&task, &none).expect("a plan").bounds;
        for promise in 0..task.promises.len() {
            for step in 0..task.steps.len() {
                let mut more = task.clone();
                more.promises[promise].steps.push(step);
                let after = plan(&more, &none).expect("a plan").bounds;
                let (was, is) = (cost_of(&before.score), cost_of(&after.score));
                assert!(
                    (0..4).all(|part| was[part] <= is[part]),
                    "seed {seed}: promise {promise} waits for {step}: {was:?} {is:?}: {task:#?}"
                );
                let days = (
                    before.chains[promise].finished,
                    after.chains[promise].finished,
                );
                assert!(days.1.is_none() || days.0 <= days.1, "seed {seed}");
            }
        }
    }
}
