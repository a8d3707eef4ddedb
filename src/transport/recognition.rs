//! Which identifiers carry messages, when nobody said so.
//!
//! An identifier that is not in the book is read in two ways at once, without and with an address byte. Each frame that
//! contradicts a reading ends it for good. What remains is believed when it talks with somebody: an answer repeats
//! what a request asked (`echo`), or a flow control steers a segmented message to its end. How much likeness is needed
//! depends on where the identifier lies (`form`). When no more can come, an identifier whose every message has the strict
//! form of a request (or of an answer) is believed too: a silent module, or a tester that is not in the capture.
//!
//! Memory: a pair of streams is remembered once it shows likeness, [`MAX_PAIRS`] at most.

use std::collections::BTreeMap;

use super::Address;
use super::echo::likeness;
use super::form::{Prior, is_uniform};
use super::lane::Standing;
use super::observer::{Observer, is_plausible};
use super::pci::{self, CLASSIC, Pci};
use super::queue::Owner;
use super::stream::{Head, Outcome, Stream};
use crate::frame::{Frame, Timestamp};

/// Who has shown likeness with whom: requesting stream first.
#[derive(Debug, Default)]
pub(super) struct Pairs {
    pub(super) found: BTreeMap<(u32, u32), Evidence>,
}

/// How much likeness a pair has shown.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Evidence {
    pub bits: u32,
    /// Which questions have counted in full already, one bit of a hash each.
    counted: u64,
    /// Bits that repetitions added.
    repeated: u32,
}

impl Observer {
    /// A frame of an identifier that is not decided yet.
    pub(super) fn hear_undecided(&mut self, bus: usize, lane_index: u32, frame: &Frame<'_>) {
        // The reading in which the frame is a whole message comes first, and wins if both show likeness.
        let first = is_single(frame, true) && !is_single(frame, false);
        for extended in [first, !first] {
            let Some(lane) = self.lanes.get_mut(lane_index as usize) else {
                return;
            };
            // The first reading may have decided it.
            if lane.standing != Standing::Undecided {
                break;
            }
            let plausible = is_plausible(frame, extended);
            let Some(habit) = habit_of(lane, extended) else {
                return;
            };
            if habit.is_refuted {
                continue;
            }
            if !plausible {
                self.refute(lane_index, extended);
                continue;
            }
            let owner = Owner {
                lane: lane_index,
                extended,
            };
            self.read(bus, owner, false, frame);
        }
        self.mind_the_front();
        if self.queue.is_over() {
            self.make_room();
        }
    }

    /// What a data frame of any stream says about who carries messages.
    #[inline]
    pub(super) fn reflect(
        &mut self,
        bus: usize,
        stream_index: u32,
        settled: bool,
        pci: &Pci<'_>,
        outcome: Outcome,
        frame: &Frame<'_>,
    ) {
        let Some(stream) = self.streams.get_mut(stream_index as usize) else {
            return;
        };
        let steered_by = stream.steered_by;
        let head: &[u8] = match *pci {
            Pci::Single { length, data } if data.len() == length => data,
            Pci::First { data, .. } => data,
            _ => &[],
        };
        let is_request = head.first().is_some_and(|first| first & 0x40 == 0);
        if is_request {
            stream.asked = Head::new(head, frame.number, frame.time);
        }
        if !settled {
            self.note_habit(stream_index, pci, outcome, frame);
        }
        if !head.is_empty() && !is_request {
            let whole = matches!(pci, Pci::Single { .. });
            self.match_answer(bus, stream_index, settled, head, whole, frame.time);
        }
        if let (Pci::Consecutive { .. }, Some(frames), Some(receiver)) =
            (pci, outcome.whole, steered_by)
        {
            self.note_handshake(stream_index, receiver, frames);
        }
    }

    /// Broken messages speak against an undecided identifier.
    pub(super) fn note_faults(&mut self, stream_index: u32, broken: u32) {
        let Some(stream) = self.streams.get(stream_index as usize) else {
            return;
        };
        let owner = stream.owner;
        let Some(lane) = self.lanes.get_mut(owner.lane as usize) else {
            return;
        };
        if let Some(habit) = habit_of(lane, owner.extended) {
            habit.faults = habit.faults.saturating_add(broken);
            if habit.faults > MAX_FAULTS + habit.messages {
                self.refute(owner.lane, owner.extended);
            }
        }
    }

    fn note_habit(
        &mut self,
        stream_index: u32,
        pci: &Pci<'_>,
        outcome: Outcome,
        frame: &Frame<'_>,
    ) {
        let Some(stream) = self.streams.get(stream_index as usize) else {
            return;
        };
        let owner = stream.owner;
        let is_steered = stream.steered_by.is_some();
        let first_byte = stream.last_service();
        let Some(lane) = self.lanes.get_mut(owner.lane as usize) else {
            return;
        };
        let Some(habit) = habit_of(lane, owner.extended) else {
            return;
        };
        match *pci {
            Pci::Single { length, data } if outcome.whole.is_some() => {
                let escape = usize::from(frame.data.len() > CLASSIC);
                let used = usize::from(owner.extended) + 1 + escape + length;
                let filling = frame.data.get(used..).unwrap_or(&[]);
                habit.note_single(data, filling, frame.time);
            }
            Pci::Consecutive { .. } if outcome.whole.is_some() => {
                habit.note_segmented(first_byte, is_steered, frame.time);
            }
            _ => {}
        }
        let messages = habit.messages;
        self.note_faults(stream_index, outcome.broken + u32::from(outcome.astray));
        if messages > MAX_UNDECIDED {
            self.settle(owner.lane);
        }
    }

    /// An answer came: which request does it answer?
    fn match_answer(
        &mut self,
        bus: usize,
        answerer: u32,
        settled: bool,
        head: &[u8],
        whole: bool,
        time: Option<Timestamp>,
    ) {
        let (Some(bus), Some(stream)) = (self.buses.get(bus), self.streams.get(answerer as usize))
        else {
            return;
        };
        let partner = stream.partner;
        if settled && bus.undecided == 0 && self.is_explained(stream, head, whole) {
            return;
        }
        let lane = stream.owner.lane;
        let window = self.clock.limit(ANSWER_WINDOW);
        let mut best: Option<Rank> = None;
        for &other_index in &bus.streams {
            let Some(other) = self.streams.get(other_index as usize) else {
                continue;
            };
            // Who is still sending its request cannot have been answered.
            if other.is_free || other.owner.lane == lane || other.is_open() {
                continue;
            }
            let in_time = match (time, other.asked.time) {
                (Some(now), Some(asked)) => (0..=window).contains(&now.nanos_since(asked)),
                _ => true,
            };
            if !in_time {
                continue;
            }
            let Some(bits) = likeness(other.asked.bytes(), head, whole) else {
                continue;
            };
            let number = other.asked.number;
            let rank = Rank {
                is_partner: partner == Some(other.address),
                bits,
                is_usual: are_usual_partners(other.address, stream.address),
                is_unanswered: other
                    .answered
                    .is_none_or(|(answered, by)| answered != number || by == answerer),
                likeness: self.likeness_of(other_index, answerer),
                number,
                asker: other_index,
            };
            if best.is_none_or(|best| rank > best) {
                best = Some(rank);
            }
        }
        let Some(Rank {
            is_partner,
            bits,
            number,
            asker,
            ..
        }) = best
        else {
            return;
        };
        if partner.is_none() || is_partner {
            self.note_who_answers(asker, answerer, number);
        }
        if is_partner && settled && self.is_settled(asker) {
            return;
        }
        let question = self
            .streams
            .get(asker as usize)
            .map_or(0, |stream| hash(stream.asked.bytes()));
        self.add_evidence(asker, answerer, bits, question);
    }

    /// Whether an answer is what its known partner asked for, so that nobody else has to be looked for.
    fn is_explained(&self, answerer: &Stream, head: &[u8], whole: bool) -> bool {
        if answerer.partner_is_listed {
            return true;
        }
        answerer
            .partner_index
            .and_then(|partner| self.streams.get(partner as usize))
            .is_some_and(|partner| likeness(partner.asked.bytes(), head, whole).is_some())
    }

    /// Several streams answering the same request make it a request to all.
    fn note_who_answers(&mut self, asker: u32, answerer: u32, number: u64) {
        let Some(stream) = self.streams.get_mut(asker as usize) else {
            return;
        };
        match stream.answered {
            Some((known, first)) if known == number && first != answerer => {
                stream.answered_by_many += 1;
                if stream.answered_by_many >= ENOUGH_TO_BE_ALL && !stream.partner_is_listed {
                    stream.is_surely_functional = true;
                    self.make_functional(asker);
                }
            }
            Some((known, _)) if known == number => {}
            _ => stream.answered = Some((number, answerer)),
        }
    }

    fn make_functional(&mut self, asker: u32) {
        let Some(stream) = self.streams.get_mut(asker as usize) else {
            return;
        };
        stream.functional = true;
        stream.partner = None;
        stream.partner_index = None;
        for other in &mut self.streams {
            if other.partner_index == Some(asker) {
                other.partner = None;
                other.partner_index = None;
            }
        }
    }

    /// A segmented message was steered to its end by another stream.
    fn note_handshake(&mut self, sender: u32, receiver: u32, frames: u32) {
        let Some(stream) = self.streams.get(sender as usize) else {
            return;
        };
        let is_answer = stream.last_service() & 0x40 != 0;
        if self.is_settled(sender) && self.is_settled(receiver) && stream.partner.is_some() {
            return;
        }
        let (asker, answerer) = if is_answer {
            (receiver, sender)
        } else {
            (sender, receiver)
        };
        let bits = 12 + 8 * frames.saturating_sub(1).min(3);
        self.add_evidence(asker, answerer, bits, HANDSHAKE);
    }

    fn add_evidence(&mut self, asker: u32, answerer: u32, bits: u32, question: u64) {
        let is_full = self.pairs.found.len() >= MAX_PAIRS;
        let key = (asker, answerer);
        if is_full && !self.pairs.found.contains_key(&key) {
            return;
        }
        let evidence = self.pairs.found.entry(key).or_default();
        let mark = 1 << (question & 63);
        if evidence.counted & mark == 0 {
            evidence.counted |= mark;
            evidence.bits = evidence.bits.saturating_add(bits);
        } else if evidence.repeated < MAX_REPEATED {
            evidence.repeated += 1;
            evidence.bits = evidence.bits.saturating_add(1);
        }
        self.weigh(asker, answerer, false);
    }

    /// Recognises both sides of a pair if there is enough likeness.
    pub(super) fn weigh(&mut self, asker: u32, answerer: u32, at_end: bool) {
        let Some(bits) = self
            .pairs
            .found
            .get(&(asker, answerer))
            .map(|known| known.bits)
        else {
            return;
        };
        let sides = [asker, answerer];
        let settled = sides.map(|side| self.is_settled(side));
        let mut needed = 0;
        for (side, other_is_known) in [(asker, settled[1]), (answerer, settled[0])] {
            if self.is_settled(side) {
                continue;
            }
            if self.yields_to_other_reading(side) {
                return;
            }
            let prior = self.prior_of(side);
            needed = needed.max(if at_end {
                prior.needed_at_end(other_is_known)
            } else {
                prior.needed(other_is_known)
            });
        }
        if bits < needed {
            return;
        }
        for side in sides {
            if let Some(owner) = self.streams.get(side as usize).map(|stream| stream.owner) {
                self.confirm(owner);
            }
        }
        if self.is_settled(asker) && self.is_settled(answerer) {
            self.link(asker, answerer, bits);
        }
    }

    /// Whether this reading of an undecided identifier has given no whole message, or none that looks like one, and the
    /// other one is more likely.
    fn yields_to_other_reading(&self, stream: u32) -> bool {
        let Some(owner) = self.streams.get(stream as usize).map(|stream| stream.owner) else {
            return true;
        };
        let habits = self
            .lanes
            .get(owner.lane as usize)
            .and_then(|lane| lane.habits.as_ref());
        habits.is_some_and(|habits| {
            let [normal, extended] = &**habits;
            let (own, other) = if owner.extended {
                (extended, normal)
            } else {
                (normal, extended)
            };
            // What an address byte makes of first frames: "messages" that are filled up with anything.
            let is_uneven = extended.messages == extended.uneven;
            !other.is_refuted
                && if owner.extended {
                    own.messages > 0 && is_uneven || own.messages == 0 && other.messages > 0
                } else {
                    own.messages == 0 && !is_uneven
                }
        })
    }

    /// Makes the two each other's partners, unless one has a better one.
    fn link(&mut self, asker: u32, answerer: u32, bits: u32) {
        let (Some(request), Some(response)) = (
            self.streams.get(asker as usize),
            self.streams.get(answerer as usize),
        ) else {
            return;
        };
        if request.is_surely_functional
            || request.partner_is_listed
            || response.partner_is_listed
            || request.partner == Some(response.address)
                && response.partner == Some(request.address)
        {
            return;
        }
        let (request_address, response_address) = (request.address, response.address);
        let (request_partner, response_partner) = (request.partner, response.partner);
        // One module that answers two askers: the one it has answered less is the one to all.
        if let Some(rival) = response_partner.and_then(|address| self.find(answerer, address)) {
            if self.likeness_of(rival, answerer) >= bits {
                self.make_functional(asker);
                return;
            }
            self.make_functional(rival);
        }
        // One asker whom two modules answer: the first stays until the other has answered more.
        if let Some(rival) = request_partner.and_then(|address| self.find(asker, address)) {
            if self.likeness_of(asker, rival) >= bits {
                return;
            }
            if let Some(rival) = self.streams.get_mut(rival as usize) {
                rival.partner = None;
                rival.partner_index = None;
            }
        }
        if let Some(stream) = self.streams.get_mut(asker as usize) {
            stream.functional = false;
            stream.partner = Some(response_address);
            stream.partner_index = Some(answerer);
        }
        if let Some(stream) = self.streams.get_mut(answerer as usize) {
            stream.partner = Some(request_address);
            stream.partner_index = Some(asker);
        }
    }

    fn likeness_of(&self, asker: u32, answerer: u32) -> u32 {
        let known = self.pairs.found.get(&(asker, answerer));
        known.map_or(0, |evidence| evidence.bits)
    }

    /// The stream with this address on the same bus.
    fn find(&self, beside: u32, address: Address) -> Option<u32> {
        let channel = self.streams.get(beside as usize)?.channel;
        self.streams
            .iter()
            .find(|other| !other.is_free && other.channel == channel && other.address == address)
            .map(|other| other.index)
    }

    /// Whose messages a flow control of this stream may steer.
    pub(super) fn steered_by(&self, bus: usize, from: u32) -> Vec<u32> {
        let (Some(bus), Some(stream)) = (self.buses.get(bus), self.streams.get(from as usize))
        else {
            return Vec::new();
        };
        let lane = stream.owner.lane;
        let open = || {
            bus.streams.iter().filter_map(|&index| {
                let other = self.streams.get(index as usize)?;
                (other.is_open() && other.owner.lane != lane).then_some(other)
            })
        };
        if let Some(partner) = stream.partner {
            let found = open().find(|other| other.address == partner);
            if found.is_some() || stream.partner_is_listed {
                return found.map(|other| other.index).into_iter().collect();
            }
        }
        // A learned partner may be the wrong one yet; a listed one is not.
        open()
            .filter(|other| !other.partner_is_listed)
            .filter(|other| other.awaits_flow() || other.steered_by == Some(from))
            .map(|other| other.index)
            .collect()
    }

    /// Whether another identifier of the bus has a segmented message under way whose receiver is not certain.
    pub(super) fn is_anything_open(&self, bus: usize, from: u32) -> bool {
        let (Some(bus), Some(stream)) = (self.buses.get(bus), self.streams.get(from as usize))
        else {
            return false;
        };
        let others = bus.streams.iter();
        let mut others = others.filter_map(|&index| self.streams.get(index as usize));
        others.any(|other| {
            other.is_open() && !other.partner_is_listed && other.owner.lane != stream.owner.lane
        })
    }

    fn prior_of(&self, stream: u32) -> Prior {
        match self
            .streams
            .get(stream as usize)
            .map(|stream| stream.address)
        {
            Some(Address::Can { id, .. }) => Prior::of(id),
            Some(Address::DoIp { .. }) | None => Prior::Never,
        }
    }

    /// Whether this one asks and its partner answers.
    pub(super) fn is_requester(&self, stream: &Stream, partner: Address) -> bool {
        match self.find(stream.index, partner) {
            Some(other) => {
                let asks = self.likeness_of(stream.index, other);
                let answers = self.likeness_of(other, stream.index);
                if asks != answers {
                    return asks > answers;
                }
                stream.has_asked()
            }
            None => stream.has_asked(),
        }
    }
}

/// How well a request suits an answer; the greatest is the best. In the order of weight.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
struct Rank {
    is_partner: bool,
    bits: u32,
    is_usual: bool,
    is_unanswered: bool,
    likeness: u32,
    number: u64,
    asker: u32,
}

/// Whether the identifiers lie as makers like them: answers 8 above the requests, or target and source exchanged, or
/// the extended data page's `0x17FC` and `0x17FE`. It only decides between requests that are otherwise equal.
fn are_usual_partners(request: Address, response: Address) -> bool {
    let (Address::Can { id: asked, .. }, Address::Can { id: answered, .. }) = (request, response)
    else {
        return false;
    };
    let (asked_raw, answered_raw) = (asked.raw(), answered.raw());
    let far = answered_raw.wrapping_sub(asked_raw);
    if !asked.is_extended() {
        return far == 8;
    }
    let swapped = (asked_raw & 0xFF) << 8 | (asked_raw >> 8) & 0xFF;
    answered_raw & 0xFFFF == swapped || far == 0x2_0000
}

/// Whether the frame is a whole message in this reading, and what fills it up looks like filling: a first frame
/// without address byte can look like a whole message with one (`11 03 59 02 FF 40 31 13`).
fn is_single(frame: &Frame<'_>, extended: bool) -> bool {
    let prefix = usize::from(extended);
    match pci::parse(frame.data, prefix) {
        Ok(Pci::Single { length, data }) if data.len() == length => {
            let escape = usize::from(frame.data.len() > CLASSIC);
            is_uniform(
                frame
                    .data
                    .get(prefix + 1 + escape + length..)
                    .unwrap_or(&[]),
            )
        }
        _ => false,
    }
}

fn habit_of(lane: &mut super::lane::Lane, extended: bool) -> Option<&mut super::form::Habit> {
    lane.habits.as_mut()?.get_mut(usize::from(extended))
}

/// FNV-1a over the beginning of a question: the same question counts once.
fn hash(bytes: &[u8]) -> u64 {
    let mut hash = 0xCBF2_9CE4_8422_2325_u64;
    for &byte in bytes.iter().take(4) {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
    }
    hash ^ (hash >> 32)
}

/// The question of a flow-control handshake, beside those of [`hash`].
const HANDSHAKE: u64 = 63;
/// An answer comes within this time after its request, in nanoseconds (`P2*` of ISO 14229-2 and some reserve).
const ANSWER_WINDOW: i64 = 5_500_000_000;
/// Broken messages that an undecided identifier may have beyond its whole ones.
const MAX_FAULTS: u32 = 4;
/// Messages that an undecided identifier may send before it is decided.
const MAX_UNDECIDED: u32 = 128;
/// Repetitions of the same question and answer add so many bits at most.
const MAX_REPEATED: u32 = 8;
/// Times that a request has to be answered by a second stream to be one to all.
const ENOUGH_TO_BE_ALL: u32 = 2;
/// Most pairs of streams with likeness that are remembered.
const MAX_PAIRS: usize = 4_096;
