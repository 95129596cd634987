//! What a boiler's events amount to: the certificates issued, what voided them, and the tests that did not count.

mod judging;

use crate::{
    boilers::{
        boiler::{self, Boiler, BoilerNumber, Touches},
        codes::{self, Band, Effect, Jurisdiction, Rule, RuleKey, Subject},
        events::{Event, FlagCode, Lacks, NotCounted, PaperKind, Reason, TestKind, VoidedBy},
    },
    days::{Day, TimeOfDay},
    units::Pressure,
};
use judging::Whose;
use rust_decimal::Decimal;

/// When something happened. Two moments of one day have an order only if both times are recorded and differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Moment {
    pub on: Day,
    pub at: Option<TimeOfDay>,
}

impl Moment {
    fn before(self, other: Moment) -> bool {
        self.on < other.on || self.on == other.on && self.at < other.at && self.at.is_some()
    }

    fn order_unknown(self, other: Moment) -> bool {
        !self.before(other) && !other.before(self)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Test<'e> {
    /// Its index among the events.
    pub event: usize,
    pub kind: TestKind,
    /// The code under which it was made. `None`: the one in question.
    code: Option<&'e Jurisdiction>,
    pub moment: Moment,
    pressure: Option<&'e Pressure>,
    hold_minutes: Option<u16>,
    highest_pressure: Option<&'e Pressure>,
    passed: Option<bool>,
    boiler_number: Option<&'e BoilerNumber>,
    stated_until: Option<Day>,
    pub inspector_interest: Option<bool>,
    lacks: Lacks,
}

/// Which tests are considered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Counted {
    All,
    /// Only tests with a complete record. Gates and published texts use only these.
    Complete,
}

/// A certificate with the test that issued it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Issued<'e> {
    pub kind: PaperKind,
    pub test: Test<'e>,
    pub from: Day,
    /// `None`: no expiry.
    pub until: Option<Day>,
    pub voided: Option<(Day, VoidedBy)>,
    /// What the test leaves open, in the order of `FlagCode`.
    pub flags: Vec<FlagCode>,
    /// Pressure factor that the inspector may require, if the test was made below it.
    pub may_ask: Option<Decimal>,
}

impl Issued<'_> {
    pub fn holds_on(&self, day: Day) -> bool {
        self.from <= day
            && self.until.is_none_or(|until| day <= until)
            && self.voided.is_none_or(|(on, _)| day < on)
    }

    /// Last valid day, given everything on record. `None`: no expiry.
    pub fn end(&self) -> Option<Day> {
        self.end_as_of(Day::LAST)
    }

    /// Last valid day, as known on `day`. `None`: no expiry.
    pub fn end_as_of(&self, day: Day) -> Option<Day> {
        let voided = self.voided.filter(|(on, _)| *on <= day);
        match (self.until, voided) {
            (until, None) => until,
            (None, Some((on, _))) => Some(on.plus_days(-1)),
            (Some(until), Some((on, _))) => Some(until.min(on.plus_days(-1))),
        }
    }

    /// Whether the record of its test lacks something that a certificate needs.
    pub fn is_incomplete(&self) -> bool {
        self.flags.iter().any(|flag| match flag {
            FlagCode::PassedNotRecorded
            | FlagCode::InspectorNotRecorded
            | FlagCode::BoilerNumberNotRecorded => true,
            FlagCode::PressureNotRecorded => self.kind == PaperKind::Hydraulic,
            _ => false,
        })
    }

    pub fn ended_void(&self, day: Day) -> bool {
        self.voided
            .is_some_and(|(on, _)| on <= day && self.until.is_none_or(|until| on <= until))
    }
}

/// The pressure that a test needs to count.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Asked<'q> {
    /// At least this many times the working pressure.
    Times(Decimal, &'q Pressure),
    Bar(Decimal),
}

/// Which certificates something voids.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scope {
    /// All but the gas tank's: the tank is a vessel of its own.
    Boiler,
    Steam,
    GasTank,
}

impl Scope {
    fn covers(self, kind: PaperKind) -> bool {
        match self {
            Scope::Boiler => kind != PaperKind::GasTank,
            Scope::Steam => kind == PaperKind::Steam,
            Scope::GasTank => kind == PaperKind::GasTank,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Void {
    moment: Moment,
    scope: Scope,
    by: VoidedBy,
}

impl Void {
    /// After these the code may require the initial test again.
    fn is_repair_or_change(self) -> bool {
        self.scope == Scope::Boiler && self.by != VoidedBy::FailedTest
    }
}

pub(crate) struct History<'q> {
    jurisdiction: &'q Jurisdiction,
    boiler: &'q Boiler,
    rules: Vec<&'q Rule>,
    /// Changes of working pressure, oldest first.
    changes: Vec<(Moment, &'q Pressure)>,
    exchanges: Vec<(Moment, &'q BoilerNumber, &'q BoilerNumber)>,
    voids: Vec<Void>,
    pub papers: Vec<Issued<'q>>,
    pub not_counted: Vec<(Test<'q>, NotCounted)>,
    gas_tank_from: Option<Day>,
}

impl<'q> History<'q> {
    /// `events` and `rules` may come in any order.
    pub fn read(
        jurisdiction: &'q Jurisdiction,
        boiler: &'q Boiler,
        rules: &'q [Rule],
        events: &'q [Event],
        counted: Counted,
    ) -> History<'q> {
        let mut history = History {
            jurisdiction,
            boiler,
            rules: rules
                .iter()
                .filter(|row| row.jurisdiction == *jurisdiction)
                .collect(),
            changes: changes(events),
            exchanges: exchanges(&boiler.number, events),
            voids: Vec::new(),
            papers: Vec::new(),
            not_counted: Vec::new(),
            gas_tank_from: None,
        };
        let mut tests = tests(events);
        tests.retain(|test| match counted {
            Counted::All => true,
            Counted::Complete => events[test.event].not_recorded().is_empty(),
        });
        history.voids = history.voids(&tests, events);
        history.gas_tank_from = tests
            .iter()
            .find(|test| {
                test.kind == TestKind::GasTank && matches!(history.whose(test), Whose::Ours)
            })
            .map(|test| test.moment.on);

        // Steam tests last: they depend on the hydraulic certificates, including those of the same day.
        let (steam, others): (Vec<Test<'_>>, Vec<Test<'_>>) =
            tests.iter().partition(|test| test.kind == TestKind::Steam);
        for test in others.into_iter().chain(steam) {
            match history.judge(test, &tests) {
                Ok(paper) => history.papers.push(paper),
                Err(reason) => history.not_counted.push((test, reason)),
            }
        }
        history.papers.sort_by_key(|paper| (paper.from, paper.kind));
        history
            .not_counted
            .sort_by_key(|(test, reason)| (test.moment.on, test.kind, *reason));
        history
    }

    // Code and size

    /// The working pressure after the changes of that day.
    pub fn working_pressure(&self, day: Day) -> &'q Pressure {
        self.changes
            .iter()
            .rev()
            .find(|(moment, _)| moment.on <= day)
            .map_or(&self.boiler.working_pressure, |(_, pressure)| pressure)
    }

    fn working_pressure_at(&self, moment: Moment) -> &'q Pressure {
        self.changes
            .iter()
            .rev()
            .find(|(change, _)| change.before(moment))
            .map_or(&self.boiler.working_pressure, |(_, pressure)| pressure)
    }

    pub fn band(&self, working_pressure: &Pressure, day: Day) -> Band {
        let bar_litres = boiler::bar_litres(working_pressure, &self.boiler.volume);
        codes::band(&self.rules, bar_litres, self.boiler.material, day)
    }

    fn subject(&self, working_pressure: &Pressure, day: Day) -> Subject {
        Subject {
            material: self.boiler.material,
            band: self.band(working_pressure, day),
            first_service_on: self.boiler.first_service_on,
        }
    }

    pub fn subject_on(&self, day: Day) -> Subject {
        self.subject(self.working_pressure(day), day)
    }

    pub fn rule(&self, key: RuleKey, subject: Subject, day: Day) -> Option<&'q Rule> {
        codes::in_force(&self.rules, key, subject, day)
    }

    /// Rules in force for the boiler on that day.
    pub fn rules_on(&self, day: Day) -> impl Iterator<Item = &'q Rule> {
        let subject = self.subject_on(day);
        self.rules
            .iter()
            .copied()
            .filter(move |row| row.in_force_on(day) && row.applies_to(subject))
    }

    /// Certificates that the code requires on that day. Of each list, one must be valid.
    pub fn required(&self, day: Day) -> Vec<&'static [PaperKind]> {
        let subject = self.subject_on(day);
        let asked = |key| {
            self.rule(key, subject, day)
                .is_some_and(|row| row.effect == Effect::Blocks)
        };
        let hydraulic = asked(RuleKey::HydraulicInterval) || asked(RuleKey::HydraulicFirstInterval);
        let ultrasonic = asked(RuleKey::UltrasonicInterval);
        let in_turn = asked(RuleKey::HydraulicAndUltrasonicInTurn);
        let gas_tank =
            asked(RuleKey::GasTankInterval) && self.gas_tank_from.is_some_and(|from| from <= day);
        let lists: [(bool, &'static [PaperKind]); 7] = [
            (in_turn, &[PaperKind::Hydraulic, PaperKind::Ultrasonic]),
            (hydraulic && !in_turn, &[PaperKind::Hydraulic]),
            (asked(RuleKey::SteamInterval), &[PaperKind::Steam]),
            (
                asked(RuleKey::ExternalExaminationInterval),
                &[PaperKind::ExternalExamination],
            ),
            (
                asked(RuleKey::InternalExaminationInterval),
                &[PaperKind::InternalExamination],
            ),
            (ultrasonic && !in_turn, &[PaperKind::Ultrasonic]),
            (gas_tank, &[PaperKind::GasTank]),
        ];
        lists
            .into_iter()
            .filter_map(|(asked, kinds)| asked.then_some(kinds))
            .collect()
    }

    // Certificates on a day

    pub fn holding(&self, kinds: &[PaperKind], day: Day) -> impl Iterator<Item = &Issued<'q>> {
        self.papers
            .iter()
            .filter(move |paper| kinds.contains(&paper.kind) && paper.holds_on(day))
    }

    /// Why the certificates are not valid on that day; empty if they are. Ignores everything after that day.
    pub fn reasons(&self, day: Day) -> Vec<Reason> {
        let required = self.required(day);
        if required.is_empty() {
            return vec![Reason::NoCode];
        }
        let outside = self.band(self.working_pressure(day), day) == Band::OutsideCode;
        let missing = required
            .into_iter()
            .filter(|kinds| self.holding(kinds, day).next().is_none())
            .filter_map(|kinds| self.missing(kinds, day));
        outside
            .then_some(Reason::OutsideCode)
            .into_iter()
            .chain(missing)
            .collect()
    }

    fn missing(&self, kinds: &[PaperKind], day: Day) -> Option<Reason> {
        let last = self.last_ended(kinds, day);
        let kind = last.map(|paper| paper.kind).or(kinds.first().copied())?;
        Some(match last {
            None => never(kind),
            Some(paper) if paper.ended_void(day) => void(kind),
            Some(_) => ran_out(kind),
        })
    }

    /// The certificate that was valid longest, of those that had started by `day`.
    pub fn last_ended(&self, kinds: &[PaperKind], day: Day) -> Option<&Issued<'q>> {
        self.papers
            .iter()
            .filter(|paper| kinds.contains(&paper.kind) && paper.from <= day)
            .max_by_key(|paper| {
                let end = paper.end_as_of(day).unwrap_or(Day::LAST);
                (end, !paper.ended_void(day), paper.from, paper.kind)
            })
    }

    /// The days on which an answer may change, sorted, each once.
    pub fn change_days(&self) -> Vec<Day> {
        let after = |day: Option<Day>| day.map(|day| day.plus_days(1));
        let papers = self.papers.iter().flat_map(|paper| {
            let voided = paper.voided.map(|(on, _)| on);
            [Some(paper.from), after(paper.until), voided]
        });
        let rules = self
            .rules
            .iter()
            .flat_map(|row| [row.valid_from, after(row.valid_until)]);
        let changes = self.changes.iter().map(|(moment, _)| Some(moment.on));
        let mut days: Vec<Day> = papers
            .chain(rules)
            .chain(changes)
            .chain([self.gas_tank_from])
            .flatten()
            .collect();
        days.sort_unstable();
        days.dedup();
        days
    }

    // Naming tests

    /// The first day, from `day`, without an event that voids certificates: a test of that day needs no time to be in
    /// order.
    pub fn first_day_in_order(&self, day: Day) -> Day {
        let mut taken: Vec<Day> = self.voids.iter().map(|void| void.moment.on).collect();
        taken.sort_unstable();
        taken
            .into_iter()
            .fold(day, |day, on| if on == day { on.plus_days(1) } else { day })
    }

    /// The test that issues the next of these certificates, and the pressure it needs to count on that day. Where tests
    /// alternate and both would count, the one other than `last`.
    pub fn test_that_counts(
        &self,
        kinds: &[PaperKind],
        last: Option<PaperKind>,
        day: Day,
    ) -> Option<(TestKind, Option<Asked<'q>>)> {
        let moment = Moment { on: day, at: None };
        let working_pressure = self.working_pressure_at(moment);
        let subject = self.subject(working_pressure, day);
        let mut in_turn = kinds
            .iter()
            .copied()
            .filter(|kind| kinds.len() == 1 || self.in_turn(*kind, moment, subject).is_ok());
        let kind = in_turn
            .clone()
            .find(|kind| Some(*kind) != last)
            .or_else(|| in_turn.next())?;
        let times = |factor: Decimal| Asked::Times(factor, working_pressure);
        Some(match kind {
            PaperKind::Hydraulic => {
                let tested =
                    |paper: &Issued<'_>| paper.kind == PaperKind::Hydraulic && paper.from <= day;
                let first = !self.papers.iter().any(tested)
                    || self.after_repair_factor(subject, moment).is_some();
                let least = self.hydraulic_least(first, subject, moment);
                let test = if first {
                    TestKind::HydraulicFirst
                } else {
                    TestKind::HydraulicRepeat
                };
                (test, least.map(times))
            }
            PaperKind::Steam => (TestKind::Steam, Some(times(Decimal::ONE))),
            PaperKind::GasTank => {
                let row = self.rule(RuleKey::GasTankPressure, subject, day);
                let least = row.and_then(|row| row.value);
                (TestKind::GasTank, least.map(Asked::Bar))
            }
            PaperKind::ExternalExamination => (TestKind::ExternalExamination, None),
            PaperKind::InternalExamination => (TestKind::InternalExamination, None),
            PaperKind::Ultrasonic => (TestKind::Ultrasonic, None),
        })
    }

    // What voids certificates

    fn voids(&self, tests: &[Test<'q>], events: &'q [Event]) -> Vec<Void> {
        let changes = self.changes.iter().map(|(moment, _)| Void {
            moment: *moment,
            scope: Scope::Boiler,
            by: VoidedBy::WorkingPressureChanged,
        });
        let failed = tests
            .iter()
            .filter(|test| test.passed == Some(false))
            // A failed test that may be of this boiler counts against it.
            .filter(|test| matches!(self.whose(test), Whose::Ours | Whose::OrderUnknown))
            .map(|test| Void {
                moment: test.moment,
                scope: match test.kind {
                    TestKind::Steam => Scope::Steam,
                    TestKind::GasTank => Scope::GasTank,
                    TestKind::HydraulicFirst
                    | TestKind::HydraulicRepeat
                    | TestKind::ExternalExamination
                    | TestKind::InternalExamination
                    | TestKind::Ultrasonic => Scope::Boiler,
                },
                by: VoidedBy::FailedTest,
            });
        let jobs = events.iter().flat_map(|event| self.job_voids(event));
        jobs.chain(changes).chain(failed).collect()
    }

    /// What a job voids: certificates of the boiler, and of the gas tank.
    fn job_voids(&self, event: &Event) -> impl Iterator<Item = Void> + use<> {
        let tank = match event {
            Event::JobFinished {
                on, at, touches, ..
            } if touches.contains(&Touches::GasTank) => Some(Void {
                moment: Moment { on: *on, at: *at },
                scope: Scope::GasTank,
                by: VoidedBy::JobOnGasTank,
            }),
            Event::JobFinished { .. }
            | Event::Test { .. }
            | Event::WorkingPressureChanged { .. }
            | Event::BoilerExchanged { .. } => None,
        };
        self.job_voids_boiler(event).into_iter().chain(tank)
    }

    fn job_voids_boiler(&self, event: &Event) -> Option<Void> {
        let Event::JobFinished {
            on,
            at,
            touches,
            gauge_glass_only,
        } = event
        else {
            return None;
        };
        let subject = self.subject_on(*on);
        let says = |key| self.rule(key, subject, *on).is_some();
        if *gauge_glass_only == Some(true) && says(RuleKey::GaugeGlassExcepted) {
            return None;
        }
        let (scope, by) = if touches.contains(&Touches::PressureParts) {
            (Scope::Boiler, VoidedBy::JobOnPressureParts)
        } else if touches.contains(&Touches::SafetyValvesAndFittings) {
            let scope = if says(RuleKey::FittingsVoidHydraulic) {
                Scope::Boiler
            } else {
                Scope::Steam
            };
            (scope, VoidedBy::JobOnSafetyValvesAndFittings)
        } else {
            return None;
        };
        let moment = Moment { on: *on, at: *at };
        Some(Void { moment, scope, by })
    }

    /// What first voided a certificate of this kind after its test.
    fn voided(&self, kind: PaperKind, test: Moment) -> Option<(Day, VoidedBy)> {
        self.voids
            .iter()
            .filter(|void| void.scope.covers(kind) && test.before(void.moment))
            .map(|void| (void.moment.on, void.moment.at, void.by))
            .min()
            .map(|(on, _, by)| (on, by))
    }
}

fn never(kind: PaperKind) -> Reason {
    match kind {
        PaperKind::Hydraulic => Reason::HydraulicMissing,
        PaperKind::Steam => Reason::SteamMissing,
        PaperKind::GasTank => Reason::GasTankMissing,
        PaperKind::ExternalExamination => Reason::ExternalExaminationMissing,
        PaperKind::InternalExamination => Reason::InternalExaminationMissing,
        PaperKind::Ultrasonic => Reason::UltrasonicMissing,
    }
}

fn ran_out(kind: PaperKind) -> Reason {
    match kind {
        PaperKind::Hydraulic => Reason::HydraulicRanOut,
        PaperKind::Steam => Reason::SteamRanOut,
        PaperKind::GasTank => Reason::GasTankRanOut,
        PaperKind::ExternalExamination => Reason::ExternalExaminationRanOut,
        PaperKind::InternalExamination => Reason::InternalExaminationRanOut,
        PaperKind::Ultrasonic => Reason::UltrasonicRanOut,
    }
}

fn void(kind: PaperKind) -> Reason {
    match kind {
        PaperKind::Hydraulic => Reason::HydraulicVoid,
        PaperKind::Steam => Reason::SteamVoid,
        PaperKind::GasTank => Reason::GasTankVoid,
        PaperKind::ExternalExamination => Reason::ExternalExaminationVoid,
        PaperKind::InternalExamination => Reason::InternalExaminationVoid,
        PaperKind::Ultrasonic => Reason::UltrasonicVoid,
    }
}

// Reading events

/// The tests, oldest first; those of one moment in an order that does not depend on the order of the events.
fn tests(events: &[Event]) -> Vec<Test<'_>> {
    let mut tests: Vec<Test<'_>> = events
        .iter()
        .enumerate()
        .filter_map(|(index, event)| match event {
            Event::Test {
                jurisdiction,
                lacks,
                test,
                on,
                at,
                pressure,
                hold_minutes,
                highest_pressure,
                passed,
                boiler_number,
                stated_until,
                inspector_interest,
            } => Some(Test {
                event: index,
                code: jurisdiction.as_ref(),
                lacks: *lacks,
                kind: *test,
                moment: Moment { on: *on, at: *at },
                pressure: pressure.as_ref(),
                hold_minutes: *hold_minutes,
                highest_pressure: highest_pressure.as_ref(),
                passed: *passed,
                boiler_number: boiler_number.as_ref(),
                stated_until: *stated_until,
                inspector_interest: *inspector_interest,
            }),
            Event::JobFinished { .. }
            | Event::WorkingPressureChanged { .. }
            | Event::BoilerExchanged { .. } => None,
        })
        .collect();
    tests.sort_by_key(|test| {
        let bar = |pressure: Option<&Pressure>| pressure.map(Pressure::base);
        (
            (test.moment.on, test.moment.at, test.kind, test.passed),
            bar(test.pressure),
            test.hold_minutes,
            bar(test.highest_pressure),
            test.boiler_number,
            test.stated_until,
            test.inspector_interest,
            (test.code, test.lacks),
        )
    });
    tests
}

fn changes(events: &[Event]) -> Vec<(Moment, &Pressure)> {
    let mut changes: Vec<(Moment, &Pressure)> = events
        .iter()
        .filter_map(|event| match event {
            Event::WorkingPressureChanged {
                on,
                at,
                working_pressure,
            } => Some((Moment { on: *on, at: *at }, working_pressure)),
            Event::Test { .. } | Event::JobFinished { .. } | Event::BoilerExchanged { .. } => None,
        })
        .collect();
    changes.sort_by_key(|(moment, pressure)| (moment.on, moment.at, pressure.base()));
    changes
}

/// Exchanges of this boiler: when, which boiler was fitted, which was removed.
fn exchanges<'e>(
    number: &BoilerNumber,
    events: &'e [Event],
) -> Vec<(Moment, &'e BoilerNumber, &'e BoilerNumber)> {
    let mut exchanges: Vec<(Moment, &BoilerNumber, &BoilerNumber)> = events
        .iter()
        .filter_map(|event| match event {
            Event::BoilerExchanged {
                on,
                at,
                fitted,
                removed,
            } => Some((Moment { on: *on, at: *at }, fitted, removed)),
            Event::Test { .. }
            | Event::JobFinished { .. }
            | Event::WorkingPressureChanged { .. } => None,
        })
        .filter(|(_, fitted, removed)| *fitted == number || *removed == number)
        .collect();
    exchanges.sort_by_key(|(moment, fitted, removed)| (moment.on, moment.at, *fitted, *removed));
    exchanges
}

/// The day of the last event.
pub(crate) fn last_event(events: &[Event]) -> Option<Day> {
    events
        .iter()
        .map(|event| match event {
            Event::Test { on, .. }
            | Event::JobFinished { on, .. }
            | Event::WorkingPressureChanged { on, .. }
            | Event::BoilerExchanged { on, .. } => *on,
        })
        .max()
}
