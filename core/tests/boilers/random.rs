//! Random histories: many events on few days, with and without times, near every limit.

use crate::OURS;
use outshop_core::{
    boilers::{
        boiler::{Boiler, Material, Touches},
        events::{Event, Lacks, TestKind},
        papers::Question,
    },
    days::{Day, TimeOfDay},
};

/// SplitMix64 (Steele, Lea, Flood 2014), so that a seed always gives the same history.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next() % n as u64).expect("below a usize")
    }

    pub fn pick<T: Clone>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())].clone()
    }

    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}

pub fn psi<T: std::str::FromStr>(tenths: u32) -> T
where
    T::Err: std::fmt::Debug,
{
    format!("{}.{} psi", tenths / 10, tenths % 10)
        .parse()
        .expect("a pressure")
}

pub fn first_day() -> Day {
    "2014-01-01".parse().expect("a day")
}

/// Over eleven years around the first day of the 2018 code; the period is the twelve years from then.
pub fn question(random: &mut Random) -> Question {
    let pressures = [600_u32, 800, 1000, 1200];
    let start = first_day();
    let working_pressure = random.pick(&pressures);
    let mut on = start;
    let events = (0..random.below(14))
        .map(|_| {
            on = match random.below(8) {
                0..=2 => on,
                3 => on.plus_days(1),
                4 => on.plus_months(random.pick(&[6, 12, 14, 24, 36, 48])),
                _ => start.plus_days(i32::try_from(random.below(4000)).expect("small")),
            }
            .min(start.plus_days(4000));
            event(random, on, &pressures, working_pressure)
        })
        .collect();
    Question {
        jurisdiction: random
            .pick(&[
                "GB", "GB", "GB", "GB", "CH", "CH", "US-OH", "US-NE", "US-MI", "US-MN", "CA-ON",
            ])
            .parse()
            .expect("a jurisdiction"),
        boiler: Boiler {
            number: OURS.parse().expect("a number"),
            material: random.pick(&[
                Material::Copper,
                Material::Copper,
                Material::Steel,
                Material::Steel,
                Material::Brass,
                Material::Stainless,
                Material::Other,
            ]),
            working_pressure: psi(working_pressure),
            volume: random
                .pick(&["0.5 L", "0.5 L", "8.0 L", "150 L"])
                .parse()
                .expect("a volume"),
            first_service_on: random
                .pick(&[
                    None,
                    Some("2005-12-31"),
                    Some("2006-01-01"),
                    Some("2016-01-01"),
                ])
                .map(|day| day.parse().expect("a day")),
            gas_tank_volume: random
                .pick(&[None, Some("0.2 L"), Some("0.25 L")])
                .map(|volume| volume.parse().expect("a volume")),
        },
        events,
        days: Vec::new(),
        period: None,
    }
}

fn event(random: &mut Random, on: Day, pressures: &[u32], working_pressure: u32) -> Event {
    let times = [None, None, Some("09:00"), Some("12:00"), Some("15:00")];
    let at: Option<TimeOfDay> = random.pick(&times).map(|at| at.parse().expect("a time"));
    match random.below(20) {
        0 | 1 => Event::JobFinished {
            on,
            at,
            touches: random.pick(&[
                vec![Touches::PressureParts],
                vec![Touches::SafetyValvesAndFittings],
                vec![Touches::SafetyValvesAndFittings, Touches::Motion],
                vec![Touches::SafetyValvesAndFittings, Touches::PressureParts],
                vec![Touches::Motion, Touches::Other],
                vec![Touches::GasTank],
                vec![Touches::GasTank, Touches::SafetyValvesAndFittings],
            ]),
            gauge_glass_only: random.pick(&[None, None, Some(false), Some(true)]),
        },
        2 => Event::WorkingPressureChanged {
            on,
            at,
            working_pressure: psi(random.pick(pressures)),
        },
        3 => {
            let (fitted, removed) = random.pick(&[(OURS, "B 2"), ("B 2", OURS), ("B 2", "B 3")]);
            Event::BoilerExchanged {
                on,
                at,
                fitted: fitted.parse().expect("a number"),
                removed: removed.parse().expect("a number"),
            }
        }
        _ => {
            let base = if random.below(3) == 0 {
                random.pick(pressures)
            } else {
                working_pressure
            };
            let percent = random.pick(&[99, 100, 125, 149, 150, 150, 151, 200, 200, 200]);
            let highest = random.pick(&[99, 100, 100, 105, 105, 107, 107, 110, 110, 110, 111]);
            let test = random.pick(&[
                TestKind::HydraulicFirst,
                TestKind::HydraulicFirst,
                TestKind::HydraulicRepeat,
                TestKind::HydraulicRepeat,
                TestKind::Steam,
                TestKind::Steam,
                TestKind::Steam,
                TestKind::GasTank,
                TestKind::ExternalExamination,
                TestKind::InternalExamination,
                TestKind::Ultrasonic,
            ]);
            let tank = random
                .pick(&["19.9 bar", "20 bar", "25 bar"])
                .parse()
                .expect("a pressure");
            let some = |random: &mut Random| random.below(5) > 0;
            let pressure = if test == TestKind::GasTank {
                tank
            } else {
                psi(base * percent / 100)
            };
            Event::Test {
                jurisdiction: random
                    .pick(&[
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        None,
                        Some("GB"),
                        Some("CH"),
                        Some("US-OH"),
                    ])
                    .map(|place| place.parse().expect("a jurisdiction")),
                lacks: Lacks::default(),
                test,
                on,
                at,
                pressure: some(random).then_some(pressure),
                hold_minutes: some(random).then_some(random.pick(&[9, 10, 30, 30])),
                highest_pressure: some(random).then_some(psi(base * highest / 100)),
                passed: random.pick(&[
                    None,
                    Some(true),
                    Some(true),
                    Some(true),
                    Some(true),
                    Some(true),
                    Some(false),
                ]),
                boiler_number: random
                    .pick(&[
                        None,
                        Some(OURS),
                        Some(OURS),
                        Some(OURS),
                        Some(OURS),
                        Some("QLW1187"),
                    ])
                    .map(|number| number.parse().expect("a number")),
                stated_until: (random.below(6) == 0)
                    .then(|| on.plus_months(random.pick(&[-1, 0, 6, 13, 30, 60]))),
                inspector_interest: random.pick(&[None, Some(false), Some(true)]),
            }
        }
    }
}
