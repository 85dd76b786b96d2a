//! Log stages: one log in, one log out.

pub mod air;
pub mod align;
pub mod load;
pub mod loads;
pub mod resistance;
