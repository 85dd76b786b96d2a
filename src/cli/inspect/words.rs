//! From a column's name to the channel it may be, by the words of the trade.

use crate::channels::{CHANNELS, Channel};

/// Words of a name: small letters, split at marks, at capitals and before figures.
pub fn words(name: &str) -> Vec<String> {
    let name = name.split(['[', '(']).next().unwrap_or(name);
    let mut words: Vec<String> = Vec::new();
    let mut before = ' ';
    for c in name.chars() {
        let starts = (c.is_uppercase() && before.is_lowercase()) || (c.is_numeric() != before.is_numeric());
        if c.is_alphanumeric() {
            match words.last_mut() {
                Some(word) if before.is_alphanumeric() && !starts => word.extend(c.to_lowercase()),
                _ => words.push(c.to_lowercase().collect()),
            }
        }
        before = c;
    }
    words
}

/// What a name must have, may have and must not have, to be a channel.
struct Rule {
    channel: &'static str,
    /// One word of each of these groups.
    all: &'static [&'static [&'static str]],
    /// Words that make it likelier.
    more: &'static [&'static str],
    /// Words that speak against it.
    not: &'static [&'static str],
}

const fn rule(
    channel: &'static str,
    all: &'static [&'static [&'static str]],
    more: &'static [&'static str],
    not: &'static [&'static str],
) -> Rule {
    Rule { channel, all, more, not }
}

const ACCEL: &[&str] = &["acc", "accel", "acceleration", "g", "gforce", "force", "a"];
const TEMPERATURE: &[&str] = &["temp", "temperature", "t"];
const PRESSURE: &[&str] = &["press", "pressure", "p"];
const OUTSIDE: &[&str] = &["ambient", "amb", "air", "outside", "track"];
const NO_SPEED: &[&str] = &[
    "air",
    "wind",
    "wheel",
    "engine",
    "rpm",
    "pitot",
    "fl",
    "fr",
    "rl",
    "rr",
    "lf",
    "rf",
    "lr",
    "acc",
    "accel",
    "acceleration",
    "g",
    "force",
    "limit",
    "target",
    "damper",
    "angle",
    "rate",
];
const NO_AIR: &[&str] = &["intake", "inlet", "manifold", "tyre", "tire", "brake", "oil", "water", "box", "boost"];

const RULES: &[Rule] = &[
    rule("speed", &[&["speed", "velocity", "v"]], &["ground", "gps", "vehicle", "car", "gnss"], NO_SPEED),
    rule("air_speed", &[&["air", "pitot", "airspeed"], &["speed", "velocity", "v", "pitot", "airspeed"]], &[], NO_AIR),
    rule("accel_x", &[ACCEL, &["x", "long", "longitudinal"]], &["acceleration", "accel"], &["brake"]),
    rule("accel_y", &[ACCEL, &["y", "lat", "lateral"]], &["acceleration", "accel"], &[]),
    rule("accel_z", &[ACCEL, &["z", "vert", "vertical"]], &["acceleration", "accel"], &[]),
    rule("steering", &[&["steer", "steering"]], &["angle", "wheel"], &["torque", "rate", "speed", "force", "pressure"]),
    rule("course", &[&["course", "heading", "bearing"]], &["gps", "ground"], &["error", "rate"]),
    rule("grade", &[&["grade", "slope", "gradient"]], &["road"], &[]),
    rule("altitude", &[&["altitude", "alt", "elevation"]], &["gps"], &[]),
    rule("throttle", &[&["throttle", "tps"]], &["position"], &["blade", "2"]),
    rule("brake_pressure", &[&["brake", "brk"], PRESSURE], &["front", "f"], &["rear", "r", "temp"]),
    rule("clutch", &[&["clutch"]], &["pedal", "position"], &["pressure", "temp", "temperature", "slip"]),
    rule("gear", &[&["gear"]], &["engaged", "position"], &["temp", "temperature", "pressure", "oil", "box", "voltage"]),
    rule(
        "engine_speed",
        &[&["rpm", "engine", "revs"]],
        &["speed", "rpm"],
        &["temp", "temperature", "pressure", "oil", "torque", "power", "limit"],
    ),
    rule("shaft_torque", &[&["torque"], &["shaft", "prop", "propshaft", "driveshaft"]], &[], &["wheel"]),
    rule("air_temperature", &[OUTSIDE, TEMPERATURE], &["ambient"], NO_AIR),
    rule(
        "air_pressure",
        &[&["ambient", "amb", "air", "baro", "barometric", "atmospheric"], &["press", "pressure", "p", "baro"]],
        &["baro"],
        NO_AIR,
    ),
    rule("humidity", &[&["humidity", "rh"]], &["relative"], &[]),
    rule("fuel_used", &[&["fuel"], &["used", "burnt", "consumed"]], &[], &["pressure", "lap"]),
    rule("ride_height_front", &[&["ride", "rh"], &["front", "f"]], &["height"], &["left", "right", "l", "r"]),
    rule("ride_height_rear", &[&["ride", "rh"], &["rear", "r"]], &["height"], &["left", "right", "l", "f", "front"]),
];

/// Rules for each corner; the corner itself is looked for apart.
const CORNER_RULES: &[Rule] = &[
    rule(
        "damper_",
        &[&["damper", "shock", "susp", "suspension", "d", "dp"]],
        &["travel", "pos", "position", "pot"],
        &["speed", "velocity", "force", "load", "temp"],
    ),
    rule("load_", &[&["load", "loadcell"]], &["wheel", "cell", "vertical"], &["pushrod", "push", "damper", "spring"]),
    rule("wheel_torque_", &[&["torque"]], &["wheel", "drive"], &["brake", "steering"]),
];

const CORNERS: &[(&str, [&str; 2], [&str; 2])] = &[
    ("fl", ["fl", "lf"], ["front", "left"]),
    ("fr", ["fr", "rf"], ["front", "right"]),
    ("rl", ["rl", "lr"], ["rear", "left"]),
    ("rr", ["rr", "rr"], ["rear", "right"]),
];

/// The canonical channel that a name most likely means, with a score: the higher the likelier.
pub fn channel(name: &str) -> Option<(&'static Channel, i32)> {
    let words = words(name);
    let has = |w: &str| words.iter().any(|x| x == w);
    let corner = CORNERS.iter().find(|(_, short, long)| short.iter().any(|s| has(s)) || long.iter().all(|l| has(l)));
    let score = |rule: &Rule| {
        let all = rule.all.iter().all(|group| group.iter().any(|w| has(w)));
        if !all || rule.not.iter().any(|w| has(w)) {
            return None;
        }
        // A letter for a word is a weak sign; words that nobody asked for make it weaker.
        let whole = words.iter().filter(|w| w.len() > 1 && rule.all.iter().any(|g| g.contains(&w.as_str()))).count();
        let more = words.iter().filter(|w| rule.more.contains(&w.as_str())).count();
        Some(4 * whole as i32 + 2 * more as i32 - words.len() as i32)
    };
    let plain = RULES.iter().filter_map(|r| Some((r.channel.to_owned(), score(r)?)));
    let cornered = CORNER_RULES.iter().filter_map(|r| Some((format!("{}{}", r.channel, corner?.0), score(r)?)));
    let (name, score) = plain.chain(cornered).max_by_key(|(_, score)| *score)?;
    CHANNELS.iter().find(|c| c.name == name).map(|c| (c, score))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_split_into_words() {
        assert_eq!(words("Damper FL"), ["damper", "fl"]);
        assert_eq!(words("GroundSpeed_kmh [km/h]"), ["ground", "speed", "kmh"]);
        assert_eq!(words("p_brake2"), ["p", "brake", "2"]);
    }

    #[test]
    fn the_words_of_the_trade() {
        let cases = [
            ("Ground Speed", "speed"),
            ("Speed", "speed"),
            ("GPS Speed", "speed"),
            ("v", "speed"),
            ("v_air", "air_speed"),
            ("Pitot Speed", "air_speed"),
            ("Accel Long", "accel_x"),
            ("G Lat", "accel_y"),
            ("a_vert", "accel_z"),
            ("Steering Angle", "steering"),
            ("steer", "steering"),
            ("Heading", "course"),
            ("TPS", "throttle"),
            ("Brake Pressure Front", "brake_pressure"),
            ("p_brake", "brake_pressure"),
            ("Engine RPM", "engine_speed"),
            ("d_fl", "damper_fl"),
            ("Damper Travel RR", "damper_rr"),
            ("Susp Pos Rear Left", "damper_rl"),
            ("Wheel Load FR", "load_fr"),
            ("Wheel Torque RL", "wheel_torque_rl"),
            ("Driveshaft Torque", "shaft_torque"),
            ("Ambient Temp", "air_temperature"),
            ("Barometric Pressure", "air_pressure"),
            ("Fuel Used", "fuel_used"),
            ("Fuel Burnt", "fuel_used"),
            ("Ride Height F", "ride_height_front"),
            ("Ride Height Rear", "ride_height_rear"),
        ];
        for (name, expected) in cases {
            assert_eq!(channel(name).map(|c| c.0.name), Some(expected), "{name}");
        }
        for other in ["Lap", "Oil Temperature", "Wheel Speed FL", "Steering Torque", "Tyre Pressure FL", "Battery"] {
            assert!(channel(other).is_none(), "{other}: {:?}", channel(other));
        }
    }

    #[test]
    fn every_rule_names_a_channel() {
        for rule in RULES {
            assert!(crate::channels::find(rule.channel).is_some(), "{}", rule.channel);
        }
        for rule in CORNER_RULES {
            assert!(crate::channels::find(&format!("{}fl", rule.channel)).is_some(), "{}", rule.channel);
        }
    }
}
