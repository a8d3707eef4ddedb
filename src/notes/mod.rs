//! Inspection notes: what was checked by hand, with results or readings (YAML, `notes: 1`).
//!
//! The checks, their places and their results are those of the rules, so a workshop's own checks can be noted too. An
//! unknown check, wheel, axle or result is an error that lists what is possible; all faults are reported at once.

mod answer;
mod edit;

use std::fmt;

use serde::Deserialize;

pub use answer::{AnswerError, answer, possible_units};

use crate::place::{Axle, Place, PlaceKind, Wheel};
use crate::rules::{CheckRule, Rules, ValueUnit};
use crate::yaml;

/// The version of the format that this program reads and writes.
pub const VERSION: u32 = 1;

/// Largest file of notes that is read, in bytes.
pub const MAX_BYTES: usize = 1 << 20;

/// Noted checks, in the order of the file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notes {
    /// The checks.
    pub entries: Vec<Note>,
}

/// A noted check.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// The check's identifier.
    pub check: String,
    /// Where it was done.
    pub place: Place,
    /// What came out.
    pub result: NoteResult,
}

/// What came out of a check.
#[derive(Clone, Debug, PartialEq)]
pub enum NoteResult {
    /// A result in words, one of the check's own.
    Word(String),
    /// A value in the check's unit; infinite for an open circuit.
    Value(f64),
    /// It was proposed and could not be done. Says nothing about any cause.
    CannotDo,
}

/// A file of notes as it is written.
#[derive(Clone, Debug, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NotesFile {
    /// The version of the format: 1.
    pub notes: u32,
    /// The checks that were done.
    #[serde(default)]
    pub checks: Vec<NotedCheck>,
}

/// A check as it is written.
#[derive(Clone, Debug, Default, Deserialize, PartialEq)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct NotedCheck {
    /// The check's identifier.
    pub check: String,
    /// The wheel, for a check of a wheel: `left-front`, `right-front`, `left-rear`, `right-rear`.
    pub wheel: Option<String>,
    /// The axle, for a check of an axle: `front`, `rear`.
    pub axle: Option<String>,
    /// The result, for a check with words; `cannot-do` for one that could not be done.
    pub result: Option<String>,
    /// The reading in millimetres.
    pub value_mm: Option<f64>,
    /// The reading in volts.
    pub value_v: Option<f64>,
    /// The reading in ohms; `.inf` for an open circuit.
    pub value_ohm: Option<f64>,
    /// The reading in bar.
    pub value_bar: Option<f64>,
    /// The reading in amperes.
    pub value_a: Option<f64>,
}

/// The word for a check that could not be done.
const CANNOT_DO: &str = "cannot-do";

/// A fault in a file of notes.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct NoteFault {
    /// The line, from 1; 0 when it is about the file as a whole.
    pub line: usize,
    /// What is wrong.
    pub words: String,
    /// What is possible there.
    pub possible: Vec<String>,
}

/// Notes that could not be used, with every fault.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error("{}", lines(name, faults))]
pub struct NotesError {
    /// The file's name as given.
    pub name: String,
    /// The faults.
    pub faults: Vec<NoteFault>,
}

fn lines(name: &str, faults: &[NoteFault]) -> String {
    let lines: Vec<String> = faults
        .iter()
        .map(|fault| {
            let at = if fault.line > 0 {
                format!("{name}:{}", fault.line)
            } else {
                name.to_owned()
            };
            if fault.possible.is_empty() {
                format!("{at}: {}", fault.words)
            } else {
                format!(
                    "{at}: {}; possible: {}",
                    fault.words,
                    fault.possible.join(", ")
                )
            }
        })
        .collect();
    lines.join("\n")
}

impl Notes {
    /// Reads notes; `name` is the file's name for messages.
    pub fn parse(text: &str, name: &str, rules: &Rules) -> Result<Self, NotesError> {
        let fail = |faults| NotesError {
            name: name.to_owned(),
            faults,
        };
        let whole = |line, words: String| {
            fail(vec![NoteFault {
                line,
                words,
                possible: Vec::new(),
            }])
        };
        if text.len() > MAX_BYTES {
            return Err(whole(
                0,
                format!("larger than {MAX_BYTES} bytes: no file of notes"),
            ));
        }
        yaml::check_depth(text).map_err(|deep| whole(deep.line, deep.to_string()))?;
        let file: NotesFile = serde_yaml::from_str(text).map_err(|error| {
            let line = error.location().map_or(0, |place| place.line());
            whole(line, error.to_string())
        })?;
        if file.notes != VERSION {
            return Err(whole(
                1,
                format!(
                    "version {} of the notes is not known; possible: {VERSION}",
                    file.notes
                ),
            ));
        }
        let lines = entry_lines(text);
        let mut notes = Self::default();
        let mut faults = Vec::new();
        for (index, noted) in file.checks.iter().enumerate() {
            match note(noted, rules) {
                Ok(note) => notes.entries.push(note),
                Err((words, possible)) => faults.push(NoteFault {
                    line: lines.get(index).copied().unwrap_or(0),
                    words,
                    possible,
                }),
            }
        }
        if faults.is_empty() {
            Ok(notes)
        } else {
            Err(fail(faults))
        }
    }

    /// The last note of a check at a place: a later one replaces an earlier one.
    pub fn last(&self, check: &str, place: Place) -> Option<&Note> {
        self.entries
            .iter()
            .rev()
            .find(|note| note.check == check && note.place == place)
    }
}

/// A check as it is written, made sure that the rules have it; the fault's line is 0.
pub fn checked(noted: &NotedCheck, rules: &Rules) -> Result<Note, NoteFault> {
    note(noted, rules).map_err(|(words, possible)| NoteFault {
        line: 0,
        words,
        possible,
    })
}

type Fault = (String, Vec<String>);

fn note(noted: &NotedCheck, rules: &Rules) -> Result<Note, Fault> {
    let Some(check) = rules.check(&noted.check) else {
        let possible = rules.checks().iter().map(|check| check.id.clone());
        return Err((
            format!("there is no check {:?}", noted.check),
            possible.collect(),
        ));
    };
    Ok(Note {
        check: check.id.clone(),
        place: place(noted, check)?,
        result: result(noted, check)?,
    })
}

fn place(noted: &NotedCheck, check: &CheckRule) -> Result<Place, Fault> {
    let kind = check.place.kind();
    for (given, key, of) in [
        (&noted.wheel, "wheel", PlaceKind::Wheel),
        (&noted.axle, "axle", PlaceKind::Axle),
    ] {
        if given.is_some() && kind != of {
            let words = format!(
                "the check {} is of the {}: no {key}",
                check.id,
                check.place.id()
            );
            return Err((words, Vec::new()));
        }
    }
    let wheels = || Wheel::ALL.map(|wheel| wheel.id().to_owned()).to_vec();
    let axles = || Axle::ALL.map(|axle| axle.id().to_owned()).to_vec();
    match (kind, &noted.wheel, &noted.axle) {
        (PlaceKind::Vehicle, ..) => Ok(Place::Vehicle),
        (PlaceKind::Wheel, Some(id), _) => Wheel::from_id(id)
            .map(Place::Wheel)
            .ok_or_else(|| (format!("there is no wheel {id:?}"), wheels())),
        (PlaceKind::Wheel, None, _) => {
            Err((format!("the check {} needs a wheel", check.id), wheels()))
        }
        (PlaceKind::Axle, _, Some(id)) => Axle::from_id(id)
            .map(Place::Axle)
            .ok_or_else(|| (format!("there is no axle {id:?}"), axles())),
        (PlaceKind::Axle, _, None) => {
            Err((format!("the check {} needs an axle", check.id), axles()))
        }
    }
}

fn result(noted: &NotedCheck, check: &CheckRule) -> Result<NoteResult, Fault> {
    let values = [
        (ValueUnit::Mm, noted.value_mm),
        (ValueUnit::V, noted.value_v),
        (ValueUnit::Ohm, noted.value_ohm),
        (ValueUnit::Bar, noted.value_bar),
        (ValueUnit::A, noted.value_a),
    ];
    let given: Vec<(ValueUnit, f64)> = values
        .into_iter()
        .filter_map(|(unit, value)| Some((unit, value?)))
        .collect();
    if noted.result.as_deref() == Some(CANNOT_DO) && given.is_empty() {
        return Ok(NoteResult::CannotDo);
    }
    let Some(value) = &check.value else {
        let possible = || {
            check
                .results
                .iter()
                .map(|result| result.id.clone())
                .collect()
        };
        if let Some((unit, _)) = given.first() {
            let words = format!(
                "the check {} has a result in words, no {}",
                check.id,
                unit.key()
            );
            return Err((words, possible()));
        }
        return match &noted.result {
            Some(word) if check.results.iter().any(|result| result.id == *word) => {
                Ok(NoteResult::Word(word.clone()))
            }
            Some(word) => Err((format!("{} has no result {word:?}", check.id), possible())),
            None => Err((format!("the check {} needs a result", check.id), possible())),
        };
    };
    let key = || vec![value.unit.key().to_owned()];
    match (given.as_slice(), &noted.result) {
        ([(unit, number)], None) if *unit == value.unit => {
            if number.is_nan() || *number < 0.0 {
                Err((
                    format!("{number} is no reading in {}", unit.symbol()),
                    Vec::new(),
                ))
            } else {
                Ok(NoteResult::Value(*number))
            }
        }
        _ => Err((format!("the check {} takes one reading", check.id), key())),
    }
}

/// The line of each entry of `checks`.
fn entry_lines(text: &str) -> Vec<usize> {
    let mut inside = false;
    let mut dash = None;
    let mut lines = Vec::new();
    for (index, line) in text.lines().enumerate() {
        let body = line.trim_start();
        let indent = line.len() - body.len();
        if !inside {
            inside = line.starts_with("checks:");
        } else if body.starts_with('-') && dash.is_none_or(|level| level == indent) {
            dash = Some(indent);
            lines.push(index + 1);
        }
    }
    lines
}

/// The YAML of one entry, as it stands in a list: `{ check: air-gap, wheel: left-front, value_mm: 2 }`.
impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{{ check: {}", self.check)?;
        match self.place {
            Place::Vehicle => {}
            Place::Axle(axle) => write!(f, ", axle: {}", axle.id())?,
            Place::Wheel(wheel) => write!(f, ", wheel: {}", wheel.id())?,
        }
        write!(f, ", {} }}", self.result)
    }
}

/// `result: corroded`; a value without its key is for [`Notes::write`] only.
impl fmt::Display for NoteResult {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Word(word) => write!(f, "result: {word}"),
            Self::Value(value) if value.is_infinite() => write!(f, "value: .inf"),
            Self::Value(value) => write!(f, "value: {value}"),
            Self::CannotDo => write!(f, "result: {CANNOT_DO}"),
        }
    }
}

impl Notes {
    /// The notes as a file.
    pub fn write(&self, rules: &Rules) -> String {
        let mut text = format!("notes: {VERSION}\nchecks:");
        if self.entries.is_empty() {
            text.push_str(" []");
        }
        text.push('\n');
        for note in &self.entries {
            text.push_str("  - ");
            text.push_str(&note.entry(rules));
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules() -> Rules {
        Rules::built_in().unwrap()
    }

    #[test]
    fn the_example_of_the_format() {
        let text = "\
notes: 1
checks:
  - { check: fluid-level, result: below-minimum }
  - { check: pad-thickness, wheel: left-front, value_mm: 2.1 }
  - { check: abs-fuse, result: blown }
  - { check: sensor-resistance, wheel: right-rear, value_ohm: 1100 }
  - { check: sensor-resistance, wheel: left-rear, value_ohm: .inf }
  - { check: bearing-play, wheel: left-rear, result: none }
  - { check: sensor-sides, axle: front, result: swapped }
  - { check: tone-ring-look, wheel: left-front, result: cannot-do }
";
        let rules = rules();
        let notes = Notes::parse(text, "notes.yaml", &rules).unwrap();
        assert_eq!(notes.entries.len(), 8);
        assert_eq!(
            notes
                .last("sensor-resistance", Place::Wheel(Wheel::LeftRear))
                .unwrap()
                .result,
            NoteResult::Value(f64::INFINITY)
        );
        let again = Notes::parse(&notes.write(&rules), "again", &rules).unwrap();
        assert_eq!(again, notes);
        let none = Notes::default();
        assert_eq!(
            Notes::parse(&none.write(&rules), "again", &rules).unwrap(),
            none
        );
    }

    #[test]
    fn later_notes_replace_earlier_ones() {
        let text = "\
notes: 1
checks:
  - { check: abs-fuse, result: blown }
  - { check: abs-fuse, result: intact }
";
        let notes = Notes::parse(text, "notes.yaml", &rules()).unwrap();
        let last = notes.last("abs-fuse", Place::Vehicle).unwrap();
        assert_eq!(last.result, NoteResult::Word("intact".to_owned()));
    }

    #[test]
    fn faults_have_their_line_and_what_is_possible() {
        let text = "\
notes: 1
checks:
  - { check: fluid, result: ok }
  - { check: pad-thickness, wheel: front-left, value_mm: 2 }
  - check: abs-fuse
    result: burnt
  - { check: abs-fuse, wheel: left-front, result: blown }
  - { check: sensor-sides, result: right }
  - { check: pad-thickness, wheel: left-front, value_v: 2 }
  - { check: pad-thickness, wheel: left-front, value_mm: -2 }
  - { check: abs-fuse, value_v: 12 }
";
        let error = Notes::parse(text, "notes.yaml", &rules()).unwrap_err();
        let text = error.to_string();
        for part in [
            "notes.yaml:3: there is no check \"fluid\"; possible: fluid-level, pad-thickness",
            "notes.yaml:4: there is no wheel \"front-left\"; possible: left-front, right-front, left-rear, right-rear",
            "notes.yaml:5: abs-fuse has no result \"burnt\"; possible: intact, blown",
            "notes.yaml:7: the check abs-fuse is of the vehicle: no wheel",
            "notes.yaml:8: the check sensor-sides needs an axle; possible: front, rear",
            "notes.yaml:9: the check pad-thickness takes one reading; possible: value_mm",
            "notes.yaml:10: -2 is no reading in mm",
            "notes.yaml:11: the check abs-fuse has a result in words, no value_v; possible: intact, blown",
        ] {
            assert!(text.contains(part), "missing {part}\nin {text}");
        }
    }

    #[test]
    fn files_that_are_no_notes() {
        for text in [
            "",
            "notes: 2",
            "rules: 1",
            "notes: 1\nchecks: 7",
            "[[[",
            "notes: 1\nchecks:\n  - { chekc: a }",
        ] {
            assert!(Notes::parse(text, "x", &rules()).is_err(), "{text}");
        }
        assert!(Notes::parse(&" ".repeat(MAX_BYTES + 1), "x", &rules()).is_err());
    }
}
