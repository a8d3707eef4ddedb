//! The files of the catalogue (`rules/codes/*.yaml`, `rules/failure-types.yaml`): their shape and their checks.
//!
//! All faults of a file are reported, each with the file, the line and what is possible there.

use serde::Deserialize;

use crate::place::{Axle, Place, Wheel};
use crate::yaml;

use super::catalogue::{Entry, Group, Numbering, Scheme};
use super::{Code, FailureMeaning, FailureType, YamlText};

/// What is wrong with the files of a catalogue.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error("{}", list(faults))]
pub struct CatalogueError {
    /// The faults, in the order of the files.
    pub faults: Vec<CatalogueFault>,
}

/// One fault of a catalogue file.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
#[error("{file}:{line}: {words}")]
pub struct CatalogueFault {
    /// The file, as it was named.
    pub file: String,
    /// The line, from 1.
    pub line: usize,
    /// What is wrong, and what would be right.
    pub words: String,
}

fn list(faults: &[CatalogueFault]) -> String {
    let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

/// A file, read and checked.
pub(super) enum Parsed {
    /// A list of codes.
    Codes(Numbering, Vec<Entry>),
    /// The failure types.
    FailureTypes(Vec<Scheme>),
}

/// Which of the two kinds of file a text is: the first key that names one.
pub(super) fn parse(file: &YamlText<'_>, faults: &mut Vec<CatalogueFault>) -> Option<Parsed> {
    let mut keys = file.text.lines();
    let key = keys.find(|line| line.starts_with("codes:") || line.starts_with("failure_types:"));
    match key {
        Some(line) if line.starts_with("codes:") => {
            let raw = read::<CodeFile>(file, faults)?;
            Some(check_codes(raw, file, faults))
        }
        Some(_) => {
            let raw = read::<FailureFile>(file, faults)?;
            Some(Parsed::FailureTypes(check_failures(raw, file, faults)))
        }
        None => {
            let words = "neither \"codes: 1\" nor \"failure_types: 1\" at the start of a line";
            faults.push(fault(file, 1, words.to_owned()));
            None
        }
    }
}

fn read<'t, T: Deserialize<'t>>(
    file: &YamlText<'t>,
    faults: &mut Vec<CatalogueFault>,
) -> Option<T> {
    if let Err(deep) = yaml::check_depth(file.text) {
        faults.push(fault(file, deep.line, deep.to_string()));
        return None;
    }
    match serde_yaml::from_str(file.text) {
        Ok(raw) => Some(raw),
        Err(error) => {
            let line = error.location().map_or(1, |place| place.line());
            faults.push(fault(file, line, error.to_string()));
            None
        }
    }
}

fn fault(file: &YamlText<'_>, line: usize, words: String) -> CatalogueFault {
    CatalogueFault {
        file: file.name.to_owned(),
        line,
        words,
    }
}

/// The line of the `nth` (from 0) list entry that starts with `key`, such as `{ code:`.
fn line_of(text: &str, key: &str, nth: usize) -> usize {
    let mut lines = text.lines().enumerate();
    let found = lines
        .by_ref()
        .filter(|(_, line)| {
            let line = line.trim_start().trim_start_matches("- ");
            line.trim_start_matches("{ ").starts_with(key)
        })
        .nth(nth);
    found.map_or(1, |(index, _)| index + 1)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CodeFile {
    codes: u32,
    numbering: String,
    words: String,
    scheme: String,
    #[serde(default)]
    decides: Decides,
    #[serde(default = "one")]
    weight: f64,
    source: String,
    list: Vec<CodeRow>,
}

const fn one() -> f64 {
    1.0
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Decides {
    bytes: Vec<u8>,
    #[serde(default)]
    only: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CodeRow {
    code: String,
    component: String,
    wheel: Option<String>,
    axle: Option<String>,
    kind: String,
    meaning: String,
    note: Option<String>,
    #[serde(default = "one")]
    weight: f64,
    source: Option<String>,
}

fn check_codes(raw: CodeFile, file: &YamlText<'_>, faults: &mut Vec<CatalogueFault>) -> Parsed {
    if raw.codes != 1 {
        let words = format!("codes: {} is unknown; this program reads 1", raw.codes);
        faults.push(fault(file, line_of(file.text, "codes:", 0), words));
    }
    if !weight_is_right(raw.weight) {
        let line = line_of(file.text, "weight:", 0);
        faults.push(fault(file, line, WEIGHT.to_owned()));
    }
    let mut only = Vec::new();
    for text in &raw.decides.only {
        match text.parse::<Code>() {
            Ok(code) => only.push(code),
            Err(error) => {
                let line = line_of(file.text, "decides:", 0);
                faults.push(fault(file, line, error.to_string()));
            }
        }
    }
    let mut entries: Vec<Entry> = Vec::with_capacity(raw.list.len());
    for (index, row) in raw.list.into_iter().enumerate() {
        let mut wrong = |words: String| {
            let line = line_of(file.text, "code:", index);
            faults.push(fault(file, line, words));
        };
        let code = match row.code.parse::<Code>() {
            Ok(code) => code,
            Err(error) => {
                wrong(error.to_string());
                continue;
            }
        };
        if entries.iter().any(|known| known.code == code) {
            wrong(format!("{code} is there twice"));
        }
        if !weight_is_right(row.weight) {
            wrong(WEIGHT.to_owned());
        }
        let place = match place(row.wheel.as_deref(), row.axle.as_deref()) {
            Ok(place) => place,
            Err(words) => {
                wrong(words);
                continue;
            }
        };
        entries.push(Entry {
            code,
            numbering: 0,
            component: row.component,
            place,
            kind: row.kind,
            meaning: row.meaning,
            note: row.note,
            weight: row.weight,
            source: row.source,
        });
    }
    let numbering = Numbering {
        id: raw.numbering,
        words: raw.words,
        scheme: raw.scheme,
        decides: raw.decides.bytes,
        only,
        weight: raw.weight,
        source: raw.source,
        scheme_place: (file.name.to_owned(), line_of(file.text, "scheme:", 0)),
    };
    Parsed::Codes(numbering, entries)
}

const WEIGHT: &str = "weight must be above 0 and finite";

fn weight_is_right(weight: f64) -> bool {
    weight > 0.0 && weight.is_finite()
}

fn place(wheel: Option<&str>, axle: Option<&str>) -> Result<Option<Place>, String> {
    match (wheel, axle) {
        (None, None) => Ok(None),
        (Some(_), Some(_)) => Err("wheel and axle together; one of them is enough".to_owned()),
        (Some(id), None) => match Wheel::from_id(id) {
            Some(wheel) => Ok(Some(Place::Wheel(wheel))),
            None => Err(format!(
                "{id:?} is no wheel; possible: left-front, right-front, left-rear, right-rear"
            )),
        },
        (None, Some(id)) => match Axle::from_id(id) {
            Some(axle) => Ok(Some(Place::Axle(axle))),
            None => Err(format!("{id:?} is no axle; possible: front, rear")),
        },
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FailureFile {
    failure_types: u32,
    schemes: Vec<SchemeRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SchemeRow {
    id: String,
    words: String,
    groups: Vec<GroupRow>,
    list: Vec<FailureRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct GroupRow {
    from: u8,
    to: u8,
    name: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FailureRow {
    byte: u8,
    meaning: String,
    note: Option<String>,
    source: String,
}

fn check_failures(
    raw: FailureFile,
    file: &YamlText<'_>,
    faults: &mut Vec<CatalogueFault>,
) -> Vec<Scheme> {
    if raw.failure_types != 1 {
        let number = raw.failure_types;
        let words = format!("failure_types: {number} is unknown; this program reads 1");
        faults.push(fault(file, line_of(file.text, "failure_types:", 0), words));
    }
    let mut row_number = 0;
    let mut schemes = Vec::with_capacity(raw.schemes.len());
    for row in raw.schemes {
        let group_of = |byte: u8| {
            let mut groups = row.groups.iter();
            groups.find(|group| (group.from..=group.to).contains(&byte))
        };
        let mut list: Vec<FailureMeaning> = Vec::with_capacity(row.list.len());
        for failure in row.list {
            let byte = failure.byte;
            let mut wrong = |words: String| {
                let line = line_of(file.text, "byte:", row_number);
                faults.push(fault(file, line, words));
            };
            if list.iter().any(|known| known.byte.0 == byte) {
                wrong(format!("0x{byte:02X} is there twice"));
            }
            match group_of(byte) {
                Some(group) => list.push(FailureMeaning {
                    byte: FailureType(byte),
                    category: group.name.clone(),
                    meaning: failure.meaning,
                    note: failure.note,
                    source: failure.source,
                }),
                None => wrong(format!("0x{byte:02X} is in none of the groups")),
            }
            row_number += 1;
        }
        list.sort_by_key(|failure| failure.byte);
        let groups = row.groups.into_iter().map(|group| Group {
            from: group.from,
            to: group.to,
            name: group.name,
        });
        schemes.push(Scheme {
            id: row.id,
            words: row.words,
            groups: groups.collect(),
            list,
        });
    }
    schemes
}
