//! Drop-outs: the signal is gone, or marked as invalid, while the vehicle travels.
//!
//! A wheel that really stands while the others turn is no drop-out: locked by the brake, or the only one on the ground
//! while others spin. So a moment counts only when
//!
//! - the other wheels turn at [`FROM_KMH`] or more and agree with each other,
//! - the vehicle is not slowing (a locked wheel slows the vehicle, even on ice), and
//! - where only two others turn, the wheel itself turned with them just before: two wheels that start to spin do not
//!   take the other two from full speed to nothing; or the yaw rate says that the vehicle travels.
//!
//! Source of the speed: makers call a wheel missing at 12 km/h and more (none below 10 km/h).

use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::neighbours::{Neighbours, Others};
use super::statistics;
use crate::place::{Axle, Wheel};

/// The others turn at least this fast, in km/h.
const FROM_KMH: f64 = 8.0;
/// A wheel at less than this share of the slowest neighbour has dropped out. A missing tooth halves a single reading, two
/// in a row make a third of it: that is no drop-out but a dip.
const OUT_BELOW: f64 = 0.25;
/// A wheel at this share or more turns with its neighbours.
const WITH_ABOVE: f64 = 0.8;
/// Three neighbours agree within this factor, tight turns included, …
const THREE_AGREE: f64 = 1.5;
/// … two within this one.
const TWO_AGREE: f64 = 1.3;
/// How long before a drop-out the wheel must have turned with its neighbours where only two are left, in s.
const JUST_BEFORE_S: f64 = 1.5;
/// A single drop-out of this length is no glitch of the capture, in s.
const LONG_S: f64 = 1.0;
/// This many short ones are none either.
const SEVERAL: u64 = 3;
/// A locked wheel turns again within this time after the brake is off, in s: the road spins it up in about a tenth.
const LOCK_ENDS_S: f64 = 0.4;
/// Least time at speed for a statement, in s.
const LEAST_S: f64 = 5.0;

/// What was seen of one wheel's drop-outs.
#[derive(Clone, Debug)]
pub(super) struct Dropouts {
    /// Share of the judged moving time, 0 to 1.
    pub(super) share: Measured,
    /// The longest, in s.
    pub(super) longest: Measured,
    /// The longest way that the wheel rolled at speed without a signal, in m.
    pub(super) way: Measured,
    /// Every drop-out: start on the steady clock in s, length in s.
    pub(super) runs: Vec<Run>,
    /// Where they gather.
    pub(super) gather: [Measured; SITUATIONS.len()],
    /// How long the others turned at speed after the signal's last number, in s.
    pub(super) gone_for_good: Measured,
}

impl Dropouts {
    fn not_made(reason: &str) -> Self {
        let none = Measured::not_made(reason);
        Self {
            share: none.clone(),
            longest: none.clone(),
            way: none.clone(),
            runs: Vec::new(),
            gather: std::array::from_fn(|_| Measured::moot("no drop-outs")),
            gone_for_good: none,
        }
    }
}

/// Where drop-outs may gather: identifier and words.
pub(super) const SITUATIONS: [(&str, &str); 5] = [
    ("dropouts_low_speed", "share of the drop-outs below 20 km/h"),
    ("dropouts_slowing", "share of the drop-outs while slowing"),
    ("dropouts_left_bend", "share of the drop-outs in left bends"),
    (
        "dropouts_right_bend",
        "share of the drop-outs in right bends",
    ),
    ("dropouts_bumps", "share of the drop-outs on bumps"),
];

/// Time and drop-outs in each situation.
#[derive(Clone, Debug, Default)]
struct Tally {
    time_s: [f64; SITUATIONS.len()],
    runs: [u64; SITUATIONS.len()],
}

impl Tally {
    fn spend(&mut self, situation: [bool; SITUATIONS.len()], time_s: f64) {
        for (slot, holds) in self.time_s.iter_mut().zip(situation) {
            if holds {
                *slot += time_s;
            }
        }
    }

    fn start(&mut self, situation: [bool; SITUATIONS.len()]) {
        for (slot, holds) in self.runs.iter_mut().zip(situation) {
            *slot += u64::from(holds);
        }
    }

    /// For each situation the share of the drop-outs, and how likely that is if they came at any time alike.
    fn judge(&self, count: u64, out_s: f64, judged_s: f64) -> [Measured; SITUATIONS.len()] {
        std::array::from_fn(|index| {
            if count == 0 {
                return Measured::moot("no drop-outs");
            }
            if out_s > MOST_OUT * judged_s {
                return Measured::moot("the signal is gone nearly always");
            }
            let number =
                |value: u64| statistics::count(usize::try_from(value).unwrap_or(usize::MAX));
            let share = number(self.runs[index]) / number(count);
            let time = (self.time_s[index] / judged_s.max(f64::MIN_POSITIVE)).min(1.0);
            let spread = (share * (1.0 - share) / number(count)).sqrt();
            let mut made = Made::new(
                share,
                statistics::Z_95 * spread.max(0.5 / number(count)),
                "",
            );
            let chance = statistics::binomial_tail(self.runs[index], count, time);
            made.false_alarm = Some(chance);
            made.events = self.runs[index];
            made.verdict = if count >= SEVERAL && chance < GATHER_BELOW {
                Verdict::Shown
            } else {
                Verdict::NotShown
            };
            made.note = Some(format!("such driving is {:.0} % of the time", 100.0 * time));
            made.into()
        })
    }
}

/// Chance below which drop-outs gather: one in a thousand, shared among the situations.
#[expect(clippy::cast_precision_loss, reason = "five")]
const GATHER_BELOW: f64 = 1e-3 / SITUATIONS.len() as f64;
/// A signal that is gone for more than this share of the time does not gather anywhere.
const MOST_OUT: f64 = 0.5;
/// Low speed, in km/h: where weak signals vanish first.
const LOW_SPEED_KMH: f64 = 20.0;
/// Slowing, in m/s², but not so hard that a wheel may lock.
const SLOWING: f64 = -0.3;
/// A bend, as a share of the speed.
const BEND: f64 = 0.02;

/// A drop-out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    /// When it began, on the steady clock, in s.
    pub(super) start_s: f64,
    /// When it began, as the capture shows it, in s.
    seen: f64,
    /// How long it lasted, in s.
    length: f64,
    /// In which of [`SITUATIONS`] it began.
    situation: [bool; SITUATIONS.len()],
    /// Whether the vehicle slowed when it began.
    slows: bool,
    /// How far the others rolled meanwhile at [`TURNS_FROM_KMH`] and more, in m.
    way: f64,
}

/// Most drop-outs that are kept one by one; more are counted only.
const MOST_RUNS: usize = 4_096;

/// A signal is gone for good when the others turned at [`LOW_SPEED_KMH`] or more for so long after its last number, in s: no
/// gap is that wide.
const FOR_GOOD_S: f64 = 15.0;

/// Below this, in km/h, a weak signal may be gone for whole turns, …
const TURNS_FROM_KMH: f64 = 25.0;
/// … and above, one that is gone over this way, in m: four turns. Whatever moves the ring gives it back within one.
const TURNS_M: f64 = 8.0;

/// What was seen up to the signal's last number.
#[derive(Clone, Debug, Default)]
struct UpTo {
    judged_s: f64,
    out_s: f64,
    count: u64,
    tally: Tally,
    /// When that was, as the capture shows it, in s; `None` before the first one.
    seen: Option<f64>,
    /// How long the others turned at speed since, in s.
    since_s: f64,
}

/// What has been seen so far.
#[derive(Debug, Default)]
struct Found {
    /// What was seen up to the last number.
    up_to: UpTo,
    judged_s: f64,
    out_s: f64,
    locked: u64,
    /// When the wheel may last have been locked, in s.
    locked_s: f64,
    count: u64,
    longest_s: f64,
    longest_m: f64,
    runs: Vec<Run>,
    open: Option<Run>,
    tally: Tally,
}

impl Found {
    /// The wheel is locked. A drop-out that has just begun while the vehicle slowed was the lock's beginning.
    fn lock(&mut self, time_s: f64, begins_s: f64) {
        self.locked += 1;
        self.locked_s = time_s;
        if let Some(run) = self.open.take_if(|run| run.slows && run.length <= begins_s) {
            self.out_s -= run.length;
        }
        self.close();
    }

    /// The signal is gone while the others turn at `kmh`; before that, what was seen is kept.
    fn gone(&mut self, kmh: f64, stands_s: f64, seen: f64, was_there: bool) {
        if was_there {
            self.up_to = UpTo {
                judged_s: self.judged_s,
                out_s: self.out_s,
                count: self.count,
                tally: self.tally.clone(),
                seen: (self.judged_s >= LEAST_S).then_some(seen),
                since_s: 0.0,
            };
        }
        if kmh >= LOW_SPEED_KMH {
            self.up_to.since_s += stands_s;
        }
    }

    /// The longest way without a signal.
    fn way(&self) -> Measured {
        if self.judged_s < LEAST_S {
            return Measured::not_made("too little driving at speed");
        }
        let mut made = Made::new(self.longest_m, 0.0, "m");
        if self.longest_m >= TURNS_M {
            made.verdict = Verdict::Shown;
            let whole = self.runs.iter().filter(|run| run.way >= TURNS_M);
            whole.for_each(|run| made.saw_for(run.seen, run.length));
        }
        made.into()
    }

    /// How long the others turned at speed after the last number, in s.
    fn gone_for_good(&self, there: bool) -> Measured {
        if self.judged_s < LEAST_S {
            return Measured::not_made("too little driving at speed");
        }
        if there {
            return Made::new(0.0, 0.0, "s").into();
        }
        let Some(seen) = self.up_to.seen else {
            return Measured::not_made("the signal was hardly there before");
        };
        let mut made = Made::new(self.up_to.since_s, 0.0, "s");
        if self.up_to.since_s >= FOR_GOOD_S {
            made.verdict = Verdict::Shown;
            made.saw(seen);
        }
        made.into()
    }

    fn close(&mut self) {
        if let Some(run) = self.open.take() {
            self.count += 1;
            self.tally.start(run.situation);
            self.longest_s = self.longest_s.max(run.length);
            self.longest_m = self.longest_m.max(run.way);
            if self.runs.len() < MOST_RUNS {
                self.runs.push(run);
            }
        }
    }
}

/// The drop-outs of `wheel`.
pub(super) fn find(grid: &Grid<'_>, wheel: Wheel) -> Option<Dropouts> {
    let column = grid.column(wheel)?;
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut found = Found {
        locked_s: f64::NEG_INFINITY,
        ..Found::default()
    };
    let mut at = 0;
    let mut last_with_s = f64::NEG_INFINITY;
    let mut there = true;
    let mut last_s = f64::NEG_INFINITY;
    for (index, time, speed) in column.samples() {
        if time - last_s > column.hold_s {
            found.close();
        }
        last_s = time;
        there |= speed > column.zero_kmh();
        let others = neighbours.at(index, time);
        let Some(here) = grid.advance(&mut at, time) else {
            continue;
        };
        let moment = grid.moment(here);
        let Some(base) = base(others, grid.wheels(), moment.travels) else {
            found.close();
            continue;
        };
        if speed >= WITH_ABOVE * base.kmh {
            last_with_s = time;
        }
        let out = speed.is_nan() || speed < OUT_BELOW * base.kmh;
        // An invalid mark needs no physics: the sender itself says that there is no speed.
        if out && speed.is_finite() {
            // A wheel that is locked stays so while the vehicle slows at all.
            let still_locked = moment.acceleration < 0.0
                && found.open.is_none()
                && time - found.locked_s <= LOCK_ENDS_S;
            if moment.may_lock() || still_locked {
                found.lock(time, LOCK_ENDS_S.max(1.5 * column.interval_s));
                continue;
            }
            // A wheel that was locked takes a moment to be turned again after the brake is off.
            if found.open.is_none() && time - found.locked_s <= LOCK_ENDS_S {
                continue;
            }
            if found.open.is_none()
                && !(base.sure || moment.turned)
                && time - last_with_s > JUST_BEFORE_S
            {
                continue;
            }
        }
        let stands = column.stands(index);
        let bend = grid.bend(here).or_else(|| far_bend(others, wheel));
        let situation = [
            base.kmh < LOW_SPEED_KMH,
            moment.acceleration < SLOWING,
            bend.is_some_and(|bend| bend > BEND),
            bend.is_some_and(|bend| bend < -BEND),
            grid.is_rough_beside(wheel, here),
        ];
        if out {
            found.gone(base.kmh, stands, column.seen(index), there);
            there = false;
        }
        found.judged_s += stands;
        found.tally.spend(situation, stands);
        if !out {
            found.close();
            continue;
        }
        found.out_s += stands;
        let way = if base.kmh >= TURNS_FROM_KMH {
            base.kmh / 3.6 * stands
        } else {
            0.0
        };
        if let Some(run) = &mut found.open {
            run.length += stands;
            run.way += way;
        } else {
            found.open = Some(Run {
                start_s: time,
                seen: column.seen(index),
                length: stands,
                situation,
                slows: grid.slows(here),
                way,
            });
        }
    }
    found.close();
    if grid.may_be_lifted(wheel) {
        return Some(Dropouts::not_made(
            "both wheels of the axle stood all the time: lifted, on rollers or towed, or both signals are dead",
        ));
    }
    Some(judge(found, there, column.interval_s))
}

fn judge(found: Found, there: bool, interval_s: f64) -> Dropouts {
    let verdict = if found.count >= SEVERAL || found.longest_s >= LONG_S.max(1.5 * interval_s) {
        Verdict::Shown
    } else if found.count > 0 {
        Verdict::Unclear
    } else {
        Verdict::NotShown
    };
    let gone_for_good = found.gone_for_good(there);
    let way = found.way();
    // Where a signal gathers that has died says where the vehicle drove.
    let gather = if gone_for_good.is_shown() {
        let until = &found.up_to;
        until.tally.judge(until.count, until.out_s, until.judged_s)
    } else {
        found.tally.judge(found.count, found.out_s, found.judged_s)
    };
    if found.judged_s < LEAST_S && verdict == Verdict::NotShown {
        let reason = format!(
            "the other wheels turned together above {FROM_KMH:.0} km/h for {:.1} s only",
            found.judged_s
        );
        return Dropouts {
            share: Measured::not_made(reason.clone()),
            longest: Measured::not_made(reason),
            way,
            runs: found.runs,
            gather,
            gone_for_good,
        };
    }
    let made = |value: f64, uncertainty: f64, unit| {
        let mut made = Made::new(value, uncertainty, unit);
        made.verdict = verdict;
        for run in &found.runs {
            made.saw_for(run.seen, run.length);
        }
        made.events = found.count;
        if found.locked > 0 {
            made.note = Some(
                "the wheel also stood while the vehicle slowed: it may have been locked, which is not counted"
                    .to_owned(),
            );
        }
        Measured::Made(made)
    };
    // Each end of a drop-out is known to one sample interval.
    let ends_s = interval_s * (2.0 * statistics::count(found.runs.len())).sqrt();
    Dropouts {
        share: made(
            found.out_s / found.judged_s.max(f64::MIN_POSITIVE),
            ends_s / found.judged_s.max(LEAST_S),
            "",
        ),
        longest: made(
            found.longest_s,
            if found.count > 0 { interval_s } else { 0.0 },
            "s",
        ),
        way,
        gather,
        gone_for_good,
        runs: found.runs,
    }
}

/// By what share the right wheel of the other axle is faster than its left one.
fn far_bend(others: &Others, wheel: Wheel) -> Option<f64> {
    let [left, right] = match wheel.axle() {
        Axle::Front => Axle::Rear.wheels(),
        Axle::Rear => Axle::Front.wheels(),
    };
    let (left, right) = (others.value[left.index()], others.value[right.index()]);
    Some(2.0 * (right - left) / (right + left)).filter(|bend| bend.is_finite())
}

/// How fast the neighbours turn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Base {
    /// The slowest of those that turn, in km/h.
    pub(super) kmh: f64,
    /// Whether three agree: the vehicle travels beyond doubt.
    pub(super) sure: bool,
}

/// The speed that the neighbours vouch for, if they do.
pub(super) fn base(others: &Others, wheels: usize, travels: bool) -> Option<Base> {
    let mut low = f64::INFINITY;
    let mut high: f64 = 0.0;
    let mut turning = 0;
    for (slow, fast) in others.low.iter().zip(&others.high) {
        if *slow >= 3.0 {
            turning += 1;
            low = low.min(*slow);
            high = high.max(*fast);
        }
    }
    let agree = match turning {
        3 => high <= low * THREE_AGREE,
        2 => travels && high <= low * TWO_AGREE,
        1 => travels && wheels <= 2,
        _ => false,
    };
    (agree && low >= FROM_KMH).then_some(Base {
        kmh: low,
        sure: turning == 3,
    })
}
