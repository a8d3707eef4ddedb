//! One wheel's samples on a clock that never falls, and the walk through them.

use std::borrow::Cow;

use super::clock;
use super::input::Samples;
use super::statistics;

/// One wheel's samples on a clock that never falls.
#[derive(Clone, Debug)]
pub(super) struct Column<'a> {
    /// Times as seen, for reports.
    pub(super) seen_s: &'a [f64],
    /// Times that never fall, for mathematics.
    pub(super) time_s: Cow<'a, [f64]>,
    /// Speeds in km/h; NaN where invalid.
    pub(super) speed_kmh: &'a [f32],
    /// Smallest step of the speed that was seen, in km/h: a module that counts pulses steps further than its message can.
    pub(super) quantum_kmh: f64,
    /// Median interval between samples, in s.
    pub(super) interval_s: f64,
    /// Interval at which the value is really renewed, in s: longer where a value is sent several times.
    pub(super) renewal_s: f64,
    /// Longest interval over which a value still says something, in s; anything longer is a gap.
    pub(super) hold_s: f64,
    /// Highest valid speed, in km/h.
    pub(super) top_kmh: f64,
}

impl<'a> Column<'a> {
    pub(super) fn new(samples: Samples<'a>) -> Option<Self> {
        let time_s = clock::steady(samples);
        let interval_s = clock::interval(&time_s)?;
        let top_kmh = samples
            .iter()
            .map(|(_, speed)| speed)
            .filter(|speed| speed.is_finite())
            .fold(0.0, f64::max);
        Some(Self {
            seen_s: samples.time_s,
            renewal_s: renewal(&time_s, samples.value)
                .unwrap_or(interval_s)
                .max(interval_s),
            time_s,
            speed_kmh: samples.value,
            quantum_kmh: samples.quantum.max(step(samples.value)),
            interval_s,
            hold_s: (interval_s * HOLD_INTERVALS).max(HOLD_AT_LEAST_S),
            top_kmh,
        })
    }

    /// At or below this, in km/h, the wheel reads nothing: [`ZERO_KMH`], or a step of the value.
    pub(super) fn zero_kmh(&self) -> f64 {
        ZERO_KMH.max(1.01 * self.quantum_kmh.min(1.0))
    }

    /// Every sample: index, time, speed (NaN where invalid).
    pub(super) fn samples(&self) -> impl Iterator<Item = (usize, f64, f64)> + '_ {
        self.time_s
            .iter()
            .zip(self.speed_kmh)
            .enumerate()
            .map(|(index, (&time, &speed))| (index, time, f64::from(speed)))
    }

    /// The time of a sample as the capture shows it.
    pub(super) fn seen(&self, index: usize) -> f64 {
        self.seen_s.get(index).copied().unwrap_or(f64::NAN)
    }

    /// For how long the sample at `index` stands, in s: to the next one, but not over a gap.
    pub(super) fn stands(&self, index: usize) -> f64 {
        match (self.time_s.get(index), self.time_s.get(index + 1)) {
            (Some(now), Some(next)) if next - now <= self.hold_s => next - now,
            _ => self.interval_s,
        }
    }
}

/// At or below this, in km/h, a wheel reads nothing; an offset in the message may leave a rest.
pub(super) const ZERO_KMH: f64 = 0.35;

/// A value is good for this many median intervals after its sample, …
pub(super) const HOLD_INTERVALS: f64 = 2.5;
/// … and for at least this long, in s.
pub(super) const HOLD_AT_LEAST_S: f64 = 0.25;

/// The interval between changes of the value, in s: the lower quartile, because a steady speed holds a value by
/// itself. `None` when it hardly ever changes.
fn renewal(time_s: &[f64], value: &[f32]) -> Option<f64> {
    const AT_LEAST: usize = 50;
    const AT_MOST: usize = 20_000;
    let mut intervals = Vec::new();
    let mut last: Option<(f64, f32)> = None;
    for (&time, &now) in time_s.iter().zip(value) {
        if !now.is_finite() {
            last = None;
            continue;
        }
        match last {
            Some((since, held)) if held.to_bits() != now.to_bits() => {
                if held > 0.0 && now > 0.0 {
                    intervals.push(time - since);
                    if intervals.len() == AT_MOST {
                        break;
                    }
                }
                last = Some((time, now));
            }
            Some(_) => {}
            None => last = Some((time, now)),
        }
    }
    if intervals.len() < AT_LEAST {
        return None;
    }
    statistics::quantile(&mut intervals, 0.25)
}

/// The smallest difference between two of the values, in km/h; 0 where there are too few of them to tell. A pulse more in a
/// window of 20 ms, of a ring of 48 teeth, is 7 km/h more, however fine the message is.
fn step(value: &[f32]) -> f64 {
    const AT_LEAST: usize = 200;
    const AT_MOST: usize = 20_000;
    let known = value.iter().copied().filter(|value| value.is_finite());
    let mut values = known
        .filter(|value| *value > 0.0)
        .take(AT_MOST)
        .collect::<Vec<_>>();
    if values.len() < AT_LEAST {
        return 0.0;
    }
    values.sort_unstable_by(f32::total_cmp);
    values.dedup();
    let steps = values.windows(2).map(|pair| match *pair {
        [low, high] => f64::from(high) - f64::from(low),
        _ => f64::INFINITY,
    });
    let smallest = steps.fold(f64::INFINITY, f64::min);
    if smallest <= COARSEST_KMH {
        smallest
    } else {
        0.0
    }
}

/// A module does not count more coarsely than this, in km/h: one pulse in 10 ms, of a ring of 48.
const COARSEST_KMH: f64 = 15.0;

/// Where a walk through a column stands: asked with times that never fall, it answers in constant time on average.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cursor {
    at: usize,
}

/// The two samples around a moment (the same one twice when the moment is its own).
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    /// Speed before, in km/h.
    pub(super) before: f64,
    /// Speed after, in km/h.
    pub(super) after: f64,
    /// Where between the two the moment is, 0 to 1.
    pub(super) between: f64,
}

impl Around {
    /// The lower of the two.
    pub(super) fn low(self) -> f64 {
        self.before.min(self.after)
    }

    /// The higher of the two.
    pub(super) fn high(self) -> f64 {
        self.before.max(self.after)
    }

    /// In between.
    pub(super) fn value(self) -> f64 {
        self.before + (self.after - self.before) * self.between
    }
}

impl Cursor {
    /// The valid samples around `time_s`; `None` in a gap, beyond the ends, or beside an invalid sample.
    pub(super) fn around(
        &mut self,
        times: &[f64],
        values: &[f32],
        hold_s: f64,
        time_s: f64,
    ) -> Option<Around> {
        while times.get(self.at + 1).is_some_and(|&next| next <= time_s) {
            self.at += 1;
        }
        let &start = times.get(self.at)?;
        let before = f64::from(*values.get(self.at)?);
        if !before.is_finite() || time_s < start {
            return None;
        }
        if time_s - start < SAME_MOMENT_S {
            return Some(Around {
                before,
                after: before,
                between: 0.0,
            });
        }
        let &end = times.get(self.at + 1)?;
        let after = f64::from(*values.get(self.at + 1)?);
        if !after.is_finite() || end - start > hold_s {
            return None;
        }
        Some(Around {
            before,
            after,
            between: (time_s - start) / (end - start),
        })
    }
}

/// Two samples nearer than this, in s, are of one moment: two frames of one cycle.
const SAME_MOMENT_S: f64 = 1e-4;
