//! `packdrift token`: makes a token and the line that admits it.

use clap::Args;

use super::Failure;
use crate::api::{Scope, issue_token};

/// What the token allows.
#[derive(Args)]
pub struct Arguments {
    /// read: ask only; write: also add notes, phases and marks.
    #[arg(long, value_enum, default_value = "read")]
    scope: Scope,
}

/// Prints the token, which is kept nowhere, and the line for the token file.
///
/// # Errors
/// None so far.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let (token, line) = issue_token(arguments.scope);
    println!("Token, shown this once; give it to whoever asks:\n  {token}");
    println!(
        "Line for the file that `token_file` names (chmod 600), which packdrift reads when it starts:\n  {line}"
    );
    Ok(())
}
