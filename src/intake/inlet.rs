//! From what arrives to what the writer takes, whichever broker brought it: tells whether the arrival time can be
//! believed, decodes, and watches the instruments' clocks. When to acknowledge is the writer's word.

use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;

use super::{
    Arrival, Decoder,
    clocks::Clocks,
    live::{Live, Marks},
    now_ms,
};
use crate::store::Message;

/// What every message goes through.
#[derive(Debug)]
pub struct Inlet {
    decoder: Arc<Decoder>,
    live: Mutex<Live>,
    clocks: Clocks,
}

impl Inlet {
    /// Through these.
    #[must_use]
    pub fn new(decoder: Arc<Decoder>, live: Live, clocks: Clocks) -> Self {
        Self {
            decoder,
            live: Mutex::new(live),
            clocks,
        }
    }

    /// The MQTT topic filters that bring the messages of every source.
    pub(super) fn filters(&self) -> Vec<String> {
        self.decoder.filters()
    }

    /// A connection begins.
    pub(super) fn connected(&self, session_present: bool) {
        let mut live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        live.connected(session_present);
    }

    /// What the writer takes of a message that has just come.
    pub(super) fn message(&self, topic: String, body: Bytes, marks: Marks) -> Message {
        let at_ms = now_ms();
        let timed = self.decoder.timed(&topic);
        // Only of topics that need it: whoever may publish could otherwise have names without end remembered.
        let live = !self.decoder.dated_by_arrival(&topic) || {
            let mut live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
            live.arrived(&topic, at_ms, marks)
        };
        let decoded = self.decoder.decode(&topic, &body, Arrival { at_ms, live });
        if timed {
            self.clocks.see(&decoded.readings, at_ms);
        }
        Message {
            topic,
            body,
            arrived_ms: at_ms,
            decoded,
            urgent: !live && !timed,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config;

    #[test]
    fn names_of_topics_that_need_no_arrival_time_are_not_remembered() {
        let text = concat!(
            include_str!("../../demo-data/skerry.toml"),
            "[[source]]\ntopic = \"hut/{instrument}/{channel}\"\nformat = \"number\"\n",
            "[[source]]\ntopic = \"told/{instrument}\"\nformat = \"senml\"\n"
        );
        let setup = config::parse("setup.toml", text, Path::new("")).unwrap();
        let inlet = Inlet::new(Arc::new(Decoder::new(&setup)), Live::default(), Clocks::new(6));
        let remembers = |topic: &str| {
            inlet.message(topic.to_owned(), Bytes::from_static(b"53.1"), Marks::default());
            format!("{:?}", inlet.live).contains(topic)
        };
        assert!(!remembers("nobody/takes/this"));
        assert!(!remembers("skerry/tern/reading"));
        assert!(remembers("hut/tern/voltage"));
        assert!(remembers("told/tern"));
    }
}
