//! Where physical values may lie in a payload: the bits that move, and how often.
//!
//! In a physical value the flip rate rises from the most to the least significant bit and drops where the next field
//! begins (READ: Marchetti and Stabili, 2019). A *core* is such a rising run of moving bits, with the still bits above it that
//! may belong to it.

use crate::signal::ByteOrder;

use super::samples::Stream;

/// Longest field that is looked for, in bits.
pub(super) const LONGEST: usize = 16;
/// Shortest field that is looked for, in bits, with the still bits above it.
pub(super) const SHORTEST: usize = 10;
/// Fewest moving bits of a core: less than 32 steps from lowest to highest tell nothing.
const FEWEST_MOVING: usize = 5;
/// By what factor the flip rate may drop within a number: a speed that is held favours some of its low bits by chance.
const DIP: f64 = 2.2;

/// Flips and ones of each bit of a stream. Bits are counted along the payload, the most significant bit of a byte first for
/// big-endian; for little-endian from the end of the payload, so that in both the more significant bit comes first.
#[derive(Clone, Debug)]
pub(super) struct BitRates {
    order: ByteOrder,
    /// Flips per pair of neighbouring samples.
    flips: Vec<f64>,
    /// Whether a bit takes both values often enough to count.
    moving: Vec<bool>,
}

/// A rising run of moving bits.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Core {
    /// Its least significant bit, counted as in [`BitRates`].
    pub(super) end: usize,
    /// How many bits move.
    pub(super) moving: usize,
    /// How many bits it may have, with still bits above: at most [`LONGEST`].
    pub(super) longest: usize,
}

impl BitRates {
    /// The rates of a stream in both byte orders.
    pub(super) fn both(stream: &Stream) -> [Self; 2] {
        let bits = stream.length * 8;
        let mut flips = vec![0_u32; bits];
        let mut ones = vec![0_u32; bits];
        let mut before: Option<&[u8]> = None;
        for payload in stream.payloads() {
            for (byte, value) in payload.iter().enumerate() {
                let changed = before
                    .and_then(|before| before.get(byte))
                    .map_or(0, |b| b ^ value);
                add_bits(&mut ones, byte, *value);
                add_bits(&mut flips, byte, changed);
            }
            before = Some(payload);
        }
        let count = u32::try_from(stream.slots.len()).unwrap_or(u32::MAX);
        let least = (count / 500).max(2);
        let rate = |flips: &u32| f64::from(*flips) / f64::from(count.max(2) - 1);
        let flip_rates: Vec<f64> = flips.iter().map(rate).collect();
        let moves = |(ones, flips): (&u32, &u32)| {
            (*ones).min(count.saturating_sub(*ones)) >= least && *flips >= 2
        };
        let moving: Vec<bool> = ones.iter().zip(&flips).map(moves).collect();
        let big = Self {
            order: ByteOrder::Big,
            flips: flip_rates,
            moving,
        };
        let little = Self {
            order: ByteOrder::Little,
            flips: reversed(&big.flips, bits),
            moving: reversed(&big.moving, bits),
        };
        [big, little]
    }

    pub(super) const fn order(&self) -> ByteOrder {
        self.order
    }

    /// All cores that may have at least `shortest` bits, by rising end.
    pub(super) fn cores(&self, shortest: usize) -> Vec<Core> {
        let mut cores = Vec::new();
        for end in 0..self.flips.len() {
            if !self.is_moving(end) {
                continue;
            }
            let drops = self.drops_after(end);
            // A field may be followed by a checksum or a counter, where nothing drops; those begin at half a byte.
            if !drops && (end + 1) % 4 != 0 {
                continue;
            }
            let core = self.core(end);
            if core.moving >= FEWEST_MOVING && core.longest >= shortest {
                cores.push(core);
            }
        }
        cores
    }

    /// Whether the flip rate drops behind a bit, as it does behind the least significant bit of a value.
    pub(super) fn drops_after(&self, end: usize) -> bool {
        let last = end + 1 >= self.flips.len();
        last || !self.is_moving(end + 1) || self.rate(end + 1) < 0.6 * self.rate(end)
    }

    /// How many bits after `end` never move.
    pub(super) fn still_after(&self, end: usize) -> usize {
        let after = self.flips.iter().skip(end + 1);
        after.take_while(|rate| **rate == 0.0).count()
    }

    fn core(&self, end: usize) -> Core {
        let mut top = end;
        while top > 0 && end - top + 1 < LONGEST && self.is_moving(top - 1) {
            let (above, here) = (self.rate(top - 1), self.rate(top));
            if above > DIP * here + 0.03 {
                break;
            }
            top -= 1;
        }
        let mut free = top;
        while free > 0 && end - free + 1 < LONGEST && !self.is_moving(free - 1) {
            free -= 1;
        }
        Core {
            end,
            moving: end - top + 1,
            longest: end - free + 1,
        }
    }

    fn is_moving(&self, bit: usize) -> bool {
        self.moving.get(bit).copied().unwrap_or(false)
    }

    fn rate(&self, bit: usize) -> f64 {
        self.flips.get(bit).copied().unwrap_or(0.0)
    }
}

/// The field's start bit in DBC numbering, from its end and length in this module's count.
pub(super) fn start_bit(order: ByteOrder, bits: usize, end: usize, length: usize) -> usize {
    match order {
        ByteOrder::Big => {
            let first = end + 1 - length;
            first / 8 * 8 + 7 - first % 8
        }
        ByteOrder::Little => bits - 1 - end,
    }
}

fn add_bits(counts: &mut [u32], byte: usize, value: u8) {
    if value == 0 {
        return;
    }
    let of_byte = counts.iter_mut().skip(byte * 8).take(8);
    for (place, count) in of_byte.enumerate() {
        *count += u32::from(value >> (7 - place) & 1);
    }
}

/// From the big-endian count to the little-endian one: bit `b` of byte `n` stands at `8 n + 7 − b` in the one and at
/// `bits − 1 − (8 n + b)` in the other.
fn reversed<T: Copy>(big: &[T], bits: usize) -> Vec<T> {
    let at = |index: usize| {
        let little = bits - 1 - index;
        little / 8 * 8 + 7 - little % 8
    };
    (0..bits)
        .filter_map(|index| big.get(at(index)).copied())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CanId;
    use crate::signal::{Coding, Field};

    /// A stream with a triangle in one field.
    fn triangle(field: Field) -> Stream {
        let mut data = Vec::new();
        let slots: Vec<u32> = (0..1_500).collect();
        for step in &slots {
            let mut payload = [0_u8; 8];
            let value = u64::from(if *step < 750 { *step } else { 1_500 - *step });
            assert!(field.write(value, &mut payload));
            data.extend(payload);
        }
        Stream {
            id: CanId::standard(1).unwrap(),
            length: 8,
            slots,
            data,
        }
    }

    #[test]
    fn a_moving_value_is_a_core_in_its_own_byte_order() {
        for (order, start, length) in [
            (ByteOrder::Big, 7, 16),
            (ByteOrder::Big, 42, 15),
            (ByteOrder::Little, 28, 12),
            (ByteOrder::Little, 3, 13),
        ] {
            let field = Field::new(start, length, order, Coding::Unsigned).unwrap();
            let rates = BitRates::both(&triangle(field));
            let rates = rates.iter().find(|rates| rates.order() == order).unwrap();
            let length = usize::try_from(length).unwrap();
            let hit = rates.cores(SHORTEST).into_iter().any(|core| {
                core.moving == 10
                    && core.longest >= length
                    && start_bit(order, 64, core.end, length) == usize::try_from(start).unwrap()
            });
            assert!(hit, "{field}: {:?}", rates.cores(SHORTEST));
        }
    }
}
