//! `tyres`: the estimated load of every tyre against the rating of its load index.
//!
//! **People can be hurt by a wrong reading of this.** It is an estimate from logged data. The tyre maker, the
//! rules of the series and a qualified person decide. A load index rates a road tyre at a given pressure and
//! speed, and racing tyres may carry none. Nothing here approves of anything.

mod load;
#[cfg(test)]
pub(super) mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::load::{Estimated, Loads, UNSEEN};
use super::SeasonTables;
use super::answers::{Behind, fitted, joined, need_fit};
use super::fit::SeasonFit;
use crate::config::car::{CORNERS, Car, Tyre};
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::numerics::root::bisect;
use crate::physics::tyres::{capacity, load_index_kg, symbol_speed};
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::verdicts::{TYRE_CAUTION, TyreRow};
use crate::units::{Density, Mass, Ratio, Speed};

/// Estimated tyre loads against the load index. An estimate from logged data: tyre maker, series rules and a
/// qualified person decide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tyres {
    /// Share of the rating that must stay free.
    #[serde(default = "margin")]
    pub margin: Located<Ratio>,
    /// A speed to estimate the loads at, besides the top speed seen.
    #[serde(default)]
    pub at: Option<Located<Speed>>,
    /// Air density at that speed; the reference density where left out. Dense air is the harder case.
    #[serde(default)]
    pub density: Option<Located<Density>>,
    /// Fuel aboard at that speed; the most that the run sheet names where left out.
    #[serde(default)]
    pub fuel: Option<Located<Mass>>,
}

/// Common practice, no source.
fn margin() -> Located<Ratio> {
    Located::nowhere(Ratio::si(0.1))
}

impl SeasonStage for Tyres {
    fn check(&self, input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        cx.need(input, "wheel_load_fl");
        match &cx.car.tyres {
            None => {
                let message = "stage `tyres` needs `tyres` in the car file: load index and speed symbol as marked";
                cx.fault(Spot::default(), message, "racing tyres may carry none: then this stage has nothing to say");
            }
            Some(tyres) => {
                for tyre in [&tyres.front, &tyres.rear] {
                    let known = load_index_kg(*tyre.load_index).is_some() && symbol_speed(&tyre.speed_symbol).is_some();
                    if !known {
                        let (index, symbol) = (*tyre.load_index, &tyre.speed_symbol.value);
                        let message = format!("no rating is known for the tyre marking `{index}{symbol}`");
                        cx.fault(Spot::default(), message, "load indices 60 to 130, speed symbols L to Y");
                    }
                }
            }
        }
        if !(0.0..1.0).contains(&self.margin.get()) {
            cx.fault(self.margin.spot, "a margin is a share of the rating", "for example `10 %`");
        }
        stated::check(self.at.as_ref(), self.density.as_ref(), cx);
    }

    fn run(&self, tables: &mut SeasonTables, cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "tyres")?;
        tables.tyres = self.rows(fit, tables, cx);
        Ok(())
    }
}

impl Tyres {
    fn rows(&self, fit: &SeasonFit, tables: &SeasonTables, cx: &SeasonCx) -> Vec<TyreRow> {
        let loads = Loads { fit, car: cx.car, peaks: &tables.peaks };
        let fuel = self.fuel.as_ref().map_or_else(|| most_fuel(cx), |f| f.get());
        let density = self.density.as_ref().map_or(fit.density, |d| d.get());
        let mut out = Vec::new();
        for (k, configuration) in fit.evidence.configurations.iter().enumerate() {
            for corner in 0..CORNERS.len() {
                let axle = if corner < 2 { "front_downforce" } else { "rear_downforce" };
                let behind = Behind::of(&tables.fits, &configuration.name, axle);
                let top = loads.fastest(k).map(|p| p.top.speed);
                let at = self.at.as_ref().map(|at| at.get());
                let mut cases = vec![("top_speed", top, loads.at_top_speed(k, corner))];
                if let Some(v) = at {
                    cases.push(("stated_speed", at, loads.at_speed(k, corner, v, density, fuel)));
                }
                cases.push(("peak", None, loads.peak(k, corner)));
                out.extend(cases.into_iter().filter_map(|(case, speed, e)| {
                    let row = self.blank(cx.car, &configuration.name, corner, case)?;
                    Some(match e {
                        Some(e) => self.row(row, fit, cx.car, corner, &e, behind.clone()),
                        None => no_figure(row, &loads, k, corner, speed, fuel, behind.clone()),
                    })
                }));
            }
        }
        out
    }

    /// A row without numbers.
    fn blank(&self, car: &Car, configuration: &str, corner: usize, case: &str) -> Option<TyreRow> {
        let tyre = tyre_of(car, corner)?;
        Some(TyreRow {
            configuration: configuration.to_owned(),
            corner: CORNERS.get(corner)?.to_string(),
            case: case.to_owned(),
            load_index: i64::from(*tyre.load_index),
            speed_symbol: tyre.speed_symbol.value.clone(),
            wanted_margin: self.margin.get(),
            caution: TYRE_CAUTION.to_owned(),
            ..Default::default()
        })
    }

    fn row(
        &self,
        mut row: TyreRow,
        fit: &SeasonFit,
        car: &Car,
        corner: usize,
        e: &Estimated,
        mut behind: Behind,
    ) -> TyreRow {
        row.speed = Some(e.speed);
        row.static_load = e.static_load;
        row.downforce = Some(e.downforce).filter(|d| d.is_finite());
        row.transfer = Some(e.transfer).filter(|t| t.is_finite());
        row.basis = e.basis.to_owned();
        (row.log, row.start) = e.seen.clone().unzip();
        rate(&mut row, car, corner, &mut behind);
        // What the dampers saw is no extrapolation of the fit.
        if e.basis != "dampers" {
            behind.look_at(e.speed);
        }
        behind.flags.extend(e.flags.iter().map(|f| (*f).to_owned()));
        if let Some(spread) = fit.estimate(&e.load) {
            let (lo, hi) = spread.interval;
            (row.load, row.load_lo95, row.load_hi95) = (Some(spread.value), Some(lo), Some(hi));
            behind.flags.extend(spread.flags.iter().map(|f| (*f).to_owned()));
            if let Some(rated) = row.capacity {
                self.judge(&mut row, rated, spread.value, hi);
            }
            if row.verdict == "margin_kept" && e.flags.iter().any(|f| UNSEEN.contains(f)) {
                row.verdict = "unsure".to_owned();
            }
            if let (Some(gain), Some(tyre)) = (e.gain, tyre_of(car, corner)) {
                let at = |load: f64| self.used_up(tyre, load, gain, e.speed);
                (row.margin_speed, row.margin_speed_hi95) = (at(spread.value), at(hi));
            }
        } else {
            behind.flags.insert("no_interval".to_owned());
        }
        row.flags = joined(behind.flags);
        row
    }

    /// Shares, margins and the verdict. Judged on the upper end of the interval: an estimate that may be too low
    /// is no margin.
    fn judge(&self, row: &mut TyreRow, rated: f64, load: f64, high: f64) {
        row.share_used = Some(load / rated);
        row.share_used_hi95 = Some(high / rated);
        row.margin = Some(rated - load);
        row.margin_share = Some(1.0 - load / rated);
        let limit = rated * (1.0 - self.margin.get());
        row.verdict = if high <= limit {
            "margin_kept"
        } else if load <= limit {
            "unsure"
        } else if high <= rated {
            "margin_used_up"
        } else {
            "over_rating"
        }
        .to_owned();
    }

    /// Speed in still air at which a load that is `load` at `speed`, of which the air's part grows with v², uses the
    /// wanted margin up; `gain` tells that part. `None` where it does not before the speed of the symbol, where it
    /// does at a standstill.
    fn used_up(&self, tyre: &Tyre, load: f64, gain: load::Gain, speed: f64) -> Option<f64> {
        let top = symbol_speed(&tyre.speed_symbol)?;
        let air = gain.in_still_air(load);
        let over = |v: f64| {
            let rated = rating(tyre, v).unwrap_or(0.0);
            gain.fixed + air * (v / speed).powi(2) - rated * (1.0 - self.margin.get())
        };
        bisect(over, 0.0, top).ok()
    }
}

/// The tyre of a corner.
fn tyre_of(car: &Car, corner: usize) -> Option<&Tyre> {
    car.tyres.as_ref().map(|t| if corner < 2 { &t.front } else { &t.rear })
}

/// The rating at the row's speed; the verdict is what can be said without a load.
fn rate(row: &mut TyreRow, car: &Car, corner: usize, behind: &mut Behind) {
    row.verdict = "no_figure".to_owned();
    let (Some(tyre), Some(speed)) = (tyre_of(car, corner), row.speed) else { return };
    row.capacity = rating(tyre, speed);
    if row.capacity.is_none() {
        row.verdict = "above_speed_symbol".to_owned();
        behind.flags.insert("above_speed_symbol".to_owned());
    }
}

/// The row of a load that is not known, and why.
fn no_figure(
    mut row: TyreRow,
    loads: &Loads,
    k: usize,
    corner: usize,
    speed: Option<f64>,
    fuel: f64,
    mut behind: Behind,
) -> TyreRow {
    row.speed = speed;
    row.static_load = loads.static_load(corner, fuel);
    rate(&mut row, loads.car, corner, &mut behind);
    if row.case != "stated_speed" {
        if loads.of(k).next().is_none() {
            behind.flags.insert("no_peaks".to_owned());
        } else if row.case == "peak" && loads.of(k).all(|p| p.corners.get(corner).is_none_or(Vec::is_empty)) {
            behind.flags.insert("no_wheel_loads".to_owned());
        }
    }
    row.flags = joined(behind.flags);
    row
}

/// What one tyre is rated for at a speed, N; `None` above the speed of its symbol.
fn rating(tyre: &Tyre, speed: f64) -> Option<f64> {
    capacity(*tyre.load_index, &tyre.speed_symbol, speed)
}

/// The most fuel that the run sheet names, kg, or what was aboard when the corner weights were taken.
fn most_fuel(cx: &SeasonCx) -> f64 {
    let of_runs = cx.runs.iter().filter_map(|r| r.fuel.as_ref()).map(|f| f.get());
    of_runs.reduce(f64::max).unwrap_or(cx.car.fuel.at_corner_weights.get())
}
