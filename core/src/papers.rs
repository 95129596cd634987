//! The papers' clock: which papers of a boiler hold on a day, until when, what voided the others, what is due next.
//!
//! It says which records hold, never that a boiler may be steamed.

use crate::{
    boiler::{Boiler, BoilerNumber},
    codes::{Band, Jurisdiction, Rule},
    days::{Day, DaySpan, TimeOfDay},
    units::{Pressure, PressureUnit},
};
use serde::{Deserialize, Deserializer, Serialize};

pub use crate::boiler::Touches;

words! {
    pub enum TestKind {
        HydraulicFirst = "hydraulic_first",
        HydraulicRepeat = "hydraulic_repeat",
        Steam = "steam",
        GasTank = "gas_tank",
        ExternalExamination = "external_examination",
        InternalExamination = "internal_examination",
        Ultrasonic = "ultrasonic",
    }
}

words! {
    /// What a test that counted issues.
    pub enum PaperKind {
        Hydraulic = "hydraulic",
        Steam = "steam",
        GasTank = "gas_tank",
        ExternalExamination = "external_examination",
        InternalExamination = "internal_examination",
        Ultrasonic = "ultrasonic",
    }
}

words! {
    pub enum VoidedBy {
        JobOnPressureParts = "job_on_pressure_parts",
        JobOnSafetyValvesAndFittings = "job_on_safety_valves_and_fittings",
        WorkingPressureChanged = "working_pressure_changed",
        FailedTest = "failed_test",
    }
}

words! {
    /// Why a test issues no paper.
    pub enum NotCounted {
        Failed = "failed",
        UnderPressure = "under_pressure",
        UnderTime = "under_time",
        /// More than the greatest pressure that the code allows.
        OverPressure = "over_pressure",
        RoseAboveLimit = "rose_above_limit",
        NoHydraulicPaper = "no_hydraulic_paper",
        OtherBoiler = "other_boiler",
        BoilerNotInEngine = "boiler_not_in_engine",
        OrderNotRecorded = "order_not_recorded",
        OutOfTurn = "out_of_turn",
    }
}

words! {
    /// Why papers do not hold on a day.
    pub enum Reason {
        /// No row of the code asks for a paper: nothing can be said.
        NoCode = "no_code",
        OutsideCode = "outside_code",
        HydraulicMissing = "hydraulic_missing",
        HydraulicRanOut = "hydraulic_ran_out",
        HydraulicVoid = "hydraulic_void",
        SteamMissing = "steam_missing",
        SteamRanOut = "steam_ran_out",
        SteamVoid = "steam_void",
        GasTankMissing = "gas_tank_missing",
        GasTankRanOut = "gas_tank_ran_out",
        GasTankVoid = "gas_tank_void",
        ExternalExaminationMissing = "external_examination_missing",
        ExternalExaminationRanOut = "external_examination_ran_out",
        ExternalExaminationVoid = "external_examination_void",
        InternalExaminationMissing = "internal_examination_missing",
        InternalExaminationRanOut = "internal_examination_ran_out",
        InternalExaminationVoid = "internal_examination_void",
        UltrasonicMissing = "ultrasonic_missing",
        UltrasonicRanOut = "ultrasonic_ran_out",
        UltrasonicVoid = "ultrasonic_void",
    }
}

words! {
    pub enum FlagCode {
        PressureNotRecorded = "pressure_not_recorded",
        HoldMinutesNotRecorded = "hold_minutes_not_recorded",
        HighestPressureNotRecorded = "highest_pressure_not_recorded",
        PassedNotRecorded = "passed_not_recorded",
        BoilerNumberNotRecorded = "boiler_number_not_recorded",
        OrderNotRecorded = "order_not_recorded",
        OtherBoiler = "other_boiler",
        StatedUntilLaterThanRule = "stated_until_later_than_rule",
        StatedUntilBeforeTest = "stated_until_before_test",
        IntervalUnknown = "interval_unknown",
        FirstServiceNotRecorded = "first_service_not_recorded",
        InspectorMayAskMore = "inspector_may_ask_more",
        InspectorHasInterest = "inspector_has_interest",
        ExternalExaminationDue = "external_examination_due",
        HobbyExemptionNotApplied = "hobby_exemption_not_applied",
        HydraulicPressureLimited = "hydraulic_pressure_limited",
    }
}

/// A fact about a boiler, in any order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(tag = "event", rename_all = "snake_case", deny_unknown_fields)]
pub enum Event {
    /// An omitted member means: not recorded.
    Test {
        test: TestKind,
        on: Day,
        at: Option<TimeOfDay>,
        /// Hydraulic and gas tank tests: the pressure held.
        pressure: Option<Pressure>,
        #[cfg_attr(feature = "wire", schema(maximum = 1440))]
        hold_minutes: Option<u16>,
        /// Steam tests: the highest pressure seen at full fire.
        highest_pressure: Option<Pressure>,
        passed: Option<bool>,
        /// The number on the paper.
        boiler_number: Option<BoilerNumber>,
        /// The last day printed on the paper.
        stated_until: Option<Day>,
        /// Whether the inspector has an interest in the sale.
        inspector_interest: Option<bool>,
    },
    JobFinished {
        on: Day,
        at: Option<TimeOfDay>,
        #[serde(deserialize_with = "at_most::<4, _, _>")]
        #[cfg_attr(feature = "wire", schema(max_items = 4))]
        touches: Vec<Touches>,
        /// Nothing but a gauge glass was changed.
        gauge_glass_only: Option<bool>,
    },
    WorkingPressureChanged {
        on: Day,
        at: Option<TimeOfDay>,
        working_pressure: Pressure,
    },
    BoilerExchanged {
        on: Day,
        at: Option<TimeOfDay>,
        #[serde(rename = "in")]
        fitted: BoilerNumber,
        #[serde(rename = "out")]
        removed: BoilerNumber,
    },
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersQuestion))]
#[serde(deny_unknown_fields)]
pub struct Question {
    pub jurisdiction: Jurisdiction,
    pub boiler: Boiler,
    #[serde(deserialize_with = "at_most::<2000, _, _>")]
    #[cfg_attr(feature = "wire", schema(max_items = 2000))]
    pub events: Vec<Event>,
    /// Days to answer for.
    #[serde(default, deserialize_with = "at_most::<1000, _, _>")]
    #[cfg_attr(feature = "wire", schema(max_items = 1000))]
    pub days: Vec<Day>,
    /// Days to search for open days, both included.
    pub period: Option<DaySpan>,
}

/// A list of at most `MAX` items.
fn at_most<'de, const MAX: usize, D, T>(from: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    let items = Vec::deserialize(from)?;
    if items.len() <= MAX {
        Ok(items)
    } else {
        Err(serde::de::Error::custom(format!("more than {MAX} items")))
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersAnswer))]
pub struct Answer {
    /// At the working pressure after the last change, four places.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "49.6423"))]
    pub bar_litres: String,
    pub band: Band,
    pub required: Required,
    #[cfg_attr(feature = "wire", schema(max_items = 2000))]
    pub papers: Vec<Paper>,
    #[cfg_attr(feature = "wire", schema(max_items = 2000))]
    pub tests_not_counted: Vec<TestNotCounted>,
    #[cfg_attr(feature = "wire", schema(max_items = 1000))]
    pub days: Vec<DayAnswer>,
    /// Days of the period on which the papers hold.
    #[cfg_attr(feature = "wire", schema(max_items = 10000))]
    pub open_days: Vec<DaySpan>,
    #[cfg_attr(feature = "wire", schema(max_items = 10))]
    pub next_due: Vec<Due>,
    #[cfg_attr(feature = "wire", schema(max_items = 20000))]
    pub flags: Vec<Flag>,
    #[cfg_attr(feature = "wire", schema(max_items = 100))]
    pub cautions: Vec<Sentence>,
}

/// Test pressures at the working pressure after the last change; null where the code names none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = RequiredPressures))]
pub struct Required {
    /// Least pressure of the first hydraulic test.
    pub hydraulic_first: Option<RequiredPressure>,
    /// Least pressure of a repeat hydraulic test.
    pub hydraulic_repeat: Option<RequiredPressure>,
    /// Greatest pressure in steam.
    pub steam_limit: Option<RequiredPressure>,
}

/// Four places at most, in the unit of the working pressure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct RequiredPressure {
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "135"))]
    pub value: String,
    pub unit: PressureUnit,
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "9.3079"))]
    pub bar: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = BoilerPaper))]
pub struct Paper {
    pub paper: PaperKind,
    pub test_on: Day,
    pub from: Day,
    /// Last good day, as issued; null where the code sets no end.
    pub until: Option<Day>,
    pub unlimited: bool,
    /// First day on which it no longer holds.
    pub voided_on: Option<Day>,
    pub voided_by: Option<VoidedBy>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TestNotCounted {
    pub test_on: Day,
    pub why: NotCounted,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersOnDay))]
pub struct DayAnswer {
    pub on: Day,
    /// Every paper that the code asks for holds.
    pub papers_hold: bool,
    #[cfg_attr(feature = "wire", schema(max_items = 10))]
    pub reasons: Vec<Reason>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = TestDue))]
pub struct Due {
    pub test: TestKind,
    /// Last day on which it keeps the papers unbroken; the day counted from when they are broken already.
    pub by: Day,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersFlag))]
pub struct Flag {
    pub code: FlagCode,
    pub detail: Sentence,
}

/// One sentence for the person at the screen, at most 400 characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(max_length = 400))]
pub struct Sentence(String);

impl Sentence {
    /// Cut after 400 characters.
    pub fn new(text: &str) -> Sentence {
        Sentence(text.chars().take(400).collect())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// A rule of the request as a whole that is not kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// JSON pointer (RFC 6901) into the question.
    pub pointer: String,
    pub detail: String,
}

/// Everything about the question that its types do not refuse, all at once; empty when it can be answered.
pub fn faults(question: &Question) -> Vec<Fault> {
    let _ = question;
    todo!()
}

/// Total: every question has an answer. `rules`: all rows of the jurisdiction, in any order; rows of others are ignored.
pub fn answer(question: &Question, rules: &[Rule]) -> Answer {
    let _ = (question, rules);
    todo!()
}
