//! Units: what a number means. Everything inside is SI; this is the one place where text such as
//! `160 km/h` becomes a number and back.
//!
//! Exact factors: NIST SP 811 (2008), appendix B.8. `inHg` is the conventional inch of mercury
//! (3386.388 640 341 Pa at 0 °C), not the 60 °F variant.

use std::borrow::Cow;
use std::fmt;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize, Serializer};

/// The kinds of quantity the tool knows, each with its SI symbol and an example for messages.
macro_rules! dimensions {
    ($($name:ident => $label:literal, $si:literal, $example:literal;)*) => {
        /// What kind of quantity a number is.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Dimension { $(#[doc = $label] $name,)* }

        impl Dimension {
            /// Every dimension, in the order of declaration.
            pub const ALL: &[Dimension] = &[$(Dimension::$name,)*];
            /// The dimension in words, for messages.
            pub fn label(self) -> &'static str { match self { $(Dimension::$name => $label,)* } }
            /// The symbol of its SI unit; `1` when it has none.
            pub fn si(self) -> &'static str { match self { $(Dimension::$name => $si,)* } }
            /// A valid example, for hints.
            pub fn example(self) -> &'static str { match self { $(Dimension::$name => $example,)* } }
        }

        /// Marker types, one per dimension, for [`Quantity`].
        pub mod of {
            $(#[doc = $label] #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd)] pub struct $name;
              impl super::Dim for $name { const DIMENSION: super::Dimension = super::Dimension::$name; })*
        }
    };
}

dimensions! {
    Length => "length", "m", "2.6 m";
    Area => "area", "m2", "1.8 m2";
    Mass => "mass", "kg", "1040 kg";
    Time => "time", "s", "1.5 s";
    Speed => "speed", "m/s", "160 km/h";
    Acceleration => "acceleration", "m/s2", "0.08 g";
    Force => "force", "N", "150 N";
    Torque => "torque", "N.m", "250 N.m";
    Pressure => "pressure", "Pa", "1013 hPa";
    Temperature => "temperature", "K", "21 degC";
    Density => "density", "kg/m3", "1.225 kg/m3";
    Angle => "angle", "rad", "4 deg";
    AngularSpeed => "angular speed", "rad/s", "6500 rpm";
    Frequency => "frequency", "Hz", "50 Hz";
    Power => "power", "W", "180 kW";
    SpringRate => "spring rate", "N/m", "120 N/mm";
    MassFlow => "mass flow", "kg/s", "0.02 kg/s";
    Voltage => "voltage", "V", "12 V";
    Ratio => "ratio", "1", "40 %";
}

impl Dimension {
    /// A valid example of a range, for hints.
    pub fn range_example(self) -> String {
        let (number, unit) = split_number(self.example());
        let half = number.parse().map_or(0.0, |n: f64| n / 2.0);
        format!("{half}..{number} {unit}")
    }
    /// The dimension in words with `a` or `an`.
    pub fn with_article(self) -> String {
        let label = self.label();
        let article = if label.starts_with(['a', 'e', 'i', 'o']) { "an" } else { "a" };
        format!("{article} {label}")
    }
}

/// A dimension as a type, so that a speed can't be passed where a length is meant.
pub trait Dim: Copy + fmt::Debug {
    /// The dimension it stands for.
    const DIMENSION: Dimension;
}

/// One unit: `si = value * scale + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// What the user writes.
    pub symbol: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// SI per unit.
    pub scale: f64,
    /// SI value of zero.
    pub offset: f64,
}

impl Unit {
    /// `value` in this unit, as SI.
    pub fn to_si(self, value: f64) -> f64 {
        value * self.scale + self.offset
    }
    /// An SI value in this unit.
    pub fn from_si(self, si: f64) -> f64 {
        (si - self.offset) / self.scale
    }
    /// A difference or an interval half-width in this unit: the offset drops out.
    pub fn delta_from_si(self, si: f64) -> f64 {
        si / self.scale
    }
}

/// Standard gravity, m/s² (ISO 80000-3, exact by convention).
pub const G: f64 = 9.80665;
const LBF: f64 = 4.448_221_615_260_5;
const INCH: f64 = 0.0254;
const FOOT: f64 = 0.3048;
const LB: f64 = 0.453_592_37;

const fn u(symbol: &'static str, dimension: Dimension, scale: f64) -> Unit {
    Unit { symbol, dimension, scale, offset: 0.0 }
}

/// Every unit, the SI one of each dimension first. Several spellings of one unit are several rows.
pub const UNITS: &[Unit] = {
    use Dimension::*;
    use std::f64::consts::PI;
    &[
        u("m", Length, 1.0),
        u("mm", Length, 1e-3),
        u("cm", Length, 1e-2),
        u("km", Length, 1e3),
        u("um", Length, 1e-6),
        u("in", Length, INCH),
        u("ft", Length, FOOT),
        u("mi", Length, 1609.344),
        u("m2", Area, 1.0),
        u("m²", Area, 1.0),
        u("m^2", Area, 1.0),
        u("ft2", Area, FOOT * FOOT),
        u("kg", Mass, 1.0),
        u("g", Mass, 1e-3),
        u("lb", Mass, LB),
        u("t", Mass, 1e3),
        u("s", Time, 1.0),
        u("ms", Time, 1e-3),
        u("us", Time, 1e-6),
        u("min", Time, 60.0),
        u("h", Time, 3600.0),
        u("m/s", Speed, 1.0),
        u("km/h", Speed, 1.0 / 3.6),
        u("kph", Speed, 1.0 / 3.6),
        u("kmh", Speed, 1.0 / 3.6),
        u("mph", Speed, 0.44704),
        u("mi/h", Speed, 0.44704),
        u("kn", Speed, 1852.0 / 3600.0),
        u("m/s2", Acceleration, 1.0),
        u("m/s²", Acceleration, 1.0),
        u("m/s^2", Acceleration, 1.0),
        u("m/s/s", Acceleration, 1.0),
        u("g", Acceleration, G),
        u("G", Acceleration, G),
        u("N", Force, 1.0),
        u("kN", Force, 1e3),
        u("daN", Force, 10.0),
        u("kgf", Force, G),
        u("lbf", Force, LBF),
        u("N.m", Torque, 1.0),
        u("Nm", Torque, 1.0),
        u("N·m", Torque, 1.0),
        u("kN.m", Torque, 1e3),
        u("ft.lbf", Torque, 1.355_817_948_331_4),
        u("lbf.ft", Torque, 1.355_817_948_331_4),
        u("lb.ft", Torque, 1.355_817_948_331_4),
        u("Pa", Pressure, 1.0),
        u("hPa", Pressure, 100.0),
        u("mbar", Pressure, 100.0),
        u("kPa", Pressure, 1e3),
        u("MPa", Pressure, 1e6),
        u("bar", Pressure, 1e5),
        u("psi", Pressure, 6_894.757_293_168_36),
        u("inHg", Pressure, 3_386.388_640_341),
        u("atm", Pressure, 101_325.0),
        u("K", Temperature, 1.0),
        Unit { symbol: "degC", dimension: Temperature, scale: 1.0, offset: 273.15 },
        Unit { symbol: "°C", dimension: Temperature, scale: 1.0, offset: 273.15 },
        Unit { symbol: "C", dimension: Temperature, scale: 1.0, offset: 273.15 },
        Unit { symbol: "degF", dimension: Temperature, scale: 5.0 / 9.0, offset: 459.67 * 5.0 / 9.0 },
        Unit { symbol: "°F", dimension: Temperature, scale: 5.0 / 9.0, offset: 459.67 * 5.0 / 9.0 },
        Unit { symbol: "F", dimension: Temperature, scale: 5.0 / 9.0, offset: 459.67 * 5.0 / 9.0 },
        u("kg/m3", Density, 1.0),
        u("kg/m³", Density, 1.0),
        u("kg/m^3", Density, 1.0),
        u("rad", Angle, 1.0),
        u("deg", Angle, PI / 180.0),
        u("°", Angle, PI / 180.0),
        u("rad/s", AngularSpeed, 1.0),
        u("rpm", AngularSpeed, PI / 30.0),
        u("1/min", AngularSpeed, PI / 30.0),
        u("deg/s", AngularSpeed, PI / 180.0),
        u("Hz", Frequency, 1.0),
        u("kHz", Frequency, 1e3),
        u("W", Power, 1.0),
        u("kW", Power, 1e3),
        u("hp", Power, 745.699_871_582_270_2),
        u("PS", Power, 75.0 * G),
        u("N/m", SpringRate, 1.0),
        u("N/mm", SpringRate, 1e3),
        u("kN/m", SpringRate, 1e3),
        u("kgf/mm", SpringRate, G * 1e3),
        u("lbf/in", SpringRate, LBF / INCH),
        u("lb/in", SpringRate, LBF / INCH),
        u("kg/s", MassFlow, 1.0),
        u("kg/h", MassFlow, 1.0 / 3600.0),
        u("g/s", MassFlow, 1e-3),
        u("V", Voltage, 1.0),
        u("mV", Voltage, 1e-3),
        u("1", Ratio, 1.0),
        u("-", Ratio, 1.0),
        u("%", Ratio, 0.01),
        u("pct", Ratio, 0.01),
    ]
};

/// Finds a unit by its symbol; spaces and square brackets around it are ignored. `g` is the gram only
/// where a mass is meant, so the wanted dimension goes first.
fn find(symbol: &str, wanted: Dimension) -> Option<Unit> {
    let s = symbol.trim().trim_start_matches('[').trim_end_matches(']').trim();
    let named = || UNITS.iter().copied().filter(|x| x.symbol == s);
    named().find(|x| x.dimension == wanted).or_else(|| named().next_back())
}

/// Any unit with this symbol, whatever it measures.
pub fn any(symbol: &str) -> Option<Unit> {
    find(symbol, Dimension::Acceleration)
}

/// The names that there are, each once and as many as fit a line.
pub fn listed<'a>(what: &str, names: impl Iterator<Item = &'a str>) -> String {
    let all: std::collections::BTreeSet<&str> = names.collect();
    let shown: Vec<&str> = all.iter().take(LISTED).copied().collect();
    let more = if all.len() > LISTED { format!(" and {} more", all.len() - LISTED) } else { String::new() };
    if shown.is_empty() { format!("{what} none") } else { format!("{what} {}{more}", shown.join(", ")) }
}

const LISTED: usize = 8;

/// What an unknown unit may have been meant to be.
fn meant(near: Option<&str>) -> String {
    match near {
        Some(near) => format!(" (did you mean `{near}`?)"),
        None => String::new(),
    }
}

/// What a number with a comma may have been meant to be: three digits behind it are thousands as likely as not.
fn without_comma(text: &str) -> String {
    let decimal = text.replacen(',', ".", 1);
    let behind = text.split_once(',').map_or("", |(_, behind)| behind);
    let digits = behind.chars().take_while(char::is_ascii_digit).count();
    if digits == 3 {
        format!(
            "thousands have none, like `{}`, and the decimal mark is a point, like `{decimal}`",
            text.replace(',', "")
        )
    } else {
        format!("the decimal mark is a point, like `{decimal}`, and thousands have none")
    }
}

/// Why a quantity could not be read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// The text holds no number.
    #[error("`{text}` is not {}: write it like `{}`", .dimension.with_article(), .dimension.example())]
    NotANumber { text: String, dimension: Dimension },
    /// A number without unit, where one is needed.
    #[error("`{text}` has no unit: {} is written like `{}`", .dimension.with_article(), .dimension.example())]
    NoUnit { text: String, dimension: Dimension },
    /// A comma in the number.
    #[error("`{text}` holds a comma: {}", without_comma(.text))]
    Comma { text: String },
    /// A unit nobody knows.
    #[error("unknown unit `{unit}`{}: {} is written like `{}`", meant(*.near), .dimension.with_article(), .dimension.example())]
    Unknown { unit: String, near: Option<&'static str>, dimension: Dimension },
    /// A known unit of another quantity.
    #[error("`{unit}` is a unit of {}, but {} is needed here, like `{}`", .found.label(), .dimension.with_article(), .dimension.example())]
    WrongDimension { unit: String, found: Dimension, dimension: Dimension },
    /// No two ends with dots between them.
    #[error("`{text}` is no range: {} from one value to another is written like `{}`", .dimension.with_article(), .dimension.range_example())]
    NoRange { text: String, dimension: Dimension },
    /// A range whose ends are the wrong way round.
    #[error("the range `{text}` runs backwards: the lower value comes first")]
    Backwards { text: String },
}

/// The unit `symbol`, which must measure `dimension`.
///
/// # Errors
/// Unknown units (with the nearest known one) and units of another dimension.
pub fn unit_of(symbol: &str, dimension: Dimension) -> Result<Unit, UnitError> {
    let unit = find(symbol, dimension).ok_or_else(|| UnitError::Unknown {
        unit: symbol.trim().to_owned(),
        near: nearest(symbol.trim(), UNITS.iter().filter(|u| u.dimension == dimension).map(|u| u.symbol)),
        dimension,
    })?;
    if unit.dimension == dimension {
        Ok(unit)
    } else {
        Err(UnitError::WrongDimension { unit: unit.symbol.to_owned(), found: unit.dimension, dimension })
    }
}

/// Whether some unit is written so, in whatever case.
pub fn known_in_any_case(symbol: &str) -> bool {
    let s = symbol.trim().trim_start_matches('[').trim_end_matches(']').trim();
    UNITS.iter().any(|x| x.symbol.eq_ignore_ascii_case(s))
}

/// The one unit of `dimension` that `symbol` is in another case, as some loggers write `KPH` and `PSI`. Where two differ by
/// their case alone, none.
pub fn whatever_case(symbol: &str, dimension: Dimension) -> Option<Unit> {
    let s = symbol.trim().trim_start_matches('[').trim_end_matches(']').trim();
    let alike = |x: &&Unit| x.dimension == dimension && x.symbol.eq_ignore_ascii_case(s);
    let mut all = UNITS.iter().filter(alike);
    all.next().copied().filter(|_| all.next().is_none())
}

/// The candidate most like `word`, if one is near enough to be meant.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    // One letter is like half of everything.
    if lower.chars().count() < 2 {
        return None;
    }
    candidates
        .into_iter()
        .map(|c| (strsim::jaro_winkler(&lower, &c.to_lowercase()), c))
        .filter(|(score, _)| *score > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, c)| c)
}

/// Splits `12.5 psi` into the number's text and the unit's text (which may be empty).
fn split_number(text: &str) -> (&str, &str) {
    let t = text.trim();
    let end = t
        .char_indices()
        .find(|&(i, c)| {
            let exponent =
                (c == 'e' || c == 'E') && t[i + 1..].starts_with(|d: char| d.is_ascii_digit() || d == '-' || d == '+');
            !(c.is_ascii_digit() || c == '.' || c == '-' || c == '+' || exponent)
        })
        .map_or(t.len(), |(i, _)| i);
    (&t[..end], t[end..].trim())
}

/// Reads `160 km/h` as SI. A plain number is accepted only for ratios.
///
/// # Errors
/// See [`UnitError`].
pub fn parse(text: &str, dimension: Dimension) -> Result<f64, UnitError> {
    let (number, symbol) = split_number(text);
    let value: f64 = number
        .parse()
        .ok()
        .filter(|v: &f64| v.is_finite())
        .ok_or_else(|| UnitError::NotANumber { text: text.to_owned(), dimension })?;
    if symbol.is_empty() {
        return if dimension == Dimension::Ratio {
            Ok(value)
        } else {
            Err(UnitError::NoUnit { text: text.to_owned(), dimension })
        };
    }
    if symbol.strip_prefix(',').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
        return Err(UnitError::Comma { text: text.to_owned() });
    }
    Ok(unit_of(symbol, dimension)?.to_si(value))
}

/// Reads `80..260 km/h` as an SI interval; the unit stands once, at the end, or at both ends.
///
/// # Errors
/// See [`UnitError`].
pub fn parse_range(text: &str, dimension: Dimension) -> Result<(f64, f64), UnitError> {
    let (low, high) = text.split_once("..").ok_or_else(|| UnitError::NoRange { text: text.to_owned(), dimension })?;
    let (_, unit) = split_number(high);
    let low = if split_number(low).1.is_empty() { format!("{low} {unit}") } else { low.to_owned() };
    let (a, b) = (parse(&low, dimension)?, parse(high, dimension)?);
    if a < b { Ok((a, b)) } else { Err(UnitError::Backwards { text: text.to_owned() }) }
}

/// A number of one dimension, held in SI, written by the user with any unit.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Quantity<D: Dim>(f64, PhantomData<D>);

impl<D: Dim> Quantity<D> {
    /// From an SI value.
    pub const fn si(value: f64) -> Self {
        Self(value, PhantomData)
    }
    /// The SI value.
    pub const fn get(self) -> f64 {
        self.0
    }
}

/// An interval of one dimension, held in SI, written `80..260 km/h`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range<D: Dim> {
    /// Lower end, SI.
    pub low: f64,
    /// Upper end, SI.
    pub high: f64,
    dimension: PhantomData<D>,
}

impl<D: Dim> Range<D> {
    /// From SI ends.
    pub const fn si(low: f64, high: f64) -> Self {
        Self { low, high, dimension: PhantomData }
    }
    /// Whether an SI value lies inside, ends included.
    pub fn contains(self, value: f64) -> bool {
        value >= self.low && value <= self.high
    }
}

macro_rules! aliases {
    ($($name:ident),* $(,)?) => { $(#[doc = concat!("A quantity of dimension `", stringify!($name), "`.")] pub type $name = Quantity<of::$name>;)* };
}
aliases!(
    Length,
    Area,
    Mass,
    Time,
    Speed,
    Acceleration,
    Force,
    Torque,
    Pressure,
    Temperature,
    Density,
    Angle,
    AngularSpeed,
    Frequency,
    Power,
    SpringRate,
    MassFlow,
    Voltage,
    Ratio
);

struct TextVisitor<T>(Dimension, fn(&str, Dimension) -> Result<T, UnitError>, &'static str);

impl<T> Visitor<'_> for TextVisitor<T> {
    type Value = T;
    fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}{} like `{}`", self.0.with_article(), self.2, self.0.example())
    }
    fn visit_str<E: de::Error>(self, text: &str) -> Result<T, E> {
        (self.1)(text, self.0).map_err(E::custom)
    }
    fn visit_f64<E: de::Error>(self, v: f64) -> Result<T, E> {
        self.visit_str(&v.to_string())
    }
    fn visit_i64<E: de::Error>(self, v: i64) -> Result<T, E> {
        self.visit_str(&v.to_string())
    }
    fn visit_u64<E: de::Error>(self, v: u64) -> Result<T, E> {
        self.visit_str(&v.to_string())
    }
}

impl<'de, D: Dim> Deserialize<'de> for Quantity<D> {
    fn deserialize<R: Deserializer<'de>>(de: R) -> Result<Self, R::Error> {
        de.deserialize_str(TextVisitor(D::DIMENSION, parse, "")).map(Self::si)
    }
}

impl<'de, D: Dim> Deserialize<'de> for Range<D> {
    fn deserialize<R: Deserializer<'de>>(de: R) -> Result<Self, R::Error> {
        de.deserialize_str(TextVisitor(D::DIMENSION, parse_range, " range")).map(|(a, b)| Self::si(a, b))
    }
}

// Serialised in SI with its symbol: the form that keys and fingerprints are made of.
impl<D: Dim> Serialize for Quantity<D> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match D::DIMENSION {
            Dimension::Ratio => s.serialize_str(&self.0.to_string()),
            other => s.serialize_str(&format!("{} {}", self.0, other.si())),
        }
    }
}

impl<D: Dim> Serialize for Range<D> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&format!("{}..{} {}", self.low, self.high, D::DIMENSION.si()))
    }
}

/// A regular expression (ECMA-262) for a number of one dimension with its unit.
fn pattern(dimension: Dimension, unit_needed: bool) -> String {
    let escape =
        |s: &str| s.chars().flat_map(|c| c.is_ascii_punctuation().then_some('\\').into_iter().chain([c])).collect();
    let symbols: Vec<String> = UNITS.iter().filter(|u| u.dimension == dimension).map(|u| escape(u.symbol)).collect();
    let optional = if unit_needed { "" } else { "?" };
    format!(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)? *({}){optional}", symbols.join("|").replace(r"\/", "/"))
}

fn text_schema(dimension: Dimension, what: &str, example: String, pattern: &str) -> Schema {
    let units: Vec<&str> = UNITS.iter().filter(|u| u.dimension == dimension).map(|u| u.symbol).collect();
    let description = format!("{}{what}, with one of the units {}", dimension.with_article(), units.join(", "));
    let mut schema = schemars::json_schema!({
        "type": "string",
        "description": description,
        "examples": [example],
        "pattern": format!("^ *{pattern} *$"),
    });
    if dimension == Dimension::Ratio && what.is_empty() {
        // A ratio is also a plain number; the pattern then holds texts alone.
        schema.insert("type".to_owned(), serde_json::json!(["string", "number"]));
        schema.insert("description".to_owned(), "a ratio: a plain number, or a percentage like `40 %`".into());
    }
    schema
}

impl<D: Dim> JsonSchema for Quantity<D> {
    fn schema_name() -> Cow<'static, str> {
        format!("{:?}", D::DIMENSION).into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let d = D::DIMENSION;
        text_schema(d, "", d.example().to_owned(), &pattern(d, d != Dimension::Ratio))
    }
}

impl<D: Dim> JsonSchema for Range<D> {
    fn schema_name() -> Cow<'static, str> {
        format!("{:?}Range", D::DIMENSION).into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let d = D::DIMENSION;
        let both = format!(r"{} *\.\. *{}", pattern(d, false), pattern(d, d != Dimension::Ratio));
        text_schema(d, " range, low..high", d.range_example(), &both)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nist_sp_811_factors() {
        // NIST SP 811 appendix B.8; scipy.constants and Pint agree.
        let cases = [
            ("1 lbf", Dimension::Force, 4.448_221_615_260_5),
            ("1 mph", Dimension::Speed, 0.44704),
            ("1 psi", Dimension::Pressure, 6_894.757_293_168_36),
            ("1 ft.lbf", Dimension::Torque, 1.355_817_948_331_4),
            ("1 hp", Dimension::Power, 745.699_871_582_270),
            ("1 inHg", Dimension::Pressure, 3_386.388_640_341),
        ];
        for (text, d, si) in cases {
            let got = parse(text, d).unwrap();
            assert!((got / si - 1.0).abs() < 1e-14, "{text}: {got} is not {si}");
        }
        // lbf/mph² from the two exact factors: their quotient in rational arithmetic (Python 3.11, fractions)
        let c = LBF / 0.44704_f64.powi(2);
        assert!((c - 22.258_384_856_561_083).abs() < 1e-12);
    }

    #[test]
    fn a_unit_in_another_case_is_known_where_it_can_be_no_other() {
        let of = |symbol, dimension| whatever_case(symbol, dimension).map(|u| u.symbol);
        assert_eq!(of("[PSI]", Dimension::Pressure), Some("psi"));
        assert_eq!(of("MPH", Dimension::Speed), Some("mph"));
        assert_eq!((of("MPH", Dimension::Force), of("furlong", Dimension::Length)), (None, None));
    }

    #[test]
    fn text_forms() {
        assert!((parse("160 km/h", Dimension::Speed).unwrap() - 160.0 / 3.6).abs() < 1e-12);
        assert!((parse("-1.5e2mm", Dimension::Length).unwrap() + 0.15).abs() < 1e-15);
        assert!((parse("21 °C", Dimension::Temperature).unwrap() - 294.15).abs() < 1e-12);
        assert!((parse("68 degF", Dimension::Temperature).unwrap() - 293.15).abs() < 1e-9);
        assert_eq!(parse("42%", Dimension::Ratio).unwrap(), 0.42);
        assert_eq!(parse("0.42", Dimension::Ratio).unwrap(), 0.42);
        let (a, b) = parse_range("80..260 km/h", Dimension::Speed).unwrap();
        assert!((a - 80.0 / 3.6).abs() < 1e-12 && (b - 260.0 / 3.6).abs() < 1e-12);
    }

    #[test]
    fn refusals_say_what_is_needed() {
        let text = |t: &str, d| parse(t, d).unwrap_err().to_string();
        assert_eq!(text("3", Dimension::Length), "`3` has no unit: a length is written like `2.6 m`");
        assert_eq!(
            text("3 kg", Dimension::Length),
            "`kg` is a unit of mass, but a length is needed here, like `2.6 m`"
        );
        assert_eq!(
            text("3 km/hr", Dimension::Speed),
            "unknown unit `km/hr` (did you mean `km/h`?): a speed is written like `160 km/h`"
        );
        assert_eq!(text("fast", Dimension::Speed), "`fast` is not a speed: write it like `160 km/h`");
        assert!(parse_range("5..2 s", Dimension::Time).unwrap_err().to_string().contains("backwards"));
        let said = parse_range("1.5-5 s", Dimension::Time).unwrap_err().to_string();
        assert!(
            said.starts_with("`1.5-5 s` is no range: a time from one value to another is written like `0.75..1.5 s`"),
            "{said}"
        );
        assert!(parse("nan m", Dimension::Length).is_err() && parse("inf m", Dimension::Length).is_err());
    }
}
