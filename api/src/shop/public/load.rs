//! Reads the published engines from the database for the shop window.

use super::{
    CardWords, PublicCard, PublicEngine, PublicFinding, PublicListing, PublicPapers,
    TranslatedTitle, availability, page_url,
};
use crate::{
    boilers::{codes, papers as boiler_papers},
    engines::{photographs, surveys::Grades},
    firm::{firm::Firm, languages::Translations},
    ground::{clock::Instant, db::RunQueryDsl, problem::Problem, text::Prose},
    schema::{engines, findings, listings, sales, stock, survey_grades, surveys},
};
use diesel::{dsl::max, prelude::*};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    boilers::{
        codes::Jurisdiction,
        paper_words::{self, Papers},
        papers::{self, Question, Sentence},
    },
    days::Day,
    engines::surveys::{Area, BuildQuality, Grade},
    money::Money,
    trade::{Availability, ListingStatus, StockStatus},
};
use rust_decimal::Decimal;
use std::collections::HashMap;
use uuid::Uuid;

/// The most findings shown for one engine.
const MOST_FINDINGS: usize = 100;
/// The most engines read at once.
const STRETCH: i64 = 2000;

/// The firm, its day and the moment for which the records are read.
#[derive(Clone)]
pub(super) struct Moment {
    pub firm: Firm,
    /// The permanent id of the Atom feed.
    pub feed_id: Uuid,
    pub today: Day,
    pub now: Instant,
}

/// A published engine, with what decides its position in a list.
pub(super) struct Loaded {
    pub listing: PublicListing,
    pub gauge_mm: Option<Decimal>,
    /// When the present reservation lapses; `None`: not reserved.
    pub reserved_until: Option<Instant>,
}

/// One joined row of a published engine.
#[derive(Queryable, Selectable)]
#[diesel(table_name = engines)]
struct Row {
    #[diesel(embed)]
    card_words: CardWords,
    #[diesel(embed)]
    texts: RowOfListing,
    #[diesel(embed)]
    engine: PublicEngine,
    #[diesel(embed)]
    trade: RowOfStock,
    has_boiler: bool,
    gauge_mm: Option<Decimal>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = listings)]
struct RowOfListing {
    description: Prose,
    translations: Translations,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = stock)]
struct RowOfStock {
    status: StockStatus,
    public_price: Option<Money>,
    boiler_id: Option<i64>,
    reserved_until: Option<Instant>,
}

/// Passes all published engines to `take` in order of stock number, some at a time: all at once they would need far
/// more memory than the result.
pub(super) async fn all(
    conn: &mut AsyncPgConnection,
    moment: &Moment,
    mut take: impl FnMut(Vec<Loaded>) -> Result<(), Problem>,
) -> Result<(), Problem> {
    let mut after = 0;
    loop {
        let rows: Vec<Row> = engines::table
            .inner_join(listings::table)
            .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
            .filter(listings::status.eq(ListingStatus::Published))
            .filter(engines::stock_no.gt(after))
            // Filter the view too: PostgreSQL carries only equalities across a join.
            .filter(stock::stock_no.gt(after))
            .order(engines::stock_no)
            .limit(STRETCH)
            .select(Row::as_select())
            .load(conn)
            .await?;
        let Some(last) = rows.last() else {
            return Ok(());
        };
        after = last.card_words.stock_no;
        take(with_the_rest(conn, rows, moment).await?)?;
    }
}

/// The published ones of these engines, in order of stock number.
pub(super) async fn some(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
    moment: &Moment,
) -> Result<Vec<Loaded>, Problem> {
    let mut loaded = Vec::new();
    for stretch in stock_nos.chunks(usize::try_from(STRETCH).unwrap_or(1)) {
        let rows: Vec<Row> = engines::table
            .inner_join(listings::table)
            .inner_join(stock::table.on(stock::stock_no.eq(engines::stock_no)))
            .filter(listings::status.eq(ListingStatus::Published))
            .filter(engines::stock_no.eq_any(stretch))
            .filter(stock::stock_no.eq_any(stretch))
            .order(engines::stock_no)
            .select(Row::as_select())
            .load(conn)
            .await?;
        loaded.extend(with_the_rest(conn, rows, moment).await?);
    }
    Ok(loaded)
}

/// Engines with withdrawn listings.
pub(super) async fn withdrawn(conn: &mut AsyncPgConnection) -> Result<Vec<i32>, Problem> {
    let taken_off = listings::table.filter(listings::status.eq(ListingStatus::Withdrawn));
    Ok(taken_off
        .select(listings::stock_no)
        .order(listings::stock_no)
        .load(conn)
        .await?)
}

/// Those of these engines with withdrawn listings.
pub(super) async fn withdrawn_of(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<Vec<i32>, Problem> {
    let taken_off = listings::table.filter(listings::status.eq(ListingStatus::Withdrawn));
    Ok(taken_off
        .filter(listings::stock_no.eq_any(stock_nos))
        .select(listings::stock_no)
        .load(conn)
        .await?)
}

/// The listings of these rows, in their order.
async fn with_the_rest(
    conn: &mut AsyncPgConnection,
    rows: Vec<Row>,
    moment: &Moment,
) -> Result<Vec<Loaded>, Problem> {
    let firm = &moment.firm;
    let stock_nos: Vec<i32> = rows.iter().map(|row| row.card_words.stock_no).collect();
    let mut conditions = conditions(conn, &stock_nos).await?;
    let mut released = released_findings(conn, &stock_nos).await?;
    let mut photographs = photographs::shown_to_visitors(conn, &stock_nos).await?;
    let sold = sold_on(conn, &stock_nos).await?;
    let boiler_ids: Vec<i64> = rows.iter().filter_map(|row| row.trade.boiler_id).collect();
    let mut papers = papers_by_boiler(conn, &boiler_ids, &firm.jurisdiction, moment.today).await?;
    let mut loaded = Vec::with_capacity(rows.len());
    for row in rows {
        let stock_no = row.card_words.stock_no;
        let papers = match (row.has_boiler, row.trade.boiler_id) {
            (false, _) => public_papers(Papers::NoBoiler, moment.today),
            (true, None) => public_papers(Papers::NotKnown, moment.today),
            (true, Some(boiler)) => papers
                .remove(&boiler)
                .unwrap_or_else(|| public_papers(Papers::NotKnown, moment.today)),
        };
        let Condition {
            build_quality,
            grades,
            graded_on,
        } = conditions.remove(&stock_no).unwrap_or_default();
        let photographs = photographs.remove(&stock_no).unwrap_or_default();
        let status =
            crate::stock::status_at(row.trade.status, row.trade.reserved_until, moment.now);
        let availability = availability(status);
        let RowOfListing {
            description,
            translations,
        } = row.texts;
        let titles = translations.0.iter().map(|it| TranslatedTitle {
            language: it.language.clone(),
            title: it.title.clone(),
        });
        let card = PublicCard {
            page_url: page_url(firm, &row.card_words.page_name),
            facts: row.card_words,
            language: firm.languages[0].clone(),
            titles: titles.collect(),
            engine: row.engine,
            build_quality,
            price: row.trade.public_price,
            price_on_request: row.trade.public_price.is_none(),
            currency: firm.currency.clone(),
            availability,
            sold_on: sold
                .get(&stock_no)
                .copied()
                .filter(|_| availability == Availability::Sold),
            photograph: <[_]>::first(&photographs).cloned(),
            papers,
        };
        loaded.push(Loaded {
            listing: PublicListing {
                card,
                description,
                translations,
                grades,
                graded_on,
                findings: released.remove(&stock_no).unwrap_or_default(),
                photographs,
            },
            gauge_mm: row.gauge_mm,
            reserved_until: row.trade.reserved_until.filter(|until| *until > moment.now),
        });
    }
    Ok(loaded)
}

/// The days on which engines were sold, without cancelled sales.
async fn sold_on(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Day>, Problem> {
    let rows: Vec<(i32, Option<Day>)> = sales::table
        .filter(sales::stock_no.eq_any(stock_nos))
        .filter(sales::sale_cancelled_on.is_null())
        .group_by(sales::stock_no)
        .select((sales::stock_no, max(sales::on_day)))
        .load(conn)
        .await?;
    Ok(rows
        .into_iter()
        .filter_map(|(stock_no, on)| Some((stock_no, on?)))
        .collect())
}

/// What the surveys say about an engine.
#[derive(Default)]
pub(crate) struct Condition {
    pub build_quality: Option<BuildQuality>,
    pub grades: Grades,
    pub graded_on: Option<Day>,
}

pub(crate) async fn condition_of(
    conn: &mut AsyncPgConnection,
    stock_no: i32,
) -> Result<Condition, Problem> {
    let mut found = conditions(conn, &[stock_no]).await?;
    Ok(found.remove(&stock_no).unwrap_or_default())
}

async fn conditions(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Condition>, Problem> {
    let qualities: Vec<(i32, Option<BuildQuality>)> = surveys::table
        .filter(surveys::stock_no.eq_any(stock_nos))
        .filter(surveys::build_quality.is_not_null())
        .distinct_on(surveys::stock_no)
        .order((
            surveys::stock_no,
            surveys::on_day.desc(),
            surveys::id.desc(),
        ))
        .select((surveys::stock_no, surveys::build_quality))
        .load(conn)
        .await?;
    let graded = survey_grades::table.filter(survey_grades::survey_id.eq(surveys::id));
    let last_graded: Vec<(i64, i32, Day)> = surveys::table
        .filter(surveys::stock_no.eq_any(stock_nos))
        .filter(diesel::dsl::exists(graded))
        .distinct_on(surveys::stock_no)
        .order((
            surveys::stock_no,
            surveys::on_day.desc(),
            surveys::id.desc(),
        ))
        .select((surveys::id, surveys::stock_no, surveys::on_day))
        .load(conn)
        .await?;
    let ids: Vec<i64> = last_graded.iter().map(|(id, ..)| *id).collect();
    let grades: Vec<(i64, Area, Grade)> = survey_grades::table
        .filter(survey_grades::survey_id.eq_any(ids))
        .select((
            survey_grades::survey_id,
            survey_grades::area,
            survey_grades::grade,
        ))
        .load(conn)
        .await?;
    let mut of_surveys = HashMap::<i64, Grades>::new();
    for (survey, area, grade) in grades {
        *of_surveys.entry(survey).or_default().of(area) = Some(grade);
    }
    let mut conditions = HashMap::<i32, Condition>::new();
    for (stock_no, build_quality) in qualities {
        conditions.entry(stock_no).or_default().build_quality = build_quality;
    }
    for (survey, stock_no, on) in last_graded {
        let condition = conditions.entry(stock_no).or_default();
        condition.graded_on = Some(on);
        condition.grades = of_surveys.remove(&survey).unwrap_or_default();
    }
    Ok(conditions)
}

async fn released_findings(
    conn: &mut AsyncPgConnection,
    stock_nos: &[i32],
) -> Result<HashMap<i32, Vec<PublicFinding>>, Problem> {
    let rows: Vec<(i32, PublicFinding)> = findings::table
        .filter(findings::stock_no.eq_any(stock_nos))
        .filter(findings::released)
        .order(findings::id.desc())
        .limit(20_000)
        .select((findings::stock_no, PublicFinding::as_select()))
        .load(conn)
        .await?;
    let mut by_engine = HashMap::<i32, Vec<PublicFinding>>::new();
    for (stock_no, finding) in rows {
        let of_engine = by_engine.entry(stock_no).or_default();
        if of_engine.len() < MOST_FINDINGS {
            of_engine.push(finding);
        }
    }
    Ok(by_engine)
}

/// What is on record about an engine's boiler certificates on a day.
pub(crate) async fn papers_of(
    conn: &mut AsyncPgConnection,
    jurisdiction: &Jurisdiction,
    has_boiler: bool,
    boiler_id: Option<i64>,
    on: Day,
) -> Result<PublicPapers, Problem> {
    if !has_boiler {
        return Ok(public_papers(Papers::NoBoiler, on));
    }
    let ids: Vec<i64> = boiler_id.into_iter().collect();
    let found = papers_by_boiler(conn, &ids, jurisdiction, on).await?;
    let of_boiler = found.into_values().next();
    Ok(of_boiler.unwrap_or_else(|| public_papers(Papers::NotKnown, on)))
}

/// What is on record about each boiler's certificates on a day.
async fn papers_by_boiler(
    conn: &mut AsyncPgConnection,
    boiler_ids: &[i64],
    jurisdiction: &Jurisdiction,
    on: Day,
) -> Result<HashMap<i64, PublicPapers>, Problem> {
    if boiler_ids.is_empty() {
        return Ok(HashMap::new());
    }
    let rules = codes::rules_of(conn, jurisdiction).await?;
    let histories = boiler_papers::histories(conn, boiler_ids).await?;
    let by_boiler = histories.into_iter().map(|history| {
        let answer = history.boiler().map(|boiler| {
            let question = Question {
                jurisdiction: jurisdiction.clone(),
                boiler,
                events: history.events,
                days: vec![on],
                period: None,
            };
            papers::answer_by_complete_tests(&question, &rules)
        });
        let clock = answer.as_ref().map_or(Papers::NotKnown, Papers::Clock);
        (history.particulars.id, public_papers(clock, on))
    });
    Ok(by_boiler.collect())
}

fn public_papers(papers: Papers<'_>, today: Day) -> PublicPapers {
    let cautions = match papers {
        Papers::NoBoiler => Vec::new(),
        Papers::NotKnown => vec![Sentence::new(paper_words::CAUTION)],
        Papers::Clock(answer) => answer.cautions.clone(),
    };
    PublicPapers {
        on: today,
        sentences: paper_words::sentences(papers, today),
        cautions,
    }
}
