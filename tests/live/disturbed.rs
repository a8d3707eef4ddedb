//! A survey on a bus on which others talk: a second simulated vehicle with modules of its own, noise, and a second tester that
//! asks the same modules at the same time.

use std::collections::BTreeSet;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use tonering::capture::{Item, Kind, Tally};
use tonering::frame::{CanId, Channel};
use tonering::link::{
    Asker, Bus as _, GoOn, Manner, Scope, Socket, Survey, Target, converse, permit,
    run as run_errand,
};
use tonering::signal::profile::{Profile, Protocol};
use tonering::transport::{Address, Addressing, Conversation};
use tonering::vehicle::{List, Recorder};

use crate::guest::{Beside, VirtualBus, has, until};

fn rig(bus: &str, more: &[&str]) -> Beside {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
    command
        .args(["rig", "--on", bus, "--for", "900"])
        .args(more);
    Beside::start(&mut command)
}

/// What a survey that ends by itself finds.
#[derive(Debug, Eq, PartialEq)]
struct Found {
    /// What it tells, without an order.
    told: BTreeSet<String>,
    /// Module and code, as they were read.
    codes: BTreeSet<(String, u16, Option<u8>)>,
}

/// A survey without polling: it has to end, within two minutes here.
fn survey(socket: &mut Socket, profile: &Profile) -> Found {
    let scope = Scope {
        rate_hz: 0.0,
        codes_again: false,
        ..Scope::default()
    };
    let mut survey = Survey::new(profile, scope);
    let mut recorder = Recorder::new(profile.clone());
    let end = socket.now().nanos() + 120_000_000_000;
    let mut number = 0;
    run_errand(socket, &mut survey, &mut |heard, now| {
        if let Some(heard) = heard {
            number += 1;
            recorder.push(&Item::Can(heard.frame(number, Channel(0))));
        }
        if now.nanos() < end {
            GoOn::Yes
        } else {
            GoOn::No
        }
    })
    .unwrap();
    assert!(survey.is_polling(), "the survey does not come to its end");
    recorder.end_capture("link", Kind::CandumpLog, &Tally::default());
    let record = recorder.finish();
    let codes = record.codes.iter();
    let codes = codes.filter(|code| matches!(code.list, List::Uds(_)));
    Found {
        codes: codes
            .map(|code| {
                let module = record.modules[code.module].name.clone();
                (module, code.code.0, code.failure_type.map(|kind| kind.0))
            })
            .collect(),
        told: std::iter::from_fn(|| survey.next_event())
            .map(|event| event.to_string())
            .collect(),
    }
}

/// Asks the brake and the body module, over and over, what they refuse, what they answer in several frames, and for a list with
/// a mask that no code meets; obeys flow control, as any tester does. How many answers it got.
fn second_tester(link: &str, stop: &AtomicBool, answered: &AtomicU32) {
    let mut socket = Socket::open(link).unwrap();
    let mut asker = Asker::new(Manner::default());
    let questions: [&[u8]; 5] = [
        &[0x22, 0xFF, 0xFF],
        &[0x19, 0x02, 0x00],
        &[0x22, 0xF1, 0x90],
        &[0x22, 0x2B, 0x10],
        &[0x19, 0x01, 0xFF],
    ];
    let mut turn = 0;
    while !stop.load(Ordering::Relaxed) {
        let module = [0x740, 0x726][turn % 2];
        let target = Target::Module(Conversation {
            request: Address::can(CanId::standard_masked(module)),
            response: Address::can(CanId::standard_masked(module + 8)),
            addressing: Addressing::Normal,
        });
        let request = permit(questions[turn % questions.len()], Protocol::Uds, None).unwrap();
        let outcome = converse(&mut socket, &mut asker, &target, &request, &mut |_| {}).unwrap();
        if outcome.is_some_and(|outcome| !outcome.answers.is_empty()) {
            answered.fetch_add(1, Ordering::Relaxed);
        }
        turn += 1;
        std::thread::sleep(Duration::from_millis(110));
    }
}

/// Sends the second tester away in the end, also when an assertion fails: the scope waits for it.
struct Leaves<'a>(&'a AtomicBool);

impl Drop for Leaves<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

#[test]
fn asking_is_right_while_others_talk() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("crowd");
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (one, other) = (path("one.yaml"), path("other.yaml"));
    let mut socket = Socket::open(&bus.0).unwrap();
    let fault = [
        "--fault",
        "sensor-circuit/open@left-front",
        "--drive",
        "standing",
    ];
    let first = [&fault[..], &["--profile-out", &one]].concat();
    let _first = rig(&bus.0, &first);
    let profile = |path: &str| {
        until("the vehicle has written its profile", || {
            std::fs::metadata(path).is_ok_and(|data| data.len() > 0)
        });
        let text = String::from_utf8(std::fs::read(path).unwrap()).unwrap();
        Profile::parse(&text, "car.yaml", &mut |_| {
            Err(std::io::ErrorKind::NotFound.into())
        })
        .unwrap()
    };
    let known = profile(&one);
    for _ in 0..180 {
        if socket.hear(Duration::from_secs(1)).unwrap().is_some() {
            break;
        }
    }
    // The rig needs some seconds until its brake module has found the fault and remembers it.
    std::thread::sleep(Duration::from_secs(6));
    let quiet = survey(&mut socket, &known);
    assert!(
        quiet
            .codes
            .contains(&("Brake control".to_owned(), 0x4031, Some(0x13))),
        "{quiet:?}"
    );

    // Another vehicle of another seed: 29-bit addresses, other broadcasts, other faults. It has to be let in.
    let second = [
        "--random",
        "--seed",
        "12",
        "--among-others",
        "--profile-out",
        &other,
    ];
    let _second = rig(&bus.0, &second);
    let stranger = profile(&other);
    assert!(
        stranger
            .modules
            .iter()
            .all(|module| module.request != known.modules[0].request)
    );
    let is_there = |socket: &mut Socket| {
        let heard = socket.hear(Duration::from_secs(1)).unwrap();
        heard.is_some_and(|heard| heard.id.raw() == 0x1B8)
    };
    until("the second vehicle broadcasts", || {
        (0..2_000).any(|_| is_there(&mut socket))
    });
    let noise = ["-g 4 -I 2A5 -L 8 -D r", "-g 7 -I 18FEF121 -e -L 8 -D r"];
    let _noise = noise.map(|how| Beside::shell(&format!("cangen {} {how}", bus.0)));
    let (stop, answered) = (AtomicBool::new(false), AtomicU32::new(0));
    std::thread::scope(|scope| {
        scope.spawn(|| second_tester(&bus.0, &stop, &answered));
        let _leaves = Leaves(&stop);
        for _ in 0..2 {
            let crowded = survey(&mut socket, &known);
            assert_eq!(crowded, quiet);
        }
    });
    // The other tester was not kept from its work.
    let answered = answered.load(Ordering::Relaxed);
    assert!(answered > 10, "{answered}");
}
