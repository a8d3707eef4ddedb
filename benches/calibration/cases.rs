//! Simulated vehicles on the real path: frames into a recorder, the record measured and judged, checks answered by hand.

use tonering::capture::{Item, Kind, Tally};
use tonering::diagnosis::{self, Means};
use tonering::evidence::{Grounds, State};
use tonering::notes::{Note, NoteResult, Notes};
use tonering::place::Place;
use tonering::rig::{Reading, Settings, Vehicle, profile_yaml};
use tonering::rules::{Rules, Work};
use tonering::signal::profile::Profile;
use tonering::trouble::Catalogue;
use tonering::vehicle::{Record, Recorder};
use tonering::wheel::Measures;

/// Whoever has the means of a workshop, one check at a time.
pub(crate) const WORKSHOP: Means = Means {
    work: Work::Workshop,
    hourly_rate: 60.0,
    most: 1,
};

/// A simulated vehicle, recorded and measured.
pub(crate) struct Case {
    vehicle: Vehicle,
    record: Record,
    measures: Measures,
}

/// What one look at a case gave.
pub(crate) struct Judged {
    /// Each cause and its place with its probability, the likeliest first.
    pub(crate) causes: Vec<(String, Place, f64)>,
    /// The findings that hold.
    pub(crate) holding: Vec<(String, Place)>,
    /// Every finding that could be observed, and whether it holds.
    #[allow(dead_code, reason = "the bench counts them, the test does not")]
    pub(crate) observed: Vec<(String, Place, bool)>,
    /// The check that is proposed first.
    pub(crate) next: Option<(String, Place)>,
}

impl Case {
    /// Drives the vehicle and records it.
    pub(crate) fn new(settings: &Settings) -> Self {
        let yaml = profile_yaml(settings, "rig");
        let none = &mut |_: &std::path::Path| Err(std::io::ErrorKind::NotFound.into());
        let profile =
            Profile::parse(&yaml, "rig.yaml", none).expect("the rig writes sound profiles");
        let mut vehicle = Vehicle::new(settings);
        let mut recorder = Recorder::new(profile);
        let mut number = 0;
        let mut tally = Tally::default();
        vehicle.record(|frame| {
            number += 1;
            tally.frames += 1;
            recorder.push(&Item::Can(frame.as_frame(number)));
        });
        recorder.end_capture("rig", Kind::CandumpLog, &tally);
        let record = recorder.finish();
        let measures = diagnosis::measures(&record);
        Self {
            vehicle,
            record,
            measures,
        }
    }

    /// Does a check by hand.
    pub(crate) fn answer(&self, check: &str, place: Place) -> Note {
        let result = match self.vehicle.hand_check(check, place) {
            Ok(Reading::Result(word)) => NoteResult::Word(word.to_owned()),
            Ok(Reading::Value(_, value)) => NoteResult::Value(value),
            Ok(Reading::NotPossible) | Err(_) => NoteResult::CannotDo,
        };
        Note {
            check: check.to_owned(),
            place,
            result,
        }
    }

    /// Ranks the causes by capture and notes, and plans if asked to.
    pub(crate) fn judge(
        &self,
        rules: &Rules,
        catalogue: &Catalogue,
        notes: &Notes,
        plan: bool,
    ) -> Judged {
        let grounds = Grounds {
            rules,
            catalogue,
            record: &self.record,
            measures: &self.measures,
            notes,
        };
        let found = diagnosis::diagnose(&grounds);
        let next = plan
            .then(|| diagnosis::report(&grounds, &found, "", &WORKSHOP))
            .and_then(|report| {
                let check = report.checks.first()?;
                Some((check.id.clone(), check.place))
            });
        let causes = found.ranking.order().into_iter().map(|index| {
            let (cause, place) = found.model.causes[index];
            (cause.id.clone(), place, found.ranking.posterior[index])
        });
        let observed = found.evidence.findings.iter().filter_map(|finding| {
            let holds = match finding.state {
                State::True => true,
                State::False => false,
                State::NotObservable => return None,
            };
            Some((finding.id.clone(), finding.place, holds))
        });
        let observed = observed.collect();
        let findings = found.evidence.findings.iter();
        let holding = findings.filter(|finding| finding.state == State::True);
        Judged {
            causes: causes.collect(),
            holding: holding
                .map(|finding| (finding.id.clone(), finding.place))
                .collect(),
            observed,
            next,
        }
    }
}

impl Judged {
    /// The rank of a cause, 0 for the first.
    pub(crate) fn rank(&self, cause: &str, place: Place) -> Option<usize> {
        let mut causes = self.causes.iter();
        causes.position(|(id, at, _)| id == cause && *at == place)
    }

    /// The likeliest cause that says that something is wrong now.
    pub(crate) fn accused(&self) -> Option<&(String, Place, f64)> {
        let mut causes = self.causes.iter();
        causes.find(|(id, _, _)| id != "no-present-fault")
    }
}
