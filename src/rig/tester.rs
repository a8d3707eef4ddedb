//! The scripted tester of a recording: asks, waits for the answers, polls.

use std::collections::VecDeque;

use super::bus::{Bus, Node};
use super::settings::{Delivery, ModuleName, Moment, Scheme, Settings};
use super::talk::{Outgoing, Talk};
use crate::frame::CanId;

/// How long the tester waits for an answer, and after "response pending", seconds.
const PATIENCE_S: f64 = 0.2;
const LONG_PATIENCE_S: f64 = 5.0;
/// Between an answer and the next request, seconds.
const BREATH_S: f64 = 0.03;
/// Padding of the tester's frames.
const PADDING: u8 = 0x55;

#[derive(Clone, Debug)]
enum Step {
    /// Until a time, seconds.
    Until(f64),
    /// Ask all.
    AskAll(Vec<u8>),
    /// Ask one module.
    Ask(ModuleName, Vec<u8>),
    /// Read a snapshot of each code of the module's last list.
    Snapshots(ModuleName),
    /// Ask again and again until a time.
    Poll {
        until: f64,
        rate_hz: f64,
        requests: Vec<Vec<u8>>,
    },
}

#[derive(Clone, Debug)]
enum State {
    Ready,
    /// Waiting for one module's answer, or for those of all.
    Waiting {
        module: Option<ModuleName>,
        deadline: f64,
    },
    Resting(f64),
}

/// The tester.
#[derive(Clone, Debug)]
pub(super) struct Tester {
    script: VecDeque<Step>,
    state: State,
    talks: [Talk; 4],
    functional: CanId,
    /// Codes of the last list of each module.
    listed: [Vec<[u8; 3]>; 4],
    poll_at: f64,
    poll_next: usize,
    out: Vec<Outgoing>,
}

impl Tester {
    /// The tester of these settings, for a drive that begins and ends at these times.
    pub(super) fn new(settings: &Settings, leave: f64, end: f64) -> Self {
        let mut script = VecDeque::new();
        let survey = settings.survey;
        let polls = match settings.delivery {
            Delivery::Polled { rate_hz } => Some(rate_hz),
            Delivery::Broadcast | Delivery::Absent => None,
        };
        let poll = |script: &mut VecDeque<Step>, until: f64| match polls {
            Some(rate_hz) => script.push_back(Step::Poll {
                until,
                rate_hz,
                requests: polled(settings),
            }),
            None => script.push_back(Step::Until(until)),
        };
        if survey.clears {
            script.push_back(Step::Until(0.8));
            Self::ask_for_codes(&mut script, settings);
            for module in ModuleName::ALL {
                if module != ModuleName::Brakes || survey.asks_brakes {
                    script.push_back(Step::Ask(module, vec![0x14, 0xFF, 0xFF, 0xFF]));
                }
            }
        }
        match survey.moment {
            Moment::Before => {
                script.push_back(Step::Until(0.8));
                Self::ask_for_codes(&mut script, settings);
                poll(&mut script, end);
            }
            Moment::During => {
                poll(&mut script, leave + 0.55 * (end - leave));
                Self::ask_for_codes(&mut script, settings);
                poll(&mut script, end);
            }
            Moment::After => {
                poll(&mut script, end);
                Self::ask_for_codes(&mut script, settings);
            }
            Moment::Never => poll(&mut script, end),
        }
        let talks = ModuleName::ALL.map(|module| {
            let (request, response) = settings.scheme.addresses(module);
            Talk::new(request, response, Some(PADDING))
        });
        Self {
            script,
            state: State::Ready,
            talks,
            functional: Scheme::functional(settings.scheme),
            listed: [const { Vec::new() }; 4],
            poll_at: 0.0,
            poll_next: 0,
            out: Vec::new(),
        }
    }

    fn ask_for_codes(script: &mut VecDeque<Step>, settings: &Settings) {
        for request in [
            vec![0x01, 0x00],
            vec![0x01, 0x01],
            vec![0x03],
            vec![0x07],
            vec![0x0A],
            vec![0x09, 0x02],
            vec![0x01, 0x42],
        ] {
            script.push_back(Step::AskAll(request));
        }
        for module in ModuleName::ALL {
            if module == ModuleName::Brakes && !settings.survey.asks_brakes {
                continue;
            }
            script.push_back(Step::Ask(module, vec![0x10, 0x03]));
            script.push_back(Step::Ask(module, vec![0x22, 0xF1, 0x90]));
            // Without the bits of tests that have not run: confirmed, pending and failed ones.
            script.push_back(Step::Ask(module, vec![0x19, 0x02, 0xAF]));
            if settings.survey.snapshots {
                script.push_back(Step::Snapshots(module));
            }
            if module == ModuleName::Brakes {
                script.push_back(Step::Ask(module, vec![0x22, 0x2B, 0x10]));
            }
        }
    }

    /// Whether the script is done.
    pub(super) fn is_done(&self) -> bool {
        self.script.is_empty() && matches!(self.state, State::Ready)
    }

    /// Takes a frame of the bus.
    pub(super) fn hear(&mut self, id: CanId, data: &[u8], now: f64) {
        for module in ModuleName::ALL {
            let talk = &mut self.talks[module.index()];
            if talk.hears != id {
                continue;
            }
            if let Some(payload) = talk.hear(data, now, &mut self.out) {
                self.take(module, &payload, now);
            }
        }
    }

    fn take(&mut self, module: ModuleName, payload: &[u8], now: f64) {
        if let [0x59, 0x02, _, codes @ ..] = payload {
            let codes = codes.chunks_exact(4);
            self.listed[module.index()] = codes.map(|code| [code[0], code[1], code[2]]).collect();
        }
        let State::Waiting {
            module: awaited,
            deadline,
        } = &mut self.state
        else {
            return;
        };
        if let [0x7F, _, 0x78] = payload {
            *deadline = now + LONG_PATIENCE_S;
        } else if *awaited == Some(module) {
            self.state = State::Resting(now + BREATH_S);
        }
    }

    /// One step: what is due goes to the bus.
    pub(super) fn step(&mut self, now: f64, bus: &mut Bus) {
        match self.state {
            State::Waiting { module, deadline } => {
                // A long answer may still be coming in when the time for its start is over.
                let busy = module.is_some_and(|module| self.talks[module.index()].is_joining(now));
                if now >= deadline && !busy {
                    self.state = State::Resting(now + BREATH_S);
                }
            }
            State::Resting(until) if now >= until => self.state = State::Ready,
            State::Resting(_) => {}
            State::Ready => self.next(now, bus),
        }
        for talk in &mut self.talks {
            talk.poll(now, &mut self.out);
        }
        for (id, data) in self.out.drain(..) {
            bus.queue(now, Node::Tester, id, data);
        }
    }

    fn ask(&mut self, module: ModuleName, payload: Vec<u8>, now: f64) {
        self.talks[module.index()].send(payload);
        self.state = State::Waiting {
            module: Some(module),
            deadline: now + PATIENCE_S,
        };
    }

    fn next(&mut self, now: f64, bus: &mut Bus) {
        let Some(step) = self.script.pop_front() else {
            return;
        };
        match step {
            Step::Until(time) => {
                if now < time {
                    self.script.push_front(Step::Until(time));
                }
            }
            Step::AskAll(payload) => {
                let mut data = vec![payload.len().to_le_bytes()[0]];
                data.extend_from_slice(&payload);
                data.resize(8, PADDING);
                bus.queue(now, Node::Tester, self.functional, data);
                self.state = State::Waiting {
                    module: None,
                    deadline: now + PATIENCE_S,
                };
            }
            Step::Ask(module, payload) => self.ask(module, payload, now),
            Step::Snapshots(module) => {
                for &[a, b, c] in &self.listed[module.index()] {
                    let request = vec![0x19, 0x04, a, b, c, 0x01];
                    self.script.push_front(Step::Ask(module, request));
                }
            }
            Step::Poll {
                until,
                rate_hz,
                requests,
            } => {
                if now >= until {
                    return;
                }
                if now >= self.poll_at
                    && let Some(request) = requests.get(self.poll_next)
                {
                    self.ask(ModuleName::Brakes, request.clone(), now);
                    self.poll_next += 1;
                    if self.poll_next >= requests.len() {
                        self.poll_next = 0;
                        self.poll_at = (self.poll_at + 1.0 / rate_hz).max(now);
                    }
                }
                self.script.push_front(Step::Poll {
                    until,
                    rate_hz,
                    requests,
                });
            }
        }
    }
}

/// The requests of one round of polling.
fn polled(settings: &Settings) -> Vec<Vec<u8>> {
    // Some testers ask for each wheel in turn, others for all in one request.
    if settings.seed.is_multiple_of(2) {
        let wheels = [1, 2, 3, 4].map(|wheel| vec![0x22, 0x2B, wheel]);
        wheels.into_iter().chain([vec![0x22, 0x2B, 0x10]]).collect()
    } else {
        vec![vec![
            0x22, 0x2B, 0x01, 0x2B, 0x02, 0x2B, 0x03, 0x2B, 0x04, 0x2B, 0x10,
        ]]
    }
}
