//! Gusts: what the wind does beside the session's mean. A gust puts all quantities of a window off as one change of the
//! headwind would, and the windows of a straight in part alike. It is no unknown of the model but scatter with a known
//! shape: headwind with a variance of the session's own and a correlation that fades along the straight. Where the
//! scatter is told apart like this, windows of a calm session count for more, windows of one straight are held against
//! each other, and what a gust does to all quantities is not mistaken for three findings.

use std::collections::BTreeSet;
use std::ops::Range;
use std::sync::Arc;

use rayon::prelude::*;

use super::{MANY, Solver};
use crate::numerics::blocked::Together;
use crate::numerics::spread::{between_variance, median};
use crate::stages::season::fit::Method;
use crate::stages::season::fit::evidence::Observation;
use crate::stages::window::straight::STRAIGHT;

/// Least variance of a session's gusts that its logarithm is taken of, (m/s)².
const LEAST: f64 = 0.0025;
/// Fewest straights that tell how gusty a session was.
const STRAIGHTS: f64 = 6.0;
/// Fewest sessions that tell how much sessions differ.
const SESSIONS: usize = 4;
/// Variance of the logarithm of a variance that was found from a median of absolute values, times the number of values
/// (2 for the normal's own estimate, over an efficiency of 37 %: Huber 1981).
const OF_MEDIAN: f64 = 5.4;
/// Independent values that the windows of a straight are worth.
const WORTH: f64 = 1.5;
/// Correlation times that are tried, s.
const MEMORIES: [f64; 14] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 11.0, 15.0, 20.0, 30.0, 60.0, 120.0];
/// Pairs of windows that are summed as one.
const PAIRS: usize = 1024;
/// Windows whose middles lie closer to each other than this, s, are in one and the same gust.
const SAME_MOMENT: f64 = 1e-6;
/// Gusts in standard deviations beyond which a pair of windows says no more about the memory.
const CLIP: f64 = 2.5;

/// What is known of the gusts.
#[derive(Clone, Debug, Default)]
pub(super) struct Gusts {
    /// Variance of the headwind about the session's mean, (m/s)², per session; empty where no wind is estimated.
    pub(super) variance: Vec<f64>,
    /// Every session is too short to tell how gusty it was, and all of them together did.
    pub(super) of_all: bool,
    /// Correlation time along a straight, s.
    pub(super) memory: f64,
    /// Per row: change of its value per headwind.
    pub(super) levers: Vec<f64>,
    /// Per session: neighbouring rows of one straight.
    pub(super) straights: Vec<Vec<Range<usize>>>,
    /// Per session and straight: the moments at which the gust is told, each once, and the moment of every row.
    pub(super) moments: Vec<Vec<Moments>>,
    /// Per session: what gusts do to its rows; empty before gusts are known.
    pub(super) together: Vec<Arc<Vec<Together>>>,
}

/// When the rows of a straight were measured.
#[derive(Clone, Debug, Default)]
pub(super) struct Moments {
    /// Time since the moment before, s; 0 for the first.
    lags: Vec<f64>,
    /// Moment of every row.
    of_row: Vec<u32>,
}

/// The headwind that a window's quantities agree on.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Headwind {
    pub(super) value: f64,
    /// Variance of its error.
    pub(super) variance: f64,
    /// Quantities that tell it.
    pub(super) quantities: usize,
}

impl Solver<'_> {
    /// Rows of a session whose windows lie on one straight; the rows stand in that order. Under power a gust changes
    /// the speed that the car has some seconds later, and what follows it can't be held against it: there a window
    /// stands alone (with memory the study found all forces 0.4 to 0.7 % too large).
    pub(super) fn straights_of(&self, g: usize) -> Vec<Range<usize>> {
        let straight = |row: usize| {
            let o = self.observation(row);
            let known = o.heading != (0.0, 0.0) && self.estimates_wind();
            let under_power = self.options.windows.get(o.kind).is_some_and(|k| k.value == STRAIGHT);
            self.evidence.straights.get(o.window).filter(|_| known).map(|s| (*s, under_power.then_some(o.window)))
        };
        let mut out = Vec::new();
        let Range { start: mut first, end } = self.order.sessions[g].clone();
        while first < end {
            let this = straight(first);
            let n = (first..end).take_while(|r| straight(*r) == this).count();
            if this.is_some() && n > 1 {
                out.push(first..first + n);
            }
            first += n;
        }
        out
    }

    /// What the gusts do to the rows of each session.
    pub(super) fn together(&self) -> Vec<Arc<Vec<Together>>> {
        let of_straight = |g: usize, range: &Range<usize>, moments: &Moments| {
            let sd = self.gusts.variance[g].sqrt();
            // A window that is out of the season's air by degrees is so with its gusts too.
            let lever = |row: usize| sd * self.gusts.levers[row] / self.clean[row].sqrt();
            // What is left of the last moment's gust; a fading exponential is the correlation of a first-order process.
            let kept = |lag: &f64| (-lag / self.gusts.memory).exp();
            Together {
                first: range.start - self.order.sessions[g].start,
                acts: moments
                    .of_row
                    .iter()
                    .zip(range.clone())
                    .map(|(moment, row)| (*moment as usize, lever(row)))
                    .collect(),
                kept: moments.lags.iter().map(kept).collect(),
            }
        };
        let of_session = |g: usize| {
            let straights = self.gusts.straights[g].iter().zip(&self.gusts.moments[g]);
            let gusty = straights.filter(|_| self.gusts.variance[g] > 0.0);
            Arc::new(gusty.map(|(range, moments)| of_straight(g, range, moments)).collect())
        };
        (0..self.order.sessions.len()).into_par_iter().map(of_session).collect()
    }

    /// The moments of the windows of every straight.
    pub(super) fn moments(&self) -> Vec<Vec<Moments>> {
        let of_straight = |rows: &Range<usize>| {
            let middles: Vec<f64> = rows.clone().map(|r| self.evidence.middle(self.observation(r).window)).collect();
            let mut all = middles.clone();
            all.sort_by(f64::total_cmp);
            all.dedup_by(|later, earlier| *later - *earlier < SAME_MOMENT);
            let of_row = middles.iter().map(|at| all.partition_point(|m| m <= at).saturating_sub(1) as u32).collect();
            let lags = std::iter::once(0.0).chain(all.windows(2).map(|pair| pair[1] - pair[0])).collect();
            Moments { lags, of_row }
        };
        let of_session = |straights: &Vec<Range<usize>>| straights.iter().map(of_straight).collect();
        self.gusts.straights.par_iter().map(of_session).collect()
    }

    /// Variance that gusts add to a row.
    pub(super) fn gust_variance(&self, i: usize) -> f64 {
        let of_session = self.gusts.variance.get(self.order.session(i));
        of_session.map_or(0.0, |v| v * self.gusts.levers[i].powi(2))
    }

    /// Takes over what a headwind does to every row.
    pub(super) fn set_levers(&mut self) {
        let lever = |r: usize| {
            let o = self.observation(r);
            let slope = || o.slope(self.wind[self.order.session(r)]);
            // The wind of its own row of the run sheet stands, whatever that of the session is.
            let known = o.heading != (0.0, 0.0) && o.own_wind.is_none();
            if known { self.beta[self.slope(r)] * slope() } else { 0.0 }
        };
        self.gusts.levers = (0..self.order.len()).into_par_iter().with_min_len(MANY).map(lever).collect();
    }

    /// The headwind of every window, in the best weighting of its quantities.
    pub(super) fn headwinds(&self) -> Vec<Headwind> {
        let of_window = |rows: &Range<usize>| {
            let (mut cross, mut signal, mut quantities) = (0.0, 0.0, 0);
            for i in rows.clone() {
                let (lever, weight) = (self.gusts.levers[i], self.robust[i] / self.variance(i));
                cross += lever * self.residual[i] * weight;
                signal += lever * lever * weight;
                quantities += usize::from(lever != 0.0);
            }
            if signal > 0.0 {
                Headwind { value: cross / signal, variance: 1.0 / signal, quantities }
            } else {
                Headwind::default()
            }
        };
        self.order.windows.par_iter().with_min_len(MANY).map(of_window).collect()
    }

    /// Finds how gusty the sessions were, and how long a gust lasts.
    pub(super) fn look_for_gusts(&mut self) {
        if !self.estimates_wind() {
            return;
        }
        let headwinds = self.headwinds();
        let windows: Vec<Vec<Vec<usize>>> =
            (0..self.order.sessions.len()).into_par_iter().map(|g| self.windows_on_straights(g, &headwinds)).collect();
        let robust = self.options.method == Method::Robust;
        let of_sessions = |sessions: &[Vec<Vec<usize>>]| {
            let n = sessions.iter().map(Vec::len).sum::<usize>() as f64;
            if n < STRAIGHTS {
                return None;
            }
            let all = || sessions.iter().flatten().flatten();
            let outings: BTreeSet<usize> = all().map(|w| self.of_window(*w).outing).collect();
            let winds = 2 * sessions.iter().filter(|straights| !straights.is_empty()).count();
            let share = (n - (outings.len() + winds) as f64) / n;
            let z: Vec<f64> = all().map(|w| headwinds[*w].value).collect();
            let se: Vec<f64> = all().map(|w| headwinds[*w].variance.sqrt()).collect();
            Some((between_variance(&z, &se, share.max(0.2), robust), OF_MEDIAN / (WORTH * n)))
        };
        let mut found: Vec<Option<(f64, f64)>> =
            windows.par_iter().map(|of| of_sessions(std::slice::from_ref(of))).collect();
        // Each of them too short to tell by itself: all of them together.
        let all = of_sessions(&windows).filter(|_| found.iter().all(Option::is_none));
        self.gusts.of_all = all.is_some();
        if all.is_some() {
            found.fill(all);
        }
        self.gusts.variance = believed(&found);
        self.gusts.memory = self.memory(&windows, &headwinds);
        self.gusts.together = self.together();
    }

    /// Windows of a session that tell a headwind, straight by straight.
    fn windows_on_straights(&self, g: usize, headwinds: &[Headwind]) -> Vec<Vec<usize>> {
        let of_straight = |range: &Range<usize>| {
            let rows = range.clone().filter(|r| self.clean[*r] > 0.5);
            let mut windows: Vec<usize> = rows.map(|r| self.order.window(r)).collect();
            windows.dedup();
            windows.retain(|w| headwinds[*w].quantities > 1);
            windows
        };
        self.gusts.straights[g].iter().map(of_straight).filter(|w| !w.is_empty()).collect()
    }

    /// The first observation of a window.
    fn of_window(&self, window: usize) -> &Observation {
        self.observation(self.order.windows[window].start)
    }

    /// The correlation time with which products of neighbouring windows' headwinds agree best.
    fn memory(&self, windows: &[Vec<Vec<usize>>], headwinds: &[Headwind]) -> f64 {
        let middle = |w: usize| self.evidence.middle(self.of_window(w).window);
        let mut pairs = Vec::new();
        for (straights, variance) in windows.iter().zip(&self.gusts.variance).filter(|(_, v)| **v > 0.0) {
            let scaled = |w: usize| {
                let h = &headwinds[w];
                let clip = CLIP * (1.0 + h.variance / variance).sqrt();
                (h.value / variance.sqrt()).clamp(-clip, clip)
            };
            for on in straights {
                for (k, i) in on.iter().enumerate() {
                    for j in on.iter().skip(k + 1) {
                        let noise =
                            (1.0 + headwinds[*i].variance / variance) * (1.0 + headwinds[*j].variance / variance);
                        let lag = (middle(*i) - middle(*j)).abs();
                        pairs.push((lag, scaled(*i) * scaled(*j), 1.0 / noise));
                    }
                }
            }
        }
        let doubles = doubles();
        let of_some = |pairs: &[(f64, f64, f64)]| {
            let mut missed = [0.0; MEMORIES.len()];
            for (lag, product, weight) in pairs {
                let kept = kept(*lag, &doubles);
                missed.iter_mut().zip(kept).for_each(|(sum, kept)| *sum += weight * (product - kept).powi(2));
            }
            missed
        };
        // So many at a time that the sums are the same with any number of threads.
        let each: Vec<[f64; MEMORIES.len()]> = pairs.par_chunks(PAIRS).map(of_some).collect();
        let missed = |k: usize| each.iter().map(|missed| missed[k]).sum::<f64>();
        let missed = MEMORIES.iter().enumerate().map(|(k, memory)| (*memory, missed(k)));
        missed.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(1.0, |(memory, _)| memory)
    }
}

/// Per memory that is tried the place of the one twice as long, where that is tried too.
fn doubles() -> [Option<usize>; MEMORIES.len()] {
    std::array::from_fn(|k| MEMORIES.iter().position(|other| *other == 2.0 * MEMORIES[k]))
}

/// What is left of a gust after a lag, s, for every memory that is tried: the square of what is left for the double of it,
/// so that few exponentials do for all.
fn kept(lag: f64, doubles: &[Option<usize>; MEMORIES.len()]) -> [f64; MEMORIES.len()] {
    let mut out = [0.0; MEMORIES.len()];
    for (k, double) in doubles.iter().enumerate().rev() {
        out[k] = double.map_or_else(|| (-lag / MEMORIES[k]).exp(), |double| out[double] * out[double]);
    }
    out
}

/// Variances of single sessions, drawn towards those of the others as far as they are uncertain (empirical Bayes on
/// their logarithms). Sessions that say nothing get the middle of the others; none say nothing: no gusts.
fn believed(found: &[Option<(f64, f64)>]) -> Vec<f64> {
    let logs: Vec<Option<(f64, f64)>> = found.iter().map(|f| f.map(|(v, error)| (v.max(LEAST).ln(), error))).collect();
    let mut known: Vec<f64> = logs.iter().flatten().map(|l| l.0).collect();
    if known.is_empty() {
        return vec![0.0; found.len()];
    }
    let n = known.len();
    let mean = if n < SESSIONS { known.iter().sum::<f64>() / n as f64 } else { median(&mut known) };
    let excess = logs.iter().flatten().map(|(l, error)| (l - mean).powi(2) - error).sum::<f64>() / n as f64;
    let excess = if n < SESSIONS { 0.0 } else { excess.max(0.0) };
    let of = |l: &Option<(f64, f64)>| match l {
        Some((l, error)) => (mean + excess / (excess + error) * (l - mean)).exp(),
        None => mean.exp(),
    };
    logs.iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64Mcg;

    use super::{MEMORIES, believed, doubles, kept};
    use crate::stages::season::SeasonTables;
    use crate::stages::season::fit::SeasonFit;
    use crate::stages::season::fit::tests::{ROBUST, Season, make, solve, truth};
    use crate::stages::window::Measure;

    /// Gusts of each session, m/s: calm and gusty ones in turn.
    const SD: [f64; 2] = [0.3, 0.9];
    const MEMORY: f64 = 8.0;

    /// A season with gusts on straights of four windows each, 5 s apart.
    fn gusty(seed: u64) -> SeasonTables {
        let season = Season { windows: 96, noise: 10.0, wind: 0.0, ..Default::default() };
        let mut tables = make(&season, seed);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let mut rng = Pcg64Mcg::seed_from_u64(seed ^ 0x9057);
        let mut gust = 0.0;
        for (i, w) in tables.windows.iter_mut().enumerate() {
            let (straight, place) = (i % 96 / 4, i % 4);
            w.course = Some(straight as f64 * std::f64::consts::FRAC_PI_2 + 0.3);
            w.start = straight as f64 * 60.0 + place as f64 * 5.0;
            let kept = if place == 0 { 0.0 } else { (-5.0 / MEMORY).exp() };
            gust = kept * gust + (1.0_f64 - kept * kept).sqrt() * normal.sample(&mut rng);
            let session: usize = w.session[1..].parse().unwrap();
            let k: usize = w.configuration[1..].parse().unwrap();
            for (q, m) in w.measures.iter_mut().enumerate() {
                let m = m.as_mut().unwrap();
                let head = SD[session % 2] * gust;
                m.mean += truth(k)[q] * (2.0 * head * m.v + head * head * m.ratio);
            }
        }
        tables
    }

    #[test]
    fn what_is_kept_is_an_exponential() {
        for lag in [0.0, 0.3, 4.7, 61.0] {
            for (memory, kept) in MEMORIES.iter().zip(kept(lag, &doubles())) {
                assert!((kept - (-lag / memory).exp()).abs() < 1e-14, "{lag} {memory} {kept}");
            }
        }
    }

    #[test]
    fn gusts_are_found_session_by_session() {
        let fit = solve(&gusty(1), ROBUST, 3);
        assert!(fit.model.converged, "{} steps", fit.model.iterations);
        for (g, sd) in fit.model.gusts.iter().enumerate() {
            assert!((0.75..1.33).contains(&(sd / SD[g % 2])), "session {g}: {sd}");
        }
        assert!((4.0..=15.0).contains(&fit.model.gust_memory), "{}", fit.model.gust_memory);
        // Without gusts what is found is no more than the scatter allows, some 0.2 m/s for one window.
        let calm = solve(&make(&Season { wind: 0.0, ..Default::default() }, 1), ROBUST, 3);
        assert!(calm.model.gusts.iter().all(|sd| *sd < 0.25), "{:?}", calm.model.gusts);
    }

    #[test]
    fn sessions_too_short_to_tell_their_gusts_tell_them_together() {
        // Five straights a session, one outing of each configuration.
        let mut tables = gusty(5);
        tables.windows.retain(|w| w.start < 60.0 || w.start < 120.0 && w.configuration != "c2");
        let fit = solve(&tables, ROBUST, 3);
        let all = fit.model.gusts.first().copied().unwrap();
        assert!(fit.model.gusts.iter().all(|sd| *sd == all), "{:?}", fit.model.gusts);
        // Between those of the calm and of the gusty.
        assert!((SD[0]..1.1 * SD[1]).contains(&all), "{all}");
    }

    #[test]
    fn a_channel_that_does_not_feel_the_air_changes_nothing() {
        let mut tables = gusty(2);
        let alone = solve(&tables, ROBUST, 3);
        let normal = Normal::new(90.0, 2.0).unwrap();
        let mut rng = Pcg64Mcg::seed_from_u64(9);
        for w in &mut tables.windows {
            let like = w.measures[0].unwrap();
            w.measures.push(Some(Measure { mean: normal.sample(&mut rng), standard_error: 0.1, ..like }));
        }
        tables.quantities.push("oil_temperature".to_owned());
        tables.units.push("K".to_owned());
        let with = solve(&tables, &ROBUST.replace("\"drag\"", "\"drag\", \"oil_temperature\""), 3);
        for k in 0..3 {
            for q in 0..3 {
                let of = |fit: &SeasonFit| fit.estimate(&fit.coefficient(k, q).unwrap()).unwrap();
                let (a, b) = (of(&alone), of(&with));
                assert!((a.value - b.value).abs() < 0.1 * a.se && (a.se / b.se - 1.0).abs() < 0.1, "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn the_standard_errors_are_those_of_repeated_seasons() {
        // 30 seasons × 9 coefficients that share their gusts: the ratio is good to some 15 %.
        let (mut squares, mut variances) = (0.0, 0.0);
        for seed in 0..30 {
            let fit = solve(&gusty(100 + seed), ROBUST, 3);
            for k in 0..3 {
                for (q, t) in truth(k).iter().enumerate() {
                    let e = fit.estimate(&fit.coefficient(k, q).unwrap()).unwrap();
                    squares += ((e.value - t) / t).powi(2);
                    variances += (e.se / t).powi(2);
                }
            }
        }
        let ratio = (variances / squares).sqrt();
        assert!((0.8..1.25).contains(&ratio), "{ratio}");
    }

    #[test]
    fn uncertain_sessions_are_drawn_to_the_others() {
        // The same distance from the others, known well and badly.
        let known = [(0.1, 0.1), (0.25, 0.1), (0.25, 0.1), (1.0, 0.1), (1.0, 1.0)].map(Some);
        let found = believed(&known);
        assert!(found[3] > found[4] && found[4] > found[1] && found[3] < 1.0, "{found:?}");
        // Sessions that differ no more than by chance are taken as one; a silent one gets the middle; none, no gusts.
        let alike = believed(&[Some((0.2, 0.3)), Some((0.3, 0.3)), Some((0.25, 0.3)), Some((0.28, 0.3)), None]);
        assert!(alike.windows(2).all(|w| (w[0] / w[1] - 1.0).abs() < 1e-12), "{alike:?}");
        assert_eq!(believed(&[None, None]), [0.0, 0.0]);
        // Three sessions are too few to say that they differ: their mean.
        let three = believed(&[Some((0.1, 0.1)), Some((1.0, 0.1)), Some((1.0, 0.1))]);
        assert!((three[0] - 0.1_f64.cbrt()).abs() < 1e-12 && three[0] == three[2], "{three:?}");
    }
}
