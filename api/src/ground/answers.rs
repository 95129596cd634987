//! The headers of a response: entity tags, media types, how long it may be cached.

use crate::ground::{
    db::{ById, Db},
    problem::{self, Problem},
};
use actix_web::{
    Error, FromRequest, HttpRequest, HttpResponse,
    dev::Payload,
    http::header::{self},
    web,
};
use base64::{Engine as _, engine::general_purpose::URL_SAFE_NO_PAD};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::{future::Future, pin::Pin};

/// What a handler returns.
pub type Reply = Result<HttpResponse, Problem>;

/// The strong entity tag of a representation.
pub fn etag_of(bytes: &[u8]) -> String {
    format!(
        "\"{}\"",
        URL_SAFE_NO_PAD.encode(&Sha256::digest(bytes)[..16])
    )
}

/// Compares a client's `If-Match` with the current tag.
pub fn if_match(sent: &str, present: &str) -> Result<(), Problem> {
    // Strong comparison: a weak tag matches nothing (RFC 9110, 13.1.1 and 8.8.3.2).
    let strong = sent.split(',').filter(|tag| !tag.trim().starts_with("W/"));
    if sent.trim() == "*" || strong.flat_map(tags).any(|tag| tag == present) {
        return Ok(());
    }
    let detail =
        "it was changed since you read it; read it again and send the new ETag in If-Match";
    Err(Problem::new(problem::PRECONDITION_FAILED, detail).with_header("etag", present))
}

/// The tags of a list, without the suffix that compression added.
fn tags(list: &str) -> impl Iterator<Item = String> + '_ {
    list.split(',').map(|tag| {
        tag.trim()
            .trim_start_matches("W/")
            .replace("-gzip\"", "\"")
            .replace("-br\"", "\"")
    })
}

/// 200 with `ETag`, or 304 if the client already has this representation.
pub fn respond(req: &HttpRequest, value: &impl Serialize) -> Result<HttpResponse, Problem> {
    let bytes = serde_json::to_vec(value).map_err(Problem::internal)?;
    Ok(respond_as(req, bytes, "application/json", "no-store"))
}

/// The row with the id in the path; 404 if there is none. In a handler it comes after the role argument, so that it is
/// only read for those who may see it:
///
/// ```text
/// async fn get_payment(_by: SellingRead, found: Found<Payment>) -> Reply {
///     found.respond()
/// }
/// ```
pub struct Found<T> {
    row: T,
    req: HttpRequest,
}

impl<T: Serialize> Found<T> {
    pub fn respond(&self) -> Reply {
        respond(&self.req, &self.row)
    }
}

impl<T: ById + 'static> FromRequest for Found<T> {
    type Error = Error;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Error>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let id = web::Path::<i64>::from_request(req, payload);
        let req = req.clone();
        Box::pin(async move {
            let id = *id.await?;
            let row = T::find(&mut *Db::of(&req)?.read().await?, id).await?;
            Ok(Found { row, req })
        })
    }
}

/// Like `respond`, for a representation that is already serialised.
pub fn respond_as(
    req: &HttpRequest,
    bytes: Vec<u8>,
    media_type: &str,
    cache_control: &str,
) -> HttpResponse {
    let etag = etag_of(&bytes);
    let unchanged = is_known(req, &etag);
    let mut response = if unchanged {
        HttpResponse::NotModified()
    } else {
        HttpResponse::Ok()
    };
    response
        .insert_header((header::ETAG, etag))
        .insert_header((header::CACHE_CONTROL, cache_control.to_owned()))
        .insert_header((header::VARY, "Accept, Accept-Encoding"));
    if unchanged {
        return response.finish();
    }
    response
        .insert_header((header::CONTENT_TYPE, media_type.to_owned()))
        .body(bytes)
}

/// Whether the client has the representation with this tag, according to its `If-None-Match`.
pub(crate) fn is_known(req: &HttpRequest, etag: &str) -> bool {
    let known = req
        .headers()
        .get(header::IF_NONE_MATCH)
        .and_then(|value| value.to_str().ok());
    known.is_some_and(|sent| sent.trim() == "*" || tags(sent).any(|tag| tag == etag))
}

/// Whether the client accepts gzip. RFC 9110, section 12.5.3: a weight of 0 refuses a coding.
pub(crate) fn takes_gzip(req: &HttpRequest) -> bool {
    let sent = req.headers().get(header::ACCEPT_ENCODING);
    let sent = sent.and_then(|value| value.to_str().ok());
    sent.unwrap_or_default().split(',').any(|range| {
        let mut parts = range.split(';').map(str::trim);
        let is_gzip = parts
            .next()
            .is_some_and(|it| it.eq_ignore_ascii_case("gzip"));
        let weight = parts.next().and_then(|it| it.strip_prefix("q="));
        is_gzip && weight.is_none_or(|it| it.contains(|digit| matches!(digit, '1'..='9')))
    })
}

/// Cache-Control of a public response: no cache may serve it after the firm's midnight, when certificates may expire.
/// The freshness, revalidation and error windows follow one another and end within `left` seconds.
///
/// Sources: RFC 9111 section 5.2.2.1 (max-age), RFC 5861 sections 3 and 4 (the stale windows).
pub fn public_until_midnight(left: u32) -> String {
    let fresh = left.min(60);
    let stale = (left - fresh).min(300);
    let stale_on_error = (left - fresh - stale).min(3600);
    format!(
        "public, max-age={fresh}, stale-while-revalidate={stale}, stale-if-error={stale_on_error}"
    )
}

/// 201 with `Location` and `ETag`. `replayed`: it is the stored answer to an earlier request with the same
/// Idempotency-Key.
pub fn created(location: &str, json: String, replayed: bool) -> HttpResponse {
    let mut response = HttpResponse::Created();
    if replayed {
        response.insert_header(("idempotency-replayed", "true"));
    }
    response
        .insert_header((header::LOCATION, location))
        .insert_header((header::ETAG, etag_of(json.as_bytes())))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .insert_header((header::CONTENT_TYPE, "application/json"))
        .body(json)
}

/// Whether the request's `Accept` names this media type.
pub fn accepts(req: &HttpRequest, media_type: &str) -> bool {
    let sent = req
        .headers()
        .get(header::ACCEPT)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default();
    sent.split(',').any(|range| {
        range
            .split(';')
            .next()
            .unwrap_or_default()
            .trim()
            .eq_ignore_ascii_case(media_type)
    })
}
