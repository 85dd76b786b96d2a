//! What is said about a night and changes no number: logs without a window, odd rows of the run sheet, what the tables of
//! the last run rested on and these do not.

use std::collections::{BTreeMap, BTreeSet};

use super::one_log::{self, LogResult, NamedLog};
use super::{Watcher, tables_folder};
use crate::config::layout::Layout;
use crate::config::log_names::Runs;
use crate::config::odd_car::odd_car;
use crate::config::run_sheet::RunRow;
use crate::config::slips::slips;
use crate::plan::Plan;
use crate::stages::LogStep;
use crate::stages::log::load::{self, Load};
use crate::stages::season::SeasonTables;
use crate::stages::season::cross_check;
use crate::stages::season::fit::Wind;
use crate::stages::season::fit::rows::LEFT_OUT;
use crate::table::flags::{
    BELOW_ZERO, FRONT_LOAD_UNLIKE_TRANSFER, LOADS_OUT_OF_STEP, MOSTLY_OUTLIERS, REAR_LOAD_UNLIKE_TRANSFER,
    SESSIONS_AT_ODDS, TORQUE_OUT_OF_STEP, TORQUE_UNLIKE_ACCELERATION, meaning,
};
use crate::table::frame::OfItsCar;
use crate::table::parquet_file::{self, place};
use crate::table::rows::{BatchRow, FitRow, LogRow};
use crate::units::nearest;

/// Says which logs have no window to show for themselves: a steering sensor that is off costs a log as surely as a broken
/// file.
pub(super) fn without_windows<'a>(logs: impl Iterator<Item = (&'a str, bool)>, watcher: &dyn Watcher) {
    let idle: Vec<&str> = logs.filter(|(_, none)| *none).map(|(log, _)| log).collect();
    if let Some(log) = idle.first() {
        let which =
            if idle.len() == 1 { format!("log `{log}`") } else { format!("{} logs, `{log}` the first,", idle.len()) };
        watcher.remark(&format!("no window of {which} passed the selection: table `funnel` says what each rule cost"));
    }
}

/// Logs that are named one by one before the rest is counted.
const NAMED: usize = 5;

/// What is odd about patterns, car file and run sheet, in words: springs of another car, patterns and rows that name no log, and names that look like slips
/// of the pen, which cost a run, or make two cars out of one, without a trace.
pub(super) fn of_definitions(plan: &Plan, named: &[NamedLog]) -> Vec<String> {
    let all = &plan.definitions.runs.rows;
    let sheet = Runs::new(all);
    let (mut used, mut alone) = (BTreeSet::new(), Vec::new());
    for log in named {
        let runs = one_log::runs_of(&sheet, log);
        used.extend(runs.iter().map(|row| row.spot.line));
        alone.extend(runs.is_empty().then_some(log.name.as_str()));
    }
    let one = |row: &RunRow| {
        let meant = nearest(&row.log, alone.iter().copied()).map(|log| format!(" (did you mean `{log}`?)"));
        format!("line {}, `{}`{}", row.spot.line, row.log.as_str(), meant.unwrap_or_default())
    };
    let idle: Vec<String> = all.iter().filter(|row| !used.contains(&row.spot.line)).map(one).collect();
    let rows = match idle.len() {
        0 => None,
        1 => Some("a row of the run sheet names".to_owned()),
        n => Some(format!("{n} rows of the run sheet name")),
    };
    let unnamed = rows.map(|rows| format!("{rows} no log that was found: {}", first_of(&idle)));
    let car = odd_car(&plan.definitions.car);
    idle_patterns(plan).into_iter().chain(car).chain(unnamed).chain(slips(all)).chain(unlike_days(all)).collect()
}

/// Difference in altitude from which two runs were not at one place, m: a circuit climbs as much at most (common practice,
/// no source).
const CLIMB: f64 = 100.0;

/// Turn of a wind of at least so many m/s, degrees, and change of temperature, K, beyond which two runs were not of one
/// session (common practice, no source).
const BLOWS: f64 = 2.0;
const TURNED: f64 = 60.0;
const WARMED: f64 = 12.0;

/// Sessions whose rows name two days, two places or two weathers: what a session has in common, its wind above all, is found once for it.
fn unlike_days(rows: &[RunRow]) -> Vec<String> {
    let mut sessions: BTreeMap<(&str, &str), Vec<&RunRow>> = BTreeMap::new();
    for row in rows {
        sessions.entry((row.event.trim(), row.session.trim())).or_default().push(row);
    }
    let said = |((event, session), rows): ((&str, &str), Vec<&RunRow>)| {
        let days = apart(&rows, |row| row.date.as_ref().map(|date| date.as_str()), |a, b| a != b)
            .map(|[(a, line), (b, other)]| format!("the days {a} (line {line}) and {b} (line {other})"));
        let places = apart(&rows, |row| row.altitude.as_ref().map(|h| h.get()), |a, b| (a - b).abs() > CLIMB)
            .map(|[(a, line), (b, other)]| format!("altitudes of {a:.0} m (line {line}) and {b:.0} m (line {other})"));
        // Another day is another wind, whatever the date says.
        let of_wind = |row: &RunRow| {
            let blows = row.wind_speed.as_ref().is_some_and(|speed| speed.get() >= BLOWS);
            row.wind_from.as_ref().filter(|_| blows).map(|from| from.get().to_degrees())
        };
        let turned = |a: f64, b: f64| (a - b + 180.0).rem_euclid(360.0) - 180.0;
        let winds = apart(&rows, of_wind, |a, b| turned(a, b).abs() > TURNED)
            .map(|[(a, line), (b, other)]| format!("winds from {a:.0}° (line {line}) and {b:.0}° (line {other})"));
        let celsius = |row: &RunRow| row.temperature.as_ref().map(|t| t.get() - 273.15);
        let warmth = apart(&rows, celsius, |a, b| (a - b).abs() > WARMED)
            .map(|[(a, line), (b, other)]| format!("{a:.0} °C (line {line}) and {b:.0} °C (line {other})"));
        let found = days.or(places).or(winds).or(warmth)?;
        Some(format!(
            "run sheet: session `{event}`, `{session}` has {found}: its wind and weather are taken for one; are these two sessions?"
        ))
    };
    sessions.into_iter().filter_map(said).collect()
}

/// The first value of some rows and the first that differs from it, with their lines.
fn apart<'a, T: Copy>(
    rows: &[&'a RunRow],
    of: impl Fn(&'a RunRow) -> Option<T>,
    differ: impl Fn(T, T) -> bool,
) -> Option<[(T, u64); 2]> {
    let mut all = rows.iter().filter_map(|row| Some((of(row)?, row.spot.line)));
    let first = all.next()?;
    Some([first, all.find(|other| differ(first.0, other.0))?])
}

/// Wind of the run sheet, m/s, from which a fit that takes still air is said to.
const NO_STILL_AIR: f64 = 1.0;

/// A fit that takes still air although the run sheet names wind for windows whose speed through the air nobody measured.
fn still_air(tables: &SeasonTables) -> Option<String> {
    let still = tables.model.as_ref()?.options.as_ref()?.wind == Wind::None;
    let unmeasured = tables.windows.iter().filter(|w| !w.air_speed_measured);
    let most = unmeasured.filter_map(|w| w.sheet_wind).map(|(speed, _)| speed).fold(0.0, f64::max);
    (still && most >= NO_STILL_AIR).then(|| {
        format!(
            "`fit` takes still air, but the run sheet names wind of up to {most:.1} m/s: write `wind: estimate`, which finds \
             it from straights of different heading, or `wind: run_sheet`"
        )
    })
}

/// Patterns whose folder is not there: one that was renamed, or a share that is not mounted, costs a season else.
fn idle_patterns(plan: &Plan) -> Option<String> {
    let Some(LogStep::Load(load)) = plan.pipeline().per_log.first().map(|step| &step.value) else { return None };
    let idle = load.logs.iter().filter(|pattern| load::leads_nowhere(&plan.definitions.base, pattern));
    let idle: Vec<String> = idle.map(|pattern| format!("`{}`", pattern.as_str())).collect();
    (!idle.is_empty()).then(|| format!("`load` finds nothing by {}: that place is not there", first_of(&idle)))
}

/// Layouts without a column for a channel that a stage asks for: another layout has one, or the plan would not stand.
pub(super) fn of_layouts(plan: &Plan, load: &Load) -> Vec<String> {
    let lacks = |layout: &Layout| {
        let of_channel = |(channel, stage): (&String, &&str)| {
            let name = &layout.name;
            format!(
                "the layout `{name}` names no column for channel `{channel}`, which stage `{stage}` asks for: logs read by \
                 it are set aside or do without"
            )
        };
        let missing = plan.demanded.iter().filter(|(channel, _)| !layout.channels.contains_key(*channel));
        missing.map(of_channel).collect::<Vec<_>>()
    };
    let mut seen = BTreeSet::new();
    let layouts = load.resolved.layouts.iter().map(|(_, layout)| layout).filter(|l| seen.insert(l.name.as_str()));
    layouts.flat_map(lacks).collect()
}

/// Says what the tables of the last run rested on and these do not: logs that are gone (a share that is not there, another
/// season's folder), or another pipeline's work.
pub(super) fn of_former_tables(plan: &Plan, results: &[LogResult], watcher: &dyn Watcher) {
    let (tables, season) = (tables_folder(plan), plan.pipeline().season.value.as_str());
    let rows_of_batch: Vec<BatchRow> = parquet_file::read(&place(&tables, "batch", season)).unwrap_or_default();
    let file = plan.definitions.pipeline_path.file_name().map(|n| n.to_string_lossy()).unwrap_or_default();
    if let Some(last) = rows_of_batch.last().filter(|row| row.pipeline != file) {
        watcher.remark(&format!(
            "the tables of season `{season}` in {} are those of `{}` and are replaced: give each pipeline its own `tables`",
            tables.display(),
            last.pipeline
        ));
    }
    let former: Vec<LogRow> = parquet_file::read(&place(&tables, "logs", season)).unwrap_or_default();
    let here: BTreeSet<&str> = results.iter().flat_map(|r| [r.content_hash.as_str(), r.named.log.as_str()]).collect();
    let used: Vec<&LogRow> = former.iter().filter(|row| row.status == "used").collect();
    let gone = used.iter().filter(|row| !here.contains(row.content_hash.as_str()) && !here.contains(row.log.as_str()));
    let gone: Vec<String> = gone.map(|row| format!("`{}`", row.log)).collect();
    if !gone.is_empty() {
        let (n, of) = (gone.len(), used.len());
        let doubt = if n == of { "; is `season` that of these logs?" } else { "" };
        let which = first_of(&gone);
        let are = if n == 1 { "is" } else { "are" };
        watcher.remark(&format!(
            "{n} of the {of} logs behind the last run's tables {are} not found any more: {which}{doubt}"
        ));
    }
}

/// What the season's stages found odd about single logs and sessions, in words.
pub(super) fn of_season(tables: &SeasonTables) -> Vec<String> {
    let logs = tables.odd_logs.iter().map(|(log, says)| format!("log `{log}`: {says}"));
    let out = tables.agreement.iter().filter(|row| row.verdict == LEFT_OUT);
    let sessions = out.map(|row| {
        let (quantity, session) = (row.quantity.replace('_', " "), row.session.as_str());
        format!("session `{}`, `{session}` is left out of {quantity}: {}", row.event, row.suspicion)
    });
    let second = cross_check::in_words(&tables.cross_checks, &tables.regressors);
    logs.chain(sessions)
        .chain(FIGURES_TO_LOOK_AT.into_iter().flat_map(|(flag, is)| of_figures(&tables.fits, flag, is)))
        .chain(still_air(tables))
        .chain(at_odds(&tables.fits))
        .chain(second)
        .collect()
}

/// Quantities that many sessions read differently, in one line: no configuration has it for itself.
fn at_odds(fits: &[FitRow]) -> Option<String> {
    let with = fits.iter().filter(|row| row.flags.split(',').any(|f| f == SESSIONS_AT_ODDS));
    // The drag is made of the resistance.
    let names: BTreeSet<&str> = with.map(|row| row.quantity.as_str()).filter(|name| *name != "resistance").collect();
    let names: Vec<String> = names.into_iter().map(|name| name.replace('_', " ")).collect();
    (!names.is_empty())
        .then(|| format!("sessions are at odds about {}: {}", names.join(", "), meaning(SESSIONS_AT_ODDS)))
}

/// Flags of figures that are wrong rather than uncertain, and what is said of them.
const FIGURES_TO_LOOK_AT: [(&str, &str); 2] =
    [(BELOW_ZERO, "is below zero"), (MOSTLY_OUTLIERS, "rests on few windows")];

/// Quantities with such a flag, and whose they are.
fn of_figures(fits: &[FitRow], flag: &str, is: &str) -> Vec<String> {
    let mut of: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for row in fits.iter().filter(|row| row.flags.split(',').any(|f| f == flag)) {
        of.entry(&row.quantity).or_default().push(format!("`{}`", row.configuration));
    }
    let said = |(quantity, who): (&str, Vec<String>)| {
        format!("{} {is} ({}): {}", quantity.replace('_', " "), first_of(&who), meaning(flag))
    };
    of.into_iter().map(said).collect()
}

/// Flags of a log that put all its forces off, or cost an outing, should what they say be a fault: nobody finds them in a
/// table by chance.
const LOOK_AT: [&str; 14] = [
    "outing_not_in_log",
    "changed_while_driving",
    "speed_unlike_acceleration",
    "speed_late_or_smoothed",
    LOADS_OUT_OF_STEP,
    TORQUE_OUT_OF_STEP,
    "link_force_of_drive_unknown",
    FRONT_LOAD_UNLIKE_TRANSFER,
    REAR_LOAD_UNLIKE_TRANSFER,
    TORQUE_UNLIKE_ACCELERATION,
    "unit_unlike_file",
    "temperature_unlike_run_sheet",
    "pressure_unlike_run_sheet",
    "pressure_unlike_altitude",
];

/// Which logs have one of these.
pub(super) fn of_logs(results: &[LogResult], plan: &Plan) -> Vec<String> {
    let with = |flag: &str| -> Vec<String> {
        let has = |r: &&LogResult| r.outcome.as_ref().is_ok_and(|of| of.flags.iter().any(|f| f == flag));
        results.iter().filter(has).map(|r| format!("`{}`", r.named.log)).collect()
    };
    let said = |flag: &str| {
        let logs = with(flag);
        (!logs.is_empty()).then(|| {
            let which = if logs.len() == 1 { "log" } else { "logs" };
            format!("{which} {}: {}", first_of(&logs), meaning(flag))
        })
    };
    LOOK_AT.into_iter().filter_map(said).chain(unheld(results, plan)).chain(of_the_car(results)).collect()
}

/// Logs from which the middle of what they say of their car counts.
const ENOUGH: usize = 3;
/// Within which a sound season lies: that of the generated ones is within 0.03 of one, CG height, links and masses of a real
/// car are known to a tenth or so (common practice, no source).
const TRANSFER: std::ops::RangeInclusive<f64> = 0.85..=1.15;
const MASS: std::ops::RangeInclusive<f64> = 0.91..=1.11;

/// A season of which no log tells whether it is that of its car: nobody braked or accelerated, or the samples are too few.
fn unheld(results: &[LogResult], plan: &Plan) -> Option<String> {
    let loads = plan.pipeline().per_log.iter().any(|step| matches!(step.value, LogStep::Loads(_)));
    let used = || results.iter().filter_map(|r| r.outcome.as_ref().ok());
    let told = used().any(|p| p.car != OfItsCar::default());
    (loads && !told && used().count() >= ENOUGH).then(|| {
        "no log has enough braking and accelerating, or samples fast enough, to hold springs, sensors and torque against the \
         car file: whole laps at five samples a second and more would, and `cross_check` may"
            .to_owned()
    })
}

/// What the logs say together of their car, where it is near enough for each log by itself and the same in all.
fn of_the_car(results: &[LogResult]) -> Vec<String> {
    let used = || results.iter().filter_map(|r| r.outcome.as_ref().ok());
    let middle = |of: &dyn Fn(&OfItsCar) -> Option<f64>, flag: &str| {
        let flagged = used().filter(|p| p.flags.iter().any(|f| f == flag)).count();
        let mut all: Vec<f64> = used().filter_map(|p| of(&p.car)).collect();
        all.sort_unstable_by(f64::total_cmp);
        // What is said of most logs one by one is not said again.
        (all.len() >= ENOUGH && 2 * flagged < all.len()).then(|| (all[all.len() / 2], all.len()))
    };
    let axle = |name: &str, of: &dyn Fn(&OfItsCar) -> Option<f64>, flag: &str| {
        let (ratio, logs) = middle(of, flag).filter(|(ratio, _)| !TRANSFER.contains(ratio))?;
        Some(format!(
            "in {logs} logs braking and accelerating move {ratio:.2} times the load onto the {name} axle that mass, CG height and \
             wheelbase of the car file say: look at springs and motion ratios, sensors and their filters (its downforce is \
             then off by as much), at `anti_dive`, `anti_squat` and `cg_height`; `cross_check` says more"
        ))
    };
    let front = axle("front", &|car| car.front_transfer, FRONT_LOAD_UNLIKE_TRANSFER);
    let rear = axle("rear", &|car| car.rear_transfer, REAR_LOAD_UNLIKE_TRANSFER);
    let mass = middle(&|car| car.mass, TORQUE_UNLIKE_ACCELERATION).filter(|(ratio, _)| !MASS.contains(ratio));
    let mass = mass.map(|(ratio, logs)| {
        format!(
            "in {logs} logs the torque at the wheels asks for a car of {ratio:.2} times the mass of the car file's: look at the \
             unit and calibration of the torque, at `tyre_radius`, `final_drive`, `driveline_efficiency` and `mass`; the drag is \
             off by about as much"
        )
    });
    front.into_iter().chain(rear).chain(mass).collect()
}

fn first_of(all: &[String]) -> String {
    let named = all.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join("; ");
    if all.len() > NAMED { format!("{named}; {} more", all.len() - NAMED) } else { named }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::rows::AgreementRow;

    #[test]
    fn logs_and_sessions_that_want_a_look_are_said() {
        let row = |session: &str, verdict: &str| AgreementRow {
            event: "e".to_owned(),
            session: session.to_owned(),
            quantity: "rear_downforce".to_owned(),
            verdict: verdict.to_owned(),
            suspicion: "as if the sign were turned".to_owned(),
            ..Default::default()
        };
        let below = |configuration: &str| FitRow {
            configuration: configuration.to_owned(),
            quantity: "front_downforce".to_owned(),
            flags: format!("altitude_unknown,{BELOW_ZERO}"),
            ..Default::default()
        };
        let tables = SeasonTables {
            odd_logs: [("a.csv".to_owned(), "twice too much".to_owned())].into(),
            agreement: vec![row("s1", "agrees"), row("s2", LEFT_OUT)],
            fits: ["a", "b"].map(below).into(),
            ..Default::default()
        };
        let said = [
            "log `a.csv`: twice too much",
            "session `e`, `s2` is left out of rear downforce: as if the sign were turned",
        ];
        let found = of_season(&tables);
        assert_eq!(found[..2], said);
        assert!(found.len() == 3 && found[2].starts_with("front downforce is below zero (`a`; `b`): "), "{found:?}");
        let odd = |quantity: &str| FitRow { flags: SESSIONS_AT_ODDS.to_owned(), ..row_of(quantity) };
        let tables = SeasonTables { fits: ["drag", "resistance", "drag"].map(odd).into(), ..Default::default() };
        let found = of_season(&tables);
        assert!(found.len() == 1 && found[0].starts_with("sessions are at odds about drag: "), "{found:?}");
    }

    fn row_of(quantity: &str) -> FitRow {
        FitRow { quantity: quantity.to_owned(), ..Default::default() }
    }
}
