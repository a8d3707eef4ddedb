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

use std::ops::RangeInclusive;

use super::column::ZERO_KMH;
use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::neighbours::{Neighbours, Others};
use super::statistics;
use crate::place::Wheel;

/// Lower bound, in km/h, at which two events show a weak signal: sound coils read nothing up to 3.2 km/h (published).
const TWO_FROM_KMH: f64 = 3.6;
/// Lower bound, in km/h, at which a single event does.
const ONE_FROM_KMH: f64 = 4.5;
/// So many times the speed from which the other wheels are heard shows a weak signal below [`FAR_FROM_KMH`]: between sound
/// coils the signal differs by half at most (common practice, no source).
const TIMES: f64 = 1.6;
/// From this lower bound on, in km/h, the other wheels do not matter: makers call a signal missing from 10 km/h on.
const FAR_FROM_KMH: f64 = 10.0;
/// A signal goes at the speed at which it comes, or below: modules want a few pulses more before they believe it, and wait
/// for the next one before they let it go. A wheel that goes at more than this times the speed at which it comes was locked, …
const GONE_EARLY: f64 = 1.4;
/// … and one that comes at more than this times the speed at which it goes did not turn before.
const COME_LATE: f64 = 2.0;
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

/// One start or stop: bounds of the wheel's own speed when its signal appeared or went, in km/h.
#[derive(Clone, Copy, Debug)]
struct Event {
    low: f64,
    high: f64,
    seen_s: f64,
}

impl Event {
    /// The bounds of the neighbours, turned into the wheel's own by its shares of their lower and upper bound: an inner wheel
    /// of a tight bend turns more slowly than all of them.
    fn of_own(self, [of_low, of_high]: [f64; 2]) -> Self {
        let share = |share: f64| share.clamp(INNERMOST, 1.0);
        let high = self.high * share(of_high);
        Self {
            low: (self.low * share(of_low)).min(high),
            high,
            ..self
        }
    }
}

/// The innermost wheel of the tightest bend turns at this share of the outermost one.
const INNERMOST: f64 = 0.6;
/// So long a module takes to follow a signal that has just appeared, in s, …
const FOLLOW_S: f64 = 0.2;
/// … and so long until the wheel's share of its neighbours' speed is sure.
const SETTLE_S: f64 = 0.3;

/// The wheel's shares of its neighbours' lower and upper bound, taken every [`SETTLE_S`], so that one is known from before the
/// signal went: a module that waits for the next pulse lets its number fall first.
#[derive(Clone, Copy, Debug)]
struct Shares {
    since_s: f64,
    last: [f64; 2],
    before: [f64; 2],
}

impl Shares {
    const NONE: Self = Self {
        since_s: f64::NEG_INFINITY,
        last: [1.0; 2],
        before: [1.0; 2],
    };

    fn push(&mut self, time_s: f64, speed: f64, (low, high): (f64, f64)) {
        if time_s - self.since_s >= SETTLE_S {
            self.before = self.last;
            self.last = [speed / low, speed / high];
            self.since_s = time_s;
        }
    }
}

/// Starts, or stops, of a wheel.
#[derive(Debug, Default)]
struct Ends {
    /// Those at which the neighbours tell the speed.
    bounds: Vec<Event>,
    /// The wheel's own numbers [`FOLLOW_S`] after its signal came, or [`SETTLE_S`] before it went: it is heard from there on.
    heard: Vec<f64>,
}

/// Starts and stops of a wheel.
#[derive(Debug, Default)]
struct Events {
    starts: Ends,
    stops: Ends,
}

/// What is known while the samples of a wheel go by.
#[derive(Debug)]
struct Walk {
    /// While reading nothing after a standstill: the fastest that the neighbours were meanwhile.
    rising: Option<f64>,
    /// A start, until the module follows: with its time.
    started: Option<(Event, f64)>,
    /// While reading nothing after having turned: the neighbours at the first zero, and at the last number.
    falling: Option<Event>,
    turned: Option<f64>,
    shares: Shares,
    /// The wheel's highest number since its signal came, until the module follows: with the time.
    coming: Option<(f64, f64)>,
    /// Whether all stood, and the wheel has not been heard since.
    stood: bool,
    /// Its highest numbers of the last two times [`SETTLE_S`].
    numbers: [f64; 2],
    numbers_since_s: f64,
    /// Its number before its signal went.
    gone: Option<f64>,
}

impl Walk {
    const NEW: Self = Self {
        rising: None,
        started: None,
        falling: None,
        turned: None,
        shares: Shares::NONE,
        coming: None,
        stood: false,
        numbers: [f64::NAN; 2],
        numbers_since_s: f64::NEG_INFINITY,
        gone: None,
    };

    /// The wheel reads a number, whatever its neighbours do.
    fn hears(&mut self, events: &mut Events, time_s: f64, speed: f64) {
        if self.stood && self.coming.is_none() {
            self.coming = Some((speed, time_s));
        }
        if let Some((highest, since)) = &mut self.coming {
            if time_s - *since <= FOLLOW_S {
                *highest = highest.max(speed);
            } else {
                events.starts.heard.push(*highest);
                (self.stood, self.coming) = (false, None);
            }
        }
        if time_s - self.numbers_since_s >= SETTLE_S {
            self.numbers = [self.numbers[1], speed];
            self.numbers_since_s = time_s;
        }
        self.numbers[1] = self.numbers[1].max(speed);
        self.gone = None;
    }

    /// The wheel reads nothing, whatever its neighbours do.
    fn hears_nothing(&mut self) {
        self.coming = None;
        let [before, _] = std::mem::replace(&mut self.numbers, [f64::NAN; 2]);
        self.numbers_since_s = f64::NEG_INFINITY;
        if before.is_finite() {
            self.gone = Some(before);
        }
    }

    /// The wheel reads a number while its neighbours turn.
    fn reads(
        &mut self,
        events: &mut Events,
        (time_s, seen_s): (f64, f64),
        speed: f64,
        vouched: Option<(f64, f64)>,
    ) {
        if let (Some(low), Some((_, high))) = (self.rising.take(), vouched) {
            let low = low.min(high);
            self.started = Some((Event { low, high, seen_s }, time_s));
        }
        if let (Some((event, since)), Some((low, high))) = (self.started, vouched)
            && time_s - since >= SETTLE_S
        {
            events
                .starts
                .bounds
                .push(event.of_own([speed / low, speed / high]));
            self.started = None;
        }
        if let Some(vouched) = vouched {
            self.shares.push(time_s, speed, vouched);
        }
        self.falling = None;
        self.turned = vouched.map(|(_, high)| high);
    }

    /// The wheel reads nothing while its neighbours turn.
    fn is_silent(
        &mut self,
        events: &mut Events,
        seen_s: f64,
        vouched: Option<(f64, f64)>,
        soft: bool,
    ) {
        // Gone again at once: that was the signal's edge.
        let started = self.started.take().map(|(event, _)| event);
        events.starts.bounds.extend(started);
        if let (Some(fastest), Some((low, _))) = (&mut self.rising, vouched) {
            *fastest = fastest.max(low);
        }
        if let (Some(high), Some((low, _)), true) = (self.turned.take(), vouched, soft) {
            let low = low.min(high);
            self.falling = Some(Event { low, high, seen_s }.of_own(self.shares.before));
        }
    }

    /// No neighbour turns.
    fn all_stand(&mut self, events: &mut Events, reads: bool) {
        if reads {
            self.turned = Some(0.0);
            return;
        }
        // The stop is complete: it was one, and no drop-out.
        events.stops.bounds.extend(self.falling.take());
        events.stops.heard.extend(self.gone.take());
        *self = Self {
            rising: Some(0.0),
            stood: true,
            ..Self::NEW
        };
    }
}

fn events(grid: &Grid<'_>, wheel: Wheel) -> Option<Events> {
    let column = grid.column(wheel)?;
    let zero = column.zero_kmh();
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut events = Events::default();
    let mut walk = Walk::NEW;
    let mut last_s = f64::NEG_INFINITY;
    let mut at = 0;
    for (index, time, speed) in column.samples() {
        if time - last_s > FORGET_S || !speed.is_finite() {
            walk = Walk::NEW;
        }
        last_s = time;
        let others = neighbours.at(index, time);
        if !speed.is_finite() {
            continue;
        }
        if speed > zero {
            walk.hears(&mut events, time, speed);
        } else {
            walk.hears_nothing();
        }
        if all_stand(others, zero) {
            walk.all_stand(&mut events, speed > zero);
            continue;
        }
        let vouched = vouched(others, wheel);
        let seen_s = column.seen(index);
        if speed > zero {
            walk.reads(&mut events, (time, seen_s), speed, vouched);
            continue;
        }
        let soft = grid
            .advance(&mut at, time)
            .is_some_and(|at| grid.moment(at).acceleration > SOFT_STOP);
        walk.is_silent(&mut events, seen_s, vouched, soft);
    }
    Some(events)
}

/// Onset and vanish speed of each wheel.
pub(super) fn find(grid: &Grid<'_>) -> [Option<Onset>; 4] {
    judge_all(&Wheel::ALL.map(|wheel| events(grid, wheel)))
}

fn judge_all(events: &[Option<Events>; 4]) -> [Option<Onset>; 4] {
    let heard = |wheel: usize, pick: fn(&Events) -> &Ends| {
        let events = events.get(wheel)?.as_ref()?;
        statistics::quantile(&mut pick(events).heard.clone(), 0.25)
    };
    let starts: fn(&Events) -> &Ends = |events| &events.starts;
    let stops: fn(&Events) -> &Ends = |events| &events.stops;
    std::array::from_fn(|wheel| {
        let own = events[wheel].as_ref()?;
        // One start and one stop bear each other out.
        let weak_from = match own.starts.bounds.len() + own.stops.bounds.len() {
            1 => ONE_FROM_KMH,
            _ => TWO_FROM_KMH,
        };
        let judge = |pick: fn(&Events) -> &Ends, other: fn(&Events) -> &Ends, times: f64, what| {
            let neighbours = (0..4).filter(|neighbour| *neighbour != wheel);
            let mut usual: Vec<f64> = neighbours
                .filter_map(|neighbour| heard(neighbour, pick))
                .collect();
            let usual = statistics::median(&mut usual);
            let least = usual.map_or(FAR_FROM_KMH, |usual| FAR_FROM_KMH.min(TIMES * usual));
            let least = weak_from.max(least);
            let most = heard(wheel, other).map_or(f64::INFINITY, |heard| times * heard);
            judge(&pick(own).bounds, least..=most, what)
        };
        Some(Onset {
            onset: judge(starts, stops, COME_LATE, "start"),
            vanish: judge(stops, starts, GONE_EARLY, "stop"),
        })
    })
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

/// The signal is weak if the median of the lower bounds lies in `weak`, in km/h.
fn judge(events: &[Event], weak: RangeInclusive<f64>, what: &str) -> Measured {
    let mut lows = events.iter().map(|event| event.low).collect::<Vec<_>>();
    let Some(low) = statistics::median(&mut lows) else {
        return Measured::not_made(format!(
            "no {what} in the capture at which the neighbours tell the speed"
        ));
    };
    let mut middles = events
        .iter()
        .map(|event| f64::midpoint(event.low, event.high))
        .collect::<Vec<_>>();
    let mut halves = events
        .iter()
        .map(|event| (event.high - event.low) / 2.0)
        .collect::<Vec<_>>();
    let centre = statistics::centre(&mut middles);
    let half = statistics::median(&mut halves).unwrap_or(0.0);
    let mut made = Made::new(
        centre.map_or(0.0, |centre| centre.value),
        half.hypot(centre.map_or(0.0, |centre| centre.half_width)),
        "km/h",
    );
    made.verdict = if weak.contains(&low) {
        Verdict::Shown
    } else if low >= UNCLEAR_FROM_KMH {
        Verdict::Unclear
    } else {
        Verdict::NotShown
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

    fn event(kmh: f64) -> Event {
        Event {
            low: kmh - 0.1,
            high: kmh + 0.1,
            seen_s: 1.0,
        }
    }

    /// Verdicts on the starts and the stops of the first wheel.
    fn judged(starts: &[f64], stops: &[f64], others: f64) -> [Option<Verdict>; 2] {
        let all = |speeds: &[f64]| Ends {
            bounds: speeds.iter().copied().map(event).collect(),
            heard: speeds.iter().map(|kmh| kmh + 0.1).collect(),
        };
        let own = Events {
            starts: all(starts),
            stops: all(stops),
        };
        let other = || {
            Some(Events {
                starts: all(&[others, others]),
                stops: all(&[others]),
            })
        };
        let [first, ..] = judge_all(&[Some(own), other(), other(), other()]);
        let first = first.unwrap();
        [first.onset.verdict(), first.vanish.verdict()]
    }

    const SHOWN: Option<Verdict> = Some(Verdict::Shown);
    const UNCLEAR: Option<Verdict> = Some(Verdict::Unclear);

    #[test]
    fn a_weak_signal_stands_out_from_the_other_wheels() {
        let start = |own: f64, others: f64| judged(&[own, own], &[], others)[0];
        assert_eq!(start(4.2, 1.5), SHOWN);
        assert_eq!(start(4.2, 3.4), UNCLEAR);
        assert_eq!(start(5.8, 3.4), SHOWN);
        // A vehicle whose coils are all heard late is sound.
        assert_eq!(start(7.0, 5.5), UNCLEAR);
        assert_eq!(start(10.2, 7.0), SHOWN);
    }

    #[test]
    fn a_wheel_that_locks_at_a_speed_at_which_it_starts_is_not_weak() {
        assert_eq!(
            judged(&[1.2, 1.0], &[20.0, 24.0], 1.2),
            [Some(Verdict::NotShown), UNCLEAR]
        );
        assert_eq!(judged(&[8.0, 9.0], &[6.0, 7.0], 1.2), [SHOWN, SHOWN]);
        // Thrown forward by wheel spin, it is heard late once; at the stop it is not.
        assert_eq!(judged(&[12.0], &[2.0, 2.2], 1.2), [UNCLEAR, UNCLEAR]);
    }

    #[test]
    fn the_inner_wheel_of_a_tight_bend_is_judged_by_its_own_speed() {
        let bounds = Event {
            low: 6.0,
            high: 6.6,
            seen_s: 0.0,
        }
        .of_own([0.7, 0.64]);
        assert!((bounds.low - 4.2).abs() < 1e-9, "{bounds:?}");
        assert!((bounds.high - 4.224).abs() < 1e-9, "{bounds:?}");
    }
}
