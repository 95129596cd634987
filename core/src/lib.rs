//! Rules and arithmetic of Outshop. Facts in, answer out.
//!
//! Nothing here reads a clock, an environment, a file or a network, and nothing is random: "today" is an argument. The
//! modules are listed in reading order.

#[macro_use]
mod words;

pub mod days;
pub mod money;
pub mod units;

pub mod engine;
pub mod surveys;

pub mod boiler;
pub mod codes;
pub mod paper_words;
pub mod papers;
pub mod readiness;
pub mod sense;

pub mod jobs;
pub mod plan;

pub mod working_figures;

pub mod costs;
pub mod tax;
pub mod terms;

pub mod pricing_facts;

pub mod guide;

pub mod trade;
pub mod wants;

pub mod ratios;
pub mod valuation;

pub mod webhooks;

pub use words::UnknownWord;
