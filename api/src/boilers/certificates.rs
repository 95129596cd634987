//! Certificates of boilers, recorded exactly as written.

use crate::{
    boilers::boilers::{self, Boiler},
    ground::{
        actor::{Staff, Workshop},
        answers::{Found, Reply},
        body::Body,
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::{Code, Line, Text},
    },
    schema::{certificates, tests},
};
use actix_web::web;
use diesel::prelude::*;
use outshop_core::{boilers::boiler::BoilerNumber, days::Day, sense::Member};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_certificates)
        .service(create_certificate)
        .service(get_certificate);
}

// Types

/// A certificate issued for a test, recorded exactly as written.
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
    /// Who issued it, such as a club.
    pub issuer: Line,
    pub issued_on: Day,
    /// The last day printed on it; null: none is printed.
    pub stated_until: Option<Day>,
    /// The boiler number printed on it.
    pub boiler_number: BoilerNumber,
    /// What it certifies, as printed.
    pub covers: Option<Text<500>>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = certificates)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"test_id": 205, "number": "26/118", "issuer": "Quillow Lane club", "issued_on": "2026-05-03",
    "stated_until": "2030-05-02", "boiler_number": "QLW 1187"}))]
pub struct NewCertificate {
    /// A test of this boiler that has no certificate yet.
    pub test_id: i64,
    pub number: Code,
    /// Who issued it, such as a club.
    pub issuer: Line,
    /// Not in the future, not before the test.
    pub issued_on: Day,
    /// As printed; null: none is printed. An earlier day than the code's applies; a later one is flagged, and the
    /// code's day applies.
    pub stated_until: Option<Day>,
    /// As printed. A certificate that names another boiler is stored and flagged, but never counts.
    pub boiler_number: BoilerNumber,
    /// true: the number is printed so, and is not a misreading of the known one that differs only in case, spaces or
    /// punctuation.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub number_confirmed: bool,
    /// What it certifies, as printed.
    pub covers: Option<Text<500>>,
}

// Routes

/// List the certificates of a boiler
#[get("/boilers/{id:\\d+}/certificates", 200 = Page<Certificate>)]
async fn list_certificates(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    boilers::must_exist(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = certificates::table
            .filter(certificates::boiler_id.eq(id))
            .select(Certificate::as_select());
        of_page!(page, rows, certificates::id)
    };
    list.rows(rows, |certificate: &Certificate| certificate.id)
        .await
}

/// Record a certificate
///
/// It is stored exactly as written, even if it names another boiler; such a certificate never counts.
#[post("/boilers/{id:\\d+}/certificates", 201 = Certificate)]
async fn create_certificate(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewCertificate>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let certificate = insert_certificate(tx, *id, &new).await?;
        Ok((format!("/v1/certificates/{}", certificate.id), certificate))
    })
    .await
}

/// Get a certificate
#[get("/certificates/{id:\\d+}", 200 = Certificate)]
async fn get_certificate(_by: Staff, found: Found<Certificate>) -> Reply {
    found.respond()
}

// SQL

by_id!(Certificate, certificates, "there is no certificate {id}");

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
        return Err(Problem::invalid("/issued_on", "must not be in the future"));
    }
    if new.issued_on < test_on {
        let detail = format!(
            "must not be before the test, made on {test_on}",
            test_on = test_on.in_words()
        );
        return Err(Problem::invalid("/issued_on", detail));
    }
    let mut ask = Confirmations::default();
    let doubt = boilers::read_number_in_doubt(tx.conn(), &new.boiler_number, &boiler).await?;
    ask.ask("/boiler_number", doubt, new.number_confirmed);
    let confirmed = ask.settled()?;
    let certificate: Certificate = diesel::insert_into(certificates::table)
        .values((
            certificates::boiler_id.eq(id),
            certificates::confirmed.eq(&confirmed),
            new,
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
