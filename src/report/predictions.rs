//! What a pipeline's predictions come to, a line each.

use super::columns::{lay_out, once};
use crate::numerics::shown::{stated, with_half};
use crate::table::rows::PredictionRow;
use crate::units::Unit;

/// The forces of every prediction, with half the 95 % interval of the mean; what lies outside of what has run below. Empty
/// where nothing was asked for.
pub fn text(rows: &[PredictionRow], force: Unit, speed: Unit) -> String {
    let names = once(rows.iter().map(|r| r.name.as_str()));
    if names.is_empty() {
        return String::new();
    }
    let newtons = force.delta_from_si(1.0);
    let columns = [
        ("wing_position", "wing".to_owned(), 1.0),
        ("front_downforce", format!("front {}", force.symbol), newtons),
        ("rear_downforce", format!("rear {}", force.symbol), newtons),
        ("balance", "balance %".to_owned(), 100.0),
        ("drag", format!("drag {}", force.symbol), newtons),
        ("efficiency", "downforce/drag".to_owned(), 1.0),
    ];
    let mut table = vec![vec!["prediction".to_owned(), speed.symbol.to_owned()]];
    table[0].extend(columns.iter().map(|(_, head, _)| head.clone()));
    let mut notes = String::new();
    for name in names {
        let of = |quantity: &str| rows.iter().find(|r| r.name == name && r.quantity == quantity);
        let Some(any) = rows.iter().find(|r| r.name == name) else { continue };
        let mut line = vec![name.to_owned(), stated(speed.from_si(any.speed))];
        for (quantity, _, factor) in &columns {
            let figure = of(quantity).and_then(|r| Some((r.value?, r.value_lo95?, r.value_hi95?)));
            // A position that was set has no interval.
            let set = any.wing_position.filter(|_| *quantity == "wing_position").map(|w| w.to_string());
            line.push(match figure {
                Some((value, lo, hi)) => with_half(value * factor, 0.5 * (hi - lo) * factor),
                None => set.unwrap_or_else(|| "-".to_owned()),
            });
        }
        table.push(line);
        if !any.remarks.is_empty() {
            notes.push_str(&format!("{name}: {}\n", any.remarks));
        }
    }
    format!(
        "{}\n{notes}the mean of many sessions; where a new session may lie stands in `session_lo95` and `session_hi95` of table `predictions`\n\n",
        lay_out(&table)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units;

    #[test]
    fn a_line_for_each_with_what_is_known_and_the_remarks_below() {
        let (force, speed) = (units::any("N").unwrap(), units::any("km/h").unwrap());
        let row = |quantity: &str, value: Option<f64>| PredictionRow {
            name: "low".to_owned(),
            wing_position: Some(3.0),
            speed: 50.0,
            quantity: quantity.to_owned(),
            value,
            value_lo95: value.map(|v| v - 4.0),
            value_hi95: value.map(|v| v + 4.0),
            remarks: "never ran".to_owned(),
            ..Default::default()
        };
        let text = text(&[row("front_downforce", Some(812.3)), row("drag", None)], force, speed);
        let line = text.lines().nth(1).unwrap();
        assert_eq!(
            line.split_whitespace().collect::<Vec<_>>(),
            ["low", "180", "3", "812.3", "±", "4.0", "-", "-", "-", "-"]
        );
        assert!(text.contains("\nlow: never ran\n"), "{text}");
        assert_eq!(super::text(&[], force, speed), "");
    }
}
