//! `packdrift completions` and `packdrift man`: what packages install beside the program, made from its own commands.

use std::path::{Path, PathBuf};

use clap::{Args, Command};
use clap_complete::Shell;

use super::{Failure, printed::Printed};

/// For which shell.
#[derive(Args)]
pub struct Completions {
    /// The shell.
    #[arg(value_enum)]
    shell: Shell,
}

/// Where to.
#[derive(Args)]
pub struct Man {
    /// The folder that the pages are written to.
    folder: PathBuf,
}

/// Prints the completions of a shell.
pub fn completions(mut commands: Command, arguments: &Completions) {
    clap_complete::generate(arguments.shell, &mut commands, "packdrift", &mut Printed::new());
}

/// Writes a manual page for the program and each of its commands.
///
/// # Errors
/// Where the folder can't be made or written.
pub fn man(commands: Command, arguments: &Man) -> Result<(), Failure> {
    let folder: &Path = &arguments.folder;
    let written = std::fs::create_dir_all(folder).and_then(|()| clap_mangen::generate_to(commands, folder));
    written.map_err(Failure::system(format!("{} can't be written", folder.display())))
}
