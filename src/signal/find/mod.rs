//! The search for wheel speeds in a capture of which nothing is known.
//!
//! It looks for four fields of 10 to 16 bits, in one frame or in two sent as often, that move as the wheels of one vehicle do:
//! close to each other while they move, not copies of each other, none the mean of two others, rising and falling without
//! wrapping. Engine speed, counters, checksums and pedals fail at one of these. What one step is in km/h comes from a reported
//! vehicle speed (PID 0x0D, or the cruise-control message of SAE J1939-71) where there is one; otherwise it is a guess and said to
//! be one. Which field is which wheel comes from turns, as far as they tell, and from the usual order.
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
mod groups;
mod places;
mod samples;
mod scale;

use std::fmt::Write as _;

use crate::frame::{CanId, Frame, Timestamp};

use super::profile::Profile;
use super::{Carrier, Quantity, SignalSource};
use columns::{Column, rows};
use groups::Group;
use places::{Belief, Row};
use samples::Samples;
use scale::{Reference, Scale};

/// Most reported speeds that are kept; then every second is dropped.
const MAX_REFERENCES: usize = 8_192;
/// Below this a group is not worth telling.
const LOWEST_SCORE: f64 = 0.3;
/// The hardest change of a vehicle's speed, in ranges of it a second: of spinning wheels …
const FASTEST_HASTE: f64 = 1.5;
/// … and where neither turns nor another speed say that these are wheels.
const USUAL_HASTE: f64 = 0.7;
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
}

impl Candidate {
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
        self.references.push(Reference {
            nanos: time.nanos(),
            kmh,
        });
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
    pub fn finish(mut self) -> Vec<Candidate> {
        let slot_s = self.samples.slot_s();
        let references: Vec<(u32, f64)> = self
            .references
            .iter()
            .filter_map(|known| Some((self.samples.slot(known.nanos)?, known.kmh)))
            .collect();
        let groups = groups::find(&self.samples.streams, slot_s);
        let mut scored: Vec<(f64, Group)> = Vec::new();
        for group in &groups {
            let score = score(group);
            if score >= LOWEST_SCORE {
                scored.push((score, groups::settle(&self.samples.streams, group)));
            }
        }
        scored.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut kept: Vec<(f64, Group)> = Vec::new();
        for (score, group) in scored {
            if !kept.iter().any(|(_, better)| better.touches(&group)) {
                kept.push((score, group));
            }
        }
        let mut candidates: Vec<Candidate> = kept
            .iter()
            .map(|(score, group)| self.candidate(*score, group, &references, slot_s))
            .collect();
        candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
        candidates.retain(|candidate| candidate.score >= LOWEST_SCORE);
        candidates.truncate(MAX_CANDIDATES);
        candidates
    }

    fn candidate(
        &self,
        score: f64,
        group: &Group,
        references: &[(u32, f64)],
        slot_s: f64,
    ) -> Candidate {
        let rest = self.rest(group);
        let above = f64::from(rest.unwrap_or(0));
        let (slots, rows) = rows(&self.samples.streams, &group.columns, above);
        let (scale, agrees) = self.scale_of(group, &slots, &rows, references, slot_s);
        let belief = places::believe(&rows);
        // No vehicle gets from nothing to its top speed in a second; torques and pedals do.
        let haste = hardest_change(&slots, &rows, slot_s) / group.shape.spread.max(1.0);
        let usual = if belief.from_turns || scale.followed {
            FASTEST_HASTE
        } else {
            USUAL_HASTE
        };
        let score = score * (usual / haste.max(usual)).powi(3);
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
        let score = match agrees {
            Some(true) => 1.0 - (1.0 - score) * 0.3,
            Some(false) => score * 0.3,
            None => score,
        };
        Candidate {
            score,
            speeds,
            why: why(group, rest, &scale, &belief),
            scale_known: scale.known,
            scale_confidence: scale.sure,
        }
    }

    /// The scale, and whether the reported speed agrees with the group; `None` when none is reported.
    fn scale_of(
        &self,
        group: &Group,
        slots: &[u32],
        rows: &[Row],
        references: &[(u32, f64)],
        slot_s: f64,
    ) -> (Scale, Option<bool>) {
        let mean = |row: &Row| middle(*row);
        let mut pairs = Vec::new();
        let mut of_rows = slots.iter().zip(rows).peekable();
        for (slot, kmh) in references {
            while of_rows.next_if(|(other, _)| **other < *slot).is_some() {}
            if let Some((other, row)) = of_rows.peek()
                && f64::from(**other - *slot) * slot_s <= 0.5_f64.max(slot_s)
            {
                pairs.push((mean(row), *kmh));
            }
        }
        if let Some(scale) = scale::from_reference(&pairs) {
            return (scale, Some(true));
        }
        let moves = pairs.iter().filter(|(_, kmh)| *kmh >= 12.0).count();
        let agrees = (moves >= 20).then_some(false);
        let highest = rows.iter().map(mean).fold(0.0, f64::max);
        let hardest = hardest_change(slots, rows, slot_s);
        let companions = companions::find(&self.samples.streams, group, slots, rows);
        (
            scale::plausible(group.lengths(), highest, hardest, &companions),
            agrees,
        )
    }

    /// The number at rest: the lowest, when all four stay on it together for a while.
    fn rest(&self, group: &Group) -> Option<u16> {
        let (_, rows) = rows(&self.samples.streams, &group.columns, 0.0);
        let lowest = rows.iter().flatten().copied().fold(f64::MAX, f64::min);
        let resting = rows
            .iter()
            .filter(|row| row.iter().all(|value| *value <= lowest + 1.0))
            .count();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "it was a 16-bit number"
        )]
        (resting >= 5).then_some(lowest as u16)
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

/// The bits of a column in DBC numbering.
fn bits(column: &Column) -> Vec<u32> {
    let first = column.field.first_bit();
    let along = first..first + u32::from(column.field.length());
    match column.order {
        super::ByteOrder::Little => along.collect(),
        super::ByteOrder::Big => along.map(|bit| bit / 8 * 8 + 7 - bit % 8).collect(),
    }
}

/// The middle of four speeds: the mean of the middle two, which one faulty or spinning wheel does not drag along.
fn middle(mut row: Row) -> f64 {
    row.sort_unstable_by(f64::total_cmp);
    let [_, low, high, _] = row;
    f64::midpoint(low, high)
}

/// The 98th percentile of the change of the middle speed, in steps a second, over at least a quarter of a second each.
fn hardest_change(slots: &[u32], rows: &[Row], slot_s: f64) -> f64 {
    const SPAN_S: f64 = 0.25;
    let moments = || {
        slots
            .iter()
            .zip(rows)
            .map(|(slot, row)| (f64::from(*slot) * slot_s, middle(*row)))
    };
    let mut later = moments().peekable();
    let mut changes = Vec::new();
    for (time, speed) in moments() {
        while later.next_if(|(other, _)| *other < time + SPAN_S).is_some() {}
        let Some((other, then)) = later.peek() else {
            break;
        };
        changes.push((then - speed).abs() / (other - time));
    }
    changes.sort_unstable_by(f64::total_cmp);
    let share = changes.get(changes.len() * 98 / 100);
    share.copied().unwrap_or(0.0)
}

/// How much a group looks like wheels, without what is reported elsewhere.
fn score(group: &Group) -> f64 {
    let close = 1.0 / (1.0 + (group.apart / 0.09).powi(2));
    let clean = 0.4 + 0.15 * f64::from(group.clean);
    let regular = if group.regular { 1.0 } else { 0.8 };
    let patient = (2.5 / group.shape.haste.max(2.5)).powi(2);
    let smooth = ((group.shape.smoothness - 0.75) / 0.2).clamp(0.0, 1.0);
    0.97 * close * clean * regular * patient * smooth
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
