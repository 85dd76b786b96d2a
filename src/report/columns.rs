//! Plain columns of text: the first flush left, the rest flush right.

/// Lays out rows of cells; the first row is the heading.
pub fn lay_out(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |c: usize| rows.iter().filter_map(|r| r.get(c)).map(|s| s.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..count).map(width).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths).enumerate().map(|(c, (cell, w))| {
            let pad = " ".repeat(w - cell.chars().count());
            if c == 0 { format!("{cell}{pad}") } else { format!("{pad}{cell}") }
        });
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    rows.iter().map(line).collect::<Vec<_>>().join("\n")
}

/// Names in the order in which they come up, each once.
pub fn once<'a>(names: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut out: Vec<&str> = Vec::new();
    for name in names {
        if !out.contains(&name) {
            out.push(name);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let rows = [vec!["name".to_owned(), "N".to_owned()], vec!["a".to_owned(), "12 ± 3".to_owned()]];
        assert_eq!(lay_out(&rows), "name       N\na     12 ± 3");
    }
}
