//! The stock book for the tax office, and the stock valuation at the end of the year.

use super::{CarryingAmount, CarryingAmountQuestion, carrying_amount};
use crate::{
    books::tax::{ExportTax, MoneyFault, Percent, Scheme, amount, half_up, negatives, tax_within},
    days::{Day, DaySpan},
    money::Money,
    trade::{DisposalMethod, TaxPosition},
};
use serde::Serialize;

words! {
    /// How an engine left the stock book, or came back to it.
    pub enum Disposal {
        Sold = "sold",
        /// Its sale was cancelled; the engine is in stock again under its number.
        ReturnedByBuyer = "returned_by_buyer",
        /// Returned to the person the firm bought it from.
        ReturnedToSeller = "returned_to_seller",
        /// An engine on commission that its owner took back.
        TakenBackByOwner = "taken_back_by_owner",
        Scrapped = "scrapped",
        BrokenForParts = "broken_for_parts",
    }
}

impl From<DisposalMethod> for Disposal {
    fn from(method: DisposalMethod) -> Disposal {
        match method {
            DisposalMethod::ReturnedToSeller => Disposal::ReturnedToSeller,
            DisposalMethod::TakenBackByOwner => Disposal::TakenBackByOwner,
            DisposalMethod::Scrapped => Disposal::Scrapped,
            DisposalMethod::BrokenForParts => Disposal::BrokenForParts,
        }
    }
}

/// The facts about an engine for its line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookFacts {
    pub stock_no: i32,
    pub bought_on: Day,
    /// The day on which it was back in stock after its sale was cancelled; `None` for the first stay.
    pub in_again_on: Option<Day>,
    /// `None` if the firm wrote the invoice itself, as when buying from a private person.
    pub purchase_invoice_no: Option<String>,
    pub purchase_price: Money,
    pub seller: Option<String>,
    pub description: String,
    pub position: TaxPosition,
    /// The tax rate on the day of the sale.
    pub rate: Percent,
    /// The state of the tax on an export.
    pub export: Option<ExportTax>,
    pub gone: Option<DisposalFacts>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DisposalFacts {
    pub on: Day,
    pub how: Disposal,
    pub invoice_no: Option<String>,
    /// `None` if nothing was paid.
    pub price: Option<Money>,
    pub buyer: Option<String>,
}

/// A line of the stock book.
///
/// Source of the columns: gov.uk, "VAT margin schemes", Keeping records.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = StockBookLine))]
pub struct BookLine {
    #[cfg_attr(feature = "wire", schema(minimum = 1))]
    pub stock_no: i32,
    pub bought_on: Day,
    /// The seller's invoice number; null if the firm wrote the invoice itself.
    #[cfg_attr(feature = "wire", schema(max_length = 100))]
    pub purchase_invoice_no: Option<String>,
    /// Paid for the engine, or payable to its owner.
    pub purchase_price: Money,
    /// The name of the seller; null: not recorded.
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub seller: Option<String>,
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub description: String,
    /// The day on which it left the stock book; null while it is in stock.
    pub sold_on: Option<Day>,
    #[cfg_attr(feature = "wire", schema(max_length = 100))]
    pub sales_invoice_no: Option<String>,
    pub price: Option<Money>,
    pub disposal: Option<Disposal>,
    /// Null: not sold.
    #[cfg_attr(feature = "wire", schema(max_length = 400))]
    pub buyer: Option<String>,
    /// Price less purchase price; null outside the margin scheme and until it is sold.
    pub margin: Option<Money>,
    /// null until it is sold, and if the sale is not taxed; 0.00 for an export that is free of tax.
    pub tax: Option<Money>,
    /// The tax on an export that had not left with evidence by its time limit; null for others.
    pub late_tax: Option<Money>,
    /// The tax falls due in the period of this day.
    pub late_tax_due_on: Option<Day>,
    /// The tax is taken back in the period of this day.
    pub late_tax_taken_back_on: Option<Day>,
    /// The day on which it was back in stock after its sale was cancelled: the line is not a second purchase. null for
    /// the first stay.
    pub in_again_on: Option<Day>,
}

/// The tax on the sale of an engine at a price, under the scheme of the sale; 0 without tax.
///
/// `purchase`: paid for the engine itself. Both amounts are 0 or more.
pub fn tax_of_sale(
    scheme: Scheme,
    purchase: Money,
    price: Money,
    rate: Percent,
) -> Result<Money, MoneyFault> {
    let taxed = match scheme {
        Scheme::Margin => (price.pennies() - purchase.pennies()).max(0),
        Scheme::Ordinary => price.pennies(),
        Scheme::None => 0,
    };
    amount(tax_within(taxed, rate), "price")
}

/// The line of an engine. Refuses a day of leaving before the day of the purchase.
pub fn book_line(facts: &BookFacts) -> Result<BookLine, Vec<MoneyFault>> {
    let gone = facts.gone.as_ref();
    let price = gone.and_then(|gone| gone.price);
    let mut faults = negatives(&[
        ("purchase_price", Some(facts.purchase_price)),
        ("price", price),
    ]);
    if gone.is_some_and(|gone| gone.on < facts.bought_on) {
        faults.push(MoneyFault::BeforePurchase {
            member: "sold_on",
            bought_on: facts.bought_on,
        });
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let taxed = price.map(|price| match facts.position.scheme() {
        Scheme::Margin => (Some(price.pennies() - facts.purchase_price.pennies()), true),
        Scheme::Ordinary => (None, true),
        Scheme::None => (None, false),
    });
    let (margin, is_taxed) = taxed.unwrap_or((None, false));
    let margin = margin
        .map(|pennies| amount(pennies, "price"))
        .transpose()
        .map_err(|fault| vec![fault])?;
    let tax = price
        .filter(|_| is_taxed)
        .map(|price| {
            tax_of_sale(
                facts.position.scheme(),
                facts.purchase_price,
                price,
                facts.rate,
            )
        })
        .transpose()
        .map_err(|fault| vec![fault])?;
    let export = facts.export.filter(|_| is_taxed);
    let due_on = export.and_then(|export| export.due_on);
    let free = export.is_some_and(|export| export.is_free_at_the_sale());
    Ok(BookLine {
        late_tax: tax.filter(|_| due_on.is_some()),
        late_tax_due_on: due_on,
        late_tax_taken_back_on: export.and_then(|export| export.taken_back_on),
        stock_no: facts.stock_no,
        bought_on: facts.bought_on,
        in_again_on: facts.in_again_on,
        purchase_invoice_no: facts.purchase_invoice_no.clone(),
        purchase_price: facts.purchase_price,
        seller: facts.seller.clone(),
        description: facts.description.clone(),
        sold_on: gone.map(|gone| gone.on),
        sales_invoice_no: gone.and_then(|gone| gone.invoice_no.clone()),
        price,
        disposal: gone.map(|gone| gone.how),
        buyer: gone.and_then(|gone| gone.buyer.clone()),
        margin,
        tax: if free { tax.map(|_| Money::ZERO) } else { tax },
    })
}

impl BookLine {
    /// The line that reverses the sale in the period of `on`, because lines of a closed period are never changed.
    pub fn sale_undone(&self, on: Day) -> Result<BookLine, MoneyFault> {
        let minus = |money: Option<Money>| {
            money
                .map(|money| amount(-money.pennies(), "price"))
                .transpose()
        };
        Ok(BookLine {
            sold_on: Some(on),
            disposal: Some(Disposal::ReturnedByBuyer),
            price: minus(self.price)?,
            margin: minus(self.margin)?,
            tax: minus(self.tax)?,
            late_tax: None,
            late_tax_due_on: None,
            late_tax_taken_back_on: None,
            ..self.clone()
        })
    }

    /// As `sale_undone`, for an engine on commission sold in the firm's own name: its purchase came with the sale and
    /// is reversed with it.
    pub fn sale_and_purchase_undone(&self, on: Day) -> Result<BookLine, MoneyFault> {
        Ok(BookLine {
            bought_on: on,
            purchase_price: amount(-self.purchase_price.pennies(), "purchase_price")?,
            ..self.sale_undone(on)?
        })
    }

    /// Whether its purchase price counts in the period of the day of the purchase.
    fn is_purchase(&self) -> bool {
        let undoes_sale_alone =
            self.disposal == Some(Disposal::ReturnedByBuyer) && !self.purchase_price.is_negative();
        self.in_again_on.is_none() && !undoes_sale_alone
    }
}

/// The totals of a tax period.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[cfg_attr(feature = "wire", schema(as = StockBookTotals))]
pub struct BookTotals {
    /// Purchase prices of engines bought in the period, less those of engines returned to their sellers in it.
    pub purchases: Money,
    /// Prices of engines sold in the period.
    pub sales: Money,
    /// Margins of engines sold in the period, including losses; tax is due only on those above 0.
    pub margins: Money,
    /// Includes the tax on exports that missed their time limit in the period, less the amount taken back in it.
    pub tax: Money,
}

impl BookTotals {
    /// The totals of two parts of the book together.
    pub fn plus(self, other: BookTotals) -> Result<BookTotals, MoneyFault> {
        let sum = |a: Money, b: Money| {
            a.checked_add(b)
                .map_err(|_| MoneyFault::TooLarge { member: "period" })
        };
        Ok(BookTotals {
            purchases: sum(self.purchases, other.purchases)?,
            sales: sum(self.sales, other.sales)?,
            margins: sum(self.margins, other.margins)?,
            tax: sum(self.tax, other.tax)?,
        })
    }
}

/// Both ends of the period are included. A line that reverses a sale is not a second purchase, nor is a further stay in
/// stock.
pub fn book_totals(lines: &[BookLine], period: DaySpan) -> Result<BookTotals, MoneyFault> {
    let within = |day: Day| period.from <= day && day <= period.until;
    let sold = |of: fn(&BookLine) -> Option<Money>| {
        let in_period = lines.iter().filter(|line| line.sold_on.is_some_and(within));
        in_period.filter_map(of)
    };
    let total = |amounts: &mut dyn Iterator<Item = Money>| {
        Money::sum(amounts).map_err(|_| MoneyFault::TooLarge { member: "period" })
    };
    let bought = lines
        .iter()
        .filter(|line| within(line.bought_on) && line.is_purchase());
    let gone_back = lines.iter().filter(|line| {
        line.disposal == Some(Disposal::ReturnedToSeller) && line.sold_on.is_some_and(within)
    });
    let late = |of: fn(&BookLine) -> Option<Day>| {
        let in_period = lines
            .iter()
            .filter(move |line| of(line).is_some_and(within));
        total(&mut in_period.filter_map(|line| line.late_tax))
    };
    let plus = |a: Money, b: Money| {
        a.checked_add(b)
            .map_err(|_| MoneyFault::TooLarge { member: "period" })
    };
    let minus = |a: Money, b: Money| {
        a.checked_sub(b)
            .map_err(|_| MoneyFault::TooLarge { member: "period" })
    };
    let tax = plus(
        total(&mut sold(|line| line.tax))?,
        late(|line| line.late_tax_due_on)?,
    )?;
    Ok(BookTotals {
        purchases: minus(
            total(&mut bought.map(|line| line.purchase_price))?,
            total(&mut gone_back.map(|line| line.purchase_price))?,
        )?,
        sales: total(&mut sold(|line| line.price))?,
        margins: total(&mut sold(|line| line.margin))?,
        tax: minus(tax, late(|line| line.late_tax_taken_back_on)?)?,
    })
}

words! {
    /// The source of the price that an engine is expected to fetch.
    pub enum ExpectedFrom {
        /// The asking price in force on the day.
        AskingPrice = "asking_price",
        /// The likely price of the last valuation up to the day.
        Valuation = "valuation",
        /// A sale soon after the day, as evidence of the engine's value on it (IAS 2.30).
        SaleAfter = "sale_after",
    }
}

words! {
    /// Which of the two net realisable values was used: the better one.
    pub enum ValueUsed {
        /// That of finishing it first.
        Finished = "finished",
        /// That of selling it unfinished.
        AsItStands = "as_it_stands",
    }
}

/// An engine in stock on the last day of the year.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockFacts {
    pub stock_no: i32,
    pub position: TaxPosition,
    /// Spent up to the day, including the purchase.
    pub cost: Money,
    pub purchase: Money,
    /// Expected price when finished, including tax; `None` if it is not known.
    pub price: Option<Money>,
    pub cost_to_come: Money,
    /// Expected price unfinished, including tax; `None` if none is recorded.
    pub as_it_stands: Option<Money>,
    pub selling_cost: Money,
    /// In per cent of the price, to the penny, a half upwards; added to the selling cost.
    pub selling_share: Percent,
    pub rate: Percent,
    /// How far below cost it was carried before; 0 if it was never written down.
    pub written_down_before: Money,
    /// The first sale soon after the day, if there was one: day and price.
    pub sold_after: Option<(Day, Money)>,
    /// The engine's value changed between the day and that sale, for example by damage, so its price says nothing of
    /// the day.
    pub changed_before_sale: bool,
}

impl StockFacts {
    /// The expected price of the finished engine: a sale soon after the day is better evidence of its value (IAS 2.30).
    pub fn price_finished(&self) -> Option<Money> {
        self.evidence().or(self.price)
    }

    /// The price of the sale soon after, if it is evidence of the engine's value on the day.
    pub fn evidence(&self) -> Option<Money> {
        let sold_after = self.sold_after.filter(|_| !self.changed_before_sale);
        sold_after.map(|(_, price)| price)
    }
}

/// The stock valuation of one engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct StockValuationLine {
    #[cfg_attr(feature = "wire", schema(minimum = 1))]
    pub stock_no: i32,
    /// Spent up to the day, including the purchase.
    pub cost: Money,
    /// Expected price less the cost to finish, the cost of selling and the tax on the sale: the better of finished and
    /// as it stands. null without a price.
    pub net_realisable_value: Option<Money>,
    /// The same for the engine as it stands, without the cost to finish; null without such a price.
    pub net_realisable_value_as_it_stands: Option<Money>,
    /// Which of the two is used; null without a price.
    pub used: Option<ValueUsed>,
    /// The carrying amount before: cost less earlier write-downs.
    pub carrying_amount_before: Money,
    /// From cost to net realisable value.
    pub write_down: Money,
    /// Earlier write-down taken back.
    pub reversal: Money,
    /// The lower of cost and net realisable value.
    pub carrying_amount: Money,
    /// The day of a sale soon after; null without one.
    pub sold_after_on: Option<Day>,
    /// The price of that sale.
    pub sold_after_price: Option<Money>,
}

/// The lower of cost and net realisable value (IAS 2.9); `None` for an engine on commission, which does not belong to
/// the firm.
///
/// Without a price the net realisable value is not known, and the carrying amount stays. Spending since the last
/// write-down is cost and not a reversal: a reversal takes back the write-down and no more (IAS 2.33).
pub fn stock_valuation_line(
    facts: &StockFacts,
) -> Result<Option<StockValuationLine>, Vec<MoneyFault>> {
    match facts.position {
        TaxPosition::CommissionInOwnersName | TaxPosition::CommissionInOwnName => return Ok(None),
        TaxPosition::MarginScheme | TaxPosition::OrdinaryVat | TaxPosition::NotRegistered => {}
    }
    let valued = |price: Money, cost_to_come: Money| {
        let share = half_up(
            price.pennies() * i128::from(facts.selling_share.hundredths()),
            10_000,
        );
        let selling_cost = amount(facts.selling_cost.pennies() + share, "selling_cost");
        carrying_amount(&CarryingAmountQuestion {
            cost: facts.cost,
            purchase: facts.purchase,
            price,
            cost_to_come,
            selling_cost: selling_cost.map_err(|fault| vec![fault])?,
            rate_percent: Some(facts.rate),
            scheme: facts.position.scheme(),
            carrying_amount_before: None,
            as_it_stands_price: None,
            firm_contract: None,
        })
    };
    let finished = facts.price_finished();
    let finished = finished.map(|price| valued(price, facts.cost_to_come));
    let finished: Option<CarryingAmount> = finished.transpose()?;
    let as_it_stands = facts.as_it_stands.map(|price| valued(price, Money::ZERO));
    let as_it_stands: Option<CarryingAmount> = as_it_stands.transpose()?;
    let better = as_it_stands.filter(|it| {
        finished.is_none_or(|other| it.net_realisable_value > other.net_realisable_value)
    });
    let used = match (better, finished) {
        (Some(_), _) => Some(ValueUsed::AsItStands),
        (None, Some(_)) => Some(ValueUsed::Finished),
        (None, None) => None,
    };
    let value = better.or(finished);
    let checked = |pennies| amount(pennies, "cost").map_err(|fault| vec![fault]);
    let cost = facts.cost.pennies();
    let before = cost - facts.written_down_before.pennies();
    let carried = value.map_or(before.min(cost).max(0), |value| {
        value.carrying_amount.pennies()
    });
    Ok(Some(StockValuationLine {
        stock_no: facts.stock_no,
        cost: facts.cost,
        net_realisable_value: value.map(|value| value.net_realisable_value),
        net_realisable_value_as_it_stands: as_it_stands.map(|value| value.net_realisable_value),
        used,
        carrying_amount_before: checked(before)?,
        write_down: checked((before - carried).max(0))?,
        reversal: checked((carried - before).max(0))?,
        carrying_amount: checked(carried)?,
        sold_after_on: facts.sold_after.map(|(on, _)| on),
        sold_after_price: facts.sold_after.map(|(_, price)| price),
    }))
}
