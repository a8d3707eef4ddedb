//! ASAM MDF 4 bus logs: CAN frames as records of a measurement file.
//!
//! Read: finalised files and those that a logger left open (`UnFinMF`); sorted and unsorted records; data in one block,
//! in lists, deflated and transposed; data bytes within the record, as signal data, or as records of their own.
//! Several groups are merged by time. The bus is the number `BusChannel`; times are those of the master channel,
//! counted from the start of the measurement.
//! Left out: records of other kinds (LIN, decoded signals), MDF 3.
//! Limits: see [`blocks`], [`data`] and [`layout`]; [`MAX_WAITING`] frames that wait for their bytes.
//!
//! Source: ASAM MDF 4.1; public files of two loggers and one converter.

mod blocks;
mod data;
mod layout;

use std::collections::VecDeque;
use std::io;

pub(super) use self::blocks::{MAX_HELD, Store};
use self::data::Stream;
use self::layout::{Content, Group, MAX_BLOCKS, Record, Walk};
use super::{Remark, Tally, intern};
use crate::frame::{Channel, Channels, Frame, MAX_DATA};

/// How many records of variable length, and how many frames that wait for one, are kept.
const MAX_WAITING: usize = 4_096;
/// How often signal data may be read again from its front because a record points backwards.
const MAX_REWINDS: u32 = 16;
/// Where the header block is.
const HEADER_AT: u64 = 64;
/// The oldest version with this layout.
const OLDEST_VERSION: u16 = 400;

/// A logger did not finish the file...
const UNFINISHED: [u8; 8] = *b"UnFinMF ";
const FINISHED: [u8; 8] = *b"MDF     ";
/// ...and the length of the last data block is to be found out,
const OPEN_DATA: u16 = 0x04;
/// or the places of variable records.
const OPEN_PLACES: u16 = 0x40;

/// Whether a file begins like one of MDF, of whatever version.
pub(super) fn is_mdf(head: &[u8]) -> bool {
    head.starts_with(&FINISHED) || head.starts_with(&UNFINISHED)
}

/// Why a file is not read.
#[derive(Debug, Eq, PartialEq)]
pub(super) enum Refusal {
    /// It is of an older version, which is another format.
    Old,
    /// Its head is cut off or damaged.
    CutOff,
}

/// One bus log.
#[derive(Debug)]
pub(super) struct Log {
    store: Store,
    sources: Vec<Source>,
    /// Frames given so far.
    number: u64,
    data: [u8; MAX_DATA],
    buses: Vec<(u64, Channel)>,
}

impl Log {
    /// Reads the descriptions of a file.
    pub(super) fn open(mut store: Store, tally: &mut Tally) -> io::Result<Result<Self, Refusal>> {
        let mut head = Vec::new();
        store.read(0, HEADER_AT, &mut head)?;
        let number = |at: usize| {
            let rest = head.get(at..)?;
            rest.first_chunk().map(|bytes| u16::from_le_bytes(*bytes))
        };
        let (Some(version), Some(flags)) = (number(28), number(60)) else {
            return Ok(Err(Refusal::CutOff));
        };
        if version < OLDEST_VERSION {
            return Ok(Err(Refusal::Old));
        }
        let flags = if head.starts_with(&UNFINISHED) {
            flags
        } else {
            0
        };
        let mut walk = Walk { budget: MAX_BLOCKS };
        let Ok(header) = walk.block(&mut store, HEADER_AT, *b"##HD")? else {
            return Ok(Err(Refusal::CutOff));
        };
        let mut sources = Vec::new();
        let mut next = header.link(0);
        while let Some(offset) = next {
            let Ok(block) = walk.block(&mut store, offset, *b"##DG")? else {
                tally.add(Remark::Malformed, 0, offset);
                break;
            };
            next = block.link(0);
            let mut groups = Vec::new();
            let mut next_group = block.link(1);
            while let Some(offset) = next_group {
                let Ok((group, next)) = walk.group(&mut store, offset)? else {
                    tally.add(Remark::Malformed, 0, offset);
                    break;
                };
                next_group = next;
                groups.push(group);
            }
            let has_frames = |group: &Group| matches!(group.content, Content::Frames(_));
            if block.link(2).is_some() && groups.iter().any(has_frames) {
                let data = Stream::new(block.link(2), flags & OPEN_DATA != 0, &store);
                let by_order = flags & OPEN_PLACES != 0;
                let id_size = usize::from(block.u8(0));
                sources.push(Source::new(data, id_size, groups, by_order, &store));
            } else if block.link(2).is_some() && !groups.is_empty() {
                tally.add(Remark::UnknownPart, 0, offset);
            }
        }
        Ok(Ok(Self {
            store,
            sources,
            number: 0,
            data: [0; MAX_DATA],
            buses: Vec::new(),
        }))
    }

    /// How many bytes of the file were read, where it is read as it lies.
    pub(super) fn bytes_read(&self) -> Option<u64> {
        match &self.store {
            Store::File { length, read, .. } => Some(*read.min(length)),
            Store::Memory(_) => None,
        }
    }

    /// The next frame, by time over all groups; `None` at the end.
    pub(super) fn next(
        &mut self,
        channels: &mut Channels,
        tally: &mut Tally,
    ) -> io::Result<Option<Frame<'_>>> {
        let mut earliest = None;
        for (index, source) in self.sources.iter_mut().enumerate() {
            if let Some(record) = source.front(&mut self.store, tally)? {
                let time = record.time;
                if earliest.is_none_or(|(known, _)| time < known) {
                    earliest = Some((time, index));
                }
            }
        }
        let source = earliest.and_then(|(_, index)| self.sources.get_mut(index));
        let Some(record) = source.and_then(Source::take) else {
            return Ok(None);
        };
        self.number += 1;
        let known = self.buses.iter().find(|(bus, _)| *bus == record.bus);
        let channel = if let Some((_, channel)) = known {
            *channel
        } else {
            let channel = intern(channels, &record.bus.to_string(), tally, self.number, 0);
            if self.buses.len() < Channels::MAX {
                self.buses.push((record.bus, channel));
            }
            channel
        };
        self.data = record.data;
        Ok(Some(Frame {
            number: self.number,
            time: record.time,
            channel,
            id: record.id,
            kind: record.kind,
            data: self.data.get(..record.length).unwrap_or_default(),
        }))
    }
}

/// The records of one data group.
#[derive(Debug)]
struct Source {
    data: Stream,
    /// Bytes of the record id in front of each record: 0, 1, 2, 4 or 8.
    id_size: usize,
    groups: Vec<GroupState>,
    /// Frames in the order of their records; the first may be ready.
    waiting: VecDeque<Waiting>,
    is_ended: bool,
    number: u64,
}

#[derive(Debug)]
struct GroupState {
    group: Group,
    /// Records taken so far.
    count: u64,
    bytes: BytesOf,
}

/// Where a group's frames get bytes that are not in the record.
#[derive(Debug)]
enum BytesOf {
    Record,
    /// A stream of signal data, and how often it was begun again.
    Signal(Box<Stream>, u32),
    /// The records of the group at this index, found by place or, in a file left open, by order.
    Group {
        index: usize,
        by_order: bool,
    },
    /// Of a group of variable records itself: its latest ones by place, and where the next one is.
    Own {
        recent: VecDeque<(u64, u64, Bytes)>,
        place: u64,
    },
}

#[derive(Clone, Copy, Debug)]
struct Bytes {
    data: [u8; MAX_DATA],
    length: usize,
}

#[derive(Debug)]
struct Waiting {
    record: Record,
    /// The group whose record it waits for, and that one's place or number; `None` when it is ready.
    wants: Option<(usize, u64, bool)>,
}

impl Source {
    fn new(
        data: Stream,
        id_size: usize,
        groups: Vec<Group>,
        by_order: bool,
        store: &Store,
    ) -> Self {
        let offsets: Vec<u64> = groups.iter().map(|group| group.offset).collect();
        let states = groups.into_iter().map(|group| {
            let bytes = match &group.content {
                Content::Frames(layout) => match layout.apart {
                    None => BytesOf::Record,
                    Some(link) => match offsets.iter().position(|offset| *offset == link) {
                        Some(index) => BytesOf::Group { index, by_order },
                        None => BytesOf::Signal(Box::new(Stream::new(Some(link), false, store)), 0),
                    },
                },
                Content::Variable => BytesOf::Own {
                    recent: VecDeque::new(),
                    place: 0,
                },
                Content::Other => BytesOf::Record,
            };
            GroupState {
                group,
                count: 0,
                bytes,
            }
        });
        Self {
            data,
            id_size,
            groups: states.collect(),
            waiting: VecDeque::new(),
            is_ended: false,
            number: 0,
        }
    }

    /// The next frame that is ready, still in its place.
    fn front(&mut self, store: &mut Store, tally: &mut Tally) -> io::Result<Option<&Record>> {
        loop {
            let is_full = self.waiting.len() >= MAX_WAITING || self.is_ended;
            match self.waiting.front() {
                Some(Waiting { wants: None, .. }) => break,
                Some(_) if is_full => {
                    self.waiting.pop_front();
                    tally.add(Remark::CutOff, self.number, self.data.position());
                }
                None if self.is_ended => return Ok(None),
                _ => self.read_record(store, tally)?,
            }
        }
        Ok(self.waiting.front().map(|waiting| &waiting.record))
    }

    fn take(&mut self) -> Option<Record> {
        self.waiting.pop_front().map(|waiting| waiting.record)
    }

    /// Ends the stream; what is left of it counts as cut off.
    fn end(&mut self, tally: &mut Tally) {
        self.is_ended = true;
        if !self.data.window().is_empty() {
            tally.add(Remark::CutOff, self.number + 1, self.data.position());
        }
    }

    fn read_record(&mut self, store: &mut Store, tally: &mut Tally) -> io::Result<()> {
        if !self.data.ensure(self.id_size.max(1), store, tally)? {
            self.end(tally);
            return Ok(());
        }
        let id = self.data.window().iter().take(self.id_size);
        let id = id
            .rev()
            .fold(0, |sum: u64, byte| sum << 8 | u64::from(*byte));
        let is_it = |state: &GroupState| self.id_size == 0 || state.group.record_id == id;
        let Some(index) = self.groups.iter().position(is_it) else {
            // Without the length of this record the next one cannot be found.
            tally.add(Remark::Malformed, self.number + 1, self.data.position());
            self.is_ended = true;
            return Ok(());
        };
        let Some(state) = self.groups.get_mut(index) else {
            return Ok(());
        };
        let is_variable = matches!(state.group.content, Content::Variable);
        let size = if is_variable {
            4
        } else {
            state.group.size as usize
        };
        if !self.data.ensure(self.id_size + size, store, tally)? {
            self.end(tally);
            return Ok(());
        }
        self.number += 1;
        let number = self.number;
        let count = state.count;
        state.count += 1;
        if is_variable {
            return self.read_variable(index, count, store, tally);
        }
        let record = self.data.window().get(self.id_size..self.id_size + size);
        let record = record.unwrap_or_default();
        let position = self.data.position();
        match &state.group.content {
            Content::Frames(layout) => match layout.read(record, count) {
                None => tally.add(Remark::Malformed, number, position),
                Some(record) => {
                    if let Some(waiting) = fetch(&mut state.bytes, record, count, store, tally)? {
                        self.waiting.push_back(waiting);
                        self.resolve();
                    } else {
                        tally.add(Remark::Malformed, number, position);
                    }
                }
            },
            Content::Other | Content::Variable => {
                tally.add(Remark::OtherLinkType, number, position);
            }
        }
        // A record of no size and no id would be there for ever.
        self.data.take((self.id_size + size).max(1));
        Ok(())
    }

    /// Takes a record of variable length and gives it to the frame that waits for it.
    fn read_variable(
        &mut self,
        index: usize,
        count: u64,
        store: &mut Store,
        tally: &mut Tally,
    ) -> io::Result<()> {
        let head = self.data.window().get(self.id_size..).unwrap_or_default();
        let length = head
            .first_chunk()
            .map_or(0, |bytes| u32::from_le_bytes(*bytes));
        self.data.take(self.id_size + 4);
        let size = length as usize;
        let mut bytes = Bytes {
            data: [0; MAX_DATA],
            length: size.min(MAX_DATA),
        };
        if size > layout::MAX_RECORD as usize || !self.data.ensure(size, store, tally)? {
            self.is_ended = true;
            tally.add(Remark::CutOff, self.number, self.data.position());
            return Ok(());
        }
        for (to, from) in bytes
            .data
            .iter_mut()
            .zip(self.data.window().iter().take(size))
        {
            *to = *from;
        }
        self.data.take(size);
        if let Some(GroupState {
            bytes: BytesOf::Own { recent, place },
            ..
        }) = self.groups.get_mut(index)
        {
            if recent.len() == MAX_WAITING {
                recent.pop_front();
            }
            recent.push_back((*place, count, bytes));
            *place = place.saturating_add(4).saturating_add(u64::from(length));
        }
        self.resolve();
        Ok(())
    }

    /// Gives waiting frames their bytes, from the first on, as far as those have come.
    fn resolve(&mut self) {
        for waiting in &mut self.waiting {
            let Some((index, key, by_order)) = waiting.wants else {
                continue;
            };
            let Some(GroupState {
                bytes: BytesOf::Own { recent, .. },
                ..
            }) = self.groups.get_mut(index)
            else {
                return;
            };
            let of = |entry: &(u64, u64, Bytes)| if by_order { entry.1 } else { entry.0 };
            let Ok(at) = recent.binary_search_by_key(&key, of) else {
                return;
            };
            let Some((_, _, bytes)) = recent.get(at) else {
                return;
            };
            waiting.record.data = bytes.data;
            waiting.record.length = waiting.record.length.min(bytes.length);
            waiting.wants = None;
        }
    }
}

/// Gets the bytes of a frame, or notes which record it waits for. `None`: there are no such bytes.
fn fetch(
    bytes: &mut BytesOf,
    mut record: Record,
    count: u64,
    store: &mut Store,
    tally: &mut Tally,
) -> io::Result<Option<Waiting>> {
    let ready = |record| {
        Ok(Some(Waiting {
            record,
            wants: None,
        }))
    };
    let Some(place) = record.apart else {
        return ready(record);
    };
    match bytes {
        BytesOf::Record | BytesOf::Own { .. } if record.length == 0 => ready(record),
        BytesOf::Record | BytesOf::Own { .. } => Ok(None),
        BytesOf::Group { index, by_order } => {
            let key = if *by_order { count } else { place };
            let wants = Some((*index, key, *by_order));
            Ok(Some(Waiting { record, wants }))
        }
        BytesOf::Signal(stream, rewinds) => {
            if !stream.seek(place, store, tally)? {
                *rewinds += 1;
                if *rewinds > MAX_REWINDS {
                    return Ok(None);
                }
                stream.rewind(store);
                if !stream.seek(place, store, tally)? {
                    return Ok(None);
                }
            }
            if !stream.ensure(4, store, tally)? {
                return Ok(None);
            }
            let head = stream.window().first_chunk();
            let length = head.map_or(0, |bytes| u32::from_le_bytes(*bytes)) as usize;
            let length = length.min(record.length);
            stream.take(4);
            if !stream.ensure(length, store, tally)? {
                return Ok(None);
            }
            for (to, from) in record
                .data
                .iter_mut()
                .zip(stream.window().iter().take(length))
            {
                *to = *from;
            }
            record.length = length;
            stream.take(length);
            ready(record)
        }
    }
}
