//! Quantities as practitioners write them, with exact factors.
//!
//! Source of the factors: NIST Special Publication 811 (2008), appendix B; imperial gallon: UK Weights and Measures Act
//! 1985.

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de, ser::SerializeStruct};
use std::{borrow::Cow, fmt, str::FromStr};

words! {
    pub enum LengthUnit { In = "in", Mm = "mm", Ft = "ft" }
}
words! {
    pub enum PressureUnit { Psi = "psi", Bar = "bar" }
}
words! {
    pub enum VolumeUnit { L = "L" | "l", PtImp = "pt_imp", GalImp = "gal_imp", GalUs = "gal_us", In3 = "in3" }
}
words! {
    pub enum MassUnit { Lb = "lb", Kg = "kg", CwtUk = "cwt_uk" }
}
words! {
    pub enum ForceUnit { Lbf = "lbf", N = "N" }
}

/// The units of one dimension.
pub trait Unit:
    Copy + fmt::Display + FromStr + Serialize + for<'de> Deserialize<'de> + 'static
{
    /// Name of the quantity, as in openapi.json.
    const QUANTITY: &'static str;
    /// Member name of the base unit, to which every quantity of the dimension is converted.
    const BASE: &'static str;
    /// An example: a value as a practitioner writes it, its unit, and its value in the base unit.
    const EXAMPLE: (&'static str, &'static str, &'static str);

    /// Base units in one of this unit; exact.
    fn factor(self) -> Decimal;
    /// Code of the Unified Code for Units of Measure.
    fn ucum(self) -> &'static str;
    fn all() -> &'static [Self];
}

/// `mantissa` x 10^-`scale`.
const fn exact(mantissa: u64, scale: u32) -> Decimal {
    Decimal::from_parts(
        (mantissa & 0xffff_ffff) as u32,
        (mantissa >> 32) as u32,
        0,
        false,
        scale,
    )
}

impl Unit for LengthUnit {
    const QUANTITY: &'static str = "Length";
    const BASE: &'static str = "mm";
    const EXAMPLE: (&'static str, &'static str, &'static str) = ("7 1/4", "in", "184.15");

    fn factor(self) -> Decimal {
        match self {
            LengthUnit::In => exact(254, 1),
            LengthUnit::Mm => exact(1, 0),
            LengthUnit::Ft => exact(3048, 1),
        }
    }

    fn ucum(self) -> &'static str {
        match self {
            LengthUnit::In => "[in_i]",
            LengthUnit::Mm => "mm",
            LengthUnit::Ft => "[ft_i]",
        }
    }

    fn all() -> &'static [Self] {
        Self::ALL
    }
}

impl Unit for PressureUnit {
    const QUANTITY: &'static str = "Pressure";
    const BASE: &'static str = "bar";
    const EXAMPLE: (&'static str, &'static str, &'static str) = ("90", "psi", "6.2053");

    fn factor(self) -> Decimal {
        match self {
            PressureUnit::Psi => exact(6_894_757_293_168_361, 17),
            PressureUnit::Bar => exact(1, 0),
        }
    }

    fn ucum(self) -> &'static str {
        match self {
            PressureUnit::Psi => "[psi]",
            PressureUnit::Bar => "bar",
        }
    }

    fn all() -> &'static [Self] {
        Self::ALL
    }
}

impl Unit for VolumeUnit {
    const QUANTITY: &'static str = "Volume";
    const BASE: &'static str = "l";
    const EXAMPLE: (&'static str, &'static str, &'static str) = ("8.0", "L", "8");

    fn factor(self) -> Decimal {
        match self {
            VolumeUnit::L => exact(1, 0),
            VolumeUnit::PtImp => exact(56_826_125, 8),
            VolumeUnit::GalImp => exact(454_609, 5),
            VolumeUnit::GalUs => exact(3_785_411_784, 9),
            VolumeUnit::In3 => exact(16_387_064, 9),
        }
    }

    fn ucum(self) -> &'static str {
        match self {
            VolumeUnit::L => "L",
            VolumeUnit::PtImp => "[pt_br]",
            VolumeUnit::GalImp => "[gal_br]",
            VolumeUnit::GalUs => "[gal_us]",
            VolumeUnit::In3 => "[cin_i]",
        }
    }

    fn all() -> &'static [Self] {
        Self::ALL
    }
}

impl Unit for MassUnit {
    const QUANTITY: &'static str = "Mass";
    const BASE: &'static str = "kg";
    const EXAMPLE: (&'static str, &'static str, &'static str) = ("150", "lb", "68.0389");

    fn factor(self) -> Decimal {
        match self {
            MassUnit::Lb => exact(45_359_237, 8),
            MassUnit::Kg => exact(1, 0),
            MassUnit::CwtUk => exact(5_080_234_544, 8),
        }
    }

    fn ucum(self) -> &'static str {
        match self {
            MassUnit::Lb => "[lb_av]",
            MassUnit::Kg => "kg",
            MassUnit::CwtUk => "[lcwt_av]",
        }
    }

    fn all() -> &'static [Self] {
        Self::ALL
    }
}

impl Unit for ForceUnit {
    const QUANTITY: &'static str = "Force";
    const BASE: &'static str = "n";
    const EXAMPLE: (&'static str, &'static str, &'static str) = ("76.5", "lbf", "340.289");

    fn factor(self) -> Decimal {
        match self {
            ForceUnit::Lbf => exact(44_482_216_152_605, 13),
            ForceUnit::N => exact(1, 0),
        }
    }

    fn ucum(self) -> &'static str {
        match self {
            ForceUnit::Lbf => "[lbf_av]",
            ForceUnit::N => "N",
        }
    }

    fn all() -> &'static [Self] {
        Self::ALL
    }
}

/// A number above 0 as on a drawing or a gauge: `90`, `8.0`, `7 1/4`, `3/32`. Kept as entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    text: String,
    value: Decimal,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "must be a number above 0 such as 90, 8.0, 7 1/4 or 3/32 (at most 9 digits and 6 decimal places; halves to 128ths)"
)]
pub struct NotWritten;

impl Written {
    pub const fn value(&self) -> Decimal {
        self.value
    }
}

impl FromStr for Written {
    type Err = NotWritten;

    fn from_str(text: &str) -> Result<Written, NotWritten> {
        let written = Written::nought_or_more(text)?;
        if written.value > Decimal::ZERO {
            Ok(written)
        } else {
            Err(NotWritten)
        }
    }
}

impl Written {
    fn nought_or_more(text: &str) -> Result<Written, NotWritten> {
        let text = text.trim();
        let value = match text.rsplit_once(' ') {
            Some((whole, part)) => digits(whole)? + fraction(part)?,
            None if text.contains('/') => fraction(text)?,
            None => match text.split_once('.') {
                Some((whole, places)) if places.len() <= 6 => {
                    let (_, _) = (digits(whole)?, digits(places)?);
                    text.parse().map_err(|_| NotWritten)?
                }
                Some(_) => return Err(NotWritten),
                None => digits(text)?,
            },
        };
        Ok(Written {
            text: text.to_owned(),
            value,
        })
    }
}

fn digits(text: &str) -> Result<Decimal, NotWritten> {
    if text.is_empty() || text.len() > 9 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(NotWritten);
    }
    text.parse().map_err(|_| NotWritten)
}

/// A fraction below one in halves to 128ths, so that the decimal form is exact.
fn fraction(text: &str) -> Result<Decimal, NotWritten> {
    let (above, below) = text.split_once('/').ok_or(NotWritten)?;
    let (above, below) = (digits(above)?, digits(below)?);
    let binary = [2, 4, 8, 16, 32, 64, 128]
        .map(Decimal::from)
        .contains(&below);
    if binary && above < below {
        Ok(above / below)
    } else {
        Err(NotWritten)
    }
}

impl<'de> Deserialize<'de> for Written {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Written, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

/// A quantity above 0: the number as entered, its unit and, in responses, the figure in the base unit. Only a member
/// read with [`nought_or_more`] may be 0.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(
    feature = "wire",
    derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow)
)]
#[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
pub struct Quantity<U: Unit> {
    value: Written,
    unit: U,
}

pub type Length = Quantity<LengthUnit>;
pub type Pressure = Quantity<PressureUnit>;
pub type Volume = Quantity<VolumeUnit>;
pub type Mass = Quantity<MassUnit>;
pub type Force = Quantity<ForceUnit>;

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("must be a quantity such as `7 1/4 in`")]
pub struct NotAQuantity;

impl<U: Unit> Quantity<U> {
    pub const fn new(value: Written, unit: U) -> Quantity<U> {
        Quantity { value, unit }
    }

    pub const fn unit(&self) -> U {
        self.unit
    }

    /// The number as entered, in the unit as entered.
    pub const fn written(&self) -> Decimal {
        self.value.value
    }

    fn within_reason<E: de::Error>(self) -> Result<Quantity<U>, E> {
        if self.base() > MOST {
            return Err(E::custom(format!("must be at most {} {}", MOST, U::BASE)));
        }
        Ok(self)
    }

    /// The quantity in the base unit: mm, bar, litre, kg or newton.
    pub fn base(&self) -> Decimal {
        self.value.value * self.unit.factor()
    }

    /// The quantity in another unit.
    pub fn in_unit(&self, unit: U) -> Decimal {
        self.base() / unit.factor()
    }
}

impl<U: Unit> fmt::Display for Quantity<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value.text, self.unit)
    }
}

impl<U: Unit> Quantity<U> {
    /// Reads a stored quantity, which may be 0: that was checked when it was entered.
    fn kept(text: &str) -> Result<Self, NotAQuantity> {
        let (value, unit) = text.trim().rsplit_once(' ').ok_or(NotAQuantity)?;
        Ok(Quantity {
            value: Written::nought_or_more(value).map_err(|_| NotAQuantity)?,
            unit: unit.parse().map_err(|_| NotAQuantity)?,
        })
    }

    fn is_nought(&self) -> bool {
        self.value.value.is_zero()
    }
}

impl<U: Unit> FromStr for Quantity<U> {
    type Err = NotAQuantity;

    fn from_str(text: &str) -> Result<Self, NotAQuantity> {
        let quantity = Quantity::kept(text)?;
        if quantity.is_nought() {
            Err(NotAQuantity)
        } else {
            Ok(quantity)
        }
    }
}

/// The largest quantity, in the base unit: ten kilometres, ten thousand tonnes. What is derived from it still fits its
/// column.
const MOST: Decimal = exact(10_000_000, 0);

impl<'de, U: Unit> Deserialize<'de> for Quantity<U> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Quantity<U>, D::Error> {
        /// A struct, so that an error names the wrong member.
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields, bound = "U: Unit")]
        struct Sent<U: Unit> {
            value: AboveNought,
            unit: U,
        }
        struct AboveNought(Written);

        impl<'de> Deserialize<'de> for AboveNought {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<AboveNought, D::Error> {
                let text = Cow::<str>::deserialize(from)?;
                text.parse().map(AboveNought).map_err(de::Error::custom)
            }
        }

        let Sent { value, unit } = Sent::deserialize(from)?;
        Quantity::new(value.0, unit).within_reason()
    }
}

/// Reads a quantity that may be 0, such as the play of a rigid axle.
pub fn nought_or_more<'de, U: Unit, D: Deserializer<'de>>(
    from: D,
) -> Result<Option<Quantity<U>>, D::Error> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields, bound = "U: Unit")]
    struct Sent<U: Unit> {
        value: NoughtOrMore,
        unit: U,
    }
    struct NoughtOrMore(Written);

    impl<'de> Deserialize<'de> for NoughtOrMore {
        fn deserialize<D: Deserializer<'de>>(from: D) -> Result<NoughtOrMore, D::Error> {
            let text = Cow::<str>::deserialize(from)?;
            let written = Written::nought_or_more(&text).map(NoughtOrMore);
            written.map_err(de::Error::custom)
        }
    }

    let sent: Option<Sent<U>> = Option::deserialize(from)?;
    let quantity = sent.map(|sent| Quantity::new(sent.value.0, sent.unit).within_reason());
    quantity.transpose()
}

impl<U: Unit> Serialize for Quantity<U> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut object = to.serialize_struct(U::QUANTITY, 3)?;
        object.serialize_field("value", &self.value.text)?;
        object.serialize_field("unit", &self.unit)?;
        object.serialize_field(U::BASE, &four_places(self.base()))?;
        object.end()
    }
}

/// A derived figure as text: at most four places, halves rounded up, no trailing zeros.
pub fn four_places(figure: Decimal) -> String {
    figure
        .round_dp_with_strategy(4, RoundingStrategy::MidpointAwayFromZero)
        .normalize()
        .to_string()
}

#[cfg(feature = "wire")]
mod wire {
    use super::{Quantity, Unit};
    use diesel::{
        deserialize::{self, FromSql},
        pg::{Pg, PgValue},
        serialize::{self, IsNull, Output, ToSql},
        sql_types::Text,
    };
    use std::{borrow::Cow, io::Write};
    use utoipa::{
        PartialSchema, ToSchema,
        openapi::{
            ObjectBuilder, RefOr, Schema,
            schema::{AdditionalProperties, Type},
        },
    };

    impl<U: Unit + std::fmt::Debug> ToSql<Text, Pg> for Quantity<U> {
        fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
            write!(out, "{self}")?;
            Ok(IsNull::No)
        }
    }

    impl<U: Unit> FromSql<Text, Pg> for Quantity<U> {
        fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
            Ok(Quantity::kept(std::str::from_utf8(bytes.as_bytes())?)?)
        }
    }

    impl<U: Unit> PartialSchema for Quantity<U> {
        fn schema() -> RefOr<Schema> {
            let (value, unit, base) = U::EXAMPLE;
            let text = || {
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .max_length(Some(32))
            };
            RefOr::T(Schema::Object(
                ObjectBuilder::new()
                    .schema_type(Type::Object)
                    .property(
                        "value",
                        text()
                            .min_length(Some(1))
                            .description(Some("As entered: `90`, `8.0`, `7 1/4`, `3/32`")),
                    )
                    .property(
                        "unit",
                        text().enum_values(Some(U::all().iter().map(ToString::to_string))),
                    )
                    .property(
                        U::BASE,
                        text()
                            .read_only(true)
                            .description(Some("Converted; at most four decimal places")),
                    )
                    .required("value")
                    .required("unit")
                    .additional_properties(Some(AdditionalProperties::FreeForm(false)))
                    .examples([serde_json::json!({"value": value, "unit": unit, U::BASE: base})])
                    .build(),
            ))
        }
    }

    impl<U: Unit> ToSchema for Quantity<U> {
        fn name() -> Cow<'static, str> {
            Cow::Borrowed(U::QUANTITY)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn base<U: Unit>(text: &str) -> String {
        four_places(text.parse::<Quantity<U>>().expect("a quantity").base())
    }

    /// NIST SP 811: psi 6894.757293168361 Pa; inch 25.4 mm; cubic inch, gallons, pound and pound-force as printed
    /// there.
    #[test]
    fn factors_are_those_of_the_published_table() {
        assert_eq!(base::<PressureUnit>("120 psi"), "8.2737");
        assert_eq!(base::<LengthUnit>("7 1/4 in"), "184.15");
        assert_eq!(base::<LengthUnit>("17/32 in"), "13.4938");
        assert_eq!(base::<VolumeUnit>("1 gal_imp"), "4.5461");
        assert_eq!(base::<VolumeUnit>("1 gal_us"), "3.7854");
        assert_eq!(base::<VolumeUnit>("61.023744 in3"), "1");
        assert_eq!(base::<MassUnit>("1 cwt_uk"), "50.8023");
        assert_eq!(base::<ForceUnit>("25455 lbf"), "113229.4812");
    }

    #[test]
    fn a_quantity_is_kept_as_it_was_written() {
        for text in ["7 1/4 in", "90 psi", "8.0 L", "3/32 in"] {
            assert!(
                [
                    text.parse::<Length>().map(|q| q.to_string()),
                    text.parse::<Pressure>().map(|q| q.to_string()),
                    text.parse::<Volume>().map(|q| q.to_string())
                ]
                .contains(&Ok(text.to_owned())),
                "{text}"
            );
        }
    }

    /// A litre may be written l or L (BIPM, SI Brochure, 9th edition, table 8, note). Both are read and only one is
    /// returned, as generated clients cannot tell enum values that differ only in case.
    #[test]
    fn a_litre_has_two_letters() {
        let small: Volume = serde_json::from_str(r#"{"value": "2.5", "unit": "l"}"#).expect("read");
        assert_eq!(
            serde_json::to_string(&small).expect("JSON"),
            r#"{"value":"2.5","unit":"L","l":"2.5"}"#
        );
        assert_eq!(
            small.base(),
            "2.5 L".parse::<Volume>().expect("a volume").base()
        );
    }

    #[test]
    fn nought_is_a_quantity_where_it_may_be_and_nothing_is_beyond_reason() {
        #[derive(Deserialize)]
        struct Play {
            #[serde(default, deserialize_with = "nought_or_more")]
            play: Option<Length>,
        }
        let play = |value: &str| {
            let text = format!(r#"{{"play": {{"value": "{value}", "unit": "in"}}}}"#);
            serde_json::from_str::<Play>(&text).map(|it| it.play.map(|it| it.to_string()))
        };
        assert_eq!(play("0").expect("nought"), Some("0 in".to_owned()));
        assert_eq!(play("0.060").expect("more"), Some("0.060 in".to_owned()));
        assert!(play("-1").is_err());
        assert!(matches!(
            serde_json::from_str::<Play>("{}"),
            Ok(Play { play: None })
        ));
        let length = |value: &str| {
            let text = format!(r#"{{"value": "{value}", "unit": "mm"}}"#);
            serde_json::from_str::<Length>(&text)
        };
        assert!(length("0").is_err());
        assert!(length("10000000").is_ok());
        let more = length("10000000.1").expect_err("too much").to_string();
        assert!(more.starts_with("must be at most 10000000 mm"), "{more}");
    }

    #[test]
    fn what_is_no_quantity_is_refused() {
        for bad in [
            "-5 in",
            "0 in",
            "5",
            "in",
            "5 psi",
            "7 1/3 in",
            "7 5/4 in",
            "1e3 in",
            "7 1/ in",
            "1.2345678 in",
            "1/0 in",
            ". in",
            "9999999999 mm",
        ] {
            assert_eq!(bad.parse::<Length>(), Err(NotAQuantity), "{bad}");
        }
    }
}
