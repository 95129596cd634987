//! Builds a plan from an order of the steps: each as early as it can be done, given those before it.

use super::{Centihours, Fault, Kept, Planned, Score, Step, Task, Unplaced, Why, bounds::Bounds};

/// When a step is done. Days are counted from the first day of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Slot {
    pub fitter: Option<usize>,
    pub first: usize,
    pub last: usize,
    /// Start and end, in hours of its fitter since the first day.
    pub from: Centihours,
    pub to: Centihours,
    /// How much of its last day is used when it is done.
    gone: Centihours,
}

/// What became of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Settled {
    At(Slot),
    Nowhere(Why),
}

/// By step. `None`: still open.
pub(super) type Settlement = Vec<Option<Settled>>;

/// A task, with figures that every plan of it uses.
pub(super) struct Bench<'t> {
    pub task: &'t Task,
    pub days: usize,
    /// By fitter and day: the hours before that day, and after the last day the total.
    pub before: Vec<Vec<Centihours>>,
    pub able: Vec<Vec<usize>>,
    pub not_before: Vec<usize>,
    /// Days of the inspector's visits, with how many tests each has room for.
    pub visits: Vec<(usize, u16)>,
    pub awaited: Vec<Vec<usize>>,
    pub due: Vec<usize>,
    worth: Vec<i64>,
}

/// A plan while it is built.
#[derive(Clone)]
pub(super) struct Schedule<'b, 't> {
    bench: &'b Bench<'t>,
    pub settled: Settlement,
    /// By fitter, the hours that are taken, in order.
    busy: Vec<Vec<(Centihours, Centihours)>>,
    /// By place and day, the engines in it, each with how much of the place it takes.
    held: Vec<Vec<Vec<(i32, u16)>>>,
    seen: Vec<u16>,
}

impl<'t> Bench<'t> {
    pub fn new(task: &'t Task) -> Result<Bench<'t>, Fault> {
        task.check()?;
        let days = task.days();
        let before = task.workshop.fitters.iter().map(|fitter| {
            let mut sum = 0;
            let mut before = vec![0];
            for day in 0..days {
                sum += fitter.hours.get(day).copied().unwrap_or(0);
                before.push(sum);
            }
            before
        });
        let visits = task.workshop.visits.iter();
        let visits = visits.filter(|visit| visit.on >= task.workshop.first_day);
        let visits = visits.map(|visit| (task.offset(visit.on), visit.tests));
        let not_before = |step: &Step| step.not_before.map_or(0, |day| task.offset(day));
        Ok(Bench {
            days,
            before: before.collect(),
            able: (task.steps.iter().map(|step| task.able(step).collect())).collect(),
            not_before: task.steps.iter().map(not_before).collect(),
            visits: visits.filter(|(day, _)| *day < days).collect(),
            awaited: task.awaited(),
            due: task.promises.iter().map(|it| task.offset(it.due)).collect(),
            worth: task.steps.iter().map(|step| step.worth.max(0)).collect(),
            task,
        })
    }

    /// The plan of an order: started steps first, then always the first step in the order whose needs are settled.
    /// `fitters`: who does a step. `None`: whoever finishes it earliest.
    pub fn schedule(&self, order: &[usize], fitters: &[Option<usize>]) -> Schedule<'_, 't> {
        let mut schedule = self.nothing();
        let started = |step: &usize| self.task.steps[*step].started;
        let (started, open): (Vec<usize>, Vec<usize>) =
            order.iter().partition(|step| started(step));
        for mut left in [started, open] {
            while !left.is_empty() {
                let ready = left.iter().position(|step| schedule.is_ready(*step));
                let step = left.remove(ready.unwrap_or(0));
                schedule.settle(step, fitters.get(step).copied().flatten());
            }
        }
        schedule
    }

    /// An empty plan.
    pub fn nothing(&self) -> Schedule<'_, 't> {
        let places = &self.task.workshop.places;
        Schedule {
            bench: self,
            settled: vec![None; self.task.steps.len()],
            busy: vec![Vec::new(); self.before.len()],
            held: vec![vec![Vec::new(); self.days]; places.len()],
            seen: vec![0; self.visits.len()],
        }
    }

    /// The day of a fitter's hour number `at`, counted from 0.
    fn day_of(&self, fitter: usize, at: Centihours) -> usize {
        self.before[fitter].partition_point(|before| *before <= at) - 1
    }

    /// The day on which all settled ones of these steps are finished; the day after the plan if one could not be
    /// scheduled.
    pub fn finished(&self, settled: &Settlement, steps: &[usize]) -> usize {
        let last = |step: &usize| match settled[*step] {
            None => 0,
            Some(Settled::At(slot)) => slot.last,
            Some(Settled::Nowhere(_)) => self.days,
        };
        steps.iter().map(last).max().unwrap_or(0)
    }

    /// Days late of a promise that is finished on that day. If it is not finished within the plan, it is late at least
    /// a day.
    pub fn late_days(&self, finished: usize, due: usize) -> u64 {
        let finished = if finished >= self.days {
            self.days.max(due + 1)
        } else {
            finished
        };
        finished.saturating_sub(due) as u64
    }

    pub fn score(&self, settled: &Settlement) -> Score {
        let mut score = Score {
            broken: 0,
            late_days: 0,
            unplaced: 0,
            income_delay: 0,
        };
        for (awaited, due) in self.awaited.iter().zip(&self.due) {
            let late_days = self.late_days(self.finished(settled, awaited), *due);
            score.broken += u32::from(late_days > 0);
            score.late_days += late_days;
        }
        for (settled, worth) in settled.iter().zip(&self.worth) {
            let day = match settled {
                None => 0,
                Some(Settled::At(slot)) => slot.last + 1,
                Some(Settled::Nowhere(_)) => {
                    score.unplaced += 1;
                    self.days + 1
                }
            };
            let day = i64::try_from(day).unwrap_or(i64::MAX);
            let income_delay = worth.saturating_mul(day);
            score.income_delay = score.income_delay.saturating_add(income_delay);
        }
        score
    }

    pub fn planned(&self, settled: &Settlement) -> Vec<Option<Planned>> {
        let of_step = |slot: &Slot| {
            let hours = slot.fitter.map_or(Vec::new(), |fitter| {
                let before = &self.before[fitter];
                let on = |day: usize| {
                    let (from, to) = (slot.from.max(before[day]), slot.to.min(before[day + 1]));
                    (to > from).then(|| (self.task.day(day), to - from))
                };
                (slot.first..=slot.last).filter_map(on).collect()
            });
            Planned {
                fitter: slot.fitter,
                first: self.task.day(slot.first),
                last: self.task.day(slot.last),
                hours,
            }
        };
        let all = settled.iter().map(|settled| match settled {
            Some(Settled::At(slot)) => Some(of_step(slot)),
            Some(Settled::Nowhere(_)) | None => None,
        });
        all.collect()
    }

    pub fn unplaced(&self, settled: &Settlement) -> Vec<Unplaced> {
        let all = settled.iter().enumerate();
        let all = all.filter_map(|(step, settled)| match settled {
            Some(Settled::Nowhere(reason)) => Some(Unplaced {
                step,
                reason: *reason,
            }),
            Some(Settled::At(_)) | None => None,
        });
        all.collect()
    }

    pub fn kept(&self, settled: &Settlement, bounds: &Bounds) -> Vec<Kept> {
        let promises = self.awaited.iter().zip(&self.due).zip(&bounds.chains);
        let kept = promises.map(|((awaited, due), chain)| {
            let finished = self.finished(settled, awaited);
            let finished = (awaited.is_empty() || finished < self.days).then_some(finished);
            let days = |n: usize| i32::try_from(n).unwrap_or(i32::MAX);
            Kept {
                finished: finished.map(|day| self.task.day(day)),
                slack: finished.map(|day| days(*due).saturating_sub(days(day))),
                reason: chain.clone(),
            }
        });
        kept.collect()
    }
}

impl Schedule<'_, '_> {
    pub fn is_ready(&self, step: usize) -> bool {
        let needs = self.bench.task.needs(step);
        needs.iter().all(|need| self.settled[*need].is_some())
    }

    /// Schedules a step where it finishes earliest, by the given fitter or by any suitable one. If there is no such
    /// slot now, there is none later: further steps only take up room.
    pub fn settle(&mut self, step: usize, fitter: Option<usize>) {
        match self.slots(step, fitter).min_by_key(earliest) {
            Some(slot) => self.put(step, slot),
            None => self.leave(step),
        }
    }

    /// The earliest slot of a step for each suitable fitter.
    pub fn slots(&self, step: usize, fitter: Option<usize>) -> impl Iterator<Item = Slot> {
        let bench = self.bench;
        let it = &bench.task.steps[step];
        let waits = |need: &usize| matches!(self.settled[*need], Some(Settled::Nowhere(_)));
        let has_room = bench.task.too_small(it).is_none();
        let can_be = has_room && !bench.task.needs(step).iter().any(waits);
        let without_fitter = (can_be && it.labour == 0)
            .then(|| self.slot_without_labour(step))
            .flatten();
        let able: &[usize] = if can_be && it.labour > 0 {
            &bench.able[step]
        } else {
            &[]
        };
        let able = able.iter().copied();
        let able = able.filter(move |one| fitter.is_none_or(|named| named == *one));
        let helped = able.filter_map(move |fitter| self.slot_of(step, fitter));
        without_fitter.into_iter().chain(helped)
    }

    pub fn put(&mut self, step: usize, slot: Slot) {
        let it = &self.bench.task.steps[step];
        if let Some(fitter) = slot.fitter {
            let busy = &mut self.busy[fitter];
            let at = busy.partition_point(|(from, _)| *from < slot.from);
            busy.insert(at, (slot.from, slot.to));
        }
        for (place, count) in &it.holds {
            for engines in &mut self.held[*place][slot.first..=slot.last] {
                match engines.iter_mut().find(|(engine, _)| *engine == it.engine) {
                    Some((_, held)) => *held = (*held).max(*count),
                    None => engines.push((it.engine, *count)),
                }
            }
        }
        if it.before_inspector
            && let Some(visit) = self.visit(slot.first)
        {
            self.seen[visit] += 1;
        }
        self.settled[step] = Some(Settled::At(slot));
    }

    /// Records that a step could not be scheduled.
    pub fn leave(&mut self, step: usize) {
        self.settled[step] = Some(Settled::Nowhere(self.reason(step)));
    }

    fn reason(&self, step: usize) -> Why {
        let bench = self.bench;
        let it = &bench.task.steps[step];
        let able = &bench.able[step];
        if it.labour > 0 && able.is_empty() {
            return Why::NoFitter;
        }
        if let Some(place) = bench.task.too_small(it) {
            return Why::NoRoom { place };
        }
        let waits = |need: &&usize| matches!(self.settled[**need], Some(Settled::Nowhere(_)));
        if let Some(need) = bench.task.needs(step).iter().find(waits) {
            return Why::WaitsFor { step: *need };
        }
        let by_fitter = able.iter().map(|fitter| self.start(step, Some(*fitter)).0);
        let begin = match it.labour {
            0 => self.start(step, None).0,
            _ => by_fitter.min().unwrap_or(0),
        };
        let from = bench.task.day(begin);
        if !it.before_inspector || begin >= bench.days {
            return Why::TooFewDays { from };
        }
        let mut visits = (bench.visits.iter())
            .filter(|(day, tests)| *day >= begin && *tests > 0)
            .peekable();
        if visits.peek().is_none() {
            return Why::NoVisit { from };
        }
        let is_long_enough = |(day, _): &(usize, u16)| {
            let hours = |fitter: usize| bench.before[fitter][day + 1] - bench.before[fitter][*day];
            it.labour == 0 || able.iter().any(|fitter| hours(*fitter) >= it.labour)
        };
        if visits.any(is_long_enough) {
            Why::VisitsFull { from }
        } else {
            Why::VisitsTooShort { from }
        }
    }

    fn visit(&self, day: usize) -> Option<usize> {
        let visits = &self.bench.visits;
        visits.iter().position(|(on, _)| *on == day)
    }

    /// The earliest day for a step, and how much of that day must have passed.
    fn start(&self, step: usize, fitter: Option<usize>) -> (usize, Centihours) {
        let it = &self.bench.task.steps[step];
        let after = self.bench.task.needs(step).iter().map(|need| {
            let Some(Settled::At(before)) = self.settled[*need] else {
                return (0, 0);
            };
            if fitter.is_some() && before.fitter == fitter {
                return (before.last, before.gone);
            }
            if it.before_inspector && self.bench.task.steps[*need].before_inspector {
                return (before.last, before.gone);
            }
            (before.last + 1, 0)
        });
        let after = after.max().unwrap_or_default();
        after.max((self.bench.not_before[step], 0))
    }

    fn slot_without_labour(&self, step: usize) -> Option<Slot> {
        let it = &self.bench.task.steps[step];
        let more = usize::from(it.days_away).saturating_sub(1);
        let fits = |first: &usize| {
            let seen = !it.before_inspector || self.can_see(*first);
            seen && self.full_day(it, *first, *first + more).is_none()
        };
        let (begin, gone) = self.start(step, None);
        let days = begin..self.bench.days.saturating_sub(more);
        days.into_iter().find(fits).map(|first| Slot {
            fitter: None,
            first,
            last: first + more,
            from: 0,
            to: 0,
            gone: if first == begin { gone } else { 0 },
        })
    }

    fn can_see(&self, day: usize) -> bool {
        let visit = self.visit(day);
        visit.is_some_and(|visit| self.seen[visit] < self.bench.visits[visit].1)
    }

    /// The earliest stretch of a fitter's hours for a step.
    fn slot_of(&self, step: usize, fitter: usize) -> Option<Slot> {
        let bench = self.bench;
        let it = &bench.task.steps[step];
        let before = &bench.before[fitter];
        let (day, gone) = self.start(step, Some(fitter));
        // If the needed step uses up more than this fitter's day, start at the next day.
        let mut from = (before.get(day)? + gone).min(*before.get(day + 1)?);
        let busy = &self.busy[fitter];
        let mut next = busy.partition_point(|(_, to)| *to <= from);
        loop {
            let to = from.checked_add(it.labour)?;
            // Work that the fitter already has is not moved: the step must fit in a gap.
            if let Some((begin, end)) = busy.get(next)
                && *begin < to
            {
                from = from.max(*end);
                next += 1;
                continue;
            }
            if to > before[bench.days] {
                return None;
            }
            let (first, last) = (bench.day_of(fitter, from), bench.day_of(fitter, to - 1));
            if it.before_inspector && (first != last || !self.can_see(first)) {
                let visits = bench.visits.iter();
                let (day, _) = visits
                    .copied()
                    .find(|(day, _)| *day > first && self.can_see(*day))?;
                from = before[day];
                next = busy.partition_point(|(_, to)| *to <= from);
                continue;
            }
            if let Some(full) = self.full_day(it, first, last) {
                from = before[full + 1];
                next = busy.partition_point(|(_, to)| *to <= from);
                continue;
            }
            return Some(Slot {
                fitter: Some(fitter),
                first,
                last,
                from,
                to,
                gone: to - before[last],
            });
        }
    }

    /// The last of these days on which there is no room for the engine.
    fn full_day(&self, step: &Step, first: usize, last: usize) -> Option<usize> {
        let is_full = |day: &usize| {
            step.holds.iter().any(|(place, count)| {
                let others = self.held[*place][*day].iter();
                let others = others.filter(|(engine, _)| *engine != step.engine);
                let taken: u16 = others.map(|(_, count)| *count).sum();
                taken + count > self.bench.task.workshop.places[*place]
            })
        };
        (first..=last).rev().find(is_full)
    }
}

/// Of two slots for a step, the one with the lower key is taken.
fn earliest(slot: &Slot) -> (usize, usize, Option<usize>) {
    (slot.last, slot.first, slot.fitter)
}
