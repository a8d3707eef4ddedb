//! Makes the captures of `benches/whole.py` and reads them as barely as can be: the limits that the program is measured against.
//!
//! `make FOLDER FRAMES STEP_US` writes a drive as candump text, pcap, pcapng and in two damaged or mixed forms, with its profile;
//! `newlines FILE`, `text FILE` and `pcap FILE` are the limits: every byte once; each line to time, identifier and data; each
//! record by its length.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a program for the terminal, for developers"
)]

mod traffic;

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::Path;

use tonering::capture::write::PcapngWriter;
use tonering::frame::{CanId, Channels, Frame, FrameKind, Timestamp};

const PIECE: usize = 256 << 10;

fn main() {
    // `cargo bench` adds `--bench`.
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|word| word != "--bench")
        .collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["make", folder, frames, step] => {
            make(
                Path::new(folder),
                frames.parse().unwrap(),
                step.parse().unwrap(),
            );
        }
        ["newlines", file] => println!("{}", newlines(File::open(file).unwrap())),
        ["text", file] => println!("{:?}", text(File::open(file).unwrap())),
        ["pcap", file] => println!("{:?}", pcap(File::open(file).unwrap())),
        [] => println!("run benches/whole.py instead"),
        _ => std::process::exit(2),
    }
}

fn make(folder: &Path, count: u64, step_us: u64) {
    let create =
        |name: &str| BufWriter::with_capacity(1 << 20, File::create(folder.join(name)).unwrap());
    std::fs::create_dir_all(folder).unwrap();
    std::fs::write(folder.join("profile.yaml"), traffic::PROFILE).unwrap();
    let mut plain = create("plain.log");
    let mut turns = create("turns.log");
    let mut damaged = create("damaged.log");
    let mut pcap = create("plain.pcap");
    pcap.write_all(&[
        0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0,
    ])
    .unwrap();
    let mut channels = Channels::default();
    let channel = channels.intern("can0");
    let mut pcapng = PcapngWriter::new(create("plain.pcapng")).unwrap();
    let mut line = Vec::new();
    let mut number = 0;
    traffic::frames(count, step_us, |time, id, data| {
        line.clear();
        traffic::line(&mut line, "can0", time, id, data);
        plain.write_all(&line).unwrap();
        if number % 10 == 0 {
            line[28] = b'?';
        }
        damaged.write_all(&line).unwrap();
        line.clear();
        traffic::line(&mut line, ["can0", "can1"][number % 2], time, id, data);
        turns.write_all(&line).unwrap();
        number += 1;

        let word = |value: u64| u32::try_from(value).unwrap().to_le_bytes();
        let head = [
            word(time / 1_000_000),
            word(time % 1_000_000),
            word(16),
            word(16),
        ];
        pcap.write_all(head.as_flattened()).unwrap();
        pcap.write_all(&u32::from(id).to_be_bytes()).unwrap();
        pcap.write_all(&[8, 0, 0, 0]).unwrap();
        pcap.write_all(&data).unwrap();
        let frame = Frame {
            number: 0,
            time: Some(Timestamp::from_micros(time.cast_signed())),
            channel,
            id: CanId::standard_masked(u32::from(id)),
            kind: FrameKind::Data,
            data: &data,
        };
        pcapng.write_frame(&frame, &channels).unwrap();
    });
    for mut file in [plain, turns, damaged, pcap, pcapng.into_inner()] {
        file.flush().unwrap();
    }
}

/// Hands out the bytes of a file in pieces that end where `take` says; it gives how many bytes it has used.
fn pieces(mut file: File, mut take: impl FnMut(&[u8]) -> usize) {
    let mut buffer = vec![0; PIECE];
    let mut held = 0;
    loop {
        let count = file.read(&mut buffer[held..]).unwrap();
        if count == 0 {
            return;
        }
        held += count;
        let used = take(&buffer[..held]);
        buffer.copy_within(used..held, 0);
        held -= used;
    }
}

fn newlines(file: File) -> usize {
    let mut count = 0;
    pieces(file, |piece| {
        count += memchr::memchr_iter(b'\n', piece).count();
        piece.len()
    });
    count
}

/// What a line says, summed up so that nothing is left out.
#[derive(Debug, Default)]
struct Sum {
    frames: u64,
    micros: u64,
    ids: u64,
    data: u64,
}

/// Eight hexadecimal digits, the first in the lowest byte; `None` where one is none.
#[inline]
fn hex(word: u64) -> Option<u64> {
    const ONES: u64 = 0x0101_0101_0101_0101;
    let letters = (word >> 6) & ONES;
    let values = (word & (0x0F * ONES)) + letters * 9;
    // A digit is 0x30 to 0x39, a letter 0x41 to 0x46.
    let low = word.wrapping_sub(letters * 0x41 + (ONES - letters) * 0x30);
    let over = low + letters * (0x7F - 5) + (ONES - letters) * (0x7F - 9);
    if (low | over | word) & (0x80 * ONES) != 0 {
        return None;
    }
    let pairs = (values << 4 | values >> 8) & 0x00FF_00FF_00FF_00FF;
    let words = (pairs | pairs >> 8) & 0x0000_FFFF_0000_FFFF;
    Some((words | words >> 16) & 0xFFFF_FFFF)
}

#[inline]
fn word(text: &[u8]) -> Option<u64> {
    text.first_chunk().copied().map(u64::from_le_bytes)
}

/// `(1700000000.000000) can0 1A0#0011223344556677`
fn text(file: File) -> Sum {
    const LINE: usize = 46;
    let mut sum = Sum::default();
    pieces(file, |piece| {
        let mut used = 0;
        for line in piece.chunks_exact(LINE) {
            let Some(read) = one(line) else {
                panic!(
                    "not a line of the fixed form: {:?}",
                    String::from_utf8_lossy(line)
                )
            };
            sum.frames += 1;
            sum.micros = sum.micros.wrapping_add(read.micros);
            sum.ids += read.ids;
            sum.data ^= read.data;
            used += LINE;
        }
        used
    });
    sum
}

#[inline]
fn one(line: &[u8]) -> Option<Sum> {
    let decimals = line.get(12..20)?;
    let mut micros = 0;
    for &digit in &decimals[..6] {
        micros = micros * 10 + u64::from(digit.wrapping_sub(b'0'));
    }
    if line[0] != b'('
        || line[11] != b'.'
        || line[18] != b')'
        || line[28] != b'#'
        || line[45] != b'\n'
    {
        return None;
    }
    let id = hex(word(&line[25..])? << 40 | 0x30_3030_3030)?;
    let (high, low) = (hex(word(&line[29..])?)?, hex(word(&line[37..])?)?);
    Some(Sum {
        frames: 1,
        micros,
        ids: id.swap_bytes() >> 32,
        data: high << 32 | low,
    })
}

/// From record to record by their lengths.
fn pcap(file: File) -> Sum {
    let mut sum = Sum::default();
    let mut started = false;
    pieces(file, |piece| {
        let mut rest = piece;
        if !started {
            rest = &rest[24..];
            started = true;
        }
        while let Some((head, behind)) = rest.split_first_chunk::<16>() {
            let length = head[8..]
                .first_chunk()
                .copied()
                .map_or(0, u32::from_le_bytes);
            let Some((packet, next)) = behind.split_at_checked(length as usize) else {
                break;
            };
            sum.frames += 1;
            sum.micros += head.first_chunk().copied().map_or(0, u64::from_le_bytes) & 0xFFFF_FFFF;
            if let Some((id, data)) = packet.split_first_chunk::<4>() {
                sum.ids += u64::from(u32::from_be_bytes(*id));
                sum.data ^= data.last_chunk().copied().map_or(0, u64::from_le_bytes);
            }
            rest = next;
        }
        piece.len() - rest.len()
    });
    sum
}
