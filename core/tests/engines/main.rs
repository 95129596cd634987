//! The properties of an engine and its expected performance, compared with published figures.

#![expect(clippy::expect_used, reason = "a test that cannot be set up must fail")]

mod engine;
mod working_figures;
