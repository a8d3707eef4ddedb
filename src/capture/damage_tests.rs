//! Tests with known captures that are rewritten, cut off or damaged: the same frames, or as many as can be had.

use std::io::Write;
use std::path::PathBuf;

use proptest::prelude::*;

use super::tests::{all, open};
use super::torture::read_anything;
use super::{Kind, Remark};

fn known(name: &str) -> Vec<u8> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/captures");
    std::fs::read(folder.join(name)).unwrap()
}

/// Without the bus, which a text names.
fn frames(bytes: &[u8]) -> Vec<String> {
    let (frames, capture) = all(open(bytes).unwrap());
    assert_eq!(capture.tally().unreadable(), 0, "{:?}", capture.tally());
    frames
}

/// Turns every whole number of a little-endian pcap around.
fn big_endian_pcap(pcap: &[u8], magic: [u8; 4]) -> Vec<u8> {
    let turned = |bytes: &[u8]| bytes.iter().rev().copied().collect::<Vec<_>>();
    let mut out = magic.to_vec();
    for (from, to) in [(4, 6), (6, 8), (8, 12), (12, 16), (16, 20), (20, 24)] {
        out.extend(turned(&pcap[from..to]));
    }
    let mut rest = &pcap[24..];
    while let Some((head, behind)) = rest.split_first_chunk::<16>() {
        for field in head.chunks(4) {
            out.extend(turned(field));
        }
        let size = u32::from_le_bytes(head[8..12].try_into().unwrap()) as usize;
        out.extend(&behind[..size]);
        rest = &behind[size..];
    }
    out
}

#[test]
fn the_byte_order_of_a_pcap_makes_no_difference() {
    let little = known("scan.pcap");
    let expected = frames(&little);
    assert_eq!(expected.len(), 638);
    let big = big_endian_pcap(&little, [0xA1, 0xB2, 0xC3, 0xD4]);
    assert_eq!(frames(&big), expected);
    // Read as nanoseconds, the fraction shrinks by a thousand and nothing else changes.
    let nanos = big_endian_pcap(&little, [0xA1, 0xB2, 0x3C, 0x4D]);
    let first = all(open(&nanos).unwrap()).0.remove(0);
    assert!(
        first.starts_with("1 Some(8598000117) 0x7DF Data"),
        "{first}"
    );
}

#[test]
fn a_pcap_agrees_with_a_second_reader() {
    use pcap_parser::traits::PcapReaderIterator;
    use pcap_parser::{LegacyPcapReader, PcapBlockOwned, PcapError};

    let bytes = known("scan.pcap");
    let mut reader = LegacyPcapReader::new(65_536, bytes.as_slice()).unwrap();
    let mut expected = Vec::new();
    loop {
        match reader.next() {
            Ok((used, block)) => {
                if let PcapBlockOwned::Legacy(packet) = block {
                    let micros = u64::from(packet.ts_sec) * 1_000_000 + u64::from(packet.ts_usec);
                    let length = usize::from(packet.data[4]);
                    expected.push(format!(
                        "Some({micros}) 0x{:03X} Data {:02X?}",
                        u32::from_be_bytes(packet.data[..4].try_into().unwrap()),
                        &packet.data[8..8 + length]
                    ));
                }
                reader.consume(used);
            }
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => reader.refill().unwrap(),
            Err(error) => panic!("{error}"),
        }
    }
    let found: Vec<String> = frames(&bytes)
        .iter()
        .map(|line| line.split_once(' ').unwrap().1.to_owned())
        .collect();
    assert_eq!(found, expected);
}

#[test]
fn every_container_gives_the_same_frames() {
    let text = frames(&known("scan.log"));
    assert_eq!(text.len(), 638);
    assert_eq!(frames(&known("scan.pcap")), text);
    assert_eq!(frames(&known("scan.pcapng")), text);
    let body = |line: &String| line.split_once(" 0x").unwrap().1.to_owned();
    let log: Vec<String> = frames(&known("scan.mf4")).iter().map(body).collect();
    assert_eq!(log, text.iter().map(body).collect::<Vec<_>>());
    assert_eq!(frames(&known("left_open.mf4")).len(), 5_588);
    assert_eq!(frames(&known("sorted.mf4")).len(), 5_477);
}

/// A block of MDF 4.
fn block(kind: [u8; 4], links: &[u64], body: &[u8]) -> Vec<u8> {
    let length = 24 + links.len() * 8 + body.len();
    let mut block = kind.to_vec();
    block.extend([0; 4]);
    block.extend((length as u64).to_le_bytes());
    block.extend((links.len() as u64).to_le_bytes());
    for link in links {
        block.extend(link.to_le_bytes());
    }
    block.extend(body);
    block
}

/// The bus log `scan.mf4`, taken apart: its records, and a way to give it other data blocks.
struct Rewritten {
    file: Vec<u8>,
}

impl Rewritten {
    /// Where the data link of its first data group is, and the block that it names.
    const DATA_LINK: usize = 54_104 + 24 + 16;
    const DATA: usize = 248;
    /// Bytes of a record.
    const RECORD: u64 = 84;

    fn new() -> Self {
        let file = known("scan.mf4");
        assert_eq!(
            file[Self::DATA_LINK..Self::DATA_LINK + 8],
            248_u64.to_le_bytes()
        );
        assert_eq!(&file[Self::DATA..Self::DATA + 4], b"##DT");
        Self { file }
    }

    fn records(&self) -> Vec<u8> {
        let length = 638 * usize::try_from(Self::RECORD).unwrap();
        self.file[Self::DATA + 24..Self::DATA + 24 + length].to_vec()
    }

    fn add(&mut self, block: &[u8]) -> u64 {
        let length = self.file.len().next_multiple_of(8);
        self.file.resize(length, 0);
        self.file.extend(block);
        length as u64
    }

    fn finish(mut self, root: u64) -> Vec<u8> {
        self.file[Self::DATA_LINK..Self::DATA_LINK + 8].copy_from_slice(&root.to_le_bytes());
        self.file
    }
}

fn deflated(plain: &[u8], columns: u32) -> Vec<u8> {
    let width = columns as usize;
    let rows = plain.len().checked_div(width).unwrap_or(0);
    let mut turned = Vec::new();
    for column in 0..width {
        turned.extend((0..rows).map(|row| plain[row * width + column]));
    }
    turned.extend(&plain[rows * width..]);
    let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(&turned).unwrap();
    let packed = encoder.finish().unwrap();
    let mut body = b"DT".to_vec();
    body.extend([u8::from(columns > 0), 0]);
    body.extend(columns.to_le_bytes());
    body.extend((plain.len() as u64).to_le_bytes());
    body.extend((packed.len() as u64).to_le_bytes());
    body.extend(packed);
    block(*b"##DZ", &[], &body)
}

#[test]
fn a_bus_log_may_be_cut_up_and_deflated() {
    let expected = frames(&known("scan.mf4"));
    let columns = u32::try_from(Rewritten::RECORD).unwrap();

    for columns in [0, columns] {
        let mut log = Rewritten::new();
        let data = deflated(&log.records(), columns);
        let root = log.add(&data);
        assert_eq!(frames(&log.finish(root)), expected, "{columns} columns");
    }

    // Two lists under one head; the pieces are cut in the middle of records.
    let mut log = Rewritten::new();
    let records = log.records();
    let first = log.add(&block(*b"##DT", &[], &records[..10_001]));
    let second = log.add(&deflated(&records[10_001..30_000], columns));
    let third = log.add(&deflated(&records[30_000..], 0));
    let behind = log.add(&block(*b"##DL", &[0, third], &[0; 16]));
    let list = log.add(&block(*b"##DL", &[behind, first, second], &[0; 24]));
    let root = log.add(&block(*b"##HL", &[list], &[0; 8]));
    assert_eq!(frames(&log.finish(root)), expected);
}

#[test]
fn a_bus_log_left_open_goes_to_the_end_of_the_file() {
    let expected = frames(&known("scan.mf4"));
    let mut log = Rewritten::new();
    let records = log.records();
    let root = log.add(&block(*b"##DT", &[], &[]));
    log.file.extend(&records[..records.len() - 40]);
    let mut file = log.finish(root);
    file[..8].copy_from_slice(b"UnFinMF ");
    file[60] = 0x04;
    let (found, capture) = all(open(&file).unwrap());
    assert_eq!(capture.kind(), Kind::Mdf4);
    assert_eq!(found, expected[..637]);
    assert!(capture.tally().has(Remark::CutOff));
}

#[test]
fn links_in_a_circle_end() {
    let mut log = Rewritten::new();
    let at = log.file.len().next_multiple_of(8) as u64;
    let root = log.add(&block(*b"##DL", &[at, at], &[0; 16]));
    let (found, capture) = all(open(&log.finish(root)).unwrap());
    assert!(found.is_empty());
    assert!(capture.tally().has(Remark::Malformed));
}

#[test]
fn a_damaged_length_costs_a_few_frames() {
    for name in ["scan.pcap", "scan.pcapng"] {
        let bytes = known(name);
        let expected = all(open(&bytes).unwrap()).0.len();
        // The upper bytes of a record's lengths, about the middle of the file.
        for at in bytes.len() / 2..bytes.len() / 2 + 64 {
            let mut damaged = bytes.clone();
            damaged[at] ^= 0x81;
            let (found, _) = all(open(&damaged).unwrap());
            assert!(
                found.len() + 6 > expected,
                "{name} at {at}: {} of {expected}",
                found.len()
            );
        }
    }
}

#[test]
fn the_corpus_of_the_fuzzer_is_read() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus/capture");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        read_anything(&std::fs::read(entry.unwrap().path()).unwrap());
        count += 1;
    }
    assert!(count > 0, "the corpus is not there");
}

/// The start of each known capture: small enough to be tried often.
fn sample() -> impl Strategy<Value = Vec<u8>> {
    (0_usize..5).prop_map(|index| {
        let name = [
            "scan.log",
            "scan.pcap",
            "scan.pcapng",
            "left_open.mf4",
            "sorted.mf4",
        ][index];
        let mut bytes = known(name);
        bytes.truncate(if index < 3 { 4_000 } else { 20_000 });
        bytes
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn any_damage_is_survived(
        mut bytes in sample(),
        flips in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..8),
        cut in any::<prop::sample::Index>(),
    ) {
        for (at, byte) in flips {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        bytes.truncate(cut.index(bytes.len()) + 1);
        read_anything(&bytes);
    }

    #[test]
    fn any_descriptions_of_a_bus_log_are_survived(
        flips in prop::collection::vec((54_000_usize..61_592, any::<u8>()), 1..6),
    ) {
        let mut bytes = known("scan.mf4");
        for (at, byte) in flips {
            bytes[at] = byte;
        }
        read_anything(&bytes);
    }

    #[test]
    fn any_bytes_behind_any_magic_are_survived(
        magic in prop::sample::select(vec![
            &b"\xD4\xC3\xB2\xA1"[..], b"\xA1\xB2\x3C\x4D", b"\x0A\x0D\x0D\x0A\x1C\0\0\0\x4D\x3C\x2B\x1A",
            b"\x1F\x8B\x08\0", b"\x28\xB5\x2F\xFD", b"UnFinMF 4.11    ", b"(1.0) can0 123#\n",
        ]),
        rest in prop::collection::vec(any::<u8>(), 0..600),
    ) {
        read_anything(&[magic, &rest].concat());
    }
}
