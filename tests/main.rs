//! The service through its public interface, each test on a database of its own.

mod boilers;
mod codes;
mod engines;
mod generated;
mod interface;
mod jobs;
mod make;
mod migrations;
mod papers;
mod readiness;
mod shop;
mod surveys;
mod wire;
