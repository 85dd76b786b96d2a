//! Every flag that may stand in the column `flags` of a table, and what it means.

/// What a flag is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    /// A log or a window of it: tables `logs` and `windows`, and every result that rests on it.
    Log,
    /// A result: all tables but these two.
    Result,
}

use About::{Log, Result};

/// One flag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Flag {
    /// What it is about.
    pub about: About,
    /// As it stands in the tables.
    pub name: &'static str,
    /// What it means, and what to do where something can be done.
    pub meaning: &'static str,
}

const fn of(about: About, name: &'static str, meaning: &'static str) -> Flag {
    Flag { about, name, meaning }
}

/// Flag of a log that does not fit what the season says of its configuration.
pub const UNLIKE_ITS_CONFIGURATION: &str = "unlike_its_configuration";
/// Flag of a quantity most of whose windows are outliers.
pub const MOSTLY_OUTLIERS: &str = "mostly_outliers";
/// Flag of figures that many sessions read differently.
pub const SESSIONS_AT_ODDS: &str = "sessions_at_odds";
/// Flag of figures about which the only two sessions that ran them contradict each other.
pub const SESSIONS_CONTRADICT: &str = "sessions_contradict";
/// Flag of a drag that holds what the tyres' rolling takes with the downforce.
pub const ROLLING_NOT_TAKEN_OFF: &str = "rolling_not_taken_off";
/// Flag of a share of something that is not told from nothing.
pub const DIVISOR_NOT_RESOLVED: &str = "divisor_not_resolved";
/// Flag of a quantity that comes out below zero.
pub const BELOW_ZERO: &str = "below_zero";
/// Flag of a log with an axle whose wheels do not agree.
pub const LEFT_AND_RIGHT_DISAGREE: &str = "left_and_right_disagree";
/// Flags of a log whose load sensors, or torque, speak of another moment than the rest.
pub const LOADS_OUT_OF_STEP: &str = "loads_out_of_step";
pub const TORQUE_OUT_OF_STEP: &str = "torque_out_of_step";
/// Flags of a log whose loads, or torque, are not those of the car in the car file.
pub const FRONT_LOAD_UNLIKE_TRANSFER: &str = "front_load_unlike_transfer";
pub const REAR_LOAD_UNLIKE_TRANSFER: &str = "rear_load_unlike_transfer";
pub const TORQUE_UNLIKE_ACCELERATION: &str = "torque_unlike_acceleration";

/// Flag of a log with columns whose unit the layout says otherwise than the file.
pub const UNIT_UNLIKE_FILE: &str = "unit_unlike_file";

/// Flag of what rests on an air speed that does not go with the speed over ground.
pub const AIR_SPEED_UNLIKE_GROUND: &str = "air_speed_unlike_ground";
/// Flag of what sessions were left out of.
pub const SESSIONS_LEFT_OUT: &str = "sessions_left_out";

/// The flags that make a result doubtful, whatever its interval.
pub const DOUBTS: [&str; 6] = [
    AIR_SPEED_UNLIKE_GROUND,
    LEFT_AND_RIGHT_DISAGREE,
    SESSIONS_AT_ODDS,
    SESSIONS_CONTRADICT,
    SESSIONS_LEFT_OUT,
    UNLIKE_ITS_CONFIGURATION,
];

/// Every flag, by name within its kind.
pub const FLAGS: &[Flag] = &[
    of(Log, "air_speed_from_pressure", "the air speed comes from a calibrated pressure channel; no wind is estimated"),
    of(
        Log,
        "altitude_unknown",
        "neither log nor run sheet says how high the circuit lies: sea level was taken for the standard atmosphere",
    ),
    of(
        Log,
        "body_pitch_unseen",
        "no dampers to take the body's pitch out of the accelerometer: part of it ends up in the drag",
    ),
    of(Log, "braking_unseen", "no brake pressure: what the links carry under braking is missing in the wheel loads"),
    of(
        Log,
        "changed_while_driving",
        "by the run sheet the configuration changes while the car drives: the time where one row ends and the next begins is wrong (it counts from the log's first sample), and windows stand under the wrong configuration",
    ),
    of(Log, "coasting_unseen", "neither clutch nor gear in the log: coasting can't be told, and gives no drag"),
    of(
        Log,
        "course_stands_still",
        "the course never changes although the car goes round corners: a receiver without satellites, or the wrong column; no wind is told by it, and still air is taken for this log",
    ),
    of(
        Log,
        "front_link_force_unknown",
        "the front axle is driven: what its links carry of the drive force is not taken out of the front downforce",
    ),
    of(
        Log,
        FRONT_LOAD_UNLIKE_TRANSFER,
        "braking and accelerating move far more or less load onto the front axle than mass, CG height and wheelbase of the car file say, or the other way: look at the springs (N/mm or lb/in?) and motion ratios (damper travel per wheel travel) of that axle, and at unit, sign, columns and filters of its sensors; its downforce is wrong by as much",
    ),
    of(Log, "fuel_assumed", "the run sheet names no fuel: what was aboard at the corner weights was taken"),
    of(Log, "fuel_below_zero", "more fuel was burnt than the run sheet says was aboard: look at both"),
    of(
        Log,
        "fuel_burn_unknown",
        "neither the channel `fuel_used` nor the run sheet's `fuel_per_hour`: the fuel was taken as constant",
    ),
    of(Log, "gradient_unseen", "neither `accel_x` nor `grade`: load transfer is taken for a level road"),
    of(Log, "humidity_assumed", "no humidity in log or run sheet: one was assumed; it matters little"),
    of(
        Log,
        LEFT_AND_RIGHT_DISAGREE,
        "on the straights one wheel of an axle answers the speed less than half as much as the other: look at the unit and the column of its sensor in the layout; the axle's downforce is wrong by as much",
    ),
    of(Log, "level_road_assumed", "`gradient: level`: slopes count as drag, and cancel only over both directions"),
    of(
        Log,
        "link_force_of_drive_unknown",
        "`anti_squat` without a drive force: the rear downforce lacks what the rear links carry of the drag",
    ),
    of(
        Log,
        LOADS_OUT_OF_STEP,
        "the load sensors tell braking and accelerating some tenths of a second or more before or after the accelerometer along x: forces are held against the speed of another moment, and load transfer is taken off where there is none; log both by one clock, and dampers without a slow filter",
    ),
    of(
        Log,
        "no_window_found",
        "no window that `fit` takes passed the selection in this log: `funnel` says what each rule cost",
    ),
    of(
        Log,
        "outing_not_in_log",
        "a row of the run sheet names an outing or a time in which this log has no driving that is left for it: what it was meant for is not used",
    ),
    of(
        Log,
        "outing_without_row",
        "the car drove an outing that no row of the run sheet for this log names: it is not used",
    ),
    of(
        Log,
        "pressure_not_calibrated",
        "`air_speed_from` found no run with two directions and enough speed: ground speed and wind were used",
    ),
    of(
        Log,
        "pressure_unlike_altitude",
        "the air pressure does not fit the height of the circuit: look at sensor, unit and run sheet",
    ),
    of(
        Log,
        "pressure_unlike_run_sheet",
        "the logged air pressure is more than 2 % from that of the run sheet: the log's was taken, and all forces are off by as much where it is the wrong one",
    ),
    of(
        Log,
        REAR_LOAD_UNLIKE_TRANSFER,
        "braking and accelerating move far more or less load onto the rear axle than mass, CG height and wheelbase of the car file say, or the other way: look at the springs (N/mm or lb/in?) and motion ratios (damper travel per wheel travel) of that axle, and at unit, sign, columns and filters of its sensors; its downforce is wrong by as much",
    ),
    of(Log, "session_left_out", "the session disagrees with all others in this quantity (table `agreement`)"),
    of(
        Log,
        "speed_late_or_smoothed",
        "the speed changes a third of a second later, or more, than the accelerometer along x says, or it is smoothed over some second or more, by itself or with the accelerometer: every force is held against the speed of another moment, and comes out one or more per cent off; log the speed of a wheel, and the accelerometer, without a filter",
    ),
    of(
        Log,
        "speed_unlike_acceleration",
        "the speed changes otherwise than the accelerometer along x says, by a tenth at least or with the other sign: look at the units and signs of both, at the unit and the rate of the time, and whether the speed comes seconds late; all forces are wrong where it is the speed or the time",
    ),
    of(
        Log,
        "spikes_removed",
        "a few samples lay outside of what is possible and were left out: a higher load may have gone with them",
    ),
    of(
        Log,
        "spring_table_left",
        "some damper travel lies outside of the spring table: those samples were left out, and a higher load may have gone \
         with them; measure the spring further",
    ),
    of(
        Log,
        "standard_atmosphere",
        "neither temperature nor pressure in log or run sheet: the density is that of the ISO 2533 standard atmosphere",
    ),
    of(Log, "standard_pressure", "no air pressure in log or run sheet: that of the ISO 2533 standard atmosphere"),
    of(Log, "standard_temperature", "no temperature in log or run sheet: that of the ISO 2533 standard atmosphere"),
    of(
        Log,
        "temperature_unlike_run_sheet",
        "the logged air temperature is more than 2 % of the absolute one (6 K) from that of the run sheet: the log's was taken, and all forces are off by as much where it is the wrong one (a sensor in the sun or behind a radiator)",
    ),
    of(
        Log,
        TORQUE_OUT_OF_STEP,
        "the torque changes some tenths of a second or more before or after the acceleration does: the drag is that of two moments; log both by one clock",
    ),
    of(
        Log,
        TORQUE_UNLIKE_ACCELERATION,
        "the torque at the wheels asks for a car a sixth or more heavier or lighter than that of the car file: look at unit, column and filter of the torque, at `tyre_radius`, `final_drive` and `mass`; the drag is wrong by as much or more",
    ),
    of(
        Log,
        UNIT_UNLIKE_FILE,
        "the layout names another unit for a column than the file itself does: the layout's was taken, and all that rests on it is wrong where it is the wrong one",
    ),
    of(
        Log,
        UNLIKE_ITS_CONFIGURATION,
        "the log does not fit what the season says of its configuration; `message` in the table `logs` says how: look at its sensors, its units and its row of the run sheet",
    ),
    of(
        Log,
        "wind_unknown",
        "`wind: run_sheet`, but the run sheet gives no wind or the log no course: no wind was taken off",
    ),
    of(
        Log,
        "zero_not_static",
        "`zero: static_segment`, but the car did not stand before the outing: its zero was fitted",
    ),
    of(Result, "above_speed_symbol", "faster than the tyre's speed symbol allows: there is no rating at this speed"),
    of(
        Result,
        AIR_SPEED_UNLIKE_GROUND,
        "the measured air speed does not go with the speed over ground, see the warnings of the run: all that rests on it may be off by twice as much",
    ),
    of(Result, "balance_out_of_reach", "no wing position gives the balance that was asked for"),
    of(
        Result,
        BELOW_ZERO,
        "a downforce that lifts or a drag that pushes: is the sign of dampers, load cells or torque right, is the unit?",
    ),
    of(Result, "combination_never_ran", "this combination never ran: its parts are added up"),
    of(
        Result,
        "described_alike",
        "the run sheet describes several configurations alike: this is the mean of them all; name what tells them apart",
    ),
    of(
        Result,
        DIVISOR_NOT_RESOLVED,
        "a share of something that its own interval does not tell from nothing: neither the share nor its interval means much",
    ),
    of(
        Result,
        "iteration_not_settled",
        "the fit was still moving when its steps were used up: take its figures as rough, and look at the outliers in the windows table",
    ),
    of(
        Result,
        "loads_missing",
        "at times the load of a wheel is missing while the car runs: a higher one may have gone unseen",
    ),
    of(
        Result,
        MOSTLY_OUTLIERS,
        "more than three in five windows are outliers, and the number rests on the others: a sensor that shifted, failed or changed its unit on the way? Do not trust it before somebody has looked at the log",
    ),
    of(Result, "no_downforce", "no downforce could be fitted"),
    of(Result, "no_drag", "no drag could be fitted"),
    of(Result, "no_interval", "not enough sessions and windows for an interval"),
    of(
        Result,
        "no_peaks",
        "no log shows the highest loads of the configuration: are its logs used, is `peaks` among the window stages?",
    ),
    of(Result, "no_top_speed", "no speed takes the power that was asked about: the fitted drag is not above zero"),
    of(Result, "no_wheel_loads", "no log holds a load of that wheel at any moment"),
    of(
        Result,
        "no_windows",
        "no window of it: the selection let none pass (the funnel table says what each rule cost), no log of it was used (the logs table says why), or the log that the run sheet names was not there",
    ),
    of(Result, "not_additive", "parts do not simply add for this quantity: name an interaction"),
    of(Result, "not_known", "one of the figures can't be told from what ran; `remarks` says why"),
    of(
        Result,
        "not_measured",
        "its windows do not hold that quantity: no log of it has the channel (does the layout name its column?), or none of the windows that can tell it was found (drag from coasting needs stretches of coasting): the table `funnel` says what each rule cost",
    ),
    of(Result, "not_separable", "what ran does not tell these parts apart"),
    of(Result, "not_solvable", "the season's equations have no single solution"),
    of(
        Result,
        "reached_outside_of_windows",
        "the speed at which the limit is passed lies outside of the windows: v² is extrapolated, nobody measured there",
    ),
    of(
        Result,
        ROLLING_NOT_TAKEN_OFF,
        "drag still holds the rolling resistance that downforce adds: fit front and rear downforce too",
    ),
    of(
        Result,
        "session_scatter_not_visible",
        "one session only: what a whole session has in common is assumed, not seen; run it again another day",
    ),
    of(
        Result,
        SESSIONS_AT_ODDS,
        "a fifth of the sessions or more read this (or what it is made of) over 4 % unlike the others: the fit follows the majority, which may be the wrong one; see `factor` and `gain` in the table `agreement`: where one quantity alone does so look at its sensor on those days, where all do alike at the speed and the air (density, wind)",
    ),
    of(
        Result,
        SESSIONS_CONTRADICT,
        "the two sessions that ran this read it a fifth apart or more, and it can't be told which is right: the fit follows the one whose windows scatter less; look at the sensors and the run sheet of both, or run it again",
    ),
    of(
        Result,
        SESSIONS_LEFT_OUT,
        "a session disagrees with all others in a quantity and was left out there (table `agreement`): it is not in the numbers, its windows are not counted in `fits`",
    ),
    of(
        Result,
        "speed_never_varies",
        "all windows at one speed: the sensor zero can't be told from the force; hold two speeds",
    ),
    of(
        Result,
        "speed_outside_of_windows",
        "a speed lies outside of the windows: v² is extrapolated, nobody measured there",
    ),
    of(
        Result,
        "square_law_doubtful",
        "the force does not follow v² alone (ride height? flexing parts?): compare only near the reference speed",
    ),
    of(
        Result,
        "too_few_windows",
        "not enough windows for zero, slope and an error: loosen the selection or run longer",
    ),
    of(
        Result,
        "wing_effect_not_clear",
        "the wing's effect on the balance is not clear of zero: no interval for its position",
    ),
    of(Result, "wing_outside_of_range", "the wing position lies outside of those that ran"),
    of(
        Result,
        "zero_unknown_in_some_logs",
        "some logs have no quiet running that gives the sensors' zero: their highest loads rest on the accelerations alone",
    ),
];

/// A flag of logs by that name, if there is one.
pub fn of_a_log(name: &str) -> Option<&'static str> {
    FLAGS.iter().find(|f| f.name == name && f.about == Log).map(|f| f.name)
}

/// What a flag means; empty for a name that is none.
pub fn meaning(name: &str) -> &'static str {
    FLAGS.iter().find(|f| f.name == name).map_or("", |f| f.meaning)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::fs;
    use std::path::{Path, PathBuf};

    use super::*;

    /// The sources that may set flags, without their tests.
    fn sources() -> Vec<(PathBuf, String)> {
        let mut out = Vec::new();
        let mut folders: Vec<PathBuf> =
            ["stages", "engine"].map(|f| Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(f)).into();
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else if path.file_name().is_some_and(|n| n != "tests.rs" && n != "recovery.rs" && n != "testing.rs") {
                    let text = fs::read_to_string(&path).unwrap();
                    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap().to_owned();
                    out.push((path, text));
                }
            }
        }
        out
    }

    /// The names that follow a marker, as far as they are written out.
    fn after<'a>(text: &'a str, marker: &str) -> Vec<&'a str> {
        let rest = text.split(marker).skip(1).map(|t| t.trim_start().strip_prefix('"'));
        rest.flatten().filter_map(|t| t.split('"').next()).collect()
    }

    #[test]
    fn every_flag_that_is_set_has_a_meaning() {
        let known: BTreeSet<&str> = FLAGS.iter().map(|f| f.name).collect();
        let mut found = BTreeSet::new();
        let sources = sources();
        for (path, text) in &sources {
            let set = ["flag(", "flags.push(", "flags.insert(", "dropped.insert(*pair,", "or_insert(", "Some("]
                .into_iter()
                .flat_map(|m| after(text, m).into_iter().map(move |name| (m, name)));
            for (marker, name) in set {
                // `Some("…")` also says other things than flags: only what is a flag counts there.
                assert!(known.contains(name) || marker == "Some(", "{}: `{name}` is in no list", path.display());
                found.insert(name);
            }
        }
        assert!(found.len() > 20, "the markers no longer find the flags: {found:?}");
    }

    #[test]
    fn every_flag_with_a_meaning_is_set_somewhere() {
        let sources = sources();
        for flag in FLAGS {
            // As a literal, or by the constant of that name.
            let (literal, constant) = (format!("\"{}\"", flag.name), flag.name.to_uppercase());
            let set = |text: &str| text.contains(&literal) || text.contains(&constant);
            assert!(sources.iter().any(|(_, text)| set(text)), "`{}` is set nowhere", flag.name);
            assert!(flag.meaning.len() > 15 && !flag.meaning.ends_with('.'), "{}", flag.name);
        }
    }

    #[test]
    fn names_are_sorted_and_stand_once() {
        let names: Vec<(bool, &str)> = FLAGS.iter().map(|f| (f.about == Result, f.name)).collect();
        assert!(names.windows(2).all(|p| p[0] < p[1]), "{names:?}");
    }
}
