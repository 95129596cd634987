//! Hour rates: the cost of a fitter's hour in the books, and the rate to recover in prices.

use crate::{
    books::tax_periods,
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::Body,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::Line,
    },
    schema::hour_rates,
    workshop::fitters,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::costs::{HourPricedBy, mean_rate},
    days::Day,
    money::Money,
    workshop::jobs::Skill,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::BTreeMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_hour_rates)
        .service(create_hour_rate)
        .service(get_hour_rate);
}

// Types

/// A fitter's rates from a day on, until a later entry replaces them.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = hour_rates)]
#[schema(example = json!({"id": 2, "fitter": "Edda Morlock", "from": "2026-01-01", "cost_rate": "18.50", "recovery_rate": "32.00"}))]
pub struct HourRate {
    pub id: i64,
    /// Spelled as on booked hours.
    pub fitter: Line,
    /// First day.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Cost of an hour in the books; 0 for a proprietor's own.
    pub cost_rate: Money,
    /// Rate to recover in prices; used for the break-even price.
    pub recovery_rate: Money,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = hour_rates)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"fitter": "Edda Morlock", "from": "2026-01-01", "cost_rate": "18.50", "recovery_rate": "32.00"}))]
pub struct NewHourRate {
    /// Spelled as on booked hours.
    pub fitter: Line,
    /// First day; in an open tax period.
    #[diesel(column_name = from_day)]
    pub from: Day,
    /// Cost of an hour in the books; 0 or more.
    pub cost_rate: Money,
    /// Rate to recover in prices; 0 or more.
    pub recovery_rate: Money,
}

/// Which of a fitter's two rates to use.
#[derive(Debug, Clone, Copy)]
pub(crate) enum RateKind {
    /// `cost_rate`, for the stock valuation.
    Book,
    /// `recovery_rate`, for prices.
    Worth,
}

// Routes

/// List the hour rates
#[get("/hour-rates", 200 = Page<HourRate>)]
async fn list_hour_rates(_by: MoneyDesk, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = hour_rates::table.select(HourRate::as_select());
        of_page!(page, all, hour_rates::id)
    };
    list.rows(rows, |it: &HourRate| it.id).await
}

/// Set the hour rates of a fitter
///
/// Hours booked on jobs are charged at the rates of their day.
#[post("/hour-rates", 201 = HourRate)]
async fn create_hour_rate(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewHourRate>,
) -> Reply {
    let rates = [
        (new.cost_rate, "/cost_rate"),
        (new.recovery_rate, "/recovery_rate"),
    ];
    let broken = rates.into_iter().filter(|(rate, _)| rate.is_negative());
    let broken: Vec<FieldError> = broken
        .map(|(_, pointer)| FieldError {
            pointer: pointer.to_owned(),
            detail: "must be 0 or more".to_owned(),
        })
        .collect();
    if !broken.is_empty() {
        return Err(Problem::invalid_all(broken));
    }
    db.create(&actor, &new, async |tx| {
        tax_periods::period_must_be_open(tx.conn(), new.from).await?;
        let rate: HourRate = diesel::insert_into(hour_rates::table)
            .values(&*new)
            .returning(HourRate::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"rate_id": rate.id, "from": rate.from});
        tx.record("hour_rate.created", None, entry).await?;
        Ok((format!("/v1/hour-rates/{}", rate.id), rate))
    })
    .await
}

/// Get an hour rate
#[get("/hour-rates/{id:\\d+}", 200 = HourRate)]
async fn get_hour_rate(_by: MoneyDesk, found: Found<HourRate>) -> Reply {
    found.respond()
}

/// The two rates of an hour.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct HourPrice {
    pub book: Money,
    pub worth: Money,
}

impl HourPrice {
    pub(crate) const fn of(self, kind: RateKind) -> Money {
        match kind {
            RateKind::Book => self.book,
            RateKind::Worth => self.worth,
        }
    }
}

/// The rate of hours not yet worked, and where it comes from.
#[derive(Debug, Clone)]
pub(crate) struct PricedHour {
    pub rate: HourPrice,
    pub by: HourPricedBy,
    pub fitter: Option<Line>,
}

/// The rates of all fitters on a day.
#[derive(Debug, Clone)]
pub(crate) struct HourPrices(Vec<FitterPrice>);

#[derive(Debug, Clone)]
struct FitterPrice {
    /// `None`: not recorded as a fitter of the workshop, so no skills are on record.
    id: Option<i64>,
    name: Line,
    skills: Vec<Skill>,
    rate: HourPrice,
}

impl HourPrices {
    /// The rate of the named fitter, else the mean of those with the skill, else of all.
    pub(crate) fn of(&self, fitter_id: Option<i64>, skill: Option<Skill>) -> PricedHour {
        let named = self
            .0
            .iter()
            .find(|it| it.id.is_some() && it.id == fitter_id);
        if let Some(named) = named {
            return PricedHour {
                rate: named.rate,
                by: HourPricedBy::Fitter,
                fitter: Some(named.name.clone()),
            };
        }
        let skilled = skill.and_then(|skill| {
            mean(self.0.iter().filter(|it| it.skills.contains(&skill)))
                .map(|rate| (rate, HourPricedBy::Skill))
        });
        let all = || mean(self.0.iter()).map(|rate| (rate, HourPricedBy::AllFitters));
        let nobody = (HourPrice::default(), HourPricedBy::NoRate);
        let (rate, by) = skilled.or_else(all).unwrap_or(nobody);
        PricedHour {
            rate,
            by,
            fitter: None,
        }
    }
}

fn mean<'f>(fitters: impl Iterator<Item = &'f FitterPrice>) -> Option<HourPrice> {
    let (book, worth): (Vec<Money>, Vec<Money>) =
        fitters.map(|it| (it.rate.book, it.rate.worth)).unzip();
    Some(HourPrice {
        book: mean_rate(&book)?,
        worth: mean_rate(&worth)?,
    })
}

/// The rate of each fitter on that day. Fitters who have left by then are left out.
pub(crate) async fn on(conn: &mut AsyncPgConnection, on: Day) -> Result<HourPrices, Problem> {
    let rates: Vec<(Line, Money, Money)> = hour_rates::table
        .filter(hour_rates::from_day.le(on))
        .order((hour_rates::fitter, hour_rates::from_day))
        .select((
            hour_rates::fitter,
            hour_rates::cost_rate,
            hour_rates::recovery_rate,
        ))
        .load(conn)
        .await?;
    // The last rate of each fitter overwrites the others.
    let now: BTreeMap<Line, HourPrice> = rates
        .into_iter()
        .map(|(name, book, worth)| (name, HourPrice { book, worth }))
        .collect();
    let fitters = fitters::all(conn).await?;
    let prices = now.into_iter().filter_map(|(name, rate)| {
        let fitter = fitters.iter().find(|it| it.name == name);
        let gone = fitter.is_some_and(|it| it.until.is_some_and(|until| until < on));
        (!gone).then(|| FitterPrice {
            id: fitter.map(|it| it.id),
            skills: fitter.map_or_else(Vec::new, |it| it.skills.clone()),
            name,
            rate,
        })
    });
    Ok(HourPrices(prices.collect()))
}

// SQL

by_id!(HourRate, hour_rates, "there is no hour rate {id}");
