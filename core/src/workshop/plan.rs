//! A plan for the workshop: who does what on which days.
//!
//! A plan minimises, in order: promises broken, total days late, and delay to income: the sum over the steps of worth x
//! day of finish (Smith's weighted completion). It is built from an order of the steps, each as early as possible
//! (serial schedule generation). Orders come from priority rules and are improved by a seeded search. A plan comes with
//! lower bounds that no plan can beat, and the reason for each.
//!
//! Sources: Kolisch, Serial and parallel resource-constrained project scheduling methods revisited, European Journal of
//! Operational Research 90 (1996) 320-333: one of the orders leads to a best plan; Jackson (1955), Smith (1956) and
//! Moore (1968), Management Science 15 102-109, for rules and bounds.

mod bounds;
mod schedule;
mod search;
mod what_if;

pub use bounds::{Bounds, Chain, Pooled, Scarce};
pub use search::{Effort, plan};
pub use what_if::{Change, Saving, savings};

use crate::days::Day;
use serde::{Deserialize, Serialize};

/// Hours of work in hundredths.
pub type Centihours = u32;

/// Fitters, places and the inspector's visits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Workshop {
    /// First day of the plan.
    pub first_day: Day,
    pub fitters: Vec<Fitter>,
    /// Capacity of each place, in engines.
    pub places: Vec<u16>,
    /// Days on which the inspector comes, in order.
    pub visits: Vec<Visit>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fitter {
    pub skills: Vec<u16>,
    /// Hours of each day of the plan; the same number of days for all fitters.
    pub hours: Vec<Centihours>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Visit {
    pub on: Day,
    /// How many tests the inspector can see.
    pub tests: u16,
}

/// A job or a test, or the rest of one.
///
/// A fitter who starts a step works on it without a break, day after day. If one step needs another, one fitter may do
/// both on one day, tests included; a different fitter starts the next day, as it is not known at which hour the first
/// step ends. If one test needs another, both may be seen on one visit, whoever helps: the second starts when the first
/// is over, and all days are assumed to start at the same hour.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Step {
    /// Steps of one engine share a place.
    pub engine: i32,
    /// Steps that must be finished first. Ignored once this step has started.
    pub needs: Vec<usize>,
    /// The step cannot start before this day: it waits for a part.
    pub not_before: Option<Day>,
    pub labour: Centihours,
    /// `None`: any fitter.
    pub skill: Option<u16>,
    /// `None`: any fitter with the skill.
    pub fitter: Option<usize>,
    /// Outside work, in days including weekends; such a step has no labour. A step without either takes a day.
    pub days_away: u16,
    /// Places that the engine takes up, and how much of each, from the first day to the last.
    pub holds: Vec<(usize, u16)>,
    /// A test: done within one day of the inspector's visits.
    pub before_inspector: bool,
    /// It has started: its fitter does it before anything that has not.
    pub started: bool,
    /// What it earns, in pence; a negative amount counts as 0.
    pub worth: i64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Promise {
    /// Steps that must be finished, with everything that they need.
    pub steps: Vec<usize>,
    /// The last day on which it is kept.
    pub due: Day,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    pub workshop: Workshop,
    pub steps: Vec<Step>,
    pub promises: Vec<Promise>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// One per step. `None`: it could not be scheduled.
    pub steps: Vec<Option<Planned>>,
    /// Steps that could not be scheduled, in the order of the steps.
    pub unplaced: Vec<Unplaced>,
    /// One per promise.
    pub promises: Vec<Kept>,
    pub score: Score,
    pub bounds: Bounds,
    /// No plan is better: all were tried, or this one meets the lower bounds.
    pub optimal: bool,
    /// The order of steps that the plan was built from.
    pub order: Vec<usize>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planned {
    pub fitter: Option<usize>,
    pub first: Day,
    pub last: Day,
    /// Hours on each day on which it is worked on.
    pub hours: Vec<(Day, Centihours)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unplaced {
    pub step: usize,
    pub reason: Why,
}

/// Why a step could not be scheduled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It needs a step that could not be scheduled.
    WaitsFor { step: usize },
    /// No fitter can do it.
    NoFitter,
    /// It needs more of a place than there is.
    NoRoom { place: usize },
    /// The inspector does not come on or after that day.
    NoVisit { from: Day },
    /// On none of the inspector's days does a suitable fitter have enough hours.
    VisitsTooShort { from: Day },
    /// On each of the inspector's days the tests, the hours or the place are taken by other steps.
    VisitsFull { from: Day },
    /// It could start on that day, but would not end within the plan.
    TooFewDays { from: Day },
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// `None`: something that it needs could not be scheduled.
    pub finished: Option<Day>,
    /// Days in hand; negative: days late.
    pub slack: Option<i32>,
    /// The day before which no plan can finish it, and why.
    pub reason: Chain,
}

/// Lower is better, compared member by member in this order. A step that could not be scheduled counts as finished on
/// the day after the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PlanScore))]
pub struct Score {
    /// Promises broken.
    #[cfg_attr(feature = "wire", schema(minimum = 0, maximum = 100_000))]
    pub broken: u32,
    /// Total days late.
    #[cfg_attr(feature = "wire", schema(minimum = 0))]
    pub late_days: u64,
    /// Steps that could not be scheduled.
    #[serde(default)]
    #[cfg_attr(feature = "wire", schema(minimum = 0, maximum = 100_000))]
    pub unplaced: u32,
    /// Sum of (pence x days until received); lower is better.
    #[cfg_attr(feature = "wire", schema(minimum = 0))]
    pub income_delay: i64,
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    #[error("these steps depend on each other in a loop")]
    Circle { steps: Vec<usize> },
    #[error("the step needs a step that does not exist")]
    NoSuchStep { step: usize },
    #[error("outside work must have no labour")]
    LabourAway { step: usize },
    #[error("promised for a day before the plan starts")]
    PromisedInThePast { promise: usize },
}

impl Task {
    /// Number of days of the plan.
    fn days(&self) -> usize {
        let fitters = self.workshop.fitters.iter();
        fitters.map(|fitter| fitter.hours.len()).max().unwrap_or(0)
    }

    /// Refuses an invalid task.
    fn check(&self) -> Result<(), Fault> {
        for (step, it) in self.steps.iter().enumerate() {
            if it.needs.iter().any(|need| *need >= self.steps.len()) {
                return Err(Fault::NoSuchStep { step });
            }
            if it.days_away > 0 && it.labour > 0 {
                return Err(Fault::LabourAway { step });
            }
        }
        let first = self.workshop.first_day;
        if let Some(promise) = self.promises.iter().position(|it| it.due < first) {
            return Err(Fault::PromisedInThePast { promise });
        }
        match self.circle() {
            Some(steps) => Err(Fault::Circle { steps }),
            None => Ok(()),
        }
    }

    /// A place with less capacity than the step needs.
    fn too_small(&self, step: &Step) -> Option<usize> {
        let places = &self.workshop.places;
        let is_too_small = |(place, count): &&(usize, u16)| {
            let room = places.get(*place);
            room.is_none_or(|room| count > room)
        };
        step.holds
            .iter()
            .find(is_too_small)
            .map(|(place, _)| *place)
    }

    /// Fitters who can do a step.
    fn able<'a>(&'a self, step: &'a Step) -> impl Iterator<Item = usize> + 'a {
        let fitters = self.workshop.fitters.iter().enumerate();
        fitters
            .filter(|(at, fitter)| {
                step.fitter.is_none_or(|named| named == *at)
                    && step
                        .skill
                        .is_none_or(|skill| fitter.skills.contains(&skill))
            })
            .map(|(at, _)| at)
    }

    /// The steps that must be finished first; none for a step that has started.
    fn needs(&self, step: usize) -> &[usize] {
        let it = &self.steps[step];
        if it.started { &[] } else { &it.needs }
    }

    /// A loop of steps: each needs the next, and the last needs the first.
    fn circle(&self) -> Option<Vec<usize>> {
        // A step is settled if all its needs are. Steps that stay unsettled are in a loop or need one.
        let mut settled = vec![false; self.steps.len()];
        loop {
            let next = (0..settled.len()).find(|at| {
                !settled[*at] && self.steps[*at].needs.iter().all(|need| settled[*need])
            });
            match next {
                Some(at) => settled[at] = true,
                None => break,
            }
        }
        let mut at = settled.iter().position(|settled| !settled)?;
        let mut way = Vec::new();
        loop {
            if let Some(begin) = way.iter().position(|before| *before == at) {
                return Some(way.split_off(begin));
            }
            way.push(at);
            at = *self.steps[at].needs.iter().find(|need| !settled[**need])?;
        }
    }

    /// For each promise its steps, with everything that they need.
    fn awaited(&self) -> Vec<Vec<usize>> {
        let of_promise = |promise: &Promise| {
            let mut awaited: Vec<usize> = promise.steps.clone();
            let mut next = 0;
            while let Some(at) = awaited.get(next).copied() {
                for need in &self.steps[at].needs {
                    if !awaited.contains(need) {
                        awaited.push(*need);
                    }
                }
                next += 1;
            }
            awaited.sort_unstable();
            awaited.dedup();
            awaited
        };
        self.promises.iter().map(of_promise).collect()
    }

    /// Days after the first day of the plan; 0 for earlier days.
    fn offset(&self, day: Day) -> usize {
        usize::try_from(day.days_since(self.workshop.first_day)).unwrap_or(0)
    }

    fn day(&self, offset: usize) -> Day {
        let days = i32::try_from(offset).unwrap_or(i32::MAX);
        self.workshop.first_day.plus_days(days)
    }
}
