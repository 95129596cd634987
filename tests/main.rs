//! The service through its public interface, each test on a database of its own.

mod deliveries;
mod engines;
mod generated;
mod interface;
mod jobs;
mod listings;
mod make;
mod migrations;
mod public;
mod sales;
mod shop;
mod surveys;
mod wire;
