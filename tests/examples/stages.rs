//! `pipelines/STAGES.md` is held to the code: every stage, option and flag with what the source says of it. With
//! the environment variable SQUARELAW_REWRITE=1 the test rewrites the file instead.

use std::collections::BTreeSet;
use std::fs;

use serde_json::Value;
use squarelaw::cli::schemas::schema_files;
use squarelaw::stages::{LogStep, SeasonStep, WindowStep};
use squarelaw::table::flags::{About, FLAGS};
use squarelaw::table::rows;
use squarelaw::units::{Dimension, UNITS};

use super::root;

const HEAD: &str = "\
# Stages and flags

<!-- made by tests: SQUARELAW_REWRITE=1 cargo test --release --test all -- examples -->

Every stage that may stand in a pipeline, with its options, and every flag of the tables. An option without a default
must be given. Every value carries its unit; the section on units says which are known.
";

/// The tables that a stage fills.
const TABLES: &[(&str, &[&str])] = &[
    ("load", &["logs"]),
    ("steady", &["windows", "funnel"]),
    ("coastdown", &["windows", "funnel"]),
    ("straight", &["windows", "funnel"]),
    ("fit", &["fits", "configurations", "windows", "winds", "agreement", "regressors"]),
    ("compare", &["comparisons"]),
    ("cross_check", &["cross_checks", "regressors"]),
    ("parts", &["parts"]),
    ("predict", &["predictions"]),
    ("rank", &["combinations"]),
    ("expected", &["expected", "expected_scale"]),
    ("limits", &["limits"]),
    ("tyres", &["tyres"]),
    ("energy", &["energy"]),
    ("history", &["history"]),
];

/// The committed pipelines, from which examples of options are taken.
fn pipelines() -> Vec<String> {
    let mut files: Vec<_> = fs::read_dir(root().join("pipelines")).unwrap().map(|e| e.unwrap().path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e == "yaml"));
    files.sort();
    files.iter().map(|f| fs::read_to_string(f).unwrap()).collect()
}

/// The lines of one stage in a pipeline.
fn entry<'a>(pipeline: &'a str, stage: &str) -> Option<&'a str> {
    let from = pipeline.find(&format!("\n  - {stage}:"))? + 1;
    let body = &pipeline[from..];
    let mut end = body.find('\n').map_or(body.len(), |e| e + 1);
    for line in body[end..].split_inclusive('\n') {
        if !line.starts_with("    ") {
            break;
        }
        end += line.len();
    }
    Some(&body[..end])
}

/// Examples of what no committed pipeline uses and whose default says too little.
const INVENTED: &[(&str, &str)] = &[
    ("air.air_speed_from", "{ channel: radiator_pressure_drop }"),
    ("air.air_speed_from.channel", "radiator_pressure_drop"),
    ("fit.let_in", "[transfer, curvature]"),
    ("fit.windows", "[coastdown, straight]"),
    ("parts.interactions", "[[splitter_extension, dive_planes]]"),
    ("rank.downforce_at_least", "1700 N"),
    ("rank.efficiency_at_least", "2.4"),
    ("rank.parts", "[splitter_extension, gurney_strip]"),
    ("rank.rear_at_least", "900 N"),
    ("rank.wing_positions", "[3, 4, 5]"),
    ("expected.figures", "[{ configuration: base, quantity: drag, value: 700 N, at: 160 km/h, density: 1.225 kg/m3 }]"),
    ("expected.figures[].quantity", "drag"),
    ("expected.figures[].value", "700 N"),
    ("expected.figures[].at", "160 km/h"),
    ("expected.figures[].configuration", "base"),
    ("expected.figures[].density", "1.225 kg/m3"),
    ("expected.figures[].part", "gurney_strip"),
    ("expected.figures[].source", "tunnel, spring"),
    ("expected.figures[].uncertainty", "3 %"),
    ("limits.keep[].at_most", "46 %"),
    ("tyres.fuel", "60 kg"),
    ("energy.fuel", "40 kg"),
    ("history.seasons", "[\"2030\"]"),
];

/// The value that an option has in an entry: up to the comma, the bracket or the end of line that closes it; of a
/// list over several lines the first item.
fn value(entry: &str, option: &str) -> Option<String> {
    let key = format!("{option}:");
    let at = entry.match_indices(&key).map(|m| m.0).find(|at| entry[..*at].ends_with(' '))?;
    let rest = &entry[at + key.len()..];
    if let Some(items) = rest.strip_prefix('\n') {
        let first = items.lines().find_map(|l| l.trim_start().strip_prefix("- "))?;
        return Some(format!("[{first}]"));
    }
    let mut open = 0;
    let end = rest.find(|c| {
        open += i32::from(matches!(c, '[' | '{')) - i32::from(matches!(c, ']' | '}'));
        open < 0 || c == '\n' || (open == 0 && c == ',')
    });
    Some(rest[..end.unwrap_or(rest.len())].trim().to_owned())
}

/// The lines of an entry from an option on that stands on a line of its own.
fn block(entry: &str, option: &str) -> Option<String> {
    entry.find(&format!("\n      {option}:")).map(|at| entry[at + 1..].to_owned())
}

struct Page {
    /// The properties of a pipeline.
    kinds: Value,
    definitions: Value,
    pipelines: Vec<String>,
}

impl Page {
    /// The definition that a property refers to, itself or as the item of its list.
    fn definition(&self, property: &Value) -> Option<&Value> {
        let optional = property["anyOf"].as_array().and_then(|a| a.first());
        let holder = [Some(property), optional, property.get("items")].into_iter().flatten();
        let name = holder.filter_map(|h| h["$ref"].as_str()).next()?;
        self.definitions.get(name.rsplit('/').next()?)
    }

    fn meaning(&self, property: &Value) -> String {
        let mut text = flat(&property["description"]);
        let cases = self.definition(property).and_then(|d| d["oneOf"].as_array());
        for case in cases.into_iter().flatten() {
            let said = flat(&case["description"]);
            text += &format!("<br>`{}`: {said}", case["const"].as_str().expect("a plain choice"));
        }
        text.replace('|', "\\|")
    }

    /// An example of an option: as a committed pipeline has it, an invented one, the other choice, the default.
    fn example(&self, path: &[&str], property: &Value) -> Option<String> {
        let (stage, outer, option) = match path {
            [stage, option] => (stage, None, option),
            [stage, outer, option] => (stage, Some(outer), option),
            _ => return None,
        };
        let used = self.pipelines.iter().find_map(|p| {
            let entry = entry(p, stage)?;
            match outer {
                // Not what only an item of a list has.
                None => value(entry.split("- {").next()?, option).or_else(|| value(&block(entry, option)?, option)),
                Some(outer) => value(&entry[entry.find(&format!("{}:", outer.trim_end_matches("[]")))?..], option),
            }
        });
        let invented = || INVENTED.iter().find(|i| i.0 == path.join(".")).map(|i| i.1.to_owned());
        let definition = self.definition(property);
        let other = || {
            let cases = definition?["oneOf"].as_array()?.iter().filter_map(|c| c["const"].as_str());
            cases.into_iter().find(|c| property["default"] != **c).map(str::to_owned)
        };
        let usual = || Some(default(property)).filter(|d| d != "none").map(|d| d.replace('`', ""));
        let of_type = || definition?["examples"][0].as_str().map(str::to_owned);
        used.or_else(invented).or_else(other).or_else(usual).or_else(of_type)
    }

    /// The rows of a stage's options; those of a nested option or of an item of a list follow under its name.
    fn options(&self, path: &[&str], definition: &Value) -> String {
        let required: Vec<&str> =
            definition["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        let mut out = String::new();
        let Some(properties) = definition["properties"].as_object() else { return out };
        // What must be given goes first.
        let mut sorted: Vec<_> = properties.iter().collect();
        sorted.sort_by_key(|(name, _)| !required.contains(&name.as_str()));
        for (name, property) in sorted {
            let path = [path, &[name.as_str()]].concat();
            let default = if required.contains(&name.as_str()) { String::new() } else { default(property) };
            let example = self.example(&path, property).map_or(String::new(), |e| format!("`{e}`"));
            out += &format!("| `{}` | {} | {default} | {example} |\n", path[1..].join("."), self.meaning(property));
            if let Some(nested) = self.definition(property).filter(|d| d["properties"].is_object()) {
                let outer = if property["items"].is_object() { format!("{name}[]") } else { name.clone() };
                out += &self.options(&[path[0], &outer], nested);
            }
        }
        out
    }

    fn stages(&self, step: &str, key: &str, names: &[&str]) -> String {
        let mut out = format!("\n## `{key}`\n\n{}\n", flat(&self.kinds[key]["description"]));
        for name in names {
            let cases = self.definitions[step]["oneOf"].as_array().expect("the stages");
            let case = cases.iter().find(|c| c["properties"][name].is_object()).expect("a stage of the registry");
            let stage = self.definition(&case["properties"][name]).expect("its options");
            out += &format!("\n### `{name}`\n\n{}\n", paragraphs(&stage["description"]));
            let tables = TABLES.iter().find(|t| t.0 == *name).map_or(&[][..], |t| t.1);
            let link = |t: &&str| format!("[`{t}`](../schemas/tables/{t}.json)");
            if !tables.is_empty() {
                let word = if tables.len() == 1 { "Table" } else { "Tables" };
                out += &format!("\n{word}: {}.\n", tables.iter().map(link).collect::<Vec<_>>().join(", "));
            }
            let options = self.options(&[name], stage);
            if options.is_empty() {
                continue;
            }
            out += &format!("\n| option | meaning | default | example |\n| --- | --- | --- | --- |\n{options}");
        }
        out
    }

    fn units(&self) -> String {
        let mut out = "\n## Units\n\n| a value that is | example |\n| --- | --- |\n".to_owned();
        for definition in self.definitions.as_object().into_iter().flat_map(|d| d.values()) {
            if let Some(example) = definition["examples"][0].as_str() {
                out += &format!("| {} | `{example}` |\n", flat(&definition["description"]));
            }
        }
        // What no option of a stage is, but a value of a car file, a layout or a run sheet.
        for dimension in Dimension::ALL.iter().filter(|d| **d != Dimension::Ratio) {
            let said = dimension.with_article();
            let symbols: Vec<&str> = UNITS.iter().filter(|u| u.dimension == *dimension).map(|u| u.symbol).collect();
            if !out.contains(&format!("| {said}, with")) && !symbols.is_empty() {
                out +=
                    &format!("| {said}, with one of the units {} | `{}` |\n", symbols.join(", "), dimension.example());
            }
        }
        out
    }
}

/// A description on one line.
fn flat(text: &Value) -> String {
    text.as_str().unwrap_or_default().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A description with its paragraphs.
fn paragraphs(text: &Value) -> String {
    text.as_str().unwrap_or_default().to_owned()
}

/// A default as one would write it: fractions of g, of bar and of the whole instead of plain SI.
fn default(property: &Value) -> String {
    let text = match &property["default"] {
        Value::Null | Value::Array(_) if property["default"].as_array().is_none_or(Vec::is_empty) => {
            return "none".to_owned();
        }
        Value::String(s) if s.is_empty() => return "none".to_owned(),
        Value::String(s) => s.clone(),
        other => other.to_string().replace('"', "").replace(',', ", "),
    };
    let rounded = |x: f64| (x * 1e6).round() / 1e6;
    let si = |unit: &str| text.strip_suffix(unit).and_then(|n| n.trim().parse::<f64>().ok());
    let friendly = if let Some(a) = si("m/s2") {
        format!("{} g", rounded(a / 9.80665)) // the standard acceleration, NIST SP 811
    } else if let Some(p) = si("Pa") {
        format!("{} bar", rounded(p / 1e5))
    } else if let Ok(share) = text.parse::<f64>() {
        format!("{} %", rounded(100.0 * share))
    } else {
        text.clone()
    };
    format!("`{friendly}`")
}

fn flags() -> String {
    let mut out = String::new();
    for (about, title) in [
        (About::Log, "Flags of logs and windows (tables `logs`, `windows`, and results that rest on them)"),
        (About::Result, "Flags of results (every other table with a column `flags`)"),
    ] {
        out += &format!("\n## {title}\n\n| flag | meaning |\n| --- | --- |\n");
        for flag in FLAGS.iter().filter(|f| f.about == about) {
            out += &format!("| `{}` | {} |\n", flag.name, flag.meaning);
        }
    }
    out
}

const KINDS: [(&str, &str, &[&str]); 3] = [
    ("LogStep", "per_log", LogStep::NAMES),
    ("WindowStep", "windows", WindowStep::NAMES),
    ("SeasonStep", "season_wide", SeasonStep::NAMES),
];

fn read() -> Page {
    let files = schema_files();
    let schema = &files.iter().find(|f| f.0 == "pipeline.schema.json").expect("the pipeline's schema").1;
    let mut schema: Value = serde_json::from_str(schema).unwrap();
    Page { kinds: schema["properties"].take(), definitions: schema["$defs"].take(), pipelines: pipelines() }
}

fn page() -> String {
    let page = read();
    let stages: String = KINDS.iter().map(|(step, key, names)| page.stages(step, key, names)).collect();
    format!("{HEAD}{stages}{}{}", page.units(), flags())
}

/// All examples of a stage together are options that the program takes.
#[test]
fn every_example_can_be_read() {
    let page = read();
    for (step, _, names) in KINDS {
        for name in names {
            let cases = page.definitions[step]["oneOf"].as_array().unwrap();
            let case = cases.iter().find(|c| c["properties"][name].is_object()).unwrap();
            let stage = page.definition(&case["properties"][name]).unwrap();
            let mut text = format!("{name}: {{");
            for (option, property) in stage["properties"].as_object().into_iter().flatten() {
                let example = page.example(&[name, option], property);
                let example = example.unwrap_or_else(|| panic!("`{name}.{option}` has no example"));
                text += &format!(" {option}: {example},");
            }
            text += " }";
            let fault = match step {
                "LogStep" => serde_yaml::from_str::<LogStep>(&text).err(),
                "WindowStep" => serde_yaml::from_str::<WindowStep>(&text).err(),
                _ => serde_yaml::from_str::<SeasonStep>(&text).err(),
            };
            assert!(fault.is_none(), "{text}: {fault:?}");
        }
    }
}

#[test]
fn the_page_of_stages_is_what_the_code_says() {
    let path = root().join("pipelines/STAGES.md");
    let page = page();
    if std::env::var_os("SQUARELAW_REWRITE").is_some() {
        fs::write(&path, page).unwrap();
        return;
    }
    let committed = fs::read_to_string(&path).unwrap();
    for (old, new) in committed.lines().zip(page.lines()) {
        assert_eq!(old, new, "pipelines/STAGES.md; SQUARELAW_REWRITE=1 makes it anew");
    }
    assert_eq!(committed, page);
}

/// Every stage of the registry stands in a pipeline that one can run, and on the page.
#[test]
fn every_stage_stands_in_a_pipeline_and_on_the_page() {
    let page = page();
    let pipelines = pipelines();
    for name in [LogStep::NAMES, WindowStep::NAMES, SeasonStep::NAMES].concat() {
        assert!(pipelines.iter().any(|p| p.contains(&format!("- {name}:"))), "no pipeline uses `{name}`");
        assert!(page.contains(&format!("\n### `{name}`\n")), "STAGES.md lacks `{name}`");
    }
}

/// `batch` belongs to the run as a whole; every other table to a stage.
#[test]
fn every_table_is_named_at_a_stage() {
    let named: BTreeSet<&str> = TABLES.iter().flat_map(|t| t.1.iter().copied()).chain(["batch"]).collect();
    let declared: BTreeSet<&str> = rows::all().iter().map(|d| d.table).collect();
    assert_eq!(named, declared);
    let stages = [LogStep::NAMES, WindowStep::NAMES, SeasonStep::NAMES].concat();
    assert!(TABLES.iter().all(|t| stages.contains(&t.0)), "a stage that is none");
}
