//! Sense checks: a figure outside these limits is more often a slip than a fact, so it must be confirmed.

use crate::{
    boilers::boiler::BoilerNumber,
    days::Day,
    money::Money,
    units::{Length, Mass, Pressure, Volume},
};
use rust_decimal::Decimal;

words! {
    /// A member whose value may be questioned. The caller confirms it with `<member>_confirmed` in the same object.
    pub enum Member {
        /// The pressure of a hydraulic test.
        Pressure = "pressure",
        WorkingPressure = "working_pressure",
        Volume = "volume",
        MadeOn = "made_on",
        /// The day of a test.
        On = "on",
        Hours = "hours",
        Price = "price",
        /// The amount of an offer.
        Amount = "amount",
        Weight = "weight",
        /// The number of a boiler, as stamped on it or written on a test or certificate.
        Number = "number",
    }
}

/// A sense check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    pub member: Member,
    /// Unit of the limits.
    pub unit: &'static str,
    /// Lowest figure that needs no confirmation.
    pub least: Option<Decimal>,
    /// Highest figure that needs no confirmation.
    pub most: Option<Decimal>,
    /// What to say about a lower figure; the next one about a higher.
    pub too_little: &'static str,
    pub too_much: &'static str,
    pub source: &'static str,
}

const fn decimal(digits: u32, places: u32) -> Decimal {
    Decimal::from_parts(digits, 0, 0, false, places)
}

pub const HYDRAULIC_PRESSURE: Row = Row {
    member: Member::Pressure,
    unit: "x the working pressure",
    least: None,
    most: Some(decimal(201, 2)),
    too_little: "",
    too_much: "more than 2 x the working pressure of the boiler",
    source: "2 x for the initial test is the most that any code on file requires (UK model-engineering federations' boiler code, \
             published); the tolerance of .5 % is common practice, no source",
};

/// 10 to 250 psi.
pub const WORKING_PRESSURE: Row = Row {
    member: Member::WorkingPressure,
    unit: "bar",
    least: Some(decimal(689, 3)),
    most: Some(decimal(17_24, 2)),
    too_little: "less than 10 psi (.689 bar), below the working pressure of any model boiler",
    too_much: "more than 250 psi (17.24 bar), above the working pressure of any model boiler",
    source: "common practice, no source",
};

pub const VOLUME: Row = Row {
    member: Member::Volume,
    unit: "L",
    least: Some(decimal(5, 2)),
    most: Some(decimal(250, 0)),
    too_little: "less than .05 litres",
    too_much: "more than 250 litres",
    source: "common practice, no source",
};

pub const YEAR_MADE: Row = Row {
    member: Member::MadeOn,
    unit: "year",
    least: Some(decimal(1900, 0)),
    most: None,
    too_little: "before 1900",
    too_much: "",
    source: "common practice, no source: older shells are museum pieces",
};

pub const MADE_BEFORE_FIRST_TEST: Row = Row {
    member: Member::MadeOn,
    unit: "days to the first test",
    least: Some(decimal(0, 0)),
    most: None,
    too_little: "later than a recorded test of the boiler (must be at least 0 days before it)",
    too_much: "",
    source: "plain reading; a shell may be tested before the boiler is finished",
};

pub const TESTED_AFTER_MAKING: Row = Row {
    member: Member::On,
    unit: "days after the boiler was made",
    least: Some(decimal(0, 0)),
    most: None,
    too_little: "before the boiler was made (must be at least 0 days after it)",
    too_much: "",
    source: "plain reading; a shell may be tested before the boiler is finished",
};

pub const HOURS_OF_A_DAY: Row = Row {
    member: Member::Hours,
    unit: "h",
    least: None,
    most: Some(decimal(24, 0)),
    too_little: "",
    too_much: "with the hours already booked, more than 24 hours for one fitter on one day",
    source: "plain reading",
};

pub const PRICE: Row = Row {
    member: Member::Price,
    unit: "x the high figure of the valuation",
    least: None,
    most: Some(decimal(10, 0)),
    too_little: "",
    too_much: "more than 10 x the high figure of the engine's last valuation",
    source: "common practice, no source",
};

pub const AMOUNT: Row = Row {
    member: Member::Amount,
    ..PRICE
};

/// The weight of a kind of engine grows with the cube of its gauge: 68 kg for 127 mm (5 in) is .000033 kg/mm3.
pub const WEIGHT_FOR_GAUGE: Row = Row {
    member: Member::Weight,
    unit: "kg for each mm3 of the gauge cubed",
    least: Some(decimal(4, 6)),
    most: Some(decimal(3, 4)),
    too_little: "less than .000004 kg x gauge x gauge x gauge (in mm), too light for a locomotive of this gauge",
    too_much: "more than .0003 kg x gauge x gauge x gauge (in mm), too heavy for a locomotive of this gauge",
    source: "common practice, no source",
};

pub const WEIGHT_FOR_SPACE: Row = Row {
    member: Member::Weight,
    unit: "kg for each litre of length x width x height",
    least: None,
    most: Some(decimal(8_96, 2)),
    too_little: "",
    too_much: "more than solid copper of that length, width and height would weigh (8.96 kg for each litre)",
    source: "density of copper at 20 °C, 8.96 g/cm3 (CRC Handbook of Chemistry and Physics); from memory",
};

pub const TABLE: [Row; 11] = [
    HYDRAULIC_PRESSURE,
    WORKING_PRESSURE,
    VOLUME,
    YEAR_MADE,
    MADE_BEFORE_FIRST_TEST,
    TESTED_AFTER_MAKING,
    HOURS_OF_A_DAY,
    PRICE,
    AMOUNT,
    WEIGHT_FOR_GAUGE,
    WEIGHT_FOR_SPACE,
];

/// A value that must be confirmed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doubt {
    pub member: Member,
    /// States the limit and how to confirm the value.
    pub detail: String,
}

impl Doubt {
    fn new(member: Member, what: &str) -> Doubt {
        let detail = format!("{what}; if it is right, send `{member}_confirmed`: true as well");
        Doubt { member, detail }
    }
}

impl Row {
    /// `figure`: in the unit of the check. `None`: it is within the limits.
    pub fn doubt(&self, figure: Decimal) -> Option<Doubt> {
        let what = if self.least.is_some_and(|least| figure < least) {
            self.too_little
        } else if self.most.is_some_and(|most| figure > most) {
            self.too_much
        } else {
            return None;
        };
        Some(Doubt::new(self.member, what))
    }
}

/// `working_pressure`: that of the day of the test.
pub fn hydraulic_pressure(tested: &Pressure, working_pressure: &Pressure) -> Option<Doubt> {
    let ratio = tested.base().checked_div(working_pressure.base());
    HYDRAULIC_PRESSURE.doubt(ratio.unwrap_or(Decimal::MAX))
}

pub fn working_pressure(pressure: &Pressure) -> Option<Doubt> {
    WORKING_PRESSURE.doubt(pressure.base())
}

pub fn volume(volume: &Volume) -> Option<Doubt> {
    VOLUME.doubt(volume.base())
}

/// `first_test`: day of the earliest test on record.
pub fn made_on(made_on: Day, first_test: Option<Day>) -> Option<Doubt> {
    let before_test = first_test.and_then(|test| {
        let days = test.days_since(made_on);
        MADE_BEFORE_FIRST_TEST.doubt(days.into())
    });
    before_test.or_else(|| YEAR_MADE.doubt(made_on.date().year().into()))
}

pub fn tested_on(on: Day, made_on: Option<Day>) -> Option<Doubt> {
    made_on.and_then(|made_on| TESTED_AFTER_MAKING.doubt(on.days_since(made_on).into()))
}

/// `in_all`: hours of one fitter on one day, including those about to be booked.
pub fn hours(in_all: Decimal) -> Option<Doubt> {
    HOURS_OF_A_DAY.doubt(in_all)
}

/// `high`: high figure of the engine's last valuation.
pub fn price(price: Money, high: Money) -> Option<Doubt> {
    let ratio = price.decimal().checked_div(high.decimal())?;
    PRICE.doubt(ratio)
}

/// Like [`price`], for the amount of an offer or a counter-offer.
pub fn amount(amount: Money, high: Money) -> Option<Doubt> {
    let ratio = amount.decimal().checked_div(high.decimal())?;
    AMOUNT.doubt(ratio)
}

/// What is known about the size of an engine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Size<'a> {
    /// Only for a locomotive: the weight of other engines does not depend on a gauge.
    pub gauge: Option<&'a Length>,
    pub length: Option<&'a Length>,
    pub width: Option<&'a Length>,
    pub height: Option<&'a Length>,
}

/// Quantities that are too large to multiply are questioned too.
pub fn weight(weight: &Mass, size: Size<'_>) -> Option<Doubt> {
    let product = |sides: [&Length; 3]| {
        let area = sides[0].base().checked_mul(sides[1].base())?;
        area.checked_mul(sides[2].base())
    };
    let per = |space: Option<Decimal>| {
        let space = space.filter(|space| !space.is_zero());
        let figure = space.map(|space| weight.base().checked_div(space));
        figure.map_or(Some(Decimal::ZERO), |figure| figure)
    };
    let by_gauge = size
        .gauge
        .and_then(|gauge| WEIGHT_FOR_GAUGE.doubt(per(product([gauge; 3])).unwrap_or(Decimal::MAX)));
    let sides = size.length.zip(size.width).zip(size.height);
    let by_space = sides.and_then(|((length, width), height)| {
        let litres = product([length, width, height]).map(|mm3| mm3 / decimal(1_000_000, 0));
        WEIGHT_FOR_SPACE.doubt(per(litres).unwrap_or(Decimal::MAX))
    });
    by_gauge.or(by_space)
}

/// Similar numbers are different boilers. But a number that differs from a known one only in case, spaces or
/// punctuation is more often the same boiler, written differently.
pub fn number<'k>(
    number: &BoilerNumber,
    known: impl IntoIterator<Item = &'k BoilerNumber>,
) -> Option<Doubt> {
    let like = known.into_iter().find(|known| number.reads_like(known))?;
    let what = format!(
        "differs only in case, spaces or punctuation from {like}, which is on record; write it the same way if it is that boiler"
    );
    Some(Doubt::new(Member::Number, &what))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read<T: std::str::FromStr<Err: std::fmt::Debug>>(text: &str) -> T {
        text.parse().expect("a quantity")
    }

    /// Both sides of each limit of each row, one unit of the last place apart; a row without a test of its own would
    /// fail here.
    #[test]
    fn each_row_takes_its_limits_and_questions_what_is_beyond_them() {
        for row in TABLE {
            assert!(row.least.is_some() || row.most.is_some(), "{row:?}");
            assert!(!row.source.is_empty(), "{row:?}");
            let step = |limit: Decimal| decimal(1, limit.scale() + 1);
            let confirming = format!("`{}_confirmed`: true", row.member);
            let limits = [
                (row.least, decimal(1, 0), row.too_little),
                (row.most, -decimal(1, 0), row.too_much),
            ];
            for (limit, inwards, what) in limits {
                let Some(limit) = limit else { continue };
                assert_eq!(row.doubt(limit), None, "{row:?}");
                assert_eq!(row.doubt(limit + inwards * step(limit)), None, "{row:?}");
                let doubt = row.doubt(limit - inwards * step(limit)).expect("a doubt");
                assert_eq!(doubt.member, row.member);
                assert!(
                    doubt.detail.starts_with(what) && doubt.detail.contains(&confirming),
                    "{doubt:?}"
                );
                let stated = what.chars().any(|c| c.is_ascii_digit());
                assert!(stated, "the limit is stated: {what}");
            }
        }
    }

    /// By hand. 1350 psi on 90 psi is 15 x; 180.9 psi are 2.01 x.
    #[test]
    fn a_slip_of_a_digit_in_a_test_pressure_is_questioned() {
        let working: Pressure = read("90 psi");
        for (tested, questioned) in [
            ("135 psi", false),
            ("180 psi", false),
            ("180.9 psi", false),
            ("180.91 psi", true),
            ("1350 psi", true),
            ("12.4 bar", false),
            ("12.5 bar", true),
        ] {
            let doubt = hydraulic_pressure(&read(tested), &working);
            assert_eq!(doubt.is_some(), questioned, "{tested}");
        }
    }

    /// Factors of NIST SP 811: 10 psi are .68948 bar, 250 psi 17.2369; 1 gal_imp is 4.54609 L.
    #[test]
    fn pressures_and_volumes_of_model_boilers_are_taken() {
        for (pressure, questioned) in [
            ("9.9 psi", true),
            ("10 psi", false),
            ("90 psi", false),
            ("250 psi", false),
            ("251 psi", true),
            ("900 psi", true),
        ] {
            let doubt = working_pressure(&read(pressure));
            assert_eq!(doubt.is_some(), questioned, "{pressure}");
        }
        for (size, questioned) in [
            ("0.049 L", true),
            ("0.05 L", false),
            ("8.0 L", false),
            ("54 gal_imp", false),
            ("55 gal_imp", true),
        ] {
            assert_eq!(volume(&read(size)).is_some(), questioned, "{size}");
        }
    }

    #[test]
    fn a_boiler_is_tested_after_it_was_made() {
        let day = |text: &str| read::<Day>(text);
        assert_eq!(made_on(day("1900-01-01"), None), None);
        assert!(made_on(day("1899-12-31"), None).is_some());
        let first_test = Some(day("1998-03-20"));
        assert_eq!(made_on(day("1998-03-20"), first_test), None);
        assert!(made_on(day("1998-03-21"), first_test).is_some());
        assert_eq!(tested_on(day("1998-03-20"), first_test), None);
        assert!(tested_on(day("1998-03-19"), first_test).is_some());
        assert_eq!(tested_on(day("1998-03-19"), None), None);
    }

    #[test]
    fn a_price_is_held_against_the_valuation_and_hours_against_the_day() {
        let money = |text: &str| read::<Money>(text);
        assert_eq!(price(money("85000.00"), money("8500.00")), None);
        assert!(price(money("85000.01"), money("8500.00")).is_some());
        assert_eq!(
            price(money("1.00"), Money::ZERO),
            None,
            "nothing to compare it with"
        );
        assert_eq!(hours(decimal(24, 0)), None);
        assert!(hours(decimal(24_25, 2)).is_some());
    }

    /// By hand: 127 mm cubed is 2 048 383 mm3, so 8.19 to 614.5 kg; a block of 1 m x .3 m x .4 m holds 120 L, 1075.2 kg
    /// of copper.
    #[test]
    fn a_weight_is_held_against_the_size() {
        let (gauge, length): (Length, Length) = (read("127 mm"), read("1000 mm"));
        let (width, height): (Length, Length) = (read("300 mm"), read("400 mm"));
        let on_track = Size {
            gauge: Some(&gauge),
            ..Size::default()
        };
        let in_space = Size {
            length: Some(&length),
            width: Some(&width),
            height: Some(&height),
            ..Size::default()
        };
        for (size, mass, questioned) in [
            (on_track, "8.1 kg", true),
            (on_track, "8.2 kg", false),
            (on_track, "150 lb", false),
            (on_track, "614.5 kg", false),
            (on_track, "614.6 kg", true),
            (in_space, "1075.2 kg", false),
            (in_space, "1075.3 kg", true),
            (in_space, "1 kg", false),
            (Size::default(), "99999 kg", false),
        ] {
            let doubt = weight(&read(mass), size);
            assert_eq!(doubt.is_some(), questioned, "{mass} {size:?}");
        }
    }

    #[test]
    fn a_number_that_reads_like_another_is_questioned_and_the_same_number_is_not() {
        let known = [read::<BoilerNumber>("HB 22"), read("B9")];
        for (number_read, like) in [
            ("HB22", Some("HB 22")),
            ("hb-22", Some("HB 22")),
            ("h.b./22", Some("HB 22")),
            ("b9", Some("B9")),
            ("HB 22", None),
            ("HB 23", None),
            ("B99", None),
            ("8B9", None),
        ] {
            let doubt = number(&read(number_read), &known);
            assert_eq!(doubt.is_some(), like.is_some(), "{number_read}");
            if let (Some(doubt), Some(like)) = (doubt, like) {
                assert!(doubt.detail.contains(&format!("from {like},")), "{doubt:?}");
                assert!(doubt.detail.contains("`number_confirmed`: true"));
            }
        }
    }
}
