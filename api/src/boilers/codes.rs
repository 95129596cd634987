//! Boiler codes: the test rules of jurisdictions, as dated rules that are added and ended, never edited.

use crate::{
    firm::dated_rows::{
        ByJurisdiction, Dated, Figure, NewEnd, RuleFilters, by_jurisdiction, dated,
    },
    ground::{
        actor::{AnyKey, Owner},
        answers::{Reply, respond},
        body::Body,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::{boiler_code_rules, boiler_codes},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::Material,
        codes::{Band, Effect, Jurisdiction, Mark, Rule, RuleKey, RuleUnit},
    },
    days::Day,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_codes)
        .service(create_code)
        .service(get_code)
        .service(create_rule)
        .service(get_rule)
        .service(end_rule);
}

// Types

/// A named set of test rules of a jurisdiction.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_codes)]
#[schema(example = json!({"id": 1, "jurisdiction": "GB", "name": "miniature boiler test code"}))]
pub struct BoilerCode {
    pub id: i64,
    pub jurisdiction: Jurisdiction,
    pub name: Text<120>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = boiler_codes)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"jurisdiction": "NZ", "name": "model engineers' boiler code"}))]
pub struct NewBoilerCode {
    pub jurisdiction: Jurisdiction,
    pub name: Text<120>,
}

/// A code with all its rules, including ended ones.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"id": 1, "jurisdiction": "GB", "name": "miniature boiler test code", "rules": [{"id": 4, "code_id": 1,
    "rule": "hydraulic_interval", "material": "copper", "band": "main", "first_service_from": null, "value": "48", "unit": "months",
    "effect": "blocks", "from": null, "until": null, "source": "The Examination & Testing of Miniature Steam Boilers, rev. 2012",
    "confidence": "published", "notes": null, "accepts": null}]}))]
pub struct BoilerCodePage {
    #[serde(flatten)]
    pub code: BoilerCode,
    #[schema(max_items = 1000)]
    pub rules: Vec<CodeRule>,
}

/// A rule of a code. If it names a material, a band or a first service, it applies only to these.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_code_rules)]
#[schema(example = json!({"id": 4, "code_id": 1, "rule": "hydraulic_interval", "material": "copper", "band": "main",
    "first_service_from": null, "value": "48", "unit": "months", "effect": "blocks", "from": null, "until": null,
    "source": "The Examination & Testing of Miniature Steam Boilers, rev. 2012", "confidence": "published", "notes": null, "accepts": null}))]
pub struct CodeRule {
    pub id: i64,
    pub code_id: i64,
    pub rule: RuleKey,
    /// null: any.
    pub material: Option<Material>,
    /// null: any.
    pub band: Option<Band>,
    /// For boilers first in service on or after this day; null: any.
    pub first_service_from: Option<Day>,
    /// In `unit`; null: the unit needs no value (`yes`, `for_life`).
    pub value: Option<Figure>,
    pub unit: RuleUnit,
    pub effect: Effect,
    /// First day in force; null: from the beginning.
    #[diesel(column_name = valid_from)]
    pub from: Option<Day>,
    /// Last day, inclusive; null: in force until further notice.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    /// How well established it is.
    #[diesel(column_name = mark)]
    pub confidence: Mark,
    /// For a caution: its text.
    pub notes: Option<Text<400>>,
    /// For `accepts_tests_of`: the other jurisdiction; its tests also count under this code. Else null.
    pub accepts: Option<Jurisdiction>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = boiler_code_rules)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"rule": "steam_interval", "value": "12", "unit": "months", "effect": "blocks", "from": "2026-06-01",
    "source": "Rules of the Quillow Lane club, 2026, section 4", "confidence": "published"}))]
pub struct NewCodeRule {
    pub rule: RuleKey,
    /// null: any.
    pub material: Option<Material>,
    /// null: any.
    pub band: Option<Band>,
    /// For boilers first in service on or after this day; null: any.
    pub first_service_from: Option<Day>,
    /// In `unit`; null: the unit needs no value (`yes`, `for_life`).
    pub value: Option<Figure>,
    /// Must be a unit of the rule.
    pub unit: RuleUnit,
    pub effect: Effect,
    /// First day in force.
    #[diesel(column_name = valid_from)]
    pub from: Day,
    /// Last day, inclusive; null: until further notice.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    #[diesel(column_name = mark)]
    pub confidence: Mark,
    /// Required for a caution: its text.
    pub notes: Option<Text<400>>,
    /// The other jurisdiction; its tests also count under this code. Required for `accepts_tests_of`, else null.
    pub accepts: Option<Jurisdiction>,
}

impl NewCodeRule {
    fn check(&self) -> Result<(), Problem> {
        let units = units(self.rule);
        let named: Vec<&str> = units.iter().map(|unit| unit.as_str()).collect();
        let says_it_all = matches!(self.unit, RuleUnit::Yes | RuleUnit::ForLife);
        let whole = match self.unit {
            RuleUnit::Months | RuleUnit::Minutes | RuleUnit::Days => true,
            RuleUnit::TimesWorkingPressure
            | RuleUnit::ForLife
            | RuleUnit::Bar
            | RuleUnit::BarLitres
            | RuleUnit::Litres
            | RuleUnit::Yes => false,
        };
        all_hold([
            (
                units.contains(&self.unit),
                "/unit",
                format!("must be {1} for {0}", self.rule, named.join(" or ")),
            ),
            (
                self.value.is_none() == says_it_all,
                "/value",
                "required, except for the units yes and for_life, where it must be null".to_owned(),
            ),
            (
                self.value.is_none_or(Figure::is_above_0),
                "/value",
                "must be more than 0".to_owned(),
            ),
            (
                !whole || self.value.is_none_or(Figure::is_a_count),
                "/value",
                "must be a whole number of at most 1200".to_owned(),
            ),
            (
                self.until.is_none_or(|until| until >= self.from),
                "/until",
                "must not be before `from`".to_owned(),
            ),
            (
                self.rule != RuleKey::Caution || self.notes.is_some(),
                "/notes",
                "required for a caution: give its text".to_owned(),
            ),
            (
                (self.rule == RuleKey::AcceptsTestsOf) == self.accepts.is_some(),
                "/accepts",
                "required for accepts_tests_of, else must be null".to_owned(),
            ),
        ])
    }
}

/// The units allowed for a rule.
fn units(rule: RuleKey) -> &'static [RuleUnit] {
    match rule {
        RuleKey::HydraulicFirstFactor
        | RuleKey::HydraulicRepeatFactor
        | RuleKey::HydraulicAfterRepairFactor
        | RuleKey::HydraulicAfterRepairMayAsk
        | RuleKey::HydraulicMostFactor
        | RuleKey::SteamLimitFactor
        | RuleKey::SafetyValveSetMost => &[RuleUnit::TimesWorkingPressure],
        RuleKey::HydraulicHold => &[RuleUnit::Minutes],
        RuleKey::ReportWithin => &[RuleUnit::Days],
        RuleKey::HydraulicFirstInterval
        | RuleKey::HydraulicInterval
        | RuleKey::SteamInterval
        | RuleKey::ExternalExaminationInterval
        | RuleKey::InternalExaminationInterval
        | RuleKey::UltrasonicInterval
        | RuleKey::GasTankInterval => &[RuleUnit::Months, RuleUnit::ForLife],
        RuleKey::GasTankPressure => &[RuleUnit::Bar],
        RuleKey::GasTankOnceBelow => &[RuleUnit::Litres],
        RuleKey::SmallBelow | RuleKey::OutsideAbove => &[RuleUnit::BarLitres],
        RuleKey::HydraulicAndUltrasonicInTurn
        | RuleKey::FittingsVoidHydraulic
        | RuleKey::GaugeGlassExcepted
        | RuleKey::InspectorIndependent
        | RuleKey::HobbyExemptionExcludesCommercialUse
        | RuleKey::EvidenceOfPastUse
        | RuleKey::AcceptsTestsOf
        | RuleKey::Caution => &[RuleUnit::Yes],
    }
}

// Routes

/// List boiler codes
#[get("/boiler-codes", 200 = Page<BoilerCode>, id = "list_boiler_codes")]
async fn list_codes(_by: AnyKey, list: ListQuery<RuleFilters>) -> Reply {
    BoilerCode::list(list).await
}

/// Add a boiler code
///
/// For a country or club without one. Add its rules one by one.
#[post("/boiler-codes", 201 = BoilerCodePage, id = "create_boiler_code")]
async fn create_code(Owner(actor): Owner, db: web::Data<Db>, new: Body<NewBoilerCode>) -> Reply {
    db.create(&actor, &new, async |tx| {
        let id: i64 = diesel::insert_into(boiler_codes::table)
            .values(&*new)
            .returning(boiler_codes::id)
            .get_result(tx.conn())
            .await?;
        let entry = json!({"code_id": id, "jurisdiction": new.jurisdiction});
        tx.record("boiler_code.created", None, entry).await?;
        Ok((format!("/v1/boiler-codes/{id}"), find(tx.conn(), id).await?))
    })
    .await
}

/// Get a boiler code
///
/// Returns every rule with its days, source and confidence, including ended rules.
#[get("/boiler-codes/{id:\\d+}", 200 = BoilerCodePage, id = "get_boiler_code")]
async fn get_code(_by: AnyKey, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let page = find(&mut *db.read().await?, *id).await?;
    respond(&req, &page)
}

/// Add a rule to a boiler code
///
/// For a rule of the firm's club or country. If several rules apply on a day, the one that started last is used; among
/// rules that started on the same day, the more specific one.
#[post("/boiler-codes/{id:\\d+}/rules", 201 = CodeRule, id = "create_boiler_code_rule")]
async fn create_rule(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewCodeRule>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let rule = insert_rule(tx, *id, &new).await?;
        Ok((rule_address(&rule), rule))
    })
    .await
}

/// Get a rule of a boiler code
#[get("/boiler-codes/{id:\\d+}/rules/{rule_id:\\d+}", 200 = CodeRule, id = "get_boiler_code_rule")]
async fn get_rule(
    _by: AnyKey,
    req: HttpRequest,
    db: web::Data<Db>,
    path: web::Path<(i64, i64)>,
) -> Reply {
    let (id, rule_id) = path.into_inner();
    let rule: Option<CodeRule> = boiler_code_rules::table
        .find(rule_id)
        .filter(boiler_code_rules::code_id.eq(id))
        .select(CodeRule::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    respond(&req, &rule.ok_or_else(|| missing_rule(id, rule_id))?)
}

/// End a rule of a boiler code
///
/// The rule is kept for past tests. Add its replacement as a new rule.
#[post("/boiler-codes/{id:\\d+}/rules/{rule_id:\\d+}/end", 201 = CodeRule, id = "end_boiler_code_rule")]
async fn end_rule(
    Owner(actor): Owner,
    db: web::Data<Db>,
    path: web::Path<(i64, i64)>,
    new: Body<NewEnd>,
) -> Reply {
    let (id, rule_id) = path.into_inner();
    db.create(&actor, &new, async |tx| {
        let rule = end(tx, id, rule_id, &new).await?;
        Ok((rule_address(&rule), rule))
    })
    .await
}

fn rule_address(rule: &CodeRule) -> String {
    format!("/v1/boiler-codes/{}/rules/{}", rule.code_id, rule.id)
}

fn missing_rule(id: i64, rule_id: i64) -> Problem {
    Problem::not_found(format!("boiler code {id} has no rule {rule_id}"))
}

// SQL

by_id!(BoilerCode, boiler_codes, "there is no boiler code {id}");
by_jurisdiction!(BoilerCode, boiler_codes);
dated!(CodeRule, boiler_code_rules);

/// All rules of a jurisdiction, for the core.
pub(crate) async fn rules_of(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
) -> Result<Vec<Rule>, Problem> {
    let rows: Vec<(BoilerCode, CodeRule)> = boiler_codes::table
        .inner_join(boiler_code_rules::table)
        .filter(boiler_codes::jurisdiction.eq(jurisdiction))
        .select((BoilerCode::as_select(), CodeRule::as_select()))
        .order(boiler_code_rules::id)
        .load(conn)
        .await?;
    let rules = rows.into_iter().map(|(code, row)| Rule {
        jurisdiction: code.jurisdiction,
        code: code.name.to_string(),
        rule: row.rule,
        material: row.material,
        band: row.band,
        first_service_from: row.first_service_from,
        value: row.value.map(|value| value.0),
        unit: row.unit,
        effect: row.effect,
        valid_from: row.from,
        valid_until: row.until,
        accepts: row.accepts,
        source: row.source.to_string(),
        mark: row.confidence,
        notes: row.notes.map(|notes| notes.to_string()),
    });
    Ok(rules.collect())
}

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<BoilerCodePage, Problem> {
    let code = BoilerCode::find(conn, id).await?;
    let rules = boiler_code_rules::table
        .filter(boiler_code_rules::code_id.eq(id))
        .select(CodeRule::as_select())
        .order(boiler_code_rules::id)
        .load(conn)
        .await?;
    Ok(BoilerCodePage { code, rules })
}

/// A code must stay small enough to be read whole.
const MOST_ROWS: i64 = 1000;

async fn insert_rule(tx: &mut Tx<'_>, id: i64, new: &NewCodeRule) -> Result<CodeRule, Problem> {
    BoilerCode::lock(tx.conn(), id).await?;
    new.check()?;
    let rows: i64 = boiler_code_rules::table
        .filter(boiler_code_rules::code_id.eq(id))
        .count()
        .get_result(tx.conn())
        .await?;
    if rows >= MOST_ROWS {
        let detail = format!("the code already has {MOST_ROWS} rules, the most allowed");
        return Err(Problem::conflict(detail));
    }
    let rule: CodeRule = diesel::insert_into(boiler_code_rules::table)
        .values((boiler_code_rules::code_id.eq(id), new))
        .returning(CodeRule::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"code_id": id, "rule_id": rule.id, "rule": rule.rule, "from": rule.from});
    tx.record("boiler_code.rule_created", None, entry).await?;
    Ok(rule)
}

async fn end(tx: &mut Tx<'_>, id: i64, rule_id: i64, ending: &NewEnd) -> Result<CodeRule, Problem> {
    let rule: Option<CodeRule> = boiler_code_rules::table
        .find(rule_id)
        .filter(boiler_code_rules::code_id.eq(id))
        .select(CodeRule::as_select())
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    let rule = rule.ok_or_else(|| missing_rule(id, rule_id))?;
    rule.may_end(ending)?;
    let ended = CodeRule::ended(tx.conn(), rule_id, ending).await?;
    let entry = json!({"code_id": id, "rule_id": rule_id, "until": ending.until});
    tx.record("boiler_code.rule_ended", None, entry).await?;
    Ok(ended)
}
