//! The `spinney` command.

fn main() {}
