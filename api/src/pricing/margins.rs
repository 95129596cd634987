//! Margins of an engine: its cost, its break-even price and its profit at a price.

use crate::{
    books::{costs, tax_rules::Rates},
    ground::{
        actor::{Actor, SellingRead},
        answers::{Reply, respond},
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::{CONFLICT, FORBIDDEN, Problem},
        query::Query,
        text::Text,
    },
    pricing::valuations::{answer::PricingBasis, facts_of},
    schema::valuations,
    stock::{self, EngineState},
    workshop::{
        cost_to_come::{HoursToCome, Prices, ToCome, to_come_of},
        hour_rates::{self, RateKind},
    },
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::{
            CommissionTerms, CostKind, CostLine, CostToCome, HourPricedBy, Ledger,
            LowestPriceQuestion, ProfitAtPrice, commission_profit_at_price, hours_to_break_even,
            ledger, lowest_commission_price, lowest_price, profit_at_price,
        },
        tax::{Percent, Scheme},
    },
    days::Day,
    money::Money,
    trade::{Role, TaxPosition},
    workshop::jobs::Hours,
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money").service(get_margins);
}

// Types

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct MoneyQuery {
    /// A price offered, including tax.
    #[param(example = "6800.00")]
    offer: Option<Money>,
}

/// An engine's break-even price and its profit at other prices, all including tax. For an engine on commission, the
/// amount payable to its owner takes the place of the purchase price.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "on": "2026-05-14", "break_even_price": "5410.00", "chance_above_break_even": null, "at_asking_price":
    {"price": "6800.00", "tax": "300.00", "selling_cost": "0.00", "profit": "1090.00"}, "at_offer": null, "at_low": null, "at_likely": null,
    "at_high": null, "hours_to_break_even": "45.41", "warnings": ["No valuation is on record."]}))]
pub struct BreakEven {
    pub stock_no: i32,
    /// The day of the rates and prices used: today.
    pub on: Day,
    /// The lowest price that makes no loss; null if every price makes one, for example a fixed commission below the
    /// costs.
    pub break_even_price: Option<Money>,
    /// Share (0 to 1) of the prices predicted on the day of the last valuation that lie above the break-even price.
    /// null without a valuation, or if the price scale or records of that day no longer give a price.
    #[schema(max_length = 40)]
    pub chance_above_break_even: Option<String>,
    /// null if no asking price is set.
    pub at_asking_price: Option<ProfitAtPrice>,
    /// null if no `offer` was given.
    pub at_offer: Option<ProfitAtPrice>,
    /// At the prices of the last valuation; null without one.
    pub at_low: Option<ProfitAtPrice>,
    /// null without a valuation.
    pub at_likely: Option<ProfitAtPrice>,
    /// null without a valuation.
    pub at_high: Option<ProfitAtPrice>,
    /// Hours of further work that the profit at the asking price would pay for, at the mean of the fitters' rates; null
    /// without a rate or an asking price.
    pub hours_to_break_even: Option<Hours>,
    /// Reasons why the figures are incomplete or uncertain.
    #[schema(max_items = 10)]
    pub warnings: Vec<Text<400>>,
}

/// Both ledgers of an engine, kept apart: its cost to the firm, and the figures for tax.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"tax_position": "margin_scheme", "scheme": "margin", "rate_percent": "20", "purchase": "5000.00",
    "ledger": {"kinds": [{"kind": "purchase", "cost": "5000.00", "worth": "5000.00", "supplier_vat": "0.00"}], "cost": "5000.00",
        "worth": "5000.00", "supplier_vat": "0.00", "hours_booked": "0"},
    "cost_to_come": {"hours": "4", "work": "96.00", "parts": "0.00", "outside_work": "0.00", "test_fees": "0.00", "amount": "96.00"},
    "hours_to_come": [{"job_id": 33, "test": null, "hours": "4", "rate": "24.00", "priced_by": "fitter", "fitter": "Edda Morlock"}], "stock_no": 10, "on": "2026-05-14", "break_even_price": "5115.20", "chance_above_break_even": "0.7310",
    "at_asking_price": null, "at_offer": null, "at_low": null, "at_likely": null, "at_high": null, "hours_to_break_even": null, "warnings": []}))]
pub struct Margins {
    /// How its sale is taxed; null for a seller.
    pub tax_position: Option<TaxPosition>,
    /// The tax scheme for its sale; null for a seller.
    pub scheme: Option<Scheme>,
    /// The VAT rate on the day; on commission, that on the commission. 0 if no tax is charged; null for a seller.
    pub rate_percent: Option<Percent>,
    /// The price paid or allowed; null for an engine on commission, and for a seller.
    pub purchase: Option<Money>,
    /// Costs so far, by kind; null for a seller.
    pub ledger: Option<Ledger>,
    /// Cost of the jobs agreed or started, and of the tests that they require; null for a seller.
    pub cost_to_come: Option<CostToCome>,
    /// The hours in that cost, and the rates that price them; null for a seller.
    #[schema(max_items = 1000)]
    pub hours_to_come: Option<Vec<HoursToCome>>,
    #[serde(flatten)]
    pub prices: BreakEven,
}

// Routes

/// Get an engine's break-even price, and its profit at the low, likely, high and asking price
///
/// For the proprietor and the bookkeeper with the costs; for a seller the tax figures, the purchase price
/// and the costs are null. 409 if the records do not allow it to be calculated.
#[get("/engines/{stock_no:\\d+}/margins", 409, 200 = Margins)]
async fn get_margins(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<MoneyQuery>,
) -> Reply {
    let mut conn = db.read().await?;
    let margins = margins_of(&mut conn, *stock_no, actor.today, query.offer).await?;
    let margins = match actor.role {
        Role::Proprietor | Role::Bookkeeper => margins,
        Role::Fitter | Role::Seller | Role::Website => margins.without_costs(),
    };
    respond(&req, &margins)
}

impl Margins {
    fn without_costs(self) -> Margins {
        Margins {
            tax_position: None,
            scheme: None,
            rate_percent: None,
            purchase: None,
            ledger: None,
            cost_to_come: None,
            hours_to_come: None,
            ..self
        }
    }
}

/// For those who may read it; `None` if the records do not allow it to be calculated.
pub(crate) async fn break_even_price(
    conn: &mut AsyncPgConnection,
    actor: &Actor,
    stock_no: i32,
) -> Result<Option<Money>, Problem> {
    match actor.role {
        Role::Fitter | Role::Website => return Ok(None),
        Role::Proprietor | Role::Seller | Role::Bookkeeper => {}
    }
    let engine = EngineState::read(conn, stock_no).await?;
    match reckoned(conn, &engine, actor.today).await {
        Ok(reckoned) => Ok(reckoned.break_even_price),
        Err(problem) if problem.is(CONFLICT) => Ok(None),
        Err(problem) => Err(problem),
    }
}

/// What any price of an engine leaves, as its records are on a day.
pub(crate) struct ProfitQuestion {
    question: LowestPriceQuestion,
    /// For an engine on commission.
    commission: Option<CommissionTerms>,
    tax_position: TaxPosition,
    /// Including the cost still to come.
    spent: Money,
}

impl ProfitQuestion {
    pub(crate) fn at(&self, price: Money) -> Result<ProfitAtPrice, Problem> {
        let question = &self.question;
        let profit = match self.commission {
            Some(terms) => commission_profit_at_price(
                price,
                terms,
                self.tax_position,
                question.rate_percent,
                self.spent,
            ),
            None => profit_at_price(question, price),
        };
        profit.map_err(Problem::from)
    }
}

pub(crate) async fn reckoning(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<ProfitQuestion, Problem> {
    let engine = EngineState::read(conn, stock_no).await?;
    Ok(reckoned(conn, &engine, on).await?.reckoning)
}

/// `None` if the records do not allow it to be calculated.
pub(crate) async fn known_reckoning(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<ProfitQuestion>, Problem> {
    match reckoning(conn, stock_no, on).await {
        Ok(reckoning) => Ok(Some(reckoning)),
        Err(problem) if problem.is(CONFLICT) => Ok(None),
        Err(problem) => Err(problem),
    }
}

/// What an engine has cost and will still cost, and what follows for any price.
struct Reckoned {
    tax_position: TaxPosition,
    purchase: Option<Money>,
    ledger: Ledger,
    rate_percent: Percent,
    to_come: ToCome,
    /// `None` if no job is open.
    prices: Option<Prices>,
    has_hours_without_rate: bool,
    break_even_price: Option<Money>,
    reckoning: ProfitQuestion,
}

async fn reckoned(
    conn: &mut AsyncPgConnection,
    engine: &EngineState,
    on: Day,
) -> Result<Reckoned, Problem> {
    let (stock_no, tax_position) = (engine.stock_no, engine.tax_position);
    let (purchase, agreed) = (engine.purchase()?, engine.agreed());
    let all = costs::lines_until(conn, &[stock_no], Day::LAST).await?;
    let lines = all.get(&stock_no).map_or(&[][..], Vec::as_slice);
    let spent: Vec<CostLine> = lines.iter().map(costs::LedgerLine::line).collect();
    let ledger = ledger(&spent, tax_position).map_err(|fault| Problem::from(vec![fault]))?;
    let rates = Rates::load(conn).await?;
    let rate_percent = match &agreed {
        Some(_) => rates.of_commission(tax_position, on)?,
        None => rates.on(tax_position.scheme(), on)?,
    };
    let (to_come, prices) = to_come_of(conn, stock_no, on, RateKind::Worth, &all).await?;
    let paid = purchase.unwrap_or_default();
    let other_costs = ledger.worth.checked_sub(paid).map_err(Problem::internal)?;
    let question = LowestPriceQuestion {
        purchase: paid,
        other_costs: other_costs.max(Money::ZERO),
        cost_to_come: Some(to_come.cost.amount),
        selling_cost: None,
        selling_share_percent: None,
        rate_percent,
        scheme: tax_position.scheme(),
        wanted_profit: None,
    };
    let spent = ledger.worth.checked_add(to_come.cost.amount);
    let spent = spent.map_err(Problem::internal)?;
    let break_even_price = match &agreed {
        Some(agreed) => lowest_commission_price(agreed.terms(), spent),
        None => Some(lowest_price(&question)?.lowest_price),
    };
    let has_hours_without_rate = lines
        .iter()
        .any(|line| line.kind == CostKind::Work && line.worth == Money::ZERO);
    Ok(Reckoned {
        tax_position,
        purchase,
        ledger,
        rate_percent,
        to_come,
        prices,
        has_hours_without_rate,
        break_even_price,
        reckoning: ProfitQuestion {
            question,
            commission: agreed.map(|agreed| agreed.terms()),
            tax_position,
            spent,
        },
    })
}

async fn margins_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
    offer: Option<Money>,
) -> Result<Margins, Problem> {
    let engine = EngineState::read(conn, stock_no).await?;
    if offer.is_some_and(Money::is_negative) {
        return Err(Problem::new(
            crate::ground::problem::INVALID_QUERY,
            "`offer` must be 0 or more",
        ));
    }
    let Reckoned {
        tax_position,
        purchase,
        ledger,
        rate_percent,
        to_come,
        prices,
        has_hours_without_rate,
        break_even_price,
        reckoning,
    } = reckoned(conn, &engine, on).await?;
    let hours = match prices {
        Some(prices) => prices.hours,
        None => hour_rates::on(conn, on).await?,
    };
    let mean = hours.of(None, None);
    let recovery_rate = (mean.by != HourPricedBy::NoRate).then_some(mean.rate.worth);
    let at = |price: Option<Money>| price.map(|price| reckoning.at(price)).transpose();
    let asked = stock::asking_price_of(conn, stock_no).await?;
    let valued: Option<(Money, Money, Money, Day)> = valuations::table
        .filter(valuations::stock_no.eq(stock_no))
        .order((valuations::on_day.desc(), valuations::id.desc()))
        .select((
            valuations::low,
            valuations::likely,
            valuations::high,
            valuations::on_day,
        ))
        .first(conn)
        .await
        .optional()?;
    let chance_above_break_even = match valued.zip(break_even_price) {
        Some(((.., valued_on), price)) => chance_above(conn, stock_no, valued_on, price).await?,
        None => None,
    };
    let at_asking_price = at(asked)?;
    let profit = at_asking_price.map(|at| at.profit);
    let warnings = [
        (valued.is_none(), "No valuation is on record."),
        (asked.is_none(), "No asking price is set."),
        (
            has_hours_without_rate,
            "Some booked hours have no hourly rate and are counted as zero. Set one at /v1/hour-rates.",
        ),
        (
            recovery_rate.is_none() && to_come.cost.hours > Hours::ZERO,
            "No hourly rate is set, so the hours to come are counted as zero. Set one at /v1/hour-rates.",
        ),
    ];
    Ok(Margins {
        tax_position: Some(tax_position),
        scheme: Some(tax_position.scheme()),
        rate_percent: Some(rate_percent),
        purchase,
        ledger: Some(ledger),
        cost_to_come: Some(to_come.cost),
        hours_to_come: Some(to_come.hours),
        prices: BreakEven {
            stock_no,
            on,
            break_even_price,
            chance_above_break_even,
            at_asking_price,
            at_offer: at(offer)?,
            at_low: at(valued.map(|it| it.0))?,
            at_likely: at(valued.map(|it| it.1))?,
            at_high: at(valued.map(|it| it.2))?,
            hours_to_break_even: profit
                .zip(recovery_rate)
                .and_then(|(profit, rate)| hours_to_break_even(profit, rate)),
            warnings: warnings
                .into_iter()
                .filter(|(holds, _)| *holds)
                .map(|(_, words)| words.parse())
                .collect::<Result<_, _>>()
                .map_err(Problem::internal)?,
        },
    })
}

/// Uses the price scale and model of the day of the valuation; `None` if they no longer give a price, for example
/// because the kind of the engine was corrected since.
async fn chance_above(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    valued_on: Day,
    price: Money,
) -> Result<Option<String>, Problem> {
    if price <= Money::ZERO {
        return Ok(Some("1.0000".to_owned()));
    }
    let engine = facts_of(conn, stock_no, valued_on).await?;
    let share = match PricingBasis::on(conn, valued_on).await {
        Ok(ground) => ground.chance_above(&engine, price),
        Err(problem) => Err(problem),
    };
    match share {
        Ok(share) => Ok(Some(format!("{share:.4}"))),
        Err(problem) if problem.is(CONFLICT) => Ok(None),
        Err(problem) => Err(problem),
    }
}

/// Refuses an act that commits the firm to a loss, unless the proprietor confirms it. Returns what any price leaves;
/// `None` if the records do not allow it to be calculated: then nothing is asked.
pub(crate) async fn must_not_lose(
    conn: &mut AsyncPgConnection,
    actor: &Actor,
    engine: &EngineState,
    price: Money,
    confirmed: bool,
) -> Result<Option<ProfitQuestion>, Problem> {
    const POINTER: &str = "/below_break_even_confirmed";
    let Reckoned {
        break_even_price,
        reckoning,
        ..
    } = match reckoned(conn, engine, actor.today).await {
        Ok(known) => known,
        Err(problem) if problem.is(CONFLICT) => return Ok(None),
        Err(problem) => return Err(problem),
    };
    let profit = reckoning.at(price)?.profit;
    if !profit.is_negative() {
        return Ok(Some(reckoning));
    }
    let below = match break_even_price {
        Some(least) => format!("{price} is below the break-even price of {least}"),
        None => format!("no price breaks even, and {price} does not"),
    };
    match (actor.role, confirmed) {
        (Role::Proprietor, true) => Ok(Some(reckoning)),
        (Role::Proprietor, false) => Err(Problem::invalid(
            POINTER,
            format!("{below} and leaves {profit}; send true to confirm"),
        )),
        (Role::Fitter | Role::Seller | Role::Bookkeeper | Role::Website, _) => Err(Problem::new(
            FORBIDDEN,
            format!("{below}: only the proprietor may accept it, with below_break_even_confirmed"),
        )),
    }
}
