//! `limits`: values that must be kept at a speed, such as the pressure drop over a radiator, held against
//! every configuration.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SeasonTables;
use super::answers::{Behind, DERIVED, fitted, joined, need_fit, unit_of};
use super::fit::SeasonFit;
use crate::error::Fatal;
use crate::located::Located;
use crate::stages::season::stated;
use crate::stages::{CheckCx, Schema, SeasonCx, SeasonStage};
use crate::table::flags::DIVISOR_NOT_RESOLVED;
use crate::table::rows::FitRow;
use crate::table::verdicts::LimitRow;
use crate::units::{self, Density, Dimension, Speed};

/// Values that must be kept at a speed, such as the pressure drop over a radiator, for every configuration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// The limits.
    pub keep: Vec<Located<Limit>>,
}

/// One limit; exactly one of `at_least` and `at_most`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// What is limited: a fitted quantity, `downforce`, `drag`, `balance` or `efficiency`.
    pub quantity: Located<String>,
    /// The value may not fall below this; with the unit of the quantity.
    #[serde(default)]
    pub at_least: Option<Located<String>>,
    /// The value may not rise above this; with the unit of the quantity.
    #[serde(default)]
    pub at_most: Option<Located<String>>,
    /// Air speed that the limit holds at.
    pub at: Located<Speed>,
    /// Air density that the limit holds at; the reference density where left out. Thin air is the harder case for
    /// a radiator.
    #[serde(default)]
    pub density: Option<Located<Density>>,
}

impl Limit {
    fn side(&self) -> Option<(&'static str, &Located<String>)> {
        match (&self.at_least, &self.at_most) {
            (Some(l), None) => Some(("at_least", l)),
            (None, Some(m)) => Some(("at_most", m)),
            _ => None,
        }
    }
}

/// What is said of a balance that is no share of the downforce.
pub(super) const NO_SHARE: &str =
    "a balance is the front share of the downforce, for example `42 %`: a percentage carries its sign";

/// Dimension of a named quantity: that of the channel, force for what is made of forces, else a ratio.
pub(super) fn dimension(name: &str, input: &Schema) -> Option<Dimension> {
    if SeasonFit::is_ratio(name) {
        return Some(Dimension::Ratio);
    }
    if DERIVED.contains(&name) {
        return Some(Dimension::Force);
    }
    input.find(name).map(|k| k.dimension)
}

impl SeasonStage for Limits {
    fn check(&self, input: &Schema, before: &[&'static str], cx: &mut CheckCx) {
        need_fit(before, cx);
        if self.keep.is_empty() {
            cx.fault(Default::default(), "`limits` keeps nothing", "name a limit under `keep`");
        }
        for limit in &self.keep {
            let Some(dimension) = dimension(&limit.quantity, input) else {
                cx.need_at(input, &limit.quantity, limit.quantity.spot);
                continue;
            };
            if !DERIVED.contains(&limit.quantity.as_str()) && !cx.fitted.contains(&limit.quantity.value) {
                let message = format!("`limits` keeps `{}`, which `fit` does not fit", limit.quantity.value);
                cx.fault(limit.quantity.spot, message, "add it to the `quantities` of `fit`");
            }
            match limit.side() {
                Some((_, text)) => {
                    let wrong = format!("wrong limit of `{}`", limit.quantity.value);
                    match units::parse(text, dimension) {
                        Err(e) => cx.fault(text.spot, wrong, e.to_string()),
                        Ok(share) if limit.quantity.value == "balance" && !(0.0..=1.0).contains(&share) => {
                            cx.fault(text.spot, wrong, NO_SHARE);
                        }
                        Ok(_) => {}
                    }
                }
                None => {
                    let message = "a limit has either `at_least` or `at_most`";
                    cx.fault(limit.spot, message, "for example `at_least: 450 Pa`");
                }
            }
            stated::check(&limit.at, limit.density.as_ref(), cx);
        }
    }

    fn run(&self, tables: &mut SeasonTables, _cx: &SeasonCx) -> Result<(), Fatal> {
        let fit = fitted(&tables.model, "limits")?;
        let mut rows = Vec::new();
        for limit in &self.keep {
            let unit = unit_of(&limit.quantity, &tables.quantities, &tables.units);
            for k in 0..fit.evidence.configurations.len() {
                rows.extend(limit.row(fit, k, &unit).map(|r| remarked(r, &tables.fits)));
            }
        }
        tables.limits = rows;
        Ok(())
    }
}

/// The row with what the fit's rows say of its number, and with the flags of speeds that nobody drove.
fn remarked(mut row: LimitRow, fits: &[FitRow]) -> LimitRow {
    let mut behind = Behind::of(fits, &row.configuration, &row.quantity);
    behind.look_at(row.speed);
    if row.reached_at.is_some_and(|v| behind.outside(v)) {
        behind.flags.insert("reached_outside_of_windows".to_owned());
    }
    behind.flags.extend(row.flags.split(',').filter(|f| !f.is_empty()).map(str::to_owned));
    row.flags = joined(behind.flags);
    row
}

impl Limit {
    /// One configuration; `None` where the limit can't be read, which the check has refused.
    fn row(&self, fit: &SeasonFit, k: usize, unit: &str) -> Option<LimitRow> {
        let (side, text) = self.side()?;
        let dimension = Dimension::ALL.iter().copied().find(|d| d.si() == unit)?;
        let limit = units::parse(text, dimension).ok()?;
        let (speed, density) = (self.at.get(), self.density.as_ref().map_or(fit.density, |d| d.get()));
        let mut row = LimitRow {
            configuration: fit.evidence.configurations.get(k)?.name.clone(),
            quantity: self.quantity.value.clone(),
            unit: unit.to_owned(),
            side: side.to_owned(),
            limit,
            speed,
            air_density: density,
            verdict: "no figure".to_owned(),
            ..Default::default()
        };
        let value = fit.value_at(k, &self.quantity, speed, density);
        let Some(e) = value.and_then(|v| fit.estimate(&v)) else { return Some(row) };
        let (lo, hi) = e.interval;
        let sign = if side == "at_least" { 1.0 } else { -1.0 };
        let worst = sign * ((if sign > 0.0 { lo } else { hi }) - limit);
        let best = sign * ((if sign > 0.0 { hi } else { lo }) - limit);
        row.verdict = if worst >= 0.0 {
            "kept"
        } else if best < 0.0 {
            "broken"
        } else {
            "unsure"
        }
        .to_owned();
        (row.value, row.value_se, row.value_lo95, row.value_hi95) = (Some(e.value), Some(e.se), Some(lo), Some(hi));
        row.margin = Some(sign * (e.value - limit));
        row.flags = e.flags.join(",");
        if !SeasonFit::is_ratio(&self.quantity) {
            // The more it is, the sooner: the ends of its interval are those of the speed's, which so agrees with the verdict.
            row.reached_at = reached(e.value, limit, speed);
            let (most, least) = if limit < 0.0 { (lo, hi) } else { (hi, lo) };
            (row.reached_at_lo95, row.reached_at_hi95) = (reached(most, limit, speed), reached(least, limit, speed));
        }
        if fit.divisor_not_resolved(k, &self.quantity) {
            row.verdict = "unsure".to_owned();
            row.flags = joined(e.flags.iter().chain([&DIVISOR_NOT_RESOLVED]).map(|f| (*f).to_owned()).collect());
        }
        Some(row)
    }
}

/// Speed at which a value that goes with v² passes the limit: v·√(limit/value); `None` where it never does.
fn reached(value: f64, limit: f64, speed: f64) -> Option<f64> {
    let share = limit / value;
    (share.is_finite() && share > 0.0).then(|| speed * share.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::season::fit::tests::{PLAIN, Season, make, solve};

    fn limit(text: &str) -> Limit {
        crate::config::from_text(text)
    }

    #[test]
    fn kept_broken_and_unsure() {
        let fit = solve(&make(&Season { session_scatter: 0.02, ..Default::default() }, 4), PLAIN, 3);
        let e = fit.estimate(&fit.value_at(0, "front_downforce", 50.0, 1.225).unwrap()).unwrap();
        let row = |side: &str, newton: f64| {
            let text = format!("{{ quantity: front_downforce, {side}: {newton} N, at: 180 km/h }}");
            limit(&text).row(&fit, 0, "N").unwrap()
        };
        let (lo, hi) = e.interval;
        for (side, newton, verdict) in [
            ("at_least", lo - 1.0, "kept"),
            ("at_least", lo + 1.0, "unsure"),
            ("at_least", hi - 1.0, "unsure"),
            ("at_least", hi + 1.0, "broken"),
            ("at_most", hi + 1.0, "kept"),
            ("at_most", hi - 1.0, "unsure"),
            ("at_most", lo - 1.0, "broken"),
        ] {
            assert_eq!(row(side, newton).verdict, verdict, "{side} {newton} in {lo}..{hi}");
        }
        let r = row("at_least", 800.0);
        assert!((r.margin.unwrap() - (e.value - 800.0)).abs() < 1e-9);
        // 0.40 N/(m/s)²: 800 N at √2000 = 44.72 m/s.
        assert!((r.reached_at.unwrap() - 44.72).abs() < 0.5, "{r:?}");
        // Relative error of the speed is half that of the value, and its ends are where the value's are the limit.
        let half = 0.5 * (r.reached_at_hi95.unwrap() - r.reached_at_lo95.unwrap()) / r.reached_at.unwrap();
        assert!((half / (0.5 * (hi - lo) / e.value) - 0.5).abs() < 1e-3);
        let at_end = row("at_least", hi);
        assert!((at_end.reached_at_lo95.unwrap() - 50.0).abs() < 1e-9 && at_end.reached_at_hi95.unwrap() > 50.0);
        // Less than nothing never reaches it.
        assert_eq!((reached(-3.0, 800.0, 50.0), reached(0.0, 800.0, 50.0)), (None, None));
    }

    #[test]
    fn density_and_missing_figures() {
        let fit = solve(&make(&Season::default(), 4), PLAIN, 4);
        let value = |density: &str| {
            let text = format!("{{ quantity: drag, at_most: 1 kN, at: 50 m/s{density} }}");
            limit(&text).row(&fit, 1, "N").unwrap().value.unwrap()
        };
        // 0.98 kg/m3 is 0.8 of the reference.
        assert!((value(", density: 0.98 kg/m3") / value("") - 0.8).abs() < 1e-9);
        // The fourth configuration never ran.
        let none = limit("{ quantity: balance, at_least: 40 %, at: 50 m/s }").row(&fit, 3, "1").unwrap();
        assert_eq!((none.verdict.as_str(), none.value), ("no figure", None));
        let ratio = limit("{ quantity: balance, at_least: 40 %, at: 50 m/s }").row(&fit, 0, "1").unwrap();
        assert!((ratio.limit - 0.4).abs() < 1e-12 && ratio.reached_at.is_none());
    }

    #[test]
    fn a_share_of_what_is_not_told_from_nothing_keeps_no_limit() {
        let mut fit = solve(&make(&Season::default(), 4), PLAIN, 3);
        let keep = limit("{ quantity: balance, at_least: 30 %, at: 50 m/s }");
        let row = keep.row(&fit, 0, "1").unwrap();
        assert!(row.verdict == "kept" && !row.flags.contains(DIVISOR_NOT_RESOLVED), "{row:?}");
        // The same coefficients, of which little is known.
        let pooled = fit.pooled.as_mut().unwrap();
        pooled.within *= 1e6;
        pooled.common *= 1e6;
        fit.model.fit.as_mut().unwrap().influence.iter_mut().for_each(|u| *u *= 1e3);
        assert!(fit.divisor_not_resolved(0, "balance") && !fit.divisor_not_resolved(0, "drag"));
        let row = keep.row(&fit, 0, "1").unwrap();
        assert!(row.verdict == "unsure" && row.flags.contains(DIVISOR_NOT_RESOLVED), "{row:?}");
    }

    #[test]
    fn a_limit_beyond_the_windows_is_flagged_beside_its_verdict() {
        let row = |quantity: &str, low: f64, high: f64, flags: &str| FitRow {
            configuration: "c0".to_owned(),
            quantity: quantity.to_owned(),
            speed_min: Some(low),
            speed_max: Some(high),
            flags: flags.to_owned(),
            ..Default::default()
        };
        let fits = [row("front_downforce", 25.0, 60.0, ""), row("rear_downforce", 25.0, 55.0, "square_law_doubtful")];
        let fit = solve(&make(&Season::default(), 4), PLAIN, 1);
        let flags = |text: &str, unit: &str| {
            let r = remarked(limit(text).row(&fit, 0, unit).unwrap(), &fits);
            (r.verdict, r.flags)
        };
        let kept = |flags: &str| ("kept".to_owned(), flags.to_owned());
        // 0.40 N/(m/s)²: 800 N at 44.7 m/s, 1600 N at 63.2 m/s.
        let at = |speed: u32, n: u32| {
            flags(&format!("{{ quantity: front_downforce, at_least: {n} N, at: {speed} m/s }}"), "N")
        };
        assert_eq!(at(58, 800), kept(""));
        assert_eq!(at(70, 800), kept("speed_outside_of_windows"));
        assert_eq!(at(70, 1600), kept("reached_outside_of_windows,speed_outside_of_windows"));
        // The balance hangs on both axles, and the rear one has no window above 55 m/s.
        let balance = flags("{ quantity: balance, at_least: 30 %, at: 58 m/s }", "1");
        assert_eq!(balance, kept("speed_outside_of_windows,square_law_doubtful"));
    }
}
