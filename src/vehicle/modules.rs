//! Which modules there are, and how each behaved: asked, answering, refusing, silent.

use std::collections::BTreeMap;

use super::{Module, ModuleState, Origin, Role};
use crate::frame::Channel;
use crate::transport::Address;

/// The modules of a record while it grows.
///
/// A module of the profile is the same on every bus; others are told apart by bus, since several buses may use the
/// same identifiers.
#[derive(Debug, Default)]
pub(super) struct Modules {
    list: Vec<Module>,
    /// From an address of the profile (request or response) to the module.
    named: BTreeMap<Address, usize>,
    /// From what was seen, with its bus, to the module.
    seen: BTreeMap<(Channel, Address), usize>,
}

impl Modules {
    /// Most modules that are told apart; a scan of all identifiers stays below it, noise does not grow memory.
    const MAX: usize = 4_096;

    /// Adds a module of the profile.
    pub(super) fn add_named(
        &mut self,
        name: &str,
        role: Role,
        request: Address,
        response: Address,
    ) {
        let index = self.list.len();
        let mut module = Module::new(name.to_owned(), role);
        module.in_profile = true;
        module.request = Some(request);
        module.response = Some(response);
        self.list.push(module);
        self.named.entry(request).or_insert(index);
        self.named.entry(response).or_insert(index);
    }

    /// The module with these addresses, made if it is new; `None` when there are too many.
    pub(super) fn find(
        &mut self,
        channel: Channel,
        request: Option<Address>,
        response: Option<Address>,
        origin: Origin,
    ) -> Option<usize> {
        let known = [response, request]
            .into_iter()
            .flatten()
            .find_map(|address| {
                let key = (channel, address);
                let named = self.named.get(&address);
                named.or_else(|| self.seen.get(&key)).copied()
            });
        let index = match known {
            Some(index) => index,
            None if self.list.len() >= Self::MAX => return None,
            None => {
                let address = response.or(request)?;
                let mut module = Module::new(default_name(address), default_role(address));
                if response.is_none() {
                    module.name = format!("module asked at {address}");
                }
                self.list.push(module);
                self.list.len() - 1
            }
        };
        for address in [request, response].into_iter().flatten() {
            let key = (channel, address);
            if !self.named.contains_key(&address) {
                self.seen.entry(key).or_insert(index);
            }
        }
        let module = self.list.get_mut(index)?;
        module.request = module.request.or(request);
        if module.response.is_none() && response.is_some() {
            module.response = response;
            if !module.in_profile {
                module.name = response.map(default_name).unwrap_or_default();
            }
        }
        module.first_seen = module.first_seen.or(Some(origin));
        Some(index)
    }

    /// The module at this index.
    pub(super) fn get_mut(&mut self, index: usize) -> Option<&mut Module> {
        self.list.get_mut(index)
    }

    /// All modules, each with its state settled.
    pub(super) fn settle(&self) -> Vec<Module> {
        let mut list = self.list.clone();
        for module in &mut list {
            module.state = state(module);
        }
        list
    }
}

impl Module {
    fn new(name: String, role: Role) -> Self {
        Self {
            name,
            role,
            in_profile: false,
            request: None,
            response: None,
            state: ModuleState::NotAsked,
            asked: 0,
            positive: 0,
            negative: 0,
            broken: 0,
            unanswered: 0,
            missed: 0,
            first_seen: None,
        }
    }
}

fn state(module: &Module) -> ModuleState {
    if module.positive > 0 || (module.broken > 0 && module.negative == 0) {
        ModuleState::Answering
    } else if module.negative > 0 {
        ModuleState::Refusing
    } else if module.unanswered > 0 {
        ModuleState::Silent
    } else {
        ModuleState::NotAsked
    }
}

fn default_name(address: Address) -> String {
    match address {
        Address::Can { .. } => format!("module at {address}"),
        Address::DoIp { source, .. } => format!("module at 0x{source:04X}"),
    }
}

/// Modules with identifiers of ISO 15765-4 are there for legislated emission diagnostics.
fn default_role(address: Address) -> Role {
    match address {
        Address::Can {
            id,
            extension: None,
        } if !id.is_extended() && (0x7E8..=0x7EF).contains(&id.raw()) => Role::Powertrain,
        _ => Role::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::CanId;

    const ORIGIN: Origin = Origin {
        capture: 0,
        number: 1,
        time: None,
    };

    fn can(raw: u32) -> Address {
        Address::can(CanId::standard(raw).unwrap())
    }

    #[test]
    fn one_module_for_request_and_response() {
        let mut modules = Modules::default();
        let bus = Channel(0);
        let asked = modules.find(bus, Some(can(0x740)), None, ORIGIN);
        assert_eq!(modules.list[0].name, "module asked at 0x740");
        let answered = modules.find(bus, Some(can(0x740)), Some(can(0x748)), ORIGIN);
        assert_eq!(asked, answered);
        assert_eq!(modules.list[0].name, "module at 0x748");
        assert_ne!(
            modules.find(Channel(1), Some(can(0x740)), None, ORIGIN),
            asked
        );
    }

    #[test]
    fn a_named_module_is_the_same_on_every_bus() {
        let mut modules = Modules::default();
        modules.add_named("Brake control", Role::Brakes, can(0x740), can(0x748));
        for channel in 0..3 {
            assert_eq!(
                modules.find(Channel(channel), None, Some(can(0x748)), ORIGIN),
                Some(0)
            );
        }
    }

    #[test]
    fn noise_does_not_grow_the_list() {
        let mut modules = Modules::default();
        for number in 0..10_000 {
            let address = Address::DoIp {
                source: number,
                target: 0x0E80,
            };
            modules.find(Channel(0), None, Some(address), ORIGIN);
        }
        assert_eq!(modules.list.len(), Modules::MAX);
    }
}
