//! Traces by OpenTelemetry, sent to the collector named in the variables of its specification, such as
//! `OTEL_EXPORTER_OTLP_ENDPOINT`. Without them nothing is measured or sent.

use actix_web::{
    body::MessageBody,
    dev::{ServiceRequest, ServiceResponse},
    http::header::HeaderMap,
    middleware::Next,
};
use opentelemetry::{
    global,
    propagation::Extractor,
    trace::{Status, TraceContextExt, TracerProvider},
};
use opentelemetry_otlp::SpanExporter;
use opentelemetry_sdk::{Resource, propagation::TraceContextPropagator, trace::SdkTracerProvider};
use tracing::{Instrument, Subscriber, field::Empty};
use tracing_opentelemetry::OpenTelemetrySpanExt;
use tracing_subscriber::{Layer, filter, registry::LookupSpan};

/// Spans with this target only go to traces.
const TARGET: &str = "traces";
/// According to the OpenTelemetry specification either of them names a collector.
const VARIABLES: [&str; 2] = [
    "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT",
    "OTEL_EXPORTER_OTLP_ENDPOINT",
];

/// Sends the traces until it is shut down. `None`: no collector is named.
pub fn provider() -> Result<Option<SdkTracerProvider>, String> {
    if VARIABLES
        .iter()
        .all(|name| std::env::var_os(name).is_none_or(|value| value.is_empty()))
    {
        return Ok(None);
    }
    global::set_text_map_propagator(TraceContextPropagator::new());
    let exporter = SpanExporter::builder()
        .with_http()
        .build()
        .map_err(|e| format!("traces cannot be sent: {e}"))?;
    let provider = SdkTracerProvider::builder()
        .with_batch_exporter(exporter)
        .with_resource(Resource::builder().with_service_name("outshop").build());
    Ok(Some(provider.build()))
}

/// The layer that passes spans for traces to the provider.
pub fn layer<S: Subscriber + for<'span> LookupSpan<'span>>(
    provider: &SdkTracerProvider,
) -> impl Layer<S> {
    tracing_opentelemetry::layer()
        .with_tracer(provider.tracer("outshop"))
        .with_filter(filter::filter_fn(|metadata| metadata.target() == TARGET))
}

/// A span for a part of the work within a request.
macro_rules! span {
    ($name:literal) => {
        tracing::info_span!(target: "traces", $name)
    };
}
pub(crate) use span;

/// A span for each request, below the one that the client names in `traceparent` (W3C Trace Context).
pub async fn request(
    req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let span = tracing::info_span!(target: TARGET, "request", otel.kind = "server",
        http.request.method = %req.method(), http.route = Empty, http.response.status_code = Empty);
    if span.is_disabled() {
        return next.call(req).await;
    }
    let parent = global::get_text_map_propagator(|known| known.extract(&Headers(req.headers())));
    // A span without its parent is still useful: it becomes a root.
    let _ = span.set_parent(parent);
    let method = req.method().clone();
    let answered = next.call(req).instrument(span.clone()).await?;
    let route = answered.request().match_pattern().unwrap_or_default();
    // A span that has started can only be renamed here.
    span.context()
        .span()
        .update_name(format!("{method} {route}"));
    span.record("http.route", route);
    span.record("http.response.status_code", answered.status().as_u16());
    if answered.status().is_server_error() {
        span.set_status(Status::error(""));
    }
    Ok(answered)
}

struct Headers<'h>(&'h HeaderMap);

impl Extractor for Headers<'_> {
    fn get(&self, key: &str) -> Option<&str> {
        self.0.get(key)?.to_str().ok()
    }

    fn keys(&self) -> Vec<&str> {
        self.0.keys().map(|name| name.as_str()).collect()
    }
}
