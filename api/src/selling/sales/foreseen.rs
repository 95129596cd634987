//! What a sale earns, and which promised dates it endangers.

use super::Sale;
use crate::{
    enquiring::promises::{self, Promise},
    ground::problem::Problem,
    pricing::margins::{self, ProfitQuestion},
    workshop::readiness,
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::readiness::{Check, Gate},
    books::costs::ProfitAtPrice,
    days::Day,
};
use serde::Serialize;
use utoipa::ToSchema;

/// A sale with its profit and the promises that it endangers, for those who may read the profit.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"id": 31, "stock_no": 10, "invoice_no": 30, "on": "2026-05-14", "price": "7600.00", "person_id": 12,
    "buyer_abroad": false, "at_distance": false, "buyer_is_consumer": true, "informed_of_cancellation_on": null,
    "cancelled_on": null, "collection_offered": false, "proof_of_sending_on": null, "refund_agreed_on": null, "value_changed_on": null,
    "papers_acknowledged_on": null, "promised_on": "2026-05-30", "owner_agreed_on": null, "sale_cancelled_on": null,
    "notes": null, "confirmed": [], "paid": "600.00", "kept": null, "balance": "7000.00", "taken_in": [],
    "profit": {"price": "7600.00", "tax": "566.67", "selling_cost": "0.00", "profit": "2833.33"}, "promises_in_danger": [],
    "papers_that_end": [{"paper": "steam_paper", "valid_until": "2026-05-20"}]}))]
pub struct SaleForeseen {
    #[serde(flatten)]
    pub sale: Sale,
    /// The price less tax and all costs, costs to come included, as the records are today. Null: the records do not
    /// allow it to be calculated, or the sale is cancelled.
    pub profit: Option<ProfitAtPrice>,
    /// Dates promised for the engine, the one of the sale included, that may not be met.
    #[schema(max_items = 100)]
    pub promises_in_danger: Vec<Promise>,
    /// Papers that are valid today and expire before the day promised to the buyer.
    #[schema(max_items = 20)]
    pub papers_that_end: Vec<PaperThatEnds>,
}

#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PaperThatEnds {
    /// The check of the deliver gate that needs this paper.
    pub paper: Check,
    /// Last day on which it is valid.
    pub valid_until: Day,
}

/// For a sale made in this transaction.
pub(super) async fn of_new(
    conn: &mut AsyncPgConnection,
    sale: Sale,
    reckoning: Option<ProfitQuestion>,
    today: Day,
) -> Result<SaleForeseen, Problem> {
    let promised_on = sale.terms.promised_on;
    foreseen(conn, sale, reckoning, promised_on, today).await
}

pub(super) async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale: Sale,
    today: Day,
) -> Result<SaleForeseen, Problem> {
    let terms = &sale.terms;
    if terms.sale_cancelled_on.is_some() {
        return Ok(SaleForeseen {
            sale,
            profit: None,
            promises_in_danger: Vec::new(),
            papers_that_end: Vec::new(),
        });
    }
    let reckoning = margins::known_reckoning(conn, terms.stock_no, today).await?;
    let promised = crate::stock::promise_of(conn, terms.stock_no).await?;
    foreseen(conn, sale, reckoning, promised.map(|(_, on)| on), today).await
}

/// `promised_on`: `None` once the engine has left.
async fn foreseen(
    conn: &mut AsyncPgConnection,
    sale: Sale,
    reckoning: Option<ProfitQuestion>,
    promised_on: Option<Day>,
    today: Day,
) -> Result<SaleForeseen, Problem> {
    let terms = &sale.terms;
    let papers_that_end = match promised_on {
        None => Vec::new(),
        Some(promised_on) => {
            let now = readiness::answer(conn, terms.stock_no, Gate::Deliver, today).await?;
            let ends = now.checks.into_iter().filter_map(|check| {
                let valid_until = check.valid_until.filter(|until| *until < promised_on)?;
                Some(PaperThatEnds {
                    paper: check.check,
                    valid_until,
                })
            });
            ends.collect()
        }
    };
    let profit = reckoning.map(|reckoning| reckoning.at(terms.price));
    Ok(SaleForeseen {
        profit: profit.transpose()?,
        promises_in_danger: promises::in_danger_of(conn, terms.stock_no, today).await?,
        papers_that_end,
        sale,
    })
}
