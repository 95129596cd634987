//! Rules of tax and cash: dated rows that are added and ended, never edited.

use crate::{
    books::tax_periods,
    firm::{
        dated_rows::{ByJurisdiction, Dated, Figure, NewEnd, RuleFilters, by_jurisdiction, dated},
        firm,
    },
    ground::{
        actor::{AnyKey, MoneyDesk},
        answers::{Found, Reply},
        body::Body,
        db::{ById, Db, RunQueryDsl, by_id},
        list::{ListQuery, Page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::Text,
    },
    schema::tax_rules,
};
use actix_web::web;
use diesel::prelude::*;
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::codes::{Jurisdiction, Mark},
    books::tax::{Percent, Scheme, TaxRule, TaxRuleKey, TaxUnit, standard_rate},
    days::Day,
    trade::TaxPosition,
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(list_tax_rules)
        .service(create_tax_rule)
        .service(get_tax_rule)
        .service(end_tax_rule);
}

// Types

/// A rule of tax or cash in one jurisdiction.
#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = tax_rules)]
#[schema(as = TaxRule, example = json!({"id": 1, "jurisdiction": "GB", "rule": "standard_rate", "value": "20", "unit": "percent",
    "from": "2011-01-04", "until": null, "source": "VAT Act 1994 s.2(1)", "confidence": "from_memory", "notes": null}))]
pub struct Row {
    pub id: i64,
    /// The jurisdiction that it applies in.
    pub jurisdiction: Jurisdiction,
    pub rule: TaxRuleKey,
    /// In `unit`; null if the unit is `yes`.
    pub value: Option<Figure>,
    pub unit: TaxUnit,
    /// First day in force; null: from the beginning.
    #[diesel(column_name = valid_from)]
    pub from: Option<Day>,
    /// Last day, inclusive; null: no end.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    /// How certain it is.
    #[diesel(column_name = mark)]
    pub confidence: Mark,
    /// The rule in a sentence.
    pub notes: Option<Text<400>>,
}

/// A tax or cash rule to add.
#[derive(Debug, Deserialize, Insertable, ToSchema)]
#[diesel(table_name = tax_rules)]
#[serde(deny_unknown_fields)]
#[schema(as = NewTaxRule, example = json!({"jurisdiction": "GB", "rule": "standard_rate", "value": "17.5", "unit": "percent",
    "from": "2027-01-01", "source": "Finance Act", "confidence": "published"}))]
pub struct NewRow {
    /// The jurisdiction that it applies in.
    pub jurisdiction: Jurisdiction,
    pub rule: TaxRuleKey,
    /// In `unit`; leave it out if the unit is `yes`.
    pub value: Option<Figure>,
    /// A unit that this rule allows.
    pub unit: TaxUnit,
    /// First day in force.
    #[diesel(column_name = valid_from)]
    pub from: Day,
    /// Last day, inclusive; null: no end.
    #[diesel(column_name = valid_until)]
    pub until: Option<Day>,
    /// Where it is published.
    pub source: Text<300>,
    /// How certain it is.
    #[diesel(column_name = mark)]
    pub confidence: Mark,
    /// The rule in a sentence.
    pub notes: Option<Text<400>>,
}

impl NewRow {
    fn check(&self) -> Result<(), Problem> {
        let units = units(self.rule);
        let named: Vec<&str> = units.iter().map(|unit| unit.as_str()).collect();
        let value = self.value.map(|value| value.0.normalize());
        let is_a_rate = value.is_none_or(|value| value.to_string().parse::<Percent>().is_ok());
        let counted = matches!(self.unit, TaxUnit::Years | TaxUnit::Months | TaxUnit::Days);
        let most_counted = if self.unit == TaxUnit::Days {
            3660
        } else {
            100
        };
        let is_a_count =
            value.is_none_or(|value| value.is_integer() && value <= most_counted.into());
        all_hold([
            (
                units.contains(&self.unit),
                "/unit",
                format!("{} must be given in {}", self.rule, named.join(" or ")),
            ),
            (
                value.is_none() == (self.unit == TaxUnit::Yes),
                "/value",
                "required, unless the unit is `yes`: then leave it out".to_owned(),
            ),
            (
                self.unit == TaxUnit::Percent || self.value.is_none_or(Figure::is_above_0),
                "/value",
                "must be above 0".to_owned(),
            ),
            (
                self.unit != TaxUnit::Percent || is_a_rate,
                "/value",
                "must be a rate from 0 to 999.99 percent with at most two places".to_owned(),
            ),
            (
                !counted || is_a_count,
                "/value",
                format!(
                    "must be a whole number of at most {most_counted} {}",
                    self.unit
                ),
            ),
            (
                self.until.is_none_or(|until| until >= self.from),
                "/until",
                "must not be before the first day".to_owned(),
            ),
        ])
    }
}

/// The units that a rule can be given in.
const fn units(rule: TaxRuleKey) -> &'static [TaxUnit] {
    match rule {
        TaxRuleKey::StandardRate => &[TaxUnit::Percent],
        TaxRuleKey::RecordsKept => &[TaxUnit::Years],
        TaxRuleKey::CashLimit => &[TaxUnit::Eur, TaxUnit::Gbp],
        TaxRuleKey::CashLinkedDays => &[TaxUnit::Days],
        TaxRuleKey::ExportMonths => &[TaxUnit::Months],
        TaxRuleKey::TaxOnTheMargin
        | TaxRuleKey::RepairsStayOutOfPurchasePrice
        | TaxRuleKey::LossIsNotSetOff
        | TaxRuleKey::TaxInvoiceShutsMarginScheme
        | TaxRuleKey::PartExchangeAtFullPrices
        | TaxRuleKey::RoundedToThePenny
        | TaxRuleKey::StockBook
        | TaxRuleKey::InvoiceWording => &[TaxUnit::Yes],
    }
}

// Routes

/// List the tax and cash rules
///
/// Rules that have ended are listed too.
#[get("/tax-rules", 200 = Page<Row>)]
async fn list_tax_rules(_by: AnyKey, list: ListQuery<RuleFilters>) -> Reply {
    Row::list(list).await
}

/// Add a tax or cash rule
///
/// If several rules apply on a date, the one with the later start date is used. A tax rate must start in the open tax
/// period.
#[post("/tax-rules", 201 = Row)]
async fn create_tax_rule(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    new: Body<NewRow>,
) -> Reply {
    new.check()?;
    db.create(&actor, &new, async |tx| {
        if new.rule == TaxRuleKey::StandardRate {
            tax_periods::period_must_be_open(tx.conn(), new.from).await?;
        }
        let row = Row::added(tx.conn(), &new).await?;
        let entry = json!({"rule_id": row.id, "rule": row.rule, "from": row.from});
        tx.record("tax_rule.created", None, entry).await?;
        Ok((format!("/v1/tax-rules/{}", row.id), row))
    })
    .await
}

/// Get a tax or cash rule
#[get("/tax-rules/{id:\\d+}", 200 = Row)]
async fn get_tax_rule(_by: AnyKey, found: Found<Row>) -> Reply {
    found.respond()
}

/// End a tax or cash rule
///
/// The rule is kept for past sales. Add its replacement as a new rule. A tax rate cannot end before the last day of the
/// closed tax periods.
#[post("/tax-rules/{id:\\d+}/end", 201 = Row)]
async fn end_tax_rule(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: Body<NewEnd>,
) -> Reply {
    let id = *id;
    db.create(&actor, &new, async |tx| {
        let current = Row::lock(tx.conn(), id).await?;
        current.may_end(&new)?;
        if current.rule == TaxRuleKey::StandardRate {
            tax_periods::period_must_be_open(tx.conn(), new.until.plus_days(1)).await?;
        }
        let ended = Row::ended(tx.conn(), id, &new).await?;
        let entry = json!({"rule_id": id, "until": new.until});
        tx.record("tax_rule.ended", None, entry).await?;
        Ok((format!("/v1/tax-rules/{id}"), ended))
    })
    .await
}

// SQL

by_id!(Row, tax_rules, "there is no tax rule {id}");
by_jurisdiction!(Row, tax_rules);
dated!(Row, tax_rules, NewRow);

/// The tax rates of the firm's jurisdiction, day by day.
pub(crate) struct Rates {
    pub(crate) jurisdiction: Jurisdiction,
    pub(crate) rules: Vec<TaxRule>,
}

impl Rates {
    pub(crate) async fn load(conn: &mut AsyncPgConnection) -> Result<Rates, Problem> {
        let jurisdiction = firm::find(conn).await?.jurisdiction;
        let rules = of(conn, &jurisdiction).await?;
        Ok(Rates {
            jurisdiction,
            rules,
        })
    }

    /// The standard rate on the day; 0 if the scheme charges no tax.
    pub(crate) fn on(&self, scheme: Scheme, on: Day) -> Result<Percent, Problem> {
        match scheme {
            Scheme::None => Ok(Percent::ZERO),
            Scheme::Margin | Scheme::Ordinary => self.standard(on),
        }
    }

    /// The rate on a commission; 0 if the firm is not registered.
    pub(crate) fn of_commission(&self, position: TaxPosition, on: Day) -> Result<Percent, Problem> {
        match position {
            TaxPosition::NotRegistered => Ok(Percent::ZERO),
            TaxPosition::CommissionInOwnersName
            | TaxPosition::CommissionInOwnName
            | TaxPosition::MarginScheme
            | TaxPosition::OrdinaryVat => self.standard(on),
        }
    }

    pub(crate) fn standard(&self, on: Day) -> Result<Percent, Problem> {
        standard_rate(&self.rules, &self.jurisdiction, on).ok_or_else(|| {
            Problem::conflict(format!(
                "there is no standard rate for {} on {on}; add one at /v1/tax-rules",
                self.jurisdiction,
                on = on.in_words()
            ))
        })
    }
}

/// All rows of a jurisdiction, for core.
pub(crate) async fn of(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
) -> Result<Vec<TaxRule>, Problem> {
    let rules = Row::of(conn, jurisdiction)
        .await?
        .into_iter()
        .map(|row| TaxRule {
            jurisdiction: row.jurisdiction,
            rule: row.rule,
            value: row.value.map(|value| value.0),
            unit: row.unit,
            valid_from: row.from,
            valid_until: row.until,
            source: row.source.to_string(),
            mark: row.confidence,
            notes: row.notes.map(|notes| notes.to_string()),
        });
    Ok(rules.collect())
}
