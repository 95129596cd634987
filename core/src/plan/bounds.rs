//! What no plan can beat, and why.

use super::{Centihours, Score, schedule::Bench};
use crate::days::Day;
use std::collections::BinaryHeap;

/// Days and figures that no plan of the task can beat.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bounds {
    /// One for each promise.
    pub chains: Vec<Chain>,
    /// Promises that no plan keeps.
    pub never_kept: Vec<usize>,
    /// Each part by itself.
    pub score: Score,
}

/// Why a promise is not finished before a day, were nothing else in the workshop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    pub finished: Day,
    /// Steps of which each waits for the one before; or all that ask for the hours.
    pub steps: Vec<usize>,
    /// What they need together, where that is what binds.
    pub pooled: Option<Pooled>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pooled {
    pub of: Scarce,
    /// Hours in hundredths, or tests.
    pub amount: u32,
}

/// What several steps draw on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scarce {
    /// Hours of all fitters.
    Hours,
    /// Hours of those with the skill.
    Skill(u16),
    /// Tests that the inspector sees.
    Inspector,
}

/// Fitters with a skill, or all, or the inspector's visits, as one: what there is of it up to each day, inclusive.
struct Pool {
    of: Scarce,
    up_to: Vec<u32>,
}

impl Pool {
    fn first_day_with(&self, amount: u32) -> usize {
        self.up_to.partition_point(|sum| *sum < amount)
    }

    fn wants(&self, bench: &Bench<'_>, step: usize) -> u32 {
        let step = &bench.task.steps[step];
        match self.of {
            Scarce::Hours => step.labour,
            Scarce::Skill(skill) if step.skill == Some(skill) => step.labour,
            Scarce::Skill(_) => 0,
            Scarce::Inspector => step.before_inspector.into(),
        }
    }
}

/// How far a chain can have got at its best: the day, and how much of the longest working day is gone by then.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
struct Reached {
    day: usize,
    used: Centihours,
}

pub(super) fn bounds(bench: &Bench<'_>) -> Bounds {
    let reached = earliest(bench);
    let pools = pools(bench);
    let day_of = |reached: usize| bench.task.day(reached);
    let mut finished = Vec::new();
    let mut chains = Vec::new();
    for awaited in &bench.awaited {
        let last = awaited.iter().copied().max_by_key(|step| reached[*step].0);
        let mut day = last.map_or(0, |step| reached[step].0.day);
        let mut chain = Chain {
            finished: day_of(day),
            steps: last.map_or(Vec::new(), |step| back(&reached, step)),
            pooled: None,
        };
        for pool in &pools {
            let asks = awaited.iter().map(|step| pool.wants(bench, *step));
            let amount: u32 = asks.sum();
            let first = pool.first_day_with(amount);
            if amount > 0 && first > day {
                day = first;
                let asking = awaited.iter().copied();
                chain = Chain {
                    finished: day_of(day),
                    steps: asking.filter(|step| pool.wants(bench, *step) > 0).collect(),
                    pooled: Some(Pooled {
                        of: pool.of,
                        amount,
                    }),
                };
            }
        }
        finished.push(day);
        chains.push(chain);
    }
    let is_late = |promise: &usize| finished[*promise] > bench.due[*promise];
    let (never_kept, others): (Vec<usize>, Vec<usize>) =
        (0..finished.len()).partition(|promise| is_late(promise));
    let own = own_steps(bench);
    let crowded = pools.iter().map(|pool| dropped(bench, pool, &own, &others));
    let by_themselves: usize = never_kept
        .iter()
        .map(|it| finished[*it] - bench.due[*it])
        .sum();
    let matched = pools.iter().map(|pool| late_days(bench, pool, &own));
    let late = matched.max().unwrap_or(0).max(by_themselves as u64);
    let penny_days = bench
        .task
        .steps
        .iter()
        .zip(&reached)
        .map(|(step, (at, _))| {
            let day = i64::try_from(at.day + 1).unwrap_or(i64::MAX);
            step.worth.max(0).saturating_mul(day)
        });
    Bounds {
        score: Score {
            broken: never_kept.len() as u32 + crowded.max().unwrap_or(0),
            late_days: late,
            penny_days: penny_days.fold(0, i64::saturating_add),
        },
        chains,
        never_kept,
    }
}

/// By step the earliest that it can be finished, with the step that it waits for.
fn earliest(bench: &Bench<'_>) -> Vec<(Reached, Option<usize>)> {
    let mut found: Vec<Option<(Reached, Option<usize>)>> = vec![None; bench.task.steps.len()];
    for step in in_order(bench) {
        found[step] = Some(earliest_of(bench, step, &found));
    }
    found.into_iter().map(Option::unwrap_or_default).collect()
}

fn earliest_of(
    bench: &Bench<'_>,
    step: usize,
    found: &[Option<(Reached, Option<usize>)>],
) -> (Reached, Option<usize>) {
    let it = &bench.task.steps[step];
    let next_day =
        |need: usize| it.labour == 0 || it.before_inspector || bench.task.steps[need].labour == 0;
    let mut start = Reached {
        day: bench.not_before[step],
        used: 0,
    };
    let mut waits_for = None;
    for need in &it.needs {
        let Some((mut reached, _)) = found[*need] else {
            continue;
        };
        if next_day(*need) {
            reached = Reached {
                day: reached.day + 1,
                used: 0,
            };
        }
        if reached > start {
            (start, waits_for) = (reached, Some(*need));
        }
    }
    let longest = |day: usize| {
        let able = bench.able[step].iter();
        let hours = able.map(|f| bench.before[*f][day + 1] - bench.before[*f][day]);
        hours.max().unwrap_or(0)
    };
    let mut at = start;
    if it.before_inspector {
        let long_enough = |day: &usize| it.labour == 0 || longest(*day) >= it.labour;
        let visits = bench.visits.iter().map(|(day, _)| *day);
        at.day = (visits.filter(|day| *day >= start.day).find(long_enough)).unwrap_or(bench.days);
        at.used = it.labour;
    } else if it.labour == 0 {
        at.day += usize::from(it.days_away).saturating_sub(1);
    } else {
        let mut left = it.labour;
        while at.day < bench.days {
            let free = longest(at.day).saturating_sub(at.used);
            if free >= left {
                at.used += left;
                break;
            }
            left -= free;
            at = Reached {
                day: at.day + 1,
                used: 0,
            };
        }
    }
    (at, waits_for)
}

/// Each step after those that it needs.
fn in_order(bench: &Bench<'_>) -> Vec<usize> {
    let steps = &bench.task.steps;
    let mut order: Vec<usize> = Vec::with_capacity(steps.len());
    let mut is_in = vec![false; steps.len()];
    while order.len() < steps.len() {
        let ready = (0..steps.len())
            .filter(|at| !is_in[*at] && steps[*at].needs.iter().all(|need| is_in[*need]));
        let ready: Vec<usize> = ready.collect();
        for at in ready {
            is_in[at] = true;
            order.push(at);
        }
    }
    order
}

fn back(reached: &[(Reached, Option<usize>)], last: usize) -> Vec<usize> {
    let mut chain = vec![last];
    let mut at = last;
    while let Some(before) = reached[at].1 {
        chain.push(before);
        at = before;
    }
    chain.reverse();
    chain
}

fn pools(bench: &Bench<'_>) -> Vec<Pool> {
    let steps = bench.task.steps.iter();
    let skills = steps.filter_map(|step| step.skill.map(Scarce::Skill));
    let mut all: Vec<Scarce> = skills.chain([Scarce::Hours, Scarce::Inspector]).collect();
    all.sort_unstable();
    all.dedup();
    let fitters = || bench.task.workshop.fitters.iter().zip(&bench.before);
    let up_to = |of: Scarce, day: usize| match of {
        Scarce::Hours => fitters().map(|(_, before)| before[day + 1]).sum(),
        Scarce::Skill(skill) => fitters()
            .filter(|(fitter, _)| fitter.skills.contains(&skill))
            .map(|(_, before)| before[day + 1])
            .sum(),
        Scarce::Inspector => {
            let visits = bench.visits.iter().filter(|(on, _)| *on <= day);
            visits.map(|(_, tests)| u32::from(*tests)).sum()
        }
    };
    let pool = |of| Pool {
        of,
        up_to: (0..bench.days).map(|day| up_to(of, day)).collect(),
    };
    all.into_iter().map(pool).collect()
}

/// By promise the steps that no other promise waits for.
fn own_steps(bench: &Bench<'_>) -> Vec<Vec<usize>> {
    let mut waiting = vec![0_u32; bench.task.steps.len()];
    for step in bench.awaited.iter().flatten() {
        waiting[*step] += 1;
    }
    let own = |awaited: &Vec<usize>| {
        let own = awaited.iter().copied();
        own.filter(|step| waiting[*step] == 1).collect()
    };
    bench.awaited.iter().map(own).collect()
}

/// How many of the promises have to be broken as what is in the pool does not do for all.
///
/// Source: Moore, An n job, one machine sequencing algorithm for minimizing the number of late jobs, Management Science 15
/// (1968) 102-109, in the form of T. J. Hodgson; the pool is the machine, what it has up to a day is the due date.
fn dropped(bench: &Bench<'_>, pool: &Pool, own: &[Vec<usize>], promises: &[usize]) -> u32 {
    let mut by_due: Vec<usize> = promises.to_vec();
    by_due.sort_by_key(|promise| bench.due[*promise]);
    let (mut taken, mut sum, mut dropped) = (BinaryHeap::new(), 0, 0);
    for promise in by_due {
        let amount: u32 = own[promise].iter().map(|it| pool.wants(bench, *it)).sum();
        taken.push(amount);
        sum += amount;
        let due = bench.due[promise].min(bench.days.saturating_sub(1));
        if sum > pool.up_to.get(due).copied().unwrap_or(0) {
            sum -= taken.pop().unwrap_or(0);
            dropped += 1;
        }
    }
    dropped
}

/// The least lateness of all promises together were the pool one machine: the least works first against the first due days,
/// as the k-th that is finished needs the k least works at least.
fn late_days(bench: &Bench<'_>, pool: &Pool, own: &[Vec<usize>]) -> u64 {
    let asks = own.iter();
    let mut amounts: Vec<u32> = asks
        .map(|steps| steps.iter().map(|it| pool.wants(bench, *it)).sum())
        .collect();
    amounts.sort_unstable();
    let mut due = bench.due.clone();
    due.sort_unstable();
    let mut sum = 0;
    let late = amounts.iter().zip(&due).map(|(amount, due)| {
        sum += amount;
        if sum == 0 {
            return 0;
        }
        pool.first_day_with(sum).saturating_sub(*due) as u64
    });
    late.sum()
}
