//! Deliveries: when an engine leaves, and the gate that it has to pass.

use crate::{
    ground::{
        actor::{Selling, SellingRead},
        answers::{Found, Reply},
        body::KeyedBody,
        db::{Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Code, Line, Text},
    },
    schema::{boiler_installations, boilers, deliveries},
    selling::sales,
    stock,
    workshop::readiness,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{codes::Jurisdiction, readiness::Gate},
    days::Day,
    trade::DeliveryMethod,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(record_delivery)
        .service(list_deliveries)
        .service(get_delivery);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = deliveries)]
#[schema(example = json!({"id": 31, "sale_id": 31, "stock_no": 10, "on": "2026-05-14", "method": "collection",
    "handed_to": "Odo Fenwright", "items_handed_over": "box, fire irons, boiler papers", "carrier": null,
    "carrier_reference": null, "country": null}))]
pub struct Delivery {
    pub id: i64,
    pub sale_id: i64,
    pub stock_no: i32,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub method: DeliveryMethod,
    /// Who signed for it.
    pub handed_to: Line,
    /// The items handed over with the engine; null: not recorded.
    pub items_handed_over: Option<Text<1000>>,
    /// Null: no carrier took it.
    pub carrier: Option<Line>,
    /// As the carrier wrote it.
    pub carrier_reference: Option<Code>,
    /// Destination of an export; null: not an export.
    pub country: Option<Jurisdiction>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = deliveries)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "method": "collection", "handed_to": "Odo Fenwright",
    "items_handed_over": "box, fire irons, boiler papers"}))]
pub struct NewDelivery {
    /// The day on which the engine leaves; its papers must be valid on this day.
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub method: DeliveryMethod,
    /// Who signs for it: the buyer, or the driver.
    pub handed_to: Line,
    /// What goes with the engine.
    pub items_handed_over: Option<Text<1000>>,
    /// Required for `carrier`; allowed for an `export` that a carrier takes.
    pub carrier: Option<Line>,
    /// As the carrier wrote it; only with `carrier`.
    pub carrier_reference: Option<Code>,
    /// Destination; required for an `export`, not allowed otherwise.
    pub country: Option<Jurisdiction>,
}

impl NewDelivery {
    /// Checks that exactly the members that the method needs are present.
    fn check(&self, sold_on: Day, buyer_abroad: bool) -> Result<(), Problem> {
        let early = format!(
            "must not be before the engine was sold on {sold_on}",
            sold_on = sold_on.in_words()
        );
        let export = self.method == DeliveryMethod::Export;
        let carried = self.method == DeliveryMethod::Carrier;
        all_hold([
            (self.on >= sold_on, "/on", early.as_str()),
            (
                !export || buyer_abroad,
                "/method",
                "the sale does not say that the buyer takes the engine abroad, where other boiler rules apply; set buyer_abroad on the sale first",
            ),
            (
                !carried || self.carrier.is_some(),
                "/carrier",
                "missing; name the carrier",
            ),
            (
                carried || export || self.carrier.is_none(),
                "/carrier",
                "only for a carrier or an export; leave it out",
            ),
            (
                self.carrier.is_some() || self.carrier_reference.is_none(),
                "/carrier_reference",
                "only with a carrier; name the carrier or leave it out",
            ),
            (
                !export || self.country.is_some(),
                "/country",
                "missing; give the country that the export goes to",
            ),
            (
                export || self.country.is_none(),
                "/country",
                "only for an export; leave it out",
            ),
        ])
    }
}

// Routes

/// Record the delivery of an engine
///
/// Refused (409) if the engine is not sold, if its sale was delivered already, or while the `deliver` gate is shut on
/// that day.
#[post("/engines/{stock_no:\\d+}/deliveries", 201 = Delivery)]
async fn record_delivery(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: KeyedBody<NewDelivery>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        lock_with_boiler(tx, *stock_no).await?;
        let Some((sale_id, sold_on)) = stock::sale_of(tx.conn(), *stock_no).await? else {
            let detail = "the engine is not sold; record the sale first";
            return Err(Problem::conflict(detail));
        };
        let buyer_abroad = sales::find(tx.conn(), sale_id).await?.terms.buyer_abroad;
        new.check(sold_on, buyer_abroad)?;
        if delivery_of_sale(tx.conn(), sale_id).await?.is_some() {
            return Err(Problem::conflict(
                "the engine has been delivered already; nothing to do",
            ));
        }
        // Check the gate before a future date: for that day it lists what has to be done first.
        readiness::gate_must_be_open(tx.conn(), *stock_no, Gate::Deliver, new.on).await?;
        if new.on > actor.today {
            let detail =
                "must not be in the future; record the delivery on the day the engine leaves";
            return Err(Problem::invalid("/on", detail));
        }
        let delivery = insert(tx, *stock_no, sale_id, &new).await?;
        let entry = json!({"delivery_id": delivery.id, "sale_id": sale_id});
        tx.record("engine.delivered", Some(*stock_no), entry)
            .await?;
        Ok((format!("/v1/deliveries/{}", delivery.id), delivery))
    })
    .await
}

/// List the deliveries of an engine
#[get("/engines/{stock_no:\\d+}/deliveries", 200 = Page<Delivery>)]
async fn list_deliveries(_by: SellingRead, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let rows = move |page: &Keyset| {
        let rows = deliveries::table
            .filter(deliveries::stock_no.eq(stock_no))
            .select(Delivery::as_select());
        of_page!(page, rows, deliveries::id)
    };
    list.rows(rows, |it: &Delivery| it.id).await
}

/// Read a delivery
#[get("/deliveries/{id:\\d+}", 200 = Delivery)]
async fn get_delivery(_by: SellingRead, found: Found<Delivery>) -> Reply {
    found.respond()
}

// SQL

by_id!(Delivery, deliveries, "there is no delivery {id}");

/// Locks the engine and its boiler, so that no test, job or finding comes between the gate and the delivery.
async fn lock_with_boiler(tx: &mut Tx<'_>, stock_no: i32) -> Result<(), Problem> {
    stock::lock(tx.conn(), stock_no).await?;
    let _held: Vec<i64> = boilers::table
        .filter(
            boilers::id.eq_any(
                boiler_installations::table
                    .filter(boiler_installations::stock_no.eq(stock_no))
                    .filter(boiler_installations::removed_on.is_null())
                    .select(boiler_installations::boiler_id),
            ),
        )
        .select(boilers::id)
        .for_update()
        .load(tx.conn())
        .await?;
    Ok(())
}

/// The id and day of the delivery of a sale.
pub(crate) async fn delivery_of_sale(
    conn: &mut AsyncPgConnection,
    sale_id: i64,
) -> Result<Option<(i64, Day)>, Problem> {
    Ok(deliveries::table
        .filter(deliveries::sale_id.eq(sale_id))
        .select((deliveries::id, deliveries::on_day))
        .first(conn)
        .await
        .optional()?)
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    sale_id: i64,
    new: &NewDelivery,
) -> Result<Delivery, Problem> {
    Ok(diesel::insert_into(deliveries::table)
        .values((
            deliveries::sale_id.eq(sale_id),
            deliveries::stock_no.eq(stock_no),
            new,
        ))
        .returning(Delivery::as_returning())
        .get_result(tx.conn())
        .await?)
}
