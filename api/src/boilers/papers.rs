//! Papers: tests and certificates of boilers, which papers hold by them, and what is due next.

use crate::{
    boilers::{
        boilers::{self, Boiler, BoilerParticulars},
        codes,
    },
    firm::firm,
    ground::{
        actor::{AnyKey, Staff, Workshop},
        answers::shown,
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx},
        instants::Instant,
        list::{Keyset, ListQuery, NoFilters, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        query::Query,
        text::{Code, Line, Prose, Text},
    },
    schema::{
        boiler_fittings, boiler_pressure_changes, boilers as boiler_table, certificates, jobs,
        stock, tests,
    },
    stock::standing_at,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::{self, BoilerNumber, Touches},
        codes::{Jurisdiction, Rule},
        papers::{
            self, Answer, Event, Lacks, NotValid, Question, Reason, RequiredPressure, Sentence,
            TestKind,
        },
    },
    days::{Day, DaySpan, TimeOfDay},
    sense::{self, Member},
    trade::Standing,
    units::Pressure,
    workshop::jobs::JobStanding,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_tests)
        .service(create_test)
        .service(get_test)
        .service(list_certificates)
        .service(create_certificate)
        .service(get_certificate)
        .service(get_papers)
        .service(calculate_papers)
        .service(list_papers_due);
}

// Types

/// A test of a boiler as it was recorded; null means not recorded.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = tests)]
#[schema(as = BoilerTest, example = json!({"id": 205, "boiler_id": 88, "test": "hydraulic_repeat", "on": "2026-05-02", "at": null,
    "pressure": {"value": "135", "unit": "psi", "bar": "9.3079"}, "hold_minutes": 12, "highest_pressure": null, "passed": true,
    "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false, "notes": null, "jurisdiction": "GB",
    "confirmed": []}))]
pub struct Test {
    pub id: i64,
    pub boiler_id: i64,
    pub test: TestKind,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Where the order of a job and a test on one day matters.
    pub at: Option<TimeOfDay>,
    /// Held in a hydraulic or gas tank test.
    pub pressure: Option<Pressure>,
    #[schema(minimum = 0, maximum = 1440)]
    pub hold_minutes: Option<i32>,
    /// Seen in a steam test at full fire.
    pub highest_pressure: Option<Pressure>,
    pub passed: Option<bool>,
    /// The number that the tester read or wrote.
    pub boiler_number: Option<BoilerNumber>,
    pub inspector: Option<Line>,
    /// Whether the inspector has an interest in the sale.
    pub inspector_interest: Option<bool>,
    pub notes: Option<Prose>,
    /// The place under whose boiler code it was made.
    pub jurisdiction: Jurisdiction,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// A test, and whether it counts by all that is on record today, under the code of the firm's place.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"id": 205, "boiler_id": 88, "test": "hydraulic_repeat", "on": "2026-05-02", "at": null,
    "pressure": {"value": "135", "unit": "psi", "bar": "9.3079"}, "hold_minutes": 12, "highest_pressure": null, "passed": true,
    "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false, "notes": null, "jurisdiction": "GB",
    "confirmed": [], "counts": true, "valid_until": "2030-05-02", "reasons": [], "explanations": []}))]
pub struct JudgedTest {
    #[serde(flatten)]
    pub test: Test,
    /// Whether a certificate rests on it that may open a gate; null while the volume of the boiler is not recorded, as no boiler code
    /// can be asked without it.
    pub counts: Option<bool>,
    /// Last day of that certificate; null where the test does not count, or the certificate has no last day.
    pub valid_until: Option<Day>,
    /// Why it does not count; empty when it does.
    #[schema(max_items = 10)]
    pub reasons: Vec<NotValid>,
    /// For each reason what is wrong and what would be right.
    #[schema(max_items = 10)]
    pub explanations: Vec<Sentence>,
}

/// What is left out is taken as not recorded. Without `passed`, `inspector`, `boiler_number` and, in a hydraulic test, `pressure` the
/// test is stored and does not count.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewBoilerTest, example = json!({"test": "hydraulic_repeat", "on": "2026-05-02", "pressure": {"value": "135", "unit": "psi"},
    "hold_minutes": 12, "passed": true, "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false}))]
pub struct NewTest {
    pub test: TestKind,
    /// Today or earlier, not before the boiler was made unless confirmed.
    pub on: Day,
    #[serde(default)]
    pub on_confirmed: bool,
    pub at: Option<TimeOfDay>,
    /// For hydraulic and gas tank tests. Of a hydraulic test at most 2 x the working pressure unless confirmed.
    pub pressure: Option<Pressure>,
    #[serde(default)]
    pub pressure_confirmed: bool,
    /// For hydraulic and gas tank tests.
    #[schema(minimum = 0, maximum = 1440)]
    pub hold_minutes: Option<i32>,
    /// For steam tests.
    pub highest_pressure: Option<Pressure>,
    pub passed: Option<bool>,
    /// As the tester read or wrote it; another number than the boiler's is stored and never counts.
    pub boiler_number: Option<BoilerNumber>,
    /// true: the number stands there so, and is not the known one that differs in case, spaces or punctuation alone.
    #[serde(default)]
    pub number_confirmed: bool,
    pub inspector: Option<Line>,
    pub inspector_interest: Option<bool>,
    pub notes: Option<Prose>,
    /// The place under whose boiler code it was made; left out: the firm's.
    pub jurisdiction: Option<Jurisdiction>,
}

impl NewTest {
    /// A reading under the wrong name would count as not recorded.
    fn check(&self) -> Result<(), Problem> {
        let held = match self.test {
            TestKind::HydraulicFirst | TestKind::HydraulicRepeat | TestKind::GasTank => true,
            TestKind::Steam
            | TestKind::ExternalExamination
            | TestKind::InternalExamination
            | TestKind::Ultrasonic => false,
        };
        let rules = [
            (
                self.pressure.is_none() || held,
                "pressure",
                "read in hydraulic and gas tank tests only",
            ),
            (
                self.hold_minutes.is_none() || held,
                "hold_minutes",
                "read in hydraulic and gas tank tests only",
            ),
            (
                self.hold_minutes.is_none_or(|n| (0..=1440).contains(&n)),
                "hold_minutes",
                "not 0 to 1440 minutes",
            ),
            (
                self.highest_pressure.is_none() || self.test == TestKind::Steam,
                "highest_pressure",
                "read in steam tests only",
            ),
        ];
        let broken: Vec<FieldError> = rules
            .into_iter()
            .filter(|(holds, ..)| !holds)
            .map(|(_, member, detail)| FieldError {
                pointer: format!("/{member}"),
                detail: detail.to_owned(),
            })
            .collect();
        if broken.is_empty() {
            Ok(())
        } else {
            Err(Problem::invalid_all(broken))
        }
    }
}

/// A paper issued on a test, kept as it is written.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = certificates)]
#[schema(example = json!({"id": 140, "boiler_id": 88, "test_id": 205, "number": "26/118", "issuer": "Quillow Lane club",
    "issued_on": "2026-05-03", "stated_until": "2030-05-02", "boiler_number": "QLW 1187", "covers": "the boiler shell",
    "confirmed": []}))]
pub struct Certificate {
    pub id: i64,
    pub boiler_id: i64,
    pub test_id: i64,
    pub number: Code,
    pub issuer: Line,
    pub issued_on: Day,
    /// The last day printed on it.
    pub stated_until: Option<Day>,
    /// The boiler that it names.
    pub boiler_number: BoilerNumber,
    pub covers: Option<Text<500>>,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"test_id": 205, "number": "26/118", "issuer": "Quillow Lane club", "issued_on": "2026-05-03",
    "stated_until": "2030-05-02", "boiler_number": "QLW 1187"}))]
pub struct NewCertificate {
    /// A test of this boiler that has no certificate yet.
    pub test_id: i64,
    pub number: Code,
    pub issuer: Line,
    /// Today or earlier, not before the test.
    pub issued_on: Day,
    /// As printed. An earlier day than the code's holds; a later one is flagged and the code's holds.
    pub stated_until: Option<Day>,
    /// As printed. A paper that names another boiler is stored, flagged and never counted.
    pub boiler_number: BoilerNumber,
    /// true: the number is printed so, and is not the known one that differs in case, spaces or punctuation alone.
    #[serde(default)]
    pub number_confirmed: bool,
    pub covers: Option<Text<500>>,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct OnDay {
    /// The day asked about; today when left out.
    #[param(example = "2026-12-19")]
    pub(crate) on: Option<Day>,
}

#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DueFilters {
    /// How many days ahead to look.
    #[serde(default = "a_month")]
    #[param(minimum = 0, maximum = 3660, default = 30, example = 30)]
    within_days: u16,
}

fn a_month() -> u16 {
    30
}

/// A test that a boiler in stock needs soon.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "standing": "in_stock", "boiler_id": 88, "boiler_number": "QLW 1187",
    "test": "steam", "by": "2026-06-01",
    "pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "papers_hold": true, "reason": null}))]
pub struct PaperDue {
    pub stock_no: i32,
    pub standing: Standing,
    pub boiler_id: i64,
    pub boiler_number: BoilerNumber,
    /// Null where too little is recorded to say.
    pub test: Option<TestKind>,
    /// The last day on which it keeps the papers unbroken; today where they are broken already.
    pub by: Day,
    /// At which pressure it counts: at least so much in a hydraulic test; in a steam test the working pressure, which it has to reach.
    /// Null where the code names none.
    pub pressure: Option<RequiredPressure>,
    /// Whether every paper that the code asks for holds today; null where too little is recorded to say.
    pub papers_hold: Option<bool>,
    /// What is not recorded, where too little is recorded to say.
    #[schema(max_length = 200)]
    pub reason: Option<&'static str>,
}

/// An answer for the document.
fn answer_example() -> Value {
    let pressure = |value: &str, bar: &str| json!({"value": value, "unit": "psi", "bar": bar});
    json!({
        "bar_litres": "49.6423", "band": "main",
        "required": {"hydraulic_first": pressure("180", "12.4106"), "hydraulic_repeat": pressure("135", "9.3079"),
            "steam_limit": pressure("99", "6.8258")},
        "papers": [
            {"paper": "hydraulic", "test_on": "2022-05-14", "from": "2022-05-14", "until": "2026-05-14", "unlimited": false,
                "voided_on": null, "voided_by": null, "incomplete": false},
            {"paper": "steam", "test_on": "2025-04-01", "from": "2025-04-01", "until": "2026-05-14", "unlimited": false,
                "voided_on": null, "voided_by": null, "incomplete": false},
        ],
        "tests_not_counted": [],
        "days": [{"on": "2026-05-15", "papers_hold": false, "reasons": ["hydraulic_ran_out", "steam_ran_out"]}],
        "open_days": [],
        "next_due": [{"test": "hydraulic_repeat", "from": "2026-05-15", "by": "2026-05-15", "pressure": pressure("135", "9.3079")},
            {"test": "steam", "from": "2026-05-15", "by": "2026-05-15", "pressure": pressure("90", "6.2053")}],
        "flags": [],
        "cautions": ["Boiler reports do not cross borders: abroad the engine needs the papers of that country."],
    })
}

/// What a boiler code cannot do without.
pub(crate) const NO_VOLUME: &str =
    "the boiler's volume is not recorded, so that no code can be asked: its rules go by size";

/// Months beyond which it does not matter to a buyer how long papers hold.
const LONGEST: i32 = 60;

/// How far ahead days are searched on which the papers hold.
const MONTHS_AHEAD: i32 = 24;

// Routes

/// List the tests of a boiler
#[get("/boilers/{id:\\d+}/tests", 200 = Page<Test>)]
async fn list_tests(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    boilers::must_exist(&mut *db.read().await?, id).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let found = tests::table
            .filter(tests::boiler_id.eq(id))
            .filter(tests::id.gt(page.after_id().unwrap_or(0)))
            .select(Test::as_select())
            .order(tests::id)
            .limit(page.limit);
        Ok(found.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |test: &Test| (Value::Null, test.id))
        .await
}

/// Record a test of a boiler
///
/// The answer says whether the test counts, until when its certificate is valid, and if it does not count why not and what would be
/// right.
#[post("/boilers/{id:\\d+}/tests", 201 = JudgedTest)]
async fn create_test(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTest>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let test = insert_test(tx, *id, &new).await?;
        let address = format!("/v1/tests/{}", test.id);
        Ok((address, judged(tx.conn(), test).await?))
    })
    .await
}

/// Read a test
///
/// With whether it counts by all that is on record today.
#[get("/tests/{id:\\d+}", 200 = JudgedTest)]
async fn get_test(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    let test: Option<Test> = tests::table
        .find(*id)
        .select(Test::as_select())
        .first(&mut conn)
        .await
        .optional()?;
    let test = test.ok_or_else(|| Problem::not_found(format!("there is no test {id}")))?;
    shown(&req, &judged(&mut conn, test).await?)
}

/// List the certificates of a boiler
#[get("/boilers/{id:\\d+}/certificates", 200 = Page<Certificate>)]
async fn list_certificates(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    boilers::must_exist(&mut *db.read().await?, id).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let found = certificates::table
            .filter(certificates::boiler_id.eq(id))
            .filter(certificates::id.gt(page.after_id().unwrap_or(0)))
            .select(Certificate::as_select())
            .order(certificates::id)
            .limit(page.limit);
        Ok(found.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |certificate: &Certificate| {
        (Value::Null, certificate.id)
    })
    .await
}

/// Record a certificate
///
/// It is kept as it is written, also where it names another boiler; such a paper never counts.
#[post("/boilers/{id:\\d+}/certificates", 201 = Certificate)]
async fn create_certificate(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewCertificate>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let certificate = insert_certificate(tx, *id, &new).await?;
        Ok((format!("/v1/certificates/{}", certificate.id), certificate))
    })
    .await
}

/// Read a certificate
#[get("/certificates/{id:\\d+}", 200 = Certificate)]
async fn get_certificate(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let certificate: Option<Certificate> = certificates::table
        .find(*id)
        .select(Certificate::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let certificate =
        certificate.ok_or_else(|| Problem::not_found(format!("there is no certificate {id}")))?;
    shown(&req, &certificate)
}

/// Read which papers of a boiler hold on a day
///
/// Says which records hold, never that a boiler may be steamed. `open_days` are those of the 24 months from the day.
#[get("/boilers/{id:\\d+}/papers", 200(body = Answer, example = json!(answer_example())))]
async fn get_papers(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    query: Query<OnDay>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    boilers::must_exist(&mut conn, *id).await?;
    let on = query.on.unwrap_or(actor.today);
    let asked = question_for(&mut conn, *id, on).await?;
    let (question, rules) = asked.ok_or_else(|| Problem::conflict(NO_VOLUME))?;
    shown(&req, &papers::answer(&question, &rules))
}

/// Calculate which papers would hold
///
/// By the boiler code rows of the jurisdiction, from the history given. Nothing is stored.
#[post("/calculations/papers", 200(body = Answer, example = json!(answer_example())),
    request_body(example = json!({"jurisdiction": "GB",
        "boiler": {"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
            "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-04-01"},
        "events": [
            {"event": "test", "test": "hydraulic_repeat", "on": "2022-05-14", "pressure": {"value": "135", "unit": "psi"},
                "hold_minutes": 10, "passed": true, "boiler_number": "QLW 1187"},
            {"event": "test", "test": "steam", "on": "2025-04-01", "highest_pressure": {"value": "90", "unit": "psi"},
                "passed": true, "boiler_number": "QLW 1187"}],
        "days": ["2026-05-15"]})))]
async fn calculate_papers(
    _by: AnyKey,
    req: HttpRequest,
    db: web::Data<Db>,
    question: Body<Question>,
) -> Result<HttpResponse, Problem> {
    let faults = papers::faults(&question);
    if !faults.is_empty() {
        let errors = faults.into_iter().map(|fault| FieldError {
            pointer: fault.pointer,
            detail: fault.detail,
        });
        return Err(Problem::invalid_all(errors.collect()));
    }
    let mut conn = db.read().await?;
    let rules = codes::rules_of(&mut conn, &question.jurisdiction).await?;
    shown(&req, &papers::answer(&question, &rules))
}

/// List the tests that boilers in stock need soon
///
/// Every boiler that is in an engine not yet delivered, soonest first.
#[get("/papers/due", 200 = Page<PaperDue>)]
async fn list_papers_due(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<DueFilters>,
) -> Result<HttpResponse, Problem> {
    let within_days = list.filters.within_days;
    if within_days > 3660 {
        let detail = "`within_days` is not 0 to 3660";
        return Err(Problem::new(crate::ground::problem::INVALID_QUERY, detail));
    }
    let (today, now) = (actor.today, Instant(actor.now));
    let until = today.plus_days(within_days.into());
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut due = due(conn, today, until, now).await?;
        if let Some(after) = &page.after {
            let after = place_after(after);
            due.retain(|item| place_of(item) > after);
        }
        due.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        Ok(due)
    };
    list.answer(&req, &db, fetch, |item: &PaperDue| {
        let (by, test, boiler_id) = place_of(item);
        (json!([by, test]), boiler_id)
    })
    .await
}

/// Where an item stands in the list of what is due.
type Place = (String, String, i64);

fn place_of(item: &PaperDue) -> Place {
    let test = item.test.map_or("", TestKind::as_str);
    (item.by.to_string(), test.to_owned(), item.boiler_id)
}

fn place_after((key, boiler_id): &(Value, i64)) -> Place {
    let part = |i: usize| key[i].as_str().unwrap_or_default().to_owned();
    (part(0), part(1), *boiler_id)
}

// SQL

async fn insert_test(tx: &mut Tx<'_>, id: i64, new: &NewTest) -> Result<Test, Problem> {
    let boiler = boilers::lock(tx.conn(), id).await?;
    new.check()?;
    let confirmed = confirmed_of_test(tx, &boiler, new).await?;
    let jurisdiction = match &new.jurisdiction {
        Some(jurisdiction) => jurisdiction.clone(),
        None => firm::find(tx.conn()).await?.jurisdiction,
    };
    let test: Test = diesel::insert_into(tests::table)
        .values((
            tests::boiler_id.eq(id),
            tests::test.eq(new.test),
            tests::on_day.eq(new.on),
            tests::at.eq(new.at),
            tests::pressure.eq(&new.pressure),
            tests::hold_minutes.eq(new.hold_minutes),
            tests::highest_pressure.eq(&new.highest_pressure),
            tests::passed.eq(new.passed),
            tests::boiler_number.eq(&new.boiler_number),
            tests::inspector.eq(&new.inspector),
            tests::inspector_interest.eq(new.inspector_interest),
            tests::notes.eq(&new.notes),
            tests::jurisdiction.eq(jurisdiction),
            tests::confirmed.eq(&confirmed),
        ))
        .returning(Test::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"boiler_id": id, "test_id": test.id, "test": test.test, "on": test.on, "passed": test.passed});
    let entry = confirmations::noted(entry, &confirmed);
    tx.record("boiler.tested", boiler.stock_no, entry).await?;
    Ok(test)
}

/// Whether a stored test counts under the code of the firm's place.
async fn judged(conn: &mut AsyncPgConnection, test: Test) -> Result<JudgedTest, Problem> {
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let history = histories(conn, &[test.boiler_id]).await?.pop();
    let asked = history.and_then(|history| {
        let at = history.tests.iter().position(|id| *id == test.id)?;
        Some((history.question(&jurisdiction)?, at))
    });
    let judged = asked.and_then(|(question, at)| papers::judge(&question, &rules, at));
    Ok(match judged {
        Some(judged) => JudgedTest {
            test,
            counts: Some(judged.counts),
            valid_until: judged.valid_until,
            reasons: judged.reasons,
            explanations: judged.explanations,
        },
        None => JudgedTest {
            test,
            counts: None,
            valid_until: None,
            reasons: Vec::new(),
            explanations: vec![NO_VOLUME.into()],
        },
    })
}

/// What a test confirms of its unusual values; refused while it does not.
async fn confirmed_of_test(
    tx: &mut Tx<'_>,
    boiler: &Boiler,
    new: &NewTest,
) -> Result<Vec<Member>, Problem> {
    if new.on > tx.actor.today {
        let detail = format!("in the future; today is {}", tx.actor.today);
        return Err(Problem::invalid("/on", detail));
    }
    let mut ask = Confirmations::default();
    let before = sense::tested_on(new.on, boiler.particulars.made_on);
    ask.ask("/on", before, new.on_confirmed);
    // A gas tank has a pressure of its own.
    let hydraulic = match new.test {
        TestKind::HydraulicFirst | TestKind::HydraulicRepeat => new.pressure.as_ref(),
        TestKind::GasTank
        | TestKind::Steam
        | TestKind::ExternalExamination
        | TestKind::InternalExamination
        | TestKind::Ultrasonic => None,
    };
    if let Some(tested) = hydraulic {
        let working = boilers::working_pressure_on(tx.conn(), boiler, new.on).await?;
        let doubt = sense::hydraulic_pressure(tested, &working);
        ask.ask("/pressure", doubt, new.pressure_confirmed);
    }
    if let Some(number) = &new.boiler_number {
        let doubt = boilers::read_number_in_doubt(tx.conn(), number, boiler).await?;
        ask.ask("/boiler_number", doubt, new.number_confirmed);
    }
    ask.settled()
}

async fn insert_certificate(
    tx: &mut Tx<'_>,
    id: i64,
    new: &NewCertificate,
) -> Result<Certificate, Problem> {
    let boiler: Boiler = boilers::lock(tx.conn(), id).await?;
    let test_on: Option<Day> = tests::table
        .find(new.test_id)
        .filter(tests::boiler_id.eq(id))
        .select(tests::on_day)
        .first(tx.conn())
        .await
        .optional()?;
    let test_on = test_on.ok_or_else(|| {
        let detail = format!("boiler {id} has no test {}", new.test_id);
        Problem::invalid("/test_id", detail)
    })?;
    if new.issued_on > tx.actor.today {
        return Err(Problem::invalid("/issued_on", "in the future"));
    }
    if new.issued_on < test_on {
        let detail = format!("before the test, which was made on {test_on}");
        return Err(Problem::invalid("/issued_on", detail));
    }
    let mut ask = Confirmations::default();
    let doubt = boilers::read_number_in_doubt(tx.conn(), &new.boiler_number, &boiler).await?;
    ask.ask("/boiler_number", doubt, new.number_confirmed);
    let confirmed = ask.settled()?;
    let certificate: Certificate = diesel::insert_into(certificates::table)
        .values((
            certificates::boiler_id.eq(id),
            certificates::test_id.eq(new.test_id),
            certificates::number.eq(&new.number),
            certificates::issuer.eq(&new.issuer),
            certificates::issued_on.eq(new.issued_on),
            certificates::stated_until.eq(new.stated_until),
            certificates::boiler_number.eq(&new.boiler_number),
            certificates::covers.eq(&new.covers),
            certificates::confirmed.eq(&confirmed),
        ))
        .returning(Certificate::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry =
        json!({"boiler_id": id, "certificate_id": certificate.id, "test_id": certificate.test_id});
    let entry = confirmations::noted(entry, &confirmed);
    tx.record("boiler.certified", boiler.stock_no, entry)
        .await?;
    Ok(certificate)
}

/// What the papers' clock is asked of a stored boiler about a day and the 24 months from it, with the rows of the code. `None` while too
/// little is recorded of the boiler to ask a code, and for an id that no boiler has.
pub(crate) async fn question_for(
    conn: &mut AsyncPgConnection,
    boiler_id: i64,
    on: Day,
) -> Result<Option<(Question, Vec<Rule>)>, Problem> {
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let history = histories(conn, &[boiler_id]).await?.pop();
    let question = history.and_then(|history| history.question_on(&jurisdiction, on));
    Ok(question.map(|question| (question, rules)))
}

/// A stored boiler with everything recorded that its papers hang on.
#[derive(Clone)]
pub(crate) struct BoilerHistory {
    pub particulars: BoilerParticulars,
    /// The tests first, in the order of `tests`.
    pub events: Vec<Event>,
    /// Ids of its tests.
    tests: Vec<i64>,
}

impl BoilerHistory {
    /// The boiler as the papers' clock sees it; `None` while its volume is not recorded.
    pub(crate) fn boiler(&self) -> Option<boiler::Boiler> {
        let recorded = &self.particulars;
        Some(boiler::Boiler {
            number: recorded.number.clone(),
            material: recorded.material,
            working_pressure: recorded.first_working_pressure.clone(),
            volume: recorded.volume.clone()?,
            first_service_on: recorded.first_service_on,
            gas_tank_volume: recorded.gas_tank_volume.clone(),
        })
    }

    /// Its history as a question that asks about no day yet; `None` while its volume is not recorded.
    pub(crate) fn question(&self, jurisdiction: &Jurisdiction) -> Option<Question> {
        Some(Question {
            jurisdiction: jurisdiction.clone(),
            boiler: self.boiler()?,
            events: self.events.clone(),
            days: Vec::new(),
            period: None,
        })
    }

    /// Months for which all papers that the code asks for still hold: at least 1 while they hold, `LONGEST` at most, 0 when
    /// they do not. `None` where the code has no answer: too little is recorded, no row of it asks, or the boiler is beyond
    /// its limit.
    pub(crate) fn months_left(
        &self,
        jurisdiction: &Jurisdiction,
        rules: &[Rule],
        on: Day,
    ) -> Option<u32> {
        let until = on.plus_months(LONGEST);
        let question = Question {
            days: vec![on],
            period: Some(DaySpan { from: on, until }),
            ..self.question(jurisdiction)?
        };
        let answer = papers::answer_by_complete_tests(&question, rules);
        let silent = |reason: &Reason| matches!(reason, Reason::NoCode | Reason::OutsideCode);
        let day = answer.days.as_slice().first()?;
        if day.reasons.iter().any(silent) {
            return None;
        }
        let open = answer.open_days.iter().find(|span| span.from == on);
        Some(open.map_or(0, |span| span.until.whole_months_since(on).max(1)))
    }

    fn question_on(&self, jurisdiction: &Jurisdiction, on: Day) -> Option<Question> {
        Some(Question {
            days: vec![on],
            period: Some(DaySpan {
                from: on,
                until: on.plus_months(MONTHS_AHEAD),
            }),
            ..self.question(jurisdiction)?
        })
    }
}

/// The boilers of these ids with their history, in the order of their ids.
pub(crate) async fn histories(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<BoilerHistory>, Problem> {
    let found = boilers::find_all(conn, ids).await?;
    let numbers: HashMap<i64, BoilerNumber> = found
        .iter()
        .map(|boiler| (boiler.id, boiler.number.clone()))
        .collect();
    let mut events: HashMap<i64, Vec<Event>> = HashMap::new();
    let mut test_ids: HashMap<i64, Vec<i64>> = HashMap::new();
    for (boiler_id, test_id, event) in tests_of(conn, ids, &numbers).await? {
        test_ids.entry(boiler_id).or_default().push(test_id);
        events.entry(boiler_id).or_default().push(event);
    }
    let all = [
        jobs_on(conn, ids).await?,
        changes_of(conn, ids).await?,
        exchanges_of(conn, ids).await?,
    ];
    for (boiler_id, event) in all.into_iter().flatten() {
        events.entry(boiler_id).or_default().push(event);
    }
    let histories = found.into_iter().map(|particulars| BoilerHistory {
        events: events.remove(&particulars.id).unwrap_or_default(),
        tests: test_ids.remove(&particulars.id).unwrap_or_default(),
        particulars,
    });
    Ok(histories.collect())
}

type Events = Vec<(i64, Event)>;

async fn tests_of(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
    numbers: &HashMap<i64, BoilerNumber>,
) -> Result<Vec<(i64, i64, Event)>, Problem> {
    let rows: Vec<(Test, Option<Certificate>)> = tests::table
        .left_join(certificates::table)
        .filter(tests::boiler_id.eq_any(ids))
        .select((Test::as_select(), Option::<Certificate>::as_select()))
        .order(tests::id)
        .load(conn)
        .await?;
    let events = rows.into_iter().map(|(test, certificate)| {
        let subject = numbers.get(&test.boiler_id);
        let named = certificate.as_ref().map(|paper| &paper.boiler_number);
        let event = Event::Test {
            test: test.test,
            jurisdiction: Some(test.jurisdiction),
            lacks: Lacks {
                inspector: test.inspector.is_none(),
                certificate: certificate.is_none(),
                supposed: false,
            },
            on: test.on,
            at: test.at,
            pressure: test.pressure,
            hold_minutes: test.hold_minutes.and_then(|n| u16::try_from(n).ok()),
            highest_pressure: test.highest_pressure,
            passed: test.passed,
            boiler_number: number_on_paper(named, test.boiler_number.as_ref(), subject),
            stated_until: certificate.as_ref().and_then(|paper| paper.stated_until),
            inspector_interest: test.inspector_interest,
        };
        (test.boiler_id, test.id, event)
    });
    Ok(events.collect())
}

/// The number that decides: of certificate and test record the one that is not the boiler's, as either of them then tells
/// of another boiler; else the certificate's.
fn number_on_paper(
    certificate: Option<&BoilerNumber>,
    test: Option<&BoilerNumber>,
    subject: Option<&BoilerNumber>,
) -> Option<BoilerNumber> {
    let another = [certificate, test]
        .into_iter()
        .flatten()
        .find(|number| Some(*number) != subject);
    another.or(certificate).or(test).cloned()
}

/// The finished jobs that were on these boilers.
async fn jobs_on(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    type Row = (
        Option<i64>,
        Option<Day>,
        Option<TimeOfDay>,
        Vec<Touches>,
        bool,
    );
    let rows: Vec<Row> = jobs::table
        .filter(jobs::boiler_id.eq_any(ids))
        .filter(jobs::standing.eq(JobStanding::Finished))
        .select((
            jobs::boiler_id,
            jobs::finished_on,
            jobs::finished_at,
            jobs::touches,
            jobs::gauge_glass_only,
        ))
        .order(jobs::id)
        .load(conn)
        .await?;
    let events = rows
        .into_iter()
        .filter_map(|(boiler_id, on, at, touches, gauge_glass_only)| {
            let event = Event::JobFinished {
                on: on?,
                at,
                touches,
                gauge_glass_only: Some(gauge_glass_only),
            };
            Some((boiler_id?, event))
        });
    Ok(events.collect())
}

async fn changes_of(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    let rows: Vec<boilers::PressureChange> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq_any(ids))
        .select(boilers::PressureChange::as_select())
        .order(boiler_pressure_changes::id)
        .load(conn)
        .await?;
    let events = rows.into_iter().map(|change| {
        let event = Event::WorkingPressureChanged {
            on: change.on,
            at: change.at,
            working_pressure: change.working_pressure,
        };
        (change.boiler_id, event)
    });
    Ok(events.collect())
}

/// The days on which one of these boilers took the place of another in an engine.
async fn exchanges_of(conn: &mut AsyncPgConnection, ids: &[i64]) -> Result<Events, Problem> {
    let (fitted, removed) = diesel::alias!(boiler_fittings as fitted, boiler_fittings as removed);
    let (inside, outside) = diesel::alias!(boiler_table as inside, boiler_table as outside);
    type Row = (i64, (Day, Option<TimeOfDay>), BoilerNumber, BoilerNumber);
    let rows: Vec<Row> = fitted
        .inner_join(
            removed.on(removed
                .field(boiler_fittings::stock_no)
                .eq(fitted.field(boiler_fittings::stock_no))
                .and(
                    removed
                        .field(boiler_fittings::boiler_id)
                        .ne(fitted.field(boiler_fittings::boiler_id)),
                )
                .and(
                    removed
                        .field(boiler_fittings::taken_out_on)
                        .assume_not_null()
                        .le(fitted.field(boiler_fittings::fitted_on)),
                )),
        )
        .inner_join(
            inside.on(inside
                .field(boiler_table::id)
                .eq(fitted.field(boiler_fittings::boiler_id))),
        )
        .inner_join(
            outside.on(outside
                .field(boiler_table::id)
                .eq(removed.field(boiler_fittings::boiler_id))),
        )
        .filter(fitted.field(boiler_fittings::boiler_id).eq_any(ids))
        .filter(
            inside
                .field(boiler_table::number)
                .ne(outside.field(boiler_table::number)),
        )
        .distinct_on(fitted.field(boiler_fittings::id))
        .order((
            fitted.field(boiler_fittings::id),
            removed.field(boiler_fittings::taken_out_on).desc(),
        ))
        .select((
            fitted.field(boiler_fittings::boiler_id),
            (
                fitted.field(boiler_fittings::fitted_on),
                fitted.field(boiler_fittings::fitted_at),
            ),
            inside.field(boiler_table::number),
            outside.field(boiler_table::number),
        ))
        .load(conn)
        .await?;
    let events = rows
        .into_iter()
        .map(|(boiler_id, (on, at), fitted, removed)| {
            let event = Event::BoilerExchanged {
                on,
                at,
                fitted,
                removed,
            };
            (boiler_id, event)
        });
    Ok(events.collect())
}

/// What boilers in engines that have not left need until that day, soonest first.
pub(crate) async fn due(
    conn: &mut AsyncPgConnection,
    today: Day,
    until: Day,
    now: Instant,
) -> Result<Vec<PaperDue>, Problem> {
    let rows: Vec<(i32, Standing, Option<i64>, Option<Instant>)> = stock::table
        .filter(
            stock::standing
                .ne_all([Standing::Delivered, Standing::Gone])
                .and(stock::boiler_id.is_not_null()),
        )
        .select((
            stock::stock_no,
            stock::standing,
            stock::boiler_id,
            stock::reserved_until,
        ))
        .order(stock::stock_no)
        .load(conn)
        .await?;
    let fitted: HashMap<i64, (i32, Standing)> = rows
        .into_iter()
        .filter_map(|(stock_no, standing, boiler_id, reserved_until)| {
            let standing = standing_at(standing, reserved_until, now);
            Some((boiler_id?, (stock_no, standing)))
        })
        .collect();
    let ids: Vec<i64> = fitted.keys().copied().collect();
    let jurisdiction = firm::find(conn).await?.jurisdiction;
    let rules = codes::rules_of(conn, &jurisdiction).await?;
    let mut due = Vec::new();
    for history in histories(conn, &ids).await? {
        let boiler_id = history.particulars.id;
        let Some((stock_no, standing)) = fitted.get(&boiler_id).copied() else {
            continue;
        };
        let item = |test, by, pressure, papers_hold, reason| PaperDue {
            stock_no,
            standing,
            boiler_id,
            boiler_number: history.particulars.number.clone(),
            test,
            by,
            pressure,
            papers_hold,
            reason,
        };
        let question = history.question_on(&jurisdiction, today);
        let answer = question.map(|it| papers::answer_by_complete_tests(&it, &rules));
        match answer {
            Some(answer) => {
                let hold = answer.days.iter().map(|day| day.papers_hold).next();
                let soon = answer.next_due.iter().filter(|next| next.by <= until);
                due.extend(soon.map(|next| {
                    let pressure = next.pressure.clone();
                    item(Some(next.test), next.by, pressure, hold, None)
                }));
            }
            None => due.push(item(None, today, None, None, Some(NO_VOLUME))),
        }
    }
    due.sort_by_key(place_of);
    Ok(due)
}
