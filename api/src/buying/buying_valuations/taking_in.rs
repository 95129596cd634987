//! Acquiring an engine from its buying valuation, so that nobody types the description again.

use super::EngineDescribed;
use crate::{
    buying::acquisitions::{self, Acquisition, NewAcquisition},
    engines::{
        engines::NewEngine,
        surveys::{self, Grades, NewSurvey},
    },
    ground::{
        actor::MoneyDesk,
        answers::Reply,
        body::KeyedBody,
        db::Db,
        problem::Problem,
        text::{Code, Line, Prose},
    },
};
use actix_web::web;
use outshop_core::{
    books::tax::Percent,
    days::Day,
    engines::engine::OfferedAs,
    money::Money,
    trade::{AcquisitionMethod, PaymentMethod, TaxPosition},
};
use outshop_operation::post;
use serde::Deserialize;
use serde_json::Value;
use utoipa::ToSchema;

// Types

/// How the firm acquires the engine of a buying valuation; the members are those of an acquisition.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Marrowby", "method": "bought", "on": "2026-05-14", "price": "4200.00", "tax_position": "margin_scheme"}))]
pub struct NewAcquisitionOfBuyingValuation {
    /// What the firm calls the engine.
    pub name: Line,
    pub method: AcquisitionMethod,
    /// The day on which it came, today or earlier.
    pub on: Day,
    /// Price paid, or allowance in part exchange. Leave it out for an engine on commission, and only then.
    pub price: Option<Money>,
    /// How it was paid for, if known. Only for an engine that is bought.
    pub paid_by: Option<PaymentMethod>,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    /// The seller or owner.
    pub person_id: Option<i64>,
    pub tax_position: TaxPosition,
    /// Number of the seller's invoice; leave it out if the firm writes the invoice itself.
    pub invoice_no: Option<Code>,
    /// Tax shown on the seller's invoice, included in the price. Default: 0.
    #[serde(default)]
    pub supplier_vat: Money,
    /// The lowest price that the owner accepts. Only for an engine on commission.
    pub reserve: Option<Money>,
    /// The firm's percentage of the price including tax. Only for an engine on commission.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax, added to the percentage. Only for an engine on commission.
    pub commission_fixed: Option<Money>,
    /// The sale towards which the engine is taken in part exchange.
    pub sale_id: Option<i64>,
    /// Who looked at the engine for the buying valuation. Default: the person who sends this.
    pub surveyor: Option<Line>,
    pub notes: Option<Prose>,
}

impl NewAcquisitionOfBuyingValuation {
    fn acquisition(&self, buying_valuation_id: i64, engine: &EngineDescribed) -> NewAcquisition {
        let new = self.clone();
        NewAcquisition {
            engine: described(new.name, engine),
            method: new.method,
            on: new.on,
            price: new.price,
            paid_by: new.paid_by,
            cash_limit_acknowledged: new.cash_limit_acknowledged,
            person_id: new.person_id,
            tax_position: new.tax_position,
            invoice_no: new.invoice_no,
            supplier_vat: new.supplier_vat,
            reserve: new.reserve,
            commission_percent: new.commission_percent,
            commission_fixed: new.commission_fixed,
            sale_id: new.sale_id,
            buying_valuation_id: Some(buying_valuation_id),
            notes: new.notes,
        }
    }
}

/// The engine as far as it was described. Its boiler and papers have records of their own.
fn described(name: Line, engine: &EngineDescribed) -> NewEngine {
    NewEngine {
        kind: engine.kind,
        name,
        prototype: None,
        design: engine.design.clone(),
        designer: None,
        builder: None,
        builder_standing: engine.builder_standing,
        built_year: engine.built_year.map(i32::from),
        gauge: engine.gauge.clone(),
        prototype_gauge: None,
        scale: engine.scale.clone(),
        whyte: None,
        cylinders: None,
        bore: None,
        stroke: None,
        driving_wheel_diameter: None,
        weight: engine.weight.clone(),
        // The valuation already used this weight, so nobody is asked to confirm it again; the engine is flagged.
        weight_confirmed: true,
        adhesive_weight: None,
        length: None,
        width: None,
        height: None,
        rigid_wheelbase: None,
        side_play: None,
        stated_tractive_effort: None,
        fuel: engine.fuel,
        feeds: Vec::new(),
        included_items: engine.included_items.clone(),
        working_order: engine.working_order,
        offered_as: OfferedAs::Steamable,
        has_boiler: true,
        asbestos_suspected: None,
        medals: engine.medals.and_then(|medals| medals.try_into().ok()),
        full_record: engine.full_record,
        place: None,
        notes: None,
    }
}

/// The condition seen at the buying valuation as the opening survey; `None`: nothing was graded.
fn opening_survey(on: Day, surveyor: Line, engine: &EngineDescribed) -> Option<NewSurvey> {
    let seen = engine.build_quality.is_some() || engine.grades != Grades::default();
    seen.then(|| NewSurvey {
        on,
        surveyor,
        build_quality: engine.build_quality,
        asbestos: None,
        grades: engine.grades,
        findings: Vec::new(),
        clears: Vec::new(),
        notes: "As it was valued.".parse().ok(),
    })
}

// Routes

/// Record the purchase of an engine that was valued
///
/// Creates the engine from its description, with an opening survey if its condition was graded. Refused (409) if the
/// buying valuation was used before.
#[post("/buying-valuations/{id:\\d+}/acquisitions", 201 = Acquisition)]
pub(super) async fn create_acquisition_of_buying_valuation(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewAcquisitionOfBuyingValuation>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let (buying_valuation, _) = super::find(tx.conn(), id).await?;
        let engine = as_described(buying_valuation.engine)?;
        let acquisition = new.acquisition(id, &engine);
        acquisition.check(actor.today)?;
        let taken = acquisitions::take_in(tx, &acquisition).await?;
        let surveyor = match &new.surveyor {
            Some(surveyor) => surveyor.clone(),
            None => actor.person.parse().map_err(Problem::internal)?,
        };
        if let Some(survey) = opening_survey(new.on, surveyor, &engine) {
            surveys::insert(tx, taken.terms.stock_no, &survey).await?;
        }
        Ok((format!("/v1/acquisitions/{}", taken.terms.id), taken))
    })
    .await
}

/// The description as the request gave it, without the converted figures, which cannot be read back.
fn as_described(mut engine: Value) -> Result<EngineDescribed, Problem> {
    for (member, converted) in [("gauge", "mm"), ("weight", "kg")] {
        if let Some(quantity) = engine.get_mut(member).and_then(Value::as_object_mut) {
            quantity.remove(converted);
        }
    }
    serde_json::from_value(engine).map_err(Problem::internal)
}
