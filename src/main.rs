//! The command `loopcase`.

fn main() {}
