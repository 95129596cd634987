//! What dated rules share: their value, their list, and their end.

use crate::ground::{answers::Reply, db::ById, list::ListQuery, problem::Problem};
use diesel::{
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    pg::{Pg, PgValue},
    serialize::{self, Output, ToSql},
    sql_types::Numeric,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{boilers::codes::Jurisdiction, days::Day, units::four_places};
use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::{borrow::Cow, str::FromStr};
use utoipa::{
    IntoParams, PartialSchema, ToSchema,
    openapi::{ObjectBuilder, RefOr, Schema, schema::Type},
};

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct RuleFilters {
    /// A country or a part of one (ISO 3166).
    #[param(value_type = Option<String>, max_length = 6, example = "GB")]
    pub jurisdiction: Option<Jurisdiction>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"until": "2026-12-31"}))]
pub struct NewEnd {
    /// The last day on which the rule applies, on or after its first.
    pub until: Day,
}

/// Rows that belong to a jurisdiction. [`by_jurisdiction!`] implements it.
pub(crate) trait ByJurisdiction: ById {
    /// All rows, or those of the jurisdiction in the filter.
    async fn list(list: ListQuery<RuleFilters>) -> Reply;

    /// All rows of a jurisdiction, for core.
    async fn of(
        conn: &mut AsyncPgConnection,
        jurisdiction: &Jurisdiction,
    ) -> Result<Vec<Self>, Problem>;
}

/// Implements [`ByJurisdiction`] for a row of a table: `by_jurisdiction!(Row, tax_rules);`
macro_rules! by_jurisdiction {
    ($row:ty, $table:ident) => {
        impl $crate::firm::dated_rows::ByJurisdiction for $row {
            async fn list(list: ListQuery<RuleFilters>) -> Reply {
                let asked = list.filters.jurisdiction.clone();
                let rows = move |page: &$crate::ground::list::Keyset| {
                    let mut rows = $table::table.select(Self::as_select()).into_boxed();
                    if let Some(asked) = asked.clone() {
                        rows = rows.filter($table::jurisdiction.eq(asked));
                    }
                    $crate::ground::list::of_page!(page, rows, $table::id)
                };
                list.rows(rows, |it: &Self| it.id).await
            }

            async fn of(
                conn: &mut AsyncPgConnection,
                jurisdiction: &Jurisdiction,
            ) -> Result<Vec<Self>, Problem> {
                Ok($table::table
                    .filter($table::jurisdiction.eq(jurisdiction))
                    .select(Self::as_select())
                    .order($table::id)
                    .load(conn)
                    .await?)
            }
        }
    };
}
pub(crate) use by_jurisdiction;

/// A row that is added and ended, never edited. [`dated!`] implements it.
pub(crate) trait Dated: Sized {
    /// The first and the last day. `None`: from the beginning; without end.
    fn days(&self) -> (Option<Day>, Option<Day>);

    /// Sets the last day of the row; call `may_end` first.
    async fn ended(conn: &mut AsyncPgConnection, id: i64, ending: &NewEnd)
    -> Result<Self, Problem>;

    /// Refuses an end before the first day, and a second end.
    fn may_end(&self, ending: &NewEnd) -> Result<(), Problem> {
        let (from, until) = self.days();
        if let Some(from) = from.filter(|from| ending.until < *from) {
            let detail = format!(
                "must be on or after {from}, the first day of the rule",
                from = from.in_words()
            );
            return Err(Problem::invalid("/until", detail));
        }
        if let Some(ended) = until {
            let detail = format!(
                "this rule already ends on {ended}; add a new rule instead of changing it",
                ended = ended.in_words()
            );
            return Err(Problem::conflict(detail));
        }
        Ok(())
    }
}

/// Implements [`Dated`] for a row of a table: `dated!(Row, tax_rules);`
macro_rules! dated {
    ($row:ty, $table:ident) => {
        impl $crate::firm::dated_rows::Dated for $row {
            fn days(&self) -> (Option<Day>, Option<Day>) {
                (self.from, self.until)
            }

            async fn ended(
                conn: &mut AsyncPgConnection,
                id: i64,
                ending: &NewEnd,
            ) -> Result<Self, Problem> {
                Ok(diesel::update($table::table.find(id))
                    .set($table::valid_until.eq(ending.until))
                    .returning(Self::as_returning())
                    .get_result(conn)
                    .await?)
            }
        }
    };
    // With the struct of a new row.
    ($row:ty, $table:ident, $new:ty) => {
        dated!($row, $table);

        impl $row {
            async fn added(conn: &mut AsyncPgConnection, new: &$new) -> Result<Self, Problem> {
                Ok(diesel::insert_into($table::table)
                    .values(new)
                    .returning(Self::as_returning())
                    .get_result(conn)
                    .await?)
            }
        }
    };
}
pub(crate) use dated;

/// The value of a rule: 0 or more, at most 8 digits before the point and 4 after it; on the wire a string, `"1.5"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, AsExpression, FromSqlRow)]
#[diesel(sql_type = Numeric)]
pub struct Figure(pub(crate) Decimal);

impl Figure {
    pub(crate) fn is_above_0(self) -> bool {
        self.0 > Decimal::ZERO
    }

    pub(crate) fn is_a_count(self) -> bool {
        self.0.fract().is_zero() && self.0 <= Decimal::from(1200)
    }
}

impl FromStr for Figure {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Figure, Self::Err> {
        const NOT: &str = "must be a number of 0 or more written like \"1.5\", with at most 8 digits and 4 places";
        let (whole, places) = text.split_once('.').unwrap_or((text, "0"));
        let digits = |part: &str, most: usize| {
            (1..=most).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit())
        };
        if !digits(whole, 8) || !digits(places, 4) {
            return Err(NOT);
        }
        match Decimal::from_str_exact(text) {
            Ok(value) => Ok(Figure(value)),
            Err(_) => Err(NOT),
        }
    }
}

impl Serialize for Figure {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&four_places(self.0))
    }
}

impl<'de> Deserialize<'de> for Figure {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Figure, D::Error> {
        Cow::<str>::deserialize(from)?
            .parse()
            .map_err(de::Error::custom)
    }
}

impl ToSql<Numeric, Pg> for Figure {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        <Decimal as ToSql<Numeric, Pg>>::to_sql(&self.0, &mut out.reborrow())
    }
}

impl FromSql<Numeric, Pg> for Figure {
    fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
        Ok(Figure(FromSql::<Numeric, Pg>::from_sql(bytes)?))
    }
}

impl PartialSchema for Figure {
    fn schema() -> RefOr<Schema> {
        let schema = ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some(r"^[0-9]{1,8}(\.[0-9]{1,4})?$"))
            .max_length(Some(13))
            .examples(["1.5"]);
        RefOr::T(Schema::Object(schema.build()))
    }
}

impl ToSchema for Figure {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("RuleValue")
    }
}
