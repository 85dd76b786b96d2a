//! squarelaw: downforce and drag of every configuration of a race car, with the uncertainty of every
//! number, from a season of data-logger exports.
//!
//! The modules in the order of the data: definitions (`config`) become a checked `plan`; the `engine`
//! runs its `stages` over the logs; stages use `physics`, `numerics` and `table`; `report` shows what
//! was found. `demo` makes invented seasons and shares no function with the estimators.

pub mod channels;
pub mod cli;
pub mod config;
pub mod demo;
pub mod engine;
pub mod error;
pub mod located;
pub mod numerics;
pub mod physics;
pub mod plan;
pub mod report;
pub mod stages;
pub mod study;
pub mod table;
pub mod units;
