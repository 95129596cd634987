//! Ratio studies: how good estimates were, against the prices achieved.

use crate::ground::{
    actor::SellingRead,
    answers::shown,
    body::Body,
    operations::Operations,
    problem::{FieldError, Problem},
};
use actix_web::{HttpRequest, HttpResponse};
use outshop_core::{
    money::Money,
    pricing::{
        ratios::{self, Judged, NoStudy, Pair, RatioStudy, Verdict},
        valuation::estimate_of,
    },
};
use outshop_operation::post;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices").service(calculate_ratio_study);
}

const MOST: usize = 5000;

// Types

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"pairs": [{"estimate": "6480.00", "price": "6200.00"}, {"estimate": "5100.00", "price": "5400.00"}]}))]
pub struct NewRatioStudy {
    /// Two at least.
    #[schema(min_items = 2, max_items = 5000)]
    pub pairs: Vec<EstimateAndPrice>,
}

#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EstimateAndPrice {
    /// Above 0.
    pub estimate: Money,
    /// Above 0.
    pub price: Money,
}

/// Statistics of estimate over price, with the ranges of acceptance of the IAAO Standard on Ratio Studies (2013).
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = RatioStudy, example = json!({"n_pairs": 17, "few_pairs": true,
    "median_ratio": {"value": "0.8200", "from": "0.9000", "to": "1.1000", "verdict": "below"},
    "cod": {"value": "14.5238", "from": "5.0000", "to": "20.0000", "verdict": "within"},
    "prd": {"value": "0.9766", "from": "0.9800", "to": "1.0300", "verdict": "not_judged"},
    "prb": {"value": "0.1355", "from": "-0.0500", "to": "0.0500", "verdict": "above"}}))]
pub struct StudyShown {
    #[schema(minimum = 2)]
    pub n_pairs: usize,
    /// Fewer than 20: one sale more could turn a verdict.
    pub few_pairs: bool,
    /// Half of the ratios lie below; 1 when estimates are right on the whole.
    pub median_ratio: Judgement,
    /// Coefficient of dispersion: mean distance from the median, in per cent of it. Below 5 hints that estimates followed
    /// prices.
    pub cod: Judgement,
    /// Price-related differential: above 1 when the dear is estimated too low.
    pub prd: Judgement,
    /// Price-related bias: change of the ratio, as a share, when the value doubles; null when all values are the same.
    pub prb: Option<Judgement>,
}

/// A statistic and its range of acceptance, both ends included.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Judgement {
    #[schema(max_length = 40)]
    pub value: String,
    #[schema(max_length = 40)]
    pub from: String,
    #[schema(max_length = 40)]
    pub to: String,
    pub verdict: Verdict,
}

impl From<Judged> for Judgement {
    fn from(judged: Judged) -> Judgement {
        Judgement {
            value: format!("{:.4}", judged.value),
            from: format!("{:.4}", judged.from),
            to: format!("{:.4}", judged.to),
            verdict: judged.verdict,
        }
    }
}

impl From<RatioStudy> for StudyShown {
    fn from(study: RatioStudy) -> StudyShown {
        StudyShown {
            n_pairs: study.pairs,
            few_pairs: study.few_pairs,
            median_ratio: study.median_ratio.into(),
            cod: study.cod.into(),
            prd: study.prd.into(),
            prb: study.prb.map(Judgement::from),
        }
    }
}

// Routes

/// Calculate how good estimates were
///
/// Nothing is stored.
#[post("/calculations/ratio-study", 200 = StudyShown)]
async fn calculate_ratio_study(
    _by: SellingRead,
    req: HttpRequest,
    asked: Body<NewRatioStudy>,
) -> Result<HttpResponse, Problem> {
    if asked.pairs.len() > MOST {
        return Err(Problem::invalid(
            "/pairs",
            format!("more than {MOST} items"),
        ));
    }
    let members = asked
        .pairs
        .iter()
        .enumerate()
        .flat_map(|(i, pair)| [("estimate", i, pair.estimate), ("price", i, pair.price)]);
    let broken: Vec<FieldError> = members
        .filter(|(.., amount)| *amount <= Money::ZERO)
        .take(100)
        .map(|(member, i, _)| FieldError {
            pointer: format!("/pairs/{i}/{member}"),
            detail: "not above 0".to_owned(),
        })
        .collect();
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    let found = study(&asked.pairs).map_err(|no_study| {
        let pointer = match no_study {
            NoStudy::TooFewPairs => "/pairs".to_owned(),
            NoStudy::NotAnAmount { pair } => format!("/pairs/{pair}"),
        };
        Problem::invalid(pointer, no_study.to_string())
    })?;
    shown(&req, &found)
}

pub(crate) fn study(pairs: &[EstimateAndPrice]) -> Result<StudyShown, NoStudy> {
    let pairs: Vec<Pair> = pairs
        .iter()
        .map(|pair| Pair {
            estimate: estimate_of(pair.estimate),
            price: estimate_of(pair.price),
        })
        .collect();
    ratios::study(&pairs).map(StudyShown::from)
}
