//! The survey while another tester asks the same modules for other things at the same time.

use std::collections::{BTreeSet, VecDeque};

use super::tests::survey;
use super::*;
use crate::frame::{CanId, Channel, Frame, FrameKind};
use crate::link::{Hub, Partner};
use crate::rig::{Drive, FaultWanted, RigFrame, Settings, Vehicle};
use crate::vehicle::List;

/// A tester that asks, one every so many milliseconds, what is answered in single frames: an identifier that nobody has, and
/// lists with a mask that no code meets. Its answers come from the same modules, at the same addresses.
struct Rival {
    now: Timestamp,
    due: i64,
    every_ms: i64,
    asked: usize,
    out: VecDeque<RigFrame>,
}

const QUESTIONS: [&[u8]; 4] = [
    &[0x22, 0xFF, 0xFF],
    &[0x19, 0x02, 0x00],
    &[0x22, 0xFF, 0xFE],
    &[0x19, 0x01, 0x00],
];

impl Partner for Rival {
    fn now(&self) -> Timestamp {
        self.now
    }

    fn advance(&mut self, to: Timestamp) {
        self.now = to;
        while to.nanos() >= self.due {
            self.due += self.every_ms * 1_000_000;
            let request = QUESTIONS[self.asked % QUESTIONS.len()];
            let id = [0x740, 0x726][self.asked / QUESTIONS.len() % 2];
            self.asked += 1;
            let id = CanId::standard(id).unwrap();
            self.out.push_back(single_frame(to, id, request));
        }
    }

    fn next_frame(&mut self) -> Option<RigFrame> {
        self.out.pop_front()
    }

    fn receive(&mut self, _: &Frame<'_>) {}
}

fn single_frame(time: Timestamp, id: CanId, request: &[u8]) -> RigFrame {
    let mut data = vec![u8::try_from(request.len()).unwrap()];
    data.extend(request);
    data.resize(8, 0xCC);
    RigFrame {
        time,
        channel: Channel(0),
        id,
        kind: FrameKind::Data,
        data,
    }
}

/// A tester that asks the body module for what it was just asked for, takes the answer to the other for its own, and so leaves the module
/// to wait for its flow control.
struct Echo {
    now: Timestamp,
    out: VecDeque<RigFrame>,
}

impl Partner for Echo {
    fn now(&self) -> Timestamp {
        self.now
    }

    fn advance(&mut self, to: Timestamp) {
        self.now = to;
    }

    fn next_frame(&mut self) -> Option<RigFrame> {
        self.out.pop_front()
    }

    fn receive(&mut self, frame: &Frame<'_>) {
        let request = [0x22, 0xF1, 0x90];
        if frame.id.raw() == 0x726 && frame.data.get(1..4) == Some(&request) {
            self.out
                .push_back(single_frame(self.now, frame.id, &request));
        }
    }
}

/// What a survey of a vehicle with a fault tells, in order, and the codes that it has read itself.
fn told(rival: Option<impl Partner + 'static>) -> (Vec<String>, BTreeSet<(usize, u16)>) {
    let wanted: FaultWanted = "sensor-circuit/open@left-front".parse().unwrap();
    let settings = Settings {
        faults: vec![wanted.settled(3)],
        drive: Drive::Standing,
        ..Settings::training(3)
    };
    let hub = Hub::new(Timestamp::from_seconds(1_000.0));
    hub.join(Vehicle::new(&settings).without_tester());
    if let Some(rival) = rival {
        hub.join(rival);
    }
    let (record, mut survey) = survey(&settings, &hub, Scope::default(), 60.0);
    let codes = record.codes.iter();
    let codes = codes
        .filter(|code| matches!(code.list, List::Uds(_)))
        .map(|code| (code.module, code.code.0))
        .collect();
    let events = std::iter::from_fn(|| survey.next_event());
    (events.map(|event| event.to_string()).collect(), codes)
}

fn every(every_ms: i64) -> Rival {
    Rival {
        now: Timestamp::default(),
        due: 0,
        every_ms,
        asked: 0,
        out: VecDeque::new(),
    }
}

/// Another tester's refusals and empty lists are not taken for one's own: the same modules, codes and signals are found, and
/// no identifier is given up. A negative answer does not say what it refuses (ISO 14229-1, 8.4), and 0x59 does not repeat the
/// mask that was asked for (ISO 14229-1, 11.3).
#[test]
fn the_answers_to_another_tester_are_not_taken_for_its_own() {
    let (alone, codes) = told(None::<Echo>);
    assert!(
        alone.contains(&"Brake control: answers, 1 code".to_owned()),
        "{alone:?}"
    );
    assert!(codes.iter().any(|(_, code)| *code == 0x4031), "{codes:?}");
    for every_ms in [90, 200, 410] {
        let (among, same) = told(Some(every(every_ms)));
        assert_eq!(among, alone, "every {every_ms} ms");
        assert_eq!(same, codes, "every {every_ms} ms");
    }
    // Forty times a second leaves no time in which an answer is surely one's own: less is told then, and nothing wrong.
    let (among, _) = told(Some(every(23)));
    for wrong in [
        "Brake control: answers, no codes",
        "does not give",
        "does not answer",
    ] {
        assert!(!among.iter().any(|line| line.contains(wrong)), "{among:?}");
    }
}

/// A module that waits for a flow control that never comes hears no question for a second (ISO 15765-2, `N_Bs`): it is not given up before.
#[test]
fn a_module_that_waits_for_another_tester_is_asked_once_more() {
    let (alone, codes) = told(None::<Echo>);
    let (among, same) = told(Some(Echo {
        now: Timestamp::default(),
        out: VecDeque::new(),
    }));
    assert_eq!(among, alone);
    assert_eq!(same, codes);
}
