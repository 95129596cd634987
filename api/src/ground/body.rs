//! Request bodies: read strictly, and checked in one fixed order.

use crate::ground::{
    answers::{etag_of, if_match},
    problem::{self, Problem},
    strict_json::{self},
};
use actix_web::{FromRequest, HttpRequest, dev::Payload, http::header, web};
use futures_util::StreamExt;
use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::{
    future::{Future, Ready, ready},
    marker::PhantomData,
    ops::Deref,
    pin::Pin,
};
use utoipa::{
    IntoParams, PartialSchema, ToSchema,
    openapi::{
        ContentBuilder, ObjectBuilder, Ref, RefOr, Required, Schema,
        request_body::{RequestBody, RequestBodyBuilder},
        schema::{ArrayItems, KnownFormat, SchemaFormat, Type},
    },
};

pub const LIMIT: usize = 256 * 1024;
/// The end of the error message of a request whose body was cut off.
pub(crate) const TOO_SLOW: &str = "the body came too slowly";
pub(crate) const JSON: &str = "application/json";
const MERGE_PATCH: &str = "application/merge-patch+json";

/// A JSON body of a POST. With `KEYED` an Idempotency-Key is required.
pub struct Body<T, const KEYED: bool = false> {
    value: T,
    pub sent: Sent,
}

/// What identifies a repeated request.
pub struct Sent {
    pub idempotency_key: Option<String>,
    /// Method and path.
    pub target: String,
    pub sha256: Vec<u8>,
}

impl Sent {
    fn of(req: &HttpRequest, sha256: Vec<u8>) -> Result<Sent, Problem> {
        Ok(Sent {
            idempotency_key: idempotency_key(req)?,
            target: format!("{} {}", req.method(), req.path()),
            sha256,
        })
    }
}

/// A body of a POST that must not be repeated by accident.
pub type KeyedBody<T> = Body<T, true>;

impl<T, const KEYED: bool> Deref for Body<T, KEYED> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.value
    }
}

impl Body<()> {
    /// For a request whose body is not JSON: `sha256` identifies a repeated request.
    pub(crate) fn of(req: &HttpRequest, sha256: Vec<u8>) -> Result<Body<()>, Problem> {
        let sent = Sent::of(req, sha256)?;
        Ok(Body { value: (), sent })
    }
}

impl<T: DeserializeOwned + PartialSchema + 'static, const KEYED: bool> FromRequest
    for Body<T, KEYED>
{
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (req, payload) = (req.clone(), payload.take());
        Box::pin(async move {
            let (json, sent) = posted(&req, payload, KEYED).await?;
            let value = strict_json::typed(&json)?;
            Ok(Body { value, sent })
        })
    }
}

async fn posted(
    req: &HttpRequest,
    payload: Payload,
    keyed: bool,
) -> Result<(Value, Sent), Problem> {
    let bytes = read(req, payload, &[JSON], LIMIT).await?;
    let json = strict_json::parse(&bytes)?;
    let sent = Sent::of(req, Sha256::digest(&bytes).to_vec())?;
    if keyed && sent.idempotency_key.is_none() {
        return Err(idempotency_key_missing());
    }
    Ok((json, sent))
}

/// A JSON body of a PUT, not yet checked against If-Match.
pub struct Put<T>(Patch<T>);

impl<T: DeserializeOwned + PartialSchema> Put<T> {
    /// The replacement of `current`; refused if `current` has changed since the client read it.
    pub fn against(&self, current: &impl Serialize) -> Result<T, Problem> {
        self.0.still_known(current)?;
        strict_json::typed(&self.0.json)
    }
}

impl<T: 'static> FromRequest for Put<T> {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let reading = conditional(req.clone(), payload.take(), JSON);
        Box::pin(async move { reading.await.map(Put) })
    }
}

/// A JSON merge patch (RFC 7396), not yet applied. `T` has all the members that may be changed, as a POST takes them.
pub struct Patch<T> {
    json: Value,
    if_match: String,
    of: PhantomData<T>,
}

impl<T: DeserializeOwned + ToSchema> Patch<T> {
    /// Applies the patch to `current` and checks the result as a whole; refused if `current` has changed since the
    /// client read it.
    /// `current` must contain every member that may be changed, so that nobody changes what they cannot see.
    pub fn merged(&self, current: &impl Serialize) -> Result<T, Problem> {
        let shown = self.still_known(current)?;
        let shown: Value = serde_json::from_slice(&shown).map_err(Problem::internal)?;
        let mut forms = vec![(T::name().into_owned(), T::schema())];
        T::schemas(&mut forms);
        // A confirmation is never carried over: it is given again with each change.
        let mut kept = members_of(&forms[0].1).filter(|name| !name.ends_with("_confirmed"));
        if let Some(hidden) = kept.find(|name| shown.get(name).is_none()) {
            let detail = format!("`{hidden}` may be changed but is not in the response");
            return Err(Problem::internal(detail));
        }
        let mut whole = as_sent(&shown, &forms[0].1, &forms);
        merge(&mut whole, &self.json);
        strict_json::typed(&whole)
    }

    /// Whether the patch contains the member, even with its current value.
    pub fn names(&self, member: &str) -> bool {
        debug_assert!(
            members_of(&T::schema()).any(|known| known == member),
            "`{member}` is not a member of the type that is changed"
        );
        self.json.get(member).is_some()
    }
}

fn members_of(form: &RefOr<Schema>) -> impl Iterator<Item = &String> {
    let object = match form {
        RefOr::T(Schema::Object(object)) => Some(object),
        RefOr::T(_) | RefOr::Ref(_) => None,
    };
    object
        .into_iter()
        .flat_map(|object| object.properties.keys())
}

/// The part of a response that a request of type `form` accepts: without the members that are read-only.
fn as_sent(shown: &Value, form: &RefOr<Schema>, forms: &[(String, RefOr<Schema>)]) -> Value {
    match (shown, form) {
        (_, RefOr::Ref(to)) => {
            let name = to.ref_location.rsplit('/').next();
            match forms.iter().find(|(known, _)| Some(known.as_str()) == name) {
                Some((_, form)) => as_sent(shown, form, forms),
                None => shown.clone(),
            }
        }
        (Value::Object(members), RefOr::T(Schema::Object(object)))
            if !object.properties.is_empty() =>
        {
            let sent = members.iter().filter_map(|(name, member)| {
                let form = object.properties.get(name)?;
                (!is_only_shown(form)).then(|| (name.clone(), as_sent(member, form, forms)))
            });
            Value::Object(sent.collect())
        }
        // An optional member has the schema of its value, or is null.
        (Value::Object(_), RefOr::T(Schema::OneOf(one))) => {
            let of_value = one.items.iter().find(|it| matches!(it, RefOr::Ref(_)));
            of_value.map_or_else(|| shown.clone(), |form| as_sent(shown, form, forms))
        }
        (Value::Array(items), RefOr::T(Schema::Array(list))) => match &list.items {
            ArrayItems::RefOrSchema(form) => {
                let sent = items.iter().map(|item| as_sent(item, form, forms));
                Value::Array(sent.collect())
            }
            ArrayItems::False => shown.clone(),
        },
        _ => shown.clone(),
    }
}

fn is_only_shown(form: &RefOr<Schema>) -> bool {
    matches!(form, RefOr::T(Schema::Object(object)) if object.read_only == Some(true))
}

/// Applies a patch to a value.
///
/// Source: RFC 7396, 2; except that null is written instead of removed: every request type reads null as an absent
/// member, and refuses it where a value is required.
fn merge(onto: &mut Value, patch: &Value) {
    match (onto, patch) {
        (Value::Object(members), Value::Object(changes)) => {
            for (name, change) in changes {
                merge(members.entry(name.clone()).or_insert(Value::Null), change);
            }
        }
        (onto, patch) => *onto = patch.clone(),
    }
}

/// The request body of a PATCH in the OpenAPI document: every member of `T` is optional.
pub fn merge_patch<T: ToSchema>(forms: &mut Vec<(String, RefOr<Schema>)>) -> RequestBody {
    let name = patch_name(&T::name());
    let mut form = T::schema();
    if let RefOr::T(Schema::Object(object)) = &mut form {
        object.required.clear();
    }
    let body = RequestBodyBuilder::new()
        .content(
            MERGE_PATCH,
            ContentBuilder::new()
                .schema(Some(Ref::from_schema_name(&name)))
                .build(),
        )
        .required(Some(Required::True))
        .build();
    forms.push((name, form));
    T::schemas(forms);
    body
}

/// The schema name of a patch: `PersonPatch` for `NewPerson`.
fn patch_name(of: &str) -> String {
    let of = of.strip_prefix("New").unwrap_or(of);
    format!("{}Patch", of.strip_suffix("Patch").unwrap_or(of))
}

impl<T> Patch<T> {
    /// `current` as the client read it; refused if it has changed since.
    fn still_known(&self, current: &impl Serialize) -> Result<Vec<u8>, Problem> {
        let shown = serde_json::to_vec(current).map_err(Problem::internal)?;
        if_match(&self.if_match, &etag_of(&shown))?;
        Ok(shown)
    }

    /// The names of the members in the patch.
    pub fn members(&self) -> Vec<&String> {
        self.json
            .as_object()
            .map(|members| members.keys().collect())
            .unwrap_or_default()
    }

    pub fn is_empty(&self) -> bool {
        self.members().is_empty()
    }
}

/// The header of a change.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "describes the header; Patch reads it")]
pub struct IfMatch {
    /// The ETag of the record as you read it. Without it: 428.
    #[param(rename = "If-Match", max_length = 200, required = true)]
    if_match: String,
}

/// The header of a POST.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "describes the header; Body reads it")]
pub struct Repeatable {
    /// A value of your own. A request repeated with the same value is carried out only once.
    #[param(
        rename = "Idempotency-Key",
        min_length = 1,
        max_length = 255,
        example = "6f1c3c5e-0d2b-4c64-9a51-6f5a0f0f7a11"
    )]
    idempotency_key: Option<String>,
}

/// The header of a POST that must not be repeated by accident.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "describes the header; Body reads it")]
pub struct Keyed {
    /// A value of your own, different for each request. A request repeated with the same value is carried out only
    /// once. Without it: 400.
    #[param(
        rename = "Idempotency-Key",
        min_length = 1,
        max_length = 255,
        required = true,
        example = "6f1c3c5e-0d2b-4c64-9a51-6f5a0f0f7a11"
    )]
    idempotency_key: String,
}

impl<T: 'static> FromRequest for Patch<T> {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        Box::pin(conditional(req.clone(), payload.take(), MERGE_PATCH))
    }
}

/// Reads a body that requires an If-Match.
async fn conditional<T>(
    req: HttpRequest,
    payload: Payload,
    accepted: &'static str,
) -> Result<Patch<T>, Problem> {
    let bytes = read(&req, payload, &[accepted], LIMIT).await?;
    let json = strict_json::parse(&bytes)?;
    Ok(Patch {
        json,
        if_match: sent_if_match(&req)?,
        of: PhantomData,
    })
}

/// The If-Match of a DELETE, still to be compared.
pub struct IfUnchanged(String);

impl IfUnchanged {
    /// Refuses if `current` has changed since the client read it.
    pub fn against(&self, current: &impl Serialize) -> Result<(), Problem> {
        let current = serde_json::to_vec(current).map_err(Problem::internal)?;
        if_match(&self.0, &etag_of(&current))
    }
}

impl FromRequest for IfUnchanged {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(sent_if_match(req).map(IfUnchanged))
    }
}

fn sent_if_match(req: &HttpRequest) -> Result<String, Problem> {
    let sent = req.headers().get(header::IF_MATCH);
    sent.and_then(|tag| tag.to_str().ok())
        .map(str::to_owned)
        .ok_or_else(|| {
            let detail = "send If-Match with the ETag that you read";
            Problem::new(problem::PRECONDITION_REQUIRED, detail)
        })
}

/// The bytes of a bulk import, with their media type.
pub struct Bulk {
    pub bytes: Vec<u8>,
    pub media_type: String,
    pub idempotency_key: Option<String>,
}

impl Bulk {
    pub const LIMIT: usize = 32 * 1024 * 1024;
    pub const CSV: &str = "text/csv";
    pub const NDJSON: &str = "application/x-ndjson";

    /// As a body for `Db::create`.
    pub fn as_body(&self, req: &HttpRequest) -> Body<()> {
        let sent = Sent {
            idempotency_key: self.idempotency_key.clone(),
            target: format!("{} {}", req.method(), req.path()),
            sha256: Sha256::digest(&self.bytes).to_vec(),
        };
        Body { value: (), sent }
    }
}

impl PartialSchema for Bulk {
    fn schema() -> RefOr<Schema> {
        let text = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary)))
            .max_length(Some(Bulk::LIMIT));
        RefOr::T(Schema::Object(text.build()))
    }
}

impl ToSchema for Bulk {}

impl FromRequest for Bulk {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(req: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (req, payload) = (req.clone(), payload.take());
        Box::pin(async move {
            let bytes = read(&req, payload, &[Bulk::CSV, Bulk::NDJSON], Bulk::LIMIT).await?;
            Ok(Bulk {
                bytes,
                media_type: media_type(&req),
                idempotency_key: idempotency_key(&req)?,
            })
        })
    }
}

pub(crate) fn idempotency_key_missing() -> Problem {
    let detail = "this request must not be repeated by accident: send a header Idempotency-Key with a value of your own";
    Problem::new(problem::IDEMPOTENCY_KEY_MISSING, detail)
}

fn idempotency_key(req: &HttpRequest) -> Result<Option<String>, Problem> {
    let mut sent = req.headers().get_all("idempotency-key");
    let (Some(only), another) = (sent.next(), sent.next()) else {
        return Ok(None);
    };
    if another.is_some() {
        return Err(Problem::new(
            problem::IDEMPOTENCY_KEY_MISSING,
            "there are two Idempotency-Key headers; send one",
        ));
    }
    let key = only.to_str().unwrap_or_default().trim().trim_matches('"');
    if key.is_empty() || key.len() > 255 {
        return Err(Problem::new(
            problem::IDEMPOTENCY_KEY_MISSING,
            "the Idempotency-Key must be 1 to 255 printable characters",
        ));
    }
    Ok(Some(key.to_owned()))
}

pub(crate) fn media_type(req: &HttpRequest) -> String {
    let sent = req
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default();
    sent.split(';')
        .next()
        .unwrap_or_default()
        .trim()
        .to_ascii_lowercase()
}

pub(crate) async fn read(
    req: &HttpRequest,
    payload: Payload,
    accepted: &[&str],
    limit: usize,
) -> Result<Vec<u8>, Problem> {
    let sent = media_type(req);
    is_plain(req)?;
    if !accepted.contains(&sent.as_str()) {
        return Err(not_taken(&sent, accepted));
    }
    let mut bytes = Vec::new();
    let mut payload = web::Payload::from_request(req, &mut { payload })
        .await
        .map_err(Problem::internal)?;
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(cut_off)?;
        if bytes.len() + chunk.len() > limit {
            return Err(too_large(limit));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// Refuses a compressed body: it could expand to any size.
pub(crate) fn is_plain(req: &HttpRequest) -> Result<(), Problem> {
    let coding = req.headers().get(header::CONTENT_ENCODING);
    if coding.is_some_and(|coding| coding != "identity") {
        let detail = "send the body without Content-Encoding";
        return Err(Problem::new(problem::UNSUPPORTED_MEDIA_TYPE, detail));
    }
    Ok(())
}

pub(crate) fn not_taken(sent: &str, accepted: &[&str]) -> Problem {
    let detail = format!(
        "`{}` is not accepted here; send {}",
        strict_json::short(sent),
        accepted.join(" or ")
    );
    Problem::new(problem::UNSUPPORTED_MEDIA_TYPE, detail)
}

pub(crate) fn too_large(limit: usize) -> Problem {
    let detail = format!("the body has more than {limit} bytes; send less, or in parts");
    Problem::new(problem::CONTENT_TOO_LARGE, detail)
}

pub(crate) fn cut_off(cause: impl std::fmt::Display) -> Problem {
    let cause = cause.to_string();
    if cause.contains(TOO_SLOW) {
        return Problem::new(problem::REQUEST_TIMEOUT, cause);
    }
    let detail = format!("the body did not arrive completely: {cause}");
    Problem::new(problem::MALFORMED, detail)
}
