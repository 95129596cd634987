//! Surveys: the condition of an engine on a day.

use crate::{
    engines::findings::{Finding, open_ones},
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Line, Prose, Text, at_most},
    },
    schema::{comparables, engines as engines_table, findings, survey_grades, surveys},
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::readiness::Asbestos,
    days::Day,
    engines::surveys::{Area, BuildQuality, Clearing, Grade, Severity, cleared_on},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("surveys")
        .service(list_surveys)
        .service(create_survey)
        .service(get_survey);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = surveys)]
pub struct SurveyFacts {
    pub id: i64,
    pub stock_no: i32,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Who surveyed the engine.
    pub surveyor: Line,
    /// Quality of workmanship; null: not assessed.
    pub build_quality: Option<BuildQuality>,
    /// Result of the check for asbestos; null: not checked.
    pub asbestos: Option<Asbestos>,
    pub notes: Option<Prose>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 61, "stock_no": 10, "on": "2026-04-08", "surveyor": "Edda Morlock", "build_quality": "fine",
    "asbestos": "not_suspected", "notes": null, "grades": {"boiler": "good", "fittings_and_feeds": "good", "cylinders_and_valves": "worn", "motion": "fair",
    "wheels_and_axleboxes": null, "frames": "good", "platework_and_paint": "fair", "completeness": "good"},
    "findings": [{"id": 205, "stock_no": 10, "survey_id": 61, "area": "cylinders_and_valves", "severity": "stops_steaming",
    "description": "the lubricator's ratchet slips", "found_on": "2026-04-08", "released": false, "cleared_on": null,
    "cleared_by_job_id": null, "cleared_by_survey_id": null, "complaint_id": null}], "clears": []}))]
pub struct Survey {
    #[serde(flatten)]
    pub facts: SurveyFacts,
    pub grades: Grades,
    /// Defects found in this survey.
    #[schema(max_items = 200)]
    pub findings: Vec<Finding>,
    /// Ids of earlier findings that this survey saw rectified.
    #[schema(max_items = 200)]
    pub clears: Vec<i64>,
}

/// A condition grade for each area; null: not assessed.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Serialize,
    Deserialize,
    Queryable,
    Selectable,
    Insertable,
    ToSchema,
)]
#[diesel(table_name = comparables)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"boiler": "good", "motion": "fair"}))]
pub struct Grades {
    /// Null: not graded.
    pub boiler: Option<Grade>,
    /// Null: not graded.
    pub fittings_and_feeds: Option<Grade>,
    /// Null: not graded.
    pub cylinders_and_valves: Option<Grade>,
    /// Null: not graded.
    pub motion: Option<Grade>,
    /// Null: not graded.
    pub wheels_and_axleboxes: Option<Grade>,
    /// Null: not graded.
    pub frames: Option<Grade>,
    /// Null: not graded.
    pub platework_and_paint: Option<Grade>,
    /// Null: not graded.
    pub completeness: Option<Grade>,
}

impl Grades {
    pub(crate) fn of(&mut self, area: Area) -> &mut Option<Grade> {
        match area {
            Area::Boiler => &mut self.boiler,
            Area::FittingsAndFeeds => &mut self.fittings_and_feeds,
            Area::CylindersAndValves => &mut self.cylinders_and_valves,
            Area::Motion => &mut self.motion,
            Area::WheelsAndAxleboxes => &mut self.wheels_and_axleboxes,
            Area::Frames => &mut self.frames,
            Area::PlateworkAndPaint => &mut self.platework_and_paint,
            Area::Completeness => &mut self.completeness,
        }
    }

    pub(crate) fn given(mut self) -> Vec<(Area, Grade)> {
        let graded = |area: &Area| self.of(*area).map(|grade| (*area, grade));
        Area::ALL.iter().filter_map(graded).collect()
    }
}

impl FromIterator<(Area, Grade)> for Grades {
    fn from_iter<I: IntoIterator<Item = (Area, Grade)>>(graded: I) -> Grades {
        let mut grades = Grades::default();
        for (area, grade) in graded {
            *grades.of(area) = Some(grade);
        }
        grades
    }
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-04-08", "surveyor": "Edda Morlock", "build_quality": "fine",
    "grades": {"boiler": "good", "cylinders_and_valves": "worn", "motion": "fair"},
    "findings": [{"area": "cylinders_and_valves", "severity": "stops_steaming", "description": "the lubricator's ratchet slips"}]}))]
pub struct NewSurvey {
    /// Not before the engine arrived, not after today.
    pub on: Day,
    /// Who surveyed the engine.
    pub surveyor: Line,
    /// Quality of workmanship; null: not assessed.
    pub build_quality: Option<BuildQuality>,
    /// Asbestos in lagging and packings; `cleared`: a laboratory found none in a sample; null: not checked. Sets
    /// `asbestos_suspected` of the engine, unless a later survey has set it.
    pub asbestos: Option<Asbestos>,
    #[serde(default)]
    pub grades: Grades,
    /// The faults that were found.
    #[serde(default, deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    pub findings: Vec<NewFinding>,
    /// Ids of findings from earlier days that this survey saw rectified.
    #[serde(default, deserialize_with = "at_most::<200, _, _>")]
    #[schema(max_items = 200)]
    pub clears: Vec<i64>,
    pub notes: Option<Prose>,
}

#[derive(Debug, PartialEq, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFinding {
    pub area: Area,
    pub severity: Severity,
    pub description: Text<1000>,
}

// Routes

/// List the surveys of an engine
#[get("/engines/{stock_no:\\d+}/surveys", 200 = Page<Survey>)]
async fn list_surveys(_by: Staff, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let query = surveys::table
            .filter(surveys::stock_no.eq(stock_no))
            .select(SurveyFacts::as_select());
        let facts = of_page!(page, query, surveys::id).load(conn).await?;
        with_details(conn, facts).await
    };
    list.answer(fetch, |it: &Survey| it.facts.id).await
}

/// Record a survey
///
/// Its findings are open from the day of the survey. Name in `clears` the earlier findings that this survey saw
/// rectified; they must be open and from an earlier day (422).
#[post("/engines/{stock_no:\\d+}/surveys", 201 = Survey)]
async fn create_survey(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewSurvey>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), *stock_no).await?;
        check(tx, *stock_no, &new).await?;
        let survey = insert(tx, *stock_no, &new).await?;
        Ok((format!("/v1/surveys/{}", survey.facts.id), survey))
    })
    .await
}

/// Get a survey
#[get("/surveys/{id:\\d+}", 200 = Survey)]
async fn get_survey(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let mut conn = db.read().await?;
    let facts = surveys::table
        .find(*id)
        .select(SurveyFacts::as_select())
        .load(&mut conn)
        .await?;
    let survey = with_details(&mut conn, facts).await?.pop();
    respond(
        &req,
        &survey.ok_or_else(|| Problem::not_found(format!("there is no survey {id}")))?,
    )
}

// SQL

async fn check(tx: &mut Tx<'_>, stock_no: i32, new: &NewSurvey) -> Result<(), Problem> {
    let (today, came_on) = (tx.actor.today, stock::came_on(tx.conn(), stock_no).await?);
    let mut broken = Vec::new();
    if new.on > today {
        broken.push(at(
            "/on",
            "must not be in the future; record a survey once it has been made",
        ));
    }
    if new.on < came_on {
        broken.push(at(
            "/on",
            format!(
                "must not be before {came_on}, when the engine arrived",
                came_on = came_on.in_words()
            ),
        ));
    }
    let open = open_ones(tx.conn(), stock_no, &new.clears, "/clears", &mut broken).await?;
    for (i, id) in new.clears.iter().enumerate() {
        let looked = Clearing::Survey { on: new.on };
        if let Some(finding) = open.get(id)
            && cleared_on(finding.found_on, &[looked]).is_none()
        {
            let detail = format!(
                "finding {id} was found on {}; only a survey on a later day can clear it",
                finding.found_on.in_words()
            );
            broken.push(at(format!("/clears/{i}"), detail));
        }
    }
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

pub(super) fn at(pointer: impl Into<String>, detail: impl Into<String>) -> FieldError {
    FieldError {
        pointer: pointer.into(),
        detail: detail.into(),
    }
}

pub(crate) async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    new: &NewSurvey,
) -> Result<Survey, Problem> {
    let facts: SurveyFacts = diesel::insert_into(surveys::table)
        .values((
            surveys::stock_no.eq(stock_no),
            surveys::on_day.eq(new.on),
            surveys::surveyor.eq(&new.surveyor),
            surveys::build_quality.eq(new.build_quality),
            surveys::asbestos.eq(new.asbestos),
            surveys::notes.eq(&new.notes),
        ))
        .returning(SurveyFacts::as_returning())
        .get_result(tx.conn())
        .await?;
    if let Some(found) = new.asbestos {
        settle_asbestos(tx.conn(), &facts, found).await?;
    }
    let graded: Vec<_> = new
        .grades
        .given()
        .into_iter()
        .map(|(area, grade)| {
            (
                survey_grades::survey_id.eq(facts.id),
                survey_grades::area.eq(area),
                survey_grades::grade.eq(grade),
            )
        })
        .collect();
    diesel::insert_into(survey_grades::table)
        .values(graded)
        .execute(tx.conn())
        .await?;
    let found: Vec<_> = new
        .findings
        .iter()
        .map(|finding| {
            (
                findings::survey_id.eq(facts.id),
                findings::stock_no.eq(stock_no),
                findings::area.eq(finding.area),
                findings::severity.eq(finding.severity),
                findings::description.eq(&finding.description),
                findings::found_on.eq(new.on),
            )
        })
        .collect();
    let finding_ids: Vec<i64> = diesel::insert_into(findings::table)
        .values(found)
        .returning(findings::id)
        .load(tx.conn())
        .await?;
    diesel::update(findings::table.filter(findings::id.eq_any(&new.clears)))
        .set((
            findings::cleared_on.eq(new.on),
            findings::cleared_by_survey_id.eq(facts.id),
        ))
        .execute(tx.conn())
        .await?;
    let mut entry = json!({"survey_id": facts.id, "findings": finding_ids, "clears": new.clears});
    if let Some(found) = new.asbestos {
        entry["asbestos"] = json!(found);
    }
    tx.record("engine.surveyed", Some(stock_no), entry).await?;
    let survey = with_details(tx.conn(), vec![facts]).await?.pop();
    survey.ok_or_else(|| Problem::internal("the survey just inserted was not found"))
}

/// `asbestos_suspected` follows the latest survey that checked for asbestos.
async fn settle_asbestos(
    conn: &mut AsyncPgConnection,
    survey: &SurveyFacts,
    found: Asbestos,
) -> Result<(), Problem> {
    let later = surveys::table
        .filter(surveys::stock_no.eq(survey.stock_no))
        .filter(surveys::asbestos.is_not_null())
        .filter(surveys::on_day.gt(survey.on));
    let later: bool = diesel::select(diesel::dsl::exists(later))
        .get_result(conn)
        .await?;
    if !later {
        diesel::update(engines_table::table.find(survey.stock_no))
            .set(engines_table::asbestos_suspected.eq(found == Asbestos::Suspected))
            .execute(conn)
            .await?;
    }
    Ok(())
}

/// Adds the grades, the findings and the findings cleared.
async fn with_details(
    conn: &mut AsyncPgConnection,
    facts: Vec<SurveyFacts>,
) -> Result<Vec<Survey>, Problem> {
    let ids: Vec<i64> = facts.iter().map(|facts| facts.id).collect();
    let graded: Vec<(i64, Area, Grade)> = survey_grades::table
        .filter(survey_grades::survey_id.eq_any(&ids))
        .load(conn)
        .await?;
    let mut grades: HashMap<i64, Grades> = HashMap::new();
    for (id, area, grade) in graded {
        *grades.entry(id).or_default().of(area) = Some(grade);
    }
    let found: Vec<Finding> = findings::table
        .filter(findings::survey_id.eq_any(&ids))
        .select(Finding::as_select())
        .order(findings::id)
        .load(conn)
        .await?;
    let mut by_survey: HashMap<i64, Vec<Finding>> = HashMap::new();
    for finding in found {
        if let Some(survey) = finding.survey_id {
            by_survey.entry(survey).or_default().push(finding);
        }
    }
    let cleared: Vec<(Option<i64>, i64)> = findings::table
        .filter(findings::cleared_by_survey_id.eq_any(&ids))
        .select((findings::cleared_by_survey_id, findings::id))
        .order(findings::id)
        .load(conn)
        .await?;
    let detailed = |facts: SurveyFacts| Survey {
        grades: grades.get(&facts.id).copied().unwrap_or_default(),
        findings: by_survey.remove(&facts.id).unwrap_or_default(),
        clears: cleared
            .iter()
            .filter(|(survey, _)| *survey == Some(facts.id))
            .map(|(_, finding)| *finding)
            .collect(),
        facts,
    };
    Ok(facts.into_iter().map(detailed).collect())
}

/// Makes an open complaint about a returned engine into a finding, with its text cut after 1000 characters. It stops
/// the sale until a job or a survey clears it. Returns its id.
pub(crate) async fn find_by_complaint(
    tx: &mut Tx<'_>,
    stock_no: i32,
    complaint_id: i64,
    words: &str,
    found_on: Day,
) -> Result<i64, Problem> {
    let words: String = words.chars().take(1000).collect();
    Ok(diesel::insert_into(findings::table)
        .values((
            findings::complaint_id.eq(complaint_id),
            findings::stock_no.eq(stock_no),
            findings::severity.eq(Severity::StopsSale),
            findings::description.eq(words),
            findings::found_on.eq(found_on),
        ))
        .returning(findings::id)
        .get_result(tx.conn())
        .await?)
}
