//! `squarelaw schemas --out DIR`: the schemas of everything that is read and written, made from the types.
//! Definition files as JSON Schema, for editors; tables and canonical channels as plain lists.

use std::io::Write;
use std::path::{Path, PathBuf};

use arrow_schema::{DataType, Field, TimeUnit};
use clap::Args;
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, json_schema};
use serde::Serialize;

use super::{exit, print};
use crate::channels::CHANNELS;
use crate::config::car::Car;
use crate::config::layout::Layout;
use crate::config::pipeline::Pipeline;
use crate::config::run_sheet::RunRow;
use crate::error::Fatal;
use crate::table::rows::{self, Declared, SCHEMA_VERSION};

/// Writes the schemas of definition files, tables and channels.
#[derive(Args, Clone, Debug)]
pub struct SchemasArgs {
    /// Folder to write to.
    #[arg(long, value_name = "DIR", default_value = "schemas")]
    pub out: PathBuf,
}

/// Writes every schema file and says where.
///
/// # Errors
/// A file that can't be written.
pub fn run(args: &SchemasArgs, out: &mut dyn Write) -> Result<u8, Fatal> {
    let files = schema_files();
    for (name, text) in &files {
        let path = args.out.join(name);
        write_file(&path, text).map_err(|source| Fatal::Io { what: "can't write", path: path.clone(), source })?;
    }
    print(out, &format!("{} schemas written to {}", files.len(), args.out.display()))?;
    Ok(exit::ALL_USED)
}

fn write_file(path: &Path, text: &str) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    std::fs::write(path, text)
}

/// Every schema file: its name below the folder of schemas, and its text.
pub fn schema_files() -> Vec<(String, String)> {
    let mut files = vec![
        definition::<Pipeline>("pipeline"),
        definition::<Car>("car"),
        definition::<Layout>("layout"),
        definition::<RunSheetFile>("run_sheet"),
        ("channels.json".to_owned(), channels()),
    ];
    files.extend(rows::all().iter().map(|t| (format!("tables/{}.json", t.table), table(t))));
    files
}

/// The run sheet in its YAML form.
struct RunSheetFile;

impl JsonSchema for RunSheetFile {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "RunSheet".into()
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        json_schema!({
            "description": "The run sheet as YAML: a list of rows. As CSV it has the same names as columns.",
            "type": "array",
            "minItems": 1,
            "items": generator.subschema_for::<RunRow>(),
        })
    }
}

fn definition<T: JsonSchema>(name: &str) -> (String, String) {
    let schema = SchemaSettings::draft2020_12().into_generator().into_root_schema_for::<T>();
    (format!("{name}.schema.json"), pretty(&schema))
}

#[derive(Serialize)]
struct ChannelFile {
    about: &'static str,
    channels: Vec<ChannelEntry>,
}

#[derive(Serialize)]
struct ChannelEntry {
    name: &'static str,
    quantity: crate::units::Dimension,
    unit: &'static str,
    description: &'static str,
}

fn channels() -> String {
    let entry = |c: &crate::channels::Channel| ChannelEntry {
        name: c.name,
        quantity: c.dimension,
        unit: c.dimension.si(),
        description: c.description,
    };
    pretty(&ChannelFile {
        about: "Canonical channels: fixed names, SI units, signs after ISO 8855. A layout may add names of its own.",
        channels: CHANNELS.iter().map(entry).collect(),
    })
}

#[derive(Serialize)]
struct TableFile<'a> {
    table: &'a str,
    about: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    caution: Option<&'a str>,
    schema_version: &'a str,
    partitioned_by: Vec<FieldEntry<'a>>,
    fields: Vec<FieldEntry<'a>>,
}

#[derive(Serialize)]
struct FieldEntry<'a> {
    name: &'a str,
    #[serde(rename = "type")]
    kind: String,
    nullable: bool,
    unit: &'a str,
    description: &'a str,
}

fn table(declared: &Declared) -> String {
    let season = FieldEntry {
        name: "season",
        kind: "string".to_owned(),
        nullable: false,
        unit: "-",
        description: "season of the pipeline, from the name of the folder, `season=…`",
    };
    pretty(&TableFile {
        table: declared.table,
        about: declared.about,
        caution: declared.caution,
        schema_version: SCHEMA_VERSION,
        partitioned_by: vec![season],
        fields: declared.schema.fields().iter().map(|f| field(f)).collect(),
    })
}

fn field(field: &Field) -> FieldEntry<'_> {
    let said = |key: &str| field.metadata().get(key).map_or("", String::as_str);
    FieldEntry {
        name: field.name(),
        kind: kind(field.data_type()),
        nullable: field.is_nullable(),
        unit: said("unit"),
        description: said("description"),
    }
}

/// The type in words that readers of any language know.
fn kind(data_type: &DataType) -> String {
    match data_type {
        DataType::Float64 => "float64".to_owned(),
        DataType::Int64 => "int64".to_owned(),
        DataType::Boolean => "boolean".to_owned(),
        DataType::Utf8 => "string".to_owned(),
        DataType::Timestamp(TimeUnit::Microsecond, Some(zone)) => format!("timestamp[us, {zone}]"),
        other => other.to_string(),
    }
}

fn pretty<T: Serialize>(value: &T) -> String {
    // Plain data with text keys: there is nothing in it that JSON can't hold.
    serde_json::to_string_pretty(value).unwrap_or_default() + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_field_of_every_table_is_described() {
        for declared in rows::all() {
            for f in declared.schema.fields() {
                let entry = field(f);
                assert!(!entry.unit.is_empty() && entry.description.len() > 2, "{}.{}", declared.table, entry.name);
                assert!(!entry.kind.contains('('), "{}.{} has a type without a name", declared.table, entry.name);
            }
        }
    }

    #[test]
    fn a_table_with_a_caution_says_it_in_its_schema() {
        let with: Vec<&str> = rows::all().iter().filter(|d| d.caution.is_some()).map(|d| d.table).collect();
        assert_eq!(with, ["predictions", "combinations", "tyres", "energy"]);
        for d in rows::all() {
            let file: serde_json::Value = serde_json::from_str(&table(&d)).unwrap();
            assert_eq!(file.get("caution").and_then(|c| c.as_str()), d.caution, "{}", d.table);
        }
    }

    #[test]
    fn files_are_json_with_names_of_their_own() {
        let files = schema_files();
        for (i, (name, text)) in files.iter().enumerate() {
            assert!(serde_json::from_str::<serde_json::Value>(text).is_ok(), "{name}");
            assert!(!files.iter().take(i).any(|f| f.0 == *name), "{name} twice");
        }
    }

    #[test]
    fn csv_columns_are_the_keys_of_a_row() {
        let schema = schemars::schema_for!(RunRow);
        let keys: std::collections::BTreeSet<_> =
            schema.get("properties").unwrap().as_object().unwrap().keys().cloned().collect();
        let columns: std::collections::BTreeSet<_> =
            crate::config::run_csv::FIELDS.iter().map(|f| f.0.to_owned()).collect();
        assert_eq!(keys, columns);
    }
}
