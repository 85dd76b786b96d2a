//! Windows to observations: which window counts, to which session, outing and configuration it belongs.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::{Deref, DerefMut, Range};
use std::sync::Arc;

use rayon::prelude::*;
use serde::{Serialize, Serializer};

use super::{Fit, Wind, Zero};
use crate::config::run_sheet::RunRow;
use crate::stages::window::straight::STRAIGHT;
use crate::stages::window::{Stretch, Window};

/// What all quantities of one window have in common.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Seen {
    /// Index of the window.
    pub window: usize,
    /// Index of the session.
    pub session: usize,
    /// Index of the outing.
    pub outing: usize,
    /// Index of the configuration.
    pub configuration: usize,
    /// Index of the kind of window.
    pub kind: usize,
    /// What can be let in: acceleration over ground along x and vertical specific force less gravity (0 where not
    /// logged), m/s²; 1 while coasting; time since the first window of the outing, min.
    pub regressors: [f64; 4],
    /// Unit vector of travel (north, east); zero where the wind does not enter.
    pub heading: (f64, f64),
    /// The wind of its own row of the run sheet, where that counts in the place of the session's.
    pub own_wind: Option<(f64, f64)>,
}

/// One measured quantity of one window. A large season has hundreds of thousands of them, so that they are kept small.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Observation {
    /// The window; one that is changed gets one of its own.
    #[serde(serialize_with = "whole")]
    pub seen: Arc<Seen>,
    /// Index of the quantity.
    pub quantity: usize,
    /// Mean of the quantity, less its zero where that is known.
    pub y: f64,
    /// The zero is taken off: no unknown stands for it.
    pub zeroed: bool,
    /// Its standard error.
    pub se: f64,
    /// Mean of ratio·v².
    pub v2: f64,
    /// Mean of ratio·v.
    pub v: f64,
    /// Mean ratio.
    pub ratio: f64,
}

fn whole<S: Serializer>(seen: &Arc<Seen>, s: S) -> Result<S::Ok, S::Error> {
    seen.serialize(s)
}

impl Deref for Observation {
    type Target = Seen;
    fn deref(&self) -> &Seen {
        &self.seen
    }
}

impl DerefMut for Observation {
    fn deref_mut(&mut self) -> &mut Seen {
        Arc::make_mut(&mut self.seen)
    }
}

impl Observation {
    /// Effective v² under a wind of the session that blows from (north, east).
    pub fn x(&self, wind: (f64, f64)) -> f64 {
        let h = self.headwind(wind);
        self.v2 + 2.0 * h * self.v + h * h * self.ratio
    }
    /// Derivative of effective v² by the headwind.
    pub fn slope(&self, wind: (f64, f64)) -> f64 {
        2.0 * (self.v + self.headwind(wind) * self.ratio)
    }
    /// Headwind, m/s, against the car positive.
    pub fn headwind(&self, wind: (f64, f64)) -> f64 {
        let wind = self.own_wind.unwrap_or(wind);
        self.heading.0 * wind.0 + self.heading.1 * wind.1
    }
}

/// A configuration as the run sheet describes it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Configuration {
    /// Name.
    pub name: String,
    /// Parts fitted.
    pub parts: Vec<String>,
    /// Wing position.
    pub wing_position: Option<f64>,
}

impl Configuration {
    /// The parts as tables write them: in the order of the alphabet, joined with `+`.
    pub fn parts_joined(&self) -> String {
        self.parts.iter().map(String::as_str).collect::<BTreeSet<_>>().into_iter().collect::<Vec<_>>().join("+")
    }
}

/// All observations of a season, with the names behind the indices.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Observations, in the order of the windows.
    pub observations: Vec<Observation>,
    /// Sessions as (event, session), sorted.
    pub sessions: Vec<(String, String)>,
    /// Wind from the run sheet per session, as (north, east) components of the direction it comes from: the mean of
    /// those that its windows' rows name.
    pub sheet_wind: Vec<Option<(f64, f64)>>,
    /// Per session: the air speed was measured in all its observations, so that its wind does not enter.
    pub measured: Vec<bool>,
    /// Outings, sorted.
    pub outings: Vec<String>,
    /// Per window the straight that it lies on, numbered through the season; see [`straights`].
    pub straights: Vec<usize>,
    /// Per window the middle of its time, s from the start of its log.
    pub middles: Vec<f64>,
    /// Configurations, in the order of the run sheet.
    pub configurations: Vec<Configuration>,
    /// Sessions and quantities that do not agree with the others: kept in the tables, not fitted.
    pub left_out: BTreeSet<(usize, usize)>,
}

impl Evidence {
    /// Middle of a window's time, s from the start of its log.
    pub fn middle(&self, window: usize) -> f64 {
        self.middles.get(window).copied().unwrap_or(0.0)
    }
}

/// What the windows of one outing and configuration that follow each other say.
#[derive(Default)]
struct Part {
    session: usize,
    /// The outing, and the winds that the run sheet names for it.
    outing: usize,
    winds: BTreeSet<(u64, u64)>,
    /// Middle of the outing's earliest window, s from the start of the log.
    first: f64,
    observations: Vec<Observation>,
    /// Whether the air speed was measured in some of them, and not in some.
    measured: bool,
    unmeasured: bool,
}

/// Collects what counts as evidence.
pub fn collect(windows: &[Window], quantities: usize, fit: &Fit, runs: &[RunRow]) -> Evidence {
    let twice = twice(windows, fit);
    let counted = |(w, i): &(&Window, usize)| fit.takes(w.kind) && twice.get(*i) != Some(&true);
    let all = || windows.iter().zip(0..).filter(counted).map(|(w, _)| w);
    let configurations = configurations(runs);
    let index: BTreeMap<&str, usize> = configurations.iter().enumerate().map(|(i, c)| (c.name.as_str(), i)).collect();
    let names: Vec<(&str, &str)> = distinct(all().map(|w| (w.event.as_str(), w.session.as_str())));
    let outings: Vec<&str> = distinct(all().map(|w| w.outing.as_str()));
    let mut ranges: Vec<Range<usize>> = Vec::new();
    for of_outing in windows.chunk_by(together) {
        let start = ranges.last().map_or(0, |last| last.end);
        ranges.push(start..start + of_outing.len());
    }
    let mut firsts = vec![f64::INFINITY; outings.len()];
    for of_outing in ranges.iter().filter_map(|range| windows.get(range.clone())) {
        if let Some(first) =
            of_outing.first().and_then(|w| firsts.get_mut(outings.binary_search(&w.outing.as_str()).ok()?))
        {
            *first = of_outing.iter().map(middle).fold(*first, f64::min);
        }
    }
    let part = |range: &Range<usize>| {
        let mut of = windows[range.clone()].iter().zip(range.clone()).filter(counted).peekable();
        let (w, _) = of.peek()?;
        let mut part = Part {
            session: names.binary_search(&(w.event.as_str(), w.session.as_str())).ok()?,
            outing: outings.binary_search(&w.outing.as_str()).ok()?,
            ..Default::default()
        };
        part.first = firsts[part.outing];
        let configuration = index.get(w.configuration.as_str()).copied();
        of.for_each(|(w, i)| part.add((w, i), configuration, quantities, fit));
        Some(part)
    };
    let (parts, straights) = rayon::join(
        || ranges.par_iter().map(part).collect::<Vec<Option<Part>>>().into_iter().flatten().collect::<Vec<Part>>(),
        || straights(windows),
    );
    let sessions = names.len();
    let (mut measured, mut unmeasured) = (vec![false; sessions], vec![false; sessions]);
    for part in &parts {
        measured[part.session] |= part.measured;
        unmeasured[part.session] |= part.unmeasured;
    }
    let mut out = Evidence {
        measured: measured.iter().zip(unmeasured).map(|(measured, not)| *measured && !not).collect(),
        sheet_wind: mean_winds(&parts, sessions),
        sessions: names.iter().map(|(event, session)| ((*event).to_owned(), (*session).to_owned())).collect(),
        outings: outings.iter().map(|o| (*o).to_owned()).collect(),
        configurations,
        straights,
        middles: windows.iter().map(middle).collect(),
        observations: Vec::with_capacity(parts.iter().map(|part| part.observations.len()).sum()),
        ..Default::default()
    };
    parts.into_iter().for_each(|part| out.observations.extend(part.observations));
    out
}

/// How many windows of one log count as evidence.
pub fn counted(windows: &[Window], fit: &Fit) -> usize {
    let twice = twice(windows, fit);
    windows.iter().zip(0..).filter(|(w, i)| fit.takes(w.kind) && twice.get(*i) != Some(&true)).count()
}

/// Which windows of straight running hold seconds that windows of another kind which counts hold too: a stretch of it may be
/// steady or coasting as well, and no second is evidence twice. Empty where none can.
fn twice(windows: &[Window], fit: &Fit) -> Vec<bool> {
    let straight = |kind: &str| kind == STRAIGHT;
    if !fit.takes(STRAIGHT) || fit.windows.iter().all(|k| straight(&k.value)) {
        return Vec::new();
    }
    let mut out = Vec::with_capacity(windows.len());
    for of_log in windows.chunk_by(|a, b| Arc::ptr_eq(&a.stretch, &b.stretch) || a.log == b.log) {
        let others: Vec<(f64, f64)> = of_log
            .iter()
            .filter(|w| !straight(w.kind) && fit.takes(w.kind))
            .map(|w| (w.start, w.start + w.duration))
            .collect();
        let meets = |w: &Window| others.iter().any(|(start, end)| w.start < *end && *start < w.start + w.duration);
        out.extend(of_log.iter().map(|w| straight(w.kind) && meets(w)));
    }
    out
}

impl Part {
    /// Adds a window of the season, with its index.
    fn add(&mut self, (w, i): (&Window, usize), configuration: Option<usize>, quantities: usize, fit: &Fit) {
        self.winds.extend(w.sheet_wind.map(|(speed, from)| (speed.to_bits(), from.to_bits())));
        let Some(configuration) = configuration else { return };
        let own_wind = (fit.wind == Wind::RunSheet).then(|| w.sheet_wind.map_or((0.0, 0.0), components));
        let heading = match w.course {
            Some(psi) if !w.air_speed_measured => (psi.cos(), psi.sin()),
            _ => (0.0, 0.0),
        };
        let seen = Arc::new(Seen {
            window: i,
            session: self.session,
            outing: self.outing,
            configuration,
            kind: fit.windows.iter().position(|k| k.value == w.kind).unwrap_or(0),
            regressors: [
                w.accel_x,
                w.accel_z.unwrap_or(0.0),
                f64::from(u8::from(w.kind == "coastdown")),
                (middle(w) - self.first) / 60.0,
            ],
            heading,
            own_wind,
        });
        for (quantity, m) in w.measures.iter().take(quantities).enumerate() {
            let Some(m) = m else { continue };
            if ![m.mean, m.standard_error, m.v2, m.v, m.ratio].iter().all(|v| v.is_finite()) {
                continue;
            }
            self.measured |= w.air_speed_measured;
            self.unmeasured |= !w.air_speed_measured;
            let zero = m.zero.filter(|_| fit.zero == Zero::StaticSegment);
            self.observations.push(Observation {
                seen: Arc::clone(&seen),
                quantity,
                y: m.mean - zero.unwrap_or(0.0),
                zeroed: zero.is_some(),
                se: m.standard_error,
                v2: m.v2,
                v: m.v,
                ratio: m.ratio,
            });
        }
    }
}

/// Middle of a window's time, s from the start of its log.
fn middle(w: &Window) -> f64 {
    w.start + 0.5 * w.duration
}

/// Whether two windows are of one outing and configuration.
fn together(a: &Window, b: &Window) -> bool {
    let same = |a: &Stretch, b: &Stretch| {
        (&a.outing, &a.configuration, &a.session, &a.event) == (&b.outing, &b.configuration, &b.session, &b.event)
    };
    Arc::ptr_eq(&a.stretch, &b.stretch) || same(&a.stretch, &b.stretch)
}

/// Names, sorted, each once.
pub(super) fn distinct<T: Ord>(names: impl Iterator<Item = T>) -> Vec<T> {
    let mut all: Vec<T> = names.collect();
    // Windows of one log follow each other.
    all.dedup();
    all.sort_unstable();
    all.dedup();
    all
}

/// Longest pause between two windows of one straight, s, and largest turn between them, rad (common practice, no
/// source).
const PAUSE: f64 = 16.0;
const TURN: f64 = 0.2;

/// Windows of one outing that follow each other in the same direction lie on one straight: what the car met there,
/// another car's wake above all, they have in common. Without a course every window stands alone.
pub fn straights(windows: &[Window]) -> Vec<usize> {
    let outings = distinct(windows.iter().map(|w| w.outing.as_str()));
    let mut order: Vec<(usize, u64, usize)> = Vec::with_capacity(windows.len());
    for of_outing in windows.chunk_by(|a, b| a.outing == b.outing) {
        let outing = of_outing.first().and_then(|w| outings.binary_search(&w.outing.as_str()).ok()).unwrap_or(0);
        let first = order.len();
        order.extend(of_outing.iter().enumerate().map(|(i, w)| (outing, w.start.to_bits(), first + i)));
    }
    order.sort_unstable();
    let mut out = vec![0; windows.len()];
    let (mut number, mut before): (usize, Option<&Window>) = (0, None);
    for (_, _, i) in order {
        let Some(w) = windows.get(i) else { continue };
        let follows = before.is_some_and(|b| {
            let turned = b.course.zip(w.course).map(|(a, b)| (a - b).sin().hypot(1.0 - (a - b).cos()));
            b.outing == w.outing && w.start - b.start - b.duration <= PAUSE && turned.is_some_and(|t| t <= TURN)
        });
        number += usize::from(!follows);
        if let Some(place) = out.get_mut(i) {
            *place = number;
        }
        before = Some(w);
    }
    out
}

/// Components of a wind, speed and direction that it comes from: north, east.
fn components((speed, from): (f64, f64)) -> (f64, f64) {
    (speed * from.cos(), speed * from.sin())
}

/// Vector mean of the winds that the run sheet names for the windows of each session, every outing and wind once; `None`
/// where it names none. Rows of logs that gave no window have no say.
fn mean_winds(parts: &[Part], sessions: usize) -> Vec<Option<(f64, f64)>> {
    let mut winds: Vec<BTreeSet<(usize, u64, u64)>> = vec![BTreeSet::new(); sessions];
    for part in parts {
        winds[part.session].extend(part.winds.iter().map(|(speed, from)| (part.outing, *speed, *from)));
    }
    let mean = |winds: BTreeSet<(usize, u64, u64)>| {
        let n = winds.len() as f64;
        let all = winds.iter().map(|(_, speed, from)| components((f64::from_bits(*speed), f64::from_bits(*from))));
        let sum = all.fold((0.0, 0.0), |s, w| (s.0 + w.0, s.1 + w.1));
        (n > 0.0).then(|| (sum.0 / n, sum.1 / n))
    };
    winds.into_iter().map(mean).collect()
}

/// Configurations in the order of the run sheet.
pub fn configurations(runs: &[RunRow]) -> Vec<Configuration> {
    let mut out: Vec<Configuration> = Vec::new();
    for r in runs {
        if out.iter().all(|c| c.name != r.configuration.value) {
            out.push(Configuration {
                name: r.configuration.value.clone(),
                parts: r.parts.clone(),
                wing_position: r.wing_position,
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::season::fit::tests::{Season, make};

    #[test]
    fn no_second_is_evidence_twice() {
        let mut windows = make(&Season::default(), 3).windows;
        windows.truncate(3);
        for (w, (kind, start)) in windows.iter_mut().zip([("coastdown", 10.0), ("straight", 11.5), ("straight", 12.0)])
        {
            w.log = "a.csv".to_owned();
            (w.kind, w.start, w.duration) = (kind, start, 2.0);
        }
        let fit = |windows: &str| -> Fit {
            crate::config::from_text(&format!("{{ quantities: [drag], at: 160 km/h, windows: [{windows}] }}"))
        };
        // The second shares half a second with the first; the third begins where that ends.
        assert_eq!(twice(&windows, &fit("coastdown, straight")), [false, true, false]);
        assert!(twice(&windows, &fit("straight")).is_empty() && twice(&windows, &fit("coastdown")).is_empty());
        windows[1].log = "b.csv".to_owned();
        assert_eq!(twice(&windows, &fit("coastdown, straight")), [false, false, false]);
    }
}
