//! The service through its public interface, each test on a database of its own.

mod asking_prices;
mod boilers;
mod codes;
mod comparables;
mod engines;
mod generated;
mod guide;
mod interface;
mod jobs;
mod make;
mod migrations;
mod papers;
mod readiness;
mod shop;
mod surveys;
mod valuations;
mod wire;
