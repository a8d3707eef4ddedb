//! Hexadecimal and decimal digits, eight characters at a time.
//!
//! Each function works on a word whose lowest byte is the first character. No byte's sum carries into the next: all
//! are made smaller than 0x80 first.

/// `byte` in every byte of a word.
const fn every(byte: u8) -> u64 {
    u64::from_le_bytes([byte; 8])
}

const HIGH: u64 = every(0x80);

/// The first eight bytes as a word; `None` where there are fewer.
#[inline]
pub(super) fn word(bytes: &[u8]) -> Option<u64> {
    bytes.first_chunk().map(|chunk| u64::from_le_bytes(*chunk))
}

/// The first sixteen bytes as a word; `None` where there are fewer.
#[inline]
pub(super) fn double_word(bytes: &[u8]) -> Option<u128> {
    bytes.first_chunk().map(|chunk| u128::from_le_bytes(*chunk))
}

/// How many of the first characters are hexadecimal digits, 0 to 8.
#[inline]
pub(super) const fn count_hex(word: u64) -> usize {
    let low = word & !HIGH;
    let from_0 = low.wrapping_add(every(0x80 - b'0'));
    let past_9 = low.wrapping_add(every(0x80 - b'9' - 1));
    let lower = low | every(0x20);
    let from_a = lower.wrapping_add(every(0x80 - b'a'));
    let past_f = lower.wrapping_add(every(0x80 - b'f' - 1));
    let digit = ((from_0 & !past_9) | (from_a & !past_f)) & !word & HIGH;
    ((digit ^ HIGH).trailing_zeros() / 8) as usize
}

/// The four bytes that eight hexadecimal digits mean, the first one lowest; what is no digit gives a byte of no
/// meaning.
#[inline]
pub(super) const fn hex_bytes(word: u64) -> u64 {
    let letters = (word >> 6) & every(1);
    let nibbles = (word & every(0x0F)).wrapping_add(letters.wrapping_mul(9));
    let bytes = ((nibbles << 4) | (nibbles >> 8)) & 0x00FF_00FF_00FF_00FF;
    let pairs = (bytes | (bytes >> 8)) & 0x0000_FFFF_0000_FFFF;
    (pairs | (pairs >> 16)) & 0xFFFF_FFFF
}

/// The number that the first six characters mean, if they are decimal digits; the last two are not looked at.
#[inline]
pub(super) const fn six_decimals(word: u64) -> Option<u64> {
    // Two characters `0` in front make eight digits.
    let eight = (word << 16) | 0x3030;
    let low = eight & !HIGH;
    let from_0 = low.wrapping_add(every(0x80 - b'0'));
    let past_9 = low.wrapping_add(every(0x80 - b'9' - 1));
    if from_0 & !past_9 & !eight & HIGH != HIGH {
        return None;
    }
    let digits = eight & every(0x0F);
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8) & 0x00FF_00FF_00FF_00FF;
    let fours = pairs.wrapping_mul(100).wrapping_add(pairs >> 16) & 0x0000_FFFF_0000_FFFF;
    Some(fours.wrapping_mul(10_000).wrapping_add(fours >> 32) & 0xFFFF_FFFF)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn every_byte_is_told_apart_at_every_place() {
        for byte in 0..=u8::MAX {
            for place in 0..8 {
                let mut text = *b"0aF9Cb31";
                text[place] = byte;
                let expected = if byte.is_ascii_hexdigit() { 8 } else { place };
                assert_eq!(count_hex(u64::from_le_bytes(text)), expected, "{byte:#04X}");
            }
        }
    }

    proptest! {
        #[test]
        fn four_bytes_survive_the_round_trip(bytes: [u8; 4], lower: bool) {
            let text = bytes.map(|byte| if lower { format!("{byte:02x}") } else { format!("{byte:02X}") }).concat();
            let word = word(text.as_bytes()).unwrap();
            prop_assert_eq!(count_hex(word), 8);
            prop_assert_eq!(hex_bytes(word), u64::from(u32::from_le_bytes(bytes)));
        }

        #[test]
        fn six_decimals_agree_with_the_standard_library(text in "[0-9]{6}[\\x00-\\x7F]{2}") {
            let word = word(text.as_bytes()).unwrap();
            prop_assert_eq!(six_decimals(word), text[..6].parse().ok());
        }

        #[test]
        fn six_other_characters_are_no_number(bytes: [u8; 8]) {
            let expected = std::str::from_utf8(&bytes[..6])
                .ok()
                .filter(|text| text.bytes().all(|byte| byte.is_ascii_digit()))
                .and_then(|text| text.parse().ok());
            prop_assert_eq!(six_decimals(u64::from_le_bytes(bytes)), expected);
        }
    }
}
