//! What the parts are worth, as rows of the written table.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DVector;

use super::additivity::additivity;
use super::groups::{Tied, tied};
use super::model::{Gap, PartsFit};
use super::terms::{Combination, Term};
use crate::numerics::distributions::t_p_value;
use crate::numerics::multiple::holm;
use crate::numerics::power::{PowerParams, smallest_detectable};
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::fit::doubts::Doubts;
use crate::table::rows::PartRow;

/// One line of every quantity: a term alone, or what is known of tied ones.
struct Line {
    name: String,
    kind: &'static str,
    contrast: DVector<f64>,
    /// Why it is what it is, where it is tied.
    why: Option<String>,
}

/// Quantities whose effects add, and the total downforce where both axles are fitted.
pub fn quantities(season: &SeasonFit) -> Vec<String> {
    let mut out: Vec<String> = season.reported.iter().filter(|n| *n != "resistance").cloned().collect();
    let has = |n: &str| season.quantities.iter().any(|q| q == n);
    if has("front_downforce") && has("rear_downforce") {
        out.push("downforce".to_owned());
    }
    out
}

/// Additivity with a p-value under this, adjusted for the quantities that are tested, is in doubt.
const NOT_ADDITIVE: f64 = 0.05;

/// The quantities for which parts do not simply add, with the adjusted p-value: one alarm in twenty clean seasons, however many
/// quantities are asked.
pub fn not_additive(rows: &[PartRow]) -> Vec<(String, f64)> {
    let mut tested: BTreeMap<&str, f64> = BTreeMap::new();
    for row in rows {
        tested.extend(row.additivity_p.map(|p| (row.quantity.as_str(), p)));
    }
    let adjusted = holm(&tested.values().copied().collect::<Vec<_>>()).unwrap_or_default();
    let doubtful = tested.keys().zip(adjusted).filter(|(_, p)| *p < NOT_ADDITIVE);
    doubtful.map(|(quantity, p)| ((*quantity).to_owned(), p)).collect()
}

/// Rows of `parts`.
pub fn parts(season: &SeasonFit, fit: &PartsFit, units: &[String]) -> Vec<PartRow> {
    let lines = lines(fit, &tied(fit));
    let doubts = Doubts::of(season);
    let mut out: Vec<PartRow> = Vec::new();
    for quantity in quantities(season) {
        let (additivity_p, additivity_note) = match additivity(season, fit, &quantity) {
            Ok(wald) => (Some(wald.p_value), String::new()),
            Err(why) => (None, why.to_string()),
        };
        let position = season.quantities.iter().position(|q| *q == quantity);
        let unit = position.and_then(|q| units.get(q)).map_or("N", String::as_str);
        // Parts are told from all configurations together.
        let doubtful = doubts.about(&quantity, &[]);
        out.extend(lines.iter().map(|line| {
            let mut row = row(fit, line, &quantity, unit);
            if row.effect.is_some() {
                let flags = row.flags.split(',').filter(|f| !f.is_empty()).chain(doubtful.iter().copied());
                row.flags = flags.collect::<BTreeSet<_>>().into_iter().collect::<Vec<_>>().join(",");
                row.why.push_str(&Doubts::in_words(&doubtful));
            }
            count(season, fit, line, &quantity, &mut row);
            (row.additivity_p, row.additivity_note) = (additivity_p, additivity_note.clone());
            row
        }));
    }
    // Over all parts and quantities: a part worth nothing must not be called worth something in any of them.
    let p: Vec<f64> = out.iter().filter_map(|r| r.p_value).collect();
    let mut adjusted = holm(&p).unwrap_or_default().into_iter();
    for row in out.iter_mut().filter(|r| r.p_value.is_some()) {
        row.p_holm = adjusted.next();
    }
    out.iter_mut().for_each(judge);
    for (quantity, _) in not_additive(&out) {
        for row in out.iter_mut().filter(|r| r.quantity == quantity && r.effect.is_some()) {
            let flags = row.flags.split(',').filter(|f| !f.is_empty()).chain(["not_additive"]);
            row.flags = flags.collect::<BTreeSet<_>>().into_iter().collect::<Vec<_>>().join(",");
        }
    }
    out
}

fn lines(fit: &PartsFit, groups: &[Tied]) -> Vec<Line> {
    let mut out = Vec::new();
    for (i, term) in fit.terms.terms.iter().enumerate() {
        let kind = match term {
            Term::Base => continue,
            Term::Wing => "wing",
            Term::Part(_) => "part",
            Term::Interaction(..) => "interaction",
        };
        let group = groups.iter().find(|g| g.members.contains(&i));
        let why = group.map(|g| g.why.clone());
        out.push(Line { name: term.to_string(), kind, contrast: fit.terms.alone(i), why });
        for known in group.iter().filter(|g| g.members.last() == Some(&i)).flat_map(|g| &g.known) {
            let (name, contrast) = (known.name.clone(), known.contrast.clone());
            out.push(Line { name, kind: known.kind, contrast, why: Some(known.why.clone()) });
        }
    }
    out
}

fn row(fit: &PartsFit, line: &Line, quantity: &str, unit: &str) -> PartRow {
    let mut row = PartRow {
        part: line.name.clone(),
        kind: line.kind.to_owned(),
        quantity: quantity.to_owned(),
        unit: unit.to_owned(),
        reference_speed: fit.speed,
        reference_density: fit.density,
        ..Default::default()
    };
    let (derived, flag) = match fit.named(quantity, &line.contrast) {
        Ok(found) => found,
        Err(Gap::NotMeasured) => {
            row.verdict = "not separable".to_owned();
            row.why = format!("no {} could be fitted", quantity.replace('_', " "));
            return row;
        }
        Err(Gap::NotSeparable(_)) => {
            row.verdict = "not separable".to_owned();
            row.why = line.why.clone().unwrap_or_else(|| "the configurations that ran do not tell it".to_owned());
            return row;
        }
    };
    row.flags = flag.unwrap_or_default().to_owned();
    let Some(e) = fit.estimate(&derived.times(fit.speed * fit.speed)) else {
        row.verdict = "not resolved".to_owned();
        row.why = "no standard error: too few sessions and windows".to_owned();
        return row;
    };
    row.effect = Some(e.value);
    row.effect_se = Some(e.se);
    (row.effect_lo95, row.effect_hi95) = (Some(e.interval.0), Some(e.interval.1));
    row.degrees_of_freedom = Some(e.dof).filter(|d| d.is_finite());
    row.p_value = t_p_value(e.value / e.se, e.dof).ok();
    row.smallest_resolvable = smallest_detectable(e.se, e.dof, PowerParams::default()).ok();
    let own = row.flags.split(',').filter(|f| !f.is_empty()).map(str::to_owned).collect::<BTreeSet<_>>();
    row.flags = own.into_iter().chain(e.flags.iter().map(|f| (*f).to_owned())).collect::<Vec<_>>().join(",");
    if line.kind == "together" || line.kind == "exchange" {
        row.why = line.why.as_ref().map(|w| format!("{w}; ")).unwrap_or_default();
    }
    if e.flags.contains(&"session_scatter_not_visible") {
        row.why.push_str("it hangs on one session, whose scatter is assumed, not seen; ");
    }
    row
}

/// Counts what ran with it and without it.
fn count(season: &SeasonFit, fit: &PartsFit, line: &Line, quantity: &str, row: &mut PartRow) {
    // Without drag's own windows there is no drag; downforce's are those of the front.
    let measured = match quantity {
        "drag" => "resistance",
        "downforce" => "front_downforce",
        other => other,
    };
    let Some(q) = fit.quantities.iter().position(|n| n == measured) else { return };
    let used = fit.designs.get(q).map(|d| d.used.as_slice()).unwrap_or_default();
    let has = |k: usize| {
        let of = fit.configurations.get(k).and_then(|c| fit.terms.row(&Combination::of(c)));
        of.is_some_and(|r| r.iter().zip(line.contrast.iter()).any(|(a, b)| *a != 0.0 && *b != 0.0))
    };
    let (with, without): (Vec<usize>, Vec<usize>) = used.iter().partition(|k| has(**k));
    let of = |ks: &[usize], f: fn(&crate::stages::season::fit::evidence::Observation) -> usize| {
        let left_out = &season.evidence.left_out;
        let all = season.evidence.observations.iter();
        let own = all.filter(|o| o.quantity == q && ks.contains(&o.configuration));
        own.filter(|o| !left_out.contains(&(o.session, o.quantity))).map(f).collect::<BTreeSet<usize>>()
    };
    let (sessions_with, sessions_without) = (of(&with, |o| o.session), of(&without, |o| o.session));
    row.sessions_both = sessions_with.intersection(&sessions_without).count() as i64;
    row.sessions_with = sessions_with.len() as i64;
    row.sessions_without = sessions_without.len() as i64;
    row.windows_with = of(&with, |o| o.window).len() as i64;
    row.windows_without = of(&without, |o| o.window).len() as i64;
    row.configurations_with = with.len() as i64;
    row.configurations_without = without.len() as i64;
}

/// Puts the verdict on a row that has an estimate.
fn judge(row: &mut PartRow) {
    let (Some(p), Some(lo), Some(hi)) = (row.p_holm, row.effect_lo95, row.effect_hi95) else { return };
    let clear = lo > 0.0 || hi < 0.0;
    let (verdict, why) = match (p < 0.05, clear) {
        (true, _) => ("resolved", "larger than chance explains (5 % level, adjusted for all parts and quantities)"),
        (false, true) => ("not resolved", "it would stand alone, but not among this many parts"),
        (false, false) => ("not resolved", "zero lies inside the 95 % interval"),
    };
    row.verdict = verdict.to_owned();
    row.why.push_str(why);
}
