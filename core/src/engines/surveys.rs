//! The condition of an engine: grades, findings, and what clears a finding.

use crate::{days::Day, engines::engine::Kind, workshop::jobs::JobStatus};

words! {
    /// How well an engine was made, best first.
    pub enum BuildQuality {
        Exhibition = "exhibition",
        Fine = "fine",
        Sound = "sound",
        Plain = "plain",
        Rough = "rough",
    }
}
words! {
    /// A part of an engine, graded on its own.
    pub enum Area {
        Boiler = "boiler",
        FittingsAndFeeds = "fittings_and_feeds",
        CylindersAndValves = "cylinders_and_valves",
        Motion = "motion",
        WheelsAndAxleboxes = "wheels_and_axleboxes",
        Frames = "frames",
        PlateworkAndPaint = "platework_and_paint",
        Completeness = "completeness",
    }
}
words! {
    /// Condition of an area, best first.
    pub enum Grade { AsNew = "as_new", Good = "good", Fair = "fair", Worn = "worn", Defective = "defective" }
}
words! {
    /// `stops_steaming`: not to be steamed until rectified; `stops_sale`: not to be sold until rectified; `note`: for
    /// information.
    pub enum Severity { StopsSteaming = "stops_steaming", StopsSale = "stops_sale", Note = "note" }
}

impl BuildQuality {
    /// 0 (rough) to 4 (exhibition).
    pub const fn level(self) -> u8 {
        match self {
            BuildQuality::Exhibition => 4,
            BuildQuality::Fine => 3,
            BuildQuality::Sound => 2,
            BuildQuality::Plain => 1,
            BuildQuality::Rough => 0,
        }
    }
}

impl Area {
    /// What to check in a survey of an engine of this kind; common practice, no source.
    pub const fn look_at(self, kind: Kind) -> &'static [&'static str] {
        match self {
            Area::Boiler => &[
                "number and working pressure as stamped, compared with the certificates",
                "weeps and scale around foundation ring, firehole, tubes and bushes",
                "firebox crown and stays as far as they can be seen",
                "bulges, patches, wasted plates",
                "which certificates there are, and the boiler number on them",
            ],
            Area::FittingsAndFeeds => &[
                "safety valves: seating, seals, maker",
                "gauge glass, its cocks and drain; pressure gauge returns to zero",
                "each feed delivers water",
                "regulator and blower shut tight",
                "gas: dates of tank, valve and hose",
            ],
            Area::CylindersAndValves => &[
                "compression on both sides, blow-by at rings and valves",
                "drain cocks, glands, lubricator",
                "scored bores or rods as far as they can be seen",
            ],
            Area::Motion => &[
                "slack in pins, bushes and big ends",
                "valve setting equal on both sides, forward and back",
                "reverser stays where it is set",
            ],
            Area::WheelsAndAxleboxes => match kind {
                Kind::Locomotive => &[
                    "tyres and flanges, back to back",
                    "side play and lift in the axleboxes",
                    "springs free, brakes hold",
                ],
                Kind::RoadEngine => &[
                    "rims, spokes and tyres",
                    "play in hind and front axle bearings",
                    "gears, differential and winding drum; steering; brake holds",
                ],
                Kind::Stationary | Kind::Other => &[
                    "flywheel runs true and is tight on its shaft",
                    "play in the main bearings",
                    "governor and barring",
                ],
            },
            Area::Frames => &[
                "square and straight, cracks at horns and stretchers",
                "buffers, couplings or bed, and their bolts",
            ],
            Area::PlateworkAndPaint => &[
                "dents, corrosion under lagging and in tanks",
                "paint and lining, and whether they hide repairs",
            ],
            Area::Completeness => &[
                "parts missing or loose in boxes",
                "drawings, record book, tools, tender, trolley",
                "lagging material; if it may be asbestos, do not disturb it",
            ],
        }
    }
}

impl Grade {
    /// 0 (defective) to 4 (as new).
    pub const fn level(self) -> u8 {
        match self {
            Grade::AsNew => 4,
            Grade::Good => 3,
            Grade::Fair => 2,
            Grade::Worn => 1,
            Grade::Defective => 0,
        }
    }
}

/// A record that clears a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clearing {
    /// A job for the finding.
    Job {
        status: JobStatus,
        finished_on: Option<Day>,
    },
    /// A survey that found the defect rectified.
    Survey { on: Day },
}

/// The day from which a finding is cleared: the first day on which a job for it was finished or a later survey found it
/// rectified. `None`: it is open.
///
/// A job may be finished on the day of the finding, as it was started for it. A survey of that day does not count: it
/// is not known which came first.
pub fn cleared_on(found_on: Day, clearings: &[Clearing]) -> Option<Day> {
    clearings
        .iter()
        .filter_map(|clearing| match *clearing {
            Clearing::Job {
                status: JobStatus::Finished,
                finished_on,
            } => finished_on.filter(|day| *day >= found_on),
            Clearing::Job {
                status:
                    JobStatus::Proposed
                    | JobStatus::Agreed
                    | JobStatus::Started
                    | JobStatus::CalledOff,
                ..
            } => None,
            Clearing::Survey { on } => Some(on).filter(|day| *day > found_on),
        })
        .min()
}

/// Whether a finding is open on that day: found on or before it, and not yet cleared.
pub fn is_open(found_on: Day, clearings: &[Clearing], on: Day) -> bool {
    found_on <= on && cleared_on(found_on, clearings).is_none_or(|cleared| cleared > on)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    fn job(status: JobStatus, finished_on: Option<&str>) -> Clearing {
        Clearing::Job {
            status,
            finished_on: finished_on.map(day),
        }
    }

    #[test]
    fn levels_run_from_worst_to_best() {
        assert_eq!(
            Grade::ALL.iter().map(|g| g.level()).collect::<Vec<_>>(),
            [4, 3, 2, 1, 0]
        );
        assert_eq!(
            BuildQuality::ALL
                .iter()
                .map(|q| q.level())
                .collect::<Vec<_>>(),
            [4, 3, 2, 1, 0]
        );
        assert_eq!(Grade::Defective.level(), 0);
        assert_eq!(BuildQuality::Exhibition.level(), 4);
    }

    /// Plain reading of "open until a job or a survey clears it", no source.
    #[test]
    fn a_finding_is_open_until_the_day_its_job_is_finished() {
        let found_on = day("2026-03-02");
        let clearings = [
            job(JobStatus::CalledOff, None),
            job(JobStatus::Finished, Some("2026-03-10")),
        ];
        assert!(
            !is_open(found_on, &clearings, day("2026-03-01")),
            "not found yet"
        );
        assert!(is_open(found_on, &clearings, day("2026-03-02")));
        assert!(is_open(found_on, &clearings, day("2026-03-09")));
        assert!(!is_open(found_on, &clearings, day("2026-03-10")));
    }

    #[test]
    fn only_a_finished_job_or_a_later_survey_clears() {
        let found_on = day("2026-03-02");
        for (clearing, cleared) in [
            (job(JobStatus::Started, Some("2026-03-10")), None),
            (job(JobStatus::CalledOff, Some("2026-03-10")), None),
            (job(JobStatus::Finished, None), None),
            (job(JobStatus::Finished, Some("2026-03-01")), None),
            (
                job(JobStatus::Finished, Some("2026-03-02")),
                Some("2026-03-02"),
            ),
            (Clearing::Survey { on: found_on }, None),
            (
                Clearing::Survey {
                    on: day("2026-03-03"),
                },
                Some("2026-03-03"),
            ),
        ] {
            assert_eq!(
                cleared_on(found_on, &[clearing]),
                cleared.map(day),
                "{clearing:?}"
            );
        }
        assert_eq!(cleared_on(found_on, &[]), None);
    }

    #[test]
    fn the_first_clearing_counts_whatever_the_order_of_the_records() {
        let mut clearings = [
            Clearing::Survey {
                on: day("2026-04-01"),
            },
            job(JobStatus::Finished, Some("2026-03-10")),
        ];
        assert_eq!(
            cleared_on(day("2026-03-02"), &clearings),
            Some(day("2026-03-10"))
        );
        clearings.reverse();
        assert_eq!(
            cleared_on(day("2026-03-02"), &clearings),
            Some(day("2026-03-10"))
        );
    }
}
