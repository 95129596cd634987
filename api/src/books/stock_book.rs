//! The stock book: each engine as the tax office requires it, in the order of the stock numbers.

use crate::{
    books::{export_taxes::Exports, tax_periods, tax_rules::Rates},
    ground::{
        actor::MoneyDesk,
        answers::Reply,
        db::RunQueryDsl,
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{self, Problem},
        query::SpanQuery,
        text::{Code, Line, Text},
    },
};

use diesel::{
    prelude::*,
    sql_types::{Array, BigInt, Date, Integer, Nullable, Numeric, Text as SqlText},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::{
            BookFacts, BookLine, BookTotals, CommissionTerms, Disposal, DisposalFacts, book_line,
            book_totals, commission,
        },
        tax::{MoneyFault, Percent},
    },
    days::{Day, DaySpan},
    money::Money,
    trade::{DisposalMethod, TaxPosition},
};
use outshop_operation::get;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_stock_book)
        .service(list_stock_book_totals);
}

/// Lines loaded at once.
const STRETCH: i64 = 500;

// Types

/// A line of the stock book, with the records that its figures come from.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "bought_on": "2026-01-05", "in_again_on": null, "purchase_invoice_no": null, "purchase_price": "4200.00",
    "seller": "Wynn Ostrellan", "description": "Marrowby, locomotive, 5 in gauge, 0-6-0", "sold_on": "2026-05-14", "sales_invoice_no": "30",
    "price": "7600.00", "disposal": "sold", "buyer": "Odo Fenwright", "margin": "3400.00", "tax": "566.67", "late_tax": null,
    "late_tax_due_on": null, "late_tax_taken_back_on": null, "acquisition_id": 51,
    "bought_entry_no": 184, "sale_id": 31, "disposal_id": null, "return_id": null,
    "credit_note_no": null, "gone_entry_no": 311}))]
pub struct StockBookEntry {
    #[serde(flatten)]
    pub line: BookLine,
    /// Position among the lines of the engine, from 1.
    #[serde(skip)]
    place: i64,
    /// The record of the purchase.
    pub acquisition_id: i64,
    /// The journal entry of the purchase; null until it is numbered.
    pub bought_entry_no: Option<i64>,
    /// The record of the sale; null if there is none.
    pub sale_id: Option<i64>,
    /// The record of a disposal without a sale; null if there is none.
    pub disposal_id: Option<i64>,
    /// The record of the cancellation, on the line that reverses the sale.
    pub return_id: Option<i64>,
    /// Number of the firm's own credit note, on that line.
    pub credit_note_no: Option<i32>,
    /// The journal entry of the sale, cancellation or disposal; null until it is numbered.
    pub gone_entry_no: Option<i64>,
}

/// The totals of one tax period.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"period_id": 3, "from": "2026-01-01", "until": "2026-03-31", "closed_on": "2026-04-20",
    "purchases": "9100.00", "sales": "12400.00", "margins": "3300.00", "tax": "566.67"}))]
pub struct PeriodTotals {
    /// The closed tax period; null for days that are in none.
    pub period_id: Option<i64>,
    pub from: Day,
    pub until: Day,
    /// null while it is open, and for days before the first closed period.
    pub closed_on: Option<Day>,
    #[serde(flatten)]
    pub totals: BookTotals,
}

// Routes

/// List the lines of the stock book
///
/// One line for each engine that was bought by the last day and not gone before the first. An engine on commission sold
/// in the firm's own name is bought and sold on the day of the sale, for the amount payable to its owner; other engines
/// on commission do not belong to the firm and have no line. A cancelled sale keeps its line; a line with the same
/// amounts below 0 reverses it on the day of the return, and the next line is for the engine back in stock. An export
/// is listed too if its tax fell due or was taken back in the period.
#[get("/stock-book", 409, 200 = Page<StockBookEntry>)]
async fn list_stock_book(MoneyDesk(actor): MoneyDesk, list: ListQuery<SpanQuery>) -> Reply {
    let span = list.filters.days()?;
    let law = Law::load(&mut *list.conn().await?, actor.today).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let after = match page.after {
            None => (0, 0),
            Some((place, stock_no)) => (stock_no, place_in(&place)?),
        };
        lines(conn, &law, span, after, page.limit).await
    };
    list.answer(fetch, |entry: &StockBookEntry| {
        (json!(entry.place), i64::from(entry.line.stock_no))
    })
    .await
}

/// List the totals of the stock book by tax period
///
/// Every closed period with a day in the span, in full, and the days of the span that are in none.
#[get("/stock-book/totals", 409, 200 = Page<PeriodTotals>)]
async fn list_stock_book_totals(MoneyDesk(actor): MoneyDesk, list: ListQuery<SpanQuery>) -> Reply {
    let span = list.filters.days()?;
    let law = Law::load(&mut *list.conn().await?, actor.today).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut parts = parts_of(conn, span).await?;
        parts.retain(|part| page.after_id().is_none_or(|after| place(part) > after));
        parts.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        add_up(conn, &law, &mut parts).await?;
        Ok(parts)
    };
    list.answer(fetch, |part: &PeriodTotals| place(part)).await
}

fn place_in(key: &Value) -> Result<i64, Problem> {
    let unfit = || {
        Problem::new(
            problem::INVALID_CURSOR,
            "the cursor belongs to another list; start again without `cursor`",
        )
    };
    key.as_i64().ok_or_else(unfit)
}

/// In order of days.
fn place(part: &PeriodTotals) -> i64 {
    i64::from(part.from.days_since(Day::FIRST))
}

async fn parts_of(
    conn: &mut AsyncPgConnection,
    span: DaySpan,
) -> Result<Vec<PeriodTotals>, Problem> {
    let in_none = |from, until| PeriodTotals {
        period_id: None,
        from,
        until,
        closed_on: None,
        totals: BookTotals::default(),
    };
    let mut parts = Vec::new();
    let mut next = span.from;
    for period in tax_periods::touching(conn, span).await? {
        if next < period.from {
            parts.push(in_none(next, period.from.plus_days(-1)));
        }
        next = period.until.plus_days(1);
        parts.push(PeriodTotals {
            period_id: Some(period.id),
            closed_on: Some(period.closed_on),
            ..in_none(period.from, period.until)
        });
    }
    if next <= span.until {
        parts.push(in_none(next, span.until));
    }
    Ok(parts)
}

async fn add_up(
    conn: &mut AsyncPgConnection,
    law: &Law,
    parts: &mut [PeriodTotals],
) -> Result<(), Problem> {
    let ([first, ..], [.., last]) = (&*parts, &*parts) else {
        return Ok(());
    };
    let whole = DaySpan {
        from: first.from,
        until: last.until,
    };
    let mut after = (0, 0);
    loop {
        let stretch = lines(conn, law, whole, after, STRETCH).await?;
        let Some(last) = stretch.last() else {
            return Ok(());
        };
        after = (i64::from(last.line.stock_no), last.place);
        let stretch: Vec<BookLine> = stretch.into_iter().map(|entry| entry.line).collect();
        for part in &mut *parts {
            let period = DaySpan {
                from: part.from,
                until: part.until,
            };
            let sums = book_totals(&stretch, period).and_then(|sums| part.totals.plus(sums));
            part.totals = sums.map_err(too_large)?;
        }
    }
}

/// The query is in the address, so there is no member of a body to point to.
pub(crate) fn too_large(fault: MoneyFault) -> Problem {
    Problem::conflict(format!("{fault}, or ask for a shorter span of days"))
}

// SQL

/// The tax rules that the lines are calculated with.
struct Law {
    rates: Rates,
    exports: Exports,
}

impl Law {
    async fn load(conn: &mut AsyncPgConnection, today: Day) -> Result<Law, Problem> {
        let rates = Rates::load(conn).await?;
        Ok(Law {
            exports: Exports::load(conn, &rates, today).await?,
            rates,
        })
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(sql_type = BigInt)]
    acquisition_id: i64,
    #[diesel(sql_type = BigInt)]
    place: i64,
    #[diesel(sql_type = Date)]
    bought_on: Day,
    #[diesel(sql_type = Nullable<Date>)]
    in_again_on: Option<Day>,
    /// For a line that reverses a sale.
    #[diesel(sql_type = Nullable<Date>)]
    returned_on: Option<Day>,
    #[diesel(sql_type = Nullable<SqlText>)]
    purchase_invoice_no: Option<Code>,
    /// NULL for an engine on commission: the amount payable to its owner follows from the sale.
    #[diesel(sql_type = Nullable<Numeric>)]
    purchase_price: Option<Money>,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_percent: Option<Percent>,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_fixed: Option<Money>,
    #[diesel(sql_type = Nullable<SqlText>)]
    seller: Option<Line>,
    #[diesel(sql_type = SqlText)]
    description: Text<400>,
    #[diesel(sql_type = SqlText)]
    tax_position: TaxPosition,
    #[diesel(sql_type = Nullable<BigInt>)]
    sale_id: Option<i64>,
    #[diesel(sql_type = Nullable<BigInt>)]
    disposal_id: Option<i64>,
    #[diesel(sql_type = Nullable<Date>)]
    gone_on: Option<Day>,
    #[diesel(sql_type = Nullable<Numeric>)]
    price: Option<Money>,
    #[diesel(sql_type = Nullable<Integer>)]
    sales_invoice_no: Option<i32>,
    #[diesel(sql_type = Nullable<SqlText>)]
    method: Option<DisposalMethod>,
    #[diesel(sql_type = Nullable<SqlText>)]
    buyer: Option<Line>,
    #[diesel(sql_type = Nullable<BigInt>)]
    return_id: Option<i64>,
    #[diesel(sql_type = Nullable<Integer>)]
    credit_note_no: Option<i32>,
    #[diesel(sql_type = Nullable<BigInt>)]
    bought_entry_no: Option<i64>,
    #[diesel(sql_type = Nullable<BigInt>)]
    gone_entry_no: Option<i64>,
}

impl Row {
    /// The amount payable to the owner is the purchase price of an engine sold on commission in the firm's own name; 0
    /// if the commission takes it all.
    fn owed_to_owner(&self, rate: Percent) -> Result<Money, Problem> {
        let terms = CommissionTerms {
            percent: self.commission_percent,
            fixed: self.commission_fixed,
        };
        let price = self.price.unwrap_or_default();
        let made = commission(price, terms, self.tax_position, rate)
            .map_err(|faults| stored_wrong(&faults))?;
        Ok(made.payout_due.max(Money::ZERO))
    }

    /// The line at the rate on the day of the sale.
    fn entry(self, law: &Law) -> Result<StockBookEntry, Problem> {
        let rates = &law.rates;
        let rate = match (self.gone_on, self.sale_id) {
            (Some(on), Some(_)) => rates.on(self.tax_position.scheme(), on)?,
            (Some(_) | None, None) | (None, Some(_)) => Percent::ZERO,
        };
        let purchase_price = match self.purchase_price {
            Some(price) => price,
            None => self.owed_to_owner(rate)?,
        };
        let gone = self.gone_on.map(|on| DisposalFacts {
            on,
            how: self.method.map_or(Disposal::Sold, Disposal::from),
            invoice_no: self.sales_invoice_no.map(|no| no.to_string()),
            price: self.price,
            buyer: self.buyer.map(|name| name.to_string()),
        });
        let line = book_line(&BookFacts {
            stock_no: self.stock_no,
            bought_on: self.bought_on,
            in_again_on: self.in_again_on,
            purchase_invoice_no: self.purchase_invoice_no.map(|no| no.to_string()),
            purchase_price,
            seller: self.seller.map(|name| name.to_string()),
            description: self.description.to_string(),
            position: self.tax_position,
            rate,
            export: law.exports.of(self.sale_id).copied(),
            gone,
        });
        let line = line.map_err(|faults| stored_wrong(&faults))?;
        let line = match self.returned_on {
            None => Ok(line),
            Some(on) if self.purchase_price.is_none() => line.sale_and_purchase_undone(on),
            Some(on) => line.sale_undone(on),
        };
        Ok(StockBookEntry {
            line: line.map_err(|fault| stored_wrong(&[fault]))?,
            place: self.place,
            acquisition_id: self.acquisition_id,
            bought_entry_no: self.bought_entry_no,
            sale_id: self.sale_id,
            disposal_id: self.disposal_id,
            return_id: self.return_id,
            credit_note_no: self.credit_note_no,
            gone_entry_no: self.gone_entry_no,
        })
    }
}

/// Stored figures were checked on entry, so this is a fault of the service.
pub(crate) fn stored_wrong(faults: &[MoneyFault]) -> Problem {
    Problem::internal(format!("{faults:?}"))
}

/// Lines in the order of the stock numbers, after that place of that engine.
async fn lines(
    conn: &mut AsyncPgConnection,
    law: &Law,
    span: DaySpan,
    (after, place): (i64, i64),
    limit: i64,
) -> Result<Vec<StockBookEntry>, Problem> {
    let late = law.exports.moves_in(span);
    let late: Vec<i64> = late.into_iter().map(|(_, sale, _)| sale).collect();
    let rows: Vec<Row> = diesel::sql_query(include_str!("stock_book/lines.sql"))
        .bind::<Date, _>(span.from)
        .bind::<Date, _>(span.until)
        .bind::<BigInt, _>(after)
        .bind::<BigInt, _>(limit)
        .bind::<BigInt, _>(place)
        .bind::<Array<BigInt>, _>(&late)
        .load(conn)
        .await?;
    rows.into_iter().map(|row| row.entry(law)).collect()
}
