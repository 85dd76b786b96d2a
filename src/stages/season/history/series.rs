//! Numbers of one kind side by side: which of them is not like the others?

use std::collections::BTreeSet;

use crate::numerics::multiple::holm;
use crate::stages::season::answers::{Spread, spread};
use crate::table::verdicts::HistoryRow;

/// One number of a series, with independent variances and their degrees of freedom.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Place in the order, from 0.
    pub position: usize,
    /// The number.
    pub value: f64,
    /// Variance from the windows.
    pub within: (f64, f64),
    /// Variance from what sessions have in common.
    pub common: (f64, f64),
    /// Windows.
    pub windows: usize,
    /// Sessions.
    pub sessions: usize,
}

impl Point {
    fn variance(&self) -> f64 {
        self.within.0 + self.common.0
    }
}

/// A number against the others of its series.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    /// The change; `None` without another number to compare with.
    pub spread: Option<Spread>,
    /// Holm-adjusted p-value.
    pub p_holm: Option<f64>,
    /// Found changed.
    pub changed: bool,
    /// By which share of the others' mean, where all other series moved by that share with it.
    pub alike: Option<f64>,
    /// Why there is no verdict.
    pub why: String,
}

/// Compares every number with the mean of the others of its series, weighted by precision. The most striking one
/// that is changed at the 5 % level, adjusted over all series, is named and no longer counts among the others;
/// then the rest is looked at again, so that one changed event does not make the others look changed.
pub fn compare(series: &[Vec<Point>], what: &str) -> Vec<Vec<Change>> {
    let mut out: Vec<Vec<Change>> = series.iter().map(|s| vec![Change::default(); s.len()]).collect();
    loop {
        let mut open: Vec<(usize, usize, Spread)> = Vec::new();
        for (s, points) in series.iter().enumerate() {
            let changed: Vec<bool> = out[s].iter().map(|c| c.changed).collect();
            for i in (0..points.len()).filter(|i| !changed[*i]) {
                let found = against_others(points, i, &changed);
                out[s][i].spread = found;
                match found {
                    Some(f) => open.push((s, i, f)),
                    None if changed.contains(&true) => {
                        out[s][i].why =
                            format!("the other {what}s are found changed, and none is left to compare with");
                    }
                    None => out[s][i].why = format!("no other {what} to compare with"),
                }
            }
        }
        let p: Vec<f64> = open.iter().map(|o| o.2.p).collect();
        let adjusted = holm(&p).unwrap_or_default();
        for ((s, i, _), p) in open.iter().zip(&adjusted) {
            out[*s][*i].p_holm = Some(*p);
        }
        // Of two that differ from each other alone, the later one counts as changed.
        let worst = open.iter().zip(&adjusted).filter(|(_, p)| **p < 0.05).max_by(|(a, _), (b, _)| {
            b.2.p.total_cmp(&a.2.p).then(series[a.0][a.1].position.cmp(&series[b.0][b.1].position))
        });
        let Some(((s, i, _), _)) = worst else { break };
        out[*s][*i].changed = true;
    }
    alike(series, &mut out);
    out
}

/// Standard errors within which the shares of all series must lie of their mean to be one.
const ONE_SHARE: f64 = 2.5;

/// Where every series moved, and by one share: parts do not do that to all configurations at once, what measures them does.
fn alike(series: &[Vec<Point>], changes: &mut [Vec<Change>]) {
    let positions: BTreeSet<usize> = series.iter().flatten().map(|point| point.position).collect();
    for position in positions {
        // Share by which each moved, and its standard error.
        let mut moved: Vec<(usize, usize, f64, f64)> = Vec::new();
        for (s, points) in series.iter().enumerate() {
            for (i, point) in points.iter().enumerate().filter(|(_, point)| point.position == position) {
                let Some(spread) = changes[s][i].spread else { continue };
                let others = point.value - spread.value;
                moved.push((s, i, spread.value / others, spread.se / others.abs()));
            }
        }
        let weight: f64 = moved.iter().map(|m| m.3.powi(-2)).sum();
        let share = moved.iter().map(|m| m.2 / (m.3 * m.3)).sum::<f64>() / weight;
        let one =
            |m: &(usize, usize, f64, f64)| (m.2 - share).abs() <= ONE_SHARE * m.3 && ONE_SHARE * m.3 < share.abs();
        let found = |m: &&(usize, usize, f64, f64)| changes[m.0][m.1].changed;
        if moved.len() > 1 && moved.iter().all(one) && moved.iter().filter(found).count() > 1 {
            moved.iter().for_each(|m| changes[m.0][m.1].alike = Some(share));
        }
    }
}

/// Point `i` minus the mean of the others that are not found changed.
fn against_others(points: &[Point], i: usize, changed: &[bool]) -> Option<Spread> {
    let me = points.get(i)?;
    let others: Vec<&Point> =
        (0..points.len()).filter(|j| *j != i && !changed[*j]).filter_map(|j| points.get(j)).collect();
    let total: f64 = others.iter().map(|p| 1.0 / p.variance()).sum();
    if others.is_empty() || !total.is_finite() {
        return None;
    }
    let weight = |p: &Point| 1.0 / p.variance() / total;
    let mean: f64 = others.iter().map(|p| weight(p) * p.value).sum();
    let mut variances = vec![me.within];
    variances.extend(others.iter().map(|p| (weight(p).powi(2) * p.within.0, p.within.1)));
    // The scatter of sessions is one estimate for all: its parts share their degrees of freedom.
    let common = me.common.0 + others.iter().map(|p| weight(p).powi(2) * p.common.0).sum::<f64>();
    variances.push((common, me.common.1));
    spread(me.value - mean, &variances)
}

/// Puts a number and its change into a row.
pub fn put(row: &mut HistoryRow, point: &Point, change: &Change) {
    let own = spread(point.value, &[point.within, point.common]);
    row.value = Some(point.value);
    (row.value_se, row.value_lo95, row.value_hi95) = (own.map(|s| s.se), own.map(|s| s.lo), own.map(|s| s.hi));
    (row.windows, row.sessions) = (point.windows as i64, point.sessions as i64);
    let Some(s) = change.spread else {
        row.verdict = "not comparable".to_owned();
        row.why = change.why.clone();
        return;
    };
    (row.change, row.change_se, row.change_lo95, row.change_hi95) = (Some(s.value), Some(s.se), Some(s.lo), Some(s.hi));
    (row.degrees_of_freedom, row.p_value, row.p_holm) =
        (Some(s.dof).filter(|d| d.is_finite()), Some(s.p), change.p_holm);
    let alike = change.alike.filter(|share| share.is_finite());
    // What one session saw alone may be its wind or its sensors.
    let alone = row.event.is_some() && point.sessions < 2 && alike.is_none();
    row.verdict = match change.changed {
        true if alone => "in doubt",
        true => "changed",
        false => "not changed",
    }
    .to_owned();
    row.share_of_all = alike.filter(|_| change.changed);
    row.why = match (change.changed, alike) {
        (true, None) if alone => {
            "larger than chance explains, but one session saw it alone: its wind, its sensors or its \
            row of the run sheet may be it"
                .to_owned()
        }
        (true, Some(share)) => {
            let percent = 100.0 * share.abs();
            let way = if share > 0.0 { "up" } else { "down" };
            format!(
                "all configurations that can be compared moved by one share, {percent:.1} % {way}: look at what measures it (sensor, spring, car file) before the parts"
            )
        }
        (true, None) => {
            "larger than chance and the scatter of sessions explain (5 % level, adjusted for all rows of the \
            quantity)"
                .to_owned()
        }
        (false, _) => "no change that stands out; one smaller than the interval can't be excluded".to_owned(),
    };
}
