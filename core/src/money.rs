//! Exact amounts in the firm's currency.

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{fmt, str::FromStr};

/// An amount with two decimal places, from -9 999 999 999.99 to 9 999 999 999.99; in JSON a string, `"7680.00"`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Numeric))]
pub struct Money(Decimal);

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotMoney {
    #[error("must be an amount such as \"7680.00\"")]
    Unreadable,
    #[error("must have at most two decimal places")]
    TooManyPlaces,
    #[error("must be between -9999999999.99 and 9999999999.99")]
    OutOfRange,
}

impl Money {
    pub const ZERO: Money = Money(Decimal::ZERO);
    const LARGEST_PENNIES: i128 = 999_999_999_999;

    /// An exact amount; refuses a third decimal place.
    pub fn new(amount: Decimal) -> Result<Money, NotMoney> {
        if amount.normalize().scale() > 2 {
            return Err(NotMoney::TooManyPlaces);
        }
        Money::rounded(amount)
    }

    /// Rounds to the nearest penny, halves away from zero.
    pub fn rounded(amount: Decimal) -> Result<Money, NotMoney> {
        let mut amount = amount.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero);
        amount.rescale(2);
        let money = Money(amount);
        if money.0.scale() == 2 && money.pennies().abs() <= Money::LARGEST_PENNIES {
            Ok(money)
        } else {
            Err(NotMoney::OutOfRange)
        }
    }

    pub fn from_pennies(pennies: i128) -> Result<Money, NotMoney> {
        if pennies.abs() > Money::LARGEST_PENNIES {
            return Err(NotMoney::OutOfRange);
        }
        Ok(Money(Decimal::from_i128_with_scale(pennies, 2)))
    }

    /// The amount in pence; exact, as an amount has two places.
    pub const fn pennies(self) -> i128 {
        self.0.mantissa()
    }

    pub const fn decimal(self) -> Decimal {
        self.0
    }

    pub fn checked_add(self, other: Money) -> Result<Money, NotMoney> {
        Money::from_pennies(self.pennies() + other.pennies())
    }

    pub fn checked_sub(self, other: Money) -> Result<Money, NotMoney> {
        Money::from_pennies(self.pennies() - other.pennies())
    }

    /// The exact sum; only the total is checked against the range.
    pub fn sum(amounts: impl IntoIterator<Item = Money>) -> Result<Money, NotMoney> {
        Money::from_pennies(amounts.into_iter().map(Money::pennies).sum())
    }

    pub fn is_negative(self) -> bool {
        self.pennies() < 0
    }
}

impl fmt::Display for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2}", self.0)
    }
}

impl fmt::Debug for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Money {
    type Err = NotMoney;

    fn from_str(text: &str) -> Result<Money, NotMoney> {
        let plain = text
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-'))
            && text.len() <= 32;
        if !plain || text.starts_with('.') || text.ends_with('.') {
            return Err(NotMoney::Unreadable);
        }
        Money::new(Decimal::from_str_exact(text).map_err(|_| NotMoney::Unreadable)?)
    }
}

impl Serialize for Money {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Money, D::Error> {
        struct Text;

        impl de::Visitor<'_> for Text {
            type Value = Money;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "an amount as a string, like \"7680.00\" (a JSON number may have lost pennies)",
                )
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Money, E> {
                text.parse().map_err(E::custom)
            }
        }

        from.deserialize_str(Text)
    }
}

#[cfg(feature = "wire")]
mod wire {
    use super::Money;
    use diesel::{
        deserialize::{self, FromSql},
        pg::{Pg, PgValue},
        serialize::{self, Output, ToSql},
        sql_types::Numeric,
    };
    use rust_decimal::Decimal;
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
    };

    impl ToSql<Numeric, Pg> for Money {
        fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
            <Decimal as ToSql<Numeric, Pg>>::to_sql(&self.0, &mut out.reborrow())
        }
    }

    impl FromSql<Numeric, Pg> for Money {
        fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
            Ok(Money::new(FromSql::<Numeric, Pg>::from_sql(bytes)?)?)
        }
    }

    impl PartialSchema for Money {
        fn schema() -> RefOr<Schema> {
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .pattern(Some(r"^-?[0-9]{1,10}(\.[0-9]{1,2})?$"))
                    .max_length(Some(14))
                    .examples(["7680.00"])
                    .build(),
            ))
        }
    }

    impl ToSchema for Money {}
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_keep_their_pennies() {
        assert_eq!(
            "1234.5".parse::<Money>().expect("money").to_string(),
            "1234.50"
        );
        assert_eq!("1234.567".parse::<Money>(), Err(NotMoney::TooManyPlaces));
        assert_eq!("99999999999".parse::<Money>(), Err(NotMoney::OutOfRange));
        for bad in [
            "", "1e3", ".5", "5.", "--1", "1,000", "NaN", "0x10", " 1", "1-1", "+1",
        ] {
            assert!(bad.parse::<Money>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_json_number_is_refused() {
        let refusal = serde_json::from_str::<Money>("1234.5")
            .expect_err("a number")
            .to_string();
        assert!(refusal.contains("as a string"), "{refusal}");
    }

    /// HMRC manual VATREC12030: rounding to the nearest penny, a half upwards.
    #[test]
    fn half_a_penny_rounds_away_from_zero() {
        for (exact, rounded) in [
            ("83.335", "83.34"),
            ("83.334", "83.33"),
            ("-0.005", "-0.01"),
        ] {
            let exact = Decimal::from_str_exact(exact).expect("decimal");
            assert_eq!(
                Money::rounded(exact).expect("in range").to_string(),
                rounded
            );
        }
    }
}
