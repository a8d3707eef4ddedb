//! The measures as a table with a drawing, for a terminal of 60 columns or more.

use std::fmt::Write as _;
use std::io::Write;

use tonering::place::Wheel;
use tonering::signal::{Signals, Trace};
use tonering::wheel::{Made, Measured, Measures, Travel, Verdict};

use super::super::console::Console;
use super::super::wrap;
use super::{drawing, places};

/// Widest page: longer lines are hard to read.
const WIDEST: usize = 120;
/// Narrowest table.
const NARROWEST: usize = 60;

pub(super) fn write(
    name: &str,
    signals: &Signals,
    measures: &Measures,
    console: Console,
    output: &mut dyn Write,
) -> anyhow::Result<()> {
    let width = console.width.clamp(NARROWEST, WIDEST);
    let mut page = String::new();
    heading(&mut page, name, measures);
    draw(&mut page, signals, measures, console, width);
    table(&mut page, measures, width);
    let span = drawing::span(signals.speeds.iter().flatten());
    remarks(&mut page, measures, span.map_or(0.0, |span| span.0), width);
    if !console.unicode {
        page = page
            .replace('±', "~")
            .replace("m/s²", "m/s2")
            .replace('–', "-");
    }
    output.write_all(page.as_bytes())?;
    Ok(())
}

fn heading(page: &mut String, name: &str, measures: &Measures) {
    let drive = &measures.drive;
    let shown: String = name.chars().filter(|c| !c.is_control()).collect();
    let _ = writeln!(page, "{shown}");
    let _ = match drive.travel {
        Travel::Drove => writeln!(
            page,
            "Drove {:.0} m in {:.0} s, up to {:.0} km/h, {} {}; {:.0} s straight and steady.",
            drive.distance_m,
            drive.moving_s,
            drive.top_kmh,
            drive.stops,
            if drive.stops == 1 { "stop" } else { "stops" },
            drive.straight_s
        ),
        Travel::OnlySomeTurned => writeln!(
            page,
            "Only some wheels turned: on a lift, stuck, or with several dead signals. No drive to measure."
        ),
        Travel::Stood => writeln!(page, "The wheels stood."),
    };
}

fn draw(page: &mut String, signals: &Signals, measures: &Measures, console: Console, width: usize) {
    let traces = || signals.speeds.iter().flatten();
    let Some(span) = drawing::span(traces()) else {
        return;
    };
    let top = measures
        .wheels
        .iter()
        .flatten()
        .map(|wheel| wheel.top_kmh)
        .fold(1.0, f64::max);
    let strip_width = width - LABEL;
    let _ = writeln!(page);
    for wheel in Wheel::ALL {
        let trace: Option<&Trace> = signals.speeds[wheel.index()].as_ref();
        let (Some(trace), Some(found)) = (trace, &measures.wheels[wheel.index()]) else {
            let _ = writeln!(page, "{:LABEL$}no samples", wheel.words());
            continue;
        };
        let strip = drawing::strip(trace, span, top, strip_width, console.unicode);
        let _ = writeln!(page, "{:LABEL$}{}", wheel.words(), strip.trim_end());
        let marks = drawing::marks(found, span, strip_width);
        if !marks.is_empty() {
            let _ = writeln!(page, "{:LABEL$}{marks}", "");
        }
    }
    let scale = if console.unicode { "full height" } else { "9" };
    let _ = writeln!(
        page,
        "{:LABEL$}{:.0} s from left to right; {scale} is {top:.0} km/h; . stands",
        "",
        span.1 - span.0
    );
    let legend = wrap::lines(&drawing::legend(), LABEL, LABEL, width);
    let _ = writeln!(page, "{:LABEL$}{}", "", legend.join("\n"));
}

/// Columns of a wheel's name.
const LABEL: usize = 13;

fn table(page: &mut String, measures: &Measures, width: usize) {
    let present: Vec<Wheel> = Wheel::ALL
        .into_iter()
        .filter(|wheel| measures.wheels[wheel.index()].is_some())
        .collect();
    if present.is_empty() {
        let _ = writeln!(page, "No wheel-speed signal in the capture.");
        return;
    }
    let cell_width = if width >= 110 { 18 } else { 13 };
    let name_width = width - 4 * cell_width;
    let _ = write!(page, "\n{:name_width$}", "");
    for wheel in &present {
        let _ = write!(page, "{:>cell_width$}", wheel.words());
    }
    let _ = writeln!(page);
    let rows: Vec<Vec<(&str, &Measured)>> = present
        .iter()
        .filter_map(|wheel| measures.wheels[wheel.index()].as_ref())
        .map(|found| {
            found
                .all()
                .into_iter()
                .map(|named| (named.name, named.measured))
                .collect()
        })
        .collect();
    let _ = write!(page, "{:name_width$}", "samples");
    for wheel in &present {
        if let Some(found) = &measures.wheels[wheel.index()] {
            let _ = write!(page, "{:>cell_width$}", found.samples);
        }
    }
    let _ = writeln!(page);
    for row in 0..rows.first().map_or(0, Vec::len) {
        let cells: Vec<&Measured> = rows
            .iter()
            .filter_map(|wheel| Some(wheel.get(row)?.1))
            .collect();
        // What no wheel could show stands among the limits.
        if cells.iter().all(|cell| cell.made().is_none()) {
            continue;
        }
        let name = rows
            .first()
            .and_then(|wheel| wheel.get(row))
            .map_or("", |entry| entry.0);
        let mut lines = wrap::lines(name, 0, 0, name_width.saturating_sub(2)).into_iter();
        let _ = write!(page, "{:name_width$}", lines.next().unwrap_or_default());
        for cell in cells {
            let text = cell
                .made()
                .map_or_else(|| "-".to_owned(), |made| short(made, cell_width >= 18));
            let _ = write!(page, "{text:>cell_width$}");
        }
        let _ = writeln!(page);
        for line in lines {
            let _ = writeln!(page, "  {line}");
        }
    }
    let _ = writeln!(
        page,
        "\n! no sound wheel does this   ? more than usual   - could not be tested"
    );
}

fn mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Shown => "! ",
        Verdict::Unclear => "? ",
        Verdict::NotShown => "",
    }
}

/// A value with its unit; a plain share as per cent.
fn value(made: &Made) -> String {
    let (value, unit) = if made.unit.is_empty() {
        (100.0 * made.value, "%")
    } else {
        (made.value, made.unit)
    };
    let digits = match value.abs() {
        100.0.. => 0,
        10.0.. => 1,
        _ => 2,
    };
    // Long units belong into the row's name and the remarks.
    let unit = if unit.len() > 5 { "" } else { unit };
    let space = if unit.is_empty() || unit == "%" {
        ""
    } else {
        " "
    };
    let number = format!("{value:.digits$}");
    // A little below nothing is nothing.
    let number = match number.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|digit| matches!(digit, b'0' | b'.')) => digits,
        _ => &number,
    };
    format!("{number}{space}{unit}")
}

fn short(made: &Made, with_uncertainty: bool) -> String {
    let mut text = format!("{}{}", mark(made.verdict), value(made));
    if with_uncertainty && made.uncertainty > 0.0 {
        let half = if made.unit.is_empty() {
            100.0 * made.uncertainty
        } else {
            made.uncertainty
        };
        let digits = if half >= 10.0 { 0 } else { 2 };
        let _ = write!(text, " ±{half:.digits$}");
    }
    text
}

/// What was found, with its time from `start_s` on as in the drawing, and what could not be looked for.
fn remarks(page: &mut String, measures: &Measures, start_s: f64, width: usize) {
    let mut limits: Vec<(String, Vec<String>)> = Vec::new();
    let _ = writeln!(page);
    for (place, all) in places(measures) {
        for named in all {
            match named.measured {
                Measured::Made(made) if made.verdict == Verdict::Shown => {
                    let mut text = format!("! {place}: {} {}", named.name, value(made));
                    if let Some(note) = &made.note {
                        let _ = write!(text, " ({note})");
                    }
                    if let Some(first) = made.times_s.first() {
                        let _ = write!(text, "; first {:.1} s from the start", first - start_s);
                    }
                    put(page, &text, width);
                }
                // Nothing is missing where there was nothing to look at.
                Measured::Made(_) | Measured::Moot { .. } => {}
                Measured::NotMade { reason } => {
                    let what = format!("{}: {reason}", named.name);
                    match limits.iter_mut().find(|(known, _)| *known == what) {
                        Some((_, places)) => places.push(place.clone()),
                        None => limits.push((what, vec![place.clone()])),
                    }
                }
            }
        }
    }
    if limits.is_empty() {
        return;
    }
    let _ = writeln!(page, "\nWhat this capture could not show");
    for (what, places) in limits {
        let whose = match places.len() {
            4 => "all wheels".to_owned(),
            _ => places.join(", "),
        };
        put(page, &format!("- {whose}: {what}"), width);
    }
}

fn put(page: &mut String, text: &str, width: usize) {
    for line in wrap::lines(text, 0, 2, width) {
        let _ = writeln!(page, "{line}");
    }
}
