//! The command line.

pub mod almanac;

use std::process::ExitCode;

/// Runs the command line and tells the exit code: 0 done, 1 a finding, 2 unusable arguments or configuration.
pub fn main() -> ExitCode {
    ExitCode::SUCCESS
}
