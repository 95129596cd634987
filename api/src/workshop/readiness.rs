//! Readiness: whether an engine may be listed, or may leave, on a day; why not, and what to do about it.

pub(crate) mod facts;

use crate::{
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, respond},
        body::Patch,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{self, Problem},
        query::Query,
        text::at_most,
    },
    schema::{gate_settings, stock},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use facts::load_facts;
use outshop_core::{
    boilers::readiness::{self, Check, CheckAnswer, Facts, Gate, Outcome, Readiness, Settings},
    days::Day,
    trade::StockStatus,
};
use outshop_operation::{get, patch};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(get_readiness)
        .service(list_readiness)
        .service(get_gate_settings)
        .service(change_gate_settings);
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct GateAndDay {
    /// The day to check. Default: today.
    #[param(example = "2026-12-19")]
    on: Option<Day>,
    /// Default: `deliver`.
    #[param(value_type = Option<Gate>, example = "deliver")]
    gate: Option<Gate>,
}

/// The firm's settings for its gates.
#[derive(Debug, Clone, Serialize, Deserialize, Queryable, Selectable, AsChangeset, ToSchema)]
#[diesel(table_name = gate_settings)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"blocking_warnings": ["inspector"], "warning_days": 30, "frost_months": [11, 12, 1, 2, 3]}))]
pub struct GateSettings {
    /// Checks for which a `warning` also shuts the gate. `unmet` always does.
    #[serde(deserialize_with = "at_most::<40, _, _>")]
    #[schema(max_items = 40)]
    pub blocking_warnings: Vec<Check>,
    /// A certificate that expires within this many days gives a warning.
    #[schema(minimum = 0, maximum = 366)]
    pub warning_days: i32,
    /// Months in which an engine must be drained to travel: 1 to 12, each once.
    #[serde(deserialize_with = "at_most::<12, _, _>")]
    #[schema(max_items = 12)]
    pub frost_months: Vec<i32>,
}

impl GateSettings {
    fn check(&self) -> Result<(), Problem> {
        if !(0..=366).contains(&self.warning_days) {
            return Err(Problem::invalid("/warning_days", "must be 0 to 366 days"));
        }
        let months = self.frost_months.iter();
        match months.enumerate().find(|(_, m)| !(1..=12).contains(*m)) {
            Some((i, _)) => Err(Problem::invalid(
                format!("/frost_months/{i}"),
                "must be a month from 1 to 12",
            )),
            None => Ok(()),
        }
    }
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ReadinessFilters {
    /// The day to check. Default: today.
    #[param(example = "2026-12-19")]
    on: Option<Day>,
    /// Default: `deliver`.
    #[param(value_type = Option<Gate>, example = "deliver")]
    gate: Option<Gate>,
    /// true: only engines with an open gate; false: only those with a shut gate.
    #[param(example = false)]
    open: Option<bool>,
}

/// Summary of one engine at a gate.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "on": "2026-12-19", "gate": "deliver", "open": false,
    "not_met": [{"check": "steam_paper", "outcome": "unmet", "reason": "The steam test certificate expired on 1 June 2026.",
        "remedy": "Record a steam test of this boiler.", "act": {"method": "POST", "path": "/v1/boilers/88/tests"}, "evidence": ["/v1/boilers/88/papers"], "valid_until": null}], "valid_until": null}))]
pub struct EngineReadiness {
    pub stock_no: i32,
    pub on: Day,
    pub gate: Gate,
    /// Whether every check of the gate is met.
    pub open: bool,
    /// The checks with outcome `unmet` or `warning`.
    #[schema(max_items = 40)]
    pub not_met: Vec<CheckAnswer>,
    /// The day on which the first certificate used in the result expires; null: none expires.
    pub valid_until: Option<Day>,
}

// Routes

/// List whether engines are ready to be listed or to leave
///
/// In order of stock number, each with the checks that are not met and their remedies. Says which records are valid,
/// never that an engine is safe.
#[get("/readiness", 200 = Page<EngineReadiness>)]
async fn list_readiness(Staff(actor): Staff, list: ListQuery<ReadinessFilters>) -> Reply {
    let on = list.filters.on.unwrap_or(actor.today);
    let gate = list.filters.gate.unwrap_or(Gate::Deliver);
    let wanted = list.filters.open;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let settings = settings(conn).await?;
        let wanted_by_page = usize::try_from(page.limit).map_err(Problem::internal)?;
        let mut after = page.after_id().unwrap_or(0);
        let mut found = Vec::new();
        // Results are not stored: engines are checked in batches until the page is full.
        while found.len() < wanted_by_page {
            let last = i32::try_from(after).unwrap_or(i32::MAX);
            let stock_nos = in_the_house(conn, last, page.limit).await?;
            let Some(last) = stock_nos.last() else { break };
            after = i64::from(*last);
            let facts = load_facts(conn, &stock_nos, on).await?;
            let items = facts
                .into_iter()
                .map(|(stock_no, facts)| in_short(stock_no, &facts, &settings, gate, on));
            found.extend(items.filter(|item| wanted.is_none_or(|open| item.open == open)));
        }
        found.truncate(wanted_by_page);
        Ok(found)
    };
    list.answer(fetch, |it: &EngineReadiness| i64::from(it.stock_no))
        .await
}

fn in_short(
    stock_no: i32,
    facts: &Facts,
    settings: &Settings,
    gate: Gate,
    on: Day,
) -> EngineReadiness {
    let seen = readiness::on_day(facts, settings, gate, on);
    EngineReadiness {
        stock_no,
        on,
        gate,
        open: seen.open,
        valid_until: seen.checks.iter().filter_map(|it| it.valid_until).min(),
        not_met: seen
            .checks
            .into_iter()
            .filter(|it| it.outcome != Outcome::Met)
            .collect(),
    }
}

/// Check whether an engine may be listed or may leave on a day
///
/// Says which records are valid, never that an engine is safe. `open_days` are the days within 24 months of that day on
/// which the gate is open; `papers_open_days` those on which the boiler's certificates would allow it. Each check that
/// is not met has a remedy and names the request for it.
#[get("/engines/{stock_no:\\d+}/readiness", 200(body = Readiness, example = json!({
        "on": "2026-06-02", "gate": "deliver", "open": false,
        "checks": [{"check": "steam_paper", "outcome": "unmet", "reason": "The steam test certificate expired on 1 June 2026.",
            "remedy": "Record a steam test of this boiler.", "act": {"method": "POST", "path": "/v1/boilers/88/tests"}, "evidence": ["/v1/boilers/88/papers"], "valid_until": null}],
        "open_days": [], "papers_open_days": [],
        "cautions": ["Boiler certificates are not normally accepted abroad: the engine will need certificates from the country it goes to."]})))]
async fn get_readiness(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<GateAndDay>,
) -> Reply {
    let on = query.on.unwrap_or(actor.today);
    let gate = query.gate.unwrap_or(Gate::Deliver);
    let mut conn = db.read().await?;
    let answer = answer(&mut conn, *stock_no, gate, on).await?;
    respond(&req, &answer)
}

/// Get the settings of the firm's gates
#[get("/gate-settings", 200 = GateSettings, id = "get_gate_settings")]
async fn get_gate_settings(_by: Staff, req: HttpRequest, db: web::Data<Db>) -> Reply {
    let settings = find_gate_settings(&mut *db.read().await?).await?;
    respond(&req, &settings)
}

/// Change the settings of the firm's gates
///
/// They apply to every gate checked from now on.
#[patch("/gate-settings", 200 = GateSettings, id = "change_gate_settings")]
async fn change_gate_settings(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    patch: Patch<GateSettings>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current: GateSettings = gate_settings::table
            .select(GateSettings::as_select())
            .for_update()
            .first(tx.conn())
            .await?;
        let change = patch.merged(&current)?;
        change.check()?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: GateSettings = diesel::update(gate_settings::table)
            .set(&change)
            .returning(GateSettings::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"members": patch.members()});
        tx.record("gate_settings.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

/// For acts that need an open gate: `not_ready` with every reason if it is shut. Lock the engine first, so that what
/// the gate checked is still true when the act is stored.
pub(crate) async fn gate_must_be_open(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let answer = answer(conn, stock_no, gate, on).await?;
    if answer.open {
        Ok(answer)
    } else {
        let settings = settings(conn).await?;
        Err(shut(&answer, &settings))
    }
}

/// The problem for a shut gate, with the checks that shut it.
pub(crate) fn shut(answer: &Readiness, settings: &Settings) -> Problem {
    let shuts = |outcome: Outcome, check: Check| match outcome {
        Outcome::Met => false,
        Outcome::Warning => settings.blocking_warnings.contains(&check),
        Outcome::Unmet => true,
    };
    let reasons = answer
        .checks
        .iter()
        .filter(|check| shuts(check.outcome, check.check))
        .map(|check| problem::GateReason {
            check: check.check.to_string(),
            reason: check.reason.as_str().to_owned(),
            remedy: check
                .remedy
                .as_ref()
                .map_or_else(String::new, |remedy| remedy.as_str().to_owned()),
            act: check.act.clone(),
            evidence: check
                .evidence
                .iter()
                .take(50)
                .map(|link| link.as_str().to_owned())
                .collect(),
        })
        .collect();
    let act = match answer.gate {
        Gate::List => "be listed",
        Gate::Deliver => "leave",
    };
    Problem::not_ready(
        format!(
            "the engine may not {act} on {}; see `reasons`",
            answer.on.in_words()
        ),
        reasons,
    )
}

// SQL

/// The result of a gate from what is recorded now; `not_found` if there is no such engine.
pub(crate) async fn answer(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    gate: Gate,
    on: Day,
) -> Result<Readiness, Problem> {
    let facts = load_facts(conn, &[stock_no], on).await?.pop();
    let (_, facts) = facts.ok_or_else(|| crate::stock::missing(stock_no))?;
    let settings = settings(conn).await?;
    Ok(readiness::gate(&facts, &settings, gate, on))
}

/// Stock numbers above `after` of engines that have not left, in order.
pub(crate) async fn in_the_house(
    conn: &mut AsyncPgConnection,
    after: i32,
    limit: i64,
) -> Result<Vec<i32>, Problem> {
    Ok(stock::table
        .filter(stock::status.ne_all([StockStatus::Delivered, StockStatus::Gone]))
        .filter(stock::stock_no.gt(after))
        .order(stock::stock_no)
        .limit(limit)
        .select(stock::stock_no)
        .load(conn)
        .await?)
}

/// The firm's settings for its gates.
pub(crate) async fn settings(conn: &mut AsyncPgConnection) -> Result<Settings, Problem> {
    let found = find_gate_settings(conn).await?;
    Ok(Settings {
        blocking_warnings: found.blocking_warnings,
        warning_days: u16::try_from(found.warning_days).map_err(Problem::internal)?,
        frost_months: found
            .frost_months
            .into_iter()
            .filter_map(|month| i8::try_from(month).ok())
            .collect(),
    })
}

async fn find_gate_settings(conn: &mut AsyncPgConnection) -> Result<GateSettings, Problem> {
    Ok(gate_settings::table
        .select(GateSettings::as_select())
        .first(conn)
        .await?)
}
