//! `refusal_count`, `refusal`: what could not be taken, and why.
//!
//! Every refusal is counted by topic, reason and day. Bodies are kept while they fit the size that the setup file
//! allows; the first of each reason is kept whatever it costs, so that there is always one to look at. Of each topic it
//! would be without bound: who publishes names topics as they like.

use std::collections::BTreeSet;

use rusqlite::{Connection, params};

use crate::reading::Refusal;

const DAY_MS: i64 = 86_400_000;

/// How much room is left for bodies.
#[derive(Debug, Clone)]
pub struct Room {
    allowed_bytes: u64,
    kept_bytes: u64,
    /// Reasons of which a body is kept.
    shown: BTreeSet<String>,
}

impl Room {
    /// Looks up what is kept already.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn left(connection: &Connection, allowed_bytes: u64) -> rusqlite::Result<Self> {
        let kept: i64 =
            connection.query_row("SELECT coalesce(sum(length(body)), 0) FROM refusal", [], |row| {
                row.get(0)
            })?;
        let shown = connection
            .prepare("SELECT DISTINCT reason FROM refusal")?
            .query_map([], |row| row.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        Ok(Self {
            allowed_bytes,
            kept_bytes: kept.unsigned_abs(),
            shown,
        })
    }
}

/// Counts a refusal and keeps its body where there is room.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(
    connection: &Connection,
    room: &mut Room,
    arrived_ms: i64,
    topic: &str,
    refusal: &Refusal,
    body: &[u8],
) -> rusqlite::Result<()> {
    let reason = refusal.reason.word();
    connection
        .prepare_cached(
            "INSERT INTO refusal_count VALUES (?1, ?2, ?3, 1) ON CONFLICT DO UPDATE SET messages = messages + 1",
        )?
        .execute(params![arrived_ms.div_euclid(DAY_MS), topic, reason])?;
    let size = body.len() as u64;
    if room.kept_bytes + size <= room.allowed_bytes || !room.shown.contains(reason) {
        connection
            .prepare_cached(
                "INSERT INTO refusal (arrived_ms, topic, reason, detail, body) VALUES (?1, ?2, ?3, ?4, ?5)",
            )?
            .execute(params![arrived_ms, topic, reason, refusal.detail, body])?;
        room.kept_bytes += size;
        room.shown.insert(reason.to_owned());
    }
    Ok(())
}

/// One line of the count: refusals of a topic for a reason on a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counted {
    /// Days since 1970-01-01, UTC.
    pub day: i64,
    /// The topic.
    pub topic: String,
    /// The reason's word.
    pub reason: String,
    /// How many messages.
    pub messages: i64,
}

/// The counts, latest day first, at most `limit` lines.
///
/// # Errors
/// Whatever SQLite says.
pub fn counts(connection: &Connection, limit: u32) -> rusqlite::Result<Vec<Counted>> {
    connection
        .prepare_cached("SELECT day, topic, reason, messages FROM refusal_count ORDER BY day DESC, topic, reason LIMIT ?1")?
        .query_map(params![limit], |row| {
            Ok(Counted { day: row.get(0)?, topic: row.get(1)?, reason: row.get(2)?, messages: row.get(3)? })
        })?
        .collect()
}

/// A refused message that was kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Kept {
    /// When it arrived, ms since 1970.
    pub arrived_ms: i64,
    /// The topic.
    pub topic: String,
    /// The reason's word.
    pub reason: String,
    /// What was wrong and where.
    pub detail: String,
    /// The body as it came, or its beginning.
    pub body: Vec<u8>,
    /// How long the whole body is.
    pub body_bytes: u32,
}

/// The latest kept messages, newest first, with at most `shown` bytes of each body.
///
/// # Errors
/// Whatever SQLite says.
pub fn latest(connection: &Connection, limit: u32, shown: u32) -> rusqlite::Result<Vec<Kept>> {
    connection
        .prepare_cached(
            "SELECT arrived_ms, topic, reason, detail, substr(body, 1, ?2), length(body) FROM refusal \
             ORDER BY id DESC LIMIT ?1",
        )?
        .query_map(params![limit, shown], |row| {
            Ok(Kept {
                arrived_ms: row.get(0)?,
                topic: row.get(1)?,
                reason: row.get(2)?,
                detail: row.get(3)?,
                body: row.get(4)?,
                body_bytes: row.get(5)?,
            })
        })?
        .collect()
}

/// How many messages were refused for each reason, by the reason's word.
///
/// # Errors
/// Whatever SQLite says.
pub fn by_reason(connection: &Connection) -> rusqlite::Result<Vec<(String, i64)>> {
    connection
        .prepare_cached("SELECT reason, sum(messages) FROM refusal_count GROUP BY reason ORDER BY reason")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// How many messages were refused in all.
///
/// # Errors
/// Whatever SQLite says.
pub fn total(connection: &Connection) -> rusqlite::Result<i64> {
    connection.query_row(
        "SELECT coalesce(sum(messages), 0) FROM refusal_count",
        [],
        |row| row.get(0),
    )
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::{reading::Reason, store};

    #[test]
    fn beyond_the_size_allowed_one_body_a_reason_is_kept_whatever_topics_there_are() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 10).unwrap();
        let mut refuse = |topic: &str, reason| {
            let refusal = Refusal {
                reason,
                detail: String::new(),
            };
            add(&connection, &mut room, 0, topic, &refusal, b"eight by").unwrap();
        };
        refuse("a", Reason::Malformed);
        for topic in ["b", "c", "d"] {
            refuse(topic, Reason::Malformed);
            refuse(topic, Reason::UnknownTopic);
        }
        let kept = latest(&connection, 10, 5).unwrap();
        let topics: Vec<_> = kept.iter().map(|kept| kept.topic.as_str()).collect();
        assert_eq!(topics, ["b", "a"]);
        assert_eq!((kept[0].body.as_slice(), kept[0].body_bytes), (&b"eight"[..], 8));
        assert_eq!(total(&connection).unwrap(), 7);
        // So it is after a restart.
        let mut again = Room::left(&connection, 10).unwrap();
        let refusal = Refusal {
            reason: Reason::Malformed,
            detail: String::new(),
        };
        add(&connection, &mut again, 0, "e", &refusal, b"eight by").unwrap();
        assert_eq!(latest(&connection, 10, 5).unwrap().len(), 2);
    }
}
