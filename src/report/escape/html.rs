//! Text for HTML: between tags and in quoted attributes.

use std::fmt::{self, Write};

use super::visible;

/// The escaper of all templates (`askama.toml`).
#[derive(Clone, Copy, Debug)]
pub struct Strict;

impl askama::filters::Escaper for Strict {
    fn write_escaped_str<W: Write>(&self, mut out: W, text: &str) -> fmt::Result {
        html(text, &mut out)
    }
}

/// Writes the text so that no part of it can be markup, leave an attribute, or turn the reading direction.
pub fn html(text: &str, out: &mut impl Write) -> fmt::Result {
    for c in visible(text).chars() {
        match c {
            '&' => out.write_str("&amp;")?,
            '<' => out.write_str("&lt;")?,
            '>' => out.write_str("&gt;")?,
            '"' => out.write_str("&quot;")?,
            '\'' => out.write_str("&#39;")?,
            // Templates of other programs may read the page on its way to the reader.
            '{' => out.write_str("&#123;")?,
            '}' => out.write_str("&#125;")?,
            _ => out.write_char(c)?,
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::escape::{HOSTILE, MAX_CHARS, is_unseen};

    fn escaped(text: &str) -> String {
        let mut out = String::new();
        html(text, &mut out).unwrap();
        out
    }

    #[test]
    fn no_markup_survives() {
        assert_eq!(escaped("<b a='\"'>&"), "&lt;b a=&#39;&quot;&#39;&gt;&amp;");
        for text in HOSTILE {
            let safe = escaped(text);
            assert!(!safe.contains(['<', '>', '"', '\'', '{']), "{safe}");
            assert!(!safe.chars().any(is_unseen), "{safe}");
        }
    }

    #[test]
    fn ten_megabytes_are_cut_with_a_note() {
        let safe = escaped(&"<".repeat(10 << 20));
        assert!(safe.len() < MAX_CHARS * 5);
        assert!(safe.contains("shortened: 10485760 bytes"));
    }
}
