//! Where a number stands in data bytes: start bit, length, byte order, sign.
//!
//! Bit numbers are those of a DBC file: bit *b* of byte *n* is `8 n + b`, bit 0 the least significant of its byte.
//! The start bit is the least significant bit of a little-endian number and the most significant of a big-endian one.

use std::fmt;

/// In which order the bytes of a number follow each other.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum ByteOrder {
    /// Least significant byte first (Intel).
    Little,
    /// Most significant byte first (Motorola).
    Big,
}

impl ByteOrder {
    /// The word for it in files and JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Little => "little",
            Self::Big => "big",
        }
    }
}

/// What the raw bits mean as a number.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub enum Coding {
    /// An unsigned integer.
    Unsigned,
    /// A two's-complement integer.
    Signed,
    /// IEEE 754 binary32; the length is 32.
    Float32,
    /// IEEE 754 binary64; the length is 64.
    Float64,
}

/// The place of a number in data bytes, known to be possible.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Field {
    start_bit: u16,
    length: u8,
    byte_order: ByteOrder,
    coding: Coding,
}

/// Why a field is impossible.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum FieldError {
    /// No length, or more than [`Field::MAX_LENGTH`].
    #[error("a length of {0} bits is impossible (1 to 64)")]
    Length(u64),
    /// It begins beyond the longest data.
    #[error("start bit {0} is beyond the longest data (0 to {max})", max = Field::MAX_START)]
    Start(u64),
    /// It begins inside but ends beyond the longest data.
    #[error("it ends beyond the longest data ({max} bytes)", max = Field::MAX_BYTES)]
    End,
    /// A floating-point number of another length than its own.
    #[error("a floating-point number has 32 or 64 bits")]
    Float,
}

impl Field {
    /// Most bits of a number.
    pub const MAX_LENGTH: u64 = 64;
    /// Longest data that a field may lie in, in bytes: the longest ISO 15765-2 message with a 12-bit length.
    pub const MAX_BYTES: u64 = 4_095;
    /// Largest start bit.
    pub const MAX_START: u64 = Self::MAX_BYTES * 8 - 1;

    /// A field from the numbers of a file.
    pub fn new(
        start_bit: u64,
        length: u64,
        byte_order: ByteOrder,
        coding: Coding,
    ) -> Result<Self, FieldError> {
        let bits = u8::try_from(length).ok();
        let Some(bits) = bits.filter(|_| (1..=Self::MAX_LENGTH).contains(&length)) else {
            return Err(FieldError::Length(length));
        };
        let start = u16::try_from(start_bit).ok();
        let Some(start) = start.filter(|_| start_bit <= Self::MAX_START) else {
            return Err(FieldError::Start(start_bit));
        };
        let float_bits = match coding {
            Coding::Float32 => Some(32),
            Coding::Float64 => Some(64),
            Coding::Unsigned | Coding::Signed => None,
        };
        if float_bits.is_some_and(|needed| needed != bits) {
            return Err(FieldError::Float);
        }
        let field = Self {
            start_bit: start,
            length: bits,
            byte_order,
            coding,
        };
        if u64::from(field.last_bit()) > Self::MAX_START {
            return Err(FieldError::End);
        }
        Ok(field)
    }

    /// The start bit as written.
    pub const fn start_bit(self) -> u16 {
        self.start_bit
    }

    /// How many bits it has: 1 to 64.
    pub const fn length(self) -> u8 {
        self.length
    }

    /// Its byte order.
    pub const fn byte_order(self) -> ByteOrder {
        self.byte_order
    }

    /// What its bits mean.
    pub const fn coding(self) -> Coding {
        self.coding
    }

    /// How many data bytes must be there for it.
    #[inline]
    pub const fn bytes_needed(self) -> usize {
        self.last_bit() as usize / 8 + 1
    }

    /// Its first bit, counted along the data in its own byte order: from the least significant bit of each byte for
    /// little, from the most significant for big.
    pub const fn first_bit(self) -> u32 {
        let start = self.start_bit as u32;
        match self.byte_order {
            ByteOrder::Little => start,
            ByteOrder::Big => start / 8 * 8 + (7 - start % 8),
        }
    }

    /// Its last bit, counted the same way.
    const fn last_bit(self) -> u32 {
        self.first_bit() + self.length as u32 - 1
    }

    /// The largest raw number, all bits set.
    pub const fn mask(self) -> u64 {
        u64::MAX >> (64 - self.length as u32)
    }

    /// The raw bits, right-aligned; `None` when the data end before the field does.
    #[inline]
    pub fn raw(self, data: &[u8]) -> Option<u64> {
        if data.len() < self.bytes_needed() {
            return None;
        }
        if self.bytes_needed() <= 8 {
            let word = match data.first_chunk() {
                Some(chunk) => *chunk,
                None => padded(data),
            };
            return Some(self.raw_of_word(word));
        }
        self.raw_anywhere(data)
    }

    /// The raw bits of data that were padded to eight bytes. The field must need no more than eight.
    #[inline]
    pub fn raw_of_word(self, word: [u8; 8]) -> u64 {
        let shifted = match self.byte_order {
            ByteOrder::Little => u64::from_le_bytes(word) >> (self.first_bit() & 63),
            ByteOrder::Big => {
                u64::from_be_bytes(word) >> (63_u32.wrapping_sub(self.last_bit()) & 63)
            }
        };
        shifted & self.mask()
    }

    /// The general path: a field of any length anywhere, through the up to nine bytes that it touches.
    fn raw_anywhere(self, data: &[u8]) -> Option<u64> {
        let first = self.first_bit() as usize / 8;
        let touched = data.get(first..self.bytes_needed())?;
        let wide = match self.byte_order {
            ByteOrder::Big => {
                let all = touched
                    .iter()
                    .fold(0_u128, |sum, &byte| sum << 8 | u128::from(byte));
                all >> (7 - self.last_bit() % 8)
            }
            ByteOrder::Little => {
                let all = touched
                    .iter()
                    .rev()
                    .fold(0_u128, |sum, &byte| sum << 8 | u128::from(byte));
                all >> (self.first_bit() % 8)
            }
        };
        u64::try_from(wide & u128::from(self.mask())).ok()
    }

    /// The raw bits as a number.
    #[inline]
    pub fn number(self, raw: u64) -> f64 {
        #[expect(
            clippy::cast_precision_loss,
            reason = "numbers beyond 53 bits are no measured values"
        )]
        match self.coding {
            Coding::Unsigned => raw as f64,
            Coding::Signed => {
                let unused = 64 - u32::from(self.length);
                (raw.cast_signed() << unused >> unused) as f64
            }
            Coding::Float32 => f64::from(f32::from_bits(u32::try_from(raw).unwrap_or(u32::MAX))),
            Coding::Float64 => f64::from_bits(raw),
        }
    }

    /// Writes raw bits into data; false (and nothing written) when the data are too short.
    pub fn write(self, raw: u64, data: &mut [u8]) -> bool {
        if data.len() < self.bytes_needed() {
            return false;
        }
        for place in 0..u32::from(self.length) {
            // From the least significant bit of the number upwards.
            let bit_set = raw >> place & 1 == 1;
            let (byte, bit) = match self.byte_order {
                ByteOrder::Little => {
                    let at = self.first_bit() + place;
                    (at / 8, at % 8)
                }
                ByteOrder::Big => {
                    let at = self.last_bit() - place;
                    (at / 8, 7 - at % 8)
                }
            };
            if let Some(target) = data.get_mut(byte as usize) {
                if bit_set {
                    *target |= 1 << bit;
                } else {
                    *target &= !(1 << bit);
                }
            }
        }
        true
    }
}

/// `start 7, 16 bits, big`.
impl fmt::Display for Field {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let order = self.byte_order.id();
        write!(f, "start {}, {} bits, {order}", self.start_bit, self.length)
    }
}

/// Up to eight data bytes with zeros behind.
#[inline]
pub(super) fn padded(data: &[u8]) -> [u8; 8] {
    let mut word = [0; 8];
    for (target, &byte) in word.iter_mut().zip(data) {
        *target = byte;
    }
    word
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    struct Case {
        source: &'static str,
        start: u64,
        length: u64,
        order: ByteOrder,
        coding: Coding,
        data: &'static [u8],
        number: f64,
    }

    #[test]
    fn known_answers() {
        use ByteOrder::{Big, Little};
        use Coding::{Float32, Signed, Unsigned};
        let cases = [
            Case {
                source: "cantools 45.1: 7|15@0+",
                start: 7,
                length: 15,
                order: Big,
                coding: Unsigned,
                data: &[0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0],
                number: 2330.0,
            },
            Case {
                source: "cantools 45.1: 8|15@0+",
                start: 8,
                length: 15,
                order: Big,
                coding: Unsigned,
                data: &[0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0],
                number: 5534.0,
            },
            Case {
                source: "cantools 45.1: 52|12@1+",
                start: 52,
                length: 12,
                order: Little,
                coding: Unsigned,
                data: &[0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0],
                number: 3853.0,
            },
            Case {
                source: "cantools 45.1: 3|12@0-",
                start: 3,
                length: 12,
                order: Big,
                coding: Signed,
                data: &[0x0F, 0xFE, 0, 0],
                number: -2.0,
            },
            Case {
                source: "IEEE 754, one half",
                start: 0,
                length: 32,
                order: Little,
                coding: Float32,
                data: &[0, 0, 0, 0x3F],
                number: 0.5,
            },
            Case {
                source: "counted by hand: bit 0 of byte 8",
                start: 64,
                length: 1,
                order: Little,
                coding: Unsigned,
                data: &[0, 0, 0, 0, 0, 0, 0, 0, 1],
                number: 1.0,
            },
        ];
        for case in cases {
            let field = Field::new(case.start, case.length, case.order, case.coding).unwrap();
            let number = field.number(field.raw(case.data).unwrap());
            assert!(
                (number - case.number).abs() < 1e-12,
                "{}: {number}",
                case.source
            );
        }
    }

    #[test]
    fn impossible_fields_are_refused() {
        let new = |start, length| Field::new(start, length, ByteOrder::Big, Coding::Unsigned);
        assert_eq!(new(0, 0), Err(FieldError::Length(0)));
        assert_eq!(new(0, 65), Err(FieldError::Length(65)));
        assert_eq!(new(u64::MAX, 8), Err(FieldError::Start(u64::MAX)));
        assert_eq!(new(Field::MAX_START - 7, 2), Err(FieldError::End));
        let float = Field::new(0, 16, ByteOrder::Little, Coding::Float32);
        assert_eq!(float, Err(FieldError::Float));
    }

    #[test]
    fn short_data_give_nothing() {
        let field = Field::new(55, 16, ByteOrder::Big, Coding::Unsigned).unwrap();
        assert_eq!(field.bytes_needed(), 8);
        assert_eq!(field.raw(&[0; 7]), None);
        assert_eq!(field.raw(&[0; 8]), Some(0));
    }

    /// The definition, bit by bit, apart from the code under test.
    fn bit_by_bit(field: Field, data: &[u8]) -> u64 {
        let mut at = usize::from(field.start_bit());
        let mut raw = 0_u64;
        for place in 0..u32::from(field.length()) {
            let bit = u64::from(data[at / 8] >> (at % 8) & 1);
            match field.byte_order() {
                ByteOrder::Little => {
                    raw |= bit << place;
                    at += 1;
                }
                ByteOrder::Big => {
                    raw = raw << 1 | bit;
                    at = if at.is_multiple_of(8) {
                        at + 15
                    } else {
                        at - 1
                    };
                }
            }
        }
        raw
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(
            start in 0_u64..120, length in 1_u64..=64, big: bool, raw: u64,
            mut data in proptest::collection::vec(any::<u8>(), 0..32),
        ) {
            let order = if big { ByteOrder::Big } else { ByteOrder::Little };
            let field = Field::new(start, length, order, Coding::Unsigned).unwrap();
            let before = data.clone();
            if field.write(raw & field.mask(), &mut data) {
                prop_assert_eq!(field.raw(&data), Some(raw & field.mask()));
                prop_assert_eq!(bit_by_bit(field, &data), raw & field.mask());
                prop_assert_eq!(field.raw(&before), Some(bit_by_bit(field, &before)));
            } else {
                prop_assert_eq!(field.raw(&data), None);
                prop_assert_eq!(before, data);
            }
        }

        #[test]
        fn the_fast_path_agrees_with_the_general_one(
            start in 0_u64..64, length in 1_u64..=64, big: bool,
            data in proptest::collection::vec(any::<u8>(), 0..12),
        ) {
            let order = if big { ByteOrder::Big } else { ByteOrder::Little };
            let field = Field::new(start, length, order, Coding::Unsigned).unwrap();
            prop_assert_eq!(field.raw(&data), field.raw_anywhere(&data));
        }
    }
}
