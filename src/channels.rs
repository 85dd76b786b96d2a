//! The canonical channels: the fixed names, SI units and signs by which every stage knows a logged
//! quantity. Axes and signs: ISO 8855 (x forward, y left, z up).

use crate::units::Dimension;

/// One canonical channel.
#[derive(Clone, Copy, Debug)]
pub struct Channel {
    /// Its fixed name.
    pub name: &'static str,
    /// What it measures; values are in that dimension's SI unit.
    pub dimension: Dimension,
    /// Meaning and sign.
    pub description: &'static str,
}

const fn c(name: &'static str, dimension: Dimension, description: &'static str) -> Channel {
    Channel { name, dimension, description }
}

/// All canonical channels. A layout may add channels of its own under other names.
pub const CHANNELS: &[Channel] = {
    use Dimension::*;
    &[
        c("speed", Speed, "speed over ground, forward positive"),
        c(
            "air_speed",
            Speed,
            "true air speed along x, of the undisturbed air (a speed that the logger makes of a pitot tube's pressure and one fixed density is an indicated one, and wrong by the root of the densities)",
        ),
        c("accel_x", Acceleration, "specific force along x (accelerometer), forward positive; holds the gradient"),
        c("accel_y", Acceleration, "specific force along y, left positive"),
        c("accel_z", Acceleration, "specific force along z, up positive: +9.81 at rest"),
        c("steering", Angle, "steering wheel angle, left positive"),
        c("course", Angle, "direction of travel over ground, clockwise from north"),
        c("grade", Ratio, "slope of the road, rise over run, uphill positive"),
        c("altitude", Length, "height above sea level"),
        c("throttle", Ratio, "throttle opening, 0 closed, 1 open"),
        c("brake_pressure", Pressure, "brake line pressure, front circuit"),
        c("clutch", Ratio, "clutch pedal, 0 released (engaged), 1 pressed"),
        c("gear", Ratio, "gear number, 0 neutral"),
        c("engine_speed", AngularSpeed, "crankshaft speed"),
        c("damper_fl", Length, "damper travel front left, compression positive"),
        c("damper_fr", Length, "damper travel front right, compression positive"),
        c("damper_rl", Length, "damper travel rear left, compression positive"),
        c("damper_rr", Length, "damper travel rear right, compression positive"),
        c("load_fl", Force, "wheel load front left from a load cell, as force at the wheel"),
        c("load_fr", Force, "wheel load front right from a load cell, as force at the wheel"),
        c("load_rl", Force, "wheel load rear left from a load cell, as force at the wheel"),
        c("load_rr", Force, "wheel load rear right from a load cell, as force at the wheel"),
        c("wheel_torque_rl", Torque, "drive torque at the rear left wheel, driving positive"),
        c("wheel_torque_rr", Torque, "drive torque at the rear right wheel, driving positive"),
        c("wheel_torque_fl", Torque, "drive torque at the front left wheel, driving positive"),
        c("wheel_torque_fr", Torque, "drive torque at the front right wheel, driving positive"),
        c("shaft_torque", Torque, "torque of the shaft into the final drive, driving positive"),
        c("air_temperature", Temperature, "temperature of the ambient air"),
        c("air_pressure", Pressure, "static pressure of the ambient air"),
        c("humidity", Ratio, "relative humidity of the ambient air, 0 to 1"),
        c("fuel_used", Mass, "fuel burnt since the start of the outing"),
        c("ride_height_front", Length, "front ride height"),
        c("ride_height_rear", Length, "rear ride height"),
    ]
};

/// The canonical channel of that name.
pub fn find(name: &str) -> Option<&'static Channel> {
    CHANNELS.iter().find(|c| c.name == name)
}
