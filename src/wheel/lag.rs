//! Lag: a wheel's value comes later than the others'.
//!
//! While the speed changes, a value that is late by τ is off by τ times the acceleration. Slip does the same to both
//! wheels of an axle, so a lag counts only against the axle mate *and* against the other axle.

use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::statistics;
use crate::place::{Axle, Wheel};

/// A lag beyond this, in s, is shown: controllers work on wheel speeds not older than a tenth of a second.
const SHOWN_FROM_S: f64 = 0.3;
/// A difference beyond this share of the speed is spin or a drop-out.
const NO_LAG: f64 = 0.15;
/// Least sum of squared accelerations for a statement, in (m/s²)²·s.
const LEAST_MOVED: f64 = 4.0;

/// Sums of a regression of the difference over the acceleration.
#[derive(Clone, Copy, Debug, Default)]
struct Fit {
    n: f64,
    a: f64,
    d: f64,
    aa: f64,
    ad: f64,
    dd: f64,
}

impl Fit {
    fn push(&mut self, acceleration: f64, difference: f64) {
        self.n += 1.0;
        self.a += acceleration;
        self.d += difference;
        self.aa += acceleration * acceleration;
        self.ad += acceleration * difference;
        self.dd += difference * difference;
    }

    /// The lag in s, and half the width of its 95 % interval. `spacing` is how many samples hang together.
    fn lag(&self, spacing: f64) -> Option<(f64, f64)> {
        let saa = self.aa - self.a * self.a / self.n;
        let sad = self.ad - self.a * self.d / self.n;
        if self.n < 20.0 || saa <= 0.0 {
            return None;
        }
        let slope = sad / saa;
        let left = (self.dd - self.d * self.d / self.n - slope * sad).max(0.0) / (self.n - 2.0);
        Some((-slope, statistics::Z_95 * (left / saa * spacing).sqrt()))
    }
}

/// The lag of each wheel against its axle mate, in s.
pub(super) fn find(grid: &Grid<'_>) -> [Option<Measured>; 4] {
    let mut mate = [Fit::default(); 4];
    let mut far = [Fit::default(); 4];
    let mut moved = 0.0;
    for index in 0..grid.len() {
        let moment = grid.moment(index);
        let acceleration = moment.acceleration;
        if !moment.travels || !acceleration.is_finite() || acceleration.abs() > 4.0 {
            continue;
        }
        moved += acceleration * acceleration * grid.stands(index);
        let speeds = Wheel::ALL.map(|wheel| grid.speed(wheel, index));
        for wheel in Wheel::ALL {
            let own = speeds[wheel.index()];
            let add = |fit: &mut Fit, other: f64| {
                let difference = (own - other) / 3.6;
                if difference.is_finite()
                    && difference.abs() * 3.6 <= NO_LAG * moment.reference_kmh + 1.0
                {
                    fit.push(acceleration, difference);
                }
            };
            add(&mut mate[wheel.index()], speeds[wheel.opposite().index()]);
            let other_axle = match wheel.axle() {
                Axle::Front => Axle::Rear,
                Axle::Rear => Axle::Front,
            };
            let [left, right] = other_axle.wheels().map(|other| speeds[other.index()]);
            add(&mut far[wheel.index()], f64::midpoint(left, right));
        }
    }
    // What the acceleration is taken over hangs together.
    let spacing = (0.5 / grid.interval_s).max(1.0);
    std::array::from_fn(|wheel| {
        let column = grid.columns[wheel].as_ref()?;
        let (Some((lag, half)), true) = (mate[wheel].lag(spacing), moved >= LEAST_MOVED) else {
            return Some(Measured::not_made(
                "too little acceleration, or no axle mate to compare with",
            ));
        };
        let mut made = Made::new(lag, half, "s");
        let limit = SHOWN_FROM_S.max(1.5 * column.renewal_s);
        let late = |fit: &Fit| {
            fit.lag(spacing)
                .is_some_and(|(lag, half)| lag - half > limit)
        };
        if late(&mate[wheel]) && late(&far[wheel]) {
            made.verdict = Verdict::Shown;
        }
        made.note = Some("against the axle mate".to_owned());
        Some(made.into())
    })
}
