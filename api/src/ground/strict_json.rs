//! JSON read strictly: no member occurs twice, and every error says in plain words what is wrong and where.

use crate::ground::problem::{self, FieldError, Problem};
use serde::{
    Deserialize, Deserializer,
    de::{self, DeserializeOwned, MapAccess, SeqAccess, Visitor},
};
use serde_json::{Map, Value, map::Entry};
use std::fmt;
use utoipa::{
    PartialSchema,
    openapi::{RefOr, Schema},
};

pub(super) fn parse(bytes: &[u8]) -> Result<Value, Problem> {
    let Unrepeated(json) = serde_json::from_slice(bytes)
        .map_err(|e| Problem::new(problem::MALFORMED, format!("the body is not JSON: {e}")))?;
    if json.is_object() {
        Ok(json)
    } else {
        Err(Problem::invalid("", "must be an object"))
    }
}

/// The most errors of one body that are reported.
const MOST_FAULTS: usize = 100;

/// Reads `json` as a `T`; every error that can be found names its member by pointer.
///
/// Each wrong member is noted and removed, and the rest is read again, so that a client can correct a body in one go.
/// Below the top level only one missing member of each object is reported.
pub(crate) fn typed<T: DeserializeOwned + PartialSchema>(json: &Value) -> Result<T, Problem> {
    let mut fault = match read_as(json) {
        Ok(value) => return Ok(value),
        Err(fault) => fault,
    };
    let (mut rest, mut faults, mut taken) = (json.clone(), Vec::new(), Vec::new());
    while faults.len() < MOST_FAULTS {
        let (pointer, is_missing) = (fault.at.clone(), fault.is_missing);
        if !taken.contains(&pointer) {
            let detail = fault.detail;
            let pointer = pointer.clone();
            faults.push(FieldError { pointer, detail });
        }
        let wrong = if is_missing {
            above(&pointer)
        } else {
            &pointer
        };
        let Some(out) = take_out(&mut rest, wrong) else {
            break;
        };
        taken.push(out);
        match read_as::<T>(&rest) {
            Ok(_) => break,
            Err(next) => fault = next,
        }
    }
    for name in required_of(&T::schema()) {
        let pointer = format!("/{}", escaped(&name));
        let is_reported = faults.iter().any(|fault| fault.pointer == pointer);
        if json.get(&name).is_none() && !is_reported && faults.len() < MOST_FAULTS {
            let detail = MISSING.to_owned();
            faults.push(FieldError { pointer, detail });
        }
    }
    Err(Problem::invalid_all(faults))
}

const MISSING: &str = "is missing";

struct Fault {
    at: String,
    detail: String,
    is_missing: bool,
}

fn read_as<T: DeserializeOwned>(json: &Value) -> Result<T, Fault> {
    serde_path_to_error::deserialize(json).map_err(|e| {
        let mut at: String = e.path().iter().map(pointer_step).collect();
        let text = e.inner().to_string();
        let missing = in_ticks(&text, "missing field ");
        let unknown = in_ticks(&text, "unknown field ");
        if let Some(name) = missing.or(unknown) {
            let step = format!("/{}", escaped(name));
            if missing.is_some() || !at.ends_with(&step) {
                at += &step;
            }
        }
        Fault {
            at,
            is_missing: missing.is_some(),
            detail: plainly(&text),
        }
    })
}

/// The pointer of the parent.
fn above(pointer: &str) -> &str {
    pointer.rsplit_once('/').map_or("", |(above, _)| above)
}

/// Removes a member, or the list that contains it, and returns the pointer of what was removed. `None`: that would be
/// the whole body.
fn take_out(json: &mut Value, pointer: &str) -> Option<String> {
    let mut wrong = pointer;
    loop {
        if wrong.is_empty() {
            return None;
        }
        let name = wrong.rsplit_once('/').map_or("", |(_, name)| name);
        let name = name.replace("~1", "/").replace("~0", "~");
        if let Some(Value::Object(members)) = json.pointer_mut(above(wrong))
            && members.remove(&name).is_some()
        {
            return Some(wrong.to_owned());
        }
        wrong = above(wrong);
    }
}

fn required_of(schema: &RefOr<Schema>) -> Vec<String> {
    match schema {
        RefOr::T(Schema::Object(object)) => object.required.clone(),
        RefOr::T(Schema::AllOf(all)) => all.items.iter().flat_map(required_of).collect(),
        RefOr::T(_) | RefOr::Ref(_) => Vec::new(),
    }
}

/// The text between the first backticks after `words`.
fn in_ticks<'t>(text: &'t str, words: &str) -> Option<&'t str> {
    let rest = text.strip_prefix(words)?.strip_prefix('`')?;
    rest.split_once('`').map(|(name, _)| name)
}

/// A message of the JSON reader in plain words; messages of our own rules are plain already.
pub(crate) fn plainly(text: &str) -> String {
    let short = short(text);
    if text.starts_with("missing field ") {
        return MISSING.to_owned();
    }
    if text.starts_with("duplicate field ") {
        return "occurs twice; send it once".to_owned();
    }
    if let Some((_, known)) = text
        .strip_prefix("unknown field ")
        .and_then(|rest| rest.split_once(", expected "))
    {
        return format!(
            "is not known here; use one of {}",
            self::short(words_of(known))
        );
    }
    if text.starts_with("unknown field ") {
        return "is not known here; leave it out".to_owned();
    }
    if let Some(rest) = text.strip_prefix("unknown variant ")
        && let Some((given, known)) = rest.split_once(", expected ")
    {
        return format!("{given} is not one of {}", self::short(words_of(known)));
    }
    if text.starts_with("UUID parsing failed") {
        return "must be an id written like 9f1cb2a4-0d2b-4c64-9a51-6f5a0f0f7a11".to_owned();
    }
    if text.starts_with("data did not match any variant") {
        return "matches none of the accepted forms; see the schema of this member".to_owned();
    }
    let wrong = ["invalid type: ", "invalid value: ", "invalid length "]
        .iter()
        .find_map(|start| text.strip_prefix(start));
    match wrong.and_then(|rest| rest.rsplit_once(", expected ")) {
        Some((given, expected)) => {
            format!("must be {}, not {}", called(expected), given_as(given))
        }
        None => short,
    }
}

fn words_of(known: &str) -> &str {
    known.strip_prefix("one of ").unwrap_or(known)
}

fn given_as(given: &str) -> String {
    let (kind, value) = given.split_once(' ').unwrap_or((given, ""));
    match kind {
        "null" | "unit" | "Option" => "null".to_owned(),
        "map" | "struct" => "an object".to_owned(),
        "sequence" => "a list".to_owned(),
        "integer" => format!("the number {}", short(value.trim_matches('`'))),
        "floating" => {
            let value = value.trim_start_matches("point ");
            format!("the number {}", short(value.trim_matches('`')))
        }
        "boolean" => short(value.trim_matches('`')),
        "string" => format!("the text {}", short(value)),
        _ if kind.bytes().all(|b| b.is_ascii_digit()) => format!("a list of {kind}"),
        _ => "a value of another kind".to_owned(),
    }
}

fn called(expected: &str) -> String {
    let whole = |least: &str, most: &str| format!("a whole number from {least} to {most}");
    let (kind, rest) = expected.split_once(' ').unwrap_or((expected, ""));
    match (kind, rest) {
        ("struct" | "tuple" | "internally" | "adjacently", _) | ("a", "map") => {
            "an object".to_owned()
        }
        ("a", "string" | "borrowed string" | "character") | ("str", _) => "a string".to_owned(),
        ("a", "boolean") => "true or false".to_owned(),
        ("a", "sequence") => "a list".to_owned(),
        ("an", rest) if rest.starts_with("array of length ") => {
            format!("a list of {}", rest.trim_start_matches("array of length "))
        }
        ("a", rest) if rest.starts_with("tuple of size ") => {
            format!("a list of {}", rest.trim_start_matches("tuple of size "))
        }
        ("enum" | "string" | "variant" | "field", _) => "one of the listed values".to_owned(),
        ("u8", _) => whole("0", "255"),
        ("u16", _) => whole("0", "65535"),
        ("u32", _) => whole("0", "4294967295"),
        ("u64" | "usize" | "u128", _) => "a whole number of 0 or more".to_owned(),
        ("i8", _) => whole("-128", "127"),
        ("i16", _) => whole("-32768", "32767"),
        ("i32", _) => whole("-2147483648", "2147483647"),
        ("i64" | "isize" | "i128", _) => "a whole number".to_owned(),
        ("a", rest) if rest.contains("Decimal") => "a number in quotes".to_owned(),
        ("unit" | "option", _) => "null".to_owned(),
        // In our own words already.
        _ => short(expected),
    }
}

fn escaped(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

fn pointer_step(step: &serde_path_to_error::Segment) -> String {
    use serde_path_to_error::Segment;
    match step {
        Segment::Map { key } => format!("/{}", escaped(key)),
        Segment::Seq { index } => format!("/{index}"),
        Segment::Enum { variant } => format!("/{variant}"),
        Segment::Unknown => String::new(),
    }
}

pub(crate) fn short(text: &str) -> String {
    text.chars().take(500).collect()
}

/// A JSON value in which no object has a member twice: readers differ in which of the two they take (RFC 8259, section
/// 4).
pub(crate) struct Unrepeated(pub Value);

impl<'de> Deserialize<'de> for Unrepeated {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Unrepeated, D::Error> {
        struct Reader;

        impl<'de> Visitor<'de> for Reader {
            type Value = Value;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a JSON value")
            }

            fn visit_unit<E>(self) -> Result<Value, E> {
                Ok(Value::Null)
            }

            fn visit_bool<E>(self, it: bool) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_i64<E>(self, it: i64) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_u64<E>(self, it: u64) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_f64<E>(self, it: f64) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_str<E>(self, it: &str) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_string<E>(self, it: String) -> Result<Value, E> {
                Ok(it.into())
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut from: A) -> Result<Value, A::Error> {
                let mut items = Vec::new();
                while let Some(Unrepeated(item)) = from.next_element()? {
                    items.push(item);
                }
                Ok(items.into())
            }

            fn visit_map<A: MapAccess<'de>>(self, mut from: A) -> Result<Value, A::Error> {
                let mut members = Map::new();
                while let Some((name, Unrepeated(value))) = from.next_entry::<String, _>()? {
                    match members.entry(name) {
                        Entry::Vacant(entry) => entry.insert(value),
                        Entry::Occupied(entry) => {
                            let detail =
                                format!("the member {:?} occurs twice; send it once", entry.key());
                            return Err(de::Error::custom(short(&detail)));
                        }
                    };
                }
                Ok(members.into())
            }
        }

        from.deserialize_any(Reader).map(Unrepeated)
    }
}
