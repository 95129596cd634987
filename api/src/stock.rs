//! The state of an engine, which every record about it checks: how it came, whether it is sold or has left.

use crate::{
    ground::{
        clock::Instant,
        db::RunQueryDsl,
        problem::{self, Problem},
    },
    schema::{acquisitions, deliveries, engines, sales, stock},
};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Bool, Date, Integer, Nullable, Numeric, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{costs::CommissionTerms, tax::Percent},
    days::Day,
    money::Money,
    trade::{AcquisitionMethod, StockStatus, TaxPosition},
};

/// The state of one engine, as records about it need it.
#[derive(QueryableByName)]
pub(crate) struct EngineState {
    #[diesel(sql_type = Integer)]
    pub stock_no: i32,
    #[diesel(sql_type = Date)]
    pub came_on: Day,
    #[diesel(sql_type = Text)]
    pub method: AcquisitionMethod,
    #[diesel(sql_type = Text)]
    pub tax_position: TaxPosition,
    #[diesel(sql_type = Nullable<Numeric>)]
    price: Option<Money>,
    #[diesel(sql_type = Numeric)]
    supplier_vat: Money,
    #[diesel(sql_type = Nullable<BigInt>)]
    owner: Option<i64>,
    #[diesel(sql_type = Nullable<Numeric>)]
    reserve: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_percent: Option<Percent>,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_fixed: Option<Money>,
    #[diesel(sql_type = Bool)]
    sold: bool,
    #[diesel(sql_type = Nullable<Date>)]
    back_on: Option<Day>,
    #[diesel(sql_type = Nullable<Date>)]
    gone_on: Option<Day>,
}

impl EngineState {
    /// Locks the engine, then reads its state. In one statement, a transaction that waited for the lock would see the
    /// new state of the locked row but the old state of other tables.
    pub(crate) async fn lock(
        conn: &mut AsyncPgConnection,
        stock_no: i32,
    ) -> Result<EngineState, Problem> {
        lock(conn, stock_no).await?;
        EngineState::read(conn, stock_no).await
    }

    /// Reads the state without locking the engine.
    pub(crate) async fn read(
        conn: &mut AsyncPgConnection,
        stock_no: i32,
    ) -> Result<EngineState, Problem> {
        let state = diesel::sql_query(include_str!("stock/state.sql"))
            .bind::<Integer, _>(stock_no)
            .get_result(conn)
            .await;
        state.optional()?.ok_or_else(|| missing(stock_no))
    }

    /// Refuses a day before the engine came.
    pub(crate) fn must_be_after_it_came(&self, on: Day) -> Result<(), Problem> {
        if on < self.came_on {
            let detail = format!(
                "must be on or after {}, when the engine came",
                self.came_on.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        Ok(())
    }

    /// Refuses a day before the last sale of the engine was cancelled.
    pub(crate) fn must_be_after_it_came_back(&self, on: Day) -> Result<(), Problem> {
        match self.back_on.filter(|back_on| on < *back_on) {
            None => Ok(()),
            Some(back_on) => {
                let detail = format!(
                    "must be on or after {back_on}, when the last sale of the engine was cancelled",
                    back_on = back_on.in_words()
                );
                Err(Problem::invalid("/on", detail))
            }
        }
    }

    pub(crate) fn must_be_unsold(&self) -> Result<(), Problem> {
        if self.sold {
            return Err(Problem::new(
                problem::ALREADY_SOLD,
                "the engine has been sold; cancel that sale first, or choose another engine",
            ));
        }
        Ok(())
    }

    /// Refuses an engine that left without a sale.
    pub(crate) fn must_be_here(&self) -> Result<(), Problem> {
        match self.gone_on {
            None => Ok(()),
            Some(on) => Err(Problem::conflict(format!(
                "the engine left without a sale on {on}; choose another engine",
                on = on.in_words()
            ))),
        }
    }

    /// The price paid or allowed, less the seller's VAT if it is reclaimed; `None` for an engine on commission.
    pub(crate) fn purchase(&self) -> Result<Option<Money>, Problem> {
        let back = if self.tax_position.reclaims_tax() {
            self.supplier_vat
        } else {
            Money::ZERO
        };
        let price = self.price.map(|price| price.checked_sub(back));
        price.transpose().map_err(Problem::internal)
    }

    /// The agreement with the owner; `None` for an engine that is not on commission.
    pub(crate) fn agreed(&self) -> Option<Agreed> {
        (self.method == AcquisitionMethod::Commission).then_some(Agreed {
            owner: self.owner,
            reserve: self.reserve,
            commission_percent: self.commission_percent,
            commission_fixed: self.commission_fixed,
            tax_position: self.tax_position,
        })
    }
}

/// The status of an engine at an instant, from the view `stock`.
pub(crate) fn status_at(
    status: StockStatus,
    reserved_until: Option<Instant>,
    now: Instant,
) -> StockStatus {
    match status {
        StockStatus::InStock if reserved_until.is_some_and(|until| until > now) => {
            StockStatus::Reserved
        }
        StockStatus::InStock
        | StockStatus::Reserved
        | StockStatus::Sold
        | StockStatus::Delivered
        | StockStatus::Gone => status,
    }
}

/// The statuses to select from the view `stock`, which has no status `reserved`, and which of the engines in stock are
/// meant: `Some(true)`: only the reserved ones, `Some(false)`: only the others, `None`: both or neither.
pub(crate) fn in_view(statuses: &[StockStatus]) -> (Vec<StockStatus>, Option<bool>) {
    let free = statuses.contains(&StockStatus::InStock);
    let reserved = statuses.contains(&StockStatus::Reserved);
    let mut of_view = statuses.to_vec();
    if reserved {
        of_view.push(StockStatus::InStock);
    }
    (of_view, (free != reserved).then_some(reserved))
}

/// Locks the engine until the end of the transaction.
pub(crate) async fn lock(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    let found: Option<i32> = engines::table
        .find(stock_no)
        .select(engines::stock_no)
        // The key is not locked: rows that only refer to the engine, such as journal entries, need not wait.
        .for_no_key_update()
        .first(conn)
        .await
        .optional()?;
    found.map(|_| ()).ok_or_else(|| missing(stock_no))
}

/// Like `lock`, for a request that names the engine in its body: `pointer` says where.
pub(crate) async fn lock_named(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    pointer: &str,
) -> Result<(), Problem> {
    match lock(conn, stock_no).await {
        Err(refusal) if refusal.is(problem::NOT_FOUND) => {
            Err(Problem::invalid(pointer, refusal.to_string()))
        }
        held => held,
    }
}

pub(crate) fn missing(stock_no: i32) -> Problem {
    Problem::not_found(format!("there is no engine {stock_no}"))
}

/// The stock numbers of all engines in stock.
pub(crate) async fn in_stock(conn: &mut AsyncPgConnection) -> Result<Vec<i32>, Problem> {
    Ok(stock::table
        .filter(stock::status.eq(StockStatus::InStock))
        .select(stock::stock_no)
        .load(conn)
        .await?)
}

/// The current asking price of an engine.
pub(crate) async fn asking_price_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Option<Money>, Problem> {
    let asked = stock::table
        .filter(stock::stock_no.eq(stock_no))
        .select(stock::asking_price)
        .first(conn)
        .await;
    asked.optional()?.ok_or_else(|| missing(stock_no))
}

/// The day an engine came: nothing about it may be dated earlier.
pub(crate) async fn came_on(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Day, Problem> {
    let on = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .select(acquisitions::on_day)
        .first(conn)
        .await;
    on.optional()?.ok_or_else(|| missing(stock_no))
}

/// The agreement with the owner of an engine on commission.
pub(crate) struct Agreed {
    pub owner: Option<i64>,
    pub reserve: Option<Money>,
    commission_percent: Option<Percent>,
    commission_fixed: Option<Money>,
    pub tax_position: TaxPosition,
}

impl Agreed {
    pub fn terms(&self) -> CommissionTerms {
        CommissionTerms {
            percent: self.commission_percent,
            fixed: self.commission_fixed,
        }
    }
}

/// The sale of an engine, unless it was cancelled: its id and day.
pub(crate) async fn sale_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Option<(i64, Day)>, Problem> {
    Ok(sales::table
        .filter(
            sales::stock_no
                .eq(stock_no)
                .and(sales::sale_cancelled_on.is_null()),
        )
        .select((sales::id, sales::on_day))
        .first(conn)
        .await
        .optional()?)
}

/// The days on which the engine was sold and on which sales were cancelled.
pub(crate) async fn days_of_sales(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Vec<Day>, Problem> {
    let days: Vec<(Day, Option<Day>)> = sales::table
        .filter(sales::stock_no.eq(stock_no))
        .order(sales::id)
        .select((sales::on_day, sales::sale_cancelled_on))
        .load(conn)
        .await?;
    let days = days.into_iter();
    Ok(days
        .flat_map(|(on, undone)| [Some(on), undone])
        .flatten()
        .collect())
}

/// The sale of an engine that has not left yet, and the day promised for its delivery.
pub(crate) async fn promise_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Option<(i64, Day)>, Problem> {
    let promised: Option<(i64, Option<Day>)> = sales::table
        .left_join(deliveries::table)
        .filter(
            sales::stock_no
                .eq(stock_no)
                .and(sales::sale_cancelled_on.is_null()),
        )
        .filter(deliveries::id.is_null())
        .select((sales::id, sales::promised_on))
        .first(conn)
        .await
        .optional()?;
    Ok(promised.and_then(|(id, on)| Some((id, on?))))
}

/// Whether the engine has been delivered or disposed of.
pub(crate) async fn has_left(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<bool, Problem> {
    match status_of(conn, stock_no).await? {
        StockStatus::InStock | StockStatus::Reserved | StockStatus::Sold => Ok(false),
        StockStatus::Delivered | StockStatus::Gone => Ok(true),
    }
}

/// The status of the engine without regard to the time: a reserved engine counts as in stock.
pub(crate) async fn status_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<StockStatus, Problem> {
    let status = stock::table
        .filter(stock::stock_no.eq(stock_no))
        .select(stock::status)
        .first(conn)
        .await;
    status.optional()?.ok_or_else(|| missing(stock_no))
}

/// Refuses a stock number that does not exist.
pub(crate) async fn must_exist(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    status_of(conn, stock_no).await.map(drop)
}
