//! Frames and answers in, signals over time out: as whole traces ([`Extractor`]), or row by row ([`Columns`]).
//!
//! An exact copy of a frame on the same bus within 0.05 ms is an artefact of the capture and dropped. Each identifier is listened
//! to on the first bus that carries it. Data that are too
//! short for a signal, and frames and answers without a time, are counted and give no sample.

mod columns;
mod recording;
mod router;

pub use columns::{Columns, Row};

use crate::frame::{Frame, Timestamp};
use crate::transport::Address;

use super::Signals;
use super::profile::Profile;
use recording::Recordings;
use router::{Router, Sample};

/// What gave no sample, and why.
#[derive(Clone, Copy, Debug, Default, Eq, PartialEq)]
pub struct Unsampled {
    /// Frames or answers that carry a signal but have no time.
    pub untimed: u64,
    /// Signals whose frame or answer was too short.
    pub short: u64,
    /// Exact copies of a frame within 0.05 ms.
    pub copies: u64,
    /// Frames on another bus than the one that their identifier is listened to on.
    pub other_bus: u64,
}

/// Takes signals out of frames and answers, as traces.
#[derive(Clone, Debug)]
pub struct Extractor {
    router: Router,
    traces: Recordings,
    clock: Clock,
}

/// The capture's clock, as the samples of all signals show it.
#[derive(Clone, Copy, Debug)]
struct Clock {
    /// What is added to every time, in s.
    base_s: f64,
    /// The latest time so far, in s.
    latest: f64,
    /// How many seconds make the times go on where the clock was set back.
    go_on: f64,
}

/// A step back by less than this, in seconds, is frames out of order; by more, the clock was set.
const OUT_OF_ORDER_S: f64 = 1.0;
/// What passes between the last sample before the clock was set and the first one after it, in s: unknown, but not nothing.
const BETWEEN_S: f64 = 0.001;

impl Clock {
    fn take(&mut self, time_s: f64) {
        if self.latest - time_s >= OUT_OF_ORDER_S {
            self.go_on += self.latest - time_s + BETWEEN_S;
            self.latest = time_s;
        }
        self.latest = self.latest.max(time_s);
    }
}

impl Extractor {
    /// An extractor of everything that the profile places, and of PID 0x0D and 0x42 where it places no vehicle speed and
    /// no battery voltage.
    pub fn new(profile: &Profile) -> Self {
        Self {
            router: Router::new(profile),
            traces: Recordings::default(),
            clock: Clock {
                base_s: 0.0,
                latest: f64::NEG_INFINITY,
                go_on: 0.0,
            },
        }
    }

    /// Adds this to every time from here on, in seconds; for captures that are laid one behind the other.
    pub fn set_time_base(&mut self, seconds: f64) {
        self.clock.base_s = seconds;
    }

    /// Takes the signals of one frame.
    #[inline]
    pub fn push_frame(&mut self, frame: &Frame<'_>) {
        let (traces, clock) = (&mut self.traces, &mut self.clock);
        self.router
            .frame(frame, |sample| record(traces, clock, &sample));
    }

    /// Takes the signals of one whole answer: `payload` begins with the service identifier. Positive answers to services
    /// 0x22 (0x62) and mode 01 (0x41) are looked into, several identifiers or parameters in one answer too; `request` is
    /// what was asked, where it is known. When several modules give the same parameter, the first is listened to.
    pub fn push_answer(
        &mut self,
        address: Address,
        request: Option<&[u8]>,
        payload: &[u8],
        time: Option<Timestamp>,
    ) {
        let (traces, clock) = (&mut self.traces, &mut self.clock);
        self.router
            .answer(address, request, payload, time, |sample| {
                record(traces, clock, &sample);
            });
    }

    /// What gave no sample so far.
    pub const fn unsampled(&self) -> Unsampled {
        self.router.unsampled
    }

    /// The last sample of each wheel's speed, in the order of [`crate::place::Wheel::ALL`]: seconds, and km/h or NaN.
    pub fn last_speeds(&self) -> [Option<(f64, f64)>; 4] {
        std::array::from_fn(|wheel| self.traces.last(wheel))
    }

    /// Forgets the samples before this time, in seconds.
    pub fn forget_before(&mut self, time_s: f64) {
        self.traces.forget_before(time_s);
    }

    /// The signals that were seen.
    pub fn finish(self) -> Signals {
        self.traces.finish()
    }
}

fn record(traces: &mut Recordings, clock: &mut Clock, sample: &Sample<'_>) {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "traces hold single precision: a ten-thousandth of a km/h at motorway speed"
    )]
    let value = sample.source.value(sample.raw) as f32;
    let time_s = sample.time.seconds() + clock.base_s;
    clock.take(time_s);
    traces.push(sample, time_s, value, clock.go_on);
}

#[cfg(test)]
mod tests;
