//! Acquisitions: how an engine came, for what price, under which tax.

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
        answers::{Reply, shown},
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
    /// The engine that came.
    pub stock_no: i32,
    pub method: AcquisitionMethod,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// What was paid or allowed; null for an engine on commission.
    pub price: Option<Money>,
    /// How an engine that was bought was paid for; null where that is not recorded.
    pub paid_by: Option<PaymentMethod>,
    /// From whom.
    pub person_id: Option<i64>,
    /// The present one; its changes are told at `/v1/acquisitions/{id}/tax-positions`.
    pub tax_position: TaxPosition,
    /// The seller's invoice; null where the firm wrote it itself.
    pub invoice_no: Option<Code>,
    /// Tax that the seller's invoice shows, within the price: reclaimed where the firm is registered.
    pub supplier_vat: Money,
    /// The least price that the owner of a commission engine takes.
    pub reserve: Option<Money>,
    /// The firm's share of the price with its tax; the commission is net of tax.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax; added to the share.
    pub commission_fixed: Option<Money>,
    /// The sale that an engine taken in part exchange pays into.
    pub sale_id: Option<i64>,
    /// The buying valuation that became this acquisition.
    pub buying_valuation_id: Option<i64>,
    pub notes: Option<Prose>,
}

/// How an engine came, with what follows from the records that it names.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 51, "stock_no": 10, "method": "part_exchange", "on": "2026-04-02", "price": "1200.00", "paid_by": null, "person_id": 12,
    "tax_position": "margin_scheme", "invoice_no": null, "supplier_vat": "0.00", "net": "1200.00", "reserve": null, "commission_percent": null, "commission_fixed": null,
    "sale_id": 31, "buying_valuation_id": 5, "notes": null, "exchanged_for": 402, "allowance_above_valuation": "150.00"}))]
pub struct Acquisition {
    #[serde(flatten)]
    pub terms: AcquisitionTerms,
    /// The price without that tax; null for an engine on commission.
    pub net: Option<Money>,
    /// Stock number of the engine that went out against an engine taken in part exchange.
    #[schema(minimum = 1)]
    pub exchanged_for: Option<i32>,
    /// What was allowed in part exchange above the likely price of the buying valuation; null where it was not above.
    pub allowance_above_valuation: Option<Money>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "engine": {"kind": "locomotive", "name": "Marrowby", "gauge": {"value": "5", "unit": "in"}, "whyte": "0-6-0", "fuel": "coal"},
    "method": "bought", "on": "2026-04-02", "price": "4200.00", "tax_position": "margin_scheme"}))]
pub struct NewAcquisition {
    /// The engine, with what is known of it at the door.
    pub engine: NewEngine,
    pub method: AcquisitionMethod,
    /// The day it came, today or earlier.
    pub on: Day,
    /// What was paid or allowed. Left out for an engine on commission, and only then.
    pub price: Option<Money>,
    /// How it was paid for, where that is known: for an engine that is bought only, and not `part_exchange`.
    pub paid_by: Option<PaymentMethod>,
    /// The proprietor knows that cash at the limit needs registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    /// From whom.
    pub person_id: Option<i64>,
    pub tax_position: TaxPosition,
    pub invoice_no: Option<Code>,
    /// Tax that the seller's invoice shows, within the price and below it: not under the margin scheme, which such an invoice shuts, nor
    /// on commission. 0 unless told otherwise.
    #[serde(default)]
    pub supplier_vat: Money,
    /// The least price that the owner takes: for an engine on commission only.
    pub reserve: Option<Money>,
    /// The firm's share of the price with its tax, 0 to 100. The commission is net of tax: where the firm is registered, tax
    /// at the standard rate of the day of the sale is added. An engine on commission has a share, a fixed sum or both;
    /// others have neither.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax, 0 or more; added to the share.
    pub commission_fixed: Option<Money>,
    /// The sale that an engine taken in part exchange pays into: for `part_exchange`, and only then. The full allowance is set
    /// off against the full price.
    pub sale_id: Option<i64>,
    /// a buying valuation of this engine; one becomes an acquisition once.
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
            "in the future; an engine is taken in on the day it comes",
        );
        rule(
            self.price.is_some() != on_commission,
            "price",
            "given when the engine is bought or taken in part exchange, and only then",
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
            "given for an engine on commission only",
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
            "more than 100",
        );
        let agreed = share.is_some() || self.commission_fixed.is_some();
        rule(
            agreed || !on_commission,
            "commission_percent",
            "missing: an engine on commission has a share of the price, a commission_fixed or both",
        );
        for (given, member) in [
            (share.is_some(), "commission_percent"),
            (self.commission_fixed.is_some(), "commission_fixed"),
        ] {
            rule(
                on_commission || !given,
                member,
                "given for an engine on commission only",
            );
        }
        rule(
            self.paid_by.is_none() || self.method == AcquisitionMethod::Bought,
            "paid_by",
            "given for an engine that is bought only",
        );
        rule(
            self.paid_by != Some(PaymentMethod::PartExchange),
            "paid_by",
            "a part exchange is a manner of coming",
        );
        let in_exchange = self.method == AcquisitionMethod::PartExchange;
        rule(
            self.sale_id.is_some() == in_exchange,
            "sale_id",
            "given when the engine is taken in part exchange, and only then",
        );
        rule(
            !in_exchange || self.price != Some(Money::ZERO),
            "price",
            "an allowance is above 0",
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
            "not below the price: it is the tax within it",
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

pub(crate) const POSITION_DOES_NOT_FIT: &str = "does not go with the manner: commission positions are for engines on commission, and only those";

pub(crate) const SUPPLIER_VAT_DOES_NOT_FIT: &str = "an engine that was bought on an invoice that shows VAT is not for the margin scheme, nor on commission: take ordinary_vat or \
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
    /// The engine that came.
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
/// Makes the engine and gives it the next stock number. One that is taken in part exchange pays its allowance into the sale
/// that it names.
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
    shown(&req, &acquisition)
}

// SQL

/// Makes the engine, its acquisition and, in part exchange, the payment that it is; `new` has been checked.
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
    tax_periods::must_be_open(tx.conn(), new.on).await?;
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
    Ok(taken.expect("one for each that was given"))
}

/// Holds the buying valuation, so that of two who take its engine in at once one is refused.
async fn must_be_unused(tx: &mut Tx<'_>, buying_valuation: i64) -> Result<(), Problem> {
    let found: Option<i64> = buying_valuations_table::table
        .find(buying_valuation)
        .select(buying_valuations_table::id)
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    if found.is_none() {
        let detail = format!("there is no buying valuation {buying_valuation}");
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
            "buying valuation {buying_valuation} became engine {stock_no}"
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

/// Acquisitions in the order given.
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
        let appraised = terms
            .buying_valuation_id
            .and_then(|id| likely.get(&id).copied());
        let net = terms
            .price
            .map(|price| price.checked_sub(terms.supplier_vat));
        Ok(Acquisition {
            net: net.transpose().map_err(Problem::internal)?,
            exchanged_for,
            allowance_above_valuation: exchanged_for
                .and(terms.price.zip(appraised))
                .and_then(|(allowed, likely)| allowance_above_valuation(allowed, likely)),
            terms,
        })
    });
    all.collect()
}

/// Puts another tax position in the place of the present one; `tax_positions` keeps what it was.
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
