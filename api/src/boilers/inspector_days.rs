//! Inspector's days: which boilers to present to the inspector, and what each test needs.

use crate::{
    boilers::{
        boilers,
        papers::{self, PaperDue},
    },
    firm::sheets::{self, Sheet},
    ground::{
        actor::Staff,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::{self, Problem},
        query::Query,
        text::{Html, Line},
    },
    schema::engines,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{boiler::Material, paper_words::CAUTION, papers::Sentence},
    days::Day,
    units::Pressure,
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers").service(get_inspector_day);
}

/// The most tests of one day.
const MOST_TESTS: usize = 500;

// Types

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DayOfInspector {
    /// The day of the inspector's visit. Default: today.
    #[param(example = "2026-05-16")]
    on: Option<Day>,
    /// Include tests due within this many days after it.
    #[serde(default = "a_month")]
    #[param(minimum = 0, maximum = 366, default = 30, example = 30)]
    within_days: u16,
}

fn a_month() -> u16 {
    30
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"on": "2026-05-16", "until": "2026-06-15", "items": [{"stock_no": 10, "status": "in_stock", "boiler_id": 88,
    "boiler_number": "QLW 1187", "test": "steam", "by": "2026-06-01", "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"},
    "papers_valid": true, "reason": null, "name": "Marrowby", "place": "bay 3", "material": "copper",
    "working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "has_gas_tank": false}],
    "cautions": ["The local code and the independent inspector decide what has to be tested."]}))]
pub struct InspectorDay {
    pub on: Day,
    /// Tests due up to this day are included.
    pub until: Day,
    #[schema(max_items = 500)]
    pub items: Vec<ToBeTested>,
    #[schema(max_items = 1)]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ToBeTested {
    #[serde(flatten)]
    pub due: PaperDue,
    /// Name of the engine.
    pub name: Line,
    /// Where in the works it is kept.
    pub place: Option<Line>,
    pub material: Material,
    /// Current working pressure, after the last change.
    pub working_pressure: Pressure,
    /// null: not recorded.
    pub has_gas_tank: Option<bool>,
}

// Routes

/// List the boilers to present to the inspector on a day
///
/// Includes what each test needs. With `Accept: text/html`, a sheet to print with room for the readings.
#[get("/inspector-day", 200(content((InspectorDay = "application/json"), (Html = "text/html"))))]
async fn get_inspector_day(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<DayOfInspector>,
) -> Reply {
    let on = query.on.unwrap_or(actor.today);
    let now = Instant(actor.now);
    let mut conn = db.read().await?;
    let day = on_day(&mut conn, on, query.within_days, now).await?;
    sheets::respond(&req, &mut conn, Sheet::InspectorDay, &day, now).await
}

// SQL

pub(crate) async fn on_day(
    conn: &mut AsyncPgConnection,
    on: Day,
    within_days: u16,
    now: Instant,
) -> Result<InspectorDay, Problem> {
    if within_days > 366 {
        let detail = "`within_days` must be 0 to 366";
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let until = on.plus_days(within_days.into());
    let mut due = papers::due(conn, on, until, now).await?;
    due.truncate(MOST_TESTS);
    let stock_nos: Vec<i32> = due.iter().map(|due| due.stock_no).collect();
    let names: Vec<(i32, (Line, Option<Line>))> = engines::table
        .filter(engines::stock_no.eq_any(stock_nos))
        .select((engines::stock_no, (engines::name, engines::place)))
        .load(conn)
        .await?;
    let names: HashMap<i32, (Line, Option<Line>)> = names.into_iter().collect();
    let boiler_ids: Vec<i64> = due.iter().map(|due| due.boiler_id).collect();
    let boilers = boilers::find_shown(conn, &boiler_ids).await?;
    let boilers: HashMap<i64, boilers::Boiler> = boilers
        .into_iter()
        .map(|boiler| (boiler.particulars.id, boiler))
        .collect();
    let items = due.into_iter().filter_map(|due| {
        let (name, place) = names.get(&due.stock_no)?.clone();
        let boiler = boilers.get(&due.boiler_id)?;
        Some(ToBeTested {
            name,
            place,
            material: boiler.particulars.material,
            working_pressure: boiler.working_pressure.clone(),
            has_gas_tank: boiler.particulars.has_gas_tank,
            due,
        })
    });
    Ok(InspectorDay {
        on,
        until,
        items: items.collect(),
        cautions: vec![CAUTION.into()],
    })
}
