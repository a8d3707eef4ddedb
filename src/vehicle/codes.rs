//! The codes that each module gave: the last list of each kind, less what was cleared since.

use super::{Clear, CodeListRead, List, Origin, ReportedCode};
use crate::trouble::{Code, FailureType, System};

/// The codes of a record while it grows.
#[derive(Debug, Default)]
pub(super) struct CodeBook {
    codes: Vec<Kept>,
    lists: Vec<CodeListRead>,
    clears: Vec<Clear>,
}

/// A code with the status mask of the request whose answer it stood in.
#[derive(Debug)]
struct Kept {
    mask: u8,
    reported: ReportedCode,
}

/// One code of a list that was read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Entry {
    pub(super) code: Code,
    pub(super) failure_type: Option<FailureType>,
    pub(super) status: Option<u8>,
    pub(super) availability: Option<u8>,
}

/// What a clearing was asked to remove.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Group {
    /// Everything.
    All,
    /// What legislated diagnostics stored (mode 04).
    Legislated,
    /// One system's codes.
    System(System),
    /// One code with its failure type.
    One(Code, FailureType),
    /// Something else, of which nobody can tell what it holds.
    Other,
}

impl Group {
    /// From the three bytes of `ClearDiagnosticInformation` (ISO 14229-1, service 0x14; groups of Annex D.1).
    pub(super) fn from_bytes(bytes: &[u8]) -> Self {
        match *bytes {
            [] | [0xFF, 0xFF, 0xFF, ..] | [0xFF, 0x00 | 0xFF] => Self::All,
            [high, 0, 0, ..] | [high, 0] if high.trailing_zeros() >= 6 => {
                Self::System(Code(u16::from(high) << 8).system())
            }
            [0xFF, 0xFF, ..] => Self::Other,
            [high, low, failure, ..] => {
                Self::One(Code(u16::from_be_bytes([high, low])), FailureType(failure))
            }
            _ => Self::Other,
        }
    }

    fn holds(self, code: &ReportedCode) -> bool {
        match self {
            Self::All => code.list != List::Permanent,
            Self::Legislated => matches!(code.list, List::Stored | List::Pending),
            Self::System(system) => code.code.system() == system && code.list != List::Permanent,
            Self::One(number, failure) => code.code == number && code.failure_type == Some(failure),
            Self::Other => false,
        }
    }
}

impl CodeBook {
    /// Most codes kept for one record; more than any vehicle gives.
    const MAX: usize = 65_536;

    /// A module gave a list, perhaps an empty one, for this status mask (0xFF when the request is not known).
    pub(super) fn read(
        &mut self,
        module: usize,
        list: List,
        mask: u8,
        entries: &[Entry],
        origin: Origin,
    ) {
        self.codes.retain(|kept| {
            let same_kind = kept.reported.module == module && kept.reported.list == list;
            !(same_kind && kept.mask & !mask == 0)
        });
        let count = u32::try_from(entries.len()).unwrap_or(u32::MAX);
        match self
            .lists
            .iter_mut()
            .find(|known| known.module == module && known.list == list)
        {
            Some(known) => {
                known.codes = count;
                known.origin = origin;
            }
            None => self.lists.push(CodeListRead {
                module,
                list,
                codes: count,
                origin,
            }),
        }
        for entry in entries {
            let same = |kept: &Kept| {
                let known = &kept.reported;
                known.module == module
                    && known.code == entry.code
                    && known.failure_type == entry.failure_type
                    && is_same_family(known.list, list)
            };
            self.codes.retain(|kept| !same(kept));
            if self.codes.len() == Self::MAX {
                return;
            }
            self.codes.push(Kept {
                mask,
                reported: ReportedCode {
                    code: entry.code,
                    failure_type: entry.failure_type,
                    status: entry.status,
                    availability: entry.availability,
                    list,
                    module,
                    origin,
                },
            });
        }
    }

    /// A module confirmed a clearing.
    pub(super) fn clear(&mut self, module: usize, group: Group, origin: Origin) {
        let mut removed = Vec::new();
        self.codes.retain(|kept| {
            let gone = kept.reported.module == module && group.holds(&kept.reported);
            if gone {
                removed.push(kept.reported.clone());
            }
            !gone
        });
        if matches!(group, Group::All) {
            self.lists.retain(|known| known.module != module);
        }
        self.clears.push(Clear {
            module,
            origin,
            removed,
        });
    }

    /// Everything, codes by module and then in the order in which they were given.
    pub(super) fn settle(&self) -> (Vec<ReportedCode>, Vec<CodeListRead>, Vec<Clear>) {
        let mut codes: Vec<_> = self
            .codes
            .iter()
            .map(|kept| kept.reported.clone())
            .collect();
        codes.sort_by_key(|code| code.module);
        (codes, self.lists.clone(), self.clears.clone())
    }
}

/// Sub-functions of 0x19 speak of the same store; the lists of OBD and KWP are each their own.
fn is_same_family(one: List, other: List) -> bool {
    match (one, other) {
        (List::Uds(_), List::Uds(_)) => true,
        _ => one == other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORIGIN: Origin = Origin {
        capture: 0,
        number: 1,
        time: None,
    };

    fn entry(text: &str, failure: u8, status: u8) -> Entry {
        Entry {
            code: text.parse().unwrap(),
            failure_type: Some(FailureType(failure)),
            status: Some(status),
            availability: None,
        }
    }

    fn texts(book: &CodeBook) -> Vec<String> {
        let (codes, _, _) = book.settle();
        codes.iter().map(|code| code.code.to_string()).collect()
    }

    #[test]
    fn the_last_list_of_a_kind_counts() {
        let mut book = CodeBook::default();
        book.read(
            0,
            List::Uds(2),
            0xFF,
            &[entry("C0031", 0x13, 0x2F), entry("C0034", 0x13, 0x2F)],
            ORIGIN,
        );
        book.read(0, List::Uds(2), 0xFF, &[entry("C0034", 0x13, 0x2E)], ORIGIN);
        assert_eq!(texts(&book), ["C0034"]);
        book.read(0, List::Uds(2), 0xFF, &[], ORIGIN);
        assert!(texts(&book).is_empty());
        assert_eq!(book.settle().1.len(), 1);
    }

    #[test]
    fn a_narrower_mask_removes_nothing() {
        let mut book = CodeBook::default();
        book.read(0, List::Uds(2), 0x08, &[entry("C0031", 0x13, 0x28)], ORIGIN);
        book.read(0, List::Uds(2), 0x01, &[], ORIGIN);
        assert_eq!(texts(&book), ["C0031"]);
        book.read(0, List::Uds(2), 0x09, &[], ORIGIN);
        assert!(texts(&book).is_empty());
    }

    #[test]
    fn the_same_code_in_two_sub_functions_is_one() {
        let mut book = CodeBook::default();
        book.read(0, List::Uds(2), 0xFF, &[entry("C0031", 0x13, 0x2F)], ORIGIN);
        book.read(
            0,
            List::Uds(0x0E),
            0xFF,
            &[entry("C0031", 0x13, 0x2F)],
            ORIGIN,
        );
        assert_eq!(texts(&book), ["C0031"]);
    }

    #[test]
    fn a_clearing_removes_what_it_names() {
        let mut book = CodeBook::default();
        let entries = [
            entry("C0031", 0x13, 0x2F),
            entry("U0121", 0x00, 0x28),
            entry("P0571", 0x00, 0x28),
        ];
        book.read(0, List::Uds(2), 0xFF, &entries, ORIGIN);
        book.read(1, List::Uds(2), 0xFF, &entries[1..2], ORIGIN);
        book.clear(0, Group::from_bytes(&[0x40, 0x31, 0x13]), ORIGIN);
        assert_eq!(texts(&book), ["U0121", "P0571", "U0121"]);
        book.clear(0, Group::from_bytes(&[0xC0, 0, 0]), ORIGIN);
        assert_eq!(texts(&book), ["P0571", "U0121"]);
        book.clear(0, Group::from_bytes(&[0xFF, 0xFF, 0x33]), ORIGIN);
        assert_eq!(texts(&book), ["P0571", "U0121"]);
        book.clear(0, Group::from_bytes(&[0xFF, 0xFF, 0xFF]), ORIGIN);
        assert_eq!(texts(&book), ["U0121"]);
        let (_, lists, clears) = book.settle();
        assert_eq!((lists.len(), clears.len()), (1, 4));
        assert_eq!(clears[3].removed.len(), 1);
    }
}
