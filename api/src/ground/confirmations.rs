//! Confirmations: a value outside the usual limits of the trade is accepted only if the request confirms it.

use crate::ground::problem::{FieldError, Problem};
use outshop_core::sense::{Doubt, Member};
use serde_json::{Value, json};

/// The confirmations that one request needs.
#[derive(Debug, Default)]
pub(crate) struct Confirmations {
    broken: Vec<FieldError>,
    confirmed: Vec<Member>,
}

impl Confirmations {
    /// `pointer`: of the value in the request. `confirmed`: whether the request confirms it.
    pub(crate) fn ask(&mut self, pointer: &str, doubt: Option<Doubt>, confirmed: bool) {
        let Some(Doubt { member, detail }) = doubt else {
            return;
        };
        if !confirmed {
            let pointer = pointer.to_owned();
            self.broken.push(FieldError { pointer, detail });
        } else if !self.confirmed.contains(&member) {
            self.confirmed.push(member);
        }
    }

    /// The members that were confirmed; refused if a confirmation is missing.
    pub(crate) fn settled(self) -> Result<Vec<Member>, Problem> {
        if self.broken.is_empty() {
            Ok(self.confirmed)
        } else {
            Err(Problem::invalid_all(self.broken))
        }
    }

    /// The missing confirmations, to report with the other errors, and the members that were confirmed.
    pub(crate) fn apart(self) -> (Vec<FieldError>, Vec<Member>) {
        (self.broken, self.confirmed)
    }
}

/// Adds the confirmed members to a journal entry.
pub(crate) fn noted(mut entry: Value, confirmed: &[Member]) -> Value {
    if !confirmed.is_empty() {
        entry["confirmed"] = json!(confirmed);
    }
    entry
}

/// The confirmations that a record keeps after a change: `asked_anew` are the members that the change had to confirm.
pub(crate) fn after_change(
    before: &[Member],
    asked_anew: &[Member],
    confirmed: Vec<Member>,
) -> Vec<Member> {
    let kept = before.iter().filter(|it| !asked_anew.contains(it));
    kept.copied().chain(confirmed).collect()
}
