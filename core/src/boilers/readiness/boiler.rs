//! Checks of a boiler and its certificates.

use super::{
    Act, BoilerFacts, Check, CheckAnswer, Gate, Link, Look, Outcome, met, unmet, watch, yes,
};
use crate::{
    boilers::{
        codes::{Band, RuleKey, Subject},
        events::{FlagCode, NotCounted, PaperKind},
        papers::{
            self, Sentence,
            flags::paper_flag,
            history::{Counted, History, Issued},
        },
    },
    days::Day,
    engines::engine::OfferedAs,
};

impl Look<'_> {
    pub(super) fn boiler_checks(
        &self,
        boiler: &BoilerFacts,
        papers: &History<'_>,
        on: Day,
    ) -> Vec<CheckAnswer> {
        let mut checks = match self.facts.offer {
            OfferedAs::Steamable => self.paper_checks(boiler, papers, on),
            OfferedAs::WithoutPapers | OfferedAs::ForRestoration => {
                vec![self.papers_disclosed(Some(&boiler.papers))]
            }
        };
        checks.extend(evidence_of_past_use(boiler, papers, on));
        checks
    }

    pub(super) fn boiler_not_known(&self, what: &Sentence) -> CheckAnswer {
        match self.facts.offer {
            OfferedAs::Steamable => {
                let remedy = if self.facts.boiler_in_it.is_some() {
                    "Record the volume of the boiler."
                } else {
                    "Add the boiler and record its installation in the engine."
                };
                unmet(Check::BoilerCode, what.clone(), remedy)
            }
            OfferedAs::WithoutPapers | OfferedAs::ForRestoration => self.papers_disclosed(None),
        }
    }

    fn paper_checks(
        &self,
        boiler: &BoilerFacts,
        papers: &History<'_>,
        on: Day,
    ) -> Vec<CheckAnswer> {
        let mut required = papers.required(on);
        if boiler.has_gas_tank.is_some() {
            required.retain(|kinds| *kinds != [PaperKind::GasTank]);
        }
        if boiler.has_gas_tank == Some(true) {
            required.push(&[PaperKind::GasTank]);
        }
        let mut checks = vec![self.boiler_code(boiler, papers, on)];
        let mut resting_on = Vec::new();
        for kinds in required {
            let paper = papers.holding(kinds, on).max_by_key(|paper| {
                (
                    !self.lapses(paper, on) && clean(paper),
                    clean(paper),
                    end(paper),
                )
            });
            checks.push(match paper {
                Some(paper) => self.paper_holds(paper, on),
                None => {
                    incomplete(boiler, kinds, on).unwrap_or_else(|| no_paper(papers, kinds, on))
                }
            });
            resting_on.extend(paper);
        }
        checks.extend(
            boiler
                .has_gas_tank
                .is_none()
                .then(|| {
                    watch(
                        Check::GasTankPaper,
                        "it is not recorded whether the engine has a gas tank",
                        "Record whether it has one in `has_gas_tank` of the boiler.",
                    )
                })
                .filter(|answer| checks.iter().all(|other| other.check != answer.check)),
        );
        checks.extend(external_examination(papers, on));
        if !resting_on.is_empty() {
            checks.push(boiler_number(papers, &resting_on, on));
            checks.push(inspector(&resting_on));
        }
        for check in &mut checks {
            check.evidence.push(boiler.papers.clone());
        }
        checks
    }

    fn lapses(&self, paper: &Issued<'_>, on: Day) -> bool {
        end(paper).days_since(on) <= i32::from(self.settings.warning_days)
    }

    fn paper_holds(&self, paper: &Issued<'_>, on: Day) -> CheckAnswer {
        let check = check_of(paper.kind);
        let named = paper.kind.in_words();
        let end = paper.end();
        let open_question = paper.flags.iter().find(|flag| leaves_open(**flag));
        let answer = match (end, open_question) {
            (Some(end), _) if self.lapses(paper, on) => watch(
                check,
                format!("the {named} expires on {}", end.in_words()),
                remedy(paper.kind),
            ),
            (_, Some(flag)) => self.open_question(check, *flag, paper),
            (Some(end), None) => met(check, format!("the {named} is valid to {}", end.in_words())),
            (None, None) => met(check, format!("the {named} has no expiry date")),
        };
        CheckAnswer {
            valid_until: end,
            ..answer
        }
    }

    /// What a flag leaves open, and how to settle it.
    fn open_question(&self, check: Check, flag: FlagCode, paper: &Issued<'_>) -> CheckAnswer {
        let reason = paper_flag(flag, paper);
        match (flag, &self.facts.code_rules, &self.facts.boiler_in_it) {
            (FlagCode::IntervalUnknown, Some(rules), _) => watch(
                check,
                reason,
                "Add the interval to the rules of the boiler code.",
            )
            .by(Act::post(rules.as_str())),
            (FlagCode::FirstServiceNotRecorded, _, Some(boiler)) => watch(
                check,
                reason,
                "Record the day of its first service in `first_service_on` of the boiler.",
            )
            .by(Act::patch(boiler.as_str())),
            (FlagCode::CertificateNotRecorded, _, Some(boiler)) => watch(
                check,
                reason,
                "Record the certificate, with its number and issuer.",
            )
            .by(Act::post(&format!("{}/certificates", boiler.as_str()))),
            _ => watch(check, reason, "Record the test again with what is missing."),
        }
    }

    /// Only delivery requires the acknowledgement: before a sale there is no buyer.
    fn papers_disclosed(&self, papers: Option<&Link>) -> CheckAnswer {
        let facts = self.facts;
        let said = yes(
            Check::PapersDisclosed,
            facts.listing_says_so.as_ref(),
            "the listing says that the engine is offered without boiler certificates",
            "the listing does not say that the engine is offered without boiler certificates",
            "Write the listing: it will say so automatically.",
        );
        let answer = match (self.gate, said.outcome) {
            (Gate::Deliver, Outcome::Met) => yes(
                Check::PapersDisclosed,
                facts.buyer_acknowledged.as_ref(),
                "the buyer has acknowledged in writing that there are no boiler certificates",
                "the buyer has not acknowledged in writing that there are no boiler certificates",
                "Record the day of the buyer's written acknowledgement in `papers_acknowledged_on` of the sale.",
            ),
            (Gate::Deliver, Outcome::Warning | Outcome::Unmet) | (Gate::List, _) => said,
        };
        answer.shown(papers)
    }

    fn boiler_code(&self, boiler: &BoilerFacts, papers: &History<'_>, on: Day) -> CheckAnswer {
        let place = &boiler.jurisdiction;
        let check = Check::BoilerCode;
        if papers.required(on).is_empty() {
            let reason = format!("no rule on record for {place} requires a certificate");
            let act = match &self.facts.code_rules {
                Some(rules) => Act::post(rules.as_str()),
                None => Act::post("/v1/boiler-codes"),
            };
            unmet(check, reason, "Add the rules of the boiler code.").by(act)
        } else if papers.subject_on(on).band == Band::OutsideCode {
            let reason = format!("the boiler is larger than the code of {place} covers");
            let remedy = "The code has no test for such a boiler: set `offered_as` of the engine to `without_papers`, or correct the size of the boiler.";
            unmet(check, reason, remedy).by(Act::patch(self.facts.engine.as_str()))
        } else {
            met(check, format!("the boiler is within the code of {place}"))
        }
    }
}

fn no_paper(papers: &History<'_>, kinds: &[PaperKind], on: Day) -> CheckAnswer {
    let last = papers.last_ended(kinds, on);
    let kind = last
        .map(|paper| paper.kind)
        .or(kinds.first().copied())
        .unwrap_or(PaperKind::Hydraulic);
    let named = kind.in_words();
    let reason = match last {
        None => format!("no {named} is on record"),
        Some(paper) => match (paper.voided, paper.end_as_of(on)) {
            (Some((voided, _)), _) if paper.ended_void(on) => {
                format!("the {named} is void from {}", voided.in_words())
            }
            (_, Some(end)) => format!("the {named} expired on {}", end.in_words()),
            (_, None) => format!("the {named} is not valid"),
        },
    };
    unmet(check_of(kind), reason, remedy(kind))
}

/// A certificate that would be enough if the record of its test were complete.
fn incomplete(boiler: &BoilerFacts, kinds: &[PaperKind], on: Day) -> Option<CheckAnswer> {
    let all = boiler.history(Counted::All);
    let paper = all
        .holding(kinds, on)
        .filter(|paper| paper.is_incomplete())
        .max_by_key(|paper| end(paper))?;
    let missing = boiler.events[paper.test.event].not_recorded();
    let missing: Vec<&str> = missing.into_iter().map(member).collect();
    let reason = format!(
        "the record of the {} of {} is incomplete: it does not show {}",
        paper.test.kind.in_words(),
        paper.from.in_words(),
        missing.join(", ")
    );
    let remedy = format!("Record the test again with {}.", missing.join(", "));
    Some(unmet(check_of(paper.kind), reason, &remedy))
}

fn member(flag: FlagCode) -> &'static str {
    match flag {
        FlagCode::PassedNotRecorded => "its result",
        FlagCode::InspectorNotRecorded => "the inspector's name",
        FlagCode::BoilerNumberNotRecorded => "the number read on the boiler",
        _ => "its pressure",
    }
}

/// Only for a code that advises external examinations: a code that requires them has a check of the certificate.
fn external_examination(papers: &History<'_>, on: Day) -> Option<CheckAnswer> {
    let by = papers::external_examination_by(papers, on)?;
    let check = Check::ExternalExamination;
    Some(if by <= on {
        let reason = "an external examination with the cladding off is advised";
        watch(check, reason, remedy(PaperKind::ExternalExamination))
    } else {
        let reason = format!(
            "the next external examination is advised by {}",
            by.in_words()
        );
        CheckAnswer {
            valid_until: Some(by),
            ..met(check, reason)
        }
    })
}

fn boiler_number(papers: &History<'_>, resting_on: &[&Issued<'_>], on: Day) -> CheckAnswer {
    let check = Check::BoilerNumber;
    let another = papers
        .not_counted
        .iter()
        .filter(|(test, reason)| *reason == NotCounted::OtherBoiler && test.moment.on <= on)
        .find(|(test, _)| {
            let later = |paper: &&Issued<'_>| {
                paper.kind == test.kind.issues() && paper.from >= test.moment.on
            };
            !resting_on.iter().any(later)
        });
    if let Some((test, _)) = another {
        watch(
            check,
            format!(
                "the {} of {} names another boiler and is not counted",
                test.kind.in_words(),
                test.moment.on.in_words()
            ),
            "Record a test of this boiler that names its own number.",
        )
    } else {
        let reason = "every certificate is for this boiler";
        met(check, reason)
    }
}

fn inspector(resting_on: &[&Issued<'_>]) -> CheckAnswer {
    let check = Check::Inspector;
    let remedy = "Record a test by an independent inspector.";
    let with = |interest: Option<bool>| {
        resting_on
            .iter()
            .find(move |paper| paper.test.inspector_interest == interest)
    };
    if let Some(paper) = with(Some(true)) {
        let reason = paper_flag(FlagCode::InspectorHasInterest, paper);
        watch(check, reason, remedy)
    } else if let Some(paper) = with(None) {
        let reason = format!(
            "it is not recorded whether the inspector of the {} of {} has an interest in the sale",
            paper.test.kind.in_words(),
            paper.from.in_words()
        );
        watch(
            check,
            reason,
            "Record the test again with `inspector_interest`.",
        )
    } else {
        let reason = "no inspector has an interest in the sale";
        met(check, reason)
    }
}

fn evidence_of_past_use(
    boiler: &BoilerFacts,
    papers: &History<'_>,
    on: Day,
) -> Option<CheckAnswer> {
    let check = Check::EvidenceOfPastUse;
    // An unknown day may be any day, so the rule is looked up as for a new boiler.
    let subject = Subject {
        first_service_on: Some(boiler.first_marketed_on.unwrap_or(Day::LAST)),
        ..papers.subject_on(on)
    };
    papers.rule(RuleKey::EvidenceOfPastUse, subject, on)?;
    let remedy =
        "Record evidence of past use or of conformity in `conformity_evidence` of the boiler.";
    let answer = match boiler.first_marketed_on {
        _ if !boiler.evidence.is_empty() => {
            met(check, "evidence of past use or of conformity is on record")
        }
        Some(day) => unmet(
            check,
            format!(
                "the boiler was first marketed on {} and no evidence of past use or of conformity is on record",
                day.in_words()
            ),
            remedy,
        ),
        None => watch(
            check,
            "it is not recorded when the boiler was first marketed",
            "Record that day in `first_marketed_on` of the boiler.",
        ),
    };
    Some(answer.shown(&boiler.evidence))
}

/// Whether the flag leaves a question about the test itself.
fn leaves_open(flag: FlagCode) -> bool {
    match flag {
        FlagCode::PressureNotRecorded
        | FlagCode::HoldMinutesNotRecorded
        | FlagCode::HighestPressureNotRecorded
        | FlagCode::PassedNotRecorded
        | FlagCode::CertificateNotRecorded
        | FlagCode::InspectorNotRecorded
        | FlagCode::BoilerNumberNotRecorded
        | FlagCode::IntervalUnknown
        | FlagCode::FirstServiceNotRecorded => true,
        FlagCode::OrderNotRecorded
        | FlagCode::OtherBoiler
        | FlagCode::StatedUntilLaterThanRule
        | FlagCode::StatedUntilBeforeTest
        | FlagCode::InspectorMayAskMore
        | FlagCode::InspectorHasInterest
        | FlagCode::ExternalExaminationDue
        | FlagCode::HobbyExemptionNotApplied
        | FlagCode::HydraulicPressureLimited
        | FlagCode::PressureAboveTwice
        | FlagCode::UnderWorkingPressure
        | FlagCode::OtherCode
        | FlagCode::ReportDue => false,
    }
}

/// A certificate that is not recorded yet is no reason to prefer an older test.
fn clean(paper: &Issued<'_>) -> bool {
    !paper.flags.iter().any(|flag| {
        *flag != FlagCode::CertificateNotRecorded
            && (leaves_open(*flag) || *flag == FlagCode::InspectorHasInterest)
    })
}

fn end(paper: &Issued<'_>) -> Day {
    paper.end().unwrap_or(Day::LAST)
}

fn check_of(kind: PaperKind) -> Check {
    match kind {
        PaperKind::Hydraulic => Check::HydraulicPaper,
        PaperKind::Steam => Check::SteamPaper,
        PaperKind::GasTank => Check::GasTankPaper,
        PaperKind::ExternalExamination => Check::ExternalExamination,
        PaperKind::InternalExamination => Check::InternalExamination,
        PaperKind::Ultrasonic => Check::Ultrasonic,
    }
}

fn remedy(kind: PaperKind) -> &'static str {
    match kind {
        PaperKind::Hydraulic => "Record a hydraulic test of this boiler.",
        PaperKind::Steam => "Record a steam test of this boiler.",
        PaperKind::GasTank => "Record a test of the gas tank.",
        PaperKind::ExternalExamination => "Record an external examination of this boiler.",
        PaperKind::InternalExamination => "Record an internal examination of this boiler.",
        PaperKind::Ultrasonic => "Record an ultrasonic test of this boiler.",
    }
}
