//! ISO 15765-2 as an observer: frames in, whole messages out.
//!
//! It reads no clock: a message is overdue when a later frame of its bus, or the caller, says what time it is.
//! Unfinished messages are given too, with the [`Fault`](super::Fault) that ended them and the bytes that did arrive.
//! Messages come in the order in which they end; those of an identifier that is not in the book wait until it is
//! recognised or given up (see `recognition`), and hold back those behind them meanwhile.
//! Memory: so many identifiers and streams at most, each grown only by bytes that came.
//!
//! Source: ISO 15765-2:2016; time-outs `N_Bs` and `N_Cr`: 1 s.

use std::collections::VecDeque;

use super::addressing::Listed;
use super::clock::Clock;
use super::control::FlowStatus;
use super::doip::{DoIp, Sink};
use super::form::{Habit, Prior, is_strict_frame};
use super::lane::{Bus, Lane, Standing, Word};
use super::pci::{self, Pci};
use super::queue::{Held, Owner, Queue};
use super::recognition::Pairs;
use super::stream::{Arrival, Pacing, Stream};
use super::{
    Address, AddressBook, Control, Conversation, Message, Pace, Separation, TransportTally,
};
use crate::capture::Packet;
use crate::frame::{CanId, Channel, Channels, Frame, Timestamp};

/// Listens to frames and packets, gives messages. See the example at [`Observer::push`].
#[derive(Debug)]
pub struct Observer {
    pub(super) book: AddressBook,
    pub(super) clock: Clock,
    pub(super) buses: Vec<Bus>,
    pub(super) lanes: Vec<Lane>,
    pub(super) streams: Vec<Stream>,
    pub(super) free: Vec<u32>,
    pub(super) queue: Queue,
    pub(super) pairs: Pairs,
    pub(super) tally: TransportTally,
    doip: DoIp,
    controls: VecDeque<Control>,
    keeps_control: bool,
}

impl Observer {
    /// An observer that knows what is in the book beforehand and recognises the rest.
    pub fn new(book: AddressBook) -> Self {
        Self {
            book,
            clock: Clock::default(),
            buses: Vec::new(),
            lanes: Vec::new(),
            streams: Vec::new(),
            free: Vec::new(),
            queue: Queue::default(),
            pairs: Pairs::default(),
            tally: TransportTally::default(),
            doip: DoIp::default(),
            controls: VecDeque::new(),
            keeps_control: false,
        }
    }

    /// Whether to keep what is no message (flow control, other ISO 13400 payloads, the pace of each sender).
    pub fn keep_control(&mut self, keep: bool) {
        self.keeps_control = keep;
    }

    /// Takes a frame.
    ///
    /// ```
    /// use tonering::frame::{CanId, Channel, Frame, FrameKind};
    /// use tonering::transport::{AddressBook, Observer};
    ///
    /// let mut observer = Observer::new(AddressBook::new());
    /// let frames: [&[u8]; 2] = [&[0x10, 0x08, 0x62, 0xF1, 0x90, 0x41, 0x42, 0x43], &[0x21, 0x44, 0x45]];
    /// for (number, data) in (1..).zip(frames) {
    ///     let id = CanId::standard(0x7E8)?;
    ///     observer.push(&Frame { number, time: None, channel: Channel(0), id, kind: FrameKind::Data, data });
    /// }
    /// let message = observer.next_message().expect("a whole message came");
    /// assert_eq!(message.payload, [0x62, 0xF1, 0x90, 0x41, 0x42, 0x43, 0x44, 0x45]);
    /// # Ok::<(), tonering::frame::IdOutOfRange>(())
    /// ```
    #[inline]
    pub fn push(&mut self, frame: &Frame<'_>) {
        if !frame.kind.is_data() {
            return;
        }
        let index = usize::from(frame.channel.0).min(Channels::MAX - 1);
        while self.buses.len() <= index {
            self.buses.push(Bus::new());
        }
        if let Some(now) = frame.time {
            self.clock.tick(now);
            self.tick(index, now);
        }
        let Some(bus) = self.buses.get_mut(index) else {
            return;
        };
        match bus.word(frame.id) {
            Word::BROADCAST => {}
            Word::J1939 => self.tally.j1939 += 1,
            Word::UNKNOWN => self.admit(index, frame),
            word => {
                if let Some(lane) = word.lane() {
                    self.hear(index, lane, frame);
                }
            }
        }
    }

    /// Takes an Ethernet packet, which may carry ISO 13400.
    pub fn push_packet(&mut self, packet: &Packet<'_>) {
        self.with_doip(|doip, sink| doip.push(packet, sink));
    }

    fn with_doip(&mut self, work: impl FnOnce(&mut DoIp, &mut Sink<'_>)) {
        let controls = &mut self.controls;
        let keeps = self.keeps_control;
        let mut sink = Sink {
            queue: &mut self.queue,
            tally: &mut self.tally,
            control: &mut |control| {
                if keeps {
                    controls.push_back(control);
                }
            },
        };
        work(&mut self.doip, &mut sink);
    }

    /// The next finished message, whole or broken.
    #[inline]
    pub fn next_message(&mut self) -> Option<Message> {
        self.queue.pop_ready()
    }

    /// The next thing that is no message; `None` unless [`Observer::keep_control`] was asked for.
    pub fn next_control(&mut self) -> Option<Control> {
        self.controls.pop_front()
    }

    /// Gives a message's buffer back for use in a later one.
    #[inline]
    pub fn recycle(&mut self, message: Message) {
        self.queue.recycle(message.payload);
    }

    /// When the next message will be overdue, at the earliest; `None` when nothing is under way.
    pub fn deadline(&self) -> Option<Timestamp> {
        let earliest = self.buses.iter().map(|bus| bus.deadline).min()?;
        // A limit is exceeded, not reached.
        (earliest != i64::MAX).then(|| Timestamp::from_nanos(earliest.saturating_add(1)))
    }

    /// Says what time it is, when no frame does.
    pub fn expire(&mut self, now: Timestamp) {
        for index in 0..self.buses.len() {
            self.tick(index, now);
        }
    }

    /// The capture is over: gives what is under way as broken, and settles what is undecided.
    pub fn finish(&mut self) {
        let end = self.buses.iter().filter_map(|bus| bus.now).max();
        let limit = self.clock.limit(OVERDUE);
        let mut open: Vec<_> = self
            .streams
            .iter()
            .filter(|stream| stream.is_busy())
            .map(|stream| (stream.order(), stream.index))
            .collect();
        open.sort_unstable();
        for (_, index) in open {
            let settled = self.is_settled(index);
            let Some(stream) = self.streams.get_mut(index as usize) else {
                continue;
            };
            let overdue = match (end, stream.waits_since()) {
                (Some(end), Some(since)) => end.nanos_since(since) > limit,
                _ => false,
            };
            let broken = if overdue {
                stream.time_out(settled, &mut self.queue)
            } else {
                stream.cut_off(settled, &mut self.queue)
            };
            self.note_faults(index, broken);
        }
        self.settle_all();
        self.release();
        self.with_doip(DoIp::finish);
    }

    /// The conversations that were seen: those of the book and those that were recognised, requests first.
    pub fn conversations(&self) -> Vec<Conversation> {
        let mut found: Vec<_> = self
            .streams
            .iter()
            .filter(|stream| !stream.is_free && self.is_settled(stream.index))
            .filter_map(|stream| {
                let partner = stream.partner?;
                let (request, response) = if self.is_requester(stream, partner) {
                    (stream.address, partner)
                } else {
                    (partner, stream.address)
                };
                Some(Conversation {
                    request,
                    response,
                    addressing: self.addressing_of(stream),
                })
            })
            .collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    /// How well each sender of segmented messages kept its times; empty unless [`Observer::keep_control`] was asked for.
    pub fn paces(&self) -> Vec<(Channel, Address, Option<Address>, Pace)> {
        let mut paces: Vec<_> = self
            .streams
            .iter()
            .filter(|stream| !stream.is_free && self.is_settled(stream.index))
            .filter_map(|stream| {
                let pace = stream.pace.as_ref()?.pace();
                (pace != Pace::default()).then_some((
                    stream.channel,
                    stream.address,
                    stream.partner,
                    pace,
                ))
            })
            .collect();
        paces.sort_unstable_by_key(|&(channel, address, ..)| (channel, address));
        paces
    }

    /// What was counted.
    pub fn tally(&self) -> &TransportTally {
        &self.tally
    }

    /// The time of a bus goes on.
    #[inline]
    fn tick(&mut self, index: usize, now: Timestamp) {
        let Some(bus) = self.buses.get_mut(index) else {
            return;
        };
        let went_back = bus.now.is_some_and(|last| last > now);
        bus.now = Some(now);
        if now.nanos() > bus.deadline || went_back {
            self.expire_bus(index, now, went_back);
        }
    }

    #[cold]
    fn expire_bus(&mut self, index: usize, now: Timestamp, went_back: bool) {
        let limit = self.clock.limit(OVERDUE);
        self.tally.slow_clock = self.clock.is_slow();
        let Some(bus) = self.buses.get(index) else {
            return;
        };
        let mut overdue = Vec::new();
        for &stream_index in &bus.streams {
            let Some(stream) = self.streams.get_mut(stream_index as usize) else {
                continue;
            };
            if went_back {
                stream.clock_went_back(now);
            }
            if let Some(since) = stream.waits_since()
                && now.nanos_since(since) > limit
            {
                overdue.push((stream.order(), stream_index));
            }
        }
        overdue.sort_unstable();
        for (_, stream_index) in overdue {
            let settled = self.is_settled(stream_index);
            if let Some(stream) = self.streams.get_mut(stream_index as usize) {
                let broken = stream.time_out(settled, &mut self.queue);
                self.note_faults(stream_index, broken);
            }
        }
        self.give_up_waiting(index, now);
        self.release();
        let Some(bus) = self.buses.get_mut(index) else {
            return;
        };
        let earliest = bus
            .streams
            .iter()
            .filter_map(|&stream| self.streams.get(stream as usize)?.waits_since())
            .min();
        bus.deadline = earliest.map_or(i64::MAX, |since| since.nanos().saturating_add(limit));
        self.mind_the_front();
    }

    /// First frame of an identifier.
    #[cold]
    fn admit(&mut self, index: usize, frame: &Frame<'_>) {
        let standing = match self.book.listed(frame.id) {
            Listed::As(addressing) => Standing::Carries {
                extended: addressing.prefix() == 1,
            },
            Listed::No => Standing::Undecided,
        };
        let bus_index = u16::try_from(index).unwrap_or(u16::MAX);
        let Some(bus) = self.buses.get_mut(index) else {
            return;
        };
        let mut habits = None;
        if standing == Standing::Undecided {
            if Prior::of(frame.id) == Prior::Never {
                bus.set_word(frame.id, Word::J1939);
                self.tally.j1939 += 1;
                return;
            }
            let refuted = [false, true].map(|extended| !is_plausible(frame, extended));
            if refuted == [true, true] {
                bus.set_word(frame.id, refusal(frame.id));
                return;
            }
            habits = Some(Box::new(refuted.map(|is_refuted| Habit {
                is_refuted,
                ..Habit::default()
            })));
        }
        if self.lanes.len() >= Word::MAX_LANES {
            self.tally.unwatched += 1;
            return;
        }
        let lane_index = u32::try_from(self.lanes.len()).unwrap_or(u32::MAX);
        if !bus.set_word(frame.id, Word::of_lane(lane_index)) {
            self.tally.unwatched += 1;
            return;
        }
        bus.undecided += u32::from(standing == Standing::Undecided);
        let mut lane = Lane::new(frame.id, bus_index, standing);
        lane.habits = habits;
        self.lanes.push(lane);
        self.hear(index, lane_index, frame);
    }

    /// A frame of an identifier that carries messages, or may.
    #[inline]
    fn hear(&mut self, bus: usize, lane_index: u32, frame: &Frame<'_>) {
        let Some(lane) = self.lanes.get_mut(lane_index as usize) else {
            return;
        };
        if lane.is_copy(frame.data, frame.time) {
            self.tally.duplicates += 1;
            return;
        }
        match lane.standing {
            Standing::Carries { extended } => {
                let owner = Owner {
                    lane: lane_index,
                    extended,
                };
                self.read(bus, owner, true, frame);
            }
            Standing::Undecided => self.hear_undecided(bus, lane_index, frame),
            Standing::Broadcast => {}
        }
    }

    /// Reads a frame with or without address byte.
    #[inline]
    pub(super) fn read(&mut self, bus: usize, owner: Owner, settled: bool, frame: &Frame<'_>) {
        let prefix = usize::from(owner.extended);
        let Ok(pci) = pci::parse(frame.data, prefix) else {
            self.tally.malformed += u64::from(settled);
            return;
        };
        let Some(stream_index) = self.stream_of(bus, owner, frame) else {
            self.tally.unwatched += 1;
            return;
        };
        if let Pci::Flow {
            status,
            block_size,
            separation,
        } = pci
        {
            self.flow(
                bus,
                stream_index,
                settled,
                (status, block_size, separation),
                frame,
            );
            return;
        }
        let Some(stream) = self.streams.get_mut(stream_index as usize) else {
            return;
        };
        let arrival = Arrival {
            number: frame.number,
            time: frame.time,
            length: frame.data.len(),
            prefix,
        };
        let outcome = stream.take(pci, arrival, settled, &mut self.queue);
        self.tally.limited += u64::from(outcome.limited);
        if let (Some(since), Some(bus)) = (stream.waits_since(), self.buses.get_mut(bus)) {
            let due = since.nanos().saturating_add(OVERDUE);
            bus.deadline = bus.deadline.min(due);
        }
        self.reflect(bus, stream_index, settled, &pci, outcome, frame);
    }

    /// A flow-control frame: it steers the partner's message.
    fn flow(
        &mut self,
        bus: usize,
        from: u32,
        settled: bool,
        parameters: (FlowStatus, u8, Separation),
        frame: &Frame<'_>,
    ) {
        let steered = self.steered_by(bus, from);
        let mut sender = None;
        for &target in &steered {
            let target_settled = self.is_settled(target);
            if let Some(stream) = self.streams.get_mut(target as usize) {
                sender = Some(stream.address);
                // Who says "overflow" to a message that goes on was not heard by its sender.
                if stream.is_open() && parameters.0 == FlowStatus::Continue {
                    stream.steered_by = Some(from);
                }
                let doubtful = (!settled).then_some(from);
                let broken = stream.steer(
                    parameters,
                    doubtful,
                    frame.time,
                    target_settled,
                    &mut self.queue,
                );
                self.note_faults(target, broken);
            }
        }
        if steered.is_empty() {
            self.tally.stray_flow += u64::from(settled);
            // While messages of others are under way, it may belong to one that somebody else seemed to steer.
            let is_alone = !settled && !self.is_anything_open(bus, from);
            self.note_faults(from, u32::from(is_alone));
        }
        let Some(stream) = self.streams.get(from as usize) else {
            return;
        };
        if self.keeps_control && settled {
            let (status, block_size, separation) = parameters;
            self.controls.push_back(Control::Flow {
                number: frame.number,
                time: frame.time,
                channel: frame.channel,
                address: stream.address,
                sender: stream.partner.or(sender.filter(|_| steered.len() == 1)),
                status,
                block_size,
                separation,
            });
        }
    }

    /// The stream of a frame, made if it is new.
    #[inline]
    fn stream_of(&mut self, bus: usize, owner: Owner, frame: &Frame<'_>) -> Option<u32> {
        let lane = self.lanes.get(owner.lane as usize)?;
        let extension = if owner.extended {
            Some(*frame.data.first()?)
        } else {
            None
        };
        let known = match extension {
            None => lane.normal,
            Some(byte) => lane
                .extended
                .iter()
                .find_map(|&(known, stream)| (known == byte).then_some(stream)),
        };
        known.or_else(|| self.make_stream(bus, owner, extension, frame))
    }

    #[cold]
    fn make_stream(
        &mut self,
        bus: usize,
        owner: Owner,
        extension: Option<u8>,
        frame: &Frame<'_>,
    ) -> Option<u32> {
        let address = Address::Can {
            id: frame.id,
            extension,
        };
        let index = match self.free.pop() {
            Some(index) => index,
            None if self.streams.len() < MAX_STREAMS => u32::try_from(self.streams.len()).ok()?,
            None => return None,
        };
        let mut stream = Stream::new(index, owner, frame.channel, address);
        stream.partner = self.book.partner(address);
        stream.partner_is_listed = stream.partner.is_some();
        stream.functional = self.book.is_functional(address);
        stream.is_surely_functional = stream.functional;
        if self.keeps_control {
            stream.pace = Some(Box::new(Pacing::default()));
        }
        match self.streams.get_mut(index as usize) {
            Some(slot) => *slot = stream,
            None => self.streams.push(stream),
        }
        self.buses.get_mut(bus)?.streams.push(index);
        let lane = self.lanes.get_mut(owner.lane as usize)?;
        match extension {
            None => lane.normal = Some(index),
            Some(byte) => lane.extended.push((byte, index)),
        }
        Some(index)
    }

    /// Whether the stream's identifier is known to carry messages in its reading.
    #[inline]
    pub(super) fn is_settled(&self, stream: u32) -> bool {
        let Some(stream) = self.streams.get(stream as usize) else {
            return false;
        };
        self.lanes
            .get(stream.owner.lane as usize)
            .is_some_and(|lane| {
                lane.standing
                    == Standing::Carries {
                        extended: stream.owner.extended,
                    }
            })
    }

    fn addressing_of(&self, stream: &Stream) -> super::Addressing {
        let Address::Can { id, .. } = stream.address else {
            return super::Addressing::Normal;
        };
        match self.book.listed(id) {
            Listed::As(addressing) => addressing,
            Listed::No => addressing_by_form(id, stream.owner.extended),
        }
    }

    /// Lets out what need not wait any longer, and drops what was given up.
    pub(super) fn release(&mut self) {
        while let Some(held) = self.queue.front() {
            match self.verdict(held) {
                Verdict::Wait => break,
                Verdict::Drop => {
                    self.tally.unconfirmed += 1;
                    self.queue.drop_front();
                }
                Verdict::Out => {
                    let stream = self.streams.get(held.stream as usize);
                    let known =
                        stream.map(|stream| (stream.address, stream.partner, stream.functional));
                    self.queue.release_front(|message| {
                        if let Some((address, partner, functional)) = known
                            && address == message.address
                        {
                            message.partner = partner;
                            message.functional = functional;
                        }
                    });
                }
            }
        }
    }

    pub(super) fn verdict(&self, held: &Held) -> Verdict {
        if held.owner == Owner::NOBODY {
            return Verdict::Out;
        }
        let Some(lane) = self.lanes.get(held.owner.lane as usize) else {
            return Verdict::Drop;
        };
        match lane.standing {
            Standing::Carries { extended } if extended == held.owner.extended => {
                if held.serial <= lane.drop_through {
                    Verdict::Drop
                } else {
                    Verdict::Out
                }
            }
            Standing::Undecided if held.serial > lane.drop_through => {
                let refuted = lane.habits.as_ref().is_some_and(|habits| {
                    let [normal, extended] = &**habits;
                    let habit = if held.owner.extended {
                        extended
                    } else {
                        normal
                    };
                    habit.is_refuted
                });
                if refuted {
                    Verdict::Drop
                } else {
                    Verdict::Wait
                }
            }
            Standing::Carries { .. } | Standing::Undecided | Standing::Broadcast => Verdict::Drop,
        }
    }
}

/// What to do with a held message.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(super) enum Verdict {
    Out,
    Wait,
    Drop,
}

/// Whether an undecided identifier may send this frame, read with or without address byte.
pub(super) fn is_plausible(frame: &Frame<'_>, extended: bool) -> bool {
    let prefix = usize::from(extended);
    pci::parse(frame.data, prefix).is_ok_and(|pci| is_strict_frame(&pci, frame.data.len(), prefix))
}

/// What an identifier without messages is marked as.
pub(super) fn refusal(id: CanId) -> Word {
    if Prior::of(id) == Prior::Unlikely {
        Word::J1939
    } else {
        Word::BROADCAST
    }
}

/// How the addresses stand in the frames, as far as the identifier tells.
fn addressing_by_form(id: CanId, extended: bool) -> super::Addressing {
    let format = (id.raw() >> 16) & 0xFF;
    match (id.is_extended(), extended) {
        (true, false) if matches!(format, 0xDA | 0xDB) => super::Addressing::NormalFixed,
        (_, false) => super::Addressing::Normal,
        (true, true) if matches!(format, 0xCD | 0xCE) => super::Addressing::Mixed,
        (_, true) => super::Addressing::Extended,
    }
}

/// `N_Bs` and `N_Cr`, in nanoseconds.
pub(super) const OVERDUE: i64 = 1_000_000_000;
/// Most streams (identifiers, times address bytes) that are watched.
const MAX_STREAMS: usize = 8_192;
