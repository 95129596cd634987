//! What a boiler's events amount to: the papers issued, what voided them, the tests that did not count.

use super::{Event, FlagCode, Lacks, NotCounted, PaperKind, Reason, TestKind, VoidedBy};
use crate::{
    boilers::{
        boiler::{self, Boiler, BoilerNumber, Touches},
        codes::{self, Band, Effect, Jurisdiction, Mark, Rule, RuleKey, RuleUnit, Subject},
    },
    days::{Day, TimeOfDay},
    sense,
    units::Pressure,
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use std::cmp::Ordering;

/// Where a code prints no interval: the shorter of those that codes print, and always flagged.
const UNKNOWN_INTERVAL_MONTHS: i32 = 24;

/// When something happened. Two moments of one day have an order only when both times are recorded and differ.
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
    /// Its place among the events.
    pub event: usize,
    pub kind: TestKind,
    /// The code under which it was made; `None`: the one that is asked.
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

/// Which tests are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Counted {
    All,
    /// Those whose record shows what a certificate has to rest on. What opens a gate or is published rests on these only.
    Complete,
}

/// A paper with the test that issued it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Issued<'e> {
    pub kind: PaperKind,
    pub test: Test<'e>,
    pub from: Day,
    /// None: no last day.
    pub until: Option<Day>,
    pub voided: Option<(Day, VoidedBy)>,
    /// What the test leaves open, in the order of the list of flags.
    pub flags: Vec<FlagCode>,
    /// Least pressure that may be asked for, where the test was made below it.
    pub may_ask: Option<Decimal>,
}

impl Issued<'_> {
    pub fn holds_on(&self, day: Day) -> bool {
        self.from <= day
            && self.until.is_none_or(|until| day <= until)
            && self.voided.is_none_or(|(on, _)| day < on)
    }

    /// Last day on which it holds by all that is on record; none: no last day.
    pub fn end(&self) -> Option<Day> {
        self.end_as_of(Day::LAST)
    }

    /// Last day on which it holds as far as was known on `day`; none: no last day.
    pub fn end_as_of(&self, day: Day) -> Option<Day> {
        let voided = self.voided.filter(|(on, _)| *on <= day);
        match (self.until, voided) {
            (until, None) => until,
            (None, Some((on, _))) => Some(on.plus_days(-1)),
            (Some(until), Some((on, _))) => Some(until.min(on.plus_days(-1))),
        }
    }

    /// Whether the record of its test lacks what a paper has to rest on.
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

/// How a test has to be made so that it counts.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Asked<'q> {
    /// At least this many times the working pressure.
    Times(Decimal, &'q Pressure),
    Bar(Decimal),
}

/// Which papers something ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scope {
    /// All but the gas tank's, which is a vessel of its own.
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
    /// After these the code may ask for the first test again.
    fn is_repair_or_change(self) -> bool {
        self.scope == Scope::Boiler && self.by != VoidedBy::FailedTest
    }
}

/// Whether a test was made on this boiler.
enum Whose {
    Ours,
    OtherBoiler,
    NotInEngine,
    OrderUnknown,
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
    /// The order of `events` and of `rules` is irrelevant.
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

        // A steam paper rests on the hydraulic papers, those of its own day included.
        let (steam, others): (Vec<Test<'_>>, Vec<Test<'_>>) =
            tests.iter().partition(|test| test.kind == TestKind::Steam);
        for test in others.into_iter().chain(steam) {
            match history.judge(test, &tests) {
                Ok(paper) => history.papers.push(paper),
                Err(why) => history.not_counted.push((test, why)),
            }
        }
        history.papers.sort_by_key(|paper| (paper.from, paper.kind));
        history
            .not_counted
            .sort_by_key(|(test, why)| (test.moment.on, test.kind, *why));
        history
    }

    // Code and size

    /// After the changes of that day.
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

    /// Rows in force for the boiler on that day.
    pub fn rules_on(&self, day: Day) -> impl Iterator<Item = &'q Rule> {
        let subject = self.subject_on(day);
        self.rules
            .iter()
            .copied()
            .filter(move |row| row.in_force_on(day) && row.applies_to(subject))
    }

    /// Papers that the code asks for on that day; of several in one list one has to hold.
    pub fn required(&self, day: Day) -> Vec<&'static [PaperKind]> {
        let subject = self.subject_on(day);
        let asked = |key| {
            self.rule(key, subject, day)
                .is_some_and(|row| row.effect == Effect::Bars)
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

    // Papers on a day

    pub fn holding(&self, kinds: &[PaperKind], day: Day) -> impl Iterator<Item = &Issued<'q>> {
        self.papers
            .iter()
            .filter(move |paper| kinds.contains(&paper.kind) && paper.holds_on(day))
    }

    /// Why the papers do not hold on that day; empty when they do. Looks at nothing later than that day.
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

    /// The paper that held longest, of those that had ended by `day`.
    pub fn last_ended(&self, kinds: &[PaperKind], day: Day) -> Option<&Issued<'q>> {
        self.papers
            .iter()
            .filter(|paper| kinds.contains(&paper.kind) && paper.from <= day)
            .max_by_key(|paper| {
                let end = paper.end_as_of(day).unwrap_or(Day::LAST);
                (end, !paper.ended_void(day), paper.from, paper.kind)
            })
    }

    /// The days on which an answer may differ from that of the day before, sorted, each once.
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

    // Judging tests

    fn judge(&self, test: Test<'q>, tests: &[Test<'q>]) -> Result<Issued<'q>, NotCounted> {
        match self.whose(&test) {
            Whose::Ours => {}
            Whose::OtherBoiler => return Err(NotCounted::OtherBoiler),
            Whose::NotInEngine => return Err(NotCounted::BoilerNotInEngine),
            Whose::OrderUnknown => return Err(NotCounted::OrderNotRecorded),
        }
        if test.passed == Some(false) {
            return Err(NotCounted::Failed);
        }
        let kind = test.kind.issues();
        let order_unknown = |void: &Void| {
            void.scope.covers(kind)
                && void.moment.on == test.moment.on
                && void.moment.order_unknown(test.moment)
        };
        if self.voids.iter().any(order_unknown) {
            return Err(NotCounted::OrderNotRecorded);
        }

        let working_pressure = self.working_pressure_at(test.moment);
        let subject = self.subject(working_pressure, test.moment.on);
        let mut paper = Issued {
            kind,
            test,
            from: test.moment.on,
            until: None,
            voided: self.voided(kind, test.moment),
            flags: Vec::new(),
            may_ask: None,
        };
        if test
            .code
            .is_some_and(|code| !self.accepts(code, subject, paper.from))
        {
            return Err(NotCounted::OtherCode);
        }
        let interval = match test.kind {
            TestKind::HydraulicFirst | TestKind::HydraulicRepeat => {
                let as_first = self.hydraulic_counts(&mut paper, working_pressure, subject)?;
                self.hydraulic_interval(&mut paper, subject, as_first, tests)
            }
            TestKind::Steam => {
                self.steam_counts(&mut paper, working_pressure, subject)?;
                self.rule(RuleKey::SteamInterval, subject, paper.from)
            }
            TestKind::GasTank => {
                self.gas_tank_counts(&mut paper, subject)?;
                self.rule(RuleKey::GasTankInterval, subject, paper.from)
                    .or_else(|| self.tested_once(subject, paper.from))
            }
            TestKind::ExternalExamination => {
                self.rule(RuleKey::ExternalExaminationInterval, subject, paper.from)
            }
            TestKind::InternalExamination => {
                self.rule(RuleKey::InternalExaminationInterval, subject, paper.from)
            }
            TestKind::Ultrasonic => {
                self.in_turn(kind, test.moment, subject)?;
                self.rule(RuleKey::UltrasonicInterval, subject, paper.from)
            }
        };
        paper.until = interval_end(&mut paper, interval);
        if kind == PaperKind::Steam {
            paper.until = earlier(paper.until, self.hydraulic_cap(&test)?);
        }
        self.stated(&mut paper);
        let not_recorded = [
            (test.passed.is_none(), FlagCode::PassedNotRecorded),
            (
                test.boiler_number.is_none(),
                FlagCode::BoilerNumberNotRecorded,
            ),
            (test.lacks.inspector, FlagCode::InspectorNotRecorded),
            (test.lacks.certificate, FlagCode::CertificateNotRecorded),
        ];
        let not_recorded = not_recorded.into_iter().filter(|(lacks, _)| *lacks);
        paper.flags.extend(not_recorded.map(|(_, flag)| flag));
        if test.inspector_interest == Some(true) {
            paper.flags.push(FlagCode::InspectorHasInterest);
        }
        paper.flags.sort_unstable();
        Ok(paper)
    }

    /// Whether a test made under that code counts under the one that is asked.
    fn accepts(&self, code: &Jurisdiction, subject: Subject, day: Day) -> bool {
        let accepts = |row: &&Rule| {
            row.rule == RuleKey::AcceptsTestsOf
                && row.accepts.as_ref() == Some(code)
                && row.in_force_on(day)
                && row.applies_to(subject)
        };
        code == self.jurisdiction || self.rules.iter().any(accepts)
    }

    fn whose(&self, test: &Test<'_>) -> Whose {
        if let Some(number) = test.boiler_number {
            return if *number == self.boiler.number {
                Whose::Ours
            } else {
                Whose::OtherBoiler
            };
        }
        let exchanges = || self.exchanges.iter();
        if exchanges().any(|(moment, ..)| moment.order_unknown(test.moment)) {
            return Whose::OrderUnknown;
        }
        let before = exchanges()
            .rev()
            .find(|(moment, ..)| moment.before(test.moment));
        let after = exchanges().find(|(moment, ..)| test.moment.before(*moment));
        let ours = match (before, after) {
            (Some((_, fitted, _)), _) => **fitted == self.boiler.number,
            (None, Some((_, _, removed))) => **removed == self.boiler.number,
            (None, None) => true,
        };
        if ours {
            Whose::Ours
        } else {
            Whose::NotInEngine
        }
    }

    /// Whether the test had to be, or was, as good as the first of a boiler.
    fn hydraulic_counts(
        &self,
        paper: &mut Issued<'q>,
        working_pressure: &Pressure,
        subject: Subject,
    ) -> Result<bool, NotCounted> {
        let (test, on) = (paper.test, paper.from);
        let factor = |key| self.rule(key, subject, on).and_then(|row| row.value);
        let first = test.kind == TestKind::HydraulicFirst;
        let after_repair_factor = self.after_repair_factor(subject, test.moment);
        let least = self.hydraulic_least(first, subject, test.moment);
        let may_ask = self
            .follows_repair(test.moment)
            .then(|| factor(RuleKey::HydraulicAfterRepairMayAsk))
            .flatten();
        let most = factor(RuleKey::HydraulicMostFactor);

        if let Some(pressure) = test.pressure {
            let reaches = |factor| compare(pressure, working_pressure, factor).is_ge();
            let exceeds = |factor| compare(pressure, working_pressure, factor).is_gt();
            if least.is_some_and(|factor| !reaches(factor)) {
                return Err(NotCounted::UnderPressure);
            }
            if most.is_some_and(exceeds) {
                return Err(NotCounted::OverPressure);
            }
            if sense::hydraulic_pressure(pressure, working_pressure).is_some() {
                paper.flags.push(FlagCode::PressureAboveTwice);
            }
            paper.may_ask = may_ask.filter(|factor| !reaches(*factor));
        } else {
            paper.may_ask = may_ask;
            if least.is_some() || most.is_some() {
                paper.flags.push(FlagCode::PressureNotRecorded);
            }
        }
        if paper.may_ask.is_some() {
            paper.flags.push(FlagCode::InspectorMayAskMore);
        }
        if let Some(hold) = factor(RuleKey::HydraulicHold) {
            match test.hold_minutes {
                Some(minutes) if Decimal::from(minutes) < hold => {
                    return Err(NotCounted::UnderTime);
                }
                Some(_) => {}
                None => paper.flags.push(FlagCode::HoldMinutesNotRecorded),
            }
        }
        self.in_turn(paper.kind, test.moment, subject)?;
        Ok(first || after_repair_factor.is_some())
    }

    /// Where the code asks for it after a repair or change that no hydraulic test has proved yet.
    fn after_repair_factor(&self, subject: Subject, moment: Moment) -> Option<Decimal> {
        let row = self.rule(RuleKey::HydraulicAfterRepairFactor, subject, moment.on)?;
        row.value.filter(|_| self.follows_repair(moment))
    }

    /// Least pressure of a hydraulic test, in times the working pressure.
    fn hydraulic_least(&self, first: bool, subject: Subject, moment: Moment) -> Option<Decimal> {
        let factor = |key| self.rule(key, subject, moment.on).and_then(|row| row.value);
        let by_kind = first
            .then(|| factor(RuleKey::HydraulicFirstFactor))
            .flatten()
            .or_else(|| factor(RuleKey::HydraulicRepeatFactor));
        by_kind.max(self.after_repair_factor(subject, moment))
    }

    // Naming tests

    /// The first day from `day` on which a test of the boiler, recorded without a time, comes after all that ends its papers.
    pub fn first_day_in_order(&self, day: Day) -> Day {
        let mut taken: Vec<Day> = self.voids.iter().map(|void| void.moment.on).collect();
        taken.sort_unstable();
        taken
            .into_iter()
            .fold(day, |day, on| if on == day { on.plus_days(1) } else { day })
    }

    /// Of papers of which one has to hold the test that brings the next, and how it has to be made on that day to count; of those
    /// that take turns another than `last`, where both would count.
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

    // Judging tests, one kind after another

    /// A repair or change before `moment` that no hydraulic test has proved yet.
    fn follows_repair(&self, moment: Moment) -> bool {
        let proved = |void: &Void| {
            self.papers.iter().any(|paper| {
                paper.kind == PaperKind::Hydraulic
                    && void.moment.before(paper.test.moment)
                    && paper.test.moment.before(moment)
            })
        };
        self.voids
            .iter()
            .filter(|void| void.is_repair_or_change() && void.moment.before(moment))
            .any(|void| !proved(void))
    }

    fn in_turn(&self, kind: PaperKind, test: Moment, subject: Subject) -> Result<(), NotCounted> {
        let key = RuleKey::HydraulicAndUltrasonicInTurn;
        let on = test.on;
        if self.rule(key, subject, on).is_none() {
            return Ok(());
        }
        let before = |kind| {
            self.papers.iter().filter(move |earlier| {
                earlier.kind == kind
                    && earlier.test.moment.before(test)
                    && earlier.voided.is_none_or(|(voided, _)| voided > on)
            })
        };
        let other = match kind {
            PaperKind::Ultrasonic => PaperKind::Hydraulic,
            PaperKind::Hydraulic
            | PaperKind::Steam
            | PaperKind::GasTank
            | PaperKind::ExternalExamination
            | PaperKind::InternalExamination => PaperKind::Ultrasonic,
        };
        // Each earlier one of this kind has to be followed by one of the other.
        let followed = |same: &Issued<'_>| {
            before(other).any(|other| !other.test.moment.before(same.test.moment))
        };
        if before(kind).all(followed) {
            Ok(())
        } else {
            Err(NotCounted::OutOfTurn)
        }
    }

    /// The row for the interval. A row that asks for a first service is for the first hydraulic test on record alone.
    fn hydraulic_interval(
        &self,
        paper: &mut Issued<'q>,
        subject: Subject,
        as_first: bool,
        tests: &[Test<'q>],
    ) -> Option<&'q Rule> {
        let on = paper.from;
        let usual = self.rule(RuleKey::HydraulicInterval, subject, on);
        if !as_first {
            return usual;
        }
        let key = RuleKey::HydraulicFirstInterval;
        let without_first_service = Subject {
            first_service_on: None,
            ..subject
        };
        let first_on_record = paper.test.kind == TestKind::HydraulicFirst
            && !tests.iter().any(|other| {
                other.kind.issues() == PaperKind::Hydraulic
                    && other.moment.before(paper.test.moment)
                    && matches!(self.whose(other), Whose::Ours)
            });
        if !first_on_record {
            return self.rule(key, without_first_service, on).or(usual);
        }
        let row = self.rule(key, subject, on);
        let if_new = Subject {
            first_service_on: Some(Day::LAST),
            ..subject
        };
        if subject.first_service_on.is_none() && row != self.rule(key, if_new, on) {
            paper.flags.push(FlagCode::FirstServiceNotRecorded);
        }
        row.or(usual)
    }

    fn steam_counts(
        &self,
        paper: &mut Issued<'q>,
        working_pressure: &Pressure,
        subject: Subject,
    ) -> Result<(), NotCounted> {
        let limit = self
            .rule(RuleKey::SteamLimitFactor, subject, paper.from)
            .and_then(|row| row.value);
        let highest = paper.test.highest_pressure;
        // Plain reading of every code: what the boiler works at was not proved.
        if highest.is_some_and(|it| compare(it, working_pressure, Decimal::ONE).is_lt()) {
            return Err(NotCounted::UnderWorkingPressure);
        }
        match (limit, paper.test.highest_pressure) {
            (Some(factor), Some(highest)) if compare(highest, working_pressure, factor).is_gt() => {
                return Err(NotCounted::RoseAboveLimit);
            }
            (Some(_), None) => paper.flags.push(FlagCode::HighestPressureNotRecorded),
            (Some(_), Some(_)) | (None, _) => {}
        }
        Ok(())
    }

    /// The last day of the hydraulic paper that held on the day of the steam test, the later of several; fixed then.
    fn hydraulic_cap(&self, steam: &Test<'_>) -> Result<Option<Day>, NotCounted> {
        let holding = self.papers.iter().filter(|paper| {
            paper.kind == PaperKind::Hydraulic
                && paper.holds_on(steam.moment.on)
                && !steam.moment.before(paper.test.moment)
        });
        holding
            .map(|paper| paper.until)
            .max_by_key(|until| until.unwrap_or(Day::LAST))
            .ok_or(NotCounted::NoHydraulicPaper)
    }

    fn gas_tank_counts(&self, paper: &mut Issued<'q>, subject: Subject) -> Result<(), NotCounted> {
        let least = self
            .rule(RuleKey::GasTankPressure, subject, paper.from)
            .and_then(|row| row.value);
        match (least, paper.test.pressure) {
            (Some(least), Some(pressure)) if pressure.base() < least => {
                return Err(NotCounted::UnderPressure);
            }
            (Some(_), None) => paper.flags.push(FlagCode::PressureNotRecorded),
            (Some(_), Some(_)) | (None, _) => {}
        }
        Ok(())
    }

    /// The row by which a tank of this size needs no other test.
    fn tested_once(&self, subject: Subject, day: Day) -> Option<&'q Rule> {
        let volume = self.boiler.gas_tank_volume.as_ref()?;
        self.rule(RuleKey::GasTankOnceBelow, subject, day)
            .filter(|row| row.value.is_some_and(|below| volume.base() < below))
    }

    fn stated(&self, paper: &mut Issued<'q>) {
        let Some(stated) = paper.test.stated_until else {
            return;
        };
        if stated < paper.from {
            paper.flags.push(FlagCode::StatedUntilBeforeTest);
        }
        if paper.until.is_some_and(|until| stated > until) {
            paper.flags.push(FlagCode::StatedUntilLaterThanRule);
        }
        paper.until = earlier(paper.until, Some(stated));
    }

    // What ends papers

    fn voids(&self, tests: &[Test<'q>], events: &'q [Event]) -> Vec<Void> {
        let changes = self.changes.iter().map(|(moment, _)| Void {
            moment: *moment,
            scope: Scope::Boiler,
            by: VoidedBy::WorkingPressureChanged,
        });
        let failed = tests
            .iter()
            .filter(|test| test.passed == Some(false))
            // A failure that may be this boiler's counts against it.
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

    /// What a job ends: papers of the boiler, and that of the gas tank.
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

    /// The first of what ended a paper of this kind after its test.
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

/// A pressure against `factor` x the working pressure; in one unit no conversion can tip the scale.
fn compare(pressure: &Pressure, working_pressure: &Pressure, factor: Decimal) -> Ordering {
    if pressure.unit() == working_pressure.unit() {
        let limit = working_pressure.written().saturating_mul(factor);
        pressure.written().cmp(&limit)
    } else {
        let limit = working_pressure.base().saturating_mul(factor);
        pressure.base().cmp(&limit)
    }
}

/// Last day by the row alone; none: no last day.
fn interval_end(paper: &mut Issued<'_>, row: Option<&Rule>) -> Option<Day> {
    if row.is_some_and(|row| row.unit == RuleUnit::ForLife || row.rule == RuleKey::GasTankOnceBelow)
    {
        return None;
    }
    let months = row
        .filter(|row| row.unit == RuleUnit::Months)
        .and_then(|row| row.value)
        .and_then(|value| value.to_i32())
        .filter(|months| *months >= 0);
    if months.is_none() || row.is_some_and(|row| row.mark == Mark::NotFound) {
        paper.flags.push(FlagCode::IntervalUnknown);
    }
    Some(
        paper
            .from
            .plus_months(months.unwrap_or(UNKNOWN_INTERVAL_MONTHS)),
    )
}

/// The earlier of two last days, where none is no last day.
fn earlier(one: Option<Day>, other: Option<Day>) -> Option<Day> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}

// Reading events

/// Oldest first; tests of one moment in an order that does not depend on that of the events.
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

/// Exchanges that put this boiler in or out: when, what was fitted, what was removed.
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

/// Day of the last event.
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
