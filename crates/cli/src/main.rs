//! The plumbtone command.

fn main() {}
