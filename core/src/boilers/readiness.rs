//! The gates: whether an engine may be listed or delivered on a day, with every reason and its remedy.

mod boiler;
mod engine;

use crate::{
    boilers::{
        boiler::Boiler,
        codes::{Jurisdiction, Rule},
        events::Event,
        papers::{
            self, Sentence,
            history::{Counted, History, Issued},
        },
    },
    days::{Day, DaySpan},
    engines::{engine::OfferedAs, surveys::Severity},
};
use serde::Serialize;
use std::sync::Arc;

words! {
    /// What the engine is to be released for: the public listing, or delivery to the buyer.
    pub enum Gate { List = "list", Deliver = "deliver" }
}

words! {
    /// `unmet` shuts the gate; `warning` shuts it only for checks in `blocking_warnings` of the gate settings.
    pub enum Outcome { Met = "met", Warning = "warning", Unmet = "unmet" }
}

words! {
    /// What is recorded about asbestos in an engine.
    pub enum Asbestos {
        NotSuspected = "not_suspected",
        Suspected = "suspected",
        /// A laboratory sample found none.
        Cleared = "cleared",
    }
}

words! {
    /// One condition of a gate.
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
        JobsStarted = "jobs_started",
        Grades = "grades",
        Asbestos = "asbestos",
        Photographs = "photographs",
        Description = "description",
        AskingPrice = "asking_price",
        Sale = "sale",
        MoneySettled = "money_settled",
        BuyerAbroad = "buyer_abroad",
        Drained = "drained",
        LiftingWeight = "lifting_weight",
        SparesPacked = "spares_packed",
        PapersPacked = "papers_packed",
        Preparation = "preparation",
        /// An engine that came back from a buyer has been surveyed since.
        SurveyAfterReturn = "survey_after_return",
    }
}

/// Path of a record that shows a fact, at most 200 characters.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(
    feature = "wire",
    schema(max_length = 200, example = "/v1/boilers/88/papers")
)]
pub struct Link(String);

impl Link {
    /// Cuts the text after 200 characters.
    pub fn new(text: &str) -> Link {
        Link(text.chars().take(200).collect())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

words! {
    /// HTTP method of the request that settles a check.
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

/// A recorded fact, with the record that shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown<T> {
    pub is: T,
    pub link: Link,
}

/// Everything that the gates look at. `None` means that nothing is on record: such a check is never met.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// Path of the engine.
    pub engine: Link,
    /// Path of the boiler in the engine. `None`: no boiler is recorded in it.
    pub boiler_in_it: Option<Link>,
    /// Path to add rules to the boiler code of the firm's jurisdiction. `None`: it has no code.
    pub code_rules: Option<Link>,
    /// A photograph without a description.
    pub not_described: Option<Link>,
    pub offer: OfferedAs,
    /// `None`: the engine has no boiler, so no check of one applies; or `boiler_not_known` says what is missing.
    pub boiler: Option<BoilerFacts>,
    /// What is not recorded about the boiler, so that no code can be applied. `None`: nothing is missing, or the engine
    /// has no boiler.
    pub boiler_not_known: Option<Sentence>,
    /// `None`: never surveyed.
    pub open_findings: Option<Vec<Shown<Severity>>>,
    pub jobs_started: Vec<Link>,
    /// Day of the latest condition grades.
    pub graded_on: Option<Shown<Day>>,
    /// Day on which the last heavy job was finished. `None`: there was none.
    pub heavy_job_on: Option<Shown<Day>>,
    pub asbestos: Option<Shown<Asbestos>>,
    /// Whether the listing says that certificates are missing; only checked for an offer that is not `steamable`.
    pub listing_says_so: Option<Shown<bool>>,
    /// Whether the buyer has acknowledged that in writing.
    pub buyer_acknowledged: Option<Shown<bool>>,
    pub photographs: Option<Shown<Photographs>>,
    /// Whether the listing has a description.
    pub description: Option<Shown<bool>>,
    pub asking_price: Option<Link>,
    pub sale: Option<Link>,
    pub money_settled: Option<Shown<bool>>,
    /// `None`: not known, or no buyer yet.
    pub buyer_abroad: Option<Shown<bool>>,
    pub drained: Option<Shown<bool>>,
    pub lifting_weight: Option<Link>,
    pub spares_packed: Option<Shown<bool>>,
    pub papers_packed: Option<Shown<bool>>,
    /// Other items of the firm's despatch checklist that are not ticked yet. `None`: the checklist has no others.
    pub not_prepared: Option<Shown<Vec<String>>>,
    /// `None`: it never came back from a buyer.
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
    /// Path of its certificates.
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

    /// Certificates of tests with a complete record: only these open a gate.
    fn papers(&self) -> History<'_> {
        self.history(Counted::Complete)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Photographs {
    pub count: u32,
    pub with_alt: u32,
}

/// The firm's own settings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// Checks whose `warning` also shuts the gate. An `unmet` always does.
    pub blocking_warnings: Vec<Check>,
    /// A certificate that expires within this many days gives a `warning`.
    pub warning_days: u16,
    /// Months (1 to 12) in which an engine must be drained for transport.
    pub frost_months: Vec<i8>,
}

/// Whether the engine must be drained before it leaves: it has a boiler and it is a month of frost. Common practice, no
/// source.
pub fn travels_drained(settings: &Settings, has_boiler: bool, on: Day) -> bool {
    has_boiler && settings.frost_months.contains(&on.date().month())
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Readiness {
    pub on: Day,
    pub gate: Gate,
    /// Whether every check of the gate is met.
    pub open: bool,
    /// What the gate requires, met or not.
    #[cfg_attr(feature = "wire", schema(max_items = 40))]
    pub checks: Vec<CheckAnswer>,
    /// Days in the 24 months from `on` on which the gate would be open.
    #[cfg_attr(feature = "wire", schema(max_items = 10000))]
    pub open_days: Vec<DaySpan>,
    /// Days in the same 24 months on which the checks of the boiler would allow it, whatever else is missing.
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
    /// What to do; null when met.
    pub remedy: Option<Sentence>,
    /// The request that records it; null when met.
    pub act: Option<Act>,
    #[cfg_attr(feature = "wire", schema(max_items = 200))]
    pub evidence: Vec<Link>,
    /// Last day of the certificate that the check depends on; null where time alone changes nothing.
    pub valid_until: Option<Day>,
}

/// A gate on one day only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnDay {
    pub open: bool,
    pub checks: Vec<CheckAnswer>,
}

/// Like [`gate`], without the search for open days.
pub fn on_day(facts: &Facts, settings: &Settings, gate: Gate, on: Day) -> OnDay {
    let papers = facts.boiler.as_ref().map(BoilerFacts::papers);
    let look = Look {
        facts,
        settings,
        gate,
        papers: papers.as_ref(),
    };
    let checks = look.checks(on);
    OnDay {
        open: look.open(&checks),
        checks,
    }
}

/// Answers for every set of facts on every day.
pub fn gate(facts: &Facts, settings: &Settings, gate: Gate, on: Day) -> Readiness {
    let papers = facts.boiler.as_ref().map(BoilerFacts::papers);
    let look = Look {
        facts,
        settings,
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

/// What the checks look at.
struct Look<'f> {
    facts: &'f Facts,
    settings: &'f Settings,
    gate: Gate,
    papers: Option<&'f History<'f>>,
}

impl Look<'_> {
    fn open(&self, checks: &[CheckAnswer]) -> bool {
        checks.iter().all(|answer| match answer.outcome {
            Outcome::Met => true,
            Outcome::Warning => !self.settings.blocking_warnings.contains(&answer.check),
            Outcome::Unmet => false,
        })
    }

    /// The days on which an outcome may change without a new record, sorted.
    fn change_days(&self, period: DaySpan) -> Vec<Day> {
        let papers = self.papers.map_or(Vec::new(), History::change_days);
        let ends = self
            .papers
            .into_iter()
            .flat_map(|papers| &papers.papers)
            .filter_map(Issued::end)
            .flat_map(|end| [end, end.plus_days(-i32::from(self.settings.warning_days))]);
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
            Check::JobsStarted => {
                let job = facts.jobs_started.first();
                let path = job.map_or_else(
                    || of_engine("/jobs"),
                    |job| format!("{}/transitions", job.as_str()),
                );
                Act::post(&path)
            }
            Check::Photographs => match &facts.not_described {
                Some(photograph) => Act::patch(photograph.as_str()),
                None => Act::post(&of_engine("/photographs")),
            },
            Check::Description => Act::post(&of_engine("/listing")),
            Check::AskingPrice => Act::post(&of_engine("/asking-prices")),
            Check::Sale => no_sale(),
            Check::MoneySettled => {
                of_sale("/payments").map_or_else(no_sale, |path| Act::post(&path))
            }
            Check::BuyerAbroad => of_sale("").map_or_else(no_sale, |path| Act::patch(&path)),
            Check::LiftingWeight => Act::patch(facts.engine.as_str()),
            Check::Drained | Check::SparesPacked | Check::PapersPacked | Check::Preparation => {
                Act::post(&of_engine("/checklist-ticks"))
            }
        }
    }
}

// Answers

impl CheckAnswer {
    fn new(check: Check, outcome: Outcome, reason: &Sentence, remedy: Option<&str>) -> CheckAnswer {
        CheckAnswer {
            check,
            outcome,
            reason: whole(reason.as_str()),
            remedy: remedy.map(whole),
            act: None,
            evidence: Vec::new(),
            valid_until: None,
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

/// Adds a capital and a full stop.
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

fn watch(check: Check, reason: impl Into<Sentence>, remedy: &str) -> CheckAnswer {
    CheckAnswer::new(check, Outcome::Warning, &reason.into(), Some(remedy))
}

fn unmet(check: Check, reason: impl Into<Sentence>, remedy: &str) -> CheckAnswer {
    CheckAnswer::new(check, Outcome::Unmet, &reason.into(), Some(remedy))
}

/// Met if the record says yes.
fn yes(
    check: Check,
    record: Option<&Shown<bool>>,
    if_yes: &str,
    if_not: &str,
    remedy: &str,
) -> CheckAnswer {
    let answer = if record.is_some_and(|record| record.is) {
        met(check, if_yes)
    } else {
        unmet(check, if_not, remedy)
    };
    answer.shown(record.map(|record| &record.link))
}

/// Met if there is a record.
fn there(
    check: Check,
    record: Option<&Link>,
    if_there: &str,
    if_not: &str,
    remedy: &str,
) -> CheckAnswer {
    let answer = if record.is_some() {
        met(check, if_there)
    } else {
        unmet(check, if_not, remedy)
    };
    answer.shown(record)
}

fn first_of_month(day: Day) -> Day {
    day.plus_days(1 - i32::from(day.date().day()))
}
