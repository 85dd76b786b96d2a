//! Rows that err together made independent, one after the other: what each says beyond that which the rows before it let
//! expect of the state that acts on it (innovations of a scalar state; Anderson & Moore, Optimal Filtering, 1979, chapter 5).
//! It is what the inverse of their covariance's lower Cholesky factor does, at a cost that grows as the rows do.

use super::together::Together;

/// A group of rows, each divided by its own standard deviation, in the order of the states that act on them.
#[derive(Clone, Debug)]
pub(super) struct Innovations {
    /// The first row, and one past the last.
    first: usize,
    end: usize,
    steps: Vec<Step>,
}

/// One row.
#[derive(Clone, Copy, Debug)]
struct Step {
    /// Counted from the first of the group.
    row: u32,
    /// What is left here of the state as it was at the row before.
    kept: f64,
    /// What a state of one does to the row.
    act: f64,
    /// By how much the state is taken to be higher for each unit that the row is higher than was expected.
    gain: f64,
    /// Standard deviation of what was not expected.
    deviation: f64,
}

impl Innovations {
    /// `roots`: one over the standard deviation that each row of the block has of its own. `None` where the group reaches past
    /// the last row, a row is told by no state, or something is not finite.
    pub(super) fn new(t: &Together, roots: &[f64]) -> Option<Self> {
        let end = t.first + t.acts.len();
        let roots = roots.get(t.first..end)?;
        let mut order: Vec<u32> = (0..t.acts.len() as u32).collect();
        order.sort_by_key(|row| t.acts[*row as usize].0);
        let (mut steps, mut variance, mut last) = (Vec::with_capacity(order.len()), 1.0, None);
        for row in order {
            let (state, act) = t.acts[row as usize];
            let way = t.kept.get(last.map_or(state, |last: usize| last + 1)..=state)?;
            let kept: f64 = if last.is_none() { 1.0 } else { way.iter().product() };
            variance = 1.0 - kept * kept * (1.0 - variance);
            let act = act * roots[row as usize];
            let of_row = act * act * variance + 1.0;
            let gain = act * variance / of_row;
            variance -= gain * act * variance;
            if !(of_row.is_finite() && variance.is_finite()) {
                return None;
            }
            steps.push(Step { row, kept, act, gain, deviation: of_row.sqrt() });
            last = Some(state);
        }
        Some(Self { first: t.first, end, steps })
    }

    /// Makes the group's rows of a column independent, with variance one.
    pub(super) fn whiten(&self, column: &mut [f64]) {
        let rows = &mut column[self.first..self.end];
        // Most columns are those of one outing or configuration.
        if rows.iter().all(|v| *v == 0.0) {
            return;
        }
        let mut state = 0.0;
        for s in &self.steps {
            let value = &mut rows[s.row as usize];
            state *= s.kept;
            let news = *value - s.act * state;
            state += s.gain * news;
            *value = news / s.deviation;
        }
    }

    /// Takes independent rows back to those that err together.
    pub(super) fn colour(&self, column: &mut [f64]) {
        let rows = &mut column[self.first..self.end];
        let mut state = 0.0;
        for s in &self.steps {
            let value = &mut rows[s.row as usize];
            state *= s.kept;
            let news = *value * s.deviation;
            *value = news + s.act * state;
            state += s.gain * news;
        }
    }

    /// The transpose of [`Self::whiten`].
    pub(super) fn whiten_transposed(&self, column: &mut [f64]) {
        let rows = &mut column[self.first..self.end];
        let mut state = 0.0;
        for s in self.steps.iter().rev() {
            let value = &mut rows[s.row as usize];
            let pull = *value / s.deviation + s.gain * state;
            *value = pull;
            state = s.kept * (state - s.act * pull);
        }
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::*;

    /// Two rows of a block before those that err together, one behind; states out of order, one without a row.
    fn group() -> (Together, Vec<f64>) {
        let acts = vec![(0, 0.7), (2, -0.2), (0, 1.5), (4, 0.4), (2, 2.0), (4, 0.0)];
        let kept = vec![0.3, 0.8, 0.05, 0.9, 0.6];
        (Together { first: 2, acts, kept }, vec![1.0, 3.0, 1.0, 0.7, 1.4, 2.0, 0.3, 5.0, 0.1])
    }

    /// Covariance of the rows, each over its own standard deviation, written out.
    fn covariance(t: &Together, roots: &[f64]) -> DMatrix<f64> {
        let shared = |a: usize, b: usize| t.kept[a.min(b) + 1..=a.max(b)].iter().product::<f64>();
        DMatrix::from_fn(t.acts.len(), t.acts.len(), |i, j| {
            let ((a, by), (b, and)) = (t.acts[i], t.acts[j]);
            f64::from(u8::from(i == j)) + by * roots[t.first + i] * and * roots[t.first + j] * shared(a, b)
        })
    }

    fn column(seed: f64) -> Vec<f64> {
        (0..9).map(|i| (seed + f64::from(i) * 1.7).sin()).collect()
    }

    #[test]
    fn they_are_independent_with_variance_one() {
        let (t, roots) = group();
        let group = Innovations::new(&t, &roots).unwrap();
        let unit = |j: usize| (0..9).map(|i| f64::from(u8::from(i == 2 + j))).collect::<Vec<f64>>();
        let inverse = DMatrix::from_columns(
            &(0..6)
                .map(|j| {
                    let mut column = unit(j);
                    group.whiten(&mut column);
                    DVector::from_column_slice(&column[2..8])
                })
                .collect::<Vec<_>>(),
        );
        let found = &inverse * covariance(&t, &roots) * inverse.transpose();
        assert!((found - DMatrix::identity(6, 6)).amax() < 1e-14);
    }

    #[test]
    fn back_and_transposed() {
        let (t, roots) = group();
        let group = Innovations::new(&t, &roots).unwrap();
        let (a, b) = (column(0.0), column(5.0));
        let (mut whitened, mut turned) = (a.clone(), b.clone());
        group.whiten(&mut whitened);
        group.whiten_transposed(&mut turned);
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        assert!((dot(&whitened[2..8], &b[2..8]) - dot(&a[2..8], &turned[2..8])).abs() < 1e-14);
        assert_eq!((&whitened[..2], whitened[8]), (&a[..2], a[8]));
        group.colour(&mut whitened);
        assert!(whitened.iter().zip(&a).all(|(v, a)| (v - a).abs() < 1e-14));
    }

    #[test]
    fn what_is_no_group_is_refused() {
        let (t, roots) = group();
        assert!(Innovations::new(&t, &roots[..7]).is_none());
        let with = |act: (usize, f64)| Together { acts: vec![act], ..t.clone() };
        assert!(Innovations::new(&with((5, 1.0)), &roots).is_none());
        assert!(Innovations::new(&with((0, f64::NAN)), &roots).is_none());
        // Two states that are the same are one.
        let same = Together { first: 0, acts: vec![(0, 1.0), (1, 1.0)], kept: vec![0.0, 1.0] };
        assert!(Innovations::new(&same, &[1.0, 1.0]).is_some());
    }
}
