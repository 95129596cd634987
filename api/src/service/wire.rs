//! What all responses have in common: headers, errors for unknown addresses, health.

use crate::{
    ground::{
        actor::Actor,
        answers,
        answers::Reply,
        body,
        db::Db,
        operations::Addresses,
        problem::{self, KINDS, Problem},
    },
    service::{limits, metrics},
};
use actix_web::{
    HttpMessage, HttpRequest, HttpResponse, ResponseError,
    body::{BodySize, BoxBody, MessageBody},
    dev::{Payload, ResourceDef, ServiceRequest, ServiceResponse},
    error::PayloadError,
    http::{
        Method,
        header::{self, HeaderValue},
    },
    middleware::Next,
    web,
};
use futures_util::{FutureExt, StreamExt, TryStreamExt, stream};
use std::{
    cell::RefCell,
    io,
    panic::AssertUnwindSafe,
    pin::Pin,
    rc::Rc,
    task::{Context, Poll},
    time::{Duration, Instant},
};

/// Prefixes of the paths that show who somebody is, where they live or what they bought: the log records who reads
/// them, with the target `audit`.
const PERSONAL: &[&str] = &[
    "/v1/acquisitions",
    "/v1/buying-valuations",
    "/v1/commissions",
    "/v1/complaints",
    "/v1/deliveries",
    "/v1/deposits",
    "/v1/engines/{stock_no:\\d+}/offers",
    "/v1/engines/{stock_no:\\d+}/sales",
    "/v1/engines/{stock_no:\\d+}/wants",
    "/v1/enquiries",
    "/v1/offers",
    "/v1/owner-notices",
    "/v1/persons",
    "/v1/promises",
    "/v1/reservations",
    "/v1/returns",
    "/v1/sales",
    "/v1/stock-book",
    "/v1/support-notes",
];

/// Paths outside the OpenAPI document.
const OWN: &[&str] = &[
    "/openapi.json",
    "/openapi/public.json",
    "/reference",
    "/reference/",
    "/reference/page.css",
    "/reference/page.js",
    "/reference/operations/{id}",
    "/reference/schemas/{name}",
    "/health/live",
    "/health/ready",
    "/problems/{kind}",
];

pub fn routes(cfg: &mut web::ServiceConfig, addresses: Addresses) {
    let addresses = Rc::new(addresses);
    cfg.route("/health/live", web::get().to(live))
        .route("/health/ready", web::get().to(ready))
        .route("/problems/{kind}", web::get().to(meaning))
        .default_service(web::to(move |req: HttpRequest| {
            let problem = unknown(&req, &addresses);
            async move { problem.error_response() }
        }));
}

/// Turns a panic into a problem document instead of a dropped connection. Its transaction is rolled back: the pool does
/// not take the connection back.
pub async fn no_panic_escapes(
    req: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    match AssertUnwindSafe(next.call(req)).catch_unwind().await {
        Ok(answered) => answered,
        Err(_) => Err(Problem::internal("a panic, logged above").into()),
    }
}

/// Bytes of a body that earn it another second: a slower client is cut off.
const SLOWEST: u64 = 16 * 1024;

/// Keeps the unread request body until the response is sent, so that the server closes the connection and does not
/// drain it.
struct Holding<S> {
    answer: BoxBody,
    _unread: Rc<S>,
}

impl<S> MessageBody for Holding<S> {
    type Error = <BoxBody as MessageBody>::Error;

    fn size(&self) -> BodySize {
        self.answer.size()
    }

    fn poll_next(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<web::Bytes, Self::Error>>> {
        Pin::new(&mut self.answer).poll_next(cx)
    }
}

/// Cuts off a body that arrives too slowly, and one that is not read to its end.
pub async fn in_time(
    mut req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let payload = req.take_payload();
    if matches!(payload, Payload::None) {
        return Ok(next.call(req).await?.map_into_left_body());
    }
    let given = limits::of(&req).body_given;
    let (began, mut length) = (tokio::time::Instant::now(), 0_u64);
    let payload = payload.map_ok(move |chunk| {
        length += chunk.len() as u64;
        (chunk, length)
    });
    let timed = stream::unfold(
        (Box::pin(payload), 0),
        move |(mut payload, length)| async move {
            let deadline = began + given + Duration::from_secs(length / SLOWEST);
            match tokio::time::timeout_at(deadline, payload.next()).await {
                Ok(Some(Ok((chunk, length)))) => Some((Ok(chunk), (payload, length))),
                Ok(Some(Err(error))) => Some((Err(error), (payload, length))),
                Ok(None) => None,
                Err(_) => {
                    let slow = io::Error::new(io::ErrorKind::TimedOut, body::TOO_SLOW);
                    Some((Err(PayloadError::Io(slow)), (payload, length)))
                }
            }
        },
    );
    // Form readers poll once more after the end.
    let held = Rc::new(RefCell::new(Box::pin(timed.fuse())));
    let read = held.clone();
    req.set_payload(Payload::Stream {
        payload: Box::pin(stream::poll_fn(move |cx| {
            read.borrow_mut().poll_next_unpin(cx)
        })),
    });
    let answered = next.call(req).await?;
    Ok(answered
        .map_body(|_, answer| Holding {
            answer: answer.boxed(),
            _unread: held,
        })
        .map_into_right_body())
}

/// A number in a path that is too large for any record gives 404.
pub fn paths() -> web::PathConfig {
    web::PathConfig::default().error_handler(|_, req| {
        Problem::not_found(format!("there is nothing at {}", req.path())).into()
    })
}

fn unknown(req: &HttpRequest, addresses: &Addresses) -> Problem {
    let own = |path: &&str| ResourceDef::new(*path).is_match(req.path());
    let allow = addresses.methods(req.path());
    let allow = allow.or_else(|| OWN.iter().any(own).then(|| "GET, HEAD".to_owned()));
    match allow {
        Some(allow) => Problem::new(
            problem::METHOD_NOT_ALLOWED,
            format!("this address takes {allow}"),
        )
        .with_header("allow", allow),
        None => Problem::not_found(format!(
            "there is nothing at {}",
            req.path().chars().take(200).collect::<String>()
        )),
    }
}

async fn live() -> HttpResponse {
    HttpResponse::Ok().json(serde_json::json!({"live": true}))
}

async fn ready(db: web::Data<Db>) -> Reply {
    use diesel_async::SimpleAsyncConnection;
    db.read()
        .await?
        .batch_execute("SELECT 1 FROM journal_identity")
        .await?;
    if !db.commits().are_followed() {
        let detail = "the public listings have not been read yet; try again in a few seconds";
        let busy = Problem::new(problem::SERVICE_UNAVAILABLE, detail);
        return Err(busy.with_header("retry-after", "1"));
    }
    Ok(HttpResponse::Ok().json(serde_json::json!({"ready": true})))
}

/// The page of a kind of problem.
async fn meaning(req: HttpRequest, kind: web::Path<String>) -> Reply {
    let kind = KINDS
        .iter()
        .find(|known| known.name == *kind)
        .ok_or_else(|| Problem::not_found("there is no problem of that name"))?;
    let page = format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>{title}</title>\
         <h1>{title}</h1><p>{meaning}</p><p>Status {status}, type <code>/problems/{name}</code>.</p></html>\n",
        title = kind.title,
        meaning = kind.meaning,
        status = kind.status,
        name = kind.name
    );
    Ok(answers::respond_as(
        &req,
        page.into_bytes(),
        "text/html; charset=utf-8",
        "public, max-age=3600",
    ))
}

/// Marks a request for the headers only; by the time a handler sees it, its method reads GET.
pub struct Head;

/// Treats HEAD as GET without the body (the connection leaves that out), refuses TRACE, and adds the headers that keep
/// a browser from guessing.
pub async fn common(
    mut req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let began = Instant::now();
    let method = req.method().clone();
    if method == Method::HEAD {
        req.head_mut().method = Method::GET;
        req.extensions_mut().insert(Head);
    }
    let mut response = next.call(req).await?;
    let path = response.request().path().to_owned();
    let own_page = path.starts_with("/reference") || path.starts_with("/problems");
    let policy = if own_page {
        "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; frame-ancestors 'none'"
    } else {
        "default-src 'none'; frame-ancestors 'none'"
    };
    let headers = response.headers_mut();
    headers.insert(
        header::X_CONTENT_TYPE_OPTIONS,
        HeaderValue::from_static("nosniff"),
    );
    headers.insert(
        header::REFERRER_POLICY,
        HeaderValue::from_static("no-referrer"),
    );
    if !headers.contains_key(header::CONTENT_SECURITY_POLICY) {
        headers.insert(
            header::CONTENT_SECURITY_POLICY,
            HeaderValue::from_static(policy),
        );
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    if path.starts_with("/v1/public/") {
        headers.insert(
            header::ACCESS_CONTROL_ALLOW_ORIGIN,
            HeaderValue::from_static("*"),
        );
        headers.insert(
            header::ACCESS_CONTROL_EXPOSE_HEADERS,
            HeaderValue::from_static("ETag, Link, RateLimit, RateLimit-Policy, Retry-After"),
        );
    }
    let status = response.status().as_u16();
    let took = began.elapsed();
    let route = response
        .request()
        .match_pattern()
        .unwrap_or_else(|| "none".to_owned());
    metrics::answered(method.as_str(), &route, status, took);
    let extensions = response.request().extensions();
    let actor = extensions
        .get::<Result<Actor, ()>>()
        .and_then(|actor| actor.as_ref().ok());
    let key = actor.map(|actor| actor.key_id);
    tracing::info!(%method, %path, status, key, micros = took.as_micros(), "request");
    if let Some(actor) = actor
        && response.status().is_success()
        && PERSONAL.iter().any(|of| route.starts_with(of))
    {
        let (key, person) = (actor.key_id, actor.person.as_str());
        tracing::info!(target: "audit", key, person, %method, %path, "personal data");
    }
    drop(extensions);
    Ok(response)
}

/// A compressed response is another representation and gets another tag.
pub async fn tag_by_coding(
    req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let accepted = req.get_header::<header::AcceptEncoding>();
    let coding = accepted.and_then(|accepted| {
        accepted
            .negotiate(
                [
                    header::Encoding::brotli(),
                    header::Encoding::gzip(),
                    header::Encoding::identity(),
                ]
                .iter(),
            )
            .map(|coding| coding.to_string())
    });
    let mut response = next.call(req).await?;
    let ending = match coding.as_deref() {
        Some("br") => "-br\"",
        Some("gzip") => "-gzip\"",
        Some(_) | None => return Ok(response),
    };
    let tag = response
        .headers()
        .get(header::ETAG)
        .and_then(|tag| tag.to_str().ok())
        .map(str::to_owned);
    // A response that was compressed earlier already has its tag.
    let tag = tag.filter(|tag| !tag.ends_with("-gzip\""));
    if let Some(tag) = tag.and_then(|tag| tag.strip_suffix('"').map(|tag| format!("{tag}{ending}")))
    {
        response.headers_mut().insert(
            header::ETAG,
            HeaderValue::from_str(&tag).map_err(Problem::internal)?,
        );
    }
    Ok(response)
}
