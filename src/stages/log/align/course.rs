//! A course that stands still while the car goes round corners is a receiver's that lost its satellites, or a column of
//! something else: no wind can be told by it.

use crate::stages::log::changes::DRIVES;
use crate::table::frame::LogFrame;

/// Turn of a course that counts as none, rad.
const STILL: f64 = 0.02;
/// Lateral acceleration of a corner, m/s², and the time in it that is no bump, s.
const CORNER: f64 = 3.0;
const LONG_ENOUGH: f64 = 5.0;

/// Whether the course of a log never changes although the car goes round corners.
pub(super) fn stands_still(log: &LogFrame) -> bool {
    let (Some(course), Some(speed), Some(lateral)) = (log.get("course"), log.get("speed"), log.get("accel_y")) else {
        return false;
    };
    let mut corner = 0_usize;
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for ((course, _), lateral) in
        course.iter().zip(speed).zip(lateral).filter(|((c, v), _)| c.is_finite() && **v > DRIVES)
    {
        (low, high) = (low.min(*course), high.max(*course));
        corner += usize::from(lateral.abs() > CORNER);
    }
    high - low < STILL && corner as f64 > LONG_ENOUGH * log.rate
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::log::testing;

    #[test]
    fn a_course_that_corners_do_not_change_stands_still() {
        let lap = |of: &dyn Fn(f64) -> f64| (0..600).map(|i| of(f64::from(i) / 10.0)).collect::<Vec<f64>>();
        let (speed, corners, gentle) = (lap(&|_| 40.0), lap(&|t| 8.0 * (t / 5.0).sin()), lap(&|_| 0.5));
        let (still, turns) = (lap(&|_| 1.46), lap(&|t| (t / 5.0).sin()));
        let stands = |course: &[f64], lateral: &[f64]| {
            let mut log = testing::log(600, &[("speed", &speed), ("course", course), ("accel_y", lateral)]);
            log.rate = 10.0;
            stands_still(&log)
        };
        assert!(stands(&still, &corners) && !stands(&turns, &corners));
        // One way down a runway.
        assert!(!stands(&still, &gentle));
    }
}
