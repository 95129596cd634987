//! Accounting entries: each recorded act as double-entry lines that refer to their record.

use crate::{
    books::{
        accounts::{self, NamedAccount},
        costs,
        export_taxes::Exports,
        stock_book::{stored_wrong, too_large},
        tax_rules::Rates,
    },
    ground::{
        actor::MoneyDesk,
        answers::{Reply, respond},
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{self, Problem},
        query::{Query, SpanQuery},
        text::{Code, Line},
    },
};
use actix_web::{HttpRequest, web};
use diesel::{
    prelude::*,
    sql_types::{Array, BigInt, Bool, Date, Integer, Nullable, Numeric, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::{
            Account, BookedFrom, Commission, CommissionTerms, CostKind, CostLine, Entry,
            TradeEvent, Trial, commission, entry, ledger, tax_of_sale, trial,
        },
        tax::{MoneyFault, Percent, Scheme},
    },
    days::{Day, DaySpan},
    money::Money,
    trade::{AcquisitionMethod, DisposalMethod, PaymentMethod, TaxPosition},
};
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_accounts_entries)
        .service(get_accounts_trial);
}

/// Acts processed at once, at least two.
const STRETCH: i64 = 250;

// Types

/// A line of the accounts. Debits and credits of one record are equal; each line has one of the two, the other is 0.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"on": "2026-05-14", "account": "cost_of_sales", "account_no": "COST-OF-SALES", "account_name": "Cost of engines sold",
    "debit": "4850.00", "credit": "0.00", "stock_no": 10, "source": "sale", "source_id": 31, "line": 4, "entry_no": 311}))]
pub struct AccountsLine {
    pub on: Day,
    pub account: Account,
    /// The firm's own account number; null until it is set.
    pub account_no: Option<Code>,
    /// The firm's own account name; null until it is set.
    pub account_name: Option<Line>,
    pub debit: Money,
    pub credit: Money,
    pub stock_no: i32,
    /// The kind of record that the line comes from.
    pub source: BookedFrom,
    /// Id of that record.
    pub source_id: i64,
    /// Number of the line within that record and engine, from 1.
    #[schema(minimum = 1)]
    pub line: i32,
    /// The journal entry of the record; null until it is numbered.
    pub entry_no: Option<i64>,
}

// Routes

/// List the accounting entries
///
/// Purchases, costs with the VAT on suppliers' invoices, hours on the day they were worked, sales with tax and cost of
/// sales, cancelled sales, deposits, payments, payments to owners, sellers and suppliers, disposals, and the
/// write-downs of closing stocks. Costs of an engine that is already sold, or on commission, are cost of sales.
#[get("/accounts-entries", 409, 200 = Page<AccountsLine>)]
async fn list_accounts_entries(MoneyDesk(actor): MoneyDesk, list: ListQuery<SpanQuery>) -> Reply {
    let span = list.filters.days()?;
    let mut conn = list.conn().await?;
    let law = Law::load(&mut conn, span, actor.today).await?;
    let named = accounts::names(&mut conn).await?;
    drop(conn);
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let after = match page.after {
            Some((key, id)) => place_in(key, id)?,
            None => Place::before(span),
        };
        lines(conn, span, &law, &named, after, page.limit).await
    };
    list.answer(fetch, |line: &AccountsLine| {
        let key = (line.on, line.source, line.stock_no, line.line);
        (json!(key), line.source_id)
    })
    .await
}

/// Get the trial balance
///
/// The totals booked to each account from the first day to the last. Debits equal credits.
#[get("/accounts-entries/trial", 409,
    200(body = Trial, example = json!({"accounts": [{"account": "stock", "debit": "4850.00", "credit": "0.00"},
        {"account": "owed_to_suppliers", "debit": "0.00", "credit": "4850.00"}], "debit": "4850.00", "credit": "4850.00"})))]
async fn get_accounts_trial(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<SpanQuery>,
) -> Reply {
    let span = query.days()?;
    let mut conn = db.read().await?;
    let law = Law::load(&mut conn, span, actor.today).await?;
    let mut sums = Trial::default();
    let mut after = Place::before(span);
    loop {
        let stretch = booked(&mut conn, span, &law, &after, STRETCH).await?;
        let whole = stretch.len() == usize::try_from(STRETCH).unwrap_or(usize::MAX);
        let last = stretch.last().map(|(act, _)| act.place());
        let fresh = stretch.into_iter().filter(|(act, _)| !after.is_of(act));
        let entries: Vec<Entry> = fresh.flat_map(|(_, entries)| entries).collect();
        let part = trial(&entries, span).map_err(too_large)?;
        sums = sums.plus(&part).map_err(too_large)?;
        match last.filter(|_| whole) {
            Some(last) => after = last,
            None => return respond(&req, &sums),
        }
    }
}

/// The position of a line in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Place {
    on: Day,
    /// `None`: before all records of the day.
    source: Option<BookedFrom>,
    id: i64,
    stock_no: i32,
    line: i32,
}

impl Place {
    fn before(span: DaySpan) -> Place {
        Place {
            on: span.from,
            source: None,
            id: 0,
            stock_no: 0,
            line: 0,
        }
    }

    fn is_of(&self, act: &Act) -> bool {
        let of_act = act.place();
        (self.on, self.source, self.id, self.stock_no)
            == (of_act.on, of_act.source, of_act.id, of_act.stock_no)
    }
}

#[derive(Deserialize)]
struct PlaceKey(Day, BookedFrom, i32, i32);

fn place_in(key: serde_json::Value, id: i64) -> Result<Place, Problem> {
    let unfit = |_| {
        Problem::new(
            problem::INVALID_CURSOR,
            "the cursor belongs to another list; start again without `cursor`",
        )
    };
    let PlaceKey(on, source, stock_no, line) = serde_json::from_value(key).map_err(unfit)?;
    Ok(Place {
        on,
        source: Some(source),
        id,
        stock_no,
        line,
    })
}

/// Lines after the place, in the order of the list.
async fn lines(
    conn: &mut AsyncPgConnection,
    span: DaySpan,
    law: &Law,
    named: &HashMap<Account, NamedAccount>,
    mut after: Place,
    limit: i64,
) -> Result<Vec<AccountsLine>, Problem> {
    let limit = usize::try_from(limit).unwrap_or(usize::MAX);
    let mut lines = Vec::new();
    loop {
        let stretch = booked(conn, span, law, &after, STRETCH).await?;
        let whole = stretch.len() == usize::try_from(STRETCH).unwrap_or(usize::MAX);
        let last = stretch.last().map(|(act, _)| act.place());
        for (act, entries) in stretch {
            let known = if after.is_of(&act) { after.line } else { 0 };
            let of_act = entries.iter().flat_map(Entry::lines);
            let of_act = (1..).zip(of_act).filter(|(line, _)| *line > known);
            lines.extend(of_act.map(|(line, booked)| {
                let name = named.get(&booked.account);
                AccountsLine {
                    on: act.on_day,
                    account: booked.account,
                    account_no: name.and_then(|name| name.number.clone()),
                    account_name: name.and_then(|name| name.name.clone()),
                    debit: booked.debit,
                    credit: booked.credit,
                    stock_no: act.stock_no,
                    source: act.source,
                    source_id: act.id,
                    line,
                    entry_no: act.entry_no,
                }
            }));
        }
        match last.filter(|_| whole && lines.len() < limit) {
            Some(last) => after = last,
            None => {
                lines.truncate(limit);
                return Ok(lines);
            }
        }
    }
}

// SQL

/// An act that moves money or stock, with the facts about its engine.
#[derive(QueryableByName)]
struct Act {
    #[diesel(sql_type = Date)]
    on_day: Day,
    #[diesel(sql_type = Text)]
    source: BookedFrom,
    #[diesel(sql_type = BigInt)]
    id: i64,
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    /// For a cost.
    #[diesel(sql_type = Nullable<Text>)]
    kind: Option<CostKind>,
    /// For a payment.
    #[diesel(sql_type = Nullable<Text>)]
    method: Option<PaymentMethod>,
    /// For a disposal.
    #[diesel(sql_type = Nullable<Text>)]
    disposal: Option<DisposalMethod>,
    #[diesel(sql_type = Numeric)]
    amount: Money,
    /// The VAT on a supplier's invoice; for a closing stock the reversal; for a payment the deposit that it sets off,
    /// in place of `amount`; for a return the amount kept from the payments; for the tax on an export, above 0 if it is
    /// taken back.
    #[diesel(sql_type = Numeric)]
    other_amount: Money,
    #[diesel(sql_type = Text)]
    acquisition_method: AcquisitionMethod,
    #[diesel(sql_type = Text)]
    tax_position: TaxPosition,
    #[diesel(sql_type = Nullable<Numeric>)]
    purchase: Option<Money>,
    /// Included in `purchase`.
    #[diesel(sql_type = Numeric)]
    purchase_vat: Money,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_percent: Option<Percent>,
    #[diesel(sql_type = Nullable<Numeric>)]
    commission_fixed: Option<Money>,
    #[diesel(sql_type = Bool)]
    was_gone: bool,
    /// For a return and for the tax on an export.
    #[diesel(sql_type = Nullable<Date>)]
    sold_on: Option<Day>,
    /// For a sale, a return and the tax on an export.
    #[diesel(sql_type = Nullable<BigInt>)]
    sale_id: Option<i64>,
    #[diesel(sql_type = Numeric)]
    written_down: Money,
    #[diesel(sql_type = Nullable<BigInt>)]
    entry_no: Option<i64>,
}

/// The tax rules that the entries are calculated with.
struct Law {
    rates: Rates,
    exports: Exports,
    /// The days on which tax on exports fell due or was taken back, the sales, and which of the two it was.
    late_days: Vec<Day>,
    late_sales: Vec<i64>,
    late_back: Vec<bool>,
}

impl Law {
    async fn load(conn: &mut AsyncPgConnection, span: DaySpan, today: Day) -> Result<Law, Problem> {
        let rates = Rates::load(conn).await?;
        let exports = Exports::load(conn, &rates, today).await?;
        let late = exports.moves_in(span);
        Ok(Law {
            rates,
            late_days: late.iter().map(|late| late.0).collect(),
            late_sales: late.iter().map(|late| late.1).collect(),
            late_back: late.iter().map(|late| late.2).collect(),
            exports,
        })
    }
}

/// Acts from the place onwards, including its own, each with its entries.
async fn booked(
    conn: &mut AsyncPgConnection,
    span: DaySpan,
    law: &Law,
    from: &Place,
    limit: i64,
) -> Result<Vec<(Act, Vec<Entry>)>, Problem> {
    let acts: Vec<Act> = diesel::sql_query(include_str!("accounts_entries/acts.sql"))
        .bind::<Date, _>(span.until)
        .bind::<Date, _>(from.on)
        .bind::<Text, _>(from.source.map_or("", BookedFrom::as_str))
        .bind::<BigInt, _>(from.id)
        .bind::<Integer, _>(from.stock_no)
        .bind::<BigInt, _>(limit)
        .bind::<Array<Date>, _>(&law.late_days)
        .bind::<Array<BigInt>, _>(&law.late_sales)
        .bind::<Array<Bool>, _>(&law.late_back)
        .load(conn)
        .await?;
    let moving = acts.iter().filter(|act| act.moves_stock());
    let moving: Vec<i32> = moving.map(|act| act.stock_no).collect();
    let lines = costs::lines_until(conn, &moving, span.until).await?;
    let entries = acts.into_iter().map(|act| {
        let lines = lines.get(&act.stock_no).map_or(&[][..], Vec::as_slice);
        let entries = act.entries(law, lines)?;
        Ok((act, entries))
    });
    entries.collect()
}

impl Act {
    fn place(&self) -> Place {
        Place {
            on: self.on_day,
            source: Some(self.source),
            id: self.id,
            stock_no: self.stock_no,
            line: i32::MAX,
        }
    }

    fn on_commission(&self) -> bool {
        self.acquisition_method == AcquisitionMethod::Commission
    }

    /// Whether one of the firm's own engines leaves its stock or comes back.
    fn moves_stock(&self) -> bool {
        match self.source {
            BookedFrom::Sale | BookedFrom::Return | BookedFrom::Disposal => !self.on_commission(),
            BookedFrom::Acquisition
            | BookedFrom::Cost
            | BookedFrom::JobHours
            | BookedFrom::JobParts
            | BookedFrom::Payment
            | BookedFrom::Deposit
            | BookedFrom::DepositReturn
            | BookedFrom::Payout
            | BookedFrom::OutgoingPayment
            | BookedFrom::ExportTax
            | BookedFrom::StockValuation => false,
        }
    }

    /// `lines`: the cost ledger of an engine that leaves stock or comes back.
    fn entries(&self, law: &Law, lines: &[costs::LedgerLine]) -> Result<Vec<Entry>, Problem> {
        if self.source == BookedFrom::Return {
            return self.undone(law, lines);
        }
        let events = match self.source {
            BookedFrom::Acquisition
            | BookedFrom::Cost
            | BookedFrom::JobHours
            | BookedFrom::JobParts => self.spent()?,
            BookedFrom::Sale | BookedFrom::Return => vec![self.sold(law, lines)?],
            BookedFrom::Payment => self.paid_by_buyer()?,
            BookedFrom::Deposit => {
                self.in_money(|amount, method| TradeEvent::DepositReceived { amount, method })
            }
            BookedFrom::DepositReturn => {
                self.in_money(|amount, method| TradeEvent::DepositReturned { amount, method })
            }
            BookedFrom::Payout => {
                self.in_money(|amount, method| TradeEvent::OwnerPaid { amount, method })
            }
            BookedFrom::ExportTax => vec![self.export_tax(law)?],
            BookedFrom::OutgoingPayment => {
                self.in_money(|amount, method| TradeEvent::SupplierPaid { amount, method })
            }
            BookedFrom::Disposal => self.disposed_of(self.carried(lines)?)?,
            BookedFrom::StockValuation => vec![
                TradeEvent::WrittenDown {
                    amount: self.amount,
                },
                TradeEvent::WriteDownReversed {
                    amount: self.other_amount,
                },
            ],
        };
        let entries = events.into_iter().map(|event| entry(self.on_day, event));
        entries.collect::<Result<_, _>>().map_err(too_large)
    }

    /// VAT on a supplier's invoice that cannot be recovered is a cost.
    fn spent(&self) -> Result<Vec<TradeEvent>, Problem> {
        let Some(kind) = self.kind else {
            return Ok(Vec::new());
        };
        let (cost, tax) = if self.tax_position.reclaims_tax() {
            (self.amount, self.other_amount)
        } else {
            let whole = self.amount.checked_add(self.other_amount);
            (whole.map_err(|_| beyond())?, Money::ZERO)
        };
        Ok(vec![if self.was_gone || self.on_commission() {
            TradeEvent::CostOutsideStock { kind, cost, tax }
        } else {
            TradeEvent::Cost { kind, cost, tax }
        }])
    }

    /// Cost up to the day it left, less earlier write-downs.
    fn carried(&self, lines: &[costs::LedgerLine]) -> Result<Money, Problem> {
        let until = lines.iter().filter(|line| line.on <= self.on_day);
        let until: Vec<CostLine> = until.map(costs::LedgerLine::line).collect();
        let cost = ledger(&until, self.tax_position).map_err(too_large)?.cost;
        cost.checked_sub(self.written_down).map_err(|_| beyond())
    }

    /// Reverses the sale as it was booked, on the day of the return. The engine comes back at its cost up to that day,
    /// which includes what was spent while it was gone.
    fn undone(&self, law: &Law, lines: &[costs::LedgerLine]) -> Result<Vec<Entry>, Problem> {
        let sold = self.sold(law, lines)?;
        let sold = entry(self.on_day, sold).map_err(too_large)?;
        let kept = TradeEvent::KeptOfUndoneSale {
            amount: self.other_amount,
        };
        let kept = entry(self.on_day, kept).map_err(too_large)?;
        Ok(vec![sold.reversed(self.on_day), kept])
    }

    /// At the tax rate on the day of the sale; own engines at their carrying amount at the end of the day of the act.
    fn sold(&self, law: &Law, lines: &[costs::LedgerLine]) -> Result<TradeEvent, Problem> {
        let sold_on = self.sold_on.unwrap_or(self.on_day);
        if self.on_commission() {
            return self.sold_for_owner(law, sold_on);
        }
        Ok(TradeEvent::Sold {
            price: self.amount,
            tax: self.unless_free(law, self.tax_at_home(law, sold_on)?),
            carried: self.carried(lines)?,
        })
    }

    /// The tax on the sale of one of the firm's own engines if it were not exported.
    fn tax_at_home(&self, law: &Law, sold_on: Day) -> Result<Money, Problem> {
        let scheme = self.tax_position.scheme();
        let rate = law.rates.on(scheme, sold_on)?;
        let purchase = self.purchase.unwrap_or_default();
        tax_of_sale(scheme, purchase, self.amount, rate).map_err(too_large)
    }

    fn unless_free(&self, law: &Law, tax: Money) -> Money {
        if law.exports.is_free(self.sale_id) {
            Money::ZERO
        } else {
            tax
        }
    }

    /// The tax on an export that falls due when its time limit passes, or is taken back.
    fn export_tax(&self, law: &Law) -> Result<TradeEvent, Problem> {
        let sold_on = self.sold_on.unwrap_or(self.on_day);
        let tax = if self.on_commission() {
            match self.owners_share(law, sold_on)? {
                (Some(tax), _) => tax,
                (None, _) => Money::ZERO,
            }
        } else {
            self.tax_at_home(law, sold_on)?
        };
        let back = self.other_amount > Money::ZERO;
        let minus = Money::ZERO.checked_sub(tax).map_err(|_| beyond())?;
        Ok(TradeEvent::ExportTaxDue {
            tax: if back { minus } else { tax },
        })
    }

    fn sold_for_owner(&self, law: &Law, sold_on: Day) -> Result<TradeEvent, Problem> {
        Ok(match self.owners_share(law, sold_on)? {
            (None, made) => TradeEvent::SoldForOwner {
                price: self.amount,
                commission: made.commission,
                tax: made.vat,
            },
            (Some(tax), made) => TradeEvent::SoldInOwnName {
                price: self.amount,
                tax: self.unless_free(law, tax),
                owed_to_owner: made.payout_due,
            },
        })
    }

    /// The amount payable to the owner, and the tax on the sale at home if the firm sells in its own name.
    fn owners_share(
        &self,
        law: &Law,
        sold_on: Day,
    ) -> Result<(Option<Money>, Commission), Problem> {
        let terms = CommissionTerms {
            percent: self.commission_percent,
            fixed: self.commission_fixed,
        };
        let rate = law.rates.of_commission(self.tax_position, sold_on)?;
        let made = commission(self.amount, terms, self.tax_position, rate)
            .map_err(|faults| stored_wrong(&faults))?;
        if self.tax_position != TaxPosition::CommissionInOwnName {
            return Ok((None, made));
        }
        let purchase = made.payout_due.max(Money::ZERO);
        let tax = tax_of_sale(Scheme::Margin, purchase, self.amount, rate).map_err(too_large)?;
        Ok((Some(tax), made))
    }

    fn in_money(&self, event: fn(Money, PaymentMethod) -> TradeEvent) -> Vec<TradeEvent> {
        let booked = self.method.map(|method| event(self.amount, method));
        booked.into_iter().collect()
    }

    fn paid_by_buyer(&self) -> Result<Vec<TradeEvent>, Problem> {
        if self.other_amount > Money::ZERO {
            return Ok(vec![TradeEvent::DepositSetOff {
                amount: self.other_amount,
            }]);
        }
        let Some(method) = self.method else {
            return Ok(Vec::new());
        };
        if !self.amount.is_negative() {
            let amount = self.amount;
            return Ok(vec![TradeEvent::BuyerPaid { amount, method }]);
        }
        let back = Money::ZERO.checked_sub(self.amount).map_err(|_| beyond())?;
        Ok(vec![TradeEvent::BuyerRefunded {
            amount: back,
            method,
        }])
    }

    /// If it is returned to its seller, the purchase is reversed and the seller owes its price; the rest of its
    /// carrying amount is written down.
    fn disposed_of(&self, carried: Money) -> Result<Vec<TradeEvent>, Problem> {
        let Some(method) = self.disposal else {
            return Ok(Vec::new());
        };
        Ok(match method {
            DisposalMethod::TakenBackByOwner => Vec::new(),
            DisposalMethod::Scrapped | DisposalMethod::BrokenForParts => {
                vec![TradeEvent::WrittenDown { amount: carried }]
            }
            DisposalMethod::ReturnedToSeller => {
                let minus = |a: Money, b| a.checked_sub(b).map_err(|_| beyond());
                let tax = if self.tax_position.reclaims_tax() {
                    self.purchase_vat
                } else {
                    Money::ZERO
                };
                let paid = minus(self.purchase.unwrap_or_default(), tax)?;
                vec![
                    TradeEvent::Cost {
                        kind: CostKind::Purchase,
                        cost: minus(Money::ZERO, paid)?,
                        tax: minus(Money::ZERO, tax)?,
                    },
                    TradeEvent::WrittenDown {
                        amount: minus(carried, paid)?,
                    },
                ]
            }
        })
    }
}

fn beyond() -> Problem {
    too_large(MoneyFault::TooLarge { member: "period" })
}
