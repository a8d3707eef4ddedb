//! A vehicle as a capture would describe it, put together by hand, and what the shipped rules make of it.

use tonering::diagnosis::{self, Diagnosis};
use tonering::evidence::{Grounds, State, evaluate};
use tonering::notes::Notes;
use tonering::place::Place;
use tonering::rules::{RuleText, Rules};
use tonering::signal::Trace;
use tonering::trouble::{Catalogue, FailureType};
use tonering::vehicle::{
    CodeListRead, List, Module, ModuleState, Origin, Record, ReportedCode, Role, SensorKind,
};

/// Present, confirmed, lamp on.
pub(super) const PRESENT: u8 = 0x2F;
/// Stored from the past: confirmed and failed since the last clearing, nothing in this cycle.
pub(super) const STORED: u8 = 0x28;

/// A vehicle under observation.
pub(super) struct Scene {
    pub(super) record: Record,
    notes: String,
    rules: String,
}

const ORIGIN: Origin = Origin {
    capture: 0,
    number: 1,
    time: None,
};

impl Scene {
    /// A vehicle whose brake module answers; nothing was read from it yet.
    pub(super) fn new() -> Self {
        let mut scene = Self::empty();
        scene.module("Brake control", Role::Brakes, ModuleState::Answering);
        scene
    }

    /// A vehicle of which nothing is known.
    pub(super) fn empty() -> Self {
        Self {
            record: Record::default(),
            notes: "notes: 1\nchecks:\n".to_owned(),
            rules: String::new(),
        }
    }

    pub(super) fn module(&mut self, name: &str, role: Role, state: ModuleState) -> usize {
        let answers = u32::from(state == ModuleState::Answering);
        self.record.modules.push(Module {
            name: name.to_owned(),
            role,
            in_profile: true,
            request: None,
            response: None,
            state,
            asked: 3,
            positive: answers,
            negative: 0,
            broken: 0,
            unanswered: 3 - 3 * answers,
            missed: 0,
            first_seen: None,
        });
        self.record.modules.len() - 1
    }

    /// The module's code list was read; codes are added by [`Scene::code_from`].
    pub(super) fn list(mut self, module: usize) -> Self {
        self.record.lists.push(CodeListRead {
            module,
            list: List::Uds(0x02),
            codes: 0,
            origin: ORIGIN,
        });
        self
    }

    /// The brake module's list was read.
    pub(super) fn read(self) -> Self {
        self.list(0)
    }

    /// Another module whose list was read.
    pub(super) fn neighbour(mut self, name: &str, role: Role) -> Self {
        let module = self.module(name, role, ModuleState::Answering);
        self.list(module)
    }

    /// A code of the brake module: `C0031-13`, or `C0035` without a failure type.
    pub(super) fn code(self, text: &str, status: u8) -> Self {
        self.code_from(0, text, status)
    }

    pub(super) fn code_from(mut self, module: usize, text: &str, status: u8) -> Self {
        let (code, failure) = match text.split_once('-') {
            Some((code, byte)) => (code, Some(u8::from_str_radix(byte, 16).unwrap())),
            None => (text, None),
        };
        let list = match failure {
            Some(_) => List::Uds(0x02),
            None => List::Stored,
        };
        self.record.codes.push(ReportedCode {
            code: code.parse().unwrap(),
            failure_type: failure.map(FailureType),
            status: failure.map(|_| status),
            availability: None,
            list,
            module,
            origin: ORIGIN,
        });
        self
    }

    /// A check that was done: `abs-fuse, result: blown`.
    pub(super) fn noted(mut self, check: &str) -> Self {
        self.notes += "  - { check: ";
        self.notes += check;
        self.notes += " }\n";
        self
    }

    pub(super) fn sensors(mut self, kind: SensorKind) -> Self {
        self.record.wheel_data.sensor = Some(kind);
        self
    }

    /// One minute of a voltage, once a second.
    pub(super) fn volts(volts: f32) -> Trace {
        let mut trace = Trace::new(0.1);
        for second in 0..60 {
            trace.push(f64::from(second), volts);
        }
        trace
    }

    /// Own rules over the shipped ones.
    pub(super) fn with_rules(mut self, text: String) -> Self {
        self.rules = text;
        self
    }

    /// What the shipped rules make of it.
    pub(super) fn judge(&self) -> Judgement {
        let own = RuleText {
            name: "own.yaml",
            text: &self.rules,
        };
        let own = [own];
        let own = if self.rules.is_empty() { &[][..] } else { &own };
        let rules = Rules::load(own).unwrap_or_else(|error| panic!("{error}"));
        let catalogue = Catalogue::embedded().unwrap();
        let notes = match self.notes.lines().count() {
            0..=2 => Notes::default(),
            _ => Notes::parse(&self.notes, "notes.yaml", &rules)
                .unwrap_or_else(|error| panic!("{error}")),
        };
        let measures = diagnosis::measures(&self.record);
        let grounds = Grounds {
            rules: &rules,
            catalogue: &catalogue,
            record: &self.record,
            measures: &measures,
            notes: &notes,
        };
        let Diagnosis {
            model,
            evidence,
            ranking,
        } = diagnosis::diagnose(&grounds);
        Judgement {
            causes: ranking
                .order()
                .into_iter()
                .map(|index| {
                    let (cause, place) = &model.causes[index];
                    (cause.id.clone(), *place, ranking.posterior[index])
                })
                .collect(),
            holding: evidence
                .findings
                .iter()
                .filter(|finding| finding.state == State::True)
                .map(|finding| format!("{} at {}", finding.id, finding.place))
                .collect(),
        }
    }
}

impl Scene {
    /// For each way to read the codes, whether some finding holds.
    pub(super) fn readings(&self, rules: &Rules, catalogue: &Catalogue) -> Vec<bool> {
        let measures = diagnosis::measures(&self.record);
        let evidence = evaluate(&Grounds {
            rules,
            catalogue,
            record: &self.record,
            measures: &measures,
            notes: &Notes::default(),
        });
        let readings = evidence.readings.iter();
        readings
            .map(|reading| reading.states.contains(&State::True))
            .collect()
    }
}

/// The ranked causes, best first, and the findings that hold.
pub(super) struct Judgement {
    pub(super) causes: Vec<(String, Place, f64)>,
    pub(super) holding: Vec<String>,
}

impl Judgement {
    pub(super) fn first(&self) -> (&str, Place) {
        let (id, place, _) = &self.causes[0];
        (id, *place)
    }

    /// The probability of a cause at a place.
    pub(super) fn of(&self, cause: &str, place: Place) -> f64 {
        let found = self
            .causes
            .iter()
            .find(|(id, at, _)| id == cause && *at == place);
        found
            .unwrap_or_else(|| panic!("no cause {cause} at {place}"))
            .2
    }

    /// The highest probability that a cause has anywhere.
    pub(super) fn highest(&self, cause: &str) -> f64 {
        let all = self.causes.iter().filter(|(id, ..)| id == cause);
        all.map(|&(.., probability)| probability)
            .fold(0.0, f64::max)
    }

    /// The rank, from 0, of a cause at a place.
    pub(super) fn rank(&self, cause: &str, place: Place) -> usize {
        self.causes
            .iter()
            .position(|(id, at, _)| id == cause && *at == place)
            .unwrap_or(usize::MAX)
    }

    /// The head of the list for failure texts.
    pub(super) fn head(&self) -> String {
        let lines: Vec<String> = self
            .causes
            .iter()
            .take(6)
            .map(|(id, place, p)| format!("  {p:.4} {id} at {place}"))
            .collect();
        format!("{}\n  {}", lines.join("\n"), self.holding.join("\n  "))
    }
}
