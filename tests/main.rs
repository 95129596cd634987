//! The service through its public interface, each test on a database of its own.

mod engines;
mod generated;
mod interface;
mod jobs;
mod make;
mod migrations;
mod shop;
mod surveys;
mod wire;
