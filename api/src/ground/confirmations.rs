//! Confirmations: values outside the usual limits of the trade, which are taken only when the request says that they are right.

use crate::ground::problem::{FieldError, Problem};
use outshop_core::sense::{Doubt, Member};
use serde_json::{Value, json};

/// The questions that one request raises.
#[derive(Debug, Default)]
pub(crate) struct Confirmations {
    broken: Vec<FieldError>,
    confirmed: Vec<Member>,
}

impl Confirmations {
    /// `pointer`: of the value in the request. `confirmed`: whether the request says that it is right.
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

    /// The members that were confirmed; a refusal while one was not.
    pub(crate) fn settled(self) -> Result<Vec<Member>, Problem> {
        if self.broken.is_empty() {
            Ok(self.confirmed)
        } else {
            Err(Problem::invalid_all(self.broken))
        }
    }

    /// What was not confirmed, to be told with what else is wrong; and what was.
    pub(crate) fn apart(self) -> (Vec<FieldError>, Vec<Member>) {
        (self.broken, self.confirmed)
    }
}

/// The journal says what was confirmed.
pub(crate) fn noted(mut entry: Value, confirmed: &[Member]) -> Value {
    if !confirmed.is_empty() {
        entry["confirmed"] = json!(confirmed);
    }
    entry
}

/// What stays confirmed of a record: `asked_anew` are the members that the change was asked about.
pub(crate) fn after_change(
    before: &[Member],
    asked_anew: &[Member],
    confirmed: Vec<Member>,
) -> Vec<Member> {
    let kept = before.iter().filter(|it| !asked_anew.contains(it));
    kept.copied().chain(confirmed).collect()
}
