//! Broadcast fields that follow the wheels' mean speed: a vehicle speed of another step somewhere on the bus.
//!
//! Its step is not known either, but both steps must be such as are in use, and that leaves few pairs.

use super::columns::{Column, FEWEST};
use super::cores::{BitRates, Core};
use super::groups::Group;
use super::places::Row;
use super::samples::Stream;

/// A companion's numbers lie within this share of its range about the line through rest (median).
const ON_THE_LINE: f64 = 0.012;
/// Shortest field that is looked at, in bits.
const SHORTEST: usize = 7;
/// Most companions that are used.
const MAX_COMPANIONS: usize = 4;

/// A field that follows the wheels' mean.
#[derive(Clone, Copy, Debug)]
pub(super) struct Companion {
    /// Its steps for one step of the wheels.
    pub(super) ratio: f64,
    /// How many bits it most likely has.
    pub(super) bits: usize,
    /// Median distance from the line, in shares of its range.
    pub(super) off: f64,
}

impl Companion {
    /// The same beside wheels whose numbers are divided.
    pub(super) const fn of_shorter(self, by: f64) -> Self {
        Self {
            ratio: self.ratio * by,
            ..self
        }
    }
}

/// The companions of a group, closest first. `rows` are the wheels' numbers above rest.
pub(super) fn find(
    streams: &[Stream],
    group: &Group,
    slots: &[u32],
    rows: &[Row],
) -> Vec<Companion> {
    let means: Vec<f64> = rows
        .iter()
        .map(|row| row.iter().sum::<f64>() / 4.0)
        .collect();
    let mut companions: Vec<Companion> = Vec::new();
    for (index, stream) in streams.iter().enumerate() {
        if group.columns.iter().any(|column| column.stream == index) || stream.slots.len() < FEWEST
        {
            continue;
        }
        let both = BitRates::both(stream);
        for rates in &both {
            // The upper part of a field follows as well, but with a step that nobody uses. In the wrong byte order the upper byte
            // looks like a field of its own: then it goes on below in the right one.
            let bits = stream.length * 8;
            let whole = |core: &Core| {
                let there = other_end(bits, core.end);
                let mut others = both.iter().filter(|other| other.order() != rates.order());
                let ends = |other: &BitRates| there.is_none_or(|end| other.drops_after(end));
                rates.drops_after(core.end) && others.all(ends)
            };
            for core in rates.cores(SHORTEST).into_iter().filter(whole) {
                let Some(column) =
                    Column::read(streams, index, rates.order(), core.end, core.longest)
                else {
                    continue;
                };
                let bits = if core.moving <= 8 && (core.end + 1).is_multiple_of(8) {
                    8
                } else {
                    core.longest
                };
                companions.extend(follow(&column, &stream.slots, slots, &means, bits));
            }
        }
    }
    companions.sort_by(|a, b| a.off.total_cmp(&b.off));
    let mut kept: Vec<Companion> = Vec::new();
    for companion in companions {
        let alike = kept
            .iter()
            .any(|known| (known.ratio / companion.ratio - 1.0).abs() < 0.02);
        if !alike && (companion.ratio - 1.0).abs() > 0.05 && kept.len() < MAX_COMPANIONS {
            kept.push(companion);
        }
    }
    kept
}

/// Where the lowest bit of a byte stands in the other byte order's count; `None` for another bit.
const fn other_end(bits: usize, end: usize) -> Option<usize> {
    // The lowest bit of a byte is the last of its eight in both counts, and bytes run the other way.
    if (end + 1).is_multiple_of(8) {
        Some(bits + 6 - end)
    } else {
        None
    }
}

/// Whether a column follows the means: fits a line and looks how far off it is.
fn follow(
    column: &Column,
    own_slots: &[u32],
    slots: &[u32],
    means: &[f64],
    bits: usize,
) -> Option<Companion> {
    let mut of_means = slots.iter().zip(means).peekable();
    let mut pairs = Vec::new();
    for (slot, raw) in own_slots.iter().zip(&column.values) {
        while of_means.next_if(|(other, _)| *other < slot).is_some() {}
        if let Some((_, mean)) = of_means.next_if(|(other, _)| *other == slot)
            && !column.is_mark(*raw)
        {
            pairs.push((*mean, f64::from(*raw)));
        }
    }
    if pairs.len() < 2 * FEWEST {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a few thousand pairs")]
    let count = pairs.len() as f64;
    let x0 = pairs.iter().map(|(x, _)| x).sum::<f64>() / count;
    let y0 = pairs.iter().map(|(_, y)| y).sum::<f64>() / count;
    let xx: f64 = pairs.iter().map(|(x, _)| (x - x0).powi(2)).sum();
    let xy: f64 = pairs.iter().map(|(x, y)| (x - x0) * (y - y0)).sum();
    if xx <= 0.0 || xy <= 0.0 {
        return None;
    }
    let ratio = xy / xx;
    let range = pairs.iter().map(|(_, y)| *y).fold(0.0, f64::max)
        - pairs.iter().map(|(_, y)| *y).fold(f64::MAX, f64::min);
    // A vehicle's speed is 0 when the wheels stand; an engine's speed is not.
    let at_rest = (y0 - ratio * x0).abs() / range.max(1.0);
    let mut offs: Vec<f64> = pairs
        .iter()
        .map(|(x, y)| (y - y0 - ratio * (x - x0)).abs() / range.max(1.0))
        .collect();
    offs.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| offs.get(offs.len() * share / 100).copied().unwrap_or(1.0);
    let moves = range >= 20.0;
    // Half a step of rounding is allowed on top.
    let room = ON_THE_LINE + 0.5 / range.max(1.0);
    (moves && at_rest <= 2.0 * room && at(50) <= room && at(90) <= 4.0 * room).then_some(
        Companion {
            ratio,
            bits,
            off: at(50),
        },
    )
}
