//! The service through its public interface, each test on a database of its own.

mod asking_prices;
mod boilers;
mod codes;
mod comparables;
mod compose;
mod deliveries;
mod demo;
mod engines;
mod fits;
mod generated;
mod guide;
mod interface;
mod jobs;
mod listings;
mod make;
mod midnight;
mod migrations;
mod papers;
mod public;
mod readiness;
mod sales;
mod shop;
mod stories;
mod surveys;
mod valuations;
mod wire;
