//! `--find`: where the wheel speeds may be.

use std::io::Write as _;

use anyhow::bail;
use serde_json::{Value, json};
use tonering::place::Wheel;
use tonering::signal::find::{Candidate, Finder};
use tonering::signal::profile::Profile;
use tonering::signal::{Carrier, SignalSource};

use super::super::console::Console;
use super::super::output::Output;
use super::{Args, Format, Taken, each};

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
    let candidates = finder.finish();
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
            output.write_all(best.profile("Found in a capture").to_yaml().as_bytes())?;
        }
        Format::Text | Format::Csv => text(&candidates, output)?,
    }
    Ok(sound)
}

fn text(candidates: &[Candidate], output: &mut Output) -> anyhow::Result<()> {
    if candidates.is_empty() {
        writeln!(
            output,
            "Nothing in the capture moves as the four wheels of one vehicle do."
        )?;
        return Ok(());
    }
    for (place, candidate) in candidates.iter().enumerate() {
        writeln!(
            output,
            "{}. {:.0} % sure: {}",
            place + 1,
            100.0 * candidate.score,
            candidate.why
        )?;
        for (wheel, found) in Wheel::ALL.into_iter().zip(&candidate.speeds) {
            let source = &found.source;
            writeln!(
                output,
                "   {:12} {}, start bit {}, {} bits, {}, {} km/h per bit, offset {} ({:.0} % sure of the wheel)",
                wheel.words(),
                carrier(source),
                source.field.start_bit(),
                source.field.length(),
                source.field.byte_order().id(),
                source.factor,
                source.offset,
                100.0 * found.confidence
            )?;
        }
        if !candidate.scale_known {
            writeln!(
                output,
                "   The scale is a guess: no speed beside it fixes it."
            )?;
        }
    }
    writeln!(
        output,
        "\nThe first as a profile: tonering wheels --find --format yaml"
    )?;
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
    json!({
        "score": rounded(candidate.score),
        "speeds": speeds,
        "why": candidate.why,
        "scale_known": candidate.scale_known,
        "scale_confidence": rounded(candidate.scale_confidence),
    })
}

fn rounded(share: f64) -> f64 {
    (share * 1e4).round() / 1e4
}
