//! The least cost of any plan, hour by hour: at each hour each fitter continues, starts something or waits. It uses no
//! order of the steps, no list, no rule and no bound; it remembers the result for each state of the shop.

use super::{AN_HOUR, first_day};
use outshop_core::workshop::plan::{Score, Step, Task};
use std::collections::HashMap;

/// Broken promises, days late, steps without a place, delay to income (pennies x days); those that are not asked for
/// are 0.
pub type Cost = [u64; 4];

pub const ALL: [bool; 4] = [true; 4];

pub fn cost_of(score: &Score) -> Cost {
    [
        score.broken.into(),
        score.late_days,
        score.unplaced.into(),
        u64::try_from(score.income_delay).expect("0 or more"),
    ]
}

#[derive(Clone, Copy, PartialEq, Eq, Hash)]
enum Stands {
    Open,
    /// By a fitter, with hours left; or outside, with days left.
    Going(Option<u8>, u8),
    /// Today, this many hours into it.
    Finished(Option<u8>, u8),
    Past,
}

#[derive(Clone, PartialEq, Eq, Hash)]
struct State {
    day: u8,
    hour: u8,
    /// Whose turn it is: first the inspector's, with steps that need nobody else, then each fitter's.
    turn: u8,
    /// The steps before this one were already considered in this turn.
    looked_at: u8,
    stands: Vec<Stands>,
    /// By fitter, whether they have done only what they had already started.
    at_his_own: Vec<bool>,
}

struct ByHour<'t> {
    task: &'t Task,
    asked: [bool; 4],
    days: usize,
    hours: Vec<Vec<usize>>,
    awaited: Vec<Vec<usize>>,
    due: Vec<usize>,
    known: HashMap<State, Option<Cost>>,
}

/// The least cost by the parts that are asked for; the others do not count.
pub fn least(task: &Task, asked: [bool; 4]) -> Cost {
    let hours = task.workshop.fitters.iter();
    let hours = hours.map(|fitter| {
        let days = fitter.hours.iter();
        days.map(|hours| (*hours / AN_HOUR) as usize).collect()
    });
    let awaited = task.promises.iter().map(|promise| {
        let mut awaited = promise.steps.clone();
        let mut at = 0;
        while at < awaited.len() {
            for need in &task.steps[awaited[at]].needs {
                if !awaited.contains(need) {
                    awaited.push(*need);
                }
            }
            at += 1;
        }
        awaited.sort_unstable();
        awaited.dedup();
        awaited
    });
    let due = |day: outshop_core::days::Day| day.days_since(first_day()) as usize;
    let mut all = ByHour {
        task,
        asked,
        days: task.workshop.fitters[0].hours.len(),
        hours: hours.collect(),
        awaited: awaited.collect(),
        due: task.promises.iter().map(|it| due(it.due)).collect(),
        known: HashMap::new(),
    };
    let begin = State {
        day: 0,
        hour: 0,
        turn: 0,
        looked_at: 0,
        stands: vec![Stands::Open; task.steps.len()],
        at_his_own: vec![task.steps.iter().any(|it| it.started); task.workshop.fitters.len()],
    };
    all.from(begin).expect("leaving all is a plan")
}

fn plus(one: Cost, other: Cost) -> Cost {
    [
        one[0] + other[0],
        one[1] + other[1],
        one[2] + other[2],
        one[3] + other[3],
    ]
}

impl ByHour<'_> {
    fn of(&self, cost: Cost) -> Cost {
        let mut of = cost;
        for (part, asked) in of.iter_mut().zip(self.asked) {
            if !asked {
                *part = 0;
            }
        }
        of
    }

    fn from(&mut self, state: State) -> Option<Cost> {
        if let Some(known) = self.known.get(&state) {
            return *known;
        }
        let least = self.next(&state);
        self.known.insert(state, least);
        least
    }

    fn next(&mut self, state: &State) -> Option<Cost> {
        let day = usize::from(state.day);
        if day == self.days {
            return self.end(state);
        }
        if state.turn == 0 {
            return self.alone(state);
        }
        let fitter = usize::from(state.turn - 1);
        if fitter == self.hours.len() {
            let longest = self.hours.iter().map(|of| of[day]).max().unwrap_or(0);
            return if usize::from(state.hour) >= longest {
                self.night(state)
            } else {
                let mut next = state.clone();
                next.hour += 1;
                next.turn = 0;
                self.from(next)
            };
        }
        let mut waits = state.clone();
        waits.turn += 1;
        if usize::from(state.hour) >= self.hours[fitter][day] {
            return self.from(waits);
        }
        let going = |stands: &Stands| matches!(stands, Stands::Going(Some(by), _) if usize::from(*by) == fitter);
        if let Some(step) = state.stands.iter().position(going) {
            return self.works(&waits, step, fitter);
        }
        let mut idle = waits.clone();
        idle.at_his_own[fitter] = false;
        let mut least = self.from(idle);
        for step in 0..self.task.steps.len() {
            if self.can_begin(state, step, Some(fitter)) {
                let mut started = waits.clone();
                let labour = self.task.steps[step].labour / AN_HOUR;
                started.stands[step] = Stands::Going(Some(fitter as u8), labour as u8);
                if !self.task.steps[step].started {
                    started.at_his_own[fitter] = false;
                }
                least = lesser(least, self.works(&started, step, fitter));
            }
        }
        least
    }

    /// One hour of a fitter on the step that they are working on.
    fn works(&mut self, state: &State, step: usize, fitter: usize) -> Option<Cost> {
        let mut next = state.clone();
        let Stands::Going(by, left) = state.stands[step] else {
            panic!("the fitter is not working on it");
        };
        if left > 1 {
            next.stands[step] = Stands::Going(by, left - 1);
            return self.from(next);
        }
        next.stands[step] = Stands::Finished(Some(fitter as u8), state.hour + 1);
        let cost = self.cost_of_finishing(&next, step);
        self.from(next).map(|rest| plus(cost, rest))
    }

    /// Steps that start without a fitter: outside work at the beginning of a day, a test at any hour.
    fn alone(&mut self, state: &State) -> Option<Cost> {
        let step = usize::from(state.looked_at);
        let mut next = state.clone();
        if step == self.task.steps.len() {
            next.turn = 1;
            next.looked_at = 0;
            return self.from(next);
        }
        next.looked_at += 1;
        let it = &self.task.steps[step];
        let at_this_hour = it.before_inspector || state.hour == 0;
        let (days_away, is_test) = (it.days_away.max(1), it.before_inspector);
        let can_begin = it.labour == 0 && at_this_hour && self.can_begin(state, step, None);
        let mut least = self.from(next.clone());
        if can_begin {
            if days_away > 1 {
                next.stands[step] = Stands::Going(None, days_away as u8 - 1);
                least = lesser(least, self.from(next));
            } else {
                next.stands[step] = Stands::Finished(None, state.hour);
                if is_test {
                    // A step that needs it may come before it in the list.
                    next.looked_at = 0;
                }
                let cost = self.cost_of_finishing(&next, step);
                least = lesser(least, self.from(next).map(|rest| plus(cost, rest)));
            }
        }
        least
    }

    fn can_begin(&self, state: &State, step: usize, fitter: Option<usize>) -> bool {
        let it = &self.task.steps[step];
        let day = usize::from(state.day);
        if state.stands[step] != Stands::Open {
            return false;
        }
        if let Some(fitter) = fitter {
            let knows = |skill| self.task.workshop.fitters[fitter].skills.contains(&skill);
            if it.labour == 0
                || it.fitter.is_some_and(|named| named != fitter)
                || it.skill.is_some_and(|skill| !knows(skill))
                || (it.started && !state.at_his_own[fitter])
            {
                return false;
            }
        }
        let not_before = it.not_before.map_or(0, |on| on.days_since(first_day()));
        if (day as i32) < not_before || !self.has_room(state, it) {
            return false;
        }
        if it.before_inspector {
            let visits = self.task.workshop.visits.iter();
            let mut visits = visits.filter(|it| it.on.days_since(first_day()) == day as i32);
            let seats = visits.next().map_or(0, |it| usize::from(it.tests));
            let seen = |at: &usize| {
                let today = matches!(state.stands[*at], Stands::Going(..) | Stands::Finished(..));
                self.task.steps[*at].before_inspector && today
            };
            if (0..self.task.steps.len()).filter(seen).count() >= seats {
                return false;
            }
            if let Some(fitter) = fitter {
                let left = self.hours[fitter][day] - usize::from(state.hour);
                if left < (it.labour / AN_HOUR) as usize {
                    return false;
                }
            }
        }
        it.started
            || it.needs.iter().all(|need| match state.stands[*need] {
                Stands::Open | Stands::Going(..) => false,
                Stands::Past => true,
                Stands::Finished(by, at) => {
                    let one_fitter = fitter.is_some() && by.map(usize::from) == fitter;
                    let both_seen = it.before_inspector && self.task.steps[*need].before_inspector;
                    at <= state.hour && (one_fitter || both_seen)
                }
            })
    }

    fn has_room(&self, state: &State, it: &Step) -> bool {
        it.holds.iter().all(|(place, count)| {
            let mut by_engine: HashMap<i32, u16> = HashMap::new();
            by_engine.insert(it.engine, *count);
            for (other, stands) in self.task.steps.iter().zip(&state.stands) {
                let here = matches!(stands, Stands::Going(..) | Stands::Finished(..));
                let holds = other.holds.iter().filter(|(held, _)| held == place);
                for (_, count) in holds.filter(|_| here) {
                    let taken = by_engine.entry(other.engine).or_default();
                    *taken = (*taken).max(*count);
                }
            }
            by_engine.values().sum::<u16>() <= self.task.workshop.places[*place]
        })
    }

    fn cost_of_finishing(&self, state: &State, step: usize) -> Cost {
        let day = usize::from(state.day);
        let mut cost = [0, 0, 0, 0];
        cost[3] = self.task.steps[step].worth as u64 * (day as u64 + 1);
        for (awaited, due) in self.awaited.iter().zip(&self.due) {
            let is_done =
                |at: &usize| matches!(state.stands[*at], Stands::Finished(..) | Stands::Past);
            if awaited.contains(&step) && awaited.iter().all(is_done) && day > *due {
                cost[0] += 1;
                cost[1] += (day - due) as u64;
            }
        }
        self.of(cost)
    }

    fn night(&mut self, state: &State) -> Option<Cost> {
        let mut next = State {
            day: state.day + 1,
            hour: 0,
            turn: 0,
            looked_at: 0,
            ..state.clone()
        };
        for stands in &mut next.stands {
            if matches!(stands, Stands::Finished(..)) {
                *stands = Stands::Past;
            }
        }
        let mut cost = [0; 4];
        if usize::from(next.day) < self.days {
            for step in 0..next.stands.len() {
                if let Stands::Going(None, left) = next.stands[step] {
                    if left > 1 {
                        next.stands[step] = Stands::Going(None, left - 1);
                    } else {
                        next.stands[step] = Stands::Finished(None, 0);
                        cost = plus(cost, self.cost_of_finishing(&next, step));
                    }
                }
            }
        }
        self.from(next).map(|rest| plus(cost, rest))
    }

    /// Started work is finished in every plan.
    fn end(&self, state: &State) -> Option<Cost> {
        let mut cost = [0; 4];
        for (step, stands) in self.task.steps.iter().zip(&state.stands) {
            match stands {
                Stands::Going(..) => return None,
                Stands::Open if step.started => return None,
                Stands::Open => {
                    cost[2] += 1;
                    cost[3] += step.worth as u64 * (self.days as u64 + 1);
                }
                Stands::Finished(..) | Stands::Past => {}
            }
        }
        for (awaited, due) in self.awaited.iter().zip(&self.due) {
            if awaited.iter().any(|at| state.stands[*at] == Stands::Open) {
                cost[0] += 1;
                cost[1] += (self.days.max(due + 1) - due) as u64;
            }
        }
        Some(self.of(cost))
    }
}

fn lesser(one: Option<Cost>, other: Option<Cost>) -> Option<Cost> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}
