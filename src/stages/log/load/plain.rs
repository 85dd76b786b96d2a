//! Plain numbers between separators, without quotes: what nearly every export is. Separators and line ends are found
//! sixteen bytes at a time, then the needed columns are read one after the other, piece by piece of the file, so that the
//! processor sees numbers of one kind in a row. Whatever is not plain is left to the other readers.

use wide::u8x16;

use super::careful::Missing;
use super::columns::{Map, Time};
use super::decimal::Decimals;
use super::samples::Samples;
use super::shape::Body;
use crate::config::layout::{Decimal, Layout};

/// Bytes of a piece: it and the places in it stay in the processor's nearest memories.
const PIECE: usize = 1 << 15;
/// Bytes that are looked at together.
const BLOCK: usize = 64;

/// Reads the data; `None` where anything is not plain, or lines differ in shape.
pub fn read<'a>(body: &Body, layout: &'a Layout, map: &Map<'a>) -> Option<Samples<'a>> {
    let mark = match layout.text.decimal {
        Decimal::Point => b'.',
        Decimal::Comma => b',',
    };
    // A line of one field may be empty, which the others refuse.
    if mark == body.delimiter || body.fields < 2 || matches!(map.time, Time::Clock { .. }) {
        return None;
    }
    let cells = Cells { decimals: Decimals::new(mark), missing: Missing::new(layout) };
    let mut samples = Samples::new(map, body.first_line);
    let mut places = Places::new(body);
    while let Some(piece) = places.next()? {
        if samples.rows == 0 {
            // As many lines as the first ones promise, and some.
            let lines = body.data.len() / piece.text.len().max(1) * piece.rows * 17 / 16 + piece.rows;
            samples.values.iter_mut().for_each(|v| v.reserve(lines));
            samples.time.reserve(if matches!(map.time, Time::Rate(_)) { 0 } else { lines });
        }
        if let Time::Elapsed { index, scale } = map.time {
            cells.take(&piece, index, (scale, 0.0), &mut samples.time)?;
        }
        for (found, values) in map.channels.iter().zip(&mut samples.values) {
            cells.take(&piece, found.index, (found.scale, found.offset), values)?;
        }
        samples.rows += piece.rows;
    }
    Some(samples)
}

/// What the cells of a file mean.
struct Cells<'a> {
    decimals: Decimals,
    missing: Missing<'a>,
}

impl Cells<'_> {
    /// Takes over a column of a piece, in SI.
    fn take(&self, piece: &Piece, column: usize, (scale, offset): (f64, f64), to: &mut Vec<f64>) -> Option<()> {
        let mut sound = true;
        let of_row = |row: usize| {
            let (start, end) = piece.cell(row, column);
            let value = if start == end { f64::NAN } else { self.value(piece.text, start, end, &mut sound) };
            value * scale + offset
        };
        to.extend((0..piece.rows).map(of_row));
        sound.then_some(())
    }

    #[inline]
    fn value(&self, text: &[u8], start: usize, end: usize, sound: &mut bool) -> f64 {
        match self.decimals.read(text, start, end) {
            Some(value) if self.missing.has_numbers() && self.missing.number(value) => f64::NAN,
            Some(value) => value,
            None => {
                *sound &= text.get(start..end).is_some_and(|cell| cell.is_ascii() && self.missing.text(cell));
                f64::NAN
            }
        }
    }
}

/// Whole lines, with the places of their separators and ends.
struct Piece<'a> {
    text: &'a [u8],
    places: &'a [u32],
    fields: usize,
    rows: usize,
    eol: u8,
}

impl Piece<'_> {
    /// Where a cell begins and ends. Of `\r\n` the first stands before the end of the last cell.
    #[inline]
    fn cell(&self, row: usize, column: usize) -> (usize, usize) {
        let at = row * self.fields + column;
        let start = if at == 0 { 0 } else { self.places[at - 1] as usize + 1 };
        let mut end = self.places[at] as usize;
        if column + 1 == self.fields && self.eol == b'\n' && end > start && self.text[end - 1] == b'\r' {
            end -= 1;
        }
        (start, end)
    }
}

/// Goes through a file piece by piece.
struct Places<'a> {
    body: &'a Body<'a>,
    /// First byte of the piece; its places count from there.
    start: usize,
    /// Bytes that were looked at.
    seen: usize,
    /// Places of separators and line ends from `start` on, and how many of them there are.
    places: Vec<u32>,
    count: usize,
    /// Rows that were handed out, and line ends that were seen.
    rows: usize,
    ends: usize,
    /// Places of the rows that were handed out last, and the bytes up to their end.
    done: (usize, usize),
}

impl<'a> Places<'a> {
    fn new(body: &'a Body<'a>) -> Self {
        let places = vec![0; 2 * (PIECE + BLOCK)];
        Self { body, start: 0, seen: 0, places, count: 0, rows: 0, ends: 0, done: (0, 0) }
    }

    /// The next piece, nothing at the end; `None` where lines differ in shape or a quote stands somewhere.
    fn next(&mut self) -> Option<Option<Piece<'_>>> {
        let (data, fields) = (self.body.data, self.body.fields);
        let (used, bytes) = std::mem::take(&mut self.done);
        self.places.copy_within(used..self.count, 0);
        self.count -= used;
        self.start += bytes;
        let moved = u32::try_from(bytes).ok()?;
        self.places[..self.count].iter_mut().for_each(|p| *p -= moved);
        let mut rows = 0;
        while rows == 0 {
            if self.seen == data.len() {
                return (self.count == 0).then_some(None);
            }
            self.look()?;
            rows = self.count / fields;
            // Every row ends with a line end, and there are no others: all else are separators.
            if self.ends != self.rows + rows {
                return None;
            }
        }
        let places = &self.places[..rows * fields];
        let text = &data[self.start..];
        let ends_line =
            |row: &[u32]| row.last().is_some_and(|e| text.get(*e as usize).is_none_or(|b| *b == self.body.eol));
        if !places.chunks_exact(fields).all(ends_line) {
            return None;
        }
        self.rows += rows;
        let end = places.last().map_or(0, |e| *e as usize);
        self.done = (rows * fields, (end + 1).min(text.len()));
        Some(Some(Piece { text, places, fields, rows, eol: self.body.eol }))
    }

    /// Looks at some more bytes.
    fn look(&mut self) -> Option<()> {
        let (data, eol) = (self.body.data, self.body.eol);
        let upto = (self.seen + PIECE).min(data.len());
        let room = self.count + (upto - self.seen) + BLOCK;
        if self.places.len() < room {
            self.places.resize(room, 0);
        }
        let (first, bytes) = (u32::try_from(upto - self.start).ok()?, &data[self.seen..upto]);
        let first = first - bytes.len() as u32;
        let (blocks, rest) = bytes.as_chunks::<BLOCK>();
        let wanted = [self.body.delimiter, eol, b'"'];
        let mut quoted = false;
        for (block, at) in blocks.iter().zip((first..).step_by(BLOCK)) {
            let [separators, ends, quotes] = find(block, wanted);
            quoted |= quotes != 0;
            self.ends += ends.count_ones() as usize;
            self.note(separators | ends, at);
        }
        if !rest.is_empty() {
            // Filled up with what is none of these.
            let mut block = [0; BLOCK];
            block[..rest.len()].copy_from_slice(rest);
            let [separators, ends, quotes] = find(&block, wanted);
            quoted |= quotes != 0;
            self.ends += ends.count_ones() as usize;
            self.note(separators | ends, first + (blocks.len() * BLOCK) as u32);
        }
        self.seen = upto;
        if upto == data.len() {
            // The data end without a line end.
            self.places[self.count] = first + bytes.len() as u32;
            self.count += 1;
            self.ends += 1;
        }
        (!quoted).then_some(())
    }

    /// Notes the places of a block, told by the bits of a word.
    #[inline]
    fn note(&mut self, mut found: u64, at: u32) {
        let n = found.count_ones() as usize;
        for place in &mut self.places[self.count..self.count + n] {
            *place = at + found.trailing_zeros();
            found &= found.wrapping_sub(1);
        }
        self.count += n;
    }
}

/// Where three bytes stand in a block: a bit for every place.
#[inline]
fn find(block: &[u8; BLOCK], wanted: [u8; 3]) -> [u64; 3] {
    let mut out = [0; 3];
    for (i, part) in block.as_chunks::<16>().0.iter().enumerate() {
        let part = u8x16::new(*part);
        for (found, byte) in out.iter_mut().zip(wanted) {
            *found |= u64::from(part.simd_eq(u8x16::splat(byte)).to_bitmask()) << (16 * i);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(data: &str, fields: usize) -> Option<Vec<Vec<String>>> {
        let body = Body { data: data.as_bytes(), first_line: 1, fields, delimiter: b',', eol: b'\n', ended: false };
        let mut places = Places::new(&body);
        let mut out = Vec::new();
        while let Some(piece) = places.next()? {
            out.extend((0..piece.rows).map(|row| {
                let cell = |column| {
                    let (start, end) = piece.cell(row, column);
                    String::from_utf8(piece.text[start..end].to_vec()).unwrap()
                };
                (0..fields).map(cell).collect::<Vec<_>>()
            }));
        }
        Some(out)
    }

    #[test]
    fn cells_stand_where_they_stand_however_the_pieces_fall() {
        // More than a piece, in lines of a length that never meets its end alike; then a line of more than a piece.
        let line = |i: usize| vec![i.to_string(), "7".repeat(i % 13), String::new(), format!("{}.5", i * i)];
        let mut wanted: Vec<Vec<String>> = (0..6000).map(line).collect();
        wanted[3000][2] = "3".repeat(3 * PIECE);
        let text = |end: &str| wanted.iter().map(|l| l.join(",")).collect::<Vec<_>>().join(end);
        assert!(rows(&text("\n"), 4).unwrap() == wanted);
        assert!(rows(&text("\r\n"), 4).unwrap() == wanted);
        for (from, to) in [("\n17,", "\n17"), ("\n5000,", "\n5000,,"), ("\n4999,", "\n\n4999,"), ("\n17,", "\n\"17\",")]
        {
            let ragged = text("\n").replacen(from, to, 1);
            assert!(ragged != text("\n") && rows(&ragged, 4).is_none(), "{from:?}");
        }
        // A separator in the place of a line end, and the other way round.
        assert!(rows("1,2\n3,4,5,6\n7,8", 2).is_none());
        assert!(rows("1,2\n3\n4,5,6", 2).is_none());
        assert_eq!(rows("1,2", 2).unwrap(), [["1", "2"]]);
    }
}
