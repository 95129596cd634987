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

#[cfg(test)]
mod tests {
    use super::*;
    use JobStanding::{Agreed, CalledOff, Finished, InHand, Proposed};

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    fn faults(
        standing: JobStanding,
        began_on: Option<&str>,
        finished_on: Option<&str>,
    ) -> Vec<JobDayFault> {
        let job = JobDays {
            standing,
            began_on: began_on.map(day),
            finished_on: finished_on.map(day),
        };
        day_faults(job, day("2026-05-14"))
    }

    /// Every pair of standings; plain reading of the five words, no source.
    #[test]
    fn a_job_goes_one_step_at_a_time_and_ends_once() {
        let moves = [
            (Proposed, Agreed),
            (Proposed, CalledOff),
            (Agreed, InHand),
            (Agreed, CalledOff),
            (InHand, Finished),
            (InHand, CalledOff),
        ];
        for from in JobStanding::ALL {
            for to in JobStanding::ALL {
                assert_eq!(
                    from.may_become(*to),
                    moves.contains(&(*from, *to)),
                    "{from} to {to}"
                );
            }
        }
    }

    #[test]
    fn days_in_order_have_no_fault() {
        for (standing, began_on, finished_on) in [
            (Proposed, None, None),
            (Agreed, None, None),
            (InHand, Some("2026-05-14"), None),
            (Finished, Some("2026-05-14"), Some("2026-05-14")),
            (Finished, Some("2026-05-01"), Some("2026-05-14")),
            (CalledOff, None, None),
            (CalledOff, Some("2026-05-01"), None),
        ] {
            assert_eq!(faults(standing, began_on, finished_on), [], "{standing}");
        }
    }

    #[test]
    fn all_faults_are_told_at_once() {
        let (began_on, finished_on) = (day("2026-05-16"), day("2026-05-15"));
        assert_eq!(
            faults(Finished, Some("2026-05-16"), Some("2026-05-15")),
            [
                JobDayFault::FinishedBeforeItBegan {
                    began_on,
                    finished_on
                },
                JobDayFault::BeganInTheFuture { began_on },
                JobDayFault::FinishedInTheFuture { finished_on },
            ]
        );
        assert_eq!(
            faults(Finished, None, None),
            [JobDayFault::BeganMissing, JobDayFault::FinishedMissing]
        );
        assert_eq!(
            faults(Agreed, Some("2026-05-01"), Some("2026-05-02")),
            [JobDayFault::NotBegun, JobDayFault::NotFinished]
        );
        assert_eq!(faults(InHand, None, None), [JobDayFault::BeganMissing]);
        assert_eq!(
            faults(CalledOff, Some("2026-05-01"), Some("2026-05-02")),
            [JobDayFault::NotFinished]
        );
    }
}
