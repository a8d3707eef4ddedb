//! The four traces drawn in characters: one strip a wheel, marks of events beneath it.

use tonering::signal::Trace;
use tonering::wheel::{Made, Measured, WheelMeasures};

const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
const DIGITS: [char; 10] = ['0', '1', '2', '3', '4', '5', '6', '7', '8', '9'];

/// First and last time of the traces, in s.
pub(super) fn span<'a>(traces: impl Iterator<Item = &'a Trace>) -> Option<(f64, f64)> {
    let mut span: Option<(f64, f64)> = None;
    for time in traces.flat_map(|trace| trace.time_s.iter().copied()) {
        if time.is_finite() {
            span = Some(span.map_or((time, time), |(first, last)| {
                (first.min(time), last.max(time))
            }));
        }
    }
    span.filter(|(first, last)| last > first)
}

/// The slot of a time in a strip of this width.
fn slot(time: f64, (first, last): (f64, f64), width: usize) -> Option<usize> {
    let share = (time - first) / (last - first);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a few hundred columns; float to integer casts saturate"
    )]
    let at = (share * width as f64) as usize;
    share.is_finite().then(|| at.min(width.saturating_sub(1)))
}

/// The mean speed of each slot, as blocks or digits (tenths of `top_kmh`); `.` stands, a blank has no sample.
pub(super) fn strip(
    trace: &Trace,
    span: (f64, f64),
    top_kmh: f64,
    width: usize,
    unicode: bool,
) -> String {
    let mut sums = vec![(0.0_f64, 0_u32); width];
    for (&time, &speed) in trace.time_s.iter().zip(&trace.value) {
        if let Some((sum, count)) = slot(time, span, width).and_then(|at| sums.get_mut(at))
            && speed.is_finite()
        {
            *sum += f64::from(speed);
            *count += 1;
        }
    }
    let levels: &[char] = if unicode { &BLOCKS } else { &DIGITS };
    sums.iter()
        .map(|&(sum, count)| {
            if count == 0 {
                return ' ';
            }
            let mean = sum / f64::from(count);
            if mean < 0.5 {
                return '.';
            }
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                clippy::cast_precision_loss,
                reason = "eight or ten levels"
            )]
            let level = (mean / top_kmh.max(1.0) * levels.len() as f64) as usize;
            levels
                .get(level.min(levels.len() - 1))
                .copied()
                .unwrap_or(' ')
        })
        .collect()
}

/// A kind of event.
struct Mark {
    letter: char,
    words: &'static str,
    measures: fn(&WheelMeasures) -> Vec<&Measured>,
}

/// Every kind; where several are due at one place of a line of characters, the last is drawn.
const MARKS: [Mark; 6] = [
    Mark {
        letter: 'p',
        words: "per turn",
        measures: |wheel| {
            let orders = wheel.orders.iter();
            orders.chain([&wheel.dips_per_turn]).collect()
        },
    },
    Mark {
        letter: '^',
        words: "spike",
        measures: |wheel| vec![&wheel.spikes],
    },
    Mark {
        letter: '!',
        words: "jump",
        measures: |wheel| vec![&wheel.acceleration],
    },
    Mark {
        letter: 'w',
        words: "weak at stops",
        measures: |wheel| vec![&wheel.onset, &wheel.vanish],
    },
    Mark {
        letter: '=',
        words: "frozen",
        measures: |wheel| vec![&wheel.frozen_share],
    },
    Mark {
        letter: 'o',
        words: "no signal",
        measures: |wheel| vec![&wheel.dropout_share],
    },
];

/// What each mark means.
pub(super) fn legend() -> String {
    let words = MARKS.map(|mark| format!("{} {}", mark.letter, mark.words));
    words.join(", ")
}

/// The marks of what a wheel did and no sound wheel does, for as long as it lasted.
pub(super) fn marks(wheel: &WheelMeasures, span: (f64, f64), width: usize) -> String {
    let mut line = vec![' '; width];
    for mark in &MARKS {
        let shown = (mark.measures)(wheel).into_iter();
        let shown = shown.filter(|measured| measured.is_shown());
        for (time_s, lasted_s) in shown.filter_map(Measured::made).flat_map(Made::occasions) {
            let from = slot(time_s, span, width);
            let to = slot(time_s + lasted_s, span, width);
            if let (Some(from), Some(to)) = (from, to)
                && let Some(places) = line.get_mut(from..=to)
            {
                places.fill(mark.letter);
            }
        }
    }
    let text: String = line.into_iter().collect();
    text.trim_end().to_owned()
}
