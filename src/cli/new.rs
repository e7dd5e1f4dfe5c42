//! `new`.

use std::fs::File;
use std::io::{self, BufRead as _, IsTerminal as _, Write};
use std::path::PathBuf;
use std::str::FromStr;

use serde::Serialize;
use throwproof_protocol::address::Numbering;

use super::{Exit, Failure, Format, stdout};
use crate::plan::{Drive, SupplyKind};
use crate::starter::{self, Answers};
use crate::toml_reader::Choice;

/// Shown below the options.
const EXAMPLES: &str = "\
Examples:
  throwproof new
  throwproof new quarry.toml --name \"Slate quarry\" --turnouts 12 --outputs 8
  throwproof new yard.toml --drive servo --first-address 101";

/// Write a commented plan to start from
///
/// At a terminal it asks for what no option says; Enter takes what stands in brackets. A file that
/// is there already is never touched.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Args {
    /// The file to write
    #[arg(default_value = "plan.toml")]
    plan: PathBuf,

    /// The layout's name
    #[arg(long)]
    name: Option<String>,

    /// How many turnouts
    #[arg(long, value_name = "N")]
    turnouts: Option<u16>,

    /// What moves most of them: `twin-coil`, `stall-motor`, `servo` or `memory-wire`
    #[arg(long, value_parser = choice::<Drive>)]
    drive: Option<Drive>,

    /// How many outputs each decoder has
    #[arg(long, value_name = "N")]
    outputs: Option<u8>,

    /// The address of the first output
    #[arg(long, value_name = "ADDRESS")]
    first_address: Option<u16>,

    /// How the station numbers: `linear`, `non-linear` or `from-zero`
    #[arg(long, value_name = "NUMBERING")]
    numbering: Option<Numbering>,

    /// What feeds the decoders: `separate` or `track`
    #[arg(long, value_parser = choice::<SupplyKind>)]
    supply: Option<SupplyKind>,

    /// The supply's voltage
    #[arg(long)]
    volts: Option<f64>,

    /// The supply's current, amperes
    #[arg(long)]
    amps: Option<f64>,
}

/// One of the words that a plan has for such a thing.
fn choice<C: Choice + Copy>(text: &str) -> Result<C, String> {
    let known = C::NAMES.iter().find(|(name, _)| *name == text);
    known.map(|(_, value)| *value).ok_or_else(|| {
        let names: Vec<_> = C::NAMES.iter().map(|(name, _)| *name).collect();
        format!("it is one of {}", names.join(", "))
    })
}

/// The result, for programs.
#[derive(Serialize)]
struct Line<'a> {
    event: &'static str,
    plan: &'a str,
    turnouts: u16,
    decoders: u16,
}

pub(super) fn run(args: &Args, format: Format) -> Result<Exit, Failure> {
    // Before anybody answers questions in vain.
    if args.plan.exists() {
        return Err(in_the_way(args));
    }
    let asks = io::stdin().is_terminal() && io::stderr().is_terminal();
    let answers = answers(args, asks)?;
    let text = starter::plan(&answers).map_err(|error| {
        Failure::usage(
            error.to_string(),
            "look at --name, --turnouts, --outputs and --first-address",
        )
    })?;
    write(args, &text)?;
    let decoders = starter::decoders(&answers);
    let (turnouts, path) = (answers.turnouts, args.plan.display().to_string());
    let mut out = stdout();
    match format {
        Format::Json => {
            let line = Line {
                event: "plan-written",
                plan: &path,
                turnouts,
                decoders,
            };
            writeln!(
                out,
                "{}",
                serde_json::to_string(&line).map_err(io::Error::from)?
            )?;
        }
        Format::Text => writeln!(
            out,
            "Wrote {path}: turnouts {turnouts}, decoders {decoders}. Give them their ids and \
             places, then:\n  throwproof check {path}\n  throwproof sweep {path}"
        )?,
    }
    out.flush()?;
    Ok(Exit::Clean)
}

fn in_the_way(args: &Args) -> Failure {
    Failure::usage(
        format!(
            "{} is there already, and is left as it is",
            args.plan.display()
        ),
        "name another file, or move that one away",
    )
}

fn write(args: &Args, text: &str) -> Result<(), Failure> {
    let written = File::create_new(&args.plan).and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.sync_all()
    });
    match written {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(in_the_way(args)),
        Err(error) => Err(Failure::usage(
            format!("{} can't be written: {error}", args.plan.display()),
            "name a file in a folder that you may write to",
        )),
    }
}

fn answers(args: &Args, asks: bool) -> Result<Answers, Failure> {
    let usual = Answers::default();
    Ok(Answers {
        name: ask(asks, args.name.clone(), "Name of the layout", usual.name)?,
        turnouts: ask(asks, args.turnouts, "How many turnouts", usual.turnouts)?,
        drive: ask_choice(asks, args.drive, "What moves most of them", usual.drive)?,
        outputs: ask(asks, args.outputs, "Outputs of each decoder", usual.outputs)?,
        first_address: ask(
            asks,
            args.first_address,
            "Address of the first output",
            usual.first_address,
        )?,
        numbering: ask_choice(
            asks,
            args.numbering,
            "How the station numbers",
            usual.numbering,
        )?,
        supply: ask_choice(asks, args.supply, "What feeds the decoders", usual.supply)?,
        volts: ask(asks, args.volts, "Its voltage, V", usual.volts)?,
        amps: ask(asks, args.amps, "Its current, A", usual.amps)?,
    })
}

/// What an option says, or else the person, or else what is usual.
fn ask<T: FromStr + std::fmt::Display>(
    asks: bool,
    said: Option<T>,
    what: &str,
    usual: T,
) -> Result<T, Failure> {
    let shown = usual.to_string();
    match said {
        Some(said) => Ok(said),
        None if asks => prompt(what, &shown, |line| {
            line.parse()
                .map_err(|_| "that can't be; try again".to_owned())
        })
        .map(|answer| answer.unwrap_or(usual)),
        None => Ok(usual),
    }
}

fn ask_choice<C: Choice + Copy + PartialEq>(
    asks: bool,
    said: Option<C>,
    what: &str,
    usual: C,
) -> Result<C, Failure> {
    let names: Vec<_> = C::NAMES.iter().map(|(name, _)| *name).collect();
    match said {
        Some(said) => Ok(said),
        None if asks => {
            let what = format!("{what} ({})", names.join(", "));
            let answer = prompt(&what, usual.name(), choice)?;
            Ok(answer.unwrap_or(usual))
        }
        None => Ok(usual),
    }
}

/// Asks until the answer can be used; `None` for Enter alone.
fn prompt<T>(
    what: &str,
    usual: &str,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, Failure> {
    let mut out = io::stderr();
    loop {
        write!(out, "{what} [{usual}]: ")?;
        out.flush()?;
        let mut line = String::new();
        if io::stdin().lock().read_line(&mut line)? == 0 {
            writeln!(out)?;
            return Err(Failure::Interrupted);
        }
        let line = line.trim();
        if line.is_empty() {
            return Ok(None);
        }
        match read(line) {
            Ok(answer) => return Ok(Some(answer)),
            Err(why) => writeln!(out, "  {why}")?,
        }
    }
}
