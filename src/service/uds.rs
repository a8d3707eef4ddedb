//! Fields of the services of ISO 14229-1, save `ReadDTCInformation`.
//!
//! Source: ISO 14229-1:2013, clauses 9 to 14, with what the edition of 2020 adds (0x29, memory selection of 0x14).

use super::decode::Context;
use super::field::{Bits, Cursor, Field, Scale, Value, Words};
use super::identifier::{each_identifier, fixed_length, identifier_name};
use super::{obd, uds_codes};

/// Hands out the fields after the service identifier.
pub(super) fn fields<'a>(
    cursor: &mut Cursor<'a, '_>,
    service: u8,
    request: Option<&[u8]>,
    context: &Context<'a>,
) {
    match service {
        0x19 => uds_codes::request(cursor, context),
        0x59 => uds_codes::answer(cursor, request, context),
        0x22 => {
            while cursor.left() > 0 {
                identifier(cursor);
            }
        }
        0x62 => read_answer(cursor, request, context),
        _ if service & 0x40 == 0 => asked(cursor, service),
        _ => answered(cursor, service & !0x40),
    }
}

fn identifier(cursor: &mut Cursor<'_, '_>) -> Option<u16> {
    cursor.id("identifier", "ISO 14229-1, Annex C", identifier_name)
}

/// A sub-function with its suppress bit (ISO 14229-1:2013, 8.2.2).
pub(super) fn sub_function(
    cursor: &mut Cursor<'_, '_>,
    clause: &'static str,
    words: impl FnOnce(u8) -> &'static str,
) -> Option<u8> {
    let at = cursor.at;
    let (range, bytes) = cursor.take(1, "sub-function", clause)?;
    let byte = bytes.first().copied()?;
    let request = cursor
        .payload
        .first()
        .is_some_and(|service| service & 0x40 == 0);
    let sub = if request { byte & 0x7F } else { byte };
    let plain = words(sub & 0x7F);
    cursor.put(Field {
        bits: (request && byte & 0x80 != 0).then_some(Bits { high: 6, low: 0 }),
        meaning: if plain.is_empty() {
            Words::Plain(sub_range(sub & 0x7F))
        } else {
            Words::Plain(plain)
        },
        ..Field::new("sub-function", range, Value::Byte(sub), clause)
    });
    if request && byte & 0x80 != 0 {
        cursor.put(Field {
            bits: Some(Bits { high: 7, low: 7 }),
            meaning: Words::Plain("no positive answer wanted"),
            ..Field::new(
                "suppress positive response",
                at..at + 1,
                Value::Flag(true),
                "ISO 14229-1, 8.2.2",
            )
        });
    }
    Some(sub & 0x7F)
}

const fn sub_range(sub: u8) -> &'static str {
    match sub {
        0x40..=0x5F => "given by the maker",
        0x60..=0x7E => "given by the supplier",
        _ => "reserved",
    }
}

pub(super) const fn session(sub: u8) -> &'static str {
    match sub {
        0x01 => "default session",
        0x02 => "programming session",
        0x03 => "extended session",
        0x04 => "safety system session",
        _ => "",
    }
}

const fn reset(sub: u8) -> &'static str {
    match sub {
        0x01 => "hard reset",
        0x02 => "key off and on",
        0x03 => "soft reset",
        0x04 => "enable rapid power shutdown",
        0x05 => "disable rapid power shutdown",
        _ => "",
    }
}

const fn access(sub: u8) -> &'static str {
    match sub {
        0x00 | 0x43..=0x5E | 0x7F => "reserved",
        0x5F => "ask for a seed: deployment of restraints",
        0x60 => "send the key: deployment of restraints",
        _ if sub % 2 == 1 => "ask for a seed",
        _ => "send the key",
    }
}

const fn communication(sub: u8) -> &'static str {
    match sub {
        0x00 => "receive and send",
        0x01 => "receive, do not send",
        0x02 => "send, do not receive",
        0x03 => "neither receive nor send",
        0x04 => "receive, do not send; with address",
        0x05 => "receive and send; with address",
        _ => "",
    }
}

const fn authentication(sub: u8) -> &'static str {
    match sub {
        0x00 => "end the authentication",
        0x01 => "verify the tester's certificate",
        0x02 => "verify both certificates",
        0x03 => "proof of ownership",
        0x04 => "transmit a certificate",
        0x05 => "ask for a challenge",
        0x06 => "verify the tester's proof",
        0x07 => "verify both proofs",
        0x08 => "which kinds of authentication there are",
        _ => "",
    }
}

const fn definition(sub: u8) -> &'static str {
    match sub {
        0x01 => "define by identifier",
        0x02 => "define by memory address",
        0x03 => "clear the definition",
        _ => "",
    }
}

const fn routine_control(sub: u8) -> &'static str {
    match sub {
        0x01 => "start the routine",
        0x02 => "stop the routine",
        0x03 => "ask for the routine's results",
        _ => "",
    }
}

const fn timing(sub: u8) -> &'static str {
    match sub {
        0x01 => "read which timing is possible",
        0x02 => "set the default timing",
        0x03 => "read the timing in use",
        0x04 => "set the given timing",
        _ => "",
    }
}

const fn code_setting(sub: u8) -> &'static str {
    match sub {
        0x01 => "store codes again",
        0x02 => "stop storing codes",
        _ => "",
    }
}

const fn event(sub: u8) -> &'static str {
    match sub & 0x3F {
        0x00 => "stop answering on events",
        0x01 => "when a code's status changes",
        0x02 => "at timer interrupt",
        0x03 => "when an identifier changes",
        0x04 => "report what is set up",
        0x05 => "start answering on events",
        0x06 => "clear what is set up",
        0x07 => "when values compare so",
        _ => "",
    }
}

const fn link(sub: u8) -> &'static str {
    match sub {
        0x01 => "verify a fixed bit rate",
        0x02 => "verify a given bit rate",
        0x03 => "change the bit rate now",
        _ => "",
    }
}

const fn keep_alive(sub: u8) -> &'static str {
    match sub {
        0x00 => "keep the session alive",
        _ => "",
    }
}

const fn control(byte: u8) -> &'static str {
    match byte {
        0x00 => "give control back to the module",
        0x01 => "reset to default",
        0x02 => "freeze the present state",
        0x03 => "set for a short time",
        _ => "reserved",
    }
}

const fn file_mode(byte: u8) -> &'static str {
    match byte {
        0x01 => "add a file",
        0x02 => "delete a file",
        0x03 => "replace a file",
        0x04 => "read a file",
        0x05 => "read a folder",
        0x06 => "resume a file",
        _ => "reserved",
    }
}

const fn group(value: u32) -> &'static str {
    match value {
        0xFF_FFFF => "all codes",
        0xFF_FF33 => "emission-related codes",
        0xFF_FFD0 => "codes of safety systems",
        0xFF_FF00..=0xFF_FFFE => "a functional group",
        0x00_0000..=0x00_00FF => "legislated group",
        _ => "one code or a group of the maker",
    }
}

fn code_group(cursor: &mut Cursor<'_, '_>) {
    const CLAUSE: &str = "ISO 14229-1, 11.2 and D.1";
    if let Some((range, bytes)) = cursor.take(3, "group of codes", CLAUSE) {
        let value = bytes
            .iter()
            .fold(0_u32, |sum, byte| sum << 8 | u32::from(*byte));
        cursor.put(Field {
            meaning: Words::Plain(group(value)),
            ..Field::new("group of codes", range, Value::Bytes(bytes), CLAUSE)
        });
    }
}

const fn routine(id: u16) -> &'static str {
    match id {
        0xFF00 => "erase memory",
        0xFF01 => "check programming dependencies",
        0xFF02 => "erase mirror memory",
        0xE200 => "deploy restraints",
        0xE000..=0xE1FF => "legislated test",
        0x0200..=0xDFFF => "routine of the maker",
        0xF000..=0xFEFF => "routine of the supplier",
        _ => "reserved",
    }
}

/// An address and a size whose lengths a format byte gives (ISO 14229-1:2013, 10.3, Annex H).
fn memory(cursor: &mut Cursor<'_, '_>) {
    const CLAUSE: &str = "ISO 14229-1, 10.3 and Annex H";
    if let Some(format) = cursor.byte("address and length format", CLAUSE, |_| "") {
        memory_as(cursor, format);
    }
}

fn memory_as(cursor: &mut Cursor<'_, '_>, format: u8) {
    const CLAUSE: &str = "ISO 14229-1, 10.3 and Annex H";
    cursor.bytes(usize::from(format & 0x0F), "memory address", CLAUSE);
    length_number(cursor, usize::from(format >> 4), "memory size", CLAUSE);
}

/// A number that may be wider than this program counts.
fn length_number(
    cursor: &mut Cursor<'_, '_>,
    length: usize,
    name: &'static str,
    clause: &'static str,
) {
    if length <= 8 {
        cursor.count(length, name, clause);
    } else {
        cursor.bytes(length, name, clause);
    }
}

#[expect(
    clippy::too_many_lines,
    reason = "one arm for each service, in the order of the standard"
)]
fn asked(cursor: &mut Cursor<'_, '_>, service: u8) {
    match service {
        0x10 => {
            sub_function(cursor, "ISO 14229-1, 9.2", session);
            cursor.end("ISO 14229-1, 9.2");
        }
        0x11 => {
            sub_function(cursor, "ISO 14229-1, 9.3", reset);
            cursor.end("ISO 14229-1, 9.3");
        }
        0x14 => {
            code_group(cursor);
            if cursor.left() > 0 {
                cursor.byte("memory selection", "ISO 14229-1:2020, 12.2", |_| "");
            }
            cursor.end("ISO 14229-1, 11.2");
        }
        0x23 => {
            memory(cursor);
            cursor.end("ISO 14229-1, 10.3");
        }
        0x24 => {
            identifier(cursor);
            cursor.end("ISO 14229-1, 10.4");
        }
        0x27 => {
            let sub = sub_function(cursor, "ISO 14229-1, 9.4", access);
            let name = if sub.is_some_and(|sub| sub % 2 == 0) {
                "key"
            } else {
                "data"
            };
            cursor.remainder(name, "ISO 14229-1, 9.4");
        }
        0x28 => {
            const CLAUSE: &str = "ISO 14229-1, 9.5 and B.1";
            let sub = sub_function(cursor, CLAUSE, communication);
            cursor.byte("communication type", CLAUSE, |byte| match byte & 0x03 {
                1 => "normal messages",
                2 => "network management",
                3 => "normal messages and network management",
                _ => "reserved",
            });
            if matches!(sub, Some(4 | 5)) {
                cursor.id("node", CLAUSE, |_| "");
            }
            cursor.end(CLAUSE);
        }
        0x29 => {
            sub_function(cursor, "ISO 14229-1:2020, 10.6", authentication);
            cursor.remainder("authentication data", "ISO 14229-1:2020, 10.6");
        }
        0x2A => {
            const CLAUSE: &str = "ISO 14229-1, 10.5 and C.4";
            cursor.byte("transmission mode", CLAUSE, |byte| match byte {
                1 => "slow",
                2 => "medium",
                3 => "fast",
                4 => "stop",
                _ => "reserved",
            });
            while cursor.left() > 0 {
                cursor.byte("periodic identifier", CLAUSE, |_| "");
            }
        }
        0x2C => {
            const CLAUSE: &str = "ISO 14229-1, 10.6";
            let sub = sub_function(cursor, CLAUSE, definition);
            if cursor.left() > 0 || sub != Some(3) {
                identifier(cursor);
            }
            define(cursor, sub);
        }
        0x2E => {
            identifier(cursor);
            cursor.remainder("data", "ISO 14229-1, 10.7");
        }
        0x2F => {
            identifier(cursor);
            cursor.byte("control", "ISO 14229-1, 12.2 and E.1", control);
            cursor.remainder("control state and mask", "ISO 14229-1, 12.2");
        }
        0x31 => {
            sub_function(cursor, "ISO 14229-1, 13.2", routine_control);
            cursor.id("routine", "ISO 14229-1, F.1", routine);
            cursor.remainder("routine option", "ISO 14229-1, 13.2");
        }
        0x34 | 0x35 => {
            cursor.byte("data format", "ISO 14229-1, 14.2", compression);
            memory(cursor);
            cursor.end("ISO 14229-1, 14.2 and 14.3");
        }
        0x36 => {
            cursor.count(1, "block number", "ISO 14229-1, 14.4");
            cursor.remainder("data", "ISO 14229-1, 14.4");
        }
        0x37 => cursor.remainder("data", "ISO 14229-1, 14.5"),
        0x38 => {
            const CLAUSE: &str = "ISO 14229-1, 14.6 and Annex G";
            cursor.byte("mode of operation", CLAUSE, file_mode);
            let length = cursor.count(2, "length of the path", CLAUSE).unwrap_or(0);
            cursor.text(
                usize::try_from(length).unwrap_or(usize::MAX),
                "path",
                CLAUSE,
            );
            cursor.remainder("file size and data format", CLAUSE);
        }
        0x3D => {
            const CLAUSE: &str = "ISO 14229-1, 10.8";
            memory(cursor);
            cursor.remainder("data", CLAUSE);
        }
        0x3E => {
            sub_function(cursor, "ISO 14229-1, 9.6", keep_alive);
            cursor.end("ISO 14229-1, 9.6");
        }
        0x83 => {
            sub_function(cursor, "ISO 14229-1:2013, 9.7", timing);
            cursor.remainder("timing", "ISO 14229-1:2013, 9.7");
        }
        0x84 => cursor.remainder("secured data", "ISO 14229-1, 9.8"),
        0x85 => {
            sub_function(cursor, "ISO 14229-1, 9.9", code_setting);
            cursor.remainder("which codes", "ISO 14229-1, 9.9");
        }
        0x86 => {
            sub_function(cursor, "ISO 14229-1, 9.10", event);
            cursor.byte("event window", "ISO 14229-1, 9.10 and B.2", |byte| {
                if byte == 2 { "without end" } else { "other" }
            });
            cursor.remainder("event and service to answer with", "ISO 14229-1, 9.10");
        }
        0x87 => {
            sub_function(cursor, "ISO 14229-1, 9.11", link);
            cursor.remainder("bit rate", "ISO 14229-1, 9.11");
        }
        _ => cursor.remainder("bytes", "not in ISO 14229-1"),
    }
}

const fn compression(byte: u8) -> &'static str {
    match byte {
        0 => "neither compressed nor encrypted",
        _ => "",
    }
}

fn define(cursor: &mut Cursor<'_, '_>, sub: Option<u8>) {
    const CLAUSE: &str = "ISO 14229-1, 10.6";
    match sub {
        Some(1) => {
            while cursor.left() > 0 {
                cursor.id("source identifier", CLAUSE, identifier_name);
                cursor.count(1, "position", CLAUSE);
                cursor.count(1, "length", CLAUSE);
            }
        }
        Some(2) if cursor.left() > 0 => {
            let format = cursor.byte("address and length format", CLAUSE, |_| "");
            while let Some(format) = format
                && cursor.left() > 0
            {
                if format == 0 {
                    break;
                }
                memory_as(cursor, format);
            }
        }
        _ => {}
    }
    cursor.end(CLAUSE);
}

#[expect(
    clippy::too_many_lines,
    reason = "one arm for each service, in the order of the standard"
)]
fn answered(cursor: &mut Cursor<'_, '_>, service: u8) {
    match service {
        0x10 => {
            const CLAUSE: &str = "ISO 14229-1, 9.2 and Table 29";
            sub_function(cursor, CLAUSE, session);
            if cursor.left() > 0 {
                cursor.number(2, "P2", CLAUSE, Scale::RAW, "ms");
                let ten = Scale::new(10.0, 1.0, 0.0);
                cursor.number(2, "P2*", CLAUSE, ten, "ms");
            }
            cursor.end(CLAUSE);
        }
        0x11 => {
            let sub = sub_function(cursor, "ISO 14229-1, 9.3", reset);
            if sub == Some(4) {
                cursor.number(1, "power-down time", "ISO 14229-1, 9.3", Scale::RAW, "s");
            }
            cursor.end("ISO 14229-1, 9.3");
        }
        0x14 => cursor.end("ISO 14229-1, 11.2"),
        0x23 => cursor.remainder("memory content", "ISO 14229-1, 10.3"),
        0x24 => {
            identifier(cursor);
            cursor.remainder("scaling", "ISO 14229-1, 10.4 and C.2");
        }
        0x27 => {
            let sub = sub_function(cursor, "ISO 14229-1, 9.4", access);
            let name = if sub.is_some_and(|sub| sub % 2 == 1) {
                "seed"
            } else {
                "data"
            };
            cursor.remainder(name, "ISO 14229-1, 9.4");
        }
        0x28 => {
            sub_function(cursor, "ISO 14229-1, 9.5", communication);
            cursor.end("ISO 14229-1, 9.5");
        }
        0x29 => {
            sub_function(cursor, "ISO 14229-1:2020, 10.6", authentication);
            cursor.byte("result", "ISO 14229-1:2020, 10.6", |_| "");
            cursor.remainder("authentication data", "ISO 14229-1:2020, 10.6");
        }
        0x2A => cursor.end("ISO 14229-1, 10.5"),
        0x2C => {
            sub_function(cursor, "ISO 14229-1, 10.6", definition);
            if cursor.left() > 0 {
                identifier(cursor);
            }
            cursor.end("ISO 14229-1, 10.6");
        }
        0x2E => {
            identifier(cursor);
            cursor.end("ISO 14229-1, 10.7");
        }
        0x2F => {
            identifier(cursor);
            cursor.byte("control", "ISO 14229-1, 12.2 and E.1", control);
            cursor.remainder("control state", "ISO 14229-1, 12.2");
        }
        0x31 => {
            sub_function(cursor, "ISO 14229-1, 13.2", routine_control);
            cursor.id("routine", "ISO 14229-1, F.1", routine);
            cursor.remainder("routine status", "ISO 14229-1, 13.2");
        }
        0x34 | 0x35 => {
            const CLAUSE: &str = "ISO 14229-1, 14.2";
            if let Some(format) = cursor.byte("length format", CLAUSE, |_| "") {
                length_number(cursor, usize::from(format >> 4), "longest block", CLAUSE);
            }
            cursor.end(CLAUSE);
        }
        0x36 => {
            cursor.count(1, "block number", "ISO 14229-1, 14.4");
            cursor.remainder("data", "ISO 14229-1, 14.4");
        }
        0x37 => cursor.remainder("data", "ISO 14229-1, 14.5"),
        0x38 => {
            cursor.byte("mode of operation", "ISO 14229-1, 14.6", file_mode);
            cursor.remainder("file data", "ISO 14229-1, 14.6 and Annex G");
        }
        0x3D => {
            memory(cursor);
            cursor.end("ISO 14229-1, 10.8");
        }
        0x3E => {
            sub_function(cursor, "ISO 14229-1, 9.6", keep_alive);
            cursor.end("ISO 14229-1, 9.6");
        }
        0x83 => {
            sub_function(cursor, "ISO 14229-1:2013, 9.7", timing);
            cursor.remainder("timing", "ISO 14229-1:2013, 9.7");
        }
        0x84 => cursor.remainder("secured data", "ISO 14229-1, 9.8"),
        0x85 => {
            sub_function(cursor, "ISO 14229-1, 9.9", code_setting);
            cursor.end("ISO 14229-1, 9.9");
        }
        0x86 => {
            sub_function(cursor, "ISO 14229-1, 9.10", event);
            cursor.count(1, "events so far", "ISO 14229-1, 9.10");
            cursor.remainder("event and service", "ISO 14229-1, 9.10");
        }
        0x87 => {
            sub_function(cursor, "ISO 14229-1, 9.11", link);
            cursor.end("ISO 14229-1, 9.11");
        }
        _ => cursor.remainder("bytes", "not in ISO 14229-1"),
    }
}

fn read_answer<'a>(cursor: &mut Cursor<'a, '_>, request: Option<&[u8]>, context: &Context<'a>) {
    let payload = cursor.payload;
    if cursor.left() < 2 {
        identifier(cursor);
        return;
    }
    each_identifier(request, payload, context.length_of, |_, id, data| {
        identifier(cursor);
        let end = cursor.at + data.len();
        identified(cursor, id, data.len(), context);
        // Whatever the identifier's own fields did not take is data all the same.
        let over = end.saturating_sub(cursor.at);
        if over > 0 {
            cursor.bytes(over, "data", "ISO 14229-1, 10.2");
        }
        if fixed_length(id).is_some_and(|length| length > data.len()) {
            let at = cursor.at;
            cursor.put(Field {
                meaning: Words::Plain("fewer bytes than the standard gives this identifier"),
                ..Field::new(
                    "rest of the data",
                    at..at,
                    Value::Missing,
                    "ISO 14229-1, C.1",
                )
            });
        }
    });
    // One byte too few for another identifier.
    cursor.end("ISO 14229-1, 10.2");
}

/// The data of one identifier: what the standards say about it, else text or bytes.
fn identified<'a>(cursor: &mut Cursor<'a, '_>, id: u16, length: usize, context: &Context<'a>) {
    const CLAUSE: &str = "ISO 14229-1, C.1";
    let [_, low] = id.to_be_bytes();
    match id {
        0xF186 if length >= 1 => {
            cursor.byte("active session", CLAUSE, |byte| {
                let words = session(byte);
                if words.is_empty() {
                    sub_range(byte)
                } else {
                    words
                }
            });
        }
        0xF18B | 0xF199 | 0xF19B | 0xF19D => date(cursor, length),
        0xF180..=0xF182 => {
            // A count of modules may stand before the names.
            cursor.text(length, "data", CLAUSE);
        }
        0xF183..=0xF19F => cursor.text(length, "data", CLAUSE),
        0xFF00 if length == 4 => cursor.bytes(4, "edition", CLAUSE),
        0xF400..=0xF4FF => obd::parameter(cursor, low, length, context),
        0xF600..=0xF6FF => obd::monitor(cursor, low, length),
        0xF800..=0xF8FF => obd::vehicle_information(cursor, low, length),
        _ if length > 0 => {
            cursor.bytes(length, "data", "left to the maker");
        }
        _ => {}
    }
}

/// Dates are coded decimal, year first (ISO 14229-1:2013, C.1), or text of the maker.
fn date(cursor: &mut Cursor<'_, '_>, length: usize) {
    if length > 0 {
        cursor.text(length, "date", "ISO 14229-1, C.1");
    }
}
