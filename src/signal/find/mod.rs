//! The search for wheel speeds in a capture of which nothing is known.
//!
//! It looks for four fields of 10 to 16 bits, in one frame or in two sent as often, that move as the wheels of one vehicle do:
//! close to each other while they move, not copies of each other, none the mean of two others, rising and falling without
//! wrapping, as a speed does that an acceleration adds up to. Engine speed, torques, pressures, counters, checksums and pedals fail
//! at one of these. What one step is in km/h comes from a reported vehicle speed (PID 0x0D, or the cruise-control message of
//! SAE J1939-71) where there is one; otherwise it is a guess and said to be one, for which the turns of the wheels speak where
//! they show. Which field is which wheel comes from turns, as far as they tell, and from the usual order.
//!
//! The ideas are those of the published work on reading unknown CAN signals: flip rates that show where a value ends (READ,
//! Marchetti and Stabili, IEEE TIFS 2019), matching with reported diagnostic values (ACTT, Verma, Bridges and Hollifield, 2018;
//! `LibreCAN`, Pesé et al., CCS 2019), clustering of signals by how they move together, and byte order as part of the search (CAN-D,
//! Verma et al., IEEE TVT 2021). What is ours is the target: four of a kind with the geometry of a turn.
//!
//! Memory is bounded (see `samples`); the work after the last frame does not grow with the capture.

mod columns;
mod companions;
mod cores;
mod evidence;
mod groups;
mod motion;
mod places;
mod readings;
mod samples;
mod scale;
#[cfg(test)]
mod test_numbers;
mod turns;

use std::fmt::Write as _;

use crate::frame::{CanId, Frame, Timestamp};

use super::profile::Profile;
use super::{Carrier, Quantity, SignalSource, Trace};
use columns::{Column, rows};
use evidence::{Evidence, Reported, Seen};
use groups::Group;
use motion::{Course, Motion, middle};
use places::{Belief, Row};
use samples::Samples;
use scale::{Number, Reference, Scale};

/// Most reported speeds that are kept; then every second is dropped.
const MAX_REFERENCES: usize = 8_192;
/// What is less sure to be wheels than this is not told.
const LEAST_SCORE: f64 = 0.8;
/// Those that are surer than this are all taken for the vehicle's wheels, some of them for copies.
const SURE: f64 = 0.9;
/// A step that is less sure than this is left out when turns are weighed.
const LEAST_SURE: f64 = 2e-4;
/// Tyres differ by so much in circumference (logarithm).
const TYRE_SPREAD: f64 = 0.16;
/// What a ripple says at least for its own step, as a logarithm of odds, and how likely such a step is before.
const TURN_SAYS: f64 = 4.0;
const UNUSUAL_STEP: f64 = 0.02;
/// Most candidates that are given out.
const MAX_CANDIDATES: usize = 5;

/// One wheel's signal as it was found.
#[derive(Clone, Debug)]
pub struct FoundSignal {
    /// Where it is, and its scale.
    pub source: SignalSource,
    /// How sure it is that it belongs to this wheel rather than another, 0 to 1.
    pub confidence: f64,
}

/// Four fields that may be the wheel speeds.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// How sure it is that these are the wheel speeds of one vehicle, 0 to 1.
    pub score: f64,
    /// The signals in the order of [`crate::place::Wheel::ALL`].
    pub speeds: [FoundSignal; 4],
    /// In words: what speaks for it, what fixed the scale, what told the wheels apart.
    pub why: String,
    /// Whether a reported vehicle speed fixed the scale; otherwise it is a guess.
    pub scale_known: bool,
    /// How sure the scale is, 0 to 1.
    pub scale_confidence: f64,
    /// Where the scale is a guess: all that come into question, in km/h a step, and how sure each is, the surest first.
    choices: Vec<(f64, f64)>,
}

impl Candidate {
    /// Where the scale is a guess: the next likely ones in km/h a step, and how sure each is, 0 to 1.
    pub fn other_scales(&self) -> impl Iterator<Item = (f64, f64)> {
        let others = self.choices.iter().skip(1).copied();
        others.filter(|(_, sure)| *sure >= 0.03).take(3)
    }

    /// Weighs a guessed scale again by the ripple that every wheel's turn leaves in its speed. `speeds` are the four signals as
    /// [`Candidate::profile`] reads them from the whole capture, in km/h. True when the ripple said something.
    pub fn weigh_by_turns(&mut self, speeds: [&Trace; 4]) -> bool {
        let factor = self.speeds[0].source.factor;
        if self.scale_known || self.choices.is_empty() {
            return false;
        }
        // No ripple lifts what nothing else speaks for.
        self.choices.retain(|(_, sure)| *sure >= LEAST_SURE);
        let mut steps: Vec<f64> = self.choices.iter().map(|(step, _)| *step).collect();
        let Some(found) = turns::find(speeds, factor, &steps) else {
            return false;
        };
        let mut weights: Vec<(f64, f64, f64)> = self
            .choices
            .iter()
            .zip(found.says.iter().zip(&found.circumference_m))
            .map(|((step, sure), (says, circumference))| (*step, sure * says.exp(), *circumference))
            .collect();
        // A ripple where no step in use has its turn speaks for one that is not in use: of turns a minute, or of the teeth's hertz.
        steps.push(found.best_step);
        let near = |step: &f64| (step / found.best_step).ln().abs() < TYRE_SPREAD;
        if steps.iter().filter(|step| near(step)).count() == 1 {
            let most = found
                .says
                .iter()
                .copied()
                .fold(0.0, f64::max)
                .max(TURN_SAYS);
            let weight = UNUSUAL_STEP * most.exp();
            weights.push((scale::rounded(found.best_step), weight, turns::USUAL_M));
        }
        weights.sort_by(|a, b| b.1.total_cmp(&a.1));
        let sum: f64 = weights.iter().map(|(_, weight, _)| weight).sum();
        let Some(&(best, weight, circumference)) = weights.first() else {
            return false;
        };
        let sure = |weight: f64| scale::GUESS_WITH_TURNS * weight / sum.max(f64::MIN_POSITIVE);
        self.scale_confidence = sure(weight);
        self.choices = weights
            .iter()
            .map(|(step, weight, _)| (*step, sure(*weight)))
            .collect();
        for found in &mut self.speeds {
            found.source.offset = (found.source.offset * best / factor * 1e6).round() / 1e6;
            found.source.factor = best;
        }
        let _ = write!(
            self.why,
            "; a ripple that comes back once a turn of the wheels speaks for {} km/h a step (one turn is then {circumference:.2} m)",
            scale::rounded(best)
        );
        true
    }

    /// A profile with these four signals and nothing else, ready to be written with [`Profile::to_yaml`].
    pub fn profile(&self, name: &str) -> Profile {
        Profile {
            name: name.to_owned(),
            speeds: self
                .speeds
                .each_ref()
                .map(|found| Some(found.source.clone())),
            ..Profile::default()
        }
    }
}

/// Takes frames and answers, and looks for wheel speeds at the end.
#[derive(Clone, Debug, Default)]
pub struct Finder {
    samples: Samples,
    references: Vec<Reference>,
    reference_stride: u32,
    reference_skipped: u32,
}

impl Finder {
    /// A finder that has seen nothing.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one frame. Answers of one frame with PID 0x0D are understood here already.
    #[inline]
    pub fn push_frame(&mut self, frame: &Frame<'_>) {
        self.samples.push(frame);
        if frame.id.raw() >= 0x7E8 {
            self.reported_in(frame);
        }
    }

    fn reported_in(&mut self, frame: &Frame<'_>) {
        let raw = frame.id.raw();
        let answers = if frame.id.is_extended() {
            // ISO 15765-4: 29-bit answers to the external test equipment.
            raw & 0x1FFF_FF00 == 0x18DA_F100
        } else {
            (0x7E8..=0x7EF).contains(&raw)
        };
        match *frame.data {
            [length, 0x41, 0x0D, kmh, ..] if answers && (3..=7).contains(&length) => {
                self.reported(frame.time, f64::from(kmh));
            }
            // SAE J1939-71, PGN 65265, SPN 84: wheel-based vehicle speed, bytes 2 and 3, 1/256 km/h.
            [_, low, high, ..]
                if frame.id.is_extended() && raw >> 8 & 0xFFFF == 0xFEF1 && high < 0xFB =>
            {
                self.reported(
                    frame.time,
                    f64::from(u16::from_le_bytes([low, high])) / 256.0,
                );
            }
            _ => {}
        }
    }

    /// Takes one whole answer of any module; PID 0x0D in mode 01 replies counts. Answers of one frame are understood by
    /// [`Finder::push_frame`] already.
    pub fn push_answer(&mut self, payload: &[u8], time: Option<Timestamp>) {
        for (pid, data) in crate::service::parameters(payload) {
            if let (0x0D, [kmh, ..]) = (pid, data) {
                self.reported(time, f64::from(*kmh));
            }
        }
    }

    fn reported(&mut self, time: Option<Timestamp>, kmh: f64) {
        let Some(time) = time else { return };
        if self.reference_skipped < self.reference_stride {
            self.reference_skipped += 1;
            return;
        }
        self.reference_skipped = 0;
        let nanos = self.samples.on_steady_clock(time.nanos());
        self.references.push(Reference { nanos, kmh });
        if self.references.len() >= MAX_REFERENCES {
            let mut index = 0_usize;
            self.references.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.reference_stride = self.reference_stride * 2 + 1;
        }
    }

    /// What was found, best first; nothing when nothing moves as wheels do.
    pub fn finish(self) -> Vec<Candidate> {
        let slot_s = self.samples.slot_s();
        let references: Vec<(u32, f64)> = self
            .references
            .iter()
            .filter_map(|known| Some((self.samples.slot(known.nanos)?, known.kmh)))
            .collect();
        let groups = groups::find(&self.samples.streams);
        let mut weighed: Vec<Weighed> = groups
            .iter()
            .filter_map(|group| self.reading(group, &references))
            .map(|reading| Weighed::of(reading, slot_s))
            .collect();
        weighed.sort_by(|a, b| a.evidence.strain().total_cmp(&b.evidence.strain()));
        let mut kept: Vec<Weighed> = Vec::new();
        for next in weighed {
            let touches = |better: &Weighed| better.reading.group.touches(&next.reading.group);
            if !kept.iter().any(touches) {
                kept.push(next);
            }
        }
        let mut found: Vec<(f64, Candidate)> = kept
            .iter()
            .filter_map(|weighed| {
                let candidate = self.candidate(weighed)?;
                Some((weighed.evidence.detail(), candidate))
            })
            .collect();
        found.sort_by(|(detail, a), (other, b)| {
            let sure = |candidate: &Candidate| candidate.score.min(SURE);
            let by_score = sure(b).total_cmp(&sure(a));
            by_score.then(other.total_cmp(detail))
        });
        let mut candidates: Vec<Candidate> =
            found.into_iter().map(|(_, candidate)| candidate).collect();
        candidates.truncate(MAX_CANDIDATES);
        candidates
    }

    /// How a group's fields are read: as a reported speed goes best with, or as is most likely.
    fn reading(&self, group: &Group, references: &[(u32, f64)]) -> Option<Reading> {
        let streams = &self.samples.streams;
        let mut best: Option<(f64, Reading)> = None;
        for group in readings::of(streams, group) {
            let rest = group.rest(streams);
            let (slots, rows) = rows(streams, &group.columns, f64::from(rest.unwrap_or(0)));
            let reported = pairs(&slots, &rows, references, self.samples.slot_s());
            let off = scale::misfit(&reported).unwrap_or(1.0);
            // A later one must be clearly better.
            if best.as_ref().is_none_or(|(least, _)| off < 0.5 * least) {
                let reading = Reading {
                    group,
                    rest,
                    slots,
                    rows,
                    reported,
                };
                best = Some((off, reading));
            }
        }
        best.map(|(_, reading)| reading)
    }

    /// `None` when it is too unsure to be told.
    fn candidate(&self, weighed: &Weighed) -> Option<Candidate> {
        let Weighed {
            reading, evidence, ..
        } = weighed;
        let Reading { group, rest, .. } = reading;
        let (scale, agrees) = self.scale_of(weighed);
        let reported = Reported {
            disagrees: agrees == Some(false),
            follows: scale.followed,
        };
        let score = evidence.sureness(reported);
        if score < LEAST_SCORE {
            return None;
        }
        let belief = places::believe(&reading.rows);
        let marks = group.marks();
        let sources = group.columns.each_ref().map(|column| {
            let id = self
                .samples
                .streams
                .get(column.stream)
                .map(|stream| stream.id);
            let carrier = Carrier::Frame(id.unwrap_or(CanId::standard_masked(0)));
            let mut source =
                SignalSource::plain(carrier, column.field, scale.factor, Quantity::Speed);
            // A few steps at rest are a way to say "standing"; more are an offset.
            source.offset = rest.filter(|rest| *rest > 8).map_or(0.0, |rest| {
                -(f64::from(rest) * scale.factor * 1e6).round() / 1e6
            });
            source.invalid.clone_from(&marks);
            source
        });
        let sure = belief.pairing * belief.front * belief.left;
        let speeds = belief.place_of.map(|place| FoundSignal {
            source: sources.get(place).unwrap_or(&sources[0]).clone(),
            confidence: sure,
        });
        let mut why = why(group, *rest, &scale, &belief);
        if let Some(doubt) = evidence.doubt(reported) {
            let _ = write!(why, "; against it: {doubt}");
        }
        Some(Candidate {
            score,
            speeds,
            why,
            scale_known: scale.known,
            scale_confidence: scale.sure,
            choices: scale.choices,
        })
    }

    /// The scale, and whether the reported speed agrees with the group; `None` when none is reported.
    fn scale_of(&self, weighed: &Weighed) -> (Scale, Option<bool>) {
        let Reading {
            group,
            slots,
            rows,
            reported: pairs,
            ..
        } = &weighed.reading;
        if let Some(scale) = scale::from_reference(pairs) {
            return (scale, Some(true));
        }
        let moves = pairs.iter().filter(|(_, kmh)| *kmh >= 12.0).count();
        let agrees = (moves >= 20).then_some(false);
        let highest = rows.iter().map(|row| middle(*row)).fold(0.0, f64::max);
        let companions = companions::find(&self.samples.streams, group, slots, rows);
        let number = Number {
            lengths: group.lengths(),
            still: group.still_low_bits(),
            highest,
            hardest: weighed.motion.hardest,
        };
        (scale::plausible(&number, &companions), agrees)
    }
}

/// A group as its fields are read.
struct Reading {
    group: Group,
    /// The number on which all stand still together.
    rest: Option<u16>,
    slots: Vec<u32>,
    rows: Vec<Row>,
    /// The middle of four numbers and the speed that was reported then, in km/h.
    reported: Vec<(f64, f64)>,
}

/// A reading with what it says of the four.
struct Weighed {
    reading: Reading,
    motion: Motion,
    evidence: Evidence,
}

impl Weighed {
    fn of(reading: Reading, slot_s: f64) -> Self {
        let course = Course::of(&reading.slots, &reading.rows, slot_s);
        let motion = Motion::of(&course);
        let seen = Seen {
            unclean: reading.group.unclean,
            stop: reading.rest.is_some(),
        };
        let evidence = Evidence::of(&course, &motion, seen);
        Self {
            reading,
            motion,
            evidence,
        }
    }
}

impl Group {
    /// How many bits the numbers may have.
    fn lengths(&self) -> std::ops::RangeInclusive<usize> {
        let [first, others @ ..] = self.columns.each_ref().map(Column::lengths);
        others.into_iter().fold(first, |all, next| {
            *all.start().max(next.start())..=*all.end().min(next.end()).max(all.start())
        })
    }

    /// Raw numbers that are marks: all bits set, and whatever of the like was seen.
    fn marks(&self) -> Vec<u64> {
        let [first, ..] = &self.columns;
        let mut marks = vec![first.field.mask()];
        for column in &self.columns {
            for raw in &column.values {
                if column.is_mark(*raw) && !marks.contains(&u64::from(*raw)) {
                    marks.push(u64::from(*raw));
                }
            }
        }
        marks.sort_unstable();
        marks
    }

    /// Whether two groups share bits of a frame.
    fn touches(&self, other: &Self) -> bool {
        let overlap = |a: &Column, b: &Column| {
            a.stream == b.stream && bits(a).iter().any(|bit| bits(b).contains(bit))
        };
        let mut mine = self.columns.iter();
        mine.any(|a| other.columns.iter().any(|b| overlap(a, b)))
    }
}

/// The middle of four numbers and the reported speed, where they belong to the same time.
fn pairs(slots: &[u32], rows: &[Row], references: &[(u32, f64)], slot_s: f64) -> Vec<(f64, f64)> {
    let mut pairs = Vec::new();
    let mut of_rows = slots.iter().zip(rows).peekable();
    for (slot, kmh) in references {
        while of_rows.next_if(|(other, _)| **other < *slot).is_some() {}
        if let Some((other, row)) = of_rows.peek()
            && f64::from(**other - *slot) * slot_s <= 0.5_f64.max(slot_s)
        {
            pairs.push((middle(**row), *kmh));
        }
    }
    pairs
}

/// The bits of a column in DBC numbering.
fn bits(column: &Column) -> Vec<u32> {
    let first = column.field.first_bit();
    let along = first..first + u32::from(column.field.length());
    match column.order {
        super::ByteOrder::Little => along.collect(),
        super::ByteOrder::Big => along.map(|bit| bit / 8 * 8 + 7 - bit % 8).collect(),
    }
}

fn why(group: &Group, rest: Option<u16>, scale: &Scale, belief: &Belief) -> String {
    let mut why = format!(
        "four fields of {} bits stay within {:.1} % of their range of each other while they move (median)",
        group.columns[0].length,
        group.apart * 100.0
    );
    match rest {
        Some(rest) if rest > 8 => {
            let _ = write!(why, "; all stand still together on {rest}, taken as 0 km/h");
        }
        Some(_) => why.push_str("; all stand still together"),
        None => why.push_str("; no standstill was seen, so that 0 is taken as 0 km/h"),
    }
    let _ = write!(why, "; {}", scale.why);
    let percent = |share: f64| format!("{:.0} %", share * 100.0);
    let pairing = percent(belief.pairing);
    let _ = if belief.from_turns {
        write!(
            why,
            "; in turns the same side is faster on both axles, which tells sides and axles apart ({pairing} sure)"
        )
    } else {
        write!(
            why,
            "; too few turns to tell sides and axles apart: the usual order in frames is taken ({pairing} sure)"
        )
    };
    if belief.crossed {
        why.push_str("; left and right come in the other order on one axle than on the other: either the fields do, or that axle's sensors are connected the wrong way round");
    }
    let front = percent(belief.front);
    let _ = if belief.from_paths {
        write!(
            why,
            "; front and rear from the longer way of the front axle in turns ({front})"
        )
    } else {
        write!(why, "; front and rear from the usual order ({front})")
    };
    let _ = write!(
        why,
        "; left and right from the usual order only ({})",
        percent(belief.left)
    );
    why
}

#[cfg(test)]
mod tests;
