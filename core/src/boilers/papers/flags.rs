//! Flags: what the recorded tests leave open or unusual, in words.

use super::{
    Flag, Sentence, external_examination_by,
    history::{History, Issued},
};
use crate::{
    boilers::{
        codes::RuleKey,
        events::{FlagCode, NotCounted},
    },
    days::Day,
};
use rust_decimal::prelude::ToPrimitive;

/// The last day for the report of a test to the authority, where the code wants one, and the source of the rule.
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
                    "the report of the {} test of {} is due by {by} ({source})",
                    test.kind, test.moment.on
                ),
            );
        }
    }
    for (test, reason) in &history.not_counted {
        let named = format!("the {} test of {}", test.kind, test.moment.on);
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
                    "{named} was made under the boiler code of another place and is not counted: no row accepts it"
                ),
            ),
            NotCounted::OrderNotRecorded => flag(
                FlagCode::OrderNotRecorded,
                format!(
                    "{named} is not counted until it is recorded whether it came after what else happened on that day"
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
                "an external examination with the cladding off is advised by {by}; it bars nothing"
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
            "the hobby's exemption excludes commercial use and is not applied to a dealer's stock"
                .to_owned(),
        );
    }
    if let Some(most) = history
        .rule(RuleKey::HydraulicMostFactor, subject, latest)
        .and_then(|row| row.value)
    {
        flag(
            FlagCode::HydraulicPressureLimited,
            format!("a hydraulic test is made at not more than {most} x the working pressure"),
        );
    }
    flags
}

/// What a flag says of a paper.
pub(crate) fn paper_flag(code: FlagCode, paper: &Issued<'_>) -> String {
    let test = format!("the {} test of {}", paper.test.kind, paper.from);
    let not_recorded = |what: &str| {
        format!(
            "{test} counts although {what} is not recorded: the inspector's record has to show it"
        )
    };
    match code {
        FlagCode::PressureNotRecorded => not_recorded("its pressure"),
        FlagCode::HoldMinutesNotRecorded => not_recorded("how long it was held"),
        FlagCode::HighestPressureNotRecorded => not_recorded("the highest pressure in steam"),
        FlagCode::PassedNotRecorded => not_recorded("its result"),
        FlagCode::BoilerNumberNotRecorded => not_recorded("the boiler's number on it"),
        FlagCode::InspectorNotRecorded => not_recorded("the inspector's name"),
        FlagCode::CertificateNotRecorded => {
            format!("no certificate of {test} is recorded, with its issuer and number")
        }
        FlagCode::PressureAboveTwice => format!(
            "{test} was made at more than twice the working pressure; have it confirmed by the inspector"
        ),
        FlagCode::StatedUntilLaterThanRule => format!(
            "the paper of {test} prints a later last day than the rule allows; the rule's day holds"
        ),
        FlagCode::StatedUntilBeforeTest => {
            format!("the paper of {test} prints a last day before the test and never holds")
        }
        FlagCode::IntervalUnknown => {
            format!("no interval was found in the code for {test}; the shorter one is used")
        }
        FlagCode::FirstServiceNotRecorded => format!(
            "the first service of the boiler is not recorded; the shorter interval is used for {test}"
        ),
        FlagCode::InspectorMayAskMore => {
            let factor = paper.may_ask.map_or(String::new(), |factor| {
                format!("{} x the working pressure ", factor.normalize())
            });
            format!("{test} follows a repair or change: the inspector may ask {factor}again")
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
