//! The corpus of real captures, where it is at hand: message for message the same as two other decoders.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::super::*;
use crate::capture::{Capture, Item};
use crate::frame::Channels;

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

/// All messages of a capture, and all that is no message.
fn observe_file(path: &Path) -> (Vec<Message>, Observer, Channels) {
    let mut observer = Observer::new(AddressBook::new());
    observer.keep_control(true);
    let mut messages = Vec::new();
    let mut capture = Capture::open(path).unwrap();
    while let Some(item) = capture.next_item().unwrap() {
        match item {
            Item::Can(frame) => observer.push(&frame),
            Item::Ethernet(packet) => observer.push_packet(&packet),
        }
        messages.extend(std::iter::from_fn(|| observer.next_message()));
    }
    observer.finish();
    messages.extend(std::iter::from_fn(|| observer.next_message()));
    (messages, observer, capture.channels().clone())
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
    // The same frames in other containers have one oracle; only their times and bus names differ.
    let stem = name.split_once('.').unwrap().0;
    let listed = |kind: &str| {
        [name.to_owned(), format!("{stem}.log")]
            .map(|name| oracle.join(format!("{name}.{kind}.jsonl")))
            .into_iter()
            .find(|file| file.exists())
            .map_or(Vec::new(), |file| {
                read(&file).lines().map(str::to_owned).collect()
            })
    };
    let is_other = !oracle.join(format!("{name}.messages.jsonl")).exists();
    let shown = |line: String| {
        let skipped = if is_other { 3 } else { 0 };
        line.splitn(skipped + 1, ' ').last().unwrap().to_owned()
    };
    let expected: Vec<String> = listed("messages")
        .iter()
        .map(|line| shown(theirs(line)))
        .collect();
    let complete: Vec<String> = messages
        .iter()
        .filter(|message| message.is_complete())
        .map(|message| shown(ours(message, channels)))
        .collect();
    for (place, (ours, theirs)) in complete.iter().zip(&expected).enumerate() {
        assert_eq!(ours, theirs, "{name}: message {place}");
    }
    let longer = complete
        .iter()
        .chain(&expected)
        .nth(complete.len().min(expected.len()));
    assert_eq!(complete.len(), expected.len(), "{name}: {longer:?}");
    let broken = messages.iter().filter(|message| !message.is_complete());
    let broken: Vec<u64> = broken.map(|message| u64::from(message.announced)).collect();
    let announced: Vec<u64> = listed("incomplete")
        .iter()
        .map(|line| {
            serde_json::from_str::<Value>(line).unwrap()["announced"]
                .as_u64()
                .unwrap()
        })
        .collect();
    assert_eq!(broken, announced, "{name}");
}

#[test]
#[ignore = "needs the capture corpus"]
fn can_captures_equal_the_other_decoders() {
    let kinds = ["log", "pcap", "pcapng", "mf4"];
    let mut files: Vec<PathBuf> = Vec::new();
    for folder in [corpus(), corpus().join("wheels")] {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let ending = path.extension().and_then(|ending| ending.to_str());
            let is_doip = path.ends_with("doip_sessions.pcap");
            if ending.is_some_and(|ending| kinds.contains(&ending)) && !is_doip {
                files.push(path);
            }
        }
    }
    files.sort();
    assert!(files.len() > 20);
    for path in files {
        let (messages, _, channels) = observe_file(&path);
        compare(&path, &messages, &channels);
    }
}

/// Who talks with whom, by the corpus' description of each capture.
#[test]
#[ignore = "needs the capture corpus"]
fn partners_are_recognised() {
    let cases = [
        ("gmlan_programming.log", vec!["0x241 0x641"]),
        ("evox_kwp_stream.log", vec!["0x784 0x785"]),
        ("gt350_uds_body.log", vec!["0x726 0x72E"]),
        ("ecu_trace.pcapng", vec!["0x700 0x77D", "0x710 0x77A"]),
    ];
    for (name, expected) in cases {
        let (_, observer, _) = observe_file(&corpus().join(name));
        let pairs = observer.conversations();
        let pairs: Vec<String> = pairs
            .iter()
            .map(|pair| format!("{} {}", pair.request, pair.response))
            .collect();
        assert_eq!(pairs, expected, "{name}");
        assert_eq!(observer.tally().stray_flow, 0, "{name}");
    }
}

#[test]
#[ignore = "needs the capture corpus"]
fn iso_13400_equals_the_other_decoder() {
    let path = corpus().join("doip_sessions.pcap");
    let (messages, mut observer, _) = observe_file(&path);
    let mut ours: Vec<(i64, String)> = Vec::new();
    for message in &messages {
        assert!(message.is_complete());
        let address = message.address.to_string().replace("0x", "");
        let line = format!("8001 {address} {}", super::hex(&message.payload));
        ours.push((nanos(message.end), line));
    }
    for control in std::iter::from_fn(|| observer.next_control()) {
        let Control::DoIp(payload) = control else {
            panic!("{control:?} is not of Ethernet");
        };
        let kind = payload.kind.to_string().replace("0x", "");
        let way = format!(
            "{} {} {}",
            payload.from,
            payload.to,
            if payload.over_tcp { "tcp" } else { "udp" }
        );
        ours.push((
            nanos(payload.time),
            format!("{kind} {way} {}", payload.announced),
        ));
    }
    let mut theirs: Vec<(i64, String)> = Vec::new();
    for line in read(&corpus().join("oracle/doip_sessions.pcap.doip.jsonl")).lines() {
        let value: Value = serde_json::from_str(line).unwrap();
        let text = |key: &str| value[key].as_str().unwrap().to_owned();
        let line = if text("payload_type") == "8001" {
            let uds = text("uds").to_uppercase();
            format!(
                "8001 {}>{} {uds}",
                text("source_address"),
                text("target_address")
            )
        } else {
            let way = format!("{} {} {}", text("src"), text("dst"), text("proto"));
            format!("{} {way} {}", text("payload_type"), value["length"])
        };
        theirs.push((
            nanos(Some(Timestamp::from_seconds(value["t"].as_f64().unwrap()))),
            line,
        ));
    }
    ours.sort();
    theirs.sort();
    assert_eq!(theirs.len(), 172);
    assert_eq!(ours, theirs);
}

/// To the microsecond.
fn nanos(time: Option<Timestamp>) -> i64 {
    (time.unwrap().nanos() + 500) / 1_000
}
