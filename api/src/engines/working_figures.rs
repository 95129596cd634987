//! Estimated performance of an engine, with the inputs of each figure.

use crate::{
    engines::engines::{self, Particulars},
    ground::{
        actor::Staff,
        answers::{Reply, respond},
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
    },
    schema::{boiler_installations, boiler_pressure_changes, boilers},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    engines::{
        engine::EngineFacts,
        working_figures::{WorkingFigures, working_figures},
    },
    units::{Pressure, Volume},
};
use outshop_operation::get;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("engines").service(get_working_figures);
}

/// Estimate what an engine can do
///
/// Returns tractive effort, adhesion, load, smallest curve, size and lifting, each with the details it is calculated
/// from.
#[get("/engines/{stock_no:\\d+}/working-figures",
    200(body = WorkingFigures, example = json!(serde_json::from_str::<serde_json::Value>(include_str!("working_figures/example.json")).unwrap_or_default())))]
async fn get_working_figures(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
) -> Reply {
    let mut conn = db.read().await?;
    let engine = engines::find(&mut conn, *stock_no).await?;
    let (pressure, volume) = boiler_in(&mut conn, *stock_no).await?;
    let facts = facts_of(&engine.particulars);
    respond(
        &req,
        &working_figures(&facts, pressure.as_ref(), volume.as_ref()),
    )
}

pub(crate) fn facts_of(engine: &Particulars) -> EngineFacts {
    EngineFacts {
        kind: engine.kind,
        gauge: engine.gauge.clone(),
        prototype_gauge: engine.prototype_gauge.clone(),
        scale: engine.scale.clone(),
        cylinders: engine.cylinders.and_then(|n| u8::try_from(n).ok()),
        bore: engine.bore.clone(),
        stroke: engine.stroke.clone(),
        driving_wheel_diameter: engine.driving_wheel_diameter.clone(),
        weight: engine.weight.clone(),
        adhesive_weight: engine.adhesive_weight.clone(),
        rigid_wheelbase: engine.rigid_wheelbase.clone(),
        side_play: engine.side_play.clone(),
        stated_tractive_effort: engine.stated_tractive_effort.clone(),
    }
}

/// Current working pressure and volume of the boiler in the engine.
async fn boiler_in(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<(Option<Pressure>, Option<Volume>), Problem> {
    let fitted: Option<(i64, Pressure, Option<Volume>)> = boiler_installations::table
        .inner_join(boilers::table)
        .filter(
            boiler_installations::stock_no
                .eq(stock_no)
                .and(boiler_installations::removed_on.is_null()),
        )
        .select((boilers::id, boilers::working_pressure, boilers::volume))
        .first(conn)
        .await
        .optional()?;
    let Some((boiler_id, as_first_recorded, volume)) = fitted else {
        return Ok((None, None));
    };
    let changed: Option<Pressure> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(boiler_id))
        .order((
            boiler_pressure_changes::on_day.desc(),
            boiler_pressure_changes::id.desc(),
        ))
        .select(boiler_pressure_changes::working_pressure)
        .first(conn)
        .await
        .optional()?;
    Ok((Some(changed.unwrap_or(as_first_recorded)), volume))
}
