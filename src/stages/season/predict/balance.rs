//! The wing position that gives a wanted balance.
//!
//! Front share b of the downforce at position w: (1 − b)·front(w) − b·rear(w) = A + B·w = 0, with both coefficients
//! linear in w, so w = −A/B. Its interval is Fieller's (J. Royal Statistical Society B 16, 1954): all w for which
//! A + B·w is not clearly other than zero; open where the slope itself is not clear.

use std::collections::BTreeSet;

use crate::numerics::distributions::t_quantile;
use crate::stages::season::fit::estimate::Derived;
use crate::stages::season::parts::groups::tied;
use crate::stages::season::parts::model::{Gap, PartsFit};
use crate::stages::season::parts::terms::{Combination, Term};

/// Positions are sought this many times the range that ran beyond its ends.
const BEYOND: f64 = 1.0;

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Position {
    /// A position gives the balance.
    Reached {
        /// The position.
        at: f64,
        /// Standard error by the delta method.
        se: f64,
        /// 95 % interval; `None` where the wing's effect on the balance is not clear of zero.
        interval: Option<(f64, f64)>,
        /// Degrees of freedom of the interval.
        dof: f64,
        /// It lies between the positions that ran.
        inside: bool,
    },
    /// No position within reach does.
    OutOfReach {
        /// Lowest and highest position that ran, each with the balance there.
        ends: [(f64, f64); 2],
        /// Positions looked at.
        sought: (f64, f64),
    },
    /// It can't be told, in words.
    NotKnown(String),
}

/// Lowest and highest wing position of the configurations behind the front downforce.
pub fn range(parts: &PartsFit) -> Option<(f64, f64)> {
    let q = parts.quantities.iter().position(|q| q == "front_downforce").unwrap_or(0);
    let used = parts.designs.get(q).map(|d| d.used.as_slice()).unwrap_or_default();
    let all = || used.iter().filter_map(|k| parts.configurations.get(*k)?.wing_position);
    all().reduce(f64::min).zip(all().reduce(f64::max))
}

/// Why a figure is not known, in words.
pub fn why(parts: &PartsFit, gap: &Gap, quantity: &str) -> String {
    match gap {
        Gap::NotMeasured => format!("no {} was fitted", quantity.replace('_', " ")),
        Gap::NotSeparable(names) => {
            let groups = tied(parts);
            let is = |i: &usize| parts.terms.terms.get(*i).map(ToString::to_string).is_some_and(|t| names.contains(&t));
            let found: Vec<&str> = groups.iter().filter(|g| g.members.iter().any(is)).map(|g| g.why.as_str()).collect();
            if found.is_empty() { "the configurations that ran do not tell it".to_owned() } else { found.join("; ") }
        }
    }
}

/// Solves for the position of a set of parts.
pub fn solve(parts: &PartsFit, set: &BTreeSet<String>, wanted: f64) -> Position {
    let (Some(reference), Some((low, high))) = (parts.terms.wing_reference, range(parts)) else {
        return Position::NotKnown("the run sheet names no wing positions".to_owned());
    };
    let at = |wing: f64| parts.terms.row(&Combination { parts: set.clone(), wing: Some(wing) });
    let (Some(row), Some(next)) = (at(reference), at(reference + 1.0)) else {
        return Position::NotKnown("the run sheet names no wing positions".to_owned());
    };
    let imbalance = |contrast| {
        let front = parts.named("front_downforce", contrast)?.0;
        let rear = parts.named("rear_downforce", contrast)?.0;
        Ok(front.times(1.0 - wanted).minus(&rear.times(wanted)))
    };
    let moving = parts.terms.terms.contains(&Term::Wing) && high > low;
    if !moving {
        return Position::NotKnown("the wing was never moved".to_owned());
    }
    let (a, b) = match (imbalance(&row), imbalance(&(next - &row))) {
        (Ok(a), Ok(b)) => (a, b),
        (Err(gap), _) | (_, Err(gap)) => return Position::NotKnown(why(parts, &gap, "front and rear downforce")),
    };
    let balance = |wing: f64| at(wing).and_then(|r| Some(parts.named("balance", &r).ok()?.0.value)).unwrap_or(f64::NAN);
    let beyond = BEYOND * (high - low);
    let sought = (low - beyond, high + beyond);
    let out = Position::OutOfReach { ends: [(low, balance(low)), (high, balance(high))], sought };
    if b.value == 0.0 {
        return out;
    }
    let steps = -a.value / b.value;
    let position = reference + steps;
    // Where the downforce itself turns negative the share means nothing.
    let downforce = at(position).and_then(|r| Some(parts.named("downforce", &r).ok()?.0.value));
    if !(position >= sought.0 && position <= sought.1) || downforce.is_none_or(|d| d <= 0.0) {
        return out;
    }
    uncertain(parts, &a, &b, reference, steps, (low, high))
}

fn uncertain(
    parts: &PartsFit,
    a: &Derived,
    b: &Derived,
    reference: f64,
    steps: f64,
    (low, high): (f64, f64),
) -> Position {
    let at = reference + steps;
    let inside = at >= low && at <= high;
    let here = a.plus(&b.times(steps));
    let known = || {
        let (v, dof, _) = parts.variance(&here.gradient)?;
        let t = t_quantile(0.975, dof.max(1.0)).ok()?;
        let covariances = parts.covariances(&a.gradient, &b.gradient, &here.gradient)?;
        Some((v.sqrt() / b.value.abs(), dof, fieller((a.value, b.value), covariances, t)))
    };
    match known() {
        Some((se, dof, interval)) => {
            let interval = interval.map(|(lo, hi)| (reference + lo, reference + hi));
            Position::Reached { at, se, interval, dof, inside }
        }
        None => Position::Reached { at, se: f64::NAN, interval: None, dof: 0.0, inside },
    }
}

/// The w for which |a + b·w| ≤ t·√(vaa + 2·w·vab + w²·vbb), where that is an interval.
fn fieller((a, b): (f64, f64), (vaa, vab, vbb): (f64, f64, f64), t: f64) -> Option<(f64, f64)> {
    let t2 = t * t;
    let (q2, q1, q0) = (b * b - t2 * vbb, a * b - t2 * vab, a * a - t2 * vaa);
    let root = (q1 * q1 - q2 * q0).max(0.0).sqrt();
    (q2 > 0.0).then(|| ((-q1 - root) / q2, (-q1 + root) / q2))
}

#[cfg(test)]
mod tests {
    use super::fieller;

    #[test]
    fn fiellers_interval() {
        // Exact slope: an interval for −a alone. Unclear slope: none.
        let (lo, hi) = fieller((-6.0, 2.0), (4.0, 0.0, 0.0), 2.0).unwrap();
        assert!((lo - 1.0).abs() < 1e-12 && (hi - 5.0).abs() < 1e-12);
        assert_eq!(fieller((-6.0, 2.0), (4.0, 0.0, 1.1), 2.0), None);
        // The ends solve the equation.
        let (v, t) = ((0.5, -0.1, 0.04), 2.2);
        let (lo, hi) = fieller((-6.0, 2.0), v, t).unwrap();
        for w in [lo, hi] {
            let sd = (v.0 + 2.0 * w * v.1 + w * w * v.2).sqrt();
            assert!(((-6.0 + 2.0 * w).abs() - t * sd).abs() < 1e-9);
        }
        assert!(lo < 3.0 && 3.0 < hi);
    }
}
