//! The gates: may an engine be listed, may it leave, on a day; every reason, and what clears it.

use crate::{
    boiler::Boiler,
    codes::{Jurisdiction, Rule},
    days::{Day, DaySpan},
    papers::{Event, Sentence},
};
use serde::Serialize;

words! {
    pub enum Gate { List = "list", Deliver = "deliver" }
}

words! {
    /// How an engine is offered.
    pub enum Offer {
        Steamable = "steamable",
        WithoutPapers = "without_papers",
        ForRestoration = "for_restoration",
    }
}

words! {
    pub enum Severity {
        StopsSteaming = "stops_steaming",
        StopsSale = "stops_sale",
        Note = "note",
    }
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
    pub offer: Offer,
    /// None: the engine has no boiler, and no check of one applies.
    pub boiler: Option<BoilerFacts>,
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
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoilerFacts {
    pub jurisdiction: Jurisdiction,
    pub boiler: Boiler,
    pub rules: Vec<Rule>,
    pub events: Vec<Event>,
    /// Where its papers are read.
    pub papers: Link,
    pub has_gas_tank: Option<bool>,
    /// Day on which it was first put on the market, when known.
    pub first_marketed_on: Option<Day>,
    /// Evidence of past use or of conformity.
    pub evidence: Vec<Link>,
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
    #[cfg_attr(feature = "wire", schema(max_items = 200))]
    pub evidence: Vec<Link>,
    /// Last day on which the outcome stays so by the passing of time alone; null where it stays until somebody acts.
    pub holds_until: Option<Day>,
}

/// Total: every set of facts has an answer on every day.
pub fn gate(facts: &Facts, bars: &Bars, gate: Gate, on: Day) -> Readiness {
    let _ = (facts, bars, gate, on);
    todo!()
}
