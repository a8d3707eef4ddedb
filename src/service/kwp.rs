//! Fields of KWP 2000 on CAN.
//!
//! Source: ISO 14230-3:1999, clauses 6 to 12 and Annex A. Layouts differ between makers more than in ISO 14229; what a
//! maker may choose is shown as bytes.

use crate::trouble::Code;

use super::code_list::code_list;
use super::decode::Context;
use super::field::{Cursor, Field, Value, Words, text};

const CLAUSE: &str = "ISO 14230-3, 6 to 12";
const CODES: &str = "ISO 14230-3, 8";

/// Hands out the fields after the service identifier.
pub(super) fn fields<'a>(cursor: &mut Cursor<'a, '_>, service: u8, context: &Context<'a>) {
    if service & 0x40 == 0 {
        asked(cursor, service, context);
    } else {
        answered(cursor, service & !0x40, context);
    }
}

#[expect(
    clippy::too_many_lines,
    reason = "one arm for each service, in the order of the standard"
)]
fn asked<'a>(cursor: &mut Cursor<'a, '_>, service: u8, context: &Context<'a>) {
    match service {
        0x10 => {
            cursor.byte("session", CLAUSE, session);
            cursor.remainder("option", CLAUSE);
        }
        0x11 => {
            cursor.byte("reset mode", CLAUSE, reset);
            cursor.end(CLAUSE);
        }
        0x12 => {
            cursor.byte("freeze frame", CODES, |_| "");
            cursor.remainder("which data", CODES);
        }
        0x13 | 0x14 => {
            if cursor.left() > 0 {
                group(cursor);
            }
            cursor.end(CODES);
        }
        0x17 => {
            code(cursor, context);
            cursor.end(CODES);
        }
        0x18 => {
            cursor.byte("which codes", CODES, |byte| match byte {
                0x00 => "identified ones and their status",
                0x01 => "supported ones and their status",
                0x02 => "stored ones and their status",
                0x03 => "all supported ones and their status",
                0x04 => "most recent ones and their status",
                _ => "reserved or given by the maker",
            });
            if cursor.left() > 0 {
                group(cursor);
            }
            cursor.end(CODES);
        }
        0x1A => {
            cursor.byte("identification", CLAUSE, identification);
            cursor.remainder("option", CLAUSE);
        }
        0x20 | 0x81 | 0x82 => cursor.remainder("option", CLAUSE),
        0x21 => {
            local(cursor);
            cursor.remainder("transmission mode and number of answers", CLAUSE);
        }
        0x22 => {
            cursor.id("common identifier", CLAUSE, |_| "");
            cursor.remainder("transmission mode and number of answers", CLAUSE);
        }
        0x23 => {
            cursor.bytes(3, "memory address", CLAUSE);
            cursor.count(1, "memory size", CLAUSE);
            cursor.remainder("transmission mode", CLAUSE);
        }
        0x27 => {
            let mode = cursor.byte("access mode", CLAUSE, |byte| {
                if byte % 2 == 1 {
                    "ask for a seed"
                } else {
                    "send the key"
                }
            });
            let name = if mode.is_some_and(|mode| mode % 2 == 0) {
                "key"
            } else {
                "data"
            };
            cursor.remainder(name, CLAUSE);
        }
        0x28 | 0x29 | 0x3E => {
            if cursor.left() > 0 {
                cursor.byte("answer wanted", CLAUSE, |byte| match byte {
                    0x01 => "yes",
                    0x02 => "no",
                    _ => "reserved",
                });
            }
            cursor.remainder("option", CLAUSE);
        }
        0x2C => {
            local(cursor);
            cursor.remainder("definition", CLAUSE);
        }
        0x2E | 0x2F => {
            cursor.id("common identifier", CLAUSE, |_| "");
            cursor.remainder("data", CLAUSE);
        }
        0x30 => {
            local(cursor);
            cursor.byte("control", CLAUSE, control);
            cursor.remainder("control state", CLAUSE);
        }
        0x31..=0x33 => {
            cursor.byte("local routine", CLAUSE, |_| "");
            cursor.remainder("routine option", CLAUSE);
        }
        0x34 | 0x35 => cursor.remainder("address, format and size", CLAUSE),
        0x38..=0x3A => {
            cursor.bytes(3, "routine address", CLAUSE);
            cursor.remainder("routine option", CLAUSE);
        }
        0x3B => {
            local(cursor);
            cursor.remainder("data", CLAUSE);
        }
        0x3D => {
            cursor.bytes(3, "memory address", CLAUSE);
            cursor.count(1, "memory size", CLAUSE);
            cursor.remainder("data", CLAUSE);
        }
        _ => cursor.remainder("data", CLAUSE),
    }
}

fn answered<'a>(cursor: &mut Cursor<'a, '_>, service: u8, context: &Context<'a>) {
    match service {
        0x10 if cursor.left() > 0 => {
            cursor.byte("session", CLAUSE, session);
            cursor.remainder("option", CLAUSE);
        }
        0x12 => {
            cursor.byte("freeze frame", CODES, |_| "");
            cursor.remainder("data", CODES);
        }
        0x13 | 0x17 | 0x18 => list(cursor, context),
        0x14 => {
            if cursor.left() > 0 {
                group(cursor);
            }
            cursor.end(CODES);
        }
        0x1A => {
            cursor.byte("identification", CLAUSE, identification);
            let rest = cursor.rest();
            if !rest.is_empty() {
                let range = cursor.at..cursor.payload.len();
                cursor.at = cursor.payload.len();
                cursor.put(Field::new("data", range, text(rest), CLAUSE));
            }
        }
        0x21 | 0x2C | 0x3B => {
            local(cursor);
            cursor.remainder("data", CLAUSE);
        }
        0x22 | 0x2E | 0x2F => {
            cursor.id("common identifier", CLAUSE, |_| "");
            cursor.remainder("data", CLAUSE);
        }
        0x23 => cursor.remainder("memory content", CLAUSE),
        0x27 => {
            let mode = cursor.byte("access mode", CLAUSE, |_| "");
            let name = if mode.is_some_and(|mode| mode % 2 == 1) {
                "seed"
            } else {
                "data"
            };
            cursor.remainder(name, CLAUSE);
        }
        0x30 => {
            local(cursor);
            cursor.byte("control", CLAUSE, control);
            cursor.remainder("control state", CLAUSE);
        }
        0x31..=0x33 => {
            cursor.byte("local routine", CLAUSE, |_| "");
            cursor.remainder("routine status", CLAUSE);
        }
        0x81 => cursor.remainder("key bytes", "ISO 14230-2, 5"),
        _ => cursor.remainder("data", CLAUSE),
    }
}

fn local(cursor: &mut Cursor<'_, '_>) {
    cursor.byte("local identifier", CLAUSE, |_| "");
}

fn list<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    let Some(list) = code_list(cursor.payload) else {
        return;
    };
    cursor.count(1, "number of codes", CODES);
    for entry in &list.entries {
        code(cursor, context);
        if entry.status.is_some() {
            cursor.byte(
                "status",
                CODES,
                |_| "status as the maker codes it; not the status byte of ISO 14229",
            );
        }
    }
    match list.malformed {
        Some(_) if cursor.left() == 0 => {
            let end = cursor.payload.len();
            cursor.put(Field {
                meaning: Words::Plain("fewer codes came than were announced"),
                ..Field::new("codes", end..end, Value::Missing, CODES)
            });
        }
        Some(_) => cursor.end(CODES),
        None => cursor.remainder("padding", CODES),
    }
}

fn code<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    if let Some((range, bytes)) = cursor.take(2, "code", CODES)
        && let [high, low] = *bytes
    {
        let code = Code(u16::from_be_bytes([high, low]));
        cursor.put(Field {
            meaning: Words::Code(context.catalogue.meaning(code, None)),
            ..Field::new("code", range, Value::Code(code, None), CODES)
        });
    }
}

fn group(cursor: &mut Cursor<'_, '_>) {
    cursor.id("group of codes", CODES, |id| match id {
        0x0000 => "powertrain",
        0x4000 => "chassis",
        0x8000 => "body",
        0xC000 => "network",
        0xFF00 | 0xFFFF => "all",
        _ => "one code or a group of the maker",
    });
}

const fn session(byte: u8) -> &'static str {
    match byte {
        0x81 => "standard session",
        0x82 => "periodic transmission",
        0x84 => "end-of-line session",
        0x85 => "programming session",
        0x86 => "development session",
        0x87 => "adjustment session",
        0x89..=0x8F => "stand-by or supplier's session",
        0x90..=0xFE => "given by the maker",
        _ => "reserved",
    }
}

const fn reset(byte: u8) -> &'static str {
    match byte {
        0x01 => "power on",
        0x02 => "after clearing the memory",
        0x82 => "non-volatile memory",
        _ => "reserved or given by the maker",
    }
}

const fn identification(byte: u8) -> &'static str {
    match byte {
        0x80 => "identification table",
        0x81..=0x85 => "identification scaling",
        0x86 | 0x87 => "identification data table",
        0x88 | 0x90 => "vehicle identification number",
        0x91 => "maker's hardware number",
        0x92 => "supplier's hardware number",
        0x93 => "supplier's hardware version",
        0x94 => "supplier's software number",
        0x95 => "supplier's software version",
        0x96 => "exhaust regulation or type approval number",
        0x97 => "system name or engine type",
        0x98 => "repair shop code or tester's serial number",
        0x99 => "programming date",
        0x9A => "calibrating shop's code",
        0x9B => "calibration date",
        0x9C => "calibration software number",
        0x9D => "date of installation of the module",
        _ => "reserved or given by the maker",
    }
}

const fn control(byte: u8) -> &'static str {
    match byte {
        0x00 => "give control back to the module",
        0x01 => "report the present state",
        0x02 => "report the conditions",
        0x03 => "report the scaling",
        0x04 => "reset to default",
        0x05 => "freeze the present state",
        0x06 => "carry out",
        0x07 => "set for a short time",
        0x08 => "set for good",
        _ => "reserved or given by the maker",
    }
}
