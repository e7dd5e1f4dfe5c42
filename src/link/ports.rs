//! The serial ports of this machine.

use std::io;
use std::path::Path;

use serde::Serialize;
use serialport::SerialPortType;

use super::transport::{OpenError, Opener as _, SerialOpener};
use crate::profile::{Dtr, FlowControl, Parity, Serial};

/// A port and what is known of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Port {
    /// What to call it after `--link`.
    pub name: String,
    /// The USB adapter behind it.
    #[serde(flatten)]
    pub usb: Option<Usb>,
}

/// What a USB adapter says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Usb {
    /// Whose it is and what.
    #[serde(flatten)]
    pub identity: UsbIdentity,
    /// Its maker, in its own words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vendor: Option<String>,
    /// What it is, in its own words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub product: Option<String>,
}

/// What tells one USB adapter from another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct UsbIdentity {
    /// Number of its maker.
    pub vendor_id: u16,
    /// Number of the product.
    pub product_id: u16,
    /// Serial number, which not every adapter has.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<String>,
}

/// Whether a port can be opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum Openable {
    /// It can.
    Free,
    /// Another program has it.
    InUse {
        /// In words.
        reason: String,
        /// How to mend it.
        help: String,
    },
    /// The user may not.
    NoPermission {
        /// In words.
        reason: String,
        /// How to mend it.
        help: String,
    },
    /// Something else is in the way.
    NotUsable {
        /// In words.
        reason: String,
        /// How to mend it.
        help: String,
    },
}

/// Looks for ports.
pub trait Lister {
    /// The ports there are.
    ///
    /// # Errors
    /// When the system does not tell.
    fn list(&self) -> io::Result<Vec<Port>>;

    /// Can it be opened? It is tried, without a byte sent, and closed again.
    fn openable(&self, port: &Port) -> Openable;
}

/// The ports of this machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct Machine;

impl Lister for Machine {
    fn list(&self) -> io::Result<Vec<Port>> {
        list()
    }

    fn openable(&self, port: &Port) -> Openable {
        openable(&port.name)
    }
}

/// The folder in which Linux lists serial ports.
const LINUX_LIST: &str = "/sys/class/tty";

/// The ports of this machine, in the order of their names.
///
/// # Errors
/// When the system does not tell.
pub fn list() -> io::Result<Vec<Port>> {
    // The library takes for granted that it is there; in a container it may not be.
    if cfg!(target_os = "linux") && !Path::new(LINUX_LIST).is_dir() {
        return Ok(Vec::new());
    }
    let mut ports: Vec<_> = serialport::available_ports()?
        .into_iter()
        .map(|port| Port {
            name: port.port_name,
            usb: match port.port_type {
                SerialPortType::UsbPort(usb) => Some(Usb {
                    identity: UsbIdentity {
                        vendor_id: usb.vid,
                        product_id: usb.pid,
                        serial_number: usb.serial_number,
                    },
                    vendor: usb.manufacturer,
                    product: usb.product,
                }),
                SerialPortType::PciPort
                | SerialPortType::BluetoothPort
                | SerialPortType::Unknown => None,
            },
        })
        .collect();
    ports.sort_by(|one, other| one.name.cmp(&other.name));
    Ok(ports)
}

/// The USB adapter behind a port.
pub(super) fn identity(name: &str) -> Option<UsbIdentity> {
    let real = super::transport::real_name(name);
    let ports = list().ok()?;
    let port = ports
        .into_iter()
        .find(|port| super::transport::real_name(&port.name) == real)?;
    Some(port.usb?.identity)
}

/// Where an adapter is. One without a serial number is told from others of its kind only if there
/// are none.
pub(super) fn find<'p>(ports: &'p [Port], identity: &UsbIdentity) -> Option<&'p Port> {
    let is_it = |port: &&Port| {
        port.usb
            .as_ref()
            .is_some_and(|usb| usb.identity == *identity)
    };
    let mut found = ports.iter().filter(is_it);
    let first = found.next()?;
    let alone = identity.serial_number.is_some() || found.next().is_none();
    alone.then_some(first)
}

fn openable(name: &str) -> Openable {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let tried = runtime.map_err(|source| OpenError::Other {
        name: name.to_owned(),
        source,
    });
    let tried = tried.and_then(|runtime| runtime.block_on(SerialOpener::new(name, PLAIN).open()));
    match tried {
        Ok(_) => Openable::Free,
        Err(error) => {
            let (reason, help) = (error.whole(), error.help());
            match error {
                OpenError::InUse { .. } => Openable::InUse { reason, help },
                OpenError::NoPermission { .. } => Openable::NoPermission { reason, help },
                OpenError::NotSerial { .. }
                | OpenError::NotThere { .. }
                | OpenError::Settings { .. }
                | OpenError::NoHost { .. }
                | OpenError::Refused { .. }
                | OpenError::TimedOut { .. }
                | OpenError::Other { .. }
                | OpenError::NoGreeting { .. } => Openable::NotUsable { reason, help },
            }
        }
    }
}

/// Settings that any port knows; DTR is left alone.
const PLAIN: Serial = Serial {
    baud: 9600,
    data_bits: 8,
    parity: Parity::None,
    stop_bits: 1,
    flow: FlowControl::None,
    dtr: Dtr::Leave,
};

#[cfg(test)]
mod tests {
    use super::*;

    fn port(name: &str, product_id: u16, serial_number: Option<&str>) -> Port {
        Port {
            name: name.to_owned(),
            usb: Some(Usb {
                identity: UsbIdentity {
                    vendor_id: 0x1209,
                    product_id,
                    serial_number: serial_number.map(str::to_owned),
                },
                vendor: None,
                product: None,
            }),
        }
    }

    #[test]
    fn an_adapter_is_found_under_another_name() {
        let ports = [
            port("a", 1, Some("x")),
            port("b", 1, Some("y")),
            port("c", 2, None),
        ];
        let identity = |port: &Port| port.usb.clone().unwrap().identity;
        assert_eq!(find(&ports, &identity(&ports[1])).unwrap().name, "b");
        assert_eq!(find(&ports, &identity(&ports[2])).unwrap().name, "c");
        let other = identity(&port("d", 1, Some("z")));
        assert_eq!(find(&ports, &other), None);
    }

    #[test]
    fn of_two_alike_without_serial_numbers_neither_is_taken() {
        let ports = [port("a", 2, None), port("b", 2, None)];
        let identity = ports[0].usb.clone().unwrap().identity;
        assert_eq!(find(&ports, &identity), None);
    }
}
