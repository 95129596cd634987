//! What a visitor is told of an engine's papers on a day: which records hold, never that a boiler may be steamed.

use crate::{
    boilers::{
        events::{PaperKind, Reason},
        papers::{Answer, Sentence},
    },
    days::Day,
};

/// Goes with every statement about the papers of a boiler.
pub const CAUTION: &str = "This says which records are on file and nothing of the state of the boiler: the local code, an \
    independent inspector and licensed practice decide whether it may be steamed.";

/// What is on record about the papers of an engine on offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Papers<'a> {
    /// The engine is made without a boiler.
    NoBoiler,
    /// Too little is recorded of its boiler to ask a boiler code.
    NotKnown,
    /// What the papers' clock says; its days hold the day asked about.
    Clock(&'a Answer),
}

/// One or two sentences for `on`: the papers that hold and their last days, then whether they are all that the boiler code
/// asks for.
pub fn sentences(papers: Papers<'_>, on: Day) -> Vec<Sentence> {
    match papers {
        Papers::NoBoiler => vec![Sentence::new(
            "It has no boiler, so that no boiler papers apply.",
        )],
        Papers::NotKnown => vec![Sentence::new(&format!(
            "On {on} no papers of its boiler are on record here."
        ))],
        Papers::Clock(answer) => vec![holding(answer, on), against_the_code(answer, on)],
    }
}

fn holding(answer: &Answer, on: Day) -> Sentence {
    let papers: Vec<String> = PaperKind::ALL
        .iter()
        .filter_map(|kind| {
            let last = last_day(answer, *kind, on)?;
            let name = name(*kind);
            Some(match last {
                LastDay::On(day) => format!("{name} until {day}"),
                LastDay::None => format!("{name} without a last day"),
            })
        })
        .collect();
    Sentence::new(&match papers.as_slice() {
        [] => format!("On {on} no paper of its boiler holds."),
        [one] => format!("On {on} there holds, by the records, {one}."),
        [first @ .., last] => format!(
            "On {on} there hold, by the records, {} and {last}.",
            first.join(", ")
        ),
    })
}

/// The last day of a paper that holds; the greatest is the paper that holds longest.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum LastDay {
    On(Day),
    None,
}

/// The longest of the papers of that kind which hold on that day.
fn last_day(answer: &Answer, kind: PaperKind, on: Day) -> Option<LastDay> {
    answer
        .papers
        .iter()
        .filter(|paper| paper.paper == kind && paper.from <= on)
        .filter_map(|paper| {
            let last_before_void = paper.voided_on.map(|day| day.plus_days(-1));
            let last = match (paper.until, last_before_void) {
                (Some(until), Some(before)) => LastDay::On(until.min(before)),
                (Some(day), None) | (None, Some(day)) => LastDay::On(day),
                (None, None) => LastDay::None,
            };
            (last >= LastDay::On(on)).then_some(last)
        })
        .max()
}

fn against_the_code(answer: &Answer, on: Day) -> Sentence {
    let day = answer.days.iter().find(|day| day.on == on);
    Sentence::new(&match day {
        Some(day) if day.papers_valid => {
            "These are the papers that the boiler code on file asks for.".to_owned()
        }
        Some(day) => {
            let lacks: Vec<String> = day.reasons.iter().map(|reason| lack(*reason)).collect();
            if lacks.is_empty() {
                not_all()
            } else {
                format!(
                    "They are not all that the boiler code on file asks for: {}.",
                    lacks.join("; ")
                )
            }
        }
        None => not_all(),
    })
}

fn not_all() -> String {
    "Whether they are all that its boiler code asks for is not on record.".to_owned()
}

fn name(kind: PaperKind) -> &'static str {
    match kind {
        PaperKind::Hydraulic => "a hydraulic paper",
        PaperKind::Steam => "a steam paper",
        PaperKind::GasTank => "a gas tank paper",
        PaperKind::ExternalExamination => "a paper of external examination",
        PaperKind::InternalExamination => "a paper of internal examination",
        PaperKind::Ultrasonic => "an ultrasonic paper",
    }
}

fn lack(reason: Reason) -> String {
    use PaperKind::{
        ExternalExamination, GasTank, Hydraulic, InternalExamination, Steam, Ultrasonic,
    };
    let missing = |kind| format!("{} is not on record", name(kind));
    let ran_out = |kind| format!("{} has run out", name(kind));
    let void = |kind| format!("{} is void", name(kind));
    match reason {
        Reason::NoCode => "no code on file covers it".to_owned(),
        Reason::OutsideCode => "the boiler is outside that code".to_owned(),
        Reason::HydraulicMissing => missing(Hydraulic),
        Reason::HydraulicRanOut => ran_out(Hydraulic),
        Reason::HydraulicVoid => void(Hydraulic),
        Reason::SteamMissing => missing(Steam),
        Reason::SteamRanOut => ran_out(Steam),
        Reason::SteamVoid => void(Steam),
        Reason::GasTankMissing => missing(GasTank),
        Reason::GasTankRanOut => ran_out(GasTank),
        Reason::GasTankVoid => void(GasTank),
        Reason::ExternalExaminationMissing => missing(ExternalExamination),
        Reason::ExternalExaminationRanOut => ran_out(ExternalExamination),
        Reason::ExternalExaminationVoid => void(ExternalExamination),
        Reason::InternalExaminationMissing => missing(InternalExamination),
        Reason::InternalExaminationRanOut => ran_out(InternalExamination),
        Reason::InternalExaminationVoid => void(InternalExamination),
        Reason::UltrasonicMissing => missing(Ultrasonic),
        Reason::UltrasonicRanOut => ran_out(Ultrasonic),
        Reason::UltrasonicVoid => void(Ultrasonic),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::boilers::{
        codes::Band,
        papers::{DayAnswer, Paper, Required},
    };

    fn day(text: &str) -> Day {
        text.parse().expect("a day")
    }

    fn paper(kind: PaperKind, until: Option<&str>, voided_on: Option<&str>) -> Paper {
        Paper {
            paper: kind,
            test_on: day("2025-05-15"),
            from: day("2025-05-15"),
            until: until.map(day),
            unlimited: until.is_none(),
            voided_on: voided_on.map(day),
            voided_by: None,
            incomplete: false,
        }
    }

    fn answer(papers: Vec<Paper>, on: &str, reasons: &[Reason]) -> Answer {
        Answer {
            bar_litres: "49.6423".to_owned(),
            band: Band::Main,
            required: Required {
                hydraulic_first: None,
                hydraulic_repeat: None,
                steam_limit: None,
            },
            papers,
            tests_not_counted: vec![],
            days: vec![DayAnswer {
                on: day(on),
                papers_valid: reasons.is_empty(),
                reasons: reasons.to_vec(),
            }],
            open_days: vec![],
            next_due: vec![],
            flags: vec![],
            cautions: vec![],
        }
    }

    fn told(papers: Vec<Paper>, on: &str, reasons: &[Reason]) -> Vec<String> {
        let answer = answer(papers, on, reasons);
        sentences(Papers::Clock(&answer), day(on))
            .iter()
            .map(|sentence| sentence.as_str().to_owned())
            .collect()
    }

    /// Plain reading, no source.
    #[test]
    fn the_last_day_of_a_paper_is_told_on_that_day_and_not_after() {
        let papers = || {
            vec![
                paper(PaperKind::Hydraulic, Some("2027-05-14"), None),
                paper(PaperKind::Steam, Some("2026-05-14"), None),
            ]
        };
        assert_eq!(
            told(papers(), "2026-05-14", &[]),
            [
                "On 2026-05-14 there hold, by the records, a hydraulic paper until 2027-05-14 and a steam paper until 2026-05-14.",
                "These are the papers that the boiler code on file asks for.",
            ]
        );
        assert_eq!(
            told(papers(), "2026-05-15", &[Reason::SteamRanOut]),
            [
                "On 2026-05-15 there holds, by the records, a hydraulic paper until 2027-05-14.",
                "They are not all that the boiler code on file asks for: a steam paper has run out.",
            ]
        );
    }

    /// Plain reading, no source.
    #[test]
    fn a_void_paper_is_not_told_from_the_day_it_is_void() {
        let papers = || {
            vec![paper(
                PaperKind::Hydraulic,
                Some("2027-05-14"),
                Some("2026-05-14"),
            )]
        };
        let before = told(papers(), "2026-05-13", &[]);
        assert!(
            before[0].contains("a hydraulic paper until 2026-05-13"),
            "{before:?}"
        );
        let after = told(papers(), "2026-05-14", &[Reason::HydraulicVoid]);
        assert_eq!(after[0], "On 2026-05-14 no paper of its boiler holds.");
    }

    /// Plain reading, no source.
    #[test]
    fn of_two_papers_of_a_kind_the_longer_is_told() {
        let papers = vec![
            paper(PaperKind::GasTank, None, None),
            paper(PaperKind::GasTank, Some("2027-05-14"), None),
        ];
        let told = told(papers, "2026-05-14", &[]);
        assert!(
            told[0].contains("a gas tank paper without a last day"),
            "{told:?}"
        );
    }

    /// What is on record holds or does not; the software never vouches for a boiler.
    #[test]
    fn no_sentence_vouches_for_a_boiler() {
        for reason in Reason::ALL {
            let on = day("2026-05-14");
            let clock = answer(vec![], "2026-05-14", &[*reason]);
            for papers in [Papers::NoBoiler, Papers::NotKnown, Papers::Clock(&clock)] {
                let told = sentences(papers, on);
                assert!((1..=2).contains(&told.len()));
                for sentence in told {
                    let words = sentence.as_str().to_lowercase();
                    assert!(!words.contains("safe") && words.ends_with('.'), "{words}");
                }
            }
        }
    }
}
