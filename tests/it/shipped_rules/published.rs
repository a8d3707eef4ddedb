//! Lists of causes that makers print for a code: the printed causes lead, and those that must not lead rank below.
//!
//! Order inside a printed list is not always an order of likelihood, so the test asks for the group only. Where a list
//! names "fitting" or "gap", that is `sensor-weak-signal`; "harness", "connector", "wire" are `sensor-circuit`; "rotor"
//! is `tone-ring`; "hub" is `wheel-bearing`.

use tonering::place::{Place, Wheel};
use tonering::vehicle::Role;

use super::scene::{PRESENT, Scene};

struct Case {
    source: &'static str,
    /// Codes of the brake module.
    codes: &'static [&'static str],
    /// Codes of two other modules.
    others: &'static [&'static str],
    /// The wheel that the codes name, if they name one.
    wheel: Option<Wheel>,
    /// The printed causes: the leader and all that reach a tenth must be among them, and together they hold 70 %.
    printed: &'static [&'static str],
    /// These must be less than half as probable as the leader.
    not: &'static [&'static str],
}

use Wheel::{LeftFront, LeftRear, RightFront, RightRear};

const WHEEL: &[&str] = &[
    "sensor-circuit",
    "sensor-failed",
    "sensor-weak-signal",
    "tone-ring",
    "wheel-bearing",
];
const FEED: &[&str] = &["supply-lost", "supply-low", "earth-poor"];
const MODULE: &[&str] = &["module-internal"];

const CASES: &[Case] = &[
    Case {
        source: "published: maker service texts, Ford Edge 2021 and Navigator 2018: gap once per turn",
        codes: &["C0030-07"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["tone-ring", "sensor-failed", "wheel-bearing"],
        not: &["sensor-circuit", "supply-lost", "supply-low"],
    },
    Case {
        source: "the same, right rear number",
        codes: &["C0039-07"],
        others: &[],
        wheel: Some(RightRear),
        printed: &["tone-ring", "sensor-failed", "wheel-bearing"],
        not: &["sensor-circuit", "supply-lost", "supply-low"],
    },
    Case {
        source: "published: maker code table, Mazda: pattern fault, ring with missing teeth or debris, crooked fitting",
        codes: &["C0033-07"],
        others: &[],
        wheel: Some(RightFront),
        printed: &[
            "tone-ring",
            "sensor-weak-signal",
            "sensor-failed",
            "wheel-bearing",
        ],
        not: &["sensor-circuit"],
    },
    Case {
        source: "published: Mazda3, Ford Edge 2016: short to earth on the sensor lines",
        codes: &["C0031-11"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Ford Navigator 2018, Mazda MX-5: short to battery",
        codes: &["C0031-12"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Toyota: short to battery, later numbers",
        codes: &["C0500-12"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Mazda6: open circuit",
        codes: &["C0031-13"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Honda CR-V: short to earth or open, a second after key on",
        codes: &["C0031-14"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Mazda, Ford: open or short to battery",
        codes: &["C003A-15"],
        others: &[],
        wheel: Some(RightRear),
        printed: &["sensor-circuit", "sensor-failed", "module-internal"],
        not: &["tone-ring", "tyre-mismatch"],
    },
    Case {
        source: "published: Mazda: no or very low signal at 10 km/h or more (07)",
        codes: &["C0031-07"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &[
            "tone-ring",
            "sensor-failed",
            "sensor-weak-signal",
            "wheel-bearing",
        ],
        not: MODULE,
    },
    Case {
        source: "published: Mazda: no or very low signal at 10 km/h or more (29)",
        codes: &["C0037-29"],
        others: &[],
        wheel: Some(LeftRear),
        printed: WHEEL,
        not: MODULE,
    },
    Case {
        source: "published: Mazda: speed or acceleration outside limits",
        codes: &["C0031-2F"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: Mazda: one wheel far too fast at 20 km/h or more",
        codes: &["C0031-64"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: Honda: too many pulses; noise, wrong fitting, ring",
        codes: &["C0031-3A"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: Honda: speeds disagree at 50 km/h or more; sensor, ring, fitting, tyre",
        codes: &["C0034-62"],
        others: &[],
        wheel: Some(RightFront),
        printed: &[
            "sensor-failed",
            "tone-ring",
            "sensor-weak-signal",
            "tyre-mismatch",
            "wheel-bearing",
        ],
        not: FEED,
    },
    Case {
        source: "published: Ford Milan 2011: erratic group, seven causes",
        codes: &["C0031-29", "C0030-64"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &[
            "sensor-circuit",
            "tyre-mismatch",
            "sensor-failed",
            "tone-ring",
            "wheel-bearing",
            "sensor-weak-signal",
            "module-internal",
        ],
        not: FEED,
    },
    Case {
        source: "published: Toyota Camry: noisy signal; sensor, rotor in the hub",
        codes: &["C0500-1F"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: MODULE,
    },
    Case {
        source: "published: Toyota Corolla Cross: 6 % apart when straight; sensor, ring, tyres",
        codes: &["C0500-1C"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &[
            "sensor-failed",
            "tone-ring",
            "tyre-mismatch",
            "sensor-circuit",
            "sensor-weak-signal",
            "wheel-bearing",
        ],
        not: FEED,
    },
    Case {
        source: "published: Toyota Corolla Cross: signal outside its range; sensor or hub unit",
        codes: &["C050C-24"],
        others: &[],
        wheel: Some(LeftRear),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: GM Silverado 2007: one wheel 10 % apart; odd tyre or low pressure, only then sensors",
        codes: &["C0238"],
        others: &[],
        wheel: None,
        printed: &["tyre-mismatch"],
        not: &["sensor-circuit"],
    },
    Case {
        source: "published: GM: open or short for 0.5 s, left front",
        codes: &["C0225"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed"],
        not: &["tyre-mismatch"],
    },
    Case {
        source: "published: GM: open or short for 0.5 s, right front",
        codes: &["C0221"],
        others: &[],
        wheel: Some(RightFront),
        printed: &["sensor-circuit", "sensor-failed"],
        not: &["tyre-mismatch"],
    },
    Case {
        source: "published: GM: wheel below 6 km/h while others move; gap, sensor, ring",
        codes: &["C0226"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: GM: erratic; ring, bearing, intermittent wire",
        codes: &["C0223"],
        others: &[],
        wheel: Some(RightFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: Kia TF 2014: sensor current outside 4 to 22 mA, here as failure type 1D of the shared list",
        codes: &["C0031-1D"],
        others: &[],
        wheel: Some(LeftFront),
        printed: &["sensor-circuit", "sensor-failed"],
        not: &["tone-ring"],
    },
    Case {
        source: "published: Kia i30: no signal while moving, here as failure type 31 of the shared list",
        codes: &["C0031-31"],
        others: &[],
        wheel: Some(LeftFront),
        printed: WHEEL,
        not: FEED,
    },
    Case {
        source: "published: GM: supply below 9 V; supply, earth, charging",
        codes: &["C0899"],
        others: &[],
        wheel: None,
        printed: &["supply-low", "earth-poor", "supply-lost", "supply-high"],
        not: WHEEL,
    },
    Case {
        source: "published: GM: supply above 16 V; overcharging, charger, jump start",
        codes: &["C0900"],
        others: &[],
        wheel: None,
        printed: &["supply-high"],
        not: WHEEL,
    },
    Case {
        source: "published: GM: several modules report it: the charging system",
        codes: &["C0900"],
        others: &["P0563"],
        wheel: None,
        printed: &["supply-high"],
        not: WHEEL,
    },
    Case {
        source: "published: GM Tahoe hybrid, XL-7: pedal reads applied above 15 km/h",
        codes: &["C0161"],
        others: &[],
        wheel: None,
        printed: &["brake-switch"],
        not: WHEEL,
    },
    Case {
        source: "published: Ford F-150, Edge 2017: all ABS messages missing in several modules",
        codes: &[],
        others: &["U0121-00"],
        wheel: None,
        printed: &[
            "supply-lost",
            "earth-poor",
            "network",
            "module-internal",
            "supply-low",
        ],
        not: WHEEL,
    },
    Case {
        source: "published: Toyota Prius 2009: bus off with lost ABS messages",
        codes: &[],
        others: &["U0073-00", "U0121-00"],
        wheel: None,
        printed: &["network"],
        not: WHEEL,
    },
    Case {
        source: "published: Ford F-150 2022: invalid data of the ABS module",
        codes: &[],
        others: &["U0415-81"],
        wheel: None,
        printed: &[
            "module-internal",
            "network",
            "supply-low",
            "supply-high",
            "earth-poor",
        ],
        not: &["sensor-circuit"],
    },
    Case {
        source: "published: Ford F-150 2022: frozen counter of the ABS module",
        codes: &[],
        others: &["U0415-82"],
        wheel: None,
        printed: &[
            "module-internal",
            "network",
            "supply-low",
            "supply-high",
            "earth-poor",
        ],
        not: &["sensor-circuit"],
    },
    Case {
        source: "published: Ford F-150 2022: wrong checksum of the ABS module",
        codes: &[],
        others: &["U0415-83"],
        wheel: None,
        printed: &[
            "module-internal",
            "network",
            "supply-low",
            "supply-high",
            "earth-poor",
        ],
        not: &["sensor-circuit"],
    },
];

#[test]
fn printed_causes_lead() {
    let mut wrong = Vec::new();
    for case in CASES {
        let mut scene = if case.codes.is_empty() {
            Scene::new()
        } else {
            Scene::new().read()
        };
        for code in case.codes {
            scene = scene.code(code, PRESENT);
        }
        if !case.others.is_empty() {
            scene = scene
                .neighbour("Engine", Role::Powertrain)
                .neighbour("Body", Role::Body);
            for code in case.others {
                scene = scene
                    .code_from(1, code, PRESENT)
                    .code_from(2, code, PRESENT);
            }
        }
        let judged = scene.judge();
        let place = case.wheel.map_or(Place::Vehicle, Place::Wheel);
        let is_printed = |id: &str, at: Place| {
            case.printed.contains(&id)
                && (case.wheel.is_none() || at == place || at == Place::Vehicle)
        };
        let (leader, at) = judged.first();
        let lead = judged.causes[0].2;
        // The top group: everything at least half as probable as the leader. Only printed causes may be in it.
        let strangers: Vec<&str> = judged
            .causes
            .iter()
            .filter(|&(id, at, probability)| *probability >= lead / 2.0 && !is_printed(id, *at))
            .map(|(id, ..)| id.as_str())
            .collect();
        let above: Vec<&&str> = case
            .not
            .iter()
            .filter(|id| judged.highest(id) >= lead / 2.0)
            .collect();
        if !is_printed(leader, at) || !strangers.is_empty() || !above.is_empty() {
            wrong.push(format!(
                "{}\n  {:?} {:?}: strangers {strangers:?}, too high {above:?}\n{}",
                case.source,
                case.codes,
                case.others,
                judged.head()
            ));
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {}:\n{}",
        wrong.len(),
        CASES.len(),
        wrong.join("\n\n")
    );
}
