//! Whether a figure holds a limit, as far as its interval tells.

use crate::stages::season::fit::estimate::Estimate;

/// The answer to one limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Held {
    /// The whole 95 % interval holds it.
    Yes,
    /// The whole 95 % interval breaks it.
    No,
    /// The limit lies inside the interval.
    Unsure,
    /// The figure is not known.
    Unknown,
}

impl Held {
    /// Holds the limit low..high? `None` where there is no limit.
    pub fn of(limit: Option<(f64, f64)>, estimate: &Option<Estimate>) -> Option<Self> {
        let (low, high) = limit?;
        let Some(e) = estimate else { return Some(Self::Unknown) };
        let (lo, hi) = e.interval;
        Some(if lo >= low && hi <= high {
            Self::Yes
        } else if hi < low || lo > high {
            Self::No
        } else {
            Self::Unsure
        })
    }

    /// As written in the table.
    pub fn name(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::No => "no",
            Self::Unsure => "unsure",
            Self::Unknown => "unknown",
        }
    }
}

/// All limits together: one broken is enough for no.
pub fn all_held(held: &[Option<Held>]) -> &'static str {
    let any = |h: Held| held.contains(&Some(h));
    [Held::No, Held::Unknown, Held::Unsure].into_iter().find(|h| any(*h)).unwrap_or(Held::Yes).name()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intervals_against_limits() {
        let e =
            |lo, hi| Some(Estimate { value: 0.5 * (lo + hi), se: 1.0, interval: (lo, hi), dof: 5.0, flags: vec![] });
        let least = Some((10.0, f64::INFINITY));
        assert_eq!(Held::of(least, &e(10.0, 12.0)), Some(Held::Yes));
        assert_eq!(Held::of(least, &e(9.0, 12.0)), Some(Held::Unsure));
        assert_eq!(Held::of(least, &e(8.0, 9.9)), Some(Held::No));
        assert_eq!(Held::of(Some((1.0, 2.0)), &e(0.5, 2.5)), Some(Held::Unsure));
        assert_eq!(Held::of(least, &None), Some(Held::Unknown));
        assert_eq!(Held::of(None, &None), None);
        assert_eq!(all_held(&[None, Some(Held::Yes), Some(Held::Unsure)]), "unsure");
        assert_eq!(all_held(&[Some(Held::No), Some(Held::Unknown)]), "no");
        assert_eq!(all_held(&[None, None]), "yes");
    }
}
