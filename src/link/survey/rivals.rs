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
            let mut data = vec![u8::try_from(request.len()).unwrap()];
            data.extend(request);
            data.resize(8, 0xCC);
            self.out.push_back(RigFrame {
                time: to,
                channel: Channel(0),
                id: CanId::standard(id).unwrap(),
                kind: FrameKind::Data,
                data,
            });
        }
    }

    fn next_frame(&mut self) -> Option<RigFrame> {
        self.out.pop_front()
    }

    fn receive(&mut self, _: &Frame<'_>) {}
}

/// What a survey of a vehicle with a fault tells, in order, and the codes that it has read itself.
fn told(rival_every_ms: Option<i64>) -> (Vec<String>, BTreeSet<(usize, u16)>) {
    let wanted: FaultWanted = "sensor-circuit/open@left-front".parse().unwrap();
    let settings = Settings {
        faults: vec![wanted.settled(3)],
        drive: Drive::Standing,
        ..Settings::training(3)
    };
    let hub = Hub::new(Timestamp::from_seconds(1_000.0));
    hub.join(Vehicle::new(&settings).without_tester());
    if let Some(every_ms) = rival_every_ms {
        hub.join(Rival {
            now: Timestamp::default(),
            due: 0,
            every_ms,
            asked: 0,
            out: VecDeque::new(),
        });
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

/// Another tester's refusals and empty lists are not taken for one's own: the same modules, codes and signals are found, and
/// no identifier is given up. A negative answer does not say what it refuses (ISO 14229-1, 8.4), and 0x59 does not repeat the
/// mask that was asked for (ISO 14229-1, 11.3).
#[test]
fn the_answers_to_another_tester_are_not_taken_for_its_own() {
    let (alone, codes) = told(None);
    assert!(
        alone.contains(&"Brake control: answers, 1 code".to_owned()),
        "{alone:?}"
    );
    assert!(codes.iter().any(|(_, code)| *code == 0x4031), "{codes:?}");
    for every_ms in [90, 200, 410] {
        let (among, same) = told(Some(every_ms));
        assert_eq!(among, alone, "every {every_ms} ms");
        assert_eq!(same, codes, "every {every_ms} ms");
    }
    // Forty times a second leaves no time in which an answer is surely one's own: less is told then, and nothing wrong.
    let (among, _) = told(Some(23));
    for wrong in [
        "Brake control: answers, no codes",
        "does not give",
        "does not answer",
    ] {
        assert!(!among.iter().any(|line| line.contains(wrong)), "{among:?}");
    }
}
