//! The rows that a new shop starts with.

use super::Rule;

pub fn seed() -> Vec<Rule> {
    todo!()
}
