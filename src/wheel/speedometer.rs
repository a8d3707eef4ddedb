//! The vehicle speed of another module against the wheels.

use super::clock;
use super::grid::Grid;
use super::input::Samples;
use super::measured::{Made, Measured, Verdict};
use super::statistics;

/// A difference beyond this is shown: another tyre size all round, or a wrong factor.
const SHOWN_FROM: f64 = 0.15;
/// A difference beyond this is more than a speed display's usual lead.
const UNCLEAR_FROM: f64 = 0.07;
/// From this speed on, in km/h: values come in whole km/h.
const FROM_KMH: f64 = 20.0;
/// Most samples that are looked at.
const MOST: usize = 50_000;

/// Vehicle speed against the wheels' reference, less 1.
pub(super) fn find(grid: &Grid<'_>, speed: Option<Samples<'_>>) -> Measured {
    let Some(samples) = speed.filter(|samples| !samples.is_empty()) else {
        return Measured::not_made("no vehicle speed in the capture");
    };
    let times = clock::steady(samples);
    let mut at = 0;
    let mut ratios = Vec::new();
    let mut typical = Vec::new();
    for (&time, &value) in times.iter().zip(samples.value) {
        let value = f64::from(value);
        let Some(at) = grid.advance(&mut at, time) else {
            continue;
        };
        let moment = grid.moment(at);
        if moment.is_quiet()
            && moment.reference_kmh >= FROM_KMH
            && value.is_finite()
            && ratios.len() < MOST
        {
            ratios.push(value / moment.reference_kmh - 1.0);
            typical.push(moment.reference_kmh);
        }
    }
    if ratios.len() < 10 {
        return Measured::not_made("too little quiet driving with a vehicle speed beside it");
    }
    let Some(centre) = statistics::centre(&mut ratios) else {
        return Measured::not_made("no valid vehicle speed");
    };
    let rounding = samples.quantum / 2.0 / statistics::median(&mut typical).unwrap_or(FROM_KMH);
    let mut made = Made::new(centre.value, centre.half_width.hypot(rounding), "");
    let sure = centre.value.abs() - made.uncertainty;
    made.verdict = if sure > SHOWN_FROM {
        Verdict::Shown
    } else if sure > UNCLEAR_FROM {
        Verdict::Unclear
    } else {
        Verdict::NotShown
    };
    made.into()
}
