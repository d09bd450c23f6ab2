//! What is printed, and a reader who stops reading early, as `head` does: then nothing is left to do, and nothing to
//! complain of.

use std::{
    io::{self, Stdout, Write, stdout},
    process::exit,
};

/// What `print!` says where it can't; it knows no other way than a panic.
const UNPRINTED: &str = "failed printing to stdout: ";
/// How that ends where the reader is gone: EPIPE on Linux and other Unixes.
const READER_GONE: &str = "(os error 32)";

/// Has the program end where it can't print: quietly where the reader is gone, else saying why.
pub fn end_where_unprinted() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let said = panic.payload().downcast_ref::<String>();
        match said.and_then(|said| said.strip_prefix(UNPRINTED)) {
            Some(why) if why.ends_with(READER_GONE) => exit(0),
            Some(why) => {
                eprintln!("packdrift: standard output can't be written\n  because: {why}");
                exit(1);
            }
            None => usual(panic),
        }
    }));
}

/// Standard output for what writes by itself.
pub(super) struct Printed(Stdout);

impl Printed {
    pub(super) fn new() -> Self {
        Self(stdout())
    }
}

impl Write for Printed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        ended(self.0.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        ended(self.0.flush())
    }
}

fn ended<T>(written: io::Result<T>) -> io::Result<T> {
    match written {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => exit(0),
        written => written,
    }
}
