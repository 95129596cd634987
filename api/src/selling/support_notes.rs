//! Support notes: questions from buyers after a sale, and the answers.

use crate::{
    ground::{
        actor::{FloorStaff, Staff},
        answers::{Found, Reply},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::Prose,
    },
    schema::support_notes,
    selling::sales,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use outshop_core::days::Day;
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_support_notes)
        .service(notes)
        .service(get_support_note)
        .service(answer);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = support_notes)]
#[schema(example = json!({"id": 9, "sale_id": 31, "on": "2026-05-20", "message": "how to blow down before laying up?",
    "answered": "hot, at low pressure, every time it has been steamed"}))]
pub struct SupportNote {
    pub id: i64,
    pub sale_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// What the buyer asked.
    pub message: Prose,
    /// The answer; null: not answered yet.
    pub answered: Option<Prose>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "message": "how to blow down before laying up?"}))]
pub struct NewSupportNote {
    /// From the day of the sale to today.
    pub on: Day,
    /// What the buyer asked.
    pub message: Prose,
    /// The answer; leave it out if there is none yet.
    pub answered: Option<Prose>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = support_notes, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"answered": "hot, at low pressure, every time it has been steamed"}))]
pub struct SupportNotePatch {
    /// The answer that the buyer got; null: not answered yet.
    pub answered: Option<Prose>,
}

// Routes

/// List the questions that a buyer asked after a sale
#[get("/sales/{id:\\d+}/support-notes", 200 = Page<SupportNote>)]
async fn list_support_notes(_by: Staff, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    sales::find(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = support_notes::table
            .filter(support_notes::sale_id.eq(id))
            .select(SupportNote::as_select());
        of_page!(page, rows, support_notes::id)
    };
    list.rows(rows, |it: &SupportNote| it.id).await
}

/// Record a question that the buyer asked after a sale
#[post("/sales/{id:\\d+}/support-notes", 201 = SupportNote, id = "create_support_note")]
async fn notes(
    FloorStaff(actor): FloorStaff,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewSupportNote>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = sales::locked(tx, *id).await?;
        if new.on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        if new.on < sale.terms.on {
            let detail = format!(
                "must not be before the day of the sale, {}",
                sale.terms.on.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        let made: SupportNote = diesel::insert_into(support_notes::table)
            .values((
                support_notes::sale_id.eq(*id),
                support_notes::on_day.eq(new.on),
                support_notes::message.eq(&new.message),
                support_notes::answered.eq(&new.answered),
            ))
            .returning(SupportNote::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"support_note_id": made.id, "sale_id": *id});
        tx.record("support_note.created", Some(sale.terms.stock_no), entry)
            .await?;
        Ok((format!("/v1/support-notes/{}", made.id), made))
    })
    .await
}

/// Read a question from a buyer
#[get("/support-notes/{id:\\d+}", 200 = SupportNote)]
async fn get_support_note(_by: Staff, found: Found<SupportNote>) -> Reply {
    found.respond()
}

/// Record the answer to a buyer's question
#[patch("/support-notes/{id:\\d+}", 200 = SupportNote, id = "answer_support_note")]
async fn answer(
    FloorStaff(actor): FloorStaff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<SupportNotePatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let sale_id = SupportNote::find(tx.conn(), *id).await?.sale_id;
        let sale = sales::locked(tx, sale_id).await?;
        let current = SupportNote::find(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: SupportNote = diesel::update(support_notes::table.find(*id))
            .set(&change)
            .returning(SupportNote::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"support_note_id": *id, "sale_id": sale_id, "members": patch.members()});
        tx.record("support_note.answered", Some(sale.terms.stock_no), entry)
            .await?;
        Ok(changed)
    })
    .await
}

// SQL

by_id!(SupportNote, support_notes, "there is no support note {id}");
