//! Log stages: one log in, one log out. `state` holds what several of them must know of the car at each
//! sample, `changes` whether its channels belong to one car and moment.

pub mod air;
pub mod align;
mod changes;
pub mod load;
pub mod loads;
#[cfg(test)]
mod recovery;
pub mod resistance;
mod state;
#[cfg(test)]
pub(crate) mod testing;

/// What log stages make for those stages alone that ask for it.
pub const ON_REQUEST: [&str; 6] = {
    let [fl, fr, rl, rr] = loads::WHEEL_LOADS;
    [fl, fr, rl, rr, "fuel_aboard", "drive_force"]
};
