//! Frames that others printed or computed.

use super::super::segment::{Cut, FrameLength, frames};
use super::*;

struct Case {
    source: &'static str,
    payload: Vec<u8>,
    cut: Cut,
    frames: &'static [&'static str],
    /// The whole number of frames, where `frames` holds only the first and the last.
    count: usize,
}

fn counting(length: usize) -> Vec<u8> {
    (0..length)
        .map(|number| u8::try_from(number % 256).unwrap())
        .collect()
}

const FD: Cut = Cut {
    extension: None,
    frame_length: FrameLength::LONGEST,
    filling: None,
};

const fn with_byte(extension: u8) -> Cut {
    Cut {
        extension: Some(extension),
        frame_length: FrameLength::CLASSIC,
        filling: None,
    }
}

fn cases() -> Vec<Case> {
    let case = |source, payload, cut, frames: &'static [&'static str]| Case {
        source,
        payload,
        cut,
        frames,
        count: frames.len(),
    };
    let short = Cut::classic(None);
    let isotp = "can-isotp 2.0.7";
    vec![
        case(isotp, counting(6), short, &["06000102030405"]),
        case(isotp, counting(7), short, &["0700010203040506"]),
        case(isotp, counting(8), short, &["1008000102030405", "210607"]),
        case(
            isotp,
            bytes("010C"),
            Cut::classic(Some(0xCC)),
            &["02010CCCCCCCCCCC"],
        ),
        case(
            "can-isotp 2.0.7, scapy 2.8.0",
            bytes("49020157304C3030303035315432313233343536"),
            short,
            &["101449020157304C", "2130303030353154", "2232313233343536"],
        ),
        Case {
            count: 586,
            ..case(isotp, counting(4095), short, &["1FFF000102030405", "29FE"])
        },
        Case {
            count: 586,
            ..case(
                isotp,
                counting(4096),
                short,
                &["1000000010000001", "29FAFBFCFDFEFF"],
            )
        },
        Case {
            count: 715,
            ..case(
                isotp,
                counting(5000),
                short,
                &["1000000013880001", "2A81828384858687"],
            )
        },
        case(
            "can-isotp 2.0.7, extended",
            bytes("010203040506"),
            with_byte(0x55),
            &["5506010203040506"],
        ),
        case(
            "can-isotp 2.0.7, extended",
            bytes("01020304050607"),
            with_byte(0x55),
            &["5510070102030405", "55210607"],
        ),
        case(
            "can-isotp 2.0.7, extended",
            bytes("0102030405060708090A0B0C0D"),
            with_byte(0x55),
            &["55100D0102030405", "55210607 08090A0B", "55220C0D"],
        ),
        case(
            "can-isotp 2.0.7, mixed",
            bytes("0102030405060708"),
            with_byte(0x99),
            &["9910080102030405", "9921060708"],
        ),
        case(isotp, counting(7), FD, &["0700010203040506"]),
        case(isotp, counting(8), FD, &["00080001020304050607CCCC"]),
        case(
            isotp,
            counting(20),
            FD,
            &["0014000102030405060708090A0B0C0D0E0F10111213CCCC"],
        ),
    ]
}

#[test]
fn payloads_are_cut_as_others_cut_them() {
    for case in cases() {
        let ours: Vec<Vec<u8>> = frames(&case.payload, case.cut).collect();
        assert_eq!(ours.len(), case.count, "{}", case.source);
        let ends = [ours.first().unwrap().clone(), ours.last().unwrap().clone()];
        let ours = if case.frames.len() == ours.len() {
            &ours[..]
        } else {
            &ends
        };
        let theirs: Vec<Vec<u8>> = case.frames.iter().map(|hex| bytes(hex)).collect();
        assert_eq!(ours, theirs, "{}", case.source);
    }
}

#[test]
fn long_fd_payloads_begin_as_others_begin_them() {
    // Source: can-isotp 2.0.7, 62 and 63 bytes in 64-byte frames.
    let whole: Vec<Vec<u8>> = frames(&counting(62), FD).collect();
    assert_eq!((whole.len(), &whole[0][..3]), (1, &[0x00, 0x3E, 0x00][..]));
    let cut: Vec<Vec<u8>> = frames(&counting(63), FD).collect();
    assert_eq!(
        (cut.len(), &cut[0][..3], &cut[1][..]),
        (2, &[0x10, 0x3F, 0x00][..], &[0x21, 0x3E][..])
    );
}

#[test]
fn sequence_numbers_wrap_from_15_to_0() {
    // Source: can-isotp 2.0.7: 21 22 ... 2F 20 21 22 for 18 consecutive frames.
    let numbers: Vec<u8> = frames(&counting(6 + 18 * 7), Cut::classic(None))
        .skip(1)
        .map(|field| field[0])
        .collect();
    let expected: Vec<u8> = (1..=18).map(|number| 0x20 | (number % 16)).collect();
    assert_eq!(numbers, expected);
}

#[test]
fn separation_times() {
    // Source: ISO 15765-2 as in Linux net/can/isotp.c: reserved values are 127 ms.
    let cases = [
        (0x00, 0),
        (0x0A, 10_000),
        (0x7F, 127_000),
        (0x80, 127_000),
        (0xF0, 127_000),
        (0xF1, 100),
        (0xF5, 500),
        (0xF9, 900),
        (0xFA, 127_000),
        (0xFF, 127_000),
    ];
    for (byte, micros) in cases {
        assert_eq!(Separation(byte).micros(), micros, "{byte:02X}");
    }
}
