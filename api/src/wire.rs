//! What every answer has in common: headers, refusals of unknown addresses, health.

use crate::{
    db::Db,
    metrics, page,
    problem::{self, KINDS, Problem},
};
use actix_web::{
    HttpMessage, HttpRequest, HttpResponse, ResponseError,
    body::MessageBody,
    dev::{ResourceDef, ServiceRequest, ServiceResponse},
    http::{
        Method,
        header::{self, HeaderValue},
    },
    middleware::Next,
    web,
};
use futures_util::FutureExt;
use std::{panic::AssertUnwindSafe, rc::Rc, time::Instant};
use utoipa::openapi::{OpenApi, path::PathItem};

/// Addresses outside the document.
const OWN: &[&str] = &[
    "/openapi.json",
    "/reference",
    "/health/live",
    "/health/ready",
    "/problems/{kind}",
];

pub fn routes(cfg: &mut web::ServiceConfig, document: &OpenApi) {
    let mut known: Vec<(ResourceDef, String)> = document
        .paths
        .paths
        .iter()
        .map(|(path, item)| (pattern(path), methods(item)))
        .collect();
    known.extend(
        OWN.iter()
            .map(|path| (ResourceDef::new(*path), "GET, HEAD".to_owned())),
    );
    let known = Rc::new(known);
    cfg.route("/health/live", web::get().to(live))
        .route("/health/ready", web::get().to(ready))
        .route("/problems/{kind}", web::get().to(meaning))
        .default_service(web::to(move |req: HttpRequest| {
            let problem = unknown(&req, &known);
            async move { problem.error_response() }
        }));
}

/// A fault of ours ends the request with a problem document and not with a dropped connection. Transactions are rolled
/// back: their connection is not taken into the pool again.
pub async fn no_panic_escapes(
    req: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    match AssertUnwindSafe(next.call(req)).catch_unwind().await {
        Ok(answered) => answered,
        Err(_) => Err(Problem::internal("a panic, told above").into()),
    }
}

/// A number in a path that is too large for any record is an address of nothing.
pub fn paths() -> web::PathConfig {
    web::PathConfig::default().error_handler(|_, req| {
        Problem::not_found(format!("there is nothing at {}", req.path())).into()
    })
}

/// Ids, stock numbers and versions are digits; all else fits any segment.
fn pattern(path: &str) -> ResourceDef {
    ResourceDef::new(
        path.replace("{id}", "{id:\\d+}")
            .replace("{rule_id}", "{rule_id:\\d+}")
            .replace("{stock_no}", "{stock_no:\\d+}")
            .replace("{version}", "{version:\\d+}"),
    )
}

fn methods(item: &PathItem) -> String {
    let takes = [
        ("GET, HEAD", item.get.is_some()),
        ("POST", item.post.is_some()),
        ("PUT", item.put.is_some()),
        ("PATCH", item.patch.is_some()),
        ("DELETE", item.delete.is_some()),
    ];
    takes
        .iter()
        .filter(|(_, takes)| *takes)
        .map(|(method, _)| *method)
        .collect::<Vec<_>>()
        .join(", ")
}

fn unknown(req: &HttpRequest, known: &[(ResourceDef, String)]) -> Problem {
    match known
        .iter()
        .find(|(pattern, _)| pattern.is_match(req.path()))
    {
        Some((_, allow)) => Problem::new(
            problem::METHOD_NOT_ALLOWED,
            format!("this address takes {allow}"),
        )
        .with_header("allow", allow.clone()),
        None => Problem::not_found(format!(
            "there is nothing at {}",
            req.path().chars().take(200).collect::<String>()
        )),
    }
}

async fn live() -> HttpResponse {
    HttpResponse::Ok().json(serde_json::json!({"live": true}))
}

async fn ready(db: web::Data<Db>) -> Result<HttpResponse, Problem> {
    use diesel_async::SimpleAsyncConnection;
    db.read()
        .await?
        .batch_execute("SELECT 1 FROM journal_identity")
        .await?;
    Ok(HttpResponse::Ok().json(serde_json::json!({"ready": true})))
}

/// The page of a kind of problem.
async fn meaning(req: HttpRequest, kind: web::Path<String>) -> Result<HttpResponse, Problem> {
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
    Ok(page::answer(
        &req,
        page.into_bytes(),
        "text/html; charset=utf-8",
        "public, max-age=3600",
    ))
}

/// HEAD is GET without the body (the connection leaves that out), TRACE is not answered, and every answer has the headers
/// that keep a browser from guessing.
pub async fn common(
    mut req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let began = Instant::now();
    let method = req.method().clone();
    if method == Method::HEAD {
        req.head_mut().method = Method::GET;
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
    tracing::info!(%method, %path, status, micros = took.as_micros(), "request");
    Ok(response)
}

/// A compressed answer is another representation and has another tag.
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
    // An answer that was compressed before has its tag already.
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
