//! Impossible acceleration: a wheel's speed jumps as no wheel can.
//!
//! The vehicle cannot pass 11 to 12 m/s² on road tyres, but one wheel can: it locks within a tenth of a second and is
//! spun up by the road as quickly, it spins, it hops over a kerb. So two things are told apart:
//!
//! - *extreme* jumps of [`EXTREME`] or more, which no brake and no road can make (makers: swings beyond 500 m/s²), and
//! - jumps of more than [`LIMIT`] against the neighbours while the drive is quiet: no braking, no hard acceleration,
//!   the neighbours agreeing. A kerb makes one or two; a fault makes many, and at one wheel.
//!
//! A wheel that slips gathers and loses its speed over several samples, a signal in one: what the wheel does just before
//! and just after in the same direction is taken off its jump, where the sampling is fast enough to see that. Where it is
//! not, jumps count only where it cannot slip under power.
//!
//! The quantum of the value, its noise, and time stamps that bunch up are taken off first. A jump that another wheel
//! shares is the road's: a pothole shakes the front wheel and then the rear wheel of that side, gravel all four.

use std::ops::ControlFlow;

use super::dropout::base;
use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::neighbours::Neighbours;
use super::slowing::Slowing;
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

/// Steps within this time, in s, belong to one jump: a kerb shakes a wheel for some hundredths of a second.
const ONE_JUMP_S: f64 = 0.25;
/// Another wheel that jumps by this share of it excuses a jump: the road did it.
const SHAKEN_SHARE: f64 = 1.0 / 3.0;
/// The same where fewer than four wheels have a signal: a jump then shows by half in the others.
const SHAKEN_SHARE_OF_FEW: f64 = 0.7;
/// The rear wheel meets what the front wheel met within this way, in m, …
const AXLES_APART_M: f64 = 3.2;
/// … and this time, in s.
const SHAKEN_S: f64 = 0.3;

/// The strongest jump within [`ONE_JUMP_S`].
#[derive(Clone, Copy, Debug)]
struct Jump {
    time_s: f64,
    index: usize,
    speed_kmh: f64,
    /// In m/s², noise and quantum taken off.
    size: f64,
    /// In m/s², with them.
    whole: f64,
    /// Whether the drive was quiet.
    quiet: bool,
    /// Whether the vehicle slowed.
    slows: bool,
}

/// What one wheel does.
#[derive(Clone, Debug)]
struct Walk {
    peak: f64,
    extreme: u64,
    quiet_s: f64,
    slowing: Slowing,
    least_kmh: f64,
    uncertainty: f64,
    /// All jumps of a size that may excuse another wheel's, in the order of time.
    jumps: Vec<Jump>,
    /// When the last of them began, in s.
    began_s: f64,
}

/// Jumps of one wheel.
#[derive(Clone, Debug)]
struct Jumps {
    peak: f64,
    seen: Made,
    extreme: u64,
    quiet_s: f64,
    slowing: Slowing,
    least_kmh: f64,
}

/// Peak acceleration of each wheel in m/s², with the jumps beyond the limits as events.
pub(super) fn find(grid: &Grid<'_>) -> [Option<Measured>; 4] {
    let walks = Wheel::ALL.map(|wheel| walk(grid, wheel));
    let jumps: [Option<Jumps>; 4] = std::array::from_fn(|wheel| alone(grid, &walks, wheel));
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

/// The jumps of a wheel that the road does not explain: the wheel behind or before it stays calm, and so do two of the
/// three others.
fn alone(grid: &Grid<'_>, walks: &[Option<Walk>; 4], wheel: usize) -> Option<Jumps> {
    let own = walks[wheel].as_ref()?;
    let column = grid.columns[wheel].as_ref()?;
    let mut jumps = Jumps {
        peak: own.peak,
        seen: Made::new(0.0, own.uncertainty, "m/s²"),
        extreme: own.extreme,
        quiet_s: own.quiet_s,
        slowing: own.slowing,
        least_kmh: own.least_kmh,
    };
    let share = if grid.living() == 4 {
        SHAKEN_SHARE
    } else {
        SHAKEN_SHARE_OF_FEW
    };
    // Front and rear wheel of one side stand two apart in the table.
    let behind = (wheel + 2) % 4;
    let mut first = [0_usize; 4];
    for jump in own
        .jumps
        .iter()
        .filter(|jump| jump.quiet && jump.size > LIMIT)
    {
        let reach = SHAKEN_S + AXLES_APART_M / (jump.speed_kmh / 3.6).max(2.0);
        let mut sizes = [0.0_f64; 4];
        for (other, walk) in walks
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != wheel)
        {
            let Some(walk) = walk else { continue };
            while walk
                .jumps
                .get(first[other])
                .is_some_and(|near| near.time_s < jump.time_s - LONGEST_REACH_S)
            {
                first[other] += 1;
            }
            let near = walk.jumps.iter().skip(first[other]);
            sizes[other] = near
                .take_while(|near| near.time_s <= jump.time_s + reach)
                .filter(|near| near.time_s >= jump.time_s - reach)
                .map(|near| near.whole)
                .fold(0.0, f64::max);
        }
        let same_side = sizes[behind];
        sizes.sort_unstable_by(f64::total_cmp);
        // The wheel itself stands in it as 0: of the three others, the middle one.
        let [_, _, middle, _] = sizes;
        if same_side.max(middle) < share * jump.whole {
            jumps.seen.saw(column.seen(jump.index));
            jumps.slowing.saw(jump.slows);
        }
    }
    Some(jumps)
}

/// No jump excuses another one farther away than this, in s.
const LONGEST_REACH_S: f64 = SHAKEN_S + AXLES_APART_M / 2.0;

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
    made.verdict = if own.extreme >= 2
        || (made.events >= LEAST_EVENTS && chance < SHOWN_BELOW && leads && !own.slowing.gathers())
    {
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

fn walk(grid: &Grid<'_>, wheel: Wheel) -> Option<Walk> {
    let column = grid.column(wheel)?;
    let wheels = grid.wheels();
    // A value that is sent several times before it is renewed changes at once by what took a whole renewal.
    let shortest = column
        .renewal_s
        .min(MOST_HELD * column.interval_s)
        .max(SHORTEST_S);
    let mut steps = Vec::new();
    each_step(grid, wheel, |step| {
        if step.quiet && step.own.abs() > 0.0 && step.dt <= 1.5 * column.interval_s {
            steps.push(step.relative.abs());
        }
        if steps.len() < MOST_STEPS {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    });
    let sigma = statistics::median(&mut steps).unwrap_or(0.0) * 1.4826;
    let margin = 1.5 * column.quantum_kmh + NOISE_SIGMAS * sigma;
    let mut walk = Walk {
        peak: 0.0,
        extreme: 0,
        quiet_s: 0.0,
        slowing: Slowing::default(),
        least_kmh: LIMIT * 3.6 * column.interval_s.max(shortest) + margin,
        uncertainty: column.quantum_kmh / 3.6 / column.interval_s.max(shortest),
        jumps: Vec::new(),
        began_s: f64::NEG_INFINITY,
    };
    if wheels < 2 {
        return Some(walk);
    }
    let mut quiet_s = 0.0;
    let mut slowing = Slowing::default();
    let resolves = column.interval_s.max(shortest) <= RESOLVES_S;
    let mut take = |before: Option<Step>, step: Step, after: Option<Step>| {
        let dt = step.dt.max(shortest);
        let size = (step.own.abs() - column.quantum_kmh).max(0.0) / 3.6 / dt;
        walk.peak = walk.peak.max(size);
        if size >= EXTREME && step.rolls {
            walk.extreme += 1;
        }
        let whole = step.relative.abs() / 3.6 / dt;
        let noise = margin / 3.6 / dt;
        let along = [before, after].map(|near| {
            let near = near.filter(|near| (near.time_s - step.time_s).abs() < FOLLOWS * shortest);
            near.map_or(0.0, |near| near.along(&step))
        });
        let gathers = if resolves {
            SENT_TWICE * along[0].max(along[1]) / 3.6 / dt
        } else {
            0.0
        };
        if whole > (LIMIT + noise) * SHAKEN_SHARE {
            walk.jump(Jump {
                time_s: step.time_s,
                index: step.index,
                speed_kmh: step.speed_kmh,
                size: whole - noise - gathers,
                whole,
                quiet: step.quiet && (resolves || !step.may_slip),
                slows: grid.slows(step.moment),
            });
        }
    };
    let (mut before, mut now): (Option<Step>, Option<Step>) = (None, None);
    each_step(grid, wheel, |step| {
        if step.quiet && (resolves || !step.may_slip) {
            quiet_s += step.dt;
            slowing.look(grid.slows(step.moment), step.dt);
        }
        // A value that was sent again is no step.
        if now.is_some_and(|now| step.own == 0.0 && step.time_s - now.time_s < FOLLOWS * shortest) {
            return ControlFlow::Continue(());
        }
        if let Some(now) = now.replace(step) {
            take(before.replace(now), now, Some(step));
        }
        ControlFlow::Continue(())
    });
    if let Some(now) = now {
        take(before, now, None);
    }
    walk.quiet_s = quiet_s;
    walk.slowing = slowing;
    Some(walk)
}

/// A value held for longer than this many intervals is not held by its sender but steady.
const MOST_HELD: f64 = 10.0;

impl Walk {
    /// Takes a step that is a jump: the strongest within [`ONE_JUMP_S`] of the first is kept.
    fn jump(&mut self, jump: Jump) {
        match self.jumps.last_mut() {
            Some(last) if jump.time_s - self.began_s < ONE_JUMP_S => {
                if jump.size > last.size {
                    *last = jump;
                }
            }
            _ => {
                self.began_s = jump.time_s;
                self.jumps.push(jump);
            }
        }
    }
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
    /// Whether the wheel may slip under power: the vehicle gathers speed, and the wheel is not slower than its neighbours.
    pub(super) may_slip: bool,
    /// Which moment of the grid it belongs to.
    moment: usize,
    /// Whether the vehicle travels and no wheel may be locked.
    rolls: bool,
}

impl Step {
    /// How far this step goes in the direction of `other`, in km/h; 0 where it does not.
    fn along(&self, other: &Self) -> f64 {
        if self.relative * other.relative > 0.0 {
            self.relative.abs()
        } else {
            0.0
        }
    }
}

/// Where a value is sent again, the next step is that of two: a wheel that slips may step by twice what it did before.
const SENT_TWICE: f64 = 2.0;
/// Steps follow each other within so many renewals of the value.
const FOLLOWS: f64 = 2.5;
/// Slower sampling than this, in s, does not resolve how a wheel slips.
const RESOLVES_S: f64 = 0.05;

/// Every step of a wheel within which nothing is missing, until `each` has seen enough.
pub(super) fn each_step(
    grid: &Grid<'_>,
    wheel: Wheel,
    mut each: impl FnMut(Step) -> ControlFlow<()>,
) {
    let Some(column) = grid.column(wheel) else {
        return;
    };
    let wheels = grid.wheels();
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut at = 0;
    // The sample before, unless it has no speed, and the neighbours at it.
    let mut last: Option<(f64, f64)> = None;
    let mut were = [f64::NAN; 4];
    for (index, time, speed) in column.samples() {
        let others = neighbours.at(index, time);
        if !speed.is_finite() {
            last = None;
            continue;
        }
        let change = median_change(&others.value, &were);
        let slower = is_slower(speed, &others.value)
            || last.is_some_and(|(_, speed)| is_slower(speed, &were));
        for (were, now) in were.iter_mut().zip(&others.value) {
            *were = *now;
        }
        let Some((then, was)) = last.replace((time, speed)) else {
            continue;
        };
        let dt = time - then;
        if dt > column.hold_s || dt <= 0.0 {
            continue;
        }
        let Some(here) = grid.advance(&mut at, time) else {
            continue;
        };
        let moment = grid.moment(here);
        let flow = each(Step {
            index,
            time_s: time,
            speed_kmh: speed,
            dt,
            own: speed - was,
            relative: speed - was - change.unwrap_or(0.0),
            quiet: change.is_some()
                && moment.is_quiet()
                && base(others, wheels, moment.travels).is_some(),
            may_slip: moment.pulls() && !slower,
            rolls: moment.travels && !moment.may_lock(),
            moment: here,
        });
        if flow.is_break() {
            return;
        }
    }
}

/// A wheel that slips under power turns no more slowly than its neighbours, less this share for bends.
const SLOWER: f64 = 0.05;

/// Whether a wheel turns clearly more slowly than two of its neighbours.
fn is_slower(speed: f64, others: &[f64; 4]) -> bool {
    let faster = others
        .iter()
        .filter(|other| speed < (1.0 - SLOWER) * **other);
    faster.count() >= 2
}

/// The median of what changed, over the wheels that are known at both times; at least two, or the only one there is.
fn median_change(now: &[f64; 4], then: &[f64; 4]) -> Option<f64> {
    let mut changes = [0.0; 3];
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
    statistics::median_of_few(&changes, known)
}
