//! The service through its public interface, each test on a database of its own.

mod demo;
mod engines;
mod generated;
mod make;
mod shop;
mod wire;
