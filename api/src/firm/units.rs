//! The units that quantities may have.

use crate::ground::{
    actor::AnyKey,
    answers::{Reply, respond},
    operations::Operations,
};
use actix_web::HttpRequest;
use outshop_core::units::{ForceUnit, LengthUnit, MassUnit, PressureUnit, Unit, VolumeUnit};
use outshop_operation::get;
use serde::Serialize;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("firm").service(list_units);
}

#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"items": [{"unit": "psi", "quantity": "pressure", "base": "bar", "factor": "0.06894757293168361", "ucum": "[psi]"}]}))]
pub struct Units {
    #[schema(max_items = 100)]
    items: Vec<UnitOf>,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct UnitOf {
    /// As a quantity names it.
    #[schema(max_length = 20)]
    unit: String,
    /// What it measures, such as `pressure`.
    #[schema(max_length = 20)]
    quantity: String,
    /// The unit that every quantity of this kind is converted to.
    #[schema(max_length = 20)]
    base: &'static str,
    /// How many base units make one of this unit; exact.
    #[schema(max_length = 40)]
    factor: String,
    /// The unit's code in the Unified Code for Units of Measure.
    #[schema(max_length = 20)]
    ucum: &'static str,
}

/// List the units of quantities
///
/// Factors are those of NIST Special Publication 811.
#[get("/units", 200 = Units)]
async fn list_units(_by: AnyKey, req: HttpRequest) -> Reply {
    let items = [
        of::<LengthUnit>(),
        of::<PressureUnit>(),
        of::<VolumeUnit>(),
        of::<MassUnit>(),
        of::<ForceUnit>(),
    ];
    respond(
        &req,
        &Units {
            items: items.into_iter().flatten().collect(),
        },
    )
}

fn of<U: Unit>() -> Vec<UnitOf> {
    let units = U::all().iter().map(|unit| UnitOf {
        unit: unit.to_string(),
        quantity: U::QUANTITY.to_lowercase(),
        base: U::BASE,
        factor: unit.factor().normalize().to_string(),
        ucum: unit.ucum(),
    });
    units.collect()
}
