//! Certificates of a boiler: which are valid, given its tests and certificates, and which tests are due next.

use crate::{
    boilers::{
        boiler_tests::Test,
        boilers::{self, BoilerParticulars},
        certificates::Certificate,
        codes, pressure_changes,
    },
    firm::firm,
    ground::{
        actor::{AnyKey, Staff},
        answers::{Reply, respond},
        body::Body,
        clock::Instant,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        query::Query,
    },
    schema::{
        boiler_installations, boiler_pressure_changes, boilers as boiler_table, certificates, jobs,
        stock, tests,
    },
    stock::status_at,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::{self, BoilerNumber, Touches},
        codes::{Jurisdiction, Rule},
        events::{Event, Lacks, Reason, TestKind},
        papers::{self, Answer, Question, RequiredPressure},
    },
    days::{Day, DaySpan, TimeOfDay},
    trade::StockStatus,
    workshop::jobs::JobStatus,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(get_papers)
        .service(calculate_papers)
        .service(list_papers_due);
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct OnDay {
    /// The day to check. Default: today.
    #[param(example = "2026-12-19")]
    pub(crate) on: Option<Day>,
}

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DueFilters {
    /// How many days ahead to look.
    #[serde(default = "a_month")]
    #[param(minimum = 0, maximum = 3660, default = 30, example = 30)]
    within_days: u16,
}

fn a_month() -> u16 {
    30
}

/// A test that a boiler in stock needs soon.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "status": "in_stock", "boiler_id": 88, "boiler_number": "QLW 1187",
    "test": "steam", "by": "2026-06-01",
    "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "papers_valid": true, "reason": null}))]
pub struct PaperDue {
    pub stock_no: i32,
    pub status: StockStatus,
    pub boiler_id: i64,
    /// As stamped on the boiler.
    pub boiler_number: BoilerNumber,
    /// null: too little is recorded to say.
    pub test: Option<TestKind>,
    /// The last day for the test if the certificates are to stay valid without a gap; today if there is a gap already.
    pub by: Day,
    /// Pressure needed for the test to count: the minimum of a hydraulic test; in a steam test the working pressure,
    /// which must be reached. null: the code names none.
    pub pressure: Option<RequiredPressure>,
    /// Whether every certificate that the code requires is valid today; null: too little is recorded to say.
    pub papers_valid: Option<bool>,
    /// What is not recorded; null: enough is recorded.
    #[schema(max_length = 200)]
    pub reason: Option<&'static str>,
}

/// The example in the OpenAPI document.
fn answer_example() -> Value {
    let pressure = |value: &str, bar: &str| json!({"value": value, "unit": "psi", "bar": bar});
    json!({
        "bar_litres": "49.6423", "band": "main",
        "required": {"hydraulic_first": pressure("180", "12.4106"), "hydraulic_repeat": pressure("135", "9.3079"),
            "steam_limit": pressure("99", "6.8258")},
        "papers": [
            {"paper": "hydraulic", "test_on": "2022-05-14", "from": "2022-05-14", "until": "2026-05-14", "unlimited": false,
                "voided_on": null, "voided_by": null, "incomplete": false},
            {"paper": "steam", "test_on": "2025-04-01", "from": "2025-04-01", "until": "2026-05-14", "unlimited": false,
                "voided_on": null, "voided_by": null, "incomplete": false},
        ],
        "tests_not_counted": [],
        "days": [{"on": "2026-05-15", "papers_valid": false, "reasons": ["hydraulic_ran_out", "steam_ran_out"]}],
        "open_days": [],
        "next_due": [{"test": "hydraulic_repeat", "from": "2026-05-15", "by": "2026-05-15", "pressure": pressure("135", "9.3079")},
            {"test": "steam", "from": "2026-05-15", "by": "2026-05-15", "pressure": pressure("90", "6.2053")}],
        "flags": [],
        "cautions": ["Boiler certificates are not normally accepted abroad: the engine will need certificates from the country it goes to."],
    })
}

/// Why no boiler code can be applied.
pub(crate) const NO_VOLUME: &str = "the boiler's volume is not recorded, and no boiler code can be applied without it; \
    record it on the boiler";

/// Months after which a longer validity makes no difference to a buyer.
const LONGEST: i32 = 60;

/// Months ahead to search for days with valid certificates.
const MONTHS_AHEAD: i32 = 24;

// Routes

/// Get which certificates of a boiler are valid on a day
///
/// Says which records are valid, never that a boiler may be steamed. `open_days` are the days within 24 months of that
/// day on which all required certificates are valid. Refused (409) if the boiler's volume is not recorded.
#[get("/boilers/{id:\\d+}/papers", 409, 200(body = Answer, example = json!(answer_example())))]
async fn get_papers(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    query: Query<OnDay>,
) -> Reply {
    let mut conn = db.read().await?;
    boilers::must_exist(&mut conn, *id).await?;
    let on = query.on.unwrap_or(actor.today);
    let asked = question_for(&mut conn, *id, on).await?;
    let (question, rules) = asked.ok_or_else(|| Problem::conflict(NO_VOLUME))?;
    respond(&req, &papers::answer(&question, &rules))
}

/// Calculate which certificates would be valid
///
/// Applies the boiler code of the jurisdiction to the history in the request. Nothing is stored.
#[post("/calculations/papers", 200(body = Answer, example = json!(answer_example())),
    request_body(example = json!({"jurisdiction": "GB",
        "boiler": {"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
            "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-04-01"},
        "events": [
            {"event": "test", "test": "hydraulic_repeat", "on": "2022-05-14", "pressure": {"value": "135", "unit": "psi"},
                "hold_minutes": 10, "passed": true, "boiler_number": "QLW 1187"},
            {"event": "test", "test": "steam", "on": "2025-04-01", "highest_pressure": {"value": "90", "unit": "psi"},
                "passed": true, "boiler_number": "QLW 1187"}],
        "days": ["2026-05-15"]})))]
async fn calculate_papers(
    _by: AnyKey,
    req: HttpRequest,
    db: web::Data<Db>,
    question: Body<Question>,
) -> Reply {
    let faults = papers::faults(&question);
    if !faults.is_empty() {
        let errors = faults.into_iter().map(|fault| FieldError {
            pointer: fault.pointer,
            detail: fault.detail,
        });
        return Err(Problem::invalid_all(errors.collect()));
    }
    let mut conn = db.read().await?;
    let rules = codes::rules_of(&mut conn, &question.jurisdiction).await?;
    respond(&req, &papers::answer(&question, &rules))
}

/// List the tests that boilers in stock need soon
///
/// Covers every boiler in an engine not yet delivered; soonest first.
#[get("/papers/due", 200 = Page<PaperDue>)]
async fn list_papers_due(Staff(actor): Staff, list: ListQuery<DueFilters>) -> Reply {
    let within_days = list.filters.within_days;
    if within_days > 3660 {
        let detail = "`within_days` must be 0 to 3660";
        return Err(Problem::new(crate::ground::problem::INVALID_QUERY, detail));
    }
    let (today, now) = (actor.today, Instant(actor.now));
    let until = today.plus_days(within_days.into());
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut due = due(conn, today, until, now).await?;
        if let Some(after) = &page.after {
            let after = place_after(after);
            due.retain(|item| place_of(item) > after);
        }
        due.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        Ok(due)
    };
    list.answer(fetch, |item: &PaperDue| {
        let (by, test, boiler_id) = place_of(item);
        (json!([by, test]), boiler_id)
    })
    .await
}

/// Sort key of an item in the list of tests due.
type Place = (String, String, i64);

fn place_of(item: &PaperDue) -> Place {
    let test = item.test.map_or("", TestKind::as_str);
    (item.by.to_string(), test.to_owned(), item.boiler_id)
}

fn place_after((key, boiler_id): &(Value, i64)) -> Place {
    let part = |i: usize| key[i].as_str().unwrap_or_default().to_owned();
    (part(0), part(1), *boiler_id)
}

// SQL

/// The question about a stored boiler on a day and the 24 months from it, with the rules of the code. `None`: there is
/// no such boiler, or too little is recorded to apply a code.
pub(crate) async fn question_for(
    conn: &mut AsyncPgConnection,
    boiler_id: i64,
    on: Day,
) -> Result<Option<(Question, Vec<Rule>)>, Problem> {
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let history = histories(conn, &[boiler_id]).await?.pop();
    let question = history.and_then(|history| history.question_on(&jurisdiction, on));
    Ok(question.map(|question| (question, rules)))
}

/// A stored boiler with everything on record that affects its certificates.
#[derive(Clone)]
pub(crate) struct BoilerHistory {
    pub particulars: BoilerParticulars,
    /// Tests first, in the order of `tests`.
    pub events: Vec<Event>,
    /// Ids of its tests.
    pub(super) tests: Vec<i64>,
}

impl BoilerHistory {
    /// The boiler as the core checks it; `None`: its volume is not recorded.
    pub(crate) fn boiler(&self) -> Option<boiler::Boiler> {
        let recorded = &self.particulars;
        Some(boiler::Boiler {
            number: recorded.number.clone(),
            material: recorded.material,
            working_pressure: recorded.first_working_pressure.clone(),
            volume: recorded.volume.clone()?,
            first_service_on: recorded.first_service_on,
            gas_tank_volume: recorded.gas_tank_volume.clone(),
        })
    }

    /// Its history, as a question about no day yet; `None`: its volume is not recorded.
    pub(crate) fn question(&self, jurisdiction: &Jurisdiction) -> Option<Question> {
        Some(Question {
            jurisdiction: jurisdiction.clone(),
            boiler: self.boiler()?,
            events: self.events.clone(),
            days: Vec::new(),
            period: None,
        })
    }

    /// Months for which all certificates that the code requires stay valid: at least 1 and at most `LONGEST` while they
    /// are valid, else 0. `None`: the code has no answer, as too little is recorded, no rule applies, or the boiler is
    /// outside its limits.
    pub(crate) fn months_left(
        &self,
        jurisdiction: &Jurisdiction,
        rules: &[Rule],
        on: Day,
    ) -> Option<u32> {
        let until = on.plus_months(LONGEST);
        let question = Question {
            days: vec![on],
            period: Some(DaySpan { from: on, until }),
            ..self.question(jurisdiction)?
        };
        let answer = papers::answer_by_complete_tests(&question, rules);
        let silent = |reason: &Reason| matches!(reason, Reason::NoCode | Reason::OutsideCode);
        let day = answer.days.as_slice().first()?;
        if day.reasons.iter().any(silent) {
            return None;
        }
        let open = answer.open_days.iter().find(|span| span.from == on);
        Some(open.map_or(0, |span| span.until.whole_months_since(on).max(1)))
    }

    fn question_on(&self, jurisdiction: &Jurisdiction, on: Day) -> Option<Question> {
        Some(Question {
            days: vec![on],
            period: Some(DaySpan {
                from: on,
                until: on.plus_months(MONTHS_AHEAD),
            }),
            ..self.question(jurisdiction)?
        })
    }
}

/// The boilers with these ids and their history, in order of id.
pub(crate) async fn histories(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<BoilerHistory>, Problem> {
    let found = boilers::find_all(conn, ids).await?;
    let numbers: HashMap<i64, BoilerNumber> = found
        .iter()
        .map(|boiler| (boiler.id, boiler.number.clone()))
        .collect();
    let mut events: HashMap<i64, Vec<Event>> = HashMap::new();
    let mut test_ids: HashMap<i64, Vec<i64>> = HashMap::new();
    for (boiler_id, test_id, event) in tests_of(conn, ids, &numbers).await? {
        test_ids.entry(boiler_id).or_default().push(test_id);
        events.entry(boiler_id).or_default().push(event);
    }
    let all = [
        jobs_on(conn, ids).await?,
        changes_of(conn, ids).await?,
        exchanges_of(conn, ids).await?,
    ];
    for (boiler_id, event) in all.into_iter().flatten() {
        events.entry(boiler_id).or_default().push(event);
    }
    let histories = found.into_iter().map(|particulars| BoilerHistory {
        events: events.remove(&particulars.id).unwrap_or_default(),
        tests: test_ids.remove(&particulars.id).unwrap_or_default(),
        particulars,
    });
    Ok(histories.collect())
}

type Events = Vec<(i64, Event)>;

async fn tests_of(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
    numbers: &HashMap<i64, BoilerNumber>,
) -> Result<Vec<(i64, i64, Event)>, Problem> {
    let rows: Vec<(Test, Option<Certificate>)> = tests::table
        .left_join(certificates::table)
        .filter(tests::boiler_id.eq_any(ids))
        .select((Test::as_select(), Option::<Certificate>::as_select()))
        .order(tests::id)
        .load(conn)
        .await?;
    let events = rows.into_iter().map(|(test, certificate)| {
        let subject = numbers.get(&test.boiler_id);
        let named = certificate.as_ref().map(|paper| &paper.boiler_number);
        let event = Event::Test {
            test: test.test,
            jurisdiction: Some(test.jurisdiction),
            lacks: Lacks {
                inspector: test.inspector.is_none(),
                certificate: certificate.is_none(),
                supposed: false,
            },
            on: test.on,
            at: test.at,
            pressure: test.pressure,
            hold_minutes: test.hold_minutes.and_then(|n| u16::try_from(n).ok()),
            highest_pressure: test.highest_pressure,
            passed: test.passed,
            boiler_number: number_on_paper(named, test.boiler_number.as_ref(), subject),
            stated_until: certificate.as_ref().and_then(|paper| paper.stated_until),
            inspector_interest: test.inspector_interest,
        };
        (test.boiler_id, test.id, event)
    });
    Ok(events.collect())
}

/// The number that decides: of certificate and test record, one that differs from the boiler's, as it names another
/// boiler; else the certificate's.
fn number_on_paper(
    certificate: Option<&BoilerNumber>,
    test: Option<&BoilerNumber>,
    subject: Option<&BoilerNumber>,
) -> Option<BoilerNumber> {
    let another = [certificate, test]
        .into_iter()
        .flatten()
        .find(|number| Some(*number) != subject);
    another.or(certificate).or(test).cloned()
}

/// Finished jobs on these boilers.
async fn jobs_on(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    type Row = (
        Option<i64>,
        Option<Day>,
        Option<TimeOfDay>,
        Vec<Touches>,
        bool,
    );
    let rows: Vec<Row> = jobs::table
        .filter(jobs::boiler_id.eq_any(ids))
        .filter(jobs::status.eq(JobStatus::Finished))
        .select((
            jobs::boiler_id,
            jobs::finished_on,
            jobs::finished_at,
            jobs::touches,
            jobs::gauge_glass_only,
        ))
        .order(jobs::id)
        .load(conn)
        .await?;
    let events = rows
        .into_iter()
        .filter_map(|(boiler_id, on, at, touches, gauge_glass_only)| {
            let event = Event::JobFinished {
                on: on?,
                at,
                touches,
                gauge_glass_only: Some(gauge_glass_only),
            };
            Some((boiler_id?, event))
        });
    Ok(events.collect())
}

async fn changes_of(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    let rows: Vec<pressure_changes::PressureChange> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq_any(ids))
        .select(pressure_changes::PressureChange::as_select())
        .order(boiler_pressure_changes::id)
        .load(conn)
        .await?;
    let events = rows.into_iter().map(|change| {
        let event = Event::WorkingPressureChanged {
            on: change.on,
            at: change.at,
            working_pressure: change.working_pressure,
        };
        (change.boiler_id, event)
    });
    Ok(events.collect())
}

/// The days on which one of these boilers replaced another in an engine.
async fn exchanges_of(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    let (fitted, removed) = diesel::alias!(
        boiler_installations as fitted,
        boiler_installations as removed
    );
    let (inside, outside) = diesel::alias!(boiler_table as inside, boiler_table as outside);
    type Row = (i64, (Day, Option<TimeOfDay>), BoilerNumber, BoilerNumber);
    let rows: Vec<Row> = fitted
        .inner_join(
            removed.on(removed
                .field(boiler_installations::stock_no)
                .eq(fitted.field(boiler_installations::stock_no))
                .and(
                    removed
                        .field(boiler_installations::boiler_id)
                        .ne(fitted.field(boiler_installations::boiler_id)),
                )
                .and(
                    removed
                        .field(boiler_installations::removed_on)
                        .assume_not_null()
                        .le(fitted.field(boiler_installations::installed_on)),
                )),
        )
        .inner_join(
            inside.on(inside
                .field(boiler_table::id)
                .eq(fitted.field(boiler_installations::boiler_id))),
        )
        .inner_join(
            outside.on(outside
                .field(boiler_table::id)
                .eq(removed.field(boiler_installations::boiler_id))),
        )
        .filter(fitted.field(boiler_installations::boiler_id).eq_any(ids))
        .filter(
            inside
                .field(boiler_table::number)
                .ne(outside.field(boiler_table::number)),
        )
        .distinct_on(fitted.field(boiler_installations::id))
        .order((
            fitted.field(boiler_installations::id),
            removed.field(boiler_installations::removed_on).desc(),
        ))
        .select((
            fitted.field(boiler_installations::boiler_id),
            (
                fitted.field(boiler_installations::installed_on),
                fitted.field(boiler_installations::installed_at),
            ),
            inside.field(boiler_table::number),
            outside.field(boiler_table::number),
        ))
        .load(conn)
        .await?;
    let events = rows
        .into_iter()
        .map(|(boiler_id, (on, at), fitted, removed)| {
            let event = Event::BoilerExchanged {
                on,
                at,
                fitted,
                removed,
            };
            (boiler_id, event)
        });
    Ok(events.collect())
}

/// The tests that boilers in undelivered engines need up to that day, soonest first.
pub(crate) async fn due(
    conn: &mut AsyncPgConnection,
    today: Day,
    until: Day,
    now: Instant,
) -> Result<Vec<PaperDue>, Problem> {
    let rows: Vec<(i32, StockStatus, Option<i64>, Option<Instant>)> = stock::table
        .filter(
            stock::status
                .ne_all([StockStatus::Delivered, StockStatus::Gone])
                .and(stock::boiler_id.is_not_null()),
        )
        .select((
            stock::stock_no,
            stock::status,
            stock::boiler_id,
            stock::reserved_until,
        ))
        .order(stock::stock_no)
        .load(conn)
        .await?;
    let fitted: HashMap<i64, (i32, StockStatus)> = rows
        .into_iter()
        .filter_map(|(stock_no, status, boiler_id, reserved_until)| {
            let status = status_at(status, reserved_until, now);
            Some((boiler_id?, (stock_no, status)))
        })
        .collect();
    let ids: Vec<i64> = fitted.keys().copied().collect();
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let mut due = Vec::new();
    for history in histories(conn, &ids).await? {
        let boiler_id = history.particulars.id;
        let Some((stock_no, status)) = fitted.get(&boiler_id).copied() else {
            continue;
        };
        let item = |test, by, pressure, papers_valid, reason| PaperDue {
            stock_no,
            status,
            boiler_id,
            boiler_number: history.particulars.number.clone(),
            test,
            by,
            pressure,
            papers_valid,
            reason,
        };
        let question = history.question_on(&jurisdiction, today);
        let answer = question.map(|it| papers::answer_by_complete_tests(&it, &rules));
        match answer {
            Some(answer) => {
                let hold = answer.days.iter().map(|day| day.papers_valid).next();
                let soon = answer.next_due.iter().filter(|next| next.by <= until);
                due.extend(soon.map(|next| {
                    let pressure = next.pressure.clone();
                    item(Some(next.test), next.by, pressure, hold, None)
                }));
            }
            None => due.push(item(None, today, None, None, Some(NO_VOLUME))),
        }
    }
    due.sort_by_key(place_of);
    Ok(due)
}
