//! Text in JSON: nothing is lost, but what a terminal would obey or a reader would not see is written as `\u` escapes.

use std::io::{self, Write};

use serde_json::ser::Formatter;

use super::is_unseen;

/// How JSON is laid out on lines and how its strings are written.
#[derive(Clone, Copy, Debug, Default)]
pub struct Visible {
    /// Down to which depth each entry gets a line of its own; 0 puts everything on one line.
    line_depth: usize,
    depth: usize,
    /// Whether the array or object just begun has an entry yet.
    has_entry: bool,
}

impl Visible {
    /// Everything on one line.
    pub const fn one_line() -> Self {
        Self::lines(0)
    }

    /// A line for each entry down to this depth; deeper ones stay on the line of their parent.
    pub const fn lines(line_depth: usize) -> Self {
        Self {
            line_depth,
            depth: 0,
            has_entry: false,
        }
    }

    fn begin<W: ?Sized + Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        self.depth += 1;
        self.has_entry = false;
        writer.write_all(bracket)
    }

    fn entry<W: ?Sized + Write>(&mut self, writer: &mut W, first: bool) -> io::Result<()> {
        self.has_entry = true;
        if !first {
            writer.write_all(b",")?;
        }
        if self.depth <= self.line_depth {
            self.new_line(writer)
        } else if first {
            Ok(())
        } else {
            writer.write_all(b" ")
        }
    }

    fn end<W: ?Sized + Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        let own_line = self.has_entry && self.depth <= self.line_depth;
        self.depth -= 1;
        if own_line {
            self.new_line(writer)?;
        }
        self.has_entry = true;
        writer.write_all(bracket)
    }

    fn new_line<W: ?Sized + Write>(&self, writer: &mut W) -> io::Result<()> {
        write!(writer, "\n{:1$}", "", 2 * self.depth)
    }
}

impl Formatter for Visible {
    fn begin_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"[")
    }

    fn end_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"]")
    }

    fn begin_array_value<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        self.entry(writer, first)
    }

    fn begin_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.begin(writer, b"{")
    }

    fn end_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.end(writer, b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        self.entry(writer, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn write_string_fragment<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        let mut rest = fragment;
        while let Some((at, c)) = rest.char_indices().find(|(_, c)| is_unseen(*c)) {
            let (plain, tail) = rest.split_at(at);
            writer.write_all(plain.as_bytes())?;
            for unit in c.encode_utf16(&mut [0; 2]) {
                write!(writer, "\\u{unit:04x}")?;
            }
            rest = tail.get(c.len_utf8()..).unwrap_or("");
        }
        writer.write_all(rest.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde::Serialize as _;

    use super::*;
    use crate::report::escape::HOSTILE;

    fn written(text: &str) -> String {
        let mut out = Vec::new();
        let mut serializer = serde_json::Serializer::with_formatter(&mut out, Visible::one_line());
        text.serialize(&mut serializer).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn hostile_texts_come_back_as_they_were_and_show_nothing() {
        for text in HOSTILE {
            let json = written(text);
            assert!(!json.chars().any(is_unseen), "{json}");
            assert_eq!(&serde_json::from_str::<String>(&json).unwrap(), text);
        }
    }

    #[test]
    fn lines_end_at_the_chosen_depth() {
        let value = serde_json::json!({"a": [{"b": [1, 2]}, {"b": []}], "c": [], "d": {}});
        let mut out = Vec::new();
        let mut serializer = serde_json::Serializer::with_formatter(&mut out, Visible::lines(2));
        value.serialize(&mut serializer).unwrap();
        let json = String::from_utf8(out).unwrap();
        let expected = "{\n  \"a\": [\n    {\"b\": [1, 2]},\n    {\"b\": []}\n  ],\n  \"c\": [],\n  \"d\": {}\n}";
        assert_eq!(json, expected);
    }

    proptest! {
        #[test]
        fn any_text_survives(text in any::<String>()) {
            prop_assert_eq!(serde_json::from_str::<String>(&written(&text)).unwrap(), text);
        }
    }
}
