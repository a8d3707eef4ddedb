//! Conditions over the brake module's own frames.

use super::condition::{Judged, MOST_KEPT};
use super::{Grounds, Measure};
use crate::rules::{FramesCondition, FramesWord};
use crate::vehicle::{Cyclic, Record};

/// Other frames, at least, that make the absence of the wanted ones worth a word.
const LEAST_OTHERS: u64 = 500;

/// Judges whether the frames with the wheels' speeds pause or never come.
pub(super) fn frames(wanted: &FramesCondition, grounds: &Grounds<'_>) -> Judged {
    of_record(wanted, grounds.record)
}

fn of_record(wanted: &FramesCondition, record: &Record) -> Judged {
    if record.cyclic.is_empty() {
        return Judged::not_observable("the profile names no frames with wheel speeds");
    }
    let came = record.cyclic.iter().any(|cyclic| cyclic.frames > 0);
    match wanted.state {
        FramesWord::Absent if came => Judged::new(false),
        FramesWord::Absent => absent(wanted, record),
        FramesWord::Pausing if came => pausing(wanted, record),
        FramesWord::Pausing => Judged::not_observable("no frame with wheel speeds came"),
    }
}

fn absent(wanted: &FramesCondition, record: &Record) -> Judged {
    let seen_s: f64 = record
        .captures
        .iter()
        .filter_map(|capture| Some(capture.last?.seconds() - capture.first?.seconds()))
        .sum();
    if record.bus.frames < LEAST_OTHERS || seen_s < wanted.at_least_s {
        return Judged::not_observable("too little of the bus was seen");
    }
    let mut judged = Judged::new(true);
    let ids: Vec<String> = record
        .cyclic
        .iter()
        .map(|cyclic| cyclic.id.to_string())
        .collect();
    judged.details.push(format!(
        "not one frame {} among {} in {seen_s:.0} s",
        ids.join(" or "),
        record.bus.frames
    ));
    judged
}

fn pausing(wanted: &FramesCondition, record: &Record) -> Judged {
    let mut steady = record.cyclic.iter().filter(|cyclic| cyclic.steady);
    let Some(most) = steady.clone().max_by_key(|cyclic| pauses(cyclic)) else {
        return Judged::not_observable("the frames with wheel speeds have no steady cycle");
    };
    let number = pauses(most);
    if number >= u64::from(wanted.pauses) {
        let mut judged = Judged::new(true);
        let longest_s = most
            .pauses
            .iter()
            .map(|pause| pause.length_s)
            .fold(0.0, f64::max);
        let others: u64 = most.pauses.iter().map(|pause| pause.others).sum();
        judged.details.push(format!(
            "{} paused {number} times, up to {longest_s:.1} s, while {others} other frames came",
            most.id
        ));
        let times = most.pauses.iter().map(|pause| pause.from_s);
        judged.times_s = times.take(MOST_KEPT).collect();
        judged.measure = Some(Measure {
            value: longest_s,
            unit: "s".to_owned(),
        });
        return judged;
    }
    if number > 0 {
        return Judged::not_observable("the frames with wheel speeds paused, but too seldom");
    }
    let enough = steady.any(|cyclic| seen_s(cyclic) >= wanted.at_least_s);
    if enough {
        Judged::new(false)
    } else {
        Judged::not_observable("the frames with wheel speeds were not seen for long enough")
    }
}

fn pauses(cyclic: &Cyclic) -> u64 {
    let kept = u64::try_from(cyclic.pauses.len()).unwrap_or(u64::MAX);
    kept.saturating_add(cyclic.more_pauses)
}

#[expect(clippy::cast_precision_loss, reason = "counts stay below 2^53")]
fn seen_s(cyclic: &Cyclic) -> f64 {
    cyclic.frames as f64 * cyclic.cycle_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::State;
    use crate::frame::CanId;
    use crate::vehicle::{Bus, Pause};

    fn judge(state: FramesWord, frames: u64, paused: usize) -> State {
        let pause = Pause {
            from_s: 1.0,
            length_s: 2.0,
            others: 400,
        };
        let record = Record {
            cyclic: vec![Cyclic {
                id: CanId::standard_masked(0x1A0),
                frames,
                steady: frames > 20,
                cycle_s: 0.02,
                pauses: vec![pause; paused],
                more_pauses: 0,
            }],
            bus: Bus {
                frames: 10_000,
                ..Bus::default()
            },
            ..Record::default()
        };
        let wanted = FramesCondition {
            state,
            pauses: 2,
            at_least_s: 0.0,
        };
        of_record(&wanted, &record).state
    }

    #[test]
    fn pauses_and_absence() {
        assert_eq!(judge(FramesWord::Pausing, 3_000, 2), State::True);
        assert_eq!(judge(FramesWord::Pausing, 3_000, 1), State::NotObservable);
        assert_eq!(judge(FramesWord::Pausing, 3_000, 0), State::False);
        assert_eq!(judge(FramesWord::Pausing, 5, 0), State::NotObservable);
        assert_eq!(judge(FramesWord::Absent, 0, 0), State::True);
        assert_eq!(judge(FramesWord::Absent, 5, 0), State::False);
    }
}
