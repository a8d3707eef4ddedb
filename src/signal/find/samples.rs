//! What the search keeps of a capture: for each identifier of each bus an evenly thinned set of payloads.
//!
//! Time is cut into slots; of each identifier the first frame of a slot is kept. When there is too much, all slots are made
//! twice as long and every identifier is thinned at once, so that samples of two identifiers with the same slot number
//! always belong together. Memory is bounded by [`MAX_BYTES`] whatever the capture.

use std::collections::BTreeMap;

use crate::frame::{CanId, Channel, Frame};

/// The first width of a slot, in nanoseconds.
const FIRST_SLOT_NANOS: i64 = 10_000_000;
/// Most samples of one identifier.
pub(super) const MAX_SAMPLES: usize = 2_048;
/// Most bytes of all samples together.
const MAX_BYTES: usize = 32 << 20;
/// Most identifiers that are looked at; later ones are passed over.
const MAX_STREAMS: usize = 4_096;
/// How long one frame is taken to last where the capture has no times, in nanoseconds: a bus half full at 500 kbit/s.
const UNTIMED_NANOS: i64 = 500_000;
/// Frames of several buses may be written a little out of order; a step back of more than this is a clock that was set back.
const SET_BACK_NANOS: i64 = 1_000_000_000;
/// How many 11-bit identifiers there are.
const STANDARD_IDS: usize = 2_048;

/// The samples of one identifier on one bus. All have the length of the first frame.
#[derive(Clone, Debug)]
pub(super) struct Stream {
    pub(super) id: CanId,
    pub(super) length: usize,
    /// Slot of each sample, rising.
    pub(super) slots: Vec<u32>,
    /// The payloads one behind the other.
    pub(super) data: Vec<u8>,
}

/// All samples.
#[derive(Clone, Debug, Default)]
pub(super) struct Samples {
    pub(super) streams: Vec<Stream>,
    /// For each bus and 11-bit identifier 0 or its stream's index + 1.
    standard: Vec<Box<[u16]>>,
    extended: BTreeMap<(Channel, u32), u16>,
    slot_nanos: Option<i64>,
    first_nanos: Option<i64>,
    /// The latest time so far, with what was added.
    latest_nanos: i64,
    /// What is added to a recorder's times since its clock was set back.
    added_nanos: i64,
    untimed: i64,
    bytes: usize,
}

impl Samples {
    /// The width of a slot in seconds.
    #[expect(clippy::cast_precision_loss, reason = "slots last at most hours")]
    pub(super) fn slot_s(&self) -> f64 {
        self.width() as f64 / 1e9
    }

    fn width(&self) -> i64 {
        self.slot_nanos.unwrap_or(FIRST_SLOT_NANOS)
    }

    /// A recorder's time on a clock that is never set back: what came later is later. The next capture of several may be an
    /// older one, and is then a piece behind the first as well.
    #[inline]
    fn steady(&mut self, nanos: i64) -> i64 {
        let mut time = nanos.saturating_add(self.added_nanos);
        if self.first_nanos.is_none() {
            self.first_nanos = Some(time);
            self.latest_nanos = time;
        }
        if time < self.latest_nanos.saturating_sub(SET_BACK_NANOS) {
            let behind = self.latest_nanos.saturating_add(SET_BACK_NANOS);
            self.added_nanos = behind.saturating_sub(nanos);
            time = behind;
        }
        self.latest_nanos = self.latest_nanos.max(time);
        time
    }

    /// The same for the time of an answer, which may have begun before the last frames.
    pub(super) const fn on_steady_clock(&self, nanos: i64) -> i64 {
        nanos.saturating_add(self.added_nanos)
    }

    /// The slot of a steady time, counted from the first one that was seen; `None` before it.
    #[inline]
    pub(super) fn slot(&self, nanos: i64) -> Option<u32> {
        let first = self.first_nanos.unwrap_or(nanos);
        let slot = nanos.saturating_sub(first).checked_div(self.width())?;
        u32::try_from(slot).ok()
    }

    #[inline]
    pub(super) fn push(&mut self, frame: &Frame<'_>) {
        if !frame.kind.is_data() || frame.data.len() < 2 {
            return;
        }
        let nanos = if let Some(time) = frame.time {
            time.nanos()
        } else {
            self.untimed = self.untimed.saturating_add(UNTIMED_NANOS);
            self.untimed
        };
        let nanos = self.steady(nanos);
        let Some(slot) = self.slot(nanos) else { return };
        let Some(index) = self.stream(frame) else {
            return;
        };
        let Some(stream) = self.streams.get_mut(index) else {
            return;
        };
        let late = stream.slots.last().is_some_and(|last| *last >= slot);
        if late || frame.data.len() != stream.length {
            return;
        }
        stream.slots.push(slot);
        stream.data.extend_from_slice(frame.data);
        self.bytes += frame.data.len() + 4;
        if stream.slots.len() >= MAX_SAMPLES || self.bytes >= MAX_BYTES {
            self.thin();
        }
    }

    /// The index of a frame's stream, made if it is new and there is room.
    #[inline]
    fn stream(&mut self, frame: &Frame<'_>) -> Option<usize> {
        let known = if frame.id.is_extended() {
            self.extended.get(&(frame.channel, frame.id.raw())).copied()
        } else {
            let table = self.standard.get(usize::from(frame.channel.0));
            table.and_then(|table| table.get(frame.id.raw() as usize).copied())
        };
        match known {
            Some(next @ 1..) => Some(usize::from(next) - 1),
            _ => self.new_stream(frame),
        }
    }

    fn new_stream(&mut self, frame: &Frame<'_>) -> Option<usize> {
        let index = self.streams.len();
        if index >= MAX_STREAMS {
            return None;
        }
        let next = u16::try_from(index + 1).ok()?;
        if frame.id.is_extended() {
            self.extended.insert((frame.channel, frame.id.raw()), next);
        } else {
            let channel = usize::from(frame.channel.0);
            while self.standard.len() <= channel {
                self.standard.push(vec![0; STANDARD_IDS].into_boxed_slice());
            }
            let table = self.standard.get_mut(channel)?;
            *table.get_mut(frame.id.raw() as usize)? = next;
        }
        self.streams.push(Stream {
            id: frame.id,
            length: frame.data.len(),
            slots: Vec::new(),
            data: Vec::new(),
        });
        Some(index)
    }

    /// Makes slots longer until no identifier has more than half of what it may, and all together no more than half either.
    fn thin(&mut self) {
        loop {
            self.slot_nanos = Some(self.width().saturating_mul(2));
            self.bytes = 0;
            let mut most = 0;
            for stream in &mut self.streams {
                stream.halve();
                most = most.max(stream.slots.len());
                self.bytes += stream.data.len() + 4 * stream.slots.len();
            }
            if most <= MAX_SAMPLES * 3 / 4 && self.bytes <= MAX_BYTES * 3 / 4 {
                return;
            }
        }
    }
}

impl Stream {
    /// Halves slot numbers and keeps the first sample of each.
    fn halve(&mut self) {
        let mut kept = 0;
        let mut last = None;
        for index in 0..self.slots.len() {
            let Some(slot) = self.slots.get(index).map(|slot| slot / 2) else {
                break;
            };
            if last == Some(slot) {
                continue;
            }
            last = Some(slot);
            if let Some(target) = self.slots.get_mut(kept) {
                *target = slot;
            }
            let from = index * self.length;
            self.data
                .copy_within(from..from + self.length, kept * self.length);
            kept += 1;
        }
        self.slots.truncate(kept);
        self.data.truncate(kept * self.length);
    }

    /// The payloads in order.
    pub(super) fn payloads(&self) -> impl Iterator<Item = &[u8]> {
        self.data.chunks_exact(self.length.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{FrameKind, Timestamp};

    #[test]
    fn nothing_is_lost_behind_a_clock_that_was_set_back() {
        let mut samples = Samples::default();
        for step in 0_i64..200 {
            // After a second, the clock is set back by an hour.
            let set_back = if step < 100 { 0 } else { 3_600_000_000_000 };
            samples.push(&Frame {
                number: 1,
                time: Some(Timestamp::from_nanos(step * 10_000_000 - set_back)),
                channel: Channel(0),
                id: CanId::standard(0x100).unwrap(),
                kind: FrameKind::Data,
                data: &[1, 2],
            });
        }
        let [stream] = &samples.streams[..] else {
            panic!()
        };
        assert_eq!(stream.slots.len(), 200);
        assert!(stream.slots.windows(2).all(|pair| pair[0] < pair[1]));
        // The piece behind begins a second after the one before.
        assert_eq!(stream.slots[100] - stream.slots[99], 100);
    }

    #[test]
    fn an_hour_is_kept_evenly_and_aligned() {
        let mut samples = Samples::default();
        for step in 0_i64..360_000 {
            for (id, delay) in [(0x100, 0), (0x101, 3_000_000)] {
                let data = [u8::try_from(step / 10_000).unwrap(), 0];
                samples.push(&Frame {
                    number: 1,
                    time: Some(Timestamp::from_nanos(step * 10_000_000 + delay)),
                    channel: Channel(0),
                    id: CanId::standard(id).unwrap(),
                    kind: FrameKind::Data,
                    data: &data,
                });
            }
        }
        let [a, b] = &samples.streams[..] else {
            panic!()
        };
        assert!(a.slots.len() > MAX_SAMPLES / 3 && a.slots.len() <= MAX_SAMPLES);
        assert!(a.slots.len().abs_diff(b.slots.len()) < 2);
        let steps: Vec<_> = a.slots.windows(2).map(|pair| pair[1] - pair[0]).collect();
        assert!(steps.iter().all(|step| *step == 1));
        let width = samples.slot_s();
        for (slot, payload) in a.slots.iter().zip(a.payloads()) {
            let seconds = f64::from(*slot) * width;
            assert!((f64::from(payload[0]) - seconds / 100.0).abs() < 1.0 + width / 100.0);
        }
    }
}
