//! The shop page of the demonstration, and the relay for what a page may not do without a key.
//!
//! The page reads `/v1/public` itself. An enquiry or a reservation needs a key of the role `website`, and a browser
//! cannot keep a secret: the server of a shop site has the key and passes on what visitors send. This one takes `POST
//! /relay/enquiries` and `POST /relay/reservations`, with the bodies and responses of `/v1/enquiries` and
//! `/v1/reservations`. It only takes JSON, which a page of another site may not send without a preflight, and it allows
//! none.

use crate::ground::{
    body,
    problem::{self, Problem},
};
use actix_web::{
    HttpRequest, HttpResponse,
    http::{StatusCode, header},
    web,
};
use reqwest::Client;

/// Headers that are passed on with a request, and with its response.
const ASKED_WITH: [&str; 2] = ["content-type", "idempotency-key"];
const ANSWERED_WITH: [&str; 3] = ["content-type", "location", "retry-after"];

const POLICY: &str =
    "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

const FILES: [(&str, &str, &str); 3] = [
    (
        "/",
        "text/html; charset=utf-8",
        include_str!("../../../demo-data/shop-page/index.html"),
    ),
    (
        "/shop.css",
        "text/css; charset=utf-8",
        include_str!("../../../demo-data/shop-page/shop.css"),
    ),
    (
        "/shop.js",
        "text/javascript; charset=utf-8",
        include_str!("../../../demo-data/shop-page/shop.js"),
    ),
];

/// The server of a shop site.
#[derive(Debug, Clone)]
pub struct Shop {
    client: Client,
    /// Address of the service.
    url: String,
    /// A key with the role `website`.
    key: String,
}

impl Shop {
    pub fn new(url: String, key: String) -> Shop {
        Shop {
            client: Client::new(),
            url,
            key,
        }
    }

    pub fn routes(&self, cfg: &mut web::ServiceConfig) {
        for (address, media_type, text) in FILES {
            let show = move || async move {
                HttpResponse::Ok()
                    .insert_header((header::CONTENT_TYPE, media_type))
                    .insert_header((header::CONTENT_SECURITY_POLICY, POLICY))
                    .insert_header((header::CACHE_CONTROL, "no-cache"))
                    .body(text)
            };
            cfg.route(address, web::get().to(show));
        }
        for what in ["enquiries", "reservations"] {
            let shop = self.clone();
            let relay = move |req: HttpRequest, payload: web::Payload| {
                let shop = shop.clone();
                async move { shop.pass_on(&req, payload, what).await }
            };
            cfg.route(&format!("/relay/{what}"), web::post().to(relay));
        }
    }

    async fn pass_on(
        &self,
        req: &HttpRequest,
        payload: web::Payload,
        what: &str,
    ) -> Result<HttpResponse, Problem> {
        let sent = body::read(req, payload.into_inner(), &[body::JSON], body::LIMIT).await?;
        let mut ask = self
            .client
            .post(format!("{}/v1/{what}", self.url))
            .bearer_auth(&self.key)
            .body(sent);
        for name in ASKED_WITH {
            if let Some(value) = req.headers().get(name) {
                ask = ask.header(name, value.as_bytes());
            }
        }
        let away = |_| {
            Problem::new(
                problem::SERVICE_UNAVAILABLE,
                "the service does not answer; try again in a few seconds",
            )
        };
        let answer = ask.send().await.map_err(away)?;
        let status = StatusCode::from_u16(answer.status().as_u16()).map_err(Problem::internal)?;
        let mut response = HttpResponse::build(status);
        for name in ANSWERED_WITH {
            if let Some(value) = answer.headers().get(name) {
                response.insert_header((name, value.as_bytes()));
            }
        }
        Ok(response.body(answer.bytes().await.map_err(away)?))
    }
}
