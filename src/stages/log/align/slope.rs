//! The slope of a channel by a moving straight line.

/// Points worked on side by side.
const BLOCK: usize = 128;

/// Slope at each point by least squares over `half` points either side: Savitzky and Golay, Analytical
/// Chemistry 36 (1964), first derivative; the same for a line and a parabola. `NaN` where any of the points
/// is missing.
pub fn slope(values: &[f64], period: f64, half: usize) -> Vec<f64> {
    let mut out = vec![f64::NAN; values.len()];
    let half = half.max(1);
    // Sum of the squares of -half..half.
    let h = half as f64;
    let squares = h * (h + 1.0) * (2.0 * h + 1.0) / 3.0;
    let inner = values.len().saturating_sub(2 * half);
    let Some(slots) = out.get_mut(half..half + inner) else { return out };
    // Point by point a sum would wait for itself at every step; a block of points takes each step side by side.
    for (block, slots) in slots.chunks_mut(BLOCK).enumerate() {
        let mut sums = [0.0; BLOCK];
        for step in 0..=2 * half {
            let weight = step as f64 - h;
            let ahead = values.get(block * BLOCK + step..).unwrap_or_default();
            sums.iter_mut().zip(ahead).for_each(|(sum, v)| *sum += weight * v);
        }
        slots.iter_mut().zip(sums).for_each(|(slot, sum)| *slot = sum / (squares * period));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_gives_its_derivative() {
        let period = 0.02;
        let t = |i: usize| i as f64 * period;
        let values: Vec<f64> = (0..50).map(|i| 30.0 + 2.0 * t(i) - 0.7 * t(i) * t(i)).collect();
        let slopes = slope(&values, period, 5);
        for (i, s) in slopes.iter().enumerate() {
            if (5..45).contains(&i) {
                assert!((s - (2.0 - 1.4 * t(i))).abs() < 1e-10, "{i}: {s}");
            } else {
                assert!(s.is_nan());
            }
        }
    }

    #[test]
    fn the_classic_coefficients() {
        // Savitzky and Golay, table of the first derivative, 5 points: (-2 -1 0 1 2)/10 (from memory).
        let unit = |k: usize| (0..5).map(|i| f64::from(u8::from(i == k))).collect::<Vec<_>>();
        let weights: Vec<f64> = (0..5).map(|k| slope(&unit(k), 1.0, 2)[2]).collect();
        for (w, expected) in weights.iter().zip([-0.2, -0.1, 0.0, 0.1, 0.2]) {
            assert!((w - expected).abs() < 1e-15);
        }
    }

    #[test]
    fn a_gap_leaves_no_slope_around_it() {
        let mut values: Vec<f64> = (0..20).map(f64::from).collect();
        values[10] = f64::NAN;
        let slopes = slope(&values, 1.0, 2);
        assert!((8..=12).all(|i| slopes[i].is_nan()));
        assert!((slopes[7] - 1.0).abs() < 1e-12 && (slopes[13] - 1.0).abs() < 1e-12);
        assert!(slope(&values[..3], 1.0, 2).iter().all(|s| s.is_nan()));
    }
}
