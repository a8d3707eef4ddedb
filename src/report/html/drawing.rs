//! The wheels as drawn: paths for SVG in whole numbers, labels in words.
//!
//! All plots of a page share their scales, so that wheels can be compared at a glance. The SVG is stretched to its place
//! by the browser; labels stand beside it as text and keep their size.

use std::fmt::Write as _;

use crate::place::Place;
use crate::report::plot::{Column, Plot};
use crate::report::{CaptureLine, phrase};

/// Width of the drawing in its own units: the whole time.
const WIDTH: f64 = 10_000.0;
/// Height of the drawing in its own units: from nothing to the top of the scale.
const HEIGHT: f64 = 1_000.0;
/// Labels along the time, evenly spaced from start to end.
const TIMES: u32 = 5;
/// How many marked intervals are listed under a plot.
const MARKS: usize = 8;

/// All plots of a page.
#[derive(Debug)]
pub(in crate::report) struct Drawings {
    /// Seconds from the left to the right edge.
    pub(in crate::report) span_s: String,
    /// Time of the left edge as a person counts it, in seconds.
    pub(in crate::report) from_s: String,
    /// Value at the top of the scale.
    pub(in crate::report) top: String,
    /// Half of it.
    pub(in crate::report) half: String,
    /// Labels of the time.
    pub(in crate::report) times: Vec<String>,
    /// The plots.
    pub(in crate::report) plots: Vec<Drawing>,
}

/// A plot.
#[derive(Debug)]
pub(in crate::report) struct Drawing {
    /// Its title.
    pub(in crate::report) title: String,
    /// Its place, for the order on the page.
    pub(in crate::report) class: &'static str,
    /// Its unit.
    pub(in crate::report) unit: &'static str,
    /// What can be seen in it, for those who cannot see it.
    pub(in crate::report) words: String,
    /// The signal.
    pub(in crate::report) path: String,
    /// What it is compared with.
    pub(in crate::report) reference: String,
    /// Marked intervals.
    pub(in crate::report) marks: Vec<Band>,
    /// The marks as a list.
    pub(in crate::report) list: Vec<String>,
    /// How many more marks there are.
    pub(in crate::report) more: usize,
}

/// A marked interval as drawn.
#[derive(Debug)]
pub(in crate::report) struct Band {
    /// Left edge.
    pub(in crate::report) x: i64,
    /// Width.
    pub(in crate::report) width: i64,
    /// What is there, and when.
    pub(in crate::report) words: String,
}

impl Drawings {
    /// The plots of a recording, at least to the value `least_top`; `None` when there is nothing to draw.
    pub(in crate::report) fn new(
        plots: &[Plot],
        captures: &[CaptureLine],
        least_top: f64,
    ) -> Option<Self> {
        let columns = || columns(plots);
        let first = columns()
            .map(|column| column.time_s)
            .fold(f64::INFINITY, f64::min);
        let last = columns()
            .map(|column| column.time_s)
            .fold(f64::NEG_INFINITY, f64::max);
        if !(first.is_finite() && last > first) {
            return None;
        }
        let scale = Scale {
            from_s: first,
            span_s: last - first,
            top: top(highest(plots).max(least_top)),
            // Times are counted from the start of the first capture where that is where the drawing starts.
            zero_s: captures
                .iter()
                .filter_map(|capture| capture.first_s)
                .find(|&start| start <= first && first - start < last - first)
                .unwrap_or(first),
        };
        let times = (0..TIMES)
            .map(|at| {
                let share = f64::from(at) / f64::from(TIMES - 1);
                clock_face(scale.relative(first + share * scale.span_s))
            })
            .collect();
        Some(Self {
            span_s: format!("{:.3}", scale.span_s),
            from_s: format!("{:.3}", scale.relative(first)),
            top: phrase::number(scale.top),
            half: phrase::number(scale.top / 2.0),
            times,
            plots: plots.iter().map(|plot| scale.draw(plot)).collect(),
        })
    }
}

/// All columns of the plots, their references included.
fn columns(plots: &[Plot]) -> impl Iterator<Item = &Column> {
    plots
        .iter()
        .flat_map(|plot| plot.columns.iter().chain(&plot.reference))
}

/// The highest value that the plots show.
pub(in crate::report) fn highest(plots: &[Plot]) -> f64 {
    columns(plots)
        .map(|column| f64::from(column.high))
        .fold(0.0, f64::max)
}

/// Length of a bar for a share from 0 to 1, in hundredths; never so short that it cannot be seen.
pub(in crate::report) fn bar(share: f64) -> String {
    let length = (share.clamp(0.0, 1.0) * 100.0).max(if share > 0.0 { 0.5 } else { 0.0 });
    format!("{length:.1}")
}

/// The scales that all plots share.
#[derive(Clone, Copy, Debug)]
struct Scale {
    from_s: f64,
    span_s: f64,
    top: f64,
    zero_s: f64,
}

impl Scale {
    fn relative(self, time_s: f64) -> f64 {
        time_s - self.zero_s
    }

    fn x(self, time_s: f64) -> i64 {
        whole((time_s - self.from_s) / self.span_s * WIDTH, WIDTH)
    }

    fn y(self, value: f32) -> i64 {
        whole(HEIGHT - f64::from(value) / self.top * HEIGHT, HEIGHT)
    }

    fn draw(self, plot: &Plot) -> Drawing {
        let marks: Vec<Band> = plot
            .marks
            .iter()
            .map(|mark| {
                let x = self.x(mark.from_s);
                Band {
                    x,
                    width: (self.x(mark.to_s) - x).max(8),
                    words: format!(
                        "{} to {}: {}",
                        clock_face_fine(self.relative(mark.from_s)),
                        clock_face_fine(self.relative(mark.to_s)),
                        mark.words
                    ),
                }
            })
            .collect();
        let title = phrase::capital(&plot.title);
        let highest = plot
            .columns
            .iter()
            .map(|column| f64::from(column.high))
            .fold(0.0, f64::max);
        let words = format!(
            "{title}: speed over time, up to {} {}; {} marked.",
            phrase::number(highest),
            plot.unit,
            phrase::count(marks.len() as u64, "interval")
        );
        Drawing {
            title,
            class: match plot.place {
                Place::Wheel(wheel) => wheel.id(),
                Place::Axle(axle) => axle.id(),
                Place::Vehicle => "vehicle",
            },
            unit: plot.unit,
            words,
            path: self.path(&plot.columns),
            reference: self.path(&plot.reference),
            list: marks
                .iter()
                .take(MARKS)
                .map(|band| band.words.clone())
                .collect(),
            more: marks.len().saturating_sub(MARKS),
            marks,
        }
    }

    /// A line through the columns; where a column has several values, a stroke from the lowest to the highest.
    fn path(self, columns: &[Column]) -> String {
        let mut path = String::with_capacity(columns.len() * 14);
        let mut start = true;
        for column in columns {
            let (x, low, high) = (
                self.x(column.time_s),
                self.y(column.low),
                self.y(column.high),
            );
            let letter = if start || column.gap_before { 'M' } else { 'L' };
            start = false;
            // Writing to a String cannot fail.
            let _ = write!(path, "{letter}{x} {low}");
            if high != low || letter == 'M' {
                let _ = write!(path, "V{high}");
            }
        }
        path
    }
}

/// Rounded and kept on the drawing.
fn whole(value: f64, most: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "clamped to a few thousand; not a number becomes 0"
    )]
    {
        value.clamp(0.0, most).round() as i64
    }
}

/// The top of the scale: a round number not below the highest value.
fn top(highest: f64) -> f64 {
    const ROUND: [f64; 8] = [10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 150.0, 200.0];
    let above = ROUND.into_iter().find(|&round| highest <= round);
    above.unwrap_or_else(|| (highest / 100.0).ceil() * 100.0)
}

/// `2:33`, and hours where there are any.
fn clock_face(seconds: f64) -> String {
    let sign = if seconds < 0.0 { "−" } else { "" };
    let total = seconds.abs().round();
    let (hours, rest) = ((total / 3600.0).floor(), total % 3600.0);
    let (minutes, seconds) = ((rest / 60.0).floor(), rest % 60.0);
    if hours > 0.0 {
        format!("{sign}{hours:.0}:{minutes:02.0}:{seconds:02.0}")
    } else {
        format!("{sign}{minutes:.0}:{seconds:02.0}")
    }
}

/// `1:35.2`, with tenths of a second.
fn clock_face_fine(seconds: f64) -> String {
    let tenths = (seconds * 10.0).round();
    let whole = (tenths / 10.0).floor();
    format!("{}.{:.0}", clock_face(whole), tenths - whole * 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faces_of_the_clock() {
        assert_eq!(clock_face(153.2), "2:33");
        assert_eq!(clock_face(3725.0), "1:02:05");
        assert_eq!(clock_face_fine(95.24), "1:35.2");
        assert_eq!(clock_face_fine(59.96), "1:00.0");
    }

    #[test]
    fn a_gap_breaks_the_line_and_a_dip_is_a_stroke() {
        let column = |time_s, low, high, gap_before| Column {
            time_s,
            low,
            high,
            gap_before,
        };
        let scale = Scale {
            from_s: 0.0,
            span_s: 10.0,
            top: 100.0,
            zero_s: 0.0,
        };
        let path = scale.path(&[
            column(0.0, 50.0, 50.0, false),
            column(1.0, 0.0, 50.0, false),
            column(5.0, 60.0, 60.0, true),
        ]);
        assert_eq!(path, "M0 500V500L1000 1000V500M5000 400V400");
    }

    #[test]
    fn scales_end_at_round_numbers() {
        for (highest, expected) in [(0.0, "10"), (63.1, "80"), (100.0, "100"), (251.0, "300")] {
            assert_eq!(phrase::number(top(highest)), expected);
        }
    }
}
