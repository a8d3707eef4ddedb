//! Text for Markdown as issue trackers and mail programs read it.

use super::visible;

/// The text so that it stays a text: no emphasis, link, image, code, table cell, HTML, heading or list begins in it, and
/// no mention (`@name`), reference (`#12`), emoji (`:name:`), formula (`$x$`) or bare address is made of it.
///
/// What a tracker would look for after rendering is broken up by a word joiner, written as the entity `&#8288;`: it
/// shows in the source and not on the page.
pub fn markdown(text: &str) -> String {
    let text = visible(text);
    let mut safe = String::with_capacity(text.len() + 16);
    let mut before = ' ';
    let mut number_so_far = true;
    let mut colon_in_word = false;
    let mut chars = text.trim().chars().peekable();
    while let Some(c) = chars.next() {
        let next = chars.peek().copied().unwrap_or(' ');
        let starts = safe.is_empty();
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '$' => safe.push_str("&#36;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '~' => safe.extend(['\\', c]),
            '#' | '-' | '+' | '=' if starts && (next == ' ' || next == c) => safe.extend(['\\', c]),
            '.' | ')' if number_so_far && !starts && next == ' ' => safe.extend(['\\', c]),
            // The second colon of a word could end the name of an emoji.
            ':' if colon_in_word => safe.push_str("&#8288;:"),
            _ => safe.push(c),
        }
        number_so_far = number_so_far && c.is_ascii_digit();
        colon_in_word = c == ':' || colon_in_word && c != ' ';
        let name_follows = next.is_alphanumeric() || matches!(next, '_' | '"');
        let made_into_more = match c {
            '@' | '#' | '!' | '~' | '%' | '$' | '&' => name_follows,
            ':' => next == '/',
            'w' | 'W' => next == '.' && matches!(before, 'w' | 'W'),
            '-' => matches!(before, 'h' | 'H') && next.is_ascii_digit(),
            _ => false,
        };
        if made_into_more {
            safe.push_str("&#8288;");
        }
        before = c;
    }
    safe
}

/// The text as a code span; `in_table` where a bar would end the cell.
pub fn code(text: &str, in_table: bool) -> String {
    let text = visible(text);
    let mut longest = 0;
    let mut run = 0;
    for c in text.chars() {
        run = if c == '`' { run + 1 } else { 0 };
        longest = longest.max(run);
    }
    let fence = "`".repeat(longest + 1);
    let pad = if text.starts_with('`') || text.ends_with('`') || text.is_empty() {
        " "
    } else {
        ""
    };
    let text = if in_table {
        text.replace('|', "\\|")
    } else {
        text.into_owned()
    };
    format!("{fence}{pad}{text}{pad}{fence}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::escape::{HOSTILE, is_unseen};

    #[test]
    fn plain_words_stay_plain() {
        for plain in [
            "Left front drops out 41 % of the time now. (12 times), 0.4 V.",
            "-0.12 ± 0.08",
            "seen in drive.log:412, drive.log:518",
        ] {
            assert_eq!(markdown(plain), plain);
        }
    }

    #[test]
    fn nothing_begins() {
        for (text, safe) in [
            ("a|b", "a\\|b"),
            ("<b>", "&lt;b&gt;"),
            ("[x](http://y)", "\\[x\\](http:&#8288;//y)"),
            ("@team", "@&#8288;team"),
            ("see #12", "see #&#8288;12"),
            ("GH-12", "GH-&#8288;12"),
            ("# x", "\\# x"),
            ("- x", "\\- x"),
            ("1. x", "1\\. x"),
            ("12) x", "12\\) x"),
            ("`x` *y* _z_", "\\`x\\` \\*y\\* \\_z\\_"),
            ("www.x", "www&#8288;.x"),
            (":+1: a:100:", ":+1&#8288;: a:100&#8288;:"),
            ("$x$", "&#36;&#8288;x&#36;"),
        ] {
            assert_eq!(markdown(text), safe);
        }
        for text in HOSTILE {
            assert!(!markdown(text).chars().any(is_unseen), "{text:?}");
            assert!(!markdown(text).contains('<'), "{text:?}");
        }
    }

    #[test]
    fn code_spans_close_where_they_should() {
        assert_eq!(code("drive.log:12", false), "`drive.log:12`");
        assert_eq!(code("a`b", false), "``a`b``");
        assert_eq!(code("`", false), "`` ` ``");
        assert_eq!(code("a|b", true), "`a\\|b`");
    }
}
