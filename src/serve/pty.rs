//! One client at a time by a pseudo-terminal, which looks to it like a serial port.
//!
//! Nobody but the client holds the other side open. So the system tells when it is gone: reading
//! gives an error then, and polling says that the line hung up, until somebody opens it again. In
//! between nothing is written, so that nobody finds what was meant for another.

use std::ffi::OsStr;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use bytes::{Buf as _, Bytes, BytesMut};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{
    OptionalActions, QueueSelector, ioctl_tiocnxcl, tcflush, tcgetattr, tcsetattr,
};
use tokio::io::Interest;
use tokio::net::unix::pipe;
use tokio::sync::mpsc::Sender;
use tokio::time::sleep;

use super::line::{ClientId, Input, READ, Wire};
use super::outlet::Outlet;
use super::stable_name::StableName;
use super::{ServeError, Served};
use crate::link::wire::Way;

/// How often a line that hung up is looked at: nothing tells when it is opened. A client waits
/// so long for its first answer, at most.
const LOOK: Duration = Duration::from_millis(40);

/// How often after [`OFTEN`] looks: each costs a little, all day.
const LOOK_LATER: Duration = Duration::from_millis(100);
const OFTEN: u32 = 250;

/// A pseudo-terminal, this side of it.
#[derive(Debug)]
pub(super) struct Pty {
    fd: OwnedFd,
    path: PathBuf,
}

impl Pty {
    /// A new one, in raw mode.
    pub(super) fn open() -> io::Result<Self> {
        let fd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&fd)?;
        unlockpt(&fd)?;
        fcntl_setfl(&fd, fcntl_getfl(&fd)? | OFlags::NONBLOCK)?;
        let name = ptsname(&fd, Vec::new())?;
        let path = PathBuf::from(OsStr::from_bytes(name.to_bytes()));
        let pty = Self { fd, path };
        pty.reset()?;
        Ok(pty)
    }

    /// The name of the other side.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Makes the other side as new: raw, and without what a client left unread. It hangs up.
    fn reset(&self) -> io::Result<()> {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let other = open(&self.path, flags, Mode::empty())?;
        // Programs that open serial ports commonly keep others out; one that was killed did not
        // let them in again.
        ioctl_tiocnxcl(&other)?;
        let mut settings = tcgetattr(&other)?;
        settings.make_raw();
        tcsetattr(&other, OptionalActions::Now, &settings)?;
        // What the client left unread, not what it last said.
        tcflush(&other, QueueSelector::IFlush)?;
        Ok(())
    }

    /// Has somebody opened the other side, or said something before closing it?
    fn is_alive(&self) -> io::Result<bool> {
        let mut polled = [PollFd::new(&self.fd, PollFlags::IN)];
        let at_once = Timespec {
            tv_sec: 0,
            tv_nsec: 0,
        };
        poll(&mut polled, Some(&at_once))?;
        let events = polled[0].revents();
        Ok(!events.contains(PollFlags::HUP) || events.contains(PollFlags::IN))
    }
}

/// Serves whoever opens it, one after the other.
pub(super) async fn serve(
    mut pty: Pty,
    mut stable: Option<StableName>,
    inputs: Sender<Input>,
    wire: Wire,
) {
    let mut name: Rc<str> = pty.path.display().to_string().into();
    let mut client: ClientId = 0;
    let mut looks = 0;
    while !inputs.is_closed() {
        if !pty.is_alive().unwrap_or_else(|error| {
            tracing::warn!(%error, "the pseudo-terminal can't be looked at");
            false
        }) {
            looks += u32::from(looks < OFTEN);
            sleep(if looks < OFTEN { LOOK } else { LOOK_LATER }).await;
            continue;
        }
        looks = 0;
        client += 1;
        let outlet = Outlet::default();
        let came = Input::Came {
            client,
            name: Rc::clone(&name),
            outlet: outlet.clone(),
        };
        if inputs.send(came).await.is_err() {
            return;
        }
        let session = Session {
            pty: &pty,
            client,
            name: &name,
            inputs: &inputs,
            wire: &wire,
        };
        match session.converse(&outlet).await {
            Ok(End::Ended) => return,
            Ok(End::HungUp) => {}
            Err(error) => tracing::warn!(%error, "the pseudo-terminal failed"),
        }
        if inputs.send(Input::Gone { client }).await.is_err() {
            return;
        }
        // Somebody may have opened it already, whose line this is now.
        if pty.is_alive().unwrap_or(false) {
            continue;
        }
        match pty.reset() {
            Ok(()) => {}
            Err(error) if error.raw_os_error() == Some(Errno::BUSY.raw_os_error()) => {
                tracing::warn!("a client was killed and left the pseudo-terminal locked");
                if let Err(error) = move_on(&mut pty, &mut stable) {
                    tracing::error!(%error, "there is no other pseudo-terminal");
                }
                name = pty.path.display().to_string().into();
                let moved = Input::Moved(Served::Pty(pty.path.clone()));
                if inputs.send(moved).await.is_err() {
                    return;
                }
            }
            Err(error) => tracing::warn!(%error, "the pseudo-terminal can't be made as new"),
        }
    }
}

/// Takes another pseudo-terminal in place of one that nobody can open any more.
fn move_on(pty: &mut Pty, stable: &mut Option<StableName>) -> Result<(), ServeError> {
    *pty = Pty::open().map_err(ServeError::Pty)?;
    if let Some(stable) = stable {
        stable.point_to(&pty.path)?;
    }
    Ok(())
}

/// How a session ended.
enum End {
    /// The client closed the line.
    HungUp,
    /// All is said.
    Ended,
}

/// One client, from its coming to its going.
struct Session<'a> {
    pty: &'a Pty,
    client: ClientId,
    name: &'a str,
    inputs: &'a Sender<Input>,
    wire: &'a Wire,
}

impl Session<'_> {
    async fn converse(&self, outlet: &Outlet) -> io::Result<End> {
        // New registrations each time: after a line hung up, old ones say for ever that it did.
        let reader = pipe::Receiver::from_owned_fd_unchecked(self.pty.fd.try_clone()?)?;
        let writer = pipe::Sender::from_owned_fd_unchecked(self.pty.fd.try_clone()?)?;
        let mut unwritten = Bytes::new();
        loop {
            tokio::select! {
                ready = reader.ready(Interest::READABLE) => {
                    let ready = ready?;
                    let mut bytes = BytesMut::zeroed(READ);
                    match reader.try_read(&mut bytes) {
                        Ok(0) => return Ok(End::HungUp),
                        Ok(count) => {
                            bytes.truncate(count);
                            self.said(bytes).await;
                        }
                        Err(error) if error.kind() != io::ErrorKind::WouldBlock => {
                            return hung_up(error);
                        }
                        // It hung up and was opened again in one moment.
                        Err(_) if ready.is_read_closed() => return Ok(End::HungUp),
                        Err(_) => {}
                    }
                }
                writable = writer.writable(), if !unwritten.is_empty() => {
                    writable?;
                    match writer.try_write(&unwritten) {
                        Ok(count) => {
                            self.wire.note(self.name, Way::Sent, &unwritten[..count]);
                            unwritten.advance(count);
                        }
                        Err(error) if error.kind() != io::ErrorKind::WouldBlock => {
                            return hung_up(error);
                        }
                        Err(_) => {}
                    }
                }
                taken = outlet.take(), if unwritten.is_empty() => match taken {
                    Some(bytes) => unwritten = bytes,
                    None => return Ok(End::Ended),
                },
            }
        }
    }

    async fn said(&self, bytes: BytesMut) {
        self.wire.note(self.name, Way::Received, &bytes);
        let client = self.client;
        // Nobody listens when the server is at its end; its last words are still being written.
        drop(self.inputs.send(Input::Said { client, bytes }).await);
    }
}

/// The other side was closed: an error of reading, on this side.
fn hung_up(error: io::Error) -> io::Result<End> {
    if error.raw_os_error() == Some(Errno::IO.raw_os_error()) {
        Ok(End::HungUp)
    } else {
        Err(error)
    }
}
