//! The program `pourbook`; everything is in the library beside it.

use std::process::ExitCode;

fn main() -> ExitCode {
    pourbook::cli::main()
}
