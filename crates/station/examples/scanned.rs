//! Says what a station makes of each scanned line on standard input, one line each:
//! `wheel 26W05-3-04`, or why it cannot be used. For checks with a decoder that is not ours.

use std::io::{self, BufRead as _};

use station::Line;

fn main() -> io::Result<()> {
    for line in io::stdin().lock().lines() {
        match Line::read(&line?) {
            Ok(line) => println!("{}", line.code),
            Err(misread) => println!("{misread}"),
        }
    }
    Ok(())
}
