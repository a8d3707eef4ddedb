//! One sender's messages: first and consecutive frames put together, and what breaks them.
//!
//! A stream is one identifier on one bus, with one address byte where addressing has one. It reads no clock.
//!
//! Source: ISO 15765-2:2016, unexpected protocol data units; reception (`N_Cr`), flow control (`N_Bs`).

use super::control::{FlowStatus, Pace, Separation};
use super::pci::Pci;
use super::queue::{Owner, Queue};
use super::{Address, Fault, Message};
use crate::frame::{Channel, Timestamp};

/// Where a frame stands and when it came.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrival {
    pub number: u64,
    pub time: Option<Timestamp>,
    /// Bytes of the whole data field.
    pub length: usize,
    /// Bytes of address before the protocol control information.
    pub prefix: usize,
}

/// What a frame did to its stream.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Outcome {
    /// Messages that ended broken.
    pub broken: u32,
    /// A whole message ended; it took this many data frames.
    pub whole: Option<u32>,
    /// A consecutive frame that follows nothing: no first frame, and not the number after the last one.
    pub astray: bool,
    /// A message ended because more is under way than is kept.
    pub limited: bool,
}

#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
enum State {
    #[default]
    Idle,
    /// A first frame came; consecutive frames are due.
    Open,
    /// Consecutive frames without a first frame.
    Orphan,
}

/// The beginning of a request, kept for comparison with answers.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Head {
    bytes: [u8; 8],
    length: u8,
    pub number: u64,
    pub time: Option<Timestamp>,
}

impl Head {
    #[inline]
    pub(super) fn new(payload: &[u8], number: u64, time: Option<Timestamp>) -> Self {
        let mut bytes = [0; 8];
        let mut length = 0;
        for (slot, &byte) in bytes.iter_mut().zip(payload) {
            *slot = byte;
            length += 1;
        }
        Self {
            bytes,
            length,
            number,
            time,
        }
    }

    pub(super) fn bytes(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.length)).unwrap_or(&[])
    }
}

#[expect(
    clippy::struct_excessive_bools,
    reason = "independent facts, no state machine"
)]
#[derive(Debug)]
pub(super) struct Stream {
    pub owner: Owner,
    pub index: u32,
    pub channel: Channel,
    pub address: Address,
    pub partner: Option<Address>,
    /// The stream of a partner that was learned.
    pub partner_index: Option<u32>,
    /// The partner was in the book, not learned.
    pub partner_is_listed: bool,
    pub functional: bool,
    /// It is functional for good: by the book, or because many answered it.
    pub is_surely_functional: bool,
    /// The last request it sent.
    pub asked: Head,
    /// Which request was answered last, by which stream.
    pub answered: Option<(u64, u32)>,
    /// How many times a request was answered by a second stream.
    pub answered_by_many: u32,
    /// Which stream steered the message under way.
    pub steered_by: Option<u32>,
    pub pace: Option<Box<Pacing>>,
    /// Whether it stands for nothing any more and may be used for another address.
    pub is_free: bool,
    state: State,
    number: u64,
    start: Option<Timestamp>,
    end: Option<Timestamp>,
    active: Option<Timestamp>,
    announced: u32,
    frames: u32,
    next: u8,
    /// Data bytes that a consecutive frame has to have, the last one excepted.
    stride: usize,
    overflowed: bool,
    /// Who said "overflow" without being known to carry messages: it counts if that is its partner at the end.
    refused_by: Option<u32>,
    last_service: u8,
    payload: Vec<u8>,
}

impl Stream {
    pub(super) fn new(index: u32, owner: Owner, channel: Channel, address: Address) -> Self {
        Self {
            owner,
            index,
            channel,
            address,
            partner: None,
            partner_index: None,
            partner_is_listed: false,
            functional: false,
            is_surely_functional: false,
            asked: Head::default(),
            answered: None,
            answered_by_many: 0,
            steered_by: None,
            pace: None,
            is_free: false,
            state: State::Idle,
            number: 0,
            start: None,
            end: None,
            active: None,
            announced: 0,
            frames: 0,
            next: 0,
            stride: 0,
            overflowed: false,
            refused_by: None,
            last_service: 0,
            payload: Vec::new(),
        }
    }

    /// Since when it waits for the next frame; `None` when it does not.
    #[inline]
    pub(super) fn waits_since(&self) -> Option<Timestamp> {
        match self.state {
            State::Idle => None,
            State::Open | State::Orphan => self.active,
        }
    }

    /// Whether a message is under way.
    #[inline]
    pub(super) fn is_open(&self) -> bool {
        self.state == State::Open
    }

    /// Whether anything is under way, be it consecutive frames without a first one.
    pub(super) fn is_busy(&self) -> bool {
        self.state != State::Idle
    }

    /// Whether a first frame came and nothing after it.
    pub(super) fn awaits_flow(&self) -> bool {
        self.state == State::Open && self.frames == 1
    }

    /// The first byte of the last segmented message that was whole.
    pub(super) fn last_service(&self) -> u8 {
        self.last_service
    }

    /// Whether it has sent a request.
    pub(super) fn has_asked(&self) -> bool {
        !self.asked.bytes().is_empty()
    }

    /// When its last frame came, and where its first one stands: the order in which unfinished messages are given.
    pub(super) fn order(&self) -> (Option<Timestamp>, u64) {
        (self.end, self.number)
    }

    /// The clock went back: what is under way cannot have been waiting since then.
    pub(super) fn clock_went_back(&mut self, now: Timestamp) {
        if self.active.is_some_and(|active| active > now) {
            self.active = Some(now);
        }
    }

    /// Takes a data frame (single, first, consecutive).
    #[inline]
    pub(super) fn take(
        &mut self,
        pci: Pci<'_>,
        arrival: Arrival,
        settled: bool,
        queue: &mut Queue,
    ) -> Outcome {
        match pci {
            Pci::Single { length, data } => self.take_single(length, data, arrival, settled, queue),
            Pci::First { length, data } => self.take_first(length, data, arrival, settled, queue),
            Pci::Consecutive { number, data } => {
                self.take_consecutive(number, data, arrival, settled, queue)
            }
            Pci::Flow { .. } => Outcome::default(),
        }
    }

    fn take_single(
        &mut self,
        length: usize,
        data: &[u8],
        arrival: Arrival,
        settled: bool,
        queue: &mut Queue,
    ) -> Outcome {
        let mut outcome = Outcome::default();
        let fault = if data.len() < length {
            // A receiver ignores it, so it does not disturb a message under way.
            outcome.broken += 1;
            Some(Fault::Length)
        } else {
            outcome.broken += self.interrupt(settled, queue);
            outcome.whole = Some(1);
            None
        };
        let mut payload = queue.spare();
        payload.extend_from_slice(data);
        let message = Message {
            number: arrival.number,
            start: arrival.time,
            end: arrival.time,
            channel: self.channel,
            address: self.address,
            partner: self.partner,
            functional: self.functional,
            frames: 1,
            announced: u32::try_from(length).unwrap_or(u32::MAX),
            payload,
            fault,
        };
        queue.push(self.owner, self.index, settled, message);
        outcome
    }

    fn take_first(
        &mut self,
        length: u32,
        data: &[u8],
        arrival: Arrival,
        settled: bool,
        queue: &mut Queue,
    ) -> Outcome {
        let broken = self.interrupt(settled, queue);
        self.begin(State::Open, arrival, queue);
        self.announced = length;
        self.next = 1;
        self.stride = arrival.length.saturating_sub(1 + arrival.prefix);
        self.add(data, queue);
        if let Some(pace) = &mut self.pace {
            pace.first_frame();
        }
        Outcome {
            broken,
            limited: self.is_limited(settled, queue),
            ..Outcome::default()
        }
    }

    fn take_consecutive(
        &mut self,
        number: u8,
        data: &[u8],
        arrival: Arrival,
        settled: bool,
        queue: &mut Queue,
    ) -> Outcome {
        let mut outcome = Outcome::default();
        match self.state {
            State::Idle => {
                self.begin(State::Orphan, arrival, queue);
                self.add(data, queue);
                self.next = (number + 1) & 0x0F;
            }
            State::Orphan => {
                outcome.astray = number != self.next;
                self.next = (number + 1) & 0x0F;
                self.advance(arrival);
                let room = MAX_ORPHAN_BYTES.saturating_sub(self.payload.len());
                self.add(data.get(..room).unwrap_or(data), queue);
                outcome.limited = self.is_limited(settled, queue);
            }
            State::Open => {
                if let Some(pace) = &mut self.pace {
                    pace.consecutive(arrival.time, number, self.next);
                }
                self.advance(arrival);
                if number != self.next {
                    outcome.broken = self.end(Fault::Sequence, settled, queue);
                    return outcome;
                }
                self.next = (number + 1) & 0x0F;
                return self.extend(data, settled, queue);
            }
        }
        outcome
    }

    /// Adds the bytes of the right consecutive frame.
    #[inline]
    fn extend(&mut self, data: &[u8], settled: bool, queue: &mut Queue) -> Outcome {
        let mut outcome = Outcome::default();
        let missing = (self.announced as usize).saturating_sub(self.payload.len());
        let due = missing.min(self.stride);
        self.add(data.get(..missing).unwrap_or(data), queue);
        if data.len() < due || self.payload.len() > MAX_PAYLOAD {
            outcome.broken = self.end(Fault::Length, settled, queue);
        } else if self.payload.len() >= self.announced as usize {
            outcome.whole = Some(self.frames);
            self.last_service = self.payload.first().copied().unwrap_or(0);
            self.give(None, settled, queue);
        } else {
            outcome.limited = self.is_limited(settled, queue);
        }
        outcome
    }

    /// Adds bytes to the message under way.
    #[inline]
    fn add(&mut self, data: &[u8], queue: &mut Queue) {
        self.payload.extend_from_slice(data);
        queue.opened(data.len());
    }

    /// Ends the message under way if those of all streams together are more than is kept; whether it did.
    #[inline]
    fn is_limited(&mut self, settled: bool, queue: &mut Queue) -> bool {
        // Its sender is not to blame, so it does not count as broken.
        queue.is_too_open() && self.end(Fault::Limit, settled, queue) > 0
    }

    /// Takes a flow-control frame that steers this sender; gives the number of messages it broke. `doubtful` is who sent
    /// it, if that may be no flow control at all.
    pub(super) fn steer(
        &mut self,
        (status, block_size, separation): (FlowStatus, u8, Separation),
        doubtful: Option<u32>,
        time: Option<Timestamp>,
        settled: bool,
        queue: &mut Queue,
    ) -> u32 {
        if let Some(pace) = &mut self.pace {
            pace.flow(status, block_size, separation);
        }
        if self.state != State::Open {
            return 0;
        }
        if time.is_some() {
            self.active = time;
        }
        if status == FlowStatus::Overflow {
            if doubtful.is_some() {
                self.refused_by = doubtful;
                return 0;
            }
            // Right only after the first frame. Later, the sender may not care: wait and see.
            if self.frames == 1 {
                return self.end(Fault::Overflow, settled, queue);
            }
            self.overflowed = true;
        }
        0
    }

    /// Ends what is under way because its time is over.
    pub(super) fn time_out(&mut self, settled: bool, queue: &mut Queue) -> u32 {
        self.end(Fault::Timeout, settled, queue)
    }

    /// Ends what is under way because the capture ends.
    pub(super) fn cut_off(&mut self, settled: bool, queue: &mut Queue) -> u32 {
        self.end(Fault::CaptureEnd, settled, queue)
    }

    /// Forgets what is under way.
    pub(super) fn free(&mut self, queue: &mut Queue) {
        self.state = State::Idle;
        self.is_free = true;
        self.pace = None;
        queue.closed(self.payload.len());
        queue.recycle(std::mem::take(&mut self.payload));
    }

    /// A new message begins: what is under way ends.
    #[inline]
    fn interrupt(&mut self, settled: bool, queue: &mut Queue) -> u32 {
        if self.state == State::Idle {
            return 0;
        }
        self.end(Fault::Restarted, settled, queue)
    }

    fn end(&mut self, fault: Fault, settled: bool, queue: &mut Queue) -> u32 {
        let fault = match self.state {
            State::Idle => return 0,
            State::Orphan => Fault::Orphan,
            State::Open if self.is_refused() && fault != Fault::Sequence => Fault::Overflow,
            State::Open => fault,
        };
        self.give(Some(fault), settled, queue);
        1
    }

    fn is_refused(&self) -> bool {
        self.overflowed || self.refused_by.is_some() && self.refused_by == self.partner_index
    }

    fn begin(&mut self, state: State, arrival: Arrival, queue: &mut Queue) {
        self.state = state;
        self.number = arrival.number;
        self.start = arrival.time;
        self.end = arrival.time;
        self.active = arrival.time;
        self.announced = 0;
        self.frames = 1;
        self.overflowed = false;
        self.refused_by = None;
        self.steered_by = None;
        self.payload = queue.spare();
    }

    #[inline]
    fn advance(&mut self, arrival: Arrival) {
        self.frames = self.frames.saturating_add(1);
        self.end = arrival.time;
        self.active = arrival.time;
    }

    fn give(&mut self, fault: Option<Fault>, settled: bool, queue: &mut Queue) {
        self.state = State::Idle;
        queue.closed(self.payload.len());
        let message = Message {
            number: self.number,
            start: self.start,
            end: self.end,
            channel: self.channel,
            address: self.address,
            partner: self.partner,
            functional: self.functional,
            frames: self.frames,
            payload: std::mem::take(&mut self.payload),
            announced: self.announced,
            fault,
        };
        queue.push(self.owner, self.index, settled, message);
    }
}

/// Keeps a [`Pace`] up to date.
#[derive(Clone, Debug, Default)]
pub(super) struct Pacing {
    pace: Pace,
    last: Option<Timestamp>,
    gaps: std::collections::BTreeMap<i64, u64>,
}

impl Pacing {
    fn first_frame(&mut self) {
        self.pace.first_frames += 1;
        self.last = None;
    }

    fn consecutive(&mut self, time: Option<Timestamp>, number: u8, expected: u8) {
        if number != expected {
            let ahead = number.wrapping_sub(expected) & 0x0F;
            // Up to half a turn ahead it skipped some; otherwise it went back.
            if ahead < 8 {
                self.pace.lost += u64::from(ahead);
            } else {
                self.pace.repeated += 1;
            }
        }
        if let (Some(now), Some(last)) = (time, self.last) {
            let gap = now.nanos_since(last).max(0);
            *self.gaps.entry(coarse(gap)).or_default() += 1;
            self.pace.least_gap = Some(self.pace.least_gap.map_or(gap, |least| least.min(gap)));
            if let Some(separation) = self.pace.separation {
                let asked = i64::from(separation.micros()) * 1_000;
                if gap < asked - asked / 10 {
                    self.pace.too_early += 1;
                }
            }
        }
        self.last = time;
    }

    fn flow(&mut self, status: FlowStatus, block_size: u8, separation: Separation) {
        match status {
            FlowStatus::Continue => {
                self.pace.flow_frames += 1;
                self.pace.block_size = Some(block_size);
                self.pace.separation = Some(separation);
                // The next gap is the receiver's pause, not the sender's.
                self.last = None;
            }
            FlowStatus::Wait => self.pace.waits += 1,
            FlowStatus::Overflow => self.pace.overflows += 1,
        }
    }

    pub(super) fn pace(&self) -> Pace {
        let all: u64 = self.gaps.values().sum();
        let mut below = 0;
        let median = self.gaps.iter().find_map(|(&gap, &count)| {
            below += count;
            (below * 2 >= all).then_some(gap)
        });
        Pace {
            // Rounded down to an eighth, it must not be less than the least one.
            median_gap: median.max(self.pace.least_gap),
            ..self.pace.clone()
        }
    }
}

/// The gap with only its four leading bits, so that few different ones exist.
const fn coarse(gap: i64) -> i64 {
    let drop = (60_u32).saturating_sub(gap.leading_zeros());
    (gap >> drop) << drop
}

/// Longest message, in bytes; a longer one ends broken.
pub(super) const MAX_PAYLOAD: usize = 1 << 20;
/// Bytes kept of consecutive frames without a first one.
const MAX_ORPHAN_BYTES: usize = 4_095;
