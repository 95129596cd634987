//! What is recorded of a boiler, and the words in which its papers are spoken of.

use crate::{
    boilers::{
        boiler::{BoilerNumber, Touches},
        codes::Jurisdiction,
    },
    days::{Day, TimeOfDay},
    units::Pressure,
};
use serde::{Deserialize, Deserializer, Serialize};

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

impl TestKind {
    /// The paper that a test issues when it counts.
    pub const fn issues(self) -> PaperKind {
        match self {
            TestKind::HydraulicFirst | TestKind::HydraulicRepeat => PaperKind::Hydraulic,
            TestKind::Steam => PaperKind::Steam,
            TestKind::GasTank => PaperKind::GasTank,
            TestKind::ExternalExamination => PaperKind::ExternalExamination,
            TestKind::InternalExamination => PaperKind::InternalExamination,
            TestKind::Ultrasonic => PaperKind::Ultrasonic,
        }
    }
}

words! {
    pub enum VoidedBy {
        JobOnPressureParts = "job_on_pressure_parts",
        JobOnSafetyValvesAndFittings = "job_on_safety_valves_and_fittings",
        JobOnGasTank = "job_on_gas_tank",
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
        /// A steam test that did not reach the working pressure.
        UnderWorkingPressure = "under_working_pressure",
        NoHydraulicPaper = "no_hydraulic_paper",
        OtherBoiler = "other_boiler",
        BoilerNotInEngine = "boiler_not_in_engine",
        OrderNotRecorded = "order_not_recorded",
        OutOfTurn = "out_of_turn",
        /// Made under the code of another place, which no row accepts.
        OtherCode = "other_code",
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
        InspectorNotRecorded = "inspector_not_recorded",
        /// No certificate of the test is recorded, with its issuer and number.
        CertificateNotRecorded = "certificate_not_recorded",
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
        /// More than twice the working pressure.
        PressureAboveTwice = "pressure_above_twice",
        UnderWorkingPressure = "under_working_pressure",
        OtherCode = "other_code",
        ReportDue = "report_due",
    }
}

/// What the record of a test does not show, of what the calculation does not ask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Lacks {
    /// Who made it.
    pub inspector: bool,
    /// The certificate, with its issuer and number.
    pub certificate: bool,
    /// Nothing of it can be recorded, as it has not been made: it is supposed to be in order.
    pub supposed: bool,
}

/// A fact about a boiler, in any order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(tag = "event", rename_all = "snake_case", deny_unknown_fields)]
pub enum Event {
    /// An omitted member means: not recorded.
    Test {
        test: TestKind,
        /// The place under whose boiler code it was made. Left out: the one asked about.
        jurisdiction: Option<Jurisdiction>,
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
        #[serde(skip)]
        lacks: Lacks,
    },
    JobFinished {
        on: Day,
        at: Option<TimeOfDay>,
        #[serde(deserialize_with = "at_most::<5, _, _>")]
        #[cfg_attr(feature = "wire", schema(max_items = 5))]
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

impl Event {
    /// What the record of a passed test has to show and does not: its result, who made it, the number read on the boiler, and in a
    /// hydraulic test the pressure. A certificate that rests on such a record opens no gate. Empty for all that is no test, and for
    /// a failed one, which counts against the boiler whatever else is recorded.
    ///
    /// Source: Massachusetts General Laws, c. 146 s. 27 (what a certificate names), and common practice.
    pub fn not_recorded(&self) -> Vec<FlagCode> {
        let Event::Test {
            test,
            pressure,
            passed,
            boiler_number,
            lacks,
            ..
        } = self
        else {
            return Vec::new();
        };
        if *passed == Some(false) || lacks.supposed {
            return Vec::new();
        }
        let hydraulic = matches!(test, TestKind::HydraulicFirst | TestKind::HydraulicRepeat);
        let members = [
            (passed.is_none(), FlagCode::PassedNotRecorded),
            (lacks.inspector, FlagCode::InspectorNotRecorded),
            (boiler_number.is_none(), FlagCode::BoilerNumberNotRecorded),
            (
                hydraulic && pressure.is_none(),
                FlagCode::PressureNotRecorded,
            ),
        ];
        let missing = members.into_iter().filter(|(missing, _)| *missing);
        missing.map(|(_, flag)| flag).collect()
    }
}

/// A list of at most `MAX` items.
pub(super) fn at_most<'de, const MAX: usize, D, T>(from: D) -> Result<Vec<T>, D::Error>
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
