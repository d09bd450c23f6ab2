//! Which bank a command speaks of.

use super::Failure;
use crate::config::{Bank, Setup};

/// The bank of that name; the only one, where none is named.
pub(super) fn asked_bank<'s>(setup: &'s Setup, id: Option<&str>) -> Result<&'s Bank, Failure> {
    let known = || setup.bank_names().join(", ");
    match (id, setup.banks.as_slice()) {
        (Some(id), _) => setup
            .bank(id)
            .ok_or_else(|| Failure::Words(format!("there is no bank “{id}”; there is: {}", known()))),
        (None, [only]) => Ok(only),
        (None, _) => Err(Failure::Words(format!(
            "say which bank with --bank, one of: {}",
            known()
        ))),
    }
}
