//! JSON in which nothing stands twice.

use crate::ground::body::short;
use serde::{
    Deserialize, Deserializer,
    de::{self, MapAccess, SeqAccess, Visitor},
};
use serde_json::{Map, Value, map::Entry};
use std::fmt;

/// A JSON value in which no object has a member twice: of two, readers take different ones (RFC 8259, section 4).
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
                            let detail = format!("the member {:?} stands twice", entry.key());
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
