//! What one step of an unknown speed field is in km/h.

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
    /// How sure, 0 to 1.
    pub(super) sure: f64,
    /// In words.
    pub(super) why: String,
}

/// Steps in use, with how often we take them to be used, and the field lengths they go with.
const STEPS: &[(f64, f64, std::ops::RangeInclusive<usize>)] = &[
    (0.01, 0.50, 14..=16),
    (1.0 / 128.0, 0.15, 15..=16),
    (1.0 / 64.0, 0.20, 14..=16),
    (1.0 / 32.0, 0.25, 13..=15),
    (0.03, 0.10, 13..=15),
    (0.06, 0.10, 13..=14),
    (1.0 / 16.0, 0.35, 12..=14),
    (0.05, 0.20, 12..=14),
    (0.1, 0.30, 11..=13),
    (1.0 / 8.0, 0.40, 11..=13),
    (0.25, 0.25, 10..=12),
    (0.5, 0.30, 10..=11),
    (1.0 / 256.0, 0.10, 16..=16),
];

/// Fastest speed that is believed, in km/h.
const FASTEST: f64 = 300.0;
/// Hardest change of a vehicle's speed that is believed, in km/h a second.
const HARDEST: f64 = 45.0;
/// Fewest pairs of reported and unknown speed.
const FEWEST_PAIRS: usize = 8;

/// The scale from reported speeds: `pairs` hold the field's number above rest, and km/h.
pub(super) fn from_reference(pairs: &[(f64, f64)]) -> Option<Scale> {
    let mut ratios: Vec<f64> = pairs
        .iter()
        .filter(|(raw, kmh)| *raw > 0.0 && *kmh >= 12.0)
        .map(|(raw, kmh)| kmh / raw)
        .collect();
    if ratios.len() < FEWEST_PAIRS {
        return None;
    }
    ratios.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| ratios.get(ratios.len() * share / 100).copied();
    let (low, middle, high) = (at(15)?, at(50)?, at(85)?);
    let width = (high - low) / middle;
    if width > 0.25 {
        return None;
    }
    let near =
        |step: &&(f64, f64, std::ops::RangeInclusive<usize>)| (step.0 / middle - 1.0).abs() < 0.035;
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
        sure: if width < 0.1 { 0.97 } else { 0.85 },
        why,
    })
}

/// The most plausible scale when nothing reports a speed: from the field's length, its highest number above rest, and its
/// fastest usual change in steps a second.
pub(super) fn plausible(length: usize, highest: f64, hardest: f64) -> Scale {
    let mut weights: Vec<(f64, f64)> = STEPS
        .iter()
        .filter(|(_, _, lengths)| lengths.contains(&length))
        .map(|(step, weight, _)| {
            let too_fast = highest * step > FASTEST;
            let too_hard = hardest * step > HARDEST;
            let far = if too_fast || too_hard { 0.01 } else { 1.0 };
            (*step, weight * far)
        })
        .collect();
    weights.sort_by(|a, b| b.1.total_cmp(&a.1));
    let sum: f64 = weights.iter().map(|(_, weight)| weight).sum();
    let (factor, weight) = weights.first().copied().unwrap_or((0.01, 0.0));
    let sure = if sum > 0.0 { 0.9 * weight / sum } else { 0.1 };
    Scale {
        factor,
        known: false,
        sure,
        why: format!(
            "no speed is reported anywhere; {} km/h a step is a guess from the field's length and range",
            rounded(factor)
        ),
    }
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
    fn a_guess_says_that_it_is_one() {
        let scale = plausible(16, 6_000.0, 1_500.0);
        assert!(!scale.known && scale.sure < 0.9);
        assert!((scale.factor - 0.01).abs() < 1e-12);
        assert!((plausible(12, 250.0, 60.0).factor - 0.125).abs() < 1e-12);
        assert!((plausible(16, 60_000.0, 10_000.0).factor - 1.0 / 256.0).abs() < 1e-12);
    }
}
