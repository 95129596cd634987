//! Metrics in the Prometheus text format, on a listener of their own. OPERATING.md says what each means and when to
//! worry.

use crate::{
    ground::{
        clock::{self, Clock},
        db::{Db, RunQueryDsl},
        entries,
        problem::Problem,
    },
    schema::{journal as journal_table, midnights, webhook_calls, webhooks},
};
use actix_web::{App, HttpResponse, HttpServer, dev::Server, http::header, web};
use diesel::{dsl::max, prelude::*};
use outshop_core::webhooks::{Reception, Switch};
use prometheus::{
    Encoder, HistogramVec, IntCounterVec, IntGauge, IntGaugeVec, TextEncoder,
    register_histogram_vec, register_int_counter_vec, register_int_gauge, register_int_gauge_vec,
};
use std::{
    net::{Ipv4Addr, SocketAddr, TcpListener},
    sync::{Arc, LazyLock},
    time::Duration,
};
use tokio::time::timeout;

/// How long the database may take to answer.
const DATABASE_TIMEOUT: Duration = Duration::from_secs(2);

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

type Age = dyn Fn() -> Option<Duration> + Send + Sync;

/// Values that are read when the metrics are fetched.
struct Gauges {
    database_up: IntGauge,
    connections: IntGaugeVec,
    window_age: IntGauge,
    last_entry: IntGauge,
    unnumbered: IntGauge,
    days_behind: IntGauge,
    calls: IntGaugeVec,
    webhooks_off: IntGauge,
}

static GAUGES: LazyLock<Gauges> = LazyLock::new(|| {
    let of = |name, help| register_int_gauge!(name, help).expect("each name once, here");
    let by = |name, help, label| {
        register_int_gauge_vec!(name, help, &[label]).expect("each name once, here")
    };
    Gauges {
        database_up: of(
            "outshop_database_up",
            "1 while the database answers, else 0; figures that come from it do not change then",
        ),
        connections: by(
            "outshop_database_connections",
            "Connections of this process to the database, and requests that wait for one",
            "state",
        ),
        window_age: of(
            "outshop_window_age_seconds",
            "Seconds since the public listings were last checked against the journal; -1 before the first time",
        ),
        last_entry: of(
            "outshop_journal_last_entry",
            "Number of the last entry of the journal",
        ),
        unnumbered: of(
            "outshop_journal_unnumbered",
            "Journal entries without a number yet",
        ),
        days_behind: of(
            "outshop_days_behind",
            "Days of the firm that have begun and are not processed yet; below 0 if days in the future were processed by a clock that was ahead",
        ),
        calls: by(
            "outshop_webhook_calls",
            "Webhook calls that are waiting or have failed",
            "outcome",
        ),
        webhooks_off: of(
            "outshop_webhooks_off",
            "Webhooks that were switched off because their receiver is gone or does not answer",
        ),
    }
});

/// Counts a response. `route` is the pattern, not the path, which would make a series for every engine.
pub fn answered(method: &str, route: &str, status: u16, took: Duration) {
    REQUESTS
        .with_label_values(&[method, route, &status.to_string()])
        .inc();
    SECONDS
        .with_label_values(&[method, route])
        .observe(took.as_secs_f64());
}

/// The listener, on the loopback address; port 0 takes a free one.
/// `age`: how long ago the listings on show were last checked against the journal; `None`: not yet.
pub fn serve(
    port: u16,
    db: Db,
    age: impl Fn() -> Option<Duration> + Send + Sync + 'static,
) -> Result<(Server, SocketAddr), String> {
    let age: web::Data<Age> = web::Data::from(Arc::new(age) as Arc<Age>);
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .map_err(|e| format!("cannot listen for metrics on port {port}: {e}"))?;
    let address = listener.local_addr().map_err(|e| e.to_string())?;
    let server = HttpServer::new(move || {
        App::new()
            .app_data(web::Data::new(db.clone()))
            .app_data(age.clone())
            .route("/metrics", web::get().to(figures))
    })
    .workers(1)
    .disable_signals()
    .listen(listener)
    .map_err(|e| e.to_string())?;
    Ok((server.run(), address))
}

async fn figures(db: web::Data<Db>, age: web::Data<Age>) -> HttpResponse {
    let age = age().map_or(-1, |age| age.as_secs().cast_signed());
    GAUGES.window_age.set(age);
    for (state, n) in db.connections() {
        GAUGES.connections.with_label_values(&[state]).set(n);
    }
    let looked = timeout(DATABASE_TIMEOUT, look(&db)).await;
    GAUGES
        .database_up
        .set(i64::from(matches!(looked, Ok(Ok(())))));
    let mut text = Vec::new();
    let encoder = TextEncoder::new();
    match encoder.encode(&prometheus::gather(), &mut text) {
        Ok(()) => HttpResponse::Ok()
            .insert_header((header::CONTENT_TYPE, encoder.format_type()))
            .body(text),
        Err(error) => HttpResponse::InternalServerError().body(error.to_string()),
    }
}

async fn look(db: &Db) -> Result<(), Problem> {
    let mut conn = db.read().await?;
    let last = entries::last_entry_no(&mut conn).await?;
    GAUGES.last_entry.set(last);
    let unnumbered = journal_table::table
        .filter(journal_table::entry_no.is_null())
        .count();
    GAUGES
        .unnumbered
        .set(unnumbered.get_result(&mut conn).await?);
    let today = clock::today(&mut conn, Clock::default().now()).await?;
    let processed: Option<outshop_core::days::Day> = midnights::table
        .select(max(midnights::on_day))
        .first(&mut conn)
        .await?;
    let behind = processed.map_or(0, |processed| today.days_since(processed));
    GAUGES.days_behind.set(i64::from(behind));
    for outcome in [Reception::Waiting, Reception::Failed] {
        let calls = webhook_calls::table
            .filter(webhook_calls::outcome.eq(outcome))
            .count();
        let gauge = GAUGES.calls.with_label_values(&[outcome.as_str()]);
        gauge.set(calls.get_result(&mut conn).await?);
    }
    let off = webhooks::table
        .filter(webhooks::status.eq(Switch::Off))
        .filter(webhooks::switched_off_reason.ne("by_hand"))
        .count();
    GAUGES.webhooks_off.set(off.get_result(&mut conn).await?);
    Ok(())
}
