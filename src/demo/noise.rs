//! Random numbers of the simulation. Every outing has a stream of its own, told by seed and place in the
//! season, so that the result does not depend on the number of threads or the order of work.

use rand::SeedableRng;
use rand::distr::{Distribution, Uniform};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub struct Noise(Pcg64Mcg);

impl Noise {
    /// The stream at `place` (for example session, outing, purpose) of the season with this seed.
    pub fn new(seed: u64, place: &[u64]) -> Self {
        Self(Pcg64Mcg::seed_from_u64(place.iter().fold(mix(seed), |h, p| mix(h ^ mix(p.wrapping_add(1))))))
    }
    /// Standard normal deviate.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// Between `low` and `high`; `low` where the two are not in order.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        Uniform::new(low, high).map_or(low, |u| u.sample(&mut self.0))
    }
    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        self.uniform(0.0, 1.0) < p
    }
}

/// The finaliser of SplitMix64 (Steele, Lea, Flood 2014; constants from memory): spreads neighbouring
/// numbers over all 64 bits.
fn mix(x: u64) -> u64 {
    let z = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// An Ornstein-Uhlenbeck process, stepped exactly: a value that wanders about zero.
#[derive(Clone, Debug)]
pub struct Wander {
    /// Present value.
    pub value: f64,
    decay: f64,
    kick: f64,
}

impl Wander {
    /// Standard deviation `sd`, correlation time `tau` (s), step `dt` (s); starts in its stationary state.
    pub fn new(sd: f64, tau: f64, dt: f64, noise: &mut Noise) -> Self {
        let decay = (-dt / tau).exp();
        Self { value: sd * noise.normal(), decay, kick: sd * (1.0 - decay * decay).sqrt() }
    }
    /// One step on; returns the new value.
    pub fn step(&mut self, noise: &mut Noise) -> f64 {
        self.value = self.value * self.decay + self.kick * noise.normal();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_by_place_and_repeat_by_seed() {
        let draw = |seed, place: &[u64]| {
            let mut n = Noise::new(seed, place);
            (0..4).map(|_| n.normal()).collect::<Vec<_>>()
        };
        assert_eq!(draw(7, &[1, 2]), draw(7, &[1, 2]));
        assert_ne!(draw(7, &[1, 2]), draw(7, &[2, 1]));
        assert_ne!(draw(7, &[1]), draw(8, &[1]));
    }

    #[test]
    fn wander_has_the_spread_and_memory_asked_for() {
        let mut noise = Noise::new(3, &[]);
        let mut w = Wander::new(2.0, 10.0, 0.1, &mut noise);
        let x: Vec<f64> = (0..400_000).map(|_| w.step(&mut noise)).collect();
        let variance = x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64;
        // 40 000 s are 2000 independent stretches of 2 tau: the variance is known to about 3 %
        assert!((variance / 4.0 - 1.0).abs() < 0.12, "{variance}");
        let lag = 100; // one correlation time
        let cov = x.iter().zip(&x[lag..]).map(|(a, b)| a * b).sum::<f64>() / (x.len() - lag) as f64;
        assert!((cov / variance - (-1.0_f64).exp()).abs() < 0.08, "{}", cov / variance);
    }
}
