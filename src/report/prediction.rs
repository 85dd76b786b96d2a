//! A prediction, for people.

use super::columns::lay_out;
use crate::config::pipeline::Show;
use crate::numerics::shown::{stated, with_half};
use crate::stages::season::parts::model::PartsFit;
use crate::stages::season::predict::balance::Position;
use crate::stages::season::predict::forecast::{Figure, Forecast};
use crate::table::rows::FORCE_CAUTION;
use crate::units::{self, Dimension, Unit};

/// The answer to `squarelaw predict`, in the units that the pipeline asks for.
pub fn text(forecast: &Forecast, parts: &PartsFit, show: &Show) -> String {
    let force = units::unit_of(&show.force.value, Dimension::Force);
    let speed = units::unit_of(&show.speed.value, Dimension::Speed);
    let (Ok(force), Ok(speed)) = (force, speed) else { return String::new() };
    let mut out = head(forecast, parts, speed);
    if let Some(Position::Reached { at, interval, .. }) = &forecast.position {
        let interval = interval.map(|(lo, hi)| format!(" ({lo:.2} to {hi:.2})")).unwrap_or_default();
        out.push_str(&format!("wing position for that balance: {at:.2}{interval}\n"));
    }
    if !forecast.figures.is_empty() {
        out.push('\n');
        out.push_str(&figures(&forecast.figures, force));
        out.push('\n');
    }
    if !forecast.remarks.is_empty() {
        out.push('\n');
    }
    for remark in &forecast.remarks {
        out.push_str(&format!("note: {}\n", remark.words(speed)));
    }
    if !forecast.figures.is_empty() {
        out.push_str(&format!("\n{FORCE_CAUTION}"));
    }
    out.trim_end().to_owned()
}

fn head(forecast: &Forecast, parts: &PartsFit, speed: Unit) -> String {
    let at = forecast.combination.wing.map(|w| format!(", wing position {}", trimmed(w))).unwrap_or_default();
    let ran = match &forecast.ran_as {
        Some(name) => format!("; ran as `{name}`"),
        None => String::new(),
    };
    format!(
        "{}{at}: at {} {} in air of {} kg/m3{ran}\n",
        forecast.combination.parts_text(),
        stated(speed.from_si(forecast.speed)),
        speed.symbol,
        parts.density
    )
}

fn trimmed(at: f64) -> String {
    let text = format!("{at:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn figures(figures: &[Figure], force: Unit) -> String {
    let mut rows =
        vec![["figure", "unit", "mean ± half the 95 % interval", "a new session, 95 %"].map(str::to_owned).to_vec()];
    for figure in figures {
        let (unit, factor) = match (figure.quantity.as_str(), figure.unit.as_str()) {
            ("balance", _) => ("%", 100.0),
            (_, "N") => (force.symbol, force.delta_from_si(1.0)),
            (_, "1") => ("", 1.0),
            (_, other) => (other, 1.0),
        };
        let half = figure.estimate.as_ref().map(|e| 0.5 * (e.interval.1 - e.interval.0) * factor);
        let value = figure.estimate.as_ref().map(|e| e.value * factor);
        let mean = value.zip(half).map_or_else(|| "not known".to_owned(), |(v, h)| with_half(v, h));
        let session = figure.session.map_or_else(
            || "-".to_owned(),
            |(lo, hi)| {
                // As many digits as the mean's interval.
                let digits = mean.rsplit_once('.').map_or(0, |(_, decimals)| decimals.len());
                format!("{:.digits$} to {:.digits$}", lo * factor, hi * factor)
            },
        );
        rows.push(vec![figure.quantity.replace('_', " "), unit.to_owned(), mean, session]);
    }
    lay_out(&rows)
}
