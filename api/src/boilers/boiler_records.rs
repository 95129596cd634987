//! Boiler test records: a boiler, its tests and certificates, and which certificates are valid, on one sheet.

use crate::{
    boilers::{
        boiler_tests::Test,
        boilers::{self, Boiler},
        certificates::Certificate,
        papers::{self, OnDay},
    },
    firm::sheets::{self, Sheet},
    ground::{
        actor::Staff,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        query::Query,
        text::Html,
    },
    schema::{certificates, tests},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        paper_words::{self, CAUTION, Papers},
        papers::{Answer, Sentence, answer_by_complete_tests},
    },
    days::Day,
};
use outshop_operation::get;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers").service(get_boiler_record);
}

/// The most tests listed for a boiler, latest first.
const MOST_TESTS: i64 = 500;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!(example()))]
pub struct BoilerRecord {
    /// The day that it describes.
    pub on: Day,
    pub boiler: Boiler,
    /// Latest first.
    #[schema(max_items = 500)]
    pub tests: Vec<TestOnRecord>,
    /// What visitors are shown about its certificates.
    #[schema(max_items = 2)]
    pub sentences: Vec<Sentence>,
    /// The result of the boiler code; null: too little is recorded about the boiler to apply a code.
    pub answer: Option<Answer>,
    #[schema(max_items = 101)]
    pub cautions: Vec<Sentence>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct TestOnRecord {
    #[serde(flatten)]
    pub test: Test,
    /// The certificate issued for it; null: none recorded.
    pub certificate: Option<Certificate>,
}

/// The example in the OpenAPI document: a boiler without enough on record to apply a code.
fn example() -> Value {
    let boiler = json!({"id": 88, "number": "QLW 1187", "maker": "Tolgarth Boilers", "material": "copper",
        "first_working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "volume": null, "made_on": null,
        "first_service_on": null, "first_marketed_on": null, "conformity_evidence": null, "has_gas_tank": null, "gas_tank_volume": null, "notes": null, "confirmed": [],
        "working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "bar_litres": null, "stock_no": 10,
        "installed_on": "1998-05-02"});
    json!({"on": "2026-05-14", "boiler": boiler, "tests": [], "sentences": ["On 14 May 2026 we have no test certificate for this boiler on record."],
        "answer": null, "cautions": [CAUTION]})
}

// Routes

/// Get the test record of a boiler
///
/// Lists the boiler, its tests and certificates, and which records are valid; it never says that a boiler may be
/// steamed. With `Accept: text/html`, a sheet to print.
#[get("/boilers/{id:\\d+}/record", 200(content((BoilerRecord = "application/json"), (Html = "text/html"))))]
async fn get_boiler_record(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    query: Query<OnDay>,
) -> Reply {
    let mut conn = db.read().await?;
    let record = of_boiler(&mut conn, *id, query.on.unwrap_or(actor.today)).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::BoilerRecord, &record, now).await
}

// SQL

pub(crate) async fn of_boiler(
    conn: &mut AsyncPgConnection,
    id: i64,
    on: Day,
) -> Result<BoilerRecord, Problem> {
    let boiler = boilers::find(conn, id).await?;
    // The record goes to other people: only tests recorded in full count.
    let answer = papers::question_for(conn, id, on)
        .await?
        .map(|(question, rules)| answer_by_complete_tests(&question, &rules));
    let tests: Vec<(Test, Option<Certificate>)> = tests::table
        .left_join(certificates::table)
        .filter(tests::boiler_id.eq(id))
        .order((tests::on_day.desc(), tests::id.desc()))
        .limit(MOST_TESTS)
        .select((Test::as_select(), Option::<Certificate>::as_select()))
        .load(conn)
        .await?;
    let papers = answer.as_ref().map_or(Papers::NotKnown, Papers::Clock);
    let cautions = answer.as_ref().map_or_else(
        || vec![Sentence::new(CAUTION)],
        |answer| answer.cautions.clone(),
    );
    Ok(BoilerRecord {
        on,
        boiler,
        tests: tests
            .into_iter()
            .map(|(test, certificate)| TestOnRecord { test, certificate })
            .collect(),
        sentences: paper_words::sentences(papers, on),
        cautions,
        answer,
    })
}
