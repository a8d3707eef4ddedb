//! All four wheels on one time base, with the vehicle's own speed and whether it travels.
//!
//! The time base is that of the wheel with the most samples; the others are interpolated between two samples that
//! are close enough, and unknown elsewhere. A gap in the capture is a gap here.

use std::borrow::Cow;

use super::clock;
use super::column::{Column, Cursor, HOLD_AT_LEAST_S, HOLD_INTERVALS};
use super::input::{Input, Samples};
use super::latch::{Latch, TRAVEL_KMH};
use super::statistics::{self, narrow};
use crate::place::Wheel;

/// What is known at one moment of the grid.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    /// The vehicle's speed, in km/h; NaN when unknown.
    pub(super) reference_kmh: f64,
    /// The vehicle's acceleration, in m/s²; NaN when unknown.
    pub(super) acceleration: f64,
    /// Whether the vehicle travels for sure: at least three wheels agreed not long ago.
    pub(super) travels: bool,
    /// Whether a yaw rate says so too: no lift turns a vehicle.
    pub(super) turned: bool,
    /// Whether the brake is pressed or the ABS regulates, where the capture says so.
    pub(super) braked: bool,
}

impl Moment {
    /// Whether nothing special happens: travelling without much acceleration.
    pub(super) fn is_quiet(&self) -> bool {
        self.travels && !self.braked && self.acceleration.abs() < QUIET_ACCELERATION
    }

    /// Whether the engine pulls, so that driven wheels may slip.
    pub(super) fn pulls(&self) -> bool {
        self.acceleration > PULLS
    }

    /// Whether a wheel may be locked by the brake.
    pub(super) fn may_lock(&self) -> bool {
        self.braked || self.acceleration.is_nan() || self.acceleration < LOCK_DECELERATION
    }
}

/// Below this, in m/s², driving is quiet: half of what is usual in town traffic at its liveliest.
const QUIET_ACCELERATION: f64 = 1.5;

/// From this acceleration on, in m/s², the engine pulls.
const PULLS: f64 = 0.2;

/// Below this, in m/s², a braked wheel may lock: sliding on ice slows a vehicle by 0.1 g or less, and by half of that where
/// only one axle slides.
const LOCK_DECELERATION: f64 = -0.4;

/// The same over [`SLOWS_REACH_S`] to either side: a slide of this kind is seen from its first moment on, when half of that time has
/// passed in it.
const SLOWS: f64 = 0.6 * LOCK_DECELERATION;

/// All wheels on one time base.
#[derive(Debug)]
pub(super) struct Grid<'a> {
    /// The wheels' own samples, in table order.
    pub(super) columns: [Option<Column<'a>>; 4],
    /// The times of the grid as seen.
    seen_s: &'a [f64],
    /// The times of the grid, never falling.
    pub(super) time_s: Cow<'a, [f64]>,
    /// Interpolated speeds in km/h, in table order; empty for a wheel without samples, NaN where unknown.
    pub(super) speed_kmh: [Cow<'a, [f32]>; 4],
    /// Whether all wheels with samples have them at the same times, which rise: nothing is interpolated then.
    pub(super) aligned: bool,
    reference_kmh: Vec<f32>,
    acceleration: Vec<f32>,
    flags: Vec<u8>,
    /// By what share of the speed right wheels are faster than left ones, from a yaw rate or steering angle; empty
    /// without.
    bend: Vec<f32>,
    /// Whether somebody braked or steered while the vehicle rolled: one that is towed is only turned.
    driven: bool,
    /// Longest interval that is no gap, in s.
    pub(super) hold_s: f64,
    /// Median interval of the grid, in s.
    pub(super) interval_s: f64,
}

const TRAVELS: u8 = 1;
const BRAKED: u8 = 2;
const TURNED: u8 = 4;
const SLOWING: u8 = 8;
/// Shifted left by the wheel's index.
const ROUGH: u8 = 16;
const ROUGH_ALL: u8 = 0xF0;

/// A speed is shaken when it bends this many times more sharply than it usually does.
const ROUGH_FACTOR: f64 = 8.0;
/// So many moments to either side belong to a bump.
const ROUGH_REACH: usize = 15;

/// Turns of the steering wheel for one of the road wheels, usual for a car: between 13 and 18.
const USUAL_STEERING_RATIO: f64 = 15.5;

impl<'a> Grid<'a> {
    /// The grid of an input; `None` when no wheel has two samples.
    pub(super) fn new(input: &Input<'a>) -> Option<Self> {
        let columns = input.speeds.map(|samples| samples.and_then(Column::new));
        let lead = columns
            .iter()
            .flatten()
            .max_by_key(|column| column.time_s.len())?;
        let time_s = lead.time_s.clone();
        let (seen_s, hold_s, interval_s) = (lead.seen_s, lead.hold_s, lead.interval_s);
        let aligned = columns
            .iter()
            .flatten()
            .all(|column| same(&column.time_s, &time_s))
            && time_s.is_sorted_by(|a, b| a < b);
        let speed_kmh = std::array::from_fn(|wheel| {
            columns[wheel]
                .as_ref()
                .map_or(Cow::Borrowed(&[][..]), |column| {
                    interpolate(column, &time_s)
                })
        });
        let mut grid = Self {
            columns,
            seen_s,
            time_s,
            speed_kmh,
            aligned,
            reference_kmh: Vec::new(),
            acceleration: Vec::new(),
            flags: Vec::new(),
            bend: Vec::new(),
            driven: false,
            hold_s,
            interval_s,
        };
        grid.find_reference(input.yaw_rate);
        grid.acceleration = grid.accelerations(ACCELERATION_REACH_S);
        grid.mark_slowing();
        for (samples, margin_s) in [(input.brake_switch, 0.5), (input.abs_active, 1.5)] {
            if let Some(samples) = samples {
                grid.mark_braked(samples, margin_s);
            }
        }
        grid.driven = grid.is_braked() || input.steering_angle.is_some_and(is_steered);
        grid.mark_rough();
        grid.find_bend(input);
        Some(grid)
    }

    /// How many moments there are.
    pub(super) fn len(&self) -> usize {
        self.time_s.len()
    }

    /// A wheel's column, if it has samples.
    pub(super) fn column(&self, wheel: Wheel) -> Option<&Column<'a>> {
        self.columns[wheel.index()].as_ref()
    }

    /// How many wheels have samples.
    pub(super) fn wheels(&self) -> usize {
        self.columns.iter().flatten().count()
    }

    /// Whether both wheels of this wheel's axle stood through the whole capture while those of the other one turned, and nobody
    /// was seen to drive: dead signals, or a vehicle that is towed with this axle lifted.
    pub(super) fn may_be_lifted(&self, wheel: Wheel) -> bool {
        let stood = |of: Wheel| {
            self.column(of)
                .is_some_and(|column| column.top_kmh < TRAVEL_KMH)
        };
        let axle = wheel.axle();
        let [near, far]: [bool; 2] = [true, false].map(|near| {
            let mut wheels = Wheel::ALL.into_iter();
            wheels.all(|of| (of.axle() == axle) != near || stood(of) == near)
        });
        near && far && !self.driven
    }

    /// How many wheels have a signal: those that turned at all, where others travelled.
    pub(super) fn living(&self) -> usize {
        let tops = || self.columns.iter().flatten().map(|column| column.top_kmh);
        if tops().fold(0.0, f64::max) < TRAVEL_KMH {
            return self.wheels();
        }
        tops().filter(|&top_kmh| top_kmh >= TRAVEL_KMH).count()
    }

    /// A wheel's speed at a moment of the grid, in km/h; NaN when unknown.
    #[inline]
    pub(super) fn speed(&self, wheel: Wheel, index: usize) -> f64 {
        self.speed_kmh[wheel.index()]
            .get(index)
            .map_or(f64::NAN, |&speed| f64::from(speed))
    }

    /// The grid's times in s and the vehicle's speed at each in km/h, NaN when unknown.
    pub(super) fn into_reference(self) -> (Vec<f64>, Vec<f32>) {
        (self.time_s.into_owned(), self.reference_kmh)
    }

    /// What is known at a moment of the grid.
    #[inline]
    pub(super) fn moment(&self, index: usize) -> Moment {
        let flags = self.flags.get(index).copied().unwrap_or(0);
        let wide = |column: &[f32]| {
            column
                .get(index)
                .map_or(f64::NAN, |&value| f64::from(value))
        };
        Moment {
            reference_kmh: wide(&self.reference_kmh),
            acceleration: wide(&self.acceleration),
            travels: flags & TRAVELS != 0,
            turned: flags & TURNED != 0,
            braked: flags & BRAKED != 0,
        }
    }

    /// Whether the vehicle slows, over a second to either side, as on ice at least: a wheel may be locked or about to be.
    pub(super) fn slows(&self, index: usize) -> bool {
        self.flags
            .get(index)
            .is_some_and(|flags| flags & SLOWING != 0)
    }

    /// For how long a moment stands, in s: to the next one, but not over a gap.
    #[inline]
    pub(super) fn stands(&self, index: usize) -> f64 {
        match (self.time_s.get(index), self.time_s.get(index + 1)) {
            (Some(now), Some(next)) if next - now <= self.hold_s => next - now,
            _ => self.interval_s,
        }
    }

    /// Moves `at` to the last moment that is not after `time_s`; `None` before the first.
    #[inline]
    pub(super) fn advance(&self, at: &mut usize, time_s: f64) -> Option<usize> {
        while self.time_s.get(*at + 1).is_some_and(|&next| next <= time_s) {
            *at += 1;
        }
        self.time_s
            .get(*at)
            .is_some_and(|&now| now <= time_s && time_s - now <= self.hold_s)
            .then_some(*at)
    }

    /// By what share of the speed the right wheels are faster than the left ones by yaw rate or steering angle, if the
    /// capture has one: positive in a left bend.
    #[inline]
    pub(super) fn bend(&self, index: usize) -> Option<f64> {
        self.bend
            .get(index)
            .map(|&bend| f64::from(bend))
            .filter(|bend| bend.is_finite())
    }

    /// The time of a moment as the capture shows it.
    pub(super) fn seen(&self, index: usize) -> f64 {
        self.seen_s.get(index).copied().unwrap_or(f64::NAN)
    }

    /// Whether a wheel other than `wheel` was shaken within [`ROUGH_REACH`] moments of this one.
    pub(super) fn is_rough_beside(&self, wheel: Wheel, index: usize) -> bool {
        let others = ROUGH_ALL & !(ROUGH << wheel.index());
        self.flags
            .get(index.saturating_sub(ROUGH_REACH)..(index + ROUGH_REACH + 1).min(self.len()))
            .unwrap_or_default()
            .iter()
            .fold(0, |all, flags| all | flags)
            & others
            != 0
    }

    /// Marks where a wheel's speed bends far more sharply than it usually does: a bump, or a fault.
    fn mark_rough(&mut self) {
        for wheel in 0..4 {
            let speeds = &self.speed_kmh[wheel];
            let sharp = |triple: &[f32]| match *triple {
                [a, b, c] => f64::from((a - 2.0 * b + c).abs()),
                _ => f64::NAN,
            };
            let step = (speeds.len() / 4_096).max(1);
            let mut usual = speeds
                .windows(3)
                .step_by(step)
                .map(sharp)
                .filter(|value| *value > 0.0)
                .collect::<Vec<_>>();
            let Some(usual) = statistics::median(&mut usual) else {
                continue;
            };
            for (triple, flags) in speeds.windows(3).zip(self.flags.iter_mut().skip(1)) {
                if sharp(triple) > ROUGH_FACTOR * usual {
                    *flags |= ROUGH << wheel;
                }
            }
        }
    }

    /// The bend from the yaw rate, or from the steering angle with a usual steering ratio.
    fn find_bend(&mut self, input: &Input<'_>) {
        let (samples, per_unit) = match (input.yaw_rate, input.steering_angle) {
            (Some(yaw), _) if !yaw.is_empty() => (yaw, None),
            (_, Some(angle)) if !angle.is_empty() => {
                let geometry = &input.geometry;
                let gain = geometry.track() / geometry.wheelbase() / USUAL_STEERING_RATIO;
                (angle, Some(gain))
            }
            _ => return,
        };
        let times = clock::steady(samples);
        let hold_s = clock::interval(&times)
            .unwrap_or(0.0)
            .mul_add(HOLD_INTERVALS, HOLD_AT_LEAST_S);
        let mut cursor = Cursor::default();
        self.bend = self
            .time_s
            .iter()
            .zip(&self.reference_kmh)
            .map(|(&time, &speed)| {
                let around = cursor.around(&times, samples.value, hold_s, time);
                narrow(around.map_or(f64::NAN, |around| match per_unit {
                    Some(gain) => around.value() * gain,
                    None => {
                        around.value() * input.geometry.track() / (f64::from(speed) / 3.6).max(0.5)
                    }
                }))
            })
            .collect();
    }

    fn find_reference(&mut self, yaw_rate: Option<Samples<'_>>) {
        let turns = self.turns(yaw_rate);
        let mut latch = Latch::default();
        self.reference_kmh.reserve_exact(self.len());
        self.flags.reserve_exact(self.len());
        for index in 0..self.len() {
            let time = self.time_s.get(index).copied().unwrap_or(0.0);
            let speeds = Wheel::ALL.map(|wheel| self.speed(wheel, index));
            let turns = turns.get(index).copied().unwrap_or(false);
            let (reference, travels) = latch.push(time, speeds, turns);
            self.reference_kmh.push(narrow(reference));
            let turned = if latch.turned { TURNED } else { 0 };
            self.flags.push(if travels { TRAVELS | turned } else { 0 });
        }
    }

    /// Whether the yaw rate shows a bend, at each moment; empty without a yaw rate that is sometimes near zero and sometimes
    /// not: one that stands still far from zero is broken.
    fn turns(&self, yaw_rate: Option<Samples<'_>>) -> Vec<bool> {
        let Some(samples) = yaw_rate else {
            return Vec::new();
        };
        let still = samples.iter().any(|(_, yaw)| yaw.abs() < YAW_STILL);
        let turning = samples.iter().any(|(_, yaw)| yaw.abs() > YAW_TURNS);
        if !(still && turning) {
            return Vec::new();
        }
        let times = clock::steady(samples);
        let hold_s = clock::interval(&times)
            .unwrap_or(0.0)
            .mul_add(HOLD_INTERVALS, HOLD_AT_LEAST_S);
        let mut cursor = Cursor::default();
        let mut around = |time| cursor.around(&times, samples.value, hold_s, time);
        self.time_s
            .iter()
            .map(|&time| {
                around(time)
                    .is_some_and(|around| around.before.abs().min(around.after.abs()) > YAW_TURNS)
            })
            .collect()
    }

    /// The vehicle's acceleration at each moment, in m/s²: from `reach_s` before to `reach_s` after; NaN when unknown.
    fn accelerations(&self, reach_s: f64) -> Vec<f32> {
        let reach_s = self.interval_s.max(reach_s) * 1.01;
        let (mut first, mut last) = (0, 0);
        let mut accelerations = Vec::with_capacity(self.len());
        for index in 0..self.len() {
            let now = self.time_s.get(index).copied().unwrap_or(0.0);
            while self
                .time_s
                .get(first)
                .is_some_and(|&time| now - time > reach_s)
            {
                first += 1;
            }
            while self
                .time_s
                .get(last + 1)
                .is_some_and(|&time| time - now <= reach_s)
            {
                last += 1;
            }
            let at = |index: usize| {
                (
                    self.time_s.get(index).copied().unwrap_or(f64::NAN),
                    self.reference_kmh
                        .get(index)
                        .map_or(f64::NAN, |&speed| f64::from(speed)),
                )
            };
            let ((start, slow), (end, fast)) = (at(first), at(last));
            let span = end - start;
            accelerations.push(narrow(if span > 0.5 * reach_s {
                (fast - slow) / 3.6 / span
            } else {
                f64::NAN
            }));
        }
        accelerations
    }

    /// Marks the moments at which the vehicle slows for longer than a moment.
    fn mark_slowing(&mut self) {
        let accelerations = self.accelerations(SLOWS_REACH_S);
        for (flags, acceleration) in self.flags.iter_mut().zip(accelerations) {
            if f64::from(acceleration) < SLOWS {
                *flags |= SLOWING;
            }
        }
    }

    /// Whether the brake was pressed while the vehicle rolled.
    fn is_braked(&self) -> bool {
        (0..self.len())
            .map(|index| self.moment(index))
            .any(|moment| moment.braked && moment.travels && moment.reference_kmh >= TRAVEL_KMH)
    }

    /// Marks the moments at which a switch is on, and `margin_s` around them.
    fn mark_braked(&mut self, samples: Samples<'_>, margin_s: f64) {
        let times = clock::steady(samples);
        let mut at = 0;
        let length = self.len();
        for (index, (&time, &value)) in times.iter().zip(samples.value).enumerate() {
            if !(value.is_finite() && value > 0.5) {
                continue;
            }
            let end = times
                .get(index + 1)
                .copied()
                .unwrap_or(time)
                .min(time + 10.0)
                + margin_s;
            while at > 0
                && self
                    .time_s
                    .get(at)
                    .is_some_and(|&now| now > time - margin_s)
            {
                at -= 1;
            }
            while at < length && self.time_s.get(at).is_some_and(|&now| now <= end) {
                if self
                    .time_s
                    .get(at)
                    .is_some_and(|&now| now >= time - margin_s)
                    && let Some(flags) = self.flags.get_mut(at)
                {
                    *flags |= BRAKED;
                }
                at += 1;
            }
        }
    }
}

/// The acceleration is taken over this long to either side, in s.
const ACCELERATION_REACH_S: f64 = 0.25;
/// Whether the vehicle slows is looked at over this long to either side, in s: the steps of a module that counts pulses are no
/// slowing.
const SLOWS_REACH_S: f64 = 1.0;

/// A steering wheel that is turned by more than this, in rad, is in somebody's hands.
const STEERED: f64 = 1.0;

/// Whether the steering wheel was turned.
fn is_steered(angle: Samples<'_>) -> bool {
    let known = angle
        .iter()
        .map(|(_, angle)| angle)
        .filter(|angle| angle.is_finite());
    let (low, high) = known.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), angle| {
        (low.min(angle), high.max(angle))
    });
    high - low > STEERED
}

/// Whether two columns of times are the same: mostly one that is shared.
fn same(a: &[f64], b: &[f64]) -> bool {
    std::ptr::eq(a, b) || a == b
}

fn interpolate<'a>(column: &Column<'a>, time_s: &[f64]) -> Cow<'a, [f32]> {
    if same(&column.time_s, time_s) {
        return Cow::Borrowed(column.speed_kmh);
    }
    let mut cursor = Cursor::default();
    time_s
        .iter()
        .map(|&time| {
            cursor
                .around(&column.time_s, column.speed_kmh, column.hold_s, time)
                .map_or(f32::NAN, |around| narrow(around.value()))
        })
        .collect()
}

/// A vehicle that stands, or is on a lift, turns less than this, in rad/s; offsets of sensors are within it.
const YAW_STILL: f64 = 0.03;
/// A vehicle that turns more than this, in rad/s, travels.
const YAW_TURNS: f64 = 0.1;
