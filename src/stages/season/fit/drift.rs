//! Do sensors drift through the outings? Where dampers or cells warm up while the laps get faster, a zero that moves looks
//! like a force that grows with the speed, in every outing alike: no session disagrees with another, and the square law
//! holds. So do tyres and oil that warm up and roll more easily.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::evidence::Observation;
use super::{LetIn, SeasonFit};
use crate::numerics::distributions::t_p_value;

/// Sessions from which a drift can be told from chance.
const SESSIONS: usize = 4;
/// Chance that a sound season is called so, over all quantities.
const LEVEL: f64 = 0.001;
/// Chance below which a configuration is taken not to drift as all do, where these surely drift.
const UNLIKE: f64 = 0.02;
/// Share of a configuration's value from which a drift is worth saying.
const MATTERS: f64 = 0.01;

/// A quantity that drifts.
#[derive(Clone, Debug, PartialEq)]
pub struct Drift {
    /// Index of the quantity.
    pub quantity: usize,
    /// By how much per minute, in its SI unit.
    pub per_minute: f64,
    /// What it adds to the value of the configuration that suffers most, as a share of that value.
    pub share: f64,
    /// Index of that configuration.
    pub configuration: usize,
    /// Others do not drift as this one does: then `drift` let in, one for all, is no remedy.
    pub alone: bool,
}

/// The quantities whose residuals go with the time in the outing, in all sessions alike, of all configurations or of one: what is left of the time once each
/// outing's zero and each configuration's coefficient have taken theirs, against what the fit left, errors by session.
pub fn drifts(fit: &SeasonFit) -> Vec<Drift> {
    let lets_in = fit.options.as_ref().is_some_and(|options| options.let_in.contains(&LetIn::Drift));
    if lets_in || fit.model.fit.is_none() {
        return Vec::new();
    }
    (0..fit.quantities.len()).into_par_iter().filter_map(|q| drift(fit, q)).collect()
}

/// A row of one quantity: weight, session, configuration, and what the outing's means leave of time, effective v² and residual.
struct Row {
    weight: f64,
    session: usize,
    outing: usize,
    configuration: usize,
    time: f64,
    x: f64,
    residual: f64,
}

fn drift(fit: &SeasonFit, quantity: usize) -> Option<Drift> {
    let model = &fit.model;
    let row = |(i, o): (usize, &Observation)| {
        let (weight, residual) = (model.weight[i], model.residual[i]);
        (o.quantity == quantity && weight > 0.0 && residual.is_finite()).then(|| Row {
            weight,
            session: o.session,
            outing: o.outing,
            configuration: o.configuration,
            time: o.regressors[LetIn::Drift.index()],
            x: model.x[i],
            residual,
        })
    };
    let mut rows: Vec<Row> = fit.evidence.observations.iter().enumerate().filter_map(row).collect();
    // They nearly stand so.
    rows.sort_by_key(|r| (r.session, r.outing, r.configuration));
    rows.chunk_by_mut(|a, b| (a.outing, a.configuration) == (b.outing, b.configuration)).for_each(centre);
    // What a drift of one per minute adds to each configuration's coefficient.
    let mut slopes: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    for r in &rows {
        let (cross, own) = slopes.entry(r.configuration).or_default();
        *cross += r.weight * r.time * r.x;
        *own += r.weight * r.x * r.x;
    }
    let slope = |k: usize| slopes.get(&k).filter(|s| s.1 > 0.0).map_or(0.0, |s| s.0 / s.1);
    rows.iter_mut().for_each(|r| r.time -= slope(r.configuration) * r.x);
    let share = |k: usize, per_minute: f64| {
        let share = per_minute * slope(k) / fit.coefficient(k, quantity)?.value;
        Some(share).filter(|share| share.is_finite())
    };
    let told = |of: &dyn Fn(&Row) -> bool| Told::by(rows.iter().filter(|r| of(r)));
    let all = told(&|_| true)?;
    let tests = (fit.quantities.len() * slopes.len()) as f64;
    let each: Vec<(usize, Told)> =
        slopes.keys().filter_map(|k| Some((*k, told(&|r| r.configuration == *k)?))).collect();
    // Where one configuration drifts and others do not, no sensor warms up alike in all. Of a drift that is sure in all
    // together less is asked to say that.
    let sure = |p: f64| 2.0 * p * tests < LEVEL;
    // Half of the chance of a false call is that of all together, one test for every quantity.
    let quantities = fit.quantities.len() as f64;
    let of_all = 2.0 * quantities * all.unlike(0.0) < LEVEL;
    let differs = |own: &Told| {
        if of_all {
            own.unlike(all.per_minute) * (each.len() as f64) < UNLIKE
        } else {
            sure(own.unlike(all.per_minute))
        }
    };
    let apart: Vec<(usize, f64)> = each
        .iter()
        .filter(|(_, own)| differs(own) && (of_all || sure(own.unlike(0.0))))
        .map(|(k, own)| (*k, own.per_minute))
        .collect();
    let alone = !apart.is_empty();
    let candidates: Vec<(usize, f64)> = match alone {
        true => apart,
        false if of_all => slopes.keys().map(|k| (*k, all.per_minute)).collect(),
        false => return None,
    };
    let worst = candidates.into_iter().filter_map(|(k, per_minute)| Some((k, per_minute, share(k, per_minute)?)));
    let (configuration, per_minute, share) = worst.max_by(|a, b| a.2.abs().total_cmp(&b.2.abs()))?;
    (share.abs() > MATTERS).then_some(Drift { quantity, per_minute, share, configuration, alone })
}

/// What some rows say of a drift.
struct Told {
    per_minute: f64,
    /// Standard error, by sessions, and how many these are.
    error: f64,
    sessions: f64,
}

impl Told {
    /// `None` where too few sessions tell.
    fn by<'r>(rows: impl Iterator<Item = &'r Row>) -> Option<Self> {
        // The rows of a session follow each other.
        let mut scores = Vec::<(usize, f64, f64)>::new();
        for r in rows {
            let (score, own) = (r.weight * r.time * r.residual, r.weight * r.time * r.time);
            match scores.last_mut() {
                Some((session, sum, of)) if *session == r.session => (*sum, *of) = (*sum + score, *of + own),
                _ => scores.push((r.session, score, own)),
            }
        }
        let n = scores.len() as f64;
        let (sum, own) = scores.iter().fold((0.0, 0.0), |(sum, own), s| (sum + s.1, own + s.2));
        let per_minute = sum / own;
        // What a session says beyond the drift of all, over what the others leave to it (CR3: Cameron and Miller, J. Human
        // Resources 50, 2015, section VI): the drift itself is no noise, however unequally long the sessions are.
        let beyond = |(_, score, of): &(usize, f64, f64)| ((score - per_minute * of) / (1.0 - of / own)).powi(2);
        let variance = scores.iter().map(beyond).sum::<f64>();
        let told = scores.len() >= SESSIONS && own > 0.0 && variance > 0.0 && variance.is_finite();
        told.then(|| Self { per_minute, error: variance.sqrt() / own, sessions: n })
    }

    /// Chance of so much where another drift is the true one.
    fn unlike(&self, per_minute: f64) -> f64 {
        t_p_value((self.per_minute - per_minute) / self.error, self.sessions - 1.0).unwrap_or(1.0)
    }
}

/// Takes the means off the rows of an outing.
fn centre(rows: &mut [Row]) {
    let weight: f64 = rows.iter().map(|r| r.weight).sum();
    let mean = |of: fn(&Row) -> f64| rows.iter().map(|r| r.weight * of(r)).sum::<f64>() / weight;
    let (time, x, residual) = (mean(|r| r.time), mean(|r| r.x), mean(|r| r.residual));
    for r in rows {
        (r.time, r.x, r.residual) = (r.time - time, r.x - x, r.residual - residual);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::season::SeasonTables;
    use crate::stages::season::fit::tests::{ROBUST, Season, make, solve, truth};

    /// A season whose laps get faster, and whose front sensors read so much more every minute.
    fn season(per_minute: f64, seed: u64) -> SeasonTables {
        let mut tables = make(&Season { sessions: 8, windows: 40, noise: 10.0, ..Default::default() }, seed);
        tables.windows.sort_by(|a, b| (&a.log, &a.outing).cmp(&(&b.log, &b.outing)).then(a.speed.total_cmp(&b.speed)));
        let mut last: Option<String> = None;
        let mut n = 0.0;
        for w in &mut tables.windows {
            n = if last.as_deref() == Some(w.outing.as_str()) { n + 1.0 } else { 0.0 };
            last = Some(w.outing.clone());
            // Faster by and by, with a slow lap now and then.
            w.start = 20.0 * if (n as usize).is_multiple_of(5) { 14.0 - n } else { n };
            if let Some(m) = &mut w.measures[0] {
                m.mean += per_minute * w.start / 60.0;
            }
        }
        tables
    }

    #[test]
    fn a_drift_through_faster_laps_is_found_and_can_be_let_in() {
        let tables = season(12.0, 1);
        let fit = solve(&tables, ROBUST, 3);
        let found = drifts(&fit);
        assert!(found.len() == 1 && found[0].quantity == 0 && found[0].share > 0.01, "{found:?}");
        let off = |fit: &SeasonFit| fit.coefficient(0, 0).unwrap().value / truth(0)[0] - 1.0;
        let with = solve(&tables, &ROBUST.replacen('{', "{ \"let_in\": [\"drift\"],", 1), 3);
        assert!(off(&fit) > 0.02 && off(&with).abs() < 0.5 * off(&fit), "{} {}", off(&fit), off(&with));
        assert!(drifts(&with).is_empty());
    }

    #[test]
    fn sessions_of_unequal_length_hide_no_drift() {
        for (seed, per_minute) in [(4, 12.0), (5, 36.0)] {
            let mut tables = season(per_minute, seed);
            tables.windows.retain(|w| w.session.as_str() < "s4" || w.start < 450.0);
            let found = drifts(&solve(&tables, ROBUST, 3));
            assert!(found.len() == 1 && found[0].quantity == 0 && !found[0].alone, "{per_minute}: {found:?}");
        }
    }

    #[test]
    fn one_configuration_alone_is_told_from_all() {
        let mut tables = season(0.0, 2);
        for w in tables.windows.iter_mut().filter(|w| w.configuration == "c1") {
            let more = 20.0 * w.start / 60.0;
            w.measures[0].as_mut().unwrap().mean += more;
        }
        let found = drifts(&solve(&tables, ROBUST, 3));
        assert!(found.len() == 1 && found[0].alone && found[0].configuration == 1, "{found:?}");
        // Of all: not alone.
        assert!(drifts(&solve(&season(12.0, 3), ROBUST, 3)).iter().all(|d| !d.alone));
    }

    #[test]
    fn without_a_drift_none_is_found() {
        for seed in 0..30 {
            assert_eq!(drifts(&solve(&season(0.0, 10 + seed), ROBUST, 3)), [], "{seed}");
        }
    }
}
