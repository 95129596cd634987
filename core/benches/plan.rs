//! A plan for a workshop of 8 fitters with 200 jobs and 40 promises: plan, bounds and what would save a promise.
//!
//! `cargo bench -p outshop-core --bench plan`

#![expect(
    clippy::expect_used,
    reason = "a bench that cannot be set up has to fail"
)]

use outshop_core::{
    days::Day,
    workshop::plan::{Effort, Fitter, Promise, Step, Task, Visit, Workshop, plan, savings},
};

fn main() {
    divan::main();
}

/// Five jobs to an engine, one after the other, the last before the inspector; due days so close that some have to be broken.
fn task() -> Task {
    let first_day: Day = "2026-05-18".parse().expect("a day");
    let on = |offset: usize| first_day.plus_days(i32::try_from(offset).expect("few"));
    let fitter = |n: u16| Fitter {
        skills: vec![n % 3, 3],
        hours: (0..365)
            .map(|day| if day % 7 < 5 { 700 } else { 0 })
            .collect(),
    };
    let steps = (0..200_usize).map(|n| {
        let last = n % 5 == 4;
        Step {
            engine: i32::try_from(n / 5).expect("few"),
            needs: if n % 5 == 0 { vec![] } else { vec![n - 1] },
            not_before: (n % 7 == 3).then(|| on(n % 23)),
            labour: if last {
                200
            } else {
                100 * (3 + u32::try_from(n * 37 % 17).expect("few"))
            },
            skill: (n % 4 != 0).then_some((n % 3) as u16),
            holds: if last { vec![(1, 1)] } else { vec![(0, 1)] },
            before_inspector: last,
            worth: i64::try_from(n * 7919 % 40_000).expect("few"),
            ..Step::default()
        }
    });
    Task {
        workshop: Workshop {
            first_day,
            fitters: (0..8).map(fitter).collect(),
            places: vec![8, 9],
            visits: (0..50)
                .map(|week| Visit {
                    on: on(3 + 7 * week),
                    tests: 9,
                })
                .collect(),
        },
        steps: steps.collect(),
        promises: (0..40)
            .map(|engine| Promise {
                steps: vec![engine * 5 + 4],
                due: on(10 + engine * 31 % 50),
            })
            .collect(),
    }
}

#[divan::bench(sample_count = 5)]
fn plan_of_200_jobs(bencher: divan::Bencher<'_, '_>) {
    let task = task();
    let effort = Effort {
        plans: 8000,
        ..Effort::default()
    };
    bencher.bench_local(|| {
        let found = plan(&task, &effort).expect("a plan");
        (found.score, found.bounds.score)
    });
}

#[divan::bench(sample_count = 3)]
fn plan_and_what_would_save_a_promise(bencher: divan::Bencher<'_, '_>) {
    let task = task();
    let effort = Effort {
        plans: 8000,
        ..Effort::default()
    };
    bencher.bench_local(|| {
        let found = plan(&task, &effort).expect("a plan");
        savings(&task, &found, &Effort { plans: 2, ..effort })
            .expect("savings")
            .len()
    });
}
