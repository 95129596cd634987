//! The service through its public interface, each test on a database of its own.

mod generated;
mod shop;
mod wire;
