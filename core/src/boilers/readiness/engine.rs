//! Checks of the engine, its listing and its delivery.

use super::{
    Asbestos, CameBack, Check, CheckAnswer, Gate, Look, Photographs, Shown, met, there,
    travels_drained, unmet, watch, yes,
};
use crate::{
    days::Day,
    engines::{engine::OfferedAs, surveys::Severity},
};

impl Look<'_> {
    pub(super) fn findings(&self) -> CheckAnswer {
        let Some(findings) = &self.facts.open_findings else {
            return unmet(
                Check::Findings,
                "no survey is on record",
                "Survey the engine.",
            );
        };
        let of = |severity: Severity| {
            findings
                .iter()
                .filter(move |finding| finding.is == severity)
        };
        let stops = |what: &str, severity| {
            let n = of(severity).count();
            let findings = if n == 1 {
                "finding stops"
            } else {
                "findings stop"
            };
            format!("{n} open {findings} {what}")
        };
        let steamable = self.facts.offer == OfferedAs::Steamable;
        let mend = "Finish a job that clears it, or record a survey that says in `remedy` what was put right.";
        let stop_sale = of(Severity::StopsSale).next().is_some();
        let stop_steaming = of(Severity::StopsSteaming).next().is_some();
        let answer = if stop_sale {
            unmet(
                Check::Findings,
                stops("the sale", Severity::StopsSale),
                mend,
            )
        } else if stop_steaming && steamable {
            let reason = stops("steaming", Severity::StopsSteaming);
            unmet(Check::Findings, reason, mend)
        } else if stop_steaming {
            let reason = stops("steaming", Severity::StopsSteaming);
            watch(Check::Findings, reason, mend)
        } else {
            met(
                Check::Findings,
                "no open finding stops steaming or the sale",
            )
        };
        answer.shown(findings.iter().map(|finding| &finding.link))
    }

    pub(super) fn jobs(&self) -> CheckAnswer {
        let jobs = &self.facts.jobs_started;
        let (n, remedy) = (jobs.len(), "Finish or cancel the job.");
        let reason = match n {
            0 => return met(Check::JobsStarted, "no job is in progress"),
            1 => "1 job is in progress".to_owned(),
            _ => format!("{n} jobs are in progress"),
        };
        let answer = match self.gate {
            Gate::List => watch(Check::JobsStarted, reason, remedy),
            Gate::Deliver => unmet(Check::JobsStarted, reason, remedy),
        };
        answer.shown(jobs)
    }

    /// Regulation (EC) 1907/2006 (REACH), Annex XVII entry 6: nothing that contains asbestos may be sold. Taking a
    /// sample is common practice.
    pub(super) fn asbestos(&self) -> CheckAnswer {
        let remedy = "Have a sample analysed by a laboratory; if it finds none, record a survey with `asbestos`: `cleared`.";
        let Some(asbestos) = &self.facts.asbestos else {
            return unmet(
                Check::Asbestos,
                "it is not recorded whether asbestos is suspected",
                "Survey the lagging and packings and record the result in `asbestos` of the survey.",
            );
        };
        let answer = match asbestos.is {
            Asbestos::NotSuspected => met(Check::Asbestos, "no asbestos is suspected"),
            Asbestos::Suspected => unmet(Check::Asbestos, "asbestos is suspected", remedy),
            Asbestos::Cleared => met(Check::Asbestos, "a laboratory sample found no asbestos"),
        };
        answer.shown([&asbestos.link])
    }

    pub(super) fn list_checks(&self) -> Vec<CheckAnswer> {
        let facts = self.facts;
        let mut checks = vec![
            self.grades(),
            self.photographs(),
            yes(
                Check::Description,
                facts.description.as_ref(),
                "the listing has a description",
                "the listing has no description",
                "Write the listing.",
            ),
            there(
                Check::AskingPrice,
                facts.asking_price.as_ref(),
                "an asking price is set",
                "no asking price is set",
                "Set an asking price.",
            ),
        ];
        checks.extend(facts.came_back.as_ref().map(survey_after_return));
        checks
    }

    fn grades(&self) -> CheckAnswer {
        let again = "Survey the engine and grade its condition.";
        let Some(graded) = &self.facts.graded_on else {
            let reason = "no condition grades are on record";
            return unmet(Check::Grades, reason, again);
        };
        let worked = self.facts.heavy_job_on.as_ref();
        match worked.filter(|worked| graded.is < worked.is) {
            Some(worked) => unmet(
                Check::Grades,
                format!(
                    "the condition grades of {} are older than the heavy job finished on {}",
                    graded.is.in_words(),
                    worked.is.in_words()
                ),
                again,
            )
            .shown([&graded.link, &worked.link]),
            None => {
                let reason = format!("the condition was graded on {}", graded.is.in_words());
                met(Check::Grades, reason).shown([&graded.link])
            }
        }
    }

    fn photographs(&self) -> CheckAnswer {
        let Some(photographs) = &self.facts.photographs else {
            let reason = "no photograph that visitors may see is on record";
            return unmet(Check::Photographs, reason, A_PHOTOGRAPH);
        };
        let Photographs { count, with_alt } = photographs.is;
        let answer = if count == 0 {
            let reason = "no photograph that visitors may see is on record";
            unmet(Check::Photographs, reason, A_PHOTOGRAPH)
        } else if with_alt < count {
            unmet(
                Check::Photographs,
                format!("{with_alt} of {count} photographs have a description"),
                "Describe in `alt` of each photograph what it shows.",
            )
        } else {
            let reason = format!("{count} of {count} photographs have a description");
            met(Check::Photographs, reason)
        };
        answer.shown([&photographs.link])
    }

    pub(super) fn deliver_checks(&self, on: Day) -> Vec<CheckAnswer> {
        let facts = self.facts;
        let mut checks = vec![
            there(
                Check::Sale,
                facts.sale.as_ref(),
                "a sale is on record",
                "no sale is on record",
                "Record the sale.",
            ),
            yes(
                Check::MoneySettled,
                facts.money_settled.as_ref(),
                "the price is paid in full",
                "the price is not paid in full",
                match facts.sale {
                    Some(_) => "Record the payment of the balance.",
                    None => "Record the sale, then the payment of its price.",
                },
            ),
        ];
        checks.extend(self.buyer_abroad());
        if travels_drained(self.settings, facts.has_boiler(), on) {
            checks.push(yes(
                Check::Drained,
                facts.drained.as_ref(),
                "the boiler and tanks are drained",
                "it is not recorded that the boiler and tanks are drained against frost",
                "Drain the boiler and tanks and tick `drained`.",
            ));
        }
        checks.extend([
            there(
                Check::LiftingWeight,
                facts.lifting_weight.as_ref(),
                "the lifting weight is on record",
                "the lifting weight is not on record",
                "Record the weight of the engine in `weight`.",
            ),
            yes(
                Check::SparesPacked,
                facts.spares_packed.as_ref(),
                "the included items are packed",
                "it is not recorded that the included items are packed",
                "Pack them and tick `spares_packed`.",
            ),
            yes(
                Check::PapersPacked,
                facts.papers_packed.as_ref(),
                "the papers are packed",
                "it is not recorded that the papers are packed",
                "Pack them and tick `papers_packed`.",
            ),
        ]);
        checks.extend(facts.not_prepared.as_ref().map(preparation));
        checks
    }

    fn buyer_abroad(&self) -> Option<CheckAnswer> {
        let applies = self.facts.has_boiler() && self.facts.offer == OfferedAs::Steamable;
        let abroad = self
            .facts
            .buyer_abroad
            .as_ref()
            .filter(|it| applies && it.is)?;
        let check = Check::BuyerAbroad;
        let acknowledged = self.facts.buyer_acknowledged.as_ref();
        let answer = if acknowledged.is_some_and(|it| it.is) {
            let reason = "the buyer abroad has acknowledged in writing that boiler certificates are not normally accepted abroad";
            met(check, reason)
        } else {
            let reason =
                "the buyer is abroad, and boiler certificates are not normally accepted abroad";
            let remedy = "Record in `papers_acknowledged_on` of the sale the day on which the buyer acknowledged this in writing.";
            watch(check, reason, remedy)
        };
        Some(answer.shown([&abroad.link]))
    }
}

const A_PHOTOGRAPH: &str = "Add a photograph that visitors may see.";

fn preparation(left: &Shown<Vec<String>>) -> CheckAnswer {
    let check = Check::Preparation;
    let answer = if left.is.is_empty() {
        met(check, "the rest of the despatch checklist is ticked")
    } else {
        let reason = format!(
            "these checklist items are not ticked: {}",
            left.is.join("; ")
        );
        unmet(check, reason, "Do them and tick each.")
    };
    answer.shown([&left.link])
}

/// Nobody knows what happened to an engine while a buyer had it until it is surveyed. Common practice, no source.
fn survey_after_return(came_back: &Shown<CameBack>) -> CheckAnswer {
    let check = Check::SurveyAfterReturn;
    let CameBack { on, surveyed_since } = came_back.is;
    let answer = if surveyed_since {
        met(
            check,
            format!("surveyed since the engine came back on {}", on.in_words()),
        )
    } else {
        unmet(
            check,
            format!(
                "no survey is dated on or after {}, the day on which the engine came back",
                on.in_words()
            ),
            "Record a survey dated on that day or later.",
        )
    };
    answer.shown([&came_back.link])
}
