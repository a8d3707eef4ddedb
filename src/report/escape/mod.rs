//! Text from outside made harmless: one function per format, each in its own file.
//!
//! A vehicle, a profile or a file name may hold anything: terminal control sequences, markup, marks that turn the
//! reading direction, megabytes of it. All formats share [`visible`]: characters that a reader could not see, or that a
//! terminal or browser would obey, are written out as `\u{1b}`; more than [`MAX_CHARS`] characters are cut with a note.
//! JSON alone is not cut: a program reads it, and there the same characters become `\u` escapes, which lose nothing.

pub mod csv;
pub mod html;
pub mod json;
pub mod markdown;
pub mod terminal;

use std::borrow::Cow;
use std::fmt::Write as _;

pub use crate::unseen::is_unseen;

/// The longest text that is printed whole, in characters.
pub const MAX_CHARS: usize = 2_000;

/// The text with line ends and tabs as spaces, with every character of [`is_unseen`] written out, and not longer than
/// [`MAX_CHARS`] characters and a note of how long it was.
pub fn visible(text: &str) -> Cow<'_, str> {
    let cut = text.char_indices().nth(MAX_CHARS).map(|(at, _)| at);
    let shown = cut.and_then(|at| text.get(..at)).unwrap_or(text);
    let note = cut.map(|_| format!(" … [shortened: {} bytes in all]", text.len()));
    if note.is_none()
        && !shown
            .chars()
            .any(|c| is_unseen(c) || c.is_ascii_whitespace() && c != ' ')
    {
        return Cow::Borrowed(shown);
    }
    let mut clean = String::with_capacity(shown.len() + 64);
    for c in shown.chars() {
        if c.is_ascii_whitespace() {
            clean.push(' ');
        } else if is_unseen(c) {
            // Writing to a String cannot fail.
            let _ = write!(clean, "\\u{{{:x}}}", u32::from(c));
        } else {
            clean.push(c);
        }
    }
    clean.extend(note);
    Cow::Owned(clean)
}

/// Texts that try to do harm, for the tests of all formats.
#[cfg(test)]
pub(crate) const HOSTILE: &[&str] = &[
    "\u{1b}[31mred\u{1b}[0m\u{1b}]8;;http://example.invalid\u{7}link\u{1b}]8;;\u{7}",
    "\u{9b}2J\u{85}\u{90}q",
    "abc\u{202e}cba\u{202c} \u{2066}x\u{2069} \u{200f}\u{61c}",
    "<script>alert(1)</script><img src=x onerror=alert(1)>&lt;",
    "\"'><svg/onload=alert(1)>",
    "a|b `c` *d* _e_ [f](http://example.invalid) @team #12 ~~x~~ :+1: $x$",
    "=1+1",
    "-2+3\tcmd|' /C calc'!A0",
    "one\r\ntwo\u{2028}three\0",
    "</style></title></script><!-- -->]]>{{ x }}{% x %}",
    "\u{feff}\u{200b}\u{e0041}\u{fffe}",
];

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn unseen_characters_are_written_out() {
        assert_eq!(visible("\u{1b}[31m\u{202e}x"), "\\u{1b}[31m\\u{202e}x");
        assert_eq!(visible("a\r\nb\tc"), "a  b c");
        assert_eq!(visible("Bremse – größer 5 Ω"), "Bremse – größer 5 Ω");
        for text in HOSTILE {
            assert!(!visible(text).chars().any(is_unseen), "{text:?}");
        }
    }

    #[test]
    fn ten_megabytes_become_one_short_text_with_a_note() {
        let long = "\u{202e}é".repeat(2 << 20);
        let shown = visible(&long);
        assert!(shown.chars().count() < MAX_CHARS * 8);
        assert!(shown.ends_with(&format!("[shortened: {} bytes in all]", long.len())));
        let just = "x".repeat(MAX_CHARS);
        assert_eq!(visible(&just), just);
    }

    proptest! {
        #[test]
        fn nothing_unseen_is_left_in_any_text(text in any::<String>()) {
            prop_assert!(!visible(&text).chars().any(is_unseen));
        }
    }
}
