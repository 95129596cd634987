//! The least score of all plans: tries for every step in turn every fitter and every hour at which it could start, and
//! no place at all. It uses no order, no rule and no bound except the best score so far.

use super::{AN_HOUR, by_hour::Cost, first_day};
use outshop_core::workshop::plan::{Step, Task};

#[derive(Clone, Copy, PartialEq, Eq)]
enum Is {
    Nowhere,
    At {
        fitter: Option<usize>,
        from: usize,
        to: usize,
        first: usize,
        last: usize,
        /// Into its last day.
        gone: usize,
    },
}

struct ByPlace<'t> {
    task: &'t Task,
    days: usize,
    /// By fitter, the day of each of their hours.
    hours: Vec<Vec<usize>>,
    is: Vec<Is>,
    best: Cost,
}

/// The least score of all plans, or `at_most` if none is better. No step needs a later one.
pub fn best_of(task: &Task, at_most: Cost) -> Cost {
    let hours = task.workshop.fitters.iter().map(|fitter| {
        let days = fitter.hours.iter().enumerate();
        days.flat_map(|(day, hours)| vec![day; (*hours / AN_HOUR) as usize])
            .collect()
    });
    let mut all = ByPlace {
        task,
        days: task.workshop.fitters[0].hours.len(),
        hours: hours.collect(),
        is: Vec::new(),
        best: at_most,
    };
    all.next();
    all.best
}

impl ByPlace<'_> {
    fn next(&mut self) {
        let cost = self.cost();
        if cost >= self.best {
            return;
        }
        let step = self.is.len();
        let Some(it) = self.task.steps.get(step).cloned() else {
            if self.goes_on_with_what_is_in_hand() {
                self.best = cost;
            }
            return;
        };
        for place in self.places(&it) {
            if self.fits(&it, place) {
                self.is.push(place);
                self.next();
                self.is.pop();
            }
        }
        if !it.started {
            self.is.push(Is::Nowhere);
            self.next();
            self.is.pop();
        }
    }

    /// Every place that the calendar has for a step.
    fn places(&self, it: &Step) -> Vec<Is> {
        if it.labour == 0 {
            let more = usize::from(it.days_away).saturating_sub(1);
            let at = |first: usize| Is::At {
                fitter: None,
                from: 0,
                to: 0,
                first,
                last: first + more,
                gone: self.gone_before(it, first),
            };
            return (0..self.days.saturating_sub(more)).map(at).collect();
        }
        let count = (it.labour / AN_HOUR) as usize;
        let mut places = Vec::new();
        for (fitter, hours) in self.hours.iter().enumerate() {
            let knows = |skill| self.task.workshop.fitters[fitter].skills.contains(&skill);
            if it.skill.is_some_and(|skill| !knows(skill))
                || it.fitter.is_some_and(|named| named != fitter)
            {
                continue;
            }
            for from in 0..(hours.len() + 1).saturating_sub(count) {
                let to = from + count - 1;
                let last = hours[to];
                places.push(Is::At {
                    fitter: Some(fitter),
                    from,
                    to,
                    first: hours[from],
                    last,
                    gone: to + 1 - self.hours_before(fitter, last),
                });
            }
        }
        places
    }

    fn hours_before(&self, fitter: usize, day: usize) -> usize {
        self.hours[fitter].iter().filter(|of| **of < day).count()
    }

    /// The hour of a day at which a test without hours is over: when the tests that it needs on that day are over.
    fn gone_before(&self, it: &Step, day: usize) -> usize {
        let on_that_day = it.needs.iter().map(|need| match self.is[*need] {
            Is::At { last, gone, .. } if last == day && self.task.steps[*need].before_inspector => {
                gone
            }
            Is::At { .. } | Is::Nowhere => 0,
        });
        match it.before_inspector {
            true => on_that_day.max().unwrap_or(0),
            false => 0,
        }
    }

    fn fits(&self, it: &Step, place: Is) -> bool {
        let Is::At {
            fitter,
            from,
            to,
            first,
            last,
            ..
        } = place
        else {
            return true;
        };
        let not_before = it.not_before.map_or(0, |on| on.days_since(first_day()));
        if (first as i32) < not_before {
            return false;
        }
        let others = || self.task.steps.iter().zip(&self.is);
        let on_day = |day: usize| {
            others().filter(move |(_, is)| {
                matches!(is, Is::At { first, last, .. } if (*first..=*last).contains(&day))
            })
        };
        if it.before_inspector {
            let visit = self.task.workshop.visits.iter();
            let mut visit = visit.filter(|it| it.on.days_since(first_day()) == first as i32);
            let seats = visit.next().map_or(0, |it| usize::from(it.tests));
            let seen = on_day(first).filter(|(other, _)| other.before_inspector);
            if first != last || seen.count() >= seats {
                return false;
            }
        }
        for day in first..=last {
            for (held, count) in &it.holds {
                let taken = |engine: i32| {
                    let of = on_day(day).filter(|(other, _)| other.engine == engine);
                    let holds = of.flat_map(|(other, _)| &other.holds);
                    let mine = (*held, if engine == it.engine { *count } else { 0 });
                    let counts = holds.chain([&mine]).filter(|(place, _)| place == held);
                    counts.map(|(_, count)| *count).max().unwrap_or(0)
                };
                let mut engines: Vec<i32> = on_day(day).map(|(other, _)| other.engine).collect();
                engines.push(it.engine);
                engines.sort_unstable();
                engines.dedup();
                let all: u16 = engines.into_iter().map(taken).sum();
                if all > self.task.workshop.places[*held] {
                    return false;
                }
            }
        }
        let apart = others().all(|(_, is)| match is {
            Is::At {
                fitter: their,
                from: their_from,
                to: their_to,
                ..
            } if fitter.is_some() && *their == fitter => *their_to < from || to < *their_from,
            Is::At { .. } | Is::Nowhere => true,
        });
        let after = it.started
            || it.needs.iter().all(|need| match self.is[*need] {
                Is::Nowhere => false,
                Is::At {
                    fitter: their,
                    to: their_to,
                    last: their_last,
                    gone,
                    ..
                } => {
                    if their_last < first {
                        true
                    } else if fitter.is_some() && their == fitter {
                        their_to < from
                    } else {
                        let both_seen =
                            it.before_inspector && self.task.steps[*need].before_inspector;
                        let begins = fitter.map(|fitter| from - self.hours_before(fitter, first));
                        both_seen
                            && their_last == first
                            && begins.is_none_or(|begins| gone <= begins)
                    }
                }
            });
        apart && after
    }

    /// A fitter's started work fills their first hours.
    fn goes_on_with_what_is_in_hand(&self) -> bool {
        (0..self.hours.len()).all(|one| {
            let started = self.task.steps.iter().zip(&self.is);
            let started = started.filter(|(it, _)| it.started);
            let mut ends = 0;
            let mut count = 0;
            for (_, is) in started {
                if let Is::At {
                    fitter, from, to, ..
                } = is
                    && *fitter == Some(one)
                {
                    ends = ends.max(to + 1);
                    count += to + 1 - from;
                }
            }
            ends == count
        })
    }

    fn cost(&self) -> Cost {
        let mut cost = [0; 4];
        for promise in &self.task.promises {
            let mut awaited = promise.steps.clone();
            let mut at = 0;
            while at < awaited.len() {
                awaited.extend(self.task.steps[awaited[at]].needs.clone());
                at += 1;
            }
            let due = promise.due.days_since(first_day()) as usize;
            let finished = awaited.iter().map(|at| match self.is.get(*at) {
                None => 0,
                Some(Is::Nowhere) => self.days.max(due + 1),
                Some(Is::At { last, .. }) => *last,
            });
            let late = finished.max().unwrap_or(0).saturating_sub(due);
            cost[0] += u64::from(late > 0);
            cost[1] += late as u64;
        }
        for (it, is) in self.task.steps.iter().zip(&self.is) {
            let day = match is {
                Is::Nowhere => {
                    cost[2] += 1;
                    self.days
                }
                Is::At { last, .. } => *last,
            };
            cost[3] += it.worth as u64 * (day as u64 + 1);
        }
        cost
    }
}
