//! The cost still to come, worked by hand (plain arithmetic, no other source), and on random engines by a second
//! calculation in whole pennies and hundredths of hours that shares no code with the first.

use crate::{day, money, pennies, percent, random::Random};
use outshop_core::{
    books::{
        costs::{
            LowestPriceQuestion, OpenWork, Planned, StockFacts, cost_to_come, lowest_price,
            mean_rate, profit_at_price, set_off, stock_valuation_line,
        },
        tax::Scheme,
    },
    money::Money,
    trade::TaxPosition,
    workshop::jobs::Hours,
};

fn hours(text: &str) -> Hours {
    text.parse().expect("hours")
}

fn planned(agreed: &str, booked: &str) -> Planned {
    Planned {
        agreed: money(agreed),
        booked: money(booked),
    }
}

/// Bought for 2300.00 under the margin scheme at 20%; 10 h at 45.00, parts of 200.00 and outside work of 150.00 are to
/// come: 800.00. 1.2 x 3100.00 - .2 x 2300.00 = 3260.00; at 4000.00 the tax is a sixth of 1700.00, 283.33, and 616.67
/// are left (margin and its sixth: VAT Notice 718).
#[test]
fn parts_and_outside_work_of_an_open_job_count_as_well_as_its_hours() {
    let job = OpenWork {
        hours_agreed: hours("10"),
        rate: money("45.00"),
        parts: planned("200.00", "0.00"),
        outside_work: planned("150.00", "0.00"),
        ..OpenWork::default()
    };
    let answer = cost_to_come(&[job]).expect("sums");
    assert_eq!(
        (answer.hours, answer.work, answer.parts, answer.outside_work),
        (
            hours("10"),
            money("450.00"),
            money("200.00"),
            money("150.00")
        )
    );
    assert_eq!(answer.amount, money("800.00"));
    let question = LowestPriceQuestion {
        purchase: money("2300.00"),
        other_costs: Money::ZERO,
        cost_to_come: Some(answer.amount),
        selling_cost: None,
        selling_share_percent: None,
        rate_percent: percent("20"),
        scheme: Scheme::Margin,
        wanted_profit: None,
    };
    let lowest = lowest_price(&question).expect("a price").lowest_price;
    assert_eq!(lowest, money("3260.00"));
    let profit = profit_at_price(&question, money("4000.00")).expect("an answer");
    assert_eq!(
        (profit.tax, profit.profit),
        (money("283.33"), money("616.67"))
    );
}

#[test]
fn work_that_ran_over_has_nothing_to_come_and_reduces_no_other() {
    let job = |agreed, booked, parts, outside_work| OpenWork {
        hours_agreed: hours(agreed),
        hours_booked: hours(booked),
        rate: money("30.00"),
        parts,
        outside_work,
        test_fees: planned("35.00", "35.01"),
    };
    let none = planned("0.00", "0.00");
    let jobs = [
        job("10", "4", planned("100.00", "40.00"), none),
        job(
            "2",
            "9",
            planned("0.00", "500.00"),
            planned("80.00", "80.00"),
        ),
    ];
    let answer = cost_to_come(&jobs).expect("sums");
    assert_eq!((answer.hours, answer.amount), (hours("6"), money("240.00")));
    assert_eq!(
        (answer.outside_work, answer.test_fees),
        (Money::ZERO, Money::ZERO)
    );
}

/// A bill of 120.00 on the 5th covers the job of the 1st, and its excess of 20.00 counts for no job, as the other is
/// agreed on the 10th; one of 60.00 on the 12th counts for that.
#[test]
fn a_bill_counts_for_jobs_agreed_by_its_day() {
    let agreed = [
        (day("2026-03-01"), money("100.00")),
        (day("2026-03-10"), money("80.00")),
    ];
    let early = (day("2026-03-05"), money("120.00"));
    let late = (day("2026-03-12"), money("60.00"));
    let booked = |bills: &[_]| set_off(bills, &agreed).expect("amounts");
    assert_eq!(booked(&[early]), [money("100.00"), Money::ZERO]);
    assert_eq!(booked(&[early, late]), [money("100.00"), money("60.00")]);
    let on_its_day = (day("2026-03-10"), money("150.00"));
    assert_eq!(booked(&[on_its_day]), [money("100.00"), money("50.00")]);
    assert_eq!(booked(&[]), [Money::ZERO, Money::ZERO]);
}

#[test]
fn a_mean_rate_is_rounded_half_upwards() {
    let mean = |rates: &[&str]| mean_rate(&rates.iter().map(|it| money(it)).collect::<Vec<_>>());
    assert_eq!(mean(&["30.00", "45.00"]), Some(money("37.50")));
    assert_eq!(mean(&["30.00", "30.01"]), Some(money("30.01")));
    assert_eq!(mean(&["30.00", "30.00", "30.01"]), Some(money("30.00")));
    assert_eq!(mean(&[]), None);
}

/// A piece of open work as whole numbers: hundredths of hours, pennies.
#[derive(Debug)]
struct Piece {
    hours: [i128; 2],
    rate: i128,
    others: [[i128; 2]; 3],
}

impl Piece {
    fn random(random: &mut Random) -> Piece {
        let mut pair = |most: u64| {
            let agreed = i128::from(random.below(most));
            let booked = i128::from(random.below(most) * random.below(2));
            [agreed, booked]
        };
        Piece {
            hours: pair(4_000),
            others: [pair(30_000), pair(50_000), pair(8_000)],
            rate: pair(6_000)[0],
        }
    }

    fn open_work(&self) -> OpenWork {
        let hours = |n: i128| {
            let text = format!("{}.{:02}", n / 100, n % 100);
            text.parse().expect("hours")
        };
        let planned = |[agreed, booked]: [i128; 2]| Planned {
            agreed: pennies(agreed),
            booked: pennies(booked),
        };
        OpenWork {
            hours_agreed: hours(self.hours[0]),
            hours_booked: hours(self.hours[1]),
            rate: pennies(self.rate),
            parts: planned(self.others[0]),
            outside_work: planned(self.others[1]),
            test_fees: planned(self.others[2]),
        }
    }

    /// The second calculation: counted penny by penny, with a half recognised by the remainder.
    fn slow(&self) -> i128 {
        let mut sum = 0;
        for [agreed, booked] in self.others {
            if agreed > booked {
                sum += agreed - booked;
            }
        }
        if self.hours[0] > self.hours[1] {
            let hundredths = (self.hours[0] - self.hours[1]) * self.rate;
            sum += hundredths / 100;
            if hundredths % 100 >= 50 {
                sum += 1;
            }
        }
        sum
    }
}

/// Tax in a price as the fraction r / (100 + r) of the taxed amount, a half upwards by its remainder.
fn slow_tax(taxed: i128, percent: i128) -> i128 {
    let numerator = taxed.max(0) * percent;
    let whole = numerator / (100 + percent);
    whole + i128::from(2 * (numerator % (100 + percent)) >= 100 + percent)
}

/// The break-even price, the profit, the stock valuation and the jobs one by one use the same cost to come. 10000
/// engines, in CI 200: `OUTSHOP_ENGINES=10000 cargo test -p outshop-core --test money to_come`.
#[test]
fn break_even_profit_stock_value_and_jobs_agree() {
    let asked = option_env!("OUTSHOP_ENGINES");
    let n: u64 = asked.map_or(200, |n| n.parse().expect("a number of engines"));
    let seed = 20_261_130;
    let mut random = Random(seed);
    for _ in 0..n {
        // The cost to come of all jobs equals the slow count and the sum of the jobs one by one.
        let pieces: Vec<Piece> = (0..random.below(5))
            .map(|_| Piece::random(&mut random))
            .collect();
        let slow: i128 = pieces.iter().map(Piece::slow).sum();
        let open: Vec<OpenWork> = pieces.iter().map(Piece::open_work).collect();
        let to_come = cost_to_come(&open).expect("sums").amount;
        assert_eq!(to_come.pennies(), slow, "seed {seed}: {pieces:?}");

        let one_by_one: i128 = open
            .iter()
            .map(|piece| cost_to_come(&[*piece]).expect("sums").amount.pennies())
            .sum();
        assert_eq!(one_by_one, slow, "the jobs one by one");

        // At the break-even price there is no loss, and a penny below it there is.
        let purchase = i128::from(random.below(900_000));
        let other = i128::from(random.below(90_000));
        let rate: i128 = random.pick(&[0, 5, 19, 20, 25]);
        let (scheme, position) = random.pick(&[
            (Scheme::Margin, TaxPosition::MarginScheme),
            (Scheme::None, TaxPosition::NotRegistered),
        ]);
        let tax = |price: i128| match scheme {
            Scheme::Margin => slow_tax(price - purchase, rate),
            Scheme::Ordinary | Scheme::None => 0,
        };
        let question = LowestPriceQuestion {
            purchase: pennies(purchase),
            other_costs: pennies(other),
            cost_to_come: Some(to_come),
            selling_cost: None,
            selling_share_percent: None,
            rate_percent: percent(&rate.to_string()),
            scheme,
            wanted_profit: None,
        };
        let spent = purchase + other;
        let profit = |price: i128| price - tax(price) - spent - slow;
        let lowest = lowest_price(&question)
            .expect("a price")
            .lowest_price
            .pennies();
        assert!(profit(lowest) >= 0, "{question:?}");
        // Without a share the profit never falls as the price rises, so one penny below is enough.
        assert!(lowest == 0 || profit(lowest - 1) < 0, "{question:?}");

        // The profit at any price agrees with the slow count.
        let price = i128::from(random.below(2_000_000));
        let answer = profit_at_price(&question, pennies(price))
            .expect("an answer")
            .profit;
        assert_eq!(answer.pennies(), profit(price), "{question:?}");

        // Net realisable value less the amount spent is that same profit.
        let value = stock_valuation_line(&StockFacts {
            stock_no: 1,
            position,
            cost: pennies(spent),
            purchase: pennies(purchase),
            price: Some(pennies(price)),
            cost_to_come: to_come,
            as_it_stands: None,
            selling_cost: Money::ZERO,
            selling_share: percent("0"),
            rate: percent(&rate.to_string()),
            written_down_before: Money::ZERO,
            sold_after: None,
            changed_before_sale: false,
        });
        let value = value
            .expect("an answer")
            .expect("the firm's own")
            .net_realisable_value;
        let realisable = value.expect("a price").pennies();
        assert_eq!(realisable - spent, profit(price), "{question:?}");
    }
}
