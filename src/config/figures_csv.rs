//! Expected figures as CSV, as a spreadsheet saves it: the header names the fields, every cell carries its
//! own unit, an empty cell is not given.

use std::path::Path;

use csv::{ReaderBuilder, StringRecord};

use super::issue::{Issue, Issues};
use super::{run_csv, wording};
use crate::located::{Located, Spot};
use crate::stages::season::expected::figure::Figure;
use crate::units::{self, Dim, Quantity, nearest};

/// Columns that the file may have.
const FIELDS: &[&str] = &["configuration", "part", "quantity", "value", "uncertainty", "at", "density", "source"];
/// Columns that it must have.
const NEEDED: &[&str] = &["quantity", "value"];

/// Reads the figures without fault; all faults of the others are added to `issues`.
pub fn read(file: &Path, text: &str, issues: &mut Issues) -> Vec<Located<Figure>> {
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(run_csv::delimiter(text))
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let mut header: Option<Vec<String>> = None;
    let mut out = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(r) => r,
            Err(e) => {
                issues.push(Issue::whole(file, "the expected figures can't be read").hint(e.to_string()));
                break;
            }
        };
        if record.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        // Blank lines and comments before a record count as part of it.
        let (start, line) = record.position().map_or((0, 0), |p| (p.byte(), p.line()));
        let (_, line) = run_csv::skip_blank(text, usize::try_from(start).unwrap_or(text.len()), line);
        match &header {
            None => header = Some(columns(file, &record, line, issues)),
            Some(columns) => out.extend(Cells { file, record: &record, columns, line, issues }.figure()),
        }
    }
    if header.is_none() {
        let names = FIELDS.join(",");
        issues.push(Issue::whole(file, "no expected figures").hint(format!("the first line names columns: {names}")));
    }
    out
}

fn columns(file: &Path, record: &StringRecord, line: u64, issues: &mut Issues) -> Vec<String> {
    let names: Vec<String> = record.iter().map(|c| c.trim().to_owned()).collect();
    let spot = Spot { line, column: 1, length: 1 };
    for (i, name) in names.iter().enumerate() {
        if !FIELDS.contains(&name.as_str()) {
            let issue = match nearest(name, FIELDS.iter().copied()) {
                Some(near) => {
                    Issue::at(file, spot, format!("unknown column `{name}`"), format!("did you mean `{near}`?"))
                }
                None => Issue::at(file, spot, format!("unknown column `{name}`"), "no such column here")
                    .hint(format!("expected {}", wording::list(FIELDS))),
            };
            issues.push(issue);
        } else if names.iter().take(i).any(|n| n == name) {
            issues.push(Issue::at(file, spot, format!("column `{name}` is given twice"), "in this line"));
        }
    }
    for needed in NEEDED.iter().filter(|n| !names.iter().any(|m| m == *n)) {
        issues.push(Issue::at(file, spot, format!("missing column `{needed}`"), "the header is here"));
    }
    names
}

/// The cells of one line by field name.
struct Cells<'a> {
    file: &'a Path,
    record: &'a StringRecord,
    columns: &'a [String],
    line: u64,
    issues: &'a mut Issues,
}

impl Cells<'_> {
    fn spot(&self) -> Spot {
        Spot { line: self.line, column: 1, length: 1 }
    }

    fn text(&self, field: &str) -> Option<Located<String>> {
        let at = self.columns.iter().position(|c| c == field)?;
        let text = self.record.get(at)?.trim();
        (!text.is_empty()).then(|| Located { value: text.to_owned(), spot: self.spot() })
    }

    fn needed(&mut self, field: &str) -> Option<Located<String>> {
        let text = self.text(field);
        if text.is_none() && self.columns.iter().any(|c| c == field) {
            let message = format!("column `{field}` is empty in this line");
            self.issues.push(Issue::at(self.file, self.spot(), message, "expected a value"));
        }
        text
    }

    fn quantity<D: Dim>(&mut self, field: &str) -> Option<Located<Quantity<D>>> {
        let text = self.text(field)?;
        match units::parse(&text, D::DIMENSION) {
            Ok(si) => Some(Located { value: Quantity::si(si), spot: text.spot }),
            Err(e) => {
                let message = format!("wrong value in column `{field}`");
                self.issues.push(Issue::at(self.file, text.spot, message, e.to_string()));
                None
            }
        }
    }

    fn figure(mut self) -> Option<Located<Figure>> {
        let value = Figure {
            configuration: self.text("configuration"),
            part: self.text("part"),
            quantity: self.needed("quantity")?,
            stated: self.needed("value")?,
            uncertainty: self.text("uncertainty"),
            at: self.quantity("at"),
            density: self.quantity("density"),
            source: self.text("source").map(|s| s.value).unwrap_or_default(),
            file: Some(self.file.to_owned()),
        };
        Some(Located { value, spot: self.spot() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_of_figures() {
        let text = "# of the autumn\nconfiguration,part,quantity,value,at,density,source\nbase,,drag,640 N,160 km/h,1.2 kg/m3,tunnel\n\n,lip,front_downforce,90 N,100 mph,1.2 kg/m3,\n";
        let mut issues = Issues::default();
        let figures = read(Path::new("f.csv"), text, &mut issues);
        assert!(issues.is_empty(), "{issues:?}");
        assert_eq!(figures.len(), 2);
        assert_eq!((figures[0].subject(), figures[0].source.as_str(), figures[0].spot.line), ("base", "tunnel", 3));
        let lip = &figures[1];
        assert!(lip.configuration.is_none() && lip.part.as_ref().unwrap().value == "lip");
        // 100 mph; NIST SP 811.
        assert!((lip.at.as_ref().unwrap().get() - 44.704).abs() < 1e-12);
    }

    #[test]
    fn faults_name_their_line() {
        let text = "# invented\n\nconfiguration,quantity,value,att\nbase,drag,640 N,\n# a note\nbase,,640 N,\n";
        let mut issues = Issues::default();
        assert_eq!(read(Path::new("f.csv"), text, &mut issues).len(), 1);
        let found: Vec<(u64, &str)> = issues.0.iter().map(|i| (i.spot.line, i.message.as_str())).collect();
        assert_eq!(found, [(3, "unknown column `att`"), (6, "column `quantity` is empty in this line")]);
    }
}
