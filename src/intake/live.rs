//! Which messages come straight from their instrument, so that the arrival time is the reading's.
//!
//! Pure: times are given. A broker that kept messages while packdrift was away hands them on faster than the
//! instrument speaks; that pace is what gives a backlog away. Messages with a time of their own need none of this.

use std::collections::{HashMap, VecDeque};

/// A backlog comes much faster than its instrument speaks, jitter changes the pace by much less than this.
const LEAST_OF_USUAL: f64 = 0.7;

/// What is asked where the usual interval isn't known, ms. A broker hands on a backlog within ms.
const LEAST_UNKNOWN_MS: i64 = 1000;

/// This many intervals in a row must be long enough.
const PROOF: u32 = 3;

/// The usual interval is the median of so many.
const REMEMBERED: usize = 15;

/// Fewer say nothing.
const ENOUGH: usize = 5;

/// Tells live messages from stored ones, connection by connection.
#[derive(Debug, Default)]
pub struct Live {
    resumed: bool,
    /// Topics that nothing is known of are live at once, even on a resumed session.
    trusts_new: bool,
    topics: HashMap<String, Topic>,
}

/// How a message came, as its packet says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Marks {
    /// The broker kept it for whoever subscribes.
    pub retained: bool,
    /// The broker sent it before.
    pub redelivered: bool,
}

#[derive(Debug, Default)]
struct Topic {
    given_ms: Option<i64>,
    /// Between live arrivals, newest last.
    intervals_ms: VecDeque<i64>,
    last_ms: Option<i64>,
    spaced: u32,
    live: bool,
}

impl Live {
    /// Starts with what is known of each topic's usual interval, ms.
    #[must_use]
    pub fn new(usual_ms: HashMap<String, i64>) -> Self {
        let topic = |(name, given_ms)| {
            let topic = Topic {
                given_ms: Some(given_ms),
                ..Topic::default()
            };
            (name, topic)
        };
        Self {
            topics: usual_ms.into_iter().map(topic).collect(),
            ..Self::default()
        }
    }

    /// For packdrift as its own broker after a start: publishers repeat at once what was not acknowledged before, so
    /// topics that have spoken before prove themselves; whoever speaks for the first time is live.
    #[must_use]
    pub fn restarted(usual_ms: HashMap<String, i64>) -> Self {
        Self {
            resumed: true,
            trusts_new: true,
            ..Self::new(usual_ms)
        }
    }

    /// A connection begins. On a resumed session every topic has to prove itself anew.
    pub fn connected(&mut self, session_present: bool) {
        self.resumed = session_present;
        for topic in self.topics.values_mut() {
            topic.last_ms = None;
            topic.spaced = 0;
            topic.live = false;
        }
    }

    /// Whether a message of a topic that arrived at `at_ms` is live.
    pub fn arrived(&mut self, name: &str, at_ms: i64, marks: Marks) -> bool {
        if marks.retained || marks.redelivered {
            return false;
        }
        if !self.topics.contains_key(name) {
            let topic = Topic {
                live: self.resumed && self.trusts_new,
                ..Topic::default()
            };
            self.topics.insert(name.to_owned(), topic);
        }
        let resumed = self.resumed;
        self.topics
            .get_mut(name)
            .is_some_and(|topic| topic.arrived(at_ms, resumed))
    }
}

impl Topic {
    fn arrived(&mut self, at_ms: i64, resumed: bool) -> bool {
        let interval_ms = self.last_ms.replace(at_ms).map(|last_ms| at_ms - last_ms);
        let was_live = self.live;
        if !resumed {
            self.live = true;
        } else if let Some(interval_ms) = interval_ms {
            self.spaced = if interval_ms >= self.least_ms() {
                self.spaced + 1
            } else {
                0
            };
            self.live |= self.spaced >= PROOF;
        }
        if let (true, Some(interval_ms)) = (was_live, interval_ms) {
            if self.intervals_ms.len() == REMEMBERED {
                self.intervals_ms.pop_front();
            }
            self.intervals_ms.push_back(interval_ms);
        }
        self.live
    }

    /// The shortest interval that a live instrument would leave, ms.
    fn least_ms(&self) -> i64 {
        let mut intervals_ms: Vec<_> = self.intervals_ms.iter().copied().collect();
        intervals_ms.sort_unstable();
        let learned_ms = (intervals_ms.len() >= ENOUGH).then(|| intervals_ms[intervals_ms.len() / 2]);
        learned_ms.or(self.given_ms).map_or(LEAST_UNKNOWN_MS, |usual_ms| {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_precision_loss,
                reason = "an interval between two arrivals"
            )]
            let least_ms = (usual_ms as f64 * LEAST_OF_USUAL) as i64;
            // Arrivals in the same ms prove nothing.
            least_ms.max(1)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: Marks = Marks {
        retained: false,
        redelivered: false,
    };

    fn usual(ms: i64) -> Live {
        Live::new(HashMap::from([("tern".to_owned(), ms)]))
    }

    /// How many of these arrivals at "tern" are live, from the first one of them that is.
    fn live_from(live: &mut Live, arrivals_ms: impl IntoIterator<Item = i64>) -> Option<usize> {
        let verdicts: Vec<_> = arrivals_ms
            .into_iter()
            .map(|at_ms| live.arrived("tern", at_ms, PLAIN))
            .collect();
        let first = verdicts.iter().position(|live| *live);
        assert!(
            verdicts[first.unwrap_or(verdicts.len())..]
                .iter()
                .all(|live| *live)
        );
        first
    }

    /// A day of 10 s messages, in groups as large as the broker's window, one every few ms.
    fn backlog() -> Vec<i64> {
        (0..8640_i64).map(|n| n / 20 * 7 + n % 20 / 10).collect()
    }

    #[test]
    fn a_fresh_session_is_live_except_for_what_the_broker_kept() {
        let mut live = Live::default();
        live.connected(false);
        let kept = Marks {
            retained: true,
            ..PLAIN
        };
        let again = Marks {
            redelivered: true,
            ..PLAIN
        };
        assert!(!live.arrived("tern", 0, kept));
        assert!(live.arrived("tern", 1, PLAIN));
        assert!(!live.arrived("tern", 2, again));
        assert!(live.arrived("tern", 3, PLAIN));
    }

    #[test]
    fn a_days_backlog_is_not_live_and_what_follows_is() {
        for mut live in [usual(10_000), Live::default()] {
            live.connected(true);
            let backlog = backlog();
            let end_ms = backlog[backlog.len() - 1];
            assert_eq!(live_from(&mut live, backlog), None);
            // The first interval leads out of the backlog; the third proves it.
            let after = (1..10).map(|n| end_ms + n * 10_000);
            assert_eq!(live_from(&mut live, after), Some(2));
        }
    }

    #[test]
    fn a_backlog_that_comes_slowly_is_told_by_the_usual_interval() {
        let mut live = usual(60_000);
        live.connected(true);
        assert_eq!(live_from(&mut live, (0..1000).map(|n| n * 5000)), None);
    }

    #[test]
    fn the_usual_interval_is_learned_from_live_messages() {
        let mut live = Live::default();
        live.connected(false);
        assert_eq!(live_from(&mut live, (0..20).map(|n| n * 60_000)), Some(0));
        live.connected(true);
        assert_eq!(live_from(&mut live, (0..100).map(|n| 2_000_000 + n * 5000)), None);
        assert_eq!(
            live_from(&mut live, (0..10).map(|n| 3_000_000 + n * 59_000)),
            Some(2)
        );
    }

    #[test]
    fn after_a_start_only_those_who_spoke_before_prove_themselves() {
        let mut live = Live::restarted(HashMap::from([("tern".to_owned(), 10_000)]));
        assert!(live.arrived("fulmar", 0, PLAIN));
        assert_eq!(
            live_from(&mut live, [0, 5, 10, 10_000, 20_000, 30_000, 40_000]),
            Some(5)
        );
    }

    #[test]
    fn one_burst_begins_the_proof_anew() {
        let mut live = usual(10_000);
        live.connected(true);
        let arrivals = [0, 10_000, 20_000, 20_005, 30_000, 40_000, 50_000, 60_000];
        assert_eq!(live_from(&mut live, arrivals), Some(6));
    }

    #[test]
    fn each_topic_and_each_connection_proves_itself() {
        let mut live = usual(10_000);
        live.connected(true);
        assert_eq!(live_from(&mut live, (0..10).map(|n| n * 10_000)), Some(3));
        assert!(!live.arrived("fulmar", 100_000, PLAIN));
        live.connected(true);
        assert!(!live.arrived("tern", 110_000, PLAIN));
    }
}
