//! The steps of demo-data: requests in order, through the public interface, written as short acts.
//!
//! demo-data/README.md says how to write them.

use crate::demo::Keys;
use outshop_core::{days::Day, trade::Role};
use reqwest::{Client, Method, RequestBuilder, header};
use rust_embed::Embed;
use serde::{Deserialize, de::DeserializeOwned};
use serde_json::{Map, Value, json};
use std::borrow::Cow;

/// The folder demo-data.
#[derive(Embed)]
#[folder = "../demo-data"]
#[include = "*.json"]
#[include = "*.csv"]
#[include = "pictures/*.png"]
struct DemoData;

const ACTS: &str = "acts.json";

/// The most blanks in one text; a name that fills one may have blanks itself.
const MOST_BLANKS: usize = 20;

/// A request as a step has it, before names and days are filled in.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Request {
    r#as: Role,
    post: Option<String>,
    patch: Option<String>,
    body: Option<Value>,
    /// A file of demo-data, a CSV or a PNG, to send as the body.
    file: Option<String>,
    /// Names for parts of the response: `{"marrowby": "/stock_no"}`; `"/findings/0/id?"` if it may be missing.
    #[serde(default)]
    keep: Map<String, Value>,
}

/// A named list of requests with blanks to fill in.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Act {
    #[serde(default)]
    unless_told: Map<String, Value>,
    steps: Vec<Request>,
}

/// A request, the values from its line, and the place of that line.
struct Step {
    request: Request,
    values: Map<String, Value>,
    line: String,
}

/// Sends all steps in order. The days of the steps are relative to `today`; `progress` gets the number of steps done
/// and of all steps. The firm must be empty.
pub async fn load(
    url: &str,
    keys: &Keys,
    today: Day,
    mut progress: impl FnMut(usize, usize),
) -> Result<(), String> {
    let steps = steps()?;
    let mut loader = Loader {
        client: Client::new(),
        url,
        keys,
        today,
        kept: Map::new(),
    };
    for (n, step) in steps.iter().enumerate() {
        loader
            .send(n, step)
            .await
            .map_err(|e| format!("demo-data/{}: {e}", step.line))?;
        progress(n + 1, steps.len());
    }
    Ok(())
}

fn steps() -> Result<Vec<Step>, String> {
    let acts: Map<String, Value> = json_of(ACTS)?;
    let mut steps = Vec::new();
    // Their numbers give the order of loading.
    for file in DemoData::iter().filter(|file| file.starts_with(|it: char| it.is_ascii_digit())) {
        let lines: Vec<Map<String, Value>> = json_of(&file)?;
        for (n, line) in lines.into_iter().enumerate() {
            let place = format!("{file}, step {}", n + 1);
            let read = read_line(line, &acts, &place);
            steps.extend(read.map_err(|e| format!("demo-data/{place}: {e}"))?);
        }
    }
    Ok(steps)
}

fn bytes_of(file: &str) -> Result<Cow<'static, [u8]>, String> {
    let found = DemoData::get(file).ok_or_else(|| format!("there is no file {file}"))?;
    Ok(found.data)
}

fn json_of<T: DeserializeOwned>(file: &str) -> Result<T, String> {
    serde_json::from_slice(&bytes_of(file)?).map_err(|e| format!("demo-data/{file}: {e}"))
}

fn read_line(
    mut line: Map<String, Value>,
    acts: &Map<String, Value>,
    place: &str,
) -> Result<Vec<Step>, String> {
    let Some(name) = line.remove("do") else {
        let request = serde_json::from_value(Value::Object(line)).map_err(|e| e.to_string())?;
        return Ok(vec![Step {
            request,
            values: Map::new(),
            line: place.to_owned(),
        }]);
    };
    let act = name
        .as_str()
        .and_then(|name| acts.get(name))
        .ok_or_else(|| format!("acts.json has no act {name}"))?;
    let act: Act = serde_json::from_value(act.clone()).map_err(|e| format!("act {name}: {e}"))?;
    let mut values = act.unless_told;
    values.extend(line);
    let step = |request| Step {
        request,
        values: values.clone(),
        line: format!("{place} ({name})"),
    };
    Ok(act.steps.into_iter().map(step).collect())
}

struct Loader<'a> {
    client: Client,
    url: &'a str,
    keys: &'a Keys,
    today: Day,
    kept: Map<String, Value>,
}

impl Loader<'_> {
    async fn send(&mut self, n: usize, step: &Step) -> Result<(), String> {
        let names = Names {
            values: &step.values,
            kept: &self.kept,
            today: self.today,
        };
        let request = &step.request;
        let ask = match (&request.post, &request.patch) {
            (Some(path), None) => self
                .ask(Method::POST, &names.text(path)?, request.r#as)?
                .header("idempotency-key", format!("demo-step-{n}")),
            (None, Some(path)) => self.change(&names.text(path)?, request.r#as).await?,
            (Some(_), Some(_)) | (None, None) => {
                return Err("a step must have either post or patch".to_owned());
            }
        };
        let ask = match (&request.body, request.file.as_deref()) {
            (Some(body), None) => {
                let media_type = if request.patch.is_some() {
                    "application/merge-patch+json"
                } else {
                    "application/json"
                };
                let body = names.fill(body)?.unwrap_or(json!({}));
                ask.header(header::CONTENT_TYPE, media_type)
                    .body(body.to_string())
            }
            (None, Some(file)) => {
                let file = names.text(file)?;
                let bytes = bytes_of(&file)?;
                if file.ends_with(".csv") {
                    ask.header(header::CONTENT_TYPE, "text/csv")
                        .body(names.table(&bytes)?)
                } else {
                    ask.header(header::CONTENT_TYPE, "image/png")
                        .body(bytes.into_owned())
                }
            }
            (Some(_), Some(_)) | (None, None) => {
                return Err("a step must have either body or file".to_owned());
            }
        };
        let answer = answered(ask).await?;
        let mut kept = Map::new();
        for (name, pointer) in &request.keep {
            let written = pointer.as_str().unwrap_or_default();
            let pointer = written.strip_suffix('?').unwrap_or(written);
            match answer.pointer(pointer) {
                Some(value) => drop(kept.insert(names.text(name)?, value.clone())),
                None if pointer == written => {
                    return Err(format!("the response has nothing at `{pointer}`: {answer}"));
                }
                None => {}
            }
        }
        self.kept.extend(kept);
        Ok(())
    }

    /// Reads the record first, as a change needs its ETag.
    async fn change(&self, path: &str, role: Role) -> Result<RequestBuilder, String> {
        let read = self.ask(Method::GET, path, role)?.send().await;
        let read = read.map_err(|e| e.to_string())?;
        let etag = read
            .headers()
            .get(header::ETAG)
            .cloned()
            .ok_or_else(|| format!("{path} answers {} without an ETag", read.status()))?;
        Ok(self
            .ask(Method::PATCH, path, role)?
            .header(header::IF_MATCH, etag))
    }

    fn ask(&self, method: Method, path: &str, role: Role) -> Result<RequestBuilder, String> {
        let key = self.keys.of(role)?;
        Ok(self
            .client
            .request(method, format!("{}{path}", self.url))
            .bearer_auth(key))
    }
}

async fn answered(ask: RequestBuilder) -> Result<Value, String> {
    let answer = ask.send().await.map_err(|e| e.to_string())?;
    let status = answer.status();
    let text = answer.text().await.map_err(|e| e.to_string())?;
    if !status.is_success() {
        return Err(format!("refused with {status}: {text}"));
    }
    serde_json::from_str(&text).map_err(|e| format!("{status}, not JSON: {e}"))
}

// Blanks

/// The values that fill blanks: those of the line, then those kept from earlier responses.
#[derive(Clone, Copy)]
struct Names<'a> {
    values: &'a Map<String, Value>,
    kept: &'a Map<String, Value>,
    today: Day,
}

impl Names<'_> {
    /// `value` with its blanks filled. `None`: it is a blank that may stay empty and does.
    fn fill(&self, value: &Value) -> Result<Option<Value>, String> {
        match value {
            Value::String(text) => self.fill_text(text),
            Value::Array(items) => {
                let filled: Result<Vec<_>, _> = items.iter().map(|item| self.fill(item)).collect();
                Ok(Some(Value::Array(filled?.into_iter().flatten().collect())))
            }
            Value::Object(members) => {
                let mut filled = Map::new();
                for (name, member) in members {
                    if let Some(member) = self.fill(member)? {
                        filled.insert(name.clone(), member);
                    }
                }
                Ok(Some(Value::Object(filled)))
            }
            Value::Null | Value::Bool(_) | Value::Number(_) => Ok(Some(value.clone())),
        }
    }

    fn fill_text(&self, text: &str) -> Result<Option<Value>, String> {
        if let Some(span) = text.strip_prefix('@') {
            return Ok(Some(json!(day(span, self.today)?)));
        }
        if let Some(quantity) = text.strip_prefix('=') {
            let (value, unit) = quantity
                .rsplit_once(' ')
                .ok_or_else(|| format!("`{text}` must be a quantity with its unit"))?;
            return Ok(Some(json!({"value": value, "unit": unit})));
        }
        let whole = text
            .strip_prefix('{')
            .and_then(|rest| rest.strip_suffix('}'))
            .filter(|name| !name.contains('}') || name.find('{') < name.find('}'));
        let Some(name) = whole else {
            return self.text(text).map(|text| Some(json!(text)));
        };
        let name = self.text(name)?;
        match name.strip_suffix('?') {
            Some(name) => self.named(name),
            None => self
                .named(&name)?
                .map(Some)
                .ok_or_else(|| format!("there is no value named `{name}`")),
        }
    }

    /// A value of the line may itself have blanks for kept values.
    fn named(&self, name: &str) -> Result<Option<Value>, String> {
        let kept_only = Names {
            values: &Map::new(),
            ..*self
        };
        match (self.values.get(name), self.kept.get(name)) {
            (Some(values), _) => kept_only.fill(values),
            (None, kept) => Ok(kept.cloned()),
        }
    }

    /// `text` with every `{name}` replaced, inner ones first: `{{engine} boiler}` becomes `{marrowby boiler}`.
    fn text(&self, text: &str) -> Result<String, String> {
        let mut filled = text.to_owned();
        for _ in 0..MOST_BLANKS {
            let Some(end) = filled.find('}') else {
                return Ok(filled);
            };
            let start = filled[..end]
                .rfind('{')
                .ok_or_else(|| format!("`{text}` has a closing brace without an opening one"))?;
            let word = match self.named(&filled[start + 1..end])? {
                Some(Value::String(word)) => word,
                Some(Value::Number(number)) => number.to_string(),
                other => return Err(format!("a blank of `{text}` is filled with {other:?}")),
            };
            filled.replace_range(start..=end, &word);
        }
        Err(format!("`{text}` has more than {MOST_BLANKS} blanks"))
    }

    /// A CSV file with its days filled in.
    fn table(&self, csv: &[u8]) -> Result<String, String> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(csv);
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(Vec::new());
        for row in reader.records() {
            let row = row.map_err(|e| e.to_string())?;
            let cells: Result<Vec<String>, String> = row
                .iter()
                .map(|cell| match cell.strip_prefix('@') {
                    Some(span) => day(span, self.today).map(|day| day.to_string()),
                    None => Ok(cell.to_owned()),
                })
                .collect();
            writer.write_record(cells?).map_err(|e| e.to_string())?;
        }
        let bytes = writer.into_inner().map_err(|e| e.to_string())?;
        String::from_utf8(bytes).map_err(|e| e.to_string())
    }
}

/// `today`, or spans one after the other, each with its sign: `-30d`, `+7d`, `-14m`, `-14m+1d`. Months are counted as
/// for certificates.
fn day(span: &str, today: Day) -> Result<Day, String> {
    if span == "today" {
        return Ok(today);
    }
    let wrong = || format!("`@{span}` must be a day such as @today, @-30d, @-14m or @-14m+1d");
    let mut day = today;
    let mut rest = span;
    while !rest.is_empty() {
        let end = rest.find(['d', 'm']).ok_or_else(wrong)?;
        let (number, after) = rest.split_at(end);
        if !number.starts_with(['+', '-']) {
            return Err(wrong());
        }
        let number: i32 = number.parse().map_err(|_| wrong())?;
        day = if after.starts_with('d') {
            day.plus_days(number)
        } else {
            day.plus_months(number)
        };
        rest = &after[1..];
    }
    if span.is_empty() {
        Err(wrong())
    } else {
        Ok(day)
    }
}
