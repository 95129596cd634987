//! Findings: defects recorded by surveys, and what cleared them.

use crate::{
    engines::surveys,
    ground::{
        actor::{Selling, Staff},
        answers::{Found, Reply},
        body::Patch,
        db::{ById, Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::Text,
    },
    schema::findings,
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    engines::surveys::{Area, Clearing, Severity, cleared_on},
    workshop::jobs::JobStatus,
};
use outshop_operation::{get, patch};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("surveys")
        .service(list_findings)
        .service(get_finding)
        .service(change_finding);
}

// Types

/// A defect found; open until a job or a later survey clears it.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = findings)]
#[schema(example = json!({"id": 205, "stock_no": 10, "survey_id": 61, "area": "cylinders_and_valves",
    "severity": "stops_steaming", "description": "the lubricator's ratchet slips", "found_on": "2026-04-08", "released": true,
    "cleared_on": "2026-04-20", "cleared_by_job_id": 33, "cleared_by_survey_id": null, "complaint_id": null}))]
pub struct Finding {
    pub id: i64,
    pub stock_no: i32,
    /// null: it comes from a buyer's complaint.
    pub survey_id: Option<i64>,
    /// null: the complaint does not say.
    pub area: Option<Area>,
    pub severity: Severity,
    pub description: Text<1000>,
    pub found_on: Day,
    /// Whether it may be published.
    pub released: bool,
    /// null: still open.
    pub cleared_on: Option<Day>,
    /// The job that cleared it; null: not cleared by a job.
    pub cleared_by_job_id: Option<i64>,
    /// The survey that cleared it; null: not cleared by a survey.
    pub cleared_by_survey_id: Option<i64>,
    /// The complaint that was open when the engine was returned. Its text is the buyer's and is not published.
    pub complaint_id: Option<i64>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"released": true}))]
pub struct FindingPatch {
    /// Whether it may be published.
    pub released: bool,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct FindingFilters {
    /// true: only open findings; false: only cleared ones.
    open: Option<bool>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = findings)]
pub struct ToldFinding {
    /// null: the complaint does not say.
    pub area: Option<Area>,
    pub severity: Severity,
    pub description: Text<1000>,
    pub found_on: Day,
    /// null: still open.
    pub cleared_on: Option<Day>,
}

/// The most findings listed for one engine.
pub(crate) const MOST_FINDINGS: i64 = 200;

/// Which findings to load.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Told {
    All,
    Open,
}

// Routes

/// List the findings of an engine
#[get("/engines/{stock_no:\\d+}/findings", 200 = Page<Finding>)]
async fn list_findings(
    _by: Staff,
    stock_no: web::Path<i32>,
    list: ListQuery<FindingFilters>,
) -> Reply {
    let (stock_no, open) = (*stock_no, list.filters.open);
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let mut rows = findings::table
            .filter(findings::stock_no.eq(stock_no))
            .select(Finding::as_select())
            .into_boxed();
        match open {
            Some(true) => rows = rows.filter(findings::cleared_on.is_null()),
            Some(false) => rows = rows.filter(findings::cleared_on.is_not_null()),
            None => {}
        }
        of_page!(page, rows, findings::id)
    };
    list.rows(rows, |it: &Finding| it.id).await
}

/// Get a finding
#[get("/findings/{id:\\d+}", 200 = Finding)]
async fn get_finding(_by: Staff, found: Found<Finding>) -> Reply {
    found.respond()
}

/// Release a finding for publication, or withhold it
///
/// Nothing else of a finding can be changed; record a new survey for the present condition. Refused (422) for a finding
/// that comes from a complaint: the text is the buyer's.
#[patch("/findings/{id:\\d+}", 200 = Finding)]
async fn change_finding(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<FindingPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = Finding::lock(tx.conn(), *id).await?;
        let FindingPatch { released } = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        if released && current.complaint_id.is_some() {
            let detail =
                "a complaint is the buyer's text; publish a survey that describes the defect";
            return Err(Problem::invalid("/released", detail));
        }
        let changed: Finding = diesel::update(findings::table.find(*id))
            .set(findings::released.eq(released))
            .returning(Finding::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record(
            "finding.changed",
            Some(changed.stock_no),
            json!({"finding_id": *id, "released": released}),
        )
        .await?;
        Ok(changed)
    })
    .await
}

// SQL

by_id!(Finding, findings, "there is no finding {id}");

/// Locks the open findings of the engine among `ids` until the end of the transaction. Errors for the others go to
/// `broken`; `pointer` is where the request names them.
pub(crate) async fn open_ones(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    ids: &[i64],
    pointer: &str,
    broken: &mut Vec<FieldError>,
) -> Result<HashMap<i64, Finding>, Problem> {
    let named: Vec<Finding> = findings::table
        .filter(findings::id.eq_any(ids))
        .filter(findings::stock_no.eq(stock_no))
        .select(Finding::as_select())
        .order(findings::id)
        .for_update()
        .load(conn)
        .await?;
    let mut open: HashMap<i64, Finding> = named.into_iter().map(|f| (f.id, f)).collect();
    for (i, id) in ids.iter().enumerate() {
        let detail = match open.get(id).map(|finding| finding.cleared_on) {
            Some(None) => continue,
            Some(Some(day)) => format!(
                "finding {id} was already cleared on {day}; leave it out",
                day = day.in_words()
            ),
            None => format!("engine {stock_no} has no finding {id}"),
        };
        broken.push(surveys::at(format!("{pointer}/{i}"), detail));
    }
    open.retain(|_, finding| finding.cleared_on.is_none());
    Ok(open)
}

/// Clears the findings of a job finished on that day, and returns the ids of those cleared. A finding that an earlier
/// survey has cleared keeps that day.
pub(crate) async fn clear_by_job(
    conn: &mut AsyncPgConnection,
    job_id: i64,
    ids: &[i64],
    on: Day,
) -> Result<Vec<i64>, Problem> {
    let named: Vec<Finding> = findings::table
        .filter(findings::id.eq_any(ids))
        .select(Finding::as_select())
        .order(findings::id)
        .for_update()
        .load(conn)
        .await?;
    let (mut clears, mut broken) = (Vec::new(), Vec::new());
    for finding in named {
        let done = Clearing::Job {
            status: JobStatus::Finished,
            finished_on: Some(on),
        };
        match cleared_on(finding.found_on, &[done]) {
            Some(day) if finding.cleared_on.is_none_or(|first| day < first) => {
                clears.push(finding.id);
            }
            Some(_) => {}
            None => broken.push(surveys::at(
                "/on",
                format!(
                    "finding {} of this job was found later, on {}; remove it from the job, or correct the day",
                    finding.id, finding.found_on.in_words()
                ),
            )),
        }
    }
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    diesel::update(findings::table.filter(findings::id.eq_any(&clears)))
        .set((
            findings::cleared_on.eq(on),
            findings::cleared_by_job_id.eq(job_id),
            findings::cleared_by_survey_id.eq(None::<i64>),
        ))
        .execute(conn)
        .await?;
    Ok(clears)
}

/// The recorded findings of an engine, open ones first.
pub(crate) async fn findings_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    which: Told,
) -> Result<Vec<ToldFinding>, Problem> {
    let mut query = findings::table
        .filter(findings::stock_no.eq(stock_no))
        .order((findings::cleared_on.desc().nulls_first(), findings::id))
        .select(ToldFinding::as_select())
        .limit(MOST_FINDINGS)
        .into_boxed();
    match which {
        Told::All => {}
        Told::Open => query = query.filter(findings::cleared_on.is_null()),
    }
    Ok(query.load(conn).await?)
}
