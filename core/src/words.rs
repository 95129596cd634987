//! Enums written as words: one definition for code, JSON, database and openapi.json.

/// A value that is not in the list; `allowed` lists the values, for the error message.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{given}` is not one of {allowed}")]
pub struct UnknownWord {
    pub given: String,
    pub allowed: String,
}

/// What the values mean, as a list in CommonMark: those whose comments say more than their names.
#[cfg(feature = "wire")]
pub(crate) fn explained(values: &[(&str, &[&str])]) -> Option<String> {
    let said = values.iter().filter(|(_, comment)| !comment.is_empty());
    let lines = said.map(|(word, comment)| {
        let comment: Vec<&str> = comment.iter().map(|line| line.trim()).collect();
        format!("- `{word}`: {}", comment.join(" "))
    });
    let lines: Vec<String> = lines.collect();
    (!lines.is_empty()).then(|| lines.join("\n"))
}

/// Declares an enum whose variants are written as the given words everywhere. A spelling after a bar is also read. The
/// comments of the variants explain the values in openapi.json.
macro_rules! words {
    ($(#[$meta:meta])* $vis:vis enum $name:ident { $($(#[doc = $doc:literal])* $variant:ident = $word:literal $(| $spelling:literal)*),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "wire", derive(diesel::expression::AsExpression, diesel::deserialize::FromSqlRow))]
        #[cfg_attr(feature = "wire", diesel(sql_type = diesel::sql_types::Text))]
        $vis enum $name { $($(#[doc = $doc])* $variant),+ }

        impl $name {
            /// All values, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];

            pub const fn as_str(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::words::UnknownWord;

            fn from_str(given: &str) -> Result<Self, Self::Err> {
                match given {
                    $($word $(| $spelling)* => Ok(Self::$variant),)+
                    _ => Err($crate::words::UnknownWord {
                        given: given.chars().take(60).collect(),
                        allowed: [$($word),+].join(", "),
                    }),
                }
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.serialize_str(self.as_str())
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                let given = <std::borrow::Cow<'_, str> as serde::Deserialize>::deserialize(from)?;
                given.parse().map_err(serde::de::Error::custom)
            }
        }

        #[cfg(feature = "wire")]
        $crate::words::wire_text!($name, utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .enum_values(Some([$($word),+]))
            .description($crate::words::explained(&[$(($word, &[$($doc),*])),+]))
            .examples([$name::ALL[0].as_str()])
            .build());
    };
}

/// Database text form and schema of a type that has `Display` and `FromStr`.
#[cfg(feature = "wire")]
macro_rules! wire_text {
    ($name:ident, $schema:expr) => {
        impl diesel::serialize::ToSql<diesel::sql_types::Text, diesel::pg::Pg> for $name {
            fn to_sql<'b>(
                &'b self,
                out: &mut diesel::serialize::Output<'b, '_, diesel::pg::Pg>,
            ) -> diesel::serialize::Result {
                use std::io::Write;
                write!(out, "{self}")?;
                Ok(diesel::serialize::IsNull::No)
            }
        }

        impl diesel::deserialize::FromSql<diesel::sql_types::Text, diesel::pg::Pg> for $name {
            fn from_sql(bytes: diesel::pg::PgValue<'_>) -> diesel::deserialize::Result<Self> {
                Ok(std::str::from_utf8(bytes.as_bytes())?.parse()?)
            }
        }

        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::RefOr::T(utoipa::openapi::schema::Schema::Object($schema))
            }
        }

        impl utoipa::ToSchema for $name {}
    };
}
#[cfg(feature = "wire")]
pub(crate) use wire_text;
