//! The search on captures whose wheel signals are known, and on captures that have none.

use super::*;
use crate::frame::{Channel, FrameKind};
use crate::signal::test_capture::{Known, Line, corpus, corpus_text, known_signals, lines};
use crate::signal::{ByteOrder, Coding, Field};

fn search(lines: &[Line]) -> Vec<Candidate> {
    let mut finder = Finder::new();
    for line in lines {
        finder.push_frame(&line.frame());
    }
    finder.finish()
}

/// Where the wheels of a made-up drive are, and what else is on its bus.
struct Layout {
    /// Identifier and field of each wheel, in the order of `Wheel::ALL`.
    wheels: [(u32, Field); 4],
    factor: f64,
    offset: f64,
}

fn field(start: u64, length: u64, byte_order: ByteOrder) -> Field {
    Field::new(start, length, byte_order, Coding::Unsigned).unwrap()
}

/// A made-up drive of two minutes with turns both ways and two stops, at 50 Hz; engine speed, counters, checksums, a pedal
/// and the mean of the front wheels beside the wheels. `moving: false` leaves the vehicle standing.
fn drive(layout: &Layout, moving: bool) -> Vec<Line> {
    let (track, wheelbase) = (1.55, 2.70);
    let mut lines = Vec::new();
    for step in 0_u32..6_000 {
        let t = f64::from(step) * 0.02;
        let speed = if moving {
            (14.0 * (t / 19.0).sin() + 5.0).max(0.0)
        } else {
            0.0
        };
        let yaw = speed * 0.05 * (t / 4.0).sin();
        let noise = |seed: u32| {
            f64::from((step.wrapping_mul(2_654_435_761) ^ seed) >> 8 & 0xFF) / 255.0 - 0.5
        };
        let rear = |half: f64| speed + yaw * half;
        let front = |half: f64| rear(half).hypot(yaw * wheelbase);
        let kmh = [
            front(-track / 2.0),
            front(track / 2.0),
            rear(-track / 2.0),
            rear(track / 2.0),
        ];
        let mut payloads = std::collections::BTreeMap::<u32, [u8; 8]>::new();
        for ((id, field), (wheel, kmh)) in layout.wheels.iter().zip(kmh.iter().enumerate()) {
            let seed = u32::try_from(wheel).unwrap() * 77;
            let value = if speed > 0.5 {
                kmh * 3.6 + 0.06 * noise(seed)
            } else {
                0.0
            };
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "made to fit"
            )]
            let raw = ((value - layout.offset) / layout.factor).round() as u64;
            assert!(field.write(raw, payloads.entry(*id).or_default()));
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "made to fit"
        )]
        let engine = ((900.0 + 160.0 * speed.rem_euclid(9.0) + 20.0 * noise(5)) * 4.0) as u16;
        let pedal = u8::try_from(step / 40 % 200).unwrap();
        let [high, low] = engine.to_be_bytes();
        let count = step.to_be_bytes();
        payloads.insert(
            0x0C1,
            [high, low, high, low, pedal, pedal, count[2], count[3]],
        );
        let sum = count[3].wrapping_mul(31) ^ high ^ 0x5A;
        payloads.insert(
            0x0C9,
            [
                count[1],
                count[2],
                count[3],
                sum,
                sum ^ 0xFF,
                low,
                high,
                pedal,
            ],
        );
        for (index, (id, data)) in payloads.into_iter().enumerate() {
            let nanos = i64::from(step) * 20_000_000 + 300_000 * i64::try_from(index).unwrap();
            lines.push(Line {
                time: Timestamp::from_nanos(nanos),
                channel: Channel(0),
                id: CanId::standard(id).unwrap(),
                data: data.to_vec(),
            });
        }
        if step.is_multiple_of(25) {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "made to fit"
            )]
            let reported = (speed * 3.6).round() as u8;
            lines.push(Line {
                time: Timestamp::from_nanos(i64::from(step) * 20_000_000 + 9_000_000),
                channel: Channel(0),
                id: CanId::standard(0x7E8).unwrap(),
                data: vec![3, 0x41, 0x0D, reported, 0xAA, 0xAA, 0xAA, 0xAA],
            });
        }
    }
    lines
}

fn layouts() -> Vec<Layout> {
    let two = |a: u64, b: u64, length, order| [field(a, length, order), field(b, length, order)];
    let one =
        |places: [u64; 4], length, order| places.map(|place| (0x1A0, field(place, length, order)));
    let [a, b] = two(5, 21, 14, ByteOrder::Big);
    vec![
        Layout {
            wheels: one([7, 23, 39, 55], 16, ByteOrder::Big),
            factor: 0.01,
            offset: 0.0,
        },
        Layout {
            wheels: one([39, 55, 7, 23], 16, ByteOrder::Big),
            factor: 0.01,
            offset: -67.67,
        },
        Layout {
            wheels: one([0, 13, 26, 39], 13, ByteOrder::Little),
            factor: 0.0625,
            offset: 0.0,
        },
        Layout {
            wheels: one([16, 28, 40, 52], 12, ByteOrder::Little),
            factor: 0.125,
            offset: 0.0,
        },
        Layout {
            wheels: [(0x2A0, a), (0x2A0, b), (0x2A8, a), (0x2A8, b)],
            factor: 0.03125,
            offset: 0.0,
        },
    ]
}

#[test]
fn made_up_drives_are_found_with_scale_and_axles() {
    for (index, layout) in layouts().iter().enumerate() {
        let found = search(&drive(layout, true));
        let best = found
            .first()
            .unwrap_or_else(|| panic!("layout {index}: nothing found"));
        assert!(
            best.score > 0.8 && best.scale_known,
            "layout {index}: {best:?}"
        );
        for (found, (id, field)) in best.speeds.iter().zip(&layout.wheels) {
            assert_eq!(
                found.source.carrier,
                Carrier::Frame(CanId::standard(*id).unwrap()),
                "layout {index}: {}",
                best.why
            );
            let same_end = found.source.field.first_bit() + u32::from(found.source.field.length())
                == field.first_bit() + u32::from(field.length());
            let same = match field.byte_order() {
                ByteOrder::Big => same_end,
                ByteOrder::Little => found.source.field.first_bit() == field.first_bit(),
            };
            assert!(
                same && found.source.field.byte_order() == field.byte_order(),
                "layout {index}: {} for {field}",
                found.source.field
            );
            assert!(
                (found.source.factor / layout.factor - 1.0).abs() < 1e-9,
                "layout {index}: {}",
                best.why
            );
            assert!(
                (found.source.offset - layout.offset).abs() < 0.02,
                "layout {index}: {}",
                found.source.offset
            );
            assert!(found.confidence > 0.5, "layout {index}: {}", best.why);
        }
        let text = best.profile("found").to_yaml();
        let again = Profile::parse(&text, "found", &mut |_| {
            Err(std::io::ErrorKind::NotFound.into())
        })
        .unwrap();
        assert_eq!(again.to_yaml(), text);
    }
}

#[test]
fn a_standing_vehicle_has_nothing_to_find() {
    for layout in &layouts() {
        let found = search(&drive(layout, false));
        assert!(found.is_empty(), "{found:?}");
    }
}

#[test]
fn without_its_wheels_a_drive_has_nothing_to_find() {
    for layout in &layouts() {
        let mut lines = drive(layout, true);
        lines.retain(|line| layout.wheels.iter().all(|(id, _)| *id != line.id.raw()));
        let found = search(&lines);
        assert!(found.is_empty(), "{found:?}");
    }
}

#[test]
fn the_cruise_message_fixes_the_scale() {
    // Source: SAE J1939-71, SPN 84: 1/256 km/h a bit, so 0x3200 is 50 km/h.
    let mut finder = Finder::new();
    finder.push_frame(&Frame {
        number: 1,
        time: Some(Timestamp::from_nanos(0)),
        channel: Channel(0),
        id: CanId::extended(0x18FE_F100).unwrap(),
        kind: FrameKind::Data,
        data: &[0, 0x00, 0x32, 0, 0, 0, 0, 0],
    });
    assert!((finder.references[0].kmh - 50.0).abs() < 1e-12);
}

/// Whether a found signal is a known one: the same numbers in every frame, apart from still bits at either end.
fn is(found: &SignalSource, known: &Known, lines: &[Line]) -> bool {
    let order = if known.big {
        ByteOrder::Big
    } else {
        ByteOrder::Little
    };
    let field = field(known.start, known.length, order);
    let Carrier::Frame(id) = found.carrier else {
        return false;
    };
    if id.raw() != known.id {
        return false;
    }
    let frames = || lines.iter().filter(|line| line.id == id);
    let both =
        frames().filter_map(|line| Some((found.field.raw(&line.data)?, field.raw(&line.data)?)));
    let pairs: Vec<(u64, u64)> = both
        .filter(|(_, raw)| Some(*raw) != known.invalid)
        .collect();
    let Some((a, b)) = pairs.iter().max_by_key(|pair| pair.1) else {
        return false;
    };
    pairs.iter().all(|(x, y)| x * b == y * a)
}

#[test]
#[ignore = "needs the capture corpus"]
fn the_corpus_is_found() {
    let known = known_signals();
    let (mut files, mut steps) = (0, 0);
    for four in known.chunks(4) {
        let file = &four[0].file;
        let lines = lines(&corpus_text(file));
        let found = search(&lines);
        let wanted = file.contains("drive-") || file.contains("polled-") || file.contains("toyota");
        // On a lift some wheels stand, and a vehicle that stands shows nothing: no four move together.
        if !wanted {
            assert!(found.is_empty(), "{file}: {found:?}");
            continue;
        }
        files += 1;
        let best = found
            .first()
            .unwrap_or_else(|| panic!("{file}: nothing found"));
        let wheel_of = |found: &FoundSignal| {
            four.iter()
                .position(|known| is(&found.source, known, &lines))
        };
        let wheels: Vec<_> = best.speeds.iter().map(wheel_of).collect();
        let mut sorted: Vec<_> = wheels
            .iter()
            .flatten()
            .map(|row| four[*row].wheel)
            .collect();
        let front_first = sorted.iter().take(2).all(|wheel| *wheel < 2);
        sorted.sort_unstable();
        assert_eq!(sorted, [0, 1, 2, 3], "{file}: {best:?}");
        assert!(front_first, "{file}: {}", best.why);
        assert!(best.score > 0.7, "{file}: {}", best.score);
        // Nothing reports a speed there; a broadcast one helps, and what is wrong must not be sure.
        let factor = best.speeds[0].source.factor;
        let right = (factor / four[0].scale - 1.0).abs() < 0.03;
        steps += u32::from(right);
        let sure = best.scale_confidence;
        assert!(
            sure < if right { 0.9 } else { 0.5 },
            "{file}: {factor} {sure}"
        );
        let without: Vec<_> = lines
            .iter()
            .filter(|line| four.iter().all(|known| known.id != line.id.raw()))
            .cloned()
            .collect();
        assert!(search(&without).is_empty(), "{file} without its wheels");
    }
    assert!(files >= 14 && steps >= 12, "{files} {steps}");
}

#[test]
#[ignore = "needs the capture corpus"]
fn nothing_is_found_where_there_is_nothing() {
    let mut files = 0;
    for entry in std::fs::read_dir(corpus()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let is_log = std::path::Path::new(&name)
            .extension()
            .is_some_and(|kind| kind == "log");
        if !is_log || name.contains("wheels") {
            continue;
        }
        files += 1;
        let found = search(&lines(&corpus_text(&name)));
        assert!(found.is_empty(), "{name}: {found:?}");
    }
    assert!(files >= 5, "{files}");
}

/// The text of a demo capture, packed or not.
fn demo(path: &std::path::Path) -> String {
    let bytes = std::fs::read(path).unwrap();
    if path.extension().is_some_and(|kind| kind == "gz") {
        let mut text = String::new();
        std::io::Read::read_to_string(
            &mut flate2::read::MultiGzDecoder::new(&bytes[..]),
            &mut text,
        )
        .unwrap();
        return text;
    }
    String::from_utf8(bytes).unwrap()
}

#[test]
fn demo_captures_are_found_or_nothing_is() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let mut right = 0;
    let mut folders: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    folders.sort();
    for folder in folders.iter().filter(|folder| folder.is_dir()) {
        let profile = std::fs::read(folder.join("profile.yaml")).unwrap();
        let profile = String::from_utf8(profile).unwrap();
        let profile = Profile::parse(&profile, "demo", &mut |path| {
            std::fs::read(folder.join(path))
        })
        .unwrap();
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if !path.to_string_lossy().contains(".log") {
                continue;
            }
            let name = path.display().to_string();
            let found = search(&lines(&demo(&path)));
            // No drive, one wheel dead, or polled answers: four of a kind are not there.
            let Some(best) = found.first() else { continue };
            let places = |source: &SignalSource| (source.carrier, source.field);
            let mut here: Vec<_> = best
                .speeds
                .iter()
                .map(|found| places(&found.source))
                .collect();
            let mut there: Vec<_> = profile.speeds.iter().flatten().map(places).collect();
            here.sort();
            there.sort();
            assert_eq!(here, there, "{name}: {}", best.why);
            right += 1;
        }
    }
    assert!(right >= 8, "{right}");
}
