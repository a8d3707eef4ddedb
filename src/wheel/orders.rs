//! Once per turn: what repeats with the wheel's own turning.
//!
//! A ring off centre makes one line at order 1; a missing or cracked tooth makes a comb at orders 1, 2, 3, … of nearly
//! the same height; road and drive train are not at whole orders. So the wheel's residual against its neighbours is
//! looked at over the wheel's own angle, in windows of [`WINDOW_TURNS`] turns of quiet driving.
//!
//! - Each window gives the Lomb-Scargle power and amplitude at every [`STEP`] of an order. Windows are averaged.
//! - The circumference is known to a few per cent only, so a line may be that far from its order.
//! - Its false-alarm probability is the larger of two: power against the power beside the order (the noise is not
//!   white), and Baluev's bound for each window, combined after Fisher.
//! - A statistic is not enough: every sound tyre is a little out of round. So the amplitude must be beyond what
//!   sound wheels show (2 ‰, single windows 4 ‰), and far beyond that of the neighbours.
//!
//! Order *k* needs two samples a turn for each order: above a speed that the sampling sets it is not shown but said
//! that it cannot be. How long the module averages is unknown; it can only make a line lower.

use std::f64::consts::TAU;

use super::grid::{Grid, Moment};
use super::input::Geometry;
use super::measured::{Made, Measured, Verdict, keep};
use super::neighbours::{Neighbours, Others};
use super::periodogram::{self, Sums};
use super::statistics;
use crate::place::Wheel;

/// Orders that are reported.
pub(super) const ORDERS: usize = 4;
/// Length of a window, in turns: about 23 m. Windows overlap by half, which Hann's taper makes as good as independent.
const WINDOW_TURNS: f64 = 12.0;
/// Distance of the frequencies looked at, in orders; a window resolves about 0.15.
const STEP: f64 = 0.05;
/// Lowest frequency looked at, in orders.
const LOWEST: f64 = 0.5;
/// How many frequencies: up to order 4.5.
const LINES: usize = 81;
/// Most windows for a wheel: more than 4 km of driving add nothing but time.
const MOST_WINDOWS: usize = 128;
/// Fewer windows than this say nothing.
const LEAST_WINDOWS: u32 = 4;
/// Samples for each order and turn: two by the sampling theorem, and a little more.
const SAMPLES_PER_ORDER: f64 = 2.1;
/// Slower than this, in km/h, nothing is looked at.
const FROM_KMH: f64 = 5.0;
/// A line may be this far from its order when the circumference is known (wear, load, 0.96 to 0.98 of π D), …
const BAND_KNOWN: f64 = 0.05;
/// … or this far when it is not.
const BAND_UNKNOWN: f64 = 0.11;
/// The background beside an order: from this far …
const BESIDE_FROM: f64 = 0.2;
/// … to this far.
const BESIDE_TO: f64 = 0.5;

/// Beyond this amplitude a line is shown, …
const SHOWN_FROM: f64 = 0.006;
/// … beyond this it is more than usual.
const UNCLEAR_FROM: f64 = 0.004;
/// So many times the neighbours' line at the same order.
const NEIGHBOURS_FACTOR: f64 = 2.5;
/// The same where fewer than four wheels have a signal: with two neighbours their middle is their mean, and each of them shows
/// half of the line.
const NEIGHBOURS_FACTOR_OF_FEW: f64 = 1.6;
/// False-alarm probability below which a line is one.
const SHOWN_BELOW: f64 = 1e-4;
/// While the engine does not pull, a line is at least this share of what it is over all.
const ROLLING_SHARE: f64 = 0.5;
/// Orders of a comb are at least this high compared with the highest.
const COMB_EVEN: f64 = 0.35;

/// Harder than this, in m/s², wheels slip.
const ROLLING: f64 = 3.0;
/// A window in which the wheel turns this much faster or slower than its neighbours in the mean, or changes by this
/// much, is one of slip.
const SLIP: f64 = 0.1;
/// A residual beyond this is a drop-out or a spin, not a ring.
const NO_RING: f64 = 0.7;

/// One frequency of an order spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OrderLine {
    /// Frequency in turns of the wheel: 1 is once per turn.
    pub order: f64,
    /// Amplitude as a share of the speed, noise included.
    pub amplitude: f64,
}

/// A wheel's residual against its neighbours at one angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ResidualPoint {
    /// Turns of the wheel since the start of the window.
    pub turn: f64,
    /// How much faster than the neighbours say, as a share of the speed.
    pub residual: f64,
}

/// What repeats with the turning of one wheel.
#[derive(Clone, Debug)]
pub(super) struct Orders {
    /// Amplitude of orders 1 to 4, as a share of the speed.
    pub(super) lines: [Measured; ORDERS],
    /// How many orders in a row stand out as teeth of a comb.
    pub(super) comb: Measured,
    /// Pulses missing in each turn, from the height of the comb.
    pub(super) missing_pulses: Measured,
    /// Share of the turns with a dip or spike that returns at the same angle.
    pub(super) dips: Measured,
    /// Up to which speed order 1 can be shown, in km/h.
    pub(super) limit_kmh: f64,
    /// The spectrum; empty where nothing could be looked at.
    pub(super) spectrum: Vec<OrderLine>,
    /// The residual over the wheel's angle in the window in which order 1 is strongest.
    pub(super) residual: Vec<ResidualPoint>,
}

/// Sums of one frequency over the windows.
#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    windows: u32,
    power: f64,
    amplitude_squared: f64,
}

impl Bin {
    fn add(&mut self, power: f64, amplitude: f64) {
        self.windows += 1;
        self.power += power;
        self.amplitude_squared += amplitude * amplitude;
    }
}

/// One wheel's spectrum.
#[derive(Clone, Debug)]
struct Spectrum {
    bins: Vec<Bin>,
    /// The same of the windows in which the engine did not pull: a ring is off centre then as well, a wheel that slips is not.
    rolling: Vec<Bin>,
    /// Sum over the windows of −ln of the false-alarm probability of each order's band, and how many windows.
    surprise: [(f64, u32); ORDERS],
    dips: Dips,
    /// The window in which order 1 is strongest, with its power.
    clearest: (f64, Vec<ResidualPoint>),
    limit_kmh: f64,
    seen: Vec<f64>,
}

/// Moments at which the wheel is far off, and how well they gather at one angle.
#[derive(Clone, Debug)]
struct Dips {
    /// Sum over the windows, for each length of the turn that is tried.
    gathered: [f64; DIP_LINES],
    /// Windows with enough dips.
    windows: u32,
    /// Dips, one for each time the wheel is off, and turns; in all windows.
    count: f64,
    turns: f64,
    /// How far the wheel is off in them, as logarithm of its speed by that of the others: the sum over their samples, and how many
    /// samples those are.
    off: (f64, f64),
    seen: Vec<f64>,
}

impl Dips {
    /// Dips in a turn.
    fn rate(&self) -> f64 {
        self.count / self.turns.max(1.0)
    }

    /// How far the wheel is off in its dips, in the mean.
    fn size(&self) -> f64 {
        self.off.0 / self.off.1.max(1.0)
    }
}

impl Default for Dips {
    fn default() -> Self {
        Self {
            gathered: [0.0; DIP_LINES],
            windows: 0,
            count: 0.0,
            turns: 0.0,
            off: (0.0, 0.0),
            seen: Vec::new(),
        }
    }
}

/// A moment is a dip or spike when the wheel is off by at least this share of the speed …
const DIP: f64 = 0.05;
/// … and by this many spreads of the window.
const DIP_SIGMAS: f64 = 5.0;
/// Fewer dips in a window say nothing about their angle.
const LEAST_DIPS: f64 = 3.0;
/// Harmonics that count: a dip is narrow, so all of them are as high as the first.
const DIP_HARMONICS: u32 = 3;
/// Lengths of the turn that are tried.
const DIP_LINES: usize = 15;
/// Chance below which dips return at one angle.
const DIPS_BELOW: f64 = 1e-6;
/// A wheel with less than this share of another wheel's dips may only show the other's.
const LEADS: f64 = 0.3;
/// With two neighbours each shows the wheel's dips by half: a wheel that is off by less than this share of what another one is
/// may only show the other's.
const LEADS_OF_FEW: f64 = 0.75;
/// At least so many of them.
const LEAST_DIPS_ALL: f64 = 12.0;

/// What repeats with the turning of each wheel.
pub(super) fn find(grid: &Grid<'_>, geometry: &Geometry) -> [Option<Orders>; 4] {
    let band = if geometry.circumference_known {
        BAND_KNOWN
    } else {
        BAND_UNKNOWN
    };
    let spectra = Wheel::ALL.map(|wheel| spectrum(grid, wheel, geometry, band));
    let peaks = spectra.each_ref().map(|spectrum| {
        spectrum.as_ref().map(|spectrum| {
            std::array::from_fn(|order| peak(spectrum, &spectrum.bins, order + 1, band))
        })
    });
    let few = grid.living() < 4;
    let factor = if few {
        NEIGHBOURS_FACTOR_OF_FEW
    } else {
        NEIGHBOURS_FACTOR
    };
    std::array::from_fn(|wheel| {
        let own: &[Option<Peak>; ORDERS] = peaks[wheel].as_ref()?;
        let spectrum = spectra[wheel].as_ref()?;
        let others = |order: usize| {
            peaks
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != wheel)
                .filter_map(|(_, peaks)| peaks.as_ref().and_then(|peaks| peaks[order].as_ref()))
                .map(|peak| peak.amplitude)
                .fold(0.0, f64::max)
        };
        let orders = std::array::from_fn(|order| {
            judge(
                own[order].as_ref(),
                peak(spectrum, &spectrum.rolling, order + 1, band),
                (others(order), factor),
                order + 1,
                spectrum,
                grid,
            )
        });
        let (comb, missing_pulses) = comb(&orders, geometry);
        Some(Orders {
            dips: judge_dips(&spectrum.dips, leads(&spectrum.dips, &spectra, few)),
            comb,
            missing_pulses,
            lines: orders,
            limit_kmh: spectrum.limit_kmh,
            spectrum: lines(spectrum),
            residual: spectrum.clearest.1.clone(),
        })
    })
}

fn lines(spectrum: &Spectrum) -> Vec<OrderLine> {
    spectrum
        .bins
        .iter()
        .enumerate()
        .filter(|(_, bin)| bin.windows > 0)
        .map(|(index, bin)| OrderLine {
            order: frequency(index),
            amplitude: (bin.amplitude_squared / f64::from(bin.windows)).sqrt(),
        })
        .collect()
}

fn frequency(index: usize) -> f64 {
    LOWEST + STEP * statistics::count(index)
}

/// The line of an order.
#[derive(Clone, Copy, Debug)]
struct Peak {
    amplitude: f64,
    half_width: f64,
    false_alarm: f64,
    windows: u32,
}

fn peak(spectrum: &Spectrum, bins: &[Bin], order: usize, band: f64) -> Option<Peak> {
    let centre = statistics::count(order);
    let mut best: Option<&Bin> = None;
    let mut looked_at = 0.0;
    let (mut beside_power, mut beside_square, mut beside) = (0.0, 0.0, 0.0);
    for (index, bin) in bins.iter().enumerate() {
        let away = (frequency(index) - centre).abs();
        if bin.windows < LEAST_WINDOWS {
            continue;
        }
        let windows = f64::from(bin.windows);
        // The circumference's error grows with the order, but beyond the window's resolution a line is found anyway.
        if away <= band.max(STEP) + 1e-9 {
            looked_at += 1.0;
            if best.is_none_or(|best| bin.power / windows > best.power / f64::from(best.windows)) {
                best = Some(bin);
            }
        } else if (BESIDE_FROM - 1e-9..=BESIDE_TO + 1e-9).contains(&away) {
            beside += 1.0;
            beside_power += bin.power / windows;
            beside_square += bin.amplitude_squared / windows;
        }
    }
    let best = best?;
    if beside < 3.0 {
        return None;
    }
    let windows = f64::from(best.windows);
    let against = (best.power / windows) / (beside_power / beside).max(f64::MIN_POSITIVE);
    let coloured = looked_at * statistics::gamma_tail(best.windows, windows * against);
    let (surprise, combined) = spectrum.surprise[order - 1];
    let white = statistics::gamma_tail(combined, surprise);
    let noise = beside_square / beside;
    let square = best.amplitude_squared / windows;
    let amplitude = (square - noise).max(0.0).sqrt();
    // The mean of M squares of a line in noise: its spread is √((2·A²·n + n²)/M) for noise power n.
    let spread = ((2.0 * amplitude * amplitude * noise + noise * noise) / windows).sqrt();
    let upper = (amplitude * amplitude + statistics::Z_95 * spread).sqrt();
    Some(Peak {
        amplitude,
        half_width: upper - amplitude,
        false_alarm: coloured.max(white).min(1.0),
        windows: best.windows,
    })
}

fn judge(
    peak: Option<&Peak>,
    rolling: Option<Peak>,
    (others, factor): (f64, f64),
    order: usize,
    spectrum: &Spectrum,
    grid: &Grid<'_>,
) -> Measured {
    let limit = spectrum.limit_kmh / statistics::count(order);
    let Some(peak) = peak else {
        let fastest = grid
            .columns
            .iter()
            .flatten()
            .map(|column| column.top_kmh)
            .fold(0.0, f64::max);
        return Measured::not_made(if fastest < FROM_KMH {
            "the wheel did not turn".to_owned()
        } else {
            format!(
                "order {order} can be shown only below {limit:.0} km/h with this sampling, and there was too little quiet driving below that"
            )
        });
    };
    let mut made = Made::new(peak.amplitude, peak.half_width, "");
    made.false_alarm = Some(peak.false_alarm);
    made.events = u64::from(peak.windows);
    let alone = peak.amplitude >= factor * others;
    let no_slip = rolling.is_none_or(|rolling| rolling.amplitude >= ROLLING_SHARE * peak.amplitude);
    made.verdict =
        if peak.false_alarm < SHOWN_BELOW && peak.amplitude > SHOWN_FROM && alone && no_slip {
            Verdict::Shown
        } else if peak.false_alarm < 1e-3 && peak.amplitude > UNCLEAR_FROM {
            Verdict::Unclear
        } else {
            Verdict::NotShown
        };
    if made.verdict != Verdict::NotShown {
        made.times_s.clone_from(&spectrum.seen);
    }
    made.note = Some(format!(
        "{} windows of {WINDOW_TURNS:.0} turns below {limit:.0} km/h; the highest of the neighbours is {:.2} %",
        peak.windows,
        100.0 * others
    ));
    made.into()
}

/// Whether dips are a wheel's own, and not those of another one that show here.
fn leads(own: &Dips, spectra: &[Option<Spectrum>; 4], few: bool) -> bool {
    let most = |of: fn(&Dips) -> f64| {
        let all = spectra.iter().flatten().map(|spectrum| of(&spectrum.dips));
        all.fold(0.0, f64::max)
    };
    own.rate() >= LEADS * most(Dips::rate)
        && (!few || own.size() >= LEADS_OF_FEW * most(Dips::size))
}

/// Whether dips return at one angle of the wheel. Chance: for dips at random moments among the samples, each harmonic of
/// each window gives a χ² of two degrees of freedom.
fn judge_dips(dips: &Dips, leads: bool) -> Measured {
    if dips.turns < 5.0 * WINDOW_TURNS {
        return Measured::not_made("too few turns at a speed that the sampling can follow");
    }
    let mut made = Made::new(dips.count / dips.turns, dips.count.sqrt() / dips.turns, "");
    made.events = u64::try_from(statistics::index(dips.count)).unwrap_or(u64::MAX);
    made.times_s.clone_from(&dips.seen);
    let best = dips.gathered.iter().copied().fold(0.0, f64::max);
    let shape = dips.windows.saturating_mul(DIP_HARMONICS);
    let chance = if dips.windows == 0 {
        1.0
    } else {
        (statistics::count(DIP_LINES) * statistics::gamma_tail(shape, best / 2.0)).min(1.0)
    };
    made.false_alarm = Some(chance);
    made.verdict = if leads && chance < DIPS_BELOW && dips.count >= LEAST_DIPS_ALL {
        Verdict::Shown
    } else {
        Verdict::NotShown
    };
    made.note = Some(format!(
        "off by more than {:.0} % of the speed; {:.0} dips in {:.0} turns",
        100.0 * DIP,
        dips.count,
        dips.turns
    ));
    made.into()
}

/// Adds the dips of a window.
fn add_dips(dips: &mut Dips, turns: &[f64], values: &[f64], band: f64, seen: f64) {
    let mut sizes = values.iter().map(|value| value.abs()).collect::<Vec<_>>();
    let limit = DIP.max(DIP_SIGMAS * 1.4826 * statistics::median(&mut sizes).unwrap_or(0.0));
    let all = statistics::count(turns.len());
    let mut off = 0.0;
    let mut runs = 0.0;
    let mut before = false;
    for value in values {
        let is_off = value.abs() > limit;
        off += f64::from(u8::from(is_off));
        if is_off {
            // A wheel that is slow by a third makes another one fast by a half against it: as logarithms both are as far.
            dips.off.0 += value.max(-0.95).ln_1p().abs();
            dips.off.1 += 1.0;
        }
        runs += f64::from(u8::from(is_off && !before));
        before = is_off;
    }
    let (first, last) = match (turns.first(), turns.last()) {
        (Some(first), Some(last)) => (*first, *last),
        _ => return,
    };
    // Windows overlap by half: each turn is seen twice.
    dips.turns += (last - first) / 2.0;
    dips.count += runs / 2.0;
    if runs < LEAST_DIPS || off > 0.7 * all {
        return;
    }
    keep(&mut dips.seen, u64::from(dips.windows), seen);
    dips.windows += 1;
    // Samples that are off in one go count as one.
    let together = off / runs;
    let spread = off * (1.0 - off / all) * together;
    for (line, gathered) in dips.gathered.iter_mut().enumerate() {
        let scale =
            1.0 + band * (2.0 * statistics::count(line) / statistics::count(DIP_LINES - 1) - 1.0);
        let mut sums = [(0.0_f64, 0.0_f64); DIP_HARMONICS as usize];
        for (turn, value) in turns.iter().zip(values) {
            let (sin, cos) = (TAU * scale * (turn - first)).sin_cos();
            let (mut c, mut s) = (cos, sin);
            // The samples themselves are not spread evenly over the turn: their share is taken off.
            let weight = if value.abs() > limit { 1.0 } else { 0.0 } - off / all;
            for sum in &mut sums {
                sum.0 += weight * c;
                sum.1 += weight * s;
                (c, s) = (c * cos - s * sin, s * cos + c * sin);
            }
        }
        *gathered += sums
            .iter()
            .map(|(c, s)| 2.0 * (c * c + s * s) / spread)
            .sum::<f64>();
    }
}

/// Teeth of a comb: how many orders from 1 on stand out, of nearly the same height.
fn comb(orders: &[Measured; ORDERS], geometry: &Geometry) -> (Measured, Measured) {
    let made = orders.iter().map_while(Measured::made).collect::<Vec<_>>();
    let no_comb = || Measured::moot("no comb");
    if made.len() < 2 {
        let reason = "needs orders 1 and 2";
        return (Measured::moot(reason), Measured::moot(reason));
    }
    let top = made.iter().map(|made| made.value).fold(0.0, f64::max);
    let standing = made
        .iter()
        .take_while(|made| made.verdict == Verdict::Shown && made.value >= COMB_EVEN * top)
        .collect::<Vec<_>>();
    let mut comb = Made::new(statistics::count(standing.len()), 0.0, "orders");
    comb.note = Some(format!("of {} that this drive can show", made.len()));
    if standing.len() < 2 {
        return (comb.into(), no_comb());
    }
    comb.verdict = Verdict::Shown;
    comb.times_s.clone_from(&standing[0].times_s);
    comb.false_alarm = standing
        .iter()
        .filter_map(|made| made.false_alarm)
        .reduce(f64::max);
    let height =
        standing.iter().map(|made| made.value).sum::<f64>() / statistics::count(standing.len());
    let spread = standing
        .iter()
        .map(|made| made.uncertainty)
        .fold(0.0, f64::max);
    let teeth = geometry.teeth.unwrap_or(Geometry::USUAL_TEETH);
    // Each order of one pulse in N missing is 2/N high.
    let mut missing = Made::new(
        height * teeth / 2.0,
        spread * teeth / 2.0,
        "pulses per turn",
    );
    missing.verdict = Verdict::Shown;
    missing.note = Some(match geometry.teeth {
        Some(teeth) => format!("of {teeth:.0}; the module's averaging makes it less than it is"),
        None => "for a ring of 48; the module's averaging makes it less than it is".to_owned(),
    });
    (comb.into(), missing.into())
}

/// Samples of the window that is being filled.
#[derive(Debug, Default)]
struct Window {
    turns: Vec<f64>,
    /// Against each neighbour, less 1.
    values: Vec<[f64; 3]>,
    /// Whether the engine pulls.
    pulls: Vec<bool>,
    seen: f64,
}

impl Window {
    fn clear(&mut self) {
        self.turns.clear();
        self.values.clear();
        self.pulls.clear();
    }

    /// Keeps the later half of the turns.
    fn keep_half(&mut self) {
        let middle = self.turns.first().copied().unwrap_or(0.0) + WINDOW_TURNS / 2.0;
        let early = self.turns.partition_point(|&turn| turn < middle);
        self.turns.drain(..early);
        self.values.drain(..early);
        self.pulls.drain(..early);
    }

    /// Whether the engine pulled for more than a moment.
    fn pulled(&self) -> bool {
        let pulls = self.pulls.iter().filter(|pulls| **pulls).count();
        10 * pulls > self.pulls.len()
    }

    fn span(&self) -> f64 {
        match (self.turns.first(), self.turns.last()) {
            (Some(first), Some(last)) => last - first,
            _ => 0.0,
        }
    }
}

fn spectrum(grid: &Grid<'_>, wheel: Wheel, geometry: &Geometry, band: f64) -> Option<Spectrum> {
    let column = grid.column(wheel)?;
    let circumference = if geometry.circumference_m > 0.3 && geometry.circumference_m < 10.0 {
        geometry.circumference_m
    } else {
        Geometry::USUAL_CIRCUMFERENCE_M
    };
    let limit_kmh = 3.6 * circumference / (2.0 * column.renewal_s.max(1e-3));
    let mut spectrum = Spectrum {
        bins: vec![Bin::default(); LINES],
        rolling: vec![Bin::default(); LINES],
        surprise: [(0.0, 0); ORDERS],
        dips: Dips::default(),
        clearest: (0.0, Vec::new()),
        limit_kmh,
        seen: Vec::new(),
    };
    let top = 3.6 * circumference / (SAMPLES_PER_ORDER * column.renewal_s.max(1e-3));
    let stride = stride(grid, circumference, top);
    let mut neighbours = Neighbours::new(grid, wheel);
    let mut window = Window::default();
    let mut at = 0;
    let mut finished = 0_usize;
    let mut turn = 0.0;
    let mut last_s = f64::NAN;
    let mut last_speed = 0.0;
    for (index, time, speed) in column.samples() {
        let step = time - last_s;
        last_s = time;
        let mut pulls = false;
        let usable = step <= column.hold_s
            && (FROM_KMH..=top).contains(&speed)
            && grid
                .advance(&mut at, time)
                .map(|at| grid.moment(at))
                .is_some_and(|moment| {
                    pulls = moment.pulls();
                    is_steady(&moment)
                });
        let others = neighbours.at(index, time);
        let (true, Some(residual)) = (usable, residuals(others, speed)) else {
            window.clear();
            turn = 0.0;
            last_speed = speed;
            continue;
        };
        if window.turns.is_empty() {
            window.seen = column.seen(index);
        } else {
            turn += f64::midpoint(speed, last_speed) / 3.6 * step / circumference;
        }
        last_speed = speed;
        window.turns.push(turn);
        window.values.push(residual);
        window.pulls.push(pulls);
        if window.span() >= WINDOW_TURNS {
            if finished.is_multiple_of(stride) {
                let before = u64::try_from(finished / stride).unwrap_or(u64::MAX);
                keep(&mut spectrum.seen, before, window.seen);
                add(
                    &mut spectrum,
                    &window,
                    band,
                    column.renewal_s / column.interval_s,
                );
            }
            finished += 1;
            window.keep_half();
            window.seen = column.seen(index);
        }
    }
    Some(spectrum)
}

/// Whether the wheels roll: the neighbours take the vehicle's own acceleration out, so that quiet is not needed.
fn is_steady(moment: &Moment) -> bool {
    moment.travels && !moment.braked && moment.acceleration.abs() < ROLLING
}

/// Every how many-th window is enough.
fn stride(grid: &Grid<'_>, circumference: f64, top_kmh: f64) -> usize {
    let mut metres = 0.0;
    for index in 0..grid.len() {
        let moment = grid.moment(index);
        if is_steady(&moment) && (FROM_KMH..=top_kmh).contains(&moment.reference_kmh) {
            metres += moment.reference_kmh / 3.6 * grid.stands(index);
        }
    }
    let windows = statistics::index(2.0 * metres / circumference / WINDOW_TURNS);
    (windows / MOST_WINDOWS).max(1)
}

/// The wheel against each of its neighbours, less 1: NaN for one that does not turn. `None` when the wheel is so far off
/// that it is no ring.
fn residuals(others: &Others, own: f64) -> Option<[f64; 3]> {
    let mut residuals = [f64::NAN; 3];
    let mut known = 0;
    for &value in &others.value {
        if let Some(slot) = residuals.get_mut(known)
            && value > 1.0
        {
            *slot = own / value - 1.0;
            known += 1;
        }
    }
    let off = residuals
        .iter()
        .filter(|value| value.abs() >= NO_RING)
        .count();
    (known > 0 && 2 * off <= known).then_some(residuals)
}

/// Adds a window to the spectrum. `held` says how many samples there are for each renewal of the value.
fn add(spectrum: &mut Spectrum, window: &Window, band: f64, held: f64) {
    let count = statistics::count(window.turns.len());
    let span = window.span();
    let per_turn = count / span / held.max(1.0);
    if per_turn < SAMPLES_PER_ORDER || count < 1.5 * WINDOW_TURNS {
        return;
    }
    let Some(values) = detrended(window) else {
        return;
    };
    add_dips(
        &mut spectrum.dips,
        &window.turns,
        &values,
        band,
        window.seen,
    );
    let first = window.turns.first().copied().unwrap_or(0.0);
    let mut sums = [Sums::default(); LINES];
    let (mut weight, mut weight_squared, mut square) = (0.0, 0.0, 0.0);
    let (mut position, mut position_squared) = (0.0, 0.0);
    for (turns, values) in window.turns.chunks(LANES).zip(values.chunks(LANES)) {
        let mut lanes = Lanes::default();
        for (lane, (&turn, &value)) in turns.iter().zip(values).enumerate() {
            let turn = turn - first;
            // Hann's taper keeps a slow change from spilling into the orders.
            let taper = 0.5 - 0.5 * (TAU * turn / span).cos();
            weight += taper;
            weight_squared += taper * taper;
            square += taper * value * value;
            position += taper * turn;
            position_squared += taper * turn * turn;
            lanes.set(lane, turn, taper, value);
        }
        for sum in &mut sums {
            lanes.add_to(sum);
            lanes.turn();
        }
    }
    if square <= 0.0 {
        return;
    }
    let effective = weight * weight / weight_squared / held.max(1.0);
    let variance = position_squared / weight - (position / weight).powi(2);
    let highest = per_turn / 2.0;
    let mut best = [0.0_f64; ORDERS];
    let rolls = !window.pulled();
    let bins = spectrum.bins.iter_mut().zip(&mut spectrum.rolling);
    for (index, (sum, (bin, rolling))) in sums.iter_mut().zip(bins).enumerate() {
        let frequency = frequency(index);
        // Nearer to half the sampling rate than a window resolves, a line's height is not known.
        if frequency > highest - 1.0 / WINDOW_TURNS {
            break;
        }
        sum.square = square;
        sum.weight = weight;
        let line = sum.line();
        bin.add(line.power, line.amplitude);
        if rolls {
            rolling.add(line.power, line.amplitude);
        }
        for (order, best) in best.iter_mut().enumerate() {
            if (frequency - statistics::count(order + 1)).abs() <= band.max(STEP) + 1e-9 {
                *best = best.max(line.power);
            }
        }
    }
    if best[0] > spectrum.clearest.0 {
        let points = window.turns.iter().zip(&values);
        spectrum.clearest = (
            best[0],
            points
                .map(|(turn, &residual)| ResidualPoint {
                    turn: turn - first,
                    residual,
                })
                .collect(),
        );
    }
    for (order, (&power, surprise)) in best.iter().zip(&mut spectrum.surprise).enumerate() {
        if statistics::count(order + 1) + band <= highest - 1.0 / WINDOW_TURNS {
            let chance = periodogram::false_alarm(power, effective, 2.0 * band, variance);
            surprise.0 -= chance.max(1e-300).ln();
            surprise.1 += 1;
        }
    }
}

/// How many samples go through the frequencies side by side.
const LANES: usize = 4;

/// Samples on their way through the frequencies: sine and cosine of each are turned on from one frequency to the next.
#[derive(Debug, Default)]
struct Lanes {
    sin: [f64; LANES],
    cos: [f64; LANES],
    sin_step: [f64; LANES],
    cos_step: [f64; LANES],
    taper: [f64; LANES],
    weighted: [f64; LANES],
}

impl Lanes {
    /// Puts a sample at the lowest frequency; one that is not set adds nothing.
    fn set(&mut self, lane: usize, turn: f64, taper: f64, value: f64) {
        (self.sin_step[lane], self.cos_step[lane]) = (TAU * STEP * turn).sin_cos();
        (self.sin[lane], self.cos[lane]) = (TAU * LOWEST * turn).sin_cos();
        self.taper[lane] = taper;
        self.weighted[lane] = taper * value;
    }

    /// Adds the samples to the sums of their frequency, one after the other.
    #[inline]
    fn add_to(&self, sum: &mut Sums) {
        let mut value = ([0.0; LANES], [0.0; LANES]);
        let mut double = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            let (sin, cos) = (self.sin[lane], self.cos[lane]);
            let (taper, weighted) = (self.taper[lane], self.weighted[lane]);
            value.0[lane] = weighted * cos;
            value.1[lane] = weighted * sin;
            double.0[lane] = taper * (cos * cos - sin * sin);
            double.1[lane] = taper * 2.0 * sin * cos;
        }
        for lane in 0..LANES {
            sum.value.0 += value.0[lane];
            sum.value.1 += value.1[lane];
            sum.double.0 += double.0[lane];
            sum.double.1 += double.1[lane];
        }
    }

    /// On to the next frequency.
    #[inline]
    fn turn(&mut self) {
        for lane in 0..LANES {
            let (sin, cos) = (self.sin[lane], self.cos[lane]);
            let (sin_step, cos_step) = (self.sin_step[lane], self.cos_step[lane]);
            self.cos[lane] = cos * cos_step - sin * sin_step;
            self.sin[lane] = sin * cos_step + cos * sin_step;
        }
    }
}

/// The residual of each sample: the median over the neighbours, after each neighbour's mean and slope are taken off, so
/// that a faulty neighbour is outvoted even where the wheels differ for good. `None` for a window of slip.
fn detrended(window: &Window) -> Option<Vec<f64>> {
    let mut lines = [None; 3];
    for (neighbour, line) in lines.iter_mut().enumerate() {
        let (mut n, mut st, mut sv, mut stt, mut stv) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (&turn, values) in window.turns.iter().zip(&window.values) {
            let value = values[neighbour];
            if value.is_finite() {
                n += 1.0;
                st += turn;
                sv += value;
                stt += turn * turn;
                stv += turn * value;
            }
        }
        let spread = stt - st * st / n;
        if n < 0.8 * statistics::count(window.turns.len()) || spread <= 0.0 {
            continue;
        }
        let slope = (stv - st * sv / n) / spread;
        let mean = sv / n;
        if mean.abs() <= SLIP && (slope * window.span()).abs() <= SLIP {
            *line = Some((mean - slope * st / n, slope));
        }
    }
    // One neighbour that slips, or has another tyre, is left out; two are too many.
    let known = lines.iter().flatten().count();
    if known == 0
        || known == 1
            && window
                .values
                .first()
                .is_some_and(|values| values[1].is_finite())
    {
        return None;
    }
    Some(
        window
            .turns
            .iter()
            .zip(&window.values)
            .map(|(&turn, values)| {
                let mut left = [0.0; 3];
                let mut known = 0;
                for (value, line) in values.iter().zip(&lines) {
                    if let (Some((start, slope)), Some(slot)) = (line, left.get_mut(known))
                        && value.is_finite()
                    {
                        *slot = value - start - slope * turn;
                        known += 1;
                    }
                }
                statistics::median_of_few(&left, known).unwrap_or(0.0)
            })
            .collect(),
    )
}
