//! Commissions: what the firm keeps of the price of an engine on commission, and what it pays the owner.

use crate::{
    books::{
        cash_rule::{self, Trade},
        tax_periods,
        tax_rules::Rates,
    },
    firm::{
        firm,
        sheets::{self, Sheet},
    },
    ground::{
        actor::MoneyDesk,
        answers::{Found, Reply},
        body::KeyedBody,
        clock::Instant,
        db::{Db, RunQueryDsl, by_id},
        list::{Keyset, ListQuery, Page, of_page},
        operations::Operations,
        problem::{Problem, all_hold},
        text::{Code, Html, Text},
    },
    schema::payouts,
    selling::{
        invoices::{self, Party},
        sales::{self, Sale},
    },
    stock,
};
use actix_web::{HttpRequest, web};
use diesel::{dsl::sum, prelude::*};
use diesel_async::AsyncPgConnection;
use outshop_core::{
    books::{
        costs::commission,
        tax::{CashPayment, Percent},
    },
    days::Day,
    money::Money,
    trade::{PaymentMethod, TaxPosition},
};
use outshop_operation::{get, post};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;

pub fn routes(cfg: &mut Operations<'_>) {
    cfg.tagged("money")
        .service(get_commission)
        .service(list_payouts)
        .service(record_payout)
        .service(get_payout);
}

// Types

/// The statement for the owner of an engine that was sold on commission.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "stock_no": 10, "owner_id": 12, "on": "2026-05-14", "sale_cancelled_on": null, "price": "5400.00", "reserve": "5000.00",
    "tax_position": "commission_in_owners_name", "commission_percent": "8", "commission_fixed": null, "commission": "432.00",
    "rate_percent": "20", "vat": "86.40", "payout_due": "4881.60", "paid_out": "0.00", "still_due": "4881.60",
    "paid_by_buyer": "600.00"}))]
pub struct Commission {
    pub sale_id: i64,
    pub stock_no: i32,
    pub owner_id: Option<i64>,
    /// The day of the sale.
    pub on: Day,
    /// The day on which the sale was cancelled; then nothing is payable, and the owner pays back what was paid. Null:
    /// not cancelled.
    pub sale_cancelled_on: Option<Day>,
    pub price: Money,
    /// The lowest price that the owner accepts; null: none was agreed.
    pub reserve: Option<Money>,
    pub tax_position: TaxPosition,
    /// Percentage of the price including tax; null: none was agreed.
    pub commission_percent: Option<Percent>,
    /// A fixed sum, net of tax; null: none was agreed.
    pub commission_fixed: Option<Money>,
    /// Percentage of the price, rounded to the penny (half up), plus the fixed sum; net of tax.
    pub commission: Money,
    /// The standard rate on the day of the sale; 0 if the firm is not registered.
    pub rate_percent: Percent,
    /// Tax on the commission. Where the firm sells in its own name, this is the tax within its margin, and no invoice
    /// shows it.
    pub vat: Money,
    /// Price less commission and its tax; below 0: the owner owes the firm.
    pub payout_due: Money,
    /// What the owner was paid, less what came back.
    pub paid_out: Money,
    /// `payout_due` less `paid_out`.
    pub still_due: Money,
    /// What the buyer has paid so far.
    pub paid_by_buyer: Money,
}

/// The statement that the owner is sent.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"sale_id": 31, "stock_no": 10, "owner_id": 12, "on": "2026-05-14", "sale_cancelled_on": null, "price": "5400.00", "reserve": "5000.00",
    "tax_position": "commission_in_owners_name", "commission_percent": "8", "commission_fixed": null, "commission": "432.00",
    "rate_percent": "20", "vat": "86.40", "payout_due": "4881.60", "paid_out": "0.00", "still_due": "4881.60",
    "paid_by_buyer": "600.00", "owner": {"name": "Odo Fenwright", "address": "4 Quillow Lane, Marrow"},
    "description": "Marrowby, a 5 in gauge 0-6-0 built by J. Thackwell in 1998", "currency": "GBP", "vat_number": null, "payouts": []}))]
pub struct CommissionStatement {
    #[serde(flatten)]
    pub commission: Commission,
    pub owner: Option<Party>,
    pub description: Text<400>,
    /// ISO 4217.
    pub currency: Code,
    /// The firm's VAT number; null: not recorded, or the firm is not registered.
    pub vat_number: Option<Code>,
    /// What the owner has been paid.
    #[schema(max_items = 1000)]
    pub payouts: Vec<Payout>,
}

#[derive(Debug, Clone, Serialize, Queryable, Selectable, ToSchema)]
#[diesel(table_name = payouts)]
#[schema(example = json!({"id": 8, "sale_id": 31, "on": "2026-05-14", "amount": "4881.60", "method": "transfer", "notes": null}))]
pub struct Payout {
    pub id: i64,
    pub sale_id: i64,
    #[diesel(column_name = on_day)]
    pub on: Day,
    /// Paid to the owner; below 0: came back.
    pub amount: Money,
    pub method: PaymentMethod,
    pub notes: Option<Text<1000>>,
}

#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"on": "2026-05-14", "amount": "4881.60", "method": "transfer"}))]
pub struct NewPayout {
    /// From the day of the sale to today, in an open tax period.
    pub on: Day,
    /// Paid to the owner; below 0: came back. Never 0.
    pub amount: Money,
    /// Not `part_exchange`.
    pub method: PaymentMethod,
    /// Pays the owner before the buyer has paid the whole price. Default: false.
    #[serde(default)]
    pub before_buyer_paid: bool,
    /// The proprietor knows that cash at the legal limit requires registration first. Default: false.
    #[serde(default)]
    pub cash_limit_acknowledged: bool,
    pub notes: Option<Text<1000>>,
}

impl NewPayout {
    fn check(&self, sold_on: Day, today: Day) -> Result<(), Problem> {
        let early = format!(
            "must not be before the day of the sale, {sold_on}",
            sold_on = sold_on.in_words()
        );
        all_hold([
            (self.on <= today, "/on", "must not be in the future"),
            (self.on >= sold_on, "/on", early.as_str()),
            (self.amount != Money::ZERO, "/amount", "must not be 0"),
            (
                self.method != PaymentMethod::PartExchange,
                "/method",
                "an owner is paid in money; use any other method",
            ),
        ])
    }
}

// Routes

/// Read the statement for the owner of an engine that was sold on commission
///
/// Not for sellers, as the payment to the owner takes the place of a purchase price. With `Accept: text/html` this is
/// a sheet to print.
#[get("/sales/{id:\\d+}/commission", 409, 200(content((CommissionStatement = "application/json"), (Html = "text/html"))),
    params(("id" = i64, Path, example = 4, minimum = 1)))]
async fn get_commission(
    MoneyDesk(actor): MoneyDesk,
    req: HttpRequest,
    db: web::Data<Db>,
    id: web::Path<i64>,
) -> Reply {
    let mut conn = db.read().await?;
    let statement = statement_of(&mut conn, *id).await?;
    let now = Instant(actor.now);
    sheets::respond(&req, &mut conn, Sheet::Commission, &statement, now).await
}

/// List the payments to the owner of an engine that was sold on commission
#[get("/sales/{id:\\d+}/payouts", 200 = Page<Payout>, params(("id" = i64, Path, example = 4, minimum = 1)))]
async fn list_payouts(_by: MoneyDesk, id: web::Path<i64>, list: ListQuery) -> Reply {
    let id = *id;
    sales::find(&mut *list.conn().await?, id).await?;
    let rows = move |page: &Keyset| {
        let rows = payouts::table
            .filter(payouts::sale_id.eq(id))
            .select(Payout::as_select());
        of_page!(page, rows, payouts::id)
    };
    list.rows(rows, |it: &Payout| it.id).await
}

/// Record a payment to the owner of an engine that was sold on commission
///
/// Refused (409) if it is more than is due to the owner, or if the buyer still has to pay part of the price and
/// `before_buyer_paid` is not set.
#[post("/sales/{id:\\d+}/payouts", 201 = Payout, params(("id" = i64, Path, example = 4, minimum = 1)))]
async fn record_payout(
    MoneyDesk(actor): MoneyDesk,
    db: web::Data<Db>,
    id: web::Path<i64>,
    new: KeyedBody<NewPayout>,
) -> Reply {
    db.create(&actor, &new, async |tx| {
        let sale = sales::locked(tx, *id).await?;
        let statement = of_sale(tx.conn(), &sale).await?;
        new.check(sale.terms.on, actor.today)?;
        tax_periods::period_must_be_open(tx.conn(), new.on).await?;
        let paid = statement.paid_out.checked_add(new.amount);
        let most = statement.payout_due.max(Money::ZERO);
        if !paid.is_ok_and(|paid| (Money::ZERO..=most).contains(&paid)) {
            return Err(Problem::conflict(if new.amount.is_negative() {
                format!("only {} was paid out; send that or less", statement.paid_out)
            } else {
                let still = statement.still_due.max(Money::ZERO);
                format!("only {still} is still due to the owner; send that or less")
            }));
        }
        if sale.balance > Money::ZERO && !new.amount.is_negative() && !new.before_buyer_paid {
            return Err(Problem::conflict(format!(
                "the buyer still has to pay {}; pay the owner after that, or set before_buyer_paid",
                sale.balance
            )));
        }
        let trade = Trade {
            person: statement.owner_id,
            sale: Some(*id),
            ..Trade::default()
        };
        let coming = CashPayment {
            on: new.on,
            amount: new.amount,
            method: new.method,
            notes_into_bank: false,
        };
        cash_rule::must_be_below(tx, &trade, &coming, new.cash_limit_acknowledged).await?;
        let payout: Payout = diesel::insert_into(payouts::table)
            .values((
                payouts::sale_id.eq(*id),
                payouts::on_day.eq(new.on),
                payouts::amount.eq(new.amount),
                payouts::method.eq(new.method),
                payouts::notes.eq(&new.notes),
            ))
            .returning(Payout::as_returning())
            .get_result(tx.conn())
            .await?;
        let entry = json!({"sale_id": *id, "payout_id": payout.id, "amount": payout.amount,
            "before_buyer_paid": new.before_buyer_paid, "cash_limit_acknowledged": new.cash_limit_acknowledged});
        tx.record("owner.paid", Some(sale.terms.stock_no), entry)
            .await?;
        Ok((format!("/v1/payouts/{}", payout.id), payout))
    })
    .await
}

/// Read a payment to an owner
#[get("/payouts/{id:\\d+}", 200 = Payout)]
async fn get_payout(_by: MoneyDesk, found: Found<Payout>) -> Reply {
    found.respond()
}

// SQL

by_id!(Payout, payouts, "there is no payout {id}");

pub(crate) async fn statement_of(
    conn: &mut AsyncPgConnection,
    sale_id: i64,
) -> Result<CommissionStatement, Problem> {
    let sale = sales::find(conn, sale_id).await?;
    let commission = of_sale(conn, &sale).await?;
    let firm = firm::find(conn).await?;
    let owner = match commission.owner_id {
        Some(owner) => Some(invoices::party(conn, owner).await?),
        None => None,
    };
    let registered = commission.tax_position != TaxPosition::NotRegistered;
    Ok(CommissionStatement {
        owner,
        description: invoices::description(conn, commission.stock_no).await?,
        currency: firm.currency,
        vat_number: firm.vat_number.filter(|_| registered),
        payouts: payouts::table
            .filter(payouts::sale_id.eq(sale_id))
            .select(Payout::as_select())
            .order(payouts::id)
            .limit(1000)
            .load(conn)
            .await?,
        commission,
    })
}

/// The statement so far, at the rate on the day of the sale.
pub(crate) async fn of_sale(
    conn: &mut AsyncPgConnection,
    sale: &Sale,
) -> Result<Commission, Problem> {
    let terms = &sale.terms;
    let agreed = stock::EngineState::read(conn, terms.stock_no)
        .await?
        .agreed();
    let agreed = agreed.ok_or_else(|| {
        Problem::not_found(format!(
            "the engine of sale {} is not on commission; it has no owner to pay",
            terms.id
        ))
    })?;
    let rates = Rates::load(conn).await?;
    let rate_percent = rates.of_commission(agreed.tax_position, terms.on)?;
    let mut made = commission(
        terms.price,
        agreed.terms(),
        agreed.tax_position,
        rate_percent,
    )?;
    if terms.sale_cancelled_on.is_some() {
        (made.commission, made.vat, made.payout_due) = <(Money, Money, Money)>::default();
    }
    let paid_out: Option<Money> = payouts::table
        .filter(payouts::sale_id.eq(terms.id))
        .select(sum(payouts::amount))
        .get_result(conn)
        .await?;
    let paid_out = paid_out.unwrap_or_default();
    Ok(Commission {
        sale_id: terms.id,
        stock_no: terms.stock_no,
        owner_id: agreed.owner,
        on: terms.on,
        sale_cancelled_on: terms.sale_cancelled_on,
        price: terms.price,
        reserve: agreed.reserve,
        tax_position: agreed.tax_position,
        commission_percent: agreed.terms().percent,
        commission_fixed: agreed.terms().fixed,
        commission: made.commission,
        rate_percent,
        vat: made.vat,
        payout_due: made.payout_due,
        paid_out,
        still_due: made
            .payout_due
            .checked_sub(paid_out)
            .map_err(Problem::internal)?,
        paid_by_buyer: sale.paid,
    })
}
