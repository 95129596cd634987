//! Languages, and the texts that the public can read in several.

use crate::ground::text::{Line, Prose, at_most};
use diesel::{
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    pg::{Pg, PgValue},
    serialize::{self, Output, ToSql},
    sql_types,
};
use language_tags::LanguageTag;
use serde::{Deserialize, Deserializer, Serialize, de};
use serde_json::{Value, json};
use std::{borrow::Cow, fmt};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
};

/// The most languages of a firm.
pub const MOST: usize = 10;

/// A BCP 47 tag whose parts are registered, in canonical form, such as `de-CH`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, AsExpression, FromSqlRow)]
#[diesel(sql_type = sql_types::Text)]
#[serde(transparent)]
pub struct Language(String);

impl Language {
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Language {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Language {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = Cow::<str>::deserialize(from)?;
        let known = |text: &str| {
            let tag = LanguageTag::parse(text).ok()?;
            tag.validate().ok()?;
            tag.canonicalize()
                .ok()
                .filter(|tag| tag.as_str().len() <= 35)
        };
        let tag = known(&text).ok_or_else(|| {
            de::Error::custom(
                "must be a registered BCP 47 language tag, such as \"de\" or \"fr-CH\"",
            )
        })?;
        Ok(Language(tag.into_string()))
    }
}

impl ToSql<sql_types::Text, Pg> for Language {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        <String as ToSql<sql_types::Text, Pg>>::to_sql(&self.0, out)
    }
}

impl FromSql<sql_types::Text, Pg> for Language {
    fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
        FromSql::<sql_types::Text, Pg>::from_sql(bytes).map(Language)
    }
}

impl PartialSchema for Language {
    fn schema() -> RefOr<Schema> {
        let schema = ObjectBuilder::new()
            .schema_type(Type::String)
            .min_length(Some(2))
            .max_length(Some(35))
            .pattern(Some("^[A-Za-z0-9]+(-[A-Za-z0-9]+)*$"))
            .examples(["de"]);
        RefOr::T(Schema::Object(schema.build()))
    }
}

impl ToSchema for Language {}

/// The text about an engine in another language of the firm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"language": "de", "title": "Marrowby, eine 0-6-0 in 5 Zoll",
    "description": "In neun Wintern gebaut und seither zweimal im Jahr unter Dampf."}))]
pub struct Translation {
    pub language: Language,
    pub title: Line,
    pub description: Prose,
}

/// At most one per language.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, AsExpression, FromSqlRow)]
#[diesel(sql_type = sql_types::Jsonb)]
#[serde(transparent)]
pub struct Translations(pub Vec<Translation>);

impl<'de> Deserialize<'de> for Translations {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        at_most::<{ MOST - 1 }, _, _>(from).map(Translations)
    }
}

impl ToSql<sql_types::Jsonb, Pg> for Translations {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        let value = json!(self);
        <Value as ToSql<sql_types::Jsonb, Pg>>::to_sql(&value, &mut out.reborrow())
    }
}

impl FromSql<sql_types::Jsonb, Pg> for Translations {
    fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
        let value = <Value as FromSql<sql_types::Jsonb, Pg>>::from_sql(bytes)?;
        Ok(serde_json::from_value(value)?)
    }
}
