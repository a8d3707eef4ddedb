//! Identifiers of a bus: which one is read how, found by a table look-up.

use std::collections::BTreeMap;

use super::form::Habit;
use crate::frame::{CanId, Timestamp};

/// What is done with the frames of an identifier, packed into a word of the table.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) struct Word(u16);

impl Word {
    /// Not seen yet.
    pub(super) const UNKNOWN: Self = Self(0);
    /// Carries no messages.
    pub(super) const BROADCAST: Self = Self(1);
    /// Carries no messages, and is one of SAE J1939's.
    pub(super) const J1939: Self = Self(2);
    const FIRST_LANE: u16 = 3;

    /// Most lanes that a word can name.
    pub(super) const MAX_LANES: usize = 8_192;

    pub(super) fn of_lane(lane: u32) -> Self {
        u16::try_from(lane)
            .ok()
            .and_then(|lane| lane.checked_add(Self::FIRST_LANE))
            .map_or(Self::BROADCAST, Self)
    }

    #[inline]
    pub(super) fn lane(self) -> Option<u32> {
        self.0.checked_sub(Self::FIRST_LANE).map(u32::from)
    }
}

/// One bus: its identifiers, its streams and its time.
#[derive(Debug)]
pub(super) struct Bus {
    /// Its streams, in the order in which they were made.
    pub streams: Vec<u32>,
    /// Lanes that are not decided yet.
    pub undecided: u32,
    /// The time of its last frame.
    pub now: Option<Timestamp>,
    /// Nothing can be overdue before this (nanoseconds).
    pub deadline: i64,
    standard: Box<[Word; 0x800]>,
    extended: BTreeMap<u32, Word>,
    recent: Box<[(u32, Word); RECENT]>,
}

impl Bus {
    pub(super) fn new() -> Self {
        Self {
            streams: Vec::new(),
            undecided: 0,
            now: None,
            deadline: i64::MAX,
            standard: Box::new([Word::UNKNOWN; 0x800]),
            extended: BTreeMap::new(),
            recent: Box::new([(u32::MAX, Word::UNKNOWN); RECENT]),
        }
    }

    #[inline]
    pub(super) fn word(&mut self, id: CanId) -> Word {
        if !id.is_extended() {
            return self
                .standard
                .get(id.raw() as usize)
                .copied()
                .unwrap_or(Word::BROADCAST);
        }
        let raw = id.raw();
        let Some(slot) = self.recent.get_mut(slot_of(raw)) else {
            return Word::BROADCAST;
        };
        if slot.0 == raw {
            return slot.1;
        }
        let word = self.extended.get(&raw).copied().unwrap_or(Word::UNKNOWN);
        if word != Word::UNKNOWN {
            *slot = (raw, word);
        }
        word
    }

    /// Sets the word of an identifier; `false` if there are too many 29-bit identifiers already.
    pub(super) fn set_word(&mut self, id: CanId, word: Word) -> bool {
        let raw = id.raw();
        if !id.is_extended() {
            if let Some(slot) = self.standard.get_mut(raw as usize) {
                *slot = word;
            }
            return true;
        }
        if self.extended.len() >= MAX_EXTENDED && !self.extended.contains_key(&raw) {
            return false;
        }
        self.extended.insert(raw, word);
        if let Some(slot) = self.recent.get_mut(slot_of(raw)) {
            *slot = (raw, word);
        }
        true
    }
}

/// Spreads 29-bit identifiers, of which often only the middle bytes differ, over the recent ones.
#[inline]
const fn slot_of(raw: u32) -> usize {
    (raw.wrapping_mul(0x9E37_79B1) >> 24) as usize
}

const RECENT: usize = 256;
/// Most 29-bit identifiers that are remembered on a bus.
const MAX_EXTENDED: usize = 16_384;

/// How an identifier is read.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Standing {
    /// It carries messages, with an address byte or without.
    Carries { extended: bool },
    /// Not known yet; both readings are tried.
    Undecided,
    /// It carries none.
    Broadcast,
}

/// An identifier that carries messages, or may.
#[derive(Debug)]
pub(super) struct Lane {
    pub id: CanId,
    pub bus: u16,
    pub standing: Standing,
    /// The stream without address byte.
    pub normal: Option<u32>,
    /// The streams by address byte.
    pub extended: Vec<(u8, u32)>,
    /// What is known of it while it is undecided: without and with address byte.
    pub habits: Option<Box<[Habit; 2]>>,
    /// Held messages up to this one are dropped.
    pub drop_through: u64,
    last: Last,
}

#[derive(Debug)]
struct Last {
    time: Option<Timestamp>,
    length: u8,
    data: [u8; crate::frame::MAX_DATA],
}

impl Lane {
    pub(super) fn new(id: CanId, bus: u16, standing: Standing) -> Self {
        Self {
            id,
            bus,
            standing,
            normal: None,
            extended: Vec::new(),
            habits: None,
            drop_through: 0,
            last: Last {
                time: None,
                length: 0,
                data: [0; crate::frame::MAX_DATA],
            },
        }
    }

    /// Whether the frame is an exact copy of the one before it, within [`COPY`]; remembers the frame.
    #[inline]
    pub(super) fn is_copy(&mut self, data: &[u8], time: Option<Timestamp>) -> bool {
        let last = &mut self.last;
        let is_near = match (time, last.time) {
            (Some(now), Some(then)) => (-COPY..=COPY).contains(&now.nanos_since(then)),
            _ => false,
        };
        let same = is_near && last.data.get(..usize::from(last.length)) == Some(data);
        last.time = time;
        if !same {
            let length = data.len().min(last.data.len());
            if let (Some(to), Some(from)) = (last.data.get_mut(..length), data.get(..length)) {
                to.copy_from_slice(from);
            }
            last.length = u8::try_from(length).unwrap_or(0);
        }
        same
    }

    /// The streams of one reading.
    pub(super) fn streams(&self, extended: bool) -> impl Iterator<Item = u32> + '_ {
        let normal = if extended { None } else { self.normal };
        let with_byte = if extended {
            self.extended.as_slice()
        } else {
            &[]
        };
        normal
            .into_iter()
            .chain(with_byte.iter().map(|&(_, stream)| stream))
    }
}

/// A copy that comes within this time is an artefact of the capture, in nanoseconds.
const COPY: i64 = 50_000;
