//! What is recorded about a boiler: its events, and the names of tests, certificates, reasons and flags.

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
    /// A test or examination of a boiler or of its gas tank.
    pub enum TestKind {
        /// To the standard of a new boiler: at the higher pressure.
        HydraulicFirst = "hydraulic_first",
        /// At the lower pressure of a later hydraulic test.
        HydraulicRepeat = "hydraulic_repeat",
        /// In steam, at full fire: shows that the safety valves hold the pressure down.
        Steam = "steam",
        GasTank = "gas_tank",
        ExternalExamination = "external_examination",
        InternalExamination = "internal_examination",
        Ultrasonic = "ultrasonic",
    }
}

words! {
    /// The certificate that a test issues if it counts.
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
    /// The certificate that a test issues if it counts.
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

    /// As texts for people name it.
    pub const fn in_words(self) -> &'static str {
        match self {
            TestKind::HydraulicFirst => "initial hydraulic test",
            TestKind::HydraulicRepeat => "repeat hydraulic test",
            TestKind::Steam => "steam test",
            TestKind::GasTank => "gas tank test",
            TestKind::ExternalExamination => "external examination",
            TestKind::InternalExamination => "internal examination",
            TestKind::Ultrasonic => "ultrasonic test",
        }
    }
}

impl PaperKind {
    /// As texts for people name it.
    pub const fn in_words(self) -> &'static str {
        match self {
            PaperKind::Hydraulic => "hydraulic test certificate",
            PaperKind::Steam => "steam test certificate",
            PaperKind::GasTank => "gas tank test certificate",
            PaperKind::ExternalExamination => "external examination certificate",
            PaperKind::InternalExamination => "internal examination certificate",
            PaperKind::Ultrasonic => "ultrasonic test certificate",
        }
    }
}

words! {
    /// What made a certificate void.
    pub enum VoidedBy {
        JobOnPressureParts = "job_on_pressure_parts",
        JobOnSafetyValvesAndFittings = "job_on_safety_valves_and_fittings",
        JobOnGasTank = "job_on_gas_tank",
        WorkingPressureChanged = "working_pressure_changed",
        FailedTest = "failed_test",
    }
}

words! {
    /// Why a test issues no certificate.
    pub enum NotCounted {
        Failed = "failed",
        /// Below the lowest pressure that the code requires.
        UnderPressure = "under_pressure",
        /// The pressure was held for less time than the code requires.
        UnderTime = "under_time",
        /// Above the highest pressure that the code allows.
        OverPressure = "over_pressure",
        /// The pressure rose above the code's limit at full fire.
        RoseAboveLimit = "rose_above_limit",
        /// A steam test that did not reach the working pressure.
        UnderWorkingPressure = "under_working_pressure",
        /// No hydraulic certificate was valid on the day of the steam test.
        NoHydraulicPaper = "no_hydraulic_paper",
        /// The test names another boiler.
        OtherBoiler = "other_boiler",
        /// The test names no boiler, and another one was in the engine that day.
        BoilerNotInEngine = "boiler_not_in_engine",
        /// It is not recorded whether the test came before or after another event of that day.
        OrderNotRecorded = "order_not_recorded",
        /// Hydraulic and ultrasonic tests alternate, and the other one was due.
        OutOfTurn = "out_of_turn",
        /// Made under the code of another jurisdiction, which no rule accepts.
        OtherCode = "other_code",
    }
}

words! {
    /// Why a boiler's certificates are not valid on a day: one is missing, expired (`_ran_out`) or void.
    pub enum Reason {
        /// No rule of the code requires a certificate, so nothing can be said.
        NoCode = "no_code",
        /// The boiler is larger than the code covers.
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
    /// Something about a boiler's certificates for a person to check.
    pub enum FlagCode {
        PressureNotRecorded = "pressure_not_recorded",
        HoldMinutesNotRecorded = "hold_minutes_not_recorded",
        HighestPressureNotRecorded = "highest_pressure_not_recorded",
        PassedNotRecorded = "passed_not_recorded",
        BoilerNumberNotRecorded = "boiler_number_not_recorded",
        InspectorNotRecorded = "inspector_not_recorded",
        /// No certificate (issuer and number) is recorded for the test.
        CertificateNotRecorded = "certificate_not_recorded",
        /// It is not recorded whether the test came before or after another event of that day.
        OrderNotRecorded = "order_not_recorded",
        /// The test names another boiler.
        OtherBoiler = "other_boiler",
        /// The certificate prints a later last day than the code allows.
        StatedUntilLaterThanRule = "stated_until_later_than_rule",
        /// The certificate prints a last day before the test.
        StatedUntilBeforeTest = "stated_until_before_test",
        /// The code gives no interval for the test.
        IntervalUnknown = "interval_unknown",
        /// The interval depends on the day of first service, which is not recorded.
        FirstServiceNotRecorded = "first_service_not_recorded",
        /// The test follows a repair or change: the inspector may require a higher pressure.
        InspectorMayAskMore = "inspector_may_ask_more",
        /// The inspector has an interest in the sale.
        InspectorHasInterest = "inspector_has_interest",
        /// The code advises an external examination, which is due.
        ExternalExaminationDue = "external_examination_due",
        /// The hobby exemption excludes commercial use and is not applied.
        HobbyExemptionNotApplied = "hobby_exemption_not_applied",
        /// The code limits the pressure of a hydraulic test.
        HydraulicPressureLimited = "hydraulic_pressure_limited",
        /// Tested at more than twice the working pressure.
        PressureAboveTwice = "pressure_above_twice",
        /// The steam test did not reach the working pressure.
        UnderWorkingPressure = "under_working_pressure",
        /// Made under the code of another jurisdiction, which no rule accepts.
        OtherCode = "other_code",
        /// The code requires a report of the test to the authority.
        ReportDue = "report_due",
    }
}

/// What the record of a test lacks, apart from the members that the calculation uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Lacks {
    /// The inspector's name.
    pub inspector: bool,
    /// The certificate (issuer and number).
    pub certificate: bool,
    /// The test is a supposition of a what-if: it has no record and is taken to be complete.
    pub supposed: bool,
}

/// Something that happened to a boiler. Events may come in any order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(tag = "event", rename_all = "snake_case", deny_unknown_fields)]
pub enum Event {
    /// A test or examination. An omitted member means: not recorded.
    Test {
        test: TestKind,
        /// Jurisdiction of the code under which it was made. Omitted: the one in the question.
        jurisdiction: Option<Jurisdiction>,
        on: Day,
        at: Option<TimeOfDay>,
        /// Hydraulic and gas tank tests: the test pressure.
        pressure: Option<Pressure>,
        /// How long the pressure was held.
        #[cfg_attr(feature = "wire", schema(maximum = 1440))]
        hold_minutes: Option<u16>,
        /// Steam tests: the highest pressure seen at full fire.
        highest_pressure: Option<Pressure>,
        /// Whether the inspector passed it.
        passed: Option<bool>,
        /// Boiler number that the test or its certificate gives.
        boiler_number: Option<BoilerNumber>,
        /// Last day printed on the certificate.
        stated_until: Option<Day>,
        /// Whether the inspector has an interest in the sale.
        inspector_interest: Option<bool>,
        #[serde(skip)]
        lacks: Lacks,
    },
    /// A job was finished.
    JobFinished {
        on: Day,
        at: Option<TimeOfDay>,
        #[serde(deserialize_with = "at_most::<5, _, _>")]
        #[cfg_attr(feature = "wire", schema(max_items = 5))]
        touches: Vec<Touches>,
        /// Only a gauge glass was changed.
        gauge_glass_only: Option<bool>,
    },
    /// The working pressure was changed.
    WorkingPressureChanged {
        on: Day,
        at: Option<TimeOfDay>,
        /// The pressure from then on.
        working_pressure: Pressure,
    },
    /// One boiler was put in the engine (`in`) in place of another (`out`).
    BoilerExchanged {
        on: Day,
        at: Option<TimeOfDay>,
        /// Number of the boiler put in.
        #[serde(rename = "in")]
        fitted: BoilerNumber,
        /// Number of the boiler taken out.
        #[serde(rename = "out")]
        removed: BoilerNumber,
    },
}

impl Event {
    /// What the record of a test must show but does not: its result, the inspector, the number read on the boiler, and
    /// the pressure of a hydraulic test. A certificate from such a record opens no gate. Empty for other events, and
    /// for a failed test, which counts against the boiler whatever else is recorded.
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

/// Refuses a list of more than `MAX` items.
pub(super) fn at_most<'de, const MAX: usize, D, T>(from: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    let items = Vec::deserialize(from)?;
    if items.len() <= MAX {
        Ok(items)
    } else {
        Err(serde::de::Error::custom(format!(
            "must be at most {MAX} items"
        )))
    }
}
