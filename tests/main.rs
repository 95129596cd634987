//! The service through its public interface, each test on a database of its own.

mod asking_prices;
mod comparables;
mod engines;
mod generated;
mod guide;
mod interface;
mod jobs;
mod make;
mod migrations;
mod shop;
mod valuations;
mod surveys;
mod wire;
