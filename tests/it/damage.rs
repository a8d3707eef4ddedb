//! Captures and files damaged on purpose, through everything from the reader to the printers.
//!
//! A fixed number of seeds runs with the tests. `TONERING_DAMAGE=100000 cargo test --release damage -- --nocapture` runs a
//! long campaign, `TONERING_DAMAGE_FROM` starts at another seed, and `TONERING_CORPUS` adds a folder of captures.

#![expect(
    clippy::disallowed_methods,
    reason = "how long a campaign is comes from the environment"
)]

use std::fs;
use std::io::Write as _;
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;
use tonering::signal::profile::Profile;

use crate::bodies::{self, Body, diagnosed, recorded};
use crate::command::top;

/// Seeds of an ordinary run.
const SEEDS: u64 = 100;
/// Of so many damaged captures one goes as far as the printers.
const REPORTED: u64 = 8;
/// A sample is cut to this, so that many cases fit into a second.
const PIECE: usize = 24 << 10;

/// Random numbers that are the same everywhere (the step of `SplitMix64`).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ mixed >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % end.max(1) as u64).unwrap()
    }

    fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len())]
    }
}

/// Bytes that lengths, counts, line ends and terminals make something of.
const NASTY: [&[u8]; 16] = [
    &[0xFF; 8],
    &[0x00; 8],
    &[0x7F, 0xFF, 0xFF, 0xFF],
    &[0x80, 0x00, 0x00, 0x00],
    &[0xFF, 0xFF, 0xFF, 0x7F],
    b"\n",
    b"\r\n\r\n",
    b"\x1B[2J\x1B]0;x\x07",
    "\u{9b}2J\u{202e}".as_bytes(),
    b"99999999999999999999",
    b"-1",
    b"1e308",
    b" : ",
    b"&a [*a, *a]",
    b"##5",
    b"#R",
];

/// One to eight injuries.
fn damaged(dice: &mut Dice, sample: &[u8], other: &[u8]) -> Vec<u8> {
    let mut bytes = sample.to_vec();
    for _ in 0..=dice.below(8) {
        let at = dice.below(bytes.len() + 1);
        let rest = bytes.len() - at;
        match dice.below(9) {
            0 => bytes.truncate(at),
            1 | 2 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << dice.below(8);
                }
            }
            3 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = dice.next().to_le_bytes()[0];
                }
            }
            4 => {
                let nasty = *dice.pick(&NASTY);
                let over = nasty.len().min(rest);
                bytes.splice(at..at + over, nasty.iter().copied());
            }
            5 => {
                let nasty = *dice.pick(&NASTY);
                bytes.splice(at..at, nasty.iter().copied());
            }
            6 => {
                let length = dice.below(rest.min(512));
                let piece = bytes[at..at + length].to_vec();
                let to = dice.below(bytes.len() + 1);
                bytes.splice(to..to, piece);
            }
            7 => {
                let length = dice.below(rest.min(512));
                bytes.drain(at..at + length);
            }
            _ => {
                let from = dice.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend(other[from..].iter().take(PIECE));
            }
        }
    }
    bytes
}

fn piece(bytes: &[u8], text: bool) -> Vec<u8> {
    let mut end = bytes.len().min(PIECE);
    if text && end < bytes.len() {
        end = bytes[..end]
            .iter()
            .rposition(|&byte| byte == b'\n')
            .map_or(end, |at| at + 1);
    }
    bytes[..end].to_vec()
}

fn packed(text: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(text).unwrap();
    encoder.finish().unwrap()
}

/// The same frames as `candump` shows them on a screen.
fn screen(log: &[u8]) -> Vec<u8> {
    let mut shown = Vec::new();
    for line in String::from_utf8_lossy(log).lines().take(300) {
        let mut parts = line.split(' ').skip(1);
        let (Some(bus), Some((id, data))) = (
            parts.next(),
            parts.next().and_then(|frame| frame.split_once('#')),
        ) else {
            continue;
        };
        if data.starts_with(['#', 'R']) {
            continue;
        }
        write!(shown, "  {bus}  {id}   [{}] ", data.len() / 2).unwrap();
        for byte in data.as_bytes().chunks(2) {
            write!(shown, " {}", String::from_utf8_lossy(byte)).unwrap();
        }
        shown.push(b'\n');
    }
    shown
}

/// One of every kind: the demo captures, the corpus of the fuzzer, and what these become.
fn captures() -> Vec<Vec<u8>> {
    let mut found = Vec::new();
    let mut take = |path: &Path| {
        let Ok(bytes) = fs::read(path) else { return };
        if path.extension().is_none_or(|ending| ending != "log") {
            found.push(piece(&bytes, false));
            return;
        }
        let log = piece(&bytes, true);
        found.push(packed(&log));
        found.push(ruzstd::encoding::compress_to_vec(
            log.as_slice(),
            ruzstd::encoding::CompressionLevel::Fastest,
        ));
        found.push(screen(&log));
        found.push(log);
    };
    let mut folders = vec![
        top().join("fuzz/corpus/capture"),
        top().join("captures/supply-lost"),
        top().join("captures/charging"),
    ];
    folders.extend(std::env::var_os("TONERING_CORPUS").map(Into::into));
    for folder in folders {
        let mut paths: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        paths.sort();
        paths.retain(|path| {
            path.is_file()
                && path
                    .extension()
                    .is_none_or(|ending| ending != "yaml" && ending != "md")
        });
        for path in paths {
            take(&path);
        }
    }
    found
}

/// The files of a folder and what lies below it, as samples.
fn texts(folder: &str, named: &str) -> Vec<Vec<u8>> {
    let mut found = Vec::new();
    let mut open = vec![top().join(folder)];
    while let Some(folder) = open.pop() {
        let mut paths: Vec<_> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        paths.sort();
        for path in paths {
            if path.is_dir() {
                open.push(path);
            } else if path.to_str().unwrap().ends_with(named) {
                found.push(piece(&fs::read(path).unwrap(), true));
            }
        }
    }
    found
}

/// The seeds of this run; further campaigns divide them among the kinds of input.
fn seeds() -> std::ops::Range<u64> {
    let number = |name| {
        std::env::var(name)
            .ok()
            .and_then(|value| value.parse().ok())
    };
    let from: u64 = number("TONERING_DAMAGE_FROM").unwrap_or(0);
    from..from + number("TONERING_DAMAGE").unwrap_or(SEEDS)
}

/// Runs `body` on damaged `samples`; tells the seed and keeps the bytes of what it does not bear.
fn campaign(
    kind: &str,
    seeds: std::ops::Range<u64>,
    samples: &[Vec<u8>],
    body: impl Fn(&[u8]) + std::panic::RefUnwindSafe,
) {
    let mut failed = Vec::new();
    for seed in seeds {
        let mut dice = Dice(seed);
        let bytes = damaged(&mut dice, sample(seed, samples), sample(seed / 7, samples));
        if std::panic::catch_unwind(|| body(&bytes)).is_err() {
            let kept = std::env::temp_dir().join(format!("tonering-{kind}-{seed}"));
            fs::write(&kept, &bytes).unwrap();
            failed.push(kept.display().to_string());
        }
    }
    assert!(failed.is_empty(), "{} not borne: {failed:?}", failed.len());
}

fn sample(seed: u64, samples: &[Vec<u8>]) -> &[u8] {
    let at = Dice(seed ^ 0xABCD).below(samples.len());
    &samples[at]
}

#[test]
fn damaged_captures_are_borne() {
    let profile = fs::read_to_string(top().join("captures/supply-lost/profile.yaml")).unwrap();
    let none = &mut |_: &Path| Err(std::io::ErrorKind::NotFound.into());
    let profile = Profile::parse(&profile, "profile.yaml", none).unwrap();
    let samples = captures();
    assert!(samples.len() >= 8);
    for sample in &samples {
        let _ = recorded(sample, &profile);
    }
    let seeds = seeds();
    let reported = seeds.start..seeds.start + (seeds.end - seeds.start) / REPORTED;
    campaign("capture", seeds, &samples, |bytes| {
        let _ = recorded(bytes, &profile);
    });
    campaign("report", reported, &samples, |bytes| {
        let _ = diagnosed(bytes, &profile);
    });
}

#[test]
fn damaged_files_are_borne() {
    let kinds: [(&str, Body, Vec<Vec<u8>>); 4] = [
        (
            "profile",
            bodies::profile,
            [
                texts("captures", "profile.yaml"),
                texts("fuzz/corpus/profile", ""),
            ]
            .concat(),
        ),
        (
            "notes",
            bodies::notes,
            [
                texts("captures", "notes.yaml"),
                texts("fuzz/corpus/notes", ""),
            ]
            .concat(),
        ),
        (
            "dbc",
            bodies::dbc,
            [
                texts("src/signal/dbc", ".dbc"),
                texts("fuzz/corpus/dbc", ""),
            ]
            .concat(),
        ),
        (
            "explain",
            bodies::explained,
            texts("fuzz/corpus/explain", ""),
        ),
    ];
    for (kind, body, samples) in kinds {
        campaign(kind, seeds(), &samples, body);
    }
}

#[test]
fn damaged_messages_are_borne() {
    campaign(
        "service",
        seeds(),
        &texts("fuzz/corpus/service", ""),
        bodies::service,
    );
    campaign(
        "transport",
        seeds(),
        &texts("fuzz/corpus/transport", ""),
        tonering::transport::fuzz::fuzz,
    );
}

#[test]
fn damaged_rules_are_borne() {
    // Loading checks everything against everything, which takes its time.
    let samples = [texts("rules", ".yaml"), texts("fuzz/corpus/rules", "")].concat();
    let every = |bytes: &[u8]| bodies::rules(bytes);
    campaign("rules", seeds(), &samples, every);
}

#[test]
fn a_capture_cut_at_any_byte_is_borne() {
    let profile = Profile::default();
    let long = seeds().count() > 1_000;
    let (step, length) = if long { (1, 2_000) } else { (61, 400) };
    for sample in captures() {
        let sample = &sample[..sample.len().min(length)];
        for end in (0..sample.len()).step_by(step) {
            let _ = recorded(&sample[..end], &profile);
        }
    }
}
