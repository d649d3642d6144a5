//! The program `pourbook`.
fn main() {}
