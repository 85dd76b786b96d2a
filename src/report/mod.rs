//! What was found, for people: no computation.

pub mod columns;
pub mod parts;
pub mod prediction;
pub mod summary;
