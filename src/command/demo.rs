//! (to come)
use super::Failure;
use clap::Args;
/// (to come)
#[derive(Args)]
pub struct Arguments {}
/// (to come)
/// # Errors
/// none
pub fn run(_: Arguments) -> Result<(), Failure> {
    Ok(())
}
