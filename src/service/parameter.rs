//! The parameters of mode 01 (PIDs): names, lengths and scaling.
//!
//! Source: SAE J1979:2012 and J1979-DA as published in the open encyclopedia's page on OBD-II PIDs; the examples of the
//! tests name their own sources. Where only a length is known, the bytes are shown as they are.

use super::field::Scale;

/// A parameter.
#[derive(Clone, Copy, Debug)]
pub(super) struct Parameter {
    /// Its number.
    pub(super) pid: u8,
    /// How many data bytes it has.
    pub(super) length: u8,
    /// What it is.
    pub(super) name: &'static str,
    /// What its bytes are.
    pub(super) items: Items,
}

/// What the bytes of a parameter are.
#[derive(Clone, Copy, Debug)]
pub(super) enum Items {
    /// Four bytes that name the parameters above this one.
    Supported,
    /// Lamp, number of codes and monitors; the flag tells since clearing (01) from this cycle (41).
    Readiness(bool),
    /// The code that stored a freeze frame.
    Code,
    /// One number over all bytes.
    Number(Scale, &'static str),
    /// Several numbers.
    Numbers(&'static [Item]),
    /// The first byte has words.
    Choice(fn(u8) -> &'static str),
    /// Bytes as they are.
    Bytes,
}

/// One number of several.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item {
    /// What it is.
    pub(super) name: &'static str,
    /// How many bytes it has.
    pub(super) length: u8,
    /// How it is scaled.
    pub(super) scale: Scale,
    /// Its unit.
    pub(super) unit: &'static str,
    /// Which bit of the parameter's first byte says that it is supported, if one does.
    pub(super) if_bit: Option<u8>,
}

/// The parameter with this number.
pub(super) fn parameter(pid: u8) -> Option<&'static Parameter> {
    let index = PARAMETERS
        .binary_search_by_key(&pid, |known| known.pid)
        .ok()?;
    PARAMETERS.get(index)
}

/// The parameters of a mode 01 answer and the data bytes of each.
///
/// A single parameter has all bytes that are there. Of several, each has the length of the standard; from the first one
/// on whose length is unknown, the rest is given to that one.
pub fn parameters(payload: &[u8]) -> Vec<(u8, &[u8])> {
    let mut found = Vec::new();
    if payload.first() == Some(&0x41) {
        let mut at = 1;
        while let Some((pid, length)) = next_parameter(payload.get(at..).unwrap_or_default()) {
            let data = payload.get(at + 1..at + 1 + length).unwrap_or_default();
            found.push((pid, data));
            at += 1 + length;
        }
    }
    found
}

/// The parameter at the start of `bytes` and how many data bytes it has here.
pub(super) fn next_parameter(bytes: &[u8]) -> Option<(u8, usize)> {
    let (&pid, rest) = bytes.split_first()?;
    let length = match parameter(pid) {
        // Two banks in one answer: the fuel trims have a second byte on some engines.
        Some(_) if matches!(pid, 0x06..=0x09) && rest.len() == 2 => 2,
        Some(known) => usize::from(known.length).min(rest.len()),
        None => rest.len(),
    };
    Some((pid, length))
}

const fn n(name: &'static str, length: u8, scale: Scale, unit: &'static str) -> Item {
    Item {
        name,
        length,
        scale,
        unit,
        if_bit: None,
    }
}

const fn s(bit: u8, name: &'static str, length: u8, scale: Scale, unit: &'static str) -> Item {
    Item {
        name,
        length,
        scale,
        unit,
        if_bit: Some(bit),
    }
}

const RAW: Scale = Scale::RAW;
const PERCENT: Scale = Scale::new(100.0, 255.0, 0.0);
const TRIM: Scale = Scale::new(100.0, 128.0, -100.0);
const CELSIUS: Scale = Scale::new(1.0, 1.0, -40.0);
const CELSIUS_TENTH: Scale = Scale::new(1.0, 10.0, -40.0);
const RATIO: Scale = Scale::new(2.0, 65536.0, 0.0);
const TORQUE: Scale = Scale::new(1.0, 1.0, -125.0);
const KPA_32: Scale = Scale::new(1.0, 32.0, 0.0);
// From the open OBD layers of scapy 2.8.0.
const TENFOLD: Scale = Scale::new(10.0, 1.0, 0.0);
const HUNDREDTH: Scale = Scale::new(1.0, 100.0, 0.0);
const DIFFERENCE: Scale = Scale::new(1.0, 100.0, -327.68);
const GRAMS: Scale = Scale::new(1.0, 32.0, 0.0);

const fn per(divide: f64) -> Scale {
    Scale::new(1.0, divide, 0.0)
}

const fn number(
    pid: u8,
    length: u8,
    name: &'static str,
    scale: Scale,
    unit: &'static str,
) -> Parameter {
    Parameter {
        pid,
        length,
        name,
        items: Items::Number(scale, unit),
    }
}

const fn row(pid: u8, length: u8, name: &'static str, items: Items) -> Parameter {
    Parameter {
        pid,
        length,
        name,
        items,
    }
}

const NARROW: &[Item] = &[
    n("voltage", 1, per(200.0), "V"),
    n("short-term fuel trim", 1, TRIM, "%"),
];

const fn narrow(pid: u8, name: &'static str) -> Parameter {
    row(pid, 2, name, Items::Numbers(NARROW))
}

const WIDE_VOLTAGE: &[Item] = &[
    n("air-fuel equivalence ratio", 2, RATIO, ""),
    n("voltage", 2, Scale::new(8.0, 65536.0, 0.0), "V"),
];

const fn wide_voltage(pid: u8, name: &'static str) -> Parameter {
    row(pid, 4, name, Items::Numbers(WIDE_VOLTAGE))
}

const WIDE_CURRENT: &[Item] = &[
    n("air-fuel equivalence ratio", 2, RATIO, ""),
    n("current", 2, Scale::new(1.0, 256.0, -128.0), "mA"),
];

const fn wide_current(pid: u8, name: &'static str) -> Parameter {
    row(pid, 4, name, Items::Numbers(WIDE_CURRENT))
}

const SECONDARY_TRIM: &[Item] = &[
    n("first bank", 1, TRIM, "%"),
    n("second bank", 1, TRIM, "%"),
];

const fn secondary_trim(pid: u8, name: &'static str) -> Parameter {
    row(pid, 2, name, Items::Numbers(SECONDARY_TRIM))
}

const fn bytes(pid: u8, length: u8, name: &'static str) -> Parameter {
    row(pid, length, name, Items::Bytes)
}

const fn map(pid: u8) -> Parameter {
    row(pid, 4, "supported parameters", Items::Supported)
}

const fn fuel_system(byte: u8) -> &'static str {
    match byte {
        0x00 => "engine off, or no such system",
        0x01 => "open loop: engine cold",
        0x02 => "closed loop, by oxygen sensor",
        0x04 => "open loop: load or overrun",
        0x08 => "open loop: fault",
        0x10 => "closed loop with a fault",
        _ => "reserved",
    }
}

const fn secondary_air(byte: u8) -> &'static str {
    match byte {
        0x01 => "upstream",
        0x02 => "downstream",
        0x04 => "outside air, or off",
        0x08 => "on for diagnosis",
        _ => "reserved",
    }
}

const fn standard(byte: u8) -> &'static str {
    match byte {
        1 => "OBD-II, California",
        2 => "OBD, federal United States",
        3 => "OBD and OBD-II",
        4 => "OBD-I",
        5 => "no OBD",
        6 => "EOBD",
        7 => "EOBD and OBD-II",
        8 => "EOBD and OBD",
        9 => "EOBD, OBD and OBD-II",
        10 => "JOBD",
        11 => "JOBD and OBD-II",
        12 => "JOBD and EOBD",
        13 => "JOBD, EOBD and OBD-II",
        17 => "EMD",
        18 => "EMD+",
        19 => "HD OBD-C",
        20 => "HD OBD",
        21 => "WWH OBD",
        23 => "HD EOBD-I",
        24 => "HD EOBD-I N",
        25 => "HD EOBD-II",
        26 => "HD EOBD-II N",
        28 => "OBDBr-1",
        29 => "OBDBr-2",
        30 => "KOBD",
        31 => "IOBD I",
        32 => "IOBD II",
        33 => "HD EOBD-VI",
        _ => "reserved or other",
    }
}

const fn auxiliary(byte: u8) -> &'static str {
    if byte & 1 != 0 {
        "power take-off active"
    } else {
        "power take-off not active"
    }
}

const fn fuel(byte: u8) -> &'static str {
    match byte {
        0 => "not available",
        1 => "petrol",
        2 => "methanol",
        3 => "ethanol",
        4 => "diesel",
        5 => "LPG",
        6 => "CNG",
        7 => "propane",
        8 => "electric",
        9 => "two fuels, now petrol",
        10 => "two fuels, now methanol",
        11 => "two fuels, now ethanol",
        12 => "two fuels, now LPG",
        13 => "two fuels, now CNG",
        14 => "two fuels, now propane",
        15 => "two fuels, now electric",
        16 => "two fuels, electric and combustion",
        17 => "hybrid, petrol",
        18 => "hybrid, ethanol",
        19 => "hybrid, diesel",
        20 => "hybrid, electric",
        21 => "hybrid, electric and combustion",
        22 => "hybrid, regenerative",
        23 => "two fuels, diesel",
        _ => "reserved",
    }
}

/// In the order of their numbers.
const PARAMETERS: &[Parameter] = &[
    map(0x00),
    row(
        0x01,
        4,
        "lamp, codes and monitors since clearing",
        Items::Readiness(true),
    ),
    row(0x02, 2, "code that stored the freeze frame", Items::Code),
    row(0x03, 2, "fuel system", Items::Choice(fuel_system)),
    number(0x04, 1, "calculated engine load", PERCENT, "%"),
    number(0x05, 1, "coolant temperature", CELSIUS, "°C"),
    number(0x06, 1, "short-term fuel trim, bank 1", TRIM, "%"),
    number(0x07, 1, "long-term fuel trim, bank 1", TRIM, "%"),
    number(0x08, 1, "short-term fuel trim, bank 2", TRIM, "%"),
    number(0x09, 1, "long-term fuel trim, bank 2", TRIM, "%"),
    number(0x0A, 1, "fuel pressure", Scale::new(3.0, 1.0, 0.0), "kPa"),
    number(0x0B, 1, "intake manifold pressure", RAW, "kPa"),
    number(0x0C, 2, "engine speed", per(4.0), "rpm"),
    number(0x0D, 1, "vehicle speed", RAW, "km/h"),
    number(0x0E, 1, "timing advance", Scale::new(1.0, 2.0, -64.0), "°"),
    number(0x0F, 1, "intake air temperature", CELSIUS, "°C"),
    number(0x10, 2, "air flow", per(100.0), "g/s"),
    number(0x11, 1, "throttle position", PERCENT, "%"),
    row(0x12, 1, "secondary air", Items::Choice(secondary_air)),
    bytes(0x13, 1, "oxygen sensors present, two banks"),
    narrow(0x14, "oxygen sensor 1"),
    narrow(0x15, "oxygen sensor 2"),
    narrow(0x16, "oxygen sensor 3"),
    narrow(0x17, "oxygen sensor 4"),
    narrow(0x18, "oxygen sensor 5"),
    narrow(0x19, "oxygen sensor 6"),
    narrow(0x1A, "oxygen sensor 7"),
    narrow(0x1B, "oxygen sensor 8"),
    row(0x1C, 1, "OBD standard", Items::Choice(standard)),
    bytes(0x1D, 1, "oxygen sensors present, four banks"),
    row(0x1E, 1, "auxiliary inputs", Items::Choice(auxiliary)),
    number(0x1F, 2, "time since engine start", RAW, "s"),
    map(0x20),
    number(0x21, 2, "distance with the lamp on", RAW, "km"),
    number(
        0x22,
        2,
        "fuel rail pressure, relative to manifold",
        Scale::new(0.079, 1.0, 0.0),
        "kPa",
    ),
    number(
        0x23,
        2,
        "fuel rail pressure",
        Scale::new(10.0, 1.0, 0.0),
        "kPa",
    ),
    wide_voltage(0x24, "wide-range oxygen sensor 1"),
    wide_voltage(0x25, "wide-range oxygen sensor 2"),
    wide_voltage(0x26, "wide-range oxygen sensor 3"),
    wide_voltage(0x27, "wide-range oxygen sensor 4"),
    wide_voltage(0x28, "wide-range oxygen sensor 5"),
    wide_voltage(0x29, "wide-range oxygen sensor 6"),
    wide_voltage(0x2A, "wide-range oxygen sensor 7"),
    wide_voltage(0x2B, "wide-range oxygen sensor 8"),
    number(0x2C, 1, "commanded exhaust recirculation", PERCENT, "%"),
    number(0x2D, 1, "exhaust recirculation error", TRIM, "%"),
    number(0x2E, 1, "commanded evaporative purge", PERCENT, "%"),
    number(0x2F, 1, "fuel level", PERCENT, "%"),
    number(0x30, 1, "warm-ups since clearing", RAW, ""),
    number(0x31, 2, "distance since clearing", RAW, "km"),
    number(
        0x32,
        2,
        "evaporative system pressure",
        Scale::signed(1.0, 4.0, 0.0),
        "Pa",
    ),
    number(0x33, 1, "barometric pressure", RAW, "kPa"),
    wide_current(0x34, "wide-range oxygen sensor 1"),
    wide_current(0x35, "wide-range oxygen sensor 2"),
    wide_current(0x36, "wide-range oxygen sensor 3"),
    wide_current(0x37, "wide-range oxygen sensor 4"),
    wide_current(0x38, "wide-range oxygen sensor 5"),
    wide_current(0x39, "wide-range oxygen sensor 6"),
    wide_current(0x3A, "wide-range oxygen sensor 7"),
    wide_current(0x3B, "wide-range oxygen sensor 8"),
    number(
        0x3C,
        2,
        "catalyst temperature, bank 1 sensor 1",
        CELSIUS_TENTH,
        "°C",
    ),
    number(
        0x3D,
        2,
        "catalyst temperature, bank 2 sensor 1",
        CELSIUS_TENTH,
        "°C",
    ),
    number(
        0x3E,
        2,
        "catalyst temperature, bank 1 sensor 2",
        CELSIUS_TENTH,
        "°C",
    ),
    number(
        0x3F,
        2,
        "catalyst temperature, bank 2 sensor 2",
        CELSIUS_TENTH,
        "°C",
    ),
    map(0x40),
    row(0x41, 4, "monitors in this cycle", Items::Readiness(false)),
    number(0x42, 2, "voltage at the module", per(1000.0), "V"),
    number(0x43, 2, "absolute load", PERCENT, "%"),
    number(0x44, 2, "commanded air-fuel equivalence ratio", RATIO, ""),
    number(0x45, 1, "relative throttle position", PERCENT, "%"),
    number(0x46, 1, "ambient temperature", CELSIUS, "°C"),
    number(0x47, 1, "throttle position B", PERCENT, "%"),
    number(0x48, 1, "throttle position C", PERCENT, "%"),
    number(0x49, 1, "accelerator position D", PERCENT, "%"),
    number(0x4A, 1, "accelerator position E", PERCENT, "%"),
    number(0x4B, 1, "accelerator position F", PERCENT, "%"),
    number(0x4C, 1, "commanded throttle actuator", PERCENT, "%"),
    number(0x4D, 2, "time with the lamp on", RAW, "min"),
    number(0x4E, 2, "time since clearing", RAW, "min"),
    row(
        0x4F,
        4,
        "largest values",
        Items::Numbers(&[
            n("equivalence ratio", 1, RAW, ""),
            n("oxygen sensor voltage", 1, RAW, "V"),
            n("oxygen sensor current", 1, RAW, "mA"),
            n(
                "intake manifold pressure",
                1,
                Scale::new(10.0, 1.0, 0.0),
                "kPa",
            ),
        ]),
    ),
    row(
        0x50,
        4,
        "largest air flow",
        Items::Numbers(&[n("air flow", 1, Scale::new(10.0, 1.0, 0.0), "g/s")]),
    ),
    row(0x51, 1, "fuel", Items::Choice(fuel)),
    number(0x52, 1, "ethanol in the fuel", PERCENT, "%"),
    number(
        0x53,
        2,
        "evaporative system pressure, absolute",
        per(200.0),
        "kPa",
    ),
    number(
        0x54,
        2,
        "evaporative system pressure",
        Scale::signed(1.0, 1.0, 0.0),
        "Pa",
    ),
    secondary_trim(0x55, "short-term secondary trim, banks 1 and 3"),
    secondary_trim(0x56, "long-term secondary trim, banks 1 and 3"),
    secondary_trim(0x57, "short-term secondary trim, banks 2 and 4"),
    secondary_trim(0x58, "long-term secondary trim, banks 2 and 4"),
    number(
        0x59,
        2,
        "fuel rail pressure, absolute",
        Scale::new(10.0, 1.0, 0.0),
        "kPa",
    ),
    number(0x5A, 1, "relative accelerator position", PERCENT, "%"),
    number(0x5B, 1, "hybrid battery charge", PERCENT, "%"),
    number(0x5C, 1, "oil temperature", CELSIUS, "°C"),
    number(
        0x5D,
        2,
        "injection timing",
        Scale::new(1.0, 128.0, -210.0),
        "°",
    ),
    number(0x5E, 2, "fuel rate", per(20.0), "L/h"),
    bytes(0x5F, 1, "emission requirements"),
    map(0x60),
    number(0x61, 1, "driver's demand of torque", TORQUE, "%"),
    number(0x62, 1, "engine torque", TORQUE, "%"),
    number(0x63, 2, "reference torque", RAW, "N·m"),
    row(
        0x64,
        5,
        "engine torque points",
        Items::Numbers(&[
            n("idle", 1, TORQUE, "%"),
            n("point 1", 1, TORQUE, "%"),
            n("point 2", 1, TORQUE, "%"),
            n("point 3", 1, TORQUE, "%"),
            n("point 4", 1, TORQUE, "%"),
        ]),
    ),
    bytes(0x65, 2, "auxiliary inputs and outputs"),
    row(
        0x66,
        5,
        "air flow, sensors A and B",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "sensor A", 2, KPA_32, "g/s"),
            s(1, "sensor B", 2, KPA_32, "g/s"),
        ]),
    ),
    row(
        0x67,
        3,
        "coolant temperature, sensors 1 and 2",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "sensor 1", 1, CELSIUS, "°C"),
            s(1, "sensor 2", 1, CELSIUS, "°C"),
        ]),
    ),
    row(
        0x68,
        7,
        "intake air temperature",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "bank 1 sensor 1", 1, CELSIUS, "°C"),
            s(1, "bank 1 sensor 2", 1, CELSIUS, "°C"),
            s(2, "bank 1 sensor 3", 1, CELSIUS, "°C"),
            s(3, "bank 2 sensor 1", 1, CELSIUS, "°C"),
            s(4, "bank 2 sensor 2", 1, CELSIUS, "°C"),
            s(5, "bank 2 sensor 3", 1, CELSIUS, "°C"),
        ]),
    ),
    row(
        0x69,
        7,
        "exhaust recirculation, commanded and actual",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 1, PERCENT, "%"),
            s(1, "actual A", 1, PERCENT, "%"),
            s(2, "error A", 1, TRIM, "%"),
            s(3, "commanded B", 1, PERCENT, "%"),
            s(4, "actual B", 1, PERCENT, "%"),
            s(5, "error B", 1, TRIM, "%"),
        ]),
    ),
    row(
        0x6A,
        5,
        "diesel intake air flow control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 1, PERCENT, "%"),
            s(1, "position A", 1, PERCENT, "%"),
            s(2, "commanded B", 1, PERCENT, "%"),
            s(3, "position B", 1, PERCENT, "%"),
        ]),
    ),
    row(
        0x6B,
        5,
        "exhaust recirculation temperature",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "bank 1 sensor 1", 1, CELSIUS, "°C"),
            s(1, "bank 1 sensor 2", 1, CELSIUS, "°C"),
            s(2, "bank 2 sensor 1", 1, CELSIUS, "°C"),
            s(3, "bank 2 sensor 2", 1, CELSIUS, "°C"),
        ]),
    ),
    row(
        0x6C,
        5,
        "throttle actuator, commanded and actual",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 1, PERCENT, "%"),
            s(1, "position A", 1, PERCENT, "%"),
            s(2, "commanded B", 1, PERCENT, "%"),
            s(3, "position B", 1, PERCENT, "%"),
        ]),
    ),
    row(
        0x6D,
        11,
        "fuel pressure control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded rail pressure A", 2, TENFOLD, "kPa"),
            s(1, "rail pressure A", 2, TENFOLD, "kPa"),
            s(2, "fuel temperature A", 1, CELSIUS, "°C"),
        ]),
    ),
    row(
        0x6E,
        9,
        "injection pressure control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded pressure A", 2, TENFOLD, "kPa"),
            s(1, "pressure A", 2, TENFOLD, "kPa"),
        ]),
    ),
    row(
        0x6F,
        3,
        "turbocharger inlet pressure",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "sensor A", 1, RAW, "kPa"),
            s(1, "sensor B", 1, RAW, "kPa"),
        ]),
    ),
    row(
        0x70,
        10,
        "boost pressure control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 2, KPA_32, "kPa"),
            s(1, "sensor A", 2, KPA_32, "kPa"),
            s(2, "commanded B", 2, KPA_32, "kPa"),
            s(3, "sensor B", 2, KPA_32, "kPa"),
        ]),
    ),
    row(
        0x71,
        6,
        "variable geometry turbocharger control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 1, PERCENT, "%"),
            s(1, "position A", 1, PERCENT, "%"),
            s(2, "commanded B", 1, PERCENT, "%"),
            s(3, "position B", 1, PERCENT, "%"),
        ]),
    ),
    row(
        0x72,
        5,
        "wastegate control",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "commanded A", 1, PERCENT, "%"),
            s(1, "position A", 1, PERCENT, "%"),
            s(2, "commanded B", 1, PERCENT, "%"),
            s(3, "position B", 1, PERCENT, "%"),
        ]),
    ),
    row(
        0x73,
        5,
        "exhaust pressure",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "bank 1", 2, HUNDREDTH, "kPa"),
            s(1, "bank 2", 2, HUNDREDTH, "kPa"),
        ]),
    ),
    row(
        0x74,
        5,
        "turbocharger speed",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "turbocharger A", 2, RAW, "rpm"),
            s(1, "turbocharger B", 2, RAW, "rpm"),
        ]),
    ),
    row(
        0x75,
        7,
        "turbocharger A temperature",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "compressor inlet", 1, CELSIUS, "°C"),
            s(1, "compressor outlet", 1, CELSIUS, "°C"),
            s(2, "turbine inlet", 2, CELSIUS_TENTH, "°C"),
            s(3, "turbine outlet", 2, CELSIUS_TENTH, "°C"),
        ]),
    ),
    row(
        0x76,
        7,
        "turbocharger B temperature",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "compressor inlet", 1, CELSIUS, "°C"),
            s(1, "compressor outlet", 1, CELSIUS, "°C"),
            s(2, "turbine inlet", 2, CELSIUS_TENTH, "°C"),
            s(3, "turbine outlet", 2, CELSIUS_TENTH, "°C"),
        ]),
    ),
    row(
        0x77,
        5,
        "charge air cooler temperature",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "bank 1 sensor 1", 1, CELSIUS, "°C"),
            s(1, "bank 1 sensor 2", 1, CELSIUS, "°C"),
            s(2, "bank 2 sensor 1", 1, CELSIUS, "°C"),
            s(3, "bank 2 sensor 2", 1, CELSIUS, "°C"),
        ]),
    ),
    row(
        0x78,
        9,
        "exhaust gas temperature, bank 1",
        Items::Numbers(EXHAUST),
    ),
    row(
        0x79,
        9,
        "exhaust gas temperature, bank 2",
        Items::Numbers(EXHAUST),
    ),
    row(
        0x7A,
        7,
        "particle filter, bank 1",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "pressure difference", 2, DIFFERENCE, "kPa"),
            s(1, "inlet pressure", 2, HUNDREDTH, "kPa"),
            s(2, "outlet pressure", 2, HUNDREDTH, "kPa"),
        ]),
    ),
    row(
        0x7B,
        7,
        "particle filter, bank 2",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "pressure difference", 2, DIFFERENCE, "kPa"),
            s(1, "inlet pressure", 2, HUNDREDTH, "kPa"),
            s(2, "outlet pressure", 2, HUNDREDTH, "kPa"),
        ]),
    ),
    row(
        0x7C,
        9,
        "particle filter temperature",
        Items::Numbers(EXHAUST),
    ),
    bytes(0x7D, 1, "NOx control area"),
    bytes(0x7E, 1, "particle control area"),
    row(
        0x7F,
        13,
        "engine run time",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "total", 4, RAW, "s"),
            s(1, "at idle", 4, RAW, "s"),
            s(2, "with power take-off", 4, RAW, "s"),
        ]),
    ),
    map(0x80),
    bytes(
        0x81,
        41,
        "engine run time for auxiliary emission control, 1 to 5",
    ),
    bytes(
        0x82,
        41,
        "engine run time for auxiliary emission control, 6 to 10",
    ),
    row(
        0x83,
        9,
        "NOx sensor",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "bank 1 sensor 1", 2, RAW, "ppm"),
            s(1, "bank 2 sensor 1", 2, RAW, "ppm"),
        ]),
    ),
    number(0x84, 1, "manifold surface temperature", CELSIUS, "°C"),
    bytes(0x85, 10, "NOx reagent"),
    bytes(0x86, 5, "particle sensor"),
    row(
        0x87,
        5,
        "intake manifold pressure, sensors A and B",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "sensor A", 2, KPA_32, "kPa"),
            s(1, "sensor B", 2, KPA_32, "kPa"),
        ]),
    ),
    bytes(0x88, 13, "inducement for NOx reagent"),
    bytes(
        0x89,
        41,
        "engine run time for auxiliary emission control, 11 to 15",
    ),
    bytes(
        0x8A,
        41,
        "engine run time for auxiliary emission control, 16 to 20",
    ),
    bytes(0x8B, 7, "diesel aftertreatment"),
    bytes(0x8C, 17, "wide-range oxygen sensors"),
    number(0x8D, 1, "throttle position G", PERCENT, "%"),
    number(0x8E, 1, "engine friction torque", TORQUE, "%"),
    bytes(0x8F, 7, "particle sensors, banks 1 and 2"),
    bytes(0x90, 3, "WWH-OBD vehicle information"),
    bytes(0x91, 5, "WWH-OBD engine information"),
    bytes(0x92, 2, "fuel system control"),
    bytes(0x93, 3, "WWH-OBD counters"),
    bytes(0x94, 12, "NOx warning and inducement"),
    bytes(0x98, 9, "exhaust gas temperature, bank 1, second set"),
    bytes(0x99, 9, "exhaust gas temperature, bank 2, second set"),
    bytes(0x9A, 6, "hybrid or electric vehicle data"),
    bytes(0x9B, 4, "reagent sensor"),
    bytes(0x9C, 17, "oxygen sensor data"),
    row(
        0x9D,
        4,
        "fuel rate",
        Items::Numbers(&[
            n("engine", 2, per(50.0), "g/s"),
            n("vehicle", 2, per(50.0), "g/s"),
        ]),
    ),
    number(0x9E, 2, "exhaust flow", per(5.0), "kg/h"),
    bytes(0x9F, 9, "fuel system use"),
    map(0xA0),
    bytes(0xA1, 9, "corrected NOx sensor"),
    number(0xA2, 2, "fuel in a cylinder", GRAMS, "mg/stroke"),
    bytes(0xA3, 9, "evaporative system pressure"),
    row(
        0xA4,
        4,
        "gear",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            n("gear", 1, per(16.0), ""),
            s(1, "ratio", 2, per(1000.0), ""),
        ]),
    ),
    row(
        0xA5,
        4,
        "diesel exhaust fluid",
        Items::Numbers(&[
            n("supported", 1, RAW, ""),
            s(0, "dosing", 1, Scale::new(1.0, 2.0, 0.0), "%"),
        ]),
    ),
    number(0xA6, 4, "odometer", per(10.0), "km"),
    bytes(0xA7, 4, "NOx sensor, third and fourth"),
    bytes(0xA8, 4, "corrected NOx sensor, third and fourth"),
    bytes(0xA9, 4, "anti-lock braking switched off by the driver"),
    map(0xC0),
];

const EXHAUST: &[Item] = &[
    n("supported", 1, RAW, ""),
    s(0, "sensor 1", 2, CELSIUS_TENTH, "°C"),
    s(1, "sensor 2", 2, CELSIUS_TENTH, "°C"),
    s(2, "sensor 3", 2, CELSIUS_TENTH, "°C"),
    s(3, "sensor 4", 2, CELSIUS_TENTH, "°C"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parameters_are_in_order_and_their_items_fit() {
        assert!(PARAMETERS.is_sorted_by_key(|known| known.pid));
        for known in PARAMETERS {
            if let Items::Numbers(items) = known.items {
                let sum: u8 = items.iter().map(|item| item.length).sum();
                assert!(sum <= known.length, "{:02X}", known.pid);
            }
            if let Items::Number(..) = known.items {
                assert!(known.length <= 4);
            }
        }
    }

    /// Source: scapy 2.8.0, OBD test suite.
    #[test]
    fn several_parameters_in_one_answer_are_cut_by_their_lengths() {
        let answer = [
            0x41, 0x05, 0x6E, 0x01, 0x83, 0x33, 0xFF, 0x63, 0x15, 0xA0, 0x78, 0x0C, 0x0A, 0x6B,
            0x03, 0x02, 0x00,
        ];
        let found = parameters(&answer);
        let pids: Vec<u8> = found.iter().map(|(pid, _)| *pid).collect();
        assert_eq!(pids, [0x05, 0x01, 0x15, 0x0C, 0x03]);
        assert_eq!(found[3].1, [0x0A, 0x6B]);
        assert!(parameters(&[0x62, 0x05, 0x6E]).is_empty());
        assert_eq!(
            parameters(&[0x41, 0x06, 0x80, 0x80]),
            [(0x06, &[0x80, 0x80][..])]
        );
        assert_eq!(parameters(&[0x41, 0xF7, 1, 2]), [(0xF7, &[1, 2][..])]);
    }

    proptest::proptest! {
        #[test]
        fn every_byte_is_given_out(rest in proptest::collection::vec(0_u8.., 0..40)) {
            let mut payload = vec![0x41];
            payload.extend(rest);
            let sum: usize = parameters(&payload).iter().map(|(_, data)| 1 + data.len()).sum();
            proptest::prop_assert_eq!(sum, payload.len() - 1);
        }
    }
}
