//! Instants in answers: RFC 3339 in UTC, to the millisecond where there is one.

use serde::{Serialize, Serializer};
use utoipa::ToSchema;

use crate::reading::rfc3339;

/// An instant, ms since 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ToSchema)]
#[schema(value_type = String, format = DateTime)]
pub struct Zulu(pub i64);

impl std::fmt::Display for Zulu {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&rfc3339(self.0))
    }
}

impl Serialize for Zulu {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
