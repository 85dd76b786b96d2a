//! Log stages: one log in, one log out. `state` holds what several of them must know of the car at each
//! sample.

pub mod air;
pub mod align;
pub mod load;
pub mod loads;
#[cfg(test)]
mod recovery;
pub mod resistance;
mod state;
#[cfg(test)]
pub(crate) mod testing;
