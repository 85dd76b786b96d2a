//! `tyres`: the estimated load of every tyre against the rating of its load index.
//!
//! **People can be hurt by a wrong reading of this.** It is an estimate from logged data. The tyre maker, the
//! rules of the series and a qualified person decide. A load index rates a road tyre at a given pressure and
//! speed, and racing tyres may carry none. Nothing here approves of anything.

mod load;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use self::load::{Estimated, Loads};
use super::SeasonTables;
use super::answers::{fitted, need_fit};
use super::fit::SeasonFit;
use crate::config::car::{CORNERS, Car, Tyre};
use crate::error::Fatal;
use crate::located::{Located, Spot};
use crate::numerics::root::bisect;
use crate::physics::tyres::{capacity, load_index_kg, symbol_speed};
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
        if let Some(v) = &self.at
            && !(1.0..=150.0).contains(&v.get())
        {
            cx.fault(v.spot, "a speed that no car drives", "for example `250 km/h`");
        }
        if let Some(d) = &self.density
            && !(0.5..=2.0).contains(&d.get())
        {
            cx.fault(d.spot, "no air of a circuit is that dense", "expected 0.5 kg/m3 to 2 kg/m3");
        }
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
        for k in 0..fit.evidence.configurations.len() {
            for corner in 0..CORNERS.len() {
                let stated = self.at.as_ref().and_then(|at| loads.at_speed(k, corner, at.get(), density, fuel));
                let cases = [loads.at_top_speed(k, corner), stated, loads.peak(k, corner)];
                out.extend(cases.into_iter().flatten().filter_map(|e| self.row(fit, cx.car, k, corner, &e)));
            }
        }
        out
    }

    fn row(&self, fit: &SeasonFit, car: &Car, k: usize, corner: usize, e: &Estimated) -> Option<TyreRow> {
        let tyres = car.tyres.as_ref()?;
        let tyre = if corner < 2 { &tyres.front } else { &tyres.rear };
        let mut flags: Vec<&str> = e.flags.clone();
        let mut row = TyreRow {
            configuration: fit.evidence.configurations.get(k)?.name.clone(),
            corner: CORNERS.get(corner)?.to_string(),
            case: e.case.to_owned(),
            load_index: i64::from(*tyre.load_index),
            speed_symbol: tyre.speed_symbol.value.clone(),
            speed: e.speed,
            static_load: e.static_load,
            downforce: Some(e.downforce).filter(|d| d.is_finite()),
            transfer: Some(e.transfer).filter(|t| t.is_finite()),
            basis: e.basis.to_owned(),
            capacity: rating(tyre, e.speed),
            wanted_margin: self.margin.get(),
            log: e.seen.as_ref().map(|s| s.0.clone()),
            start: e.seen.as_ref().map(|s| s.1),
            verdict: "no_rating".to_owned(),
            caution: TYRE_CAUTION.to_owned(),
            ..Default::default()
        };
        if row.capacity.is_none() {
            flags.push("above_speed_symbol");
        }
        if let Some(spread) = fit.estimate(&e.load) {
            let (lo, hi) = spread.interval;
            (row.load, row.load_lo95, row.load_hi95) = (Some(spread.value), Some(lo), Some(hi));
            flags.extend(spread.flags.iter().copied());
            if let Some(rated) = row.capacity {
                self.judge(&mut row, rated, spread.value, hi);
            }
            if let Some(gain) = e.gain {
                let at = |load: f64| self.used_up(tyre, load, gain, e.speed);
                (row.margin_speed, row.margin_speed_hi95) = (at(spread.value), at(hi));
            }
        } else {
            flags.push("no_interval");
        }
        flags.sort_unstable();
        flags.dedup();
        row.flags = flags.join(",");
        Some(row)
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

    /// Speed at which a load that is `load` at `speed`, of which the air's part grows with v², uses the wanted
    /// margin up; `gain` tells that part. `None` where it does not before the speed of the symbol, where it does
    /// at a standstill.
    fn used_up(&self, tyre: &Tyre, load: f64, gain: load::Gain, speed: f64) -> Option<f64> {
        let top = symbol_speed(&tyre.speed_symbol)?;
        let air = gain.of(load);
        let rest = load - air;
        let over = |v: f64| {
            let rated = rating(tyre, v).unwrap_or(0.0);
            rest + air * (v / speed).powi(2) - rated * (1.0 - self.margin.get())
        };
        bisect(over, 0.0, top).ok()
    }
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
