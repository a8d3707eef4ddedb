//! Swapped sides: in a bend both axles must agree on which side is the inner one.
//!
//! When left and right are connected the wrong way round at one axle, the two axles disagree in every bend. Which of the
//! two is wrong only a yaw rate or a steering angle can tell. A wrong tyre makes an axle disagree too, but in bends to
//! one side only; so disagreement counts only when it is seen in both directions.

use super::grid::Grid;
use super::input::Geometry;
use super::measured::{Made, Measured, Verdict};
use super::statistics;
use crate::place::Wheel;

/// A bend: left and right differ by this share of the speed …
const BEND: f64 = 0.013;
/// … and by this, in km/h.
const BEND_KMH: f64 = 0.5;
/// A tight bend: no wrong tyre makes as much, so that one direction is enough.
const TIGHT: f64 = 0.13;
/// More than this is spin, as a share.
const NO_BEND: f64 = 0.5;
/// The axles' means agree within this, or a wheel spins.
const AXLES_AGREE: f64 = 0.08;
/// No vehicle takes bends faster than this, in m/s².
const LATERAL: f64 = 9.0;
/// Harder than this, in m/s², wheels slip.
const STEADY: f64 = 2.5;
/// A bend lasts this long, in s.
const LEAST_S: f64 = 0.6;
/// So long nothing may be clear within one bend, in s.
const IDLE_S: f64 = 0.4;
/// So many bends are needed.
const LEAST_BENDS: u64 = 3;

/// What the bends say.
#[derive(Clone, Debug)]
pub(super) struct Sides {
    /// Share of the bends in which this axle is the wrong way round.
    pub(super) axles: [Measured; 2],
    /// Share of the bends in which the axles disagree.
    pub(super) disagree: Measured,
}

/// One bend.
#[derive(Clone, Copy, Debug)]
struct Bend {
    /// Whether front, rear, and yaw rate or steering angle say left.
    front_left: bool,
    rear_left: bool,
    known_left: Option<bool>,
    /// Tight: no tyre makes both axles differ that much.
    tight: bool,
    length_s: f64,
    seen_s: f64,
}

/// Looks at all bends.
pub(super) fn find(grid: &Grid<'_>, geometry: &Geometry) -> Sides {
    if grid.wheels() < 4 {
        let none = Measured::not_made("needs all four wheels");
        return Sides {
            axles: [none.clone(), none.clone()],
            disagree: none,
        };
    }
    let bends = bends(grid, geometry);
    let share = |wrong: &dyn Fn(&Bend) -> Option<bool>| {
        let mut made = Made::new(0.0, 0.0, "");
        let mut right = 0_u64;
        let mut sides = [false; 2];
        let mut tight = false;
        for bend in &bends {
            match wrong(bend) {
                Some(true) => {
                    made.saw(bend.seen_s);
                    tight |= bend.tight;
                    sides[usize::from(bend.known_left.unwrap_or(bend.rear_left))] = true;
                }
                Some(false) => right += 1,
                None => {}
            }
        }
        let all = made.events + right;
        let number = |count: u64| statistics::count(usize::try_from(count).unwrap_or(usize::MAX));
        made.value = number(made.events) / number(all).max(1.0);
        made.uncertainty = statistics::Z_95
            * (made.value * (1.0 - made.value) / number(all).max(1.0))
                .sqrt()
                .max(0.5 / number(all).max(1.0));
        made.false_alarm = Some(statistics::binomial_tail(made.events, all, 0.1));
        made.note = Some(format!("{} of {all} bends", made.events));
        let shown = made.events >= 5 * right
            && (tight && made.events > 0 || made.events >= LEAST_BENDS && sides == [true; 2]);
        (made, all, shown)
    };
    let few = |count: u64| {
        Measured::not_made(format!(
            "only {count} bends in which both axles show a side"
        ))
    };
    let (mut disagree, all, axles_disagree) =
        share(&|bend| Some(bend.front_left != bend.rear_left));
    if axles_disagree {
        disagree.verdict = Verdict::Shown;
    }
    let axle = |of: fn(&Bend) -> bool| {
        let (mut made, known, shown) = share(&|bend| bend.known_left.map(|left| left != of(bend)));
        if known < LEAST_BENDS {
            if all == 0 {
                return few(all);
            }
            let mut made = disagree.clone();
            made.verdict = if axles_disagree {
                Verdict::Unclear
            } else {
                Verdict::NotShown
            };
            made.note = Some(if axles_disagree {
                "the axles disagree; only a yaw rate or a steering angle could tell which is wrong"
                    .to_owned()
            } else {
                "the axles agree; whether both are wrong only a yaw rate or a steering angle could tell".to_owned()
            });
            return made.into();
        }
        // Both against the yaw rate: more likely the sign of the yaw rate.
        made.verdict = match (shown, axles_disagree) {
            (true, true) => Verdict::Shown,
            (true, false) => Verdict::Unclear,
            _ => Verdict::NotShown,
        };
        made.into()
    };
    Sides {
        axles: [axle(|bend| bend.front_left), axle(|bend| bend.rear_left)],
        disagree: if all < LEAST_BENDS && !axles_disagree {
            few(all)
        } else {
            disagree.into()
        },
    }
}

fn bends(grid: &Grid<'_>, geometry: &Geometry) -> Vec<Bend> {
    let quantum = grid
        .columns
        .iter()
        .flatten()
        .map(|column| column.quantum_kmh)
        .fold(0.0, f64::max);
    let mut bends: Vec<Bend> = Vec::new();
    let mut open: Option<Bend> = None;
    let mut idle_s = 0.0;
    for index in 0..grid.len() {
        let now = moment(grid, index, geometry, quantum);
        let same = matches!((&open, &now), (Some(open), Some(now))
            if open.front_left == now.front_left && open.rear_left == now.rear_left);
        if let (true, Some(bend), Some(now)) = (same, &mut open, &now) {
            bend.length_s += now.length_s;
            bend.tight |= now.tight;
            idle_s = 0.0;
            bend.known_left = bend.known_left.or(now.known_left);
            continue;
        }
        // A noisy moment does not end a bend.
        idle_s += grid.stands(index);
        if now.is_none() && open.is_some() && idle_s <= IDLE_S {
            continue;
        }
        idle_s = 0.0;
        if let Some(bend) = open.take()
            && bend.length_s >= LEAST_S
            && bends.len() < 10_000
        {
            bends.push(bend);
        }
        open = now;
    }
    bends.extend(open.filter(|bend| bend.length_s >= LEAST_S));
    bends
}

fn moment(grid: &Grid<'_>, index: usize, geometry: &Geometry, quantum: f64) -> Option<Bend> {
    let moment = grid.moment(index);
    if !moment.travels || moment.braked || moment.acceleration.abs() > STEADY {
        return None;
    }
    let [lf, rf, lr, rr] = Wheel::ALL.map(|wheel| grid.speed(wheel, index));
    let (front, rear) = (rf - lf, rr - lr);
    let speed = moment.reference_kmh;
    let least = (BEND * speed).max(BEND_KMH).max(4.0 * quantum);
    let clear = |difference: f64| {
        difference.abs() >= least
            && difference.abs() <= NO_BEND * speed
            && difference.abs() / 3.6 / geometry.track() * speed / 3.6 <= LATERAL
    };
    let axles = (lf + rf) / (lr + rr) - 1.0;
    let alike = (0.5..2.0).contains(&(front / rear).abs());
    // The front wheels run a wider circle: by √(1 + (L/R)²), with R from the smaller difference.
    let bend = front.abs().min(rear.abs()) / speed * geometry.wheelbase() / geometry.track();
    let wider = (1.0 + bend * bend).sqrt() - 1.0;
    (clear(front)
        && clear(rear)
        && (-AXLES_AGREE..AXLES_AGREE + 1.5 * wider).contains(&axles)
        && alike)
        .then(|| Bend {
            front_left: front > 0.0,
            rear_left: rear > 0.0,
            known_left: grid
                .bend(index)
                .filter(|bend| bend.abs() > BEND / 2.0)
                .map(|bend| bend > 0.0),
            tight: front.abs().min(rear.abs()) > TIGHT * speed,
            length_s: grid.stands(index),
            seen_s: grid.seen(index),
        })
}
