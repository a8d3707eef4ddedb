//! One signal of a profile: which of the four forms it has, and that everything it needs is there.

use crate::frame::CanId;
use crate::signal::dbc::{self, Dbc};
use crate::signal::{ByteOrder, Carrier, Coding, Field, Quantity, SignalName, SignalSource, Unit};
use crate::vehicle::WheelData;

use super::fault::Step;
use super::file::{ModuleFile, SignalFile};
use super::load::Loader;

/// Parameters whose place and scale the standard fixes (SAE J1979): number, bits, factor, quantity.
const PARAMETERS: &[(u8, u64, f64, Quantity)] = &[
    (0x0D, 8, 1.0, Quantity::Speed),
    (0x42, 16, 0.001, Quantity::Voltage),
];

/// What a signal's entry is seen against.
pub(super) struct Context<'a> {
    pub(super) name: SignalName,
    pub(super) path: Vec<Step<'a>>,
    pub(super) names: &'a [Option<ModuleFile>],
    pub(super) wheels: &'a WheelData,
}

impl<'a> Context<'a> {
    fn at(&self, key: &'a str) -> Vec<Step<'a>> {
        let mut path = self.path.clone();
        path.push(Step::Key(key));
        path
    }
}

/// The source of one signal; `None` (and at least one fault) when something is wrong with it.
pub(super) fn resolve(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
) -> Option<SignalSource> {
    let forms = [
        ("frame", file.frame.is_some()),
        ("did", file.did.is_some()),
        ("pid", file.pid.is_some()),
        ("dbc", file.dbc.is_some()),
    ];
    let mut given = forms.iter().filter(|(_, given)| *given);
    let (Some((form, _)), None) = (given.next(), given.next()) else {
        let text = "exactly one of `frame`, `did` (with `module`), `pid` or `dbc` (with `message` and `signal`) belongs here";
        loader.fault(&context.path, text);
        return None;
    };
    misplaced(loader, context, file, form)?;
    let source = match *form {
        "dbc" => from_dbc(loader, context, file)?,
        _ => from_numbers(loader, context, file)?,
    };
    let unit = unit(loader, context, file, source.unit)?;
    let quantity = context.name.quantity();
    let unit_factor = match unit.map(|unit| unit.factor(quantity, context.wheels)) {
        None => 1.0,
        Some(Ok(factor)) => factor,
        Some(Err(error)) => {
            loader.fault(&context.at("unit"), error.to_string());
            return None;
        }
    };
    let invalid = invalid(loader, context, file, source.field)?;
    Some(SignalSource {
        unit,
        unit_factor,
        invalid,
        ..source
    })
}

/// Keys that have no meaning beside this form.
fn misplaced(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
    form: &str,
) -> Option<()> {
    let keys = [
        ("extended_id", file.extended_id.is_some(), "frame"),
        ("module", file.module.is_some(), "did"),
        ("message", file.message.is_some(), "dbc"),
        ("signal", file.signal.is_some(), "dbc"),
    ];
    let numbers = [
        ("start_bit", file.start_bit.is_some()),
        ("length", file.length.is_some()),
        ("byte_order", file.byte_order.is_some()),
        ("signed", file.signed.is_some()),
        ("factor", file.factor.is_some()),
        ("offset", file.offset.is_some()),
    ];
    let mut sound = true;
    for (key, given, with) in keys {
        if given && with != form {
            sound = false;
            loader.fault(
                &context.at(key),
                format!("belongs to a signal with `{with}`, not `{form}`"),
            );
        }
    }
    for (key, given) in numbers {
        if given && form == "dbc" {
            sound = false;
            loader.fault(
                &context.at(key),
                "comes from the DBC file; leave it out here",
            );
        }
    }
    sound.then_some(())
}

fn from_numbers(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
) -> Option<SignalSource> {
    let quantity = context.name.quantity();
    let carrier = carrier(loader, context, file);
    let orders = [("big", ByteOrder::Big), ("little", ByteOrder::Little)];
    let known = file.pid.and_then(|pid| {
        let mut known = PARAMETERS.iter();
        known.find(|known| u64::from(known.0) == pid && known.3 == quantity)
    });
    if let (Some((_, bits, factor, _)), None, None) = (known, file.start_bit, file.length) {
        let field = Field::new(7, *bits, ByteOrder::Big, Coding::Unsigned).ok()?;
        let factor = finite(loader, context, "factor", file.factor, *factor)?;
        let offset = finite(loader, context, "offset", file.offset, 0.0)?;
        let source = SignalSource::plain(carrier?, field, factor, quantity);
        return Some(SignalSource { offset, ..source });
    }
    let mut missing = Vec::new();
    for (key, given) in [
        ("start_bit", file.start_bit.is_some()),
        ("length", file.length.is_some()),
        ("byte_order", file.byte_order.is_some()),
    ] {
        if !given {
            missing.push(format!("`{key}`"));
        }
    }
    if !missing.is_empty() {
        loader.fault(&context.path, format!("{} missing", missing.join(", ")));
        return None;
    }
    let word = file.byte_order.as_deref();
    let known_order = word.is_some_and(|word| orders.iter().any(|(known, _)| *known == word));
    let byte_order = loader.choice(&context.at("byte_order"), word, &orders, ByteOrder::Big);
    let coding = match file.signed {
        Some(true) => Coding::Signed,
        _ => Coding::Unsigned,
    };
    let (start, length) = (file.start_bit?, file.length?);
    let field = match Field::new(start, length, byte_order, coding) {
        Ok(field) => Some(field),
        Err(error) => {
            let key = match error {
                crate::signal::FieldError::Length(_) => "length",
                _ => "start_bit",
            };
            loader.fault(&context.at(key), error.to_string());
            None
        }
    };
    let factor = finite(loader, context, "factor", file.factor, 1.0);
    let offset = finite(loader, context, "offset", file.offset, 0.0);
    if factor == Some(0.0) {
        loader.fault(
            &context.at("factor"),
            "a factor of 0 makes every value the same",
        );
        return None;
    }
    if !known_order {
        return None;
    }
    let field = field?;
    let carrier = carrier?;
    if matches!(carrier, Carrier::Frame(_)) && field.bytes_needed() > crate::frame::MAX_DATA {
        loader.fault(
            &context.at("start_bit"),
            "it ends beyond the longest frame (64 bytes)",
        );
        return None;
    }
    let source = SignalSource::plain(carrier, field, factor?, quantity);
    Some(SignalSource {
        offset: offset?,
        ..source
    })
}

fn carrier(loader: &mut Loader<'_>, context: &Context<'_>, file: &SignalFile) -> Option<Carrier> {
    if let Some(raw) = file.frame {
        let wide = file.extended_id.unwrap_or(false);
        return loader
            .identifier(&context.at("frame"), raw, wide)
            .map(Carrier::Frame);
    }
    if let Some(pid) = file.pid {
        let parameter = u8::try_from(pid).ok().map(Carrier::Parameter);
        if parameter.is_none() {
            loader.fault(
                &context.at("pid"),
                format!("0x{pid:X} is no parameter (0x00 to 0xFF)"),
            );
        }
        return parameter;
    }
    let did = file.did?;
    let module = module(loader, context, file.module.as_deref());
    let Ok(did) = u16::try_from(did) else {
        loader.fault(
            &context.at("did"),
            format!("0x{did:X} is no identifier (0x0000 to 0xFFFF)"),
        );
        return None;
    };
    module.map(|module| Carrier::Identifier { module, did })
}

/// The index, in the loaded list, of the module with this name. A module whose own entry is faulty counts: its fault is told there.
fn module(loader: &mut Loader<'_>, context: &Context<'_>, name: Option<&str>) -> Option<usize> {
    let names: Vec<_> = context
        .names
        .iter()
        .flatten()
        .map(|m| m.name.as_str())
        .collect();
    let possible = if names.is_empty() {
        "there is none under `modules`".to_owned()
    } else {
        format!("possible here: {}", names.join(", "))
    };
    let Some(name) = name else {
        loader.fault(
            &context.path,
            format!("`did` needs `module`, the module's name; {possible}"),
        );
        return None;
    };
    let index = names.iter().position(|known| *known == name);
    if index.is_none() && context.names.iter().all(Option::is_some) {
        loader.fault(
            &context.at("module"),
            format!("no module is named {name:?}; {possible}"),
        );
    }
    index
}

fn from_dbc(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
) -> Option<SignalSource> {
    let path = file.dbc.as_deref()?;
    let (Some(message), Some(signal)) = (&file.message, &file.signal) else {
        loader.fault(&context.path, "`dbc` needs `message` and `signal`");
        return None;
    };
    let found = match loader.dbc(path) {
        Ok(dbc) => look_up(dbc, path, message, signal),
        Err(error) => Err(("dbc", error.clone())),
    };
    match found {
        Ok((id, signal)) => {
            let unit = Unit::from_dbc(&signal.unit);
            let quantity = context.name.quantity();
            if unit.is_none() && quantity.unit().is_some() && file.unit.is_none() {
                let text = format!(
                    "its unit in the DBC file is {:?}, which is not known; give `unit`: {}",
                    signal.unit,
                    quantity.units()
                );
                loader.fault(&context.at("signal"), text);
                return None;
            }
            Some(SignalSource {
                carrier: Carrier::Frame(id),
                field: signal.field,
                factor: signal.factor,
                offset: signal.offset,
                unit: unit.filter(|_| quantity.unit().is_some()),
                unit_factor: 1.0,
                invalid: Vec::new(),
                selectors: signal.selectors,
            })
        }
        Err((key, text)) => {
            loader.fault(&context.at(key), text);
            None
        }
    }
}

/// A message's identifier and a signal of it; else the key at fault and what is possible there.
fn look_up(
    dbc: &Dbc,
    path: &str,
    message: &str,
    signal: &str,
) -> Result<(CanId, dbc::Placed), (&'static str, String)> {
    let unread = || match dbc.faults.first() {
        Some(fault) => format!(" ({path}:{fault})"),
        None => String::new(),
    };
    let mut named = dbc.messages.iter().filter(|known| known.name == message);
    let Some(found) = named.next() else {
        let names = listed(dbc.messages.iter().map(|known| known.name.as_str()));
        return Err((
            "message",
            format!("no message {message:?} in {path:?}{}; {names}", unread()),
        ));
    };
    if named.next().is_some() {
        return Err((
            "message",
            format!("{path:?} has several messages {message:?}"),
        ));
    }
    if !found.signals.iter().any(|known| known.name == signal) {
        let names = listed(found.signals.iter().map(|known| known.name.as_str()));
        return Err((
            "signal",
            format!("no signal {signal:?} in {message:?}{}; {names}", unread()),
        ));
    }
    match found.place(signal) {
        Ok(placed) => Ok((found.id, placed)),
        Err(text) => Err(("signal", format!("{path}: {text}"))),
    }
}

/// The first names of a list.
fn listed<'a>(names: impl Iterator<Item = &'a str>) -> String {
    const SHOWN: usize = 12;
    let names: Vec<_> = names.collect();
    let shown = names.get(..SHOWN.min(names.len())).unwrap_or_default();
    match (shown.len(), names.len()) {
        (0, _) => "there is none".to_owned(),
        (few, all) if few < all => {
            format!("possible here: {} and {} more", shown.join(", "), all - few)
        }
        _ => format!("possible here: {}", shown.join(", ")),
    }
}

/// The unit as given, else the source's own, else the quantity's.
#[expect(
    clippy::option_option,
    reason = "wrong, none and some are three things"
)]
fn unit(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
    own: Option<Unit>,
) -> Option<Option<Unit>> {
    let quantity = context.name.quantity();
    let Some(word) = file.unit.as_deref() else {
        return Some(own);
    };
    let unit = Unit::from_id(word).filter(|_| quantity.unit().is_some());
    if unit.is_none() {
        let text = match quantity.unit() {
            Some(_) => format!("{word:?} cannot be used here: {} can", quantity.units()),
            None => "this signal is 0 or 1 and has no unit".to_owned(),
        };
        loader.fault(&context.at("unit"), text);
        return None;
    }
    Some(unit)
}

fn finite(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    key: &'static str,
    given: Option<f64>,
    default: f64,
) -> Option<f64> {
    let value = given.unwrap_or(default);
    if value.is_finite() {
        return Some(value);
    }
    loader.fault(
        &context.at(key),
        format!("{value} is no number to reckon with"),
    );
    None
}

/// Marks as raw bits; a negative number is taken as two's complement of the field's length.
fn invalid(
    loader: &mut Loader<'_>,
    context: &Context<'_>,
    file: &SignalFile,
    field: Field,
) -> Option<Vec<u64>> {
    let mut marks = Vec::new();
    let low = -(i128::from(field.mask() / 2) + 1);
    for (index, mark) in file.invalid.iter().enumerate() {
        if *mark < low || *mark > i128::from(field.mask()) {
            let mut path = context.at("invalid");
            path.push(Step::Index(index));
            let text = format!(
                "{mark} does not fit {} bits (0 to 0x{:X})",
                field.length(),
                field.mask()
            );
            loader.fault(&path, text);
            return None;
        }
        let wrapped = mark & i128::from(field.mask());
        marks.push(u64::try_from(wrapped).unwrap_or(u64::MAX));
    }
    Some(marks)
}
