//! `parts`, `predict` and `rank` in a pipeline: what is refused before any log is opened, and the command line.

use std::path::Path;

use assert_cmd::Command;
use squarelaw::plan::Plan;

use crate::definitions::{Folder, PIPELINE, RUNS};

/// The faults of a pipeline whose last line is replaced.
fn faults(stages: &str, runs: &str) -> String {
    let folder = Folder::new();
    folder.write("season.yaml", PIPELINE.replace("  - compare: { against: base }\n", stages));
    folder.write("runs.csv", runs);
    let text = Plan::new(folder.read().unwrap()).expect_err("faults").to_string();
    text.replace(&format!("{}/", folder.path().display()), "")
}

#[test]
fn a_part_nobody_ran_is_refused_with_the_nearest_name() {
    let text = faults("  - parts: { interactions: [[lip, stripp]] }\n", RUNS);
    assert!(text.contains("no run has the part `stripp`") && text.contains("did you mean `strip`?"), "{text}");
    assert!(text.contains("season.yaml:19:35"), "{text}");
    let text = faults("  - parts: { interactions: [[lip, lip], [lip], [lip, strip], [strip, lip]] }\n", RUNS);
    assert!(text.contains("`lip` with itself is no interaction"), "{text}");
    assert!(text.contains("an interaction is a pair"), "{text}");
    assert!(text.contains("this interaction is named twice"), "{text}");
}

#[test]
fn the_order_of_stages_is_held() {
    let text = faults("  - predict: { list: [{ name: a, parts: [lip] }] }\n  - parts: {}\n", RUNS);
    assert!(text.contains("stage `predict` needs what `parts` finds"), "{text}");
    let text = faults("  - rank: {}\n", RUNS);
    assert!(text.contains("stage `rank` needs what `parts` finds"), "{text}");
}

#[test]
fn predictions_that_contradict_themselves_are_refused() {
    let list = "  - parts: {}\n  - predict:\n      list:\n        - { name: a, parts: [lop], wing_position: 3, balance: 42 % }\n        - { name: a, balance: 142 % }\n";
    let text = faults(list, RUNS);
    for words in [
        "no run has the part `lop`",
        "`wing_position` and `balance` exclude each other",
        "`a` is named twice",
        "a balance is a share of the downforce",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn too_many_combinations_are_refused() {
    let header = RUNS.lines().next().unwrap();
    let parts: Vec<String> = (0..13).map(|i| format!("p{i}")).collect();
    let runs = format!("{header}\na.csv,,,Event 1,Friday,all,{},4,40 kg,21,1009 hPa,45 %,,\n", parts.join("+"));
    let text = faults("  - parts: {}\n  - rank: {}\n", &runs);
    assert!(text.contains("13 parts make 8192 combinations at every wing position: more than 2^12"), "{text}");
    let some = "  - parts: {}\n  - rank: { parts: [p0, p1, p12] }\n";
    // The folder's layout has faults of its own; naming fewer parts takes this one away.
    assert!(!faults(some, &runs).contains("combinations"));
}

fn predict(arguments: &[&str]) -> (Option<i32>, String, String) {
    let pipeline = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines/next-event.yaml");
    let output = Command::cargo_bin("squarelaw")
        .unwrap()
        .arg("-q")
        .arg("predict")
        .arg(pipeline)
        .args(arguments)
        .output()
        .unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

#[test]
fn wrong_words_on_the_command_line_are_named() {
    let (code, _, said) = predict(&["--parts", "spliter_extension"]);
    assert_eq!(code, Some(2));
    assert!(said.contains("no run has the part `spliter_extension`; did you mean `splitter_extension`?"), "{said}");
    for (arguments, words) in [
        (["--balance", "142%"], "`142%` is no share of the downforce"),
        (["--speed", "180"], "`180` has no unit"),
        (["--speed", "180 kg"], "`kg` is a unit of mass"),
    ] {
        let (code, _, said) = predict(&arguments);
        assert_eq!(code, Some(2));
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[test]
fn a_balance_out_of_reach_is_an_answer() {
    let (code, said, _) = predict(&["--parts", "gurney_strip", "--balance", "50 %"]);
    assert_eq!(code, Some(0));
    assert!(said.contains("no wing position gives a balance of 50.00 %: those that ran go from"), "{said}");
    let (code, said, _) =
        predict(&["--parts", "splitter_extension,gurney_strip", "--balance", "42 %", "--speed", "300 km/h"]);
    assert_eq!(code, Some(0));
    for words in
        ["wing position for that balance: ", "note: this combination never ran", "300 km/h lies outside of the windows"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
}
