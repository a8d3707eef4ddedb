//! The measures drawn as one SVG: speeds over time with marked events, residual over the wheel's angle, order spectrum,
//! ratio with its interval. Readable without colour: every line has its own dashes and its wheel's name.

use std::fmt::Write as _;
use std::io::Write as _;

use tonering::place::Wheel;
use tonering::signal::Signals;
use tonering::wheel::Measures;

use super::super::output::Output;
use super::drawing;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 110.0;
/// Most points of a line: two for each pixel column, lowest and highest.
const COLUMNS: usize = 800;
const COLOURS: [&str; 4] = ["#1b4f9c", "#b5531c", "#2c7a4b", "#7a3b8f"];
const DASHES: [&str; 4] = ["", "8 3", "2 2", "9 3 2 3"];

/// A rectangle with axes.
#[derive(Clone, Copy, Debug)]
struct Panel {
    top: f64,
    height: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl Panel {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let wide = WIDTH - LEFT - RIGHT;
        (
            LEFT + (x - self.x.0) / (self.x.1 - self.x.0) * wide,
            self.top + self.height - (y - self.y.0) / (self.y.1 - self.y.0) * self.height,
        )
    }

    fn frame(&self, svg: &mut String, title: &str, x_label: &str, y_label: &str) {
        let right = WIDTH - RIGHT;
        let bottom = self.top + self.height;
        let _ = write!(
            svg,
            "<rect x=\"{LEFT}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" stroke=\"#444\"/>\n<text x=\"{LEFT}\" y=\"{:.1}\" font-weight=\"bold\">{title}</text>\n<text x=\"{right}\" y=\"{:.1}\" text-anchor=\"end\">{x_label}</text>\n<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{y_label}</text>\n",
            self.top,
            right - LEFT,
            self.height,
            self.top - 8.0,
            bottom + 32.0,
            LEFT - 6.0,
            self.top - 8.0,
        );
        for part in 0..=4 {
            let share = f64::from(part) / 4.0;
            let x = self.x.0 + share * (self.x.1 - self.x.0);
            let y = self.y.0 + share * (self.y.1 - self.y.0);
            let (px, _) = self.at(x, self.y.0);
            let (_, py) = self.at(self.x.0, y);
            let _ = write!(
                svg,
                "<text x=\"{px:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>\n<line x1=\"{LEFT}\" x2=\"{right}\" y1=\"{py:.1}\" y2=\"{py:.1}\" stroke=\"#ddd\"/>\n",
                bottom + 16.0,
                number(x),
                LEFT - 6.0,
                py + 4.0,
                number(y)
            );
        }
    }

    fn line(&self, svg: &mut String, points: &[(f64, f64)], wheel: usize) {
        let mut pen_down = false;
        let mut path = String::new();
        for &(x, y) in points {
            if !(x.is_finite() && y.is_finite()) {
                pen_down = false;
                continue;
            }
            let (px, py) = self.at(x, y.clamp(self.y.0, self.y.1));
            let _ = write!(path, "{}{px:.1} {py:.1}", if pen_down { 'L' } else { 'M' });
            pen_down = true;
        }
        let _ = writeln!(
            svg,
            "<path d=\"{path}\" fill=\"none\" stroke=\"{}\" stroke-dasharray=\"{}\"/>",
            COLOURS[wheel], DASHES[wheel]
        );
    }
}

fn number(value: f64) -> String {
    let digits = match value.abs() {
        0.0..1.0 => 2,
        1.0..10.0 => 1,
        _ => 0,
    };
    format!("{value:.digits$}")
}

pub(super) fn write(
    signals: &Signals,
    measures: &Measures,
    output: &mut Output,
) -> anyhow::Result<()> {
    let mut svg = String::new();
    let _ = writeln!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} 1080\" font-family=\"sans-serif\" font-size=\"12\">\n<rect width=\"{WIDTH}\" height=\"1080\" fill=\"white\"/>"
    );
    legend(&mut svg);
    speeds(&mut svg, signals, measures);
    residuals(&mut svg, measures);
    spectra(&mut svg, measures);
    ratios(&mut svg, measures);
    svg.push_str("</svg>\n");
    output.write_all(svg.as_bytes())?;
    Ok(())
}

fn legend(svg: &mut String) {
    for wheel in Wheel::ALL {
        let index = wheel.index();
        let y = 50.0 + 20.0 * f64::from(u8::try_from(index).unwrap_or(0));
        let x = WIDTH - RIGHT + 8.0;
        let _ = writeln!(
            svg,
            "<line x1=\"{x}\" x2=\"{:.0}\" y1=\"{y}\" y2=\"{y}\" stroke=\"{}\" stroke-dasharray=\"{}\"/><text x=\"{:.0}\" y=\"{:.0}\">{}</text>",
            x + 26.0,
            COLOURS[index],
            DASHES[index],
            x + 30.0,
            y + 4.0,
            wheel.words()
        );
    }
}

fn speeds(svg: &mut String, signals: &Signals, measures: &Measures) {
    let Some(span) = drawing::span(signals.speeds.iter().flatten()) else {
        return;
    };
    let top = measures
        .wheels
        .iter()
        .flatten()
        .map(|wheel| wheel.top_kmh)
        .fold(1.0, f64::max);
    let panel = Panel {
        top: 40.0,
        height: 280.0,
        x: (0.0, span.1 - span.0),
        y: (0.0, top * 1.05),
    };
    panel.frame(
        svg,
        "Speeds; a mark is an event that no sound wheel makes",
        "s from the start",
        "km/h",
    );
    for wheel in Wheel::ALL {
        if let Some(trace) = &signals.speeds[wheel.index()] {
            let points = thinned(&trace.time_s, &trace.value, span);
            panel.line(svg, &points, wheel.index());
        }
        let Some(found) = &measures.wheels[wheel.index()] else {
            continue;
        };
        for named in found.all() {
            let Some(made) = named.measured.made().filter(|_| named.measured.is_shown()) else {
                continue;
            };
            for &time in &made.times_s {
                let (x, _) = panel.at((time - span.0).clamp(panel.x.0, panel.x.1), 0.0);
                let y =
                    panel.top + 10.0 + 12.0 * f64::from(u8::try_from(wheel.index()).unwrap_or(0));
                let _ = writeln!(
                    svg,
                    "<path d=\"M{x:.1} {y:.1}l-4 -8h8z\" fill=\"{}\"><title>{}: {}</title></path>",
                    COLOURS[wheel.index()],
                    wheel.words(),
                    named.name
                );
            }
        }
    }
}

/// Lowest and highest value of each pixel column; a gap breaks the line.
fn thinned(time_s: &[f64], value: &[f32], span: (f64, f64)) -> Vec<(f64, f64)> {
    let width = (span.1 - span.0) / 800.0;
    let mut points = Vec::with_capacity(2 * COLUMNS);
    let mut open: Option<(f64, f64, f64)> = None;
    let mut last = f64::NAN;
    for (&time, &value) in time_s.iter().zip(value) {
        let (time, value) = (time - span.0, f64::from(value));
        if !time.is_finite() || time < last {
            continue;
        }
        let gap = time - last > (3.0 * width).max(1.5);
        last = time;
        match &mut open {
            Some((start, low, high)) if time - *start < width && value.is_finite() && !gap => {
                *low = low.min(value);
                *high = high.max(value);
            }
            _ => {
                if let Some((start, low, high)) = open.take() {
                    points.extend([(start, low), (start, high)]);
                }
                if gap || !value.is_finite() {
                    points.push((f64::NAN, f64::NAN));
                }
                open = value.is_finite().then_some((time, value, value));
            }
        }
    }
    if let Some((start, low, high)) = open {
        points.extend([(start, low), (start, high)]);
    }
    points
}

fn residuals(svg: &mut String, measures: &Measures) {
    let all = || {
        measures
            .wheels
            .iter()
            .flatten()
            .flat_map(|wheel| &wheel.residual)
    };
    let most = all()
        .map(|point| 100.0 * point.residual.abs())
        .fold(0.5, f64::max)
        .min(60.0);
    let panel = Panel {
        top: 390.0,
        height: 180.0,
        x: (0.0, 12.0),
        y: (-most, most),
    };
    panel.frame(
        svg,
        "Residual over the wheel's angle",
        "turns of the wheel",
        "%",
    );
    for wheel in Wheel::ALL {
        if let Some(found) = &measures.wheels[wheel.index()] {
            let points: Vec<(f64, f64)> = found
                .residual
                .iter()
                .map(|point| (point.turn.min(12.0), 100.0 * point.residual))
                .collect();
            panel.line(svg, &points, wheel.index());
        }
    }
}

fn spectra(svg: &mut String, measures: &Measures) {
    let all = || {
        measures
            .wheels
            .iter()
            .flatten()
            .flat_map(|wheel| &wheel.spectrum)
    };
    let most = all().map(|line| 100.0 * line.amplitude).fold(0.5, f64::max);
    let panel = Panel {
        top: 640.0,
        height: 180.0,
        x: (0.5, 4.5),
        y: (0.0, most * 1.05),
    };
    panel.frame(svg, "Order spectrum: 1 is once per turn", "order", "%");
    for wheel in Wheel::ALL {
        if let Some(found) = &measures.wheels[wheel.index()] {
            let points: Vec<(f64, f64)> = found
                .spectrum
                .iter()
                .map(|line| (line.order, 100.0 * line.amplitude))
                .collect();
            panel.line(svg, &points, wheel.index());
        }
    }
}

fn ratios(svg: &mut String, measures: &Measures) {
    let made = |wheel: Wheel| measures.wheels[wheel.index()].as_ref()?.ratio.made();
    let most = Wheel::ALL
        .into_iter()
        .filter_map(made)
        .map(|made| 100.0 * (made.value.abs() + made.uncertainty))
        .fold(5.0, f64::max);
    let panel = Panel {
        top: 890.0,
        height: 140.0,
        x: (-most, most),
        y: (0.0, 4.0),
    };
    panel.frame(
        svg,
        "Speed against the other wheels on straight stretches, with its 95 % interval",
        "% faster",
        "",
    );
    for wheel in Wheel::ALL {
        let y = 3.5 - f64::from(u8::try_from(wheel.index()).unwrap_or(0));
        let Some(made) = made(wheel) else {
            let (x, py) = panel.at(0.0, y);
            let _ = writeln!(
                svg,
                "<text x=\"{x:.1}\" y=\"{py:.1}\">{}: not measured</text>",
                wheel.words()
            );
            continue;
        };
        let (low, py) = panel.at(100.0 * (made.value - made.uncertainty), y);
        let (high, _) = panel.at(100.0 * (made.value + made.uncertainty), y);
        let (middle, _) = panel.at(100.0 * made.value, y);
        let _ = writeln!(
            svg,
            "<line x1=\"{low:.1}\" x2=\"{high:.1}\" y1=\"{py:.1}\" y2=\"{py:.1}\" stroke=\"{0}\" stroke-width=\"3\"/><circle cx=\"{middle:.1}\" cy=\"{py:.1}\" r=\"4\" fill=\"{0}\"/><text x=\"{1:.1}\" y=\"{2:.1}\">{3}</text>",
            COLOURS[wheel.index()],
            high + 8.0,
            py + 4.0,
            wheel.words()
        );
    }
}
