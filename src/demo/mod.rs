//! The season simulator: an invented team, its car, circuits, weather and a season of outings, with the
//! truth known. It shares no function with the estimators (neither `physics` nor `numerics` nor `stages`),
//! so that a mistake of theirs can't cancel here.
//!
//! `scenario` says what to simulate; `aero`, `car`, `circuit`, `weather` hold the invented world;
//! `driver` and `vehicle` move the car through time; `sensors` turn true states into logged channels;
//! `season` plans sessions and outings and simulates one log at a time; `write` makes the files a user
//! would have; `score` holds written tables against the truth.
//!
//! What it leaves out, on purpose: side wind acts only through its component along the car, the tyre's
//! rolling resistance is a force at the contact patch, rotating wheels transfer no load of their own.

pub mod aero;
pub mod car;
#[cfg(test)]
mod check;
pub mod circuit;
pub mod csv_log;
pub mod driver;
pub mod export;
pub mod files;
pub mod noise;
pub mod padding;
pub mod parquet_log;
pub mod sample;
pub mod scenario;
pub mod score;
pub mod season;
pub mod sensors;
pub mod truth;
pub mod vehicle;
pub mod weather;

pub use files::write;
pub use scenario::{Faults, Scenario};
pub use season::{Season, SimLog, simulate};
pub use truth::Truth;
