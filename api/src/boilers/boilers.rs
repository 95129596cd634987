//! Boilers: pressure vessels, each with its own number.

use crate::{
    ground::{
        actor::{Staff, Workshop},
        answers::{Reply, respond},
        body::{Body, Patch},
        confirmations::{self, Confirmations},
        db::{ById, Db, RunQueryDsl, by_id, hashtextextended, pg_advisory_xact_lock},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Line, Prose, Text},
    },
    schema::{boiler_installations, boiler_pressure_changes, boilers, tests},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::{BoilerNumber, Material, bar_litres},
    days::Day,
    sense::{self, Doubt, Member},
    units::{Pressure, Volume, four_places},
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_boilers)
        .service(create_boiler)
        .service(get_boiler)
        .service(change_boiler);
}

// Types

/// What is recorded about the boiler itself; null means not recorded.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boilers)]
pub struct BoilerParticulars {
    pub id: i64,
    /// As stamped; compared character by character.
    pub number: BoilerNumber,
    pub maker: Option<Line>,
    pub material: Material,
    /// Working pressure as first recorded, before any change.
    #[diesel(column_name = working_pressure)]
    pub first_working_pressure: Pressure,
    /// Total internal volume, not only the water.
    pub volume: Option<Volume>,
    pub made_on: Option<Day>,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    /// Evidence of past use or of conformity marking.
    pub conformity_evidence: Option<Text<500>>,
    /// Whether a gas tank is tested with it.
    pub has_gas_tank: Option<bool>,
    /// Total internal volume of the gas tank; some codes test small tanks only once.
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
    /// Members with values outside the usual limits that were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// A boiler, with what follows from its records.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 88, "number": "QLW 1187", "maker": "Tolgarth Boilers", "material": "copper",
    "first_working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "volume": {"value": "8.0", "unit": "L", "l": "8"},
    "made_on": null, "first_service_on": "1998-06-01", "first_marketed_on": null, "conformity_evidence": null, "has_gas_tank": false,
    "gas_tank_volume": null, "notes": null, "confirmed": [], "working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "bar_litres": "49.6423", "stock_no": 10,
    "installed_on": "1998-05-02"}))]
pub struct Boiler {
    #[serde(flatten)]
    pub particulars: BoilerParticulars,
    /// Current working pressure, after the last change.
    pub working_pressure: Pressure,
    /// Current working pressure (bar, gauge) x total internal volume (litres), four decimal places; null: volume not
    /// recorded.
    #[schema(max_length = 40)]
    pub bar_litres: Option<String>,
    /// The engine that it is in; null: in no engine.
    pub stock_no: Option<i32>,
    /// The day it was installed there.
    pub installed_on: Option<Day>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = boilers)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
    "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-06-01"}))]
pub struct NewBoiler {
    /// As stamped.
    pub number: BoilerNumber,
    /// true: not the known boiler with a number that differs only in case, spaces or punctuation.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub number_confirmed: bool,
    pub maker: Option<Line>,
    pub material: Material,
    /// 10 to 250 psi unless confirmed.
    pub working_pressure: Pressure,
    /// true: accept a pressure outside the usual limits.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub working_pressure_confirmed: bool,
    /// Total internal volume; .05 to 250 litres unless confirmed. The rules of boiler codes depend on size, so without
    /// it no code can be applied.
    pub volume: Option<Volume>,
    /// true: accept a volume outside the usual limits.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub volume_confirmed: bool,
    /// Not before 1900 unless confirmed.
    pub made_on: Option<Day>,
    /// true: accept a day outside the usual limits.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub made_on_confirmed: bool,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    /// Evidence of past use or of conformity marking.
    pub conformity_evidence: Option<Text<500>>,
    /// Whether a gas tank is tested with it.
    pub has_gas_tank: Option<bool>,
    /// Total internal volume of the gas tank; some codes test small tanks only once.
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
}

/// Corrections to the record. If the boiler's working pressure was changed, record a pressure change, which has a day.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = boilers, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"maker": "Tolgarth Boilers", "made_on": "1998-03-20"}))]
pub struct BoilerPatch {
    /// As stamped.
    pub number: BoilerNumber,
    /// true: not the known boiler with a number that differs only in case, spaces or punctuation.
    #[serde(default)]
    #[diesel(skip_update)]
    pub number_confirmed: bool,
    pub maker: Option<Line>,
    pub material: Material,
    /// Total internal volume.
    pub volume: Option<Volume>,
    /// true: accept a volume outside the usual limits.
    #[serde(default)]
    #[diesel(skip_update)]
    pub volume_confirmed: bool,
    /// Not before 1900 and not after the first test on record unless confirmed.
    pub made_on: Option<Day>,
    /// true: accept a day outside the usual limits.
    #[serde(default)]
    #[diesel(skip_update)]
    pub made_on_confirmed: bool,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    /// Evidence of past use or of conformity marking.
    pub conformity_evidence: Option<Text<500>>,
    /// Whether a gas tank is tested with it.
    pub has_gas_tank: Option<bool>,
    /// Total internal volume of the gas tank.
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
}

/// The days in a boiler's life that must be in order.
struct Life {
    made_on: Option<Day>,
    first_service_on: Option<Day>,
    first_marketed_on: Option<Day>,
}

impl Life {
    /// `first_record`: the earliest installation or pressure change on record. Tests are checked separately, as a shell
    /// may be tested before the boiler is finished.
    fn check(&self, first_record: Option<Day>, today: Day) -> Result<(), Problem> {
        let after_making =
            |day: Option<Day>| day.zip(self.made_on).is_none_or(|(day, made)| day >= made);
        let days = [
            ("made_on", self.made_on),
            ("first_service_on", self.first_service_on),
            ("first_marketed_on", self.first_marketed_on),
        ];
        let mut broken: Vec<FieldError> = days
            .into_iter()
            .filter_map(|(member, day)| {
                let detail = if day.is_some_and(|day| day > today) {
                    "must not be in the future"
                } else if !after_making(day) {
                    "must not be before `made_on`"
                } else {
                    return None;
                };
                Some(FieldError {
                    pointer: format!("/{member}"),
                    detail: detail.to_owned(),
                })
            })
            .collect();
        if let Some(first) = first_record
            && !after_making(first_record)
        {
            broken.push(FieldError {
                pointer: "/made_on".to_owned(),
                detail: format!(
                    "must not be later than {first}, the first installation or pressure change",
                    first = first.in_words()
                ),
            });
        }
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
pub struct BoilerFilters {
    /// The whole number; case, spaces and punctuation are ignored here.
    #[param(value_type = Option<String>, min_length = 1, max_length = 60, example = "QLW 1187")]
    number: Option<BoilerNumber>,
    /// The engine that it is in.
    #[param(minimum = 1)]
    stock_no: Option<i32>,
}

// Routes

/// List boilers
#[get("/boilers", 200 = Page<Boiler>)]
async fn list_boilers(_by: Staff, list: ListQuery<BoilerFilters>) -> Reply {
    let filters = list.filters.clone();
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = boilers::table
            .select(BoilerParticulars::as_select())
            .into_boxed();
        if let Some(number) = &filters.number {
            let folded = number.folded();
            let mut known = known_numbers(conn).await?;
            known.retain(|(_, known)| known.folded() == folded);
            let ids: Vec<i64> = known.into_iter().map(|(id, _)| id).collect();
            query = query.filter(boilers::id.eq_any(ids));
        }
        if let Some(stock_no) = filters.stock_no {
            let fitted = boiler_installations::table
                .filter(
                    boiler_installations::stock_no
                        .eq(stock_no)
                        .and(boiler_installations::removed_on.is_null()),
                )
                .select(boiler_installations::boiler_id);
            query = query.filter(boilers::id.eq_any(fitted));
        }
        let found = of_page!(page, query, boilers::id).load(conn).await?;
        with_acts(conn, found).await
    };
    list.answer(fetch, |it: &Boiler| it.particulars.id).await
}

/// Add a boiler
///
/// Refused (422) if its number differs from a known boiler's only in case, spaces or punctuation, unless it is
/// confirmed as another boiler.
#[post("/boilers", 201 = Boiler)]
async fn create_boiler(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewBoiler>,
) -> Reply {
    let life = Life {
        made_on: new.made_on,
        first_service_on: new.first_service_on,
        first_marketed_on: new.first_marketed_on,
    };
    life.check(None, actor.today)?;
    db.create(&actor, &new, async |tx| {
        let mut ask = Confirmations::default();
        let doubt = number_in_doubt(tx.conn(), &new.number, None).await?;
        ask.ask("/number", doubt, new.number_confirmed);
        ask.ask(
            "/working_pressure",
            sense::working_pressure(&new.working_pressure),
            new.working_pressure_confirmed,
        );
        let volume = new.volume.as_ref().and_then(sense::volume);
        ask.ask("/volume", volume, new.volume_confirmed);
        let made_on = new.made_on.and_then(|day| sense::made_on(day, None));
        ask.ask("/made_on", made_on, new.made_on_confirmed);
        let confirmed = ask.settled()?;
        let id: i64 = diesel::insert_into(boilers::table)
            .values((&*new, boilers::confirmed.eq(&confirmed)))
            .returning(boilers::id)
            .get_result(tx.conn())
            .await?;
        let entry = confirmations::noted(json!({"boiler_id": id}), &confirmed);
        tx.record("boiler.created", None, entry).await?;
        Ok((format!("/v1/boilers/{id}"), find(tx.conn(), id).await?))
    })
    .await
}

/// Get a boiler
#[get("/boilers/{id:\\d+}", 200 = Boiler)]
async fn get_boiler(_by: Staff, req: HttpRequest, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    let boiler = find(&mut *db.read().await?, *id).await?;
    respond(&req, &boiler)
}

/// Correct the record of a boiler
///
/// The working pressure is not corrected here: record a pressure change.
#[patch("/boilers/{id:\\d+}", 200 = Boiler)]
async fn change_boiler(
    Workshop(actor): Workshop,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<BoilerPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = lock(tx.conn(), *id).await?;
        let change = patch.merged(&current)?;
        let life = Life {
            made_on: change.made_on,
            first_service_on: change.first_service_on,
            first_marketed_on: change.first_marketed_on,
        };
        let first_record = first_record(tx.conn(), *id).await?;
        life.check(first_record, actor.today)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let (asked, confirmed) = doubts_of_change(tx.conn(), *id, &patch, &change).await?;
        let stay =
            confirmations::after_change(&current.particulars.confirmed, &asked, confirmed.clone());
        diesel::update(boilers::table.find(*id))
            .set((&change, boilers::confirmed.eq(stay)))
            .execute(tx.conn())
            .await?;
        let entry = json!({"boiler_id": *id, "members": patch.members()});
        let entry = confirmations::noted(entry, &confirmed);
        tx.record("boiler.changed", current.stock_no, entry).await?;
        find(tx.conn(), *id).await
    })
    .await
}

// SQL

/// The numbers of all boilers.
async fn known_numbers(conn: &mut AsyncPgConnection) -> Result<Vec<(i64, BoilerNumber)>, Problem> {
    let numbers = boilers::table.select((boilers::id, boilers::number));
    Ok(numbers.order(boilers::id).load(conn).await?)
}

/// Whether a number reads like that of another known boiler than `of`. Everyone who writes a number takes this lock, so
/// that no two similar numbers are stored at once.
async fn number_in_doubt(
    conn: &mut AsyncPgConnection,
    number: &BoilerNumber,
    of: Option<i64>,
) -> Result<Option<Doubt>, Problem> {
    let lock = pg_advisory_xact_lock(hashtextextended("boiler numbers", 0));
    diesel::select(lock).execute(conn).await?;
    let known = known_numbers(conn).await?;
    let others = known.iter().filter(|(id, _)| Some(*id) != of);
    Ok(sense::number(number, others.map(|(_, number)| number)))
}

/// The same for a number on a test or certificate of a boiler: that boiler's own number is never in doubt.
pub(crate) async fn read_number_in_doubt(
    conn: &mut AsyncPgConnection,
    number: &BoilerNumber,
    boiler: &Boiler,
) -> Result<Option<Doubt>, Problem> {
    let own = &boiler.particulars.number;
    if number == own {
        return Ok(None);
    }
    let known = known_numbers(conn).await?;
    let others = known.iter().map(|(_, number)| number);
    Ok(sense::number(number, std::iter::once(own).chain(others)))
}

/// The members that the change must confirm, and those of them that it does confirm.
async fn doubts_of_change(
    conn: &mut AsyncPgConnection,
    id: i64,
    patch: &Patch<BoilerPatch>,
    change: &BoilerPatch,
) -> Result<(Vec<Member>, Vec<Member>), Problem> {
    let (mut ask, mut asked) = (Confirmations::default(), Vec::new());
    if patch.names("number") {
        asked.push(Member::Number);
        let doubt = number_in_doubt(conn, &change.number, Some(id)).await?;
        ask.ask("/number", doubt, change.number_confirmed);
    }
    if patch.names("volume") {
        asked.push(Member::Volume);
        let doubt = change.volume.as_ref().and_then(sense::volume);
        ask.ask("/volume", doubt, change.volume_confirmed);
    }
    if patch.names("made_on") {
        asked.push(Member::MadeOn);
        let first_test = first_test(conn, id).await?;
        let doubt = change
            .made_on
            .and_then(|day| sense::made_on(day, first_test));
        ask.ask("/made_on", doubt, change.made_on_confirmed);
    }
    Ok((asked, ask.settled()?))
}

by_id!(BoilerParticulars, boilers, "there is no boiler {id}");

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Boiler, Problem> {
    let particulars = BoilerParticulars::find(conn, id).await?;
    let boiler = with_acts(conn, vec![particulars]).await?.pop();
    boiler.ok_or_else(|| BoilerParticulars::missing(id))
}

/// The boilers with these ids, as the interface shows them, in order of id.
pub(crate) async fn find_shown(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<Boiler>, Problem> {
    let found = find_all(conn, ids).await?;
    with_acts(conn, found).await
}

/// The boilers with these ids, in order of id.
pub(crate) async fn find_all(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<BoilerParticulars>, Problem> {
    Ok(boilers::table
        .filter(boilers::id.eq_any(ids))
        .select(BoilerParticulars::as_select())
        .order(boilers::id)
        .load(conn)
        .await?)
}

/// Locks the boiler until the end of the transaction. Lock its engine first.
pub(crate) async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Boiler, Problem> {
    BoilerParticulars::lock(conn, id).await?;
    find(conn, id).await
}

pub(crate) async fn must_exist(conn: &mut AsyncPgConnection, id: i64) -> Result<(), Problem> {
    let found: bool = diesel::select(diesel::dsl::exists(boilers::table.find(id)))
        .get_result(conn)
        .await?;
    if found {
        Ok(())
    } else {
        Err(BoilerParticulars::missing(id))
    }
}

/// Checks the day of something done to a boiler: not before it was made, not in the future.
pub(crate) fn check_day(
    pointer: &str,
    day: Day,
    boiler: &Boiler,
    today: Day,
) -> Result<(), Problem> {
    if day > today {
        return Err(Problem::invalid(
            pointer,
            format!(
                "must not be in the future; today is {today}",
                today = today.in_words()
            ),
        ));
    }
    match boiler.particulars.made_on {
        Some(made_on) if day < made_on => Err(Problem::invalid(
            pointer,
            format!(
                "must not be before {made_on}, when the boiler was made",
                made_on = made_on.in_words()
            ),
        )),
        Some(_) | None => Ok(()),
    }
}

async fn with_acts(
    conn: &mut AsyncPgConnection,
    found: Vec<BoilerParticulars>,
) -> Result<Vec<Boiler>, Problem> {
    let ids: Vec<i64> = found.iter().map(|boiler| boiler.id).collect();
    let mut pressures: HashMap<i64, Pressure> = last_pressures(conn, &ids).await?;
    let fitted: HashMap<i64, (i32, Day)> = boiler_installations::table
        .filter(
            boiler_installations::boiler_id
                .eq_any(&ids)
                .and(boiler_installations::removed_on.is_null()),
        )
        .select((
            boiler_installations::boiler_id,
            (
                boiler_installations::stock_no,
                boiler_installations::installed_on,
            ),
        ))
        .load(conn)
        .await?
        .into_iter()
        .collect();
    let boilers = found.into_iter().map(|particulars| {
        let working_pressure = pressures
            .remove(&particulars.id)
            .unwrap_or_else(|| particulars.first_working_pressure.clone());
        let size = |volume: &Volume| four_places(bar_litres(&working_pressure, volume));
        let fitting = fitted.get(&particulars.id);
        Boiler {
            bar_litres: particulars.volume.as_ref().map(size),
            stock_no: fitting.map(|(stock_no, _)| *stock_no),
            installed_on: fitting.map(|(_, on)| *on),
            working_pressure,
            particulars,
        }
    });
    Ok(boilers.collect())
}

/// The pressure after the last change, for boilers that have one.
async fn last_pressures(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<HashMap<i64, Pressure>, Problem> {
    let last = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq_any(ids))
        .distinct_on(boiler_pressure_changes::boiler_id)
        .order((
            boiler_pressure_changes::boiler_id,
            boiler_pressure_changes::on_day.desc(),
            boiler_pressure_changes::id.desc(),
        ))
        .select((
            boiler_pressure_changes::boiler_id,
            boiler_pressure_changes::working_pressure,
        ));
    Ok(last
        .load::<(i64, Pressure)>(conn)
        .await?
        .into_iter()
        .collect())
}

async fn first_test(conn: &mut AsyncPgConnection, id: i64) -> Result<Option<Day>, Problem> {
    let first = tests::table
        .filter(tests::boiler_id.eq(id))
        .select(diesel::dsl::min(tests::on_day));
    Ok(first.first(conn).await?)
}

async fn first_record(conn: &mut AsyncPgConnection, id: i64) -> Result<Option<Day>, Problem> {
    use diesel::dsl::min;
    let fitting: Option<Day> = boiler_installations::table
        .filter(boiler_installations::boiler_id.eq(id))
        .select(min(boiler_installations::installed_on))
        .first(conn)
        .await?;
    let change: Option<Day> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(id))
        .select(min(boiler_pressure_changes::on_day))
        .first(conn)
        .await?;
    Ok([fitting, change].into_iter().flatten().min())
}
