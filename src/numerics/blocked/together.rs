//! Rows of a block that err together.

/// Neighbouring rows that err together: beside what each has of its own (variance 1/weight), the states of a first-order
/// process of variance one act on them, each row being told by one state.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Together {
    /// First of the rows.
    pub first: usize,
    /// Per row the state that acts on it, and what a state of one does to it.
    pub acts: Vec<(usize, f64)>,
    /// Correlation of every state with the one before it; that of the first counts for nothing.
    pub kept: Vec<f64>,
}

/// The Cholesky factor of K + D'WD, where K is the precision of the states and D what they do to the rows: a state hangs
/// together with its neighbours alone, so that there is one value beside each of the diagonal. By Woodbury's identity the
/// inverse of the rows' covariance is W − WD(K + D'WD)⁻¹D'W.
#[derive(Clone, Debug)]
pub(super) struct Chain {
    diagonal: Vec<f64>,
    /// What stands left of each value of the diagonal.
    beside: Vec<f64>,
}

impl Chain {
    /// For rows of weights `w`; `None` where two states are the same, or something is not finite.
    pub(super) fn new(t: &Together, w: &[f64]) -> Option<Self> {
        let m = t.kept.len();
        let (mut diagonal, mut beside) = (vec![0.0; m], vec![0.0; m]);
        for k in 0..m {
            let kept = if k == 0 { 0.0 } else { t.kept[k] };
            let news = 1.0 - kept * kept;
            diagonal[k] += 1.0 / news;
            if k > 0 {
                diagonal[k - 1] += kept * kept / news;
                beside[k] = -kept / news;
            }
        }
        for ((state, act), w) in t.acts.iter().zip(w) {
            *diagonal.get_mut(*state)? += w * act * act;
        }
        for k in 0..m {
            if k > 0 {
                beside[k] /= diagonal[k - 1];
                diagonal[k] -= beside[k] * beside[k];
            }
            if !(diagonal[k] > 0.0 && diagonal[k].is_finite()) {
                return None;
            }
            diagonal[k] = diagonal[k].sqrt();
        }
        Some(Self { diagonal, beside })
    }

    /// Solves Lx = b in place for `width` right sides, those of a state side by side.
    pub(super) fn forward(&self, b: &mut [f64], width: usize) {
        for k in 0..self.diagonal.len() {
            let (before, rest) = b.split_at_mut(k * width);
            let inverse = 1.0 / self.diagonal[k];
            let here = &mut rest[..width];
            if k > 0 {
                let by = self.beside[k];
                here.iter_mut().zip(&before[(k - 1) * width..]).for_each(|(x, last)| *x -= by * last);
            }
            here.iter_mut().for_each(|x| *x *= inverse);
        }
    }

    /// Solves L'x = b in place.
    pub(super) fn backward(&self, b: &mut [f64]) {
        let m = self.diagonal.len();
        for k in (0..m).rev() {
            if k + 1 < m {
                b[k] -= self.beside[k + 1] * b[k + 1];
            }
            b[k] /= self.diagonal[k];
        }
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DMatrix;

    use super::*;

    #[test]
    fn the_chain_inverts_the_covariance() {
        let t = Together {
            first: 0,
            acts: vec![(0, 0.7), (0, -0.2), (1, 1.5), (2, 0.4), (2, 2.0)],
            kept: vec![0.3, 0.8, 0.05],
        };
        let w = [1.0, 0.5, 2.0, 4.0, 0.1];
        let chain = Chain::new(&t, &w).unwrap();
        let shared = |a: usize, b: usize| t.kept[a.min(b) + 1..=a.max(b)].iter().product::<f64>();
        let covariance = DMatrix::from_fn(5, 5, |i, j| {
            let ((a, by), (b, and)) = (t.acts[i], t.acts[j]);
            if i == j { 1.0 / w[i] + by * by } else { by * and * shared(a, b) }
        });
        // States 0 and 2 have 0.8 · 0.05 in common.
        assert!((covariance[(1, 4)] + 0.016).abs() < 1e-15);
        let inverse = covariance.try_inverse().unwrap();
        for j in 0..5 {
            let mut states = vec![0.0; 3];
            states[t.acts[j].0] = w[j] * t.acts[j].1;
            chain.forward(&mut states, 1);
            chain.backward(&mut states);
            for i in 0..5 {
                let own = if i == j { w[i] } else { 0.0 };
                let found = own - w[i] * t.acts[i].1 * states[t.acts[i].0];
                assert!((found - inverse[(i, j)]).abs() < 1e-13, "{i} {j}");
            }
        }
    }

    #[test]
    fn states_that_are_the_same_and_rows_of_none_are_refused() {
        let twice = Together { first: 0, acts: vec![(0, 1.0), (1, 1.0)], kept: vec![0.0, 1.0] };
        assert!(Chain::new(&twice, &[1.0, 1.0]).is_none());
        let none = Together { first: 0, acts: vec![(1, 1.0)], kept: vec![0.0] };
        assert!(Chain::new(&none, &[1.0]).is_none());
        let nan = Together { first: 0, acts: vec![(0, f64::NAN)], kept: vec![0.0] };
        assert!(Chain::new(&nan, &[1.0]).is_none());
    }
}
