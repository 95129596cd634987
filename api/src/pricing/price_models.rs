//! Price models, fitted to achieved sales and kept with everything they were fitted to.

use crate::{
    ground::{
        actor::Staff,
        answers::{Reply, respond},
        clock,
        db::{
            self, Db, RunQueryDsl, SingleRunner, SystemEntry, pg_advisory_unlock,
            pg_try_advisory_lock,
        },
        entries,
        list::{Keyset, ListQuery, Page, newest_of_page},
        operations::Operations,
        problem::Problem,
    },
    pricing::{
        achieved_sales::{self, AchievedSale, Record},
        price_scale::{self, PriceScaleVersion},
    },
    schema::{journal, price_models as price_models_table, sales_learned},
};
use actix_web::{HttpRequest, web};
use diesel::{dsl::max, prelude::*};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
};
use jiff::Timestamp;
use outshop_core::{
    days::Day,
    money::Money,
    pricing::{
        price_scale::{self as price_scale_rules, PriceScale},
        valuation::{
            self, FEWEST_SALES, Fit, FitError, FitOptions, StoredFit, amount_of,
            engine_features::{self, extra_variance},
            estimate_of,
        },
    },
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::{
    collections::HashMap,
    sync::{Arc, LazyLock, Mutex},
    time::Duration,
};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("prices")
        .service(list_price_models)
        .service(get_price_model);
}

/// How often a process checks whether a new model is due.
pub const POLL_INTERVAL: Duration = Duration::from_secs(20);
/// Sales stored or read in one statement.
const STRETCH: usize = 10_000;
/// Fitted models cached in memory: the one in use and the one before.
const READY: usize = 2;

// Types

/// A price model, without its parameters and outliers.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = price_models_table)]
#[schema(example = json!({"id": 12, "on": "2026-05-14", "inputs_sha256": "9b74c9897bac770ffc029102a200c5de5fc7b5c2a7e1e4c0e6b1d0f3a1c2d3e4",
    "price_scale_version": 3, "n_sales": 64, "n_not_priced": 2}))]
pub struct PriceModelHeading {
    pub id: i64,
    /// The day on which it was fitted.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// SHA-256 of all inputs in hexadecimal: the same sales, price scale and features give the same model.
    #[diesel(deserialize_as = Vec<u8>)]
    #[schema(value_type = String, min_length = 64, max_length = 64)]
    pub inputs_sha256: Hex,
    /// The price scale that the model corrects.
    #[schema(minimum = 1)]
    pub price_scale_version: i32,
    /// Sales used. With fewer than 8 no model is fitted; only the price scale is used.
    #[schema(minimum = 0)]
    pub n_sales: i32,
    /// Sales left out because the price scale has no price for such an engine.
    #[schema(minimum = 0)]
    pub n_not_priced: i32,
}

/// A price model with its parameters and outliers.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PriceModel, example = json!({"id": 12, "on": "2026-05-14",
    "inputs_sha256": "9b74c9897bac770ffc029102a200c5de5fc7b5c2a7e1e4c0e6b1d0f3a1c2d3e4", "price_scale_version": 3, "n_sales": 64,
    "n_not_priced": 2, "log_posterior": "-31.204417", "hyperparameters": [{"name": "noise", "value": "0.412906"}],
    "outliers": [{"comparable_id": 903, "sale_id": null, "on": "2025-11-08", "price": "620000.00", "expected": "6180.40",
        "sds": "18.2210"}]}))]
pub struct PriceModelShown {
    #[serde(flatten)]
    pub heading: PriceModelHeading,
    /// Logarithm of the posterior density at the hyperparameters, up to a constant; null if no model was fitted.
    #[schema(max_length = 40)]
    pub log_posterior: Option<String>,
    /// Empty if no model was fitted.
    #[schema(max_items = 5000)]
    pub hyperparameters: Vec<Hyperparameter>,
    /// Sales far from what all the others predict, farthest first. They still count, with less weight; check the price
    /// for a typing error.
    #[schema(max_items = 200)]
    pub outliers: Vec<OutlierSale>,
}

/// A fitted parameter of a price model.
#[derive(Debug, Serialize, ToSchema)]
pub struct Hyperparameter {
    #[schema(max_length = 200)]
    pub name: String,
    #[schema(max_length = 40)]
    pub value: String,
}

/// A sale with a price far from what the others predict.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct OutlierSale {
    /// The comparable; null if the firm sold the engine.
    pub comparable_id: Option<i64>,
    /// The firm's own sale; null if it is a comparable.
    pub sale_id: Option<i64>,
    pub on: Day,
    pub price: Money,
    /// The price that the other sales predict; null if it is beyond the range of amounts.
    pub expected: Option<Money>,
    /// Distance from the expected price, in standard deviations.
    #[schema(max_length = 40)]
    pub sds: String,
}

/// Bytes shown in hexadecimal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hex(Vec<u8>);

impl From<Vec<u8>> for Hex {
    fn from(bytes: Vec<u8>) -> Hex {
        Hex(bytes)
    }
}

impl Serialize for Hex {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let text: String = self.0.iter().map(|byte| format!("{byte:02x}")).collect();
        to.serialize_str(&text)
    }
}

/// A sale as the model used it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct SaleLearned {
    pub comparable_id: Option<i64>,
    pub sale_id: Option<i64>,
    pub on: Day,
    pub price: Money,
    sale: valuation::Sale,
}

impl SaleLearned {
    /// `None` if the price scale has no price for such an engine.
    fn of(achieved: &AchievedSale, price_scale: &PriceScale) -> Option<SaleLearned> {
        let AchievedSale {
            record,
            price,
            engine,
        } = achieved;
        let (comparable_id, sale_id) = match *record {
            Record::Comparable(id) => (Some(id), None),
            Record::Own { sale_id, .. } => (None, Some(sale_id)),
        };
        let price_scale_price =
            price_scale_rules::value(price_scale, &engine.pricing_facts()).ok()?;
        Some(SaleLearned {
            comparable_id,
            sale_id,
            on: engine.on,
            price: *price,
            sale: valuation::Sale {
                row: engine_features::row(engine),
                price: estimate_of(*price),
                price_scale_ln: price_scale_price.ln(),
                extra_variance: extra_variance(engine.source),
            },
        })
    }
}

/// A fitted model in memory, ready to value with.
pub(crate) struct Learned {
    /// `None` for a model that is not stored.
    pub price_model_id: Option<i64>,
    pub fit: Fit,
    pub price_scale: PriceScale,
    /// In the order in which the model counts them.
    pub sales: Vec<SaleLearned>,
}

// Routes

/// List the price models
///
/// Newest first. The service fits a new model when sales, facts about the engines sold or the price scale have changed.
#[get("/price-models", 200 = Page<PriceModelHeading>)]
async fn list_price_models(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let fits_made = price_models_table::table.select(PriceModelHeading::as_select());
        newest_of_page!(page, fits_made, price_models_table::id)
    };
    list.rows(rows, |it: &PriceModelHeading| it.id).await
}

/// Get a price model
///
/// With its hyperparameters and the sales that are outliers.
#[get("/price-models/{id:\\d+}", 200 = PriceModelShown)]
async fn get_price_model(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let found: Option<(PriceModelHeading, Option<Value>, Value)> = price_models_table::table
        .find(*id)
        .select((
            PriceModelHeading::as_select(),
            price_models_table::learned,
            price_models_table::outliers,
        ))
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let (heading, learned, outliers) =
        found.ok_or_else(|| Problem::not_found(format!("there is no price model {id}")))?;
    let learned: Option<StoredFit> = learned
        .map(serde_json::from_value)
        .transpose()
        .map_err(Problem::internal)?;
    let hyperparameters = learned.iter().flat_map(|learned| {
        let named = learned.priors.iter().zip(&learned.hyperparameters);
        named.map(|(prior, value)| Hyperparameter {
            name: prior.name.clone(),
            value: format!("{value:.6}"),
        })
    });
    let report = PriceModelShown {
        hyperparameters: hyperparameters.collect(),
        log_posterior: learned
            .as_ref()
            .map(|learned| format!("{:.6}", learned.log_posterior)),
        outliers: serde_json::from_value(outliers).map_err(Problem::internal)?,
        heading,
    };
    respond(&req, &report)
}

// Learning

/// The result of one check for a new model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refreshed {
    Fitted {
        price_model_id: i64,
    },
    /// The latest model was fitted to the same sales and price scale.
    Unchanged,
    /// Fewer than 8 sales: only the price scale is used.
    TooFewSales,
    /// A model corrects the prices of a price scale, and none is in force today.
    NoPriceScale,
    /// Another process is fitting a model.
    Busy,
}

/// Checks for a new model if anything was recorded since `seen`, the last journal entry and day that were checked.
pub async fn keep_up(
    db: &Db,
    now: Timestamp,
    seen: &mut Option<(i64, Day)>,
) -> Result<(), Problem> {
    let mut conn = db.read().await?;
    let today = clock::today(&mut conn, now).await?;
    // Entries are numbered after their commit, so one that commits late is not missed.
    entries::number(&mut conn).await?;
    let last: Option<i64> = journal::table
        .select(max(journal::entry_no))
        .first(&mut conn)
        .await?;
    drop(conn);
    let now = (last.unwrap_or(0), today);
    if *seen == Some(now) {
        return Ok(());
    }
    match refresh(db, today).await? {
        Refreshed::Fitted { .. }
        | Refreshed::Unchanged
        | Refreshed::TooFewSales
        | Refreshed::NoPriceScale => *seen = Some(now),
        Refreshed::Busy => {}
    }
    Ok(())
}

/// Compares today's sales and price scale with those of the latest model, and fits a new one if they differ. One
/// process fits at a time, outside any transaction; the model and its journal entry are stored together or not at all.
pub async fn refresh(db: &Db, today: Day) -> Result<Refreshed, Problem> {
    let done = alone(db, async |conn| refresh_locked(conn, today).await).await?;
    Ok(done.unwrap_or(Refreshed::Busy))
}

/// Runs long calculations in one process at a time; `None` while another process is running one.
pub(crate) async fn alone<T>(
    db: &Db,
    work: impl AsyncFnOnce(&mut AsyncPgConnection) -> Result<T, Problem>,
) -> Result<Option<T>, Problem> {
    // The lock belongs to this connection: if the call is dropped, both end.
    let mut conn = db.detached().await?;
    let free = diesel::select(pg_try_advisory_lock(SingleRunner::Learning.key()));
    if !free.get_result::<bool>(&mut conn).await? {
        return Ok(None);
    }
    let done = work(&mut conn).await;
    diesel::select(pg_advisory_unlock(SingleRunner::Learning.key()))
        .get_result::<bool>(&mut conn)
        .await?;
    done.map(Some)
}

async fn refresh_locked(conn: &mut AsyncPgConnection, today: Day) -> Result<Refreshed, Problem> {
    let Some(inputs) = load_inputs(conn, today).await? else {
        return Ok(Refreshed::NoPriceScale);
    };
    let latest: Option<(Vec<u8>, i32)> = price_models_table::table
        .order(price_models_table::id.desc())
        .select((
            price_models_table::inputs_sha256,
            price_models_table::n_sales,
        ))
        .first(conn)
        .await
        .optional()?;
    let few = inputs.sales.len() < FEWEST_SALES;
    let was_few = latest
        .as_ref()
        .is_none_or(|(_, n)| usize::try_from(*n).is_ok_and(|n| n < FEWEST_SALES));
    if few && was_few {
        return Ok(Refreshed::TooFewSales);
    }
    let sha256 = inputs.sha256()?;
    if latest.is_some_and(|(known, _)| known == sha256) {
        return Ok(Refreshed::Unchanged);
    }
    let inputs = Arc::new(inputs);
    let learned = if few {
        None
    } else {
        let given = Arc::clone(&inputs);
        let work = tokio::task::spawn_blocking(move || given.learn());
        Some(
            work.await
                .map_err(Problem::internal)?
                .map_err(Problem::internal)?,
        )
    };
    let price_model_id = store(conn, today, &inputs, sha256, learned.as_ref()).await?;
    Ok(if few {
        Refreshed::TooFewSales
    } else {
        Refreshed::Fitted { price_model_id }
    })
}

/// All inputs of a model.
struct Inputs {
    price_scale: PriceScale,
    sales: Vec<SaleLearned>,
    n_not_priced: usize,
}

impl Inputs {
    fn sha256(&self) -> Result<Vec<u8>, Problem> {
        let all = json!({
            "price_scale": self.price_scale.terms(),
            "features": engine_features::schema(),
            "way": format!("{:?}", FitOptions::default()),
            "sales": self.sales,
        });
        let bytes = serde_json::to_vec(&all).map_err(Problem::internal)?;
        Ok(Sha256::digest(bytes).to_vec())
    }

    fn learn(&self) -> Result<(StoredFit, Vec<OutlierSale>), FitError> {
        let fit = fit_of(&self.sales)?;
        let far = fit.outliers();
        let outliers = far.iter().take(200).filter_map(|outlier| {
            let sale = self.sales.get(outlier.sale)?;
            Some(OutlierSale {
                comparable_id: sale.comparable_id,
                sale_id: sale.sale_id,
                on: sale.on,
                price: sale.price,
                expected: amount_of(outlier.expected).ok(),
                sds: format!("{:.4}", outlier.sds),
            })
        });
        Ok((fit.stored().clone(), outliers.collect()))
    }
}

fn fit_of(sales: &[SaleLearned]) -> Result<Fit, FitError> {
    let schema = engine_features::schema();
    valuation::fit(&schema, &in_numbers(sales), &FitOptions::default())
}

impl Learned {
    /// Fits a model to the sales that the price scale has a price for. It is not stored.
    pub(crate) fn from<'a>(
        sales: impl Iterator<Item = &'a AchievedSale>,
        price_scale: &PriceScale,
    ) -> Result<Learned, FitError> {
        let sales = sales.filter_map(|sale| SaleLearned::of(sale, price_scale));
        let sales: Vec<SaleLearned> = sales.collect();
        Ok(Learned {
            price_model_id: None,
            fit: fit_of(&sales)?,
            price_scale: price_scale.clone(),
            sales,
        })
    }
}

fn in_numbers(sales: &[SaleLearned]) -> Vec<valuation::Sale> {
    sales.iter().map(|sale| sale.sale.clone()).collect()
}

/// Models used lately, by id and hash of their inputs: restoring one takes longer than valuing with it.
static IN_USE: LazyLock<Mutex<Vec<Arc<Ready>>>> = LazyLock::new(Mutex::default);

struct Ready {
    price_model_id: i64,
    inputs_sha256: Vec<u8>,
    learned: Arc<Learned>,
}

/// The model in use on a day: the latest fitted up to it. `None` if only the price scale is used.
pub(crate) async fn counting_on(
    conn: &mut AsyncPgConnection,
    on: Day,
) -> Result<Option<Arc<Learned>>, Problem> {
    let latest: Option<(i64, Vec<u8>, i32)> = price_models_table::table
        .filter(price_models_table::on_day.le(on))
        .order(price_models_table::id.desc())
        .select((
            price_models_table::id,
            price_models_table::inputs_sha256,
            price_models_table::n_sales,
        ))
        .first(conn)
        .await
        .optional()?;
    let Some((price_model_id, inputs_sha256, n_sales)) = latest else {
        return Ok(None);
    };
    if usize::try_from(n_sales).is_ok_and(|n| n < FEWEST_SALES) {
        return Ok(None);
    }
    let in_use = || IN_USE.lock().unwrap_or_else(|broken| broken.into_inner());
    let is_it = |ready: &Arc<Ready>| {
        ready.price_model_id == price_model_id && ready.inputs_sha256 == inputs_sha256
    };
    if let Some(found) = in_use().iter().find(|ready| is_it(ready)) {
        return Ok(Some(Arc::clone(&found.learned)));
    }
    let learned = Arc::new(made_ready(conn, price_model_id).await?);
    let mut ready = in_use();
    ready.truncate(READY - 1);
    ready.insert(
        0,
        Arc::new(Ready {
            price_model_id,
            inputs_sha256,
            learned: Arc::clone(&learned),
        }),
    );
    Ok(Some(learned))
}

async fn made_ready(conn: &mut AsyncPgConnection, price_model_id: i64) -> Result<Learned, Problem> {
    let (price_scale_version, sale_ids, learned): (i32, Vec<i64>, Option<Value>) =
        price_models_table::table
            .find(price_model_id)
            .select((
                price_models_table::price_scale_version,
                price_models_table::sale_ids,
                price_models_table::learned,
            ))
            .first(conn)
            .await?;
    let sales = sales_of(conn, &sale_ids).await?;
    let price_scale = price_scale::of_version(conn, price_scale_version)
        .await?
        .rules()?;
    let learned =
        learned.ok_or_else(|| Problem::internal("this price model has no fitted parameters"))?;
    let work = tokio::task::spawn_blocking(move || {
        let stored: StoredFit = serde_json::from_value(learned).map_err(|e| e.to_string())?;
        let fit = Fit::from_stored(stored, &in_numbers(&sales)).map_err(|e| e.to_string())?;
        Ok::<_, String>((fit, sales))
    });
    let (fit, sales) = work
        .await
        .map_err(Problem::internal)?
        .map_err(Problem::internal)?;
    Ok(Learned {
        price_model_id: Some(price_model_id),
        fit,
        price_scale,
        sales,
    })
}

// SQL

/// Reads everything in one snapshot; `None` without a price scale.
async fn load_inputs(conn: &mut AsyncPgConnection, today: Day) -> Result<Option<Inputs>, Problem> {
    AnsiTransactionManager::begin_transaction(conn).await?;
    let loaded = async {
        conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            .await?;
        let Some(price_scale) = price_scale::in_force(conn, today).await? else {
            return Ok(None);
        };
        let achieved = achieved_sales::load(conn, today).await?;
        Ok(Some((price_scale, achieved)))
    }
    .await;
    AnsiTransactionManager::rollback_transaction(conn).await?;
    let loaded: Result<Option<(PriceScaleVersion, Vec<AchievedSale>)>, Problem> = loaded;
    let Some((price_scale, achieved)) = loaded? else {
        return Ok(None);
    };
    let price_scale = price_scale.rules()?;
    let priced = achieved.iter();
    let sales: Vec<SaleLearned> = priced
        .filter_map(|sale| SaleLearned::of(sale, &price_scale))
        .collect();
    Ok(Some(Inputs {
        price_scale,
        n_not_priced: achieved.len() - sales.len(),
        sales,
    }))
}

async fn store(
    conn: &mut AsyncPgConnection,
    today: Day,
    inputs: &Inputs,
    sha256: Vec<u8>,
    learned: Option<&(StoredFit, Vec<OutlierSale>)>,
) -> Result<i64, Problem> {
    let count = |n: usize| i32::try_from(n).map_err(Problem::internal);
    let (n_sales, n_not_priced) = (count(inputs.sales.len())?, count(inputs.n_not_priced)?);
    let row = (
        price_models_table::on_day.eq(today),
        price_models_table::inputs_sha256.eq(sha256),
        price_models_table::price_scale_version.eq(inputs.price_scale.terms().version),
        price_models_table::n_sales.eq(n_sales),
        price_models_table::n_not_priced.eq(n_not_priced),
        price_models_table::learned.eq(learned.map(|(stored, _)| json!(stored))),
        price_models_table::outliers.eq(learned.map_or(json!([]), |(_, outliers)| json!(outliers))),
    );
    AnsiTransactionManager::begin_transaction(conn).await?;
    let stored = async {
        let sale_ids = keep_sales(conn, &inputs.sales).await?;
        let price_model_id: i64 = diesel::insert_into(price_models_table::table)
            .values((row, price_models_table::sale_ids.eq(sale_ids)))
            .returning(price_models_table::id)
            .get_result(conn)
            .await?;
        let entry = SystemEntry {
            what: "price_model.created",
            stock_no: None,
            data: json!({"price_model_id": price_model_id, "n_sales": n_sales}),
        };
        db::record_for_system(conn, today, vec![entry]).await?;
        Ok::<_, diesel::result::Error>(price_model_id)
    }
    .await;
    match stored {
        Ok(price_model_id) => {
            AnsiTransactionManager::commit_transaction(conn).await?;
            Ok(price_model_id)
        }
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            Err(error.into())
        }
    }
}

/// Stores the sales that are not stored yet, and returns the ids of all in order.
async fn keep_sales(conn: &mut AsyncPgConnection, sales: &[SaleLearned]) -> QueryResult<Vec<i64>> {
    let mut ids = Vec::with_capacity(sales.len());
    for stretch in sales.chunks(STRETCH) {
        let stretch: Vec<Value> = stretch.iter().map(|sale| json!(sale)).collect();
        let hashes: Vec<Vec<u8>> = stretch
            .iter()
            .map(|sale| Sha256::digest(sale.to_string()).to_vec())
            .collect();
        let rows: Vec<_> = hashes
            .iter()
            .zip(&stretch)
            .map(|(sha256, sale)| {
                (
                    sales_learned::sha256.eq(sha256),
                    sales_learned::sale.eq(sale),
                )
            })
            .collect();
        diesel::insert_into(sales_learned::table)
            .values(rows)
            .on_conflict_do_nothing()
            .execute(conn)
            .await?;
        let kept: Vec<(Vec<u8>, i64)> = sales_learned::table
            .filter(sales_learned::sha256.eq_any(&hashes))
            .select((sales_learned::sha256, sales_learned::id))
            .load(conn)
            .await?;
        let kept: HashMap<Vec<u8>, i64> = kept.into_iter().collect();
        ids.extend(hashes.iter().filter_map(|sha256| kept.get(sha256)));
    }
    Ok(ids)
}

/// In the order of `ids`; an id that is listed twice gives its sale twice.
async fn sales_of(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Vec<SaleLearned>, Problem> {
    let mut sales: HashMap<i64, SaleLearned> = HashMap::new();
    for stretch in ids.chunks(STRETCH) {
        let kept: Vec<(i64, Value)> = sales_learned::table
            .filter(sales_learned::id.eq_any(stretch))
            .select((sales_learned::id, sales_learned::sale))
            .load(conn)
            .await?;
        let read = tokio::task::spawn_blocking(|| {
            let sales = kept.into_iter();
            let sales = sales.map(|(id, sale)| Ok((id, serde_json::from_value(sale)?)));
            sales.collect::<serde_json::Result<Vec<(i64, SaleLearned)>>>()
        });
        let read = read.await.map_err(Problem::internal)?;
        sales.extend(read.map_err(Problem::internal)?);
    }
    Ok(ids.iter().filter_map(|id| sales.get(id)).cloned().collect())
}
