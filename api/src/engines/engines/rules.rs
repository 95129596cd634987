//! Rules that check the details of an engine against each other.

use super::NewEngine;
use crate::ground::{confirmations::Confirmations, problem::FieldError};
use outshop_core::{
    days::Day,
    engines::engine::{Kind, Whyte},
    sense::{self, Doubt, Member, Size},
    units::{Length, Mass},
};

/// Checks the details of an engine against each other. `at` is the JSON pointer of the engine in the request.
pub(crate) fn broken_rules(at: &str, engine: &Checked<'_>, today: Day) -> Vec<FieldError> {
    let mut broken = Vec::new();
    let mut rule = |holds: bool, member: &str, detail: &str| {
        if !holds {
            broken.push(FieldError {
                pointer: format!("{at}/{member}"),
                detail: detail.to_owned(),
            });
        }
    };
    let this_year = i32::from(today.date().year());
    rule(
        engine
            .built_year
            .is_none_or(|year| (1800..=this_year).contains(&year)),
        "built_year",
        "must be a year from 1800 to this year",
    );
    rule(
        engine.cylinders.is_none_or(|n| (1..=12).contains(&n)),
        "cylinders",
        "must be 1 to 12",
    );
    rule(
        engine.medals.is_none_or(|n| (0..=100).contains(&n)),
        "medals",
        "must be 0 to 100",
    );
    let above = |part: Option<&Mass>, whole: Option<&Mass>| {
        part.zip(whole)
            .is_some_and(|(part, whole)| part.base() > whole.base())
    };
    rule(
        !above(engine.adhesive_weight, engine.weight),
        "adhesive_weight",
        "must not be more than `weight`",
    );
    rule(
        engine.whyte.is_none() || engine.kind == Kind::Locomotive,
        "whyte",
        "must be null unless `kind` is locomotive",
    );
    let mut ask = Confirmations::default();
    ask.ask(
        &format!("{at}/weight"),
        engine.weight_in_doubt(),
        engine.weight_confirmed,
    );
    broken.extend(ask.apart().0);
    broken
}

/// The details that the rules compare.
pub(crate) struct Checked<'a> {
    pub(super) kind: Kind,
    pub(super) built_year: Option<i32>,
    pub(super) cylinders: Option<i32>,
    pub(super) medals: Option<i32>,
    pub(super) weight: Option<&'a Mass>,
    pub(super) adhesive_weight: Option<&'a Mass>,
    pub(super) whyte: Option<&'a Whyte>,
    pub(super) gauge: Option<&'a Length>,
    pub(super) sides: [Option<&'a Length>; 3],
    /// true as well where the weight is not being checked.
    pub(super) weight_confirmed: bool,
}

impl Checked<'_> {
    fn weight_in_doubt(&self) -> Option<Doubt> {
        let [length, width, height] = self.sides;
        let size = Size {
            gauge: self.gauge.filter(|_| self.kind == Kind::Locomotive),
            length,
            width,
            height,
        };
        self.weight.and_then(|weight| sense::weight(weight, size))
    }

    /// The members outside the usual limits; all are confirmed once the rules pass.
    pub(crate) fn confirmed(&self) -> Vec<Member> {
        let doubt = self.weight_in_doubt();
        doubt.into_iter().map(|doubt| doubt.member).collect()
    }
}

impl NewEngine {
    pub(crate) fn checked(&self) -> Checked<'_> {
        Checked {
            kind: self.kind,
            built_year: self.built_year,
            cylinders: self.cylinders,
            medals: self.medals,
            weight: self.weight.as_ref(),
            adhesive_weight: self.adhesive_weight.as_ref(),
            whyte: self.whyte.as_ref(),
            gauge: self.gauge.as_ref(),
            sides: [&self.length, &self.width, &self.height].map(Option::as_ref),
            weight_confirmed: self.weight_confirmed,
        }
    }
}
