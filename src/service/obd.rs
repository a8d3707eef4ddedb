//! Fields of SAE J1979 (ISO 15031-5), modes 01 to 0A, on CAN; their data also stand under identifiers 0xF4xx, 0xF6xx and
//! 0xF8xx of ISO 14229 (SAE J1979-2).
//!
//! Source: SAE J1979:2012, 6; the bits of parameter 01 as in the open encyclopedia's page on OBD-II PIDs and SAE
//! J1939-73: D bits and B4 to B6 mean *not* complete.

use crate::trouble::Code;

use super::code_list::code_list;
use super::decode::Context;
use super::field::{Bits, Cursor, Field, Value, Words};
use super::monitor;
use super::parameter::{self, Items, next_parameter};

const MODE_01: &str = "SAE J1979, 6.1 and Annex B";
const MODE_02: &str = "SAE J1979, 6.2";
const MODE_03: &str = "SAE J1979, 6.3";
const MODE_05: &str = "SAE J1979, 6.5";
const MODE_06: &str = "SAE J1979, 6.6 and Annexes D and E";
const MODE_08: &str = "SAE J1979, 6.8";
const MODE_09: &str = "SAE J1979, 6.9 and Annex G";

/// Hands out the fields after the mode.
pub(super) fn fields<'a>(
    cursor: &mut Cursor<'a, '_>,
    service: u8,
    request: Option<&[u8]>,
    context: &Context<'a>,
) {
    match service {
        0x01 => numbers(cursor, "parameter", MODE_01, parameter_name),
        0x02 => {
            while cursor.left() > 0 {
                cursor.byte("parameter", MODE_02, parameter_name);
                cursor.count(1, "freeze frame", MODE_02);
            }
        }
        0x05 => {
            cursor.byte("test", MODE_05, |_| "");
            cursor.byte("oxygen sensor", MODE_05, |_| "");
            cursor.end(MODE_05);
        }
        0x06 => numbers(cursor, "monitor", MODE_06, monitor::monitor_name),
        0x08 => {
            cursor.byte("test", MODE_08, |_| "");
            cursor.remainder("data", MODE_08);
        }
        0x09 => numbers(cursor, "information", MODE_09, information_name),
        0x41 => current(cursor, request, context),
        0x42 => frozen(cursor, context),
        0x43 | 0x47 | 0x4A => codes(cursor, context),
        0x45 => {
            cursor.byte("test", MODE_05, |_| "");
            cursor.byte("oxygen sensor", MODE_05, |_| "");
            cursor.remainder("value and limits", MODE_05);
        }
        0x46 => monitors(cursor),
        0x48 => {
            if let Some(test) = cursor.byte("test", MODE_08, |_| "") {
                if test.is_multiple_of(0x20) {
                    bitmap(cursor, test, MODE_08);
                }
                cursor.remainder("data", MODE_08);
            }
        }
        0x49 => {
            if let Some(kind) = cursor.byte("information", MODE_09, information_name) {
                if kind.is_multiple_of(0x20) {
                    bitmap(cursor, kind, MODE_09);
                    cursor.end(MODE_09);
                } else {
                    let length = cursor.left();
                    counted_information(cursor, kind, length);
                }
            }
        }
        _ => cursor.end(MODE_03),
    }
}

fn parameter_name(pid: u8) -> &'static str {
    parameter::parameter(pid).map_or("reserved or not known here", |known| known.name)
}

fn numbers(
    cursor: &mut Cursor<'_, '_>,
    name: &'static str,
    clause: &'static str,
    words: fn(u8) -> &'static str,
) {
    while cursor.left() > 0 {
        cursor.byte(name, clause, words);
    }
}

fn current<'a>(cursor: &mut Cursor<'a, '_>, request: Option<&[u8]>, context: &Context<'a>) {
    let single = matches!(request, Some([0x01, _]));
    while let Some((pid, length)) = next_parameter(cursor.rest()) {
        cursor.byte("parameter", MODE_01, parameter_name);
        let length = if single { cursor.left() } else { length };
        parameter(cursor, pid, length, context);
    }
}

fn frozen<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    while let Some(pid) = cursor.byte("parameter", MODE_02, parameter_name) {
        cursor.count(1, "freeze frame", MODE_02);
        let known = parameter::parameter(pid).map(|known| usize::from(known.length));
        let length = known.unwrap_or(usize::MAX).min(cursor.left());
        parameter(cursor, pid, length, context);
        if cursor.left() == 0 {
            return;
        }
    }
}

fn codes<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    let Some(list) = code_list(cursor.payload) else {
        return;
    };
    if list.announced.is_some() {
        cursor.count(1, "number of codes", MODE_03);
    }
    for entry in &list.entries {
        // Padding in the middle of a list: 0x0000 is no code.
        if entry.at > cursor.at {
            cursor.bytes(entry.at - cursor.at, "padding", MODE_03);
        }
        code(cursor, context);
    }
    let padded = cursor.rest().iter().all(|byte| *byte == 0);
    match list.malformed {
        Some(_) if cursor.left() == 0 => {
            let end = cursor.payload.len();
            cursor.put(Field {
                meaning: Words::Plain("fewer codes came than were announced"),
                ..Field::new("codes", end..end, Value::Missing, MODE_03)
            });
        }
        None if padded => cursor.remainder("padding", MODE_03),
        _ => cursor.end(MODE_03),
    }
}

fn code<'a>(cursor: &mut Cursor<'a, '_>, context: &Context<'a>) {
    const CLAUSE: &str = "SAE J2012, how a code is coded";
    if let Some((range, bytes)) = cursor.take(2, "code", CLAUSE)
        && let [high, low] = *bytes
    {
        let code = Code(u16::from_be_bytes([high, low]));
        cursor.put(Field {
            meaning: Words::Code(context.catalogue.meaning(code, None)),
            ..Field::new("code", range, Value::Code(code, None), CLAUSE)
        });
    }
}

/// The data of a parameter that has `length` bytes here.
pub(super) fn parameter<'a>(
    cursor: &mut Cursor<'a, '_>,
    pid: u8,
    length: usize,
    context: &Context<'a>,
) {
    let end = (cursor.at + length).min(cursor.payload.len());
    let Some(known) = parameter::parameter(pid) else {
        if length > 0 {
            cursor.bytes(length, "data", "not in SAE J1979 as known here");
        }
        return;
    };
    let due = usize::from(known.length);
    if length < due {
        let range = cursor.at..end;
        let bytes = cursor.payload.get(range.clone()).unwrap_or_default();
        cursor.at = end;
        let value = if bytes.is_empty() {
            Value::Missing
        } else {
            Value::Bytes(bytes)
        };
        cursor.put(Field {
            meaning: Words::Plain("fewer bytes than this parameter has"),
            ..Field::new(known.name, range, value, MODE_01)
        });
        return;
    }
    match known.items {
        Items::Supported => bitmap(cursor, pid, MODE_01),
        Items::Readiness(since_clearing) => readiness(cursor, since_clearing),
        Items::Code => {
            code(cursor, context);
        }
        Items::Number(scale, unit) => {
            cursor.number(due, known.name, MODE_01, scale, unit);
            // The second bank of the fuel trims.
            if matches!(pid, 0x06..=0x09) && cursor.at < end {
                let banks = if pid < 0x08 {
                    "the same, bank 3"
                } else {
                    "the same, bank 4"
                };
                cursor.number(1, banks, MODE_01, scale, unit);
            }
        }
        Items::Numbers(items) => several(cursor, items),
        Items::Choice(words) => {
            cursor.byte(known.name, MODE_01, words);
            if pid == 0x03 {
                cursor.byte("second fuel system", MODE_01, words);
            }
        }
        Items::Bytes => cursor.bytes(due, known.name, MODE_01),
    }
    if cursor.at < end {
        let over = end - cursor.at;
        let range = cursor.at..end;
        let bytes = cursor.payload.get(range.clone()).unwrap_or_default();
        cursor.at = end;
        let words = match known.items {
            Items::Numbers(_) => "further bytes of this parameter, not taken apart here",
            _ => "more bytes than this parameter has",
        };
        debug_assert_eq!(over, bytes.len(), "the bytes are there");
        cursor.put(Field {
            meaning: Words::Plain(words),
            ..Field::new("data", range, Value::Bytes(bytes), MODE_01)
        });
    }
}

fn several(cursor: &mut Cursor<'_, '_>, items: &'static [parameter::Item]) {
    let present = cursor.peek().unwrap_or(0);
    for item in items {
        let length = usize::from(item.length);
        match item.if_bit {
            None if item.name == "supported" => {
                cursor.byte("which are supported", MODE_01, |_| "");
            }
            Some(bit) if present >> bit & 1 == 0 => {
                if let Some((range, bytes)) = cursor.take(length, item.name, MODE_01) {
                    cursor.put(Field {
                        meaning: Words::Plain("not supported"),
                        ..Field::new(item.name, range, Value::Bytes(bytes), MODE_01)
                    });
                }
            }
            _ => {
                cursor.number(length, item.name, MODE_01, item.scale, item.unit);
            }
        }
    }
}

fn bitmap(cursor: &mut Cursor<'_, '_>, base: u8, clause: &'static str) {
    if let Some((range, bytes)) = cursor.take(4, "supported", clause) {
        let map = bytes
            .iter()
            .fold(0_u32, |sum, byte| sum << 8 | u32::from(*byte));
        cursor.put(Field::new(
            "supported",
            range,
            Value::Supported { base, map },
            clause,
        ));
    }
}

const SPARK: [&str; 8] = [
    "catalyst monitor",
    "heated catalyst monitor",
    "evaporative system monitor",
    "secondary air monitor",
    "air conditioning refrigerant monitor",
    "oxygen sensor monitor",
    "oxygen sensor heater monitor",
    "exhaust recirculation or valve timing monitor",
];

const COMPRESSION: [&str; 8] = [
    "NMHC catalyst monitor",
    "NOx aftertreatment monitor",
    "reserved monitor",
    "boost pressure monitor",
    "reserved monitor",
    "exhaust gas sensor monitor",
    "particle filter monitor",
    "exhaust recirculation or valve timing monitor",
];

const CONTINUOUS: [&str; 3] = [
    "misfire monitor",
    "fuel system monitor",
    "component monitor",
];

/// Parameters 01 and 41: lamp, number of codes, and for each monitor that the vehicle has whether it is complete.
fn readiness(cursor: &mut Cursor<'_, '_>, since_clearing: bool) {
    let at = cursor.at;
    let Some((_, bytes)) = cursor.take(4, "lamp, codes and monitors", MODE_01) else {
        return;
    };
    let [a, b, c, d] = *bytes else { return };
    let bit = |byte: u8, bit: usize| byte >> bit & 1 != 0;
    let field = |name, byte: usize, high: u8, low: u8, value| Field {
        bits: Some(Bits { high, low }),
        ..Field::new(name, at + byte..at + byte + 1, value, MODE_01)
    };
    if since_clearing {
        cursor.put(field(
            "malfunction lamp on",
            0,
            7,
            7,
            Value::Flag(bit(a, 7)),
        ));
        cursor.put(field(
            "number of codes",
            0,
            6,
            0,
            Value::Count(u64::from(a & 0x7F)),
        ));
    } else {
        cursor.put(field("reserved", 0, 7, 0, Value::Byte(a)));
    }
    let compression = bit(b, 3);
    let ignition: &[u8] = if compression {
        b"compression"
    } else {
        b"spark"
    };
    cursor.put(field("ignition", 1, 3, 3, Value::Text(ignition)));
    let complete = |not: bool| -> Value<'static> {
        Value::Text(if not { b"not complete" } else { b"complete" })
    };
    for ((name, supported), low) in CONTINUOUS.into_iter().zip(0_usize..).zip(4_u8..) {
        if bit(b, supported) {
            cursor.put(field(name, 1, low, low, complete(bit(b, usize::from(low)))));
        }
    }
    let names = if compression { COMPRESSION } else { SPARK };
    for (name, index) in names.into_iter().zip(0_u8..) {
        if bit(c, usize::from(index)) {
            cursor.put(field(
                name,
                3,
                index,
                index,
                complete(bit(d, usize::from(index))),
            ));
        }
    }
    // Which monitors there are is a field of its own, so that the byte is not lost.
    let none = c == 0;
    cursor.put(Field {
        meaning: if none {
            Words::Plain("none of the monitors that run at times")
        } else {
            Words::Plain("one bit for each monitor that runs at times")
        },
        ..Field::new("monitors present", at + 2..at + 3, Value::Byte(c), MODE_01)
    });
}

fn monitors(cursor: &mut Cursor<'_, '_>) {
    let Some(id) = cursor.peek() else {
        return;
    };
    if id.is_multiple_of(0x20) {
        while let Some(id) = cursor.byte("monitor", MODE_06, monitor::monitor_name) {
            bitmap(cursor, id, MODE_06);
            if cursor.left() == 0 {
                return;
            }
        }
        return;
    }
    // On CAN each test repeats the number of its monitor.
    while cursor.left() > 0 {
        if let Some(id) = cursor.byte("monitor", MODE_06, monitor::monitor_name) {
            let _ = id;
            test(cursor);
        }
    }
}

/// One test: number, unit and scaling, value, lower and upper limit.
fn test(cursor: &mut Cursor<'_, '_>) {
    cursor.byte("test", MODE_06, monitor::test_name);
    let Some(id) = cursor.byte("unit and scaling", MODE_06, |id| {
        monitor::scaling(id).map_or("not known here", |known| known.words)
    }) else {
        return;
    };
    for name in ["value", "lower limit", "upper limit"] {
        match monitor::scaling(id) {
            Some(known) => {
                cursor.number(2, name, MODE_06, known.scale, known.unit);
            }
            None => cursor.bytes(2, name, MODE_06),
        }
    }
}

/// The data of a monitor under identifier 0xF6xx.
pub(super) fn monitor(cursor: &mut Cursor<'_, '_>, id: u8, length: usize) {
    let end = cursor.at + length;
    if id.is_multiple_of(0x20) && length >= 4 {
        bitmap(cursor, id, MODE_06);
        return;
    }
    while cursor.at + 8 <= end {
        test(cursor);
    }
}

/// The data of an item of vehicle information under identifier 0xF8xx.
pub(super) fn vehicle_information(cursor: &mut Cursor<'_, '_>, kind: u8, length: usize) {
    if kind.is_multiple_of(0x20) && length >= 4 {
        bitmap(cursor, kind, MODE_09);
    } else {
        information(cursor, kind, length);
    }
}

const fn information_name(kind: u8) -> &'static str {
    match kind {
        0x00 => "supported information",
        0x01 => "number of messages for the VIN",
        0x02 => "vehicle identification number",
        0x03 => "number of messages for the calibration",
        0x04 => "calibration identification",
        0x05 => "number of messages for the verification numbers",
        0x06 => "calibration verification number",
        0x07 => "number of messages for in-use counters",
        0x08 => "in-use counters, spark ignition",
        0x09 => "number of messages for the module's name",
        0x0A => "name of the module",
        0x0B => "in-use counters, compression ignition",
        0x0D => "engine serial number",
        0x0F => "exhaust regulation or type approval number",
        _ if kind.is_multiple_of(0x20) => "supported information",
        _ => "reserved or not known here",
    }
}

/// On CAN a count of items stands before the items.
fn counted_information(cursor: &mut Cursor<'_, '_>, kind: u8, length: usize) {
    // Odd kinds below 0x0B count messages of the links before CAN.
    if matches!(kind, 0x01 | 0x03 | 0x05 | 0x07 | 0x09) && length == 1 {
        cursor.count(1, "number of messages", MODE_09);
        return;
    }
    cursor.count(1, "number of items", MODE_09);
    let left = cursor.left();
    information(cursor, kind, left);
    cursor.end(MODE_09);
}

fn information(cursor: &mut Cursor<'_, '_>, kind: u8, length: usize) {
    let end = cursor.at + length;
    let each = match kind {
        0x02 | 0x0D | 0x0F => 17,
        0x04 => 16,
        0x06 => 4,
        0x0A => 20,
        0x08 | 0x0B => {
            counters(cursor, kind, end);
            return;
        }
        _ => {
            if length > 0 {
                cursor.bytes(length, "data", MODE_09);
            }
            return;
        }
    };
    while cursor.at < end {
        let length = each.min(end - cursor.at);
        if kind == 0x06 {
            cursor.bytes(length, information_name(kind), MODE_09);
        } else {
            cursor.text(length, information_name(kind), MODE_09);
        }
    }
}

const SPARK_COUNTERS: [&str; 20] = [
    "general conditions met",
    "ignition cycles",
    "catalyst bank 1, completed",
    "catalyst bank 1, conditions met",
    "catalyst bank 2, completed",
    "catalyst bank 2, conditions met",
    "oxygen sensor bank 1, completed",
    "oxygen sensor bank 1, conditions met",
    "oxygen sensor bank 2, completed",
    "oxygen sensor bank 2, conditions met",
    "exhaust recirculation or valve timing, completed",
    "exhaust recirculation or valve timing, conditions met",
    "secondary air, completed",
    "secondary air, conditions met",
    "evaporative system, completed",
    "evaporative system, conditions met",
    "second oxygen sensor bank 1, completed",
    "second oxygen sensor bank 1, conditions met",
    "second oxygen sensor bank 2, completed",
    "second oxygen sensor bank 2, conditions met",
];

const COMPRESSION_COUNTERS: [&str; 18] = [
    "general conditions met",
    "ignition cycles",
    "NMHC catalyst, completed",
    "NMHC catalyst, conditions met",
    "NOx catalyst, completed",
    "NOx catalyst, conditions met",
    "NOx adsorber, completed",
    "NOx adsorber, conditions met",
    "particle filter, completed",
    "particle filter, conditions met",
    "exhaust gas sensor, completed",
    "exhaust gas sensor, conditions met",
    "exhaust recirculation or valve timing, completed",
    "exhaust recirculation or valve timing, conditions met",
    "boost pressure, completed",
    "boost pressure, conditions met",
    "fuel system, completed",
    "fuel system, conditions met",
];

fn counters(cursor: &mut Cursor<'_, '_>, kind: u8, end: usize) {
    let names: &[&str] = if kind == 0x08 {
        &SPARK_COUNTERS
    } else {
        &COMPRESSION_COUNTERS
    };
    for name in names {
        if cursor.at + 2 > end {
            return;
        }
        cursor.count(2, name, MODE_09);
    }
    if cursor.at < end {
        cursor.bytes(end - cursor.at, "further counters", MODE_09);
    }
}
