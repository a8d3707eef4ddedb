//! Adding a note to the text of a file of notes, and taking one away, with everything else left as it was.
//!
//! Comments, order and style of the file stay. Each edit is read again before it counts: when the text does not say what it
//! should, the notes are written anew and the text before stands under them as comments, so nothing is ever lost.

use super::{Note, Notes};
use crate::rules::Rules;

impl Note {
    /// The entry as it stands in a file: `{ check: air-gap, wheel: left-front, value_mm: 2 }`.
    pub fn entry(&self, rules: &Rules) -> String {
        let unit = rules
            .check(&self.check)
            .and_then(|check| Some(check.value.as_ref()?.unit));
        let entry = self.to_string();
        match unit {
            Some(unit) => entry.replacen(" value: ", &format!(" {}: ", unit.key()), 1),
            None => entry,
        }
    }
}

impl Notes {
    /// The text of a file with one more note at its end; `self` is what the text says now.
    pub fn with(&self, text: &str, note: &Note, rules: &Rules) -> String {
        let mut wanted = self.clone();
        wanted.entries.push(note.clone());
        let edited = insert(text, &note.entry(rules));
        match Self::parse(&edited, "", rules) {
            Ok(found) if found == wanted => edited,
            _ => {
                let mut anew = wanted.write(rules);
                if !text.trim().is_empty() {
                    anew.push_str("# What stood here before:\n");
                    for line in text.lines() {
                        anew.push_str("# ");
                        anew.push_str(line);
                        anew.push('\n');
                    }
                }
                anew
            }
        }
    }

    /// The text of a file without its last note that is this one; `None` where that note was not written by this program in
    /// a line of its own.
    pub fn without(&self, text: &str, note: &Note, rules: &Rules) -> Option<String> {
        let mut wanted = self.clone();
        let at = wanted.entries.iter().rposition(|known| known == note)?;
        wanted.entries.remove(at);
        let edited = remove(text, &note.entry(rules))?;
        let found = Self::parse(&edited, "", rules).ok()?;
        (found == wanted).then_some(edited)
    }
}

/// The end of a line as the text has it.
fn line_end(text: &str) -> &'static str {
    if text.contains("\r\n") { "\r\n" } else { "\n" }
}

/// The lines of a text with their ends, each with where it begins.
fn lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.split_inclusive('\n').scan(0, |at, line| {
        let begins = *at;
        *at += line.len();
        Some((begins, line))
    })
}

fn insert(text: &str, entry: &str) -> String {
    let end = line_end(text);
    let Some((begins, head)) = lines(text).find(|(_, line)| line.starts_with("checks:")) else {
        let mut out = text.to_owned();
        if text.trim().is_empty() {
            out = format!("notes: {}{end}", super::VERSION);
        } else if !text.ends_with('\n') {
            out.push_str(end);
        }
        return format!("{out}checks:{end}  - {entry}{end}");
    };
    let value = begins + "checks:".len();
    let rest = text.get(value..).unwrap_or("");
    if rest.trim_start_matches(' ').starts_with('[') {
        return into_flow(text, value, entry, end);
    }
    // Behind the last line of the list, in the depth of its entries.
    let mut after = begins + head.len();
    let mut depth = None;
    for (at, line) in lines(text).skip_while(|(at, _)| *at <= begins) {
        let body = line.trim();
        if body.is_empty() || body.starts_with('#') {
            continue;
        }
        if !line.starts_with([' ', '-']) {
            break;
        }
        let indent = line.len() - line.trim_start().len();
        if body.starts_with('-') {
            depth.get_or_insert(indent);
        }
        after = at + line.len();
    }
    let (before, behind) = text.split_at(after);
    let gap = if before.ends_with('\n') { "" } else { end };
    let indent = " ".repeat(depth.unwrap_or(2));
    format!("{before}{gap}{indent}- {entry}{end}{behind}")
}

/// Into a list in brackets: `[]`, or one with entries, over several lines or not.
fn into_flow(text: &str, value: usize, entry: &str, end: &str) -> String {
    let rest = text.get(value..).unwrap_or("");
    let Some((open, close)) = brackets(rest) else {
        return text.to_owned();
    };
    let (open, close) = (value + open, value + close);
    let inside = text.get(open + 1..close).unwrap_or("");
    let (before, behind) = text.split_at(close);
    if inside.trim().is_empty() {
        let head = text.get(..value).unwrap_or("");
        let behind = behind.get(1..).unwrap_or("");
        let (remark, behind) = behind.split_once('\n').unwrap_or((behind, ""));
        let remark = remark.trim_end();
        return format!("{head}{remark}{end}  - {entry}{end}{behind}");
    }
    let before = before.trim_end();
    let comma = if before.ends_with(',') { "" } else { "," };
    format!("{before}{comma} {entry}{behind}")
}

/// Where the first bracket opens and where it closes, quotes and comments minded.
fn brackets(text: &str) -> Option<(usize, usize)> {
    let (mut open, mut depth) = (None, 0_usize);
    let mut quote = None;
    let mut comment = false;
    let mut before = ' ';
    for (at, letter) in text.char_indices() {
        match (quote, letter) {
            _ if comment => comment = letter != '\n',
            (Some(mark), _) => quote = (letter != mark).then_some(mark),
            (None, '"' | '\'') => quote = Some(letter),
            (None, '#') if before.is_whitespace() => comment = true,
            (None, '[' | '{') => {
                open.get_or_insert(at);
                depth += 1;
            }
            (None, ']' | '}') => {
                depth = depth.checked_sub(1)?;
                if depth == 0 {
                    return Some((open?, at));
                }
            }
            _ => {}
        }
        before = letter;
    }
    None
}

fn remove(text: &str, entry: &str) -> Option<String> {
    let wanted = format!("- {entry}");
    let (at, line) = lines(text)
        .filter(|(_, line)| line.trim() == wanted)
        .last()?;
    let (before, rest) = text.split_at(at);
    let behind = rest.get(line.len()..).unwrap_or("");
    let left = format!("{before}{behind}");
    let list = |line: &str| line.trim_start().starts_with('-');
    if lines(&left).any(|(_, line)| list(line)) {
        return Some(left);
    }
    // The list is empty now, and must say so.
    let (head, _) = lines(&left).find(|(_, line)| line.starts_with("checks:"))?;
    let (before, list) = left.split_at(head);
    Some(format!(
        "{before}{}",
        list.replacen("checks:", "checks: []", 1)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notes::NoteResult;
    use crate::place::{Place, Wheel};

    fn note(value: f64) -> Note {
        Note {
            check: "pad-thickness".to_owned(),
            place: Place::Wheel(Wheel::LeftFront),
            result: NoteResult::Value(value),
        }
    }

    const ENTRY: &str = "{ check: pad-thickness, wheel: left-front, value_mm: 2 }";

    fn added(text: &str) -> String {
        let rules = Rules::built_in().unwrap();
        let notes = if text.trim().is_empty() {
            Notes::default()
        } else {
            Notes::parse(text, "before", &rules).unwrap()
        };
        let text = notes.with(text, &note(2.0), &rules);
        let after = Notes::parse(&text, "after", &rules).unwrap();
        assert_eq!(after.entries.len(), notes.entries.len() + 1, "{text}");
        assert_eq!(after.entries.last(), Some(&note(2.0)));
        text
    }

    #[test]
    fn a_note_is_added_and_the_rest_stays() {
        for (before, after) in [
            ("", "notes: 1\nchecks:\n  - E\n"),
            ("notes: 1\nchecks: []\n", "notes: 1\nchecks:\n  - E\n"),
            (
                "notes: 1\nchecks: [ ] # none\n",
                "notes: 1\nchecks: # none\n  - E\n",
            ),
            ("notes: 1 # of May", "notes: 1 # of May\nchecks:\n  - E\n"),
            (
                "# Mine\nnotes: 1\nchecks:\n- { check: abs-fuse, result: blown } # looked black\n\n# end\n",
                "# Mine\nnotes: 1\nchecks:\n- { check: abs-fuse, result: blown } # looked black\n- E\n\n# end\n",
            ),
            (
                "checks:\n    - check: abs-fuse\n      # twice\n      result: blown\nnotes: 1\n",
                "checks:\n    - check: abs-fuse\n      # twice\n      result: blown\n    - E\nnotes: 1\n",
            ),
            (
                "notes: 1\nchecks: [{ check: abs-fuse, result: blown }, # ]\n ]\n",
                "notes: 1\nchecks: [{ check: abs-fuse, result: blown }, # ], E\n ]\n",
            ),
            (
                "notes: 1\r\nchecks:\r\n  - { check: abs-fuse, result: blown }",
                "notes: 1\r\nchecks:\r\n  - { check: abs-fuse, result: blown }\r\n  - E\r\n",
            ),
        ] {
            let got = added(before);
            let wanted = after.replace('E', ENTRY);
            if before.contains("# ]") {
                // Behind a comment the entry would be part of it: written anew, with the text before as comments.
                assert!(got.contains(&format!("  - {ENTRY}")), "{got}");
                assert!(got.contains("# checks: [{ check: abs-fuse"), "{got}");
            } else {
                assert_eq!(got, wanted);
            }
        }
        let flow = "notes: 1\nchecks: [{ check: abs-fuse, result: 'blown' }]\n";
        assert_eq!(added(flow), flow.replace(']', &format!(", {ENTRY}]")));
    }

    #[test]
    fn taking_back_gives_the_text_before() {
        let rules = Rules::built_in().unwrap();
        for before in [
            "notes: 1\nchecks: []\n",
            "# a\nnotes: 1\nchecks:\n  - { check: abs-fuse, result: blown } # b\n# c\n",
            "notes: 1\nchecks:\n  - { check: pad-thickness, wheel: left-front, value_mm: 2 }\n",
        ] {
            let text = added(before);
            let notes = Notes::parse(&text, "x", &rules).unwrap();
            let back = notes.without(&text, &note(2.0), &rules).unwrap();
            assert_eq!(back, before);
        }
        let by_hand = "notes: 1\nchecks:\n  - check: pad-thickness\n    wheel: left-front\n    value_mm: 2.0\n";
        let notes = Notes::parse(by_hand, "x", &rules).unwrap();
        assert_eq!(notes.without(by_hand, &note(2.0), &rules), None);
        assert_eq!(notes.without(by_hand, &note(3.0), &rules), None);
    }
}
