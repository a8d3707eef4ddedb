//! Paragraphs for a terminal: words that fit a width.

use std::io::{self, Write};

use unicode_width::UnicodeWidthStr as _;

/// Words in lines, none wider than `width` columns unless a word is: the first begins at column `at`, the others with `indent` spaces.
pub(crate) fn lines(words: &str, at: usize, indent: usize, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut column = at;
    for (number, word) in words.split(' ').enumerate() {
        let wide = word.width();
        if number > 0 && column + 1 + wide > width {
            lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
            column = indent;
        } else if number > 0 {
            line.push(' ');
            column += 1;
        }
        line.push_str(word);
        column += wide;
    }
    lines.push(line);
    lines
}

/// Writes words so that no line is wider than `width` columns; lines after the first begin with `indent` spaces.
pub(crate) fn put(out: &mut dyn Write, words: &str, width: usize, indent: usize) -> io::Result<()> {
    write_lines(out, words, 0, indent, width)
}

/// The same with a beginning that stands in front of the first line: its width is the indent of the others.
pub(crate) fn item(
    out: &mut dyn Write,
    beginning: &str,
    words: &str,
    width: usize,
) -> io::Result<()> {
    let indent = beginning.width();
    write!(out, "{beginning}")?;
    write_lines(out, words, indent, indent, width.max(indent + 20))
}

/// Words with single blanks between them.
fn write_lines(
    out: &mut dyn Write,
    words: &str,
    at: usize,
    indent: usize,
    width: usize,
) -> io::Result<()> {
    let words: Vec<&str> = words.split_whitespace().collect();
    for line in lines(&words.join(" "), at, indent, width) {
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
