//! What many seasons say of the estimators: coverage, bias, spread, width against the bound.

use std::collections::BTreeMap;
use std::fmt;

use crate::numerics::spread::median;
use crate::report::columns::lay_out;

/// One kind of answer over many seasons. Errors and widths are shares of the base configuration's value.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Line {
    /// Answers.
    pub n: usize,
    /// Truth inside the 95 % interval.
    pub inside95: usize,
    /// Truth inside the 90 % interval.
    pub inside90: usize,
    /// Sum of errors.
    pub error: f64,
    /// Sum of squared errors.
    pub square: f64,
    /// Standard errors.
    pub se: Vec<f64>,
    /// Standard errors over their Cramér–Rao bound.
    pub over_bound: Vec<f64>,
    /// Half widths of the 95 % intervals.
    pub half: Vec<f64>,
    /// Answers without a number.
    pub missing: usize,
}

impl Line {
    /// Share of truths inside the 95 % interval.
    pub fn coverage(&self) -> f64 {
        self.inside95 as f64 / self.n.max(1) as f64
    }
    /// Mean error.
    pub fn bias(&self) -> f64 {
        self.error / self.n.max(1) as f64
    }
    /// Median standard error over the bound.
    pub fn over_bound(&self) -> f64 {
        median(&mut self.over_bound.clone())
    }
}

/// All answers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// Seasons.
    pub seasons: usize,
    /// By what was asked.
    pub lines: BTreeMap<String, Line>,
    /// Seasons in which the part of 70 N was resolved, of how many.
    pub small: (usize, usize),
    /// Comparisons in which the part of nothing was resolved, of how many.
    pub nothing: (usize, usize),
    /// Sessions and quantities that were left out as implausible.
    pub left_out: usize,
}

impl Tally {
    /// Adds one answer.
    pub fn add_line(&mut self, label: &str, line: Line) {
        let to = self.lines.entry(label.to_owned()).or_default();
        to.n += line.n;
        to.inside95 += line.inside95;
        to.inside90 += line.inside90;
        to.error += line.error;
        to.square += line.square;
        to.se.extend(line.se);
        to.over_bound.extend(line.over_bound);
        to.half.extend(line.half);
        to.missing += line.missing;
    }

    /// Adds another tally.
    pub fn add(&mut self, other: Tally) {
        self.seasons += other.seasons;
        for (label, line) in other.lines {
            self.add_line(&label, line);
        }
        self.small = (self.small.0 + other.small.0, self.small.1 + other.small.1);
        self.nothing = (self.nothing.0 + other.nothing.0, self.nothing.1 + other.nothing.1);
        self.left_out += other.left_out;
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let heading = ["answer", "n", "in 95 %", "in 90 %", "bias %", "rms %", "se/bound", "half width %", "missing"];
        let mut rows = vec![heading.map(str::to_owned).to_vec()];
        for (label, l) in &self.lines {
            let n = l.n.max(1) as f64;
            rows.push(vec![
                label.clone(),
                l.n.to_string(),
                format!("{:.1}", 100.0 * l.coverage()),
                format!("{:.1}", 100.0 * l.inside90 as f64 / n),
                format!("{:.2}", 100.0 * l.bias()),
                format!("{:.2}", 100.0 * (l.square / n).sqrt()),
                if l.over_bound.is_empty() { "-".to_owned() } else { format!("{:.2}", l.over_bound()) },
                format!("{:.2}", 100.0 * median(&mut l.half.clone())),
                l.missing.to_string(),
            ]);
        }
        writeln!(f, "{}", lay_out(&rows))?;
        let share = |(a, b): (usize, usize)| format!("{a} of {b} ({:.1} %)", 100.0 * a as f64 / b.max(1) as f64);
        writeln!(f, "part of 70 N front resolved: {}", share(self.small))?;
        writeln!(f, "part of nothing called resolved: {}", share(self.nothing))?;
        write!(f, "sessions × quantities left out: {} in {} seasons", self.left_out, self.seasons)
    }
}
