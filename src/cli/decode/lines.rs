//! A buffer of output lines, and the few things that are written into it most often: numbers, hexadecimal, times.
//!
//! Printing costs more than decoding, so this does without format strings where it matters.

use std::fmt;

use tonering::frame::Timestamp;
use tonering::report::escape::is_unseen;

/// Bytes that are waiting to be written.
#[derive(Debug)]
pub(crate) struct Lines {
    bytes: Vec<u8>,
}

const FULL: usize = 64 * 1024;

const HEX: &[u8; 16] = b"0123456789ABCDEF";

impl Lines {
    pub(crate) fn new() -> Self {
        Self {
            bytes: Vec::with_capacity(FULL + FULL / 4),
        }
    }

    pub(crate) fn is_full(&self) -> bool {
        self.bytes.len() >= FULL
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    pub(crate) fn clear(&mut self) {
        self.bytes.clear();
    }

    pub(crate) fn len(&self) -> usize {
        self.bytes.len()
    }

    pub(crate) fn truncate(&mut self, length: usize) {
        self.bytes.truncate(length);
    }

    /// What was written since `start`.
    pub(crate) fn since(&self, start: usize) -> &[u8] {
        self.bytes.get(start..).unwrap_or_default()
    }

    #[inline]
    pub(crate) fn text(&mut self, text: &str) {
        self.bytes.extend_from_slice(text.as_bytes());
    }

    #[inline]
    pub(crate) fn raw(&mut self, bytes: &[u8]) {
        self.bytes.extend_from_slice(bytes);
    }

    #[inline]
    pub(crate) fn byte(&mut self, byte: u8) {
        self.bytes.push(byte);
    }

    /// A byte as two hexadecimal digits.
    #[inline]
    pub(crate) fn hex(&mut self, byte: u8) {
        let digit = |nibble: u8| HEX.get(usize::from(nibble & 15)).copied().unwrap_or(b'?');
        self.bytes
            .extend_from_slice(&[digit(byte >> 4), digit(byte)]);
    }

    /// Bytes as hexadecimal digits without gaps.
    #[inline]
    pub(crate) fn hexes(&mut self, bytes: &[u8]) {
        self.bytes.reserve(2 * bytes.len());
        for byte in bytes {
            self.hex(*byte);
        }
    }

    /// A whole number.
    #[inline]
    pub(crate) fn count(&mut self, mut count: u64) {
        let mut digits = [0_u8; 20];
        let mut start = digits.len();
        for place in digits.iter_mut().rev() {
            *place = b'0' + u8::try_from(count % 10).unwrap_or(0);
            start -= 1;
            count /= 10;
            if count == 0 {
                break;
            }
        }
        self.bytes
            .extend_from_slice(digits.get(start..).unwrap_or_default());
    }

    /// A time in seconds with all digits that it has, at least `least` after the point.
    pub(crate) fn seconds(&mut self, time: Timestamp, least: usize) {
        let nanos = time.nanos();
        if nanos < 0 {
            self.bytes.push(b'-');
        }
        let size = nanos.unsigned_abs();
        self.count(size / 1_000_000_000);
        self.bytes.push(b'.');
        let mut rest = size % 1_000_000_000;
        let mut digits = [b'0'; 9];
        for place in digits.iter_mut().rev() {
            *place = b'0' + u8::try_from(rest % 10).unwrap_or(0);
            rest /= 10;
        }
        let used = digits
            .iter()
            .rposition(|digit| *digit != b'0')
            .map_or(0, |last| last + 1);
        let shown = digits.get(..used.max(least)).unwrap_or(&digits);
        self.bytes.extend_from_slice(shown);
    }

    /// The inside of a JSON string.
    pub(crate) fn escaped(&mut self, text: &str) {
        if !text.is_ascii() {
            return self.escaped_slowly(text);
        }
        let special = |byte: &u8| matches!(byte, b'"' | b'\\' | 0x00..=0x1F | 0x7F);
        let mut rest = text.as_bytes();
        // Without a way out in the middle this is done for many bytes at once.
        let any = rest.iter().fold(false, |any, byte| any | special(byte));
        while any && let Some(place) = rest.iter().position(special) {
            let (plain, special) = rest.split_at(place);
            self.bytes.extend_from_slice(plain);
            match special.first() {
                Some(b'"') => self.text("\\\""),
                Some(b'\\') => self.text("\\\\"),
                Some(byte) => {
                    self.text("\\u00");
                    self.hex(*byte);
                }
                None => {}
            }
            rest = special.get(1..).unwrap_or_default();
        }
        self.bytes.extend_from_slice(rest);
    }

    /// The same where characters beyond ASCII may be among them that steer a terminal or cannot be seen.
    #[cold]
    fn escaped_slowly(&mut self, text: &str) {
        for character in text.chars() {
            if character.is_ascii() || !is_unseen(character) {
                let mut bytes = [0; 4];
                let shown = character.encode_utf8(&mut bytes);
                if shown.is_ascii() {
                    self.escaped(shown);
                } else {
                    self.text(shown);
                }
                continue;
            }
            for unit in character.encode_utf16(&mut [0; 2]) {
                self.text("\\u");
                for byte in unit.to_be_bytes() {
                    self.hex(byte);
                }
            }
        }
    }

    /// Something that prints itself, as the inside of a JSON string.
    pub(crate) fn escaped_of(&mut self, value: &impl fmt::Display) {
        struct Escaping<'a>(&'a mut Lines);
        impl fmt::Write for Escaping<'_> {
            fn write_str(&mut self, text: &str) -> fmt::Result {
                self.0.escaped(text);
                Ok(())
            }
        }
        // Writing into memory does not fail.
        let _ = fmt::Write::write_fmt(&mut Escaping(self), format_args!("{value}"));
    }

    /// Something that prints itself, as it is.
    pub(crate) fn show(&mut self, value: &impl fmt::Display) {
        let _ = fmt::Write::write_fmt(self, format_args!("{value}"));
    }
}

impl fmt::Write for Lines {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.text(text);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(write: impl FnOnce(&mut Lines)) -> String {
        let mut lines = Lines::new();
        write(&mut lines);
        String::from_utf8(lines.bytes).unwrap()
    }

    #[test]
    fn numbers_and_times_are_exact() {
        assert_eq!(made(|out| out.count(0)), "0");
        assert_eq!(made(|out| out.count(u64::MAX)), u64::MAX.to_string());
        let time = |nanos| made(|out| out.seconds(Timestamp::from_nanos(nanos), 1));
        assert_eq!(time(1_700_000_000_100_000_000), "1700000000.1");
        assert_eq!(time(5), "0.000000005");
        assert_eq!(time(-1_500_000_000), "-1.5");
        assert_eq!(time(0), "0.0");
        assert_eq!(time(i64::MIN), "-9223372036.854775808");
    }

    #[test]
    fn strings_are_escaped() {
        assert_eq!(
            made(|out| out.escaped("a\"b\\c\u{1b}\u{7f}é")),
            "a\\\"b\\\\c\\u001B\\u007Fé"
        );
        assert_eq!(made(|out| out.escaped_of(&"x\n")), "x\\u000A");
        assert_eq!(
            made(|out| out.escaped("ä\u{9b}2J\"\u{202e}\u{e0041}\n")),
            "ä\\u009B2J\\\"\\u202E\\uDB40\\uDC41\\u000A"
        );
    }

    #[test]
    fn hexadecimal_is_upper_case() {
        assert_eq!(made(|out| out.hexes(&[0x00, 0xAF, 0x5c])), "00AF5C");
    }
}
