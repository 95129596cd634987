//! Acquisitions: how an engine came, for what price, under which tax.

use crate::{
    body::KeyedBody,
    db::{Db, RunQueryDsl},
    engines::{self, NewEngine},
    keys::MoneyDesk,
    page::{Keyset, ListQuery, Page, PageParams, shown},
    persons,
    problem::{FieldError, Problem, Problems},
    schema::acquisitions,
    tax_periods,
    text::{Code, Prose},
};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    costs::CommissionTerms,
    days::Day,
    money::Money,
    tax::Percent,
    trade::{Manner, TaxPosition},
};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

pub fn routes(cfg: &mut ServiceConfig<'_>) {
    cfg.service(list_acquisitions)
        .service(create_acquisition)
        .service(get_acquisition);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = acquisitions)]
#[schema(example = json!({"id": 51, "stock_no": 417, "manner": "bought", "on": "2026-04-02", "price": "4200.00", "person_id": 12,
    "tax_position": "margin_scheme", "invoice_no": null, "reserve": null, "commission_percent": null, "commission_fixed": null,
    "note": null}))]
pub struct Acquisition {
    #[schema(minimum = 1)]
    pub id: i64,
    /// The engine that came.
    #[schema(minimum = 1)]
    pub stock_no: i32,
    pub manner: Manner,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// What was paid or allowed; null for an engine on commission.
    pub price: Option<Money>,
    /// From whom.
    pub person_id: Option<i64>,
    pub tax_position: TaxPosition,
    /// The seller's invoice; null where the firm wrote it itself.
    pub invoice_no: Option<Code>,
    /// The least price that the owner of a commission engine takes.
    pub reserve: Option<Money>,
    /// The firm's share of the price with its tax; the commission is net of tax.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax; added to the share.
    pub commission_fixed: Option<Money>,
    pub note: Option<Prose>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "engine": {"kind": "locomotive", "name": "Marrowby", "gauge": {"value": "5", "unit": "in"}, "whyte": "0-6-0", "fuel": "coal"},
    "manner": "bought", "on": "2026-04-02", "price": "4200.00", "tax_position": "margin_scheme"}))]
pub struct NewAcquisition {
    /// The engine, with what is known of it at the door.
    pub engine: NewEngine,
    pub manner: Manner,
    /// The day it came, today or earlier.
    pub on: Day,
    /// What was paid or allowed. Left out for an engine on commission, and only then.
    pub price: Option<Money>,
    /// From whom.
    #[schema(minimum = 1)]
    pub person_id: Option<i64>,
    pub tax_position: TaxPosition,
    pub invoice_no: Option<Code>,
    /// The least price that the owner takes: for an engine on commission only.
    pub reserve: Option<Money>,
    /// The firm's share of the price with its tax, 0 to 100. The commission is net of tax: where the firm is registered, tax
    /// at the standard rate of the day of the sale is added. An engine on commission has a share, a fixed sum or both;
    /// others have neither.
    pub commission_percent: Option<Percent>,
    /// A fixed sum net of tax, 0 or more; added to the share.
    pub commission_fixed: Option<Money>,
    pub note: Option<Prose>,
}

impl NewAcquisition {
    fn check(&self, today: Day) -> Result<(), Problem> {
        let mut broken = engines::broken_rules("/engine", &self.engine.checked(), today);
        let mut rule = |holds: bool, member: &str, detail: &str| {
            if !holds {
                broken.push(FieldError {
                    pointer: format!("/{member}"),
                    detail: detail.to_owned(),
                });
            }
        };
        let on_commission = self.manner == Manner::Commission;
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
            "not 0 or more",
        );
        rule(
            !self.reserve.is_some_and(Money::is_negative),
            "reserve",
            "not 0 or more",
        );
        rule(
            on_commission || self.reserve.is_none(),
            "reserve",
            "given for an engine on commission only",
        );
        rule(
            !self.commission_fixed.is_some_and(Money::is_negative),
            "commission_fixed",
            "not 0 or more",
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
        let of_commission = matches!(
            self.tax_position,
            TaxPosition::CommissionInOwnersName | TaxPosition::CommissionInOwnName
        );
        rule(
            of_commission == on_commission || self.tax_position == TaxPosition::NotRegistered,
            "tax_position",
            "does not go with the manner: commission positions are for engines on commission, and only those",
        );
        if broken.is_empty() {
            Ok(())
        } else {
            Err(Problem::invalid_all(broken))
        }
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
#[utoipa::path(tag = "engines", operation_id = "list_acquisitions", params(AcquisitionFilters, PageParams),
    responses((status = 200, body = Page<Acquisition>), Problems), extensions(("x-roles" = json!(["proprietor", "bookkeeper"]))))]
#[get("/acquisitions")]
async fn list_acquisitions(
    _by: MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<AcquisitionFilters>,
) -> Result<HttpResponse, Problem> {
    let stock_no = list.filters.stock_no;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = acquisitions::table
            .select(Acquisition::as_select())
            .order(acquisitions::id)
            .limit(page.limit)
            .into_boxed();
        if let Some(stock_no) = stock_no {
            query = query.filter(acquisitions::stock_no.eq(stock_no));
        }
        if let Some(after) = page.after_id() {
            query = query.filter(acquisitions::id.gt(after));
        }
        Ok(query.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |acquisition: &Acquisition| {
        (Value::Null, acquisition.id)
    })
    .await
}

/// Take an engine in
///
/// Makes the engine and gives it the next stock number.
#[utoipa::path(tag = "engines", operation_id = "create_acquisition", params(crate::body::Repeatable), request_body = NewAcquisition,
    responses((status = 201, body = Acquisition), Problems), extensions(("x-roles" = json!(["proprietor", "bookkeeper"]))))]
#[post("/acquisitions")]
async fn create_acquisition(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: KeyedBody<NewAcquisition>,
) -> Result<HttpResponse, Problem> {
    new.check(actor.today)?;
    db.create(&actor, &new, async |tx| {
        if let Some(person) = new.person_id {
            persons::must_exist(tx.conn(), person, "/person_id").await?;
        }
        tax_periods::must_be_open(tx.conn(), new.on).await?;
        let stock_no = engines::insert(tx, &new.engine).await?;
        let acquisition: Acquisition = diesel::insert_into(acquisitions::table)
            .values((
                acquisitions::stock_no.eq(stock_no),
                acquisitions::manner.eq(new.manner),
                acquisitions::on_day.eq(new.on),
                acquisitions::price.eq(new.price),
                acquisitions::person_id.eq(new.person_id),
                acquisitions::tax_position.eq(new.tax_position),
                acquisitions::invoice_no.eq(&new.invoice_no),
                acquisitions::reserve.eq(new.reserve),
                acquisitions::commission_percent.eq(new.commission_percent),
                acquisitions::commission_fixed.eq(new.commission_fixed),
                acquisitions::note.eq(&new.note),
            ))
            .returning(Acquisition::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"acquisition_id": acquisition.id, "manner": acquisition.manner});
        tx.record("engine.acquired", Some(stock_no), entry).await?;
        Ok((format!("/v1/acquisitions/{}", acquisition.id), acquisition))
    })
    .await
}

/// Read an acquisition
#[utoipa::path(tag = "engines", operation_id = "get_acquisition", params(("id" = i64, Path, example = 51, minimum = 1)),
    responses((status = 200, body = Acquisition), Problems), extensions(("x-roles" = json!(["proprietor", "bookkeeper"]))))]
#[get("/acquisitions/{id:\\d+}")]
async fn get_acquisition(
    _by: MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let mut conn = db.read().await?;
    let acquisition: Option<Acquisition> = acquisitions::table
        .find(*id)
        .select(Acquisition::as_select())
        .first(&mut conn)
        .await
        .optional()?;
    shown(
        &req,
        &acquisition.ok_or_else(|| Problem::not_found(format!("there is no acquisition {id}")))?,
    )
}

// SQL

/// The day an engine came: nothing is recorded of it before.
pub(crate) async fn came_on(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Day, Problem> {
    let on = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .select(acquisitions::on_day)
        .first(conn)
        .await;
    on.optional()?.ok_or_else(|| engines::missing(stock_no))
}

/// How tax is taken on an engine, and what was paid or allowed for it; nothing for one on commission.
pub(crate) async fn terms_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<(TaxPosition, Option<Money>), Problem> {
    let terms = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .select((acquisitions::tax_position, acquisitions::price))
        .first(conn)
        .await;
    terms.optional()?.ok_or_else(|| engines::missing(stock_no))
}

/// How an engine came, and when.
pub(crate) async fn manner_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<(Manner, Day), Problem> {
    let came = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .select((acquisitions::manner, acquisitions::on_day))
        .first(conn)
        .await;
    came.optional()?.ok_or_else(|| engines::missing(stock_no))
}

/// What was agreed with the owner of an engine on commission.
pub(crate) struct Agreed {
    pub owner: Option<i64>,
    pub reserve: Option<Money>,
    pub terms: CommissionTerms,
    pub tax_position: TaxPosition,
}

/// `None` for an engine that is not on commission.
pub(crate) async fn agreed_with_owner(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Option<Agreed>, Problem> {
    let on_commission: Option<Acquisition> = acquisitions::table
        .filter(acquisitions::stock_no.eq(stock_no))
        .filter(acquisitions::manner.eq(Manner::Commission))
        .select(Acquisition::as_select())
        .first(conn)
        .await
        .optional()?;
    Ok(on_commission.map(|it| Agreed {
        owner: it.person_id,
        reserve: it.reserve,
        terms: CommissionTerms {
            percent: it.commission_percent,
            fixed: it.commission_fixed,
        },
        tax_position: it.tax_position,
    }))
}
