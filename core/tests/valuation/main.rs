//! Compares the valuation with other programs, and checks properties that do not depend on the sales.

#![expect(clippy::expect_used, reason = "a test that cannot be set up must fail")]

mod invariants;
mod made_up;
mod peers;
mod price_scale;
mod vectors;
