//! `track`: the simulated track at the other end of a wire.

use std::fs::File;
use std::io::{self, Write as _};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;

use clap::ValueEnum;
use serde::Serialize;
use throwproof_protocol::address::Numbering;
use throwproof_protocol::lcc::NodeId;
use tokio::runtime::Builder;
use tokio::sync::mpsc;

use super::layout::SEED;
use super::{Exit, Failure, Format, remark};
use crate::plan::Plan;
use crate::profile::Profile;
use crate::serve::{self, Options, Place, ServeError, Served, Speaks, Tally, Wish};
use crate::settings::{self, NodeUse};
use crate::track::as_built::AsBuilt;

const EXAMPLES: &str = "\
Examples:
  throwproof track plan.toml --serve lcc --pty-link /tmp/layout
  throwproof track plan.toml --serve lcc --tcp 127.0.0.1:12021 --as-built as-built.toml
  throwproof track plan.toml --serve profile:station.toml --pace fast

Standard output says where it is served: the pseudo-terminal's name, or address and port. It is
served until Ctrl-C, SIGTERM or SIGHUP, which all end it well, with 0. At SIGUSR1 an LCC node
starts anew, as if it were switched off and on, while its clients stay.";

/// Serve the simulated track to other programs, as a command station at a port
///
/// It is the layout of the plan, or what the as-built file makes of it, behind a pseudo-terminal,
/// which programs use like a serial port, or behind TCP.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The plan
    plan: PathBuf,

    /// What is really there, faults included
    #[arg(long, value_name = "FILE")]
    as_built: Option<PathBuf>,

    /// What it speaks: `lcc`, or `profile:FILE`, the station's protocol that a file describes
    #[arg(long, value_name = "PROTOCOL")]
    serve: ServeName,

    /// Serve at a new pseudo-terminal: so it is without --tcp
    #[arg(long, conflicts_with = "tcp")]
    pty: bool,

    /// Make this symlink to the pseudo-terminal, which has another name each time
    #[arg(long, value_name = "PATH", conflicts_with = "tcp")]
    pty_link: Option<PathBuf>,

    /// Serve at this TCP port; port 0 takes any that is free
    #[arg(long, value_name = "ADDRESS:PORT")]
    tcp: Option<TcpPlace>,

    /// Let --tcp name an address that other computers reach: whoever reaches it may throw
    #[arg(long, requires = "tcp")]
    open_to_network: bool,

    /// How fast time passes: `real`, or `fast`, ahead to the outcome after each command
    #[arg(long, value_enum, default_value_t, value_name = "PACE")]
    #[arg(hide_possible_values = true)]
    pace: PaceName,

    /// Seed for all that is random on the simulated track [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,

    /// Its node id with `--serve lcc`, such as 0A.12.34.56.78.9A [default: drawn once and kept]
    #[arg(long, value_name = "ID")]
    node_id: Option<NodeId>,

    /// How the station numbers, where the plan does not say: `linear`, `non-linear`, `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,
}

/// What can be spoken.
#[derive(Debug, Clone, PartialEq, Eq)]
enum ServeName {
    Lcc,
    Profile(PathBuf),
}

/// What can't be spoken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("no such protocol; write `lcc` or `profile:FILE`")]
struct NoSuchProtocol;

impl FromStr for ServeName {
    type Err = NoSuchProtocol;

    fn from_str(text: &str) -> Result<Self, NoSuchProtocol> {
        match text.split_once(':') {
            None if text == "lcc" => Ok(Self::Lcc),
            Some(("profile", file)) if !file.is_empty() => Ok(Self::Profile(file.into())),
            _ => Err(NoSuchProtocol),
        }
    }
}

/// An address to listen at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct TcpPlace(SocketAddr);

/// No address to listen at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("not an address with a port; write such as 127.0.0.1:12021 or localhost:0")]
struct NoTcpPlace;

impl FromStr for TcpPlace {
    type Err = NoTcpPlace;

    fn from_str(text: &str) -> Result<Self, NoTcpPlace> {
        if let Some(port) = text.strip_prefix("localhost:") {
            let port = port.parse().map_err(|_| NoTcpPlace)?;
            return Ok(Self((Ipv4Addr::LOCALHOST, port).into()));
        }
        text.parse().map(Self).map_err(|_| NoTcpPlace)
    }
}

/// How fast time passes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
enum PaceName {
    /// As on the wall.
    #[default]
    Real,
    /// Ahead to the outcome.
    Fast,
}

impl From<PaceName> for serve::Pace {
    fn from(name: PaceName) -> Self {
        match name {
            PaceName::Real => Self::Real,
            PaceName::Fast => Self::Fast,
        }
    }
}

pub(super) fn run(args: &Args, log: Option<File>, format: Format) -> Result<Exit, Failure> {
    let place = place(args)?;
    let plan = Plan::load_assuming(&args.plan, args.numbering.unwrap_or_default())?;
    let as_built = match &args.as_built {
        Some(path) => AsBuilt::load(path, &plan)?,
        None => AsBuilt::default(),
    };
    let speaks = speaks(args)?;
    let options = Options {
        speaks: speaks.clone(),
        place,
        pace: args.pace.into(),
        seed: args.seed.or(as_built.seed).unwrap_or(SEED),
        log,
    };
    let seed = options.seed;
    let runtime = Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failure::Setup)?;
    let tally = runtime.block_on(async {
        let wishes = wishes().map_err(Failure::Setup)?;
        let ready =
            |served: &Served| tell_place(args, &plan.layout.name, &speaks, served, seed, format);
        serve::serve(&plan, &as_built, options, ready, wishes).await
    })?;
    tell_tally(tally, format)?;
    Ok(Exit::Clean)
}

/// Where it is to be served.
fn place(args: &Args) -> Result<Place, Failure> {
    let Some(TcpPlace(address)) = args.tcp else {
        if cfg!(not(unix)) {
            return Err(ServeError::NoPtys.into());
        }
        return Ok(Place::Pty {
            link: args.pty_link.clone(),
        });
    };
    if !is_loopback(address.ip()) && !args.open_to_network {
        return Err(Failure::usage(
            format!("{address} can be reached from other computers, and nobody is asked for a key"),
            "name 127.0.0.1 or [::1]; or, if whoever is on the network may throw, say \
             --open-to-network",
        ));
    }
    Ok(Place::Tcp(address))
}

fn is_loopback(address: IpAddr) -> bool {
    address.to_canonical().is_loopback()
}

/// What it is to speak.
fn speaks(args: &Args) -> Result<Speaks, Failure> {
    let path = match &args.serve {
        ServeName::Lcc => return node(args.node_id).map(Speaks::Lcc),
        ServeName::Profile(path) => path,
    };
    if args.node_id.is_some() {
        return Err(Failure::usage(
            "only LCC has node ids",
            "leave --node-id out, or take `--serve lcc`",
        ));
    }
    Ok(Speaks::Profile(Arc::new(Profile::load(path)?)))
}

fn node(named: Option<NodeId>) -> Result<NodeId, Failure> {
    if let Some(node) = named {
        let judgement = node.judgement();
        if !judgement.is_usable() {
            return Err(Failure::usage(
                format!("{node} can't be the node id: {}", judgement.advice()),
                "leave --node-id out, and one is drawn and kept",
            ));
        }
        return Ok(node);
    }
    let kept = settings::lcc_node(&settings::default_path()?, NodeUse::Track)?;
    if kept.is_new {
        remark(&format!(
            "node id {} was drawn for the simulated track, and is kept in your settings",
            kept.node
        ));
    }
    Ok(kept.node)
}

/// Where it is served, in JSON.
#[derive(Debug, Serialize)]
struct ServingLine<'a> {
    event: &'static str,
    layout: &'a str,
    plan: String,
    protocol: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    profile: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    node_id: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pty: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    link: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tcp: Option<String>,
    pace: &'static str,
    seed: u64,
}

fn tell_place(
    args: &Args,
    layout: &str,
    speaks: &Speaks,
    served: &Served,
    seed: u64,
    format: Format,
) -> Result<(), Failure> {
    let (profile, node) = match speaks {
        Speaks::Lcc(node) => (None, Some(node.to_string())),
        Speaks::Profile(profile) => (Some(profile.name.as_str()), None),
    };
    let line = match format {
        Format::Text => {
            let what = match (&profile, &node) {
                (Some(profile), _) => format!("`{profile}`"),
                (None, Some(node)) => format!("LCC as node {node}"),
                (None, None) => String::new(),
            };
            let link = args.pty_link.as_ref();
            let link = link.map(|link| format!(" and {}", link.display()));
            remark(&format!(
                "the simulated track speaks {what} at {served}{}; Ctrl-C ends it",
                link.unwrap_or_default()
            ));
            served.to_string()
        }
        Format::Json => {
            let is_pty = matches!(served, Served::Pty(_));
            let place = served.to_string();
            let (pty, tcp) = if is_pty {
                (Some(place), None)
            } else {
                (None, Some(place))
            };
            json(&ServingLine {
                event: "serving",
                layout,
                plan: args.plan.display().to_string(),
                protocol: if profile.is_some() { "profile" } else { "lcc" },
                profile,
                node_id: node,
                pty,
                link: args
                    .pty_link
                    .as_ref()
                    .map(|link| link.display().to_string()),
                tcp,
                pace: match args.pace {
                    PaceName::Real => "real",
                    PaceName::Fast => "fast",
                },
                seed,
            })?
        }
    };
    say(&line)
}

/// What was done, in JSON.
#[derive(Debug, Serialize)]
struct ServedLine {
    event: &'static str,
    clients: u64,
    messages: u64,
    commands: u64,
    refused: u64,
    contacts: u64,
    garbage: u64,
    unread: u64,
}

fn tell_tally(tally: Tally, format: Format) -> Result<(), Failure> {
    let Tally {
        clients,
        messages,
        commands,
        refused,
        contacts,
        garbage,
        unread,
    } = tally;
    match format {
        Format::Text => remark(&format!(
            "clients: {clients}; messages understood: {messages}; commands onto the rails: \
             {commands}, refused: {refused}; contacts made or broken: {contacts}; not understood: \
             {garbage}; not read by a client: {unread}"
        )),
        Format::Json => say(&json(&ServedLine {
            event: "served",
            clients,
            messages,
            commands,
            refused,
            contacts,
            garbage,
            unread,
        })?)?,
    }
    Ok(())
}

fn json(line: &impl Serialize) -> Result<String, Failure> {
    Ok(serde_json::to_string(line).map_err(io::Error::from)?)
}

/// One line of data. It is served on when nobody reads them.
fn say(line: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match writeln!(out, "{line}").and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

/// Wishes that may wait.
const WISHES: usize = 8;

/// What the system's signals ask for.
#[cfg(unix)]
fn wishes() -> io::Result<mpsc::Receiver<Wish>> {
    use tokio::signal::unix::{SignalKind, signal};

    let (sender, wishes) = mpsc::channel(WISHES);
    let signals = [
        (SignalKind::interrupt(), Wish::End),
        (SignalKind::terminate(), Wish::End),
        (SignalKind::hangup(), Wish::End),
        (SignalKind::user_defined1(), Wish::Restart),
    ];
    for (kind, wish) in signals {
        let mut signal = signal(kind)?;
        let sender = sender.clone();
        tokio::spawn(async move {
            while signal.recv().await.is_some() && sender.send(wish).await.is_ok() {}
        });
    }
    Ok(wishes)
}

/// What Ctrl-C asks for.
#[cfg(not(unix))]
fn wishes() -> io::Result<mpsc::Receiver<Wish>> {
    let (sender, wishes) = mpsc::channel(WISHES);
    tokio::spawn(async move {
        while tokio::signal::ctrl_c().await.is_ok() && sender.send(Wish::End).await.is_ok() {}
        tracing::warn!("Ctrl-C is not heard");
        std::future::pending::<()>().await;
    });
    Ok(wishes)
}
