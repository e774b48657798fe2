//! Arguments to command, nothing else.

use std::process::ExitCode;

fn main() -> ExitCode {
    tallywell::command::main()
}
