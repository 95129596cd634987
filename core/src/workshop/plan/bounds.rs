//! Lower bounds that no plan can beat, and why.

use super::{Centihours, Score, schedule::Bench};
use crate::days::Day;
use std::collections::BinaryHeap;

/// Lower bounds of a task.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bounds {
    /// One per promise.
    pub chains: Vec<Chain>,
    /// Promises that no plan can keep.
    pub never_kept: Vec<usize>,
    /// A lower bound of each member on its own.
    pub score: Score,
}

/// Why a promise cannot be finished before a day, even with nothing else in the workshop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    /// `None`: not within the plan.
    pub finished: Option<Day>,
    /// Steps that each wait for the one before; or all steps that share the hours.
    pub steps: Vec<usize>,
    /// What they need together, if that is the limit.
    pub pooled: Option<Pooled>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pooled {
    pub of: Scarce,
    /// Hours in hundredths, or tests.
    pub amount: u64,
}

/// A resource that several steps share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scarce {
    /// Hours of all fitters.
    Hours,
    /// Hours of the fitters with the skill.
    Skill(u16),
    /// Tests that the inspector can see.
    Inspector,
}

/// Fitters with a skill, all fitters, or the inspector's visits, as one resource: how much there is up to and including
/// each day.
struct Pool {
    of: Scarce,
    up_to: Vec<u64>,
    /// By step, how much it needs.
    wants: Vec<u64>,
}

impl Pool {
    /// The first day by which there is that much; the day after the plan if there never is.
    fn first_day_with(&self, amount: u64) -> usize {
        self.up_to.partition_point(|sum| *sum < amount)
    }

    fn has_by(&self, day: usize) -> u64 {
        let day = day.min(self.up_to.len().saturating_sub(1));
        self.up_to.get(day).copied().unwrap_or(0)
    }

    fn wanted(&self, steps: &[usize]) -> u64 {
        steps.iter().map(|step| self.wants[*step]).sum()
    }
}

/// How far a chain can get at best: the day, and how much of the longest working day is used by then.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
struct Reached {
    day: usize,
    used: Centihours,
    /// How many tests of this chain the inspector has seen on that day.
    seen: u16,
}

pub(super) fn bounds(bench: &Bench<'_>) -> Bounds {
    let reached = earliest(bench);
    let pools = pools(bench);
    let day_of = |reached: usize| (reached < bench.days).then(|| bench.task.day(reached));
    let mut finished = Vec::new();
    let mut chains = Vec::new();
    for awaited in &bench.awaited {
        let last = awaited.iter().copied().max_by_key(|step| reached[*step].0);
        let mut day = last.map_or(0, |step| reached[step].0.day);
        let mut chain = Chain {
            finished: match last {
                Some(_) => day_of(day),
                None => Some(bench.task.day(day)),
            },
            steps: last.map_or(Vec::new(), |step| back(&reached, step)),
            pooled: None,
        };
        for pool in &pools {
            let amount = pool.wanted(awaited);
            let first = pool.first_day_with(amount);
            if amount > 0 && first > day {
                day = first;
                let asking = awaited.iter().copied();
                chain = Chain {
                    finished: day_of(day),
                    steps: asking.filter(|step| pool.wants[*step] > 0).collect(),
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
    let late = |promise: usize| match bench.awaited[promise].is_empty() {
        true => 0,
        false => bench.late_days(finished[promise], bench.due[promise]),
    };
    let (never_kept, others): (Vec<usize>, Vec<usize>) =
        (0..finished.len()).partition(|promise| late(*promise) > 0);
    let by_themselves: u64 = never_kept.iter().map(|it| late(*it)).sum();
    let crowd = Crowd::of(bench, &pools, &others);
    let income_delay = bench
        .task
        .steps
        .iter()
        .zip(&reached)
        .map(|(step, (at, _))| {
            let day = i64::try_from(at.day + 1).unwrap_or(i64::MAX);
            step.worth.max(0).saturating_mul(day)
        });
    let nowhere = reached.iter().filter(|(at, _)| at.day >= bench.days);
    let tests = bench.task.steps.iter().filter(|step| step.before_inspector);
    let seen: usize = bench.visits.iter().map(|(_, it)| usize::from(*it)).sum();
    let unplaced = nowhere.count().max(tests.count().saturating_sub(seen));
    Bounds {
        score: Score {
            broken: never_kept.len() as u32 + crowd.broken,
            late_days: crowd.late_days.max(by_themselves),
            unplaced: u32::try_from(unplaced).unwrap_or(u32::MAX),
            income_delay: income_delay.fold(0, i64::saturating_add),
        },
        chains,
        never_kept,
    }
}

/// For each step the earliest that it can be finished, with the step that it waits for; the day after the plan if no
/// plan can schedule it.
fn earliest(bench: &Bench<'_>) -> Vec<(Reached, Option<usize>)> {
    let mut found: Vec<Option<(Reached, Option<usize>)>> = vec![None; bench.task.steps.len()];
    for step in in_order(bench) {
        found[step] = Some(earliest_of(bench, step, &found));
    }
    found.into_iter().map(Option::unwrap_or_default).collect()
}

/// Whether a step can start on the day on which one that it needs is finished.
fn may_be_one_day(bench: &Bench<'_>, need: usize, step: usize) -> bool {
    let (before, it) = (&bench.task.steps[need], &bench.task.steps[step]);
    let both_seen = before.before_inspector && it.before_inspector;
    let both_helped = before.labour > 0 && it.labour > 0;
    let one_does_both = (bench.able[need].iter()).any(|fitter| bench.able[step].contains(fitter));
    both_seen || (both_helped && one_does_both)
}

fn earliest_of(
    bench: &Bench<'_>,
    step: usize,
    found: &[Option<(Reached, Option<usize>)>],
) -> (Reached, Option<usize>) {
    let it = &bench.task.steps[step];
    let mut start = Reached {
        day: bench.not_before[step],
        ..Reached::default()
    };
    let mut waits_for = None;
    for need in bench.task.needs(step) {
        let Some((mut reached, _)) = found[*need] else {
            continue;
        };
        if !may_be_one_day(bench, *need, step) {
            reached = Reached {
                day: reached.day + 1,
                ..Reached::default()
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
    let gone = |day: usize| if day == start.day { start.used } else { 0 };
    let seen = |day: usize| if day == start.day { start.seen } else { 0 };
    let mut at = Reached { seen: 0, ..start };
    if bench.task.too_small(it).is_some() {
        at.day = bench.days;
    } else if it.before_inspector {
        let is_long_enough =
            |day: &usize| it.labour == 0 || longest(*day) >= gone(*day).saturating_add(it.labour);
        let has_room = |(day, tests): &&(usize, u16)| *tests > seen(*day);
        let visits = bench.visits.iter().filter(has_room).map(|(day, _)| *day);
        let visit = visits.filter(|day| *day >= start.day).find(is_long_enough);
        at.day = visit.unwrap_or(bench.days);
        at.used = gone(at.day).saturating_add(it.labour);
        at.seen = seen(at.day).saturating_add(1);
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
                ..Reached::default()
            };
        }
    }
    if at.day >= bench.days {
        at = Reached {
            day: bench.days,
            ..Reached::default()
        };
    }
    (at, waits_for)
}

/// The steps, each after those that it needs.
fn in_order(bench: &Bench<'_>) -> Vec<usize> {
    let steps = bench.task.steps.len();
    let mut order: Vec<usize> = Vec::with_capacity(steps);
    let mut is_in = vec![false; steps];
    while order.len() < steps {
        let ready = (0..steps)
            .filter(|at| !is_in[*at] && bench.task.needs(*at).iter().all(|need| is_in[*need]));
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
        Scarce::Hours => fitters()
            .map(|(_, before)| u64::from(before[day + 1]))
            .sum(),
        Scarce::Skill(skill) => fitters()
            .filter(|(fitter, _)| fitter.skills.contains(&skill))
            .map(|(_, before)| u64::from(before[day + 1]))
            .sum(),
        Scarce::Inspector => {
            let visits = bench.visits.iter().filter(|(on, _)| *on <= day);
            visits.map(|(_, tests)| u64::from(*tests)).sum()
        }
    };
    let wants = |of: Scarce, step: usize| {
        let step = &bench.task.steps[step];
        match of {
            Scarce::Hours => step.labour.into(),
            Scarce::Skill(skill) if step.skill == Some(skill) => step.labour.into(),
            Scarce::Skill(_) => 0,
            Scarce::Inspector => step.before_inspector.into(),
        }
    };
    let pool = |of| Pool {
        of,
        up_to: (0..bench.days).map(|day| up_to(of, day)).collect(),
        wants: (0..bench.task.steps.len())
            .map(|step| wants(of, step))
            .collect(),
    };
    all.into_iter().map(pool).collect()
}

/// Up to this many promises, all subsets are tried.
const ALL_UP_TO: usize = 10;

/// The bounds from promises that share a pool, with each pool as one machine that may work on anything at any time.
struct Crowd {
    /// Of the promises that could each be kept alone, how many must be broken.
    broken: u32,
    /// Total days late of all promises.
    late_days: u64,
}

impl Crowd {
    fn of(bench: &Bench<'_>, pools: &[Pool], others: &[usize]) -> Crowd {
        let all: Vec<usize> = (0..bench.awaited.len()).collect();
        let own = own_steps(bench);
        let dropped = |pool| dropped(bench, pool, &own, others);
        let broken = if others.len() <= ALL_UP_TO {
            others.len() as u32 - Choices::of(bench, pools, others).most_kept()
        } else {
            pools.iter().map(dropped).max().unwrap_or(0)
        };
        let by_pool: Vec<Vec<u64>> = if all.len() <= ALL_UP_TO {
            Choices::of(bench, pools, &all).least_work()
        } else {
            let of_pool = |pool: &Pool| {
                let mut amounts: Vec<u64> = own.iter().map(|steps| pool.wanted(steps)).collect();
                amounts.sort_unstable();
                let sums = amounts.iter().scan(0, |sum, amount| {
                    *sum += amount;
                    Some(*sum)
                });
                sums.collect()
            };
            pools.iter().map(of_pool).collect()
        };
        let late = pools.iter().zip(&by_pool);
        let late = late.map(|(pool, work)| late_days(bench, pool, work));
        Crowd {
            broken,
            late_days: late.max().unwrap_or(0),
        }
    }
}

/// Subsets of some promises, by due day, with what the chosen ones need of each pool: a step that several need is
/// counted once.
struct Choices<'b, 't> {
    bench: &'b Bench<'t>,
    pools: &'b [Pool],
    promises: Vec<usize>,
    /// By step, how many of the chosen promises need it.
    waiting: Vec<u32>,
    /// By pool, what the chosen promises need.
    sums: Vec<u64>,
}

impl<'b, 't> Choices<'b, 't> {
    fn of(bench: &'b Bench<'t>, pools: &'b [Pool], promises: &[usize]) -> Choices<'b, 't> {
        let mut promises = promises.to_vec();
        promises.sort_by_key(|promise| bench.due[*promise]);
        Choices {
            bench,
            pools,
            promises,
            waiting: vec![0; bench.task.steps.len()],
            sums: vec![0; pools.len()],
        }
    }

    fn choose(&mut self, promise: usize) {
        for step in &self.bench.awaited[promise] {
            self.waiting[*step] += 1;
            if self.waiting[*step] == 1 {
                for (sum, pool) in self.sums.iter_mut().zip(self.pools) {
                    *sum += pool.wants[*step];
                }
            }
        }
    }

    fn give_back(&mut self, promise: usize) {
        for step in &self.bench.awaited[promise] {
            self.waiting[*step] -= 1;
            if self.waiting[*step] == 0 {
                for (sum, pool) in self.sums.iter_mut().zip(self.pools) {
                    *sum -= pool.wants[*step];
                }
            }
        }
    }

    /// How many promises the pools allow to be kept together: those due by a day need no more than there is by that
    /// day.
    fn most_kept(mut self) -> u32 {
        let mut most = 0;
        self.keep(0, 0, &mut most);
        most
    }

    fn keep(&mut self, at: usize, kept: u32, most: &mut u32) {
        *most = kept.max(*most);
        let left = (self.promises.len() - at) as u32;
        if kept + left <= *most {
            return;
        }
        let promise = self.promises[at];
        self.choose(promise);
        let due = self.bench.due[promise];
        let mut asked = self.sums.iter().zip(self.pools);
        if asked.all(|(sum, pool)| *sum <= pool.has_by(due)) {
            self.keep(at + 1, kept + 1, most);
        }
        self.give_back(promise);
        self.keep(at + 1, kept, most);
    }

    /// By pool, the least that any one, two, three .. of the promises need.
    fn least_work(mut self) -> Vec<Vec<u64>> {
        let mut least = vec![vec![u64::MAX; self.promises.len()]; self.pools.len()];
        self.weigh(0, 0, &mut least);
        least
    }

    fn weigh(&mut self, at: usize, chosen: usize, least: &mut [Vec<u64>]) {
        if let Some(before) = chosen.checked_sub(1) {
            for (sum, least) in self.sums.iter().zip(least.iter_mut()) {
                least[before] = least[before].min(*sum);
            }
        }
        for next in at..self.promises.len() {
            let promise = self.promises[next];
            self.choose(promise);
            self.weigh(next + 1, chosen + 1, least);
            self.give_back(promise);
        }
    }
}

/// For each promise the steps that no other promise needs.
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

/// How many promises must be broken because the pool is not enough for all.
///
/// Source: Moore, An n job, one machine sequencing algorithm for minimizing the number of late jobs, Management Science
/// 15 (1968) 102-109, in the form of T. J. Hodgson; the pool is the machine, and what it has by a day is the due date.
fn dropped(bench: &Bench<'_>, pool: &Pool, own: &[Vec<usize>], promises: &[usize]) -> u32 {
    let mut by_due: Vec<usize> = promises.to_vec();
    by_due.sort_by_key(|promise| bench.due[*promise]);
    let (mut taken, mut sum, mut dropped) = (BinaryHeap::new(), 0, 0);
    for promise in by_due {
        let amount = pool.wanted(&own[promise]);
        taken.push(amount);
        sum += amount;
        if sum > pool.has_by(bench.due[promise]) {
            sum -= taken.pop().unwrap_or(0);
            dropped += 1;
        }
    }
    dropped
}

/// The least total lateness with the pool as one machine: the k-th promise is finished when there was enough for any k
/// of them, and the k-th finish is compared with the k-th due day.
///
/// `work`: the least that any one, two, three .. of the promises need.
fn late_days(bench: &Bench<'_>, pool: &Pool, work: &[u64]) -> u64 {
    let mut due = bench.due.clone();
    due.sort_unstable();
    let late = work.iter().zip(&due).map(|(work, due)| match work {
        0 => 0,
        _ => pool.first_day_with(*work).saturating_sub(*due) as u64,
    });
    late.sum()
}
