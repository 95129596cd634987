//! The one error format of the interface: an RFC 9457 problem document.

use crate::ground::text::Line;
use actix_web::{
    HttpResponse, ResponseError,
    http::{StatusCode, header},
};
use diesel::result::{DatabaseErrorKind, Error as DieselError};
use outshop_core::boilers::readiness::Act;
use serde::Serialize;
use std::fmt;
use utoipa::ToSchema;
use uuid::Uuid;

/// The kind of a problem: what a client branches on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    pub name: &'static str,
    pub status: u16,
    pub title: &'static str,
    /// The text of the page at `/problems/{name}`: what it means and what to do.
    pub meaning: &'static str,
}

macro_rules! kinds {
    ($($konst:ident = $name:literal, $status:literal, $title:literal, $meaning:literal;)+) => {
        $(pub const $konst: &Kind = &Kind { name: $name, status: $status, title: $title, meaning: $meaning };)+
        pub const KINDS: &[&Kind] = &[$($konst),+];
    };
}

kinds! {
    MALFORMED = "malformed", 400, "Malformed request body",
        "The body is not the JSON, CSV or NDJSON that its media type says. Correct the syntax at the place named and send it again.";
    INVALID_QUERY = "invalid_query", 400, "Invalid query parameter",
        "A parameter is unknown, repeated or has a value that cannot be read. The detail names it and the values that are accepted.";
    INVALID_CURSOR = "invalid_cursor", 400, "Invalid cursor",
        "A cursor only works with the list, filters and order that it came with. Start again without it.";
    IDEMPOTENCY_KEY_MISSING = "idempotency_key_missing", 400, "Idempotency-Key required",
        "This request must not be repeated by accident. Send a header Idempotency-Key with a value of your own (1 to 255 characters). If no answer comes, repeat the request with the same value.";
    UNAUTHORIZED = "unauthorized", 401, "Unauthorised",
        "Send a header Authorization: Bearer with a key that has not expired and has not been revoked. The proprietor creates keys.";
    FORBIDDEN = "forbidden", 403, "Forbidden for this role",
        "The detail names the roles that may do this. Ask the proprietor for a key with one of them.";
    NOT_FOUND = "not_found", 404, "Not found",
        "There is nothing at this address, or no record with this number. The detail says what is missing.";
    METHOD_NOT_ALLOWED = "method_not_allowed", 405, "Method not allowed",
        "The address exists but takes other methods: the header Allow lists them.";
    REQUEST_TIMEOUT = "request_timeout", 408, "Request timeout",
        "Nothing was stored. Send it again over a better connection; a body has 30 seconds, and one more for each 16 kB.";
    CONFLICT = "conflict", 409, "Conflict with existing records",
        "The request is well formed but conflicts with what is already recorded. The detail says with what, and what to do.";
    NOT_READY = "not_ready", 409, "Not ready",
        "The engine may not be listed or leave on that day. `reasons` lists each check that is not met and how to meet it.";
    ALREADY_SOLD = "already_sold", 409, "Already sold",
        "An engine can only be sold once, unless it comes back. Choose another engine.";
    ALREADY_RESERVED = "already_reserved", 409, "Already reserved",
        "An engine is reserved for one person at a time. Send join_queue to join the queue, or wait until the reservation is released or lapses.";
    IN_PROGRESS = "in_progress", 409, "Request in progress",
        "The first request with this Idempotency-Key has not finished. Repeat it in a second; you will get the answer to the first.";
    FEED_RESTARTED = "feed_restarted", 409, "Journal restarted",
        "A backup was restored, so entry numbers have changed their meaning. Read the journal from the start with the new journal_id.";
    GONE = "gone", 410, "Listing withdrawn",
        "The firm has withdrawn this listing, and it will not return by itself. Remove it from your pages.";
    PRECONDITION_FAILED = "precondition_failed", 412, "Record has changed",
        "Somebody changed this after you read it. Read it again, look at the change, and send yours with the new ETag in If-Match.";
    CONTENT_TOO_LARGE = "content_too_large", 413, "Body too large",
        "The detail names the limit. Send less, or send it in parts.";
    UNSUPPORTED_MEDIA_TYPE = "unsupported_media_type", 415, "Unsupported media type",
        "The detail names the media types that this address takes. Send bodies without Content-Encoding.";
    INVALID = "invalid", 422, "Validation failed",
        "Each error has a JSON pointer to the member and says what is wrong and what is accepted. Nothing was stored.";
    IDEMPOTENCY_KEY_REUSED = "idempotency_key_reused", 422, "The Idempotency-Key was used for another request",
        "A key belongs to one request with one body for seven days. Use a new key for a new request.";
    PRECONDITION_REQUIRED = "precondition_required", 428, "If-Match required",
        "Read the record first and send If-Match with the ETag that you read, so that nobody else's change is lost.";
    TOO_MANY_REQUESTS = "too_many_requests", 429, "Too many requests",
        "Wait for the number of seconds in Retry-After.";
    INTERNAL = "internal_server_error", 500, "Internal server error",
        "Nothing was stored, unless repeating the request with its Idempotency-Key returns an answer. Quote `instance` to the person who runs the service: it is in the log.";
    SERVICE_UNAVAILABLE = "service_unavailable", 503, "Service unavailable",
        "Nothing was stored, unless repeating the request with its Idempotency-Key returns an answer. Try again after the number of seconds in Retry-After.";
    STORAGE_FULL = "storage_full", 503, "Storage full",
        "Nothing was stored. Reading still works; writing resumes by itself when there is space.";
}

/// One member that broke a rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// JSON pointer (RFC 6901) into the request body.
    #[schema(max_length = 300, example = "/working_pressure/value")]
    pub pointer: String,
    /// What is wrong with the field and what would be right.
    #[schema(max_length = 1000, example = "must be a number above 0")]
    pub detail: String,
}

/// The most errors that one response lists; the detail counts the others too.
const MOST_REPORTED: usize = 100;

/// Why a gate is shut, and how to open it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct GateReason {
    /// The check of the gate that is not met.
    #[schema(max_length = 60, example = "papers")]
    pub check: String,
    #[schema(
        max_length = 1000,
        example = "The steam certificate expired on 14 May 2026."
    )]
    pub reason: String,
    /// What clears it.
    #[schema(max_length = 1000, example = "Record a steam test of this boiler.")]
    pub remedy: String,
    /// The request that meets the check; null: there is no single one.
    pub act: Option<Act>,
    /// Addresses of the records that show it.
    #[schema(max_items = 50, value_type = Vec<Line>)]
    pub evidence: Vec<String>,
}

#[derive(Debug)]
pub struct Problem {
    pub kind: &'static Kind,
    detail: Box<str>,
    errors: Vec<FieldError>,
    reasons: Vec<GateReason>,
    headers: Vec<(&'static str, String)>,
    /// PostgreSQL aborted the transaction for a reason that may not recur.
    pub worth_another_try: bool,
    /// The connection leads to a server that only reads, such as a primary that has become a standby.
    pub takes_no_writes: bool,
    instance: Uuid,
}

impl Problem {
    pub fn new(kind: &'static Kind, detail: impl Into<String>) -> Problem {
        Problem {
            kind,
            detail: detail.into().into_boxed_str(),
            errors: Vec::new(),
            reasons: Vec::new(),
            headers: Vec::new(),
            worth_another_try: false,
            takes_no_writes: false,
            instance: Uuid::now_v7(),
        }
    }

    /// One broken rule.
    pub fn invalid(pointer: impl Into<String>, detail: impl Into<String>) -> Problem {
        Problem::invalid_all(vec![FieldError {
            pointer: pointer.into(),
            detail: detail.into(),
        }])
    }

    /// All broken rules at once, up to the most that a response lists; the detail names the first and counts the others.
    pub fn invalid_all(errors: Vec<FieldError>) -> Problem {
        let named = |error: &FieldError| {
            if error.pointer.is_empty() {
                error.detail.clone()
            } else {
                format!("{}: {}", error.pointer, error.detail)
            }
        };
        let detail = match errors.as_slice() {
            [] => String::new(),
            [one] => named(one),
            [first, others @ ..] => {
                format!("{}; and {} more, see `errors`", named(first), others.len())
            }
        };
        Problem {
            errors: errors.into_iter().take(MOST_REPORTED).collect(),
            ..Problem::new(INVALID, detail)
        }
    }

    pub fn is(&self, kind: &Kind) -> bool {
        // Compared by value: a constant may have more than one address.
        self.kind == kind
    }

    pub fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(NOT_FOUND, detail)
    }

    pub fn conflict(detail: impl Into<String>) -> Problem {
        Problem::new(CONFLICT, detail)
    }

    pub fn not_ready(detail: impl Into<String>, reasons: Vec<GateReason>) -> Problem {
        Problem {
            reasons,
            ..Problem::new(NOT_READY, detail)
        }
    }

    /// Logs the cause once, here; the caller only learns the instance.
    pub fn internal(cause: impl fmt::Display) -> Problem {
        let problem = Problem::new(
            INTERNAL,
            "something failed inside; quote `instance` to the person who runs the service",
        );
        tracing::error!(instance = %problem.instance, %cause, "internal error");
        problem
    }

    pub fn unavailable(cause: impl fmt::Display) -> Problem {
        let problem = Problem::new(
            SERVICE_UNAVAILABLE,
            "the database does not answer; try again in a few seconds",
        );
        tracing::warn!(instance = %problem.instance, %cause, "unavailable");
        problem.with_header("retry-after", "1")
    }

    #[must_use]
    pub fn with_header(mut self, name: &'static str, value: impl Into<String>) -> Problem {
        self.headers.push((name, value.into()));
        self
    }

    #[must_use]
    pub fn with_detail(mut self, detail: impl Into<String>) -> Problem {
        self.detail = detail.into().into_boxed_str();
        self
    }

    /// Moves every pointer below `prefix`: for a rule checked on a part of the body.
    #[must_use]
    pub fn below(mut self, prefix: &str) -> Problem {
        for error in &mut self.errors {
            error.pointer.insert_str(0, prefix);
        }
        self
    }

    pub fn errors(&self) -> &[FieldError] {
        &self.errors
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.detail)
    }
}

impl std::error::Error for Problem {}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.kind.status).expect("the statuses above are valid")
    }

    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponse::build(self.status_code());
        for (name, value) in &self.headers {
            response.insert_header((*name, value.as_str()));
        }
        let document = ProblemDocument {
            r#type: format!("/problems/{}", self.kind.name),
            title: self.kind.title.to_owned(),
            status: self.kind.status,
            detail: self.detail.to_string(),
            instance: self.instance.urn().to_string(),
            errors: (!self.errors.is_empty()).then(|| self.errors.clone()),
            reasons: (!self.reasons.is_empty()).then(|| self.reasons.clone()),
        };
        response
            .insert_header((header::CONTENT_TYPE, "application/problem+json"))
            .insert_header((header::CACHE_CONTROL, "no-store"))
            .body(serde_json::to_vec(&document).expect("a problem document is plain JSON"))
    }
}

/// A problem as RFC 9457 defines it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Problem, example = json!({
    "type": "/problems/not_found", "title": "Not found", "status": 404,
    "detail": "there is no engine 10", "instance": "urn:uuid:0192f0c1-2b3c-7d4e-8f90-a1b2c3d4e5f6"
}))]
pub struct ProblemDocument {
    /// Relative address of a page that says what it means and what to do. Branch only on this.
    #[schema(max_length = 100)]
    r#type: String,
    #[schema(max_length = 200)]
    title: String,
    #[schema(minimum = 400, maximum = 599)]
    status: u16,
    /// What is wrong with this request and what to do, in one sentence.
    #[schema(max_length = 2000)]
    detail: String,
    /// The id that the log has too.
    #[schema(max_length = 60)]
    instance: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 100, nullable = false)]
    errors: Option<Vec<FieldError>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 100, nullable = false)]
    reasons: Option<Vec<GateReason>>,
}

impl From<DieselError> for Problem {
    fn from(error: DieselError) -> Problem {
        match &error {
            DieselError::DatabaseError(DatabaseErrorKind::SerializationFailure, _) => Problem {
                worth_another_try: true,
                ..Problem::unavailable(error)
            },
            DieselError::DatabaseError(
                DatabaseErrorKind::ClosedConnection | DatabaseErrorKind::UnableToSendCommand,
                _,
            )
            | DieselError::BrokenTransactionManager => Problem::unavailable(error),
            DieselError::DatabaseError(DatabaseErrorKind::ReadOnlyTransaction, _) => Problem {
                takes_no_writes: true,
                ..Problem::unavailable(error)
            },
            DieselError::DatabaseError(kind, info) => {
                let message = info.message();
                let text = info.constraint_name().and_then(|name| {
                    CONSTRAINTS
                        .iter()
                        .find(|(constraint, ..)| *constraint == name)
                });
                match (text, kind) {
                    (Some((_, kind, detail)), _) => Problem::new(kind, *detail),
                    // A value beyond the limits of its column is an error of the request, not of the service.
                    (None, _)
                        if message.contains("numeric field overflow")
                            || message.contains("out of range for type")
                            || message.ends_with("out of range") =>
                    {
                        Problem::invalid(
                            "",
                            "a number is too large to be stored; send a smaller one",
                        )
                    }
                    (None, _) if message.contains("deadlock detected") => Problem {
                        worth_another_try: true,
                        ..Problem::unavailable(error)
                    },
                    (None, _)
                        if message.contains("No space left on device")
                            || message.contains("could not extend file") =>
                    {
                        Problem::new(STORAGE_FULL, "the disk is full; nothing was stored")
                            .with_header("retry-after", "30")
                    }
                    (None, _)
                        if message.contains("due to lock timeout")
                            || message.contains("due to statement timeout")
                            || message.contains("connection")
                            || message.contains("the database system is")
                            || message.contains("administrator command") =>
                    {
                        Problem::unavailable(error)
                    }
                    (None, _) => Problem::internal(error),
                }
            }
            _ => Problem::internal(error),
        }
    }
}

/// The rules that a request breaks. A rule: whether it is met, the pointer and the detail.
pub(crate) fn broken<'r, D: Into<String>>(
    rules: impl IntoIterator<Item = (bool, &'r str, D)>,
) -> Vec<FieldError> {
    let broken = rules.into_iter().filter(|(holds, ..)| !holds);
    let errors = broken.map(|(_, pointer, detail)| FieldError {
        pointer: pointer.to_owned(),
        detail: detail.into(),
    });
    errors.collect()
}

/// Refuses a request that breaks rules, naming all of them at once:
/// `all_hold([(new.on <= today, "/on", "in the future"), ..])?`
pub(crate) fn all_hold<'r, D: Into<String>>(
    rules: impl IntoIterator<Item = (bool, &'r str, D)>,
) -> Result<(), Problem> {
    let broken = broken(rules);
    if broken.is_empty() {
        Ok(())
    } else {
        Err(Problem::invalid_all(broken))
    }
}

/// Constraints that a request can break although its handler checked first, as two requests may check at once.
const CONSTRAINTS: &[(&str, &Kind, &str)] = &[
    (
        "fitters_name",
        CONFLICT,
        "there is already a fitter of that name; use another name",
    ),
    (
        "inspector_visits_pkey",
        CONFLICT,
        "a visit is already booked for that day; delete it first or choose another day",
    ),
    (
        "boiler_installations_one_engine",
        CONFLICT,
        "the boiler is in another engine; record its removal from that one first",
    ),
    (
        "boiler_installations_one_boiler",
        CONFLICT,
        "the engine has another boiler; record the removal of that one first",
    ),
    (
        "boiler_installations_no_overlap",
        CONFLICT,
        "the boiler was in another engine on that day; choose a day after its removal from that one",
    ),
    (
        "boiler_installations_one_at_a_time",
        CONFLICT,
        "the engine had another boiler on that day; choose a day after the removal of that one",
    ),
    (
        "certificates_one_per_test",
        CONFLICT,
        "a certificate of that test is already recorded; nothing to do",
    ),
    (
        "exchange_rates_one_a_day",
        CONFLICT,
        "a rate of that currency from that day is already recorded; record the next one from a later day",
    ),
    (
        "boiler_codes_name",
        CONFLICT,
        "that jurisdiction already has a code of that name; use another name",
    ),
    (
        "engines_pkey",
        CONFLICT,
        "that stock number is taken; use another, as stock numbers are never used again",
    ),
    (
        "sales_one_per_engine",
        ALREADY_SOLD,
        "the engine has been sold; cancel that sale first, or choose another engine",
    ),
    (
        "reservations_one_live",
        ALREADY_RESERVED,
        "the engine is reserved; send join_queue to join the queue",
    ),
    (
        "reservations_one_per_person",
        CONFLICT,
        "another request for the same person and engine came at the same time; send this one again",
    ),
    (
        "deposit_returns_once",
        CONFLICT,
        "the deposit has already been returned; nothing to do",
    ),
    (
        "payments_one_per_deposit",
        CONFLICT,
        "the deposit has already been set off against a sale; nothing to do",
    ),
    (
        "disposals_one_per_engine",
        CONFLICT,
        "the engine has already been disposed of; nothing to do",
    ),
    (
        "closing_stock_one_a_day",
        CONFLICT,
        "the closing stock of that day is already recorded; choose a later day",
    ),
    (
        "deliveries_one_per_sale",
        CONFLICT,
        "the engine has already been delivered; nothing to do",
    ),
    (
        "listings_pkey",
        CONFLICT,
        "the engine already has a listing; change that one",
    ),
    (
        "listings_page_name",
        CONFLICT,
        "another engine's listing has that page_name; use another one",
    ),
    (
        "costs_reversed_once",
        CONFLICT,
        "the line has already been reversed; nothing to do",
    ),
    (
        "hour_rates_one_a_day",
        CONFLICT,
        "the fitter already has rates from that day; set new ones from a later day",
    ),
    (
        "keys_live_name",
        CONFLICT,
        "there is already a valid key of that name; use another name or revoke it first",
    ),
];
