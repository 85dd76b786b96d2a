//! Effects of parts, combinations that never ran, and configurations held out of the fit, against their truth.

use std::collections::BTreeSet;

use super::Case;
use super::season::{NAMES, fitted, judged, tables};
use super::tally::Tally;
use crate::demo::Season;
use crate::demo::aero::{BASE_WING, Configuration, Forces, Part, REFERENCE_SPEED, WING_STEP};
use crate::error::Fatal;
use crate::plan::Plan;
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::SeasonFit;
use crate::stages::season::parts::model::PartsFit;
use crate::stages::season::parts::terms::{Combination, Term};

/// A figure of forces by its name.
fn figure(f: &Forces, name: &str) -> f64 {
    match name {
        "front_downforce" => f.front,
        "rear_downforce" => f.rear,
        "drag" => f.drag,
        "downforce" => f.front + f.rear,
        "balance" => f.front / (f.front + f.rear),
        _ => (f.front + f.rear) / f.drag,
    }
}

/// Every part that some configuration of the season carries.
fn parts(season: &Season) -> Vec<&'static Part> {
    let mut out: Vec<&'static Part> = Vec::new();
    for part in season.scenario.configurations.iter().flat_map(|c| &c.parts) {
        if out.iter().all(|p| p.name != part.name) {
            out.push(part);
        }
    }
    out
}

/// Holds effects and combinations that never ran against the truth.
pub(super) fn tally(season: &Season, fit: &SeasonFit, out: &mut Tally) {
    let solved = PartsFit::new(fit, &[]);
    let known = parts(season);
    for (i, term) in solved.terms.terms.iter().enumerate() {
        let effect = match term {
            Term::Wing => WING_STEP,
            Term::Part(name) => known.iter().find(|p| p.name == name).map_or(Forces::default(), |p| p.effect),
            _ => continue,
        };
        for name in &NAMES[..3] {
            let v2 = REFERENCE_SPEED * REFERENCE_SPEED;
            let Ok((d, _)) = solved.named(name, &solved.terms.alone(i)) else { continue };
            let estimate = solved.estimate(&d.times(v2));
            let scale = figure(&base(season).forces(), name);
            out.add_line(&format!("part {name}"), judged(estimate.as_ref(), figure(&effect, name), scale));
        }
    }
    let ran: BTreeSet<String> = season.scenario.configurations.iter().map(place).collect();
    for (i, a) in known.iter().enumerate() {
        for b in known.iter().skip(i) {
            let both = if a.name == b.name { vec![*a] } else { vec![*a, *b] };
            let asked = Configuration { name: String::new(), parts: both, wing: BASE_WING + 1.0 };
            if !ran.contains(&place(&asked)) {
                add(&solved, &asked, season, "never ran", out);
            }
        }
    }
}

/// Takes every configuration out of the season in turn and holds what the others say of it against the truth.
///
/// # Errors
/// As the fit's.
pub(super) fn hold_out(
    case: &Case,
    plan: &Plan,
    season: &Season,
    all: &SeasonTables,
    out: &mut Tally,
) -> Result<(), Fatal> {
    for held in &season.scenario.configurations {
        let windows = all.windows.iter().filter(|w| w.configuration != held.name).cloned().collect();
        let others = tables(plan, windows);
        add(&PartsFit::new(&fitted(case, plan, &others)?, &[]), held, season, "held out", out);
    }
    Ok(())
}

fn base(season: &Season) -> Configuration {
    season.scenario.configurations.first().cloned().unwrap_or(Configuration::new("base", &[], BASE_WING))
}

/// Parts and wing position as text.
fn place(c: &Configuration) -> String {
    let names: BTreeSet<&str> = c.parts.iter().map(|p| p.name).collect();
    format!("{names:?} {}", c.wing)
}

/// Judges all figures of a combination, where the season tells them.
fn add(solved: &PartsFit, asked: &Configuration, season: &Season, label: &str, out: &mut Tally) {
    let parts = asked.parts.iter().map(|p| p.name.to_owned()).collect();
    let Some(row) = solved.terms.row(&Combination { parts, wing: Some(asked.wing) }) else { return };
    for name in NAMES {
        let Ok((d, _)) = solved.named(name, &row) else { continue };
        let factor = if SeasonFit::is_ratio(name) { 1.0 } else { REFERENCE_SPEED * REFERENCE_SPEED };
        let estimate = solved.estimate(&d.times(factor));
        let scale = figure(&base(season).forces(), name);
        out.add_line(&format!("{label} {name}"), judged(estimate.as_ref(), figure(&asked.forces(), name), scale));
    }
}
