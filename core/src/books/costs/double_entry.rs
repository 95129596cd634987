//! Double entry: every event of the trade as debits and credits that are equal.

use super::CostKind;
use crate::{
    books::tax::{MoneyFault, amount},
    days::{Day, DaySpan},
    money::Money,
    trade::PaymentMethod,
};
use serde::Serialize;

words! {
    /// The accounts that amounts are booked to; each firm sets its own numbers and names.
    pub enum Account {
        /// Engines in stock, at carrying amount.
        Stock = "stock",
        Bank = "bank",
        Cash = "cash",
        /// Owed by buyers for sales.
        OwedByBuyers = "owed_by_buyers",
        /// Owed to sellers of engines and to suppliers.
        OwedToSuppliers = "owed_to_suppliers",
        /// Owed to owners of engines on commission.
        OwedToOwners = "owed_to_owners",
        /// Deposits received for reservations.
        Deposits = "deposits",
        /// Tax due on sales and commissions.
        TaxOnSales = "tax_on_sales",
        /// Recoverable tax on purchases.
        TaxOnPurchases = "tax_on_purchases",
        Sales = "sales",
        Commission = "commission",
        CostOfSales = "cost_of_sales",
        SellingCosts = "selling_costs",
        /// The firm's own hours, as they go into stock.
        WorkIntoStock = "work_into_stock",
        /// Write-downs of stock, less reversals.
        StockWrittenDown = "stock_written_down",
        /// Kept from buyers' payments when a sale was cancelled; how it is taxed is for the accountant.
        KeptFromBuyers = "kept_from_buyers",
    }
}

words! {
    /// The record that a line of the accounts comes from.
    pub enum BookedFrom {
        Acquisition = "acquisition",
        Cost = "cost",
        JobHours = "job_hours",
        JobParts = "job_parts",
        Sale = "sale",
        /// A cancelled sale.
        Return = "return",
        Payment = "payment",
        /// Money received for a reservation.
        Deposit = "deposit",
        /// A deposit paid back.
        DepositReturn = "deposit_return",
        /// Money paid to a seller or supplier.
        OutgoingPayment = "outgoing_payment",
        /// Money paid to the owner of an engine sold on commission.
        Payout = "payout",
        Disposal = "disposal",
        /// Tax on an export that missed its time limit, or the amount taken back.
        ExportTax = "export_tax",
        /// A closing stock.
        StockValuation = "stock_valuation",
    }
}

/// An event in an engine's trade, money or value. `tax` of a cost is the recoverable part; the rest is cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TradeEvent {
    /// A line of the cost ledger, including the purchase; own hours come from `work_into_stock`, everything else is
    /// owed.
    Cost {
        kind: CostKind,
        cost: Money,
        tax: Money,
    },
    /// As `Cost`, for an engine that is not in the firm's stock: already sold, or on commission.
    CostOutsideStock {
        kind: CostKind,
        cost: Money,
        tax: Money,
    },
    /// Carriage out, advertising, a share of the price.
    SellingCost {
        cost: Money,
        tax: Money,
    },
    /// One of the firm's own engines; `carried` is its carrying amount.
    Sold {
        price: Money,
        tax: Money,
        carried: Money,
    },
    /// An engine on commission, sold in its owner's name; `tax` is on the commission, which does not include it.
    SoldForOwner {
        price: Money,
        commission: Money,
        tax: Money,
    },
    /// An engine on commission, sold in the firm's own name.
    SoldInOwnName {
        price: Money,
        tax: Money,
        owed_to_owner: Money,
    },
    DepositReceived {
        amount: Money,
        method: PaymentMethod,
    },
    DepositReturned {
        amount: Money,
        method: PaymentMethod,
    },
    DepositSetOff {
        amount: Money,
    },
    /// With `part_exchange` the allowance owed for the engine taken in is set off.
    BuyerPaid {
        amount: Money,
        method: PaymentMethod,
    },
    /// Money paid back to a buyer.
    BuyerRefunded {
        amount: Money,
        method: PaymentMethod,
    },
    /// The amount kept from the payments for a cancelled sale.
    KeptOfUndoneSale {
        amount: Money,
    },
    SupplierPaid {
        amount: Money,
        method: PaymentMethod,
    },
    OwnerPaid {
        amount: Money,
        method: PaymentMethod,
    },
    /// Tax on the sale of an engine that was declared as a free export; below 0 if it is taken back.
    ExportTaxDue {
        tax: Money,
    },
    /// Includes scrapped engines, at their whole carrying amount.
    WrittenDown {
        amount: Money,
    },
    WriteDownReversed {
        amount: Money,
    },
}

/// One of the two sides is 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct EntryLine {
    pub account: Account,
    pub debit: Money,
    pub credit: Money,
}

/// Lines of one day with equal debits and credits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = AccountsEntry))]
pub struct Entry {
    pub on: Day,
    #[cfg_attr(feature = "wire", schema(max_items = 10))]
    lines: Vec<EntryLine>,
}

impl Entry {
    pub fn lines(&self) -> &[EntryLine] {
        &self.lines
    }

    /// The entry that reverses this one on a later day; entries are never changed.
    #[must_use]
    pub fn reversed(&self, on: Day) -> Entry {
        let lines = self.lines.iter().map(|line| EntryLine {
            account: line.account,
            debit: line.credit,
            credit: line.debit,
        });
        Entry {
            on,
            lines: lines.collect(),
        }
    }
}

/// The entry of an event. Amounts below 0, such as those of reversals, change sides; lines of 0 are left out.
pub fn entry(on: Day, event: TradeEvent) -> Result<Entry, MoneyFault> {
    let moves = moves(event);
    debug_assert_eq!(moves.iter().map(|(_, pennies)| pennies).sum::<i128>(), 0);
    let lines = moves
        .into_iter()
        .filter(|(_, debit)| *debit != 0)
        .map(|(account, debit)| {
            Ok(EntryLine {
                account,
                debit: amount(debit.max(0), "amount")?,
                credit: amount((-debit).max(0), "amount")?,
            })
        });
    Ok(Entry {
        on,
        lines: lines.collect::<Result<_, MoneyFault>>()?,
    })
}

/// Debits in pennies, credits below 0. The last of each list is the remainder of the others, so they add up to 0.
fn moves(event: TradeEvent) -> Vec<(Account, i128)> {
    let two =
        |debit, credit, amount: Money| vec![(debit, amount.pennies()), (credit, -amount.pennies())];
    match event {
        TradeEvent::Cost { kind, cost, tax } => bought(Account::Stock, source(kind), cost, tax),
        TradeEvent::CostOutsideStock { kind, cost, tax } => {
            bought(Account::CostOfSales, source(kind), cost, tax)
        }
        TradeEvent::SellingCost { cost, tax } => {
            bought(Account::SellingCosts, Account::OwedToSuppliers, cost, tax)
        }
        TradeEvent::Sold {
            price,
            tax,
            carried,
        } => [
            sold(price, tax),
            two(Account::CostOfSales, Account::Stock, carried),
        ]
        .concat(),
        TradeEvent::SoldInOwnName {
            price,
            tax,
            owed_to_owner,
        } => [
            sold(price, tax),
            two(Account::CostOfSales, Account::OwedToOwners, owed_to_owner),
        ]
        .concat(),
        TradeEvent::SoldForOwner {
            price,
            commission,
            tax,
        } => vec![
            (Account::OwedByBuyers, price.pennies()),
            (Account::Commission, -commission.pennies()),
            (Account::TaxOnSales, -tax.pennies()),
            (
                Account::OwedToOwners,
                commission.pennies() + tax.pennies() - price.pennies(),
            ),
        ],
        TradeEvent::DepositReceived { amount, method } => {
            two(till(method), Account::Deposits, amount)
        }
        TradeEvent::DepositReturned { amount, method } => {
            two(Account::Deposits, till(method), amount)
        }
        TradeEvent::DepositSetOff { amount } => {
            two(Account::Deposits, Account::OwedByBuyers, amount)
        }
        TradeEvent::BuyerPaid { amount, method } => {
            two(till(method), Account::OwedByBuyers, amount)
        }
        TradeEvent::BuyerRefunded { amount, method } => {
            two(Account::OwedByBuyers, till(method), amount)
        }
        TradeEvent::KeptOfUndoneSale { amount } => {
            two(Account::OwedByBuyers, Account::KeptFromBuyers, amount)
        }
        TradeEvent::SupplierPaid { amount, method } => {
            two(Account::OwedToSuppliers, till(method), amount)
        }
        TradeEvent::OwnerPaid { amount, method } => {
            two(Account::OwedToOwners, till(method), amount)
        }
        TradeEvent::ExportTaxDue { tax } => two(Account::Sales, Account::TaxOnSales, tax),
        TradeEvent::WrittenDown { amount } => {
            two(Account::StockWrittenDown, Account::Stock, amount)
        }
        TradeEvent::WriteDownReversed { amount } => {
            two(Account::Stock, Account::StockWrittenDown, amount)
        }
    }
}

/// The account that a cost comes from.
const fn source(kind: CostKind) -> Account {
    match kind {
        CostKind::Work => Account::WorkIntoStock,
        CostKind::Purchase
        | CostKind::CarriageIn
        | CostKind::Parts
        | CostKind::OutsideWork
        | CostKind::Tests
        | CostKind::Other => Account::OwedToSuppliers,
    }
}

fn bought(into: Account, from: Account, cost: Money, tax: Money) -> Vec<(Account, i128)> {
    vec![
        (into, cost.pennies()),
        (Account::TaxOnPurchases, tax.pennies()),
        (from, -cost.pennies() - tax.pennies()),
    ]
}

fn sold(price: Money, tax: Money) -> Vec<(Account, i128)> {
    vec![
        (Account::OwedByBuyers, price.pennies()),
        (Account::TaxOnSales, -tax.pennies()),
        (Account::Sales, tax.pennies() - price.pennies()),
    ]
}

/// The account that a payment of that kind comes in to or goes out of.
const fn till(method: PaymentMethod) -> Account {
    match method {
        PaymentMethod::Cash => Account::Cash,
        PaymentMethod::Transfer | PaymentMethod::Card | PaymentMethod::Cheque => Account::Bank,
        PaymentMethod::PartExchange => Account::OwedToSuppliers,
    }
}

/// The totals booked to an account in a period.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TrialLine {
    pub account: Account,
    pub debit: Money,
    pub credit: Money,
}

/// The totals of all accounts in a period.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Trial {
    /// Accounts with entries, in the order of the list of accounts.
    #[cfg_attr(feature = "wire", schema(max_items = 16))]
    pub accounts: Vec<TrialLine>,
    pub debit: Money,
    /// Equal to `debit`.
    pub credit: Money,
}

impl Trial {
    /// The sums of two parts of a period together.
    pub fn plus(&self, other: &Trial) -> Result<Trial, MoneyFault> {
        let sum = |a: Money, b: Money| {
            a.checked_add(b)
                .map_err(|_| MoneyFault::TooLarge { member: "period" })
        };
        let of = |trial: &Trial, account: Account| {
            let mut lines = trial.accounts.iter();
            lines.find(|line| line.account == account).copied()
        };
        let accounts = Account::ALL.iter().filter_map(|account| {
            match (of(self, *account), of(other, *account)) {
                (None, None) => None,
                (Some(line), None) | (None, Some(line)) => Some(Ok(line)),
                (Some(a), Some(b)) => Some(sum(a.debit, b.debit).and_then(|debit| {
                    Ok(TrialLine {
                        account: *account,
                        debit,
                        credit: sum(a.credit, b.credit)?,
                    })
                })),
            }
        });
        Ok(Trial {
            accounts: accounts.collect::<Result<_, MoneyFault>>()?,
            debit: sum(self.debit, other.debit)?,
            credit: sum(self.credit, other.credit)?,
        })
    }
}

/// The totals of a period, both ends included.
pub fn trial(entries: &[Entry], period: DaySpan) -> Result<Trial, MoneyFault> {
    let lines: Vec<&EntryLine> = entries
        .iter()
        .filter(|entry| period.from <= entry.on && entry.on <= period.until)
        .flat_map(|entry| &entry.lines)
        .collect();
    let sum = |account: Option<Account>, side: fn(&EntryLine) -> Money| {
        let of_account = lines
            .iter()
            .filter(|line| account.is_none_or(|account| account == line.account));
        Money::sum(of_account.map(|line| side(line)))
            .map_err(|_| MoneyFault::TooLarge { member: "period" })
    };
    let booked_to = |account: &&Account| lines.iter().any(|line| line.account == **account);
    let accounts = Account::ALL.iter().filter(booked_to).map(|account| {
        Ok(TrialLine {
            account: *account,
            debit: sum(Some(*account), |line| line.debit)?,
            credit: sum(Some(*account), |line| line.credit)?,
        })
    });
    Ok(Trial {
        accounts: accounts.collect::<Result<_, MoneyFault>>()?,
        debit: sum(None, |line| line.debit)?,
        credit: sum(None, |line| line.credit)?,
    })
}
