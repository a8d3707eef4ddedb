//! Impossible acceleration: a wheel's speed jumps as no wheel can.
//!
//! The vehicle cannot pass 11 to 12 m/s² on road tyres, but one wheel can: it locks within a tenth of a second and is
//! spun up by the road as quickly, it spins, it hops over a kerb. So two things are told apart:
//!
//! - *extreme* jumps of [`EXTREME`] or more, which no brake and no road can make (makers: swings beyond 500 m/s²), and
//! - jumps of more than [`LIMIT`] against the neighbours while the drive is quiet: no braking, no hard acceleration,
//!   the neighbours agreeing. A kerb makes one or two; a fault makes many, and at one wheel.
//!
//! The quantum of the value, its noise, and time stamps that bunch up are taken off first.

use super::dropout::base;
use super::grid::{Grid, Neighbours};
use super::measured::{Made, Measured, Verdict};
use super::statistics;
use crate::place::Wheel;

/// Against quiet neighbours, in m/s².
pub(super) const LIMIT: f64 = 15.0;
/// Whatever the neighbours do, in m/s².
pub(super) const EXTREME: f64 = 500.0;
/// Time stamps nearer than this, in s, have bunched up: wheel frames come every 10 ms at most.
const SHORTEST_S: f64 = 0.01;
/// Noise taken off, in standard deviations.
const NOISE_SIGMAS: f64 = 6.0;
/// Fewer jumps than this may be kerbs.
const LEAST_EVENTS: u64 = 6;
/// Jumps of a sound wheel on a rough road, per second of quiet driving: one in two minutes.
const ROUGH_ROAD_RATE: f64 = 1.0 / 120.0;
/// Sound wheels of one vehicle may differ by this factor: the driven axle, the laden axle, the side of the potholes.
const WHEELS_DIFFER: f64 = 3.0;
/// A wheel with less than this share of another wheel's jumps may only show the other's.
const LEADS: f64 = 0.3;
/// False-alarm probability below which the jumps are shown.
const SHOWN_BELOW: f64 = 1e-6;

/// Jumps of one wheel.
#[derive(Clone, Debug)]
struct Jumps {
    peak: f64,
    seen: Made,
    extreme: u64,
    quiet_s: f64,
    least_kmh: f64,
}

/// Peak acceleration of each wheel in m/s², with the jumps beyond the limits as events.
pub(super) fn find(grid: &Grid<'_>) -> [Option<Measured>; 4] {
    let jumps = Wheel::ALL.map(|wheel| walk(grid, wheel));
    std::array::from_fn(|wheel| {
        let own = jumps[wheel].as_ref()?;
        let others = jumps
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != wheel)
            .filter_map(|(_, jumps)| jumps.as_ref())
            .map(|jumps| (events(jumps), jumps.quiet_s));
        // The median of the neighbours' rates: one faulty neighbour must not excuse this wheel.
        let mut rates = others
            .filter(|(_, quiet_s)| *quiet_s > 0.0)
            .map(|(events, quiet_s)| events / quiet_s)
            .collect::<Vec<_>>();
        let highest = rates.iter().copied().fold(0.0, f64::max);
        let rate = statistics::median(&mut rates).unwrap_or(0.0);
        let mean = (WHEELS_DIFFER * rate + ROUGH_ROAD_RATE) * own.quiet_s;
        let leads = events(own) >= LEADS * highest * own.quiet_s;
        Some(judge(own, mean, leads))
    })
}

fn events(jumps: &Jumps) -> f64 {
    statistics::count(usize::try_from(jumps.seen.events).unwrap_or(usize::MAX))
}

fn judge(own: &Jumps, mean: f64, leads: bool) -> Measured {
    if own.quiet_s < 1.0 && own.extreme == 0 {
        return Measured::not_made("no quiet driving in which the neighbours agree");
    }
    let mut made = own.seen.clone();
    made.value = own.peak;
    let chance = statistics::poisson_tail(made.events, mean);
    made.false_alarm = Some(chance);
    made.verdict =
        if own.extreme >= 2 || (made.events >= LEAST_EVENTS && chance < SHOWN_BELOW && leads) {
            Verdict::Shown
        } else if own.extreme > 0 || (made.events >= 3 && chance < 1e-2) {
            Verdict::Unclear
        } else {
            Verdict::NotShown
        };
    made.note = Some(format!(
        "{} jumps in {:.0} s of quiet driving; smaller ones than {:.1} km/h cannot be told from driving",
        made.events, own.quiet_s, own.least_kmh
    ));
    made.into()
}

fn walk(grid: &Grid<'_>, wheel: Wheel) -> Option<Jumps> {
    let column = grid.column(wheel)?;
    let wheels = grid.wheels();
    let shortest = column.renewal_s.min(column.interval_s).max(SHORTEST_S);
    let mut steps = Vec::new();
    each_step(grid, wheel, |step| {
        if steps.len() < MOST_STEPS && step.quiet && step.dt <= 1.5 * column.interval_s {
            steps.push(step.relative.abs());
        }
    });
    let sigma = statistics::median(&mut steps).unwrap_or(0.0) * 1.4826;
    let margin = 1.5 * column.quantum_kmh + NOISE_SIGMAS * sigma;
    let mut jumps = Jumps {
        peak: 0.0,
        seen: Made::new(
            0.0,
            column.quantum_kmh / 3.6 / column.interval_s.max(shortest),
            "m/s²",
        ),
        extreme: 0,
        quiet_s: 0.0,
        least_kmh: LIMIT * 3.6 * column.interval_s.max(shortest) + margin,
    };
    if wheels < 2 {
        return Some(jumps);
    }
    each_step(grid, wheel, |step| {
        let dt = step.dt.max(shortest);
        let size = (step.own.abs() - column.quantum_kmh).max(0.0) / 3.6 / dt;
        jumps.peak = jumps.peak.max(size);
        if size >= EXTREME && step.travels && !step.may_lock {
            jumps.extreme += 1;
        }
        if step.quiet {
            jumps.quiet_s += step.dt;
            if step.relative.abs() - margin > LIMIT * 3.6 * dt {
                jumps.seen.saw(column.seen(step.index));
            }
        }
    });
    Some(jumps)
}

/// Most steps that the noise is taken from.
const MOST_STEPS: usize = 20_000;

/// From one sample to the next.
#[derive(Clone, Copy, Debug)]
pub(super) struct Step {
    pub(super) index: usize,
    pub(super) time_s: f64,
    pub(super) speed_kmh: f64,
    dt: f64,
    /// Change of the wheel, in km/h.
    own: f64,
    /// The same less the median change of its neighbours, in km/h.
    pub(super) relative: f64,
    pub(super) quiet: bool,
    travels: bool,
    may_lock: bool,
}

/// Every step of a wheel within which nothing is missing.
pub(super) fn each_step(grid: &Grid<'_>, wheel: Wheel, mut each: impl FnMut(Step)) {
    let Some(column) = grid.column(wheel) else {
        return;
    };
    let wheels = grid.wheels();
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut at = 0;
    let mut last: Option<(f64, f64, [f64; 4])> = None;
    for (index, time, speed) in column.samples() {
        let around = neighbours.at(time);
        let values = around.map(|around| around.map_or(f64::NAN, super::grid::Around::value));
        if !speed.is_finite() {
            last = None;
            continue;
        }
        let before = last.replace((time, speed, values));
        let Some((then, was, were)) = before else {
            continue;
        };
        let dt = time - then;
        if dt > column.hold_s || dt <= 0.0 {
            continue;
        }
        let Some(moment) = grid.advance(&mut at, time).map(|at| grid.moment(at)) else {
            continue;
        };
        let change = median_change(&values, &were);
        each(Step {
            index,
            time_s: time,
            speed_kmh: speed,
            dt,
            own: speed - was,
            relative: speed - was - change.unwrap_or(0.0),
            quiet: change.is_some()
                && moment.is_quiet()
                && base(&around, wheels, moment.travels).is_some(),
            travels: moment.travels,
            may_lock: moment.may_lock(),
        });
    }
}

/// The median of what changed, over the wheels that are known at both times; at least two, or the only one there is.
fn median_change(now: &[f64; 4], then: &[f64; 4]) -> Option<f64> {
    let mut changes = [0.0; 4];
    let mut known = 0;
    for (now, then) in now.iter().zip(then) {
        let change = now - then;
        if change.is_finite()
            && let Some(slot) = changes.get_mut(known)
        {
            *slot = change;
            known += 1;
        }
    }
    let changes = changes.get_mut(..known)?;
    changes.sort_unstable_by(f64::total_cmp);
    match *changes {
        [only] => Some(only),
        [low, high] => Some(f64::midpoint(low, high)),
        [_, middle, ..] => Some(middle),
        [] => None,
    }
}
