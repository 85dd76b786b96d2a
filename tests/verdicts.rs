//! `expected`, `limits`, `tyres`, `energy` and `history` in a pipeline: what is refused before any log is opened.

use squarelaw::plan::Plan;

use crate::definitions::{CAR, Folder, LAYOUT, PIPELINE, RUNS};

/// The faults of a pipeline that ends with these stages, file by file; of a sound one none.
fn faults(stages: &str, files: &[(&str, String)]) -> String {
    let folder = Folder::new();
    // Every channel that the stages before ask for, so that only the last ones can be at fault.
    let more = ["damper_fr", "damper_rl", "damper_rr", "accel_x", "accel_y", "steering"];
    let channels: String = more.iter().map(|c| format!("  {c}: {{ column: {c} }}\n")).collect();
    folder.write("plain.layout.yaml", LAYOUT.to_owned() + &channels);
    folder.write("season.yaml", PIPELINE.replace("  - compare: { against: base }\n", stages));
    for (name, text) in files {
        folder.write(name, text);
    }
    let found = match folder.read() {
        Ok(definitions) => Plan::new(definitions).err().map(|i| i.to_string()).unwrap_or_default(),
        Err(issues) => issues.to_string(),
    };
    found.replace(&format!("{}/", folder.path().display()), "")
}

fn said(text: &str, words: &[&str]) {
    for w in words {
        assert!(text.contains(w), "`{w}` in:\n{text}");
    }
}

#[test]
fn sound_stages_pass() {
    let stages = "  - expected: { figures: [{ configuration: base, quantity: downforce, value: 1.2 m2 }] }\n  - limits: { keep: [{ quantity: balance, at_least: 38 %, at: 160 km/h }] }\n  - tyres: { at: 250 km/h }\n  - history: {}\n";
    assert_eq!(faults(stages, &[]), "");
}

#[test]
fn a_fit_of_nothing_or_of_one_thing_twice_is_refused() {
    let fit = |rest: &str| {
        let line = "  - fit: { quantities: [front_downforce, rear_downforce], at: 160 km/h }";
        assert!(PIPELINE.contains(line));
        faults("", &[("season.yaml", PIPELINE.replace("  - compare: { against: base }\n", "").replace(line, rest))])
    };
    assert_eq!(fit("  - fit: { quantities: [front_downforce], at: 160 km/h, windows: [steady] }"), "");
    let twice = fit("  - fit: { quantities: [front_downforce, front_downforce], at: 160 km/h }");
    said(&twice, &["`fit` names `front_downforce` twice", "season.yaml:18:"]);
    let none = fit("  - fit: { quantities: [front_downforce], at: 160 km/h, windows: [straight] }");
    said(&none, &["no window stage makes `straight` windows", "add the window stage `straight`", "season.yaml:18:"]);
    let some = fit("  - fit: { quantities: [front_downforce], at: 160 km/h, windows: [steady, coastdown] }");
    said(&some, &["no window stage makes `coastdown` windows"]);
}

#[test]
fn expected_figures_are_held_to_sense_where_they_stand() {
    let figures = "configuration,part,quantity,value,at,density\nbasse,,drag,640 N,160 km/h,1.2 kg/m3\nbase,,drag,640 N,,\nbase,lip,drag,1 m2,,\nbase,,front_downforce,12 Pa,160 km/h,1.2 kg/m3\n";
    let stages = "  - expected:\n      file: figures.csv\n      figures:\n        - { part: lipp, quantity: drag, value: 0.01 m2 }\n        - { part: lip, quantity: drrag, value: 0.01 m2 }\n        - { part: lip, quantity: drag, value: 0.01 m2, uncertainty: 3 }\n";
    let text = faults(stages, &[("figures.csv", figures.to_owned())]);
    said(
        &text,
        &[
            "no run has `basse`",
            "figures.csv:2",
            "the figure needs `at` and `density`",
            "figures.csv:3",
            "a figure is for a `configuration` or for a `part`",
            "figures.csv:4",
            "wrong value of an expected figure",
            "`Pa` is a unit of pressure",
            "no run has `lipp`",
            "did you mean `lip`?",
            "unknown quantity `drrag`",
            "did you mean `drag`?",
            "wrong uncertainty of an expected figure",
        ],
    );
    let text = faults("  - expected: { file: nowhere.csv }\n", &[]);
    said(&text, &["the file of expected figures nowhere.csv does not exist"]);
    let text = faults("  - expected: {}\n", &[]);
    said(&text, &["`expected` has no figures"]);
    let twice = "  - expected:\n      figures:\n        - { configuration: base, quantity: drag, value: 1 m2 }\n        - { configuration: base, quantity: drag, value: 2 m2 }\n";
    said(&faults(twice, &[]), &["`base` has two figures for `drag`"]);
}

#[test]
fn limits_are_held_to_sense() {
    let stages = "  - limits:\n      keep:\n        - { quantity: balance, at: 160 km/h }\n        - { quantity: balance, at_least: 40 N, at: 160 km/h }\n        - { quantity: cooler_dop, at_least: 4 Pa, at: 160 km/h }\n        - { quantity: balance, at_least: 40 %, at: 1600 km/h }\n";
    said(
        &faults(stages, &[]),
        &[
            "a limit has either `at_least` or `at_most`",
            "wrong limit of `balance`",
            "needs channel `cooler_dop`",
            "did you mean `cooler_drop`?",
            "a speed that no car drives",
        ],
    );
}

#[test]
fn tyres_need_their_marking_and_something_to_look_at() {
    let text = faults("  - tyres: {}\n", &[]);
    said(&text, &["stage `tyres` has no speed or load to look at", "add the window stage `peaks`"]);
    let bare = CAR.split("tyres:").next().unwrap().to_owned();
    let text = faults("  - tyres: { at: 250 km/h }\n", &[("car.yaml", bare)]);
    said(&text, &["stage `tyres` needs `tyres` in the car file", "racing tyres may carry none"]);
    let text = faults("  - tyres: { at: 250 km/h, margin: 110 % }\n", &[]);
    said(&text, &["a margin is a share of the rating"]);
}

#[test]
fn the_order_of_stages_is_held() {
    let before = PIPELINE.split("season_wide:").next().unwrap().to_owned();
    for stage in ["expected", "limits", "tyres", "energy", "history"] {
        let options = match stage {
            "expected" => "{ figures: [{ configuration: base, quantity: drag, value: 1 m2 }] }",
            "limits" => "{ keep: [{ quantity: balance, at_least: 38 %, at: 160 km/h }] }",
            "tyres" => "{ at: 250 km/h }",
            _ => "{}",
        };
        let text = format!("{before}season_wide:\n  - {stage}: {options}\n");
        said(&faults("", &[("season.yaml", text)]), &[&format!("stage `{stage}` needs what `fit` finds")]);
    }
}

#[test]
fn a_day_is_a_day() {
    let (head, rest) = RUNS.split_once('\n').unwrap();
    let rows: Vec<&str> = rest.lines().collect();
    let dates = ["2031-05-17", "17.5.2031", "2031-02-30"];
    let text: String = rows.iter().zip(dates).map(|(r, d)| format!("{r},{d}\n")).collect();
    let text = faults("  - history: {}\n", &[("runs.csv", format!("{head},date\n{text}"))]);
    said(&text, &["`17.5.2031` is no date", "`2031-02-30` is no date", "expected ISO 8601, for example 2031-05-17"]);
    assert!(!text.contains("`2031-05-17` is no date"));
}
