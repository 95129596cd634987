//! Sheets to print. Each shows the data that the same address returns as JSON, through a template in `sheets/`.

use crate::{
    firm::firm::{self, Firm},
    ground::{
        answers::{self, Reply, accepts},
        clock::Instant,
        problem::Problem,
    },
};
use actix_web::{
    HttpRequest, HttpResponse,
    http::header::{self, HeaderValue},
};
use diesel_async::AsyncPgConnection;
use jiff::{Timestamp, civil::Date, tz::TimeZone};
use minijinja::{
    AutoEscape, Environment, Error, ErrorKind, UndefinedBehavior, Value, context,
    syntax::SyntaxConfig, value::Serde,
};
use outshop_core::{boilers::events::TestKind, trade::PaperSize};
use serde::Serialize;
use std::sync::LazyLock;

/// The sheets that the service prints.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sheet {
    Description,
    WorkRecord,
    BoilerRecord,
    EngineNotes,
    Invoice,
    CreditNote,
    Receipt,
    Commission,
    InspectorDay,
    Survey,
    Week,
}

impl Sheet {
    const fn template(self) -> &'static str {
        match self {
            Sheet::Description => "description.html",
            Sheet::WorkRecord => "work_record.html",
            Sheet::BoilerRecord => "boiler_record.html",
            Sheet::EngineNotes => "engine_notes.html",
            Sheet::Invoice => "invoice.html",
            Sheet::CreditNote => "credit_note.html",
            Sheet::Receipt => "receipt.html",
            Sheet::Commission => "commission.html",
            Sheet::InspectorDay => "inspector_day.html",
            Sheet::Survey => "survey.html",
            Sheet::Week => "week.html",
        }
    }
}

/// Name and text of each template.
macro_rules! templates {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("sheets/", $name)))),+]
    };
}

static TEMPLATES: LazyLock<Environment<'static>> = LazyLock::new(|| {
    let mut templates = Environment::new();
    templates.set_undefined_behavior(UndefinedBehavior::Strict);
    templates.set_auto_escape_callback(|_| AutoEscape::Html);
    let syntax = SyntaxConfig::builder()
        .trim_blocks(true)
        .lstrip_blocks(true)
        .build();
    templates.set_syntax(syntax.expect("the default delimiters are valid"));
    templates.add_filter("money", money);
    templates.add_filter("day", day);
    templates.add_filter("measure", measure);
    templates.add_filter("moment", moment);
    templates.add_filter("plain", plain);
    templates.add_filter("test_name", test_name);
    for (name, text) in templates![
        "layout.html",
        "shared.html",
        "description.html",
        "work_record.html",
        "boiler_record.html",
        "engine_notes.html",
        "invoice.html",
        "credit_note.html",
        "receipt.html",
        "commission.html",
        "inspector_day.html",
        "survey.html",
        "week.html",
    ] {
        templates
            .add_template(name, text)
            .expect("each template is compiled in and tested");
    }
    templates
});

const STYLE: &str = include_str!("sheets/sheet.css");

/// Allows only the sheet itself: no script, no other address.
pub(crate) const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The data as JSON, or as a sheet to print if the request asks for `text/html`.
pub(crate) async fn respond(
    req: &HttpRequest,
    conn: &mut AsyncPgConnection,
    sheet: Sheet,
    data: &impl Serialize,
    now: Instant,
) -> Reply {
    if !accepts(req, "text/html") {
        return answers::respond(req, data);
    }
    let firm = firm::find(conn).await?;
    let html = render(sheet, data, &firm, now)?;
    Ok(guarded(answers::respond_as(
        req,
        html.into_bytes(),
        "text/html; charset=utf-8",
        "no-store",
    )))
}

pub(crate) fn guarded(mut answer: HttpResponse) -> HttpResponse {
    let headers = answer.headers_mut();
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static(POLICY),
    );
    answer
}

/// The sheet as HTML, for the firm's paper size.
pub(crate) fn render(
    sheet: Sheet,
    data: &impl Serialize,
    firm: &Firm,
    now: Instant,
) -> Result<String, Problem> {
    let template = TEMPLATES
        .get_template(sheet.template())
        .map_err(Problem::internal)?;
    let size = match firm.paper_size {
        PaperSize::A4 => "A4",
        PaperSize::Letter => "letter",
    };
    let printed = by_the_clock(now.0, &firm.time_zone).map_err(Problem::internal)?;
    template
        .render(context! {
            it => Value::from(Serde(data)),
            firm => Value::from(Serde(firm)),
            size,
            style => STYLE,
            printed,
        })
        .map_err(Problem::internal)
}

// Filters

/// `7600.00` as £7,600.00; a currency without a sign of its own shows its code.
fn money(amount: &Value, currency: &str) -> Result<String, Error> {
    let text = amount.as_str().ok_or_else(|| unfit("an amount", amount))?;
    let (sign, amount) = text
        .strip_prefix('-')
        .map_or(("", text), |rest| ("−", rest));
    let (whole, pence) = amount.split_once('.').unwrap_or((amount, "00"));
    let mut grouped = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i) % 3 == 0 {
            grouped.push(',');
        }
        grouped.push(digit);
    }
    let before = match currency {
        "GBP" => "£".to_owned(),
        "EUR" => "€".to_owned(),
        "USD" => "$".to_owned(),
        code => format!("{code} "),
    };
    Ok(format!("{sign}{before}{grouped}.{pence}"))
}

/// `2026-05-14` as 14 May 2026.
fn day(on: &Value) -> Result<String, Error> {
    let date: Option<Date> = on.as_str().and_then(|text| text.parse().ok());
    let date = date.ok_or_else(|| unfit("a day", on))?;
    Ok(date.strftime("%-d %B %Y").to_string())
}

/// An instant in the firm's time zone: 14 May 2026, 17:30.
fn moment(at: &Value, time_zone: &str) -> Result<String, Error> {
    let instant: Option<Timestamp> = at.as_str().and_then(|text| text.parse().ok());
    let instant = instant.ok_or_else(|| unfit("an instant", at))?;
    by_the_clock(instant, time_zone)
        .map_err(|reason| Error::new(ErrorKind::InvalidOperation, reason.to_string()))
}

fn by_the_clock(instant: Timestamp, time_zone: &str) -> Result<String, jiff::Error> {
    let there = instant.to_zoned_datetime(TimeZone::get(time_zone)?);
    Ok(there.strftime("%-d %B %Y, %H:%M").to_string())
}

/// A length, weight, pressure or volume as it was entered: 1 1/2 in.
fn measure(quantity: &Value) -> Result<String, Error> {
    let (value, unit) = (quantity.get_attr("value")?, quantity.get_attr("unit")?);
    Ok(format!("{value} {unit}"))
}

/// The kind of a test: `hydraulic_first` as Initial hydraulic test.
fn test_name(word: &Value) -> Result<String, Error> {
    let kind: Option<TestKind> = word.as_str().and_then(|word| word.parse().ok());
    let name = kind
        .ok_or_else(|| unfit("a kind of test", word))?
        .in_words();
    let (first, rest) = name.split_at(1);
    Ok(first.to_uppercase() + rest)
}

/// An enum value in plain English: `in_running_order` as in running order.
fn plain(word: &Value) -> Result<String, Error> {
    let word = word.as_str().ok_or_else(|| unfit("a word", word))?;
    Ok(word.replace('_', " "))
}

fn unfit(wanted: &str, found: &Value) -> Error {
    Error::new(
        ErrorKind::InvalidOperation,
        format!("{found:?} is not {wanted}"),
    )
}
