//! A second clock, written from the text of the codes and not from the rows: it walks every day with the certificates
//! that are valid on it. It uses no intervals, and shares no code with the first except the names.

use crate::random::{self, Random};
use outshop_core::{
    boilers::{
        boiler::{Material, Touches},
        codes,
        events::{Event, TestKind},
        papers::{self, Question},
    },
    days::{Day, DaySpan},
    units::{Pressure, Volume},
};

/// Days from 1970-01-01 (Hinnant, "chrono-Compatible Low-Level Date Algorithms": days_from_civil).
fn number(year: i64, month: i64, day: i64) -> i64 {
    let y = if month <= 2 { year - 1 } else { year };
    let era = y.div_euclid(400);
    let yoe = y - era * 400;
    let doy = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
}

fn parts(day: Day) -> (i64, i64, i64) {
    let text = day.to_string();
    let part = |range: std::ops::Range<usize>| text[range].parse().expect("digits");
    (part(0..4), part(5..7), part(8..10))
}

fn n(day: Day) -> i64 {
    let (year, month, day) = parts(day);
    number(year, month, day)
}

/// The corresponding date, or the last day of the month (Dodds v Walker [1981]).
fn later(day: Day, months: i64) -> i64 {
    let (year, month, day) = parts(day);
    let total = year * 12 + month - 1 + months;
    let (year, month) = (total.div_euclid(12), total.rem_euclid(12) + 1);
    let (next_year, next_month) = if month == 12 {
        (year + 1, 1)
    } else {
        (year, month + 1)
    };
    let length = number(next_year, next_month, 1) - number(year, month, 1);
    number(year, month, day.min(length))
}

/// Thousandths of a psi.
fn milli(pressure: &Pressure) -> i64 {
    let text = pressure.to_string();
    let (value, unit) = text.split_once(' ').expect("a value and a unit");
    let value: f64 = value.parse().expect("a number");
    assert_eq!(unit, "psi");
    (value * 1000.0).round() as i64
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Hydraulic,
    Steam,
    Tank,
    External,
    Internal,
    Ultrasonic,
}

#[derive(Clone, Copy)]
struct Live {
    kind: Kind,
    from: i64,
    minute: Option<i64>,
    until: i64,
}

/// The certificates that an event voids: all of the boiler's, the steam certificate, or the gas tank's.
#[derive(Clone, Copy, PartialEq)]
enum Ends {
    Boiler,
    Steam,
    Tank,
}

impl Ends {
    fn reaches(self, kind: Kind) -> bool {
        match self {
            Ends::Boiler => kind != Kind::Tank,
            Ends::Steam => kind == Kind::Steam,
            Ends::Tank => kind == Kind::Tank,
        }
    }
}

struct Clock<'q> {
    place: &'q str,
    material: Material,
    litres: f64,
    tank_litres: Option<f64>,
    first_service: Option<i64>,
    pressure: i64,
    in_engine: bool,
    live: Vec<Live>,
    unproved_repair: bool,
    /// Hydraulic and ultrasonic tests since the certificates were last void: kind, day, minute.
    turns: Vec<(Kind, i64, Option<i64>)>,
    hydraulic_on_record: bool,
    tank_seen: bool,
}

fn minute(event: &Event) -> Option<i64> {
    let (Event::Test { at, .. }
    | Event::JobFinished { at, .. }
    | Event::WorkingPressureChanged { at, .. }
    | Event::BoilerExchanged { at, .. }) = event;
    at.map(|at| {
        let text = at.to_string();
        text[..2].parse::<i64>().expect("hours") * 60 + text[3..].parse::<i64>().expect("minutes")
    })
}

fn day_of(event: &Event) -> Day {
    let (Event::Test { on, .. }
    | Event::JobFinished { on, .. }
    | Event::WorkingPressureChanged { on, .. }
    | Event::BoilerExchanged { on, .. }) = event;
    *on
}

fn same(one: Option<i64>, other: Option<i64>) -> bool {
    one.is_none() || other.is_none() || one == other
}

impl Clock<'_> {
    /// Whether the test is of this boiler, by its certificate or the engine; `None`: the order of that day decides.
    fn ours(&self, event: &Event, day: &[&Event], question: &Question) -> Option<bool> {
        let Event::Test { boiler_number, .. } = event else {
            return Some(false);
        };
        if let Some(number) = boiler_number {
            return Some(number == &question.boiler.number);
        }
        let mut inside = self.in_engine;
        let mut exchanges: Vec<&&Event> = day
            .iter()
            .filter(|other| match other {
                Event::BoilerExchanged {
                    fitted, removed, ..
                } => fitted == &question.boiler.number || removed == &question.boiler.number,
                _ => false,
            })
            .collect();
        exchanges.sort_by_key(|other| minute(other));
        for other in exchanges {
            if same(minute(event), minute(other)) {
                return None;
            }
            if minute(other) < minute(event) {
                let Event::BoilerExchanged { fitted, .. } = other else {
                    continue;
                };
                inside = fitted == &question.boiler.number;
            }
        }
        Some(inside)
    }

    /// Whether a job on the gas tank voids its certificate as well.
    fn ends_tank(event: &Event) -> bool {
        matches!(event, Event::JobFinished { touches, .. } if touches.contains(&Touches::GasTank))
    }

    fn ender(&self, event: &Event, ours: Option<bool>) -> Option<Ends> {
        match event {
            Event::Test {
                passed: Some(false),
                test,
                ..
            } if ours != Some(false) => Some(match test {
                TestKind::Steam => Ends::Steam,
                TestKind::GasTank => Ends::Tank,
                _ => Ends::Boiler,
            }),
            Event::JobFinished {
                touches,
                gauge_glass_only,
                ..
            } => {
                let swiss = self.place == "CH";
                if swiss && *gauge_glass_only == Some(true) {
                    None
                } else if touches.contains(&Touches::PressureParts) {
                    Some(Ends::Boiler)
                } else if touches.contains(&Touches::SafetyValvesAndFittings) {
                    Some(if swiss { Ends::Boiler } else { Ends::Steam })
                } else {
                    None
                }
            }
            Event::WorkingPressureChanged { .. } => Some(Ends::Boiler),
            _ => None,
        }
    }

    fn small(&self, today: i64) -> bool {
        self.place == "GB" && today >= number(2018, 5, 1) && self.bar_litres() < 3.0
    }

    fn bar_litres(&self) -> f64 {
        self.pressure as f64 / 1000.0 * 0.068_947_572_931_683_6 * self.litres
    }

    fn outside(&self) -> bool {
        self.place == "GB" && self.bar_litres() > 1100.0
    }

    /// The last day of the certificate, if the test counts.
    fn hydraulic(&self, event: &Event, today: Day, first_on_record: bool) -> Option<i64> {
        let Event::Test {
            test,
            pressure,
            hold_minutes,
            ..
        } = event
        else {
            return None;
        };
        let first = *test == TestKind::HydraulicFirst;
        let small = self.small(n(today));
        // Hundredths of the working pressure: at least, at most.
        let (least, most) = match self.place {
            "GB" if first || small && self.unproved_repair => (200, i64::MAX),
            "CH" if first || self.unproved_repair => (200, i64::MAX),
            "GB" | "CH" => (150, i64::MAX),
            "US-OH" => (125, i64::MAX),
            "US-MI" => (100, 150),
            "US-MN" => (100, i64::MAX),
            _ => (0, i64::MAX),
        };
        if let Some(pressure) = pressure {
            let hundredths = milli(pressure) * 100;
            if hundredths < self.pressure * least || hundredths > self.pressure.saturating_mul(most)
            {
                return None;
            }
        }
        if self.place == "GB" && hold_minutes.is_some_and(|minutes| minutes < 10) {
            return None;
        }
        let months = match self.place {
            "GB" if self.outside() => 24,
            "GB" if small && self.material == Material::Brass => 36,
            "GB" if small && (first || self.unproved_repair) => return Some(i64::MAX),
            "GB" if small => 24,
            "GB" => match self.material {
                Material::Copper => 48,
                Material::Steel
                    if first
                        && first_on_record
                        && self
                            .first_service
                            .is_some_and(|day| day >= number(2006, 1, 1)) =>
                {
                    48
                }
                _ => 24,
            },
            "CH" => 48,
            "US-OH" | "US-MI" => 36,
            _ => 24,
        };
        Some(later(today, months))
    }

    fn live_until(&mut self, today: i64) {
        self.live.retain(|paper| paper.until >= today);
    }

    fn day(&mut self, today: Day, day: &[&Event], question: &Question) {
        self.live_until(n(today));
        let whose: Vec<Option<bool>> = day
            .iter()
            .map(|event| self.ours(event, day, question))
            .collect();
        let enders: Vec<Option<Ends>> = day
            .iter()
            .zip(&whose)
            .map(|(event, ours)| self.ender(event, *ours))
            .collect();
        let hydraulic_before = self.hydraulic_on_record;
        let mut order: Vec<usize> = (0..day.len()).collect();
        let ends_something = |i: usize| enders[i].is_some() || Self::ends_tank(day[i]);
        order.sort_by_key(|i| (minute(day[*i]), usize::from(!ends_something(*i))));

        // Hydraulic tests and examinations first, in the order of the clock; steam tests depend on them.
        for i in order.iter().copied() {
            if Self::ends_tank(day[i]) {
                self.live.retain(|paper| paper.kind != Kind::Tank);
            }
            if let Some(ends) = enders[i] {
                self.live.retain(|paper| !ends.reaches(paper.kind));
                if ends == Ends::Boiler {
                    self.turns.clear();
                }
                if let Event::WorkingPressureChanged {
                    working_pressure, ..
                } = day[i]
                {
                    self.pressure = milli(working_pressure);
                }
                if ends == Ends::Boiler && !matches!(day[i], Event::Test { .. }) {
                    self.unproved_repair = true;
                }
            }
            let Event::Test { test, .. } = day[i] else {
                continue;
            };
            if whose[i] == Some(true) && *test == TestKind::GasTank {
                self.tank_seen = true;
            }
            if *test != TestKind::Steam {
                let earlier_today = day.iter().zip(&whose).any(|(other, ours)| {
                    let hydraulic = matches!(
                        other,
                        Event::Test {
                            test: TestKind::HydraulicFirst | TestKind::HydraulicRepeat,
                            ..
                        }
                    );
                    *ours == Some(true)
                        && hydraulic
                        && minute(other).is_some()
                        && minute(other) < minute(day[i])
                });
                self.test(
                    i,
                    today,
                    day,
                    &whose,
                    &enders,
                    !hydraulic_before && !earlier_today,
                );
            }
        }
        for i in order {
            self.steam(i, today, day, &whose, &enders);
        }
        for (event, ours) in day.iter().zip(&whose) {
            match event {
                Event::Test {
                    test: TestKind::HydraulicFirst | TestKind::HydraulicRepeat,
                    ..
                } if *ours == Some(true) => {
                    self.hydraulic_on_record = true;
                }
                _ => {}
            }
        }
        let mut exchanges: Vec<&&Event> = day
            .iter()
            .filter(|event| matches!(event, Event::BoilerExchanged { .. }))
            .collect();
        exchanges.sort_by_key(|event| match event {
            Event::BoilerExchanged {
                fitted, removed, ..
            } => (minute(event), Some((fitted, removed))),
            _ => (None, None),
        });
        for event in exchanges {
            let Event::BoilerExchanged {
                fitted, removed, ..
            } = event
            else {
                continue;
            };
            if fitted == &question.boiler.number {
                self.in_engine = true;
            } else if removed == &question.boiler.number {
                self.in_engine = false;
            }
        }
    }

    fn counts(
        &self,
        i: usize,
        day: &[&Event],
        whose: &[Option<bool>],
        enders: &[Option<Ends>],
        kind: Kind,
    ) -> bool {
        let Event::Test {
            passed,
            jurisdiction,
            ..
        } = day[i]
        else {
            return false;
        };
        // No row of the codes on file accepts tests from another jurisdiction.
        if jurisdiction
            .as_ref()
            .is_some_and(|place| place.as_str() != self.place)
        {
            return false;
        }
        let order_known = (0..day.len()).all(|j| {
            let ended = enders[j].is_some_and(|ends| ends.reaches(kind))
                || kind == Kind::Tank && Self::ends_tank(day[j]);
            !ended || !same(minute(day[i]), minute(day[j]))
        });
        whose[i] == Some(true) && *passed != Some(false) && order_known
    }

    fn issue(&mut self, event: &Event, today: Day, kind: Kind, until: i64) {
        let Event::Test { stated_until, .. } = event else {
            return;
        };
        let until = stated_until.map_or(until, |stated| until.min(n(stated)));
        self.live.push(Live {
            kind,
            from: n(today),
            minute: minute(event),
            until,
        });
    }

    fn test(
        &mut self,
        i: usize,
        today: Day,
        day: &[&Event],
        whose: &[Option<bool>],
        enders: &[Option<Ends>],
        first_on_record: bool,
    ) {
        let Event::Test { test, pressure, .. } = day[i] else {
            return;
        };
        let kind = match test {
            TestKind::HydraulicFirst | TestKind::HydraulicRepeat => Kind::Hydraulic,
            TestKind::Steam => return,
            TestKind::GasTank => Kind::Tank,
            TestKind::ExternalExamination => Kind::External,
            TestKind::InternalExamination => Kind::Internal,
            TestKind::Ultrasonic => Kind::Ultrasonic,
        };
        if !self.counts(i, day, whose, enders, kind) {
            return;
        }
        let until = match kind {
            Kind::Hydraulic => self.hydraulic(day[i], today, first_on_record),
            Kind::Steam => None,
            Kind::Tank => {
                let short = self.place == "CH"
                    && pressure
                        .as_ref()
                        .is_some_and(|p| p.to_string() == "19.9 bar");
                let once = self.place == "GB"
                    && n(today) >= number(2018, 5, 1)
                    && self.tank_litres.is_some_and(|litres| litres < 0.25);
                (!short).then(|| match self.place {
                    "CH" => later(today, 120),
                    _ if once => i64::MAX,
                    _ => later(today, 24),
                })
            }
            Kind::External => Some(later(today, 24)),
            Kind::Internal => Some(later(today, if self.place == "US-NE" { 48 } else { 24 })),
            Kind::Ultrasonic => Some(later(today, 24)),
        };
        let Some(until) = until else { return };
        if self.place == "US-MN" && matches!(kind, Kind::Hydraulic | Kind::Ultrasonic) {
            let (today, now) = (n(today), minute(day[i]));
            let earlier = |(_, day, at): &&(Kind, i64, Option<i64>)| {
                *day < today || !same(*at, now) && *at < now
            };
            let past: Vec<_> = self.turns.iter().filter(earlier).collect();
            let of = |same_kind: bool| {
                past.iter()
                    .filter(move |(one, ..)| (*one == kind) == same_kind)
            };
            let waiting = of(true).any(|(_, day, at)| {
                !of(false).any(|(_, other_day, other_at)| {
                    other_day > day || other_day == day && (same(*other_at, *at) || other_at > at)
                })
            });
            if waiting {
                return;
            }
            self.turns.push((kind, today, now));
        }
        if kind == Kind::Hydraulic {
            self.unproved_repair = false;
        }
        self.issue(day[i], today, kind, until);
    }

    fn steam(
        &mut self,
        i: usize,
        today: Day,
        day: &[&Event],
        whose: &[Option<bool>],
        enders: &[Option<Ends>],
    ) {
        let Event::Test {
            test: TestKind::Steam,
            highest_pressure,
            ..
        } = day[i]
        else {
            return;
        };
        if !self.counts(i, day, whose, enders, Kind::Steam) {
            return;
        }
        if highest_pressure
            .as_ref()
            .is_some_and(|highest| milli(highest) < self.pressure)
        {
            return;
        }
        // The pressure may have been changed later on that day: then all certificates of the day are void anyway.
        let limit = match self.place {
            "GB" => 110,
            "US-NE" => 106,
            _ => i64::MAX,
        };
        if highest_pressure
            .as_ref()
            .is_some_and(|highest| milli(highest) * 100 > self.pressure.saturating_mul(limit))
        {
            return;
        }
        let water = self
            .live
            .iter()
            .filter(|paper| {
                let first = paper.from == n(today)
                    && paper.minute.is_some()
                    && minute(day[i]).is_some_and(|m| paper.minute > Some(m));
                paper.kind == Kind::Hydraulic && paper.until >= n(today) && !first
            })
            .map(|paper| paper.until)
            .max();
        let Some(cap) = water else { return };
        let ended_later = (0..day.len()).any(|j| {
            enders[j].is_some_and(|ends| ends.reaches(Kind::Steam))
                && minute(day[j]) > minute(day[i])
        });
        if !ended_later {
            let months = match self.place {
                "GB" if self.small(n(today)) => 12,
                "GB" => 14,
                _ => 24,
            };
            self.issue(day[i], today, Kind::Steam, later(today, months).min(cap));
        }
    }

    fn holds(&self) -> bool {
        let has = |kind| self.live.iter().any(|paper| paper.kind == kind);
        match self.place {
            "GB" => has(Kind::Hydraulic) && has(Kind::Steam) && !self.outside(),
            "CH" => has(Kind::Hydraulic) && (!self.tank_seen || has(Kind::Tank)),
            "US-OH" | "US-MI" => has(Kind::Hydraulic),
            "US-NE" => has(Kind::External) && has(Kind::Internal),
            "US-MN" => has(Kind::Hydraulic) || has(Kind::Ultrasonic),
            _ => false,
        }
    }
}

/// A certificate with a printed last day before its test is never valid, and so never valid at the end of its day.
fn walk(question: &Question, period: DaySpan) -> Vec<DaySpan> {
    let number = &question.boiler.number;
    let mut exchanges: Vec<&Event> = question
        .events
        .iter()
        .filter(|event| match event {
            Event::BoilerExchanged {
                fitted, removed, ..
            } => fitted == number || removed == number,
            _ => false,
        })
        .collect();
    exchanges.sort_by_key(|event| match event {
        Event::BoilerExchanged {
            fitted, removed, ..
        } => (day_of(event), minute(event), Some((fitted, removed))),
        _ => (day_of(event), None, None),
    });
    let in_engine = exchanges.first().is_none_or(|event| match event {
        Event::BoilerExchanged { removed, .. } => removed == number,
        _ => true,
    });
    let litres = |volume: &Volume| -> f64 {
        let text = volume.to_string();
        let (value, unit) = text.split_once(' ').expect("a unit");
        assert_eq!(unit, "L");
        value.parse().expect("a number")
    };
    let mut clock = Clock {
        place: question.jurisdiction.as_str(),
        material: question.boiler.material,
        litres: litres(&question.boiler.volume),
        tank_litres: question.boiler.gas_tank_volume.as_ref().map(litres),
        first_service: question.boiler.first_service_on.map(n),
        pressure: milli(&question.boiler.working_pressure),
        in_engine,
        live: Vec::new(),
        unproved_repair: false,
        turns: Vec::new(),
        hydraulic_on_record: false,
        tank_seen: false,
    };
    let dated: Vec<(i64, &Event)> = question
        .events
        .iter()
        .map(|event| (n(day_of(event)), event))
        .collect();
    let start = n(period.from);
    let mut spans: Vec<(i64, i64)> = Vec::new();
    let mut yesterday = false;
    for today in start..=n(period.until) {
        let mut day: Vec<&Event> = dated
            .iter()
            .filter(|(on, _)| *on == today)
            .map(|(_, event)| *event)
            .collect();
        if let Some(event) = day.first() {
            let on = day_of(event);
            // Two changes at one moment: the higher pressure is the last.
            day.sort_by_key(|event| match event {
                Event::WorkingPressureChanged {
                    working_pressure, ..
                } => milli(working_pressure),
                _ => 0,
            });
            clock.day(on, &day, question);
        }
        clock.live_until(today);
        let holds = clock.holds();
        match (yesterday, holds) {
            (_, false) => {}
            (false, true) => spans.push((today, today)),
            (true, true) => spans.last_mut().expect("open since yesterday").1 = today,
        }
        yesterday = holds;
    }
    let day = |today: i64| {
        period
            .from
            .plus_days(i32::try_from(today - start).expect("a few years"))
    };
    spans
        .into_iter()
        .map(|(from, until)| DaySpan {
            from: day(from),
            until: day(until),
        })
        .collect()
}

/// `n` histories from `seed` on; returns how many had an open day.
fn compare(seed: u64, n: u64) -> u64 {
    let rules = codes::seed();
    let from = random::first_day();
    let period = DaySpan {
        from,
        until: from.plus_months(144),
    };
    let mut open = 0;
    for seed in seed..seed + n {
        let mut question = random::question(&mut Random(seed.wrapping_mul(0x5851_f42d_4c95_7f2d)));
        question.period = Some(period);
        let told = papers::answer(&question, &rules).open_days;
        assert_eq!(
            told,
            walk(&question, period),
            "seed {seed}: {}",
            serde_json::to_string(&question).expect("JSON")
        );
        open += u64::from(!told.is_empty());
    }
    open
}

/// 5000 histories, or as many as the variable says: `OUTSHOP_HISTORIES=100000 cargo test -p outshop-core both_clocks`.
#[test]
fn both_clocks_agree_on_random_histories() {
    let asked = option_env!("OUTSHOP_HISTORIES");
    let n = asked.map_or(5000, |n| n.parse().expect("a number of histories"));
    let open = compare(0, n);
    assert!(
        open > n / 5,
        "only {open} histories had an open day: too few to tell anything"
    );
}
