//! What was found, for people: no computation.

pub mod answers;
pub mod columns;
mod flags;
pub mod parts;
pub mod prediction;
pub mod predictions;
pub mod summary;
