//! The capture corpus for tests: real recordings of sound vehicles, where the variable `TONERING_CORPUS` names them.

#![expect(
    clippy::disallowed_methods,
    reason = "tests read the corpus that the environment names"
)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::input::{Geometry, Input, Samples};

/// A recording, decoded.
#[derive(Clone, Debug, Default)]
pub(super) struct Recording {
    pub(super) name: String,
    pub(super) wheels: [Trace; 4],
}

/// One wheel's trace.
#[derive(Clone, Debug, Default)]
pub(super) struct Trace {
    pub(super) time_s: Vec<f64>,
    pub(super) speed_kmh: Vec<f32>,
    pub(super) quantum_kmh: f64,
}

impl Recording {
    /// The input that the measures are made from.
    pub(super) fn input(&self) -> Input<'_> {
        Input {
            speeds: std::array::from_fn(|wheel| {
                let trace = &self.wheels[wheel];
                (!trace.time_s.is_empty())
                    .then(|| Samples::new(&trace.time_s, &trace.speed_kmh, trace.quantum_kmh))
            }),
            geometry: Geometry::default(),
            ..Input::default()
        }
    }
}

/// One row of the corpus' table of signals.
#[derive(Clone, Debug)]
struct Layout {
    wheel: usize,
    id: u32,
    start_bit: usize,
    length: usize,
    big: bool,
    scale: f64,
    offset: f64,
    invalid: Option<u64>,
}

/// Where the corpus is.
pub(super) fn corpus() -> PathBuf {
    PathBuf::from(std::env::var("TONERING_CORPUS").expect("TONERING_CORPUS names the corpus"))
}

/// Where to write down every measure, for a person who sets limits: `TONERING_WHEEL_NOTES`.
pub(super) fn notes_file() -> Option<PathBuf> {
    std::env::var("TONERING_WHEEL_NOTES")
        .ok()
        .map(PathBuf::from)
}

/// Every recording of the corpus, in the order of its table.
pub(super) fn all() -> Vec<Recording> {
    let folder = corpus().join("wheels");
    let table = std::fs::read_to_string(folder.join("signals.csv")).expect("the table of signals");
    let mut files: BTreeMap<String, Vec<Layout>> = BTreeMap::new();
    for row in table.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let number = |cell: &str| u32::from_str_radix(cell.trim_start_matches("0x"), 16).unwrap();
        files.entry(cells[0].to_owned()).or_default().push(Layout {
            wheel: ["LF", "RF", "LR", "RR"]
                .iter()
                .position(|id| *id == cells[1])
                .unwrap(),
            id: number(cells[2]),
            start_bit: cells[3].parse().unwrap(),
            length: cells[4].parse().unwrap(),
            big: cells[5] == "big",
            scale: cells[6].parse().unwrap(),
            offset: cells[7].parse().unwrap(),
            invalid: cells
                .get(9)
                .filter(|cell| !cell.is_empty())
                .map(|cell| number(cell).into()),
        });
    }
    files
        .iter()
        .map(|(name, layouts)| read(&folder.join(name), name, layouts))
        .collect()
}

fn read(path: &Path, name: &str, layouts: &[Layout]) -> Recording {
    let text = std::fs::read_to_string(path).expect("a recording of the table");
    let mut recording = Recording {
        name: name
            .trim_start_matches("../")
            .trim_end_matches(".log")
            .to_owned(),
        ..Recording::default()
    };
    for layout in layouts {
        recording.wheels[layout.wheel].quantum_kmh = layout.scale;
    }
    // The same frame may stand on several buses: the first bus that carries it counts.
    let mut buses: BTreeMap<u32, &str> = BTreeMap::new();
    for line in text.lines() {
        let mut words = line.split_whitespace();
        let (Some(time), Some(bus), Some(frame)) = (words.next(), words.next(), words.next())
        else {
            continue;
        };
        let Some((id, data)) = frame.split_once('#') else {
            continue;
        };
        let (Ok(time), Ok(id)) = (
            time.trim_matches(['(', ')']).parse::<f64>(),
            u32::from_str_radix(id, 16),
        ) else {
            continue;
        };
        if !layouts.iter().any(|layout| layout.id == id) || *buses.entry(id).or_insert(bus) != bus {
            continue;
        }
        let bytes: Vec<u8> = (0..data.len() / 2)
            .filter_map(|at| u8::from_str_radix(data.get(2 * at..2 * at + 2)?, 16).ok())
            .collect();
        for layout in layouts.iter().filter(|layout| layout.id == id) {
            if let Some(raw) = layout.raw(&bytes) {
                let trace = &mut recording.wheels[layout.wheel];
                trace.time_s.push(time);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_precision_loss,
                    reason = "small numbers"
                )]
                trace.speed_kmh.push(if layout.invalid == Some(raw) {
                    f32::NAN
                } else {
                    (raw as f64 * layout.scale + layout.offset) as f32
                });
            }
        }
    }
    recording
}

impl Layout {
    fn raw(&self, bytes: &[u8]) -> Option<u64> {
        let bit = |index: usize| {
            bytes
                .get(index / 8)
                .map(|byte| u64::from(byte >> (index % 8) & 1))
        };
        let mut raw = 0;
        if self.big {
            let mut at = self.start_bit;
            for _ in 0..self.length {
                raw = raw << 1 | bit(at)?;
                at = if at.is_multiple_of(8) {
                    at + 15
                } else {
                    at - 1
                };
            }
        } else {
            for index in (0..self.length).rev() {
                raw = raw << 1 | bit(self.start_bit + index)?;
            }
        }
        Some(raw)
    }
}
