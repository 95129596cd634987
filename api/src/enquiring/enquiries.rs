//! Enquiries: what someone asks about an engine or wants, until the enquiry is closed.

use crate::{
    firm::persons::{self, NewPerson},
    ground::{
        actor::{Reserving, ReservingRead, Selling, SellingRead},
        answers::{Reply, respond},
        body::{Body, Patch},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Prose, Text, at_most},
    },
    schema::{engines as engines_table, enquiries, stock},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    engines::{
        engine::{Kind, Scale, Whyte},
        wants::{OnOffer, Want, WantPart, fits},
    },
    money::Money,
    trade::{ListingStatus, Role},
    units::Length,
};
use outshop_operation::{get, patch, post};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(create_enquiry)
        .service(list_enquiries)
        .service(get_enquiry)
        .service(change_enquiry)
        .service(close_enquiry)
        .service(list_wants);
}

/// The most open wants that an engine is checked against.
const MOST_WANTS: i64 = 10_000;
/// The most ids in one journal entry.
const MOST_IDS: usize = 200;

// Types

/// The engine that someone wants; a null or empty member excludes nothing.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = enquiries)]
#[schema(example = json!({"kind": "locomotive", "gauges": [{"value": "2 1/2", "unit": "in", "mm": "63.5"}], "scale": null,
    "whyte": "0-6-0", "most_to_pay": "3000.00"}))]
pub struct Wanted {
    #[diesel(column_name = wanted_kind)]
    pub kind: Option<Kind>,
    /// Any of them will do.
    #[diesel(column_name = wanted_gauges)]
    #[schema(max_items = 10)]
    pub gauges: Vec<Length>,
    #[diesel(column_name = wanted_scale)]
    pub scale: Option<Scale>,
    #[diesel(column_name = wanted_whyte)]
    pub whyte: Option<Whyte>,
    /// The most that the person would pay.
    pub most_to_pay: Option<Money>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = enquiries)]
#[schema(example = json!({"id": 21, "person_id": 12, "on": "2026-05-14", "stock_no": null, "want": {"kind": "locomotive",
    "gauges": [{"value": "2 1/2", "unit": "in", "mm": "63.5"}], "scale": null, "whyte": "0-6-0", "most_to_pay": "3000.00"},
    "message": "goods engine preferred", "follow_up_on": "2026-06-01", "closed_on": null, "closing_reason": null}))]
pub struct Enquiry {
    pub id: i64,
    pub person_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// The engine that it is about; null: none.
    pub stock_no: Option<i32>,
    #[diesel(embed)]
    pub want: Wanted,
    pub message: Option<Prose>,
    /// The day on which to follow it up; null: none is set.
    pub follow_up_on: Option<Day>,
    /// Null: open.
    pub closed_on: Option<Day>,
    /// Why it was closed.
    pub closing_reason: Option<Text<1000>>,
}

#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"kind": "locomotive", "gauges": [{"value": "2 1/2", "unit": "in"}], "whyte": "0-6-0", "most_to_pay": "3000.00"}))]
pub struct NewWant {
    pub kind: Option<Kind>,
    /// Any of them will do. Empty: any gauge.
    #[serde(default, deserialize_with = "at_most::<10, _, _>")]
    #[schema(max_items = 10)]
    pub gauges: Vec<Length>,
    pub scale: Option<Scale>,
    /// A wheel arrangement without a letter at its end includes those with one.
    pub whyte: Option<Whyte>,
    /// The most that the person would pay; above 0.
    pub most_to_pay: Option<Money>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"person_id": 12, "want": {"kind": "locomotive", "gauges": [{"value": "2 1/2", "unit": "in"}], "most_to_pay": "3000.00"},
    "message": "goods engine preferred", "follow_up_on": "2026-06-01"}))]
pub struct NewEnquiry {
    /// A person on record; otherwise send `person`. Not with a `website` key, which may not read persons.
    pub person_id: Option<i64>,
    /// With an e-mail address or a telephone number. A person on record with the same e-mail address is used.
    pub person: Option<NewPerson>,
    /// The engine that it is about; with a `website` key it must be published. Without an engine, `want` is required.
    pub stock_no: Option<i32>,
    /// What the person looks for; null: nothing further.
    pub want: Option<NewWant>,
    pub message: Option<Prose>,
    /// The day on which to follow it up, today or later. Default: today.
    pub follow_up_on: Option<Day>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = enquiries, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"follow_up_on": "2026-06-15"}))]
pub struct EnquiryPatch {
    pub message: Option<Prose>,
    /// The day on which to follow it up, today or later; null: none.
    pub follow_up_on: Option<Day>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewEnquiryClosing, example = json!({"reason": "found one elsewhere"}))]
pub struct NewClosing {
    /// Why it is closed.
    pub reason: Text<1000>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct EnquiryFilters {
    /// Only open enquiries to be followed up by this day, inclusive.
    follow_up_until: Option<Day>,
    /// true: only open enquiries; false: only closed ones.
    open: Option<bool>,
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
    #[param(minimum = 1, example = 12)]
    person_id: Option<i64>,
}

/// An open want that an engine matches.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"enquiry_id": 21, "person_id": 12, "not_known": ["whyte"], "most_to_pay": "3000.00", "follow_up_on": "2026-06-01"}))]
pub struct WantMet {
    pub enquiry_id: i64,
    pub person_id: i64,
    /// Parts of the want that cannot be checked, as the engine's record does not say; the engine may still match.
    #[schema(max_items = 5)]
    pub not_known: Vec<WantPart>,
    /// The most that the person would pay.
    pub most_to_pay: Option<Money>,
    pub follow_up_on: Option<Day>,
}

impl NewWant {
    fn says_something(&self) -> bool {
        self.kind.is_some()
            || !self.gauges.is_empty()
            || self.scale.is_some()
            || self.whyte.is_some()
            || self.most_to_pay.is_some()
    }
}

impl NewEnquiry {
    fn check(&self, role: Role, today: Day) -> Result<(), Problem> {
        let most = self.want.as_ref().and_then(|want| want.most_to_pay);
        all_hold([
            (
                self.person_id.is_some() != self.person.is_some(),
                "/person_id",
                "give either person_id or person",
            ),
            (
                role != Role::Website || self.person_id.is_none(),
                "/person_id",
                "with a website key, send `person` (name and contact), not `person_id`",
            ),
            (
                self.person.as_ref().is_none_or(NewPerson::can_be_reached),
                "/person",
                "give an e-mail address or a telephone number, so that someone can answer",
            ),
            (
                self.stock_no.is_some() || self.want.is_some(),
                "/want",
                "missing; without stock_no say what is wanted",
            ),
            (
                self.want.as_ref().is_none_or(NewWant::says_something),
                "/want",
                "is empty: give at least one of kind, gauges, scale, whyte, most_to_pay",
            ),
            (
                most.is_none_or(|most| most > Money::ZERO),
                "/want/most_to_pay",
                "must be above 0",
            ),
            (
                self.follow_up_on.is_none_or(|on| on >= today),
                "/follow_up_on",
                "must not be in the past",
            ),
        ])
    }
}

impl Wanted {
    fn want(&self) -> Want {
        Want {
            kind: self.kind,
            gauges_mm: self.gauges.iter().map(Length::base).collect(),
            scale: self.scale.clone(),
            whyte: self.whyte.clone(),
            most_to_pay: self.most_to_pay,
        }
    }
}

// Routes

/// Record an enquiry
///
/// About an engine, or for one that is wanted. Each new listing is checked against all open wants.
#[post("/enquiries", 201 = Enquiry)]
async fn create_enquiry(
    Reserving(actor): Reserving,
    db: web::Data<Db>,
    new: Body<NewEnquiry>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        new.check(actor.role, actor.today)?;
        if let Some(stock_no) = new.stock_no {
            must_be_seen(tx.conn(), stock_no, actor.role).await?;
        }
        let person = persons::named(tx, new.person_id, new.person.as_ref()).await?;
        let enquiry = insert(tx, person, &new).await?;
        let entry = json!({"enquiry_id": enquiry.id});
        tx.record("enquiry.created", new.stock_no, entry).await?;
        Ok((format!("/v1/enquiries/{}", enquiry.id), enquiry))
    })
    .await
}

/// List enquiries
#[get("/enquiries", 200 = Page<Enquiry>)]
async fn list_enquiries(_by: SellingRead, list: ListQuery<EnquiryFilters>) -> Reply {
    let filters = list.filters.clone();
    let rows = move |page: &Keyset| {
        let mut rows = enquiries::table.select(Enquiry::as_select()).into_boxed();
        if let Some(until) = filters.follow_up_until {
            rows = rows
                .filter(enquiries::closed_on.is_null())
                .filter(enquiries::follow_up_on.le(until));
        }
        match filters.open {
            Some(true) => rows = rows.filter(enquiries::closed_on.is_null()),
            Some(false) => rows = rows.filter(enquiries::closed_on.is_not_null()),
            None => {}
        }
        if let Some(stock_no) = filters.stock_no {
            rows = rows.filter(enquiries::stock_no.eq(stock_no));
        }
        if let Some(person) = filters.person_id {
            rows = rows.filter(enquiries::person_id.eq(person));
        }
        of_page!(page, rows, enquiries::id)
    };
    list.rows(rows, |it: &Enquiry| it.id).await
}

/// Read an enquiry
///
/// A `website` key reads only the enquiries that it made.
#[get("/enquiries/{id:\\d+}", 200 = Enquiry)]
async fn get_enquiry(
    ReservingRead(actor): ReservingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut query = enquiries::table
        .filter(enquiries::id.eq(*id))
        .select(Enquiry::as_select())
        .into_boxed();
    if actor.role == Role::Website {
        query = query.filter(enquiries::key_id.eq(actor.key_id));
    }
    let found: Option<Enquiry> = query.first(&mut *db.read().await?).await.optional()?;
    respond(&req, &found.ok_or_else(|| Enquiry::missing(*id))?)
}

/// Change an enquiry
///
/// Refused (409) once it is closed.
#[patch("/enquiries/{id:\\d+}", 200 = Enquiry)]
async fn change_enquiry(
    Selling(actor): Selling,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<EnquiryPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = Enquiry::lock(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let follow_up = change.follow_up_on;
        if patch.names("follow_up_on") && follow_up.is_some_and(|on| on < actor.today) {
            return Err(Problem::invalid("/follow_up_on", "must not be in the past"));
        }
        must_be_open(&current)?;
        let changed: Enquiry = diesel::update(enquiries::table.find(*id))
            .set(&change)
            .returning(Enquiry::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"enquiry_id": *id, "members": patch.members()});
        tx.record("enquiry.changed", changed.stock_no, entry)
            .await?;
        Ok(changed)
    })
    .await
}

/// Close an enquiry
///
/// Refused (409) if it is closed already.
#[post("/enquiries/{id:\\d+}/closings", 201 = Enquiry)]
async fn close_enquiry(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewClosing>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        must_be_open(&Enquiry::lock(tx.conn(), *id).await?)?;
        let closed: Enquiry = diesel::update(enquiries::table.find(*id))
            .set((
                enquiries::closed_on.eq(actor.today),
                enquiries::closing_reason.eq(&new.reason),
            ))
            .returning(Enquiry::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record(
            "enquiry.closed",
            closed.stock_no,
            json!({"enquiry_id": *id}),
        )
        .await?;
        Ok((format!("/v1/enquiries/{id}"), closed))
    })
    .await
}

/// List the open wants that an engine matches
///
/// Each with the parts that cannot be checked, as the engine's record does not say.
#[get("/engines/{stock_no:\\d+}/wants", 200 = Page<WantMet>)]
async fn list_wants(_by: SellingRead, stock_no: web::Path<i32>, list: ListQuery) -> Reply {
    let stock_no = *stock_no;
    crate::stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut met = wants_met(conn, stock_no).await?;
        let after = page.after_id().unwrap_or(0);
        met.retain(|want| want.enquiry_id > after);
        met.truncate(usize::try_from(page.limit).unwrap_or(usize::MAX));
        Ok(met)
    };
    list.answer(fetch, |it: &WantMet| it.enquiry_id).await
}

fn must_be_open(enquiry: &Enquiry) -> Result<(), Problem> {
    match enquiry.closed_on {
        None => Ok(()),
        Some(on) => Err(Problem::conflict(format!(
            "the enquiry was closed on {on}; record a new one",
            on = on.in_words()
        ))),
    }
}

// SQL

by_id!(Enquiry, enquiries, "there is no enquiry {id}");

/// Staff may ask about any engine, a website only about published ones.
async fn must_be_seen(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    role: Role,
) -> Result<(), Problem> {
    let listing: Option<Option<ListingStatus>> = stock::table
        .filter(stock::stock_no.eq(stock_no))
        .select(stock::listing)
        .first(conn)
        .await
        .optional()?;
    let seen = match role {
        Role::Website => listing == Some(Some(ListingStatus::Published)),
        Role::Proprietor | Role::Seller | Role::Fitter | Role::Bookkeeper => listing.is_some(),
    };
    if seen {
        return Ok(());
    }
    let detail = if role == Role::Website {
        format!("no engine {stock_no} is published; use one from the public list, or leave it out")
    } else {
        format!("there is no engine {stock_no}; use the number of one, or leave it out")
    };
    Err(Problem::invalid("/stock_no", detail))
}

async fn insert(tx: &mut Tx<'_>, person: i64, new: &NewEnquiry) -> Result<Enquiry, Problem> {
    let want = new.want.clone().unwrap_or_default();
    Ok(diesel::insert_into(enquiries::table)
        .values((
            enquiries::person_id.eq(person),
            enquiries::key_id.eq(tx.actor.key_id),
            enquiries::on_day.eq(tx.actor.today),
            enquiries::stock_no.eq(new.stock_no),
            enquiries::wanted_kind.eq(want.kind),
            enquiries::wanted_gauges.eq(want.gauges),
            enquiries::wanted_scale.eq(want.scale),
            enquiries::wanted_whyte.eq(want.whyte),
            enquiries::most_to_pay.eq(want.most_to_pay),
            enquiries::message.eq(&new.message),
            enquiries::follow_up_on.eq(new.follow_up_on.unwrap_or(tx.actor.today)),
        ))
        .returning(Enquiry::as_returning())
        .get_result(tx.conn())
        .await?)
}

/// Records in the journal which open wants a newly published engine matches.
pub(crate) async fn record_wants_met(tx: &mut Tx<'_>, stock_no: i32) -> Result<(), Problem> {
    let met = wants_met(tx.conn(), stock_no).await?;
    if met.is_empty() {
        return Ok(());
    }
    let ids = met.iter().map(|want| want.enquiry_id).take(MOST_IDS);
    let entry = json!({"enquiry_ids": ids.collect::<Vec<i64>>(), "n": met.len()});
    tx.record("wants.matched", Some(stock_no), entry).await
}

type Seen = (
    Kind,
    Option<Decimal>,
    Option<Scale>,
    Option<Whyte>,
    Option<Money>,
);

/// Open wants that the engine matches, in order of id.
async fn wants_met(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Vec<WantMet>, Problem> {
    let (kind, gauge_mm, scale, whyte, asked): Seen = engines_table::table
        .inner_join(stock::table.on(stock::stock_no.eq(engines_table::stock_no)))
        .filter(engines_table::stock_no.eq(stock_no))
        .select((
            engines_table::kind,
            engines_table::gauge_mm,
            engines_table::scale,
            engines_table::whyte,
            stock::asking_price,
        ))
        .first(conn)
        .await?;
    let engine = OnOffer {
        kind,
        gauge_mm,
        scale,
        whyte,
        asked,
    };
    let open: Vec<Enquiry> = enquiries::table
        .filter(enquiries::closed_on.is_null())
        .order(enquiries::id)
        .limit(MOST_WANTS)
        .select(Enquiry::as_select())
        .load(conn)
        .await?;
    let met = open.into_iter().filter_map(|enquiry| {
        let not_known = fits(&enquiry.want.want(), &engine)?;
        Some(WantMet {
            enquiry_id: enquiry.id,
            person_id: enquiry.person_id,
            not_known,
            most_to_pay: enquiry.want.most_to_pay,
            follow_up_on: enquiry.follow_up_on,
        })
    });
    Ok(met.collect())
}
