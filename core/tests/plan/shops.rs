//! Small random shops, and the rules that their plans must keep.

use super::{AN_HOUR, first_day, on};
use outshop_core::workshop::plan::{Fitter, Plan, Promise, Step, Task, Visit, Workshop};

/// The most hours in a day.
pub const LONGEST: usize = 3;

/// Source: Marsaglia, Xorshift RNGs, Journal of Statistical Software 8 (2003), 14.
pub struct Lot(u64);

impl Lot {
    pub fn new(seed: u64) -> Lot {
        let mut lot = Lot(seed.wrapping_mul(0x2545_f491_4f6c_dd1d) ^ 0x9e37_79b9_7f4a_7c15);
        for _ in 0..8 {
            lot.next();
        }
        lot
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }
}

/// One or two fitters with part days and days off, two skills that are learned and one that is not, two places, the
/// inspector on some days; jobs, outside work, tests with hours and without, started work, promises. In some shops
/// there is no place for everything.
pub fn shop(seed: u64, most_steps: usize) -> Task {
    let mut lot = Lot::new(seed);
    let days = 7 + lot.below(4);
    let n_fitters = 1 + lot.below(2);
    let fitters: Vec<Fitter> = (0..n_fitters)
        .map(|at| Fitter {
            skills: if at == 0 { vec![0, 1] } else { vec![1] },
            hours: (0..days)
                .map(|_| [0, 1, 2, 2, 3, 3][lot.below(6)] * AN_HOUR)
                .collect(),
        })
        .collect();
    let all_hours = |fitter: &Fitter| fitter.hours.iter().sum::<u32>();
    let may_begin = fitters.iter().all(|it| all_hours(it) >= 6 * AN_HOUR);
    let n_steps = 2 + lot.below(most_steps - 1);
    let mut started = 0;
    let mut steps: Vec<Step> = Vec::new();
    for at in 0..n_steps {
        let before_inspector = lot.one_in(3);
        let helped = !lot.one_in(4);
        let needs = (0..at).filter(|_| lot.one_in(3)).collect();
        let skill = [None, None, Some(0), Some(1), Some(1), Some(2)][lot.below(6)];
        let skill = skill.filter(|it| *it < 2 || lot.one_in(4));
        let mut step = Step {
            engine: lot.below(3) as i32,
            needs,
            not_before: lot.one_in(4).then(|| on(lot.below(days) as i32)),
            before_inspector,
            worth: [0, 0, 1, 2, 5][lot.below(5)],
            ..Step::default()
        };
        if helped {
            step.labour = (1 + lot.below(LONGEST) as u32) * AN_HOUR;
            step.skill = skill;
            step.fitter = lot.one_in(6).then(|| lot.below(n_fitters));
        } else if !before_inspector && lot.one_in(2) {
            step.days_away = 1 + lot.below(3) as u16;
        }
        step.holds = match lot.below(8) {
            0 | 1 => vec![(0, 1)],
            2 => vec![(1, 1 + lot.below(2) as u16)],
            3 if lot.one_in(4) => vec![(0, 2)],
            _ => vec![],
        };
        let can_begin = may_begin && helped && !before_inspector && step.skill != Some(2);
        if can_begin && started < 2 && lot.one_in(5) {
            step.started = true;
            step.skill = None;
            step.not_before = None;
            step.holds.clear();
            started += 1;
        }
        steps.push(step);
    }
    let mut visits = Vec::new();
    for day in 0..days {
        if lot.one_in(4) {
            visits.push(Visit {
                on: on(day as i32),
                tests: [0, 1, 1, 2, 2][lot.below(5)],
            });
        }
    }
    let promises = (0..1 + lot.below(4)).map(|_| {
        let mut of = vec![lot.below(n_steps)];
        if lot.one_in(3) {
            of.push(lot.below(n_steps));
        }
        Promise {
            steps: of,
            due: on(lot.below(days + 2) as i32),
        }
    });
    let promises = promises.collect();
    Task {
        workshop: Workshop {
            first_day: first_day(),
            fitters,
            places: vec![1, 2],
            visits,
        },
        steps,
        promises,
    }
}

/// Whether a plan does what the task allows, judged only by its days and hours.
pub fn broken_rules(task: &Task, plan: &Plan) -> Vec<String> {
    let mut broken = Vec::new();
    let offset = |day| outshop_core::days::Day::days_since(day, first_day()) as usize;
    let days = task.workshop.fitters[0].hours.len();
    let hours_of = |fitter: usize, day: usize| task.workshop.fitters[fitter].hours[day];
    let mut worked = vec![vec![0_u32; days]; task.workshop.fitters.len()];
    for (at, (step, planned)) in task.steps.iter().zip(&plan.steps).enumerate() {
        let Some(planned) = planned else {
            if !plan.unplaced.iter().any(|it| it.step == at) {
                broken.push(format!("{at}: no place and no reason"));
            }
            continue;
        };
        let sum: u32 = planned.hours.iter().map(|(_, hours)| hours).sum();
        if sum != step.labour {
            broken.push(format!("{at}: {sum} hours"));
        }
        if let Some(fitter) = planned.fitter {
            for (day, hours) in &planned.hours {
                worked[fitter][offset(*day)] += hours;
            }
            let knows = |skill| task.workshop.fitters[fitter].skills.contains(&skill);
            if step.skill.is_some_and(|skill| !knows(skill))
                || step.fitter.is_some_and(|named| named != fitter)
            {
                broken.push(format!("{at}: not by the fitter named"));
            }
            // Without a gap: on each day after the first the fitter spends all their hours on it until it is done.
            let mut within = planned.hours.iter().skip(1).rev().skip(1);
            if within.any(|(day, hours)| *hours != hours_of(fitter, offset(*day))) {
                broken.push(format!("{at}: left alone for a while"));
            }
        }
        if step.not_before.is_some_and(|day| planned.first < day) {
            broken.push(format!("{at}: too early"));
        }
        if step.before_inspector
            && (planned.first != planned.last
                || !task.workshop.visits.iter().any(|it| it.on == planned.first))
        {
            broken.push(format!("{at}: the inspector is not there"));
        }
        if step.started {
            continue;
        }
        for need in &step.needs {
            let Some(before) = &plan.steps[*need] else {
                broken.push(format!("{at}: without {need}"));
                continue;
            };
            let one_fitter = before.fitter == planned.fitter && planned.fitter.is_some();
            let both_seen = step.before_inspector && task.steps[*need].before_inspector;
            if before.last > planned.first
                || (before.last == planned.first && !one_fitter && !both_seen)
            {
                broken.push(format!("{at}: before {need}"));
            }
        }
    }
    for (fitter, days) in task.workshop.fitters.iter().zip(&worked) {
        if fitter.hours.iter().zip(days).any(|(has, does)| does > has) {
            broken.push("more hours than the fitter has".to_owned());
        }
    }
    for day in 0..days {
        let started = |at: &usize| {
            let planned = plan.steps[*at].as_ref();
            planned.is_some_and(|it| (offset(it.first)..=offset(it.last)).contains(&day))
        };
        let here: Vec<usize> = (0..task.steps.len()).filter(started).collect();
        for (place, room) in task.workshop.places.iter().enumerate() {
            let taken = |engine: i32| {
                let of = here.iter().map(|at| &task.steps[*at]);
                let holds = of.filter(|it| it.engine == engine).flat_map(|it| &it.holds);
                let counts = holds.filter(|(held, _)| *held == place);
                counts.map(|(_, count)| *count).max().unwrap_or(0)
            };
            let mut engines: Vec<i32> = here.iter().map(|at| task.steps[*at].engine).collect();
            engines.sort_unstable();
            engines.dedup();
            if engines.into_iter().map(taken).sum::<u16>() > *room {
                broken.push(format!("day {day}: too much in place {place}"));
            }
        }
        let seen = here.iter().filter(|at| task.steps[**at].before_inspector);
        let visit = task.workshop.visits.iter().find(|it| offset(it.on) == day);
        if seen.count() > visit.map_or(0, |it| usize::from(it.tests)) {
            broken.push(format!("day {day}: more tests than the inspector sees"));
        }
    }
    broken
}
