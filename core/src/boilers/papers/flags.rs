//! Flags: what is missing or unusual about the recorded tests.

use super::{
    Flag, Sentence, external_examination_by,
    history::{History, Issued},
};
use crate::{
    boilers::{
        codes::RuleKey,
        events::{FlagCode, NotCounted, TestKind},
    },
    days::Day,
};
use rust_decimal::prelude::ToPrimitive;

/// Last day to report a test to the authority, and the source of the rule. `None`: the code requires no report.
fn report_of<'q>(history: &History<'q>, tested_on: Day) -> Option<(Day, &'q str)> {
    let subject = history.subject_on(tested_on);
    let row = history.rule(RuleKey::ReportWithin, subject, tested_on)?;
    let days = row.value.and_then(|days| days.to_i32())?;
    Some((tested_on.plus_days(days), &row.source))
}

pub(super) fn flags(history: &History<'_>, latest: Day) -> Vec<Flag> {
    let mut flags = Vec::new();
    let mut flag = |code, detail: String| {
        flags.push(Flag {
            code,
            detail: Sentence::new(&detail),
        });
    };
    for paper in &history.papers {
        for code in &paper.flags {
            flag(*code, paper_flag(*code, paper));
        }
    }
    let passed = history.papers.iter().map(|paper| &paper.test);
    let failed = history.not_counted.iter();
    let failed = failed.filter(|(_, reason)| *reason == NotCounted::Failed);
    for test in passed.chain(failed.map(|(test, _)| test)) {
        if let Some((by, source)) = report_of(history, test.moment.on) {
            flag(
                FlagCode::ReportDue,
                format!(
                    "{} is to be reported to the authority by {} ({source})",
                    named(test.kind, test.moment.on),
                    by.in_words()
                ),
            );
        }
    }
    for (test, reason) in &history.not_counted {
        let named = named(test.kind, test.moment.on);
        match reason {
            NotCounted::OtherBoiler => flag(
                FlagCode::OtherBoiler,
                format!("{named} names another boiler and is not counted"),
            ),
            NotCounted::UnderWorkingPressure => flag(
                FlagCode::UnderWorkingPressure,
                format!("{named} did not reach the working pressure and is not counted"),
            ),
            NotCounted::OtherCode => flag(
                FlagCode::OtherCode,
                format!(
                    "{named} was made under the boiler code of another jurisdiction, which this code does not accept: it is not counted"
                ),
            ),
            NotCounted::OrderNotRecorded => flag(
                FlagCode::OrderNotRecorded,
                format!(
                    "{named} is not counted until its time is recorded: other events of that day may have come after it"
                ),
            ),
            NotCounted::Failed
            | NotCounted::UnderPressure
            | NotCounted::UnderTime
            | NotCounted::OverPressure
            | NotCounted::RoseAboveLimit
            | NotCounted::NoHydraulicPaper
            | NotCounted::BoilerNotInEngine
            | NotCounted::OutOfTurn => {}
        }
    }
    if let Some(by) = external_examination_by(history, latest).filter(|by| *by <= latest) {
        flag(
            FlagCode::ExternalExaminationDue,
            format!(
                "an external examination with the cladding off is advised by {}; this does not block a sale or delivery",
                by.in_words()
            ),
        );
    }
    let subject = history.subject_on(latest);
    if history
        .rule(
            RuleKey::HobbyExemptionExcludesCommercialUse,
            subject,
            latest,
        )
        .is_some()
    {
        flag(
            FlagCode::HobbyExemptionNotApplied,
            "the exemption for hobby boilers excludes commercial use and is not applied to a dealer's stock"
                .to_owned(),
        );
    }
    if let Some(most) = history
        .rule(RuleKey::HydraulicMostFactor, subject, latest)
        .and_then(|row| row.value)
    {
        flag(
            FlagCode::HydraulicPressureLimited,
            format!("a hydraulic test must not exceed {most} x the working pressure"),
        );
    }
    flags
}

/// How a flag names a test.
fn named(kind: TestKind, on: Day) -> String {
    format!("the {} of {}", kind.in_words(), on.in_words())
}

/// What a flag says about a certificate.
pub(crate) fn paper_flag(code: FlagCode, paper: &Issued<'_>) -> String {
    let test = named(paper.test.kind, paper.from);
    let not_recorded = |what: &str| {
        format!(
            "{test} counts although {what} is not recorded: the inspector's record must show it"
        )
    };
    match code {
        FlagCode::PressureNotRecorded => not_recorded("its pressure"),
        FlagCode::HoldMinutesNotRecorded => not_recorded("how long the pressure was held"),
        FlagCode::HighestPressureNotRecorded => not_recorded("the highest pressure in steam"),
        FlagCode::PassedNotRecorded => not_recorded("its result"),
        FlagCode::BoilerNumberNotRecorded => not_recorded("the boiler's number on it"),
        FlagCode::InspectorNotRecorded => not_recorded("the inspector's name"),
        FlagCode::CertificateNotRecorded => {
            format!("no certificate (issuer and number) is recorded for {test}")
        }
        FlagCode::PressureAboveTwice => format!(
            "{test} was made at more than twice the working pressure; have it confirmed by the inspector"
        ),
        FlagCode::StatedUntilLaterThanRule => format!(
            "the certificate of {test} prints a later last day than the code allows; the code's day is used"
        ),
        FlagCode::StatedUntilBeforeTest => {
            format!(
                "the certificate of {test} prints a last day before the test and is never valid"
            )
        }
        FlagCode::IntervalUnknown => {
            format!("the code gives no interval for {test}; the shorter one is used")
        }
        FlagCode::FirstServiceNotRecorded => format!(
            "the boiler's day of first service is not recorded; the shorter interval is used for {test}"
        ),
        FlagCode::InspectorMayAskMore => {
            let factor = paper.may_ask.map_or(String::new(), |factor| {
                format!("{} x the working pressure ", factor.normalize())
            });
            format!("{test} follows a repair or change: the inspector may require {factor}again")
        }
        FlagCode::InspectorHasInterest => {
            format!("the inspector of {test} has an interest in the sale")
        }
        FlagCode::OrderNotRecorded
        | FlagCode::OtherBoiler
        | FlagCode::ExternalExaminationDue
        | FlagCode::HobbyExemptionNotApplied
        | FlagCode::HydraulicPressureLimited
        | FlagCode::UnderWorkingPressure
        | FlagCode::OtherCode
        | FlagCode::ReportDue => test,
    }
}
