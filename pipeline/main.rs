//! The program: parse, run, exit code.

/// The program's own way to print: see [`dawnsheet::tell`]. They stand in for the standard ones, which panic where nobody reads.
macro_rules! print {
    ($($text:tt)*) => { dawnsheet::tell::out(format_args!($($text)*)) };
}
macro_rules! println {
    ($($text:tt)*) => { dawnsheet::tell::out(format_args!("{}\n", format_args!($($text)*))) };
}
macro_rules! eprint {
    ($($text:tt)*) => { dawnsheet::tell::err(format_args!($($text)*)) };
}
macro_rules! eprintln {
    ($($text:tt)*) => { dawnsheet::tell::err(format_args!("{}\n", format_args!($($text)*))) };
}

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
