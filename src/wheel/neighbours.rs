//! The other wheels at the moments of one.

use super::column::{Around, Column, Cursor};
use super::grid::Grid;
use crate::place::Wheel;

/// The other wheels around a moment that is not theirs.
#[derive(Debug)]
pub(super) struct Neighbours<'g, 'a> {
    columns: [Option<(&'g Column<'a>, Cursor)>; 4],
    /// Whether each sample of a neighbour is of the same moment as the wheel's own: see [`Grid::aligned`].
    aligned: bool,
    others: Others,
}

/// The speeds of the other wheels around a moment in km/h, in table order; NaN where one is not known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Others {
    /// In between, by the time.
    pub(super) value: [f64; 4],
    /// The lower of the samples before and after.
    pub(super) low: [f64; 4],
    /// The higher of the two.
    pub(super) high: [f64; 4],
}

impl<'g, 'a> Neighbours<'g, 'a> {
    /// The neighbours of `wheel`.
    pub(super) fn new(grid: &'g Grid<'a>, wheel: Wheel) -> Self {
        let mut columns = [None; 4];
        for other in Wheel::ALL {
            if other != wheel {
                columns[other.index()] =
                    grid.column(other).map(|column| (column, Cursor::default()));
            }
        }
        Self {
            columns,
            aligned: grid.aligned,
            others: Others {
                value: [f64::NAN; 4],
                low: [f64::NAN; 4],
                high: [f64::NAN; 4],
            },
        }
    }

    /// The neighbours around `time_s`, the time of the wheel's own sample at `index`; ask with times that never fall.
    #[inline]
    pub(super) fn at(&mut self, index: usize, time_s: f64) -> &Others {
        let Self {
            columns,
            aligned,
            others,
        } = self;
        for (wheel, entry) in columns.iter_mut().enumerate() {
            let Some((column, cursor)) = entry else {
                continue;
            };
            if *aligned {
                let value = column
                    .speed_kmh
                    .get(index)
                    .copied()
                    .map_or(f64::NAN, f64::from);
                let value = if value.is_finite() { value } else { f64::NAN };
                others.value[wheel] = value;
                others.low[wheel] = value;
                others.high[wheel] = value;
                continue;
            }
            let around = cursor.around(&column.time_s, column.speed_kmh, column.hold_s, time_s);
            let of = |value: fn(Around) -> f64| around.map_or(f64::NAN, value);
            others.value[wheel] = of(Around::value);
            others.low[wheel] = of(Around::low);
            others.high[wheel] = of(Around::high);
        }
        others
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::wheel::{Geometry, Input, Samples};

    proptest! {
        /// Where all wheels are read at the same times, the short way gives what the general one does.
        #[test]
        fn neighbours_at_the_same_times_need_no_search(
            steps in proptest::collection::vec((1_u32..400, [0_u16..3_000, 0..3_000, 0..3_000, 0..3_000]), 2..60)
        ) {
            let mut time_s = Vec::new();
            let mut speeds: [Vec<f32>; 4] = Default::default();
            let mut now = 0.0;
            for (step, raw) in steps {
                now += f64::from(step) * 1e-3;
                time_s.push(now);
                for (speed, raw) in speeds.iter_mut().zip(raw) {
                    // Some are marked as invalid.
                    speed.push(if raw < 100 { f32::NAN } else { f32::from(raw) * 0.05 });
                }
            }
            let input = Input {
                speeds: speeds.each_ref().map(|speed| Some(Samples::new(&time_s, speed, 0.05))),
                geometry: Geometry::default(),
                ..Input::default()
            };
            let grid = Grid::new(&input).unwrap();
            prop_assert!(grid.aligned);
            for wheel in Wheel::ALL {
                let mut short = Neighbours::new(&grid, wheel);
                let mut general = Neighbours::new(&grid, wheel);
                general.aligned = false;
                for (index, &time) in time_s.iter().enumerate() {
                    let bits = |others: &Others| {
                        [others.value, others.low, others.high].map(|all| all.map(f64::to_bits))
                    };
                    prop_assert_eq!(bits(short.at(index, time)), bits(general.at(index, time)));
                }
            }
        }
    }

    #[test]
    fn times_that_stand_still_or_differ_are_searched() {
        let speed = [50.0_f32; 3];
        let grid = |first: &[f64], second: &[f64]| {
            let input = Input {
                speeds: [
                    Some(Samples::new(first, &speed, 0.05)),
                    Some(Samples::new(second, &speed, 0.05)),
                    None,
                    None,
                ],
                ..Input::default()
            };
            Grid::new(&input).unwrap().aligned
        };
        assert!(grid(&[0.0, 0.1, 0.2], &[0.0, 0.1, 0.2]));
        assert!(!grid(&[0.0, 0.1, 0.2], &[0.0, 0.1, 0.3]));
        assert!(!grid(&[0.0, 0.1, 0.1], &[0.0, 0.1, 0.1]));
    }
}
