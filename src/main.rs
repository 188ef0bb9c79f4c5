//! Command line of signproof.

fn main() {}
