//! Arguments to command, nothing else.
fn main() {}
