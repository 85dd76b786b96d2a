//! The road load of a coasting car from its speed over time: least squares of the closed solution, so
//! no noisy speed is ever differentiated.
//!
//! For A + C·v² and the parameters v₀, A, C the speed v(t) of [`super::road_load`] is fitted to the
//! samples by Levenberg–Marquardt with analytic derivatives. The start comes from the same law integrated
//! once, v(t) = v₀ − (A/m)·t − (C/m)·∫v² dt, which is linear in the three.
//!
//! Source of the analysis in integral form: 40 CFR 1066.310, SAE J2263 and UN GTR 15 annex 4 (from
//! memory); Levenberg–Marquardt: J. J. Moré, Numerical Analysis, Lecture Notes in Mathematics 630 (1978).

use nalgebra::{Matrix3, Vector3};

use super::road_load::{RoadLoad, reduced_tangent};

/// How to fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Params {
    /// Most steps taken.
    pub max_steps: u32,
    /// A step that changes every parameter by less than this, relative to its own scale, ends the fit.
    pub tolerance: f64,
}

impl Default for Params {
    fn default() -> Self {
        Self { max_steps: 60, tolerance: 1e-12 }
    }
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoastFit {
    /// Road load.
    pub load: RoadLoad,
    /// Speed at the first sample, m/s.
    pub v0: f64,
    /// Standard error of A, N, for residuals that are independent from sample to sample. Logged speed is
    /// smoothed, so they are not: the true error is larger.
    pub a_se: f64,
    /// Standard error of C, N/(m/s)², under the same condition.
    pub c_se: f64,
    /// Correlation of A and C; near −1 where the range of speeds is short.
    pub correlation: f64,
    /// Root mean square residual of speed, m/s, three degrees of freedom taken off.
    pub rms: f64,
    /// Steps taken.
    pub steps: u32,
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum CoastError {
    /// Fewer than five samples, or times and speeds of different number.
    #[error("{times} times and {speeds} speeds: a coastdown needs as many of each, five at least")]
    TooFew {
        /// Times given.
        times: usize,
        /// Speeds given.
        speeds: usize,
    },
    /// A sample, or the mass, is no positive finite number.
    #[error("sample {0} is not a finite speed above zero, or time does not rise there")]
    BadSample(usize),
    /// A mass that can't be.
    #[error("an effective mass of {0} kg")]
    BadMass(f64),
    /// The speeds span too little to tell A from C.
    #[error("speeds from {low} to {high} m/s cannot tell a constant load from one that grows with v²")]
    Flat {
        /// Slowest, m/s.
        low: f64,
        /// Fastest, m/s.
        high: f64,
    },
    /// No settling.
    #[error("the coastdown fit did not settle in {steps} steps (rms {rms} m/s)")]
    NotSettled {
        /// Steps taken.
        steps: u32,
        /// Residual at the end, m/s.
        rms: f64,
    },
}

/// Normal equations of one linearisation.
struct Linearised {
    jtj: Matrix3<f64>,
    jtr: Vector3<f64>,
    cost: f64,
}

/// The samples, time from zero, with parameters in (v₀, A/m, C/m).
struct Trace<'a> {
    t: Vec<f64>,
    v: &'a [f64],
}

impl Trace<'_> {
    /// Speed and its derivatives by v₀, A/m and C/m. `None` where the law has stopped the car.
    fn model(t: f64, x: &Vector3<f64>) -> Option<(f64, Vector3<f64>)> {
        let (v0, a, c) = (x[0], x[1], x[2]);
        let (g, dg) = reduced_tangent(a * c * t * t)?;
        let (tau, slope) = (t * g, t * t * t * dg);
        let below = 1.0 + c * v0 * tau;
        if below <= 0.0 {
            return None;
        }
        let v = (v0 - a * tau) / below;
        let by_tau = -(a + c * v0 * v0) / (below * below);
        let by_v0 = (1.0 + a * c * tau * tau) / (below * below);
        let by_a = -tau / below + by_tau * c * slope;
        let by_c = -v0 * v * tau / below + by_tau * a * slope;
        v.is_finite().then_some((v, Vector3::new(by_v0, by_a, by_c)))
    }

    fn linearise(&self, x: &Vector3<f64>) -> Option<Linearised> {
        let mut out = Linearised { jtj: Matrix3::zeros(), jtr: Vector3::zeros(), cost: 0.0 };
        for (t, v) in self.t.iter().zip(self.v) {
            let (model, d) = Self::model(*t, x)?;
            let r = v - model;
            out.cost += r * r;
            out.jtj += d * d.transpose();
            out.jtr += d * r;
        }
        Some(out)
    }

    /// Linear start: v = v₀ − a·t − c·∫v² dt with the trapezoidal rule, about the mean speed so that the
    /// columns are not nearly equal.
    fn start(&self) -> Option<Vector3<f64>> {
        let mean = self.v.iter().map(|v| v * v).sum::<f64>() / self.v.len() as f64;
        let (mut area, mut jtj, mut jty) = (0.0, Matrix3::zeros(), Vector3::zeros());
        let mut before: Option<(f64, f64)> = None;
        for (&t, &v) in self.t.iter().zip(self.v) {
            if let Some((t0, v0)) = before {
                area += 0.5 * (t - t0) * (v * v + v0 * v0);
            }
            before = Some((t, v));
            let row = Vector3::new(1.0, -t, -(area - mean * t));
            jtj += row * row.transpose();
            jty += row * v;
        }
        let x = scaled_solve(&jtj, &jty, 0.0)?;
        Some(Vector3::new(x[0], x[1] - mean * x[2], x[2]))
    }
}

/// Solves the normal equations after scaling them to a unit diagonal, which is then raised by `damping`.
fn scaled_solve(jtj: &Matrix3<f64>, rhs: &Vector3<f64>, damping: f64) -> Option<Vector3<f64>> {
    let scale = jtj.diagonal().map(|d| if d > 0.0 { 1.0 / d.sqrt() } else { 0.0 });
    let unit = Matrix3::from_diagonal(&scale) * jtj * Matrix3::from_diagonal(&scale);
    let damped = unit + Matrix3::from_diagonal_element(damping);
    let x = damped.cholesky()?.solve(&rhs.component_mul(&scale));
    Some(x.component_mul(&scale)).filter(|x| x.iter().all(|v| v.is_finite()))
}

fn check(times: &[f64], speeds: &[f64], mass: f64) -> Result<(), CoastError> {
    if times.len() != speeds.len() || times.len() < 5 {
        return Err(CoastError::TooFew { times: times.len(), speeds: speeds.len() });
    }
    if !(mass.is_finite() && mass > 0.0) {
        return Err(CoastError::BadMass(mass));
    }
    let bad_speed = speeds.iter().position(|v| !(v.is_finite() && *v > 0.0));
    let bad_time = times.iter().zip(times.iter().skip(1)).position(|(a, b)| !(a.is_finite() && b > a && b.is_finite()));
    match (bad_speed, bad_time.map(|i| i + 1)) {
        (None, None) => Ok(()),
        (a, b) => Err(CoastError::BadSample(a.into_iter().chain(b).min().unwrap_or(0))),
    }
}

/// Fits A and C to speed over time of one coastdown, with the effective mass (rotating parts counted) in kg.
///
/// The load found is that of the day: the part C·v² is proportional to the density of the air, and wind
/// along the road is inside both.
///
/// # Errors
/// See [`CoastError`].
pub fn fit(times: &[f64], speeds: &[f64], mass: f64, params: Params) -> Result<CoastFit, CoastError> {
    check(times, speeds, mass)?;
    let first = times.first().copied().unwrap_or(0.0);
    let trace = Trace { t: times.iter().map(|t| t - first).collect(), v: speeds };
    let (low, high) = speeds.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    let flat = CoastError::Flat { low, high };
    let mut x = trace.start().ok_or(flat)?;
    // A noisy start may stop the car too early: then begin from a load that grows with v² alone.
    let mut here = match trace.linearise(&x) {
        Some(l) => l,
        None => {
            x = pure_square(&trace);
            trace.linearise(&x).ok_or(flat)?
        }
    };
    let freedom = (speeds.len() - 3) as f64;
    let rms = |cost: f64| (cost / freedom).sqrt();
    let (mut damping, mut steps, mut settled) = (1e-6, 0, false);
    while !settled && steps < params.max_steps {
        steps += 1;
        let step = scaled_solve(&here.jtj, &here.jtr, damping).ok_or(flat)?;
        let size = step
            .iter()
            .zip(x.iter())
            .zip(here.jtj.diagonal().iter())
            .map(|((s, x), d)| s.abs() * d.sqrt() / (x.abs() * d.sqrt() + 1e-9 + rms(here.cost)))
            .fold(0.0, f64::max);
        match trace.linearise(&(x + step)) {
            Some(next) if next.cost <= here.cost => {
                (x, here, damping) = (x + step, next, damping * 0.1);
                settled = size < params.tolerance.sqrt();
            }
            // No better point in reach of rounding: this one is the minimum.
            _ if size < params.tolerance.sqrt() => settled = true,
            _ => damping = (damping * 10.0).max(1e-12),
        }
    }
    if !settled {
        return Err(CoastError::NotSettled { steps, rms: rms(here.cost) });
    }
    finish(&here, &x, mass, rms(here.cost), steps).ok_or(flat)
}

/// First and last speed joined by C·v² alone.
fn pure_square(trace: &Trace) -> Vector3<f64> {
    let (v0, v1) = (trace.v.first().copied().unwrap_or(1.0), trace.v.last().copied().unwrap_or(1.0));
    let span = trace.t.last().copied().unwrap_or(1.0);
    Vector3::new(v0, 0.0, ((1.0 / v1 - 1.0 / v0) / span).max(0.0))
}

fn finish(here: &Linearised, x: &Vector3<f64>, mass: f64, rms: f64, steps: u32) -> Option<CoastFit> {
    let scale = here.jtj.diagonal().map(|d| 1.0 / d.sqrt());
    let unit = Matrix3::from_diagonal(&scale) * here.jtj * Matrix3::from_diagonal(&scale);
    let cov = unit.try_inverse()?;
    let se = |i: usize| rms * mass * (cov[(i, i)].max(0.0)).sqrt() * scale[i];
    Some(CoastFit {
        load: RoadLoad { a: mass * x[1], c: mass * x[2] },
        v0: x[0],
        a_se: se(1),
        c_se: se(2),
        correlation: cov[(1, 2)] / (cov[(1, 1)] * cov[(2, 2)]).sqrt(),
        rms,
        steps,
    })
    .filter(|f| f.a_se.is_finite() && f.c_se.is_finite())
}

#[cfg(test)]
mod tests {
    use super::super::road_load::tests::{FIGURE, row};
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64;

    /// Speed over time by fourth-order Runge–Kutta of m·dv/dt = −F: another route than the closed solution.
    fn trace(load: RoadLoad, mass: f64, from: f64, to: f64, rate: f64) -> (Vec<f64>, Vec<f64>) {
        let (h, f) = (1.0 / rate, |v: f64| -load.force(v) / mass);
        let (mut t, mut v) = (vec![10.0], vec![from]);
        loop {
            let (u, n) = (*v.last().unwrap(), 20);
            let k = h / f64::from(n);
            let next = (0..n).fold(u, |u, _| {
                let k1 = f(u);
                let k2 = f(u + 0.5 * k * k1);
                let k3 = f(u + 0.5 * k * k2);
                let k4 = f(u + k * k3);
                u + k / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
            });
            if next < to {
                return (t, v);
            }
            t.push(t.last().unwrap() + h);
            v.push(next);
        }
    }

    #[test]
    fn rows_of_the_regulation_come_back() {
        // 40 CFR 86.529-98 figure F98-9, each row run from 70 to 60 km/h and fitted.
        for (m, a, c, ..) in FIGURE {
            let load = row(a, c);
            let (t, v) = trace(load, m, 70.0 / 3.6, 60.0 / 3.6, 50.0);
            let got = fit(&t, &v, m, Params::default()).unwrap();
            assert!((got.load.a - a).abs() < 1e-5 * load.force(18.0), "{m} kg: A {} for {a}", got.load.a);
            assert!((got.load.c / load.c - 1.0).abs() < 1e-5, "{m} kg: C {} for {}", got.load.c, load.c);
            assert!(got.rms < 1e-8 && (got.v0 - 70.0 / 3.6).abs() < 1e-8);
        }
    }

    #[test]
    fn negative_and_zero_a() {
        // A tail wind or a falling road can make A negative.
        for a in [-40.0, 0.0, 250.0] {
            let load = RoadLoad { a, c: 0.7 };
            let (t, v) = trace(load, 1150.0, 62.0, 25.0, 20.0);
            let got = fit(&t, &v, 1150.0, Params::default()).unwrap();
            assert!((got.load.a - a).abs() < 1e-4 && (got.load.c - 0.7).abs() < 1e-7, "{got:?}");
        }
    }

    #[test]
    fn stated_error_is_the_real_one() {
        // 300 noisy traces: the scatter of A and C equals the standard errors, the mean is unbiased.
        let load = RoadLoad { a: 220.0, c: 0.62 };
        let (t, clean) = trace(load, 1150.0, 60.0, 28.0, 20.0);
        let (noise, mut rng) = (Normal::new(0.0, 0.08).unwrap(), Pcg64::seed_from_u64(31));
        let fits: Vec<CoastFit> = (0..300)
            .map(|_| {
                let v: Vec<f64> = clean.iter().map(|v| v + noise.sample(&mut rng)).collect();
                fit(&t, &v, 1150.0, Params::default()).unwrap()
            })
            .collect();
        let n = fits.len() as f64;
        let stats = |value: &dyn Fn(&CoastFit) -> f64| {
            let mean = fits.iter().map(value).sum::<f64>() / n;
            (mean, (fits.iter().map(|f| (value(f) - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
        };
        for (truth, (mean, sd), se) in [
            (220.0, stats(&|f| f.load.a), stats(&|f| f.a_se).0),
            (0.62, stats(&|f| f.load.c), stats(&|f| f.c_se).0),
            (0.08, stats(&|f| f.rms), 0.08 / (2.0 * (clean.len() - 3) as f64).sqrt()),
        ] {
            assert!((mean - truth).abs() < 4.0 * sd / n.sqrt(), "mean {mean} for {truth}");
            assert!((sd / se - 1.0).abs() < 0.17, "scatter {sd}, stated {se}");
        }
        assert!(fits.iter().all(|f| f.correlation < -0.9));
    }

    #[test]
    fn refusals() {
        let p = Params::default();
        let t: Vec<f64> = (0..20).map(f64::from).collect();
        assert!(matches!(fit(&t[..4], &[1.0; 4], 1e3, p), Err(CoastError::TooFew { .. })));
        assert_eq!(fit(&t, &[30.0; 20], 0.0, p), Err(CoastError::BadMass(0.0)));
        let mut v: Vec<f64> = t.iter().map(|t| 40.0 - t).collect();
        v[7] = f64::NAN;
        assert_eq!(fit(&t, &v, 1e3, p), Err(CoastError::BadSample(7)));
        v[7] = 33.0;
        let mut back = t.clone();
        back[3] = 1.0;
        assert_eq!(fit(&back, &v, 1e3, p), Err(CoastError::BadSample(3)));
        // Exactly constant speed says A + C·v² = 0 and no more.
        assert!(matches!(fit(&t, &[30.0; 20], 1e3, p), Err(CoastError::Flat { .. })));
    }
}
