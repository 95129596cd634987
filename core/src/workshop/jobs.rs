//! Jobs on an engine: status, the order of their days, hours, and what they do to the boiler's certificates.

use crate::{
    boilers::{
        boiler::Touches,
        codes::{Rule, RuleKey},
        events::{PaperKind, TestKind},
    },
    days::Day,
};
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{fmt, str::FromStr};

words! {
    /// How far a job has got. `finished` and `called_off` are final.
    pub enum JobStatus {
        Proposed = "proposed",
        Agreed = "agreed",
        Started = "started",
        Finished = "finished",
        CalledOff = "called_off",
    }
}

words! {
    /// A skill of a fitter, or the one that a job needs.
    pub enum Skill {
        Boilersmithing = "boilersmithing",
        Machining = "machining",
        Fitting = "fitting",
        Platework = "platework",
        Painting = "painting",
        Steaming = "steaming",
    }
}

words! {
    /// A place in the workshop that an engine occupies while it is worked on.
    pub enum WorkPlace { Bench = "bench", SteamingBay = "steaming_bay" }
}

impl JobStatus {
    /// Whether a job may be moved to `next`, which must differ from its status.
    ///
    /// A job is agreed before it is started. Finished and cancelled are final, as tests and certificates may depend on
    /// it: to do the work again, create another job.
    pub const fn may_become(self, next: JobStatus) -> bool {
        match self {
            JobStatus::Proposed => matches!(next, JobStatus::Agreed | JobStatus::CalledOff),
            JobStatus::Agreed => matches!(next, JobStatus::Started | JobStatus::CalledOff),
            JobStatus::Started => matches!(next, JobStatus::Finished | JobStatus::CalledOff),
            JobStatus::Finished | JobStatus::CalledOff => false,
        }
    }

    /// Whether the job is finished or cancelled.
    pub const fn is_closed(self) -> bool {
        match self {
            JobStatus::Proposed | JobStatus::Agreed | JobStatus::Started => false,
            JobStatus::Finished | JobStatus::CalledOff => true,
        }
    }
}

/// The status of a job and the days on which it was reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JobDays {
    pub status: JobStatus,
    pub proposed_on: Day,
    pub agreed_on: Option<Day>,
    pub started_on: Option<Day>,
    pub finished_on: Option<Day>,
    pub called_off_on: Option<Day>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MoveFault {
    #[error("{} is in the future; record the move on the day it happens or later", .on.in_words())]
    StillToCome { on: Day },
    #[error("a job that is {from} cannot become {to}")]
    NotAllowed { from: JobStatus, to: JobStatus },
    #[error("must not be before {}, when the job became {status}", .since.in_words())]
    TooEarly { status: JobStatus, since: Day },
}

impl JobDays {
    /// A newly proposed job.
    pub const fn proposed(on: Day) -> JobDays {
        JobDays {
            status: JobStatus::Proposed,
            proposed_on: on,
            agreed_on: None,
            started_on: None,
            finished_on: None,
            called_off_on: None,
        }
    }

    /// The day on which the job reached its status.
    pub fn since(self) -> Day {
        [
            self.agreed_on,
            self.started_on,
            self.finished_on,
            self.called_off_on,
        ]
        .into_iter()
        .flatten()
        .fold(self.proposed_on, Day::max)
    }

    /// The job after a move on that day. All moves may be on one day.
    pub fn moved(mut self, to: JobStatus, on: Day, today: Day) -> Result<JobDays, MoveFault> {
        if on > today {
            return Err(MoveFault::StillToCome { on });
        }
        if !self.status.may_become(to) {
            return Err(MoveFault::NotAllowed {
                from: self.status,
                to,
            });
        }
        if on < self.since() {
            return Err(MoveFault::TooEarly {
                status: self.status,
                since: self.since(),
            });
        }
        self.status = to;
        match to {
            JobStatus::Proposed => self.proposed_on = on,
            JobStatus::Agreed => self.agreed_on = Some(on),
            JobStatus::Started => self.started_on = Some(on),
            JobStatus::Finished => self.finished_on = Some(on),
            JobStatus::CalledOff => self.called_off_on = Some(on),
        }
        Ok(self)
    }
}

/// Hours of work to two decimal places, from -9 999 999.99 to 9 999 999.99; negative on a line that reverses another.
/// In JSON a string, `"2.5"`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Numeric))]
pub struct Hours(Decimal);

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotHours {
    #[error("must be hours such as \"2.5\"")]
    Unreadable,
    #[error("must have at most two decimal places")]
    TooManyPlaces,
    #[error("must be between -9999999.99 and 9999999.99")]
    OutOfRange,
}

impl Hours {
    pub const ZERO: Hours = Hours(Decimal::ZERO);
    /// 9 999 999.99
    const MOST: Decimal = Decimal::from_parts(999_999_999, 0, 0, false, 2);

    pub fn new(hours: Decimal) -> Result<Hours, NotHours> {
        if hours.abs() > Hours::MOST {
            return Err(NotHours::OutOfRange);
        }
        let hours = hours.normalize();
        if hours.scale() > 2 {
            return Err(NotHours::TooManyPlaces);
        }
        Ok(Hours(hours))
    }

    pub const fn decimal(self) -> Decimal {
        self.0
    }

    pub fn checked_add(self, other: Hours) -> Result<Hours, NotHours> {
        Hours::new(self.0 + other.0)
    }

    /// The hours of a line that reverses this one.
    #[must_use]
    pub fn reversed(self) -> Hours {
        Hours(-self.0)
    }
}

impl fmt::Display for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Hours {
    type Err = NotHours;

    fn from_str(text: &str) -> Result<Hours, NotHours> {
        let plain = text
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-'))
            && text.len() <= 28;
        if !plain || text.starts_with('.') || text.ends_with('.') {
            return Err(NotHours::Unreadable);
        }
        Hours::new(Decimal::from_str_exact(text).map_err(|_| NotHours::Unreadable)?)
    }
}

impl Serialize for Hours {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Hours {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Hours, D::Error> {
        struct Text;

        impl de::Visitor<'_> for Text {
            type Value = Hours;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("hours as a string, like \"2.5\"")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Hours, E> {
                text.parse().map_err(E::custom)
            }
        }

        from.deserialize_str(Text)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::Hours;
    use diesel::{
        deserialize::{self, FromSql},
        pg::{Pg, PgValue},
        serialize::{self, Output, ToSql},
        sql_types::Numeric,
    };
    use rust_decimal::Decimal;
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
    };

    impl ToSql<Numeric, Pg> for Hours {
        fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
            <Decimal as ToSql<Numeric, Pg>>::to_sql(&self.0, &mut out.reborrow())
        }
    }

    impl FromSql<Numeric, Pg> for Hours {
        fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
            Ok(Hours::new(FromSql::<Numeric, Pg>::from_sql(bytes)?)?)
        }
    }

    impl PartialSchema for Hours {
        fn schema() -> RefOr<Schema> {
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .pattern(Some(r"^-?[0-9]{1,7}(\.[0-9]{1,2})?$"))
                    .max_length(Some(11))
                    .examples(["2.5"])
                    .build(),
            ))
        }
    }

    impl ToSchema for Hours {}
}

/// Agreed and booked hours of jobs of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Took {
    pub agreed: Hours,
    pub booked: Hours,
}

/// Weight of the agreed hours, in hours: a few jobs that overran do not double the next estimate.
const AGREED_COUNTS: Decimal = Decimal::from_parts(20, 0, 0, false, 0);

impl Took {
    /// Hours that one agreed hour takes, from 0.5 to 2 and closer to 1 the less is known: (booked + 20)/(agreed + 20).
    ///
    /// Source: shrinkage towards the prior mean with a prior weight of 20 hours (ratio estimator with a gamma prior;
    /// Gelman et al., Bayesian Data Analysis, section 2.6); the weight is common practice, no source.
    pub fn factor(self) -> Decimal {
        let factor =
            (self.booked.decimal() + AGREED_COUNTS) / (self.agreed.decimal() + AGREED_COUNTS);
        let half = Decimal::from_parts(5, 0, 0, false, 1);
        factor.clamp(half, Decimal::TWO).round_dp(4)
    }
}

/// The hours that a job is expected to take, going by similar jobs; rounded up to a quarter of an hour.
pub fn hours_by_experience(agreed: Hours, factor: Decimal) -> Hours {
    let quarters = (agreed.decimal() * factor * Decimal::from(4)).ceil();
    Hours::new(quarters / Decimal::from(4)).unwrap_or(agreed)
}

/// What a finished job does to the boiler's certificates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Consequences {
    /// Certificates that are void from the day the job is finished.
    pub voids: Vec<PaperKind>,
    /// Tests that are needed again, in order. A hydraulic test is given as a repeat test; the certificates of the
    /// boiler decide whether it must be an initial one.
    pub calls_for: Vec<TestKind>,
}

/// What a job does when it is finished on that day. Work on pressure parts voids hydraulic and steam certificates, work
/// on safety valves and fittings the steam certificate, unless a rule of the code says otherwise.
///
/// `rules`: those of the jurisdiction. If they differ between boilers, the stricter answer is given; the certificates
/// of a known boiler give the exact one.
///
/// Source: the UK model-engineering federations' boiler code (a structural repair voids every certificate). That work
/// on fittings voids the steam certificate is common practice, no source.
pub fn consequences(
    touches: &[Touches],
    gauge_glass_only: bool,
    rules: &[Rule],
    on: Day,
) -> Consequences {
    let rows = |key| {
        rules
            .iter()
            .filter(move |row| row.rule == key && row.in_force_on(on))
    };
    let excepted = gauge_glass_only
        && rows(RuleKey::GaugeGlassExcepted).any(|row| {
            row.material.is_none() && row.band.is_none() && row.first_service_from.is_none()
        });
    let pressure_parts = touches.contains(&Touches::PressureParts);
    let fittings = touches.contains(&Touches::SafetyValvesAndFittings) && !excepted;
    let hydraulic =
        pressure_parts || (fittings && rows(RuleKey::FittingsVoidHydraulic).next().is_some());
    let steam = hydraulic || fittings;
    let gas_tank = touches.contains(&Touches::GasTank);
    let mut done = Consequences {
        voids: Vec::new(),
        calls_for: Vec::new(),
    };
    if hydraulic {
        done.voids.push(PaperKind::Hydraulic);
        done.calls_for.push(TestKind::HydraulicRepeat);
    }
    if steam {
        done.voids.push(PaperKind::Steam);
        done.calls_for.push(TestKind::Steam);
    }
    if gas_tank {
        done.voids.push(PaperKind::GasTank);
        done.calls_for.push(TestKind::GasTank);
    }
    done
}

/// Whether the job must be finished before a test because the engine is in pieces or away: the job is on pressure
/// parts, fittings or motion, has been started, or is done by others. Other jobs, such as painting, may come after the
/// test.
///
/// Source: plain reading of what a boiler in steam needs; no source.
pub fn comes_before_tests(touches: &[Touches], started: bool, away: bool) -> bool {
    let takes_apart = touches.iter().any(|it| match it {
        Touches::PressureParts | Touches::SafetyValvesAndFittings | Touches::Motion => true,
        Touches::GasTank | Touches::Other => false,
    });
    takes_apart || started || away
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::boilers::codes;
    use JobStatus::{Agreed, CalledOff, Finished, Proposed, Started};

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    /// Every pair of statuses; plain reading of the five words, no source.
    #[test]
    fn a_job_goes_one_step_at_a_time_and_ends_once() {
        let moves = [
            (Proposed, Agreed),
            (Proposed, CalledOff),
            (Agreed, Started),
            (Agreed, CalledOff),
            (Started, Finished),
            (Started, CalledOff),
        ];
        for from in JobStatus::ALL {
            for to in JobStatus::ALL {
                assert_eq!(
                    from.may_become(*to),
                    moves.contains(&(*from, *to)),
                    "{from} to {to}"
                );
            }
            let may_go_on = moves.iter().any(|(before, _)| before == from);
            assert_eq!(from.is_closed(), !may_go_on, "{from}");
        }
    }

    #[test]
    fn all_moves_may_fall_on_one_day_and_each_leaves_its_day() {
        let today = day("2026-05-14");
        let mut job = JobDays::proposed(today);
        for to in [Agreed, Started, Finished] {
            job = job.moved(to, today, today).expect("a move");
        }
        let done = JobDays {
            status: Finished,
            agreed_on: Some(today),
            started_on: Some(today),
            finished_on: Some(today),
            ..JobDays::proposed(today)
        };
        assert_eq!(job, done);
        assert_eq!(
            job.moved(CalledOff, today, today),
            Err(MoveFault::NotAllowed {
                from: Finished,
                to: CalledOff
            })
        );
    }

    #[test]
    fn a_job_is_not_moved_before_its_last_day_nor_in_the_future() {
        let (today, started_on) = (day("2026-05-14"), day("2026-05-10"));
        let job = JobDays {
            status: Started,
            agreed_on: Some(day("2026-05-02")),
            started_on: Some(started_on),
            ..JobDays::proposed(day("2026-05-01"))
        };
        for to in [Finished, CalledOff] {
            assert_eq!(
                job.moved(to, day("2026-05-09"), today),
                Err(MoveFault::TooEarly {
                    status: Started,
                    since: started_on
                })
            );
            assert!(job.moved(to, started_on, today).is_ok());
            assert!(job.moved(to, today, today).is_ok());
            let on = day("2026-05-15");
            assert_eq!(job.moved(to, on, today), Err(MoveFault::StillToCome { on }));
        }
    }

    #[test]
    fn hours_are_read_and_written_as_on_a_time_slip() {
        for (text, shown) in [
            ("2.5", "2.5"),
            ("2.50", "2.5"),
            ("100", "100"),
            ("0.25", "0.25"),
            ("-1.5", "-1.5"),
            ("9999999.99", "9999999.99"),
        ] {
            assert_eq!(
                text.parse::<Hours>().map(|h| h.to_string()),
                Ok(shown.to_owned())
            );
        }
        assert_eq!("2.505".parse::<Hours>(), Err(NotHours::TooManyPlaces));
        assert_eq!("10000000".parse::<Hours>(), Err(NotHours::OutOfRange));
        for bad in ["", ".5", "5.", "2:30", "2,5", "1e1", "+1", " 1", "--1"] {
            assert_eq!(bad.parse::<Hours>(), Err(NotHours::Unreadable), "{bad}");
        }
        assert!(serde_json::from_str::<Hours>("2.5").is_err(), "a number");
    }

    /// (30 + 20)/(20 + 20) = 1.25 and 8 h x 1.25 = 10 h: arithmetic.
    #[test]
    fn the_next_estimate_learns_from_what_jobs_took() {
        let hours = |text: &str| text.parse::<Hours>().expect("hours");
        let took = |agreed, booked| Took {
            agreed: hours(agreed),
            booked: hours(booked),
        };
        assert_eq!(Took::default().factor(), Decimal::ONE);
        let over = took("20", "30").factor();
        assert_eq!(over, "1.25".parse().expect("a number"));
        assert_eq!(hours_by_experience(hours("8"), over), hours("10"));
        assert_eq!(
            hours_by_experience(hours("1.1"), Decimal::ONE),
            hours("1.25")
        );
        assert_eq!(took("10", "1000").factor(), Decimal::TWO);
        assert_eq!(
            took("1000", "10").factor(),
            "0.5".parse().expect("a number")
        );
    }

    #[test]
    fn a_reversal_takes_the_hours_away_again() {
        let hours: Hours = "2.25".parse().expect("hours");
        assert_eq!(hours.checked_add(hours.reversed()), Ok(Hours::ZERO));
        let most: Hours = "9999999.99".parse().expect("hours");
        assert_eq!(most.checked_add(hours), Err(NotHours::OutOfRange));
    }

    /// UK model-engineering federations' boiler code: a structural repair voids every current certificate. Fittings:
    /// common practice, no source.
    #[test]
    fn what_a_job_touches_decides_which_papers_it_voids() {
        use Touches::{Motion, Other, PressureParts, SafetyValvesAndFittings};
        let both = (
            vec![PaperKind::Hydraulic, PaperKind::Steam],
            vec![TestKind::HydraulicRepeat, TestKind::Steam],
        );
        let steam = (vec![PaperKind::Steam], vec![TestKind::Steam]);
        let nothing = (vec![], vec![]);
        for (touches, expected) in [
            (vec![PressureParts], &both),
            (vec![PressureParts, SafetyValvesAndFittings], &both),
            (vec![SafetyValvesAndFittings, Motion], &steam),
            (vec![Motion, Other], &nothing),
        ] {
            let done = consequences(&touches, false, &rows_of("GB"), day("2026-05-14"));
            assert_eq!(&(done.voids, done.calls_for), expected, "{touches:?}");
        }
    }

    /// Plain reading, no source.
    #[test]
    fn an_engine_in_pieces_or_away_is_not_tested() {
        use Touches::{Motion, Other, PressureParts, SafetyValvesAndFittings};
        for takes_apart in [PressureParts, SafetyValvesAndFittings, Motion] {
            assert!(comes_before_tests(&[Other, takes_apart], false, false));
        }
        assert!(!comes_before_tests(&[Other], false, false));
        assert!(comes_before_tests(&[Other], true, false));
        assert!(comes_before_tests(&[Other], false, true));
    }

    /// The rows that a shop starts with, of one jurisdiction.
    fn rows_of(jurisdiction: &str) -> Vec<Rule> {
        let mut rows = codes::seed();
        rows.retain(|row| row.jurisdiction.as_str() == jurisdiction);
        rows
    }

    /// Rule of a Swiss gauge-1 society: the first test again after any repair or change, a replaced gauge glass
    /// excepted.
    #[test]
    fn a_changed_gauge_glass_alone_voids_nothing_where_the_code_excepts_it() {
        let on = day("2026-05-14");
        let fittings = [Touches::SafetyValvesAndFittings];
        let voids = |gauge_glass_only, rules: &[Rule]| {
            consequences(&fittings, gauge_glass_only, rules, on).voids
        };
        let (swiss, british) = (rows_of("CH"), rows_of("GB"));
        let both = [PaperKind::Hydraulic, PaperKind::Steam];
        assert_eq!(voids(true, &swiss), []);
        assert_eq!(voids(false, &swiss), both);
        assert_eq!(voids(true, &british), [PaperKind::Steam]);
        assert_eq!(voids(true, &[]), [PaperKind::Steam], "no code on record");
        assert_eq!(
            consequences(&[Touches::PressureParts], true, &swiss, on).voids,
            both,
            "a pressure part is no gauge glass"
        );
        let mut ended = swiss;
        for row in &mut ended {
            row.valid_until = Some(on.plus_days(-1));
        }
        assert_eq!(voids(true, &ended), [PaperKind::Steam]);
    }
}
