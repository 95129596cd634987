//! Searches the orders of the steps for a good plan, or the best one.

use super::{
    Fault, Plan, Score, Task,
    bounds::{Bounds, bounds},
    schedule::{Bench, Schedule, Settled, Settlement},
};

/// Hours of a working day, in hundredths, for a rule of thumb.
const A_DAY: i64 = 700;

/// How long to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effort {
    /// Number of plans to build and compare.
    pub plans: u32,
    /// Up to this many steps, all plans are tried, within `plans` x 50 partial plans.
    pub all_up_to: usize,
    pub seed: u64,
}

impl Default for Effort {
    fn default() -> Effort {
        Effort {
            plans: 2000,
            all_up_to: 8,
            seed: 1,
        }
    }
}

/// The best plan found. The same task, effort and seed give the same plan.
pub fn plan(task: &Task, effort: &Effort) -> Result<Plan, Fault> {
    let bench = Bench::new(task)?;
    let bounds = bounds(&bench);
    let mut best = Best::of_rules(&bench);
    let mut all = false;
    if best.score != bounds.score && task.steps.len() <= effort.all_up_to {
        let mut left = effort.plans.saturating_mul(50);
        all = go_through(&bench, &bench.nothing(), &mut best, &mut left);
    }
    if !all && best.score != bounds.score {
        best.improve(&bench, effort.plans, effort.seed, &bounds);
    }
    Ok(best.into_plan(&bench, bounds, all))
}

pub(super) struct Best {
    pub score: Score,
    settled: Settlement,
    order: Vec<usize>,
    fitters: Vec<Option<usize>>,
}

impl Best {
    fn new(bench: &Bench<'_>, order: Vec<usize>, fitters: Vec<Option<usize>>) -> Best {
        let settled = bench.schedule(&order, &fitters).settled;
        Best {
            score: bench.score(&settled),
            settled,
            order,
            fitters,
        }
    }

    /// The best of these priority rules: earliest due first; least slack first; most money per hour first within
    /// promised work; least work first; and earliest due first with the promises that it breaks put last.
    fn of_rules(bench: &Bench<'_>) -> Best {
        let steps = &bench.task.steps;
        let mut due = vec![usize::MAX; steps.len()];
        for (awaited, on) in bench.awaited.iter().zip(&bench.due) {
            for step in awaited {
                due[*step] = due[*step].min(*on);
            }
        }
        let per_hour = |step: usize| {
            let labour = i64::from(steps[step].labour.max(1));
            steps[step].worth.max(0).saturating_mul(1000) / labour
        };
        let work: Vec<u64> = (bench.awaited.iter())
            .map(|awaited| {
                awaited
                    .iter()
                    .map(|step| u64::from(steps[*step].labour))
                    .sum()
            })
            .collect();
        let mut hours = vec![0; steps.len()];
        for (awaited, work) in bench.awaited.iter().zip(&work) {
            for step in awaited {
                hours[*step] = hours[*step].max(*work);
            }
        }
        let none = vec![None; steps.len()];
        let by = |key: &dyn Fn(usize) -> (i64, i64)| {
            let mut order: Vec<usize> = (0..steps.len()).collect();
            order.sort_by_key(|step| key(*step));
            Best::new(bench, order, none.clone())
        };
        let days = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
        let hours_of = |step: usize| i64::try_from(hours[step]).unwrap_or(i64::MAX);
        let earliest_due = by(&|step| (days(due[step]), -per_hour(step)));
        let mut is_broken = vec![false; steps.len()];
        for (awaited, on) in bench.awaited.iter().zip(&bench.due) {
            let finished = bench.finished(&earliest_due.settled, awaited);
            if bench.late_days(finished, *on) > 0 {
                awaited.iter().for_each(|step| is_broken[*step] = true);
            }
        }
        let put_last = |step: usize| {
            if is_broken[step] {
                i64::MAX - 1
            } else {
                days(due[step])
            }
        };
        let others = [
            by(&|step| {
                let days_of_work = hours_of(step) / A_DAY;
                (
                    days(due[step]).saturating_sub(days_of_work),
                    -per_hour(step),
                )
            }),
            by(&|step| (i64::from(due[step] == usize::MAX), -per_hour(step))),
            by(&|step| (hours_of(step), days(due[step]))),
            by(&|step| (put_last(step), -per_hour(step))),
        ];
        let all = [earliest_due].into_iter().chain(others);
        all.min_by_key(|it| it.score).expect("there are rules")
    }

    /// Moves a step to another place in the order or to another fitter, and continues from any plan that is no worse.
    pub fn improve(&mut self, bench: &Bench<'_>, plans: u32, seed: u64, bounds: &Bounds) {
        let steps = &bench.task.steps;
        if steps.is_empty() {
            return;
        }
        let all: Vec<usize> = (0..steps.len()).collect();
        let mut draw = Draw(seed);
        let (mut order, mut fitters) = (self.order.clone(), self.fitters.clone());
        let mut at_hand = (self.score, self.settled.clone());
        for _ in 0..plans {
            if self.score == bounds.score {
                return;
            }
            let late: Vec<usize> = (bench.awaited.iter().zip(&bench.due))
                .filter(|(awaited, due)| {
                    let finished = bench.finished(&at_hand.1, awaited);
                    bench.late_days(finished, **due) > 0
                })
                .flat_map(|(awaited, _)| awaited.iter().copied())
                .collect();
            let from_late = !late.is_empty() && draw.below(2) == 0;
            let choice = if from_late { &late } else { &all };
            let step = choice[draw.below(choice.len())];
            let (order_before, fitters_before) = (order.clone(), fitters.clone());
            let able = &bench.able[step];
            if able.len() > 1 && draw.below(4) == 0 {
                let chosen = draw.below(able.len() + 1);
                fitters[step] = able.get(chosen).copied();
            } else {
                let at = order.iter().position(|it| *it == step).unwrap_or(0);
                let to = if from_late {
                    draw.below(at + 1)
                } else {
                    draw.below(order.len())
                };
                let moved = order.remove(at);
                order.insert(to, moved);
            }
            let settled = bench.schedule(&order, &fitters).settled;
            let score = bench.score(&settled);
            if score > at_hand.0 {
                (order, fitters) = (order_before, fitters_before);
                continue;
            }
            if score < self.score {
                self.score = score;
                self.settled.clone_from(&settled);
                self.order.clone_from(&order);
                self.fitters.clone_from(&fitters);
            }
            at_hand = (score, settled);
        }
    }

    fn into_plan(self, bench: &Bench<'_>, bounds: Bounds, all: bool) -> Plan {
        Plan {
            steps: bench.planned(&self.settled),
            unplaced: bench.unplaced(&self.settled),
            promises: bench.kept(&self.settled, &bounds),
            optimal: all || self.score == bounds.score,
            score: self.score,
            bounds,
            order: self.order,
        }
    }

    /// The plan of a given order.
    pub fn from_order(bench: &Bench<'_>, order: &[usize]) -> Best {
        Best::new(bench, order.to_vec(), vec![None; bench.task.steps.len()])
    }
}

/// Tries all plans that continue `so_far`; false if the effort ran out first.
///
/// Every plan in which no step can be done earlier comes from an order of the steps with a fitter for each (Kolisch,
/// see above), and one of these is best. Started steps are settled first.
fn go_through(
    bench: &Bench<'_>,
    so_far: &Schedule<'_, '_>,
    best: &mut Best,
    left: &mut u32,
) -> bool {
    if *left == 0 {
        return false;
    }
    *left -= 1;
    let score = bench.score(&so_far.settled);
    // Further steps can only add to the score.
    if score >= best.score {
        return true;
    }
    let open = (0..so_far.settled.len()).filter(|step| so_far.settled[*step].is_none());
    let (started, others): (Vec<usize>, Vec<usize>) =
        open.partition(|step| bench.task.steps[*step].started);
    let open = if started.is_empty() { others } else { started };
    if open.is_empty() {
        best.score = score;
        best.settled.clone_from(&so_far.settled);
        best.order.sort_by_key(|step| match so_far.settled[*step] {
            Some(Settled::At(slot)) => (slot.first, slot.last),
            Some(Settled::Nowhere(_)) | None => (usize::MAX, usize::MAX),
        });
        return true;
    }
    let mut all = true;
    for step in open {
        if !so_far.is_ready(step) {
            continue;
        }
        let mut has_place = false;
        for slot in so_far.slots(step, None) {
            has_place = true;
            let mut next = so_far.clone();
            next.put(step, slot);
            all &= go_through(bench, &next, best, left);
        }
        if !has_place {
            // A step without a slot now gets none later, so the order of the others does not matter.
            let mut next = so_far.clone();
            next.leave(step);
            return all & go_through(bench, &next, best, left);
        }
    }
    all
}

/// Pseudorandom numbers; the same seed gives the same numbers.
///
/// Source: Steele, Lea, Flood, Fast splittable pseudorandom number generators, OOPSLA 2014.
struct Draw(u64);

impl Draw {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        usize::try_from(z % n.max(1) as u64).unwrap_or(0)
    }
}
