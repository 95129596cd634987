//! Sales: an engine has only one that is not cancelled.

use crate::{
    books::tax_periods,
    enquiring::{offers, reservations::queue},
    firm::persons,
    ground::{
        actor::{Selling, SellingRead},
        answers::{Reply, respond},
        body::{KeyedBody, Patch},
        confirmations::{self, Confirmations},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{self, Problem, all_hold},
        text::Prose,
    },
    pricing::{margins, valuations::last_high},
    schema::{acquisitions as acquisitions_table, payments, returns, sales, sales_invoices},
    selling::{deliveries as deliveries_of, payments::set_off_deposits},
    stock::{Agreed, EngineState},
};
use actix_web::{HttpRequest, web};
use diesel::{dsl::sum, prelude::*};
use diesel_async::AsyncPgConnection;
use foreseen::SaleForeseen;
use outshop_core::{
    days::Day,
    money::Money,
    sense::{self, Member},
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

mod foreseen;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(record_sale)
        .service(list_sales)
        .service(get_sale)
        .service(change_sale);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = sales)]
pub struct Terms {
    pub id: i64,
    pub stock_no: i32,
    /// Number of the firm's own invoice; numbered in sequence without gaps.
    #[schema(minimum = 1)]
    pub invoice_no: i32,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub price: Money,
    /// The buyer.
    pub person_id: i64,
    /// The buyer takes the engine to another country, so that the boiler rules of that country apply.
    pub buyer_abroad: bool,
    /// A distance sale: the buyer had not been at the works.
    pub at_distance: bool,
    /// Consumer law applies to the sale.
    pub buyer_is_consumer: bool,
    /// The day on which the buyer was informed of the right to cancel a distance sale; null: never.
    pub informed_of_cancellation_on: Option<Day>,
    /// The day on which the buyer sent the notice of cancellation of a distance sale; null: not cancelled by the
    /// buyer.
    pub cancelled_on: Option<Day>,
    /// The firm offered to collect the engine from the buyer who cancelled.
    pub collection_offered: bool,
    /// The day on which the buyer proved that they had sent the engine back; null: not proved.
    pub proof_of_sending_on: Option<Day>,
    /// The day on which the firm agreed to refund a buyer who rejects the engine; null: not agreed.
    pub refund_agreed_on: Option<Day>,
    /// The day of an event before the sale that changed the engine's value, such as damage: a closing-stock value of
    /// an earlier day does not use the price. Null: none.
    pub value_changed_on: Option<Day>,
    /// The day on which the buyer acknowledged in writing that the engine has no papers or is for restoration; null:
    /// not acknowledged.
    pub papers_acknowledged_on: Option<Day>,
    /// The day by which the firm promised the buyer that the engine would leave; null: none was promised.
    pub promised_on: Option<Day>,
    /// The day on which the owner of an engine on commission agreed in writing to a price below the reserve; null: no
    /// consent on record.
    pub owner_agreed_on: Option<Day>,
    /// The day on which the engine came back or the sale was cancelled; null: not cancelled.
    pub sale_cancelled_on: Option<Day>,
    pub notes: Option<Prose>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 31, "stock_no": 10, "invoice_no": 30, "on": "2026-05-14", "price": "7600.00", "person_id": 12,
    "buyer_abroad": false, "at_distance": false, "buyer_is_consumer": true, "informed_of_cancellation_on": null,
    "cancelled_on": null, "collection_offered": false, "proof_of_sending_on": null, "refund_agreed_on": null, "value_changed_on": null,
    "papers_acknowledged_on": null, "promised_on": "2026-05-30", "owner_agreed_on": null, "sale_cancelled_on": null,
    "notes": null, "confirmed": [], "paid": "600.00", "kept": null, "balance": "7000.00", "taken_in": []}))]
pub struct Sale {
    #[serde(flatten)]
    pub terms: Terms,
    /// Sum of the payments, less what was paid back.
    pub paid: Money,
    /// What the firm keeps of the payments for a cancelled sale; null: the sale is not cancelled.
    pub kept: Option<Money>,
    /// What is still to be paid; below 0: what is still to be refunded.
    pub balance: Money,
    /// Stock numbers of the engines taken in part exchange.
    #[schema(max_items = 100)]
    pub taken_in: Vec<i32>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = sales, treat_none_as_default_value = false)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "price": "7600.00", "person_id": 12}))]
pub struct NewSale {
    /// Today or earlier, but not before the firm acquired the engine.
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Above 0, including VAT. At most 10 x the high figure of the engine's last valuation unless confirmed.
    pub price: Money,
    /// Confirms a price above that limit. Default: false.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub price_confirmed: bool,
    /// The buyer.
    pub person_id: i64,
    /// The buyer takes the engine to another country. Default: false.
    #[serde(default)]
    pub buyer_abroad: bool,
    /// A distance sale: the buyer had not been at the works. Default: false.
    #[serde(default)]
    pub at_distance: bool,
    /// Consumer law applies to the sale. Default: true.
    #[serde(default = "yes")]
    #[schema(default = true)]
    pub buyer_is_consumer: bool,
    /// The day on which the buyer was informed of the right to cancel a distance sale, today or earlier. Without it
    /// the buyer may cancel for longer.
    pub informed_of_cancellation_on: Option<Day>,
    /// The day on which the buyer acknowledged in writing that the engine has no papers or is for restoration, today
    /// or earlier.
    pub papers_acknowledged_on: Option<Day>,
    /// The day by which the firm promises the buyer that the engine will leave; not before the day of the sale.
    pub promised_on: Option<Day>,
    /// The day on which the owner agreed in writing to a price below the reserve, on the day of the sale or earlier.
    /// Only for an engine on commission.
    pub owner_agreed_on: Option<Day>,
    /// The proprietor knows that the price is below the break-even price and sells all the same. Default: false.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub below_break_even_confirmed: bool,
    pub notes: Option<Prose>,
}

const fn yes() -> bool {
    true
}

/// Price, day and buyer cannot be changed.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = sales, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"papers_acknowledged_on": "2026-05-14"}))]
pub struct SalePatch {
    /// The buyer takes the engine to another country.
    pub buyer_abroad: bool,
    /// A distance sale: the buyer had not been at the works.
    pub at_distance: bool,
    /// Consumer law applies to the sale.
    pub buyer_is_consumer: bool,
    /// When the buyer was informed of the right to cancel: today or earlier; null: never.
    pub informed_of_cancellation_on: Option<Day>,
    /// When the buyer sent the notice of cancellation: from the day of the sale to today. Only for a distance sale to
    /// a consumer.
    pub cancelled_on: Option<Day>,
    /// The firm offered to collect the engine. Only with `cancelled_on`.
    pub collection_offered: bool,
    /// When the buyer proved that they had sent the engine back: from the delivery to today. Only with
    /// `cancelled_on`.
    pub proof_of_sending_on: Option<Day>,
    /// When the firm agreed to the refund: from the delivery to today.
    pub refund_agreed_on: Option<Day>,
    /// The day of an event that changed the engine's value before the sale, on the day of the sale or earlier.
    /// Closing stock already kept does not change.
    pub value_changed_on: Option<Day>,
    /// When the buyer acknowledged in writing that the engine has no papers or is for restoration: today or earlier.
    pub papers_acknowledged_on: Option<Day>,
    /// The day by which the engine is to leave; not before the day of the sale.
    pub promised_on: Option<Day>,
    pub notes: Option<Prose>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct SaleFilters {
    /// The engine sold.
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
}

impl NewSale {
    fn check(&self, today: Day) -> Result<(), Problem> {
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.price > Money::ZERO, "/price", "must be above 0"),
            (
                self.papers_acknowledged_on.is_none_or(|on| on <= today),
                "/papers_acknowledged_on",
                "must not be in the future",
            ),
            (
                self.promised_on.is_none_or(|promised| promised >= self.on),
                "/promised_on",
                "must not be before the day of the sale",
            ),
            (
                self.informed_of_cancellation_on
                    .is_none_or(|on| on <= today),
                "/informed_of_cancellation_on",
                "must not be in the future",
            ),
            (
                self.owner_agreed_on.is_none_or(|agreed| agreed <= self.on),
                "/owner_agreed_on",
                "must not be after the day of the sale",
            ),
        ])
    }

    /// A price below the reserve needs the consent of the owner; only engines on commission have an owner to ask.
    fn owner_agrees(&self, agreed: Option<&Agreed>) -> Result<(), Problem> {
        let Some(agreed) = agreed else {
            if self.owner_agreed_on.is_none() {
                return Ok(());
            }
            let detail = "the engine is not on commission and has no owner to ask; leave it out";
            return Err(Problem::invalid("/owner_agreed_on", detail));
        };
        match agreed.reserve {
            Some(reserve) if self.price < reserve && self.owner_agreed_on.is_none() => {
                let detail = format!(
                    "below the owner's reserve of {reserve}; send owner_agreed_on, the day of the owner's written consent"
                );
                Err(Problem::invalid("/price", detail))
            }
            Some(_) | None => Ok(()),
        }
    }
}

impl SalePatch {
    /// Checks the legal facts of the sale as they are after the change.
    fn law(&self, sold_on: Day, delivered_on: Option<Day>, today: Day) -> Result<(), Problem> {
        const FUTURE: &str = "must not be in the future";
        const UNDELIVERED: &str =
            "must be the day of the delivery or later; record the delivery first";
        let at_distance = self.at_distance;
        let consumer = self.buyer_is_consumer;
        let notified_on = self.informed_of_cancellation_on;
        let cancelled_on = self.cancelled_on;
        let proof_on = self.proof_of_sending_on;
        let agreed_on = self.refund_agreed_on;
        let collected = self.collection_offered;
        let changed_on = self.value_changed_on;
        let past = |on: Option<Day>| on.is_none_or(|on| on <= today);
        let delivered = |on: Option<Day>| {
            on.is_none_or(|on| delivered_on.is_some_and(|delivered| on >= delivered))
        };
        all_hold([
            (past(notified_on), "/informed_of_cancellation_on", FUTURE),
            (past(cancelled_on), "/cancelled_on", FUTURE),
            (past(proof_on), "/proof_of_sending_on", FUTURE),
            (past(agreed_on), "/refund_agreed_on", FUTURE),
            (
                cancelled_on.is_none() || (at_distance && consumer),
                "/cancelled_on",
                "only a consumer may cancel, and only a distance sale; leave it out, or set at_distance and buyer_is_consumer",
            ),
            (
                cancelled_on.is_none_or(|on| on >= sold_on),
                "/cancelled_on",
                "must not be before the day of the sale",
            ),
            (
                changed_on.is_none_or(|on| on <= sold_on),
                "/value_changed_on",
                "must not be after the day of the sale",
            ),
            (
                cancelled_on.is_some() || !collected,
                "/collection_offered",
                "only for a sale that the buyer cancelled; send cancelled_on",
            ),
            (
                cancelled_on.is_some() || proof_on.is_none(),
                "/proof_of_sending_on",
                "only for a sale that the buyer cancelled; send cancelled_on",
            ),
            (
                agreed_on.is_none() || consumer,
                "/refund_agreed_on",
                "only a consumer may reject; leave it out, or set buyer_is_consumer",
            ),
            (delivered(proof_on), "/proof_of_sending_on", UNDELIVERED),
            (delivered(agreed_on), "/refund_agreed_on", UNDELIVERED),
        ])
    }
}

impl Sale {
    /// Checks that the sum of the payments stays within its limits after this one, which is below 0 if paid back.
    pub(super) fn must_allow_payment(&self, amount: Money) -> Result<(), Problem> {
        let (least, most) = match self.kept {
            None => (Money::ZERO, self.terms.price),
            // For a cancelled sale the sum only falls, so what was paid is the upper limit.
            Some(_) if !amount.is_negative() => {
                let detail = "the sale is cancelled, and nothing more is payable; record a refund as a negative amount";
                return Err(Problem::conflict(detail));
            }
            Some(kept) => (kept, self.paid),
        };
        let paid = self.paid.checked_add(amount);
        if paid.is_ok_and(|paid| (least..=most).contains(&paid)) {
            return Ok(());
        }
        let of = |minuend: Money| minuend.checked_sub(least).map_err(Problem::internal);
        Err(Problem::conflict(if !amount.is_negative() {
            format!(
                "no more than {} is still to be paid; send that or less",
                self.balance
            )
        } else if self.kept.is_some() {
            format!(
                "no more than {} is still to be refunded; send that or less",
                of(self.paid)?
            )
        } else {
            format!("only {} was paid; refund that or less", self.paid)
        }))
    }
}

// Routes

/// Record the sale of an engine
///
/// Refused (409) if the engine is already sold, disposed of, or reserved for someone else. Below the break-even price
/// only the proprietor may sell, with `below_break_even_confirmed`. The sale gets the firm's next invoice number,
/// fulfils the buyer's reservation, sets off the buyer's deposits for the engine and ends other people's offers for it.
#[post("/engines/{stock_no:\\d+}/sales", 201 = SaleForeseen)]
async fn record_sale(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: KeyedBody<NewSale>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let engine = EngineState::lock(tx.conn(), *stock_no).await?;
        new.check(actor.today)?;
        persons::must_exist(tx.conn(), new.person_id, "/person_id").await?;
        engine.must_be_after_it_came(new.on)?;
        engine.must_be_unsold()?;
        engine.must_be_after_it_came_back(new.on)?;
        engine.must_be_here()?;
        let reserved = queue::must_be_free_for(tx, *stock_no, Some(new.person_id)).await?;
        new.owner_agrees(engine.agreed().as_ref())?;
        let confirmed = new.below_break_even_confirmed;
        let reckoning =
            margins::must_not_lose(tx.conn(), &actor, &engine, new.price, confirmed).await?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let mut ask = Confirmations::default();
        let high = last_high(tx.conn(), *stock_no).await?;
        let doubt = high.and_then(|high| sense::price(new.price, high));
        ask.ask("/price", doubt, new.price_confirmed);
        let unusual = ask.settled()?;
        let terms = insert(tx, *stock_no, &new, &unusual).await?;
        let mut entry = confirmations::noted(json!({"sale_id": terms.id}), &unusual);
        let ended = offers::end_by_sale(tx, *stock_no, terms.id, terms.person_id).await?;
        if !ended.is_empty() {
            entry["offers_ended"] = json!(ended);
        }
        if confirmed {
            entry["below_break_even_confirmed"] = json!(true);
        }
        tx.record("engine.sold", Some(*stock_no), entry).await?;
        let paid = set_off_deposits(tx, &terms).await?;
        if reserved {
            queue::end_by_sale(tx, *stock_no, terms.id).await?;
        }
        let sale = Sale {
            balance: terms.price.checked_sub(paid).map_err(Problem::internal)?,
            paid,
            kept: None,
            taken_in: Vec::new(),
            terms,
        };
        let sale = foreseen::of_new(tx.conn(), sale, reckoning, actor.today).await?;
        Ok((format!("/v1/sales/{}", sale.sale.terms.id), sale))
    })
    .await
}

/// List sales
#[get("/sales", 200 = Page<Sale>)]
async fn list_sales(_by: SellingRead, list: ListQuery<SaleFilters>) -> Reply {
    let stock_no = list.filters.stock_no;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = sales::table.select(Terms::as_select()).into_boxed();
        if let Some(stock_no) = stock_no {
            query = query.filter(sales::stock_no.eq(stock_no));
        }
        let terms = of_page!(page, query, sales::id).load(conn).await?;
        with_payments(conn, terms).await
    };
    list.answer(fetch, |it: &Sale| it.terms.id).await
}

/// Read a sale
///
/// With its profit, the promises that may not be kept and the papers that expire before the promised day, all as the
/// records are today.
#[get("/sales/{id:\\d+}", 200 = SaleForeseen)]
async fn get_sale(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let sale = find(&mut conn, *id).await?;
    respond(
        &req,
        &foreseen::of_sale(&mut conn, sale, actor.today).await?,
    )
}

/// Change a sale
///
/// Price, day and buyer cannot be changed: cancel the sale and record it again.
#[patch("/sales/{id:\\d+}", 200 = SaleForeseen)]
async fn change_sale(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<SalePatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = locked(tx, *id).await?;
        let current = foreseen::of_sale(tx.conn(), current, actor.today).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let acknowledged = change.papers_acknowledged_on;
        if acknowledged.is_some_and(|on| on > actor.today) {
            return Err(Problem::invalid(
                "/papers_acknowledged_on",
                "must not be in the future",
            ));
        }
        let promised = change.promised_on;
        if promised.is_some_and(|promised| promised < current.sale.terms.on) {
            return Err(Problem::invalid(
                "/promised_on",
                "must not be before the day of the sale",
            ));
        }
        let delivered = deliveries_of::delivery_of_sale(tx.conn(), *id).await?;
        let delivered_on = delivered.map(|(_, on)| on);
        change.law(current.sale.terms.on, delivered_on, actor.today)?;
        diesel::update(sales::table.find(*id))
            .set(&change)
            .execute(tx.conn())
            .await?;
        let entry = json!({"sale_id": *id, "members": patch.members()});
        tx.record("sale.changed", Some(current.sale.terms.stock_no), entry)
            .await?;
        let changed = find(tx.conn(), *id).await?;
        foreseen::of_sale(tx.conn(), changed, actor.today).await
    })
    .await
}

// SQL

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    new: &NewSale,
    confirmed: &[Member],
) -> Result<Terms, Problem> {
    let invoice_no: i32 = diesel::update(sales_invoices::table)
        .set(sales_invoices::last_no.eq(sales_invoices::last_no + 1))
        .returning(sales_invoices::last_no)
        .get_result(tx.conn())
        .await?;
    Ok(diesel::insert_into(sales::table)
        .values((
            sales::stock_no.eq(stock_no),
            sales::invoice_no.eq(invoice_no),
            sales::confirmed.eq(confirmed),
            new,
        ))
        .returning(Terms::as_returning())
        .get_result(tx.conn())
        .await?)
}

by_id!(Terms, sales, "there is no sale {id}");

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Sale, Problem> {
    let terms = Terms::find(conn, id).await?;
    let sale = with_payments(conn, vec![terms]).await?.pop();
    sale.ok_or_else(|| Terms::missing(id))
}

/// Locks the sale, so that no other payment is recorded meanwhile.
pub(crate) async fn locked(tx: &mut Tx<'_>, id: i64) -> Result<Sale, Problem> {
    Terms::lock(tx.conn(), id).await?;
    find(tx.conn(), id).await
}

/// Like `locked`, for other records that name a sale: `pointer` is where the request names it.
pub(crate) async fn named(tx: &mut Tx<'_>, id: i64, pointer: &str) -> Result<Sale, Problem> {
    match locked(tx, id).await {
        Err(refusal) if refusal.is(problem::NOT_FOUND) => {
            Err(Problem::invalid(pointer, format!("there is no sale {id}")))
        }
        found => found,
    }
}

/// Marks a sale as cancelled from that day on. The caller holds its row lock.
pub(crate) async fn undo(tx: &mut Tx<'_>, id: i64, on: Day) -> Result<(), Problem> {
    diesel::update(sales::table.find(id))
        .set(sales::sale_cancelled_on.eq(on))
        .execute(tx.conn())
        .await?;
    Ok(())
}

/// Sales in the given order, each with its payments.
async fn with_payments(
    conn: &mut AsyncPgConnection,
    all: Vec<Terms>,
) -> Result<Vec<Sale>, Problem> {
    let ids: Vec<i64> = all.iter().map(|terms| terms.id).collect();
    let came_in: Vec<(Option<i64>, i32)> = acquisitions_table::table
        .filter(acquisitions_table::sale_id.eq_any(&ids))
        .order(acquisitions_table::stock_no)
        .select((acquisitions_table::sale_id, acquisitions_table::stock_no))
        .load(conn)
        .await?;
    let returned: Vec<(i64, Money, Money)> = returns::table
        .filter(returns::sale_id.eq_any(&ids))
        .select((returns::sale_id, returns::paid, returns::refund))
        .load(conn)
        .await?;
    let sums: Vec<(i64, Option<Money>)> = payments::table
        .filter(payments::sale_id.eq_any(ids))
        .group_by(payments::sale_id)
        .select((payments::sale_id, sum(payments::amount)))
        .load(conn)
        .await?;
    let sums: HashMap<i64, Option<Money>> = sums.into_iter().collect();
    all.into_iter()
        .map(|terms| {
            let paid = sums
                .get(&terms.id)
                .copied()
                .flatten()
                .unwrap_or(Money::ZERO);
            let returned = returned.iter().find(|(sale, ..)| *sale == terms.id);
            let kept = returned.map(|(_, had, refund)| had.checked_sub(*refund));
            let kept = kept.transpose().map_err(Problem::internal)?;
            let balance = kept.unwrap_or(terms.price).checked_sub(paid);
            let taken_in = came_in
                .iter()
                .filter(|(sale, _)| *sale == Some(terms.id))
                .map(|(_, stock_no)| *stock_no);
            Ok(Sale {
                taken_in: taken_in.collect(),
                terms,
                paid,
                kept,
                balance: balance.map_err(Problem::internal)?,
            })
        })
        .collect()
}
