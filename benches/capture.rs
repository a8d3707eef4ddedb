//! Speed of the capture room: frames and bytes per second of each kind, beside a walk over the bare bytes.
//!
//! `cargo bench --bench capture`

use std::fmt::Write as _;
use std::hint::black_box;
use std::io::{Cursor, Write as _};

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use tonering::capture::write::PcapngWriter;
use tonering::capture::{Capture, Item};
use tonering::frame::{CanId, Channels, Frame, FrameKind, Timestamp};

fn main() {
    divan::main();
}

const FRAMES: u32 = 500_000;

/// A generated drive: five frames a millisecond, 48 identifiers, two of ten with 29 bits, 4 to 8 bytes of data.
fn drive(mut each: impl FnMut(u64, CanId, &[u8])) {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    for number in 0..FRAMES {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let micros = 1_700_000_000_000_000 + u64::from(number) * 200;
        let id = match number % 10 {
            0 | 5 => CanId::extended_masked(0x18DA_F110 + number % 48),
            _ => CanId::standard_masked(0x100 + number * 7 % 48 * 16),
        };
        let data = state.to_le_bytes();
        each(micros, id, &data[..4 + number as usize % 5]);
    }
}

fn text(buses: u32) -> Vec<u8> {
    let mut text = String::new();
    let mut count = 0;
    drive(|micros, id, data| {
        let (whole, rest) = (micros / 1_000_000, micros % 1_000_000);
        let bus = count % buses;
        count += 1;
        let _ = write!(text, "({whole:010}.{rest:06}) can{bus} ");
        let digits = if id.is_extended() { 8 } else { 3 };
        let _ = write!(text, "{:0digits$X}#", id.raw());
        for byte in data {
            let _ = write!(text, "{byte:02X}");
        }
        text.push('\n');
    });
    text.into_bytes()
}

/// Every tenth line has a broken identifier.
fn damaged_text() -> Vec<u8> {
    let mut text = text(1);
    let mut line = 0;
    for byte in &mut text {
        match byte {
            b'\n' => line += 1,
            b'#' if line % 10 == 0 => *byte = b'?',
            _ => {}
        }
    }
    text
}

fn screen_text() -> Vec<u8> {
    let mut text = String::new();
    drive(|micros, id, data| {
        let (whole, rest) = (micros / 1_000_000, micros % 1_000_000);
        let raw = id.raw();
        let _ = write!(
            text,
            " ({whole:010}.{rest:06})  can0  {raw:03X}   [{}] ",
            data.len()
        );
        for byte in data {
            let _ = write!(text, " {byte:02X}");
        }
        text.push('\n');
    });
    text.into_bytes()
}

fn pcap() -> Vec<u8> {
    let mut file = vec![
        0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0,
    ];
    drive(|micros, id, data| {
        let number = |value: u64| u32::try_from(value).unwrap_or(0).to_le_bytes();
        file.extend(number(micros / 1_000_000));
        file.extend(number(micros % 1_000_000));
        file.extend(number(16));
        file.extend(number(16));
        let flag = if id.is_extended() { 0x8000_0000 } else { 0 };
        file.extend((id.raw() | flag).to_be_bytes());
        file.extend([u8::try_from(data.len()).unwrap_or(0), 0, 0, 0]);
        file.extend(data);
        file.extend(&[0; 8][data.len()..]);
    });
    file
}

fn pcapng() -> Vec<u8> {
    let mut channels = Channels::default();
    let channel = channels.intern("can0");
    let mut writer = PcapngWriter::new(Vec::new()).expect("memory takes everything");
    drive(|micros, id, data| {
        let frame = Frame {
            number: 0,
            time: Some(Timestamp::from_micros(micros.cast_signed())),
            channel,
            id,
            kind: FrameKind::Data,
            data,
        };
        writer
            .write_frame(&frame, &channels)
            .expect("memory takes everything");
    });
    writer.into_inner()
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes).expect("memory takes everything");
    encoder.finish().expect("memory takes everything")
}

fn read(bencher: Bencher<'_, '_>, bytes: &[u8]) {
    bencher
        .counter(ItemsCount::new(FRAMES))
        .counter(BytesCount::of_slice(bytes))
        .with_inputs(|| bytes.to_vec())
        .bench_values(|bytes| {
            let mut capture = Capture::from_reader(Box::new(Cursor::new(bytes)), "bench")
                .expect("it is a capture");
            let mut sum = 0_u64;
            while let Some(item) = capture.next_item().expect("memory does not fail") {
                if let Item::Can(frame) = item {
                    sum += u64::from(frame.id.raw()) + frame.data.len() as u64;
                }
            }
            sum
        });
}

/// The limit of text: every byte once.
#[divan::bench]
fn limit_newlines_of_the_text(bencher: Bencher<'_, '_>) {
    let text = text(1);
    bencher
        .counter(ItemsCount::new(FRAMES))
        .counter(BytesCount::of_slice(&text))
        .bench(|| black_box(&text).split(|&byte| byte == b'\n').count());
}

/// The limit of pcap: from record to record by their lengths.
#[divan::bench]
fn limit_records_of_the_pcap(bencher: Bencher<'_, '_>) {
    let pcap = pcap();
    bencher
        .counter(ItemsCount::new(FRAMES))
        .counter(BytesCount::of_slice(&pcap))
        .bench(|| {
            let mut rest = &black_box(&pcap)[24..];
            let mut count = 0;
            while let Some((head, behind)) = rest.split_first_chunk::<16>() {
                let [.., a, b, c, d, _, _, _, _] = *head;
                let Some(next) = behind.get(u32::from_le_bytes([a, b, c, d]) as usize..) else {
                    break;
                };
                rest = next;
                count += 1;
            }
            count
        });
}

#[divan::bench]
fn log_form(bencher: Bencher<'_, '_>) {
    read(bencher, &text(1));
}

#[divan::bench]
fn log_form_of_three_buses_in_turn(bencher: Bencher<'_, '_>) {
    read(bencher, &text(3));
}

#[divan::bench]
fn log_form_with_every_tenth_line_damaged(bencher: Bencher<'_, '_>) {
    read(bencher, &damaged_text());
}

#[divan::bench]
fn log_form_in_gzip(bencher: Bencher<'_, '_>) {
    read(bencher, &gzip(&text(1)));
}

#[divan::bench]
fn screen_form(bencher: Bencher<'_, '_>) {
    read(bencher, &screen_text());
}

#[divan::bench]
fn pcap_file(bencher: Bencher<'_, '_>) {
    read(bencher, &pcap());
}

#[divan::bench]
fn pcapng_file(bencher: Bencher<'_, '_>) {
    read(bencher, &pcapng());
}
