//! The summary's parts on expected figures, limits, tyres, power and history: no computation.

use super::columns::lay_out;
use super::flags::{Seen, without_empty_last};
use crate::numerics::shown::{figures, stated, with_half};
use crate::stages::season::SeasonTables;
use crate::stages::season::fit::SeasonFit;
use crate::table::flags::{ROLLING_NOT_TAKEN_OFF, meaning};
use crate::table::verdicts::{ExpectedRow, ExpectedScaleRow, HistoryRow, SPEED_CAUTION, TYRE_CAUTION, TyreRow};
use crate::units::{self, Dimension, Unit};

/// All of them, each with an empty line behind it; empty where no such stage ran.
pub fn text(season: &SeasonTables, force: Unit, speed: Unit) -> String {
    let mut seen = Seen::default();
    let parts = [
        expected(season, force),
        limits(season, speed, &mut seen),
        tyres(&season.tyres, force, speed, &mut seen),
        energy(season, speed, &mut seen),
        seen.notes(),
        history(season),
    ];
    parts.into_iter().filter(|p| !p.is_empty()).map(|p| p + "\n\n").collect()
}

fn cell(value: Option<f64>, lo: Option<f64>, hi: Option<f64>, factor: f64) -> String {
    match (value, lo, hi) {
        (Some(v), Some(lo), Some(hi)) => with_half(v * factor, 0.5 * (hi - lo) * factor),
        _ => "-".to_owned(),
    }
}

fn head(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_owned()).collect()
}

fn subject(r: &ExpectedRow) -> &str {
    r.configuration.as_deref().or(r.part.as_deref()).unwrap_or_default()
}

fn expected(season: &SeasonTables, force: Unit) -> String {
    let rows = &season.expected;
    if rows.is_empty() {
        return String::new();
    }
    let count = |v: &str| rows.iter().filter(|r| r.verdict == v).count();
    let mut out = format!(
        "expected figures: {} held against the track: {} agree, {} disagree, {} not resolved, {} without a figure",
        rows.len(),
        count("agrees"),
        count("disagrees"),
        count("not resolved"),
        count("no figure")
    );
    for s in &season.expected_scale {
        out.push_str(&scale_line(s));
    }
    if rows.iter().any(|r| r.quantity == "drag") && season.model.as_ref().is_some_and(SeasonFit::rolling_left) {
        out.push_str(&format!("\n  {}", meaning(ROLLING_NOT_TAKEN_OFF)));
    }
    // Those that no common factor holds stand by themselves.
    for r in rows.iter().filter(|r| r.verdict == "disagrees" && r.scale_verdict.is_none()) {
        let unit = if r.unit == Dimension::Force.si() { Some(force) } else { unit_of(&r.quantity, &r.unit) };
        let factor = unit.map_or(1.0, |u| u.delta_from_si(1.0));
        let symbol = unit.map_or(String::new(), |u| format!(" {}", u.symbol));
        out.push_str(&format!(
            "\n  {} {} disagrees: the track gives {}{symbol}, {}{symbol} was expected",
            subject(r),
            r.quantity.replace('_', " "),
            cell(r.track, r.track_lo95, r.track_hi95, factor),
            short(r.expected * factor)
        ));
    }
    let off: Vec<&ExpectedRow> = rows.iter().filter(|r| r.scale_verdict.as_deref() == Some("stands_out")).collect();
    if off.is_empty() {
        return out;
    }
    let (f, unit) = (force.delta_from_si(1.0), force.symbol);
    let mut table = vec![head(&["  does not follow that", "of"])];
    table[0].extend(["track", "expected", "off by"].map(|n| format!("{n} {unit}")));
    for r in off {
        table.push(vec![
            format!("  {}", subject(r)),
            r.quantity.replace('_', " "),
            cell(r.track, r.track_lo95, r.track_hi95, f),
            figures(r.expected * f, 3),
            cell(r.minus_scaled, r.minus_scaled_lo95, r.minus_scaled_hi95, f),
        ]);
    }
    format!("{out}\n{}", lay_out(&table))
}

fn scale_line(s: &ExpectedScaleRow) -> String {
    let half = 0.5 * (s.factor_hi95 - s.factor_lo95);
    let figures = if s.figures == 1 { "figure" } else { "figures" };
    format!(
        "\n  {}: the track gives {} of what was expected, over {} {figures}",
        s.kind,
        with_half(s.factor, half),
        s.figures
    ) + &in_another_unit(s.factor)
}

/// Units that a figure may have been meant in, and what a newton or a speed is in them: pound-force and kilogram-force (NIST
/// SP 811), kilonewton, and a speed in miles per hour, which counts squared.
const TAKEN_FOR: [(f64, &str); 4] = [
    (1000.0, "were they meant in kN?"),
    (4.448, "were they meant in lbf?"),
    (9.807, "were they meant in kgf?"),
    (2.590, "is their speed in mph?"),
];

/// What a factor between track and figures looks like, to a twentieth either way.
fn in_another_unit(factor: f64) -> String {
    let near = |by: f64| (0.95..1.05).contains(&(factor / by));
    let found = TAKEN_FOR.into_iter().find(|(by, _)| near(*by) || near(1.0 / by));
    found.map_or(String::new(), |(_, asks)| format!(": {asks}"))
}

/// The unit that a limited quantity is shown in.
fn unit_of(quantity: &str, symbol: &str) -> Option<Unit> {
    match (quantity, symbol) {
        ("efficiency", _) => None,
        (_, "1") => units::unit_of("%", Dimension::Ratio).ok(),
        _ => units::any(symbol),
    }
}

/// At most four decimals, none that say nothing.
fn short(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn limits(season: &SeasonTables, speed: Unit, seen: &mut Seen) -> String {
    if season.limits.is_empty() {
        return String::new();
    }
    let mut table = vec![head(&["limit", "configuration", "value", "verdict"])];
    table[0].extend([format!("reached at {}", speed.symbol), "remarks".to_owned()]);
    for r in &season.limits {
        let unit = unit_of(&r.quantity, &r.unit);
        let factor = unit.map_or(1.0, |u| u.delta_from_si(1.0));
        let symbol = unit.map_or("", |u| u.symbol);
        let side = r.side.replace('_', " ");
        table.push(vec![
            format!(
                "{} {side} {} at {} {}",
                r.quantity.replace('_', " "),
                format!("{} {symbol}", short(r.limit * factor)).trim_end(),
                stated(speed.from_si(r.speed)),
                speed.symbol
            ),
            r.configuration.clone(),
            cell(r.value, r.value_lo95, r.value_hi95, factor),
            r.verdict.clone(),
            cell(r.reached_at, r.reached_at_lo95, r.reached_at_hi95, speed.delta_from_si(1.0)),
            seen.cell(&r.flags),
        ]);
    }
    without_empty_last(&mut table);
    lay_out(&table)
}

/// How bad a verdict on a tyre is: what no rating holds for goes before all others.
fn badness(r: &TyreRow) -> u8 {
    match r.verdict.as_str() {
        "margin_kept" => 0,
        "unsure" => 1,
        "no_figure" => 2,
        "margin_used_up" => 3,
        "over_rating" => 4,
        _ => 5,
    }
}

fn tyres(rows: &[TyreRow], force: Unit, speed: Unit, marks: &mut Seen) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let mut table = vec![head(&["tyre load, estimated", "case", "corner"])];
    table[0].extend([
        speed.symbol.to_owned(),
        format!("load {}", force.symbol),
        format!("rating {}", force.symbol),
        "used %".to_owned(),
        "verdict".to_owned(),
        "remarks".to_owned(),
    ]);
    // The corner of the worst verdict, and of these the one that uses most of its rating, of every configuration and
    // case.
    let used = |r: &TyreRow| r.share_used_hi95.or(r.load_hi95).unwrap_or(0.0);
    let mut seen: Vec<(&str, &str)> = Vec::new();
    for r in rows {
        let key = (r.configuration.as_str(), r.case.as_str());
        if seen.contains(&key) {
            continue;
        }
        seen.push(key);
        let alike = rows.iter().filter(|o| (o.configuration.as_str(), o.case.as_str()) == key);
        let order = |a: &&TyreRow, b: &&TyreRow| badness(a).cmp(&badness(b)).then(used(a).total_cmp(&used(b)));
        let Some(worst) = alike.max_by(order) else { continue };
        let f = force.delta_from_si(1.0);
        table.push(vec![
            worst.configuration.clone(),
            worst.case.replace('_', " "),
            worst.corner.clone(),
            worst.speed.map_or("-".to_owned(), |v| figures(speed.from_si(v), 3)),
            cell(worst.load, worst.load_lo95, worst.load_hi95, f),
            worst.capacity.map_or("none".to_owned(), |c| figures(c * f, 3)),
            worst.share_used.map_or("-".to_owned(), |s| format!("{:.0}", 100.0 * s)),
            if worst.verdict == "above_speed_symbol" {
                "above symbol".to_owned()
            } else {
                worst.verdict.replace('_', " ")
            },
            marks.cell(&worst.flags),
        ]);
    }
    without_empty_last(&mut table);
    format!("{}\n{TYRE_CAUTION}", lay_out(&table))
}

fn energy(season: &SeasonTables, speed: Unit, seen: &mut Seen) -> String {
    let Some(first) = season.energy.first() else { return String::new() };
    let at = format!("at {} {}", stated(speed.from_si(first.speed)), speed.symbol);
    let mut table = vec![vec![
        format!("power {at} in air of {} kg/m3", first.air_density),
        "drag kW".to_owned(),
        "with rolling kW".to_owned(),
    ]];
    if let Some(p) = first.power {
        table[0].push(format!("top speed {} with {:.0} kW", speed.symbol, p / 1e3));
    }
    table[0].push("remarks".to_owned());
    for r in &season.energy {
        let mut row = vec![
            r.configuration.clone(),
            cell(r.drag_power, r.drag_power_lo95, r.drag_power_hi95, 1e-3),
            cell(r.total_power, r.total_power_lo95, r.total_power_hi95, 1e-3),
        ];
        if r.power.is_some() {
            row.push(cell(r.top_speed, r.top_speed_lo95, r.top_speed_hi95, speed.delta_from_si(1.0)));
        }
        row.push(seen.cell(&r.flags));
        table.push(row);
    }
    without_empty_last(&mut table);
    // Powers alone name no speed that anyone would drive at.
    let caution = if first.power.is_some() { format!("\n{SPEED_CAUTION}") } else { String::new() };
    lay_out(&table) + &caution
}

fn history(season: &SeasonTables) -> String {
    let rows = &season.history;
    if rows.is_empty() {
        return String::new();
    }
    let compared = rows.iter().filter(|r| r.change.is_some()).count();
    let changed: Vec<_> = rows.iter().filter(|r| r.verdict == "changed").collect();
    let doubted = rows.iter().filter(|r| r.verdict == "in doubt").count();
    let doubted = if doubted > 0 { format!(", {doubted} in doubt (one session alone)") } else { String::new() };
    let mut out =
        format!("history: {compared} numbers held against other events or seasons, {} changed{doubted}", changed.len());
    for (i, r) in changed.iter().enumerate() {
        let unit = unit_of(&r.quantity, &r.unit);
        let factor = unit.map_or(1.0, |u| u.delta_from_si(1.0));
        let symbol = unit.map_or("", |u| u.symbol);
        let when = r.event.as_deref().map_or_else(|| format!("season {}", r.of_season), str::to_owned);
        let change = cell(r.change, r.change_lo95, r.change_hi95, factor);
        out.push_str(&format!(
            "\n  {when}: {} of {} by {}",
            r.quantity.replace('_', " "),
            r.configuration,
            format!("{change} {symbol}").trim_end()
        ));
        // Said once, below the last that it is true of.
        let same = |next: &&&HistoryRow| {
            (&next.of_season, &next.event, &next.quantity) == (&r.of_season, &r.event, &r.quantity)
        };
        if r.share_of_all.is_some() && changed.get(i + 1).filter(same).is_none() {
            out.push_str(&format!("\n    {}", r.why));
        }
    }
    for r in rows.iter().filter(|r| r.configuration.is_empty()) {
        out.push_str(&format!("\n  season {}: {}", r.of_season, r.why));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::verdicts::{EnergyRow, LimitRow};

    fn units() -> (Unit, Unit) {
        (units::any("N").unwrap(), units::any("km/h").unwrap())
    }

    fn tyre(corner: &str, share: Option<f64>, verdict: &str) -> TyreRow {
        TyreRow {
            configuration: "base".to_owned(),
            case: "top_speed".to_owned(),
            corner: corner.to_owned(),
            speed: Some(60.0),
            load: Some(3000.0),
            load_lo95: Some(2990.0),
            load_hi95: Some(3010.0),
            capacity: share.map(|_| 6000.0),
            share_used: share,
            share_used_hi95: share,
            verdict: verdict.to_owned(),
            ..Default::default()
        }
    }

    fn shown(rows: &[TyreRow]) -> String {
        let (force, speed) = units();
        tyres(rows, force, speed, &mut Seen::default())
    }

    #[test]
    fn figures_in_another_unit_and_those_that_stand_alone_are_told() {
        for (factor, asks) in [(0.001, "kN"), (4.5, "lbf"), (0.218, "lbf"), (0.1, "kgf"), (2.6, "mph")] {
            assert!(in_another_unit(factor).contains(asks), "{factor}");
        }
        assert!([0.97, 1.2, 0.8, 2.0].iter().all(|f| in_another_unit(*f).is_empty()));
        let row = ExpectedRow {
            configuration: Some("base".to_owned()),
            quantity: "balance".to_owned(),
            unit: "1".to_owned(),
            track: Some(0.387),
            track_lo95: Some(0.384),
            track_hi95: Some(0.390),
            expected: 0.61,
            verdict: "disagrees".to_owned(),
            ..Default::default()
        };
        let season = SeasonTables { expected: vec![row], ..Default::default() };
        let text = expected(&season, units().0);
        assert!(text.ends_with("base balance disagrees: the track gives 38.70 ± 0.30 %, 61 % was expected"), "{text}");
    }

    #[test]
    fn the_worst_corner_is_shown_with_the_caution() {
        let text = shown(&[tyre("fl", Some(0.5), "margin_kept"), tyre("fr", Some(0.6), "unsure")]);
        assert!(text.contains("fr") && !text.contains("fl ") && text.contains("unsure"), "{text}");
        assert!(text.ends_with(TYRE_CAUTION) && !text.contains("safe"));
        // A corner above its speed symbol is no good news and is the one shown.
        let text = shown(&[tyre("fl", Some(0.99), "margin_used_up"), tyre("fr", None, "above_speed_symbol")]);
        assert!(text.contains("above symbol") && text.contains("none") && !text.contains("no rating"), "{text}");
        // A load that is not known goes before a margin that is kept, and hides none that is used up.
        let unknown = TyreRow { load: None, speed: None, ..tyre("rl", None, "no_figure") };
        let text = shown(&[tyre("fl", Some(0.7), "margin_kept"), unknown.clone()]);
        assert!(text.contains("no figure"), "{text}");
        let text = shown(&[unknown, tyre("fl", Some(0.95), "margin_used_up")]);
        assert!(text.contains("margin used up"), "{text}");
        assert_eq!(shown(&[]), "");
    }

    #[test]
    fn what_a_number_rests_on_is_printed_beside_it_and_explained_once() {
        let (force, speed) = units();
        let flagged = |flags: &str| TyreRow { flags: flags.to_owned(), ..tyre("fl", Some(0.5), "unsure") };
        let limit = LimitRow {
            configuration: "base".to_owned(),
            verdict: "kept".to_owned(),
            unit: "N".to_owned(),
            flags: "speed_outside_of_windows".to_owned(),
            ..Default::default()
        };
        let season = SeasonTables {
            limits: vec![limit],
            tyres: vec![flagged("speed_outside_of_windows,spring_table_left")],
            ..Default::default()
        };
        let text = text(&season, force, speed);
        let kept = text.lines().find(|l| l.contains("kept")).unwrap();
        assert!(kept.ends_with("speed_outside_of_windows"), "{text}");
        assert_eq!(text.matches("speed_outside_of_windows: ").count(), 1, "{text}");
        assert!(text.contains("spring_table_left: some damper travel"), "{text}");
    }

    #[test]
    fn a_top_speed_is_never_printed_without_its_caution() {
        let (_, speed) = units();
        let row = EnergyRow {
            configuration: "base".to_owned(),
            power: Some(180e3),
            top_speed: Some(76.0),
            top_speed_lo95: Some(75.0),
            top_speed_hi95: Some(77.0),
            flags: "above_speed_symbol".to_owned(),
            ..Default::default()
        };
        let season = SeasonTables { energy: vec![row.clone()], ..Default::default() };
        let text = energy(&season, speed, &mut Seen::default());
        assert!(text.ends_with(SPEED_CAUTION), "{text}");
        assert!(text.lines().any(|l| l.contains("273.6") && l.ends_with("above_speed_symbol")), "{text}");
        // Without a power there is no such speed.
        let season = SeasonTables { energy: vec![EnergyRow { power: None, ..row }], ..Default::default() };
        assert!(!energy(&season, speed, &mut Seen::default()).contains("calculated"));
    }
}
