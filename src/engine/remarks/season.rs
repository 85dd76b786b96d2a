//! What the season's stages found odd, in words.

use std::collections::{BTreeMap, BTreeSet};

use super::first_of;
use crate::numerics::shown::with_half;
use crate::stages::season::SeasonTables;
use crate::stages::season::air_speed::Unlike;
use crate::stages::season::cross_check;
use crate::stages::season::fit::Wind;
use crate::stages::season::fit::drift::Drift;
use crate::stages::season::fit::rows::LEFT_OUT;
use crate::stages::window::Window;
use crate::table::flags::{BELOW_ZERO, MOSTLY_OUTLIERS, SESSIONS_AT_ODDS, SESSIONS_CONTRADICT, meaning};
use crate::table::rows::FitRow;

/// What the season's stages found odd about single logs and sessions, in words.
pub(in crate::engine) fn of_season(tables: &SeasonTables) -> Vec<String> {
    // What is said of several is said once.
    let mut alike: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    tables.odd_logs.iter().for_each(|(log, says)| alike.entry(says).or_default().push(format!("`{log}`")));
    let mut logs: Vec<(Vec<String>, &str)> = alike.into_iter().map(|(says, logs)| (logs, says)).collect();
    logs.sort();
    let logs = logs.into_iter().map(|(logs, says)| {
        let which = if logs.len() == 1 { "log" } else { "logs" };
        format!("{which} {}: {says}", first_of(&logs))
    });
    let out = tables.agreement.iter().filter(|row| row.verdict == LEFT_OUT);
    let sessions = out.map(|row| {
        let (quantity, session) = (row.quantity.replace('_', " "), row.session.as_str());
        format!("session `{}`, `{session}` is left out of {quantity}: {}", row.event, row.suspicion)
    });
    let second = cross_check::in_words(&tables.cross_checks, &tables.regressors);
    logs.chain(sessions)
        .chain(FIGURES_TO_LOOK_AT.into_iter().flat_map(|(flag, is)| of_figures(&tables.fits, flag, is)))
        .chain(still_air(tables))
        .chain(seasons(tables))
        .chain(air_speed(tables))
        .chain(without_course(tables))
        .chain(drifting(tables))
        .chain(at_odds(&tables.fits))
        .chain(second)
        .collect()
}

/// An air speed that does not go with the speed over ground.
fn air_speed(tables: &SeasonTables) -> Option<String> {
    let found = match tables.model.as_ref()?.air_speed? {
        Unlike::Reads(found) => found,
        Unlike::Indicated(_) => {
            return Some(
                "the measured air speed follows the root of the air's density from session to session, as one does that the \
                 logger makes of a pressure and one fixed density: an indicated air speed, which counts the density twice. Have \
                 the logger write the true air speed; until then forces are wrong by what the density is off"
                    .to_owned(),
            );
        }
    };
    let (way, too) = if found.ratio > 1.0 { ("more", "small") } else { ("less", "large") };
    Some(format!(
        "the measured air speed reads {} times what the speed over ground and the wind of each session give, at the reference \
         speed: if it is the tube that reads {way} than the air is, all forces come out too {too} by twice that; calibrate it \
         on a straight driven both ways, or look at the unit and scale of either speed",
        with_half(found.ratio, found.half)
    ))
}

/// Logs of which no wind can be told, where the fit is to find it.
fn without_course(tables: &SeasonTables) -> Option<String> {
    let options = tables.model.as_ref()?.options.as_ref()?;
    let counts = |w: &&Window| options.takes(w.kind);
    let without = tables.windows.iter().filter(counts).filter(|w| w.course.is_none() && !w.air_speed_measured);
    let mut logs: Vec<String> = without.map(|w| format!("`{}`", w.log)).collect();
    logs.dedup();
    (options.wind == Wind::Estimate && !logs.is_empty()).then(|| {
        let (which, have) = if logs.len() == 1 { ("log", "has") } else { ("logs", "have") };
        format!(
            "{which} {} {have} no course, so that `wind: estimate` finds no wind for {}: still air is taken, and in wind the \
             forces are wrong by more than their intervals",
            first_of(&logs),
            if logs.len() == 1 { "it" } else { "them" }
        )
    })
}

/// Quantities whose sensors drift through the outings.
fn drifting(tables: &SeasonTables) -> Vec<String> {
    let Some(fit) = &tables.model else { return Vec::new() };
    let said = |d: &Drift| {
        let name = |of: Option<&String>| of.map_or(String::new(), |n| n.replace('_', " "));
        let configuration = fit.evidence.configurations.get(d.configuration).map_or("", |c| c.name.as_str());
        let way = if d.share > 0.0 { "more" } else { "less" };
        let (whose, remedy) = if d.alone {
            (
                format!("in the outings of `{configuration}` and not so in the others"),
                "look at its logs; `drift` let in, one for all, is no remedy",
            )
        } else {
            ("through all outings".to_owned(), "`let_in: [coasting, drift]` takes it out; zero sensors warm")
        };
        format!(
            "{} drifts {whose}, by {:.2} {} a minute, which looks like {:.1} % {way} of it for `{configuration}`: sensors, \
             tyres or oil that warm up? {remedy}",
            name(fit.quantities.get(d.quantity)),
            d.per_minute,
            tables.units.get(d.quantity).map_or("", String::as_str),
            100.0 * d.share.abs()
        )
    };
    tables.drifts.iter().map(said).collect()
}

/// Seasons that the history could not be held against.
fn seasons(tables: &SeasonTables) -> impl Iterator<Item = String> {
    let without = tables.history.iter().filter(|row| row.configuration.is_empty());
    without.map(|row| format!("history: season `{}` is left out: {}", row.of_season, row.why))
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
const FIGURES_TO_LOOK_AT: [(&str, &str); 3] =
    [(BELOW_ZERO, "is below zero"), (MOSTLY_OUTLIERS, "rests on few windows"), (SESSIONS_CONTRADICT, "is in doubt")];

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
