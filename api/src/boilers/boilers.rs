//! Boilers: pressure vessels with numbers of their own, the engines they were in, and what they were worked at.

use crate::{
    ground::{
        actor::{Staff, Workshop},
        answers::shown,
        body::{Body, Patch},
        confirmations::{self, Confirmations},
        db::{Db, RunQueryDsl, Tx, hashtextextended, pg_advisory_xact_lock},
        list::{Keyset, ListQuery, NoFilters, Page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Line, Prose, Text},
    },
    schema::{
        boiler_fittings, boiler_pressure_changes, boilers, engines as engine_table, jobs, tests,
    },
    stock,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::boiler::{BoilerNumber, Material, bar_litres},
    days::{Day, TimeOfDay},
    sense::{self, Doubt, Member},
    units::{Pressure, Volume, four_places},
    workshop::jobs::JobStanding,
};
use outshop_operation::{get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::{cmp::Ordering, collections::HashMap};
use utoipa::{IntoParams, ToSchema};

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("boilers")
        .service(list_boilers)
        .service(create_boiler)
        .service(get_boiler)
        .service(change_boiler)
        .service(list_fittings)
        .service(create_fitting)
        .service(create_removal)
        .service(get_fitting)
        .service(list_pressure_changes)
        .service(create_pressure_change)
        .service(get_pressure_change);
}

// Types

/// What is recorded of a boiler itself; null means not recorded.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boilers)]
pub struct BoilerParticulars {
    pub id: i64,
    /// As stamped; compared character by character.
    pub number: BoilerNumber,
    pub maker: Option<Line>,
    pub material: Material,
    /// As first recorded, before any change.
    #[diesel(column_name = working_pressure)]
    pub first_working_pressure: Pressure,
    /// The whole inside, not the water alone.
    pub volume: Option<Volume>,
    pub made_on: Option<Day>,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    /// What shows past use or conformity marking.
    pub conformity_evidence: Option<Text<500>>,
    /// Whether a gas tank is tested with it.
    pub has_gas_tank: Option<bool>,
    /// The whole inside of the gas tank: some codes test small tanks once.
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

/// A boiler with what follows from the acts recorded.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 88, "number": "QLW 1187", "maker": "Tolgarth Boilers", "material": "copper",
    "first_working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "volume": {"value": "8.0", "unit": "L", "l": "8"},
    "made_on": null, "first_service_on": "1998-06-01", "first_marketed_on": null, "conformity_evidence": null, "has_gas_tank": false,
    "gas_tank_volume": null, "notes": null, "confirmed": [], "working_pressure": {"value": "90", "unit": "psi", "bar": "6.2053"}, "bar_litres": "49.6423", "stock_no": 10,
    "fitted_on": "1998-05-02"}))]
pub struct Boiler {
    #[serde(flatten)]
    pub particulars: BoilerParticulars,
    /// After the last change.
    pub working_pressure: Pressure,
    /// Present working pressure (bar, gauge) x whole internal volume (litres), four places; null while the volume is not
    /// recorded.
    #[schema(max_length = 40)]
    pub bar_litres: Option<String>,
    /// The engine that it is in.
    pub stock_no: Option<i32>,
    /// Since when.
    pub fitted_on: Option<Day>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = boilers)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"number": "QLW 1187", "material": "copper", "working_pressure": {"value": "90", "unit": "psi"},
    "volume": {"value": "8.0", "unit": "L"}, "first_service_on": "1998-06-01"}))]
pub struct NewBoiler {
    pub number: BoilerNumber,
    /// true: it is another boiler than the known one whose number differs in case, spaces or punctuation alone.
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub number_confirmed: bool,
    pub maker: Option<Line>,
    pub material: Material,
    /// 10 to 250 psi unless confirmed.
    pub working_pressure: Pressure,
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub working_pressure_confirmed: bool,
    /// The whole inside. Without it no boiler code can be asked, as its rules go by size. .05 to 250 litres unless confirmed.
    pub volume: Option<Volume>,
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub volume_confirmed: bool,
    /// Not before 1900 unless confirmed.
    pub made_on: Option<Day>,
    #[serde(default)]
    #[diesel(skip_insertion)]
    pub made_on_confirmed: bool,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    pub conformity_evidence: Option<Text<500>>,
    pub has_gas_tank: Option<bool>,
    /// The whole inside of the gas tank: some codes test small tanks once.
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
}

/// Corrects what was recorded. A working pressure that was altered on the boiler is a pressure change, which has a day.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = boilers, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"maker": "Tolgarth Boilers", "made_on": "1998-03-20"}))]
pub struct BoilerPatch {
    pub number: BoilerNumber,
    /// true: it is another boiler than the known one whose number differs in case, spaces or punctuation alone.
    #[serde(default)]
    #[diesel(skip_update)]
    pub number_confirmed: bool,
    pub maker: Option<Line>,
    pub material: Material,
    pub volume: Option<Volume>,
    #[serde(default)]
    #[diesel(skip_update)]
    pub volume_confirmed: bool,
    /// Not before 1900 and not after the first test on record unless confirmed.
    pub made_on: Option<Day>,
    #[serde(default)]
    #[diesel(skip_update)]
    pub made_on_confirmed: bool,
    pub first_service_on: Option<Day>,
    pub first_marketed_on: Option<Day>,
    pub conformity_evidence: Option<Text<500>>,
    pub has_gas_tank: Option<bool>,
    pub gas_tank_volume: Option<Volume>,
    pub notes: Option<Prose>,
}

/// The days in the life of a boiler that have to come in order.
struct Life {
    made_on: Option<Day>,
    first_service_on: Option<Day>,
    first_marketed_on: Option<Day>,
}

impl Life {
    /// `first_record`: the earliest fitting or change on record; tests are asked about apart, as a shell may be tested before the
    /// boiler is finished.
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
                    "in the future"
                } else if !after_making(day) {
                    "before the boiler was made"
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
                    "later than {first}, from which something of the boiler is on record"
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

/// A boiler in an engine.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_fittings)]
#[schema(example = json!({"id": 31, "boiler_id": 88, "stock_no": 10, "fitted_on": "1998-05-02", "fitted_at": null,
    "taken_out_on": null, "taken_out_at": null}))]
pub struct Fitting {
    pub id: i64,
    pub boiler_id: i64,
    pub stock_no: i32,
    pub fitted_on: Day,
    pub fitted_at: Option<TimeOfDay>,
    /// Null while it is in there.
    pub taken_out_on: Option<Day>,
    pub taken_out_at: Option<TimeOfDay>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"stock_no": 10, "fitted_on": "2026-05-02"}))]
pub struct NewFitting {
    pub stock_no: i32,
    /// Today or earlier, not before the boiler was made.
    pub fitted_on: Day,
    /// Time of day, where a job was finished or another boiler was taken out on the same day.
    pub fitted_at: Option<TimeOfDay>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-02"}))]
pub struct NewRemoval {
    /// Today or earlier, not before it was fitted.
    pub on: Day,
    /// Time of day, where a job was finished or another boiler was fitted on the same day.
    pub at: Option<TimeOfDay>,
}

/// A changed working pressure; it voids all papers, whether up or down.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = boiler_pressure_changes)]
#[schema(example = json!({"id": 5, "boiler_id": 88, "on": "2026-05-02", "at": null,
    "working_pressure": {"value": "80", "unit": "psi", "bar": "5.5158"}, "reason": "Valve reset after the inspector's advice",
    "confirmed": []}))]
pub struct PressureChange {
    pub id: i64,
    pub boiler_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Where the order of a change and a test on one day matters.
    pub at: Option<TimeOfDay>,
    pub working_pressure: Pressure,
    pub reason: Text<500>,
    /// Members whose values are outside the usual limits and were confirmed.
    #[schema(max_items = 10)]
    pub confirmed: Vec<Member>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-02", "working_pressure": {"value": "80", "unit": "psi"},
    "reason": "Valve reset after the inspector's advice"}))]
pub struct NewPressureChange {
    /// Today or earlier, not before the change before.
    pub on: Day,
    pub at: Option<TimeOfDay>,
    /// 10 to 250 psi unless confirmed.
    pub working_pressure: Pressure,
    #[serde(default)]
    pub working_pressure_confirmed: bool,
    pub reason: Text<500>,
}

#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct BoilerFilters {
    /// The whole number; case, spaces and punctuation do not matter here.
    #[param(value_type = Option<String>, min_length = 1, max_length = 60, example = "QLW 1187")]
    number: Option<BoilerNumber>,
    /// The engine that it is in.
    #[param(minimum = 1)]
    stock_no: Option<i32>,
}

// Routes

/// List boilers
#[get("/boilers", 200 = Page<Boiler>)]
async fn list_boilers(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    list: ListQuery<BoilerFilters>,
) -> Result<HttpResponse, Problem> {
    let filters = list.filters.clone();
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut query = boilers::table
            .select(BoilerParticulars::as_select())
            .order(boilers::id)
            .limit(page.limit)
            .into_boxed();
        if let Some(number) = &filters.number {
            let folded = number.folded();
            let mut known = known_numbers(conn).await?;
            known.retain(|(_, known)| known.folded() == folded);
            let ids: Vec<i64> = known.into_iter().map(|(id, _)| id).collect();
            query = query.filter(boilers::id.eq_any(ids));
        }
        if let Some(stock_no) = filters.stock_no {
            let fitted = boiler_fittings::table
                .filter(
                    boiler_fittings::stock_no
                        .eq(stock_no)
                        .and(boiler_fittings::taken_out_on.is_null()),
                )
                .select(boiler_fittings::boiler_id);
            query = query.filter(boilers::id.eq_any(fitted));
        }
        if let Some(after) = page.after_id() {
            query = query.filter(boilers::id.gt(after));
        }
        let found = query.load(conn).await?;
        with_acts(conn, found).await
    };
    list.answer(&req, &db, fetch, |boiler: &Boiler| {
        (Value::Null, boiler.particulars.id)
    })
    .await
}

/// Add a boiler
///
/// Refused where its number differs from a known boiler's in case, spaces or punctuation alone, unless it is confirmed that
/// it is another boiler.
#[post("/boilers", 201 = Boiler)]
async fn create_boiler(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    new: Body<NewBoiler>,
) -> Result<HttpResponse, Problem> {
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
        tx.record("boiler.added", None, entry).await?;
        Ok((format!("/v1/boilers/{id}"), find(tx.conn(), id).await?))
    })
    .await
}

/// Read a boiler
#[get("/boilers/{id:\\d+}", 200 = Boiler)]
async fn get_boiler(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let boiler = find(&mut *db.read().await?, *id).await?;
    shown(&req, &boiler)
}

/// Correct what is recorded of a boiler
#[patch("/boilers/{id:\\d+}", 200 = Boiler)]
async fn change_boiler(
    Workshop(actor): Workshop,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<BoilerPatch>,
) -> Result<HttpResponse, Problem> {
    let changed = db
        .write(&actor, async |tx| {
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
            let stay = confirmations::after_change(
                &current.particulars.confirmed,
                &asked,
                confirmed.clone(),
            );
            diesel::update(boilers::table.find(*id))
                .set((&change, boilers::confirmed.eq(stay)))
                .execute(tx.conn())
                .await?;
            let entry = json!({"boiler_id": *id, "members": patch.members()});
            let entry = confirmations::noted(entry, &confirmed);
            tx.record("boiler.changed", current.stock_no, entry).await?;
            find(tx.conn(), *id).await
        })
        .await?;
    shown(&req, &changed)
}

/// List the engines that a boiler was in
#[get("/boilers/{id:\\d+}/fittings", 200 = Page<Fitting>)]
async fn list_fittings(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    must_exist(&mut *db.read().await?, id).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let fittings = boiler_fittings::table
            .filter(boiler_fittings::boiler_id.eq(id))
            .filter(boiler_fittings::id.gt(page.after_id().unwrap_or(0)))
            .select(Fitting::as_select())
            .order(boiler_fittings::id)
            .limit(page.limit);
        Ok(fittings.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |fitting: &Fitting| {
        (Value::Null, fitting.id)
    })
    .await
}

/// Fit a boiler to an engine
///
/// Refused while the boiler is in another engine or the engine has another boiler.
#[post("/boilers/{id:\\d+}/fittings", 201 = Fitting)]
async fn create_fitting(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewFitting>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let fitting = fit(tx, *id, &new).await?;
        Ok((format!("/v1/fittings/{}", fitting.id), fitting))
    })
    .await
}

/// Take a boiler out of its engine
///
/// Ends the present fitting and answers it.
#[post("/boilers/{id:\\d+}/removals", 201 = Fitting)]
async fn create_removal(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewRemoval>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let fitting = take_out(tx, *id, &new).await?;
        Ok((format!("/v1/fittings/{}", fitting.id), fitting))
    })
    .await
}

/// Read a fitting
#[get("/fittings/{id:\\d+}", 200 = Fitting)]
async fn get_fitting(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let fitting: Option<Fitting> = boiler_fittings::table
        .find(*id)
        .select(Fitting::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let fitting = fitting.ok_or_else(|| Problem::not_found(format!("there is no fitting {id}")))?;
    shown(&req, &fitting)
}

/// List the changes of a boiler's working pressure
#[get("/boilers/{id:\\d+}/pressure-changes", 200 = Page<PressureChange>)]
async fn list_pressure_changes(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    list: ListQuery<NoFilters>,
) -> Result<HttpResponse, Problem> {
    let id = *id;
    must_exist(&mut *db.read().await?, id).await?;
    let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
        let changes = boiler_pressure_changes::table
            .filter(boiler_pressure_changes::boiler_id.eq(id))
            .filter(boiler_pressure_changes::id.gt(page.after_id().unwrap_or(0)))
            .select(PressureChange::as_select())
            .order(boiler_pressure_changes::id)
            .limit(page.limit);
        Ok(changes.load(conn).await?)
    };
    list.answer(&req, &db, fetch, |change: &PressureChange| {
        (Value::Null, change.id)
    })
    .await
}

/// Change a boiler's working pressure
///
/// Voids every paper of the boiler from that day, whether the pressure goes up or down.
#[post("/boilers/{id:\\d+}/pressure-changes", 201 = PressureChange)]
async fn create_pressure_change(
    Workshop(actor): Workshop,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewPressureChange>,
) -> Result<HttpResponse, Problem> {
    db.create(&actor, &new, async |tx| {
        let change = change_pressure(tx, *id, &new).await?;
        Ok((format!("/v1/pressure-changes/{}", change.id), change))
    })
    .await
}

/// Read a change of working pressure
#[get("/pressure-changes/{id:\\d+}", 200 = PressureChange)]
async fn get_pressure_change(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Result<HttpResponse, Problem> {
    let change: Option<PressureChange> = boiler_pressure_changes::table
        .find(*id)
        .select(PressureChange::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let change =
        change.ok_or_else(|| Problem::not_found(format!("there is no pressure change {id}")))?;
    shown(&req, &change)
}

// SQL

/// The numbers of all boilers.
async fn known_numbers(conn: &mut AsyncPgConnection) -> Result<Vec<(i64, BoilerNumber)>, Problem> {
    let numbers = boilers::table.select((boilers::id, boilers::number));
    Ok(numbers.order(boilers::id).load(conn).await?)
}

/// Whether a number reads like that of a known boiler; `of`: whose number it is to be. Who writes numbers waits for who does so
/// too, so that no two store like ones at once.
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

/// The same for a number that is written on a test or a certificate of a boiler: its own number is never in doubt.
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

/// Which members a change is asked about, and which of them it confirms.
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

pub(crate) async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Boiler, Problem> {
    let found: Vec<BoilerParticulars> = boilers::table
        .find(id)
        .select(BoilerParticulars::as_select())
        .load(conn)
        .await?;
    let boiler = with_acts(conn, found).await?.pop();
    boiler.ok_or_else(|| missing(id))
}

/// The boilers of these ids as they are shown, in the order of their ids.
pub(crate) async fn find_shown(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<Vec<Boiler>, Problem> {
    let found = find_all(conn, ids).await?;
    with_acts(conn, found).await
}

/// The boilers of these ids, in the order of their ids.
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

/// Holds the boiler until the end of the transaction, so that what was seen of it stays true. An engine is locked first.
pub(crate) async fn lock(conn: &mut AsyncPgConnection, id: i64) -> Result<Boiler, Problem> {
    let found: Option<i64> = boilers::table
        .find(id)
        .select(boilers::id)
        .for_update()
        .first(conn)
        .await
        .optional()?;
    found.ok_or_else(|| missing(id))?;
    find(conn, id).await
}

pub(crate) async fn must_exist(conn: &mut AsyncPgConnection, id: i64) -> Result<(), Problem> {
    let found: bool = diesel::select(diesel::dsl::exists(boilers::table.find(id)))
        .get_result(conn)
        .await?;
    if found { Ok(()) } else { Err(missing(id)) }
}

pub(crate) fn missing(id: i64) -> Problem {
    Problem::not_found(format!("there is no boiler {id}"))
}

/// For a record of something done to a boiler: a day of the boiler's life that is not in the future.
pub(crate) fn check_day(
    pointer: &str,
    day: Day,
    boiler: &Boiler,
    today: Day,
) -> Result<(), Problem> {
    if day > today {
        return Err(Problem::invalid(
            pointer,
            format!("in the future; today is {today}"),
        ));
    }
    match boiler.particulars.made_on {
        Some(made_on) if day < made_on => Err(Problem::invalid(
            pointer,
            format!("before the boiler was made, on {made_on}"),
        )),
        Some(_) | None => Ok(()),
    }
}

/// The working pressure of a boiler on a day, after the changes of that day.
pub(crate) async fn working_pressure_on(
    conn: &mut AsyncPgConnection,
    boiler: &Boiler,
    on: Day,
) -> Result<Pressure, Problem> {
    let particulars = &boiler.particulars;
    let changed: Option<Pressure> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(particulars.id))
        .filter(boiler_pressure_changes::on_day.le(on))
        .order((
            boiler_pressure_changes::on_day.desc(),
            boiler_pressure_changes::id.desc(),
        ))
        .select(boiler_pressure_changes::working_pressure)
        .first(conn)
        .await
        .optional()?;
    Ok(changed.unwrap_or_else(|| particulars.first_working_pressure.clone()))
}

/// The boiler that was in an engine on a day.
pub(crate) async fn in_engine_on(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
    on: Day,
) -> Result<Option<i64>, Problem> {
    Ok(in_engines_on(conn, &[stock_no], on)
        .await?
        .remove(&stock_no))
}

/// By stock number the boiler that was in each of these engines on a day.
pub(crate) async fn in_engines_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    on: Day,
) -> Result<HashMap<i32, i64>, Problem> {
    let fitted = fitted_in(conn, stock_nos).await?.into_iter();
    let there = fitted.filter(|fitted| fitted.on(on));
    Ok(there.map(|it| (it.stock_no, it.boiler_id)).collect())
}

/// A boiler in an engine.
pub(crate) struct Fitted {
    pub stock_no: i32,
    pub boiler_id: i64,
    pub from: Day,
    from_at: Option<TimeOfDay>,
    /// The day on which it was taken out, and no more in at its end.
    pub until: Option<Day>,
    until_at: Option<TimeOfDay>,
}

impl Fitted {
    pub(crate) fn on(&self, day: Day) -> bool {
        self.from <= day && self.until.is_none_or(|until| day < until)
    }

    /// Whether it was in at that time of that day; `None` where the times recorded do not tell.
    fn at(&self, on: Day, at: Option<TimeOfDay>) -> Option<bool> {
        let by_then = |day: Day, time: Option<TimeOfDay>| match (day.cmp(&on), time.zip(at)) {
            (Ordering::Less, _) => Some(true),
            (Ordering::Greater, _) => Some(false),
            (Ordering::Equal, times) => times.map(|(time, at)| time <= at),
        };
        let came = by_then(self.from, self.from_at);
        let went = self
            .until
            .map_or(Some(false), |day| by_then(day, self.until_at));
        match (came, went) {
            (Some(false), _) | (_, Some(true)) => Some(false),
            (Some(true), Some(false)) => Some(true),
            (None, _) | (_, None) => None,
        }
    }
}

/// The boiler that a job was on which is finished at that time of that day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum WorkedOn {
    /// `None` if no boiler is recorded in the engine.
    One(Option<i64>),
    /// What is recorded does not tell which of these it was.
    OneOf(Vec<i64>),
    /// No boiler is in the engine then, but these were since the job was begun.
    Away(Vec<i64>),
}

/// `fitted`: the boilers of the engine. `begun_on`: of the job; a boiler that was in the engine since then may have been worked
/// on out of it.
pub(crate) fn worked_on(
    fitted: &[Fitted],
    begun_on: Day,
    (on, at): (Day, Option<TimeOfDay>),
) -> WorkedOn {
    let distinct = |those: &dyn Fn(&Fitted) -> bool| {
        let mut ids: Vec<i64> = Vec::new();
        for it in fitted.iter().filter(|it| those(it)) {
            if !ids.contains(&it.boiler_id) {
                ids.push(it.boiler_id);
            }
        }
        ids
    };
    let certain = distinct(&|it| it.at(on, at) == Some(true));
    let possible = distinct(&|it| it.at(on, at).is_none());
    let since = in_between(fitted, begun_on, on);
    match (&certain[..], &possible[..]) {
        ([one], _) | ([], [one]) => WorkedOn::One(Some(*one)),
        ([], []) if since.is_empty() => WorkedOn::One(None),
        ([], []) => WorkedOn::Away(since),
        _ => WorkedOn::OneOf([certain, possible].concat()),
    }
}

/// All boilers that were in an engine on one of those days.
pub(crate) fn in_between(fitted: &[Fitted], from: Day, until: Day) -> Vec<i64> {
    let there = fitted.iter();
    let mut ids: Vec<i64> = there
        .filter(|it| it.from <= until && it.until.is_none_or(|day| day >= from))
        .map(|it| it.boiler_id)
        .collect();
    ids.sort_unstable();
    ids.dedup();
    ids
}

/// All boilers that were ever in these engines, the earlier first.
pub(crate) async fn fitted_in(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<Fitted>, Problem> {
    type Times = (Option<TimeOfDay>, Option<TimeOfDay>);
    let rows: Vec<(i32, i64, Day, Option<Day>, Times)> = boiler_fittings::table
        .filter(boiler_fittings::stock_no.eq_any(stock_nos))
        .order((boiler_fittings::fitted_on, boiler_fittings::id))
        .select((
            boiler_fittings::stock_no,
            boiler_fittings::boiler_id,
            boiler_fittings::fitted_on,
            boiler_fittings::taken_out_on,
            (boiler_fittings::fitted_at, boiler_fittings::taken_out_at),
        ))
        .load(conn)
        .await?;
    let fitted =
        rows.into_iter().map(
            |(stock_no, boiler_id, from, until, (from_at, until_at))| Fitted {
                stock_no,
                boiler_id,
                from,
                from_at,
                until,
                until_at,
            },
        );
    Ok(fitted.collect())
}

async fn with_acts(
    conn: &mut AsyncPgConnection,
    found: Vec<BoilerParticulars>,
) -> Result<Vec<Boiler>, Problem> {
    let ids: Vec<i64> = found.iter().map(|boiler| boiler.id).collect();
    let mut pressures: HashMap<i64, Pressure> = last_pressures(conn, &ids).await?;
    let fitted: HashMap<i64, (i32, Day)> = boiler_fittings::table
        .filter(
            boiler_fittings::boiler_id
                .eq_any(&ids)
                .and(boiler_fittings::taken_out_on.is_null()),
        )
        .select((
            boiler_fittings::boiler_id,
            (boiler_fittings::stock_no, boiler_fittings::fitted_on),
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
            fitted_on: fitting.map(|(_, on)| *on),
            working_pressure,
            particulars,
        }
    });
    Ok(boilers.collect())
}

/// The pressure after the last change, for the boilers that have one.
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
    let fitting: Option<Day> = boiler_fittings::table
        .filter(boiler_fittings::boiler_id.eq(id))
        .select(min(boiler_fittings::fitted_on))
        .first(conn)
        .await?;
    let change: Option<Day> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(id))
        .select(min(boiler_pressure_changes::on_day))
        .first(conn)
        .await?;
    Ok([fitting, change].into_iter().flatten().min())
}

async fn fit(tx: &mut Tx<'_>, id: i64, new: &NewFitting) -> Result<Fitting, Problem> {
    must_exist(tx.conn(), id).await?;
    let has_boiler: Option<bool> = engine_table::table
        .find(new.stock_no)
        .select(engine_table::has_boiler)
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    let stock_no = new.stock_no;
    let has_boiler = has_boiler
        .ok_or_else(|| Problem::invalid("/stock_no", format!("there is no engine {stock_no}")))?;
    let boiler = lock(tx.conn(), id).await?;
    check_day("/fitted_on", new.fitted_on, &boiler, tx.actor.today)?;
    if !has_boiler {
        return Err(Problem::conflict(format!(
            "engine {stock_no} is recorded as made without a boiler; set its has_boiler first"
        )));
    }
    let standing_against: Option<Fitting> = boiler_fittings::table
        .filter(
            boiler_fittings::boiler_id
                .eq(id)
                .or(boiler_fittings::stock_no.eq(stock_no)),
        )
        .filter(
            boiler_fittings::taken_out_on
                .is_null()
                .or(boiler_fittings::taken_out_on
                    .assume_not_null()
                    .gt(new.fitted_on)),
        )
        .select(Fitting::as_select())
        .order(boiler_fittings::taken_out_on.desc())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(other) = standing_against {
        return Err(Problem::conflict(overlap(&other, id, stock_no)));
    }
    let taken_out_later: Option<TimeOfDay> = boiler_fittings::table
        .filter(
            boiler_fittings::boiler_id
                .eq(id)
                .or(boiler_fittings::stock_no.eq(stock_no)),
        )
        .filter(boiler_fittings::taken_out_on.eq(new.fitted_on))
        .filter(boiler_fittings::taken_out_at.gt(new.fitted_at))
        .select(boiler_fittings::taken_out_at.assume_not_null())
        .first(tx.conn())
        .await
        .optional()?;
    if let Some(time) = taken_out_later {
        let detail = format!("the boiler before was taken out at {time}, later on that day");
        return Err(Problem::invalid("/fitted_at", detail));
    }
    let fitting: Fitting = diesel::insert_into(boiler_fittings::table)
        .values((
            boiler_fittings::boiler_id.eq(id),
            boiler_fittings::stock_no.eq(stock_no),
            boiler_fittings::fitted_on.eq(new.fitted_on),
            boiler_fittings::fitted_at.eq(new.fitted_at),
        ))
        .returning(Fitting::as_returning())
        .get_result(tx.conn())
        .await?;
    let jobs = give_jobs_their_boiler(tx.conn(), &fitting).await?;
    let mut entry =
        json!({"boiler_id": id, "fitting_id": fitting.id, "fitted_on": fitting.fitted_on});
    if !jobs.is_empty() {
        entry["jobs"] = json!(jobs);
    }
    tx.record("boiler.fitted", Some(stock_no), entry).await?;
    Ok(fitting)
}

/// Jobs that were finished while this boiler was in the engine, before that was written down, were on it. Those of which a
/// boiler is on record keep theirs.
async fn give_jobs_their_boiler(
    conn: &mut AsyncPgConnection,
    fitting: &Fitting,
) -> Result<Vec<i64>, Problem> {
    let finished_on = jobs::finished_on.assume_not_null();
    let later_that_day = finished_on.eq(fitting.fitted_on).and(
        jobs::finished_at
            .ge(fitting.fitted_at)
            .is_distinct_from(false),
    );
    let unknown = jobs::table
        .filter(jobs::stock_no.eq(fitting.stock_no))
        .filter(jobs::standing.eq(JobStanding::Finished))
        .filter(jobs::boiler_id.is_null())
        .filter(finished_on.gt(fitting.fitted_on).or(later_that_day));
    let mut given: Vec<i64> = diesel::update(unknown)
        .set(jobs::boiler_id.eq(fitting.boiler_id))
        .returning(jobs::id)
        .load(conn)
        .await?;
    given.sort_unstable();
    Ok(given)
}

fn overlap(other: &Fitting, boiler: i64, stock_no: i32) -> String {
    let Fitting {
        boiler_id,
        stock_no: engine,
        ..
    } = other;
    match (
        other.taken_out_on,
        *boiler_id == boiler,
        *engine == stock_no,
    ) {
        (None, true, true) => format!("boiler {boiler} is in engine {engine} already"),
        (None, true, false) => {
            format!("boiler {boiler} is in engine {engine}; take it out there first")
        }
        (None, false, _) => format!("engine {engine} has boiler {boiler_id}; take that out first"),
        (Some(until), true, _) => format!("boiler {boiler} was in engine {engine} until {until}"),
        (Some(until), false, _) => format!("engine {engine} had boiler {boiler_id} until {until}"),
    }
}

async fn take_out(tx: &mut Tx<'_>, id: i64, new: &NewRemoval) -> Result<Fitting, Problem> {
    let NewRemoval { on, at } = *new;
    let stock_no = find(tx.conn(), id).await?.stock_no;
    if let Some(stock_no) = stock_no {
        stock::lock(tx.conn(), stock_no).await?;
    }
    let boiler = lock(tx.conn(), id).await?;
    let (Some(stock_no), Some(fitted_on)) = (boiler.stock_no, boiler.fitted_on) else {
        return Err(Problem::conflict(format!("boiler {id} is in no engine")));
    };
    check_day("/on", on, &boiler, tx.actor.today)?;
    if on < fitted_on {
        return Err(Problem::invalid(
            "/on",
            format!("before it was fitted, on {fitted_on}"),
        ));
    }
    let present = boiler_fittings::table.filter(
        boiler_fittings::boiler_id
            .eq(id)
            .and(boiler_fittings::taken_out_on.is_null()),
    );
    let fitted_at: Option<TimeOfDay> = present
        .select(boiler_fittings::fitted_at)
        .first(tx.conn())
        .await?;
    if let Some((time, _)) = fitted_at
        .zip(at)
        .filter(|(time, at)| on == fitted_on && at < time)
    {
        return Err(Problem::invalid(
            "/at",
            format!("before it was fitted, at {time} of that day"),
        ));
    }
    let fitting: Fitting = diesel::update(present)
        .set((
            boiler_fittings::taken_out_on.eq(on),
            boiler_fittings::taken_out_at.eq(at),
        ))
        .returning(Fitting::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"boiler_id": id, "fitting_id": fitting.id, "taken_out_on": on});
    tx.record("boiler.taken_out", Some(stock_no), entry).await?;
    Ok(fitting)
}

async fn change_pressure(
    tx: &mut Tx<'_>,
    id: i64,
    new: &NewPressureChange,
) -> Result<PressureChange, Problem> {
    let boiler = lock(tx.conn(), id).await?;
    check_day("/on", new.on, &boiler, tx.actor.today)?;
    let last: Option<Day> = boiler_pressure_changes::table
        .filter(boiler_pressure_changes::boiler_id.eq(id))
        .select(diesel::dsl::max(boiler_pressure_changes::on_day))
        .first(tx.conn())
        .await?;
    if let Some(last) = last.filter(|last| new.on < *last) {
        return Err(Problem::invalid(
            "/on",
            format!("before the change of {last}, which is recorded already"),
        ));
    }
    if new.working_pressure.base() == boiler.working_pressure.base() {
        return Err(Problem::invalid(
            "/working_pressure",
            "the boiler has this working pressure already",
        ));
    }
    let mut ask = Confirmations::default();
    ask.ask(
        "/working_pressure",
        sense::working_pressure(&new.working_pressure),
        new.working_pressure_confirmed,
    );
    let confirmed = ask.settled()?;
    let change: PressureChange = diesel::insert_into(boiler_pressure_changes::table)
        .values((
            boiler_pressure_changes::boiler_id.eq(id),
            boiler_pressure_changes::on_day.eq(new.on),
            boiler_pressure_changes::at.eq(new.at),
            boiler_pressure_changes::working_pressure.eq(&new.working_pressure),
            boiler_pressure_changes::reason.eq(&new.reason),
            boiler_pressure_changes::confirmed.eq(&confirmed),
        ))
        .returning(PressureChange::as_returning())
        .get_result(tx.conn())
        .await?;
    let entry = json!({"boiler_id": id, "pressure_change_id": change.id, "on": change.on,
        "working_pressure": change.working_pressure});
    let entry = confirmations::noted(entry, &confirmed);
    tx.record("boiler.pressure_changed", boiler.stock_no, entry)
        .await?;
    Ok(change)
}
