//! Lists of trouble codes in positive answers.
//!
//! SAE J1979 modes 03, 07 and 0A; ISO 14229-1 service 0x19; KWP 2000 services 0x13, 0x17 and 0x18. Bytes that do not
//! fit the layout are not dropped: [`CodeList::malformed`] says where they are.
//!
//! Source: ISO 14229-1:2013, 11.3 (Tables 253 to 289) and its 2020 edition for 0x1A and 0x56; SAE J1979:2012, 6.3, 6.7,
//! 6.10; ISO 14230-3:1999, 8.

use std::ops::Range;

use crate::trouble::{Code, FailureType};
use crate::vehicle::List;

/// A list of codes as an answer gives it.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct CodeList {
    /// Which list it is.
    pub list: List,
    /// The codes in the order of the answer. 0x0000 of the OBD modes is padding and not among them.
    pub entries: Vec<CodeEntry>,
    /// The status bits that the module supports, where the service says so.
    pub availability: Option<u8>,
    /// How many codes the answer announces, where the service says so.
    pub announced: Option<u8>,
    /// The bytes of the payload that do not fit the layout, or an empty range at the end where bytes are missing.
    pub malformed: Option<Range<usize>>,
}

/// One code of a list.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct CodeEntry {
    /// Where the code stands in the payload.
    pub at: usize,
    /// The two-byte code.
    pub code: Code,
    /// The failure type byte, where the service has one.
    pub failure_type: Option<FailureType>,
    /// The status byte as sent, where the service has one.
    pub status: Option<u8>,
    /// The severity byte, where the service has one (ISO 14229-1, D.3).
    pub severity: Option<u8>,
    /// The functional unit, where the service has one (0x08, 0x09).
    pub unit: Option<u8>,
    /// The fault detection counter, where the service has one (0x14): 127 is failed.
    pub counter: Option<i8>,
    /// The number of the snapshot record, where the service has one (0x03).
    pub record: Option<u8>,
}

/// What the bytes of one record of a 0x59 list are.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Part {
    /// Severity.
    Severity,
    /// Functional unit.
    Unit,
    /// Code and failure type, three bytes.
    Code,
    /// Status byte.
    Status,
    /// Fault detection counter.
    Counter,
    /// Number of a snapshot record.
    Record,
}

impl Part {
    /// Its length in bytes.
    pub(super) const fn length(self) -> usize {
        match self {
            Self::Code => 3,
            _ => 1,
        }
    }
}

/// What stands before the records of a 0x59 list.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Head {
    /// The status bits that the module supports.
    Availability,
    /// User-defined memory.
    Memory,
    /// Number of an extended data record.
    ExtendedRecord,
    /// Functional group.
    Group,
    /// The severity bits that the module supports.
    SeverityAvailability,
    /// Format of the codes.
    Format,
    /// Readiness group.
    Readiness,
}

/// The layout of a 0x59 list: what stands before the records, and what a record is.
pub(super) const fn layout(sub_function: u8) -> Option<(&'static [Head], &'static [Part])> {
    const STATUS: &[Part] = &[Part::Code, Part::Status];
    const SEVERITY: &[Part] = &[Part::Severity, Part::Unit, Part::Code, Part::Status];
    Some(match sub_function {
        0x02 | 0x0A..=0x0F | 0x13 | 0x15 => (&[Head::Availability], STATUS),
        0x03 => (&[], &[Part::Code, Part::Record]),
        0x08 | 0x09 => (&[Head::Availability], SEVERITY),
        0x14 => (&[], &[Part::Code, Part::Counter]),
        0x17 => (&[Head::Memory, Head::Availability], STATUS),
        0x1A => (&[Head::Availability, Head::ExtendedRecord], STATUS),
        0x42 => (
            &[
                Head::Group,
                Head::Availability,
                Head::SeverityAvailability,
                Head::Format,
            ],
            &[Part::Severity, Part::Code, Part::Status],
        ),
        0x55 => (&[Head::Group, Head::Availability, Head::Format], STATUS),
        0x56 => (
            &[
                Head::Group,
                Head::Availability,
                Head::Format,
                Head::Readiness,
            ],
            STATUS,
        ),
        _ => return None,
    })
}

/// The list of codes in a positive answer; `None` when the payload is no such answer.
///
/// ```
/// let list = tonering::service::code_list(&[0x59, 0x02, 0x2F, 0x40, 0x31, 0x13, 0x2F]).unwrap();
/// let entry = list.entries[0];
/// assert_eq!(entry.code.to_string(), "C0031");
/// assert_eq!(entry.status, Some(0x2F));
/// ```
pub fn code_list(payload: &[u8]) -> Option<CodeList> {
    let (&service, rest) = payload.split_first()?;
    match service {
        0x43 => Some(obd(List::Stored, rest)),
        0x47 => Some(obd(List::Pending, rest)),
        0x4A => Some(obd(List::Permanent, rest)),
        0x53 => Some(kwp(0x13, rest)),
        0x57 => Some(kwp(0x17, rest)),
        0x58 => Some(kwp(0x18, rest)),
        0x59 => {
            let sub_function = rest.first()? & 0x7F;
            let (head, parts) = layout(sub_function)?;
            Some(uds(sub_function, head, parts, payload))
        }
        _ => None,
    }
}

const fn entry(at: usize, code: Code) -> CodeEntry {
    CodeEntry {
        at,
        code,
        failure_type: None,
        status: None,
        severity: None,
        unit: None,
        counter: None,
        record: None,
    }
}

fn uds(sub_function: u8, heads: &[Head], parts: &[Part], payload: &[u8]) -> CodeList {
    let mut list = CodeList {
        list: List::Uds(sub_function),
        entries: Vec::new(),
        availability: None,
        announced: None,
        malformed: None,
    };
    let mut at = 2;
    for head in heads {
        match payload.get(at) {
            Some(&byte) if *head == Head::Availability => list.availability = Some(byte),
            Some(_) => {}
            None => {
                list.malformed = Some(payload.len()..payload.len());
                return list;
            }
        }
        at += 1;
    }
    let length: usize = parts.iter().map(|part| part.length()).sum();
    let records = payload.get(at..).unwrap_or_default().chunks_exact(length);
    let over = records.remainder().len();
    for record in records {
        let mut found = entry(at, Code(0));
        let mut bytes = record.iter().copied();
        for part in parts {
            match part {
                Part::Severity => found.severity = bytes.next(),
                Part::Unit => found.unit = bytes.next(),
                Part::Status => found.status = bytes.next(),
                Part::Record => found.record = bytes.next(),
                Part::Counter => found.counter = bytes.next().map(u8::cast_signed),
                Part::Code => {
                    let high = bytes.next().unwrap_or_default();
                    let low = bytes.next().unwrap_or_default();
                    found.code = Code(u16::from_be_bytes([high, low]));
                    found.failure_type = bytes.next().map(FailureType);
                }
            }
        }
        found.at = at + code_offset(parts);
        list.entries.push(found);
        at += length;
    }
    if over > 0 {
        list.malformed = Some(payload.len() - over..payload.len());
    }
    list
}

/// How far into a record the code stands.
fn code_offset(parts: &[Part]) -> usize {
    let before = parts.iter().take_while(|part| **part != Part::Code);
    before.map(|part| part.length()).sum()
}

/// Modes 03, 07 and 0A. On CAN a count comes first; before CAN there were always three codes and no count.
fn obd(list: List, rest: &[u8]) -> CodeList {
    let announced = rest.first().copied();
    let counted = rest.get(1..).unwrap_or_default();
    let expected = 2 * usize::from(announced.unwrap_or(0));
    let fits = expected <= counted.len() && is_padding(counted.get(expected..));
    if !fits && !rest.is_empty() && rest.len().is_multiple_of(6) {
        return CodeList {
            list,
            entries: pairs(rest, 1),
            availability: None,
            announced: None,
            malformed: None,
        };
    }
    let codes = counted.get(..expected).unwrap_or(counted);
    let used = 2 + codes.len() - codes.len() % 2;
    let end = 1 + rest.len();
    let malformed = match announced {
        None => Some(end..end),
        Some(_) if expected > counted.len() => Some(used.min(end)..end),
        Some(_) if !fits => Some(2 + expected..end),
        Some(_) => None,
    };
    CodeList {
        list,
        entries: pairs(codes, 2),
        availability: None,
        announced,
        malformed,
    }
}

fn is_padding(bytes: Option<&[u8]>) -> bool {
    bytes.is_some_and(|bytes| bytes.iter().all(|byte| *byte == 0))
}

/// Two-byte codes; 0x0000 is padding (SAE J1979, mode 03).
fn pairs(bytes: &[u8], start: usize) -> Vec<CodeEntry> {
    let mut entries = Vec::new();
    let mut at = start;
    for pair in bytes.chunks_exact(2) {
        if let [high, low] = *pair {
            let code = Code(u16::from_be_bytes([high, low]));
            if code.0 != 0 {
                entries.push(entry(at, code));
            }
        }
        at += 2;
    }
    entries
}

/// KWP 2000: a count, then code and status (0x13 of some modules: codes alone).
fn kwp(service: u8, rest: &[u8]) -> CodeList {
    let announced = rest.first().copied();
    let body = rest.get(1..).unwrap_or_default();
    let count = usize::from(announced.unwrap_or(0));
    let alone = service == 0x13 && body.len() == 2 * count && count > 0;
    let (length, end) = (if alone { 2 } else { 3 }, 1 + rest.len());
    let mut entries = Vec::new();
    let mut at = 2;
    for record in body.chunks_exact(length).take(count) {
        if let [high, low, status @ ..] = record {
            let mut found = entry(at, Code(u16::from_be_bytes([*high, *low])));
            found.status = status.first().copied();
            entries.push(found);
        }
        at += length;
    }
    let over = body.get(entries.len() * length..);
    let malformed = match announced {
        None => Some(end..end),
        Some(_) if entries.len() < count => Some(at.min(end)..end),
        Some(_) if !is_padding(over) => Some(at..end),
        Some(_) => None,
    };
    CodeList {
        list: List::Kwp(service),
        entries,
        availability: None,
        announced,
        malformed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Case {
        source: &'static str,
        payload: &'static [u8],
        /// `CODE-FT=STATUS`, with what the service has.
        codes: &'static str,
        malformed: Option<Range<usize>>,
    }

    const ISO: &str = "ISO 14229-1, worked examples of service 0x19; py-uds 4.0.0 agrees";
    const SCAPY: &str = "scapy 2.8.0, OBD test suite";
    const THREAD: &str = "programmers' forum, thread 36377223: mode 07 of three modules";
    const LAYOUT: &str = "ISO 14230-3:1999, 8 (layout); bytes made up";

    const CASES: &[Case] = &[
        Case {
            source: SCAPY,
            payload: &[0x43, 0],
            codes: "",
            malformed: None,
        },
        Case {
            source: SCAPY,
            payload: &[0x43, 1, 0x41, 0x23],
            codes: "C0123",
            malformed: None,
        },
        Case {
            source: SCAPY,
            payload: &[0x43, 2, 0x40, 0x35, 0xC1, 0x21],
            codes: "C0035 U0121",
            malformed: None,
        },
        Case {
            source: SCAPY,
            payload: &[
                0x43, 6, 0x01, 0x43, 0x01, 0x96, 0x02, 0x34, 0x02, 0xCD, 0x03, 0x57, 0x0A, 0x24,
            ],
            codes: "P0143 P0196 P0234 P02CD P0357 P0A24",
            malformed: None,
        },
        Case {
            source: SCAPY,
            payload: &[0x4A, 3, 0, 0, 0x97, 0x82, 0, 0],
            codes: "B1782",
            malformed: None,
        },
        Case {
            source: THREAD,
            payload: &[
                0x47, 4, 0x01, 0x07, 0x02, 0x07, 0x03, 0x07, 0x43, 0x07, 0, 0, 0,
            ],
            codes: "P0107 P0207 P0307 C0307",
            malformed: None,
        },
        Case {
            source: THREAD,
            payload: &[0x47, 2, 0x01, 0x02, 0xD6, 0, 0, 0],
            codes: "P0102 U1600",
            malformed: None,
        },
        Case {
            source: THREAD,
            payload: &[0x47, 1, 0xA2, 0x45],
            codes: "B2245",
            malformed: None,
        },
        Case {
            source: "SAE J1979 before CAN: three codes and no count (open encyclopedia on OBD-II PIDs)",
            payload: &[0x43, 0x01, 0x33, 0x40, 0x35, 0, 0],
            codes: "P0133 C0035",
            malformed: None,
        },
        Case {
            source: "count byte says more than came; made up",
            payload: &[0x43, 3, 0x40, 0x35, 0xC1],
            codes: "C0035",
            malformed: Some(4..5),
        },
        Case {
            source: "no count at all; made up",
            payload: &[0x43],
            codes: "",
            malformed: Some(1..1),
        },
        Case {
            source: ISO,
            payload: &[
                0x59, 2, 0x7F, 0x0A, 0x9B, 0x17, 0x24, 0x08, 0x05, 0x11, 0x2F,
            ],
            codes: "P0A9B-17=24 P0805-11=2F",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[0x59, 2, 0x7F],
            codes: "",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[
                0x59, 3, 0x12, 0x34, 0x56, 1, 0x12, 0x34, 0x56, 2, 0x78, 0x9A, 0xBC, 1,
            ],
            codes: "P1234-56#1 P1234-56#2 C389A-BC#1",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[0x59, 8, 0x7F, 0x40, 0x10, 0x08, 0x05, 0x11, 0x2F],
            codes: "P0805-11=2F!40/10",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[0x59, 9, 0x7F, 0x40, 0x10, 0x08, 0x05, 0x11, 0x2F],
            codes: "P0805-11=2F!40/10",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[
                0x59, 0x0A, 0x7F, 0x12, 0x34, 0x56, 0x24, 0x23, 0x45, 0x05, 0, 0xAB, 0xCD, 1, 0x2F,
            ],
            codes: "P1234-56=24 P2345-05=00 B2BCD-01=2F",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[0x59, 0x0B, 0xFF, 0x12, 0x34, 0x56, 0x26],
            codes: "P1234-56=26",
            malformed: None,
        },
        Case {
            source: ISO,
            payload: &[0x59, 0x0B, 0xFF],
            codes: "",
            malformed: None,
        },
        Case {
            source: "py-uds 4.0.0, sub-function 0x14",
            payload: &[0x59, 0x14, 0x12, 0x34, 0x56, 0x60],
            codes: "P1234-56~96",
            malformed: None,
        },
        Case {
            source: "py-uds 4.0.0 refuses this one",
            payload: &[0x59, 0x14, 0x12, 0x34, 0x56, 0x24, 0x60],
            codes: "P1234-56~36",
            malformed: Some(6..7),
        },
        Case {
            source: ISO,
            payload: &[
                0x59, 0x56, 0x33, 0xFF, 4, 1, 0x12, 0x34, 0x56, 0x24, 0x23, 0x45, 5, 0, 0xAB, 0xCD,
                1, 0x2F,
            ],
            codes: "P1234-56=24 P2345-05=00 B2BCD-01=2F",
            malformed: None,
        },
        Case {
            source: "ISO 14229-1:2013, Table 289 (layout); bytes made up",
            payload: &[
                0x59, 0x42, 0x33, 0xFF, 0xE0, 4, 0x20, 0x40, 0x31, 0x13, 0x2F,
            ],
            codes: "C0031-13=2F!20",
            malformed: None,
        },
        Case {
            source: "ISO 14229-1:2013 (layout); bytes made up",
            payload: &[0x59, 0x55, 0x33, 0xFF, 4, 0x40, 0x31, 0x13, 0x2F],
            codes: "C0031-13=2F",
            malformed: None,
        },
        Case {
            source: "ISO 14229-1:2013 (layout); bytes made up",
            payload: &[0x59, 0x17, 0x01, 0xFF, 0x40, 0x31, 0x13, 0x2F, 0x40],
            codes: "C0031-13=2F",
            malformed: Some(8..9),
        },
        Case {
            source: "cut off; made up",
            payload: &[0x59, 2],
            codes: "",
            malformed: Some(2..2),
        },
        Case {
            source: LAYOUT,
            payload: &[0x58, 0],
            codes: "",
            malformed: None,
        },
        Case {
            source: LAYOUT,
            payload: &[0x58, 2, 0x40, 0x35, 0xE0, 0x50, 0x12, 0x60],
            codes: "C0035=E0 C1012=60",
            malformed: None,
        },
        Case {
            source: LAYOUT,
            payload: &[0x57, 1, 0x40, 0x35, 0xE0],
            codes: "C0035=E0",
            malformed: None,
        },
        Case {
            source: LAYOUT,
            payload: &[0x53, 2, 0x40, 0x35, 0x50, 0x12],
            codes: "C0035 C1012",
            malformed: None,
        },
        Case {
            source: LAYOUT,
            payload: &[0x58, 2, 0x40, 0x35, 0xE0, 0x50],
            codes: "C0035=E0",
            malformed: Some(5..6),
        },
        Case {
            source: LAYOUT,
            payload: &[0x58, 1, 0x40, 0x35, 0xE0, 0x50],
            codes: "C0035=E0",
            malformed: Some(5..6),
        },
    ];

    fn words(list: &CodeList) -> String {
        let words = list.entries.iter().map(|entry| {
            let mut text = entry.code.to_string();
            let mut add = |mark: &str, byte: Option<String>| {
                if let Some(byte) = byte {
                    text += mark;
                    text += &byte;
                }
            };
            let hex = |byte: Option<u8>| byte.map(|byte| format!("{byte:02X}"));
            add("-", entry.failure_type.map(|byte| byte.to_string()));
            add("=", hex(entry.status));
            add("!", hex(entry.severity));
            add("/", hex(entry.unit));
            add("#", entry.record.map(|byte| byte.to_string()));
            add("~", entry.counter.map(|byte| byte.to_string()));
            text
        });
        words.collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn lists_are_those_of_the_sources() {
        for case in CASES {
            let list = code_list(case.payload).unwrap();
            assert_eq!(
                words(&list),
                case.codes,
                "{}: {:02X?}",
                case.source,
                case.payload
            );
            assert_eq!(
                list.malformed, case.malformed,
                "{}: {:02X?}",
                case.source, case.payload
            );
            for entry in &list.entries {
                let bytes = entry.code.0.to_be_bytes();
                assert_eq!(case.payload.get(entry.at..entry.at + 2), Some(&bytes[..]));
            }
        }
    }

    #[test]
    fn other_answers_are_no_lists() {
        for payload in [
            &[][..],
            &[0x59],
            &[0x59, 1, 0xFF, 1, 0, 1],
            &[0x62, 1, 2],
            &[0x19, 2, 0xFF],
        ] {
            assert_eq!(code_list(payload), None);
        }
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_accounted_for(payload in proptest::collection::vec(0_u8.., 0..64)) {
            if let Some(list) = code_list(&payload) {
                for entry in &list.entries {
                    proptest::prop_assert!(entry.at + 2 <= payload.len());
                }
                if let Some(range) = list.malformed {
                    proptest::prop_assert!(range.start <= range.end && range.end <= payload.len());
                }
            }
        }
    }
}
