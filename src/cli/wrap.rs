//! Paragraphs for a terminal: words that fit a width.

use std::io::{self, Write};

/// Writes words so that no line is wider than `width` columns; lines after the first begin with `indent` spaces.
pub(crate) fn put(out: &mut dyn Write, words: &str, width: usize, indent: usize) -> io::Result<()> {
    let mut column = 0;
    for word in words.split_whitespace() {
        let wide = unicode_width::UnicodeWidthStr::width(word);
        if column > indent && column + 1 + wide > width {
            write!(out, "\n{:indent$}", "")?;
            column = indent;
        } else if column > 0 && column != indent {
            write!(out, " ")?;
            column += 1;
        }
        write!(out, "{word}")?;
        column += wide;
    }
    writeln!(out)
}

/// The same with a beginning that stands in front of the first line: its width is the indent of the others.
pub(crate) fn item(
    out: &mut dyn Write,
    beginning: &str,
    words: &str,
    width: usize,
) -> io::Result<()> {
    let indent = unicode_width::UnicodeWidthStr::width(beginning);
    write!(out, "{beginning}")?;
    let room = width.saturating_sub(indent).max(20);
    let mut lines = Vec::new();
    put(&mut lines, words, room, 0)?;
    let text = String::from_utf8_lossy(&lines);
    for (number, line) in text.lines().enumerate() {
        if number > 0 {
            write!(out, "{:indent$}", "")?;
        }
        writeln!(out, "{line}")?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_hang() {
        let mut out = Vec::new();
        item(
            &mut out,
            "  C0031  ",
            "left front wheel-speed sensor: open circuit",
            32,
        )
        .unwrap();
        put(&mut out, "one two three four five", 10, 2).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "  C0031  left front wheel-speed\n         sensor: open circuit\none two\n  three\n  four\n  five\n"
        );
    }
}
