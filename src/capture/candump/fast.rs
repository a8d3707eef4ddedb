//! The fast path: the one form of a line that long recordings consist of, read in words of eight and sixteen bytes.
//!
//! `(SECONDS.MICROS) NAME ID#DATA`, where the seconds are those of the line before and the name is one of the last
//! few; classic data frames only; perhaps a last `R` or `T` and a carriage return. Everything else is `None`, and
//! the general path reads it. Where this path does read a line, the general one reads the same (a property test).

use std::fmt;

use super::digits::{count_hex, double_word, hex_bytes, six_decimals, word};
use crate::frame::{CanId, Channel};

/// A frame that the fast path has read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Found {
    /// Length of the line with its line feed, in bytes.
    pub(super) line: usize,
    pub(super) nanos: i64,
    pub(super) channel: Channel,
    pub(super) id: CanId,
    pub(super) data: [u8; 8],
    /// `length <= 8`
    pub(super) length: usize,
}

/// Up to sixteen bytes that a text must begin with.
#[derive(Clone, Copy, Default)]
struct Beginning {
    bytes: u128,
    mask: u128,
    length: usize,
}

impl Beginning {
    /// `None` where `text` is longer than a word.
    fn new(text: &[u8]) -> Option<Self> {
        let mut bytes = [0; 16];
        let mut mask = [0; 16];
        if text.len() > bytes.len() {
            return None;
        }
        for ((byte, mask), from) in bytes.iter_mut().zip(&mut mask).zip(text) {
            *byte = *from;
            *mask = 0xFF;
        }
        Some(Self {
            bytes: u128::from_le_bytes(bytes),
            mask: u128::from_le_bytes(mask),
            length: text.len(),
        })
    }

    #[inline]
    const fn is_of(&self, word: u128) -> bool {
        (word ^ self.bytes) & self.mask == 0
    }
}

/// What the fast path remembers of the lines before.
#[derive(Clone, Default)]
pub(super) struct Memory {
    /// `(1700000000.`
    seconds: Option<Beginning>,
    base_nanos: i64,
    /// `can0 `, the latest few.
    names: [Option<(Beginning, Channel)>; NAMES],
    /// Which of `names` was found last, and is looked at first: below [`NAMES`].
    latest: usize,
    /// Which is forgotten next: below [`NAMES`].
    oldest: usize,
}

/// How many interface names are remembered.
const NAMES: usize = 8;

impl fmt::Debug for Memory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Memory")
            .field("base_nanos", &self.base_nanos)
            .finish_non_exhaustive()
    }
}

impl Memory {
    /// Remembers the seconds of a line that the general path has read.
    ///
    /// `line` must begin with its time stamp, which means `nanos`.
    pub(super) fn learn_seconds(&mut self, line: &[u8], nanos: i64) {
        let point = line.iter().position(|&byte| byte == b'.');
        let text = point.and_then(|point| line.get(..=point));
        let digits = text.and_then(|text| text.strip_prefix(b"(")?.strip_suffix(b"."));
        let plain = digits
            .is_some_and(|digits| !digits.is_empty() && digits.iter().all(u8::is_ascii_digit));
        if plain && nanos >= 0 {
            self.seconds = text.and_then(Beginning::new);
            self.base_nanos = nanos - nanos % 1_000_000_000;
        }
    }

    /// Remembers the channel of a name that the general path has read.
    pub(super) fn learn_name(&mut self, name: &str, channel: Channel) {
        let Some(name) = Beginning::new(format!("{name} ").as_bytes()) else {
            return;
        };
        let mut known = self.names.iter().flatten();
        if known.any(|(known, _)| known.bytes == name.bytes) {
            return;
        }
        if let Some(slot) = self.names.get_mut(self.oldest) {
            *slot = Some((name, channel));
        }
        self.oldest = (self.oldest + 1) % NAMES;
    }

    #[inline]
    fn name(&mut self, word: u128) -> Option<(usize, Channel)> {
        if let Some(Some((name, channel))) = self.names.get(self.latest)
            && name.is_of(word)
        {
            return Some((name.length, *channel));
        }
        for (index, slot) in self.names.iter().enumerate() {
            if let Some((name, channel)) = slot
                && name.is_of(word)
            {
                self.latest = index;
                return Some((name.length, *channel));
            }
        }
        None
    }

    /// Reads the line at the start of `text`, which goes on behind it. The caller checks that the sixteen bytes
    /// behind the data are there; near the end of the buffer the answer is `None`.
    #[inline]
    pub(super) fn read(&mut self, text: &[u8]) -> Option<Found> {
        let seconds = self.seconds.as_ref()?;
        if !seconds.is_of(double_word(text)?) {
            return None;
        }
        let rest = text.get(seconds.length..)?;
        let micros = word(rest)?;
        if micros >> 48 != u64::from(u16::from_le_bytes(*b") ")) {
            return None;
        }
        let micros = six_decimals(micros)?;
        let nanos = self.base_nanos.checked_add_unsigned(micros * 1_000)?;

        let rest = rest.get(8..)?;
        let (length, channel) = self.name(double_word(rest)?)?;
        let rest = rest.get(length..)?;

        let digits = word(rest)?;
        let [_, _, _, fourth, ..] = digits.to_le_bytes();
        let (id, rest) = if fourth == b'#' {
            let padded = digits << 8 | u64::from(b'0');
            let [high, low, ..] = hex_bytes(padded).to_le_bytes();
            let raw = u32::from(u16::from_be_bytes([high, low]));
            if count_hex(padded) < 4 || raw > CanId::MAX_STANDARD {
                return None;
            }
            (CanId::standard_masked(raw), rest.get(4..)?)
        } else if rest.get(8) == Some(&b'#') && count_hex(digits) == 8 {
            let raw = u32::try_from(hex_bytes(digits)).ok()?.swap_bytes();
            (CanId::extended(raw).ok()?, rest.get(9..)?)
        } else {
            return None;
        };

        let (first, second) = (word(rest)?, word(rest.get(8..)?)?);
        let mut digits = count_hex(first);
        if digits == 8 {
            digits += count_hex(second);
        }
        if !digits.is_multiple_of(2) {
            return None;
        }
        let end = match rest.get(digits)? {
            b'\n' => digits + 1,
            b' ' if matches!(rest.get(digits + 1)?, b'R' | b'T') => match rest.get(digits + 2)? {
                b'\n' => digits + 3,
                _ => return None,
            },
            b'\r' if rest.get(digits + 1)? == &b'\n' => digits + 2,
            _ => return None,
        };
        Some(Found {
            line: text.len() - rest.len() + end,
            nanos,
            channel,
            id,
            data: (hex_bytes(first) | hex_bytes(second) << 32).to_le_bytes(),
            length: digits / 2,
        })
    }
}
