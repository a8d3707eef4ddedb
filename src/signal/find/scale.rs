//! What one step of an unknown speed field is in km/h.

use std::ops::RangeInclusive;

use super::companions::Companion;

/// A speed that something else reports, at a slot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reference {
    pub(super) nanos: i64,
    pub(super) kmh: f64,
}

/// A scale and how it was come by.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scale {
    /// km/h a step.
    pub(super) factor: f64,
    /// Whether a reported speed fixed it.
    pub(super) known: bool,
    /// Whether a speed that is reported or broadcast elsewhere follows the field.
    pub(super) followed: bool,
    /// How sure, 0 to 1.
    pub(super) sure: f64,
    /// In words.
    pub(super) why: String,
}

/// Steps in use in km/h, with how often we take them to be used, and the field lengths they go with.
const STEPS: &[(f64, f64, RangeInclusive<usize>)] = &[
    (0.01, 0.50, 15..=16),
    (0.0075, 0.06, 16..=16),
    (0.005, 0.08, 16..=16),
    (1.0 / 128.0, 0.10, 15..=16),
    (1.0 / 64.0, 0.15, 14..=16),
    (1.0 / 32.0, 0.35, 13..=15),
    (0.03, 0.10, 13..=15),
    (0.06, 0.10, 12..=14),
    (1.0 / 16.0, 0.35, 12..=14),
    (0.05, 0.20, 12..=14),
    (0.1, 0.30, 11..=13),
    (1.0 / 8.0, 0.40, 11..=13),
    (0.25, 0.25, 10..=12),
    (0.5, 0.30, 10..=11),
    (1.0 / 256.0, 0.06, 16..=16),
];

/// Steps in use for a vehicle's own speed in km/h; the last is the mile.
const VEHICLE_STEPS: &[f64] = &[
    0.005,
    0.01,
    0.02,
    0.05,
    0.1,
    0.5,
    1.0,
    1.0 / 256.0,
    1.0 / 128.0,
    1.0 / 64.0,
    1.0 / 32.0,
    1.0 / 16.0,
    0.125,
    0.25,
    1.609_344,
];
/// Full scales of a speed field that are believed, in km/h.
const FULL_SCALE: RangeInclusive<f64> = 200.0..=1_100.0;
/// How far a companion's step may be from one in use (standard deviation of the logarithm).
const CLOSE: f64 = 0.01;
/// What a step that is not in the table weighs: turns a minute or radians a second with some tyre. It fits the companion that it
/// was made from by construction, so that it takes more than one to believe it.
const ODD_STEP: f64 = 0.003;
/// What such a step weighs when it is half a turn a minute or a hundredth of a radian a second with a car's tyre.
const TURNING_STEP: f64 = 0.06;
/// Rolling circumferences of cars' tyres, in metres.
const CIRCUMFERENCES: RangeInclusive<f64> = 1.75..=2.3;
/// What a companion counts that fits no step in use: many are no vehicle speed, but an engine's in one gear.
const MISFIT: f64 = 0.07;
/// The usual hardest change of speed in a drive (98th percentile), in km/h a second, and how far a drive may be below and above
/// it, as a factor's logarithm: many drives are gentle, few are harder.
const USUAL_CHANGE: f64 = 9.0;
const GENTLER: f64 = 1.6;
const HARDER: f64 = 0.7;

/// The usual highest speed of a drive, in km/h, and how far a drive may be below and above it, as a factor's logarithm.
const USUAL_TOP: f64 = 55.0;
const SLOWER: f64 = 1.2;
const FASTER: f64 = 0.75;
/// What a number counts that is shorter than its field: the bits above it are kept free.
const IN_A_LONGER_SLOT: f64 = 0.5;

/// Fastest speed that is believed, in km/h.
const FASTEST: f64 = 300.0;
/// Hardest change of a vehicle's speed that is believed, in km/h a second.
const HARDEST: f64 = 45.0;
/// The middle 70 % of the ratios of reported and found speed lie within this share: whole km/h, and answers that come late.
const WIDEST: f64 = 0.18;
/// Faster than this, in km/h, whole km/h round little enough; used where there are pairs enough.
const FAST: f64 = 20.0;
/// Fewest pairs of reported and unknown speed.
const FEWEST_PAIRS: usize = 8;

/// The scale from reported speeds: `pairs` hold the field's number above rest, and km/h.
pub(super) fn from_reference(pairs: &[(f64, f64)]) -> Option<Scale> {
    let above = |least: f64| -> Vec<f64> {
        let moving = pairs
            .iter()
            .filter(|(raw, kmh)| *raw > 0.0 && *kmh >= least);
        moving.map(|(raw, kmh)| kmh / raw).collect()
    };
    let mut ratios = above(FAST);
    if ratios.len() < 4 * FEWEST_PAIRS {
        ratios = above(12.0);
    }
    if ratios.len() < FEWEST_PAIRS {
        return None;
    }
    ratios.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| ratios.get(ratios.len() * share / 100).copied();
    let (low, middle, high) = (at(15)?, at(50)?, at(85)?);
    let width = (high - low) / middle;
    if width > WIDEST {
        return None;
    }
    let near = |step: &&(f64, f64, RangeInclusive<usize>)| (step.0 / middle - 1.0).abs() < 0.035;
    let factor = STEPS
        .iter()
        .find(near)
        .map_or_else(|| rounded(middle), |step| step.0);
    let why = format!(
        "the reported vehicle speed gives {} km/h a step (middle 70 % within {:.1} %)",
        rounded(middle),
        width * 100.0
    );
    Some(Scale {
        factor,
        known: true,
        followed: true,
        sure: if width < 0.1 { 0.97 } else { 0.85 },
        why,
    })
}

/// The most plausible scale when nothing reports a speed: from the lengths that the number may have, its highest number above
/// rest, its fastest usual change in steps a second, and broadcast fields that follow it.
pub(super) fn plausible(
    lengths: RangeInclusive<usize>,
    highest: f64,
    hardest: f64,
    companions: &[Companion],
) -> Scale {
    let length = *lengths.end();
    let mut choices: Vec<(f64, f64)> = Vec::new();
    for (step, weight, usual) in STEPS {
        if usual.contains(&length) {
            choices.push((*step, *weight));
        } else if lengths.clone().any(|length| usual.contains(&length)) {
            choices.push((*step, *weight * IN_A_LONGER_SLOT));
        }
    }
    for companion in companions {
        for step in vehicle_steps(companion.bits) {
            let odd = rounded(step * companion.ratio);
            let full = odd * 2_f64.powi(i32::try_from(length).unwrap_or(16));
            if FULL_SCALE.contains(&full)
                && choices
                    .iter()
                    .all(|(known, _)| (known / odd).ln().abs() > 1.5 * CLOSE)
            {
                choices.push((odd, odd_weight(odd)));
            }
        }
    }
    for (step, weight) in &mut choices {
        if highest * *step > FASTEST || hardest * *step > HARDEST {
            *weight *= 0.01;
        }
        if hardest > 0.0 {
            let log = (hardest * *step / USUAL_CHANGE).ln();
            let off = log / if log < 0.0 { GENTLER } else { HARDER };
            *weight *= (-0.5 * off * off).exp();
        }
        if highest > 0.0 {
            let log = (highest * *step / USUAL_TOP).ln();
            let off = log / if log < 0.0 { SLOWER } else { FASTER };
            *weight *= (-0.5 * off * off).exp();
        }
        for companion in companions {
            *weight *= MISFIT + fit(*step, companion);
        }
    }
    choices.sort_by(|a, b| b.1.total_cmp(&a.1));
    let sum: f64 = choices.iter().map(|(_, weight)| weight).sum();
    let (factor, weight) = choices.first().copied().unwrap_or((0.01, 0.0));
    let fits = companions
        .iter()
        .filter(|companion| fit(factor, companion) > 0.3)
        .count();
    let from = if fits > 0 {
        "the field's length and range, and a broadcast vehicle speed that follows it"
    } else {
        "the field's length and range"
    };
    Scale {
        factor,
        known: false,
        followed: fits > 0,
        sure: if sum > 0.0 { 0.9 * weight / sum } else { 0.1 },
        why: format!(
            "no speed is reported in answers; {} km/h a step is a guess from {from}",
            rounded(factor)
        ),
    }
}

/// How often a step that is not in the table is in use.
fn odd_weight(step: f64) -> f64 {
    // 3.6 C / 2π × 0.01 rad/s, and 0.06 C × 0.5 turns a minute, for a circumference C.
    let radians = step / (3.6 * 0.01) * std::f64::consts::TAU;
    let turns = step / (0.06 * 0.5);
    if CIRCUMFERENCES.contains(&radians) || CIRCUMFERENCES.contains(&turns) {
        TURNING_STEP
    } else {
        ODD_STEP
    }
}

/// The steps that a vehicle's own speed of so many bits may have.
fn vehicle_steps(bits: usize) -> impl Iterator<Item = f64> {
    let full = 2_f64.powi(i32::try_from(bits).unwrap_or(16));
    let steps = VEHICLE_STEPS.iter().copied();
    steps.filter(move |step| FULL_SCALE.contains(&(step * full)))
}

/// How well a companion's step would suit, 0 to 1.
fn fit(step: f64, companion: &Companion) -> f64 {
    let off = |known: f64| (step / companion.ratio / known).ln() / CLOSE;
    vehicle_steps(companion.bits)
        .map(|known| (-0.5 * off(known).powi(2)).exp())
        .fold(0.0, f64::max)
}

/// Four significant digits.
fn rounded(value: f64) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return value;
    }
    let digits = 10_f64.powf(3.0 - value.log10().floor());
    (value * digits).round() / digits
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reported_speed_fixes_the_scale() {
        let pairs: Vec<_> = (20..90)
            .map(|kmh| (f64::from(kmh) * 100.0 + 37.0, f64::from(kmh)))
            .collect();
        let scale = from_reference(&pairs).unwrap();
        assert!(
            scale.known && (scale.factor - 0.01).abs() < 1e-12,
            "{scale:?}"
        );
        let odd: Vec<_> = (20..90)
            .map(|kmh| (f64::from(kmh) / 0.0437, f64::from(kmh)))
            .collect();
        assert!((from_reference(&odd).unwrap().factor - 0.0437).abs() < 1e-4);
        let unrelated: Vec<_> = (20..90).map(|kmh| (1_000.0, f64::from(kmh))).collect();
        assert_eq!(from_reference(&unrelated), None);
    }

    #[test]
    fn a_broadcast_speed_narrows_the_guess() {
        // A field of 8 bits that counts whole km/h beside wheels of 0.0075 km/h a step.
        let dial = Companion {
            ratio: 0.0075,
            bits: 8,
            off: 0.0,
        };
        let scale = plausible(16..=16, 6_000.0, 1_500.0, &[dial]);
        assert!(
            !scale.known && (scale.factor - 0.0075).abs() < 1e-12 && scale.sure > 0.3,
            "{scale:?}"
        );
    }

    #[test]
    fn a_guess_says_that_it_is_one() {
        let scale = plausible(16..=16, 6_000.0, 1_500.0, &[]);
        assert!(!scale.known && scale.sure < 0.9);
        assert!((scale.factor - 0.01).abs() < 1e-12);
        assert!((plausible(12..=12, 250.0, 60.0, &[]).factor - 0.125).abs() < 1e-12);
        assert!((plausible(16..=16, 62_000.0, 10_000.0, &[]).factor - 1.0 / 256.0).abs() < 1e-12);
    }
}
