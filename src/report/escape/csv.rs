//! Text for a field of comma-separated values (RFC 4180).

use super::visible;

/// The text as one field: quoted where a comma, a quote or a space at an end asks for it. A text that a spreadsheet
/// would calculate (it starts with `=`, `+`, `-` or `@`) gets an apostrophe in front, which keeps it a text.
pub fn csv(text: &str) -> String {
    let text = visible(text);
    let formula = text.trim_start().starts_with(['=', '+', '-', '@']);
    let guard = if formula { "'" } else { "" };
    let ends = text.starts_with(' ') || text.ends_with(' ');
    if ends || text.contains([',', '"', ';']) {
        format!("\"{guard}{}\"", text.replace('"', "\"\""))
    } else {
        format!("{guard}{text}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::escape::HOSTILE;

    #[test]
    fn fields() {
        assert_eq!(csv("plain"), "plain");
        assert_eq!(csv("a, \"b\""), "\"a, \"\"b\"\"\"");
        assert_eq!(csv("=1+1"), "'=1+1");
        assert_eq!(csv(" @x"), "\"' @x\"");
    }

    #[test]
    fn one_field_stays_one_field_on_one_line() {
        for text in HOSTILE {
            let field = csv(text);
            assert!(!field.contains(['\n', '\r', '\0', '\u{1b}']), "{field}");
            assert!(!field.starts_with(['=', '+', '-', '@']), "{field}");
            if field.contains(',') {
                assert!(field.starts_with('"') && field.ends_with('"'), "{field}");
            }
        }
    }
}
