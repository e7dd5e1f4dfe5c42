//! What `--link` is given.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

/// How packets leave the computer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::cli) enum LinkName {
    /// The simulated track.
    Track,
    /// An LCC bus.
    Lcc(Place),
    /// A station that a profile describes.
    Profile(PathBuf, Place),
}

impl LinkName {
    /// As it is written after `--link`; `None` for the simulated track, which need not be.
    pub(in crate::cli) fn typed(&self) -> Option<String> {
        match self {
            Self::Track => None,
            Self::Lcc(place) => Some(format!("lcc:{}", place.typed())),
            Self::Profile(path, place) => {
                Some(format!("profile:{}:{}", path.display(), place.typed()))
            }
        }
    }
}

impl Place {
    fn typed(&self) -> String {
        match self {
            Self::Serial(port, None) => port.clone(),
            Self::Serial(port, Some(baud)) => format!("{port}@{baud}"),
            Self::Tcp(host, port) => format!("tcp:{host}:{port}"),
        }
    }
}

/// Where the other end of a line is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::cli) enum Place {
    /// At a serial port; the speed, where it was given.
    Serial(String, Option<u32>),
    /// On the network.
    Tcp(String, u16),
}

/// What is wrong with what `--link` was given.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(in crate::cli) enum LinkNameError {
    /// There is no such link.
    #[error(
        "there is no link `{0}`; write `track`, `lcc:/dev/ttyUSB0`, `lcc:tcp:HOST:PORT` or \
         `profile:station.toml:/dev/ttyUSB0`"
    )]
    NoSuchLink(String),
    /// The port is missing.
    #[error("the port is missing: write {0}")]
    NoPort(Example),
    /// The port on the network is no number.
    #[error("`{0}` is no port number from 1 to 65535: write tcp:HOST:PORT, as in {1}")]
    BadTcpPort(String, Example),
    /// The speed can't be.
    #[error("`{0}` is no speed: write bits a second, as in lcc:/dev/ttyUSB0@115200")]
    BadSpeed(String),
    /// A profile has the speed already.
    #[error("the speed of the port is set by `baud` in the profile's [serial]: leave out `@{0}`")]
    SpeedOfProfile(u32),
    /// The profile's file is missing.
    #[error(
        "the profile's file or the port is missing: write \
         profile:station.toml:/dev/ttyUSB0 or profile:station.toml:tcp:HOST:PORT"
    )]
    NoFile,
}

/// Which example a person is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::cli) enum Example {
    Lcc,
    Profile,
}

impl fmt::Display for Example {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lcc => "lcc:/dev/ttyUSB0 or lcc:tcp:192.168.1.20:12021",
            Self::Profile => {
                "profile:station.toml:/dev/ttyUSB0 or profile:station.toml:tcp:192.168.1.20:4000"
            }
        })
    }
}

impl FromStr for LinkName {
    type Err = LinkNameError;

    fn from_str(text: &str) -> Result<Self, LinkNameError> {
        if text == "track" {
            return Ok(Self::Track);
        }
        if let Some(place) = text.strip_prefix("lcc:") {
            return place_of(place, Example::Lcc).map(Self::Lcc);
        }
        let Some(rest) = text.strip_prefix("profile:") else {
            return Err(LinkNameError::NoSuchLink(text.to_owned()));
        };
        let (file, place) = split_file(rest).ok_or(LinkNameError::NoFile)?;
        if file.is_empty() {
            return Err(LinkNameError::NoFile);
        }
        let place = place_of(place, Example::Profile)?;
        if let Place::Serial(_, Some(speed)) = place {
            return Err(LinkNameError::SpeedOfProfile(speed));
        }
        Ok(Self::Profile(PathBuf::from(file), place))
    }
}

/// The profile's file, and the rest. Names of files and of ports may have colons of their own:
/// a file that ends as profiles do ends there, any other at the last colon but those of `tcp:`.
fn split_file(rest: &str) -> Option<(&str, &str)> {
    const END: &str = ".toml:";
    if let Some(at) = rest.find(END) {
        let (file, place) = rest.split_at(at + END.len());
        return Some((file.strip_suffix(':')?, place));
    }
    if let Some(at) = rest.rfind(":tcp:") {
        return Some((rest.get(..at)?, rest.get(at + 1..)?));
    }
    rest.rsplit_once(':')
}

fn place_of(text: &str, example: Example) -> Result<Place, LinkNameError> {
    if let Some(address) = text.strip_prefix("tcp:") {
        let Some((host, port)) = address.rsplit_once(':') else {
            return Err(LinkNameError::BadTcpPort(String::new(), example));
        };
        let number = port.parse().ok().filter(|port| *port != 0);
        let host = host.strip_prefix('[').unwrap_or(host);
        let host = host.strip_suffix(']').unwrap_or(host);
        let number = number.filter(|_| !host.is_empty());
        let number = number.ok_or_else(|| LinkNameError::BadTcpPort(port.to_owned(), example))?;
        return Ok(Place::Tcp(host.to_owned(), number));
    }
    let (port, speed) = match text.rsplit_once('@') {
        Some((port, speed)) if speed.bytes().all(|byte| byte.is_ascii_digit()) => {
            let number = speed.parse().ok().filter(|speed| *speed != 0);
            let number = number.ok_or_else(|| LinkNameError::BadSpeed(speed.to_owned()))?;
            (port, Some(number))
        }
        _ => (text, None),
    };
    if port.is_empty() || port == "tcp" {
        return Err(LinkNameError::NoPort(example));
    }
    Ok(Place::Serial(port.to_owned(), speed))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn serial(port: &str, speed: Option<u32>) -> Place {
        Place::Serial(port.to_owned(), speed)
    }

    fn tcp(host: &str, port: u16) -> Place {
        Place::Tcp(host.to_owned(), port)
    }

    fn profile(file: &str, place: Place) -> LinkName {
        LinkName::Profile(PathBuf::from(file), place)
    }

    #[test]
    fn links_are_read() {
        let cases = [
            ("track", LinkName::Track),
            (
                "lcc:/dev/ttyUSB0",
                LinkName::Lcc(serial("/dev/ttyUSB0", None)),
            ),
            ("lcc:COM3@57600", LinkName::Lcc(serial("COM3", Some(57600)))),
            (
                "lcc:tcp:hub.local:12021",
                LinkName::Lcc(tcp("hub.local", 12021)),
            ),
            ("lcc:tcp:[::1]:12021", LinkName::Lcc(tcp("::1", 12021))),
            ("lcc:/dev/a@b", LinkName::Lcc(serial("/dev/a@b", None))),
            (
                "profile:s.toml:/dev/ttyS0",
                profile("s.toml", serial("/dev/ttyS0", None)),
            ),
            (
                r"profile:C:\my\s.toml:COM4",
                profile(r"C:\my\s.toml", serial("COM4", None)),
            ),
            (
                "profile:s.toml:/dev/serial/by-path/pci-0000:00:14.0-usb-0:1",
                profile(
                    "s.toml",
                    serial("/dev/serial/by-path/pci-0000:00:14.0-usb-0:1", None),
                ),
            ),
            (
                "profile:s.toml:tcp:box:4000",
                profile("s.toml", tcp("box", 4000)),
            ),
            ("profile:old:tcp:box:4000", profile("old", tcp("box", 4000))),
            ("profile:old:COM1", profile("old", serial("COM1", None))),
        ];
        for (text, name) in cases {
            assert_eq!(text.parse(), Ok(name), "{text}");
        }
    }

    #[test]
    fn what_can_not_be_a_link_says_what_would() {
        let cases = [
            ("lc:x", "there is no link `lc:x`"),
            ("", "there is no link ``"),
            ("lcc:", "the port is missing"),
            ("lcc:@9600", "the port is missing"),
            ("lcc:tcp", "the port is missing"),
            ("lcc:tcp:host", "is no port number"),
            ("lcc:tcp:host:0", "`0` is no port number"),
            ("lcc:tcp:host:70000", "`70000` is no port number"),
            ("lcc:tcp::80", "is no port number"),
            ("lcc:COM3@0", "`0` is no speed"),
            ("lcc:COM3@99999999999", "is no speed"),
            ("profile:", "the profile's file"),
            ("profile:s.toml", "the profile's file"),
            ("profile::COM1", "the profile's file"),
            ("profile:s.toml:", "the port is missing"),
            ("profile:s.toml:COM1@9600", "leave out `@9600`"),
        ];
        for (text, says) in cases {
            let error = text.parse::<LinkName>().unwrap_err().to_string();
            assert!(error.contains(says), "{text}: {error}");
        }
    }
}
