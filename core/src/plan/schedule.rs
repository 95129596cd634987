//! One plan from one order of the steps: each as early as it can be done after those before it.

use super::{Centihours, Fault, Kept, Planned, Score, Step, Task, bounds::Bounds};

/// When a step is done. Days are counted from the first day of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Slot {
    pub fitter: Option<usize>,
    pub first: usize,
    pub last: usize,
    /// Its fitter's hours since the first day, from .. to.
    pub from: Centihours,
    pub to: Centihours,
}

/// A task with what every plan of it asks for again and again.
pub(super) struct Bench<'t> {
    pub task: &'t Task,
    pub days: usize,
    /// By fitter and day: his hours before that day; one more at the end.
    pub before: Vec<Vec<Centihours>>,
    pub able: Vec<Vec<usize>>,
    pub not_before: Vec<usize>,
    /// By day of the plan, how many steps the inspector can see.
    pub visits: Vec<(usize, u16)>,
    pub awaited: Vec<Vec<usize>>,
    pub due: Vec<usize>,
    worth: Vec<i64>,
}

/// A plan in the making.
#[derive(Clone)]
pub(super) struct Schedule<'b, 't> {
    bench: &'b Bench<'t>,
    pub slots: Vec<Option<Slot>>,
    /// By fitter, what he has, in the order of his hours.
    busy: Vec<Vec<(Centihours, Centihours)>>,
    /// By place and day, the engines in it, each with how much of it.
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

    /// The plan of an order: of the steps whose needs are met the first in it comes next. `fitters`: who is to do a step,
    /// where that is not left to the earliest finish.
    pub fn schedule(
        &self,
        order: &[usize],
        fitters: &[Option<usize>],
    ) -> Result<Schedule<'_, 't>, Fault> {
        let mut schedule = self.begun()?;
        let mut left: Vec<usize> = order.to_vec();
        left.retain(|step| schedule.slots[*step].is_none());
        while !left.is_empty() {
            let ready = left.iter().position(|step| schedule.is_ready(*step));
            let step = left.remove(ready.unwrap_or(0));
            schedule.add(step, fitters.get(step).copied().flatten())?;
        }
        Ok(schedule)
    }

    /// What is in hand goes on with its fitter before all else.
    pub fn begun(&self) -> Result<Schedule<'_, 't>, Fault> {
        let places = &self.task.workshop.places;
        let mut schedule = Schedule {
            bench: self,
            slots: vec![None; self.task.steps.len()],
            busy: vec![Vec::new(); self.before.len()],
            held: vec![vec![Vec::new(); self.days]; places.len()],
            seen: vec![0; self.visits.len()],
        };
        let steps = self.task.steps.iter().enumerate();
        for (step, _) in steps.filter(|(_, step)| step.begun) {
            schedule.add(step, None)?;
        }
        Ok(schedule)
    }

    /// The day on which his hour number `at`, counted from 0, is worked.
    fn day_of(&self, fitter: usize, at: Centihours) -> usize {
        self.before[fitter].partition_point(|before| *before <= at) - 1
    }

    pub fn score(&self, slots: &[Option<Slot>]) -> Score {
        let mut score = Score {
            broken: 0,
            late_days: 0,
            penny_days: 0,
        };
        let last = |step: &usize| slots[*step].map_or(0, |slot| slot.last);
        for (awaited, due) in self.awaited.iter().zip(&self.due) {
            let finished = awaited.iter().map(last).max().unwrap_or(0);
            if finished > *due {
                score.broken += 1;
                score.late_days += (finished - due) as u64;
            }
        }
        for (slot, worth) in slots.iter().zip(&self.worth) {
            let day = slot.map_or(0, |slot| slot.last + 1);
            let day = i64::try_from(day).unwrap_or(i64::MAX);
            let penny_days = worth.saturating_mul(day);
            score.penny_days = score.penny_days.saturating_add(penny_days);
        }
        score
    }

    pub fn told(&self, slots: &[Option<Slot>]) -> Vec<Planned> {
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
        slots.iter().flatten().map(of_step).collect()
    }

    pub fn kept(&self, slots: &[Option<Slot>], bounds: &Bounds) -> Vec<Kept> {
        let promises = self.awaited.iter().zip(&self.due).zip(&bounds.chains);
        let kept = promises.map(|((awaited, due), chain)| {
            let last = |step: &usize| slots[*step].map_or(0, |slot| slot.last);
            let finished = awaited.iter().map(last).max().unwrap_or(0);
            let days = |n: usize| i32::try_from(n).unwrap_or(i32::MAX);
            Kept {
                finished: self.task.day(finished),
                slack: days(*due).saturating_sub(days(finished)),
                no_earlier_than: chain.finished,
                because: chain.clone(),
            }
        });
        kept.collect()
    }
}

impl Schedule<'_, '_> {
    pub fn is_ready(&self, step: usize) -> bool {
        let needs = &self.bench.task.steps[step].needs;
        needs.iter().all(|need| self.slots[*need].is_some())
    }

    /// Puts a step where it is finished first, by the fitter named or by any who can do it.
    pub fn add(&mut self, step: usize, fitter: Option<usize>) -> Result<(), Fault> {
        let it = &self.bench.task.steps[step];
        let slot = if it.labour == 0 {
            self.slot_without_labour(step)
        } else {
            let able = self.bench.able[step].iter().copied();
            let able = able.filter(|one| fitter.is_none_or(|named| named == *one));
            let slots = able.filter_map(|fitter| self.slot_of(step, fitter));
            slots.min_by_key(|slot| (slot.last, slot.first, slot.fitter))
        };
        let slot = slot.ok_or_else(|| self.fault(step))?;
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
        self.slots[step] = Some(slot);
        Ok(())
    }

    fn fault(&self, step: usize) -> Fault {
        if self.bench.task.steps[step].before_inspector {
            Fault::NoVisit { step }
        } else {
            Fault::TooFewDays { step }
        }
    }

    fn visit(&self, day: usize) -> Option<usize> {
        let visits = &self.bench.visits;
        visits.iter().position(|(on, _)| *on == day)
    }

    /// The first day for a step that another does, or the same fitter does not.
    fn first_day(&self, step: usize, fitter: Option<usize>) -> usize {
        let it = &self.bench.task.steps[step];
        let after = it.needs.iter().map(|need| {
            let Some(before) = self.slots[*need] else {
                return 0;
            };
            let goes_on = fitter.is_some() && before.fitter == fitter && !it.before_inspector;
            if goes_on {
                before.last
            } else {
                before.last + 1
            }
        });
        after.max().unwrap_or(0).max(self.bench.not_before[step])
    }

    fn slot_without_labour(&self, step: usize) -> Option<Slot> {
        let it = &self.bench.task.steps[step];
        let more = usize::from(it.days_away).saturating_sub(1);
        let fits = |first: &usize| {
            let seen = !it.before_inspector || self.can_see(*first);
            seen && self.full_day(it, *first, *first + more).is_none()
        };
        let days = self.first_day(step, None)..self.bench.days.saturating_sub(more);
        days.into_iter().find(fits).map(|first| Slot {
            fitter: None,
            first,
            last: first + more,
            from: 0,
            to: 0,
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
        let mut from = *before.get(self.first_day(step, Some(fitter)))?;
        for need in &it.needs {
            if let Some(slot) = self.slots[*need].filter(|slot| slot.fitter == Some(fitter)) {
                from = from.max(slot.to);
            }
        }
        let busy = &self.busy[fitter];
        let mut next = busy.partition_point(|(_, to)| *to <= from);
        loop {
            // What he has already is left alone: the stretch lies in a gap.
            if let Some((begin, end)) = busy.get(next)
                && *begin < from + it.labour
            {
                from = from.max(*end);
                next += 1;
                continue;
            }
            let to = from + it.labour;
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
            });
        }
    }

    /// The last of some days on which its engine finds no place.
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
