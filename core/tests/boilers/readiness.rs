//! The gates. Which checks block and which warn is this design's own rule, or the published rule of the British code
//! for certificates.

use crate::{
    question,
    random::{self, Random},
};
use outshop_core::{
    boilers::{
        codes,
        events::Event,
        papers::{Question, Sentence},
        readiness::{
            self, Asbestos, BoilerFacts, CameBack, Check, CheckAnswer, Facts, Gate, Link, Outcome,
            Photographs, Readiness, Settings, Shown,
        },
    },
    days::Day,
    engines::{engine::OfferedAs, surveys::Severity},
};

fn day(text: &str) -> Day {
    text.parse().expect("a day")
}

fn shown<T>(is: T) -> Shown<T> {
    Shown {
        is,
        link: Link::new("/v1/engines/417"),
    }
}

fn bars() -> Settings {
    Settings {
        blocking_warnings: Vec::new(),
        warning_days: 30,
        frost_months: vec![11, 12, 1, 2, 3],
    }
}

const IN_DATE: &[&str] = &[
    "hydraulic_repeat 2023-05-14 inspector_interest=false",
    "steam 2025-04-01 inspector_interest=false",
];

fn boiler(boiler: &str, events: &[&str]) -> BoilerFacts {
    let Question {
        jurisdiction,
        boiler,
        events,
        ..
    } = serde_json::from_value(question(boiler, events)).expect("a question");
    BoilerFacts {
        jurisdiction,
        boiler,
        rules: codes::seed().into(),
        events,
        papers: Link::new("/v1/boilers/88/papers"),
        has_gas_tank: Some(false),
        first_marketed_on: Some(day("1998-01-01")),
        evidence: Vec::new(),
    }
}

/// An engine with everything on record and in order; its steam certificate is valid to 1 June 2026.
fn ready() -> Facts {
    Facts {
        engine: Link::new("/v1/engines/417"),
        boiler_in_it: Some(Link::new("/v1/boilers/88")),
        code_rules: Some(Link::new("/v1/boiler-codes/1/rules")),
        not_described: None,
        offer: OfferedAs::Steamable,
        boiler: Some(boiler("GB copper 90 psi 8.0 L 1998-04-01", IN_DATE)),
        boiler_not_known: None,
        open_findings: Some(Vec::new()),
        jobs_started: Vec::new(),
        graded_on: Some(shown(day("2025-04-02"))),
        heavy_job_on: Some(shown(day("2025-04-02"))),
        asbestos: Some(shown(Asbestos::NotSuspected)),
        listing_says_so: None,
        buyer_acknowledged: None,
        photographs: Some(shown(Photographs {
            count: 4,
            with_alt: 4,
        })),
        description: Some(shown(true)),
        asking_price: Some(Link::new("/v1/engines/417/asking-prices")),
        sale: Some(Link::new("/v1/engines/417/sales/1")),
        money_settled: Some(shown(true)),
        buyer_abroad: Some(shown(false)),
        drained: None,
        lifting_weight: Some(Link::new("/v1/engines/417")),
        spares_packed: Some(shown(true)),
        papers_packed: Some(shown(true)),
        not_prepared: Some(shown(Vec::new())),
        came_back: Some(shown(CameBack {
            on: day("2026-01-01"),
            surveyed_since: true,
        })),
    }
}

/// Nothing on record but the engine itself.
fn bare() -> Facts {
    Facts {
        boiler: Some(boiler("GB copper 90 psi 8.0 L 1998-04-01", &[])),
        open_findings: None,
        graded_on: None,
        heavy_job_on: None,
        asbestos: None,
        photographs: None,
        description: None,
        asking_price: None,
        sale: None,
        money_settled: None,
        buyer_abroad: None,
        lifting_weight: None,
        spares_packed: None,
        papers_packed: None,
        not_prepared: None,
        came_back: None,
        ..ready()
    }
}

fn ask(facts: &Facts, gate: Gate, on: &str) -> Readiness {
    readiness::gate(facts, &bars(), gate, day(on))
}

#[track_caller]
fn find(answer: &Readiness, check: Check) -> &CheckAnswer {
    let found = answer.checks.iter().find(|it| it.check == check);
    found.unwrap_or_else(|| panic!("{check} is not among {:#?}", answer.checks))
}

fn unmet(answer: &Readiness) -> Vec<&str> {
    answer
        .checks
        .iter()
        .filter(|it| it.outcome == Outcome::Unmet)
        .map(|it| it.reason.as_str())
        .collect()
}

#[test]
fn an_engine_may_leave_until_the_last_day_of_its_paper() {
    let last = ask(&ready(), Gate::Deliver, "2026-06-01");
    assert!(last.open);
    assert_eq!(find(&last, Check::SteamPaper).outcome, Outcome::Warning);
    let next = ask(&ready(), Gate::Deliver, "2026-06-02");
    assert!(!next.open);
    assert_eq!(
        unmet(&next),
        ["The steam test certificate expired on 1 June 2026."]
    );
    let steam = find(&next, Check::SteamPaper);
    assert_eq!(
        steam.remedy.as_ref().map(|it| it.as_str()),
        Some("Record a steam test of this boiler.")
    );
    assert_eq!(steam.evidence, [Link::new("/v1/boilers/88/papers")]);
}

#[test]
fn a_certificate_is_a_warning_from_thirty_days_before_its_end() {
    for (on, outcome) in [
        ("2026-05-01", Outcome::Met),
        ("2026-05-02", Outcome::Warning),
        ("2026-06-01", Outcome::Warning),
    ] {
        let answer = ask(&ready(), Gate::Deliver, on);
        let steam = find(&answer, Check::SteamPaper);
        assert_eq!(steam.outcome, outcome, "{on}");
        assert_eq!(steam.valid_until, Some(day("2026-06-01")), "{on}");
    }
}

#[test]
fn a_warning_blocks_if_the_firm_says_so_and_an_unmet_check_always() {
    let strict = Settings {
        blocking_warnings: vec![Check::SteamPaper],
        ..bars()
    };
    assert!(readiness::gate(&ready(), &strict, Gate::Deliver, day("2026-05-01")).open);
    let watched = readiness::gate(&ready(), &strict, Gate::Deliver, day("2026-05-02"));
    assert!(!watched.open);
    assert_eq!(find(&watched, Check::SteamPaper).outcome, Outcome::Warning);
    let other = Settings {
        blocking_warnings: vec![Check::HydraulicPaper],
        ..bars()
    };
    assert!(readiness::gate(&ready(), &other, Gate::Deliver, day("2026-05-02")).open);
    assert!(!readiness::gate(&ready(), &other, Gate::Deliver, day("2026-06-02")).open);
}

#[test]
fn open_days_run_over_the_next_24_months() {
    let spans = |facts: &Facts, bars: &Settings, on: &str| {
        let answer = readiness::gate(facts, bars, Gate::Deliver, day(on));
        answer
            .open_days
            .iter()
            .map(|it| format!("{} {}", it.from, it.until))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let drained = Facts {
        drained: Some(shown(true)),
        ..ready()
    };
    assert_eq!(
        spans(&drained, &bars(), "2025-04-10"),
        "2025-04-10 2026-06-01"
    );
    assert_eq!(
        spans(&ready(), &bars(), "2025-04-10"),
        "2025-04-10 2025-10-31, 2026-04-01 2026-06-01",
        "frost"
    );
    let strict = Settings {
        blocking_warnings: vec![Check::SteamPaper],
        ..bars()
    };
    assert_eq!(
        spans(&drained, &strict, "2025-04-10"),
        "2025-04-10 2026-05-01"
    );
    let unpaid = Facts {
        money_settled: Some(shown(false)),
        ..drained
    };
    assert_eq!(spans(&unpaid, &bars(), "2025-04-10"), "");
    let bare_frames = Facts {
        boiler: None,
        ..ready()
    };
    assert_eq!(
        spans(&bare_frames, &bars(), "2025-04-10"),
        "2025-04-10 2027-04-10",
        "no boiler, no boiler checks"
    );
}

#[test]
fn a_fact_that_is_not_on_record_is_never_met() {
    let on = "2026-01-15";
    let list = ask(&bare(), Gate::List, on);
    assert_eq!(
        unmet(&list),
        [
            "No hydraulic test certificate is on record.",
            "No steam test certificate is on record.",
            "No survey is on record.",
            "It is not recorded whether asbestos is suspected.",
            "No condition grades are on record.",
            "No photograph that visitors may see is on record.",
            "The listing has no description.",
            "No asking price is set.",
        ]
    );
    let deliver = ask(&bare(), Gate::Deliver, on);
    assert_eq!(
        unmet(&deliver),
        [
            "No hydraulic test certificate is on record.",
            "No steam test certificate is on record.",
            "No survey is on record.",
            "It is not recorded whether asbestos is suspected.",
            "No sale is on record.",
            "The price is not paid in full.",
            "It is not recorded that the boiler and tanks are drained against frost.",
            "The lifting weight is not on record.",
            "It is not recorded that the included items are packed.",
            "It is not recorded that the papers are packed.",
        ]
    );
    for answer in [list, deliver] {
        assert!(!answer.open && answer.open_days.is_empty());
        let met: Vec<Check> = answer
            .checks
            .iter()
            .filter(|it| it.outcome == Outcome::Met)
            .map(|it| it.check)
            .collect();
        assert_eq!(
            met,
            [Check::BoilerCode, Check::JobsStarted],
            "an empty list of jobs is a record"
        );
    }
}

/// Each fact on its own, for an engine that is otherwise ready: the outcome of its check, and whether the gate stays
/// open.
#[test]
fn each_fact_changes_its_own_check() {
    type Change = fn(&mut Facts);
    let cases: &[(&str, Gate, Change, Check, Option<Outcome>)] = &[
        // Findings and jobs: a remark does no harm, and an open job is only a warning until the engine leaves.
        (
            "a note",
            Gate::List,
            |f| f.open_findings = Some(vec![shown(Severity::Note)]),
            Check::Findings,
            Some(Outcome::Met),
        ),
        (
            "stops sale",
            Gate::List,
            |f| f.open_findings = Some(vec![shown(Severity::StopsSale)]),
            Check::Findings,
            Some(Outcome::Unmet),
        ),
        (
            "stops steaming",
            Gate::Deliver,
            |f| f.open_findings = Some(vec![shown(Severity::StopsSteaming)]),
            Check::Findings,
            Some(Outcome::Unmet),
        ),
        (
            "a job, listed",
            Gate::List,
            |f| f.jobs_started = vec![Link::new("/v1/jobs/3")],
            Check::JobsStarted,
            Some(Outcome::Warning),
        ),
        (
            "a job, delivered",
            Gate::Deliver,
            |f| f.jobs_started = vec![Link::new("/v1/jobs/3")],
            Check::JobsStarted,
            Some(Outcome::Unmet),
        ),
        // Surveys: grades older than heavy work, and asbestos that is not cleared, keep the engine off the list.
        (
            "old grades",
            Gate::List,
            |f| f.heavy_job_on = Some(shown(day("2025-04-03"))),
            Check::Grades,
            Some(Outcome::Unmet),
        ),
        (
            "no heavy job",
            Gate::List,
            |f| f.heavy_job_on = None,
            Check::Grades,
            Some(Outcome::Met),
        ),
        (
            "asbestos",
            Gate::List,
            |f| f.asbestos = Some(shown(Asbestos::Suspected)),
            Check::Asbestos,
            Some(Outcome::Unmet),
        ),
        (
            "asbestos cleared",
            Gate::Deliver,
            |f| f.asbestos = Some(shown(Asbestos::Cleared)),
            Check::Asbestos,
            Some(Outcome::Met),
        ),
        // Photographs: at least one, and each with a description.
        (
            "no photograph",
            Gate::List,
            |f| {
                f.photographs = Some(shown(Photographs {
                    count: 0,
                    with_alt: 0,
                }))
            },
            Check::Photographs,
            Some(Outcome::Unmet),
        ),
        (
            "no alt",
            Gate::List,
            |f| {
                f.photographs = Some(shown(Photographs {
                    count: 4,
                    with_alt: 3,
                }))
            },
            Check::Photographs,
            Some(Outcome::Unmet),
        ),
        // Text and price: required for a listing only.
        (
            "no words",
            Gate::List,
            |f| f.description = Some(shown(false)),
            Check::Description,
            Some(Outcome::Unmet),
        ),
        (
            "no price",
            Gate::List,
            |f| f.asking_price = None,
            Check::AskingPrice,
            Some(Outcome::Unmet),
        ),
        (
            "no price, delivered",
            Gate::Deliver,
            |f| f.asking_price = None,
            Check::AskingPrice,
            None,
        ),
        // Sales: an engine leaves only when it is sold and paid for; a buyer abroad is a warning.
        (
            "no sale",
            Gate::Deliver,
            |f| f.sale = None,
            Check::Sale,
            Some(Outcome::Unmet),
        ),
        (
            "no sale, listed",
            Gate::List,
            |f| f.sale = None,
            Check::Sale,
            None,
        ),
        (
            "unpaid",
            Gate::Deliver,
            |f| f.money_settled = Some(shown(false)),
            Check::MoneySettled,
            Some(Outcome::Unmet),
        ),
        (
            "abroad",
            Gate::Deliver,
            |f| f.buyer_abroad = Some(shown(true)),
            Check::BuyerAbroad,
            Some(Outcome::Warning),
        ),
        (
            "at home",
            Gate::Deliver,
            |f| f.buyer_abroad = Some(shown(false)),
            Check::BuyerAbroad,
            None,
        ),
        // Items handed over: lifting weight, spares, certificates and the firm's own checklist count at delivery.
        (
            "no weight",
            Gate::Deliver,
            |f| f.lifting_weight = None,
            Check::LiftingWeight,
            Some(Outcome::Unmet),
        ),
        (
            "spares",
            Gate::Deliver,
            |f| f.spares_packed = Some(shown(false)),
            Check::SparesPacked,
            Some(Outcome::Unmet),
        ),
        (
            "papers",
            Gate::Deliver,
            |f| f.papers_packed = None,
            Check::PapersPacked,
            Some(Outcome::Unmet),
        ),
        (
            "the firm's list",
            Gate::Deliver,
            |f| f.not_prepared = Some(shown(vec!["Fire irons are in the box".to_owned()])),
            Check::Preparation,
            Some(Outcome::Unmet),
        ),
        // A returned engine is listed again only after a new survey.
        (
            "came back and was surveyed",
            Gate::List,
            |_| (),
            Check::SurveyAfterReturn,
            Some(Outcome::Met),
        ),
        (
            "came back and was not surveyed",
            Gate::List,
            |f| {
                f.came_back = Some(shown(CameBack {
                    on: day("2026-01-01"),
                    surveyed_since: false,
                }));
            },
            Check::SurveyAfterReturn,
            Some(Outcome::Unmet),
        ),
        (
            "never came back",
            Gate::List,
            |f| f.came_back = None,
            Check::SurveyAfterReturn,
            None,
        ),
        (
            "came back, leaves again",
            Gate::Deliver,
            |_| (),
            Check::SurveyAfterReturn,
            None,
        ),
        // A check that does not apply is left out and does not shut the gate.
        (
            "nothing on the firm's list",
            Gate::Deliver,
            |f| f.not_prepared = None,
            Check::Preparation,
            None,
        ),
        (
            "summer",
            Gate::Deliver,
            |f| f.drained = None,
            Check::Drained,
            None,
        ),
    ];

    // Only an unmet check shuts the gate, and every check that is not met names its remedy.
    for (says, gate, change, check, outcome) in cases {
        let mut facts = ready();
        change(&mut facts);
        let answer = ask(&facts, *gate, "2025-07-15");
        let found = answer.checks.iter().find(|it| it.check == *check);
        assert_eq!(found.map(|it| it.outcome), *outcome, "{says}");
        assert_eq!(answer.open, *outcome != Some(Outcome::Unmet), "{says}");
        assert_eq!(
            found.and_then(|it| it.remedy.as_ref()).is_some(),
            found.is_some_and(|it| it.outcome != Outcome::Met),
            "{says}"
        );
    }
}

/// As above, for the checks of its boiler besides the tests.
#[test]
fn each_fact_of_its_boiler_changes_its_own_check() {
    type Change = fn(&mut Facts);
    let of_boiler: fn(&mut Facts) -> &mut BoilerFacts =
        |facts| facts.boiler.as_mut().expect("a boiler");
    let boilers: &[(&str, Change, Check, Option<Outcome>)] = &[
        // Evidence of past use is required of a boiler marketed after the last day before the directive applied.
        (
            "marketed before the directive",
            |_| (),
            Check::EvidenceOfPastUse,
            None,
        ),
        (
            "on its last day",
            |f| f.boiler.as_mut().expect("a boiler").first_marketed_on = Some(day("2002-05-30")),
            Check::EvidenceOfPastUse,
            None,
        ),
        (
            "after it",
            |f| f.boiler.as_mut().expect("a boiler").first_marketed_on = Some(day("2002-05-31")),
            Check::EvidenceOfPastUse,
            Some(Outcome::Unmet),
        ),
        (
            "unknown",
            |f| f.boiler.as_mut().expect("a boiler").first_marketed_on = None,
            Check::EvidenceOfPastUse,
            Some(Outcome::Warning),
        ),
        // A gas tank needs a certificate of its own; an unknown one is a warning.
        ("no tank", |_| (), Check::GasTankPaper, None),
        (
            "a tank",
            |f| f.boiler.as_mut().expect("a boiler").has_gas_tank = Some(true),
            Check::GasTankPaper,
            Some(Outcome::Unmet),
        ),
        (
            "perhaps a tank",
            |f| f.boiler.as_mut().expect("a boiler").has_gas_tank = None,
            Check::GasTankPaper,
            Some(Outcome::Warning),
        ),
    ];
    for (says, change, check, outcome) in boilers {
        let mut facts = ready();
        change(&mut facts);
        let answer = ask(&facts, Gate::Deliver, "2025-07-15");
        let found = answer.checks.iter().find(|it| it.check == *check);
        assert_eq!(found.map(|it| it.outcome), *outcome, "{says}");
        assert_eq!(answer.open, *outcome != Some(Outcome::Unmet), "{says}");
    }

    // With evidence on file the check is met.
    let mut proved = ready();
    of_boiler(&mut proved).first_marketed_on = Some(day("2010-01-01"));
    of_boiler(&mut proved).evidence = vec![Link::new("/v1/certificates/5")];
    let answer = ask(&proved, Gate::List, "2025-07-15");
    assert_eq!(
        find(&answer, Check::EvidenceOfPastUse).outcome,
        Outcome::Met
    );
}

#[test]
fn missing_facts_of_a_test_are_warnings() {
    for (events, check, reason) in [
        (
            [
                "hydraulic_repeat 2023-05-14",
                "steam 2025-04-01 -highest_pressure",
            ],
            Check::SteamPaper,
            "The steam test of 1 April 2025 counts although the highest pressure in steam is not recorded: the inspector's record must show it.",
        ),
        (
            [
                "hydraulic_repeat 2023-05-14",
                "steam 2025-04-01 inspector_interest=true",
            ],
            Check::Inspector,
            "The inspector of the steam test of 1 April 2025 has an interest in the sale.",
        ),
        (
            ["hydraulic_repeat 2023-05-14", "steam 2025-04-01"],
            Check::Inspector,
            "It is not recorded whether the inspector of the repeat hydraulic test of 14 May 2023 has an interest in the sale.",
        ),
    ] {
        let facts = Facts {
            boiler: Some(boiler("GB copper 90 psi 8.0 L 1998-04-01", &events)),
            ..ready()
        };
        let answer = ask(&facts, Gate::Deliver, "2025-07-15");
        let found = find(&answer, check);
        assert_eq!(
            (found.outcome, found.reason.as_str()),
            (Outcome::Warning, reason)
        );
        assert!(answer.open);
    }
}

/// A certificate gives boiler number, pressure, date and inspector (Massachusetts General Laws, c. 146 s. 27,
/// published): without them, or without the result, the record opens no gate, and a later complete one does.
#[test]
fn a_test_whose_record_is_incomplete_opens_no_gate() {
    let lacks = |mut boiler: BoilerFacts, at: usize| {
        if let Event::Test { lacks, .. } = &mut boiler.events[at] {
            lacks.inspector = true;
        }
        boiler
    };
    let copper = "GB copper 90 psi 8.0 L 1998-04-01";
    let (water, steam) = ("hydraulic_repeat 2023-05-14", "steam 2025-04-01");
    let without = |what: &str, missing: &str| format!("{what} -{missing}");
    let of = |events: &[&str]| boiler(copper, events);

    // Each record lacks one thing.
    for (boiler, check, missing) in [
        (
            of(&[&without(water, "pressure"), steam]),
            Check::HydraulicPaper,
            "its pressure",
        ),
        (
            of(&[&without(water, "passed"), steam]),
            Check::HydraulicPaper,
            "its result",
        ),
        (
            of(&[water, &without(steam, "passed")]),
            Check::SteamPaper,
            "its result",
        ),
        (
            of(&[water, &without(steam, "boiler_number")]),
            Check::SteamPaper,
            "the number read on the boiler",
        ),
        (
            lacks(of(&[water, steam]), 0),
            Check::HydraulicPaper,
            "the inspector's name",
        ),
        (
            lacks(of(&[water, steam]), 1),
            Check::SteamPaper,
            "the inspector's name",
        ),
    ] {
        let facts = Facts {
            boiler: Some(boiler.clone()),
            ..ready()
        };

        // Both gates stay shut, and reason and remedy name what is missing.
        for gate in [Gate::List, Gate::Deliver] {
            let answer = ask(&facts, gate, "2025-07-15");
            let found = find(&answer, check);
            assert_eq!(found.outcome, Outcome::Unmet, "{missing}");
            let says = |sentence: &str| sentence.ends_with(&format!("{missing}."));
            assert!(says(found.reason.as_str()), "{:?}", found.reason);
            let remedy = found.remedy.as_ref().expect("what clears it");
            assert!(says(remedy.as_str()), "{remedy:?}");
            assert!(!answer.open && answer.open_days.is_empty());
        }

        // A complete record of the same tests opens the gate.
        let mut again = boiler;
        again.events.extend(of(&[water, steam]).events);
        let facts = Facts {
            boiler: Some(again),
            ..ready()
        };
        assert!(ask(&facts, Gate::Deliver, "2025-07-15").open, "{missing}");
    }

    // A failed test counts against the boiler whatever else is recorded.
    let failed = of(&[water, steam, "steam 2025-05-01 passed=false -boiler_number"]);
    let facts = Facts {
        boiler: Some(lacks(failed, 2)),
        ..ready()
    };
    assert!(!ask(&facts, Gate::Deliver, "2025-07-15").open);
}

#[test]
fn the_reason_says_why_a_certificate_ended() {
    let reason = |boiler_is: &str, events: &[&str], on: &str| {
        let facts = Facts {
            boiler: Some(boiler(boiler_is, events)),
            ..ready()
        };
        unmet(&ask(&facts, Gate::List, on)).join("; ")
    };
    let copper = "GB copper 90 psi 8.0 L 1998-04-01";
    let repaired = [IN_DATE, &["job 2025-09-01 pressure_parts"]].concat();
    assert_eq!(
        reason(copper, &repaired, "2025-09-01"),
        "The hydraulic test certificate is void from 1 September 2025.; The steam test certificate is void from 1 September 2025."
    );
    assert_eq!(reason(copper, &repaired, "2025-08-31"), "");
    assert_eq!(
        reason("GB copper 120 psi 150 L 1998-04-01", IN_DATE, "2025-04-30"),
        "The boiler is larger than the code of GB covers."
    );
    assert_eq!(
        reason("NZ copper 90 psi 8.0 L 1998-04-01", IN_DATE, "2025-08-31"),
        "No rule on record for NZ requires a certificate."
    );
}

#[test]
fn without_valid_certificates_the_listing_says_so_and_the_buyer_acknowledges_it() {
    for offer in [OfferedAs::WithoutPapers, OfferedAs::ForRestoration] {
        let facts = |said, acknowledged| Facts {
            offer,
            boiler: Some(boiler("GB copper 90 psi 8.0 L 1998-04-01", &[])),
            open_findings: Some(vec![shown(Severity::StopsSteaming)]),
            listing_says_so: said,
            buyer_acknowledged: acknowledged,
            ..ready()
        };
        let open =
            |gate, said, acknowledged| ask(&facts(said, acknowledged), gate, "2025-07-15").open;
        let (yes, no) = (Some(shown(true)), Some(shown(false)));
        assert!(open(Gate::List, yes.clone(), None));
        assert!(!open(Gate::List, no.clone(), yes.clone()));
        assert!(!open(Gate::List, None, None));
        assert!(open(Gate::Deliver, yes.clone(), yes.clone()));
        assert!(!open(Gate::Deliver, yes.clone(), no));
        assert!(!open(Gate::Deliver, yes.clone(), None));
        assert!(!open(Gate::Deliver, None, yes.clone()));
        let answer = ask(&facts(yes.clone(), yes), Gate::Deliver, "2025-07-15");
        assert_eq!(find(&answer, Check::Findings).outcome, Outcome::Warning);
        assert!(answer.checks.iter().all(|it| it.check != Check::SteamPaper));
    }
}

/// Plain reading, no source: a boiler that is not recorded is not the same as no boiler.
#[test]
fn an_engine_without_a_recorded_boiler_does_not_pass_for_one_without_a_boiler() {
    let what = "no boiler is recorded as fitted to the engine";
    let facts = Facts {
        boiler: None,
        boiler_not_known: Some(Sentence::new(what)),
        ..ready()
    };
    for gate in [Gate::List, Gate::Deliver] {
        assert_eq!(
            unmet(&ask(&facts, gate, "2025-07-15")),
            ["No boiler is recorded as fitted to the engine."]
        );
    }
    assert_eq!(ask(&facts, Gate::Deliver, "2025-04-10").open_days, []);
    let for_restoration = Facts {
        offer: OfferedAs::ForRestoration,
        listing_says_so: Some(shown(true)),
        ..facts
    };
    assert!(ask(&for_restoration, Gate::List, "2025-07-15").open);
    let deliver = ask(&for_restoration, Gate::Deliver, "2026-01-15");
    assert_eq!(
        find(&deliver, Check::PapersDisclosed).outcome,
        Outcome::Unmet
    );
    assert_eq!(find(&deliver, Check::Drained).outcome, Outcome::Unmet);
}

/// Plain reading, no source: the first engine listed needs its photographs as much as the hundredth.
#[test]
fn an_engine_without_a_photograph_is_not_listed() {
    let facts = Facts {
        photographs: None,
        ..ready()
    };
    let answer = ask(&facts, Gate::List, "2025-07-15");
    assert!(!answer.open);
    assert_eq!(find(&answer, Check::Photographs).outcome, Outcome::Unmet);
}

/// Plain reading, no source.
#[test]
fn the_days_allowed_by_the_certificates_are_shown_beside_those_allowed_by_everything() {
    let facts = Facts {
        sale: None,
        money_settled: None,
        ..ready()
    };
    let answer = ask(&facts, Gate::Deliver, "2025-07-15");
    let spans = |spans: &[outshop_core::days::DaySpan]| -> Vec<String> {
        let written = spans.iter().map(|it| format!("{} {}", it.from, it.until));
        written.collect()
    };
    assert_eq!(spans(&answer.open_days), [""; 0]);
    // Apart from the sale and frost protection, only the steam certificate ends them.
    assert_eq!(spans(&answer.papers_open_days), ["2025-07-15 2026-06-01"]);
    let answer = ask(&ready(), Gate::Deliver, "2025-07-15");
    assert_eq!(
        spans(&answer.open_days),
        ["2025-07-15 2025-10-31", "2026-04-01 2026-06-01"]
    );
    assert_eq!(spans(&answer.papers_open_days), ["2025-07-15 2026-06-01"]);
}

/// Every reason and remedy of either gate is a sentence, and a check that is not met names a request.
#[test]
fn reasons_and_remedies_are_sentences_with_a_request() {
    let whole =
        |text: &str| text.ends_with('.') && text.chars().next().is_some_and(|c| !c.is_lowercase());
    for facts in [bare(), ready()] {
        for gate in [Gate::List, Gate::Deliver] {
            for on in ["2025-07-15", "2026-01-15", "2026-06-02"] {
                for check in ask(&facts, gate, on).checks {
                    assert!(whole(check.reason.as_str()), "{check:?}");
                    let not_met = check.outcome != Outcome::Met;
                    assert_eq!(check.act.is_some(), not_met, "{check:?}");
                    let remedy = check.remedy.as_ref();
                    assert_eq!(
                        remedy.is_some_and(|it| whole(it.as_str())),
                        not_met,
                        "{check:?}"
                    );
                    let path = check.act.as_ref().map(|act| act.path.as_str());
                    assert!(
                        path.is_none_or(|path| path.starts_with("/v1/")),
                        "{check:?}"
                    );
                }
            }
        }
    }
}

#[test]
fn every_answer_about_a_boiler_has_cautions() {
    assert!(ask(&ready(), Gate::List, "2025-07-15").cautions.len() >= 4);
    assert!(
        ask(
            &Facts {
                boiler: None,
                ..ready()
            },
            Gate::List,
            "2025-07-15"
        )
        .cautions
        .is_empty()
    );
}

/// The open days compared with answers at their ends and each week, for random boilers; and no gate opens on a day on
/// which the certificates are not valid.
#[test]
fn open_days_agree_with_each_day() {
    let rules = codes::seed();
    let mut open_days = 0;
    for seed in 0..120 {
        let mut random = Random(seed);
        let Question {
            jurisdiction,
            boiler,
            events,
            ..
        } = random::question(&mut random);
        let mut question = Question {
            jurisdiction,
            boiler,
            events,
            days: Vec::new(),
            period: None,
        };

        // Random facts in shops with random settings: in some of them certain warnings shut the gate.
        let facts = Facts {
            boiler: Some(BoilerFacts {
                jurisdiction: question.jurisdiction.clone(),
                boiler: question.boiler.clone(),
                rules: rules.clone().into(),
                events: question.events.clone(),
                papers: Link::new("/v1/boilers/88/papers"),
                has_gas_tank: random.pick(&[None, Some(false)]),
                first_marketed_on: None,
                evidence: Vec::new(),
            }),
            drained: random.pick(&[None, Some(shown(true))]),
            ..ready()
        };
        let strict = Settings {
            blocking_warnings: random.pick(&[
                Vec::new(),
                Check::ALL.to_vec(),
                vec![Check::SteamPaper, Check::ExternalExamination],
            ]),
            ..bars()
        };
        let strict = Settings {
            blocking_warnings: strict
                .blocking_warnings
                .into_iter()
                .filter(|it| *it != Check::EvidenceOfPastUse)
                .collect(),
            ..strict
        };

        // The open days are asked for once, from 200 days before the last test on record.
        let from = question
            .events
            .iter()
            .filter(|it| matches!(it, Event::Test { .. }))
            .map(|it| {
                let (Event::Test { on, .. }
                | Event::JobFinished { on, .. }
                | Event::WorkingPressureChanged { on, .. }
                | Event::BoilerExchanged { on, .. }) = it;
                *on
            })
            .max()
            .unwrap_or(random::first_day())
            .plus_days(-200);
        let told = readiness::gate(&facts, &strict, Gate::Deliver, from).open_days;

        // Asked day by day, the gate agrees: at both ends of each span, on the days beside them, and weekly for two years.
        let edges = told.iter().flat_map(|span| {
            [
                span.from,
                span.until,
                span.from.plus_days(-1),
                span.until.plus_days(1),
            ]
        });
        let weekly = (0..104).map(|week| from.plus_days(week * 7));
        for on in edges
            .chain(weekly)
            .filter(|on| (from..=from.plus_months(24)).contains(on))
        {
            let open = readiness::gate(&facts, &strict, Gate::Deliver, on).open;
            let within = told.iter().any(|span| span.from <= on && on <= span.until);
            assert_eq!(open, within, "seed {seed}, {on}: {told:?}");

            // Above all, an open gate means that the boiler's certificates are valid on that day.
            question.days = vec![on];
            open_days += u32::from(open);
            let facts = facts.boiler.as_ref().expect("a boiler");
            if open && facts.has_gas_tank.is_none() {
                assert!(
                    outshop_core::boilers::papers::answer(&question, &rules).days[0].papers_valid,
                    "seed {seed}, {on}"
                );
            }
        }
    }

    // Enough open days were met for the comparison to mean something.
    assert!(open_days > 200, "{open_days}");
}
