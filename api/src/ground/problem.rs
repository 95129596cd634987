//! The one error of the interface: an RFC 9457 problem document.

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

/// What went wrong, in the one way that a client branches on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    pub name: &'static str,
    pub status: u16,
    pub title: &'static str,
    /// The page at `/problems/{name}`: what it means and the way out.
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
        "The body is not the JSON, CSV or NDJSON that its media type says. Mend the syntax at the place named and send it again.";
    INVALID_QUERY = "invalid_query", 400, "Invalid query parameter",
        "A parameter is unknown, repeated or has a value that cannot be read. The detail names it and what would be right.";
    INVALID_CURSOR = "invalid_cursor", 400, "Invalid cursor",
        "A cursor belongs to the list, filters and order that it came with. Begin again without it.";
    IDEMPOTENCY_KEY_MISSING = "idempotency_key_missing", 400, "Idempotency-Key required",
        "Money or an engine moves. Send a header Idempotency-Key with a value of your own (1 to 255 characters), and repeat the request with the same value when no answer came.";
    UNAUTHORIZED = "unauthorized", 401, "Unauthorised",
        "Send a header Authorization: Bearer with a key that has neither expired nor been revoked.";
    FORBIDDEN = "forbidden", 403, "Forbidden for this role",
        "The detail names the roles that may. Ask the proprietor for a key of such a role.";
    NOT_FOUND = "not_found", 404, "Not found",
        "There is nothing at this address, or nothing of this number. The detail says what is missing.";
    METHOD_NOT_ALLOWED = "method_not_allowed", 405, "Method not allowed",
        "The address exists and takes other methods: the header Allow lists them.";
    REQUEST_TIMEOUT = "request_timeout", 408, "Request timeout",
        "Nothing was stored. Send it again over a better line; a body has 30 seconds, and one more for each 16 kB of it.";
    CONFLICT = "conflict", 409, "Conflict with existing records",
        "The request is well formed, but something already recorded stands against it. The detail says what, and the way out.";
    NOT_READY = "not_ready", 409, "Not ready",
        "The engine may not be listed or leave on that day. Each reason names the check and what clears it.";
    ALREADY_SOLD = "already_sold", 409, "Already sold",
        "An engine is sold once, unless it is returned.";
    ALREADY_RESERVED = "already_reserved", 409, "Already reserved",
        "An engine is held for one person at a time. Ask for a place in the queue with join_queue, or wait until the reservation is released or lapses.";
    IN_PROGRESS = "in_progress", 409, "Request in progress",
        "A request with this Idempotency-Key has not finished. Repeat it in a second; the answer will be that of the first.";
    FEED_RESTARTED = "feed_restarted", 409, "Journal restarted",
        "A backup was restored, so that entry numbers have another meaning. Read the journal afresh with the new journal_id.";
    GONE = "gone", 410, "Listing withdrawn",
        "The firm has withdrawn this listing. The address will not come back by itself; take it out of your pages.";
    PRECONDITION_FAILED = "precondition_failed", 412, "Record has changed",
        "Somebody changed this since you read it. Read it again (the header ETag has its present tag), look at the change, and send yours with the new If-Match.";
    CONTENT_TOO_LARGE = "content_too_large", 413, "Body too large",
        "The detail names the limit. Send less, or in parts.";
    UNSUPPORTED_MEDIA_TYPE = "unsupported_media_type", 415, "Unsupported media type",
        "The detail names the media types that this address takes. Bodies are sent without Content-Encoding.";
    INVALID = "invalid", 422, "Validation failed",
        "Each error has a JSON pointer to the member, what was wrong and what would be right. Nothing was stored.";
    IDEMPOTENCY_KEY_REUSED = "idempotency_key_reused", 422, "The Idempotency-Key was used for another request",
        "A key stands for one request with one body for seven days. Use a new key for a new request.";
    PRECONDITION_REQUIRED = "precondition_required", 428, "If-Match required",
        "Read the record first and send its ETag in the header If-Match, so that no change of somebody else is lost.";
    TOO_MANY_REQUESTS = "too_many_requests", 429, "Too many requests",
        "Wait for the seconds that Retry-After names.";
    INTERNAL = "internal_server_error", 500, "Internal server error",
        "Nothing was stored unless an Idempotency-Key tells otherwise. Report the instance: the log has the same number.";
    SERVICE_UNAVAILABLE = "service_unavailable", 503, "Service unavailable",
        "Nothing was done, or an Idempotency-Key tells whether it was. Try again after the seconds that Retry-After names.";
    STORAGE_FULL = "storage_full", 503, "Storage full",
        "Nothing was stored. Reading goes on; writing resumes by itself when there is space.";
}

/// One member that broke a rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// JSON pointer (RFC 6901) into the request body.
    #[schema(max_length = 300, example = "/working_pressure/value")]
    pub pointer: String,
    #[schema(max_length = 1000, example = "not a number above 0")]
    pub detail: String,
}

/// Broken rules that are told of one request; the detail says how many there are.
const MOST_TOLD: usize = 100;

/// Why a gate is shut, and what opens it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct GateReason {
    #[schema(max_length = 60, example = "papers")]
    pub check: String,
    #[schema(
        max_length = 1000,
        example = "The steam test certificate expired on 14 May 2026."
    )]
    pub reason: String,
    #[schema(max_length = 1000, example = "Record a steam test of this boiler.")]
    pub remedy: String,
    /// The request that does it.
    pub act: Option<Act>,
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
    /// PostgreSQL gave the transaction up for reasons that a second try may not meet.
    pub worth_another_try: bool,
    /// The connection leads to a server that only reads, as a primary does that has become a standby.
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

    /// All broken rules at once, as far as they are told; `errors` is not empty.
    pub fn invalid_all(errors: Vec<FieldError>) -> Problem {
        let detail = match errors.as_slice() {
            [one] if one.pointer.is_empty() => one.detail.clone(),
            [one] => format!("{}: {}", one.pointer, one.detail),
            many => format!("{} members break a rule", many.len()),
        };
        Problem {
            errors: errors.into_iter().take(MOST_TOLD).collect(),
            ..Problem::new(INVALID, detail)
        }
    }

    pub fn is(&self, kind: &Kind) -> bool {
        // By what it says: a constant may have more than one address.
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

    /// Logged once, here; the caller learns the instance only.
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
            "the database does not answer just now; try again",
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

/// RFC 9457
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Problem, example = json!({
    "type": "/problems/not_found", "title": "Not found", "status": 404,
    "detail": "there is no engine 10", "instance": "urn:uuid:0192f0c1-2b3c-7d4e-8f90-a1b2c3d4e5f6"
}))]
pub struct ProblemDocument {
    /// Relative address of a page that says what it means and the way out. Branch on this alone.
    #[schema(max_length = 100)]
    r#type: String,
    #[schema(max_length = 200)]
    title: String,
    #[schema(minimum = 400, maximum = 599)]
    status: u16,
    /// One sentence for the person at the screen.
    #[schema(max_length = 2000)]
    detail: String,
    /// The same id as in the log.
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
                let said = info.message();
                let text = info.constraint_name().and_then(|name| {
                    CONSTRAINTS
                        .iter()
                        .find(|(constraint, ..)| *constraint == name)
                });
                match (text, kind) {
                    (Some((_, kind, detail)), _) => Problem::new(kind, *detail),
                    // What got past the limits of its type: a mistake of the request, not of the service.
                    (None, _)
                        if said.contains("numeric field overflow")
                            || said.contains("out of range for type")
                            || said.ends_with("out of range") =>
                    {
                        Problem::invalid("", "a number is larger than can be kept")
                    }
                    (None, _) if said.contains("deadlock detected") => Problem {
                        worth_another_try: true,
                        ..Problem::unavailable(error)
                    },
                    (None, _)
                        if said.contains("No space left on device")
                            || said.contains("could not extend file") =>
                    {
                        Problem::new(STORAGE_FULL, "the disk is full; nothing was stored")
                            .with_header("retry-after", "30")
                    }
                    (None, _)
                        if said.contains("due to lock timeout")
                            || said.contains("due to statement timeout")
                            || said.contains("connection")
                            || said.contains("the database system is")
                            || said.contains("administrator command") =>
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

/// The rules of a request that do not hold. A rule: whether it holds, the pointer and the detail.
pub(crate) fn broken<'r, D: Into<String>>(
    rules: impl IntoIterator<Item = (bool, &'r str, D)>,
) -> Vec<FieldError> {
    let broken = rules.into_iter().filter(|(holds, ..)| !holds);
    let told = broken.map(|(_, pointer, detail)| FieldError {
        pointer: pointer.to_owned(),
        detail: detail.into(),
    });
    told.collect()
}

/// Refuses a request by all of its rules that do not hold, at once:
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

/// Constraints that a request can run into although its handler looked first, as two requests may look at once.
const CONSTRAINTS: &[(&str, &Kind, &str)] = &[
    (
        "fitters_name",
        CONFLICT,
        "a fitter of that name is on record already",
    ),
    (
        "inspector_visits_pkey",
        CONFLICT,
        "a visit is set for that day already; take it back first",
    ),
    (
        "boiler_installations_one_engine",
        CONFLICT,
        "the boiler is fitted to another engine; take it out there first",
    ),
    (
        "boiler_installations_one_boiler",
        CONFLICT,
        "the engine has another boiler; take that out first",
    ),
    (
        "boiler_installations_no_overlap",
        CONFLICT,
        "the boiler was in another engine on that day",
    ),
    (
        "boiler_installations_one_at_a_time",
        CONFLICT,
        "the engine had another boiler on that day",
    ),
    (
        "certificates_one_per_test",
        CONFLICT,
        "a certificate of that test is recorded already",
    ),
    (
        "exchange_rates_one_a_day",
        CONFLICT,
        "a rate of that currency from that day is set already; set the next one from a later day",
    ),
    (
        "boiler_codes_name",
        CONFLICT,
        "that jurisdiction has a code of that name",
    ),
    (
        "engines_pkey",
        CONFLICT,
        "that stock number is taken; stock numbers never repeat",
    ),
    ("sales_one_per_engine", ALREADY_SOLD, "the engine is sold"),
    (
        "reservations_one_live",
        ALREADY_RESERVED,
        "the engine is reserved",
    ),
    (
        "reservations_one_per_person",
        CONFLICT,
        "the same person asks for the engine in another request; ask again",
    ),
    (
        "deposit_returns_once",
        CONFLICT,
        "the deposit has been returned already",
    ),
    (
        "payments_one_per_deposit",
        CONFLICT,
        "the deposit has been set off already",
    ),
    (
        "disposals_one_per_engine",
        CONFLICT,
        "the engine is gone already",
    ),
    (
        "closing_stock_one_a_day",
        CONFLICT,
        "the stock of that day is kept; keep that of a later day",
    ),
    (
        "deliveries_one_per_sale",
        CONFLICT,
        "the engine has been delivered already",
    ),
    (
        "listings_pkey",
        CONFLICT,
        "the engine has a listing already; change that one",
    ),
    (
        "listings_page_name",
        CONFLICT,
        "another engine's listing has that page_name; give another one",
    ),
    (
        "costs_reversed_once",
        CONFLICT,
        "the line has been reversed already",
    ),
    (
        "hour_rates_one_a_day",
        CONFLICT,
        "the fitter has rates from that day already; later ones take their place",
    ),
    ("keys_live_name", CONFLICT, "a key of that name is live"),
];
