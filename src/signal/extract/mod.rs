//! Frames and answers in, signals over time out.
//!
//! A frame that carries no signal costs one look-up. An exact copy of a frame on the same bus within 0.05 ms is an artefact
//! of the capture and dropped. Data that are too short for a signal, and frames without a time, are counted and give no
//! sample.

use std::collections::BTreeMap;

use crate::frame::{Channel, Frame, MAX_DATA, Timestamp};
use crate::transport::Address;

use super::profile::Profile;
use super::source::{Carrier, SignalName, SignalSource};
use super::unit::Quantity;
use super::{ByteOrder, Coding, Field, Signals, Trace};

/// Closer copies than this, in nanoseconds, are artefacts of the capture.
pub(super) const COPY_NANOS: i64 = 50_000;
/// How many 11-bit identifiers there are.
const STANDARD_IDS: usize = 2_048;
/// Names of signals, and so most traces.
const SIGNALS: usize = SignalName::ALL.len();

/// What gave no sample, and why.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Unsampled {
    /// Frames or answers that carry a signal but have no time.
    pub untimed: u64,
    /// Signals whose frame or answer was too short.
    pub short: u64,
    /// Exact copies of a frame within 0.05 ms.
    pub copies: u64,
}

/// One signal of a frame, ready to be read.
#[derive(Clone, Debug)]
struct Tap {
    trace: usize,
    source: SignalSource,
    /// It lies in the first eight bytes and is not multiplexed.
    simple: bool,
}

/// The signals of one identifier, and its last frame.
#[derive(Clone, Debug)]
struct Group {
    taps: Vec<Tap>,
    last: Option<(Channel, Timestamp)>,
    last_length: usize,
    last_data: [u8; MAX_DATA],
}

/// Takes signals out of frames and answers.
#[derive(Clone, Debug)]
pub struct Extractor {
    /// For each 11-bit identifier 0 or its group's index + 1.
    standard: Box<[u16]>,
    /// The same for 29-bit identifiers.
    extended: BTreeMap<u32, u16>,
    groups: Vec<Group>,
    /// Data identifiers: answering address, identifier, signal.
    identifiers: Vec<(Address, u16, Tap)>,
    /// Parameters of mode 01.
    parameters: Vec<(u8, Tap)>,
    /// The module whose answers give each parameter's signal: the first that gave one.
    speaker: [Option<Address>; SIGNALS],
    traces: [Option<Trace>; SIGNALS],
    time_base_s: f64,
    unsampled: Unsampled,
}

impl Extractor {
    /// An extractor of everything that the profile places, and of PID 0x0D and 0x42 where it places no vehicle speed and
    /// no battery voltage.
    pub fn new(profile: &Profile) -> Self {
        let mut extractor = Self {
            standard: vec![0; STANDARD_IDS].into_boxed_slice(),
            extended: BTreeMap::new(),
            groups: Vec::new(),
            identifiers: Vec::new(),
            parameters: Vec::new(),
            speaker: [None; SIGNALS],
            traces: [const { None }; SIGNALS],
            time_base_s: 0.0,
            unsampled: Unsampled::default(),
        };
        let mut placed = [false; SIGNALS];
        for (name, source) in profile.sources() {
            let trace = trace_index(name);
            if let Some(placed) = placed.get_mut(trace) {
                *placed = true;
            }
            extractor.add(trace, source, profile);
        }
        for (name, pid, bits, factor) in [
            (SignalName::VehicleSpeed, 0x0D, 8, 1.0),
            (SignalName::BatteryVoltage, 0x42, 16, 0.001),
        ] {
            let trace = trace_index(name);
            let field = Field::new(7, bits, ByteOrder::Big, Coding::Unsigned);
            if let (Ok(field), Some(false)) = (field, placed.get(trace)) {
                let quantity: Quantity = name.quantity();
                let source = SignalSource::plain(Carrier::Parameter(pid), field, factor, quantity);
                extractor.add(trace, &source, profile);
            }
        }
        extractor
    }

    fn add(&mut self, trace: usize, source: &SignalSource, profile: &Profile) {
        let tap = Tap {
            trace,
            source: source.clone(),
            simple: source.field.bytes_needed() <= 8 && source.selectors.is_empty(),
        };
        match source.carrier {
            Carrier::Parameter(pid) => self.parameters.push((pid, tap)),
            Carrier::Identifier { module, did } => {
                if let Some(module) = profile.modules.get(module) {
                    self.identifiers.push((module.response, did, tap));
                }
            }
            Carrier::Frame(id) => {
                let next = u16::try_from(self.groups.len() + 1).unwrap_or(0);
                let slot = if id.is_extended() {
                    self.extended.entry(id.raw()).or_insert(0)
                } else {
                    match self.standard.get_mut(id.raw() as usize) {
                        Some(slot) => slot,
                        None => return,
                    }
                };
                if *slot == 0 {
                    *slot = next;
                    self.groups.push(Group {
                        taps: Vec::new(),
                        last: None,
                        last_length: 0,
                        last_data: [0; MAX_DATA],
                    });
                }
                let index = usize::from(*slot).wrapping_sub(1);
                if let Some(group) = self.groups.get_mut(index) {
                    group.taps.push(tap);
                }
            }
        }
    }

    /// Adds this to every time from here on, in seconds; for captures that are laid one behind the other.
    pub fn set_time_base(&mut self, seconds: f64) {
        self.time_base_s = seconds;
    }

    /// Takes the signals of one frame.
    #[inline]
    pub fn push_frame(&mut self, frame: &Frame<'_>) {
        let raw = frame.id.raw();
        let slot = if frame.id.is_extended() {
            if self.extended.is_empty() {
                return;
            }
            self.extended.get(&raw).copied()
        } else {
            self.standard.get(raw as usize).copied()
        };
        if let Some(slot @ 1..) = slot {
            self.sample(slot, frame);
        }
    }

    fn sample(&mut self, slot: u16, frame: &Frame<'_>) {
        if !frame.kind.is_data() {
            return;
        }
        let Some(group) = self.groups.get_mut(usize::from(slot).wrapping_sub(1)) else {
            return;
        };
        let Some(time) = frame.time else {
            self.unsampled.untimed += 1;
            return;
        };
        if group.is_copy(frame, time) {
            self.unsampled.copies += 1;
            return;
        }
        let seconds = time.seconds() + self.time_base_s;
        let word = super::field::padded(frame.data);
        for tap in &group.taps {
            let field = tap.source.field;
            let raw = if tap.simple {
                (frame.data.len() >= field.bytes_needed()).then(|| field.raw_of_word(word))
            } else if tap.source.selected(frame.data) {
                field.raw(frame.data)
            } else {
                continue;
            };
            match raw {
                Some(raw) => record(&mut self.traces, tap, seconds, raw),
                None => self.unsampled.short += 1,
            }
        }
    }

    /// Takes the signals of one whole answer: `payload` begins with the service identifier. Positive answers to services
    /// 0x22 (0x62) and mode 01 (0x41) are looked into.
    pub fn push_answer(&mut self, address: Address, payload: &[u8], time: Option<Timestamp>) {
        match payload {
            [0x62, high, low, data @ ..] => {
                let did = u16::from_be_bytes([*high, *low]);
                self.push_identifier(address, did, data, time);
            }
            [0x41, pid, data @ ..] => self.push_parameter(address, *pid, data, time),
            _ => {}
        }
    }

    /// Takes the signals of one data identifier's data.
    pub fn push_identifier(
        &mut self,
        address: Address,
        did: u16,
        data: &[u8],
        time: Option<Timestamp>,
    ) {
        for (from, known, tap) in &self.identifiers {
            if *from != address || *known != did {
                continue;
            }
            let raw = tap.source.field.raw(data);
            let Some(time) = time else {
                self.unsampled.untimed += 1;
                continue;
            };
            match raw {
                Some(raw) => record(
                    &mut self.traces,
                    tap,
                    time.seconds() + self.time_base_s,
                    raw,
                ),
                None => self.unsampled.short += 1,
            }
        }
    }

    /// Takes the signals of one parameter's data. When several modules give the same parameter, the first one is listened to.
    pub fn push_parameter(
        &mut self,
        address: Address,
        pid: u8,
        data: &[u8],
        time: Option<Timestamp>,
    ) {
        for (known, tap) in &self.parameters {
            if *known != pid {
                continue;
            }
            let Some(raw) = tap.source.field.raw(data) else {
                self.unsampled.short += 1;
                continue;
            };
            let Some(time) = time else {
                self.unsampled.untimed += 1;
                continue;
            };
            let Some(speaker) = self.speaker.get_mut(tap.trace) else {
                continue;
            };
            if *speaker.get_or_insert(address) == address {
                record(
                    &mut self.traces,
                    tap,
                    time.seconds() + self.time_base_s,
                    raw,
                );
            }
        }
    }

    /// What gave no sample so far.
    pub const fn unsampled(&self) -> Unsampled {
        self.unsampled
    }

    /// The signals that were seen.
    pub fn finish(self) -> Signals {
        let mut signals = Signals::default();
        for (name, trace) in SignalName::ALL.into_iter().zip(self.traces) {
            *name.slot(&mut signals) = trace;
        }
        signals
    }
}

impl Group {
    /// Whether this frame is an exact copy of the one before; keeps it for the next.
    fn is_copy(&mut self, frame: &Frame<'_>, time: Timestamp) -> bool {
        let length = frame.data.len().min(MAX_DATA);
        let (Some(kept), Some(data)) = (self.last_data.get_mut(..length), frame.data.get(..length))
        else {
            return false;
        };
        let near = self.last.is_some_and(|(channel, last)| {
            channel == frame.channel
                && time.nanos_since(last).unsigned_abs() <= COPY_NANOS.unsigned_abs()
        });
        if near && self.last_length == length && *kept == *data {
            return true;
        }
        kept.copy_from_slice(data);
        self.last_length = length;
        self.last = Some((frame.channel, time));
        false
    }
}

fn record(traces: &mut [Option<Trace>], tap: &Tap, seconds: f64, raw: u64) {
    if let Some(trace) = traces.get_mut(tap.trace) {
        let trace = trace.get_or_insert_with(|| Trace::new(tap.source.quantum()));
        trace.push(seconds, tap.source.value(raw));
    }
}

/// Where a signal's trace stands: its place in [`SignalName::ALL`].
fn trace_index(name: SignalName) -> usize {
    let mut all = SignalName::ALL.iter();
    all.position(|known| *known == name).unwrap_or(0)
}

#[cfg(test)]
mod tests;
