//! Work records: what was done on an engine while the firm had it, for the buyer.

use crate::{
    boilers::boiler_tests::Test,
    engines::{
        engines,
        findings::{Told, ToldFinding, findings_of},
        surveys::Grades,
    },
    firm::sheets::{self, Sheet},
    ground::{
        actor::Staff,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        text::{Html, Line, Text},
    },
    schema::{findings, jobs as jobs_table, tests},
    stock,
    workshop::jobs::{self, lines::PartsLine},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{boiler::Touches, paper_words::CAUTION, papers::Sentence},
    days::Day,
    workshop::jobs::JobStatus,
};
use outshop_operation::get;
use serde::Serialize;
use std::collections::{HashMap, HashSet};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("jobs").service(get_work_record);
}

/// The most jobs, and the most tests, listed for an engine.
const MOST: i64 = 500;

// Types

/// The work on an engine, without what it cost.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "name": "Marrowby", "came_on": "2026-04-02",
    "work": [{"title": "Lubricator ratchet", "finished_on": "2026-04-20", "touches": ["motion"],
        "put_right": ["the lubricator's ratchet slips"], "parts": ["ratchet wheel and pawl"], "grades_after": {"cylinders_and_valves": "good"}}],
    "tests": [], "still_open": [], "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct WorkRecord {
    pub stock_no: i32,
    pub name: Line,
    /// The day it last came to the firm.
    pub came_on: Day,
    /// Finished jobs, in the order in which they were finished.
    #[schema(max_items = 500)]
    pub work: Vec<WorkDone>,
    /// Tests of the boiler in the engine.
    #[schema(max_items = 500)]
    pub tests: Vec<Test>,
    /// Recorded findings not yet cleared.
    #[schema(max_items = 200)]
    pub still_open: Vec<ToldFinding>,
    #[schema(max_items = 1)]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WorkDone {
    pub title: Line,
    pub finished_on: Day,
    /// Parts of the engine that the work touched.
    #[schema(max_items = 4)]
    pub touches: Vec<Touches>,
    /// The findings that it cleared.
    #[schema(max_items = 200)]
    pub put_right: Vec<Text<1000>>,
    #[schema(max_items = 1000)]
    pub parts: Vec<Line>,
    /// Condition grades once the work was finished.
    pub grades_after: Grades,
}

// Routes

/// Get the record of the work on an engine, for a buyer
///
/// With `Accept: text/html`, a sheet to print.
#[get("/engines/{stock_no:\\d+}/work-record", 200(content((WorkRecord = "application/json"), (Html = "text/html"))))]
async fn get_work_record(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
) -> Reply {
    let mut conn = db.read().await?;
    let record = of_engine(&mut conn, *stock_no).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::WorkRecord, &record, now).await
}

// SQL

pub(crate) async fn of_engine(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<WorkRecord, Problem> {
    let engine = engines::find(conn, stock_no).await?;
    let ids: Vec<i64> = jobs_table::table
        .filter(jobs_table::stock_no.eq(stock_no))
        .filter(jobs_table::status.eq(JobStatus::Finished))
        .order((jobs_table::finished_on, jobs_table::id))
        .limit(MOST)
        .select(jobs_table::id)
        .load(conn)
        .await?;
    let words: Vec<(Option<i64>, Text<1000>)> = findings::table
        .filter(findings::cleared_by_job_id.eq_any(&ids))
        .order(findings::id)
        .select((findings::cleared_by_job_id, findings::description))
        .load(conn)
        .await?;
    let mut put_right = HashMap::<i64, Vec<Text<1000>>>::new();
    for (job, words) in words {
        if let Some(job) = job {
            put_right.entry(job).or_default().push(words);
        }
    }
    let mut work = Vec::with_capacity(ids.len());
    for job in jobs::find_all(conn, &ids).await? {
        let Some(finished_on) = job.facts.finished_on else {
            continue;
        };
        work.push(WorkDone {
            title: job.facts.title,
            finished_on,
            touches: job.facts.touches,
            put_right: put_right.remove(&job.facts.id).unwrap_or_default(),
            parts: not_reversed(job.parts),
            grades_after: job.grades_after,
        });
    }
    work.sort_by_key(|done| done.finished_on);
    let tests = match engine.in_stock.boiler_id {
        Some(boiler) => {
            tests::table
                .filter(tests::boiler_id.eq(boiler))
                .order((tests::on_day, tests::id))
                .limit(MOST)
                .select(Test::as_select())
                .load(conn)
                .await?
        }
        None => Vec::new(),
    };
    Ok(WorkRecord {
        stock_no,
        name: engine.particulars.name,
        came_on: stock::came_on(conn, stock_no).await?,
        work,
        tests,
        still_open: findings_of(conn, stock_no, Told::Open).await?,
        cautions: vec![CAUTION.into()],
    })
}

/// The parts not reversed by a later line.
fn not_reversed(lines: Vec<PartsLine>) -> Vec<Line> {
    let taken_back: HashSet<i64> = lines.iter().filter_map(|line| line.reverses_id).collect();
    let kept = |line: &PartsLine| line.reverses_id.is_none() && !taken_back.contains(&line.id);
    let status = lines.into_iter().filter(kept);
    status.map(|line| line.description).collect()
}
