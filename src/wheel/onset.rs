//! Onset and vanish speed: how fast the neighbours turn when this wheel's signal first appears, and when it goes.
//!
//! A weak signal of a passive sensor shows late: too wide a gap, dirt, a weak magnet. Every sensor has such a speed
//! (passive ones read nothing at 3 km/h or less), and both wheels of an axle have the same; so the speed is taken from
//! the neighbours, among them the wheel's axle mate, while this wheel still reads nothing.
//!
//! Each event gives bounds, not a value: at least what the neighbours read at this wheel's last zero, at most what they
//! read at its first number. Slow sampling widens the bounds and cannot raise a false alarm: a fault must show in the
//! lower bounds. And it must stand out from the other wheels of the vehicle: gaps of sound coils scatter, and the speed
//! at which a coil is heard goes with its gap.

use super::grid::{Grid, Neighbours, Others};
use super::measured::{Made, Measured, Verdict};
use super::statistics;
use crate::place::Wheel;

/// At or below this, in km/h, a wheel reads nothing.
const ZERO_KMH: f64 = 0.35;
/// Lower bound, in km/h, at which two events show a weak signal: sound coils read nothing up to 3.2 km/h (published).
const TWO_FROM_KMH: f64 = 3.6;
/// Lower bound, in km/h, at which a single event does.
const ONE_FROM_KMH: f64 = 4.5;
/// So many times what the other wheels need shows a weak signal below [`FAR_FROM_KMH`]: between sound coils the signal
/// differs by half at most (common practice, no source).
const TIMES: f64 = 1.6;
/// From this lower bound on, in km/h, the other wheels do not matter.
const FAR_FROM_KMH: f64 = 6.0;
/// Lower bound, in km/h, that is more than usual.
const UNCLEAR_FROM_KMH: f64 = 2.0;

/// After a gap of this length, in s, nothing is known any more.
const FORGET_S: f64 = 5.0;
/// Slower than this at a stop, in m/s², a wheel is not locked at the last moment.
const SOFT_STOP: f64 = -3.0;

/// Onset and vanish speed of a wheel.
#[derive(Clone, Debug)]
pub(super) struct Onset {
    /// Neighbours' speed when the signal appears, in km/h.
    pub(super) onset: Measured,
    /// Neighbours' speed when the signal vanishes, in km/h.
    pub(super) vanish: Measured,
}

/// One start or stop.
#[derive(Clone, Copy, Debug)]
struct Event {
    low: f64,
    high: f64,
    seen_s: f64,
}

/// Onset and vanish speed of `wheel`.
pub(super) fn find(grid: &Grid<'_>, wheel: Wheel) -> Option<Onset> {
    let column = grid.column(wheel)?;
    let zero = ZERO_KMH.max(1.01 * column.quantum_kmh.min(1.0));
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut starts = Vec::new();
    let mut stops = Vec::new();
    // While reading nothing after a standstill: the fastest that the neighbours were meanwhile.
    let mut rising: Option<f64> = None;
    // While reading nothing after having turned: the neighbours at the first zero, and at the last number.
    let mut falling: Option<Event> = None;
    let mut turned: Option<f64> = None;
    let mut last_s = f64::NEG_INFINITY;
    let mut at = 0;
    for (index, time, speed) in column.samples() {
        if time - last_s > FORGET_S {
            (rising, falling, turned) = (None, None, None);
        }
        last_s = time;
        let others = neighbours.at(index, time);
        if !speed.is_finite() {
            (rising, falling, turned) = (None, None, None);
            continue;
        }
        if all_stand(others, zero) {
            if speed > zero {
                turned = Some(0.0);
                continue;
            }
            // The stop is complete: it was one, and no drop-out.
            stops.extend(falling.take());
            rising = Some(0.0);
            turned = None;
            continue;
        }
        let vouched = vouched(others, wheel);
        if speed > zero {
            if let (Some(low), Some((_, high))) = (rising.take(), vouched) {
                starts.push(Event {
                    low: low.min(high),
                    high,
                    seen_s: column.seen(index),
                });
            }
            falling = None;
            turned = vouched.map(|(_, high)| high);
            continue;
        }
        if let (Some(fastest), Some((low, _))) = (&mut rising, vouched) {
            *fastest = fastest.max(low);
        }
        let soft = grid
            .advance(&mut at, time)
            .is_some_and(|at| grid.moment(at).acceleration > SOFT_STOP);
        if let (Some(high), Some((low, _)), true) = (turned.take(), vouched, soft) {
            falling = Some(Event {
                low: low.min(high),
                high,
                seen_s: column.seen(index),
            });
        }
    }
    // One start and one stop bear each other out.
    let all = starts.len() + stops.len();
    Some(Onset {
        onset: judge(&starts, all, "start"),
        vanish: judge(&stops, all, "stop"),
    })
}

const fn onset(of: &mut Onset) -> &mut Measured {
    &mut of.onset
}

const fn vanish(of: &mut Onset) -> &mut Measured {
    &mut of.vanish
}

/// Takes back what does not stand out from the other wheels.
pub(super) fn compare(wheels: &mut [Option<Onset>; 4]) {
    let picks: [fn(&mut Onset) -> &mut Measured; 2] = [onset, vanish];
    for pick in picks {
        let values = wheels
            .each_mut()
            .map(|of| of.as_mut().and_then(|of| pick(of).value()));
        for (index, wheel) in wheels.iter_mut().enumerate() {
            let others = values.iter().enumerate();
            let others = others.filter(|(other, _)| *other != index);
            let mut others: Vec<f64> = others.filter_map(|(_, value)| *value).collect();
            let (Some(usual), Some(wheel)) = (statistics::median(&mut others), wheel) else {
                continue;
            };
            if let Measured::Made(made) = pick(wheel)
                && made.verdict == Verdict::Shown
                && made.value - made.uncertainty < FAR_FROM_KMH.min(TIMES * usual)
            {
                made.verdict = Verdict::Unclear;
            }
        }
    }
}

/// Whether no neighbour turns, and there is one.
fn all_stand(others: &Others, zero: f64) -> bool {
    let mut known = others.high.iter().filter(|high| !high.is_nan()).peekable();
    known.peek().is_some() && known.all(|high| *high <= zero)
}

/// How fast the neighbours turn: lower and upper bound, in km/h. Only when the axle mate and one of the other axle do,
/// so that a spinning pair, or a spinning wheel, does not count.
fn vouched(others: &Others, wheel: Wheel) -> Option<(f64, f64)> {
    let mate = wheel.opposite().index();
    let (mut low, mut high) = (others.low[mate], others.high[mate]);
    if high.is_nan() || high <= ZERO_KMH {
        return None;
    }
    let mut far = false;
    for other in Wheel::ALL {
        let fast = others.high[other.index()];
        if other.axle() != wheel.axle() && fast > ZERO_KMH {
            far = true;
            low = low.min(others.low[other.index()]);
            high = high.max(fast);
        }
    }
    far.then_some((low, high))
}

fn judge(events: &[Event], all: usize, what: &str) -> Measured {
    if events.is_empty() {
        return Measured::not_made(format!(
            "no {what} in the capture at which the neighbours tell the speed"
        ));
    }
    let mut lows = events.iter().map(|event| event.low).collect::<Vec<_>>();
    let mut middles = events
        .iter()
        .map(|event| f64::midpoint(event.low, event.high))
        .collect::<Vec<_>>();
    let mut halves = events
        .iter()
        .map(|event| (event.high - event.low) / 2.0)
        .collect::<Vec<_>>();
    let low = statistics::median(&mut lows).unwrap_or(0.0);
    let centre = statistics::centre(&mut middles);
    let half = statistics::median(&mut halves).unwrap_or(0.0);
    let mut made = Made::new(
        centre.map_or(0.0, |centre| centre.value),
        half.hypot(centre.map_or(0.0, |centre| centre.half_width)),
        "km/h",
    );
    made.verdict = match all {
        1 if low >= ONE_FROM_KMH => Verdict::Shown,
        2.. if low >= TWO_FROM_KMH => Verdict::Shown,
        _ if low >= UNCLEAR_FROM_KMH => Verdict::Unclear,
        _ => Verdict::NotShown,
    };
    for event in events {
        made.saw(event.seen_s);
    }
    made.note = Some(format!(
        "at least {low:.1} km/h; median of {} events",
        events.len()
    ));
    made.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_weak_signal_stands_out_from_the_other_wheels() {
        let event = |kmh| Event {
            low: kmh - 0.1,
            high: kmh + 0.1,
            seen_s: 1.0,
        };
        let judged = |own: f64, others: f64| {
            let mut wheels = [own, others, others, others].map(|kmh| {
                Some(Onset {
                    onset: judge(&[event(kmh), event(kmh)], 2, "start"),
                    vanish: judge(&[], 2, "stop"),
                })
            });
            let alone = wheels[0].as_ref().unwrap().onset.verdict();
            compare(&mut wheels);
            (alone, wheels[0].as_ref().unwrap().onset.verdict())
        };
        let (shown, unclear) = (Some(Verdict::Shown), Some(Verdict::Unclear));
        assert_eq!(judged(4.2, 1.5), (shown, shown));
        assert_eq!(judged(4.2, 3.4), (shown, unclear));
        assert_eq!(judged(5.7, 3.4), (shown, shown));
        assert_eq!(judged(7.0, 5.0), (shown, shown));
    }
}
