//! Tests of boilers, each with whether it counts.

use crate::{
    boilers::{
        boilers::{self, Boiler},
        codes,
        papers::{NO_VOLUME, histories},
        pressure_changes,
    },
    firm::firm,
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
        body::Body,
        confirmations::{self, Confirmations},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Line, Prose},
    },
    schema::tests,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        boiler::BoilerNumber,
        codes::Jurisdiction,
        events::TestKind,
        papers::{self, NotValid, Sentence},
    },
    days::{Day, TimeOfDay},
    sense::{self, Member},
    units::Pressure,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_tests)
        .service(create_test)
        .service(get_test);
}

// Types

/// A test of a boiler as recorded; null means not recorded.
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
    /// Time of day; matters when a job and a test fall on the same day.
    pub at: Option<TimeOfDay>,
    /// Test pressure of a hydraulic or gas tank test.
    pub pressure: Option<Pressure>,
    /// Minutes that the pressure was held.
    #[schema(minimum = 0, maximum = 1440)]
    pub hold_minutes: Option<i32>,
    /// Highest pressure seen in a steam test at full fire.
    pub highest_pressure: Option<Pressure>,
    /// Whether the inspector passed it; null: not recorded, and the test does not count.
    pub passed: Option<bool>,
    /// The boiler number as the tester read or wrote it.
    pub boiler_number: Option<BoilerNumber>,
    /// Name of the inspector; null: not recorded, and the test does not count.
    pub inspector: Option<Line>,
    /// Whether the inspector has an interest in the sale.
    pub inspector_interest: Option<bool>,
    pub notes: Option<Prose>,
    /// The jurisdiction of the boiler code that the test followed.
    pub jurisdiction: Jurisdiction,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// A test, and whether it counts today under the code of the firm's place, given everything on record.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"id": 205, "boiler_id": 88, "test": "hydraulic_repeat", "on": "2026-05-02", "at": null,
    "pressure": {"value": "135", "unit": "psi", "bar": "9.3079"}, "hold_minutes": 12, "highest_pressure": null, "passed": true,
    "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false, "notes": null, "jurisdiction": "GB",
    "confirmed": [], "counts": true, "valid_until": "2030-05-02", "reasons": [], "explanations": []}))]
pub struct JudgedTest {
    #[serde(flatten)]
    pub test: Test,
    /// Whether it supports a certificate that may open the gate; null: the boiler's volume is not recorded, and without
    /// it no boiler code can be applied.
    pub counts: Option<bool>,
    /// Last day of that certificate; null: the test does not count, or the certificate does not expire.
    pub valid_until: Option<Day>,
    /// Why it does not count; empty if it does.
    #[schema(max_items = 10)]
    pub reasons: Vec<NotValid>,
    /// For each reason, what is wrong and what would be right.
    #[schema(max_items = 10)]
    pub explanations: Vec<Sentence>,
}

/// Anything left out counts as not recorded. Without `passed`, `inspector`, `boiler_number` and, for a hydraulic test,
/// `pressure`, the test is stored but does not count.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = tests)]
#[serde(deny_unknown_fields)]
#[schema(as = NewBoilerTest, example = json!({"test": "hydraulic_repeat", "on": "2026-05-02", "pressure": {"value": "135", "unit": "psi"},
    "hold_minutes": 12, "passed": true, "boiler_number": "QLW 1187", "inspector": "B. Arkwell", "inspector_interest": false}))]
pub struct NewTest {
    pub test: TestKind,
    /// Not in the future; not before the boiler was made unless confirmed.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// true: accept a day before the boiler was made.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub on_confirmed: bool,
    /// Time of day; matters when a job and a test fall on the same day.
    pub at: Option<TimeOfDay>,
    /// Test pressure, for hydraulic and gas tank tests only. In a hydraulic test at most 2 x the working pressure
    /// unless confirmed.
    pub pressure: Option<Pressure>,
    /// true: accept a pressure above the usual limit.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub pressure_confirmed: bool,
    /// For hydraulic and gas tank tests only.
    #[schema(minimum = 0, maximum = 1440)]
    pub hold_minutes: Option<i32>,
    /// Highest pressure seen at full fire, for steam tests only.
    pub highest_pressure: Option<Pressure>,
    /// Whether the inspector passed it; null: not recorded, and the test does not count.
    pub passed: Option<bool>,
    /// As the tester read or wrote it. A test with a number other than the boiler's is stored but never counts.
    pub boiler_number: Option<BoilerNumber>,
    /// true: the number really reads so, and is not a misreading of the known one that differs only in case, spaces or
    /// punctuation.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub number_confirmed: bool,
    /// Name of the inspector; null: not recorded, and the test does not count.
    pub inspector: Option<Line>,
    /// Whether the inspector has an interest in the sale.
    pub inspector_interest: Option<bool>,
    pub notes: Option<Prose>,
    /// The jurisdiction of the boiler code that the test followed. Default: the firm's.
    #[diesel(skip_insertion)]
    pub jurisdiction: Option<Jurisdiction>,
}

impl NewTest {
    /// Refused, as a reading under the wrong name would count as not recorded.
    fn check(&self) -> Result<(), Problem> {
        let held = match self.test {
            TestKind::HydraulicFirst | TestKind::HydraulicRepeat | TestKind::GasTank => true,
            TestKind::Steam
            | TestKind::ExternalExamination
            | TestKind::InternalExamination
            | TestKind::Ultrasonic => false,
        };
        all_hold([
            (
                self.pressure.is_none() || held,
                "/pressure",
                "must be null unless `test` is hydraulic or gas_tank",
            ),
            (
                self.hold_minutes.is_none() || held,
                "/hold_minutes",
                "must be null unless `test` is hydraulic or gas_tank",
            ),
            (
                self.hold_minutes.is_none_or(|n| (0..=1440).contains(&n)),
                "/hold_minutes",
                "must be 0 to 1440 minutes",
            ),
            (
                self.highest_pressure.is_none() || self.test == TestKind::Steam,
                "/highest_pressure",
                "must be null unless `test` is steam",
            ),
        ])
    }
}

// Routes

/// List the tests of a boiler
#[get("/boilers/{id:\\d+}/tests", 200 = Page<Test>)]
async fn list_tests(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    boilers::must_exist(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = tests::table
            .filter(tests::boiler_id.eq(id))
            .select(Test::as_select());
        of_page!(page, rows, tests::id)
    };
    list.rows(rows, |it: &Test| it.id).await
}

/// Record a test of a boiler
///
/// The response says whether the test counts and until when its certificate is valid; if it does not count, why not and
/// what would be right.
#[post("/boilers/{id:\\d+}/tests", 201 = JudgedTest)]
async fn create_test(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTest>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let test = insert_test(tx, *id, &new).await?;
        let address = format!("/v1/tests/{}", test.id);
        Ok((address, judged(tx.conn(), test).await?))
    })
    .await
}

/// Get a test of a boiler
///
/// Says whether it counts today, given everything on record.
#[get("/tests/{id:\\d+}", 200 = JudgedTest)]
async fn get_test(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let mut conn = db.read().await?;
    let test = Test::find(&mut conn, *id).await?;
    respond(&req, &judged(&mut conn, test).await?)
}

// SQL

by_id!(Test, tests, "there is no test {id}");

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
            tests::jurisdiction.eq(jurisdiction),
            tests::confirmed.eq(&confirmed),
            new,
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

/// The unusual values that the request confirms. Refused while any is unconfirmed.
async fn confirmed_of_test(
    tx: &mut Tx<'_>,
    boiler: &Boiler,
    new: &NewTest,
) -> Result<Vec<Member>, Problem> {
    if new.on > tx.actor.today {
        let detail = format!(
            "must not be in the future; today is {}",
            tx.actor.today.in_words()
        );
        return Err(Problem::invalid("/on", detail));
    }
    let mut ask = Confirmations::default();
    let before = sense::tested_on(new.on, boiler.particulars.made_on);
    ask.ask("/on", before, new.on_confirmed);
    // A gas tank has its own working pressure.
    let hydraulic = match new.test {
        TestKind::HydraulicFirst | TestKind::HydraulicRepeat => new.pressure.as_ref(),
        TestKind::GasTank
        | TestKind::Steam
        | TestKind::ExternalExamination
        | TestKind::InternalExamination
        | TestKind::Ultrasonic => None,
    };
    if let Some(tested) = hydraulic {
        let working = pressure_changes::working_pressure_on(tx.conn(), boiler, new.on).await?;
        let doubt = sense::hydraulic_pressure(tested, &working);
        ask.ask("/pressure", doubt, new.pressure_confirmed);
    }
    if let Some(number) = &new.boiler_number {
        let doubt = boilers::read_number_in_doubt(tx.conn(), number, boiler).await?;
        ask.ask("/boiler_number", doubt, new.number_confirmed);
    }
    ask.settled()
}
