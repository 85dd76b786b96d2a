//! What can be said of a pipeline without its stages: names and units. The stages check themselves.

use super::Findings;
use crate::config::pipeline::Pipeline;
use crate::located::Located;
use crate::stages::{SeasonStep, WindowStep};
use crate::units::{self, Dimension};

/// Checks the head of a pipeline.
pub fn check(pipeline: &Pipeline, f: &mut Findings) {
    season(&pipeline.season, f);
    tyres(pipeline, f);
    for (what, path) in [("`car`", &pipeline.car), ("`run_sheet`", &pipeline.run_sheet), ("`tables`", &pipeline.tables)]
    {
        if path.trim().is_empty() {
            f.fault(path.spot, format!("{what} is empty"), "expected a path, relative to this file");
        }
    }
    for (what, text, dimension) in
        [("force", &pipeline.show.force, Dimension::Force), ("speed", &pipeline.show.speed, Dimension::Speed)]
    {
        if let Err(e) = units::unit_of(text, dimension) {
            f.fault(text.spot, format!("wrong unit of {what}"), e.to_string());
        }
    }
}

/// Tyre loads need evidence: what the logs reached, or a speed.
fn tyres(pipeline: &Pipeline, f: &mut Findings) {
    let peaks = pipeline.windows.iter().any(|w| matches!(w.value, WindowStep::Peaks(_)));
    for step in &pipeline.season_wide {
        if let SeasonStep::Tyres(tyres) = &step.value
            && tyres.at.is_none()
            && !peaks
        {
            let label = "add the window stage `peaks`, or give it a speed with `at`";
            f.fault(step.spot, "stage `tyres` has no speed or load to look at", label);
        }
    }
}

/// The season names a folder, `season=…`, that every reader of the tables must take apart again.
fn season(name: &Located<String>, f: &mut Findings) {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ');
    if !f.not_empty("`season`", name) {
        return;
    }
    if let Some(c) = name.chars().find(|c| !plain(*c)) {
        f.fault(
            name.spot,
            format!("`season` holds `{c}`, which can't stand in the name of a folder"),
            "expected letters, digits, space, `-`, `_` and `.`",
        );
    } else if name.trim() != name.as_str() || name.starts_with('.') {
        f.fault(name.spot, "`season` starts or ends with a space or starts with a dot", "expected a plain name");
    }
}
