//! Tax positions: changes to how an engine is taxed, each with its reason; all are kept.

use crate::{
    books::tax_periods,
    buying::acquisitions::{self, POSITION_DOES_NOT_FIT, SUPPLIER_VAT_DOES_NOT_FIT, position_fits},
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Line, Text},
    },
    schema::tax_position_changes as changes,
    selling::{commissions, sales},
    stock,
};
use actix_web::web;
use diesel::{dsl::max, prelude::*};
use outshop_core::{days::Day, money::Money, trade::TaxPosition};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_tax_positions)
        .service(change_tax_position)
        .service(get_tax_position);
}

// Types

/// The position before the first change is the one at the acquisition.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = changes)]
#[schema(example = json!({"id": 4, "acquisition_id": 51, "on": "2026-05-14", "from": "margin_scheme", "to": "ordinary_vat",
    "reason": "the seller's invoice came and shows VAT", "changed_by": "Hester Quill"}))]
pub struct TaxPositionChange {
    pub id: i64,
    pub acquisition_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    #[diesel(column_name = from_position)]
    pub from: TaxPosition,
    #[diesel(column_name = to_position)]
    pub to: TaxPosition,
    pub reason: Text<1000>,
    /// The person who made the change.
    pub changed_by: Line,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"tax_position": "ordinary_vat", "reason": "the seller's invoice came and shows VAT"}))]
pub struct NewTaxPosition {
    /// Must be allowed for the method of the acquisition.
    pub tax_position: TaxPosition,
    pub reason: Text<1000>,
    /// From the day of the acquisition and the last change, in an open tax period. Default: today.
    pub on: Option<Day>,
}

// Routes

/// List the changes to the tax position of an acquisition
#[get("/acquisitions/{id:\\d+}/tax-positions", 200 = Page<TaxPositionChange>)]
async fn list_tax_positions(_by: MoneyDesk, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    acquisitions::find(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = changes::table
            .filter(changes::acquisition_id.eq(id))
            .select(TaxPositionChange::as_select());
        of_page!(page, rows, changes::id)
    };
    list.rows(rows, |it: &TaxPositionChange| it.id).await
}

/// Change the tax position of an acquisition
///
/// Refused (409) if the engine was sold, or its sale cancelled, in a closed tax period.
#[post("/acquisitions/{id:\\d+}/tax-positions", 201 = TaxPositionChange)]
async fn change_tax_position(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTaxPosition>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let stock_no = acquisitions::find(tx.conn(), id).await?.terms.stock_no;
        stock::lock(tx.conn(), stock_no).await?;
        let from = check(tx, id, &new).await?;
        acquisitions::set_tax_position(tx, id, new.tax_position).await?;
        check_sale(tx, stock_no).await?;
        let change: TaxPositionChange = diesel::insert_into(changes::table)
            .values((
                changes::acquisition_id.eq(id),
                changes::on_day.eq(new.on.unwrap_or(actor.today)),
                changes::from_position.eq(from),
                changes::to_position.eq(new.tax_position),
                changes::reason.eq(&new.reason),
                changes::changed_by.eq(&actor.person),
            ))
            .returning(TaxPositionChange::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"acquisition_id": id, "change_id": change.id, "from": change.from, "to": change.to});
        tx.record("acquisition.tax_position_changed", Some(stock_no), entry)
            .await?;
        Ok((format!("/v1/tax-positions/{}", change.id), change))
    })
    .await
}

/// Read a change to a tax position
#[get("/tax-positions/{id:\\d+}", 200 = TaxPositionChange)]
async fn get_tax_position(_by: MoneyDesk, found: Found<TaxPositionChange>) -> Reply {
    found.respond()
}

// SQL

by_id!(
    TaxPositionChange,
    changes,
    "there is no tax position change {id}"
);

/// Returns the present position. The caller holds the engine's row lock.
async fn check(tx: &mut Tx<'_>, id: i64, new: &NewTaxPosition) -> Result<TaxPosition, Problem> {
    let today = tx.actor.today;
    let on = new.on.unwrap_or(today);
    let terms = acquisitions::find(tx.conn(), id).await?.terms;
    let last: Option<Day> = changes::table
        .filter(changes::acquisition_id.eq(id))
        .select(max(changes::on_day))
        .get_result(tx.conn())
        .await?;
    let earliest = last.map_or(terms.on, |last| last.max(terms.on));
    let early = format!("must not be before the acquisition or the last change, {earliest}");
    let same = format!(
        "the position is {} already; nothing to do",
        terms.tax_position
    );
    all_hold([
        (on <= today, "/on", "must not be in the future"),
        (on >= earliest, "/on", early.as_str()),
        (
            new.tax_position != terms.tax_position,
            "/tax_position",
            same.as_str(),
        ),
        (
            position_fits(terms.method, new.tax_position),
            "/tax_position",
            POSITION_DOES_NOT_FIT,
        ),
        (
            terms.supplier_vat == Money::ZERO || new.tax_position.bears_supplier_vat(),
            "/tax_position",
            SUPPLIER_VAT_DOES_NOT_FIT,
        ),
    ])?;
    tax_periods::period_must_be_open(tx.conn(), on).await?;
    Ok(terms.tax_position)
}

/// Refuses a change that the engine's sales no longer allow. The position has been changed already.
async fn check_sale(tx: &mut Tx<'_>, stock_no: i32) -> Result<(), Problem> {
    for on in stock::days_of_sales(tx.conn(), stock_no).await? {
        if tax_periods::in_open(tx.conn(), on).await? != on {
            return Err(Problem::conflict(format!(
                "the engine was sold, or its sale cancelled, on {on}, in a closed tax period, and its tax has been declared; ask the accountant",
                on = on.in_words()
            )));
        }
    }
    let Some((sale_id, _)) = stock::sale_of(tx.conn(), stock_no).await? else {
        return Ok(());
    };
    let on_commission = stock::EngineState::read(tx.conn(), stock_no)
        .await?
        .agreed();
    if on_commission.is_some() {
        let sale = sales::locked(tx, sale_id).await?;
        let statement = commissions::of_sale(tx.conn(), &sale).await?;
        if statement.paid_out > statement.payout_due.max(Money::ZERO) {
            return Err(Problem::conflict(format!(
                "the owner was paid {}, but only {} would be due; record what comes back first",
                statement.paid_out, statement.payout_due
            )));
        }
    }
    Ok(())
}
