//! Requests and their answers, put together.
//!
//! Messages come in, in the order in which they end; exchanges come out, in the order in which they are over. It
//! reads no clock: time is what the messages, [`Pairing::expire`] or [`Pairing::finish`] say.
//!
//! - "Response pending" (0x7F … 0x78) is no answer: it lengthens the wait and is counted in the final answer.
//! - A functional request collects the answers of all modules until its time is over.
//! - A request with the suppress bit that gets nothing is not unanswered: [`Closed::Suppressed`].
//! - A broken message is a sign of life and no answer: [`Exchange::signs`].
//! - An answer counts when it *began* in time. An exchange stays open a little longer ([`LONGEST_ANSWER`]), so that a
//!   long segmented answer can end.
//!
//! Memory: [`MAX_OPEN`] open requests; the oldest goes first.
//!
//! Source: ISO 14229-1:2013, 7.5 (suppress bit, response pending) and 8 (message rules); ISO 14229-2:2013, 7.2
//! (P2, P2*). The limits here are wider than the standard's: captures are taken behind gateways.

use std::collections::VecDeque;

use crate::frame::Timestamp;
use crate::transport::{Address, Message};

use super::{Answer, Closed, Exchange};

/// Most requests that are waited for at once.
const MAX_OPEN: usize = 256;

/// How much longer than the time for an answer an exchange stays open, for an answer that has begun.
const LONGEST_ANSWER: i64 = 5 * SECOND;

/// A clock that goes back by more than this has been set anew.
const CLOCK_BACK: i64 = SECOND;

const SECOND: i64 = 1_000_000_000;

/// The "response pending" code of a negative answer (ISO 14229-1, Annex A).
const PENDING: u8 = 0x78;

/// How long an answer may take, on the capture's clock.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub struct Timing {
    /// From the end of the request to the start of the answer, in nanoseconds (P2 and the gateways' share).
    pub response: i64,
    /// The same after each "response pending", in nanoseconds (P2* and the gateways' share).
    pub pending: i64,
}

impl Default for Timing {
    /// 1 s, and 5 s after "response pending".
    fn default() -> Self {
        Self {
            response: SECOND,
            pending: 5 * SECOND,
        }
    }
}

/// Puts requests and answers together.
#[derive(Debug, Default)]
pub struct Pairing {
    timing: Timing,
    /// In the order in which the requests came.
    open: Vec<Open>,
    done: VecDeque<Exchange>,
}

/// A request that is waited for, or "response pending" without a request.
#[derive(Debug)]
struct Open {
    request: Option<Message>,
    service: u8,
    answers: Vec<Answer>,
    waits: Vec<Wait>,
    signs: Vec<Message>,
    /// When the request ended (or the first sign, without a request).
    since: Option<Timestamp>,
    /// Until when an answer may begin.
    deadline: Option<Timestamp>,
    superseded: bool,
}

/// "Response pending" of one module.
#[derive(Debug)]
struct Wait {
    from: Address,
    count: u32,
    last: Message,
}

/// Whether a service identifier asks (bit 6 clear) rather than answers (ISO 14229-1:2013, Table 2).
#[inline]
pub const fn is_request(service: u8) -> bool {
    service & 0x40 == 0
}

impl Pairing {
    /// With the usual [`Timing`].
    pub fn new() -> Self {
        Self::default()
    }

    /// With a vehicle's own timing.
    pub fn with_timing(timing: Timing) -> Self {
        Self {
            timing,
            ..Self::default()
        }
    }

    /// Takes the next message.
    pub fn push(&mut self, message: Message) {
        if let Some(now) = message.start {
            self.close_after_clock_reset(now);
            self.expire(now);
        }
        match message.service() {
            _ if message.fault.is_some() => self.push_broken(message),
            Some(service) if is_request(service) => self.push_request(service, message),
            Some(_) => self.push_answer(message),
            None => {}
        }
    }

    /// The next exchange that is over.
    pub fn next_exchange(&mut self) -> Option<Exchange> {
        self.done.pop_front()
    }

    /// Closes what nothing more can come for, when it is `now`.
    pub fn expire(&mut self, now: Timestamp) {
        if self.open.iter().any(|open| open.is_over(now)) {
            self.close_where(|open| open.is_over(now).then(|| open.verdict(Some(now))));
        }
    }

    /// The capture is over; `end` is its last time stamp.
    pub fn finish(&mut self, end: Option<Timestamp>) {
        self.close_where(|open| Some(open.verdict(end)));
    }

    fn close_where(&mut self, verdict: impl Fn(&Open) -> Option<Closed>) {
        let mut index = 0;
        while let Some(open) = self.open.get(index) {
            match verdict(open) {
                Some(closed) => {
                    let open = self.open.remove(index);
                    self.done.push_back(open.close(closed));
                }
                None => index += 1,
            }
        }
    }

    fn close_after_clock_reset(&mut self, now: Timestamp) {
        let back = |open: &Open| {
            let since = open
                .since
                .is_some_and(|since| since.nanos_since(now) > CLOCK_BACK);
            since.then(|| open.verdict(None))
        };
        if self.open.iter().any(|open| back(open).is_some()) {
            self.close_where(back);
        }
    }

    fn push_request(&mut self, service: u8, message: Message) {
        let timed = message.end.is_some();
        if service != TESTER_PRESENT {
            for open in &mut self.open {
                open.superseded |= open.is_superseded_by(&message);
            }
        }
        // Without times nothing would ever close what the tester has given up.
        self.close_where(|open| {
            let settled = !timed || open.is_settled();
            (open.superseded && settled).then(|| open.verdict(None))
        });
        if self.open.len() >= MAX_OPEN {
            let oldest = self.open.remove(0);
            let closed = oldest.verdict(message.start);
            self.done.push_back(oldest.close(closed));
        }
        self.open.push(Open {
            service,
            since: message.end,
            deadline: after(message.end, self.timing.response),
            request: Some(message),
            answers: Vec::new(),
            waits: Vec::new(),
            signs: Vec::new(),
            superseded: false,
        });
    }

    fn push_answer(&mut self, message: Message) {
        let (service, pending) = match *message.payload.as_slice() {
            [0x7F, service, code, ..] => (service, code == PENDING),
            [0x7F, service] => (service, false),
            [first, ..] => (first & !0x40, false),
            [] => return,
        };
        let Some(index) = self.asked(service, &message) else {
            if pending {
                self.open_without_request(service, message);
            } else {
                self.done.push_back(Exchange {
                    request: None,
                    answers: vec![Answer {
                        message,
                        pending: 0,
                    }],
                    signs: Vec::new(),
                    closed: Closed::NoRequest,
                });
            }
            return;
        };
        let Some(open) = self.open.get_mut(index) else {
            return;
        };
        if pending {
            open.wait(message, self.timing);
            return;
        }
        let count = open.end_wait(message.address);
        open.answers.push(Answer {
            message,
            pending: count,
        });
        let functional = open
            .request
            .as_ref()
            .is_some_and(|request| request.functional);
        if !functional {
            let closed = match open.request {
                Some(_) => Closed::Answered,
                None => Closed::NoRequest,
            };
            let open = self.open.remove(index);
            self.done.push_back(open.close(closed));
        }
    }

    fn open_without_request(&mut self, service: u8, message: Message) {
        if self.open.len() >= MAX_OPEN {
            let oldest = self.open.remove(0);
            let closed = oldest.verdict(message.start);
            self.done.push_back(oldest.close(closed));
        }
        let mut open = Open {
            request: None,
            service,
            answers: Vec::new(),
            waits: Vec::new(),
            signs: Vec::new(),
            since: message.end,
            deadline: None,
            superseded: false,
        };
        open.wait(message, self.timing);
        self.open.push(open);
    }

    fn push_broken(&mut self, message: Message) {
        let service = message.service();
        let headless = matches!(message.fault, Some(crate::transport::Fault::Orphan));
        let request = service.is_some_and(is_request) && !headless;
        if request {
            self.done.push_back(Exchange {
                request: Some(message),
                answers: Vec::new(),
                signs: Vec::new(),
                closed: Closed::BrokenRequest,
            });
            return;
        }
        let asked = match *message.payload.as_slice() {
            _ if headless => self
                .open
                .iter()
                .rposition(|open| open.fits(&message) == Fit::Exact),
            [0x7F, service, ..] => self.asked(service, &message),
            [first, ..] => self.asked(first & !0x40, &message),
            [] => None,
        };
        match asked.and_then(|index| self.open.get_mut(index)) {
            Some(open) => open.sign(message),
            None => self.done.push_back(Exchange {
                request: None,
                answers: Vec::new(),
                signs: vec![message],
                closed: Closed::NoRequest,
            }),
        }
    }

    /// The open request that an answer belongs to: the best fit, among equals the newest.
    fn asked(&self, service: u8, answer: &Message) -> Option<usize> {
        let mut best = None;
        for (index, open) in self.open.iter().enumerate() {
            if open.service != service || !open.in_time(answer) {
                continue;
            }
            let fit = open.fits(answer);
            if fit == Fit::None {
                continue;
            }
            let echo = open
                .request
                .as_ref()
                .is_none_or(|request| echoes(request, answer));
            let rank = (echo, fit);
            if best.is_none_or(|(known, _)| rank >= known) {
                best = Some((rank, index));
            }
        }
        best.map(|(_, index)| index)
    }
}

/// `TesterPresent` keeps a session alive and supersedes nothing.
const TESTER_PRESENT: u8 = 0x3E;

fn after(time: Option<Timestamp>, nanos: i64) -> Option<Timestamp> {
    time.map(|time| Timestamp::from_nanos(time.nanos().saturating_add(nanos)))
}

impl Open {
    /// Whether nothing more can come when it is `now`.
    fn is_over(&self, now: Timestamp) -> bool {
        let settled = self.answers.is_empty();
        let lag = if settled { LONGEST_ANSWER } else { SECOND };
        self.deadline
            .is_some_and(|deadline| now.nanos_since(deadline) > lag)
    }

    /// Whether an answer came and no module has asked for more time.
    fn is_settled(&self) -> bool {
        !self.answers.is_empty() && self.waits.is_empty()
    }

    /// Why it is over, when it is closed at `now` (`None`: at an unknown time).
    fn verdict(&self, now: Option<Timestamp>) -> Closed {
        let Some(request) = &self.request else {
            return Closed::NoRequest;
        };
        if self.is_settled() {
            return Closed::Answered;
        }
        let late = match (self.deadline, now) {
            (Some(deadline), Some(now)) => now > deadline,
            _ => false,
        };
        match () {
            () if late && !self.answers.is_empty() => Closed::Answered,
            () if suppresses(request) && self.waits.is_empty() => Closed::Suppressed,
            () if self.superseded => Closed::Superseded,
            () if late => Closed::TimedOut,
            () => Closed::CaptureEnd,
        }
    }

    fn close(self, closed: Closed) -> Exchange {
        let mut signs = self.signs;
        let waits = self.waits.into_iter().map(|wait| wait.last);
        signs.extend(waits.take(Exchange::MAX_SIGNS.saturating_sub(signs.len())));
        Exchange {
            request: self.request,
            answers: self.answers,
            signs,
            closed,
        }
    }

    fn sign(&mut self, message: Message) {
        if self.signs.len() < Exchange::MAX_SIGNS {
            self.signs.push(message);
        }
    }

    fn wait(&mut self, message: Message, timing: Timing) {
        self.deadline = match (self.deadline, after(message.end, timing.pending)) {
            (Some(old), Some(new)) => Some(old.max(new)),
            (old, new) => old.or(new),
        };
        let from = message.address;
        let room = self.waits.len() < Exchange::MAX_SIGNS;
        match self.waits.iter_mut().find(|wait| wait.from == from) {
            Some(wait) => {
                wait.count = wait.count.saturating_add(1);
                wait.last = message;
            }
            None if room => self.waits.push(Wait {
                from,
                count: 1,
                last: message,
            }),
            None => {}
        }
    }

    fn end_wait(&mut self, from: Address) -> u32 {
        match self.waits.iter().position(|wait| wait.from == from) {
            Some(index) => self.waits.remove(index).count,
            None => 0,
        }
    }

    fn in_time(&self, answer: &Message) -> bool {
        match (self.deadline, answer.start) {
            (Some(deadline), Some(start)) => start <= deadline,
            _ => true,
        }
    }

    /// Whether `next` shows that its tester no longer waits for this one.
    fn is_superseded_by(&self, next: &Message) -> bool {
        self.request.as_ref().is_some_and(|request| {
            request.channel == next.channel
                && request.address == next.address
                && request.functional == next.functional
                && request.partner == next.partner
        })
    }

    /// How well the addresses of a request and an answer go together.
    fn fits(&self, answer: &Message) -> Fit {
        let Some(request) = &self.request else {
            let same = self
                .waits
                .iter()
                .any(|wait| wait.from == answer.address && wait.last.channel == answer.channel);
            return if same { Fit::Exact } else { Fit::None };
        };
        if request.channel != answer.channel {
            return Fit::None;
        }
        if let (
            Address::DoIp { source, target },
            Address::DoIp {
                source: module,
                target: tester,
            },
        ) = (request.address, answer.address)
        {
            return match (source == tester, target == module) {
                (true, true) => Fit::Exact,
                (true, false) if request.functional => Fit::ToAll,
                _ => Fit::None,
            };
        }
        if request.functional {
            return Fit::ToAll;
        }
        match (request.partner, answer.partner) {
            (Some(module), _) if module == answer.address => Fit::Exact,
            (_, Some(tester)) if tester == request.address => Fit::Exact,
            (None, None) => Fit::Unknown,
            _ => Fit::None,
        }
    }
}

/// How well addresses go together, from bad to good.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Fit {
    /// Not at all.
    None,
    /// Nothing is known about either side.
    Unknown,
    /// The request went to all.
    ToAll,
    /// They are known to belong together.
    Exact,
}

/// Whether a request asks for no positive answer: bit 7 of the sub-function (ISO 14229-1:2013, 8.2.2; in KWP 2000 the
/// "response required" byte of 0x3E is 0x02).
fn suppresses(request: &Message) -> bool {
    match *request.payload.as_slice() {
        [TESTER_PRESENT, 0x02, ..] => true,
        [service, sub, ..] => has_sub_function(service) && sub & 0x80 != 0,
        _ => false,
    }
}

/// The services of ISO 14229-1 whose second byte is a sub-function.
const fn has_sub_function(service: u8) -> bool {
    matches!(
        service,
        0x10 | 0x11 | 0x19 | 0x27 | 0x28 | 0x29 | 0x2C | 0x31 | 0x3E | 0x83 | 0x85 | 0x86 | 0x87
    )
}

/// Whether an answer repeats what the request asked for. Negative answers repeat the service only.
fn echoes(request: &Message, answer: &Message) -> bool {
    let asked = request.payload.get(1..).unwrap_or_default();
    let answered = match answer.payload.as_slice() {
        [0x7F, ..] | [] => return true,
        [_, rest @ ..] => rest,
    };
    match request.service() {
        Some(0x22 | 0x24 | 0x2E | 0x2F) => asked.get(..2) == answered.get(..2),
        Some(service) if has_sub_function(service) => {
            asked.first().map(|sub| sub & 0x7F) == answered.first().map(|sub| sub & 0x7F)
        }
        Some(0x01 | 0x02 | 0x05 | 0x06 | 0x08 | 0x09 | 0x1A | 0x21 | 0x30 | 0x36) => {
            asked.first() == answered.first()
        }
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CanId, Channel};
    use crate::transport::Fault;

    const TESTER: u32 = 0x740;
    const MODULE: u32 = 0x748;

    fn can(id: u32) -> Address {
        Address::can(CanId::standard(id).unwrap())
    }

    fn message(millis: i64, id: u32, partner: Option<u32>, payload: &[u8]) -> Message {
        let time = Some(Timestamp::from_nanos(millis * 1_000_000));
        Message {
            number: 1,
            start: time,
            end: time,
            channel: Channel(0),
            address: can(id),
            partner: partner.map(can),
            functional: id == 0x7DF,
            frames: 1,
            payload: payload.to_vec(),
            announced: u32::try_from(payload.len()).unwrap(),
            fault: None,
        }
    }

    fn ask(millis: i64, payload: &[u8]) -> Message {
        message(millis, TESTER, Some(MODULE), payload)
    }

    fn answer(millis: i64, payload: &[u8]) -> Message {
        message(millis, MODULE, Some(TESTER), payload)
    }

    /// Runs a conversation; gives for each exchange how it closed, the request's second byte, and for each answer its
    /// first byte and the number of "pending" before it.
    fn run(messages: Vec<Message>, end: i64) -> Vec<Exchange> {
        let mut pairing = Pairing::new();
        for message in messages {
            pairing.push(message);
        }
        pairing.finish(Some(Timestamp::from_nanos(end * 1_000_000)));
        std::iter::from_fn(|| pairing.next_exchange()).collect()
    }

    fn short(exchanges: &[Exchange]) -> Vec<(Closed, usize, usize)> {
        let short = exchanges.iter().map(|exchange| {
            (
                exchange.closed,
                exchange.answers.len(),
                exchange.signs.len(),
            )
        });
        short.collect()
    }

    #[test]
    fn pending_belongs_to_the_final_answer() {
        let done = run(
            vec![
                ask(0, &[0x31, 1, 2, 3]),
                answer(30, &[0x7F, 0x31, 0x78]),
                answer(4_900, &[0x7F, 0x31, 0x78]),
                answer(9_800, &[0x71, 1, 2, 3]),
            ],
            10_000,
        );
        assert_eq!(short(&done), [(Closed::Answered, 1, 0)]);
        assert_eq!(done[0].answers[0].pending, 2);
    }

    #[test]
    fn pending_alone_is_a_sign_of_life() {
        let done = run(
            vec![ask(0, &[0x31, 1, 2, 3]), answer(30, &[0x7F, 0x31, 0x78])],
            20_000,
        );
        assert_eq!(short(&done), [(Closed::TimedOut, 0, 1)]);
        let without = run(
            vec![
                answer(30, &[0x7F, 0x31, 0x78]),
                answer(90, &[0x71, 1, 2, 3]),
            ],
            20_000,
        );
        assert_eq!(short(&without), [(Closed::NoRequest, 1, 0)]);
        assert_eq!(without[0].answers[0].pending, 1);
    }

    #[test]
    fn functional_requests_collect_answers() {
        let done = run(
            vec![
                message(0, 0x7DF, None, &[0x03]),
                message(10, 0x7E8, Some(0x7E0), &[0x43, 0]),
                message(12, 0x7EA, Some(0x7E2), &[0x7F, 0x03, 0x78]),
                message(14, 0x7E9, Some(0x7E1), &[0x43, 0]),
                message(500, 0x7DF, None, &[0x07]),
                message(510, 0x7E8, Some(0x7E0), &[0x47, 0]),
                message(2_000, 0x7EA, Some(0x7E2), &[0x43, 0]),
            ],
            30_000,
        );
        let mut closed = short(&done);
        closed.sort_by_key(|(_, answers, _)| *answers);
        assert_eq!(closed, [(Closed::Answered, 1, 0), (Closed::Answered, 3, 0)]);
    }

    #[test]
    fn suppressed_silent_superseded_and_the_end_are_told_apart() {
        let done = run(
            vec![
                ask(0, &[0x3E, 0x80]),
                ask(1_000, &[0x22, 0xF1, 0x90]),
                ask(1_100, &[0x22, 0xF1, 0x8C]),
                answer(1_150, &[0x62, 0xF1, 0x8C, 1]),
                ask(8_000, &[0x19, 2, 0xFF]),
                ask(20_000, &[0x14, 0xFF, 0xFF, 0xFF]),
            ],
            20_500,
        );
        let closed: Vec<Closed> = done.iter().map(|exchange| exchange.closed).collect();
        assert_eq!(
            closed,
            [
                Closed::Answered,
                Closed::Suppressed,
                Closed::Superseded,
                Closed::TimedOut,
                Closed::CaptureEnd
            ]
        );
    }

    #[test]
    fn a_suppressed_request_may_be_refused() {
        let done = run(
            vec![ask(0, &[0x10, 0x83]), answer(20, &[0x7F, 0x10, 0x22])],
            9_000,
        );
        assert_eq!(short(&done), [(Closed::Answered, 1, 0)]);
    }

    #[test]
    fn testers_and_buses_are_kept_apart() {
        let mut other_bus = answer(30, &[0x62, 0xF1, 0x90, 1]);
        other_bus.channel = Channel(1);
        let done = run(
            vec![
                ask(0, &[0x22, 0xF1, 0x90]),
                message(1, 0x750, Some(0x758), &[0x22, 0xF1, 0x90]),
                other_bus,
                message(40, 0x758, Some(0x750), &[0x62, 0xF1, 0x90, 2]),
                answer(50, &[0x62, 0xF1, 0x90, 3]),
            ],
            9_000,
        );
        assert_eq!(
            short(&done),
            [
                (Closed::NoRequest, 1, 0),
                (Closed::Answered, 1, 0),
                (Closed::Answered, 1, 0)
            ]
        );
        assert_eq!(done[1].request.as_ref().unwrap().address, can(0x750));
    }

    #[test]
    fn broken_messages_are_signs_and_no_answers() {
        let mut cut = answer(30, &[0x59, 2, 0xFF, 0x40]);
        cut.fault = Some(Fault::Timeout);
        let mut orphan = answer(40, &[1, 2, 3]);
        orphan.fault = Some(Fault::Orphan);
        let mut request = ask(9_500, &[0x2E, 1, 2, 3]);
        request.fault = Some(Fault::Sequence);
        let done = run(vec![ask(0, &[0x19, 2, 0xFF]), cut, orphan, request], 30_000);
        assert_eq!(
            short(&done),
            [(Closed::TimedOut, 0, 2), (Closed::BrokenRequest, 0, 0),]
        );
    }

    #[test]
    fn a_long_answer_that_began_in_time_counts() {
        let mut long = answer(3_000, &[0x59, 2, 0xFF]);
        long.start = Some(Timestamp::from_nanos(50_000_000));
        let done = run(
            vec![
                ask(0, &[0x19, 2, 0xFF]),
                message(2_500, 0x758, Some(0x750), &[0x7E, 0]),
                long,
            ],
            9_000,
        );
        assert_eq!(
            short(&done),
            [(Closed::NoRequest, 1, 0), (Closed::Answered, 1, 0)]
        );
    }

    #[test]
    fn memory_is_bounded_and_nothing_is_lost() {
        let mut pairing = Pairing::new();
        let mut out = 0;
        for index in 0..10_000_u32 {
            let mut request = message(0, index % 0x700, Some(0x7FF), &[0x22, 1, 2]);
            request.end = None;
            request.start = None;
            pairing.push(request);
            assert!(pairing.open.len() <= MAX_OPEN);
            while pairing.next_exchange().is_some() {
                out += 1;
            }
        }
        pairing.finish(None);
        while pairing.next_exchange().is_some() {
            out += 1;
        }
        assert_eq!(out, 10_000);
    }

    #[test]
    fn a_clock_that_is_set_back_closes_what_was_open() {
        let done = run(
            vec![
                ask(100_000, &[0x22, 1, 2]),
                ask(0, &[0x22, 1, 3]),
                answer(9, &[0x62, 1, 3]),
            ],
            10,
        );
        assert_eq!(
            short(&done),
            [(Closed::CaptureEnd, 0, 0), (Closed::Answered, 1, 0)]
        );
    }
}
