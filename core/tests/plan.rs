//! Plans against textbook examples, against going through all plans by another program, and against a checker of its own.

use outshop_core::{
    days::Day,
    plan::{
        Centihours, Effort, Fault, Fitter, Plan, Promise, Score, Step, Task, Visit, Workshop, plan,
        savings,
    },
};
use proptest::prelude::*;

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

/// One fitter of one hour a day, so that a day is a unit of time; a job with so many units, due at the end of unit `due`.
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

/// Moore-Hodgson: processing times 7 8 4 6 6, due 9 17 18 19 21. Two jobs are late at the least.
///
/// Pinedo, Scheduling: Theory, Algorithms, and Systems, example 3.3.3; from memory, and gone through by hand: jobs 3 4 5
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
    assert!(found.proved);
}

/// Jackson (1955): on one machine the order of due dates makes the greatest lateness least; so it is in time if any is.
#[test]
fn what_can_be_in_time_is_in_time() {
    let found = plan(
        &one_machine(&[(3, 15), (2, 4), (5, 20), (1, 5), (4, 9)]),
        &effort(),
    )
    .expect("a plan");
    assert_eq!(found.score.broken, 0);
    let finished: Vec<Day> = found.promises.iter().map(|kept| kept.finished).collect();
    assert!(finished[1] <= on(3) && finished[3] <= on(4) && finished[4] <= on(8));
    assert!(found.promises.iter().all(|kept| kept.slack >= 0));
}

/// Smith (1956): in the order of weight over time the sum of weighted completions is least. Times 3 1 4 2, weights 6 8 4 10:
/// the order 2 4 1 3 gives 8x1 + 10x3 + 6x6 + 4x10 = 114 (arithmetic).
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
            penny_days: 114
        }
    );
    assert!(found.proved, "few enough to go through all");
}

#[test]
fn what_no_plan_can_do_is_said_with_the_reason() {
    let mut task = one_machine(&[(3, 2), (2, 9)]);
    task.steps[1].needs = vec![0];
    task.steps[1].not_before = Some(on(6));
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!(found.bounds.never_kept, [0]);
    assert_eq!(found.promises[0].no_earlier_than, on(2));
    assert_eq!(found.promises[0].because.steps, [0]);
    assert_eq!(found.promises[1].finished, on(7));
    assert_eq!((found.score.broken, found.score.late_days), (1, 1));
    assert!(found.proved);
}

#[test]
fn what_makes_no_sense_is_refused() {
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
        refused(&|task| task.steps[1].skill = Some(3)),
        Fault::NoSkill { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.steps[1].holds = vec![(0, 1)]),
        Fault::NoPlace { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.steps[1].days_away = 3),
        Fault::LabourAway { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.steps[1].before_inspector = true),
        Fault::NoVisit { step: 1 }
    );
    assert_eq!(
        refused(&|task| task.promises[2].due = on(-1)),
        Fault::PromisedInThePast { promise: 2 }
    );
    assert_eq!(
        refused(&|task| task.steps[1].labour = 4000),
        Fault::TooFewDays { step: 1 }
    );
}

#[test]
fn it_is_said_what_would_save_a_promise() {
    let mut task = one_machine(&[(4, 5), (3, 99)]);
    task.steps[0].not_before = Some(on(2));
    task.promises.remove(1);
    task.steps[1].begun = true;
    let found = plan(&task, &effort()).expect("a plan");
    assert_eq!((found.score.broken, found.score.late_days), (1, 2));
    let saved = savings(&task, &found, &effort()).expect("savings");
    let told: Vec<String> = saved
        .iter()
        .map(|it| format!("{:?} {}", it.change, it.late_days))
        .collect();
    assert_eq!(told, ["OneMoreHour { fitter: 0 } 0"]);
}

/// Tasks as small as going through all plans allows: two fitters with days off, two skills, a place, the inspector.
fn small() -> impl Strategy<Value = Task> {
    let step = (
        1_u32..=3,
        0..4_u16,
        0_i32..3,
        any::<[bool; 5]>(),
        0_i64..5,
        0..3_i32,
    );
    let steps = prop::collection::vec(step, 2..=4);
    let hours = prop::collection::vec(prop::sample::select(vec![0, 100, 200, 200, 300]), 12);
    let promises = prop::collection::vec((0_usize..5, 0_i32..8), 1..=3);
    (steps, hours.clone(), hours, promises).prop_map(|(steps, one, other, promises)| {
        let count = steps.len();
        let always = |mut hours: Vec<u32>| {
            hours.extend([300; 28]);
            hours
        };
        let made =
            steps
                .into_iter()
                .enumerate()
                .map(|(at, (labour, skill, after, is, worth, engine))| Step {
                    engine,
                    needs: (0..at)
                        .filter(|need| is[*need] && (at + need) % 2 == 0)
                        .collect(),
                    not_before: (after > 0).then(|| on(after)),
                    labour: labour * 100,
                    skill: (skill < 2).then_some(skill),
                    holds: if is[4] { vec![(0, 1)] } else { vec![] },
                    before_inspector: is[3] && is[4],
                    worth,
                    ..Step::default()
                });
        Task {
            workshop: Workshop {
                first_day: first_day(),
                fitters: vec![
                    Fitter {
                        skills: vec![0, 1],
                        hours: always(one),
                    },
                    Fitter {
                        skills: vec![1],
                        hours: always(other),
                    },
                ],
                places: vec![1],
                visits: [3, 7, 14, 21, 22, 23, 28]
                    .map(|day| Visit {
                        on: on(day),
                        tests: 1,
                    })
                    .to_vec(),
            },
            steps: made.collect(),
            promises: promises
                .into_iter()
                .map(|(step, due)| Promise {
                    steps: vec![step % count],
                    due: on(due),
                })
                .collect(),
        }
    })
}

/// Whether a plan does what the task allows, by its days and hours alone.
fn broken_rules(task: &Task, plan: &Plan) -> Vec<String> {
    let mut broken = Vec::new();
    let offset = |day: Day| day.days_since(first_day()) as usize;
    let mut worked =
        vec![vec![0_u32; task.workshop.fitters[0].hours.len()]; task.workshop.fitters.len()];
    for (at, (step, planned)) in task.steps.iter().zip(&plan.steps).enumerate() {
        let sum: u32 = planned.hours.iter().map(|(_, hours)| hours).sum();
        if sum != step.labour {
            broken.push(format!("{at}: {sum} hours"));
        }
        if let Some(fitter) = planned.fitter {
            for (day, hours) in &planned.hours {
                worked[fitter][offset(*day)] += hours;
            }
            if step
                .skill
                .is_some_and(|skill| !task.workshop.fitters[fitter].skills.contains(&skill))
            {
                broken.push(format!("{at}: no skill"));
            }
            // Nothing between: on each day after the first he gives it all his hours until it is done.
            let within = planned.hours.iter().skip(1).rev().skip(1);
            if within
                .into_iter()
                .any(|(day, hours)| *hours != task.workshop.fitters[fitter].hours[offset(*day)])
            {
                broken.push(format!("{at}: left alone for a while"));
            }
        }
        if step.not_before.is_some_and(|day| planned.first < day) {
            broken.push(format!("{at}: too early"));
        }
        if step.before_inspector
            && (planned.first != planned.last
                || !task.workshop.visits.iter().any(|it| it.on == planned.first))
        {
            broken.push(format!("{at}: the inspector is not there"));
        }
        for need in &step.needs {
            let before = &plan.steps[*need];
            let same = before.fitter == planned.fitter
                && planned.fitter.is_some()
                && !step.before_inspector;
            if before.last > planned.first || (before.last == planned.first && !same) {
                broken.push(format!("{at}: before {need}"));
            }
        }
    }
    for (fitter, days) in task.workshop.fitters.iter().zip(&worked) {
        if fitter.hours.iter().zip(days).any(|(has, does)| does > has) {
            broken.push("more hours than he has".to_owned());
        }
    }
    for day in 0..worked[0].len() {
        for (place, room) in task.workshop.places.iter().enumerate() {
            let here = task
                .steps
                .iter()
                .zip(&plan.steps)
                .filter(|(step, planned)| {
                    let in_hand = (offset(planned.first)..=offset(planned.last)).contains(&day);
                    in_hand && step.holds.iter().any(|(held, _)| *held == place)
                });
            let mut engines: Vec<i32> = here.map(|(step, _)| step.engine).collect();
            engines.sort_unstable();
            engines.dedup();
            if engines.len() > usize::from(*room) {
                broken.push(format!("day {day}: {engines:?} in place {place}"));
            }
        }
        let seen = task.steps.iter().zip(&plan.steps);
        let seen =
            seen.filter(|(step, planned)| step.before_inspector && offset(planned.first) == day);
        if seen.count() > 1 {
            broken.push(format!("day {day}: more tests than the inspector sees"));
        }
    }
    broken
}

/// The least score of all plans in steps of an hour, by trying every beginning of every step with every fitter: no list, no
/// rule, no bound of the planner.
struct AllPlans<'t> {
    task: &'t Task,
    /// By fitter, the day of each of his hours.
    hours: Vec<Vec<usize>>,
    best: Score,
    /// Fitter, first and last hour of each step.
    begun: Vec<Option<(usize, usize, usize)>>,
}

impl AllPlans<'_> {
    fn best_of(task: &Task, at_most: Score) -> Score {
        let hours = task.workshop.fitters.iter().map(|fitter| {
            let days = fitter.hours.iter().enumerate();
            days.flat_map(|(day, hours)| vec![day; (*hours / 100) as usize])
                .collect()
        });
        let mut all = AllPlans {
            task,
            hours: hours.collect(),
            best: at_most,
            begun: vec![None; task.steps.len()],
        };
        all.next(0);
        all.best
    }

    fn days(&self, step: usize) -> (usize, usize) {
        let (fitter, from, to) = self.begun[step].expect("begun");
        (self.hours[fitter][from], self.hours[fitter][to])
    }

    /// Steps come in the order of their numbers, as none needs a later one; times are free.
    fn next(&mut self, step: usize) {
        let score = self.score();
        if score >= self.best {
            return;
        }
        if step == self.task.steps.len() {
            self.best = score;
            return;
        }
        let it = self.task.steps[step].clone();
        for fitter in 0..self.hours.len() {
            if it
                .skill
                .is_some_and(|skill| !self.task.workshop.fitters[fitter].skills.contains(&skill))
            {
                continue;
            }
            let count = (it.labour / 100) as usize;
            for from in 0..self.hours[fitter].len().saturating_sub(count) {
                let (first, last) = (
                    self.hours[fitter][from],
                    self.hours[fitter][from + count - 1],
                );
                // Later than this no best plan of so little work begins.
                if first > 24 {
                    break;
                }
                self.begun[step] = Some((fitter, from, from + count - 1));
                if self.fits(step, &it, fitter, first, last) {
                    self.next(step + 1);
                }
                self.begun[step] = None;
            }
        }
    }

    fn fits(&self, step: usize, it: &Step, fitter: usize, first: usize, last: usize) -> bool {
        let (_, from, to) = self.begun[step].expect("begun");
        let inspector_sees = |day: usize| {
            self.task
                .workshop
                .visits
                .iter()
                .any(|visit| visit.on == on(day as i32))
        };
        if it.not_before.is_some_and(|day| on(first as i32) < day)
            || (it.before_inspector && (first != last || !inspector_sees(first)))
        {
            return false;
        }
        (0..step).all(|other| {
            let before = &self.task.steps[other];
            let (their, their_from, their_to) = self.begun[other].expect("begun");
            let (their_first, their_last) = self.days(other);
            let apart = their != fitter || their_to < from || to < their_from;
            let shares_day = first <= their_last && their_first <= last;
            let place = it.holds.is_empty()
                || before.holds.is_empty()
                || before.engine == it.engine
                || !shares_day;
            let inspector = !(it.before_inspector && before.before_inspector && shares_day);
            let after = if !it.needs.contains(&other) {
                true
            } else if their == fitter && !it.before_inspector {
                their_to < from
            } else {
                their_last < first
            };
            apart && place && inspector && after
        })
    }

    fn score(&self) -> Score {
        let mut score = Score {
            broken: 0,
            late_days: 0,
            penny_days: 0,
        };
        let last = |step: usize| self.begun[step].map(|_| self.days(step).1);
        for promise in &self.task.promises {
            let mut awaited = promise.steps.clone();
            let mut at = 0;
            while at < awaited.len() {
                awaited.extend(self.task.steps[awaited[at]].needs.clone());
                at += 1;
            }
            let finished = awaited.into_iter().filter_map(last).max().unwrap_or(0) as i64;
            let late = finished - i64::from(promise.due.days_since(first_day()));
            if late > 0 {
                score.broken += 1;
                score.late_days += late as u64;
            }
        }
        for (step, it) in self.task.steps.iter().enumerate() {
            score.penny_days += last(step).map_or(0, |day| it.worth * (day as i64 + 1));
        }
        score
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn a_plan_of_few_steps_is_as_good_as_the_best_of_all(task in small()) {
        let found = plan(&task, &effort()).expect("a plan");
        prop_assert_eq!(broken_rules(&task, &found), Vec::<String>::new());
        prop_assert!(found.proved);
        let just_above = Score { penny_days: found.score.penny_days + 1, ..found.score };
        prop_assert_eq!(AllPlans::best_of(&task, just_above), found.score);
        let bounds = found.bounds.score;
        prop_assert!(bounds.broken <= found.score.broken);
        prop_assert!(bounds.late_days <= found.score.late_days);
        prop_assert!(bounds.penny_days <= found.score.penny_days);
        for kept in &found.promises {
            prop_assert!(kept.no_earlier_than <= kept.finished);
        }
    }

    /// The search alone, where it is known what the best is.
    #[test]
    fn the_search_comes_near_to_the_best(task in small()) {
        let all = plan(&task, &effort()).expect("a plan");
        let searched = plan(&task, &Effort { all_up_to: 0, ..effort() }).expect("a plan");
        prop_assert_eq!(broken_rules(&task, &searched), Vec::<String>::new());
        prop_assert!(searched.score >= all.score);
        prop_assert!(searched.score.broken <= all.score.broken + 1);
        let again = plan(&task, &Effort { all_up_to: 0, ..effort() }).expect("a plan");
        prop_assert_eq!(searched, again);
    }

    /// More hours break no promise that the bound does not break.
    #[test]
    fn more_hours_never_make_a_bound_worse(task in small()) {
        let before = plan(&task, &effort()).expect("a plan").bounds;
        let mut more = task;
        for hours in more.workshop.fitters.iter_mut().flat_map(|fitter| &mut fitter.hours) {
            *hours += 100;
        }
        let after = plan(&more, &effort()).expect("a plan").bounds;
        prop_assert!(after.score.broken <= before.score.broken);
        prop_assert!(after.score.late_days <= before.score.late_days);
    }
}

/// The project scheduling problem with renewable resources, by the makespan: every activity an engine of its own, fitters for
/// all, a unit of time a day.
///
/// Instance: the 7 activities of Brucker & Knust, Complex Scheduling, figure 1.1, from memory: p = 3 4 2 5 4 3 2 with one
/// resource of 4 units asked for by 2 3 1 2 1 3 2, 1 before 4, 2 before 5, 3 before 6, 4 and 5 before 7; whatever the source
/// has, the best makespan is found beside by trying all beginnings.
#[test]
fn a_project_is_as_short_as_it_can_be() {
    let time = [3_u16, 4, 2, 5, 4, 3, 2];
    let asks = [2_u16, 3, 1, 2, 1, 3, 2];
    let needs: [&[usize]; 7] = [&[], &[], &[], &[0], &[1], &[2], &[3, 4]];
    let steps = (0..7).map(|at| Step {
        engine: at as i32,
        needs: needs[at].to_vec(),
        days_away: time[at],
        holds: vec![(0, asks[at])],
        ..Step::default()
    });
    let task = Task {
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
            steps: (0..7).collect(),
            due: first_day(),
        }],
    };
    let found = plan(&task, &effort()).expect("a plan");
    assert!(found.proved);
    assert_eq!(
        found.promises[0].finished,
        on(i32::from(shortest(&time, &asks, &needs, 4)) - 1)
    );
}

fn shortest(time: &[u16], asks: &[u16], needs: &[&[usize]], room: u16) -> u16 {
    fn place(
        at: usize,
        begun: &mut Vec<u16>,
        given: (&[u16], &[u16], &[&[usize]], u16),
        best: &mut u16,
    ) {
        let (time, asks, needs, room) = given;
        if at == time.len() {
            *best = (*best).min((0..at).map(|i| begun[i] + time[i]).max().unwrap_or(0));
            return;
        }
        let ready = needs[at]
            .iter()
            .map(|need| begun[*need] + time[*need])
            .max()
            .unwrap_or(0);
        for from in ready..best.saturating_sub(time[at]) {
            let full = (from..from + time[at]).any(|t| {
                let taken: u16 = (0..at)
                    .filter(|i| (begun[*i]..begun[*i] + time[*i]).contains(&t))
                    .map(|i| asks[i])
                    .sum();
                taken + asks[at] > room
            });
            if !full {
                begun.push(from);
                place(at + 1, begun, given, best);
                begun.pop();
            }
        }
    }
    let mut best = time.iter().sum::<u16>() + 1;
    place(0, &mut Vec::new(), (time, asks, needs, room), &mut best);
    best
}
