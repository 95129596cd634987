//! Random trades against a plain model: whatever is done in whatever order, where engines stand, what they cost, what the books
//! say and which gates are open follow from the acts alone.

use crate::{
    harness::{Answer, Shop, text},
    make::{self, with},
};
use outshop_core::{days::Day, money::Money};
use proptest::{prelude::*, test_runner::Config};
use serde_json::{Value, json};

/// An act on one of the engines, chosen by a number; many do not fit where the engine stands, and have to be refused.
#[derive(Debug, Clone, Copy)]
enum Act {
    Buy { pounds: u16 },
    Spend { which: usize, pounds: u16 },
    Tick { which: usize },
    Sell { which: usize, pounds: u16 },
    Pay { which: usize },
    PayBack { which: usize },
    Deliver { which: usize },
    Return { which: usize },
    CallOff { which: usize },
    Scrap { which: usize },
    Sleep { days: u8 },
}

fn act() -> impl Strategy<Value = Act> {
    let which = || 0..4_usize;
    prop_oneof![
        2 => (100..9000_u16).prop_map(|pounds| Act::Buy { pounds }),
        2 => (which(), 1..500_u16).prop_map(|(which, pounds)| Act::Spend { which, pounds }),
        4 => which().prop_map(|which| Act::Tick { which }),
        4 => (which(), 100..9000_u16).prop_map(|(which, pounds)| Act::Sell { which, pounds }),
        4 => which().prop_map(|which| Act::Pay { which }),
        2 => which().prop_map(|which| Act::PayBack { which }),
        5 => which().prop_map(|which| Act::Deliver { which }),
        3 => which().prop_map(|which| Act::Return { which }),
        2 => which().prop_map(|which| Act::CallOff { which }),
        1 => which().prop_map(|which| Act::Scrap { which }),
        2 => (1..9_u8).prop_map(|days| Act::Sleep { days }),
    ]
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stands {
    InStock,
    Sold,
    Delivered,
    Gone,
}

/// All that the model knows of an engine, in pounds.
#[derive(Debug)]
struct Engine {
    stock_no: i64,
    stands: Stands,
    cost: i64,
    ticked: bool,
    /// The last sale: id, price, and what of it is paid.
    sale: Option<(i64, i64, i64)>,
    n_undone: usize,
}

impl Engine {
    fn word(&self) -> &'static str {
        match self.stands {
            Stands::InStock => "in_stock",
            Stands::Sold => "sold",
            Stands::Delivered => "delivered",
            Stands::Gone => "gone",
        }
    }

    fn may_leave(&self) -> bool {
        let paid = self.sale.is_some_and(|(_, price, paid)| paid == price);
        self.stands == Stands::Sold && paid && self.ticked
    }

    /// The sale is undone, and what was made ready for it counts no more.
    fn comes_back(&mut self) {
        self.stands = Stands::InStock;
        self.ticked = false;
        self.n_undone += 1;
    }
}

struct Play {
    shop: Shop,
    buyer: i64,
    today: Day,
    engines: Vec<Engine>,
    bank: i64,
}

fn pounds(amount: i64) -> String {
    format!("{amount}.00")
}

impl Play {
    async fn open() -> Play {
        let shop = Shop::open().await;
        let buyer = shop.post("/v1/persons", &make::person()).await;
        Play {
            buyer: buyer.created().id(),
            today: crate::harness::TODAY.parse().expect("a day"),
            shop,
            engines: Vec::new(),
            bank: 0,
        }
    }

    async fn post(&self, path: &str, body: Value) -> Answer {
        let body = with(body, &json!({"on": self.today}));
        self.shop.post(path, &body).await
    }

    /// Asserts that the answer is as the model says.
    #[track_caller]
    fn judged(answer: Answer, fits: bool, act: Act) -> Option<Answer> {
        assert_eq!(answer.status == 201, fits, "{act:?}: {}", answer.text);
        assert!(
            matches!(answer.status, 201 | 409),
            "{act:?}: {}",
            answer.text
        );
        fits.then_some(answer)
    }

    async fn does(&mut self, act: Act) {
        match act {
            Act::Sleep { days } => {
                self.today = self.today.plus_days(i32::from(days));
                self.shop.set_day(&self.today.to_string());
            }
            Act::Buy { pounds } => self.buys(i64::from(pounds)).await,
            Act::Spend { which, .. }
            | Act::Tick { which }
            | Act::Sell { which, .. }
            | Act::Pay { which }
            | Act::PayBack { which }
            | Act::Deliver { which }
            | Act::Return { which }
            | Act::CallOff { which }
            | Act::Scrap { which } => {
                if !self.engines.is_empty() {
                    let which = which % self.engines.len();
                    self.does_to(which, act).await;
                }
            }
        }
    }

    async fn buys(&mut self, price: i64) {
        if self.engines.len() == 4 {
            return;
        }
        let engine = with(make::engine(), &json!({"has_boiler": false}));
        let came = with(make::acquisition(&engine), &json!({"price": pounds(price)}));
        let came = self.post("/v1/acquisitions", came).await.created();
        let stock_no = came.body["stock_no"].as_i64().expect("a number");
        let survey = json!({"surveyor": "Edda Morlock", "build_quality": "fine", "grades": {"motion": "fair"}, "findings": []});
        let path = format!("/v1/engines/{stock_no}/surveys");
        self.post(&path, survey).await.created();
        self.engines.push(Engine {
            stock_no,
            stands: Stands::InStock,
            cost: price,
            ticked: false,
            sale: None,
            n_undone: 0,
        });
    }

    async fn does_to(&mut self, which: usize, act: Act) {
        let engine = &self.engines[which];
        let of_engine = |what: &str| format!("/v1/engines/{}/{what}", engine.stock_no);
        let of_sale = |what: &str| engine.sale.map(|(id, ..)| format!("/v1/sales/{id}/{what}"));
        let stands = engine.stands;
        match act {
            Act::Buy { .. } | Act::Sleep { .. } => {}
            Act::Spend { pounds: cost, .. } => {
                if stands != Stands::Gone {
                    let line = json!({"kind": "parts", "cost": pounds(i64::from(cost))});
                    self.post(&of_engine("costs"), line).await.created();
                    self.engines[which].cost += i64::from(cost);
                }
            }
            Act::Tick { .. } => {
                let fits = matches!(stands, Stands::InStock | Stands::Sold);
                for item in ["spares_packed", "papers_packed"] {
                    let path = of_engine("checklist-ticks");
                    let ticked = self.post(&path, json!({"item": item})).await;
                    Play::judged(ticked, fits, act);
                }
                self.engines[which].ticked |= fits;
            }
            Act::Sell { pounds: price, .. } => {
                let price = i64::from(price);
                let sale = json!({"price": pounds(price), "person_id": self.buyer, "below_break_even_confirmed": true});
                let sold = self.post(&of_engine("sales"), sale).await;
                if let Some(sold) = Play::judged(sold, stands == Stands::InStock, act) {
                    let engine = &mut self.engines[which];
                    engine.stands = Stands::Sold;
                    engine.sale = Some((sold.id(), price, 0));
                }
            }
            Act::Pay { .. } => {
                let Some((path, (_, price, paid))) = of_sale("payments").zip(engine.sale) else {
                    return;
                };
                let fits = matches!(stands, Stands::Sold | Stands::Delivered) && paid < price;
                let amount = (price - paid).max(1);
                let payment = json!({"amount": pounds(amount), "method": "transfer"});
                let made = self.post(&path, payment).await;
                if Play::judged(made, fits, act).is_some() {
                    self.bank += amount;
                    self.engines[which].sale.as_mut().expect("it is sold").2 += amount;
                }
            }
            Act::PayBack { .. } => {
                let Some((path, (.., paid))) = of_sale("payments").zip(engine.sale) else {
                    return;
                };
                // While a sale stands, money may go back for many reasons; of an undone one no more than was paid.
                if matches!(stands, Stands::Sold | Stands::Delivered) {
                    return;
                }
                let amount = paid.max(1);
                let payment =
                    json!({"amount": format!("-{}", pounds(amount)), "method": "transfer"});
                let made = self.post(&path, payment).await;
                if Play::judged(made, paid > 0, act).is_some() {
                    self.bank -= amount;
                    self.engines[which].sale.as_mut().expect("it was sold").2 = 0;
                }
            }
            Act::Deliver { .. } => {
                let delivery = json!({"method": "collection", "handed_to": "Odo Fenwright"});
                let profit = self.post(&of_engine("deliveries"), delivery).await;
                if Play::judged(profit, engine.may_leave(), act).is_some() {
                    self.engines[which].stands = Stands::Delivered;
                }
            }
            Act::Return { .. } => {
                if let Some(path) = of_sale("returns") {
                    let back = self.post(&path, json!({"reason": "agreed"})).await;
                    if Play::judged(back, stands == Stands::Delivered, act).is_some() {
                        self.engines[which].comes_back();
                    }
                }
            }
            Act::CallOff { .. } => {
                if let Some(path) = of_sale("cancellation") {
                    let off = self.post(&path, json!({"reason": "cancelled"})).await;
                    if Play::judged(off, stands == Stands::Sold, act).is_some() {
                        self.engines[which].comes_back();
                    }
                }
            }
            Act::Scrap { .. } => {
                let path = of_engine("disposals");
                let gone = self.post(&path, json!({"method": "scrapped"})).await;
                if Play::judged(gone, stands == Stands::InStock, act).is_some() {
                    self.engines[which].stands = Stands::Gone;
                }
            }
        }
    }

    async fn agrees(&self) {
        let engines = self.shop.get("/v1/engines?limit=200").await.ok().body;
        let engines = engines["items"].as_array().expect("items");
        assert_eq!(engines.len(), self.engines.len());
        let span = format!("from=2026-01-01&to={}&limit=200", self.today);
        let book = self.shop.get(&format!("/v1/stock-book?{span}")).await;
        let book = book.ok().body["items"].clone();
        let book = book.as_array().expect("items");
        for engine in &self.engines {
            let shown = engines
                .iter()
                .find(|shown| shown["stock_no"] == engine.stock_no);
            assert_eq!(
                shown.expect("the engine")["status"],
                engine.word(),
                "{engine:?}"
            );
            let path = format!("/v1/engines/{}", engine.stock_no);
            let money = self.shop.get(&format!("{path}/margins")).await.ok().body;
            assert_eq!(
                text(&money["ledger"]["cost"]),
                pounds(engine.cost),
                "{engine:?}"
            );
            if matches!(engine.stands, Stands::InStock | Stands::Sold) {
                let gate = format!("{path}/readiness?gate=deliver");
                let gate = self.shop.get(&gate).await.ok().body;
                assert_eq!(gate["open"], engine.may_leave(), "{engine:?}: {gate}");
            }
            let lines = book
                .iter()
                .filter(|line| line["stock_no"] == engine.stock_no);
            assert_eq!(lines.count(), 2 * engine.n_undone + 1, "{engine:?}");
        }
        let in_stock = self
            .engines
            .iter()
            .filter(|engine| engine.stands == Stands::InStock);
        let in_stock: i64 = in_stock.map(|engine| engine.cost).sum();
        let value = format!("/v1/stock-valuation/totals?on={}", self.today);
        let value = self.shop.get(&value).await.ok().body;
        assert_eq!(text(&value["cost"]), pounds(in_stock));
        let trial = format!(
            "/v1/accounts-entries/trial?from=2026-01-01&to={}",
            self.today
        );
        let trial = self.shop.get(&trial).await.ok().body;
        assert_eq!(trial["debit"], trial["credit"]);
        let balance = |account: &str| {
            let accounts = trial["accounts"].as_array().expect("accounts").iter();
            let lines = accounts.filter(|line| line["account"] == account);
            let pennies = |money: &Value| {
                let money: Money = text(money).parse().expect("money");
                money.pennies()
            };
            lines
                .map(|line| pennies(&line["debit"]) - pennies(&line["credit"]))
                .sum::<i128>()
        };
        assert_eq!(balance("stock"), i128::from(in_stock) * 100);
        assert_eq!(balance("bank"), i128::from(self.bank) * 100);
        let live = self
            .engines
            .iter()
            .filter(|engine| matches!(engine.stands, Stands::Sold | Stands::Delivered));
        let live: i64 = live
            .filter_map(|engine| engine.sale)
            .map(|(_, price, _)| price)
            .sum();
        let owed = balance("owed_by_buyers");
        assert_eq!(owed, i128::from(live - self.bank) * 100);
    }
}

/// How many trades are played: a few in every run, more by `OUTSHOP_TRADES`.
fn trades() -> u32 {
    let told = std::env::var("OUTSHOP_TRADES").ok();
    told.and_then(|told| told.parse().ok()).unwrap_or(10)
}

/// Double entry and the plain model: common practice, no source.
#[test]
fn states_and_books_follow_from_the_acts() {
    let config = Config {
        cases: trades(),
        max_shrink_iters: 40,
        failure_persistence: None,
        ..Config::default()
    };
    proptest!(config, |(acts in prop::collection::vec(act(), 20..60))| {
        actix_web::rt::System::new().block_on(async {
            let mut play = Play::open().await;
            play.does(Act::Buy { pounds: 4200 }).await;
            for (nth, act) in acts.into_iter().enumerate() {
                play.does(act).await;
                if nth % 10 == 0 {
                    play.agrees().await;
                }
            }
            play.agrees().await;
        });
    });
}
