//! Exact fractions of i128, for the slow reference.

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fraction {
    over: i128,
    under: i128,
}

fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a } else { gcd(b, a % b) }
}

impl Fraction {
    pub fn new(over: i128, under: i128) -> Fraction {
        assert_ne!(under, 0);
        let by = gcd(over.abs(), under.abs()) * under.signum();
        Fraction {
            over: over / by,
            under: under / by,
        }
    }

    pub fn whole(n: i128) -> Fraction {
        Fraction::new(n, 1)
    }

    pub fn plus(self, other: Fraction) -> Fraction {
        Fraction::new(
            self.over * other.under + other.over * self.under,
            self.under * other.under,
        )
    }

    pub fn minus(self, other: Fraction) -> Fraction {
        self.plus(Fraction::new(-other.over, other.under))
    }

    pub fn times(self, other: Fraction) -> Fraction {
        Fraction::new(self.over * other.over, self.under * other.under)
    }

    pub fn by(self, other: Fraction) -> Fraction {
        Fraction::new(self.over * other.under, self.under * other.over)
    }

    pub fn floor(self) -> i128 {
        self.over.div_euclid(self.under)
    }

    /// HMRC manual VATREC12030: to the nearest penny, a half upwards.
    pub fn half_up(self) -> i128 {
        self.plus(Fraction::new(1, 2)).floor()
    }

    pub fn is_above(self, n: i128) -> bool {
        self.over > n * self.under
    }
}

#[test]
fn a_half_goes_up_and_less_goes_down() {
    for (over, under, rounded) in [
        (50_000, 6, 8333),
        (5, 10, 1),
        (49, 100, 0),
        (-5, 10, 0),
        (-51, 100, -1),
    ] {
        assert_eq!(
            Fraction::new(over, under).half_up(),
            rounded,
            "{over}/{under}"
        );
    }
}
