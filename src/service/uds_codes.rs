//! Fields of `ReadDTCInformation` (ISO 14229-1, service 0x19), all sub-functions.
//!
//! Source: ISO 14229-1:2013, 11.3 and Annex D; the edition of 2020 for 0x1A and 0x56.

use crate::trouble::{Code, FailureType, Status};

use super::code_list::{Head, Part, layout};
use super::decode::Context;
use super::field::{Cursor, Field, Scale, Value, Words};
use super::identifier::{fixed_length, identifier_name};
use super::uds::sub_function;

const CLAUSE: &str = "ISO 14229-1, 11.3";
const ANNEX: &str = "ISO 14229-1, Annex D";

const fn sub_name(sub: u8) -> &'static str {
    match sub {
        0x01 => "number of codes by status",
        0x02 => "codes by status",
        0x03 => "which snapshots there are",
        0x04 => "snapshot of a code",
        0x05 => "stored data by record number",
        0x06 => "extended data of a code",
        0x07 => "number of codes by severity and status",
        0x08 => "codes by severity and status",
        0x09 => "severity of a code",
        0x0A => "codes that the module supports",
        0x0B => "first code that failed since clearing",
        0x0C => "first code that was confirmed since clearing",
        0x0D => "last code that failed",
        0x0E => "last code that was confirmed",
        0x0F => "codes by status in the mirror memory",
        0x10 => "extended data of a code in the mirror memory",
        0x11 => "number of codes by status in the mirror memory",
        0x12 => "number of emission-related codes by status",
        0x13 => "emission-related codes by status",
        0x14 => "fault detection counters",
        0x15 => "permanent codes",
        0x16 => "extended data by record number",
        0x17 => "codes by status in a user-defined memory",
        0x18 => "snapshot of a code in a user-defined memory",
        0x19 => "extended data of a code in a user-defined memory",
        0x1A => "codes that support an extended data record",
        0x42 => "WWH-OBD codes by status and severity",
        0x55 => "permanent WWH-OBD codes",
        0x56 => "codes of a readiness group",
        _ => "",
    }
}

fn code<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) -> bool {
    let Some((range, bytes)) = cursor.take(3, "code", ANNEX) else {
        return false;
    };
    if let [high, low, failure] = *bytes {
        let code = Code(u16::from_be_bytes([high, low]));
        let failure = Some(FailureType(failure));
        cursor.put(Field {
            meaning: Words::Code(context.catalogue.meaning(code, failure)),
            ..Field::new("code", range, Value::Code(code, failure), ANNEX)
        });
    }
    true
}

fn status(cursor: &mut Cursor<'_, '_>, name: &'static str) {
    if let Some((range, bytes)) = cursor.take(1, name, "ISO 14229-1, D.2")
        && let Some(byte) = bytes.first()
    {
        // A mask of all bits needs no list of them.
        let all = *byte == 0xFF && name != "status";
        cursor.put(Field {
            meaning: if all {
                Words::Plain("all")
            } else {
                Words::Status(Status(*byte))
            },
            ..Field::new(name, range, Value::Byte(*byte), "ISO 14229-1, D.2")
        });
    }
}

fn severity(cursor: &mut Cursor<'_, '_>, name: &'static str) {
    if let Some((range, bytes)) = cursor.take(1, name, "ISO 14229-1, D.3")
        && let Some(byte) = bytes.first()
    {
        cursor.put(Field {
            meaning: Words::Severity(*byte),
            ..Field::new(name, range, Value::Byte(*byte), "ISO 14229-1, D.3")
        });
    }
}

fn record(cursor: &mut Cursor<'_, '_>, name: &'static str) -> Option<u8> {
    cursor.byte(name, CLAUSE, |byte| match byte {
        0xFF => "all",
        0xFE => "all that the law asks for",
        0xF0 => "reserved",
        _ => "",
    })
}

fn functional_group(cursor: &mut Cursor<'_, '_>) {
    cursor.byte("functional group", "ISO 14229-1, D.1", |byte| match byte {
        0x33 => "emissions",
        0xD0 => "safety",
        0xFE => "VOBD",
        0xFF => "all",
        _ => "",
    });
}

fn format(cursor: &mut Cursor<'_, '_>) {
    cursor.byte(
        "format of the codes",
        "ISO 14229-1, D.4",
        |byte| match byte {
            0x00 => "SAE J2012 (ISO 15031-6)",
            0x01 => "ISO 14229-1",
            0x02 => "SAE J1939-73",
            0x03 => "ISO 11992-4",
            0x04 => "SAE J2012, WWH-OBD list",
            _ => "reserved",
        },
    );
}

fn memory(cursor: &mut Cursor<'_, '_>) {
    cursor.byte("user-defined memory", CLAUSE, |_| "");
}

/// What was asked for.
pub(super) fn request<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    let Some(sub) = sub_function(cursor, CLAUSE, sub_name) else {
        return;
    };
    match sub {
        0x01 | 0x02 | 0x0F | 0x11 | 0x12 | 0x13 => status(cursor, "status mask"),
        0x04 | 0x06 | 0x10 => {
            code(cursor, context);
            record(cursor, "record");
        }
        0x05 | 0x16 | 0x1A => {
            record(cursor, "record");
        }
        0x07 | 0x08 => {
            severity(cursor, "severity mask");
            status(cursor, "status mask");
        }
        0x09 => {
            code(cursor, context);
        }
        0x17 => {
            status(cursor, "status mask");
            memory(cursor);
        }
        0x18 | 0x19 => {
            code(cursor, context);
            record(cursor, "record");
            memory(cursor);
        }
        0x42 => {
            functional_group(cursor);
            status(cursor, "status mask");
            severity(cursor, "severity mask");
        }
        0x55 => functional_group(cursor),
        0x56 => {
            functional_group(cursor);
            cursor.byte("readiness group", CLAUSE, |_| "");
        }
        _ => {}
    }
    cursor.end(CLAUSE);
}

/// What was answered.
pub(super) fn answer<'a>(
    cursor: &mut Cursor<'a, '_>,
    request: Option<&[u8]>,
    context: &Context<'a>,
) {
    let Some(sub) = sub_function(cursor, CLAUSE, sub_name) else {
        return;
    };
    if let Some((heads, parts)) = layout(sub) {
        list(cursor, heads, parts, context);
        return;
    }
    match sub {
        0x01 | 0x07 | 0x11 | 0x12 => {
            status(cursor, "status bits supported");
            format(cursor);
            cursor.count(2, "number of codes", CLAUSE);
            cursor.end(CLAUSE);
        }
        0x04 => {
            coded(cursor, context);
            snapshots(cursor, context);
        }
        0x05 => stored_data(cursor, context),
        0x18 => {
            memory(cursor);
            coded(cursor, context);
            snapshots(cursor, context);
        }
        0x06 | 0x10 => {
            coded(cursor, context);
            extended(cursor, request);
        }
        0x19 => {
            memory(cursor);
            coded(cursor, context);
            extended(cursor, request);
        }
        0x16 => {
            record(cursor, "record");
            extended_by_record(cursor, context);
        }
        _ => cursor.remainder("bytes", "not in ISO 14229-1"),
    }
}

fn list<'a>(cursor: &mut Cursor<'a, '_>, heads: &[Head], parts: &[Part], context: &Context<'a>) {
    for head in heads {
        match head {
            Head::Availability => status(cursor, "status bits supported"),
            Head::Memory => memory(cursor),
            Head::ExtendedRecord => {
                record(cursor, "record");
            }
            Head::Group => functional_group(cursor),
            Head::SeverityAvailability => severity(cursor, "severity bits supported"),
            Head::Format => format(cursor),
            Head::Readiness => {
                cursor.byte("readiness group", CLAUSE, |_| "");
            }
        }
    }
    let length: usize = parts.iter().map(|part| part.length()).sum();
    while cursor.left() >= length {
        for part in parts {
            match part {
                Part::Severity => severity(cursor, "severity"),
                Part::Unit => {
                    cursor.byte("functional unit", CLAUSE, |_| "");
                }
                Part::Code => {
                    code(cursor, context);
                }
                Part::Status => status(cursor, "status"),
                Part::Record => {
                    record(cursor, "snapshot record");
                }
                Part::Counter => counter(cursor),
            }
        }
    }
    cursor.end(CLAUSE);
}

fn counter(cursor: &mut Cursor<'_, '_>) {
    let at = cursor.at;
    let Some((range, bytes)) = cursor.take(1, "fault detection counter", ANNEX) else {
        return;
    };
    let Some(byte) = bytes.first() else { return };
    let words = match byte.cast_signed() {
        127 => "failed",
        1..=126 => "on the way to failed",
        -128 => "passed",
        0 => "neither",
        _ => "on the way to passed",
    };
    let scale = Scale::signed(1.0, 1.0, 0.0);
    cursor.put(Field {
        meaning: Words::Plain(words),
        scale: Some(scale),
        ..Field::new(
            "fault detection counter",
            range,
            Value::Number(scale.of(bytes)),
            ANNEX,
        )
    });
    debug_assert_eq!(cursor.at, at + 1, "one byte was taken");
}

/// A code with its status.
fn coded<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    if code(cursor, context) {
        status(cursor, "status");
    }
}

/// Snapshot records: number, how many identifiers, then identifier and data as often as that.
fn snapshots<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    while cursor.left() > 0 {
        record(cursor, "snapshot record");
        if !snapshot(cursor, context) {
            break;
        }
    }
}

/// One snapshot record after its number. `false`: the rest cannot be told apart and has been given out.
fn snapshot<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) -> bool {
    let Some(count) = cursor.count(1, "number of identifiers", CLAUSE) else {
        return false;
    };
    for turn in 1..=count {
        let Some(id) = cursor.id("identifier", "ISO 14229-1, Annex C", identifier_name) else {
            return false;
        };
        let Some(length) = (context.length_of)(id).or_else(|| fixed_length(id)) else {
            // Without the length of this identifier nobody can say where the next one starts.
            let rest = cursor.rest();
            let range = cursor.at..cursor.payload.len();
            cursor.at = cursor.payload.len();
            let words = if turn == count {
                ""
            } else {
                "the length of this identifier is not known, so the following ones are in here too"
            };
            cursor.put(Field {
                meaning: Words::plain(words),
                ..Field::new("data", range, Value::Bytes(rest), CLAUSE)
            });
            return false;
        };
        cursor.bytes(length, "data", CLAUSE);
    }
    true
}

fn stored_data<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    while cursor.left() > 0 {
        record(cursor, "stored data record");
        if cursor.left() == 0 {
            return;
        }
        coded(cursor, context);
        if cursor.left() == 0 || !snapshot(cursor, context) {
            return;
        }
    }
}

/// Extended data: record number and data. The standard does not give the length of the data.
///
/// Where all records were asked for, or nobody knows what was asked, and the bytes can be read as rising record
/// numbers with one data byte each, that is how they are read, with a remark.
fn extended(cursor: &mut Cursor<'_, '_>, request: Option<&[u8]>) {
    let one = matches!(request, Some([0x19, _, _, _, _, record, ..]) if *record < 0xF0);
    let rest = cursor.rest();
    let numbers = rest.iter().step_by(2);
    let pairs = !one
        && rest.len() > 2
        && rest.len().is_multiple_of(2)
        && numbers.clone().is_sorted_by(|a, b| a < b)
        && numbers.clone().all(|number| (0x01..0xF0).contains(number));
    while cursor.left() > 0 {
        record(cursor, "extended data record");
        let length = if pairs { 1 } else { cursor.left() };
        let Some((range, bytes)) = cursor.take(length, "data", CLAUSE) else {
            return;
        };
        let words = match (pairs, length) {
            (true, _) => "read as one byte for each record; the maker gives the true length",
            (false, 0 | 1) => "",
            (false, _) => {
                "the maker gives the length of each record; more records may follow in here"
            }
        };
        if length > 0 {
            cursor.put(Field {
                meaning: Words::plain(words),
                ..Field::new("data", range, Value::Bytes(bytes), CLAUSE)
            });
        }
    }
}

/// Codes with status and data of one record number: where it is one record, its data is the rest.
fn extended_by_record<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    if cursor.left() == 0 {
        return;
    }
    coded(cursor, context);
    cursor.remainder("data, and further codes with theirs", CLAUSE);
}
