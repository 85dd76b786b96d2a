//! Estimators and distributions: pure numerics, each with parameters, result and error. No tables, no input or output.

pub mod autoregression;
pub mod blocked;
pub mod distributions;
pub mod mean;
pub mod multiple;
pub mod null_space;
pub mod power;
mod scaling;
pub mod spread;
