//! Judging tests: which of them count by the code, and until when their certificates are valid.

use super::{History, Issued, Moment, Test, Void};
use crate::{
    boilers::{
        codes::{Jurisdiction, Mark, Rule, RuleKey, RuleUnit, Subject},
        events::{FlagCode, NotCounted, PaperKind, TestKind},
    },
    days::Day,
    sense,
    units::Pressure,
};
use rust_decimal::{Decimal, prelude::ToPrimitive};
use std::cmp::Ordering;

/// Used if a code prints no interval: the shorter of those that codes print. The certificate is flagged.
const UNKNOWN_INTERVAL_MONTHS: i32 = 24;

/// Whether a test was of this boiler.
pub(super) enum Whose {
    Ours,
    OtherBoiler,
    NotInEngine,
    OrderUnknown,
}

impl<'q> History<'q> {
    pub(super) fn judge(
        &self,
        test: Test<'q>,
        tests: &[Test<'q>],
    ) -> Result<Issued<'q>, NotCounted> {
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

    /// Whether a test made under that code counts under the one in question.
    fn accepts(&self, code: &Jurisdiction, subject: Subject, day: Day) -> bool {
        let accepts = |row: &&Rule| {
            row.rule == RuleKey::AcceptsTestsOf
                && row.accepts.as_ref() == Some(code)
                && row.in_force_on(day)
                && row.applies_to(subject)
        };
        code == self.jurisdiction || self.rules.iter().any(accepts)
    }

    pub(super) fn whose(&self, test: &Test<'_>) -> Whose {
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

    /// Whether an initial-standard test was required or was done.
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

    /// The factor that the code requires after a repair or change that no hydraulic test has proved yet.
    pub(super) fn after_repair_factor(&self, subject: Subject, moment: Moment) -> Option<Decimal> {
        let row = self.rule(RuleKey::HydraulicAfterRepairFactor, subject, moment.on)?;
        row.value.filter(|_| self.follows_repair(moment))
    }

    /// Lowest pressure of a hydraulic test, as a multiple of the working pressure.
    pub(super) fn hydraulic_least(
        &self,
        first: bool,
        subject: Subject,
        moment: Moment,
    ) -> Option<Decimal> {
        let factor = |key| self.rule(key, subject, moment.on).and_then(|row| row.value);
        let by_kind = first
            .then(|| factor(RuleKey::HydraulicFirstFactor))
            .flatten()
            .or_else(|| factor(RuleKey::HydraulicRepeatFactor));
        by_kind.max(self.after_repair_factor(subject, moment))
    }

    /// Whether a repair or change before `moment` has not been proved by a hydraulic test yet.
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

    pub(super) fn in_turn(
        &self,
        kind: PaperKind,
        test: Moment,
        subject: Subject,
    ) -> Result<(), NotCounted> {
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
        // Each earlier test of this kind must be followed by one of the other.
        let followed = |same: &Issued<'_>| {
            before(other).any(|other| !other.test.moment.before(same.test.moment))
        };
        if before(kind).all(followed) {
            Ok(())
        } else {
            Err(NotCounted::OutOfTurn)
        }
    }

    /// The rule for the interval. A rule with a first service applies only to the first hydraulic test on record.
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
        // Plain reading of every code: the working pressure was not proved.
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

    /// Last day of the hydraulic certificate that was valid on the day of the steam test, the latest if several. Later
    /// tests do not extend it.
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

    /// The rule by which a tank of this size needs no further test.
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
}

/// Compares a pressure with `factor` x the working pressure; without conversion if both have the same unit.
fn compare(pressure: &Pressure, working_pressure: &Pressure, factor: Decimal) -> Ordering {
    if pressure.unit() == working_pressure.unit() {
        let limit = working_pressure.written().saturating_mul(factor);
        pressure.written().cmp(&limit)
    } else {
        let limit = working_pressure.base().saturating_mul(factor);
        pressure.base().cmp(&limit)
    }
}

/// The last day by the rule alone. `None`: it sets no end.
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

/// The earlier of two last days. `None`: no expiry.
fn earlier(one: Option<Day>, other: Option<Day>) -> Option<Day> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}
