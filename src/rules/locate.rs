//! Where a part of a YAML text stands: line and column of `causes[3].shows[1].finding`, in any style of YAML.
//!
//! The parser itself is asked: a reader follows the path and fails at its end, and the parser says where that was. A
//! part that is not there has the place of the deepest part around it that is.

use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};

/// Line and column, from 1, of the part of `text` that `path` leads to, or of what is around it when that is not there.
/// `None` for a text that cannot be read that far.
pub(crate) fn locate(text: &str, path: &str) -> Option<(usize, usize)> {
    let steps = steps(path);
    let reader = serde_yaml::Deserializer::from_str(text);
    let error = Seek(&steps).deserialize(reader).err()?;
    let place = error.location()?;
    Some((place.line(), place.column()))
}

/// A step of a path.
#[derive(Debug, Eq, PartialEq)]
enum Step<'a> {
    Key(&'a str),
    Index(usize),
}

fn steps(path: &str) -> Vec<Step<'_>> {
    let parts = path.split(['.', '[', ']']);
    parts
        .filter(|part| !part.is_empty())
        .map(|part| part.parse().map_or(Step::Key(part), Step::Index))
        .collect()
}

/// Follows the steps, and fails where they end.
#[derive(Clone, Copy)]
struct Seek<'a>(&'a [Step<'a>]);

impl<'de> DeserializeSeed<'de> for Seek<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, reader: D) -> Result<(), D::Error> {
        reader.deserialize_any(self)
    }
}

/// The failure that makes the parser say where it is.
fn here<E: Error>() -> Result<(), E> {
    Err(E::custom("here"))
}

impl<'de> Visitor<'de> for Seek<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("anything")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        if let Some((Step::Key(wanted), rest)) = self.0.split_first() {
            while let Some(key) = map.next_key::<String>()? {
                if key == *wanted {
                    map.next_value_seed(Self(rest))?;
                } else {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        here()
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        if let Some((Step::Index(wanted), rest)) = self.0.split_first() {
            for _ in 0..*wanted {
                if list.next_element::<IgnoredAny>()?.is_none() {
                    return here();
                }
            }
            list.next_element_seed(Self(rest))?;
        }
        here()
    }

    fn visit_bool<E: Error>(self, _: bool) -> Result<(), E> {
        here()
    }

    fn visit_i64<E: Error>(self, _: i64) -> Result<(), E> {
        here()
    }

    fn visit_u64<E: Error>(self, _: u64) -> Result<(), E> {
        here()
    }

    fn visit_f64<E: Error>(self, _: f64) -> Result<(), E> {
        here()
    }

    fn visit_str<E: Error>(self, _: &str) -> Result<(), E> {
        here()
    }

    fn visit_unit<E: Error>(self) -> Result<(), E> {
        here()
    }

    fn visit_none<E: Error>(self) -> Result<(), E> {
        here()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const TEXT: &str = "\
# causes: [not this]
rules: 1
causes:
  - id: eins  # weight: 9
    weight: 2
    shows:
    - { finding: ä, strength: 0.5 }
    - finding: b
      strength: >-
        long
      at: [x, y, z]
  - { id: zwei, weight: 3,
      shows: [{ finding: c }] }
other:
";

    #[test]
    fn parts_are_found_in_every_style() {
        for (path, place) in [
            ("rules", (2, 8)),
            ("causes[0].id", (4, 9)),
            ("causes[0].weight", (5, 13)),
            ("causes[0].shows[0].strength", (7, 31)),
            ("causes[0].shows[1].at[2]", (11, 18)),
            ("causes[1].weight", (12, 25)),
            ("causes[1].shows[0].finding", (13, 26)),
            // Not there: what is around it.
            ("causes[1].shows[0].strength", (13, 15)),
            ("causes[0].steps", (4, 5)),
            ("causes[7].id", (4, 3)),
            ("", (2, 1)),
        ] {
            assert_eq!(locate(TEXT, path), Some(place), "{path}");
        }
    }

    proptest! {
        #[test]
        fn no_text_and_no_path_is_too_odd(text in "[a-c:\\[\\]{}\\-# \n&*!|>]{0,60}", path in "[a-c.\\[\\]0-9]{0,20}") {
            if let Some((line, column)) = locate(&text, &path) {
                prop_assert!(line >= 1 && column >= 1);
                prop_assert!(line <= text.lines().count() + 2);
            }
        }
    }
}
