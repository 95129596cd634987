//! Which addresses a webhook may have: those of the public internet. An address is checked after the name was resolved,
//! and the connection goes to that very address, so that a second look-up cannot change it.

use reqwest::{
    Url,
    dns::{Addrs, Name, Resolve, Resolving},
};
use std::{
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr},
    sync::Arc,
};
use url::Host;

/// The usual ports of https: other ports of a public host are somebody else's services.
const PORTS: [u16; 2] = [443, 8443];

/// Addresses that may be called.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AllowedTargets {
    /// https to public addresses, on ports 443 and 8443.
    Public,
    /// https to public addresses, on any port.
    PublicAtAnyPort,
    /// Also http to this machine, for the demonstration and for tests.
    Loopback,
}

impl AllowedTargets {
    fn allows(self, address: IpAddr) -> bool {
        match self {
            AllowedTargets::Public | AllowedTargets::PublicAtAnyPort => is_public(address),
            AllowedTargets::Loopback => address.is_loopback() || is_public(address),
        }
    }

    /// What is wrong with an address, as far as can be seen without resolving its name.
    pub fn check(self, url: &Url) -> Result<(), &'static str> {
        let of_this_machine = match url.host() {
            Some(Host::Ipv4(number)) => number.is_loopback(),
            Some(Host::Ipv6(number)) => number.is_loopback(),
            Some(Host::Domain(name)) => name == "localhost",
            None => false,
        };
        let is_allowed = match url.scheme() {
            "https" => true,
            "http" => self == AllowedTargets::Loopback && of_this_machine,
            _ => false,
        };
        if !is_allowed {
            return Err("must be an https address");
        }
        let port = url.port_or_known_default();
        if self == AllowedTargets::Public && !port.is_some_and(|port| PORTS.contains(&port)) {
            return Err("must have port 443 or 8443; OUTSHOP_WEBHOOK_PORTS=any allows all");
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err("must not contain a name or password; check the signature instead");
        }
        // An IP address is not resolved, so it is checked here.
        let number = match url.host() {
            Some(Host::Ipv4(number)) => Some(IpAddr::V4(number)),
            Some(Host::Ipv6(number)) => Some(IpAddr::V6(number)),
            Some(Host::Domain(_)) => None,
            None => return Err("must have a host"),
        };
        if number.is_some_and(|number| !self.allows(number)) {
            return Err("must be a public address; private and reserved ones are never called");
        }
        Ok(())
    }
}

/// Resolves names, and returns only the addresses that may be called.
pub(super) struct Guard {
    pub reach: AllowedTargets,
    pub names: Arc<dyn Resolve>,
}

impl Resolve for Guard {
    fn resolve(&self, name: Name) -> Resolving {
        let reach = self.reach;
        let found = self.names.resolve(name);
        Box::pin(async move {
            let allowed: Vec<SocketAddr> =
                found.await?.filter(|it| reach.allows(it.ip())).collect();
            if allowed.is_empty() {
                return Err("the name has no address that may be called".into());
            }
            let addresses: Addrs = Box::new(allowed.into_iter());
            Ok(addresses)
        })
    }
}

/// Resolves names as the machine does.
pub struct SystemNames;

impl Resolve for SystemNames {
    fn resolve(&self, name: Name) -> Resolving {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let addresses: Addrs = Box::new(found.collect::<Vec<_>>().into_iter());
            Ok(addresses)
        })
    }
}

/// Whether an address belongs to the public internet.
///
/// Source: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890). An IPv6 address that represents an IPv4
/// one (mapped, compatible, 6to4, Teredo, NAT64) is always refused.
fn is_public(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(address) => is_public_v4(address),
        IpAddr::V6(address) => is_public_v6(address),
    }
}

fn is_public_v4(address: Ipv4Addr) -> bool {
    let [a, b, c, _] = address.octets();
    let special = a == 0
        || address.is_private()
        || address.is_loopback()
        || address.is_link_local()
        || address.is_documentation()
        // Shared by carriers (RFC 6598), protocol assignments, 6to4 relays, benchmarks (RFC 2544), multicast and
        // reserved.
        || (a == 100 && (64..128).contains(&b))
        || (a == 192 && b == 0 && c == 0)
        || (a == 192 && b == 88 && c == 99)
        || (a == 198 && (18..20).contains(&b))
        || a >= 224;
    !special
}

fn is_public_v6(address: Ipv6Addr) -> bool {
    let [first, second, ..] = address.segments();
    // Only global unicast, without protocol assignments, documentation, and addresses that represent IPv4 ones.
    let global = first & 0xe000 == 0x2000;
    let special = first == 0x2001 && (second < 0x0200 || second == 0x0db8)
        || first == 0x2002
        || (first == 0x3fff && second < 0x1000);
    global && !special
}
