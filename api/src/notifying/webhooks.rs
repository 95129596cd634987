//! Webhooks: addresses that are notified of journal entries, by Standard Webhooks 1.0.0.

use crate::{
    ground::{
        actor::Owner,
        answers::{Found, Reply, respond},
        body::{Body, IfUnchanged, Patch},
        clock::Instant,
        db::{ById, Db, RunQueryDsl, by_id},
        entries,
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{FieldError, Problem},
        text::{Code, Text, at_most},
    },
    schema::{webhook_calls, webhooks},
};
use actix_web::{HttpRequest, HttpResponse, web};
use base64::{Engine as _, engine::general_purpose::STANDARD};
use cipher::Cipher;
use diesel::{
    prelude::*,
    sql_types::{BigInt, Nullable, Timestamptz},
};
use guard::AllowedTargets;
use outshop_core::webhooks::{Reception, Switch, SwitchedOffReason};
use outshop_operation::{delete, get, patch, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};

pub mod cipher;
pub mod guard;
pub(crate) mod message;
pub mod sender;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("webhooks")
        .service(list_webhooks)
        .service(create_webhook)
        .service(get_webhook)
        .service(change_webhook)
        .service(delete_webhook)
        .service(rotate_webhook_secret)
        .service(list_webhook_calls)
        .service(get_webhook_call)
        .service(create_test_call)
        .service(redeliver_webhook_calls);
}

/// How long calls are signed with the former secret too.
const ROTATION_HOURS: i32 = 24;
/// The most webhooks of a firm.
const MOST_WEBHOOKS: i64 = 50;

// Types

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = webhooks)]
#[schema(example = json!({"id": 1, "url": "https://shop.example/hooks", "types": ["listing", "engine.sold"], "status": "on",
    "switched_off_reason": null, "former_until": null, "queued_up_to": 184}))]
pub struct Webhook {
    pub id: i64,
    #[schema(max_length = 2000)]
    pub url: Text<2000>,
    /// Entry types to send: full (`engine.sold`) or prefix (`engine`). Empty: all.
    #[schema(max_items = 50)]
    pub types: Vec<Code>,
    pub status: Switch,
    /// Why it is off; null: it is on.
    pub switched_off_reason: Option<SwitchedOffReason>,
    /// Until then calls are signed with the former secret too; null: there is none.
    pub former_until: Option<Instant>,
    /// Last journal entry for which deliveries have been queued.
    #[schema(minimum = 0)]
    pub queued_up_to: i64,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"url": "https://shop.example/hooks", "types": ["listing", "engine.sold"]}))]
pub struct NewWebhook {
    /// An https address on the public internet.
    #[schema(max_length = 2000)]
    pub url: Text<2000>,
    /// Entry types to send: full (`engine.sold`) or prefix (`engine`). Empty: all.
    #[serde(default, deserialize_with = "at_most::<50, _, _>")]
    #[schema(max_items = 50)]
    pub types: Vec<Code>,
}

#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = webhooks)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"status": "on"}))]
pub struct WebhookPatch {
    #[schema(max_length = 2000)]
    pub url: Text<2000>,
    /// Entry types to send: full (`engine.sold`) or prefix (`engine`). Empty: all.
    #[serde(deserialize_with = "at_most::<50, _, _>")]
    #[schema(max_items = 50)]
    pub types: Vec<Code>,
    /// When it is switched on again, the entries since it was switched off are sent too.
    pub status: Switch,
}

/// `whsec_` and 32 random bytes in base64. Never logged.
#[derive(Serialize)]
#[serde(transparent)]
pub(crate) struct Secret(String);

/// A webhook with the secret that its calls are signed with, which is shown only here.
#[derive(Serialize, ToSchema)]
pub struct WebhookWithSecret {
    #[serde(flatten)]
    pub webhook: Webhook,
    /// Signs the calls; shown only here.
    #[schema(value_type = String, max_length = 60, example = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSwMfKQ9r8GKYo=")]
    pub(crate) secret: Secret,
}

/// One journal entry or test for a receiver, and the result of sending it.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = webhook_calls)]
#[schema(example = json!({"id": 9, "entry_no": 185, "outcome": "waiting", "attempts": 1, "due_at": "2026-05-14T10:21:12Z",
    "last_at": "2026-05-14T10:21:07Z", "last_status": 500, "last_length": 21, "last_error": null}))]
pub struct WebhookCall {
    pub id: i64,
    /// Null: a test call.
    #[schema(minimum = 1)]
    pub entry_no: Option<i64>,
    pub outcome: Reception,
    /// Attempts so far.
    #[schema(minimum = 0)]
    pub attempts: i32,
    /// Time of the next attempt; only meaningful while `outcome` is `waiting`.
    pub due_at: Instant,
    /// Time of the last attempt; null: there was none.
    pub last_at: Option<Instant>,
    /// HTTP status of the last response; null: no response.
    #[schema(minimum = 100, maximum = 999)]
    pub last_status: Option<i32>,
    /// Length of the last response in bytes, read up to 65,536 and the rest of that chunk; the response itself is not
    /// kept.
    #[schema(minimum = 0)]
    pub last_length: Option<i64>,
    /// Why the last attempt got no response; null: it got one, or there was no attempt.
    #[schema(max_length = 200)]
    pub last_error: Option<String>,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct CallFilters {
    #[param(inline)]
    outcome: Option<Reception>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"after": 170}))]
pub struct Repeat {
    /// Journal entries after this one are sent again.
    #[schema(minimum = 0)]
    pub after: i64,
}

#[derive(Debug, Serialize, Queryable, QueryableByName, ToSchema)]
#[schema(example = json!({"calls": 14, "last": 184}))]
pub struct Repeated {
    /// Number of calls queued; at most 10,000.
    #[diesel(sql_type = BigInt)]
    #[schema(minimum = 0)]
    pub calls: i64,
    /// The last entry to be sent again; if there may be more, redeliver again after it. Null: there are none.
    #[diesel(sql_type = Nullable<BigInt>)]
    #[schema(minimum = 1)]
    pub last: Option<i64>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({}))]
pub struct NewTestCall {}

impl Secret {
    fn new() -> Result<Secret, Problem> {
        let mut random = [0_u8; 32];
        getrandom::fill(&mut random).map_err(Problem::internal)?;
        Ok(Secret(format!("whsec_{}", STANDARD.encode(random))))
    }

    pub(crate) fn shown(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("whsec_..")
    }
}

/// The address as it will be called, and all errors in the request.
fn checked(
    reach: AllowedTargets,
    url: Option<&Text<2000>>,
    types: Option<&Vec<Code>>,
) -> Result<Option<Text<2000>>, Problem> {
    let mut errors = Vec::new();
    let called = url.and_then(|url| {
        // The parser drops line ends and tabs, so the address called would differ from the one that was checked.
        let read = if url.contains(char::is_control) {
            Err("must not contain line ends or tabs")
        } else {
            reqwest::Url::parse(url).map_err(|_| "must be an https address")
        };
        match read.and_then(|url| reach.check(&url).map(|()| url)) {
            Ok(url) => url.as_str().parse().ok(),
            Err(detail) => {
                errors.push(FieldError {
                    pointer: "/url".to_owned(),
                    detail: detail.to_owned(),
                });
                None
            }
        }
    });
    for (i, asked) in types.into_iter().flatten().enumerate() {
        if !entries::is_type_or_beginning(asked) {
            errors.push(FieldError {
                pointer: format!("/types/{i}"),
                detail: "must be a type of journal entry such as `engine.sold`, or its first part"
                    .to_owned(),
            });
        }
    }
    if errors.is_empty() {
        Ok(called)
    } else {
        Err(Problem::invalid_all(errors))
    }
}

// Routes

/// List webhooks
#[get("/webhooks", 200 = Page<Webhook>)]
async fn list_webhooks(_by: Owner, list: ListQuery) -> Reply {
    let rows = move |page: &Keyset| {
        let all = webhooks::table.select(Webhook::as_select());
        of_page!(page, all, webhooks::id)
    };
    list.rows(rows, |it: &Webhook| it.id).await
}

/// Create a webhook
///
/// Each matching journal entry from now on is POSTed to the URL:
/// `{"type": "engine.sold", "timestamp": "..", "data": {"entry_no": 185, "stock_no": 10, "url": "/v1/journal?after=184&limit=1"}}`,
/// signed by Standard Webhooks 1.0.0 with the secret, which is only in this response. A call may come twice and out of
/// order: compare `webhook-id` and `entry_no`. A 2xx response within 15 seconds counts as received; otherwise the call
/// is tried again nine times over three days, and then the webhook is switched off. 410 switches it off at once. A firm
/// can have up to 50.
#[post("/webhooks", 201 = WebhookWithSecret)]
async fn create_webhook(
    Owner(actor): Owner,
    db: web::Data<Db>,
    cipher: web::Data<Cipher>,
    reach: web::Data<AllowedTargets>,
    new: Body<NewWebhook>,
) -> Reply {
    let url = checked(**reach, Some(&new.url), Some(&new.types))?;
    // Entries from before the webhook are not sent.
    entries::number(&mut *db.read().await?).await?;
    db.create_secret(&actor, &new, async |tx| {
        let there: i64 = webhooks::table.count().get_result(tx.conn()).await?;
        if there >= MOST_WEBHOOKS {
            let detail = format!("there are already {MOST_WEBHOOKS} webhooks; delete one first");
            return Err(Problem::conflict(detail));
        }
        let secret = Secret::new()?;
        let queued_up_to = entries::last_entry_no(tx.conn()).await?;
        let webhook: Webhook = diesel::insert_into(webhooks::table)
            .values((
                webhooks::url.eq(url.as_ref().unwrap_or(&new.url)),
                webhooks::types.eq(&new.types),
                webhooks::secret.eq(cipher.seal(&secret)?),
                webhooks::queued_up_to.eq(queued_up_to),
            ))
            .returning(Webhook::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("webhook.created", None, json!({"webhook_id": webhook.id}))
            .await?;
        let location = format!("/v1/webhooks/{}", webhook.id);
        Ok((location, WebhookWithSecret { webhook, secret }))
    })
    .await
}

/// Get a webhook
#[get("/webhooks/{id:\\d+}", 200 = Webhook)]
async fn get_webhook(_by: Owner, found: Found<Webhook>) -> Reply {
    found.respond()
}

/// Change a webhook, or switch it on or off
///
/// A new secret comes from a rotation, not from here.
#[patch("/webhooks/{id:\\d+}", 200 = Webhook)]
async fn change_webhook(
    Owner(actor): Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    reach: web::Data<AllowedTargets>,
    id: web::Path<i64>,
    patch: Patch<WebhookPatch>,
) -> Reply {
    db.change(&actor, &req, async |tx| {
        let current = Webhook::lock(tx.conn(), *id).await?;
        let mut change = patch.merged(&current)?;
        // An unchanged URL is not checked: the rules may have changed since, and switching off must still work.
        let url = patch.names("url").then_some(&change.url);
        let types = patch.names("types").then_some(&change.types);
        if let Some(url) = checked(**reach, url, types)? {
            change.url = url;
        }
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let switched_off_reason = match change.status {
            Switch::On => None,
            Switch::Off => Some(
                current
                    .switched_off_reason
                    .unwrap_or(SwitchedOffReason::ByHand),
            ),
        };
        let changed: Webhook = diesel::update(webhooks::table.find(*id))
            .set((
                &change,
                webhooks::switched_off_reason.eq(switched_off_reason),
            ))
            .returning(Webhook::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"webhook_id": *id, "members": patch.members()});
        tx.record("webhook.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

/// Delete a webhook and its calls
#[delete("/webhooks/{id:\\d+}", 204)]
async fn delete_webhook(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    known: IfUnchanged,
) -> Reply {
    db.write(&actor, async |tx| {
        known.against(&Webhook::lock(tx.conn(), *id).await?)?;
        diesel::delete(webhooks::table.find(*id))
            .execute(tx.conn())
            .await?;
        tx.record("webhook.deleted", None, json!({"webhook_id": *id}))
            .await
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Rotate the secret of a webhook
///
/// The new secret is only in this response. For 24 hours calls are signed with both, so that the receiver can change
/// over.
#[post("/webhooks/{id:\\d+}/rotations", 201 = WebhookWithSecret)]
async fn rotate_webhook_secret(
    Owner(actor): Owner,
    db: web::Data<Db>,
    cipher: web::Data<Cipher>,
    id: web::Path<i64>,
    new: Body<crate::firm::keys::Rotation>,
) -> Reply {
    db.create_secret(&actor, &new, async |tx| {
        Webhook::lock(tx.conn(), *id).await?;
        let secret = Secret::new()?;
        let until = Instant::of_second(actor.now).plus_hours(ROTATION_HOURS);
        let webhook: Webhook = diesel::update(webhooks::table.find(*id))
            .set((
                webhooks::former_secret.eq(webhooks::secret.nullable()),
                webhooks::former_until.eq(Some(until)),
                webhooks::secret.eq(cipher.seal(&secret)?),
            ))
            .returning(Webhook::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record("webhook.secret_changed", None, json!({"webhook_id": *id}))
            .await?;
        Ok((
            format!("/v1/webhooks/{}", *id),
            WebhookWithSecret { webhook, secret },
        ))
    })
    .await
}

/// List the calls of a webhook
///
/// Use `outcome=failed` for those that were not received. Received calls are kept for 30 days.
#[get("/webhooks/{id:\\d+}/calls", 200 = Page<WebhookCall>)]
async fn list_webhook_calls(_by: Owner, id: web::Path<i64>, list: ListQuery<CallFilters>) -> Reply {
    Webhook::find(&mut *list.conn().await?, *id).await?;
    let (webhook_id, outcome) = (*id, list.filters.outcome);
    let rows = move |page: &Keyset| {
        let mut rows = webhook_calls::table
            .filter(webhook_calls::webhook_id.eq(webhook_id))
            .select(WebhookCall::as_select())
            .into_boxed();
        if let Some(outcome) = outcome {
            rows = rows.filter(webhook_calls::outcome.eq(outcome));
        }
        of_page!(page, rows, webhook_calls::id)
    };
    list.rows(rows, |it: &WebhookCall| it.id).await
}

/// Get a call of a webhook
#[get("/webhooks/{id:\\d+}/calls/{call_id:\\d+}", 200 = WebhookCall)]
async fn get_webhook_call(
    _by: Owner,
    req: HttpRequest,
    db: web::Data<Db>,
    ids: web::Path<(i64, i64)>,
) -> Reply {
    let (id, call_id) = *ids;
    let found: Option<WebhookCall> = webhook_calls::table
        .find(call_id)
        .filter(webhook_calls::webhook_id.eq(id))
        .select(WebhookCall::as_select())
        .first(&mut *db.read().await?)
        .await
        .optional()?;
    let missing = || Problem::not_found(format!("webhook {id} has no call {call_id}"));
    respond(&req, &found.ok_or_else(missing)?)
}

/// Send a test call to a webhook
///
/// Sends one call of the type `webhook.test`, even if the webhook is switched off; read the call to see the result.
#[post("/webhooks/{id:\\d+}/test-calls", 201 = WebhookCall)]
async fn create_test_call(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewTestCall>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        Webhook::lock(tx.conn(), *id).await?;
        let made: WebhookCall = diesel::insert_into(webhook_calls::table)
            .values((
                webhook_calls::webhook_id.eq(*id),
                webhook_calls::due_at.eq(Instant(actor.now)),
            ))
            .returning(WebhookCall::as_returning())
            .get_result(tx.conn())
            .await?;
        tx.record(
            "webhook.tried",
            None,
            json!({"webhook_id": *id, "call_id": made.id}),
        )
        .await?;
        Ok((format!("/v1/webhooks/{}/calls/{}", *id, made.id), made))
    })
    .await
}

/// Deliver past journal entries to a webhook again
///
/// Sends all entries of its types after `after` again, received or not.
#[post("/webhooks/{id:\\d+}/redeliveries", 201 = Repeated)]
async fn redeliver_webhook_calls(
    Owner(actor): Owner,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<Repeat>,
) -> Reply {
    if new.after < 0 {
        return Err(Problem::invalid("/after", "must be 0 or more"));
    }
    db.create(&actor, &new, async |tx| {
        Webhook::lock(tx.conn(), *id).await?;
        let repeated: Repeated = diesel::sql_query(include_str!("webhooks/repeat.sql"))
            .bind::<BigInt, _>(*id)
            .bind::<BigInt, _>(new.after)
            .bind::<Timestamptz, _>(Instant(actor.now))
            .get_result(tx.conn())
            .await?;
        let entry = json!({"webhook_id": *id, "after": new.after, "calls": repeated.calls});
        tx.record("webhook.redelivered", None, entry).await?;
        Ok((
            format!("/v1/webhooks/{}/calls?outcome=waiting", *id),
            repeated,
        ))
    })
    .await
}

// SQL

by_id!(Webhook, webhooks, "there is no webhook {id}");
