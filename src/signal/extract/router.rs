//! Which frames and answers carry which signals, and their raw numbers.
//!
//! A frame that carries no signal costs one look-up. Samples are handed to a function of the caller's, in the order in
//! which they are seen; nothing is kept but each identifier's last frame.

use std::collections::BTreeMap;

use crate::frame::{Channel, Frame, MAX_DATA, Timestamp};
use crate::service;
use crate::signal::field::padded;
use crate::signal::profile::Profile;
use crate::signal::{ByteOrder, Carrier, Coding, Field, SignalName, SignalSource};
use crate::transport::Address;

use super::Unsampled;

/// Closer copies than this, in nanoseconds, are artefacts of the capture.
const COPY_NANOS: i64 = 50_000;
/// A bus that has been silent for so long, in nanoseconds, is left for another one.
const SILENT_NANOS: i64 = 5_000_000_000;
/// How many 11-bit identifiers there are.
const STANDARD_IDS: usize = 2_048;
/// Names of signals, and so most traces.
pub(super) const SIGNALS: usize = SignalName::ALL.len();

/// One sample: the signal's place in [`SignalName::ALL`], when, how to read it, and its raw number.
pub(super) struct Sample<'a> {
    pub(super) signal: usize,
    pub(super) time: Timestamp,
    pub(super) source: &'a SignalSource,
    pub(super) raw: u64,
}

/// One signal of a frame, ready to be read.
#[derive(Clone, Debug)]
struct Tap {
    signal: usize,
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

/// Knows where every placed signal is.
#[derive(Clone, Debug)]
pub(super) struct Router {
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
    pub(super) unsampled: Unsampled,
}

impl Router {
    /// Everything that the profile places, and PID 0x0D and 0x42 where it places no vehicle speed and no battery voltage.
    pub(super) fn new(profile: &Profile) -> Self {
        let mut router = Self {
            standard: vec![0; STANDARD_IDS].into_boxed_slice(),
            extended: BTreeMap::new(),
            groups: Vec::new(),
            identifiers: Vec::new(),
            parameters: Vec::new(),
            speaker: [None; SIGNALS],
            unsampled: Unsampled::default(),
        };
        for (name, source) in profile.sources() {
            router.add(name, source, profile);
        }
        for (name, given, pid, bits, factor) in [
            (
                SignalName::VehicleSpeed,
                &profile.vehicle_speed,
                0x0D,
                8,
                1.0,
            ),
            (
                SignalName::BatteryVoltage,
                &profile.battery_voltage,
                0x42,
                16,
                0.001,
            ),
        ] {
            let field = Field::new(7, bits, ByteOrder::Big, Coding::Unsigned);
            if let (Ok(field), None) = (field, given) {
                let carrier = Carrier::Parameter(pid);
                let source = SignalSource::plain(carrier, field, factor, name.quantity());
                router.add(name, &source, profile);
            }
        }
        router
    }

    fn add(&mut self, name: SignalName, source: &SignalSource, profile: &Profile) {
        let mut all = SignalName::ALL.iter();
        let tap = Tap {
            signal: all.position(|known| *known == name).unwrap_or(0),
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
                    self.groups.push(Group::default());
                }
                let index = usize::from(*slot).wrapping_sub(1);
                if let Some(group) = self.groups.get_mut(index) {
                    group.taps.push(tap);
                }
            }
        }
    }

    /// Hands the samples of one frame to `sink`.
    #[inline]
    pub(super) fn frame(&mut self, frame: &Frame<'_>, sink: impl FnMut(Sample<'_>)) {
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
            self.samples(slot, frame, sink);
        }
    }

    fn samples(&mut self, slot: u16, frame: &Frame<'_>, mut sink: impl FnMut(Sample<'_>)) {
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
        if !group.is_on_its_bus(frame.channel, time) {
            self.unsampled.other_bus += 1;
            return;
        }
        if group.is_copy(frame, time) {
            self.unsampled.copies += 1;
            return;
        }
        let word = padded(frame.data);
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
                Some(raw) => sink(tap.sample(time, raw)),
                None => self.unsampled.short += 1,
            }
        }
    }

    /// Hands the samples of one whole positive answer to `sink`. The request tells several identifiers in one answer apart.
    pub(super) fn answer(
        &mut self,
        address: Address,
        request: Option<&[u8]>,
        payload: &[u8],
        time: Option<Timestamp>,
        mut sink: impl FnMut(Sample<'_>),
    ) {
        match payload.first() {
            Some(0x62) if !self.identifiers.is_empty() => {
                let taps = &self.identifiers;
                let least = |id| {
                    let here = taps
                        .iter()
                        .filter(|(from, did, _)| *from == address && *did == id);
                    here.map(|(_, _, tap)| tap.source.field.bytes_needed())
                        .max()
                };
                let found = service::identifiers(request, payload, &least);
                for (did, data) in found {
                    self.identifier(address, did, data, time, &mut sink);
                }
            }
            Some(0x41) => {
                for (pid, data) in service::parameters(payload) {
                    self.parameter(address, pid, data, time, &mut sink);
                }
            }
            _ => {}
        }
    }

    /// Hands the samples of one data identifier's data to `sink`.
    fn identifier(
        &mut self,
        address: Address,
        did: u16,
        data: &[u8],
        time: Option<Timestamp>,
        mut sink: impl FnMut(Sample<'_>),
    ) {
        let taps = self.identifiers.iter();
        for (_, _, tap) in taps.filter(|(from, known, _)| *from == address && *known == did) {
            match (tap.source.field.raw(data), time) {
                (_, None) => self.unsampled.untimed += 1,
                (None, _) => self.unsampled.short += 1,
                (Some(raw), Some(time)) => sink(tap.sample(time, raw)),
            }
        }
    }

    /// Hands the samples of one parameter's data to `sink`. When several modules give it, the first is listened to.
    fn parameter(
        &mut self,
        address: Address,
        pid: u8,
        data: &[u8],
        time: Option<Timestamp>,
        mut sink: impl FnMut(Sample<'_>),
    ) {
        for (_, tap) in self.parameters.iter().filter(|(known, _)| *known == pid) {
            match (tap.source.field.raw(data), time) {
                (_, None) => self.unsampled.untimed += 1,
                (None, _) => self.unsampled.short += 1,
                (Some(raw), Some(time)) => {
                    let speaker = self.speaker.get_mut(tap.signal);
                    if speaker.is_some_and(|speaker| *speaker.get_or_insert(address) == address) {
                        sink(tap.sample(time, raw));
                    }
                }
            }
        }
    }
}

impl Tap {
    fn sample(&self, time: Timestamp, raw: u64) -> Sample<'_> {
        Sample {
            signal: self.signal,
            time,
            source: &self.source,
            raw,
        }
    }
}

impl Default for Group {
    fn default() -> Self {
        Self {
            taps: Vec::new(),
            last: None,
            last_length: 0,
            last_data: [0; MAX_DATA],
        }
    }
}

impl Group {
    /// Whether this frame is on the bus that this identifier is listened to on: the first that carried it. A gateway repeats
    /// frames on other buses later, and the same identifier may mean something else there.
    fn is_on_its_bus(&self, channel: Channel, time: Timestamp) -> bool {
        self.last.is_none_or(|(bus, last)| {
            bus == channel || !(-SILENT_NANOS..=SILENT_NANOS).contains(&time.nanos_since(last))
        })
    }

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
