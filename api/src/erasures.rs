//! What is held of a person: exported whole, and erased on request as far as the law lets it go.
//!
//! The one file that writes the tables of others: an erasure is one act over all of them, and is read best in one place.

use crate::{
    body::Body,
    db::{Db, RunQueryDsl, Tx},
    keys::Owner,
    offers,
    operations::Operations,
    page::{Keyset, ListQuery, NoFilters, Page, PageParams},
    persons::{self, Person},
    problem::{Problem, Problems},
    schema::{acquisitions, costs, enquiries, persons as persons_table, sales},
    text::Line,
};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use diesel::{
    dsl::exists,
    prelude::*,
    sql_types::{BigInt, Jsonb, Text},
};
use diesel_async::AsyncPgConnection;
use outshop_core::days::Day;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.service(list_everything).service(erase);
}

// Types

/// One record that names the person, as the database holds it.
#[derive(Debug, Clone, Serialize, QueryableByName, ToSchema)]
#[schema(example = json!({"of": "sales", "id": 31, "record": {"id": "31", "stock_no": "10", "price": "7600.00", "on_day": "2026-05-14"}}))]
pub struct HeldRecord {
    /// The table.
    #[diesel(sql_type = Text)]
    #[diesel(column_name = of_table)]
    #[schema(max_length = 40)]
    pub of: String,
    #[diesel(sql_type = BigInt)]
    #[schema(minimum = 1)]
    pub id: i64,
    /// Every column, its value as text, null where there is none.
    #[diesel(sql_type = Jsonb)]
    #[schema(value_type = Object)]
    pub record: Value,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct NewErasure {}

/// What was done, and what stays.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"person": {"id": 12, "name": "erased", "email": null, "telephone": null, "address": null, "erased_on": "2026-05-14"},
    "kept_by_law": true, "kept": "Name and address stay beside the sales and purchases of this person, in the stock book and on invoices, as the law on keeping books asks. They are shown nowhere else.",
    "enquiries_closed": 1, "offers_withdrawn": 0}))]
pub struct Erasure {
    pub person: Person,
    /// Whether the books hold a sale or a purchase that has to go on naming the person.
    pub kept_by_law: bool,
    #[schema(max_length = 400)]
    pub kept: &'static str,
    #[schema(minimum = 0)]
    pub enquiries_closed: usize,
    #[schema(minimum = 0)]
    pub offers_withdrawn: usize,
}

const KEPT: &str = "Name and address stay beside the sales and purchases of this person, in the stock book and on invoices, as the law on \
                    keeping books asks. They are shown nowhere else.";
const NOTHING_KEPT: &str =
    "No sale and no purchase names this person; nothing that tells who it was stays.";

// Routes

/// Export all that is held of a person
///
/// Every record of every table that names the person, and what hangs on it.
#[utoipa::path(tag = "persons", operation_id = "list_everything_of_person",
    params(("id" = i64, Path, example = 1, minimum = 1), PageParams),
    responses((status = 200, body = Page<HeldRecord>), Problems), extensions(("x-roles" = json!(["proprietor"]))))]
#[get("/persons/{id:\\d+}/everything")]
async fn list_everything(
    _by: Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let person = *id;
    persons::find(&mut *db.read().await?, person).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let (table, after) = match &page.after {
            Some((table, id)) => (table.as_str().unwrap_or_default(), *id),
            None => ("", 0),
        };
        Ok(diesel::sql_query(include_str!("erasures/everything.sql"))
            .bind::<BigInt, _>(person)
            .bind::<Text, _>(table)
            .bind::<BigInt, _>(after)
            .bind::<BigInt, _>(page.limit)
            .load(conn)
            .await?)
    };
    list.answer(&req, &db, fetch, |it: &HeldRecord| (json!(it.of), it.id))
        .await
}

/// Erase a person
///
/// Name, contact and all words written beside what the person asked, paid and was given go, and so do the stored answers to
/// requests. Refused while something is open: a reservation, a deposit held, a promise, a sale not delivered or not paid, an
/// engine on commission that is not settled. Open enquiries are closed and offers withdrawn. Where a sale or a purchase stands
/// in the books, name and address stay beside it alone, as an invoice and the stock book have to show them.
#[utoipa::path(tag = "persons", operation_id = "erase_person",
    params(("id" = i64, Path, example = 1, minimum = 1), crate::body::Repeatable), request_body = NewErasure,
    responses((status = 201, body = Erasure), Problems), extensions(("x-roles" = json!(["proprietor"]))))]
#[post("/persons/{id:\\d+}/erasures")]
async fn erase(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewErasure>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        persons::locked_unerased(tx, id).await?;
        nothing_stands_in_the_way(tx, id).await?;
        let enquiries_closed = close_enquiries(tx, id).await?;
        let offers_withdrawn = offers::withdraw_all_of(tx, id).await?;
        for statement in [
            include_str!("erasures/forget.sql"),
            include_str!("erasures/purge.sql"),
        ] {
            diesel::sql_query(statement)
                .bind::<BigInt, _>(id)
                .execute(tx.conn())
                .await?;
        }
        let kept_by_law = is_in_the_books(tx.conn(), id).await?;
        let nothing: Option<Line> = None;
        let gone = (
            persons_table::email.eq(nothing.clone()),
            persons_table::telephone.eq(nothing.clone()),
            persons_table::erased_on.eq(actor.today),
        );
        if kept_by_law {
            diesel::update(persons_table::table.find(id))
                .set(gone)
                .execute(tx.conn())
                .await?;
        } else {
            diesel::update(persons_table::table.find(id))
                .set((
                    gone,
                    persons_table::name.eq(persons::ERASED),
                    persons_table::address.eq(nothing),
                ))
                .execute(tx.conn())
                .await?;
        }
        let entry = json!({"person_id": id, "kept_by_law": kept_by_law});
        tx.record("person.erased", None, entry).await?;
        let erasure = Erasure {
            person: persons::find(tx.conn(), id).await?,
            kept_by_law,
            kept: if kept_by_law { KEPT } else { NOTHING_KEPT },
            enquiries_closed,
            offers_withdrawn,
        };
        Ok((format!("/v1/persons/{id}"), erasure))
    })
    .await
}

// SQL

#[derive(QueryableByName)]
struct InTheWay {
    #[diesel(sql_type = Text)]
    what: String,
    #[diesel(sql_type = BigInt)]
    id: i64,
}

async fn nothing_stands_in_the_way(tx: &mut Tx<'_>, id: i64) -> Result<(), Problem> {
    let open: Vec<InTheWay> = diesel::sql_query(include_str!("erasures/in_the_way.sql"))
        .bind::<BigInt, _>(id)
        .load(tx.conn())
        .await?;
    if open.is_empty() {
        return Ok(());
    }
    let named: Vec<String> = open
        .iter()
        .map(|it| format!("{} {}", it.what, it.id))
        .collect();
    Err(Problem::conflict(format!(
        "still open, and to be settled first: {}",
        named.join(", ")
    )))
}

async fn close_enquiries(tx: &mut Tx<'_>, id: i64) -> Result<usize, Problem> {
    let on: Day = tx.actor.today;
    let open = enquiries::table
        .filter(enquiries::person_id.eq(id))
        .filter(enquiries::closed_on.is_null());
    Ok(diesel::update(open)
        .set(enquiries::closed_on.eq(on))
        .execute(tx.conn())
        .await?)
}

/// Whether a sale, a purchase or a supplier's invoice names the person.
async fn is_in_the_books(conn: &mut AsyncPgConnection, id: i64) -> Result<bool, Problem> {
    let sold = exists(sales::table.filter(sales::person_id.eq(id)));
    let bought = exists(acquisitions::table.filter(acquisitions::person_id.eq(id)));
    let supplied = exists(costs::table.filter(costs::person_id.eq(id)));
    Ok(diesel::select(sold.or(bought).or(supplied))
        .get_result(conn)
        .await?)
}
