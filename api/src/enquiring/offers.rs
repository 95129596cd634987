//! Offers: what someone would pay for an engine, with its profit and the chance of a better price.

use crate::{
    enquiring::reservations::queue,
    firm::persons,
    ground::{
        actor::{Selling, SellingRead},
        answers::{Reply, respond},
        body::Body,
        confirmations::{self, Confirmations},
        db::{ById, Db, RunQueryDsl, Tx, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{CONFLICT, Problem, all_hold},
        text::Text,
    },
    pricing::{
        margins,
        valuations::{answer::PricingBasis, facts_of, last_high},
    },
    schema::{offer_answers, offers},
    stock::{self, EngineState},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::costs::ProfitAtPrice,
    days::Day,
    money::Money,
    sense::{self, Member},
    trade::{OfferAnswer, OfferStatus},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(create_offer)
        .service(list_offers)
        .service(get_offer)
        .service(answer_offer);
}

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = offers)]
pub struct OfferTerms {
    pub id: i64,
    pub stock_no: i32,
    /// The person who made the offer.
    pub person_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    pub amount: Money,
    /// Last day on which the offer is valid; null: no end was given.
    #[diesel(column_name = until_day)]
    pub until: Option<Day>,
    pub notes: Option<Text<1000>>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
    /// The sale to someone else that ended the offer; null: none.
    pub ended_by_sale_id: Option<i64>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 14, "stock_no": 10, "person_id": 12, "on": "2026-05-14", "amount": "7200.00", "until": "2026-05-21", "notes": null,
    "confirmed": [], "ended_by_sale_id": null, "status": "countered", "answered_on": "2026-05-14", "counter_amount": "7500.00",
    "profit": {"price": "7200.00", "tax": "500.00", "selling_cost": "0.00", "profit": "1630.00"},
    "counter_left": {"price": "7500.00", "tax": "550.00", "selling_cost": "0.00", "profit": "1880.00"}, "chance_of_better": "0.5127"}))]
pub struct Offer {
    #[serde(flatten)]
    pub terms: OfferTerms,
    pub status: OfferStatus,
    /// The day of the last answer; null: not answered.
    pub answered_on: Option<Day>,
    /// The price that the firm would accept instead; kept when that is answered in turn. Null: never countered.
    pub counter_amount: Option<Money>,
    /// The offer less tax and all costs; null: the records do not allow it to be calculated.
    pub profit: Option<ProfitAtPrice>,
    /// The same for `counter_amount`.
    pub counter_left: Option<ProfitAtPrice>,
    /// The share of the prices predicted today that lie above the offer; null: no prediction is possible.
    #[schema(max_length = 40)]
    pub chance_of_better: Option<String>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"person_id": 12, "on": "2026-05-14", "amount": "7200.00", "until": "2026-05-21"}))]
pub struct NewOffer {
    /// The person who makes the offer.
    pub person_id: i64,
    /// From the day on which the firm acquired the engine to today.
    pub on: Day,
    /// Above 0; at most 10 x the high figure of the engine's last valuation unless confirmed.
    pub amount: Money,
    /// Confirms an amount above that limit. Default: false.
    #[serde(default)]
    pub amount_confirmed: bool,
    /// Last day on which the offer is valid, today or later; leave it out if no end was given.
    pub until: Option<Day>,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"answer": "countered", "on": "2026-05-14", "amount": "7500.00"}))]
pub struct NewOfferAnswer {
    pub answer: OfferAnswer,
    /// From the day of the offer to today.
    pub on: Day,
    /// The price that the firm would accept: with `countered`, and only with it. At most 10 x the high figure of the
    /// engine's last valuation unless confirmed.
    pub amount: Option<Money>,
    /// Confirms an amount above that limit. Default: false.
    #[serde(default)]
    pub amount_confirmed: bool,
    /// The proprietor knows that the price is below the break-even price and accepts it all the same. Default: false.
    #[serde(default)]
    pub below_break_even_confirmed: bool,
}

// Routes

/// Record an offer for an engine
///
/// Refused (409) if the engine is sold or disposed of.
#[post("/engines/{stock_no:\\d+}/offers", 201 = Offer)]
async fn create_offer(
    Selling(actor): Selling,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    new: Body<NewOffer>,
) -> Reply {
    let stock_no = *stock_no;
    db.create(&actor, &new, async |tx| {
        let engine = EngineState::lock(tx.conn(), stock_no).await?;
        all_hold([
            (new.on <= actor.today, "/on", "must not be in the future"),
            (
                new.on >= engine.came_on,
                "/on",
                "must not be before the firm acquired the engine",
            ),
            (new.amount > Money::ZERO, "/amount", "must be above 0"),
            (
                new.until.is_none_or(|until| until >= actor.today),
                "/until",
                "must not be in the past",
            ),
        ])?;
        persons::must_exist(tx.conn(), new.person_id, "/person_id").await?;
        engine.must_be_unsold()?;
        engine.must_be_here()?;
        let confirmed = ask_about(tx, stock_no, new.amount, new.amount_confirmed).await?;
        let terms: OfferTerms = diesel::insert_into(offers::table)
            .values((
                offers::stock_no.eq(stock_no),
                offers::person_id.eq(new.person_id),
                offers::on_day.eq(new.on),
                offers::amount.eq(new.amount),
                offers::until_day.eq(new.until),
                offers::notes.eq(&new.notes),
                offers::confirmed.eq(&confirmed),
            ))
            .returning(OfferTerms::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"offer_id": terms.id, "amount": terms.amount});
        let entry = confirmations::noted(entry, &confirmed);
        tx.record("offer.created", Some(stock_no), entry).await?;
        let location = format!("/v1/offers/{}", terms.id);
        Ok((location, one_whole(tx.conn(), terms, actor.today).await?))
    })
    .await
}

/// List the offers for an engine
///
/// Each with its profit and the chance of a better price.
#[get("/engines/{stock_no:\\d+}/offers", 200 = Page<Offer>)]
async fn list_offers(
    SellingRead(actor): SellingRead,
    stock_no: web::Path<i32>,
    list: ListQuery,
) -> Reply {
    let stock_no = *stock_no;
    stock::must_exist(&mut *list.conn().await?, stock_no).await?;
    let today = actor.today;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let terms = offers::table
            .filter(offers::stock_no.eq(stock_no))
            .select(OfferTerms::as_select());
        let terms = of_page!(page, terms, offers::id).load(conn).await?;
        whole(conn, stock_no, terms, today).await
    };
    list.answer(fetch, |it: &Offer| it.terms.id).await
}

/// Read an offer
#[get("/offers/{id:\\d+}", 200 = Offer)]
async fn get_offer(
    SellingRead(actor): SellingRead,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let terms = OfferTerms::find(&mut conn, *id).await?;
    let offer = one_whole(&mut conn, terms, actor.today).await?;
    respond(&req, &offer)
}

/// Answer an offer
///
/// A countered offer may be answered again, and an accepted one withdrawn. Accepting does not sell the engine: record
/// the sale. Accepting and countering are refused (409) if the engine is sold or disposed of, accepting also if it is
/// reserved for someone else. Below the break-even price only the proprietor may accept or counter, with
/// `below_break_even_confirmed`.
#[post("/offers/{id:\\d+}/answers", 201 = Offer)]
async fn answer_offer(
    Selling(actor): Selling,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewOfferAnswer>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let stock_no = OfferTerms::find(tx.conn(), *id).await?.stock_no;
        let engine = EngineState::lock(tx.conn(), stock_no).await?;
        let terms = OfferTerms::find(tx.conn(), *id).await?;
        let counters = new.answer == OfferAnswer::Countered;
        all_hold([
            (new.on <= actor.today, "/on", "must not be in the future"),
            (new.on >= terms.on, "/on", "must not be before the offer"),
            (
                counters == new.amount.is_some(),
                "/amount",
                "required with countered; leave it out otherwise",
            ),
            (
                new.amount.is_none_or(|amount| amount > Money::ZERO),
                "/amount",
                "must be above 0",
            ),
        ])?;
        let binds = matches!(new.answer, OfferAnswer::Accepted | OfferAnswer::Countered);
        if binds {
            engine.must_be_unsold()?;
            engine.must_be_here()?;
        }
        let answered = answers(tx.conn(), &[*id]).await?;
        let answered = answered.get(id.as_ref());
        let status = status(&terms, answered, actor.today);
        match status {
            OfferStatus::Open | OfferStatus::Countered => {}
            OfferStatus::Accepted if new.answer == OfferAnswer::Withdrawn => {}
            OfferStatus::Accepted => {
                let detail = "the offer is accepted already; it can only be withdrawn";
                return Err(Problem::conflict(detail));
            }
            OfferStatus::Declined
            | OfferStatus::Withdrawn
            | OfferStatus::Lapsed
            | OfferStatus::EngineSold => {
                return Err(Problem::conflict(format!(
                    "the offer has ended: {status}; record a new offer"
                )));
            }
        }
        if new.answer == OfferAnswer::Accepted {
            queue::must_be_free_for(tx, stock_no, Some(terms.person_id)).await?;
        }
        if binds {
            let countered = answered.and_then(|it| it.counter_amount);
            let price = new.amount.or(countered).unwrap_or(terms.amount);
            let confirmed = new.below_break_even_confirmed;
            let engine = EngineState::read(tx.conn(), stock_no).await?;
            margins::must_not_lose(tx.conn(), &actor, &engine, price, confirmed).await?;
        }
        let confirmed = match new.amount {
            Some(amount) => ask_about(tx, stock_no, amount, new.amount_confirmed).await?,
            None => Vec::new(),
        };
        diesel::insert_into(offer_answers::table)
            .values((
                offer_answers::offer_id.eq(*id),
                offer_answers::answer.eq(new.answer),
                offer_answers::on_day.eq(new.on),
                offer_answers::amount.eq(new.amount),
            ))
            .execute(tx.conn())
            .await?;
        let entry = json!({"offer_id": *id, "answer": new.answer, "amount": new.amount});
        let entry = confirmations::noted(entry, &confirmed);
        tx.record("offer.answered", Some(stock_no), entry).await?;
        let offer = one_whole(tx.conn(), terms, actor.today).await?;
        Ok((format!("/v1/offers/{id}"), offer))
    })
    .await
}

// SQL

by_id!(OfferTerms, offers, "there is no offer {id}");

/// The members of an amount that were confirmed.
async fn ask_about(
    tx: &mut Tx<'_>,
    stock_no: i32,
    amount: Money,
    confirmed: bool,
) -> Result<Vec<Member>, Problem> {
    let mut ask = Confirmations::default();
    let high = last_high(tx.conn(), stock_no).await?;
    let doubt = high.and_then(|high| sense::amount(amount, high));
    ask.ask("/amount", doubt, confirmed);
    ask.settled()
}

/// The last answer, and the last counter-offer.
#[derive(Clone, Copy)]
struct Answered {
    answer: OfferAnswer,
    on: Day,
    counter_amount: Option<Money>,
}

async fn answers(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<HashMap<i64, Answered>, Problem> {
    let rows: Vec<(i64, OfferAnswer, Day, Option<Money>)> = offer_answers::table
        .filter(offer_answers::offer_id.eq_any(ids))
        .order(offer_answers::id)
        .select((
            offer_answers::offer_id,
            offer_answers::answer,
            offer_answers::on_day,
            offer_answers::amount,
        ))
        .load(conn)
        .await?;
    let mut last = HashMap::<i64, Answered>::new();
    for (id, answer, on, amount) in rows {
        let before = last.get(&id).and_then(|before| before.counter_amount);
        let answered = Answered {
            answer,
            on,
            counter_amount: amount.or(before),
        };
        last.insert(id, answered);
    }
    Ok(last)
}

/// An offer without an answer lapses after its last day; a counter-offer lasts until it is answered.
fn status(terms: &OfferTerms, answered: Option<&Answered>, today: Day) -> OfferStatus {
    if terms.ended_by_sale_id.is_some() {
        return OfferStatus::EngineSold;
    }
    match answered.map(|it| it.answer) {
        Some(OfferAnswer::Accepted) => OfferStatus::Accepted,
        Some(OfferAnswer::Declined) => OfferStatus::Declined,
        Some(OfferAnswer::Withdrawn) => OfferStatus::Withdrawn,
        Some(OfferAnswer::Countered) => OfferStatus::Countered,
        None if terms.until.is_some_and(|until| until < today) => OfferStatus::Lapsed,
        None => OfferStatus::Open,
    }
}

async fn one_whole(
    conn: &mut AsyncPgConnection,
    terms: OfferTerms,
    today: Day,
) -> Result<Offer, Problem> {
    let all = whole(conn, terms.stock_no, vec![terms], today).await?.pop();
    Ok(all.expect("one offer comes back for the one given"))
}

/// Offers for one engine, in the given order.
async fn whole(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    all: Vec<OfferTerms>,
    today: Day,
) -> Result<Vec<Offer>, Problem> {
    let ids: Vec<i64> = all.iter().map(|terms| terms.id).collect();
    let amounts: Vec<Money> = all.iter().map(|terms| terms.amount).collect();
    let answered = answers(conn, &ids).await?;
    let counters: Vec<Option<Money>> = ids
        .iter()
        .map(|id| answered.get(id).and_then(|it| it.counter_amount))
        .collect();
    let reckoning = margins::known_reckoning(conn, stock_no, today).await?;
    let profit_at_price = |price: Option<Money>| match reckoning.as_ref().zip(price) {
        Some((reckoning, price)) => reckoning.at(price).map(Some),
        None => Ok(None),
    };
    let profit = amounts.iter().map(|amount| profit_at_price(Some(*amount)));
    let profit: Vec<Option<ProfitAtPrice>> = profit.collect::<Result<_, _>>()?;
    let counter_left = counters.into_iter().map(profit_at_price);
    let counter_left: Vec<Option<ProfitAtPrice>> = counter_left.collect::<Result<_, _>>()?;
    let chances = chances(conn, stock_no, today, &amounts).await?;
    let rest = profit.into_iter().zip(counter_left).zip(chances);
    let offers = all.into_iter().zip(rest);
    let offers = offers.map(|(terms, ((profit, counter_left), chance))| {
        let answer = answered.get(&terms.id);
        Offer {
            status: status(&terms, answer, today),
            answered_on: answer.map(|it| it.on),
            counter_amount: answer.and_then(|it| it.counter_amount),
            profit,
            counter_left,
            chance_of_better: chance,
            terms,
        }
    });
    Ok(offers.collect())
}

/// For each amount the share of predicted prices above it; `None`: no prediction is possible.
async fn chances(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    today: Day,
    amounts: &[Money],
) -> Result<Vec<Option<String>>, Problem> {
    if amounts.is_empty() {
        return Ok(Vec::new());
    }
    let engine = facts_of(conn, stock_no, today).await?;
    let ground = match PricingBasis::on(conn, today).await {
        Ok(ground) => ground,
        Err(problem) if problem.is(CONFLICT) => return Ok(vec![None; amounts.len()]),
        Err(problem) => return Err(problem),
    };
    let shares = amounts
        .iter()
        .map(|amount| match ground.chance_above(&engine, *amount) {
            Ok(share) => Ok(Some(format!("{share:.4}"))),
            Err(problem) if problem.is(CONFLICT) => Ok(None),
            Err(problem) => Err(problem),
        });
    shares.collect()
}

/// Ends the open, countered and accepted offers of everyone but the buyer when the engine is sold. Returns their ids.
pub(crate) async fn end_by_sale(
    tx: &mut Tx<'_>,
    stock_no: i32,
    sale_id: i64,
    buyer: i64,
) -> Result<Vec<i64>, Problem> {
    let today = tx.actor.today;
    let of_others: Vec<OfferTerms> = offers::table
        .filter(offers::stock_no.eq(stock_no))
        .filter(offers::person_id.ne(buyer))
        .order(offers::id)
        .select(OfferTerms::as_select())
        .load(tx.conn())
        .await?;
    if of_others.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<i64> = of_others.iter().map(|terms| terms.id).collect();
    let answered = answers(tx.conn(), &ids).await?;
    let live =
        of_others.iter().filter(
            |terms| match status(terms, answered.get(&terms.id), today) {
                OfferStatus::Open | OfferStatus::Countered | OfferStatus::Accepted => true,
                OfferStatus::Declined
                | OfferStatus::Withdrawn
                | OfferStatus::Lapsed
                | OfferStatus::EngineSold => false,
            },
        );
    let ended: Vec<i64> = live.map(|terms| terms.id).collect();
    diesel::update(offers::table.filter(offers::id.eq_any(&ended)))
        .set(offers::ended_by_sale_id.eq(sale_id))
        .execute(tx.conn())
        .await?;
    Ok(ended)
}

/// Withdraws the open and countered offers of a person, and returns how many there were.
pub(crate) async fn withdraw_all_of(
    conn: &mut AsyncPgConnection,
    person: i64,
    on: Day,
) -> Result<usize, Problem> {
    let theirs: Vec<OfferTerms> = offers::table
        .filter(offers::person_id.eq(person))
        .select(OfferTerms::as_select())
        .load(conn)
        .await?;
    let ids: Vec<i64> = theirs.iter().map(|terms| terms.id).collect();
    let answered = answers(conn, &ids).await?;
    let open = theirs.iter().filter(|terms| {
        let status = status(terms, answered.get(&terms.id), on);
        matches!(status, OfferStatus::Open | OfferStatus::Countered)
    });
    let rows: Vec<_> = open
        .map(|terms| {
            (
                offer_answers::offer_id.eq(terms.id),
                offer_answers::answer.eq(OfferAnswer::Withdrawn),
                offer_answers::on_day.eq(on),
            )
        })
        .collect();
    let n = rows.len();
    diesel::insert_into(offer_answers::table)
        .values(rows)
        .execute(conn)
        .await?;
    Ok(n)
}
