//! The accounts that amounts are booked to, with the firm's own numbers and names.

use crate::{
    ground::{
        actor::MoneyDesk,
        answers::{Reply, respond},
        body::Patch,
        db::{Db, RunQueryDsl},
        list::{Keyset, ListQuery, Page},
        operations::Operations,
        problem::Problem,
        text::{Code, Line},
    },
    schema::accounts,
};
use actix_web::{HttpRequest, web};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::books::costs::Account;
use outshop_operation::{get, patch};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::collections::HashMap;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_accounts)
        .service(get_account)
        .service(change_account);
}

// Types

/// An account with the firm's own number and name; null until the firm sets them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = accounts)]
#[schema(example = json!({"account": "stock", "number": "STOCK", "name": "Engines in stock"}))]
pub struct NamedAccount {
    pub account: Account,
    /// The firm's own account number.
    pub number: Option<Code>,
    /// The firm's own account name.
    pub name: Option<Line>,
}

/// Several accounts may have the same number.
#[derive(Debug, Deserialize, AsChangeset, ToSchema)]
#[diesel(table_name = accounts, treat_none_as_null = true)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"number": "STOCK", "name": "Engines in stock"}))]
pub struct AccountPatch {
    /// The firm's own account number; null removes it.
    pub number: Option<Code>,
    /// The firm's own account name; null removes it.
    pub name: Option<Line>,
}

// Routes

/// List the accounts
#[get("/accounts", 200 = Page<NamedAccount>)]
async fn list_accounts(_by: MoneyDesk, list: ListQuery) -> Reply {
    let fetch = async |conn: &mut AsyncPgConnection, page: Keyset| {
        let mut named = names(conn).await?;
        let skipped = page.after_id().map_or(Ok(0), usize::try_from);
        let limit = usize::try_from(page.limit).unwrap_or(usize::MAX);
        let listed = Account::ALL.iter().skip(skipped.unwrap_or(usize::MAX));
        let taken = listed
            .take(limit)
            .map(|account| taken(&mut named, *account));
        Ok(taken.collect())
    };
    list.answer(fetch, |named: &NamedAccount| place(named.account))
        .await
}

/// Get an account
#[get("/accounts/{account}", 200 = NamedAccount, params(("account" = Account, Path, example = "stock")))]
async fn get_account(
    _by: MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    account: web::Path<String>,
) -> Reply {
    let account = read(&account)?;
    let mut named = names(&mut *db.read().await?).await?;
    respond(&req, &taken(&mut named, account))
}

/// Set the firm's own number and name of an account
#[patch("/accounts/{account}", 200 = NamedAccount, params(("account" = Account, Path, example = "stock")))]
async fn change_account(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    account: web::Path<String>,
    patch: Patch<AccountPatch>,
) -> Reply {
    let account = read(&account)?;
    db.change(&actor, &req, async |tx| {
        diesel::insert_into(accounts::table)
            .values(accounts::account.eq(account))
            .on_conflict_do_nothing()
            .execute(tx.conn())
            .await?;
        let current: NamedAccount = accounts::table
            .find(account)
            .select(NamedAccount::as_select())
            .for_update()
            .first(tx.conn())
            .await?;
        let change = patch.merged(&current)?;
        if patch.is_empty() {
            tx.unchanged();
            return Ok(current);
        }
        let changed: NamedAccount = diesel::update(accounts::table.find(account))
            .set(&change)
            .returning(NamedAccount::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"account": account, "members": patch.members()});
        tx.record("account.changed", None, entry).await?;
        Ok(changed)
    })
    .await
}

fn read(account: &str) -> Result<Account, Problem> {
    account.parse().map_err(|wrong| {
        Problem::not_found(format!(
            "there is no such account: {wrong}; GET /v1/accounts lists them"
        ))
    })
}

/// Position in the list of accounts, from 1.
fn place(account: Account) -> i64 {
    let mut places = (1..).zip(Account::ALL);
    let found = places.find(|(_, listed)| **listed == account);
    found.map_or(0, |(place, _)| place)
}

fn taken(named: &mut HashMap<Account, NamedAccount>, account: Account) -> NamedAccount {
    named.remove(&account).unwrap_or(NamedAccount {
        account,
        number: None,
        name: None,
    })
}

// SQL

/// The accounts with a number or a name of the firm's own.
pub(crate) async fn names(
    conn: &mut AsyncPgConnection,
) -> Result<HashMap<Account, NamedAccount>, Problem> {
    let rows: Vec<NamedAccount> = accounts::table
        .select(NamedAccount::as_select())
        .load(conn)
        .await?;
    Ok(rows.into_iter().map(|row| (row.account, row)).collect())
}
