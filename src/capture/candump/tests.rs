//! Tests of candump text: lines as the tools write them, the two paths against each other, damage.

use proptest::prelude::*;

use super::fast::Memory;
use super::line::{Line, read_line};
use crate::capture::{Capture, Item, Kind, Remark, Tally};
use crate::frame::{CanId, Channel, FrameKind, Timestamp};

/// A frame with its data, and the name of its bus.
#[derive(Clone, Debug, PartialEq)]
struct Seen {
    number: u64,
    nanos: Option<i64>,
    name: String,
    id: CanId,
    kind: FrameKind,
    data: Vec<u8>,
}

fn read(text: &[u8]) -> (Kind, Vec<Seen>, Tally) {
    let reader = Box::new(std::io::Cursor::new(text.to_vec()));
    let mut capture = Capture::from_reader(reader, "text").unwrap();
    let mut frames = Vec::new();
    while let Some(item) = capture.next_item().unwrap() {
        let Item::Can(frame) = item else {
            panic!("a text holds no packets");
        };
        let channel = frame.channel;
        let mut seen = Seen {
            number: frame.number,
            nanos: frame.time.map(Timestamp::nanos),
            name: String::new(),
            id: frame.id,
            kind: frame.kind,
            data: frame.data.to_vec(),
        };
        capture.channels().name(channel).clone_into(&mut seen.name);
        frames.push(seen);
    }
    (capture.kind(), frames, capture.tally().clone())
}

struct Case {
    source: &'static str,
    line: &'static str,
    nanos: Option<i64>,
    id: u32,
    kind: FrameKind,
    data: &'static [u8],
}

const fn fd(bit_rate_switch: bool, error_passive: bool) -> FrameKind {
    FrameKind::Fd {
        bit_rate_switch,
        error_passive,
    }
}

const AT: Option<i64> = Some(1_700_000_000_100_000_000);

const CASES: &[Case] = &[
    Case {
        source: "can-utils, log form",
        line: "(1700000000.100000) can0 7DF#0209025555555555",
        nanos: AT,
        id: 0x7DF,
        kind: FrameKind::Data,
        data: &[2, 9, 2, 0x55, 0x55, 0x55, 0x55, 0x55],
    },
    Case {
        source: "can-utils, log form with direction",
        line: "(1700000000.100000) can0 7E8#03410C1A T",
        nanos: AT,
        id: 0x7E8,
        kind: FrameKind::Data,
        data: &[3, 0x41, 0x0C, 0x1A],
    },
    Case {
        source: "can-utils, log form, 29 bits; no data",
        line: "(1700000000.100000) can0 18DAF110#",
        nanos: AT,
        id: 0x18DA_F110,
        kind: FrameKind::Data,
        data: &[],
    },
    Case {
        source: "can-utils, log form, CAN FD with bit-rate switch",
        line: "(1700000000.100000) can0 7E8##10008590212345678AAAAAAAA R",
        nanos: AT,
        id: 0x7E8,
        kind: fd(true, false),
        data: &[
            0, 8, 0x59, 2, 0x12, 0x34, 0x56, 0x78, 0xAA, 0xAA, 0xAA, 0xAA,
        ],
    },
    Case {
        source: "linux/can.h: CAN FD flags 0x02 error passive, 0x04 the format itself",
        line: "(1700000000.100000) can0 7E8##6",
        nanos: AT,
        id: 0x7E8,
        kind: fd(false, true),
        data: &[],
    },
    Case {
        source: "can-utils, log form, remote frame without and with a length",
        line: "(1700000000.100000) can0 123#R",
        nanos: AT,
        id: 0x123,
        kind: FrameKind::Remote { length: 0 },
        data: &[],
    },
    Case {
        source: "can-utils, log form, remote frame with a length and a direction",
        line: "(1700000000.100000) can0 123#R8 R",
        nanos: AT,
        id: 0x123,
        kind: FrameKind::Remote { length: 8 },
        data: &[],
    },
    Case {
        source: "can-utils, bytes parted by dots, raw length code",
        line: "(1700000000.100000) can0 123#11.22.33.44.55.66.77.88_E",
        nanos: AT,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88],
    },
    Case {
        source: "linux/can/error.h: class 0x004, a problem of the controller",
        line: "(1700000000.100000) can0 20000004#0001000000000000",
        nanos: AT,
        id: 4,
        kind: FrameKind::Error,
        data: &[0, 1, 0, 0, 0, 0, 0, 0],
    },
    Case {
        source: "can-utils, nanoseconds",
        line: "(1700000000.100000001) can0 123#AA",
        nanos: Some(1_700_000_000_100_000_001),
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0xAA],
    },
    Case {
        source: "a clock before its zero",
        line: "(-12.500000) can0 123#AA",
        nanos: Some(-12_500_000_000),
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0xAA],
    },
    Case {
        source: "can-utils, screen form without time",
        line: "  can0  7DF   [8]  02 01 0C 00 00 00 00 00",
        nanos: None,
        id: 0x7DF,
        kind: FrameKind::Data,
        data: &[2, 1, 0x0C, 0, 0, 0, 0, 0],
    },
    Case {
        source: "can-utils, screen form with time and characters",
        line: " (1700000000.100000)  can0  18DAF110   [3]  03 62 F1   '.b.'",
        nanos: AT,
        id: 0x18DA_F110,
        kind: FrameKind::Data,
        data: &[3, 0x62, 0xF1],
    },
    Case {
        source: "can-utils, screen form with a date (2023-11-14 22:13:20 UTC is 1700000000)",
        line: " (2023-11-14 22:13:20.100000)  can0  123   [1]  AA",
        nanos: AT,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0xAA],
    },
    Case {
        source: "can-utils, screen form with direction",
        line: "  can0  RX - -  123   [4]  11 22 33 44",
        nanos: None,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0x11, 0x22, 0x33, 0x44],
    },
    Case {
        source: "can-utils, screen form with direction, CAN FD with bit-rate switch",
        line: "  can0  TX B E  123  [02]  11 22",
        nanos: None,
        id: 0x123,
        kind: fd(true, true),
        data: &[0x11, 0x22],
    },
    Case {
        source: "can-utils, screen form, CAN FD",
        line: "  vcan0       7E8  [12]  00 08 59 02 12 34 56 78 AA AA AA AA",
        nanos: None,
        id: 0x7E8,
        kind: fd(false, false),
        data: &[
            0, 8, 0x59, 2, 0x12, 0x34, 0x56, 0x78, 0xAA, 0xAA, 0xAA, 0xAA,
        ],
    },
    Case {
        source: "can-utils, screen form, remote frame",
        line: "  can0  123   [4]  remote request",
        nanos: None,
        id: 0x123,
        kind: FrameKind::Remote { length: 4 },
        data: &[],
    },
    Case {
        source: "can-utils, screen form, error frame",
        line: "  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME",
        nanos: None,
        id: 4,
        kind: FrameKind::Error,
        data: &[0, 1, 0, 0, 0, 0, 0, 0],
    },
    Case {
        source: "can-utils, screen form in binary",
        line: "  can0  123   [2]  00000001 10000010",
        nanos: None,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0x01, 0x82],
    },
    Case {
        source: "can-utils, screen form with swapped bytes",
        line: "  can0  123   [3]  33`22`11",
        nanos: None,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[0x11, 0x22, 0x33],
    },
    Case {
        source: "can-utils, screen form, nothing in it",
        line: "  can0  123   [0]",
        nanos: None,
        id: 0x123,
        kind: FrameKind::Data,
        data: &[],
    },
];

#[test]
fn every_form_of_a_line_is_read() {
    for case in CASES {
        for end in ["\n", "\r\n", ""] {
            let found = read_line(case.line.as_bytes());
            assert!(
                matches!(found, Line::Frame(_)),
                "{}: {found:?}",
                case.source
            );
            let (_, frames, tally) = read(format!("{}{end}", case.line).as_bytes());
            let [frame] = frames.as_slice() else {
                panic!("{}: {frames:?} {tally:?}", case.source);
            };
            assert_eq!(frame.nanos, case.nanos, "{}", case.source);
            assert_eq!(frame.id.raw(), case.id, "{}", case.source);
            let is_extended = case.id > 0x7FF || case.kind == FrameKind::Error;
            assert_eq!(frame.id.is_extended(), is_extended, "{}", case.source);
            assert_eq!(frame.kind, case.kind, "{}", case.source);
            assert_eq!(frame.data, case.data, "{}", case.source);
            assert!(frame.name.ends_with("can0"), "{}", case.source);
            assert_eq!(tally.unreadable(), 0, "{}", case.source);
        }
    }
}

#[test]
fn lines_that_are_no_frames_are_refused() {
    for line in [
        "(1700000000.100000) can0 7DF#0",
        "(1700000000.100000) can0 7DF#020",
        "(1700000000.100000) can0 7DF#020102030405060708",
        "(1700000000.100000) can0 FFF#00",
        "(1700000000.100000) can0 7E#00",
        "(1700000000.100000) can0 47DF0000#00",
        "(1700000000.100000) can0 7DF#0G",
        "(1700000000.100000) can0 7DF##",
        "(1700000000.100000) can0 7DF#R9",
        "(1700000000.100000) 7DF#00",
        "(1700000000.100000 can0 7DF#00",
        "(99999999999999999999.1) can0 7DF#00",
        "(2023-13-14 22:13:20.1) can0 7DF#00",
        "  can0  7DF   [9]  02 01 0C 00 00 00 00 00 00",
        "  can0  7DF   [3]  02 01",
        "  can0  7DF   [1]  02 01",
        "  can0  7DF   [65]  02 01",
        "no frame at all",
        "\u{0}\u{0}\u{0}",
    ] {
        let found = read_line(line.as_bytes());
        assert!(matches!(found, Line::Malformed(_)), "{line:?}: {found:?}");
    }
    for line in [
        "",
        "   ",
        "# a comment",
        "; another",
        "\tcontroller-problem{rx-overflow}\r",
    ] {
        assert_eq!(read_line(line.as_bytes()), Line::Blank, "{line:?}");
    }
}

#[test]
fn damage_is_counted_with_its_first_place() {
    let long = "x".repeat(super::MAX_LINE * 100);
    let text = format!(
        "\u{FEFF}# made by hand\n\nwhat is this\n(1.000000) can0 123#00\n{long}\n(2.0000) can0 123#\n\
         (2.000000) can0 123#0\n(0.500000) can1 123#01\n(3.000000) can0 123#020"
    );
    let (kind, frames, tally) = read(text.as_bytes());
    assert_eq!(kind, Kind::CandumpLog);
    let numbers: Vec<u64> = frames.iter().map(|frame| frame.number).collect();
    assert_eq!(numbers, [4, 6, 8]);
    assert_eq!(tally.frames, 3);
    let counted: Vec<(Remark, u64, u64)> = tally
        .remarks
        .iter()
        .map(|known| (known.remark, known.count, known.first_number))
        .collect();
    assert_eq!(
        counted,
        [
            (Remark::Malformed, 2, 3),
            (Remark::LineTooLong, 1, 5),
            (Remark::ClockBack, 1, 8),
            (Remark::CutOff, 1, 9),
        ]
    );
    let offset = tally.remarks[0].first_offset;
    let offset = usize::try_from(offset).unwrap();
    assert!(text[offset..].starts_with("what is this"));
}

#[test]
fn differences_are_summed_up() {
    let text = "\
 (000.000000)  can0  7DF   [1]  01
 (000.012500)  can0  7E8   [1]  02
 (000.000500)  can1  7E0   [1]  03
 (000.007000)  can0  7E8   [1]  broken
 (000.010000)  can0  7E8   [1]  04
 (001.000000)  can0  7E8   [1]  05
";
    let (kind, frames, _) = read(text.as_bytes());
    assert_eq!(kind, Kind::CandumpScreen);
    let micros: Vec<i64> = frames
        .iter()
        .map(|frame| frame.nanos.unwrap() / 1_000)
        .collect();
    assert_eq!(micros, [0, 12_500, 13_000, 30_000, 1_030_000]);
}

#[test]
fn a_text_that_begins_with_other_things_is_still_candump() {
    let junk = "$ candump -L can0 | tee drive.log\r\n".repeat(1_000);
    let (kind, frames, tally) = read(format!("{junk}(1.000000) can0 123#00\r\n").as_bytes());
    assert_eq!(kind, Kind::CandumpLog);
    assert_eq!(frames.len(), 1);
    assert_eq!(tally.unreadable(), 1_000);
}

/// Lines near the fast path's form, with everything in them that could go wrong.
fn nearly_a_line() -> impl Strategy<Value = String> {
    let id = prop_oneof![
        "[0-9A-Fa-f]{3}",
        "[0-9A-F]{8}",
        "[0-2][0-9a-f]{7}",
        "[0-9A-FG#]{0,9}"
    ];
    let data = prop_oneof![
        "([0-9A-F]{2}){0,8}",
        "([0-9a-f]{2}){0,9}",
        "[0-9A-FR#._ ]{0,20}"
    ];
    let end = prop_oneof!["", "\r", " [RT]", " [RT]\r", "[ -~\t]{0,6}"];
    let time = prop_oneof![
        Just("12.345678".to_owned()),
        "[0-9]{1,3}\\.[0-9]{5,7}",
        "12\\.[0-9 )]{6}"
    ];
    let name = prop_oneof![
        Just("can0".to_owned()),
        "(v?can[0-9]{1,2}|slcan0|averylongname012)",
        "[!-~]{1,20}"
    ];
    (time, name, id, data, end)
        .prop_map(|(time, name, id, data, end)| format!("({time}) {name} {id}#{data}{end}"))
}

fn agree(memory: &mut Memory, line: &[u8]) -> Result<(), TestCaseError> {
    let padded = [line, b"\n", &[b' '; 64]].concat();
    let Some(found) = memory.read(&padded) else {
        return Ok(());
    };
    prop_assert_eq!(found.line, line.len() + 1);
    let general = read_line(line);
    let Line::Frame(general) = general else {
        return Err(TestCaseError::fail(format!(
            "{found:?} against {general:?}"
        )));
    };
    prop_assert_eq!(Some(found.nanos), general.stamp.map(|stamp| stamp.nanos));
    let name = ["can0", "vcan1"][usize::from(found.channel.0)];
    prop_assert_eq!(name, general.name);
    prop_assert_eq!(found.id, general.id);
    prop_assert_eq!(FrameKind::Data, general.kind);
    prop_assert_eq!(&found.data[..found.length], &general.data[..general.length]);
    Ok(())
}

fn memory() -> Memory {
    let mut memory = Memory::default();
    memory.learn_seconds(b"(12.345678) can0 123#", 12_345_678_000);
    memory.learn_name("can0", Channel(0));
    memory.learn_name("vcan1", Channel(1));
    memory
}

#[test]
fn the_fast_path_takes_the_lines_it_is_for() {
    let mut memory = memory();
    for line in [
        "(12.000000) can0 123#",
        "(12.999999) vcan1 7ff#0011223344556677",
        "(12.000001) can0 18DAF110#AbCd R",
        "(12.000001) can0 000#00 T",
        "(12.000001) can0 1FFFFFFF#00\r",
    ] {
        let padded = format!("{line}\n{}", " ".repeat(64));
        assert!(memory.read(padded.as_bytes()).is_some(), "{line}");
        agree(&mut memory, line.as_bytes()).unwrap();
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn the_two_paths_agree(line in nearly_a_line()) {
        agree(&mut memory(), line.as_bytes())?;
    }

    #[test]
    fn the_two_paths_agree_on_a_sound_line_with_one_byte_changed(at in 0_usize..40, byte: u8) {
        let mut line = b"(12.000001) can0 18DAF110#0123456789ABCD R".to_vec();
        line[at] = byte;
        if !line.contains(&b'\n') {
            agree(&mut memory(), &line)?;
        }
    }

    #[test]
    fn any_text_is_read_whole_or_in_pieces_with_the_same_result(
        lines in prop::collection::vec(prop_oneof![nearly_a_line(), "\\PC{0,30}"], 1..20),
        piece in 1_usize..50,
    ) {
        let text = format!("(12.000000) can0 123#\n{}", lines.join("\n"));
        let (kind, frames, tally) = read(text.as_bytes());
        let reader = Box::new(Pieces { rest: text.into_bytes(), piece });
        let mut capture = Capture::from_reader(reader, "pieces").unwrap();
        let mut count = 0;
        while let Some(item) = capture.next_item().unwrap() {
            let Item::Can(frame) = item else { unreachable!() };
            let whole = &frames[count];
            prop_assert_eq!(frame.number, whole.number);
            prop_assert_eq!(frame.time.map(Timestamp::nanos), whole.nanos);
            prop_assert_eq!(frame.data, whole.data.as_slice());
            count += 1;
        }
        prop_assert_eq!(count, frames.len());
        prop_assert_eq!(capture.kind(), kind);
        prop_assert_eq!(&capture.tally().remarks, &tally.remarks);
        prop_assert_eq!(capture.tally().frames, tally.frames);
    }
}

/// Gives a few bytes at a time, as a pipe does.
struct Pieces {
    rest: Vec<u8>,
    piece: usize,
}

impl std::io::Read for Pieces {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let count = self.piece.min(into.len()).min(self.rest.len());
        into[..count].copy_from_slice(&self.rest[..count]);
        self.rest.drain(..count);
        Ok(count)
    }
}
