//! A log in memory: named columns of samples, SI, `NaN` where nothing was measured.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::units::Dimension;

/// One channel's samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Canonical name, or the layout's own for further channels, or a stage's.
    pub name: String,
    /// What the numbers measure; they are in its SI unit.
    pub dimension: Dimension,
    /// One value per time stamp; `NaN` is missing. Written down in single precision, see [`Column::round`].
    pub values: Vec<f64>,
}

impl Column {
    /// Rounds to single precision, 24 bits: eight more than the converter of any logger. A finished log is held so,
    /// whether it is kept between runs or not, so that a number does not depend on where it comes from.
    pub fn round(&mut self) {
        self.values.iter_mut().for_each(|v| *v = f64::from(*v as f32));
    }
}

/// A stretch of a log that belongs to one run-sheet row and one outing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// First sample.
    pub start: usize,
    /// One past the last sample.
    pub end: usize,
    /// Outing number within the log, from 1.
    pub outing: u32,
    /// Index into the log's run-sheet rows.
    pub run: usize,
    /// Remarks on this stretch alone, sorted.
    pub flags: Vec<String>,
}

impl Segment {
    /// Adds a flag once.
    pub fn flag(&mut self, flag: &str) {
        insert(&mut self.flags, flag);
    }
}

fn insert(flags: &mut Vec<String>, flag: &str) {
    if let Err(at) = flags.binary_search_by(|f| f.as_str().cmp(flag)) {
        flags.insert(at, flag.to_owned());
    }
}

/// A log's samples.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LogFrame {
    /// Seconds from the first sample.
    #[serde(with = "stamps")]
    pub time: Vec<f64>,
    /// File line of each sample where the source is text; empty otherwise.
    pub first_line: u64,
    /// Samples per second once aligned; 0 before.
    pub rate: f64,
    /// The channels.
    #[serde(with = "channels")]
    pub columns: Vec<Column>,
    /// Which stretch belongs to which run; filled by `align`.
    pub segments: Vec<Segment>,
    /// Remarks on the whole log that the tables carry as flags (`standard_atmosphere`, …), sorted.
    pub flags: Vec<String>,
    /// Columns of which the layout names another unit than the file does, with both.
    pub other_units: Vec<String>,
    /// Outings found, whether or not a row of the run sheet names them; filled by `align`.
    pub outings: usize,
    /// What it says of its car.
    pub car: OfItsCar,
}

/// What a log says of its car, over what the car file says; `None` where it says nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct OfItsCar {
    /// Load that braking and accelerating move onto the front axle.
    pub front_transfer: Option<f64>,
    /// The same of the rear axle.
    pub rear_transfer: Option<f64>,
    /// Mass that the torque at the wheels asks for.
    pub mass: Option<f64>,
}

impl LogFrame {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.time.len()
    }
    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }
    /// A channel's samples.
    pub fn get(&self, name: &str) -> Option<&[f64]> {
        self.columns.iter().find(|c| c.name == name).map(|c| c.values.as_slice())
    }
    /// Adds a channel, or replaces the one of that name.
    pub fn set(&mut self, name: &str, dimension: Dimension, values: Vec<f64>) {
        debug_assert_eq!(values.len(), self.len());
        match self.columns.iter_mut().find(|c| c.name == name) {
            Some(c) => (c.dimension, c.values) = (dimension, values),
            None => self.columns.push(Column { name: name.to_owned(), dimension, values }),
        }
    }
    /// Adds a flag once.
    pub fn flag(&mut self, flag: &str) {
        insert(&mut self.flags, flag);
    }
    /// Remarks on the whole log and on one stretch of it, sorted.
    pub fn flags_of(&self, segment: &Segment) -> Vec<String> {
        let mut all = self.flags.clone();
        segment.flags.iter().for_each(|f| insert(&mut all, f));
        all
    }
    /// Remarks on the whole log and on all its stretches, sorted.
    pub fn all_flags(&self) -> Vec<String> {
        let mut all = self.flags.clone();
        self.segments.iter().flat_map(|s| &s.flags).for_each(|f| insert(&mut all, f));
        all
    }
}

/// Time stamps: those of an even grid as their number and step, which is a tenth of a log; others as they are.
mod stamps {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    struct Bits(Vec<f64>);

    impl Serialize for Bits {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            super::put(&self.0, f64::to_le_bytes, s)
        }
    }

    impl<'de> Deserialize<'de> for Bits {
        fn deserialize<D: Deserializer<'de>>(de: D) -> Result<Self, D::Error> {
            super::take(de, f64::from_le_bytes).map(Self)
        }
    }

    fn on_grid(step: f64, points: u64) -> impl Iterator<Item = f64> {
        (0..points).map(move |i| i as f64 * step)
    }

    pub fn serialize<S: Serializer>(time: &[f64], s: S) -> Result<S::Ok, S::Error> {
        let (points, step) = (time.len() as u64, time.get(1).copied().unwrap_or(0.0));
        let even = points > 1 && time.iter().zip(on_grid(step, points)).all(|(t, grid)| t.to_bits() == grid.to_bits());
        let (points, rest) = if even { (points, Vec::new()) } else { (0, time.to_vec()) };
        (points, step, Bits(rest)).serialize(s)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(de: D) -> Result<Vec<f64>, D::Error> {
        let (points, step, Bits(rest)) = <(u64, f64, Bits)>::deserialize(de)?;
        Ok(if points > 0 { on_grid(step, points).collect() } else { rest })
    }
}

/// Channels in single precision. Long runs of one value take a word each. One value throughout (an air density from the run sheet), or the samples of a channel
/// before it (the air speed where no wind is known), take no more than a word.
mod channels {
    use serde::ser::SerializeSeq;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::Column;
    use crate::units::Dimension;

    struct Samples<'a>(&'a [f64]);

    impl Serialize for Samples<'_> {
        fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
            super::put(self.0, |v| (v as f32).to_le_bytes(), s)
        }
    }

    struct Owned(Vec<f64>);

    impl<'de> Deserialize<'de> for Owned {
        fn deserialize<D: Deserializer<'de>>(de: D) -> Result<Self, D::Error> {
            super::take(de, |b| f64::from(f32::from_le_bytes(b))).map(Self)
        }
    }

    /// How a channel's samples are written.
    #[derive(Serialize, Deserialize)]
    enum As<T> {
        Samples(T),
        /// So many times the single of these bits.
        Constant(u64, u32),
        /// As those of an earlier channel.
        Like(usize),
        /// Runs of equal values: how often, and the bits of the single (a gear, a mass that changes with it).
        Runs(Vec<(u32, u32)>),
    }

    /// Samples that a run must last on the average to be worth it.
    const LASTING: usize = 16;

    /// The runs of equal values, unless they are short.
    fn runs(values: &[f64]) -> Option<Vec<(u32, u32)>> {
        let most = values.len() / LASTING;
        let mut out: Vec<(u32, u32)> = Vec::new();
        for v in values {
            let (bits, room) = (bits(v), out.len() < most);
            match out.last_mut() {
                Some(last) if last.1 == bits => last.0 += 1,
                _ if room => out.push((1, bits)),
                _ => return None,
            }
        }
        Some(out)
    }

    fn bits(v: &f64) -> u32 {
        (*v as f32).to_bits()
    }

    fn same(a: &[f64], b: &[f64]) -> bool {
        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| bits(a) == bits(b))
    }

    pub fn serialize<S: Serializer>(columns: &[Column], s: S) -> Result<S::Ok, S::Error> {
        let mut out = s.serialize_seq(Some(columns.len()))?;
        for (i, c) in columns.iter().enumerate() {
            let written = match c.values.split_first() {
                Some((first, rest)) if rest.iter().all(|v| bits(v) == bits(first)) => {
                    As::Constant(c.values.len() as u64, bits(first))
                }
                _ => match columns[..i].iter().position(|before| same(&before.values, &c.values)) {
                    Some(before) => As::Like(before),
                    None => match runs(&c.values) {
                        Some(runs) => As::Runs(runs),
                        None => As::Samples(Samples(&c.values)),
                    },
                },
            };
            out.serialize_element(&(&c.name, c.dimension, written))?;
        }
        out.end()
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(de: D) -> Result<Vec<Column>, D::Error> {
        let read = Vec::<(String, Dimension, As<Owned>)>::deserialize(de)?;
        let mut out: Vec<Column> = Vec::with_capacity(read.len());
        for (name, dimension, written) in read {
            let values = match written {
                As::Samples(Owned(values)) => values,
                As::Constant(n, bits) => vec![f64::from(f32::from_bits(bits)); n as usize],
                As::Runs(runs) => {
                    let each = runs.iter().map(|(n, bits)| (*n as usize, f64::from(f32::from_bits(*bits))));
                    each.flat_map(|(n, v)| std::iter::repeat_n(v, n)).collect()
                }
                As::Like(before) => {
                    let missing = || serde::de::Error::custom("samples like those of a channel that is not there");
                    out.get(before).map(|c| c.values.clone()).ok_or_else(missing)?
                }
            };
            out.push(Column { name, dimension, values });
        }
        Ok(out)
    }
}

/// Samples as one run of bytes, little-endian: ten times as quick as one number after the other.
fn put<S: Serializer, const N: usize>(values: &[f64], to: impl Fn(f64) -> [u8; N], s: S) -> Result<S::Ok, S::Error> {
    let mut bytes = vec![0; values.len() * N];
    bytes.as_chunks_mut::<N>().0.iter_mut().zip(values).for_each(|(b, v)| *b = to(*v));
    s.serialize_bytes(&bytes)
}

/// The way back.
fn take<'de, D: Deserializer<'de>, const N: usize>(de: D, from: impl Fn([u8; N]) -> f64) -> Result<Vec<f64>, D::Error> {
    let decode = |bytes: &[u8]| {
        let (samples, rest) = bytes.as_chunks::<N>();
        rest.is_empty().then(|| samples.iter().map(|b| from(*b)).collect())
    };
    let wrong = || serde::de::Error::custom(format!("samples of {N} bytes each were expected"));
    de.deserialize_bytes(Bytes(decode))?.ok_or_else(wrong)
}

/// Takes what the function makes of a run of bytes.
struct Bytes<F>(F);

impl<T, F: Fn(&[u8]) -> T> serde::de::Visitor<'_> for Bytes<F> {
    type Value = T;
    fn expecting(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        f.write_str("a run of bytes")
    }
    fn visit_bytes<E: serde::de::Error>(self, bytes: &[u8]) -> Result<T, E> {
        Ok((self.0)(bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::{Column, LogFrame};
    use crate::units::Dimension;

    #[test]
    fn channels_come_back_and_repeat_nothing() {
        let ramp: Vec<f64> = (0..1000).map(|i| f64::from(i as f32 * 0.1)).collect();
        let mut nearly = ramp.clone();
        nearly[999] += 1.0;
        let holes = vec![f64::NAN; 1000];
        let steps: Vec<f64> = (0..1000).map(|i| f64::from(i / 100)).collect();
        let all = [vec![1.5; 1000], ramp.clone(), ramp, nearly, holes, vec![0.0, -0.0], vec![], steps];
        let column = |(i, values)| Column { name: format!("c{i}"), dimension: Dimension::Speed, values };
        let frame = LogFrame { columns: all.into_iter().enumerate().map(column).collect(), ..Default::default() };
        let written = postcard::to_allocvec(&frame).unwrap();
        // Two channels of a thousand singles, and little else.
        assert!((8000..8200).contains(&written.len()), "{}", written.len());
        let back: LogFrame = postcard::from_bytes(&written).unwrap();
        for (a, b) in frame.columns.iter().zip(&back.columns) {
            let bits = |c: &Column| c.values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            assert_eq!((&a.name, a.dimension, bits(a)), (&b.name, b.dimension, bits(b)));
        }
        assert_eq!(back.columns.len(), 8);
    }

    #[test]
    fn stamps_come_back_bit_by_bit() {
        let even: Vec<f64> = (0..1000).map(|i| f64::from(i) * (1.0 / 30.0)).collect();
        let mut uneven = even.clone();
        uneven[500] += 1e-12;
        for (time, bytes) in
            [(even, 60), (uneven, 8060), (vec![], 40), (vec![3.5], 50), (vec![0.0, f64::NAN, -0.0], 80)]
        {
            let frame = LogFrame { time, ..Default::default() };
            let written = postcard::to_allocvec(&frame).unwrap();
            assert!(written.len() < bytes, "{} of {bytes}", written.len());
            let back: LogFrame = postcard::from_bytes(&written).unwrap();
            let bits = |f: &LogFrame| f.time.iter().map(|t| t.to_bits()).collect::<Vec<_>>();
            assert_eq!(bits(&back), bits(&frame));
        }
    }
}
