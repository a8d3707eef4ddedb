//! Spikes: single readings far off, whatever the sampling. A missing tooth, a chipped one, a contact that opens for a
//! moment or a stray pulse spoils the window of pulses it falls into, and no other.
//!
//! A bend moves all four wheels, so the cross ratio LF·RR / (RF·LR), in which it cancels, must jump from its own slow
//! mean, and the wheel that is furthest from the median of the others must be off by as much. Kerbs do that too, once
//! or twice; a fault does it at one wheel again and again.

use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::slowing::Slowing;
use super::statistics;
use crate::place::Wheel;

/// A reading this far off is a spike, as a share of the speed; …
const SPIKE: f64 = 0.06;
/// … and so many spreads of the cross ratio.
const SIGMAS: f64 = 7.0;
/// Further off than this it is a drop-out.
const NO_SPIKE: f64 = 0.8;
/// The wheel itself must show this share of what the cross ratio shows.
const OWN_SHARE: f64 = 0.6;
/// A wheel stands alone when the next one is off by less than its own deviation over this.
const ALONE: f64 = 1.5;
/// Slower than this, in km/h, the quantum and the senders' offsets weigh too much.
const FROM_KMH: f64 = 12.0;
/// Harder than this, in m/s², wheels slip.
const STEADY: f64 = 2.0;
/// Wheels are read this share of an interval apart at most …
const SKEW_INTERVALS: f64 = 0.3;
/// … and this long, in s.
const MOST_SKEW_S: f64 = 0.3;
/// Spikes nearer than this, in s, are one.
const TOGETHER_S: f64 = 0.3;
/// A spoiled window of pulses is 50 ms long at most, and a module's filter stretches it a little: what lasts longer than
/// this, in s, is the wheel itself, which slips. Where the sampling is not at least twice as fast, high ones count only
/// where the engine has not pulled for a while.
const LASTS_S: f64 = 0.12;
/// A wheel that has slipped rolls again this long after the engine has pulled, in s.
const AFTER_PULL_S: f64 = 1.0;
/// A spike goes on while the wheel is off by this share of what makes one.
const GOES_ON: f64 = 0.5;
/// How much of a new reading the slow mean takes.
const SLOW: f64 = 0.05;
/// What is off for longer than this, in s, is where the wheels have come to stand.
const OFF_FOR_A_MOMENT_S: f64 = 1.0;
/// The slow mean follows no faster than this for each reading.
const SLOW_STEP: f64 = 0.004;
/// Bumps of a rough road, per second: one in a minute, …
const ROUGH_ROAD_RATE: f64 = 1.0 / 60.0;
/// … each of this length, in s: slower sampling misses most of them.
const BUMP_S: f64 = 0.1;
/// Sound wheels of one vehicle may differ by this factor.
const WHEELS_DIFFER: f64 = 3.0;
/// Fewer than this are kerbs.
const LEAST: u64 = 8;
/// Chance below which they are shown.
const SHOWN_BELOW: f64 = 1e-6;

/// Spikes of each wheel, per minute of steady driving.
pub(super) fn find(grid: &Grid<'_>) -> [Option<Measured>; 4] {
    let present = Wheel::ALL.map(|wheel| grid.column(wheel).is_some());
    if grid.wheels() < 4 {
        return present.map(|is| is.then(|| Measured::not_made("needs all four wheels")));
    }
    let quantum = grid
        .columns
        .iter()
        .flatten()
        .map(|column| column.quantum_kmh)
        .fold(0.0, f64::max);
    let mut offs = Vec::new();
    let mut steady_s = 0.0;
    let mut slowing = [Slowing::default(); 4];
    walk(grid, |_, off| {
        steady_s += off.stands_s;
        for slowing in &mut slowing {
            slowing.look(off.slows, off.stands_s);
        }
        if offs.len() < 50_000 {
            offs.push(off.cross.abs());
        }
    });
    if steady_s < 5.0 || offs.len() < 20 {
        return present.map(|_| {
            Some(Measured::not_made(format!(
                "only {steady_s:.1} s of steady driving above {FROM_KMH:.0} km/h"
            )))
        });
    }
    let sigma = 1.4826 * statistics::median(&mut offs).unwrap_or(0.0);
    let mut made: [Made; 4] = std::array::from_fn(|_| Made::new(0.0, 0.0, "per minute"));
    let mut low = [0_u64; 4];
    // Whether the sampling shows how long a wheel is off.
    let resolves = grid.interval_s <= LASTS_S / 2.0;
    let mut runs: [Option<Run>; 4] = [None; 4];
    let mut last_s = [f64::NEG_INFINITY; 4];
    let mut close = |wheel: usize, run: Option<Run>| {
        let Some(run) = run else { return };
        if run.spike
            && !(resolves && run.lasts_s() > LASTS_S)
            && run.start_s - last_s[wheel] > TOGETHER_S
        {
            made[wheel].saw(grid.seen(run.index));
            if run.low {
                slowing[wheel].saw(grid.slows(run.index));
            }
            low[wheel] += u64::from(run.low);
        }
        if run.spike {
            last_s[wheel] = run.end_s;
        }
    };
    walk(grid, |index, off| {
        let limit = SPIKE
            .max(SIGMAS * sigma)
            .max(6.0 * quantum / off.reference_kmh)
            + off.skew;
        let is_spike = off.cross.abs() >= limit
            && off.own.abs() >= OWN_SHARE * off.cross.abs()
            && off.own.abs() <= NO_SPIKE
            && (resolves || off.own < 0.0 || !off.pulled);
        for (wheel, slot) in runs.iter_mut().enumerate() {
            let own = off.owns[wheel];
            let on = own.abs() >= GOES_ON * limit;
            if !(on && slot.is_some_and(|run| run.reaches(own, off.time_s, grid.hold_s))) {
                close(wheel, slot.take());
            }
            if on {
                let run = slot.get_or_insert(Run::new(index, off.time_s, own));
                run.end_s = off.time_s;
                run.spike |= wheel == off.wheel && is_spike;
            }
        }
    });
    for (wheel, run) in runs.into_iter().enumerate() {
        close(wheel, run);
    }
    judge(&made, low, &slowing, steady_s, grid.interval_s)
}

fn judge(
    made: &[Made; 4],
    low: [u64; 4],
    slowing: &[Slowing; 4],
    steady_s: f64,
    interval_s: f64,
) -> [Option<Measured>; 4] {
    let counts = made.each_ref().map(|made| made.events);
    let number = |count: u64| statistics::count(usize::try_from(count).unwrap_or(usize::MAX));
    let highest = counts.iter().copied().max().unwrap_or(0);
    std::array::from_fn(|wheel| {
        let mut made = made[wheel].clone();
        let mut others = (0..4)
            .filter(|other| *other != wheel)
            .map(|other| number(counts[other]))
            .collect::<Vec<_>>();
        let usual = statistics::median(&mut others).unwrap_or(0.0);
        let mean =
            WHEELS_DIFFER * usual + ROUGH_ROAD_RATE * steady_s * (BUMP_S / interval_s).min(1.0);
        let chance = statistics::poisson_tail(made.events, mean);
        made.value = number(made.events) / (steady_s / 60.0);
        made.uncertainty =
            statistics::Z_95 * number(made.events).max(1.0).sqrt() / (steady_s / 60.0);
        made.false_alarm = Some(chance);
        made.verdict = if made.events >= LEAST
            && chance < SHOWN_BELOW
            && number(made.events) >= 0.3 * number(highest)
            && !(2 * low[wheel] > made.events && slowing[wheel].gathers())
        {
            Verdict::Shown
        } else if made.events >= 4 && chance < 1e-2 {
            Verdict::Unclear
        } else {
            Verdict::NotShown
        };
        made.note = Some(format!(
            "{} low and {} high in {steady_s:.0} s of steady driving",
            low[wheel],
            made.events - low[wheel]
        ));
        Some(made.into())
    })
}

/// Readings in a row that are off at one wheel to one side.
#[derive(Clone, Copy, Debug)]
struct Run {
    index: usize,
    start_s: f64,
    end_s: f64,
    low: bool,
    /// Whether one of them is far enough off.
    spike: bool,
}

impl Run {
    fn new(index: usize, time_s: f64, own: f64) -> Self {
        Self {
            index,
            start_s: time_s,
            end_s: time_s,
            low: own < 0.0,
            spike: false,
        }
    }

    fn reaches(&self, own: f64, time_s: f64, hold_s: f64) -> bool {
        self.low == (own < 0.0) && time_s - self.end_s <= hold_s
    }

    fn lasts_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// What one moment says.
#[derive(Clone, Copy, Debug)]
struct Off {
    time_s: f64,
    stands_s: f64,
    reference_kmh: f64,
    /// What wheels that are not read at the same moment differ by while the speed changes, as a share.
    skew: f64,
    /// Whether the vehicle slows, so that a wheel may be locked.
    slows: bool,
    /// Whether the engine pulled not long ago, so that a wheel may turn too fast.
    pulled: bool,
    /// How far each wheel is off against its own slow mean, as a share.
    owns: [f64; 4],
    /// The cross ratio against its slow mean, as a share.
    cross: f64,
    /// The wheel that is furthest from the median of the others in the cross ratio's sense.
    wheel: usize,
    /// By how much.
    own: f64,
}

fn walk(grid: &Grid<'_>, mut each: impl FnMut(usize, Off)) {
    let skew_s = (SKEW_INTERVALS * grid.interval_s).min(MOST_SKEW_S);
    let mut slow = f64::NAN;
    let mut calm_s = f64::NEG_INFINITY;
    let mut pulled_s = f64::NEG_INFINITY;
    let mut slow_own = [f64::NAN; 4];
    for (index, &time_s) in grid.time_s.iter().enumerate() {
        let moment = grid.moment(index);
        if moment.pulls() {
            pulled_s = time_s;
        }
        let steady = moment.travels
            && !moment.braked
            && moment.acceleration.abs() < STEADY
            && moment.reference_kmh >= FROM_KMH;
        let speeds = Wheel::ALL.map(|wheel| grid.speed(wheel, index));
        if !steady
            || speeds
                .iter()
                .any(|speed| !(speed.is_finite() && *speed > 1.0))
        {
            continue;
        }
        let [lf, rf, lr, rr] = speeds;
        let raw = (lf * rr / (rf * lr)).ln();
        if slow.is_nan() {
            slow = raw.clamp(-0.2, 0.2);
        }
        let cross = raw - slow;
        // The slow mean does not run after what is off for a moment.
        let calm = cross.abs() < GOES_ON * SPIKE;
        if calm {
            calm_s = time_s;
        }
        let follow = |off: f64| {
            if calm || time_s - calm_s > OFF_FOR_A_MOMENT_S {
                (SLOW * off).clamp(-SLOW_STEP, SLOW_STEP)
            } else {
                0.0
            }
        };
        slow += follow(cross);
        let mut owns = [0.0; 4];
        let mut best = (0, 0.0_f64);
        let mut second = 0.0_f64;
        for wheel in 0..4 {
            let mut others = [0.0; 3];
            for (slot, (_, &speed)) in others.iter_mut().zip(
                speeds
                    .iter()
                    .enumerate()
                    .filter(|(other, _)| *other != wheel),
            ) {
                *slot = speed;
            }
            let middle = statistics::median_of_few(&others, 3).unwrap_or(f64::NAN);
            let raw = speeds[wheel] / middle - 1.0;
            let mean = &mut slow_own[wheel];
            if mean.is_nan() {
                *mean = raw.clamp(-0.2, 0.2);
            }
            let own = raw - *mean;
            *mean += follow(own);
            owns[wheel] = own;
            let sign = if matches!(wheel, 0 | 3) { 1.0 } else { -1.0 };
            if own * sign * cross > 0.0 && own.abs() > best.1.abs() {
                second = best.1;
                best = (wheel, own);
            } else if own * sign * cross > 0.0 {
                second = second.abs().max(own.abs());
            }
        }
        each(
            index,
            Off {
                time_s,
                stands_s: grid.stands(index),
                reference_kmh: moment.reference_kmh,
                skew: moment.acceleration.abs() * 3.6 * skew_s / moment.reference_kmh,
                slows: grid.slows(index),
                pulled: time_s - pulled_s <= AFTER_PULL_S,
                owns,
                cross,
                wheel: best.0,
                // A second wheel that is nearly as far off leaves open which one it was.
                own: if best.1.abs() > ALONE * second.abs() {
                    best.1
                } else {
                    0.0
                },
            },
        );
    }
}
