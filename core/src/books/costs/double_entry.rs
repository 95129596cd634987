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
    /// What an amount is booked to; each firm gives its own account numbers and names to these.
    pub enum Account {
        Stock = "stock",
        Bank = "bank",
        Cash = "cash",
        OwedByBuyers = "owed_by_buyers",
        OwedToSuppliers = "owed_to_suppliers",
        OwedToOwners = "owed_to_owners",
        Deposits = "deposits",
        TaxOnSales = "tax_on_sales",
        TaxOnPurchases = "tax_on_purchases",
        Sales = "sales",
        Commission = "commission",
        CostOfSales = "cost_of_sales",
        SellingCosts = "selling_costs",
        WorkIntoStock = "work_into_stock",
        StockWrittenDown = "stock_written_down",
        /// Of what buyers paid for sales that were undone; which tax it bears is for the accountant.
        KeptFromBuyers = "kept_from_buyers",
    }
}

words! {
    /// The record that a line of the accounts is taken from.
    pub enum BookedFrom {
        Acquisition = "acquisition",
        Cost = "cost",
        JobHours = "job_hours",
        JobParts = "job_parts",
        Sale = "sale",
        /// A sale that is undone.
        Return = "return",
        Payment = "payment",
        /// Money received for a reservation.
        Deposit = "deposit",
        DepositReturn = "deposit_return",
        /// Money paid to a seller or a supplier.
        OutgoingPayment = "outgoing_payment",
        /// Money paid to the owner of an engine that was sold on commission.
        Payout = "payout",
        Disposal = "disposal",
        /// Tax on an export whose limit passed, and what is taken back of it.
        ExportTax = "export_tax",
        /// A kept value of the stock.
        StockValuation = "stock_valuation",
    }
}

/// What happened to an engine, its money or its value. `tax` of a cost is the part that comes back; the rest is cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TradeEvent {
    /// A line of the cost ledger, the purchase included; own hours come from `work_into_stock`, all else is owed.
    Cost {
        kind: CostKind,
        cost: Money,
        tax: Money,
    },
    /// As `Cost`, of an engine that is not in the firm's stock: sold already, or on commission.
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
    /// An engine of the firm's own; `carried` is at what it stood in the books.
    Sold {
        price: Money,
        tax: Money,
        carried: Money,
    },
    /// An engine on commission, sold in its owner's name; `tax` is on the commission, which is net of it.
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
    /// By `part_exchange`: the allowance owed for what came in is set off.
    BuyerPaid {
        amount: Money,
        method: PaymentMethod,
    },
    /// Money back to a buyer.
    BuyerRefunded {
        amount: Money,
        method: PaymentMethod,
    },
    /// What the firm keeps of the payments for a sale that is undone.
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
    /// Tax on the sale of an engine that was declared as a free export; below nought when it is taken back.
    ExportTaxDue {
        tax: Money,
    },
    /// Also what is scrapped: all that it was carried at.
    WrittenDown {
        amount: Money,
    },
    WriteDownReversed {
        amount: Money,
    },
}

/// One side is nought.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct EntryLine {
    pub account: Account,
    pub debit: Money,
    pub credit: Money,
}

/// Lines of one day whose debits equal their credits.
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

    /// The entry that takes this one back on a later day; what is booked is never changed.
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

/// The entry of an event. Amounts below nought, as of reversing lines, change sides; lines of nought are left out.
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

/// Debits in pennies, credits below nought. The last of each list is the rest of the others, so that they cancel.
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

/// Whom or what a cost comes from.
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

/// Where money of that kind comes in or goes out.
const fn till(method: PaymentMethod) -> Account {
    match method {
        PaymentMethod::Cash => Account::Cash,
        PaymentMethod::Transfer | PaymentMethod::Card | PaymentMethod::Cheque => Account::Bank,
        PaymentMethod::PartExchange => Account::OwedToSuppliers,
    }
}

/// What was booked to an account in a period.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct TrialLine {
    pub account: Account,
    pub debit: Money,
    pub credit: Money,
}

#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct Trial {
    /// Accounts that were booked to, in the order of the list of accounts.
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

/// The sums of a period, its ends included.
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
