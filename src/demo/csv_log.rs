//! Writes a log as delimited text.

use std::io::{self, Write};

use super::export::{Form, short};
use super::season::SimLog;
use super::sensors::Channel;
use crate::units::unit_of;

/// A column of the file: name, unit, scale to it, sign, decimals.
struct Column<'a> {
    name: String,
    unit: &'static str,
    scale: f64,
    offset: f64,
    decimals: usize,
    values: &'a [f64],
}

/// Writes a log in one of the text forms.
///
/// # Errors
/// What the writer returns.
pub fn write(log: &SimLog, form: Form, out: &mut dyn Write) -> io::Result<()> {
    let comma = form == Form::CommaCsv;
    let (delimiter, mark) = if comma { (b';', b',') } else { (b',', b'.') };
    let columns: Vec<Column> = log.channels.iter().map(|c| column(c, comma)).collect();
    if comma {
        writeln!(out, "export of log {}\r\nsession {} {}\r", log.name, log.event, log.session)?;
    }
    let end: &[u8] = if comma { b"\r\n" } else { b"\n" };
    let mut line = Vec::new();
    let heads = [(if comma { "t" } else { "Time" }, "s")];
    let all = || heads.iter().copied().chain(columns.iter().map(|c| (c.name.as_str(), c.unit)));
    for names in [true, false] {
        line.clear();
        for (i, (name, unit)) in all().enumerate() {
            if i > 0 {
                line.push(delimiter);
            }
            text(&mut line, if names { name } else { unit }, comma);
        }
        line.extend_from_slice(end);
        out.write_all(&line)?;
    }
    // two decimals tell the samples apart when they lie at whole hundredths of a second
    let hundredths = log.time.iter().take(100).all(|t| ((t * 100.0) - (t * 100.0).round()).abs() < 1e-6);
    let time_decimals = if hundredths { 2 } else { 4 };
    for (row, t) in log.time.iter().enumerate() {
        line.clear();
        fixed(&mut line, *t, time_decimals, mark);
        for c in &columns {
            line.push(delimiter);
            let value = c.values.get(row).copied().unwrap_or(f64::NAN);
            fixed(&mut line, value * c.scale + c.offset, c.decimals, mark);
        }
        line.extend_from_slice(end);
        out.write_all(&line)?;
    }
    Ok(())
}

fn column(channel: &Channel, comma: bool) -> Column<'_> {
    let plain = |name: String, unit| Column {
        name,
        unit,
        scale: 1.0,
        offset: 0.0,
        decimals: channel.decimals,
        values: &channel.values,
    };
    if !comma {
        return plain(channel.name.clone(), channel.unit);
    }
    let (name, unit) = short(channel);
    match (unit_of(channel.unit, channel.dimension), unit_of(unit, channel.dimension)) {
        (Ok(from), Ok(to)) if unit != channel.unit => {
            let at = |v: f64| to.from_si(from.to_si(v));
            let (scale, offset) = (at(1.0) - at(0.0), at(0.0));
            let sign = if channel.canonical == Some("steering") { -1.0 } else { 1.0 };
            // a coarser unit needs more decimals for the same resolution
            let more = (-scale.log10()).ceil().max(0.0) as usize;
            Column { scale: sign * scale, offset, decimals: channel.decimals + more, ..plain(name, unit) }
        }
        _ => plain(name, channel.unit),
    }
}

/// Text in UTF-8 or, for the decimal-comma form, Latin-1.
fn text(line: &mut Vec<u8>, s: &str, latin1: bool) {
    match latin1 {
        true => line.extend(s.chars().map(|c| u8::try_from(u32::from(c)).unwrap_or(b'?'))),
        false => line.extend_from_slice(s.as_bytes()),
    }
}

/// Appends a number with fixed decimals; nothing for `NaN`.
fn fixed(line: &mut Vec<u8>, value: f64, decimals: usize, mark: u8) {
    if !value.is_finite() {
        return;
    }
    let power = 10_i64.pow(decimals.min(9) as u32);
    let scaled = (value * power as f64).round() as i64;
    if scaled < 0 {
        line.push(b'-');
    }
    let (whole, mut part) = (scaled.unsigned_abs() / power as u64, scaled.unsigned_abs() % power as u64);
    let _ = write!(line, "{whole}");
    if decimals > 0 && part > 0 {
        line.push(mark);
        let mut digit = power as u64;
        while part > 0 && digit > 1 {
            digit /= 10;
            line.push(b'0' + (part / digit) as u8);
            part %= digit;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Dimension;

    fn number(value: f64, decimals: usize) -> String {
        let mut line = Vec::new();
        fixed(&mut line, value, decimals, b'.');
        String::from_utf8(line).unwrap()
    }

    #[test]
    fn numbers_are_short_and_right() {
        assert_eq!(number(1.50, 2), "1.5");
        assert_eq!(number(-0.004, 2), "0");
        assert_eq!(number(-0.05, 2), "-0.05");
        assert_eq!(number(123.456, 0), "123");
        assert_eq!(number(0.0105, 4), "0.0105");
        assert_eq!(number(f64::NAN, 2), "");
        for i in -2000..2000 {
            let v = f64::from(i) * 0.037;
            assert!((number(v, 3).parse::<f64>().unwrap() - v).abs() < 0.000_51, "{v}");
        }
    }

    fn log() -> SimLog {
        let channel = |name: &str, canonical, dimension, unit, values: [f64; 2]| Channel {
            name: name.to_owned(),
            canonical: Some(canonical),
            dimension,
            unit,
            decimals: 1,
            values: values.to_vec(),
        };
        SimLog {
            name: "x".into(),
            event: "1 Nowhere".into(),
            session: "morning".into(),
            outings: vec![],
            time: vec![0.0, 0.04],
            channels: vec![
                channel("Steering Angle", "steering", Dimension::Angle, "deg", [3.5, -2.0]),
                channel("Air Temperature", "air_temperature", Dimension::Temperature, "degC", [21.5, f64::NAN]),
                channel("Accel Long", "accel_x", Dimension::Acceleration, "g", [1.0, 0.5]),
            ],
        }
    }

    #[test]
    fn plain_text() {
        let mut out = Vec::new();
        write(&log(), Form::Csv, &mut out).unwrap();
        let expected = "Time,Steering Angle,Air Temperature,Accel Long\ns,deg,degC,g\n0,3.5,21.5,1\n0.04,-2,,0.5\n";
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }

    #[test]
    fn decimal_comma_text() {
        let mut out = Vec::new();
        write(&log(), Form::CommaCsv, &mut out).unwrap();
        let text: String = out.iter().map(|b| char::from(*b)).collect();
        let lines: Vec<_> = text.split("\r\n").collect();
        assert_eq!(lines[2], "t;steer;t_air;a_long");
        assert_eq!(lines[3], "s;°;°C;m/s²");
        assert_eq!(lines[4], "0;-3,5;21,5;9,8");
        assert_eq!(lines[5], "0,04;2;;4,9");
    }
}
