//! Photographs of engines: in order, with descriptions, in files that never change.

mod store;
mod upload;

use crate::{
    ground::{
        actor::{Anyone, FloorStaff, Staff},
        answers::{Reply, respond, respond_as},
        body::{IfUnchanged, Patch, Put, Repeatable},
        db::{Db, RunQueryDsl, Tx},
        operations::Operations,
        problem::Problem,
        text::{Text, at_most},
    },
    schema::{photograph_sizes, photographs},
    stock,
};
use actix_web::{HttpRequest, HttpResponse, web};
use diesel::{
    dsl::{count, exists, max},
    prelude::*,
    sql_query,
    sql_types::{self, Array},
};
use diesel_async::AsyncPgConnection;
use jiff::{SignedDuration, Timestamp};
use outshop_core::{boilers::readiness, days::Day};
use outshop_operation::{delete, get, patch, post, put};
use outshop_pictures::Made;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};
use std::{
    collections::{BTreeSet, HashMap},
    time::Duration,
};
pub use store::{DECODING_MIB, LOOK_MIB, Store};
use upload::{PictureFile, Upload, UploadForm};
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("selling")
        .service(add_photograph)
        .service(list_photographs)
        .service(order_photographs)
        .service(get_photograph)
        .service(change_photograph)
        .service(remove_photograph)
        .tagged("public")
        .service(get_photograph_file);
}

/// The most photographs of one engine.
const MOST: usize = 40;
/// Grace period before an unreferenced file is deleted: an upload may be about to use it.
const LEFT_ALONE: SignedDuration = SignedDuration::from_hours(24);
pub const SWEEP_INTERVAL: Duration = Duration::from_secs(60 * 60);

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 31, "stock_no": 10, "main": true, "alt": "Marrowby from the left, on a bench", "public": true,
    "added_on": "2026-05-02", "sizes": [{"width": 320, "height": 240,
        "url": "/v1/public/photographs/b74e4ac7794deaaf6abfa9215b4885415700e7a37eb3779f4100253c0143cba5.jpg"}]}))]
pub struct Photograph {
    pub id: i64,
    pub stock_no: i32,
    /// Whether it comes first in the engine's order.
    pub main: bool,
    /// Text for people who cannot see the image; null: none yet, and visitors are not shown the photograph.
    pub alt: Option<Text<500>>,
    /// Whether visitors may see it while the engine is listed.
    pub public: bool,
    pub added_on: Day,
    /// Narrowest first.
    #[schema(max_items = 4)]
    pub sizes: Vec<PhotographSize>,
}

/// An upright JPEG without metadata. The content at its URL never changes.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PhotographSize {
    /// Pixels: 320, 640, 1280 or 2560, or the width of the upload if that is less.
    #[schema(minimum = 1, maximum = 2560)]
    pub width: i32,
    /// Pixels.
    #[schema(minimum = 1)]
    pub height: i32,
    /// Address of the file, without the host.
    #[schema(max_length = 200)]
    pub url: String,
}

/// A photograph shown to visitors; the first of an engine is the main one.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PublicPhotograph {
    /// Text for people who cannot see the image.
    pub alt: Text<500>,
    /// Narrowest first.
    #[schema(max_items = 4)]
    pub sizes: Vec<PhotographSize>,
}

/// The photographs of an engine, in order.
#[derive(Debug, Serialize, ToSchema)]
pub struct Photographs {
    #[schema(max_items = 40)]
    pub items: Vec<Photograph>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"order": [33, 31, 32]}))]
pub struct PhotographOrder {
    /// Every photograph id of the engine, once each; the first becomes the main one.
    #[serde(deserialize_with = "at_most::<40, _, _>")]
    #[schema(max_items = 40)]
    pub order: Vec<i64>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = photographs, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"alt": "Marrowby from the left, on a bench", "public": true}))]
pub struct PhotographPatch {
    /// Text for people who cannot see the image; null: visitors are not shown the photograph.
    pub alt: Option<Text<500>>,
    /// Whether visitors may see it while the engine is listed.
    pub public: bool,
}

// Routes

/// Add a photograph to an engine
///
/// Send it as the whole body or as the form part `photograph`. Accepts JPEG, PNG and WebP, recognised by content; at
/// most 25 MiB and 40 megapixels. It is turned upright, stripped of all metadata and stored as JPEG in up to four
/// widths, never enlarged. It goes last in the engine's order. Refused (409) when the engine already has 40.
#[post("/engines/{stock_no:\\d+}/photographs", 201 = Photograph, params(Repeatable),
    request_body(content((UploadForm = "multipart/form-data"), (PictureFile = "image/jpeg"), (PictureFile = "image/png"),
        (PictureFile = "image/webp"))))]
async fn add_photograph(
    FloorStaff(actor): FloorStaff,
    db: web::Data<Db>,
    store: web::Data<Store>,
    stock_no: web::Path<i32>,
    upload: Upload,
) -> Reply {
    stock::must_exist(&mut *db.read().await?, *stock_no).await?;
    let Upload {
        file,
        pointer,
        alt,
        public,
        body,
    } = upload;
    let files = named(store.make(file, pointer).await?);
    let add = async {
        // Files before the row: anyone who reads the row must find the files.
        for file in &files {
            store.put(&file.name, &file.made.jpeg).await?;
        }
        db.create(&actor, &body, async |tx| {
            stock::lock(tx.conn(), *stock_no).await?;
            let id = insert(tx, *stock_no, alt.as_ref(), public, &files).await?;
            tx.record("photograph.created", Some(*stock_no), json!({"id": id}))
                .await?;
            Ok((format!("/v1/photographs/{id}"), find(tx.conn(), id).await?))
        })
        .await
    };
    let added = add.await;
    settle(
        &db,
        &store,
        &files.iter().map(Into::into).collect::<Vec<_>>(),
    )
    .await;
    added
}

/// List the photographs of an engine
///
/// In order; the first is the main one.
#[get("/engines/{stock_no:\\d+}/photographs", 200 = Photographs)]
async fn list_photographs(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
) -> Reply {
    let mut conn = db.read().await?;
    stock::must_exist(&mut conn, *stock_no).await?;
    respond(&req, &in_order(&mut conn, *stock_no).await?)
}

/// Reorder the photographs of an engine
///
/// The first becomes the main one. If-Match takes the ETag of the list. Refused (422) unless every photograph is named
/// once.
#[put("/engines/{stock_no:\\d+}/photographs", 200 = Photographs)]
async fn order_photographs(
    FloorStaff(actor): FloorStaff,
    req: HttpRequest,
    db: web::Data<Db>,
    stock_no: web::Path<i32>,
    wanted: Put<PhotographOrder>,
) -> Reply {
    let ordered = db
        .write(&actor, async |tx| {
            stock::lock(tx.conn(), *stock_no).await?;
            let current = in_order(tx.conn(), *stock_no).await?;
            let wanted = wanted.against(&current)?.order;
            let present: Vec<i64> = current.items.iter().map(|it| it.id).collect();
            if wanted == present {
                tx.unchanged();
                return Ok(current);
            }
            let of_both = wanted.len() == present.len();
            if !of_both || !wanted.iter().all(|id| present.contains(id)) {
                let detail = "must name each photograph of the engine exactly once";
                return Err(Problem::invalid("/order", detail));
            }
            for (place, id) in (1_i32..).zip(&wanted) {
                diesel::update(photographs::table.find(*id))
                    .set(photographs::place.eq(place))
                    .execute(tx.conn())
                    .await?;
            }
            let entry = json!({"order": wanted});
            tx.record("photographs.ordered", Some(*stock_no), entry)
                .await?;
            in_order(tx.conn(), *stock_no).await
        })
        .await?;
    respond(&req, &ordered)
}

/// Get the details of a photograph
#[get("/photographs/{id:\\d+}", 200 = Photograph)]
async fn get_photograph(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    respond(&req, &find(&mut *db.read().await?, *id).await?)
}

/// Change the description of a photograph, or whether visitors may see it
#[patch("/photographs/{id:\\d+}", 200 = Photograph)]
async fn change_photograph(
    FloorStaff(actor): FloorStaff,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
    patch: Patch<PhotographPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = locked(tx, *id).await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        diesel::update(photographs::table.find(*id))
            .set(&change)
            .execute(tx.conn())
            .await?;
        let entry = json!({"id": *id, "members": patch.members()});
        tx.record("photograph.changed", Some(current.stock_no), entry)
            .await?;
        find(tx.conn(), *id).await
    })
    .await
}

/// Delete a photograph
///
/// Also deletes its files, except those that another photograph shares.
#[delete("/photographs/{id:\\d+}", 204)]
async fn remove_photograph(
    FloorStaff(actor): FloorStaff,
    db: web::Data<Db>,
    store: web::Data<Store>,
    id: web::Path<i64>,
    known: IfUnchanged,
) -> Reply {
    let names = db
        .write(&actor, async |tx| {
            let current = locked(tx, *id).await?;
            known.against(&current)?;
            let names: Vec<String> = photograph_sizes::table
                .filter(photograph_sizes::photograph_id.eq(*id))
                .select(photograph_sizes::file)
                .load(tx.conn())
                .await?;
            diesel::delete(photographs::table.find(*id))
                .execute(tx.conn())
                .await?;
            tx.record(
                "photograph.removed",
                Some(current.stock_no),
                json!({"id": *id}),
            )
            .await?;
            Ok(names)
        })
        .await?;
    settle(
        &db,
        &store,
        &names.iter().map(Stored::named).collect::<Vec<_>>(),
    )
    .await;
    Ok(HttpResponse::NoContent().finish())
}

/// Download the file of a photograph
///
/// The name is a digest of the content: caches may keep it for ever, and nobody can guess it.
#[get("/public/photographs/{name}", 200(body = PictureFile, content_type = "image/jpeg"),
    params(("name" = String, Path, max_length = 68,
        example = "b74e4ac7794deaaf6abfa9215b4885415700e7a37eb3779f4100253c0143cba5.jpg")))]
async fn get_photograph_file(
    _by: Anyone,
    req: HttpRequest,
    store: web::Data<Store>,
    name: web::Path<String>,
) -> Reply {
    let missing = || Problem::not_found("there is no photograph at this address");
    if !is_name(&name) {
        return Err(missing());
    }
    let bytes = store.get(&name).await?.ok_or_else(missing)?;
    let kept = "public, max-age=31536000, immutable";
    Ok(respond_as(&req, bytes, "image/jpeg", kept))
}

fn is_name(name: &str) -> bool {
    name.strip_suffix(".jpg").is_some_and(|digest| {
        digest.len() == 64
            && digest
                .bytes()
                .all(|c| matches!(c, b'0'..=b'9' | b'a'..=b'f'))
    })
}

/// A file named by the digest of its content.
struct NamedFile {
    name: String,
    made: Made,
}

fn named(made: Vec<Made>) -> Vec<NamedFile> {
    let named = made.into_iter().map(|made| NamedFile {
        name: format!("{:x}.jpg", Sha256::digest(&made.jpeg)),
        made,
    });
    named.collect()
}

/// A file that is in the store, or was.
struct Stored<'a> {
    name: &'a str,
    /// `None`: the content is not at hand.
    jpeg: Option<&'a [u8]>,
}

impl<'a> Stored<'a> {
    fn named(name: &'a String) -> Stored<'a> {
        Stored { name, jpeg: None }
    }
}

impl<'a> From<&'a NamedFile> for Stored<'a> {
    fn from(file: &'a NamedFile) -> Stored<'a> {
        Stored {
            name: &file.name,
            jpeg: Some(&file.made.jpeg),
        }
    }
}

/// Makes the store match the rows: deletes files that no row names, and restores those that another request deleted
/// just before this one named them. Whatever fails is left to the sweep.
async fn settle(db: &Db, store: &Store, files: &[Stored<'_>]) {
    if let Err(problem) = try_to_settle(db, store, files).await {
        tracing::warn!(%problem, "could not tidy photograph files; the next sweep will");
    }
}

async fn try_to_settle(db: &Db, store: &Store, files: &[Stored<'_>]) -> Result<(), Problem> {
    // Not from the pool: its locks must end with the connection, whatever happens here.
    let mut conn = db.detached().await?;
    for file in files {
        lock_name(&mut conn, file.name).await?;
        match (is_named(&mut conn, file.name).await?, file.jpeg) {
            (false, _) => store.remove(file.name).await?,
            (true, Some(jpeg)) if !store.has(file.name).await? => {
                store.put(file.name, jpeg).await?;
            }
            (true, _) => {}
        }
        unlock_name(&mut conn, file.name).await?;
    }
    Ok(())
}

/// Deletes files that no row has named for a day (a broken-off upload leaves such files) and returns how many. Logs
/// rows with missing files.
pub async fn sweep(db: &Db, store: &Store, now: Timestamp) -> Result<usize, Problem> {
    // Rows first: any row read here has its files by the time they are listed.
    let named: BTreeSet<String> = {
        let mut conn = db.read().await?;
        let names: Vec<String> = photograph_sizes::table
            .select(photograph_sizes::file)
            .load(&mut conn)
            .await?;
        names.into_iter().collect()
    };
    let files = store.all().await?;
    let mut missing = named.iter().filter(|name| !files.contains_key(*name));
    if let Some(first) = missing.next() {
        let more = missing.count();
        tracing::error!(%first, more, "photograph files are missing; restore them from a backup");
    }
    let left: Vec<Stored<'_>> = files
        .iter()
        .filter(|(name, written)| {
            is_name(name) && !named.contains(*name) && now.duration_since(**written) > LEFT_ALONE
        })
        .map(|(name, _)| Stored::named(name))
        .collect();
    try_to_settle(db, store, &left).await?;
    Ok(left.len())
}

// SQL

#[derive(Queryable, Selectable)]
#[diesel(table_name = photographs)]
struct Row {
    id: i64,
    stock_no: i32,
    alt: Option<Text<500>>,
    public: bool,
    added_on: Day,
}

async fn insert(
    tx: &mut Tx<'_>,
    stock_no: i32,
    alt: Option<&Text<500>>,
    public: bool,
    files: &[NamedFile],
) -> Result<i64, Problem> {
    let of_engine = photographs::table.filter(photographs::stock_no.eq(stock_no));
    let (n, last): (i64, Option<i32>) = of_engine
        .select((count(photographs::id), max(photographs::place)))
        .first(tx.conn())
        .await?;
    if n >= MOST as i64 {
        let detail = format!("the engine has {MOST} photographs; remove one first");
        return Err(Problem::conflict(detail));
    }
    let names: Vec<&String> = files.iter().map(|file| &file.name).collect();
    // Excludes `settle`, which checks for rows and deletes files under the same lock.
    sql_query(
        "SELECT pg_advisory_xact_lock_shared(hashtextextended(name, 0)) FROM unnest($1) AS name",
    )
    .bind::<Array<sql_types::Text>, _>(names)
    .execute(tx.conn())
    .await?;
    let id: i64 = diesel::insert_into(photographs::table)
        .values((
            photographs::stock_no.eq(stock_no),
            photographs::place.eq(last.unwrap_or(0) + 1),
            photographs::alt.eq(alt),
            photographs::public.eq(public),
            photographs::added_on.eq(tx.actor.today),
        ))
        .returning(photographs::id)
        .get_result(tx.conn())
        .await?;
    let mut sizes = Vec::with_capacity(files.len());
    for file in files {
        sizes.push((
            photograph_sizes::photograph_id.eq(id),
            photograph_sizes::width.eq(pixels(file.made.width)?),
            photograph_sizes::height.eq(pixels(file.made.height)?),
            photograph_sizes::file.eq(&file.name),
        ));
    }
    diesel::insert_into(photograph_sizes::table)
        .values(sizes)
        .execute(tx.conn())
        .await?;
    Ok(id)
}

fn pixels(n: u32) -> Result<i32, Problem> {
    i32::try_from(n).map_err(Problem::internal)
}

/// The photograph; its engine is locked, so that the other photographs stay as they are.
async fn locked(tx: &mut Tx<'_>, id: i64) -> Result<Photograph, Problem> {
    let stock_no = find(tx.conn(), id).await?.stock_no;
    stock::lock(tx.conn(), stock_no).await?;
    find(tx.conn(), id).await
}

async fn find(conn: &mut AsyncPgConnection, id: i64) -> Result<Photograph, Problem> {
    let stock_no: Option<i32> = photographs::table
        .find(id)
        .select(photographs::stock_no)
        .first(conn)
        .await
        .optional()?;
    let of_engine = match stock_no {
        Some(stock_no) => in_order(conn, stock_no).await?.items,
        None => Vec::new(),
    };
    let found = of_engine.into_iter().find(|it| it.id == id);
    found.ok_or_else(|| Problem::not_found(format!("there is no photograph {id}")))
}

async fn in_order(conn: &mut AsyncPgConnection, stock_no: i32) -> Result<Photographs, Problem> {
    let items = of_engines(conn, &[stock_no]).await?.remove(&stock_no);
    Ok(Photographs {
        items: items.unwrap_or_default(),
    })
}

/// The photographs of each engine that has any, in order.
pub(crate) async fn of_engines(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Vec<Photograph>>, Problem> {
    let rows: Vec<Row> = photographs::table
        .filter(photographs::stock_no.eq_any(stock_nos))
        .order((photographs::stock_no, photographs::place))
        .select(Row::as_select())
        .load(conn)
        .await?;
    let ids: Vec<i64> = rows.iter().map(|row| row.id).collect();
    let mut sizes = sizes_of(conn, &ids).await?;
    let mut by_engine = HashMap::<i32, Vec<Photograph>>::new();
    for row in rows {
        let of_engine = by_engine.entry(row.stock_no).or_default();
        of_engine.push(Photograph {
            id: row.id,
            stock_no: row.stock_no,
            main: of_engine.is_empty(),
            alt: row.alt,
            public: row.public,
            added_on: row.added_on,
            sizes: sizes.remove(&row.id).unwrap_or_default(),
        });
    }
    Ok(by_engine)
}

/// The photographs shown to visitors, by engine: those marked public and described.
pub(crate) async fn shown_to_visitors(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Vec<PublicPhotograph>>, Problem> {
    let all = of_engines(conn, stock_nos).await?;
    let shown = all.into_iter().map(|(stock_no, photographs)| {
        let public = photographs.into_iter().filter(|it| it.public);
        let described = public.filter_map(|it| {
            Some(PublicPhotograph {
                alt: it.alt?,
                sizes: it.sizes,
            })
        });
        (stock_no, described.collect())
    });
    Ok(shown.collect())
}

/// For each engine, its first public photograph without a description.
pub(crate) async fn not_described(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, i64>, Problem> {
    let found: Vec<(i32, i64)> = photographs::table
        .filter(photographs::stock_no.eq_any(stock_nos))
        .filter(photographs::public)
        .filter(photographs::alt.is_null())
        .distinct_on(photographs::stock_no)
        .order((photographs::stock_no, photographs::id))
        .select((photographs::stock_no, photographs::id))
        .load(conn)
        .await?;
    Ok(found.into_iter().collect())
}

/// For each engine that has any: how many photographs are public, and how many of these are described.
pub(crate) async fn counted(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, readiness::Photographs>, Problem> {
    let rows: Vec<(i32, i64, i64)> = photographs::table
        .filter(photographs::stock_no.eq_any(stock_nos))
        .filter(photographs::public)
        .group_by(photographs::stock_no)
        .select((
            photographs::stock_no,
            count(photographs::id),
            count(photographs::alt),
        ))
        .load(conn)
        .await?;
    let counted = rows.into_iter().map(|(stock_no, n, described)| {
        let counts = readiness::Photographs {
            count: u32::try_from(n).map_err(Problem::internal)?,
            with_alt: u32::try_from(described).map_err(Problem::internal)?,
        };
        Ok((stock_no, counts))
    });
    counted.collect()
}

async fn sizes_of(
    conn: &mut AsyncPgConnection,
    ids: &[i64],
) -> Result<HashMap<i64, Vec<PhotographSize>>, Problem> {
    let rows: Vec<(i64, i32, i32, String)> = photograph_sizes::table
        .filter(photograph_sizes::photograph_id.eq_any(ids))
        .order((photograph_sizes::photograph_id, photograph_sizes::width))
        .select((
            photograph_sizes::photograph_id,
            photograph_sizes::width,
            photograph_sizes::height,
            photograph_sizes::file,
        ))
        .load(conn)
        .await?;
    let mut sizes = HashMap::<i64, Vec<PhotographSize>>::new();
    for (id, width, height, file) in rows {
        sizes.entry(id).or_default().push(PhotographSize {
            width,
            height,
            url: format!("/v1/public/photographs/{file}"),
        });
    }
    Ok(sizes)
}

async fn is_named(conn: &mut AsyncPgConnection, name: &str) -> Result<bool, Problem> {
    let naming = photograph_sizes::table.filter(photograph_sizes::file.eq(name));
    Ok(diesel::select(exists(naming)).get_result(conn).await?)
}

async fn lock_name(conn: &mut AsyncPgConnection, name: &str) -> Result<(), Problem> {
    sql_query("SELECT pg_advisory_lock(hashtextextended($1, 0))")
        .bind::<sql_types::Text, _>(name)
        .execute(conn)
        .await?;
    Ok(())
}

async fn unlock_name(conn: &mut AsyncPgConnection, name: &str) -> Result<(), Problem> {
    sql_query("SELECT pg_advisory_unlock(hashtextextended($1, 0))")
        .bind::<sql_types::Text, _>(name)
        .execute(conn)
        .await?;
    Ok(())
}

/// Names of all photograph files.
pub(crate) async fn file_names(conn: &mut AsyncPgConnection) -> Result<Vec<String>, Problem> {
    Ok(photograph_sizes::table
        .select(photograph_sizes::file)
        .order(photograph_sizes::file)
        .load(conn)
        .await?)
}
