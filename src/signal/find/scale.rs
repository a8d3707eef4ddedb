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
    /// Where the step is a guess: all steps that come into question with how likely each is, the likeliest first.
    pub(super) choices: Vec<(f64, f64)>,
}

/// Steps in use in km/h, with how often we take them to be used, and the field lengths they go with. Our judgement of
/// published signal tables; 0.036 is 0.01 m/s, and so on with 0.018, 0.072, 0.05625 and 0.0140625.
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
    (0.02, 0.05, 14..=15),
    (0.075, 0.05, 12..=13),
    (0.036, 0.08, 13..=15),
    (0.018, 0.04, 14..=16),
    (0.072, 0.04, 12..=14),
    (0.05625, 0.10, 12..=14),
    (0.014_062_5, 0.04, 15..=16),
    (0.016_093_44, 0.03, 14..=16),
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

/// How likely a number with one low bit that is always 0 is written as it is used; with more, it is less likely.
const AS_WRITTEN: f64 = 0.65;
/// How much of a guess is ever believed.
const GUESS: f64 = 0.75;
/// The same where the turns of the wheels were counted.
pub(super) const GUESS_WITH_TURNS: f64 = 0.9;
/// Fastest speed that is believed, in km/h.
const FASTEST: f64 = 300.0;
/// Hardest change of a vehicle's speed that is believed, in km/h a second.
const HARDEST: f64 = 45.0;
/// The middle 70 % of the ratios of reported and found speed lie within this share: whole km/h, and answers that come late.
const WIDEST: f64 = 0.18;
/// Slower than this, in km/h, whole km/h round too much.
const SLOW: f64 = 12.0;
/// Reported speeds must differ by this much, in km/h, for a line through them to tell the step better than their ratio.
const RANGE: f64 = 15.0;
/// Whole km/h are rounded by some modules and cut by others: half of it is taken, and as much is not known.
const CUT: f64 = 0.25;
/// Shares by which a reported speed may be off (standard deviation): tyres of another size, and speedometers that lead.
const REPORT_ERROR: f64 = 0.012;
/// A step in use is taken for one that was measured within this share.
const SNAP: f64 = 0.04;
/// What a measured step counts for itself, beside the weights of those in use.
const AS_MEASURED: f64 = 0.02;
/// Fewest pairs of reported and unknown speed.
const FEWEST_PAIRS: usize = 8;

/// How far the ratios of reported and found speed lie apart: the middle 70 % of them, as a share of their median.
pub(super) fn misfit(pairs: &[(f64, f64)]) -> Option<f64> {
    ratios(pairs).map(|[low, middle, high]| (high - low) / middle)
}

/// The 15th, 50th and 85th percentile of the ratio of reported and found speed.
fn ratios(pairs: &[(f64, f64)]) -> Option<[f64; 3]> {
    let moving = pairs.iter().filter(|(raw, kmh)| *raw > 0.0 && *kmh >= SLOW);
    let mut ratios: Vec<f64> = moving.map(|(raw, kmh)| (kmh + CUT) / raw).collect();
    if ratios.len() < FEWEST_PAIRS {
        return None;
    }
    ratios.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| ratios.get(ratios.len() * share / 100).copied();
    Some([at(15)?, at(50)?, at(85)?])
}

/// The slope of reported over found speed and its standard error, where the speeds differ enough. A line with its own zero is
/// not misled by how whole km/h are rounded. Pairs far off it came late, and are left out.
fn slope(pairs: &[(f64, f64)], ratio: f64) -> Option<(f64, f64)> {
    let moving = |pair: &&(f64, f64)| pair.0 > 0.0 && pair.1 >= 3.0;
    let mut used: Vec<(f64, f64)> = pairs.iter().filter(moving).copied().collect();
    let mut speeds: Vec<f64> = used.iter().map(|(_, kmh)| *kmh).collect();
    speeds.sort_unstable_by(f64::total_cmp);
    let at = |share: usize| speeds.get(speeds.len() * share / 100).copied();
    if used.len() < 3 * FEWEST_PAIRS || at(90)? - at(10)? < RANGE {
        return None;
    }
    let mut found = None;
    for _ in 0..3 {
        #[expect(clippy::cast_precision_loss, reason = "a few thousand pairs")]
        let count = used.len() as f64;
        let x0 = used.iter().map(|(x, _)| x).sum::<f64>() / count;
        let y0 = used.iter().map(|(_, y)| y).sum::<f64>() / count;
        let xx: f64 = used.iter().map(|(x, _)| (x - x0).powi(2)).sum();
        let xy: f64 = used.iter().map(|(x, y)| (x - x0) * (y - y0)).sum();
        let slope = xy / xx.max(f64::MIN_POSITIVE);
        let off = |pair: &(f64, f64)| pair.1 - y0 - slope * (pair.0 - x0);
        let rest = used.iter().map(|pair| off(pair).powi(2)).sum::<f64>() / count;
        // Neighbouring pairs are late alike; four count as one.
        let error = (rest / xx.max(f64::MIN_POSITIVE)).sqrt() * 2.0;
        found = Some((slope, error));
        let most = 2.0 * rest.sqrt().max(0.3);
        used.retain(|pair| off(pair).abs() <= most);
        if used.len() < 2 * FEWEST_PAIRS {
            break;
        }
    }
    // A slope far from the ratio means a zero far from standstill: then neither is trusted more.
    found.filter(|(slope, _)| (slope / ratio - 1.0).abs() < 0.06)
}

/// The scale from reported speeds: `pairs` hold the field's number above rest, and km/h.
pub(super) fn from_reference(pairs: &[(f64, f64)]) -> Option<Scale> {
    let [low, middle, high] = ratios(pairs)?;
    let width = (high - low) / middle;
    if width > WIDEST {
        return None;
    }
    let moving = pairs.iter().map(|(_, kmh)| *kmh).filter(|kmh| *kmh >= SLOW);
    #[expect(clippy::cast_precision_loss, reason = "a few thousand pairs")]
    let mean = moving.clone().sum::<f64>() / moving.count().max(1) as f64;
    let (measured, error) = slope(pairs, middle).map_or_else(
        || (middle, CUT / mean),
        |(slope, error)| (slope, error / slope),
    );
    let error = error.hypot(REPORT_ERROR);
    let mut best = (AS_MEASURED, rounded(measured));
    for (step, weight, _) in STEPS {
        let off = (step / measured).ln();
        let weight = weight * (-0.5 * (off / error).powi(2)).exp();
        if off.abs() < SNAP && weight > best.0 {
            best = (weight, *step);
        }
    }
    let why = format!(
        "the reported vehicle speed gives {} km/h a step (middle 70 % within {:.1} %)",
        rounded(measured),
        width * 100.0
    );
    Some(Scale {
        factor: best.1,
        known: true,
        followed: true,
        sure: if width < 0.1 { 0.97 } else { 0.85 },
        why,
        choices: Vec::new(),
    })
}

/// What is seen of a field's number.
#[derive(Clone, Debug)]
pub(super) struct Number {
    /// How many bits it may have.
    pub(super) lengths: RangeInclusive<usize>,
    /// How many of its low bits are always 0.
    pub(super) still: u32,
    /// The highest above rest.
    pub(super) highest: f64,
    /// The hardest usual change, in steps a second.
    pub(super) hardest: f64,
}

impl Number {
    /// The number without its still bits.
    fn without_still_bits(&self) -> Self {
        let by = f64::from(1_u32 << self.still);
        let less = |length: &usize| length.saturating_sub(usize::try_from(self.still).unwrap_or(0));
        Self {
            lengths: less(self.lengths.start())..=less(self.lengths.end()),
            still: 0,
            highest: self.highest / by,
            hardest: self.hardest / by,
        }
    }
}

/// The most plausible scale when nothing reports a speed: from what is seen of the number, and broadcast fields that follow it.
/// Low bits that are always 0 stand below the number, or it is measured more coarsely than written.
pub(super) fn plausible(number: &Number, companions: &[Companion]) -> Scale {
    let mut choices = weighed(number, companions);
    if number.still > 0 {
        let by = f64::from(1_u32 << number.still);
        let beside: Vec<_> = companions
            .iter()
            .map(|companion| companion.of_shorter(by))
            .collect();
        let as_written = AS_WRITTEN.powi(i32::try_from(number.still).unwrap_or(1));
        for (_, weight) in &mut choices {
            *weight *= as_written;
        }
        for (step, weight) in weighed(&number.without_still_bits(), &beside) {
            let (step, weight) = (step / by, weight * (1.0 - as_written));
            match choices
                .iter_mut()
                .find(|(known, _)| (known / step - 1.0).abs() < 1e-6)
            {
                Some((_, known)) => *known += weight,
                None => choices.push((step, weight)),
            }
        }
    }
    choices.sort_by(|a, b| b.1.total_cmp(&a.1));
    let sum: f64 = choices.iter().map(|(_, weight)| weight).sum();
    let (factor, weight) = choices.first().copied().unwrap_or((0.01, 0.0));
    let share = |weight: f64| {
        if sum > 0.0 { GUESS * weight / sum } else { 0.1 }
    };
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
        sure: share(weight),
        why: format!(
            "no speed is reported in answers; {} km/h a step is a guess from {from}",
            rounded(factor)
        ),
        choices: choices
            .iter()
            .map(|(step, weight)| (*step, share(*weight)))
            .collect(),
    }
}

/// Steps that come into question, with their weights.
fn weighed(number: &Number, companions: &[Companion]) -> Vec<(f64, f64)> {
    let (lengths, highest, hardest) = (&number.lengths, number.highest, number.hardest);
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
    choices
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
pub(super) fn rounded(value: f64) -> f64 {
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

    fn number(length: usize, highest: f64, hardest: f64) -> Number {
        Number {
            lengths: length..=length,
            still: 0,
            highest,
            hardest,
        }
    }

    #[test]
    fn a_number_at_the_top_of_its_slot_is_read_without_the_zeros_below() {
        // 13 bits of 1/16 km/h in the upper end of 16: a step of the whole slot is an eighth of it.
        let short = plausible(&number(13, 1_000.0, 150.0), &[]);
        let slot = Number {
            lengths: 16..=16,
            still: 3,
            highest: 8_000.0,
            hardest: 1_200.0,
        };
        let slot = plausible(&slot, &[]);
        assert!(
            (slot.factor * 8.0 / short.factor - 1.0).abs() < 1e-9,
            "{slot:?}"
        );
    }

    #[test]
    fn a_broadcast_speed_narrows_the_guess() {
        // A field of 8 bits that counts whole km/h beside wheels of 0.0075 km/h a step.
        let dial = Companion {
            ratio: 0.0075,
            bits: 8,
            off: 0.0,
        };
        let scale = plausible(&number(16, 6_000.0, 1_500.0), &[dial]);
        assert!(
            !scale.known && (scale.factor - 0.0075).abs() < 1e-12 && scale.sure > 0.3,
            "{scale:?}"
        );
    }

    #[test]
    fn a_guess_says_that_it_is_one() {
        let scale = plausible(&number(16, 6_000.0, 1_500.0), &[]);
        assert!(!scale.known && scale.sure < 0.9);
        assert!((scale.factor - 0.01).abs() < 1e-12);
        assert!((plausible(&number(12, 250.0, 60.0), &[]).factor - 0.125).abs() < 1e-12);
        assert!(
            (plausible(&number(16, 62_000.0, 10_000.0), &[]).factor - 1.0 / 256.0).abs() < 1e-12
        );
    }
}
