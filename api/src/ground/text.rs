//! Text of limited length, as it is received, stored and described in openapi.json.

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

/// 1 to `MAX` characters after trimming, without control characters (line ends are allowed where `MAX` is above 200).
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
/// The firm's own text, in paragraphs.
pub type Prose = Text<10_000>;
/// A page for a browser.
pub type Html = Text<4_000_000>;

impl<const MAX: usize> FromStr for Text<MAX> {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let of_one_line = MAX <= 200;
        if text.is_empty() || text.chars().count() > MAX {
            return Err(format!("must be 1 to {MAX} characters"));
        }
        if text
            .chars()
            .any(|c| c.is_control() && (of_one_line || !matches!(c, '\n' | '\r' | '\t')))
        {
            return Err("must not contain control characters".to_owned());
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

/// Whether mail can be sent to it.
///
/// Source: HTML Living Standard, "valid e-mail address"; RFC 5321, 4.5.3.1: at most 64 and 254 characters. A dot in the
/// domain: plain reading, as mail from the shop leaves the house.
fn is_email_address(text: &str) -> bool {
    let Some((name, domain)) = text.split_once('@') else {
        return false;
    };
    let in_name = |c: char| c.is_ascii_alphanumeric() || ".!#$%&'*+/=?^_`{|}~-".contains(c);
    let is_label = |label: &str| {
        let inside = |c: char| c.is_ascii_alphanumeric() || c == '-';
        (1..=63).contains(&label.len())
            && label.chars().all(inside)
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    text.len() <= 254
        && (1..=64).contains(&name.len())
        && name.chars().all(in_name)
        && domain.contains('.')
        && domain.split('.').all(is_label)
}

/// Whether it can be dialled.
///
/// Source: ITU-T E.164 (at most 15 digits) and E.123 (how numbers are written); at least 5 digits is plain reading.
fn is_telephone_number(text: &str) -> bool {
    let lower = text.to_ascii_lowercase();
    let (number, extension) = match lower.split_once("ext") {
        Some((number, extension)) => (number, Some(extension.trim_start_matches('.').trim())),
        None => (lower.as_str(), None),
    };
    let is_short = |digits: &str| {
        (1..=6).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit())
    };
    let digits = number.bytes().filter(u8::is_ascii_digit).count();
    let (sign, rest) = match number.strip_prefix('+') {
        Some(rest) => (true, rest),
        None => (false, number),
    };
    let begins_well = |c: char| c.is_ascii_digit() || (c == '(' && !sign);
    (5..=15).contains(&digits)
        && rest.starts_with(begins_well)
        && rest
            .chars()
            .all(|c| c.is_ascii_digit() || " ()-./".contains(c))
        && extension.is_none_or(is_short)
}

fn checked<'de, D: Deserializer<'de>>(
    from: D,
    is_good: fn(&str) -> bool,
    would_be: &str,
) -> Result<Option<Line>, D::Error> {
    let line: Option<Line> = Option::deserialize(from)?;
    match line {
        Some(line) if !is_good(&line) => Err(de::Error::custom(would_be)),
        line => Ok(line),
    }
}

/// For a member with an e-mail address.
pub fn email_address<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Line>, D::Error> {
    let would_be = "must be an e-mail address, written like name@example.org";
    checked(from, is_email_address, would_be)
}

/// For a member with a telephone number.
pub fn telephone_number<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Line>, D::Error> {
    let would_be = "must be a telephone number of 5 to 15 digits, written like 01632 960123 or +44 1632 960123 ext 12";
    checked(from, is_telephone_number, would_be)
}

/// A list of at most `MAX` different items.
pub fn at_most<'de, const MAX: usize, T, D>(from: D) -> Result<Vec<T>, D::Error>
where
    T: Deserialize<'de> + PartialEq,
    D: Deserializer<'de>,
{
    let items = Vec::<T>::deserialize(from)?;
    if items.len() > MAX {
        return Err(de::Error::custom(format!("must have at most {MAX} items")));
    }
    if items
        .iter()
        .enumerate()
        .any(|(i, item)| items[..i].contains(item))
    {
        return Err(de::Error::custom("an item occurs twice; send it once"));
    }
    Ok(items)
}

/// A LIKE pattern that matches texts containing `text` literally.
pub(crate) fn containing(text: &str) -> String {
    format!(
        "%{}%",
        text.replace('\\', "\\\\")
            .replace('%', "\\%")
            .replace('_', "\\_")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// HTML Living Standard and RFC 5321, as above; examples by hand.
    #[test]
    fn an_address_is_one_that_mail_can_be_sent_to() {
        for good in [
            "odo@example.org",
            "odo.fenwright+steam@mail.example.co.uk",
            "o'brien@example.com",
            "1@2.example",
        ] {
            assert!(is_email_address(good), "{good}");
        }
        let long = format!("{}@example.org", "x".repeat(65));
        for bad in [
            "",
            "odo",
            "odo@",
            "@example.org",
            "odo@example",
            "odo@example..org",
            "odo@-example.org",
            "odo@example.org.",
            "odo fenwright@example.org",
            "odo@exam ple.org",
            "odo@example.org, una@example.org",
            "Odo <odo@example.org>",
            "odo@@example.org",
            "odo@ex\u{e4}mple.org",
            &long,
        ] {
            assert!(!is_email_address(bad), "{bad}");
        }
    }

    /// E.164 and E.123, as above; numbers of Ofcom's range for drama.
    #[test]
    fn a_number_is_one_that_can_be_dialled() {
        for good in [
            "01632 960123",
            "+44 1632 960123",
            "(01632) 960-123",
            "01632/960123",
            "0 16 32 96 01",
            "01632 960123 ext 12",
            "01632 960123 ext. 12",
            "60123",
        ] {
            assert!(is_telephone_number(good), "{good}");
        }
        for bad in [
            "",
            "none",
            "6012",
            "odo@example.org",
            "01632 960123 (home)",
            "+(44) 1632 960123",
            "++44 1632 960123",
            "1234567890123456",
            "01632 960123 ext",
            "- 01632 960123",
        ] {
            assert!(!is_telephone_number(bad), "{bad}");
        }
    }
}
