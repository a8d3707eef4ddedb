//! TCP streams put together from their segments.
//!
//! A stream is one direction of a connection. Segments that repeat what came are passed over, those that come too early
//! wait. When what is missing does not come, it is given up, and the stream is read on from the next likely header.

use std::collections::BTreeMap;
use std::net::SocketAddr;

use super::Place;
use super::header::Header;
use super::packet::Segment;
use crate::frame::{Channel, Timestamp};
use crate::transport::Fault;
use crate::transport::stream::MAX_PAYLOAD;

/// A header with its payload.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece<'a> {
    pub header: Header,
    pub payload: &'a [u8],
    pub place: Place,
    /// When its last byte came.
    pub end: Option<Timestamp>,
    /// How many segments it took.
    pub segments: u32,
    pub fault: Option<Fault>,
}

/// What comes out of a stream.
#[derive(Debug)]
pub(super) enum Found<'a> {
    Piece(Piece<'a>),
    /// So many bytes could not be read.
    Lost(usize),
}

type Key = (Channel, SocketAddr, SocketAddr);

/// All streams of a capture.
#[derive(Debug, Default)]
pub(super) struct Streams {
    known: BTreeMap<Key, Stream>,
    /// Counts segments, to find the stream that has been quiet for longest.
    age: u64,
}

impl Streams {
    pub(super) fn push(
        &mut self,
        segment: &Segment<'_>,
        place: Place,
        give: &mut dyn FnMut(Found<'_>),
    ) {
        self.age += 1;
        let key = (place.channel, segment.from, segment.to);
        if !self.known.contains_key(&key) {
            self.make_room(give);
        }
        let stream = self.known.entry(key).or_default();
        stream.age = self.age;
        if segment.begins {
            stream.close(Fault::Restarted, give);
            *stream = Stream {
                next: Some(segment.sequence.wrapping_add(1)),
                is_aligned: true,
                age: self.age,
                ..Stream::default()
            };
        }
        let sequence = segment.sequence.wrapping_add(u32::from(segment.begins));
        stream.take(sequence, segment.payload, place, give);
        if segment.ends {
            stream.close(Fault::Length, give);
            self.known.remove(&key);
        }
    }

    pub(super) fn finish(&mut self, give: &mut dyn FnMut(Found<'_>)) {
        for (_, mut stream) in std::mem::take(&mut self.known) {
            stream.close(Fault::CaptureEnd, give);
        }
    }

    fn make_room(&mut self, give: &mut dyn FnMut(Found<'_>)) {
        if self.known.len() < MAX_STREAMS {
            return;
        }
        let oldest = self.known.iter().min_by_key(|(_, stream)| stream.age);
        if let Some(key) = oldest.map(|(key, _)| *key)
            && let Some(mut stream) = self.known.remove(&key)
        {
            stream.close(Fault::Length, give);
        }
    }
}

/// One direction of a connection.
#[derive(Debug, Default)]
struct Stream {
    age: u64,
    /// The sequence number of the next byte; `None` before the first segment.
    next: Option<u32>,
    /// The next byte to be read begins a header.
    is_aligned: bool,
    /// Bytes in order that are not read yet.
    bytes: Vec<u8>,
    /// Where `bytes` came from: how many of them this and the earlier segments hold. Invariant: rising.
    origins: Vec<(usize, Place)>,
    /// Bytes of a message that is too long to be kept, still to be passed over.
    skip: usize,
    /// Segments that came too early, by their distance from `base`.
    early: BTreeMap<u32, (Place, Vec<u8>)>,
    early_bytes: usize,
}

impl Stream {
    fn take(
        &mut self,
        sequence: u32,
        payload: &[u8],
        place: Place,
        give: &mut dyn FnMut(Found<'_>),
    ) {
        if payload.is_empty() {
            return;
        }
        let next = *self.next.get_or_insert(sequence);
        let ahead = sequence.wrapping_sub(next);
        if ahead == 0 {
            self.append(payload, place);
        } else if ahead < WINDOW {
            self.store(sequence, payload, place);
        } else if let behind = next.wrapping_sub(sequence)
            && behind < WINDOW
        {
            // A repetition; its end may be new.
            let fresh = payload.get(behind as usize..).unwrap_or(&[]);
            if fresh.is_empty() {
                return;
            }
            self.append(fresh, place);
        } else {
            // Another connection on the same ports, whose beginning is not in the capture.
            self.close(Fault::Restarted, give);
            self.next = Some(sequence);
            self.append(payload, place);
        }
        self.catch_up();
        while self.early_bytes > MAX_EARLY_BYTES
            || self.early.len() > MAX_EARLY
            || self.is_stale(place)
        {
            self.give_up_gap(give);
        }
        self.read(give);
    }

    fn append(&mut self, payload: &[u8], place: Place) {
        let length = u32::try_from(payload.len()).unwrap_or(0);
        self.next = self.next.map(|next| next.wrapping_add(length));
        self.bytes.extend_from_slice(payload);
        self.origins.push((self.bytes.len(), place));
    }

    fn store(&mut self, sequence: u32, payload: &[u8], place: Place) {
        let is_longer = self
            .early
            .get(&sequence)
            .is_none_or(|(_, known)| known.len() < payload.len());
        if !is_longer {
            return;
        }
        self.early_bytes += payload.len();
        if let Some((_, known)) = self.early.insert(sequence, (place, payload.to_vec())) {
            self.early_bytes = self.early_bytes.saturating_sub(known.len());
        }
    }

    /// Appends the early segments whose turn has come.
    fn catch_up(&mut self) {
        while let Some(sequence) = self.nearest_early() {
            let next = self.next.unwrap_or(sequence);
            let behind = next.wrapping_sub(sequence);
            if behind >= WINDOW {
                break;
            }
            self.take_early(sequence, behind as usize);
        }
    }

    fn take_early(&mut self, sequence: u32, behind: usize) {
        if let Some((place, payload)) = self.early.remove(&sequence) {
            self.early_bytes = self.early_bytes.saturating_sub(payload.len());
            if let Some(fresh) = payload.get(behind..)
                && !fresh.is_empty()
            {
                self.append(fresh, place);
            }
        }
    }

    /// The early segment that is nearest to the next byte, those behind it first.
    fn nearest_early(&self) -> Option<u32> {
        let next = self.next?;
        // The distance is turned by half the circle, so that what lies behind comes first.
        self.early
            .keys()
            .copied()
            .min_by_key(|sequence| sequence.wrapping_sub(next).wrapping_add(1 << 31))
    }

    /// Whether something has waited too long for what is missing before it.
    fn is_stale(&self, now: Place) -> bool {
        let first = self.early.values().next();
        match (now.time, first.and_then(|(place, _)| place.time)) {
            (Some(now), Some(then)) => now.nanos_since(then) > LONGEST_GAP,
            _ => false,
        }
    }

    /// What is missing will not come: reads on behind it.
    fn give_up_gap(&mut self, give: &mut dyn FnMut(Found<'_>)) {
        self.read(give);
        let Some(sequence) = self.nearest_early() else {
            return;
        };
        self.break_off(Fault::Sequence, give);
        self.next = Some(sequence);
        self.is_aligned = false;
        self.take_early(sequence, 0);
        self.catch_up();
    }

    /// The connection is over, or is not what it was.
    fn close(&mut self, fault: Fault, give: &mut dyn FnMut(Found<'_>)) {
        while !self.early.is_empty() {
            self.give_up_gap(give);
        }
        self.read(give);
        self.break_off(fault, give);
        self.is_aligned = false;
    }

    /// Gives what is there of an unfinished message, and forgets it.
    fn break_off(&mut self, fault: Fault, give: &mut dyn FnMut(Found<'_>)) {
        self.skip = 0;
        if !self.bytes.is_empty() {
            match Header::split(&self.bytes) {
                Some((header, payload)) if self.is_aligned => {
                    if let (Some(first), Some(last)) = (self.origins.first(), self.origins.last()) {
                        give(Found::Piece(Piece {
                            header,
                            payload,
                            place: first.1,
                            end: last.1.time,
                            segments: count(self.origins.len()),
                            fault: Some(fault),
                        }));
                    }
                }
                _ => lose(self.bytes.len(), give),
            }
        }
        self.bytes.clear();
        self.origins.clear();
    }

    /// Reads whole headers and payloads off the front.
    fn read(&mut self, give: &mut dyn FnMut(Found<'_>)) {
        let mut start = 0;
        loop {
            if self.skip > 0 {
                let passed = self.skip.min(self.bytes.len() - start);
                self.skip -= passed;
                start += passed;
                if self.skip > 0 {
                    break;
                }
            }
            let Some(rest) = self.bytes.get(start..) else {
                break;
            };
            if !self.is_aligned {
                let found = (0..rest.len()).find(|&at| {
                    Header::is_likely(rest.get(at..).unwrap_or(&[])).is_none_or(|likely| likely)
                });
                let passed = found.unwrap_or(rest.len());
                lose(passed, give);
                start += passed;
                let rest = self.bytes.get(start..).unwrap_or(&[]);
                if Header::is_likely(rest) != Some(true) {
                    break;
                }
                self.is_aligned = true;
                continue;
            }
            if rest.len() < Header::LENGTH {
                break;
            }
            let Some((header, after)) = Header::split(rest) else {
                // Out of step: look for the next header.
                self.is_aligned = false;
                lose(1, give);
                start += 1;
                continue;
            };
            let wanted = header.length as usize;
            let whole = after.get(..wanted);
            if whole.is_none() && after.len() <= MAX_PAYLOAD {
                break;
            }
            let payload = whole.unwrap_or(after);
            let end = start + Header::LENGTH + payload.len();
            let first = self.origins.iter().find(|(until, _)| *until > start);
            let last = self.origins.iter().find(|(until, _)| *until >= end);
            if let (Some(&(_, place)), Some(&(_, end_place))) = (first, last) {
                let segments = self
                    .origins
                    .iter()
                    .filter(|(until, _)| *until > start)
                    .take_while(|(until, _)| *until < end)
                    .count();
                give(Found::Piece(Piece {
                    header,
                    payload,
                    place,
                    end: end_place.time,
                    segments: count(segments + 1),
                    fault: whole.is_none().then_some(Fault::Length),
                }));
            }
            self.skip = wanted - payload.len();
            start = end;
        }
        self.drop_front(start);
    }

    fn drop_front(&mut self, start: usize) {
        self.bytes.drain(..start.min(self.bytes.len()));
        self.origins.retain_mut(|(until, _)| {
            *until = until.saturating_sub(start);
            *until > 0
        });
    }
}

/// Reports bytes that could not be read.
fn lose(length: usize, give: &mut dyn FnMut(Found<'_>)) {
    if length > 0 {
        give(Found::Lost(length));
    }
}

fn count(segments: usize) -> u32 {
    u32::try_from(segments).unwrap_or(u32::MAX)
}

/// Most streams that are put together at a time; the one that has been quiet for longest goes first.
pub(super) const MAX_STREAMS: usize = 64;
/// A segment farther off than this belongs to another connection.
const WINDOW: u32 = 1 << 24;
/// Most segments that wait for what is missing before them, and their bytes.
const MAX_EARLY: usize = 64;
const MAX_EARLY_BYTES: usize = 1 << 18;
/// What is missing for longer than this, in nanoseconds, does not come.
const LONGEST_GAP: i64 = 5_000_000_000;
