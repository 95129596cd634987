//! A boiler's certificates by the code: which are valid on a day and until when, what voided the others, what is due
//! next.
//!
//! It says what the records show, never that a boiler may be steamed.

pub use crate::boilers::boiler::Touches;
use crate::{
    boilers::{
        boiler::{self, Boiler},
        codes::{Band, Effect, Jurisdiction, Rule, RuleKey, Subject},
        events::{Event, FlagCode, NotCounted, PaperKind, Reason, TestKind, VoidedBy, at_most},
        paper_words::CAUTION,
    },
    days::{Day, DaySpan},
    units::{Pressure, PressureUnit, four_places},
};
use flags::flags;
use history::{Asked, Counted, History, Issued, last_event};
use rust_decimal::{Decimal, RoundingStrategy, prelude::ToPrimitive};
use serde::{Deserialize, Serialize};

pub(crate) mod flags;
pub(crate) mod history;

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
    /// Days to report on.
    #[serde(default, deserialize_with = "at_most::<1000, _, _>")]
    #[cfg_attr(feature = "wire", schema(max_items = 1000))]
    pub days: Vec<Day>,
    /// Period to search for open days, both ends included; null: none are searched for.
    pub period: Option<DaySpan>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersAnswer))]
pub struct Answer {
    /// Working pressure after the last change x volume, four places.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "49.6423"))]
    pub bar_litres: String,
    /// The size that decides which tests are due.
    pub band: Band,
    pub required: Required,
    /// The papers that the tests made.
    #[cfg_attr(feature = "wire", schema(max_items = 2000))]
    pub papers: Vec<Paper>,
    /// Tests that made no paper, with the reason.
    #[cfg_attr(feature = "wire", schema(max_items = 2000))]
    pub tests_not_counted: Vec<TestNotCounted>,
    /// What is valid on each day asked for.
    #[cfg_attr(feature = "wire", schema(max_items = 1000))]
    pub days: Vec<DayAnswer>,
    /// Days of the period on which every certificate that the code requires is valid.
    #[cfg_attr(feature = "wire", schema(max_items = 10000))]
    pub open_days: Vec<DaySpan>,
    #[cfg_attr(feature = "wire", schema(max_items = 10))]
    pub next_due: Vec<Due>,
    /// What is odd about the records.
    #[cfg_attr(feature = "wire", schema(max_items = 20000))]
    pub flags: Vec<Flag>,
    #[cfg_attr(feature = "wire", schema(max_items = 100))]
    pub cautions: Vec<Sentence>,
}

/// Test pressures at the working pressure after the last change; null where the code sets none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = RequiredPressures))]
pub struct Required {
    /// Lowest pressure of the initial hydraulic test.
    pub hydraulic_first: Option<RequiredPressure>,
    /// Lowest pressure of a repeat hydraulic test.
    pub hydraulic_repeat: Option<RequiredPressure>,
    /// Highest pressure allowed in a steam test.
    pub steam_limit: Option<RequiredPressure>,
}

/// A pressure in the unit of the working pressure and in bar, each to at most four places.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct RequiredPressure {
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "135"))]
    pub value: String,
    pub unit: PressureUnit,
    /// The same in bar.
    #[cfg_attr(feature = "wire", schema(max_length = 40, example = "9.3079"))]
    pub bar: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = BoilerPaper))]
pub struct Paper {
    /// What kind of paper it is.
    pub paper: PaperKind,
    pub test_on: Day,
    pub from: Day,
    /// Last valid day, as issued; null where the code sets no end.
    pub until: Option<Day>,
    /// The code sets no end.
    pub unlimited: bool,
    /// First day on which it is void; null: not void.
    pub voided_on: Option<Day>,
    /// Null: not void.
    pub voided_by: Option<VoidedBy>,
    /// The record of the test lacks something that a certificate needs (see `flags`): it opens no gate and is not
    /// published.
    pub incomplete: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TestNotCounted {
    pub test_on: Day,
    pub reason: NotCounted,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersOnDay))]
pub struct DayAnswer {
    pub on: Day,
    /// Every certificate that the code requires is valid on this day.
    pub papers_valid: bool,
    /// Why not; empty when valid.
    #[cfg_attr(feature = "wire", schema(max_items = 10))]
    pub reasons: Vec<Reason>,
}

/// A test that is due. It counts if it is made as described here, on or after `from`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = TestDue))]
pub struct Due {
    pub test: TestKind,
    /// First day on which it counts: the day in question, or the day after what made the certificates void.
    pub from: Day,
    /// Last day on which it leaves no gap between certificates; the day in question if there is a gap already.
    pub by: Day,
    /// Lowest pressure of a hydraulic or gas tank test, rounded up to four places; for a steam test the working
    /// pressure, which it must reach. Null where the code sets none.
    pub pressure: Option<RequiredPressure>,
}

words! {
    /// Why a recorded test opens no gate. The first twelve are those of `NotCounted`.
    pub enum NotValid {
        Failed = "failed",
        UnderPressure = "under_pressure",
        UnderTime = "under_time",
        OverPressure = "over_pressure",
        RoseAboveLimit = "rose_above_limit",
        UnderWorkingPressure = "under_working_pressure",
        NoHydraulicPaper = "no_hydraulic_paper",
        OtherBoiler = "other_boiler",
        BoilerNotInEngine = "boiler_not_in_engine",
        OrderNotRecorded = "order_not_recorded",
        OutOfTurn = "out_of_turn",
        OtherCode = "other_code",
        /// Later work or a failed test made its certificate void.
        Void = "void",
        /// The last day printed on the certificate is before the test.
        StatedUntilBeforeTest = "stated_until_before_test",
        PassedNotRecorded = "passed_not_recorded",
        InspectorNotRecorded = "inspector_not_recorded",
        BoilerNumberNotRecorded = "boiler_number_not_recorded",
        PressureNotRecorded = "pressure_not_recorded",
    }
}

/// Whether a test counts, given everything on record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    pub counts: bool,
    /// Last day of its certificate. `None`: it does not count, or has no expiry.
    pub valid_until: Option<Day>,
    pub reasons: Vec<NotValid>,
    /// One per reason: what is wrong and what to do.
    pub explanations: Vec<Sentence>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = PapersFlag))]
pub struct Flag {
    pub code: FlagCode,
    pub detail: Sentence,
}

/// Text for people, at most 400 characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(max_length = 400))]
pub struct Sentence(String);

impl Sentence {
    /// Cuts the text after 400 characters.
    pub fn new(text: &str) -> Sentence {
        Sentence(text.chars().take(400).collect())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl From<&str> for Sentence {
    fn from(text: &str) -> Sentence {
        Sentence::new(text)
    }
}

impl From<String> for Sentence {
    fn from(text: String) -> Sentence {
        Sentence::new(&text)
    }
}

/// A rule that the question breaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// JSON pointer (RFC 6901) into the question.
    pub pointer: String,
    pub detail: String,
}

/// Every fault of the question that its types do not rule out; empty when it can be answered.
pub fn faults(question: &Question) -> Vec<Fault> {
    let period = question
        .period
        .filter(|period| period.until < period.from)
        .map(|_| Fault {
            pointer: "/period/until".to_owned(),
            detail: "must not be before `from`".to_owned(),
        });
    let events = question.events.iter().enumerate().filter_map(event_fault);
    period.into_iter().chain(events).collect()
}

fn event_fault((index, event): (usize, &Event)) -> Option<Fault> {
    let (member, detail) = match event {
        Event::BoilerExchanged {
            fitted, removed, ..
        } if fitted == removed => ("out", "must be another boiler than `in`"),
        Event::Test {
            hold_minutes: Some(1441..),
            ..
        } => ("hold_minutes", "must be at most 1440"),
        Event::JobFinished { touches, .. } if touches.is_empty() => (
            "touches",
            "must not be empty; use `other` if no listed area applies",
        ),
        Event::Test { .. }
        | Event::JobFinished { .. }
        | Event::WorkingPressureChanged { .. }
        | Event::BoilerExchanged { .. } => return None,
    };
    Some(Fault {
        pointer: format!("/events/{index}/{member}"),
        detail: detail.to_owned(),
    })
}

/// Answers every question. `rules` may come in any order; those of other jurisdictions are ignored.
pub fn answer(question: &Question, rules: &[Rule]) -> Answer {
    answer_counting(question, rules, Counted::All)
}

/// Like [`answer`], counting only tests with a complete record: for gates, published texts and calculations.
pub fn answer_by_complete_tests(question: &Question, rules: &[Rule]) -> Answer {
    answer_counting(question, rules, Counted::Complete)
}

/// Whether the test at `index` of the events counts. `None`: there is no test at that index.
pub fn judge(question: &Question, rules: &[Rule], index: usize) -> Option<Judged> {
    let Question {
        jurisdiction,
        boiler,
        events,
        ..
    } = question;
    let all = History::read(jurisdiction, boiler, rules, events, Counted::All);
    let complete = History::read(jurisdiction, boiler, rules, events, Counted::Complete);
    let missing = events.get(index)?.not_recorded();
    // Judge a complete test only against other complete tests.
    let judged = if missing.is_empty() { &complete } else { &all };
    let mut reasons = Vec::new();
    let mut valid_until = None;
    if let Some(paper) = judged.papers.iter().find(|paper| paper.test.event == index) {
        valid_until = paper.until;
        if let Some((on, by)) = paper.voided {
            let by = by.as_str().replace('_', " ");
            let detail = format!(
                "Its certificate is void from {} ({by}); test again.",
                on.in_words()
            );
            reasons.push((NotValid::Void, detail));
        }
        if paper.flags.contains(&FlagCode::StatedUntilBeforeTest) {
            let detail = "The last day printed on the certificate is before the test; check the certificate.";
            reasons.push((NotValid::StatedUntilBeforeTest, detail.to_owned()));
        }
    } else {
        let (test, reason) = judged
            .not_counted
            .iter()
            .find(|(test, _)| test.event == index)?;
        reasons.push(not_counted(judged, test, *reason));
    }
    reasons.extend(missing.into_iter().filter_map(lacking));
    let counts = reasons.is_empty();
    let (reasons, explanations) = reasons
        .into_iter()
        .map(|(reason, detail)| (reason, Sentence::new(&detail)))
        .unzip();
    Some(Judged {
        counts,
        valid_until: valid_until.filter(|_| counts),
        reasons,
        explanations,
    })
}

fn lacking(flag: FlagCode) -> Option<(NotValid, String)> {
    let (reason, member, what) = match flag {
        FlagCode::PassedNotRecorded => (
            NotValid::PassedNotRecorded,
            "passed",
            "whether the test was passed",
        ),
        FlagCode::InspectorNotRecorded => (
            NotValid::InspectorNotRecorded,
            "inspector",
            "the inspector's name",
        ),
        FlagCode::BoilerNumberNotRecorded => (
            NotValid::BoilerNumberNotRecorded,
            "boiler_number",
            "the number read on the boiler",
        ),
        FlagCode::PressureNotRecorded => (
            NotValid::PressureNotRecorded,
            "pressure",
            "the test pressure",
        ),
        _ => return None,
    };
    let detail = format!("The record does not show {what}. Record the test again with `{member}`.");
    Some((reason, detail))
}

/// Why a test issues no certificate, and what to do.
fn not_counted(
    history: &History<'_>,
    test: &history::Test<'_>,
    reason: NotCounted,
) -> (NotValid, String) {
    let asked = history
        .test_that_counts(&[test.kind.issues()], None, test.moment.on)
        .and_then(|(_, asked)| asked)
        .map(|asked| asked.in_words());
    let at_least = asked.map_or(String::new(), |asked| format!(" of at least {asked}"));
    match reason {
        NotCounted::Failed => (NotValid::Failed, "The boiler failed. Repair it and test again.".to_owned()),
        NotCounted::UnderPressure => (
            NotValid::UnderPressure,
            format!("The pressure was too low. Test again at a pressure{at_least}."),
        ),
        NotCounted::UnderTime => (
            NotValid::UnderTime,
            "The pressure was not held for as long as the boiler code requires. Test again and hold it for longer.".to_owned(),
        ),
        NotCounted::OverPressure => (
            NotValid::OverPressure,
            "The pressure was higher than the boiler code allows. Have the boiler examined by the inspector.".to_owned(),
        ),
        NotCounted::RoseAboveLimit => (
            NotValid::RoseAboveLimit,
            "At full fire the pressure rose above the limit of the boiler code. Have the safety valves put right and test again.".to_owned(),
        ),
        NotCounted::UnderWorkingPressure => (
            NotValid::UnderWorkingPressure,
            "The steam test did not reach the working pressure. Test again at the working pressure.".to_owned(),
        ),
        NotCounted::NoHydraulicPaper => (
            NotValid::NoHydraulicPaper,
            "No hydraulic certificate was valid on the day of the steam test. Record a hydraulic test first, then a steam test.".to_owned(),
        ),
        NotCounted::OtherBoiler => (
            NotValid::OtherBoiler,
            "The test or its certificate names another boiler. Find out which boiler it belongs to and record it there.".to_owned(),
        ),
        NotCounted::BoilerNotInEngine => (
            NotValid::BoilerNotInEngine,
            "No number was recorded, and another boiler was in the engine on that day. Record the test again with the number read on the boiler.".to_owned(),
        ),
        NotCounted::OrderNotRecorded => (
            NotValid::OrderNotRecorded,
            "It is not recorded whether the test came before or after other events of that day. Record it again with its time (`at`).".to_owned(),
        ),
        NotCounted::OutOfTurn => (
            NotValid::OutOfTurn,
            "The boiler code requires hydraulic and ultrasonic tests alternately, and the other one is due. Record that one.".to_owned(),
        ),
        NotCounted::OtherCode => (
            NotValid::OtherCode,
            "It was made under the boiler code of another jurisdiction, which this code does not accept. Test again under this code.".to_owned(),
        ),
    }
}

fn answer_counting(question: &Question, rules: &[Rule], counted: Counted) -> Answer {
    let Question {
        jurisdiction,
        boiler,
        events,
        days,
        period,
    } = question;
    let history = History::read(jurisdiction, boiler, rules, events, counted);
    let last_event = last_event(events);
    let counted_from = days.iter().copied().max().or(last_event);
    // If nothing in the question is dated, use the rules that have no last day.
    let latest = counted_from.max(last_event).unwrap_or(Day::LAST);

    let working_pressure = history.working_pressure(Day::LAST);
    let bar_litres = boiler::bar_litres(working_pressure, &boiler.volume);
    Answer {
        bar_litres: four_places(bar_litres),
        band: history.band(working_pressure, latest),
        required: required(&history, working_pressure, latest),
        papers: history.papers.iter().map(Paper::from).collect(),
        tests_not_counted: history
            .not_counted
            .iter()
            .map(|(test, reason)| TestNotCounted {
                test_on: test.moment.on,
                reason: *reason,
            })
            .collect(),
        days: days.iter().map(|day| on_day(&history, *day)).collect(),
        open_days: period.map_or(Vec::new(), |period| {
            open_days(period, &history.change_days(), |day| {
                history.reasons(day).is_empty()
            })
        }),
        next_due: counted_from.map_or(Vec::new(), |from| next_due(&history, from)),
        flags: flags(&history, latest),
        cautions: cautions(&history, latest),
    }
}

fn on_day(history: &History<'_>, on: Day) -> DayAnswer {
    let reasons = history.reasons(on);
    DayAnswer {
        on,
        papers_valid: reasons.is_empty(),
        reasons,
    }
}

/// The spans of the period on which `open` is true. `open` may change only on the days of `changes` (sorted), so it is
/// called once for each stretch between them.
pub(crate) fn open_days(
    period: DaySpan,
    changes: &[Day],
    open: impl Fn(Day) -> bool,
) -> Vec<DaySpan> {
    if period.until < period.from {
        return Vec::new();
    }
    let within = changes
        .iter()
        .copied()
        .filter(|day| period.from < *day && *day <= period.until);
    let mut spans: Vec<DaySpan> = Vec::new();
    let mut open_from = open(period.from).then_some(period.from);
    for day in within {
        match (open_from, open(day)) {
            (None, true) => open_from = Some(day),
            (Some(from), false) => {
                let until = day.plus_days(-1);
                spans.push(DaySpan { from, until });
                open_from = None;
            }
            (None, false) | (Some(_), true) => {}
        }
    }
    spans.extend(open_from.map(|from| DaySpan {
        from,
        until: period.until,
    }));
    spans
}

fn required(history: &History<'_>, working_pressure: &Pressure, day: Day) -> Required {
    let subject = Subject {
        band: history.band(working_pressure, day),
        ..history.subject_on(day)
    };
    let pressure = |key| {
        let factor = history.rule(key, subject, day)?.value?;
        Some(RequiredPressure {
            value: four_places(working_pressure.written().saturating_mul(factor)),
            unit: working_pressure.unit(),
            bar: four_places(working_pressure.base().saturating_mul(factor)),
        })
    };
    let hydraulic_repeat = pressure(RuleKey::HydraulicRepeatFactor);
    Required {
        hydraulic_first: pressure(RuleKey::HydraulicFirstFactor)
            .or_else(|| hydraulic_repeat.clone()),
        hydraulic_repeat,
        steam_limit: pressure(RuleKey::SteamLimitFactor),
    }
}

impl From<&Issued<'_>> for Paper {
    fn from(issued: &Issued<'_>) -> Paper {
        Paper {
            paper: issued.kind,
            test_on: issued.from,
            from: issued.from,
            until: issued.until,
            unlimited: issued.until.is_none(),
            voided_on: issued.voided.map(|(on, _)| on),
            voided_by: issued.voided.map(|(_, by)| by),
            incomplete: issued.is_incomplete(),
        }
    }
}

fn next_due(history: &History<'_>, day: Day) -> Vec<Due> {
    let from = history.first_day_in_order(day);
    let required = history.required(day).into_iter().filter_map(|kinds| {
        let last = history
            .holding(kinds, day)
            .max_by_key(|paper| paper.until.unwrap_or(Day::LAST));
        let by = last.map_or(Some(day), |paper| paper.until)?;
        let (test, asked) = history.test_that_counts(kinds, last.map(|paper| paper.kind), from)?;
        Some(Due {
            test,
            from,
            by,
            pressure: asked.map(RequiredPressure::from),
        })
    });
    let watched = external_examination_by(history, day).map(|by| Due {
        test: TestKind::ExternalExamination,
        from,
        by: by.max(day),
        pressure: None,
    });
    let mut due: Vec<Due> = required.chain(watched).collect();
    due.sort_by_key(|due| (due.by, due.test));
    due
}

impl From<Asked<'_>> for RequiredPressure {
    /// Rounded up to four places, so that a test at the printed pressure is enough.
    fn from(asked: Asked<'_>) -> RequiredPressure {
        let up = |exact: Decimal| {
            let strategy = RoundingStrategy::AwayFromZero;
            exact.round_dp_with_strategy(4, strategy).normalize()
        };
        match asked {
            Asked::Times(factor, working_pressure) => RequiredPressure {
                value: up(working_pressure.written().saturating_mul(factor)).to_string(),
                unit: working_pressure.unit(),
                bar: four_places(working_pressure.base().saturating_mul(factor)),
            },
            Asked::Bar(bar) => RequiredPressure {
                value: up(bar).to_string(),
                unit: PressureUnit::Bar,
                bar: four_places(bar),
            },
        }
    }
}

impl Asked<'_> {
    fn in_words(self) -> String {
        let RequiredPressure { value, unit, .. } = RequiredPressure::from(self);
        format!("{value} {unit}")
    }
}

/// The day by which the code advises the next external examination. `None`: it advises none, or requires them.
pub(crate) fn external_examination_by(history: &History<'_>, from: Day) -> Option<Day> {
    let key = RuleKey::ExternalExaminationInterval;
    let subject = history.subject_on(from);
    let row = history
        .rule(key, subject, from)
        .filter(|row| row.effect == Effect::Warning)?;
    let months = row.value.and_then(|months| months.to_i32())?;
    let examined = history
        .holding(&[PaperKind::ExternalExamination], from)
        .filter_map(|paper| paper.until)
        .max();
    let since_new = subject.first_service_on.map(|on| on.plus_months(months));
    Some(examined.max(since_new).unwrap_or(from))
}

/// They go with every answer about a boiler. Cautions of one jurisdiction are rules of its code.
const CAUTIONS: [&str; 4] = [
    CAUTION,
    "Follow the local boiler code, your club's rules and your insurer's conditions; read them before testing.",
    "Tests and examinations must be carried out by an independent inspector.",
    "Work on gas systems and pressure vessels may require a licensed person.",
];

pub(crate) fn cautions(history: &History<'_>, day: Day) -> Vec<Sentence> {
    let mut notes: Vec<&str> = history
        .rules_on(day)
        .filter_map(|row| row.notes.as_deref())
        .collect();
    notes.sort_unstable();
    notes.dedup();
    CAUTIONS
        .into_iter()
        .chain(notes)
        .take(100)
        .map(Sentence::new)
        .collect()
}
