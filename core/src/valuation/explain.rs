//! Why a price is what it is: the log price is a sum, so each part has an effect of its own.

use super::{Fit, features::Design};
use crate::valuation::{Row, RowFault};

/// What one part adds to the log price.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    pub part: Part,
    pub ln: f64,
    /// What of it is due to the rule that a better grade is never cheaper.
    pub by_rule: f64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// What sales fetch over the guide, whatever they are.
    Level,
    /// A feature by its name; for the date, where the market stands on that day.
    Feature(String),
    /// Engines that are alike in everything.
    Similarity,
}

/// The log price as the sum of the guide's and of all effects.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    pub guide_ln: f64,
    pub effects: Vec<Effect>,
    pub ln_mean: f64,
}

impl Fit {
    /// What each part adds. A feature at the mean of the sales adds nothing.
    pub fn explain(&self, row: &Row, guide_ln: f64) -> Result<Explanation, RowFault> {
        self.stored.schema.check(row)?;
        let asked = Design::new(&self.stored.codes, std::slice::from_ref(row));
        let predicted = self.predicted(&asked, 0);
        let (mean, sd) = (self.stored.mean, self.stored.sd);
        let effect = |part, z: f64| Effect {
            part,
            ln: sd * z,
            by_rule: 0.0,
        };
        let mut effects = vec![Effect {
            part: Part::Level,
            ln: mean + sd * predicted.constant,
            by_rule: 0.0,
        }];
        let features = self.stored.schema.features().iter();
        let parts = predicted.parts.iter().zip(&predicted.lifts);
        effects.extend(features.zip(parts).map(|(feature, (part, lift))| Effect {
            by_rule: sd * lift,
            ..effect(Part::Feature(feature.name.clone()), *part)
        }));
        effects.push(effect(Part::Similarity, predicted.similarity));
        Ok(Explanation {
            guide_ln,
            ln_mean: guide_ln + effects.iter().map(|effect| effect.ln).sum::<f64>(),
            effects,
        })
    }
}
