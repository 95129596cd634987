//! Achieved sales that price models are fitted to: the firm's own, with the engine's records on the day of sale, and
//! comparables observed elsewhere.

use crate::{
    ground::{db::RunQueryDsl, problem::Problem},
    pricing::{
        comparables::{self, Comparable},
        pricing_facts,
    },
    schema::{acquisitions, buying_valuations as buying_valuations_table, sales},
};
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    days::Day,
    money::Money,
    pricing::{pricing_facts::Included, valuation::engine_features::EngineOnSale},
};
use std::collections::{BTreeMap, HashMap};

/// One price that was paid.
#[derive(Debug, Clone, PartialEq)]
pub struct AchievedSale {
    pub record: Record,
    pub price: Money,
    pub engine: EngineOnSale,
}

/// Where a sale is recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Record {
    Comparable(i64),
    Own { sale_id: i64, stock_no: i32 },
}

/// All sales that count on a day, ordered by day, price and record.
pub async fn load(conn: &mut AsyncPgConnection, today: Day) -> Result<Vec<AchievedSale>, Problem> {
    let observed = comparables::that_count(conn, today).await?;
    let mut found: Vec<AchievedSale> = observed.into_iter().map(AchievedSale::from).collect();
    let own = that_stand(conn, today).await?;
    let over_allowed = allowances_above_valuation(conn).await?;
    let days: BTreeMap<i32, Day> = own
        .iter()
        .map(|(_, engine, on, _)| (*engine, *on))
        .collect();
    let mut engines = pricing_facts::load(conn, &days).await?;
    found.extend(own.into_iter().filter_map(|(sale_id, stock_no, _, price)| {
        // An allowance in part exchange above the engine's value was a discount on this sale.
        let over = over_allowed.get(&sale_id).copied().unwrap_or_default();
        let price = price.checked_sub(over).ok();
        Some(AchievedSale {
            record: Record::Own { sale_id, stock_no },
            price: price.filter(|price| *price > Money::ZERO)?,
            engine: engines.remove(&stock_no)?,
        })
    }));
    found.sort_by_key(|sale| (sale.engine.on, sale.price, sale.record));
    Ok(found)
}

impl From<Comparable> for AchievedSale {
    fn from(seen: Comparable) -> AchievedSale {
        let included_items = seen.included_items.iter();
        AchievedSale {
            record: Record::Comparable(seen.id),
            price: seen.price,
            engine: EngineOnSale {
                gauge: seen.gauge,
                weight: seen.weight,
                build_quality: seen.build_quality,
                grades: seen.grades.given().into_iter().collect(),
                working_order: seen.working_order,
                papers_months_left: seen
                    .papers_months_left
                    .and_then(|months| u32::try_from(months).ok()),
                builder: seen.builder_standing,
                boiler_material: seen.boiler_material,
                fuel: seen.fuel,
                included_items: included_items
                    .map(|item| (*item, Included::Included))
                    .collect(),
                source: seen.source,
                ..EngineOnSale::of(seen.kind, seen.on)
            },
        }
    }
}

// SQL

/// The firm's own sales up to a day, without cancelled ones: id, engine, day and price.
async fn that_stand(
    conn: &mut AsyncPgConnection,
    today: Day,
) -> Result<Vec<(i64, i32, Day, Money)>, Problem> {
    Ok(sales::table
        .filter(
            sales::on_day
                .le(today)
                .and(sales::sale_cancelled_on.is_null()),
        )
        .order(sales::id)
        .select((sales::id, sales::stock_no, sales::on_day, sales::price))
        .load(conn)
        .await?)
}

/// By sale: the amount by which part-exchange allowances exceeded the likely price of the buying valuation.
async fn allowances_above_valuation(
    conn: &mut AsyncPgConnection,
) -> Result<HashMap<i64, Money>, Problem> {
    let rows: Vec<(Option<i64>, Option<Money>, Money)> = acquisitions::table
        .inner_join(buying_valuations_table::table)
        .filter(acquisitions::sale_id.is_not_null())
        .filter(acquisitions::price.gt(buying_valuations_table::likely.nullable()))
        .select((
            acquisitions::sale_id,
            acquisitions::price,
            buying_valuations_table::likely,
        ))
        .load(conn)
        .await?;
    let mut by_sale: HashMap<i64, Money> = HashMap::new();
    for (sale, allowed, likely) in rows {
        let Some((sale, allowed)) = sale.zip(allowed) else {
            continue;
        };
        let sum = by_sale.entry(sale).or_default();
        let over = allowance_above_valuation(allowed, likely).unwrap_or_default();
        *sum = sum.checked_add(over).map_err(Problem::internal)?;
    }
    Ok(by_sale)
}

/// The amount by which an allowance in part exchange exceeded the engine's likely price.
pub(crate) fn allowance_above_valuation(allowed: Money, likely: Money) -> Option<Money> {
    let over = allowed.checked_sub(likely).ok();
    over.filter(|over| *over > Money::ZERO)
}
