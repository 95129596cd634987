//! The stock valuation at the end of a day: the lower of cost and net realisable value, engine by engine.

use crate::{
    books::{costs, stock_book::too_large, tax_periods, tax_rules::Rates},
    ground::{
        actor::MoneyDesk,
        answers::{Reply, respond},
        body::Body,
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{self, Problem},
        query::Query,
    },
    schema::{closing_stock, closing_stock_lines},
    workshop::{cost_to_come, hour_rates::RateKind},
};
use actix_web::{HttpRequest, web};
use diesel::{
    dsl::{max, sql},
    prelude::*,
    sql_types::{BigInt, Bool, Date, Integer, Nullable, Numeric, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::{
            CostLine, ExpectedFrom, StockFacts, StockValuationLine, ValueUsed, ledger,
            stock_valuation_line,
        },
        tax::{MoneyFault, Percent},
    },
    days::Day,
    money::Money,
    trade::TaxPosition,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_stock_valuation)
        .service(get_stock_valuation_totals)
        .service(list_closing_stock)
        .service(create_closing_stock)
        .service(get_closing_stock)
        .service(list_kept_lines);
}

/// A sale within this many days afterwards is evidence of the engine's value (IAS 10.9; the number of days is common
/// practice and has no source).
const SOON_DAYS: i32 = 60;

/// Engines loaded at once.
const STRETCH: i64 = 500;

// Types

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct StockValuationQuery {
    /// The stock at the end of this day; today or earlier.
    #[param(example = "2026-03-31")]
    on: Day,
    /// Cost of selling one engine, 0 or more. Default: 0.00.
    #[param(example = "0.00")]
    selling_cost: Option<Money>,
    /// Further cost of selling, in per cent of the price, 0 to 100. Default: 0.
    #[param(value_type = Option<String>, max_length = 6, example = "5")]
    selling_share_percent: Option<Percent>,
}

/// An engine in stock and the figures behind its value.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "cost": "4850.00", "net_realisable_value": "4440.00", "net_realisable_value_as_it_stands": null,
    "used": "finished", "carrying_amount_before": "4850.00",
    "write_down": "410.00", "reversal": "0.00", "carrying_amount": "4440.00", "sold_after_on": null, "sold_after_price": null,
    "purchase": "4200.00", "price": "5400.00", "price_from": "asking_price", "as_it_stands_price": null, "cost_to_come": "510.00"}))]
pub struct StockValuationEntry {
    #[serde(flatten)]
    pub line: StockValuationLine,
    /// Purchase price; without the supplier's VAT if that is recovered.
    pub purchase: Money,
    /// Expected price when finished, including tax; null if it has no asking price and no valuation, and was not sold
    /// soon after.
    pub price: Option<Money>,
    /// The source of `price`; null without one.
    pub price_from: Option<ExpectedFrom>,
    /// Expected price unfinished, including tax, from `/v1/engines/{stock_no}/as-it-stands-prices`; null if none is
    /// recorded.
    pub as_it_stands_price: Option<Money>,
    /// Cost of the jobs agreed or started on the day, with hours at the highest cost rate of the day.
    pub cost_to_come: Money,
}

/// The totals over all engines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Queryable, ToSchema)]
#[schema(example = json!({"n_engines": 31, "n_without_price": 2, "cost": "94850.00", "write_down": "410.00", "reversal": "0.00",
    "carrying_amount": "94440.00"}))]
pub struct StockValuationTotals {
    /// Engines in stock.
    #[schema(minimum = 0)]
    pub n_engines: i64,
    /// Engines without a price; their carrying amount stays.
    #[schema(minimum = 0)]
    pub n_without_price: i64,
    /// Spent up to the day, including the purchases.
    pub cost: Money,
    /// From cost to net realisable value.
    pub write_down: Money,
    /// Earlier write-downs taken back.
    pub reversal: Money,
    /// The value of the stock: the lower of cost and net realisable value of each engine.
    pub carrying_amount: Money,
}

/// The closing stock of a day. Its write-downs and reversals are booked, and the next one starts from it.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 2, "on": "2026-03-31", "kept_on": "2026-04-20", "selling_cost": "0.00", "selling_share_percent": null, "n_engines": 31, "n_without_price": 2,
    "cost": "94850.00", "write_down": "410.00", "reversal": "0.00", "carrying_amount": "94440.00"}))]
pub struct ClosingStock {
    pub id: i64,
    /// The stock at the end of this day.
    pub on: Day,
    /// The day on which it was recorded.
    pub kept_on: Day,
    /// Cost of selling one engine.
    pub selling_cost: Money,
    /// Further cost of selling, in per cent of the price; null: none.
    pub selling_share_percent: Option<Percent>,
    #[serde(flatten)]
    pub totals: StockValuationTotals,
}

/// A closing stock to record.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-03-31"}))]
pub struct NewClosingStock {
    /// Before today, after the last closing stock, in an open tax period.
    pub on: Day,
    /// Cost of selling one engine, 0 or more.
    #[serde(default)]
    pub selling_cost: Money,
    /// Further cost of selling, in per cent of the price, 0 to 100; null: 0.
    pub selling_share_percent: Option<Percent>,
}

impl StockValuationTotals {
    fn add(&mut self, entry: &StockValuationEntry) -> Result<(), MoneyFault> {
        let plus = |sum: &mut Money, amount| {
            *sum = sum
                .checked_add(amount)
                .map_err(|_| MoneyFault::TooLarge { member: "cost" })?;
            Ok(())
        };
        self.n_engines += 1;
        self.n_without_price += i64::from(entry.line.used.is_none());
        plus(&mut self.cost, entry.line.cost)?;
        plus(&mut self.write_down, entry.line.write_down)?;
        plus(&mut self.reversal, entry.line.reversal)?;
        plus(&mut self.carrying_amount, entry.line.carrying_amount)
    }
}

// Routes

/// List the stock valuation at the end of a day
///
/// Each engine at the lower of cost and net realisable value. The expected price is the asking price in force on the
/// day, else the likely price of the last valuation up to it. A sale within 60 days afterwards is better evidence and
/// replaces it, unless the engine's value changed in between (IAS 2.30). The price as it stands is used if that brings
/// in more. Engines on commission do not belong to the firm and are left out. Materials are not recorded separately:
/// parts count from the day they are used on a job. Nothing is stored.
#[get("/stock-valuation", 409, 200 = Page<StockValuationEntry>)]
async fn list_stock_valuation(
    MoneyDesk(actor): MoneyDesk,
    list: ListQuery<StockValuationQuery>,
) -> Reply {
    let asked = list.filters.checked(actor.today)?;
    let day = DayFacts::load(&mut *list.conn().await?, asked).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        in_stock(conn, &day, page.after_id().unwrap_or(0), page.limit).await
    };
    list.answer(fetch, place).await
}

/// Total the stock valuation at the end of a day
///
/// Nothing is stored.
#[get("/stock-valuation/totals", 409, 200 = StockValuationTotals)]
async fn get_stock_valuation_totals(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<StockValuationQuery>,
) -> Reply {
    let asked = query.checked(actor.today)?;
    let mut conn = db.read().await?;
    let day = DayFacts::load(&mut conn, asked).await?;
    let mut totals = StockValuationTotals::default();
    let mut after = 0;
    loop {
        let stretch = in_stock(&mut conn, &day, after, STRETCH).await?;
        let Some(last) = stretch.last() else {
            return respond(&req, &totals);
        };
        after = place(last).1;
        for entry in &stretch {
            totals.add(entry).map_err(too_large)?;
        }
    }
}

/// List the closing stocks on record
#[get("/closing-stock", 200 = Page<ClosingStock>)]
async fn list_closing_stock(_by: MoneyDesk, list: ListQuery) -> Reply {
    let fetch = async |conn: &mut AsyncPgConnection, page: Keyset| {
        let all = closing_stock::table.select(closing_stock::id);
        let ids = of_page!(page, all, closing_stock::id);
        let ids: Vec<i64> = ids.load(conn).await?;
        kept(conn, &ids).await
    };
    list.answer(fetch, |it: &ClosingStock| it.id).await
}

/// Record the closing stock of a day
///
/// Its write-downs and reversals are then part of the accounts, and later valuations start from it. Refused (409) if a
/// later or the same day is already recorded, or the tax period is closed.
#[post("/closing-stock", 201 = ClosingStock)]
async fn create_closing_stock(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewClosingStock>,
) -> Reply {
    if new.on >= actor.today {
        return Err(Problem::invalid("/on", "must be before today"));
    }
    if new.selling_cost.is_negative() {
        return Err(Problem::invalid("/selling_cost", "must be 0 or more"));
    }
    if new
        .selling_share_percent
        .is_some_and(|share| share > Percent::HUNDRED)
    {
        return Err(Problem::invalid(
            "/selling_share_percent",
            "must be at most 100",
        ));
    }
    db.create(&actor, &new, async |tx| {
        tax_periods::hold(tx.conn()).await?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let last: Option<Day> = closing_stock::table
            .select(max(closing_stock::on_day))
            .get_result(tx.conn())
            .await?;
        if let Some(last) = last.filter(|last| new.on <= *last) {
            let detail = format!("the closing stock of {last} is already recorded; choose a later day", last = last.in_words());
            return Err(Problem::conflict(detail));
        }
        let id = insert(tx, &new).await?;
        let made = kept(tx.conn(), &[id]).await?.pop();
        let made = made.expect("stored just now");
        let entry = json!({"closing_stock_id": id, "on": new.on, "write_down": made.totals.write_down, "reversal": made.totals.reversal});
        tx.record("closing_stock.created", None, entry).await?;
        Ok((format!("/v1/closing-stock/{id}"), made))
    })
    .await
}

/// Get a closing stock
#[get("/closing-stock/{id:\\d+}", 200 = ClosingStock)]
async fn get_closing_stock(
    _by: MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    respond(&req, &find(&mut *db.read().await?, *id).await?)
}

/// List the engines of a closing stock
#[get("/closing-stock/{id:\\d+}/lines", 200 = Page<StockValuationEntry>, id = "list_closing_stock_lines")]
async fn list_kept_lines(_by: MoneyDesk, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    find(&mut *list.conn().await?, id).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let rows: Vec<KeptLine> = diesel::sql_query(include_str!("closing_stock/kept.sql"))
            .bind::<BigInt, _>(id)
            .bind::<BigInt, _>(page.after_id().unwrap_or(0))
            .bind::<BigInt, _>(page.limit)
            .bind::<Integer, _>(SOON_DAYS)
            .load(conn)
            .await?;
        Ok(rows.into_iter().map(KeptLine::entry).collect())
    };
    list.answer(fetch, place).await
}

impl StockValuationQuery {
    fn checked(self, today: Day) -> Result<Asked, Problem> {
        let refused = |detail| Err(Problem::new(problem::INVALID_QUERY, detail));
        let selling_cost = self.selling_cost.unwrap_or_default();
        if self.on > today {
            return refused("`on` must not be in the future");
        }
        if selling_cost.is_negative() {
            return refused("`selling_cost` must be 0 or more");
        }
        let selling_share = self.selling_share_percent.unwrap_or_default();
        if selling_share > Percent::HUNDRED {
            return refused("`selling_share_percent` must be at most 100");
        }
        Ok(Asked {
            on: self.on,
            selling_cost,
            selling_share,
        })
    }
}

fn place(entry: &StockValuationEntry) -> (Value, i64) {
    (Value::Null, i64::from(entry.line.stock_no))
}

// SQL

/// The parameters of a stock valuation.
#[derive(Clone, Copy)]
struct Asked {
    on: Day,
    selling_cost: Money,
    selling_share: Percent,
}

/// What is the same for all engines on the day.
struct DayFacts {
    on: Day,
    selling_cost: Money,
    selling_share: Percent,
    rates: Rates,
    prices: cost_to_come::Prices,
}

impl DayFacts {
    async fn load(conn: &mut AsyncPgConnection, asked: Asked) -> Result<DayFacts, Problem> {
        let on = asked.on;
        Ok(DayFacts {
            on,
            selling_cost: asked.selling_cost,
            selling_share: asked.selling_share,
            rates: Rates::load(conn).await?,
            prices: cost_to_come::Prices::load(conn, on, RateKind::Book).await?,
        })
    }
}

#[derive(QueryableByName)]
struct InStock {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Text)]
    tax_position: TaxPosition,
    #[diesel(sql_type = Numeric)]
    purchase: Money,
    #[diesel(sql_type = Nullable<Numeric>)]
    asking_price: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    likely: Option<Money>,
    #[diesel(sql_type = Numeric)]
    written_down_before: Money,
    #[diesel(sql_type = Nullable<Date>)]
    sold_after_on: Option<Day>,
    #[diesel(sql_type = Nullable<Numeric>)]
    sold_after_price: Option<Money>,
    #[diesel(sql_type = Bool)]
    changed_before_sale: bool,
    #[diesel(sql_type = Nullable<Numeric>)]
    as_it_stands: Option<Money>,
}

/// The engines in stock at the end of the day, by stock number after `after`, in three queries.
async fn in_stock(
    conn: &mut AsyncPgConnection,
    day: &DayFacts,
    after: i64,
    limit: i64,
) -> Result<Vec<StockValuationEntry>, Problem> {
    let engines: Vec<InStock> = diesel::sql_query(include_str!("closing_stock/in_stock.sql"))
        .bind::<Date, _>(day.on)
        .bind::<BigInt, _>(after)
        .bind::<BigInt, _>(limit)
        .bind::<Date, _>(day.on.plus_days(SOON_DAYS))
        .load(conn)
        .await?;
    let stock_nos: Vec<i32> = engines.iter().map(|engine| engine.stock_no).collect();
    let lines = costs::lines_until(conn, &stock_nos, day.on).await?;
    let to_come = cost_to_come::to_come(conn, &day.prices, &stock_nos, &lines).await?;
    let mut entries = Vec::new();
    for engine in engines {
        let lines = lines.get(&engine.stock_no).map_or(&[][..], Vec::as_slice);
        let cost_to_come = to_come.get(&engine.stock_no).map(|it| it.cost.amount);
        entries.extend(engine.valued(day, lines, cost_to_come.unwrap_or_default())?);
    }
    Ok(entries)
}

impl InStock {
    fn valued(
        self,
        day: &DayFacts,
        lines: &[costs::LedgerLine],
        cost_to_come: Money,
    ) -> Result<Option<StockValuationEntry>, Problem> {
        let lines: Vec<CostLine> = lines.iter().map(costs::LedgerLine::line).collect();
        let cost = ledger(&lines, self.tax_position)
            .map_err(|fault| vec![fault])?
            .cost;
        let (price, price_from) = match (self.asking_price, self.likely) {
            (Some(price), _) => (Some(price), Some(ExpectedFrom::AskingPrice)),
            (None, Some(price)) => (Some(price), Some(ExpectedFrom::Valuation)),
            (None, None) => (None, None),
        };
        let facts = StockFacts {
            stock_no: self.stock_no,
            position: self.tax_position,
            cost,
            purchase: self.purchase,
            price,
            cost_to_come,
            as_it_stands: self.as_it_stands,
            selling_cost: day.selling_cost,
            selling_share: day.selling_share,
            rate: day.rates.on(self.tax_position.scheme(), day.on)?,
            written_down_before: self.written_down_before,
            sold_after: self.sold_after_on.zip(self.sold_after_price),
            changed_before_sale: self.changed_before_sale,
        };
        let price_from = match facts.evidence() {
            Some(_) => Some(ExpectedFrom::SaleAfter),
            None => price_from,
        };
        let line = stock_valuation_line(&facts)?;
        Ok(line.map(|line| StockValuationEntry {
            line,
            purchase: self.purchase,
            price: facts.price_finished(),
            price_from,
            as_it_stands_price: self.as_it_stands,
            cost_to_come,
        }))
    }
}

/// Stores a stock valuation with its lines and returns its id.
async fn insert(tx: &mut Tx<'_>, new: &NewClosingStock) -> Result<i64, Problem> {
    let today = tx.actor.today;
    let id: i64 = diesel::insert_into(closing_stock::table)
        .values((
            closing_stock::on_day.eq(new.on),
            closing_stock::kept_on.eq(today),
            closing_stock::selling_cost.eq(new.selling_cost),
            closing_stock::selling_share_percent.eq(new.selling_share_percent),
        ))
        .returning(closing_stock::id)
        .get_result(tx.conn())
        .await?;
    let asked = Asked {
        on: new.on,
        selling_cost: new.selling_cost,
        selling_share: new.selling_share_percent.unwrap_or_default(),
    };
    let day = DayFacts::load(tx.conn(), asked).await?;
    let mut totals = StockValuationTotals::default();
    let mut after = 0;
    loop {
        let stretch = in_stock(tx.conn(), &day, after, STRETCH).await?;
        let Some(last) = stretch.last() else {
            return Ok(id);
        };
        after = place(last).1;
        for entry in &stretch {
            // Checked here, so that the totals shown later stay within the range of amounts.
            totals.add(entry).map_err(too_large)?;
        }
        let rows: Vec<_> = stretch
            .iter()
            .map(|entry| {
                (
                    closing_stock_lines::closing_stock_id.eq(id),
                    closing_stock_lines::stock_no.eq(entry.line.stock_no),
                    closing_stock_lines::purchase.eq(entry.purchase),
                    closing_stock_lines::price.eq(entry.price),
                    closing_stock_lines::price_from.eq(entry.price_from),
                    closing_stock_lines::as_it_stands_price.eq(entry.as_it_stands_price),
                    closing_stock_lines::used.eq(entry.line.used),
                    closing_stock_lines::net_realisable_value_as_it_stands
                        .eq(entry.line.net_realisable_value_as_it_stands),
                    closing_stock_lines::cost_to_come.eq(entry.cost_to_come),
                    closing_stock_lines::cost.eq(entry.line.cost),
                    closing_stock_lines::net_realisable_value.eq(entry.line.net_realisable_value),
                    closing_stock_lines::carrying_amount_before
                        .eq(entry.line.carrying_amount_before),
                    closing_stock_lines::write_down.eq(entry.line.write_down),
                    closing_stock_lines::reversal.eq(entry.line.reversal),
                    closing_stock_lines::carrying_amount.eq(entry.line.carrying_amount),
                )
            })
            .collect();
        diesel::insert_into(closing_stock_lines::table)
            .values(rows)
            .execute(tx.conn())
            .await?;
    }
}

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<ClosingStock, Problem> {
    let found = kept(conn, &[id]).await?.pop();
    found.ok_or_else(|| Problem::not_found(format!("there is no closing stock {id}")))
}

/// The closing stocks with these ids, in order of id, each with its totals.
async fn kept(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Vec<ClosingStock>, Problem> {
    type Row = (i64, Day, Day, Money, Option<Percent>, StockValuationTotals);
    let rows: Vec<Row> = closing_stock::table
        .left_join(closing_stock_lines::table)
        .filter(closing_stock::id.eq_any(ids))
        .group_by(closing_stock::id)
        .order(closing_stock::id)
        .select((
            closing_stock::id,
            closing_stock::on_day,
            closing_stock::kept_on,
            closing_stock::selling_cost,
            closing_stock::selling_share_percent,
            (
                sql::<BigInt>("count(closing_stock_lines.stock_no)"),
                sql::<BigInt>(
                    "count(*) FILTER (WHERE stock_no IS NOT NULL AND net_realisable_value IS NULL)",
                ),
                sql::<Numeric>("coalesce(sum(closing_stock_lines.cost), 0)"),
                sql::<Numeric>("coalesce(sum(closing_stock_lines.write_down), 0)"),
                sql::<Numeric>("coalesce(sum(closing_stock_lines.reversal), 0)"),
                sql::<Numeric>("coalesce(sum(closing_stock_lines.carrying_amount), 0)"),
            ),
        ))
        .load(conn)
        .await?;
    let kept = rows.into_iter().map(
        |(id, on, kept_on, selling_cost, selling_share_percent, totals)| ClosingStock {
            id,
            on,
            kept_on,
            selling_cost,
            selling_share_percent,
            totals,
        },
    );
    Ok(kept.collect())
}

#[derive(QueryableByName)]
struct KeptLine {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = Numeric)]
    purchase: Money,
    #[diesel(sql_type = Nullable<Numeric>)]
    price: Option<Money>,
    #[diesel(sql_type = Nullable<Text>)]
    price_from: Option<ExpectedFrom>,
    #[diesel(sql_type = Nullable<Numeric>)]
    as_it_stands_price: Option<Money>,
    #[diesel(sql_type = Nullable<Text>)]
    used: Option<ValueUsed>,
    #[diesel(sql_type = Nullable<Numeric>)]
    net_realisable_value_as_it_stands: Option<Money>,
    #[diesel(sql_type = Numeric)]
    cost_to_come: Money,
    #[diesel(sql_type = Numeric)]
    cost: Money,
    #[diesel(sql_type = Nullable<Numeric>)]
    net_realisable_value: Option<Money>,
    #[diesel(sql_type = Numeric)]
    carrying_amount_before: Money,
    #[diesel(sql_type = Numeric)]
    write_down: Money,
    #[diesel(sql_type = Numeric)]
    reversal: Money,
    #[diesel(sql_type = Numeric)]
    carrying_amount: Money,
    #[diesel(sql_type = Nullable<Date>)]
    sold_after_on: Option<Day>,
    #[diesel(sql_type = Nullable<Numeric>)]
    sold_after_price: Option<Money>,
}

impl KeptLine {
    fn entry(self) -> StockValuationEntry {
        StockValuationEntry {
            line: StockValuationLine {
                stock_no: self.stock_no,
                cost: self.cost,
                net_realisable_value: self.net_realisable_value,
                net_realisable_value_as_it_stands: self.net_realisable_value_as_it_stands,
                used: self.used,
                carrying_amount_before: self.carrying_amount_before,
                write_down: self.write_down,
                reversal: self.reversal,
                carrying_amount: self.carrying_amount,
                sold_after_on: self.sold_after_on,
                sold_after_price: self.sold_after_price,
            },
            purchase: self.purchase,
            price: self.price,
            price_from: self.price_from,
            as_it_stands_price: self.as_it_stands_price,
            cost_to_come: self.cost_to_come,
        }
    }
}
