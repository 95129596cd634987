//! Wants: whether an engine matches what somebody is looking for.

use crate::{
    engines::engine::{Kind, Scale, Whyte, is_sought_gauge},
    money::Money,
};
use rust_decimal::Decimal;

words! {
    /// A part of a want that engines are compared with.
    pub enum WantPart { Kind = "kind", Gauge = "gauge", Scale = "scale", Whyte = "whyte", MostToPay = "most_to_pay" }
}

/// What somebody is looking for. An empty member accepts anything.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Want {
    pub kind: Option<Kind>,
    /// In mm; any of them matches. Empty: any gauge.
    pub gauges_mm: Vec<Decimal>,
    pub scale: Option<Scale>,
    pub whyte: Option<Whyte>,
    pub most_to_pay: Option<Money>,
}

/// What is known about an engine on offer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OnOffer {
    pub kind: Kind,
    pub gauge_mm: Option<Decimal>,
    pub scale: Option<Scale>,
    pub whyte: Option<Whyte>,
    pub asked: Option<Money>,
}

/// The parts of the want that are not known about the engine, in the order of the list. `None`: something known about
/// it does not match.
///
/// A price matches up to and including `most_to_pay`. A wheel arrangement without a suffix matches any suffix: 0-6-0
/// matches a 0-6-0PT. An empty want matches nothing.
pub fn fits(want: &Want, engine: &OnOffer) -> Option<Vec<WantPart>> {
    let asked: Vec<(WantPart, Option<bool>)> = [
        (
            WantPart::Kind,
            want.kind.map(|kind| Some(kind == engine.kind)),
        ),
        (
            WantPart::Gauge,
            (!want.gauges_mm.is_empty()).then(|| {
                let gauge = engine.gauge_mm.as_ref();
                gauge.map(|gauge| {
                    let mut wanted = want.gauges_mm.iter();
                    wanted.any(|wanted| is_sought_gauge(*wanted, *gauge))
                })
            }),
        ),
        (
            WantPart::Scale,
            want.scale.as_ref().map(|scale| {
                let of_engine = engine.scale.as_ref();
                of_engine.map(|it| it.one_to() == scale.one_to())
            }),
        ),
        (
            WantPart::Whyte,
            want.whyte.as_ref().map(|whyte| {
                let of_engine = engine.whyte.as_ref();
                of_engine.map(|it| is_meant(whyte, it))
            }),
        ),
        (
            WantPart::MostToPay,
            want.most_to_pay
                .map(|most| engine.asked.map(|asked| asked <= most)),
        ),
    ]
    .into_iter()
    .filter_map(|(part, met)| Some((part, met?)))
    .collect();
    if asked.is_empty() || asked.iter().any(|(_, met)| *met == Some(false)) {
        return None;
    }
    let unknown = asked.into_iter().filter(|(_, met)| met.is_none());
    Some(unknown.map(|(part, _)| part).collect())
}

fn is_meant(wanted: &Whyte, it: &Whyte) -> bool {
    let (wanted, it) = (wanted.to_string(), it.to_string());
    wanted == it || it.trim_end_matches(|c: char| c.is_ascii_uppercase()) == wanted
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn money(text: &str) -> Money {
        text.parse().expect("an amount")
    }

    fn goods_engine() -> OnOffer {
        OnOffer {
            kind: Kind::Locomotive,
            gauge_mm: Some(Decimal::new(635, 1)),
            scale: None,
            whyte: Some("0-6-0PT".parse().expect("an arrangement")),
            asked: Some(money("2999.00")),
        }
    }

    /// "2 1/2 in goods engine under 3,000": 2 1/2 in are 63.5 mm (exact, international inch). Plain reading, no source.
    #[test]
    fn a_want_is_met_where_nothing_known_speaks_against_it() {
        let wanted = Want {
            kind: Some(Kind::Locomotive),
            gauges_mm: vec![Decimal::from(127), Decimal::new(635, 1)],
            whyte: Some("0-6-0".parse().expect("an arrangement")),
            most_to_pay: Some(money("2999.00")),
            scale: None,
        };
        let engine = goods_engine();
        assert_eq!(fits(&wanted, &engine), Some(Vec::new()));
        let with = |change: fn(&mut OnOffer)| {
            let mut engine = goods_engine();
            change(&mut engine);
            fits(&wanted, &engine)
        };
        assert_eq!(with(|it| it.asked = Some(money("2999.01"))), None);
        assert_eq!(with(|it| it.gauge_mm = Some(Decimal::from(89))), None);
        assert_eq!(with(|it| it.kind = Kind::RoadEngine), None);
        assert_eq!(with(|it| it.whyte = "0-6-2".parse().ok()), None);
        let nobody_knows = with(|it| {
            it.asked = None;
            it.gauge_mm = None;
        });
        assert_eq!(
            nobody_knows,
            Some(vec![WantPart::Gauge, WantPart::MostToPay])
        );
        let panniers = Want {
            whyte: Some("0-6-0PT".parse().expect("an arrangement")),
            ..Want::default()
        };
        assert_eq!(fits(&panniers, &engine), Some(Vec::new()));
        let mut plain = goods_engine();
        plain.whyte = "0-6-0".parse().ok();
        assert_eq!(fits(&panniers, &plain), None);
        assert_eq!(fits(&Want::default(), &engine), None);
        let scale = Want {
            scale: Some("1:8".parse().expect("a scale")),
            ..Want::default()
        };
        assert_eq!(fits(&scale, &engine), Some(vec![WantPart::Scale]));
        let mut to_scale = goods_engine();
        to_scale.scale = "1 1/2 in to the foot".parse().ok();
        assert_eq!(
            fits(&scale, &to_scale),
            Some(Vec::new()),
            "twelve inches over one and a half is eight"
        );
    }

    proptest! {
        /// A higher `most_to_pay` never matches fewer engines.
        #[test]
        fn a_higher_limit_fits_all_that_a_lower_one_does(asked in 1..1_000_000_u32, low in 1..1_000_000_u32, more in 0..1_000_000_u32) {
            let pounds = |n: u32| money(&format!("{n}.00"));
            let engine = OnOffer { asked: Some(pounds(asked)), ..goods_engine() };
            let want = |most| Want { most_to_pay: Some(pounds(most)), ..Want::default() };
            if fits(&want(low), &engine).is_some() {
                prop_assert!(fits(&want(low + more), &engine).is_some());
            }
        }
    }
}
