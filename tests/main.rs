//! The service through its public interface, each test on a database of its own.

mod engines;
mod generated;
mod jobs;
mod make;
mod shop;
mod surveys;
mod wire;
