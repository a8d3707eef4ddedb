//! Traces under way. Signals of one frame come at the same times, and these are kept once.

use std::sync::Arc;

use crate::signal::{SignalName, Signals, Trace};

use super::router::{SIGNALS, Sample};

/// The traces of all signals, in the order of [`SignalName::ALL`].
#[derive(Clone, Debug, Default)]
pub(super) struct Recordings {
    all: [Option<Recording>; SIGNALS],
}

/// One signal's samples.
#[derive(Clone, Debug)]
struct Recording {
    times: Times,
    value: Vec<f32>,
    quantum: f64,
    set_back: Vec<(usize, f64)>,
}

/// When the samples of a signal were seen, in seconds.
#[derive(Clone, Debug)]
enum Times {
    Own(Vec<f64>),
    /// As the first samples of this other signal, which has its own.
    Of(usize),
}

impl Recordings {
    /// Adds a sample that was seen at `time_s`; from it on, `go_on` seconds make the times go on.
    pub(super) fn push(&mut self, sample: &Sample<'_>, time_s: f64, value: f32, go_on: f64) {
        let signal = sample.signal;
        let count = self.count(signal);
        let shared = match self.all.get(signal) {
            Some(Some(recording)) => match recording.times {
                Times::Own(_) => None,
                Times::Of(other) => Some((other, self.is_at(other, count, time_s))),
            },
            Some(None) => {
                let other = (0..SIGNALS).find(|&other| self.is_at(other, 0, time_s));
                other.map(|other| (other, true))
            }
            None => return,
        };
        // Where a signal leaves the other, it takes the times so far with it.
        let own = match shared {
            Some((other, false)) => {
                let times = self.own_times(other).get(..count).unwrap_or_default();
                Some(times.to_vec())
            }
            _ => None,
        };
        let Some(slot) = self.all.get_mut(signal) else {
            return;
        };
        let recording = slot.get_or_insert_with(|| Recording {
            times: match shared {
                Some((other, _)) => Times::Of(other),
                None => Times::Own(Vec::new()),
            },
            value: Vec::new(),
            quantum: sample.source.quantum(),
            set_back: Vec::new(),
        });
        if let Some(own) = own {
            recording.times = Times::Own(own);
        }
        let before = recording
            .set_back
            .last()
            .map_or(0.0, |(_, seconds)| *seconds);
        if go_on.to_bits() != before.to_bits() {
            recording.set_back.push((count, go_on));
        }
        if let Times::Own(times) = &mut recording.times {
            add(times, time_s);
        }
        add(&mut recording.value, value);
    }

    fn count(&self, signal: usize) -> usize {
        match self.all.get(signal) {
            Some(Some(recording)) => recording.value.len(),
            _ => 0,
        }
    }

    /// The times of a signal that has its own.
    fn own_times(&self, signal: usize) -> &[f64] {
        match self.all.get(signal) {
            Some(Some(recording)) => match &recording.times {
                Times::Own(times) => times,
                Times::Of(_) => &[],
            },
            _ => &[],
        }
    }

    /// Whether a signal has its own times, and the one at this index is this.
    fn is_at(&self, signal: usize, index: usize, time_s: f64) -> bool {
        let at = self.own_times(signal).get(index);
        at.is_some_and(|at| at.to_bits() == time_s.to_bits())
    }

    fn times<'a>(&'a self, recording: &'a Recording) -> &'a [f64] {
        let times = match &recording.times {
            Times::Own(times) => times,
            Times::Of(other) => self.own_times(*other),
        };
        times.get(..recording.value.len()).unwrap_or_default()
    }

    /// The last sample of a signal: seconds, and value or NaN.
    pub(super) fn last(&self, signal: usize) -> Option<(f64, f64)> {
        let recording = self.all.get(signal)?.as_ref()?;
        let time_s = self.times(recording).last()?;
        Some((*time_s, f64::from(*recording.value.last()?)))
    }

    /// Forgets the samples of each signal up to its first that is not before this time, in seconds.
    pub(super) fn forget_before(&mut self, time_s: f64) {
        let gone = |recording: &Recording| {
            let times = self.times(recording);
            let kept = times.iter().position(|&time| time >= time_s);
            kept.unwrap_or(times.len())
        };
        let gone: [usize; SIGNALS] = self
            .all
            .each_ref()
            .map(|recording| recording.as_ref().map_or(0, gone));
        for (recording, gone) in self.all.iter_mut().zip(gone) {
            if let Some(recording) = recording {
                recording.value.drain(..gone);
                if let Times::Own(times) = &mut recording.times {
                    times.drain(..gone);
                }
            }
        }
    }

    /// The traces of the signals that were seen.
    pub(super) fn finish(mut self) -> Signals {
        let columns: [Option<Arc<Vec<f64>>>; SIGNALS] =
            self.all.each_mut().map(|recording| match recording {
                Some(Recording {
                    times: Times::Own(times),
                    ..
                }) => {
                    times.shrink_to_fit();
                    Some(Arc::new(std::mem::take(times)))
                }
                _ => None,
            });
        let mut signals = Signals::default();
        for ((name, recording), own) in SignalName::ALL.into_iter().zip(self.all).zip(&columns) {
            *name.slot(&mut signals) = recording.and_then(|mut recording| {
                recording.value.shrink_to_fit();
                let times = match recording.times {
                    Times::Own(_) => own.as_ref()?,
                    Times::Of(other) => columns.get(other)?.as_ref()?,
                };
                let count = recording.value.len();
                let time_s = if times.len() == count {
                    Arc::clone(times)
                } else {
                    Arc::new(times.get(..count)?.to_vec())
                };
                Some(Trace {
                    time_s,
                    value: recording.value,
                    quantum: recording.quantum,
                    set_back: recording.set_back,
                })
            });
        }
        signals
    }
}

/// Adds to a column. It grows by a quarter instead of to twice its size: an hour of four wheels is the largest thing in
/// memory.
fn add<T>(column: &mut Vec<T>, value: T) {
    if column.len() == column.capacity() {
        column.reserve_exact((column.len() / 4).max(256));
    }
    column.push(value);
}
