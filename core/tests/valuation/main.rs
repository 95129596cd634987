//! The valuation against other programs, and against what has to hold whatever the sales are.

#![expect(
    clippy::expect_used,
    reason = "a test that cannot be set up has to fail"
)]

mod invariants;
mod made_up;
mod peers;
mod price_scale;
mod vectors;
