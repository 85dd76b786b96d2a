//! The committed files of `schemas/` are held to the code. `WRITE_SCHEMAS=1 cargo test --release schemas`
//! writes them anew instead, as `squarelaw schemas --out schemas` does.

use std::fs;
use std::path::Path;

use squarelaw::cli::schemas::schema_files;

#[test]
fn committed_schemas_are_those_of_the_code() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas");
    let files = schema_files();
    if std::env::var_os("WRITE_SCHEMAS").is_some() {
        for (name, text) in &files {
            fs::write(folder.join(name), text).unwrap();
        }
    }
    for (name, text) in &files {
        let committed = fs::read_to_string(folder.join(name)).unwrap_or_default();
        assert!(committed == *text, "schemas/{name} is not what the code says; run `squarelaw schemas --out schemas`");
    }
    // Nothing is left of a table that is no longer written.
    for entry in fs::read_dir(folder.join("tables")).unwrap() {
        let name = format!("tables/{}", entry.unwrap().file_name().to_string_lossy());
        assert!(files.iter().any(|f| f.0 == name), "schemas/{name} belongs to no table; delete it");
    }
}
