//! The gates: may an engine be listed, may it leave, on a day; every reason, and what clears it.

use crate::{
    boilers::{
        boiler::Boiler,
        codes::{Band, Jurisdiction, Rule, RuleKey, Subject},
        papers::{
            self, Event, FlagCode, NotCounted, PaperKind, Sentence,
            history::{Counted, History, Issued},
        },
    },
    days::{Day, DaySpan},
    engines::{engine::OfferedAs, surveys::Severity},
};
use serde::Serialize;
use std::sync::Arc;

words! {
    pub enum Gate { List = "list", Deliver = "deliver" }
}

words! {
    pub enum Outcome { Met = "met", Watch = "watch", Unmet = "unmet" }
}

words! {
    pub enum Asbestos {
        NotSuspected = "not_suspected",
        Suspected = "suspected",
        /// A laboratory sample found none.
        Cleared = "cleared",
    }
}

words! {
    pub enum Check {
        BoilerCode = "boiler_code",
        HydraulicPaper = "hydraulic_paper",
        SteamPaper = "steam_paper",
        ExternalExamination = "external_examination",
        InternalExamination = "internal_examination",
        Ultrasonic = "ultrasonic",
        GasTankPaper = "gas_tank_paper",
        PapersDisclosed = "papers_disclosed",
        BoilerNumber = "boiler_number",
        Inspector = "inspector",
        EvidenceOfPastUse = "evidence_of_past_use",
        Findings = "findings",
        JobsInHand = "jobs_in_hand",
        Grades = "grades",
        Asbestos = "asbestos",
        Photographs = "photographs",
        Words = "words",
        AskingPrice = "asking_price",
        Sale = "sale",
        MoneySettled = "money_settled",
        BuyerAbroad = "buyer_abroad",
        Drained = "drained",
        LiftingWeight = "lifting_weight",
        SparesPacked = "spares_packed",
        PapersPacked = "papers_packed",
        Preparation = "preparation",
        /// An engine that came back was looked at since.
        SurveyAfterReturn = "survey_after_return",
    }
}

/// Address of a record that shows a fact, at most 200 characters.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(
    feature = "wire",
    schema(max_length = 200, example = "/v1/boilers/88/papers")
)]
pub struct Link(String);

impl Link {
    /// Cut after 200 characters.
    pub fn new(text: &str) -> Link {
        Link(text.chars().take(200).collect())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

words! {
    pub enum ActMethod { Post = "POST", Patch = "PATCH" }
}

/// The request that settles a check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = GateAct))]
pub struct Act {
    pub method: ActMethod,
    pub path: Link,
}

impl Act {
    pub fn post(path: &str) -> Act {
        Act {
            method: ActMethod::Post,
            path: Link::new(path),
        }
    }

    pub fn patch(path: &str) -> Act {
        Act {
            method: ActMethod::Patch,
            path: Link::new(path),
        }
    }
}

/// Something on record, with the record that shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown<T> {
    pub is: T,
    pub link: Link,
}

/// All that the gates look at. `None` means that nothing is on record: such a check is never met.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// Where the engine is read.
    pub engine: Link,
    /// Address of the boiler in the engine. `None` if none is recorded in it.
    pub boiler_in_it: Option<Link>,
    /// Where rows are added to the boiler code of the firm's jurisdiction; none: it has no code.
    pub code_rules: Option<Link>,
    /// A photograph that is not described in words.
    pub not_described: Option<Link>,
    pub offer: OfferedAs,
    /// None: the engine has no boiler, and no check of one applies; or `boiler_not_known` says why it is not here.
    pub boiler: Option<BoilerFacts>,
    /// What is not recorded of the engine's boiler, so that no code can be asked; none when `boiler` has it all or the
    /// engine has no boiler.
    pub boiler_not_known: Option<Sentence>,
    /// None: never surveyed.
    pub open_findings: Option<Vec<Shown<Severity>>>,
    pub jobs_in_hand: Vec<Link>,
    /// Day of the latest condition grades.
    pub graded_on: Option<Shown<Day>>,
    /// Day on which the last heavy job was finished; none where there was none.
    pub heavy_job_on: Option<Shown<Day>>,
    pub asbestos: Option<Shown<Asbestos>>,
    /// Whether the listing says that papers are missing; only asked of an offer that is not `steamable`.
    pub listing_says_so: Option<Shown<bool>>,
    /// Whether the buyer has acknowledged that in writing.
    pub buyer_acknowledged: Option<Shown<bool>>,
    pub photographs: Option<Shown<Photographs>>,
    /// Whether the listing has a description.
    pub words: Option<Shown<bool>>,
    pub asking_price: Option<Link>,
    pub sale: Option<Link>,
    pub money_settled: Option<Shown<bool>>,
    /// None: not known, or no buyer yet.
    pub buyer_abroad: Option<Shown<bool>>,
    pub drained: Option<Shown<bool>>,
    pub lifting_weight: Option<Link>,
    pub spares_packed: Option<Shown<bool>>,
    pub papers_packed: Option<Shown<bool>>,
    /// What else the firm makes ready before such an engine leaves, and has not yet; none: nothing else is asked.
    pub not_prepared: Option<Shown<Vec<String>>>,
    /// None: it never came back from a buyer.
    pub came_back: Option<Shown<CameBack>>,
}

/// The last return of an engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CameBack {
    pub on: Day,
    /// A survey is dated on that day or after it.
    pub surveyed_since: bool,
}

impl Facts {
    fn has_boiler(&self) -> bool {
        self.boiler.is_some() || self.boiler_not_known.is_some()
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoilerFacts {
    pub jurisdiction: Jurisdiction,
    pub boiler: Boiler,
    /// Shared by the boilers of a firm.
    pub rules: Arc<[Rule]>,
    pub events: Vec<Event>,
    /// Where its papers are read.
    pub papers: Link,
    pub has_gas_tank: Option<bool>,
    /// Day on which it was first put on the market, when known.
    pub first_marketed_on: Option<Day>,
    /// Evidence of past use or of conformity.
    pub evidence: Vec<Link>,
}

impl BoilerFacts {
    fn history(&self, counted: Counted) -> History<'_> {
        History::read(
            &self.jurisdiction,
            &self.boiler,
            &self.rules,
            &self.events,
            counted,
        )
    }

    /// Papers of tests with a complete record, on which the gates rest.
    fn papers(&self) -> History<'_> {
        self.history(Counted::Complete)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Photographs {
    pub count: u32,
    pub with_alt: u32,
}

/// What the firm sets for itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bars {
    /// Checks whose `watch` shuts the gate too. An `unmet` always does.
    pub watch_bars: Vec<Check>,
    /// A paper that lapses within so many days is watched.
    pub watch_days: u16,
    /// Months (1 to 12) in which an engine travels drained.
    pub frost_months: Vec<i8>,
}

/// An engine with a boiler is drained before it leaves in a month of frost: common practice, no source.
pub fn travels_drained(bars: &Bars, has_boiler: bool, on: Day) -> bool {
    has_boiler && bars.frost_months.contains(&on.date().month())
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Readiness {
    pub on: Day,
    pub gate: Gate,
    pub open: bool,
    #[cfg_attr(feature = "wire", schema(max_items = 40))]
    pub checks: Vec<CheckAnswer>,
    /// In the 24 months from `on`.
    #[cfg_attr(feature = "wire", schema(max_items = 10000))]
    pub open_days: Vec<DaySpan>,
    /// In the same months the days on which the boiler's papers alone would allow it, whatever else is missing.
    #[cfg_attr(feature = "wire", schema(max_items = 10000))]
    pub papers_open_days: Vec<DaySpan>,
    #[cfg_attr(feature = "wire", schema(max_items = 100))]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = ReadinessCheck))]
pub struct CheckAnswer {
    pub check: Check,
    pub outcome: Outcome,
    pub reason: Sentence,
    /// What would clear it; null when met.
    pub clears: Option<Sentence>,
    /// The request that does it; null when met.
    pub act: Option<Act>,
    #[cfg_attr(feature = "wire", schema(max_items = 200))]
    pub evidence: Vec<Link>,
    /// Last day of the paper that the check rests on; null where the passing of time alone changes nothing.
    pub holds_until: Option<Day>,
}

/// A gate on one day alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnDay {
    pub open: bool,
    pub checks: Vec<CheckAnswer>,
}

/// As [`gate`], without the open days that follow.
pub fn on_day(facts: &Facts, bars: &Bars, gate: Gate, on: Day) -> OnDay {
    let papers = facts.boiler.as_ref().map(BoilerFacts::papers);
    let look = Look {
        facts,
        bars,
        gate,
        papers: papers.as_ref(),
    };
    let checks = look.checks(on);
    OnDay {
        open: look.open(&checks),
        checks,
    }
}

/// Total: every set of facts has an answer on every day.
pub fn gate(facts: &Facts, bars: &Bars, gate: Gate, on: Day) -> Readiness {
    let papers = facts.boiler.as_ref().map(BoilerFacts::papers);
    let look = Look {
        facts,
        bars,
        gate,
        papers: papers.as_ref(),
    };
    let period = DaySpan {
        from: on,
        until: on.plus_months(24),
    };
    let checks = look.checks(on);
    let changes = look.change_days(period);
    Readiness {
        on,
        gate,
        open: look.open(&checks),
        checks,
        open_days: papers::open_days(period, &changes, |day| look.open(&look.checks(day))),
        papers_open_days: papers::open_days(period, &changes, |day| {
            look.open(&look.checks_of_boiler(day))
        }),
        cautions: papers
            .as_ref()
            .map_or(Vec::new(), |papers| papers::cautions(papers, on)),
    }
}

/// What every check looks at.
struct Look<'f> {
    facts: &'f Facts,
    bars: &'f Bars,
    gate: Gate,
    papers: Option<&'f History<'f>>,
}

impl Look<'_> {
    fn open(&self, checks: &[CheckAnswer]) -> bool {
        checks.iter().all(|answer| match answer.outcome {
            Outcome::Met => true,
            Outcome::Watch => !self.bars.watch_bars.contains(&answer.check),
            Outcome::Unmet => false,
        })
    }

    /// The days on which the passing of time alone may change an outcome, sorted.
    fn change_days(&self, period: DaySpan) -> Vec<Day> {
        let papers = self.papers.map_or(Vec::new(), History::change_days);
        let ends = self
            .papers
            .into_iter()
            .flat_map(|papers| &papers.papers)
            .filter_map(Issued::end)
            .flat_map(|end| [end, end.plus_days(-i32::from(self.bars.watch_days))]);
        let months = (0..=25).map(|months| first_of_month(period.from).plus_months(months));
        let advised = self
            .papers
            .and_then(|papers| papers::external_examination_by(papers, period.from));
        let not_counted = self
            .papers
            .into_iter()
            .flat_map(|papers| papers.not_counted.iter().map(|(test, _)| test.moment.on));
        let mut days: Vec<Day> = papers
            .into_iter()
            .chain(ends)
            .chain(months)
            .chain(advised)
            .chain(not_counted)
            .collect();
        days.sort_unstable();
        days
    }

    fn checks(&self, on: Day) -> Vec<CheckAnswer> {
        let own = match self.gate {
            Gate::List => self.list_checks(),
            Gate::Deliver => self.deliver_checks(on),
        };
        let both = [self.findings(), self.jobs(), self.asbestos()];
        let boiler = self.checks_of_boiler(on).into_iter();
        let mut checks: Vec<CheckAnswer> = boiler.chain(both).chain(own).collect();
        for answer in &mut checks {
            if answer.outcome != Outcome::Met && answer.act.is_none() {
                answer.act = Some(self.act(answer.check));
            }
        }
        checks
    }

    fn checks_of_boiler(&self, on: Day) -> Vec<CheckAnswer> {
        match (
            &self.facts.boiler,
            self.papers,
            &self.facts.boiler_not_known,
        ) {
            (Some(boiler), Some(papers), _) => self.boiler_checks(boiler, papers, on),
            (_, _, Some(what)) => vec![self.boiler_not_known(what)],
            (None, _, None) | (_, None, None) => Vec::new(),
        }
    }

    /// The request that settles a check, unless the check itself names another.
    fn act(&self, check: Check) -> Act {
        let facts = self.facts;
        let of_engine = |what: &str| format!("{}{what}", facts.engine.as_str());
        let of_boiler = |what: &str| {
            let boiler = facts.boiler_in_it.as_ref();
            boiler.map(|boiler| format!("{}{what}", boiler.as_str()))
        };
        let of_sale = |what: &str| {
            let sale = facts.sale.as_ref();
            sale.map(|sale| format!("{}{what}", sale.as_str()))
        };
        let no_boiler = || Act::post("/v1/boilers");
        let no_sale = || Act::post(&of_engine("/sales"));
        match check {
            Check::HydraulicPaper
            | Check::SteamPaper
            | Check::ExternalExamination
            | Check::InternalExamination
            | Check::Ultrasonic
            | Check::BoilerNumber
            | Check::Inspector => {
                of_boiler("/tests").map_or_else(no_boiler, |path| Act::post(&path))
            }
            Check::GasTankPaper => {
                let recorded = facts.boiler.as_ref().and_then(|boiler| boiler.has_gas_tank);
                let act = match recorded {
                    Some(_) => of_boiler("/tests").map(|path| Act::post(&path)),
                    None => of_boiler("").map(|path| Act::patch(&path)),
                };
                act.unwrap_or_else(no_boiler)
            }
            Check::BoilerCode | Check::EvidenceOfPastUse => {
                of_boiler("").map_or_else(no_boiler, |path| Act::patch(&path))
            }
            Check::PapersDisclosed => match (self.gate, &facts.listing_says_so) {
                (Gate::Deliver, Some(_)) => {
                    of_sale("").map_or_else(no_sale, |path| Act::patch(&path))
                }
                (Gate::List | Gate::Deliver, _) => Act::post(&of_engine("/listing")),
            },
            Check::Findings | Check::Grades | Check::Asbestos | Check::SurveyAfterReturn => {
                Act::post(&of_engine("/surveys"))
            }
            Check::JobsInHand => {
                let job = facts.jobs_in_hand.first();
                let path = job.map_or_else(
                    || of_engine("/jobs"),
                    |job| format!("{}/moves", job.as_str()),
                );
                Act::post(&path)
            }
            Check::Photographs => match &facts.not_described {
                Some(photograph) => Act::patch(photograph.as_str()),
                None => Act::post(&of_engine("/photographs")),
            },
            Check::Words => Act::post(&of_engine("/listing")),
            Check::AskingPrice => Act::post(&of_engine("/asking-prices")),
            Check::Sale => no_sale(),
            Check::MoneySettled => {
                of_sale("/payments").map_or_else(no_sale, |path| Act::post(&path))
            }
            Check::BuyerAbroad => of_sale("").map_or_else(no_sale, |path| Act::patch(&path)),
            Check::LiftingWeight => Act::patch(facts.engine.as_str()),
            Check::Drained | Check::SparesPacked | Check::PapersPacked | Check::Preparation => {
                Act::post(&of_engine("/preparations"))
            }
        }
    }

    // The boiler

    fn boiler_checks(
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

    fn boiler_not_known(&self, what: &Sentence) -> CheckAnswer {
        match self.facts.offer {
            OfferedAs::Steamable => {
                let clears = if self.facts.boiler_in_it.is_some() {
                    "Record the volume of the boiler."
                } else {
                    "Add the boiler and record it as fitted to the engine."
                };
                unmet(Check::BoilerCode, what.clone(), clears)
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
        end(paper).days_since(on) <= i32::from(self.bars.watch_days)
    }

    fn paper_holds(&self, paper: &Issued<'_>, on: Day) -> CheckAnswer {
        let check = check_of(paper.kind);
        let named = name(paper.kind);
        let end = paper.end();
        let open_question = paper.flags.iter().find(|flag| leaves_open(**flag));
        let answer = match (end, open_question) {
            (Some(end), _) if self.lapses(paper, on) => watch(
                check,
                format!("the {named} runs out on {end}"),
                clears(paper.kind),
            ),
            (_, Some(flag)) => self.open_question(check, *flag, paper),
            (Some(end), None) => met(check, format!("the {named} holds until {end}")),
            (None, None) => met(check, format!("the {named} has no last day")),
        };
        CheckAnswer {
            holds_until: end,
            ..answer
        }
    }

    /// What a flag leaves open, and who settles it.
    fn open_question(&self, check: Check, flag: FlagCode, paper: &Issued<'_>) -> CheckAnswer {
        let reason = papers::paper_flag(flag, paper);
        match (flag, &self.facts.code_rules, &self.facts.boiler_in_it) {
            (FlagCode::IntervalUnknown, Some(rules), _) => watch(
                check,
                reason,
                "Add the interval to the rows of the boiler code.",
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

    /// Before a sale there is no buyer who could acknowledge.
    fn papers_disclosed(&self, papers: Option<&Link>) -> CheckAnswer {
        let facts = self.facts;
        let said = yes(
            Check::PapersDisclosed,
            facts.listing_says_so.as_ref(),
            "the listing says that it is offered without boiler papers",
            "the listing does not say that it is offered without boiler papers",
            "Write the listing: it says so by itself.",
        );
        let answer = match (self.gate, said.outcome) {
            (Gate::Deliver, Outcome::Met) => yes(
                Check::PapersDisclosed,
                facts.buyer_acknowledged.as_ref(),
                "the buyer has acknowledged in writing that there are no boiler papers",
                "the buyer has not acknowledged in writing that there are no boiler papers",
                "Record the day of the buyer's written acknowledgement in `papers_acknowledged_on` of the sale.",
            ),
            (Gate::Deliver, Outcome::Watch | Outcome::Unmet) | (Gate::List, _) => said,
        };
        answer.shown(papers)
    }

    // The engine

    fn findings(&self) -> CheckAnswer {
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
        let mend = "Finish a job that clears it, or survey the engine again and name what is put right in `clears`.";
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

    fn jobs(&self) -> CheckAnswer {
        let jobs = &self.facts.jobs_in_hand;
        let (n, clears) = (jobs.len(), "Finish the job or call it off.");
        let reason = match n {
            0 => return met(Check::JobsInHand, "no job is in hand"),
            1 => "1 job is in hand".to_owned(),
            _ => format!("{n} jobs are in hand"),
        };
        let answer = match self.gate {
            Gate::List => watch(Check::JobsInHand, reason, clears),
            Gate::Deliver => unmet(Check::JobsInHand, reason, clears),
        };
        answer.shown(jobs)
    }

    /// Regulation (EC) 1907/2006 (REACH), Annex XVII entry 6: nothing that holds asbestos is sold. That a sample is asked
    /// for is common practice.
    fn asbestos(&self) -> CheckAnswer {
        let clears = "Have a sample looked at by a laboratory; when it finds none, record a survey with `asbestos`: `cleared`.";
        let Some(asbestos) = &self.facts.asbestos else {
            return unmet(
                Check::Asbestos,
                "it is not recorded whether asbestos is suspected",
                "Survey lagging and packings, and say in `asbestos` of the survey what was found.",
            );
        };
        let answer = match asbestos.is {
            Asbestos::NotSuspected => met(Check::Asbestos, "no asbestos is suspected"),
            Asbestos::Suspected => unmet(Check::Asbestos, "asbestos is suspected", clears),
            Asbestos::Cleared => met(Check::Asbestos, "a laboratory sample found no asbestos"),
        };
        answer.shown([&asbestos.link])
    }

    // One gate alone

    fn list_checks(&self) -> Vec<CheckAnswer> {
        let facts = self.facts;
        let mut checks = vec![
            self.grades(),
            self.photographs(),
            yes(
                Check::Words,
                facts.words.as_ref(),
                "the listing has a description",
                "the listing has no description",
                "Write the listing.",
            ),
            there(
                Check::AskingPrice,
                facts.asking_price.as_ref(),
                "an asking price is set",
                "no asking price is set",
                "Decide on an asking price.",
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
                    graded.is, worked.is
                ),
                again,
            )
            .shown([&graded.link, &worked.link]),
            None => {
                let reason = format!("the condition was graded on {}", graded.is);
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
                format!("{with_alt} of {count} photographs are described in words"),
                "Say in `alt` of each photograph what it shows.",
            )
        } else {
            let reason = format!("{count} of {count} photographs are described in words");
            met(Check::Photographs, reason)
        };
        answer.shown([&photographs.link])
    }

    fn deliver_checks(&self, on: Day) -> Vec<CheckAnswer> {
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
                "the money is settled",
                "the money is not settled",
                match facts.sale {
                    Some(_) => "Record the payment of the rest of the price.",
                    None => "Record the sale, then the payment of its price.",
                },
            ),
        ];
        checks.extend(self.buyer_abroad());
        if travels_drained(self.bars, facts.has_boiler(), on) {
            checks.push(yes(
                Check::Drained,
                facts.drained.as_ref(),
                "boiler and tanks are drained",
                "it is not recorded that boiler and tanks are drained against frost",
                "Drain boiler and tanks and tick `drained`.",
            ));
        }
        checks.extend([
            there(
                Check::LiftingWeight,
                facts.lifting_weight.as_ref(),
                "the weight to be lifted is on record",
                "the weight to be lifted is not on record",
                "Record what the engine weighs in `weight` of the engine.",
            ),
            yes(
                Check::SparesPacked,
                facts.spares_packed.as_ref(),
                "what goes with the engine is packed",
                "it is not recorded that what goes with the engine is packed",
                "Pack it and tick `spares_packed`.",
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
            let reason = "the buyer abroad has acknowledged in writing that boiler reports do not cross borders";
            met(check, reason)
        } else {
            let reason = "the buyer is abroad, and boiler reports do not cross borders";
            let clears = "Record the day on which the buyer acknowledged that in writing in `papers_acknowledged_on` of the sale.";
            watch(check, reason, clears)
        };
        Some(answer.shown([&abroad.link]))
    }

    fn boiler_code(&self, boiler: &BoilerFacts, papers: &History<'_>, on: Day) -> CheckAnswer {
        let place = &boiler.jurisdiction;
        let check = Check::BoilerCode;
        if papers.required(on).is_empty() {
            let reason = format!("no rule of {place} on record asks for a paper");
            let act = match &self.facts.code_rules {
                Some(rules) => Act::post(rules.as_str()),
                None => Act::post("/v1/boiler-codes"),
            };
            unmet(check, reason, "Add the rows of the boiler code.").by(act)
        } else if papers.subject_on(on).band == Band::OutsideCode {
            let reason = format!("the boiler is above the size that the code of {place} covers");
            let clears = "Offer the engine without papers in `offered_as`, as the code has no test for such a boiler; or correct the boiler's size.";
            unmet(check, reason, clears).by(Act::patch(self.facts.engine.as_str()))
        } else {
            met(check, format!("the boiler is within the code of {place}"))
        }
    }
}

const A_PHOTOGRAPH: &str = "Add a photograph that visitors may see.";

// Checks of papers

fn preparation(left: &Shown<Vec<String>>) -> CheckAnswer {
    let check = Check::Preparation;
    let answer = if left.is.is_empty() {
        met(check, "the rest of the preparation list is ticked")
    } else {
        let reason = format!("these are not ticked: {}", left.is.join("; "));
        unmet(check, reason, "Do them and tick each.")
    };
    answer.shown([&left.link])
}

fn no_paper(papers: &History<'_>, kinds: &[PaperKind], on: Day) -> CheckAnswer {
    let last = papers.last_ended(kinds, on);
    let kind = last
        .map(|paper| paper.kind)
        .or(kinds.first().copied())
        .unwrap_or(PaperKind::Hydraulic);
    let named = name(kind);
    let reason = match last {
        None => format!("there is no {named}"),
        Some(paper) => match (paper.voided, paper.end_as_of(on)) {
            (Some((voided, _)), _) if paper.ended_void(on) => {
                format!("the {named} is void from {voided}")
            }
            (_, Some(end)) => format!("the {named} ran out on {end}"),
            (_, None) => format!("the {named} does not hold"),
        },
    };
    unmet(check_of(kind), reason, clears(kind))
}

/// A paper that would do if the record of its test were complete.
fn incomplete(boiler: &BoilerFacts, kinds: &[PaperKind], on: Day) -> Option<CheckAnswer> {
    let all = boiler.history(Counted::All);
    let paper = all
        .holding(kinds, on)
        .filter(|paper| paper.is_incomplete())
        .max_by_key(|paper| end(paper))?;
    let missing = boiler.events[paper.test.event].not_recorded();
    let missing: Vec<&str> = missing.into_iter().map(member).collect();
    let reason = format!(
        "the record of the {} test of {} is incomplete: it does not show {}",
        paper.test.kind,
        paper.from,
        missing.join(", ")
    );
    let clears = format!("Record the test again with {}.", missing.join(", "));
    Some(unmet(check_of(paper.kind), reason, &clears))
}

fn member(flag: FlagCode) -> &'static str {
    match flag {
        FlagCode::PassedNotRecorded => "its result",
        FlagCode::InspectorNotRecorded => "the inspector's name",
        FlagCode::BoilerNumberNotRecorded => "the number read on the boiler",
        _ => "its pressure",
    }
}

/// Where the code asks for it the paper's own check tells; here it is advised alone, and bars nothing.
fn external_examination(papers: &History<'_>, on: Day) -> Option<CheckAnswer> {
    let by = papers::external_examination_by(papers, on)?;
    let check = Check::ExternalExamination;
    Some(if by <= on {
        let reason = "an external examination with the cladding off is advised";
        watch(check, reason, clears(PaperKind::ExternalExamination))
    } else {
        let reason = format!("the next external examination is advised by {by}");
        CheckAnswer {
            holds_until: Some(by),
            ..met(check, reason)
        }
    })
}

fn boiler_number(papers: &History<'_>, resting_on: &[&Issued<'_>], on: Day) -> CheckAnswer {
    let check = Check::BoilerNumber;
    let another = papers
        .not_counted
        .iter()
        .filter(|(test, why)| *why == NotCounted::OtherBoiler && test.moment.on <= on)
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
                "the {} test of {} names another boiler and is not counted",
                test.kind, test.moment.on
            ),
            "Record a test of this boiler that names its own number.",
        )
    } else {
        let reason = "every paper names this boiler";
        met(check, reason)
    }
}

fn inspector(resting_on: &[&Issued<'_>]) -> CheckAnswer {
    let check = Check::Inspector;
    let clears = "Record a test by an independent inspector.";
    let with = |interest: Option<bool>| {
        resting_on
            .iter()
            .find(move |paper| paper.test.inspector_interest == interest)
    };
    if let Some(paper) = with(Some(true)) {
        let reason = papers::paper_flag(FlagCode::InspectorHasInterest, paper);
        watch(check, reason, clears)
    } else if let Some(paper) = with(None) {
        let reason = format!(
            "it is not recorded whether the inspector of the {} test of {} has an interest in the sale",
            paper.test.kind, paper.from
        );
        watch(
            check,
            reason,
            "Record the test again and say in `inspector_interest` whether the inspector has one.",
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
    // An unknown day may be any day, so that the row is looked up as for a new boiler.
    let subject = Subject {
        first_service_on: Some(boiler.first_marketed_on.unwrap_or(Day::LAST)),
        ..papers.subject_on(on)
    };
    papers.rule(RuleKey::EvidenceOfPastUse, subject, on)?;
    let clears =
        "Record what shows past use, or conformity, in `conformity_evidence` of the boiler.";
    let answer = match boiler.first_marketed_on {
        _ if !boiler.evidence.is_empty() => {
            met(check, "evidence of past use or of conformity is on record")
        }
        Some(day) => unmet(
            check,
            format!(
                "the boiler was first marketed on {day} and no evidence of past use or of conformity is on record"
            ),
            clears,
        ),
        None => watch(
            check,
            "it is not recorded when the boiler was first marketed",
            "Record that day in `first_marketed_on` of the boiler.",
        ),
    };
    Some(answer.shown(&boiler.evidence))
}

/// Flags that leave a question about the test itself.
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

/// A certificate that is not recorded yet is no reason to go by an older test.
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

fn name(kind: PaperKind) -> &'static str {
    match kind {
        PaperKind::Hydraulic => "hydraulic paper",
        PaperKind::Steam => "steam paper",
        PaperKind::GasTank => "gas tank paper",
        PaperKind::ExternalExamination => "report of an external examination",
        PaperKind::InternalExamination => "report of an internal examination",
        PaperKind::Ultrasonic => "ultrasonic report",
    }
}

fn clears(kind: PaperKind) -> &'static str {
    match kind {
        PaperKind::Hydraulic => "Record a hydraulic test of this boiler.",
        PaperKind::Steam => "Record a steam test of this boiler.",
        PaperKind::GasTank => "Record a test of the gas tank.",
        PaperKind::ExternalExamination => "Record an external examination of this boiler.",
        PaperKind::InternalExamination => "Record an internal examination of this boiler.",
        PaperKind::Ultrasonic => "Record an ultrasonic test of this boiler.",
    }
}

// Answers

impl CheckAnswer {
    fn new(check: Check, outcome: Outcome, reason: &Sentence, clears: Option<&str>) -> CheckAnswer {
        CheckAnswer {
            check,
            outcome,
            reason: whole(reason.as_str()),
            clears: clears.map(whole),
            act: None,
            evidence: Vec::new(),
            holds_until: None,
        }
    }

    fn by(mut self, act: Act) -> CheckAnswer {
        self.act = Some(act);
        self
    }

    fn shown<'l>(mut self, links: impl IntoIterator<Item = &'l Link>) -> CheckAnswer {
        self.evidence.extend(links.into_iter().take(200).cloned());
        self
    }
}

/// As a sentence of its own: with a capital and a stop.
fn whole(text: &str) -> Sentence {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase);
    let stop = if text.ends_with(['.', '!', '?']) {
        ""
    } else {
        "."
    };
    let first: String = first.into_iter().flatten().collect();
    Sentence::new(&format!("{first}{}{stop}", letters.as_str()))
}

fn met(check: Check, reason: impl Into<Sentence>) -> CheckAnswer {
    CheckAnswer::new(check, Outcome::Met, &reason.into(), None)
}

fn watch(check: Check, reason: impl Into<Sentence>, clears: &str) -> CheckAnswer {
    CheckAnswer::new(check, Outcome::Watch, &reason.into(), Some(clears))
}

fn unmet(check: Check, reason: impl Into<Sentence>, clears: &str) -> CheckAnswer {
    CheckAnswer::new(check, Outcome::Unmet, &reason.into(), Some(clears))
}

/// Met when the record says yes.
fn yes(
    check: Check,
    record: Option<&Shown<bool>>,
    if_yes: &str,
    if_not: &str,
    clears: &str,
) -> CheckAnswer {
    let answer = if record.is_some_and(|record| record.is) {
        met(check, if_yes)
    } else {
        unmet(check, if_not, clears)
    };
    answer.shown(record.map(|record| &record.link))
}

/// Met when there is a record.
fn there(
    check: Check,
    record: Option<&Link>,
    if_there: &str,
    if_not: &str,
    clears: &str,
) -> CheckAnswer {
    let answer = if record.is_some() {
        met(check, if_there)
    } else {
        unmet(check, if_not, clears)
    };
    answer.shown(record)
}

/// What happened to an engine while a buyer had it is not known until somebody looks. Common practice, no source.
fn survey_after_return(came_back: &Shown<CameBack>) -> CheckAnswer {
    let check = Check::SurveyAfterReturn;
    let CameBack { on, surveyed_since } = came_back.is;
    let answer = if surveyed_since {
        met(
            check,
            format!("surveyed since the engine came back on {on}"),
        )
    } else {
        unmet(
            check,
            format!("no survey is dated on or after {on}, the day on which the engine came back"),
            "Record a survey dated on that day or later.",
        )
    };
    answer.shown([&came_back.link])
}

fn first_of_month(day: Day) -> Day {
    day.plus_days(1 - i32::from(day.date().day()))
}
