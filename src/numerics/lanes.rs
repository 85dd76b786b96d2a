//! Sums in lanes: a sum in one lane waits for itself at every step. They are always put into whoever calls them, so that
//! they are compiled for the processor that the caller is compiled for; the lanes, and with them the sums, stay the same.

/// Lanes of sums over many values.
const LANES: usize = 8;

/// Σ a·b over the shorter of the two, in eight lanes.
#[inline(always)]
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let length = a.len().min(b.len());
    let (a, b) = (a.get(..length).unwrap_or_default(), b.get(..length).unwrap_or_default());
    let (a8, a_rest) = a.as_chunks::<LANES>();
    let (b8, b_rest) = b.as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for (a, b) in a8.iter().zip(b8) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    lanes.iter().sum::<f64>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f64>()
}

/// Σ a·b, the second taken from its end, over the shorter of the two, in four lanes.
#[inline(always)]
pub(super) fn dot_reversed(a: &[f64], b: &[f64]) -> f64 {
    let length = a.len().min(b.len());
    let (a, b) = (a.get(..length).unwrap_or_default(), b.get(b.len() - length..).unwrap_or_default());
    let (a4, a_rest) = a.as_chunks::<4>();
    let (b_rest, b4) = b.as_rchunks::<4>();
    let mut lanes = [0.0; 4];
    for (a, b) in a4.iter().zip(b4.iter().rev()) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b.iter().rev()) {
            *lane += a * b;
        }
    }
    lanes.iter().sum::<f64>() + a_rest.iter().zip(b_rest.iter().rev()).map(|(a, b)| a * b).sum::<f64>()
}

/// Σ of a function of the values, in eight lanes.
#[inline(always)]
pub(super) fn sum(a: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let (eights, rest) = a.as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for eight in eights {
        lanes.iter_mut().zip(eight).for_each(|(lane, a)| *lane += of(*a));
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|a| of(*a)).sum::<f64>()
}

/// The largest of the sizes of the values, in eight lanes; those that are no numbers are passed over.
#[inline(always)]
pub(super) fn largest(a: &[f64]) -> f64 {
    let (eights, rest) = a.as_chunks::<LANES>();
    let larger = |most: &mut f64, a: &f64| *most = if a.abs() > *most { a.abs() } else { *most };
    let mut lanes = [0.0; LANES];
    for eight in eights {
        lanes.iter_mut().zip(eight).for_each(|(lane, a)| larger(lane, a));
    }
    rest.iter().for_each(|a| larger(&mut lanes[0], a));
    lanes.into_iter().fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_add_up() {
        for (n, m) in [(0, 3), (1, 1), (4, 4), (7, 9), (13, 8), (21, 17)] {
            let (a, b): (Vec<f64>, Vec<f64>) =
                ((0..n).map(|i| f64::from(i) + 1.0).collect(), (0..m).map(f64::from).collect());
            assert_eq!(dot(&a, &b), a.iter().zip(&b).map(|(a, b)| a * b).sum::<f64>());
            assert_eq!(dot_reversed(&a, &b), a.iter().zip(b.iter().rev()).map(|(a, b)| a * b).sum::<f64>());
        }
    }
}
