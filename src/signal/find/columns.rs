//! A field of a stream as a column of numbers, and how near two columns are to each other.

use std::ops::RangeInclusive;

use crate::signal::{ByteOrder, Coding, Field};

use super::cores::start_bit;
use super::places::Row;
use super::samples::Stream;

/// Fewest samples in motion that two columns are compared on.
pub(super) const FEWEST: usize = 24;
/// By what share of the speed two wheels of one vehicle may differ for good: their tyres (common practice, no source).
const TYRES: f64 = 0.03;

/// A field of a stream as numbers.
#[derive(Clone, Debug)]
pub(super) struct Column {
    /// Index of the stream.
    pub(super) stream: usize,
    pub(super) order: ByteOrder,
    /// Least significant bit, counted as in `BitRates`.
    pub(super) end: usize,
    /// How many bits it is read with.
    pub(super) length: usize,
    pub(super) field: Field,
    /// One for each sample of the stream.
    pub(super) values: Vec<u16>,
    /// From this raw number on it is a mark and no value.
    marks_from: u32,
}

/// A mark stands apart: the highest value lies below this share of it.
const MARK_APART: f64 = 0.75;

/// From which raw number on a field holds marks: all bits set, or all but one or two at the end. A number of 10 to 15 bits in
/// a longer slot has its own: one that stands apart at the top, with all of fewer bits set.
fn marks_from(values: &[u16], mask: u64) -> u32 {
    let own = u32::try_from(mask).unwrap_or(u32::MAX).saturating_sub(1);
    let below = |limit: u32| {
        let all = values.iter().map(|raw| u32::from(*raw));
        all.filter(|raw| *raw < limit).max().unwrap_or(0)
    };
    let top = below(own);
    let bits = 32 - top.leading_zeros();
    let full = (1_u32 << bits) - 1;
    if (10..16).contains(&bits)
        && top + 1 >= full
        && f64::from(below(full - 1)) < MARK_APART * f64::from(top)
    {
        full - 1
    } else {
        own
    }
}

/// What a column does over time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// 3rd percentile.
    pub(super) low: f64,
    /// 97th percentile less the 3rd.
    pub(super) spread: f64,
    /// Correlation of neighbouring samples.
    pub(super) smoothness: f64,
}

/// How near two columns are, while the first one moves.
#[derive(Clone, Copy, Debug)]
pub(super) struct Nearness {
    /// Median of the absolute difference, in spreads of the first.
    pub(super) median: f64,
    /// 90th percentile of the same.
    pub(super) high: f64,
    /// Share of samples in which both are exactly equal.
    pub(super) equal: f64,
}

impl Column {
    /// Reads a field; `None` when it does not fit.
    pub(super) fn read(
        streams: &[Stream],
        stream: usize,
        order: ByteOrder,
        end: usize,
        length: usize,
    ) -> Option<Self> {
        let of = streams.get(stream)?;
        let bits = of.length * 8;
        if end >= bits || end + 1 < length {
            return None;
        }
        let start = start_bit(order, bits, end, length);
        let field = Field::new(
            u64::try_from(start).ok()?,
            u64::try_from(length).ok()?,
            order,
            Coding::Unsigned,
        )
        .ok()?;
        let raw = |payload| u16::try_from(field.raw(payload).unwrap_or(0)).unwrap_or(u16::MAX);
        let values: Vec<u16> = of.payloads().map(raw).collect();
        Some(Self {
            marks_from: marks_from(&values, field.mask()),
            stream,
            order,
            end,
            length,
            field,
            values,
        })
    }

    /// Whether a raw number is a mark rather than a value.
    pub(super) fn is_mark(&self, raw: u16) -> bool {
        u32::from(raw) >= self.marks_from
    }

    /// How many bits the number may have: at least those of its highest value, at most those of its field; both the same
    /// where a mark tells.
    pub(super) fn lengths(&self) -> RangeInclusive<usize> {
        let bits = |raw: u32| usize::try_from(32 - raw.leading_zeros()).unwrap_or(16);
        let marked = bits(self.marks_from);
        if marked < self.length {
            return marked..=marked;
        }
        let values = self.values.iter().copied();
        let highest = values.filter(|raw| !self.is_mark(*raw)).max().unwrap_or(0);
        bits(u32::from(highest)).min(self.length)..=self.length
    }

    /// What it does; `None` when it hardly moves, jumps about, or counts.
    pub(super) fn shape(&self) -> Option<Shape> {
        let mut sorted: Vec<u16> = self
            .values
            .iter()
            .copied()
            .filter(|raw| !self.is_mark(*raw))
            .collect();
        if sorted.len() < FEWEST {
            return None;
        }
        sorted.sort_unstable();
        let at = |share: usize| {
            sorted
                .get(sorted.len() * share / 100)
                .copied()
                .map_or(0.0, f64::from)
        };
        let (low, high) = (at(3), at(97));
        let spread = high - low;
        if spread < 24.0 {
            return None;
        }
        let mut count = 0_u64;
        let (mut rises, mut falls, mut wraps) = (0_u32, 0_u32, 0_u32);
        let (mut product, mut square) = (0.0, 0.0);
        let middle = f64::midpoint(low, high);
        for values in self.values.windows(2) {
            let &[a, b] = values else {
                continue;
            };
            if self.is_mark(a) || self.is_mark(b) {
                continue;
            }
            let (a, b) = (f64::from(a), f64::from(b));
            product += (a - middle) * (b - middle);
            square += f64::midpoint((a - middle).powi(2), (b - middle).powi(2));
            if (b - a).abs() > spread / 2.0 {
                wraps += 1;
            } else if b > a {
                rises += 1;
            } else if b < a {
                falls += 1;
            }
            count += 1;
        }
        let smoothness = product / square.max(1e-9);
        let counts = wraps >= 2 && rises.min(falls) * 10 < rises.max(falls);
        let jumps = u64::from(wraps) * 200 > count;
        // A signed number about zero, or one that wraps, fills its whole range.
        let fills = spread > 0.85 * f64::from(u32::try_from(self.field.mask()).unwrap_or(u32::MAX));
        if smoothness < 0.8 || counts || jumps || fills {
            return None;
        }
        Some(Shape {
            low,
            spread,
            smoothness,
        })
    }
}

/// Calls `each` with the values of two columns that belong to the same time.
pub(super) fn together(
    streams: &[Stream],
    a: &Column,
    b: &Column,
    mut each: impl FnMut(usize, u16, u16),
) {
    if a.stream == b.stream {
        for (index, (x, y)) in a.values.iter().zip(&b.values).enumerate() {
            each(index, *x, *y);
        }
        return;
    }
    let slots = |column: &Column| {
        streams
            .get(column.stream)
            .map_or(&[][..], |stream| &stream.slots)
    };
    let mut of_b = slots(b).iter().zip(&b.values).peekable();
    for (index, (slot, x)) in slots(a).iter().zip(&a.values).enumerate() {
        while of_b.next_if(|(other, _)| *other < slot).is_some() {}
        if let Some((_, y)) = of_b.next_if(|(other, _)| *other == slot) {
            each(index, *x, *y);
        }
    }
}

/// How near `b` is to `a` while `a` moves; `None` when there is too little to tell.
pub(super) fn nearness(
    streams: &[Stream],
    a: &Column,
    b: &Column,
    shape: &Shape,
) -> Option<Nearness> {
    let moving = shape.low + 0.15 * shape.spread;
    let mut pairs = Vec::new();
    let mut equal = 0_usize;
    together(streams, a, b, |_, x, y| {
        if f64::from(x) > moving && !a.is_mark(x) && !b.is_mark(y) {
            pairs.push((f64::from(x), f64::from(y) - f64::from(x)));
            equal += usize::from(x == y);
        }
    });
    if pairs.len() < FEWEST {
        return None;
    }
    let middle = pairs.len() / 2;
    let (_, &mut (level, difference), _) =
        pairs.select_nth_unstable_by(middle, |a, b| a.1.total_cmp(&b.1));
    // Tyres of unlike size differ by a share of the speed, which at a steady speed is more than the speed changes.
    let share = (difference / level.max(1.0)).clamp(-TYRES, TYRES);
    let mut differences: Vec<f64> = pairs
        .iter()
        .map(|(x, difference)| (difference - share * x).abs())
        .collect();
    differences.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| {
        let value = differences.get(differences.len() * share / 100);
        value.copied().unwrap_or(0.0) / shape.spread
    };
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of at most a few thousand"
    )]
    let equal = equal as f64 / differences.len() as f64;
    Some(Nearness {
        median: at(50),
        high: at(90),
        equal,
    })
}

/// Slots, and the four numbers less `rest` in each, where all four are there and none is a mark.
pub(super) fn rows(streams: &[Stream], columns: &[Column; 4], rest: f64) -> (Vec<u32>, Vec<Row>) {
    let [first, others @ ..] = columns;
    let mut table: Vec<[Option<u16>; 4]> = first
        .values
        .iter()
        .map(|raw| [Some(*raw), None, None, None])
        .collect();
    for (place, other) in others.iter().enumerate() {
        together(streams, first, other, |index, _, raw| {
            if let Some(cell) = table.get_mut(index).and_then(|row| row.get_mut(place + 1)) {
                *cell = Some(raw);
            }
        });
    }
    let mut slots = Vec::new();
    let mut rows = Vec::new();
    let of = streams
        .get(first.stream)
        .map_or(&[][..], |stream| &stream.slots);
    for (slot, row) in of.iter().zip(&table) {
        let [Some(a), Some(b), Some(c), Some(d)] = *row else {
            continue;
        };
        if [a, b, c, d].iter().any(|raw| first.is_mark(*raw)) {
            continue;
        }
        slots.push(*slot);
        rows.push([a, b, c, d].map(|raw| f64::from(raw) - rest));
    }
    (slots, rows)
}
