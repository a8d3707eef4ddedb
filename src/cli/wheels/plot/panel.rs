//! A rectangle with axes, drawn as SVG: round numbers at the ticks, lines that every wheel has its own dashes for.

use std::fmt::Write as _;

/// Width of the whole drawing.
pub(super) const WIDTH: f64 = 960.0;
/// Left edge of every panel.
pub(super) const LEFT: f64 = 84.0;
/// Right edge of every panel.
pub(super) const RIGHT: f64 = 940.0;
pub(super) const COLOURS: [&str; 4] = ["#1b4f9c", "#b5531c", "#2c7a4b", "#7a3b8f"];
pub(super) const DASHES: [&str; 4] = ["none", "8 3", "2 2", "9 3 2 3"];

/// Where a panel is and what it spans.
#[derive(Clone, Copy, Debug)]
pub(super) struct Panel {
    pub(super) top: f64,
    pub(super) height: f64,
    pub(super) x: (f64, f64),
    pub(super) y: (f64, f64),
}

impl Panel {
    /// Place of a value on the x axis; what lies outside is put on the edge.
    pub(super) fn x(&self, value: f64) -> f64 {
        LEFT + share(value, self.x) * (RIGHT - LEFT)
    }

    /// Place of a value on the y axis.
    pub(super) fn y(&self, value: f64) -> f64 {
        self.top + self.height - share(value, self.y) * self.height
    }

    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// The rectangle and its title.
    pub(super) fn frame(&self, svg: &mut String, title: &str) {
        let _ = writeln!(
            svg,
            "<rect x=\"{LEFT}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" class=\"frame\"/>\n<text x=\"{LEFT}\" y=\"{:.1}\" class=\"title\">{title}</text>",
            self.top,
            RIGHT - LEFT,
            self.height,
            self.top - 10.0,
        );
    }

    /// Ticks, grid and name of the x axis.
    pub(super) fn x_axis(&self, svg: &mut String, ticks: Ticks, name: &str) {
        let (top, bottom) = (self.top, self.bottom());
        for (value, label) in ticks.within(self.x) {
            let x = self.x(value);
            let _ = writeln!(
                svg,
                "<path d=\"M{x:.1} {top:.1}V{bottom:.1}\" class=\"grid\"/><text x=\"{x:.1}\" y=\"{:.1}\" class=\"middle\">{label}</text>",
                bottom + 16.0,
            );
        }
        let _ = writeln!(
            svg,
            "<text x=\"{RIGHT}\" y=\"{:.1}\" class=\"end\">{name}</text>",
            bottom + 32.0
        );
    }

    /// Ticks, grid and unit of the y axis.
    pub(super) fn y_axis(&self, svg: &mut String, ticks: Ticks, unit: &str) {
        for (value, label) in ticks.within(self.y) {
            let y = self.y(value);
            let _ = writeln!(
                svg,
                "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" class=\"grid\"/><text x=\"{:.1}\" y=\"{:.1}\" class=\"end\">{label}</text>",
                LEFT - 6.0,
                y + 4.0,
            );
        }
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" class=\"end\">{unit}</text>",
            LEFT - 6.0,
            self.top - 10.0,
        );
    }

    /// A wheel's line; what is no number breaks it.
    pub(super) fn line(
        &self,
        svg: &mut String,
        points: impl IntoIterator<Item = (f64, f64)>,
        wheel: usize,
    ) {
        let mut pen_down = false;
        let mut path = String::new();
        for (x, y) in points {
            if !(x.is_finite() && y.is_finite()) {
                pen_down = false;
                continue;
            }
            let letter = if pen_down { 'L' } else { 'M' };
            let _ = write!(path, "{letter}{:.1} {:.1}", self.x(x), self.y(y));
            pen_down = true;
        }
        if !path.is_empty() {
            let _ = writeln!(
                svg,
                "<path d=\"{path}\" fill=\"none\" stroke=\"{}\" stroke-dasharray=\"{}\"/>",
                COLOURS[wheel], DASHES[wheel]
            );
        }
    }
}

/// Share of the way from the first to the second, 0 to 1.
fn share(value: f64, (from, to): (f64, f64)) -> f64 {
    ((value - from) / (to - from)).clamp(0.0, 1.0)
}

/// Round numbers along an axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ticks {
    step: f64,
}

impl Ticks {
    /// Every so much.
    pub(super) const fn every(step: f64) -> Self {
        Self { step }
    }

    /// 1, 2 or 5 times a power of ten apart, so that at most `most` steps make up the span.
    pub(super) fn for_span(span: f64, most: f64) -> Self {
        let least = (span / most).max(f64::MIN_POSITIVE);
        let power = 10_f64.powf(least.log10().floor());
        let factor = [1.0, 2.0, 5.0]
            .into_iter()
            .find(|factor| factor * power >= least * (1.0 - 1e-9))
            .unwrap_or(10.0);
        Self {
            step: factor * power,
        }
    }

    /// The next tick not below a value.
    pub(super) fn above(self, value: f64) -> f64 {
        (value / self.step - 1e-9).ceil() * self.step
    }

    /// The ticks from one value to the other, with their labels.
    fn within(self, (from, to): (f64, f64)) -> impl Iterator<Item = (f64, String)> {
        let Self { step } = self;
        let first = (from / step - 1e-9).ceil();
        let digits =
            usize::from(step < 0.99) + usize::from(step < 0.099) + usize::from(step < 0.0099);
        (0..100_u8)
            .map(move |index| (first + f64::from(index)) * step)
            .take_while(move |value| *value <= to + 1e-9 * step)
            // Zero has no sign.
            .map(move |value| (value, format!("{:.digits$}", value + 0.0)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(ticks: Ticks, span: (f64, f64)) -> Vec<String> {
        ticks.within(span).map(|(_, label)| label).collect()
    }

    #[test]
    fn ticks_are_round_numbers_within_the_span() {
        let speeds = Ticks::for_span(64.0, 6.0);
        assert!((speeds.above(64.0) - 80.0).abs() < 1e-9);
        assert_eq!(labels(speeds, (0.0, 80.0)), ["0", "20", "40", "60", "80"]);
        let shares = Ticks::for_span(0.53, 5.0);
        assert_eq!(labels(shares, (-0.2, 0.41)), ["-0.2", "0.0", "0.2", "0.4"]);
        assert_eq!(
            labels(Ticks::for_span(10.0, 4.0), (-5.0, 5.0)),
            ["-5", "0", "5"]
        );
        assert_eq!(labels(Ticks::every(1.0), (0.5, 4.5)), ["1", "2", "3", "4"]);
        assert_eq!(labels(Ticks::for_span(0.0, 4.0), (0.0, 0.0)).len(), 1);
    }
}
