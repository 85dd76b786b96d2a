//! What a night warns of, for somebody has to look at it, though every log was used.

use std::fs;

use squarelaw::table::rows::LogRow;

use crate::season_kit::Season;

/// The run sheet of a season, changed line by line.
fn sheet(season: &Season, change: impl Fn(&str) -> String) {
    let path = season.path().join("runs.csv");
    let text = fs::read_to_string(&path).unwrap();
    let lines: Vec<String> = text.lines().map(change).collect();
    fs::write(&path, lines.join("\n") + "\n").unwrap();
}

#[test]
fn still_air_beside_a_run_sheet_that_names_wind() {
    let season = Season::new();
    let words = "takes still air, but the run sheet names wind of up to";
    assert!(!season.run(&["--quiet"]).expect(0).said().contains(words));
    season.edit("pipeline.yaml", ", wind: estimate", "");
    let said = season.run(&["--quiet"]).expect(0).said();
    assert!(said.contains(words), "{said}");
}

#[test]
fn a_session_of_two_places() {
    let season = Season::new();
    sheet(&season, |line| if line.starts_with("e01-s1-o2") { line.replace(",12,", ",512,") } else { line.to_owned() });
    let said = season.run(&["--quiet"]).expect(0).said();
    assert!(said.contains("has altitudes of 12 m (line 2) and 512 m (line 3)"), "{said}");
}

#[test]
fn a_car_that_becomes_another_while_it_drives() {
    let season = Season::new();
    sheet(&season, |line| match line {
        _ if line.starts_with("log,") => format!("{line},from [s],to [s]"),
        _ if line.starts_with("e01-s1-o1") => {
            let other = line.replace(",base,", ",other,").replace(",3,", ",4,");
            format!("{line},0,40\n{other},40,")
        }
        _ => format!("{line},,"),
    });
    let said = season.run(&["--quiet"]).expect(0).said();
    assert!(
        said.contains("log `e01-s1-o1.csv`: by the run sheet the configuration changes while the car drives"),
        "{said}"
    );
}

/// Straight by straight the speeds of two laps are alike, and one quantity agrees by chance often enough.
#[test]
fn laps_that_are_alike_are_no_copies_however_few_quantities_are_fitted() {
    let season = Season::new();
    season.edit(
        "pipeline.yaml",
        "windows:\n",
        "windows:\n  - straight: { speed: 80..260 km/h, lateral: 0.08 g, steering: 4 deg }\n",
    );
    for quantity in ["rear_downforce", "radiator_pressure_drop"] {
        let text = fs::read_to_string(season.path().join("pipeline.yaml")).unwrap();
        let from = text.find("quantities: [").unwrap();
        let to = from + text[from..].find(']').unwrap();
        let changed = format!("{}quantities: [{quantity}{}", &text[..from], &text[to..]);
        fs::write(season.path().join("pipeline.yaml"), changed).unwrap();
        season.run(&[]).expect(0);
        assert!(season.rows::<LogRow>().iter().all(|log| log.status == "used"), "{quantity}");
    }
}

/// Every log of a season by its lines behind names and units, cell by cell.
fn rewrite(season: &Season, change: impl Fn(&[String], &mut Vec<Vec<String>>)) {
    for log in season.logs().iter().filter(|log| log.ends_with(".csv")) {
        let text = fs::read_to_string(season.log(log)).unwrap();
        let separator = if text.lines().next().unwrap().contains(';') { ";" } else { "," };
        let cells = |line: &str| line.split(separator).map(str::to_owned).collect::<Vec<_>>();
        let head: Vec<&str> = text.lines().take(2).collect();
        let mut rows: Vec<Vec<String>> = text.lines().skip(2).map(cells).collect();
        change(&cells(head[0]), &mut rows);
        let rows: Vec<String> = rows.iter().map(|r| r.join(separator)).collect();
        fs::write(season.log(log), format!("{}\n{}\n", head.join("\n"), rows.join("\n"))).unwrap();
    }
}

#[test]
fn springs_and_torque_that_are_not_the_cars() {
    let said = |from: &str, to: &str| {
        let season = Season::new();
        season.edit("car.yaml", from, to);
        season.run(&["--quiet"]).expect(0).said()
    };
    assert_eq!(Season::new().run(&["--quiet"]).expect(0).said(), "");
    let front = "move far more or less load onto the front axle";
    // 120 and 105 N/mm in lb/in: both axles alike, so that their frequencies say nothing.
    let both = said(
        "front: { rate: 120 N/mm }\n  rear: { rate: 105 N/mm }",
        "front: { rate: 685 N/mm }\n  rear: { rate: 600 N/mm }",
    );
    assert!(both.contains(front) && both.contains("load onto the rear axle"), "{both}");
    let ratios = said("{ front: 0.72, rear: 0.78 }", "{ front: 1.39, rear: 1.28 }");
    assert!(ratios.contains(front), "{ratios}");
    // Less than each log can be sure of, and the same in all.
    let squared = said("{ front: 0.72, rear: 0.78 }", "{ front: 0.52, rear: 0.61 }");
    assert!(squared.contains("in 6 logs braking and accelerating move 0.7"), "{squared}");
    let heavier = said("rear: 310 mm }", "rear: 355 mm }");
    assert!(heavier.contains("logs the torque at the wheels asks for a car of 0.8"), "{heavier}");
    let radius = said("rear: 310 mm }", "rear: 255 mm }");
    assert!(radius.contains("the torque at the wheels asks for a car a sixth or more heavier or lighter"), "{radius}");
}

#[test]
fn a_season_in_which_nobody_brakes_is_not_held_against_its_car() {
    let season = Season::new();
    // What is left of every log drives on; time has gaps.
    rewrite(&season, |names, rows| {
        let at = names.iter().position(|n| n == "Accel Long").unwrap();
        rows.retain(|row| row[at].replace(',', ".").parse::<f64>().is_ok_and(|g| g.abs() < 0.04));
    });
    let said = season.run(&["--quiet"]).expect(0).said();
    assert!(said.contains("no log has enough braking and accelerating"), "{said}");
}

#[test]
fn sensors_that_speak_of_another_moment() {
    // Half a second at 20 samples a second.
    const LATE: usize = 10;
    let late = |sensor: &str| {
        let season = Season::new();
        rewrite(&season, |names, rows| {
            let before = rows.clone();
            for (i, row) in rows.iter_mut().enumerate() {
                for (cell, _) in names.iter().enumerate().filter(|(_, name)| name.contains(sensor)) {
                    row[cell].clone_from(&before[i.saturating_sub(LATE)][cell]);
                }
            }
        });
        season.run(&["--quiet"]).expect(0).said()
    };
    let loads = late("Damper");
    assert!(loads.contains("the load sensors tell braking and accelerating some tenths of a second"), "{loads}");
    let torque = late("Torque");
    assert!(torque.contains("the torque changes some tenths of a second"), "{torque}");
}
