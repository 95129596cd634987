//! The tax on engines sold abroad: free, due or taken back, for the accounts.

use crate::{
    books::tax_rules::Rates,
    ground::{db::RunQueryDsl, problem::Problem, text::Text},
};
use diesel::{
    prelude::*,
    sql_types::{BigInt, Bool, Date, Integer, Nullable, Text as SqlText},
};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::codes::Jurisdiction,
    books::tax::{ExportFacts, ExportMethod, ExportTax, export_months, export_tax},
    days::{Day, DaySpan},
};
use std::collections::HashMap;

#[derive(QueryableByName)]
pub(crate) struct Row {
    #[diesel(sql_type = BigInt)]
    pub id: i64,
    #[diesel(sql_type = BigInt)]
    pub sale_id: i64,
    #[diesel(sql_type = Integer)]
    pub stock_no: i32,
    #[diesel(sql_type = SqlText)]
    pub destination: Jurisdiction,
    #[diesel(sql_type = SqlText)]
    pub method: ExportMethod,
    #[diesel(sql_type = Nullable<Date>)]
    pub left_on: Option<Day>,
    #[diesel(sql_type = Nullable<SqlText>)]
    pub evidence: Option<Text<500>>,
    #[diesel(sql_type = Nullable<Date>)]
    pub evidence_on: Option<Day>,
    #[diesel(sql_type = Bool)]
    pub used_before_leaving: bool,
    #[diesel(sql_type = Nullable<Date>)]
    pub sale_cancelled_on: Option<Day>,
    #[diesel(sql_type = Nullable<Date>)]
    pub supply_on: Option<Day>,
}

impl Row {
    pub(crate) fn tax(&self, rates: &Rates, today: Day) -> ExportTax {
        let months = self
            .supply_on
            .and_then(|on| export_months(&rates.rules, &rates.jurisdiction, on));
        let facts = ExportFacts {
            method: self.method,
            supply_on: self.supply_on,
            left_on: self.left_on,
            evidence_on: self.evidence_on,
            used_before_leaving: self.used_before_leaving,
            sale_cancelled_on: self.sale_cancelled_on,
        };
        export_tax(&facts, months, today)
    }
}

/// The row of the sale, or all rows.
pub(crate) async fn row_of(
    conn: &mut AsyncPgConnection,
    sale: Option<i64>,
) -> Result<Vec<Row>, Problem> {
    Ok(diesel::sql_query(include_str!("export_taxes/rows.sql"))
        .bind::<Nullable<BigInt>, _>(sale)
        .load(conn)
        .await?)
}

/// The tax on exported sales, as of a day.
pub(crate) struct Exports(HashMap<i64, ExportTax>);

impl Exports {
    pub(crate) async fn load(
        conn: &mut AsyncPgConnection,
        rates: &Rates,
        today: Day,
    ) -> Result<Exports, Problem> {
        let rows = row_of(conn, None).await?;
        let taxes = rows
            .iter()
            .map(|row| (row.sale_id, row.tax(rates, today)))
            .collect();
        Ok(Exports(taxes))
    }

    pub(crate) fn of(&self, sale: Option<i64>) -> Option<&ExportTax> {
        self.0.get(&sale?)
    }

    /// Whether the sale itself carries no tax.
    pub(crate) fn is_free(&self, sale: Option<i64>) -> bool {
        self.of(sale).is_some_and(ExportTax::is_free_at_the_sale)
    }

    /// The days in the span on which tax fell due or was taken back: day, sale, and whether it was taken back.
    pub(crate) fn moves_in(&self, span: DaySpan) -> Vec<(Day, i64, bool)> {
        let within = |day: &Day| span.from <= *day && *day <= span.until;
        let moves = self.0.iter().flat_map(|(sale, tax)| {
            let due = tax.due_on.filter(within).map(|on| (on, *sale, false));
            let back = tax.taken_back_on.filter(within).map(|on| (on, *sale, true));
            [due, back].into_iter().flatten()
        });
        let mut moves: Vec<(Day, i64, bool)> = moves.collect();
        moves.sort_unstable();
        moves
    }
}
