//! Civil days, and periods counted as the law counts them.

use jiff::{Span, civil::Date};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{borrow::Cow, fmt, str::FromStr};

/// A civil day of the firm's time zone, from 1800-01-01 to 2199-12-31; in JSON `"2026-05-14"`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Date))]
pub struct Day(Date);

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("must be a day such as 2026-05-14, from 1800-01-01 to 2199-12-31")]
pub struct NotADay;

impl Day {
    pub const FIRST: Day = Day(Date::constant(1800, 1, 1));
    pub const LAST: Day = Day(Date::constant(2199, 12, 31));

    pub fn new(date: Date) -> Result<Day, NotADay> {
        let day = Day(date);
        if (Day::FIRST..=Day::LAST).contains(&day) {
            Ok(day)
        } else {
            Err(NotADay)
        }
    }

    /// For days written in the source: a day that does not exist fails to compile.
    pub const fn constant(year: i16, month: i8, day: i8) -> Day {
        assert!(year >= 1800 && year <= 2199);
        Day(Date::constant(year, month, day))
    }

    pub const fn date(self) -> Date {
        self.0
    }

    /// The corresponding day `months` later, or the last day of that month where there is none: 30 June + 14 months is
    /// 30 August, 31 December + 14 months is 28 February. Clamped to the range of days.
    ///
    /// Source: Dodds v Walker (1981) 1 WLR 1027 (the corresponding date rule).
    #[must_use]
    pub fn plus_months(self, months: i32) -> Day {
        self.0
            .saturating_add(Span::new().months(months.clamp(-10_000, 10_000)))
            .held()
    }

    /// Clamped to the range of days.
    #[must_use]
    pub fn plus_days(self, days: i32) -> Day {
        self.0
            .saturating_add(Span::new().days(days.clamp(-200_000, 200_000)))
            .held()
    }

    /// Whole months since `earlier`; 0 if `earlier` is later.
    pub fn whole_months_since(self, earlier: Day) -> u32 {
        let (from, to) = (earlier.0, self.0);
        let years = i32::from(to.year()) - i32::from(from.year());
        let months = 12 * years + i32::from(to.month()) - i32::from(from.month());
        let whole = if earlier.plus_months(months) > self {
            months - 1
        } else {
            months
        };
        u32::try_from(whole).unwrap_or(0)
    }

    /// Days since `earlier`; negative if `earlier` is later.
    pub fn days_since(self, earlier: Day) -> i32 {
        (self.0 - earlier.0).get_days()
    }

    /// The day as texts for people print it: 14 May 2026.
    pub fn in_words(self) -> String {
        self.0.strftime("%-d %B %Y").to_string()
    }
}

trait Held {
    fn held(self) -> Day;
}

impl Held for Date {
    fn held(self) -> Day {
        Day(self.clamp(Day::FIRST.0, Day::LAST.0))
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl fmt::Debug for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

impl FromStr for Day {
    type Err = NotADay;

    fn from_str(text: &str) -> Result<Day, NotADay> {
        let written_in_full = text.len() == 10
            && text.bytes().enumerate().all(|(i, b)| {
                if i == 4 || i == 7 {
                    b == b'-'
                } else {
                    b.is_ascii_digit()
                }
            });
        if !written_in_full {
            return Err(NotADay);
        }
        text.parse().map_err(|_| NotADay).and_then(Day::new)
    }
}

impl Serialize for Day {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Day, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::{Day, NotADay};
    use diesel::{
        data_types::PgDate,
        deserialize::{self, FromSql},
        pg::{Pg, PgValue},
        serialize::{self, Output, ToSql},
        sql_types,
    };
    use jiff::civil::Date;
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{KnownFormat, ObjectBuilder, RefOr, Schema, SchemaFormat, schema::Type},
    };

    /// Day 0 of PostgreSQL's date type.
    const EPOCH: Date = Date::constant(2000, 1, 1);

    impl ToSql<sql_types::Date, Pg> for Day {
        fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
            let days = (self.date() - EPOCH).get_days();
            ToSql::<sql_types::Date, Pg>::to_sql(&PgDate(days), &mut out.reborrow())
        }
    }

    impl FromSql<sql_types::Date, Pg> for Day {
        fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
            let PgDate(days) = FromSql::<sql_types::Date, Pg>::from_sql(bytes)?;
            let span = jiff::Span::new().try_days(days)?;
            Ok(Day::new(EPOCH.checked_add(span)?).map_err(|e: NotADay| e.to_string())?)
        }
    }

    impl PartialSchema for Day {
        fn schema() -> RefOr<Schema> {
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .format(Some(SchemaFormat::KnownFormat(KnownFormat::Date)))
                    .min_length(Some(10))
                    .max_length(Some(10))
                    .examples(["2026-05-14"])
                    .build(),
            ))
        }
    }

    impl ToSchema for Day {}
}

/// Days from `from` to `until`, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct DaySpan {
    pub from: Day,
    pub until: Day,
}

/// A time of day, to order the events of one day; in JSON `"15:00"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct TimeOfDay {
    minutes: u16,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be a time of day such as 15:00, from 00:00 to 23:59")]
pub struct NotATimeOfDay;

impl FromStr for TimeOfDay {
    type Err = NotATimeOfDay;

    fn from_str(text: &str) -> Result<TimeOfDay, NotATimeOfDay> {
        let two_digits = |part: &str, below: u16| {
            let digits = part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
            part.parse().ok().filter(|n: &u16| digits && *n < below)
        };
        let (hours, minutes) = text.split_once(':').ok_or(NotATimeOfDay)?;
        match (two_digits(hours, 24), two_digits(minutes, 60)) {
            (Some(hours), Some(minutes)) => Ok(TimeOfDay {
                minutes: hours * 60 + minutes,
            }),
            (None, _) | (_, None) => Err(NotATimeOfDay),
        }
    }
}

impl fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.minutes / 60, self.minutes % 60)
    }
}

impl Serialize for TimeOfDay {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for TimeOfDay {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<TimeOfDay, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

#[cfg(feature = "wire")]
crate::words::wire_text!(
    TimeOfDay,
    utoipa::openapi::ObjectBuilder::new()
        .schema_type(utoipa::openapi::schema::Type::String)
        .pattern(Some("^([01][0-9]|2[0-3]):[0-5][0-9]$"))
        .min_length(Some(5))
        .max_length(Some(5))
        .examples(["15:00"])
        .build()
);

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    /// Counted on the calendar (plain reading, no source); the last day of a shorter month completes the month, as in
    /// `plus_months`.
    #[test]
    fn whole_months_are_counted_back_to_the_corresponding_date() {
        for (from, to, months) in [
            ("2026-05-14", "2026-05-14", 0),
            ("2026-05-14", "2026-06-13", 0),
            ("2026-05-14", "2026-06-14", 1),
            ("2025-12-31", "2026-02-28", 2),
            ("2025-12-31", "2026-02-27", 1),
            ("2025-05-15", "2026-05-14", 11),
            ("2026-05-15", "2026-05-14", 0),
            ("1800-01-01", "2199-12-31", 4799),
        ] {
            assert_eq!(day(to).whole_months_since(day(from)), months, "{from} {to}");
        }
    }

    /// Dodds v Walker (1981): the corresponding date, or the last day of the month where there is none.
    #[test]
    fn months_run_to_the_corresponding_date() {
        for (from, months, until) in [
            ("2025-06-30", 14, "2026-08-30"),
            ("2024-12-31", 14, "2026-02-28"),
            ("2024-02-29", 24, "2026-02-28"),
            ("2024-02-29", 48, "2028-02-29"),
            ("2022-05-14", 48, "2026-05-14"),
            ("1978-09-30", 4, "1979-01-30"),
        ] {
            assert_eq!(
                day(from).plus_months(months),
                day(until),
                "{from} + {months} months"
            );
        }
    }

    #[test]
    fn only_whole_days_of_the_range_are_read() {
        for bad in [
            "2026-5-14",
            "2025-02-29",
            "1799-12-31",
            "2200-01-01",
            "2026-05-14T00:00",
            "",
            "+002026-05-14",
        ] {
            assert_eq!(bad.parse::<Day>(), Err(NotADay), "{bad}");
        }
    }

    #[test]
    fn only_hours_and_minutes_of_a_day_are_read() {
        for good in ["00:00", "09:05", "23:59"] {
            assert_eq!(
                good.parse::<TimeOfDay>().map(|t| t.to_string()),
                Ok(good.to_owned())
            );
        }
        for bad in [
            "24:00", "12:60", "9:05", "+9:05", "12:5", "1200", "12:00:00", "",
        ] {
            assert_eq!(bad.parse::<TimeOfDay>(), Err(NotATimeOfDay), "{bad}");
        }
    }

    #[test]
    fn the_ends_of_the_range_hold() {
        assert_eq!(Day::LAST.plus_months(48), Day::LAST);
        assert_eq!(Day::FIRST.plus_days(-1), Day::FIRST);
    }
}
