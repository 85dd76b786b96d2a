//! Force at each wheel, from damper travel or load cells.

use crate::config::car::{self, CORNERS, Car};
use crate::error::LogFault;
use crate::physics::suspension::{Spring, SpringTable, wheel_force};
use crate::stages::log::state::{column, range};
use crate::table::frame::LogFrame;

/// Speed above which the car is under way, m/s (common practice, no source).
const MOVING: f64 = 5.0;
/// Share of the moving samples that may lie outside a spring table before the log is set aside
/// (common practice, no source).
const OUTSIDE_ALLOWED: f64 = 0.05;

/// Load cells: the force as logged, N.
pub fn from_cells(log: &LogFrame, channels: [&str; 4]) -> Result<[Vec<f64>; 4], LogFault> {
    let [fl, fr, rl, rr] = channels.map(|c| column(log, c).map(<[f64]>::to_vec));
    Ok([fl?, fr?, rl?, rr?])
}

/// Dampers: spring force at the wheel, N, missing where travel is missing or outside of a spring table
/// (flag `spring_table_left`).
///
/// # Errors
/// `Implausible` when more than a twentieth of the moving samples of a run lie outside of a table.
pub fn from_dampers(log: &mut LogFrame, car: &Car) -> Result<[Vec<f64>; 4], LogFault> {
    let mut force: [Vec<f64>; 4] = Default::default();
    let mut left = false;
    let (springs, ratios) = (car.springs.corners(), car.motion_ratio.corners());
    for (((to, corner), spring), ratio) in force.iter_mut().zip(CORNERS).zip(springs).zip(ratios) {
        let name = format!("damper_{corner}");
        let travel = column(log, &name)?;
        // The check of the car file has made sure of both.
        let missing = || LogFault::MissingChannel {
            channel: name.clone(),
            column: "springs and motion_ratio of the car file".to_owned(),
            near: None,
        };
        let (spring, ratio) = (spring.and_then(curve).ok_or_else(missing)?, ratio.ok_or_else(missing)?.get());
        left |= check_reach(log, &name, travel, &spring)?;
        *to = travel.iter().map(|d| wheel_force(&spring, ratio, *d).unwrap_or(f64::NAN)).collect();
    }
    if left {
        log.flag("spring_table_left");
    }
    Ok(force)
}

/// The spring of the car file as a curve; `None` where its points make no table.
fn curve(spring: &car::Spring) -> Option<Spring> {
    match spring {
        car::Spring::Rate(rate) => Some(Spring::Rate(rate.get())),
        car::Spring::Table(points) => {
            let points = points.iter().map(|p| (p.travel.get(), p.force.get())).collect();
            SpringTable::new(points).ok().map(Spring::Table)
        }
    }
}

/// Whether a damper leaves its spring table while the car moves in a run.
fn check_reach(log: &LogFrame, name: &str, travel: &[f64], spring: &Spring) -> Result<bool, LogFault> {
    let Spring::Table(table) = spring else { return Ok(false) };
    let (low, high) = table.reach();
    let speed = log.get("speed");
    let moving = |i: usize| speed.and_then(|v| v.get(i)).is_none_or(|v| *v > MOVING);
    let (mut all, mut outside, mut worst) = (0_usize, 0_usize, 0.5 * (low + high));
    let beyond = |d: f64| (low - d).max(d - high);
    for i in log.segments.iter().flat_map(range).filter(|i| moving(*i)) {
        let Some(d) = travel.get(i).filter(|d| d.is_finite()) else { continue };
        all += 1;
        if beyond(*d) > 0.0 {
            outside += 1;
            worst = if beyond(*d) > beyond(worst) { *d } else { worst };
        }
    }
    if outside as f64 > OUTSIDE_ALLOWED * all as f64 {
        let (channel, unit) = (name.to_owned(), "m".to_owned());
        return Err(LogFault::Implausible { channel, value: worst, unit, low, high });
    }
    Ok(outside > 0)
}
