//! What every reader and decoder has to bear: one function for each, which takes any bytes and fails on what must not be.
//!
//! Each fails by a panic: of the program itself, or of the checks here on what was printed. The fuzz targets call them
//! (`fuzz/src/lib.rs` takes this very file), so do the replay of the corpora and the campaign of damaged captures.

use std::path::Path;

use tonering::capture::{Capture, Item};
use tonering::diagnosis::{self, Means};
use tonering::evidence::Grounds;
use tonering::frame::{CanId, Channel};
use tonering::notes::Notes;
use tonering::report::escape::terminal::terminal;
use tonering::report::escape::{is_unseen, visible};
use tonering::report::{self, Report};
use tonering::rules::{RuleText, Rules};
use tonering::service::{Context, Families, Family, Pairing, Subject, explain, fields, head};
use tonering::signal::dbc::Dbc;
use tonering::signal::profile::Profile;
use tonering::trouble::{Catalogue, YamlText};
use tonering::vehicle::{Record, Recorder};

/// A body.
pub type Body = fn(&[u8]);

/// Every body by the name of its fuzz target and of its folder in `fuzz/corpus`.
pub const BODIES: [(&str, Body); 9] = [
    ("capture", capture),
    ("report", report),
    ("transport", tonering::transport::fuzz::fuzz),
    ("service", service),
    ("dbc", dbc),
    ("profile", profile),
    ("notes", notes),
    ("rules", rules),
    ("explain", explained),
];

/// A capture of any kind, as far as the record of it.
///
/// # Panics
/// When something is not as it must be.
pub fn capture(input: &[u8]) {
    tonering::capture::torture::read_anything(input);
    let _ = recorded(input, &Profile::default());
}

/// A capture of any kind, all the way to every printer: slower by far than [`capture`].
///
/// # Panics
/// When something is not as it must be.
pub fn report(input: &[u8]) {
    let _ = diagnosed(input, &Profile::default());
}

/// The same with a profile; how many frames there were, `None` when it is no capture.
///
/// # Panics
/// When something is not as it must be.
pub fn diagnosed(input: &[u8], profile: &Profile) -> Option<u64> {
    let (frames, record) = recorded(input, profile)?;
    let measures = diagnosis::measures(&record);
    let (rules, catalogue) = shipped();
    let grounds = Grounds {
        rules,
        catalogue,
        record: &record,
        measures: &measures,
        notes: &Notes::default(),
    };
    let found = diagnosis::diagnose(&grounds);
    for probability in &found.ranking.posterior {
        assert!(
            (0.0..=1.0).contains(probability),
            "a probability of {probability}"
        );
    }
    let mut report = diagnosis::report(&grounds, &found, &profile.name, &Means::default());
    report.plots = diagnosis::plots(&record, &measures);
    printed(&report);
    Some(frames)
}

/// A capture as far as the record of it, and how many frames there were; `None` when it is no capture.
///
/// # Panics
/// When something is not as it must be.
pub fn recorded(input: &[u8], profile: &Profile) -> Option<(u64, Record)> {
    let reader = Box::new(std::io::Cursor::new(input.to_vec()));
    let mut capture = match Capture::from_reader(reader, "any bytes") {
        Ok(capture) => capture,
        Err(error) => {
            one_clear_line(&error.to_string());
            return None;
        }
    };
    let mut recorder = Recorder::new(profile.clone());
    let mut frames = 0_u64;
    loop {
        match capture.next_item() {
            Ok(Some(item)) => {
                if let Item::Can(frame) = &item {
                    assert!(
                        frame.data.len() <= 64,
                        "a frame of {} bytes",
                        frame.data.len()
                    );
                }
                frames += 1;
                recorder.push(&item);
            }
            Ok(None) => break,
            Err(error) => {
                one_clear_line(&error.to_string());
                break;
            }
        }
    }
    assert!(
        capture.next_item().is_ok_and(|item| item.is_none()),
        "something after the end"
    );
    recorder.end_capture(capture.name(), capture.kind(), capture.tally());
    Some((frames, recorder.finish()))
}

/// The shipped rules and codes, read once.
fn shipped() -> &'static (Rules, Catalogue) {
    static SHIPPED: std::sync::OnceLock<(Rules, Catalogue)> = std::sync::OnceLock::new();
    SHIPPED.get_or_init(|| {
        let rules = Rules::built_in().expect("the shipped rules are sound");
        (
            rules,
            Catalogue::embedded().expect("the shipped codes are sound"),
        )
    })
}

/// Every printer of the report.
fn printed(report: &Report) {
    let made = |write: &dyn Fn(&mut dyn std::io::Write) -> std::io::Result<()>| {
        let mut bytes = Vec::new();
        write(&mut bytes).expect("memory takes everything");
        String::from_utf8(bytes).expect("text is UTF-8")
    };
    for unicode in [true, false] {
        let layout = report::text::Layout {
            width: 80,
            colour: false,
            unicode,
        };
        let text = made(&|out| report::text::write(report, out, layout));
        harmless(&text);
        assert!(unicode || text.is_ascii(), "not ASCII");
    }
    harmless(&made(&|out| report::markdown::write(report, out)));
    harmless(&made(&|out| report::html::write(report, out)));
    for table in [
        report::csv::Table::Codes,
        report::csv::Table::Checks,
        report::csv::Table::Causes,
    ] {
        harmless(&made(&|out| report::csv::write(report, out, table)));
    }
    let lines = made(&|out| report::json::write(report, out, report::json::Form::Lines));
    let line = made(&|out| report::json::write(report, out, report::json::Form::OneLine));
    harmless(&line);
    let [lines, line] = [lines, line].map(|text| serde_json::from_str::<serde_json::Value>(&text));
    assert_eq!(lines.expect("JSON"), line.expect("JSON"));
}

/// Nothing that a terminal would obey or a reader could not see, but the ends of lines (in CSV with a carriage return,
/// RFC 4180).
///
/// # Panics
/// When there is such a character.
pub fn harmless(text: &str) {
    let text = text.replace("\r\n", "\n");
    if let Some(at) = text.find(|c| c != '\n' && is_unseen(c)) {
        let around: String = text[at..].chars().take(40).collect();
        panic!("would steer a terminal: {around:?}");
    }
}

/// An error is told in few words once the terminal's escapes are over it.
fn one_clear_line(words: &str) {
    assert!(!words.is_empty());
    harmless(&visible(words));
}

/// Messages: each begins with a byte of family and kind and one of length.
///
/// # Panics
/// When something is not as it must be.
pub fn service(input: &[u8]) {
    let (_, catalogue) = shipped();
    let mut families = Families::new();
    let mut pairing = Pairing::new();
    let mut request = None;
    let mut rest = input;
    let mut number = 0;
    while let Some((&[kind, length], after)) = rest.split_first_chunk::<2>() {
        let (payload, next) = after.split_at(usize::from(length).min(after.len()));
        rest = next;
        number += 1;
        let subject = Subject::Message(payload.to_vec());
        let Some((mut message, _)) = explain(&subject, catalogue).messages.pop() else {
            continue;
        };
        message.number = number;
        message.channel = Channel(u16::from(kind >> 6));
        let id = CanId::standard_masked(0x740 + u32::from(kind >> 3 & 7) * 8);
        message.address = tonering::transport::Address::can(id);
        let own = families.of(&message);
        for family in [own, Family::Uds, Family::Kwp, Family::Obd, Family::Other] {
            let context = Context {
                catalogue,
                family,
                length_of: &|_| None,
            };
            assert!(!head(&message, family).name.is_empty());
            fields(&message, request.as_ref(), &context, &mut |field| {
                assert!(
                    field.bytes.start <= field.bytes.end
                        && field.bytes.end <= message.payload.len()
                );
                harmless(&terminal(
                    &format!("{} {}", field.value, field.meaning),
                    true,
                ));
            });
        }
        if kind & 1 == 0 {
            request = Some(message.clone());
        }
        pairing.push(message);
        while pairing.next_exchange().is_some() {}
    }
    pairing.finish(None);
    while pairing.next_exchange().is_some() {}
}

/// A DBC file.
///
/// # Panics
/// When something is not as it must be.
pub fn dbc(input: &[u8]) {
    let read = Dbc::parse(input);
    for message in &read.messages {
        for signal in &message.signals {
            let _ = signal.field();
            if let Ok(placed) = message.place(&signal.name) {
                let _ = format!("{placed:?}");
            }
        }
    }
}

/// A profile: what is read is written and read again to the same.
///
/// # Panics
/// When something is not as it must be.
pub fn profile(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else {
        return;
    };
    let mut none = |_: &Path| Ok(DBC.as_bytes().to_vec());
    match Profile::parse(text, "any.yaml", &mut none) {
        Err(faults) => assert!(!faults.to_string().is_empty()),
        Ok(read) => {
            let written = read.to_yaml();
            harmless(&written);
            match Profile::parse(&written, "written.yaml", &mut none) {
                Err(faults) => panic!("does not read what it wrote: {faults}\n{written}"),
                Ok(again) => assert_eq!(written, again.to_yaml()),
            }
            let frames = diagnosed(LOG.as_bytes(), &read);
            assert_eq!(frames, Some(3));
        }
    }
}

/// The file that every profile of [`profile`] finds.
const DBC: &str = "BO_ 416 WHEELS: 8 X\n SG_ WHL_LF : 7|16@0+ (0.01,0) [0|300] \"km/h\" X\n";

/// A few frames for it.
const LOG: &str = "\
(1700000000.100000) can0 740#031902FFAAAAAAAA
(1700000000.110000) can0 748#065902FF403113AA
(1700000000.120000) can0 1A0#0102030405060708
";

/// Notes against the shipped rules.
///
/// # Panics
/// When something is not as it must be.
pub fn notes(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else {
        return;
    };
    let (rules, _) = shipped();
    match Notes::parse(text, "any.yaml", rules) {
        Err(faults) => assert!(!faults.to_string().is_empty()),
        Ok(read) => {
            let written = read.write(rules);
            harmless(&written);
            let again = Notes::parse(&written, "written.yaml", rules);
            assert!(
                again.is_ok(),
                "does not read what it wrote: {again:?}\n{written}"
            );
        }
    }
}

/// Rules and lists of codes.
///
/// # Panics
/// When something is not as it must be.
pub fn rules(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else {
        return;
    };
    let name = "any.yaml";
    for loaded in [
        Rules::load(&[RuleText { name, text }]),
        Rules::only(&[RuleText { name, text }]),
    ] {
        if let Err(faults) = loaded {
            assert!(!faults.to_string().is_empty());
        }
    }
    if let Err(fault) = Catalogue::load(&[YamlText { name, text }]) {
        assert!(!fault.to_string().is_empty());
    }
}

/// What is typed after `explain`.
///
/// # Panics
/// When something is not as it must be.
pub fn explained(input: &[u8]) {
    let text = String::from_utf8_lossy(input);
    match Subject::parse(&text) {
        Err(error) => one_clear_line(&error.to_string()),
        Ok(subject) => {
            let (_, catalogue) = shipped();
            let told = explain(&subject, catalogue);
            assert!(!told.title.is_empty());
            harmless(&visible(&told.title));
        }
    }
}
