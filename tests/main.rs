//! The service through its public interface, each test on a database of its own.

mod demo;
mod engines;
mod generated;
mod interface;
mod jobs;
mod make;
mod migrations;
mod shop;
mod stories;
mod surveys;
mod wire;
