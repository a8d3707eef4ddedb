//! Captures for tests of this room: lines of candump's log form, and the corpus if its folder is named.

use std::path::PathBuf;

use crate::frame::{CanId, Channel, Channels, Frame, FrameKind, Timestamp};

/// One frame that owns its data.
#[derive(Clone, Debug)]
pub(super) struct Line {
    pub(super) time: Timestamp,
    pub(super) channel: Channel,
    pub(super) id: CanId,
    pub(super) data: Vec<u8>,
}

impl Line {
    pub(super) fn frame(&self) -> Frame<'_> {
        Frame {
            number: 1,
            time: Some(self.time),
            channel: self.channel,
            id: self.id,
            kind: FrameKind::Data,
            data: &self.data,
        }
    }
}

/// The data frames of a text in candump's log form.
pub(super) fn lines(text: &str) -> Vec<Line> {
    let mut channels = Channels::default();
    let mut lines = Vec::new();
    for line in text.lines() {
        let mut words = line.split_whitespace();
        let mut word = || words.next().unwrap();
        let time = word().trim_matches(['(', ')']);
        let channel = channels.intern(word());
        let (id, data) = word().split_once('#').unwrap();
        let raw = u32::from_str_radix(id, 16).unwrap();
        let id = if id.len() > 3 {
            CanId::extended(raw)
        } else {
            CanId::standard(raw)
        };
        let (whole, part) = time.split_once('.').unwrap();
        let nanos =
            whole.parse::<i64>().unwrap() * 1_000_000_000 + part.parse::<i64>().unwrap() * 1_000;
        let hex = |at: usize| u8::from_str_radix(&data[at..at + 2], 16).unwrap();
        lines.push(Line {
            time: Timestamp::from_nanos(nanos),
            channel,
            id: id.unwrap(),
            data: (0..data.len() / 2).map(|index| hex(2 * index)).collect(),
        });
    }
    lines
}

/// The folder of captures that the environment names; tests that need it are ignored by default.
pub(super) fn corpus() -> PathBuf {
    #[expect(
        clippy::disallowed_methods,
        reason = "the corpus is not part of the project"
    )]
    let folder =
        std::env::var("TONERING_CORPUS").expect("TONERING_CORPUS names the folder of captures");
    PathBuf::from(folder)
}

/// The text of a file of the corpus.
pub(super) fn corpus_text(name: &str) -> String {
    let bytes = std::fs::read(corpus().join(name)).unwrap();
    String::from_utf8(bytes).unwrap()
}

/// A wheel of a file of the corpus, as its table of signals has it.
#[derive(Clone, Debug)]
pub(super) struct Known {
    pub(super) file: String,
    pub(super) wheel: usize,
    pub(super) id: u32,
    pub(super) start: u64,
    pub(super) length: u64,
    pub(super) big: bool,
    pub(super) scale: f64,
    pub(super) offset: f64,
    pub(super) invalid: Option<u64>,
}

/// All rows of the corpus's table of signals; file names relative to the corpus.
pub(super) fn known_signals() -> Vec<Known> {
    let text = corpus_text("wheels/signals.csv");
    let hex = |text: &str| u64::from_str_radix(text.trim_start_matches("0x"), 16).ok();
    let rows = text.lines().skip(1).map(|row| {
        let cells: Vec<_> = row.split(',').collect();
        let file = cells[0]
            .strip_prefix("../")
            .map_or_else(|| format!("wheels/{}", cells[0]), str::to_owned);
        Known {
            file,
            wheel: ["LF", "RF", "LR", "RR"]
                .iter()
                .position(|known| *known == cells[1])
                .unwrap(),
            id: u32::try_from(hex(cells[2]).unwrap()).unwrap(),
            start: cells[3].parse().unwrap(),
            length: cells[4].parse().unwrap(),
            big: cells[5] == "big",
            scale: cells[6].parse().unwrap(),
            offset: cells[7].parse().unwrap(),
            invalid: hex(cells[9]),
        }
    });
    rows.collect()
}
