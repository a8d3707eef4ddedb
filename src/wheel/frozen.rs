//! Frozen values: the same number over and over while the vehicle's speed changes.
//!
//! A steady drive holds a coarse value by itself, so what counts is how far the vehicle's speed moved meanwhile.
//! Zeros are drop-outs, not frozen values.

use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use crate::place::Wheel;

/// The vehicle's speed moved at least this far during one value, in km/h …
const MOVED_KMH: f64 = 5.0;
/// … and by this share of it …
const MOVED_SHARE: f64 = 0.15;
/// … and by this many steps of the value.
const MOVED_QUANTA: f64 = 5.0;
/// At least so many samples with the same value, …
const LEAST_SAMPLES: usize = 4;
/// … over at least this time, in s.
const LEAST_S: f64 = 0.8;
/// The axle mate moved by this share of what the vehicle did.
const MATE_SHARE: f64 = 0.5;
/// From this speed on, in km/h, every sound wheel has a signal.
const SURE_KMH: f64 = 6.0;
/// Over a longer interval than this, in s, a value held by the sender itself explains everything.
const MOST_INTERVAL_S: f64 = 3.0;

/// Share of the time at speed during which the value of `wheel` was frozen.
pub(super) fn find(grid: &Grid<'_>, wheel: Wheel) -> Option<Measured> {
    let column = grid.column(wheel)?;
    if grid.wheels() < 2 {
        return Some(Measured::not_made("no other wheel to compare with"));
    }
    if column.renewal_s > MOST_INTERVAL_S {
        return Some(Measured::not_made(format!(
            "the value is renewed only every {:.1} s",
            column.renewal_s
        )));
    }
    let zero = column.zero_kmh();
    let mut at = 0;
    let mut moving_s = 0.0;
    let mut frozen_s = 0.0;
    let mut found = Made::new(0.0, 0.0, "");
    let mut run: Option<Hold> = None;
    let mut last_s = f64::NEG_INFINITY;
    let mut close = |run: &mut Option<Hold>| {
        if let Some(held) = run.take()
            && held.is_frozen(column.quantum_kmh, column.renewal_s)
        {
            frozen_s += held.end_s - held.start_s;
            found.saw_for(held.seen_s, held.end_s - held.start_s);
        }
    };
    for (index, time, speed) in column.samples() {
        if time - last_s > column.hold_s {
            close(&mut run);
        }
        last_s = time;
        let Some(moment) = grid.advance(&mut at, time).map(|at| grid.moment(at)) else {
            continue;
        };
        let mate = grid.speed(wheel.opposite(), at);
        if moment.travels {
            moving_s += column.stands(index);
        }
        if !speed.is_finite() || speed <= zero {
            close(&mut run);
            continue;
        }
        match &mut run {
            Some(held) if held.speed.to_bits() == speed.to_bits() => {
                held.samples += 1;
                held.end_s = time;
                held.travelled |= moment.travels;
                // Where signals come and go, the vehicle's own speed does so too.
                if moment.reference_kmh >= SURE_KMH {
                    held.low = held.low.min(moment.reference_kmh);
                    held.high = held.high.max(moment.reference_kmh);
                    held.see_mate(mate);
                }
            }
            _ => {
                close(&mut run);
                run = Some(Hold {
                    speed,
                    samples: 1,
                    start_s: time,
                    end_s: time,
                    seen_s: column.seen(index),
                    travelled: moment.travels,
                    low: moment.reference_kmh.max(SURE_KMH),
                    high: moment.reference_kmh,
                    mate: None,
                });
            }
        }
    }
    close(&mut run);
    if moving_s < 1.0 {
        return Some(Measured::not_made("the vehicle did not travel"));
    }
    found.value = frozen_s / moving_s;
    found.uncertainty = column.interval_s / moving_s;
    found.verdict = if found.events > 0 {
        Verdict::Shown
    } else {
        Verdict::NotShown
    };
    Some(found.into())
}

/// A run of equal values.
#[derive(Debug)]
struct Hold {
    speed: f64,
    samples: usize,
    start_s: f64,
    end_s: f64,
    seen_s: f64,
    travelled: bool,
    low: f64,
    high: f64,
    /// Lowest and highest speed of its axle mate, where that is known.
    mate: Option<(f64, f64)>,
}

impl Hold {
    fn see_mate(&mut self, kmh: f64) {
        if kmh >= SURE_KMH {
            let (low, high) = self.mate.unwrap_or((kmh, kmh));
            self.mate = Some((low.min(kmh), high.max(kmh)));
        }
    }

    fn is_frozen(&self, quantum_kmh: f64, renewal_s: f64) -> bool {
        let moved = self.high - self.low;
        self.travelled
            && self.samples >= LEAST_SAMPLES
            && self.end_s - self.start_s >= LEAST_S.max(3.0 * renewal_s)
            && moved >= MOVED_KMH
            && moved >= MOVED_SHARE * self.high
            && moved >= MOVED_QUANTA * quantum_kmh
            // While the other axle's wheels spin, both of this one are steady.
            && self.mate.is_none_or(|(low, high)| high - low >= MATE_SHARE * moved)
    }
}
