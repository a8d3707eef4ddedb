//! What asks on a link, against partners that are not this program's: the kernel's own ISO 15765-2; and the simulated vehicle
//! as a program of its own.

use std::collections::VecDeque;
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::time::Duration;

use tonering::capture::{Item, Kind, Tally};
use tonering::frame::{CanId, Channel, Timestamp};
use tonering::link::{
    Asker, Bus as _, Ending, Event, GoOn, Manner, Range, Scope, Seek, Socket, Survey, Target,
    converse, permit, run as run_errand,
};
use tonering::rig::Random;
use tonering::signal::profile::{Profile, Protocol};
use tonering::transport::segment::Cut;
use tonering::transport::{
    Address, Addressing, Conversation, Next, Received, Receiver, Reception, Sender, Separation,
};
use tonering::vehicle::Recorder;

use crate::guest::{Beside, VirtualBus, has, shell};

/// A partner on the kernel's ISO-TP socket: sends back what it gets. Arguments: link, block size, separation time.
const ECHO: &str = r#"
import socket, struct, sys
s = socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_ISOTP)
s.setsockopt(socket.SOL_CAN_BASE + socket.CAN_ISOTP, 2, struct.pack("=BBB", int(sys.argv[2]), int(sys.argv[3]), 0))
s.bind((sys.argv[1], 0x6A1, 0x6A9))
print("ready", flush=True)
while True:
    s.send(s.recv(4095))
"#;

/// The same as a module: answers 0x22 with the identifier and so many bytes as the identifier says.
const MODULE: &str = r#"
import socket, sys
s = socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_ISOTP)
s.bind((sys.argv[1], 0x740, 0x748))
print("ready", flush=True)
while True:
    asked = s.recv(4095)
    count = asked[1] << 8 | asked[2]
    s.send(bytes([0x7F, 0x22, 0x78]))
    s.send(bytes([0x62]) + asked[1:3] + bytes((n * 7 + 3) & 0xFF for n in range(count)))
"#;

fn python() -> bool {
    shell("python3 -c 'import socket; socket.CAN_ISOTP'")
        .status
        .success()
}

fn partner(script: &str, arguments: &[&str]) -> Beside {
    let mut command = Command::new("python3");
    command.args(["-c", script]).args(arguments);
    let mut beside = Beside::start(&mut command);
    let mut out = beside.0.stdout.take().unwrap();
    let mut first = [0; 6];
    std::io::Read::read_exact(&mut out, &mut first).unwrap();
    beside.0.stdout = Some(out);
    beside
}

/// Random payloads of all lengths, both ways: what our sender sends, the kernel receives, and what it sends back, our receiver
/// receives, under every kind of flow control.
#[test]
fn asking_kernel_and_program_exchange_payloads_of_all_lengths() {
    if !has("virtual") || !python() {
        return;
    }
    let (to, from) = (CanId::standard_masked(0x6A1), CanId::standard_masked(0x6A9));
    let mut random = Random::new(5, "payloads");
    for (block_size, separation) in [(0_u8, 0_u8), (1, 0), (3, 1), (8, 0xF1)] {
        let bus = VirtualBus::new("isotp");
        let _echo = partner(
            ECHO,
            &[&bus.0, &block_size.to_string(), &separation.to_string()],
        );
        let mut socket = Socket::open(&bus.0).unwrap();
        let mut lengths: Vec<usize> = (1..=130).chain([4_095]).collect();
        lengths.extend((0..25).map(|_| 1 + random.below(4_095)));
        for length in lengths {
            let payload: Vec<u8> = (0..length)
                .map(|_| random.bits().to_le_bytes()[0])
                .collect();
            let filling = length.is_multiple_of(2).then_some(0xCC);
            let mut sender = Sender::new(&payload, Cut::classic(filling));
            let mut receiver = Receiver::new(Reception {
                block_size,
                separation: Separation(separation),
                filling,
                ..Reception::default()
            });
            let begin = socket.now();
            let mut back = None;
            // The last frames, with the kernel's times of what was heard: who keeps whom waiting.
            let mut last: VecDeque<String> = VecDeque::new();
            let mut note = |time: Timestamp, what: &str, data: &[u8]| {
                let since = time.nanos_since(begin) / 1_000;
                last.push_back(format!("{since:9} µs {what} {data:02X?}"));
                if last.len() > 12 {
                    last.pop_front();
                }
                last.make_contiguous().join("\n")
            };
            while back.is_none() {
                let now = socket.now();
                assert!(
                    now.nanos_since(begin) < 20_000_000_000,
                    "{length} bytes did not come back, block size {block_size}, separation {separation}:\n{}",
                    note(now, "now", &[])
                );
                let patience = match sender.poll(now) {
                    Next::Send(field) => {
                        note(now, "sent ", &field);
                        socket.put(to, &field).unwrap();
                        continue;
                    }
                    Next::Wait(until) => {
                        Duration::from_nanos(u64::try_from(until.nanos_since(now)).unwrap_or(0))
                    }
                    Next::Done => Duration::from_millis(100),
                    Next::Failed(fault) => panic!("{length}: {fault}\n{}", note(now, "now", &[])),
                };
                let Some(heard) = socket
                    .hear(patience.min(Duration::from_millis(100)))
                    .unwrap()
                else {
                    continue;
                };
                if heard.id != from {
                    continue;
                }
                note(heard.time, "heard", &heard.data);
                let now = socket.now();
                sender.take(&heard.data, now);
                match receiver.take(&heard.data, now) {
                    Received::Flow(flow) => {
                        note(now, "sent ", &flow);
                        socket.put(to, &flow).unwrap();
                    }
                    Received::Message(message) => back = Some(message),
                    Received::Nothing => {}
                    Received::Broken(fault) => {
                        panic!("{length}: {fault:?}\n{}", note(now, "now", &[]))
                    }
                }
            }
            assert_eq!(back, Some(payload), "{length}");
        }
    }
}

#[test]
fn asking_a_module_made_of_the_kernels_transport() {
    if !has("virtual") || !python() {
        return;
    }
    let bus = VirtualBus::new("module");
    let _module = partner(MODULE, &[&bus.0]);
    let mut socket = Socket::open(&bus.0).unwrap();
    let mut asker = Asker::new(Manner::default());
    let target = Target::Module(Conversation {
        request: Address::can(CanId::standard_masked(0x740)),
        response: Address::can(CanId::standard_masked(0x748)),
        addressing: Addressing::Normal,
    });
    for count in [0_u16, 1, 4, 5, 60, 700, 4_000] {
        let [high, low] = count.to_be_bytes();
        let request = permit(&[0x22, high, low], Protocol::Uds, None).unwrap();
        let outcome = converse(&mut socket, &mut asker, &target, &request, &mut |_| {});
        let outcome = outcome.unwrap().unwrap();
        assert_eq!(outcome.ending, Ending::Answered, "{count}");
        let reply = outcome.positive().unwrap();
        assert_eq!(reply.pending, 1);
        let expected: Vec<u8> = (0..count).map(|n| (n * 7 + 3).to_le_bytes()[0]).collect();
        assert_eq!(reply.payload[3..], expected);
    }
}

fn rig(bus: &str, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
    command.args(["rig", "--on", bus]).args(more);
    command
}

/// Waits until a vehicle broadcasts: it drives its earlier drives first, which takes a while where everything is emulated.
fn wait_for_vehicle(socket: &mut Socket) {
    for _ in 0..180 {
        if socket.hear(Duration::from_secs(1)).unwrap().is_some() {
            return;
        }
    }
    panic!("no vehicle broadcasts");
}

/// The simulated vehicle as a program of its own, and a survey of it: the fault is found; a second vehicle is refused, and
/// with its eyes open disturbs and does not stop anything.
#[test]
fn asking_a_vehicle_on_the_link() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("rig");
    let folder = tempfile::tempdir().unwrap();
    let yaml = folder.path().join("car.yaml");
    let profile_out = yaml.display().to_string();
    let fault = [
        "--fault",
        "sensor-circuit/open@left-front",
        "--drive",
        "standing",
        "--for",
        "900",
    ];
    let mut first = rig(&bus.0, &fault);
    first.args(["--profile-out", &profile_out]);
    let _first = Beside::start(&mut first);
    let mut socket = Socket::open(&bus.0).unwrap();
    wait_for_vehicle(&mut socket);
    let text = String::from_utf8(std::fs::read(&yaml).unwrap()).unwrap();
    let profile = Profile::parse(&text, "car.yaml", &mut |_| {
        Err(std::io::ErrorKind::NotFound.into())
    })
    .unwrap();
    let mut look = |seconds: i64| {
        let mut survey = Survey::new(&profile, Scope::default());
        let mut recorder = Recorder::new(profile.clone());
        let end = socket.now().nanos() + seconds * 1_000_000_000;
        let mut number = 0;
        run_errand(&mut socket, &mut survey, &mut |heard, now| {
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
        recorder.end_capture("link", Kind::CandumpLog, &Tally::default());
        let events: Vec<Event> = std::iter::from_fn(|| survey.next_event()).collect();
        (recorder.finish(), events)
    };
    // Time enough to ask a second time whoever was late in an emulated machine.
    let (record, events) = look(40);
    assert!(
        record.codes.iter().any(|code| code.code.0 == 0x4031),
        "{events:?}"
    );
    let answering = |event: &&Event| matches!(event, Event::Codes { .. });
    assert_eq!(events.iter().filter(answering).count(), 4, "{events:?}");
    let supply = record.signals.supply_voltage.as_ref().unwrap();
    assert!(supply.len() > 10);

    // The same through the command: what was asked tells the cause.
    let report = folder.path().join("report.json");
    let mut live = Command::new(env!("CARGO_BIN_EXE_tonering"));
    live.args([
        "live", &bus.0, "--ask", "--rate", "2", "--for", "20s", "--format", "json",
    ]);
    live.args([
        "--profile",
        &profile_out,
        "--output",
        &report.display().to_string(),
    ]);
    let output = live.output().unwrap();
    let lines = String::from_utf8(output.stdout).unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{lines}{errors}");
    let said = format!("{lines}{errors}");
    assert!(said.contains("asked: Brake control: answers, "), "{said}");
    let report = String::from_utf8(std::fs::read(&report).unwrap()).unwrap();
    let first = report.split("\"causes\"").nth(1).unwrap();
    let first = first.split('}').next().unwrap();
    assert!(
        first.contains("sensor-circuit") && first.contains("left-front"),
        "{first}"
    );

    let refused = rig(&bus.0, &["--for", "5"]).output().unwrap();
    assert!(!refused.status.success());
    let words = String::from_utf8(refused.stderr).unwrap();
    assert!(words.contains("others talk on rig"), "{words}");
    let _second = Beside::start(&mut rig(
        &bus.0,
        &["--seed", "9", "--for", "60", "--among-others"],
    ));
    let (record, _) = look(8);
    assert!(record.signals.speeds.iter().all(Option::is_some));
}

#[test]
fn asking_finds_the_modules_of_a_vehicle() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("seek");
    let _vehicle = Beside::start(&mut rig(&bus.0, &["--drive", "standing", "--for", "900"]));
    let mut socket = Socket::open(&bus.0).unwrap();
    wait_for_vehicle(&mut socket);
    let mut seek = Seek::new(Range::Standard);
    run_errand(&mut socket, &mut seek, &mut |_, _| GoOn::Yes).unwrap();
    let found: Vec<u32> = seek
        .found()
        .iter()
        .map(|found| found.request.raw())
        .collect();
    assert_eq!(found, [0x720, 0x726, 0x740, 0x7E0]);
    let mut live = Command::new(env!("CARGO_BIN_EXE_tonering"));
    let output = live.args(["live", &bus.0, "--seek"]).output().unwrap();
    let lines = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{lines}");
    let yaml = lines.split_once("profile: 1").unwrap().1;
    let profile = Profile::parse(&format!("profile: 1{yaml}"), "found", &mut |_| {
        Err(std::io::ErrorKind::NotFound.into())
    });
    assert_eq!(profile.unwrap().modules.len(), 4, "{lines}");
}

/// The whole command, over a pipe: a module's name typed, codes kept and cleared.
#[test]
fn asking_to_clear_codes() {
    if !has("virtual") {
        return;
    }
    let bus = VirtualBus::new("clear");
    let folder = tempfile::tempdir().unwrap();
    let yaml = folder.path().join("car.yaml");
    let kept = folder.path().join("kept.log");
    let mut vehicle = rig(
        &bus.0,
        &[
            "--fault",
            "sensor-circuit/open@left-front",
            "--drive",
            "standing",
            "--for",
            "900",
        ],
    );
    vehicle.args(["--profile-out", &yaml.display().to_string()]);
    let _vehicle = Beside::start(&mut vehicle);
    let mut socket = Socket::open(&bus.0).unwrap();
    wait_for_vehicle(&mut socket);
    let clear = |typed: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tonering"));
        command.args(["clear", &bus.0, "--profile", &yaml.display().to_string()]);
        command.args(["--save", &kept.display().to_string()]);
        command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        child
            .stdin
            .take()
            .unwrap()
            .write_all(typed.as_bytes())
            .unwrap();
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        let errors = String::from_utf8(output.stderr).unwrap();
        (output.status.success(), said, errors)
    };
    let (done, said, errors) = clear("no\n");
    assert!(
        !done && errors.contains("nothing was cleared"),
        "{said}{errors}"
    );
    std::fs::remove_file(&kept).unwrap();
    let (done, said, errors) = clear("Brake control\n");
    assert!(done, "{said}{errors}");
    assert!(said.contains("says that it has cleared"), "{said}");
    assert!(said.contains("There again within 5 s"), "{said}");
    let (done, _, errors) = clear("Brake control\n");
    assert!(!done && errors.contains("is there already"), "{errors}");
}
