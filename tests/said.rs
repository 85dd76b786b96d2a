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
