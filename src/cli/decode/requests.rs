//! The last request to each address, for answers that mean nothing without it.

use std::collections::HashMap;

use tonering::frame::Channel;
use tonering::service::is_request;
use tonering::transport::{Address, Message};

/// Most addresses that are remembered.
const MAX_KEPT: usize = 4096;

/// Remembers requests of the services whose answers need them.
#[derive(Debug, Default)]
pub(crate) struct Requests {
    to: HashMap<(Channel, Address), Message>,
    to_all: HashMap<Channel, Message>,
}

impl Requests {
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// The request that an answer belongs to, as far as it is remembered.
    pub(crate) fn of(&self, message: &Message) -> Option<&Message> {
        let service = message.service()?;
        if !needs_request(service & !0x40) || is_request(service) {
            return None;
        }
        let asked = |request: &&Message| request.service() == Some(service & !0x40);
        let own = self
            .to
            .get(&(message.channel, message.address))
            .filter(asked);
        own.or_else(|| self.to_all.get(&message.channel).filter(asked))
    }

    /// Keeps a request; gives back what is not needed any more, for its buffer.
    pub(crate) fn keep(&mut self, message: Message) -> Option<Message> {
        let needed = message
            .service()
            .is_some_and(|service| is_request(service) && needs_request(service));
        if !needed || !message.is_complete() {
            return Some(message);
        }
        if message.functional {
            return self.to_all.insert(message.channel, message);
        }
        let address = match (message.partner, message.address) {
            (Some(partner), _) => partner,
            (None, Address::DoIp { source, target }) => Address::DoIp {
                source: target,
                target: source,
            },
            (None, Address::Can { .. }) => return Some(message),
        };
        let key = (message.channel, address);
        if self.to.len() >= MAX_KEPT && !self.to.contains_key(&key) {
            return Some(message);
        }
        self.to.insert(key, message)
    }
}

/// Services whose answers cannot always be cut into pieces without the request.
const fn needs_request(service: u8) -> bool {
    matches!(service, 0x01 | 0x19 | 0x22)
}
