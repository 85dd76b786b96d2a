//! Does a measured air speed go with the speed over ground? A car's pitot tube reads what the body makes of the air, and
//! every force is taken over its square. On courses of all directions the wind drops out; what is left is the tube's own.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use crate::numerics::blocked::{self, Block};
use crate::numerics::distributions::t_quantile;
use crate::stages::window::Window;

/// Standard deviation of a wind component of a session before the logs speak, and of the gust of a window, m/s (common
/// practice, no source).
const WIND: f64 = 5.0;
const GUST: f64 = 0.7;
/// Sessions and windows from which it can be told.
const SESSIONS: usize = 2;
const WINDOWS: usize = 24;
/// Share of the speed that tube, wheel speed or GPS are known to (common practice, no source).
const KNOWN_TO: f64 = 0.0075;
/// Spread of the root of the density from session to session, as a share, from which an indicated air speed can be told.
const DENSITY_SPREAD: f64 = 0.005;
/// Chance that a sound season is called so; of an indicated speed that its share is another than none, where it must also be
/// nearer to the whole.
const LEVEL: f64 = 0.001;
const LEVEL_OF_SHARE: f64 = 0.01;

/// A window: speed over ground and through the air, m/s, course, rad, and density of the air, kg/m³.
type Speeds = (f64, f64, f64, f64);

/// How a measured air speed does not go with the speed over ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unlike {
    /// It reads too much or too little.
    Reads(Reads),
    /// It follows the root of the air's density, as a speed does that is made of a pressure and one fixed density. The share of
    /// that which it does, 1 where it is one, and half its 95 % interval.
    Indicated(Reads),
}

/// What the air speed reads over what the speed over ground and a wind of each session would give, at one speed, and half
/// its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reads {
    /// Ratio.
    pub ratio: f64,
    /// Half of its interval.
    pub half: f64,
}

/// Air speed = (1 + b)·ground speed + a + c·ground speed·(√density over its mean − 1) + headwind of the session, by least
/// squares with errors by session; `None` where too few windows have a measured air speed and a course, or where the two speeds
/// agree. `at`: m/s.
pub fn unlike_ground(windows: &[Window], at: f64) -> Option<Unlike> {
    let mut sessions: BTreeMap<(&str, &str), Vec<Speeds>> = BTreeMap::new();
    for w in windows.iter().filter(|w| w.air_speed_measured) {
        let Some(m) = w.measures.iter().flatten().find(|m| m.ratio > 0.0 && m.v.is_finite()) else { continue };
        let Some(course) = w.course else { continue };
        sessions.entry((&w.event, &w.session)).or_default().push((w.speed, m.v / m.ratio, course, w.air_density));
    }
    if sessions.len() < SESSIONS || sessions.values().map(Vec::len).sum::<usize>() < WINDOWS {
        return None;
    }
    let roots: Vec<f64> =
        sessions.values().map(|of| of.iter().map(|s| s.3.sqrt()).sum::<f64>() / of.len() as f64).collect();
    let usual = roots.iter().sum::<f64>() / roots.len() as f64;
    let spread = (roots.iter().map(|r| (r / usual - 1.0).powi(2)).sum::<f64>() / roots.len() as f64).sqrt();
    let unknowns = if sessions.len() > SESSIONS && spread > DENSITY_SPREAD { 3 } else { 2 };
    // Two rows behind those of the windows keep a wind that they do not tell within reason.
    let block = |of: &Vec<Speeds>| {
        let n = of.len();
        Block {
            columns: (0..unknowns).collect(),
            x: DMatrix::from_fn(n + 2, unknowns, |i, j| match of.get(i) {
                Some((ground, _, _, density)) => [1.0, ground - at, ground * (density.sqrt() / usual - 1.0)][j],
                None => 0.0,
            }),
            nuisance: DMatrix::from_fn(n + 2, 2, |i, j| match i.checked_sub(n) {
                Some(prior) => f64::from(u8::from(prior == j)),
                None => [of[i].2.cos(), of[i].2.sin()][j],
            }),
            y: DVector::from_fn(n + 2, |i, _| if i < n { of[i].1 - of[i].0 } else { 0.0 }),
            w: DVector::from_fn(n + 2, |i, _| if i < n { GUST.powi(-2) } else { WIND.powi(-2) }),
            together: Vec::new(),
        }
    };
    let blocks: Vec<Block> = sessions.values().map(block).collect();
    let fit = blocked::fit(&blocks, unknowns).ok()?;
    // Value of an unknown, half its 95 % interval, and whether it is surely not nothing.
    let told = |unknown: usize, level: f64| -> Option<(f64, f64, bool)> {
        let contrast = DVector::from_fn(unknowns, |i, _| f64::from(u8::from(i == unknown)));
        let (value, dof) = (fit.beta[unknown], fit.dof(&contrast).max(1.0));
        let error = fit.variance(&contrast).max(fit.model_variance(&contrast)).sqrt();
        let surely = value.abs() > t_quantile(1.0 - 0.5 * level, dof).ok()? * error;
        Some((value, t_quantile(0.975, dof).ok()? * error, surely))
    };
    let indicated = if unknowns > 2 { told(2, LEVEL_OF_SHARE) } else { None };
    if let Some((share, half, true)) = indicated
        && (share - 1.0).abs() < share.abs().min(half.max(0.5))
    {
        return Some(Unlike::Indicated(Reads { ratio: share, half }));
    }
    let (off, half, surely) = told(0, LEVEL)?;
    let found = Reads { ratio: 1.0 + off / at, half: half / at };
    (surely && off.abs() > KNOWN_TO * at).then_some(Unlike::Reads(found))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64Mcg;

    use super::*;
    use crate::stages::season::fit::tests::{Season, make};

    /// A season whose tube reads so many times the speed through the air, and so many m/s more.
    fn season(factor: f64, offset: f64, seed: u64) -> Vec<Window> {
        let mut windows = make(&Season { sessions: 6, windows: 40, ..Default::default() }, seed).windows;
        let (normal, mut rng) = (Normal::new(0.0, 1.0).unwrap(), Pcg64Mcg::seed_from_u64(seed));
        let winds: Vec<[f64; 2]> = (0..6).map(|_| [0, 1].map(|_| 3.0 * normal.sample(&mut rng))).collect();
        for (i, w) in windows.iter_mut().enumerate() {
            let session: usize = w.session[1..].parse().unwrap();
            // Fast with the wind from one side, slow on the way back.
            let course = (i % 4) as f64 * std::f64::consts::FRAC_PI_2 + 0.3;
            w.speed = 45.0 + 10.0 * course.cos() + 2.0 * normal.sample(&mut rng);
            let head =
                winds[session][0] * course.cos() + winds[session][1] * course.sin() + 0.7 * normal.sample(&mut rng);
            let v = factor * (w.speed + head) + offset;
            (w.course, w.air_speed_measured) = (Some(course), true);
            w.measures.iter_mut().flatten().for_each(|m| (m.v, m.ratio) = (0.97 * v, 0.97));
        }
        windows
    }

    #[test]
    fn a_tube_that_reads_too_much_is_told_from_the_wind() {
        for (factor, offset) in [(1.04, 0.0), (0.96, 0.0), (1.0, -2.0), (1.0, 2.0)] {
            for seed in 0..5 {
                let Some(Unlike::Reads(found)) = unlike_ground(&season(factor, offset, seed), 44.4) else { panic!() };
                let real = factor + offset / 44.4;
                assert!((found.ratio - real).abs() < 0.015 && found.half < 0.02, "{factor} {offset}: {found:?}");
            }
        }
        for seed in 0..40 {
            assert_eq!(unlike_ground(&season(1.0, 0.0, seed), 44.4), None, "{seed}");
        }
    }

    #[test]
    fn a_speed_of_one_fixed_density_is_told_from_one_that_reads_too_much() {
        let dense = |indicated: bool, factor: f64, seed: u64| {
            let mut windows = season(factor, 0.0, seed);
            for w in &mut windows {
                let session: f64 = w.session[1..].parse().unwrap();
                w.air_density = 1.13 + 0.02 * session;
                let root = if indicated { (w.air_density / 1.225).sqrt() } else { 1.0 };
                w.measures.iter_mut().flatten().for_each(|m| m.v *= root);
            }
            unlike_ground(&windows, 44.4)
        };
        for seed in 0..10 {
            let Some(Unlike::Indicated(found)) = dense(true, 1.0, seed) else { panic!("{seed}") };
            assert!((found.ratio - 1.0).abs() < 0.4 && found.half < 0.6, "{seed}: {found:?}");
            assert!(matches!(dense(false, 1.04, seed), Some(Unlike::Reads(_))), "{seed}");
        }
        for seed in 0..40 {
            assert_eq!(dense(false, 1.0, seed), None, "{seed}");
        }
    }

    #[test]
    fn without_air_speed_or_course_nothing_is_told() {
        let mut windows = season(1.04, 0.0, 1);
        windows.iter_mut().for_each(|w| w.course = None);
        assert_eq!(unlike_ground(&windows, 44.4), None);
        let mut windows = season(1.04, 0.0, 1);
        windows.iter_mut().for_each(|w| w.air_speed_measured = false);
        assert_eq!(unlike_ground(&windows, 44.4), None);
        assert_eq!(unlike_ground(&season(1.04, 0.0, 1)[..40], 44.4), None, "one session");
    }
}
