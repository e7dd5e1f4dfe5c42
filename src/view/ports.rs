//! Serial ports, as a person and as a program reads them.

use std::fmt::Write as _;

use serde::Serialize;
use unicode_width::UnicodeWidthStr as _;

use crate::link::ports::{Openable, Port, Usb};

/// Shown when there is no port.
const NONE: &str = "\
No serial port found.
Plug the adapter in, wait a moment, and look again. If it is plugged in: try another cable (some
only charge) and another socket. A layout on the network needs no port: --link lcc:tcp:HOST:PORT.
";

/// The ports as a person reads them.
pub fn text(ports: &[(Port, Openable)]) -> String {
    if ports.is_empty() {
        return NONE.to_owned();
    }
    let width = ports.iter().map(|(port, _)| port.name.width()).max();
    let width = width.unwrap_or_default();
    let mut text = String::new();
    for (port, openable) in ports {
        let pad = width - port.name.width();
        let (state, why) = match openable {
            Openable::Free => ("free", None),
            Openable::InUse { reason, help } => ("in use", Some((reason, help))),
            Openable::NoPermission { reason, help } => ("not yours", Some((reason, help))),
            Openable::NotUsable { reason, help } => ("not usable", Some((reason, help))),
        };
        let what = port.usb.as_ref().map(described).unwrap_or_default();
        let line = format!("{}{:pad$}  {state:10}  {what}", port.name, "");
        // A `String` takes anything, here and below.
        let _infallible = writeln!(text, "{}", line.trim_end());
        if let Some((reason, help)) = why {
            let _infallible = writeln!(text, "{:width$}  {reason}; {help}", "");
        }
    }
    text
}

/// `Acme Works: adapter (1209:0001), serial number 7`.
fn described(usb: &Usb) -> String {
    let texts: Vec<_> = [&usb.vendor, &usb.product]
        .into_iter()
        .flatten()
        .map(|text| one_line(text))
        .collect();
    let identity = &usb.identity;
    let mut text = texts.join(": ");
    if !text.is_empty() {
        text.push(' ');
    }
    let (vendor, product) = (identity.vendor_id, identity.product_id);
    let _infallible = write!(text, "({vendor:04x}:{product:04x})");
    if let Some(number) = &identity.serial_number {
        let _infallible = write!(text, ", serial number {}", one_line(number));
    }
    text
}

/// What a device says of itself, without what would disturb a terminal.
fn one_line(text: &str) -> String {
    let clean = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    clean.collect::<String>().trim().to_owned()
}

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
enum Line<'a> {
    Port {
        #[serde(flatten)]
        port: &'a Port,
        #[serde(flatten)]
        openable: &'a Openable,
    },
    Summary {
        ports: usize,
        free: usize,
    },
}

/// The ports as a program reads them: one JSON object a line, a summary last.
///
/// # Errors
/// Never in practice: every field is a text or a number.
pub fn json(ports: &[(Port, Openable)]) -> Result<String, serde_json::Error> {
    let mut text = String::new();
    let free = ports.iter().filter(|(_, state)| *state == Openable::Free);
    let summary = Line::Summary {
        ports: ports.len(),
        free: free.count(),
    };
    let lines = ports
        .iter()
        .map(|(port, openable)| Line::Port { port, openable });
    for line in lines.chain([summary]) {
        text.push_str(&serde_json::to_string(&line)?);
        text.push('\n');
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::ports::UsbIdentity;

    fn ports() -> Vec<(Port, Openable)> {
        let usb = Usb {
            identity: UsbIdentity {
                vendor_id: 0x1209,
                product_id: 1,
                serial_number: Some("7".to_owned()),
            },
            vendor: Some("Quay Works".to_owned()),
            product: Some("bus\n adapter".to_owned()),
        };
        let in_use = Openable::InUse {
            reason: "it is in use".to_owned(),
            help: "close the other".to_owned(),
        };
        let (name, other) = ("/dev/ttyUSB0".to_owned(), "/dev/ttyS0".to_owned());
        vec![
            (
                Port {
                    name,
                    usb: Some(usb),
                },
                Openable::Free,
            ),
            (
                Port {
                    name: other,
                    usb: None,
                },
                in_use,
            ),
        ]
    }

    #[test]
    fn ports_are_listed_with_what_is_in_the_way() {
        assert_eq!(
            text(&ports()),
            "/dev/ttyUSB0  free        Quay Works: bus  adapter (1209:0001), serial number 7\n\
             /dev/ttyS0    in use\n              it is in use; close the other\n"
        );
    }

    #[test]
    fn without_ports_there_is_advice() {
        assert!(text(&[]).starts_with("No serial port found."));
        let summary = "{\"event\":\"summary\",\"ports\":0,\"free\":0}\n";
        assert_eq!(json(&[]).unwrap(), summary);
    }

    #[test]
    fn programs_read_the_same() {
        let text = json(&ports()).unwrap();
        let lines: Vec<serde_json::Value> = text
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        assert_eq!(lines[0]["name"], "/dev/ttyUSB0");
        assert_eq!(lines[0]["vendor_id"], 0x1209);
        assert_eq!(lines[0]["state"], "free");
        assert_eq!(lines[1]["state"], "in-use");
        assert_eq!(lines[1]["reason"], "it is in use");
        assert_eq!(lines[2]["free"], 1);
    }
}
