//! Persons: sellers, owners and buyers, each recorded once and never public.

use crate::{
    ground::{
        actor::{Selling, SellingRead},
        answers::{Reply, respond},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, Tx, by_id, hashtextextended, pg_advisory_xact_lock},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::{Line, Text, email_address, telephone_number},
    },
    schema::persons,
};
use actix_web::{HttpRequest, web};
use diesel::{prelude::*, sql_types::Nullable};
use diesel_async::AsyncPgConnection;
use outshop_core::days::Day;
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("persons")
        .service(list_persons)
        .service(create_person)
        .service(get_person)
        .service(change_person);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = persons)]
#[schema(example = json!({"id": 12, "name": "Odo Fenwright", "email": "odo@example.org", "telephone": null, "address": null, "erased_on": null}))]
pub struct Person {
    pub id: i64,
    pub name: Line,
    pub email: Option<Line>,
    pub telephone: Option<Line>,
    pub address: Option<Text<500>>,
    /// When the person was erased; the other members are then empty. Null: not erased.
    pub erased_on: Option<Day>,
}

/// Shown instead of an erased name.
pub(crate) const ERASED: &str = "erased";

impl Person {
    /// Hides the name of an erased person, which the books may still contain.
    fn shown(self) -> Result<Person, Problem> {
        if self.erased_on.is_none() {
            return Ok(self);
        }
        Ok(Person {
            name: ERASED.parse().map_err(Problem::internal)?,
            email: None,
            telephone: None,
            address: None,
            ..self
        })
    }
}

#[derive(Debug, Clone, Deserialize, Insertable, AsChangeset, ToSchema)]
#[diesel(table_name = persons, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "Odo Fenwright", "email": "odo@example.org"}))]
pub struct NewPerson {
    pub name: Line,
    /// One address such as `name@example.org`, without accents.
    #[serde(default, deserialize_with = "email_address")]
    pub email: Option<Line>,
    /// 5 to 15 digits; may contain spaces, `+ ( ) - . /`, and `ext 12` at the end.
    #[serde(default, deserialize_with = "telephone_number")]
    pub telephone: Option<Line>,
    pub address: Option<Text<500>>,
}

impl NewPerson {
    pub(crate) fn can_be_reached(&self) -> bool {
        self.email.is_some() || self.telephone.is_some()
    }
}

// Routes

/// List persons
///
/// An erased person has the name `erased` and nothing else.
#[get("/persons", 200 = Page<Person>)]
async fn list_persons(_by: SellingRead, list: ListQuery) -> Reply {
    let fetch = async |conn: &mut AsyncPgConnection, page: Keyset| {
        let all = persons::table.select(Person::as_select());
        let persons = of_page!(page, all, persons::id);
        let persons: Vec<Person> = persons.load(conn).await?;
        persons.into_iter().map(Person::shown).collect()
    };
    list.answer(fetch, |it: &Person| it.id).await
}

/// Add a person
///
/// Persons already recorded are not searched for the same name or address.
#[post("/persons", 201 = Person)]
async fn create_person(Selling(actor): Selling, db: web::Data<Db>, new: Body<NewPerson>) -> Reply {
    db.create(&actor, &new, async |tx| {
        let person = insert(tx, &new).await?;
        Ok((format!("/v1/persons/{}", person.id), person))
    })
    .await
}

/// Get a person
///
/// An erased person has the name `erased` and nothing else.
#[get("/persons/{id:\\d+}", 200 = Person)]
async fn get_person(
    _by: SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let person = find(&mut *db.read().await?, *id).await?;
    respond(&req, &person)
}

/// Change a person
///
/// Refused (409) for a person who was erased.
#[patch("/persons/{id:\\d+}", 200 = Person)]
async fn change_person(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<NewPerson>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = locked_unerased(tx, *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: Person = diesel::update(persons::table.find(*id))
            .set(&change)
            .returning(Person::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record(
            "person.changed",
            None,
            json!({"person_id": *id, "members": patch.members()}),
        )
        .await?;
        Ok(changed)
    })
    .await
}

// SQL

by_id!(Person, persons, "there is no person {id}");

async fn insert(tx: &mut Tx<'_>, new: &NewPerson) -> Result<Person, Problem> {
    let person: Person = diesel::insert_into(persons::table)
        .values(new)
        .returning(Person::as_returning())
        .get_result(tx.conn())
        .await?;
    tx.record("person.created", None, json!({"person_id": person.id}))
        .await?;
    Ok(person)
}

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Person, Problem> {
    Person::find(conn, id).await?.shown()
}

/// The person, locked so that nothing else can refer to them meanwhile; 409 if they were erased.
pub(crate) async fn locked_unerased(tx: &mut Tx<'_>, id: i64) -> Result<Person, Problem> {
    let person = Person::lock(tx.conn(), id).await?;
    match person.erased_on {
        None => Ok(person),
        Some(on) => Err(Problem::conflict(format!(
            "the person was erased on {on}; add them again as a new person if needed",
            on = on.in_words()
        ))),
    }
}

/// Checks that the person exists and locks them against erasure until the transaction ends. `pointer`: where the
/// request names them.
pub(crate) async fn must_exist(
    conn: &mut AsyncPgConnection,
    id: i64,
    pointer: &str,
) -> Result<(), Problem> {
    let found: Option<Option<Day>> = persons::table
        .find(id)
        .select(persons::erased_on)
        .for_key_share()
        .first(conn)
        .await
        .optional()?;
    let refused = |detail| Err(Problem::invalid(pointer, detail));
    match found {
        Some(None) => Ok(()),
        Some(Some(on)) => refused(format!(
            "person {id} was erased on {on}; record them again as a new person",
            on = on.in_words()
        )),
        None => refused(format!("there is no person {id}")),
    }
}

/// The person that a request names by id or describes; the rules of the request ensure that it is one of the two.
pub(crate) async fn named(
    tx: &mut Tx<'_>,
    id: Option<i64>,
    given: Option<&NewPerson>,
) -> Result<i64, Problem> {
    match (id, given) {
        (Some(id), _) => {
            must_exist(tx.conn(), id, "/person_id").await?;
            Ok(id)
        }
        (None, Some(new)) => found_or_added(tx, new).await,
        (None, None) => Err(Problem::invalid("/person_id", "is missing")),
    }
}

/// The person with that e-mail address, ignoring case; else a new one. Requests with the same address wait for each
/// other, so that nobody is recorded twice.
async fn found_or_added(tx: &mut Tx<'_>, new: &NewPerson) -> Result<i64, Problem> {
    if let Some(email) = &new.email {
        let address = email.to_lowercase();
        let lock = pg_advisory_xact_lock(hashtextextended(format!("person {address}"), 0));
        diesel::select(lock).execute(tx.conn()).await?;
        let known: Option<i64> = persons::table
            .filter(lower(persons::email).eq(address))
            .order(persons::id)
            .select(persons::id)
            .for_key_share()
            .first(tx.conn())
            .await
            .optional()?;
        if let Some(known) = known {
            return Ok(known);
        }
    }
    Ok(insert(tx, new).await?.id)
}

diesel::define_sql_function! { fn lower(text: Nullable<diesel::sql_types::Text>) -> Nullable<diesel::sql_types::Text>; }
