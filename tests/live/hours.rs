//! Ten hours on a bus, as the loop of `live` takes them: memory stays where it was after the first hour.

#![expect(clippy::disallowed_methods, reason = "tests meet files")]

use std::io::Write as _;

use tonering::capture::{Item, Kind, Tally};
use tonering::frame::{CanId, Channel, FrameKind, Timestamp};
use tonering::link::{Data, GoOn, Health, Heard, Hub, Scope, Survey, run};
use tonering::rig::{Drive, FaultWanted, Random, Settings, Vehicle, profile_yaml};
use tonering::signal::profile::Profile;
use tonering::vehicle::Recorder;

/// A piece of traffic, in seconds; it comes again and again.
const PIECE_S: i64 = 120;
const SECOND: i64 = 1_000_000_000;
const HOURS: i64 = 10;

/// Memory that this process really holds, in KiB (proc(5), `VmRSS`).
fn resident_kib() -> i64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = text
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// A vehicle with a fault that drives, and a survey that reads codes and polls signals.
fn traffic(profile: &Profile, settings: &Settings) -> Vec<Heard> {
    let hub = Hub::new(Timestamp::default());
    hub.join(Vehicle::new(settings).without_tester());
    let mut survey = Survey::new(profile, Scope::default());
    let mut frames = Vec::new();
    let mut port = hub.port();
    run(&mut port, &mut survey, &mut |heard, now| {
        frames.extend(heard.copied());
        if now.nanos() < PIECE_S * SECOND {
            GoOn::Yes
        } else {
            GoOn::No
        }
    })
    .unwrap();
    frames
}

/// Frames of nodes that nobody knows: forty identifiers, 400 a second, every byte by chance, so that each is taken for the
/// beginning, the middle or the end of a message now and then.
fn noise(random: &mut Random, time: Timestamp) -> Heard {
    let id = 0x400 + 8 * u32::from(random.bits().to_le_bytes()[0] % 40);
    Heard {
        time,
        id: CanId::standard_masked(id),
        kind: FrameKind::Data,
        data: Data::new(&random.bits().to_le_bytes()).unwrap(),
        lost: 0,
    }
}

#[test]
#[ignore = "takes a while and wants a process of its own: tests/live/run.sh"]
fn ten_hours_of_a_bus_do_not_fill_the_memory() {
    let wanted: FaultWanted = "sensor-circuit/intermittent@left-front".parse().unwrap();
    let settings = Settings {
        faults: vec![wanted.settled(5)],
        drive: Drive::Town,
        ..Settings::training(5)
    };
    let profile = Profile::parse(&profile_yaml(&settings, "training"), "rig", &mut |_| {
        Err(std::io::ErrorKind::NotFound.into())
    })
    .unwrap();
    let piece = traffic(&profile, &settings);
    let mut recorder = Recorder::new(profile);
    let mut health = Health::new(Timestamp::default());
    let mut tally = Tally::default();
    let mut random = Random::new(1, "hours");
    let mut after_hours = Vec::new();
    for round in 0..HOURS * 3_600 / PIECE_S {
        let shift = round * PIECE_S * SECOND;
        let mut noisy = shift;
        for heard in &piece {
            let time = Timestamp::from_nanos(heard.time.nanos() + shift);
            let mut take = |heard: &Heard| {
                tally.frames += 1;
                recorder.push(&Item::Can(heard.frame(tally.frames, Channel(0))));
                health.hear(heard);
            };
            while noisy < time.nanos() {
                take(&noise(&mut random, Timestamp::from_nanos(noisy)));
                noisy += SECOND / 400;
            }
            take(&Heard { time, ..*heard });
        }
        // As the loop does it: an hour of signals is kept, and a record is judged now and then.
        let now = Timestamp::from_nanos(shift + PIECE_S * SECOND);
        recorder.forget_signals_before(now.seconds() - 3_600.0);
        recorder.expire(now);
        drop(recorder.so_far("can0", Kind::Link, &tally));
        let seconds = (round + 1) * PIECE_S;
        if seconds % 3_600 == 0 {
            after_hours.push(resident_kib());
        }
    }
    let _ = writeln!(
        std::io::stderr(),
        "{} frames in {HOURS} h; resident after each hour, MiB: {:?}",
        tally.frames,
        after_hours
            .iter()
            .map(|kib| kib / 1_024)
            .collect::<Vec<_>>()
    );
    assert!(tally.frames > 15_000_000);
    let record = recorder.so_far("can0", Kind::Link, &tally);
    assert!(!record.codes.is_empty());
    // The first hour fills what is kept; then nothing is added.
    let (first, most) = (after_hours[1], *after_hours.iter().max().unwrap());
    assert!(most - first < 6 * 1_024, "{after_hours:?}");
}
