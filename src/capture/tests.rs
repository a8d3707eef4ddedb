//! Tests of whole captures: refusals, packed streams, and (where it is at hand) the corpus of real ones.

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{Capture, Item, Kind, OpenError, Remark};
use crate::frame::FrameKind;

pub(super) fn open(bytes: &[u8]) -> Result<Capture, OpenError> {
    Capture::from_reader(Box::new(std::io::Cursor::new(bytes.to_vec())), "pipe")
}

/// Everything about the items, to be compared.
pub(super) fn all(mut capture: Capture) -> (Vec<String>, Capture) {
    let mut lines = Vec::new();
    loop {
        let line = match capture.next_item().unwrap() {
            None => return (lines, capture),
            Some(Item::Can(frame)) => format!(
                "{} {:?} {} {:?} {:02X?}",
                frame.number,
                frame.time.map(|time| time.nanos() / 1_000),
                frame.id,
                frame.kind,
                frame.data
            ),
            Some(Item::Ethernet(packet)) => format!(
                "{} {:?} {:02X?}",
                packet.number,
                packet.time.map(|time| time.nanos() / 1_000),
                packet.data
            ),
        };
        lines.push(line);
    }
}

#[test]
fn what_is_no_capture_is_refused_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let text = |error: OpenError| error.to_string();
    assert!(
        text(Capture::open(folder).unwrap_err())
            .ends_with("is a folder; name the capture files in it")
    );
    let absent = folder.join("absent.log");
    assert!(matches!(
        Capture::open(&absent),
        Err(OpenError::Read { .. })
    ));
    let empty = folder.join("empty.log");
    std::fs::write(&empty, "").unwrap();
    assert!(
        text(Capture::open(&empty).unwrap_err())
            .ends_with("empty.log: is empty; a capture has at least one frame")
    );
    assert_eq!(
        text(open(b"PK\x03\x04 and so on").unwrap_err()),
        "pipe: is packed with zip; unpack it first (gzip and zstd are unpacked on the way)"
    );
    assert_eq!(
        text(open(b"\xD4\xC3\xB2\xA1\x02\x00").unwrap_err()),
        "pipe: ends within the header of its pcap file"
    );
    for other in [
        &b"x"[..],
        b"\x00\x01\x02\x03\x04",
        b"date Wed Nov 25\nbase hex\n",
    ] {
        assert!(
            matches!(open(other), Err(OpenError::UnknownKind { .. })),
            "{other:?}"
        );
    }
}

#[test]
fn a_packed_capture_reads_like_the_plain_one() {
    let text = b"(1700000000.100000) can0 7DF#02010C\n(1700000000.110000) can0 7E8#04410C1AF8\n"
        .repeat(3_000);
    let (plain, _) = all(open(&text).unwrap());
    assert_eq!(plain.len(), 6_000);
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(&text).unwrap();
    let gzip = encoder.finish().unwrap();
    let zstd = ruzstd::encoding::compress_to_vec(
        text.as_slice(),
        ruzstd::encoding::CompressionLevel::Fastest,
    );
    for packed in [&gzip, &zstd] {
        let (found, capture) = all(open(packed).unwrap());
        assert_eq!(found, plain);
        assert_eq!(capture.kind(), Kind::CandumpLog);
        assert_eq!(capture.bytes_read(), packed.len() as u64);
        let (found, capture) = all(open(&packed[..packed.len() - 10]).unwrap());
        assert!(plain.starts_with(&found[..found.len() - 1]));
        assert!(capture.tally().has(Remark::Compression));
        assert!(capture.tally().unreadable() > 0);
    }
}

/// The folder of real captures; see the test's name for what is expected of it.
fn corpus() -> PathBuf {
    #[expect(
        clippy::disallowed_methods,
        reason = "where the corpus is, only its owner knows"
    )]
    let folder = std::env::var("TONERING_CORPUS");
    PathBuf::from(folder.expect("TONERING_CORPUS names the folder of captures"))
}

fn frames_of(path: &Path) -> (Vec<String>, Capture) {
    all(Capture::open(path).unwrap())
}

#[test]
#[ignore = "needs the capture corpus"]
fn corpus_every_frame_is_read() {
    // Counts by the people who put the corpus together, in its list of files.
    for (file, count) in [
        ("kona_dcan_vcu_mcu_scan.log", 638),
        ("kona_dcan_vcu_mcu_scan.pcap", 638),
        ("kona_dcan_vcu_mcu_scan.pcapng", 638),
        ("kona_dcan_vcu_mcu_scan.mf4", 638),
        ("leaf_kwp_live.mf4", 5_588),
        ("obd2_mode01_finalized.mf4", 5_477),
        ("kona_bms_io_control.log", 954),
        ("kona_bms_start_stop.log", 720),
        ("ecu_trace.pcapng", 141),
        ("doip_sessions.pcap", 172),
        ("canfd_sll.pcap", 4),
        ("gmlan_programming.log", 1_087),
        ("evox_kwp_stream.log", 7_695),
        ("gt350_uds_body.log", 8_287),
        ("civic_wheels.log", 33_634),
        ("toyota_wheels.log", 68_178),
    ] {
        let (frames, capture) = frames_of(&corpus().join(file));
        assert_eq!(frames.len(), count, "{file}: {:?}", capture.tally());
        assert_eq!(capture.tally().frames, count as u64, "{file}");
        assert_eq!(
            capture.tally().unreadable(),
            0,
            "{file}: {:?}",
            capture.tally()
        );
    }
}

#[test]
#[ignore = "needs the capture corpus"]
fn corpus_the_container_makes_no_difference() {
    let (text, _) = frames_of(&corpus().join("kona_dcan_vcu_mcu_scan.log"));
    for kind in ["pcap", "pcapng"] {
        let (frames, capture) = frames_of(&corpus().join(format!("kona_dcan_vcu_mcu_scan.{kind}")));
        assert_eq!(frames, text, "{kind}");
        assert_eq!(capture.channels().names(), ["0"]);
    }
    let (frames, capture) = frames_of(&corpus().join("kona_dcan_vcu_mcu_scan.mf4"));
    assert_eq!(frames.len(), text.len());
    assert_eq!(capture.kind(), Kind::Mdf4);
    for (found, known) in frames.iter().zip(&text) {
        // The times count from a made-up start; id, kind and data are the same.
        let rest = |line: &str| line.split_once(" 0x").map(|(_, rest)| rest.to_owned());
        assert_eq!(rest(found), rest(known));
    }
}

#[test]
#[ignore = "needs the capture corpus"]
fn corpus_can_fd_in_a_cooked_capture() {
    let mut capture = Capture::open(&corpus().join("canfd_sll.pcap")).unwrap();
    while let Some(item) = capture.next_item().unwrap() {
        let Item::Can(frame) = item else {
            panic!("only CAN in this one");
        };
        assert_eq!(frame.id.raw(), 0x123);
        assert_eq!(frame.data.len(), 12);
        let expected = FrameKind::Fd {
            bit_rate_switch: true,
            error_passive: false,
        };
        assert_eq!(frame.kind, expected);
    }
}

#[test]
#[ignore = "needs the capture corpus"]
fn corpus_records_agree_with_published_decodes() {
    // Messages of one frame, as scapy's transport layer gave them; `t` is the master channel's value.
    for (file, expected) in [
        ("leaf_kwp_live.mf4", 26),
        ("obd2_mode01_finalized.mf4", 541),
    ] {
        let mut capture = Capture::open(&corpus().join(file)).unwrap();
        let mut seen = std::collections::BTreeSet::new();
        while let Some(item) = capture.next_item().unwrap() {
            let Item::Can(frame) = item else {
                panic!("a bus log has no packets");
            };
            let micros = frame.time.unwrap().nanos() / 1_000;
            seen.insert((micros, frame.id.raw(), frame.data.to_vec()));
        }
        let oracle = corpus()
            .join("oracle")
            .join(format!("{file}.messages.jsonl"));
        let oracle = String::from_utf8(std::fs::read(oracle).unwrap()).unwrap();
        let mut count = 0;
        for line in oracle.lines() {
            let message: serde_json::Value = serde_json::from_str(line).unwrap();
            let payload = message["payload"].as_str().unwrap();
            let length = payload.len() / 2;
            if length > 7 {
                continue;
            }
            let id = u32::from_str_radix(message["id"].as_str().unwrap(), 16).unwrap();
            let seconds = message["t"].as_f64().unwrap();
            let micros = crate::frame::Timestamp::from_seconds(seconds).nanos() / 1_000;
            let found = seen.iter().any(|(at, of, data)| {
                let bytes = data.get(1..=length).unwrap_or_default();
                let text = bytes.iter().map(|byte| format!("{byte:02x}"));
                let text = text.collect::<Vec<_>>().concat();
                at.abs_diff(micros) <= 1 && *of == id && text == payload.to_lowercase()
            });
            assert!(found, "{file}: {line}");
            count += 1;
        }
        assert_eq!(count, expected, "{file}");
    }
}
