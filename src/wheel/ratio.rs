//! Rolling ratio: how much faster or slower a wheel turns than the others, on straight, steady stretches.
//!
//! Three things look like a wrong tyre and are none: a long bend, a vehicle whose left wheels all read a little faster
//! than its right ones, and different tyres front and rear. None of them changes the cross ratio
//! LF·RR / (RF·LR), in which turn, side and axle cancel (a bend of 20 m radius leaves 0.14 %). A single wheel with
//! another circumference changes it in full. So a wheel is shown only when its own ratio *and* the cross ratio say so.
//!
//! Source of the limits: below 1 % it may be pressure, wear or load; a spare wheel turns up to 3 or 4 % faster; makers
//! call 6 to 10 % a wrong tyre or ring. A ring of 48 that lost one tooth reads 2.1 % low.

use super::grid::Grid;
use super::measured::{Made, Measured, Verdict};
use super::statistics::{self, Centre};
use super::wander;
use crate::place::Wheel;

/// A difference beyond this is shown, …
const SHOWN_FROM: f64 = 0.035;
/// … beyond this it is more than usual.
const UNCLEAR_FROM: f64 = 0.015;
/// The cross ratio must show this share of the wheel's own.
const CROSS_SHARE: f64 = 0.6;
/// Slower than this, in km/h, offsets of the senders weigh too much.
const FROM_KMH: f64 = 20.0;
/// Straight: the other axle's wheels differ by less than this (a radius of 75 m).
const STRAIGHT: f64 = 0.02;
/// Harder than this, in m/s², driven and braked wheels slip.
const STEADY: f64 = 2.0;
/// A moment at which a wheel is further off than this is a drop-out or a spin, no tyre.
const NO_TYRE: f64 = 0.25;
/// Stretches are averaged over this distance, in m.
const STRETCH_M: f64 = 10.0;
/// What remains is independent after about this distance, in m: intervals are widened for it.
const INDEPENDENT_M: f64 = 30.0;
/// Fewer stretches than this say nothing.
const LEAST_STRETCHES: usize = 6;

/// Ratios of all four wheels.
#[derive(Clone, Debug)]
pub(super) struct Ratios {
    /// Each wheel's speed against the others, less 1.
    pub(super) wheels: [Option<Measured>; 4],
    /// By how much the ratio changes with speed, per 100 km/h.
    pub(super) growth: [Option<Measured>; 4],
    /// By how much the ratio wanders from stretch to stretch.
    pub(super) wander: [Option<Measured>; 4],
    /// Front against rear axle, less 1.
    pub(super) front_rear: Measured,
    /// Time on them, in s.
    pub(super) straight_s: f64,
}

/// Sums over one stretch.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch {
    ratio: [f64; 4],
    cross: f64,
    axles: f64,
    speed: f64,
    moments: f64,
    metres: f64,
}

/// A finished stretch: means.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mean {
    pub(super) ratio: [f64; 4],
    pub(super) cross: f64,
    pub(super) axles: f64,
    pub(super) speed: f64,
}

/// The ratios of all wheels.
pub(super) fn find(grid: &Grid<'_>) -> Ratios {
    let here = Wheel::ALL.map(|wheel| grid.column(wheel).is_some());
    // A wheel that gives no speed most of the time must not keep the others from being compared.
    let present = alive(grid, here);
    let known = present.iter().filter(|is| **is).count();
    let stretches = collect(grid, present);
    let means = &stretches.means;
    let reason = if known < 3 {
        Some("needs at least three wheels".to_owned())
    } else if means.len() < LEAST_STRETCHES {
        Some(format!(
            "only {:.0} m on straight, steady stretches above {FROM_KMH:.0} km/h",
            stretches.straight_m
        ))
    } else {
        None
    };
    if let Some(reason) = reason {
        let not_made = here.map(|is| is.then(|| Measured::not_made(reason.clone())));
        return Ratios {
            wheels: not_made.clone(),
            growth: not_made.clone(),
            wander: not_made,
            front_rear: Measured::not_made(reason),
            straight_s: stretches.straight_s,
        };
    }
    let quantum = grid
        .columns
        .iter()
        .flatten()
        .map(|column| column.quantum_kmh)
        .fold(0.0, f64::max);
    let dead = || Measured::not_made("the wheel gives no speed most of the time");
    let judged = judge(means, present, known, quantum);
    let here_or = |made: [Option<Measured>; 4]| -> [Option<Measured>; 4] {
        std::array::from_fn(|wheel| made[wheel].clone().or_else(|| here[wheel].then(dead)))
    };
    Ratios {
        wheels: here_or(judged),
        growth: here_or(std::array::from_fn(|wheel| {
            present[wheel].then(|| growth(means, wheel))
        })),
        wander: here_or(wander::find(means, present)),
        front_rear: front_rear(means, known),
        straight_s: stretches.straight_s,
    }
}

/// Which wheels give a speed at least half of the time that the vehicle travels at speed.
fn alive(grid: &Grid<'_>, here: [bool; 4]) -> [bool; 4] {
    let mut turning = [0_usize; 4];
    let mut all = 0_usize;
    for index in 0..grid.len() {
        let moment = grid.moment(index);
        if moment.travels && moment.reference_kmh >= FROM_KMH {
            all += 1;
            for (count, wheel) in turning.iter_mut().zip(Wheel::ALL) {
                *count += usize::from(grid.speed(wheel, index) > 1.0);
            }
        }
    }
    std::array::from_fn(|wheel| here[wheel] && 2 * turning[wheel] >= all)
}

/// All stretches of a drive.
#[derive(Debug, Default)]
struct Stretches {
    means: Vec<Mean>,
    open: Stretch,
    straight_m: f64,
    straight_s: f64,
}

impl Stretches {
    fn close(&mut self) {
        let stretch = std::mem::take(&mut self.open);
        if stretch.moments > 0.0 && stretch.metres >= 0.5 * STRETCH_M {
            self.means.push(Mean {
                ratio: stretch.ratio.map(|sum| sum / stretch.moments),
                cross: stretch.cross / stretch.moments,
                axles: stretch.axles / stretch.moments,
                speed: stretch.speed / stretch.moments,
            });
        }
    }
}

fn collect(grid: &Grid<'_>, present: [bool; 4]) -> Stretches {
    let mut stretches = Stretches::default();
    let usual = usual_bends(grid);
    for index in 0..grid.len() {
        let moment = grid.moment(index);
        let steady = moment.travels && !moment.braked && moment.acceleration.abs() < STEADY;
        if !steady || moment.reference_kmh < FROM_KMH {
            stretches.close();
            continue;
        }
        let speeds = Wheel::ALL.map(|wheel| grid.speed(wheel, index));
        let usual = usual[band(moment.reference_kmh)];
        let straight = grid.bend(index).is_some_and(|bend| bend.abs() < STRAIGHT)
            || axle_bends(&speeds)
                .iter()
                .zip(usual)
                .any(|(bend, usual)| (bend - usual).abs() < STRAIGHT);
        if !straight {
            continue;
        }
        let Some(straight) = residuals(&speeds, present) else {
            continue;
        };
        let stands = grid.stands(index);
        let metres = stands * moment.reference_kmh / 3.6;
        let stretch = &mut stretches.open;
        for (sum, ratio) in stretch.ratio.iter_mut().zip(straight.ratio) {
            *sum += ratio;
        }
        stretch.cross += straight.cross;
        stretch.axles += straight.axles;
        stretch.speed += moment.reference_kmh;
        stretch.moments += 1.0;
        stretch.metres += metres;
        let full = stretch.metres >= STRETCH_M;
        stretches.straight_m += metres;
        stretches.straight_s += stands;
        if full {
            stretches.close();
        }
    }
    stretches.close();
    stretches
}

fn judge(means: &[Mean], present: [bool; 4], known: usize, quantum: f64) -> [Option<Measured>; 4] {
    let typical =
        statistics::median(&mut means.iter().map(|mean| mean.speed).collect()).unwrap_or(FROM_KMH);
    // Rounding is the same for all samples at one speed at worst: half a step, spread evenly.
    let rounding = quantum / typical / 12.0_f64.sqrt();
    let centres: [Option<Centre>; 4] = std::array::from_fn(|wheel| {
        present[wheel]
            .then(|| statistics::centre(&mut means.iter().map(|mean| mean.ratio[wheel]).collect()))
            .flatten()
    });
    let cross = (known == 4)
        .then(|| statistics::centre(&mut means.iter().map(|mean| mean.cross).collect()))
        .flatten();
    let widened = (INDEPENDENT_M / STRETCH_M).sqrt();
    let most = centres
        .iter()
        .flatten()
        .map(|centre| centre.value.abs())
        .fold(0.0, f64::max);
    std::array::from_fn(|wheel| {
        let centre = centres[wheel]?;
        let mut made = Made::new(
            centre.value,
            (widened * centre.half_width).hypot(rounding),
            "",
        );
        let sure = centre.value.abs() - made.uncertainty;
        let sign = if matches!(wheel, 0 | 3) { 1.0 } else { -1.0 };
        let crossed = cross.map_or(sure, |cross| {
            (cross.value * sign * centre.value.signum() - widened * cross.half_width) / CROSS_SHARE
        });
        made.verdict = if sure.min(crossed) > SHOWN_FROM && centre.value.abs() >= most {
            Verdict::Shown
        } else if sure > UNCLEAR_FROM {
            Verdict::Unclear
        } else {
            Verdict::NotShown
        };
        made.note = Some(format!(
            "against the median of the others, over {} stretches of {STRETCH_M:.0} m",
            centre.count
        ));
        Some(made.into())
    })
}

/// By what share of the speed the right wheel of each axle is faster than its left one; NaN where unknown.
fn axle_bends(speeds: &[f64; 4]) -> [f64; 2] {
    let [lf, rf, lr, rr] = *speeds;
    [2.0 * (rf - lf) / (rf + lf), 2.0 * (rr - lr) / (rr + lr)]
}

/// Speed bands, because a sender's offset weighs less at speed.
const BANDS: usize = 3;

fn band(speed_kmh: f64) -> usize {
    match speed_kmh {
        ..35.0 => 0,
        ..60.0 => 1,
        _ => 2,
    }
}

/// What each axle's bend is when the road is straight: its median in each band of speed, because roads bend both ways.
/// A wrong tyre makes its axle look like a bend for good, and some senders' left and right wheels differ for good.
fn usual_bends(grid: &Grid<'_>) -> [[f64; 2]; BANDS] {
    let mut bends: [[Vec<f64>; 2]; BANDS] = Default::default();
    let step = (grid.len() / MOST_BENDS).max(1);
    for index in (0..grid.len()).step_by(step) {
        let moment = grid.moment(index);
        if moment.travels && moment.reference_kmh >= FROM_KMH {
            let speeds = Wheel::ALL.map(|wheel| grid.speed(wheel, index));
            for (bends, bend) in bends[band(moment.reference_kmh)]
                .iter_mut()
                .zip(axle_bends(&speeds))
            {
                bends.push(bend);
            }
        }
    }
    bends.map(|axles| {
        axles.map(|mut bends| {
            // More than this is a circle and no straight road.
            statistics::median(&mut bends)
                .filter(|usual| usual.abs() < MOST_USUAL && bends.len() >= LEAST_BENDS)
                .unwrap_or(0.0)
        })
    })
}

/// Most moments that the usual bend is taken from.
const MOST_BENDS: usize = 30_000;
/// Fewer moments do not tell what is usual.
const LEAST_BENDS: usize = 50;
/// A usual bend beyond this is a circle: 0.04 is what healthy senders differ by, the rest is a wrong tyre.
const MOST_USUAL: f64 = 0.12;

/// What one moment says.
#[derive(Clone, Copy, Debug)]
struct Residuals {
    ratio: [f64; 4],
    cross: f64,
    axles: f64,
}

/// Each wheel against the median of the others, if nothing spins or drops out.
fn residuals(speeds: &[f64; 4], present: [bool; 4]) -> Option<Residuals> {
    let [lf, rf, lr, rr] = *speeds;
    if speeds
        .iter()
        .zip(present)
        .any(|(speed, present)| present && !(speed.is_finite() && *speed > 1.0))
    {
        return None;
    }
    let mut ratio = [0.0; 4];
    for (wheel, slot) in ratio.iter_mut().enumerate() {
        if !present[wheel] {
            continue;
        }
        let mut others = [0.0; 3];
        let mut known = 0;
        for (other, &speed) in speeds.iter().enumerate() {
            if other != wheel
                && present[other]
                && let Some(place) = others.get_mut(known)
            {
                *place = speed;
                known += 1;
            }
        }
        if known < 2 {
            return None;
        }
        let against = statistics::median_of_few(&others, known)?;
        *slot = speeds.get(wheel)? / against - 1.0;
        if slot.abs() > NO_TYRE {
            return None;
        }
    }
    Some(Residuals {
        ratio,
        cross: if present == [true; 4] {
            lf * rr / (rf * lr) - 1.0
        } else {
            0.0
        },
        axles: if present == [true; 4] {
            (lf + rf) / (lr + rr) - 1.0
        } else {
            0.0
        },
    })
}

/// Least spread of speeds for a slope, in km/h.
const LEAST_SPREAD_KMH: f64 = 20.0;

/// The slope of a wheel's ratio over speed, per 100 km/h, by least squares over the stretches.
fn growth(means: &[Mean], wheel: usize) -> Measured {
    let n = statistics::count(means.len());
    let mean_speed = means.iter().map(|mean| mean.speed).sum::<f64>() / n;
    let mean_ratio = means.iter().map(|mean| mean.ratio[wheel]).sum::<f64>() / n;
    let (mut sxx, mut sxy, mut low, mut high) = (0.0, 0.0, f64::INFINITY, 0.0_f64);
    for mean in means {
        let x = mean.speed - mean_speed;
        sxx += x * x;
        sxy += x * (mean.ratio[wheel] - mean_ratio);
        low = low.min(mean.speed);
        high = high.max(mean.speed);
    }
    if high - low < LEAST_SPREAD_KMH || means.len() < 2 * LEAST_STRETCHES {
        return Measured::not_made(format!(
            "straight stretches lie between {low:.0} and {high:.0} km/h only"
        ));
    }
    let slope = sxy / sxx;
    let left = means
        .iter()
        .map(|mean| (mean.ratio[wheel] - mean_ratio - slope * (mean.speed - mean_speed)).powi(2))
        .sum::<f64>()
        / (n - 2.0);
    let mut made = Made::new(
        100.0 * slope,
        100.0 * statistics::Z_95 * (left / sxx).sqrt(),
        "per 100 km/h",
    );
    made.note = Some("a tyre grows by about 0.01 per 100 km/h, all four alike".to_owned());
    made.into()
}

/// Beyond this, front and rear do not fit.
const AXLES_SHOWN_FROM: f64 = 0.06;
/// Beyond this, they differ more than usual.
const AXLES_UNCLEAR_FROM: f64 = 0.02;

fn front_rear(means: &[Mean], known: usize) -> Measured {
    let centre = statistics::centre(&mut means.iter().map(|mean| mean.axles).collect());
    let (4, Some(centre)) = (known, centre) else {
        return Measured::not_made("needs all four wheels");
    };
    let half_width = (INDEPENDENT_M / STRETCH_M).sqrt() * centre.half_width;
    let mut made = Made::new(centre.value, half_width, "");
    let sure = centre.value.abs() - half_width;
    made.verdict = if sure > AXLES_SHOWN_FROM {
        Verdict::Shown
    } else if sure > AXLES_UNCLEAR_FROM {
        Verdict::Unclear
    } else {
        Verdict::NotShown
    };
    made.into()
}
