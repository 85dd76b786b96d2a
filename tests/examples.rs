//! `pipelines/EXAMPLES.md` is held to the program: every block of output between the markers
//! `<!-- made by tests: NAME -->` and `<!-- end -->` is made anew and compared exactly. With the environment
//! variable SQUARELAW_REWRITE=1 the test rewrites the file instead.

mod stages;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use squarelaw::table::rows::FORCE_CAUTION;

/// An example: its name, and what makes its text.
type Example = (&'static str, fn() -> String);

const EXAMPLES: &[Example] = &[
    ("next-event", || run_pipeline("next-event.yaml")),
    ("season-check", || run_pipeline("season-check.yaml")),
    ("predict-ran", || predict("splitter_extension", &["--wing", "3"])),
    ("predict-never-ran", || predict("splitter_extension,gurney_strip", &["--wing", "8", "--speed", "300 km/h"])),
    ("predict-balance", || predict("splitter_extension,sealed_opening", &["--balance", "44 %", "--speed", "180 km/h"])),
    ("predict-out-of-reach", || predict("gurney_strip", &["--balance", "50 %"])),
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn output(arguments: &[&str]) -> String {
    let done =
        Command::new(env!("CARGO_BIN_EXE_squarelaw")).current_dir(root()).arg("-q").args(arguments).output().unwrap();
    // One log of the sample season is broken on purpose, and nothing else wants a look.
    let said = String::from_utf8_lossy(&done.stderr);
    let broken = |line: &str| line.starts_with(" WARN set aside: ") && line.ends_with("reason=\"truncated\"");
    assert!(said.lines().count() <= 1 && said.lines().all(broken), "{arguments:?}: {said}");
    String::from_utf8(done.stdout).unwrap()
}

fn predict(parts: &str, more: &[&str]) -> String {
    let mut arguments = vec!["predict", "pipelines/next-event.yaml", "--parts", parts];
    arguments.extend(more);
    output(&arguments)
}

/// What `squarelaw run` says at its end, without the place of the tables. A copy of the pipeline runs, so that the
/// tables go to a folder of the test's own.
fn run_pipeline(name: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let text = fs::read_to_string(root().join("pipelines").join(name)).unwrap();
    let tables = text.lines().find(|l| l.starts_with("tables: ")).unwrap().to_owned();
    let text = text
        .replace(&tables, &format!("tables: {}", folder.path().join("out").display()))
        .replace("../", &format!("{}/", root().display()));
    let pipeline = folder.path().join(name);
    fs::write(&pipeline, text).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_squarelaw")).arg("run").arg(&pipeline).output().unwrap();
    // One log of the sample season is broken on purpose.
    assert_eq!(done.status.code(), Some(3), "{}", String::from_utf8_lossy(&done.stderr));
    let said = String::from_utf8(done.stdout).unwrap();
    assert_eq!(said.matches(FORCE_CAUTION).count(), 1, "once, however many tables there are:\n{said}");
    said.lines().filter(|l| !l.starts_with("tables: ")).map(|l| format!("{l}\n")).collect()
}

/// The text with the block of one name replaced.
fn with_block(text: &str, name: &str, made: &str) -> String {
    let start = format!("<!-- made by tests: {name} -->\n");
    let from = text.find(&start).unwrap_or_else(|| panic!("EXAMPLES.md has no block `{name}`")) + start.len();
    let end = from + text[from..].find("<!-- end -->").expect("the block's end");
    format!("{}```text\n{}\n```\n{}", &text[..from], made.trim_end(), &text[end..])
}

#[test]
fn examples_are_what_the_program_says() {
    let path: PathBuf = root().join("pipelines/EXAMPLES.md");
    let committed = fs::read_to_string(&path).unwrap();
    let mut text = committed.clone();
    for (name, make) in EXAMPLES {
        text = with_block(&text, name, &make());
    }
    assert_eq!(text.matches("<!-- made by tests: ").count(), EXAMPLES.len(), "a block that no test makes");
    if std::env::var_os("SQUARELAW_REWRITE").is_some() {
        fs::write(&path, text).unwrap();
        return;
    }
    for (old, new) in committed.lines().zip(text.lines()) {
        assert_eq!(old, new, "pipelines/EXAMPLES.md; SQUARELAW_REWRITE=1 makes it anew");
    }
    assert_eq!(committed, text);
}

/// The lines that the README shows stand in the worked examples too, which are held to the program.
#[test]
fn the_readme_shows_what_the_examples_show() {
    let text = |name: &str| std::fs::read_to_string(root().join(name)).unwrap();
    let (readme, examples) = (text("README.md"), text("pipelines/EXAMPLES.md"));
    let shown = readme.split("```\n").find(|block| block.starts_with("configuration ")).unwrap();
    assert!(shown.lines().count() == 3);
    for line in shown.lines() {
        assert!(examples.contains(line), "README.md shows what the program no longer says:\n{line}");
    }
}
