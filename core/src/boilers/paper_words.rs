//! What the records say about an engine's boiler certificates on a day. Never that a boiler may be steamed.

use crate::{
    boilers::{
        events::{PaperKind, Reason},
        papers::{Answer, DayAnswer, Sentence},
    },
    days::Day,
};

/// Goes with every statement about the certificates of a boiler.
pub const CAUTION: &str = "This lists the records on file. It is not a statement about the condition of the boiler; \
    whether it may be steamed is for the local code, an independent inspector and, where required, a licensed person.";

/// What is on record about the boiler certificates of an engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Papers<'a> {
    /// The engine is made without a boiler.
    NoBoiler,
    /// Too little is recorded about its boiler to apply a boiler code.
    NotKnown,
    /// Certificates by the boiler code; `days` of the answer includes the day in question.
    Clock(&'a Answer),
}

/// One or two sentences for `on`: the valid certificates with their last days, then whether the boiler code requires
/// more.
pub fn sentences(papers: Papers<'_>, on: Day) -> Vec<Sentence> {
    match papers {
        Papers::NoBoiler => vec![Sentence::new(
            "It has no boiler, so no boiler certificates apply.",
        )],
        Papers::NotKnown => {
            let [_, on_day] = openings(on);
            let text = format!("{on_day}we have no test certificate for this boiler on record.");
            vec![Sentence::new(&text)]
        }
        Papers::Clock(answer) => {
            let valid = valid_certificates(answer, on);
            let code = against_the_code(answer, on, !valid.is_empty());
            vec![records(&valid, on), code]
        }
    }
}

/// How the sentences that name the day begin. Only this part of them changes with the day.
pub fn openings(on: Day) -> [String; 2] {
    let on = on.in_words();
    [format!("Our records show, on {on}: "), format!("On {on} ")]
}

fn records(valid: &[String], on: Day) -> Sentence {
    let [records_show, on_day] = openings(on);
    Sentence::new(&if valid.is_empty() {
        format!("{on_day}this boiler has no valid test certificate on our records.")
    } else {
        format!("{records_show}{}.", valid.join("; "))
    })
}

fn valid_certificates(answer: &Answer, on: Day) -> Vec<String> {
    PaperKind::ALL
        .iter()
        .filter_map(|kind| {
            let name = kind.in_words();
            Some(match last_day(answer, *kind, on)? {
                LastDay::On(day) => format!("{name} valid to {}", day.in_words()),
                LastDay::None => format!("{name} with no expiry date"),
            })
        })
        .collect()
}

/// Last day of a valid certificate; the greatest is the one that is valid longest.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
enum LastDay {
    On(Day),
    None,
}

/// The longest of the certificates of that kind that are valid on that day.
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

fn against_the_code(answer: &Answer, on: Day, some_valid: bool) -> Sentence {
    let unknown =
        || Sentence::new("Our records do not show whether the boiler code requires any others.");
    let Some(DayAnswer {
        papers_valid,
        reasons,
        ..
    }) = answer.days.iter().find(|day| day.on == on)
    else {
        return unknown();
    };
    if *papers_valid {
        return Sentence::new(
            "These are all the certificates that the boiler code we hold requires.",
        );
    }
    if reasons.contains(&Reason::NoCode) {
        return Sentence::new("We hold no boiler code that covers this boiler.");
    }
    let lacks: Vec<String> = reasons.iter().filter_map(|reason| lack(*reason)).collect();
    let also = if some_valid { "also " } else { "" };
    let lacks = (!lacks.is_empty()).then(|| {
        format!(
            "The boiler code we hold {also}requires: {}.",
            lacks.join("; ")
        )
    });
    let outside = reasons
        .contains(&Reason::OutsideCode)
        .then(|| "This boiler is larger than the boiler code we hold covers.".to_owned());
    let said: Vec<String> = outside.into_iter().chain(lacks).collect();
    if said.is_empty() {
        unknown()
    } else {
        Sentence::new(&said.join(" "))
    }
}

/// The certificate that a reason misses, and how. `None`: the reason is about the code.
fn lack(reason: Reason) -> Option<String> {
    use PaperKind::{
        ExternalExamination, GasTank, Hydraulic, InternalExamination, Steam, Ultrasonic,
    };
    let (kind, state) = match reason {
        Reason::NoCode | Reason::OutsideCode => return None,
        Reason::HydraulicMissing => (Hydraulic, MISSING),
        Reason::HydraulicRanOut => (Hydraulic, EXPIRED),
        Reason::HydraulicVoid => (Hydraulic, VOID),
        Reason::SteamMissing => (Steam, MISSING),
        Reason::SteamRanOut => (Steam, EXPIRED),
        Reason::SteamVoid => (Steam, VOID),
        Reason::GasTankMissing => (GasTank, MISSING),
        Reason::GasTankRanOut => (GasTank, EXPIRED),
        Reason::GasTankVoid => (GasTank, VOID),
        Reason::ExternalExaminationMissing => (ExternalExamination, MISSING),
        Reason::ExternalExaminationRanOut => (ExternalExamination, EXPIRED),
        Reason::ExternalExaminationVoid => (ExternalExamination, VOID),
        Reason::InternalExaminationMissing => (InternalExamination, MISSING),
        Reason::InternalExaminationRanOut => (InternalExamination, EXPIRED),
        Reason::InternalExaminationVoid => (InternalExamination, VOID),
        Reason::UltrasonicMissing => (Ultrasonic, MISSING),
        Reason::UltrasonicRanOut => (Ultrasonic, EXPIRED),
        Reason::UltrasonicVoid => (Ultrasonic, VOID),
    };
    Some(format!("{} ({state})", kind.in_words()))
}

const MISSING: &str = "not on record";
const EXPIRED: &str = "expired";
const VOID: &str = "void";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::boilers::{
        codes::Band,
        papers::{Paper, Required},
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

    fn said(papers: Vec<Paper>, on: &str, reasons: &[Reason]) -> Vec<String> {
        let answer = answer(papers, on, reasons);
        sentences(Papers::Clock(&answer), day(on))
            .iter()
            .map(|sentence| sentence.as_str().to_owned())
            .collect()
    }

    /// Plain reading, no source.
    #[test]
    fn a_certificate_is_listed_on_its_last_day_and_not_after() {
        let papers = || {
            vec![
                paper(PaperKind::Hydraulic, Some("2027-05-14"), None),
                paper(PaperKind::Steam, Some("2026-05-14"), None),
            ]
        };
        assert_eq!(
            said(papers(), "2026-05-14", &[]),
            [
                "Our records show, on 14 May 2026: hydraulic test certificate valid to 14 May 2027; \
                 steam test certificate valid to 14 May 2026.",
                "These are all the certificates that the boiler code we hold requires.",
            ]
        );
        assert_eq!(
            said(papers(), "2026-05-15", &[Reason::SteamRanOut]),
            [
                "Our records show, on 15 May 2026: hydraulic test certificate valid to 14 May 2027.",
                "The boiler code we hold also requires: steam test certificate (expired).",
            ]
        );
    }

    /// Plain reading, no source.
    #[test]
    fn a_certificate_is_not_listed_from_the_day_it_is_void() {
        let papers = || {
            vec![paper(
                PaperKind::Hydraulic,
                Some("2027-05-14"),
                Some("2026-05-14"),
            )]
        };
        let before = said(papers(), "2026-05-13", &[]);
        assert!(
            before[0].contains("hydraulic test certificate valid to 13 May 2026"),
            "{before:?}"
        );
        let after = said(papers(), "2026-05-14", &[Reason::HydraulicVoid]);
        assert_eq!(
            after,
            [
                "On 14 May 2026 this boiler has no valid test certificate on our records.",
                "The boiler code we hold requires: hydraulic test certificate (void).",
            ]
        );
    }

    /// Plain reading, no source.
    #[test]
    fn of_two_certificates_of_a_kind_the_longer_is_listed() {
        let papers = vec![
            paper(PaperKind::GasTank, None, None),
            paper(PaperKind::GasTank, Some("2027-05-14"), None),
        ];
        let said = said(papers, "2026-05-14", &[]);
        assert!(
            said[0].contains("gas tank test certificate with no expiry date"),
            "{said:?}"
        );
    }

    /// The sentences state what is on record; the software never vouches for a boiler.
    #[test]
    fn no_sentence_vouches_for_a_boiler() {
        for reason in Reason::ALL {
            let on = day("2026-05-14");
            let clock = answer(vec![], "2026-05-14", &[*reason]);
            for papers in [Papers::NoBoiler, Papers::NotKnown, Papers::Clock(&clock)] {
                let said = sentences(papers, on);
                assert!((1..=2).contains(&said.len()));
                for sentence in said {
                    let words = sentence.as_str().to_lowercase();
                    assert!(!words.contains("safe") && words.ends_with('.'), "{words}");
                }
            }
        }
    }
}
