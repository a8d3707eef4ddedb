//! Messages taken apart, checked against the table of byte vectors and the worked examples of the standards.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use proptest::prelude::*;

use super::*;
use crate::frame::{CanId, Channel};
use crate::transport::{Address, Fault};
use crate::trouble::{Catalogue, Code, FailureType, Status};

/// 120 byte vectors, one a row: kind, input, expected, source. The rows on frames and timing are the transport's.
const VECTORS: &str = include_str!("../../tests/data/vectors.csv");

/// Loading takes longer than all the tests together.
static CATALOGUE: LazyLock<Catalogue> = LazyLock::new(|| Catalogue::embedded().unwrap());

fn message(payload: &[u8]) -> Message {
    Message {
        number: 1,
        start: None,
        end: None,
        channel: Channel(0),
        address: Address::can(CanId::standard_masked(0x7E8)),
        partner: None,
        functional: false,
        frames: 1,
        payload: payload.to_vec(),
        announced: 0,
        fault: None,
    }
}

fn bytes(hex: &str) -> Vec<u8> {
    let pairs = hex.as_bytes().chunks(2);
    let pair = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap();
    pairs.map(pair).collect()
}

fn rows(kind: &str) -> Vec<(&'static str, &'static str, &'static str)> {
    let rows = VECTORS.lines().skip(1).filter_map(|line| {
        let mut cells = line.splitn(4, ',');
        let own = cells.next()?;
        (own == kind).then(|| {
            (
                cells.next().unwrap(),
                cells.next().unwrap(),
                cells.next().unwrap(),
            )
        })
    });
    let rows: Vec<_> = rows.collect();
    assert!(!rows.is_empty(), "{kind}");
    rows
}

/// The fields as `name=value`, in order.
fn told(payload: &[u8], request: Option<&[u8]>) -> Vec<(String, String)> {
    let message = message(payload);
    let request = request.map(self::message);
    let decoded = decode(&message, request.as_ref(), &CATALOGUE);
    let told = decoded
        .fields
        .iter()
        .map(|field| (field.name.to_string(), field.value.to_string()));
    told.collect()
}

#[test]
fn codes_and_their_text() {
    for (input, expected, source) in rows("dtc_bytes_to_text") {
        let text = match *bytes(input).as_slice() {
            [high, low] => Code(u16::from_be_bytes([high, low])).to_string(),
            [high, low, failure] => {
                format!(
                    "{}-{}",
                    Code(u16::from_be_bytes([high, low])),
                    FailureType(failure)
                )
            }
            _ => String::new(),
        };
        assert_eq!(text, expected, "{source}");
    }
}

#[test]
fn status_bits() {
    for (input, expected, source) in rows("dtc_status_to_bits") {
        let status = Status(bytes(input)[0]);
        let set = [
            status.test_failed(),
            status.test_failed_this_operation_cycle(),
            status.pending(),
            status.confirmed(),
            status.test_not_completed_since_last_clear(),
            status.test_failed_since_last_clear(),
            status.test_not_completed_this_operation_cycle(),
            status.warning_indicator_requested(),
        ];
        let bits: Vec<String> = (0..8)
            .filter(|bit| set[*bit])
            .map(|bit| bit.to_string())
            .collect();
        assert_eq!(bits.join(";"), expected, "{source}");
        let words = Words::Status(status).to_string();
        assert_eq!(words.split(", ").count(), bits.len(), "{words}");
    }
}

#[test]
fn values_of_the_obd_modes() {
    for (input, expected, source) in rows("obd_value") {
        let message = message(&bytes(input));
        let decoded = decode(&message, None, &CATALOGUE);
        let mut values = decoded.fields.iter().filter_map(|field| match field.value {
            Value::Number(number) => Some((number, String::new())),
            Value::Count(count) => Some((f64::from(u32::try_from(count).unwrap()), String::new())),
            Value::Code(code, _) => Some((f64::NAN, code.to_string())),
            _ => None,
        });
        for part in expected.split(';') {
            let (_, wanted) = part.split_once('=').unwrap();
            let (number, code) = values.next().unwrap();
            match wanted.parse::<f64>() {
                Ok(wanted) => assert!((number - wanted).abs() < 5e-4, "{input}: {number} {source}"),
                Err(_) => assert_eq!(code, wanted, "{input} {source}"),
            }
        }
        assert!(values.next().is_none(), "{input}");
        assert!(!decoded.fields.iter().any(|field| field.name == "left over"));
    }
}

#[test]
fn supported_bitmaps() {
    for (input, expected, source) in rows("supported_bitmap") {
        let told = told(&bytes(input), None);
        let (_, map) = told.iter().find(|(name, _)| name == "supported").unwrap();
        assert_eq!(map, expected, "{source}");
    }
}

#[test]
fn code_lists_of_the_obd_modes() {
    for (input, expected, source) in rows("obd_dtc_list_can") {
        let payload = bytes(input);
        let list = code_list(&payload).unwrap();
        let codes: Vec<String> = list
            .entries
            .iter()
            .map(|entry| entry.code.to_string())
            .collect();
        assert_eq!(codes.join(" "), expected, "{input} {source}");
        assert_eq!(list.malformed, None);
        let told: Vec<(String, String)> = told(&payload, None);
        let fields: Vec<&str> = told
            .iter()
            .filter(|(name, _)| name == "code")
            .map(|(_, value)| value.as_str())
            .collect();
        assert_eq!(fields.join(" "), expected, "{input} {source}");
    }
}

#[test]
fn lamp_codes_and_monitors() {
    let names = |word: &str| -> &'static str {
        match word {
            "misfire" => "misfire monitor",
            "fuel" => "fuel system monitor",
            "components" => "component monitor",
            "catalyst" => "catalyst monitor",
            "heatedcatalyst" => "heated catalyst monitor",
            "evap" => "evaporative system monitor",
            "o2" => "oxygen sensor monitor",
            "o2heater" => "oxygen sensor heater monitor",
            _ => "",
        }
    };
    for (input, expected, source) in rows("obd_pid01") {
        let told = told(&bytes(input), None);
        let get = |name: &str| {
            told.iter()
                .find(|(known, _)| known == name)
                .unwrap()
                .1
                .clone()
        };
        for part in expected.split(';') {
            let (key, wanted) = part.split_once('=').unwrap();
            match key {
                "mil" => assert_eq!(get("malfunction lamp on") == "yes", wanted == "1"),
                "count" => assert_eq!(get("number of codes"), wanted),
                "ignition" => assert_eq!(get("ignition"), wanted),
                "notcomplete" => {
                    let wanted: BTreeSet<&str> = wanted.split(' ').map(names).collect();
                    let found: BTreeSet<&str> = told
                        .iter()
                        .filter(|(_, value)| value == "not complete")
                        .map(|(name, _)| name.as_str())
                        .collect();
                    assert_eq!(found, wanted, "{input} {source}");
                }
                "supported" => {
                    let found = told.iter().filter(|(_, value)| value.ends_with("complete"));
                    let count = if wanted.ends_with("all eight") {
                        10
                    } else {
                        wanted.split(' ').count()
                    };
                    assert_eq!(found.count(), count, "{input} {source}");
                }
                _ => panic!("{key}"),
            }
        }
    }
}

#[test]
fn vehicle_identification_number() {
    for (input, expected, source) in rows("obd_vin") {
        let told = told(&bytes(input), None);
        assert!(
            told.iter().any(|(_, value)| value == expected),
            "{told:?} {source}"
        );
    }
}

/// The fields in the short form of the table: `mask=7F`, `P0A9B-17=24`, `record=02`.
fn tokens(payload: &[u8]) -> Vec<String> {
    let mut tokens: Vec<String> = Vec::new();
    let mut code = String::new();
    let hex = |value: &str| value.trim_start_matches("0x").to_owned();
    for (name, value) in told(payload, None) {
        match name.as_str() {
            "code" => code = value,
            "status" => tokens.push(format!("{code}={}", hex(&value))),
            "status bits supported" => tokens.push(format!("mask={}", hex(&value))),
            "format of the codes" => tokens.push(format!("format={}", hex(&value))),
            "number of codes" => tokens.push(format!("count={value}")),
            "snapshot record" if payload[1] == 3 => {
                tokens.push(format!("{code} rec {}", hex(&value)));
            }
            "snapshot record" => tokens.push(format!("record={}", hex(&value))),
            "extended data record" => tokens.push(format!("record{}", hex(&value))),
            "data" => match tokens.last_mut() {
                Some(last) if last.starts_with("record") && !last.contains('=') => {
                    last.push('=');
                    last.push_str(&value);
                }
                Some(last) if payload[0] == 0x62 => {
                    let id = last.trim_start_matches("id=").to_owned();
                    *last = format!("{id}={value}");
                }
                _ => tokens.push(format!("data={value}")),
            },
            "identifier" => tokens.push(format!("id={}", hex(&value))),
            "severity" => tokens.push(format!("severity={}", hex(&value))),
            "functional unit" => tokens.push(format!("unit={}", hex(&value))),
            "functional group" => tokens.push(format!("group={}", hex(&value))),
            "readiness group" => tokens.push(format!("readiness={}", hex(&value))),
            "fault detection counter" => {
                let number: i64 = value.parse().unwrap();
                tokens.push(format!("{code} counter={number:02X}"));
            }
            "sub-function" if payload[0] == 0x50 => tokens.push(format!("session={}", hex(&value))),
            "P2" => tokens.push(format!("P2_ms={value}")),
            "P2*" => tokens.push(format!("P2star_ms={value}")),
            "refused service" => tokens.push(format!("request={}", hex(&value))),
            "response code" => {
                tokens.push(format!("code={}", hex(&value)));
                tokens.push(format!("final={}", u8::from(value != "0x78")));
            }
            "service" if payload == [0x54] => tokens.push("clear=ok".to_owned()),
            "service" | "sub-function" | "number of identifiers" => {}
            other => panic!("{other} in {payload:02X?}"),
        }
    }
    tokens
}

#[test]
fn payloads_of_the_standards() {
    for (input, expected, source) in rows("uds_or_obd_payload") {
        assert_eq!(
            tokens(&bytes(input)).join(";"),
            expected,
            "{input} {source}"
        );
    }
    for (input, _, source) in rows("uds_malformed") {
        let told = told(&bytes(input), None);
        assert!(
            told.iter().any(|(name, _)| name == "left over"),
            "{input} {source}"
        );
    }
}

struct Case {
    source: &'static str,
    payload: &'static str,
    /// Fields that must be there, `name=value`.
    fields: &'static str,
}

const SCAPY: &str = "scapy 2.8.0, OBD(bytes), of its public test suite";
const FORMULA: &str = "open encyclopedia, page on OBD-II PIDs";
const ISO: &str = "ISO 14229-1:2013, worked examples";
const LAYOUT: &str = "ISO 14229-1:2013, layout; bytes made up";

/// What the table of vectors does not hold.
const CASES: &[Case] = &[
    Case {
        source: SCAPY,
        payload: "420C002080040080050028",
        fields: "engine speed=2080;calculated engine load=50.1961;coolant temperature=0",
    },
    Case {
        source: SCAPY,
        payload: "4601010A0BB00BB00BB0",
        fields: "value=365.024;lower limit=365.024;upper limit=365.024",
    },
    Case {
        source: SCAPY,
        payload: "4602051000480000006402852400960 04BFFFF",
        fields: "value=72;upper limit=100;value=150;lower limit=75;upper limit=65535",
    },
    Case {
        source: SCAPY,
        payload: "41056E018333FF6315A0780C0A6B030200",
        fields: "coolant temperature=70;number of codes=3;voltage=0.8;short-term fuel trim=-6.25;engine speed=666.75;fuel system=0x02",
    },
    Case {
        source: "scapy leaves out the offset; published formula: (256 C + D)/256 - 128 mA",
        payload: "413480008080",
        fields: "air-fuel equivalence ratio=1;current=0.5",
    },
    Case {
        source: FORMULA,
        payload: "4124800040 00",
        fields: "air-fuel equivalence ratio=1;voltage=2",
    },
    Case {
        source: FORMULA,
        payload: "413203E8",
        fields: "evaporative system pressure=250",
    },
    Case {
        source: FORMULA,
        payload: "4132FF38",
        fields: "evaporative system pressure=-50",
    },
    Case {
        source: FORMULA,
        payload: "413C1130",
        fields: "catalyst temperature, bank 1 sensor 1=400",
    },
    Case {
        source: FORMULA,
        payload: "410E80",
        fields: "timing advance=0",
    },
    Case {
        source: FORMULA,
        payload: "415E0140",
        fields: "fuel rate=16",
    },
    Case {
        source: FORMULA,
        payload: "416182",
        fields: "driver's demand of torque=5",
    },
    Case {
        source: FORMULA,
        payload: "41A600000FA0",
        fields: "odometer=400",
    },
    Case {
        source: ISO,
        payload: "19010 8",
        fields: "sub-function=0x01;status mask=0x08",
    },
    Case {
        source: ISO,
        payload: "1908C001",
        fields: "severity mask=0xC0;status mask=0x01",
    },
    Case {
        source: ISO,
        payload: "190412345602",
        fields: "code=P1234-56;record=0x02",
    },
    Case {
        source: ISO,
        payload: "195633 01",
        fields: "functional group=0x33;readiness group=0x01",
    },
    Case {
        source: ISO,
        payload: "590502 12345624014711A666075020",
        fields: "stored data record=0x02;code=P1234-56;status=0x24;identifier=0x4711;data=A666075020",
    },
    Case {
        source: ISO,
        payload: "14FFFF33",
        fields: "group of codes=FFFF33",
    },
    Case {
        source: ISO,
        payload: "22F190",
        fields: "identifier=0xF190",
    },
    Case {
        source: LAYOUT,
        payload: "1083",
        fields: "sub-function=0x03;suppress positive response=yes",
    },
    Case {
        source: LAYOUT,
        payload: "3E80",
        fields: "sub-function=0x00;suppress positive response=yes",
    },
    Case {
        source: LAYOUT,
        payload: "510405",
        fields: "sub-function=0x04;power-down time=5",
    },
    Case {
        source: LAYOUT,
        payload: "2701",
        fields: "sub-function=0x01",
    },
    Case {
        source: LAYOUT,
        payload: "6701AABB",
        fields: "seed=AABB",
    },
    Case {
        source: LAYOUT,
        payload: "2702CCDD",
        fields: "key=CCDD",
    },
    Case {
        source: LAYOUT,
        payload: "3101FF00",
        fields: "sub-function=0x01;routine=0xFF00",
    },
    Case {
        source: LAYOUT,
        payload: "2F4101031234",
        fields: "identifier=0x4101;control=0x03;control state and mask=1234",
    },
    Case {
        source: LAYOUT,
        payload: "34004400010000 00001000",
        fields: "memory address=00010000;memory size=4096",
    },
    Case {
        source: LAYOUT,
        payload: "74200102",
        fields: "longest block=258",
    },
    Case {
        source: LAYOUT,
        payload: "3605AA",
        fields: "block number=5;data=AA",
    },
    Case {
        source: LAYOUT,
        payload: "28010 3",
        fields: "sub-function=0x01;communication type=0x03",
    },
    Case {
        source: LAYOUT,
        payload: "8502",
        fields: "sub-function=0x02",
    },
    Case {
        source: LAYOUT,
        payload: "2C01F3001234 0102",
        fields: "identifier=0xF300;source identifier=0x1234;position=1;length=2",
    },
    Case {
        source: "SAE J1979-2, identifier 0xF4 and the parameter",
        payload: "62F40C1AF8",
        fields: "identifier=0xF40C;engine speed=1726",
    },
    Case {
        source: "SAE J1979-2, identifier 0xF8 and the kind",
        payload: "62F80257304C3030303035315432313233343536",
        fields: "vehicle identification number=W0L000051T2123456",
    },
    Case {
        source: "ISO 14230-3, layout; bytes made up",
        payload: "1800FF00",
        fields: "which codes=0x00;group of codes=0xFF00",
    },
    Case {
        source: "ISO 14230-3, layout; bytes made up",
        payload: "58014035E0",
        fields: "number of codes=1;code=C0035;status=0xE0",
    },
    Case {
        source: "ISO 14230-3, layout; bytes made up",
        payload: "610301020304",
        fields: "local identifier=0x03;data=01020304",
    },
    Case {
        source: "ISO 14230-3, layout; bytes made up",
        payload: "5A9057304C",
        fields: "identification=0x90;data=W0L",
    },
    Case {
        source: "SAE J1979, layout; bytes made up",
        payload: "490401434142 3132330000000000000000 0000",
        fields: "calibration identification=CAB123",
    },
    Case {
        source: "SAE J1979, layout; bytes made up",
        payload: "490601 1791BC82",
        fields: "calibration verification number=1791BC82",
    },
    Case {
        source: "SAE J1979, layout; bytes made up",
        payload: "49081000050009",
        fields: "number of items=16;general conditions met=5;ignition cycles=9",
    },
];

#[test]
fn worked_examples_and_layouts() {
    for case in CASES {
        let payload = bytes(&case.payload.replace(' ', ""));
        let told = told(&payload, None);
        let mut told_then = told.iter();
        for wanted in case.fields.split(';') {
            let (name, value) = wanted.split_once('=').unwrap();
            let found = told_then.any(|(known, is)| known == name && is == value);
            assert!(found, "{}: {wanted} in {told:?}", case.source);
        }
        assert!(
            !told
                .iter()
                .any(|(name, value)| name == "left over" || value == "missing"),
            "{}: {told:?}",
            case.payload
        );
    }
}

/// Source: SAE J1979 (formulas); the arithmetic can be checked by hand.
#[test]
fn arithmetic_is_shown() {
    for (input, wanted) in [
        ("410C1AF8", "(0x1A × 256 + 0xF8) / 4 = 1726 rpm"),
        ("41057B", "0x7B − 40 = 83 °C"),
        ("410680", "0x80 × 100 / 128 − 100 = 0 %"),
        (
            "4132FF38",
            "16-bit two's complement of (0xFF × 256 + 0x38) / 4 = -50 Pa",
        ),
        ("410D32", "0x32 = 50 km/h"),
    ] {
        let message = message(&bytes(input));
        let decoded = decode(&message, None, &CATALOGUE);
        let mut lines = decoded
            .fields
            .iter()
            .filter_map(|field| field.arithmetic(&message.payload));
        assert_eq!(lines.next().as_deref(), Some(wanted));
    }
}

#[test]
fn wrong_lengths_are_said() {
    for (input, what) in [
        ("410C1A", "fewer bytes than this parameter has"),
        ("0300", "more bytes than this message has fields"),
        ("59024031", "more bytes than this message has fields"),
        ("5904C1", "the message ends before this field does"),
        ("7F19", "the message ends before this field does"),
        ("54FF", "more bytes than this message has fields"),
        ("4303403 5", "fewer codes came than were announced"),
        (
            "62F1900729",
            "fewer bytes than the standard gives this identifier",
        ),
        ("62F1", "the message ends before this field does"),
    ] {
        let message = message(&bytes(&input.replace(' ', "")));
        let decoded = decode(&message, None, &CATALOGUE);
        let said = decoded
            .fields
            .iter()
            .any(|field| field.meaning.to_string() == what);
        assert!(said, "{input}: {:?}", told(&message.payload, None));
    }
}

#[test]
fn a_foreign_family_has_no_fields_of_ours() {
    let message = message(&[0xA5, 0x01]);
    let decoded = decode(&message, None, &CATALOGUE);
    assert_eq!(
        decoded.head.name,
        "service that is not in ISO 14229 or SAE J1979"
    );
    assert_eq!(decoded.fields.len(), 2);
}

#[test]
fn broken_messages_say_why() {
    let mut cut = message(&[0x59, 0x02, 0xFF, 0x40, 0x31]);
    cut.fault = Some(Fault::Timeout);
    let decoded = decode(&cut, None, &CATALOGUE);
    assert_eq!(decoded.head.service, Some(0x59));
    let last = decoded.fields.last().unwrap();
    assert_eq!(
        last.meaning.to_string(),
        "the next frame did not come in time"
    );
    cut.fault = Some(Fault::Orphan);
    let decoded = decode(&cut, None, &CATALOGUE);
    assert_eq!(
        (decoded.head.service, decoded.head.direction),
        (None, Direction::Unknown)
    );
}

proptest! {
    /// Whatever comes: no panic, and every byte is in a field.
    #[test]
    fn every_byte_is_in_a_field(
        payload in prop::collection::vec(any::<u8>(), 0..80),
        first in prop::sample::select(vec![
            0x10_u8, 0x19, 0x22, 0x23, 0x2C, 0x34, 0x38, 0x41, 0x42, 0x43, 0x46, 0x49, 0x50, 0x58, 0x59, 0x62, 0x74, 0x7F,
        ]),
        family in prop::sample::select(vec![Family::Uds, Family::Kwp, Family::Other, Family::Unknown, Family::Obd]),
        known in any::<bool>(),
        request in prop::collection::vec(any::<u8>(), 0..8),
    ) {
            let mut payload = payload;
        if known && let Some(byte) = payload.first_mut() {
            *byte = first;
        }
        let message = message(&payload);
        let request = self::message(&request);
        let context = Context { catalogue: &CATALOGUE, family, length_of: &|id| (id % 3 == 0).then_some(2) };
        let mut seen = vec![false; payload.len()];
        fields(&message, Some(&request), &context, &mut |field| {
            assert!(field.bytes.start <= field.bytes.end && field.bytes.end <= payload.len(), "{field:?}");
            for byte in field.bytes.clone() {
                seen[byte] = true;
            }
            let _ = (field.value.to_string(), field.meaning.to_string(), field.arithmetic(&payload));
        });
        prop_assert!(seen.iter().all(|seen| *seen), "{payload:02X?} {seen:?}");
    }
}
