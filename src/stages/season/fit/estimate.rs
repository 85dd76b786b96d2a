//! From coefficients to answers: forces, areas, balance, efficiency and their differences, each with an
//! interval from the joint covariance of all coefficients (delta method).

use std::collections::BTreeMap;

use nalgebra::DVector;

use super::SeasonFit;
use super::evidence::Observation;
use crate::numerics::distributions::t_quantile;
use crate::table::flags::ROLLING_NOT_TAKEN_OFF;

/// A number with its uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Estimate {
    /// The number, in the unit of what was asked for.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Ends of the 95 % interval.
    pub interval: (f64, f64),
    /// Degrees of freedom of its t distribution.
    pub dof: f64,
    /// Remarks on how far it can be trusted.
    pub flags: Vec<&'static str>,
}

/// A function of the coefficients: its value and its gradient.
#[derive(Clone, Debug)]
pub struct Derived {
    /// Value.
    pub value: f64,
    /// Derivative by every coefficient.
    pub gradient: DVector<f64>,
}

impl Derived {
    /// The difference of two.
    pub fn minus(&self, other: &Self) -> Self {
        Self { value: self.value - other.value, gradient: &self.gradient - &other.gradient }
    }
    /// A multiple.
    pub fn times(&self, factor: f64) -> Self {
        Self { value: self.value * factor, gradient: &self.gradient * factor }
    }
    /// The sum of two.
    pub fn plus(&self, other: &Self) -> Self {
        Self { value: self.value + other.value, gradient: &self.gradient + &other.gradient }
    }
    /// The ratio of two; `None` where the lower one is zero.
    pub fn over(&self, lower: &Self) -> Option<Self> {
        if lower.value == 0.0 {
            return None;
        }
        let value = self.value / lower.value;
        let gradient = (&self.gradient - &lower.gradient * value) / lower.value;
        Some(Self { value, gradient })
    }
}

/// A named figure out of what was measured, `of`: see [`SeasonFit::named`].
pub fn combined(
    name: &str,
    rolling_resistance: f64,
    of: &dyn Fn(&str) -> Option<Derived>,
) -> Option<(Derived, Option<&'static str>)> {
    let downforce = || Some(of("front_downforce")?.plus(&of("rear_downforce")?));
    match name {
        "drag" => {
            let apparent = of("resistance")?;
            Some(match downforce() {
                Some(both) => (apparent.minus(&both.times(rolling_resistance)), None),
                None => (apparent, Some(ROLLING_NOT_TAKEN_OFF)),
            })
        }
        "downforce" => Some((downforce()?, None)),
        "balance" => of("front_downforce")?.over(&downforce()?).map(|d| (d, None)),
        "efficiency" => {
            let (drag, flag) = combined("drag", rolling_resistance, of)?;
            downforce()?.over(&drag).map(|e| (e, flag))
        }
        _ => of(name).map(|d| (d, None)),
    }
}

/// What a ratio is a share of; `None` of what is no ratio.
pub fn divisor(name: &str) -> Option<&'static str> {
    match name {
        "balance" => Some("downforce"),
        "efficiency" => Some("drag"),
        _ => None,
    }
}

/// Whether the drag made of these measured quantities holds what the tyres' rolling takes with the downforce.
pub fn rolling_left(quantities: &[String]) -> bool {
    let has = |n: &str| quantities.iter().any(|q| q == n);
    has("resistance") && !(has("front_downforce") && has("rear_downforce"))
}

/// Puts independent variances together, each with its degrees of freedom, by Satterthwaite (Biometrics Bulletin 2, 1946):
/// dof = (Σv)²/Σ(v²/dof).
pub fn summed(parts: &[(f64, f64)]) -> (f64, f64) {
    let variance: f64 = parts.iter().map(|v| v.0).sum();
    let below: f64 = parts.iter().filter(|v| v.0 > 0.0).map(|(v, dof)| v * v / dof).sum();
    (variance, if below > 0.0 { variance * variance / below } else { f64::INFINITY })
}

impl SeasonFit {
    /// The coefficient of one configuration and quantity, as a function of the coefficients.
    pub fn coefficient(&self, configuration: usize, quantity: usize) -> Option<Derived> {
        let fit = self.model.fit.as_ref()?;
        let column = *self.model.column.get(&(configuration, quantity))?;
        let mut gradient = DVector::zeros(fit.beta.len());
        gradient[column] = 1.0;
        Some(Derived { value: fit.beta[column], gradient })
    }

    /// A named coefficient: a measured quantity, or `drag`: resistance less what the tyres' rolling takes
    /// with the downforce, c_resistance − Crr·(c_front + c_rear). The flag says when that could not be
    /// taken off.
    pub fn named(&self, configuration: usize, name: &str) -> Option<(Derived, Option<&'static str>)> {
        let index = |n: &str| self.quantities.iter().position(|q| q == n);
        combined(name, self.rolling_resistance, &|n| index(n).and_then(|q| self.coefficient(configuration, q)))
    }

    /// Whether that name is a ratio of coefficients, which no reference speed scales.
    pub fn is_ratio(name: &str) -> bool {
        matches!(name, "balance" | "efficiency")
    }

    /// Whether there is a drag that no downforce clears of rolling.
    pub fn rolling_left(&self) -> bool {
        rolling_left(&self.quantities)
    }

    /// Whether that name is a share of something that its own interval does not tell from nothing: the share's interval, made
    /// by the delta method, then means little (Fieller's would have no end).
    pub fn divisor_not_resolved(&self, configuration: usize, name: &str) -> bool {
        let Some(divisor) = divisor(name) else { return false };
        let of = self.named(configuration, divisor).and_then(|(d, _)| self.estimate(&d));
        of.is_none_or(|e| e.interval.0 <= 0.0 && e.interval.1 >= 0.0)
    }

    /// The observations behind a named figure of a configuration: those of the quantities that it is made of in the main, but
    /// for sessions that were left out.
    pub fn behind(&self, configuration: usize, name: &str) -> impl Iterator<Item = &Observation> {
        let of = self.made_of(name);
        let counts = move |o: &&Observation| o.configuration == configuration && of.contains(&o.quantity);
        let out = &self.evidence.left_out;
        self.evidence.observations.iter().filter(counts).filter(|o| !out.contains(&(o.session, o.quantity)))
    }

    /// Measured quantities that a figure is made of in the main; the downforce has a hundredth of a say in the drag, which
    /// makes no drag doubtful.
    pub fn made_of(&self, figure: &str) -> Vec<usize> {
        let names: &[&str] = match figure {
            "downforce" | "balance" => &["front_downforce", "rear_downforce"],
            "efficiency" => &["front_downforce", "rear_downforce", "resistance"],
            "drag" => &["resistance"],
            other => &[other],
        };
        names.iter().filter_map(|name| self.quantities.iter().position(|q| q == name)).collect()
    }

    /// Variance of a contrast from the scatter of windows inside their sessions.
    pub fn within(&self, contrast: &DVector<f64>) -> f64 {
        self.pooled.as_ref().map_or(0.0, |f| contrast.dot(&(&f.within * contrast)))
    }

    /// Variance of a contrast of lone coefficients from what single sessions err by: alike for all configurations of a
    /// session, and no other session shares it.
    pub(super) fn in_common(&self, lone: &DVector<f64>) -> f64 {
        let Some(fit) = &self.model.fit else { return 0.0 };
        let quantity: BTreeMap<usize, usize> = self.model.column.iter().map(|((_, q), c)| (*c, *q)).collect();
        let mut sums: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        for (c, session) in self.lone.iter().enumerate() {
            if let (Some(session), Some(q)) = (session, quantity.get(&c)) {
                let pulls = sums.entry(*session).or_insert_with(|| vec![0.0; self.quantities.len()]);
                pulls[*q] += lone[c] * fit.beta[c];
            }
        }
        sums.values().map(|pulls| self.of_session.variance(pulls, &self.of_session.alone)).sum()
    }

    /// The number with its interval.
    ///
    /// Coefficients that several sessions share in take their variance between sessions (CR2), held against what the
    /// windows' own scatter and that of all sessions leave
    /// ([`Pooled::held`](crate::numerics::blocked::Pooled::held)). Those that one session alone determines have the
    /// scatter of their windows (HC3) and, since what a whole session has in common can't be seen from inside it, the
    /// session scatter of the rest of the season or the assumed one, whichever is larger; they carry a flag.
    pub fn estimate(&self, derived: &Derived) -> Option<Estimate> {
        let fit = self.model.fit.as_ref()?;
        let g = &derived.gradient;
        let mut shared = g.clone();
        let mut lone = DVector::zeros(g.len());
        for (i, _) in self.lone.iter().enumerate().filter(|(_, session)| session.is_some()) {
            lone[i] = g[i];
            shared[i] = 0.0;
        }
        let mut flags = Vec::new();
        let (mut variance, mut dof) = (0.0, f64::INFINITY);
        if shared.iter().any(|v| *v != 0.0) {
            (variance, dof) = fit.spread(&shared, self.pooled.as_ref()?);
        }
        if lone.iter().any(|v| *v != 0.0) {
            flags.push("session_scatter_not_visible");
            let alone = self.within(&lone) + self.in_common(&lone);
            (variance, dof) = summed(&[(variance, dof), (alone, self.scatter.dof)]);
        }
        // Satterthwaite's approximation can fall a little under one; nothing at all is no evidence.
        let dof = if dof > 0.5 { dof.max(1.0) } else { return None };
        let t = t_quantile(0.975, dof).ok()?;
        let se = variance.sqrt();
        if !(se.is_finite() && derived.value.is_finite()) {
            return None;
        }
        let half = t * se;
        Some(Estimate { value: derived.value, se, interval: (derived.value - half, derived.value + half), dof, flags })
    }
}

#[cfg(test)]
mod tests {
    use super::summed;

    #[test]
    fn parts_of_a_variance() {
        // (4 + 12)²/(16/1 + 144/6) = 256/40.
        assert_eq!(summed(&[(4.0, 1.0), (12.0, 6.0)]), (16.0, 6.4));
        // Nothing, and a part that is known exactly.
        assert_eq!(summed(&[(0.0, 0.5), (9.0, 4.0)]), (9.0, 4.0));
        assert_eq!(summed(&[(9.0, f64::INFINITY), (9.0, 4.0)]), (18.0, 16.0));
    }
}
