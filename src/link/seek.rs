//! Finding modules: "tester present" to one physical address after the other, gently.
//!
//! It listens first: an identifier that somebody uses already is left alone. Then each address gets one request and a while
//! to answer. Addresses with an address byte (extended and mixed addressing) are not looked for.
//!
//! Source: ISO 14229-1:2013, 9.6 (0x3E); ISO 15765-4 (0x7E0 to 0x7EF, 0x18DA…F1); 0x700 to 0x7FF for diagnosis: common
//! practice, no source.

use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

use super::asker::Action;
use super::bus::{Data, Heard};
use super::errand::Errand;
use super::gate::permit;
use crate::frame::{CanId, Timestamp};
use crate::signal::profile::Protocol;

/// Where modules are looked for.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Range {
    /// 11-bit requests 0x700 to 0x7F7, without those to all.
    Standard,
    /// 29-bit requests 0x18DAxxF1.
    Extended,
    /// Both.
    Both,
}

/// A module that answered.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
pub struct Sought {
    /// Where the request went.
    pub request: CanId,
    /// Where the answer came from.
    pub response: CanId,
}

/// The search.
#[derive(Debug)]
pub struct Seek {
    addresses: VecDeque<CanId>,
    total: usize,
    /// Identifiers that were heard without having been asked for.
    taken: BTreeSet<CanId>,
    begun: Option<Timestamp>,
    /// The address that may answer, and until when.
    open: Option<(CanId, Timestamp)>,
    found: Vec<Sought>,
    told: usize,
    skipped: usize,
}

/// It listens so long before it asks, nanoseconds.
const LISTEN: i64 = 2_000_000_000;
/// Each address has so long to answer: P2 of 50 ms and a share for gateways.
const WAIT: i64 = 80_000_000;

impl Seek {
    /// A search in this range.
    pub fn new(range: Range) -> Self {
        let standard = (0x700..=0x7F7)
            .filter(|raw| *raw != FUNCTIONAL)
            .map(CanId::standard_masked);
        let extended = (0..=0xFF)
            .filter(|node| *node != TESTER)
            .map(|node| CanId::extended_masked(0x18DA_0000 | node << 8 | TESTER));
        let addresses: VecDeque<CanId> = match range {
            Range::Standard => standard.collect(),
            Range::Extended => extended.collect(),
            Range::Both => standard.chain(extended).collect(),
        };
        Self {
            total: addresses.len(),
            addresses,
            taken: BTreeSet::new(),
            begun: None,
            open: None,
            found: Vec::new(),
            told: 0,
            skipped: 0,
        }
    }

    /// How long it takes at most.
    pub fn takes(&self) -> Duration {
        let left = u32::try_from(self.total).unwrap_or(u32::MAX);
        let nanos = |nanos: i64| Duration::from_nanos(u64::try_from(nanos).unwrap_or(0));
        nanos(LISTEN) + nanos(WAIT) * left
    }

    /// Addresses that are done, and all of them.
    pub fn progress(&self) -> (usize, usize) {
        let open = usize::from(self.open.is_some());
        (self.total - self.addresses.len() - open, self.total)
    }

    /// Addresses that were left alone because their identifier is in use.
    pub const fn skipped(&self) -> usize {
        self.skipped
    }

    /// What was found so far, in the order of the requests.
    pub fn found(&self) -> &[Sought] {
        &self.found
    }

    /// The next module that was found and not told yet.
    pub fn next_found(&mut self) -> Option<Sought> {
        let found = self.found.get(self.told).copied();
        self.told += usize::from(found.is_some());
        found
    }
}

impl Errand for Seek {
    fn hear(&mut self, heard: &Heard) {
        if !heard.kind.is_data() {
            return;
        }
        match self.open {
            Some((request, _)) if is_answer(&heard.data) && !self.taken.contains(&heard.id) => {
                self.found.push(Sought {
                    request,
                    response: heard.id,
                });
                // Two answers to one request are two modules; what answers is no address of requests.
                self.taken.insert(heard.id);
            }
            _ => {
                self.taken.insert(heard.id);
            }
        }
    }

    fn poll(&mut self, now: Timestamp) -> Action {
        let begun = *self.begun.get_or_insert(now);
        let start = later(begun, LISTEN);
        if now < start {
            return Action::Wait(start);
        }
        if let Some((_, until)) = self.open {
            if now < until {
                return Action::Wait(until);
            }
            self.open = None;
        }
        while let Some(id) = self.addresses.pop_front() {
            if self.taken.contains(&id) {
                self.skipped += 1;
                continue;
            }
            let Some(data) = probe() else { break };
            self.open = Some((id, later(now, WAIT)));
            return Action::Put { id, data };
        }
        Action::Idle
    }

    fn is_done(&self) -> bool {
        self.begun.is_some() && self.addresses.is_empty() && self.open.is_none()
    }
}

/// The one frame that it sends: tester present, filled up.
fn probe() -> Option<Data> {
    let request = permit(&[0x3E, 0x00], Protocol::Uds, None).ok()?;
    let mut frame = vec![u8::try_from(request.payload().len()).ok()?];
    frame.extend_from_slice(request.payload());
    frame.resize(8, FILLING);
    Data::new(&frame)
}

/// Whether the frame answers "tester present", positively or not.
fn is_answer(data: &[u8]) -> bool {
    matches!(data, [0x01..=0x07, 0x7E, ..] | [0x03, 0x7F, 0x3E, _, ..])
}

const fn later(now: Timestamp, nanos: i64) -> Timestamp {
    Timestamp::from_nanos(now.nanos().saturating_add(nanos))
}

/// Requests to all (ISO 15765-4), and the address of the tester.
const FUNCTIONAL: u32 = 0x7DF;
const TESTER: u32 = 0xF1;
const FILLING: u8 = 0xCC;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::{GoOn, Hub, run};
    use crate::rig::{Scheme, Settings, Vehicle};

    fn found(scheme: Scheme, range: Range) -> (Vec<(u32, u32)>, Seek, Hub) {
        let settings = Settings {
            scheme,
            earlier_drives: 0,
            ..Settings::training(5)
        };
        let hub = Hub::new(Timestamp::default());
        hub.join(Vehicle::new(&settings).without_tester());
        let mut seek = Seek::new(range);
        let mut port = hub.port();
        run(&mut port, &mut seek, &mut |_, _| GoOn::Yes).unwrap();
        let mut pairs = Vec::new();
        while let Some(sought) = seek.next_found() {
            pairs.push((sought.request.raw(), sought.response.raw()));
        }
        (pairs, seek, hub)
    }

    #[test]
    fn the_modules_of_a_vehicle_are_found_and_what_is_in_use_is_left_alone() {
        let (pairs, seek, hub) = found(Scheme::Normal, Range::Standard);
        assert_eq!(
            pairs,
            [
                (0x720, 0x728),
                (0x726, 0x72E),
                (0x740, 0x748),
                (0x7E0, 0x7E8)
            ]
        );
        assert_eq!(seek.progress(), (247, 247));
        // The four identifiers of the answers are not asked.
        assert_eq!(seek.skipped(), 4);
        assert_eq!(hub.frames_put(), 243);
        // It takes no longer than it says.
        assert!(hub.now().seconds() <= seek.takes().as_secs_f64() + 0.01);
        assert!((21.0..22.0).contains(&seek.takes().as_secs_f64()));
    }

    #[test]
    fn long_addresses_are_looked_for_on_demand() {
        let (pairs, ..) = found(Scheme::NormalFixed, Range::Extended);
        assert_eq!(pairs.len(), 4);
        assert!(pairs.contains(&(0x18DA_28F1, 0x18DA_F128)));
        let (none, ..) = found(Scheme::NormalFixed, Range::Standard);
        assert_eq!(none, []);
    }
}
