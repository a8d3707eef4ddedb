//! Times that never fall: what a capture's clock would have shown without its backward jumps.

use std::borrow::Cow;

use super::input::Samples;
use super::statistics;

/// A step back by less than this, in seconds, is frames out of order; by more, the clock was set.
const OUT_OF_ORDER_S: f64 = 1.0;

/// No clock shows a time farther from its zero than this, in seconds: thirty million years.
const FARTHEST_S: f64 = 1e15;

/// The times of a signal made never falling. Where the clock was set back is known for the whole capture, all signals go
/// on alike, so that samples of one moment stay together.
pub(super) fn steady(samples: Samples<'_>) -> Cow<'_, [f64]> {
    if samples.set_back.is_empty() {
        return rising(samples.time_s);
    }
    let mut entries = samples.set_back.iter().peekable();
    let mut shift = 0.0;
    let shifted = samples
        .time_s
        .iter()
        .enumerate()
        .map(|(index, time)| {
            while let Some((_, seconds)) = entries.next_if(|(from, _)| *from <= index) {
                shift = *seconds;
            }
            time + shift
        })
        .collect::<Vec<_>>();
    Cow::Owned(rising(&shifted).into_owned())
}

/// The times made never falling: small steps back stand still, larger ones go on from where the clock was.
/// Borrowed when there is nothing to mend; times that are no numbers, or that no clock shows, stand still too.
fn rising(time_s: &[f64]) -> Cow<'_, [f64]> {
    let sound = time_s.first().is_none_or(|first| first.is_finite())
        && time_s
            .windows(2)
            .all(|pair| matches!(pair, &[a, b] if b >= a && b.is_finite()));
    if sound {
        return Cow::Borrowed(time_s);
    }
    let usual = interval(time_s).unwrap_or(0.0);
    let mut shift = 0.0;
    let mut last_raw = f64::NAN;
    let mut last = f64::NAN;
    let mended = time_s
        .iter()
        .map(|&raw| {
            if !raw.is_finite() || raw.abs() > FARTHEST_S {
                return last;
            }
            let back = last_raw - raw;
            if back >= OUT_OF_ORDER_S {
                shift += back + usual;
            }
            last_raw = if back > 0.0 && back < OUT_OF_ORDER_S {
                last_raw
            } else {
                raw
            };
            last = if last.is_nan() {
                raw
            } else {
                last.max(raw + shift)
            };
            last
        })
        .collect::<Vec<_>>();
    // Leading times that are no numbers take the first that is one.
    let first = mended
        .iter()
        .copied()
        .find(|time| time.is_finite())
        .unwrap_or(0.0);
    Cow::Owned(
        mended
            .into_iter()
            .map(|time| if time.is_finite() { time } else { first })
            .collect(),
    )
}

/// Most intervals that a median is taken from: more add nothing.
const MOST_INTERVALS: usize = 4_096;

/// The median interval between samples, in seconds; `None` with fewer than two.
pub(super) fn interval(time_s: &[f64]) -> Option<f64> {
    let step = (time_s.len() / MOST_INTERVALS).max(1);
    let mut intervals = time_s
        .windows(2)
        .step_by(step)
        .filter_map(|pair| match pair {
            &[a, b] if b > a => Some(b - a),
            _ => None,
        })
        .collect::<Vec<_>>();
    statistics::median(&mut intervals)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sound_times_are_not_copied() {
        assert!(matches!(rising(&[1.0, 2.0, 2.0, 3.0]), Cow::Borrowed(_)));
    }

    #[test]
    fn a_clock_that_is_set_back_goes_on() {
        let mended = rising(&[100.0, 100.1, 100.2, 3.0, 3.1, f64::NAN, 3.2]);
        let steps: Vec<f64> = mended.windows(2).map(|pair| pair[1] - pair[0]).collect();
        for (step, expected) in steps.iter().zip([0.1, 0.1, 0.1, 0.1, 0.0, 0.1]) {
            assert!((step - expected).abs() < 1e-9, "{steps:?}");
        }
    }

    #[test]
    fn times_that_no_clock_shows_stand_still() {
        assert_eq!(*rising(&[0.0, 1.5e308, 0.5]), [0.0, 0.0, 0.5]);
    }

    /// Two signals that take turns; a frame of one is lost where the clock is set back. Both go on by the same.
    #[test]
    fn a_clock_that_is_set_back_goes_on_for_all_alike() {
        let value = [1.0; 4];
        let set_back = [(2, 100.0)];
        let a = Samples::new(&[100.0, 100.2, 0.3, 0.4], &value, 0.0).with_set_back(&set_back);
        let b = Samples::new(&[100.05, 100.15, 0.35, 0.45], &value, 0.0).with_set_back(&set_back);
        let (a, b) = (steady(a), steady(b));
        assert_eq!(*a, [100.0, 100.2, 100.3, 100.4]);
        assert_eq!(*b, [100.05, 100.15, 100.35, 100.45]);
    }

    #[test]
    fn frames_out_of_order_stand_still() {
        assert_eq!(*rising(&[1.0, 1.2, 1.1, 1.3]), [1.0, 1.2, 1.2, 1.3]);
    }

    proptest::proptest! {
        #[test]
        fn never_falls(times in proptest::collection::vec(proptest::num::f64::ANY, 0..40)) {
            let mended = rising(&times);
            proptest::prop_assert_eq!(mended.len(), times.len());
            proptest::prop_assert!(mended.windows(2).all(|pair| pair[1] >= pair[0]));
        }
    }
}
