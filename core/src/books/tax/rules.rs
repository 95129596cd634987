//! Rules of tax and cash as dated rows, and the rows that a new installation starts with.

use crate::{
    boilers::codes::{Jurisdiction, Mark},
    days::Day,
};
use rust_decimal::Decimal;

words! {
    /// What a row settles.
    pub enum TaxRuleKey {
        /// The standard rate of tax.
        StandardRate = "standard_rate",
        /// The margin scheme taxes the price less the purchase price, if that is above 0.
        TaxOnTheMargin = "tax_on_the_margin",
        /// Repairs and parts are never part of the purchase price in the margin scheme.
        RepairsStayOutOfPurchasePrice = "repairs_stay_out_of_purchase_price",
        /// A loss on one engine cannot be set off.
        LossIsNotSetOff = "loss_is_not_set_off",
        /// An engine bought on an invoice that shows tax is not eligible for the margin scheme.
        TaxInvoiceShutsMarginScheme = "tax_invoice_shuts_margin_scheme",
        /// The full allowance is the purchase price of the engine taken in, the full price the selling price of the
        /// engine sold.
        PartExchangeAtFullPrices = "part_exchange_at_full_prices",
        /// Tax is rounded to the nearest penny by the exact fraction.
        RoundedToThePenny = "rounded_to_the_penny",
        /// The columns of the stock book.
        StockBook = "stock_book",
        /// How long the books must be kept.
        RecordsKept = "records_kept",
        /// The linked cash from which the firm must be registered first.
        CashLimit = "cash_limit",
        /// Cash of one person within this many days is added up.
        CashLinkedDays = "cash_linked_days",
        /// The months within which an export must leave with evidence on file.
        ExportMonths = "export_months",
        /// The required wording of an invoice under the margin scheme: the row's notes, word for word.
        InvoiceWording = "invoice_wording",
    }
}

words! {
    pub enum TaxUnit {
        Percent = "percent",
        Years = "years",
        Months = "months",
        Days = "days",
        /// Amounts in a currency (ISO 4217).
        Eur = "EUR",
        Gbp = "GBP",
        /// The rule applies; it has no value.
        Yes = "yes",
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TaxRule {
    pub jurisdiction: Jurisdiction,
    pub rule: TaxRuleKey,
    /// In `unit`; `None` if the unit is `yes`.
    pub value: Option<Decimal>,
    pub unit: TaxUnit,
    /// First day in force; `None`: from the beginning.
    pub valid_from: Option<Day>,
    /// Last day, inclusive; `None`: no end.
    pub valid_until: Option<Day>,
    /// Where it is published, 1 to 300 characters.
    pub source: String,
    pub mark: Mark,
    /// The rule in a sentence, 1 to 400 characters.
    pub notes: Option<String>,
}

impl TaxRule {
    pub fn in_force_on(&self, day: Day) -> bool {
        self.valid_from.is_none_or(|from| from <= day)
            && self.valid_until.is_none_or(|until| day <= until)
    }
}

/// The row in force on a day; of several the one that began last, whatever their order.
pub fn in_force<'r>(
    rules: &'r [TaxRule],
    jurisdiction: &Jurisdiction,
    rule: TaxRuleKey,
    on: Day,
) -> Option<&'r TaxRule> {
    rules
        .iter()
        .filter(|row| row.rule == rule && &row.jurisdiction == jurisdiction && row.in_force_on(on))
        .max_by_key(|row| (row.valid_from, row.value, row.unit, &row.source))
}

/// The rows with a known source. They are copied into the database and changed there.
pub fn seed() -> Vec<TaxRule> {
    use TaxRuleKey as Key;
    vec![
        row(Key::StandardRate, Some(20), TaxUnit::Percent, "VAT Act 1994 s.2(1), with its first day from memory")
            .from(Day::constant(2011, 1, 4))
            .marked(Mark::FromMemory),
        row(Key::TaxOnTheMargin, None, TaxUnit::Yes, "gov.uk, VAT margin schemes; Directive 2006/112/EC Art. 311-325")
            .notes("Tax is rate / (100 + rate) of the selling price less the purchase price, if that is above 0."),
        row(Key::RepairsStayOutOfPurchasePrice, None, TaxUnit::Yes, "HMRC manual VATMARG02300")
            .notes("Repairs and parts are never part of the purchase price."),
        row(Key::LossIsNotSetOff, None, TaxUnit::Yes, "gov.uk, VAT margin schemes")
            .notes("A loss on one engine cannot be set off against other engines."),
        row(Key::TaxInvoiceShutsMarginScheme, None, TaxUnit::Yes, "HMRC manual VATMARG02150")
            .notes("An engine bought on an invoice that shows VAT is not eligible for the margin scheme."),
        row(Key::PartExchangeAtFullPrices, None, TaxUnit::Yes, "HMRC manual VATMARG13350")
            .notes("The full allowance is the purchase price of the engine taken in, the full price the selling price of the engine sold."),
        row(Key::RoundedToThePenny, None, TaxUnit::Yes, "HMRC manual VATREC12030")
            .notes("Tax is rounded to the nearest penny, a half upwards, by the exact fraction: 1/6 at 20%."),
        row(Key::StockBook, None, TaxUnit::Yes, "gov.uk, VAT margin schemes: Keeping records")
            .notes("The stock book has stock number in sequence; purchase: date, invoice number (none if the firm wrote it itself), price, seller, description; sale: date, invoice number, price or how disposed of, buyer; margin; tax."),
        row(Key::RecordsKept, Some(6), TaxUnit::Years, "gov.uk, VAT margin schemes: Keeping records")
            .notes("Kept 6 years, or until sold if that is longer."),
        row(Key::CashLimit, Some(10_000), TaxUnit::Eur, "HMRC, high value dealers (Money Laundering Regulations 2017)")
            .until(Day::constant(2026, 6, 29))
            .notes(CASH_NOTE),
        row(Key::CashLimit, Some(10_000), TaxUnit::Gbp, "amending regulations of 2026, as reported")
            .from(Day::constant(2026, 6, 30))
            .marked(Mark::LowConfidence)
            .notes(CASH_NOTE),
        row(Key::CashLinkedDays, Some(30), TaxUnit::Days, "common practice, no source: the firm's own prudence")
            .marked(Mark::CommonPractice)
            .notes("Cash received from a person and paid to them within this many days is added up; for cash at other times a person must decide."),
        row(Key::ExportMonths, Some(3), TaxUnit::Months, "HMRC manual VEXP30300")
            .notes("A direct export is zero-rated if it leaves and the evidence is on file within this many months of the time of supply; when the limit passes the tax falls due, and it is taken back if evidence comes later."),
        row(Key::InvoiceWording, None, TaxUnit::Yes, "Directive 2006/112/EC Art. 226(14), from memory")
            .marked(Mark::FromMemory)
            .notes("Margin scheme - Second-hand goods"),
    ]
}

const CASH_NOTE: &str = "Cash at or above the limit, single or linked, paid or received, including notes paid into the firm's bank account, needs registration first.";

/// A published row for Great Britain, without days.
fn row(rule: TaxRuleKey, value: Option<i64>, unit: TaxUnit, source: &str) -> TaxRule {
    TaxRule {
        jurisdiction: "GB".parse().expect("two capitals are a jurisdiction"),
        rule,
        value: value.map(Decimal::from),
        unit,
        valid_from: None,
        valid_until: None,
        source: source.to_owned(),
        mark: Mark::Published,
        notes: None,
    }
}

impl TaxRule {
    fn from(self, day: Day) -> TaxRule {
        TaxRule {
            valid_from: Some(day),
            ..self
        }
    }

    fn until(self, day: Day) -> TaxRule {
        TaxRule {
            valid_until: Some(day),
            ..self
        }
    }

    fn marked(self, mark: Mark) -> TaxRule {
        TaxRule { mark, ..self }
    }

    fn notes(self, notes: &str) -> TaxRule {
        TaxRule {
            notes: Some(notes.to_owned()),
            ..self
        }
    }
}
