//! Signals out of frames and answers, against other readers' values.

use super::*;
use crate::frame::{CanId, FrameKind};
use crate::signal::test_capture::{Line, corpus, corpus_text, known_signals, lines};
use proptest::prelude::*;
use std::fmt::Write as _;

fn profile(text: &str) -> Profile {
    Profile::parse(text, "test", &mut |path| {
        std::fs::read(corpus().join("dbc").join(path))
    })
    .unwrap()
}

fn extract(profile: &Profile, lines: &[Line]) -> (Signals, Unsampled) {
    let mut extractor = Extractor::new(profile);
    for line in lines {
        extractor.push_frame(&line.frame());
    }
    let unsampled = extractor.unsampled();
    (extractor.finish(), unsampled)
}

const FOUR: &str = "profile: 1\nwheels:\n  speeds:\n    left-front: { frame: 0x1A0, start_bit: 7, length: 16, byte_order: big, factor: 0.01, invalid: [0xFFFF] }\n    \
                    right-front: { frame: 0x1A0, start_bit: 23, length: 16, byte_order: big, factor: 0.01 }\n";

#[test]
fn marks_copies_and_short_frames() {
    let text = "(1.000000) can0 1A0#0064012C\n(1.000020) can0 1A0#0064012C\n(1.010000) can0 1A0#0064012C\n(1.010001) can1 1A0#0064012C\n\
                (1.020000) can0 1A0#FFFF01\n(1.030000) can0 1A0#\n";
    let (signals, unsampled) = extract(&profile(FOUR), &lines(text));
    let left = signals.speeds[0].as_ref().unwrap();
    assert_eq!(left.len(), 3);
    assert!((left.value[0] - 1.0).abs() < 1e-6 && left.value[2].is_nan());
    assert!((left.quantum - 0.01).abs() < 1e-12);
    assert_eq!(signals.speeds[1].as_ref().unwrap().len(), 2);
    assert_eq!(
        unsampled,
        Unsampled {
            untimed: 0,
            short: 3,
            copies: 1,
            other_bus: 1
        }
    );
}

/// The same identifier on another bus may mean something else; a bus that fell silent is left.
#[test]
fn each_identifier_is_listened_to_on_one_bus() {
    let text = "(1.0) can0 1A0#00640064\n(1.1) can1 1A0#55555555\n(1.2) can0 1A0#00C800C8\n(9.0) can1 1A0#012C012C\n";
    let (signals, unsampled) = extract(&profile(FOUR), &lines(&text.replace('.', ".00000")));
    assert_eq!(signals.speeds[0].as_ref().unwrap().value, [1.0, 2.0, 3.0]);
    assert_eq!(unsampled.other_bus, 1);
}

/// Two identifiers take turns, one frame is lost where the clock is set back: both go on by the same.
#[test]
fn a_clock_that_is_set_back_is_known_to_all_traces() {
    let text = "(100.000000) can0 1A0#00640064\n(100.100000) can0 1A1#0064\n(3.000000) can0 1A1#0064\n(3.100000) can0 1A0#00640064\n";
    let profile = profile(&format!(
        "{FOUR}    left-rear: {{ frame: 0x1A1, start_bit: 7, length: 16, byte_order: big, factor: 0.01 }}\n"
    ));
    let (signals, _) = extract(&profile, &lines(text));
    let [front, _, rear, _] = signals.speeds;
    let (front, rear) = (front.unwrap(), rear.unwrap());
    assert_eq!(front.set_back.len(), 1);
    assert_eq!(front.set_back, rear.set_back);
    assert!((front.set_back[0].1 - 97.1).abs() < 0.01);
    assert_eq!(*front.time_s, [100.0, 3.1]);
}

#[expect(clippy::cast_possible_truncation, reason = "as traces hold values")]
fn narrow(value: f64) -> f32 {
    value as f32
}

/// Signals of one frame share their times as long as they come together.
#[test]
fn times_of_one_frame_are_kept_once() {
    let text = "(1.000000) can0 1A0#00640064\n(1.010000) can0 1A0#00650065\n";
    let (signals, _) = extract(&profile(FOUR), &lines(text));
    let [left, right, ..] = signals.speeds;
    let (left, right) = (left.unwrap(), right.unwrap());
    assert!(std::sync::Arc::ptr_eq(&left.time_s, &right.time_s));
    assert_eq!(*left.time_s, [1.0, 1.01]);
}

proptest! {
    /// Whatever comes together and whatever does not: the traces are those of a plain list for each signal.
    #[test]
    fn shared_times_are_those_of_plain_lists(
        frames in proptest::collection::vec((0_usize..=4, any::<bool>(), -3_i64..20, 0_u8..8), 0..40)
    ) {
        let profile = profile(&format!(
            "{FOUR}    left-rear: {{ frame: 0x1A1, start_bit: 7, length: 16, byte_order: big, factor: 0.01 }}\n"
        ));
        let mut extractor = Extractor::new(&profile);
        let mut plain: [Vec<(f64, f32)>; 3] = Default::default();
        let mut millis = 10_000;
        for (number, (length, is_front, step, forget)) in frames.into_iter().enumerate() {
            millis += if step < 0 { step * 1_000 } else { step + 1 };
            let time = Timestamp::from_micros(millis * 1_000);
            let speed = u8::try_from(number).unwrap();
            let data = [0, speed, 1, speed];
            extractor.push_frame(&Frame {
                number: 0,
                time: Some(time),
                channel: crate::frame::Channel(0),
                id: CanId::standard_masked(if is_front { 0x1A0 } else { 0x1A1 }),
                kind: FrameKind::Data,
                data: &data[..length],
            });
            let speed = f32::from(speed);
            let signals: &[(usize, f32)] = match (is_front, length) {
                (true, 4) => &[(0, speed), (1, 256.0 + speed)],
                (true, 2..) => &[(0, speed)],
                (false, 2..) => &[(2, speed)],
                _ => &[],
            };
            for &(signal, raw) in signals {
                let value = narrow(f64::from(raw) * 0.01);
                plain[signal].push((time.seconds(), value));
            }
            if forget == 0 {
                let before = time.seconds() - 0.03;
                extractor.forget_before(before);
                for list in &mut plain {
                    let kept = list.iter().position(|&(time_s, _)| time_s >= before);
                    list.drain(..kept.unwrap_or(list.len()));
                }
            }
            for (last, list) in extractor.last_speeds().iter().zip(&plain) {
                let expected = list.last().map(|&(time_s, value)| (time_s, f64::from(value)));
                prop_assert_eq!(*last, expected);
            }
        }
        let signals = extractor.finish();
        for (trace, list) in signals.speeds.iter().zip(&plain) {
            let found: Vec<(f64, f32)> = trace.iter().flat_map(|trace| {
                trace.time_s.iter().copied().zip(trace.value.iter().copied())
            }).collect();
            prop_assert_eq!(&found, list);
            let count = trace.as_ref().map_or(0, |trace| trace.time_s.len());
            prop_assert_eq!(count, list.len());
        }
    }
}

#[test]
fn frames_without_a_time_or_data_give_no_sample() {
    let mut extractor = Extractor::new(&profile(FOUR));
    let line = &lines("(1.000000) can0 1A0#0064012C\n")[0];
    extractor.push_frame(&Frame {
        time: None,
        ..line.frame()
    });
    extractor.push_frame(&Frame {
        kind: FrameKind::Remote { length: 4 },
        data: &[],
        ..line.frame()
    });
    extractor.push_frame(&Frame {
        id: CanId::extended(0x1A0).unwrap(),
        ..line.frame()
    });
    assert_eq!(extractor.unsampled().untimed, 1);
    assert!(extractor.finish().speeds[0].is_none());
}

#[test]
fn answers_give_signals_too() {
    let profile = profile(
        "profile: 1\nmodules: [{ name: Brakes, request: 0x740, response: 0x748 }]\n\
         signals: { supply_voltage: { did: 0x2B10, module: Brakes, start_bit: 7, length: 8, byte_order: big, factor: 0.1 } }\n",
    );
    let mut extractor = Extractor::new(&profile);
    let module = Address::can(CanId::standard(0x748).unwrap());
    let engine = Address::can(CanId::standard(0x7E8).unwrap());
    let other = Address::can(CanId::standard(0x7E9).unwrap());
    let at = |seconds| Some(Timestamp::from_seconds(seconds));
    extractor.set_time_base(10.0);
    extractor.push_answer(module, None, &[0x62, 0x2B, 0x10, 0x7B], at(1.0));
    extractor.push_answer(engine, None, &[0x62, 0x2B, 0x10, 0xFF], at(1.1));
    extractor.push_answer(module, None, &[0x62, 0x2B, 0x10], at(1.2));
    extractor.push_answer(engine, None, &[0x41, 0x0D, 0x32], at(2.0));
    extractor.push_answer(other, None, &[0x41, 0x0D, 0x33], at(2.0));
    extractor.push_answer(engine, None, &[0x41, 0x42, 0x34, 0xA8], at(3.0));
    // Several in one answer: parameters by the standard's lengths, identifiers by the request.
    extractor.push_answer(engine, None, &[0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x3C], at(4.0));
    let request = [0x22, 0x2B, 0x01, 0x2B, 0x10];
    let answer = [0x62, 0x2B, 0x01, 0x00, 0x64, 0x2B, 0x10, 0x7C];
    extractor.push_answer(module, Some(&request), &answer, at(4.0));
    assert_eq!(extractor.unsampled().short, 1);
    let signals = extractor.finish();
    let voltage = signals.supply_voltage.unwrap();
    assert!((voltage.time_s[0] - 11.0).abs() < 1e-9);
    let volts: Vec<_> = voltage
        .value
        .iter()
        .map(|value| format!("{value:.1}"))
        .collect();
    assert_eq!(volts, ["12.3", "12.4"]);
    // Source: SAE J1979, scaling of PID 0x0D (1 km/h a bit) and 0x42 (0.001 V a bit): 0x34A8 is 13.48 V.
    let speed = signals.vehicle_speed.unwrap();
    assert_eq!(speed.value, [50.0, 60.0]);
    assert!((signals.battery_voltage.unwrap().value[0] - 13.48).abs() < 1e-5);
}

#[test]
fn rows_are_the_traces_turned_round() {
    let text = "(1.000000) can0 1A0#0064012C\n(1.000100) can0 100#0000\n(2.000000) can0 1A0#FFFF00C8\n(2.000000) can0 1A0#012C\n";
    let profile = profile(FOUR);
    let mut columns = Columns::new(&profile);
    let mut rows = Vec::new();
    for line in &lines(text) {
        rows.extend(columns.push_frame(&line.frame()));
    }
    assert_eq!(columns.unsampled().short, 1);
    rows.extend(columns.finish());
    let seconds: Vec<_> = rows
        .iter()
        .map(|row| row.time.nanos() / 1_000_000_000)
        .collect();
    assert_eq!(seconds, [1, 2]);
    assert_eq!(rows[0].speeds, [Some(1.0), Some(3.0), None, None]);
    assert_eq!(rows[1].speeds, [Some(3.0), Some(2.0), None, None]);
}

#[test]
fn multiplexed_signals_are_read_only_when_selected() {
    let dbc = "BO_ 416 W: 8 X\n SG_ P M : 0|8@1+ (1,0) [0|0] \"\" X\n SG_ S m1 : 8|16@1+ (0.01,0) [0|0] \"km/h\" X\n";
    let text =
        "profile: 1\nwheels: { speeds: { left-front: { dbc: a.dbc, message: W, signal: S } } }\n";
    let profile = Profile::parse(text, "test", &mut |_| Ok(dbc.into())).unwrap();
    let (signals, unsampled) = extract(
        &profile,
        &lines("(1.0000) can0 1A0#016400\n(2.0000) can0 1A0#026400\n"),
    );
    assert_eq!(signals.speeds[0].as_ref().unwrap().len(), 1);
    assert_eq!(unsampled, Unsampled::default());
}

proptest! {
    #[test]
    fn left_and_right_exchanged(raws in proptest::collection::vec((any::<u16>(), any::<u16>()), 1..40)) {
        let log = |exchange: bool| {
            let mut text = String::new();
            for (index, (a, b)) in raws.iter().enumerate() {
                let (a, b) = if exchange { (b, a) } else { (a, b) };
                let _ = writeln!(text, "({index}.000000) can0 1A0#{a:04X}{b:04X}");
            }
            lines(&text)
        };
        let profile = profile(&FOUR.replace(", invalid: [0xFFFF]", ""));
        let (plain, _) = extract(&profile, &log(false));
        let (exchanged, _) = extract(&profile, &log(true));
        prop_assert_eq!(&plain.speeds[0], &exchanged.speeds[1]);
        prop_assert_eq!(&plain.speeds[1], &exchanged.speeds[0]);
    }
}

#[test]
#[ignore = "needs the capture corpus"]
fn the_corpus_agrees_with_another_dbc_reader() {
    // Source: cantools on the published DBC files; one line for each frame.
    let mut oracles = 0;
    for entry in std::fs::read_dir(corpus().join("oracle")).unwrap() {
        let oracle_name = entry.unwrap().file_name().into_string().unwrap();
        let Some(capture) = oracle_name.strip_suffix(".wheels.jsonl") else {
            continue;
        };
        oracles += 1;
        let oracle = corpus_text(&format!("oracle/{oracle_name}"));
        let rows: Vec<serde_json::Value> = oracle
            .lines()
            .map(|row| serde_json::from_str(row).unwrap())
            .collect();
        let id = rows[0]["id"].as_str().unwrap().to_lowercase();
        let files = std::fs::read_dir(corpus().join("dbc")).unwrap();
        let names = files.map(|entry| entry.unwrap().file_name().into_string().unwrap());
        let file = names
            .into_iter()
            .find(|name| name.contains(&format!("{id:0>3}")))
            .unwrap();
        let mut text = "profile: 1\nwheels:\n  speeds:\n".to_owned();
        for (wheel, name) in crate::place::Wheel::ALL
            .iter()
            .zip(["FL", "FR", "RL", "RR"])
        {
            let _ = writeln!(
                text,
                "    {}: {{ dbc: {file}, message: WHEEL_SPEEDS, signal: WHEEL_SPEED_{name} }}",
                wheel.id()
            );
        }
        let (signals, unsampled) = extract(&profile(&text), &lines(&corpus_text(capture)));
        assert_eq!(unsampled, Unsampled::default(), "{capture}");
        let oracle = corpus_text(&format!("oracle/{capture}.wheels.jsonl"));
        let rows: Vec<serde_json::Value> = oracle
            .lines()
            .map(|row| serde_json::from_str(row).unwrap())
            .collect();
        for (trace, key) in signals.speeds.iter().zip(["fl", "fr", "rl", "rr"]) {
            let trace = trace.as_ref().unwrap();
            assert_eq!(trace.len(), rows.len(), "{capture} {key}");
            for ((time, value), row) in trace.time_s.iter().zip(&trace.value).zip(&rows) {
                assert!(
                    (time - row["t"].as_f64().unwrap()).abs() < 1e-6,
                    "{capture} {row}"
                );
                assert!(
                    (f64::from(*value) - row[key].as_f64().unwrap()).abs() < 2e-5,
                    "{capture} {key} {row}: {value}"
                );
            }
        }
    }
    assert!(oracles >= 2, "{oracles}");
}

#[test]
#[ignore = "needs the capture corpus"]
fn every_known_signal_of_the_corpus_is_read_bit_by_bit() {
    let known = known_signals();
    assert!(known.len() >= 60);
    for four in known.chunks(4) {
        let lines = lines(&corpus_text(&four[0].file));
        let mut text = "profile: 1\nwheels:\n  speeds:\n".to_owned();
        for row in four {
            let wheel = crate::place::Wheel::ALL[row.wheel].id();
            let order = if row.big { "big" } else { "little" };
            let invalid = row
                .invalid
                .map(|mark| format!(", invalid: [{mark}]"))
                .unwrap_or_default();
            let _ = writeln!(
                text,
                "    {wheel}: {{ frame: {}, start_bit: {}, length: {}, byte_order: {order}, factor: {}, offset: {}, unit: km/h{invalid} }}",
                row.id, row.start, row.length, row.scale, row.offset
            );
        }
        let (signals, _) = extract(&profile(&text), &lines);
        for row in four {
            let trace = signals.speeds[row.wheel].as_ref().unwrap();
            let frames = lines
                .iter()
                .filter(|line| line.id.raw() == row.id && !line.id.is_extended());
            let mut samples = 0;
            for (line, value) in frames.zip(&trace.value) {
                samples += 1;
                let raw = bits(&line.data, row.start, row.length, row.big);
                if Some(raw) == row.invalid {
                    assert!(value.is_nan());
                    continue;
                }
                let expected = f64::from(u32::try_from(raw).unwrap()) * row.scale + row.offset;
                assert!(
                    (f64::from(*value) - expected).abs() < 3e-5,
                    "{} {}: {value} {expected}",
                    row.file,
                    row.wheel
                );
            }
            assert!(
                samples > 100 && samples == trace.len(),
                "{} {samples} {}",
                row.file,
                trace.len()
            );
        }
    }
}

/// The definition of a DBC signal, bit by bit, on a list of bits.
fn bits(data: &[u8], start: u64, length: u64, big: bool) -> u64 {
    let start = usize::try_from(start).unwrap();
    let length = usize::try_from(length).unwrap();
    let mut taken: Vec<u8> = if big {
        let from = start / 8 * 8 + 7 - start % 8;
        let falling = data
            .iter()
            .flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1));
        falling.skip(from).take(length).collect()
    } else {
        let rising = data
            .iter()
            .flat_map(|byte| (0..8).map(move |bit| byte >> bit & 1));
        rising.skip(start).take(length).collect()
    };
    if !big {
        taken.reverse();
    }
    taken.iter().fold(0, |sum, bit| sum * 2 + u64::from(*bit))
}
