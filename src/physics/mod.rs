//! Pure functions of numbers, each with the source of its formula. No tables, no input or output.
//! Everything is in SI units; axes and signs are those of ISO 8855 (x forward, y left, z up), with
//! downforce positive down and drag positive rearward.

pub mod air;
pub mod coastdown;
pub mod road_load;
pub mod road_power;
pub mod suspension;
pub mod transfer;
pub mod tyres;
