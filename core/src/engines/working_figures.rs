//! What an engine can be expected to do: haulage, curves, size and lifting, as estimates with their inputs.
//!
//! Nothing here is a measurement. A figure with unknown inputs is absent and lists what is missing.

use crate::{
    engines::engine::{EngineFacts, Kind, ScaleBasis, ScaleEstimate, scale_estimates},
    units::{
        Force, ForceUnit, Length, LengthUnit, Mass, MassUnit, Pressure, PressureUnit, Unit, Volume,
        four_places,
    },
};
use rust_decimal::Decimal;
use serde::{Serialize, Serializer};

/// Share of the boiler pressure that is assumed to act on the pistons: the usual nominal figure of British and American
/// railways.
const MEAN_PRESSURE_SHARE: Decimal = Decimal::from_parts(85, 0, 0, false, 2);
/// Steel wheel on dry rail; common practice, no published source.
const ADHESION: Decimal = Decimal::from_parts(25, 0, 0, false, 2);
/// Rolling resistance as a share of the weight; common practice, no published source.
const ROLLING: Decimal = Decimal::from_parts(15, 0, 0, false, 3);

words! {
    /// A fact that a figure is calculated from.
    pub enum Fact {
        Gauge = "gauge",
        PrototypeGauge = "prototype_gauge",
        Scale = "scale",
        Cylinders = "cylinders",
        Bore = "bore",
        Stroke = "stroke",
        DrivingWheelDiameter = "driving_wheel_diameter",
        WorkingPressure = "working_pressure",
        BoilerVolume = "boiler_volume",
        Weight = "weight",
        AdhesiveWeight = "adhesive_weight",
        RigidWheelbase = "rigid_wheelbase",
        SidePlay = "side_play",
        StatedTractiveEffort = "stated_tractive_effort",
    }
}

words! {
    /// What limits the load of an engine.
    pub enum Limit { Adhesion = "adhesion", TractiveEffort = "tractive_effort" }
}

/// A derived figure; in JSON a decimal string with at most four places, halves rounded up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Figure(Decimal);

impl Figure {
    /// The exact figure, before rounding.
    pub const fn exact(self) -> Decimal {
        self.0
    }
}

impl Serialize for Figure {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&four_places(self.0))
    }
}

/// A fact that a figure used, as entered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Input {
    /// The fact that the valuation used.
    pub fact: Fact,
    #[cfg_attr(feature = "wire", schema(max_length = 64, example = "1 1/2 in"))]
    pub value: String,
}

/// What a figure is based on. With nothing missing a figure can still be null: it would be out of any reasonable range.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Basis {
    #[cfg_attr(feature = "wire", schema(max_items = 14))]
    pub inputs: Vec<Input>,
    /// Facts that are not recorded and would be used.
    #[cfg_attr(feature = "wire", schema(max_items = 14))]
    pub missing: Vec<Fact>,
    /// How the figure was calculated, and what it ignores.
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub estimate: &'static str,
}

impl Basis {
    const fn of(estimate: &'static str) -> Basis {
        Basis {
            inputs: Vec::new(),
            missing: Vec::new(),
            estimate,
        }
    }

    /// Records the fact as used or as missing.
    fn take<T: ToString>(&mut self, fact: Fact, value: Option<T>) -> Option<T> {
        match &value {
            Some(value) => self.inputs.push(Input {
                fact,
                value: value.to_string(),
            }),
            None => self.missing.push(fact),
        }
        value
    }

    /// Records the fact only if it is known: the figure does not need it.
    fn take_if_known<T: ToString>(&mut self, fact: Fact, value: Option<T>) -> Option<T> {
        value.and_then(|value| self.take(fact, Some(value)))
    }
}

/// All working figures. Those about haulage and curves are null for an engine that does not run on rails.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct WorkingFigures {
    pub scale: ScaleFigures,
    pub boiler_size: BoilerSize,
    pub lifting: Lifting,
    pub tractive_effort: Option<TractiveEffort>,
    /// Weight on the driving wheels over the tractive effort.
    pub factor_of_adhesion: Option<FactorOfAdhesion>,
    pub load: Option<Load>,
    /// The smallest curve that it goes round; null: not known.
    pub smallest_curve: Option<SmallestCurve>,
}

/// One scale if it is stated or follows from both gauges; else every usual scale for the gauge.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct ScaleFigures {
    /// The scales usual for that gauge.
    #[cfg_attr(feature = "wire", schema(max_items = 12))]
    pub scales: Vec<ScaleFigure>,
    pub basis: Basis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct ScaleFigure {
    /// The scale as a ratio: 8 is 1:8.
    pub one_to: Figure,
    /// The scale as inches to the foot.
    pub inches_to_the_foot: Figure,
    pub from: ScaleBasis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct BoilerSize {
    /// Working pressure in bar times volume in litres; null: one of them is not known.
    pub bar_litres: Option<Figure>,
    pub basis: Basis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Lifting {
    pub weight_lb: Option<Figure>,
    pub weight_kg: Option<Figure>,
    /// To be read with the weight.
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub caution: &'static str,
    pub basis: Basis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TractiveEffort {
    /// In pounds force.
    pub lbf: Option<Figure>,
    /// In newtons.
    pub n: Option<Figure>,
    /// Stated tractive effort against the formula, in percent of the formula; negative if less is stated.
    pub stated_differs_percent: Option<Figure>,
    pub basis: Basis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct FactorOfAdhesion {
    /// Adhesive weight / tractive effort.
    pub factor: Option<Figure>,
    pub basis: Basis,
}

/// What the engine can pull, besides itself: vehicles, passengers and a separate tender.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Load {
    /// What limits the load; null: not known.
    pub limited_by: Option<Limit>,
    /// Says from which gradient the engine cannot move itself; null: it can, or it is not known.
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub caution: Option<&'static str>,
    pub on_the_level_lb: Option<Figure>,
    pub on_the_level_kg: Option<Figure>,
    pub at_1_in_100_lb: Option<Figure>,
    pub at_1_in_100_kg: Option<Figure>,
    pub at_1_in_50_lb: Option<Figure>,
    pub at_1_in_50_kg: Option<Figure>,
    pub basis: Basis,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct SmallestCurve {
    pub radius_in: Option<Figure>,
    pub radius_mm: Option<Figure>,
    pub radius_m: Option<Figure>,
    pub basis: Basis,
}

/// The working figures of an engine with its present boiler.
///
/// `boiler_volume`: total internal volume. Unknown facts are not guessed.
pub fn working_figures(
    engine: &EngineFacts,
    working_pressure: Option<&Pressure>,
    boiler_volume: Option<&Volume>,
) -> WorkingFigures {
    let runs_on_rails = match engine.kind {
        Kind::Locomotive => true,
        Kind::RoadEngine | Kind::Stationary | Kind::Other => false,
    };
    WorkingFigures {
        scale: scale(engine),
        boiler_size: boiler_size(working_pressure, boiler_volume),
        lifting: lifting(engine.weight.as_ref()),
        tractive_effort: runs_on_rails.then(|| tractive_effort(engine, working_pressure)),
        factor_of_adhesion: runs_on_rails.then(|| factor_of_adhesion(engine, working_pressure)),
        load: runs_on_rails.then(|| load(engine, working_pressure)),
        smallest_curve: runs_on_rails.then(|| smallest_curve(engine)),
    }
}

fn scale(engine: &EngineFacts) -> ScaleFigures {
    let estimates = scale_estimates(engine);
    let mut basis = Basis::of(
        "As stated; else from the gauges of model and prototype; else the usual scale for the gauge, assuming a standard \
         gauge prototype. The gauge does not tell how big an engine is.",
    );
    match estimates.first().map(|estimate| estimate.basis) {
        Some(ScaleBasis::Stated) => {
            basis.take(Fact::Scale, engine.scale.as_ref());
        }
        Some(ScaleBasis::PrototypeGauge) => {
            basis.take(Fact::Gauge, engine.gauge.as_ref());
            basis.take(Fact::PrototypeGauge, engine.prototype_gauge.as_ref());
        }
        Some(
            ScaleBasis::BritishPractice | ScaleBasis::NorthAmericanPractice | ScaleBasis::Nem010,
        ) => {
            basis.take(Fact::Gauge, engine.gauge.as_ref());
        }
        None => basis.missing.push(Fact::Scale),
    }
    let shown = |estimate: ScaleEstimate| ScaleFigure {
        one_to: Figure(estimate.one_to),
        inches_to_the_foot: Figure(estimate.inches_to_the_foot()),
        from: estimate.basis,
    };
    ScaleFigures {
        scales: estimates.into_iter().map(shown).collect(),
        basis,
    }
}

fn boiler_size(working_pressure: Option<&Pressure>, volume: Option<&Volume>) -> BoilerSize {
    let mut basis = Basis::of("Working pressure in bar (gauge) x total internal volume in litres.");
    let pressure = basis.take(Fact::WorkingPressure, working_pressure);
    let volume = basis.take(Fact::BoilerVolume, volume);
    let bar_litres = pressure
        .zip(volume)
        .and_then(|(pressure, volume)| pressure.base().checked_mul(volume.base()));
    BoilerSize {
        bar_litres: bar_litres.map(Figure),
        basis,
    }
}

/// Highest guideline figure of HSE leaflet INDG143 for one man, with the load close to the body between knuckle and
/// elbow height; from memory.
const HEAVIEST_GUIDELINE_KG: Decimal = Decimal::from_parts(25, 0, 0, false, 0);

fn lifting(weight: Option<&Mass>) -> Lifting {
    let mut basis = Basis::of(
        "The recorded weight, without a separate tender. HSE leaflet INDG143 gives guideline figures for lifting; they are \
         not limits, and the leaflet itself applies.",
    );
    let weight = basis.take(Fact::Weight, weight);
    let caution = match weight.map(Mass::base) {
        Some(kg) if kg > HEAVIEST_GUIDELINE_KG => {
            "Heavier than any guideline figure of HSE leaflet INDG143 for one person (25 kg): plan the lift, with a hoist, a \
             ramp or a trolley, and assess it before anyone lifts."
        }
        Some(_) => {
            "The guideline figures of HSE leaflet INDG143 fall with reach and height, from 25 kg (men) and 16 kg (women) held \
             close at waist height: assess the lift before anyone lifts."
        }
        None => {
            "The weight is not known: weigh the engine and assess the lift before anyone lifts (HSE leaflet INDG143)."
        }
    };
    Lifting {
        weight_lb: weight.map(|weight| Figure(weight.in_unit(MassUnit::Lb))),
        weight_kg: weight.map(|weight| Figure(weight.base())),
        caution,
        basis,
    }
}

fn tractive_effort(engine: &EngineFacts, working_pressure: Option<&Pressure>) -> TractiveEffort {
    let mut basis = Basis::of(
        "Nominal, at starting: 0.85 x working pressure x bore^2 x stroke / driving wheel diameter x cylinders / 2, simple \
         expansion. It does not apply to a compound or geared engine.",
    );
    let lbf = effort_lbf(engine, working_pressure, &mut basis);
    let stated = basis.take_if_known(
        Fact::StatedTractiveEffort,
        engine.stated_tractive_effort.as_ref(),
    );
    TractiveEffort {
        lbf: lbf.map(Figure),
        n: lbf
            .and_then(|lbf| lbf.checked_mul(ForceUnit::Lbf.factor()))
            .map(Figure),
        stated_differs_percent: stated
            .zip(lbf)
            .and_then(|(stated, lbf)| differs_percent(stated, lbf))
            .map(Figure),
        basis,
    }
}

fn differs_percent(stated: &Force, lbf: Decimal) -> Option<Decimal> {
    (stated.in_unit(ForceUnit::Lbf) - lbf)
        .checked_mul(Decimal::ONE_HUNDRED)?
        .checked_div(lbf)
}

/// 0.85 P d^2 s / D x n / 2, in pounds-force from psi and inches. `None`: a fact is missing.
fn effort_lbf(
    engine: &EngineFacts,
    working_pressure: Option<&Pressure>,
    basis: &mut Basis,
) -> Option<Decimal> {
    let inches = |length: &Length| length.in_unit(LengthUnit::In);
    let cylinders = basis.take(Fact::Cylinders, engine.cylinders);
    let bore = basis.take(Fact::Bore, engine.bore.as_ref()).map(inches);
    let stroke = basis.take(Fact::Stroke, engine.stroke.as_ref()).map(inches);
    let wheel = basis
        .take(
            Fact::DrivingWheelDiameter,
            engine.driving_wheel_diameter.as_ref(),
        )
        .map(inches);
    let pressure = basis
        .take(Fact::WorkingPressure, working_pressure)
        .map(|pressure| pressure.in_unit(PressureUnit::Psi));
    let bore = bore?;
    bore.checked_mul(bore)?
        .checked_mul(stroke?)?
        .checked_mul(pressure?)?
        .checked_mul(MEAN_PRESSURE_SHARE)?
        .checked_mul(Decimal::from(cylinders?) / Decimal::TWO)?
        .checked_div(wheel?)
}

fn factor_of_adhesion(
    engine: &EngineFacts,
    working_pressure: Option<&Pressure>,
) -> FactorOfAdhesion {
    let mut basis = Basis::of(
        "Adhesive weight / tractive effort. About 4 is usual; below that the wheels slip before the cylinders give their full effort.",
    );
    let effort = effort_lbf(engine, working_pressure, &mut basis);
    let adhesive = basis.take(Fact::AdhesiveWeight, engine.adhesive_weight.as_ref());
    let factor = adhesive
        .zip(effort)
        .and_then(|(adhesive, effort)| adhesive.in_unit(MassUnit::Lb).checked_div(effort));
    FactorOfAdhesion {
        factor: factor.map(Figure),
        basis,
    }
}

fn load(engine: &EngineFacts, working_pressure: Option<&Pressure>) -> Load {
    let mut basis = Basis::of(
        "(pull - W (r + g)) / (r + g): pull is the lesser of tractive effort and 0.25 x adhesive weight, W the weight, r = \
         0.015 the rolling resistance, g the gradient. Dry rail, straight track, steady speed, full pressure. A separate \
         tender counts as load.",
    );
    let effort = effort_lbf(engine, working_pressure, &mut basis);
    let adhesive = basis.take(Fact::AdhesiveWeight, engine.adhesive_weight.as_ref());
    let weight = basis
        .take(Fact::Weight, engine.weight.as_ref())
        .map(|weight| weight.in_unit(MassUnit::Lb));
    let grip = adhesive.map(|adhesive| adhesive.in_unit(MassUnit::Lb) * ADHESION);
    let pull = effort.zip(grip).map(|(effort, grip)| effort.min(grip));
    let at = |gradient: Decimal| {
        let resistance = ROLLING + gradient;
        let own = weight?.checked_mul(resistance)?;
        (pull? - own).max(Decimal::ZERO).checked_div(resistance)
    };
    let moves_itself_at = |gradient: Decimal| {
        let own = weight?.checked_mul(ROLLING + gradient)?;
        Some(pull? >= own)
    };
    let (level, hundred, fifty) = (
        at(Decimal::ZERO),
        at(Decimal::new(1, 2)),
        at(Decimal::new(2, 2)),
    );
    let kg = |lb: Option<Decimal>| {
        lb.and_then(|lb| lb.checked_mul(MassUnit::Lb.factor()))
            .map(Figure)
    };
    Load {
        limited_by: effort.zip(grip).map(|(effort, grip)| {
            if grip <= effort {
                Limit::Adhesion
            } else {
                Limit::TractiveEffort
            }
        }),
        caution: [
            (
                Decimal::ZERO,
                "By these figures it cannot move itself even on the level, so it pulls nothing.",
            ),
            (
                Decimal::new(1, 2),
                "By these figures it cannot move itself up 1 in 100, so it pulls nothing there.",
            ),
            (
                Decimal::new(2, 2),
                "By these figures it cannot move itself up 1 in 50, so it pulls nothing there.",
            ),
        ]
        .into_iter()
        .find(|(gradient, _)| moves_itself_at(*gradient) == Some(false))
        .map(|(_, words)| words),
        on_the_level_lb: level.map(Figure),
        on_the_level_kg: kg(level),
        at_1_in_100_lb: hundred.map(Figure),
        at_1_in_100_kg: kg(hundred),
        at_1_in_50_lb: fifty.map(Figure),
        at_1_in_50_kg: kg(fifty),
        basis,
    }
}

fn smallest_curve(engine: &EngineFacts) -> SmallestCurve {
    let mut basis = Basis::of(
        "Rigid wheelbase^2 / (8 x side play) + side play / 2: with all side play used up. Flanges, springs and trucks may \
         need a larger radius.",
    );
    let wheelbase = basis.take(Fact::RigidWheelbase, engine.rigid_wheelbase.as_ref());
    let side_play = basis.take(Fact::SidePlay, engine.side_play.as_ref());
    if wheelbase.is_some() && side_play.is_some_and(|it| it.base().is_zero()) {
        basis.estimate = "A rigid wheelbase without side play cannot go round any curve, so there is no smallest one. Measure the side \
             play of the engine and record it.";
    }
    let mm = wheelbase
        .zip(side_play)
        .and_then(|(wheelbase, side_play)| radius_of_curve(wheelbase.base(), side_play.base()));
    SmallestCurve {
        radius_in: mm.map(|mm| Figure(mm / LengthUnit::In.factor())),
        radius_mm: mm.map(Figure),
        radius_m: mm.map(|mm| Figure(mm / Decimal::ONE_THOUSAND)),
        basis,
    }
}

/// Radius of an arc with this `chord` and `versine` (rise at mid-chord): chord^2 / (8 versine) + versine / 2, in their
/// unit. It measures a curve in the track. With the rigid wheelbase as chord and the total side play as versine it is
/// the smallest curve that an engine can go round. `None`: `versine` is not above 0, or the radius is too large to
/// calculate.
pub fn radius_of_curve(chord: Decimal, versine: Decimal) -> Option<Decimal> {
    if versine <= Decimal::ZERO {
        return None;
    }
    chord
        .checked_mul(chord)?
        .checked_div(versine.checked_mul(Decimal::from(8))?)?
        .checked_add(versine / Decimal::TWO)
}

#[cfg(feature = "wire")]
mod wire {
    use super::Figure;
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
    };

    impl PartialSchema for Figure {
        fn schema() -> RefOr<Schema> {
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .pattern(Some(r"^-?[0-9]+(\.[0-9]{1,4})?$"))
                    .max_length(Some(40))
                    .examples(["76.5"])
                    .build(),
            ))
        }
    }

    impl ToSchema for Figure {}
}
