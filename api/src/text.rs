//! Text with a bound, as it comes in, lies in the database and stands in openapi.json.

use diesel::{
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    pg::{Pg, PgValue},
    serialize::{self, IsNull, Output, ToSql},
    sql_types,
};
use serde::{Deserialize, Deserializer, Serialize, de};
use std::{borrow::Cow, fmt, io::Write, ops::Deref, str::FromStr};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
};

/// 1 to `MAX` characters after trimming, without control characters (line ends are kept where `MAX` is above 200).
#[derive(
    Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, AsExpression, FromSqlRow,
)]
#[diesel(sql_type = sql_types::Text)]
#[serde(transparent)]
pub struct Text<const MAX: usize>(String);

/// A name, a title, a place: one line of at most 200 characters.
pub type Line = Text<200>;
/// A number or code as somebody else wrote it.
pub type Code = Text<60>;
/// Words of the firm in paragraphs.
pub type Prose = Text<10_000>;
/// A page for a browser.
pub type Html = Text<4_000_000>;

impl<const MAX: usize> FromStr for Text<MAX> {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let of_one_line = MAX <= 200;
        if text.is_empty() || text.chars().count() > MAX {
            return Err(format!("not 1 to {MAX} characters"));
        }
        if text
            .chars()
            .any(|c| c.is_control() && (of_one_line || !matches!(c, '\n' | '\r' | '\t')))
        {
            return Err("has a control character".to_owned());
        }
        Ok(Text(text.to_owned()))
    }
}

impl<'de, const MAX: usize> Deserialize<'de> for Text<MAX> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

impl<const MAX: usize> Deref for Text<MAX> {
    type Target = str;

    fn deref(&self) -> &str {
        &self.0
    }
}

impl<const MAX: usize> fmt::Display for Text<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<const MAX: usize> ToSql<sql_types::Text, Pg> for Text<MAX> {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        out.write_all(self.0.as_bytes())?;
        Ok(IsNull::No)
    }
}

impl<const MAX: usize> FromSql<sql_types::Text, Pg> for Text<MAX> {
    fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
        Ok(Text(std::str::from_utf8(bytes.as_bytes())?.to_owned()))
    }
}

impl<const MAX: usize> PartialSchema for Text<MAX> {
    fn schema() -> RefOr<Schema> {
        let schema = ObjectBuilder::new()
            .schema_type(Type::String)
            .min_length(Some(1))
            .max_length(Some(MAX));
        RefOr::T(Schema::Object(schema.build()))
    }
}

impl<const MAX: usize> ToSchema for Text<MAX> {
    fn name() -> Cow<'static, str> {
        match MAX {
            60 => Cow::Borrowed("Code"),
            200 => Cow::Borrowed("Line"),
            10_000 => Cow::Borrowed("Prose"),
            4_000_000 => Cow::Borrowed("Html"),
            _ => Cow::Owned(format!("Text{MAX}")),
        }
    }
}

/// For a member of a merge patch: absent is `None`, a value (or `null`, where `T` is an option) is `Some`.
pub fn present<'de, T: Deserialize<'de>, D: Deserializer<'de>>(
    from: D,
) -> Result<Option<T>, D::Error> {
    T::deserialize(from).map(Some)
}

/// A list of at most `MAX` different items.
pub fn at_most<'de, const MAX: usize, T, D>(from: D) -> Result<Vec<T>, D::Error>
where
    T: Deserialize<'de> + PartialEq,
    D: Deserializer<'de>,
{
    let items = Vec::<T>::deserialize(from)?;
    if items.len() > MAX {
        return Err(de::Error::custom(format!("more than {MAX} items")));
    }
    if items
        .iter()
        .enumerate()
        .any(|(i, item)| items[..i].contains(item))
    {
        return Err(de::Error::custom("an item stands twice"));
    }
    Ok(items)
}

/// `present` and `at_most` together.
pub fn present_at_most<'de, const MAX: usize, T, D>(from: D) -> Result<Option<Vec<T>>, D::Error>
where
    T: Deserialize<'de> + PartialEq,
    D: Deserializer<'de>,
{
    at_most::<MAX, T, D>(from).map(Some)
}
