//! Journal entries: their types, and the numbers that they get after commit.

use crate::{
    ground::{
        db::{RunQueryDsl, SingleRunner, pg_try_advisory_xact_lock},
        problem::Problem,
    },
    schema::journal,
};
use diesel::prelude::*;
use diesel_async::{AnsiTransactionManager, AsyncPgConnection, TransactionManager};

/// All types of entry.
pub const TYPES: &[&str] = &[
    "account.changed",
    "acquisition.tax_position_changed",
    "back_test.created",
    "back_test.done",
    "boiler.created",
    "boiler.certified",
    "boiler.changed",
    "boiler.installed",
    "boiler.pressure_changed",
    "boiler.removed",
    "boiler.tested",
    "boiler_code.created",
    "boiler_code.rule_created",
    "boiler_code.rule_ended",
    "comparable.created",
    "comparable.withdrawn",
    "comparables.imported",
    "complaint.changed",
    "complaint.created",
    "cost.created",
    "cost.reversed",
    "days_off.created",
    "days_off.deleted",
    "deposit.received",
    "deposit.returned",
    "engine.acquired",
    "buying_valuation.created",
    "engine.changed",
    "engine.delivered",
    "engine.disposed_of",
    "engine.checklist_unticked",
    "engine.checklist_ticked",
    "engine.priced",
    "engine.priced_as_it_stands",
    "engine.returned",
    "engine.sold",
    "engine.surveyed",
    "engine.valued",
    "enquiry.changed",
    "enquiry.closed",
    "enquiry.created",
    "exchange_rate.created",
    "export.changed",
    "export.created",
    "finding.changed",
    "firm.changed",
    "price_model.created",
    "fitter.created",
    "fitter.changed",
    "price_scale.created",
    "owner_note.changed",
    "owner_note.deleted",
    "owner_note.created",
    "hour_rate.created",
    "inspector_visit.created",
    "inspector_visit.deleted",
    "job.agreed",
    "job.started",
    "job.called_off",
    "job.changed",
    "job.finished",
    "job.hours_booked",
    "job.line_reversed",
    "job.parts_used",
    "job.proposed",
    "key.created",
    "key.revoked",
    "key.rotated",
    "listing.changed",
    "listing.discarded",
    "listing.created",
    "listing.published",
    "listing.withdrawn",
    "offer.answered",
    "offer.created",
    "owner.paid",
    "owner.notified",
    "payment.created",
    "person.created",
    "person.changed",
    "person.erased",
    "photograph.created",
    "photograph.changed",
    "photograph.removed",
    "photographs.ordered",
    "plan.created",
    "checklist_item.created",
    "checklist_item.changed",
    "checklist_item.deleted",
    "promise.ended",
    "promise.created",
    "public.changed",
    "public.removed",
    "public.shown",
    "readiness.changed",
    "gate_settings.changed",
    "reservation.extended",
    "reservation.fulfilled",
    "reservation.lapsed",
    "reservation.created",
    "reservation.next_in_line",
    "reservation.queue_ended",
    "reservation.queued",
    "reservation.released",
    "reservation.notified",
    "sale.cancelled",
    "sale.changed",
    "statutory_period.created",
    "statutory_period.ended",
    "closing_stock.created",
    "supplier.paid",
    "support_note.answered",
    "support_note.created",
    "tax_period.closed",
    "tax_rule.created",
    "tax_rule.ended",
    "test_costs.changed",
    "wants.matched",
    "webhook.changed",
    "webhook.deleted",
    "webhook.created",
    "webhook.redelivered",
    "webhook.secret_changed",
    "webhook.switched_off",
    "webhook.test",
    "webhook.tried",
];

/// Whether it is an entry type (`engine.sold`) or its first part (`engine`).
pub fn is_type_or_beginning(asked: &str) -> bool {
    TYPES
        .iter()
        .any(|known| *known == asked || known.split('.').next() == Some(asked))
}

/// Whether an entry of that type may change every public listing: each shows the firm's details and what the boiler
/// code requires. Other entries only change the listing of their engine.
pub fn is_of_all_engines(what: &str) -> bool {
    what.starts_with("firm.") || what.starts_with("boiler_code.")
}

/// The sequencer: numbers the entries whose transactions have ended. One process runs it at a time, others skip.
///
/// It only sees committed entries, so an entry that commits late gets a later number and no reader can miss it. The
/// lock is taken in its own statement: the numbering snapshot must start after the last holder committed.
pub async fn number(conn: &mut AsyncPgConnection) -> Result<(), Problem> {
    let waiting = journal::table.filter(journal::entry_no.is_null());
    if !diesel::select(diesel::dsl::exists(waiting))
        .get_result::<bool>(conn)
        .await?
    {
        return Ok(());
    }
    AnsiTransactionManager::begin_transaction(conn).await?;
    let done = async {
        let turn = diesel::select(pg_try_advisory_xact_lock(SingleRunner::Numbering.key()))
            .get_result::<bool>(conn)
            .await?;
        if turn {
            diesel::sql_query(include_str!("entries/number.sql"))
                .execute(conn)
                .await?;
        }
        Ok::<_, diesel::result::Error>(())
    }
    .await;
    match done {
        Ok(()) => Ok(AnsiTransactionManager::commit_transaction(conn).await?),
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            Err(error.into())
        }
    }
}

/// The last entry number; 0 if there is none.
pub(crate) async fn last_entry_no(conn: &mut AsyncPgConnection) -> Result<i64, Problem> {
    let last: Option<i64> = journal::table
        .select(diesel::dsl::max(journal::entry_no))
        .first(conn)
        .await?;
    Ok(last.unwrap_or(0))
}
