//! One engine of the stock, as the acts of the trade ask for it: locked, where it stands, how it came, whether it is sold.

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

/// One engine, held until the end of the transaction, and what the acts of the trade ask of it.
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
    /// Two statements: one that waited for its lock would see what it waited for in the locked row alone, and other tables as they
    /// were before.
    pub(crate) async fn lock(
        conn: &mut AsyncPgConnection,
        stock_no: i32,
    ) -> Result<EngineState, Problem> {
        lock(conn, stock_no).await?;
        EngineState::read(conn, stock_no).await
    }

    /// As it is, held by nobody.
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
            let detail = format!("before the engine came on {}", self.came_on.in_words());
            return Err(Problem::invalid("/on", detail));
        }
        Ok(())
    }

    /// Refuses a day before the last sale of the engine was undone.
    pub(crate) fn must_be_after_it_came_back(&self, on: Day) -> Result<(), Problem> {
        match self.back_on.filter(|back_on| on < *back_on) {
            None => Ok(()),
            Some(back_on) => {
                let detail = format!(
                    "before the last sale of the engine was undone on {back_on}",
                    back_on = back_on.in_words()
                );
                Err(Problem::invalid("/on", detail))
            }
        }
    }

    pub(crate) fn must_be_unsold(&self) -> Result<(), Problem> {
        if self.sold {
            return Err(Problem::new(problem::ALREADY_SOLD, "the engine is sold"));
        }
        Ok(())
    }

    /// Refuses an engine that went without a sale.
    pub(crate) fn must_be_here(&self) -> Result<(), Problem> {
        match self.gone_on {
            None => Ok(()),
            Some(on) => Err(Problem::conflict(format!(
                "the engine is gone since {on}",
                on = on.in_words()
            ))),
        }
    }

    /// What was paid or allowed for it, without the seller's tax that comes back; `None` for an engine on commission.
    pub(crate) fn purchase(&self) -> Result<Option<Money>, Problem> {
        let back = if self.tax_position.reclaims_tax() {
            self.supplier_vat
        } else {
            Money::ZERO
        };
        let price = self.price.map(|price| price.checked_sub(back));
        price.transpose().map_err(Problem::internal)
    }

    /// What was agreed with the owner; `None` for an engine that is not on commission.
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

/// Where an engine stands at a moment, from what the view `stock` gives.
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

/// The statuses of the view `stock` that these are among, and whether of those in stock the reserved ones alone are meant, or
/// the others alone; `None`: both or neither.
pub(crate) fn in_view(statuses: &[StockStatus]) -> (Vec<StockStatus>, Option<bool>) {
    let free = statuses.contains(&StockStatus::InStock);
    let reserved = statuses.contains(&StockStatus::Reserved);
    let mut of_view = statuses.to_vec();
    if reserved {
        of_view.push(StockStatus::InStock);
    }
    (of_view, (free != reserved).then_some(reserved))
}

/// Holds the engine until the end of the transaction, so that what was seen of it stays true.
pub(crate) async fn lock(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    let found: Option<i32> = engines::table
        .find(stock_no)
        .select(engines::stock_no)
        // Its key stays: what only names the engine, as the journal does, need not wait.
        .for_no_key_update()
        .first(conn)
        .await
        .optional()?;
    found.map(|_| ()).ok_or_else(|| missing(stock_no))
}

/// As `lock`, for the records of others that name an engine: `pointer` is where the request names it.
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

/// What is asked for an engine now.
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

/// The day an engine came: nothing is recorded of it before.
pub(crate) async fn came_on(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Day, Problem> {
    let on = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .select(acquisitions::on_day)
        .first(conn)
        .await;
    on.optional()?.ok_or_else(|| missing(stock_no))
}

/// What was agreed with the owner of an engine on commission.
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

/// The sale of an engine that stands: its id and day.
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

/// The days on which sales of an engine were made and undone.
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

/// The sale of an engine that has not left and the day promised for it to leave.
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

/// Whether the engine has been delivered or is gone.
pub(crate) async fn has_left(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<bool, Problem> {
    match status_of(conn, stock_no).await? {
        StockStatus::InStock | StockStatus::Reserved | StockStatus::Sold => Ok(false),
        StockStatus::Delivered | StockStatus::Gone => Ok(true),
    }
}

/// Where the engine stands, without a look at the clock: one that is reserved counts as in stock.
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

/// Refuses a stock number that was never given.
pub(crate) async fn must_exist(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    status_of(conn, stock_no).await.map(drop)
}
