//! Where the page is listened for, and the links to it.

use std::fmt;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::str::FromStr;

use tokio::net::TcpListener;

/// The port that is tried first where none is named.
pub const PORT: u16 = 17_845;

/// Where to listen: `ADDRESS` or `ADDRESS:PORT`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Listen {
    /// An address of this computer, or the unspecified one for all of them.
    pub address: IpAddr,
    /// The port, where one is named; 0 for any that is free.
    pub port: Option<u16>,
}

impl Default for Listen {
    /// This computer alone.
    fn default() -> Self {
        Self {
            address: Ipv4Addr::LOCALHOST.into(),
            port: None,
        }
    }
}

/// The text is no address to listen on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is no address to listen on: write an IP address of this computer, or 0.0.0.0 for all of \
     them, as in 192.168.1.20 or 0.0.0.0:17845; an IPv6 address with a port in brackets, [::]:17845"
)]
pub struct ListenError(String);

impl FromStr for Listen {
    type Err = ListenError;

    fn from_str(text: &str) -> Result<Self, ListenError> {
        if let Ok(whole) = text.parse::<SocketAddr>() {
            return Ok(Self {
                address: whole.ip(),
                port: Some(whole.port()),
            });
        }
        let bracketed = text
            .strip_prefix('[')
            .and_then(|rest| rest.strip_suffix(']'));
        let (name, port) = match text.strip_prefix("localhost") {
            Some("") => ("127.0.0.1", None),
            Some(rest) => {
                let port = rest.strip_prefix(':').and_then(|port| port.parse().ok());
                (
                    "127.0.0.1",
                    Some(port.ok_or_else(|| ListenError(text.to_owned()))?),
                )
            }
            None => (bracketed.unwrap_or(text), None),
        };
        let address = name
            .parse::<IpAddr>()
            .map_err(|_| ListenError(text.to_owned()))?;
        if bracketed.is_some() && address.is_ipv4() {
            return Err(ListenError(text.to_owned()));
        }
        Ok(Self { address, port })
    }
}

impl fmt::Display for Listen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.port {
            Some(port) => SocketAddr::new(self.address, port).fmt(f),
            None => self.address.fmt(f),
        }
    }
}

impl Listen {
    /// Listens on the port that is named; else on the one of before, the usual one, or one that is
    /// free.
    pub(super) async fn bind(self, before: Option<u16>) -> io::Result<TcpListener> {
        if let Some(port) = self.port {
            return TcpListener::bind((self.address, port)).await;
        }
        for port in before.into_iter().chain([PORT]) {
            match TcpListener::bind((self.address, port)).await {
                Err(error) if error.kind() == io::ErrorKind::AddrInUse => {}
                done => return done,
            }
        }
        TcpListener::bind((self.address, 0)).await
    }
}

/// The addresses at which a page that is listened for there can be opened: those of other devices
/// first.
pub(super) fn reached_at(bound: SocketAddr) -> Vec<SocketAddr> {
    let addresses = if bound.ip().is_unspecified() {
        let all = if_addrs::get_if_addrs().unwrap_or_default();
        let all: Vec<_> = all
            .iter()
            .filter(|one| one.is_oper_up())
            .map(if_addrs::Interface::ip)
            .collect();
        linkable(bound.ip(), all)
    } else {
        vec![bound.ip()]
    };
    let with_port = |address| SocketAddr::new(address, bound.port());
    addresses.into_iter().map(with_port).collect()
}

/// Those of a computer's addresses that a link can name: IPv4 first, which is shorter to key; no
/// IPv6 address that is for one segment only, since a browser does not take its zone.
fn linkable(bound: IpAddr, mut all: Vec<IpAddr>) -> Vec<IpAddr> {
    all.retain(|address| match address {
        IpAddr::V4(_) => true,
        IpAddr::V6(address) => bound.is_ipv6() && !address.is_unicast_link_local(),
    });
    if all.is_empty() {
        all.push(match bound {
            IpAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
            IpAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
        });
    }
    let last_resort = |address: &IpAddr| match address {
        IpAddr::V4(address) => address.is_link_local(),
        IpAddr::V6(_) => false,
    };
    all.sort_by_key(|one| (one.is_loopback(), last_resort(one), one.is_ipv6(), *one));
    all.dedup();
    all
}

/// The link that lets a phone in. The key is in the fragment, which browsers do not send.
pub(super) fn link(at: SocketAddr, key: &str) -> String {
    format!("http://{}/#{key}", authority(at))
}

/// How a browser writes that address in `Host`: without the port that is the usual one.
pub(super) fn authority(at: SocketAddr) -> String {
    match (at.port(), at.ip()) {
        (80, IpAddr::V4(address)) => address.to_string(),
        (80, IpAddr::V6(address)) => format!("[{address}]"),
        (port, address) => SocketAddr::new(address, port).to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_with_and_without_port() {
        let read = |text: &str| {
            text.parse::<Listen>()
                .map(|one| (one.address.to_string(), one.port))
        };
        let is = |address: &str, port| Ok((address.to_owned(), port));
        assert_eq!(read("0.0.0.0"), is("0.0.0.0", None));
        assert_eq!(read("192.168.1.20:80"), is("192.168.1.20", Some(80)));
        assert_eq!(read("::"), is("::", None));
        assert_eq!(read("[::]"), is("::", None));
        assert_eq!(read("[::1]:9000"), is("::1", Some(9000)));
        assert_eq!(read("localhost"), is("127.0.0.1", None));
        assert_eq!(read("localhost:0"), is("127.0.0.1", Some(0)));
        for wrong in [
            "",
            "phone",
            "1.2.3",
            "1.2.3.4:",
            "1.2.3.4:70000",
            "[1.2.3.4]",
            "localhostx",
            ":80",
        ] {
            let error = read(wrong).unwrap_err();
            assert!(
                error.to_string().starts_with(&format!("`{wrong}`")),
                "{error}"
            );
        }
    }

    #[test]
    fn links_name_what_another_device_can_reach_first() {
        let all = [
            "127.0.0.1",
            "::1",
            "fe80::1",
            "169.254.3.4",
            "fd00::7",
            "192.168.1.20",
        ];
        let all: Vec<IpAddr> = all.map(|one| one.parse().unwrap()).to_vec();
        let shown = |bound: &str| -> Vec<String> {
            let linkable = linkable(bound.parse().unwrap(), all.clone());
            linkable.iter().map(IpAddr::to_string).collect()
        };
        assert_eq!(
            shown("0.0.0.0"),
            ["192.168.1.20", "169.254.3.4", "127.0.0.1"]
        );
        assert_eq!(
            shown("::"),
            ["192.168.1.20", "fd00::7", "169.254.3.4", "127.0.0.1", "::1"]
        );
    }

    /// clause: RFC 9110, section 7.2 and 4.2.1: the port is left out where it is the usual one.
    #[test]
    fn hosts_as_browsers_write_them() {
        let write = |at: &str| authority(at.parse().unwrap());
        assert_eq!(write("192.168.1.20:17845"), "192.168.1.20:17845");
        assert_eq!(write("192.168.1.20:80"), "192.168.1.20");
        assert_eq!(write("[fd00::7]:80"), "[fd00::7]");
        assert_eq!(write("[fd00::7]:8080"), "[fd00::7]:8080");
    }

    #[tokio::test]
    async fn a_port_that_is_taken_gives_way_unless_it_was_named() {
        let here = Listen::default();
        let first = Listen {
            port: Some(0),
            ..here
        }
        .bind(None)
        .await
        .unwrap();
        let taken = first.local_addr().unwrap().port();
        let second = here.bind(Some(taken)).await.unwrap();
        assert_ne!(second.local_addr().unwrap().port(), taken);
        let named = Listen {
            port: Some(taken),
            ..here
        }
        .bind(None)
        .await;
        assert_eq!(named.unwrap_err().kind(), io::ErrorKind::AddrInUse);
    }
}
