//! `--find`: where the wheel speeds may be.

use std::fmt::Write as _;
use std::io::Write as _;

use anyhow::bail;
use serde_json::{Value, json};
use tonering::capture::Item;
use tonering::place::Wheel;
use tonering::signal::find::{Candidate, Finder};
use tonering::signal::profile::Profile;
use tonering::signal::{Carrier, Extractor, SignalSource};

use super::super::console::Console;
use super::super::output::Output;
use super::super::{input, wrap};
use super::{Args, Format, Taken, each};

/// Columns of a remark in a written profile.
const FILE_WIDTH: usize = 110;

/// Searches the captures, as one; true when nothing was lost.
pub(super) fn run(args: &Args, console: Console, output: &mut Output) -> anyhow::Result<bool> {
    let mut finder = Finder::new();
    let mut sound = true;
    for path in &args.captures {
        sound &= each(path, &Profile::default(), true, console, |taken| {
            match taken {
                Taken::Frame(frame) => finder.push_frame(frame),
                Taken::Answer { payload, time, .. } => finder.push_answer(payload, time),
            }
            Ok(())
        })?;
    }
    let mut candidates = finder.finish();
    if let Some(best) = candidates.first_mut().filter(|best| !best.scale_known) {
        count_turns(args, console, best)?;
    }
    match args.format {
        Format::Json => {
            let found: Vec<Value> = candidates.iter().map(as_json).collect();
            serde_json::to_writer(&mut *output, &json!({ "candidates": found }))?;
            output.write_all(b"\n")?;
        }
        Format::Yaml => {
            let Some(best) = candidates.first() else {
                bail!(
                    "nothing in the capture moves as the four wheels of one vehicle do: a longer drive with bends helps"
                );
            };
            profile(best, output)?;
        }
        Format::Text | Format::Csv => text(&candidates, console, output)?,
    }
    Ok(sound)
}

/// Reads the captures once more, to weigh a guessed scale by the turns of the wheels. What comes through a pipe is gone.
fn count_turns(args: &Args, console: Console, best: &mut Candidate) -> anyhow::Result<()> {
    if let [path] = &args.captures[..]
        && input::can_be_read_again(path)
    {
        let profile = best.profile("");
        let mut extractor = Extractor::new(&profile);
        let mut capture = input::capture(path)?;
        // What is wrong with the capture was told when it was read first.
        input::each_item(&mut capture, console, &mut |_| {}, |item| {
            if let Item::Can(frame) = item {
                extractor.push_frame(frame);
            }
            Ok(())
        })?;
        let signals = extractor.finish();
        if let [Some(a), Some(b), Some(c), Some(d)] = &signals.speeds {
            best.weigh_by_turns([a, b, c, d]);
        }
    }
    Ok(())
}

/// The profile as a file, with what is not known in front of it.
fn profile(best: &Candidate, output: &mut Output) -> anyhow::Result<()> {
    let name = if best.scale_known {
        "Found in a capture"
    } else {
        "Found in a capture, km/h assumed"
    };
    let sure = best.speeds.iter().map(|found| found.confidence);
    let mut remarks = vec![
        format!(
            "Found by a search, {:.0} % sure that these are the wheel speeds.",
            100.0 * best.score
        ),
        format!(
            "Which wheel is which: {:.0} % sure. Drive a left turn: the left wheels must be the slower ones.",
            100.0 * sure.fold(1.0, f64::min)
        ),
    ];
    remarks.push(scale(best));
    for remark in remarks {
        let mut lines = Vec::new();
        wrap::item(&mut lines, "# ", &remark, FILE_WIDTH)?;
        for (number, line) in String::from_utf8_lossy(&lines).lines().enumerate() {
            let line = line.trim_start_matches(['#', ' ']);
            let indent = if number == 0 { "# " } else { "#   " };
            writeln!(output, "{indent}{line}")?;
        }
    }
    output.write_all(best.profile(name).to_yaml().as_bytes())?;
    Ok(())
}

/// What is known of the scale.
fn scale(candidate: &Candidate) -> String {
    let sure = 100.0 * candidate.scale_confidence;
    if candidate.scale_known {
        return format!("The scale is that of the reported vehicle speed ({sure:.0} % sure).");
    }
    let mut words = format!(
        "The scale is NOT KNOWN: {} km/h per bit is assumed ({sure:.0} % sure), because nothing in the capture reports a speed.",
        candidate.speeds[0].source.factor
    );
    let others: Vec<String> = candidate
        .other_scales()
        .map(|(factor, sure)| format!("{} ({:.0} %)", significant(factor), 100.0 * sure))
        .collect();
    if !others.is_empty() {
        let _ = write!(words, " It may as well be {}.", others.join(", "));
    }
    words.push_str(
        " What compares the wheels with each other holds at any scale; km/h, metres and m/s² do not. Record again with PID 0x0D asked for, \
         or drive at a speed that is known.",
    );
    words
}

/// Four significant digits.
fn significant(value: f64) -> f64 {
    let digits = 10_f64.powf(3.0 - value.abs().max(1e-12).log10().floor());
    (value * digits).round() / digits
}

fn text(candidates: &[Candidate], console: Console, output: &mut Output) -> anyhow::Result<()> {
    let width = console.width.clamp(60, 120);
    let mut page = Vec::new();
    if candidates.is_empty() {
        wrap::put(
            &mut page,
            "Nothing in the capture moves as the four wheels of one vehicle do. A drive of some minutes with bends and a stop helps.",
            width,
            0,
        )?;
    }
    for (place, candidate) in candidates.iter().enumerate() {
        let beginning = format!("{}. ", place + 1);
        let words = format!("{:.0} % sure: {}", 100.0 * candidate.score, candidate.why);
        wrap::item(&mut page, &beginning, &words, width)?;
        for (wheel, found) in Wheel::ALL.into_iter().zip(&candidate.speeds) {
            let source = &found.source;
            let beginning = format!("   {:12} ", wheel.words());
            let words = format!(
                "{}, start bit {}, {} bits, {}, {} km/h per bit, offset {} ({:.0} % sure of the wheel)",
                carrier(source),
                source.field.start_bit(),
                source.field.length(),
                source.field.byte_order().id(),
                source.factor,
                source.offset,
                100.0 * found.confidence
            );
            wrap::item(&mut page, &beginning, &words, width)?;
        }
        wrap::item(&mut page, "   ", &scale(candidate), width)?;
    }
    if !candidates.is_empty() {
        writeln!(
            page,
            "\nThe first as a profile: tonering wheels --find --format yaml"
        )?;
    }
    let mut page = String::from_utf8_lossy(&page).into_owned();
    if !console.unicode {
        page = page.replace("m/s²", "m/s2");
    }
    output.write_all(page.as_bytes())?;
    Ok(())
}

fn carrier(source: &SignalSource) -> String {
    match source.carrier {
        Carrier::Frame(id) => format!("frame {id}"),
        Carrier::Identifier { did, .. } => format!("identifier 0x{did:04X}"),
        Carrier::Parameter(pid) => format!("parameter 0x{pid:02X}"),
    }
}

fn as_json(candidate: &Candidate) -> Value {
    let mut speeds = serde_json::Map::new();
    for (wheel, found) in Wheel::ALL.into_iter().zip(&candidate.speeds) {
        let source = &found.source;
        let mut signal = serde_json::Map::new();
        match source.carrier {
            Carrier::Frame(id) => {
                signal.insert("frame".to_owned(), json!(id.to_string()));
                if id.is_extended() {
                    signal.insert("extended_id".to_owned(), json!(true));
                }
            }
            Carrier::Identifier { did, .. } => {
                signal.insert("did".to_owned(), json!(format!("0x{did:04X}")));
            }
            Carrier::Parameter(pid) => {
                signal.insert("pid".to_owned(), json!(format!("0x{pid:02X}")));
            }
        }
        signal.insert("start_bit".to_owned(), json!(source.field.start_bit()));
        signal.insert("length".to_owned(), json!(source.field.length()));
        signal.insert(
            "byte_order".to_owned(),
            json!(source.field.byte_order().id()),
        );
        signal.insert("factor".to_owned(), json!(source.factor));
        signal.insert("offset".to_owned(), json!(source.offset));
        signal.insert(
            "unit".to_owned(),
            json!(source.unit.map_or("km/h", tonering::signal::Unit::id)),
        );
        if !source.invalid.is_empty() {
            let invalid: Vec<String> = source
                .invalid
                .iter()
                .map(|raw| format!("0x{raw:X}"))
                .collect();
            signal.insert("invalid".to_owned(), json!(invalid));
        }
        signal.insert("confidence".to_owned(), json!(rounded(found.confidence)));
        speeds.insert(wheel.id().to_owned(), Value::Object(signal));
    }
    let others: Vec<Value> = candidate
        .other_scales()
        .map(|(factor, sure)| json!({ "factor": significant(factor), "confidence": rounded(sure) }))
        .collect();
    json!({
        "score": rounded(candidate.score),
        "speeds": speeds,
        "why": candidate.why,
        "scale_known": candidate.scale_known,
        "scale_confidence": rounded(candidate.scale_confidence),
        "scale_others": others,
    })
}

fn rounded(share: f64) -> f64 {
    (share * 1e4).round() / 1e4
}
