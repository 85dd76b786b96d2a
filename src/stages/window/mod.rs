//! Selection: the barrier from samples to windows. `select` is shared; each kind of window is one file.

pub mod coastdown;
pub mod peaks;
pub mod select;
pub mod steady;
pub mod straight;
#[cfg(test)]
mod tests;

use std::ops::{Deref, DerefMut};
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize};

use crate::stages::WindowStep;

/// What one quantity was in one window.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measure {
    /// Mean over the window, SI.
    pub mean: f64,
    /// Standard error of the mean, autocorrelation counted.
    pub standard_error: f64,
    /// Mean of density ratio × air speed², m²/s², weighted in time as the mean was; no wind correction
    /// beyond what a pitot channel gives.
    pub v2: f64,
    /// Mean of density ratio × air speed, m/s, weighted likewise: with `v2` and `ratio` it gives the
    /// effective v² under any headwind w exactly: v2 + 2·w·v + w²·ratio.
    pub v: f64,
    /// Mean density ratio rho/rho_ref, weighted likewise.
    pub ratio: f64,
    /// What the sensors said while the car stood before the outing, where it did and the quantity has a zero.
    pub zero: Option<f64>,
}

/// Road load A + C·v² of a whole coasting stretch, from speed over time: a second opinion on the drag.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Coast {
    /// C over the density ratio, N per m²/s², if a headwind of −5, 0 and +5 m/s came on top of what `v_air` knows.
    pub coefficients: [f64; 3],
    /// Length of the stretch, s.
    pub duration: f64,
}

impl Coast {
    /// The headwind of the outer two coefficients, m/s.
    pub const HEADWIND: f64 = 5.0;

    /// C over the density ratio, N per m²/s², in a headwind in m/s (parabola through the three); `None` beyond
    /// −5 to +5 m/s.
    pub fn coefficient(&self, headwind: f64) -> Option<f64> {
        let t = headwind / Self::HEADWIND;
        let [behind, still, ahead] = self.coefficients;
        (t.abs() <= 1.0).then_some(still + 0.5 * (ahead - behind) * t + (0.5 * (ahead + behind) - still) * t * t)
    }
}

/// Name of a window stage. An alias, because a derived reader would ask of a bare reference that the file it reads
/// from lives for ever.
pub type Kind = &'static str;

/// What all windows of one stretch of a log have in common: held once for all of them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Log it comes from.
    pub log: String,
    /// Event.
    pub event: String,
    /// Session, unique in the season: event and session.
    pub session: String,
    /// Outing, unique in the season.
    pub outing: String,
    /// Configuration.
    pub configuration: String,
    /// Wind speed from the run sheet, m/s, and direction it comes from, rad.
    pub sheet_wind: Option<(f64, f64)>,
    /// Remarks, from the log's flags.
    pub flags: Vec<String>,
}

/// One window of one log. Written down it goes without its stretch, see [`written`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Window {
    /// Where it belongs; a window that is changed gets one of its own.
    #[serde(skip)]
    pub stretch: Arc<Stretch>,
    /// `steady`, `coastdown` or `straight`.
    #[serde(deserialize_with = "kind")]
    pub kind: Kind,
    /// Seconds from the start of the log.
    pub start: f64,
    /// Seconds.
    pub duration: f64,
    /// Samples.
    pub samples: usize,
    /// Mean ground speed, m/s.
    pub speed: f64,
    /// Mean air density, kg/m³.
    pub air_density: f64,
    /// Direction of travel, rad clockwise from north, where known.
    pub course: Option<f64>,
    /// The air speed was measured, by a pitot tube or a calibrated pressure: no wind correction applies.
    pub air_speed_measured: bool,
    /// Mean acceleration over ground along x, m/s².
    pub accel_x: f64,
    /// Mean of the vertical specific force less gravity, m/s²; `None` without that channel.
    pub accel_z: Option<f64>,
    /// Road load of the whole coasting stretch that begins with this window, where a season stage wants it.
    pub coast: Option<Box<Coast>>,
    /// One entry per quantity of the plan, in its order; `None` where it was not measured.
    pub measures: Vec<Option<Measure>>,
}

impl Deref for Window {
    type Target = Stretch;
    fn deref(&self) -> &Stretch {
        &self.stretch
    }
}

impl DerefMut for Window {
    fn deref_mut(&mut self) -> &mut Stretch {
        Arc::make_mut(&mut self.stretch)
    }
}

/// Lets windows that follow each other and belong to equal stretches share one.
fn share(windows: &mut [Window]) {
    let mut last: Option<Arc<Stretch>> = None;
    for w in windows {
        match &last {
            Some(last) if *last == w.stretch => w.stretch = Arc::clone(last),
            _ => last = Some(Arc::clone(&w.stretch)),
        }
    }
}

/// Windows written down: what they share once.
pub mod written {
    use std::sync::Arc;

    use serde::{Deserialize, Deserializer, Serializer};

    use super::{Stretch, Window};

    /// Writes windows.
    ///
    /// # Errors
    /// As the serializer.
    pub fn serialize<S: Serializer>(windows: &[Window], s: S) -> Result<S::Ok, S::Error> {
        let runs = windows.chunk_by(|a, b| Arc::ptr_eq(&a.stretch, &b.stretch) || a.stretch == b.stretch);
        let runs: Vec<(&Stretch, &[Window])> = runs.filter_map(|run| Some((&*run.first()?.stretch, run))).collect();
        s.collect_seq(runs)
    }

    /// Reads them back.
    ///
    /// # Errors
    /// As the deserializer.
    pub fn deserialize<'de, D: Deserializer<'de>>(de: D) -> Result<Vec<Window>, D::Error> {
        let mut out = Vec::new();
        for (stretch, mut windows) in Vec::<(Stretch, Vec<Window>)>::deserialize(de)? {
            let stretch = Arc::new(stretch);
            windows.iter_mut().for_each(|w| w.stretch = Arc::clone(&stretch));
            out.append(&mut windows);
        }
        Ok(out)
    }
}

/// What a window stage finds in one log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Its windows.
    pub windows: Vec<Window>,
    /// What each rule of its selection cost.
    pub funnel: Funnel,
    /// Highest loads, from `peaks`.
    pub peaks: Vec<peaks::Peaks>,
}

impl Found {
    /// Windows and what their selection cost.
    pub fn windows(mut windows: Vec<Window>, funnel: Funnel) -> Self {
        share(&mut windows);
        Self { windows, funnel, peaks: Vec::new() }
    }
}

/// Seconds that each rule took, in order; the last is what was kept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Funnel {
    /// Rule and seconds.
    pub rules: Vec<(String, f64)>,
}

/// Reads a kind back: the name of one of the window stages.
fn kind<'de, D: Deserializer<'de>>(de: D) -> Result<Kind, D::Error> {
    let text = String::deserialize(de)?;
    let known = WindowStep::NAMES.iter().find(|n| **n == text);
    known.copied().ok_or_else(|| serde::de::Error::custom(format!("`{text}` is no kind of window")))
}
