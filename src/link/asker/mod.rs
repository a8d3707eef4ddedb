//! Asking: permitted requests out, answers in, with the times of the standard.
//!
//! It reads no clock and owns no bus: what is heard goes into [`Asker::hear`], what is to be sent comes out of
//! [`Asker::poll`]. Each module has one conversation at a time. Flow control is sent only for answers to one's own requests,
//! so that it stays out of what other testers do.
//!
//! Source: ISO 14229-2:2013, 7.2 (`P2`, `P2*`: the client waits for the module's time and what the way adds);
//! ISO 14229-1:2013, 7.5 (functional requests, suppress bit, "response pending"); ISO 15765-2:2016 (segmentation).

use std::collections::{BTreeMap, VecDeque};

use super::bus::Data;
use super::gate::Permitted;
use crate::frame::{CanId, Timestamp};
use crate::transport::segment::{Cut, FrameLength};
use crate::transport::{
    Address, Conversation, Fault, Next, Received, Receiver, Reception, SendFault, Sender,
    Separation,
};

/// Whom a request is for.
#[derive(Clone, Debug, Eq, PartialEq)]
pub enum Target {
    /// One module.
    Module(Conversation),
    /// Every module that listens to this address; answers are taken from these.
    All {
        /// Where the request goes.
        address: Address,
        /// Who may answer.
        responders: Vec<Conversation>,
    },
}

impl Target {
    fn address(&self) -> Address {
        match self {
            Self::Module(conversation) => conversation.request,
            Self::All { address, .. } => *address,
        }
    }

    fn responders(&self) -> &[Conversation] {
        match self {
            Self::Module(conversation) => std::slice::from_ref(conversation),
            Self::All { responders, .. } => responders,
        }
    }
}

/// How it asks.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Manner {
    /// The byte that fills frames up to 8; `None` sends them as short as they may be. Legislated requests need it
    /// (ISO 15765-4).
    pub filling: Option<u8>,
    /// The block size it asks modules to keep; 0 is "all".
    pub block_size: u8,
    /// The separation time it asks modules to keep.
    pub separation: Separation,
    /// How long an answer may take, nanoseconds: `P2` of the module and the share of gateways and adapters.
    pub answer: i64,
    /// The same after "response pending": `P2*`.
    pub pending: i64,
    /// How often a module may say "response pending" to one request.
    pub most_pending: u32,
}

impl Default for Manner {
    /// Frames of 8 bytes; 50 ms + 100 ms; 5 s + 100 ms; 20 times.
    fn default() -> Self {
        Self {
            filling: Some(0xCC),
            block_size: 0,
            separation: Separation(0),
            answer: 50 * MILLI + ON_THE_WAY,
            pending: 5_000 * MILLI + ON_THE_WAY,
            most_pending: 20,
        }
    }
}

const MILLI: i64 = 1_000_000;
/// What gateways, adapters and the system may add to a module's own time (ΔP2), nanoseconds.
const ON_THE_WAY: i64 = 100 * MILLI;
/// A module's own times are believed up to this, nanoseconds.
const LONGEST: i64 = 30_000 * MILLI;

/// So many frames of others at each address are remembered.
const OTHERS: usize = 8;

/// Which request an outcome belongs to.
#[derive(Clone, Copy, Debug, Eq, Hash, Ord, PartialEq, PartialOrd)]
pub struct Ticket(u32);

/// What is to be done now.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Action {
    /// This frame is to be put on the bus.
    Put {
        /// Its identifier.
        id: CanId,
        /// Its data.
        data: Data,
    },
    /// Nothing before this time, or before something is heard.
    Wait(Timestamp),
    /// Nothing at all.
    Idle,
}

/// What came of a request.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Outcome {
    /// Which request.
    pub ticket: Ticket,
    /// Its bytes.
    pub request: Vec<u8>,
    /// The final answers, positive and negative, in the order in which they ended.
    pub answers: Vec<Reply>,
    /// How it ended.
    pub ending: Ending,
    /// Another tester asked the same module the same service for something else meanwhile, so that an answer may have been
    /// meant for it: a negative one does not say what it refuses.
    pub contested: bool,
}

impl Outcome {
    /// The first positive answer.
    pub fn positive(&self) -> Option<&Reply> {
        self.answers.iter().find(|reply| reply.refusal().is_none())
    }

    /// The response code of the first answer, if that is negative and no positive one came.
    pub fn refusal(&self) -> Option<u8> {
        match self.positive() {
            Some(_) => None,
            None => self.answers.iter().find_map(Reply::refusal),
        }
    }
}

/// A final answer.
#[derive(Clone, Debug, Eq, PartialEq)]
pub struct Reply {
    /// Who gave it.
    pub from: Conversation,
    /// Its bytes.
    pub payload: Vec<u8>,
    /// How many times "response pending" came before it.
    pub pending: u32,
    /// When it was whole.
    pub time: Timestamp,
}

impl Reply {
    /// The response code of a negative answer.
    pub fn refusal(&self) -> Option<u8> {
        match *self.payload.as_slice() {
            [NEGATIVE, _, code, ..] => Some(code),
            _ => None,
        }
    }
}

/// How a request ended.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Ending {
    /// Answered, positively or not.
    Answered,
    /// Sent, and no answer is due.
    Sent,
    /// Nobody answered in time.
    Silent,
    /// The module said "response pending" and nothing more, or said it too often.
    StillPending,
    /// The answer broke off.
    Broken(Fault),
    /// The request could not be sent to its end.
    NotSent(SendFault),
}

/// Why a request was not taken.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AskError {
    /// There is a conversation with that module already.
    #[error("a conversation with {address} is going on")]
    Busy {
        /// Whose.
        address: Address,
    },
    /// The permission is for another module.
    #[error("this request may not go to {address}")]
    NotThere {
        /// Where it was to go.
        address: Address,
    },
    /// To all modules only what fits one frame can be sent.
    #[error("{length} bytes are too many for a request to all modules")]
    TooLong {
        /// So many.
        length: usize,
    },
    /// The address is none of a CAN bus.
    #[error("{address} is no address of a CAN bus")]
    NotCan {
        /// The address.
        address: Address,
    },
}

/// Asks, one conversation for each module at a time.
#[derive(Debug)]
pub struct Asker {
    manner: Manner,
    open: Vec<Open>,
    /// Flow control to be sent.
    out: VecDeque<(CanId, Data)>,
    outcomes: VecDeque<Outcome>,
    /// Modules' own times, by the address of their answers: for an answer, and after "response pending".
    times: BTreeMap<Address, (i64, i64)>,
    /// What others asked last at the addresses to which this one has asked: when, and the frames, [`OTHERS`] for each.
    others: BTreeMap<CanId, VecDeque<(Timestamp, Data)>>,
    next_ticket: u32,
}

#[derive(Debug)]
struct Open {
    ticket: Ticket,
    request: Vec<u8>,
    to: (CanId, Address),
    functional: bool,
    /// `None` once the request is out.
    sender: Option<Sender>,
    /// Just before its last frame went out: what came earlier is no answer to it.
    since: Option<Timestamp>,
    contested: bool,
    lanes: Vec<Lane>,
    answers: Vec<Reply>,
}

/// One module that may answer.
#[derive(Debug)]
struct Lane {
    with: Conversation,
    receiver: Receiver,
    pending: u32,
    /// Until when an answer may begin.
    deadline: Timestamp,
    over: Option<Ending>,
}

impl Asker {
    /// Asks in this manner.
    pub const fn new(manner: Manner) -> Self {
        Self {
            manner,
            open: Vec::new(),
            out: VecDeque::new(),
            outcomes: VecDeque::new(),
            times: BTreeMap::new(),
            others: BTreeMap::new(),
            next_ticket: 0,
        }
    }

    /// Takes a request to be sent as soon as [`Asker::poll`] is called.
    pub fn ask(&mut self, target: &Target, request: &Permitted) -> Result<Ticket, AskError> {
        let address = target.address();
        if !request.may_go_to(address) {
            return Err(AskError::NotThere { address });
        }
        let Address::Can { id, extension } = address else {
            return Err(AskError::NotCan { address });
        };
        let functional = matches!(target, Target::All { .. });
        let length = request.payload().len();
        if functional && length > 7 - usize::from(extension.is_some()) {
            return Err(AskError::TooLong { length });
        }
        let mut lanes = Vec::new();
        for &with in target.responders() {
            if self.is_busy(with) {
                return Err(AskError::Busy {
                    address: with.request,
                });
            }
            let Address::Can { extension, .. } = with.request else {
                return Err(AskError::NotCan {
                    address: with.request,
                });
            };
            lanes.push(Lane {
                with,
                receiver: Receiver::new(Reception {
                    extension,
                    block_size: self.manner.block_size,
                    separation: self.manner.separation,
                    filling: self.manner.filling,
                }),
                pending: 0,
                deadline: Timestamp::default(),
                over: None,
            });
        }
        for asked in std::iter::once(address).chain(lanes.iter().map(|lane| lane.with.request)) {
            if let Address::Can { id, .. } = asked {
                self.others.entry(id).or_default();
            }
        }
        let ticket = Ticket(self.next_ticket);
        self.next_ticket = self.next_ticket.wrapping_add(1);
        let cut = Cut {
            extension,
            frame_length: FrameLength::CLASSIC,
            filling: self.manner.filling,
        };
        self.open.push(Open {
            ticket,
            request: request.payload().to_vec(),
            to: (id, address),
            functional,
            sender: Some(Sender::new(request.payload(), cut)),
            since: None,
            contested: false,
            lanes,
            answers: Vec::new(),
        });
        Ok(ticket)
    }

    fn is_busy(&self, with: Conversation) -> bool {
        self.open.iter().any(|open| {
            let mut lanes = open.lanes.iter();
            lanes.any(|lane| {
                lane.with.response == with.response || lane.with.request == with.request
            })
        })
    }

    /// Whether nothing is asked and nothing is to be sent.
    pub fn is_idle(&self) -> bool {
        self.open.is_empty() && self.out.is_empty()
    }

    /// What came of the requests, in the order in which they ended.
    pub fn next_outcome(&mut self) -> Option<Outcome> {
        self.outcomes.pop_front()
    }

    /// Takes a data frame of the bus.
    pub fn hear(&mut self, id: CanId, data: &[u8], now: Timestamp) {
        if let (Some(known), Some(data)) = (self.others.get_mut(&id), Data::new(data)) {
            known.push_back((now, data));
            if known.len() > OTHERS {
                known.pop_front();
            }
        }
        for open in &mut self.open {
            open.contested |= open.is_rivalled(id, data);
            if open.since.is_some_and(|since| now < since) {
                continue;
            }
            for lane in &mut open.lanes {
                if lane.over.is_some() || !is_from(lane.with.response, id, data) {
                    continue;
                }
                if let Some(sender) = &mut open.sender {
                    if !open.functional {
                        sender.take(data, now);
                    }
                    continue;
                }
                match lane.receiver.take(data, now) {
                    Received::Nothing => {}
                    Received::Flow(field) => {
                        if let (Address::Can { id, .. }, Some(data)) =
                            (lane.with.request, Data::new(&field))
                        {
                            self.out.push_back((id, data));
                        }
                    }
                    Received::Broken(fault) => lane.over = Some(Ending::Broken(fault)),
                    Received::Message(payload) => {
                        let request = &open.request;
                        if is_pending(&payload, request) {
                            lane.pending += 1;
                            let times = self.times.get(&lane.with.response);
                            let wait = times.map_or(self.manner.pending, |&(_, pending)| pending);
                            lane.deadline = later(now, wait);
                            if lane.pending > self.manner.most_pending {
                                lane.over = Some(Ending::StillPending);
                            }
                        } else if answers(&payload, request) {
                            if let [0x50, _, rest @ ..] = payload.as_slice() {
                                let own = own_times(rest, &self.manner);
                                self.times.extend(own.map(|own| (lane.with.response, own)));
                            }
                            lane.over = Some(Ending::Answered);
                            open.answers.push(Reply {
                                from: lane.with,
                                payload,
                                pending: lane.pending,
                                time: now,
                            });
                        }
                    }
                }
            }
        }
        self.close();
    }

    /// What is to be done now. Call again after each [`Action::Put`].
    pub fn poll(&mut self, now: Timestamp) -> Action {
        if let Some((id, data)) = self.out.pop_front() {
            return Action::Put { id, data };
        }
        let mut wake: Option<Timestamp> = None;
        let mut note = |time: Timestamp| wake = Some(wake.map_or(time, |known| known.min(time)));
        for open in &mut self.open {
            if let Some(sender) = &mut open.sender {
                match sender.poll(now) {
                    Next::Send(field) => {
                        open.since = Some(now);
                        // Whoever was asked just before may answer only now.
                        let others = self.others.iter();
                        let mut others =
                            others.flat_map(|(&id, frames)| frames.iter().map(move |f| (id, f)));
                        open.contested |= others.any(|(id, (time, data))| {
                            now.nanos_since(*time) < self.manner.answer
                                && open.is_rivalled(id, data)
                        });
                        if let Some(data) = Data::new(&field) {
                            return Action::Put {
                                id: open.to.0,
                                data,
                            };
                        }
                    }
                    Next::Wait(until) => note(until),
                    Next::Failed(fault) => open.end(Ending::NotSent(fault)),
                    Next::Done => {
                        open.sender = None;
                        if asks_for_silence(&open.request) {
                            open.end(Ending::Sent);
                        }
                        for lane in &mut open.lanes {
                            let times = self.times.get(&lane.with.response);
                            let wait = times.map_or(self.manner.answer, |&(answer, _)| answer);
                            lane.deadline = later(now, wait);
                        }
                    }
                }
            }
            if open.sender.is_some() {
                continue;
            }
            for lane in &mut open.lanes {
                if lane.over.is_some() {
                    continue;
                }
                if let Received::Broken(fault) = lane.receiver.expire(now) {
                    lane.over = Some(Ending::Broken(fault));
                    continue;
                }
                let due = lane.receiver.deadline().unwrap_or(lane.deadline);
                // A message under way may end; otherwise the time for its beginning is over.
                if lane.receiver.deadline().is_none() && now >= due {
                    lane.over = Some(if lane.pending > 0 {
                        Ending::StillPending
                    } else {
                        Ending::Silent
                    });
                } else {
                    note(later(due, 1));
                }
            }
        }
        self.close();
        match wake {
            Some(time) if !self.open.is_empty() => Action::Wait(time),
            _ => Action::Idle,
        }
    }

    /// Gives up what is asked, without an outcome.
    pub fn give_up(&mut self) {
        self.open.clear();
        self.out.clear();
    }

    fn close(&mut self) {
        let mut index = 0;
        while let Some(open) = self.open.get(index) {
            if open.sender.is_some() || open.lanes.iter().any(|lane| lane.over.is_none()) {
                index += 1;
                continue;
            }
            let open = self.open.remove(index);
            self.outcomes.push_back(Outcome {
                ending: open.ending(),
                contested: open.contested,
                ticket: open.ticket,
                request: open.request,
                answers: open.answers,
            });
        }
    }
}

impl Open {
    fn end(&mut self, ending: Ending) {
        self.sender = None;
        for lane in &mut self.lanes {
            lane.over = Some(ending);
        }
    }

    /// Whether a frame of somebody else asks who is asked here for the same service, and for something else.
    fn is_rivalled(&self, id: CanId, data: &[u8]) -> bool {
        let asks = |address: Address| match address {
            Address::Can { extension, .. } if is_from(address, id, data) => {
                Some(usize::from(extension.is_some()))
            }
            _ => None,
        };
        let mut addresses =
            std::iter::once(self.to.1).chain(self.lanes.iter().map(|lane| lane.with.request));
        let Some(payload) = addresses
            .find_map(asks)
            .and_then(|skipped| begins(data, skipped))
        else {
            return false;
        };
        payload.first() == self.request.first() && payload != self.request
    }

    /// An answer makes it answered; else the most telling of the modules' endings.
    fn ending(&self) -> Ending {
        let endings = || self.lanes.iter().filter_map(|lane| lane.over);
        if endings().any(|ending| ending == Ending::Answered) {
            return Ending::Answered;
        }
        endings()
            .find(|&ending| ending != Ending::Silent)
            .unwrap_or(Ending::Silent)
    }
}

/// Whether a frame comes from this address.
fn is_from(address: Address, id: CanId, data: &[u8]) -> bool {
    match address {
        Address::Can {
            id: known,
            extension,
        } => {
            known == id
                && extension.is_none_or(|extension| data.first().copied() == Some(extension))
        }
        Address::DoIp { .. } => false,
    }
}

/// The beginning of the message that a frame begins: all of a single frame's, six bytes or fewer of a first frame's
/// (ISO 15765-2, 9.6.1).
fn begins(data: &[u8], skipped: usize) -> Option<&[u8]> {
    let (&control, rest) = data.get(skipped..)?.split_first()?;
    match control {
        0x01..=0x07 => rest.get(..usize::from(control)),
        0x10..=0x1F => rest.get(1..),
        _ => None,
    }
}

/// Whether the payload says "response pending" to this request.
fn is_pending(payload: &[u8], request: &[u8]) -> bool {
    matches!(payload, [NEGATIVE, service, PENDING, ..] if request.first() == Some(service))
}

/// Whether the payload is a final answer to this request, as far as it repeats what was asked: another tester may ask the
/// same module something else at the same time.
fn answers(payload: &[u8], request: &[u8]) -> bool {
    let Some((&service, asked)) = request.split_first() else {
        return false;
    };
    match *payload {
        [NEGATIVE, of, _, ..] => of == service,
        [head, ref told @ ..] if head == service | 0x40 => match service {
            0x22 => asked
                .chunks_exact(2)
                .any(|identifier| told.starts_with(identifier)),
            0x01 | 0x06 | 0x09 => told.first().is_none_or(|first| asked.contains(first)),
            0x02 | 0x10 | 0x19 | 0x1A | 0x21 => told.first() == asked.first(),
            _ => true,
        },
        _ => false,
    }
}

/// Whether no positive answer is wanted: tester present with the suppress bit, or KWP 2000's "no response required".
const fn asks_for_silence(request: &[u8]) -> bool {
    matches!(request, [0x3E, 0x80 | 0x02])
}

/// A module's own `P2` (milliseconds) and `P2*` (in 10 ms) from its answer to 0x10, never below the usual ones.
fn own_times(told: &[u8], manner: &Manner) -> Option<(i64, i64)> {
    let &[high, low, long_high, long_low] = told else {
        return None;
    };
    let answer = i64::from(u16::from_be_bytes([high, low])) * MILLI + ON_THE_WAY;
    let pending = i64::from(u16::from_be_bytes([long_high, long_low])) * 10 * MILLI + ON_THE_WAY;
    Some((
        answer.clamp(manner.answer, LONGEST),
        pending.clamp(manner.pending, LONGEST),
    ))
}

const fn later(now: Timestamp, nanos: i64) -> Timestamp {
    Timestamp::from_nanos(now.nanos().saturating_add(nanos))
}

/// A negative answer, and its code "response pending" (ISO 14229-1, Annex A).
const NEGATIVE: u8 = 0x7F;
const PENDING: u8 = 0x78;

#[cfg(test)]
mod tests;
