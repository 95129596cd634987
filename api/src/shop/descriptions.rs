//! Descriptions: the honest particulars of an engine for a possible buyer.

use crate::{
    boilers::{boilers, papers::OnDay},
    engines::{
        findings::{Told, ToldFinding, findings_of},
        surveys::Grades,
    },
    firm::{
        firm,
        sheets::{self, Sheet},
    },
    ground::{
        actor::Staff,
        answers::Reply,
        clock::Instant,
        db::{Db, RunQueryDsl},
        operations::Operations,
        problem::Problem,
        query::Query,
        text::{Code, Html, Line, Prose},
    },
    schema::{engines as engines_table, listings, stock},
    shop::public::{self, PublicEngine, PublicPapers},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::{BoilerNumber, Material},
    days::Day,
    engines::{engine::Feed, surveys::BuildQuality},
    money::Money,
    units::{Length, Pressure},
};
use outshop_operation::get;
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("engines").service(get_description);
}

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
// Python clients confuse a schema with its own member of the same name.
#[schema(as = EngineDescription, example = json!(example()))]
pub struct Description {
    pub stock_no: i32,
    /// The day on which it is true.
    pub on: Day,
    /// The description in its listing; null: never listed.
    pub description: Option<Prose>,
    #[serde(flatten)]
    pub engine: DescribedEngine,
    /// How well it was made, as last assessed; null: not assessed.
    pub build_quality: Option<BuildQuality>,
    /// Condition by area at the last survey that graded any.
    pub grades: Grades,
    /// The day of that survey.
    pub graded_on: Option<Day>,
    /// All faults on record, released to the public or not; open ones first.
    #[schema(max_items = 200)]
    pub findings: Vec<ToldFinding>,
    /// The boiler in it; null: none, or none on record.
    pub boiler: Option<DescribedBoiler>,
    /// The asking price; null: price on request, none set, or never listed.
    pub price: Option<Money>,
    /// ISO 4217.
    pub currency: Code,
    pub papers: PublicPapers,
}

/// The public facts of an engine, and its works.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = engines_table)]
pub struct DescribedEngine {
    #[serde(flatten)]
    #[diesel(embed)]
    pub told: PublicEngine,
    /// Number of cylinders; null: not known.
    #[schema(minimum = 1, maximum = 12)]
    pub cylinders: Option<i32>,
    pub bore: Option<Length>,
    pub stroke: Option<Length>,
    /// Diameter on the tread.
    pub driving_wheel_diameter: Option<Length>,
    #[schema(max_items = 10)]
    pub feeds: Vec<Feed>,
    /// Whether a boiler is fitted.
    pub has_boiler: bool,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DescribedBoiler {
    pub number: BoilerNumber,
    pub maker: Option<Line>,
    pub material: Material,
    /// The present working pressure.
    pub working_pressure: Pressure,
    pub made_on: Option<Day>,
}

/// An example for the OpenAPI document.
fn example() -> Value {
    let mut engine = json!({"kind": "locomotive", "name": "Marrowby", "prototype": null, "design": "Marrow", "designer": null,
        "builder": "J. Thackwell", "builder_standing": "amateur", "built_year": 1998,
        "gauge": {"value": "5", "unit": "in", "mm": "127"}, "scale": null, "whyte": "0-6-0", "fuel": "coal",
        "weight": {"value": "150", "unit": "lb", "kg": "68.0389"}, "length": null, "width": null, "height": null,
        "included_items": ["box"], "offered_as": "steamable", "working_order": "in_running_order", "medals": 1, "full_record": null,
        "cylinders": 2, "bore": null, "stroke": null, "driving_wheel_diameter": null, "feeds": ["injector"], "has_boiler": true});
    let Value::Object(rest) = json!({"stock_no": 10, "on": "2026-05-14", "description": "Run twice a year.", "build_quality": "fine",
        "grades": {"boiler": "good", "fittings_and_feeds": null, "cylinders_and_valves": "good", "motion": "fair",
            "wheels_and_axleboxes": null, "frames": "good", "platework_and_paint": "fair", "completeness": "good"},
        "graded_on": "2026-04-20", "findings": [], "boiler": {"number": "QLW 1187", "maker": null, "material": "copper",
            "working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "made_on": null},
        "price": "7680.00", "currency": "GBP", "papers": {"on": "2026-05-14", "sentences": ["On 14 May 2026 this boiler has no valid test certificate on our records."], "cautions": []}})
    else {
        return engine;
    };
    if let Value::Object(members) = &mut engine {
        members.extend(rest);
    }
    engine
}

// Routes

/// Read the description of an engine, for a buyer
///
/// With its condition and all its faults. With `Accept: text/html` this is a sheet to print.
#[get("/engines/{stock_no:\\d+}/description", 200(content((Description = "application/json"), (Html = "text/html"))))]
async fn get_description(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    query: Query<OnDay>,
) -> Reply {
    let mut conn = db.read().await?;
    let description = of_engine(&mut conn, *stock_no, query.on.unwrap_or(actor.today)).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::Description, &description, now).await
}

// SQL

pub(crate) async fn of_engine(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Description, Problem> {
    let found: Option<(DescribedEngine, Option<Money>, Option<i64>)> = engines_table::table
        .inner_join(stock::table.on(stock::stock_no.eq(engines_table::stock_no)))
        .filter(engines_table::stock_no.eq(stock_no))
        .select((
            DescribedEngine::as_select(),
            stock::public_price,
            stock::boiler_id,
        ))
        .first(conn)
        .await
        .optional()?;
    let (engine, price, boiler_id) = found.ok_or_else(|| crate::stock::missing(stock_no))?;
    let description = listings::table
        .find(stock_no)
        .select(listings::description)
        .first(conn)
        .await
        .optional()?;
    let findings = findings_of(conn, stock_no, Told::All).await?;
    let condition = public::condition_of(conn, stock_no).await?;
    let firm = firm::find(conn).await?;
    let papers =
        public::papers_of(conn, &firm.jurisdiction, engine.has_boiler, boiler_id, on).await?;
    let boiler = match boiler_id {
        Some(id) => Some(boilers::find(conn, id).await?),
        None => None,
    };
    Ok(Description {
        stock_no,
        on,
        description,
        engine,
        build_quality: condition.build_quality,
        grades: condition.grades,
        graded_on: condition.graded_on,
        findings,
        boiler: boiler.map(|boiler| DescribedBoiler {
            number: boiler.particulars.number,
            maker: boiler.particulars.maker,
            material: boiler.particulars.material,
            working_pressure: boiler.working_pressure,
            made_on: boiler.particulars.made_on,
        }),
        price,
        currency: firm.currency,
        papers,
    })
}
