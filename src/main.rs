//! The command line: reads arguments, runs them, and ends with the exit code that says how it
//! went.

use std::process::ExitCode;

use clap::Parser;
use throwproof::cli::{self, Args};

fn main() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => return cli::show_usage(&error).into(),
    };
    match cli::run(&args) {
        Ok(exit) => exit.into(),
        Err(failure) => cli::report(&failure).into(),
    }
}
