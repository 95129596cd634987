//! Despatch checklist: the items that the firm prepares before an engine leaves, and the checklist of each sale.

use crate::{
    boilers::papers::OnDay,
    ground::{
        actor::{Owner, Staff},
        answers::{Reply, respond},
        body::{Body, IfUnchanged, Patch},
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
        query::Query,
        text::{Code, Text},
    },
    schema::{checklist_items, engines, preparation_ticks, sales},
    workshop::{despatch_checklist::Prepared, readiness},
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{boilers::readiness::travels_drained, days::Day, engines::engine::Kind};
use outshop_operation::{delete, get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(list_checklist_items)
        .service(create_checklist_item)
        .service(get_checklist_item)
        .service(change_checklist_item)
        .service(delete_checklist_item)
        .service(get_despatch_checklist);
}

/// The most items of a firm.
const MOST_ITEMS: i64 = 200;

/// Items that the gate always checks, whatever the list says.
const OF_THE_GATE: [&str; 3] = [DRAINED, "spares_packed", "papers_packed"];
/// The gate checks this one only in months of frost.
const DRAINED: &str = "drained";

// Types

/// An item of the firm's despatch checklist, used for the sales that match it.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = checklist_items)]
#[schema(example = json!({"item": "photographs_of_condition", "description": "Photographs show its condition on the day it leaves", "kind": null,
    "at_distance": true, "buyer_abroad": null, "shuts_gate": true}))]
pub struct ChecklistItem {
    /// The name by which it is ticked.
    pub item: Code,
    /// What is to be done.
    pub description: Text<200>,
    /// null: engines of every kind.
    pub kind: Option<Kind>,
    /// true: only sales at a distance; false: only the others; null: both.
    pub at_distance: Option<bool>,
    /// true: only sales to another country; false: only the others; null: both.
    pub buyer_abroad: Option<bool>,
    /// true: the engine may not leave until it is ticked.
    pub shuts_gate: bool,
}

impl ChecklistItem {
    fn fits(&self, kind: Kind, at_distance: bool, buyer_abroad: bool) -> bool {
        self.kind.is_none_or(|asked| asked == kind)
            && self.at_distance.is_none_or(|asked| asked == at_distance)
            && self.buyer_abroad.is_none_or(|asked| asked == buyer_abroad)
    }
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = checklist_items)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"item": "fire_irons_packed", "description": "Fire irons are in the box", "kind": "locomotive"}))]
pub struct NewChecklistItem {
    /// The firm's own code: lower-case letters, digits and `_`, starting with a letter.
    pub item: Code,
    /// What is to be done.
    pub description: Text<200>,
    /// null: engines of every kind.
    pub kind: Option<Kind>,
    /// true: only sales at a distance; false: only the others; null: both.
    pub at_distance: Option<bool>,
    /// true: only sales to another country; false: only the others; null: both.
    pub buyer_abroad: Option<bool>,
    /// true: the engine may not leave until it is ticked. Default: false.
    #[serde(default)]
    pub shuts_gate: bool,
}

impl NewChecklistItem {
    fn check(&self) -> Result<(), Problem> {
        let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        if self.item.starts_with(|c: char| c.is_ascii_lowercase()) && self.item.chars().all(fits) {
            return Ok(());
        }
        let detail = "must be lower-case letters, digits and _, starting with a letter";
        Err(Problem::invalid("/item", detail))
    }
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = checklist_items, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"shuts_gate": true}))]
pub struct ChecklistItemPatch {
    /// What is to be done.
    pub description: Text<200>,
    /// null: engines of every kind.
    pub kind: Option<Kind>,
    /// true: only sales at a distance; false: only the others; null: both.
    pub at_distance: Option<bool>,
    /// true: only sales to another country; false: only the others; null: both.
    pub buyer_abroad: Option<bool>,
    /// true: the engine may not leave until it is ticked.
    pub shuts_gate: bool,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "stock_no": 10, "on": "2026-05-14", "left": 1, "items": [
    {"item": "drained", "description": "No water is left in the boiler, tanks, pumps and pipes", "shuts_gate": false,
        "done": {"item": "drained", "on": "2026-05-14", "done_by": "Edda Morlock"}},
    {"item": "spares_packed", "description": "Spares and included items are packed", "shuts_gate": true, "done": null}]}))]
pub struct DespatchChecklist {
    pub sale_id: i64,
    pub stock_no: i32,
    /// The day the engine is supposed to leave; it decides `shuts_gate`.
    pub on: Day,
    /// How many items are not ticked.
    pub left: usize,
    #[schema(max_items = 200)]
    pub items: Vec<ToPrepare>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ToPrepare {
    /// The item of the checklist.
    pub item: Code,
    pub description: Text<200>,
    /// true: the engine may not leave on that day until it is ticked.
    pub shuts_gate: bool,
    /// null: still to be done.
    pub done: Option<Prepared>,
}

// Routes

/// List the items of the firm's despatch checklist
#[get("/checklist-items", 200 = Page<ChecklistItem>)]
async fn list_checklist_items(_by: Staff, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let items = checklist_items::table.select(ChecklistItem::as_select());
        items
            .filter(checklist_items::item.gt(page.after_word().to_owned()))
            .order(checklist_items::item)
            .limit(page.limit)
    };
    list.rows(rows, |item: &ChecklistItem| (json!(item.item), 0))
        .await
}

/// Add an item to the firm's despatch checklist
#[post("/checklist-items", 201 = ChecklistItem)]
async fn create_checklist_item(
    Owner(actor): Owner,
    db: web::Data<Db>,
    new: Body<NewChecklistItem>,
) -> Reply {
    new.check()?;
    db.create(&actor, &new, async |tx| {
        let there: i64 = checklist_items::table.count().get_result(tx.conn()).await?;
        if there >= MOST_ITEMS {
            let detail = format!("there are already {MOST_ITEMS} items; delete those not in use");
            return Err(Problem::conflict(detail));
        }
        let made: Option<ChecklistItem> = diesel::insert_into(checklist_items::table)
            .values(&*new)
            .on_conflict_do_nothing()
            .returning(ChecklistItem::as_returning())
            .get_result(tx.conn())
            .await
            .optional()?;
        let made = made.ok_or_else(|| {
            Problem::conflict(format!(
                "there is already an item {}; use another code",
                new.item
            ))
        })?;
        tx.record("checklist_item.created", None, json!({"item": made.item}))
            .await?;
        Ok((format!("/v1/checklist-items/{}", made.item), made))
    })
    .await
}

/// Get an item of the firm's despatch checklist
#[get("/checklist-items/{item}", 200 = ChecklistItem, params(("item" = Code, Path, example = "drained")))]
async fn get_checklist_item(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    item: web::Path<Code>,
) -> Reply {
    respond(&req, &find(&mut *db.read().await?, &item).await?)
}

/// Change an item of the firm's despatch checklist
///
/// For `drained`, `spares_packed` and `papers_packed`, only the description can be changed: the gate always checks
/// them.
#[patch("/checklist-items/{item}", 200 = ChecklistItem, params(("item" = Code, Path, example = "drained")))]
async fn change_checklist_item(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    item: web::Path<Code>,
    patch: Patch<ChecklistItemPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = locked(tx.conn(), &item).await?;
        let change = patch.merged(&current)?;
        if patch
            .members()
            .iter()
            .any(|member| *member != "description")
        {
            not_of_the_gate(&item)?;
        }
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: ChecklistItem = diesel::update(checklist_items::table.find(&*item))
            .set(&change)
            .returning(ChecklistItem::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"item": &*item, "members": patch.members()});
        tx.record("checklist_item.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

/// Delete an item of the firm's despatch checklist
///
/// Also deletes its ticks. Refused (409) for `drained`, `spares_packed` and `papers_packed`.
#[delete("/checklist-items/{item}", 204, params(("item" = Code, Path, example = "engine_packed")))]
async fn delete_checklist_item(
    Owner(actor): Owner,
    db: web::Data<Db>,
    item: web::Path<Code>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        known.against(&locked(tx.conn(), &item).await?)?;
        not_of_the_gate(&item)?;
        diesel::delete(checklist_items::table.find(&*item))
            .execute(tx.conn())
            .await?;
        tx.record("checklist_item.deleted", None, json!({"item": &*item}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Get the despatch checklist of a sale
///
/// Lists the firm's items that match the sale, with who ticked each and when; tick them at the engine's checklist
/// ticks. `shuts_gate` applies to the day asked about, as an engine must be drained in months of frost.
#[get("/sales/{id:\\d+}/despatch-checklist", 200 = DespatchChecklist)]
async fn get_despatch_checklist(
    Staff(actor): Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    query: Query<OnDay>,
) -> Reply {
    let on = query.on.unwrap_or(actor.today);
    let mut conn = db.read().await?;
    let terms = statutory_periods(&mut conn, *id).await?;
    let settings = readiness::settings(&mut conn).await?;
    let (kind, has_boiler): (Kind, bool) = engines::table
        .find(terms.stock_no)
        .select((engines::kind, engines::has_boiler))
        .first(&mut conn)
        .await?;
    let ticked: Vec<Prepared> = preparation_ticks::table
        .filter(preparation_ticks::stock_no.eq(terms.stock_no))
        .select(Prepared::as_select())
        .load(&mut conn)
        .await?;
    let mut ticked: HashMap<Code, Prepared> = ticked
        .into_iter()
        .map(|tick| (tick.item.clone(), tick))
        .collect();
    let asked = all(&mut conn).await?.into_iter();
    let items: Vec<ToPrepare> = asked
        .filter(|item| item.fits(kind, terms.at_distance, terms.buyer_abroad))
        .map(|item| ToPrepare {
            done: ticked.remove(&item.item),
            shuts_gate: match &*item.item {
                DRAINED => travels_drained(&settings, has_boiler, on),
                own => of_the_gate(own) || item.shuts_gate,
            },
            item: item.item,
            description: item.description,
        })
        .collect();
    let list = DespatchChecklist {
        sale_id: *id,
        stock_no: terms.stock_no,
        on,
        left: items.iter().filter(|item| item.done.is_none()).count(),
        items,
    };
    respond(&req, &list)
}

fn of_the_gate(item: &str) -> bool {
    OF_THE_GATE.contains(&item)
}

fn not_of_the_gate(item: &Code) -> Result<(), Problem> {
    if of_the_gate(item) {
        let detail = format!("the gate always checks {item}; only its description can be changed");
        return Err(Problem::conflict(detail));
    }
    Ok(())
}

// SQL

async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<ChecklistItem>, Problem> {
    Ok(checklist_items::table
        .select(ChecklistItem::as_select())
        .order(checklist_items::item)
        .limit(MOST_ITEMS)
        .load(conn)
        .await?)
}

/// The items that shut the gate, besides those that the gate always checks.
pub(crate) struct ShutsGate(Vec<ChecklistItem>);

impl ShutsGate {
    pub(crate) async fn load(conn: &mut AsyncPgConnection) -> Result<ShutsGate, Problem> {
        let mut items = all(conn).await?;
        items.retain(|item| item.shuts_gate && !OF_THE_GATE.contains(&&*item.item));
        Ok(ShutsGate(items))
    }

    /// Codes and descriptions of the items that such a sale needs.
    pub(crate) fn of_sale(
        &self,
        kind: Kind,
        at_distance: bool,
        buyer_abroad: bool,
    ) -> impl Iterator<Item = (&str, &str)> {
        let asked = self.0.iter();
        asked
            .filter(move |item| item.fits(kind, at_distance, buyer_abroad))
            .map(|item| (&*item.item, &*item.description))
    }
}

async fn find(conn: &mut AsyncPgConnection, item: &Code) -> Result<ChecklistItem, Problem> {
    let found: Option<ChecklistItem> = checklist_items::table
        .find(item)
        .select(ChecklistItem::as_select())
        .first(conn)
        .await
        .optional()?;
    found.ok_or_else(|| missing(item))
}

async fn locked(conn: &mut AsyncPgConnection, item: &Code) -> Result<ChecklistItem, Problem> {
    let found: Option<ChecklistItem> = checklist_items::table
        .find(item)
        .select(ChecklistItem::as_select())
        .for_update()
        .first(conn)
        .await
        .optional()?;
    found.ok_or_else(|| missing(item))
}

fn missing(item: &Code) -> Problem {
    Problem::not_found(format!("there is no checklist item {item}"))
}

/// Refuses an item that the firm does not have, and lists those that it has.
pub(crate) async fn must_exist(conn: &mut AsyncPgConnection, item: &Code) -> Result<(), Problem> {
    let codes: Vec<Code> = checklist_items::table
        .select(checklist_items::item)
        .order(checklist_items::item)
        .limit(MOST_ITEMS)
        .for_key_share()
        .load(conn)
        .await?;
    if codes.contains(item) {
        return Ok(());
    }
    let codes: Vec<&str> = codes.iter().map(|code| &**code).collect();
    let detail = format!("no such item; use one of {}", codes.join(", "));
    Err(Problem::invalid("/item", detail))
}

/// What decides which items a sale needs.
#[derive(Queryable, Selectable)]
#[diesel(table_name = sales)]
struct StatutoryPeriods {
    stock_no: i32,
    at_distance: bool,
    buyer_abroad: bool,
}

async fn statutory_periods(
    conn: &mut AsyncPgConnection,
    id: i64,
) -> Result<StatutoryPeriods, Problem> {
    let terms = sales::table
        .find(id)
        .select(StatutoryPeriods::as_select())
        .first(conn)
        .await;
    let missing = || Problem::not_found(format!("there is no sale {id}"));
    terms.optional()?.ok_or_else(missing)
}
