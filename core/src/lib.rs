//! Rules and arithmetic of Outshop: pure functions from facts to answers.
//!
//! Nothing here reads a clock, the environment, a file or a network, and nothing is random: "today" is an argument. The
//! modules are listed in reading order.

#[macro_use]
mod words;

pub mod days;
pub mod money;
pub mod units;

pub mod sense;

pub mod trade;

pub mod webhooks;

/// What an engine is, its sizes and figures, and its condition.
pub mod engines {
    pub mod engine;
    pub mod surveys;
    pub mod wants;
    pub mod working_figures;
}
/// Boiler codes, tests and certificates, and whether an engine may be listed or delivered.
pub mod boilers {
    pub mod boiler;
    pub mod codes;
    pub mod events;
    pub mod paper_words;
    pub mod papers;
    pub mod readiness;
}
/// Jobs and plans.
pub mod workshop {
    pub mod jobs;
    pub mod plan;
}
/// What an engine is worth.
pub mod pricing {
    pub mod price_scale;
    pub mod pricing_facts;
    pub mod ratios;
    pub mod valuation;
}
/// Costs, taxes and statutory periods.
pub mod books {
    pub mod costs;
    pub mod tax;
    pub mod terms;
}

pub use words::UnknownWord;
