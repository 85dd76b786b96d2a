//! Expected figures against the track, as rows of the written tables.

use super::figure::{Figure, Reference};
use super::scale::{self, Scale};
use super::{Expected, Held, Track, of_track};
use crate::located::Located;
use crate::numerics::multiple::holm;
use crate::stages::season::answers::{DERIVED, minus_outside};
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::doubts::Doubts;
use crate::table::flags::{ROLLING_NOT_TAKEN_OFF, meaning};
use crate::table::rows::ConfigurationRow;
use crate::table::verdicts::{ExpectedRow, ExpectedScaleRow};
use crate::units::Dimension;

/// Half of a 95 % interval over standard error, for figures from outside: normal.
const HALF_OVER_SE: f64 = 1.959_963_984_540_054;

/// The kind of common factor that a quantity falls under.
fn kind(quantity: &str) -> Option<&'static str> {
    match quantity {
        "front_downforce" | "rear_downforce" | "downforce" => Some("downforce"),
        "drag" => Some("drag"),
        _ => None,
    }
}

impl Expected {
    /// Rows of both tables; `units` are the SI units of the figures.
    pub(super) fn rows(&self, fit: &SeasonFit, units: &[String]) -> (Vec<ExpectedRow>, Vec<ExpectedScaleRow>) {
        let figures: Vec<&Located<Figure>> = self.all().collect();
        let (mut rows, mut held) = (Vec::new(), Vec::new());
        for (i, figure) in figures.iter().enumerate() {
            let unit = units.get(i).map_or("N", String::as_str);
            rows.push(row(fit, figure, unit, &mut held, i));
        }
        let p: Vec<f64> = rows.iter().filter_map(|r| r.p_value).collect();
        let mut adjusted = holm(&p).unwrap_or_default().into_iter();
        for r in rows.iter_mut() {
            r.p_holm = r.p_value.and_then(|_| adjusted.next());
            judge(r, self.within.get());
        }
        let mut scales = Vec::new();
        for kind in ["downforce", "drag"] {
            if let Some((scale, basis)) = self.common(fit, &held, &figures, kind) {
                put_scale(&mut rows, &held, &scale, kind);
                scales.push(scale_row(&scale, &held, &figures, kind, basis));
            }
        }
        (rows, scales)
    }

    /// The common factor of a kind: from configurations, front and rear rather than their sum; from parts where no
    /// configuration has a figure.
    fn common(
        &self,
        fit: &SeasonFit,
        held: &[Held],
        figures: &[&Located<Figure>],
        of: &str,
    ) -> Option<(Scale, &'static str)> {
        let figure = |i: usize| held.get(i).and_then(|h| figures.get(h.figure));
        let chosen = |test: &dyn Fn(&Figure) -> bool| -> Vec<usize> {
            (0..held.len()).filter(|i| figure(*i).is_some_and(|f| kind(&f.quantity) == Some(of) && test(f))).collect()
        };
        let asked = chosen(&|_| true);
        let axles = chosen(&|f| f.configuration.is_some() && f.quantity.value != "downforce");
        let sums = chosen(&|f| f.configuration.is_some() && f.quantity.value == "downforce");
        let parts = chosen(&|f| f.part.is_some() && f.quantity.value != "downforce");
        let (basis, name) = match (axles.is_empty(), sums.is_empty()) {
            (false, _) => (axles, "configurations"),
            (true, false) => (sums, "configurations"),
            (true, true) => (parts, "parts"),
        };
        Some((scale::common(fit, held, &basis, &asked, self.within.get())?, name))
    }

    /// Expected downforce and drag beside what the track says, in the rows of `configurations`.
    pub(super) fn put_beside(&self, fit: &SeasonFit, rows: &mut [ConfigurationRow]) {
        let to = Reference { speed: fit.speed, density: fit.density };
        for row in rows {
            let figure = |quantity: &str| {
                let of = |f: &&Located<Figure>| {
                    f.configuration.as_ref().is_some_and(|c| c.value == row.configuration)
                        && f.quantity.value == quantity
                };
                let c = self.all().find(of)?.at_reference(Dimension::Force, to).ok()?;
                Some((c.value, c.half.unwrap_or(0.0) / HALF_OVER_SE))
            };
            let sum = figure("front_downforce").zip(figure("rear_downforce")).map(|(f, r)| (f.0 + r.0, f.1.hypot(r.1)));
            let k = fit.evidence.configurations.iter().position(|c| c.name == row.configuration);
            let against = |name: &str, outside: Option<(f64, f64)>| {
                let e = k.and_then(|k| fit.estimate(&fit.value_at(k, name, fit.speed, fit.density)?));
                let d = e.zip(outside).and_then(|(e, (value, se))| minus_outside(&e, value, se));
                (outside.map(|o| o.0), d.map(|d| d.value), d.map(|d| d.lo), d.map(|d| d.hi))
            };
            (
                row.expected_downforce,
                row.downforce_minus_expected,
                row.downforce_minus_expected_lo95,
                row.downforce_minus_expected_hi95,
            ) = against("downforce", figure("downforce").or(sum));
            (row.expected_drag, row.drag_minus_expected, row.drag_minus_expected_lo95, row.drag_minus_expected_hi95) =
                against("drag", figure("drag"));
        }
    }
}

fn row(fit: &SeasonFit, figure: &Located<Figure>, unit: &str, held: &mut Vec<Held>, index: usize) -> ExpectedRow {
    let (stated_speed, stated_density) = figure.stated_air();
    let mut row = ExpectedRow {
        configuration: figure.configuration.as_ref().map(|c| c.value.clone()),
        part: figure.part.as_ref().map(|p| p.value.clone()),
        quantity: figure.quantity.value.clone(),
        unit: unit.to_owned(),
        source: figure.source.clone(),
        stated: figure.stated.value.clone(),
        stated_speed,
        stated_density,
        scale_kind: kind(&figure.quantity).map(str::to_owned),
        reference_speed: fit.speed,
        reference_density: fit.density,
        ..Default::default()
    };
    let dimension = if DERIVED.contains(&figure.quantity.as_str()) && unit != "1" {
        Dimension::Force
    } else {
        Dimension::ALL.iter().copied().find(|d| d.si() == unit).unwrap_or(Dimension::Ratio)
    };
    let Ok(c) = figure.at_reference(dimension, Reference { speed: fit.speed, density: fit.density }) else {
        row.why = "the figure can't be read".to_owned();
        return row;
    };
    (row.expected, row.expected_half95) = (c.value, c.half);
    let track = match of_track(fit, figure, unit) {
        Ok(Track { value, at_odds, of }) => {
            let left = figure.quantity.value == "drag" && fit.rolling_left();
            let rolling = left.then(|| meaning(ROLLING_NOT_TAKEN_OFF).to_owned());
            let doubts = Doubts::in_words(&Doubts::of(fit).about(&figure.quantity.value, &of));
            let doubts = Some(doubts.trim_end_matches("; ").to_owned()).filter(|d| !d.is_empty());
            row.why = rolling.into_iter().chain(doubts).chain(at_odds).collect::<Vec<_>>().join("; ");
            value
        }
        Err(why) => {
            row.why = why;
            return row;
        }
    };
    let outside_se = c.half.unwrap_or(0.0) / HALF_OVER_SE;
    let Some(e) = fit.estimate(&track) else {
        row.why = "the track's figure has no interval: too few sessions and windows".to_owned();
        return row;
    };
    (row.track, row.track_se) = (Some(e.value), Some(e.se));
    (row.track_lo95, row.track_hi95) = (Some(e.interval.0), Some(e.interval.1));
    if let Some(d) = minus_outside(&e, c.value, outside_se) {
        (row.difference, row.difference_se) = (Some(d.value), Some(d.se));
        (row.difference_lo95, row.difference_hi95) = (Some(d.lo), Some(d.hi));
        (row.degrees_of_freedom, row.p_value) = (Some(d.dof).filter(|d| d.is_finite()), Some(d.p));
        // track/expected, delta method: the difference's spread with the figure's own error scaled by the ratio.
        let ratio = e.value / c.value;
        let at = crate::stages::season::answers::spread(
            ratio,
            &[((e.se / c.value).powi(2), e.dof), ((ratio * outside_se / c.value).powi(2), f64::INFINITY)],
        );
        (row.ratio, row.ratio_lo95, row.ratio_hi95) =
            (Some(ratio).filter(|r| r.is_finite()), at.map(|s| s.lo), at.map(|s| s.hi));
        held.push(Held { figure: index, track, expected: c.value, outside_se });
    }
    row
}

/// The verdict of a row whose adjusted p-value is known; `within` is a share of the figure.
fn judge(row: &mut ExpectedRow, within: f64) {
    let (Some(p), Some(lo), Some(hi)) = (row.p_holm, row.difference_lo95, row.difference_hi95) else {
        row.verdict = "no figure".to_owned();
        return;
    };
    let near = within * row.expected.abs();
    let percent = 100.0 * within;
    let (verdict, why) = if lo >= -near && hi <= near {
        ("agrees", format!("the whole 95 % interval lies within {percent} % of the figure"))
    } else if p < 0.05 {
        ("disagrees", "the difference is larger than chance explains (5 % level, adjusted for all figures)".to_owned())
    } else {
        ("not resolved", format!("neither within {percent} % for sure nor different for sure"))
    };
    row.verdict = verdict.to_owned();
    row.why = if row.why.is_empty() { why } else { format!("{why}; {}", row.why) };
}

fn put_scale(rows: &mut [ExpectedRow], held: &[Held], scale: &Scale, kind: &str) {
    for d in &scale.deviations {
        let Some(row) = held.get(d.figure).and_then(|h| rows.get_mut(h.figure)) else { continue };
        row.scale_kind = Some(kind.to_owned());
        row.minus_scaled = Some(d.spread.value);
        (row.minus_scaled_lo95, row.minus_scaled_hi95) = (Some(d.spread.lo), Some(d.spread.hi));
        row.scale_p_holm = Some(d.p_holm);
        let out = scale.out.contains(&d.figure) || d.stands_out;
        row.scale_verdict = Some(if out { "stands_out" } else { "follows" }.to_owned());
    }
}

fn scale_row(scale: &Scale, held: &[Held], figures: &[&Located<Figure>], kind: &str, basis: &str) -> ExpectedScaleRow {
    let name = |i: &usize| {
        let f = held.get(*i).and_then(|h| figures.get(h.figure));
        f.map(|f| format!("{} {}", f.subject(), f.quantity.value)).unwrap_or_default()
    };
    ExpectedScaleRow {
        kind: kind.to_owned(),
        factor: scale.factor.value,
        factor_se: scale.factor.se,
        factor_lo95: scale.factor.interval.0,
        factor_hi95: scale.factor.interval.1,
        degrees_of_freedom: Some(scale.factor.dof).filter(|d| d.is_finite()),
        figures: scale.kept.len() as i64,
        stand_out: scale.out.iter().map(name).collect::<Vec<_>>().join(","),
        basis: basis.to_owned(),
    }
}
