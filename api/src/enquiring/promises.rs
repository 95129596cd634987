//! Promises: dates promised to customers, and those that may not be met.
//!
//! The day on which a sold engine is to leave is stored with its sale only, and read from there.

use crate::{
    firm::persons,
    ground::{
        actor::{Selling, Staff},
        answers::{Reply, respond},
        body::Body,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Line, Text},
    },
    schema::{deliveries, jobs, promises, sales as sales_table},
    stock,
    workshop::readiness::{facts::load_facts, settings},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        papers::Sentence,
        readiness::{self, Act, Check, CheckAnswer, Facts, Gate, Link, Outcome},
    },
    days::Day,
    trade::{PromiseDanger, PromiseEnd, PromiseKind, PromiseStatus},
    workshop::jobs::JobStatus,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(create_promise)
        .service(list_promises)
        .service(get_promise)
        .service(end_promise);
}

/// The most open promises read together; a firm has some dozens.
const MOST_OPEN: i64 = 5000;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
// `Promise` is a name that TypeScript clients cannot use for a type of their own.
#[schema(as = CustomerPromise, example = json!({"promise_id": 3, "sale_id": null, "stock_no": 10, "person_id": 12, "kind": "ready_for_collection",
    "description": null, "on": "2026-05-30", "given_on": "2026-05-14", "status": "open", "ended_on": null, "reason": null, "dangers": [{"danger": "paper_lapses",
    "reason": "The steam test certificate expired on 20 May 2026.", "remedy": "Record a steam test of this boiler.",
    "act": {"method": "POST", "path": "/v1/boilers/88/tests"}, "evidence": ["/v1/boilers/88/papers"]}]}))]
pub struct Promise {
    /// Null: the date is the `promised_on` of a sale.
    pub promise_id: Option<i64>,
    /// The sale with this date; change its `promised_on` to change it. Null: a promise of its own.
    pub sale_id: Option<i64>,
    pub stock_no: i32,
    /// The person who was promised the date.
    pub person_id: i64,
    pub kind: PromiseKind,
    /// What is promised, in words.
    pub description: Option<Line>,
    /// The date promised.
    pub on: Day,
    /// The day on which the promise was made.
    pub given_on: Day,
    pub status: PromiseStatus,
    /// The day on which it was kept, broken or withdrawn; null: open.
    pub ended_on: Option<Day>,
    /// Why it ended so; null: not recorded.
    pub reason: Option<Text<1000>>,
    /// Why it may not be kept, according to the records; empty once it has ended.
    #[schema(max_items = 100)]
    pub dangers: Vec<Danger>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PromiseDangerSeen)]
pub struct Danger {
    pub danger: PromiseDanger,
    /// What is wrong, as a sentence.
    pub reason: Sentence,
    /// What would remove the danger; null: nothing on record.
    pub remedy: Option<Sentence>,
    /// The request that does it; null: none.
    pub act: Option<Act>,
    /// The records that show it.
    #[schema(max_items = 200)]
    pub evidence: Vec<Link>,
}

#[derive(Debug, Clone, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = promises)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 10, "person_id": 12, "kind": "ready_for_collection", "on": "2026-05-30"}))]
pub struct NewPromise {
    pub stock_no: i32,
    /// The person who is promised the date.
    pub person_id: i64,
    /// Not `delivered` if the engine's sale has a promised date already.
    pub kind: PromiseKind,
    /// What is promised, in words; required for `other`.
    pub description: Option<Line>,
    /// Today or later.
    #[diesel(column_name = on_day)]
    pub on: Day,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewPromiseEnd, example = json!({"status": "kept", "on": "2026-05-29"}))]
pub struct NewEnd {
    pub status: PromiseEnd,
    /// From the day on which the promise was made to today. `kept`: not after the date promised.
    pub on: Day,
    /// Why it ended so.
    pub reason: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PromiseFilters {
    /// Only dates up to this day, inclusive.
    until: Option<Day>,
    /// true: only promises in danger; false: only those not in danger.
    in_danger: Option<bool>,
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
}

// Routes

/// Promise a date to a customer
///
/// Refused (409) once the engine has left. The date for a sold engine to leave is the `promised_on` of its sale.
#[post("/promises", 201 = Promise)]
async fn create_promise(
    Selling(actor): Selling,
    db: web::Data<Db>,
    new: Body<NewPromise>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        stock::lock_named(tx.conn(), new.stock_no, "/stock_no").await?;
        all_hold([
            (new.on >= actor.today, "/on", "must not be in the past"),
            (
                new.kind != PromiseKind::Other || new.description.is_some(),
                "/description",
                "missing; say what is promised",
            ),
        ])?;
        persons::must_exist(tx.conn(), new.person_id, "/person_id").await?;
        if stock::has_left(tx.conn(), new.stock_no).await? {
            return Err(Problem::conflict(
                "the engine has left, so no date can be promised for it",
            ));
        }
        let by_sale = stock::promise_of(tx.conn(), new.stock_no).await?;
        if let (PromiseKind::Delivered, Some((sale, on))) = (new.kind, by_sale) {
            let detail = format!(
                "sale {sale} promises {on} already; change promised_on there",
                on = on.in_words()
            );
            return Err(Problem::conflict(detail));
        }
        let row: Row = diesel::insert_into(promises::table)
            .values((promises::given_on.eq(actor.today), &*new))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"promise_id": row.id, "on": row.on});
        tx.record("promise.created", Some(new.stock_no), entry)
            .await?;
        let location = format!("/v1/promises/{}", row.id);
        Ok((location, one_seen(tx, row).await?))
    })
    .await
}

/// List open promises
///
/// In order of date, including the dates in sales, each with what puts it in danger.
#[get("/promises", 200 = Page<Promise>)]
async fn list_promises(Staff(actor): Staff, list: ListQuery<PromiseFilters>) -> Reply {
    let (filters, today) = (list.filters.clone(), actor.today);
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut open = open(conn, &filters).await?;
        if let Some((key, id)) = &page.after {
            let (on, of_sale): (Day, bool) = serde_json::from_value(key.clone()).map_err(|_| {
                Problem::new(
                    crate::ground::problem::INVALID_CURSOR,
                    "not a cursor of this list; start again without `cursor`",
                )
            })?;
            open.retain(|it| place(it) > (on, of_sale, *id));
        }
        endanger(conn, &mut open, today).await?;
        if let Some(wanted) = filters.in_danger {
            open.retain(|it| it.dangers.is_empty() != wanted);
        }
        open.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        Ok(open)
    };
    list.answer(fetch, |it: &Promise| {
        let (on, of_sale, id) = place(it);
        (json!((on, of_sale)), id)
    })
    .await
}

/// Read a promise
#[get("/promises/{id:\\d+}", 200 = Promise)]
async fn get_promise(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let mut one = vec![Row::find(&mut conn, *id).await?.promise()];
    endanger(&mut conn, &mut one, actor.today).await?;
    respond(&req, &one[0])
}

/// Record whether a promise was kept
///
/// Kept, broken or withdrawn. Refused (409) if it has ended already.
#[post("/promises/{id:\\d+}/end", 201 = Promise)]
async fn end_promise(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewEnd>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let row = Row::lock(tx.conn(), *id).await?;
        if new.on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        if new.on < row.given_on {
            return Err(Problem::invalid(
                "/on",
                "must not be before the promise was made",
            ));
        }
        if new.status == PromiseEnd::Kept && new.on > row.on {
            let detail = format!(
                "must not be after {}, the date promised; record the promise as broken",
                row.on.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        if row.ended.is_some() {
            return Err(Problem::conflict(
                "the promise has ended already; make a new promise",
            ));
        }
        let row: Row = diesel::update(promises::table.find(*id))
            .set((
                promises::ended.eq(new.status),
                promises::ended_on.eq(new.on),
                promises::reason.eq(&new.reason),
            ))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"promise_id": *id, "status": new.status});
        tx.record("promise.ended", Some(row.stock_no), entry)
            .await?;
        Ok((format!("/v1/promises/{id}"), one_seen(tx, row).await?))
    })
    .await
}

/// The position of a promise in the list.
fn place(it: &Promise) -> (Day, bool, i64) {
    let id = it.promise_id.or(it.sale_id).unwrap_or(0);
    (it.on, it.sale_id.is_some(), id)
}

/// What puts the promise in danger, from today's records.
fn dangers(
    it: &Promise,
    facts: &Facts,
    settings: &readiness::Settings,
    open_jobs: &[OpenJob],
    sold_to: Option<i64>,
    today: Day,
) -> Vec<Danger> {
    let mut dangers = Vec::new();
    if let (Some(buyer), Some(sale)) = (sold_to, &facts.sale)
        && buyer != it.person_id
    {
        dangers.push(Danger {
            danger: PromiseDanger::SoldToAnother,
            reason: Sentence::new("The engine is sold to someone else."),
            remedy: None,
            act: None,
            evidence: vec![sale.clone()],
        });
    }
    if it.on < today {
        dangers.push(Danger {
            danger: PromiseDanger::DayPast,
            reason: Sentence::new(&format!(
                "The date promised, {}, has passed.",
                it.on.in_words()
            )),
            remedy: None,
            act: None,
            evidence: Vec::new(),
        });
    }
    let on = it.on.max(today);
    let leaves = match it.kind {
        PromiseKind::ReadyForCollection | PromiseKind::Delivered => true,
        PromiseKind::AtInspector | PromiseKind::Other => false,
    };
    if leaves {
        let now = readiness::on_day(facts, settings, Gate::Deliver, today).checks;
        let then = readiness::on_day(facts, settings, Gate::Deliver, on).checks;
        // Open jobs are listed one by one below.
        let unmet = then
            .into_iter()
            .filter(|check| check.outcome == Outcome::Unmet && check.check != Check::JobsStarted);
        dangers.extend(unmet.map(|check| Danger {
            danger: if lapses(&check, &now) {
                PromiseDanger::PaperLapses
            } else {
                PromiseDanger::GateUnmet
            },
            reason: check.reason,
            remedy: check.remedy,
            act: check.act,
            evidence: check.evidence,
        }));
    }
    dangers.extend(open_jobs.iter().map(|job| {
        let (danger, reason) = match job.expected_on.filter(|expected| *expected > on) {
            Some(expected) => (
                PromiseDanger::ExpectedLater,
                format!(
                    "Job {} is waiting for parts or outside work expected on {expected}.",
                    job.id,
                    expected = expected.in_words()
                ),
            ),
            None => (
                PromiseDanger::JobOpen,
                format!("Job {} is {}.", job.id, job.status),
            ),
        };
        Danger {
            danger,
            reason: Sentence::new(&reason),
            remedy: Some(Sentence::new("Finish the job, or call it off.")),
            act: Some(Act::post(&format!("/v1/jobs/{}/transitions", job.id))),
            evidence: vec![Link::new(&format!("/v1/jobs/{}", job.id))],
        }
    }));
    dangers
}

/// Whether a check that fails then passes now: only the passing of time makes it fail.
fn lapses(then: &CheckAnswer, now: &[CheckAnswer]) -> bool {
    let before = now.iter().find(|check| check.check == then.check);
    before.is_some_and(|before| before.outcome != Outcome::Unmet)
}

// SQL

by_id!(Row, promises, "there is no promise {id}");

#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = promises)]
struct Row {
    id: i64,
    stock_no: i32,
    person_id: i64,
    given_on: Day,
    kind: PromiseKind,
    description: Option<Line>,
    #[diesel(column_name = on_day)]
    on: Day,
    ended: Option<PromiseEnd>,
    ended_on: Option<Day>,
    reason: Option<Text<1000>>,
}

impl Row {
    fn promise(self) -> Promise {
        Promise {
            promise_id: Some(self.id),
            sale_id: None,
            stock_no: self.stock_no,
            person_id: self.person_id,
            kind: self.kind,
            description: self.description,
            on: self.on,
            given_on: self.given_on,
            status: match self.ended {
                None => PromiseStatus::Open,
                Some(PromiseEnd::Kept) => PromiseStatus::Kept,
                Some(PromiseEnd::Broken) => PromiseStatus::Broken,
                Some(PromiseEnd::Withdrawn) => PromiseStatus::Withdrawn,
            },
            ended_on: self.ended_on,
            reason: self.reason,
            dangers: Vec::new(),
        }
    }
}

/// All open promises and the dates in sales, by date.
pub(crate) async fn all_open(conn: &mut AsyncPgConnection) -> Result<Vec<Promise>, Problem> {
    let filters = PromiseFilters {
        until: None,
        in_danger: None,
        stock_no: None,
    };
    open(conn, &filters).await
}

/// The open promises for an engine that may not be kept, by date.
pub(crate) async fn in_danger_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    today: Day,
) -> Result<Vec<Promise>, Problem> {
    let filters = PromiseFilters {
        until: None,
        in_danger: None,
        stock_no: Some(stock_no),
    };
    let mut open = open(conn, &filters).await?;
    endanger(conn, &mut open, today).await?;
    open.retain(|it| !it.dangers.is_empty());
    Ok(open)
}

async fn one_seen(tx: &mut Tx<'_>, row: Row) -> Result<Promise, Problem> {
    let today = tx.actor.today;
    let mut one = vec![row.promise()];
    endanger(tx.conn(), &mut one, today).await?;
    Ok(one.pop().expect("the one promise put in"))
}

/// Open promises and the dates in sales of engines not yet delivered, by date.
async fn open(
    conn: &mut AsyncPgConnection,
    filters: &PromiseFilters,
) -> Result<Vec<Promise>, Problem> {
    let mut own = promises::table
        .filter(promises::ended.is_null())
        .order((promises::on_day, promises::id))
        .limit(MOST_OPEN)
        .select(Row::as_select())
        .into_boxed();
    let mut of_sales = sales_table::table
        .left_join(deliveries::table)
        .filter(deliveries::id.is_null())
        .filter(sales_table::sale_cancelled_on.is_null())
        .filter(sales_table::promised_on.is_not_null())
        .order((sales_table::promised_on, sales_table::id))
        .limit(MOST_OPEN)
        .select((
            sales_table::id,
            sales_table::stock_no,
            sales_table::person_id,
            sales_table::on_day,
            sales_table::promised_on.assume_not_null(),
        ))
        .into_boxed();
    if let Some(until) = filters.until {
        own = own.filter(promises::on_day.le(until));
        of_sales = of_sales.filter(sales_table::promised_on.le(until));
    }
    if let Some(stock_no) = filters.stock_no {
        own = own.filter(promises::stock_no.eq(stock_no));
        of_sales = of_sales.filter(sales_table::stock_no.eq(stock_no));
    }
    let own: Vec<Row> = own.load(conn).await?;
    let of_sales: Vec<(i64, i32, i64, Day, Day)> = of_sales.load(conn).await?;
    let of_sales = of_sales
        .into_iter()
        .map(|(sale_id, stock_no, person_id, sold_on, on)| Promise {
            promise_id: None,
            sale_id: Some(sale_id),
            stock_no,
            person_id,
            kind: PromiseKind::Delivered,
            description: None,
            on,
            given_on: sold_on,
            status: PromiseStatus::Open,
            ended_on: None,
            reason: None,
            dangers: Vec::new(),
        });
    let mut all: Vec<Promise> = own.into_iter().map(Row::promise).chain(of_sales).collect();
    all.sort_by_key(place);
    Ok(all)
}

#[derive(Queryable)]
struct OpenJob {
    stock_no: i32,
    id: i64,
    status: JobStatus,
    expected_on: Option<Day>,
}

/// Adds the dangers to each open promise, with a fixed number of queries.
async fn endanger(
    conn: &mut AsyncPgConnection,
    all: &mut [Promise],
    today: Day,
) -> Result<(), Problem> {
    let open = all.iter().filter(|it| it.status == PromiseStatus::Open);
    let mut stock_nos: Vec<i32> = open.map(|it| it.stock_no).collect();
    stock_nos.sort_unstable();
    stock_nos.dedup();
    if stock_nos.is_empty() {
        return Ok(());
    }
    // No record is dated after today, so today's facts are those of every future day.
    let facts: HashMap<i32, Facts> = load_facts(conn, &stock_nos, today)
        .await?
        .into_iter()
        .collect();
    let settings = settings(conn).await?;
    let found: Vec<OpenJob> = jobs::table
        .filter(jobs::stock_no.eq_any(&stock_nos))
        .filter(jobs::status.eq_any([JobStatus::Agreed, JobStatus::Started]))
        .order(jobs::id)
        .select((jobs::stock_no, jobs::id, jobs::status, jobs::expected_on))
        .load(conn)
        .await?;
    let buyers: Vec<(i32, i64)> = sales_table::table
        .filter(sales_table::stock_no.eq_any(&stock_nos))
        .filter(sales_table::sale_cancelled_on.is_null())
        .select((sales_table::stock_no, sales_table::person_id))
        .load(conn)
        .await?;
    let buyers: HashMap<i32, i64> = buyers.into_iter().collect();
    let mut by_engine: HashMap<i32, Vec<OpenJob>> = HashMap::new();
    for job in found {
        by_engine.entry(job.stock_no).or_default().push(job);
    }
    for it in all {
        let open = it.status == PromiseStatus::Open;
        if let (true, Some(facts)) = (open, facts.get(&it.stock_no)) {
            let jobs = by_engine.get(&it.stock_no).map_or(&[][..], Vec::as_slice);
            let buyer = buyers.get(&it.stock_no).copied();
            it.dangers = dangers(it, facts, &settings, jobs, buyer, today);
        }
    }
    Ok(())
}
