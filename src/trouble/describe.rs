//! A code in words: what it is, as far as the catalogue and the ranges of SAE J2012 say.

use std::fmt;

use super::catalogue::Entry;
use super::{Catalogue, Code, FailureType, Owner};

/// The words for a code, for a field or a line of a report: they are made only when printed.
///
/// One reading: `left front wheel-speed sensor faulty: open circuit`. Several: each with its numbering, separated by
/// ` or `. None: which system, whose range, who would know.
#[derive(Clone, Copy, Debug)]
pub struct Meaning<'c> {
    catalogue: &'c Catalogue,
    code: Code,
    failure: Option<FailureType>,
}

impl Catalogue {
    /// The words for a code without the code itself.
    pub const fn meaning(&self, code: Code, failure: Option<FailureType>) -> Meaning<'_> {
        Meaning {
            catalogue: self,
            code,
            failure,
        }
    }

    /// A code in one whole sentence, with its failure type.
    pub fn describe(&self, code: Code, failure: Option<FailureType>) -> String {
        let meaning = self.meaning(code, failure);
        match failure {
            Some(failure) => format!("{code}-{failure}: {meaning}."),
            None => format!("{code}: {meaning}."),
        }
    }

    fn failure_words(
        &self,
        entry: &Entry,
        failure: FailureType,
        f: &mut fmt::Formatter<'_>,
    ) -> fmt::Result {
        let Some(numbering) = self.numbering(entry) else {
            return Ok(());
        };
        match self.failure_in(&numbering.scheme, failure) {
            // Byte 00 says that there is no more to say.
            Some(_) if failure.0 == 0 => Ok(()),
            Some(known) => write!(f, "; {failure}: {}", known.meaning),
            None => write!(f, "; {failure}: not in the table of failure types"),
        }
    }
}

impl fmt::Display for Meaning<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let several = self
            .catalogue
            .weighed(self.code, self.failure)
            .nth(1)
            .is_some();
        let mut first = true;
        for (_, entry) in self.catalogue.weighed(self.code, self.failure) {
            if !first {
                f.write_str(", or ")?;
            }
            first = false;
            f.write_str(&entry.meaning)?;
            if let Some(failure) = self.failure {
                self.catalogue.failure_words(entry, failure, f)?;
            }
            if several && let Some(numbering) = self.catalogue.numbering(entry) {
                write!(f, " ({})", numbering.words)?;
            }
        }
        if !first {
            return Ok(());
        }
        let system = self.code.system().words();
        write!(f, "{system} code {}", Owner::of(self.code).words())?;
        match self.failure {
            Some(failure) => match self.catalogue.failure_type(failure) {
                Some(_) if failure.0 == 0 => Ok(()),
                Some(known) => write!(f, "; failure type {failure}: {}", known.meaning),
                None => {
                    let group = self.catalogue.failure_group(failure).unwrap_or("unknown");
                    write!(
                        f,
                        "; failure type {failure}: not in the table (group: {group})"
                    )
                }
            },
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_say_what_is_known_and_who_knows_more() {
        let catalogue = Catalogue::embedded().unwrap();
        let say = |code: &str, failure: Option<u8>| {
            catalogue.describe(code.parse().unwrap(), failure.map(FailureType))
        };
        assert_eq!(
            say("C0034", Some(0x13)),
            "C0034-13: right front wheel-speed sensor faulty; 13: open circuit."
        );
        assert_eq!(
            say("C0035", None),
            "C0035: right front wheel-speed sensor: feed faulty (shared list), or left front wheel-speed sensor: circuit \
             fault (older numbering A)."
        );
        assert_eq!(
            say("C0035", Some(0x08)),
            "C0035-08: left front wheel-speed sensor: circuit fault; 08: signal missing or invalid."
        );
        assert_eq!(
            say("B1238", Some(0x13)),
            "B1238-13: body code of the maker's own range; the maker's list names it; failure type 13: open circuit."
        );
        assert_eq!(
            say("P0143", None),
            "P0143: powertrain code of the shared list (SAE J2012), but not in this catalogue; the current list names it."
        );
        assert_eq!(
            say("C3000", Some(0xA5)),
            "C3000-A5: chassis code of a reserved range; if anybody, the maker names it; failure type A5: not in the \
             table (group: reserved)."
        );
    }

    #[test]
    fn every_code_and_failure_type_has_words() {
        let catalogue = Catalogue::embedded().unwrap();
        for number in 0..=u16::MAX {
            assert!(!catalogue.meaning(Code(number), None).to_string().is_empty());
        }
        for byte in 0..=u8::MAX {
            let words = catalogue
                .meaning(Code(0x4031), Some(FailureType(byte)))
                .to_string();
            assert!(
                words.starts_with("left front wheel-speed sensor faulty"),
                "{words}"
            );
        }
    }
}
