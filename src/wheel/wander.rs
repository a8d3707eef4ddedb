//! Wandering: how much a wheel's ratio to the others changes from one straight stretch to the next.
//!
//! Noise from sample to sample is measured by itself; a disturbance that takes a second or more is as smooth as driving is,
//! and shows only in what the wheel gains and loses against the others. Bends move both axles, so the cross ratio has to
//! wander as far; slip under power or brake moves a wheel as well, but not on most of the stretches.

use super::measured::{Made, Measured, Verdict};
use super::ratio::Mean;
use super::statistics;

/// From this spread on, as a share of the speed, a wheel wanders; …
const SHOWN_FROM: f64 = 0.015;
/// … and from so many times the median of the others.
const OTHERS_FACTOR: f64 = 4.0;
/// The cross ratio must wander by this share of it.
const CROSS_SHARE: f64 = 0.6;
/// Fewer stretches say nothing.
const LEAST: usize = 20;

/// How far each wheel wanders over these stretches.
pub(super) fn find(means: &[Mean], present: [bool; 4]) -> [Option<Measured>; 4] {
    if means.len() < LEAST || present != [true; 4] {
        let reason = if means.len() < LEAST {
            "too few straight stretches"
        } else {
            "needs all four wheels"
        };
        return present.map(|is| is.then(|| Measured::not_made(reason)));
    }
    let spreads: [f64; 4] = std::array::from_fn(|wheel| spread(means, |mean| mean.ratio[wheel]));
    let cross = spread(means, |mean| mean.cross);
    std::array::from_fn(|wheel| {
        let own = spreads[wheel];
        let mut others = spreads.to_vec();
        others.remove(wheel);
        let usual = statistics::median(&mut others).unwrap_or(0.0);
        let half = statistics::Z_95 * own * 1.17 / statistics::count(means.len()).sqrt();
        let mut made = Made::new(own, half, "");
        let sure = own - half;
        if sure > SHOWN_FROM && sure > OTHERS_FACTOR * usual && cross > CROSS_SHARE * own {
            made.verdict = Verdict::Shown;
        }
        made.note = Some(format!(
            "over {} stretches; the median of the others is {:.2} %",
            means.len(),
            100.0 * usual
        ));
        Some(made.into())
    })
}

/// The spread of the steps from stretch to stretch: half of a step's variance is each stretch's own.
fn spread(means: &[Mean], of: impl Fn(&Mean) -> f64) -> f64 {
    let steps = means.windows(2).map(|pair| match pair {
        [first, second] => (of(second) - of(first)).abs(),
        _ => 0.0,
    });
    let middle = statistics::median(&mut steps.collect()).unwrap_or(0.0);
    1.4826 * middle / std::f64::consts::SQRT_2
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stretches of a drive on which the first wheel swings by this share, the others by 0.2 %.
    fn drive(swing: f64) -> Vec<Mean> {
        (0..200_u8)
            .map(|index| {
                let phase = f64::from(index);
                let ratio: [f64; 4] = std::array::from_fn(|wheel| {
                    let size = if wheel == 0 { swing } else { 0.002 };
                    size * (phase * (1.3 + 0.4 * statistics::count(wheel))).sin()
                });
                Mean {
                    cross: (1.0 + ratio[0]) * (1.0 + ratio[3])
                        / (1.0 + ratio[1])
                        / (1.0 + ratio[2])
                        - 1.0,
                    ratio,
                    axles: 0.0,
                    speed: 40.0,
                }
            })
            .collect()
    }

    #[test]
    fn a_slow_disturbance_of_one_wheel_is_seen() {
        let shown = |swing| {
            find(&drive(swing), [true; 4])
                .map(|measured| measured.is_some_and(|measured| measured.is_shown()))
        };
        assert_eq!(shown(0.05), [true, false, false, false]);
        assert_eq!(shown(0.006), [false; 4]);
        // Where a bend moves both axles, the cross ratio stands still.
        let mut bends = drive(0.05);
        for mean in &mut bends {
            mean.cross = 0.0;
        }
        let found = find(&bends, [true; 4]);
        assert!(found.iter().flatten().all(|measured| !measured.is_shown()));
    }
}
