//! Reservations: an engine reserved for one person until an instant, and the queue behind.

pub mod queue;

use crate::{
    firm::{
        firm,
        persons::{self, NewPerson},
    },
    ground::{
        actor::{Reserving, ReservingRead, Selling, SellingRead},
        answers::{Reply, respond},
        body::{Body, KeyedBody},
        clock::Instant,
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{self, Problem, all_hold},
        text::Text,
    },
    schema::{deposit_returns, deposits, payments, reservations, stock},
    stock::EngineState,
};
use actix_web::{HttpRequest, web};
use diesel::{
    dsl::{exists, not, sum},
    prelude::*,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    money::Money,
    trade::{ListingStatus, MOST_RESERVATION_HOURS, ReservationStatus, Role},
};
use outshop_operation::{get, post};
use queue::{open_of, promote_next, settle};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(create_reservation)
        .service(list_reservations)
        .service(get_reservation)
        .service(extend_reservation)
        .service(release_reservation)
        .service(record_reservation_notification);
}

/// The longest queue for one engine.
const LONGEST_QUEUE: usize = 20;

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 9, "stock_no": 10, "person_id": 12, "status": "live", "asked_at": "2026-05-14T11:00:00Z", "hours": 72,
    "until_at": "2026-05-17T11:00:00Z", "place_in_queue": null, "deposit_due": "500.00", "deposits_held": "0.00", "ended_at": null,
    "reason": null, "sale_id": null, "needs_notifying": false, "notified_at": null, "notes": null}))]
pub struct Reservation {
    pub id: i64,
    pub stock_no: i32,
    /// The person who has it.
    pub person_id: i64,
    pub status: ReservationStatus,
    pub asked_at: Instant,
    /// How many hours it lasts from the time at which it becomes live.
    #[schema(minimum = 1, maximum = 2160)]
    pub hours: i32,
    /// When it lapses; null: still in the queue.
    pub until_at: Option<Instant>,
    /// 1 is next in line; null: not in the queue.
    #[schema(minimum = 1, maximum = 20)]
    pub place_in_queue: Option<usize>,
    /// The deposit asked for; null: none.
    pub deposit_due: Option<Money>,
    /// Deposits received, less those returned and those set off at the sale.
    pub deposits_held: Money,
    /// Null: open.
    pub ended_at: Option<Instant>,
    /// Why it was released.
    pub reason: Option<Text<1000>>,
    /// The sale that fulfilled it; null: none.
    pub sale_id: Option<i64>,
    /// The person's turn in the queue has come, or will not come, and nobody has notified them yet.
    pub needs_notifying: bool,
    /// When the person was notified; null: not notified.
    pub notified_at: Option<Instant>,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 10, "person_id": 12, "hours": 72, "deposit_due": "500.00"}))]
pub struct NewReservation {
    /// An engine with a published listing.
    pub stock_no: i32,
    /// A person on record; otherwise send `person`. Not with a `website` key, which may not read persons.
    pub person_id: Option<i64>,
    /// With an e-mail address or a telephone number. A person on record with the same e-mail address is used.
    pub person: Option<NewPerson>,
    /// When it lapses, at most 90 days from now; with a `website` key at most the firm's usual time from now.
    /// Default, without `hours` too: the firm's usual time.
    pub until_at: Option<Instant>,
    /// How many hours it lasts, instead of `until_at`.
    #[schema(minimum = 1, maximum = 2160)]
    pub hours: Option<i32>,
    /// The deposit to ask for; not above the asking price.
    pub deposit_due: Option<Money>,
    /// Join the queue if the engine is reserved. Default: false.
    #[serde(default)]
    pub join_queue: bool,
    pub notes: Option<Text<1000>>,
}

/// Send one of the two.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"hours": 48}))]
pub struct NewExtension {
    /// The new time of lapse, later than the present one, at most 90 days from now.
    pub until_at: Option<Instant>,
    /// Hours to add to the present time of lapse.
    #[schema(minimum = 1, maximum = 2160)]
    pub hours: Option<i32>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"reason": "has bought another one"}))]
pub struct NewRelease {
    /// Why it is released.
    pub reason: Text<1000>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = NewReservationNotification, example = json!({}))]
pub struct NewOwnerNotification {}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ReservationFilters {
    #[param(minimum = 1, example = 10)]
    stock_no: Option<i32>,
    #[param(minimum = 1, example = 12)]
    person_id: Option<i64>,
    /// true: only live and queued reservations, and expired ones not yet marked as lapsed; false: only ended ones.
    open: Option<bool>,
    /// true: only reservations with a person to notify; false: only the others.
    needs_notifying: Option<bool>,
}

impl NewReservation {
    /// The hours asked for; `usual` if the request does not give any.
    fn check(&self, role: Role, now: Instant, usual: i32) -> Result<i32, Problem> {
        let most = if role == Role::Website {
            usual
        } else {
            MOST_RESERVATION_HOURS
        };
        let (hours, member) = match (self.until_at, self.hours) {
            (Some(until), _) => (hours_between(now, until), "/until_at"),
            (None, Some(hours)) => (hours, "/hours"),
            (None, None) => (usual, "/hours"),
        };
        let too_long = format!("must be at most {most} hours from now");
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
                "give an e-mail address or a telephone number, so that the person can be notified",
            ),
            (
                self.until_at.is_none() || self.hours.is_none(),
                "/hours",
                "give either until_at or hours",
            ),
            (
                self.until_at.is_none_or(|until| until > now),
                "/until_at",
                "must be later than now",
            ),
            (
                self.deposit_due.is_none_or(|due| due > Money::ZERO),
                "/deposit_due",
                "must be above 0",
            ),
            (
                hours >= 1 || self.until_at.is_some(),
                member,
                "must be 1 hour or more",
            ),
            (hours <= most, member, &too_long),
        ])?;
        Ok(hours)
    }
}

/// Hours from one instant to a later one, rounded up.
fn hours_between(from: Instant, to: Instant) -> i32 {
    let seconds = to.0.duration_since(from.0).as_secs().max(0);
    i32::try_from(seconds / 3600 + i64::from(seconds % 3600 > 0)).unwrap_or(i32::MAX)
}

// Routes

/// Reserve an engine
///
/// Refused (409) if the engine has no published listing, is sold or disposed of. While another reservation of the
/// engine is live it is refused with `already_reserved` unless `join_queue` is set. A person who has an open
/// reservation of the engine already gets that one back.
#[post("/reservations", 201 = Reservation)]
async fn create_reservation(
    Reserving(actor): Reserving,
    db: web::Data<Db>,
    new: KeyedBody<NewReservation>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let now = Instant::of_second(actor.now);
        let usual = firm::find(tx.conn()).await?.reservation_hours;
        let hours = new.check(actor.role, now, usual)?;
        crate::stock::lock_named(tx.conn(), new.stock_no, "/stock_no").await?;
        must_fit_price(tx, new.stock_no, new.deposit_due, "/deposit_due").await?;
        let person_id = persons::named(tx, new.person_id, new.person.as_ref()).await?;
        settle(tx.conn(), new.stock_no, now, actor.today).await?;
        let open = open_of(tx.conn(), new.stock_no).await?;
        let present = open.iter().find(|row| row.person_id == person_id);
        let row = match present {
            Some(row) => {
                tx.unchanged();
                row.clone()
            }
            None => {
                must_be_for_sale(tx.conn(), new.stock_no).await?;
                let live = open.iter().find_map(|row| row.until_at);
                let queue = open.iter().filter(|row| row.until_at.is_none()).count();
                match live {
                    Some(until) if !new.join_queue => return Err(reserved_until(until)),
                    Some(_) if queue >= LONGEST_QUEUE => {
                        return Err(Problem::new(
                            problem::ALREADY_RESERVED,
                            format!("the engine is reserved and its queue of {queue} is full; try again later"),
                        ));
                    }
                    Some(_) => insert(tx, &new, person_id, (now, hours), None).await?,
                    None => {
                        let until = new.until_at.unwrap_or_else(|| now.plus_hours(hours));
                        insert(tx, &new, person_id, (now, hours), Some(until)).await?
                    }
                }
            }
        };
        let reservation = one_whole(tx.conn(), row, now).await?;
        Ok((address(reservation.id), reservation))
    })
    .await
}

/// List reservations
#[get("/reservations", 200 = Page<Reservation>)]
async fn list_reservations(
    SellingRead(actor): SellingRead,
    list: ListQuery<ReservationFilters>,
) -> Reply {
    let (filters, now) = (list.filters.clone(), Instant::of_second(actor.now));
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = reservations::table.select(Row::as_select()).into_boxed();
        if let Some(stock_no) = filters.stock_no {
            query = query.filter(reservations::stock_no.eq(stock_no));
        }
        if let Some(person) = filters.person_id {
            query = query.filter(reservations::person_id.eq(person));
        }
        match filters.open {
            Some(true) => query = query.filter(reservations::ended.is_null()),
            Some(false) => query = query.filter(reservations::ended.is_not_null()),
            None => {}
        }
        let needs_notifying = reservations::notify_since
            .is_not_null()
            .and(reservations::notified_at.is_null());
        match filters.needs_notifying {
            Some(true) => query = query.filter(needs_notifying),
            Some(false) => query = query.filter(diesel::dsl::not(needs_notifying)),
            None => {}
        }
        let rows = of_page!(page, query, reservations::id).load(conn).await?;
        whole(conn, rows, now).await
    };
    list.answer(fetch, |it: &Reservation| it.id).await
}

/// Read a reservation
///
/// A `website` key reads only the reservations that it made.
#[get("/reservations/{id:\\d+}", 200 = Reservation)]
async fn get_reservation(
    ReservingRead(actor): ReservingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let row = Row::find(&mut conn, *id).await?;
    if actor.role == Role::Website && row.key_id != actor.key_id {
        return Err(Row::missing(*id));
    }
    let reservation = one_whole(&mut conn, row, Instant::of_second(actor.now)).await?;
    respond(&req, &reservation)
}

/// Extend a reservation
///
/// Refused (409) unless it is live.
#[post("/reservations/{id:\\d+}/extensions", 201 = Reservation)]
async fn extend_reservation(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewExtension>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let now = Instant::of_second(actor.now);
        let row = locked(tx, *id).await?;
        let present = row.until_at.unwrap_or(now);
        let (until, member) = match (new.until_at, new.hours) {
            (Some(until), None) => (until, "/until_at"),
            (None, Some(hours)) if (1..=MOST_RESERVATION_HOURS).contains(&hours) => {
                (present.plus_hours(hours), "/hours")
            }
            (None, Some(_)) => return Err(Problem::invalid("/hours", "must be 1 to 2160 hours")),
            (Some(_), Some(_)) | (None, None) => {
                return Err(Problem::invalid("/hours", "give either until_at or hours"));
            }
        };
        must_be_live(&row, now)?;
        if until <= present {
            let detail = format!("must be later than {present}, the present time of lapse");
            return Err(Problem::invalid(member, detail));
        }
        if until > now.plus_hours(MOST_RESERVATION_HOURS) {
            let detail = "must be at most 90 days from now";
            return Err(Problem::invalid(member, detail));
        }
        let row: Row = diesel::update(reservations::table.find(*id))
            .set(reservations::until_at.eq(until))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"reservation_id": *id, "until_at": until});
        tx.record("reservation.extended", Some(row.stock_no), entry)
            .await?;
        Ok((address(*id), one_whole(tx.conn(), row, now).await?))
    })
    .await
}

/// Release a reservation
///
/// Ends a live reservation or a place in the queue. The engine is then reserved for the next in line, who must be
/// notified. Deposits are held until they are returned.
#[post("/reservations/{id:\\d+}/releases", 201 = Reservation)]
async fn release_reservation(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewRelease>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let now = Instant::of_second(actor.now);
        let row = locked(tx, *id).await?;
        match row.status(now) {
            ReservationStatus::Live | ReservationStatus::Queued => {}
            over @ (ReservationStatus::Released
            | ReservationStatus::Lapsed
            | ReservationStatus::Fulfilled
            | ReservationStatus::EngineSold
            | ReservationStatus::EngineGone) => return Err(ended_already(over)),
        }
        let was_live = row.held_from.is_some();
        let row: Row = diesel::update(reservations::table.find(*id))
            .set((
                reservations::ended.eq(ReservationStatus::Released),
                reservations::ended_at.eq(now),
                reservations::reason.eq(&new.reason),
            ))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"reservation_id": *id});
        tx.record("reservation.released", Some(row.stock_no), entry)
            .await?;
        if was_live {
            promote_next(tx.conn(), row.stock_no, now, actor.today).await?;
        }
        Ok((address(*id), one_whole(tx.conn(), row, now).await?))
    })
    .await
}

/// Record that the person was notified
///
/// That their turn in the queue has come, or will not come. Refused (409) if there is nothing to notify.
#[post("/reservations/{id:\\d+}/notifications", 201 = Reservation)]
async fn record_reservation_notification(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewOwnerNotification>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let now = Instant::of_second(actor.now);
        let row = locked(tx, *id).await?;
        if !row.needs_notifying() {
            let detail =
                "there is nothing to notify, or the person was notified already; nothing to do";
            return Err(Problem::conflict(detail));
        }
        let row: Row = diesel::update(reservations::table.find(*id))
            .set(reservations::notified_at.eq(now))
            .returning(Row::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"reservation_id": *id});
        tx.record("reservation.notified", Some(row.stock_no), entry)
            .await?;
        Ok((address(*id), one_whole(tx.conn(), row, now).await?))
    })
    .await
}

fn address(id: i64) -> String {
    format!("/v1/reservations/{id}")
}

fn reserved_until(until: Instant) -> Problem {
    let detail = format!("the engine is reserved until {until}; set join_queue to join the queue");
    Problem::new(problem::ALREADY_RESERVED, detail)
}

fn ended_already(status: ReservationStatus) -> Problem {
    Problem::conflict(format!(
        "the reservation has ended: {status}; make a new one"
    ))
}

// SQL

#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = reservations)]
pub(crate) struct Row {
    pub id: i64,
    pub stock_no: i32,
    pub person_id: i64,
    key_id: i64,
    asked_at: Instant,
    hours: i32,
    held_from: Option<Instant>,
    until_at: Option<Instant>,
    deposit_due: Option<Money>,
    notes: Option<Text<1000>>,
    ended: Option<ReservationStatus>,
    ended_at: Option<Instant>,
    reason: Option<Text<1000>>,
    sale_id: Option<i64>,
    notify_since: Option<Instant>,
    notified_at: Option<Instant>,
}

impl Row {
    /// Past `until_at` a reservation has lapsed, even if the row does not say so yet.
    fn status(&self, now: Instant) -> ReservationStatus {
        match (self.ended, self.until_at) {
            (Some(ended), _) => ended,
            (None, None) => ReservationStatus::Queued,
            (None, Some(until)) if until <= now => ReservationStatus::Lapsed,
            (None, Some(_)) => ReservationStatus::Live,
        }
    }

    fn needs_notifying(&self) -> bool {
        self.notify_since.is_some() && self.notified_at.is_none()
    }
}

pub(crate) fn must_be_live(row: &Row, now: Instant) -> Result<(), Problem> {
    match row.status(now) {
        ReservationStatus::Live => Ok(()),
        ReservationStatus::Queued => Err(Problem::conflict(
            "the reservation is still in the queue; wait until it is live",
        )),
        over @ (ReservationStatus::Released
        | ReservationStatus::Lapsed
        | ReservationStatus::Fulfilled
        | ReservationStatus::EngineSold
        | ReservationStatus::EngineGone) => Err(ended_already(over)),
    }
}

/// Refuses a deposit above the asking price.
pub(crate) async fn must_fit_price(
    tx: &mut Tx<'_>,
    stock_no: i32,
    deposit: Option<Money>,
    pointer: &str,
) -> Result<(), Problem> {
    let Some(deposit) = deposit else {
        return Ok(());
    };
    match crate::stock::asking_price_of(tx.conn(), stock_no).await? {
        Some(asked) if deposit <= asked => Ok(()),
        Some(asked) => Err(Problem::invalid(
            pointer,
            format!("must not be more than the asking price of {asked}"),
        )),
        None => Err(Problem::conflict(
            "the engine has no asking price to limit a deposit; set one first",
        )),
    }
}

async fn must_be_for_sale(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<(), Problem> {
    let engine = EngineState::lock(conn, stock_no).await?;
    engine.must_be_unsold()?;
    engine.must_be_here()?;
    let listing: Option<ListingStatus> = stock::table
        .filter(stock::stock_no.eq(stock_no))
        .select(stock::listing)
        .first(conn)
        .await?;
    match listing {
        Some(ListingStatus::Published) => Ok(()),
        Some(ListingStatus::Draft | ListingStatus::Withdrawn) | None => Err(Problem::conflict(
            "the engine has no published listing, so it cannot be reserved; publish the listing first",
        )),
    }
}

async fn insert(
    tx: &mut Tx<'_>,
    new: &NewReservation,
    person_id: i64,
    (now, hours): (Instant, i32),
    until: Option<Instant>,
) -> Result<Row, Problem> {
    let row: Row = diesel::insert_into(reservations::table)
        .values((
            reservations::stock_no.eq(new.stock_no),
            reservations::person_id.eq(person_id),
            reservations::key_id.eq(tx.actor.key_id),
            reservations::asked_at.eq(now),
            reservations::hours.eq(hours),
            reservations::held_from.eq(until.map(|_| now)),
            reservations::until_at.eq(until),
            reservations::deposit_due.eq(new.deposit_due),
            reservations::notes.eq(&new.notes),
        ))
        .returning(Row::as_returning())
        .get_result(tx.conn())
        .await?;
    let (what, entry) = match until {
        Some(until) => (
            "reservation.created",
            json!({"reservation_id": row.id, "until_at": until}),
        ),
        None => ("reservation.queued", json!({"reservation_id": row.id})),
    };
    tx.record(what, Some(new.stock_no), entry).await?;
    Ok(row)
}

by_id!(Row, reservations, "there is no reservation {id}");

/// The reservation. Locks its engine, so that nobody reserves or sells it meanwhile.
pub(crate) async fn locked(tx: &mut Tx<'_>, id: i64) -> Result<Row, Problem> {
    let stock_no = Row::find(tx.conn(), id).await?.stock_no;
    crate::stock::lock(tx.conn(), stock_no).await?;
    Row::find(tx.conn(), id).await
}

pub(crate) async fn one_whole(
    conn: &mut AsyncPgConnection,
    row: Row,
    now: Instant,
) -> Result<Reservation, Problem> {
    let shown = whole(conn, vec![row], now).await?.pop();
    Ok(shown.expect("one reservation comes back for the one row given"))
}

/// The reservations of these rows, in the given order.
async fn whole(
    conn: &mut AsyncPgConnection,
    rows: Vec<Row>,
    now: Instant,
) -> Result<Vec<Reservation>, Problem> {
    let ids: Vec<i64> = rows.iter().map(|row| row.id).collect();
    let stock_nos: Vec<i32> = rows.iter().map(|row| row.stock_no).collect();
    let mut held = held_by(conn, &ids).await?;
    let queued: Vec<(i32, i64)> = reservations::table
        .filter(reservations::stock_no.eq_any(stock_nos))
        .filter(reservations::ended.is_null())
        .filter(reservations::held_from.is_null())
        .order(reservations::id)
        .select((reservations::stock_no, reservations::id))
        .load(conn)
        .await?;
    let mut places = HashMap::<i64, usize>::new();
    let mut lengths = HashMap::<i32, usize>::new();
    for (stock_no, id) in queued {
        let length = lengths.entry(stock_no).or_default();
        *length += 1;
        places.insert(id, *length);
    }
    let shown = rows.into_iter().map(|row| Reservation {
        status: row.status(now),
        place_in_queue: places.get(&row.id).copied(),
        deposits_held: held.remove(&row.id).unwrap_or(Money::ZERO),
        needs_notifying: row.needs_notifying(),
        id: row.id,
        stock_no: row.stock_no,
        person_id: row.person_id,
        asked_at: row.asked_at,
        hours: row.hours,
        until_at: row.until_at,
        deposit_due: row.deposit_due,
        ended_at: row.ended_at,
        reason: row.reason,
        sale_id: row.sale_id,
        notified_at: row.notified_at,
        notes: row.notes,
    });
    Ok(shown.collect())
}

/// Deposits neither set off nor returned.
#[diesel::dsl::auto_type(no_type_alias)]
pub(crate) fn held() -> _ {
    deposits::table
        .filter(not(exists(
            deposit_returns::table.filter(deposit_returns::deposit_id.eq(deposits::id)),
        )))
        .filter(not(exists(
            payments::table.filter(payments::deposit_id.eq(deposits::id.nullable())),
        )))
}

/// The sum held for each reservation; one with no deposits is missing.
pub(crate) async fn held_by(
    conn: &mut AsyncPgConnection,
    reservations: &[i64],
) -> Result<HashMap<i64, Money>, Problem> {
    let sums: Vec<(i64, Option<Money>)> = held()
        .filter(deposits::reservation_id.eq_any(reservations))
        .group_by(deposits::reservation_id)
        .select((deposits::reservation_id, sum(deposits::amount)))
        .load(conn)
        .await?;
    let sums = sums.into_iter();
    Ok(sums.filter_map(|(id, sum)| Some((id, sum?))).collect())
}
