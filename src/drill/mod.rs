//! A lesson: a simulated vehicle with a fault that nobody has told, checks that answer, and marks at the end.
//!
//! The vehicle comes from a seed: the same seed, the same lesson. What was asked and done is kept with its price; at the
//! end it is compared with what the program would have done on the same vehicle.

mod marks;
mod way;

use crate::capture::{Item, Kind, Tally};
use crate::diagnosis::{self, Means};
use crate::evidence::Grounds;
use crate::frame::Timestamp;
use crate::notes::{Note, NoteResult, Notes};
use crate::place::{Place, PlaceKind};
use crate::report::{Report, Urgency};
use crate::rig::{
    CHECKS, FaultWanted, Random, Reading, Settings, TrueCause, Truth, UnknownCheck, Vehicle,
    causes, profile_yaml,
};
use crate::rules::{CheckRule, Rules};
use crate::signal::profile::Profile;
use crate::trouble::Catalogue;
use crate::vehicle::{Record, Recorder, SensorKind};
use crate::wheel::Measures;

pub use marks::{Answer, Marks, Right};
pub use way::{Way, WayStep};

/// Minutes that reading the codes of one module takes.
pub const CODES_MINUTES: f64 = 3.0;
/// Minutes that a recorded test drive takes.
pub const DRIVE_MINUTES: f64 = 20.0;
/// Minutes that reading the voltages takes.
pub const VOLTAGES_MINUTES: f64 = 2.0;

/// What the lesson's rules, codes and means are.
#[derive(Clone, Copy, Debug)]
pub struct School<'r> {
    /// The rule set: checks, causes, cautions.
    pub rules: &'r Rules,
    /// The meaning of codes.
    pub catalogue: &'r Catalogue,
    /// Who works, and what an hour costs.
    pub means: Means,
}

/// What was spent.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spent {
    /// Minutes of work.
    pub minutes: f64,
    /// Money besides time, in the currency of the hourly rate.
    pub money: f64,
}

impl Spent {
    /// All of it as money.
    pub fn at(self, hourly_rate: f64) -> f64 {
        self.minutes / 60.0 * hourly_rate + self.money
    }

    fn add(&mut self, minutes: f64, money: f64) {
        self.minutes += minutes;
        self.money += money;
    }
}

/// A check that was done.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// Which.
    pub check: &'static str,
    /// Where.
    pub place: Place,
    /// What came out.
    pub reading: Reading,
    /// Whether its description with the cautions was read before.
    pub prepared: bool,
    /// How much it moved the probability of the cause that it moved most, with all that the recordings say.
    pub moved: f64,
}

/// Why a check is not done.
#[derive(Clone, Debug, Eq, PartialEq, thiserror::Error)]
pub enum NotDone {
    /// There is no such check, or not there.
    #[error(transparent)]
    Unknown(#[from] UnknownCheck),
    /// It has been done.
    #[error("that has been done; ask again and the vehicle says the same")]
    Already,
}

/// One lesson under way.
#[derive(Debug)]
pub struct Case<'r> {
    school: School<'r>,
    vehicle: Vehicle,
    profile: Profile,
    record: Record,
    measures: Measures,
    truth: TrueCause,
    done: Vec<Done>,
    spent: Spent,
    /// Modules whose codes were read, by index in the record.
    asked: Vec<usize>,
    /// Whether the test drive was made, and whether codes forbade it at that time.
    drove: Option<bool>,
    voltages: bool,
    prepared: Vec<&'static str>,
}

/// How often a vehicle is drawn again until something lights its lamp.
const DRAWS: u64 = 12;

impl<'r> Case<'r> {
    /// The lesson of a seed.
    pub fn new(seed: u64, school: School<'r>) -> Self {
        let mut draw = 0;
        loop {
            let settings = drawn(seed, draw);
            let case = Self::of(&settings, school);
            draw += 1;
            if case.lights_the_lamp() || draw == DRAWS {
                return case;
            }
        }
    }

    fn of(settings: &Settings, school: School<'r>) -> Self {
        let yaml = profile_yaml(settings, "Training vehicle");
        // The rig's own profile is always sound; without it the lesson would still go on, with fewer signals.
        let profile = Profile::parse(&yaml, "training vehicle", &mut |_| {
            Err(std::io::ErrorKind::NotFound.into())
        })
        .unwrap_or_default();
        let mut vehicle = Vehicle::new(settings);
        let mut recorder = Recorder::new(profile.clone());
        let mut tally = Tally::default();
        vehicle.record(|frame| {
            tally.frames += 1;
            recorder.push(&Item::Can(frame.as_frame(tally.frames)));
        });
        recorder.end_capture("the test drive", Kind::CandumpLog, &tally);
        let record = recorder.finish();
        let truth = Truth::of(settings).causes.first().copied();
        Self {
            measures: diagnosis::measures(&record),
            truth: truth.unwrap_or(TrueCause {
                cause: "no-present-fault",
                form: "",
                place: Place::Vehicle,
            }),
            school,
            vehicle,
            profile,
            record,
            done: Vec::new(),
            spent: Spent::default(),
            asked: Vec::new(),
            drove: None,
            voltages: false,
            prepared: Vec::new(),
        }
    }

    /// Whether the brake module has a code, or is silent.
    fn lights_the_lamp(&self) -> bool {
        self.record
            .modules
            .iter()
            .enumerate()
            .any(|(index, module)| {
                module.role == crate::vehicle::Role::Brakes
                    && (module.positive == 0
                        || self.record.codes.iter().any(|code| code.module == index))
            })
    }

    /// What the lesson is made with.
    pub const fn school(&self) -> School<'r> {
        self.school
    }

    /// The vehicle as it stands there, without the scripted tester.
    pub fn vehicle(&self) -> Vehicle {
        self.vehicle.clone().without_tester()
    }

    /// The vehicle's papers.
    pub const fn profile(&self) -> &Profile {
        &self.profile
    }

    /// What the recording says: modules and codes, signals.
    pub const fn record(&self) -> &Record {
        &self.record
    }

    /// The wheels, measured.
    pub const fn measures(&self) -> &Measures {
        &self.measures
    }

    /// What was spent so far.
    pub const fn spent(&self) -> Spent {
        self.spent
    }

    /// What was done by hand so far.
    pub fn done(&self) -> &[Done] {
        &self.done
    }

    /// The kind of sensors, which decides what some checks mean.
    pub const fn sensor(&self) -> Option<SensorKind> {
        self.record.wheel_data.sensor
    }

    /// The codes of one module are read. Reading them again costs nothing: they are written down.
    pub fn read_codes(&mut self, module: usize) {
        if !self.asked.contains(&module) {
            self.asked.push(module);
            self.spent.add(CODES_MINUTES, 0.0);
        }
    }

    /// The test drive is made, once.
    pub fn drive(&mut self) {
        if self.drove.is_none() {
            self.spent.add(DRIVE_MINUTES, 0.0);
            self.drove = Some(self.forbids_driving());
        }
    }

    /// The voltages are read, once.
    pub fn read_voltages(&mut self) {
        if !self.voltages {
            self.voltages = true;
            self.spent.add(VOLTAGES_MINUTES, 0.0);
        }
    }

    /// Whether everything that can be known forbids to drive, and the fluid was not looked at.
    fn forbids_driving(&self) -> bool {
        let looked = self.done.iter().any(|done| done.check == "fluid-level");
        let report = self.report(&self.notes(), 0);
        let forbidden = report
            .safety
            .is_some_and(|safety| safety.urgency == Urgency::DoNotDrive);
        forbidden && !looked
    }

    /// The description of a check, with its cautions, is read.
    pub fn prepare(&mut self, check: &str) -> Option<&'r CheckRule> {
        let rule = self.school.rules.check(check)?;
        if let Some((id, _)) = CHECKS.iter().find(|(id, _)| *id == check)
            && !self.prepared.contains(id)
        {
            self.prepared.push(id);
        }
        Some(rule)
    }

    /// Does a check by hand; it costs what the rules say.
    pub fn check(&mut self, check: &str, place: Place) -> Result<&Done, NotDone> {
        let reading = self.vehicle.hand_check(check, place)?;
        let Some((id, _)) = CHECKS.iter().find(|(id, _)| *id == check) else {
            return Err(UnknownCheck::Check(check.to_owned()).into());
        };
        if self
            .done
            .iter()
            .any(|done| done.check == check && done.place == place)
        {
            return Err(NotDone::Already);
        }
        if let Some(rule) = self.school.rules.check(check) {
            self.spent.add(rule.minutes, rule.money);
        }
        let before = self.posterior(&self.notes());
        self.done.push(Done {
            check: id,
            place,
            reading,
            prepared: self.prepared.contains(id),
            moved: 0.0,
        });
        let after = self.posterior(&self.notes());
        let moved = before
            .iter()
            .zip(&after)
            .map(|(before, after)| (after - before).abs())
            .fold(0.0, f64::max);
        let last = self.done.len() - 1;
        self.done[last].moved = moved;
        Ok(&self.done[last])
    }

    /// What was done by hand, as notes.
    pub fn notes(&self) -> Notes {
        let entries = self.done.iter();
        Notes {
            entries: entries
                .map(|done| note(done.check, done.place, done.reading))
                .collect(),
        }
    }

    fn grounds<'a>(&'a self, notes: &'a Notes) -> Grounds<'a> {
        Grounds {
            rules: self.school.rules,
            catalogue: self.school.catalogue,
            record: &self.record,
            measures: &self.measures,
            notes,
        }
    }

    /// The probability of each cause, in the order of the rules, with everything that the recording and these notes say.
    fn posterior(&self, notes: &Notes) -> Vec<f64> {
        let grounds = self.grounds(notes);
        diagnosis::diagnose(&grounds).ranking.posterior
    }

    /// The program's report, with everything that the recording and these notes say and at most so many checks.
    pub fn report(&self, notes: &Notes, checks: usize) -> Report {
        let grounds = self.grounds(notes);
        let found = diagnosis::diagnose(&grounds);
        let means = Means {
            most: checks,
            ..self.school.means
        };
        diagnosis::report(&grounds, &found, &self.profile.name, &means)
    }

    /// What the program would have done.
    pub fn way(&self) -> Way {
        way::way(self)
    }

    /// The marks for an answer.
    pub fn marks(&self, answer: &Answer) -> Marks {
        marks::marks(self, answer)
    }

    /// What is really wrong.
    pub const fn truth(&self) -> TrueCause {
        self.truth
    }
}

fn note(check: &str, place: Place, reading: Reading) -> Note {
    Note {
        check: check.to_owned(),
        place,
        result: match reading {
            Reading::Result(word) => NoteResult::Word(word.to_owned()),
            Reading::Value(_, value) => NoteResult::Value(value),
            Reading::NotPossible => NoteResult::CannotDo,
        },
    }
}

/// The how-manieth vehicle of a seed.
fn drawn(seed: u64, draw: u64) -> Settings {
    let mut random = Random::new(seed, &format!("drill {draw}"));
    let causes = causes();
    let cause = random.pick(&causes);
    let sensor = if random.chance(0.7) {
        SensorKind::Active
    } else {
        SensorKind::Passive
    };
    let places: Vec<&str> = [
        "",
        "@left-front",
        "@right-front",
        "@left-rear",
        "@right-rear",
        "@front",
        "@rear",
    ]
    .into_iter()
    .filter(|place| format!("{cause}{place}").parse::<FaultWanted>().is_ok())
    .collect();
    let place = if places.is_empty() {
        ""
    } else {
        random.pick(&places)
    };
    let wanted = format!("{cause}{place}").parse::<FaultWanted>();
    let mut settings = Settings::training(seed.wrapping_add(draw));
    // The lesson's own clock: a person reads its times.
    settings.start = Timestamp::default();
    settings.sensor = sensor;
    settings.faults = wanted
        .into_iter()
        .map(|wanted| wanted.settled(seed.wrapping_add(draw)))
        .collect();
    settings
}

/// The places at which a check is done.
pub fn places(check: &str) -> Option<PlaceKind> {
    let known = CHECKS.iter().find(|(id, _)| *id == check);
    known.map(|(_, kind)| *kind)
}

#[cfg(test)]
mod tests;
