//! Times that never fall: what a capture's clock would have shown without its backward jumps.

use std::borrow::Cow;

use super::statistics;

/// A step back by less than this, in seconds, is frames out of order; by more, the clock was set.
const OUT_OF_ORDER_S: f64 = 1.0;

/// No clock shows a time farther from its zero than this, in seconds: thirty million years.
const FARTHEST_S: f64 = 1e15;

/// The times made never falling: small steps back stand still, larger ones go on from where the clock was.
/// Borrowed when there is nothing to mend; times that are no numbers, or that no clock shows, stand still too.
pub(super) fn steady(time_s: &[f64]) -> Cow<'_, [f64]> {
    let rising = time_s.first().is_none_or(|first| first.is_finite())
        && time_s
            .windows(2)
            .all(|pair| matches!(pair, &[a, b] if b >= a && b.is_finite()));
    if rising {
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
        assert!(matches!(steady(&[1.0, 2.0, 2.0, 3.0]), Cow::Borrowed(_)));
    }

    #[test]
    fn a_clock_that_is_set_back_goes_on() {
        let mended = steady(&[100.0, 100.1, 100.2, 3.0, 3.1, f64::NAN, 3.2]);
        let steps: Vec<f64> = mended.windows(2).map(|pair| pair[1] - pair[0]).collect();
        for (step, expected) in steps.iter().zip([0.1, 0.1, 0.1, 0.1, 0.0, 0.1]) {
            assert!((step - expected).abs() < 1e-9, "{steps:?}");
        }
    }

    #[test]
    fn times_that_no_clock_shows_stand_still() {
        assert_eq!(*steady(&[0.0, 1.5e308, 0.5]), [0.0, 0.0, 0.5]);
    }

    #[test]
    fn frames_out_of_order_stand_still() {
        assert_eq!(*steady(&[1.0, 1.2, 1.1, 1.3]), [1.0, 1.2, 1.2, 1.3]);
    }

    proptest::proptest! {
        #[test]
        fn never_falls(times in proptest::collection::vec(proptest::num::f64::ANY, 0..40)) {
            let mended = steady(&times);
            proptest::prop_assert_eq!(mended.len(), times.len());
            proptest::prop_assert!(mended.windows(2).all(|pair| pair[1] >= pair[0]));
        }
    }
}
