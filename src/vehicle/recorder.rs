//! Items of captures in, the record out: the stages from frames to exchanges, wired once for files and links.

use std::collections::BTreeSet;

use super::codes::{CodeBook, Entry, Group};
use super::cyclic::Watch;
use super::modules::Modules;
use super::{Bus, CaptureSummary, List, Origin, Record, Role};
use crate::capture::{Item, Kind, Tally};
use crate::frame::{CanId, Timestamp};
use crate::service::{Answer, Closed, CodeList, Exchange, Pairing, code_list};
use crate::signal::profile::Profile;
use crate::signal::{Carrier, Extractor, Signals};
use crate::transport::{Message, Observer};
use crate::trouble::System;

/// Grows a [`Record`] from the items of one or more captures of the same vehicle.
///
/// For each capture: every item through [`Recorder::push`], then [`Recorder::end_capture`].
#[derive(Debug)]
pub struct Recorder {
    stages: Stages,
    observer: Observer,
    pairing: Pairing,
    profile: Profile,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
}

/// What the exchanges are turned into.
#[derive(Debug)]
struct Stages {
    extractor: Extractor,
    modules: Modules,
    codes: CodeBook,
    answered: Answered,
    bus: Bus,
    watch: Watch,
    captures: Vec<CaptureSummary>,
}

impl Recorder {
    /// A recorder that knows this profile; the empty one knows what the standards fix.
    pub fn new(profile: Profile) -> Self {
        let mut modules = Modules::default();
        for module in &profile.modules {
            modules.add_named(&module.name, module.role, module.request, module.response);
        }
        let stages = Stages {
            extractor: Extractor::new(&profile),
            modules,
            codes: CodeBook::default(),
            answered: Answered::default(),
            bus: Bus::default(),
            watch: Watch::new(speed_frames(&profile)),
            captures: Vec::new(),
        };
        Self {
            stages,
            observer: observer(&profile),
            pairing: Pairing::new(),
            profile,
            first: None,
            last: None,
        }
    }

    /// Takes the next item of the current capture.
    pub fn push(&mut self, item: &Item<'_>) {
        let time = match item {
            Item::Can(frame) => {
                let capture = self.stages.captures.len();
                self.stages.bus.count(frame, || Origin {
                    capture,
                    number: frame.number,
                    time: frame.time,
                });
                self.stages.watch.push(frame);
                self.stages.extractor.push_frame(frame);
                self.observer.push(frame);
                frame.time
            }
            Item::Ethernet(packet) => {
                self.observer.push_packet(packet);
                packet.time
            }
        };
        if time.is_some() {
            self.first = self.first.or(time);
            self.last = time;
        }
        self.drain();
    }

    /// The current capture is over.
    pub fn end_capture(&mut self, file: &str, kind: Kind, tally: &Tally) {
        self.observer.finish();
        self.drain();
        self.pairing.finish(self.last);
        self.drain();
        self.stages.captures.push(CaptureSummary {
            file: file.to_owned(),
            kind,
            tally: tally.clone(),
            first: self.first.take(),
            last: self.last.take(),
        });
        self.stages.watch.end_capture();
        self.observer = observer(&self.profile);
        self.pairing = Pairing::new();
    }

    /// Says what time it is, when no frame does: messages and exchanges that are overdue end. The time must not be later than
    /// that of a frame that is still to be pushed.
    pub fn expire(&mut self, now: Timestamp) {
        self.observer.expire(now);
        self.drain();
        self.pairing.expire(now);
        self.drain();
    }

    /// What the captures say so far, with the one that is not over yet as the last.
    pub fn so_far(&self, file: &str, kind: Kind, tally: &Tally) -> Record {
        let mut record = self.record();
        record.captures.push(CaptureSummary {
            file: file.to_owned(),
            kind,
            tally: tally.clone(),
            first: self.first,
            last: self.last,
        });
        record
    }

    /// The last sample of each wheel's speed: when, in seconds on the capture's clock, and what, in km/h; NaN where the sender
    /// marked it as invalid. In the order of [`crate::place::Wheel::ALL`].
    pub fn last_speeds(&self) -> [Option<(f64, f64)>; 4] {
        self.stages.extractor.last_speeds()
    }

    /// Forgets what the signals were before this time, in seconds on the capture's clock, so that memory stays bounded where
    /// there is no end.
    pub fn forget_signals_before(&mut self, time_s: f64) {
        self.stages.extractor.forget_before(time_s);
    }

    /// What the captures say so far, without what is still open.
    pub fn record(&self) -> Record {
        let signals = self.stages.extractor.clone().finish();
        self.stages.record(&self.profile, signals)
    }

    /// What the captures say.
    pub fn finish(self) -> Record {
        let Self {
            stages, profile, ..
        } = self;
        let mut record = stages.record(&profile, Signals::default());
        record.signals = stages.extractor.finish();
        record
    }

    fn drain(&mut self) {
        while let Some(message) = self.observer.next_message() {
            self.pairing.push(message);
        }
        while let Some(exchange) = self.pairing.next_exchange() {
            self.stages.take(&exchange);
        }
    }
}

/// Requests that were answered before.
#[derive(Debug, Default)]
struct Answered {
    /// The module's index and the request.
    requests: BTreeSet<(usize, Vec<u8>)>,
}

impl Answered {
    /// Most requests kept, and the longest: those that are asked again and again are few and short.
    const MOST: usize = 1_024;
    const LONGEST: usize = 32;

    fn holds(&self, module: usize, request: &[u8]) -> bool {
        request.len() <= Self::LONGEST && self.requests.contains(&(module, request.to_vec()))
    }

    fn add(&mut self, module: usize, request: &[u8]) {
        if request.len() <= Self::LONGEST
            && self.requests.len() < Self::MOST
            && !self.holds(module, request)
        {
            self.requests.insert((module, request.to_vec()));
        }
    }
}

/// The frames that carry the wheels' speeds: those of the brake module, or of what sends them on.
fn speed_frames(profile: &Profile) -> impl Iterator<Item = CanId> {
    let sources = profile.speeds.iter().flatten();
    sources.filter_map(|source| match source.carrier {
        Carrier::Frame(id) => Some(id),
        Carrier::Identifier { .. } | Carrier::Parameter(_) => None,
    })
}

fn observer(profile: &Profile) -> Observer {
    Observer::new(profile.address_book())
}

impl Stages {
    fn take(&mut self, exchange: &Exchange) {
        let request = exchange.request.as_ref();
        if let Some(request) = request.filter(|request| !request.functional) {
            self.count_request(request, exchange);
        }
        for sign in &exchange.signs {
            if let Some(module) = self.answering(sign, request)
                && let Some(module) = self.modules.get_mut(module)
            {
                module.broken += 1;
            }
        }
        for answer in &exchange.answers {
            self.take_answer(answer, request);
        }
    }

    fn count_request(&mut self, request: &Message, exchange: &Exchange) {
        let origin = self.origin(request);
        let found = self.modules.find(
            request.channel,
            Some(request.address),
            request.partner,
            origin,
        );
        let Some(index) = found else {
            return;
        };
        let Some(module) = self.modules.get_mut(index) else {
            return;
        };
        module.asked += 1;
        let waited = matches!(exchange.closed, Closed::TimedOut | Closed::Superseded);
        if waited && exchange.answers.is_empty() && exchange.signs.is_empty() {
            module.unanswered += 1;
            module.missed += u32::from(self.answered.holds(index, &request.payload));
        } else if !exchange.answers.is_empty() {
            self.answered.add(index, &request.payload);
        }
    }

    /// The module that sent this.
    fn answering(&mut self, message: &Message, request: Option<&Message>) -> Option<usize> {
        let asked_at = request
            .filter(|request| !request.functional)
            .map(|request| request.address);
        let origin = self.origin(message);
        let asked_at = message.partner.or(asked_at);
        self.modules
            .find(message.channel, asked_at, Some(message.address), origin)
    }

    fn take_answer(&mut self, answer: &Answer, request: Option<&Message>) {
        let message = &answer.message;
        let Some(index) = self.answering(message, request) else {
            return;
        };
        let negative = message.service() == Some(NEGATIVE);
        if let Some(module) = self.modules.get_mut(index) {
            if negative {
                module.negative += 1;
            } else {
                module.positive += 1;
            }
        }
        if negative {
            return;
        }
        let payload = message.payload.as_slice();
        let asked = request.map_or(&[][..], |request| request.payload.as_slice());
        let origin = self.origin(message);
        match payload.first() {
            Some(0x54) => {
                let group = Group::from_bytes(asked.get(1..).unwrap_or_default());
                self.codes.clear(index, group, origin);
            }
            Some(0x44) => self.codes.clear(index, Group::Legislated, origin),
            Some(0x43 | 0x47 | 0x4A | 0x53 | 0x57 | 0x58 | 0x59) => {
                if let Some(list) = code_list(payload) {
                    self.take_list(index, &list, asked, origin);
                }
            }
            Some(0x41 | 0x62) => {
                self.extractor
                    .push_answer(message.address, Some(asked), payload, message.start);
            }
            _ => {}
        }
    }

    fn take_list(&mut self, module: usize, list: &CodeList, asked: &[u8], origin: Origin) {
        let Some(mask) = mask(list.list, asked) else {
            return;
        };
        let entries: Vec<Entry> = list
            .entries
            .iter()
            .filter(|entry| {
                list.list != List::Uds(SUPPORTED)
                    || entry.status.is_some_and(|status| status & FAILED != 0)
            })
            .map(|entry| Entry {
                code: entry.code,
                failure_type: entry.failure_type,
                status: entry.status,
                availability: list.availability,
            })
            .collect();
        self.codes.read(module, list.list, mask, &entries, origin);
    }

    fn origin(&self, message: &Message) -> Origin {
        Origin {
            capture: self.captures.len(),
            number: message.number,
            time: message.start,
        }
    }

    fn record(&self, profile: &Profile, signals: Signals) -> Record {
        let (codes, lists, clears) = self.codes.settle();
        let mut modules = self.modules.settle();
        for code in &codes {
            // A module that reports chassis codes and has no other known duty looks after the brakes: what the lamp is about.
            if let Some(module) = modules.get_mut(code.module)
                && !module.in_profile
                && module.role == Role::Unknown
                && code.code.system() == System::Chassis
            {
                module.role = Role::Brakes;
            }
        }
        Record {
            captures: self.captures.clone(),
            modules,
            codes,
            lists,
            clears,
            signals,
            wheel_data: profile.wheels,
            bus: self.bus.clone(),
            cyclic: self.watch.settle(),
        }
    }
}

/// The service byte of a negative answer (ISO 14229-1, 7.6).
const NEGATIVE: u8 = 0x7F;

/// `reportSupportedDTC`: every code the module can set, whether it did or not.
const SUPPORTED: u8 = 0x0A;

/// Status bits that say that something failed: 0, 1, 2, 3, 5 and 7.
const FAILED: u8 = 0xAF;

/// The status mask that a list answers to; `None` for answers of 0x19 that are no list of codes at fault.
fn mask(list: List, asked: &[u8]) -> Option<u8> {
    match list {
        List::Uds(0x02 | 0x0F | 0x13 | 0x17) => Some(asked.get(2).copied().unwrap_or(0xFF)),
        List::Uds(0x08) => Some(asked.get(3).copied().unwrap_or(0xFF)),
        List::Stored
        | List::Pending
        | List::Permanent
        | List::Kwp(_)
        | List::Uds(0x0A | 0x15 | 0x42 | 0x55 | 0x56) => Some(0xFF),
        // First and most recent code: one of the list, never all of it.
        List::Uds(0x09 | 0x0B..=0x0E) => Some(0),
        List::Uds(_) => None,
    }
}
