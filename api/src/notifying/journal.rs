//! The journal: everything that happened, numbered without gaps after commit by one sequencer.

use crate::{
    ground::{
        actor::Staff,
        answers::{Reply, respond},
        clock::Instant,
        db::{Db, RunQueryDsl},
        entries,
        operations::Operations,
        problem::{self, Problem},
        query::Query,
    },
    schema::{journal, journal_identity},
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::days::Day;
use outshop_operation::get;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::time::Duration;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("journal").service(read_journal);
}

/// How often a waiting reader checks for new entries.
pub const POLL_INTERVAL: Duration = Duration::from_millis(200);

// Types

#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"entry_no": 185, "type": "engine.delivered", "at": "2026-05-14T10:21:07.123456Z", "on": "2026-05-14",
    "by": "key:7", "stock_no": 10, "data": {"delivery_id": 31}}))]
pub struct Entry {
    /// Without gaps: the next entry has the next number.
    #[schema(minimum = 1)]
    pub entry_no: i64,
    /// What happened, such as `engine.sold`. New types may be added.
    #[schema(max_length = 60)]
    pub r#type: String,
    /// RFC 3339, UTC.
    #[schema(max_length = 40)]
    pub at: String,
    /// The firm's date.
    pub on: Day,
    /// The key that acted, such as `key:7`. Without one: `midnight` if the passing of a day changed a result, `outshop`
    /// for what the service does by itself.
    #[schema(max_length = 30)]
    pub by: String,
    pub stock_no: Option<i32>,
    /// Ids and figures; never names of persons.
    #[schema(value_type = Object)]
    pub data: Value,
}

#[derive(Debug, Serialize, ToSchema)]
pub struct JournalPage {
    /// Changes when a backup is restored; then read the journal from the start.
    #[schema(max_length = 40)]
    pub journal_id: String,
    #[schema(max_items = 500)]
    pub items: Vec<Entry>,
    /// Address of the entries that follow, now or later.
    #[schema(max_length = 300)]
    pub next: String,
}

#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ReadOn {
    /// The last entry number that the reader has; the response begins after it.
    #[param(minimum = 0, default = 0, example = 0)]
    after: Option<i64>,
    /// Maximum number of entries.
    #[param(minimum = 1, maximum = 500, default = 100)]
    limit: Option<i64>,
    /// Seconds to wait for an entry if there is none yet.
    #[param(minimum = 0, maximum = 25, default = 0)]
    wait: Option<u64>,
    /// The journal that `after` belongs to; 409 `feed_restarted` if it has been replaced.
    #[param(max_length = 40)]
    journal_id: Option<Uuid>,
}

/// The query, checked and with its defaults.
pub(crate) struct Asked {
    pub after: i64,
    pub limit: i64,
    pub wait: Duration,
    pub journal_id: Option<Uuid>,
}

impl ReadOn {
    pub(crate) fn checked(&self) -> Result<Asked, Problem> {
        let after = self.after.unwrap_or(0);
        let limit = self.limit.unwrap_or(100);
        let wait = self.wait.unwrap_or(0);
        if after < 0 || !(1..=500).contains(&limit) || wait > 25 {
            let detail = "`after` must be 0 or more, `limit` 1 to 500, `wait` 0 to 25 seconds";
            return Err(Problem::new(problem::INVALID_QUERY, detail));
        }
        Ok(Asked {
            after,
            limit,
            wait: Duration::from_secs(wait),
            journal_id: self.journal_id,
        })
    }
}

// Routes

/// Read the journal
///
/// Entries come in order of their numbers; none is skipped or repeated. With `wait`, a request without new entries
/// waits for one.
#[get("/journal", 409, 200 = JournalPage)]
async fn read_journal(
    _by: Staff,
    req: HttpRequest,
    db: web::Data<Db>,
    query: Query<ReadOn>,
) -> Reply {
    let asked = query.checked()?;
    let give_up = tokio::time::Instant::now() + asked.wait;
    loop {
        let page = entries_after(&db, &asked).await?;
        if !page.items.is_empty() || tokio::time::Instant::now() >= give_up {
            return respond(&req, &page);
        }
        tokio::time::sleep(POLL_INTERVAL).await;
    }
}

// SQL

#[derive(Queryable)]
struct Row {
    entry_no: Option<i64>,
    r#type: String,
    at: Instant,
    on: Day,
    key_id: Option<i64>,
    stock_no: Option<i32>,
    data: Value,
}

impl Row {
    /// The entry as the interface shows it. `None`: it has no number yet.
    fn numbered(self) -> Option<Entry> {
        Some(Entry {
            entry_no: self.entry_no?,
            at: format!("{:.6}", self.at.0),
            on: self.on,
            by: match self.key_id {
                Some(id) => format!("key:{id}"),
                None if self.r#type == "readiness.changed" => "midnight".to_owned(),
                None => "outshop".to_owned(),
            },
            r#type: self.r#type,
            stock_no: self.stock_no,
            data: self.data,
        })
    }
}

async fn entries_after(db: &Db, asked: &Asked) -> Result<JournalPage, Problem> {
    let (after, limit) = (asked.after, asked.limit);
    let mut conn = db.read().await?;
    entries::number(&mut conn).await?;
    let journal_id = same_journal(&mut conn, asked.journal_id).await?;
    let rows: Vec<Row> = journal::table
        .filter(journal::entry_no.gt(after))
        .order(journal::entry_no)
        .limit(limit)
        .select((
            journal::entry_no,
            journal::type_,
            journal::at,
            journal::on_day,
            journal::key_id,
            journal::stock_no,
            journal::data,
        ))
        .load(&mut conn)
        .await?;
    let items: Vec<Entry> = rows.into_iter().filter_map(Row::numbered).collect();
    let reached = items.last().map_or(after, |entry| entry.entry_no);
    Ok(JournalPage {
        journal_id: journal_id.to_string(),
        items,
        next: format!("/v1/journal?after={reached}&limit={limit}&journal_id={journal_id}"),
    })
}

/// The journal's id; refused if the reader knows another one.
pub(crate) async fn same_journal(
    conn: &mut AsyncPgConnection,
    known: Option<Uuid>,
) -> Result<Uuid, Problem> {
    let journal_id: Uuid = journal_identity::table
        .select(journal_identity::journal_id)
        .first(conn)
        .await?;
    if known.is_some_and(|known| known != journal_id) {
        return Err(Problem::new(
            problem::FEED_RESTARTED,
            format!("the journal is now {journal_id}; read it from the start"),
        ));
    }
    Ok(journal_id)
}
