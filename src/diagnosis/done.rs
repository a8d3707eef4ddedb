//! What was checked by hand, in words.

use crate::notes::{Note, NoteResult, Notes};
use crate::rules::Rules;

/// A line for each noted check: its name, where, and what came out.
pub fn done(notes: &Notes, rules: &Rules) -> Vec<String> {
    let entries = notes.entries.iter();
    entries.map(|note| done_line(note, rules)).collect()
}

/// A noted check: its name, where, and what came out.
pub fn done_line(note: &Note, rules: &Rules) -> String {
    let check = rules.check(&note.check);
    let name = check.map_or(note.check.as_str(), |check| check.name.as_str());
    let result = match &note.result {
        NoteResult::Word(word) => word.replace('-', " "),
        NoteResult::Value(value) if value.is_infinite() => "open circuit".to_owned(),
        NoteResult::Value(value) => {
            let unit = check.and_then(|check| check.value.as_ref());
            let unit = unit.map_or("", |value| value.unit.symbol());
            format!("{value} {unit}")
        }
        NoteResult::CannotDo => "could not be done".to_owned(),
    };
    match note.place {
        crate::place::Place::Vehicle => format!("{name}: {result}"),
        place => format!("{name}, {place}: {result}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_result_is_told() {
        let rules = Rules::built_in().unwrap();
        let text = "notes: 1\nchecks:\n\
            - { check: sensor-connector-look, wheel: left-front, result: clean }\n\
            - { check: air-gap, wheel: right-rear, value_mm: 1.5 }\n\
            - { check: tone-ring-look, wheel: left-front, result: cannot-do }\n";
        let lines = done(&Notes::parse(text, "notes", &rules).unwrap(), &rules);
        let ends = [
            "left front: clean",
            "right rear: 1.5 mm",
            "could not be done",
        ];
        assert_eq!(lines.len(), ends.len());
        for (line, end) in lines.iter().zip(ends) {
            assert!(line.ends_with(end), "{line}");
        }
    }
}
