//! What was found, for people: no computation.

pub mod columns;
pub mod summary;
