//! Every measure of one capture.

use super::acceleration;
use super::drive;
use super::dropout;
use super::frozen;
use super::grid::Grid;
use super::input::Input;
use super::lag;
use super::measured::Measured;
use super::noise;
use super::onset;
use super::orders::{self, OrderLine, ResidualPoint};
use super::ratio;
use super::speedometer;
use super::spikes;
use super::supply;
use super::swapped;
use super::together;
use crate::place::Wheel;

/// All measures.
#[derive(Clone, Debug)]
pub struct Measures {
    /// What kind of drive it was.
    pub drive: DriveSummary,
    /// Each wheel, in the order of [`Wheel::ALL`]; `None` without samples.
    pub wheels: [Option<WheelMeasures>; 4],
    /// Each axle, front first.
    pub axles: [AxleMeasures; 2],
    /// The vehicle as a whole.
    pub vehicle: VehicleMeasures,
}

/// Whether the vehicle travelled.
#[derive(Clone, Copy, Debug, Default, Eq, Hash, PartialEq)]
pub enum Travel {
    /// Nothing turned.
    #[default]
    Stood,
    /// Some wheels turned and the others did not: on a lift, stuck, or with several dead signals.
    OnlySomeTurned,
    /// It travelled.
    Drove,
}

impl Travel {
    /// The word for it in JSON.
    pub const fn id(self) -> &'static str {
        match self {
            Self::Stood => "stood",
            Self::OnlySomeTurned => "only-some-turned",
            Self::Drove => "drove",
        }
    }
}

/// What kind of drive the capture holds. Gaps of the capture are in none of the times.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DriveSummary {
    /// Whether the vehicle travelled.
    pub travel: Travel,
    /// Time with samples, in s.
    pub seen_s: f64,
    /// Time above 3 km/h, in s.
    pub moving_s: f64,
    /// Time below 1 km/h, in s.
    pub standing_s: f64,
    /// Distance, in m; 0 unless it travelled.
    pub distance_m: f64,
    /// Highest speed of the vehicle, in km/h.
    pub top_kmh: f64,
    /// Time on straight, steady stretches, in s.
    pub straight_s: f64,
    /// Bends to the left of at least one second.
    pub left_turns: u32,
    /// Bends to the right of at least one second.
    pub right_turns: u32,
    /// How often it stopped.
    pub stops: u32,
}

/// The measures of one wheel.
#[derive(Clone, Debug)]
pub struct WheelMeasures {
    /// How many samples.
    pub samples: u64,
    /// Median interval between samples, in s.
    pub interval_s: f64,
    /// Interval at which the value is really renewed, in s.
    pub renewal_s: f64,
    /// Highest speed, in km/h.
    pub top_kmh: f64,
    /// Share of moving time without a signal, 0 to 1.
    pub dropout_share: Measured,
    /// Longest drop-out, in s.
    pub dropout_longest: Measured,
    /// The longest way rolled at 25 km/h and more during one drop-out, in m; shown from four turns of the wheel on.
    pub dropout_way: Measured,
    /// How long the others turned at speed after the signal's last number, in s; shown where it had been there and never came back.
    pub gone_for_good: Measured,
    /// Where the drop-outs gather: share of them at low speed, while slowing, in left bends, in right bends, on bumps.
    pub dropout_gather: [Measured; 5],
    /// Share of moving time with a frozen value, 0 to 1.
    pub frozen_share: Measured,
    /// Neighbours' speed when the signal appears, in km/h.
    pub onset: Measured,
    /// Neighbours' speed when the signal vanishes, in km/h.
    pub vanish: Measured,
    /// Highest acceleration, in m/s²; the events are impossible jumps.
    pub acceleration: Measured,
    /// Single readings far off, per minute of steady driving.
    pub spikes: Measured,
    /// Spread of the change from sample to sample against the neighbours, in km/h.
    pub noise: Measured,
    /// Growth of the noise with speed, in km/h per 100 km/h.
    pub noise_growth: Measured,
    /// Times the noise while the supply is loaded.
    pub noise_loaded: Measured,
    /// Amplitude of orders 1 to 4 (once, twice, … per turn), as a share of the speed.
    pub orders: [Measured; 4],
    /// How many orders from the first on stand out with nearly the same height: a missing or cracked tooth.
    pub comb: Measured,
    /// Pulses missing in each turn, from the height of the comb.
    pub missing_pulses: Measured,
    /// Share of the turns with a dip or spike; shown when they return at one angle of the wheel.
    pub dips_per_turn: Measured,
    /// Up to which speed the sampling can show order 1, in km/h; order *k* up to a *k*-th of it.
    pub order_limit_kmh: f64,
    /// The order spectrum; empty where nothing could be looked at.
    pub spectrum: Vec<OrderLine>,
    /// The residual against the neighbours over the wheel's angle, in the window in which order 1 is strongest.
    pub residual: Vec<ResidualPoint>,
    /// Speed against the other wheels on straight stretches, less 1.
    pub ratio: Measured,
    /// Spread of the ratio from one stretch of 10 m to the next, as a share of the speed.
    pub wander: Measured,
    /// Change of the ratio with speed, per 100 km/h.
    pub ratio_growth: Measured,
    /// How much later than its axle mate's the wheel's value comes, in s.
    pub lag: Measured,
}

/// A measure with its names.
#[derive(Clone, Copy, Debug)]
pub struct Named<'a> {
    /// Its name in JSON.
    pub id: &'static str,
    /// Its name for a person.
    pub name: &'static str,
    /// The measure.
    pub measured: &'a Measured,
}

const fn named<'a>(id: &'static str, name: &'static str, measured: &'a Measured) -> Named<'a> {
    Named { id, name, measured }
}

/// Identifiers and names of the orders.
const ORDER_NAMES: [(&str, &str); orders::ORDERS] = [
    ("order_1", "amplitude once per turn"),
    ("order_2", "amplitude twice per turn"),
    ("order_3", "amplitude three times per turn"),
    ("order_4", "amplitude four times per turn"),
];

impl WheelMeasures {
    /// Every measure with its names, in the order of a report.
    pub fn all(&self) -> Vec<Named<'_>> {
        let mut all = vec![
            named(
                "dropout_share",
                "share of moving time without a signal",
                &self.dropout_share,
            ),
            named("dropout_longest", "longest drop-out", &self.dropout_longest),
            named(
                "dropout_way",
                "longest way at speed without a signal",
                &self.dropout_way,
            ),
            named(
                "gone_for_good",
                "driving after the signal was last seen",
                &self.gone_for_good,
            ),
            named(
                "frozen_share",
                "share of moving time with a frozen value",
                &self.frozen_share,
            ),
            named(
                "onset",
                "neighbours' speed when the signal appears",
                &self.onset,
            ),
            named(
                "vanish",
                "neighbours' speed when the signal vanishes",
                &self.vanish,
            ),
            named(
                "acceleration",
                "highest acceleration of the signal",
                &self.acceleration,
            ),
            named("spikes", "single readings far off", &self.spikes),
            named("noise", "noise from sample to sample", &self.noise),
            named(
                "noise_growth",
                "growth of the noise with speed",
                &self.noise_growth,
            ),
            named(
                "noise_loaded",
                "noise while the supply is loaded",
                &self.noise_loaded,
            ),
            named("lag", "lag behind the axle mate", &self.lag),
            named(
                "ratio",
                "speed against the other wheels, less 1",
                &self.ratio,
            ),
            named(
                "ratio_growth",
                "change of that with speed",
                &self.ratio_growth,
            ),
            named(
                "wander",
                "wandering against the other wheels, from 10 m to 10 m",
                &self.wander,
            ),
        ];
        for ((id, name), measured) in ORDER_NAMES.iter().zip(&self.orders) {
            all.push(named(id, name, measured));
        }
        all.push(named("comb", "orders that stand out alike", &self.comb));
        all.push(named(
            "missing_pulses",
            "pulses missing in each turn",
            &self.missing_pulses,
        ));
        all.push(named(
            "dips_per_turn",
            "share of the turns with a dip at one angle",
            &self.dips_per_turn,
        ));
        for ((id, name), measured) in dropout::SITUATIONS.iter().zip(&self.dropout_gather) {
            all.push(named(id, name, measured));
        }
        all
    }
}

/// The measures of one axle.
#[derive(Clone, Debug)]
pub struct AxleMeasures {
    /// Share of the bends in which left and right are the wrong way round.
    pub swapped: Measured,
    /// Speed against the other axle on straight stretches, less 1.
    pub ratio: Measured,
}

impl AxleMeasures {
    /// Every measure with its names, in the order of a report.
    pub fn all(&self) -> Vec<Named<'_>> {
        vec![
            named(
                "swapped",
                "share of the bends with left and right the wrong way round",
                &self.swapped,
            ),
            named(
                "axle_ratio",
                "speed against the other axle, less 1",
                &self.ratio,
            ),
        ]
    }
}

/// The measures of the vehicle as a whole.
#[derive(Clone, Debug)]
pub struct VehicleMeasures {
    /// Share of the bends in which the axles disagree on the inner side.
    pub axles_disagree: Measured,
    /// Vehicle speed of another module against the wheels, less 1.
    pub vehicle_speed: Measured,
    /// How often all wheels were gone at once.
    pub all_at_once: Measured,
    /// Lowest supply voltage, in V.
    pub supply_lowest: Measured,
    /// Median supply voltage, in V.
    pub supply_median: Measured,
    /// Highest supply voltage, in V.
    pub supply_highest: Measured,
    /// Time below 9.5 V, in s.
    pub supply_below_9_5: Measured,
    /// Time below 10.5 V, in s.
    pub supply_below_10_5: Measured,
    /// Share of the drop-outs of any wheel that come with a dip below 10.5 V.
    pub dropouts_with_dips: Measured,
}

impl VehicleMeasures {
    /// Every measure with its names, in the order of a report.
    pub fn all(&self) -> Vec<Named<'_>> {
        vec![
            named(
                "axles_disagree",
                "share of the bends in which the axles disagree",
                &self.axles_disagree,
            ),
            named(
                "vehicle_speed",
                "vehicle speed against the wheels, less 1",
                &self.vehicle_speed,
            ),
            named("all_at_once", "all wheels gone at once", &self.all_at_once),
            named(
                "supply_lowest",
                "lowest supply voltage",
                &self.supply_lowest,
            ),
            named(
                "supply_median",
                "median supply voltage",
                &self.supply_median,
            ),
            named(
                "supply_highest",
                "highest supply voltage",
                &self.supply_highest,
            ),
            named(
                "supply_below_9_5",
                "time below 9.5 V",
                &self.supply_below_9_5,
            ),
            named(
                "supply_below_10_5",
                "time below 10.5 V",
                &self.supply_below_10_5,
            ),
            named(
                "dropouts_with_dips",
                "share of the drop-outs with a dip of the supply",
                &self.dropouts_with_dips,
            ),
        ]
    }
}

fn vehicle(
    input: &Input<'_>,
    grid: Option<&Grid<'_>>,
    axles_disagree: Measured,
    dropouts: &[f64],
) -> VehicleMeasures {
    let (all_at_once, mut times) = grid.map_or_else(
        || {
            (
                Measured::not_made("no wheel-speed signal in the capture"),
                Vec::new(),
            )
        },
        together::find,
    );
    times.extend_from_slice(dropouts);
    times.sort_unstable_by(f64::total_cmp);
    let supply = supply::find(input, grid, &times);
    VehicleMeasures {
        axles_disagree,
        vehicle_speed: grid.map_or_else(
            || Measured::not_made("no wheel-speed signal in the capture"),
            |grid| speedometer::find(grid, input.vehicle_speed),
        ),
        all_at_once,
        supply_lowest: supply.lowest,
        supply_median: supply.median,
        supply_highest: supply.highest,
        supply_below_9_5: supply.below_low,
        supply_below_10_5: supply.below_weak,
        dropouts_with_dips: supply.with_dips,
    }
}

/// Measures everything that this input can show.
pub fn measure(input: &Input<'_>) -> Measures {
    let Some(grid) = Grid::new(input) else {
        let none = Measured::not_made("no wheel-speed signal in the capture");
        return Measures {
            drive: DriveSummary::default(),
            wheels: [const { None }; 4],
            axles: std::array::from_fn(|_| AxleMeasures {
                swapped: none.clone(),
                ratio: none.clone(),
            }),
            vehicle: vehicle(input, None, none.clone(), &[]),
        };
    };
    let ratios = ratio::find(&grid);
    let drive = drive::sum_up(&grid, ratios.straight_s);
    let accelerations = acceleration::find(&grid);
    let spikes = spikes::find(&grid);
    let mut noises = noise::find(&grid, input);
    let lags = lag::find(&grid);
    let sides = swapped::find(&grid, &input.geometry);
    let [front_sides, rear_sides] = sides.axles;
    let mut orders = orders::find(&grid, &input.geometry);
    let mut onsets = onset::find(&grid);
    let mut dropout_times = Vec::new();
    let wheels = Wheel::ALL.map(|wheel| {
        let column = grid.column(wheel)?;
        let missing = || Measured::not_made("no samples");
        let dropouts = dropout::find(&grid, wheel)?;
        dropout_times.extend(dropouts.runs.iter().map(|run| run.start_s));
        let onset = onsets[wheel.index()].take()?;
        let orders = orders[wheel.index()].take()?;
        let noise = noises[wheel.index()].take()?;
        Some(WheelMeasures {
            samples: u64::try_from(column.time_s.len()).unwrap_or(u64::MAX),
            interval_s: column.interval_s,
            renewal_s: column.renewal_s,
            top_kmh: column.top_kmh,
            dropout_share: dropouts.share,
            dropout_longest: dropouts.longest,
            dropout_way: dropouts.way,
            gone_for_good: dropouts.gone_for_good,
            dropout_gather: dropouts.gather,
            frozen_share: frozen::find(&grid, wheel).unwrap_or_else(missing),
            onset: onset.onset,
            vanish: onset.vanish,
            acceleration: accelerations[wheel.index()].clone().unwrap_or_else(missing),
            spikes: spikes[wheel.index()].clone().unwrap_or_else(missing),
            noise: noise.level,
            noise_growth: noise.growth,
            noise_loaded: noise.loaded,
            lag: lags[wheel.index()].clone().unwrap_or_else(missing),
            orders: orders.lines,
            comb: orders.comb,
            missing_pulses: orders.missing_pulses,
            dips_per_turn: orders.dips,
            order_limit_kmh: orders.limit_kmh,
            spectrum: orders.spectrum,
            residual: orders.residual,
            ratio: ratios.wheels[wheel.index()].clone().unwrap_or_else(missing),
            wander: ratios.wander[wheel.index()].clone().unwrap_or_else(missing),
            ratio_growth: ratios.growth[wheel.index()].clone().unwrap_or_else(missing),
        })
    });
    let rear = match &ratios.front_rear {
        Measured::Made(made) => {
            let mut made = made.clone();
            made.value = 1.0 / (1.0 + made.value) - 1.0;
            Measured::Made(made)
        }
        not_made => not_made.clone(),
    };
    Measures {
        drive,
        wheels,
        axles: [
            AxleMeasures {
                swapped: front_sides,
                ratio: ratios.front_rear,
            },
            AxleMeasures {
                swapped: rear_sides,
                ratio: rear,
            },
        ],
        vehicle: vehicle(input, Some(&grid), sides.disagree, &dropout_times),
    }
}
