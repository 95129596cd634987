//! Costs of an engine. Purchase, hours and parts come from their own records; other costs are entered here.

use crate::{
    books::tax_periods,
    firm::persons,
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::Body,
        db::{ById, Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Code, Line, Text},
    },
    schema::costs,
    stock,
};
use actix_web::web;
use diesel::{
    prelude::*,
    sql_types::{Array, BigInt, Date, Integer, Nullable, Numeric},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::costs::{CostKind, CostLine, CostSource},
    days::Day,
    money::Money,
    workshop::jobs::Hours,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_costs)
        .service(create_cost)
        .service(get_cost)
        .service(create_cost_reversal);
}

// Types

/// A line of an engine's cost ledger.
#[derive(Debug, Clone, Serialize, QueryableByName, ToSchema)]
#[schema(as = CostLine, example = json!({"source": "entered", "id": 9, "kind": "carriage_in", "on": "2026-04-03", "cost": "85.00",
    "worth": "85.00", "supplier_vat": "17.00", "hours": "0", "invoice_no": "C 1180", "person_id": 12, "entered_by": "Hester Quill",
    "notes": null, "reverses_id": null}))]
pub struct LedgerLine {
    /// The kind of record that the line comes from.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub source: CostSource,
    /// Id of that record.
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub kind: CostKind,
    #[diesel(sql_type = Date)]
    pub on: Day,
    /// Without the supplier's VAT; hours at the fitter's cost rate on that day. Below 0 if it reverses another line.
    #[diesel(sql_type = Numeric)]
    pub cost: Money,
    /// The amount that the price has to recover: hours at the recovery rate, the rest at cost.
    #[diesel(sql_type = Numeric)]
    pub worth: Money,
    /// The supplier's VAT.
    #[diesel(sql_type = Numeric)]
    pub supplier_vat: Money,
    /// Hours worked; 0 for other costs.
    #[diesel(sql_type = Numeric)]
    pub hours: Hours,
    /// The supplier's invoice number.
    #[diesel(sql_type = Nullable<diesel::sql_types::Text>)]
    pub invoice_no: Option<Code>,
    /// The supplier, or the seller of the engine.
    #[diesel(sql_type = Nullable<BigInt>)]
    pub person_id: Option<i64>,
    /// Who entered the line, or the fitter who worked the hours.
    #[diesel(sql_type = Nullable<diesel::sql_types::Text>)]
    pub entered_by: Option<Line>,
    #[diesel(sql_type = Nullable<diesel::sql_types::Text>)]
    pub notes: Option<Text<1000>>,
    /// The line of the same source that this one reverses.
    #[diesel(sql_type = Nullable<BigInt>)]
    pub reverses_id: Option<i64>,
}

impl LedgerLine {
    /// The line as the ledger adds it up.
    pub(crate) fn line(&self) -> CostLine {
        CostLine {
            kind: self.kind,
            on: self.on,
            cost: self.cost,
            worth: self.worth,
            supplier_vat: self.supplier_vat,
            hours: self.hours,
        }
    }
}

/// A cost as it was entered.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = costs)]
#[schema(as = Cost, example = json!({"id": 9, "stock_no": 10, "kind": "carriage_in", "on": "2026-04-03", "cost": "85.00",
    "supplier_vat": "17.00", "invoice_no": "C 1180", "person_id": 12, "entered_by": "Hester Quill", "notes": null, "reverses_id": null}))]
pub struct Cost {
    pub id: i64,
    pub stock_no: i32,
    pub kind: CostKind,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Without the supplier's VAT; below 0 if it reverses another line.
    pub cost: Money,
    /// VAT on the supplier's invoice; below 0 if it reverses another line.
    pub supplier_vat: Money,
    /// The supplier's invoice number.
    pub invoice_no: Option<Code>,
    /// The supplier.
    pub person_id: Option<i64>,
    /// Who entered it.
    pub entered_by: Line,
    pub notes: Option<Text<1000>>,
    /// The line that this one reverses.
    pub reverses_id: Option<i64>,
}

/// A cost of an engine.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = costs)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"kind": "carriage_in", "on": "2026-04-03", "cost": "85.00", "supplier_vat": "17.00", "invoice_no": "C 1180"}))]
pub struct NewCost {
    /// Not `purchase` or `work`: these come from the acquisition and from hours booked on jobs.
    pub kind: CostKind,
    /// From the day the engine arrived to today, in an open tax period.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Without the supplier's VAT; 0 or more.
    pub cost: Money,
    /// VAT on the supplier's invoice, 0 or more.
    #[serde(default)]
    pub supplier_vat: Money,
    /// The supplier's invoice number.
    pub invoice_no: Option<Code>,
    /// The supplier.
    pub person_id: Option<i64>,
    pub notes: Option<Text<1000>>,
}

/// The reversal of a cost.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "notes": "entered twice"}))]
pub struct NewCostReversal {
    /// Not before the line itself, not after today, in an open tax period; null: today.
    pub on: Option<Day>,
    pub notes: Option<Text<1000>>,
}

fn at(pointer: &str, detail: impl Into<String>) -> FieldError {
    FieldError {
        pointer: pointer.to_owned(),
        detail: detail.into(),
    }
}

impl NewCost {
    fn broken_rules(&self, came_on: Day, today: Day) -> Vec<FieldError> {
        let mut broken = Vec::new();
        match self.kind {
            CostKind::Purchase => {
                broken.push(at("/kind", "record the purchase price on the acquisition"))
            }
            CostKind::Work => broken.push(at("/kind", "book work as hours on a job")),
            CostKind::CarriageIn
            | CostKind::Parts
            | CostKind::OutsideWork
            | CostKind::Tests
            | CostKind::Other => {}
        }
        if self.on > today {
            broken.push(at("/on", "must not be in the future"));
        } else if self.on < came_on {
            broken.push(at(
                "/on",
                format!(
                    "must not be before the engine arrived on {came_on}",
                    came_on = came_on.in_words()
                ),
            ));
        }
        for (amount, pointer) in [(self.cost, "/cost"), (self.supplier_vat, "/supplier_vat")] {
            if amount.is_negative() {
                let detail = "must be 0 or more; to correct a wrong line, reverse it";
                broken.push(at(pointer, detail));
            }
        }
        broken
    }
}

// Routes

/// List the costs of an engine
///
/// Every line by day: the purchase, hours and parts booked on jobs, and costs entered here.
#[get("/engines/{stock_no:\\d+}/costs", 200 = Page<LedgerLine>)]
async fn list_costs(_by: MoneyDesk, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let place = |line: &LedgerLine| (line.on.to_string(), line.source.to_string(), line.id);
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut lines = lines_of(conn, stock_no).await?;
        if let Some((key, id)) = &page.after {
            let part = |n: usize| key[n].as_str().unwrap_or_default().to_owned();
            let after = (part(0), part(1), *id);
            lines.retain(|line| place(line) > after);
        }
        lines.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        Ok(lines)
    };
    list.answer(fetch, |line: &LedgerLine| {
        (json!([line.on, line.source]), line.id)
    })
    .await
}

/// Enter a cost of an engine
///
/// The day must be in an open tax period (409 if not).
#[post("/engines/{stock_no:\\d+}/costs", 201 = Cost)]
async fn create_cost(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewCost>,
) -> Reply {
    let stock_no = *stock_no;
    db.create(&actor, &new, async |tx| {
        stock::lock(tx.conn(), stock_no).await?;
        let came_on = stock::came_on(tx.conn(), stock_no).await?;
        let broken = new.broken_rules(came_on, actor.today);
        if !broken.is_empty() {
            return Err(Problem::invalid_all(broken));
        }
        if let Some(person) = new.person_id {
            persons::must_exist(tx.conn(), person, "/person_id").await?;
        }
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let line: Cost = diesel::insert_into(costs::table)
            .values((
                costs::stock_no.eq(stock_no),
                costs::entered_by.eq(&actor.person),
                &*new,
            ))
            .returning(Cost::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"cost_id": line.id, "kind": line.kind, "cost": line.cost});
        tx.record("cost.created", Some(stock_no), entry).await?;
        Ok((format!("/v1/costs/{}", line.id), line))
    })
    .await
}

/// Get a cost that was entered
#[get("/costs/{id:\\d+}", 200 = Cost)]
async fn get_cost(_by: MoneyDesk, found: Found<Cost>) -> Reply {
    found.respond()
}

/// Reverse a cost that was entered
///
/// Adds a line with the opposite amounts in the open tax period; the wrong line remains visible. 409 if it is itself a
/// reversal or is already reversed.
#[post("/costs/{id:\\d+}/reversals", 201 = Cost)]
async fn create_cost_reversal(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewCostReversal>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let wrong = Cost::lock(tx.conn(), id).await?;
        let on = new.on.unwrap_or(actor.today);
        if on > actor.today {
            return Err(Problem::invalid("/on", "must not be in the future"));
        }
        if on < wrong.on {
            let detail = format!(
                "must not be before the line itself, {}",
                wrong.on.in_words()
            );
            return Err(Problem::invalid("/on", detail));
        }
        if wrong.reverses_id.is_some() {
            let detail = "this line is itself a reversal; enter the cost again";
            return Err(Problem::conflict(detail));
        }
        tax_periods::period_must_be_open(tx.conn(), on).await?;
        let minus = |money: Money| Money::ZERO.checked_sub(money).map_err(Problem::internal);
        let line: Cost = diesel::insert_into(costs::table)
            .values((
                costs::stock_no.eq(wrong.stock_no),
                costs::kind.eq(wrong.kind),
                costs::on_day.eq(on),
                costs::cost.eq(minus(wrong.cost)?),
                costs::supplier_vat.eq(minus(wrong.supplier_vat)?),
                costs::invoice_no.eq(&wrong.invoice_no),
                costs::person_id.eq(wrong.person_id),
                costs::entered_by.eq(&actor.person),
                costs::notes.eq(&new.notes),
                costs::reverses_id.eq(id),
            ))
            .returning(Cost::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"cost_id": line.id, "reverses_id": id, "cost": line.cost});
        tx.record("cost.reversed", Some(wrong.stock_no), entry)
            .await?;
        Ok((format!("/v1/costs/{}", line.id), line))
    })
    .await
}

// SQL

by_id!(Cost, costs, "there is no cost {id}");

#[derive(QueryableByName)]
struct LineOf {
    #[diesel(sql_type = Integer)]
    stock_no: i32,
    #[diesel(embed)]
    line: LedgerLine,
}

/// All lines of an engine by day, source and id.
pub(crate) async fn lines_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Vec<LedgerLine>, Problem> {
    let mut all = lines_until(conn, &[stock_no], Day::LAST).await?;
    Ok(all.remove(&stock_no).unwrap_or_default())
}

/// The lines of each engine up to the day, by day, source and id. An engine without lines is left out.
pub(crate) async fn lines_until(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    until: Day,
) -> Result<HashMap<i32, Vec<LedgerLine>>, Problem> {
    let rows: Vec<LineOf> = diesel::sql_query(include_str!("costs/lines.sql"))
        .bind::<Array<Integer>, _>(stock_nos)
        .bind::<Date, _>(until)
        .load(conn)
        .await?;
    let mut all: HashMap<i32, Vec<LedgerLine>> = HashMap::new();
    for row in rows {
        all.entry(row.stock_no).or_default().push(row.line);
    }
    Ok(all)
}
