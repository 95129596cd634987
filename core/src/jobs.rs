//! Work on an engine: how a job stands, and the order of its days.

use crate::days::Day;

words! {
    pub enum JobStanding {
        Proposed = "proposed",
        Agreed = "agreed",
        InHand = "in_hand",
        Finished = "finished",
        CalledOff = "called_off",
    }
}

impl JobStanding {
    /// Whether a job may be moved to `next`; to stay is no move.
    ///
    /// A job is agreed before a spanner is lifted. What is finished or called off stays so: tests and papers may rest on
    /// it, so that doing it again is another job.
    pub const fn may_become(self, next: JobStanding) -> bool {
        match self {
            JobStanding::Proposed => matches!(next, JobStanding::Agreed | JobStanding::CalledOff),
            JobStanding::Agreed => matches!(next, JobStanding::InHand | JobStanding::CalledOff),
            JobStanding::InHand => matches!(next, JobStanding::Finished | JobStanding::CalledOff),
            JobStanding::Finished | JobStanding::CalledOff => false,
        }
    }
}

/// The days of a job, as far as it has got.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JobDays {
    pub standing: JobStanding,
    pub began_on: Option<Day>,
    pub finished_on: Option<Day>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum JobDayFault {
    #[error("a job that is in hand or finished has a day on which it began")]
    BeganMissing,
    #[error("a job that has not been taken in hand has no day on which it began")]
    NotBegun,
    #[error("a finished job has a day on which it was finished")]
    FinishedMissing,
    #[error("a job that is not finished has no day on which it was finished")]
    NotFinished,
    #[error("a job is not finished on {finished_on}, before it began on {began_on}")]
    FinishedBeforeItBegan { began_on: Day, finished_on: Day },
    #[error("a job cannot have begun on {began_on}, which is still to come")]
    BeganInTheFuture { began_on: Day },
    #[error("a job cannot have been finished on {finished_on}, which is still to come")]
    FinishedInTheFuture { finished_on: Day },
}

/// All that is wrong with the days of a job, seen on `today`; nothing when they are in order. A job may begin and be
/// finished on one day. A job that was called off may or may not have begun.
pub fn day_faults(job: JobDays, today: Day) -> Vec<JobDayFault> {
    let JobDays {
        standing,
        began_on,
        finished_on,
    } = job;
    let began = match standing {
        JobStanding::Proposed | JobStanding::Agreed => {
            began_on.is_some().then_some(JobDayFault::NotBegun)
        }
        JobStanding::InHand | JobStanding::Finished => {
            began_on.is_none().then_some(JobDayFault::BeganMissing)
        }
        JobStanding::CalledOff => None,
    };
    let finished = match (standing, finished_on) {
        (JobStanding::Finished, None) => Some(JobDayFault::FinishedMissing),
        (JobStanding::Finished, Some(_)) => None,
        (
            JobStanding::Proposed
            | JobStanding::Agreed
            | JobStanding::InHand
            | JobStanding::CalledOff,
            finished_on,
        ) => finished_on.is_some().then_some(JobDayFault::NotFinished),
    };
    let order = began_on
        .zip(finished_on)
        .filter(|(began_on, finished_on)| finished_on < began_on)
        .map(
            |(began_on, finished_on)| JobDayFault::FinishedBeforeItBegan {
                began_on,
                finished_on,
            },
        );
    let began_ahead = began_on
        .filter(|day| *day > today)
        .map(|began_on| JobDayFault::BeganInTheFuture { began_on });
    let finished_ahead = finished_on
        .filter(|day| *day > today)
        .map(|finished_on| JobDayFault::FinishedInTheFuture { finished_on });
    [began, finished, order, began_ahead, finished_ahead]
        .into_iter()
        .flatten()
        .collect()
}
