//! Lists: page by page, or whole as CSV or NDJSON.

use crate::ground::{
    answers::{Reply, accepts, etag_of, respond},
    db::{Db, RunQueryDsl},
    problem::{self, Problem},
    query::{encode, filters, parameters},
};
use actix_web::{
    FromRequest, HttpRequest, HttpResponse,
    dev::Payload,
    http::header::{self, HeaderValue},
    web,
};
use base64::{Engine as _, engine::general_purpose::URL_SAFE_NO_PAD};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
    methods::LoadQuery, pooled_connection::deadpool::Object as Pooled,
};
use futures_util::StreamExt;
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::{Map, Value};

use std::{
    borrow::Cow,
    collections::BTreeMap,
    future::{Ready, ready},
};
use tokio::sync::OwnedSemaphorePermit;
use utoipa::{
    IntoParams, ToSchema,
    openapi::{
        Object, RefOr, Schema,
        schema::{SchemaType, Type},
    },
};

/// For a list without filters of its own.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
pub struct NoFilters {}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Page<T> {
    #[schema(max_items = 200)]
    pub items: Vec<T>,
    /// Address of the next page; null: this is the last.
    #[schema(max_length = 4000)]
    pub next: Option<String>,
}

/// Parameters of every list.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "describes the parameters; ListQuery reads them")]
pub struct PageParams {
    /// Maximum number of items in a page.
    #[param(minimum = 1, maximum = 200, default = 50, example = 50)]
    limit: Option<u16>,
    /// Where the page begins: opaque, taken from `next` of the previous page.
    #[param(max_length = 1000)]
    cursor: Option<String>,
}

/// A request for a list: filters, order, page, format.
pub struct ListQuery<T = NoFilters> {
    pub filters: T,
    req: HttpRequest,
    limit: i64,
    after: Option<Cursor>,
    fingerprint: String,
    given: BTreeMap<String, String>,
}

/// The last item of the previous page: its sort key and id, and a hash of the filters of that page.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Cursor {
    k: Value,
    id: i64,
    f: String,
}

/// A range of a list: at most `limit` items after the given one.
#[derive(Debug, Clone)]
pub struct Keyset {
    pub limit: i64,
    pub after: Option<(Value, i64)>,
}

/// The position of an item in its list: its sort key and id, or only its id.
pub struct Place(Value, i64);

impl From<i64> for Place {
    fn from(id: i64) -> Place {
        Place(Value::Null, id)
    }
}

impl From<(Value, i64)> for Place {
    fn from((key, id): (Value, i64)) -> Place {
        Place(key, id)
    }
}

impl Keyset {
    /// For lists in order of id.
    pub fn after_id(&self) -> Option<i64> {
        self.after.as_ref().map(|(_, id)| *id)
    }

    /// For lists sorted by a unique text; empty at the beginning.
    pub fn after_word(&self) -> &str {
        let last = self.after.as_ref().and_then(|(key, _)| key.as_str());
        last.unwrap_or_default()
    }
}

/// The rows of a page in order of id, for boxed queries and others:
/// `of_page!(page, payments::table.select(Payment::as_select()), payments::id)`
macro_rules! of_page {
    ($page:expr, $rows:expr, $id:expr $(,)?) => {
        $rows
            .filter($id.gt($page.after_id().unwrap_or(0)))
            .order($id)
            .limit($page.limit)
    };
}
pub(crate) use of_page;

/// Like `of_page`, newest first.
macro_rules! newest_of_page {
    ($page:expr, $rows:expr, $id:expr $(,)?) => {
        $rows
            .filter($id.lt($page.after_id().unwrap_or(i64::MAX)))
            .order($id.desc())
            .limit($page.limit)
    };
}
pub(crate) use newest_of_page;

impl<T: DeserializeOwned> FromRequest for ListQuery<T> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(ListQuery::read(req))
    }
}

impl<T: DeserializeOwned> ListQuery<T> {
    pub fn read(req: &HttpRequest) -> Result<ListQuery<T>, Problem> {
        let mut given = parameters(req)?;
        let limit = match given.remove("limit") {
            None => 50,
            Some(text) => text
                .parse()
                .ok()
                .filter(|limit| {
                    (1..=200).contains(limit) && text.bytes().all(|b| b.is_ascii_digit())
                })
                .ok_or_else(|| {
                    Problem::new(
                        problem::INVALID_QUERY,
                        "`limit` must be a whole number from 1 to 200",
                    )
                })?,
        };
        let cursor = given.remove("cursor");
        let fingerprint = etag_of(format!("{} {given:?}", req.path()).as_bytes());
        let filters = filters(&given)?;
        let after = cursor
            .map(|text| {
                let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
                serde_json::from_slice::<Cursor>(&bytes)
                    .ok()
                    .filter(|cursor| cursor.f == fingerprint)
            })
            .map(|read| {
                read.ok_or_else(|| {
                    Problem::new(
                        problem::INVALID_CURSOR,
                            "the cursor does not belong to this list, filter and order; start again without `cursor`",
                    )
                })
            })
            .transpose()?;
        Ok(ListQuery {
            filters,
            req: req.clone(),
            limit,
            after,
            fingerprint,
            given,
        })
    }
}

impl<T> ListQuery<T> {
    /// The maximum number of items in a page.
    pub fn limit(&self) -> i64 {
        self.limit
    }

    /// A connection for reading, for what the list belongs to.
    pub async fn conn(&self) -> Result<Pooled<AsyncPgConnection>, Problem> {
        Db::of(&self.req)?.read().await
    }

    /// Answers with rows as they are in the database:
    ///
    /// ```text
    /// let rows = move |page: &Keyset| {
    ///     let of_sale = payments::table.filter(payments::sale_id.eq(id));
    ///     of_page!(page, of_sale.select(Payment::as_select()), payments::id)
    /// };
    /// list.rows(rows, |it: &Payment| it.id).await
    /// ```
    pub async fn rows<I, Q, P>(
        &self,
        rows: impl Fn(&Keyset) -> Q + 'static,
        place: impl Fn(&I) -> P + 'static,
    ) -> Reply
    where
        I: Serialize + ToSchema + Send + 'static,
        Q: LoadQuery<'static, AsyncPgConnection, I> + 'static,
        P: Into<Place>,
    {
        let fetch = async move |conn: &mut AsyncPgConnection, page: Keyset| {
            Ok(rows(&page).load(conn).await?)
        };
        self.answer(fetch, place).await
    }

    /// Answers with one page as JSON, or the whole list as CSV (RFC 4180) or NDJSON from one snapshot. `fetch` returns
    /// the items of a range in order; `place` the sort key and id of an item, or only its id.
    pub async fn answer<I, F, P>(&self, fetch: F, place: impl Fn(&I) -> P + 'static) -> Reply
    where
        I: Serialize + ToSchema + 'static,
        F: AsyncFn(&mut AsyncPgConnection, Keyset) -> Result<Vec<I>, Problem> + 'static,
        P: Into<Place>,
    {
        let (req, db) = (&self.req, Db::of(&self.req)?);
        let place = move |item: &I| {
            let Place(key, id) = place(item).into();
            (key, id)
        };
        if let Some(form) = form_of(req) {
            let turn = db.place_to_stream().await?;
            return Ok(stream::<I, F>(db.clone(), turn, fetch, place, form));
        }
        let after = self.after.clone().map(|cursor| (cursor.k, cursor.id));
        let limit = self.limit + 1;
        let mut conn = db.read().await?;
        let mut items = fetch(&mut conn, Keyset { limit, after }).await?;
        let limit = usize::try_from(self.limit).expect("1 to 200");
        let more = items.len() > limit;
        items.truncate(limit);
        let next = items.last().filter(|_| more).map(|last| {
            let (key, id) = place(last);
            self.next(req, key, id)
        });
        let link = next.as_ref().map(|next| format!("<{next}>; rel=\"next\""));
        let mut response = respond(req, &Page { items, next })?;
        if let Some(link) = link.and_then(|link| HeaderValue::from_str(&link).ok()) {
            response.headers_mut().insert(header::LINK, link);
        }
        Ok(response)
    }

    /// The sort key and id of the last item of the previous page.
    pub fn after(&self) -> Option<(&Value, i64)> {
        self.after.as_ref().map(|cursor| (&cursor.k, cursor.id))
    }

    /// Address of the page after the item with this sort key and id.
    pub fn next(&self, req: &HttpRequest, key: Value, id: i64) -> String {
        let cursor = Cursor {
            k: key,
            id,
            f: self.fingerprint.clone(),
        };
        let cursor =
            URL_SAFE_NO_PAD.encode(serde_json::to_vec(&cursor).expect("a cursor is plain JSON"));
        let mut query: Vec<String> = self
            .given
            .iter()
            .map(|(name, value)| format!("{name}={}", encode(value)))
            .collect();
        query.push(format!("limit={}", self.limit));
        query.push(format!("cursor={cursor}"));
        format!("{}?{}", req.path(), query.join("&"))
    }
}

/// The format of a whole list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// RFC 4180.
    Csv,
    Ndjson,
}

impl Form {
    const fn media_type(self) -> &'static str {
        match self {
            Form::Csv => "text/csv; charset=utf-8; header=present",
            Form::Ndjson => "application/x-ndjson",
        }
    }

    /// The bytes before the items.
    fn head(self, columns: &[Column]) -> Result<Vec<u8>, Problem> {
        match self {
            Form::Csv => csv_row(columns.iter().map(|column| guarded(&column.name))),
            Form::Ndjson => Ok(Vec::new()),
        }
    }

    fn row(self, columns: &[Column], json: &Value) -> Result<Vec<u8>, Problem> {
        match self {
            Form::Ndjson => Ok(format!("{json}\n").into_bytes()),
            Form::Csv => {
                let cells = cells(json);
                csv_row(columns.iter().map(|column| {
                    let cell = cells.get(&column.name).map_or("", String::as_str);
                    if column.holds_numbers {
                        Cow::Borrowed(cell)
                    } else {
                        guarded(cell)
                    }
                }))
            }
        }
    }
}

/// The format in which the request asks for a whole list. `None`: it asks for a page.
pub fn form_of(req: &HttpRequest) -> Option<Form> {
    if accepts(req, "text/csv") {
        Some(Form::Csv)
    } else if accepts(req, "application/x-ndjson") {
        Some(Form::Ndjson)
    } else {
        None
    }
}

/// A whole list of items that are already JSON.
pub fn whole<I: ToSchema>(
    items: impl Iterator<Item = Vec<u8>> + 'static,
    form: Form,
) -> HttpResponse {
    let columns = columns::<I>();
    let head = form.head(&columns).map(web::Bytes::from);
    let rows = items.map(move |json| {
        let json = serde_json::from_slice(&json).map_err(Problem::internal)?;
        Ok(web::Bytes::from(form.row(&columns, &json)?))
    });
    // In large pieces, as each passes through the connection separately.
    let rows = futures_util::stream::iter(std::iter::once(head).chain(rows)).ready_chunks(200);
    let pieces = rows.map(|rows| {
        let rows = rows
            .into_iter()
            .collect::<Result<Vec<web::Bytes>, Problem>>();
        rows.map(|rows| web::Bytes::from(rows.concat()))
    });
    HttpResponse::Ok()
        .insert_header((header::CONTENT_TYPE, form.media_type()))
        .insert_header((header::VARY, "Accept, Accept-Encoding"))
        .streaming(pieces)
}

/// Sends a list range by range from one snapshot, without keeping it in memory.
fn stream<I, F>(
    db: Db,
    place: OwnedSemaphorePermit,
    fetch: F,
    key: impl Fn(&I) -> (Value, i64) + 'static,
    form: Form,
) -> HttpResponse
where
    I: Serialize + ToSchema + 'static,
    F: AsyncFn(&mut AsyncPgConnection, Keyset) -> Result<Vec<I>, Problem> + 'static,
{
    let (send, receive) = tokio::sync::mpsc::channel::<Result<web::Bytes, Problem>>(2);
    actix_web::rt::spawn(async move {
        let _place = place;
        if let Err(problem) = send_all(&db, fetch, key, form, &send).await {
            // The status line is sent; only a cut connection can now show that the list is incomplete.
            let _ = send.send(Err(problem)).await;
        }
    });
    let body = futures_util::stream::unfold(receive, |mut receive| async move {
        receive.recv().await.map(|chunk| (chunk, receive))
    });
    HttpResponse::Ok()
        .insert_header((header::CONTENT_TYPE, form.media_type()))
        .insert_header((header::CACHE_CONTROL, "no-store"))
        .insert_header((header::VARY, "Accept, Accept-Encoding"))
        .streaming(body)
}

async fn send_all<I: Serialize + ToSchema, F>(
    db: &Db,
    fetch: F,
    key: impl Fn(&I) -> (Value, i64),
    form: Form,
    send: &tokio::sync::mpsc::Sender<Result<web::Bytes, Problem>>,
) -> Result<(), Problem>
where
    F: AsyncFn(&mut AsyncPgConnection, Keyset) -> Result<Vec<I>, Problem>,
{
    const STRETCH: i64 = 500;
    let mut conn = db.read().await?;
    AnsiTransactionManager::begin_transaction(&mut *conn).await?;
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        .await?;
    let mut after = None;
    let columns = columns::<I>();
    let head = form.head(&columns)?;
    if !head.is_empty() {
        let _ = send.send(Ok(head.into())).await;
    }
    loop {
        let items = fetch(
            &mut conn,
            Keyset {
                limit: STRETCH,
                after,
            },
        )
        .await?;
        let mut chunk = Vec::new();
        for item in &items {
            let json = serde_json::to_value(item).map_err(Problem::internal)?;
            chunk.extend(form.row(&columns, &json)?);
        }
        if !chunk.is_empty() && send.send(Ok(chunk.into())).await.is_err() {
            break;
        }
        match items.last() {
            Some(last) if i64::try_from(items.len()).is_ok_and(|n| n == STRETCH) => {
                after = Some(key(last))
            }
            _ => break,
        }
    }
    Ok(AnsiTransactionManager::commit_transaction(&mut *conn).await?)
}

fn csv_row<'a>(cells: impl Iterator<Item = Cow<'a, str>>) -> Result<Vec<u8>, Problem> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let cells = cells.map(Cow::into_owned);
    writer.write_record(cells).map_err(Problem::internal)?;
    writer.into_inner().map_err(Problem::internal)
}

/// Guards a text that a spreadsheet would run as a formula.
fn guarded(text: &str) -> Cow<'_, str> {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\'' | '\t') => Cow::Owned(format!("'{text}")),
        _ => Cow::Borrowed(text),
    }
}

/// A column of a whole list.
struct Column {
    name: String,
    /// Amounts, hours and the like, which must not be guarded as text.
    holds_numbers: bool,
}

/// The columns of a type: its members in the order of openapi.json; a member of a nested object is `outer.inner`.
fn columns<I: ToSchema>() -> Vec<Column> {
    let mut all = vec![(I::name().into_owned(), I::schema())];
    I::schemas(&mut all);
    let named: BTreeMap<String, RefOr<Schema>> = all.iter().cloned().collect();
    let mut columns = Vec::new();
    collect_columns("", &all[0].1, &named, 3, &mut columns);
    columns
}

fn collect_columns(
    at: &str,
    schema: &RefOr<Schema>,
    named: &BTreeMap<String, RefOr<Schema>>,
    depth: u8,
    into: &mut Vec<Column>,
) {
    let resolved = match schema {
        RefOr::Ref(reference) => reference
            .ref_location
            .rsplit('/')
            .next()
            .and_then(|name| named.get(name)),
        RefOr::T(_) => Some(schema),
    };
    let leaf = |holds_numbers| Column {
        name: at.to_owned(),
        holds_numbers,
    };
    match resolved {
        Some(RefOr::T(Schema::Object(object))) if !object.properties.is_empty() && depth > 0 => {
            for (name, inner) in &object.properties {
                let path = if at.is_empty() {
                    name.clone()
                } else {
                    format!("{at}.{name}")
                };
                collect_columns(&path, inner, named, depth - 1, into);
            }
        }
        Some(RefOr::T(Schema::AllOf(all))) => all
            .items
            .iter()
            .for_each(|part| collect_columns(at, part, named, depth, into)),
        Some(RefOr::T(Schema::OneOf(one))) => {
            match one.items.iter().find(|item| matches!(item, RefOr::Ref(_))) {
                Some(reference) => collect_columns(at, reference, named, depth, into),
                None => into.push(leaf(false)),
            }
        }
        Some(RefOr::T(Schema::Object(object))) => into.push(leaf(holds_numbers(object))),
        _ => into.push(leaf(false)),
    }
}

/// Numbers by their type, and decimal strings by their pattern.
fn holds_numbers(object: &Object) -> bool {
    let of = |wanted: &[Type]| match &object.schema_type {
        SchemaType::Type(kind) => wanted.contains(kind),
        SchemaType::Array(kinds) => kinds.iter().any(|kind| wanted.contains(kind)),
        SchemaType::AnyValue => false,
    };
    let decimal = |pattern: &String| pattern.starts_with("^-?[0-9]");
    of(&[Type::Integer, Type::Number]) || object.pattern.as_ref().is_some_and(decimal)
}

/// An item as cells by column; lists are written as JSON.
fn cells(json: &Value) -> BTreeMap<String, String> {
    fn walk(at: &str, value: &Value, into: &mut BTreeMap<String, String>) {
        match value {
            Value::Object(members) => walk_members(at, members, into),
            Value::Null => {}
            Value::String(text) => {
                into.insert(at.to_owned(), text.clone());
            }
            other @ (Value::Bool(_) | Value::Number(_) | Value::Array(_)) => {
                into.insert(at.to_owned(), other.to_string());
            }
        }
    }
    fn walk_members(at: &str, members: &Map<String, Value>, into: &mut BTreeMap<String, String>) {
        for (name, value) in members {
            let path = if at.is_empty() {
                name.clone()
            } else {
                format!("{at}.{name}")
            };
            walk(&path, value, into);
        }
    }
    let mut cells = BTreeMap::new();
    walk("", json, &mut cells);
    cells
}
