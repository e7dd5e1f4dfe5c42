//! `completions` and `manual`: what the command line says of itself.

use std::io::{self, Write as _};
use std::path::PathBuf;

use clap::CommandFactory as _;
use clap_complete::Shell;

use super::{Exit, Failure};

const COMPLETIONS: &str = "\
Examples:
  throwproof completions bash > ~/.local/share/bash-completion/completions/throwproof
  throwproof completions zsh > ~/.zfunc/_throwproof
  throwproof completions fish > ~/.config/fish/completions/throwproof.fish";

/// Print what a shell needs to complete commands and options
#[derive(Debug, clap::Args)]
#[command(after_help = COMPLETIONS)]
pub(super) struct CompletionsArgs {
    /// The shell
    shell: Shell,
}

const MANUAL: &str = "\
Examples:
  throwproof manual | man -l -
  throwproof manual --to ~/.local/share/man/man1";

/// Print the manual page, or write those of all commands
#[derive(Debug, clap::Args)]
#[command(after_help = MANUAL)]
pub(super) struct ManualArgs {
    /// Write the pages of all commands into this folder
    #[arg(long, value_name = "FOLDER")]
    to: Option<PathBuf>,
}

pub(super) fn completions(args: &CompletionsArgs) -> Result<Exit, Failure> {
    // The generator takes no error from where it writes to.
    let mut script = Vec::new();
    let mut command = super::Args::command();
    clap_complete::generate(args.shell, &mut command, "throwproof", &mut script);
    io::stdout().write_all(&script)?;
    io::stdout().flush()?;
    Ok(Exit::Clean)
}

pub(super) fn manual(args: &ManualArgs) -> Result<Exit, Failure> {
    let command = super::Args::command();
    let Some(folder) = &args.to else {
        let mut page = Vec::new();
        clap_mangen::Man::new(command).render(&mut page)?;
        io::stdout().write_all(&page)?;
        io::stdout().flush()?;
        return Ok(Exit::Clean);
    };
    std::fs::create_dir_all(folder)
        .and_then(|()| clap_mangen::generate_to(command, folder))
        .map_err(|error| {
            Failure::usage(
                format!(
                    "the pages can't be written to {}: {error}",
                    folder.display()
                ),
                "name a folder that you may write to",
            )
        })?;
    super::remark(&format!("the pages are in {}", folder.display()));
    Ok(Exit::Clean)
}
