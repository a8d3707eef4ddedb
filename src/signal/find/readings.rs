//! Where the numbers of a group end, when the bits themselves do not tell.

use crate::signal::ByteOrder;

use super::columns::{Column, rows};
use super::cores::{BitRates, LONGEST, SHORTEST};
use super::groups::Group;
use super::samples::Stream;

/// Most ways to read a group's fields.
const MAX_READINGS: usize = 4;
/// Fewest rows on the lowest number that are a standstill.
const FEWEST_AT_REST: usize = 5;

/// The ways to read a group's fields where the bits themselves do not tell where they end, the most likely first. Still low bits
/// up to the byte's end belong to the value when all four have them, and leave the next field whole; a bit above the value that
/// tells only whether the wheel turns is a flag; so are bits that are always 1 when they would dwarf every change.
pub(super) fn of(streams: &[Stream], group: &Group) -> Vec<Group> {
    let mut whole = group.clone();
    if let Some(columns) = with_low_bits(streams, group) {
        whole.columns = columns;
    }
    while let Some(columns) = without_switch(streams, &whole) {
        whole.columns = columns;
    }
    let resting = whole.rest(streams);
    let mut readings = vec![whole];
    let mut first = 0;
    let mut above = None;
    while let Some(last) = readings.last()
        && let Some((columns, flag, likely)) = without_flags(streams, last, resting)
        && readings.len() < MAX_READINGS
    {
        // Without a standstill a bit of the number may be 1 throughout; flags stand side by side.
        let beside = above.is_none_or(|above| flag + 1 == above);
        if likely && first + 1 == readings.len() && (resting.is_some() || beside) {
            first = readings.len();
        }
        above = Some(flag);
        let mut shorter = last.clone();
        shorter.columns = columns;
        readings.push(shorter);
    }
    readings.swap(0, first);
    readings
}

fn with_low_bits(streams: &[Stream], group: &Group) -> Option<[Column; 4]> {
    let more = group
        .columns
        .iter()
        .map(|column| (8 - (column.end + 1) % 8) % 8)
        .max()?;
    let aligned = group
        .columns
        .iter()
        .all(|column| (column.end + 1 + more) % 8 == 0);
    if more == 0 || !aligned {
        return None;
    }
    let rates: Vec<_> = group
        .columns
        .iter()
        .map(|column| {
            let stream = streams.get(column.stream)?;
            let [big, little] = BitRates::both(stream);
            let rates = match column.order {
                ByteOrder::Big => big,
                ByteOrder::Little => little,
            };
            (rates.still_after(column.end) >= more).then_some(())
        })
        .collect();
    if rates.iter().any(Option::is_none) {
        return None;
    }
    // The still bits may as well be the top of the next field; then the lengths would have to add up without them.
    let room = group.columns.iter().map(|column| {
        let before = group
            .columns
            .iter()
            .filter(|other| other.stream == column.stream && other.end < column.end);
        let nearest = before.map(|other| other.end + more + 1).max().unwrap_or(0);
        column.end + more + 1 - nearest.min(column.end)
    });
    let length = room.min()?.min(LONGEST);
    let read = |column: &Column| {
        Column::read(
            streams,
            column.stream,
            column.order,
            column.end + more,
            length,
        )
    };
    let [a, b, c, d] = &group.columns;
    (length >= SHORTEST).then_some([read(a)?, read(b)?, read(c)?, read(d)?])
}

/// The fields without their highest moving bit, where that bit is none of the value: a value that passes from 127 to 128 changes all
/// its bits, so that without a bit of its own it jumps; with a foreign bit it jumps as well.
fn without_switch(streams: &[Stream], group: &Group) -> Option<[Column; 4]> {
    let (ones, changes) = bits_of(group);
    let moving = usize::try_from(16 - (changes & !ones).leading_zeros()).ok()?;
    let shorter = moving.checked_sub(1)?;
    let mask = 1_u16.checked_shl(u32::try_from(shorter).ok()?)?;
    let (mut flips, mut with, mut without) = (0_u32, 0_u64, 0_u64);
    for column in &group.columns {
        for pair in column.values.windows(2) {
            let &[a, b] = pair else { continue };
            if (a ^ b) & mask == 0 || column.is_mark(a) || column.is_mark(b) {
                continue;
            }
            flips += 1;
            with += u64::from(a.abs_diff(b));
            without += u64::from((a & (mask - 1)).abs_diff(b & (mask - 1)));
        }
    }
    if flips < 2 || without * 4 > with || shorter < SHORTEST {
        return None;
    }
    at_shorter(streams, group, shorter)
}

fn at_shorter(streams: &[Stream], group: &Group, length: usize) -> Option<[Column; 4]> {
    let read =
        |column: &Column| Column::read(streams, column.stream, column.order, column.end, length);
    let [a, b, c, d] = &group.columns;
    Some([read(a)?, read(b)?, read(c)?, read(d)?])
}

/// The bits that are 1 in all numbers of a group, and those that are 1 in any.
fn bits_of(group: &Group) -> (u16, u16) {
    let values = group.columns.iter().flat_map(numbers);
    values.fold((u16::MAX, 0), |(all, any), raw| (all & raw, any | raw))
}

/// A column's numbers without its marks.
fn numbers(column: &Column) -> impl Iterator<Item = u16> {
    let values = column.values.iter().copied();
    values.filter(|raw| !column.is_mark(*raw))
}

/// The fields without their highest bit that is always 1, the length that is left, and whether the bit is likely to be no
/// part of the number.
fn without_flags(
    streams: &[Stream],
    group: &Group,
    resting: Option<u16>,
) -> Option<([Column; 4], usize, bool)> {
    let (ones, any) = bits_of(group);
    let length = group.columns.first()?.length;
    let moving = usize::try_from(16 - (any & !ones).leading_zeros()).ok()?;
    let flag = usize::try_from(15_u32.checked_sub(ones.leading_zeros())?).ok()?;
    if flag < moving || flag >= length || flag < SHORTEST {
        return None;
    }
    let values = || group.columns.iter().flat_map(numbers);
    let (low, high) = (values().min()?, values().max()?);
    let dwarfs = u32::from(high - low) * 3 < u32::from(low);
    let mask = 1_u16
        .checked_shl(u32::try_from(flag).ok()?)?
        .checked_sub(1)?;
    // Where a standstill gives the zero, an offset is as good as flags, and a number that is cut too short runs over.
    let room = resting.is_none() || u32::from(mask - (low & mask)) > 2 * u32::from(high - low);
    Some((at_shorter(streams, group, flag)?, flag, dwarfs && room))
}

impl Group {
    /// The number at rest: the lowest, when all four stay on it together for a while.
    pub(super) fn rest(&self, streams: &[Stream]) -> Option<u16> {
        let (_, rows) = rows(streams, &self.columns, 0.0);
        let lowest = rows.iter().flatten().copied().fold(f64::MAX, f64::min);
        let resting = rows
            .iter()
            .filter(|row| row.iter().all(|value| *value <= lowest + 1.0))
            .count();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "it was a 16-bit number"
        )]
        (resting >= FEWEST_AT_REST).then_some(lowest as u16)
    }

    /// How many low bits are 0 in all numbers.
    pub(super) fn still_low_bits(&self) -> u32 {
        bits_of(self).1.trailing_zeros().min(6)
    }
}
