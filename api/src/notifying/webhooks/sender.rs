//! Sends webhook calls: queues new entries, makes the calls that are due, and records the results.

use super::{
    cipher::Cipher,
    guard::{AllowedTargets, Guard},
    message::{WebhookMessage, WebhookMessageData},
};
use crate::{
    ground::{
        clock::{self, Clock, Instant},
        db::{Db, RunQueryDsl, SystemEntry, record_for_system},
        entries,
        problem::Problem,
        text::Text,
    },
    schema::{journal_identity, webhook_calls, webhooks},
};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Integer, Nullable, Text as SqlText, Timestamptz},
};
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};
use futures_util::{StreamExt, future::join_all, stream::FuturesUnordered};
use jiff::{SignedDuration, Timestamp, fmt::rfc2822};
use outshop_core::webhooks::{Reception, Switch, SwitchedOffReason, wait_after};
use reqwest::{StatusCode, Url, dns::Resolve, header, redirect::Policy};
use serde_json::json;
use standardwebhooks::Webhook as Signer;
use std::{collections::HashSet, convert::Infallible, sync::Arc, time::Duration};
use tokio::{sync::Notify, time::timeout};
use uuid::Uuid;

/// How often due calls are looked for.
const POLL_INTERVAL: Duration = Duration::from_secs(1);
/// A receiver that has not answered by then counts as failed.
const CALL_TIMEOUT: Duration = Duration::from_secs(15);
/// A call is repeated after this time if its process died during the attempt.
const CLAIMED_FOR: SignedDuration = SignedDuration::from_secs(60);
/// The most bytes of a response that are read.
const MOST_READ: usize = 64 * 1024;
/// How long received calls are kept.
const KEPT_FOR: SignedDuration = SignedDuration::from_hours(30 * 24);

/// Makes the calls.
#[derive(Clone)]
pub struct Caller {
    client: reqwest::Client,
    reach: AllowedTargets,
    patience: Duration,
    cipher: Cipher,
}

/// A call that this process is making.
#[derive(QueryableByName)]
struct Claimed {
    #[diesel(sql_type = BigInt)]
    id: i64,
    #[diesel(sql_type = Nullable<BigInt>)]
    entry_no: Option<i64>,
    #[diesel(sql_type = Integer)]
    attempts: i32,
    #[diesel(sql_type = Nullable<SqlText>)]
    r#type: Option<String>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    at: Option<Instant>,
    #[diesel(sql_type = Nullable<Integer>)]
    stock_no: Option<i32>,
}

/// The address of a webhook, and its signing keys.
struct Receiver {
    id: i64,
    url: Url,
    signers: Vec<Signer>,
    journal_id: Uuid,
}

/// The result of an attempt.
#[derive(Default)]
struct AttemptResult {
    status: Option<StatusCode>,
    length: Option<i64>,
    retry_after: Option<SignedDuration>,
    error: Option<&'static str>,
}

impl Caller {
    /// Calls the addresses that `reach` allows, resolved by `names`.
    pub fn new(reach: AllowedTargets, names: Arc<dyn Resolve>) -> Result<Caller, String> {
        let client = reqwest::Client::builder()
            .dns_resolver(Arc::new(Guard { reach, names }))
            // A proxy would resolve the names itself.
            .no_proxy()
            .redirect(Policy::none())
            // The address is resolved and checked for each call.
            .pool_max_idle_per_host(0)
            .user_agent(concat!("outshop/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(|e| format!("webhooks cannot be called: {e}"))?;
        Ok(Caller {
            client,
            reach,
            patience: CALL_TIMEOUT,
            cipher: Cipher::default(),
        })
    }

    /// Sets how long to wait for a response.
    pub fn waiting(self, patience: Duration) -> Caller {
        Caller { patience, ..self }
    }

    /// Sets the cipher of the stored secrets.
    pub fn with_cipher(self, cipher: Cipher) -> Caller {
        Caller { cipher, ..self }
    }

    /// Makes the calls as they fall due, until the process ends. A slow receiver does not delay the others.
    ///
    /// Calls go on while due calls are looked for: a call that is not polled would keep its database connection, and
    /// the look-up would wait for it.
    pub async fn keep_calling(&self, db: &Db, clock: &Clock) -> Infallible {
        let mut busy = HashSet::new();
        let mut running = FuturesUnordered::new();
        let more = Notify::new();
        let look = async || {
            let _ = timeout(POLL_INTERVAL, more.notified()).await;
            due(db, clock.now()).await
        };
        more.notify_one();
        let mut looking = Box::pin(look());
        loop {
            tokio::select! {
                found = &mut looking => {
                    match found {
                        Ok(ids) => {
                            for id in ids {
                                if busy.insert(id) {
                                    running.push(async move { (id, self.call(db, id, clock.now()).await) });
                                }
                            }
                        }
                        Err(problem) => tracing::warn!(%problem, "due webhook calls could not be looked up; trying again"),
                    }
                    looking.set(look());
                }
                Some((id, done)) = running.next() => {
                    busy.remove(&id);
                    match done {
                        // There may be more for this webhook.
                        Ok(made) if made > 0 => more.notify_one(),
                        Ok(_) => {}
                        Err(problem) => tracing::warn!(%problem, id, "a webhook could not be called; trying again"),
                    }
                }
            }
        }
    }

    /// Makes a few due calls of a webhook; returns how many.
    pub async fn call(&self, db: &Db, id: i64, now: Timestamp) -> Result<usize, Problem> {
        let Some((receiver, claimed)) = claim(db, &self.cipher, id, now).await? else {
            return Ok(0);
        };
        let attempts = claimed
            .iter()
            .map(|call| self.attempt(&receiver, call, now));
        let result = join_all(attempts).await;
        for (call, result) in claimed.iter().zip(&result) {
            settle(db, receiver.id, call, result, now).await?;
        }
        Ok(claimed.len())
    }

    async fn attempt(&self, receiver: &Receiver, call: &Claimed, now: Timestamp) -> AttemptResult {
        let failed = |error| AttemptResult {
            error: Some(error),
            ..AttemptResult::default()
        };
        if let Err(error) = self.reach.check(&receiver.url) {
            return failed(error);
        }
        let (webhook_id, body) = message(receiver, call, now);
        let signatures: Result<Vec<String>, _> = receiver
            .signers
            .iter()
            .map(|signer| signer.sign(&webhook_id, now.as_second(), body.as_bytes()))
            .collect();
        let Ok(signatures) = signatures else {
            return failed("the call could not be signed");
        };
        let sent = self
            .client
            .post(receiver.url.clone())
            .timeout(self.patience)
            .header(header::CONTENT_TYPE, "application/json")
            .header("webhook-id", webhook_id)
            .header("webhook-timestamp", now.as_second())
            .header("webhook-signature", signatures.join(" "))
            .body(body)
            .send()
            .await;
        let mut answer = match sent {
            Ok(answer) => answer,
            Err(error) if error.is_timeout() => return failed("no response in time"),
            Err(error) if error.is_connect() => {
                return failed("no connection to an address that may be called");
            }
            Err(_) => return failed("the connection was closed before a response"),
        };
        let mut length = 0;
        while length < MOST_READ {
            // The status decides; the length is only recorded.
            match answer.chunk().await {
                Ok(Some(chunk)) => length += chunk.len(),
                Ok(None) | Err(_) => break,
            }
        }
        AttemptResult {
            status: Some(answer.status()),
            length: i64::try_from(length).ok(),
            retry_after: retry_after(answer.headers(), now),
            error: None,
        }
    }
}

/// The id and the body of a call, the same in each attempt.
fn message(receiver: &Receiver, call: &Claimed, now: Timestamp) -> (String, String) {
    let journal_id = receiver.journal_id;
    let (webhook_id, r#type, at, url) = match (call.entry_no, &call.r#type, call.at) {
        (Some(entry_no), Some(what), Some(at)) => {
            let after = entry_no - 1;
            let url = format!("/v1/journal?after={after}&limit=1&journal_id={journal_id}");
            (format!("{journal_id}-{entry_no}"), what.clone(), at.0, url)
        }
        _ => (
            format!("{journal_id}-trial-{}", call.id),
            "webhook.test".to_owned(),
            now,
            format!("/v1/webhooks/{}", receiver.id),
        ),
    };
    let data = WebhookMessageData {
        entry_no: call.entry_no,
        stock_no: call.stock_no,
        url,
    };
    let timestamp = format!("{at:.6}");
    let message = WebhookMessage {
        r#type,
        timestamp,
        data,
    };
    (webhook_id, json!(message).to_string())
}

/// Retry-After (RFC 9110, 10.2.3), in seconds or as a date.
fn retry_after(headers: &header::HeaderMap, now: Timestamp) -> Option<SignedDuration> {
    let asked = headers.get(header::RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = asked.parse::<u32>() {
        return Some(SignedDuration::from_secs(seconds.into()));
    }
    let at = rfc2822::DateTimeParser::new().parse_timestamp(asked).ok()?;
    Some(at.duration_since(now))
}

// SQL

/// Queues calls for new journal entries, and returns the webhooks with calls that are due.
pub async fn due(db: &Db, now: Timestamp) -> Result<Vec<i64>, Problem> {
    let mut conn = db.read().await?;
    let on: Vec<i64> = webhooks::table
        .filter(webhooks::status.eq(Switch::On))
        .select(webhooks::id)
        .load(&mut conn)
        .await?;
    if !on.is_empty() {
        entries::number(&mut conn).await?;
    }
    for id in on {
        diesel::sql_query(include_str!("queue.sql"))
            .bind::<BigInt, _>(id)
            .bind::<Timestamptz, _>(Instant(now))
            .execute(&mut conn)
            .await?;
    }
    Ok(webhook_calls::table
        .filter(webhook_calls::outcome.eq(Reception::Waiting))
        .filter(webhook_calls::due_at.le(Instant(now)))
        .select(webhook_calls::webhook_id)
        .distinct()
        .load(&mut conn)
        .await?)
}

async fn claim(
    db: &Db,
    cipher: &Cipher,
    id: i64,
    now: Timestamp,
) -> Result<Option<(Receiver, Vec<Claimed>)>, Problem> {
    let mut conn = db.read().await?;
    let claimed: Vec<Claimed> = diesel::sql_query(include_str!("claim.sql"))
        .bind::<BigInt, _>(id)
        .bind::<Timestamptz, _>(Instant(now))
        .bind::<Timestamptz, _>(Instant(
            now.saturating_add(CLAIMED_FOR).map_err(Problem::internal)?,
        ))
        .load(&mut conn)
        .await?;
    if claimed.is_empty() {
        return Ok(None);
    }
    type Row = (Text<2000>, String, Option<String>, Option<Instant>);
    let (url, secret, former, former_until): Row = webhooks::table
        .find(id)
        .select((
            webhooks::url,
            webhooks::secret,
            webhooks::former_secret,
            webhooks::former_until,
        ))
        .first(&mut conn)
        .await?;
    let journal_id = journal_identity::table
        .select(journal_identity::journal_id)
        .first(&mut conn)
        .await?;
    let former = former.filter(|_| former_until.is_some_and(|until| until.0 > now));
    let signers: Result<Vec<Signer>, Problem> = [Some(secret), former]
        .iter()
        .flatten()
        .map(|stored| {
            let secret = cipher.open(stored).map_err(Problem::internal)?;
            Signer::new(secret.shown()).map_err(Problem::internal)
        })
        .collect();
    let receiver = Receiver {
        id,
        url: url.parse().map_err(Problem::internal)?,
        signers: signers?,
        journal_id,
    };
    Ok(Some((receiver, claimed)))
}

/// Records the result of an attempt. If the receiver is gone, or the last attempt of a call failed, switches the
/// webhook off and records that in the journal.
async fn settle(
    db: &Db,
    webhook_id: i64,
    call: &Claimed,
    result: &AttemptResult,
    now: Timestamp,
) -> Result<(), Problem> {
    let received = result.status.is_some_and(|status| status.is_success());
    let gone = result.status == Some(StatusCode::GONE);
    let mut jitter = [0];
    getrandom::fill(&mut jitter).map_err(Problem::internal)?;
    let is_trial = call.entry_no.is_none();
    let wait = (!received && !gone && !is_trial)
        .then(|| {
            let attempts = u32::try_from(call.attempts).unwrap_or(u32::MAX);
            wait_after(attempts, jitter[0], result.retry_after)
        })
        .flatten();
    let outcome = match (received, wait) {
        (true, _) => Reception::Received,
        (false, Some(_)) => Reception::Waiting,
        (false, None) => Reception::Failed,
    };
    let due_at = Instant(
        now.saturating_add(wait.unwrap_or_default())
            .map_err(Problem::internal)?,
    );
    let status = result.status.map(|status| i32::from(status.as_u16()));
    let mut conn = db.read().await?;
    AnsiTransactionManager::begin_transaction(&mut *conn).await?;
    let kept = async {
        diesel::update(webhook_calls::table.find(call.id))
            .set((
                webhook_calls::outcome.eq(outcome),
                webhook_calls::due_at.eq(due_at),
                webhook_calls::last_status.eq(status),
                webhook_calls::last_length.eq(result.length),
                webhook_calls::last_error.eq(result.error),
            ))
            .execute(&mut conn)
            .await?;
        match outcome {
            _ if gone => switch_off(&mut conn, webhook_id, SwitchedOffReason::Gone, now).await,
            Reception::Failed if !is_trial => {
                switch_off(&mut conn, webhook_id, SwitchedOffReason::Unanswered, now).await
            }
            Reception::Received | Reception::Waiting | Reception::Failed => Ok(()),
        }
    }
    .await;
    match kept {
        Ok(()) => Ok(AnsiTransactionManager::commit_transaction(&mut *conn).await?),
        Err(problem) => {
            AnsiTransactionManager::rollback_transaction(&mut *conn).await?;
            Err(problem)
        }
    }
}

async fn switch_off(
    conn: &mut AsyncPgConnection,
    webhook_id: i64,
    reason: SwitchedOffReason,
    now: Timestamp,
) -> Result<(), Problem> {
    let was_on = webhooks::table
        .find(webhook_id)
        .filter(webhooks::status.eq(Switch::On));
    let switched = diesel::update(was_on)
        .set((
            webhooks::status.eq(Switch::Off),
            webhooks::switched_off_reason.eq(reason),
        ))
        .execute(conn)
        .await?;
    if switched == 0 {
        return Ok(());
    }
    let waiting = webhook_calls::table
        .filter(webhook_calls::webhook_id.eq(webhook_id))
        .filter(webhook_calls::outcome.eq(Reception::Waiting))
        .filter(webhook_calls::entry_no.is_not_null());
    diesel::update(waiting)
        .set(webhook_calls::outcome.eq(Reception::Failed))
        .execute(conn)
        .await?;
    let today = clock::today(conn, now).await?;
    let entry = SystemEntry {
        what: "webhook.switched_off",
        stock_no: None,
        data: json!({"webhook_id": webhook_id, "reason": reason}),
    };
    record_for_system(conn, today, vec![entry]).await?;
    tracing::warn!(webhook_id, %reason, "a webhook has been switched off");
    Ok(())
}

/// Deletes calls that were received long ago.
pub async fn forget_received(db: &Db, now: Timestamp) -> Result<(), Problem> {
    let before = Instant(now.saturating_sub(KEPT_FOR).map_err(Problem::internal)?);
    let old = webhook_calls::table
        .filter(webhook_calls::outcome.eq(Reception::Received))
        .filter(webhook_calls::last_at.lt(before));
    diesel::delete(old).execute(&mut *db.read().await?).await?;
    Ok(())
}
