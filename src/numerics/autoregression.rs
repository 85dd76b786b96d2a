//! Autoregressive models of a series of residuals, with gaps: Burg's method, the order by the corrected Akaike
//! criterion. A first order would do for a drifting sensor, but a car on its springs swings: its samples are
//! negatively correlated half a period apart, and a first-order model would overstate the error of their mean tenfold.
//!
//! Sources: J. P. Burg's maximum entropy method and the Levinson recursion as in P. Brockwell, R. Davis, Time Series:
//! Theory and Methods, section 8.2 (from memory); C. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297-307 for the criterion.

use multiversion::multiversion;

use super::lanes::{dot, dot_reversed};

/// Innovations below this share of the variance are rounding: the series is predicted exactly.
const LEAST_INNOVATION: f64 = 1e-12;

/// Reflection coefficients are kept inside the unit circle by this much.
const LARGEST_REFLECTION: f64 = 1.0 - 1e-6;

/// Autocorrelations below this count as zero from there on: a mean's variance is good to as much.
pub const NEGLIGIBLE: f64 = 1e-6;

/// A stationary model `x_t = Σ a_k x_{t−k} + e_t`.
#[derive(Clone, Debug, PartialEq)]
pub struct Autoregression {
    /// a_1 … a_p; empty for white noise.
    coefficients: Vec<f64>,
    /// Partial autocorrelations, lag 1 first: what the coefficients were built from. Kept, because getting them back
    /// from the coefficients loses all digits near the unit circle.
    reflections: Vec<f64>,
    /// Variance of e over the variance of x.
    innovation: f64,
}

impl Autoregression {
    /// White noise.
    pub fn white() -> Self {
        Self { coefficients: Vec::new(), reflections: Vec::new(), innovation: 1.0 }
    }

    /// The same with room for a model of this order.
    fn white_for(order: usize) -> Self {
        Self { coefficients: Vec::with_capacity(order), reflections: Vec::with_capacity(order), innovation: 1.0 }
    }

    /// The order p.
    pub fn order(&self) -> usize {
        self.coefficients.len()
    }

    /// a_1 … a_p.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Variance of e over the variance of x.
    pub fn innovation(&self) -> f64 {
        self.innovation
    }

    /// One order more, by the reflection coefficient (partial autocorrelation) of that lag.
    fn extend(&mut self, reflection: f64) {
        let k = reflection.clamp(-LARGEST_REFLECTION, LARGEST_REFLECTION);
        extend(&mut self.coefficients, k);
        self.reflections.push(k);
        self.innovation *= 1.0 - k * k;
    }

    /// The model whose first autocovariances are the given ones, lag 0 first (Levinson's recursion). `None` without a
    /// positive variance.
    pub fn from_autocovariance(autocovariance: &[f64]) -> Option<Self> {
        let (variance, lags) = autocovariance.split_first()?;
        if !(variance.is_finite() && *variance > 0.0) {
            return None;
        }
        let mut model = Self::white_for(lags.len());
        for (done, covariance) in lags.iter().enumerate() {
            let explained = dot_reversed(&model.coefficients, &lags[..done]);
            model.extend((covariance - explained) / (model.innovation * variance));
            if model.innovation < LEAST_INNOVATION {
                break;
            }
        }
        Some(model)
    }

    /// Autocorrelations at lags 0 to at most `longest`; ends early where all that follow are below `negligible`.
    pub fn autocorrelation(&self, longest: usize, negligible: f64) -> Vec<f64> {
        autocorrelation(self, longest, negligible)
    }
}

/// See [`Autoregression::autocorrelation`]; compiled for newer processors too, as every window takes it a dozen times.
#[multiversion(targets("x86_64+avx2"))]
fn autocorrelation(model: &Autoregression, longest: usize, negligible: f64) -> Vec<f64> {
    let order = model.order();
    let mut out = Vec::with_capacity(longest.min(1000) + order + AT_ONCE);
    out.push(1.0);
    let mut coefficients = Vec::with_capacity(order + AT_ONCE);
    let mut innovation = 1.0;
    for &k in &model.reflections {
        let explained = dot_reversed(&coefficients, &out[1..]);
        out.push(k * innovation + explained);
        extend(&mut coefficients, k);
        innovation *= 1.0 - k * k;
    }
    out.truncate(longest + 1);
    // What stands beyond the last coefficient is nothing.
    coefficients.resize(order + AT_ONCE, 0.0);
    let mut small = 0;
    while out.len() <= longest && small <= order {
        let (mut next, start) = (coming(&coefficients[..order + AT_ONCE - 1], &out), out.len());
        for i in 0..AT_ONCE {
            // Near the unit circle rounding grows from lag to lag.
            let here = next[i].clamp(-1.0, 1.0);
            small = if here.abs() < negligible { small + 1 } else { 0 };
            out.push(here);
            if out.len() > longest || small > order {
                break;
            }
            next[i + 1..].iter_mut().zip(&coefficients).for_each(|(later, a)| *later += a * here);
        }
        debug_assert!(out.len() > start);
    }
    out
}

/// Coefficients of one order more, by its reflection coefficient. In place: a window takes some dozens of these steps.
#[inline(always)]
fn extend(coefficients: &mut Vec<f64>, k: f64) {
    // a_j − k·a_(p+1−j), the two of a pair together; the one in the middle is its own partner.
    let half = coefficients.len() / 2;
    let (first, rest) = coefficients.split_at_mut(half);
    if first.len() < rest.len() {
        rest[0] -= k * rest[0];
    }
    for (a, b) in first.iter_mut().zip(rest.iter_mut().rev()) {
        (*a, *b) = (*a - k * *b, *b - k * *a);
    }
    coefficients.push(k);
}

/// Lags that are worked out together: what older ones make of them goes side by side.
const AT_ONCE: usize = 4;

/// What the lags so far make of the next ones. `coefficients`: with one nothing less behind them than lags that are worked
/// out together.
#[inline(always)]
fn coming(coefficients: &[f64], out: &[f64]) -> [f64; AT_ONCE] {
    // Two sums each, or every step would wait for the one before.
    let (mut even, mut odd) = ([0.0; AT_ONCE], [0.0; AT_ONCE]);
    let add = |sums: &mut [f64; AT_ONCE], a: &[f64], r: f64| {
        sums.iter_mut().zip(a).for_each(|(sum, a)| *sum += a * r);
    };
    let mut steps = coefficients.windows(AT_ONCE).zip(out.iter().rev());
    while let Some((a, r)) = steps.next() {
        add(&mut even, a, *r);
        if let Some((a, r)) = steps.next() {
            add(&mut odd, a, *r);
        }
    }
    std::array::from_fn(|i| even[i] + odd[i])
}

/// Fits a model to residuals of a mean or a line; `f64::NAN` marks a gap, and no pair across it is used. `removed` is
/// the number of coefficients that were fitted before (1 for a mean, 2 for a line); orders go up to `largest_order`.
/// White noise if nothing better can be had.
#[multiversion(targets("x86_64+avx2"))]
pub fn fit(residuals: &[f64], removed: usize, largest_order: usize) -> Autoregression {
    let present = residuals.iter().filter(|v| !v.is_nan()).count();
    let (n, gaps) = (present as f64, present < residuals.len());
    let mut model = Autoregression::white_for(largest_order);
    let mut best = (criterion(n, &model, removed).unwrap_or(f64::INFINITY), 0);
    let (mut forward, mut backward) = (residuals.to_vec(), residuals.to_vec());
    let mut known = None;
    for lag in 1..=largest_order {
        // Forward errors meet the backward ones of a step before.
        let pairs = residuals.len().saturating_sub(lag);
        let (Some(ahead), Some(behind)) = (forward.get_mut(lag..), backward.get_mut(..pairs)) else { break };
        let Some(k) = reflect(ahead, behind, gaps, &mut known) else { break };
        model.extend(k);
        let Some(score) = criterion(n, &model, removed) else { break };
        if score < best.0 {
            best = (score, model.order());
        }
        if model.innovation < LEAST_INNOVATION {
            break;
        }
    }
    let mut chosen = Autoregression::white_for(best.1);
    model.reflections.iter().take(best.1).for_each(|k| chosen.extend(*k));
    chosen
}

/// Squares of all errors that the next step of the lattice has, and those that were last summed up.
#[derive(Clone, Copy)]
struct Squares {
    left: f64,
    summed: f64,
}

/// Share of what was summed up last above which what the recursion leaves of it has digits enough.
const ENOUGH_LEFT: f64 = 1e-6;

/// One step of Burg's lattice in place: the reflection coefficient that makes forward and backward errors least.
/// `None` when no pair is left. `gaps`: NaN marks errors that are missing. `known`: what the step before
/// knows of the squares, and this one for the next.
#[inline(always)]
fn reflect(forward: &mut [f64], backward: &mut [f64], gaps: bool, known: &mut Option<Squares>) -> Option<f64> {
    let mut base = f64::INFINITY;
    let (product, all) = if gaps {
        let (mut product, mut squares) = (0.0, 0.0);
        for (f, b) in forward.iter().zip(backward.iter()).filter(|(f, b)| !(f.is_nan() || b.is_nan())) {
            product += f * b;
            squares += f * f + b * b;
        }
        (product, squares)
    } else {
        let Squares { left, summed } = known.take().unwrap_or_else(|| {
            let summed = dot(forward, forward) + dot(backward, backward);
            Squares { left: summed, summed }
        });
        base = summed;
        (dot(forward, backward), left)
    };
    if !(all.is_finite() && all > 0.0) {
        return None;
    }
    let k = 2.0 * product / all;
    for (f, b) in forward.iter_mut().zip(backward.iter_mut()) {
        // A gap makes both NaN, and stays one.
        (*f, *b) = (*f - k * *b, *b - k * *f);
    }
    if let (false, Some(first), Some(last)) = (gaps, forward.first(), backward.last()) {
        // Σf² + Σb² falls by the factor 1 − k²; the first and the last meet nothing in the next step (Andersen, Proceedings
        // of the IEEE 66, 1978; from memory).
        let left = (1.0 - k * k) * all - first * first - last * last;
        *known = (left > ENOUGH_LEFT * base).then_some(Squares { left, summed: base });
    }
    Some(k)
}

/// Corrected Akaike criterion; `None` when the samples are too few for the order.
fn criterion(n: f64, model: &Autoregression, removed: usize) -> Option<f64> {
    let fitted = (model.order() + removed) as f64;
    let left = n - fitted - 2.0;
    (left > 0.0).then(|| n * model.innovation.max(LEAST_INNOVATION).ln() + 2.0 * fitted * n / left)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: &[f64], b: &[f64], tolerance: f64) {
        assert_eq!(a.len(), b.len());
        for (a, b) in a.iter().zip(b) {
            assert!((a - b).abs() <= tolerance, "{a} against {b}");
        }
    }

    #[test]
    fn first_order_is_geometric() {
        let model = Autoregression::from_autocovariance(&[1.0, 0.5]).unwrap();
        close(&model.autocorrelation(4, NEGLIGIBLE), &[1.0, 0.5, 0.25, 0.125, 0.0625], 1e-15);
        let long = model.autocorrelation(1000, NEGLIGIBLE);
        assert!(long.len() < 60 && long[long.len() - 1].abs() < NEGLIGIBLE);
    }

    #[test]
    fn second_order_by_its_own_equations() {
        // Yule-Walker by hand: r1 = a1/(1 − a2), r2 = a1·r1 + a2.
        let model = Autoregression::from_autocovariance(&[2.0, 1.5, 0.6]).unwrap();
        close(model.coefficients(), &[1.2, -0.6], 1e-14);
        // 1 − a1·r1 − a2·r2.
        assert!((model.innovation() - (1.0 - 1.2 * 0.75 + 0.6 * 0.3)).abs() < 1e-14);
        close(&model.autocorrelation(3, NEGLIGIBLE), &[1.0, 0.75, 0.3, 1.2 * 0.3 - 0.6 * 0.75], 1e-14);
    }

    #[test]
    fn levinson_goes_there_and_back() {
        let mut model = Autoregression::white();
        [0.7, -0.5, 0.2].into_iter().for_each(|k| model.extend(k));
        let covariance: Vec<f64> = model.autocorrelation(3, NEGLIGIBLE).iter().map(|r| 7.0 * r).collect();
        let back = Autoregression::from_autocovariance(&covariance).unwrap();
        close(back.coefficients(), model.coefficients(), 1e-13);
        // Yule-Walker: what the coefficients predict from the lags before is the lag.
        let r = model.autocorrelation(9, NEGLIGIBLE);
        for lag in 1..=9_usize {
            let predicted: f64 = (1..=3_usize).map(|k| model.coefficients()[k - 1] * r[lag.abs_diff(k)]).sum();
            assert!((r[lag] - predicted).abs() < 1e-14);
        }
        assert_eq!(Autoregression::from_autocovariance(&[]), None);
        assert_eq!(Autoregression::from_autocovariance(&[0.0, 0.0]), None);
    }

    #[test]
    fn lags_worked_out_together_are_those_of_the_recursion() {
        for order in [1, 2, 3, 4, 5, 9] {
            let mut model = Autoregression::white();
            (0..order).for_each(|i| model.extend(0.6 * f64::from(i + 2).sin()));
            let r = model.autocorrelation(60, 0.0);
            assert_eq!(r.len(), 61);
            let a = model.coefficients();
            for lag in model.order() + 1..=60 {
                let predicted: f64 = (1..=a.len()).map(|k| a[k - 1] * r[lag - k]).sum();
                assert!((r[lag] - predicted).abs() < 1e-14, "{order} {lag}");
            }
            // As many as are asked for, and no more than count.
            assert_eq!(model.autocorrelation(42, 0.0).len(), 43);
            let few = model.autocorrelation(1000, 1e-3);
            let first = few.windows(a.len() + 1).position(|w| w.iter().all(|r| r.abs() < 1e-3)).unwrap();
            assert_eq!(few.len(), first + a.len() + 1);
        }
        assert_eq!(Autoregression::white().autocorrelation(5, NEGLIGIBLE), [1.0, 0.0]);
    }

    #[test]
    fn gaps_and_degenerate_series_do_no_harm() {
        assert_eq!(fit(&[], 1, 5), Autoregression::white());
        assert_eq!(fit(&[f64::NAN; 50], 1, 5), Autoregression::white());
        assert_eq!(fit(&[0.0; 50], 1, 5), Autoregression::white());
        let alternating: Vec<f64> = (0..50).map(|i| if i % 2 == 0 { 1.0 } else { f64::NAN }).collect();
        assert_eq!(fit(&alternating, 1, 5), Autoregression::white());
        let sine: Vec<f64> = (0..200).map(|i| (0.25 * f64::from(i)).sin()).collect();
        assert!(
            fit(&sine, 1, 10).autocorrelation(199, NEGLIGIBLE).iter().all(|r| r.is_finite() && r.abs() <= 1.0 + 1e-9)
        );
    }
}
