//! What parts are worth and which combinations are worth running, in a few lines each.

use std::collections::BTreeSet;

use super::columns::{lay_out, once};
use super::flags::split;
use crate::numerics::distributions::p_value;
use crate::numerics::shown::{stated, with_half};
use crate::stages::season::parts::rows::not_additive;
use crate::stages::season::rank::best;
use crate::table::flags::{DOUBTS, meaning};
use crate::table::rows::{CombinationRow, PartRow};
use crate::units::Unit;

/// Combinations shown at the end of a run; all are in the table.
const SHOWN: usize = 6;

fn cell(value: Option<f64>, lo: Option<f64>, hi: Option<f64>, factor: f64) -> String {
    match (value, lo, hi) {
        (Some(v), Some(lo), Some(hi)) => with_half(v * factor, 0.5 * (hi - lo) * factor),
        _ => "-".to_owned(),
    }
}

/// What makes some rows doubtful, a line each.
fn in_doubt<'a>(flags: impl Iterator<Item = &'a str>) -> String {
    let found: BTreeSet<&str> = flags.flat_map(split).filter(|f| DOUBTS.contains(f)).collect();
    found.into_iter().map(|f| format!("? in doubt, {f}: {}\n", meaning(f))).collect()
}

/// Effects on front, rear and drag; `?` marks what is doubtful, `*` marks those that are resolved.
pub fn effects(rows: &[PartRow], force: Unit) -> String {
    let names = once(rows.iter().map(|r| r.part.as_str()));
    if names.is_empty() {
        return String::new();
    }
    let quantities = ["front_downforce", "rear_downforce", "drag"];
    let unit = force.symbol;
    let mut table = vec![vec!["worth of".to_owned()]];
    table[0].extend(quantities.iter().map(|q| format!("{} {unit}", q.split('_').next().unwrap_or(q))));
    table[0].push("sessions with".to_owned());
    let mut notes: Vec<&str> = Vec::new();
    for name in names {
        let of = |q: &str| rows.iter().find(|r| r.part == name && r.quantity == q);
        let shown = if name == "wing_position" { "one step of the wing" } else { name };
        let mut line = vec![shown.to_owned()];
        for q in quantities {
            line.push(of(q).map_or_else(
                || "-".to_owned(),
                |r| {
                    let mark = if r.verdict == "resolved" { "*" } else { " " };
                    let doubt = if split(&r.flags).any(|f| DOUBTS.contains(&f)) { "?" } else { "" };
                    cell(r.effect, r.effect_lo95, r.effect_hi95, force.delta_from_si(1.0)) + mark + doubt
                },
            ));
        }
        let sessions = rows.iter().filter(|r| r.part == name).map(|r| r.sessions_with).max();
        line.push(sessions.map_or_else(|| "-".to_owned(), |s| s.to_string()));
        table.push(line);
        for row in rows.iter().filter(|r| r.part == name && r.verdict == "not separable") {
            if !notes.contains(&row.why.as_str()) {
                notes.push(&row.why);
            }
        }
    }
    let mut out =
        lay_out(&table) + "\n* resolved: larger than chance explains, adjusted for all parts and quantities\n";
    out.push_str(&in_doubt(rows.iter().map(|r| r.flags.as_str())));
    for note in notes {
        out.push_str(&format!("not separable: {note}\n"));
    }
    out + &additivity(rows) + "\n"
}

fn additivity(rows: &[PartRow]) -> String {
    let said = |(quantity, p): &(String, f64)| {
        let (what, p) = (quantity.replace('_', " "), p_value(*p));
        format!("parts do not simply add for {what} ({p}): name an interaction\n")
    };
    not_additive(rows).iter().map(said).collect()
}

/// The first combinations that hold the limits, or may, and that no other one betters: those that do before those that may.
pub fn combinations(rows: &[CombinationRow], force: Unit, speed: Unit) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let (unit, f) = (force.symbol, force.delta_from_si(1.0));
    let mut table = vec![
        ["best combinations", "wing", "limits", "front", "rear", "balance %", "drag", "downforce/drag", "ran as"]
            .iter()
            .map(|h| match *h {
                "front" | "rear" | "drag" => format!("{h} {unit}"),
                "best combinations" => {
                    format!("{h} at {} {}", stated(speed.from_si(rows[0].reference_speed)), speed.symbol)
                }
                h => h.to_owned(),
            })
            .collect::<Vec<_>>(),
    ];
    for r in best(rows).into_iter().take(SHOWN) {
        table.push(vec![
            if r.parts.is_empty() { "no parts".to_owned() } else { r.parts.clone() },
            r.wing_position.map_or_else(|| "-".to_owned(), |w| w.to_string()),
            r.limits.clone(),
            cell(r.front, r.front_lo95, r.front_hi95, f),
            cell(r.rear, r.rear_lo95, r.rear_hi95, f),
            cell(r.balance, r.balance_lo95, r.balance_hi95, 100.0),
            cell(r.drag, r.drag_lo95, r.drag_hi95, f),
            cell(r.efficiency, r.efficiency_lo95, r.efficiency_hi95, 1.0),
            r.ran_as.clone().unwrap_or_else(|| "never ran".to_owned()),
        ]);
    }
    let of = |limits: &str| rows.iter().filter(|r| r.limits == limits).count();
    let doubts = in_doubt(rows.iter().map(|r| r.flags.as_str())) + "\n";
    format!(
        "{}\n{} combinations: {} hold the limits, {} may, {} do not, {} not known\n",
        match of("yes") + of("unsure") {
            _ if table.len() > 1 => lay_out(&table),
            0 => "no combination holds the limits".to_owned(),
            _ => "which combinations are best can't be told: that needs front and rear downforce and drag; the others stand \
                in table `combinations`"
                .to_owned(),
        },
        rows.len(),
        of("yes"),
        of("unsure"),
        of("no"),
        of("unknown")
    ) + &doubts
}
