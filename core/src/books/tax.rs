//! Tax on the sale of an engine: the schemes, and the tax under the margin scheme to the penny.
//!
//! Sources: gov.uk, "VAT margin schemes"; HMRC manual VATMARG; Directive 2006/112/EC Art. 311-325.

use crate::{boilers::codes::Jurisdiction, days::Day, money::Money, trade::TaxPosition};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{fmt, str::FromStr};

mod cash;
mod export;
mod rules;
pub use cash::{CashAnswer, CashPayment, CashResult, ExchangeRow, cash_linked_days, cash_reached};
pub use export::{ExportFacts, ExportMethod, ExportStatus, ExportTax, export_months, export_tax};
pub use rules::{TaxRule, TaxRuleKey, TaxUnit, in_force, seed};

words! {
    /// The amount that tax is included in.
    pub enum Scheme {
        /// Tax is part of the price less the purchase price, if that is above 0.
        Margin = "margin",
        /// Tax is part of the whole price.
        Ordinary = "ordinary",
        /// No tax.
        None = "none",
    }
}

impl TaxPosition {
    /// The scheme for the sale of an engine in that tax position.
    ///
    /// An engine sold in its owner's name is the owner's supply: only the commission is taxed, as a service. One sold
    /// on commission in the firm's own name counts as bought and sold, and the amount payable to the owner is its
    /// purchase price (VAT Act 1994 s.47; Directive 2006/112/EC Art. 14(2)(c); from memory).
    pub const fn scheme(self) -> Scheme {
        match self {
            TaxPosition::MarginScheme | TaxPosition::CommissionInOwnName => Scheme::Margin,
            TaxPosition::OrdinaryVat => Scheme::Ordinary,
            TaxPosition::CommissionInOwnersName | TaxPosition::NotRegistered => Scheme::None,
        }
    }

    /// Whether an engine bought on an invoice that shows tax may have this position: not under the margin scheme (HMRC
    /// manual VATMARG02150).
    pub const fn bears_supplier_vat(self) -> bool {
        match self {
            TaxPosition::OrdinaryVat | TaxPosition::NotRegistered => true,
            TaxPosition::MarginScheme
            | TaxPosition::CommissionInOwnersName
            | TaxPosition::CommissionInOwnName => false,
        }
    }

    /// Whether the tax on a supplier's invoice is recovered, and so is not a cost.
    pub const fn reclaims_tax(self) -> bool {
        match self {
            TaxPosition::MarginScheme
            | TaxPosition::OrdinaryVat
            | TaxPosition::CommissionInOwnersName
            | TaxPosition::CommissionInOwnName => true,
            TaxPosition::NotRegistered => false,
        }
    }
}

/// A rate in percent with at most two places, from 0 to 999.99; in JSON a string, `"17.5"`, or a whole number, `20`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Numeric))]
pub struct Percent {
    hundredths: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be a rate from 0 to 999.99 percent written like \"17.5\", with at most two places")]
pub struct NotAPercent;

impl Percent {
    pub const ZERO: Percent = Percent { hundredths: 0 };
    pub const HUNDRED: Percent = Percent { hundredths: 10_000 };

    /// Hundredths of a percent: 1750 is 17.5%.
    pub const fn from_hundredths(hundredths: u32) -> Result<Percent, NotAPercent> {
        if hundredths < 100_000 {
            Ok(Percent { hundredths })
        } else {
            Err(NotAPercent)
        }
    }

    pub const fn hundredths(self) -> u32 {
        self.hundredths
    }
}

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, places) = (self.hundredths / 100, self.hundredths % 100);
        match (places, places % 10) {
            (0, _) => write!(f, "{whole}"),
            (_, 0) => write!(f, "{whole}.{}", places / 10),
            (_, _) => write!(f, "{whole}.{places:02}"),
        }
    }
}

impl fmt::Debug for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self} %")
    }
}

impl FromStr for Percent {
    type Err = NotAPercent;

    fn from_str(text: &str) -> Result<Percent, NotAPercent> {
        let (whole, places) = text.split_once('.').unwrap_or((text, "0"));
        let digits = |part: &str, most| {
            let plain =
                (1..=most).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
            part.parse::<u32>()
                .ok()
                .filter(|_| plain)
                .ok_or(NotAPercent)
        };
        let tenfold = if places.len() == 1 { 10 } else { 1 };
        Percent::from_hundredths(digits(whole, 3)? * 100 + digits(places, 2)? * tenfold)
    }
}

impl Serialize for Percent {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Percent {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Percent, D::Error> {
        struct TextOrWhole;

        impl de::Visitor<'_> for TextOrWhole {
            type Value = Percent;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a rate in percent: a string, like \"17.5\", or a whole number")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Percent, E> {
                text.parse().map_err(E::custom)
            }

            fn visit_u64<E: de::Error>(self, whole: u64) -> Result<Percent, E> {
                let hundredths = u32::try_from(whole).ok().and_then(|n| n.checked_mul(100));
                hundredths
                    .ok_or(NotAPercent)
                    .and_then(Percent::from_hundredths)
                    .map_err(E::custom)
            }

            fn visit_i64<E: de::Error>(self, _: i64) -> Result<Percent, E> {
                Err(E::custom(NotAPercent))
            }
        }

        from.deserialize_any(TextOrWhole)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::Percent;
    use diesel::{
        deserialize::{self, FromSql},
        pg::{Pg, PgValue},
        serialize::{self, Output, ToSql},
        sql_types::Numeric,
    };
    use rust_decimal::Decimal;
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{ObjectBuilder, OneOfBuilder, RefOr, Schema, schema::Type},
    };

    impl ToSql<Numeric, Pg> for Percent {
        fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
            let rate = Decimal::new(self.hundredths.into(), 2);
            <Decimal as ToSql<Numeric, Pg>>::to_sql(&rate, &mut out.reborrow())
        }
    }

    impl FromSql<Numeric, Pg> for Percent {
        fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
            let rate: Decimal = FromSql::<Numeric, Pg>::from_sql(bytes)?;
            Ok(rate.normalize().to_string().parse()?)
        }
    }

    impl PartialSchema for Percent {
        fn schema() -> RefOr<Schema> {
            let text = ObjectBuilder::new()
                .schema_type(Type::String)
                .pattern(Some(r"^[0-9]{1,3}(\.[0-9]{1,2})?$"))
                .max_length(Some(6));
            let whole = ObjectBuilder::new()
                .schema_type(Type::Integer)
                .minimum(Some(0))
                .maximum(Some(999));
            RefOr::T(Schema::OneOf(
                OneOfBuilder::new()
                    .item(text)
                    .item(whole)
                    .examples(["20"])
                    .build(),
            ))
        }
    }

    impl ToSchema for Percent {}
}

/// Why an amount of money cannot be calculated, and what would be right. Amounts and rates that cannot be read are
/// refused earlier, by their types.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, thiserror::Error)]
pub enum MoneyFault {
    #[error("must be 0.00 or more")]
    Negative { member: &'static str },
    #[error("must be a share of the price from 0 to 100 percent")]
    ShareAbove100 { member: &'static str },
    #[error("required unless the scheme is `none`: the rate of tax in percent")]
    RateMissing,
    #[error(
        "no price up to 9999999999.99 leaves that profit; ask for less profit or reduce the costs"
    )]
    NoPrice { member: &'static str },
    #[error("the amounts come to more than 9999999999.99; use smaller amounts")]
    TooLarge { member: &'static str },
    #[error("must not be before the engine was bought on {bought_on}")]
    BeforePurchase {
        member: &'static str,
        bought_on: Day,
    },
}

impl MoneyFault {
    /// JSON pointer (RFC 6901) to the member that has to change.
    pub fn pointer(self) -> String {
        match self {
            MoneyFault::Negative { member }
            | MoneyFault::ShareAbove100 { member }
            | MoneyFault::NoPrice { member }
            | MoneyFault::TooLarge { member }
            | MoneyFault::BeforePurchase { member, .. } => format!("/{member}"),
            MoneyFault::RateMissing => "/rate_percent".to_owned(),
        }
    }
}

/// All amounts that are below 0 and may not be.
pub(crate) fn negatives(members: &[(&'static str, Option<Money>)]) -> Vec<MoneyFault> {
    members
        .iter()
        .filter(|(_, amount)| amount.is_some_and(Money::is_negative))
        .map(|(member, _)| MoneyFault::Negative { member })
        .collect()
}

pub(crate) fn amount(pennies: i128, member: &'static str) -> Result<Money, MoneyFault> {
    Money::from_pennies(pennies).map_err(|_| MoneyFault::TooLarge { member })
}

/// `numerator` / `denominator` to the nearest whole number, a half upwards; `numerator` from 0, `denominator` above it.
///
/// Source: HMRC manual VATREC12030 (rounding to the nearest penny).
pub(crate) const fn half_up(numerator: i128, denominator: i128) -> i128 {
    (2 * numerator + denominator) / (2 * denominator)
}

/// The tax included in a taxed amount, in pennies (0 or more): rate / (100 + rate) of it by the exact fraction, 1/6 at
/// 20%.
pub(crate) const fn tax_within(taxed: i128, rate: Percent) -> i128 {
    let rate = rate.hundredths as i128;
    half_up(taxed * rate, 10_000 + rate)
}

/// Purchase and sale price of one engine, without repairs and parts (VATMARG02300).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct MarginTaxQuestion {
    /// The price paid for the engine.
    pub purchase: Money,
    /// The selling price, including tax.
    pub sale: Money,
    /// Rate of tax.
    pub rate_percent: Percent,
}

/// The tax under the margin scheme.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "wire", derive(utoipa::ToSchema))]
pub struct MarginTax {
    /// Sale less purchase; below 0 for a loss, which cannot be set off.
    pub margin: Money,
    pub tax: Money,
    /// Sale less tax.
    pub net_of_tax: Money,
}

/// Tax under the margin scheme: rate / (100 + rate) of a margin above 0, to the penny, a half upwards.
///
/// Source: gov.uk, "VAT margin schemes"; HMRC VATREC12030, VATMARG02300.
pub fn margin_tax(question: &MarginTaxQuestion) -> Result<MarginTax, Vec<MoneyFault>> {
    let MarginTaxQuestion {
        purchase,
        sale,
        rate_percent,
    } = *question;
    let faults = negatives(&[("purchase", Some(purchase)), ("sale", Some(sale))]);
    if !faults.is_empty() {
        return Err(faults);
    }
    let margin = sale.pennies() - purchase.pennies();
    let tax = tax_within(margin.max(0), rate_percent);
    let checked = |pennies| amount(pennies, "sale").map_err(|fault| vec![fault]);
    Ok(MarginTax {
        margin: checked(margin)?,
        tax: checked(tax)?,
        net_of_tax: checked(sale.pennies() - tax)?,
    })
}

/// The rate of tax on a day; `None` if no row is in force.
pub fn standard_rate(rules: &[TaxRule], jurisdiction: &Jurisdiction, on: Day) -> Option<Percent> {
    in_force(rules, jurisdiction, TaxRuleKey::StandardRate, on)?
        .value?
        .normalize()
        .to_string()
        .parse()
        .ok()
}
