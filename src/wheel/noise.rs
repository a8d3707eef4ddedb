//! Noise: how restless a wheel's speed is from sample to sample against its neighbours, and what it grows with.
//!
//! Stray pulses, a loose bearing and a poor earth make noise; a rough road makes it at all wheels. Noise that grows with
//! speed comes from what turns, noise that comes with a dip of the supply from what is switched on.

use std::ops::ControlFlow;

use super::acceleration::each_step;
use super::clock;
use super::grid::Grid;
use super::input::{Input, Samples};
use super::measured::{Made, Measured, Verdict};
use super::statistics;
use crate::place::Wheel;

/// So many times the neighbours' noise is shown …
const SHOWN_FACTOR: f64 = 6.0;
/// … if it is this share of the speed, too.
const SHOWN_SHARE: f64 = 0.01;
/// So many times is more than usual: driven and free, laden and light wheels differ that much.
const UNCLEAR_FACTOR: f64 = 3.0;
/// The supply is loaded when it is this far below its median, in V.
const LOADED_V: f64 = 0.4;
/// Fewer samples say nothing.
const LEAST: usize = 100;
/// Steps larger than this share of the speed are spikes and drop-outs.
const NO_NOISE: f64 = 0.2;

/// Noise of one wheel.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    /// Spread of the change from sample to sample against the neighbours, in km/h.
    pub(super) level: Measured,
    /// Its growth with speed, in km/h per 100 km/h.
    pub(super) growth: Measured,
    /// Times the noise while the supply is loaded.
    pub(super) loaded: Measured,
}

/// What is known of one wheel.
#[derive(Clone, Debug, Default)]
struct Spread {
    sigma: f64,
    /// The same while the engine does not pull, where there is enough of that: a driven wheel slips only under power.
    rolling: Option<f64>,
    count: usize,
    typical_kmh: f64,
    growth: Option<(f64, f64)>,
    loaded: Option<(f64, usize)>,
}

/// Noise of all wheels.
pub(super) fn find(grid: &Grid<'_>, input: &Input<'_>) -> [Option<Noise>; 4] {
    let voltage = [input.supply_voltage, input.battery_voltage]
        .into_iter()
        .flatten()
        .find(|samples| !samples.is_empty());
    let spreads = Wheel::ALL.map(|wheel| grid.column(wheel).map(|_| spread(grid, wheel, voltage)));
    std::array::from_fn(|wheel| {
        let own = spreads[wheel].as_ref()?;
        let others = || {
            spreads
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != wheel)
                .filter_map(|(_, spread)| spread.as_ref())
        };
        if own.count < LEAST {
            let none = Measured::not_made("too little quiet driving in which the neighbours agree");
            return Some(Noise {
                level: none.clone(),
                growth: none.clone(),
                loaded: none,
            });
        }
        let quantum = grid.columns[wheel].as_ref()?.quantum_kmh;
        let neighbours = statistics::median(&mut others().map(|spread| spread.sigma).collect());
        Some(Noise {
            level: level(own, neighbours, quantum),
            growth: growth(
                own,
                &others()
                    .filter_map(|spread| Some(spread.growth?.0))
                    .collect::<Vec<_>>(),
            ),
            loaded: loaded(
                own,
                &others()
                    .filter_map(|spread| Some(spread.loaded?.0))
                    .collect::<Vec<_>>(),
            ),
        })
    })
}

fn spread(grid: &Grid<'_>, wheel: Wheel, voltage: Option<Samples<'_>>) -> Spread {
    let median_v = voltage.and_then(|samples| {
        statistics::median(&mut samples.iter().map(|(_, volts)| volts).collect())
    });
    let times = voltage.map(clock::steady);
    let mut at = 0;
    let mut sizes = Vec::new();
    let mut loaded_sizes = Vec::new();
    let mut rolling_sizes = Vec::new();
    let mut speeds = Vec::new();
    let (mut n, mut sv, mut sd) = (0.0_f64, 0.0, 0.0);
    let (mut svv, mut svd, mut sdd) = (0.0, 0.0, 0.0);
    each_step(grid, wheel, |step| {
        let size = step.relative.abs();
        if sizes.len() >= MOST {
            return ControlFlow::Break(());
        }
        if !step.quiet || size > NO_NOISE * step.speed_kmh {
            return ControlFlow::Continue(());
        }
        if let (Some(times), Some(samples), Some(median)) = (&times, voltage, median_v) {
            while times.get(at + 1).is_some_and(|&next| next <= step.time_s) {
                at += 1;
            }
            if samples
                .value
                .get(at)
                .is_some_and(|&volts| f64::from(volts) < median - LOADED_V)
            {
                loaded_sizes.push(size);
            }
        }
        sizes.push(size);
        if !step.may_slip {
            rolling_sizes.push(size);
        }
        speeds.push(step.speed_kmh);
        n += 1.0;
        sv += step.speed_kmh;
        sd += size;
        svv += step.speed_kmh * step.speed_kmh;
        svd += step.speed_kmh * size;
        sdd += size * size;
        ControlFlow::Continue(())
    });
    let count = sizes.len();
    let sxx = svv - sv * sv / n.max(1.0);
    let growth = (count >= LEAST && sxx > n * 25.0).then(|| {
        let sxy = svd - sv * sd / n;
        let slope = sxy / sxx;
        let left = (sdd - sd * sd / n - slope * sxy).max(0.0) / (n - 2.0);
        (
            100.0 * slope,
            100.0 * statistics::Z_95 * (left / sxx).sqrt(),
        )
    });
    let spread_of = |sizes: &mut Vec<f64>| 1.4826 * statistics::median(sizes).unwrap_or(0.0);
    let sigma = spread_of(&mut sizes);
    let loaded_count = loaded_sizes.len();
    Spread {
        sigma,
        rolling: (rolling_sizes.len() >= LEAST / 2).then(|| spread_of(&mut rolling_sizes)),
        count,
        typical_kmh: statistics::median(&mut speeds).unwrap_or(0.0),
        growth,
        loaded: (loaded_count >= LEAST / 2 && sigma > 0.0)
            .then(|| (spread_of(&mut loaded_sizes) / sigma, loaded_count)),
    }
}

/// Most samples that are looked at.
const MOST: usize = 100_000;

fn level(own: &Spread, neighbours: Option<f64>, quantum: f64) -> Measured {
    let half = own.sigma * 1.17 * statistics::Z_95 / statistics::count(own.count).sqrt();
    let mut made = Made::new(own.sigma, half.hypot(quantum / 12.0_f64.sqrt()), "km/h");
    let Some(neighbours) = neighbours else {
        return Measured::not_made("no other wheel to compare with");
    };
    // Rounding alone makes this much.
    let least = neighbours.max(quantum);
    let beyond = |sigma: f64| sigma - made.uncertainty;
    let is_shown = |sigma: f64| {
        beyond(sigma) > SHOWN_FACTOR * least && beyond(sigma) > SHOWN_SHARE * own.typical_kmh
    };
    made.verdict = if is_shown(own.sigma) && own.rolling.is_some_and(is_shown) {
        Verdict::Shown
    } else if beyond(own.sigma) > UNCLEAR_FACTOR * least {
        Verdict::Unclear
    } else {
        Verdict::NotShown
    };
    made.note = Some(format!(
        "the median of the neighbours is {neighbours:.3} km/h"
    ));
    made.into()
}

fn growth(own: &Spread, others: &[f64]) -> Measured {
    let Some((slope, half)) = own.growth else {
        return Measured::not_made("the quiet driving is at nearly one speed");
    };
    let mut made = Made::new(slope, half, "km/h per 100 km/h");
    let usual = statistics::median(&mut others.to_vec())
        .unwrap_or(0.0)
        .max(0.1);
    if slope - half > SHOWN_FACTOR * usual {
        made.verdict = Verdict::Unclear;
    }
    made.note = Some(format!("the median of the neighbours is {usual:.2}"));
    made.into()
}

/// Noise of the loaded supply that is shown: so many times the noise otherwise.
const LOADED_SHOWN: f64 = 3.0;

fn loaded(own: &Spread, others: &[f64]) -> Measured {
    let Some((times, count)) = own.loaded else {
        return Measured::not_made(
            "no supply voltage with a consumer switching on during quiet driving",
        );
    };
    let mut made = Made::new(
        times,
        times * statistics::Z_95 / statistics::count(count).sqrt(),
        "times",
    );
    let usual = statistics::median(&mut others.to_vec())
        .unwrap_or(1.0)
        .max(1.0);
    if times - made.uncertainty > LOADED_SHOWN * usual {
        made.verdict = Verdict::Shown;
    }
    made.note = Some(format!("the median of the neighbours is {usual:.1} times"));
    made.into()
}
