//! Survey sheets: what to check on an engine, printable to fill in by hand.

use crate::{
    firm::sheets::{self, Sheet},
    ground::{
        actor::Staff, answers::Reply, clock::Instant, db::Db, operations::Operations, query::Query,
        text::Html,
    },
};
use actix_web::{HttpRequest, web};
use outshop_core::{
    boilers::{paper_words::CAUTION, papers::Sentence},
    engines::{
        engine::Kind,
        surveys::{Area, BuildQuality, Grade, Severity},
    },
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("surveys").service(get_survey_sheet);
}

// Types

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct OfKind {
    /// Default: `locomotive`.
    #[param(value_type = Option<Kind>, example = "locomotive")]
    kind: Option<Kind>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"kind": "locomotive", "facts": ["Gauge", "Boiler number as stamped"],
    "areas": [{"area": "motion", "look_at": ["slack in pins and bushes", "valve events on both sides"]}],
    "build_qualities": ["exhibition", "fine", "sound", "plain", "rough"], "grades": ["as_new", "good", "fair", "worn", "defective"],
    "severities": ["stops_steaming", "stops_sale", "note"], "cautions": ["An independent inspector decides whether it may be steamed."]}))]
pub struct SurveySheet {
    pub kind: Kind,
    /// Details to read off the engine.
    #[schema(max_items = 30)]
    pub facts: Vec<Sentence>,
    /// What to grade, area by area.
    #[schema(max_items = 8)]
    pub areas: Vec<AreaToSurvey>,
    #[schema(max_items = 5)]
    pub build_qualities: Vec<BuildQuality>,
    #[schema(max_items = 5)]
    pub grades: Vec<Grade>,
    #[schema(max_items = 3)]
    pub severities: Vec<Severity>,
    #[schema(max_items = 1)]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AreaToSurvey {
    pub area: Area,
    /// Points to check.
    #[schema(max_items = 10)]
    pub look_at: Vec<Sentence>,
}

// Routes

/// Get a survey sheet
///
/// Lists the details to read off, the points to check in each area, and the grades. With `Accept: text/html`, a sheet
/// to fill in by hand.
#[get("/survey-sheet", 200(content((SurveySheet = "application/json"), (Html = "text/html"))))]
async fn get_survey_sheet(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<OfKind>,
) -> Reply {
    let sheet = for_kind(query.kind.unwrap_or(Kind::Locomotive));
    let mut conn = db.read().await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::Survey, &sheet, now).await
}

pub(crate) fn for_kind(kind: Kind) -> SurveySheet {
    let areas = Area::ALL.iter().map(|area| AreaToSurvey {
        area: *area,
        look_at: area
            .look_at(kind)
            .iter()
            .copied()
            .map(Sentence::new)
            .collect(),
    });
    SurveySheet {
        kind,
        facts: kind
            .to_read_off()
            .iter()
            .copied()
            .map(Sentence::new)
            .collect(),
        areas: areas.collect(),
        build_qualities: BuildQuality::ALL.to_vec(),
        grades: Grade::ALL.to_vec(),
        severities: Severity::ALL.to_vec(),
        cautions: vec![CAUTION.into()],
    }
}
