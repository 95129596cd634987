//! Finds the most probable hyperparameters given the sales: maximum a posteriori by L-BFGS.

use super::{kernel::Layout, likelihood::Likelihood};
use argmin::{
    core::{CostFunction, Error, Executor, Gradient, State},
    solver::{linesearch::MoreThuenteLineSearch, quasinewton::LBFGS},
};
use std::cell::RefCell;

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effort {
    pub most_iterations: u32,
    /// Relative change of the log posterior.
    pub tolerance: f64,
}

impl Default for Effort {
    fn default() -> Effort {
        Effort {
            most_iterations: 60,
            tolerance: 1e-6,
        }
    }
}

/// The result of the search.
#[derive(Debug, Clone)]
pub(super) struct Optimum {
    /// Without the constant of the prior.
    pub log_posterior: f64,
    pub evaluations: u32,
}

/// A covariance that cannot be factorised is worse than any other.
const WORST: f64 = 1e10;

/// Ten corrections were enough in the book: Nocedal & Wright, Numerical Optimization (2006), section 7.2.
const CORRECTIONS: usize = 10;

type Search = LBFGS<MoreThuenteLineSearch<Vec<f64>, Vec<f64>, f64>, Vec<f64>, Vec<f64>, f64>;

/// The starting point, and the curvature seen by an earlier search over nearly the same sales.
#[derive(Clone)]
pub(super) struct Start {
    pub theta: Vec<f64>,
    search: Option<Search>,
}

impl Start {
    pub fn at_prior(layout: &Layout) -> Start {
        Start {
            theta: layout.start(),
            search: None,
        }
    }
}

/// Searches from `start`, and returns a starting point for the next search; `None` if the covariance cannot be
/// factorised there or anywhere near.
pub(super) fn maximise(
    layout: &Layout,
    likelihood: &mut Likelihood<'_>,
    rows: usize,
    start: &Start,
    effort: Effort,
) -> Option<(Optimum, Start)> {
    let target = Target {
        layout,
        per_row: (rows.max(1) as f64).recip(),
        seen: RefCell::new(Seen {
            likelihood,
            last: None,
            best: None,
            left: 4 * effort.most_iterations + 20,
            evaluations: 0,
        }),
    };
    let (remembered, start) = (start.search.clone(), target.standard(&start.theta));
    let (first, _) = target.evaluate(&start).ok()?;
    let tolerance = effort.tolerance * first.abs().max(target.per_row);
    let search = remembered
        .unwrap_or_else(|| LBFGS::new(MoreThuenteLineSearch::new(), CORRECTIONS))
        .with_tolerance_cost(tolerance)
        .and_then(|search| search.with_tolerance_grad(tolerance.min(1e-9)));
    let Ok(search) = search else { return None };
    // Whatever ends the search, its best point counts: a line search that gives up near the top has not failed.
    let ended = Executor::new(&target, search)
        .configure(|state| {
            state
                .param(start)
                .max_iters(u64::from(effort.most_iterations))
        })
        .timer(false)
        .run();
    // A last step of length 0 has no curvature, and would spoil the next search.
    let search = ended.ok().and_then(|ended| {
        let moved = ended.state.get_prev_param() != ended.state.get_param();
        moved.then_some(ended.solver)
    });
    let seen = target.seen.into_inner();
    let (cost, standard) = seen.best?;
    if cost >= WORST {
        return None;
    }
    let theta = layout.held(&from_standard(layout, &standard));
    let optimum = Optimum {
        log_posterior: -cost / target.per_row,
        evaluations: seen.evaluations,
    };
    Some((optimum, Start { theta, search }))
}

/// The search uses standard deviations of the prior from its median, and the posterior per sale: so the first step,
/// which has only the gradient to go by, has about the right length.
struct Target<'a, 'b> {
    layout: &'a Layout,
    per_row: f64,
    seen: RefCell<Seen<'a, 'b>>,
}

/// argmin asks for cost and gradient separately: both are calculated once for each point.
struct Seen<'a, 'b> {
    likelihood: &'a mut Likelihood<'b>,
    last: Option<(Vec<f64>, f64, Vec<f64>)>,
    best: Option<(f64, Vec<f64>)>,
    left: u32,
    evaluations: u32,
}

#[derive(Debug, thiserror::Error)]
#[error("the search took too many steps")]
struct TooManySteps;

fn from_standard(layout: &Layout, standard: &[f64]) -> Vec<f64> {
    let priors = layout.priors.iter().zip(standard);
    priors
        .map(|(prior, x)| prior.median.ln() + prior.sd_of_log * x)
        .collect()
}

impl Target<'_, '_> {
    fn standard(&self, theta: &[f64]) -> Vec<f64> {
        let priors = self.layout.priors.iter().zip(theta);
        priors
            .map(|(prior, theta)| (theta - prior.median.ln()) / prior.sd_of_log)
            .collect()
    }

    /// The negative log posterior per sale and its gradient. Beyond the limits the likelihood is constant, and the
    /// prior leads back.
    fn evaluate(&self, standard: &[f64]) -> Result<(f64, Vec<f64>), Error> {
        let mut seen = self.seen.borrow_mut();
        if let Some((at, cost, gradient)) = &seen.last
            && at == standard
        {
            return Ok((*cost, gradient.clone()));
        }
        seen.left = seen.left.checked_sub(1).ok_or(TooManySteps)?;
        seen.evaluations += 1;
        let theta = from_standard(self.layout, standard);
        let held = self.layout.held(&theta);
        let prior: f64 = standard.iter().map(|x| x * x / 2.0).sum();
        let (cost, gradient) = match seen
            .likelihood
            .with_gradient(&held)
            .filter(|(_, slope)| slope.iter().all(|slope| slope.is_finite()))
        {
            Some((likelihood, slope)) => {
                let gradient = self
                    .layout
                    .priors
                    .iter()
                    .zip(standard)
                    .zip(slope)
                    .map(|((prior, x), slope)| {
                        let inside = if x.abs() < 8.0 { slope } else { 0.0 };
                        (x - inside * prior.sd_of_log) * self.per_row
                    })
                    .collect();
                ((prior - likelihood) * self.per_row, gradient)
            }
            None => (WORST + prior, standard.to_vec()),
        };
        if cost.is_finite() && seen.best.as_ref().is_none_or(|(best, _)| cost < *best) {
            seen.best = Some((cost, standard.to_vec()));
        }
        seen.last = Some((standard.to_vec(), cost, gradient));
        let (_, cost, gradient) = seen.last.as_ref().expect("set just above");
        Ok((*cost, gradient.clone()))
    }
}

impl CostFunction for &Target<'_, '_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, standard: &Vec<f64>) -> Result<f64, Error> {
        Ok(self.evaluate(standard)?.0)
    }
}

impl Gradient for &Target<'_, '_> {
    type Param = Vec<f64>;
    type Gradient = Vec<f64>;

    fn gradient(&self, standard: &Vec<f64>) -> Result<Vec<f64>, Error> {
        Ok(self.evaluate(standard)?.1)
    }
}
