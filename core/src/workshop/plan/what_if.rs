//! What one change would save: postponing a job, an extra hour, a part that comes sooner.

use super::{Effort, Fault, Plan, Score, Task, bounds::bounds, schedule::Bench, search::Best};

/// One hour, in hundredths.
const AN_HOUR: u32 = 100;
const SOONER: i32 = 2;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Postpone the step and those that need it; no promise depends on it.
    PutOff { step: usize },
    /// An extra hour on each of the fitter's working days.
    OneMoreHour { fitter: usize },
    /// The part that the step waits for comes two days sooner.
    TwoDaysSooner { step: usize },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Saving {
    pub change: Change,
    /// Promises broken by the best plan found with the change.
    pub broken: u32,
    pub late_days: u64,
}

/// The changes that leave fewer promises broken, or fewer days late; the best first.
pub fn savings(task: &Task, plan: &Plan, effort: &Effort) -> Result<Vec<Saving>, Fault> {
    if plan.score.broken == 0 {
        return Ok(Vec::new());
    }
    let mut promised = vec![false; task.steps.len()];
    for step in task.awaited().into_iter().flatten() {
        promised[step] = true;
    }
    let steps = task.steps.iter().enumerate();
    let put_off = steps
        .clone()
        .filter(|(at, step)| !promised[*at] && !step.started && step.labour > 0);
    let put_off = put_off.map(|(step, _)| Change::PutOff { step });
    let awaited = steps.filter(|(at, step)| {
        promised[*at]
            && step
                .not_before
                .is_some_and(|day| day > task.workshop.first_day)
    });
    let awaited = awaited.map(|(step, _)| Change::TwoDaysSooner { step });
    let fitters = (0..task.workshop.fitters.len()).map(|fitter| Change::OneMoreHour { fitter });
    let mut savings = Vec::new();
    for change in put_off.chain(fitters).chain(awaited) {
        let score = with(task, plan, change, effort)?;
        if (score.broken, score.late_days) < (plan.score.broken, plan.score.late_days) {
            savings.push(Saving {
                change,
                broken: score.broken,
                late_days: score.late_days,
            });
        }
    }
    savings.sort_by_key(|saving| (saving.broken, saving.late_days));
    Ok(savings)
}

fn with(task: &Task, plan: &Plan, change: Change, effort: &Effort) -> Result<Score, Fault> {
    let mut changed = task.clone();
    match change {
        Change::PutOff { step } => {
            let mut off = vec![step];
            while let Some(step) = off.pop() {
                changed.steps[step].labour = 0;
                changed.steps[step].days_away = 0;
                changed.steps[step].holds.clear();
                changed.steps[step].before_inspector = false;
                let steps = task.steps.iter().enumerate();
                off.extend(
                    steps
                        .filter(|(_, it)| it.needs.contains(&step))
                        .map(|(at, _)| at),
                );
            }
        }
        Change::OneMoreHour { fitter } => {
            let hours = changed.workshop.fitters[fitter].hours.iter_mut();
            hours
                .filter(|hours| **hours > 0)
                .for_each(|hours| *hours += AN_HOUR);
        }
        Change::TwoDaysSooner { step } => {
            let day = changed.steps[step].not_before;
            changed.steps[step].not_before = day.map(|day| day.plus_days(-SOONER));
        }
    }
    let bench = Bench::new(&changed)?;
    let mut best = Best::from_order(&bench, &plan.order);
    best.improve(&bench, effort.plans, effort.seed, &bounds(&bench));
    Ok(best.score)
}
