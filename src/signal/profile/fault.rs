//! What is wrong with a profile, and where: every fault with its line, column and path.

use serde::de::{
    DeserializeSeed, Deserializer, Error as _, IgnoredAny, MapAccess, SeqAccess, Visitor,
};
use std::fmt;
use std::marker::PhantomData;

/// Most faults that are collected; a file with more is wrong as a whole.
pub(super) const MAX_FAULTS: usize = 50;

/// One thing that is wrong with a profile.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Fault {
    /// Line, from 1; `None` where there is none to name.
    pub line: Option<usize>,
    /// Column, from 1.
    pub column: Option<usize>,
    /// Where in the structure: `modules[1].request`; may be empty for the file as a whole.
    pub path: String,
    /// What is wrong, and what is possible there.
    pub text: String,
}

/// Everything that is wrong with a profile, in the order of the file.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub struct ProfileErrors {
    /// The file's name as given.
    pub file: String,
    /// The faults: at least one.
    pub faults: Vec<Fault>,
}

/// One line for each fault: `car.yaml:12:14: modules[1].request: …`.
impl fmt::Display for ProfileErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.faults.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            f.write_str(&self.file)?;
            if let Some(line) = fault.line {
                write!(f, ":{line}")?;
            }
            if let Some(column) = fault.column {
                write!(f, ":{column}")?;
            }
            f.write_str(": ")?;
            if !fault.path.is_empty() {
                write!(f, "{}: ", fault.path)?;
            }
            f.write_str(&fault.text)?;
        }
        Ok(())
    }
}

/// One step into the file: a key or a place in a list.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Step<'a> {
    Key(&'a str),
    Index(usize),
}

/// A path into the file, as it is printed.
pub(super) fn path_text(path: &[Step<'_>]) -> String {
    let mut text = String::new();
    for step in path {
        match step {
            Step::Key(key) => {
                if !text.is_empty() {
                    text.push('.');
                }
                text.push_str(key);
            }
            Step::Index(index) => {
                text.push('[');
                text.push_str(&index.to_string());
                text.push(']');
            }
        }
    }
    text
}

/// Reads only what stands at `path`: `None` when nothing does. An error knows its line, column and path.
pub(super) fn read_at<'de, T: serde::Deserialize<'de>>(
    text: &'de str,
    path: &[Step<'_>],
) -> Result<Option<T>, serde_yaml::Error> {
    let seed = At {
        path,
        target: PhantomData,
    };
    seed.deserialize(serde_yaml::Deserializer::from_str(text))
}

/// How many entries the list at `path` has; 0 when it is no list.
pub(super) fn entries_at(text: &str, path: &[Step<'_>]) -> usize {
    let list: Result<Option<Vec<IgnoredAny>>, _> = read_at(text, path);
    list.ok().flatten().map_or(0, |list| list.len())
}

/// The keys of the map at `path` in their order; none when it is no map.
pub(super) fn keys_at(text: &str, path: &[Step<'_>]) -> Vec<String> {
    let keys: Result<Option<Keys>, _> = read_at(text, path);
    keys.ok().flatten().map_or_else(Vec::new, |keys| keys.0)
}

/// Line and column of what stands at `path`, or of the nearest thing around it.
pub(super) fn place_of(text: &str, path: &[Step<'_>]) -> (Option<usize>, Option<usize>) {
    let mut depth = path.len();
    loop {
        let part = path.get(..depth).unwrap_or_default();
        if let Err(error) = read_at::<Never>(text, part)
            && let Some(at) = error.location()
        {
            return (Some(at.line()), Some(at.column()));
        }
        if depth == 0 {
            return (None, None);
        }
        depth -= 1;
    }
}

/// A reader's error as a fault; its text without the place, which has its own columns.
pub(super) fn fault_of(error: &serde_yaml::Error) -> Fault {
    let whole = error.to_string();
    let place = error.location();
    let without_place = match whole.rfind(" at line ") {
        Some(end) if place.is_some() => whole.get(..end).unwrap_or(&whole),
        _ => whole.as_str(),
    };
    let is_path = |head: &str| {
        let allowed = |c: char| c.is_ascii_alphanumeric() || "_-.[]".contains(c);
        head.starts_with(|c: char| c.is_ascii_lowercase()) && head.chars().all(allowed)
    };
    let (path, text) = match without_place.split_once(": ") {
        Some((head, rest)) if is_path(head) => (head, rest),
        _ => ("", without_place),
    };
    Fault {
        line: place.as_ref().map(serde_yaml::Location::line),
        column: place.as_ref().map(serde_yaml::Location::column),
        path: path.to_owned(),
        text: text.to_owned(),
    }
}

/// What can never be read: its error carries the place of whatever stands there.
struct Never;

impl<'de> serde::Deserialize<'de> for Never {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Refuse)
    }
}

struct Refuse;

impl Visitor<'_> for Refuse {
    type Value = Never;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("nothing")
    }
}

/// The keys of a map.
struct Keys(Vec<String>);

impl<'de> serde::Deserialize<'de> for Keys {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(CollectKeys)
    }
}

struct CollectKeys;

impl<'de> Visitor<'de> for CollectKeys {
    type Value = Keys;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a map")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Keys, A::Error> {
        let mut keys = Vec::new();
        while let Some(key) = map.next_key()? {
            map.next_value::<IgnoredAny>()?;
            keys.push(key);
        }
        Ok(Keys(keys))
    }
}

/// Walks down a path and reads a `T` at its end.
struct At<'p, 's, T> {
    path: &'p [Step<'s>],
    target: PhantomData<T>,
}

impl<'de, T: serde::Deserialize<'de>> DeserializeSeed<'de> for At<'_, '_, T> {
    type Value = Option<T>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Option<T>, D::Error> {
        if self.path.is_empty() {
            T::deserialize(deserializer).map(Some)
        } else {
            deserializer.deserialize_any(self)
        }
    }
}

impl<'de, T: serde::Deserialize<'de>> Visitor<'de> for At<'_, '_, T> {
    type Value = Option<T>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.path.first() {
            Some(Step::Index(_)) => f.write_str("a list"),
            _ => f.write_str("a map"),
        }
    }

    fn visit_unit<E>(self) -> Result<Option<T>, E> {
        Ok(None)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Option<T>, A::Error> {
        let Some((&Step::Key(wanted), rest)) = self.path.split_first() else {
            return Err(A::Error::custom("a list belongs here, not a map"));
        };
        let mut found = None;
        while let Some(key) = map.next_key::<String>()? {
            if key == wanted && found.is_none() {
                found = map.next_value_seed(At {
                    path: rest,
                    target: PhantomData,
                })?;
            } else {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(found)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Option<T>, A::Error> {
        let Some((&Step::Index(wanted), rest)) = self.path.split_first() else {
            return Err(A::Error::custom("a map belongs here, not a list"));
        };
        let mut found = None;
        let mut index = 0;
        loop {
            let more = if index == wanted {
                let next = seq.next_element_seed(At {
                    path: rest,
                    target: PhantomData,
                })?;
                let there = next.is_some();
                found = next.flatten();
                there
            } else {
                seq.next_element::<IgnoredAny>()?.is_some()
            };
            if !more {
                return Ok(found);
            }
            index += 1;
        }
    }
}
