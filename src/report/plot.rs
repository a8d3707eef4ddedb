//! Wheel speeds as drawn: few enough columns for a page, no extreme lost.

use crate::place::Place;

/// How many columns a plot has at most: three minutes of a broadcast stay sharp, a ten-minute drive stays small.
pub const COLUMNS: u32 = 1_600;

/// A signal over time with marked intervals.
#[derive(Clone, Debug)]
pub struct Plot {
    /// What is drawn: `Left front`.
    pub title: String,
    /// Where.
    pub place: Place,
    /// Its unit.
    pub unit: &'static str,
    /// The columns, by rising time.
    pub columns: Vec<Column>,
    /// What to compare it with (the speed of the vehicle as the other wheels see it), by rising time.
    pub reference: Vec<Column>,
    /// Intervals worth a look, by rising start.
    pub marks: Vec<Mark>,
}

/// The samples of a short stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Time of the first sample, in seconds on the capture's clock.
    pub time_s: f64,
    /// Lowest value.
    pub low: f32,
    /// Highest value.
    pub high: f32,
    /// Whether the line is broken before this column: nothing valid was seen for a while.
    pub gap_before: bool,
}

/// An interval worth a look.
#[derive(Clone, Debug)]
pub struct Mark {
    /// Start, in seconds on the capture's clock.
    pub from_s: f64,
    /// End, in seconds on the capture's clock.
    pub to_s: f64,
    /// What is there.
    pub words: String,
}

/// At most `count` columns of equal width with the lowest and highest value in each; samples that are not a number
/// break the line, and so does a pause longer than `longest_pause_s`. Samples at times that run backwards are left out.
pub fn decimate(time_s: &[f64], value: &[f32], count: u32, longest_pause_s: f64) -> Vec<Column> {
    let finite = || time_s.iter().copied().filter(|time| time.is_finite());
    let first = finite().fold(f64::INFINITY, f64::min);
    let last = finite().fold(f64::NEG_INFINITY, f64::max);
    let width = (last - first) / f64::from(count.max(1));
    let mut columns: Vec<Column> = Vec::new();
    let mut slot = f64::NEG_INFINITY;
    let mut seen_s = f64::NEG_INFINITY;
    let mut broken = false;
    for (&time, &value) in time_s.iter().zip(value) {
        if !time.is_finite() || time < seen_s {
            continue;
        }
        if !value.is_finite() {
            broken = true;
            continue;
        }
        let gap = broken || time - seen_s > longest_pause_s;
        seen_s = time;
        broken = false;
        let new_slot = if width > 0.0 && width.is_finite() {
            ((time - first) / width).floor()
        } else {
            0.0
        };
        match columns.last_mut() {
            // A gap shorter than a column is not drawn.
            Some(column) if new_slot <= slot => {
                column.low = column.low.min(value);
                column.high = column.high.max(value);
            }
            _ => {
                columns.push(Column {
                    time_s: time,
                    low: value,
                    high: value,
                    gap_before: gap && !columns.is_empty(),
                });
                slot = new_slot;
            }
        }
    }
    columns
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_dip_of_one_sample_stays() {
        let time: Vec<f64> = (0..10_000).map(|i| f64::from(i) * 0.01).collect();
        let mut value = vec![50.0_f32; 10_000];
        value[4_321] = 0.0;
        let columns = decimate(&time, &value, 100, 1.0);
        assert!(columns.len() <= 101);
        assert_eq!(columns.iter().filter(|c| c.low < 1.0).count(), 1);
        assert!(columns.iter().all(|c| c.high > 49.0 && !c.gap_before));
    }

    #[test]
    fn pauses_and_invalid_samples_break_the_line() {
        let time = [0.0, 1.0, 2.0, 3.0, 9.0];
        let value = [1.0, f32::NAN, 1.0, 1.0, 1.0];
        let gaps: Vec<bool> = decimate(&time, &value, 100, 2.0)
            .iter()
            .map(|c| c.gap_before)
            .collect();
        assert_eq!(gaps, [false, true, false, true]);
    }

    proptest! {
        #[test]
        fn any_samples_give_bounded_rising_columns(
            samples in prop::collection::vec((any::<f64>(), any::<f32>()), 0..200),
            count in 0_u32..50,
        ) {
            let (time, value): (Vec<f64>, Vec<f32>) = samples.into_iter().unzip();
            let columns = decimate(&time, &value, count, 1.0);
            prop_assert!(columns.len() <= count.max(1) as usize + 1);
            prop_assert!(columns.windows(2).all(|w| w[0].time_s <= w[1].time_s));
            prop_assert!(columns.iter().all(|c| c.low <= c.high));
        }
    }
}
