//! Owner notes: the firm's advice to new owners on running an engine in and laying it up.

use crate::{
    engines::engines,
    firm::sheets::{self, Sheet},
    ground::{
        actor::{Staff, Workshop},
        answers::{Found, Reply},
        body::{Body, IfUnchanged, Patch},
        clock::Instant,
        db::{ById, Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::{Html, Line, Prose},
    },
    schema::owner_notes,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{paper_words::CAUTION, papers::Sentence},
    engines::engine::{Fuel, Kind},
    trade::OwnerNoteTopic,
};
use outshop_operation::{delete, get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_owner_notes)
        .service(create_owner_note)
        .service(get_owner_note)
        .service(change_owner_note)
        .service(delete_owner_note)
        .service(get_engine_notes);
}

/// The most notes for one engine.
const MOST_NOTES: i64 = 50;

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = owner_notes)]
#[schema(example = json!({"id": 3, "topic": "laying_up", "kind": "locomotive", "fuel": "coal",
    "notes": "Blow down hot, sweep the tubes, oil the bores, and leave the drains open until spring."}))]
pub struct OwnerNote {
    pub id: i64,
    /// What the note is about.
    pub topic: OwnerNoteTopic,
    /// Null: for engines of every kind.
    pub kind: Option<Kind>,
    /// Null: for engines with any fuel.
    pub fuel: Option<Fuel>,
    /// The advice.
    pub notes: Prose,
}

#[derive(Debug, Deserialize, Insertable, AsChangeset, ToSchema)]
#[diesel(table_name = owner_notes, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"topic": "laying_up", "kind": "locomotive", "fuel": "coal",
    "notes": "Blow down hot, sweep the tubes, oil the bores, and leave the drains open until spring."}))]
pub struct NewOwnerNote {
    /// What the note is about.
    pub topic: OwnerNoteTopic,
    /// Leave it out for engines of every kind.
    pub kind: Option<Kind>,
    /// Leave it out for engines with any fuel.
    pub fuel: Option<Fuel>,
    /// The advice.
    pub notes: Prose,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"stock_no": 10, "name": "Marrowby", "notes": [{"id": 3, "topic": "laying_up", "kind": "locomotive", "fuel": "coal",
    "notes": "Blow down hot, sweep the tubes, oil the bores, and leave the drains open until spring."}],
    "cautions": ["This lists the records on file. It is not a statement about the condition of the boiler."]}))]
pub struct EngineNotes {
    pub stock_no: i32,
    pub name: Line,
    /// In order of topic.
    #[schema(max_items = 50)]
    pub notes: Vec<OwnerNote>,
    #[schema(max_items = 1)]
    pub cautions: Vec<Sentence>,
}

// Routes

/// List the firm's notes for new owners
#[get("/owner-notes", 200 = Page<OwnerNote>)]
async fn list_owner_notes(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = owner_notes::table.select(OwnerNote::as_select());
        of_page!(page, all, owner_notes::id)
    };
    list.rows(rows, |it: &OwnerNote| it.id).await
}

/// Add a note for new owners
#[post("/owner-notes", 201 = OwnerNote)]
async fn create_owner_note(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewOwnerNote>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let notes: OwnerNote = diesel::insert_into(owner_notes::table)
            .values(&*new)
            .returning(OwnerNote::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"owner_note_id": notes.id, "topic": notes.topic});
        tx.record("owner_note.created", None, entry).await?;
        Ok((format!("/v1/owner-notes/{}", notes.id), notes))
    })
    .await
}

/// Read a note for new owners
#[get("/owner-notes/{id:\\d+}", 200 = OwnerNote)]
async fn get_owner_note(_by: Staff, found: Found<OwnerNote>) -> Reply {
    found.respond()
}

/// Change a note for new owners
#[patch("/owner-notes/{id:\\d+}", 200 = OwnerNote)]
async fn change_owner_note(
    Workshop(actor): Workshop,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<NewOwnerNote>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = OwnerNote::lock(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: OwnerNote = diesel::update(owner_notes::table.find(*id))
            .set(&change)
            .returning(OwnerNote::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"owner_note_id": *id, "members": patch.members()});
        tx.record("owner_note.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

/// Delete a note for new owners
#[delete("/owner-notes/{id:\\d+}", 204)]
async fn delete_owner_note(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        known.against(&OwnerNote::lock(tx.conn(), *id).await?)?;
        diesel::delete(owner_notes::table.find(*id))
            .execute(tx.conn())
            .await?;
        let entry = json!({"owner_note_id": *id});
        tx.record("owner_note.deleted", None, entry).await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Read the notes on running in and laying up an engine
///
/// The notes for its kind and fuel. With `Accept: text/html` this is a sheet to print.
#[get("/engines/{stock_no:\\d+}/owner-notes", 200(content((EngineNotes = "application/json"), (Html = "text/html"))))]
async fn get_engine_notes(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
) -> Reply {
    let mut conn = db.read().await?;
    let notes = of_engine(&mut conn, *stock_no).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::EngineNotes, &notes, now).await
}

// SQL

by_id!(OwnerNote, owner_notes, "there is no owner note {id}");

pub(crate) async fn of_engine(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<EngineNotes, Problem> {
    let engine = engines::find(conn, stock_no).await?.particulars;
    let of_kind = owner_notes::kind
        .is_null()
        .or(owner_notes::kind.eq(engine.kind));
    let mut query = owner_notes::table
        .filter(of_kind.assume_not_null())
        .order((owner_notes::topic.desc(), owner_notes::id))
        .limit(MOST_NOTES)
        .select(OwnerNote::as_select())
        .into_boxed();
    query = match engine.fuel {
        Some(fuel) => {
            let of_fuel = owner_notes::fuel.is_null().or(owner_notes::fuel.eq(fuel));
            query.filter(of_fuel.assume_not_null())
        }
        None => query.filter(owner_notes::fuel.is_null()),
    };
    Ok(EngineNotes {
        stock_no,
        name: engine.name,
        notes: query.load(conn).await?,
        cautions: vec![CAUTION.into()],
    })
}
