//! The measures drawn as one SVG: speeds over time with marked events, residual over the wheel's angle, order spectrum,
//! ratio with its interval. Readable without colour: every line has its own dashes, every event its letter.

mod panel;

use std::fmt::Write as _;
use std::io::Write as _;

use tonering::place::Wheel;
use tonering::report::escape::html::html;
use tonering::signal::Signals;
use tonering::wheel::{Measures, WheelMeasures};

use super::super::output::Output;
use super::drawing;
use panel::{COLOURS, DASHES, LEFT, Panel, RIGHT, Ticks, WIDTH};

const HEIGHT: f64 = 1130.0;
/// Slots of a line: in each the lowest and the highest value are drawn.
const SLOTS: f64 = 800.0;
/// Height of a wheel's row of events.
const ROW: f64 = 16.0;
/// Letters in it.
const EVENTS: u8 = 95;
/// How many turns of a wheel are drawn.
const TURNS: f64 = 12.0;
const STYLE: &str = "text{fill:#222}.title{font-weight:bold}.frame{fill:none;stroke:#666}.grid{stroke:#ddd}.zero{stroke:#888}\
.end{text-anchor:end}.middle{text-anchor:middle}.event{text-anchor:middle;font-weight:bold}.quiet{fill:#666}";

/// Draws the measures of the capture of this name.
pub(super) fn write(
    name: &str,
    signals: &Signals,
    measures: &Measures,
    output: &mut Output,
) -> anyhow::Result<()> {
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" font-size=\"12\">\n<style>{STYLE}</style>\n<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"white\"/>\n<text x=\"{LEFT}\" y=\"24\" class=\"title\" font-size=\"15\">"
    );
    html(name, &mut svg)?;
    svg.push_str("</text>\n");
    legend(&mut svg);
    speeds(&mut svg, signals, measures);
    residuals(&mut svg, measures);
    spectra(&mut svg, measures);
    ratios(&mut svg, measures);
    svg.push_str("</svg>\n");
    output.write_all(svg.as_bytes())?;
    Ok(())
}

/// The wheels that have a signal.
fn present(measures: &Measures) -> impl Iterator<Item = (Wheel, &WheelMeasures)> {
    let found = |wheel: Wheel| measures.wheels[wheel.index()].as_ref();
    Wheel::ALL
        .into_iter()
        .filter_map(move |wheel| Some((wheel, found(wheel)?)))
}

/// Which of four rows is a wheel's.
fn row(wheel: Wheel) -> f64 {
    f64::from(u8::try_from(wheel.index()).unwrap_or(0))
}

fn legend(svg: &mut String) {
    for wheel in Wheel::ALL {
        let x = LEFT + 130.0 * row(wheel);
        let _ = writeln!(
            svg,
            "<path d=\"M{x} 44h30\" stroke=\"{}\" stroke-width=\"2\" stroke-dasharray=\"{}\"/><text x=\"{}\" y=\"48\">{}</text>",
            COLOURS[wheel.index()],
            DASHES[wheel.index()],
            x + 36.0,
            wheel.words()
        );
    }
}

fn speeds(svg: &mut String, signals: &Signals, measures: &Measures) {
    let Some(span) = drawing::span(signals.speeds.iter().flatten()) else {
        return;
    };
    let top = present(measures)
        .map(|(_, wheel)| wheel.top_kmh)
        .fold(1.0, f64::max);
    let ticks = Ticks::for_span(top, 6.0);
    let panel = Panel {
        top: 86.0,
        height: 260.0,
        x: (0.0, span.1 - span.0),
        y: (0.0, ticks.above(top)),
    };
    panel.frame(svg, "Speeds, and what no sound wheel does");
    panel.y_axis(svg, ticks, "km/h");
    let times = Ticks::for_span(panel.x.1, 10.0);
    panel.x_axis(svg, times, "s from the start");
    for wheel in Wheel::ALL {
        if let Some(trace) = &signals.speeds[wheel.index()] {
            let points = thinned(&trace.time_s, &trace.value, span);
            panel.line(svg, points, wheel.index());
        }
    }
    events(svg, measures, &panel, span);
}

/// A row of letters for each wheel, under the speeds.
fn events(svg: &mut String, measures: &Measures, speeds: &Panel, span: (f64, f64)) {
    let top = speeds.top + speeds.height + 44.0;
    for (wheel, found) in present(measures) {
        let y = top + ROW * row(wheel);
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" class=\"end\">{}</text><path d=\"M{LEFT} {y:.1}H{RIGHT}\" class=\"grid\"/>",
            LEFT - 6.0,
            y + 4.0,
            wheel.words()
        );
        // Letter by letter, so that none depends on the reader's font.
        let marks = drawing::marks(found, span, usize::from(EVENTS));
        for (place, letter) in (0_u8..).zip(marks.chars()) {
            let x = LEFT + (f64::from(place) + 0.5) * (RIGHT - LEFT) / f64::from(EVENTS);
            if letter != ' ' {
                let _ = writeln!(
                    svg,
                    "<text x=\"{x:.1}\" y=\"{:.1}\" class=\"event\" style=\"fill:{}\">{letter}</text>",
                    y + 4.0,
                    COLOURS[wheel.index()],
                );
            }
        }
    }
    let _ = writeln!(
        svg,
        "<text x=\"{LEFT}\" y=\"{:.1}\" class=\"quiet\">{}</text>",
        top + 4.0 * ROW + 4.0,
        drawing::legend()
    );
}

/// Lowest and highest value of each pixel column; a gap breaks the line.
fn thinned(time_s: &[f64], value: &[f32], span: (f64, f64)) -> Vec<(f64, f64)> {
    let width = (span.1 - span.0) / SLOTS;
    let mut points = Vec::new();
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

/// What belongs into a panel in which there is nothing to draw.
fn nothing(svg: &mut String, panel: &Panel, measures: &Measures) {
    let mut orders = present(measures).flat_map(|(_, wheel)| &wheel.orders);
    let reason = orders.find_map(|order| order.reason());
    let (x, y) = (f64::midpoint(LEFT, RIGHT), panel.top + panel.height / 2.0);
    let _ = writeln!(
        svg,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"middle\">{}</text>",
        reason.unwrap_or("no wheel-speed signal")
    );
}

fn residuals(svg: &mut String, measures: &Measures) {
    let all = || present(measures).flat_map(|(_, wheel)| &wheel.residual);
    let most = all()
        .map(|point| 100.0 * point.residual.abs())
        .fold(0.5, f64::max)
        .min(60.0);
    let ticks = Ticks::for_span(2.0 * most, 6.0);
    let panel = Panel {
        top: 520.0,
        height: 150.0,
        x: (0.0, TURNS),
        y: (-ticks.above(most), ticks.above(most)),
    };
    panel.frame(
        svg,
        "Difference from the other wheels over the wheel's angle, where it returns most strongly",
    );
    panel.y_axis(svg, ticks, "%");
    panel.x_axis(svg, Ticks::every(1.0), "turns of the wheel");
    if all().next().is_none() {
        nothing(svg, &panel, measures);
    }
    for (wheel, found) in present(measures) {
        let points = found.residual.iter();
        let points = points.take_while(|point| point.turn <= TURNS);
        let points = points.map(|point| (point.turn, 100.0 * point.residual));
        panel.line(svg, points, wheel.index());
    }
}

fn spectra(svg: &mut String, measures: &Measures) {
    let all = || present(measures).flat_map(|(_, wheel)| &wheel.spectrum);
    let most = all().map(|line| 100.0 * line.amplitude).fold(0.5, f64::max);
    let ticks = Ticks::for_span(most, 5.0);
    let panel = Panel {
        top: 742.0,
        height: 150.0,
        x: (0.5, 4.5),
        y: (0.0, ticks.above(most)),
    };
    panel.frame(svg, "How strongly it returns so many times per turn");
    panel.y_axis(svg, ticks, "%");
    panel.x_axis(svg, Ticks::every(1.0), "times per turn (order)");
    if all().next().is_none() {
        nothing(svg, &panel, measures);
    }
    for (wheel, found) in present(measures) {
        let points = found.spectrum.iter();
        let points = points.map(|line| (line.order, 100.0 * line.amplitude));
        panel.line(svg, points, wheel.index());
    }
}

fn ratios(svg: &mut String, measures: &Measures) {
    let most = present(measures)
        .filter_map(|(_, wheel)| wheel.ratio.made())
        .map(|made| 100.0 * (made.value.abs() + made.uncertainty))
        .fold(2.0, f64::max);
    let ticks = Ticks::for_span(2.0 * most, 12.0);
    let panel = Panel {
        top: 964.0,
        height: 112.0,
        x: (-ticks.above(most), ticks.above(most)),
        y: (0.0, 4.0),
    };
    panel.frame(
        svg,
        "Speed against the other wheels on straight stretches, with its 95 % interval",
    );
    panel.x_axis(svg, ticks, "% faster");
    let zero = panel.x(0.0);
    let _ = writeln!(
        svg,
        "<path d=\"M{zero:.1} {}V{}\" class=\"zero\"/>",
        panel.top,
        panel.top + panel.height
    );
    for (wheel, found) in present(measures) {
        let y = panel.y(3.5 - row(wheel));
        let text = |svg: &mut String, x: f64, class: &str, words: &str| {
            let _ = writeln!(
                svg,
                "<text x=\"{x:.1}\" y=\"{:.1}\" class=\"{class}\">{words}</text>",
                y + 4.0
            );
        };
        text(svg, LEFT - 6.0, "end", wheel.words());
        let Some(made) = found.ratio.made() else {
            let reason = found.ratio.reason().unwrap_or("not measured");
            text(svg, LEFT + 8.0, "quiet", reason);
            continue;
        };
        let (value, half) = (100.0 * made.value, 100.0 * made.uncertainty);
        let high = panel.x(value + half);
        let _ = writeln!(
            svg,
            "<path d=\"M{:.1} {y:.1}H{high:.1}\" stroke=\"{2}\" stroke-width=\"3\"/><circle cx=\"{1:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"{2}\"/>",
            panel.x(value - half),
            panel.x(value),
            COLOURS[wheel.index()],
        );
        let words = format!("{value:.2} ±{half:.2}");
        // On the side on which there is room.
        if high < RIGHT - 90.0 {
            text(svg, high + 8.0, "", &words);
        } else {
            text(svg, panel.x(value - half) - 8.0, "end", &words);
        }
    }
}
