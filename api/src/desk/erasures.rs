//! The personal data of a person: exported in full, and erased on request as far as the law allows.
//!
//! Only this file writes to tables of other modules, as an erasure is one act on all of them and easiest to read in
//! one place. A list of erased persons is stored with the photographs, outside the database, as a restored backup
//! does not know about later erasures.

pub mod catalogue;

use crate::{
    engines::photographs::Store,
    enquiring::offers,
    firm::persons::{self, Person},
    ground::{
        actor::Owner,
        answers::Reply,
        body::Body,
        clock,
        db::{self, Db, RunQueryDsl, SystemEntry, Tx},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
    },
    schema::{acquisitions, costs, enquiries, persons as persons_table, sales},
};
use actix_web::web;
use diesel::{
    dsl::exists,
    prelude::*,
    sql_types::{BigInt, Bool, Jsonb, Text},
};
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};
use jiff::Timestamp;
use outshop_core::days::Day;
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("persons")
        .service(list_everything)
        .service(erase);
}

// Types

/// A record that names the person, as the database has it.
#[derive(Debug, Clone, Serialize, QueryableByName, ToSchema)]
#[schema(example = json!({"of": "sales", "id": 31, "record": {"id": "31", "stock_no": "10", "price": "7600.00", "on_day": "2026-05-14"}}))]
pub struct ExportedRecord {
    /// The table.
    #[diesel(sql_type = Text)]
    #[diesel(column_name = of_table)]
    #[schema(max_length = 40)]
    pub of: String,
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    /// Every column with its value as text; null: no value.
    #[diesel(sql_type = Jsonb)]
    #[schema(value_type = Object)]
    pub record: Value,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct NewErasure {}

/// What was erased and what is kept.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"person": {"id": 12, "name": "erased", "email": null, "telephone": null, "address": null, "erased_on": "2026-05-14"},
    "kept_by_law": true, "kept": "Name and address are kept with this person's sales and purchases, in the stock book and on invoices, as the law on bookkeeping requires. They are shown nowhere else.",
    "enquiries_closed": 1, "offers_withdrawn": 0}))]
pub struct Erasure {
    /// The person as they now are.
    pub person: Person,
    /// Whether a sale, purchase or supplier's invoice in the books must go on naming the person.
    pub kept_by_law: bool,
    /// What is kept, as a sentence.
    #[schema(max_length = 400)]
    pub kept: &'static str,
    /// Open enquiries that were closed.
    #[schema(minimum = 0)]
    pub enquiries_closed: usize,
    /// Offers that were withdrawn.
    #[schema(minimum = 0)]
    pub offers_withdrawn: usize,
}

const KEPT: &str = "Name and address are kept with this person's sales and purchases, in the stock book and on invoices, as the law on \
                    bookkeeping requires. They are shown nowhere else.";
const NOTHING_KEPT: &str =
    "No sale or purchase names this person; nothing that identifies them is kept.";

// Routes

/// Export all personal data held about a person
///
/// Every record in any table that names the person or belongs to such a record.
#[get("/persons/{id:\\d+}/data-export", 200 = Page<ExportedRecord>, id = "get_data_export")]
async fn list_everything(_by: Owner, id: web::Path<i64>, list: ListQuery) -> Reply {
    let person = *id;
    persons::find(&mut *list.conn().await?, person).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let (table, after) = match &page.after {
            Some((table, id)) => (table.as_str().unwrap_or_default(), *id),
            None => ("", 0),
        };
        Ok(diesel::sql_query(&*catalogue::EVERYTHING)
            .bind::<BigInt, _>(person)
            .bind::<Text, _>(table)
            .bind::<BigInt, _>(after)
            .bind::<BigInt, _>(page.limit)
            .load(conn)
            .await?)
    };
    list.answer(fetch, |it: &ExportedRecord| (json!(it.of), it.id))
        .await
}

/// Erase a person
///
/// Erases name, contact details, all texts on what the person asked, paid and received, and the stored responses to
/// requests about them. Refused (409) while anything is open: a reservation, a deposit held, a promise,
/// a sale not delivered or not paid, an engine on commission not settled. Open enquiries are closed and offers
/// withdrawn. If the person appears in a sale or purchase, only the name and address required on the invoice and in
/// the stock book are kept.
#[post("/persons/{id:\\d+}/erasures", 201 = Erasure, id = "erase_person")]
async fn erase(
    Owner(actor): Owner,
    db: web::Data<Db>,
    store: web::Data<Store>,
    id: web::Path<i64>,
    new: Body<NewErasure>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        persons::locked_unerased(tx, id).await?;
        nothing_stands_in_the_way(tx, id).await?;
        let Forgotten {
            kept_by_law,
            enquiries_closed,
            offers_withdrawn,
            erasure_id,
        } = forget(tx.conn(), id, actor.today).await?;
        let entry = json!({"person_id": id, "kept_by_law": kept_by_law});
        tx.record("person.erased", None, entry).await?;
        // List the person before the commit: if only the list is written, the next restore erases them, as was asked;
        // if only the erasure were, a restore would bring them back.
        store.put(&listed(erasure_id), &[]).await?;
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

// The list outside of the database

/// Folder of the list in the photograph store: an empty file for each person, named by erasure id.
const LIST: &str = "erased";

fn listed(erasure_id: Uuid) -> String {
    format!("{LIST}/{erasure_id}")
}

/// Erases again, in a restored database, the persons who were erased since its backup was made, even if something was
/// still open then. Returns their ids.
pub async fn replay(
    conn: &mut AsyncPgConnection,
    store: &Store,
    now: Timestamp,
) -> Result<Vec<i64>, Problem> {
    let today = clock::today(conn, now).await?;
    let names = store.names_below(LIST).await?;
    let erased: Vec<Uuid> = names.iter().filter_map(|name| name.parse().ok()).collect();
    let back: Vec<i64> = persons_table::table
        .filter(persons_table::erasure_id.eq_any(erased))
        .filter(persons_table::erased_on.is_null())
        .select(persons_table::id)
        .order(persons_table::id)
        .load(conn)
        .await?;
    for id in &back {
        AnsiTransactionManager::begin_transaction(conn).await?;
        if let Err(problem) = forget_again(conn, *id, today).await {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            return Err(problem);
        }
        AnsiTransactionManager::commit_transaction(conn).await?;
    }
    Ok(back)
}

async fn forget_again(conn: &mut AsyncPgConnection, id: i64, today: Day) -> Result<(), Problem> {
    let Forgotten { kept_by_law, .. } = forget(conn, id, today).await?;
    let entry = SystemEntry {
        what: "person.erased",
        stock_no: None,
        data: json!({"person_id": id, "kept_by_law": kept_by_law}),
    };
    Ok(db::record_for_system(conn, today, vec![entry]).await?)
}

// SQL

struct Forgotten {
    kept_by_law: bool,
    enquiries_closed: usize,
    offers_withdrawn: usize,
    erasure_id: Uuid,
}

async fn forget(conn: &mut AsyncPgConnection, id: i64, on: Day) -> Result<Forgotten, Problem> {
    let enquiries_closed = close_enquiries(conn, id, on).await?;
    let offers_withdrawn = offers::withdraw_all_of(conn, id, on).await?;
    let kept_by_law = is_in_the_books(conn, id).await?;
    diesel::sql_query(&*catalogue::FORGET)
        .bind::<BigInt, _>(id)
        .bind::<Bool, _>(kept_by_law)
        .execute(conn)
        .await?;
    diesel::sql_query(&*catalogue::PURGE)
        .bind::<BigInt, _>(id)
        .execute(conn)
        .await?;
    let erasure_id = diesel::update(persons_table::table.find(id))
        .set(persons_table::erased_on.eq(on))
        .returning(persons_table::erasure_id)
        .get_result(conn)
        .await?;
    Ok(Forgotten {
        kept_by_law,
        enquiries_closed,
        offers_withdrawn,
        erasure_id,
    })
}

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
        "still open; settle first: {}",
        named.join(", ")
    )))
}

async fn close_enquiries(conn: &mut AsyncPgConnection, id: i64, on: Day) -> Result<usize, Problem> {
    let open = enquiries::table
        .filter(enquiries::person_id.eq(id))
        .filter(enquiries::closed_on.is_null());
    Ok(diesel::update(open)
        .set(enquiries::closed_on.eq(on))
        .execute(conn)
        .await?)
}

/// Whether a sale, purchase or supplier's invoice names the person.
async fn is_in_the_books(conn: &mut AsyncPgConnection, id: i64) -> Result<bool, Problem> {
    let sold = exists(sales::table.filter(sales::person_id.eq(id)));
    let bought = exists(acquisitions::table.filter(acquisitions::person_id.eq(id)));
    let supplied = exists(costs::table.filter(costs::person_id.eq(id)));
    Ok(diesel::select(sold.or(bought).or(supplied))
        .get_result(conn)
        .await?)
}
