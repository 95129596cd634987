//! Random questions: round and awkward amounts, small and huge, and every kind of rate.

use crate::pennies;
use outshop_core::{
    books::{
        costs::{CarryingAmountQuestion, LowestPriceQuestion, MostToPayQuestion},
        tax::{Percent, Scheme},
    },
    money::Money,
};

/// SplitMix64 (Steele, Lea, Flood 2014), so that a seed always gives the same questions.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    pub fn pick<T: Clone>(&mut self, from: &[T]) -> T {
        from[usize::try_from(self.below(from.len() as u64)).expect("an index")].clone()
    }

    /// 0 to ten million; pennies or whole hundreds.
    pub fn amount(&mut self) -> Money {
        let most = self.pick(&[1, 100, 10_000, 1_000_000, 100_000_000, 1_000_000_000]);
        let amount = self.below(most);
        pennies(i128::from(if self.below(4) == 0 {
            amount / 10_000 * 10_000
        } else {
            amount
        }))
    }

    pub fn maybe<T>(&mut self, some: T) -> Option<T> {
        (self.below(3) > 0).then_some(some)
    }

    /// Mostly real rates, now and then any legal one.
    pub fn rate(&mut self) -> Percent {
        let usual = self.pick(&[0, 500, 1750, 1900, 2000, 2000, 2000, 2300, 2550]);
        let any = u32::try_from(self.below(100_000)).expect("a rate");
        let rate = self.pick(&[usual, usual, usual, any, 99_999]);
        Percent::from_hundredths(rate).expect("a rate")
    }

    pub fn share(&mut self) -> Percent {
        let usual = self.pick(&[0, 100, 250, 500, 1000, 1250, 1500]);
        let any = u32::try_from(self.below(10_001)).expect("a share");
        Percent::from_hundredths(self.pick(&[usual, usual, usual, any])).expect("a share")
    }

    pub fn scheme(&mut self) -> Scheme {
        self.pick(&[
            Scheme::Margin,
            Scheme::Margin,
            Scheme::Ordinary,
            Scheme::None,
        ])
    }

    pub fn lowest_price(&mut self) -> LowestPriceQuestion {
        let (cost_to_come, selling_cost) = (self.amount(), self.amount());
        let (share, profit) = (self.share(), self.amount());
        LowestPriceQuestion {
            purchase: self.amount(),
            other_costs: self.amount(),
            cost_to_come: self.maybe(cost_to_come),
            selling_cost: self.maybe(selling_cost),
            selling_share_percent: self.maybe(share),
            rate_percent: self.rate(),
            scheme: self.scheme(),
            wanted_profit: self.maybe(profit),
        }
    }

    pub fn most_to_pay(&mut self) -> MostToPayQuestion {
        let (selling_cost, share) = (self.amount(), self.share());
        MostToPayQuestion {
            price: self.amount(),
            cost_to_come: self.amount(),
            selling_cost: self.maybe(selling_cost),
            selling_share_percent: self.maybe(share),
            wanted_profit: self.amount(),
            rate_percent: self.rate(),
            scheme: self.scheme(),
        }
    }

    pub fn carrying_amount(&mut self) -> CarryingAmountQuestion {
        let (before, as_it_stands, contract) = (self.amount(), self.amount(), self.amount());
        CarryingAmountQuestion {
            cost: self.amount(),
            purchase: self.amount(),
            price: self.amount(),
            cost_to_come: self.amount(),
            selling_cost: self.amount(),
            rate_percent: Some(self.rate()),
            scheme: self.scheme(),
            carrying_amount_before: self.maybe(before),
            as_it_stands_price: self.maybe(as_it_stands),
            firm_contract: self.maybe(contract),
        }
    }
}
