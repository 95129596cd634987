//! The firm's date, in its time zone. The only place that reads a clock.

use crate::{
    ground::{db::RunQueryDsl, problem::Problem},
    schema::firm,
};
use diesel::{
    data_types::PgTimestamp,
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    pg::{Pg, PgValue},
    prelude::*,
    serialize::{self, Output, ToSql},
    sql_types::Timestamptz,
};
use diesel_async::AsyncPgConnection;
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use outshop_core::days::Day;
use serde::{Deserialize, Deserializer, Serialize, de};
use std::{
    borrow::Cow,
    fmt,
    sync::{Arc, Mutex},
};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{KnownFormat, ObjectBuilder, RefOr, Schema, SchemaFormat, schema::Type},
};

/// The time of a request: the machine's, or one that a test has set.
#[derive(Clone, Default)]
pub struct Clock(Arc<Mutex<Option<Timestamp>>>);

impl Clock {
    pub fn now(&self) -> Timestamp {
        let set = *self.0.lock().expect("no holder of this lock can panic");
        set.unwrap_or_else(Timestamp::now)
    }

    pub fn set(&self, now: Timestamp) {
        *self.0.lock().expect("no holder of this lock can panic") = Some(now);
    }
}

/// Whole seconds from `now` to the firm's next midnight. A day on which the clocks change has 23 or 25 hours.
pub fn seconds_left_of_day(zone: &str, now: Timestamp) -> u32 {
    let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    let midnight = now
        .to_zoned_datetime(zone)
        .tomorrow()
        .and_then(|tomorrow| tomorrow.start_of_day());
    let left = midnight.map_or(0, |midnight| {
        midnight.timestamp().duration_since(now).as_secs()
    });
    u32::try_from(left).unwrap_or(0)
}

/// The date of an instant in a zone. The firm's route refuses unknown zones; should one be stored, UTC is used.
pub fn day_in(zone: &str, now: Timestamp) -> Day {
    let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    Day::new(now.to_zoned_datetime(zone).date()).unwrap_or(Day::LAST)
}

/// The firm's date at that instant.
pub async fn today(conn: &mut AsyncPgConnection, now: Timestamp) -> Result<Day, Problem> {
    let zone: String = firm::table.select(firm::time_zone).first(conn).await?;
    Ok(day_in(&zone, now))
}

/// An instant, to the microsecond. On the wire RFC 3339 in UTC.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, AsExpression, FromSqlRow,
)]
#[diesel(sql_type = Timestamptz)]
#[serde(transparent)]
pub struct Instant(pub Timestamp);

impl<'de> Deserialize<'de> for Instant {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Instant, D::Error> {
        let moment = Cow::<str>::deserialize(from)?.parse().map(Instant);
        moment.map_err(|_| de::Error::custom("must be a time written like 2026-05-14T16:00:00Z"))
    }
}

/// 2000-01-01T00:00:00Z, from which PostgreSQL counts, in microseconds since 1970.
const EPOCH: i64 = 946_684_800_000_000;

impl Instant {
    /// `now`, rounded down to the whole second.
    pub fn of_second(now: Timestamp) -> Instant {
        Instant(Timestamp::from_second(now.as_second()).unwrap_or(now))
    }

    /// Saturates at the latest time that can be stored.
    #[must_use]
    pub fn plus_hours(self, hours: i32) -> Instant {
        let later = self.0.checked_add(SignedDuration::from_hours(hours.into()));
        Instant(later.unwrap_or(Timestamp::MAX))
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromSql<Timestamptz, Pg> for Instant {
    fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
        let PgTimestamp(micros) = FromSql::<Timestamptz, Pg>::from_sql(bytes)?;
        Ok(Instant(Timestamp::from_microsecond(micros + EPOCH)?))
    }
}

impl ToSql<Timestamptz, Pg> for Instant {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        let micros = PgTimestamp(self.0.as_microsecond() - EPOCH);
        ToSql::<Timestamptz, Pg>::to_sql(&micros, &mut out.reborrow())
    }
}

impl PartialSchema for Instant {
    fn schema() -> RefOr<Schema> {
        let schema = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)))
            .max_length(Some(40));
        RefOr::T(Schema::Object(schema.build()))
    }
}

impl ToSchema for Instant {}
