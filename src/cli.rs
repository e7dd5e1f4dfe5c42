//! Arguments, exit codes, and the commands that join engines, links, witnesses and views.

use std::io::{self, Write as _};

use clap::{Parser, Subcommand};

mod allot;
mod bench;
mod carry;
mod cautions;
mod check;
mod decode;
mod diagnose;
mod encode;
mod exit;
mod failure;
mod find_plan;
mod hunt;
mod import;
mod keep;
mod layout;
mod lines;
mod log;
mod manual;
mod map;
mod new;
mod options;
mod ports;
mod report;
mod run;
mod runtime;
mod single;
mod sinks;
mod teach;
mod together;
mod track;

use crate::event::hub::Hub;

pub use exit::Exit;
pub use failure::Failure;
pub use failure::report;
pub use options::{Format, Global};

/// Shown below the list of commands.
const EXAMPLES: &str = "\
Examples:
  throwproof new plan.toml
  throwproof check plan.toml
  throwproof sweep plan.toml
  throwproof sweep plan.toml --only Q1,Q2 --witness ask
  throwproof sweep plan.toml --resume
  throwproof throw Q1 diverging --plan plan.toml
  throwproof teach plan.toml D1
  throwproof diagnose plan.toml Q1 --witness ask
  throwproof encode turnout 1 straight
  throwproof decode 81 F9 78
  throwproof report plan.toml --report report.html --labels labels.pdf
  throwproof ports
  throwproof sweep plan.toml --link lcc:/dev/ttyUSB0
  throwproof track plan.toml --serve lcc --pty-link /tmp/layout

Exit codes:
  0  all proved, or nothing found
  1  something failed or was found
  2  wrong usage, or input that can't be used
  3  the link failed
  4  stopped by the operator";

/// Proves the turnouts and signals of a DCC model railway: every address throws the right
/// turnout, both ways, the way the command says.
#[derive(Debug, Parser)]
#[command(name = "throwproof", version, after_help = EXAMPLES, help_expected = true)]
#[command(subcommand_required = true, arg_required_else_help = true)]
#[command(propagate_version = true, infer_long_args = false)]
pub struct Args {
    #[command(flatten)]
    global: Global,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Sweep(run::Args),
    Throw(single::ThrowArgs),
    Aspect(single::AspectArgs),
    Check(check::Args),
    Allot(allot::Args),
    Teach(Box<teach::Args>),
    Hunt(Box<hunt::Args>),
    Diagnose(Box<diagnose::Args>),
    Encode(encode::Args),
    Decode(decode::Args),
    Ports(ports::Args),
    Track(Box<track::Args>),
    New(new::Args),
    Cautions(cautions::Args),
    Completions(manual::CompletionsArgs),
    Manual(manual::ManualArgs),
    Report(Box<report::Args>),
    Import(import::Args),
    Export(import::ExportArgs),
}

/// Does what the arguments ask for.
///
/// # Errors
/// When it can't be done; that something on the layout failed is no error but an [`Exit`].
pub fn run(args: &Args) -> Result<Exit, Failure> {
    let format_name = args.global.format;
    // Only findings have a form that nothing else has.
    let format = if matches!(args.command, Command::Check(_)) {
        Format::Text
    } else {
        format_name.plain("what this command says")?
    };
    // A served track logs the wire, not what happens inside.
    // A log to be explained is read, not written.
    let wire_log = if matches!(args.command, Command::Track(_)) {
        log::start_without_file(&args.global)?;
        log::file(&args.global)?
    } else if matches!(args.command, Command::Decode(_)) {
        log::start_without_file(&args.global)?;
        None
    } else {
        log::start(&args.global)?;
        None
    };
    let log_file = args.global.log.as_deref();
    match &args.command {
        Command::Sweep(args) => run::run(args, format),
        Command::Throw(args) => single::throw(args, format),
        Command::Aspect(args) => single::aspect(args, format),
        Command::Check(args) => check::run(args, format_name),
        Command::Allot(args) => allot::run(args, format),
        Command::Teach(args) => teach::run(args, format),
        Command::Hunt(args) => hunt::run(args, format),
        Command::Diagnose(args) => diagnose::run(args, format),
        Command::Encode(args) => encode::run(args, format),
        Command::Decode(args) => decode::run(args, log_file, format),
        Command::Ports(args) => ports::run(args, format),
        Command::Track(args) => track::run(args, wire_log, format),
        Command::Cautions(args) => cautions::run(args),
        Command::New(args) => new::run(args, format),
        Command::Completions(args) => manual::completions(args),
        Command::Manual(args) => manual::manual(args),
        Command::Report(args) => report::run(args, format),
        Command::Import(args) => import::run(args, format),
        Command::Export(args) => import::export(args, format),
    }
}

/// Shows what is wrong with the arguments, or the help or version that they ask for.
pub fn show_usage(error: &clap::Error) -> Exit {
    match error.print() {
        Ok(()) if error.use_stderr() => Exit::Usage,
        Ok(()) => Exit::Clean,
        Err(error) => report(&Failure::Output(error)),
    }
}

/// Says something on standard error that is no error.
fn remark(text: &str) {
    let mut out = anstream::AutoStream::auto(io::stderr());
    if let Err(error) = writeln!(out, "note: {text}") {
        tracing::debug!(%error, "standard error can't be written");
    }
}

/// Says something of several lines on standard error, as it is.
fn tell(text: &str) {
    if let Err(error) = io::stderr().write_all(text.as_bytes()) {
        tracing::debug!(%error, "standard error can't be written");
    }
}

/// Says which views failed in a run, and how to end then: not as if all had been shown. One whose
/// reader went away is not missed.
fn with_views(hub: &Hub<'_>, exit: Exit) -> Exit {
    let mut exit = exit;
    for failed in hub.switched_off() {
        if failed.source.kind() != io::ErrorKind::BrokenPipe {
            remark(&format!(
                "{failed}: {}; the run went on without it",
                failed.source
            ));
            if exit == Exit::Clean {
                exit = Exit::Usage;
            }
        }
    }
    exit
}

/// Standard output for text: styles go through only to a terminal that wants them.
fn stdout() -> impl io::Write {
    anstream::AutoStream::auto(io::stdout())
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_sound() {
        super::Args::command().debug_assert();
    }
}
