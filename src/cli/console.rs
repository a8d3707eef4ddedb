//! What the terminal can show, and remarks to standard error.

#![expect(
    clippy::disallowed_methods,
    reason = "the edge is where the environment is read"
)]

use std::io::{IsTerminal as _, Write as _};

use tonering::report::escape::is_unseen;

/// What standard output and standard error can show.
#[derive(Clone, Copy, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "four independent abilities")]
pub(crate) struct Console {
    /// Columns of standard output; 80 where it is no terminal.
    pub(crate) width: usize,
    /// Whether colour is welcome on standard output.
    pub(crate) colour: bool,
    /// Whether standard output takes more than ASCII.
    pub(crate) unicode: bool,
    /// Whether standard error is a terminal, so that progress may be drawn there.
    pub(crate) progress: bool,
    /// Whether standard output is a terminal on which a picture can be drawn anew in place.
    pub(crate) screen: bool,
}

impl Console {
    const NARROWEST: usize = 40;
    const WIDEST: usize = 200;

    /// Looks at the terminal and the environment (`NO_COLOR`, `TERM`, `COLUMNS`, the locale).
    pub(crate) fn detect() -> Self {
        let terminal = std::io::stdout().is_terminal();
        let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
        let columns = set("COLUMNS").and_then(|value| value.parse().ok());
        let width = columns
            .or_else(|| terminal_size::terminal_size().map(|(width, _)| usize::from(width.0)))
            .unwrap_or(80)
            .clamp(Self::NARROWEST, Self::WIDEST);
        let dumb = set("TERM").is_some_and(|term| term == "dumb");
        let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set);
        let unicode = locale.is_none_or(|locale| {
            let locale = locale.to_ascii_lowercase();
            locale.contains("utf-8") || locale.contains("utf8")
        });
        Self {
            width,
            colour: terminal && !dumb && set("NO_COLOR").is_none(),
            unicode,
            progress: std::io::stderr().is_terminal() && !dumb,
            screen: terminal && !dumb,
        }
    }
}

/// A remark for the person, one line on standard error.
pub(crate) fn remark(words: &str) {
    // A remark that cannot be shown is no reason to fail.
    let _ = writeln!(std::io::stderr(), "tonering: {}", printable(words));
}

/// The text with everything that could steer a terminal, or that nobody would see, shown as `\u{1b}`; ends of lines stay.
pub(crate) fn printable(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        if is_unseen(character) && character != '\n' {
            shown.extend(character.escape_unicode());
        } else {
            shown.push(character);
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::printable;

    #[test]
    fn nothing_steers_the_terminal() {
        assert_eq!(
            printable("a\u{1b}[2Jb\u{202e}c\r"),
            "a\\u{1b}[2Jb\\u{202e}c\\u{d}"
        );
        assert_eq!(
            printable("signals.f\u{61c}id\u{9b}\u{200b}"),
            "signals.f\\u{61c}id\\u{9b}\\u{200b}"
        );
        assert_eq!(printable("205/55R16 – gut"), "205/55R16 – gut");
    }
}
