//! Figures for watching the service, in the Prometheus text form, on a listener of their own.

use actix_web::{App, HttpResponse, HttpServer, dev::Server, http::header, web};
use prometheus::{
    Encoder, HistogramVec, IntCounterVec, TextEncoder, register_histogram_vec,
    register_int_counter_vec,
};
use std::{
    net::{Ipv4Addr, SocketAddr, TcpListener},
    sync::LazyLock,
    time::Duration,
};

static REQUESTS: LazyLock<IntCounterVec> = LazyLock::new(|| {
    register_int_counter_vec!(
        "outshop_requests_total",
        "Requests answered",
        &["method", "route", "status"]
    )
    .expect("the name is registered once, here")
});

static SECONDS: LazyLock<HistogramVec> = LazyLock::new(|| {
    let buckets = vec![
        0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 30.0,
    ];
    register_histogram_vec!(
        "outshop_request_seconds",
        "Time from a request's head to its answer",
        &["method", "route"],
        buckets
    )
    .expect("the name is registered once, here")
});

/// Counts an answer. `route` is the pattern, not the path: paths would make a row for every engine.
pub fn answered(method: &str, route: &str, status: u16, took: Duration) {
    REQUESTS
        .with_label_values(&[method, route, &status.to_string()])
        .inc();
    SECONDS
        .with_label_values(&[method, route])
        .observe(took.as_secs_f64());
}

/// The listener, on the loopback address; port 0 takes a free one.
pub fn serve(port: u16) -> Result<(Server, SocketAddr), String> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .map_err(|e| format!("cannot listen for metrics on port {port}: {e}"))?;
    let address = listener.local_addr().map_err(|e| e.to_string())?;
    let server = HttpServer::new(|| App::new().route("/metrics", web::get().to(figures)))
        .workers(1)
        .disable_signals()
        .listen(listener)
        .map_err(|e| e.to_string())?;
    Ok((server.run(), address))
}

async fn figures() -> HttpResponse {
    let mut text = Vec::new();
    let encoder = TextEncoder::new();
    match encoder.encode(&prometheus::gather(), &mut text) {
        Ok(()) => HttpResponse::Ok()
            .insert_header((header::CONTENT_TYPE, encoder.format_type()))
            .body(text),
        Err(error) => HttpResponse::InternalServerError().body(error.to_string()),
    }
}
