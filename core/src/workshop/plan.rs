//! A plan for the workshop: who does what on which days, so that promises are kept if any plan can keep them.
//!
//! What a plan is judged by, the first before the second before the third: how few promises it breaks, by how few days
//! together it breaks them, and how early it brings the money: the sum over the steps of worth times day of finish (Smith's
//! weighted completion). A plan is made step by step from an order of the steps, each as early as it can be done (the serial
//! scheme of schedule generation); orders come from priority rules and are then improved by a search with a seed. Beside the
//! plan stand bounds that no plan can beat, and what proves them.
//!
//! Sources: Kolisch, Serial and parallel resource-constrained project scheduling methods revisited, European Journal of
//! Operational Research 90 (1996) 320-333: one of the orders leads to a best plan; Jackson (1955), Smith (1956) and Moore
//! (1968), Management Science 15 102-109, for rules and bounds.

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

/// Who works when, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Workshop {
    /// Nothing is planned before it.
    pub first_day: Day,
    pub fitters: Vec<Fitter>,
    /// How many engines each place takes at once.
    pub places: Vec<u16>,
    /// Days on which the inspector comes, in order.
    pub visits: Vec<Visit>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fitter {
    pub skills: Vec<u16>,
    /// From the first day on, one for each day of the plan; the same number for all.
    pub hours: Vec<Centihours>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Visit {
    pub on: Day,
    /// How many steps he can see.
    pub tests: u16,
}

/// A job or a test, or what of it is still to be done.
///
/// A fitter who has begun it goes on with it, day after day, and with nothing else between. Of two steps of which one needs
/// the other both may be done on one day by one fitter, the inspector's among them; another fitter goes on the next day, as
/// nobody knows at which hour the first is done. Of two tests of which one needs the other both may be seen on one visit,
/// whoever helps with them: the second begins when the first is over, days being taken to begin at one hour for all.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Step {
    /// Steps of one engine share its place.
    pub engine: i32,
    /// Steps that have to be finished before; what is begun asks for them no more.
    pub needs: Vec<usize>,
    /// Before this day nothing can be done, as a part is awaited.
    pub not_before: Option<Day>,
    pub labour: Centihours,
    /// None: any fitter.
    pub skill: Option<u16>,
    /// None: any fitter with the skill.
    pub fitter: Option<usize>,
    /// Work of others, in days, weekends included; such a step has no labour. A step without either takes a day.
    pub days_away: u16,
    /// Places that its engine takes, each with how many, on every day from the first to the last.
    pub holds: Vec<(usize, u16)>,
    /// It is done as a whole on a day on which the inspector comes.
    pub before_inspector: bool,
    /// It is in hand: its fitter does nothing else before it but what he has in hand as well.
    pub started: bool,
    /// What it brings, in pennies; below nought counts as nothing.
    pub worth: i64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Promise {
    /// All that has to be finished; what these need has to be finished too.
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
    /// One for each step; none for what could not be placed.
    pub steps: Vec<Option<Planned>>,
    /// What could not be placed, in the order of the steps.
    pub unplaced: Vec<Unplaced>,
    /// One for each promise.
    pub promises: Vec<Kept>,
    pub score: Score,
    pub bounds: Bounds,
    /// No plan is better: found by going through all of them, or because it meets the bounds.
    pub optimal: bool,
    /// The order that the plan was made from.
    pub order: Vec<usize>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planned {
    pub fitter: Option<usize>,
    pub first: Day,
    pub last: Day,
    /// Hours on each day on which it is worked at.
    pub hours: Vec<(Day, Centihours)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unplaced {
    pub step: usize,
    pub reason: Why,
}

/// Why a step has no place in a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It needs a step that has none.
    WaitsFor { step: usize },
    /// No fitter can do it.
    NoFitter,
    /// Its place takes fewer than it asks for.
    NoRoom { place: usize },
    /// The inspector does not come on that day or later.
    NoVisit { from: Day },
    /// He comes, but on none of his days does anybody who can help have the hours.
    VisitsTooShort { from: Day },
    /// On each of his days his tests, the hours or the place are taken by others.
    VisitsFull { from: Day },
    /// It could begin on that day, and does not end within the plan.
    TooFewDays { from: Day },
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// None: something that it waits for could not be placed.
    pub finished: Option<Day>,
    /// Days to spare; below nought it comes so many days late.
    pub slack: Option<i32>,
    /// No plan finishes before the day that it names, and why.
    pub reason: Chain,
}

/// Of two plans the one with the lesser is better. What could not be placed counts as finished on the day after the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PlanScore))]
pub struct Score {
    /// Promises that are broken.
    #[cfg_attr(feature = "wire", schema(minimum = 0, maximum = 100_000))]
    pub broken: u32,
    /// Days by which they are broken, together.
    #[cfg_attr(feature = "wire", schema(minimum = 0))]
    pub late_days: u64,
    /// Steps that could not be placed.
    #[serde(default)]
    #[cfg_attr(feature = "wire", schema(minimum = 0, maximum = 100_000))]
    pub unplaced: u32,
    /// Sum of (pence x days until received); lower is better.
    #[cfg_attr(feature = "wire", schema(minimum = 0))]
    pub income_delay: i64,
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    #[error("each of these needs the next, and the last the first")]
    Circle { steps: Vec<usize> },
    #[error("it needs what is not there")]
    NoSuchStep { step: usize },
    #[error("work of others has hours of ours")]
    LabourAway { step: usize },
    #[error("promised for a day before the first day of the plan")]
    PromisedInThePast { promise: usize },
}

impl Task {
    /// Days of the plan.
    fn days(&self) -> usize {
        let fitters = self.workshop.fitters.iter();
        fitters.map(|fitter| fitter.hours.len()).max().unwrap_or(0)
    }

    /// Refuses what makes no sense.
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

    /// A place that takes fewer than a step asks for.
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

    /// What has to be finished before a step; what is in hand waits for nothing.
    fn needs(&self, step: usize) -> &[usize] {
        let it = &self.steps[step];
        if it.started { &[] } else { &it.needs }
    }

    /// Steps of which each needs the next, and the last the first.
    fn circle(&self) -> Option<Vec<usize>> {
        // What has no need left that is not settled is settled; what stays has one in a circle.
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

    /// By promise the steps that it waits for, those that these need included.
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

    /// How many days after the first day of the plan; the first day for one before it.
    fn offset(&self, day: Day) -> usize {
        usize::try_from(day.days_since(self.workshop.first_day)).unwrap_or(0)
    }

    fn day(&self, offset: usize) -> Day {
        let days = i32::try_from(offset).unwrap_or(i32::MAX);
        self.workshop.first_day.plus_days(days)
    }
}
