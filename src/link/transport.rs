//! Lines to a station: serial ports and TCP connections, opened and opened again.

use std::fmt;
use std::io;
use std::time::Duration;

use async_trait::async_trait;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

mod serial;

pub use serial::SerialOpener;
pub(super) use serial::real_name;

/// How long a connection may take.
pub const CONNECT_LIMIT: Duration = Duration::from_secs(5);

/// Bytes both ways.
pub trait Line: AsyncRead + AsyncWrite + Unpin + Send {}

impl<L: AsyncRead + AsyncWrite + Unpin + Send> Line for L {}

/// An open line.
pub type Transport = Box<dyn Line>;

/// Opens a line, as often as it is lost.
#[async_trait(?Send)]
pub trait Opener {
    /// What a person calls it: `/dev/ttyUSB0`.
    fn name(&self) -> String;

    /// Opens it.
    ///
    /// # Errors
    /// Why not, and how to mend it.
    async fn open(&mut self) -> Result<Transport, OpenError>;
}

/// Why a line can't be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Another program has it.
    #[error("{port} is in use by another program")]
    InUse {
        /// The port.
        port: String,
    },
    /// The user may not.
    #[error("you may not open {port}{}", owned(group.as_deref()))]
    NoPermission {
        /// The port.
        port: String,
        /// The group that may, if there is one.
        group: Option<String>,
    },
    /// It is something else.
    #[error("{port} is not a serial port but {what}")]
    NotSerial {
        /// What was named.
        port: String,
        /// What it is: `a folder`.
        what: &'static str,
    },
    /// There is no such port.
    #[error("there is no port {port}")]
    NotThere {
        /// The port.
        port: String,
        /// Ports that there are, the most alike first.
        near: Vec<String>,
    },
    /// The port can't do what the settings ask of it.
    #[error("{port} can't be set to {settings}")]
    Settings {
        /// The port.
        port: String,
        /// What was asked of it: `9600 baud, 8 data bits, no parity, 1 stop bit`.
        settings: String,
        /// What the system says.
        source: io::Error,
    },
    /// The name of the host means nothing.
    #[error("no host is called {host}")]
    NoHost {
        /// The host.
        host: String,
        /// What the system says.
        source: io::Error,
    },
    /// Nothing listens there.
    #[error("{address} refuses the connection: nothing listens there")]
    Refused {
        /// Host and port.
        address: String,
    },
    /// Nothing answers.
    #[error("{address} does not answer within {} s", CONNECT_LIMIT.as_secs())]
    TimedOut {
        /// Host and port.
        address: String,
    },
    /// Anything else.
    #[error("{name} can't be opened")]
    Other {
        /// The line.
        name: String,
        /// What the system says.
        source: io::Error,
    },
    /// It is open, and the other end does not take part.
    #[error("{name} is open, but {reason}")]
    NoGreeting {
        /// The line.
        name: String,
        /// What does not happen.
        reason: String,
    },
}

impl OpenError {
    /// All of it in one line, what the system says included.
    pub fn whole(&self) -> String {
        use std::error::Error as _;

        match self.source() {
            Some(source) => format!("{self}: {source}"),
            None => self.to_string(),
        }
    }

    /// How to mend it.
    pub fn help(&self) -> String {
        match self {
            Self::InUse { port } => {
                format!(
                    "close the program that has {port} open; `throwproof ports` lists ports in use"
                )
            }
            Self::NoPermission {
                group: Some(group), ..
            } => format!(
                "have yourself added to the group {group} (`sudo usermod -a -G {group} $USER`), \
                 then log out and in again"
            ),
            Self::NoPermission { group: None, .. } => {
                "ask whoever looks after this machine for permission to use serial ports".to_owned()
            }
            Self::NotSerial { .. } => "`throwproof ports` lists the serial ports".to_owned(),
            Self::NotThere { near, .. } => match near.first() {
                None => "no serial port was found: is the adapter plugged in? Else look at its \
                         cable and its power"
                    .to_owned(),
                Some(_) => format!("there is {}; is the adapter plugged in?", near.join(", ")),
            },
            Self::Settings { .. } => {
                "take a speed and a format that the adapter knows: its manual \
                                      and the station's must agree"
                    .to_owned()
            }
            Self::NoHost { .. } => {
                "look for a slip in the name, or write the address in numbers".to_owned()
            }
            Self::Refused { .. } => {
                "is the hub or the station running, and is the port number right?".to_owned()
            }
            Self::TimedOut { .. } => {
                "is it switched on, on the same network, and is the address right?".to_owned()
            }
            Self::Other { .. } => "`throwproof ports` tells more of serial ports".to_owned(),
            Self::NoGreeting { .. } => {
                "is it the right port, the right speed, and is the other end switched on?"
                    .to_owned()
            }
        }
    }
}

fn owned(group: Option<&str>) -> String {
    group.map_or_else(String::new, |group| {
        format!(": it is for the group {group}")
    })
}

/// A TCP connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TcpOpener {
    /// Name or address of the host.
    pub host: String,
    /// The port.
    pub port: u16,
}

impl fmt::Display for TcpOpener {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.host.contains(':') {
            write!(f, "[{}]:{}", self.host, self.port)
        } else {
            write!(f, "{}:{}", self.host, self.port)
        }
    }
}

#[async_trait(?Send)]
impl Opener for TcpOpener {
    fn name(&self) -> String {
        self.to_string()
    }

    async fn open(&mut self) -> Result<Transport, OpenError> {
        let address = self.to_string();
        let opened = tokio::time::timeout(CONNECT_LIMIT, self.connect());
        let stream = opened
            .await
            .map_err(|_| OpenError::TimedOut { address })??;
        Ok(Box::new(stream))
    }
}

impl TcpOpener {
    async fn connect(&self) -> Result<TcpStream, OpenError> {
        let addresses = tokio::net::lookup_host((self.host.as_str(), self.port)).await;
        let addresses: Vec<_> = addresses
            .map_err(|source| OpenError::NoHost {
                host: self.host.clone(),
                source,
            })?
            .collect();
        let address = self.to_string();
        let stream = TcpStream::connect(&*addresses).await;
        let stream = stream.map_err(|source| {
            use io::ErrorKind::{ConnectionRefused, HostUnreachable, NetworkUnreachable, TimedOut};
            let kind = source.kind();
            if kind == ConnectionRefused {
                OpenError::Refused { address }
            } else if matches!(kind, TimedOut | HostUnreachable | NetworkUnreachable) {
                OpenError::TimedOut { address }
            } else {
                let name = address;
                OpenError::Other { name, source }
            }
        })?;
        // Commands are short, and late ones are of no use.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "small packets may be delayed");
        }
        Ok(stream)
    }
}
