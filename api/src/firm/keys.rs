//! API keys: who sends a request, and with which role.

use crate::{
    ground::{
        actor::{Actor, Owner},
        answers::Reply,
        body::Body,
        clock::{Clock, Instant, day_in},
        db::{Db, RunQueryDsl, Tx},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::Problem,
        text::Line,
    },
    schema::{firm, keys},
};
use actix_web::{
    HttpMessage, HttpResponse, ResponseError,
    dev::{ServiceRequest, ServiceResponse},
    http::header,
    middleware::Next,
    web,
};
use base64::{Engine as _, engine::general_purpose::URL_SAFE_NO_PAD};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Binary, Date, Nullable, Text},
};
use diesel_async::AsyncPgConnection;
use jiff::Timestamp;
use outshop_core::{days::Day, trade::Role};
use outshop_operation::{delete, get, post};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::time;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("keys")
        .service(list_keys)
        .service(create_key)
        .service(rotate_key)
        .service(revoke_key);
}

/// How long the old key still works after a rotation.
const ROTATION_HOURS: i32 = 24;

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = keys)]
#[schema(example = json!({"id": 7, "name": "bench tablet", "role": "fitter", "person": "Edda Morlock",
    "expires_on": null, "revoked": false, "ends_at": null, "last_used_on": "2026-05-14"}))]
pub struct Key {
    pub id: i64,
    pub name: Line,
    pub role: Role,
    /// The person recorded as acting with this key.
    pub person: Line,
    /// The last day on which the key works; null: it does not expire.
    pub expires_on: Option<Day>,
    /// A revoked key is refused.
    pub revoked: bool,
    /// When the key stops working after a rotation; null: it has not been rotated.
    pub ends_at: Option<Instant>,
    pub last_used_on: Option<Day>,
}

#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = keys)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"name": "bench tablet 2", "role": "fitter", "person": "Edda Morlock"}))]
pub struct NewKey {
    pub name: Line,
    pub role: Role,
    /// Who uses the key.
    pub person: Line,
    pub expires_on: Option<Day>,
}

/// Empty: a rotation needs no members.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct Rotation {}

/// A new key with its secret, which is shown only here.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeyWithSecret {
    #[serde(flatten)]
    pub key: Key,
    /// The key to send as `Authorization: Bearer`; it cannot be read again.
    #[schema(
        max_length = 100,
        example = "outshop_7_6Zl5m8mXf0s1bq3v9yT2c4R7u8W1x5A3k6J0n2P4d9E"
    )]
    pub secret: String,
}

// Routes

/// List API keys
///
/// Includes revoked and expired keys, without their secrets.
#[get("/keys", 200 = Page<Key>)]
async fn list_keys(_by: Owner, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| of_page!(page, keys::table.select(Key::as_select()), keys::id);
    list.rows(rows, |it: &Key| it.id).await
}

/// Create an API key
///
/// The secret is only in this response: store it now.
#[post("/keys", 201 = KeyWithSecret)]
async fn create_key(Owner(actor): Owner, db: web::Data<Db>, new: Body<NewKey>) -> Reply {
    db.create_secret(&actor, &new, async |tx| {
        let made = insert(tx, &new).await?;
        Ok((format!("/v1/keys/{}", made.key.id), made))
    })
    .await
}

/// Rotate a key
///
/// The new key has the same name, role, person and expiry; its secret is only in this response. The old key still works
/// for 24 hours, so that its user can change over.
#[post("/keys/{id:\\d+}/rotations", 201 = KeyWithSecret)]
async fn rotate_key(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<Rotation>,
) -> Reply {
    db.create_secret(&actor, &new, async |tx| {
        let made = rotate(tx, *id).await?;
        Ok((format!("/v1/keys/{}", made.key.id), made))
    })
    .await
}

/// Revoke a key
///
/// Takes effect at the next request. Refused (409) for the last valid key of a proprietor.
#[delete("/keys/{id:\\d+}", 204)]
async fn revoke_key(Owner(actor): Owner, db: web::Data<Db>, id: web::Path<i64>) -> Reply {
    db.write(&actor, async |tx| revoke(tx, *id).await).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Looks the key up once, before the rest of the request is read, so that an invalid key is reported first.
pub async fn authenticate(
    req: ServiceRequest,
    next: Next<impl actix_web::body::MessageBody + 'static>,
) -> Result<ServiceResponse<impl actix_web::body::MessageBody>, actix_web::Error> {
    if let (true, Some(sent)) = (
        req.path().starts_with("/v1/"),
        req.headers().get(header::AUTHORIZATION),
    ) {
        let sent = sent.to_str().unwrap_or_default().to_owned();
        let db = req
            .app_data::<web::Data<Db>>()
            .cloned()
            .expect("app() gives every request a database");
        let now = req
            .app_data::<web::Data<Clock>>()
            .expect("app() gives every request a clock")
            .now();
        match find_actor(&db, &sent, now).await {
            Ok(known) => req.extensions_mut().insert(known.ok_or(())),
            Err(problem) => {
                return Ok(req
                    .into_response(problem.error_response())
                    .map_into_right_body());
            }
        };
    }
    Ok(next.call(req).await?.map_into_left_body())
}

// SQL

/// A key that is not revoked, with the time zone of its expiry.
#[derive(Queryable)]
struct LiveKey {
    role: Role,
    person: String,
    secret_sha256: Vec<u8>,
    expires_on: Option<Day>,
    last_used_on: Option<Day>,
    time_zone: String,
}

async fn find_actor(db: &Db, sent: &str, now: Timestamp) -> Result<Option<Actor>, Problem> {
    let Some((id, secret)) = credentials(sent).and_then(split_secret) else {
        return Ok(None);
    };
    let asked = time::Instant::now();
    let mut conn = db.read().await?;
    let row: Option<LiveKey> = keys::table
        .inner_join(firm::table.on(true.into_sql::<diesel::sql_types::Bool>()))
        .filter(keys::id.eq(id))
        .filter(keys::revoked.eq(false))
        .filter(keys::ends_at.is_null().or(keys::ends_at.gt(Instant(now))))
        .select((
            keys::role,
            keys::person,
            keys::secret_sha256,
            keys::expires_on,
            keys::last_used_on,
            firm::time_zone,
        ))
        .first(&mut conn)
        .await
        .optional()?;
    let Some(key) = row else {
        return Ok(None);
    };
    let today = day_in(&key.time_zone, now);
    // Comparing digests reveals nothing about the secret, however long it takes.
    if Sha256::digest(secret).as_slice() != key.secret_sha256.as_slice()
        || key.expires_on.is_some_and(|last| last < today)
    {
        return Ok(None);
    }
    if key.last_used_on != Some(today) {
        let used = diesel::update(keys::table.find(id)).set(keys::last_used_on.eq(today));
        // Reading must still work while nothing can be written.
        if let Err(error) = used.execute(&mut conn).await {
            tracing::warn!(%error, "the last use of a key could not be stored");
        }
    }
    Ok(Some(Actor {
        key_id: id,
        person: key.person,
        role: key.role,
        now,
        today,
        waited: asked.elapsed(),
    }))
}

/// The part after the scheme, which may be in any case (RFC 9110, 11.1).
fn credentials(sent: &str) -> Option<&str> {
    let (scheme, key) = sent.split_once(' ')?;
    scheme
        .eq_ignore_ascii_case("bearer")
        .then(|| key.trim_start_matches(' '))
}

fn split_secret(key: &str) -> Option<(i64, &str)> {
    let (id, secret) = key.strip_prefix("outshop_")?.split_once('_')?;
    (secret.len() == 43).then_some((id.parse().ok()?, secret))
}

/// Stores a new key and returns it with its secret.
pub async fn insert(tx: &mut Tx<'_>, new: &NewKey) -> Result<KeyWithSecret, Problem> {
    let made = insert_unnamed(tx, new).await?;
    tx.record(
        "key.created",
        None,
        serde_json::json!({"key_id": made.key.id, "role": made.key.role}),
    )
    .await?;
    Ok(made)
}

/// Stores a new key without a journal entry; the caller records that.
async fn insert_unnamed(tx: &mut Tx<'_>, new: &NewKey) -> Result<KeyWithSecret, Problem> {
    let today = tx.actor.today;
    if new.expires_on.is_some_and(|last| last < today) {
        let detail = format!(
            "must not be in the past; give {today} or a later day, or leave it out",
            today = today.in_words()
        );
        return Err(Problem::invalid("/expires_on", detail));
    }
    let (secret, sha256) = secret()?;
    let key: Key = diesel::insert_into(keys::table)
        .values((new, keys::secret_sha256.eq(sha256)))
        .returning(Key::as_returning())
        .get_result(tx.conn())
        .await?;
    let secret = format!("outshop_{}_{secret}", key.id);
    Ok(KeyWithSecret { key, secret })
}

async fn rotate(tx: &mut Tx<'_>, id: i64) -> Result<KeyWithSecret, Problem> {
    let old: Option<Key> = keys::table
        .find(id)
        .filter(keys::revoked.eq(false))
        .filter(keys::ends_at.is_null())
        .select(Key::as_select())
        .for_update()
        .first(tx.conn())
        .await
        .optional()?;
    let missing = || {
        Problem::not_found(format!(
            "there is no valid key {id} that has not been rotated yet; look at /v1/keys"
        ))
    };
    let old = old.ok_or_else(missing)?;
    let ends_at = Instant(tx.actor.now).plus_hours(ROTATION_HOURS);
    diesel::update(keys::table.find(id))
        .set(keys::ends_at.eq(Some(ends_at)))
        .execute(tx.conn())
        .await?;
    let new = NewKey {
        name: old.name,
        role: old.role,
        person: old.person,
        expires_on: old.expires_on,
    };
    let made = insert_unnamed(tx, &new).await?;
    let entry = serde_json::json!({"key_id": id, "new_key_id": made.key.id, "ends_at": ends_at});
    tx.record("key.rotated", None, entry).await?;
    Ok(made)
}

pub async fn revoke(tx: &mut Tx<'_>, id: i64) -> Result<(), Problem> {
    let live: Vec<(i64, Role, Option<Instant>, Option<Day>)> = keys::table
        .filter(keys::revoked.eq(false))
        .order(keys::id)
        .select((keys::id, keys::role, keys::ends_at, keys::expires_on))
        .for_update()
        .load(tx.conn())
        .await?;
    let Some((_, role, ..)) = live.iter().find(|(live, ..)| *live == id) else {
        return Err(Problem::not_found(format!(
            "there is no key {id} that is not revoked"
        )));
    };
    let today = tx.actor.today;
    let mut lasting = live.iter().filter(|(other, role, ends_at, expires_on)| {
        *other != id
            && *role == Role::Proprietor
            && ends_at.is_none()
            && expires_on.is_none_or(|last| today <= last)
    });
    if *role == Role::Proprietor && lasting.next().is_none() {
        return Err(Problem::conflict(
            "this is the last key of a proprietor that still works; create another one first",
        ));
    }
    diesel::update(keys::table.find(id))
        .set(keys::revoked.eq(true))
        .execute(tx.conn())
        .await?;
    tx.record("key.revoked", None, serde_json::json!({"key_id": id}))
        .await
}

/// Creates the first key, at the machine itself: the journal names the key as its own author.
pub async fn add(db: &Db, new: &NewKey, today: Day) -> Result<String, Problem> {
    let (made, sha256) = secret()?;
    let mut conn = db.read().await?;
    let id: i64 = diesel::sql_query(include_str!("keys/add.sql"))
        .bind::<Text, _>(&new.name)
        .bind::<Text, _>(new.role)
        .bind::<Text, _>(&new.person)
        .bind::<Nullable<Date>, _>(new.expires_on)
        .bind::<Binary, _>(sha256)
        .bind::<Date, _>(today)
        .get_result::<AddedKey>(&mut conn)
        .await?
        .id;
    Ok(format!("outshop_{id}_{made}"))
}

#[derive(QueryableByName)]
struct AddedKey {
    #[diesel(sql_type = BigInt)]
    id: i64,
}

pub async fn all(conn: &mut AsyncPgConnection) -> Result<Vec<Key>, Problem> {
    Ok(keys::table
        .select(Key::as_select())
        .order(keys::id)
        .limit(10_000)
        .load(conn)
        .await?)
}

/// 32 random bytes from the operating system as text, and the digest that is stored.
fn secret() -> Result<(String, Vec<u8>), Problem> {
    let mut random = [0_u8; 32];
    getrandom::fill(&mut random).map_err(Problem::internal)?;
    let text = URL_SAFE_NO_PAD.encode(random);
    let sha256 = Sha256::digest(&text).to_vec();
    Ok((text, sha256))
}
