//! Estimators and distributions: pure numerics, each with parameters, result and error. No tables, no input or output.
//!
//! - [`least_squares`], [`robust`]: fits by orthogonal factors, never by normal equations.
//! - [`sandwich`]: covariances that hold when rows of one cluster move together, with their degrees of freedom.
//! - [`blocked`], [`spread`]: the same for a whole season, block by block.
//! - [`mean`]: mean and slope of one window's samples, autocorrelation counted; [`autoregression`] is their model.
//! - [`between`]: scatter between windows beyond their own standard errors.
//! - [`null_space`]: which columns of a design can't be told apart.
//! - [`distributions`], [`f_test`], [`multiple`], [`power`], [`delta`], [`bootstrap`]: from coefficients to answers.

pub mod autoregression;
pub mod between;
pub mod blocked;
pub mod bootstrap;
pub mod delta;
pub mod distributions;
pub mod f_test;
mod lanes;
pub mod least_squares;
pub mod mean;
pub mod multiple;
pub mod null_space;
pub mod power;
pub mod robust;
pub mod root;
pub mod sandwich;
mod scaling;
pub mod shown;
pub mod spread;
