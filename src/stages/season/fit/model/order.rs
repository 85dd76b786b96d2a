//! The observations that take part in a fit, in the order of its steps: session by session, straight by straight, window by
//! window. What was measured is looked up where it stands, which is nearly that order: a large season holds it once.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use rayon::prelude::*;

use super::Pair;
use crate::stages::season::fit::evidence::{Evidence, Observation};

/// Rows of the fit.
#[derive(Clone, Debug, Default)]
pub(super) struct Order {
    /// Per row its observation.
    observation: Vec<u32>,
    /// Per row its session, quantity and window; the window by its place in `windows`.
    session: Vec<u32>,
    quantity: Vec<u32>,
    window: Vec<u32>,
    /// Rows of every session, window and straight.
    pub(super) sessions: Vec<Range<usize>>,
    pub(super) windows: Vec<Range<usize>>,
    pub(super) straights: Vec<Range<usize>>,
    /// Rows of every quantity.
    quantities: Vec<Vec<u32>>,
}

impl Order {
    /// Of the pairs that are fitted, without what the evidence leaves out.
    pub(super) fn new(evidence: &Evidence, quantities: usize, dropped: &BTreeMap<Pair, &'static str>) -> Self {
        let straight = |o: &Observation| evidence.straights.get(o.window).copied().unwrap_or(0);
        let taken = |o: &Observation| {
            !dropped.contains_key(&(o.configuration, o.quantity))
                && !evidence.left_out.contains(&(o.session, o.quantity))
        };
        let all = &evidence.observations;
        // What they are sorted by is looked up once for each.
        let key = |(i, o): (usize, &Observation)| {
            let [session, straight, window] = [o.session, straight(o), o.window].map(|n| n as u32);
            (session, straight, window, o.quantity as u32, i as u32)
        };
        let mut keys: Vec<_> = all.par_iter().enumerate().filter(|(_, o)| taken(o)).map(key).collect();
        keys.par_sort_unstable();
        let mut out = Self {
            session: keys.iter().map(|k| k.0).collect(),
            quantity: keys.iter().map(|k| k.3).collect(),
            windows: together(keys.iter().map(|k| (k.0, k.2))),
            quantities: vec![Vec::new(); quantities],
            observation: keys.iter().map(|k| k.4).collect(),
            ..Default::default()
        };
        if !evidence.straights.is_empty() {
            out.straights = together(keys.iter().map(|k| (k.0, k.1)));
        }
        let number = |(w, rows): (usize, &Range<usize>)| std::iter::repeat_n(w as u32, rows.len());
        out.window = out.windows.iter().enumerate().flat_map(number).collect();
        let mut end = 0;
        for g in 0..evidence.sessions.len() {
            let start = end;
            end += out.session[start..].iter().take_while(|s| **s as usize == g).count();
            out.sessions.push(start..end);
        }
        out.quantity.iter().enumerate().for_each(|(r, q)| out.quantities[*q as usize].push(r as u32));
        out
    }

    /// Rows.
    pub(super) fn len(&self) -> usize {
        self.observation.len()
    }

    /// The observation of a row.
    pub(super) fn observation(&self, row: usize) -> usize {
        self.observation[row] as usize
    }

    /// Those of some rows.
    pub(super) fn observations(&self, rows: Range<usize>) -> impl Iterator<Item = usize> {
        self.observation[rows].iter().map(|i| *i as usize)
    }

    /// The session of a row.
    pub(super) fn session(&self, row: usize) -> usize {
        self.session[row] as usize
    }

    /// The quantity of a row.
    pub(super) fn quantity(&self, row: usize) -> usize {
        self.quantity[row] as usize
    }

    /// The window of a row, by its place in `windows`.
    pub(super) fn window(&self, row: usize) -> usize {
        self.window[row] as usize
    }

    /// The rows of a quantity.
    pub(super) fn of_quantity(&self, q: usize) -> impl ExactSizeIterator<Item = usize> + Clone {
        self.quantities[q].iter().map(|r| *r as usize)
    }

    /// The pairs that are fitted.
    pub(super) fn pairs(&self, evidence: &Evidence) -> BTreeSet<Pair> {
        let mut out = BTreeSet::new();
        for of_quantity in &self.quantities {
            let mut last = None;
            for o in of_quantity.iter().map(|r| &evidence.observations[self.observation(*r as usize)]) {
                // Rows of one configuration follow each other.
                if last.replace(o.configuration) != Some(o.configuration) {
                    out.insert((o.configuration, o.quantity));
                }
            }
        }
        out
    }

    /// Values of the rows as those of all observations, of which the others have this one.
    pub(super) fn of_observations(&self, values: &[f64], observations: usize, others: f64) -> Vec<f64> {
        let mut out = vec![others; observations];
        self.observations(0..self.len()).zip(values).for_each(|(i, v)| out[i] = *v);
        out
    }
}

/// Neighbours of one key.
fn together<K: PartialEq>(keys: impl Iterator<Item = K>) -> Vec<Range<usize>> {
    let (mut out, mut last): (Vec<Range<usize>>, Option<K>) = (Vec::new(), None);
    for (row, key) in keys.enumerate() {
        match out.last_mut() {
            Some(range) if last.as_ref() == Some(&key) => range.end += 1,
            _ => out.push(row..row + 1),
        }
        last = Some(key);
    }
    out
}
