//! The program: parse, run, exit code.

mod cli;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    // whatever is written is its owner's alone
    rustix::process::umask(rustix::fs::Mode::RWXG | rustix::fs::Mode::RWXO);
    match cli::run(cli::Cli::parse()) {
        Ok(code) => ExitCode::from(code),
        Err(e) => {
            eprintln!("dawnsheet: {e}");
            ExitCode::from(e.exit_code())
        }
    }
}
