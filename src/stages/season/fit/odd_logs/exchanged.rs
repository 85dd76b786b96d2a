//! Two rows of the run sheet that were exchanged, where few logs ran either configuration: what the season says of both rests
//! on the very logs in question, so that logs are held against logs.

use std::collections::BTreeMap;

use super::{Held, Part, Season, worst};

/// Standard deviations, and share, by which a log must be off what the other logs of its configuration say; and standard
/// deviations within which it must agree, in every quantity, with those of another one whose own log does the same the other
/// way round (set by trial on generated seasons).
const SURELY: f64 = 4.0;
const FAR: f64 = 0.03;
const AGREES: f64 = 2.5;
/// Of more logs that are off something else is wrong, and what agrees with what would be chance.
const MOST: usize = 40;

impl Season<'_> {
    /// Logs whose rows look exchanged, and in words with which. Where two logs ran either configuration, or two and one, it
    /// can't be told which rows are right, and all are named.
    pub(super) fn exchanged(&self) -> BTreeMap<String, String> {
        let mut out = BTreeMap::new();
        let of = |k: usize| (0..self.parts.len()).filter(move |i| self.parts[*i].configuration == k);
        let alone = |i: &usize| of(self.parts[*i].configuration).count() == 1;
        let off = |i: &usize| {
            let part = &self.parts[*i];
            self.against(part, part.configuration, *i).is_some_and(|held| worst(&held, SURELY, FAR).is_some())
        };
        let suspects: Vec<usize> = (0..self.parts.len()).filter(off).collect();
        if suspects.len() > MOST {
            return out;
        }
        let agrees = |held: Option<Vec<Held>>| held.is_some_and(|h| h.len() > 1 && h.iter().all(|h| h.off < AGREES));
        for i in &suspects {
            let others = (0..self.parts.len()).filter(|j| suspects.contains(j) && j > i || alone(j));
            for j in others.filter(|j| self.parts[*j].configuration != self.parts[*i].configuration) {
                let (a, b) = (&self.parts[*i], &self.parts[j]);
                let (of_a, of_b) = (of(a.configuration).count(), of(b.configuration).count());
                // The only log of its configuration has nothing that the other could agree with.
                let back = if of_b == 1 { of_a == 2 } else { agrees(self.against(a, b.configuration, j)) };
                if !back || !agrees(self.against(b, a.configuration, *i)) {
                    continue;
                }
                let told = of_a > 2 && of_b > 2;
                let named: Vec<&Part> = if told {
                    vec![a, b]
                } else {
                    of(a.configuration).chain(of(b.configuration)).map(|i| &self.parts[i]).collect()
                };
                for part in named {
                    out.entry(part.log.to_owned()).or_insert_with(|| self.exchange(a, b, told));
                }
            }
        }
        out
    }

    fn exchange(&self, a: &Part, b: &Part, told: bool) -> String {
        let (of_a, of_b) = (self.configuration(a.configuration), self.configuration(b.configuration));
        if told {
            return format!(
                "`{}` reads like `{of_b}` and `{}` like `{of_a}`: were their rows of the run sheet exchanged?",
                a.log, b.log
            );
        }
        let logs = |k: usize| {
            let of = self.parts.iter().filter(|p| p.configuration == k).map(|p| format!("`{}`", p.log));
            of.collect::<Vec<_>>().join(", ")
        };
        format!(
            "the logs of `{of_a}` ({}) and of `{of_b}` ({}) agree across and not among themselves, as if two of their rows of \
             the run sheet had been exchanged; which, the logs can't tell",
            logs(a.configuration),
            logs(b.configuration)
        )
    }

    /// All quantities of a log held against what the logs of a configuration say, but for one of these; `None` where one of them
    /// can't be.
    fn against(&self, part: &Part, configuration: usize, without: usize) -> Option<Vec<Held>> {
        let one = |quantity: usize, slope: f64, error: f64| {
            let spread = self.spread[quantity]?;
            let (mut sum, mut weight) = (0.0, 0.0);
            for (i, other) in self.parts.iter().enumerate() {
                if i == without || other.configuration != configuration {
                    continue;
                }
                for told in other.told.iter().filter(|t| t.quantity == quantity) {
                    let w = (told.error.powi(2) + (spread * told.slope).powi(2)).recip();
                    (sum, weight) = (sum + w * told.slope, weight + w);
                }
            }
            let mean = sum / weight;
            let variance = (error.powi(2) + weight.recip()) / mean.powi(2) + spread.powi(2);
            let held = Held { quantity, factor: slope / mean, off: (slope / mean - 1.0).abs() / variance.sqrt() };
            (weight > 0.0 && held.off.is_finite()).then_some(held)
        };
        part.told.iter().map(|t| one(t.quantity, t.slope, t.error)).collect()
    }
}
