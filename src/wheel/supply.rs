//! The supply voltage beside the wheels: how low it was, for how long, and whether drop-outs come with its dips.
//!
//! The starter pulls every healthy supply below 10 V for a second, so low voltage counts while the vehicle moves, or
//! when it lasts. Source of the limits: makers store a code below 9 V for 0.1 s, test sensors between 9.6 and 16.5 V,
//! and call more than 16 V too high.

use super::clock;
use super::grid::Grid;
use super::input::{Input, Samples};
use super::measured::{Made, Measured, Verdict};
use super::statistics;

/// Too low for the module, in V.
const LOW_V: f64 = 9.5;
/// Lower than any sound charging system, in V.
const WEAK_V: f64 = 10.5;
/// Too high, in V.
const HIGH_V: f64 = 16.0;
/// The starter turns for less than this, in s.
const STARTER_S: f64 = 4.0;
/// Low voltage while moving counts from this long, in s.
const MOVING_LOW_S: f64 = 0.1;
/// A drop-out this near to a dip, in s, comes with it.
const BESIDE_S: f64 = 0.5;
/// Moving, in km/h.
const MOVING_KMH: f64 = 3.0;

/// What the supply did.
#[derive(Clone, Debug)]
pub(super) struct Supply {
    /// Lowest voltage, in V.
    pub(super) lowest: Measured,
    /// Median voltage, in V.
    pub(super) median: Measured,
    /// Highest voltage, in V.
    pub(super) highest: Measured,
    /// Time below 9.5 V, in s.
    pub(super) below_low: Measured,
    /// Time below 10.5 V, in s.
    pub(super) below_weak: Measured,
    /// Share of the drop-outs that come with a dip.
    pub(super) with_dips: Measured,
}

impl Supply {
    fn none(reason: &str) -> Self {
        Self {
            lowest: Measured::not_made(reason),
            median: Measured::not_made(reason),
            highest: Measured::not_made(reason),
            below_low: Measured::not_made(reason),
            below_weak: Measured::not_made(reason),
            with_dips: Measured::not_made(reason),
        }
    }
}

/// Time below a limit.
#[derive(Debug)]
struct Below {
    limit: f64,
    total_s: f64,
    moving_s: f64,
    run_s: f64,
    longest_s: f64,
    seen: Made,
}

impl Below {
    fn new(limit: f64) -> Self {
        Self {
            limit,
            total_s: 0.0,
            moving_s: 0.0,
            run_s: 0.0,
            longest_s: 0.0,
            seen: Made::new(0.0, 0.0, "s"),
        }
    }

    fn push(&mut self, volts: f64, seen_s: f64, stands_s: f64, moving: bool) -> bool {
        if volts >= self.limit {
            self.run_s = 0.0;
            return false;
        }
        if self.run_s <= 0.0 {
            self.seen.saw(seen_s);
        }
        self.run_s += stands_s;
        self.total_s += stands_s;
        if moving {
            self.moving_s += stands_s;
        }
        self.longest_s = self.longest_s.max(self.run_s);
        true
    }

    fn judge(self, interval_s: f64, verdict: Verdict) -> Measured {
        let counts = self.moving_s >= MOVING_LOW_S || self.longest_s >= STARTER_S;
        let mut made = self.seen;
        made.value = self.total_s;
        made.uncertainty = if made.events > 0 { interval_s } else { 0.0 };
        made.verdict = if counts { verdict } else { Verdict::NotShown };
        made.note = Some(format!("{:.1} s of it while moving", self.moving_s));
        made.into()
    }
}

/// Measures the supply; `dropouts` are the times of all drop-outs on the steady clock, in s.
pub(super) fn find(input: &Input<'_>, grid: Option<&Grid<'_>>, dropouts: &[f64]) -> Supply {
    let (samples, whose) = match (input.supply_voltage, input.battery_voltage) {
        (Some(supply), _) if !supply.is_empty() => (supply, "at the module"),
        (_, Some(battery)) if !battery.is_empty() => (battery, "of the battery, not at the module"),
        _ => return Supply::none("no voltage in the capture"),
    };
    walk(samples, whose, grid, dropouts)
}

fn walk(samples: Samples<'_>, whose: &str, grid: Option<&Grid<'_>>, dropouts: &[f64]) -> Supply {
    let times = clock::steady(samples);
    let interval_s = clock::interval(&times).unwrap_or(1.0);
    let mut volts = samples
        .iter()
        .map(|(_, volts)| volts)
        .filter(|volts| volts.is_finite())
        .collect::<Vec<_>>();
    let lowest = volts.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let Some(centre) = statistics::centre(&mut volts) else {
        return Supply::none("no valid voltage in the capture");
    };
    let mut low = Below::new(LOW_V);
    let mut weak = Below::new(WEAK_V);
    let mut too_high = 0.0_f64;
    let mut at = 0;
    let mut dips: Vec<(f64, f64)> = Vec::new();
    for (index, (&time, &value)) in times.iter().zip(samples.value).enumerate() {
        let value = f64::from(value);
        if !value.is_finite() {
            continue;
        }
        let stands = times
            .get(index + 1)
            .map_or(interval_s, |next| (next - time).min(2.5 * interval_s));
        let moving = grid.is_some_and(|grid| {
            grid.advance(&mut at, time)
                .is_some_and(|at| grid.moment(at).reference_kmh >= MOVING_KMH)
        });
        let seen = samples.time_s.get(index).copied().unwrap_or(time);
        low.push(value, seen, stands, moving);
        if weak.push(value, seen, stands, moving) {
            match dips.last_mut() {
                Some((_, end)) if time <= *end + BESIDE_S => *end = time + stands,
                _ => dips.push((time, time + stands)),
            }
        }
        if value > HIGH_V {
            too_high += stands;
        }
    }
    let volts = |value: f64, verdict| {
        let mut made = Made::new(value, samples.quantum / 2.0, "V");
        made.verdict = verdict;
        made.note = Some(whose.to_owned());
        Measured::Made(made)
    };
    let with_dips = with_dips(&dips, &times, dropouts);
    let below_low = low.judge(interval_s, Verdict::Shown);
    let below_weak = weak.judge(interval_s, Verdict::Unclear);
    Supply {
        lowest: volts(lowest, below_low.verdict().unwrap_or(Verdict::NotShown)),
        median: volts(centre.value, Verdict::NotShown),
        highest: volts(
            highest,
            if too_high >= MOVING_LOW_S {
                Verdict::Shown
            } else {
                Verdict::NotShown
            },
        ),
        below_low,
        below_weak,
        with_dips,
    }
}

/// The share of the drop-outs within [`BESIDE_S`] of a dip, and how likely that is by chance.
fn with_dips(dips: &[(f64, f64)], times: &[f64], dropouts: &[f64]) -> Measured {
    let (Some(first), Some(last)) = (times.first(), times.last()) else {
        return Measured::not_made("no voltage in the capture");
    };
    let judged = dropouts
        .iter()
        .filter(|time| (*first..=*last).contains(*time))
        .collect::<Vec<_>>();
    if judged.is_empty() {
        return Measured::moot("no drop-outs while the voltage was seen");
    }
    let beside = |time: f64| {
        let after = dips.partition_point(|(_, end)| *end + BESIDE_S < time);
        dips.get(after)
            .is_some_and(|(start, _)| start - BESIDE_S <= time)
    };
    let mut made = Made::new(0.0, 0.0, "");
    for time in &judged {
        if beside(**time) {
            made.saw(**time);
        }
    }
    let dip_s: f64 = dips
        .iter()
        .map(|(start, end)| end - start + 2.0 * BESIDE_S)
        .sum();
    let share_of_time = (dip_s / (last - first).max(f64::MIN_POSITIVE)).min(1.0);
    let all = statistics::count(judged.len());
    let count = u64::try_from(judged.len()).unwrap_or(u64::MAX);
    made.value = statistics::count(usize::try_from(made.events).unwrap_or(usize::MAX)) / all;
    made.uncertainty = statistics::Z_95
        * (made.value * (1.0 - made.value) / all)
            .sqrt()
            .max(0.5 / all);
    let chance = statistics::binomial_tail(made.events, count, share_of_time);
    made.false_alarm = Some(chance);
    made.verdict = if made.events >= 3 && chance < 1e-3 {
        Verdict::Shown
    } else {
        Verdict::NotShown
    };
    made.into()
}
