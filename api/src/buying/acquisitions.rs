//! Acquisitions: how the firm acquired an engine, for what price, under which tax.

use crate::{
    books::{
        cash_rule::{self, Trade},
        outgoing_payments::{self, Paid},
        tax_periods,
    },
    engines::engines::{self, NewEngine, rules},
    firm::persons,
    ground::{
        actor::MoneyDesk,
        answers::{Reply, respond},
        body::KeyedBody,
        confirmations,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Code, Prose},
    },
    pricing::achieved_sales::allowance_above_valuation,
    schema::{acquisitions, buying_valuations as buying_valuations_table, sales as sales_table},
    selling::{payments, sales},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::tax::{CashPayment, Percent},
    days::Day,
    money::Money,
    trade::{AcquisitionMethod, PaymentMethod, TaxPosition},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("engines")
        .service(list_acquisitions)
        .service(create_acquisition)
        .service(get_acquisition);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = acquisitions)]
pub struct AcquisitionTerms {
    pub id: i64,
    /// The engine acquired.
    pub stock_no: i32,
    pub method: AcquisitionMethod,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Price paid, or allowance in part exchange; null for an engine on commission.
    pub price: Option<Money>,
    /// How an engine that was bought was paid for; null: not recorded.
    pub paid_by: Option<PaymentMethod>,
    /// The seller or owner; null: not recorded.
    pub person_id: Option<i64>,
    /// The present position; `/v1/acquisitions/{id}/tax-positions` lists its changes.
    pub tax_position: TaxPosition,
    /// Number of the seller's invoice; null: the firm wrote the invoice itself.
    pub invoice_no: Option<Code>,
    /// Tax shown on the seller's invoice, included in the price; reclaimed if the firm is registered.
    pub supplier_vat: Money,
    /// The lowest price that the owner of a commission engine accepts; null: none was agreed.
    pub reserve: Option<Money>,
    /// The firm's percentage of the price including tax; the commission is net of tax. Null: none was agreed.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax, added to the percentage; null: none was agreed.
    pub commission_fixed: Option<Money>,
    /// The sale towards which the engine was taken in part exchange.
    pub sale_id: Option<i64>,
    /// The buying valuation that led to this acquisition.
    pub buying_valuation_id: Option<i64>,
    pub notes: Option<Prose>,
}

/// How the firm acquired an engine, with what follows from the records that it names.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 51, "stock_no": 10, "method": "part_exchange", "on": "2026-04-02", "price": "1200.00", "paid_by": null, "person_id": 12,
    "tax_position": "margin_scheme", "invoice_no": null, "supplier_vat": "0.00", "net": "1200.00", "reserve": null, "commission_percent": null, "commission_fixed": null,
    "sale_id": 31, "buying_valuation_id": 5, "notes": null, "exchanged_for": 402, "allowance_above_valuation": "150.00"}))]
pub struct Acquisition {
    #[serde(flatten)]
    pub terms: AcquisitionTerms,
    /// The price without the tax on the seller's invoice; null for an engine on commission.
    pub net: Option<Money>,
    /// Stock number of the engine sold in exchange; null: not a part exchange.
    #[schema(minimum = 1)]
    pub exchanged_for: Option<i32>,
    /// The allowance less the likely price of the buying valuation; null: not above it, or no part exchange with a
    /// buying valuation.
    pub allowance_above_valuation: Option<Money>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "engine": {"kind": "locomotive", "name": "Marrowby", "gauge": {"value": "5", "unit": "in"}, "whyte": "0-6-0", "fuel": "coal"},
    "method": "bought", "on": "2026-04-02", "price": "4200.00", "tax_position": "margin_scheme"}))]
pub struct NewAcquisition {
    /// The engine, with what is known of it when it comes in.
    pub engine: NewEngine,
    pub method: AcquisitionMethod,
    /// The day on which it came, today or earlier.
    pub on: Day,
    /// Price paid, or allowance in part exchange. Leave it out for an engine on commission, and only then.
    pub price: Option<Money>,
    /// How it was paid for, if known. Only for an engine that is bought, and not `part_exchange`.
    pub paid_by: Option<PaymentMethod>,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    /// The seller or owner. Default in part exchange: the buyer of the sale.
    pub person_id: Option<i64>,
    pub tax_position: TaxPosition,
    /// Number of the seller's invoice; leave it out if the firm writes the invoice itself.
    pub invoice_no: Option<Code>,
    /// Tax shown on the seller's invoice, included in the price and below it. Not under the margin scheme, which
    /// excludes engines bought on such an invoice, nor on commission. Default: 0.
    #[serde(default)]
    pub supplier_vat: Money,
    /// The lowest price that the owner accepts. Only for an engine on commission.
    pub reserve: Option<Money>,
    /// The firm's percentage of the price including tax, 0 to 100. The commission is net of tax: if the firm is
    /// registered, tax at the standard rate on the day of the sale is added. An engine on commission has a
    /// percentage, a fixed sum or both; other engines have neither.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax, 0 or more; added to the percentage.
    pub commission_fixed: Option<Money>,
    /// The sale towards which the engine is taken: for `part_exchange`, and only then. The full allowance is set off
    /// against the full price.
    pub sale_id: Option<i64>,
    /// The buying valuation of this engine, which can lead to one acquisition only.
    pub buying_valuation_id: Option<i64>,
    pub notes: Option<Prose>,
}

impl NewAcquisition {
    pub(crate) fn check(&self, today: Day) -> Result<(), Problem> {
        let mut broken = rules::broken_rules("/engine", &self.engine.checked(), today);
        let mut rule = |holds: bool, member: &str, detail: &str| {
            if !holds {
                broken.push(FieldError {
                    pointer: format!("/{member}"),
                    detail: detail.to_owned(),
                });
            }
        };
        let on_commission = self.method == AcquisitionMethod::Commission;
        rule(
            self.on <= today,
            "on",
            "must not be in the future; take the engine in on the day it comes",
        );
        rule(
            self.price.is_some() != on_commission,
            "price",
            "required when the engine is bought or taken in part exchange; leave it out otherwise",
        );
        rule(
            !self.price.is_some_and(Money::is_negative),
            "price",
            "must be 0 or more",
        );
        rule(
            !self.reserve.is_some_and(Money::is_negative),
            "reserve",
            "must be 0 or more",
        );
        rule(
            on_commission || self.reserve.is_none(),
            "reserve",
            "only for an engine on commission; leave it out",
        );
        rule(
            !self.commission_fixed.is_some_and(Money::is_negative),
            "commission_fixed",
            "must be 0 or more",
        );
        let share = self.commission_percent;
        rule(
            share.is_none_or(|share| share <= Percent::HUNDRED),
            "commission_percent",
            "must be 0 to 100",
        );
        let agreed = share.is_some() || self.commission_fixed.is_some();
        rule(
            agreed || !on_commission,
            "commission_percent",
            "missing; for an engine on commission send commission_percent, commission_fixed or both",
        );
        for (given, member) in [
            (share.is_some(), "commission_percent"),
            (self.commission_fixed.is_some(), "commission_fixed"),
        ] {
            rule(
                on_commission || !given,
                member,
                "only for an engine on commission; leave it out",
            );
        }
        rule(
            self.paid_by.is_none() || self.method == AcquisitionMethod::Bought,
            "paid_by",
            "only for an engine that is bought; leave it out",
        );
        rule(
            self.paid_by != Some(PaymentMethod::PartExchange),
            "paid_by",
            "for a part exchange use method part_exchange and leave this out",
        );
        let in_exchange = self.method == AcquisitionMethod::PartExchange;
        rule(
            self.sale_id.is_some() == in_exchange,
            "sale_id",
            "required when the engine is taken in part exchange; leave it out otherwise",
        );
        rule(
            !in_exchange || self.price != Some(Money::ZERO),
            "price",
            "an allowance must be above 0",
        );
        rule(
            !self.supplier_vat.is_negative(),
            "supplier_vat",
            "must be 0 or more",
        );
        rule(
            self.supplier_vat <= Money::ZERO
                || self.price.is_none_or(|price| self.supplier_vat < price),
            "supplier_vat",
            "must be below the price, which includes it",
        );
        rule(
            self.supplier_vat <= Money::ZERO || self.tax_position.bears_supplier_vat(),
            "supplier_vat",
            SUPPLIER_VAT_DOES_NOT_FIT,
        );
        rule(
            position_fits(self.method, self.tax_position),
            "tax_position",
            POSITION_DOES_NOT_FIT,
        );
        if broken.is_empty() {
            Ok(())
        } else {
            Err(Problem::invalid_all(broken))
        }
    }
}

pub(crate) const POSITION_DOES_NOT_FIT: &str = "does not go with the method: use a commission position for an engine on commission, and only for one";

pub(crate) const SUPPLIER_VAT_DOES_NOT_FIT: &str = "an engine bought on an invoice that shows VAT cannot be in the margin scheme or on commission: use ordinary_vat or \
     not_registered (HMRC manual VATMARG02150)";

pub(crate) fn position_fits(method: AcquisitionMethod, position: TaxPosition) -> bool {
    match position {
        TaxPosition::CommissionInOwnersName | TaxPosition::CommissionInOwnName => {
            method == AcquisitionMethod::Commission
        }
        TaxPosition::MarginScheme | TaxPosition::OrdinaryVat => {
            method != AcquisitionMethod::Commission
        }
        TaxPosition::NotRegistered => true,
    }
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct AcquisitionFilters {
    /// The engine acquired.
    #[param(minimum = 1)]
    stock_no: Option<i32>,
}

// Routes

/// List acquisitions
#[get("/acquisitions", 200 = Page<Acquisition>)]
async fn list_acquisitions(_by: MoneyDesk, list: ListQuery<AcquisitionFilters>) -> Reply {
    let stock_no = list.filters.stock_no;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = acquisitions::table
            .select(AcquisitionTerms::as_select())
            .into_boxed();
        if let Some(stock_no) = stock_no {
            query = query.filter(acquisitions::stock_no.eq(stock_no));
        }
        let terms = of_page!(page, query, acquisitions::id).load(conn).await?;
        with_what_follows(conn, terms).await
    };
    list.answer(fetch, |it: &Acquisition| it.terms.id).await
}

/// Take an engine in
///
/// Creates the engine and gives it the next stock number. In part exchange, the allowance is recorded as a payment
/// for the sale named.
#[post("/acquisitions", 201 = Acquisition)]
async fn create_acquisition(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: KeyedBody<NewAcquisition>,
) -> Reply {
    new.check(actor.today)?;
    db.create(&actor, &new, async |tx| {
        let acquisition = take_in(tx, &new).await?;
        let location = format!("/v1/acquisitions/{}", acquisition.terms.id);
        Ok((location, acquisition))
    })
    .await
}

/// Read an acquisition
#[get("/acquisitions/{id:\\d+}", 200 = Acquisition)]
async fn get_acquisition(
    _by: MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let acquisition = find(&mut conn, *id).await?;
    respond(&req, &acquisition)
}

// SQL

/// Creates the engine, its acquisition and, in part exchange, the payment for the sale. The caller has checked `new`.
pub(crate) async fn take_in(tx: &mut Tx<'_>, new: &NewAcquisition) -> Result<Acquisition, Problem> {
    if let Some(person) = new.person_id {
        persons::must_exist(tx.conn(), person, "/person_id").await?;
    }
    let sale = match new.sale_id {
        Some(sale) => Some(sales::named(tx, sale, "/sale_id").await?),
        None => None,
    };
    if let Some(buying_valuation) = new.buying_valuation_id {
        must_be_unused(tx, buying_valuation).await?;
    }
    tax_periods::period_must_be_open(tx.conn(), new.on).await?;
    let paid = new.price.zip(new.paid_by);
    let paid = paid.map(|(amount, method)| CashPayment {
        on: new.on,
        amount,
        method,
        notes_into_bank: false,
    });
    let buyer = sale.as_ref().map(|sale| sale.terms.person_id);
    if let Some(paid) = &paid {
        let trade = Trade {
            person: new.person_id,
            ..Trade::default()
        };
        cash_rule::must_be_below(tx, &trade, paid, new.cash_limit_acknowledged).await?;
    }
    let stock_no = engines::insert(tx, &new.engine).await?;
    let terms: AcquisitionTerms = diesel::insert_into(acquisitions::table)
        .values((
            acquisitions::stock_no.eq(stock_no),
            acquisitions::method.eq(new.method),
            acquisitions::on_day.eq(new.on),
            acquisitions::price.eq(new.price),
            acquisitions::paid_by.eq(new.paid_by),
            acquisitions::person_id.eq(new.person_id.or(buyer)),
            acquisitions::tax_position.eq(new.tax_position),
            acquisitions::invoice_no.eq(&new.invoice_no),
            acquisitions::supplier_vat.eq(new.supplier_vat),
            acquisitions::reserve.eq(new.reserve),
            acquisitions::commission_percent.eq(new.commission_percent),
            acquisitions::commission_fixed.eq(new.commission_fixed),
            acquisitions::sale_id.eq(new.sale_id),
            acquisitions::buying_valuation_id.eq(new.buying_valuation_id),
            acquisitions::notes.eq(&new.notes),
        ))
        .returning(AcquisitionTerms::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"acquisition_id": terms.id, "method": terms.method, "sale_id": terms.sale_id,
        "buying_valuation_id": terms.buying_valuation_id, "cash_limit_acknowledged": new.cash_limit_acknowledged});
    let entry = confirmations::noted(entry, &new.engine.checked().confirmed());
    tx.record("engine.acquired", Some(stock_no), entry).await?;
    if let Some((amount, method)) = terms.price.zip(terms.paid_by) {
        let paid = Paid {
            on: terms.on,
            amount,
            method,
            notes: None,
        };
        let acknowledged = new.cash_limit_acknowledged;
        outgoing_payments::paid_at_the_door(tx, terms.stock_no, terms.id, &paid, acknowledged)
            .await?;
    }
    if let (Some(sale), Some(allowed)) = (&sale, terms.price) {
        payments::set_off(tx, sale, terms.id, terms.on, allowed).await?;
    }
    let taken = with_what_follows(tx.conn(), vec![terms]).await?.pop();
    Ok(taken.expect("one acquisition comes back for the one given"))
}

/// Locks the buying valuation, so that only one of two simultaneous acquisitions from it succeeds.
async fn must_be_unused(tx: &mut Tx<'_>, buying_valuation: i64) -> Result<(), Problem> {
    let found: Option<i64> = buying_valuations_table::table
        .find(buying_valuation)
        .select(buying_valuations_table::id)
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    if found.is_none() {
        let detail = format!(
            "there is no buying valuation {buying_valuation}; use the id of one, or leave it out"
        );
        return Err(Problem::invalid("/buying_valuation_id", detail));
    }
    let used: Option<i32> = acquisitions::table
        .filter(acquisitions::buying_valuation_id.eq(buying_valuation))
        .select(acquisitions::stock_no)
        .first(tx.conn())
        .await
        .optional()?;
    used.map_or(Ok(()), |stock_no| {
        Err(Problem::conflict(format!(
            "buying valuation {buying_valuation} has been used for engine {stock_no}; make a new buying valuation, or leave it out"
        )))
    })
}

by_id!(
    AcquisitionTerms,
    acquisitions,
    "there is no acquisition {id}"
);

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Acquisition, Problem> {
    let terms = AcquisitionTerms::find(conn, id).await?;
    let found = with_what_follows(conn, vec![terms]).await?.pop();
    found.ok_or_else(|| AcquisitionTerms::missing(id))
}

/// Acquisitions in the given order.
async fn with_what_follows(
    conn: &mut AsyncPgConnection,
    all: Vec<AcquisitionTerms>,
) -> Result<Vec<Acquisition>, Problem> {
    let sale_ids: Vec<i64> = all.iter().filter_map(|terms| terms.sale_id).collect();
    let sold: Vec<(i64, i32)> = sales_table::table
        .filter(sales_table::id.eq_any(sale_ids))
        .select((sales_table::id, sales_table::stock_no))
        .load(conn)
        .await?;
    let sold: HashMap<i64, i32> = sold.into_iter().collect();
    let buying_valuation_ids: Vec<i64> = all
        .iter()
        .filter_map(|terms| terms.buying_valuation_id)
        .collect();
    let likely: Vec<(i64, Money)> = buying_valuations_table::table
        .filter(buying_valuations_table::id.eq_any(buying_valuation_ids))
        .select((buying_valuations_table::id, buying_valuations_table::likely))
        .load(conn)
        .await?;
    let likely: HashMap<i64, Money> = likely.into_iter().collect();
    let all = all.into_iter().map(|terms| {
        let exchanged_for = terms.sale_id.and_then(|id| sold.get(&id).copied());
        let valued = terms
            .buying_valuation_id
            .and_then(|id| likely.get(&id).copied());
        let net = terms
            .price
            .map(|price| price.checked_sub(terms.supplier_vat));
        Ok(Acquisition {
            net: net.transpose().map_err(Problem::internal)?,
            exchanged_for,
            allowance_above_valuation: exchanged_for
                .and(terms.price.zip(valued))
                .and_then(|(allowed, likely)| allowance_above_valuation(allowed, likely)),
            terms,
        })
    });
    all.collect()
}

/// Replaces the tax position; `tax_positions` records the change.
pub(crate) async fn set_tax_position(
    tx: &mut Tx<'_>,
    id: i64,
    position: TaxPosition,
) -> Result<(), Problem> {
    diesel::update(acquisitions::table.find(id))
        .set(acquisitions::tax_position.eq(position))
        .execute(tx.conn())
        .await?;
    Ok(())
}
