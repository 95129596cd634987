//! The week of the latest plan, to hang up in the workshop.

use super::{HoursOfDay, Plan, UnplacedStep, find, sum};
use crate::{
    firm::sheets::{self, Sheet},
    ground::{
        actor::Staff,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        problem::Problem,
        query::Query,
        text::{Html, Line, Text},
    },
    schema::{engines as engines_table, promises as promises_table},
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::events::TestKind,
    days::Day,
    trade::{PlannedOutcome, PromiseKind},
    workshop::jobs::Hours,
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};
use utoipa::{IntoParams, ToSchema};

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SheetLine {
    pub stock_no: i32,
    pub name: Line,
    /// Where in the works the engine is.
    pub place: Option<Line>,
    /// Null: a test.
    pub job_id: Option<i64>,
    pub description: Line,
    /// The hours of this week, by day.
    #[schema(max_items = 7)]
    pub hours: Vec<HoursOfDay>,
    /// It continues after this week.
    pub goes_on: bool,
}

/// The week of one fitter.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SheetOfFitter {
    /// The fitter's name.
    pub fitter: Line,
    /// Total of the week.
    pub hours: Hours,
    #[schema(max_items = 1000)]
    pub lines: Vec<SheetLine>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SheetPromise {
    pub stock_no: i32,
    pub name: Line,
    /// The day promised.
    pub on: Day,
    /// What was promised. The day that a sale names is `delivered`.
    pub kind: PromiseKind,
    /// The text of the promise; null: it has none, or a sale names the day.
    pub promised: Option<Line>,
    /// Time in hand, as text.
    pub description: Text<400>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SheetTest {
    pub on: Day,
    pub stock_no: i32,
    pub name: Line,
    pub test: TestKind,
    /// The fitter that the plan gives it to; null: nobody.
    pub fitter: Option<Line>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SheetWaiting {
    pub job_id: i64,
    pub stock_no: i32,
    pub name: Line,
    pub description: Line,
    /// When the part or the outside work is expected.
    pub expected_on: Day,
    /// Who is chasing it; null: nobody.
    pub chased_by: Option<Line>,
}

/// A week of the plan: the work of each fitter, promises, tests, and what is waited for.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"plan_id": 1, "made_on": "2026-11-27", "from": "2026-11-23", "until": "2026-11-29",
    "fitters": [{"fitter": "Edda Morlock", "hours": "4", "lines": [{"stock_no": 30, "name": "Ruddlesby", "place": "bay 1", "job_id": 33,
        "description": "Lubricator ratchet", "hours": [{"on": "2026-11-27", "hours": "4"}], "goes_on": false}]}],
    "promises": [{"stock_no": 30, "name": "Ruddlesby", "on": "2026-12-12", "kind": "delivered", "promised": null,
        "description": "7 days to spare"}], "tests": [], "waiting": [], "unplaced": [],
    "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct WeekSheet {
    pub plan_id: i64,
    pub made_on: Day,
    /// A Monday.
    pub from: Day,
    /// The Sunday after it.
    pub until: Day,
    #[schema(max_items = 1000)]
    pub fitters: Vec<SheetOfFitter>,
    /// Promises that fall due in the week.
    #[schema(max_items = 5000)]
    pub promises: Vec<SheetPromise>,
    #[schema(max_items = 1000)]
    pub tests: Vec<SheetTest>,
    /// Jobs that cannot be planned, and why.
    #[schema(max_items = 1000)]
    pub waiting: Vec<SheetWaiting>,
    /// Work of the whole plan that is not scheduled yet.
    #[schema(max_items = 1000)]
    pub unplaced: Vec<UnplacedStep>,
    /// To be read with the sheet.
    #[schema(max_items = 1)]
    pub cautions: Vec<Text<400>>,
}

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WeekQuery {
    /// Any day of the week; today when omitted.
    on: Option<Day>,
}

// Routes

/// Get the workshop's week from the latest plan
///
/// With `Accept: text/html`, a sheet to print with boxes to tick.
#[get("/week-sheet", 404, 200(content((WeekSheet = "application/json"), (Html = "text/html"))))]
pub(super) async fn get_week_sheet(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<WeekQuery>,
) -> Reply {
    let mut conn = db.read().await?;
    let plan = find(&mut conn, None).await?;
    let plan =
        plan.ok_or_else(|| Problem::not_found("there is no plan yet; create one at /v1/plans"))?;
    let on = query.on.unwrap_or(actor.today);
    let sheet = week(&mut conn, &plan, on).await?;
    sheets::respond(&req, &mut conn, Sheet::Week, &sheet, Instant(actor.now)).await
}

async fn week(conn: &mut AsyncPgConnection, plan: &Plan, on: Day) -> Result<WeekSheet, Problem> {
    let from = on.plus_days(-i32::from(on.date().weekday().to_monday_zero_offset()));
    let until = from.plus_days(6);
    let answer = &plan.answer;
    let stock_nos: Vec<i32> = answer
        .steps
        .iter()
        .map(|step| step.stock_no)
        .chain(answer.promises.iter().map(|promise| promise.stock_no))
        .collect();
    let names: Vec<(i32, (Line, Option<Line>))> = engines_table::table
        .filter(engines_table::stock_no.eq_any(stock_nos))
        .select((
            engines_table::stock_no,
            (engines_table::name, engines_table::place),
        ))
        .load(conn)
        .await?;
    let names: HashMap<i32, (Line, Option<Line>)> = names.into_iter().collect();
    let named = |stock_no: i32| {
        let found = names.get(&stock_no).cloned();
        found.ok_or_else(|| stock::missing(stock_no))
    };
    let ids: Vec<i64> = answer
        .promises
        .iter()
        .filter_map(|it| it.promise_id)
        .collect();
    let promised: Vec<(i64, (PromiseKind, Option<Line>))> = promises_table::table
        .filter(promises_table::id.eq_any(ids))
        .select((
            promises_table::id,
            (promises_table::kind, promises_table::description),
        ))
        .load(conn)
        .await?;
    let promised: HashMap<i64, (PromiseKind, Option<Line>)> = promised.into_iter().collect();
    let mut fitters: BTreeMap<Line, Vec<SheetLine>> = BTreeMap::new();
    let (mut tests, mut waiting) = (Vec::new(), Vec::new());
    for step in &answer.steps {
        let (name, place) = named(step.stock_no)?;
        let hours = step
            .hours
            .iter()
            .filter(|it| (from..=until).contains(&it.on));
        let hours: Vec<HoursOfDay> = hours.cloned().collect();
        if let (Some(test), true) = (step.test, (from..=until).contains(&step.first)) {
            tests.push(SheetTest {
                on: step.first,
                stock_no: step.stock_no,
                name: name.clone(),
                test,
                fitter: step.fitter.clone(),
            });
        }
        if let (Some(job_id), Some(expected_on)) = (step.job_id, step.expected_on)
            && expected_on >= from
        {
            waiting.push(SheetWaiting {
                job_id,
                stock_no: step.stock_no,
                name: name.clone(),
                description: step.description.clone(),
                expected_on,
                chased_by: step.chased_by.clone(),
            });
        }
        if let (Some(fitter), false) = (&step.fitter, hours.is_empty()) {
            fitters.entry(fitter.clone()).or_default().push(SheetLine {
                stock_no: step.stock_no,
                name,
                place,
                job_id: step.job_id,
                description: step.description.clone(),
                hours,
                goes_on: step.last > until,
            });
        }
    }
    waiting.sort_by_key(|it| (it.expected_on, it.job_id));
    tests.sort_by_key(|it| (it.on, it.stock_no));
    let sheets = fitters.into_iter().map(|(fitter, lines)| {
        let hours = lines.iter().flat_map(|line| &line.hours);
        Ok::<_, Problem>(SheetOfFitter {
            hours: sum(hours.map(|it| it.hours))?,
            fitter,
            lines,
        })
    });
    let promises = answer.promises.iter().filter(|promise| promise.on >= from);
    let promises = promises.map(|promise| {
        let words = match (promise.days_in_hand, promise.outcome) {
            (None, _) => "not finished: something that it depends on is not scheduled".to_owned(),
            (Some(0), _) => "finished on the day promised".to_owned(),
            (Some(1), _) => "1 day in hand".to_owned(),
            (Some(days @ 2..), _) => format!("{days} days in hand"),
            (Some(days), PlannedOutcome::CannotBeKept) => {
                let before = promise.no_earlier_than;
                let before = before.map_or(String::new(), |day| {
                    format!(": it cannot be finished before {}", day.in_words())
                });
                format!("{} days late; no plan can keep it{before}", -days)
            }
            (Some(days), _) => format!("{} days late", -days),
        };
        let promised = promise.promise_id.and_then(|id| promised.get(&id).cloned());
        let (kind, promised) = promised.unwrap_or((PromiseKind::Delivered, None));
        Ok::<_, Problem>(SheetPromise {
            stock_no: promise.stock_no,
            name: named(promise.stock_no)?.0,
            on: promise.on,
            kind,
            promised,
            description: words.parse().map_err(Problem::internal)?,
        })
    });
    Ok(WeekSheet {
        plan_id: plan.id,
        made_on: plan.made_on,
        from,
        until,
        fitters: sheets.collect::<Result<_, _>>()?,
        promises: promises.collect::<Result<_, _>>()?,
        tests,
        waiting,
        unplaced: answer.unplaced.clone(),
        cautions: answer.cautions.clone(),
    })
}
