//! The corpus of real captures, where it is at hand: message for message the same as two other decoders.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::super::*;
use crate::frame::{Channels, Frame, FrameKind};

fn corpus() -> PathBuf {
    #[expect(
        clippy::disallowed_methods,
        reason = "the corpus is named by the environment"
    )]
    let folder =
        std::env::var("TONERING_CORPUS").expect("TONERING_CORPUS names the folder of the corpus");
    PathBuf::from(folder)
}

#[expect(clippy::disallowed_methods, reason = "test data")]
fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// All messages of a candump log.
fn observe_log(path: &Path) -> (Vec<Message>, Channels) {
    let mut observer = Observer::new(AddressBook::new());
    let mut channels = Channels::default();
    let mut messages = Vec::new();
    for (number, line) in (1..).zip(read(path).lines()) {
        let mut words = line.split_whitespace();
        let time = words.next().unwrap().trim_matches(['(', ')']);
        let (whole, part) = time.split_once('.').unwrap();
        let micros = whole.parse::<i64>().unwrap() * 1_000_000 + part.parse::<i64>().unwrap();
        let channel = channels.intern(words.next().unwrap());
        let (id, data) = words.next().unwrap().split_once('#').unwrap();
        let raw = u32::from_str_radix(id, 16).unwrap();
        let data = super::bytes(data);
        observer.push(&Frame {
            number,
            time: Some(Timestamp::from_micros(micros)),
            channel,
            id: if id.len() == 8 {
                CanId::extended(raw).unwrap()
            } else {
                CanId::standard(raw).unwrap()
            },
            kind: FrameKind::Data,
            data: &data,
        });
        messages.extend(std::iter::from_fn(|| observer.next_message()));
    }
    observer.finish();
    messages.extend(std::iter::from_fn(|| observer.next_message()));
    (messages, channels)
}

/// One message as a line that can be compared: times in microseconds.
fn ours(message: &Message, channels: &Channels) -> String {
    let Address::Can { id, extension } = message.address else {
        return message.address.to_string();
    };
    let micros = |time: Option<Timestamp>| (time.unwrap().nanos() + 500) / 1_000;
    let payload = super::hex(&message.payload).to_lowercase();
    format!(
        "{} {} {} {:X} {} {extension:?} {payload}",
        micros(message.end),
        micros(message.start),
        channels.name(message.channel),
        id.raw(),
        id.is_extended(),
    )
}

fn theirs(line: &str) -> String {
    let value: Value = serde_json::from_str(line).unwrap();
    let micros =
        |key: &str| (Timestamp::from_seconds(value[key].as_f64().unwrap()).nanos() + 500) / 1_000;
    let extension = value["ext_addr"]
        .as_str()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap());
    format!(
        "{} {} {} {} {} {extension:?} {}",
        micros("t"),
        micros("t0"),
        value["bus"].as_str().unwrap(),
        value["id"].as_str().unwrap(),
        value["ext"].as_bool().unwrap(),
        value["payload"].as_str().unwrap(),
    )
}

fn compare(path: &Path, messages: &[Message], channels: &Channels) {
    let name = path.file_name().unwrap().to_str().unwrap();
    let oracle = path.parent().unwrap().join("oracle");
    let expected: Vec<String> = match oracle.join(format!("{name}.messages.jsonl")) {
        file if file.exists() => read(&file).lines().map(theirs).collect(),
        _ => Vec::new(),
    };
    let complete: Vec<String> = messages
        .iter()
        .filter(|message| message.is_complete())
        .map(|message| ours(message, channels))
        .collect();
    for (place, (ours, theirs)) in complete.iter().zip(&expected).enumerate() {
        assert_eq!(ours, theirs, "{name}: message {place}");
    }
    let longer = if complete.len() > expected.len() {
        &complete
    } else {
        &expected
    };
    assert_eq!(
        complete.len(),
        expected.len(),
        "{name}: first surplus {:?}",
        longer.get(complete.len().min(expected.len()))
    );
    let broken: Vec<&Message> = messages
        .iter()
        .filter(|message| !message.is_complete())
        .collect();
    let incomplete = oracle.join(format!("{name}.incomplete.jsonl"));
    let announced: Vec<u64> = if incomplete.exists() {
        read(&incomplete)
            .lines()
            .map(|line| {
                serde_json::from_str::<Value>(line).unwrap()["announced"]
                    .as_u64()
                    .unwrap()
            })
            .collect()
    } else {
        Vec::new()
    };
    assert_eq!(
        broken
            .iter()
            .map(|message| u64::from(message.announced))
            .collect::<Vec<_>>(),
        announced,
        "{name}: {broken:?}"
    );
}

#[test]
#[ignore = "needs the capture corpus"]
fn candump_logs_equal_the_other_decoders() {
    let mut logs: Vec<PathBuf> = Vec::new();
    for folder in [corpus(), corpus().join("wheels")] {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|extension| extension == "log") {
                logs.push(path);
            }
        }
    }
    logs.sort();
    assert!(logs.len() > 8);
    for path in logs {
        let (messages, channels) = observe_log(&path);
        compare(&path, &messages, &channels);
    }
}
