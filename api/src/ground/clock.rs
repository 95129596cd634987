//! Today in the firm's time zone. The only place that reads a clock.

use crate::{
    ground::{db::RunQueryDsl, problem::Problem},
    schema::firm,
};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use jiff::{Timestamp, tz::TimeZone};
use outshop_core::days::Day;
use std::sync::{Arc, Mutex};

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

/// Whole seconds from `now` to the firm's next midnight, which is when its day ends; a day of changed clocks has 23 or 25
/// hours.
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

/// The civil day of an instant. An unknown zone cannot be stored (the firm's route refuses it): UTC then.
pub fn day_in(zone: &str, now: Timestamp) -> Day {
    let zone = TimeZone::get(zone).unwrap_or(TimeZone::UTC);
    Day::new(now.to_zoned_datetime(zone).date()).unwrap_or(Day::LAST)
}

/// The firm's day at that moment.
pub async fn today(conn: &mut AsyncPgConnection, now: Timestamp) -> Result<Day, Problem> {
    let zone: String = firm::table.select(firm::time_zone).first(conn).await?;
    Ok(day_in(&zone, now))
}
