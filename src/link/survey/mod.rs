//! A read-only survey: the legislated modes, then the modules of the profile, then its signals again and again.
//!
//! One question at a time, with a breath between them. Everything passes the gate. What it learns for itself is which
//! module answers what; the results come out of the frames, like those of a capture.
//!
//! Source: SAE J1979:2012, 6 (order of the modes, supported parameters); ISO 14229-1:2013, 9 to 11 (sessions, codes,
//! identifiers); ISO 14229-2:2013, 7.5 (`S3`: tester present every 2 s); ISO 14230-3:1999, 8.

mod event;
mod party;
mod plan;

use std::collections::VecDeque;

pub use event::{Event, NoCodes};

use super::asker::{Action, Asker, Ending, Manner, Outcome, Target};
use super::bus::Heard;
use super::errand::Errand;
use super::gate::permit;
use crate::frame::Timestamp;
use crate::signal::profile::{Profile, Protocol};
use crate::transport::Conversation;
use party::{Party, Session};
pub(super) use plan::codes as codes_request;
use plan::{Ask, Then, Whom, Width, responders};

/// What a survey does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scope {
    /// How often each signal is asked for, rounds a second; 0 does not ask for signals.
    pub rate_hz: f64,
    /// Whether the codes are read again every [`CODES_EVERY_S`] seconds while signals are polled.
    pub codes_again: bool,
    /// Whether the snapshots of codes are read.
    pub snapshots: bool,
}

impl Default for Scope {
    /// Five rounds a second, codes again, snapshots.
    fn default() -> Self {
        Self {
            rate_hz: 5.0,
            codes_again: true,
            snapshots: true,
        }
    }
}

/// The codes are read again after so many seconds.
pub const CODES_EVERY_S: i64 = 15;
/// Between an answer and the next question, nanoseconds.
const BREATH: i64 = 10_000_000;
/// The same after "busy, repeat request" (ISO 14229-1, Annex A: 0x21).
const BUSY_BREATH: i64 = 200_000_000;
/// The same before the last question to a module that has answered before and is silent now: it may be waiting for the flow
/// control of another tester, and hears nothing until its `N_Bs` of 1 s is over (ISO 15765-2).
const HANGING: i64 = 1_100_000_000;
/// How often a question is asked again when the module is busy or does not answer.
const TRIES: u32 = 3;
/// The same when another tester keeps asking for something else, so that no answer can be told to be one's own.
const DOUBTFUL_TRIES: u32 = 10;
/// Tester present while a session other than the default one is needed (ISO 14229-2: at most half of `S3`).
const PRESENT_EVERY: i64 = 2_000_000_000;
const SECOND: i64 = 1_000_000_000;
/// Most snapshots that are read of one module.
const MAX_SNAPSHOTS: usize = 16;

/// The survey.
#[derive(Debug)]
pub struct Survey {
    scope: Scope,
    asker: Asker,
    parties: Vec<Party>,
    script: VecDeque<Ask>,
    current: Option<Ask>,
    events: VecDeque<Event>,
    /// Nothing before this time.
    rest: Option<Timestamp>,
    /// When the next round of polling begins.
    round: Timestamp,
    /// When the codes are read again.
    codes_due: Option<Timestamp>,
    /// Who answered the legislated modes first, and in which width.
    engine: Option<Conversation>,
    /// What is polled in each round; without what modules refuse.
    polled: Vec<Ask>,
    /// Whether the modules have been asked and polling goes on.
    polling: bool,
    /// Questions sent so far.
    asked: u64,
}

impl Survey {
    /// A survey of the vehicle of this profile; with an empty profile, of the legislated modes alone.
    pub fn new(profile: &Profile, scope: Scope) -> Self {
        let parties: Vec<Party> = profile.modules.iter().map(Party::new).collect();
        let width = if parties.iter().any(Party::is_wide) && !parties.iter().any(Party::is_narrow) {
            Width::Extended
        } else {
            Width::Standard
        };
        let mut script: VecDeque<Ask> = plan::legislated(width).into();
        let mut order: Vec<usize> = (0..parties.len()).collect();
        // The brake module first: it is what the lamp is about.
        order.sort_by_key(|&index| parties.get(index).is_none_or(|party| !party.is_brakes));
        for index in order {
            if let Some(party) = parties.get(index) {
                script.extend(plan::module(index, party.protocol));
            }
        }
        Self {
            scope,
            asker: Asker::new(Manner::default()),
            parties,
            script,
            current: None,
            events: VecDeque::new(),
            rest: None,
            round: Timestamp::from_nanos(i64::MIN),
            codes_due: None,
            engine: None,
            polled: plan::signals(profile),
            polling: false,
            asked: 0,
        }
    }

    /// What happened, in order.
    pub fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Questions sent so far.
    pub const fn asked(&self) -> u64 {
        self.asked
    }

    /// Whether modules and codes have been asked and only the polling goes on.
    pub const fn is_polling(&self) -> bool {
        self.polling
    }

    fn target(&self, whom: Whom) -> Option<(Target, Protocol)> {
        match whom {
            Whom::All(width) => Some((
                Target::All {
                    address: width.functional(),
                    responders: responders(width, &self.parties),
                },
                Protocol::Obd,
            )),
            Whom::Module(index) => {
                let party = self.parties.get(index)?;
                Some((Target::Module(party.conversation), party.protocol))
            }
            Whom::Engine => Some((Target::Module(self.engine?), Protocol::Obd)),
        }
    }

    /// Begins the next question; false when there is none now.
    fn begin(&mut self, now: Timestamp) -> bool {
        while let Some(ask) = self.next_ask(now) {
            let skipped = match ask.whom {
                Whom::Module(index) => self
                    .parties
                    .get(index)
                    .is_none_or(|party| party.gave_up(now)),
                Whom::All(_) | Whom::Engine => false,
            };
            if skipped {
                continue;
            }
            let Some((target, protocol)) = self.target(ask.whom) else {
                continue;
            };
            let Ok(request) = permit(&ask.request, protocol, None) else {
                continue;
            };
            if self.asker.ask(&target, &request).is_ok() {
                self.asked += 1;
                self.current = Some(ask);
                return true;
            }
        }
        false
    }

    fn next_ask(&mut self, now: Timestamp) -> Option<Ask> {
        for index in 0..self.parties.len() {
            if let Some(party) = self.parties.get_mut(index)
                && party.is_present_due(now)
            {
                party.present_at = later(now, PRESENT_EVERY);
                return Some(Ask::new(
                    Whom::Module(index),
                    vec![0x3E, 0x80],
                    Then::Nothing,
                ));
            }
        }
        if let Some(ask) = self.script.pop_front() {
            return Some(ask);
        }
        if !self.polling {
            self.polling = true;
            self.tell_polling();
            self.round = now;
            self.codes_due = self
                .scope
                .codes_again
                .then(|| later(now, CODES_EVERY_S * SECOND));
        }
        if self.codes_due.is_some_and(|due| now >= due) {
            self.codes_due = Some(later(now, CODES_EVERY_S * SECOND));
            self.codes_again();
            if let Some(ask) = self.script.pop_front() {
                return Some(ask);
            }
        }
        if self.polls() && now >= self.round {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "float to integer casts saturate; the rate is checked"
            )]
            let every = (1e9 / self.scope.rate_hz) as i64;
            // A round that takes longer than its time is followed by the next at once, not by several.
            self.round = later(self.round, every).max(now);
            self.script.extend(self.polled.iter().cloned());
            return self.script.pop_front();
        }
        None
    }

    fn polls(&self) -> bool {
        self.scope.rate_hz > 0.0 && !self.polled.is_empty()
    }

    fn tell_polling(&mut self) {
        if self.polls() {
            let signals = self
                .polled
                .iter()
                .map(|ask| ask.request.len().saturating_sub(1) / 2);
            self.events.push_back(Event::Polling {
                signals: signals.map(|count| count.max(1)).sum(),
                rate_hz: self.scope.rate_hz,
            });
        }
    }

    fn codes_again(&mut self) {
        for (index, party) in self.parties.iter().enumerate() {
            let whom = Whom::Module(index);
            match party.codes_by.clone() {
                Some(request) => {
                    let again = Ask::new(whom, request, Then::CodesAgain);
                    self.script.push_back(again);
                }
                // Who was silent or busy may have woken up.
                None if !party.refuses_codes => {
                    self.script.extend(plan::module(index, party.protocol));
                }
                None => {}
            }
        }
    }

    fn take(&mut self, ask: &Ask, outcome: &Outcome, now: Timestamp) {
        let mut breath = BREATH;
        let unanswered = matches!(outcome.ending, Ending::Silent | Ending::Broken(_));
        let busy = outcome.refusal() == Some(BUSY);
        // An answer that may have been meant for another tester: a refusal, or a list that does not repeat what was asked for.
        let lists = ask.request.first() == Some(&0x19);
        let doubtful = outcome.contested
            && outcome.ending == Ending::Answered
            && (outcome.positive().is_none() || lists);
        let again = busy || doubtful || unanswered && !ask.then.is_poll();
        let individual = !matches!(ask.whom, Whom::All(_));
        let most = if doubtful { DOUBTFUL_TRIES } else { TRIES };
        if again && individual && ask.tries + 1 < most {
            self.script.push_front(Ask {
                tries: ask.tries + 1,
                ..ask.clone()
            });
            let last = ask.tries + 2 == most;
            let wait = if busy || doubtful {
                BUSY_BREATH
            } else if last && self.has_answered(ask.whom) {
                HANGING
            } else {
                BREATH
            };
            self.rest = Some(later(now, wait));
            return;
        }
        if individual && doubtful {
            // Nothing is better than something wrong: polls come again in their turn, codes every 15 s.
            self.rest = Some(later(now, BREATH));
            self.tell_no_codes(ask, NoCodes::Contested);
            return;
        }
        match ask.whom {
            Whom::All(width) => self.take_legislated(ask, width, outcome),
            Whom::Engine => {}
            Whom::Module(index) => self.take_module(ask, index, outcome, now),
        }
        if ask.then.is_poll() {
            breath = 0;
            self.take_poll(ask, outcome);
        }
        self.rest = Some(later(now, breath));
    }

    /// Whether it is a module that has given an answer, now or earlier.
    fn has_answered(&self, whom: Whom) -> bool {
        match whom {
            Whom::Module(index) => self.parties.get(index).is_some_and(|party| party.answered),
            Whom::All(_) | Whom::Engine => false,
        }
    }

    /// Tells once that the list of codes that was asked for is not to be had, and why.
    fn tell_no_codes(&mut self, ask: &Ask, why: NoCodes) {
        let Whom::Module(index) = ask.whom else {
            return;
        };
        if matches!(ask.then, Then::Codes { .. } | Then::CodesIn { .. })
            && let Some(party) = self.parties.get_mut(index)
            && !party.told_missing
        {
            party.told_missing = true;
            self.events.push_back(Event::NoCodes {
                module: party.name.clone(),
                why,
            });
        }
    }

    fn take_legislated(&mut self, ask: &Ask, width: Width, outcome: &Outcome) {
        let Then::Supported { block } = ask.then else {
            return;
        };
        if block == 0 {
            self.engine = outcome.positive().map(|reply| reply.from);
            if self.engine.is_none() {
                if let Some(other) = ask.other_width {
                    for ask in plan::legislated_only(other).into_iter().rev() {
                        self.script.push_front(ask);
                    }
                } else {
                    self.events.push_back(Event::Legislated { answering: 0 });
                }
                return;
            }
            self.events.push_back(Event::Legislated {
                answering: outcome.answers.len(),
            });
        }
        let supported: Vec<u8> = outcome
            .answers
            .iter()
            .filter_map(|reply| match *reply.payload.as_slice() {
                [0x41, told, a, b, c, d, ..] if told == block => {
                    Some(u32::from_be_bytes([a, b, c, d]))
                }
                _ => None,
            })
            .flat_map(|bits| (0..32_u8).filter(move |bit| bits << bit & 0x8000_0000 != 0))
            .map(|bit| block + bit + 1)
            .collect();
        let next = plan::after_supported(width, block, &supported);
        for ask in next.into_iter().rev() {
            self.script.push_front(ask);
        }
    }

    fn take_module(&mut self, ask: &Ask, index: usize, outcome: &Outcome, now: Timestamp) {
        let Some(party) = self.parties.get_mut(index) else {
            return;
        };
        party.note(outcome, now);
        match ask.then {
            Then::Session if party.is_silent() && !party.told_missing => {
                party.told_missing = true;
                self.events.push_back(Event::Silent {
                    module: party.name.clone(),
                });
            }
            Then::Extended if outcome.positive().is_some() => {
                party.session = Session::Extended;
                party.present_at = later(now, PRESENT_EVERY);
            }
            Then::Codes { .. } | Then::CodesIn { .. } | Then::CodesAgain => {
                let first = match outcome.positive() {
                    Some(reply) => self.take_codes(ask, index, &reply.payload),
                    None => self.take_no_codes(ask, index, outcome),
                };
                for ask in first.into_iter().rev() {
                    self.script.push_front(ask);
                }
            }
            _ => {}
        }
    }

    /// A list of codes; what is asked first after it.
    fn take_codes(&mut self, ask: &Ask, index: usize, payload: &[u8]) -> Vec<Ask> {
        let Some(party) = self.parties.get_mut(index) else {
            return Vec::new();
        };
        let codes = party::codes_of(payload);
        let again = ask.then == Then::CodesAgain;
        if !again || codes.len() != party.codes {
            self.events.push_back(Event::Codes {
                module: party.name.clone(),
                codes: codes.len(),
            });
        }
        party.codes = codes.len();
        party.told_missing = false;
        party.codes_by = Some(ask.request.clone());
        if !party.polls_in_session {
            // The session was for the codes; the module leaves it by itself.
            party.session = Session::Default;
        }
        if again || !self.scope.snapshots || party.protocol != Protocol::Uds {
            return Vec::new();
        }
        let codes = codes.iter().take(MAX_SNAPSHOTS);
        codes
            .map(|&[a, b, c]| {
                let request = vec![0x19, 0x04, a, b, c, 0xFF];
                Ask::new(ask.whom, request, Then::Nothing)
            })
            .collect()
    }

    /// No list of codes; what is asked first after that.
    fn take_no_codes(&mut self, ask: &Ask, index: usize, outcome: &Outcome) -> Vec<Ask> {
        let Some(party) = self.parties.get_mut(index) else {
            return Vec::new();
        };
        let refusal = outcome.refusal();
        let needs_session = matches!(refusal, Some(NOT_IN_SESSION | NOT_SUB_IN_SESSION));
        let extended = Ask::new(ask.whom, vec![0x10, 0x03], Then::Extended);
        match ask.then {
            Then::Codes { attempt } if needs_session => {
                let again = Ask {
                    then: Then::CodesIn { attempt },
                    ..ask.clone()
                };
                vec![extended, again]
            }
            Then::CodesAgain if needs_session && ask.tries == 0 => {
                let again = Ask {
                    tries: 1,
                    ..ask.clone()
                };
                vec![extended, again]
            }
            Then::Codes { attempt } | Then::CodesIn { attempt } => {
                let next = plan::codes(party.protocol, attempt + 1);
                if let Some(request) = next.filter(|_| refusal.is_some()) {
                    let attempt = attempt + 1;
                    return vec![Ask::new(ask.whom, request, Then::Codes { attempt })];
                }
                party.refuses_codes = refusal.is_some();
                let why = match refusal {
                    Some(code) => NoCodes::Refused(code),
                    None if party.is_silent() => NoCodes::Silent,
                    None => NoCodes::BrokeOff,
                };
                self.tell_no_codes(ask, why);
                Vec::new()
            }
            _ => Vec::new(),
        }
    }

    fn take_poll(&mut self, ask: &Ask, outcome: &Outcome) {
        let whole = outcome
            .positive()
            .is_some_and(|reply| plan::has_all(&ask.request, &reply.payload));
        let Some(code) = outcome.refusal().or_else(|| {
            // A module that answers to several identifiers with some of them only is asked for each alone.
            (ask.then == Then::PollTogether && outcome.positive().is_some() && !whole).then_some(0)
        }) else {
            return;
        };
        let Some(at) = self.polled.iter().position(|polled| polled == ask) else {
            return;
        };
        if matches!(code, NOT_IN_SESSION | NOT_SUB_IN_SESSION)
            && let Whom::Module(index) = ask.whom
            && let Some(party) = self.parties.get_mut(index)
            && party.session == Session::Default
        {
            party.session = Session::Asked;
            party.polls_in_session = true;
            self.script
                .push_front(Ask::new(ask.whom, vec![0x10, 0x03], Then::Extended));
            return;
        }
        self.polled.remove(at);
        if ask.then == Then::PollTogether {
            for (offset, alone) in plan::apart(ask).into_iter().enumerate() {
                self.polled.insert(at + offset, alone);
            }
            return;
        }
        if let Whom::Module(index) = ask.whom
            && let Some(party) = self.parties.get(index)
            && let [_, high, low] = *ask.request.as_slice()
        {
            self.events.push_back(Event::Refused {
                module: party.name.clone(),
                identifier: u16::from_be_bytes([high, low]),
                code,
            });
        }
    }
}

impl Errand for Survey {
    fn hear(&mut self, heard: &Heard) {
        if heard.kind.is_data() {
            self.asker.hear(heard.id, &heard.data, heard.time);
        }
    }

    fn poll(&mut self, now: Timestamp) -> Action {
        loop {
            let action = self.asker.poll(now);
            if let Action::Put { .. } = action {
                return action;
            }
            if let Some(outcome) = self.asker.next_outcome() {
                if let Some(ask) = self.current.take() {
                    self.take(&ask, &outcome, now);
                }
                continue;
            }
            if self.current.is_some() {
                return action;
            }
            if let Some(rest) = self.rest.filter(|&rest| now < rest) {
                return Action::Wait(rest);
            }
            if !self.begin(now) {
                let due = [Some(self.round), self.codes_due].into_iter().flatten();
                let due = due.filter(|&due| due > now).min();
                return due.map_or(Action::Idle, Action::Wait);
            }
        }
    }

    fn is_done(&self) -> bool {
        self.polling
            && self.current.is_none()
            && self.script.is_empty()
            && !self.polls()
            && !self.scope.codes_again
    }
}

/// Everyone who answers legislated requests with 11-bit or 29-bit identifiers.
pub(super) fn everyone(wide: bool) -> Target {
    let width = if wide {
        Width::Extended
    } else {
        Width::Standard
    };
    Target::All {
        address: width.functional(),
        responders: responders(width, &[]),
    }
}

const fn later(now: Timestamp, nanos: i64) -> Timestamp {
    Timestamp::from_nanos(now.nanos().saturating_add(nanos))
}

/// Response codes (ISO 14229-1, Annex A).
const BUSY: u8 = 0x21;
const NOT_SUB_IN_SESSION: u8 = 0x7E;
const NOT_IN_SESSION: u8 = 0x7F;

#[cfg(test)]
mod rivals;
#[cfg(test)]
mod tests;
