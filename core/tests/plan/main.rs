//! Plans compared with textbook examples and with all possible plans from two other programs, and checked by an
//! independent checker.

mod bounds;
mod by_hour;
mod by_place;
mod shops;

use outshop_core::{
    days::Day,
    workshop::plan::{
        Centihours, Effort, Fault, Fitter, Plan, Promise, Score, Step, Task, Unplaced, Visit, Why,
        Workshop, plan, savings,
    },
};

const AN_HOUR: Centihours = 100;

fn first_day() -> Day {
    "2026-05-18".parse().expect("a day")
}

fn on(offset: i32) -> Day {
    first_day().plus_days(offset)
}

fn effort() -> Effort {
    Effort::default()
}

/// One fitter with one hour a day, so that a day is a unit of time; jobs of this many units, due at the end of unit
/// `due`.
fn one_machine(jobs: &[(u32, i32)]) -> Task {
    let steps = jobs.iter().enumerate().map(|(at, (time, _))| Step {
        engine: i32::try_from(at).expect("few"),
        labour: time * AN_HOUR,
        ..Step::default()
    });
    let promises = jobs.iter().enumerate().map(|(at, (_, due))| Promise {
        steps: vec![at],
        due: on(due - 1),
    });
    let time: u32 = jobs.iter().map(|(time, _)| time).sum();
    Task {
        workshop: Workshop {
            first_day: first_day(),
            fitters: vec![Fitter {
                skills: vec![],
                hours: vec![AN_HOUR; time as usize + 30],
            }],
            places: vec![],
            visits: vec![],
        },
        steps: steps.collect(),
        promises: promises.collect(),
    }
}

/// Moore-Hodgson: processing times 7 8 4 6 6, due 9 17 18 19 21. At least two jobs are late.
///
/// Pinedo, Scheduling: Theory, Algorithms, and Systems, example 3.3.3; from memory, and checked by hand: jobs 3 4 5
/// take 16 units, and no four of the five are in time.
#[test]
fn the_fewest_late_jobs_of_the_textbook() {
    let found = plan(
        &one_machine(&[(7, 9), (8, 17), (4, 18), (6, 19), (6, 21)]),
        &effort(),
    )
    .expect("a plan");
    assert_eq!(found.score.broken, 2);
    assert_eq!(found.bounds.score.broken, 2, "the bound proves it");
    assert!(found.optimal);
}

/// Jackson (1955): on one machine the order of due dates gives the least maximum lateness; so it is in time if any
/// order is.
#[test]
fn jobs_that_can_be_in_time_are_in_time() {
    let found = plan(
        &one_machine(&[(3, 15), (2, 4), (5, 20), (1, 5), (4, 9)]),
        &effort(),
    )
    .expect("a plan");
    assert_eq!(found.score.broken, 0);
    let finished: Vec<Day> = found
        .promises
        .iter()
        .filter_map(|kept| kept.finished)
        .collect();
    assert!(finished[1] <= on(3) && finished[3] <= on(4) && finished[4] <= on(8));
    assert!(found.promises.iter().all(|kept| kept.slack >= Some(0)));
}

/// Smith (1956): the order of weight over time gives the least sum of weighted completions. Times 3 1 4 2, weights 6 8
/// 4 10: the order 2 4 1 3 gives 8x1 + 10x3 + 6x6 + 4x10 = 114 (arithmetic).
#[test]
fn the_most_money_per_hour_comes_first() {
    let mut task = one_machine(&[(3, 99), (1, 99), (4, 99), (2, 99)]);
    task.promises.clear();
    for (step, worth) in task.steps.iter_mut().zip([6, 8, 4, 10]) {
        step.worth = worth;
    }
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(
        found.score,
        Score {
            broken: 0,
            late_days: 0,
            unplaced: 0,
            income_delay: 114
        }
    );
    assert!(found.optimal, "few enough to try all");
}

#[test]
fn impossible_promises_are_reported_with_the_reason() {
    let mut task = one_machine(&[(3, 2), (2, 9)]);
    task.steps[1].needs = vec![0];
    task.steps[1].not_before = Some(on(6));
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(found.bounds.never_kept, [0]);
    assert_eq!(found.promises[0].reason.finished, Some(on(2)));
    assert_eq!(found.promises[0].reason.steps, [0]);
    assert_eq!(found.promises[1].finished, Some(on(7)));
    assert_eq!((found.score.broken, found.score.late_days), (1, 1));
    assert!(found.optimal);
}

#[test]
fn an_impossible_task_is_refused() {
    let good = one_machine(&[(1, 5), (1, 5), (1, 5)]);
    let refused = |change: &dyn Fn(&mut Task)| {
        let mut task = good.clone();
        change(&mut task);
        plan(&task, &effort()).expect_err("no plan")
    };
    assert_eq!(
        refused(&|task| {
            task.steps[0].needs = vec![2];
            task.steps[2].needs = vec![1];
            task.steps[1].needs = vec![0];
        }),
        Fault::Circle {
            steps: vec![0, 2, 1]
        }
    );
    assert_eq!(
        refused(&|task| task.steps[1].needs = vec![7]),
        Fault::NoSuchStep { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.steps[1].days_away = 3),
        Fault::LabourAway { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.promises[2].due = on(-1)),
        Fault::PromisedInThePast { promise: 2 }
    );
}

/// A step without a place does not affect the others; a step that needs it has no place either, and a promise that
/// depends on it is broken however late it is due.
#[test]
fn steps_without_a_place_are_listed_with_the_reason() {
    let good = one_machine(&[(1, 5), (1, 5), (1, 90)]);
    let unplaced = |change: &dyn Fn(&mut Task)| {
        let mut task = good.clone();
        change(&mut task);
        let found = plan(&task, &effort()).expect("a plan");
        assert_eq!(shops::broken_rules(&task, &found), Vec::<String>::new());
        assert_eq!(found.score.unplaced as usize, found.unplaced.len());
        assert_eq!(found.bounds.score.broken, found.score.broken);
        assert!(found.optimal);
        (found.unplaced, found.score.broken)
    };
    let one = |step, reason| vec![Unplaced { step, reason }];
    assert_eq!(unplaced(&|_| {}), (vec![], 0));
    assert_eq!(
        unplaced(&|task| task.steps[2].skill = Some(3)),
        (one(2, Why::NoFitter), 1)
    );
    assert_eq!(
        unplaced(&|task| task.steps[1].holds = vec![(0, 1)]),
        (one(1, Why::NoRoom { place: 0 }), 1)
    );
    assert_eq!(
        unplaced(&|task| task.steps[1].labour = 4000),
        (one(1, Why::TooFewDays { from: on(0) }), 1)
    );
    let (all, broken) = unplaced(&|task| {
        task.steps[1].before_inspector = true;
        task.steps[1].not_before = Some(on(3));
        task.steps[2].needs = vec![1];
    });
    let waits = Why::WaitsFor { step: 1 };
    assert_eq!(broken, 2);
    assert_eq!(
        all,
        [one(1, Why::NoVisit { from: on(3) }), one(2, waits)].concat()
    );
    assert_eq!(
        unplaced(&|task| {
            task.steps[1].before_inspector = true;
            task.steps[1].labour = 200;
            task.workshop.visits = visits(&[(2, 1)]);
        }),
        (one(1, Why::VisitsTooShort { from: on(0) }), 1)
    );
    let (all, broken) = unplaced(&|task| {
        task.steps[0].before_inspector = true;
        task.steps[1].before_inspector = true;
        task.workshop.visits = visits(&[(2, 1)]);
    });
    assert_eq!((all.len(), broken), (1, 1));
    assert_eq!(all[0].reason, Why::VisitsFull { from: on(0) });
}

fn visits(days: &[(i32, u16)]) -> Vec<Visit> {
    let visits = days.iter().map(|(day, tests)| Visit {
        on: on(*day),
        tests: *tests,
    });
    visits.collect()
}

/// By hand: 30 h at 7.5 h a day are Thursday, Friday, Monday and Tuesday the 8th; the inspector comes on the 9th, and
/// the tests of 2 h and 4 h take the 6 h of one day. Promised for the 11th: two days in hand.
#[test]
fn both_tests_of_a_boiler_are_seen_on_one_visit() {
    let day = |text: &str| text.parse::<Day>().expect("a day");
    let first_day = day("2026-12-03");
    let test = |needs: &[usize], hours: u32| Step {
        engine: 7,
        needs: needs.to_vec(),
        labour: hours * AN_HOUR,
        before_inspector: true,
        ..Step::default()
    };

    // One fitter, one visit of the inspector, and two tests that follow a job on the boiler.
    let re_tube = Step {
        engine: 7,
        labour: 3000,
        ..Step::default()
    };
    let week = |day: usize| if [2, 3].contains(&(day % 7)) { 0 } else { 750 };
    let mut task = Task {
        workshop: Workshop {
            first_day,
            fitters: vec![Fitter {
                skills: vec![],
                hours: (0..40).map(week).collect(),
            }],
            places: vec![],
            visits: vec![Visit {
                on: day("2026-12-09"),
                tests: 5,
            }],
        },
        steps: vec![re_tube, test(&[0], 2), test(&[0, 1], 4)],
        promises: vec![Promise {
            steps: vec![2],
            due: day("2026-12-11"),
        }],
    };

    // Both tests are done on the ninth, and the promise has two days in hand.
    let found = plan(&task, &effort()).expect("a plan");
    let ends = |found: &Plan| -> Vec<Option<Day>> {
        let all = found.steps.iter();
        all.map(|it| it.as_ref().map(|it| it.last)).collect()
    };
    let on_the_ninth = [
        Some(day("2026-12-08")),
        Some(day("2026-12-09")),
        Some(day("2026-12-09")),
    ];
    assert_eq!(ends(&found), on_the_ninth);
    assert_eq!(found.promises[0].slack, Some(2));
    assert_eq!(found.score.broken, 0);
    assert!(found.optimal);

    // Another fitter steams it: they start when the hydraulic test is over, two hours into the day.
    task.workshop.fitters.push(Fitter {
        skills: vec![1],
        hours: (0..40).map(|day| week(day).min(600)).collect(),
    });
    task.steps[2].skill = Some(1);
    task.steps[0].fitter = Some(0);
    task.steps[1].fitter = Some(0);
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(ends(&found), on_the_ninth);
    assert!(found.optimal);

    // With half an hour less in their day it needs another visit, and there is none.
    for hours in &mut task.workshop.fitters[1].hours {
        *hours = (*hours).min(550);
    }
    let found = plan(&task, &effort()).expect("a plan");
    let reason = Why::VisitsFull {
        from: day("2026-12-09"),
    };
    assert_eq!(found.unplaced, [Unplaced { step: 2, reason }]);
    assert_eq!(found.bounds.never_kept, [0]);
    assert!(found.optimal);

    // Tests that take nobody's hours: both on that day.
    task.steps[1].labour = 0;
    task.steps[2].labour = 0;
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(ends(&found), on_the_ninth);
}

#[test]
fn the_plan_says_what_would_save_a_promise() {
    let mut task = one_machine(&[(4, 5), (3, 99)]);
    task.steps[0].not_before = Some(on(2));
    task.promises.remove(1);
    task.steps[1].started = true;
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!((found.score.broken, found.score.late_days), (1, 2));
    let saved = savings(&task, &found, &effort()).expect("savings");
    let told: Vec<String> = saved
        .iter()
        .map(|it| format!("{:?} {}", it.change, it.late_days))
        .collect();
    assert_eq!(told, ["OneMoreHour { fitter: 0 } 0"]);
}

/// A published exercise: ten jobs, at least two late (checked by trying all orders with another program); five choices
/// of them do, so the count is compared.
#[test]
fn the_fewest_late_of_ten_jobs() {
    let time = [19, 23, 5, 31, 17, 8, 32, 41, 26, 18];
    let due = [48, 75, 170, 215, 205, 240, 85, 67, 100, 95];
    let jobs: Vec<(u32, i32)> = time.into_iter().zip(due).collect();
    let found = plan(&one_machine(&jobs), &effort()).expect("a plan");
    assert_eq!((found.score.broken, found.bounds.score.broken), (2, 2));
}

/// Times 5 4 3 6, due 4 8 10 11: in the order of due days all four are late, by at most 7; at least two must be late
/// (arithmetic, all 24 orders). The two aims differ, and the planner has this one.
#[test]
fn few_broken_promises_take_priority_over_little_lateness() {
    let found = plan(&one_machine(&[(5, 4), (4, 8), (3, 10), (6, 11)]), &effort());
    let found = found.expect("a plan");
    assert_eq!((found.score.broken, found.bounds.score.broken), (2, 2));
    assert!(found.optimal);
}

/// Times 4 2, ready at 0 and 1, due at 100 and 3: a fitter who never idles is late by 3, one who waits a day is in time
/// (arithmetic).
#[test]
fn a_fitter_waits_if_waiting_keeps_a_promise() {
    let mut task = one_machine(&[(4, 100), (2, 3)]);
    task.steps[1].not_before = Some(on(1));
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(found.score.broken, 0);
    assert_eq!(found.promises[1].finished, Some(on(2)));
    assert_eq!(found.promises[0].finished, Some(on(6)));
}

/// Durations 3 4 2 5 3 2, needing 2 3 1 2 3 2 of 4, with 1 before 3 and 4, 2 before 5, 3 and 4 before 6: at least 17
/// days (by trying all start times); the longest chain has 10, the work is 11 days: a bound may be far off and still
/// right.
#[test]
fn a_bound_may_be_far_off_and_right() {
    let (time, asks) = ([3, 4, 2, 5, 3, 2], [2, 3, 1, 2, 3, 2]);
    let needs: [&[usize]; 6] = [&[], &[], &[0], &[0], &[1], &[2, 3]];
    let found = plan(&project(&time, &asks, &needs), &effort()).expect("a plan");
    assert!(found.optimal);
    assert_eq!(found.promises[0].finished, Some(on(16)));
    assert_eq!(found.promises[0].reason.finished, Some(on(9)));
    assert_eq!(shortest(&time, &asks, &needs, 4), 17);
}

/// One fitter prepares four boilers in 2 3 4 2 days; the inspector comes on the days 6, 12 and 20 (by hand).
#[test]
fn boilers_are_prepared_for_the_visits_available() {
    let found = |time: [u32; 4], due: [i32; 4], tests: u16| {
        let mut task = one_machine(&[]);
        for (at, (time, due)) in time.into_iter().zip(due).enumerate() {
            let engine = at as i32;
            task.steps.push(Step {
                engine,
                labour: time * AN_HOUR,
                ..Step::default()
            });
            task.steps.push(Step {
                engine,
                needs: vec![2 * at],
                before_inspector: true,
                ..Step::default()
            });
            task.promises.push(Promise {
                steps: vec![2 * at + 1],
                due: on(due - 1),
            });
        }
        task.workshop.visits = visits(&[(5, tests), (11, tests), (19, tests)]);
        plan(&task, &effort()).expect("a plan")
    };
    let two_a_visit = found([2, 3, 4, 2], [10, 10, 20, 20], 2);
    let slack = two_a_visit.promises.iter().filter_map(|kept| kept.slack);
    assert_eq!(slack.min(), Some(4), "at least four days in hand");
    assert_eq!(two_a_visit.score.broken, 0);
    let seen = two_a_visit.steps.iter().skip(1).step_by(2).flatten();
    let mut days: Vec<Day> = seen.map(|it| it.first).collect();
    days.sort();
    days.dedup();
    assert_eq!(days, [on(5), on(11)]);

    let one_a_visit = found([2, 3, 4, 2], [10, 10, 20, 20], 1);
    assert_eq!(one_a_visit.unplaced.len(), 1, "three visits, four boilers");
    assert!(matches!(
        one_a_visit.unplaced[0].reason,
        Why::VisitsFull { .. } | Why::NoVisit { .. }
    ));
    assert_eq!(one_a_visit.bounds.score.unplaced, 1);

    assert_eq!(found([2, 3, 4, 2], [6, 6, 12, 12], 2).score.broken, 0);
    assert_eq!(found([3, 4, 3, 2], [6, 6, 12, 12], 2).score.broken, 1);
}

/// Ready on day 6 or on day 7, visits on the days 6 and 12, due on day 10 (by hand).
#[test]
fn a_boiler_that_is_ready_a_day_late_waits_for_the_next_visit() {
    for (ready, seen, late_days) in [(6, 6, 0), (7, 12, 2)] {
        let mut task = one_machine(&[(1, 10)]);
        task.steps[0] = Step {
            not_before: Some(on(ready - 1)),
            before_inspector: true,
            ..Step::default()
        };
        task.workshop.visits = visits(&[(5, 1), (11, 1)]);
        let found = plan(&task, &effort()).expect("a plan");
        assert_eq!(found.promises[0].finished, Some(on(seen - 1)));
        assert_eq!(found.score.late_days, late_days);
        assert!(found.optimal);
    }
}

/// The project scheduling problem with renewable resources, by the makespan: each activity is an engine of its own,
/// there are fitters for all, and a unit of time is a day.
///
/// Instance: the 7 activities of Brucker & Knust, Complex Scheduling, figure 1.1, from memory: p = 3 4 2 5 4 3 2 with
/// one resource of 4 units, of which 2 3 1 2 1 3 2 are needed, 1 before 4, 2 before 5, 3 before 6, 4 and 5 before 7;
/// whatever the source has, the best makespan is found here too by trying all start times.
#[test]
fn a_project_is_as_short_as_it_can_be() {
    let time = [3_u16, 4, 2, 5, 4, 3, 2];
    let asks = [2_u16, 3, 1, 2, 1, 3, 2];
    let needs: [&[usize]; 7] = [&[], &[], &[], &[0], &[1], &[2], &[3, 4]];
    let found = plan(&project(&time, &asks, &needs), &effort()).expect("a plan");
    assert!(found.optimal);
    let least = i32::from(shortest(&time, &asks, &needs, 4));
    assert_eq!(found.promises[0].finished, Some(on(least - 1)));
}

/// Outside work that takes some of 4 places, all of it promised at once.
fn project(time: &[u16], asks: &[u16], needs: &[&[usize]]) -> Task {
    let steps = (0..time.len()).map(|at| Step {
        engine: at as i32,
        needs: needs[at].to_vec(),
        days_away: time[at],
        holds: vec![(0, asks[at])],
        ..Step::default()
    });
    Task {
        workshop: Workshop {
            first_day: first_day(),
            fitters: vec![Fitter {
                skills: vec![],
                hours: vec![0; 40],
            }],
            places: vec![4],
            visits: vec![],
        },
        steps: steps.collect(),
        promises: vec![Promise {
            steps: (0..time.len()).collect(),
            due: first_day(),
        }],
    }
}

fn shortest(time: &[u16], asks: &[u16], needs: &[&[usize]], room: u16) -> u16 {
    fn place(
        at: usize,
        started: &mut Vec<u16>,
        given: (&[u16], &[u16], &[&[usize]], u16),
        best: &mut u16,
    ) {
        let (time, asks, needs, room) = given;
        if at == time.len() {
            *best = (*best).min((0..at).map(|i| started[i] + time[i]).max().unwrap_or(0));
            return;
        }
        let ready = needs[at]
            .iter()
            .map(|need| started[*need] + time[*need])
            .max()
            .unwrap_or(0);
        for from in ready..best.saturating_sub(time[at]) {
            let full = (from..from + time[at]).any(|t| {
                let taken: u16 = (0..at)
                    .filter(|i| (started[*i]..started[*i] + time[*i]).contains(&t))
                    .map(|i| asks[i])
                    .sum();
                taken + asks[at] > room
            });
            if !full {
                started.push(from);
                place(at + 1, started, given, best);
                started.pop();
            }
        }
    }
    let mut best = time.iter().sum::<u16>() + 1;
    place(0, &mut Vec::new(), (time, asks, needs, room), &mut best);
    best
}
