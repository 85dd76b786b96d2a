//! Sums of products in four lanes: a sum in one lane waits for itself at every step.

/// Σ a·b over the shorter of the two, in four lanes.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let length = a.len().min(b.len());
    let (a, b) = (a.get(..length).unwrap_or_default(), b.get(..length).unwrap_or_default());
    let (a4, a_rest) = a.as_chunks::<4>();
    let (b4, b_rest) = b.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for (a, b) in a4.iter().zip(b4) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    lanes.iter().sum::<f64>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f64>()
}
