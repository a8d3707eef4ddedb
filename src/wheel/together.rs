//! All wheels gone at once: the module started anew, or its supply broke away. A sensor does not do that.
//!
//! Every wheel reads nothing or is marked as invalid from one moment to the next at speed, and all come back. A
//! vehicle that stops takes its time, and invalid marks at rest (while the engine is started) are as they should be.

use super::column::ZERO_KMH;
use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use crate::place::Wheel;

/// At least this fast before and after, in km/h.
const FROM_KMH: f64 = 8.0;
/// No vehicle stops or starts like this, in m/s²: tyres on a dry road give 11 to 12.
const IMPOSSIBLE: f64 = 15.0;
/// Longer than this, in s, is no start of a module.
const LONGEST_S: f64 = 30.0;

/// How often all wheels were gone at once, with the times on the steady clock in s.
pub(super) fn find(grid: &Grid<'_>) -> (Measured, Vec<f64>) {
    let present = Wheel::ALL.map(|wheel| grid.column(wheel).is_some());
    if grid.wheels() < 2 {
        return (Measured::not_made("needs at least two wheels"), Vec::new());
    }
    let mut made = Made::new(0.0, 0.0, "");
    let mut starts = Vec::new();
    let mut moving_s = 0.0;
    // The last moment with a signal: time and speed.
    let mut last: Option<(f64, f64)> = None;
    // Since when all are gone, as index and time.
    let mut gone: Option<(usize, f64)> = None;
    let mut before_s = f64::NAN;
    for (index, &time) in grid.time_s.iter().enumerate() {
        if time - before_s > grid.hold_s {
            (last, gone) = (None, None);
        }
        before_s = time;
        let moment = grid.moment(index);
        let nothing = Wheel::ALL.into_iter().all(|wheel| {
            !present[wheel.index()] || {
                let speed = grid.speed(wheel, index);
                !speed.is_finite() || speed <= ZERO_KMH
            }
        });
        if nothing {
            let abrupt = last.is_some_and(|(then, speed)| {
                speed >= FROM_KMH && speed / 3.6 / (time - then).max(1e-3) > IMPOSSIBLE
            });
            if gone.is_none() && abrupt {
                gone = Some((index, time));
            }
            last = None;
            continue;
        }
        let speed = moment.reference_kmh;
        if moment.travels {
            moving_s += grid.stands(index);
        }
        if let Some((first, since)) = gone.take() {
            let back = grid
                .time_s
                .get(index.saturating_sub(1))
                .is_some_and(|&then| speed / 3.6 / (time - then).max(1e-3) > IMPOSSIBLE);
            if back && speed >= FROM_KMH && time - since <= LONGEST_S {
                made.saw(grid.seen(first));
                starts.push(since);
            }
        }
        last = Some((time, speed));
    }
    if moving_s < 1.0 && made.events == 0 {
        return (Measured::not_made("the vehicle did not travel"), starts);
    }
    made.value = super::statistics::count(starts.len());
    if made.events > 0 {
        made.verdict = Verdict::Shown;
    }
    (made.into(), starts)
}
