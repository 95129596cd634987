//! The track record: the firm's own sales compared with the last valuation before each, and ratio studies of such
//! pairs.

use crate::ground::{
    actor::SellingRead,
    answers::{Reply, respond},
    body::Body,
    db::{Db, RunQueryDsl},
    operations::Operations,
    problem::{self, FieldError, Problem},
    query::Query,
};
use actix_web::{HttpRequest, web};
use diesel::{
    QueryableByName,
    sql_types::{BigInt, Date, Integer, Nullable, Numeric},
};
use outshop_core::{
    days::Day,
    money::Money,
    pricing::{
        ratios::{self, Judged, JudgedResult, NoStudy, Pair, RatioStudy},
        valuation::estimate_of,
    },
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(get_track_record)
        .service(calculate_ratio_study);
}

/// With fewer sales a share says little.
const ENOUGH: usize = 20;
/// Sales listed one by one.
const MOST_LISTED: usize = 1000;

/// Pairs in one study.
const MOST: usize = 5000;

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Period {
    /// The first day of sales; if left out, the first on record.
    #[param(example = "2025-01-01")]
    from: Option<Day>,
    /// The last day of sales; if left out, today.
    #[param(example = "2026-05-14")]
    to: Option<Day>,
}

/// The accuracy of past valuations in a period.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"from": "2026-01-01", "to": "2026-05-14", "n_sales": 3, "n_valued": 2, "few_sales": true,
    "warnings": ["Only 2 sale(s) had a valuation: with fewer than 20, one more sale could change every result."],
    "ratio_study": null, "coverage": {"n_within": 2, "share": "1.0000", "promised": "0.8000"},
    "sales": [{"sale_id": 31, "stock_no": 10, "on": "2026-05-14", "price": "7600.00", "valuation_id": 77, "low": "5612.40",
        "likely": "6480.15", "high": "7682.06", "level_percent": 80, "within": true}]}))]
pub struct TrackRecord {
    pub from: Day,
    pub to: Day,
    #[serde(flatten)]
    pub scores: Scores,
}

/// How close valuations came to the prices paid.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = ValuationScores)]
pub struct Scores {
    #[schema(minimum = 0)]
    /// Sales in the period.
    pub n_sales: usize,
    /// Sales with a valuation.
    #[schema(minimum = 0)]
    pub n_valued: usize,
    /// Fewer than 20 sales had a valuation, so one more sale could change every result.
    pub few_sales: bool,
    /// Reasons to be careful with the figures.
    #[schema(max_items = 10, value_type = Vec<crate::ground::text::Text<1000>>)]
    pub warnings: Vec<String>,
    /// Likely price over price paid; null with fewer than two valued sales.
    pub ratio_study: Option<StudyShown>,
    /// null if no sale had a valuation.
    pub coverage: Option<Coverage>,
    /// Newest first, at most 1000.
    #[schema(max_items = 1000)]
    pub sales: Vec<SaleAgainstValuation>,
}

/// How many prices fell within the predicted ranges.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Coverage {
    /// Valued sales with a price within the range.
    #[schema(minimum = 0)]
    pub n_within: usize,
    #[schema(max_length = 40)]
    /// Share of the valued sales, from 0 to 1.
    pub share: String,
    /// The share expected: the mean of the levels that the valuations were made at.
    #[schema(max_length = 40)]
    pub promised: String,
}

/// A sale compared with the last valuation before it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct SaleAgainstValuation {
    pub sale_id: i64,
    pub stock_no: i32,
    pub on: Day,
    pub price: Money,
    /// null if the engine was not valued before it was sold, and in a back-test.
    pub valuation_id: Option<i64>,
    /// null without a valuation; the members after it are then null too.
    pub low: Option<Money>,
    pub likely: Option<Money>,
    pub high: Option<Money>,
    /// How many of 100 prices were expected in the range.
    #[schema(minimum = 1, maximum = 99)]
    pub level_percent: Option<i32>,
    /// Whether the price fell within the range.
    pub within: Option<bool>,
}

/// Pairs to compare.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"pairs": [{"estimate": "6480.00", "price": "6200.00"}, {"estimate": "5100.00", "price": "5400.00"}]}))]
pub struct NewRatioStudy {
    /// At least two.
    #[schema(min_items = 2, max_items = 5000)]
    pub pairs: Vec<EstimateAndPrice>,
}

/// An estimate and the price paid.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EstimateAndPrice {
    /// Above 0.
    pub estimate: Money,
    /// Above 0.
    pub price: Money,
}

/// Statistics of estimate over price, with the acceptable ranges of the IAAO Standard on Ratio Studies (2013).
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = RatioStudy, example = json!({"n_pairs": 17, "few_pairs": true,
    "median_ratio": {"value": "0.8200", "from": "0.9000", "to": "1.1000", "result": "below"},
    "cod": {"value": "14.5238", "from": "5.0000", "to": "20.0000", "result": "within"},
    "prd": {"value": "0.9766", "from": "0.9800", "to": "1.0300", "result": "not_judged"},
    "prb": {"value": "0.1355", "from": "-0.0500", "to": "0.0500", "result": "above"}}))]
pub struct StudyShown {
    /// Number of prices compared.
    #[schema(minimum = 2)]
    pub n_pairs: usize,
    /// Fewer than 20 pairs, so one more sale could change a result.
    pub few_pairs: bool,
    /// Half of the ratios are lower; 1 if estimates are right on the whole.
    pub median_ratio: Judgement,
    /// Coefficient of dispersion: mean distance from the median, in per cent of it. Below 5 suggests that estimates
    /// were adjusted to the prices.
    pub cod: Judgement,
    /// Price-related differential: above 1 if expensive engines are estimated too low.
    pub prd: Judgement,
    /// Price-related bias: relative change in the ratio when the value doubles; null if all values are the same.
    pub prb: Option<Judgement>,
}

/// A statistic and its acceptable range, both ends included.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Judgement {
    #[schema(max_length = 40)]
    pub value: String,
    #[schema(max_length = 40)]
    pub from: String,
    #[schema(max_length = 40)]
    pub to: String,
    /// Whether `value` is within the range.
    pub result: JudgedResult,
}

impl From<Judged> for Judgement {
    fn from(judged: Judged) -> Judgement {
        Judgement {
            value: format!("{:.4}", judged.value),
            from: format!("{:.4}", judged.from),
            to: format!("{:.4}", judged.to),
            result: judged.result,
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

/// Get the accuracy of past valuations
///
/// Compares the firm's own sales in the period with the last valuation made before each: the ratio study of the IAAO
/// Standard on Ratio Studies (2013), and how often the price fell within the range.
#[get("/track-record", 200 = TrackRecord)]
async fn get_track_record(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    period: Query<Period>,
) -> Reply {
    let from = period.from.unwrap_or(Day::FIRST);
    let to = period.to.unwrap_or(actor.today);
    if from > to {
        let detail = "`from` must not be after `to`";
        return Err(Problem::new(problem::INVALID_QUERY, detail));
    }
    let rows: Vec<Row> = diesel::sql_query(include_str!("track_record/pairs.sql"))
        .bind::<Date, _>(from)
        .bind::<Date, _>(to)
        .load(&mut *db.read().await?)
        .await?;
    let scores = scores(rows.into_iter().map(Row::against).collect());
    respond(&req, &TrackRecord { from, to, scores })
}

/// Newest sale first.
pub(crate) fn scores(mut sales: Vec<SaleAgainstValuation>) -> Scores {
    let pairs: Vec<EstimateAndPrice> = sales
        .iter()
        .filter_map(|sale| {
            Some(EstimateAndPrice {
                estimate: sale.likely?,
                price: sale.price,
            })
        })
        .collect();
    let n_valued = pairs.len();
    let n_within = sales
        .iter()
        .filter(|sale| sale.within == Some(true))
        .count();
    let levels: i32 = sales.iter().filter_map(|sale| sale.level_percent).sum();
    let coverage = (n_valued > 0).then(|| Coverage {
        n_within,
        share: format!("{:.4}", n_within as f64 / n_valued as f64),
        promised: format!("{:.4}", f64::from(levels) / 100.0 / n_valued as f64),
    });
    let few_sales = n_valued < ENOUGH;
    let n_sales = sales.len();
    sales.truncate(MOST_LISTED);
    let warning = few_sales.then(|| {
        format!(
            "Only {n_valued} sale(s) had a valuation: with fewer than {ENOUGH}, one more sale could change every result."
        )
    });
    Scores {
        n_sales,
        n_valued,
        few_sales,
        warnings: warning.into_iter().collect(),
        ratio_study: study(&pairs).ok(),
        coverage,
        sales,
    }
}

/// Calculate a ratio study of estimates
///
/// Compares your estimates with the prices paid. Nothing is stored.
#[post("/calculations/ratio-study", 200 = StudyShown)]
async fn calculate_ratio_study(
    _by: SellingRead,
    req: HttpRequest,
    asked: Body<NewRatioStudy>,
) -> Reply {
    if asked.pairs.len() > MOST {
        return Err(Problem::invalid(
            "/pairs",
            format!("must have at most {MOST} items"),
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
            detail: "must be above 0".to_owned(),
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
    respond(&req, &found)
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

// SQL

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = BigInt)]
    sale_id: i64,
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Date)]
    on_day: Day,
    #[diesel(sql_type = Numeric)]
    price: Money,
    #[diesel(sql_type = Nullable<BigInt>)]
    valuation_id: Option<i64>,
    #[diesel(sql_type = Nullable<Numeric>)]
    low: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    likely: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    high: Option<Money>,
    #[diesel(sql_type = Nullable<Integer>)]
    level_percent: Option<i32>,
}

impl Row {
    fn against(self) -> SaleAgainstValuation {
        let range = self.low.zip(self.high);
        SaleAgainstValuation {
            sale_id: self.sale_id,
            stock_no: self.stock_no,
            on: self.on_day,
            price: self.price,
            valuation_id: self.valuation_id,
            low: self.low,
            likely: self.likely,
            high: self.high,
            level_percent: self.level_percent,
            within: range.map(|(low, high)| (low..=high).contains(&self.price)),
        }
    }
}
