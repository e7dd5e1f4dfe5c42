//! Opens the links to real layouts that the options name.

use std::io::Write as _;
use std::path::Path;
use std::sync::Arc;

use throwproof_protocol::lcc::NodeId;

use super::Failure;
use super::options::{LinkName, Place, Reach};
use crate::link::transport::{Opener, SerialOpener, TcpOpener};
use crate::link::{LccLink, Live, Patience, ProfileLink};
use crate::profile::{Dtr, FlowControl, Parity, Profile, Serial};
use crate::settings::{self, NodeUse};

/// Speed of an adapter between a serial port and an LCC bus, where none is given. No standard
/// sets one; adapters on USB commonly take any (common practice, no source).
const LCC_SPEED: u32 = 115_200;

/// A link to a layout that can be touched, named and not yet opened.
#[derive(Debug)]
pub(super) enum Line {
    Lcc(NodeId, Place),
    Profile(Arc<Profile>, Place),
}

impl Line {
    /// What the options name; `None` for the simulated track. Reads the profile and the settings.
    pub(super) fn named(reach: &Reach) -> Result<Option<Self>, Failure> {
        if reach.link != LinkName::Track {
            refuse_track_options(reach)?;
        }
        match &reach.link {
            LinkName::Track => Ok(None),
            LinkName::Lcc(place) => {
                let node = node_id(reach.node_id)?;
                Ok(Some(Self::Lcc(node, place.clone())))
            }
            LinkName::Profile(file, place) => {
                let profile = Arc::new(Profile::load(Path::new(file))?);
                Ok(Some(Self::Profile(profile, place.clone())))
            }
        }
    }

    /// Opens it and tells what the operator should know of it.
    pub(super) async fn open(self) -> Result<Live, Failure> {
        let patience = Patience::default();
        let mut link = match self {
            Self::Lcc(node, place) => {
                super::remark(&format!("this program is node {node} on the LCC bus"));
                LccLink::open(node, opener(place, lcc_serial()), patience).await?
            }
            Self::Profile(profile, place) => {
                let opener = opener(place, profile.serial);
                ProfileLink::open(profile, opener, patience).await?
            }
        };
        for remark in link.remarks() {
            warn(&remark);
        }
        Ok(link)
    }
}

fn lcc_serial() -> Serial {
    Serial {
        baud: LCC_SPEED,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
        flow: FlowControl::None,
        // An adapter that looks at DTR sends nothing without it.
        dtr: Dtr::On,
    }
}

fn opener(place: Place, serial: Serial) -> Box<dyn Opener> {
    match place {
        Place::Serial(port, speed) => {
            let baud = speed.unwrap_or(serial.baud);
            Box::new(SerialOpener::new(&port, Serial { baud, ..serial }))
        }
        Place::Tcp(host, port) => Box::new(TcpOpener { host, port }),
    }
}

fn node_id(given: Option<NodeId>) -> Result<NodeId, Failure> {
    if let Some(node) = given {
        let judgement = node.judgement();
        if !judgement.is_usable() {
            return Err(Failure::usage(
                format!("no node may have the id {node}"),
                judgement.advice(),
            ));
        }
        return Ok(node);
    }
    let path = settings::default_path()?;
    let kept = settings::lcc_node(&path, NodeUse::Program)?;
    if kept.is_new {
        super::remark(&format!(
            "a node id was drawn for this program and is kept in {}",
            path.display()
        ));
    }
    Ok(kept.node)
}

fn refuse_track_options(reach: &Reach) -> Result<(), Failure> {
    let option = if reach.as_built.is_some() {
        "--as-built"
    } else if reach.seed.is_some() {
        "--seed"
    } else {
        return Ok(());
    };
    Err(Failure::usage(
        format!("{option} is for the simulated track, and --link names a real layout"),
        format!("leave out {option}, or take `--link track`"),
    ))
}

/// Says something on standard error that the operator should look into.
fn warn(text: &str) {
    let mut out = anstream::AutoStream::auto(std::io::stderr());
    if let Err(error) = writeln!(out, "warning: {text}") {
        tracing::debug!(%error, "standard error can't be written");
    }
}
