//! Four fields that move as the wheels of one vehicle do.
//!
//! Two cores that stay close to each other while they move are a seed. Around each seed every position of the same frame, and
//! of frames sent as often, is tried with the same length; four places that do not overlap make a group. Clustering signals
//! by how they move together follows ACTT and CAN-D (Verma et al., 2018 and 2021).

use crate::signal::ByteOrder;

use super::columns::{Column, Nearness, Shape, nearness, rows};
use super::cores::{BitRates, LONGEST, SHORTEST};
use super::samples::Stream;

/// Two wheels' median difference, in spreads of their speed, is less than this.
const NEAR: f64 = 0.08;
/// The 90th percentile of the difference is less than this.
const NEAR_HIGH: f64 = 0.45;
/// Fields that are equal in more than this share of all samples in motion are copies of one value, not two wheels.
const COPY: f64 = 0.985;
/// What a crooked group costs beside its distance, in spreads: it chooses between wheels and the means of wheels beside them.
const CROOKED: f64 = 0.08;
/// What a field costs that does not end where the flip rate drops: read from another bit, it stays as close.
const UNCLEAN: f64 = 0.01;
/// Most cores that are compared; the smoothest are kept.
const MAX_COLUMNS: usize = 2_000;
/// Most seeds that are grown.
const MAX_SEEDS: usize = 200;
/// Most places of one stream that combinations are made of.
const MAX_PLACES: usize = 12;

/// Four columns of one length, in the order of their places: by stream, then along the payload.
#[derive(Clone, Debug)]
pub(super) struct Group {
    pub(super) columns: [Column; 4],
    /// Worst median difference of any to the first, in spreads.
    pub(super) apart: f64,
    /// Whether all gaps between the fields are alike.
    pub(super) regular: bool,
    /// How many of the four do not end where the flip rate drops.
    pub(super) unclean: u8,
    /// The least of the three contrasts between pairs over the largest: near 0 when the four turn corners like wheels.
    pub(super) crooked: f64,
}

/// The rates of every stream in both byte orders.
type Rates = Vec<[BitRates; 2]>;

fn rates_of<'a>(rates: &'a Rates, column: &Column) -> Option<&'a BitRates> {
    let [big, little] = rates.get(column.stream)?;
    Some(match column.order {
        ByteOrder::Big => big,
        ByteOrder::Little => little,
    })
}

struct Seed {
    column: Column,
    shape: Shape,
    moving: usize,
}

/// All groups, best first is not promised.
pub(super) fn find(streams: &[Stream]) -> Vec<Group> {
    let rates: Rates = streams.iter().map(BitRates::both).collect();
    let seeds = seeds(streams, &rates);
    let mut groups: Vec<Group> = Vec::new();
    let mut grown = 0;
    for (index, seed) in seeds.iter().enumerate() {
        let known = groups.iter().any(|group| {
            let mut members = group.columns.iter();
            members.any(|member| {
                member.stream == seed.column.stream
                    && member.order == seed.column.order
                    && member.end == seed.column.end
            })
        });
        if known || grown >= MAX_SEEDS {
            continue;
        }
        let partners = partners(streams, &seeds, index);
        if partners.is_empty() {
            continue;
        }
        grown += 1;
        groups.extend(grow(streams, &rates, &seeds, seed, &partners));
    }
    groups
}

/// The columns of all cores that move smoothly, by rising spread.
fn seeds(streams: &[Stream], rates: &Rates) -> Vec<Seed> {
    let mut seeds = Vec::new();
    for (index, (stream, rates)) in streams.iter().zip(rates).enumerate() {
        if stream.slots.len() < super::columns::FEWEST {
            continue;
        }
        for rates in rates {
            for core in rates.cores(SHORTEST) {
                let column = Column::read(streams, index, rates.order(), core.end, core.longest);
                let shape = column.as_ref().and_then(Column::shape);
                if let (Some(column), Some(shape)) = (column, shape) {
                    seeds.push(Seed {
                        column,
                        shape,
                        moving: core.moving,
                    });
                }
            }
        }
    }
    seeds.sort_by(|a, b| b.shape.smoothness.total_cmp(&a.shape.smoothness));
    seeds.truncate(MAX_COLUMNS);
    seeds.sort_by(|a, b| {
        let by_spread = a.shape.spread.total_cmp(&b.shape.spread);
        by_spread.then((a.column.stream, a.column.end).cmp(&(b.column.stream, b.column.end)))
    });
    seeds
}

/// The seeds that stay close to one of them.
fn partners(streams: &[Stream], seeds: &[Seed], index: usize) -> Vec<usize> {
    let Some(seed) = seeds.get(index) else {
        return Vec::new();
    };
    let mut partners = Vec::new();
    for (other_index, other) in seeds.iter().enumerate() {
        let ratio = other.shape.spread / seed.shape.spread;
        let same_kind = other.column.order == seed.column.order && (0.6..1.7).contains(&ratio);
        if other_index == index || !same_kind {
            continue;
        }
        if !as_often(streams, seed.column.stream, other.column.stream) {
            continue;
        }
        let length = seed.column.length.min(other.column.length);
        if length < seed.moving.max(other.moving) || length < SHORTEST {
            continue;
        }
        if other.column.stream == seed.column.stream
            && other.column.end.abs_diff(seed.column.end) < SHORTEST
        {
            continue;
        }
        if near(streams, &seed.column, &other.column, &seed.shape, length).is_some() {
            partners.push(other_index);
        }
    }
    partners
}

/// Whether two streams are sampled alike.
fn as_often(streams: &[Stream], a: usize, b: usize) -> bool {
    let count = |index: usize| streams.get(index).map_or(0, |stream| stream.slots.len());
    a == b || count(a).abs_diff(count(b)) * 10 <= count(a)
}

/// The nearness of two columns read with a common length, if they are near and not copies.
fn near(
    streams: &[Stream],
    a: &Column,
    b: &Column,
    shape: &Shape,
    length: usize,
) -> Option<Nearness> {
    let a = at_length(streams, a, length)?;
    let b = at_length(streams, b, length)?;
    let low = shape.low - offset(&a, shape);
    let shape = Shape { low, ..*shape };
    let nearness = nearness(streams, &a, &b, &shape)?;
    let close = nearness.median < NEAR && nearness.high < NEAR_HIGH && nearness.equal < COPY;
    close.then_some(nearness)
}

/// What a shorter length takes off the numbers of a shape: the still bits above.
fn offset(column: &Column, shape: &Shape) -> f64 {
    let mask = f64::from(u32::try_from(column.field.mask()).unwrap_or(u32::MAX)) + 1.0;
    (shape.low / mask).floor() * mask
}

/// A column read with fewer bits.
fn at_length(streams: &[Stream], column: &Column, length: usize) -> Option<Column> {
    if column.length == length {
        return Some(column.clone());
    }
    Column::read(streams, column.stream, column.order, column.end, length)
}

/// Groups around a seed.
fn grow(
    streams: &[Stream],
    rates: &Rates,
    seeds: &[Seed],
    seed: &Seed,
    partners: &[usize],
) -> Vec<Group> {
    let of = |index: &usize| seeds.get(*index);
    let lengths = partners
        .iter()
        .filter_map(of)
        .map(|other| other.column.length);
    let Some(length) = lengths.map(|length| length.min(seed.column.length)).max() else {
        return Vec::new();
    };
    let mut streams_of: Vec<usize> = partners
        .iter()
        .filter_map(of)
        .map(|other| other.column.stream)
        .collect();
    streams_of.push(seed.column.stream);
    streams_of.sort_unstable();
    streams_of.dedup();
    let mut groups = Vec::new();
    let own = places(streams, seed, seed.column.stream, length);
    if own.len() >= 4 {
        groups.extend(best_of(streams, rates, seed, &fours(&own)));
    }
    if own.len() >= 2 && groups.is_empty() {
        for other in streams_of {
            if other == seed.column.stream {
                continue;
            }
            let theirs = places(streams, seed, other, length);
            let mut choices = Vec::new();
            for front in pairs(&own) {
                for rear in pairs(&theirs) {
                    let [a, b] = &front;
                    let [c, d] = &rear;
                    choices.push([a.clone(), b.clone(), c.clone(), d.clone()]);
                }
            }
            groups.extend(best_of(streams, rates, seed, &choices));
        }
    }
    groups
}

/// The places of a stream at which a field of this length stays close to the seed, the seed's own among them.
fn places(streams: &[Stream], seed: &Seed, stream: usize, length: usize) -> Vec<Column> {
    let bits = streams.get(stream).map_or(0, |stream| stream.length * 8);
    let mut places: Vec<(f64, Column)> = Vec::new();
    for end in 0..bits {
        let is_seed = stream == seed.column.stream && end == seed.column.end;
        // A field at the very top of the payload may be shorter than the others could be.
        let fitting = length.min(end + 1);
        if fitting < SHORTEST.max(seed.moving) {
            continue;
        }
        let Some(column) = Column::read(streams, stream, seed.column.order, end, fitting) else {
            continue;
        };
        if is_seed {
            places.push((0.0, column));
            continue;
        }
        if let Some(nearness) = near(streams, &seed.column, &column, &seed.shape, fitting) {
            places.push((nearness.median, column));
        }
    }
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    places.truncate(MAX_PLACES);
    let mut columns: Vec<_> = places.into_iter().map(|(_, column)| column).collect();
    columns.sort_by_key(|column| column.end);
    columns
}

fn pairs(places: &[Column]) -> Vec<[Column; 2]> {
    let mut pairs = Vec::new();
    for (index, a) in places.iter().enumerate() {
        for b in places.iter().skip(index + 1) {
            if b.end - a.end >= SHORTEST {
                pairs.push([a.clone(), b.clone()]);
            }
        }
    }
    pairs
}

fn fours(places: &[Column]) -> Vec<[Column; 4]> {
    let pairs = pairs(places);
    let mut fours = Vec::new();
    for [a, b] in &pairs {
        for [c, d] in &pairs {
            if c.end >= b.end + SHORTEST {
                fours.push([a.clone(), b.clone(), c.clone(), d.clone()]);
            }
        }
    }
    fours
}

/// The best of some choices of four: the closest, and of those equally close the most regular.
fn best_of(
    streams: &[Stream],
    rates: &Rates,
    seed: &Seed,
    choices: &[[Column; 4]],
) -> Option<Group> {
    let mut best: Option<(f64, Group)> = None;
    for choice in choices {
        let Some(length) = common_length(choice, seed.moving) else {
            continue;
        };
        let Some(group) = measure(streams, rates, seed, choice, length) else {
            continue;
        };
        let irregular = if group.regular { 0.0 } else { 0.03 };
        let unclean = UNCLEAN * f64::from(group.unclean);
        let cost = group.apart + irregular + unclean + CROOKED * group.crooked;
        if best.as_ref().is_none_or(|(least, _)| cost < *least) {
            best = Some((cost, group));
        }
    }
    best.map(|(_, group)| group)
}

/// The longest length with which the four do not overlap.
fn common_length(columns: &[Column; 4], moving: usize) -> Option<usize> {
    let mut length = LONGEST;
    for (index, column) in columns.iter().enumerate() {
        length = length.min(column.length);
        for other in columns.iter().skip(index + 1) {
            if other.stream == column.stream {
                length = length.min(other.end.abs_diff(column.end));
            }
        }
    }
    (length >= SHORTEST.max(moving)).then_some(length)
}

fn measure(
    streams: &[Stream],
    rates: &Rates,
    seed: &Seed,
    choice: &[Column; 4],
    length: usize,
) -> Option<Group> {
    let [a, b, c, d] = choice;
    let read = |column: &Column| at_length(streams, column, length);
    let mut columns = [read(a)?, read(b)?, read(c)?, read(d)?];
    // From here on in the order of a reader: by identifier, then along the payload.
    columns.sort_by_key(|column| {
        let id = streams.get(column.stream).map(|stream| stream.id);
        let along = match column.order {
            ByteOrder::Big => i64::from(column.field.first_bit()),
            ByteOrder::Little => i64::from(column.field.start_bit()),
        };
        (id, column.stream, along)
    });
    let [first, ..] = &columns;
    let low = seed.shape.low - offset(first, &seed.shape);
    let shape = Shape { low, ..seed.shape };
    let shape = first.shape().unwrap_or(shape);
    let mut apart = 0.0_f64;
    for (index, one) in columns.iter().enumerate() {
        for other in columns.iter().skip(index + 1) {
            let nearness = nearness(streams, one, other, &shape)?;
            if nearness.equal >= COPY || nearness.median > 1.5 * NEAR {
                return None;
            }
            apart = apart.max(nearness.median);
        }
    }
    let gap = |one: &Column, other: &Column| {
        (one.stream == other.stream).then(|| other.end.abs_diff(one.end))
    };
    let [a, b, c, d] = &columns;
    let gaps = [gap(a, b), gap(b, c), gap(c, d)];
    // Two frames that share the wheels are laid out alike.
    if a.stream != d.stream && (a.stream != b.stream || gap(a, b) != gap(c, d)) {
        return None;
    }
    let (_, rows) = rows(streams, &columns, shape.low);
    let crooked = super::places::crooked(&rows);
    let drops = |column: &&Column| {
        rates_of(rates, column).is_some_and(|rates| rates.drops_after(column.end))
    };
    let unclean = columns.iter().filter(|column| !drops(column)).count();
    let mut known = gaps.iter().flatten();
    let first_gap = known.next();
    let regular = known.all(|gap| Some(gap) == first_gap);
    Some(Group {
        columns,
        apart,
        regular,
        unclean: u8::try_from(unclean).unwrap_or(4),
        crooked,
    })
}
