//! Text for a terminal or a plain-text file.

use std::borrow::Cow;
use std::fmt::Write as _;

use super::visible;

/// The text without anything that a terminal would obey; in ASCII only unless `unicode`.
///
/// The signs that this program itself uses get an ASCII reading (`±` is `+/-`); any other character beyond ASCII is
/// written out as `\u{e9}`.
pub fn terminal(text: &str, unicode: bool) -> Cow<'_, str> {
    let text = visible(text);
    if unicode || text.is_ascii() {
        return text;
    }
    let mut plain = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if c.is_ascii() {
            plain.push(c);
        } else if let Some((_, reading)) = READINGS.iter().find(|(sign, _)| *sign == c) {
            plain.push_str(reading);
        } else {
            // Writing to a String cannot fail.
            let _ = write!(plain, "\\u{{{:x}}}", u32::from(c));
        }
    }
    Cow::Owned(plain)
}

/// ASCII readings of signs that stand in our own texts and rules.
const READINGS: &[(char, &str)] = &[
    ('\u{a0}', " "),
    ('°', " deg"),
    ('±', "+/-"),
    ('²', "2"),
    ('³', "3"),
    ('µ', "u"),
    ('·', "*"),
    ('½', "1/2"),
    ('×', "x"),
    ('Ω', "ohm"),
    ('μ', "u"),
    ('–', "-"),
    ('—', "-"),
    ('‘', "'"),
    ('’', "'"),
    ('“', "\""),
    ('”', "\""),
    ('„', "\""),
    ('…', "..."),
    ('→', "->"),
    ('−', "-"),
    ('≈', "about "),
    ('≤', "<="),
    ('≥', ">="),
    ('\u{2126}', "ohm"),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::escape::{HOSTILE, is_unseen};

    #[test]
    fn no_control_reaches_the_terminal() {
        for text in HOSTILE {
            assert!(!terminal(text, true).chars().any(is_unseen), "{text:?}");
            let plain = terminal(text, false);
            assert!(plain.bytes().all(|b| (0x20..0x7F).contains(&b)), "{plain}");
        }
    }

    #[test]
    fn ascii_readings() {
        assert_eq!(
            terminal("5 Ω ± 2 – größer", false),
            "5 ohm +/- 2 - gr\\u{f6}\\u{df}er"
        );
        assert_eq!(terminal("5 Ω", true), "5 Ω");
    }
}
