//! `refusal_count`, `refusal`: what could not be taken, and why.
//!
//! Each message is counted once a reason, by topic and day. Messages are kept while they fit the size that the setup
//! file allows; the first of each reason is kept whatever it costs, so that there is always one to look at. Nothing
//! else may grow with what is published: who publishes names topics as they like.

use std::collections::BTreeSet;

use rusqlite::{Connection, params};

use crate::reading::{DAY_MS, Reason, Refusal};

/// Lines of the count a day, and bytes of a topic in it. What goes beyond is counted under [`OTHERS`].
const LINES_A_DAY: u32 = 1000;
const LONGEST_TOPIC: u32 = 1000;
/// Stands for topics that have no line of their own.
const OTHERS: &str = "(others)";

/// What a kept message takes up besides its texts and its body, bytes; about.
const ROW_BYTES: u64 = 64;

/// How much room is left for messages.
#[derive(Debug, Clone)]
pub struct Room {
    allowed_bytes: u64,
    kept_bytes: u64,
    /// Reasons of which a message is kept.
    shown: BTreeSet<String>,
}

impl Room {
    /// Looks up what is kept already.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn left(connection: &Connection, allowed_bytes: u64) -> rusqlite::Result<Self> {
        let kept: i64 = connection.query_row(
            "SELECT coalesce(sum(length(CAST(topic AS BLOB)) + length(CAST(detail AS BLOB)) + length(body) + ?1), 0) \
             FROM refusal",
            params![ROW_BYTES.cast_signed()],
            |row| row.get(0),
        )?;
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

/// Counts a message of which something was refused, and keeps it where there is room, each once a reason.
///
/// # Errors
/// Whatever SQLite says.
pub fn add<'r>(
    connection: &Connection,
    room: &mut Room,
    arrived_ms: i64,
    topic: &str,
    body: &[u8],
    refusals: impl IntoIterator<Item = &'r Refusal>,
) -> rusqlite::Result<()> {
    let mut told = BTreeSet::new();
    for refusal in refusals {
        if !told.insert(refusal.reason) {
            continue;
        }
        let reason = refusal.reason.word();
        let messages: i64 = connection
            .prepare_cached(
                "INSERT INTO refusal_count SELECT ?1, CASE \
                 WHEN EXISTS (SELECT 1 FROM refusal_count WHERE day = ?1 AND topic = ?2 AND reason = ?3) THEN ?2 \
                 WHEN length(?2) <= ?4 AND (SELECT count(*) FROM refusal_count WHERE day = ?1) < ?5 THEN ?2 \
                 ELSE ?6 END, ?3, 1 WHERE true \
                 ON CONFLICT DO UPDATE SET messages = messages + 1 RETURNING messages",
            )?
            .query_row(
                params![
                    arrived_ms.div_euclid(DAY_MS),
                    topic,
                    reason,
                    LONGEST_TOPIC,
                    LINES_A_DAY,
                    OTHERS
                ],
                |row| row.get(0),
            )?;
        let size = (topic.len() + refusal.detail.len() + body.len()) as u64 + ROW_BYTES;
        // Each value that is in conflict stands in `conflict`.
        let news = refusal.reason != Reason::Conflict || messages == 1;
        if news && room.kept_bytes + size <= room.allowed_bytes || !room.shown.contains(reason) {
            connection
                .prepare_cached(
                    "INSERT INTO refusal (arrived_ms, topic, reason, detail, body) VALUES (?1, ?2, ?3, ?4, ?5)",
                )?
                .execute(params![arrived_ms, topic, reason, refusal.detail, body])?;
            room.kept_bytes += size;
            room.shown.insert(reason.to_owned());
        }
    }
    Ok(())
}

/// One line of the count: refusals of a topic for a reason on a day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counted {
    /// Days since 1970-01-01, UTC.
    pub day: i64,
    /// The topic, or `(others)` for those beyond the first thousand lines of a day.
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
            // Of an empty body SQLite has no part.
            "SELECT arrived_ms, topic, reason, detail, coalesce(substr(body, 1, ?2), x''), length(body) \
             FROM refusal ORDER BY id DESC LIMIT ?1",
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

/// How many messages are in quarantine: of which something was refused, and taken ones in conflict with what others
/// say of the same instant.
///
/// # Errors
/// Whatever SQLite says.
pub fn refused_and_in_conflict(connection: &Connection) -> rusqlite::Result<(i64, i64)> {
    let word = Reason::Conflict.word();
    let (mut refused, mut in_conflict) = (0, 0);
    for (reason, messages) in by_reason(connection)? {
        *(if reason == word {
            &mut in_conflict
        } else {
            &mut refused
        }) += messages;
    }
    Ok((refused, in_conflict))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::store;

    fn of(reason: Reason) -> Refusal {
        Refusal {
            reason,
            detail: String::new(),
        }
    }

    #[test]
    fn a_message_is_counted_and_kept_once_a_reason() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 1000).unwrap();
        let refusals = [Reason::Malformed, Reason::OutOfRange, Reason::Malformed].map(of);
        add(&connection, &mut room, 0, "a", b"body", &refusals).unwrap();
        add(&connection, &mut room, 0, "a", b"body", &refusals[..1]).unwrap();
        assert_eq!(
            by_reason(&connection).unwrap(),
            [("malformed".to_owned(), 2), ("out_of_range".to_owned(), 1)]
        );
        assert_eq!(latest(&connection, 10, 5).unwrap().len(), 3);
        assert_eq!(refused_and_in_conflict(&connection).unwrap(), (3, 0));
    }

    #[test]
    fn what_has_no_body_takes_up_room_too() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 1000).unwrap();
        for _ in 0..100 {
            add(&connection, &mut room, 0, "ä", b"", &[of(Reason::Empty)]).unwrap();
        }
        let kept = latest(&connection, 100, 5).unwrap().len();
        assert!((5..20).contains(&kept), "{kept}");
        let again = Room::left(&connection, 1000).unwrap();
        assert_eq!(again.kept_bytes, room.kept_bytes);
    }

    #[test]
    fn of_messages_in_conflict_the_first_a_day_and_topic_is_kept() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 1000).unwrap();
        for (at_ms, topic) in [(0, "a"), (1, "a"), (2, "b"), (DAY_MS, "a"), (DAY_MS + 1, "a")] {
            add(&connection, &mut room, at_ms, topic, b"", &[of(Reason::Conflict)]).unwrap();
        }
        let kept: Vec<_> = latest(&connection, 10, 5)
            .unwrap()
            .into_iter()
            .map(|kept| kept.arrived_ms)
            .collect();
        assert_eq!(kept, [DAY_MS, 2, 0]);
        assert_eq!(refused_and_in_conflict(&connection).unwrap(), (0, 5));
    }

    #[test]
    fn topics_without_end_and_without_measure_are_counted_together() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 0).unwrap();
        let mut count = |topic: &str| {
            add(&connection, &mut room, 0, topic, b"", &[of(Reason::UnknownTopic)]).unwrap();
        };
        count(&"long/".repeat(1000));
        for n in 0..1100 {
            count(&format!("no/{n}"));
        }
        count("no/1");
        let counts = counts(&connection, 2000).unwrap();
        assert_eq!(counts.len(), 1000);
        let of = |topic: &str| counts.iter().find(|line| line.topic == topic).unwrap().messages;
        assert_eq!((of(OTHERS), of("no/1"), of("no/2")), (102, 2, 1));
    }

    #[test]
    fn beyond_the_size_allowed_one_body_a_reason_is_kept_whatever_topics_there_are() {
        let connection = store::read_write(Path::new(":memory:")).unwrap();
        let mut room = Room::left(&connection, 100).unwrap();
        let mut refuse = |topic: &str, reason| {
            add(&connection, &mut room, 0, topic, b"eight by", &[of(reason)]).unwrap();
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
        assert_eq!(refused_and_in_conflict(&connection).unwrap(), (7, 0));
        // So it is after a restart.
        let mut again = Room::left(&connection, 100).unwrap();
        add(
            &connection,
            &mut again,
            0,
            "e",
            b"eight by",
            &[of(Reason::Malformed)],
        )
        .unwrap();
        assert_eq!(latest(&connection, 10, 5).unwrap().len(), 2);
    }
}
