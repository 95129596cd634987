//! What an engine is and what can be expected of it, against what is printed.

#![expect(
    clippy::expect_used,
    reason = "a test that cannot be set up has to fail"
)]

mod engine;
mod working_figures;
