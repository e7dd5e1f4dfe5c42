//! Serial ports.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use async_trait::async_trait;
use serialport::{ErrorKind, SerialPort as _};
use tokio_serial::SerialPortBuilderExt as _;

use super::{OpenError, Opener, Transport};
use crate::link::ports::{self, UsbIdentity};
use crate::profile::{Dtr, FlowControl, Parity, Serial};

/// A serial port. It is opened for this program alone. A USB adapter that comes back under
/// another name is found by its identity.
#[derive(Debug, Clone)]
pub struct SerialOpener {
    port: String,
    settings: Serial,
    identity: Option<UsbIdentity>,
    /// Where it was opened last.
    found: Option<String>,
}

impl SerialOpener {
    /// A port by its name, such as `/dev/ttyUSB0`.
    pub fn new(port: &str, settings: Serial) -> Self {
        Self {
            port: port.to_owned(),
            settings,
            identity: None,
            found: None,
        }
    }

    /// Where it is now: under its own name, or where its adapter is found.
    fn place(&self) -> String {
        let name_serves = Path::new(&self.port).exists() || cfg!(not(unix));
        let moved = || {
            let identity = self.identity.as_ref()?;
            let there = ports::list().unwrap_or_default();
            ports::find(&there, identity).map(|port| port.name.clone())
        };
        if name_serves {
            self.port.clone()
        } else {
            moved().unwrap_or_else(|| self.port.clone())
        }
    }
}

#[async_trait(?Send)]
impl Opener for SerialOpener {
    fn name(&self) -> String {
        self.found.as_ref().unwrap_or(&self.port).clone()
    }

    async fn open(&mut self) -> Result<Transport, OpenError> {
        let port = self.place();
        look_at(&port)?;
        let stream = builder(&port, &self.settings)
            .open_native_async()
            .map_err(|error| explain(&port, &self.settings, error))?;
        let mut stream = stream;
        match self.settings.dtr {
            // A pseudo-terminal and some adapters have no such line.
            Dtr::On | Dtr::Off => {
                let level = self.settings.dtr == Dtr::On;
                if let Err(error) = stream.write_data_terminal_ready(level) {
                    tracing::info!(%error, "the port has no DTR line");
                }
            }
            Dtr::Leave => {}
        }
        if self.identity.is_none() {
            self.identity = ports::identity(&port);
        }
        self.found = Some(port);
        Ok(Box::new(stream))
    }
}

fn builder(port: &str, settings: &Serial) -> serialport::SerialPortBuilder {
    let data_bits = match settings.data_bits {
        5 => serialport::DataBits::Five,
        6 => serialport::DataBits::Six,
        7 => serialport::DataBits::Seven,
        _ => serialport::DataBits::Eight,
    };
    let parity = match settings.parity {
        Parity::None => serialport::Parity::None,
        Parity::Even => serialport::Parity::Even,
        Parity::Odd => serialport::Parity::Odd,
    };
    let stop_bits = match settings.stop_bits {
        2 => serialport::StopBits::Two,
        _ => serialport::StopBits::One,
    };
    let flow = match settings.flow {
        FlowControl::None => serialport::FlowControl::None,
        FlowControl::RtsCts => serialport::FlowControl::Hardware,
        FlowControl::XonXoff => serialport::FlowControl::Software,
    };
    serialport::new(port, settings.baud)
        .data_bits(data_bits)
        .parity(parity)
        .stop_bits(stop_bits)
        .flow_control(flow)
}

/// What a port is set to, for a person.
pub(super) fn described(settings: &Serial) -> String {
    let parity = match settings.parity {
        Parity::None => "no",
        Parity::Even => "even",
        Parity::Odd => "odd",
    };
    let plural = if settings.stop_bits == 1 { "" } else { "s" };
    format!(
        "{} baud, {} data bits, {parity} parity, {} stop bit{plural}",
        settings.baud, settings.data_bits, settings.stop_bits
    )
}

/// Looks at what the name stands for before it is opened: opening may do things to what is no
/// serial port, and what the system says of it then is of little use.
#[cfg(unix)]
fn look_at(port: &str) -> Result<(), OpenError> {
    use std::os::unix::fs::FileTypeExt as _;

    let kind = match fs::metadata(port) {
        Ok(metadata) => metadata.file_type(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Err(not_there(port)),
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
            return Err(no_permission(port));
        }
        Err(source) => {
            return Err(OpenError::Other {
                name: port.to_owned(),
                source,
            });
        }
    };
    let what = if kind.is_char_device() {
        return Ok(());
    } else if kind.is_dir() {
        "a folder"
    } else if kind.is_file() {
        "a file"
    } else if kind.is_socket() {
        "a socket"
    } else if kind.is_fifo() {
        "a pipe"
    } else {
        "another kind of device"
    };
    let port = port.to_owned();
    Err(OpenError::NotSerial { port, what })
}

#[cfg(not(unix))]
#[expect(
    clippy::unnecessary_wraps,
    reason = "it can fail where files are ports"
)]
fn look_at(_port: &str) -> Result<(), OpenError> {
    Ok(())
}

/// What the system says, in the words of [`OpenError`].
fn explain(port: &str, settings: &Serial, error: serialport::Error) -> OpenError {
    let text = error.to_string();
    // The library gives "in use" the same kind as "gone"; the words tell them apart.
    let lower = text.to_lowercase();
    let name = port.to_owned();
    if lower.contains("exclusive lock") || lower.contains("busy") {
        return OpenError::InUse { port: name };
    }
    match error.kind() {
        ErrorKind::Io(io::ErrorKind::NotFound) => not_there(port),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => no_permission(port),
        ErrorKind::NoDevice if !Path::new(port).exists() => not_there(port),
        // Here the system refuses a port that is open elsewhere as if it were not permitted.
        ErrorKind::NoDevice if cfg!(windows) && lower.contains("denied") => {
            OpenError::InUse { port: name }
        }
        ErrorKind::InvalidInput => OpenError::Settings {
            port: name,
            settings: described(settings),
            source: error.into(),
        },
        _ if lower.contains("typewriter") || lower.contains("inappropriate ioctl") => {
            let what = "another kind of device";
            OpenError::NotSerial { port: name, what }
        }
        ErrorKind::NoDevice | ErrorKind::Unknown | ErrorKind::Io(_) => OpenError::Other {
            name,
            source: error.into(),
        },
    }
}

fn not_there(port: &str) -> OpenError {
    let there = ports::list().unwrap_or_default();
    let names: Vec<_> = there.iter().map(|port| port.name.as_str()).collect();
    let best = crate::toml_reader::nearest(port, names.iter().copied());
    let mut near: Vec<String> = best.into_iter().map(str::to_owned).collect();
    for name in names {
        if near.len() < 4 && !near.iter().any(|known| known == name) {
            near.push(name.to_owned());
        }
    }
    let port = port.to_owned();
    OpenError::NotThere { port, near }
}

fn no_permission(port: &str) -> OpenError {
    OpenError::NoPermission {
        port: port.to_owned(),
        group: group_of(Path::new(port)),
    }
}

/// The group that may use a device, by name.
#[cfg(unix)]
pub(in crate::link) fn group_of(path: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt as _;

    let id = fs::metadata(path).ok()?.gid();
    let groups = fs::read_to_string("/etc/group").unwrap_or_default();
    group_named(&groups, id).or_else(|| Some(id.to_string()))
}

#[cfg(not(unix))]
pub(in crate::link) fn group_of(_path: &Path) -> Option<String> {
    None
}

/// The name of a group in a file of groups: `name:password:id:members`.
fn group_named(groups: &str, id: u32) -> Option<String> {
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(id)).then(|| name.to_owned())
    })
}

/// The port that a name stands for: links in `/dev/serial/by-id` lead to the device.
pub(in crate::link) fn real_name(port: &str) -> PathBuf {
    fs::canonicalize(port).unwrap_or_else(|_| PathBuf::from(port))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: Serial = Serial {
        baud: 9600,
        data_bits: 7,
        parity: Parity::Even,
        stop_bits: 2,
        flow: FlowControl::None,
        dtr: Dtr::Leave,
    };

    #[test]
    fn settings_are_told_in_words() {
        assert_eq!(
            described(&SETTINGS),
            "9600 baud, 7 data bits, even parity, 2 stop bits"
        );
    }

    #[test]
    fn what_the_system_says_is_told_apart() {
        let told = |kind, text: &str| {
            explain("/nowhere", &SETTINGS, serialport::Error::new(kind, text)).to_string()
        };
        // Texts and kinds as serialport 4.10.1 gives them.
        assert_eq!(
            told(
                ErrorKind::NoDevice,
                "Unable to acquire exclusive lock on serial port"
            ),
            "/nowhere is in use by another program"
        );
        assert_eq!(
            told(ErrorKind::NoDevice, "no such device"),
            "there is no port /nowhere"
        );
        assert_eq!(
            told(ErrorKind::Unknown, "Not a typewriter"),
            "/nowhere is not a serial port but another kind of device"
        );
        assert!(
            told(ErrorKind::InvalidInput, "baud").starts_with("/nowhere can't be set to 9600 baud")
        );
        assert!(
            told(ErrorKind::Io(io::ErrorKind::PermissionDenied), "denied")
                .starts_with("you may not open /nowhere")
        );
    }

    #[test]
    fn a_group_has_a_name() {
        let groups = "root:x:0:\ndialout:x:20:kim\n";
        assert_eq!(group_named(groups, 20), Some("dialout".to_owned()));
        assert_eq!(group_named(groups, 21), None);
    }
}
