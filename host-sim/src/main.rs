//! The `swaymark` program.
fn main() {}
